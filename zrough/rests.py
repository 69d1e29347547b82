"""Ground left standing above, where a deeper band would bring shank or holder against it.

A cutter that goes deeper than its flutes are long passes what upper levels left. Bands are cleared side by
side and take it that all above them is cut as far as the cutter reaches; where a patch was left there, and a
band below took the ground under it after all, that band is cleared once more with the patch kept off.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .feeds import Mark
from .levels import Level
from .limits import Stage
from .regions import Space
from .rings import Piece

Map = NDArray[np.float32]

FILM = 0.05  # mm: what stands higher than this over the end of the flutes is in the way
TOUCH = 0.01  # mm: a node of a wall may lie this far inside the circle of a cutter beside it
MARGIN = 1.0  # nodes: how far ground may reach beyond the last node that stands
REASON = "the shank or the holder would touch ground left above"


@dataclass
class Above:
    """What has been left above, in cutting order, and the bodies that may touch it."""

    space: Space
    bodies: Sequence[Stage]
    marks: list[tuple[float, Mark]] = field(default_factory=list)
    boxes: list[tuple[float, ...]] = field(default_factory=list)

    def add(
        self, levels: Iterable[Level], marks: Iterable[Mark | None], left: Iterable[dict[str, Any]]
    ) -> None:
        """Take in a band that has been cut."""
        self.marks += [(v.z, m) for v, m in zip(levels, marks, strict=True) if m is not None]
        self.boxes += [q["box"] for q in left if q.get("box")]

    def kept_off(self, levels: Sequence[Level], pieces: Sequence[Sequence[Piece]]) -> dict[float, Map]:
        """Signed distance, mm, by level, from where shank or holder would touch what stands in the boxes.

        Empty if no walk of the band does.
        """
        top = float(self.space.stock.upper[2])
        low = min(level.z + body.height for level in levels for body in self.bodies)
        patches = [p for box in self.boxes if low < top and (p := self._patch(box, low)) is not None]
        if not any(
            self._touched(patch, body, level.z, walks)
            for patch in patches
            for level, walks in zip(levels, pieces, strict=True)
            for body in self.bodies
        ):
            return {}
        return {level.z: self._bound(patches, level.z) for level in levels}

    def _patch(self, box: tuple[float, ...], low: float) -> _Patch | None:
        """Nodes in a box at which more than ``low`` stands now."""
        f = self.space.frame
        j0, j1 = (int(np.clip(round((q - f.x0) / f.h), 0, f.nx - 1)) for q in (box[0], box[2]))
        i0, i1 = (int(np.clip(round((q - f.y0) / f.h), 0, f.ny - 1)) for q in (box[1], box[3]))
        rows, cols = slice(i0, i1 + 1), slice(j0, j1 + 1)
        height = self.space.top[rows, cols].astype(np.float32)
        for z, mark in self.marks:
            np.minimum(height, np.float32(z) + mark.rise[rows, cols].astype(np.float32), out=height)
        i, j = np.nonzero(height > low + FILM)
        if not len(i):
            return None
        xy = np.stack([f.x0 + f.h * (j + j0), f.y0 + f.h * (i + i0)], axis=1)
        return _Patch(xy, height[i, j], i + i0, j + j0)

    def _touched(self, patch: _Patch, body: Stage, z: float, walks: Sequence[Piece]) -> bool:
        from scipy.spatial import cKDTree

        tall = patch.xy[patch.height > z + body.height + FILM]
        reach = body.radius - TOUCH
        if not len(tall):
            return False
        low, high = tall.min(axis=0) - reach, tall.max(axis=0) + reach
        tree = None
        for walk in walks:
            near = walk.points[((walk.points >= low) & (walk.points <= high)).all(axis=1)]
            if len(near):
                tree = cKDTree(tall) if tree is None else tree
                if np.isfinite(tree.query(near, distance_upper_bound=reach)[0]).any():
                    return True
        return False

    def _bound(self, patches: Sequence[_Patch], z: float) -> Map:
        from scipy.ndimage import distance_transform_edt

        f = self.space.frame
        bound = np.full((f.ny, f.nx), 1e3, np.float32)
        for body in self.bodies:
            free = np.ones(bound.shape, bool)
            for patch in patches:
                tall = patch.height > z + body.height + FILM
                free[patch.i[tall], patch.j[tall]] = False
            if not free.all():
                away = distance_transform_edt(free) * f.h - (body.radius + MARGIN * f.h)
                np.minimum(bound, away.astype(np.float32), out=bound)
        return bound


@dataclass(frozen=True)
class _Patch:
    """Nodes (n, 2) mm of ground left, their heights and their places on the map."""

    xy: NDArray[np.float64]
    height: Map
    i: NDArray[np.int64]
    j: NDArray[np.int64]


def listed(z: float, bound: Map, space: Space, radius: float) -> dict[str, Any] | None:
    """The ground at a level that a bound keeps the cutter off, as plans list it; None if there is none."""
    g = space.grid
    i, j = np.nonzero((bound < 0.0) & space.mask(z))
    if not len(i):
        return None
    x, y = g.x0 + g.cell * j, g.y0 + g.cell * i
    m = int(np.argmin((x - x.mean()) ** 2 + (y - y.mean()) ** 2))
    return {
        "kind": "area",
        "z": z,
        "x": float(x[m]),
        "y": float(y[m]),
        "width": 2.0 * (float(-bound[i, j].min()) + radius),
        "area": len(i) * g.cell**2,
        "reason": REASON,
        "box": (
            float(x.min()) - radius,
            float(y.min()) - radius,
            float(x.max()) + radius,
            float(y.max()) + radius,
        ),
    }
