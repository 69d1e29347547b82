"""Height map -> closed mesh of a sane size, and its files (STL, GLB).

The top is made of right triangles that are halved only where the map asks for it; the sides go straight
down and a flat bottom closes the body. Right-triangle halving: Evans, Kirkpatrick & Townsend 2001,
"Right-triangulated irregular networks", Algorithmica 30:264-286 (cited from memory). Ours differs in the
test: a triangle stays whole while it lies, at every node under it, inside a band about the map.
"""

from __future__ import annotations

import json
import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from zrough.errors import StockError
from zrough.grid import Grid, Map

Faces = NDArray[np.int64]
Flags = NDArray[np.bool_]

MAX_TRIANGLES = 300_000  # 15 MB of binary STL
TOLERANCE = 0.01  # mm of height; a tenth of the usual floor allowance
_TILE = 128  # largest triangle leg, nodes
# (height tolerance as a multiple, sideways tolerance in nodes), tried in this order until the size fits
_LADDER = ((1, 0), (1, 1), (2, 1), (2, 2), (4, 3), (8, 4), (16, 6), (32, 8), (64, 12), (128, 16), (512, 32))

# mm, Z up -> m, Y up; column by column
_UPRIGHT = [1e-3, 0, 0, 0, 0, 0, -1e-3, 0, 0, 1e-3, 0, 0, 0, 0, 0, 1]


@dataclass(frozen=True)
class ThinMesh:
    """A closed mesh of the leftover.

    Attributes
    ----------
    vertices : (n, 3) float64, mm. faces : (m, 3) int64, counter-clockwise seen from outside.
    tolerance : mm; sideways : mm. At every node of the map the mesh lies within ``tolerance`` of a height
        that the map takes no further than ``sideways`` away. Ribs and slits narrower than that keep
        ``tolerance`` at their own place.
    nodes : (n,) int64, flat index of the map node below or above each vertex.
    """

    vertices: Map
    faces: Faces
    tolerance: float
    sideways: float
    nodes: NDArray[np.int64]


def to_mesh(
    grid: Grid, heights: Map, bottom: float, max_triangles: int = MAX_TRIANGLES, tolerance: float = TOLERANCE
) -> tuple[Map, Faces]:
    """The closed body between ``bottom`` and the map: ``(vertices (n, 3) mm, faces (m, 3))``. See `thin`."""
    mesh = thin(grid, heights, bottom, max_triangles, tolerance)
    return mesh.vertices, mesh.faces


def thin(
    grid: Grid, heights: Map, bottom: float, max_triangles: int = MAX_TRIANGLES, tolerance: float = TOLERANCE
) -> ThinMesh:
    """The body between ``bottom`` and the map as a closed mesh of at most ``max_triangles``.

    Flat and evenly sloping areas become few large triangles, steps stay one node wide. When that is still
    too many triangles the steps may stray sideways by a node, then more; the mesh says what it kept.

    Parameters
    ----------
    heights : (ny, nx), mm, value at the node; -inf, NaN or at or below ``bottom`` means nothing.
    bottom : mm. tolerance : mm > 0, of height, on the first try.

    Raises
    ------
    StockError : shapes differ, nothing stands above ``bottom``, or the size cannot be reached.
    """
    h = _clean(grid, heights, bottom)
    count = 0
    for times, aside in _LADDER:
        top = _top(h, times * tolerance, aside)
        count = len(top[1])
        if count > max_triangles:  # of the top alone
            continue
        vertices, faces, nodes = _close(grid, h, bottom, *top)
        count = len(faces)
        if count <= max_triangles:
            return ThinMesh(vertices, faces, times * tolerance, aside * grid.cell, nodes)
    raise StockError(
        f"leftover mesh: {count} triangles at the coarsest setting, limit {max_triangles}; raise it"
    )


def _clean(grid: Grid, heights: Map, bottom: float) -> Map:
    h = np.array(heights, dtype=np.float64, order="C")
    if h.shape != grid.shape:
        raise StockError(f"leftover map has shape {h.shape}, its grid {grid.shape}; give both of one size")
    h[~(h > bottom)] = -np.inf
    present = h > -np.inf
    if not (present[:-1, :-1] & present[1:, :-1] & present[:-1, 1:] & present[1:, 1:]).any():
        raise StockError(f"leftover map: nothing stands above z = {bottom:g}; give a lower bottom")
    return h


def _tile(shape: tuple[int, int]) -> int:
    size = 2
    while size < min(max(shape) - 1, _TILE):
        size *= 2
    return size


def _lattice(shape: tuple[int, int], size: int) -> tuple[int, int]:
    return -(-(shape[0] - 1) // size) * size + 1, -(-(shape[1] - 1) // size) * size + 1


def _top(h: Map, tolerance: float, aside: int) -> tuple[Flags, Faces]:
    """Marked middle nodes, and the triangles over stock as lattice indices."""
    from zrough.kernels.leftover import split_nodes

    size = _tile(h.shape)
    split = np.zeros(_lattice(h.shape, size), dtype=np.bool_)
    lo, hi = _band(h, tolerance, aside)
    split_nodes(h, lo, hi, tolerance, size, split)
    return split, _leaves(h, split, size)


def _band(h: Map, tolerance: float, aside: int) -> tuple[Map, Map]:
    """Lowest and highest height allowed at each node when steps may move ``aside`` nodes."""
    if aside == 0:
        return h, h
    from scipy import ndimage

    width = 2 * aside + 1
    empty = h == -np.inf
    low = ndimage.minimum_filter(np.where(empty, np.inf, h), width)
    high = ndimage.maximum_filter(h, width)
    opened = ndimage.maximum_filter(np.where(empty, -np.inf, low), width)
    closed = ndimage.minimum_filter(np.where(empty, np.inf, high), width)
    with np.errstate(invalid="ignore"):  # nothing minus nothing
        low = np.where(h - opened > tolerance, h, low)  # ribs too thin to move
        high = np.where(closed - h > tolerance, h, high)  # slits too thin to move
    return np.minimum(low, h), np.maximum(high, h)


def _leaves(h: Map, split: Flags, size: int) -> Faces:
    """Lattice indices (flat) of the triangles not halved further, over stock only, in a fixed order."""
    cols = split.shape[1]
    found: list[Faces] = []
    side = size
    while side >= 1:
        found += _square_leaves(split, side, size)
        if side >= 2:
            found += _edge_leaves(split, side)
        side //= 2
    corners = np.concatenate(found)  # (m, 3, 2) row, column
    ny, nx = h.shape
    row, col = np.minimum(corners[..., 0], ny - 1), np.minimum(corners[..., 1], nx - 1)
    (v0, v1, v2), (u0, u1, u2) = row.T, col.T
    area = (u1 - u0) * (v2 - v0) - (v1 - v0) * (u2 - u0)
    keep = (area != 0) & (h[row, col] > -np.inf).all(axis=1)
    corners, area = corners[keep], area[keep]
    corners[area < 0] = corners[area < 0][:, ::-1]
    flat: Faces = corners[..., 0] * cols + corners[..., 1]
    return flat


def _stack(*corners: tuple[NDArray[np.int64], NDArray[np.int64]]) -> Faces:
    return np.stack([np.stack(c, axis=1) for c in corners], axis=1)


def _square_leaves(split: Flags, side: int, size: int) -> list[Faces]:
    """Halves of squares of one side: there if their right-angled corner was split off, whole if unsplit."""
    rows, cols = split.shape[0] - 1, split.shape[1] - 1
    a, b = np.meshgrid(np.arange(0, rows, side), np.arange(0, cols, side), indexing="ij")
    half = side // 2
    whole = np.ones(a.shape, dtype=bool) if side == 1 else ~split[a + half, b + half]
    odd = ((a + b) // side) % 2 == 1
    found = []
    for turned in (False, True):
        for up in (0, side):
            # right-angled corner: (0, side) or (side, 0) under a rising diagonal, else (0, 0) or (side, side)
            across = up if turned else side - up
            there = whole & (odd == turned)
            if side < size:
                there &= split[a + up, b + across]
            v, u = a[there], b[there]
            low, high = (u + side, u) if turned else (u, u + side)
            found.append(_stack((v, low), (v + side, high), (v + up, u + across)))
    return found


def _edge_leaves(split: Flags, side: int) -> list[Faces]:
    """Quarters of squares of one side: there if the square's centre is split, whole if its rim is not."""
    rows, cols = split.shape[0] - 1, split.shape[1] - 1
    half = side // 2
    a, b = np.meshgrid(np.arange(half, rows, side), np.arange(half, cols, side), indexing="ij")
    centre = split[a, b]
    found = []
    for dv, du in ((-half, 0), (half, 0), (0, -half), (0, half)):
        there = centre & ~split[a + dv, b + du]
        v, u = a[there], b[there]
        found.append(_stack((v + dv - du, u + du - dv), (v + dv + du, u + du + dv), (v, u)))
    return found


def _close(
    grid: Grid, h: Map, bottom: float, split: Flags, top: Faces
) -> tuple[Map, Faces, NDArray[np.int64]]:
    """Bottom and sides under the top; all indices become those of compact vertices."""
    from zrough.kernels.leftover import split_nodes

    ny, nx = h.shape
    cols = split.shape[1]
    forced = split.copy()
    forced[1 : ny - 1, 1 : nx - 1] = False  # only the rim must meet the sides node by node
    flat = np.where(h > -np.inf, bottom, -np.inf)
    size = _tile(h.shape)
    # Under stock without a gap the bottom is one plane: only what the rim asks for is to be followed up.
    split_nodes(flat, flat, flat, 0.0 if (h == -np.inf).any() else np.inf, size, forced)
    base = _leaves(h, forced, size)

    def to_nodes(faces: Faces) -> Faces:
        nodes: Faces = np.minimum(faces // cols, ny - 1) * nx + np.minimum(faces % cols, nx - 1)
        return nodes

    top, base = to_nodes(top), to_nodes(base)
    rim = _rim(top)
    top, top_out, top_in, top_extra = _unpinch(top, rim, ny * nx)
    base, base_out, base_in, base_extra = _unpinch(base, rim, ny * nx)
    keys = np.concatenate([np.arange(ny * nx), top_extra]), np.concatenate([np.arange(ny * nx), base_extra])
    used_top, used_base = np.unique(top), np.unique(base)

    def compact(used: NDArray[np.int64], faces: Faces, shift: int) -> Faces:
        return np.asarray(np.searchsorted(used, faces) + shift, dtype=np.int64)

    shift = len(used_top)
    a, b = compact(used_top, top_out, 0), compact(used_top, top_in, 0)
    c, d = compact(used_base, base_out, shift), compact(used_base, base_in, shift)
    sides = np.concatenate([np.stack([b, a, c], axis=1), np.stack([b, c, d], axis=1)])
    faces = np.concatenate([compact(used_top, top, 0), compact(used_base, base[:, ::-1], shift), sides])
    nodes = np.concatenate([keys[0][used_top], keys[1][used_base]])
    z = np.concatenate([h.ravel()[nodes[:shift]], np.full(len(used_base), bottom)])
    vertices = np.stack([grid.x0 + grid.cell * (nodes % nx), grid.y0 + grid.cell * (nodes // nx), z], axis=1)
    return vertices, faces, nodes


def _rim(faces: Faces) -> Faces:
    """Directed edges without a twin, (k, 2), in a fixed order."""
    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    span = int(faces.max()) + 1
    there, back = edges[:, 0] * span + edges[:, 1], edges[:, 1] * span + edges[:, 0]
    alone = np.sort(there[~np.isin(there, back)])
    return np.stack([alone // span, alone % span], axis=1)


def _unpinch(
    faces: Faces, rim: Faces, first_new: int
) -> tuple[Faces, NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Give every fan of triangles that meets others in one rim node a node of its own.

    Returns the faces, the start and the end node of each rim edge, and the old node of each new one.
    """
    start, end = rim[:, 0].copy(), rim[:, 1].copy()
    nodes, times = np.unique(start, return_counts=True)
    pinched = nodes[times > 1]
    if not len(pinched):
        return faces, start, end, np.empty(0, dtype=np.int64)
    old, faces = faces, faces.copy()
    leaving, arriving = rim[:, 0], rim[:, 1]
    origin: list[int] = []
    touched = np.flatnonzero(np.isin(old, pinched).any(axis=1))
    for node in pinched:
        round_it = touched[(old[touched] == node).any(axis=1)]
        out = np.flatnonzero(leaving == node)
        arrive = {int(leaving[k]): int(k) for k in np.flatnonzero(arriving == node)}
        step = {}
        for f in round_it:
            k = int(np.flatnonzero(old[f] == node)[0])
            step[int(old[f, (k + 1) % 3])] = (int(f), k, int(old[f, (k + 2) % 3]))
        for edge in out[1:]:
            new = first_new + len(origin)
            origin.append(int(node))
            at = int(arriving[edge])
            start[edge] = new
            while at in step:
                f, k, at = step[at]
                faces[f, k] = new
            end[arrive[at]] = new
    return faces, start, end, np.array(origin, dtype=np.int64)


def stl_bytes(vertices: ArrayLike, faces: ArrayLike) -> bytes:
    """Binary STL, mm, unit normals; the same mesh gives the same bytes."""
    corners = np.asarray(vertices, dtype=np.float64)[np.asarray(faces)]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    normal = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    layout = [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")]
    record = np.zeros(len(corners), dtype=layout)
    record["normal"], record["corners"] = normal, corners
    header = b"zrough leftover stock, mm".ljust(80)
    return header + struct.pack("<I", len(corners)) + record.tobytes()


def glb_bytes(vertices: ArrayLike, faces: ArrayLike, colours: ArrayLike | None = None) -> bytes:
    """glTF 2.0 binary (ISO/IEC 12113): buffers in mm, a node matrix turns Z up into Y up and mm into metres.

    colours : (n, 3) uint8 of each vertex, linear RGB; None: plain grey.
    """
    points = np.ascontiguousarray(vertices, dtype="<f4")
    index = np.ascontiguousarray(faces, dtype="<u4")
    blobs = [points.tobytes(), index.tobytes()]
    accessors: list[dict[str, object]] = [
        {"bufferView": 0, "componentType": 5126, "count": len(points), "type": "VEC3",
         "min": points.min(axis=0).tolist(), "max": points.max(axis=0).tolist()},
        {"bufferView": 1, "componentType": 5125, "count": index.size, "type": "SCALAR"},
    ]  # fmt: skip
    attributes = {"POSITION": 0}
    if colours is not None:
        rgba = np.full((len(points), 4), 255, dtype=np.uint8)
        rgba[:, :3] = colours
        blobs.append(rgba.tobytes())
        accessors.append(
            {"bufferView": 2, "componentType": 5121, "normalized": True, "count": len(points), "type": "VEC4"}
        )
        attributes["COLOR_0"] = 2
    views, offset = [], 0
    for k, blob in enumerate(blobs):
        views.append(
            {"buffer": 0, "byteOffset": offset, "byteLength": len(blob), "target": 34963 if k == 1 else 34962}
        )
        offset += len(blob)
    scene = {
        "asset": {"version": "2.0", "generator": "zrough"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0, "name": "leftover", "matrix": _UPRIGHT}],
        "materials": [{"pbrMetallicRoughness": {"metallicFactor": 0.1, "roughnessFactor": 0.7}}],
        "meshes": [{"primitives": [{"attributes": attributes, "indices": 1, "material": 0}]}],
        "accessors": accessors,
        "bufferViews": views,
        "buffers": [{"byteLength": offset}],
    }
    text = json.dumps(scene, separators=(",", ":")).encode()
    text += b" " * (-len(text) % 4)
    body = b"".join(blobs)
    total = 12 + 8 + len(text) + 8 + len(body)
    head = struct.pack("<4sII", b"glTF", 2, total) + struct.pack("<I4s", len(text), b"JSON")
    return head + text + struct.pack("<I4s", len(body), b"BIN\0") + body
