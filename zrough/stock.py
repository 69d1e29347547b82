"""What the part is cut from: block, cylinder, mesh, or the leftover of an earlier plan."""

from __future__ import annotations

import io
import json
import math
import os
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from zrough.errors import StockError
from zrough.grid import Grid, Map
from zrough.part import Part, Triple, spot

if TYPE_CHECKING:
    from zrough.job import Job

Points = NDArray[np.float64]

SLACK = 1e-3  # mm; a part may stick out this far, as measures in inches are rounded; and its float32 file's
MESH_SLACK = 0.02  # mm; chords of a stock mesh, nodes of a leftover map
FORMAT, VERSION = "zrough leftover", 1
LEVEL = 0.05  # rise over run between nodes up to which ground counts as level
MAX_NODES = 400_000_000  # 3.2 GB of heights
FARTHEST = 1.0e5  # mm; as in job files
FINEST = 1.0e-4  # mm between nodes
MAX_NOTES = 1_000_000  # bytes of a leftover map's notes and frame


@dataclass(frozen=True, eq=False)
class Stock:
    """The stock in part coordinates, mm.

    Attributes
    ----------
    kind : "block", "cylinder", "mesh" or "leftover".
    lower, upper : corners of its box.
    centre, radius : of a cylinder in plan.
    triangles : (m, 3, 3), of a mesh. grid, heights : of a leftover. meta : notes stored with a leftover.
    """

    kind: str
    lower: Triple
    upper: Triple
    centre: tuple[float, float] | None = None
    radius: float | None = None
    triangles: Points | None = None
    grid: Grid | None = None
    heights: Map | None = None
    meta: Mapping[str, Any] | None = None

    @classmethod
    def from_job(cls, job: Job, part: Part) -> Stock:
        """The stock of a job, checked to hold the part.

        Raises
        ------
        StockError : the part sticks out, or the stock's file cannot be used.
        """
        spec = job.stock
        given = getattr(job, "stock_map", None)
        if given is not None:
            # a map alone does not say where the stock ends below; no level lies below the part's lowest point
            stock = _from_map(given[0], given[1], {"bottom": part.lower[2]}, "stock map")
        elif spec.kind == "block":
            stock = cls.block(spec.min or part.lower, spec.max or part.upper)
        elif spec.kind == "cylinder":
            stock = _cylinder(spec, part)
        else:
            stock = _from_file(spec, Path(job.base_dir), part)
        stock.check_holds(part)
        return stock

    @classmethod
    def block(cls, lower: Triple, upper: Triple) -> Stock:
        """A block between two corners, mm."""
        for axis, low, high in zip("xyz", lower, upper, strict=True):
            if not low < high:
                raise StockError(
                    f"stock.min {axis} = {low:g} is not below stock.max {axis} = {high:g}; correct them"
                )
        return cls("block", _triple(lower), _triple(upper))

    @classmethod
    def cylinder(cls, centre: tuple[float, float], diameter: float, bottom: float, top: float) -> Stock:
        """An upright cylinder, mm."""
        if not (diameter > 0 and bottom < top):
            raise StockError(
                f"stock: diameter {diameter:g}, bottom {bottom:g}, top {top:g} make no cylinder; correct them"
            )
        r, (x, y) = diameter / 2, centre
        return cls("cylinder", (x - r, y - r, bottom), (x + r, y + r, top), (float(x), float(y)), float(r))

    @property
    def cut_at(self) -> list[float]:
        """Tip heights at which a leftover has been cut, mm; empty where its notes do not tell."""
        found = (self.meta or {}).get("levels", ())
        if not isinstance(found, list | tuple):
            return []
        return [float(z) for z in found if isinstance(z, int | float) and math.isfinite(z)]

    # --- questions ----------------------------------------------------------------------------------

    def top(self, grid: Grid) -> Map:
        """Height of the stock's top at the nodes of ``grid``, (ny, nx) float64 mm; -inf beside it."""
        if self.kind in ("block", "cylinder"):
            away = self.plan_distance(_nodes(grid))
            assert away is not None
            near = away.reshape(grid.shape) <= 1e-9
            return np.where(near, self.upper[2], -np.inf)
        if self.triangles is not None:
            return heights_over(self.triangles, grid)
        assert self.grid is not None
        assert self.heights is not None
        return between(self.grid, self.heights, grid)

    def ceiling(self, grid: Grid) -> Map:
        """As `top`, but of a leftover the highest that may stand near a node, whatever the grid's pitch."""
        if self.grid is None or self.heights is None:
            return self.top(grid)
        return highest(self.grid, self.heights, grid)

    def met(self, corner: float) -> Map:
        """Heights of a leftover as a cutter's full circle meets them, on its own grid, (ny, nx) mm.

        The circle runs a corner radius over the tip. Where the ground rises, what stands less than that above
        the tip, the fillet left along a wall first of all, passes below it; level ground is met however thin
        it is.
        """
        assert self.grid is not None
        assert self.heights is not None
        solid = np.where(np.isfinite(self.heights), self.heights, self.lower[2] - 1e3)
        highest_ = solid.copy()
        for a, b in ((np.s_[:, 1:], np.s_[:, :-1]), (np.s_[1:], np.s_[:-1])):
            highest_[a] = np.maximum(highest_[a], solid[b])
            highest_[b] = np.maximum(highest_[b], solid[a])
        rising = highest_ - solid > LEVEL * self.grid.cell
        return np.where(rising, self.heights - corner, self.heights)

    def plan_distance(self, xy: Points) -> Points | None:
        """Signed distance in plan of points (n, 2) from the outline, positive outside, mm.

        None for a mesh or a leftover, whose outline only `top` knows.
        """
        xy = np.asarray(xy, dtype=np.float64)
        return self.plan_distances(xy[:, 0], xy[:, 1])

    def plan_distances(self, x: Points, y: Points) -> Points | None:
        """`plan_distance` of places whose coordinates broadcast: a row of x and a column of y make a map."""
        if self.kind == "cylinder":
            assert self.centre is not None
            assert self.radius is not None
            return np.asarray(np.hypot(x - self.centre[0], y - self.centre[1]) - self.radius)
        if self.kind == "block":
            over = [np.maximum(self.lower[k] - v, v - self.upper[k]) for k, v in ((0, x), (1, y))]
            outside = np.hypot(np.maximum(over[0], 0.0), np.maximum(over[1], 0.0))
            return np.asarray(outside + np.minimum(np.maximum(*over), 0.0))
        return None

    def volume(self, floor: float) -> float | None:
        """Volume of a block or cylinder above ``floor``, mm3; None for other kinds."""
        height = max(0.0, self.upper[2] - max(floor, self.lower[2]))
        if self.kind == "block":
            return (self.upper[0] - self.lower[0]) * (self.upper[1] - self.lower[1]) * height
        if self.kind == "cylinder" and self.radius is not None:
            return math.pi * self.radius**2 * height
        return None

    # --- does it hold the part? ---------------------------------------------------------------------

    def check_holds(self, part: Part) -> None:
        """Raise `StockError` if the part sticks out of the stock."""
        far = max(map(abs, (*part.lower, *part.upper)))
        slack = (SLACK if self.kind in ("block", "cylinder") else MESH_SLACK) + 1.2e-7 * far
        self._check_height(part, slack)
        if self.kind == "block":
            self._check_sides(part, slack)
        elif self.kind == "cylinder":
            away = self.plan_distance(part.vertices[:, :2])
            assert away is not None
            self._complain(part.vertices, away, slack, "stock.diameter")
        else:
            self._check_map(part, slack)

    def _check_height(self, part: Part, slack: float) -> None:
        above = part.upper[2] - self.upper[2]
        if above > slack:
            at = part.vertices[int(np.argmax(part.vertices[:, 2]))]
            raise StockError(
                f"the part stands {above:.6g} mm above the stock at {spot(at)}: "
                f"stock top {self.upper[2]:.6g}, part top {part.upper[2]:.6g}; "
                "raise the stock or shift the part (part.shift, part.zero)"
            )

    def _check_sides(self, part: Part, slack: float) -> None:
        low = np.subtract(self.lower, part.lower)
        high = np.subtract(part.upper, self.upper)
        axis = int(np.argmax(np.maximum(low, high)))
        out = max(low[axis], high[axis])
        if out <= slack:
            return
        side, name = ("min", "below") if low[axis] >= high[axis] else ("max", "above")
        limit = (self.lower if side == "min" else self.upper)[axis]
        row = np.argmin(part.vertices[:, axis]) if side == "min" else np.argmax(part.vertices[:, axis])
        raise StockError(
            f"the part sticks {out:.6g} mm out of the stock at {spot(part.vertices[int(row)])}, {name} "
            f"stock.{side} {'xyz'[axis]} = {limit:.6g}; enlarge the stock or shift the part; "
            f"part box {spot(part.lower)} to {spot(part.upper)}"
        )

    def _check_map(self, part: Part, slack: float) -> None:
        """Compare heights seen from above; a node's neighbours excuse it, since walls fall between nodes."""
        from scipy.ndimage import grey_dilation

        if self.grid is not None and self.heights is not None:
            grid, mine = self.grid, self.heights
        else:
            sides = np.subtract(part.upper, part.lower)[:2]
            grid = Grid.covering(part.lower[:2], part.upper[:2], float(max(sides)) / 400, 0.0)
            mine = self.top(grid)
        span = np.maximum(np.subtract(self.lower, part.lower), np.subtract(part.upper, self.upper))[:2]
        if span.max() > slack + grid.cell:
            raise StockError(
                f"the part reaches {span.max():.6g} mm beyond the stock in {'xy'[int(span.argmax())]}; "
                "enlarge the stock or shift the part"
            )
        theirs = heights_over(part.triangles, grid)
        near = grey_dilation(np.where(np.isfinite(mine), mine, -1e9), size=(3, 3), mode="nearest")
        over = np.where(np.isfinite(theirs), theirs - near, -np.inf)
        points = np.column_stack((_nodes(grid), theirs.reshape(-1)))
        self._complain(points, np.minimum(over, 1e6).reshape(-1), slack, "stock.file")

    def _complain(self, points: Points, out: Points, slack: float, key: str) -> None:
        worst = int(np.argmax(out)) if len(out) else 0
        if len(out) and out[worst] > slack:
            much = f"{out[worst]:.6g} mm" if out[worst] < 1e5 else "beside it,"
            raise StockError(
                f"the part sticks {much} out of the stock at {spot(points[worst])}, "
                f"{int((out > slack).sum())} points in all; enlarge the stock ({key}) or shift the part"
            )


def heights_over(triangles: Points, grid: Grid) -> Map:
    """Highest point of the triangles (m, 3, 3) over each node, (ny, nx) mm; -inf where there is none."""
    return seen(triangles, grid)[0]


def seen(triangles: Points, grid: Grid) -> tuple[Map, NDArray[np.int32]]:
    """Heights over each node, and the triangle seen there (-1 for none)."""
    from zrough.kernels.raster import seen_from_above

    heights = np.full(grid.shape, -np.inf)
    face = np.full(grid.shape, -1, dtype=np.int32)
    mesh = np.ascontiguousarray(triangles)
    seen_from_above(mesh, grid.x0, grid.y0, grid.cell, 0, grid.ny, heights, face)
    return heights, face


def _nodes(grid: Grid) -> Points:
    x, y = np.meshgrid(grid.x, grid.y)
    return np.column_stack((x.reshape(-1), y.reshape(-1)))


def _triple(values: Any) -> Triple:
    return float(values[0]), float(values[1]), float(values[2])


def _cylinder(spec: Any, part: Part) -> Stock:
    middle = [(a + b) / 2 for a, b in zip(part.lower, part.upper, strict=True)]
    centre = (middle[0], middle[1]) if spec.centre is None else (spec.centre[0], spec.centre[1])
    away = np.hypot(part.vertices[:, 0] - centre[0], part.vertices[:, 1] - centre[1])
    diameter = 2 * float(away.max()) if spec.diameter is None else spec.diameter
    bottom = part.lower[2] if spec.bottom is None else spec.bottom
    top = part.upper[2] if spec.top is None else spec.top
    return Stock.cylinder(centre, diameter, bottom, top)


def _from_file(spec: Any, base: Path, part: Part) -> Stock:
    """A mesh file, placed exactly as the part's file was, or a leftover map."""
    if not spec.file:
        raise StockError(f"stock.file: missing; a stock of kind '{spec.kind}' is read from a file")
    path = base / spec.file
    if spec.kind == "leftover":
        grid, heights, meta = load_leftover(path)
        return _from_map(grid, heights, {"bottom": part.lower[2], **meta}, path.name)
    from zrough import part as parts
    from zrough.errors import PartError

    try:
        mesh = parts.load_file(path, file_units=part.unit)
    except PartError as error:
        raise StockError(f"stock.file: {error}") from None
    points = mesh.triangles.reshape(-1, 3) @ part.transform[:3, :3].T + part.transform[:3, 3]
    low, high = points.min(axis=0), points.max(axis=0)
    triangles = np.ascontiguousarray(points.reshape(-1, 3, 3))
    return Stock("mesh", _triple(low), _triple(high), triangles=triangles)


# --- leftover maps ----------------------------------------------------------------------------------


def save_leftover(
    path: str | os.PathLike[str], grid: Grid, heights: Map, meta: Mapping[str, Any] | None = None
) -> Path:
    """Write a leftover map as ``.npz``, whole or not at all; same input, same bytes.

    Parameters
    ----------
    heights : (ny, nx), mm, in part coordinates; -inf where nothing is left.
    meta : notes that JSON can hold; ``bottom`` (mm) is the underside of the stock.
    """
    from zrough.io import write_atomic

    values = np.ascontiguousarray(heights, dtype=np.float64)
    if values.shape != grid.shape:
        raise StockError(f"leftover: heights {values.shape} do not match the grid {grid.shape}")
    if np.isnan(values).any():
        raise StockError(f"leftover: {int(np.isnan(values).sum())} heights are no numbers")
    head = {"format": FORMAT, "version": VERSION, "unit": "mm", "meta": dict(meta or {})}
    raw = json.dumps(head, sort_keys=True).encode()
    buffer = io.BytesIO()
    np.savez_compressed(
        buffer,
        head=np.frombuffer(raw, dtype=np.uint8),
        frame=np.array([grid.x0, grid.y0, grid.cell]),
        heights=values,
    )
    return write_atomic(path, buffer.getvalue())


def load_leftover(path: str | os.PathLike[str]) -> tuple[Grid, Map, dict[str, Any]]:
    """Read a leftover map: grid, heights (ny, nx) mm, notes.

    Raises
    ------
    StockError : missing, cut short, or not written by `save_leftover`.
    """
    where = Path(path)
    if not where.is_file():
        raise StockError(f"{where.name}: no such file in {where.parent}; check stock.file")
    if where.stat().st_size == 0:
        raise StockError(f"{where.name}: the file is empty (0 bytes); plan the earlier cutter again")
    try:
        # opened here, so that it is closed even if the reader gives up half way
        with where.open("rb") as file, np.load(file, allow_pickle=False) as data:
            _unpacks_to(where.name, data.zip)
            head = json.loads(bytes(data["head"]).decode())
            frame, heights = np.asarray(data["frame"]), np.asarray(data["heights"])
    except StockError:
        raise
    except MemoryError:
        raise StockError(f"{where.name}: not enough memory for this map; use a larger cell") from None
    except Exception:  # zip, zlib, json and numpy each have their own
        raise StockError(
            f"{where.name}: not a leftover map or cut short; use the leftover.npz of an earlier plan"
        ) from None
    return _checked_map(where.name, head, frame, heights)


def _unpacks_to(name: str, archive: zipfile.ZipFile) -> None:
    """Refuse a map that is small on disk and too large in memory, before it is unpacked."""
    size = sum(entry.file_size for entry in archive.infolist())
    if size > 8 * MAX_NODES + MAX_NOTES:
        raise StockError(
            f"{name}: unpacks to {size / 1e6:.0f} MB, limit {(8 * MAX_NODES + MAX_NOTES) / 1e6:.0f} MB; "
            "plan the earlier cutter with a larger cell"
        )


def _checked_map(name: str, head: Any, frame: Any, heights: Any) -> tuple[Grid, Map, dict[str, Any]]:
    if not isinstance(head, dict) or head.get("format") != FORMAT:
        raise StockError(f"{name}: not a leftover map; use the leftover.npz of an earlier plan")
    if head.get("version") != VERSION:
        raise StockError(
            f"{name}: leftover map of version {head.get('version')}, this program reads {VERSION}; plan again"
        )
    right = (
        heights.ndim == 2 and heights.size <= MAX_NODES and min(heights.shape) >= 2
        and heights.dtype == np.float64 and frame.shape == (3,) and frame.dtype == np.float64
        and bool((np.abs(frame) <= FARTHEST).all()) and float(frame[2]) >= FINEST
        and bool(((np.abs(heights) <= FARTHEST) | np.isneginf(heights)).all())
    )  # fmt: skip
    if not right:
        raise StockError(f"{name}: the map's heights or frame are damaged; plan the earlier cutter again")
    grid = Grid(float(frame[0]), float(frame[1]), float(frame[2]), heights.shape[1], heights.shape[0])
    notes = head.get("meta") or {}
    if not isinstance(notes, dict):
        raise StockError(f"{name}: the map's notes are damaged; plan the earlier cutter again")
    return grid, np.ascontiguousarray(heights), notes


def _from_map(grid: Grid, heights: Map, meta: Mapping[str, Any], name: str) -> Stock:
    solid = np.isfinite(heights)
    if not solid.any():
        raise StockError(f"{name}: nothing is left in this map; the part is already cut")
    rows, columns = np.flatnonzero(solid.any(axis=1)), np.flatnonzero(solid.any(axis=0))
    low = float(heights[solid].min())
    bottom = meta.get("bottom", low)
    if not isinstance(bottom, int | float) or not math.isfinite(bottom):
        raise StockError(f"{name}: its bottom is {bottom!r}, not a number; plan the earlier cutter again")
    x, y = grid.x, grid.y
    return Stock(
        "leftover",
        (float(x[columns[0]]), float(y[rows[0]]), min(float(bottom), low)),
        (float(x[columns[-1]]), float(y[rows[-1]]), float(heights[solid].max())),
        grid=grid, heights=heights, meta=meta,
    )  # fmt: skip


def _corners(source: Grid, target: Grid) -> tuple[tuple[Any, Any, Any, Any], tuple[Any, Any, Any, Any]]:
    """Along x and y: the nodes below and above each target node, the share of the way, and what is inside."""

    def ends(at: Points, start: float, count: int) -> tuple[Any, Any, Any, Any]:
        place = (at - start) / source.cell
        low = np.floor(place + 1e-6).astype(np.int64)
        high = np.ceil(place - 1e-6).astype(np.int64)
        within = (low >= 0) & (high < count)
        share = np.clip(place - low, 0.0, 1.0)
        return np.clip(low, 0, count - 1), np.clip(high, 0, count - 1), share, within

    return ends(target.x, source.x0, source.nx), ends(target.y, source.y0, source.ny)


def between(source: Grid, heights: Map, target: Grid) -> Map:
    """Heights at other nodes: linear on even ground; walls stand half way between the nodes that show them.

    The height z is the one at which ``sum(w clip(H - z, -cell, cell))`` over the four nodes round is nought,
    ``w`` their linear shares: their mean where they differ by less than a cell, near a wall the side that the
    place is on. Where a wall stands, a map knows no better than by half a cell.
    """
    (x_low, x_high, u, x_in), (y_low, y_high, v, y_in) = _corners(source, target)
    near = [heights[np.ix_(j, i)] for j in (y_low, y_high) for i in (x_low, x_high)]
    share = [np.outer(b, a) for b in (1 - v, v) for a in (1 - u, u)]
    low, high = np.minimum.reduce(near), np.maximum.reduce(near)
    with np.errstate(invalid="ignore"):
        even = high - low <= source.cell
        out = np.add.reduce([w * h for w, h in zip(share, near, strict=True)])
    walls = np.flatnonzero((~even & np.isfinite(high)).reshape(-1))
    out.reshape(-1)[walls] = _settled(
        np.stack([h.reshape(-1)[walls] for h in near]),
        np.stack([w.reshape(-1)[walls] for w in share]),
        source.cell,
    )
    return np.where((y_in[:, None] & x_in[None, :]) & np.isfinite(high), np.clip(out, low, high), -np.inf)


def _settled(near: Points, share: Points, cell: float) -> Points:
    """The height of `between` for nodes (4, n) by halving; -inf where most of what is round is nothing."""
    top = near.max(axis=0)
    low = np.where(np.isfinite(near), near, np.inf).min(axis=0) - cell
    high = top + cell
    void = (share * np.clip(near - low, -cell, cell)).sum(axis=0) <= 0.0
    for _ in range(44):
        middle = 0.5 * (low + high)
        above = (share * np.clip(near - middle, -cell, cell)).sum(axis=0) > 0.0
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.where(void, -np.inf, 0.5 * (low + high))


def highest(source: Grid, heights: Map, target: Grid) -> Map:
    """As `resampled`, with the nodes that a coarser target leaves out counted for its nearest ones."""
    if target.cell > source.cell * (1.0 + 1e-9):
        from scipy.ndimage import maximum_filter

        size = 2 * math.ceil(0.5 * target.cell / source.cell) + 1
        heights = maximum_filter(heights, size=size, mode="nearest")
    return resampled(source, heights, target)


def resampled(source: Grid, heights: Map, target: Grid) -> Map:
    """Heights at other nodes: the highest of the nodes round each, never less than there is."""
    (x_low, x_high, _, x_in), (y_low, y_high, _, y_in) = _corners(source, target)
    wide = np.maximum(heights[:, x_low], heights[:, x_high])
    result = np.maximum(wide[y_low], wide[y_high])
    return np.where(y_in[:, None] & x_in[None, :], result, -np.inf)
