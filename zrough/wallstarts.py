"""Where walks along the walls of a level may start, and how each one comes to its wall."""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from . import ways
from .kernels import march as k
from .kernels.starts import beginnings
from .pieces import EVENED, Level, Points

if TYPE_CHECKING:
    from .rings import Clearing

SHORT = 0.5  # of the radius: a shorter stretch that bites is a cusp that a pass has left on its wall
SOONER = 0.2  # of the radius: so much farther off than the next pass a cusp comes before it
BESIDE = 0.1  # of the radius: a round tip farther from its wall bends to it too late
# how far off a wall a walk along it may start, radii
OFF_WALL = np.array([0.01, 0.03, 0.06, 0.1, 0.15, 0.25, 0.4, 0.6, 0.9])
# how far behind a clear place off a wall a straight way to the wall may begin, radii
BEHIND = np.array([0.5, 1.0, 1.5])
# what a way to a wall may cut, the film of half a node that is seen too much included
LED = math.radians(22.0)


HALF = 2.0  # least path radii: with less room than twice that a walk may find no start or no way out
FLUSH = 0.25  # node pitches that a wall's own distance may seem off
CLOSE = 0.5  # of the radius: how far on from where walls are close a walk between them may start

CHUNK = 64  # ring points that share a box


@dataclass
class Walls:
    """Which points of a level's rings still give up a bite, and where a walk has been tried.

    ``spent`` points have had their walk; ``blocked`` ones had no clear place beside
    them, which a cut may mend.
    """

    after: NDArray[np.int64]
    bite: NDArray[np.uint8]
    spent: NDArray[np.bool_]
    blocked: NDArray[np.bool_]
    boxes: NDArray[np.float64] | None = None  # lower and upper corner (2, m, 2) of each `CHUNK` of points
    outside: NDArray[np.bool_] | None = None  # points outside the zone where anything is to be cut
    settled: NDArray[np.bool_] | None = None  # points where nothing at all stood when asked: so it stays
    walked: set[tuple[float, ...]] = field(default_factory=set)  # see `is_new`

    @classmethod
    def of(cls, work: Clearing, level: Level, before: Walls | None = None) -> Walls:
        """All points of the rings asked; ``before``: what was known of them earlier in the same level."""
        n = len(level.points)
        fresh = np.zeros(n, np.uint8), np.zeros(n, bool), np.zeros(n, bool)
        if before is None or before.settled is None:
            after = np.arange(1, n + 1)
            after[level.offsets[1:] - 1] = level.offsets[:-1]
            outside = None
            if work.shut is not None and n:
                outside = np.array([work.shut[work.node(p)] for p in level.points])
            walls, asked = cls(after, *fresh, outside=outside, settled=np.zeros(n, bool)), np.arange(n)
        else:
            known = before.boxes, before.outside, before.settled
            walls = cls(before.after, *fresh, *known, walked=before.walked)
            asked = np.flatnonzero(~before.settled)
        walls._ask(work, level, asked)
        f = work.frame
        j = np.clip(np.rint((level.points[:, 0] - f.x0) / f.h).astype(int), 0, f.nx - 1)
        i = np.clip(np.rint((level.points[:, 1] - f.y0) / f.h).astype(int), 0, f.ny - 1)
        # walls that something else keeps the cutter away from (a clamp, the holder, the job's outlines)
        walls.spent |= level.sd[i, j] < -f.h
        return walls

    def open_in(self, part: slice) -> NDArray[np.bool_]:
        """Points, of those of a slice, where a walk may start."""
        return np.asarray((self.bite[part] > 0) & ~self.spent[part] & ~self.blocked[part])

    @property
    def open(self) -> NDArray[np.bool_]:
        """Points where a walk may start."""
        return self.open_in(slice(None))

    def cut(self, work: Clearing, level: Level, walk: Points) -> None:
        """Ask the points near a walk again, and let blocked ones there try again."""
        near = self.near(level, walk, work.rules.radius)
        self.blocked[near] = False
        self._ask(work, level, near)

    def is_new(self, walk: Points) -> bool:
        """False for a walk taken before: a film between coarse nodes may seem to stand for ever."""
        ends = np.round(walk[[0, len(walk) // 2, -1]], 3)
        same = (float(len(walk)), *ends.ravel().tolist())
        known = same in self.walked
        self.walked.add(same)
        return not known

    def _ask(self, work: Clearing, level: Level, which: NDArray[np.int64]) -> None:
        found = self.asked(work, level, which)
        self.bite[which] = found == 1
        if self.settled is not None:
            self.settled[which] = found == 0

    def asked(self, work: Clearing, level: Level, which: NDArray[np.int64]) -> NDArray[np.uint8]:
        """1 for each of some points where the wall gives up a bite now, 2 for a mere cusp, else 0."""
        f, r = work.frame, work.rules
        fresh = np.zeros(len(which), np.uint8)
        k.bites(
            work.d2, f.x0, f.y0, f.hd, r.radius, work.tau, work.faint, r.eps, float(r.side), work.circle,
            level.points, self.after, which, fresh,
        )  # fmt: skip
        if self.outside is not None:
            fresh[self.outside[which]] = 0
        return fresh

    def near(self, level: Level, walk: Points, radius: float) -> NDArray[np.int64]:
        """Biting points within about a radius of a walk."""
        if self.boxes is None:
            starts = np.arange(0, len(self.bite), CHUNK)
            corners = [least.reduceat(level.points, starts) for least in (np.minimum, np.maximum)]
            self.boxes = np.array(corners)
        pitch = 0.5 * radius
        low = walk.min(axis=0) - 3.0 * pitch
        shape = np.ceil((walk.max(axis=0) + 3.0 * pitch - low) / pitch).astype(int) + 1
        beside = ((self.boxes[0] <= low + (shape + 1) * pitch) & (self.boxes[1] >= low - pitch)).all(axis=1)
        which = np.flatnonzero(np.repeat(beside, CHUNK)[: len(self.bite)] & (self.bite > 0))
        cells = np.zeros(shape, bool)
        cells[tuple(((walk - low) / pitch).astype(int).T)] = True
        cells = _widened(_widened(cells).T).T
        at = np.floor((level.points[which] - low) / pitch).astype(int)
        fits = np.all((at >= 0) & (at < shape), axis=1)
        which, at = which[fits], at[fits]
        return np.asarray(which[cells[tuple(at.T)]])


def _widened(cells: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Cells (n, m) with those up to two rows off."""
    wide = cells.copy()
    for off in (1, 2):
        wide[off:] |= cells[:-off]
        wide[:-off] |= cells[off:]
    return wide


def close(work: Clearing, level: Level, walls: Walls) -> NDArray[np.bool_]:
    """Ring points that bite, within the cap, in or beside a stretch with another wall so near that the least
    bend has no room."""
    from scipy.ndimage import map_coordinates

    from .uncut import GAP, over_cap

    f, r = work.frame, work.rules
    found = np.zeros(len(walls.bite), bool)
    at = np.flatnonzero(walls.bite)
    ahead = level.points[walls.after[at]] - level.points[at]
    ahead /= np.maximum(np.hypot(*ahead.T), 1e-12)[:, None]
    half = min(HALF * r.rho, float(level.sd.max()))  # on a fine grid distances end before that
    normal = np.stack([-ahead[:, 1], ahead[:, 0]], axis=1)
    nodes = (level.points[at] + np.array([[[0.0]], [[half]]]) * normal - (f.x0, f.y0)) / f.h
    here, off = map_coordinates(level.sd, nodes[..., ::-1].transpose(2, 0, 1), order=1, mode="nearest")
    # an outline or a clamp that keeps the cutter off its wall is not another wall
    near = at[(off < half - 0.5 * f.h) & (here > -FLUSH * f.h)]
    if not len(near):
        return found
    over = over_cap(work, level, walls, near)[1]
    # in the end of a narrowing gap each level would want a trip for a thin slice
    stretch = np.cumsum(np.diff(near, prepend=near[0]) > GAP)
    over = (np.bincount(stretch, over) > 0)[stretch]
    for n in near[~over]:
        found[around(work, level, int(n), CLOSE * r.radius)] = True
    return found & (walls.bite > 0)


def since(level: Level, close: NDArray[np.bool_], stuck: Points, reach: float) -> NDArray[np.float64]:
    """From which height on ``close`` ring points have been left; inf where no ``stuck`` place is near.

    ``stuck`` : x, y and height of places (n, 3). ``reach`` : how far off they are near, mm.
    """
    from scipy.spatial import cKDTree

    found = np.full(len(close), math.inf)
    at = np.flatnonzero(close)
    if len(stuck) and len(at):
        near = cKDTree(stuck[:, :2]).query(level.points[at], distance_upper_bound=reach)[1]
        found[at] = np.append(stuck[:, 2], math.inf)[near]
    return found


class Starts:
    """Ring points at which a run of open ones begins, as cut (all of a ring that is open all round).

    Between two walks only few points close, all of one ring, and the cutter stays where it is.
    """

    def __init__(self, work: Clearing, level: Level, walls: Walls, position: Points | None) -> None:
        self.work, self.level, self.walls = work, level, walls
        self.origin = np.full(2, np.nan) if position is None else np.asarray(position)
        radius, h = work.rules.radius, work.frame.h
        # where ground is cleared, a cusp that is left behind costs a way of its own
        self.sooner = SOONER * radius if work.ground is not None else 0.0
        self.least = next(n for n in range(math.ceil(SHORT * radius / h) + 2) if not n * h < SHORT * radius)
        self.open = walls.open
        self.away = [np.empty(len(level.points)) for _ in work.sides]
        self._look(level.offsets)

    def _look(self, offsets: NDArray[np.int64]) -> None:
        """How far from the cutter starts are, mm, inf at other points: of the rings between ``offsets``."""
        for side, away in zip(self.work.sides, self.away, strict=True):
            beginnings(
                self.open, self.level.points, offsets[:-1], offsets[1:], side, self.origin, self.least,
                self.sooner, away,
            )  # fmt: skip

    def closed(self, at: int) -> None:
        """Points round ``at`` have been closed."""
        ring = bisect_right(self.level.ends, at) - 1
        part = slice(*self.level.ends[ring : ring + 2])
        self.open[part] = self.walls.open_in(part)
        self._look(self.level.offsets[ring : ring + 2])

    def nearest(self) -> tuple[int, int] | None:
        """The start nearest to the cutter and the side to walk on; None where there is none."""
        best, found = math.inf, None
        for side, away in zip(self.work.sides, self.away, strict=True):
            at = int(away.argmin()) if len(away) else 0
            if len(away) and away[at] < best:
                best, found = float(away[at]), (at, side)
        return found


def _ring_of(level: Level, at: int) -> tuple[int, int]:
    q = bisect_right(level.ends, at) - 1
    return level.ends[q], level.ends[q + 1]


def around(work: Clearing, level: Level, at: int, reach: float) -> NDArray[np.int64]:
    """Indices of the ring points near point ``at``, along its ring."""
    a, b = _ring_of(level, at)
    count = min(b - a, 2 * math.ceil(reach / work.frame.h) + 1)
    first = at - count // 2
    if a <= first and first + count <= b:  # most do not pass the ring's end
        return np.arange(first, first + count)
    return a + (np.arange(first - a, first - a + count)) % (b - a)


def wall_pose(work: Clearing, level: Level, at: int) -> tuple[Points, Points] | None:
    """A clear start beside the wall a little before point ``at``: a way to it, and the heading there."""
    f, r = work.frame, work.rules
    a, b = _ring_of(level, at)
    back = max(1, round(0.2 * r.radius / f.h))
    out = np.empty(4)
    found = k.wall_pose(
        work.d2, level.sd, f.x0, f.y0, f.hd, f.h, r.radius, r.standing(f.hd), r.eps, r.side,
        level.points[a:b], at - a, back, OFF_WALL, out,
    )  # fmt: skip
    if r.floor_radius >= EVENED * r.radius:
        return (out[None, :2], out[2:]) if found else None
    wall = level.points[at]
    away = float(np.hypot(*(out[:2] - wall))) if found else math.inf
    if away > BESIDE * r.radius:
        # ridges keep a round tip off the wall, and from far off it may not come to it in time
        goal, ahead = _beside_wall(work, level.points[a:b], at - a, back)
        led = _led(work, level, ways.trail(work, goal, ways.LANDING * r.radius), goal)
        if led is not None:
            return led, ahead
        spot = ways.on_trail(work, wall)
        if spot is not None and float(np.hypot(*(spot - wall))) < away:
            ahead = level.points[a + (at - a + 2 * r.side) % (b - a)] - wall
            return spot[None], ahead / max(float(np.hypot(*ahead)), 1e-12)
        # no earlier walk to come from, as where one pass took nearly all: from the open air
        led = _led(work, level, out[:2] - r.radius * BEHIND[:, None] * out[2:], goal) if found else None
        if led is not None:
            return led, ahead
    return (out[None, :2], out[2:]) if found else None


def _beside_wall(work: Clearing, ring: Points, at: int, back: int) -> tuple[Points, Points]:
    """Where the centre runs along the wall ``back`` points before point ``at`` of its ring; the heading."""
    r, n = work.rules, len(ring)
    q = at - r.side * back
    ahead = ring[(q + 2 * r.side) % n] - ring[(q - 2 * r.side) % n]
    ahead = ahead / max(float(np.hypot(*ahead)), 1e-12)
    return ring[q % n] + r.side * r.eps * np.array([-ahead[1], ahead[0]]), ahead


def _led(work: Clearing, level: Level, starts: Points, goal: Points) -> Points | None:
    """A straight way (n, 2) to ``goal`` beside a wall from the first of ``starts`` that one leads from."""
    f, r = work.frame, work.rules
    most = min(LED, r.cap - r.margin)
    found = k.led(
        work.d2, level.sd, f.x0, f.y0, f.hd, f.h, r.radius, r.standing(f.hd), r.step, most, work.circle,
        np.ascontiguousarray(starts), goal,
    )  # fmt: skip
    if found < 0:
        return None
    p = starts[found]
    count = max(1, math.ceil(float(np.hypot(*(goal - p))) / r.step))
    return np.asarray(p + np.linspace(0.0, 1.0, count + 1)[:, None] * (goal - p), dtype=np.float64)
