"""How far a cutter bends and how hard its root is stressed: a stepped beam held at the holder's face.

The fluted part bends like a round bar of about 0.8 of its diameter (Kops & Vo, Determination of the
equivalent diameter of an end mill based on its compliance, CIRP Annals 1990; 0.7 to 0.8 in the Mitsubishi
Materials training course on deflection). Holder and spindle give way too and often by more; this is the
cutter's own part only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

FLUTED_SHARE = 0.8
CARBIDE_MODULUS = 580e3  # N/mm2; the lower of the two values in use (600e3 from memory), so the safe one


class BeamCutter(Protocol):
    """What the beam asks of a cutter, mm."""

    @property
    def diameter(self) -> float:
        """Cutting diameter."""

    @property
    def flute_length(self) -> float:
        """Length of the fluted part."""

    @property
    def overhang(self) -> float:
        """Tip to holder face."""

    @property
    def shank_diameter(self) -> float | None:
        """Shank; None = the cutting diameter."""

    @property
    def neck_diameter(self) -> float | None:
        """Relieved neck above the flutes; None = no neck."""

    @property
    def neck_length(self) -> float | None:
        """Tip to the end of the neck; None = no neck."""


@dataclass(frozen=True)
class Section:
    """One step of the beam: from `start` to `end` above the tip, bending like a bar of `diameter`; mm."""

    start: float
    end: float
    diameter: float

    @property
    def inertia(self) -> float:
        """Second moment of area, mm4."""
        return math.pi * self.diameter**4 / 64.0


def sections(cutter: BeamCutter, fluted_share: float = FLUTED_SHARE) -> tuple[Section, ...]:
    """The steps of the beam from the tip to the holder's face."""
    shank = cutter.shank_diameter or cutter.diameter
    flute_end = min(cutter.flute_length, cutter.overhang)
    steps = [Section(0.0, flute_end, fluted_share * cutter.diameter)]
    neck_end = min(cutter.neck_length or 0.0, cutter.overhang)
    if cutter.neck_diameter and neck_end > flute_end:
        steps.append(Section(flute_end, neck_end, cutter.neck_diameter))
    if cutter.overhang > steps[-1].end:
        steps.append(Section(steps[-1].end, cutter.overhang, shank))
    return tuple(steps)


def tip_compliance(
    cutter: BeamCutter,
    axial: float = 0.0,
    modulus: float = CARBIDE_MODULUS,
    fluted_share: float = FLUTED_SHARE,
) -> float:
    """Deflection of the tip per newton, mm/N, of a force spread evenly over the lowest `axial` mm.

    By the unit load: integral of M(x) x / (E I). With axial = 0 and one section this is L3 / (3 E I).
    """
    total = 0.0
    for step in sections(cutter, fluted_share):
        part = _moment_area(step.end, axial) - _moment_area(step.start, axial)
        total += part / (modulus * step.inertia)
    return total


def _moment_area(x: float, axial: float) -> float:
    """Integral from 0 to x of M(t) t dt for a unit force spread over 0..axial."""
    inside = min(x, axial)
    area = inside**4 / (8.0 * axial) if axial > 0.0 else 0.0
    if x > axial:
        area += (x**3 - axial**3) / 3.0 - axial * (x**2 - axial**2) / 4.0
    return area


def tip_deflection(
    force: float, cutter: BeamCutter, axial: float = 0.0, modulus: float = CARBIDE_MODULUS
) -> float:
    """Deflection of the tip, mm, under a force square to the axis, N, spread over the lowest `axial` mm."""
    return force * tip_compliance(cutter, axial, modulus)


def stress_per_newton(cutter: BeamCutter, axial: float = 0.0) -> float:
    """Largest bending stress of any step per newton, N/mm2/N: 32 M / (pi d3) at the step's upper end."""
    return max(32.0 * _moment(step.end, axial) / (math.pi * step.diameter**3) for step in sections(cutter))


def _moment(x: float, axial: float) -> float:
    return x - 0.5 * axial if x > axial else x * x / (2.0 * axial)


def bending_stress(force: float, cutter: BeamCutter, axial: float = 0.0) -> float:
    """Largest bending stress, N/mm2, under the same force."""
    return force * stress_per_newton(cutter, axial)
