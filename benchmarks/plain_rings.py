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
HAIR = 0.3  # mm; a stay-down link may be lifted this much and is still judged at its level


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
    worst_move: int


def engagement(
    xyz: NDArray[np.float64],
    counted: NDArray[np.bool_],
    lower: NDArray[np.float64],
    upper: NDArray[np.float64],
    radius: float,
    clearance: float,
    cell: float = 0.2,
    step: float = 0.2,
) -> Meeting:
    """Replay a path as a flat cutter, level by level, and read the engagement at every step.

    Each level has a map of the distance to the edge of what was cut at that height or below (or the block's),
    so an edge is known far finer than a cell. A step first counts the degrees of the cutter's circle that lie
    in material as it was before the step, then removes what the cutter swept.

    ``counted`` (n,) marks the moves whose engagement enters the figures (entries are left out).
    """
    counted = counted & (xyz[:, 2] < upper[2])
    step_z = np.diff(xyz[:, 2], prepend=np.inf)
    levels = np.unique(np.round(xyz[counted & (np.abs(step_z) < 1e-9), 2], 3))
    levels = levels[np.diff(levels, prepend=-np.inf) > HAIR]  # a link a hair above its level belongs to it
    degrees, lengths = np.zeros(len(xyz)), np.zeros(len(xyz))
    low = lower[:2] - radius
    shape = tuple(np.ceil((upper[:2] + radius - low) / cell).astype(int)[::-1] + 1)
    x, y = low[0] + cell * np.arange(shape[1]), low[1] + cell * np.arange(shape[0])
    dx = np.maximum(lower[0] - x, x - upper[0])
    dy = np.maximum(lower[1] - y, y - upper[1])
    outside = np.maximum(dy[:, None], dx[None, :])
    points = np.ascontiguousarray(xyz)
    for z in levels:
        mine = counted & (xyz[:, 2] >= z - 1e-3) & (xyz[:, 2] < z + HAIR)
        if mine.any():
            last = int(np.flatnonzero(mine)[-1]) + 1
            _replay(
                points[:last],
                mine,
                outside.copy(),
                low[0],
                low[1],
                cell,
                radius,
                step,
                z + HAIR,
                degrees,
                lengths,
            )
    cutting = counted & (degrees > 0)
    length = np.concatenate([[0.0], np.sqrt((np.diff(xyz, axis=0) ** 2).sum(axis=1))])
    order = np.argsort(degrees[cutting])
    share = np.cumsum(lengths[cutting][order]) / max(lengths[cutting].sum(), 1e-9)
    p99 = degrees[cutting][order][np.searchsorted(share, 0.99)] if cutting.any() else 0.0
    high = xyz[:, 2] >= clearance - 1e-6
    return Meeting(
        float(degrees[counted].max(initial=0.0)), float(p99), float(lengths.sum()),
        float(length.sum() - lengths.sum()), int(np.count_nonzero(high[1:] & ~high[:-1])),
        int(degrees.argmax()),
    )  # fmt: skip


@njit(cache=True)
def _replay(
    xyz, counted, edge, x0, y0, cell, radius, step, top, degrees, lengths
):  # pragma: no cover - compiled
    """Largest engagement of each counted move, degrees, and the length over which it met material.

    ``edge`` holds mm into cleared ground, negative in material; moves above ``top`` leave it alone.
    """
    ny, nx = edge.shape
    reach = radius + 2 * cell
    cos, sin = np.empty(360), np.empty(360)
    for a in range(360):
        cos[a] = radius * np.cos(a * np.pi / 180)
        sin[a] = radius * np.sin(a * np.pi / 180)
    for k in range(1, xyz.shape[0]):
        if xyz[k, 2] > top and xyz[k - 1, 2] > top:
            continue
        dx, dy = xyz[k, 0] - xyz[k - 1, 0], xyz[k, 1] - xyz[k - 1, 1]
        length = np.sqrt(dx * dx + dy * dy)
        parts = max(1, int(np.ceil(length / step)))
        px, py = xyz[k - 1, 0], xyz[k - 1, 1]
        for s in range(1, parts + 1):
            t = s / parts
            cx, cy = xyz[k - 1, 0] + t * dx, xyz[k - 1, 1] + t * dy
            if xyz[k - 1, 2] + t * (xyz[k, 2] - xyz[k - 1, 2]) > top:
                px, py = cx, cy
                continue
            if counted[k]:
                met = 0
                for a in range(360):
                    u, v = (cx + cos[a] - x0) / cell, (cy + sin[a] - y0) / cell
                    j, i = int(np.floor(u)), int(np.floor(v))
                    if 0 <= i < ny - 1 and 0 <= j < nx - 1:
                        u -= j
                        v -= i
                        d = (1 - v) * ((1 - u) * edge[i, j] + u * edge[i, j + 1])
                        d += v * ((1 - u) * edge[i + 1, j] + u * edge[i + 1, j + 1])
                        if d < -0.003:
                            met += 1
                degrees[k] = max(degrees[k], met)
                if met > 0:
                    lengths[k] += length / parts
            ux, uy = cx - px, cy - py
            uu = ux * ux + uy * uy
            first_i = max(0, int((min(cy, py) - reach - y0) / cell))
            last_i = min(ny, int((max(cy, py) + reach - y0) / cell) + 2)
            first_j = max(0, int((min(cx, px) - reach - x0) / cell))
            last_j = min(nx, int((max(cx, px) + reach - x0) / cell) + 2)
            for i in range(first_i, last_i):
                for j in range(first_j, last_j):
                    if edge[i, j] > cell:
                        continue  # cleared well past any edge already
                    wx, wy = x0 + j * cell - px, y0 + i * cell - py
                    t0 = 0.0 if uu == 0 else min(1.0, max(0.0, (wx * ux + wy * uy) / uu))
                    wx -= t0 * ux
                    wy -= t0 * uy
                    edge[i, j] = max(edge[i, j], radius - np.sqrt(wx * wx + wy * wy))
            px, py = cx, cy
