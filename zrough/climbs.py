"""Climb levels by region: each is cut only where leaving it out would leave a stair above the limit.

Points follow the walls up through a band. Each stands on the boundary of the ground cut so far, and knows the
height it was cut at. At the next height a point asks what the stair would be if this height were left out:
from its own height up to the one after, with the width in plan that the surface gains meanwhile. Where that
passes the limit the height is cut, and points on its boundary take over. Elsewhere the ground is closed to
the cutter at this height, so that nothing is traced for nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from . import distances, threads
from .distances import around, places
from .levels import Band, Level, split
from .stairs import Flags, Floats, Limits, normal_step, slopes, spacing

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

    from .job import Job
    from .regions import Space

LEAST_BITE = 0.01  # mm: where the surface gains less width the wall is upright
FAR = 1e4  # mm: the surface does not come up to the level any more
REACH = 0.3  # of the radius: how far from a flat its wall counts as its own
SPREAD = 1.0  # of the radius: how far a stretch to be cut is lengthened, so that a pass can roll in
SPARE = 1.0 + 1e-6


@dataclass
class _Walls:
    """Points (n, 2) on the boundary of the ground cut so far, mm, and the heights (n,) they were cut at."""

    xy: Floats
    z: Floats

    @cached_property
    def tree(self) -> cKDTree:
        """The points, to be asked which of them is nearest."""
        from scipy.spatial import cKDTree

        return cKDTree(self.xy)


class _Ring:
    """The boundary at one height, asked for distances."""

    def __init__(self, points: Floats, offsets: NDArray[np.int64]) -> None:
        from scipy.spatial import cKDTree

        self.points = points
        n = len(points)
        self.after, self.before = np.arange(1, n + 1), np.arange(-1, n - 1)
        self.after[offsets[1:] - 1] = offsets[:-1]
        self.before[offsets[:-1]] = offsets[1:] - 1
        self.tree = cKDTree(points) if n else None

    def away(self, xy: Floats) -> Floats:
        """Distance of points (n, 2) from the boundary, mm; inf if there is none."""
        if self.tree is None or not len(xy):
            return np.full(len(xy), math.inf)
        near, k = self.tree.query(xy)
        best = near**2
        for other in (self.after[k], self.before[k]):
            a = self.points[k]
            edge = self.points[other] - a
            size = np.maximum((edge**2).sum(axis=1), 1e-300)
            t = np.clip(((xy - a) * edge).sum(axis=1) / size, 0.0, 1.0)
            best = np.minimum(best, ((xy - a - t[:, None] * edge) ** 2).sum(axis=1))
        return np.asarray(np.sqrt(best), dtype=np.float64)


def limits_of(job: Job, space: Space) -> Limits:
    """The job's limits on stairs, mm; inf where it sets none."""
    height, normal = job.roughing.stair_height, job.roughing.stair_normal
    return Limits(
        height if height > 0.0 else math.inf,
        normal if normal is not None else math.inf,
        max(0.0, space.corner - space.wall),
    )


def between(space: Space, limits: Limits, anchors: list[float]) -> Callable[[float, float], list[float]]:
    """Heights of climb levels between the ends of a band; see `stairs.spacing`. ``anchors``: levels known."""
    if math.isinf(limits.normal):
        gap = 0.0 if math.isinf(limits.height) else limits.height
        return lambda low, high: split(low, high, gap)
    tip = space.cl + space.floor
    there = np.isfinite(space.top) & np.isfinite(tip) & (tip < space.top)
    return spacing(tip[there], slopes(space.cl, space.grid.cell)[there], limits, anchors)


def trim(space: Space, bands: list[Band], limits: Limits, drops: dict[float, float]) -> None:
    """Drop the climb levels that no wall needs, and close the ground where a level is not needed.

    Parameters
    ----------
    bands : changed: levels dropped, reasons filled in. ``space.at_level`` gets the ground that stays closed.
    drops : by height of a flat, mm, how much lower its lowest point lies (0 for a level one), mm.
    """
    todo = [band for band in bands if band.climbs]
    if not todo:
        return
    stock = _near_stock(space)
    with ThreadPoolExecutor(max_workers=threads.count()) as pool:
        # bands share nothing but the ground at their own heights
        def one(band: Band) -> None:
            _Trimmer(space, stock, band, limits, drops).run()

        # those with the most to decide first, so that none is left to one thread at the end
        todo.sort(key=lambda band: -len(band.climbs))
        list(pool.map(one if len(todo) == 1 else threads.alone(one), todo))


def _near_stock(space: Space) -> Flags:
    """Nodes from which the cutter reaches stock."""
    there = np.isfinite(space.top)
    if there.all():
        return there
    reach = (space.radius + space.grid.cell) / space.grid.cell
    return distances.within(there, reach)


class _Trimmer:
    """One band on its way up."""

    def __init__(
        self, space: Space, stock: Flags, band: Band, limits: Limits, drops: dict[float, float]
    ) -> None:
        self.space, self.stock, self.band, self.limits, self.drops = space, stock, band, limits, drops
        self.tip = space.cl + space.floor  # lowest tip height at each node
        self.open = space.mask(band.primary.z)
        self.walls = self._on(band.primary.z)
        self.ring: tuple[float, _Ring] | None = None  # the one asked last, and its height

    def run(self) -> None:
        """Decide on every climb level, bottom up."""
        heights = [v.z for v in self.band.climbs] + [self.band.primary.top]
        if self._upright(*heights[-2:]):
            self.band.climbs = []
            return
        kept: list[Level] = []
        for level, above in zip(self.band.climbs, heights[1:], strict=True):
            if self._decide(level, above):
                kept.append(level)
        self.band.climbs = kept

    def _upright(self, highest: float, top: float) -> bool:
        """True if no wall leans anywhere in the band, whose highest climb level gains no ground.

        The boundary at any height lies between those at the band's ends, so none in between is asked for.
        """
        if (self.space.mask(highest) & ~self.open & self.stock).any():
            return False
        return bool((self._ring(top).away(self.walls.xy) < 0.5 * LEAST_BITE).all())

    def _nodes(self, xy: Floats) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        g = self.space.grid
        j = np.clip(np.rint((xy[:, 0] - g.x0) / g.cell).astype(np.int64), 0, g.nx - 1)
        i = np.clip(np.rint((xy[:, 1] - g.y0) / g.cell).astype(np.int64), 0, g.ny - 1)
        return i, j

    def _on(self, z: float) -> _Walls:
        """Points of the boundary at ``z`` that are near stock and not on the grid's own frame."""
        g, ring = self.space.grid, self.space.rings(z)
        xy = ring.points
        inside = (xy[:, 0] > g.x0 + 0.5 * g.cell) & (xy[:, 0] < g.x[-1] - 0.5 * g.cell)
        inside &= (xy[:, 1] > g.y0 + 0.5 * g.cell) & (xy[:, 1] < g.y[-1] - 0.5 * g.cell)
        inside &= self.stock[self._nodes(xy)]
        return _Walls(xy[inside], np.full(int(inside.sum()), z))

    def _decide(self, level: Level, above: float) -> bool:
        """Whether the level is cut anywhere; its closed ground is put into the space."""
        walls, z = self.walls, level.z
        ring, following = self._ring(z), self._ring(above)
        here, there = ring.away(walls.xy), following.away(walls.xy)
        rise = above - walls.z
        stair = self._stair(z - walls.z, here, rise, there)
        upright = here < LEAST_BITE
        needed = ~upright & (
            ((rise > self.limits.height * SPARE) & (there >= LEAST_BITE))
            | (stair > self.limits.normal * SPARE)
        )
        walls.z = np.where(upright, z, walls.z)  # a stair begins where an upright wall ends
        gained = self.space.mask(z) & ~self.open & self.stock
        flat = self._flat(gained, level)
        needed = self._spread(needed, ~upright)
        if flat.any():
            needed |= ~upright & self._beside(flat, gained, needed, upright)
        chosen, lone = self._chosen(gained, flat, needed | upright, level, above)
        tongue = self._tongue(gained, above)
        chosen, lone = chosen | tongue, lone | tongue
        if not needed.any() and not (chosen.any() and (level.floor or lone.any())):
            return False
        skipped = ~needed & ~upright
        closed = gained & ~chosen
        if skipped.any() or closed.any():
            self._close(z, closed, walls.xy[skipped])
        self.open |= chosen
        self._explain(level, needed, rise, stair)
        self._take_over(z, needed, lone)
        return True

    def _ring(self, z: float) -> _Ring:
        """The boundary at a height: of two that follow each other the upper one is the next one's lower."""
        if self.ring is None or self.ring[0] != z:
            self.ring = z, _Ring(*_arrays(self.space.rings(z)))
        return self.ring[1]

    def _spread(self, needed: Flags, may: Flags) -> Flags:
        """A needed stretch reaches a little further along the wall, so that it is not cut in scraps."""
        from scipy.spatial import cKDTree

        if not needed.any() or needed.all():
            return needed
        reach = SPREAD * self.space.radius
        away, _ = cKDTree(self.walls.xy[needed]).query(self.walls.xy, distance_upper_bound=SPARE * reach)
        return np.asarray(needed | (may & (away <= reach)))

    def _stair(self, up: Floats, here: Floats, rise: Floats, there: Floats) -> Floats:
        """Leftover square to the surface if the level is left out, mm.

        The surface is taken as two planes that meet where it is cut at the level; the edge of the stair
        stands upright over its foot.
        """
        there = np.minimum(there, FAR)
        here = np.minimum(here, there)
        foot = np.zeros_like(here)
        square = np.minimum(
            _to_line(rise, foot, foot, here, up), _to_line(rise, here, up, np.maximum(there, here), rise)
        )
        if self.limits.corner <= 0.0:
            return square
        flat = normal_step(rise, there)
        share = normal_step(rise, there, self.limits.corner) / np.maximum(flat, 1e-12)
        return np.asarray(square * np.minimum(share, 1.0), dtype=np.float64)

    def _flat(self, gained: Flags, level: Level) -> Flags:
        """Nodes of a flat that is gained at this level."""
        from scipy.ndimage import binary_dilation

        if not level.floor:
            return np.zeros_like(gained)
        flat = gained & (self.tip >= level.z - self.drops.get(level.z, 0.0) - 1e-6)
        return np.asarray(binary_dilation(flat, iterations=3) & gained)

    def _beside(self, flat: Flags, gained: Flags, needed: Flags, upright: Flags) -> Flags:
        """Points from which the cutter goes onto a flat: those close to it, else all round its patch."""
        from scipy.ndimage import binary_dilation, label

        space, at = self.space, self._nodes(self.walls.xy)
        reach = (space.corner + REACH * space.radius) / space.grid.cell
        beside: Flags = distances.within(flat, max(reach, 2.0))[at]
        number, _ = label(gained, structure=np.ones((3, 3)))
        for k in np.unique(number[flat]):
            near = binary_dilation(number == k, structure=np.ones((3, 3)), iterations=2)[at]
            if not (near & (needed | beside) & ~upright).any():
                beside |= near
        return beside

    def _chosen(
        self, gained: Flags, flat: Flags, wanted: Flags, level: Level, above: float
    ) -> tuple[Flags, Flags]:
        """The nodes gained at this level that are to be cut, and those of them that touch no ground below."""
        from scipy.ndimage import label

        chosen = flat.copy()
        i, j = places(gained)
        if not len(i):
            return chosen, chosen
        if wanted.all():
            chosen[i, j] |= len(wanted) > 0
        elif wanted.any():
            g = self.space.grid
            at = np.stack([g.x0 + g.cell * j, g.y0 + g.cell * i], axis=1)
            _, near = self.walls.tree.query(at)
            chosen[i, j] |= wanted[near]
        # beside the stock too: what stands open there may be more than the cutter's reach away from it
        fresh = self.space.mask(level.z) & ~self.open
        beside, lone = around(self.open) & fresh, np.zeros_like(gained)
        if (beside == fresh).all():  # as along steep walls
            return chosen, lone
        number, count = label(fresh, structure=np.ones((3, 3)))
        k, m = places(beside)
        joined = np.zeros(count + 1, bool)
        joined[number[k, m]] = True
        lone[i, j] = ~joined[number[i, j]]
        if lone.any():
            lowest = np.full(count + 1, math.inf)
            np.minimum.at(lowest, number[lone], self.tip[lone])
            tall = above - lowest > min(self.limits.height, self.limits.normal) * SPARE
            tall[number[flat]] = True
            chosen = (chosen & ~lone) | (lone & tall[number])
            lone &= tall[number]
        return chosen, lone

    def _tongue(self, gained: Flags, above: float) -> Flags:
        """Patches of gained ground that reach far from all walls and would keep too high a step.

        Into a channel whose floor rises slowly the boundary runs far in one step; the points at its mouth see
        the sides close by and know nothing of that.
        """
        from scipy.ndimage import label

        g, found = self.space.grid, np.zeros_like(gained)
        i, j = places(gained)
        high = above - self.tip[i, j] > min(self.limits.height, self.limits.normal) * SPARE
        i, j = i[high], j[high]
        if not len(i) or not len(self.walls.xy):
            return found
        at = np.stack([g.x0 + g.cell * j, g.y0 + g.cell * i], axis=1)
        away, _ = self.walls.tree.query(at, distance_upper_bound=REACH * self.space.radius)
        far = np.isinf(away)
        if far.any():
            number, _ = label(gained, structure=np.ones((3, 3)))
            found = np.isin(number, np.unique(number[i[far], j[far]]))
        return found

    def _close(self, z: float, closed: Flags, off: Floats) -> None:
        """Keep the centre out of the ``closed`` nodes, and away from the points ``off``."""
        off_limits = closed.copy()
        off_limits[self._nodes(off)] = True
        self.space.close(z, off_limits)

    def _explain(self, level: Level, needed: Flags, rise: Floats, stair: Floats) -> None:
        if level.floor or not needed.any():
            if not level.floor:
                level.reason = "opens ground that is not reached from below"
            return
        k = int(np.argmax(np.where(needed, stair, -1.0)))
        share = 100.0 * float(needed.mean())
        level.reason = (
            f"caps the stair: without it {rise[k]:.2f} mm high, {stair[k]:.2f} mm square to the wall; "
            f"{share:.0f} % of the walls"
        )

    def _take_over(self, z: float, needed: Flags, lone: Flags) -> None:
        """Points on the level's boundary follow those whose stair it cut."""
        walls, fresh = self.walls, self._on(z)
        mine = np.zeros(len(fresh.xy), bool)
        if lone.any():
            mine |= around(lone)[self._nodes(fresh.xy)]
        if needed.any() and len(fresh.xy):
            _, near = walls.tree.query(fresh.xy)
            mine |= needed[near]
        self.walls = _Walls(
            np.concatenate([walls.xy[~needed], fresh.xy[mine]]),
            np.concatenate([walls.z[~needed], fresh.z[mine]]),
        )


def _arrays(rings: object) -> tuple[Floats, NDArray[np.int64]]:
    return rings.points, rings.offsets  # type: ignore[attr-defined]


def _to_line(rise: Floats, ax: Floats, az: Floats, bx: Floats, bz: Floats) -> Floats:
    """Distance of the edge (0, rise) from the line from (ax, az) to (bx, bz), mm."""
    ex, ez = bx - ax, bz - az
    size = np.maximum(ex * ex + ez * ez, 1e-300)
    t = np.clip((-ax * ex + (rise - az) * ez) / size, 0.0, 1.0)
    return np.asarray(np.hypot(ax + t * ex, az + t * ez - rise), dtype=np.float64)
