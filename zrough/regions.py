"""Where the cutter's centre may be at each level, and what stands there before it is cut."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from . import reuse
from .grid import Grid, Map
from .job import Cutter, Job
from .kernels import march
from .rings import Frame, Level
from .stock import Stock
from .surface import ContactSurface, Rings

BAND = 4.0  # cells: how far from a boundary its distance is known
MANY = 1.0e6  # mm2: squared distance that stands for "never swept"


@dataclass
class Space:
    """The job on a grid: CL heights, stock, and the limits that hold at every level.

    ``cl`` is the CL map of the grown cutter; a level at z is free where ``cl + floor_allowance <= z``.
    ``limit`` is the signed distance (positive inside) to everything else that bounds the centre in plan,
    ``at_level`` to what bounds it at one height only (holder, clamps).
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
    at_level: dict[float, NDArray[np.float32]] = field(default_factory=dict)
    _rings: dict[float, Rings] = field(default_factory=dict)

    @classmethod
    def build(cls, job: Job, cutter: Cutter, surface: ContactSurface, stock: Stock, grid: Grid) -> Space:
        """CL heights and stock over ``grid`` for one cutter."""
        wall, floor = job.roughing.wall_allowance, job.roughing.floor_allowance
        radius = 0.5 * cutter.diameter
        cl = reuse.heights(surface, grid, radius + wall, cutter.corner_radius + wall)
        return cls(
            grid, surface, cl, stock.top(grid), stock, radius, wall, floor, cutter.corner_radius + wall
        )

    @property
    def frame(self) -> Frame:
        """The same grid as the clearing engine sees it."""
        g = self.grid
        return Frame(g.x0, g.y0, g.cell, g.nx, g.ny)

    def mask(self, z: float) -> NDArray[np.bool_]:
        """Nodes the cutter may stand on at tip height ``z``, the part alone considered."""
        return np.asarray(self.cl <= z - self.floor + 1e-9)

    def rings(self, z: float) -> Rings:
        """Exact boundary of the ground the part leaves free at tip height ``z``; kept for the next call."""
        found = self._rings.get(z)
        if found is None:
            wide = self.radius + self.wall
            found = self.surface.boundary(self.grid, self.cl, z - self.floor, wide, self.corner)
            self._rings[z] = found
        return found

    def at(self, z: float) -> Level:
        """Signed distance and exact rings of the admissible area at tip height ``z``."""
        g = self.grid
        mask = self.mask(z)
        rings = self.rings(z)
        sd = np.empty(g.shape, np.float32)
        march.band_distance(mask, g.x0, g.y0, g.cell, BAND * g.cell, rings.points, rings.offsets, sd)
        for bound in (self.limit, self.at_level.get(z)):
            if bound is not None:
                np.minimum(sd, bound, out=sd)
        return Level(sd, rings.points, rings.offsets)

    def untouched(self, z: float) -> NDArray[np.float32]:
        """Swept map before the first cut at ``z``: 0 .. R^2 in the air beside the stock, MANY in it."""
        frame = self.frame
        ny, nx = frame.fine
        fine = Grid(frame.x0, frame.y0, frame.hd, nx, ny)
        out = np.empty((ny, nx), np.float32)
        rows = max(1, 2_000_000 // nx)
        level = None if self.stock.kind in ("block", "cylinder") else self._outline(z)
        for a in range(0, ny, rows):
            b = min(ny, a + rows)
            if level is None:
                x, y = np.meshgrid(fine.x, fine.y[a:b])
                away = self.stock.plan_distance(np.stack([x.ravel(), y.ravel()], axis=1))
                assert away is not None
                beside = away.reshape(b - a, nx)
            else:
                beside = level[a:b]
            near = np.maximum(self.radius - beside, 0.0)
            out[a:b] = np.where(beside > -3.0 * frame.hd, near * near, MANY)
        return out

    def _outline(self, z: float) -> NDArray[np.float64]:
        """Signed distance from where the stock stands above ``z``, on the fine map, positive outside."""
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
        return np.asarray(fine, dtype=np.float64)


def cell_size(job: Job, cutter: Cutter, lower: tuple[float, ...], upper: tuple[float, ...]) -> float:
    """Grid pitch for a cutter: radius / 30, coarser only where the map would pass the job's limit, mm."""
    if job.roughing.cell is not None:
        return job.roughing.cell
    radius = 0.5 * cutter.diameter
    cell = radius / 30.0
    margin = 4.0 * radius
    area = (upper[0] - lower[0] + margin) * (upper[1] - lower[1] + margin)
    return max(cell, math.sqrt(area / job.roughing.max_cells), 0.01)
