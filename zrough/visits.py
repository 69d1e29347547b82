"""Visits: climb walks cut while the cutter is near by for other work, not on a trip of their own.

A short wall far from all others, or a corner that a long walk has left, costs a way there and a way on. Walks
of a band that lie together go in after the last walk that took ground under them, or later, wherever the
cutter comes nearest, if need be between two steps of a climb walk.

A visit meets what it met when it was planned: what it covers has been taken by the same walks, and what it
takes no walk after it would have taken. Ways to it and on from it are tested on the ground as it is then.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from . import ways
from .kernels import march, places
from .pieces import Frame, Level, Piece, Points, path_length
from .shortways import Way, dense, fits

if TYPE_CHECKING:
    from .rings import Clearing

Climb = tuple[int, Piece]  # a walk with the index of its level in the band

LIFT = 40.0  # mm: length that a lift, with its stops, is taken for
FAR = 2.0  # radii: a way no longer than this is left as it is, and joins walks to one visit
WIDER = (8.0, 16.0)  # radii: also tried
LONG = 60.0  # radii: longest path of a visit
SPARED = 0.6  # of what a trip costs: the most that a visit may
ENDS = 2  # ends of a visit that are tried
TRIES = 3  # places in the order that are tried
LATER = (0.0, 0.4, 1.0)  # radii: how far on within a walk
DEEP = 8.0  # radii: what a trip must cost for a walk on a floor to be broken off
ROUND = 2.2  # radii: how far round its ends ground is looked at; a way may swing out one radius less
REACH = 8.0  # radii: from farther away none is made
WINDOW = 150.0  # of the radius squared: the most ground that is looked at for a way to a visit
REJOIN = 1500.0  # the same for the way past it
LEAD, ASIDE = 0.2, 0.06  # of the radius: a walk that is broken off begins so far behind the place, and beside
THIN = 3  # one point of a walk in so many is swept again; the radius bridges what lies between
EDGE = 2.0  # nodes: how far off the circle a map sees its edge
CELL = 0.1  # of the radius: cells by which walks are asked whether they share ground


class Visits:
    """The walks of one band in the order they are cut; ``moved`` once that is not the one they came in.

    ``work`` has not cut anything of the band yet. ``region`` makes the ground of a level, by its index.
    """

    def __init__(self, work: Clearing, region: Callable[[int], Level]) -> None:
        self.work = work
        self.frame, self.rules = work.frame, work.whole
        self.before = work.d2.copy()
        self.region = region
        self.walks: list[Climb] = []
        self.moved = False
        self.names: list[int] = []  # of the walks, which stay when their places change
        self.count = 0
        self.rows = np.zeros((0, 4, 2))  # of each walk: lower and upper corner of its box, start, end
        self.cost = np.zeros(0)  # of the way to each, mm
        self.rooms: dict[int, NDArray[np.float32]] = {}
        self.cell = CELL * self.rules.radius
        self.shown: set[int] = set()  # names on the map of owners
        shape = tuple(math.ceil(n * self.frame.hd / self.cell) + 1 for n in self.frame.fine)
        self.owner = np.full(shape, -1, np.int64)  # name of the last walk that took ground in a cell
        self.done = np.zeros(shape, bool)

    def add(self, walks: list[Climb], floors: set[int], swept: NDArray[np.float32] | None) -> None:
        """Take in walks that come next; those of levels that are ``floors`` keep their place.

        ``swept`` is the map before the first of them.
        """
        self.swept, self.fresh, self.floors = swept, self.count, floors
        self.rooms.clear()
        k = 0
        while k < len(walks):
            end = self._visit(walks, k)
            if end is None:
                self._append(walks[k])
                end = k + 1
            k = end

    # -- which walks -----------------------------------------------------------------------------

    def _visit(self, walks: list[Climb], k: int) -> int | None:
        """Put the walks from ``k`` on in between earlier ones, to which end; None if they go on from here."""
        radius = self.rules.radius
        if not self.walks or walks[k][0] in self.floors:
            return None
        at = self.walks[-1][1].points[-1]
        there = _cost(at, walks[k][1])
        if there < FAR * radius:
            return None
        found = []
        for end in self._ends(walks, k):
            spare = there
            if end < len(walks):
                on = walks[end][1]
                spare += _cost(walks[end - 1][1].points[-1], on) - _apart(at, on.points[0])
            if spare > FAR * radius:
                found.append((spare, end))
        for spare, end in sorted(found, reverse=True)[:ENDS]:
            if self._slip(walks[k:end], spare):
                return end
        return None

    def _ends(self, walks: list[Climb], k: int) -> list[int]:
        """Where a visit that begins with walk ``k`` may end: after it the way is long, or the next stays."""
        radius, found, length = self.rules.radius, [], 0.0
        wanted = [FAR, *WIDER]
        for end in range(k, len(walks)):
            level, piece = walks[end]
            if level in self.floors or piece.entry is not None or piece.slot:
                found.append(end)
                break
            if end > k:
                way = _cost(walks[end - 1][1].points[-1], piece)
                if way > wanted[0] * radius:
                    found.append(end)
                    wanted = [far for far in wanted if far * radius >= way]
                    if not wanted:
                        break
                length += way
            length += path_length(piece.points)
            if length > LONG * radius:
                break
        else:
            found.append(len(walks))
        return [end for end in dict.fromkeys(found) if end > k]

    def _append(self, walk: Climb) -> None:
        level, piece = walk
        if self.walks and piece.way is not None and piece.entry is None:
            at = self.walks[-1][1].points[-1]
            if np.abs(piece.way[0] - at).max() > 0.0:  # what it came after was moved
                found = self._rejoin(level, piece)
                piece = replace(
                    piece, way=None if found is None else found[0], way_arc=0.0 if found is None else found[1]
                )
        self._insert(len(self.walks), [(level, piece)])

    def _insert(self, at: int, walks: list[Climb]) -> None:
        names = list(range(self.count, self.count + len(walks)))
        self.count += len(walks)
        last = self.walks[at - 1][1].points[-1] if at else None
        cost = []
        for _, piece in walks:
            cost.append(_cost(last, piece))
            last = piece.points[-1]
        rows = np.array([(*p.box, p.points[0], p.points[-1]) for _, p in walks])
        self.rows = np.concatenate([self.rows[:at], rows, self.rows[at:]])
        self.cost = np.concatenate([self.cost[:at], cost, self.cost[at:]])
        self.walks[at:at] = walks
        self.names[at:at] = names

    # -- where to --------------------------------------------------------------------------------

    def _slip(self, visit: list[Climb], spare: float) -> bool:
        """Put a visit, which saves ``spare`` mm, where it costs less; False if there is no such place."""
        start, end = visit[0][1].points[0], visit[-1][1].points[-1]
        least, cells = self._latest(visit)
        found: list[tuple[float, int, int | None]] = [
            *self._between(start, end, least, SPARED * spare),
            *self._within(start, end, least, cells, SPARED * spare),
        ]
        for _, k, m in sorted(found, key=lambda item: item[0])[:TRIES]:
            made = self._joined(visit, k, m)
            if made is not None and made[2] < SPARED * spare:
                self._put(k, m, made[0], made[1])
                self.moved = True
                return True
        return False

    def _between(self, start: Points, end: Points, least: int, most: float) -> list[tuple[float, int, None]]:
        """Places after walk ``least`` where a visit costs up to ``most``: cost, walk that it comes before."""
        before, after = self.rows[least:-1, 3], self.rows[least + 1 :, 2]
        extra = np.hypot(*(before - start).T) + np.hypot(*(after - end).T) - self.cost[least + 1 :]
        away = np.hypot(*(before - start).T)
        near = np.flatnonzero((extra <= most) & (away <= REACH * self.rules.radius))
        near = near[np.argsort(extra[near], kind="stable")[:TRIES]]
        return [(float(extra[k]), least + 1 + k, None) for k in near.tolist()]

    def _within(
        self, start: Points, end: Points, least: int, cells: Points, most: float
    ) -> list[tuple[float, int, int]]:
        """The same within climb walks from ``least`` on: cost, walk, and step at which it is broken off."""
        from scipy.spatial import cKDTree

        found = []
        low, high = np.minimum(start, end) - most, np.maximum(start, end) + most
        rows = self.rows[least:]
        near = ((rows[:, 0] <= high) & (rows[:, 1] >= low)).all(axis=1)
        for k in (least + np.flatnonzero(near)).tolist():
            level, piece = self.walks[k]
            points = piece.points
            if (
                piece.slot
                or len(points) < 8
                or (level in self.floors and most < SPARED * DEEP * self.rules.radius)
            ):
                continue
            first = 2
            if k == least and len(cells):
                away, _ = cKDTree(cells).query(points)
                half = math.sqrt(0.5) * self.cell + EDGE * self.frame.hd
                took = np.flatnonzero(away <= self.rules.radius + half)
                first = int(took[-1]) + 1 if len(took) else 2
            extra = np.hypot(*(points - start).T) + np.hypot(*(points - end).T)
            extra[:first] = extra[-2:] = math.inf
            m = int(np.argmin(extra))
            # where the visit would still brush what the walk takes next, a little later
            for later in LATER:
                q = m + round(later * self.rules.radius / self.rules.step)
                if q < len(points) and extra[q] <= most:
                    found.append((float(extra[q]), k, q))
        return found

    def _put(self, k: int, m: int | None, visit: list[Climb], on: Climb) -> None:
        """Put a visit before walk ``k``, or after step ``m`` of it; ``on`` is what then follows."""
        if m is None:
            self.walks[k] = on
            self.cost[k] = _cost(visit[-1][1].points[-1], on[1])
            self._insert(k, visit)
            return
        level, piece = self.walks[k]
        head = replace(piece, points=piece.points[: m + 1], arcs=piece.arcs[: m + 1])
        name = self.names[k]
        self._insert(k, [(level, head), *visit, on])
        place = k + len(visit) + 2  # of the whole walk, which goes
        del self.walks[place], self.names[place]
        self.rows = np.delete(self.rows, place, axis=0)
        self.cost = np.delete(self.cost, place)
        self.names[place - 1] = name  # the ground of the whole is taken with its latter part

    # -- ground ----------------------------------------------------------------------------------

    def _latest(self, visit: list[Climb]) -> tuple[int, Points]:
        """Place of the last walk that takes ground under a visit, and the middles (n, 2) of cells there."""
        rank = self._rank()
        self._show(rank)
        f, half = self.frame, math.sqrt(0.5) * self.cell + EDGE * self.frame.hd
        points = [self._thinned(piece, 2 * THIN) for _, piece in visit]
        points += [dense(piece.way) for _, piece in visit[1:] if piece.way is not None]
        window, near = self._touched(np.concatenate(points), self.rules.radius + half)
        names = self.owner[window]
        taken = near & (names >= 0)
        if not taken.any():
            return 0, np.zeros((0, 2))
        places_ = np.where(taken, rank[names], -1)
        least = int(places_.max())
        i, j = np.nonzero(places_ == least)
        x = f.x0 + self.cell * (window[1].start + j + 0.5)
        y = f.y0 + self.cell * (window[0].start + i + 0.5)
        return least, np.stack([x, y], axis=1)

    def _rank(self) -> NDArray[np.int64]:
        """Place of each walk by its name."""
        rank = np.full(self.count, -1, np.int64)
        rank[self.names] = np.arange(len(self.names))
        return rank

    def _show(self, rank: NDArray[np.int64]) -> None:
        """Take new walks into the map of owners."""
        half = math.sqrt(0.5) * self.cell + EDGE * self.frame.hd
        flat = min(self.rules.floor_radius, self.rules.radius) - half
        for k, name in enumerate(self.names):
            if name in self.shown:
                continue
            self.shown.add(name)
            points = self._thinned(self.walks[k][1], 2 * THIN)
            window, near = self._touched(points, self.rules.radius + half)
            owner, done = self.owner[window], self.done[window]
            last = np.where(owner >= 0, rank[owner], -1)
            owner[near & ~done & (last < k)] = name
            if flat > 0.0:
                done |= self._touched(points, flat, window)[1]

    def _touched(
        self, points: Points, reach: float, window: tuple[slice, slice] | None = None
    ) -> tuple[tuple[slice, slice], NDArray[np.bool_]]:
        """Cells whose middle lies less than ``reach`` from one of ``points``: part of the map, and which."""
        f = self.frame
        if window is None:
            low = np.floor((points.min(axis=0) - reach - (f.x0, f.y0)) / self.cell).astype(int)
            high = np.ceil((points.max(axis=0) + reach - (f.x0, f.y0)) / self.cell).astype(int) + 1
            (j0, i0), (j1, i1) = np.maximum(low, 0).tolist(), np.maximum(high, 0).tolist()
            window = slice(i0, min(i1, self.done.shape[0])), slice(j0, min(j1, self.done.shape[1]))
        rows, cols = window
        near = np.zeros((rows.stop - rows.start, cols.stop - cols.start), np.uint8)
        places.touch(f.x0, f.y0, self.cell, rows.start, cols.start, reach, np.ascontiguousarray(points), near)
        return window, near > 0

    def _thinned(self, piece: Piece, thin: int = THIN) -> Points:
        """Points of a walk and of its entry, thinned."""
        points = np.concatenate([piece.points[:-1:thin], piece.points[-1:]])
        return (
            points if piece.entry is None else np.concatenate([self.work.entry_path(piece.entry)[0], points])
        )

    # -- ways ------------------------------------------------------------------------------------

    def _joined(self, visit: list[Climb], k: int, m: int | None) -> tuple[list[Climb], Climb, float] | None:
        """A visit before walk ``k``, or after step ``m`` of it: with its way, what follows, what it costs."""
        at, head, on = self.walks[k - 1], [], self.walks[k]
        ground, done = self._ground(k)
        if m is not None:
            level, piece = self.walks[k]
            at = level, replace(piece, points=piece.points[: m + 1], arcs=piece.arcs[: m + 1])
            head = [at]
            rolled = self._rolled(level, piece, m)
            if rolled is None:
                return None
            on = level, rolled
        into = self._way(ground, done, head, at, visit[0], WINDOW)
        if into is None:
            return None
        first = visit[0][0], replace(visit[0][1], way=into[0], way_arc=into[1])
        cost = path_length(into[0]) - (self.cost[k] if m is None else 0.0)
        if m is not None or on[1].way is not None:
            out = self._way(ground, done, [*head, *visit], visit[-1], on, WINDOW)
            if out is None:
                return None
            on = on[0], replace(on[1], way=out[0], way_arc=out[1])
        cost += _cost(visit[-1][1].points[-1], on[1])
        return [first, *visit[1:]], on, float(cost)

    def _rolled(self, level: int, piece: Piece, m: int) -> Piece | None:
        """The rest of a walk from step ``m`` on, with a short way to roll in from beside its own trail."""
        r, points = self.rules, piece.points
        back = max(0, m - math.ceil(LEAD * r.radius / r.step))
        ahead = points[m] - points[back]
        far = float(np.hypot(*ahead))
        if far < 1e-9:
            return None
        free = self._side(level, points[back], ahead)
        off = points[back] + free * ASIDE * r.radius * np.array([-ahead[1], ahead[0]]) / far
        count = max(2, math.ceil(far / r.step))
        lead = off + np.linspace(0.0, 1.0, count + 1)[:, None] * (points[m] - off)
        sd = self.frame.sampled(self._room(level), lead)
        if sd.min() < min(r.eps, float(sd[-1])) - 1e-6:
            return None
        arcs = np.concatenate([np.zeros(len(lead)), piece.arcs[m + 1 :]])
        return replace(piece, points=np.concatenate([lead, points[m + 1 :]]), arcs=arcs, entry=None)

    def _side(self, level: int, p: Points, ahead: Points) -> float:
        """The side of a walk that is free: away from material; where both ways are walked, from the wall."""
        if not self.rules.both:
            return float(self.rules.side)
        f, step = self.frame, self.frame.h * np.array([-ahead[1], ahead[0]]) / float(np.hypot(*ahead))
        sd = [
            self._room(level)[tuple(np.rint((q[::-1] - (f.y0, f.x0)) / f.h).astype(int))]
            for q in (p + 2.0 * step, p - 2.0 * step)
        ]
        return 1.0 if sd[0] >= sd[1] else -1.0

    def _rejoin(self, level: int, piece: Piece) -> Way | None:
        """The way on from the last walk, where others went before that have been moved."""
        ground, done = self._ground(len(self.walks))
        return self._way(ground, done, [], self.walks[-1], (level, piece), REJOIN)

    def _ground(self, k: int) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
        """A map with much of what is swept before walk ``k``, and the places of the walks that it lacks."""
        fresh = np.array(self.names) >= self.fresh
        if self.swept is not None and fresh[k:].all():
            return self.swept, np.flatnonzero(fresh[:k])
        return self.before, np.arange(k)

    def _way(
        self,
        ground: NDArray[np.float32],
        done: NDArray[np.int64],
        more: list[Climb],
        at: Climb,
        to: Climb,
        most: float,
    ) -> Way | None:
        """Way from the end of a walk to the beginning of another, None if there is none.

        ``ground`` is the map before walks ``done``, by place, and ``more`` are cut. ``most`` of the radius
        squared: ground that may be looked at.
        """
        f, r, top = self.frame, self.rules, max(at[0], to[0])
        ends = np.stack([at[1].points[-1], to[1].points[0]])
        part, nodes, fine = f.part(ends, ROUND * r.radius)
        if part.nx * part.ny * f.h**2 > most * r.radius**2:
            return None
        d2 = ground[fine].copy()
        rim = r.radius + 3.0 * f.hd
        least = np.array([part.x0, part.y0]) - rim
        upper = np.array([part.x0 + f.h * part.nx, part.y0 + f.h * part.ny]) + rim
        rows = self.rows[done]
        near = done[((rows[:, 0] <= upper) & (rows[:, 1] >= least)).all(axis=1)]
        for level, piece in [*(self.walks[k] for k in near.tolist()), *more]:
            if level <= top:
                points = self._thinned(piece)
                points = points[((points >= least) & (points <= upper)).all(axis=1)]
                if len(points):
                    march.stamp_path(d2, part.x0, part.y0, f.hd, rim, np.ascontiguousarray(points))
        rooms = [f.fenced(self._room(k), nodes, rim) for k in {0, at[0], to[0]}]
        level = Level(np.maximum.reduce(rooms), np.zeros((0, 2)), np.zeros(1, np.int64))
        return self._found(part, d2, level, at[1].points[-1], to[1].points[0])

    def _found(
        self, part: Frame, d2: NDArray[np.float32], level: Level, at: Points, to: Points
    ) -> Way | None:
        from .rings import Clearing

        local = Clearing(part, d2, self.rules)
        if not local.is_clear(to, 0.0):  # as planned, to within what cells show
            return None
        straight = np.stack([at, to])
        if fits(part, [level.sd], straight, local.rules.eps):
            found = ways.tested(local, straight)
            if found is not None:
                return found
        local.start(level)
        return ways.route(local, level, at, to)

    def _room(self, level: int) -> NDArray[np.float32]:
        """Signed distance to what bounds the centre at a level."""
        if level not in self.rooms:
            self.rooms[level] = self.region(level).sd
        return self.rooms[level]


def _cost(at: Points | None, piece: Piece) -> float:
    """Length of the way to a walk, mm, a lift for what it is worth; straight where it begins elsewhere."""
    far = 0.0 if at is None else _apart(at, piece.points[0])
    if piece.way is None:
        return LIFT + far
    return path_length(piece.way) if at is None or np.abs(piece.way[0] - at).max() == 0.0 else far


def _apart(a: Points, b: Points) -> float:
    return float(np.hypot(*(a - b)))
