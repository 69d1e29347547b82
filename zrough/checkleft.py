"""What the replay left standing: flats, stairs, and what the cutter could still reach."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from zrough.grid import Grid
from zrough.kernels import replay as kernels
from zrough.nexttool import by_rows
from zrough.replay import Body, Floats, Replay

DOUBT = 0.005  # mm: how exact a height is, and a reach over a flat
STEEP = 3.0  # rise over run between nodes above which a slope is a wall


@dataclass(frozen=True)
class Leftover:
    """The stock as left, and what was measured on it. Lengths mm.

    Attributes
    ----------
    grid, heights : (ny, nx) float64, -inf where nothing stands.
    normal_percentiles : leftover square to the part ("50", "90", "95", "99", "99.9" and "largest").
    tallest_stair, stair_at : see `_stairs`. normal_stair, normal_stair_at : the same square to the surface.
    excess_volume mm3, excess_height, excess_at : what stands above the lowest surface that the cutter, grown
        by the allowances, can reach; on the reach map, two nodes of doubt beside walls taken off.
    flats : one entry a flat: z, area mm2, allowance wanted, lowest, mean and highest leftover found.
    reach : pitch of the reach map, mm. reach_grid : its nodes; stairs, square_stairs (ny, nx) : what stands
        above it there, upright and square to the surface.
    """

    grid: Grid
    heights: Floats
    normal_percentiles: dict[str, float]
    tallest_stair: float
    stair_at: tuple[float, float, float]
    excess_volume: float
    excess_height: float
    excess_at: tuple[float, float, float]
    flats: tuple[dict[str, Any], ...]
    reach: float
    normal_stair: float = 0.0
    normal_stair_at: tuple[float, float, float] = (math.nan, math.nan, math.nan)
    reach_grid: Grid | None = None
    stairs: Floats | None = None
    square_stairs: Floats | None = None

    def tallest_outside(
        self, listed: Sequence[tuple[float, Sequence[float]]], square: bool = False
    ) -> tuple[float, tuple[float, float, float]]:
        """Tallest stair, and its place, outside ground that the planner lists as left.

        ``listed``: tip height and box (x0, y0, x1, y1) of each place, mm. ``square``: to the surface.
        """
        stairs, grid = self.square_stairs if square else self.stairs, self.reach_grid
        if stairs is None or grid is None:
            found = self.normal_stair if square else self.tallest_stair
            return found, self.normal_stair_at if square else self.stair_at
        step = round(grid.cell / self.grid.cell)
        left = self.heights[::step, ::step]
        free = np.ones(stairs.shape, bool)
        for z, (x0, y0, x1, y1) in listed:
            beside = (grid.x < x0) | (grid.x > x1), (grid.y < y0) | (grid.y > y1)
            free &= beside[0][None, :] | beside[1][:, None] | (left <= z + DOUBT)
        return _highest(grid, np.where(free, stairs, 0.0), left)

    def to_dict(self) -> dict[str, Any]:
        """Numbers without the map."""
        return {
            "normal_percentiles_mm": self.normal_percentiles,
            "tallest_stair_mm": self.tallest_stair,
            "stair_at": list(self.stair_at),
            "normal_stair_mm": self.normal_stair,
            "normal_stair_at": list(self.normal_stair_at),
            "excess_volume_mm3": self.excess_volume,
            "excess_height_mm": self.excess_height,
            "excess_at": list(self.excess_at),
            "flats": [dict(f) for f in self.flats],
            "reach_pitch_mm": self.reach,
        }


def measure(job: Any, run: Replay, part: Any, bodies: Sequence[tuple[Body, float]]) -> Leftover:
    """All of `Leftover`; ``bodies`` are the cutters used, each with the lowest height it cuts at."""
    heights = run.heights.astype(np.float64)
    wall, floor = float(job.roughing.wall_allowance), float(job.roughing.floor_allowance)
    left = run.heights[:: run.step, :: run.step].astype(np.float64)
    reach_grid, reach = _reachable(run, bodies, wall, floor)
    gap = _gaps(reach_grid, reach, left)
    stair, stair_at = _highest(reach_grid, gap, left)
    normal = _normal(reach_grid, left, part)
    # the reach knows what cannot be cut, the distance from the part is exact: the smaller of the two holds
    slant = gap * _cosine(reach_grid, reach)
    if normal is not None:
        slant = np.nan_to_num(np.minimum(slant, normal.thickness - min(wall, floor)), nan=0.0)
    square, square_at = _highest(reach_grid, slant, left)
    volume, height, place = _excess(reach_grid, reach, left)
    return Leftover(
        run.grid, heights, _shares(normal), stair, stair_at, volume, height, place,
        _flats(job, run, part, floor, reach), reach_grid.cell, square, square_at,
        reach_grid, gap, slant,
    )  # fmt: skip


def tallest_stair(
    job: Any, run: Replay, left: NDArray[np.float32], bodies: Sequence[tuple[Body, float]]
) -> float:
    """Tallest stair on the stock ``left`` at some point of the program, each ``run.step``-th node."""
    wall, floor = float(job.roughing.wall_allowance), float(job.roughing.floor_allowance)
    grid, reach = _reachable(run, bodies, wall, floor)
    heights = left.astype(np.float64)
    return _highest(grid, _gaps(grid, reach, heights), heights)[0]


def _reachable(
    run: Replay, bodies: Sequence[tuple[Body, float]], wall: float, floor: float
) -> tuple[Grid, Floats]:
    """Coarse grid and the lowest surface that the grown cutters can leave there, at nodes."""
    part = run.part_tops[:: run.step, :: run.step].astype(np.float64)
    cell = run.grid.cell * run.step
    grid = Grid(run.grid.x0, run.grid.y0, cell, part.shape[1], part.shape[0])
    reach = np.full(part.shape, np.inf)
    for body, lowest in bodies:
        radius, corner = body.radius + wall, max(0.0, body.corner + wall)
        tip = np.maximum(_dilated(part, cell, radius, corner) + floor, lowest)
        reach = np.minimum(reach, -_dilated(-tip, cell, body.radius, body.corner))
    return grid, reach


def _dilated(heights: Floats, cell: float, radius: float, corner: float) -> Floats:
    """Highest of ``heights - underside of the cutter`` over the cutter's circle, the map's rim repeated as
    -inf."""
    n = math.ceil(radius / cell)
    offsets = np.arange(-n, n + 1) * cell
    drop = np.full((2 * n + 1, 2 * n + 1), np.inf, np.float32)
    distance = np.hypot(*np.meshgrid(offsets, offsets))
    inside = distance < radius - 1e-9
    over = np.maximum(distance[inside] - (radius - corner), 0.0)
    drop[inside] = corner - np.sqrt(np.maximum(corner**2 - over**2, 0.0))
    out = np.full(heights.shape, -np.inf, np.float32)
    source = np.ascontiguousarray(heights, dtype=np.float32)
    by_rows(len(out), lambda first, last: kernels.dilate(source, drop, first, last, out))
    return out.astype(np.float64)


def _gaps(grid: Grid, reach: Floats, left: Floats) -> Floats:
    """How far the stock stands above the surface within the cutter's reach: stairs on walls, at nodes.

    On a slope cut in steps, the stock at the outer edge of each step stands above the reach by the height of
    the step below it; on a flat or an upright wall by nothing. Right to one node times the slope; beside a
    wall steeper than `STEEP` a node counts with the highest reach of its neighbours, so that its doubt is no
    stair: a node for where the wall stands, and one for where the cutter that touches it does. On the crest
    of such a wall, which falls away from the node, it is the highest of its nearest neighbours. Where there
    is nothing to compare, 0.
    """
    near, wall, steep = _beside(grid, reach)
    with np.errstate(invalid="ignore"):
        crest = reach + _neighbours_highest(-reach, 1) > STEEP * grid.cell
        gap = left - np.where(steep, wall, np.where(crest, near, reach))
    gap[~np.isfinite(gap)] = 0.0
    return np.maximum(gap, 0.0)


def _cosine(grid: Grid, reach: Floats) -> Floats:
    """Cosine of the slope at every node, by the shallower neighbour on each axis: not too small."""
    square = np.zeros(reach.shape)
    for axis in (0, 1):
        with np.errstate(invalid="ignore"):
            step = np.abs(np.diff(reach, axis=axis)) / grid.cell
        step[~np.isfinite(step)] = 0.0
        edge = np.take(step, [0], axis=axis), np.take(step, [-1], axis=axis)
        both = np.concatenate([edge[0], step], axis=axis), np.concatenate([step, edge[1]], axis=axis)
        square += np.minimum(*both) ** 2
    return np.asarray(1.0 / np.sqrt(1.0 + square), dtype=np.float64)


def _highest(grid: Grid, gap: Floats, left: Floats) -> tuple[float, tuple[float, float, float]]:
    i, j = np.unravel_index(int(np.argmax(gap)), gap.shape)
    place = (float(grid.x0 + j * grid.cell), float(grid.y0 + i * grid.cell), float(left[i, j]))
    return max(0.0, float(gap[i, j])), place


def _excess(grid: Grid, reach: Floats, left: Floats) -> tuple[float, float, tuple[float, float, float]]:
    near, wall, steep = _beside(grid, reach)
    with np.errstate(invalid="ignore"):
        gap = left - np.where(steep, wall, near)
    gap[~np.isfinite(gap)] = -np.inf
    standing = gap > 0.05
    if not standing.any():
        return 0.0, 0.0, (math.nan, math.nan, math.nan)
    height, place = _highest(grid, gap, left)
    return float(gap[standing].sum() * grid.cell**2), height, place


def _beside(grid: Grid, reach: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Highest reach within one node and within two, and where a wall stands that near."""
    near, wall = _neighbours_highest(reach, 1), _neighbours_highest(reach, 2)
    rise = STEEP * grid.cell
    with np.errstate(invalid="ignore"):
        return near, wall, (near - reach > rise) | (wall - reach > 2.0 * rise)


def _neighbours_highest(heights: Floats, nodes: int) -> Floats:
    from scipy import ndimage

    return np.asarray(ndimage.maximum_filter(heights, size=2 * nodes + 1, mode="nearest"), dtype=np.float64)


def _normal(grid: Grid, heights: Floats, part: Any) -> Any | None:
    """`NormalLeftover` over nodes with part under them, None without any."""
    from zrough.errors import StockError
    from zrough.leftover import normal_leftover

    try:
        return normal_leftover(grid, heights, part.triangles)
    except StockError:
        return None


def _shares(normal: Any | None) -> dict[str, float]:
    """Percentiles of the distance from the stock's surface to the nearest point of the part."""
    if normal is None:
        return {}
    return {**{f"{k:g}": float(v) for k, v in normal.percentiles.items()}, "largest": float(normal.largest)}


def _flats(job: Any, run: Replay, part: Any, floor: float, reach: Floats) -> tuple[dict[str, Any], ...]:
    """Leftover on each level area of the part that the cutter's circle fits on.

    ``typical_mm`` is judged where the cutter comes down to the allowance; None if it does so nowhere, as in
    a dip whose rim holds it up.
    """
    from scipy.ndimage import minimum_filter

    lowest = minimum_filter(reach, size=3)
    tilt = math.cos(math.radians(float(getattr(job.roughing, "flat_tilt_deg", 0.05) or 0.05)))
    t = np.asarray(part.triangles, dtype=np.float64)
    normal = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
    size = np.linalg.norm(normal, axis=1)
    level = (normal[:, 2] >= tilt * size) & (size > 0)
    heights = np.round(t[level].mean(axis=1)[:, 2], 3)
    out = []
    for z in np.unique(heights)[::-1]:
        on = level.copy()
        on[level] = heights == z
        seen = np.full(run.grid.shape, -np.inf, np.float32)
        grid = run.grid
        kernels.raster_top(np.ascontiguousarray(t[on]), grid.x0, grid.y0, grid.cell, 0, grid.ny, seen)
        here = np.isfinite(seen) & (run.part_tops < seen + np.float32(1e-3)) & np.isfinite(run.heights)
        gap = run.heights[here].astype(np.float64) - float(z)
        if not gap.size:
            continue
        cut = gap < floor + 0.5  # where the cutter has been down to the flat
        # Where the stock was no higher than the allowance, as on its own top, none can be left.
        judged = cut & (run.tops[here] >= np.float32(z + floor - 1e-3))
        i, j = np.nonzero(here)
        i, j = np.minimum(i // run.step, len(reach) - 1), np.minimum(j // run.step, reach.shape[1] - 1)
        judged &= lowest[i, j] <= z + floor + DOUBT
        out.append({
            "z": float(z), "area_mm2": float(size[on].sum() / 2), "wanted_mm": floor,
            "cut_share": float(cut.mean()),
            "lowest_mm": float(gap.min()),
            "typical_mm": float(np.median(gap[judged])) if judged.any() else None,
            "highest_mm": float(gap.max()),
        })  # fmt: skip
        if len(out) >= 64:
            break
    return tuple(out)
