"""How low the cutters of a program could have left the part: what the stock as left is compared with.

Worked out against the triangles, by the check's own means. A cutter grown by the allowances rests on the part
with its tip at a height exact at every node; what the cutter itself leaves under such tips is the lowest of
its underside over all places within its radius. Both circles are taken with their true rims: nodes alone
would move each rim by up to a pitch, each by another share of it, and a wall by the difference times its
slope.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from zrough.grid import Grid
from zrough.kernels import replay as kernels
from zrough.nexttool import by_rows
from zrough.replay import Bins, Body, Floats, Replay

UPRIGHT = 6.0  # rise over run (80.5 degrees) above which a hair to the side decides how high a wall stands
CUSPS = 0.15  # of the radius
WALL = 4.0  # rise over run (76 degrees) between nodes above which a step may be one of two walls
ALONE = 2.5  # times the rise on either side: a rise between two nodes that is a jump, no slope


@dataclass(frozen=True)
class Reach:
    """Lowest surface that cutters can leave, at nodes.

    Attributes
    ----------
    grid : its nodes. lowest : (ny, nx) float64, mm.
    """

    grid: Grid
    lowest: Floats

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
) -> list[Reach]:
    """`Reach` once each cutter is done, those before it too; ``bodies`` with the lowest height of each.

    ``inside``, ``outside``: outlines (n, 2), mm, that the job keeps the cutter's centre in and out of.
    """
    cell = run.grid.cell * run.step
    ny, nx = (-(-n // run.step) for n in run.grid.shape)
    grid = Grid(run.grid.x0, run.grid.y0, cell, nx, ny)
    out: list[Reach] = []
    for body, lowest in bodies:
        n = math.ceil((body.radius + wall) / cell) + 1
        tips = np.maximum(
            _tips(grid, n, part, body.radius + wall, max(0.0, body.corner + wall)) + floor, lowest
        )
        barred = _barred(grid, n, inside, outside, CUSPS * body.radius)
        if barred is not None:  # there the cutter stays over the stock
            tips[barred] = np.maximum(tips[barred], float(run.tops.max()))
        left = left_by(tips, n, cell, body.radius, body.corner)
        out.append(Reach(grid, np.minimum(out[-1].lowest, left) if out else left))
    return out


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

    def rest(first: int, last: int) -> None:
        scratch = np.full(len(part.triangles), -1, np.int64), np.empty(480, np.int64), np.empty(160)
        kernels.rest(first, last, x0, y0, cell, radius, corner, *part.arguments, *scratch, tips)

    by_rows(rows, rest)
    return tips


def _barred(
    grid: Grid, n: int, inside: Sequence[Floats], outside: Sequence[Floats], room: float
) -> NDArray[np.bool_] | None:
    """Nodes, ``n`` more on each side than ``grid`` has, where no outline lets the cutter's centre be.

    Within ``room`` mm of an outline nothing is asked for: it is no wall, and passes may end there in cusps.
    """
    if not inside and not outside:
        return None
    from scipy.ndimage import distance_transform_edt
    from skimage import measure

    shape = grid.ny + 2 * n, grid.nx + 2 * n
    low = np.array([grid.y0, grid.x0]) - n * grid.cell

    inner: Any = measure.grid_points_in_poly

    def within(rings: Sequence[Floats]) -> NDArray[np.bool_]:
        found = np.zeros(shape, np.bool_)
        for ring in rings:
            found |= inner(shape, (np.asarray(ring)[:, ::-1] - low) / grid.cell)
        return found

    allowed = ~within(outside)
    if inside:
        allowed &= within(inside)
    return np.asarray(distance_transform_edt(allowed) * grid.cell <= room, dtype=np.bool_)


def left_by(tips: Floats, n: int, cell: float, radius: float, corner: float) -> Floats:
    """Lowest underside of a cutter whose tip stands no lower than ``tips``, (ny + 2 n, nx + 2 n), at the
    (ny, nx) nodes in the middle; ``n`` nodes reach past the radius."""
    distance, inside = _disc(cell, radius)
    half = len(distance) // 2
    nodes = np.argwhere(inside) - half
    rises = _rises(distance[inside], radius, corner)
    rim, shares = _crossings(cell, radius)
    ways = [end for axis in (1, 0) for end in _ways(tips, axis, WALL * cell)]
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


def _ways(tips: Floats, axis: int, wall: float = math.inf) -> tuple[Floats, Floats]:
    """Heights at both ends of the way from each node to the next along ``axis``.

    Across a jump (see `jumps` for ``wall``), where an upright wall lets the tip down between two nodes, both
    are the higher.
    """
    a, b = tips.copy(), tips.copy()
    ahead, behind = [slice(None)] * 2, [slice(None)] * 2
    ahead[axis], behind[axis] = slice(1, None), slice(None, -1)
    b[tuple(behind)] = tips[tuple(ahead)]
    higher = np.maximum(a, b)[tuple(behind)]
    jump = jumps(tips, axis, wall)
    a[tuple(behind)] = np.where(jump, higher, a[tuple(behind)])
    b[tuple(behind)] = np.where(jump, higher, b[tuple(behind)])
    return a, b
