"""Order of climb walks: by place, as far up as one can go, then on to the next place.

The clearing engine works height by height, so that short walls far apart cost a way each at every climb
level. Here the walks between two floors of a band are put into another order, and given new ways
(`shortways`).

What a walk met when it was planned it must meet again: one that takes ground which a later one covers, on its
path or on its hops, stays before it. Ground that a walk never covers cannot change the arc it cuts. A higher
walk that now comes before a lower one takes nothing that the lower one covers, so nothing is undercut either.

Whether it is worth looking is asked of lengths and distances alone, before any map is made but for a copy of
the swept one; the new order is kept if its ways are shorter.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .kernels import places
from .pieces import Level, Piece, Points, path_length
from .rings import Clearing
from .shortways import NEAR, Cells, Ground, Walk
from .visits import LIFT, Climb, Visits

FAR = 0.5  # ways shorter than this, for the length of the walks, are left as they are
LIKELY = 0.8  # of the ways of the order by height: what a guess must come to
WORTH = 0.05  # of the path of the band so far: what a guess must save
BETTER = 0.9  # of the ways of the order by height: where less is not saved, it stays
RUNS = np.array([1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48])  # walks moved together
ROUNDS, MANY = 20, 400  # most rounds of moves; fewer where there are more walks than this
MOST = 20_000_000  # nodes of the swept map: a second one, and those of all levels, would take too much memory
MOST_VISITED = 6_000_000  # the same for visits, which keep the map that the band began with, too
CROWD = 3000  # the same of walks, for what lies between each and every other


class Places:
    """Collects the walks of one band while it is cleared, and puts them by place.

    ``region`` makes the ground of a level anew, by its index in the band.
    """

    def __init__(self, work: Clearing, region: Callable[[int], Level]) -> None:
        self.work = work
        self.region = region
        self.visits = Visits(work, region) if work.d2.size <= MOST_VISITED else None
        self.done: list[Climb] = []  # in order, where there are no visits
        self.floors = {0}
        self.moved = False
        self.walks: list[Climb] = []  # since the floor cleared last
        self.path = 0.0  # of all walks with their ways, mm
        self.floor = 0
        self.swept: NDArray[np.float32] | None = None  # when that floor was done
        self.start: Points | None = None  # where the cutter stood then
        self.at: Points | None = None

    def after(self, level: int, floor: bool, pieces: list[Piece], following: int = 2) -> None:
        """A level has been cut: its index in the band, whether it leaves a floor, and its walks.

        ``following``: levels that come up to the next floor, that one included. Walks of one alone stay.
        """
        self.walks += [(level, piece) for piece in pieces]
        for piece in pieces:
            self.path += path_length(piece.points) + (0.0 if piece.way is None else path_length(piece.way))
            self.at = piece.points[-1]
        if not level or floor:
            self.floors.add(level)
            self._close(last=False)
            self.floor, self.start = level, self.at
            wanted = self.work.d2.size <= MOST and (following > 1 or self.visits is not None)
            self.swept = self.work.d2.copy() if wanted else None

    def order(self) -> list[Climb] | None:
        """All walks of the band in their new order; None = as they are."""
        self._close(last=True)
        if self.visits is None:
            return self.done if self.moved else None
        return self.visits.walks if self.moved or self.visits.moved else None

    def _close(self, last: bool) -> None:
        """Put the walks since the last floor in order; ``last``: no others will follow."""
        walks, self.walks = self.walks, []
        if self.swept is not None and self._spread(walks):
            found = self._sorted(self.swept, walks, last)
            if _ways(self.start, found) < BETTER * _ways(self.start, walks):
                walks, self.moved = found, True
        if self.visits is None:
            self.done += walks
        else:
            self.visits.add(walks, self.floors, self.swept)

    def _spread(self, walks: list[Climb]) -> bool:
        """True if ways are long for their walks, and look much shorter by place."""
        if len(walks) > CROWD or len({level for level, _ in walks}) < 2:
            return False
        ways = _ways(self.start, walks)
        if ways < max(FAR * sum(path_length(piece.points) for _, piece in walks), WORTH * self.path):
            return False
        start = walks[0][1].points[:1] if self.start is None else self.start[None]
        ends = np.concatenate([*(piece.points[-1:] for _, piece in walks), start])
        away = _apart(ends, np.array([piece.points[0] for _, piece in walks]))
        order = _nearest_first(_neighbours(walks, self.work.whole.radius), away)
        guess = float(away[[len(walks), *order[:-1]], order].sum())
        return guess < min(LIKELY * ways, ways - WORTH * self.path)

    def _sorted(self, swept: NDArray[np.float32], climbs: list[Climb], last: bool) -> list[Climb]:
        """All walks in the new order, with their ways."""
        levels = {self.floor, *(level for level, _ in climbs)}
        rooms = {level: self.region(level) for level in levels}
        ground = Ground(self.work.frame, self.work.whole, swept, self.floor, rooms)
        walks = [Walk(*climb) for climb in climbs]
        at = climbs[0][1].points[:1] if self.start is None else self.start[None]
        start = Walk(self.floor, Piece(at, np.zeros(1), None))
        ground.replay(start, walks)
        first = _constraints([walk.takes for walk in walks], ground.covered(walks))
        if not last:
            first[:-1, -1] = 1  # what follows was planned from there
        order = shortest(first, _costs(start, walks, NEAR * self.work.whole.radius))
        return _with_ways(ground, None if self.start is None else start, walks, order)


def _ways(at: Points | None, walks: list[Climb]) -> float:
    """Length of all ways of walks in their order, lifts for what they are worth."""
    total = 0.0
    for _, piece in walks:
        if piece.way is not None:
            total += path_length(piece.way)
        else:
            total += LIFT + (0.0 if at is None else math.hypot(*(at - piece.points[0])))
        at = piece.points[-1]
    return total


def _neighbours(walks: list[Climb], near: float) -> NDArray[np.uint8]:
    """About what `_constraints` would say: which walk comes ``near`` to a later one, and so before it."""
    from scipy.spatial import cKDTree

    step = [max(1, int(near / 4.0 / max(path_length(p.points) / len(p.points), 1e-9))) for _, p in walks]
    thin = [np.concatenate([p.points[:-1:k], p.points[-1:]]) for k, (_, p) in zip(step, walks, strict=True)]
    whose = np.repeat(np.arange(len(walks)), [len(points) for points in thin])
    pairs = cKDTree(np.concatenate(thin)).query_pairs(near, output_type="ndarray")
    first = np.zeros((len(walks), len(walks)), np.uint8)
    first[whose[pairs[:, 0]], whose[pairs[:, 1]]] = 1  # points are numbered walk by walk
    return np.triu(first, 1)


def _constraints(takes: list[Cells], covers: list[Cells]) -> NDArray[np.uint8]:
    """Which walk (row) must come before which (column): those that cover what it takes wait for it."""
    from scipy.sparse import csr_array

    size = 1 + max(int(cells.max(initial=0)) for cells in takes)

    def table(cells: list[Cells]) -> csr_array:
        flat = np.concatenate(cells)
        ends = np.cumsum([0, *map(len, cells)])
        return csr_array((np.ones(len(flat), np.int32), flat, ends), shape=(len(cells), size))

    shared = (table(takes) @ table(covers).T).toarray() > 0
    return np.asarray(np.triu(shared, 1), np.uint8)


def _costs(start: Walk, walks: list[Walk], near: float) -> NDArray[np.float64]:
    """Length of the way from each walk, and last of all from ``start``, to each walk (n + 1, n); about."""
    of = [*walks, start]
    ends = np.array([walk.piece.points[-1] for walk in of])
    to = np.array([walk.piece.points[0] for walk in walks])
    away = _apart(ends, to)
    cost = LIFT + away
    hops_out = [(k, walk.out) for k, walk in enumerate(of) if walk.out is not None]
    hops_in = [(k, walk.into) for k, walk in enumerate(walks) if walk.into is not None]
    if hops_out and hops_in:
        a, b = [k for k, _ in hops_out], [k for k, _ in hops_in]
        p, q = np.array([hop.node for _, hop in hops_out]), np.array([hop.node for _, hop in hops_in])
        over = np.hypot(*(p - ends[a]).T)[:, None] + _apart(p, q) + np.hypot(*(q - to[b]).T)
        joined = np.array([h.patch for _, h in hops_out])[:, None] == [h.patch for _, h in hops_in]
        both = np.ix_(a, b)
        cost[both] = np.where(joined, np.minimum(over, cost[both]), cost[both])
    cost = np.where(away < near, away, cost)
    for k, walk in enumerate(walks):
        if walk.follows and walk.piece.way is not None:
            cost[k - 1, k] = path_length(walk.piece.way)  # the row before the first is the last, the start's
    return cost


def _apart(a: Points, b: Points) -> NDArray[np.float64]:
    """Distances (n, m) of points (n, 2) from points (m, 2)."""
    return np.hypot(a[:, None, 0] - b[:, 0], a[:, None, 1] - b[:, 1])


def shortest(first: NDArray[np.uint8], cost: NDArray[np.float64]) -> list[int]:
    """The order with the shortest ways that was found.

    ``first (n, n)`` 1 where the row's walk must come before the column's, which the order 0, 1, .. obeys;
    ``cost (n + 1, n)`` mm from a walk (row n: from the start) to another.
    """
    n = len(first)
    rounds = max(1, min(ROUNDS, int(ROUNDS * (MANY / n) ** 2)))
    tries = [np.arange(n), _nearest_first(first, cost)]
    for order in tries:
        places.shorten(cost, first, order, RUNS, rounds)
    best = min(tries, key=lambda o: float(cost[n, o[0]] + cost[o[:-1], o[1:]].sum()))
    return [int(k) for k in best]


def _nearest_first(first: NDArray[np.uint8], cost: NDArray[np.float64]) -> NDArray[np.int64]:
    """Walks in an order in which each is the nearest that may come next."""
    n = len(first)
    waits = first.sum(axis=0).astype(np.int64)
    ready = waits == 0
    order = np.empty(n, np.int64)
    at = n
    for k in range(n):
        at = int(np.argmin(np.where(ready, cost[at], np.inf)))
        order[k] = at
        ready[at] = False
        waits -= first[at]
        ready |= (waits == 0) & (first[at] > 0)
    return order


def _with_ways(ground: Ground, start: Walk | None, walks: list[Walk], order: list[int]) -> list[Climb]:
    """Walks in ``order``, each with a way from the one before it; ``start``: None = from afar."""
    out: list[Climb] = []
    cut = np.zeros(len(walks), bool)
    last, at = -1, start
    for k in order:
        walk, piece = walks[k], walks[k].piece
        if last + 1 != k or not walk.follows:
            way = None if at is None or piece.entry is not None else ground.way(at, walk, cut)
            piece = replace(
                piece, way=None if way is None else way[0], way_arc=0.0 if way is None else way[1]
            )
        out.append((walk.level, piece))
        cut[k] = True
        last, at = k, walk
    return out
