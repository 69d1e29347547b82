"""Milling formulas in closed form: speeds, feeds, chip thickness, entries, stepover, balance.

Every function takes numbers or arrays and returns the same. Lengths mm, speeds m/min, feeds mm/min,
spindle 1/min, angles degrees. The formulas agree across makers' technical pages (milling formulas of
Mitsubishi Materials, Sandvik Coromant, Dormer Pramet, Tungaloy, Kyocera).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

FULL_WIDTH_DEG = 180.0  # a cutter buried to its full diameter


def _array(value: npt.ArrayLike) -> Array:
    return np.asarray(value, dtype=np.float64)


def _same_kind(result: Array, *inputs: object) -> Any:
    """A plain float when every input was a plain number, so that callers can format it."""
    return float(result) if all(np.ndim(v) == 0 for v in inputs) else result  # type: ignore[arg-type]


# ---- speed and feed


def surface_speed(diameter: float, spindle_rpm: float) -> float:
    """Cutting speed vc = pi D n / 1000, m/min."""
    return math.pi * diameter * spindle_rpm / 1000.0


def spindle_speed(diameter: float, surface_speed_m_min: float) -> float:
    """Spindle speed n = 1000 vc / (pi D), 1/min."""
    return 1000.0 * surface_speed_m_min / (math.pi * diameter)


def table_feed(feed_per_tooth: float, flutes: int, spindle_rpm: float) -> float:
    """Feed vf = fz z n, mm/min."""
    return feed_per_tooth * flutes * spindle_rpm


def feed_per_tooth(feed: float, flutes: int, spindle_rpm: float) -> float:
    """Feed per tooth fz = vf / (z n), mm."""
    return feed / (flutes * spindle_rpm)


def removal_rate(axial: float, radial: float, feed: float) -> float:
    """Metal removed per minute, cm3/min: Q = ap ae vf / 1000."""
    return axial * radial * feed / 1000.0


def cutting_power(axial: float, radial: float, feed: float, kc: float, efficiency: float = 1.0) -> float:
    """Power Pc = ap ae vf kc / (60e6 eta), kW; with efficiency 1 the net power at the cutter."""
    return axial * radial * feed * kc / (60e6 * efficiency)


def torque(power_kw: float, spindle_rpm: float) -> float:
    """Torque M = 9549 P / n, Nm (9549.3 = 30000 / pi)."""
    return 30000.0 / math.pi * power_kw / spindle_rpm


# ---- engagement and chip thickness


def engagement_deg(radial_ratio: npt.ArrayLike) -> Any:
    """Arc in material of a side cut, degrees: phi = arccos(1 - 2x), x = ae / D from 0 to 1."""
    x = np.clip(_array(radial_ratio), 0.0, 1.0)
    return _same_kind(np.degrees(np.arccos(1.0 - 2.0 * x)), radial_ratio)


def radial_ratio(engagement: npt.ArrayLike) -> Any:
    """Radial width over diameter, x = (1 - cos phi) / 2; the inverse of `engagement_deg`."""
    phi = np.radians(np.clip(_array(engagement), 0.0, FULL_WIDTH_DEG))
    return _same_kind(0.5 * (1.0 - np.cos(phi)), engagement)


def max_chip(feed: npt.ArrayLike, engagement: npt.ArrayLike) -> Any:
    """Thickest chip, mm: fz sin(phi) up to 90 degrees of engagement, fz beyond."""
    phi = np.radians(np.clip(_array(engagement), 0.0, 90.0))
    return _same_kind(_array(feed) * np.sin(phi), feed, engagement)


def mean_chip(feed: npt.ArrayLike, engagement: npt.ArrayLike) -> Any:
    """Mean chip thickness over the arc, mm: hm = fz (1 - cos phi) / phi = fz 2x / phi."""
    phi = np.radians(np.clip(_array(engagement), 0.0, FULL_WIDTH_DEG))
    small = phi < 1e-6
    safe = np.where(small, 1.0, phi)
    share = np.where(small, 0.5 * phi, (1.0 - np.cos(safe)) / safe)
    return _same_kind(_array(feed) * share, feed, engagement)


def thinning_factor(engagement: npt.ArrayLike) -> Any:
    """How much faster a thin bite may be fed for the same thickest chip: 1 / sin(phi), 1 from 90 degrees."""
    phi = np.radians(np.clip(_array(engagement), 1e-6, 90.0))
    return _same_kind(1.0 / np.sin(phi), engagement)


def feed_for_mean_chip(mean: npt.ArrayLike, radial: npt.ArrayLike) -> Any:
    """Feed per tooth for a mean chip by the catalogue rule fz = hm / sqrt(x), used up to x = 1 as printed.

    CERATIZIT eCatalog 2026 p.802; a rule for small x, not the exact arc.
    """
    return _same_kind(_array(mean) / np.sqrt(_array(radial)), mean, radial)


def specific_force(kc11: float, mc: float, chip: npt.ArrayLike) -> Any:
    """Kienzle: kc = kc1.1 h^-mc, N/mm2, for a chip h mm thick."""
    return _same_kind(kc11 * _array(chip) ** -mc, chip)


def teeth_in_cut(flutes: int, engagement: npt.ArrayLike) -> Any:
    """Mean number of teeth in the material at one height: z phi / 360."""
    return _same_kind(flutes * _array(engagement) / 360.0, engagement)


def arc_engagement_deg(
    radial: npt.ArrayLike, path_radius: npt.ArrayLike, cutter_radius: float, *, inside: bool = True
) -> Any:
    """Engagement, degrees, when the cutter's centre runs on a circle and takes `radial` mm from the wall.

    Inside a bore the arc grows: 1 - cos phi = ae (2 (p + R) - ae) / (2 p R); round a boss it shrinks:
    1 - cos phi = ae (2 (p - R) + ae) / (2 p R), p the path radius and R the cutter's. Exact geometry; the
    inside case is the effective radial width printed for circular milling, (Dm2 - Dw2) / (4 (Dm - Dc)).
    """
    ae, p = _array(radial), _array(path_radius)
    edge = 2.0 * (p + cutter_radius) - ae if inside else 2.0 * (p - cutter_radius) + ae
    cosine = 1.0 - ae * edge / (2.0 * p * cutter_radius)
    return _same_kind(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))), radial, path_radius)


def centre_feed(
    edge_feed: npt.ArrayLike,
    path_radius: npt.ArrayLike,
    cutter_radius: float,
    inside: bool = True,
    max_gain: float = 1.5,
) -> Any:
    """Feed of the cutter's centre, mm/min, that moves the edge along the wall at `edge_feed`.

    Inside a bore vf = vfm (Dh - D) / Dh (Sandvik Coromant HRSA guide p.107), here p / (p + R) with p the
    radius of the centre's path; round a boss p / (p - R), but at most `max_gain` times the edge feed, for
    the gain has no bound where the path shrinks to the cutter's radius. A straight line is p = inf.

    The relation is for arcs whose engagement is not known. Where the arc in material was measured, feed it
    by that alone: the cutter moves without turning about the path's centre, so its thickest chip is the
    centre's feed per tooth times sin(phi) whatever the path radius, and both corrections together would
    halve the chip.
    """
    p = _array(path_radius)
    with np.errstate(divide="ignore"):
        ratio = cutter_radius / p
        if inside:
            share = 1.0 / (1.0 + ratio)
        else:
            share = np.where(ratio < 1.0, 1.0 / np.maximum(1.0 - ratio, 1e-12), np.inf)
            share = np.minimum(share, max_gain)
    return _same_kind(_array(edge_feed) * share, edge_feed, path_radius)


# ---- entries


def helix_pitch(bore: float, diameter: float, ramp_angle_deg: float) -> float:
    """Depth per turn, mm, of a helix milling `bore`; the angle is that of the centre's path."""
    return math.pi * (bore - diameter) * math.tan(math.radians(ramp_angle_deg))


def helix_turn_length(bore: float, diameter: float, ramp_angle_deg: float) -> float:
    """Length of one turn of the centre's path, mm."""
    return math.pi * (bore - diameter) / math.cos(math.radians(ramp_angle_deg))


def ramp_length(depth: float, ramp_angle_deg: float) -> float:
    """Plan length of a straight ramp down `depth`, mm."""
    return depth / math.tan(math.radians(ramp_angle_deg))


def helix_bore_window(diameter: float, corner_radius: float, uncut_diameter: float) -> tuple[float, float]:
    """Smallest and largest bore, mm, that a helix leaves with neither a trapped core nor a pip at its centre.

    Below D + uncut diameter the part of the tip that cannot cut meets the core; above 2 (D - corner radius)
    the corner leaves a pip. From the cutter's profile; no published window for solid end mills was found.
    """
    return diameter + uncut_diameter, 2.0 * (diameter - corner_radius)


def helix_pip_height(bore: float, diameter: float, corner_radius: float) -> float:
    """Height, mm, of the pip that a helix of this bore leaves at its centre; inf when a whole core stays."""
    inner = 0.5 * (bore - diameter) - 0.5 * diameter + corner_radius
    if inner <= 0.0:
        return 0.0
    if inner > corner_radius:
        return math.inf
    return corner_radius - math.sqrt(corner_radius**2 - inner**2)


# ---- cusps, ball-nose, balance


def step_over_for_cusp(diameter: float, cusp: float) -> float:
    """Step-over, mm, of a ball-nose that leaves this cusp on a flat: s = 2 sqrt(D h - h2)."""
    return 2.0 * math.sqrt(diameter * cusp - cusp * cusp)


def cusp_for_step_over(diameter: float, step: float) -> float:
    """Cusp height, mm, on a flat: h = R - sqrt(R2 - s2/4)."""
    radius = 0.5 * diameter
    return radius - math.sqrt(radius * radius - 0.25 * step * step)


def ball_effective_diameter(diameter: float, axial: float) -> float:
    """Diameter that a ball-nose really cuts at depth ap, mm: 2 sqrt(ap (D - ap)), D from ap = R up."""
    depth = min(axial, 0.5 * diameter)
    return 2.0 * math.sqrt(depth * (diameter - depth))


def permissible_unbalance(grade: float, mass_kg: float, spindle_rpm: float) -> float:
    """Unbalance, g mm, that grade G allows: U = 9549 G m / n (ISO 21940-11, formerly ISO 1940-1)."""
    return 30000.0 / math.pi * grade * mass_kg / spindle_rpm


def permissible_eccentricity(grade: float, spindle_rpm: float) -> float:
    """Shift of the centre of mass, micrometres, that grade G allows: e = 9549 G / n."""
    return permissible_unbalance(grade, 1.0, spindle_rpm)
