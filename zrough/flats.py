"""Flats: level faces of the part that look up, by height and connected area."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from zrough import outlines, topology
from zrough.part import Part, Triple

Index = NDArray[np.int64]

SAME_HEIGHT = 1e-3  # mm; flats nearer than this in height are one level
ROUNDING = 2e-5  # mm; heights of one face in a float32 file differ by less
TINY = 0.01  # of the square of the cutter's radius: a smaller level area is a triangle's whim
PATCH = 0.25  # of the same: one smaller than this that is not quite level is a patch of a curved surface
LEVEL = 1e-4  # mm that a plane face's corners differ in height by rounding


@dataclass(frozen=True, eq=False)
class Flat:
    """One connected level area.

    Attributes
    ----------
    z : mm, its highest point. drop : mm, how much lower its lowest point is.
    area : mm2, in plan. faces : indices into ``part.faces``.
    lower, upper : box corners, mm.
    centroid : (x, y), mm. outline : (n, 2, 2) float64, segments of its outline, the area on their left.
    """

    z: float
    drop: float
    area: float
    faces: Index
    lower: Triple
    upper: Triple
    centroid: tuple[float, float]
    outline: NDArray[np.float64]

    @cached_property
    def _disc(self) -> tuple[tuple[float, float], float]:
        # worked out when asked for: a freeform part may have thousands of tiny flats
        if not len(self.outline):
            return self.centroid, 0.0
        return outlines.largest_circle(self.outline)

    @property
    def disc_radius(self) -> float:
        """Radius of the largest circle inside the outline, mm."""
        return self._disc[1]

    @property
    def disc_centre(self) -> tuple[float, float]:
        """Centre (x, y) of that circle, mm."""
        return self._disc[0]

    def holds(self, radius: float) -> bool:
        """Does a circle of this radius fit inside the outline?"""
        sides = np.subtract(self.upper, self.lower)[:2]
        return self.area >= math.pi * radius**2 and min(sides) >= 2 * radius and self.disc_radius >= radius


def find(part: Part, tilt_deg: float = 0.05, min_area: float = 0.0, min_radius: float = 0.0) -> list[Flat]:
    """Flats of the part, highest first, larger before smaller.

    Parameters
    ----------
    tilt_deg : degrees; faces leaning no more than this from level count.
    min_area : mm2; smaller flats are left out.
    min_radius : mm; flats that hold no circle of this radius are left out.
    """
    vectors = topology.area_vectors(part.vertices, part.faces)
    lean = np.hypot(vectors[:, 0], vectors[:, 1])
    rise = np.ptp(part.triangles[:, :, 2], axis=1)
    level = (lean <= math.tan(math.radians(tilt_deg)) * vectors[:, 2]) & (vectors[:, 2] > 0)
    # tiny faces of a level area lean by the rounding of their corners
    level |= (rise <= ROUNDING) & (vectors[:, 2] > 0) & (lean <= 0.1 * vectors[:, 2])
    chosen = np.flatnonzero(level)
    if not chosen.size:
        return []
    number, label = _areas(part, chosen)
    area = np.bincount(label, vectors[chosen, 2], number)
    order = np.argsort(label, kind="stable")
    bounds = np.searchsorted(label[order], np.arange(number + 1))
    edges = _outline_edges(part, chosen, label)
    found = []
    for k in np.flatnonzero(area >= max(min_area, 1e-9)).tolist():
        faces = chosen[order[bounds[k] : bounds[k + 1]]]
        flat = _describe(part, faces, float(area[k]), part.vertices[edges[k]][:, :, :2])
        if min_radius <= 0.0 or flat.holds(min_radius):
            found.append(flat)
    return _levelled(found)


def worth_a_level(part: Part, tilt_deg: float, radius: float) -> list[Flat]:
    """Flats to be cut as floors by a cutter of ``radius`` mm; otherwise as `find`.

    Where a curved surface crests or dips, a few of its triangles come out level. They are no floor, and a
    level each would cost a way for ground that the levels beside it clear.
    """
    found = find(part, tilt_deg=tilt_deg, min_area=TINY * radius**2)
    return [f for f in found if f.drop <= LEVEL or f.area >= PATCH * radius**2]


def heights(flats: list[Flat]) -> list[float]:
    """Distinct heights, highest first, mm."""
    return sorted({flat.z for flat in flats}, reverse=True)


def _areas(part: Part, chosen: Index) -> tuple[int, Index]:
    """Connected sets of the chosen faces; in an open mesh a shared corner joins too."""
    faces = part.faces[chosen]
    if part.open_edges:  # faces may meet without sharing an edge
        m, n = len(faces), len(part.vertices)
        _, used = np.unique(faces, return_inverse=True)
        corner = used.reshape(-1).astype(np.int64) + m
        _, label = topology.groups(m + n, np.repeat(np.arange(m), 3), corner)
        _, label = np.unique(label[:m], return_inverse=True)
        return int(label.max()) + 1, label.astype(np.int64)
    return topology.groups(len(faces), *topology.edges(faces, len(part.vertices)).links())


def _outline_edges(part: Part, chosen: Index, label: Index) -> list[Index]:
    """Directed outline edges (start, end) of every set."""
    mesh = topology.edges(part.faces[chosen], len(part.vertices))
    half = np.sort(mesh.open)
    of = label[half // 3]
    order = np.argsort(of, kind="stable")
    ends = np.stack((mesh.start[half], mesh.end[half]), axis=1)[order]
    return np.split(ends, np.searchsorted(of[order], np.arange(1, int(label.max()) + 1)))


def _describe(part: Part, faces: Index, area: float, outline: NDArray[np.float64]) -> Flat:
    corner = part.triangles[faces].reshape(-1, 3)
    low, high = corner.min(axis=0), corner.max(axis=0)
    vectors = topology.area_vectors(part.vertices, part.faces[faces])[:, 2]
    middle = (part.triangles[faces][:, :, :2].mean(axis=1) * vectors[:, None]).sum(axis=0) / area
    return Flat(
        float(high[2]), float(high[2] - low[2]), area, faces,
        (float(low[0]), float(low[1]), float(low[2])), (float(high[0]), float(high[1]), float(high[2])),
        (float(middle[0]), float(middle[1])), outline,
    )  # fmt: skip


def _levelled(found: list[Flat]) -> list[Flat]:
    """Flats of nearly one height get the highest of their heights, so that one level serves them all."""
    ranked = sorted(found, key=lambda f: (-f.z, -f.area, f.lower))
    result: list[Flat] = []
    top = math.inf
    for flat in ranked:
        if top - flat.z > SAME_HEIGHT:
            top = flat.z
        result.append(flat if flat.z == top else replace(flat, z=top))
    return sorted(result, key=lambda f: (-f.z, -f.area, f.lower))
