"""Exact boundary of the plan area that a cutter can reach at one height: rings of points on its free side.

The height map tells which nodes are free; the boundary runs between free and blocked ones. Each crossing
moves from the blocked node to where the last triangle lets go; chords that stray get points between.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from zrough.grid import Grid

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]
Mask = NDArray[np.bool_]

HALVINGS = 10  # a chord is halved at most this often
SPREAD = 1.5  # of a chord's length: the boundary is looked for this far beside its middle
SAME = 1e-9  # mm, points closer than this are one

Spread = Callable[[Callable[[int, int], None], int, int], None]
SEARCHED, LOOKED_AT = 256, 4096  # points that are worth a thread of their own


@dataclass(frozen=True)
class Touch:
    """One cutter at one height: which triangle is in the way.

    arrays : tree and cutter as the kernels want them. z : mm, the tip height. spread : runs
    ``work(first, last)`` over 0..n in threads, so many at a time.
    """

    arrays: tuple[Any, ...]
    z: float
    spread: Spread

    def blocked(self, xy: Floats, hint: Counts | None = None) -> Counts:
        """A triangle that lifts the cutter above z at each of ``xy`` (n, 2), -1 where none does.

        ``hint`` (n,): triangles that are tried first, or -1.
        """
        from zrough.kernels import contact

        return self._probe(contact.BLOCKED, xy, hint)

    def blocked_by(self, xy: Floats, wall: Counts) -> Mask:
        """Whether the triangles ``wall`` (n,) lift the cutter above z at ``xy`` (n, 2)."""
        from zrough.kernels import contact

        found: Mask = self._probe(contact.KNOWN, xy, wall) >= 0
        return found

    def _probe(self, what: int, xy: Floats, hint: Counts | None) -> Counts:
        from zrough.kernels import contact

        points = np.ascontiguousarray(xy)
        walls = np.full(len(points), -1, np.int64) if hint is None else hint.astype(np.int64)
        tips = np.full(len(points), self.z)

        def part(first: int, last: int) -> None:
            contact.probe(what, points, tips, walls, first, last, *self.arrays)

        self.spread(part, len(points), LOOKED_AT if what == contact.KNOWN else SEARCHED)
        return walls

    def leave(self, start: Floats, end: Floats, wall: Counts, tolerance: float) -> tuple[Floats, Counts]:
        """Ways from ``start`` to ``end`` (n, 2), where ``wall`` (n,) blocks the start, -1 where nothing does.

        Returns the share of each way at which the cutter stands free, within ``tolerance`` mm on the free
        side, and the triangle passed last, -1 for none.
        """
        from zrough.kernels import contact

        tris, _, _, cutter, table = self.arrays
        share = np.zeros(len(start))
        last = wall.astype(np.int64)
        going = np.flatnonzero(last >= 0)
        now = last[going]
        while len(going) > 0:
            last[going] = now
            at, way, gone = start[going], end[going] - start[going], share[going]

            def part(a: int, b: int, args: tuple[Any, ...] = (at, way, gone, now)) -> None:
                contact.slide(*args, self.z, tolerance, a, b, tris, cutter, table)

            self.spread(part, len(going), LOOKED_AT)
            share[going] = gone
            short = gone < 1.0
            going = going[short]
            now = self.blocked(at[short] + gone[short, None] * way[short])
            still = now >= 0
            going, now = going[still], now[still]
        return share, last


def crossings(
    touch: Touch, pairs: NDArray[np.int32], solid: NDArray[np.uint8], grid: Grid, tolerance: float
) -> tuple[Floats, Counts]:
    """Ring vertices (n, 2) on the crossed grid edges, and the triangle that blocks beside each.

    pairs : (n, 2) free and blocked node, flat index in ``solid``, which has a frame one node wide and is 1
    where the surface itself blocks. A crossing towards a node that is only the frame, or free but not
    accepted, stands on the free node, triangle -1.
    """
    width = solid.shape[1]
    corner = np.array([grid.x0 - grid.cell, grid.y0 - grid.cell])
    free, shut = (
        corner + grid.cell * np.stack((node % width, node // width), axis=1)
        for node in (pairs[:, 0], pairs[:, 1])
    )
    walls = np.full(len(pairs), -1, np.int64)
    points = free.copy()
    real = np.flatnonzero(solid.ravel()[pairs[:, 1]])
    if len(real) > 0:
        first = touch.blocked(shut[real])
        share, walls[real] = touch.leave(shut[real], free[real], first, tolerance)
        points[real] = np.where(
            share[:, None] < 1.0, shut[real] + share[:, None] * (free[real] - shut[real]), free[real]
        )
    return points, walls


def bends(
    touch: Touch, points: Floats, follower: Counts, walls: Counts, chord: float, tolerance: float
) -> tuple[Floats, Counts, Floats]:
    """Points between ring vertices and their followers where the chord strays by more than ``chord`` mm.

    Returns the points (m, 2), the vertex before each, and a number by which points behind the same vertex
    are put in order. The middle of a chord shows at least half of the greatest distance to a boundary that is
    convex to one side, hence half the tolerance there.
    """
    owner = np.flatnonzero((walls >= 0) & (walls[follower] >= 0))
    p, q = points[owner], points[follower[owner]]
    low, high = np.zeros(len(owner)), np.ones(len(owner))
    found: list[tuple[Floats, Counts, Floats]] = []
    for _ in range(HALVINGS):
        if len(owner) == 0:
            break
        pair = np.stack((walls[owner], walls[follower[owner]]), axis=1)
        strays, between = _beside(touch, p, q, pair, 0.5 * chord, tolerance)
        owner, p, q, low, high = owner[strays], p[strays], q[strays], low[strays], high[strays]
        middle, between = 0.5 * (low + high), between[strays]
        found.append((between, owner, middle))
        p, q = np.concatenate((p, between)), np.concatenate((between, q))
        low, high = np.concatenate((low, middle)), np.concatenate((middle, high))
        owner = np.concatenate((owner, owner))
    if not found:
        return np.empty((0, 2)), np.empty(0, np.int64), np.empty(0)
    every = [np.concatenate(part) for part in zip(*found, strict=True)]
    return every[0], every[1], every[2]


def _beside(
    touch: Touch, p: Floats, q: Floats, pair: Counts, chord: float, tolerance: float
) -> tuple[Mask, Floats]:
    """Whether the boundary runs more than ``chord`` beside the middle of p-q, and a point of it there.

    ``pair`` (n, 2): triangles that block beside the two ends; they answer most questions without a search.
    """
    strays = np.zeros(len(p), np.bool_)
    between = np.full((len(p), 2), np.nan)
    step = q - p
    length = np.hypot(step[:, 0], step[:, 1])
    asked = np.flatnonzero(length > 2.0 * chord)
    # towards the blocked side: the free one lies to the left
    normal = np.stack((step[asked, 1], -step[asked, 0]), axis=1) / length[asked, None]
    middle = 0.5 * (p[asked] + q[asked])
    outside, inside = middle + chord * normal, middle - chord * normal
    shut = touch.blocked(outside, pair[asked, 0]) >= 0

    def settle(which: Counts, start: Floats, end: Floats, wall: Counts) -> None:
        share, _ = touch.leave(start, end, wall, tolerance)
        strays[which] = share < 1.0
        between[which] = start + share[:, None] * (end - start)

    # blocked outside: does the chord cut into the blocked side?
    cuts = np.flatnonzero(shut)
    wall = touch.blocked(inside[cuts])
    cuts, wall = cuts[wall >= 0], wall[wall >= 0]
    beyond = middle[cuts] - SPREAD * length[asked[cuts], None] * normal[cuts]
    settle(asked[cuts], inside[cuts], beyond, wall)
    # free outside: where does the blocked side begin?
    far = np.flatnonzero(~shut)
    ahead, wall = _first_blocked(
        touch, middle[far], normal[far], SPREAD * length[asked[far]], pair[asked[far]], 2.0 * chord
    )
    met = wall >= 0
    far = far[met]
    settle(asked[far], ahead[met], outside[far], wall[met])
    return strays, between


def _first_blocked(
    touch: Touch, middle: Floats, normal: Floats, reach: Floats, pair: Counts, step: float
) -> tuple[Floats, Counts]:
    """The first blocked point on the way from ``middle`` along ``normal``, and what blocks it (-1: none).

    Steps double from ``step`` up to ``reach`` (n,). The triangles of ``pair`` (n, 2) are asked at every step
    before all the others are.
    """
    at = middle.copy()
    wall = np.full(len(middle), -1, np.int64)
    for known in (True, False):
        d = step
        left = np.flatnonzero((wall < 0) & (reach >= d))
        while len(left) > 0:
            xy = middle[left] + d * normal[left]
            if known:
                one, two = pair[left, 0], pair[left, 1]
                met = np.where(touch.blocked_by(xy, one), one, -1)
                met = np.where((met < 0) & touch.blocked_by(xy, two), two, met)
            else:
                met = touch.blocked(xy)
            hit = met >= 0
            at[left[hit]], wall[left[hit]] = xy[hit], met[hit]
            d *= 2.0
            left = left[~hit]
            left = left[reach[left] >= d]
    return at, wall


def join(points: Floats, extra: tuple[Floats, Counts, Floats], offsets: Counts) -> tuple[Floats, Counts]:
    """Ring vertices with the points put between them, and offsets; repeated points, empty rings dropped."""
    if len(points) == 0:
        return np.empty((0, 2)), np.zeros(1, np.int64)
    between, owner, place = extra
    vertex = np.concatenate((np.arange(len(points)), owner))
    order = np.lexsort((np.concatenate((np.zeros(len(points)), place)), vertex))
    merged = np.concatenate((points, between))[order]
    ring = np.repeat(np.arange(len(offsets) - 1), np.diff(offsets))[vertex[order]]
    starts = np.searchsorted(ring, np.arange(len(offsets)))
    before = np.arange(-1, len(merged) - 1)
    before[starts[:-1]] = starts[1:] - 1
    keep = np.abs(merged - merged[before]).max(axis=1) > SAME
    merged, ring = merged[keep], ring[keep]
    sizes = np.bincount(ring, minlength=len(offsets) - 1)
    good = sizes >= 3
    return merged[good[ring]], np.concatenate(([0], np.cumsum(sizes[good]))).astype(np.int64)
