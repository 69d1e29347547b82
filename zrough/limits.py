"""What bounds the cutter's centre in plan besides the part: outlines, keep-out boxes, holder.

Every map is a signed distance at the nodes of a grid, mm, float32, positive where the centre may be, cut
off at ``BAND`` cells, so that maps combine by their minimum.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from .errors import JobError
from .grid import Grid, Map
from .joboutlines import outlines_of

if TYPE_CHECKING:
    from .job import Cutter, Job
    from .surface import ContactSurface, Rings

Floats = NDArray[np.float64]
Signed = NDArray[np.float32]
Mask = NDArray[np.bool_]

BAND = 4.0  # cells: how far from a boundary its distance is known
CLOSE = 0.25  # cells: ring points closer than this are thinned out
SLIM = 0.02  # mm: a shank this much thicker than the cutter, in radius, counts as no thicker

# --- outlines ---------------------------------------------------------------------------------------


def plan_limit(job: Job, grid: Grid) -> Signed | None:
    """Signed distance from the job's outlines ``regions.inside``, ``outside`` and ``file``.

    The centre may be in any of the insides and in none of the outsides; an outline that crosses itself
    counts by the even-odd rule. Exact up to float32 but where outlines overlap, where it may fall short.

    Returns
    -------
    (ny, nx) float32, mm; None where the job has no outlines.

    Raises
    ------
    JobError : the file cannot be used, an outline encloses nothing, or no node of the grid is left.
    """
    inside, outside = outlines_of(job)
    if not inside and not outside:
        return None
    band = BAND * grid.cell
    out = np.full(grid.shape, -band if inside else band, np.float32)
    for name, ring in inside:
        _lay(out, grid, _ring(name, ring), np.maximum, 1.0)
    for name, ring in outside:
        _lay(out, grid, _ring(name, ring), np.minimum, -1.0)
    if not (out > 0.0).any():
        x, y = grid.x, grid.y
        raise JobError(
            f"{job.source}: regions: no place is left for the cutter's centre within x {x[0]:.6g} .. "
            f"{x[-1]:.6g}, y {y[0]:.6g} .. {y[-1]:.6g} mm; correct inside, outside or their unit"
        )
    return out


def _ring(name: str, ring: Floats) -> Floats:
    """The outline, if it encloses anything."""
    step = ring - ring[0]
    far = step[int(np.argmax((step**2).sum(axis=1)))]
    width = np.abs(step @ np.array([-far[1], far[0]])).max() / max(float(np.hypot(*far)), 1e-300)
    if width < 1e-6:
        raise JobError(
            f"{name}: encloses nothing, its {len(ring)} points lie on a line at ({ring[0, 0]:.6g}, "
            f"{ring[0, 1]:.6g}) mm; give an area"
        )
    return ring


def _lay(out: Signed, grid: Grid, ring: Floats, rule: Any, sign: float) -> None:
    """Combine the map with an outline's signed distance, in the box it can change."""
    from .kernels import march

    band = BAND * grid.cell
    window = _window(grid, ring.min(axis=0) - band, ring.max(axis=0) + band)
    if window is None:
        return
    rows, columns, part = window
    own = np.empty(part.shape, np.float32)
    offsets = np.array([0, len(ring)], np.int64)
    points = np.ascontiguousarray(ring)
    march.band_distance(even_odd(ring, part), part.x0, part.y0, part.cell, band, points, offsets, own)
    view = out[rows, columns]
    rule(view, np.float32(sign) * own, out=view)


def _window(grid: Grid, low: Floats, high: Floats) -> tuple[slice, slice, Grid] | None:
    """Rows and columns of the nodes in a box, and the grid of these alone; None where there are none."""
    first, count = [], []
    for start, size, a, b in ((grid.x0, grid.nx, low[0], high[0]), (grid.y0, grid.ny, low[1], high[1])):
        k = int(np.clip(math.ceil((a - start) / grid.cell), 0, size))
        first.append(k)
        count.append(int(np.clip(math.floor((b - start) / grid.cell) + 1, k, size)) - k)
    if not count[0] or not count[1]:
        return None
    (j, i), (nx, ny) = first, count
    part = Grid(grid.x0 + j * grid.cell, grid.y0 + i * grid.cell, grid.cell, nx, ny)
    return slice(i, i + ny), slice(j, j + nx), part


def even_odd(ring: Floats, grid: Grid) -> Mask:
    """Nodes of the grid inside a closed outline (n, 2) by the even-odd rule, row by row, (ny, nx) bool."""
    a, b = ring, np.roll(ring, -1, axis=0)
    # An edge meets the rows from its lower end up to, but without, its upper end: shared corners count once.
    low = (np.minimum(a[:, 1], b[:, 1]) - grid.y0) / grid.cell
    high = (np.maximum(a[:, 1], b[:, 1]) - grid.y0) / grid.cell
    first = np.clip(np.ceil(low), 0, grid.ny).astype(np.int64)
    count = np.clip(np.ceil(high), 0, grid.ny).astype(np.int64) - first
    edge = np.repeat(np.arange(len(ring)), count)
    row = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count - first, count)
    share = (grid.y0 + row * grid.cell - a[edge, 1]) / (b[edge, 1] - a[edge, 1])
    cross = a[edge, 0] + share * (b[edge, 0] - a[edge, 0])
    column = np.clip(np.ceil((cross - grid.x0) / grid.cell), 0, grid.nx).astype(np.int64)
    wide = grid.nx + 1
    turns = np.bincount(row * wide + column, minlength=grid.ny * wide).reshape(grid.ny, wide)
    return np.ascontiguousarray(np.cumsum(turns[:, : grid.nx], axis=1) % 2 == 1)


# --- bodies -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Stage:
    """Shank or holder from one height over the tip upward: its radius, both grown by the clearance, mm."""

    radius: float
    height: float


def stages(job: Job, cutter: Cutter) -> tuple[Stage, ...]:
    """What stands out beyond the cutter, lowest first: a thicker shank, then the holder.

    A stage no wider than one below it says nothing and is left out.
    """
    grown = job.holder.clearance
    found: list[Stage] = []
    if 0.5 * cutter.shank_diameter > 0.5 * cutter.diameter + SLIM:
        start = cutter.neck_length if cutter.neck_length is not None else cutter.flute_length
        found.append(Stage(0.5 * cutter.shank_diameter + grown, start - grown))
    return _outward([*found, *holder_stages(job.holder_profile(cutter), cutter.overhang, grown)])


def holder_stages(
    profile: Sequence[tuple[float, float, float]], overhang: float, clearance: float
) -> list[Stage]:
    """Stages of sections ``(length, lower, upper diameter)`` whose face is ``overhang`` over the tip.

    A section that widens becomes cylinders of at most half a millimetre more radius each, at least as wide
    as the cone at their upper end.
    """
    found = []
    base = overhang
    for length, lower, upper in profile:
        parts = max(1, math.ceil((upper - lower) - 1e-9))
        for k in range(parts):
            # a quarter more in diameter, so that a cone seen as discs of half that pitch is inside
            wide = max(lower, min(upper, lower + (upper - lower) * (k + 1) / parts + 0.25))
            found.append(Stage(0.5 * wide + clearance, base + length * k / parts - clearance))
        base += length
    return found


def _outward(found: Sequence[Stage]) -> tuple[Stage, ...]:
    kept: list[Stage] = []
    for stage in sorted(found, key=lambda s: (s.height, -s.radius)):
        if not kept or stage.radius > kept[-1].radius:
            kept.append(stage)
    return tuple(kept)


def keepout_limit(job: Job, cutter: Cutter, grid: Grid, z: float) -> Signed | None:
    """Signed distance from where cutter, shank or holder would meet a keep-out box on the way down to ``z``.

    Exact: rectangles grown by the widest radius that comes below the box's top, clearance included.

    Returns
    -------
    (ny, nx) float32, mm; None where no box stands above ``z``.
    """
    band = BAND * grid.cell
    out: Signed | None = None
    for box, reach in zip(job.keepouts, keepout_reaches(job, cutter, z), strict=True):
        if reach == 0.0:
            continue
        if out is None:
            out = np.full(grid.shape, band, np.float32)
        low, high = np.array(box.min[:2]), np.array(box.max[:2])
        window = _window(grid, low - reach - band, high + reach + band)
        if window is None:
            continue
        rows, columns, part = window
        dx = np.maximum(low[0] - part.x, part.x - high[0])[None, :]
        dy = np.maximum(low[1] - part.y, part.y - high[1])[:, None]
        gap = np.hypot(np.maximum(dx, 0.0), np.maximum(dy, 0.0)) + np.minimum(np.maximum(dx, dy), 0.0)
        view = out[rows, columns]
        np.minimum(view, np.clip(gap - reach, -band, band), out=view)
    return out


def keepout_reaches(job: Job, cutter: Cutter, z: float) -> tuple[float, ...]:
    """How far each keep-out box keeps the cutter's axis off with the tip at ``z``, mm; 0 where not at all."""
    bodies = [Stage(0.5 * cutter.diameter + job.holder.clearance, 0.0), *stages(job, cutter)]
    return tuple(
        max((s.radius for s in bodies if z + s.height < box.max[2]), default=0.0) for box in job.keepouts
    )


def edge(limit: Signed, grid: Grid) -> Rings:
    """Where a limit ends, as rings with the ground it leaves free on their left; mm.

    Points are closer than two nodes; none is much closer to the next than a quarter of one.
    """
    from skimage import measure

    from .surface import Rings

    contours: Any = measure.find_contours
    rings = []
    for line in contours(np.pad(limit, 1, constant_values=BAND * grid.cell), 0.0, positive_orientation="low"):
        ring = line[:-1, ::-1]
        kept = [0]
        for k in range(1, len(ring)):
            if np.abs(ring[k] - ring[kept[-1]]).max() > CLOSE:
                kept.append(k)
        if len(kept) > 2:
            rings.append(ring[kept] * grid.cell + (grid.x0 - grid.cell, grid.y0 - grid.cell))
    offsets = np.cumsum([0, *map(len, rings)]).astype(np.int64)
    return Rings(np.ascontiguousarray(np.concatenate([np.zeros((0, 2)), *rings])), offsets)


# --- holder over ground ------------------------------------------------------------------------------


class Ground:
    """What stands above a height once levels have been cut, and how far away in plan it is.

    Always on the safe side: what stands between nodes is counted, so that distances fall short of the true
    ones, by up to two and a quarter of its own pitch (a fifteenth of the cutter's radius).

    Parameters
    ----------
    top : (ny, nx), mm, height of the stock before the first level; -inf beside it.
    cell : pitch of its nodes, mm. radius : the cutter's, mm.
    """

    def __init__(self, top: Map, cell: float, radius: float) -> None:
        self.cell = cell
        self.radius = radius
        self.highest = float(top.max(initial=-math.inf))
        self._top = top
        self._skip = max(1, int(radius / 15.0 / cell + 1e-9))
        self._cuts: list[tuple[float, NDArray[np.uint8]]] = []
        self._swept: dict[bytes, Mask] = {}
        self._away: dict[tuple[bytes, int], Signed] = {}

    def cut(self, z: float, mask: Mask) -> None:
        """Take note of a level: the cutter has been on every node of ``mask`` at tip height ``z``."""
        if mask.shape != self._top.shape:
            raise ValueError(f"mask of shape {mask.shape} on a map of shape {self._top.shape}")
        self._cuts.append((float(z), np.packbits(mask)))

    @property
    def heights(self) -> list[float]:
        """Heights at which what stands changes: the levels cut, and the stock's top."""
        return sorted({z for z, _ in self._cuts if z < self.highest} | {self.highest})

    def away(self, height: float) -> Signed | None:
        """Distance in plan from whatever stands above ``height``, (ny, nx) float32 mm; None: nothing does."""
        found = self._coarse(height)
        return None if found is None else self._fine(found)

    def limit(self, z: float, bodies: Iterable[Stage]) -> Signed | None:
        """Signed distance from where the bodies would meet what stands, tip at ``z``; None: they never do."""
        worst: Signed | None = None
        for stage in bodies:
            away = self._coarse(z + stage.height)
            if away is not None:
                room = away - np.float32(stage.radius)
                worst = room if worst is None else np.minimum(worst, room)
        if worst is None:
            return None
        band = BAND * self.cell
        return np.clip(self._fine(worst), -band, band)

    def _coarse(self, height: float) -> Signed | None:
        if height >= self.highest:
            return None
        from scipy.ndimage import distance_transform_edt

        key, stands = self._stands(height)
        stock = self._top > height
        mark = (key, int(np.count_nonzero(stock)))  # a higher cut through the stock lies inside a lower one
        if mark not in self._away:
            standing = stands & self._spread(stock)
            pitch = self._skip * self.cell
            while len(self._away) >= 8:
                self._away.pop(next(iter(self._away)))
            if standing.any():
                away = distance_transform_edt(~standing) * pitch - math.sqrt(0.5) * pitch
            else:
                away = np.full(standing.shape, 1.0e6)
            self._away[mark] = away.astype(np.float32)
        return self._away[mark]

    def _stands(self, height: float) -> tuple[bytes, Mask]:
        """Coarse nodes near anything that no level at or below ``height`` has swept, and a key for them."""
        from scipy.ndimage import distance_transform_edt

        bits = np.zeros(-(-self._top.size // 8), np.uint8)
        for z, packed in self._cuts:
            if z <= height + 1e-9:
                bits |= packed
        key = hashlib.sha256(bits.data).digest()
        if key not in self._swept:
            area = np.unpackbits(bits, count=self._top.size).reshape(self._top.shape).astype(bool)
            away = distance_transform_edt(~area) * self.cell if area.any() else np.full(area.shape, np.inf)
            near = math.sqrt(0.5) * self._skip * self.cell  # every place has a coarse node this near
            self._swept[key] = self._thinned(away) > self.radius - near
        return key, self._swept[key]

    def _spread(self, stock: Mask) -> Mask:
        """Coarse nodes whose cell, one cell of the map added all round, holds stock."""
        from scipy.ndimage import maximum_filter

        return self._thinned(maximum_filter(stock, size=2 * (self._skip // 2 + 1) + 1))

    def _thinned(self, values: NDArray[Any]) -> NDArray[Any]:
        """Every so many nodes, the last one repeated so that none is left out."""
        over = [(0, -(size - 1) % self._skip) for size in values.shape]
        return np.ascontiguousarray(np.pad(values, over, mode="edge")[:: self._skip, :: self._skip])

    def _fine(self, coarse: Signed) -> Signed:
        """Linear between the coarse nodes."""
        if self._skip == 1:
            return coarse.copy()
        for axis, size in enumerate(self._top.shape):
            at = np.arange(size)
            low = at // self._skip
            high = np.minimum(low + 1, coarse.shape[axis] - 1)
            share = ((at % self._skip) / self._skip).astype(np.float32)
            share = share.reshape((-1, 1) if axis == 0 else (1, -1))
            coarse = coarse.take(low, axis) * (1 - share) + coarse.take(high, axis) * share
        return np.ascontiguousarray(coarse, dtype=np.float32)


def holder_limit(
    masks: Sequence[tuple[float, Mask]],
    z: float,
    profile: Sequence[tuple[float, float, float]],
    overhang: float,
    radius: float,
    clearance: float,
    cell: float,
    stock_top: float,
    beside: Mask,
) -> Signed | None:
    """Signed distance from where the holder would meet stock left by the levels cut before, tip at ``z``.

    Parameters
    ----------
    masks : ``(z, (ny, nx) bool)`` of the levels cut before, nodes the cutter's centre has been on.
    profile : holder sections (length, lower, upper diameter). overhang : from its face to the tip.
    radius : the cutter's. clearance : least distance of the holder. cell : pitch. stock_top : height.
    beside : (ny, nx) bool, where there is no stock. All lengths mm.

    Returns
    -------
    (ny, nx) float32, mm; None where the holder never comes below the stock's top. For many levels keep a
    `Ground`, which remembers what they share.
    """
    ground = Ground(np.where(beside, -math.inf, stock_top), cell, radius)
    for height, mask in masks:
        ground.cut(height, mask)
    return ground.limit(z, _outward(holder_stages(profile, overhang, clearance)))


def needed_overhang(
    ground: Ground, z: float, mask: Mask, profile: Sequence[tuple[float, float, float]], clearance: float
) -> float:
    """Least overhang, mm, with which the holder clears what stands wherever ``mask`` has the tip at ``z``.

    ``mask`` (ny, nx) bool; what stands changes only at the levels cut, so the answer is one of their heights
    less the tip's and the section's.
    """
    if not mask.any():
        return 0.0
    least = 0.0
    for stage in _outward(holder_stages(profile, 0.0, clearance)):
        low, heights = 0, [z, *(h for h in ground.heights if h > z)]
        high = len(heights) - 1
        while low < high:
            middle = (low + high) // 2
            away = ground.away(heights[middle])
            clear = away is None or float(away[mask].min()) >= stage.radius
            low, high = (low, middle) if clear else (middle + 1, high)
        least = max(least, heights[low] - z - stage.height)
    return least


def body_face(
    surface: ContactSurface, grid: Grid, bodies: Sequence[Stage], lowest: float, highest: float
) -> tuple[Map, float] | None:
    """Heights of the lowest body at which it and those above touch no triangle, exact at the nodes.

    ``lowest`` tip height of the job; ``highest`` point of the part. Returns ``(map, height of that body over
    the tip)``; None where no body comes below the part's top.
    """
    low = [s for s in bodies if lowest + s.height < highest]
    if not low:
        return None
    ends = [s.height for s in low[1:]] + [low[-1].height + 1.0]
    sections = [(end - s.height, 2 * s.radius, 2 * s.radius) for s, end in zip(low, ends, strict=True)]
    return surface.heights_profile(grid, sections), low[0].height


def face_limit(face: Map, height: float, cell: float) -> Signed | None:
    """Signed distance from nodes where ``face`` passes ``height``, zero at the last free one; or None."""
    from scipy.ndimage import distance_transform_edt

    free = face <= height + 1e-9
    if free.all():
        return None
    band = BAND * cell
    if not free.any():
        return np.full(face.shape, -band, np.float32)
    away = np.where(free, distance_transform_edt(free) - 1.0, -distance_transform_edt(~free)) * cell
    return np.asarray(np.clip(away, -band, band), dtype=np.float32)
