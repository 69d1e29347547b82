"""What holder, clamping, coating, overhang and width do to a cut: `data/practice.toml`, with sources."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from zrough.cutting.formulas import Array
from zrough.cutting.materials import DATA, read_toml
from zrough.errors import CuttingDataError

GRIP_SHANK = 12.7  # mm; shank diameter the holders' grips are stated for


@dataclass(frozen=True)
class Holder:
    """One kind of holder."""

    name: str
    runout: float  # mm at the tip, full indicator reading
    grip: float  # N at a 12.7 mm shank
    preferred: bool
    advice: str
    max_rpm: float | None  # above it, warn

    def usable_grip(self, shank_diameter: float) -> float:
        """Force, N, that a shank of this diameter may put on the grip."""
        return self.grip * shank_diameter / GRIP_SHANK


@dataclass(frozen=True)
class Clamping:
    """Factors of how firmly the part is held."""

    chip: float
    width: float
    depth: float


@dataclass(frozen=True)
class Coating:
    """Factor of one coating in one material, with advice where it does not belong."""

    factor: float
    advice: str


@functools.cache
def practice() -> Mapping[str, Any]:
    """The whole of `practice.toml`."""
    return read_toml(DATA / "practice.toml")


def holder(kind: str) -> Holder:
    """The holder of this kind; CuttingDataError lists the known ones."""
    raw = _pick(practice()["holder"], kind, "holder: type")
    return Holder(
        kind, raw["runout"], raw["grip"], raw["rank"] == "preferred", raw["advice"], raw.get("max_rpm")
    )


def clamping(kind: str) -> Clamping:
    """The factors of "firm", "normal" or "weak"."""
    known = {k: v for k, v in practice()["clamping"].items() if k != "source"}
    return Clamping(**_pick(known, kind, "setup: clamping"))


def coating(name: str | None, iso: str) -> Coating:
    """Speed factor of a coating in a material letter; no name = the usual one for the letter."""
    if not name or not name.strip():
        return Coating(1.0, "")
    known = practice()["coating"]
    raw = next((value for key, value in known.items() if key.lower() == name.strip().lower()), None)
    if raw is None:
        return Coating(1.0, f'coating "{name}" is not known, no factor used; known: {", ".join(known)}')
    if iso in raw:
        return Coating(raw[iso], "")
    return Coating(raw["other"], f"coating {name} in ISO {iso}: {raw['advise']}")


def _pick(known: Mapping[str, Any], name: str, place: str) -> Any:
    for key, value in known.items():
        if key.lower() == name.lower():
            return value
    raise CuttingDataError(f'{place} = "{name}" is not known; known: {", ".join(known)}')


def width_speed_factor(radial_ratio: float) -> float:
    """Surface speed factor of a thin bite, 1 at half width and beyond; held at the table's ends."""
    width = practice()["width"]
    return float(np.interp(radial_ratio, width["radial"], width["speed"]))


def overhang_factor(overhang_ratio: float) -> float:
    """Factor on speed and chip for overhang over diameter; falls as 1 / ratio beyond the table."""
    raw = practice()["overhang"]
    last = raw["ratio"][-1]
    if overhang_ratio > last:
        return float(raw["factor"][-1] * last / overhang_ratio)
    return float(np.interp(overhang_ratio, raw["ratio"], raw["factor"]))


def slot_factor(axial_ratio: npt.ArrayLike, at_most: float = 1.0) -> Array:
    """Feed factor of a full slot by axial depth over diameter; the table goes to 1.25 in shallow ones."""
    raw = practice()["slot"]
    depth = np.asarray(axial_ratio, dtype=np.float64)
    last, tail = raw["axial"][-1], raw["factor"][-1]
    inside = np.interp(depth, raw["axial"], raw["factor"])
    beyond = tail * last / np.maximum(depth, last)
    result: Array = np.minimum(at_most, np.where(depth > last, beyond, inside))
    return result
