"""The clearing engine: engagement-capped rings over one region, piece by piece.

A piece is walked by `kernels.march`; this module decides where the next one starts, how to get there over
cleared ground, and when a level is done. One engine serves deep levels and climb levels.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from . import crescents, distances, errands, lanes
from .kernels import march as k
from .trails import Trail

Points = NDArray[np.float64]
Nodes = tuple[NDArray[np.int64], NDArray[np.int64]]
T = TypeVar("T")

WHOLE = 0.8  # share of the ground under a second entry that must still stand
FAINT = math.radians(5.0)  # a step that cuts less does not keep a walk going
FLAT = 0.004  # mm: a floor this even counts as flat
DOWN = 0.008  # mm: a higher ridge is met by a tip that comes straight down
EVENED = 0.25  # of the radius: a rounder tip evens floors only as far as its radius there is this large
CUSP = math.radians(12.0)  # a bite of less arc is a cusp on a wall; more may stand free
LEAD = 0.05  # of the radius: roll-in before the first contact that belongs to the piece
SPENT = 0.25  # of the radius: beside a start that has been tried none other is
WORTH = 0.02  # of the radius squared: a walk that took more may be followed by one from the same place
SHORT = 0.5  # of the radius: a shorter stretch that bites is a cusp that a pass has left on its wall
SOONER = 0.2  # of the radius: so much farther off than the next pass a cusp comes before it
# how far off a wall a walk along it may start, radii
BESIDE = 0.1  # of the radius: a round tip farther from its wall bends to it too late
OFF_WALL = np.array([0.01, 0.03, 0.06, 0.1, 0.15, 0.25, 0.4, 0.6, 0.9])
NARROW = 0.01  # of the radius: the smallest path radius between walls that leave no room for more
CHANNEL = 0.5  # of the radius squared: as much ground left by walks without a cap gets a lane of its own
EVENING = 60  # rounds of evening out a slot's walk
LANDING = 1.5  # of the radius: how far before a ridge the cutter may come down
HIDDEN = 2.0  # nodes inside the edge of cleared ground: where hidden ground is said to lie
NEEDLE = math.radians(1.0)  # as `FAINT`, for a last look at what stands free: one sample of the half circle
LISTED = 0.05  # of the radius squared: ground left whole from this area on is worth a go with tighter bends
SPARE = 3.0  # nodes: how far the box of ground left reaches beyond it (one of doubt, two of fillet)
GAP = 8  # ring points between two pinched stretches that count as one
LED = math.radians(
    22.0
)  # what a way to a wall may cut, the film of half a node that is seen too much included
GRAZE = math.radians(15.0)  # a link may brush slivers of this arc, at the feed that the arc allows


@dataclass(frozen=True)
class Rules:
    """How the cutter may move; lengths mm, angles rad.

    Attributes
    ----------
    radius : cutter radius. corner : its corner radius.
    cap : largest arc allowed in material; the walk aims ``margin`` below it.
    margin : error budget: what the maps and the step may hide.
    step : length of one tested step, halved in sharp bends.
    rho : smallest path radius. rho_seek : the same while the cutter is in air. rho_tight : the same for a
        second go at ground that is left because bends have no room.
    ease_in : the arc nears the cap no faster than over this much path.
    eps : the centre stays this far inside the admissible area.
    drop_area : a wall piece that removes less than this area is left, mm2.
    sliver : the same for what stands free, mm2; it would meet the next cutter at full height.
    film : a bite on a wall no deeper (mm) and no longer than the radius is left.
    air : a walk ends after this much path without cutting (while looking for its first cut: the radius).
    side : +1 climb (material on the right), -1 conventional. both : each walk may go either way.
    notice : on a front, a step that cuts a smaller arc counts as air.
    lift : how high over the level ways run, mm.
    """

    radius: float
    corner: float
    cap: float
    margin: float
    step: float
    rho: float
    rho_seek: float
    ease_in: float
    eps: float
    drop_area: float
    sliver: float
    air: float
    side: int = 1
    film: float = 0.0
    both: bool = False
    rho_tight: float = math.inf
    notice: float = FAINT
    lift: float = math.inf

    @property
    def floor_radius(self) -> float:
        """Radius up to which the floor left by the tip is flat within FLAT, mm."""
        return self.radius_at(FLAT)

    def standing(self, node: float) -> float:
        """Radius, mm, up to which the floor must be even for a tip coming straight down; lends a ``node``."""
        return min(self.floor_radius + node, max(self.floor_radius, self.radius_at(DOWN)))

    def radius_at(self, height: float) -> float:
        """Radius of the cutter ``height`` mm over its tip."""
        c = self.corner
        return self.radius if c <= height else self.radius - c + math.sqrt(2.0 * c * height - height * height)

    @property
    def evened(self) -> float:
        """Height to which ridges on a floor are taken off, mm: `FLAT`, more where a tip is rounder."""
        beyond = EVENED * self.radius - (self.radius - self.corner)
        return FLAT if beyond <= 0.0 else max(FLAT, self.corner - math.sqrt(self.corner**2 - beyond**2))

    @property
    def bite(self) -> float:
        """Radial width that the cap allows on a straight front, mm."""
        return self.radius * (1.0 - math.cos(self.cap))


@dataclass(frozen=True)
class Frame:
    """The three pitches of a level's maps over one origin: ``hd = h / 2``, ``hb = 2 h``."""

    x0: float
    y0: float
    h: float
    nx: int
    ny: int

    @property
    def hd(self) -> float:
        """Pitch of the swept map, mm."""
        return 0.5 * self.h

    @property
    def hb(self) -> float:
        """Pitch of the coarse map, mm."""
        return 2.0 * self.h

    @property
    def fine(self) -> tuple[int, int]:
        """Shape of the swept map."""
        return 2 * self.ny - 1, 2 * self.nx - 1

    @property
    def coarse(self) -> tuple[int, int]:
        """Shape of the coarse map."""
        return (self.ny + 1) // 2, (self.nx + 1) // 2


@dataclass(frozen=True)
class Entry:
    """A way down into ground with no cleared place.

    ``kind`` "helix": centre-path radius ``radius`` round (x, y); "ramp": to and fro from (x, y) to (x2, y2);
    "pre-drilled": straight down a hole at (x, y) that is ``radius`` larger than the cutter's. ``beside``: the
    ground there is cleared in part, so the descent begins above all of it.
    """

    x: float
    y: float
    radius: float
    kind: str = "helix"
    x2: float = 0.0
    y2: float = 0.0
    beside: bool = False

    def area(self, radius: float) -> float:
        """Ground that a cutter of ``radius`` mm takes on the way down, mm2, where all of it stands."""
        if self.kind == "pre-drilled":
            return 0.0
        if self.kind == "ramp":
            length = math.hypot(self.x2 - self.x, self.y2 - self.y)
            return math.pi * radius**2 + 2.0 * radius * length
        return math.pi * (radius + self.radius) ** 2


@dataclass
class Piece:
    """One walk.

    ``points (n, 2)`` with ``arcs (n,)`` rad (arc of the step that ends there, 0 at the start);
    ``way (m, 2)`` leads to ``points[0]`` over cleared ground, None = lift and come down; ``entry`` cuts its
    own way down first. ``way_arc`` rad: the largest arc that the way brushes. ``slot``: the cap does not
    hold, the walk is to be cut with slotting data.
    """

    points: Points
    arcs: NDArray[np.float64]
    way: Points | None
    entry: Entry | None = None
    wall: bool = False
    way_arc: float = 0.0
    slot: bool = False

    @cached_property
    def box(self) -> tuple[Points, Points]:
        """Lower and upper corner of the box round the walk and its entry."""
        low, high = self.points.min(axis=0), self.points.max(axis=0)
        if self.entry is not None:
            e, out = self.entry, self.entry.radius if self.entry.kind != "ramp" else 0.0
            ends = np.array([[e.x, e.y], [e.x2, e.y2] if e.kind == "ramp" else [e.x, e.y]])
            low, high = np.minimum(low, ends.min(axis=0) - out), np.maximum(high, ends.max(axis=0) + out)
        return low, high

    def area(self, radius: float) -> float:
        """Ground that a cutter of ``radius`` mm takes on the walk, mm2."""
        step = np.hypot(*np.diff(self.points, axis=0).T)
        return float(np.sum(step * radius * (1.0 - np.cos(self.arcs[1:]))))


def _piece(
    pts: Points, arcs: NDArray[np.float64], way: tuple[Points, float] | None, wall: bool = False
) -> Piece:
    return (
        Piece(pts, arcs, None, wall=wall)
        if way is None
        else Piece(pts, arcs, way[0], wall=wall, way_arc=way[1])
    )


@dataclass
class Level:
    """What a level's region is: signed distance map, exact rings, ways in."""

    sd: NDArray[np.float32]
    points: Points
    offsets: NDArray[np.int64]
    entries: list[Entry] = field(default_factory=list)


@dataclass(frozen=True)
class Uncut:
    """Ground left whole: a point in it, clear width there, area, and its box x0, y0, x1, y1; mm, mm2."""

    x: float
    y: float
    width: float
    area: float
    box: tuple[float, ...]


def _encloses(outer: tuple[float, ...], inner: tuple[float, ...]) -> bool:
    """True if one box lies in another."""
    low, high = outer[:2], outer[2:]
    return all(a <= b for a, b in zip(low, inner[:2], strict=True)) and all(
        a >= b for a, b in zip(high, inner[2:], strict=True)
    )


def leading_half(side: int) -> NDArray[np.float64]:
    """Samples (n, 2) of the half circle ahead of a heading along +x, from the material's side."""
    a = np.linspace(-0.5 * math.pi, 0.5 * math.pi, k.SAMPLES)
    return np.ascontiguousarray(np.stack([np.cos(a), np.sin(a)], axis=1))


def _spans(n: float) -> NDArray[np.int64]:
    reach = math.floor(n)
    rows = np.arange(-reach, reach + 1)
    half: NDArray[np.int64] = np.floor(np.sqrt(np.maximum(0.0, n * n - rows * rows))).astype(np.int64)
    return half


@dataclass
class _Walls:
    """Which points of a level's rings still give up a bite, and where a walk has been tried.

    ``spent`` points have had their walk; ``blocked`` ones had no clear place beside
    them, which a cut may mend.
    """

    after: NDArray[np.int64]
    bite: NDArray[np.uint8]
    spent: NDArray[np.bool_]
    blocked: NDArray[np.bool_]

    @classmethod
    def of(cls, work: Clearing, level: Level) -> _Walls:
        """All points of the rings asked."""
        n = len(level.points)
        after = np.arange(1, n + 1)
        after[level.offsets[1:] - 1] = level.offsets[:-1]
        walls = cls(after, np.zeros(n, np.uint8), np.zeros(n, bool), np.zeros(n, bool))
        walls._ask(work, level, np.arange(n))
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
        near = self._near(level, walk, work.rules.radius)
        self.blocked[near] = False
        self._ask(work, level, near)

    def _ask(self, work: Clearing, level: Level, which: NDArray[np.int64]) -> None:
        f, r = work.frame, work.rules
        fresh = np.zeros(len(which), np.uint8)
        k.bites(
            work.d2, f.x0, f.y0, f.hd, r.radius, work.tau, work.faint, r.eps, float(r.side), work.circle,
            level.points, self.after, which, fresh,
        )  # fmt: skip
        self.bite[which] = fresh

    def _near(self, level: Level, walk: Points, radius: float) -> NDArray[np.int64]:
        """Biting points within about a radius of a walk."""
        from scipy.ndimage import binary_dilation

        pitch = 0.5 * radius
        low = walk.min(axis=0) - 3.0 * pitch
        shape = tuple(np.ceil((walk.max(axis=0) + 3.0 * pitch - low) / pitch).astype(int) + 1)
        cells = np.zeros(shape, bool)
        cells[tuple(((walk - low) / pitch).astype(int).T)] = True
        cells = binary_dilation(cells, structure=np.ones((5, 5), bool))
        which = np.flatnonzero(self.bite)
        at = np.floor((level.points[which] - low) / pitch).astype(int)
        fits = np.all((at >= 0) & (at < np.array(shape)), axis=1)
        which, at = which[fits], at[fits]
        return np.asarray(which[cells[tuple(at.T)]])


class _Starts:
    """Ring points at which a run of open ones begins, as cut (all of a ring that is open all round).

    Between two walks only few points close, all of one ring, and the cutter stays where it is.
    """

    def __init__(self, work: Clearing, level: Level, walls: _Walls, position: Points | None) -> None:
        self.work, self.level, self.walls, self.position = work, level, walls, position
        self.open = walls.open
        self.away = [self._away(side, 0, level.offsets) for side in work.sides]

    def _away(self, side: int, start: int, offsets: NDArray[np.int64]) -> NDArray[np.float64]:
        """How far from the cutter starts are, mm, inf at other points: of rings from point ``start`` on."""
        first, end = offsets[:-1] - start, offsets[1:] - start
        away = np.full(int(end[-1]) if len(end) else 0, np.inf)
        is_open = self.open[start : start + len(away)]
        if not is_open.any():
            return away
        behind = np.empty_like(is_open)  # the point that a walk comes from
        if side > 0:
            behind[1:], behind[first] = is_open[:-1], is_open[end - 1]
        else:
            behind[:-1], behind[end - 1] = is_open[1:], is_open[first]
        begins = is_open & ~behind
        for ring in np.flatnonzero(np.logical_and.reduceat(is_open, first)).tolist():
            begins[first[ring] : end[ring]] = True
        at = np.flatnonzero(begins)
        points = self.level.points[start + at]
        away[at] = np.hypot(*(points - (points[0] if self.position is None else self.position)).T)
        if self.work.ground is None:
            return away
        # where ground is cleared, a cusp that is left behind costs a way of its own
        radius, h = self.work.rules.radius, self.work.frame.h
        for ring in np.unique(np.searchsorted(end, at, side="right")).tolist():
            part = slice(first[ring], end[ring])
            short = _runs(is_open[part], side) * h < SHORT * radius
            away[part][short & begins[part]] -= SOONER * radius
        return away

    def closed(self, at: int) -> None:
        """Points round ``at`` have been closed."""
        ring = int(np.searchsorted(self.level.offsets, at, side="right")) - 1
        offsets = self.level.offsets[ring : ring + 2]
        part = slice(int(offsets[0]), int(offsets[1]))
        self.open[part] = self.walls.open_in(part)
        for side, away in zip(self.work.sides, self.away, strict=True):
            away[part] = self._away(side, part.start, offsets)

    def nearest(self) -> tuple[int, int] | None:
        """The start nearest to the cutter and the side to walk on; None where there is none."""
        best, found = math.inf, None
        for side, away in zip(self.work.sides, self.away, strict=True):
            at = int(np.argmin(away)) if len(away) else 0
            if len(away) and away[at] < best:
                best, found = float(away[at]), (at, side)
        return found


def _runs(is_open: NDArray[np.bool_], side: int) -> NDArray[np.int64]:
    """At points of a closed ring where a run of open ones begins, going ``side``: how many it has; else 0."""
    count = np.zeros(len(is_open), np.int64)
    begins = np.flatnonzero(is_open & ~np.roll(is_open, side))
    ends = np.flatnonzero(is_open & ~np.roll(is_open, -side))
    if not len(begins):  # open all round, or nowhere
        return np.where(is_open, len(is_open), 0)
    # the end that comes next after each beginning, round the ring
    k = np.searchsorted(ends, begins) if side > 0 else np.searchsorted(ends, begins, side="right") - 1
    count[begins] = (side * (ends[k % len(ends)] - begins)) % len(is_open) + 1
    return count


class Clearing:
    """Swept ground of one primary level and the climb levels above it.

    ``d2`` is the fine map, preset with 0 .. R^2 in open air (see `kernels.march`); it is changed in place.
    """

    def __init__(self, frame: Frame, d2: NDArray[np.float32], rules: Rules) -> None:
        self.frame = frame
        self.rules = self.whole = rules
        self.d2 = d2
        shape = frame.coarse
        self.mat = np.zeros(shape, np.uint8)
        self.blk = np.zeros(shape, np.int32)
        self.free = np.zeros(shape, np.uint8)
        self.tabu = np.zeros(shape, np.uint8)
        self.seen = np.zeros(shape, np.int32)
        self.parent = np.zeros(shape, np.int64)
        self.queue = np.zeros(shape[0] * shape[1], np.int64)
        self.prefix = np.zeros((shape[0], shape[1] + 1), np.int32)
        self.epoch = 0
        self.tau = 0.01
        self.track: list[Points] = []  # paths of all walks of the band so far
        self.tracks, self.trails = Trail(), Trail()  # of ``track`` and of ``pieces``
        self.evened: list[Points] = []  # of them, those that took off ridges
        # one node for slivers between nodes; half the corner radius for the ridges it leaves on the floor
        self.slacks = sorted(
            {max(frame.hd, 0.5 * min(rules.corner, 0.3 * rules.radius)), frame.hd}, reverse=True
        )
        self.sides = (rules.side, -rules.side) if rules.both else (rules.side,)
        self.circle = leading_half(rules.side)
        self.margin_clear = 0.75 * frame.hb
        self.spans = _spans((rules.radius + self.margin_clear) / frame.hb)
        self.buffer = np.empty((20000, 2))
        self.buffer_arc = np.empty(20000)
        self.dropped: list[tuple[float, float, float]] = []
        self.left: list[Uncut] = []  # on the level cut last
        self.late: list[tuple[Uncut, Nodes]] = []  # of those, what the next level may take
        self.stayed: list[tuple[Uncut, Nodes]] = []  # `late` of the level before that the last has not taken
        self.walls: _Walls | None = None  # of the level cut last
        self.pinched: list[tuple[Uncut, Nodes]] = []  # of the level cut last, with the fine nodes of each
        self.curtain: Curtain | None = None  # drawn while ridges are walked over
        self.pieces: list[Piece] = []  # of the level being cut
        self.ground: NDArray[np.float32] | None = None  # `d2` as that level found it, where it clears ground
        self.find_entries: Callable[[Clearing, Level, bool], list[Entry]] | None = None

    @property
    def faint(self) -> float:
        """A step along a straight wall that cuts a smaller arc than half a bite does counts as air, rad."""
        return math.acos(1.0 - 0.5 * self.tau / self.rules.radius)

    # -- the level -----------------------------------------------------------------------------

    def run(
        self,
        level: Level,
        position: Points | None,
        tau: float,
        walls_first: bool = False,
        floor: bool = False,
    ) -> list[Piece]:
        """Clear one level; pieces in cutting order.

        ``position`` is where the cutter stands, None = away. A wall that would still give up a bite ``tau``
        (mm) deep is not done. With ``floor`` the ridges that a corner radius leaves are taken off as well.
        """
        self.tau = tau
        pieces = self.pieces = []
        clears = (floor or not walls_first) and self.rules.cap < math.pi
        self.ground = self.d2.copy() if clears else None
        narrow = None if walls_first or self.rules.cap >= math.pi else crescents.Narrow.of(self, level)
        if narrow is not None:
            self._serve(narrow.without, position, pieces, again=True)
            self._start(level)
            crescents.cut(self, level, narrow.boxes, pieces)
            position = pieces[-1].points[-1] if pieces else position
        self._serve(level, position, pieces, walls_first)
        if self.left and self.rules.rho_tight < self.rules.rho:
            # into dead ends and close channels, as far as bends there is room for let it come
            with self._ruled(rho=self.rules.rho_tight):
                self._serve(level, pieces[-1].points[-1] if pieces else position, pieces, enter=False)
        boxes = [u.box for u in self.left] if self.rules.cap < math.pi else []
        if crescents.cut(self, level, boxes, pieces):
            self._serve(level, pieces[-1].points[-1] if pieces else position, pieces, enter=False)
        self._needles(level, pieces[-1].points[-1] if pieces else position, pieces)
        self.stayed = [
            (u, at) for u, at in self.late if (self.d2[at] > np.float32(self.rules.radius**2)).any()
        ]
        whole, self.pinched = self._uncut(level), self._pinched(level)
        thin = [(u, at) for u, at in self.pinched if not any(_encloses(w.box, u.box) for w in whole)]
        self.left = whole if walls_first else [*whole, *(u for u, _ in thin)]
        self.late = thin if walls_first else []
        self.track += [piece.points for piece in pieces]
        if floor and self.rules.floor_radius < self.rules.radius:
            self.even(level, self.rules.evened, pieces)
        return pieces

    def _serve(
        self,
        level: Level,
        position: Points | None,
        pieces: list[Piece],
        walls_first: bool = False,
        enter: bool = True,
        again: bool = False,
    ) -> None:
        """Add walks to ``pieces`` until nothing more can start; ``left`` is what remains.

        ``again``: ground without a way in is not told, another time it is.
        """
        left = self._start(level)
        waiting = list(level.entries) if enter else []
        if left and enter and self.find_entries is not None:
            waiting += self.find_entries(self, level, again)
        walls = self.walls = _Walls.of(self, level)
        if walls_first or not left:
            position = self._trace(level, walls, position, pieces)
        while left:
            # one front from wherever it starts best, then everything that can start from a wall: a pass that
            # rolls in along the wall it starts from wastes least
            piece = self._front(level, position, waiting)
            if piece is None and enter:
                # what lies behind a neck too narrow for the cap gets a way in of its own
                waiting = self._second_entries(level)
                piece = self._front(level, position, waiting) if waiting else None
            if piece is None:
                break
            errands.place(self, level, pieces, piece)
            walls.cut(self, level, piece.points)
            position = self._trace(level, walls, pieces[-1].points[-1], pieces)
        self.left = self._uncut(level, LISTED * self.rules.radius**2) if left else []

    def _needles(self, level: Level, position: Points | None, pieces: list[Piece]) -> None:
        """Take off what stands free and is small: as tall as the level, it makes the worst stair.

        A patch narrower than `FAINT` radii never makes a step that counts, and going straight over it looks
        like next to nothing.
        """
        from scipy.ndimage import label

        if not self.mat.any():
            return
        number, _ = label(self.mat, structure=np.ones((3, 3)))
        large = np.bincount(number.ravel()) * self.frame.hb**2 >= LISTED * self.rules.radius**2
        large[0] = False
        if large[1:].all():
            return
        self.tabu[:] = 0
        if large.any():
            near = (self.rules.radius + self.margin_clear) / self.frame.hb + 2.0
            self.tabu[distances.away(~large[number]) <= near] = 1
        with self._ruled(sliver=0.0, notice=NEEDLE):
            while (piece := self._front(level, position, [])) is not None:
                errands.place(self, level, pieces, piece)
                position = pieces[-1].points[-1]

    @contextmanager
    def _ruled(self, **changes: float) -> Iterator[None]:
        """Other rules for a while; the material stands on the side it stood on before afterwards."""
        whole = self.rules
        self.rules = replace(whole, **changes)  # type: ignore[arg-type]
        try:
            yield
        finally:
            self.rules = whole
            self.circle = leading_half(whole.side)

    def slots(self, level: Level, position: Points | None, tau: float) -> list[Piece]:
        """What `run` left on a level because the cap stops the cutter there, cut as wide as it comes."""
        cap, r = self.rules.cap, self.rules
        tight = min(r.rho, NARROW * r.radius)
        with self._ruled(cap=math.pi, margin=0.0, ease_in=1e-3 * r.step, rho=tight, rho_tight=tight):
            before, pinched, stayed = self.d2.copy(), self.pinched, self.stayed
            pieces: list[Piece] = []
            for close in (True, False):
                self.pinched = []
                straight = lanes.cut(self, level, close)
                self.track += [piece.points for piece in straight]
                pieces += straight
                if straight or close:
                    pieces += self.run(level, pieces[-1].points[-1] if pieces else position, tau)
                if not any(u.area > CHANNEL * r.radius**2 for u in self.left):
                    break
            self.d2[:] = before
            for piece in pieces:
                # evened out, a walk meets other material than as it was found, and leaves other material
                if piece.arcs.max(initial=0.0) > cap:
                    piece.points = self._evened(level, piece.points)
                    self.trails, self.tracks = Trail(), Trail()
                entry = None if piece.entry is None else self._entry_path(piece.entry)[0]
                piece.arcs = lanes.sweep(self, piece.points, entry)
                piece.slot = bool(piece.arcs.max(initial=0.0) > cap)

        # a film along a wall is left of a pinched place by rights: of one that was not cut, most
        def stays(found: list[tuple[Uncut, Nodes]]) -> list[tuple[Uncut, Nodes]]:
            return [(u, at) for u, at in found if (self.d2[at] > np.float32(r.radius**2)).mean() > 0.5]

        stay, self.stayed, self.late = stays(pinched), stays(stayed), []
        self.pinched += stay
        self.left += [u for u, _ in stay if not any(_encloses(w.box, u.box) for w in self.left)]
        return pieces

    def _evened(self, level: Level, walk: Points) -> Points:
        """A walk without the wobble of one that must be able to turn between close walls; its ends stay."""
        from scipy.ndimage import map_coordinates

        f, eps = self.frame, self.rules.eps
        out = walk.copy()
        for _ in range(EVENING):
            moved = out.copy()
            moved[1:-1] += 0.25 * (out[2:] + out[:-2] - 2.0 * out[1:-1])
            at = (moved[:, ::-1] - (f.y0, f.x0)) / f.h
            fits = map_coordinates(level.sd, at.T, order=1, mode="nearest") >= eps
            out[fits] = moved[fits]
        return out

    def _second_entries(self, level: Level) -> list[Entry]:
        """Ways into uncut ground that no front reaches."""
        if self.find_entries is None:
            return []
        whole = self.free
        self.free = np.ascontiguousarray(whole & (self.blk > 0)).astype(np.uint8)
        try:
            found = self.find_entries(self, level, True)
        finally:
            self.free = whole
        return [replace(entry, beside=True) for entry in found if self._is_solid(entry)]

    def _is_solid(self, entry: Entry) -> bool:
        """True if the ground under an entry is nearly whole: a sliver beside a clearing wants no helix."""
        f, r = self.frame, self.rules
        i, j = self._node(np.array([entry.x, entry.y]))
        n = math.ceil(0.8 * r.radius / f.hb)
        a, b = np.ogrid[-n : n + 1, -n : n + 1]
        window = self.mat[max(0, i - n) : i + n + 1, max(0, j - n) : j + n + 1]
        return window.shape == (2 * n + 1, 2 * n + 1) and bool(window[a * a + b * b <= n * n].mean() > WHOLE)

    def _uncut(self, level: Level, least: float = 0.0) -> list[Uncut]:
        """Ground in reach that no walk could take, by patches of at least ``least`` mm2."""
        from scipy import ndimage

        f, r = self.frame, self.rules
        label, _ = ndimage.label(self.mat, structure=np.ones((3, 3)))
        patches = []
        for number, box in enumerate(ndimage.find_objects(label), start=1):
            i, j = np.nonzero(label[box] == number)
            if len(i) * f.hb**2 >= least:
                patches.append((i + box[0].start, j + box[1].start))
        if not patches:
            return []
        room = distances.away(self.free) * f.hb
        reach = math.ceil(r.radius / f.hb)
        standing, boxes = self._standing(level)
        found = []
        for i, j in patches:
            m = int(np.argmin((i - i.mean()) ** 2 + (j - j.mean()) ** 2))
            near = room[max(i[m] - reach, 0) : i[m] + reach + 1, max(j[m] - reach, 0) : j[m] + reach + 1]
            width = 2.0 * (float(near.max()) + r.radius)
            x, y = f.x0 + float(j[m]) * f.hb, f.y0 + float(i[m]) * f.hb
            found.append(Uncut(x, y, width, len(i) * f.hb**2, self._box(standing, boxes, i, j)))
        return found

    def _pinched(self, level: Level) -> list[tuple[Uncut, Nodes]]:
        """Where a wall still gives up a bite that would pass the cap: the end of a narrowing gap.

        Too thin for `_uncut`, but what no level takes adds up to a stair. So `run` lists what is left on a
        primary level, and as ``stayed`` what was found on the climb level before and not taken since.
        """
        from scipy.spatial import cKDTree

        f, r, walls = self.frame, self.rules, self.walls
        if walls is None or not walls.bite.any():
            return []
        at = np.flatnonzero(walls.bite)
        ahead = level.points[walls.after[at]] - level.points[at]
        ahead = r.side * ahead / np.maximum(np.hypot(*ahead.T), 1e-12)[:, None]
        p = level.points[at] + r.eps * r.side * np.stack([-ahead[:, 1], ahead[:, 0]], axis=1)
        over = np.array([
            self._sd(level, q) >= -f.h
            and k.arc_at(self.d2, f.x0, f.y0, f.hd, r.radius, *q, *a, self.circle) > r.cap - r.margin
            for q, a in zip(p, ahead, strict=True)
        ])  # fmt: skip
        at, p = at[over], p[over]
        found = []
        for group in np.split(p, np.flatnonzero(np.diff(at) > GAP) + 1) if len(p) else []:
            low, high = group.min(axis=0) - r.radius, group.max(axis=0) + r.radius
            rows, cols = self._window(
                0.5 * (low + high), 0.5 * float((high - low).max()), f.hd, self.d2.shape
            )
            i, j = np.nonzero(self.d2[rows, cols] > np.float32(r.radius**2))
            nodes = np.stack([f.x0 + f.hd * (j + cols.start), f.y0 + f.hd * (i + rows.start)], axis=1)
            if len(nodes):
                near = cKDTree(group).query(nodes)[0] < r.radius
                nodes, i, j = nodes[near], i[near] + rows.start, j[near] + cols.start
            if len(nodes):
                x, y = group[len(group) // 2]
                room = level.sd[self._window(group[len(group) // 2], r.radius, f.h, level.sd.shape)]
                width = 2.0 * (max(0.0, float(room.max())) + r.radius)
                box = (*(nodes.min(axis=0) - SPARE * f.h), *(nodes.max(axis=0) + SPARE * f.h))
                area = len(nodes) * f.hd**2
                found.append((Uncut(float(x), float(y), width, area, tuple(map(float, box))), (i, j)))
        return found

    def patches(self, level: Level, nodes: NDArray[np.bool_]) -> list[Uncut]:
        """Connected patches of coarse nodes, as ground left uncut."""
        from scipy.ndimage import find_objects, label

        f, r = self.frame, self.rules
        number, _ = label(nodes, structure=np.ones((3, 3)))
        found = []
        for n, box in enumerate(find_objects(number), start=1):
            i, j = np.nonzero(number[box] == n)
            i, j = i + box[0].start, j + box[1].start
            m = int(np.argmin((i - i.mean()) ** 2 + (j - j.mean()) ** 2))
            at = np.array([f.x0 + f.hb * j[m], f.y0 + f.hb * i[m]])
            room = level.sd[self._window(at, r.radius, f.h, level.sd.shape)]
            width = 2.0 * (max(0.0, float(room.max())) + r.radius)
            box_ = self._box(np.zeros(nodes.shape, np.int32), [], i, j)
            found.append(Uncut(float(at[0]), float(at[1]), width, len(i) * f.hb**2, box_))
        return found

    def _standing(self, level: Level) -> tuple[NDArray[np.int32], list[tuple[slice, slice]]]:
        """Patches of all that stands within reach: their numbers on the coarse nodes, and their boxes."""
        from scipy.ndimage import find_objects, label

        f, r = self.frame, self.rules.radius
        reach = distances.away(level.sd[::2, ::2] < 0.0) * f.hb <= r + f.h
        stands = np.zeros((2 * reach.shape[0], 2 * reach.shape[1]), bool)
        stands[: f.ny, : f.nx] = self.d2[::2, ::2] > np.float32(r * r)
        any_of_four = stands[::2] | stands[1::2]
        number, _ = label(reach & (any_of_four[:, ::2] | any_of_four[:, 1::2]), structure=np.ones((3, 3)))
        return number, find_objects(number)

    def _box(
        self,
        number: NDArray[np.int32],
        boxes: list[tuple[slice, slice]],
        i: NDArray[np.int64],
        j: NDArray[np.int64],
    ) -> tuple[float, ...]:
        """Box of coarse nodes (i, j) and of the patches of `_standing` that they lie in."""
        f = self.frame
        mine = [boxes[n - 1] for n in np.unique(number[i, j]) if n]
        rows = [int(i.min()), int(i.max()), *(q for b, _ in mine for q in (b.start, b.stop - 1))]
        cols = [int(j.min()), int(j.max()), *(q for _, b in mine for q in (b.start, b.stop - 1))]
        return (  # a coarse node stands for itself and the level's node after it
            f.x0 + f.hb * min(cols) - f.h * SPARE,
            f.y0 + f.hb * min(rows) - f.h * SPARE,
            f.x0 + f.hb * max(cols) + f.h * (SPARE + 1.0),
            f.y0 + f.hb * max(rows) + f.h * (SPARE + 1.0),
        )

    def _start(self, level: Level) -> int:
        """Fill the coarse maps for a level; how many coarse nodes of material are in reach."""
        f, r = self.frame, self.rules
        self.tabu[:] = 0
        return int(
            k.start_level(
                self.d2,
                level.sd,
                r.radius,
                f.hd,
                f.h,
                f.hb,
                r.eps,
                min(0.75 * f.hb, 0.5 * r.radius),
                self.margin_clear,
                self.mat,
                self.blk,
                self.free,
                self.prefix,
            )
        )

    def stands(self, level: Level, height: float) -> bool:
        """True if more than ``height`` is left over the tip somewhere in reach; ``mat`` tells where."""
        return self._slimmer(height, lambda: self._start(level)) > 0

    def even(
        self,
        level: Level,
        height: float,
        pieces: list[Piece],
        zone: NDArray[np.bool_] | None = None,
    ) -> None:
        """Take off ridges between fronts that stand more than ``height`` over the tip.

        That is what a cutter of the radius there has not swept. ``zone``: coarse nodes where they count.
        Ground that was left whole is kept off: such a cutter's arc is less than the real one's.
        """
        level = replace(level, sd=self._off_whole(level))

        walked: list[Piece] = []

        def walk() -> None:
            curtain = self.curtain = None if zone is None else Curtain.draw(self, zone)
            left = self._start(level)
            while left:
                piece = self._front(level, pieces[-1].points[-1] if pieces else None, [])
                if piece is None:
                    break
                errands.place(self, level, pieces, piece)
                walked.append(piece)
            if curtain is not None:
                curtain.lift(self)
                self.curtain = None

        d2 = self.d2.copy()
        self._slimmer(height, walk)
        for piece in walked:
            piece.arcs = self._as_wide_as_it_is(d2, piece)
            self.evened.append(piece.points)

    def _as_wide_as_it_is(self, d2: NDArray[np.float32], piece: Piece) -> NDArray[np.float64]:
        """Arcs of the whole cutter on a walk planned for the radius over its tip; swept on ``d2``."""
        f, r = self.frame, self.rules.radius
        points, arcs = piece.points, piece.arcs.copy()
        k.widen(d2, f.x0, f.y0, f.hd, r, self.rules.step, self.circle, np.ascontiguousarray(points), arcs)
        return arcs

    def swept(self) -> NDArray[np.float32]:
        """The swept map with all that walks which evened ridges have swept: they cut wider than they look.

        It is for reading only: without such walks it is the map itself.
        """
        if not self.evened:
            return self.d2
        f, d2 = self.frame, self.d2.copy()
        for points in self.evened:
            k.stamp_path(d2, f.x0, f.y0, f.hd, self.rules.radius + 3 * f.hd, points)
        return d2

    def _off_whole(self, level: Level) -> NDArray[np.float32]:
        """Signed distance of the level, less what stands too near to ground in reach that was left whole."""
        if not self._start(level):
            return level.sd
        from scipy.ndimage import binary_propagation, uniform_filter

        f, square = self.frame, np.ones((3, 3), bool)
        core = uniform_filter(self.mat * np.float32(9.0), size=3) > 8.5  # no film on a wall
        if not core.any():
            return level.sd
        whole = binary_propagation(core, structure=square, mask=self.mat > 0)
        away = distances.away(~whole) * f.hb - (self.rules.radius + 1.5 * f.hb)
        ny, nx = level.sd.shape
        fine = np.repeat(np.repeat(away.astype(np.float32), 2, axis=0), 2, axis=1)[:ny, :nx]
        return np.asarray(np.minimum(level.sd, fine), dtype=np.float32)

    def _slimmer(self, height: float, run: Callable[[], T]) -> T:
        """Run something with the radius that the cutter has ``height`` over its tip."""
        whole, spans = self.rules, self.spans
        self.rules = replace(whole, radius=whole.radius_at(height), corner=0.0)
        self.spans = _spans((self.rules.radius + self.margin_clear) / self.frame.hb)
        try:
            return run()
        finally:
            self.rules, self.spans = whole, spans
            self.circle = leading_half(whole.side)

    def _front(self, level: Level, position: Points | None, waiting: list[Entry]) -> Piece | None:
        """The next piece that starts on a front or by an entry; None when nothing is left to start."""
        while True:
            found = self._next_front(level, position)
            if found is None:
                return self._enter(level, self._nearest_entry(waiting, position)) if waiting else None
            piece = self._cut_from(level, *found, position)
            if piece is not None:
                return piece

    # -- where next ----------------------------------------------------------------------------

    def _node(self, p: Points) -> tuple[int, int]:
        f = self.frame
        i = min(max(round((p[1] - f.y0) / f.hb), 0), self.free.shape[0] - 1)
        j = min(max(round((p[0] - f.x0) / f.hb), 0), self.free.shape[1] - 1)
        return i, j

    def _clear_node(self, p: Points) -> tuple[int, int] | None:
        """The clear coarse node nearest to ``p``, at most three pitches off."""
        i, j = self._node(p)
        best, where = 1e9, None
        for a in range(max(0, i - 3), min(self.free.shape[0], i + 4)):
            for b in range(max(0, j - 3), min(self.free.shape[1], j + 4)):
                if self.free[a, b] and self.blk[a, b] == 0:
                    d = (a - i) ** 2 + (b - j) ** 2
                    if d < best:
                        best, where = d, (a, b)
        return where

    def _xy(self, flat: NDArray[np.int64]) -> Points:
        f = self.frame
        i, j = np.divmod(flat, self.free.shape[1])
        return np.stack([f.x0 + j * f.hb, f.y0 + i * f.hb], axis=-1).astype(np.float64)

    def _next_front(
        self, level: Level, position: Points | None
    ) -> tuple[NDArray[np.int64] | None, NDArray[np.int64]] | None:
        """Chain of coarse nodes to the start of the next front (None = jump) and the front from there on."""
        flat = -1
        joined = False
        if position is not None:
            at = self._clear_node(position)
            if at is not None:
                self.epoch += 1
                flat = k.find_front(
                    self.free,
                    self.blk,
                    self.tabu,
                    self.seen,
                    self.epoch,
                    at[0],
                    at[1],
                    -1,
                    self.queue,
                    self.parent,
                )
                joined = flat >= 0
        if not joined:
            x, y = (position[0], position[1]) if position is not None else (self.frame.x0, self.frame.y0)
            flat = k.find_any_front(
                self.free, self.blk, self.tabu, self.frame.x0, self.frame.y0, self.frame.hb, x, y
            )
            if flat < 0:
                return None
        # where both ways are allowed, the end of the front that is nearer
        back = self._back(flat) if joined else None
        ups = [self._up_front(flat, side) for side in self.sides]
        best = int(np.argmin([len(up) for up in ups]))
        self._face(self.sides[best])
        up = ups[best]
        return (None if back is None else np.concatenate([back, up[1:]])), up[::-1]

    def _up_front(self, flat: int, side: int) -> NDArray[np.int64]:
        """Nodes from front node ``flat`` to where a walk along its front begins."""
        up = np.empty(20000, np.int64)
        self.epoch += 1
        n = k.up_front(self.free, self.blk, flat, side, self.seen, self.epoch, len(up), up)
        tabu = self.tabu.ravel()
        while n > 1 and tabu[up[n - 1]]:
            n -= 1
        return up[:n]

    def _face(self, side: int) -> None:
        """Walk with the material on ``side`` from now on."""
        if side != self.rules.side:
            self.rules = replace(self.rules, side=side)
            self.circle = leading_half(side)

    def _back(self, flat: int) -> NDArray[np.int64]:
        """Nodes from the start of the last search to ``flat``."""
        chain = []
        q = flat
        while q >= 0:
            chain.append(int(q))
            q = self.parent.ravel()[q]
        return np.array(chain[::-1], np.int64)

    def _route(self, level: Level, position: Points | None, goal: Points) -> tuple[Points, float] | None:
        """Way from ``position`` to ``goal`` over clear ground, None if there is none."""
        if position is None:
            return None
        f = self.frame
        if k.sight(level.sd, self.free, self.blk, f.x0, f.y0, f.h, f.hb, self.rules.eps, *position, *goal):
            return self._tested(np.stack([position, goal]))
        a, b = self._clear_node(position), self._clear_node(goal)
        if a is None or b is None:
            return None
        self.epoch += 1
        target = b[0] * self.free.shape[1] + b[1]
        flat = k.find_front(
            self.free, self.blk, self.tabu, self.seen, self.epoch, a[0], a[1], target, self.queue, self.parent
        )
        return None if flat < 0 else self._way(level, position, self._back(flat), goal[None, :])

    def _nearest_entry(self, waiting: list[Entry], position: Points | None) -> Entry:
        if position is None:
            return waiting.pop(0)
        d = [math.hypot(e.x - position[0], e.y - position[1]) for e in waiting]
        return waiting.pop(int(np.argmin(d)))

    # -- cutting -------------------------------------------------------------------------------

    def _poses(self, front: NDArray[np.int64]) -> list[tuple[Points, Points]]:
        """Starts on a front, best first: along it, square to its uncut side, straight at a last sliver."""
        i, j = divmod(int(front[0]), self.free.shape[1])
        p = self._xy(front[:1])[0]
        poses = []
        if len(front) >= 4:
            along = self._xy(front[min(len(front) - 1, 6)][None])[0] - p
            norm = math.hypot(*along)
            if norm > 0:
                poses.append((p, along / norm))
        toward = np.zeros(2)
        if k.toward(self.free, self.blk, i, j, 3, toward):
            if not poses:
                poses.append((p, self.rules.side * np.array([-toward[1], toward[0]])))
            poses.append((p, toward))
        return poses

    def _clear_start(self, level: Level, p: Points, heading: Points) -> Points | None:
        """``p``, or a place close by where the standing cutter truly touches nothing.

        The coarse map overlooks slivers thinner than its pitch, and coming down on one is a plunge.
        """
        f, r = self.frame, self.rules
        away = r.side * np.array([-heading[1], heading[0]])
        for slack in self.slacks:
            for out, back in (
                (0, 0),
                (1, 0),
                (0, 1),
                (1, 1),
                (2, 0),
                (2, 1),
                (0, 2),
                (2, 2),
                (3, 0),
                (4, 0),
                (4, 2),
            ):
                q = p + f.hb * (out * away - back * heading)
                if self._sd(level, q) >= r.eps and self._clear(q, slack):
                    return np.asarray(q)
        return self._on_trail(p) if r.floor_radius < EVENED * r.radius else None

    def _on_trail(self, p: Points) -> Points | None:
        """A place near ``p`` on an earlier walk of the level: elsewhere a ball-nose stands on ridges."""
        near = self._trail(p, self.rules.radius)
        return next((np.asarray(q) for q in near if self._clear(q, self.frame.hd)), None)

    def _trail(self, p: Points, reach: float) -> Points:
        """Some points of the level's earlier walks within ``reach`` mm of ``p``, the nearest first."""
        near = self.trails.follow(self.pieces).near(p, reach)
        return near[:: max(1, len(near) // 48)]

    def _clear(self, p: Points, slack: float) -> bool:
        """True if the cutter, ``slack`` larger than it is, can stand at ``p`` without touching anything."""
        f, r = self.frame, self.rules
        return bool(k.clear_at(self.d2, f.x0, f.y0, f.hd, r.radius, r.standing(f.hd), slack, p[0], p[1]))

    def _landing(self, level: Level, goal: Points) -> Points | None:
        """Where the whole cutter comes down before it goes straight to ``goal``, in steps; None if nowhere.

        A walk by a smaller radius may begin where the rim would come down on a ridge. On the paths of earlier
        walks it does not.
        """
        f, whole, step = self.frame, self.whole, self.rules.step
        # a ridge behind the curtain stands all the same
        rows, cols = self._window(goal, (LANDING + 1.5) * whole.radius, f.hd, self.d2.shape)
        x0, y0 = f.x0 + f.hd * cols.start, f.y0 + f.hd * rows.start
        d2 = self.d2[rows, cols] if self.curtain is None else self.curtain.behind(self.d2, rows, cols)
        d2 = np.ascontiguousarray(d2)
        if k.clear_at(d2, x0, y0, f.hd, whole.radius, whole.standing(f.hd), f.hd, *goal):
            return goal[None, :]
        near = self.tracks.follow(self.track).near(goal, LANDING * whole.radius)
        for q in near[:: max(1, len(near) // 64)]:
            n = max(1, math.ceil(float(np.hypot(*(goal - q))) / step))
            line = q + np.linspace(0.0, 1.0, n + 1)[:, None] * (goal - q)
            if (
                self._least_sd(level, line) >= self.rules.eps
                and k.clear_at(d2, x0, y0, f.hd, whole.radius, whole.standing(f.hd), f.hd, *q)
                and k.way_arc(d2, x0, y0, f.hd, whole.radius, step, 0.0, self.circle, line) == 0.0
                and self._tested(line) is not None
            ):
                return np.asarray(line, dtype=np.float64)
        return None

    def _march(
        self, level: Level, state: NDArray[np.float64], faint: float, seek: bool, most: int = 2_000_000
    ) -> tuple[Points, NDArray[np.float64], int, int]:
        """March on from ``state`` until the walk ends; points, arcs, steps up to the last cut, status."""
        f, r = self.frame, self.rules
        pts, arcs = [np.empty((0, 2))], [np.empty(0)]
        total, last, status = 0, 0, k.FULL
        while status == k.FULL and total < most:
            status, n, cut = k.march(
                self.d2,
                level.sd,
                self.mat,
                self.blk,
                self.spans,
                f.x0,
                f.y0,
                f.hd,
                f.h,
                f.hb,
                r.radius,
                r.floor_radius,
                r.eps,
                r.cap - r.margin,
                r.step,
                r.rho,
                r.rho_seek,
                r.ease_in,
                r.radius if seek else r.air,
                faint,
                r.side,
                seek,
                self.circle,
                state,
                self.buffer,
                self.buffer_arc,
            )
            pts.append(self.buffer[:n].copy())
            arcs.append(self.buffer_arc[:n].copy())
            if cut:
                last = total + cut
            total += n
        return np.concatenate(pts), np.concatenate(arcs), last, status

    def _approach(
        self, level: Level, p: Points, heading: Points, faint: float
    ) -> tuple[NDArray[np.float64], Points] | None:
        """Walk through air to the first contact: the pose there, and the way to it; None if there is none.

        The piece begins a short roll-in before the contact, whatever the way there.
        """
        state = np.array([p[0], p[1], heading[0], heading[1], 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
        air, _, _, status = self._march(level, state, faint, True)
        if status != k.CONTACT:
            return None
        state[5:] = 0.0
        return state, np.concatenate([p[None, :], air])

    def _lead(self, air: Points) -> Points:
        """The end of an approach: a short roll-in, longer where its start would still brush something."""
        r = self.rules
        at = max(0, len(air) - 1 - math.ceil(LEAD * r.radius / r.step))
        for slack in self.slacks:
            back = at
            while back > 0 and not self._clear(air[back], slack):
                back = max(0, back - 2)
            if back > 0 or self._clear(air[0], slack):
                return air[back:]
        return air

    def _walk(
        self, level: Level, state: NDArray[np.float64], lead: Points, faint: float
    ) -> tuple[Points, NDArray[np.float64], int]:
        """Cut on from a contact; ``lead`` comes first, without arcs. Points, arcs, steps to the last cut."""
        f, r = self.frame, self.rules
        # a walk sweeps the rim of the disc only; where it begins, the whole disc is swept
        k.stamp_path(self.d2, f.x0, f.y0, f.hd, r.radius + 3 * f.hd, state[None, :2].copy())
        pts, arcs, last, _ = self._march(level, state, faint, False)
        n = len(lead)
        return np.concatenate([lead, pts[:last]]), np.concatenate([np.zeros(n), arcs[:last]]), last

    def _cut_from(
        self, level: Level, chain: NDArray[np.int64] | None, front: NDArray[np.int64], position: Points | None
    ) -> Piece | None:
        node = int(front[0])
        found = None
        for p, heading in self._poses(front):
            moved = self._clear_start(level, p, heading)
            if moved is not None:
                found = self._approach(level, moved, heading, self.rules.notice)
            if found is not None:
                break
        if found is None:
            self._forbid(node)
            return None
        state, air = found
        lead = self._lead(air)
        # the way is made before the cut: ground that the piece itself clears is not there yet
        way = None
        if chain is not None and position is not None:
            way = self._way(level, position, chain, air[: len(air) - len(lead) + 1])
        if self.rules.radius < self.whole.radius:
            line = self._landing(level, lead[0])
            if line is None:
                self._forbid(node)
                return None
            if len(line) > 1:
                lead, way = np.concatenate([line[:-1], lead]), self._route(level, position, line[0])
        saved = self._save(state[:2])
        pts, arcs, last = self._walk(level, state, lead, self.rules.notice)
        if last == 0 or self._is_scrap(saved, pts, arcs, self.rules.sliver):
            self._restore(saved)
            self._forbid(node)
            return None
        f = self.frame
        gone = int(state[6]) + k.clear_coarse_path(
            self.mat, self.blk, self.spans, self.d2, self.rules.radius, f.x0, f.y0, f.hd, f.hb, pts[-1:]
        )
        if not gone:
            # it brushed less than the map can show, and would do so for ever
            self._forbid(node)
        return _piece(pts, arcs, way)

    def _enter(self, level: Level, entry: Entry) -> Piece:
        """Take an entry as swept and walk on from it."""
        self._face(self.sides[0])
        f, r = self.frame, self.rules
        pts, start, heading = self._entry_path(entry)
        k.stamp_path(self.d2, f.x0, f.y0, f.hd, r.radius + 3 * f.hd, pts)
        k.clear_coarse_path(self.mat, self.blk, self.spans, self.d2, r.radius, f.x0, f.y0, f.hd, f.hb, pts)
        found = self._approach(level, start, heading, FAINT)
        rho = self.rules.rho
        if found is None and entry.kind == "ramp":
            # in a channel hardly wider than the cutter there is no room for a bend of the usual radius
            rho = min(rho, NARROW * self.rules.radius)
        with self._ruled(rho=rho):
            if found is None:
                found = self._approach(level, start, heading, FAINT)
            if found is None:
                return Piece(start[None, :], np.zeros(1), None, entry)
            walk, arcs, _ = self._walk(level, found[0], found[1], FAINT)
        return Piece(walk, arcs, None, entry)

    def _entry_path(self, entry: Entry) -> tuple[Points, Points, Points]:
        """Samples of the entry's path at the level, the point where it ends, and the heading there."""
        at, step = np.array([entry.x, entry.y]), self.rules.step
        if entry.kind == "ramp":
            to = np.array([entry.x2, entry.y2])
            length = float(np.hypot(*(to - at)))
            t = np.linspace(0.0, 1.0, max(2, math.ceil(length / step) + 1))[:, None]
            return at + t * (to - at), at, (to - at) / length
        n = max(8, math.ceil(2 * math.pi * entry.radius / step))
        a = np.linspace(0.0, 2 * math.pi, n + 1)
        ring = np.stack([np.cos(a), np.sin(a)], axis=1)
        start = at + entry.radius * ring[0]
        pts = at + entry.radius * ring
        if entry.kind == "pre-drilled":  # the whole disc of centres is open, not its rim alone
            rows = np.linspace(0.0, 1.0, max(2, math.ceil(entry.radius / self.frame.hd)) + 1)
            pts = np.concatenate([at + entry.radius * q * ring for q in rows])
        return pts, start, np.array([0.0, float(self.rules.side)])

    # -- small pieces can be taken back --------------------------------------------------------

    def _save(
        self, p: Points
    ) -> tuple[
        tuple[slice, slice], NDArray[np.float32], tuple[slice, slice], NDArray[np.uint8], NDArray[np.int32]
    ]:
        f, r = self.frame, self.rules
        half = r.radius + 3 * f.hd + 2 * self._small()
        fine = self._window(p, half, f.hd, self.d2.shape)
        coarse = self._window(p, 2 * r.radius + 2 * f.hb + 2 * self._small(), f.hb, self.mat.shape)
        return fine, self.d2[fine].copy(), coarse, self.mat[coarse].copy(), self.blk[coarse].copy()

    def _small(self) -> float:
        return self.rules.radius

    def _window(self, p: Points, half: float, pitch: float, shape: tuple[int, int]) -> tuple[slice, slice]:
        i0 = max(0, math.floor((p[1] - half - self.frame.y0) / pitch))
        j0 = max(0, math.floor((p[0] - half - self.frame.x0) / pitch))
        i1 = min(shape[0], math.ceil((p[1] + half - self.frame.y0) / pitch) + 1)
        j1 = min(shape[1], math.ceil((p[0] + half - self.frame.x0) / pitch) + 1)
        return slice(i0, max(i0, i1)), slice(j0, max(j0, j1))

    def _is_scrap(
        self,
        saved: tuple,  # type: ignore[type-arg]
        pts: Points,
        arcs: NDArray[np.float64],
        least: float,
        film: bool = False,
    ) -> bool:
        """True if a walk is not worth the way there and can be taken back.

        It took less than ``least`` mm2, or with ``film`` no more than a film.
        """
        r = self.rules
        area = Piece(pts, arcs, None).area(r.radius)
        swept = pts[max(0, int(np.argmax(arcs > 0.0)) - 1) :]
        thin = arcs.max() < math.acos(1.0 - r.film / r.radius)
        film = film and bool(thin) and float(np.hypot(*np.diff(swept, axis=0).T).sum()) < r.radius
        if not (film or area < least) or np.abs(swept - swept[-1]).max() > self._small():
            return False
        self.dropped.append((float(pts[-1, 0]), float(pts[-1, 1]), area))
        return True

    def _restore(self, saved: tuple) -> None:  # type: ignore[type-arg]
        fine, d2, coarse, mat, blk = saved
        self.d2[fine] = d2
        self.mat[coarse] = mat
        self.blk[coarse] = blk

    def _forbid(self, node: int) -> None:
        i, j = divmod(node, self.free.shape[1])
        self.tabu[max(0, i - 1) : i + 2, max(0, j - 1) : j + 2] = 1

    # -- ways ----------------------------------------------------------------------------------

    def _way(
        self, level: Level, position: Points, chain: NDArray[np.int64], tail: Points
    ) -> tuple[Points, float] | None:
        """Shortened way from ``position`` along coarse nodes and the points of ``tail``, on clear ground."""
        f, r = self.frame, self.rules
        pts = np.concatenate([position[None, :], self._xy(chain), tail])
        keep = np.empty(len(pts), np.int64)
        n = k.pull(level.sd, self.free, self.blk, f.x0, f.y0, f.h, f.hb, r.eps, pts, keep)
        return self._tested(pts[keep[:n]])

    def _tested(self, way: Points) -> tuple[Points, float] | None:
        """The way if what it may still graze stays well under the cap, else None: a lift is safer."""
        f, r = self.frame, self.rules
        most = min(GRAZE, r.cap - r.margin)
        arc = float(k.way_arc(self.d2, f.x0, f.y0, f.hd, r.radius, r.step, most, self.circle, way))
        # a ridge higher than the way meets the rounding of the tip, inside the cutter's full radius
        low = self.whole.radius_at(self.whole.lift)
        if arc <= most and (low < r.radius or self.curtain is not None):
            arc = max(arc, self._brushed(way, low, most))
        return (way, arc) if arc <= most else None

    def _brushed(self, way: Points, radius: float, most: float) -> float:
        """Largest arc that a cutter of this radius brushes on a way, rad, behind a curtain too.

        Of arcs over ``most`` it is the first.
        """
        f, step = self.frame, self.whole.step
        if self.curtain is None:
            return float(k.way_arc(self.d2, f.x0, f.y0, f.hd, radius, step, most, self.circle, way))
        low, high = way.min(axis=0), way.max(axis=0)
        half = 0.5 * float(np.max(high - low)) + self.whole.radius + 3 * f.hd
        rows, cols = self._window(0.5 * (low + high), half, f.hd, self.d2.shape)
        x0, y0 = f.x0 + f.hd * cols.start, f.y0 + f.hd * rows.start
        d2 = np.ascontiguousarray(self.curtain.behind(self.d2, rows, cols))
        return float(k.way_arc(d2, x0, y0, f.hd, radius, step, most, self.circle, way))

    # -- walls ---------------------------------------------------------------------------------

    def _trace(
        self, level: Level, walls: _Walls, position: Points | None, pieces: list[Piece]
    ) -> Points | None:
        """Start walks where a wall still gives up a bite, nearest first, until none is left."""
        r = self.rules
        starts = _Starts(self, level, walls, position)
        while True:
            found = starts.nearest()
            if found is None:
                return position
            at, side = found
            self._face(side)
            pose = self._wall_pose(level, at)
            if pose is None:
                walls.blocked[self._around(level, at, 0.2 * r.radius)] = True
                starts.closed(at)
                continue
            around = self._around(level, at, SPENT * r.radius)
            before = walls.spent[around]
            walls.spent[around] = True
            piece = self._cut_wall(level, pose, position)
            if piece is not None:
                errands.place(self, level, pieces, piece)
                if piece.area(r.radius) > WORTH * r.radius**2:
                    # in a narrow channel the next walk starts a short step on
                    walls.spent[around] = before
                position = pieces[-1].points[-1]
                walls.cut(self, level, piece.points)
                starts = _Starts(self, level, walls, position)
            else:
                starts.closed(at)

    def _cut_wall(self, level: Level, pose: tuple[Points, Points], position: Points | None) -> Piece | None:
        """A walk along a wall from a pose: the way (n, 2) to where it begins, and the heading there."""
        f, r, faint = self.frame, self.rules, self.faint
        found = self._approach(level, pose[0][-1], pose[1], faint)
        if found is None:
            return None
        state, air = found
        air = np.concatenate([pose[0][:-1], air])
        lead = self._lead(air)
        way = self._route(level, position, lead[0])
        led = self._arcs(lead) if len(pose[0]) > 1 else None
        saved = self._save(state[:2])
        walk, arcs, last = self._walk(level, state, lead, faint)
        if led is not None:
            arcs[: len(led)] = led
        if last == 0 or self._is_scrap(saved, walk, arcs, r.drop_area if arcs.max() < CUSP else r.sliver):
            self._restore(saved)
            return None
        k.clear_coarse_path(
            self.mat, self.blk, self.spans, self.d2, r.radius, f.x0, f.y0, f.hd, f.hb, walk[-1:]
        )
        return _piece(walk, arcs, way, wall=True)

    def _ring_of(self, level: Level, at: int) -> tuple[int, int]:
        q = int(np.searchsorted(level.offsets, at, side="right")) - 1
        return int(level.offsets[q]), int(level.offsets[q + 1])

    def _around(self, level: Level, at: int, reach: float) -> NDArray[np.int64]:
        """Indices of the ring points near point ``at``, along its ring."""
        a, b = self._ring_of(level, at)
        count = min(b - a, 2 * math.ceil(reach / self.frame.h) + 1)
        return a + (at - a + np.arange(count) - count // 2) % (b - a)

    def _wall_pose(self, level: Level, at: int) -> tuple[Points, Points] | None:
        """A clear start beside the wall a little before point ``at``: a way to it, and the heading there."""
        f, r = self.frame, self.rules
        a, b = self._ring_of(level, at)
        back = max(1, round(0.2 * r.radius / f.h))
        out = np.empty(4)
        found = k.wall_pose(
            self.d2, level.sd, f.x0, f.y0, f.hd, f.h, r.radius, r.standing(f.hd), r.eps, r.side,
            level.points[a:b], at - a, back, OFF_WALL, out,
        )  # fmt: skip
        wall = level.points[at]
        away = float(np.hypot(*(out[:2] - wall))) if found else math.inf
        if r.floor_radius < EVENED * r.radius and away > BESIDE * r.radius:
            # ridges keep a round tip off the wall, and from far off it may not come to it in time
            led = self._led_to_wall(level.points[a:b], at - a, back, level)
            if led is not None:
                return led
            spot = self._on_trail(wall)
            if spot is not None and float(np.hypot(*(spot - wall))) < away:
                ahead = level.points[a + (at - a + 2 * r.side) % (b - a)] - wall
                return spot[None], ahead / max(float(np.hypot(*ahead)), 1e-12)
        return (out[None, :2], out[2:]) if found else None

    def _led_to_wall(self, ring: Points, at: int, back: int, level: Level) -> tuple[Points, Points] | None:
        """A straight way from an earlier walk to the wall ``back`` points before point ``at`` of its ring."""
        f, r, n = self.frame, self.rules, len(ring)
        q = at - r.side * back
        ahead = ring[(q + 2 * r.side) % n] - ring[(q - 2 * r.side) % n]
        ahead = ahead / max(float(np.hypot(*ahead)), 1e-12)
        goal = ring[q % n] + r.side * r.eps * np.array([-ahead[1], ahead[0]])
        starts, most = self._trail(goal, LANDING * r.radius), min(LED, r.cap - r.margin)
        found = k.led(
            self.d2, level.sd, f.x0, f.y0, f.hd, f.h, r.radius, r.standing(f.hd), r.step, most, self.circle,
            np.ascontiguousarray(starts), goal,
        )  # fmt: skip
        if found < 0:
            return None
        p = starts[found]
        count = max(1, math.ceil(float(np.hypot(*(goal - p))) / r.step))
        return p + np.linspace(0.0, 1.0, count + 1)[:, None] * (goal - p), ahead

    def _arcs(self, way: Points) -> NDArray[np.float64]:
        """Arc in material, rad, of each step of a way; 0 for the first point."""
        f, r = self.frame, self.rules
        steps = (
            k.way_arc(self.d2, f.x0, f.y0, f.hd, r.radius, r.step, math.inf, self.circle, way[n : n + 2])
            for n in range(len(way) - 1)
        )
        return np.fromiter((0.0, *steps), np.float64, len(way))

    def _room(self, level: Level, way: Points) -> float:
        """Least distance of points (n, 2) from what bounds the centre, mm."""
        from scipy.ndimage import map_coordinates

        f = self.frame
        at = ((way[:, ::-1] - (f.y0, f.x0)) / f.h).T
        return float(map_coordinates(level.sd, at, order=1, mode="nearest").min())

    def _least_sd(self, level: Level, line: Points) -> float:
        """Least of `_sd` along points (n, 2)."""
        f = self.frame
        j = np.clip(np.rint((line[:, 0] - f.x0) / f.h).astype(np.int64), 0, f.nx - 1)
        i = np.clip(np.rint((line[:, 1] - f.y0) / f.h).astype(np.int64), 0, f.ny - 1)
        return float(level.sd[i, j].min())

    def _sd(self, level: Level, p: Points) -> float:
        f = self.frame
        j = min(max(round((p[0] - f.x0) / f.h), 0), f.nx - 1)
        i = min(max(round((p[1] - f.y0) / f.h), 0), f.ny - 1)
        return float(level.sd[i, j])


@dataclass
class Curtain:
    """Ground outside a zone, said to be cleared for a while, then shown again."""

    hidden: NDArray[np.bool_]
    before: NDArray[np.float32]
    mark: np.float32

    @classmethod
    def draw(cls, work: Clearing, zone: NDArray[np.bool_]) -> Curtain:
        """Hide what stands outside ``zone``; a margin inside the edge, so that no ridge shows at it."""
        f, r = work.frame, work.rules.radius
        ny, nx = f.fine
        shown = np.repeat(np.repeat(zone, 4, axis=0), 4, axis=1)[:ny, :nx]
        mark = np.float32((r - HIDDEN * f.hd) ** 2)
        hidden = ~shown & (work.d2 > mark)
        before = work.d2.copy()
        work.d2[hidden] = mark
        return cls(hidden, before, mark)

    def lift(self, work: Clearing) -> None:
        """Show again what has not been swept meanwhile."""
        now = work.d2[self.hidden]
        work.d2[self.hidden] = np.where(now < self.mark, now, self.before[self.hidden])

    def behind(self, d2: NDArray[np.float32], rows: slice, cols: slice) -> NDArray[np.float32]:
        """The map in a window as it is without the curtain."""
        now, at = d2[rows, cols], (rows, cols)
        return np.where(self.hidden[at] & (now >= self.mark), self.before[at], now)
