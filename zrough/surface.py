"""Exact cutter location (CL) surface of a triangle mesh, and the exact boundary of what a level frees.

The CL height at a plan point is the lowest tip height at which the cutter touches no triangle from above.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from zrough import threads
from zrough.errors import SurfaceError
from zrough.grid import Grid
from zrough.progress import Progress, watched

Floats = NDArray[np.float64]

FREE_SLACK = 1e-9  # mm: a node or point at most this far above the level counts as free


@dataclass(frozen=True)
class Rings:
    """Closed polylines in plan, mm; ring k is ``points[offsets[k]:offsets[k+1]]``, first point not repeated.

    The free area lies to the left: outer rings run counter-clockwise, islands clockwise.
    """

    points: Floats
    offsets: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.offsets) - 1

    def ring(self, k: int) -> Floats:
        """Points of ring ``k``, shape (n, 2), mm."""
        return self.points[self.offsets[k] : self.offsets[k + 1]]

    def areas(self) -> Floats:
        """Signed area of each ring, mm2; islands negative."""
        return np.array([_signed_area(self.ring(k)) for k in range(len(self))], dtype=np.float64)


def _signed_area(ring: Floats) -> float:
    centred = ring - ring[0]
    x, y = centred[:, 0], centred[:, 1]
    return 0.5 * float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))


class ContactSurface:
    """Triangles in a tree of bounds, asked for cutter contact.

    Parameters
    ----------
    triangles : float64, shape (n, 3, 3), mm. Any soup: orientation, order and gaps do not matter; from
        above every triangle counts as solid.

    Raises
    ------
    SurfaceError : no triangles, wrong shape, or a coordinate that is not finite.
    """

    def __init__(self, triangles: Floats) -> None:
        from zrough.kernels import contact

        soup = np.ascontiguousarray(triangles, dtype=np.float64)
        if soup.ndim != 3 or soup.shape[1:] != (3, 3) or len(soup) == 0:
            raise SurfaceError(f"triangles have shape {soup.shape}; give (n, 3, 3) with n of at least 1")
        bad = ~np.isfinite(soup).all(axis=(1, 2))
        if bad.any():
            raise SurfaceError(
                f"triangle {int(np.argmax(bad))}: a coordinate is not a finite number "
                f"({int(bad.sum())} such triangles); repair the mesh first"
            )
        n = len(soup)
        room = 2 * max(1, -(-2 * n // contact.LEAF)) + 1
        self._tris = np.empty((n, 16))
        nodes = np.empty((room, 12))
        links = np.empty((room, 2), np.int32)
        used = contact.build_tree(
            soup,
            self._tris,
            self._tris.view(np.int64),
            nodes,
            links,
            np.empty((n, 4)),
            np.empty((128, 3), np.int64),
            np.empty((room, 2), np.int64),
            np.empty((room, 3)),
            np.full(1 << (6 * n).bit_length(), -1, np.int32),
        )
        self._nodes = nodes[:used]
        self._links = links[:used]
        self._fitted: dict[tuple[float, float, float, float], Floats] = {}
        self.key: str | None = None  # stands for the triangles where results are kept, see `reuse`

    # ------------------------------------------------------------------------------------------ heights

    def heights(
        self, grid: Grid, radius: float, corner_radius: float, progress: Progress | None = None
    ) -> Floats:
        """CL tip height at every node of ``grid``, mm, shape (ny, nx); -inf where nothing is below.

        ``radius`` and ``corner_radius`` (0 flat, = radius ball, between: bull-nose), mm, are those of the
        cutter grown by its allowance. ``progress("surface", done, total)`` counts rows and may return False
        to stop.

        Raises
        ------
        SurfaceError : impossible radii. Cancelled : ``progress`` said so.
        """
        out = np.full(grid.shape, -np.inf)
        self._raise_to(out, grid, _cutter(radius, corner_radius), 0.0, progress)
        return out

    def heights_profile(
        self, grid: Grid, segments: Sequence[tuple[float, float, float]], progress: Progress | None = None
    ) -> Floats:
        """Lowest height of the lower end of a shank and holder that touch nothing, at every node, mm.

        ``segments``: (length, lower diameter, upper diameter) in mm from the lower end upwards, cylinders
        and cones in a stack. Exact: each is a flat end with a straight flank. -inf where nothing is below.

        Raises
        ------
        SurfaceError : no segment, or a length or diameter that is negative or not finite.
        """
        out = np.full(grid.shape, -np.inf)
        for cutter, base in _stack(segments):
            self._raise_to(out, grid, cutter, base, progress)
        return out

    def at(self, xy: Floats, radius: float, corner_radius: float) -> Floats:
        """CL tip height at plan points ``xy`` (n, 2), mm, shape (n,); -inf where nothing is below."""
        from zrough.kernels import contact

        points = np.ascontiguousarray(xy, dtype=np.float64)
        if points.ndim != 2 or points.shape[1] != 2:
            raise SurfaceError(f"plan points have shape {points.shape}; give (n, 2)")
        cutter = _cutter(radius, corner_radius)
        arrays = self._fit(cutter)
        out = np.full(len(points), -np.inf)
        walls = np.full(len(points), -1, np.int64)

        def part(first: int, last: int) -> None:
            contact.probe(contact.HEIGHT, points, out, walls, first, last, *arrays)

        _in_threads(part, len(points), 256)
        return out

    def _raise_to(
        self,
        out: Floats,
        grid: Grid,
        cutter: tuple[float, float, float, float],
        base: float,
        progress: Progress | None,
    ) -> None:
        from zrough.kernels import contact

        arrays = self._fit(cutter)

        def rows(first: int, last: int) -> None:
            contact.drop_grid(out, first, last, grid.x0, grid.y0, grid.cell, base, *arrays)

        _in_threads(rows, grid.ny, 16, progress)

    def _fit(self, cutter: tuple[float, float, float, float]) -> tuple[Any, ...]:
        """Tree with the contact offsets of this cutter filled in; the last few cutters are kept."""
        nodes = self._fitted.get(cutter)
        if nodes is None:
            radius, a, c, steep = cutter
            nodes = self._nodes.copy()
            lean = np.hypot(nodes[:, 6], nodes[:, 7])
            cosine = 1.0 / np.sqrt(1.0 + lean * lean)
            if steep < 0.0:
                reach = a + c * lean * cosine
                fall = c * (1.0 - cosine)
            else:
                over = lean > steep
                reach = np.where(over, radius, a)
                fall = np.where(over, steep * (radius - a), 0.0)
            share = np.divide(reach, lean, out=np.zeros_like(lean), where=lean > 0.0)
            nodes[:, 8] = share * nodes[:, 6]
            nodes[:, 9] = share * nodes[:, 7]
            nodes[:, 10] = reach * lean - fall
            while len(self._fitted) >= 4:
                self._fitted.pop(next(iter(self._fitted)))
            self._fitted[cutter] = nodes
        return self._tris, nodes, self._links, cutter, _table(cutter)

    # ----------------------------------------------------------------------------------------- boundary

    def boundary(
        self,
        grid: Grid,
        heights: Floats,
        z: float,
        radius: float,
        corner_radius: float,
        accept: NDArray[np.bool_] | None = None,
        tolerance: float = 0.001,
        chord: float = 0.002,
    ) -> Rings:
        """Exact boundary of the plan area where the CL height is at most ``z``.

        Parameters
        ----------
        heights : (ny, nx), mm, from :meth:`heights` for the same grid and cutter.
        accept : (ny, nx) bool. Free nodes to keep; rings run along the last accepted nodes.
        tolerance : mm. Ring vertices stand on the free side, within a tenth of this of the boundary.
        chord : mm. Between vertices the ring strays at most this far from the boundary.

        Returns
        -------
        Rings, closed at the grid's frame. Free nodes that touch by a corner alone are not joined.
        What is free or blocked shows at nodes only: a hump that lifts a ball (corner radius c, no flat) over
        ``z`` between nodes alone is not seen; it is at most cell^2 / (4 c) high.

        Raises
        ------
        SurfaceError : shapes that do not match, impossible radii or tolerances.
        """
        from zrough import boundary
        from zrough.kernels import contact

        if heights.shape != grid.shape or (accept is not None and accept.shape != grid.shape):
            raise SurfaceError(f"height map or mask does not match the grid of shape {grid.shape}")
        if not (tolerance > 0.0 and chord > 0.0 and math.isfinite(z)):
            raise SurfaceError(
                f"tolerance {tolerance}, chord {chord}, z {z}: tolerances must be above 0, z finite"
            )
        cutter = _cutter(radius, corner_radius)
        arrays = self._fit(cutter)
        limit = z + FREE_SLACK
        inner = heights <= limit
        solid = np.zeros((grid.ny + 2, grid.nx + 2), np.uint8)
        np.logical_not(inner, out=solid[1:-1, 1:-1].view(np.bool_))
        free = np.zeros_like(solid)
        free[1:-1, 1:-1] = inner if accept is None else inner & accept
        count = int(np.count_nonzero(free[1:] != free[:-1]) + np.count_nonzero(free[:, 1:] != free[:, :-1]))
        pairs = np.empty((count, 2), np.int32)
        offsets = np.empty(count // 4 + 2, np.int64)
        found = contact.trace(free, np.zeros_like(free), pairs, offsets)
        offsets = offsets[: found + 1]
        touch = boundary.Touch(arrays, limit, _in_threads)
        fine = 0.1 * tolerance
        points, walls = boundary.crossings(touch, pairs, solid, grid, fine)
        follower = np.arange(1, count + 1)
        follower[offsets[1:] - 1] = offsets[:-1]
        between = boundary.bends(touch, points, follower, walls, chord, fine)
        return Rings(*boundary.join(points, between, offsets))


def _cutter(radius: float, corner_radius: float) -> tuple[float, float, float, float]:
    """Kernel profile of a flat, bull-nose or ball cutter."""
    if not (math.isfinite(radius) and radius > 0.0 and 0.0 <= corner_radius <= radius * (1.0 + 1e-12)):
        raise SurfaceError(
            f"cutter radius {radius} mm, corner radius {corner_radius} mm: "
            "the radius must be above 0 and the corner radius between 0 and the radius"
        )
    corner = min(float(corner_radius), float(radius))
    return float(radius), float(radius) - corner, corner, -1.0


def _table(cutter: tuple[float, float, float, float]) -> Floats:
    """Tangents from below of the profile over u = distance squared, (n + 1, 2): h >= [:, 0] + [:, 1] * u.

    Bins of equal width in u up to radius squared, tangent at the middle of each. The corner circle's height
    is convex in u; that of a straight flank is not, its chord in u stands in for it.
    """
    radius, a, c, steep = cutter
    bins = 256
    u = (np.minimum(np.arange(bins + 1), bins - 1) + 0.5) * (radius * radius / bins)
    if steep >= 0.0:
        slope = np.where(u > a * a, steep * (radius - a) / (radius * radius - a * a), 0.0)
        return np.stack((-slope * a * a, slope), axis=1)
    d = np.sqrt(u)
    e = np.maximum(d - a, 0.0)
    root = np.sqrt(np.maximum(c * c - e * e, 0.0))
    slope = np.divide(e, 2.0 * d * root, out=np.zeros_like(e), where=(e > 0.0) & (root > 0.0))
    return np.stack((np.maximum(c - root, 0.0) * (e > 0.0) - slope * u, slope), axis=1)


def _stack(
    segments: Sequence[tuple[float, float, float]],
) -> list[tuple[tuple[float, float, float, float], float]]:
    """(kernel profile, height of its lower end) of the segments that can touch first."""
    if len(segments) == 0:
        raise SurfaceError("the holder has no segment; give at least one (length, lower, upper diameter)")
    parts: list[tuple[tuple[float, float, float, float], float]] = []
    base = 0.0
    widest = 0.0
    for k, (length, lower, upper) in enumerate(segments):
        if not all(math.isfinite(v) and v >= 0.0 for v in (length, lower, upper)):
            raise SurfaceError(
                f"holder segment {k + 1}: length {length}, diameters {lower} and {upper} mm "
                "must be finite and not negative"
            )
        a, radius = 0.5 * lower, 0.5 * max(lower, upper)
        if radius > widest:  # a narrower one higher up is hidden behind those below
            steep = length / (radius - a) if radius > a else 0.0
            flank = (radius, a, 0.0, steep) if steep > 0.0 else (radius, radius, 0.0, -1.0)
            parts.append((flank, base))
            widest = radius
        base += length
    if not parts:
        raise SurfaceError("the holder has no diameter above 0 mm; give at least one")
    return parts


def _in_threads(
    work: Callable[[int, int], None], total: int, least: int, progress: Progress | None = None
) -> None:
    """Run ``work(first, last)`` over 0..total in pieces that do not depend on the number of threads.

    The kernels let other threads run, and every piece writes its own rows, so results are the same bytes
    for any number of threads.
    """
    if progress is None and threads.count() == 1:
        work(0, total)
        return
    pieces = [(first, min(first + least, total)) for first in range(0, total, least)]
    workers = min(threads.count(), len(pieces))
    tell = watched(progress)
    if workers <= 1:
        for first, last in pieces:
            work(first, last)
            tell("surface", last, total)
        return
    with ThreadPoolExecutor(workers) as pool:
        jobs = [pool.submit(work, first, last) for first, last in pieces]
        try:
            for job, (_, last) in zip(jobs, pieces, strict=True):
                job.result()
                tell("surface", last, total)
        except BaseException:
            for job in jobs:
                job.cancel()
            raise
