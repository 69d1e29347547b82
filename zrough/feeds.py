"""Feeds along a walk: few, each near the feed that the chip asks for, none above what a limit allows.

The limits of force want the depth that is really cut. It is that of the level, except where one above left
a sliver standing, or the ridge that a corner radius leaves between two passes: there it goes up to their top.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .cutting import CuttingData
from .pieces import Frame

Floats = NDArray[np.float64]

BELOW = 0.94  # of the feed that the arc asks for: a chip this much thinner needs no block of its own
ABOVE = 1.03  # the same for a thicker one, as long as no limit of force or machine is near
LEAST_ARC = 0.5  # degrees: a thinner bite is fed as this one
SMOOTH = 3  # steps looked at together where a limit of force decides
SPREAD = 7  # the same for what stands above the level: between nodes it may begin earlier
THIN = 0.01  # mm; what a level takes thinner than this at its rim is no sliver
TALLER = 0.05  # mm above the level's top from which a depth of its own counts
NEAR = 0.75  # nodes: how far from the edge of what a level sweeps nodes are that tell where it lies
FILM = 0.02  # mm: where a level above swept less by more than this, a film stands between the nodes
HAIR = 0.005  # mm of a film that a walk may take unheeded


@dataclass(frozen=True)
class Mark:
    """What a level and those below it in its band sweep, by node; see `mark`. Maps of bits (ny, nx / 8).

    All levels of a part are kept until they are linked: so only the rim has numbers.
    """

    met: NDArray[np.uint8]
    far: NDArray[np.uint8]  # bits: not under the flat of the tip
    rim: NDArray[np.uint8]  # bits: of these, where the cutter comes
    over: NDArray[np.float16]  # mm from the level to what the cutter leaves, at the nodes of the rim
    columns: int
    edge: NDArray[np.int32]  # nodes near the edge of what is swept, in the order of the map
    beyond: NDArray[np.float32]  # mm that they lie outside it

    def _unpacked(self, bits: NDArray[np.uint8]) -> NDArray[np.bool_]:
        return np.unpackbits(bits, axis=1, count=self.columns).view(np.bool_)

    @property
    def takes(self) -> NDArray[np.bool_]:
        """Where the cutter takes all."""
        return self._unpacked(self.met)

    @property
    def rise(self) -> NDArray[np.float16]:
        """How far over the level the cutter leaves what stands, mm; inf where it does not come."""
        out = np.zeros((len(self.far), self.columns), np.float16)
        out[self._unpacked(self.far)] = np.inf
        out[self._unpacked(self.rim)] = self.over
        return out

    def leaves(self, z: float) -> NDArray[np.float32]:
        """Height of what the cutter leaves at a level at ``z``, mm; inf where it does not come."""
        out = np.full((len(self.far), self.columns), z, np.float32)
        out[self._unpacked(self.far)] = np.inf
        out[self._unpacked(self.rim)] = np.float32(z) + self.over.astype(np.float32)
        return out


def mark(d2: NDArray[np.float32], radius: float, corner: float, pitch: float = 0.0) -> Mark:
    """What a level has swept: ``d2`` (2 ny - 1, 2 nx - 1) squared distances, mm2, to the nearest centre.

    ``pitch`` : mm between nodes, if the edge is to be known to less than that.
    """
    crests = _crests(d2, radius, pitch) if pitch > 0.0 else None
    d2 = np.ascontiguousarray(d2[::2, ::2])
    if crests is not None:
        d2[crests] = np.float32((radius + pitch) ** 2)
    far = d2 > max(0.0, radius - corner - THIN) ** 2
    # roots are taken where they may matter only: most of a map is far off or well swept
    near = far & (d2 <= (radius + THIN) ** 2)
    away = np.sqrt(d2[near])
    rim, met = near.copy(), ~far
    rim[near] = away <= radius
    met[near] = away <= radius - THIN
    beyond = np.clip(away[away <= radius] - (radius - corner), 0.0, corner)
    over = corner - np.sqrt(np.maximum(corner**2 - beyond**2, 0.0))
    bits = [np.packbits(part, axis=1) for part in (met, far, rim)]
    far_off = NEAR * pitch + 2.0 * FILM  # a film's worth farther than other levels are asked about
    low, high = max(0.0, radius - far_off) ** 2, (radius + far_off) ** 2
    edge = np.flatnonzero((d2 >= low) & (d2 <= high)).astype(np.int32)
    outside = np.sqrt(d2.ravel()[edge]) - np.float32(radius)
    return Mark(bits[0], bits[1], bits[2], over.astype(np.float16), d2.shape[1], edge, outside)


def _crests(
    d2: NDArray[np.float32], radius: float, pitch: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]] | None:
    """Nodes (i, j) beside places ringed by swept ground where a needle may stand between the nodes.

    What is swept falls away from a needle on all sides, and by no more than the way to it: so of the nodes
    of ``d2`` around it one is higher than its neighbours, and nearly as far off as the radius or farther.
    """
    low = np.float32((radius - 0.36 * pitch) ** 2)  # half the diagonal of a square of that map
    flat, columns = d2.ravel(), d2.shape[1]
    high = np.float32((radius + pitch) ** 2)
    at = np.flatnonzero((flat >= low) & (flat <= high))
    i, j = np.divmod(at, columns)
    at = at[(i > 0) & (j > 0) & (i < d2.shape[0] - 1) & (j < columns - 1)]
    for way in (1, -1, columns, -columns, columns + 1, columns - 1, 1 - columns, -1 - columns):
        at = at[flat[at] >= flat[at + way]]
    if not len(at):
        return None
    i, j = np.divmod(at, columns)
    # on both sides of it: a walk may meet it before or after a node beside it
    around = np.arange(-1, 3)
    rows = np.clip(i[:, None] // 2 + np.repeat(around, 4), 0, d2.shape[0] // 2).ravel()
    return rows, np.clip(j[:, None] // 2 + np.tile(around, 4), 0, columns // 2).ravel()


class Standing:
    """Height of the stock at the nodes, lowered level by level in cutting order.

    With ``films`` what stands between them along walls is looked for, too: as high as the stock at first
    where no level has been.
    """

    def __init__(self, frame: Frame, top: NDArray[np.floating], films: bool = False) -> None:
        self.frame = frame
        self.height = np.array(top, dtype=np.float32)
        self.first = self.height.copy() if films else None
        self.bands: list[list[tuple[float, Mark]]] = []  # top down, the levels of each bottom up

    def cut(self, swept: Mark, z: float, top: float, walls: bool = False) -> Tall:
        """Where the level at ``z`` meets more than ``top - z``; then the stock is as that level leaves it.

        With ``walls`` what stands beside the cutter can be asked for, too.
        """
        before = self.height.copy() if walls else None
        after = swept.leaves(z)
        depth = self.height - after
        tall = depth > top - z + TALLER
        taken = swept.takes
        tall &= taken
        np.minimum(self.height, after, out=self.height)
        told = taken if walls else None
        films = self._films(swept, z, top)
        if not tall.any():
            return Tall(self.frame, None, before, taken=told, films=films)
        depth[~tall] = 0.0
        return Tall(self.frame, depth, before, swept.rise, told, films)

    def _films(self, swept: Mark, z: float, top: float) -> Films | None:
        """Films taller than ``top - z`` that a level takes off what those above it left; it is taken in.

        Near a node the distances from two edges change alike from place to place: so where the edges differ
        at a node something stands between them, however thin it is.
        """
        if self.first is None:
            return None
        near = np.abs(swept.beyond) <= NEAR * self.frame.h
        at, beyond = swept.edge[near], swept.beyond[near]
        height = np.full(len(at), np.nan, np.float32)
        begins = np.full(len(at), NEAR * self.frame.h)
        for low, mark in self._lowest_first(z):
            ask = np.flatnonzero(np.isnan(height))
            if not len(ask):
                break
            edge = _beyond(mark, at[ask])
            covered = edge <= beyond[ask] + FILM
            height[ask[covered]] = low
            ask, edge = ask[~covered], edge[~covered]
            begins[ask] = np.minimum(begins[ask], edge)
        ask = np.isnan(height)
        height[ask] = self.first.ravel()[at[ask]]
        tall = height > top + TALLER
        if not self.bands or self.bands[-1][-1][0] > z:
            self.bands.append([])
        self.bands[-1].append((z, swept))
        if not tall.any():
            return None
        i, j = np.divmod(at[tall], swept.columns)
        f = self.frame
        xy = np.stack([f.x0 + f.h * j, f.y0 + f.h * i], axis=1)
        return Films(xy, begins[tall], height[tall].astype(np.float64) - z)

    def _lowest_first(self, z: float) -> Iterator[tuple[float, Mark]]:
        """Levels cut before one at ``z``; of its own band the last, which has swept what those below have."""
        bands = self.bands
        if bands and bands[-1][-1][0] < z:
            yield bands[-1][-1]
            bands = bands[:-1]
        for band in reversed(bands):
            yield from band


def _beyond(mark: Mark, at: NDArray[np.int32]) -> Floats:
    """How far nodes ``at`` lie outside the edge of what a level has swept, mm: inf far off, -inf within."""
    i, j = np.divmod(at, mark.columns)
    word, bit = j >> 3, (7 - (j & 7)).astype(np.uint8)
    outside = (mark.far[i, word] >> bit & 1 == 1) & (mark.met[i, word] >> bit & 1 == 0)
    found = np.where(outside, np.inf, -np.inf)
    if len(mark.edge):
        k = np.minimum(np.searchsorted(mark.edge, at), len(mark.edge) - 1)
        known = mark.edge[k] == at
        found[known] = mark.beyond[k[known]]
    return found


@dataclass(frozen=True)
class Films:
    """Films beside nodes ``xy`` (n, 2): how far these lie outside the edge where a film begins, and how high
    it stands over the tip; mm."""

    xy: Floats
    begins: Floats
    depth: Floats

    def raise_to(self, out: Floats, centres: Floats, radius: float, pitch: float) -> None:
        """Raise depths ``out`` (n,) of a walk where it takes a film.

        It meets a film ahead of where it passes the node: the farther the thicker it is, and one thicker
        than a node is wide shows on the map.
        """
        from scipy.spatial import cKDTree

        reach = radius + NEAR * pitch
        low, high = centres.min(axis=0) - reach, centres.max(axis=0) + reach
        near = np.flatnonzero(((self.xy >= low) & (self.xy <= high)).all(axis=1))
        if not len(near):
            return
        away, at = cKDTree(centres).query(self.xy[near], distance_upper_bound=reach)
        passed = away < radius + self.begins[near] - HAIR
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(centres, axis=0).T))])
        ahead = np.sqrt(2.0 * radius * pitch)
        for k, depth in zip(at[passed].tolist(), self.depth[near[passed]].tolist(), strict=True):
            first = int(np.searchsorted(along, along[k] - ahead))
            last = int(np.searchsorted(along, along[k] + pitch, side="right"))
            np.maximum(out[first:last], depth, out=out[first:last])


@dataclass
class Tall:
    """Depths, mm, of what stands above a level's top, 0 elsewhere; walks take it away.

    ``height`` : of all that stood before the level was cut, mm, ``taken`` : where the level takes it; for
    levels with slots, or with a way in among terraces. ``rise`` : how far over the level the cutter leaves
    what stands, where a depth begins. ``films`` : what stands between the nodes.
    """

    frame: Frame
    depth: NDArray[np.float32] | None
    height: NDArray[np.float32] | None = None
    rise: NDArray[np.float16] | None = None
    taken: NDArray[np.bool_] | None = None
    films: Films | None = None

    def over(self, centres: Floats, radius: float) -> float:
        """How high that stood which the level takes under the cutter or a node beside it, mm; or -inf."""
        if self.height is None or self.taken is None:
            return -np.inf
        found = -np.inf
        for x, y in centres.tolist():
            rows, columns, near = self._disc(x, y, radius + self.frame.h)
            near &= self.taken[rows, columns]
            found = max(found, float(self.height[rows, columns][near].max(initial=-np.inf)))
        return found

    def highest(self, x: float, y: float, reach: float) -> float:
        """How high over the level it stands within ``reach`` of a place, mm; 0 where nothing."""
        if self.depth is None:
            return 0.0
        rows, columns, near = self._disc(x, y, reach)
        depth = self.depth[rows, columns]
        near &= depth > 0.0
        rise = 0.0 if self.rise is None else self.rise[rows, columns][near].astype(np.float64)
        return float((depth[near] + rise).max(initial=0.0))

    def beside(self, centres: Floats, radius: float) -> Floats:
        """Height of what stands under the cutter at each centre (n, 2) or a node beside it, mm."""
        reach = radius + self.frame.h
        assert self.height is not None
        return np.array([self._most(self.height, x, y, reach) for x, y in centres.tolist()])

    def _most(self, of: NDArray[np.float32], x: float, y: float, reach: float) -> float:
        """Largest entry of a map within ``reach`` of a place."""
        rows, columns, near = self._disc(x, y, reach)
        return float(of[rows, columns][near].max(initial=-np.inf))

    def _disc(self, x: float, y: float, reach: float) -> tuple[slice, slice, NDArray[np.bool_]]:
        """Rows and columns of the nodes round a place, and which of them lie within ``reach``."""
        f = self.frame
        i0, j0 = (max(0, int(np.ceil(q / f.h))) for q in (y - reach - f.y0, x - reach - f.x0))
        i1 = min(f.ny, max(i0, int((y + reach - f.y0) / f.h) + 1))
        j1 = min(f.nx, max(j0, int((x + reach - f.x0) / f.h) + 1))
        dy = f.y0 + f.h * np.arange(i0, i1) - y
        dx = f.x0 + f.h * np.arange(j0, j1) - x
        return slice(i0, i1), slice(j0, j1), np.hypot(dy[:, None], dx) <= reach

    def take(self, centres: Floats, radius: float) -> Floats:
        """Deepest of it that the cutter meets first at each centre (n, 2), mm; 0 where nothing."""
        out = np.zeros(len(centres))
        if self.depth is not None:
            from .kernels.taller import first_met

            f = self.frame
            first_met(self.depth, f.x0, f.y0, f.h, radius, np.ascontiguousarray(centres), out)
        if self.films is not None and len(centres):
            self.films.raise_to(out, centres, radius, self.frame.h)
        return out


def along(
    data: CuttingData, arc: Floats, depth: Floats | float, cap: float = 180.0
) -> tuple[Floats, NDArray[np.int64]]:
    """Feed of each step of a walk, and where a block must end because it changes; see `along_all`."""
    return along_all(data, [arc], [np.broadcast_to(np.asarray(depth, np.float64), arc.shape)], [cap])[0]


def along_all(
    data: CuttingData, arcs: Sequence[Floats], depths: Sequence[Floats], caps: Sequence[float]
) -> list[tuple[Floats, NDArray[np.int64]]]:
    """Feed of each step of walks, and where a block must end because it changes.

    A walk is cut into as few runs of one feed as keep every chip from `BELOW` to `ABOVE` of its target;
    a feed is never above the machine's, nor above what power, torque, bending or the grip allow in its run.
    What comes of a walk does not depend on the others: many are asked together since each question of the
    data costs as much for one step as for hundreds.

    Parameters
    ----------
    arcs : by walk (n,) degrees in material, of the step that ends at each point; 0 off the material.
    depths : by walk (n,) axial depth of each step, mm.
    caps : by walk, degrees. A larger arc is a slot: it is fed as a full one, and no faster.

    Returns
    -------
    By walk feeds (n,), mm/min, and the points (k,) at which a new feed or a new purpose (cut or not) begins.
    """
    sizes = np.array([len(arc) for arc in arcs])
    ends = np.cumsum(sizes)
    first = ends - sizes
    arc, depth = np.concatenate(arcs), np.concatenate(depths)
    bite = np.maximum(arc, LEAST_ARC)
    bite[first] = bite[first + np.minimum(1, sizes - 1)]  # the first point is no step
    slot = bite > np.repeat(caps, sizes)
    bite[slot] = 180.0
    wanted = data.chip_feed(bite, depth)  # no limit of force binds here that does not bind `top`, too
    wide, depth = _most(bite, sizes, SMOOTH), _most(depth, sizes, SPREAD)
    top = data.top_feed(wide, depth)
    wanted = np.minimum(wanted, top)
    low, high = BELOW * wanted, np.minimum(np.where(slot, 1.0, ABOVE) * wanted, top)
    bounds = low.tolist(), high.tolist(), (arc > 0.0).tolist()
    runs = [_runs(*(q[a:b] for q in bounds)) for a, b in zip(first.tolist(), ends.tolist(), strict=True)]
    starts = np.concatenate([a + run for a, run in zip(first, runs, strict=True)])
    low, high = np.maximum.reduceat(low, starts), np.minimum.reduceat(high, starts)
    # the largest arc and the deepest place of a run need not be one and the same
    both = data.top_feed(np.maximum.reduceat(wide, starts), np.maximum.reduceat(depth, starts))
    high = np.minimum(high, both)
    feed = np.repeat(_plain(np.minimum(0.5 * (low + high), high), high), np.diff(np.append(starts, len(arc))))
    return [
        (feed[a:b], run[run > 1] - 1) for a, b, run in zip(first.tolist(), ends.tolist(), runs, strict=True)
    ]


def _most(values: Floats, sizes: NDArray[np.int64], near: int) -> Floats:
    """Largest of ``near`` neighbouring values of a walk, its own in the middle; walks of ``sizes`` follow
    one another.
    """
    from scipy.ndimage import maximum_filter1d

    at = np.arange(len(values)) + near * np.repeat(np.arange(len(sizes)), sizes)
    apart = np.full(len(values) + near * len(sizes), -np.inf)
    apart[at] = values
    return np.asarray(maximum_filter1d(apart, near)[at])


def _runs(low: list[float], high: list[float], cutting: list[bool]) -> NDArray[np.int64]:
    """First step of each run of steps whose bounds have a feed in common, the longest runs from the start."""
    starts = [0]
    least, most, now = 0.0, np.inf, cutting[0]
    for k, (a, b, cuts) in enumerate(zip(low, high, cutting, strict=True)):
        if a > least:
            least = a
        if b < most:
            most = b
        if least > most or cuts != now:
            starts.append(k)
            least, most, now = a, b, cuts
    if starts[1:2] == [1]:
        del starts[1]
    return np.array(starts, np.int64)


def _plain(feed: Floats, top: Floats) -> Floats:
    """Feeds in round numbers, two digits in a hundred apart, none above ``top``."""
    unit = 10.0 ** np.floor(np.log10(np.maximum(feed, 1.0)) - 2.0)
    near = np.round(feed / unit) * unit
    out: Floats = np.minimum(np.where(near <= top, near, np.floor(feed / unit) * unit), top)
    return out
