"""Where the cutter's centre may be at each level, and what stands there before it is cut."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import distances, reuse, threads
from .grid import Grid, Map
from .job import Cutter, Job
from .kernels import march
from .pieces import Frame, Level
from .stock import Stock
from .surface import ContactSurface, Rings
from .swept import Swept

FILM = 0.005  # mm; less than this standing above the tip is no material
ROWS = 128  # rows of a map filled in one go
OUTER = 0.1  # to 1: how far from the outer of two nodes an upright wall is taken to stand, and from the inner
BAND = 4.0  # cells: how far from a boundary its distance is known
STRAIGHT = 3  # nodes: sides of a contour at least so long meet in a corner
EDGE = 1.5  # nodes the centre keeps off closed ground
MANY = 1.0e6  # mm2: squared distance that stands for "never swept"


class Apart:
    """Signed distance from closed nodes, in runs of like ones: a part has a hundred levels with such a map.

    Nearly all of a map is closed or well away from what is.
    """

    MOST = 16.0  # nodes: no distance counts for more

    def __init__(self, away: NDArray[np.float64], edge: float, cell: float) -> None:
        """``away`` (ny, nx): distance from the nearest closed node, in nodes; the edge is ``edge`` nodes off.

        Squares of these distances are whole. What is farther than 15 nodes, much more than `BAND`, is taken
        for 15.
        """
        self._shape = away.shape
        counts, squares = [], []
        for first in range(0, len(away), ROWS):  # as much as stays in a processor's own memory
            square = np.minimum(away[first : first + ROWS], self.MOST)
            square *= square
            np.rint(square, out=square)
            flat = np.minimum(square, 255.0, out=square).astype(np.uint8).ravel()
            starts = np.append(0, np.flatnonzero(flat[1:] != flat[:-1]) + 1)
            counts.append(np.diff(starts, append=len(flat)).astype(np.int32))
            squares.append(flat[starts])
        self._counts, self._squares = np.concatenate(counts), np.concatenate(squares)
        self._mm = (np.sqrt(np.arange(256.0)) - edge).astype(np.float32) * np.float32(cell)

    def map(self) -> NDArray[np.float32]:
        """(ny, nx), mm, positive on open ground."""
        return np.repeat(self._mm[self._squares], self._counts).reshape(self._shape)


@dataclass
class Space:
    """The job on a grid: CL heights, stock, and the limits that hold at every level.

    ``cl`` is the CL map of the grown cutter; a level at z is free where ``cl + floor_allowance <= z``.
    ``limit`` is the signed distance (positive inside) to everything else that bounds the centre in plan,
    ``at_level`` to what bounds it at one height only (holder, clamps). ``fences``: edges of what outlines and
    clamps keep the centre out of, by height; walks follow them as they follow walls.
    """

    grid: Grid
    surface: ContactSurface
    cl: Map
    top: Map
    stock: Stock
    radius: float
    wall: float
    floor: float
    corner: float
    limit: NDArray[np.float32] | None = None
    at_level: dict[float, NDArray[np.float32] | Apart] = field(default_factory=dict)
    before: tuple[Swept, ...] = ()
    fences: dict[float, Rings] = field(default_factory=dict)
    _rings: dict[float, Rings] = field(default_factory=dict)

    @classmethod
    def build(
        cls,
        job: Job,
        cutter: Cutter,
        surface: ContactSurface,
        stock: Stock,
        grid: Grid,
        before: tuple[Swept, ...] = (),
        top: Map | None = None,
    ) -> Space:
        """CL heights and stock over ``grid`` for one cutter.

        ``before`` are earlier cutters of the same job, ``top`` the heights they left; None: the stock's own.
        """
        wall, floor = job.roughing.wall_allowance, job.roughing.floor_allowance
        radius = 0.5 * cutter.diameter
        cl = reuse.heights(surface, grid, radius + wall, cutter.corner_radius + wall)
        top = stock.ceiling(grid) if top is None else top
        corner = cutter.corner_radius + wall
        return cls(grid, surface, cl, top, stock, radius, wall, floor, corner, before=before)

    @property
    def is_leftover(self) -> bool:
        """True if ground has been cleared here before, by an earlier cutter or in an earlier setup."""
        return bool(self.before) or self.stock.kind == "leftover"

    @property
    def frame(self) -> Frame:
        """The same grid as the clearing engine sees it."""
        g = self.grid
        return Frame(g.x0, g.y0, g.cell, g.nx, g.ny)

    @cached_property
    def tip(self) -> NDArray[np.float32]:
        """Lowest tip height at each node, mm; for all bands alike."""
        return np.ascontiguousarray(self.cl + self.floor, dtype=np.float32)

    @cached_property
    def ceiling(self) -> NDArray[np.float32]:
        """Height of the stock at each node, mm, before this cutter cuts."""
        return np.ascontiguousarray(self.top, dtype=np.float32)

    def mask(self, z: float, every: int = 1) -> NDArray[np.bool_]:
        """Nodes the cutter may stand on at tip height ``z``, the part alone considered; one in ``every``."""
        return np.asarray(self.cl[::every, ::every] <= z - self.floor + 1e-9)

    def rings(self, z: float) -> Rings:
        """Exact boundary of the ground the part leaves free at tip height ``z``; kept for the next call."""
        found = self._rings.get(z)
        if found is None:
            wide = self.radius + self.wall
            found = self.surface.boundary(self.grid, self.cl, z - self.floor, wide, self.corner)
            self._rings[z] = found
        return found

    def bound(self, z: float) -> NDArray[np.float32] | None:
        """Signed distance, mm, to what bounds the centre at one height only."""
        given = self.at_level.get(z)
        return given.map() if isinstance(given, Apart) else given

    def close(self, z: float, closed: NDArray[np.bool_]) -> None:
        """Keep the centre out of nodes (ny, nx) at tip height ``z``, besides what bounds it there already."""
        found = Apart(distances.away(~closed, Apart.MOST), EDGE, self.grid.cell)
        given = self.bound(z)
        self.at_level[z] = found if given is None else np.minimum(given, found.map())

    def at(self, z: float) -> Level:
        """Signed distance and exact rings of the admissible area at tip height ``z``."""
        g = self.grid
        mask = self.mask(z)
        rings = self.rings(z)
        sd = np.empty(g.shape, np.float32)
        march.band_distance(mask, g.x0, g.y0, g.cell, BAND * g.cell, rings.points, rings.offsets, sd)
        for bound in (self.limit, self.bound(z)):
            if bound is not None:
                np.minimum(sd, bound, out=sd)
        fence = self.fences.get(z)
        if fence is None:
            return Level(sd, rings.points, rings.offsets)
        offsets = np.concatenate([rings.offsets, rings.offsets[-1] + fence.offsets[1:]])
        return Level(sd, np.concatenate([rings.points, fence.points]), offsets)

    def untouched(self, z: float, lean: bool = False) -> NDArray[np.float32]:
        """Swept map before the first cut at ``z``: 0 .. R^2 in the air beside the stock, MANY in it.

        With ``lean`` ground left by others counts only where the full radius meets it: not the foot of the
        fillet along a wall, which may touch the corner radius alone.
        """
        frame, corner = self.frame, self.corner - self.wall
        if self.stock.kind == "leftover":
            out = self._opened(self._leftover_outline(z, lean))
        elif self.stock.kind == "mesh":
            out = self._opened(self._outline(z))
        else:
            out = self._beside_stock.copy()
        for earlier in self.before:
            earlier.lay(out, frame, z, self.radius, corner, 3.0 * frame.hd, lean)
        return _deepened(out, frame.hd) if self.is_leftover else out

    @cached_property
    def _beside_stock(self) -> NDArray[np.float32]:
        """Swept map round a block or cylinder: the same at every height."""
        frame = self.frame
        ny, nx = frame.fine
        fine = Grid(frame.x0, frame.y0, frame.hd, nx, ny)
        out = np.empty((ny, nx), np.float32)

        def fill(rows: slice) -> None:
            away = self.stock.plan_distances(fine.x[None, :], fine.y[rows, None])
            assert away is not None
            out[rows] = self._opened(away)

        with ThreadPoolExecutor(max_workers=threads.count()) as pool:
            list(pool.map(fill, (slice(a, a + ROWS) for a in range(0, ny, ROWS))))
        return out

    def _opened(self, beside: NDArray[Any]) -> NDArray[np.float32]:
        """Swept map of distances from what stands, positive outside."""
        near = np.maximum(self.radius - beside, 0.0)
        return np.where(beside > -3.0 * self.frame.hd, near * near, MANY).astype(np.float32)

    def _leftover_outline(self, z: float, lean: bool) -> NDArray[np.float32]:
        """As `_outline`, of a leftover map, grown by half its pitch: it knows no better where a wall is."""
        assert self.stock.grid is not None
        assert self.stock.heights is not None
        own, frame = self.stock.grid, self.frame
        heights = self.stock.met(self.corner - self.wall) if lean else self.stock.heights
        rise = heights - z - FILM
        doubt = 0.5 * own.cell
        band = max(BAND * frame.hd, self.corner - self.wall + 2.0 * frame.hd) + doubt
        inside = self._inside(own, rise, band)
        inside[inside <= -0.999 * band] = -2.0 * self.radius  # cleared ground, well away from all that stands
        return -inside - np.float32(doubt)

    def _inside(self, own: Grid, rise: Map, band: float) -> NDArray[np.float32]:
        """Signed distance from where ``rise``, (ny, nx) mm on its own grid, passes nought, on the fine map.

        Positive where it is more; no more than ``band`` mm.
        """
        from skimage import measure

        frame = self.frame
        rise = np.pad(np.clip(rise, -own.cell, own.cell), 1, constant_values=-own.cell)
        x0, y0 = own.x0 - own.cell, own.y0 - own.cell
        contours: Any = measure.find_contours
        rings = [_cornered(line[:-1, ::-1]) * own.cell + (x0, y0) for line in contours(rise, 0.0)]
        points = np.concatenate([*rings, np.zeros((0, 2))])
        offsets = np.cumsum([0, *map(len, rings)]).astype(np.int64)
        ny, nx = frame.fine
        mask = _bilinear(rise, x0, y0, own.cell, Grid(frame.x0, frame.y0, frame.hd, nx, ny)) > 0.0
        inside = np.empty((ny, nx), np.float32)
        march.band_distance(mask, frame.x0, frame.y0, frame.hd, band, points, offsets, inside)
        return inside

    def _outline(self, z: float) -> NDArray[np.float64]:
        """Signed distance from where the stock stands above ``z``, on the fine map, positive outside.

        A slope is met where it passes that height. What is steeper than 45 degrees is known to a node: it is
        taken to stand next to the outer one, as it may begin there, and all the rim of the cutter at once.
        Farther off than `BAND` cells it is counted in nodes.
        """
        from scipy.ndimage import distance_transform_edt, zoom

        g, frame = self.grid, self.frame
        rise = np.where(np.isfinite(self.top), self.top, z - 10.0 * g.cell) - z
        solid = rise > 0.0
        if not solid.any():
            return np.full(frame.fine, 10.0 * self.radius)
        outside = distance_transform_edt(~solid) * g.cell
        inside = distance_transform_edt(solid) * g.cell
        away = np.where(solid, -(inside - 0.5 * g.cell), outside - 0.5 * g.cell)
        fine = zoom(away, (np.array(frame.fine) / np.array(away.shape)).tolist(), order=1, grid_mode=False)
        band = BAND * g.cell
        walls = (rise < -OUTER * g.cell) & _steep(rise, g.cell)
        near = self._inside(g, np.where(walls, -OUTER * g.cell, rise), band)
        return np.where(np.abs(near) < 0.999 * band, -near, fine)


def _deepened(swept: NDArray[np.float32], pitch: float) -> NDArray[np.float32]:
    """The swept map with no leap where cleared ground is deeper than its maker knew.

    There it says 0. The clearing engine takes it that what the map holds is a distance, which changes no
    faster than the place.
    """
    from scipy.ndimage import distance_transform_edt

    deep = swept <= 0.0
    if not deep.any() or deep.all():
        return swept
    away, nearest = distance_transform_edt(deep, return_indices=True)
    edge = np.sqrt(swept[tuple(nearest)][deep])
    swept[deep] = np.maximum(edge - np.maximum(away[deep] - 1.0, 0.0) * pitch, 0.0) ** 2
    return swept


def _cornered(ring: NDArray[np.float64]) -> NDArray[np.float64]:
    """A closed contour (n, 2), in nodes, with the corners at which two straight sides along the rows meet.

    A contour goes straight through a cell, from where it comes in to where it goes out.
    """
    here, on = ring, np.roll(ring, -1, axis=0)
    cut = (np.abs(on - here) > 0.5).all(axis=1)
    if not cut.any():
        return ring
    before = np.max([np.abs(here - np.roll(ring, k, axis=0)) for k in range(1, STRAIGHT + 1)], axis=0) < 1e-6
    after = (
        np.max([np.abs(on - np.roll(ring, -1 - k, axis=0)) for k in range(1, STRAIGHT + 1)], axis=0) < 1e-6
    )
    at = np.flatnonzero(cut & ((before & after[:, ::-1]).any(axis=1)))
    # the side before keeps one coordinate, the side after the other
    return np.insert(ring, at + 1, np.where(before[at], here[at], on[at]), axis=0)


def _steep(heights: Map, pitch: float) -> NDArray[np.bool_]:
    """Nodes (ny, nx) from which to one of the eight round it the height changes by more than 45 degrees."""
    out = np.zeros(heights.shape, bool)
    for along, map_ in ((out, heights), (out.T, heights.T)):
        jump = np.abs(np.diff(map_, axis=0)) > pitch
        along[:-1] |= jump
        along[1:] |= jump
    for across, map_ in ((out, heights), (out[:, ::-1], heights[:, ::-1])):
        jump = np.abs(map_[1:, 1:] - map_[:-1, :-1]) > math.sqrt(2.0) * pitch
        across[:-1, :-1] |= jump
        across[1:, 1:] |= jump
    return out


def _bilinear(values: Map, x0: float, y0: float, cell: float, grid: Grid) -> NDArray[np.float32]:
    """Values of a map at other nodes, linear between its own; those of its rim beyond it."""

    def ends(at: Map, start: float, count: int) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        place = np.clip((at - start) / cell, 0.0, count - 1.0)
        low = np.minimum(place.astype(np.int64), count - 2)
        return low, (place - low).astype(np.float32)

    source = values.astype(np.float32)
    j, u = ends(grid.x, x0, source.shape[1])
    i, v = ends(grid.y, y0, source.shape[0])
    wide = source[:, j] * (1 - u) + source[:, j + 1] * u
    return np.asarray(wide[i] * (1 - v[:, None]) + wide[i + 1] * v[:, None])


def cell_size(job: Job, cutter: Cutter, lower: tuple[float, ...], upper: tuple[float, ...]) -> float:
    """Grid pitch for a cutter: radius / 30, coarser only where the map would pass the job's limit, mm."""
    if job.roughing.cell is not None:
        return job.roughing.cell
    radius = 0.5 * cutter.diameter
    cell = radius / 30.0
    margin = 4.0 * radius
    area = (upper[0] - lower[0] + margin) * (upper[1] - lower[1] + margin)
    return max(cell, math.sqrt(area / job.roughing.max_cells), 0.01)
