"""Ground left standing above, where a deeper band would bring shank or holder against it.

A cutter that goes deeper than its flutes are long passes what upper levels left. Bands are cleared side by
side and take it that all above them is cut as far as the cutter reaches; where a patch was left there, and a
band below took the ground under it after all, that band is cleared once more with the patch kept off.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import distances
from .distances import places
from .feeds import Mark
from .levels import Level
from .limits import Stage
from .pieces import Nodes, Piece
from .regions import Space
from .shortways import dense

Map = NDArray[np.float32]

FILM = 0.05  # mm: what stands higher than this over the end of the flutes is in the way
TOUCH = 0.01  # mm: a node of a wall may lie this far inside the circle of a cutter beside it
THIN = 0.015  # mm: a thinner film is left by the path that rounds a walk, and no shank is made that true
STEPS = 100.0  # to a fine node: how finely `Rim` tells how far its nodes lie from the edge
MIDDLE, FAR = 128, 255  # what `Rim` has for the edge itself, and for all that lies well outside
EDGE = 1.25  # fine nodes on either side of the edge that it has numbers for
NEAR = 0.72  # fine nodes: how far from the nearest node a place may lie
TURNS = 16  # places on a helix that are asked
MANY = 2000  # nodes: of more than these only the rim is asked
MARGIN = 1.0  # nodes: how far ground may reach beyond the last node that stands
REASON = "the shank or the holder would touch ground left above"


@dataclass
class Above:
    """What has been left above, in cutting order, and the bodies that may touch it."""

    space: Space
    bodies: Sequence[Stage]

    def __post_init__(self) -> None:
        self.pending: list[tuple[float, Mark, Nodes | None]] = []
        self.height: Map = self.space.top.astype(np.float32)
        self.within = np.zeros(self.height.shape, bool)  # a box around ground left
        self.thin: Nodes = np.zeros(0, np.int64), np.zeros(0, np.int64)  # fine nodes of needles
        self.edges: list[Bare] = []  # how far each band has come

    def add(
        self,
        levels: Iterable[Level],
        marks: Iterable[Mark | None],
        left: Iterable[dict[str, Any]],
        bare: Bare | None = None,
    ) -> None:
        """Take in a band that has been cut."""
        levels = list(levels)
        needles = None
        if bare is not None:
            self.edges.append(bare)
            self.thin = self._still(bare.last)
            needles = self.thin[0] // 2, self.thin[1] // 2
            self.within[needles] = True
        self.pending += [(v.z, m, needles) for v, m in zip(levels, marks, strict=True) if m is not None]
        f = self.space.frame
        for box in (q["box"] for q in left if q.get("box")):
            j0, j1 = (int(np.clip(round((q - f.x0) / f.h), 0, f.nx - 1)) for q in (box[0], box[2]))
            i0, i1 = (int(np.clip(round((q - f.y0) / f.h), 0, f.ny - 1)) for q in (box[1], box[3]))
            self.within[i0 : i1 + 1, j0 : j1 + 1] = True

    def _still(self, swept: Rim) -> Nodes:
        """Fine nodes of needles when another band has been cut: its own, and what stands of those before.

        A rim that passes such a node by a hair may leave it, as the path is rounded.
        """
        own, before = swept.thin(), self.thin
        kept = swept.at(*before) > MIDDLE - THIN / self.space.frame.hd * STEPS
        return np.concatenate([own[0], before[0][kept]]), np.concatenate([own[1], before[1][kept]])

    def kept_off(
        self,
        levels: Sequence[Level],
        pieces: Sequence[Sequence[Piece]],
        bare: Bare | None = None,
        planned: Sequence[Sequence[Piece]] = (),
    ) -> dict[float, Map]:
        """Signed distance, mm, by level, from where shank or holder would touch what stands.

        Empty if no walk of the band does. ``bare``: what the band sweeps between the nodes of the map, too.
        ``planned``: its walks by level before they were put into another order, if they were. They count as
        well, so that `meets`, which knows no others, is never wrong.
        """
        low = min(level.z + body.height for level in levels for body in self.bodies)
        if low >= float(self.space.stock.upper[2]):
            return {}
        self._cut()
        films = self._films(levels[0].z, bare)
        stand = self._standing(low)
        if not len(films[0]) and not any(
            self._touched(stand, body, level.z, walks)
            for given in (pieces, planned)
            for level, walks in zip(levels, given, strict=bool(given))
            for body in self.bodies
        ):
            return {}
        return {level.z: self._bound(stand, level.z, films) for level in levels}

    def meets(self, levels: Sequence[Level], pieces: Sequence[Sequence[Piece]], deep: Rim) -> bool:
        """True if `kept_off` will find something, as far as the first few ``levels`` of a band tell.

        ``pieces``: their walks as planned; only those of the last of these levels are looked at. ``deep``:
        what the band's primary level sweeps.
        """
        low = min(level.z + body.height for level in levels for body in self.bodies)
        if low >= float(self.space.stock.upper[2]):
            return False
        self._cut()
        last = len(pieces) - 1
        if not last and len(self._films(levels[0].z, Bare(((levels[0].z, deep),)))[0]):
            return True
        stand = self._standing(low)
        return any(self._touched(stand, body, levels[last].z, pieces[last]) for body in self.bodies)

    def _films(self, z: float, bare: Bare | None) -> Nodes:
        """Nodes (i, j) beside films that no band has swept and the shank of this one would touch.

        They may be thinner than a node is wide, and stand as high as the stock.
        """
        none = np.zeros(0, np.int64)
        height = min((b.height for b in self.bodies if b.radius <= self.space.radius), default=np.inf)
        # what only levels higher than the flutes' end have swept still stands in the way
        end = z + height + FILM
        rims = [rim for rim in (edge.up_to(end) for edge in self.edges) if rim is not None]
        if bare is None or not rims:
            return none, none
        # near a node both distances change alike from place to place, so a film between nodes shows as well
        near, thin = NEAR * STEPS, THIN / self.space.frame.hd * STEPS
        # only what the band comes near and no other took is asked for numbers: whole maps of many are dear
        shut = np.bitwise_or.reduce([rim.within for rim in rims])
        i, j = places(_unpacked((bare.deep.within | bare.deep.beside) & ~shut, bare.deep.columns))
        here = bare.deep.at(i, j)
        for rim in rims:
            away = rim.at(i, j)
            kept = (away - here > thin) & (away > MIDDLE - near) & (here < MIDDLE + near)
            i, j, here = i[kept], j[kept], here[kept]
        i, j = i // 2, j // 2
        high = self.space.top[i, j] > end
        return i[high], j[high]

    def _cut(self) -> None:
        for z, mark, needles in self.pending:
            after = mark.leaves(z)
            if needles is not None:
                after[needles] = np.inf
            np.minimum(self.height, after, out=self.height)
        self.pending.clear()

    def _standing(self, low: float) -> _Nodes:
        """Nodes of all boxes at which more than ``low`` stands now."""
        i, j = places(self.within & (self.height > low + FILM))
        return _Nodes(i, j, self.height[i, j])

    def _touched(self, stand: _Nodes, body: Stage, z: float, walks: Sequence[Piece]) -> bool:
        from scipy.spatial import cKDTree

        f = self.space.frame
        tall = stand.height > z + body.height + FILM
        reach = body.radius - TOUCH
        if not tall.any() or not walks:
            return False
        points = np.concatenate([_come_by(walk) for walk in walks])
        i, j = stand.i[tall], stand.j[tall]
        if len(i) > MANY:  # what stands may be as wide as the part: its rim is enough
            on, i, j = _rim_of(i, j, np.rint((points - (f.x0, f.y0)) / f.h).astype(np.int64))
            if on and reach > f.h:
                return True
        xy = np.stack([f.x0 + f.h * j, f.y0 + f.h * i], axis=1)
        points = points[_close_by(xy, points, reach)]
        return bool(np.isfinite(cKDTree(xy).query(points, distance_upper_bound=reach)[0]).any())

    def _bound(self, stand: _Nodes, z: float, films: Nodes) -> Map:
        f = self.space.frame
        bound = np.full((f.ny, f.nx), 1e3, np.float32)
        for body in self.bodies:
            free = np.ones(bound.shape, bool)
            tall = stand.height > z + body.height + FILM
            free[stand.i[tall], stand.j[tall]] = False
            if body.radius <= self.space.radius:
                free[films] = False
            if not free.all():
                away = distances.away(free) * f.h - (body.radius + MARGIN * f.h)
                np.minimum(bound, away.astype(np.float32), out=bound)
        return bound


@dataclass(frozen=True)
class Rim:
    """How far fine nodes lie from the edge of what is swept; numbers only near it, bits elsewhere."""

    within: NDArray[np.uint8]
    beside: NDArray[np.uint8]
    steps: NDArray[np.uint8]
    columns: int

    @classmethod
    def of(cls, d2: Map, radius: float, pitch: float) -> Rim:
        """From squared distances (rows, columns), mm2, to the nearest centre of a cutter of ``radius`` mm."""
        within = d2 < np.float32((radius - EDGE * pitch) ** 2)
        beside = ~within & (d2 <= np.float32((radius + EDGE * pitch) ** 2))
        steps = np.rint((np.sqrt(d2[beside]) - radius) * (STEPS / pitch)) + MIDDLE
        bits = [np.packbits(part, axis=1) for part in (within, beside)]
        return cls(bits[0], bits[1], np.clip(steps, 0, FAR).astype(np.uint8), d2.shape[1])

    def at(self, i: NDArray[np.int64], j: NDArray[np.int64]) -> NDArray[np.int16]:
        """At nodes: `MIDDLE` on the edge, less within, `STEPS` to a node; from 0 deep within to `FAR`."""
        bit = i * (8 * self.beside.shape[1]) + j
        word, place = bit >> 6, (bit & 63).astype(np.uint64)
        last, one = np.uint64(63), np.uint64(1)
        within, beside = _words(self.within), _words(self.beside)
        counts = np.bitwise_count(beside)
        out = np.where((within[word] >> (last - place)) & one, 0, FAR).astype(np.int16)
        mine = beside[word]
        numbered = ((mine >> (last - place)) & one).astype(np.bool_)
        # numbers stand in the order of their bits
        before = (np.cumsum(counts, dtype=np.int64) - counts)[word]
        rank = before + np.bitwise_count((mine >> one) >> (last - place))
        out[numbered] = self.steps[rank[numbered]]
        return out

    def needles(self) -> Nodes:
        """Nodes of the map next to what stands between them, where none of those around stands."""
        i, j = self.thin()
        return i // 2, j // 2

    def thin(self) -> Nodes:
        """Fine nodes that stand where no node of the map around them does."""
        stands = self._stands()
        # eight nodes to a byte, the first in its highest bit: those of the map are every other one
        rows = stands[::2] & 0b10101010
        near = rows.copy()
        near[1:] |= rows[:-1]
        near[:-1] |= rows[1:]
        wide = near | near >> 2 | near << 2
        wide[:, 1:] |= near[:, :-1] << 6
        wide[:, :-1] |= near[:, 1:] >> 6
        wide |= wide >> 1
        thin = stands & ~np.repeat(wide, 2, axis=0)[: len(stands)]
        i, byte = places(thin > 0)
        bits = np.unpackbits(thin[i, byte][:, None], axis=1)
        n, bit = np.nonzero(bits)
        return i[n], 8 * byte[n] + bit

    def _stands(self) -> NDArray[np.uint8]:
        """Bits of the fine nodes outside the edge."""
        stands = ~(self.within | self.beside)
        stands[:, -1] &= 0xFF << -self.columns % 8 & 0xFF  # nothing beyond the last column
        flat, beside = stands.reshape(-1), self.beside.reshape(-1)
        at = np.flatnonzero(beside)
        bits = np.unpackbits(beside[at]).view(np.bool_)
        bits[bits] = self.steps > MIDDLE
        flat[at] |= np.packbits(bits)
        return stands


def _unpacked(bits: NDArray[np.uint8], columns: int) -> NDArray[np.bool_]:
    """A map of bits as one of nodes."""
    return np.unpackbits(bits, axis=1, count=columns).view(np.bool_)


def _words(bits: NDArray[np.uint8]) -> NDArray[np.uint64]:
    """All bits of a map in one row, 64 to a number, the first in the highest place."""
    padded = np.zeros(-(-bits.size // 8) * 8, np.uint8)
    padded[: bits.size] = bits.ravel()
    return padded.view(">u8").astype(np.uint64)


@dataclass(frozen=True)
class Bare:
    """What a band sweeps: its primary level first, then more and more of its levels.

    ``rims``: the height of the highest level counted, and all that those up to it sweep; upward.
    """

    rims: tuple[tuple[float, Rim], ...]

    @property
    def deep(self) -> Rim:
        """What the primary level sweeps."""
        return self.rims[0][1]

    @property
    def last(self) -> Rim:
        """What all levels sweep."""
        return self.rims[-1][1]

    def up_to(self, z: float) -> Rim | None:
        """What levels no higher than ``z`` sweep; None if there is none."""
        return next((rim for height, rim in reversed(self.rims) if height <= z), None)


@dataclass(frozen=True)
class _Nodes:
    """Nodes (n,) of ground left: their places on the map, and their heights, mm."""

    i: NDArray[np.int64]
    j: NDArray[np.int64]
    height: Map


def _come_by(walk: Piece) -> NDArray[np.float64]:
    """Places (n, 2) of the centre on a walk, on the way to it and on the way down where it begins."""
    found = [walk.points]
    if walk.way is not None:
        found.append(dense(walk.way))
    if walk.entry is not None:
        e, turn = walk.entry, np.arange(TURNS) * (2.0 * np.pi / TURNS)
        found.append(np.array([e.x, e.y]) + e.radius * np.stack([np.cos(turn), np.sin(turn)], axis=1))
        if e.kind == "ramp":
            found.append(dense(np.array([[e.x, e.y], [e.x2, e.y2]])))
    return np.concatenate(found)


def _rim_of(
    i: NDArray[np.int64], j: NDArray[np.int64], asked: NDArray[np.int64]
) -> tuple[bool, NDArray[np.int64], NDArray[np.int64]]:
    """Whether any of the nodes ``asked`` (n, 2; column and row) is among (i, j), and those at their rim.

    Of a place whose own node is not among them the nearest one is at the rim: from any other, one of the four
    beside it is nearer.
    """
    low = np.array([i.min(), j.min()]) - 1
    among = np.zeros((int(i.max() - low[0]) + 2, int(j.max() - low[1]) + 2), bool)
    among[i - low[0], j - low[1]] = True
    at = asked[:, ::-1] - low
    at = at[((at >= 0) & (at < among.shape)).all(axis=1)]
    rim = among.copy()
    rim[1:-1, 1:-1] &= ~(among[:-2, 1:-1] & among[2:, 1:-1] & among[1:-1, :-2] & among[1:-1, 2:])
    rows, columns = places(rim)
    return bool(among[at[:, 0], at[:, 1]].any()), rows + low[0], columns + low[1]


def _close_by(xy: NDArray[np.float64], points: NDArray[np.float64], reach: float) -> NDArray[np.bool_]:
    """Points (n, 2) that may lie within ``reach`` of any ``xy``: in a square of that size next to one."""
    low = np.minimum(xy.min(axis=0), points.min(axis=0)) - reach
    here, there = (((q - low) / reach).astype(np.int64) for q in (xy, points))
    squares = np.zeros(np.maximum(here.max(axis=0), there.max(axis=0)) + 2, bool)
    for di in (-1, 0, 1):
        for dj in (-1, 0, 1):
            squares[here[:, 0] + di, here[:, 1] + dj] = True
    return np.asarray(squares[there[:, 0], there[:, 1]])


def listed(z: float, bound: Map, space: Space, radius: float) -> dict[str, Any] | None:
    """The ground at a level that a bound keeps the cutter off, as plans list it; None if there is none."""
    g = space.grid
    i, j = np.nonzero((bound < 0.0) & space.mask(z))
    if not len(i):
        return None
    x, y = g.x0 + g.cell * j, g.y0 + g.cell * i
    m = int(np.argmin((x - x.mean()) ** 2 + (y - y.mean()) ** 2))
    return {
        "kind": "area",
        "z": z,
        "x": float(x[m]),
        "y": float(y[m]),
        "width": 2.0 * (float(-bound[i, j].min()) + radius),
        "area": len(i) * g.cell**2,
        "reason": REASON,
        "box": (
            float(x.min()) - radius,
            float(y.min()) - radius,
            float(x.max()) + radius,
            float(y.max()) + radius,
        ),
    }
