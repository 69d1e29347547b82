"""The leftover: how thick it stands on the part, and its files.

`zrough.thinmesh` makes the mesh, `zrough.nexttool` the load of the next cutter; both are at hand here.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from zrough.errors import StockError
from zrough.grid import Grid, Map
from zrough.io import write_atomic
from zrough.nexttool import BallLoad, ball_load, by_rows
from zrough.thinmesh import ThinMesh, glb_bytes, stl_bytes, thin, to_mesh

__all__ = [
    "BallLoad", "NormalLeftover", "ThinMesh", "ball_load", "glb_bytes", "normal_leftover", "stl_bytes",
    "thin", "to_mesh", "write_files", "write_glb", "write_map", "write_stl",
]  # fmt: skip

PERCENTILES = (50.0, 90.0, 95.0, 99.0, 99.9)
_BINS_PER_SIDE = 1024
_PER_BIN = 6.0  # triangles wanted in a bin of a mesh spread evenly


@dataclass(frozen=True)
class NormalLeftover:
    """Thickness of the leftover, measured square to the part.

    At a node of the map it is the distance from the stock's surface point there to the nearest point of the
    part's triangles, negative where the stock lies below the part. On a plane this is the height over it
    times the cosine of its slope; beside an upright wall it is the width of the stock left on the wall,
    which a difference of heights cannot tell. Only nodes with part under them count.

    Attributes
    ----------
    thickness : (ny, nx) mm, NaN where no part lies under the node. part : (ny, nx) mm, -inf there.
    vertical : (ny, nx) mm, stock height minus part height.
    percentiles : {50: mm, ...} over the plan area. largest, smallest, mean : mm. place : (x, y, z) mm of the
    largest. area : mm2 of plan counted. volume : mm3 between part and stock.
    """

    thickness: Map
    part: Map
    vertical: Map
    percentiles: dict[float, float]
    largest: float
    smallest: float
    mean: float
    place: tuple[float, float, float]
    area: float
    volume: float

    def as_dict(self) -> dict[str, Any]:
        """The numbers alone, fit for JSON."""
        return {
            "largest": self.largest, "smallest": self.smallest, "mean": self.mean, "place": list(self.place),
            "percentiles": {f"{k:g}": v for k, v in self.percentiles.items()},
            "area_mm2": self.area, "volume_mm3": self.volume,
        }  # fmt: skip


def normal_leftover(
    grid: Grid, heights: Map, triangles: ArrayLike, where: NDArray[np.bool_] | None = None
) -> NormalLeftover:
    """Thickness of the leftover square to the part, at every node and as percentiles.

    Parameters
    ----------
    heights : (ny, nx), mm, stock height at the node, -inf for nothing.
    triangles : (m, 3, 3), mm, the part. where : (ny, nx) bool, nodes to count (all, if None), so that
        covered openings or the ground beside the part can be left out.

    Raises
    ------
    StockError : shapes differ, or no node has both stock and part.
    """
    from zrough.kernels.leftover import nearest_part

    h = np.array(heights, dtype=np.float64, order="C")
    tri = np.ascontiguousarray(triangles, dtype=np.float64).reshape(-1, 3, 3)
    if h.shape != grid.shape:
        raise StockError(f"leftover map has shape {h.shape}, its grid {grid.shape}; give both of one size")
    h[np.isnan(h)] = -np.inf
    if where is not None:
        h[~where] = -np.inf
    if not len(tri):
        raise StockError("leftover on the part: the part has no triangles; give a mesh")
    normal = np.cross(tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0])
    size = np.linalg.norm(normal, axis=1, keepdims=True)
    normal = np.divide(normal, size, out=np.zeros_like(normal), where=size > 0)
    box = np.ascontiguousarray(np.concatenate([tri.min(axis=1), tri.max(axis=1)], axis=1))
    bins = _bins(tri, box, grid.cell)
    gap, under = np.empty_like(h), np.empty_like(h)
    by_rows(
        grid.ny,
        lambda a, b: nearest_part(h, a, b, grid.x0, grid.y0, grid.cell, tri, normal, box, *bins, gap, under),
    )
    seen = ~np.isnan(gap)
    if not seen.any():
        raise StockError("leftover on the part: stock and part do not overlap in plan; check their places")
    return _summary(grid, h, gap, under, seen)


def _bins(
    tri: Map, box: Map, cell: float
) -> tuple[NDArray[np.int64], NDArray[np.int64], float, float, float, int, int]:
    """Which triangles reach which square of the plan: starts, items, x0, y0, pitch, columns, rows."""
    low, high = box[:, :2].min(axis=0), box[:, 3:5].max(axis=0)
    wide = np.maximum(high - low, cell)
    even = math.sqrt(wide[0] * wide[1] * _PER_BIN / len(box))
    pitch = max(4 * cell, even, float(wide.max()) / _BINS_PER_SIDE)
    nx, ny = (int(n) for n in np.floor(wide / pitch) + 1)
    first = np.floor((box[:, :2] - low) / pitch).astype(np.int64)
    last = np.floor((box[:, 3:5] - low) / pitch).astype(np.int64)
    span = last - first + 1
    count = span[:, 0] * span[:, 1]
    owner = np.repeat(np.arange(len(box)), count)
    rank = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    column = first[owner, 0] + rank % span[owner, 0]
    row = first[owner, 1] + rank // span[owner, 0]
    # A long sliver's box covers much that the sliver does not: keep the squares it really crosses.
    middle = np.stack([low[0] + (column + 0.5) * pitch, low[1] + (row + 0.5) * pitch], axis=1)
    crossed = _crosses(tri[:, :, :2][owner], middle, 0.5 * pitch * (1 + 1e-9))
    row, column, owner = row[crossed], column[crossed], owner[crossed]
    home = row * nx + column
    order = np.argsort(home, kind="stable")
    starts = np.concatenate([[0], np.cumsum(np.bincount(home, minlength=nx * ny))]).astype(np.int64)
    return starts, owner[order], float(low[0]), float(low[1]), pitch, nx, ny


def _crosses(corners: Map, middle: Map, half: float) -> NDArray[np.bool_]:
    """Does triangle k (n, 3, 2) reach the square of half width ``half`` round middle k? Their boxes do."""
    found = np.ones(len(corners), dtype=np.bool_)
    for k in range(3):
        edge = corners[:, (k + 1) % 3] - corners[:, k]
        normal = np.stack([edge[:, 1], -edge[:, 0]], axis=1)
        height = (normal[:, None, :] * (corners - middle[:, None, :])).sum(axis=2)
        reach = half * np.abs(normal).sum(axis=1)
        found &= (height.min(axis=1) <= reach) & (height.max(axis=1) >= -reach)
    return found


def _summary(grid: Grid, h: Map, gap: Map, under: Map, seen: NDArray[np.bool_]) -> NormalLeftover:
    vertical = np.where(seen, h - np.where(seen, under, 0.0), np.nan)
    values = gap[seen]
    row, column = np.unravel_index(int(np.nanargmax(gap)), gap.shape)
    place = (
        float(grid.x0 + column * grid.cell), float(grid.y0 + row * grid.cell), float(h[row, column])
    )  # fmt: skip
    levels = np.percentile(values, PERCENTILES)
    return NormalLeftover(
        gap, under, vertical,
        {p: float(v) for p, v in zip(PERCENTILES, levels, strict=True)},
        float(values.max()), float(values.min()), float(values.mean()), place,
        float(seen.sum() * grid.cell**2), float(vertical[seen].sum() * grid.cell**2),
    )  # fmt: skip


def write_stl(path: str | os.PathLike[str], vertices: ArrayLike, faces: ArrayLike) -> Path:
    """Write a binary STL, mm, whole or not at all."""
    return write_atomic(path, stl_bytes(vertices, faces))


def write_glb(
    path: str | os.PathLike[str], vertices: ArrayLike, faces: ArrayLike, colours: ArrayLike | None = None
) -> Path:
    """Write a glTF 2.0 binary, whole or not at all; ``colours`` (n, 3) uint8, see `glb_bytes`."""
    return write_atomic(path, glb_bytes(vertices, faces, colours))


def write_map(
    path: str | os.PathLike[str], grid: Grid, heights: Map, bottom: float, levels: Iterable[float] = ()
) -> Path:
    """Write the height map as .npz, the form that a later job reads back as its stock.

    ``levels`` are the tip heights it was cut at: a later cutter that keeps to them cuts no stair twice.
    """
    from zrough.stock import save_leftover

    notes: dict[str, Any] = {"bottom": float(bottom)}
    known = sorted({float(z) for z in levels}, reverse=True)
    return save_leftover(path, grid, heights, {**notes, "levels": known} if known else notes)


def write_files(
    folder: str | os.PathLike[str],
    grid: Grid,
    heights: Map,
    bottom: float,
    thickness: Map | None = None,
    max_triangles: int | None = None,
) -> ThinMesh:
    """Write leftover.stl, leftover.glb (coloured by ``thickness``, mm), leftover.npz and leftover_map.png.

    The picture needs ``thickness``, (ny, nx) mm with NaN for nothing, and is left out without it.
    """
    from zrough import pictures

    target = Path(folder)
    mesh = thin(grid, heights, bottom, **({} if max_triangles is None else {"max_triangles": max_triangles}))
    write_stl(target / "leftover.stl", mesh.vertices, mesh.faces)
    colours = None
    if thickness is not None:
        colours = pictures.vertex_colours(thickness.ravel()[mesh.nodes], pictures.colour_limit(thickness))
        write_atomic(target / "leftover_map.png", pictures.map_png(grid, thickness))
    write_glb(target / "leftover.glb", mesh.vertices, mesh.faces, colours)
    write_map(target / "leftover.npz", grid, heights, bottom)
    return mesh
