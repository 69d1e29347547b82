"""Several cutters in turn: each meets what the one before left, and goes only where enough of it remains."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .curtain import HIDDEN
from .cutting import CuttingData
from .grid import Grid, Map
from .job import Cutter
from .kernels import march
from .levels import Level
from .pieces import Rules, leading_half
from .regions import Space
from .stock import highest
from .swept import Swept
from .toolpath import Toolpath

NEAR = 2.0  # cutter radii round what is worth a visit within which all that stands is shown
SQUARE = math.sqrt(2.0) - 1.0  # of the smallest path radius: what it leaves in a square corner
ANY = -1.0  # rad: a bite of any arc

Mask = NDArray[np.bool_]


@dataclass
class Stage:
    """What one cutter adds: its data, path, levels, and the numbers of the report.

    ``levels`` in cutting order; ``left`` places it could not cut; ``removed_mm3``, ``time_s`` and
    ``tallest_stair_mm`` as the check found them, None without a check; ``cut_mm`` path in material,
    ``link_mm`` path out of it.
    """

    cutter: Cutter
    data: CuttingData
    levels: list[Level]
    toolpath: Toolpath
    left: list[dict[str, object]]
    cut_mm: float = 0.0
    link_mm: float = 0.0
    removed_mm3: float | None = None
    time_s: float | None = None
    tallest_stair_mm: float | None = None

    @property
    def name(self) -> str:
        """Tool number and cutter, for the report."""
        from .post import describe

        return f"T{self.cutter.number}: {describe(self.cutter)}"


@dataclass
class Ground:
    """The ground as the cutters so far have left it.

    ``swept`` says where exactly, ``grid`` and ``top`` (ny, nx) how high it stands at most, mm.
    """

    swept: list[Swept] = field(default_factory=list)
    grid: Grid | None = None
    top: Map | None = None

    def over(self, grid: Grid) -> Map | None:
        """Heights on another grid; None before the first cutter."""
        if self.grid is None or self.top is None:
            return None
        return highest(self.grid, self.top, grid)

    def cut(self, space: Space, swept: Swept) -> None:
        """Take note of a cutter."""
        self.top = swept.lower(space.top)
        self.grid = swept.grid
        self.swept.append(swept)

    @property
    def heights(self) -> list[float]:
        """Tip heights of all levels so far."""
        return sorted({z for swept in self.swept for z in swept.heights}, reverse=True)


# -- where a later cutter is wanted ---------------------------------------------------------------


@dataclass(frozen=True)
class Zones:
    """Where a level's ground is shown to the clearing engine, coarse nodes packed by tip height."""

    shape: tuple[int, int]
    packed: dict[float, bytes]

    def empty(self, z: float) -> bool:
        """True if nothing at ``z`` is worth a visit."""
        return not any(self.packed[z])

    def at(self, z: float) -> Mask:
        """(ny, nx) bool on the coarse map."""
        bits = np.unpackbits(np.frombuffer(self.packed[z], np.uint8), count=math.prod(self.shape))
        return bits.reshape(self.shape).astype(bool)


def zones(
    space: Space,
    levels: Iterable[Level],
    rules: Rules,
    least: float,
    pool: Executor,
    done: Callable[[], object],
) -> Zones | None:
    """Where more than ``least`` mm stands within the cutter's reach; None where nothing was cut before.

    What a level visits, the levels above it visit too: what stands there must go first.
    """
    if not space.is_leftover:
        return None

    def one(z: float) -> Mask:
        found = _worth(space, z, rules, least)
        done()
        return found

    heights = sorted({level.z for level in levels})
    shown = np.zeros(space.frame.coarse, bool)
    packed = {}
    for z, mask in zip(heights, pool.map(one, heights), strict=True):
        shown = shown | mask
        packed[z] = np.packbits(shown).tobytes()
    return Zones(space.frame.coarse, packed)


def _worth(space: Space, z: float, rules: Rules, least: float) -> Mask:
    """Coarse nodes near ground more than ``least`` wide and high within reach at tip height ``z``."""
    from scipy.ndimage import distance_transform_edt

    frame, radius = space.frame, rules.radius
    wide = max(least, SQUARE * rules.rho)
    if space.stock.kind == "leftover" and space.stock.grid is not None:
        wide += space.stock.grid.cell  # half for what it cannot tell, half because it is taken as wider
    wide = min(wide, 0.5 * radius)
    nothing = np.zeros(frame.coarse, bool)
    free = space.mask(z)[::2, ::2]
    if not free.any():
        return nothing
    d2 = space.untouched(z, lean=True)
    _skim(d2, space, z + least, radius)
    away = distance_transform_edt(~free) * frame.hb
    stands = _coarse_any(d2 > np.float32(radius * radius), frame.coarse)
    if not (stands & (away <= radius + 2.0 * frame.hb)).any():
        return nothing
    level = space.at(z)
    free &= level.sd[::2, ::2] >= rules.eps
    away = distance_transform_edt(~free) * frame.hb if free.any() else np.full(free.shape, np.inf)
    thick = _coarse_any(d2 > np.float32((radius + wide) ** 2), frame.coarse)
    seeds = thick & (away <= radius - 1.5 * frame.hb)
    near = NEAR * radius
    out = seeds if not seeds.any() else distance_transform_edt(~seeds) * frame.hb <= near
    places = _biting(d2, level.sd, level.points, level.offsets, space, wide)
    if len(places):
        marks = nothing.copy()
        i = np.clip(np.rint((places[:, 1] - frame.y0) / frame.hb).astype(int), 0, marks.shape[0] - 1)
        j = np.clip(np.rint((places[:, 0] - frame.x0) / frame.hb).astype(int), 0, marks.shape[1] - 1)
        marks[i, j] = True
        out = out | (distance_transform_edt(~marks) * frame.hb <= near + radius)
    return np.asarray(out, dtype=np.bool_)


def _biting(
    d2: NDArray[np.float32],
    sd: NDArray[np.float32],
    points: NDArray[np.float64],
    offsets: NDArray[np.int64],
    space: Space,
    wide: float,
) -> NDArray[np.float64]:
    """Points of the level's rings where the cutter would take more than ``wide`` off the wall, (m, 2)."""
    f, n = space.frame, len(points)
    if not n:
        return points
    after = np.arange(1, n + 1)
    after[offsets[1:] - 1] = offsets[:-1]
    bite = np.zeros(n, np.uint8)
    march.bites(
        d2, f.x0, f.y0, f.hd, space.radius, wide, ANY, 0.0, 1.0, leading_half(1),
        points, after, np.arange(n), bite,
    )  # fmt: skip
    j = np.clip(np.rint((points[:, 0] - f.x0) / f.h).astype(int), 0, f.nx - 1)
    i = np.clip(np.rint((points[:, 1] - f.y0) / f.h).astype(int), 0, f.ny - 1)
    found: NDArray[np.float64] = points[(bite == 1) & (sd[i, j] >= -f.h)]
    return found


def _skim(d2: NDArray[np.float32], space: Space, height: float, radius: float) -> None:
    """Take for cleared what does not stand above ``height``."""
    from scipy.ndimage import maximum_filter

    low = maximum_filter(space.top, size=3) <= height
    ny, nx = d2.shape
    fine = np.repeat(np.repeat(low, 2, axis=0), 2, axis=1)[:ny, :nx]
    inside = np.float32((radius - HIDDEN * space.frame.hd) ** 2)
    d2[fine & (d2 > inside)] = inside


def _coarse_any(fine: Mask, shape: tuple[int, int]) -> Mask:
    """True at coarse nodes with any of the sixteen fine nodes from there on."""
    ny, nx = shape
    padded = np.zeros((4 * ny, 4 * nx), bool)
    padded[: fine.shape[0], : fine.shape[1]] = fine[: 4 * ny, : 4 * nx]
    return np.asarray(padded.reshape(ny, 4, nx, 4).any(axis=(1, 3)))


# -- all cutters together --------------------------------------------------------------------------


def joined(stages: list[Stage]) -> tuple[list[Level], Toolpath]:
    """Levels and path of all cutters, in order."""
    levels: list[Level] = []
    paths = []
    for number, stage in enumerate(stages):
        path = stage.toolpath
        if number:
            first = 1 + max(level.band for level in levels)
            for level in stage.levels:
                level.band += first
                level.cutter = number
            level_of = np.where(path.level >= 0, path.level + len(levels), -1)
            path = replace(path, level=level_of.astype(np.int32))
        levels += stage.levels
        paths.append(path)
    return levels, paths[0] if len(paths) == 1 else Toolpath.join(paths)


def note_check(stages: list[Stage], check: Any) -> None:
    """What the check measured of each cutter's share of the program, put into the stages."""
    found = {section.tool: section for section in getattr(check, "sections", ())}
    for stage in stages:
        section = found.get(stage.cutter.number)
        if section is not None:
            stage.removed_mm3 = section.removed_mm3
            stage.time_s = section.time_s
            stage.tallest_stair_mm = section.tallest_stair_mm
