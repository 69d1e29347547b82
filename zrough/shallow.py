"""Levels more where the ground is shallow: what terraces leave there adds up, however low their stairs are.

On ground that hardly rises a terrace no taller than the job allows for may be a hundred millimetres wide, and
a single level cut half way up takes most of it. Where all terraces together would leave more than a share of
what is removed, such levels are added, each at the height that takes most; walls keep the levels they have.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from . import distances
from .levels import Band, Level
from .regions import Space
from .stairs import Flags, Floats, Limits

ENOUGH = 0.005  # of the volume removed: what terraces may leave
SLOPE = 0.5  # rise over run up to which ground is shallow
LEAST = 0.3  # of the excess: an added level takes no less
TALL = 0.3  # of the height of stairs: what it takes off the ground that it takes most of, at least
NARROW = 0.3  # of the radius: shallow ground narrower than this is left to the walls' levels
MOST = 4  # levels added
THIN = 0.05  # mm: what stands less than this above its ground is not counted


def add(space: Space, bands: list[Band], limits: Limits) -> None:
    """Add climb levels to ``bands`` where terraces would leave too much on shallow ground.

    ``space.at_level`` gets the ground that stays closed at them: all that is not shallow.
    """
    if np.isinf(limits.height) or space.is_leftover:
        return
    heights = _heights(bands)
    # ground narrow or not and seen with fewer nodes: where that is little, there is no more to look at
    if _excess(*_ground(space, 2), heights) <= 0.0:
        return
    tip, flat, bearable = _ground(space, 1)
    shallow = flat & _wide(flat, 0.5 * NARROW * space.radius / space.grid.cell)
    high = _highest_within(tip)
    for _ in range(MOST):
        heights = _heights(bands)
        excess = _excess(high, shallow, 0.0, heights)
        if excess <= bearable:
            return
        best, z, low = max(
            (*_best(np.sort(high[shallow & (high > a) & (high < b)]), a, b, TALL * limits.height), a)
            for a, b in pairwise(heights)
        )
        if best < LEAST * excess:
            return
        band = next(band for band in bands if band.primary.z <= low < band.primary.top)
        taken = best * space.grid.cell**2
        reason = f"shallow ground: takes {taken:.0f} mm3 that the next level would leave there"
        level = Level(z, band.primary.top, "climb", reason, band.primary.band)
        band.climbs = sorted([*band.climbs, level], key=lambda v: v.z)
        _close(space, z, low, shallow & (tip > low) & (tip <= z))


def _highest_within(tip: Floats) -> Floats:
    """Highest within one node, as the check measures: between nodes ground is known no better."""
    from scipy.ndimage import maximum_filter

    return np.asarray(maximum_filter(tip, size=3, mode="nearest"), dtype=np.float64)


def _heights(bands: list[Band]) -> list[float]:
    """Heights of all levels and of the stock's top, upward."""
    return sorted({v.z for band in bands for v in band.levels} | {bands[0].primary.top})


def _ground(space: Space, every: int) -> tuple[Floats, Flags, float]:
    """Lowest tip heights at one node in ``every`` each way, where such ground in reach rises no more than
    `SLOPE` on either axis, and the excess that may stay, summed over these nodes, mm."""
    tip, top = (np.ascontiguousarray(q[::every, ::every]) for q in (space.cl, space.top))
    tip = tip + space.floor
    there = np.isfinite(top) & np.isfinite(tip) & (tip < top)
    bearable = ENOUGH * float((top[there] - tip[there]).sum(dtype=np.float64))
    for axis in (0, 1):
        with np.errstate(invalid="ignore"):
            steep = ~(np.abs(np.diff(tip, axis=axis)) <= SLOPE * every * space.grid.cell)
        ahead, behind = [slice(None)] * 2, [slice(None)] * 2
        ahead[axis], behind[axis] = slice(1, None), slice(None, -1)
        there[tuple(behind)] &= ~steep
        there[tuple(ahead)] &= ~steep
    return tip, there, bearable


def _excess(tip: Floats, where: Flags, bearable: float, heights: list[float]) -> float:
    """What stands over nodes once all levels are cut, mm, summed; less what is ``bearable``."""
    low, ends = tip[where], np.array(heights)
    gap = ends[np.minimum(np.searchsorted(ends, low - 1e-6), len(ends) - 1)] - low
    return float(gap[gap > THIN].sum(dtype=np.float64)) - bearable


def _wide(flat: Flags, half: float) -> Flags:
    """Nodes no farther than ``half`` nodes from one that has as much of the same ground all round."""
    inner = distances.away(flat) >= half
    if not inner.any():
        return np.asarray(inner, dtype=np.bool_)
    return np.asarray(distances.away(~inner) <= half, dtype=np.bool_)


def _best(tips: Floats, low: float, high: float, least: float) -> tuple[float, float]:
    """The most that a level between two takes, summed over nodes of sorted heights ``tips``, and its height.

    It stands ``least`` mm below the upper one at least, since that is what it takes where it takes most.
    """
    if not len(tips):
        return 0.0, low
    worth = (high - tips) * np.arange(1, len(tips) + 1)
    worth[(tips < low + THIN) | (tips > high - least)] = 0.0
    k = int(np.argmax(worth))
    return float(worth[k]), float(tips[k]) + 1e-4


def _close(space: Space, z: float, low: float, wanted: Flags) -> None:
    """Keep the centre off all that a level gains over the one at ``low`` but the ``wanted`` ground."""
    g = space.grid
    closed = space.mask(z) & ~space.mask(low)
    bound = space.bound(low)
    if bound is not None:
        closed |= space.mask(z) & (bound <= 0.0)
    near = np.asarray(distances.away(~wanted) <= 2.0)
    closed &= ~near
    xy = space.rings(z).points
    j = np.clip(np.rint((xy[:, 0] - g.x0) / g.cell).astype(np.int64), 0, g.nx - 1)
    i = np.clip(np.rint((xy[:, 1] - g.y0) / g.cell).astype(np.int64), 0, g.ny - 1)
    off: NDArray[np.bool_] = ~near[i, j]
    closed[i[off], j[off]] = True
    if closed.any():
        space.close(z, closed)
