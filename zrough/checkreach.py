"""How low the cutters of a program could have left the part: what the stock as left is compared with.

Worked out against the triangles, by the check's own means. A cutter grown by the allowances rests on the part
with its tip at a height exact at every node; what the cutter itself leaves under such tips is the lowest of
its underside over all places within its radius. Both circles are taken with their true rims: nodes alone
would move each rim by up to a pitch, each by another share of it, and a wall by the difference times its
slope.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from zrough import checkways
from zrough.checkways import Finer, Ways
from zrough.grid import Grid
from zrough.kernels import replay as kernels
from zrough.nexttool import by_rows
from zrough.replay import Bins, Body, Floats, Replay

Again = Callable[[NDArray[np.bool_]], Floats]
Sharp = tuple[NDArray[np.bool_], NDArray[np.bool_]]  # steps along Y, along X

UPRIGHT = 6.0  # rise over run (80.5 degrees) above which a hair to the side decides how high a wall stands
TRACE = 0.25  # of a pitch
CUSPS = 0.15  # of the radius
WALL = 4.0  # rise over run (76 degrees) between nodes above which a step may be one of two walls
ALONE = 2.5  # times the rise on either side: a rise between two nodes that is a jump, no slope
PARTS = 4  # of a pitch: between them an upright wall is told from a slope
STEEP = 1.0  # rise over run between nodes from which on what lies between them is asked for
BLOCK = 8  # nodes a side that are looked at again together
SHARP = 0.6  # of the rise between two nodes in one of its parts: a jump


@dataclass(frozen=True)
class Reach:
    """Lowest surface that cutters can leave, at nodes.

    Attributes
    ----------
    grid : its nodes. lowest : (ny, nx) float64, mm.
    bare : the same where no heed is paid to whether a way leads there within the rules; None = no other.
    again : works `lowest` out anew, on finer maps, at some of its nodes; NaN at others. None = as it is.
    """

    grid: Grid
    lowest: Floats
    bare: Floats | None = None
    again: Again | None = None

    def closer(self, wanted: NDArray[np.bool_]) -> Reach:
        """The same with ``wanted`` nodes, and those round them, on a finer map.

        Where a steep face is hardly wider than a pitch, straight lines from node to node round its foot and
        its crest off, by up to half its height.
        """
        from scipy.ndimage import binary_dilation

        if self.again is None or not wanted.any():
            return self
        found = self.again(binary_dilation(wanted, np.ones((3, 3), np.bool_)))
        return Reach(self.grid, np.where(np.isfinite(found), found, self.lowest), self.bare)

    @cached_property
    def near(self) -> Floats:
        """Highest of `lowest` within one node."""
        return highest_within(self.lowest, 1)

    @cached_property
    def upright(self) -> NDArray[np.bool_]:
        """Nodes on, at the foot or on the crest of a wall steeper than `UPRIGHT`, or beside a jump."""
        out = np.zeros(self.lowest.shape, np.bool_)
        cell = self.grid.cell
        for i, j in ((0, 1), (1, 0), (1, 1), (1, -1)):
            here, there = _pair(self.lowest.shape, i, j)
            with np.errstate(invalid="ignore"):
                steep = np.abs(self.lowest[here] - self.lowest[there]) > UPRIGHT * cell * math.hypot(i, j)
            out[here] |= steep
            out[there] |= steep
        return out


def highest_within(heights: Floats, nodes: int) -> Floats:
    """Highest of a map over the square of so many nodes to each side."""
    from scipy import ndimage

    return np.asarray(ndimage.maximum_filter(heights, size=2 * nodes + 1, mode="nearest"), dtype=np.float64)


def _pair(shape: tuple[int, ...], i: int, j: int) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """Slices of the nodes that have another one ``i`` rows up and ``j`` columns on, and of those others."""
    ny, nx = shape[0] - i, shape[1] - abs(j)
    left = max(0, -j)
    return (slice(0, ny), slice(left, left + nx)), (slice(i, i + ny), slice(left + j, left + j + nx))


def after_each(
    run: Replay,
    part: Bins,
    bodies: Sequence[tuple[Body, float]],
    wall: float,
    floor: float,
    inside: Sequence[Floats] = (),
    outside: Sequence[Floats] = (),
    ways: Sequence[Ways] = (),
    left: Sequence[NDArray[np.floating[Any]]] = (),
) -> list[Reach]:
    """`Reach` once each cutter is done, those before it too; ``bodies`` with the lowest height of each.

    ``inside``, ``outside``: outlines (n, 2), mm, that the job keeps the cutter's centre in and out of.
    ``ways`` of each cutter and the stock as ``left`` by it, on the reach map: none, and no heed is paid to
    how the cutter gets down.
    """
    cell = run.grid.cell * run.step
    ny, nx = (-(-n // run.step) for n in run.grid.shape)
    grid = Grid(run.grid.x0, run.grid.y0, cell, nx, ny)
    top = float(run.tops.max()) if inside or outside else 0.0
    out: list[Reach] = []
    for k, (body, lowest) in enumerate(bodies):
        n = math.ceil((body.radius + wall) / cell) + 1
        ground = _Ground(part, body, wall, floor, lowest, inside, outside, top)
        tips = np.maximum(_tips(grid, n, part, *ground.grown) + floor, lowest)
        kept = _off_outlines(grid, n, tips, ground, CUSPS * body.radius)
        sharp = _sharp(tips, grid.x0 - n * cell, grid.y0 - n * cell, cell, ground.finer)
        bare = led = left_by(kept, n, cell, body.radius, body.corner, sharp)
        if ways:
            led = _led(grid, n, tips, bare, ground, ways[k], np.asarray(left[k], dtype=np.float64), sharp)
        again = None if inside or outside else _Again(grid, n, kept, ground, led > bare, led)
        if out:
            bare = np.minimum(bare, out[-1].lowest if out[-1].bare is None else out[-1].bare)
            led = np.minimum(led, out[-1].lowest)
        before = out[-1].again if out else None
        out.append(Reach(grid, led, bare if ways else None, _lower_of(before, again) if out else again))
    return out


@dataclass(frozen=True)
class _Ground:
    """What one cutter rests on: the part, the outlines that bar its centre, and the height of the ``top``."""

    part: Bins
    body: Body
    wall: float
    floor: float
    lowest: float
    inside: Sequence[Floats]
    outside: Sequence[Floats]
    top: float

    @property
    def grown(self) -> tuple[float, float]:
        """Radius and corner radius, allowance and all."""
        return self.body.radius + self.wall, max(0.0, self.body.corner + self.wall)

    def finer(self, x0: float, y0: float, pitch: float, wanted: NDArray[np.bool_]) -> Floats:
        """Tip heights at nodes of any map where ``wanted``, else inf."""
        tips = np.where(wanted, -np.inf, np.inf)
        _rest(self.part, x0, y0, pitch, *self.grown, tips)
        tips = np.maximum(tips + self.floor, self.lowest)
        barred = _barred(tips.shape, x0, y0, pitch, self.inside, self.outside, 0.0)
        return tips if barred is None else np.where(barred, np.inf, tips)


@dataclass(frozen=True)
class _Again:
    """What one cutter leaves at nodes of ``grid``, worked out anew on a map `PARTS` times as fine.

    ``tips`` with ``n`` nodes more on each side. ``raised`` : nodes where no way leads as low; they stay at
    ``led``.
    """

    grid: Grid
    n: int
    tips: Floats
    ground: _Ground
    raised: NDArray[np.bool_]
    led: Floats

    def __call__(self, wanted: NDArray[np.bool_]) -> Floats:
        out = np.full(wanted.shape, np.nan)
        for a in range(0, wanted.shape[0], BLOCK):
            for b in range(0, wanted.shape[1], BLOCK):
                block = slice(a, min(a + BLOCK, wanted.shape[0])), slice(b, min(b + BLOCK, wanted.shape[1]))
                if wanted[block].any():
                    out[block] = np.where(wanted[block], self._block(wanted[block], a, b), np.nan)
        np.copyto(out, self.led, where=self.raised & wanted)
        return out

    def _block(self, wanted: NDArray[np.bool_], row: int, column: int) -> Floats:
        """Heights at a block of nodes from a row and a column on, of which some are ``wanted``."""
        n, cell, body = self.n, self.grid.cell, self.ground.body
        ny, nx = wanted.shape
        tips = self.tips[row : row + ny + 2 * n, column : column + nx + 2 * n]
        x0, y0 = self.grid.x0 + (column - n) * cell, self.grid.y0 + (row - n) * cell
        fine, pitch = _straight(tips), cell / PARTS
        steep = highest_within(tips, 1) + highest_within(-tips, 1) > STEEP * cell
        doubt = _between(steep & self._near_rims(wanted))
        fine = np.where(doubt, self.ground.finer(x0, y0, pitch, doubt), fine)
        sharp = _sharp(fine, x0, y0, pitch, self.ground.finer)
        low = left_by(fine, PARTS * n, pitch, body.radius, body.corner, sharp)
        return low[::PARTS, ::PARTS]

    def _near_rims(self, wanted: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Nodes of a block and ``n`` round it where the tip's rounding comes over one of the ``wanted``.

        Under its flat the lowest of the nodes tells all that lies between them.
        """
        n, cell, body = self.n, self.grid.cell, self.ground.body
        ny, nx = (k + 2 * n for k in wanted.shape)
        i, j = (at[:, None, None] + n for at in np.nonzero(wanted))
        away = np.hypot(np.arange(ny)[:, None] - i, np.arange(nx) - j) * cell
        near = (away > body.radius - body.corner - 2.0 * cell) & (away < body.radius + 2.0 * cell)
        return np.asarray(near.any(axis=0))


def _straight(tips: Floats) -> Floats:
    """A map `PARTS` times as fine, on straight lines between nodes."""
    for axis in (0, 1):
        nodes = np.arange(tips.shape[axis])
        at = np.arange(PARTS * (len(nodes) - 1) + 1)
        before = np.minimum(at // PARTS, len(nodes) - 2)
        share = np.expand_dims(at / PARTS - before, 1 - axis)
        tips = (1.0 - share) * tips.take(before, axis=axis) + share * tips.take(before + 1, axis=axis)
    return tips


def _between(nodes: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Nodes of a map `PARTS` times as fine that lie at one of some nodes or less than a pitch beside it."""
    from scipy.ndimage import binary_dilation

    out = np.zeros([PARTS * (k - 1) + 1 for k in nodes.shape], np.bool_)
    out[::PARTS, ::PARTS] = nodes
    return np.asarray(binary_dilation(out, np.ones((2 * PARTS - 1, 2 * PARTS - 1), np.bool_)))


def _lower_of(one: Again | None, other: Again | None) -> Again | None:
    """What two cutters leave after each other."""
    if one is None or other is None:
        return None
    return lambda wanted: np.fmin(one(wanted), other(wanted))


def _off_outlines(grid: Grid, n: int, tips: Floats, ground: _Ground, room: float) -> Floats:
    """Tips where no outline bars the cutter's centre, or comes within ``room`` mm; else over the stock."""
    cell = grid.cell
    x0, y0 = grid.x0 - n * cell, grid.y0 - n * cell
    barred = _barred(tips.shape, x0, y0, cell, ground.inside, ground.outside, room)
    return tips if barred is None else np.where(barred, np.maximum(tips, ground.top), tips)


def _led(
    grid: Grid, n: int, tips: Floats, bare: Floats, ground: _Ground, ways: Ways, left: Floats, sharp: Sharp
) -> Floats:
    """``bare``, the lowest surface left by ``tips``, no lower than ways lead from the stock as ``left``."""
    cell, body = grid.cell, ground.body
    x0, y0 = grid.x0 - n * cell, grid.y0 - n * cell
    tips = _off_outlines(grid, n, tips, ground, 0.0)
    led, changed = checkways.raised(tips, _stands(left, n, cell, body), ways, x0, y0, cell, ground.finer)
    if not changed.any():
        return bare
    led = _off_outlines(grid, n, led, ground, CUSPS * body.radius)
    out = bare.copy()
    rows, cols = (np.flatnonzero(changed.any(axis=axis)) for axis in (1, 0))
    a, b = max(0, rows[0] - 2 * n), min(len(bare), rows[-1] + 1)
    c, d = max(0, cols[0] - 2 * n), min(bare.shape[1], cols[-1] + 1)
    b, d = b + 2 * n, d + 2 * n
    led, sharp = np.ascontiguousarray(led[a:b, c:d]), (sharp[0][a : b - 1, c:d], sharp[1][a:b, c : d - 1])
    out[a : b - 2 * n, c : d - 2 * n] = left_by(led, n, cell, body.radius, body.corner, sharp)
    return np.maximum(out, bare)


def _stands(left: Floats, n: int, cell: float, body: Body) -> Floats:
    """How low a cutter's tip stands clear of the stock as left, ``n`` nodes more on each side than the map.

    What lies within a share `TRACE` of a pitch of its rim may be a trace of the path: it does not count.
    """
    out = np.full((left.shape[0] + 2 * n, left.shape[1] + 2 * n), -np.inf, np.float32)
    heights = out.copy()
    heights[n : n + left.shape[0], n : n + left.shape[1]] = left
    distance, _ = _disc(cell, body.radius)
    distance = distance + TRACE * cell
    within = distance < body.radius
    drop = np.where(within, _rises(distance, body.radius, body.corner), np.inf).astype(np.float32)
    by_rows(len(out), lambda a, b: kernels.dilate(heights, drop, a, b, out))
    return out.astype(np.float64)


def jumps(heights: Floats, axis: int, wall: float = math.inf) -> NDArray[np.bool_]:
    """Whether each step between neighbours along ``axis`` is a jump: steep, and alone in being so.

    Of steps higher than ``wall`` mm, neither one the other way nor one higher by far makes a slope of it:
    upright walls may stand a node apart, and at the bottom of a corner two face each other.
    """
    rise = np.diff(heights, axis=axis)
    padded = np.pad(rise, [(1, 1) if k == axis else (0, 0) for k in (0, 1)])
    count = rise.shape[axis]
    before, after = (padded.take(np.arange(count) + k, axis=axis) for k in (0, 2))
    step = np.abs(rise)
    found = np.asarray(step > ALONE * np.maximum(np.abs(before), np.abs(after)), dtype=np.bool_)
    high = np.nonzero(step > wall)
    apart = np.ones(len(high[0]), np.bool_)
    for other in (before[high], after[high]):
        turns, size = other * rise[high] <= 0.0, np.abs(other)
        apart &= turns | (step[high] > ALONE * size) | (size > ALONE * step[high])
    found[high] |= apart
    return found


def _tips(grid: Grid, n: int, part: Bins, radius: float, corner: float) -> Floats:
    """Lowest tip heights over the part, ``n`` nodes more on each side than ``grid`` has; -inf beside it."""
    cell = grid.cell
    x0, y0 = grid.x0 - n * cell, grid.y0 - n * cell
    shape = grid.ny + 2 * n, grid.nx + 2 * n
    seen, known = (np.full(shape, -np.inf, np.float32) for _ in range(2))
    distance, inside = _disc(cell, radius)
    drop = np.where(inside, _rises(distance, radius, corner), np.inf).astype(np.float32)
    rows = shape[0]
    by_rows(rows, lambda a, b: kernels.raster_top(part.triangles, x0, y0, cell, a, b, seen))
    by_rows(rows, lambda a, b: kernels.dilate(seen, drop, a, b, known))
    tips = known.astype(np.float64)
    tips -= 2e-7 * np.abs(np.nan_to_num(tips, neginf=0.0))  # no higher than sought, rounded as they are
    _rest(part, x0, y0, cell, radius, corner, tips)
    return tips


def _rest(part: Bins, x0: float, y0: float, cell: float, radius: float, corner: float, tips: Floats) -> None:
    """Raise tip heights at nodes from (x0, y0) on to where the part stops the cutter, in place."""

    def rest(first: int, last: int) -> None:
        scratch = np.full(len(part.triangles), -1, np.int64), np.empty(480, np.int64), np.empty(160)
        kernels.rest(first, last, x0, y0, cell, radius, corner, *part.arguments, *scratch, tips)

    by_rows(len(tips), rest)


def _barred(
    shape: tuple[int, ...], x0: float, y0: float, cell: float, inside: Sequence[Floats],
    outside: Sequence[Floats], room: float,
) -> NDArray[np.bool_] | None:  # fmt: skip
    """Nodes from (x0, y0) on where no outline lets the cutter's centre be.

    Within ``room`` mm of an outline nothing is asked for: it is no wall, and passes may end there in cusps.
    """
    if not inside and not outside:
        return None
    from scipy.ndimage import distance_transform_edt
    from skimage import measure

    low = np.array([y0, x0])
    inner: Any = measure.grid_points_in_poly

    def within(rings: Sequence[Floats]) -> NDArray[np.bool_]:
        found = np.zeros(shape, np.bool_)
        for ring in rings:
            found |= inner(shape, (np.asarray(ring)[:, ::-1] - low) / cell)
        return found

    allowed = ~within(outside)
    if inside:
        allowed &= within(inside)
    return np.asarray(distance_transform_edt(allowed) * cell <= room, dtype=np.bool_)


def _sharp(tips: Floats, x0: float, y0: float, cell: float, finer: Finer) -> Sharp:
    """Steps along Y and along X that are jumps though their neighbours do not tell.

    Where an upright wall ends on another, both may lie within two pitches, and two rises in a row look like
    a slope. ``finer`` says what lies between two nodes: across a wall, all of the rise in one place.
    """
    found = []
    for axis in (0, 1):
        step = np.abs(np.diff(tips, axis=axis))
        jump = (step > UPRIGHT * cell) & ~jumps(tips, axis, WALL * cell)
        i, j = at = np.nonzero(jump)
        if len(i):
            wanted = np.zeros(tips.shape, np.bool_)
            wanted[at] = True
            off = cell / PARTS * np.arange(1, PARTS)
            between = [finer(x0 + q * axis, y0 + q * (1 - axis), cell, wanted)[at] for q in off]
            with np.errstate(invalid="ignore"):  # inf where outlines bar the centre
                rises = np.abs(np.diff([tips[at], *between, tips[i + 1 - axis, j + axis]], axis=0))
            jump[at] = rises.max(axis=0) > SHARP * step[at]
        found.append(jump)
    return found[0], found[1]


def left_by(
    tips: Floats, n: int, cell: float, radius: float, corner: float, sharp: Sharp | None = None
) -> Floats:
    """Lowest underside of a cutter whose tip stands no lower than ``tips``, (ny + 2 n, nx + 2 n), at the
    (ny, nx) nodes in the middle; ``n`` nodes reach past the radius. ``sharp``: see `_sharp`."""
    distance, inside = _disc(cell, radius)
    half = len(distance) // 2
    nodes = np.argwhere(inside) - half
    rises = _rises(distance[inside], radius, corner)
    rim, shares = _crossings(cell, radius)
    edges = (None, None) if sharp is None else sharp
    ways = [end for axis in (1, 0) for end in _ways(tips, axis, WALL * cell, edges[axis])]
    out = np.full((tips.shape[0] - 2 * n, tips.shape[1] - 2 * n), np.inf)
    by_rows(
        len(out),
        lambda a, b: kernels.left_under(tips, *ways, nodes, rises, rim, shares, corner, a, b, out),
    )
    return out


def _disc(cell: float, radius: float) -> tuple[Floats, NDArray[np.bool_]]:
    """Distance from the middle of a square of nodes, and which of them lie inside the circle."""
    half = math.ceil(radius / cell)
    at = np.arange(-half, half + 1) * cell
    distance = np.hypot(*np.meshgrid(at, at))
    return distance, distance < radius


def _rises(distance: Floats, radius: float, corner: float) -> Floats:
    over = np.maximum(distance - (radius - corner), 0.0)
    return np.asarray(corner - np.sqrt(np.maximum(corner**2 - over**2, 0.0)), dtype=np.float64)


def _crossings(cell: float, radius: float) -> tuple[NDArray[np.int64], Floats]:
    """Where a circle about a node crosses the lines of the grid: node before, axis, and the share of the
    way."""
    half = math.floor(radius / cell)
    line = np.arange(-half, half + 1)
    across = np.sqrt(np.maximum((radius / cell) ** 2 - line**2.0, 0.0))
    rim, shares = [], []
    for at in (across, -across):
        before = np.floor(at)
        for axis, nodes in enumerate(([line, before], [before, line])):
            rim.append(np.column_stack([*nodes, np.full(len(line), axis)]))
            shares.append(at - before)
    return np.concatenate(rim).astype(np.int64), np.concatenate(shares)


def _ways(
    tips: Floats, axis: int, wall: float = math.inf, sharp: NDArray[np.bool_] | None = None
) -> tuple[Floats, Floats]:
    """Heights at both ends of the way from each node to the next along ``axis``.

    Across a jump (see `jumps` for ``wall``, and ``sharp`` ones), where an upright wall lets the tip down
    between two nodes, both are the higher.
    """
    a, b = tips.copy(), tips.copy()
    ahead, behind = [slice(None)] * 2, [slice(None)] * 2
    ahead[axis], behind[axis] = slice(1, None), slice(None, -1)
    b[tuple(behind)] = tips[tuple(ahead)]
    higher = np.maximum(a, b)[tuple(behind)]
    jump = jumps(tips, axis, wall)
    if sharp is not None:
        jump |= sharp
    a[tuple(behind)] = np.where(jump, higher, a[tuple(behind)])
    b[tuple(behind)] = np.where(jump, higher, b[tuple(behind)])
    return a, b
