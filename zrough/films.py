"""How high it stands at the rim of a way down, as the program has cut so far.

A walk along a wall stops short of a bite too thin to be worth it, and where two walls meet it leaves more
than that. A bore that comes nearer to the wall goes through such a film, which may stand as high as the stock
and lies between the nodes of any map. So the moves themselves are asked.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]
Moves = tuple[NDArray[Any], ...]  # columns of `toolpath.Toolpath`

APART = 0.1  # mm between places that are asked, and between those of the cutter that they are asked of
INSIDE = (
    0.01,
    0.03,
    0.06,
    0.1,
    0.15,
    0.25,
    0.4,
)  # mm: how far inside the rim; maps show what stands deeper inside
WIDEST = 0.5  # mm: side of a square that is looked at as a whole
SMALLEST = 0.006  # mm: half that of one that is parted no further
RIM = 0.02  # mm inside the rim from which needles are looked for
FLAT = 1e-9  # mm: a move that rises or falls less is level


def under(corner: float, inside: Points | float) -> NDArray[np.float64]:
    """How far over its tip a cutter's underside is ``inside`` mm from its rim, mm."""
    beyond = np.clip(corner - np.asarray(inside, np.float64), 0.0, corner)
    return np.asarray(corner - np.sqrt(np.maximum(corner**2 - beyond**2, 0.0)))


def rim(a: Points, b: Points, reach: float) -> Points:
    """Places (n, 2) on the line that runs ``reach`` mm round the straight way from ``a`` to ``b``."""
    along = b - a
    length = float(np.hypot(*along))
    turn = np.arctan2(along[1], along[0]) if length > 0.0 else 0.0
    t = np.linspace(-0.5, 0.5, int(np.ceil(np.pi * reach / APART)) + 1) * np.pi + turn
    cap = reach * np.stack([np.cos(t), np.sin(t)], axis=1)
    share = np.linspace(0.0, 1.0, int(np.ceil(length / APART)) + 1)[1:-1, None]
    side = [a + share * along + off for off in (cap[:1], cap[-1:])]
    return np.concatenate([a - cap, b + cap, *side])


class Cuts:
    """The level moves of a path, to be asked what they have left; ``parts`` may grow meanwhile."""

    def __init__(self, parts: Sequence[Moves], radius: float, corner: float) -> None:
        self.parts, self.radius, self.corner = parts, radius, corner
        self.boxes = np.zeros((0, 5))  # x0, y0, x1, y1 and the lowest z of each part

    def stands(self, a: Points, b: Points, reach: float, top: float) -> float:
        """Lowest height of the tip, mm, at which it meets nothing at the rim of what it takes going down.

        The rim runs ``reach`` mm round the way from ``a`` to ``b``; ``top`` is how high it stands where
        nothing has been cut.
        """
        levels = self._levels(np.minimum(a, b) - reach, np.maximum(a, b) + reach, top)
        found = -np.inf
        for inside in INSIDE:
            if inside < reach:
                left = self._left(levels, rim(a, b, reach - inside), top)
                found = max(found, float(left.max() - under(self.corner, inside)))
        return found

    def needle(self, a: Points, b: Points, reach: float, above: float, top: float) -> float:
        """Lowest height of the tip, mm, at which it meets no needle on its way down; -inf if ``above`` is.

        Where three passes meet a needle may stay that no node shows. The way from place to place changes the
        distance to the nearest cut by no more than its own length: so ground is parted into squares, and
        those parted further that cuts do not tell to be low as a whole.
        """
        levels = self._levels(np.minimum(a, b) - reach, np.maximum(a, b) + reach, top)
        half, at, found = 0.5 * WIDEST, _squares(a, b, reach, WIDEST), -np.inf
        while len(at):
            spread = np.sqrt(2.0) * half
            inside = reach - _away(a, b, at)
            kept = inside + (spread if half > SMALLEST else 0.0) > RIM
            at, inside = at[kept], inside[kept]
            height = self._left(levels, at, top, spread) - under(self.corner, inside + spread)
            at = at[height > above]
            if half <= SMALLEST:
                found = float(height.max(initial=-np.inf))
                break
            half *= 0.5
            at = np.concatenate([at + half * np.array(way) for way in ((-1, -1), (-1, 1), (1, -1), (1, 1))])
        return found if found > above else -np.inf

    def _left(self, levels: _Levels, at: Points, top: float, spread: float = 0.0) -> NDArray[np.float64]:
        """Highest of what level cuts leave at places ``at``, or ``spread`` mm round them; mm."""
        height = np.full(len(at), top)
        reach = self.radius - spread
        for z, tree in levels:
            ask = np.flatnonzero(height > z)
            if not len(ask):
                break
            away, _ = tree.query(at[ask], distance_upper_bound=reach)
            met = np.isfinite(away)
            left = z + under(self.corner, reach - away[met])
            height[ask[met]] = np.minimum(height[ask[met]], left)
        return height

    def _levels(self, low: Points, high: Points, top: float) -> _Levels:
        """Level moves below ``top`` that may reach into a box."""
        self._follow()
        low, high = low - self.radius, high + self.radius
        box = self.boxes
        near = (box[:, :2] <= high).all(axis=1) & (box[:, 2:4] >= low).all(axis=1) & (box[:, 4] < top)
        near[:1] = False  # nothing comes before the first
        which = np.flatnonzero(near)
        heights, group = np.unique(box[which, 4], return_inverse=True)

        def lowest_first() -> Iterator[tuple[float, Points]]:
            for n, z in enumerate(heights.tolist()):
                found = [
                    _places(self.parts[k - 1][0][-1], self.parts[k], low, high, top)
                    for k in which[group == n].tolist()
                ]
                yield z, np.concatenate(found)

        return _Levels(lowest_first())

    def _follow(self) -> None:
        """Take in the parts that have been added."""
        fresh = []
        for k in range(len(self.boxes), len(self.parts)):
            xyz, turn = self.parts[k][0], self.parts[k][3]
            ends = xyz if not k else np.concatenate([self.parts[k - 1][0][-1:], xyz])
            low, high = ends.min(axis=0), ends.max(axis=0)
            # an arc bulges out from between its ends, by no more than these are apart
            out = np.abs(np.diff(ends[:, :2], axis=0)).sum(axis=1).max(initial=0.0) if turn.any() else 0.0
            fresh.append([*(low[:2] - out), *(high[:2] + out), low[2]])
        if fresh:
            self.boxes = np.concatenate([self.boxes, np.array(fresh)])


class _Levels:
    """Heights from the lowest up, each with a tree of the places (x, y) cut at; made as they are asked for.

    ``given``: places (n, 3) in groups, each with a height that none of its places lies below, upward. The
    last level before the one asked about has mostly taken all that is asked for.
    """

    def __init__(self, given: Iterable[tuple[float, Points]]) -> None:
        self.known: list[tuple[float, Any]] = []
        self.more = self._made(given)

    def __iter__(self) -> Iterator[tuple[float, Any]]:
        yield from self.known
        for level in self.more:
            self.known.append(level)
            yield level

    @staticmethod
    def _made(given: Iterable[tuple[float, Points]]) -> Iterator[tuple[float, Any]]:
        waiting = np.zeros((0, 3))
        for z, places in given:
            yield from _trees(waiting[waiting[:, 2] < z])
            waiting = np.concatenate([waiting[waiting[:, 2] >= z], places])
        yield from _trees(waiting)


def _trees(places: Points) -> Iterator[tuple[float, Any]]:
    """Heights of places (n, 3), lowest first, each with a tree of its places."""
    from scipy.spatial import cKDTree

    for z in np.unique(places[:, 2]).tolist():
        yield z, cKDTree(places[places[:, 2] == z, :2])


def _squares(a: Points, b: Points, reach: float, side: float) -> Points:
    """Middles (n, 2) of squares that cover what lies within ``reach`` mm of the way from ``a`` to ``b``."""
    low, high = np.minimum(a, b) - reach, np.maximum(a, b) + reach
    x, y = (np.arange(p, q + side, side) for p, q in zip(low.tolist(), high.tolist(), strict=True))
    at = np.stack([np.tile(x, len(y)), np.repeat(y, len(x))], axis=1)
    return np.asarray(at[_away(a, b, at) <= reach + side])


def _away(a: Points, b: Points, at: Points) -> Points:
    """Distances (n,) of places from the straight way from ``a`` to ``b``, mm."""
    along = b - a
    share = np.clip((at - a) @ along / max(float(along @ along), 1e-12), 0.0, 1.0)
    return np.asarray(np.hypot(*(at - a - share[:, None] * along).T))


def _places(start: Points, moves: Moves, low: Points, high: Points, top: float) -> Points:
    """Places (n, 3), `APART` from each other, on those level moves that come into a box below ``top``."""
    from .toolpath import Kind

    xyz, kind, turn, centre = moves[0], moves[1], moves[3], moves[4]
    begin = np.concatenate([start[None], xyz[:-1]])
    across = np.abs(xyz[:, :2] - begin[:, :2])
    out = np.where(turn[:, None] != 0, across.sum(axis=1)[:, None], 0.0)
    mine = (np.abs(xyz[:, 2] - begin[:, 2]) <= FLAT) & (xyz[:, 2] < top) & (kind != Kind.RAPID)
    mine &= (np.minimum(xyz[:, :2], begin[:, :2]) - out <= high).all(axis=1)
    mine &= (np.maximum(xyz[:, :2], begin[:, :2]) + out >= low).all(axis=1)
    at = np.flatnonzero(mine)
    begin, end, turn = begin[at], xyz[at], turn[at].astype(np.float64)
    middle = np.where(turn[:, None] != 0.0, centre[at], 0.0)
    p, q = begin[:, :2] - middle, end[:, :2] - middle
    first = np.arctan2(p[:, 1], p[:, 0])
    sweep = turn * ((turn * (np.arctan2(q[:, 1], q[:, 0]) - first)) % (2.0 * np.pi))
    radius = np.hypot(p[:, 0], p[:, 1])
    length = np.where(turn != 0.0, np.abs(sweep) * radius, np.hypot(*(end - begin)[:, :2].T))
    count = np.ceil(length / APART).astype(np.int64) + 1
    which = np.repeat(np.arange(len(at)), count)
    share = (np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)) / np.repeat(
        np.maximum(count - 1, 1), count
    )
    straight = begin[which] + share[:, None] * (end - begin)[which]
    angle = first[which] + share * sweep[which]
    bent = middle[which] + radius[which, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    straight[:, :2] = np.where(turn[which, None] != 0.0, bent, straight[:, :2])
    inside = (straight[:, :2] >= low).all(axis=1) & (straight[:, :2] <= high).all(axis=1)
    return np.asarray(straight[inside])
