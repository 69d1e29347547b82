"""Materials: families with rungs of hardness, grades that stand on them, the user's own.

The numbers live in `data/materials.toml`, each with its source. Names are looked up without regard to case or
spaces: a family ("tool steel"), a grade or material number ("1.2311"), or an ISO 513 letter ("P").
"""

from __future__ import annotations

import difflib
import functools
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from zrough.errors import CuttingDataError

DATA = Path(__file__).resolve().parent.parent / "data"
HARDNESS_SLACK = 1.02  # a conversion from Rockwell may overshoot the family's range by this
LETTERS = "PMKNSH"
MAX_FILE = 16_000_000  # bytes of a table of materials
USER_SOURCE = "user's own table"


@dataclass(frozen=True)
class Material:
    """One material at one hardness, ready to cut.

    `sources` names, for each quantity, where its number is from.
    """

    name: str
    iso: str  # ISO 513 letter
    hardness_hb: float | None
    kc11: float  # N/mm2 at a chip of 1 x 1 mm
    mc: float
    surface_speed: float  # m/min at half width of cut, coated carbide
    surface_speed_range: tuple[float, float]  # as printed
    chip_over_d: float  # thickest chip over cutter diameter
    radial_ratio: float  # radial width over diameter
    axial_ratio: float  # axial depth over diameter
    ramp_angle_deg: float
    radial_share: float = 0.32  # radial over tangential force
    caution: str = ""  # "magnesium", "titanium", "beryllium" or nothing
    speed_cap: float | None = None  # m/min never exceeded, whatever the bite
    assumed_hardness: bool = False
    sources: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class _Rung:
    hb: float
    values: Mapping[str, float]
    sources: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class _Family:
    name: str
    iso: str
    default_hb: float
    hb_range: tuple[float, float]
    rungs: tuple[_Rung, ...]
    caution: str
    speed_cap: float | None


@dataclass(frozen=True)
class _Entry:
    """A name that can be asked for."""

    name: str
    family: str
    hb: float
    caution: str


@dataclass(frozen=True)
class _Library:
    families: Mapping[str, _Family]
    entries: Mapping[str, _Entry]  # by folded name
    letters: Mapping[str, str]  # ISO letter -> family
    radial_share: float
    hrc: tuple[float, ...]
    hb: tuple[float, ...]


def read_toml(path: Path) -> dict[str, Any]:
    """A TOML file as a dict; CuttingDataError names the file and what is wrong."""
    try:
        size = path.stat().st_size
        if size > MAX_FILE:
            most = f"at most {MAX_FILE / 1e6:g} MB"
            raise CuttingDataError(f"{path}: {size / 1e6:.0f} MB, {most}; is this a table of materials?")
        with path.open("rb") as handle:
            return tomllib.load(handle)
    except RecursionError:
        raise CuttingDataError(f"{path}: tables or lists are nested too deep; flatten it") from None
    except OSError as error:
        raise CuttingDataError(f"{path}: cannot be read ({error.strerror}); check the path") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        reason = "".join(c if c.isprintable() else "?" for c in str(error))
        raise CuttingDataError(f"{path}: not a TOML file: {reason}") from error
    except ValueError:  # numbers beyond what Python converts
        raise CuttingDataError(f"{path}: a number has thousands of digits; correct it") from None


def _fold(name: str) -> str:
    return " ".join(name.lower().replace(",", " ").replace("_", " ").split())


# (table in the file, key there) -> name in `_Rung.values`
_RUNG_KEYS = {
    ("force", "kc11"): "kc11",
    ("force", "mc"): "mc",
    ("speed", "base"): "surface_speed",
    ("speed", "low"): "speed_low",
    ("speed", "high"): "speed_high",
    ("chip", "over_d"): "chip_over_d",
    ("bite", "radial"): "radial_ratio",
    ("bite", "axial"): "axial_ratio",
    ("ramp", "angle_deg"): "ramp_angle_deg",
}


@functools.cache
def _library() -> _Library:
    raw = read_toml(DATA / "materials.toml")
    families = {f["name"]: _family(f, raw["sources"]) for f in raw["family"]}
    entries: dict[str, _Entry] = {}
    for f in raw["family"]:
        entry = _Entry(f["name"], f["name"], f["default_hb"], f.get("caution", ""))
        for name in (f["name"], *f["also"]):
            entries[_fold(name)] = entry
    for name, grade in raw["grades"]["list"].items():
        caution = grade.get("caution", families[grade["family"]].caution)
        for alias in (name, *grade["also"]):
            entries[_fold(alias)] = _Entry(name, grade["family"], grade["hb"], caution)
    return _Library(
        families=families,
        entries=entries,
        letters={f["iso"]: f["name"] for f in raw["family"] if f.get("letter")},
        radial_share=raw["general"]["radial"]["share"],
        hrc=tuple(raw["hardness"]["hrc"]),
        hb=tuple(raw["hardness"]["hb"]),
    )


def _family(raw: Mapping[str, Any], sources: Mapping[str, str]) -> _Family:
    rungs = tuple(_rung(r, sources) for r in raw["rung"])
    cap = next((r["speed_cap"]["m_min"] for r in raw["rung"] if "speed_cap" in r), None)
    low, high = raw["hb_range"]
    return _Family(
        raw["name"], raw["iso"], raw["default_hb"], (low, high), rungs, raw.get("caution", ""), cap
    )


def _rung(raw: Mapping[str, Any], sources: Mapping[str, str]) -> _Rung:
    values = {name: float(raw[table][key]) for (table, key), name in _RUNG_KEYS.items()}
    named = []
    for table in ("force", "speed", "chip", "bite", "ramp"):
        note = raw[table].get("note")
        text = sources[raw[table]["source"]]
        named.append((table, f"{text} ({note})" if note else text))
    return _Rung(float(raw["force"]["hb"]), values, tuple(named))


def known_materials() -> list[str]:
    """Names that `find_material` knows, families first, then grades; ISO 513 letters work too."""
    names: dict[str, None] = dict.fromkeys(_library().families)
    names.update(dict.fromkeys(e.name for e in _library().entries.values()))
    return list(names)


def brinell(hardness_hrc: float) -> float:
    """Brinell hardness of a steel of this Rockwell C hardness, 20 to 65 HRC."""
    lib = _library()
    if not lib.hrc[0] <= hardness_hrc <= lib.hrc[-1]:
        raise CuttingDataError(
            f"material: hardness_hrc = {hardness_hrc:g} is outside {lib.hrc[0]:g} to {lib.hrc[-1]:g}; "
            "give hardness_hb below 20 HRC"
        )
    return float(np.interp(hardness_hrc, lib.hrc, lib.hb))


def find_material(
    name: str,
    hardness_hb: float | None = None,
    hardness_hrc: float | None = None,
    table: str | Path | None = None,
) -> Material:
    """The material of this name at this hardness.

    Parameters
    ----------
    name : family, grade, material number or ISO 513 letter; case and spaces do not matter.
    hardness_hb, hardness_hrc : at most one; None = as usually delivered (`Material.assumed_hardness` is
        then True).
    table : TOML file of the user's own materials, looked at first; see `user_materials`.

    Raises
    ------
    CuttingDataError : unknown name (the nearest and all known ones are listed), hardness outside the family's
        range, both hardnesses given, or a fault in the user's table.
    """
    hb = _wanted_hardness(hardness_hb, hardness_hrc)
    if table is not None:
        own = user_materials(table)
        for material in own:
            if _fold(material.name) == _fold(name):
                return material if hb is None else replace(material, hardness_hb=hb)
    entry = _entry(name, [m.name for m in user_materials(table)] if table is not None else [])
    return _at_hardness(entry, hb)


def _wanted_hardness(hb: float | None, hrc: float | None) -> float | None:
    if hb is not None and hrc is not None:
        raise CuttingDataError(
            f"material: hardness_hb = {hb:g} and hardness_hrc = {hrc:g} are both given; keep one"
        )
    return brinell(hrc) if hrc is not None else hb


def _entry(name: str, own: Iterable[str]) -> _Entry:
    lib = _library()
    text = name.strip()
    letter = text.upper().removeprefix("ISO").strip()
    if letter in LETTERS and len(letter) == 1:
        family = lib.families[lib.letters[letter]]
        return _Entry(f"ISO {letter}, {family.name}", family.name, family.default_hb, family.caution)
    entry = lib.entries.get(_fold(text))
    if entry is None:
        close = difflib.get_close_matches(_fold(text), lib.entries, n=3, cutoff=0.5)
        near = f" Nearest: {'; '.join(dict.fromkeys(lib.entries[c].name for c in close))}." if close else ""
        known = "; ".join([*own, *known_materials()])
        raise CuttingDataError(
            f"material: {_shown(name)} is not known.{near} Known: {known}; or an ISO 513 letter P M K N S H "
            "with hardness_hb; or your own in a materials table"
        )
    return entry


def _at_hardness(entry: _Entry, hardness: float | None) -> Material:
    lib = _library()
    family = lib.families[entry.family]
    hb = entry.hb if hardness is None else hardness
    low, high = family.hb_range
    if not low / HARDNESS_SLACK <= hb <= high * HARDNESS_SLACK:
        raise CuttingDataError(
            f'material: "{entry.name}" at {hb:.0f} HB is outside {low:g} to {high:g} HB of {family.name}; '
            "correct the hardness or name another material"
        )
    steps = [r.hb for r in family.rungs]
    at = {
        key: float(np.interp(hb, steps, [r.values[key] for r in family.rungs])) for key in _RUNG_KEYS.values()
    }
    nearest = min(family.rungs, key=lambda r: abs(r.hb - hb))
    return Material(
        name=entry.name,
        iso="H" if family.name == "tool steel" and hb >= lib.hb[lib.hrc.index(45)] else family.iso,
        hardness_hb=hb,
        kc11=at["kc11"],
        mc=at["mc"],
        surface_speed=at["surface_speed"],
        surface_speed_range=(at["speed_low"], at["speed_high"]),
        chip_over_d=at["chip_over_d"],
        radial_ratio=at["radial_ratio"],
        axial_ratio=at["axial_ratio"],
        ramp_angle_deg=at["ramp_angle_deg"],
        radial_share=lib.radial_share,
        caution=entry.caution,
        speed_cap=family.speed_cap,
        assumed_hardness=hardness is None,
        sources=nearest.sources,
    )


# ---- the user's own materials

# key in the user's table -> (field of Material, lowest, highest)
_USER_NUMBERS: dict[str, tuple[str, float, float]] = {
    "kc11": ("kc11", 50.0, 10000.0),
    "mc": ("mc", 0.0, 0.6),
    "surface_speed": ("surface_speed", 1.0, 5000.0),
    "chip_over_d": ("chip_over_d", 1e-4, 0.1),
    "radial_ratio": ("radial_ratio", 0.005, 1.0),
    "axial_ratio": ("axial_ratio", 0.05, 10.0),
    "ramp_angle_deg": ("ramp_angle_deg", 0.05, 45.0),
}
_USER_OPTIONAL: dict[str, tuple[str, float, float]] = {
    "hardness_hb": ("hardness_hb", 5.0, 800.0),
    "radial_share": ("radial_share", 0.0, 2.0),
    "speed_cap": ("speed_cap", 1.0, 5000.0),
}
_USER_WORDS = ("name", "iso", "like", "source", "caution")


def user_materials(path: str | Path) -> list[Material]:
    """Materials of a TOML file with `[[material]]` tables.

    Keys: name; iso (letter); kc11 (N/mm2), mc, surface_speed (m/min at half width of cut), chip_over_d,
    radial_ratio, axial_ratio, ramp_angle_deg; optional hardness_hb, radial_share, speed_cap (m/min),
    caution, source. With `like = "1.2311"` whatever is not given is taken from that material.

    Raises
    ------
    CuttingDataError : file, material and key at fault, with the limits.
    """
    file = Path(path)
    raw = read_toml(file)
    rows = raw.get("material")
    if set(raw) != {"material"} or not isinstance(rows, list) or not rows:
        raise CuttingDataError(f"{file}: expected [[material]] tables and nothing else")
    return [_user_material(row, f"{file}: material {i}") for i, row in enumerate(rows, 1)]


def _user_material(row: object, place: str) -> Material:
    if not isinstance(row, dict):
        raise CuttingDataError(f"{place}: {_shown(row)} is no table; write [[material]] above its lines")
    name = row.get("name")
    if not isinstance(name, str) or not name.strip():
        raise CuttingDataError(f"{place}: name is missing; give the name that jobs use")
    place = f"{place} {_shown(name)}"
    unknown = sorted(set(row) - set(_USER_NUMBERS) - set(_USER_OPTIONAL) - set(_USER_WORDS))
    if unknown:
        raise CuttingDataError(
            f"{place}: unknown key {_one_line(unknown[0])}; known: "
            + ", ".join([*_USER_WORDS, *_USER_NUMBERS, *_USER_OPTIONAL])
        )
    for key in _USER_WORDS:
        if key in row and not isinstance(row[key], str):
            raise CuttingDataError(f"{place}: {key} = {_shown(row[key])} must be text")
    given = {
        field: _number(row[key], low, high, f"{place}: {key}")
        for key, (field, low, high) in (_USER_NUMBERS | _USER_OPTIONAL).items()
        if key in row
    }
    base = _base_for(row, given, place)
    source = row.get("source", USER_SOURCE)
    speed = given.get("surface_speed", base.surface_speed)
    return replace(
        base,
        **given,
        name=name,
        iso=_letter(row.get("iso", base.iso), place),
        caution=row.get("caution", base.caution),
        surface_speed_range=(speed, speed) if "surface_speed" in given else base.surface_speed_range,
        assumed_hardness=False,
        sources=tuple((field, source) for field in given) + base.sources,
    )


def _base_for(row: Mapping[str, Any], given: Mapping[str, float], place: str) -> Material:
    if "like" in row:
        entry = _entry(row["like"], [])
        return _at_hardness(entry, given.get("hardness_hb"))
    missing = [key for key, (field, _, _) in _USER_NUMBERS.items() if field not in given]
    if missing:
        raise CuttingDataError(f'{place}: {missing[0]} is missing; give it, or like = "a known material"')
    if "iso" not in row:
        raise CuttingDataError(f"{place}: iso is missing; give one of the ISO 513 letters P M K N S H")
    return Material(
        row["name"], "P", None, 1.0, 0.0, 1.0, (1.0, 1.0), 1.0, 1.0, 1.0, 1.0, _library().radial_share
    )


def _shown(value: object) -> str:
    """A value of a file, fit for one line."""
    try:
        return _one_line(f'"{value}"' if isinstance(value, str) else repr(value))
    except ValueError:
        return "a number of thousands of digits"


def _one_line(text: str) -> str:
    """Control characters as question marks, cut where it is long."""
    plain = "".join(c if c.isprintable() else "?" for c in text)
    return plain if len(plain) <= 80 else plain[:80] + "..."


def _letter(value: str, place: str) -> str:
    letter = value.strip().upper()
    if len(letter) != 1 or letter not in LETTERS:
        raise CuttingDataError(
            f"{place}: iso = {_shown(value)} must be one of the ISO 513 letters P M K N S H"
        )
    return letter


def _number(value: object, low: float, high: float, place: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise CuttingDataError(f"{place} = {_shown(value)} must be a number from {low:g} to {high:g}")
    return float(value)
