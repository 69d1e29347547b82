"""What the replay left standing: flats, stairs, and what the cutter could still reach."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from zrough.checkreach import Reach, highest_within, jumps
from zrough.grid import Grid
from zrough.kernels import replay as kernels
from zrough.replay import Floats, Replay

DOUBT = 0.005  # mm: how exact a height is, and a reach over a flat
HELD = 0.0005  # mm: a reach higher than this over a flat's highest place is not that flat's
STEEP = 3.0  # rise over run between nodes above which a slope is a wall
SKIN = 0.02  # mm that a film may be wide on a wall: a trace of the path, no stair
MOST = 500  # nodes that are looked at again: a program may leave stairs everywhere
TERRACE = 8  # nodes of one height that make it a terrace
SPECK, PATCH = 0.01, 0.25  # of the square of the radius, see `_is_patch`
ROUNDED = 1e-4  # mm: by how much a plane face's corners may differ in height
UNSURE = 0.2  # of the rise from node to node: how well the reach is known on a slope


@dataclass(frozen=True)
class Leftover:
    """The stock as left, and what was measured on it. Lengths mm.

    Attributes
    ----------
    grid, heights : (ny, nx) float64, -inf where nothing stands.
    normal_percentiles : leftover square to the part ("50", "90", "95", "99", "99.9" and "largest").
    tallest_stair, stair_at : see `_gaps`. normal_stair, normal_stair_at : the same square to the surface.
    excess_volume mm3, excess_height, excess_at : what stands above the lowest surface that the cutter, grown
        by the allowances, can reach; on the reach map, two nodes of doubt beside walls taken off.
    shut_volume mm3 : what stands besides above a lower surface, which the part alone would let the cutter
        leave: no way leads there within the rules (see `checkways`).
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
    shut_volume: float = 0.0

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
        ends = left + stairs  # a node may stand at the foot of what it measures
        free = np.ones(stairs.shape, bool)
        for z, (x0, y0, x1, y1) in listed:
            beside = (grid.x < x0) | (grid.x > x1), (grid.y < y0) | (grid.y > y1)
            free &= beside[0][None, :] | beside[1][:, None] | (ends <= z + DOUBT)
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
            "shut_volume_mm3": self.shut_volume,
            "flats": [dict(f) for f in self.flats],
            "reach_pitch_mm": self.reach,
        }


def measure(job: Any, run: Replay, part: Any, found: Reach) -> Leftover:
    """All of `Leftover`; ``found`` is what the cutters used could have left."""
    heights = run.heights.astype(np.float64)
    wall, floor = float(job.roughing.wall_allowance), float(job.roughing.floor_allowance)
    left = run.heights[:: run.step, :: run.step].astype(np.float64)
    reach_grid, reach = found.grid, found.lowest
    gap = _stairs(found, run.heights, run.step, float(job.roughing.stair_height))
    stair, stair_at = _highest(reach_grid, gap, left)
    normal = _normal(reach_grid, left, part)
    # the reach knows what cannot be cut, the distance from the part is exact: the smaller of the two holds
    slant = gap * _cosine(reach_grid, reach)
    if normal is not None:
        slant = np.nan_to_num(np.minimum(slant, normal.thickness - min(wall, floor)), nan=0.0)
    square, square_at = _highest(reach_grid, slant, left)
    volume, height, place = _excess(reach_grid, reach, left)
    shut = 0.0 if found.bare is None else _excess(reach_grid, found.bare, left)[0] - volume
    return Leftover(
        run.grid, heights, _shares(normal), stair, stair_at, volume, height, place,
        _flats(job, run, part, floor, reach), reach_grid.cell, square, square_at,
        reach_grid, gap, slant, max(0.0, shut),
    )  # fmt: skip


def tallest_stair(found: Reach, left: NDArray[np.float32], step: int = 1, limit: float = math.inf) -> float:
    """Tallest stair on the stock ``left`` at some point of the program, see `_stairs`."""
    return max(0.0, float(_stairs(found, left, step, limit).max()))


def _stairs(
    found: Reach, heights: NDArray[np.floating[Any]], step: int = 1, limit: float = math.inf
) -> Floats:
    """As `_gaps`; nodes that seem to pass a ``limit`` mm (0 = there is none) are looked at more closely, of
    more than `MOST` the tallest."""
    gap = _gaps(found, heights, step)
    over = gap > limit
    tallest = np.argsort(-gap[over], kind="stable")
    over.flat[np.flatnonzero(over)[tallest[MOST:]]] = False
    if limit > 0.0 and over.any():
        np.copyto(gap, _gaps(found.closer(over), heights, step), where=over)
    return gap


def _gaps(found: Reach, heights: NDArray[np.floating[Any]], step: int = 1) -> Floats:
    """How far the stock stands above the surface within the cutter's reach: stairs on walls, at nodes.

    ``heights`` of the stock, on a map each ``step``-th node of which is one of the reach. On a slope cut in
    steps, the stock at the outer edge of each step stands above the reach by the height of the step below it;
    on a flat or an upright wall by nothing. A film `SKIN` wide on a wall is no stair; terraces are seen to
    their full height by `_at_edges`. On a wall too steep to know its height at a node, the highest reach
    within one node counts, so that this doubt is no stair. Where there is nothing to compare, 0.
    """
    left = heights[::step, ::step].astype(np.float64)
    with np.errstate(invalid="ignore"):
        skin = SKIN * _slope(found.grid, found.lowest, steeper=True)
        gap = left - np.where(found.upright, found.near, np.minimum(found.lowest + skin, found.near))
    gap[~np.isfinite(gap)] = 0.0
    terraces, count = np.unique(np.round(left[np.isfinite(left)], 3), return_counts=True)
    terraces = np.concatenate([[-np.inf], terraces[count >= TERRACE]])
    _at_edges(found.lowest, found.upright, heights[::step], step, terraces, gap)
    _at_edges(found.lowest.T, found.upright.T, heights[:, ::step].T, step, terraces, gap.T)
    return np.maximum(gap, 0.0)


def _at_edges(
    reach: Floats, upright: NDArray[np.bool_], stock: NDArray[np.floating[Any]], step: int, terraces: Floats,
    gap: Floats,
) -> None:  # fmt: skip
    """Raise ``gap`` at nodes beside which a terrace ends, along rows, in place; ``stock`` has ``step`` nodes
    for one of the others.

    The edge lies somewhere between two nodes, where the reach is no higher than the lower terrace: that is
    how high the stair is there, however far from the edge the nodes happen to lie. If the reach is higher
    at both, the program has been lower there than asked for, and the stair begins at the reach. Both
    terraces must be seen to be level, by one more node on either side, and the wall between them a slope.
    ``terraces``, heights that others have, may be hidden between the two nodes and count.
    """
    count = (reach.shape[1] - 1) * step + 1
    at = np.arange(count) // step
    after, share = np.minimum(at + 1, reach.shape[1] - 1), np.arange(count) % step / step
    lines = reach[:, at] + share * (reach[:, after] - reach[:, at])
    rough = np.pad(jumps(reach, 1), ((0, 0), (0, 1))) | upright
    rough = rough[:, at] | rough[:, after]
    for way in (slice(None), slice(None, None, -1)):
        _at_ends(
            lines[:, way], stock[:, :count][:, way], rough[:, way], terraces, at[way], UNSURE * step, gap
        )


def _at_ends(
    reach: Floats, stock: NDArray[np.floating[Any]], rough: NDArray[np.bool_], terraces: Floats,
    column: NDArray[np.int64], unsure: float, gap: Floats,
) -> None:  # fmt: skip
    """One direction of `_at_edges`: terraces that end on the way up in columns; ``column`` of ``gap``, and
    how ``unsure`` the reach is as a share of its rise from node to node."""
    if stock.shape[1] < 4:
        return
    s0, s1, s2, s3 = (stock[:, k : stock.shape[1] - 3 + k] for k in range(4))
    with np.errstate(invalid="ignore"):
        ends = (np.abs(s0 - s1) < DOUBT) & (np.abs(s2 - s3) < DOUBT) & (s1 > s2 + DOUBT)
    i, j = np.nonzero(ends & ~rough[:, 1:-2] & ~rough[:, 2:-1])
    higher, lower = stock[i, j + 1].astype(np.float64), stock[i, j + 2].astype(np.float64)
    before, after = reach[i, j + 1], reach[i, j + 2]
    known = before + unsure * np.abs(before - after)
    between = terraces[np.searchsorted(terraces, known + DOUBT, side="right") - 1]
    foot = np.maximum(np.maximum(lower, between), np.minimum(before, after))
    np.maximum.at(gap, (i, column[j + 1]), higher - foot)


def _cosine(grid: Grid, reach: Floats) -> Floats:
    """Cosine of the slope at every node, by the shallower neighbour on each axis: not too small."""
    return np.asarray(1.0 / np.hypot(1.0, _slope(grid, reach)), dtype=np.float64)


def _slope(grid: Grid, reach: Floats, steeper: bool = False) -> Floats:
    """Rise over run at every node, by the shallower or the steeper neighbour on each axis."""
    square = np.zeros(reach.shape)
    for axis in (0, 1):
        with np.errstate(invalid="ignore"):
            step = np.abs(np.diff(reach, axis=axis)) / grid.cell
        step[~np.isfinite(step)] = 0.0
        edge = np.take(step, [0], axis=axis), np.take(step, [-1], axis=axis)
        both = np.concatenate([edge[0], step], axis=axis), np.concatenate([step, edge[1]], axis=axis)
        square += (np.maximum(*both) if steeper else np.minimum(*both)) ** 2
    return np.asarray(np.sqrt(square), dtype=np.float64)


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
    near, wall = highest_within(reach, 1), highest_within(reach, 2)
    rise = STEEP * grid.cell
    with np.errstate(invalid="ignore"):
        return near, wall, (near - reach > rise) | (wall - reach > 2.0 * rise)


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


def _comes_down(reach: Floats, flat: NDArray[np.bool_], height: float, highest: float) -> NDArray[np.bool_]:
    """Nodes with a node of the ``flat`` in or beside them where the reach is ``height``, its allowance.

    The nodes of the flat alone are asked: lower ground beside it, where the cutter hangs over its edge, says
    nothing about it. Nor do those where ground beside it holds the cutter up, by however little over its
    ``highest`` place: no cut at its height comes there, as on a level facet in the saddle of a free form.
    """
    from scipy.ndimage import binary_dilation

    down = flat & (np.abs(reach - height) <= DOUBT) & (reach <= highest + HELD)
    return np.asarray(binary_dilation(down, np.ones((3, 3), np.bool_)))


def _is_patch(triangles: Floats, area: float, radius: float) -> bool:
    """Whether level triangles are a crest or dip of a curved surface, no floor: few, and not quite level."""
    drop = float(np.ptp(triangles[:, :, 2], axis=1).max())
    return area < SPECK * radius**2 or (area < PATCH * radius**2 and drop > ROUNDED)


def _flats(job: Any, run: Replay, part: Any, floor: float, reach: Floats) -> tuple[dict[str, Any], ...]:
    """Leftover on each level area of the part that the cutter's circle fits on.

    ``typical_mm`` is judged where the cutter comes down to the allowance; None if it does so nowhere, as in
    a dip whose rim holds it up.
    """
    tilt = math.cos(math.radians(float(getattr(job.roughing, "flat_tilt_deg", 0.05) or 0.05)))
    t = np.asarray(part.triangles, dtype=np.float64)
    normal = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
    size = np.linalg.norm(normal, axis=1)
    level = (normal[:, 2] >= tilt * size) & (size > 0)
    heights = np.round(t[level].mean(axis=1)[:, 2], 3)
    radius = 0.5 * min(float(c.diameter) for c in job.cutters)
    out = []
    for z in np.unique(heights)[::-1]:
        on = level.copy()
        on[level] = heights == z
        if _is_patch(t[on], float(size[on].sum() / 2), radius):
            continue
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
        top = float(t[on][:, :, 2].max())
        i, j = np.nonzero(here)
        i, j = np.minimum(i // run.step, len(reach) - 1), np.minimum(j // run.step, reach.shape[1] - 1)
        judged &= _comes_down(reach, here[:: run.step, :: run.step], float(z) + floor, top + floor)[i, j]
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
