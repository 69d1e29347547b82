"""The clearing engine: engagement-capped rings over one region, piece by piece.

A piece is walked by `kernels.march`; this module decides where the next one starts, how to get there over
cleared ground, and when a level is done. One engine serves deep levels and climb levels.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from . import crescents, distances, errands, evening, fronts, lanes, uncut, wallstarts, ways
from .curtain import Curtain
from .kernels import march as k
from .pieces import (
    EVENED,
    FAINT,
    Entry,
    Frame,
    Level,
    Nodes,
    Piece,
    Points,
    Rules,
    Uncut,
    leading_half,
    piece_of,
    spans,
)
from .trails import Extents, Trail
from .uncut import LISTED
from .wallstarts import Starts, Walls

T = TypeVar("T")

WHOLE = 0.8  # share of the ground under a second entry that must still stand
PART = 0.3  # the same where all else has been tried
CUSP = math.radians(12.0)  # a bite of less arc is a cusp on a wall; more may stand free
OFF_RAMP = 0.25  # of the radius: so far apart on a ramp a walk is tried from it
LEAD = 0.05  # of the radius: roll-in before the first contact that belongs to the piece
SPENT = 0.25  # of the radius: beside a start that has been tried none other is
WORTH = 0.02  # of the radius squared: a walk that took more may be followed by one from the same place
SQUEEZED = 0.01  # of the radius: path radius between close walls
FINER = 0.25  # of a step, there, as it bends the more
STUCK = 0.1  # of the radius: how far off what a level below left a wall is the same place
AGAIN = 2.5  # times as deep a bite of an upright wall has to be where the level below left one
NEEDLE = math.radians(1.0)  # as `FAINT`, for a last look at what stands free: one sample of the half circle


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
        self.parents = self.parent.reshape(-1).data  # the same, which is read one by one far sooner
        self.queue = np.zeros(shape[0] * shape[1], np.int64)
        self.prefix = np.zeros((shape[0], shape[1] + 1), np.int32)
        self.epoch = 0
        self.version = self._versions = 0  # of the ground that the coarse maps show, and how many there were
        # of those maps, and for which ground, level and rules `start` filled them; None outside `run`
        self.filled = 0
        self.shown: tuple[int, Level, float, float] | None = None
        self.running = False
        # `ways.search`: from which node, on which ground, what it has come to
        self.searched: tuple[int, int] | None = None
        self.begun, self.state = 0, np.zeros(3, np.int64)
        self.joined = np.zeros(shape, np.int32)
        self.followed: dict[tuple[int, int], NDArray[np.int64]] = {}  # fronts as they are on that ground
        self.tau = 0.01
        self.track: list[Points] = []  # paths of all walks of the band so far
        self.tracks, self.trails = Trail(), Trail()  # of ``track`` and of ``pieces``
        self.extents = Extents()  # of ``pieces``
        self.evened: list[Points] = []  # of them, those that took off ridges
        # see `swept`; with how many of ``evened``
        self._wide: tuple[NDArray[np.float32] | None, int] = None, 0
        # one node for slivers between nodes; half the corner radius for the ridges it leaves on the floor
        self.slacks = sorted(
            {max(frame.hd, 0.5 * min(rules.corner, 0.3 * rules.radius)), frame.hd}, reverse=True
        )
        self.sides = (rules.side, -rules.side) if rules.both else (rules.side,)
        self.circle = leading_half(rules.side)
        self.margin_clear = 0.75 * frame.hb
        self.spans = spans((rules.radius + self.margin_clear) / frame.hb)
        self.buffer = np.empty((20000, 2))
        self.buffer_arc = np.empty(20000)
        self.buffer_up = np.empty(20000, np.int64)
        # see `_save`; fresh memory for each walk would cost as much as the walk
        self._kept: list[NDArray[Any]] = [np.empty(0, part.dtype) for part in (d2, self.mat, self.blk)]
        self.dropped: list[tuple[float, float, float]] = []
        self.left: list[Uncut] = []  # on the level cut last
        self.late: list[tuple[Uncut, Nodes]] = []  # of those, what the next level may take
        self.stayed: list[tuple[Uncut, Nodes]] = []  # `late` of the level before that the last has not taken
        self.walls: Walls | None = None  # of the level cut last
        self.known: Walls | None = None  # of the level being cut
        self.heights = 0.0, math.inf  # of the level being cut and of the next one up, mm
        # walls of the level cut last too close to each other, uncut: x, y, from which height on
        self.stuck = np.zeros((0, 3))
        self.below: Level | None = None  # the level cut before this one
        self.pinched: list[tuple[Uncut, Nodes]] = []  # of the level cut last, with the fine nodes of each
        # see `uncut`
        self.patches: uncut.Patches | None = None  # of what stands on the level
        self.room: tuple[Level, float, NDArray[np.float64], NDArray[np.bool_]] | None = None
        self.curtain: Curtain | None = None  # drawn while ridges are walked over
        # coarse nodes outside the zone where anything is to be cut: walks may lead there, none begins there
        self.shut: NDArray[np.bool_] | None = None
        self.air: NDArray[np.bool_] | None = None  # fine nodes with no floor at the level, see `evening`
        self.pieces: list[Piece] = []  # of the level being cut
        self.ground: NDArray[np.float32] | None = None  # `d2` as that level found it, where it clears ground
        self.find_entries: Callable[[Clearing, Level, bool], list[Entry]] | None = None

    @property
    def faint(self) -> float:
        """A step along a straight wall that cuts a smaller arc than half a bite does counts as air, rad.

        So does one that coarse nodes may show where nothing stands.
        """
        film = self.frame.hd**2 / self.rules.radius
        return math.acos(1.0 - max(0.5 * self.tau, film) / self.rules.radius)

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
        self.tau, self.known = tau, None
        self.running = True
        pieces = self.pieces = []
        clears = (floor or not walls_first) and self.rules.cap < math.pi
        self.ground = self.d2.copy() if clears else None
        narrow = None if walls_first or self.rules.cap >= math.pi else crescents.Narrow.of(self, level)
        if narrow is not None:
            self._serve(narrow.without, position, pieces, again=True)
            self.start(level)
            crescents.cut(self, level, narrow.boxes, pieces)
            position = pieces[-1].points[-1] if pieces else position
        self._serve(level, position, pieces, walls_first)
        if self.left and self.rules.rho_tight < self.rules.rho:
            # into dead ends and close channels, as far as bends there is room for let it come
            with self.ruled(rho=self.rules.rho_tight):
                self._serve(level, pieces[-1].points[-1] if pieces else position, pieces, enter=False)
        boxes = [u.box for u in self.left] if self.rules.cap < math.pi else []
        if crescents.cut(self, level, boxes, pieces):
            self._serve(level, pieces[-1].points[-1] if pieces else position, pieces, enter=False)
        self._last_entries(level, position, pieces)
        self._needles(level, pieces[-1].points[-1] if pieces else position, pieces)
        self.known = None  # what comes now may have other rules
        self._squeeze(level, pieces)
        errands.tidy(self, level, pieces)
        self.stayed = [
            (u, at) for u, at in self.late if (self.d2[at] > np.float32(self.rules.radius**2)).any()
        ]
        whole, self.pinched = uncut.uncut(self, level), uncut.pinched(self, level)
        thin = [(u, at) for u, at in self.pinched if not any(uncut.encloses(w.box, u.box) for w in whole)]
        self.left = whole if walls_first else [*whole, *(u for u, _ in thin)]
        self.late = thin if walls_first else []
        self.running, self.shown, self.patches = False, None, None
        self.track += [piece.points for piece in pieces]
        if floor and self.rules.floor_radius < self.rules.radius:
            evening.even(self, level, self.rules.evened, pieces)
        self.below = level
        return pieces

    def _serve(
        self,
        level: Level,
        position: Points | None,
        pieces: list[Piece],
        walls_first: bool = False,
        enter: bool = True,
        again: bool = False,
        waiting: Sequence[Entry] = (),
    ) -> None:
        """Add walks to ``pieces`` until nothing more can start; ``left`` is what remains.

        ``again``: ground without a way in is not told, another time it is. ``waiting``: ways in besides those
        of the level.
        """
        left = self.start(level)
        waiting = [*waiting, *(level.entries if enter else ())]
        if left and enter and self.find_entries is not None:
            waiting += self.find_entries(self, level, again)
        walls = self.walls = self.known = Walls.of(self, level, self.known)
        if walls_first or not left:
            position = self.trace(level, walls, position, pieces)
        while left:
            # one front from wherever it starts best, then everything that can start from a wall: a pass that
            # rolls in along the wall it starts from wastes least
            piece = self.front(level, position, waiting)
            if piece is None and enter:
                # what lies behind a neck too narrow for the cap gets a way in of its own
                waiting = self._second_entries(level, WHOLE)
                piece = self.front(level, position, waiting) if waiting else None
            if piece is None:
                break
            errands.place(self, level, pieces, piece)
            walls.cut(self, level, piece.points)
            position = self.trace(level, walls, pieces[-1].points[-1], pieces)
        self.left = uncut.uncut(self, level, LISTED * self.rules.radius**2) if left else []

    def _needles(self, level: Level, position: Points | None, pieces: list[Piece]) -> None:
        """Take off what stands free and is small: as tall as the level, it makes the worst stair.

        A patch narrower than `FAINT` radii never makes a step that counts, and going straight over it looks
        like next to nothing.
        """
        from scipy.ndimage import label

        mat = self.wanted
        if not mat.any():
            return
        number, _ = label(mat, structure=np.ones((3, 3)))
        large = np.bincount(number.ravel()) * self.frame.hb**2 >= LISTED * self.rules.radius**2
        large[0] = False
        if large[1:].all():
            return
        self._allow_all()
        self.changed(ground=False)
        if large.any():
            near = (self.rules.radius + self.margin_clear) / self.frame.hb + 2.0
            self.tabu[distances.within(large[number], near)] = 1
        with self.ruled(sliver=0.0, notice=NEEDLE):
            while (piece := self.front(level, position, [])) is not None:
                errands.place(self, level, pieces, piece)
                position = pieces[-1].points[-1]

    def _squeeze(self, level: Level, pieces: list[Piece]) -> None:
        """Go on along walls so close to each other that walks ended for want of room to turn away.

        Each is a trip for a thin slice: only where leaving it would keep a stair taller than others may be.
        """
        r = self.rules
        # a round tip leaves ridges along its walls everywhere; a radius that the job asks for holds here too
        if self.walls is None or r.cap >= math.pi or r.floor_radius < EVENED * r.radius:
            return
        if not (math.isfinite(r.rho_tight) and math.isfinite(r.stair)):
            return
        close = wallstarts.close(self, level, self.walls)
        z, above = self.heights
        since = np.minimum(wallstarts.since(level, close, self.stuck, STUCK * r.radius), z)
        tall = close & (above - since > r.stair)
        if tall.any():
            walls = replace(self.walls, spent=~tall, blocked=np.zeros_like(tall))  # the same bites
            with self.ruled(rho=SQUEEZED * r.radius, step=FINER * r.step):
                self.trace(level, walls, pieces[-1].points[-1] if pieces else None, pieces)
            close &= walls.bite > 0
        self.stuck = np.column_stack([level.points, since])[close]

    @contextmanager
    def ruled(self, **changes: float) -> Iterator[None]:
        """Other rules for a while; the material stands on the side it stood on before afterwards."""
        whole = self.rules
        self.rules = replace(whole, **changes)  # type: ignore[arg-type]
        try:
            yield
        finally:
            self.rules = whole
            self.circle = leading_half(whole.side)

    def _last_entries(self, level: Level, position: Points | None, pieces: list[Piece]) -> None:
        """Ways into ground behind necks that no bend leads through, though it has been cut from beside."""
        if not self.left or not self.start(level):
            return
        if waiting := self._second_entries(level, PART):
            position = pieces[-1].points[-1] if pieces else position
            self._serve(level, position, pieces, enter=False, waiting=waiting)

    def _second_entries(self, level: Level, share: float) -> list[Entry]:
        """Ways into uncut ground that no front reaches, where at least this ``share`` of it still stands."""
        if self.find_entries is None:
            return []
        whole = self.free
        stands = self.blk > 0 if self.shut is None else (self.blk > 0) & ~self.shut
        self.free = np.ascontiguousarray(whole & stands).astype(np.uint8)
        try:
            found = self.find_entries(self, level, True)
        finally:
            self.free = whole
        return [replace(entry, beside=True) for entry in found if self._stands(entry) > share]

    def _stands(self, entry: Entry) -> float:
        """Share of the ground under an entry that still stands: a sliver beside a clearing wants no helix."""
        f, r = self.frame, self.rules
        i, j = self.node(np.array([entry.x, entry.y]))
        n = math.ceil(0.8 * r.radius / f.hb)
        a, b = np.ogrid[-n : n + 1, -n : n + 1]
        window = self.mat[max(0, i - n) : i + n + 1, max(0, j - n) : j + n + 1]
        if window.shape != (2 * n + 1, 2 * n + 1):
            return 0.0
        return float(window[a * a + b * b <= n * n].mean())

    def start(self, level: Level) -> int:
        """Fill the coarse maps for a level; how many coarse nodes of material are in reach."""
        f, r = self.frame, self.rules
        self._allow_all()
        shown = self.shown
        if (
            shown is not None
            and shown[0] == self.filled
            and shown[1] is level
            and shown[2:] == (r.radius, r.eps)
        ):
            self.changed(ground=False)
            return int(np.count_nonzero(self.wanted))
        self.changed()
        self.shown = (self.filled, level, r.radius, r.eps) if self.running else None
        found = int(
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
        return found if self.shut is None else int(np.count_nonzero(self.wanted))

    @property
    def wanted(self) -> NDArray[np.uint8]:
        """Coarse nodes of material that walks may start for."""
        return self.mat if self.shut is None else np.where(self.shut, np.uint8(0), self.mat)

    def within_zone(self, rows: slice, cols: slice) -> NDArray[np.bool_]:
        """Nodes of a window of the level's map where walks may begin."""
        i, j = np.arange(rows.start, rows.stop) // 2, np.arange(cols.start, cols.stop) // 2
        return np.ones((len(i), len(j)), bool) if self.shut is None else ~self.shut[np.ix_(i, j)]

    def _allow_all(self) -> None:
        """Forget where walks have been tried."""
        self.tabu[:] = 0 if self.shut is None else self.shut

    def changed(self, ground: bool = True) -> None:
        """The coarse maps are about to show other ground, or not ``ground`` but less in ``tabu``."""
        self.followed.clear()
        self._versions += 1
        self.version = self._versions
        if ground:
            self.filled = self._versions

    def stands(self, level: Level, height: float) -> bool:
        """True if more than ``height`` is left over the tip somewhere in reach; ``mat`` tells where."""
        return self.slimmer(height, lambda: self.start(level)) > 0

    def swept(self) -> NDArray[np.float32]:
        """The swept map with all that walks which evened ridges have swept: they cut wider than they look.

        It is for reading only, and until the next call: without such walks it is the map itself.
        """
        if not self.evened:
            return self.d2
        f, (wide, count) = self.frame, self._wide
        # what has been swept stays so
        wide = self.d2.copy() if wide is None else np.minimum(wide, self.d2, out=wide)
        for points in self.evened[count:]:
            k.stamp_path(wide, f.x0, f.y0, f.hd, self.rules.radius + 3 * f.hd, points)
        self._wide = wide, len(self.evened)
        return wide

    def slimmer(self, height: float, run: Callable[[], T]) -> T:
        """Run something with the radius that the cutter has ``height`` over its tip."""
        whole, reach = self.rules, self.spans
        self.rules = replace(whole, radius=whole.radius_at(height), corner=0.0)
        self.spans = spans((self.rules.radius + self.margin_clear) / self.frame.hb)
        try:
            return run()
        finally:
            self.rules, self.spans = whole, reach
            self.circle = leading_half(whole.side)

    def front(self, level: Level, position: Points | None, waiting: list[Entry]) -> Piece | None:
        """The next piece that starts on a front or by an entry; None when nothing is left to start."""
        while True:
            found = fronts.next_front(self, level, position)
            if found is None:
                return self._enter(level, self._nearest_entry(waiting, position)) if waiting else None
            piece = self._cut_from(level, *found, position)
            if piece is not None:
                return piece

    # -- where next ----------------------------------------------------------------------------

    def node(self, p: Points) -> tuple[int, int]:
        """Row and column of the coarse node nearest to ``p``."""
        f = self.frame
        i = min(max(round((p[1] - f.y0) / f.hb), 0), self.free.shape[0] - 1)
        j = min(max(round((p[0] - f.x0) / f.hb), 0), self.free.shape[1] - 1)
        return i, j

    def clear_node(self, level: Level, p: Points) -> int | None:
        """The nearest clear coarse node with a straight way to it from ``p``, at most three pitches off."""
        f, least = self.frame, ways.NEAR * self.rules.eps
        found = k.clear_node(level.sd, self.free, self.blk, f.x0, f.y0, f.h, f.hb, 3, least, p[0], p[1])
        return int(found) if found >= 0 else None

    def xy(self, flat: NDArray[np.int64]) -> Points:
        """Places (n, 2) of coarse nodes, mm."""
        f = self.frame
        i, j = np.divmod(flat, self.free.shape[1])
        return np.stack([f.x0 + j * f.hb, f.y0 + i * f.hb], axis=-1).astype(np.float64)

    def place(self, flat: int) -> Points:
        """Place (2,) of one coarse node, mm."""
        i, j = divmod(flat, self.free.shape[1])
        return np.array([self.frame.x0 + j * self.frame.hb, self.frame.y0 + i * self.frame.hb])

    def face(self, side: int) -> None:
        """Walk with the material on ``side`` from now on."""
        if side != self.rules.side:
            self.rules = replace(self.rules, side=side)
            self.circle = leading_half(side)

    def _nearest_entry(self, waiting: list[Entry], position: Points | None) -> Entry:
        if position is None:
            return waiting.pop(0)
        d = [math.hypot(e.x - position[0], e.y - position[1]) for e in waiting]
        return waiting.pop(int(np.argmin(d)))

    # -- cutting -------------------------------------------------------------------------------

    def is_clear(self, p: Points, slack: float) -> bool:
        """True if the cutter, ``slack`` larger than it is, can stand at ``p`` without touching anything."""
        return self.first_clear(p[None], slack) == 0

    def first_clear(self, places: Points, slack: float) -> int:
        """The first of some places (n, 2) where it can stand so; -1 if there is none."""
        f, r = self.frame, self.rules
        at = np.ascontiguousarray(places, np.float64)
        return int(k.first_clear(self.d2, f.x0, f.y0, f.hd, r.radius, r.standing(f.hd), slack, at))

    def _march(
        self, level: Level, state: NDArray[np.float64], faint: float, seek: bool, most: int = 2_000_000
    ) -> tuple[Points, NDArray[np.float64], int, int]:
        """March on from ``state`` until the walk ends; points, arcs, steps up to the last cut, status."""
        f, r = self.frame, self.rules
        pts: list[Points] = []
        arcs: list[NDArray[np.float64]] = []
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
        if len(pts) == 1:
            return pts[0], arcs[0], last, status
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
        back = [*range(at, 0, -2), 0]
        for slack in self.slacks:
            found = self.first_clear(air[back], slack)
            if found >= 0:
                return air[back[found] :]
        return air

    def _walk(
        self, level: Level, state: NDArray[np.float64], lead: Points, faint: float
    ) -> tuple[Points, NDArray[np.float64], int]:
        """Cut on from a contact; ``lead`` comes first, without arcs. Points, arcs, steps to the last cut."""
        f, r = self.frame, self.rules
        # a walk sweeps the rim of the disc only; where it begins, the whole disc is swept
        k.stamp_path(self.d2, f.x0, f.y0, f.hd, r.radius + 3 * f.hd, state[None, :2].copy())
        self.changed()
        pts, arcs, last, _ = self._march(level, state, faint, False)
        n = len(lead)
        return np.concatenate([lead, pts[:last]]), np.concatenate([np.zeros(n), arcs[:last]]), last

    def _cut_from(
        self, level: Level, joined: bool, front: NDArray[np.int64], position: Points | None
    ) -> Piece | None:
        node = int(front[0])
        found = None
        for p, heading in fronts.poses(self, front):
            moved = fronts.clear_start(self, level, p, heading)
            if moved is not None:
                found = self._approach(level, moved, heading, self.rules.notice)
            if found is not None:
                break
        if found is None:
            self._forbid(node)
            return None
        state, air = found
        lead = self._lead(air)
        line = None
        if self.rules.radius < self.whole.radius:
            line = ways.landing(self, level, lead[0])
            if line is None:
                self._forbid(node)
                return None
        # the way is made before the cut: ground that the piece itself clears is not there yet
        way = None
        if line is not None and len(line) > 1:
            lead, way = np.concatenate([line[:-1], lead]), ways.route(self, level, position, line[0])
        elif joined and position is not None:
            chain = fronts.chain(self, front)
            way = ways.way(self, level, position, chain, air[: len(air) - len(lead) + 1])
        saved = self._save(state[:2])
        pts, arcs, last = self._walk(level, state, lead, self.rules.notice)
        if (
            last == 0
            or self._is_scrap(pts, arcs, Piece(pts, arcs, None).area(self.rules.radius), self.rules.sliver)
            or self._in_vain(level, saved, pts, arcs)
            or self._is_film(level, saved, pts, arcs, False)
        ):
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
        return piece_of(pts, arcs, way)

    def _enter(self, level: Level, entry: Entry) -> Piece:
        """Take an entry as swept and walk on from it."""
        self.face(self.sides[0])
        f, r = self.frame, self.rules
        pts, start, heading = self.entry_path(entry)
        k.stamp_path(self.d2, f.x0, f.y0, f.hd, r.radius + 3 * f.hd, pts)
        self.changed()
        k.clear_coarse_path(self.mat, self.blk, self.spans, self.d2, r.radius, f.x0, f.y0, f.hd, f.hb, pts)
        found = self._approach(level, start, heading, FAINT)
        rho = self.rules.rho
        if found is None and entry.kind == "ramp":
            # in a channel hardly wider than the cutter there is no room for a bend of the usual radius
            rho = min(rho, lanes.NARROW * self.rules.radius)
        with self.ruled(rho=rho):
            if found is None:
                found = self._approach(level, start, heading, FAINT)
            # a round tip would go on in hundreds of short arcs for next to nothing
            if (
                found is None
                and entry.kind == "ramp"
                and self.rules.floor_radius >= EVENED * self.rules.radius
            ):
                found = self._off_ramp(level, pts, heading)
            if found is None:
                return Piece(start[None, :], np.zeros(1), None, entry)
            walk, arcs, _ = self._walk(level, found[0], found[1], FAINT)
        return Piece(walk, arcs, None, entry)

    def _off_ramp(
        self, level: Level, line: Points, ahead: Points
    ) -> tuple[NDArray[np.float64], Points] | None:
        """As `_approach`, from anywhere on a ramp: at its end there may be no room to turn away."""
        apart = max(1, round(OFF_RAMP * self.rules.radius / self.rules.step))
        for n in range(apart, len(line), apart):
            for heading in (ahead, -ahead):
                found = self._approach(level, line[n], heading, FAINT)
                if found is not None:
                    return found[0], np.concatenate([line[:n], found[1]])
        return None

    def entry_path(self, entry: Entry) -> tuple[Points, Points, Points]:
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
        tuple[slice, slice],
        NDArray[np.float32],
        tuple[slice, slice],
        NDArray[np.uint8],
        NDArray[np.int32],
        int,
        int,
    ]:
        """The maps where a small walk from ``p`` may change them; good until the next call."""
        f, r = self.frame, self.rules
        half = r.radius + 3 * f.hd + 2 * self._small()
        fine = self.window(p, half, f.hd, self.d2.shape)
        coarse = self.window(p, 2 * r.radius + 2 * f.hb + 2 * self._small(), f.hb, self.mat.shape)
        parts: list[NDArray[Any]] = [self.d2[fine], self.mat[coarse], self.blk[coarse]]
        for n, part in enumerate(parts):
            if len(self._kept[n]) < part.size:
                self._kept[n] = np.empty(part.size, part.dtype)
            parts[n] = self._kept[n][: part.size].reshape(part.shape)
            parts[n][:] = part
        return fine, parts[0], coarse, parts[1], parts[2], self.version, self.filled

    def _small(self) -> float:
        return self.rules.radius

    def window(self, p: Points, half: float, pitch: float, shape: tuple[int, int]) -> tuple[slice, slice]:
        """Rows and columns of a map within ``half`` mm of ``p``."""
        return self.span(p - half, p + half, pitch, shape)

    def span(self, low: Points, high: Points, pitch: float, shape: tuple[int, int]) -> tuple[slice, slice]:
        """Rows and columns of a map from one corner of a box to the other, mm."""
        i0 = max(0, math.floor((low[1] - self.frame.y0) / pitch))
        j0 = max(0, math.floor((low[0] - self.frame.x0) / pitch))
        i1 = min(shape[0], math.ceil((high[1] - self.frame.y0) / pitch) + 1)
        j1 = min(shape[1], math.ceil((high[0] - self.frame.x0) / pitch) + 1)
        return slice(i0, max(i0, i1)), slice(j0, max(j0, j1))

    def _is_scrap(self, pts: Points, arcs: NDArray[np.float64], area: float, least: float) -> bool:
        """True if a walk took less than ``least`` mm2: not worth the way there, and can be taken back."""
        if area >= least:
            return False
        swept = pts[max(0, int(np.argmax(arcs > 0.0)) - 1) :]
        if np.abs(swept - swept[-1]).max() > self._small():
            return False
        self.dropped.append((float(pts[-1, 0]), float(pts[-1, 1]), area))
        return True

    def _in_vain(self, level: Level, saved: tuple, pts: Points, arcs: NDArray[np.float64]) -> bool:  # type: ignore[type-arg]
        """True if a small walk on a climb level changes nothing there, and can be taken back.

        Either its place stays pinched on an upright wall: it is listed with the walk or without, and so thin
        a slice does not open it. Or it was to take a needle that is none.
        """
        r, hb = self.rules, self.frame.hb
        if self.ground is not None or r.cap >= math.pi or r.radius < self.whole.radius:
            return False
        swept = pts[max(0, int(np.argmax(arcs > 0.0)) - 1) :]
        if np.abs(swept - swept[-1]).max() > self._small():
            return False
        if Piece(pts, arcs, None).area(r.radius) > WORTH * r.radius**2:
            return False
        if r.notice < FAINT:
            (rows, cols), before = saved[:2]
            i, j = np.nonzero(self.d2[rows, cols] < before)
            near = before[i, j] > np.float32((r.radius - 2.0 * self.frame.hd) ** 2)
            if uncut.is_bare(self, swept, (i[near] + rows.start, j[near] + cols.start)):
                return True
        # where more than a corner's rest stands, slice after slice opens the ground behind
        ground = self.mat[self.window(swept[0], r.radius + hb, hb, self.mat.shape)]
        if np.count_nonzero(ground) * hb**2 >= LISTED * r.radius**2:
            return False
        return uncut.stays_pinched(self, level, swept[0])

    def _is_film(
        self,
        level: Level,
        saved: tuple[Any, ...],
        pts: Points,
        arcs: NDArray[np.float64],
        wall: bool,
    ) -> bool:
        """True if a small walk took nothing as deep as a bite of a wall, and can be taken back.

        In a corner as round as the cutter a film is met by a large arc however thin it is. On an upright wall
        the level below has left it too, and a trip for the rest of its height takes off no stair; on others
        above the lowest level it would add up to one.
        """
        swept = pts[max(0, int(np.argmax(arcs > 0.0)) - 1) :]
        if self.rules.cap >= math.pi or np.abs(swept - swept[-1]).max() > self._small():
            return False
        again = uncut.is_upright(self, level, swept[0])
        if not (again or (wall and self.below is None)):
            return False
        (rows, cols), before = saved[:2]
        r2 = np.float32(self.rules.radius**2)
        took = before[(before > r2) & (self.d2[rows, cols] <= r2)]
        depth = math.sqrt(float(took.max())) - self.rules.radius if len(took) else 0.0
        if depth >= (AGAIN if again else 1.0) * self.tau:
            return False
        # a slice as thin as the cap allows may be the first of many
        walls = self.known
        return (
            again
            or walls is None
            or not (walls.asked(self, level, walls.near(level, swept, self.rules.radius)) == 1).any()
        )

    def _restore(self, saved: tuple) -> None:  # type: ignore[type-arg]
        self.followed.clear()
        fine, d2, coarse, mat, blk, self.version, self.filled = saved
        self.d2[fine] = d2
        self.mat[coarse] = mat
        self.blk[coarse] = blk

    def _forbid(self, node: int) -> None:
        i, j = divmod(node, self.free.shape[1])
        self.tabu[max(0, i - 1) : i + 2, max(0, j - 1) : j + 2] = 1

    # -- ways ----------------------------------------------------------------------------------

    # -- walls ---------------------------------------------------------------------------------

    def trace(
        self, level: Level, walls: Walls, position: Points | None, pieces: list[Piece]
    ) -> Points | None:
        """Start walks where a wall still gives up a bite, nearest first, until none is left."""
        r = self.rules
        starts = Starts(self, level, walls, position)
        while True:
            found = starts.nearest()
            if found is None:
                return position
            at, side = found
            self.face(side)
            pose = wallstarts.wall_pose(self, level, at)
            if pose is None:
                walls.blocked[wallstarts.around(self, level, at, 0.2 * r.radius)] = True
                starts.closed(at)
                continue
            around = wallstarts.around(self, level, at, SPENT * r.radius)
            before = walls.spent[around]
            walls.spent[around] = True
            made = self._cut_wall(level, pose, position)
            if made is not None and walls.is_new(made[0].points):
                piece, took = made
                errands.place(self, level, pieces, piece)
                if took > WORTH * r.radius**2:
                    # in a narrow channel the next walk starts a short step on
                    walls.spent[around] = before
                position = pieces[-1].points[-1]
                walls.cut(self, level, piece.points)
                starts = Starts(self, level, walls, position)
            else:
                starts.closed(at)

    def _cut_wall(
        self, level: Level, pose: tuple[Points, Points], position: Points | None
    ) -> tuple[Piece, float] | None:
        """A walk along a wall from a pose: the way (n, 2) to where it begins, and the heading there.

        With the ground, mm2, that it took after that way, which the map does not know as swept: what the way
        took would be taken anew by every further walk from there, without end.
        """
        f, r, faint = self.frame, self.rules, self.faint
        found = self._approach(level, pose[0][-1], pose[1], faint)
        if found is None:
            return None
        state, air = found
        air = np.concatenate([pose[0][:-1], air])
        lead = self._lead(air)
        way = ways.route(self, level, position, lead[0])
        led = ways.arcs(self, lead) if len(pose[0]) > 1 else None
        saved = self._save(state[:2])
        walk, arcs, last = self._walk(level, state, lead, faint)
        took = area = Piece(walk, arcs, None).area(r.radius)
        if led is not None:
            arcs[: len(led)] = led
            area = Piece(walk, arcs, None).area(r.radius)
        least = r.drop_area if arcs.max() < CUSP else r.sliver
        if (
            last == 0
            or self._is_scrap(walk, arcs, area, least)
            or self._in_vain(level, saved, walk, arcs)
            or self._is_film(level, saved, walk, arcs, True)
        ):
            self._restore(saved)
            return None
        k.clear_coarse_path(
            self.mat, self.blk, self.spans, self.d2, r.radius, f.x0, f.y0, f.hd, f.hb, walk[-1:]
        )
        return piece_of(walk, arcs, way, wall=True), took

    def sd_at(self, level: Level, p: Points) -> float:
        """Signed distance of the level at the node nearest to ``p``, mm."""
        f = self.frame
        j = min(max(round((p[0] - f.x0) / f.h), 0), f.nx - 1)
        i = min(max(round((p[1] - f.y0) / f.h), 0), f.ny - 1)
        return float(level.sd[i, j])
