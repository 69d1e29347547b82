"""Cutting forces by Kienzle over the engaged arc, with the helix and every tooth in contact.

A tooth at angle t from the wall side of its arc cuts a chip fz sin t thick, so a slice dz of its edge is
pushed back by kc1.1 (fz sin t)^(1 - mc) dz (Kienzle). The helix turns that slice by z tan(helix) / R behind
the tip: an edge in contact is an interval of the arc, and the sums over the edges need only the running
integrals

    S_p(phi) = integral of sin^p t from 0 to phi,     C_p(phi) = sin^(p+1) phi / (p + 1),     p = 1 - mc.

S_p has no elementary form; it is tabulated once per mc as S_p / phi^(p+1), which is smooth, to about 1e-7.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from zrough.cutting.formulas import Array, max_chip, mean_chip, surface_speed
from zrough.errors import CuttingDataError

TABLE_NODES = 2049
QUADRATURE_NODES = 48
POSITIONS = 72  # turns of the cutter looked at within one tooth pitch when searching the peak
MIN_LAG_RAD = 1e-3  # a straight flute is taken as one that lags this little, so one formula serves all
CHUNK = 1024  # elements per block: POSITIONS x teeth x CHUNK doubles stay in cache-sized memory


class Kienzle(Protocol):
    """What the force model asks of a material."""

    @property
    def kc11(self) -> float:
        """Specific force at a chip of 1 x 1 mm, N/mm2."""

    @property
    def mc(self) -> float:
        """Exponent of the chip thickness."""

    @property
    def radial_share(self) -> float:
        """Radial over tangential force."""


class CutterShape(Protocol):
    """What the force model asks of a cutter."""

    @property
    def diameter(self) -> float:
        """Cutting diameter, mm."""

    @property
    def flutes(self) -> int:
        """Number of teeth."""

    @property
    def helix_deg(self) -> float:
        """Helix angle, degrees."""


@dataclass(frozen=True, eq=False)
class Forces:
    """Loads on the cutter; all arrays have the broadcast shape of the inputs.

    Mean values are over one turn of the spindle; peak values are the largest at any angle of it and hold
    for a worst tooth that run-out makes cut deeper. Peaks are NaN when they were not asked for.
    """

    chip_mean: Array  # mm
    chip_max: Array  # mm, without run-out
    tangential_mean: Array  # N, sum of all teeth
    tangential_peak: Array  # N
    bending_peak: Array  # N, vector sum of tangential and radial forces of all teeth, square to the axis
    axial_peak: Array  # N, pull along the axis by the helix
    torque_mean: Array  # Nm
    torque_peak: Array  # Nm
    power_kw: Array  # mean, at the cutter divided by the efficiency
    teeth_in_cut: Array  # mean number of edges in contact at any height


def arc_integral(power: float, phi: npt.ArrayLike) -> Array:
    """Integral of sin^power from 0 to phi, phi in radians from 0 to pi; relative error about 1e-7."""
    angle = np.clip(np.asarray(phi, dtype=np.float64), 0.0, math.pi)
    nodes, shares = _arc_table(round(power, 9))
    folded = np.minimum(angle, math.pi - angle)
    low = folded ** (power + 1.0) * np.interp(folded, nodes, shares)
    half = (0.5 * math.pi) ** (power + 1.0) * shares[-1]
    result: Array = np.where(angle <= 0.5 * math.pi, low, 2.0 * half - low)
    return result


@functools.lru_cache(maxsize=64)
def _arc_table(power: float) -> tuple[Array, Array]:
    """S_p(phi) / phi^(p+1) from 0 to pi/2, by Gauss-Legendre after v = u^(p+1) has taken the root out."""
    nodes = np.linspace(0.0, 0.5 * math.pi, TABLE_NODES)
    roots, weights = np.polynomial.legendre.leggauss(QUADRATURE_NODES)
    u = (0.5 * (roots + 1.0)) ** (1.0 / (power + 1.0))
    shares = np.sinc(np.outer(nodes, u) / math.pi) ** power @ (0.5 * weights) / (power + 1.0)
    nodes.setflags(write=False)
    shares.setflags(write=False)
    return nodes, shares


def lag_per_mm(cutter: CutterShape) -> float:
    """Angle, radians, by which a flute falls behind its tip for each mm of height: tan(helix) / R."""
    return math.tan(math.radians(cutter.helix_deg)) / (0.5 * cutter.diameter)


def peak_shares(
    cutter: CutterShape, mc: float, engagement_deg: npt.ArrayLike, axial_mm: npt.ArrayLike
) -> tuple[Array, Array]:
    """Peak tangential and peak vector force for kc1.1 = 1 and fz = 1, mm (an edge length); see `forces`.

    The force of any cut is kc1.1 fz^(1 - mc) times these, so limits on force solve for the feed directly.
    """
    phi, axial = np.broadcast_arrays(
        np.radians(np.asarray(engagement_deg, dtype=np.float64)), np.asarray(axial_mm, dtype=np.float64)
    )
    lag = np.maximum(lag_per_mm(cutter), MIN_LAG_RAD / np.maximum(axial, 1e-9))
    tangential, vector = _peaks_cached(
        cutter.flutes, 1.0 - mc, phi.astype(np.float64).tobytes(), (lag * axial).tobytes()
    )
    return tangential.reshape(phi.shape) / lag, vector.reshape(phi.shape) / lag


@functools.lru_cache(maxsize=64)
def _peaks_cached(flutes: int, p: float, phi_bytes: bytes, wrap_bytes: bytes) -> tuple[Array, Array]:
    """Peaks by angle of engagement and of wrap, kept: one cut is asked for at several settings."""
    phi, wrap = np.frombuffer(phi_bytes), np.frombuffer(wrap_bytes)
    tangential, vector = np.empty(phi.size), np.empty(phi.size)
    for start in range(0, phi.size, CHUNK):
        part = slice(start, start + CHUNK)
        tangential[part], vector[part] = _peaks(flutes, p, phi[part], wrap[part])
    tangential.setflags(write=False)
    vector.setflags(write=False)
    return tangential, vector


def _peaks(flutes: int, p: float, phi: Array, wrap: Array) -> tuple[Array, Array]:
    pitch = 2.0 * math.pi / flutes
    teeth = math.ceil(float(np.max(phi + wrap, initial=0.0)) / pitch) + 1
    # starting from phi itself: that is where the tip stands when a short edge is loaded most
    turn = np.mod(phi, pitch)[:, None] + pitch * np.arange(POSITIONS)[None, :] / POSITIONS
    tip = np.mod(turn, pitch)[:, :, None] + pitch * np.arange(teeth)[None, None, :]
    upper = np.minimum(tip, phi[:, None, None])
    lower = np.clip(tip - wrap[:, None, None], 0.0, phi[:, None, None])
    along = (arc_integral(p, upper) - arc_integral(p, lower)).sum(axis=2)
    across = (arc_integral(p + 1.0, upper) - arc_integral(p + 1.0, lower)).sum(axis=2)
    feedwise = ((np.sin(upper) ** (p + 1.0) - np.sin(lower) ** (p + 1.0)) / (p + 1.0)).sum(axis=2)
    return along.max(axis=1), np.hypot(across, feedwise).max(axis=1)


def mean_share(
    cutter: CutterShape, mc: float, engagement_deg: npt.ArrayLike, axial_mm: npt.ArrayLike
) -> Array:
    """Mean tangential force for kc1.1 = 1, fz = 1, mm: z ap S_p(phi) / 2 pi, whatever the helix."""
    arc = arc_integral(1.0 - mc, np.radians(np.asarray(engagement_deg, dtype=np.float64)))
    result: Array = cutter.flutes * np.asarray(axial_mm, dtype=np.float64) * arc / (2.0 * math.pi)
    return result


def runout_chip(runout: float, flutes: int) -> float:
    """Extra thickness, mm, that the worst tooth cuts; `runout` is the full indicator reading.

    The axis stands runout / 2 off; two neighbours on that circle differ in radius by at most 2 e sin(pi / z).
    """
    return runout * math.sin(math.pi / flutes)


def forces(
    material: Kienzle,
    cutter: CutterShape,
    engagement_deg: npt.ArrayLike,
    axial_mm: npt.ArrayLike,
    feed_per_tooth: npt.ArrayLike,
    spindle_rpm: float,
    *,
    runout: float = 0.0,
    efficiency: float = 1.0,
    peaks: bool = True,
) -> Forces:
    """Forces, torque and power of side milling, for arrays of cuts.

    Parameters
    ----------
    material : has kc11 (N/mm2), mc and radial_share (radial over tangential force).
    cutter : has diameter (mm), flutes and helix_deg.
    engagement_deg, axial_mm, feed_per_tooth : numbers or arrays that broadcast; degrees 0 to 180, mm, mm.
    spindle_rpm : 1/min.
    runout : full indicator reading at the tip, mm; raises the peaks only.
    efficiency : spindle drive; 1 gives the net power at the cutter.
    peaks : False skips the search over the turn (about 1 microsecond a cut instead of 50).

    Raises
    ------
    CuttingDataError : a number is negative or not finite, or the engagement is above 180 degrees.

    Notes
    -----
    Axial force is taken as tangential force times tan(helix), radial as a fixed share of the tangential
    one; both are plain models of the trade. Wear, which raises forces by a third and more, is not in it.
    """
    phi, axial, fz = np.broadcast_arrays(
        np.asarray(engagement_deg, dtype=np.float64),
        np.asarray(axial_mm, dtype=np.float64),
        np.asarray(feed_per_tooth, dtype=np.float64),
    )
    _check(phi, axial, fz, spindle_rpm)
    p = 1.0 - material.mc
    load = material.kc11 * fz**p
    tangential = load * mean_share(cutter, material.mc, phi, axial)
    chip_max = np.asarray(max_chip(fz, phi), dtype=np.float64)
    if peaks:
        along, vector = peak_shares(cutter, material.mc, phi, axial)
        worst = load * _runout_gain(chip_max, runout_chip(runout, cutter.flutes), p)
        tangential_peak, bending = worst * along, worst * vector * math.hypot(1.0, material.radial_share)
    else:
        tangential_peak = bending = np.full(phi.shape, np.nan)
    radius_m = 0.5e-3 * cutter.diameter
    return Forces(
        chip_mean=np.asarray(mean_chip(fz, phi), dtype=np.float64),
        chip_max=chip_max,
        tangential_mean=tangential,
        tangential_peak=tangential_peak,
        bending_peak=bending,
        axial_peak=tangential_peak * math.tan(math.radians(cutter.helix_deg)),
        torque_mean=tangential * radius_m,
        torque_peak=tangential_peak * radius_m,
        power_kw=tangential * surface_speed(cutter.diameter, spindle_rpm) / 60000.0 / efficiency,
        teeth_in_cut=cutter.flutes * phi / 360.0,
    )


def _runout_gain(chip: Array, extra: float, p: float) -> Array:
    gain: Array = (1.0 + extra / np.maximum(chip, 1e-9)) ** p
    return np.where(chip > 0.0, gain, 1.0)


def _check(phi: Array, axial: Array, fz: Array, spindle_rpm: float) -> None:
    for name, values, top in (
        ("engagement", phi, 180.0 + 1e-9),
        ("axial depth", axial, math.inf),
        ("feed per tooth", fz, math.inf),
        ("spindle speed", np.asarray(spindle_rpm), math.inf),
    ):
        bad = ~(np.isfinite(values) & (values >= 0.0) & (values <= top))
        if bad.any():
            worst = float(np.asarray(values)[bad].flat[0])
            raise CuttingDataError(
                f"forces: {name} is {worst:g}; it must be finite, at least 0"
                + (" and at most 180 degrees" if name == "engagement" else "")
            )
