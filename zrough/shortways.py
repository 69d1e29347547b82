"""Ways between walks that are cut in another order than they were planned in.

A way runs over ground that is clear when it is travelled, no lower than either of its ends: straight from
walk to walk or round a wall's bulge where they are near, else over the floor below them. From that floor a
straight hop leads to the ends of a walk, which stand where climb levels have cleared.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from . import ways
from .kernels import march, places
from .pieces import Frame, Level, Piece, Points, Rules
from .rings import Clearing

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

REACH = 1.5  # radii: longest hop
NEAR = 8.0  # radii: walks less apart are joined by a way that need not go over the floor
ROUND = 3.0  # radii: how far round its ends ground is looked at; a way may swing out one radius less
WIDE = 4.0  # radii: clear ground less than such a square is joined to nothing, most likely
TRIES = 12  # nearest clear nodes that are tried for a hop
AWAY = 0.25  # mm between tested points of a way
THIN = 3  # one point of a walk in so many is swept again; the radius bridges what lies between
EDGE = 1.5  # nodes of swept rim that count as taken: films between nodes lie there
COARSE = 0.06  # of the radius: cells by which walks are asked whether they share ground

Cells = NDArray[np.int64]
Way = tuple[Points, float]  # and the largest arc that it brushes, rad


@dataclass(frozen=True)
class Hop:
    """A straight way between an end of a walk and ``node`` (x, y) of a ``patch`` of clear floor."""

    node: Points
    patch: int
    arc: float


@dataclass
class Walk:
    """A walk: ``level`` its index in the band, ``into`` and ``out`` its hops, None where there is none.

    ``swept (n, 2)`` points of it and of its entry, thinned; ``takes`` the cells that it is first to sweep.
    """

    level: int
    piece: Piece
    into: Hop | None = None
    out: Hop | None = None
    swept: Points = field(default_factory=lambda: np.zeros((0, 2)))
    takes: Cells = field(default_factory=lambda: np.zeros(0, np.int64))

    @property
    def follows(self) -> bool:
        """True if there is a way to it from the walk planned before it alone."""
        return self.piece.way is not None and self.into is None

    @property
    def touched(self) -> Points:
        """Points of the walk, of its hops, and of a way that it must keep."""
        piece, found = self.piece, [self.swept]
        if self.into is not None:
            found.append(_straight(self.into.node, piece.points[0]))
        if self.out is not None:
            found.append(_straight(self.out.node, piece.points[-1]))
        if self.follows and piece.way is not None:
            found.append(dense(piece.way))
        return np.concatenate(found)


class Ground:
    """What climb walks find: the floor below them, and what they have cleared.

    ``swept`` the map when that floor, level ``floor`` of the band, was done; ``rooms`` by level the signed
    distance to what bounds the centre.
    """

    def __init__(
        self, frame: Frame, rules: Rules, swept: NDArray[np.float32], floor: int, rooms: dict[int, Level]
    ) -> None:
        from scipy.ndimage import label

        f = self.frame = frame
        self.rules = rules
        self.floor = floor
        self.rooms = rooms
        self.clear = Clearing(frame, swept, rules)
        self.clear.start(rooms[floor])
        number, _ = label((self.clear.free > 0) & (self.clear.blk == 0), structure=np.ones((3, 3)))
        wide = np.bincount(number.ravel()) * f.hb**2 >= (WIDE * rules.radius) ** 2
        wide[0] = False
        i, j = np.nonzero(wide[number])
        self.nodes = np.stack([f.x0 + f.hb * j, f.y0 + f.hb * i], axis=1)
        self.patches = number[i, j].tolist()
        self.cell = COARSE * rules.radius
        self.columns = math.ceil(f.fine[1] * f.hd / self.cell) + 1

    # -- as planned ------------------------------------------------------------------------------

    def replay(self, start: Walk, walks: list[Walk]) -> None:
        """Cut the walks once more as they were planned, for their hops and the ground that each takes.

        ``start`` is where the cutter stood when the floor was done.
        """
        from scipy.spatial import cKDTree

        tree = cKDTree(self.nodes)
        now = Clearing(self.frame, self.clear.d2.copy(), self.rules)
        start.out = self._hop(tree, now, start, into=False)
        for walk in walks:
            entry, points = walk.piece.entry, walk.piece.points
            walk.swept = np.concatenate([points[:-1:THIN], points[-1:]])
            if entry is None:
                walk.into = self._hop(tree, now, walk, into=True)
            else:
                walk.swept = np.concatenate([now.entry_path(entry)[0], walk.swept])
            walk.takes = self._sweep(now, walk)
            walk.out = self._hop(tree, now, walk, into=False)
        self._remember(walks)

    def _sweep(self, now: Clearing, walk: Walk) -> Cells:
        """Cells of the ground that a walk takes from ``now``."""
        f, r = self.frame, self.rules
        rows, cols = self._window(walk.swept)
        before = now.d2[rows, cols].copy()
        march.stamp_path(now.d2, f.x0, f.y0, f.hd, r.radius + 3.0 * f.hd, walk.swept)
        # what goes along no wall may take the ridges between passes
        film = r.radius - EDGE * f.h
        least = film if walk.piece.wall else min(r.floor_radius, film)
        i, j = np.nonzero((now.d2[rows, cols] < before) & (before > np.float32(least**2)))
        k = f.hd / self.cell
        i, j = ((i + rows.start) * k).astype(np.int64), ((j + cols.start) * k).astype(np.int64)
        return np.unique(i * self.columns + j)

    def _hop(self, tree: cKDTree, now: Clearing, walk: Walk, into: bool) -> Hop | None:
        """The hop to where a walk begins, or from where it ends."""
        f, r = self.frame, self.rules
        end = walk.piece.points[0 if into else -1]
        _, near = tree.query(end, k=TRIES, distance_upper_bound=REACH * r.radius)
        for k in near[near < len(self.nodes)].tolist():
            node = self.nodes[k]
            way = np.stack([node, end] if into else [end, node])
            # not even what the coarse maps overlook may touch the cutter there
            clear = march.first_clear(self.clear.d2, f.x0, f.y0, f.hd, r.radius, r.radius, f.hd, node[None])
            if clear == 0 and self._fits(way, walk.level):
                tested = ways.tested(now, way)
                if tested is not None:
                    return Hop(node, self.patches[k], tested[1])
        return None

    def covered(self, walks: list[Walk]) -> list[Cells]:
        """Which of the cells that some walk takes each walk touches, also on its hops."""
        f, cell = self.frame, self.cell
        taken = np.unique(np.concatenate([walk.takes for walk in walks]))
        row, column = np.divmod(taken, self.columns)
        reach = self.rules.radius + EDGE * f.h + math.sqrt(0.5) * cell
        found = []
        for walk in walks:
            points = np.ascontiguousarray(walk.touched)
            low = np.floor((points.min(axis=0) - reach - (f.x0, f.y0)) / cell).astype(int)
            high = np.ceil((points.max(axis=0) + reach - (f.x0, f.y0)) / cell).astype(int)
            (j0, i0), (j1, i1) = low.tolist(), high.tolist()
            near = np.zeros((i1 - i0 + 1, j1 - j0 + 1), np.uint8)
            places.touch(f.x0, f.y0, cell, i0, j0, reach, points, near)
            a, b = np.searchsorted(row, [i0, i1 + 1])  # cells are numbered row by row
            mine = a + np.flatnonzero((column[a:b] >= j0) & (column[a:b] <= j1))
            found.append(taken[mine[near[row[mine] - i0, column[mine] - j0] > 0]])
        return found

    # -- in another order ------------------------------------------------------------------------

    def _remember(self, walks: list[Walk]) -> None:
        """Points of the walks, to be swept again, with whose they are and at which level."""
        from scipy.spatial import cKDTree

        self.trail = cKDTree(np.concatenate([walk.swept for walk in walks]))
        self.whose = np.repeat(np.arange(len(walks)), [len(walk.swept) for walk in walks])
        self.level = np.array([walk.level for walk in walks])[self.whose]

    def way(self, at: Walk, to: Walk, cut: NDArray[np.bool_]) -> Way | None:
        """Way between two walks once those in ``cut`` are done; None if there is none."""
        end, start = at.piece.points[-1], to.piece.points[0]
        if math.hypot(*(end - start)) < NEAR * self.rules.radius:
            local, level = self._local(at, to, cut)
            way = np.stack([end, start])
            found = ways.tested(local, way) if self._fits(way, at.level, to.level) else None
            found = found or ways.route(local, level, end, start)
            if found is not None:
                return found
        if at.out is None or to.into is None:
            return None
        found = ways.route(self.clear, self.rooms[self.floor], at.out.node, to.into.node)
        if found is None:
            return None
        return np.concatenate([end[None], found[0], start[None]]), max(found[1], at.out.arc, to.into.arc)

    def _fits(self, way: Points, *levels: int) -> bool:
        """True if a way keeps off what bounds the centre at one of these levels or at the floor.

        What is free at one height is free above it, even where the level above is closed to cuts.
        """
        maps = [self.rooms[level].sd for level in {self.floor, *levels}]
        return fits(self.frame, maps, way, self.rules.eps)

    def _local(self, at: Walk, to: Walk, cut: NDArray[np.bool_]) -> tuple[Clearing, Level]:
        """The ground round the ends of two walks once those in ``cut`` are done, higher ones not counted."""
        f, r, level = self.frame, self.rules, max(at.level, to.level)
        ends = np.stack([at.piece.points[-1], to.piece.points[0]])
        reach = r.radius + 3.0 * f.hd
        part, nodes, fine = f.part(ends, ROUND * r.radius)
        half = 0.5 * f.h * np.array([part.nx, part.ny])
        middle = np.array([part.x0, part.y0]) + half
        found = self.trail.query_ball_point(middle, math.hypot(*half) + r.radius, return_sorted=True)
        near = np.array(found, np.int64)
        near = near[cut[self.whose[near]] & (self.level[near] <= level)]
        d2 = self.clear.d2[fine].copy()
        points = np.ascontiguousarray(self.trail.data[near])
        march.stamp_path(d2, part.x0, part.y0, f.hd, r.radius + 3.0 * f.hd, points)
        rooms = [f.fenced(self.rooms[k].sd, nodes, reach) for k in {self.floor, at.level, to.level}]
        ground = Level(np.maximum.reduce(rooms), np.zeros((0, 2)), np.zeros(1, np.int64))
        local = Clearing(part, d2, r)
        local.start(ground)
        return local, ground

    def _window(self, points: Points) -> tuple[slice, slice]:
        """The part of the swept map that the cutter touches along ``points``."""
        f = self.frame
        reach = self.rules.radius + 4.0 * f.hd
        low = np.floor((points.min(axis=0) - reach - (f.x0, f.y0)) / f.hd).astype(int)
        high = np.ceil((points.max(axis=0) + reach - (f.x0, f.y0)) / f.hd).astype(int) + 1
        (j0, i0), (j1, i1) = np.maximum(low, 0).tolist(), np.maximum(high, 0).tolist()
        return slice(i0, i1), slice(j0, j1)


def _straight(a: Points, b: Points) -> Points:
    n = max(2, math.ceil(math.hypot(*(b - a)) / AWAY) + 1)
    return a + np.linspace(0.0, 1.0, n)[:, None] * (b - a)


def fits(frame: Frame, maps: list[NDArray[np.float32]], way: Points, eps: float) -> bool:
    """True if a way keeps off what bounds the centre in all of these maps at once, as far as its ends do."""
    room = np.max([frame.sampled(sd, dense(way)) for sd in maps], axis=0)
    return bool(room.min() >= max(0.0, min(eps, float(room[0]), float(room[-1]))))


def dense(way: Points) -> Points:
    """Points (m, 2) along a way, no more than about `AWAY` apart, its corners among them."""
    return np.concatenate([_straight(a, b) for a, b in pairwise(way)])
