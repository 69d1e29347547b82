"""Levels more where the ground is shallow: what terraces leave there adds up, however low their stairs are.

On ground that hardly rises a terrace no taller than the job allows for may be a hundred millimetres wide, and
a single level cut half way up takes most of it. Where all terraces together would leave more than a share of
what is removed, such levels are added, each at the height that takes most; walls keep the levels they have.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from . import distances
from .levels import Band, Level
from .regions import Space
from .stairs import Flags, Floats, Limits

ENOUGH = 0.005  # of the volume removed: what terraces may leave
SPARE = 0.8  # of that: once levels are added, so few that what the sums do not see stays within it too
EVERY = 2  # nodes: one of them each way is enough for sums
SLOPE = 0.5  # rise over run up to which ground is shallow
LEAST = 0.05  # of what may be left: an added level takes no less
TALL = 0.1  # of the height of stairs: what it takes off the ground that it takes most of, at least
NARROW = 0.3  # of the radius: shallow ground narrower than this is left to the walls' levels
MOST = 8  # levels added
ALONE = 0.3  # of the excess: a level that takes this much is added whatever ground it clears
AREA = 0.3  # of the area that primary levels clear: what other added levels clear, all together
THIN = 0.05  # mm: what stands less than this above its ground is not counted
FILLET = 2.0 / 3.0  # of its width: how far off a corner's fillet ends a terrace, on average over its height


def add(space: Space, bands: list[Band], limits: Limits) -> None:
    """Open climb levels, and add some to ``bands``, where terraces would leave too much on shallow ground.

    ``space.at_level`` gets the ground that stays closed at them: all that is not shallow.
    """
    if np.isinf(limits.height) or space.is_leftover:
        return
    heights = _heights(bands)
    terraces = _Terraces.of(space, heights[0], limits.height)
    gentle = _level_enough(terraces.ground, terraces.pitch)
    trimmed = [z for z in heights if z in space.at_level]
    most = np.where(gentle, terraces.left([z for z in heights if z not in trimmed]), terraces.left(heights))
    if most.sum() <= terraces.bearable:
        return
    tip = space.cl + space.floor
    shallow = _shallow(space, tip)
    near = distances.away(~np.ascontiguousarray(shallow[::EVERY, ::EVERY])) <= space.radius / terraces.pitch
    for z in trimmed:
        _note(space, terraces, z, shallow)
    if terraces.left(heights).sum() <= terraces.bearable:
        return
    _open(space, terraces, heights)
    spare = AREA * terraces.area([band.primary.z for band in bands])
    near &= gentle
    for z, low, sum_ in _found(terraces, near, heights, TALL * limits.height, spare):
        band = next(band for band in bands if band.primary.z <= low < band.primary.top)
        reason = (
            f"shallow ground: takes {sum_ * terraces.pitch**2:.0f} mm3 that the next level would leave there"
        )
        level = Level(z, band.primary.top, "climb", reason, band.primary.band)
        band.climbs = sorted([*band.climbs, level], key=lambda v: v.z)
        _close(space, z, low, shallow & (tip > low) & (tip <= z))


def _note(space: Space, terraces: _Terraces, z: float, shallow: Flags) -> None:
    """Note what a level takes that is closed to the cutter on part of the shallow ground."""
    bound = space.bound(z)
    assert bound is not None
    mask = space.mask(z)
    free = mask & (bound > 0.0)
    shut = shallow & mask & ~free
    if shut.any():
        terraces.partly[z] = terraces.within(free), terraces.within(free | shut), shut


def _open(space: Space, terraces: _Terraces, heights: list[float]) -> None:
    """Open levels on shallow ground that is closed at them, those first that take most there.

    The next level would clear the same ground higher, so that it costs next to nothing.
    """
    while terraces.partly:
        top = terraces.tops(heights)
        excess = float(terraces.over(top).sum())
        if excess <= SPARE * terraces.bearable:
            break
        gains = {
            z: excess - float(terraces.over(np.where(wide & (z < top), z, top)).sum())
            for z, (_, wide, _) in terraces.partly.items()
        }
        best = max(gains, key=lambda z: gains[z])
        if gains[best] < LEAST * terraces.bearable:
            break
        shut = terraces.partly.pop(best)[2]
        bound = space.bound(best)
        assert bound is not None
        space.at_level.pop(best)
        space.close(best, space.mask(best) & (bound <= 0.0) & ~np.asarray(distances.away(~shut) <= 2.0))


def _found(
    terraces: _Terraces, near: Flags, heights: list[float], least: float, spare: float
) -> list[tuple[float, float, float]]:
    """Levels to be added between ``heights``, where the cutter gets to from shallow ground (``near``).

    For each its height, the next level below, and what it takes, summed over nodes. ``spare``: nodes that
    such levels may clear, all together.
    """
    steep = float(terraces.left(heights)[~near].sum())
    ends = np.sort(terraces.ends[near & terraces.there])
    found: list[tuple[float, float, float]] = []
    heights = list(heights)
    while len(found) < MOST:
        excess = steep + float(terraces.left(heights)[near].sum())
        if excess <= SPARE * terraces.bearable:
            break
        best, z, low = max(
            (*_best(ends[slice(*np.searchsorted(ends, (a + 1e-6, b)))], a, b, least), a)
            for a, b in pairwise(heights)
        )
        area = float(np.diff(np.searchsorted(ends, (low + 1e-6, z)))[0])
        if best < LEAST * terraces.bearable or (area > spare and best < ALONE * excess):
            break
        spare -= area
        found.append((z, low, best))
        heights = sorted([*heights, z])
    return found


@dataclass(frozen=True)
class _Terraces:
    """What the levels leave as terraces, at one node in `EVERY` each way. Maps; lengths mm.

    ``ground`` : the lowest surface left there, the highest within one node, as the check measures. ``ends`` :
    a level takes what lies lower than this. ``there`` : where it stands in the stock. ``bearable`` : sum over
    all nodes that may be left. ``reach`` : how far from its centre a tip takes ground, in nodes. ``partly`` :
    by height of levels that are closed to the cutter on some shallow ground, what they take, what they would
    take if they were not, and the ground (of the space's grid) that is closed.
    """

    pitch: float
    ground: Floats
    ends: Floats
    there: Flags
    bearable: float
    reach: float
    partly: dict[float, tuple[Flags, Flags, Flags]] = field(default_factory=dict)

    @classmethod
    def of(cls, space: Space, lowest: float, stair: float) -> _Terraces:
        """Of all ground within the cutter's reach down to the ``lowest`` level."""
        tip = (space.cl + space.floor)[::EVERY, ::EVERY]
        top = space.top[::EVERY, ::EVERY]
        if space.limit is not None:
            tip = np.where(space.limit[::EVERY, ::EVERY] < 0.0, np.inf, tip)
        pitch = EVERY * space.grid.cell
        corner = max(0.0, space.corner - space.wall)
        # on slopes the flat of the tip leaves the ground, while its corner cuts terraces farther out
        flat = space.radius - corner
        fillet = min(corner, FILLET * float(np.sqrt(2.0 * corner * stair)))
        low = np.maximum(_lowest_within(tip, flat / pitch), lowest)
        reach = (flat + fillet) / pitch
        ends = low if corner <= 0.0 else _lowest_within(tip, reach)
        there = np.isfinite(top) & (low < top)
        bearable = ENOUGH * float((top[there] - low[there]).sum(dtype=np.float64))
        return cls(pitch, _highest_within(low), ends, there, bearable, reach)

    def area(self, heights: list[float]) -> float:
        """Nodes that levels at ``heights`` clear, all together."""
        whole = np.sort(self.ground[self.there])
        return float(np.searchsorted(whole, heights, side="right").sum())

    def within(self, free: Flags) -> Flags:
        """What a tip takes whose centre goes over ``free`` nodes (of the space's grid)."""
        return np.asarray(distances.away(~np.ascontiguousarray(free[::EVERY, ::EVERY])) <= self.reach)

    def tops(self, heights: list[float]) -> Floats:
        """How high each node stands once levels at ``heights`` are cut, where they are open."""
        levels = np.array([z for z in heights if z not in self.partly])
        tops = levels[np.minimum(np.searchsorted(levels, self.ends - 1e-6), len(levels) - 1)]
        for z in heights:
            if z in self.partly:
                np.copyto(tops, z, where=self.partly[z][0] & (tops > z))
        return np.asarray(tops)

    def over(self, tops: Floats) -> Floats:
        """What stands over the lowest surface."""
        gap = tops - self.ground
        return np.where(self.there & (gap > THIN), gap, 0.0)

    def left(self, heights: list[float]) -> Floats:
        """What stands at each node once levels at ``heights`` are cut."""
        return self.over(self.tops(heights))


def _lowest_within(tip: Floats, reach: float) -> Floats:
    """Lowest tip height within ``reach`` nodes of each: what the flat of a tip leaves."""
    from scipy.ndimage import minimum_filter1d

    out, rows = np.full(tip.shape, np.inf), len(tip)
    for off in range(-int(reach), int(reach) + 1):
        width = 2 * int(np.sqrt(reach * reach - off * off)) + 1
        row = minimum_filter1d(tip[max(0, off) : rows + min(0, off)], width, axis=1, mode="nearest")
        near = out[max(0, -off) : rows + min(0, -off)]
        np.minimum(near, row, out=near)
    return out


def _highest_within(tip: Floats) -> Floats:
    """Highest within one node, as the check measures: between nodes ground is known no better."""
    from scipy.ndimage import maximum_filter

    return np.asarray(maximum_filter(tip, size=3, mode="nearest"), dtype=np.float64)


def _heights(bands: list[Band]) -> list[float]:
    """Heights of all levels and of the stock's top, upward."""
    return sorted({v.z for band in bands for v in band.levels} | {bands[0].primary.top})


def _shallow(space: Space, tip: Floats) -> Flags:
    """Nodes of shallow ground in reach, wide enough for walks of its own."""
    there = np.isfinite(space.top) & np.isfinite(tip) & (tip < space.top)
    if space.limit is not None:
        there &= space.limit >= 0.0
    flat = there & _level_enough(tip, space.grid.cell)
    return _wide(flat, 0.5 * NARROW * space.radius / space.grid.cell)


def _level_enough(ground: Floats, pitch: float) -> Flags:
    """Nodes from which the ground rises no more than `SLOPE` on either axis."""
    there = np.ones(ground.shape, dtype=np.bool_)
    for axis in (0, 1):
        with np.errstate(invalid="ignore"):
            steep = ~(np.abs(np.diff(ground, axis=axis)) <= SLOPE * pitch)
        ahead, behind = [slice(None)] * 2, [slice(None)] * 2
        ahead[axis], behind[axis] = slice(1, None), slice(None, -1)
        there[tuple(behind)] &= ~steep
        there[tuple(ahead)] &= ~steep
    return there


def _wide(flat: Flags, half: float) -> Flags:
    """Nodes no farther than ``half`` nodes from one that has as much of the same ground all round."""
    inner = distances.away(flat) >= half
    if not inner.any():
        return np.asarray(inner, dtype=np.bool_)
    return np.asarray(distances.away(~inner) <= half, dtype=np.bool_)


def _best(tips: Floats, low: float, high: float, least: float) -> tuple[float, float]:
    """The most that a level between two takes, summed over nodes, and its height; ``tips``: `_Terraces.ends`.

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
