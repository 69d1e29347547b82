"""The obvious alternative: rings at equal distances, made of general libraries.

Per level: the part's section (trimesh), its outline moved out by the cutter (shapely), rings at equal steps
of the straight-wall radial width from a distance transform (scipy) by contouring (scikit-image), outermost
first, each reached over the clearance plane and entered straight down. This is what one writes in an
afternoon; the point of the comparison is what the cutter then meets.

`engagement` measures any path, this one or the planner's, on a plain raster of its own.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass

import numpy as np
import shapely
import trimesh
from numba import njit
from numpy.typing import NDArray
from scipy import ndimage
from skimage import draw, measure

RAPID, CUT = 0, 1


@dataclass(frozen=True)
class Path:
    """Moves as end points (n, 3), mm, and whether each cuts (1) or travels (0)."""

    xyz: NDArray[np.float64]
    kind: NDArray[np.uint8]
    seconds: float


def section(mesh: trimesh.Trimesh, z: float) -> shapely.Geometry:
    """The part's section at height z as polygons in the part's plan coordinates."""
    cut = mesh.section(plane_origin=[0, 0, z], plane_normal=[0, 0, 1])
    if cut is None:
        return shapely.MultiPolygon()
    flat, back = cut.to_2D(to_2D=np.eye(4))
    shift = back[:2, 3] if back is not None else np.zeros(2)
    return shapely.transform(shapely.union_all(flat.polygons_full), lambda p: p + shift)


def plan(
    vertices: NDArray[np.float64],
    faces: NDArray[np.int64],
    lower: NDArray[np.float64],
    upper: NDArray[np.float64],
    levels: list[float],
    radius: float,
    radial_width: float,
    wall: float,
    floor: float,
    clearance: float,
    cell: float = 0.2,
) -> Path:
    """Equal-distance rings at each level; ``levels`` are tip heights, from the top down. All mm."""
    began = time.perf_counter()
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    block = shapely.box(*lower[:2], *upper[:2])
    air = block.buffer(radius)
    points: list[NDArray[np.float64]] = []
    kinds: list[NDArray[np.uint8]] = []
    for z in levels:
        part = section(mesh, z - floor + 1e-3)
        for ring in _level(part, block, air, radius, radial_width, wall, cell):
            xyz = np.column_stack([ring, np.full(len(ring), z)])
            over = np.array([[*ring[0], clearance]])
            points += [over, xyz[:1], xyz[1:], np.array([[*ring[-1], clearance]])]
            kinds += [np.array([RAPID, RAPID], np.uint8), np.full(len(xyz) - 1, CUT, np.uint8),
                      np.array([RAPID], np.uint8)]  # fmt: skip
    if not points:
        return Path(np.zeros((0, 3)), np.zeros(0, np.uint8), time.perf_counter() - began)
    return Path(np.concatenate(points), np.concatenate(kinds), time.perf_counter() - began)


def _level(
    part: shapely.Geometry,
    block: shapely.Geometry,
    air: shapely.Geometry,
    radius: float,
    step: float,
    wall: float,
    cell: float,
) -> list[NDArray[np.float64]]:
    """Rings of one level, the ones furthest from the part first."""
    closed = part.buffer(radius + wall, quad_segs=64)
    low = np.array(air.bounds[:2]) - 2 * cell
    shape = tuple(np.ceil((np.array(air.bounds[2:]) + 2 * cell - low) / cell).astype(int)[::-1])
    free = np.ones(shape, bool)
    for polygon in getattr(closed, "geoms", [closed]):
        if polygon.is_empty:
            continue
        inside = _raster(polygon, low, cell, shape)
        free &= ~inside
    distance = ndimage.distance_transform_edt(free, sampling=cell) if (~free).any() else None
    rings: list[tuple[float, NDArray[np.float64]]] = []
    for line in _lines(closed.boundary.intersection(air)):
        rings.append((0.0, line))
    if distance is not None:
        for k in range(1, math.ceil(distance.max() / step) + 1):
            for contour in measure.find_contours(distance, k * step):
                line = shapely.LineString(contour[:, ::-1] * cell + low).simplify(0.05)
                rings += [(k * step, part_line) for part_line in _lines(line.intersection(air))]
    return [line for _, line in sorted(rings, key=lambda r: -r[0])]


def _raster(
    polygon: shapely.Polygon, low: NDArray[np.float64], cell: float, shape: tuple[int, ...]
) -> NDArray[np.bool_]:
    """Nodes inside a polygon."""

    def fill(ring: shapely.LinearRing) -> NDArray[np.bool_]:
        return draw.polygon2mask(shape, ((np.array(ring.coords)[:, :2] - low) / cell)[:, ::-1])

    mask = fill(polygon.exterior)
    for hole in polygon.interiors:
        mask &= ~fill(hole)
    return mask


def _lines(geometry: shapely.Geometry) -> list[NDArray[np.float64]]:
    """Coordinates of each line of a geometry, joined where they meet."""
    merged = shapely.line_merge(geometry) if geometry.geom_type.startswith("Multi") else geometry
    lines = [g for g in getattr(merged, "geoms", [merged]) if "Line" in g.geom_type and g.length > 0]
    return [np.array(g.coords)[:, :2] for g in lines]


# --- what the cutter meets ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Meeting:
    """Engagement along a path, and its lengths in mm."""

    worst_deg: float
    p99_deg: float
    cutting: float
    travel: float
    lifts: int


def engagement(
    xyz: NDArray[np.float64],
    counted: NDArray[np.bool_],
    lower: NDArray[np.float64],
    upper: NDArray[np.float64],
    radius: float,
    clearance: float,
    cell: float = 0.1,
    step: float = 0.2,
) -> Meeting:
    """Replay a path as a flat cutter on a raster of heights.

    Every step counts the degrees of the cutter's circle that lie in stock standing higher than the tip,
    then lowers the stock under the disc. On this raster a straight wall is known to half a cell: with R = 6
    and 0.1 mm cells an engagement of 50 degrees is read to about a degree.

    ``counted`` (n,) marks the moves whose engagement enters the figures (entries are left out).
    """
    low = lower[:2] - 1.0
    shape = np.ceil((upper[:2] + 1.0 - low) / cell).astype(int)[::-1]
    height = np.full(shape, -np.inf)
    y = low[1] + cell * np.arange(shape[0])
    x = low[0] + cell * np.arange(shape[1])
    height[np.ix_((y >= lower[1]) & (y <= upper[1]), (x >= lower[0]) & (x <= upper[0]))] = upper[2]
    degrees, lengths = _replay(np.ascontiguousarray(xyz), counted, height, low[0], low[1], cell, radius, step)
    cutting = counted & (degrees > 0)
    length = np.concatenate([[0.0], np.sqrt((np.diff(xyz, axis=0) ** 2).sum(axis=1))])
    order = np.argsort(degrees[cutting])
    share = np.cumsum(lengths[cutting][order]) / max(lengths[cutting].sum(), 1e-9)
    p99 = degrees[cutting][order][np.searchsorted(share, 0.99)] if cutting.any() else 0.0
    high = xyz[:, 2] >= clearance - 1e-6
    return Meeting(
        float(degrees[counted].max(initial=0.0)), float(p99), float(length[cutting].sum()),
        float(length[~cutting].sum()), int(np.count_nonzero(high[1:] & ~high[:-1])),
    )  # fmt: skip


@njit(cache=True)
def _replay(xyz, counted, height, x0, y0, cell, radius, step):  # pragma: no cover - compiled
    """Largest engagement of each move, degrees, and its length."""
    n = xyz.shape[0]
    degrees = np.zeros(n)
    lengths = np.zeros(n)
    ny, nx = height.shape
    reach = int(np.ceil(radius / cell)) + 1
    cos, sin = np.empty(360), np.empty(360)
    for a in range(360):
        cos[a] = radius * np.cos(a * np.pi / 180)
        sin[a] = radius * np.sin(a * np.pi / 180)
    for k in range(1, n):
        dx, dy, dz = xyz[k, 0] - xyz[k - 1, 0], xyz[k, 1] - xyz[k - 1, 1], xyz[k, 2] - xyz[k - 1, 2]
        length = np.sqrt(dx * dx + dy * dy + dz * dz)
        lengths[k] = length
        parts = max(1, int(np.ceil(length / step)))
        for s in range(1, parts + 1):
            t = s / parts
            cx, cy, cz = xyz[k - 1, 0] + t * dx, xyz[k - 1, 1] + t * dy, xyz[k - 1, 2] + t * dz
            if counted[k]:
                met = 0
                for a in range(360):
                    j = int(np.rint((cx + cos[a] - x0) / cell))
                    i = int(np.rint((cy + sin[a] - y0) / cell))
                    if 0 <= i < ny and 0 <= j < nx and height[i, j] > cz + 0.3:
                        met += 1
                degrees[k] = max(degrees[k], met)
            ci, cj = (cy - y0) / cell, (cx - x0) / cell
            for i in range(max(0, int(ci) - reach), min(ny, int(ci) + reach + 2)):
                w = radius * radius - (i - ci) ** 2 * cell * cell
                if w < 0:
                    continue
                half = np.sqrt(w) / cell
                for j in range(max(0, int(np.ceil(cj - half))), min(nx - 1, int(np.floor(cj + half))) + 1):
                    height[i, j] = min(height[i, j], cz)
    return degrees, lengths
