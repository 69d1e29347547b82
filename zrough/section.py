"""A mesh cut by a level plane: the outlines there, and the mesh split along them. Arrays only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from zrough import topology

Points = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Cut:
    """Crossing points of the edges with a plane.

    Attributes
    ----------
    crossed : (k,) faces that have corners on both sides; a corner on the plane counts as above.
    points : (p, 3) where edges cross, mm.
    enter, leave : (k,) indices into points; from one to the other the material is on the left in plan.
    apex : (k,) which corner of the face is alone on its side.
    """

    crossed: Index
    points: Points
    enter: Index
    leave: Index
    apex: Index


def cut(vertices: Points, faces: Index, z: float) -> Cut:
    """Where the plane at height ``z`` crosses the faces."""
    above = vertices[:, 2] >= z
    side = above[faces]
    crossed = np.flatnonzero(side.any(axis=1) & ~side.all(axis=1))
    side, corner = side[crossed], faces[crossed]
    alone_up = side.sum(axis=1) == 1
    apex = np.where(alone_up, side.argmax(axis=1), (~side).argmax(axis=1))
    row = np.arange(len(crossed))
    a, b, c = (corner[row, (apex + k) % 3] for k in range(3))
    # half-edges a->b and c->a cross; the plane is entered where the half-edge goes down
    keys = np.concatenate((_key(a, b, len(vertices)), _key(c, a, len(vertices))))
    unique, place = np.unique(keys, return_inverse=True)
    one, two = unique // len(vertices), unique % len(vertices)
    low = np.where(above[one], two, one)
    high = np.where(above[one], one, two)
    share = (z - vertices[low, 2]) / (vertices[high, 2] - vertices[low, 2])
    points = vertices[low] + share[:, None] * (vertices[high] - vertices[low])
    points[:, 2] = z
    ab, ca = place[: len(row)], place[len(row) :]
    return Cut(crossed, points, np.where(alone_up, ab, ca), np.where(alone_up, ca, ab), apex)


def _key(a: Index, b: Index, n: int) -> Index:
    return np.asarray(np.minimum(a, b) * np.int64(n) + np.maximum(a, b))


def rings(vertices: Points, faces: Index, z: float) -> list[Points]:
    """Closed outlines (n, 3) of the material at height ``z``, material on the left; no open ones."""
    found = cut(vertices, faces, z)
    loops = topology.chains(found.enter, found.leave)
    return [found.points[found.enter[edge]] for edge, closed in loops if closed]


def below(vertices: Points, faces: Index, z: float) -> tuple[Points, Index]:
    """The part of the mesh under the plane, its triangles cut along it; vertices (n, 3), faces (m, 3)."""
    found = cut(vertices, faces, z)
    kept = faces[(vertices[faces][:, :, 2] < z).all(axis=1)]
    corner = faces[found.crossed]
    row = np.arange(len(corner))
    a, b, c = (corner[row, (found.apex + k) % 3] for k in range(3))
    up = vertices[a, 2] >= z
    ab = np.where(up, found.enter, found.leave) + len(vertices)
    ca = np.where(up, found.leave, found.enter) + len(vertices)
    pieces = [
        kept,
        np.stack((a, ab, ca), axis=1)[~up],
        np.stack((ab, b, c), axis=1)[up],
        np.stack((ab, c, ca), axis=1)[up],
    ]
    return np.concatenate((vertices, found.points)), np.concatenate(pieces)
