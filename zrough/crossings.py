"""Triangles of a mesh that run through each other. Arrays only."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]
Index = NDArray[np.int64]

MAX_ENTRIES = 6_000_000  # triangles times the boxes they reach into; beyond it the search is given up
MAX_PAIRS = 30_000_000


def find(triangles: Points, faces: Index) -> tuple[Index, Points] | None:
    """Pairs (k, 2) of triangles that cross, without a corner in common, and a point (k, 3) where they do.

    None if the mesh is too large or too uneven for this search. Triangles that only touch, or lie in one
    plane, are not told. Notes: candidates share a box of a regular division of space; a pair crosses if a
    side of one runs through the inside of the other.
    """
    pairs = _candidates(triangles, faces)
    if pairs is None:
        return None
    found: list[Index] = []
    places: list[Points] = []
    for k in range(0, len(pairs), 200_000):
        some = pairs[k : k + 200_000]
        hit, place = _crossing(triangles[some[:, 0]], triangles[some[:, 1]])
        found.append(some[hit])
        places.append(place[hit])
    if not found:
        return np.zeros((0, 2), dtype=np.int64), np.zeros((0, 3))
    return np.concatenate(found), np.concatenate(places)


def _candidates(triangles: Points, faces: Index) -> Index | None:
    """Pairs of triangles without a common corner whose boxes overlap, each once, in order."""
    low, high = triangles.min(axis=1), triangles.max(axis=1)
    extent = (high - low).max(axis=1)
    span = float((high.max(axis=0) - low.min(axis=0)).max())
    cell = max(1.5 * float(np.quantile(extent, 0.75)), span / 500, 1e-6)
    origin = low.min(axis=0)
    first = np.floor((low - origin) / cell).astype(np.int64)
    count = np.floor((high - origin) / cell).astype(np.int64) - first + 1
    each = count.prod(axis=1)
    if each.sum() > MAX_ENTRIES:
        return None
    owner = np.repeat(np.arange(len(triangles)), each)
    rank = np.arange(len(owner)) - np.repeat(np.cumsum(each) - each, each)
    nz, ny = count[owner, 2], count[owner, 1]
    box = first[owner]
    box = box + np.stack((rank // (ny * nz), rank // nz % ny, rank % nz), axis=1)
    size = box.max(axis=0) + 1
    code = (box[:, 0] * size[1] + box[:, 1]) * size[2] + box[:, 2]
    order = np.argsort(code, kind="stable")
    code, owner = code[order], owner[order]
    ends = np.searchsorted(code, code, side="right")
    after = ends - np.arange(len(code)) - 1
    if after.sum() > MAX_PAIRS:
        return None
    left = np.repeat(np.arange(len(code)), after)
    step = np.arange(len(left)) - np.repeat(np.cumsum(after) - after, after)
    a, b = owner[left], owner[left + 1 + step]
    for k in range(3):
        meet = (low[:, k][a] <= high[:, k][b]) & (low[:, k][b] <= high[:, k][a])
        a, b = a[meet], b[meet]
    for k in range(9):
        apart = faces[:, k % 3][a] != faces[:, k // 3][b]
        a, b = a[apart], b[apart]
    key = np.sort(np.minimum(a, b) * np.int64(len(triangles)) + np.maximum(a, b))
    key = key[np.concatenate(([True], key[1:] != key[:-1]))] if len(key) else key
    return np.stack((key // len(triangles), key % len(triangles)), axis=1)


def _crossing(one: Points, two: Points) -> tuple[NDArray[np.bool_], Points]:
    """Which pairs of triangles (k, 3, 3) cross, and where."""
    hit = np.zeros(len(one), dtype=bool)
    place = np.zeros((len(one), 3))
    for a, b in ((one, two), (two, one)):
        for k in range(3):
            through, at = _pierces(a[:, k], a[:, (k + 1) % 3], b)
            new = through & ~hit
            place[new] = at[new]
            hit |= through
    return hit, place


def _pierces(start: Points, end: Points, triangle: Points) -> tuple[NDArray[np.bool_], Points]:
    """Where segments (k, 3) run through the inside of triangles (k, 3, 3)."""
    a, b, c = (triangle[:, k] for k in range(3))
    normal = np.cross(b - a, c - a)
    size = np.sqrt((normal**2).sum(axis=1))
    scale = np.maximum(size, 1e-300)[:, None]
    normal = normal / scale
    from_start = ((start - a) * normal).sum(axis=1)
    from_end = ((end - a) * normal).sum(axis=1)
    near = 1e-7
    apart = (from_start > near) & (from_end < -near) | (from_start < -near) & (from_end > near)
    share = from_start / np.where(apart, from_start - from_end, 1.0)
    at = start + share[:, None] * (end - start)
    within = apart & (size > 1e-12)
    for p, q in ((a, b), (b, c), (c, a)):
        side = np.cross(q - p, at - p)
        length = np.maximum(np.sqrt(((q - p) ** 2).sum(axis=1)), 1e-300)
        within &= (side * normal).sum(axis=1) / length > near
    return within, at
