"""Stairs: what a step between two levels leaves on a slope, how high a step may be, and where one is needed.

A slope at angle a from level, cut at two heights ``dz`` apart by a square-cornered tip, keeps a step whose
edge stands ``dz`` above the slope and ``dz cos a`` square to it: nothing on an upright wall, all of it on
level ground. A corner radius on the tip cuts the edge down further (`normal_step` has the exact form for a
plane).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

STEEPEST = math.radians(89.9)  # what leans less counts as upright
BIN = 0.05  # mm of height over which the shallowest slope counts


@dataclass(frozen=True)
class Limits:
    """What a stair may be, mm: ``height`` upright, ``normal`` square to the surface; inf = no limit."""

    height: float
    normal: float
    corner: float = 0.0

    @property
    def none(self) -> bool:
        """True if stairs do not matter."""
        return math.isinf(self.height) and math.isinf(self.normal)

    def rise(self, slope: Floats) -> Floats:
        """Highest step allowed on slopes (rad from level), mm; inf where there is no limit."""
        return np.minimum(self.height, highest_step(self.normal, slope, self.corner))


def normal_step(rise: Floats | float, width: Floats | float, corner: float = 0.0) -> Floats:
    """How far a step stands off a plane, square to it, above the allowance, mm.

    Parameters
    ----------
    rise, width : height of the step and its width in plan, mm; the plane leans atan(rise / width) from level.
    corner : corner radius of the tip, mm.

    The step's edge lies where the outline of the lower cut meets that of the upper one. Both outlines are a
    level line, a quarter circle of the corner radius and an upright line; each pair has its own formula.
    """
    dz, w = np.broadcast_arrays(np.asarray(rise, np.float64), np.asarray(width, np.float64))
    slant = np.maximum(np.hypot(dz, w), 1e-300)
    c = max(float(corner), 0.0)
    # edge seen from the centre of the lower quarter circle: x toward the wall, z up
    x = np.full(dz.shape, c)
    z = dz - c
    if c > 0.0:
        near = w < c  # the upper cut meets the lower one's side with its round
        z = np.where(near, dz - np.sqrt(np.maximum(c * c - (c - w) ** 2, 0.0)), z)
        low = z < 0.0  # the lower round is met: by the upper level line, or by the upper round
        x = np.where(low, np.sqrt(np.maximum(c * c - (dz - c) ** 2, 0.0)), x)
        z = np.where(low, dz - c, z)
        both = low & (x > w)
        half = np.sqrt(np.maximum(c * c - 0.25 * slant * slant, 0.0))
        x = np.where(both, 0.5 * w + half * dz / slant, x)
        z = np.where(both, 0.5 * dz - half * w / slant, z)
    return np.asarray(np.maximum(c - (x * dz - z * w) / slant, 0.0), dtype=np.float64)


def highest_step(limit: float, slope: Floats | float, corner: float = 0.0) -> Floats:
    """Highest step that stands at most ``limit`` off a plane of this slope (rad from level), mm."""
    a = np.asarray(slope, np.float64)
    if math.isinf(limit):
        return np.full(a.shape, math.inf)
    cosine, tangent = np.cos(a), np.tan(np.clip(a, 1e-6, STEEPEST))
    low = limit / np.maximum(cosine, 1e-12)  # a square corner's step; a rounded one may be higher
    low = np.where(a >= STEEPEST, math.inf, low)
    if corner <= 0.0:
        return np.asarray(low, dtype=np.float64)
    lo = np.where(np.isinf(low), 1.0, low)
    hi = lo + 2.0 * corner * (1.0 + tangent)
    for _ in range(50):
        mid = 0.5 * (lo + hi)
        fits = normal_step(mid, mid / tangent, corner) <= limit
        lo, hi = np.where(fits, mid, lo), np.where(fits, hi, mid)
    return np.asarray(np.where(np.isinf(low), math.inf, lo), dtype=np.float64)


def slopes(cl: Floats, cell: float) -> Floats:
    """Slope at every node of a height map, rad from level, by the steeper neighbour on each axis.

    Beside a jump, or beside nothing, a node counts as upright.
    """
    steep = np.zeros(cl.shape)
    for axis in (0, 1):
        with np.errstate(invalid="ignore"):
            step = np.abs(np.diff(cl, axis=axis))
        step[~np.isfinite(step)] = math.inf
        most = np.zeros(cl.shape)
        ahead, behind = [slice(None)] * 2, [slice(None)] * 2
        ahead[axis], behind[axis] = slice(1, None), slice(None, -1)
        most[tuple(behind)] = step
        most[tuple(ahead)] = np.maximum(most[tuple(ahead)], step)
        steep = np.hypot(steep, most)
    return np.asarray(np.arctan(steep / cell), dtype=np.float64)


def spacing(
    heights: Floats, slope: Floats, limits: Limits, anchors: Sequence[float], flat: float = 1e-3
) -> Callable[[float, float], list[float]]:
    """A function that spaces climb levels between two heights so that no stair in between passes its limit.

    Parameters
    ----------
    heights, slope : (n,) tip heights, mm, of all places where the surface is in reach, and the slope there,
    rad.
    anchors : heights that are levels already; ground within ``flat`` of one needs no other.

    The step allowed at a height is that on the shallowest slope there; steps are as few as that allows, and
    shrunk by one common factor until the last one is as long as the others.
    """
    lowest = float(heights.min()) if len(heights) else 0.0
    count = int((float(heights.max()) - lowest) / BIN) + 2 if len(heights) else 1
    allowed = np.full(count, limits.height)
    if len(heights) and not math.isinf(limits.normal):
        plain = np.ones(len(heights), bool)
        for z in anchors:
            plain &= np.abs(heights - z) > flat
        table = np.linspace(0.0, 0.5 * math.pi, 721)
        step = np.minimum(limits.rise(table), 1e6)
        rise = np.interp(slope[plain], table, step)
        place = np.clip(((heights[plain] - lowest) / BIN).astype(np.int64), 0, count - 1)
        np.minimum.at(allowed, place, rise)

    def between(low: float, high: float) -> list[float]:
        edges = np.arange(low, high, BIN)
        at = np.clip(((edges - lowest) / BIN).astype(np.int64), 0, count - 1)
        return _spaced(low, high, edges, allowed[at])

    return between


def _spaced(low: float, high: float, edges: Floats, allowed: Floats) -> list[float]:
    """Fewest heights between ``low`` and ``high``, each step within what its stretch allows, evened out."""
    if np.isinf(allowed).all():
        return []

    def walk(factor: float) -> list[float]:
        found: list[float] = []
        z = low
        while len(found) < 100_000:
            # the longest step that every height on its way allows
            ahead = (edges > z - BIN) & (edges < high)
            away = np.maximum(edges[ahead] - z, 0.0)
            worst = np.minimum.accumulate(factor * allowed[ahead])
            past = np.flatnonzero(away >= worst)
            k = int(past[0]) if len(past) else len(worst)
            end = float(worst[max(k - 1, 0)])
            if 0 < k < len(worst):
                end = min(end, float(away[k]))
            if z + end >= high - 1e-9:
                return found
            z += max(end, 1e-3)
            found.append(z)
        return found

    fewest = walk(1.0)
    if not fewest:
        return []
    small, large = 0.25, 1.0  # the smallest factor that needs no more steps
    for _ in range(24):
        middle = 0.5 * (small + large)
        if len(walk(middle)) > len(fewest):
            small = middle
        else:
            large = middle
    return walk(large)
