"""Replay: motions of an NC program against stock and part. Facts only; `check` judges them.

Shares nothing with the planner. The kernels are in `kernels/replay.py`, where the method is told.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from zrough import threads
from zrough.errors import CheckError
from zrough.grid import Grid
from zrough.kernels import replay as kernels
from zrough.ncread import Motion, Program

Floats = NDArray[np.float64]
Progress = Callable[[str, int, int], None]

SPIRAL = 0.005  # mm between an arc's two radii above which it is run as a spiral of chords
STEP = 0.15  # mm of path between two measurements of engagement
MAP_NODES = 16_000_000  # most nodes of the height map
LAYER_NODES = 9_000_000  # most nodes of one engagement layer
REACH_NODES = 400_000  # nodes of the map on which reach is worked out
MOST_SECTIONS = 200  # turns of cutters in one program
CROSS = np.array([[0, 1, 0], [1, 1, 1], [0, 1, 0]], np.bool_)
LEVEL_SLOPE = 0.05  # rise over run up to which leftover ground counts as level
LAYERS = 5  # heights remembered at once
BLOCK_NODES = 16  # nodes along one side of a block of the coarse map
OUTER, INNER = 1.8, 1.6  # cells beside the cutter's circle in which layers know the distance
RUN_TABLE = 512  # entries of the table of runs
BODY_STEP = 0.02  # mm; radial pitch of the table of shank and holder
MOST_PIECES = 20_000_000  # some gigabytes; a long roughing program has a million
ENTRY_PIECES = 400  # pieces of a descent that what follows is compared with
RETRACE = 0.02  # mm beside a descent's path that still runs over it
BANDS = 4  # shares of the map that are carved on their own; results depend on it, not on the threads
CACHE_NODES = 32_768  # nodes of the map that stay in a core's cache while a chunk of pieces is carved
MOST_THREADS = 4
LANE_LENGTH = 5_000.0  # mm of path above which engagement is measured in two lanes
EDGE = 1e-9  # mm by which a node may miss a block and still stand on it
CHUNK = 20_000  # pieces between two calls of progress


@dataclass(frozen=True)
class Body:
    """Cutter, shank and holder as the replay sees them, all mm.

    ``table[k]`` is the lowest height over the tip at which shank or holder reach the radius ``k *
    BODY_STEP``; ``discs`` are (radius, height, name) for the exact test against triangles.
    """

    radius: float
    corner: float
    flute_length: float
    table: Floats
    discs: tuple[tuple[float, float, str], ...]
    shank_radius: float


@dataclass(frozen=True)
class Pieces:
    """Motions cut into straight pieces and arcs of at most 45 degrees; rows as in `kernels.replay`."""

    rows: Floats
    turns: NDArray[np.int8]
    classes: NDArray[np.uint8]
    motion: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.turns)


@dataclass(frozen=True)
class Bins:
    """Triangles of the part sorted into square bins of plan, with a pyramid of highest heights."""

    triangles: Floats
    x0: float
    y0: float
    side: float
    shape: NDArray[np.int64]
    offsets: NDArray[np.int64]
    pyramid: Floats
    starts: NDArray[np.int64]
    entries: NDArray[np.int32]

    @property
    def arguments(self) -> tuple[Any, ...]:
        """In the order the kernels take them."""
        return (
            self.triangles, self.x0, self.y0, self.side, self.shape, self.offsets, self.pyramid, self.starts,
            self.entries,
        )  # fmt: skip


@dataclass(frozen=True)
class Section:
    """Pieces ``begin..end`` cut with one cutter; ``cap`` its engagement cap, degrees."""

    begin: int
    end: int
    body: Body
    cap: float


@dataclass(frozen=True)
class Replay:
    """What the replay measured; arrays by motion of the program unless told otherwise. Lengths mm.

    Attributes
    ----------
    worst : (n,) float32, degrees; largest engagement of the level cutting in the motion, 0 in air.
    worst_at : (n, 3) float64; tip there.
    mean : (n,) float64, degrees; mean over the length that cuts.
    cut_length : (n,) float64; length that cuts.
    over : (3,) float64; cutting length more than 1, 3 and 10 degrees above the cap.
    histogram, entry_histogram : (361,) float64; length by whole degree, entries apart.
    steps : number of measurements of engagement.
    volume : (n,) float64, mm3 removed.
    depth, depth_at : largest axial depth and where (x, y).
    met, met_at : largest depth of material met well inside the cutter's circle and where.
    contact, contact_at : how far shank or holder dip into stock or part and where; 0 for none.
    grid, heights : the stock as left, (ny, nx) float32, -inf where none stands.
    tops : the stock as it was, same grid.  part_tops : the part, same grid.
    step : each how many-th node is enough to measure reach on.
    after : every ``step``-th height after each section but the last.
    """

    worst: NDArray[np.float32]
    worst_at: Floats
    mean: Floats
    cut_length: Floats
    over: Floats
    histogram: Floats
    entry_histogram: Floats
    steps: int
    volume: Floats
    depth: Floats
    depth_at: Floats
    met: Floats
    met_at: Floats
    contact: Floats
    contact_at: Floats
    grid: Grid
    heights: NDArray[np.float32]
    tops: NDArray[np.float32]
    part_tops: NDArray[np.float32]
    step: int
    after: tuple[NDArray[np.float32], ...]


# ---------------------------------------------------------------------------------------------------------
# Motions -> pieces


def cut_into_pieces(program: Program, start_height: float, longest: float) -> Pieces:
    """Pieces of every motion whose end is known.

    A start that is not known is taken straight above the end at ``start_height`` (or at the end itself if
    that is higher); arcs are cut into equal shares of at most 45 degrees and at most ``longest`` mm.
    """
    start, end = program.start.copy(), program.end
    use = ~np.isnan(end).any(axis=1)
    lost = np.isnan(start)
    start[:, :2] = np.where(lost[:, :2], end[:, :2], start[:, :2])
    start[:, 2] = np.where(lost[:, 2], np.maximum(end[:, 2], start_height), start[:, 2])
    sweep = np.where(use, program.sweep, 0.0)
    # True arcs in plan stay arcs; one whose radii differ beyond rounding is no arc and becomes chords.
    far = np.hypot(end[:, 0] - program.centre[:, 0], end[:, 1] - program.centre[:, 1])
    near = np.hypot(start[:, 0] - program.centre[:, 0], start[:, 1] - program.centre[:, 1])
    in_plan = (program.plane == 17) & ~(np.abs(far - near) > SPIRAL)
    radius = np.hypot(start[:, 0] - program.centre[:, 0], start[:, 1] - program.centre[:, 1])
    count = np.ones(len(program), np.int64)
    arcs = (sweep != 0.0) & in_plan
    count[arcs] = np.ceil(
        np.maximum(np.abs(sweep[arcs]) / (math.pi / 4), np.abs(sweep[arcs]) * radius[arcs] / longest) - 1e-9
    ).astype(np.int64)
    count[arcs] = np.clip(count[arcs], 1, 100_000)
    other = (sweep != 0.0) & ~in_plan
    count[other] = _chords(program, np.flatnonzero(other))
    count[~use] = 0
    if int(count.sum()) > MOST_PIECES:
        line = int(program.line[int(np.argmax(count))])
        raise CheckError(
            f"the program's arcs need {int(count.sum())} pieces to replay, at most {MOST_PIECES}; "
            f"line {line} has the longest arc"
        )
    motion = np.repeat(np.arange(len(program)), count)
    first = np.cumsum(count) - count
    step = np.arange(len(motion)) - first[motion]
    a = _points(program, start, motion, step / count[motion])
    b = _points(program, start, motion, (step + 1) / count[motion])
    rows = np.zeros((len(motion), 8))
    rows[:, 0:3], rows[:, 3:6] = a, b
    is_arc = arcs[motion]
    rows[is_arc, 6:8] = program.centre[motion[is_arc], :2]
    turns = np.where(is_arc, np.sign(sweep[motion]), 0).astype(np.int8)
    return Pieces(rows, turns, _classes(program, rows, turns, motion), motion.astype(np.int64))


def _chords(program: Program, at: NDArray[np.int64]) -> NDArray[np.int64]:
    """Chords for motions that cannot be arcs in plan, at most 0.0005 mm off the arc."""
    axes = {17: (0, 1), 18: (2, 0), 19: (1, 2)}
    which = np.array([axes[int(p)][0] for p in program.plane[at]], dtype=np.int64)
    second = np.array([axes[int(p)][1] for p in program.plane[at]], dtype=np.int64)
    rows = np.arange(len(at))
    s, c = program.start[at], program.centre[at]
    radius = np.hypot(s[rows, which] - c[rows, which], s[rows, second] - c[rows, second])
    angle = 2.0 * np.arccos(np.clip(1.0 - 0.0005 / np.maximum(radius, 0.001), 0.0, 1.0))
    return np.clip(np.ceil(np.abs(program.sweep[at]) / angle), 1, 100_000).astype(np.int64)


def _points(program: Program, start: Floats, motion: NDArray[np.int64], share: Floats) -> Floats:
    """Points at a share of motions; the ends are the programmed ones to the last digit."""
    out: Floats = start[motion] + share[:, None] * (program.end[motion] - start[motion])
    for plane, (i, j) in {17: (0, 1), 18: (2, 0), 19: (1, 2)}.items():
        at = np.flatnonzero((program.sweep[motion] != 0.0) & (program.plane[motion] == plane))
        at = at[(share[at] > 0.0)]
        m, t = motion[at], share[at]
        u, v = start[m, i] - program.centre[m, i], start[m, j] - program.centre[m, j]
        r0 = np.hypot(u, v)
        r1 = np.hypot(program.end[m, i] - program.centre[m, i], program.end[m, j] - program.centre[m, j])
        angle = np.arctan2(v, u) + t * program.sweep[m]
        r = r0 + t * (r1 - r0)
        out[at, i] = program.centre[m, i] + r * np.cos(angle)
        out[at, j] = program.centre[m, j] + r * np.sin(angle)
    last = share == 1.0
    out[last] = program.end[motion[last]]
    return out


def _classes(
    program: Program, rows: Floats, turns: NDArray[np.int8], motion: NDArray[np.int64]
) -> NDArray[np.uint8]:
    rise = rows[:, 5] - rows[:, 2]
    plan = np.hypot(rows[:, 3] - rows[:, 0], rows[:, 4] - rows[:, 1])
    level = np.abs(rise) <= kernels.FILM
    # A chain of pieces each rising less than a film is still a slope if its motion is.
    whole = np.abs(program.end[motion, 2] - program.start[motion, 2])
    level &= ~(whole > kernels.FILM)
    out = np.where(level, kernels.FLAT, np.where(rise < 0, kernels.DOWN, kernels.UP)).astype(np.uint8)
    out[(plan < 1e-9) & (turns == 0)] = kernels.VERTICAL
    out[program.kind[motion] == Motion.RAPID] = kernels.RAPID
    return out


# ---------------------------------------------------------------------------------------------------------
# Cutter, part


def body_of(cutter: Any, holder_profile: Any, clearance: float) -> Body:
    """Shank and holder of a job's cutter; the holder grown by ``clearance``, the shank by nothing."""
    radius = 0.5 * float(cutter.diameter)
    flute = float(cutter.flute_length)
    overhang = float(getattr(cutter, "overhang", None) or flute)
    shank = 0.5 * float(getattr(cutter, "shank_diameter", None) or cutter.diameter)
    neck = getattr(cutter, "neck_diameter", None)
    neck_end = float(getattr(cutter, "neck_length", None) or flute)
    stages: list[tuple[float, float, str]] = []
    if neck and neck_end > flute:
        stages.append((0.5 * float(neck), flute, "shank"))
        stages.append((shank, neck_end, "shank"))
    else:
        stages.append((shank, flute, "shank"))
    height = overhang
    for length, lower, upper in holder_profile or ():
        parts = 1 if abs(upper - lower) < 1e-9 else max(2, math.ceil(abs(upper - lower) / 0.5))
        for p in range(parts):
            wide = lower + (upper - lower) * (p + (0.5 if parts > 1 else 0.0)) / parts
            stages.append((0.5 * wide + clearance, height + length * p / parts - clearance, "holder"))
        height += length
    # The shank is taken 0.02 mm slimmer: a wall cut to the cutter's own radius is no contact.
    stages = [(r - 0.02 if name == "shank" else r, h, name) for r, h, name in stages]
    widest = max(r for r, _, _ in stages)
    edges = (np.arange(int(widest / BODY_STEP) + 2) + 1) * BODY_STEP
    table = np.full(len(edges), math.inf)
    for r, h, _ in stages:
        table[edges <= r] = np.minimum(table[edges <= r], h)
    return Body(
        radius, float(getattr(cutter, "corner_radius", 0.0) or 0.0),
        flute, table, tuple(stages), shank,
    )  # fmt: skip


def bin_part(triangles: Floats) -> Bins:
    """Bins with about four triangles each, at least 48 along the longer side of the part."""
    triangles = np.ascontiguousarray(triangles, dtype=np.float64)
    low, high = triangles[:, :, :2].min(axis=(0, 1)), triangles[:, :, :2].max(axis=(0, 1))
    size = float(max(high - low))
    along = int(np.clip(math.sqrt(len(triangles) / 4), 48, 1500))
    side = max(size / along, 1e-3) * (1 + 1e-9)
    nx, ny = (max(1, math.ceil(float(d) / side + 1e-9)) for d in high - low)
    starts = np.zeros(ny * nx + 1, np.int64)
    top = np.full((ny, nx), -math.inf)
    kernels.bin_triangles(triangles, low[0], low[1], side, ny, nx, starts, np.empty(0, np.int32), top)
    starts = np.cumsum(starts)
    entries = np.empty(max(1, int(starts[-1])), np.int32)
    kernels.bin_triangles(triangles, low[0], low[1], side, ny, nx, starts[:-1].copy(), entries, top)
    shape, offsets, flat = [(ny, nx)], [0], [top.ravel()]
    while ny * nx > 1:
        grown = np.full((ny + ny % 2, nx + nx % 2), -math.inf)
        grown[:ny, :nx] = top
        ny, nx = grown.shape[0] // 2, grown.shape[1] // 2
        top = grown.reshape(ny, 2, nx, 2).max(axis=(1, 3))
        offsets.append(offsets[-1] + len(flat[-1]))
        shape.append((ny, nx))
        flat.append(top.ravel())
    return Bins(
        triangles, float(low[0]), float(low[1]), side, np.array(shape, np.int64), np.array(offsets, np.int64),
        np.concatenate(flat), starts, entries,
    )  # fmt: skip


# ---------------------------------------------------------------------------------------------------------
# Runs


def replay(
    pieces: Pieces,
    motions: int,
    body: Body,
    stock: Any,
    part: Bins,
    cap: float,
    cell: float | None = None,
    progress: Progress | None = None,
    holes: Floats | None = None,
    sections: Sequence[Section] = (),
) -> Replay:
    """Run all pieces. ``cap`` in degrees; ``cell`` mm, the planner's pitch, which ours stays
    below; ``holes`` (n, 4)
    drilled before: x, y, radius, bottom, mm; ``sections`` where several cutters take turns, in order, all
    pieces in one of them, instead of ``body`` and ``cap``.

    Raises
    ------
    CheckError : the stock has no extent, or too many tool changes.
    """
    sections = sections or (Section(0, len(pieces), body, cap),)
    if len(sections) > MOST_SECTIONS:
        raise CheckError(
            f"the program changes cutters {len(sections)} times, at most {MOST_SECTIONS}; split it"
        )
    smallest = min(s.body.radius for s in sections)
    lower, upper = (np.asarray(v, dtype=np.float64) for v in (stock.lower, stock.upper))
    area = float(np.prod(upper[:2] - lower[:2]))
    if not area > 0.0:
        raise CheckError("the stock has no extent in plan; check [stock]")
    pitch = max(min(smallest / 40.0, 0.75 * (cell or math.inf), 0.25), math.sqrt(area / MAP_NODES))
    grid = Grid.covering((lower[0], lower[1]), (upper[0], upper[1]), pitch, pitch)
    kind, box = _outline(stock, lower, upper)
    holes = np.zeros((0, 4)) if holes is None else np.ascontiguousarray(holes, dtype=np.float64)
    step = reach_step(grid.nx * grid.ny, smallest, grid.cell)
    run = _Run(
        pieces, motions, sections, kind, box, grid, part.triangles, float(lower[2]), holes, step, stock
    )
    team = [threading.Thread(target=run.working) for _ in range(min(MOST_THREADS, threads.count()))]
    for thread in team:
        thread.start()
    run.watch(team, progress)
    return run.result()


def _outline(stock: Any, lower: Floats, upper: Floats) -> tuple[int, Floats]:
    if stock.kind == "block":
        return kernels.BLOCK, np.array([lower[0], upper[0], lower[1], upper[1]])
    if stock.kind == "cylinder":
        return kernels.CYLINDER, np.array(
            [0.5 * (lower[0] + upper[0]), 0.5 * (lower[1] + upper[1]), 0.5 * (upper[0] - lower[0]), 0.0]
        )
    return kernels.MAP, np.zeros(4)


def reach_step(nodes: int, radius: float, cell: float) -> int:
    """Each how many-th node of a map is enough to work out a cutter's reach on."""
    return max(1, math.ceil(math.sqrt(nodes / REACH_NODES)), math.ceil(radius / 24.0 / cell))


def stock_tops(stock: Any, grid: Grid) -> NDArray[np.float32]:
    """Top of the stock at the nodes, float32."""
    return np.ascontiguousarray(stock.top(grid), dtype=np.float32)


def drill(heights: NDArray[np.float32], at_x: Floats, at_y: Floats, holes: Floats) -> None:
    """Lower a map, nodes at ``at_x``, ``at_y``, to the bottom of holes drilled before, in place."""
    for x, y, radius, bottom in holes:
        inside = np.hypot(at_x[None, :] - x, at_y[:, None] - y) < radius
        heights[inside] = np.minimum(heights[inside], np.float32(bottom))


class _Run:
    """The threads of a replay and their arrays."""

    def __init__(
        self, pieces: Pieces, motions: int, sections: Sequence[Section], kind: int, box: Floats, grid: Grid,
        triangles: Floats, bottom: float, holes: Floats, step: int, stock: Any,
    ) -> None:  # fmt: skip
        self.pieces, self.sections, self.step, self.stock = pieces, sections, step, stock
        self.kind, self.box, self.grid, self.bottom, self.holes = kind, box, grid, bottom, holes
        self.triangles = triangles
        self._maps()
        self.worst = np.zeros(motions, np.float32)
        self.worst_at = np.full((motions, 3), np.nan)
        self.mean, self.cut_length = np.zeros(motions), np.zeros(motions)
        self.entry = entry_pieces(pieces)
        spans = [s.end - s.begin for s in sections]
        self.radii = np.repeat([s.body.radius for s in sections], spans)
        self.corners = np.repeat([s.body.corner for s in sections], spans)
        self.lanes: list[_Lane] = []
        for section in sections:
            middle = _split(pieces, section.begin, section.end)
            ends = [section.begin, middle, section.end] if middle else [section.begin, section.end]
            self.lanes += [_Lane(self, section, *b) for b in pairwise(ends)]
        left = self.heights[::step, ::step]
        self.after = [np.empty_like(left) for _ in sections[:-1]]
        self.bands = [_Band(self, *rows, motions) for rows in _row_bands(grid.ny)]
        self.waiting: list[Callable[[], None]] = [*reversed(self.bands), *reversed(self.lanes)]
        self.failure: BaseException | None = None
        self.stop = False

    def _maps(self) -> None:
        """The maps, most of them blank: each band fills its own rows, so that no thread waits for it."""
        shape, blank = self.grid.shape, self.kind == kernels.BLOCK
        if blank:
            self.tops = np.empty(shape, np.float32)
            self.highest = float(np.float32(self.stock.upper[2]))
        else:
            self.tops = stock_tops(self.stock, self.grid)
            self.highest = float(self.tops.max())
            drill(self.tops, self.grid.x, self.grid.y, self.holes)
        self.heights, self.means, self.part_tops = (np.empty(shape, np.float32) for _ in range(3))
        # Beside a block or cylinder the cells at its rim are as high as it is; a hole may reach out there.
        reaching = self.kind != kernels.MAP and len(self.holes) > 0
        self.mean_before = np.empty(shape, np.float32) if reaching else self.tops

    def fill(self, first: int, end: int) -> None:
        """Some rows of the maps before anything is cut."""
        rows, grid = slice(first, end), self.grid
        x, y = grid.x, grid.y[rows]
        if self.kind == kernels.BLOCK:
            (low_x, high_x), (low_y, high_y) = (
                np.searchsorted(v, (low - EDGE, high + EDGE)).tolist()
                for v, low, high in ((x, *self.box[:2]), (y, *self.box[2:]))
            )
            self.tops[rows] = -np.inf
            self.tops[rows][low_y:high_y, low_x:high_x] = self.highest
            drill(self.tops[rows], x, y, self.holes)
        self.heights[rows] = self.tops[rows]
        # The mean of each cell, also of cells whose node misses a block or cylinder that their area touches.
        self.means[rows] = self.tops[rows] if self.kind == kernels.MAP else self.highest
        if self.kind != kernels.MAP:
            drill(self.means[rows], x, y, self.holes)
        if self.mean_before is not self.tops:
            self.mean_before[rows] = self.means[rows]
        self.part_tops[rows] = -np.inf
        kernels.raster_top(self.triangles, grid.x0, grid.y0, grid.cell, first, end, self.part_tops)

    def working(self) -> None:
        """One task after the other; the threads share them."""
        try:
            while not self.stop:
                try:
                    task = self.waiting.pop()
                except IndexError:
                    return
                task()
        except BaseException as error:  # handed to the caller's thread
            self.failure = error
            self.stop = True

    def watch(self, team: list[threading.Thread], progress: Progress | None) -> None:
        total = 2 * len(self.pieces)
        try:
            for thread in team:
                while thread.is_alive():
                    thread.join(0.05)
                    if progress is not None:
                        carved = sum(band.done for band in self.bands) // len(self.bands)
                        progress("replay", carved + sum(lane.done for lane in self.lanes), total)
        finally:
            self.stop = True
            for thread in team:
                thread.join()
        if self.failure is not None:
            raise self.failure

    def result(self) -> Replay:
        cutting = self.cut_length > 0
        self.mean[cutting] /= self.cut_length[cutting]
        lanes, cut = self.lanes, self.bands[0]
        for band in self.bands[1:]:
            cut.take(band)
        return Replay(
            self.worst, self.worst_at, self.mean, self.cut_length,
            np.sum([lane.over for lane in lanes], axis=0),
            np.sum([lane.histogram for lane in lanes], axis=0),
            np.sum([lane.entry_histogram for lane in lanes], axis=0),
            sum(lane.steps for lane in lanes),
            cut.volume, cut.depth, cut.depth_at, cut.met, cut.met_at, cut.contact, cut.contact_at,
            self.grid, self.heights, self.tops, self.part_tops, self.step, tuple(self.after),
        )  # fmt: skip

    def edges(self, corner: float) -> tuple[NDArray[np.float32], float, float, float]:
        """Map of heights that say where the stock's outline runs, its corner and pitch.

        A leftover map comes on its own nodes: others would move its walls. The circle that is measured runs a
        corner radius over the tip; what stands less than that above it where the ground rises, such as the
        fillet along a wall, passes below the circle. Level ground counts however thin it is.
        """
        from scipy import ndimage

        if self.kind != kernels.MAP:
            return np.zeros((1, 1), np.float32), 0.0, 0.0, 1.0
        if self.stock.kind != "leftover":
            return self.tops, self.grid.x0, self.grid.y0, self.grid.cell
        own = self.stock.grid
        heights = np.array(self.stock.heights, dtype=np.float32)
        drill(heights, own.x, own.y, self.holes)
        known = np.where(np.isfinite(heights), heights, np.float32(self.bottom - 1e3))
        highest = ndimage.maximum_filter(known, footprint=CROSS, mode="nearest")
        heights[highest - known > LEVEL_SLOPE * own.cell] -= np.float32(corner)
        return heights, own.x0, own.y0, own.cell


def _row_bands(ny: int) -> list[tuple[int, int]]:
    """Rows of each band of the map: whole blocks, but for the last."""
    blocks = -(-ny // BLOCK_NODES)
    marks = [min(ny, BLOCK_NODES * (blocks * k // BANDS)) for k in range(BANDS)]
    return [(a, b) for a, b in pairwise([*marks, ny]) if b > a]


class _Band:
    """Removal in some rows of the map; what the motions met there, see `Replay`."""

    def __init__(self, run: _Run, first: int, end: int, motions: int) -> None:
        self.run, self.first, self.end = run, first, end
        self.volume, self.depth, self.met, self.contact = (np.zeros(motions) for _ in range(4))
        self.depth_at, self.met_at, self.contact_at = (np.full((motions, 2), np.nan) for _ in range(3))
        self.done = 0

    def __call__(self) -> None:
        run, step = self.run, self.run.step
        rows = slice(-(-self.first // step) * step, self.end, step)
        run.fill(self.first, self.end)
        for k, section in enumerate(run.sections):
            self.carve(section)
            if section is not run.sections[-1]:
                run.after[k][-(-self.first // step) : -(-self.end // step)] = run.heights[rows, ::step]

    def carve(self, section: Section) -> None:
        """Carve one section's pieces, chunk by chunk, each into as many rows at a time as a cache holds."""
        run, p, grid, body = self.run, self.run.pieces, self.run.grid, section.body
        coarse = self.coarse(section)
        scratch = np.zeros(4), np.zeros((3, 2))
        rows = max(1, CACHE_NODES // (BLOCK_NODES * grid.nx)) * BLOCK_NODES
        for begin in range(section.begin, section.end, CHUNK):
            end = min(begin + CHUNK, section.end)
            for first in range(self.first, self.end, rows):
                if run.stop:
                    return
                kernels.removal(
                    section.begin, begin, end, first, min(first + rows, self.end), p.rows, p.turns, p.motion,
                    body.radius, body.corner, run.heights, run.means, run.mean_before, run.part_tops, coarse,
                    BLOCK_NODES, grid.x0, grid.y0, grid.cell, run.bottom, run.kind, run.box, run.highest,
                    body.table, BODY_STEP, self.volume, self.depth, self.depth_at, self.met, self.met_at,
                    self.contact, self.contact_at, *scratch,
                )  # fmt: skip
            self.done = end

    def coarse(self, section: Section) -> NDArray[np.float32]:
        """Highest of stock and part by block of the whole map, this band's rows alone filled in."""
        run = self.run
        ny, nx = (-(-n // BLOCK_NODES) for n in run.grid.shape)
        out = np.full((ny, nx), -np.inf, np.float32)
        lowest = float(run.pieces.rows[section.begin : section.end, [2, 5]].min())
        if lowest + section.body.table[0] < run.highest:  # else neither shank nor holder comes near
            mine = slice(self.first, self.end)
            blocks = slice(self.first // BLOCK_NODES, -(-self.end // BLOCK_NODES))
            out[blocks] = np.maximum(
                *(_block_maximum(m[mine], BLOCK_NODES) for m in (run.heights, run.part_tops))
            )
        return out

    def take(self, other: _Band) -> None:
        """Add what another band's rows met."""
        self.volume += other.volume
        for name in ("depth", "met", "contact"):
            mine, theirs = getattr(self, name), getattr(other, name)
            deeper = theirs > mine
            mine[deeper] = theirs[deeper]
            getattr(self, f"{name}_at")[deeper] = getattr(other, f"{name}_at")[deeper]


class _Lane:
    """Engagement of a stretch of the program, with its own layers: what was cut before is caught up by
    them."""

    def __init__(self, run: _Run, section: Section, begin: int, end: int) -> None:
        self.run, self.section, self.begin, self.end = run, section, begin, end
        self.over, self.histogram, self.entry_histogram = np.zeros(3), np.zeros(361), np.zeros(361)
        self.steps = self.done = 0

    def __call__(self) -> None:
        run = self.run
        body, cap, p = self.section.body, self.section.cap, run.pieces
        radius = body.radius
        layers = _Layers(run, radius)
        step = min(STEP, 0.15 * radius)
        half = math.pi / 2  # the circle's rear half has been swept by the motion itself
        angles = np.linspace(-half, half, math.ceil(2 * half * radius / layers.cell) + 1)
        top, tx0, ty0, tcell = run.edges(body.corner)
        circle = np.cos(angles), np.sin(angles)
        state = np.array([self.begin, 0, 0], np.int64)
        while state[0] < self.end and not run.stop:
            needs_layer = kernels.engagement(
                min(int(state[0]) + CHUNK, self.end), state, p.rows, p.turns, p.classes, p.motion, run.entry,
                run.radii, run.corners, radius, body.corner, step, cap, *layers.arguments,
                run.kind, run.box, run.highest, top, tx0, ty0, tcell,
                *circle, angles[1] - angles[0], *layers.runs(),
                run.worst, run.worst_at, run.mean, run.cut_length, self.over, self.histogram,
                self.entry_histogram,
            )  # fmt: skip
            if needs_layer:
                layers.open(float(min(p.rows[state[0], 2], p.rows[state[0], 5])))
            self.done = int(state[0]) - self.begin
        self.steps = int(state[2])


class _Layers:
    """The layers of one lane: squared distance to the nearest swept centre, a few heights at once."""

    def __init__(self, run: _Run, radius: float) -> None:
        self.radius, self.holes = radius, run.holes
        grid = run.grid
        size = (grid.nx * grid.cell, grid.ny * grid.cell)
        self.cell = max(self.radius / 24.0, math.sqrt(size[0] * size[1] / LAYER_NODES))
        self.x0, self.y0 = grid.x0 - 2 * self.cell, grid.y0 - 2 * self.cell
        shape = (math.ceil(size[1] / self.cell) + 5, math.ceil(size[0] / self.cell) + 5)
        self.maps = np.empty((LAYERS, *shape), np.float32)
        self.z, self.above = np.zeros(LAYERS), np.full(LAYERS, -np.inf)
        self.seen, self.known = np.zeros(LAYERS, np.int64), np.zeros(LAYERS, np.int64)
        self.used = np.full(LAYERS, -1, np.int64)

    @property
    def arguments(self) -> tuple[Any, ...]:
        """In the order the kernel takes them."""
        return (
            self.maps, self.z, self.seen, self.used, self.known, self.above, self.x0, self.y0, self.cell,
            self.radius + OUTER * self.cell, max(0.0, self.radius - INNER * self.cell),
        )  # fmt: skip

    def runs(self) -> tuple[NDArray[np.int8], float]:
        """By squared distance of the node nearest to a sample: samples up to the next one in doubt.

        Samples stand a cell apart at most and their nodes 0.71 of one: at a node `g` cells from the rim, as
        many samples as `g + 0.25` are on the same side of it.
        """
        per_d2 = RUN_TABLE / (self.radius + OUTER * self.cell) ** 2
        low, high = (np.sqrt(np.arange(k, k + RUN_TABLE + 1) / per_d2) for k in (0, 1))
        clear = np.floor((self.radius - high) / self.cell + 0.25)
        solid = np.floor((low - self.radius) / self.cell + 0.25)
        found = np.where(clear > 0, clear, np.where(solid > 0, -solid, 0.0))
        return found.astype(np.int8), per_d2

    def open(self, z: float) -> None:
        """A layer for a height: from the nearest lower one, else blank; the one unused longest gives way."""
        below = [s for s in range(LAYERS) if self.used[s] >= 0 and self.z[s] < z]
        lower = max(below, key=lambda s: self.z[s], default=-1)
        at = min((s for s in range(LAYERS) if s != lower), key=lambda s: self.used[s])
        if lower < 0:
            self.maps[at] = (self.radius + (OUTER + 0.5) * self.cell) ** 2
            self.known[at], self.above[at] = 0, -np.inf
        else:  # of what that one knows, only the pieces above it are missing
            self.maps[at] = self.maps[lower]
            self.known[at], self.above[at] = self.seen[lower], self.z[lower] + kernels.FILM
        self.z[at], self.seen[at], self.used[at] = z, 0, 0
        for x, y, radius, bottom in self.holes:
            if bottom <= z + kernels.FILM:
                self.drill(self.maps[at], x, y, radius)

    def drill(self, layer: NDArray[np.float32], x: float, y: float, radius: float) -> None:
        """A drilled hole is cleared ground of its own radius: its rim lies where the distance is the
        cutter's."""
        ny, nx = layer.shape
        dx = self.x0 + self.cell * np.arange(nx) - x
        dy = self.y0 + self.cell * np.arange(ny) - y
        distance = np.maximum(0.0, np.hypot(dx[None, :], dy[:, None]) + self.radius - radius)
        np.minimum(layer, (distance**2).astype(np.float32), out=layer)


def _split(pieces: Pieces, begin: int, end: int) -> int:
    """Index of the piece of ``begin..end`` at which a second lane of engagement begins; 0 for none.

    Half way along the path, at the start of a motion. Depends on the program alone, so that results do too.
    """
    rows = pieces.rows[begin:end]
    gone = np.cumsum(np.sqrt(((rows[:, 3:6] - rows[:, 0:3]) ** 2).sum(axis=1)))
    if not len(gone) or gone[-1] < LANE_LENGTH:
        return 0
    at = np.flatnonzero(np.diff(pieces.motion[begin:end]) > 0) + 1
    return begin + int(at[np.argmin(np.abs(gone[at] - 0.5 * gone[-1]))]) if at.size else 0


def entry_pieces(pieces: Pieces) -> NDArray[np.bool_]:
    """Level pieces that follow a descent and run back over it: they clean its floor and belong to the
    entry."""
    out = np.zeros(len(pieces), np.bool_)
    classes = pieces.classes
    after = np.flatnonzero((classes[:-1] == kernels.DOWN) & (classes[1:] == kernels.FLAT)) + 1
    breaks = np.flatnonzero(classes != kernels.DOWN)
    for first in after.tolist():
        before = breaks[np.searchsorted(breaks, first) - 1] if breaks[0] < first else -1
        chain = np.arange(max(int(before) + 1, first - ENTRY_PIECES), first)
        line = points_along(pieces, np.repeat(chain, 33), np.tile(np.linspace(0.0, 1.0, 33), len(chain)))
        k = first
        while k < len(pieces) and classes[k] == kernels.FLAT:
            points = points_along(pieces, np.full(4, k), np.array([0.25, 0.5, 0.75, 1.0]))
            if _farthest_off(points[:, :2], line[:, :2]) > RETRACE:
                break
            out[k] = True
            k += 1
    return out


def _farthest_off(points: Floats, line: Floats) -> float:
    """Largest distance of points from a polyline."""
    a, d = line[:-1], np.diff(line, axis=0)
    size = np.maximum((d * d).sum(axis=1), 1e-30)
    t = np.clip(((points[:, None] - a) * d).sum(axis=2) / size, 0.0, 1.0)
    gap = points[:, None] - a - t[:, :, None] * d
    return float(np.sqrt((gap**2).sum(axis=2)).min(axis=1).max())


def points_along(pieces: Pieces, which: NDArray[np.int64], share: Floats) -> Floats:
    """Points at shares of pieces, (n, 3)."""
    r = pieces.rows[which]
    out: Floats = r[:, 0:3] + share[:, None] * (r[:, 3:6] - r[:, 0:3])
    arc = np.flatnonzero(pieces.turns[which])
    r = r[arc]
    s, e = r[:, 0:2] - r[:, 6:8], r[:, 3:5] - r[:, 6:8]
    angle = share[arc] * np.arctan2(s[:, 0] * e[:, 1] - s[:, 1] * e[:, 0], (s * e).sum(axis=1))
    c, sn = np.cos(angle), np.sin(angle)
    out[arc, 0] = r[:, 6] + s[:, 0] * c - s[:, 1] * sn
    out[arc, 1] = r[:, 7] + s[:, 0] * sn + s[:, 1] * c
    return out


def _block_maximum(heights: NDArray[np.float32], block: int) -> NDArray[np.float32]:
    ny, nx = heights.shape
    rows = np.maximum.reduceat(heights, np.arange(0, ny, block), axis=0)
    return np.maximum.reduceat(rows, np.arange(0, nx, block), axis=1)


def penetration(
    pieces: Pieces, motions: int, part: Bins, radius: float, corner: float, drop: float, least: float,
    wanted: NDArray[np.bool_] | None = None, team: int | None = None,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Deepest penetration of a cutter into the part by motion, (n,) mm, and the point of the part, (n, 3).

    The cutter has the given radius and corner radius and its tip ``drop`` below the programmed one. Depth is
    the distance from the deepest point of the part to the nearest surface of the cutter. Values not above
    ``least`` are given as ``least``. ``team`` is the number of threads.
    """
    team = min(MOST_THREADS, threads.count()) if team is None else team
    deep, place = np.full(motions, least), np.full((motions, 3), np.nan)
    if wanted is None:
        wanted = np.ones(motions, np.bool_)
    n = len(pieces)
    if n == 0:
        return deep, place
    # Cut between motions, so no two threads write the same motion.
    marks = [
        int(np.searchsorted(pieces.motion, pieces.motion[min(n - 1, n * k // (8 * team))]))
        for k in range(8 * team)
    ]
    bounds = list(zip(marks, [*marks[1:], n], strict=True))
    lock = threading.Lock()
    queue = list(reversed(bounds))
    failure: list[BaseException] = []

    def work() -> None:
        stamps = np.full(len(part.triangles), -1, np.int64)
        scratch = np.empty(480, np.int64), np.empty(4), np.empty(4), np.empty(4), np.empty((64, 2))
        while True:
            with lock:
                if not queue or failure:
                    return
                begin, end = queue.pop()
            try:
                stamps[:] = -1
                kernels.penetration(
                    begin, end, pieces.rows, pieces.turns, pieces.motion, wanted, radius, corner, drop, least,
                    *part.arguments, stamps, deep, place, *scratch,
                )  # fmt: skip
            except BaseException as error:
                failure.append(error)
                return

    pool = [threading.Thread(target=work) for _ in range(team)]
    for thread in pool:
        thread.start()
    for thread in pool:
        thread.join()
    if failure:
        raise failure[0]
    return deep, place
