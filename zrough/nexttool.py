"""What the next cutter, a ball-nose, will meet when it runs over the leftover."""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from zrough import threads
from zrough.errors import StockError
from zrough.grid import Grid, Map

Style = Literal["raster", "contour"]

DEFAULT_CUSP = 0.02  # mm, usual for semi-finishing in mould shops (common practice, no published source)
PERCENTILES = (50.0, 90.0, 99.0)
_PITCH_SHARE = 30.0  # tip positions across the ball: between two of them it sags less than D / 3600
_PLACES = 5
_COARSE = 48  # nodes of the map in as_dict along its longer side
_SPREAD = 256  # bands of bite in `BallLoad.spread`


@dataclass(frozen=True)
class Place:
    """One heavy spot: tip position (x, y, z) mm, bite mm, volume per path mm3/mm."""

    at: tuple[float, float, float]
    bite: float
    volume: float


@dataclass(frozen=True)
class BallLoad:
    """Load of a ball-nose over the leftover.

    The bite is how deep the stock's surface lies inside the ball, square to the ball, in the stock as it
    stands before the pass begins (one raster line, or all the contours of one height); on an even layer it
    is the layer's thickness over the allowance. The volume is what each millimetre of path removes.

    Attributes
    ----------
    style : "raster" or "contour". diameter, allowance : mm. step : mm between lines or heights.
    cell : mm, distance of the tip positions. grid, bite_map, volume_map : (ny, nx) mm and mm3/mm at the
        tip's place, NaN where it does not cut.
    thickest : mm. largest_volume, mean_volume : mm3 per mm of path in cut. percentiles : {50: mm, ...} of
        the bite along the path in cut. path_length, cut_length : mm. removed : mm3.
    places : the heaviest spots, at least a ball diameter apart. limit : mm or None. ok : bite within limit.
    spread : (_SPREAD,) mm of path in cut by bite, in even bands from 0 to ``thickest``.
    over : mm of path whose bite is above the limit, 0 without one.
    """

    style: Style
    diameter: float
    allowance: float
    step: float
    cell: float
    grid: Grid
    bite_map: Map
    volume_map: Map
    thickest: float
    largest_volume: float
    mean_volume: float
    percentiles: dict[float, float]
    path_length: float
    cut_length: float
    removed: float
    places: tuple[Place, ...]
    limit: float | None
    ok: bool
    spread: Map
    over: float

    def seconds(self, feed: float, limit: float | None = None) -> float:
        """Time of the pass, s, at ``feed`` mm/min, slowed where the bite passes ``limit`` (its own, if None).

        There the feed falls as the bite grows, so that a millimetre of edge takes no more than at the limit.
        """
        most = self.limit if limit is None else limit
        bite = self.thickest * (np.arange(len(self.spread)) + 1.0) / len(self.spread)
        slow = np.ones_like(bite) if most is None else np.maximum(bite / most, 1.0)
        air = max(self.path_length - float(self.spread.sum()), 0.0)
        return 60.0 * (float((self.spread * slow).sum()) + air) / feed

    def coarse(self) -> dict[str, Any]:
        """The two maps at a few dozen nodes, largest value of each patch: fit for JSON."""
        every = max(1, math.ceil(max(self.grid.nx, self.grid.ny) / _COARSE))
        rows, columns = -(-self.grid.ny // every), -(-self.grid.nx // every)

        def shrunk(field: Map) -> list[list[float | None]]:
            whole = np.full((rows * every, columns * every), -np.inf)
            whole[: self.grid.ny, : self.grid.nx] = np.where(np.isnan(field), -np.inf, field)
            most = whole.reshape(rows, every, columns, every).max(axis=(1, 3))
            return [[round(float(v), 4) if np.isfinite(v) else None for v in row] for row in most]

        half = 0.5 * (every - 1) * self.grid.cell
        return {
            "x0": self.grid.x0 + half, "y0": self.grid.y0 + half, "cell": self.grid.cell * every,
            "bite": shrunk(self.bite_map), "volume": shrunk(self.volume_map),
        }  # fmt: skip

    def as_dict(self) -> dict[str, Any]:
        """The numbers and small maps, fit for JSON."""
        plain = (
            "style", "diameter", "allowance", "step", "cell", "thickest", "largest_volume", "mean_volume",
            "path_length", "cut_length", "removed", "limit", "ok", "over",
        )  # fmt: skip
        found: dict[str, Any] = {name: getattr(self, name) for name in plain}
        found["percentiles"] = {f"{k:g}": v for k, v in self.percentiles.items()}
        found["map"] = self.coarse()
        found["places"] = [{"at": list(p.at), "bite": p.bite, "volume": p.volume} for p in self.places]
        return found


def by_rows(rows: int, work: Callable[[int, int], object]) -> None:
    """Call ``work(first, last)`` over all rows, in a few threads; each row is done by one of them."""
    parts = np.linspace(0, rows, min(rows, 16) + 1).astype(int).tolist()
    with ThreadPoolExecutor(max_workers=threads.count()) as pool:
        for done in [pool.submit(work, a, b) for a, b in pairwise(parts)]:
            done.result()


def step_for_cusp(diameter: float, cusp: float) -> float:
    """Distance of neighbouring ball-nose lines on a flat that leaves cusps of this height, mm.

    s = 2 sqrt(D h - h^2), Dormer Pramet milling catalogue 2021-22 p. 114.
    """
    return 2.0 * math.sqrt(diameter * cusp - cusp * cusp)


def ball_load(
    grid: Grid,
    leftover: Map,
    part_heights: Map | None,
    ball_diameter: float,
    allowance: float = 0.1,
    step_over: float | None = None,
    *,
    style: Style = "raster",
    angle_deg: float = 0.0,
    limit: float | None = None,
    cl_heights: Map | None = None,
    cell: float | None = None,
) -> BallLoad:
    """Run a ball-nose over the leftover and say what it meets.

    Parameters
    ----------
    leftover : (ny, nx), mm, stock height at the node, -inf for nothing.
    part_heights : (ny, nx), mm, part height at the node, -inf for none; the ball rests on these nodes. Or
        ``cl_heights``: (ny, nx), mm, tip heights that hold the allowance, exact if the caller has them.
    allowance : mm, left on the part. step_over : mm between lines (raster) or heights (contour); None: the
        step that leaves 0.02 mm cusps on a flat.
    angle_deg : 0 (lines along X) or 90 (along Y). limit : mm, the thickest bite allowed.
    cell : mm, distance of the tip positions; None: a thirtieth of the ball. Never finer than the map.

    Raises
    ------
    StockError : shapes differ, a size is not positive, or the ball rests on no part.

    Notes: stock and part count at every node of the map, whatever ``cell``. A wall may stand up to one node
    further out than its outermost node, and the ball with it; exact ``cl_heights`` take that error away.
    """
    _verify(grid, leftover, part_heights, cl_heights, ball_diameter, allowance, step_over, angle_deg)
    if angle_deg == 90.0 and style == "raster":
        part, tips = (None if m is None else m.T for m in (part_heights, cl_heights))
        found = ball_load(
            _swap(grid), leftover.T, part, ball_diameter, allowance, step_over,
            limit=limit, cl_heights=tips, cell=cell,
        )  # fmt: skip
        return _unturn(found)
    step = step_over if step_over is not None else step_for_cusp(ball_diameter, DEFAULT_CUSP)
    every = max(1, math.floor((cell or ball_diameter / _PITCH_SHARE) / grid.cell + 1e-9))
    stock, part, tips = (_plain(m) for m in (leftover, part_heights, cl_heights))
    assert stock is not None
    if tips is not None:
        tips = tips[::every, ::every]
    else:
        assert part is not None
        tips = _rest(part, every, grid.cell, 0.5 * ball_diameter, allowance)
    if not np.isfinite(tips).any():
        raise StockError("next cutter's load: the ball rests on no part; give a map with the part under it")
    coarse = Grid(grid.x0, grid.y0, grid.cell * every, tips.shape[1], tips.shape[0])
    path = (_raster if style == "raster" else _contours)(coarse, stock, tips, step)
    return _drive(coarse, every, stock, path, ball_diameter, allowance, step, style, limit)


def _verify(
    grid: Grid,
    leftover: Map,
    part: Map | None,
    tips: Map | None,
    diameter: float,
    allowance: float,
    step: float | None,
    angle: float,
) -> None:
    if part is None and tips is None:
        raise StockError("next cutter's load: neither part heights nor tip heights given; give one of them")
    for name, field in (("leftover", leftover), ("part", part), ("tip", tips)):
        if field is not None and field.shape != grid.shape:
            raise StockError(f"next cutter's load: {name} map has shape {field.shape}, its grid {grid.shape}")
    for name, value in (("ball diameter", diameter), ("step", 1.0 if step is None else step)):
        if not value > 0:
            raise StockError(f"next cutter's load: {name} is {value:g} mm; give more than 0")
    if not allowance >= 0:
        raise StockError(f"next cutter's load: allowance is {allowance:g} mm; give 0 or more")
    if angle not in (0.0, 90.0):
        raise StockError(f"next cutter's load: lines at {angle:g} degrees; give 0 or 90")


def _swap(grid: Grid) -> Grid:
    return Grid(grid.y0, grid.x0, grid.cell, grid.ny, grid.nx)


def _unturn(load: BallLoad) -> BallLoad:
    """Exchange x and y of everything that has a place."""
    from dataclasses import replace

    places = tuple(Place((p.at[1], p.at[0], p.at[2]), p.bite, p.volume) for p in load.places)
    return replace(
        load, grid=_swap(load.grid), bite_map=np.ascontiguousarray(load.bite_map.T),
        volume_map=np.ascontiguousarray(load.volume_map.T), places=places,
    )  # fmt: skip


def _plain(field: Map | None) -> Map | None:
    """A copy with -inf for what is no number."""
    if field is None:
        return None
    copy = np.array(field, dtype=np.float64, order="C")
    copy[np.isnan(copy)] = -np.inf
    return copy


def _rest(part: Map, every: int, cell: float, radius: float, allowance: float) -> Map:
    """Tip heights, at every ``every``-th node, of a ball that keeps ``allowance`` off the part."""
    from zrough.kernels.leftover import ball_rest

    grown = radius + allowance
    k = math.floor(grown / cell)
    away = np.arange(-k, k + 1) * cell
    square = grown**2 - away[:, None] ** 2 - away[None, :] ** 2
    rise = np.where(square >= 0, np.sqrt(np.maximum(square, 0.0)), -np.inf)
    centre = np.empty_like(part[::every, ::every])
    by_rows(len(centre), lambda a, b: ball_rest(part, rise, every, a, b, centre))
    return centre - radius


@dataclass(frozen=True)
class _Path:
    points: Map  # (n, 3): x and y in nodes, z of the tip in mm
    first: NDArray[np.int64]  # (m + 1,) offsets of the passes
    fresh: NDArray[np.bool_]  # (n,) set down here, not cutting from the point before


def _raster(grid: Grid, stock: Map, tips: Map, step: float) -> _Path:
    """Lines along X, ``step`` apart, centred on the map; between two rows the tip keeps to the higher."""
    width = (grid.ny - 1) * grid.cell
    count = math.floor(width / step + 1e-9)
    start = 0.5 * (width - count * step)
    x = np.arange(grid.nx, dtype=np.float64)
    points, fresh, first = [], [], [0]
    for k in range(count + 1):
        y = min(max((start + k * step) / grid.cell, 0.0), grid.ny - 1.0)
        z = np.maximum(tips[math.floor(y)], tips[math.ceil(y)])
        there = np.flatnonzero(np.isfinite(z))
        if not len(there):
            continue
        points.append(np.stack([x[there], np.full(len(there), y), z[there]], axis=1))
        fresh.append(np.concatenate([[True], np.diff(there) > 1]))
        first.append(first[-1] + len(there))
    if not points:
        raise StockError(
            f"next cutter's load: no line meets the part at a step of {step:g} mm; give a smaller one"
        )
    return _Path(np.concatenate(points), np.array(first, dtype=np.int64), np.concatenate(fresh))


def _contours(grid: Grid, stock: Map, tips: Map, step: float) -> _Path:
    """Contours of the tip heights from the top of the stock down, ``step`` apart."""
    from skimage import measure

    bottom = float(tips[np.isfinite(tips)].min())
    top = min(float(stock[np.isfinite(stock)].max()), float(tips[np.isfinite(tips)].max()))
    field = np.where(np.isfinite(tips), tips, bottom - 10.0 * step)
    points, fresh, first = [], [], [0]
    for z in np.arange(top - 0.5 * step, bottom, -step):
        at_height = 0
        for line in measure.find_contours(field, float(z)):  # type: ignore[no-untyped-call]
            walked = _walk(line)
            points.append(np.column_stack([walked[:, 1], walked[:, 0], np.full(len(walked), z)]))
            fresh.append(np.arange(len(walked)) == 0)
            at_height += len(walked)
        if at_height:
            first.append(first[-1] + at_height)
    if not points:
        raise StockError("next cutter's load: no contour lies between stock top and part; use raster")
    return _Path(np.concatenate(points), np.array(first, dtype=np.int64), np.concatenate(fresh))


def _walk(line: Map) -> Map:
    """Points one node apart along a polyline given in nodes."""
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    stops = np.linspace(0.0, length[-1], max(2, math.ceil(length[-1]) + 1))
    return np.column_stack([np.interp(stops, length, line[:, 0]), np.interp(stops, length, line[:, 1])])


def _drive(
    grid: Grid, every: int, stock: Map, path: _Path, diameter: float, allowance: float, step: float,
    style: Style, limit: float | None,
) -> BallLoad:  # fmt: skip
    from zrough.kernels.leftover import ball_cut

    n = len(path.points)
    bite, volume = np.zeros(n), np.zeros(n)
    fine = path.points * np.array([every, every, 1.0])
    cell, scratch = grid.cell / every, np.empty_like(stock)
    whole = stock.copy()
    ball_cut(stock, scratch, cell, 0.5 * diameter, fine, path.fresh, path.first, bite, volume)
    mm = path.points * [grid.cell, grid.cell, 1.0]
    length = np.concatenate([[0.0], np.linalg.norm(np.diff(mm, axis=0), axis=1)])
    length[path.fresh] = 0.0
    rate = np.divide(volume, length, out=np.zeros(n), where=length > 0)
    cutting = bite > 1e-9
    bites, weights = bite[cutting], length[cutting]
    column, row = np.rint(path.points[:, 0]).astype(np.int64), np.rint(path.points[:, 1]).astype(np.int64)
    thickest = float(bite.max()) if n else 0.0
    at = mm + np.array([grid.x0, grid.y0, 0.0])
    spread, _ = np.histogram(bites, _SPREAD, (0.0, max(thickest, 1e-9)), weights=weights)
    over = 0.0 if limit is None else float(weights[bites > limit].sum())
    return BallLoad(
        style, diameter, allowance, step, grid.cell, grid,
        _scatter(grid, row, column, bite, cutting), _scatter(grid, row, column, rate, cutting),
        thickest, float(rate.max()), float(volume.sum() / max(weights.sum(), 1e-12)),
        _weighted(bites, weights), float(length.sum()), float(weights.sum()), _taken(whole, stock, cell),
        _places(at, bite, rate, diameter), limit, limit is None or thickest <= limit, spread, over,
    )  # fmt: skip


def _taken(before: Map, after: Map, cell: float) -> float:
    there = np.isfinite(before)
    return float((before[there] - after[there]).sum() * cell**2)


def _scatter(
    grid: Grid, row: NDArray[np.int64], column: NDArray[np.int64], value: Map, where: NDArray[np.bool_]
) -> Map:
    out = np.full(grid.shape, -np.inf)
    np.maximum.at(out, (row[where], column[where]), value[where])
    out[out == -np.inf] = np.nan
    return out


def _weighted(values: Map, weights: Map) -> dict[float, float]:
    """Percentiles of values that stretch over the path lengths ``weights``."""
    if not len(values) or weights.sum() <= 0:
        return dict.fromkeys(PERCENTILES, 0.0)
    order = np.argsort(values, kind="stable")
    share = np.cumsum(weights[order]) / weights.sum()
    rank = np.minimum(np.searchsorted(share, np.array(PERCENTILES) / 100.0), len(values) - 1)
    return {p: float(values[order][k]) for p, k in zip(PERCENTILES, rank, strict=True)}


def _places(at: Map, bite: Map, rate: Map, apart: float) -> tuple[Place, ...]:
    """The heaviest bites, no two nearer than ``apart`` mm."""
    found: list[Place] = []
    left = bite.copy()
    for _ in range(_PLACES):
        k = int(np.argmax(left)) if len(left) else 0
        if not len(left) or left[k] <= 1e-9:
            break
        x, y, z = (float(v) for v in at[k])
        found.append(Place((x, y, z), float(bite[k]), float(rate[k])))
        left[np.linalg.norm(at - at[k], axis=1) < apart] = 0.0
    return tuple(found)
