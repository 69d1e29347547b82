"""The pipeline: a job in, a checked program out."""

from __future__ import annotations

import logging
import math
import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import (
    bandorder,
    channels,
    climbs,
    covers,
    cutting,
    feeds,
    flats,
    lanes,
    levels,
    limits,
    post,
    rests,
    reuse,
    sequence,
    shallow,
    threads,
    uncut,
    unveiled,
)
from . import part as parts
from .arcs import BEND, closeness
from .byplace import Places
from .curtain import Curtain
from .cutting import CuttingData
from .entries import EntryRules, Left, ways_in
from .errors import PlanError
from .grid import Grid
from .job import Cutter, Job
from .levelcost import Costs
from .levels import Band, Level
from .links import Linker, Ways
from .overhead import Overhead
from .pieces import Level as Region
from .pieces import Piece, Rules, Uncut
from .progress import Progress, watched
from .regions import Space, cell_size
from .ridges import Ridges
from .rings import Clearing
from .sequence import Ground, Stage
from .stock import Stock
from .surface import ContactSurface, Rings
from .swept import Layer, Swept
from .toolpath import Toolpath

log = logging.getLogger(__name__)

# of the walks of a band's levels so far and of what its lowest one sweeps: whether the shank will touch
Asked = Callable[[Sequence[Sequence[Piece]], rests.Rim], bool]

CLIMB_BITE = 0.02  # mm: a stair this deep is worth a trace
SHANK_GAP = 0.01  # mm
# mm: a flat no farther below the stock's top is left; it is how the stock's measures were rounded
SKIN = 0.002
WIDE_CELL = 0.125  # of the radius: with wider cells needles and films between nodes are often missed
REPEATS = 3  # times a band is cleared anew, farther off what the shank would touch
SHUT = 6.0  # node pitches by which the box of what stands may reach beyond that of where the axis may be
REST = "a rest that no path meets within the cap"
WIDE = 4.0  # radii: where there is more room than this it is not for want of room that something is left
RIDGE_SPARE = 0.05  # mm a link passes over the ridges that a rounded tip leaves
STEP = 0.025  # of the radius: length of one step of a walk
ROUNDED = 0.006  # rad
TIGHT = 0.04  # of the radius: smallest path radius in dead ends and close channels
TRACED = 0.4  # of the walls at a climb level: what is walked along, by the time it takes; a guess
BETWEEN = 0.002  # mm: what the map of a level may overrate room by, between its nodes
DEEP_BITE = 0.03  # mm: a cusp this thick on the wall of a deep level is worth a trace


@dataclass
class Plan:
    """A program and everything that led to it.

    Attributes
    ----------
    nc_text : the program. toolpath : the same as arrays, mm. levels : in cutting order.
    data : cutting data of the first cutter. stages : what each cutter does, in order.
    left : places not cut, with the reason. warnings : one line each.
    times : wall seconds by stage (never written to files). check : the replay's verdict, once it has run.
    """

    job: Job
    part: parts.Part
    stock: Stock
    data: CuttingData
    levels: list[Level]
    toolpath: Toolpath
    nc_text: str
    left: list[dict[str, Any]]
    warnings: tuple[str, ...]
    stages: tuple[Stage, ...] = ()
    times: dict[str, float] = field(default_factory=dict)
    check: Any = None

    @property
    def report(self) -> dict[str, Any]:
        """Contents of report.json."""
        from .report import report_dict

        return report_dict(self, self.check)

    def write(self, out_dir: str | os.PathLike[str], report: bool = True) -> list[Path]:
        """Write program.nc and, with ``report``, report.json, report.html and leftover.stl; their paths."""
        from .io import write_atomic

        folder = Path(out_dir)
        folder.mkdir(parents=True, exist_ok=True)
        program = folder / "program.nc"
        write_atomic(program, self.nc_text)
        if not report:
            return [program]
        from .report import write_all

        return [program, *write_all(self, self.check, folder)]


def plan(job: Job, progress: Progress | None = None, check: bool = True) -> Plan:
    """Plan a job and replay its program.

    Parameters
    ----------
    progress : called as ``progress(stage, done, total)``; returning False stops the plan.
    check : False leaves out the replay.

    Raises
    ------
    ZroughError : the job, its files or its numbers cannot be used; `Cancelled` if ``progress`` says so.
    """
    tell = watched(progress)
    _refuse_coarse(job)
    clock = _Clock()
    part = parts.load(job)
    stock = Stock.from_job(job, part)
    warnings = list(part.warnings)
    triangles = covers.covered_triangles(job, part, warnings)
    clock.lap("input")
    tell("surface", 0, 1)
    surface = reuse.surface(triangles)
    clock.lap("surface")
    stages: list[Stage] = []
    ground = Ground()
    for cutter in job.cutters:
        try:
            stages.append(_stage(job, cutter, surface, part, stock, ground, tell, clock, warnings))
        except PlanError as error:
            if cutter is job.cutters[-1] and not stages:
                raise
            warnings.append(f"cutter T{cutter.number} is left out: {error}")
    order, path = sequence.joined(stages)
    operations = [post.Operation(s.toolpath, s.cutter, s.data) for s in stages]
    text = post.write_program(operations, job, _header(part, order))
    clock.lap("program")
    left = stages[-1].left
    data = stages[0].data
    told = tuple(dict.fromkeys(warnings))
    result = Plan(job, part, stock, data, order, path, text, left, told, tuple(stages), clock.laps)
    if check:
        from .check import check as replay

        result.check = replay(text, job, progress=progress, part=part, stock=stock)
        sequence.note_check(stages, result.check)
        clock.lap("check")
    return result


def _stage(
    job: Job,
    cutter: Cutter,
    surface: ContactSurface,
    part: parts.Part,
    stock: Stock,
    ground: Ground,
    tell: Progress,
    clock: _Clock,
    warnings: list[str],
) -> Stage:
    """One cutter's share: from the ground as it is to its path; ``ground`` and ``warnings`` take note."""
    data = cutting.propose(job, cutter)
    warnings += data.warnings
    tell("surface", 0, 1)
    space = _space(job, cutter, surface, part, stock, ground)
    if space.grid.cell > WIDE_CELL * space.radius:
        warnings.append(
            f"cells of {space.grid.cell:g} mm are wide for a cutter of {cutter.diameter:g} mm: what lies "
            "between them may make the check refuse the program; "
            f"roughing.cell = {0.1 * space.radius:.2g} mm or less leaves less between them"
        )
    clock.lap("surface")
    tell("levels", 0, 1)
    bands = _bands(job, cutter, space, part, stock, data, [*ground.heights, *stock.cut_at])
    channels.leave(job, cutter, space, data, [level for band in bands for level in band.levels])
    warnings += _bound(job, cutter, space, bands)
    clock.lap("levels")
    last = cutter is job.cutters[-1]
    cleared = _clear(job, cutter, space, bands, data, tell, keep=not last)
    path, order, left, layers = _link(job, cutter, space, cleared, data, stock)
    clock.lap("rings and links")
    if not last:
        ground.cut(space, Swept(space.frame, space.radius, cutter.corner_radius, layers))
    stage = Stage(cutter, data, order, path, left)
    stage.cut_mm = sum(level.cut_mm for level in order)
    stage.link_mm = sum(level.link_mm for level in order)
    return stage


def _refuse_coarse(job: Job) -> None:
    """Places must not be rounded farther than a path may lie from the walk that it follows."""
    digits, off = job.output.decimals, 0.5 * _unit(job)
    limit = closeness(math.inf)
    if off > limit:
        raise PlanError(
            f"output.decimals = {digits} in {job.units} puts places {off:.2g} mm off, limit {limit:g} mm; "
            f"use {digits + 1} or more"
        )


def _unit(job: Job) -> float:
    """The last decimal of the program's places, mm."""
    return float(10.0**-job.output.decimals) * (25.4 if job.units == "inch" else 1.0)


# -- stages ---------------------------------------------------------------------------------------


def _space(
    job: Job, cutter: Cutter, surface: ContactSurface, part: parts.Part, stock: Stock, ground: Ground
) -> Space:
    lower = np.minimum(part.lower, stock.lower)
    upper = np.maximum(part.upper, stock.upper)
    cell = cell_size(job, cutter, tuple(lower), tuple(upper))
    grid = Grid.covering((lower[0], lower[1]), (upper[0], upper[1]), cell, 1.1 * cutter.diameter)
    if grid.nx * grid.ny > job.roughing.max_cells:
        raise PlanError(
            f"grid of {grid.nx} x {grid.ny} cells at {cell:g} mm passes roughing.max_cells = "
            f"{job.roughing.max_cells}; enlarge roughing.cell"
        )
    space = Space.build(job, cutter, surface, stock, grid, tuple(ground.swept), ground.over(grid))
    space.limit = limits.plan_limit(job, grid)
    return space


def _bands(
    job: Job,
    cutter: Cutter,
    space: Space,
    part: parts.Part,
    stock: Stock,
    data: CuttingData,
    before: list[float],
) -> list[Band]:
    """Levels from the stock's top to the lowest place the cutter reaches."""
    top = float(stock.upper[2])
    reach = np.isfinite(space.top) & (space.cl < top - space.floor)
    lowest = min(float(space.cl[reach].min(initial=math.inf)), _beside_stock(space)) + space.floor
    if lowest >= top - levels.SAME:
        raise PlanError(
            f"no room for the cutter below the stock's top z = {top:g}: diameter {2 * space.radius:g} mm "
            "enters no opening; use a smaller cutter or more stock"
        )
    floor = max(lowest, float(part.lower[2]), float(stock.lower[2]))
    level_ground = flats.worth_a_level(part, job.roughing.flat_tilt_deg, 0.5 * cutter.diameter)
    heights = [z + space.floor for z in flats.heights(level_ground)]
    drops = {f.z + space.floor: f.drop for f in sorted(level_ground, key=lambda f: f.drop)}
    floor = next((z for z in heights if z - drops[z] - 1e-4 < floor < z + 1e-4), floor)
    if job.roughing.floor_z is not None:
        floor = max(floor, job.roughing.floor_z)
    if floor >= top - levels.SAME:
        raise PlanError(
            f"lowest level z = {floor:g} is not below the stock's top z = {top:g}; lower roughing.floor_z"
        )
    inner = [z for z in heights if floor - levels.SAME < z < top - SKIN]
    known = [z for z in inner if _stands(space, z, drops[z])]
    allowed = climbs.limits_of(job, space)
    costs = Costs(space, data, job.machine.acceleration)
    bands = levels.choose(
        top, floor, known, min(data.level_depth, cutter.flute_length),
        climbs.between(space, allowed, [top, floor, *known]), costs.primary, costs.ledge, before,
        costs.expect,
    )  # fmt: skip
    climbs.trim(space, bands, allowed, drops)
    shallow.add(space, bands, allowed)
    return bands


def _beside_stock(space: Space) -> float:
    """Lowest that the cutter comes down on the stock from beside it, mm, less the floor allowance; else inf.

    A margin narrower than the radius is cut from outside alone.
    """
    from scipy.ndimage import distance_transform_edt

    there = np.isfinite(space.top)
    if there.all() or not there.any():
        return math.inf
    away = distance_transform_edt(~there) * space.grid.cell
    beside = ~there & (away < space.radius - space.grid.cell)
    corner = space.corner - space.wall  # the cutter's own
    over = np.maximum(away[beside] - (space.radius - corner), 0.0)
    rounding = corner - np.sqrt(np.maximum(corner**2 - over**2, 0.0))
    return float((space.cl[beside] + rounding).min(initial=math.inf))


def _bound(job: Job, cutter: Cutter, space: Space, bands: list[Band]) -> list[str]:
    """Put what else bounds the cutter's centre at each level into ``space``: clamps, the holder; warnings."""
    ground = limits.Ground(top=space.top, cell=space.grid.cell, radius=space.radius)
    stages = limits.stages(job, cutter)
    by_holder, by_clamps = _Kept(), _Kept()
    fences: dict[tuple[float, ...], Rings] = {}
    for level in (v for band in bands for v in band.levels):
        mask = space.mask(level.z)
        if space.limit is not None:
            mask = mask & (space.limit >= 0)
        holder = ground.limit(level.z, stages)
        keepout = limits.keepout_limit(job, cutter, space.grid, level.z)
        for kept, limit in ((by_holder, holder), (by_clamps, keepout)):
            kept.note(level.z, mask, limit, space)
        clamped = [b for b in (space.limit, keepout) if b is not None]
        if clamped:
            reaches = limits.keepout_reaches(job, cutter, level.z)
            if reaches not in fences:
                fences[reaches] = limits.edge(np.minimum.reduce(clamped), space.grid)
            space.fences[level.z] = fences[reaches]
        others = [b for b in (holder, keepout) if b is not None]
        bound = space.bound(level.z)
        if others:
            others += [] if bound is None else [bound]
            bound = space.at_level[level.z] = np.minimum.reduce(others)
        if bound is not None:
            mask = mask & (bound >= 0)
        ground.cut(level.z, mask)
    return [
        *by_holder.told("the holder keeps", f"a longer overhang than {cutter.overhang:g} mm would clear it"),
        *by_clamps.told("clamps and keep-out boxes keep", "what stands there is left, as high as it is"),
    ]


@dataclass
class _Kept:
    """The most ground, mm2, that something keeps the cutter's centre out of, and the level where it does."""

    area: float = 0.0
    z: float = 0.0

    def note(
        self, z: float, mask: NDArray[np.bool_], limit: NDArray[np.float32] | None, space: Space
    ) -> None:
        if limit is None:
            return
        nodes = int(np.count_nonzero(mask & (limit < 0) & np.isfinite(space.top)))
        area = nodes * space.grid.cell**2
        if area > self.area:
            self.area, self.z = area, z

    def told(self, what: str, then: str) -> list[str]:
        if self.area <= 0.0:
            return []
        return [f"{what} the cutter out of up to {self.area:.0f} mm2 (level z = {self.z:g}); {then}"]


def _stands(space: Space, z: float, drop: float) -> bool:
    """True if the cutter comes down onto a flat, tilted by ``drop``, at tip height ``z`` on the grid."""
    tip = space.cl - (z - space.floor)
    return bool(((tip <= 1e-6) & (tip >= -drop - 1e-6)).any())


def _rules(job: Job, cutter: Cutter, cell: float, data: CuttingData) -> Rules:
    radius = 0.5 * cutter.diameter
    cap = math.radians(data.engagement_deg)
    fit = closeness(job.roughing.tolerance)
    # error budget: half a degree for map and step, and two neighbouring passes each off by the fit
    margin = math.radians(0.55) + 1.2 * fit / (radius * math.sin(cap))
    rho = job.roughing.min_path_radius if job.roughing.min_path_radius is not None else 0.06 * radius
    if not job.output.arcs:
        margin += 0.5 * BEND  # so much a chord's direction differs from the arc's, and what it cuts with it
    # few decimals turn short moves: half a step by so much, of which the half degree has room for a part
    turned = 0.7 * _unit(job) / (0.5 * STEP * radius)
    margin += min(max(0.0, turned - ROUNDED), 0.2 * cap)
    width = job.roughing.min_piece_width if job.roughing.min_piece_width is not None else 0.005 * radius
    length = job.roughing.min_piece_length if job.roughing.min_piece_length is not None else 0.1 * radius
    return Rules(
        radius=radius,
        corner=cutter.corner_radius,
        cap=cap,
        margin=margin,
        step=STEP * radius,
        rho=max(rho, 0.05 * radius),
        rho_seek=radius,
        # a radius that the job asks for holds everywhere
        rho_tight=TIGHT * radius if job.roughing.min_path_radius is None else math.inf,
        ease_in=0.06 * radius,
        eps=fit + 0.001 + max(0.0, _overrated(cell, radius + job.roughing.wall_allowance) - BETWEEN),
        drop_area=width * length,
        sliver=0.4 * width * length,
        air=0.3 * radius,
        side=-1 if job.roughing.direction == "conventional" else 1,
        both=job.roughing.direction == "both",
        lift=_lift(job, cutter, data),
        stair=job.roughing.stair_height or math.inf,
    )


def _overrated(cell: float, radius: float) -> float:
    """By how much a level's map overrates room round a corner, where the boundary is an arc; mm.

    Between nodes the map is straight, distances from the arc are hollow.
    """
    return cell * cell / (8.0 * radius)


@dataclass
class _Cleared:
    """What the clearing engine made of a band: by level its pieces and what is swept afterwards.

    A level without a mark is left out. ``left`` : places not cut. ``layers`` : kept for a later cutter.
    ``order`` : all walks in cutting order, with the index of their level; None = height by height.
    """

    band: Band
    pieces: list[list[Piece]] = field(default_factory=list)
    marks: list[feeds.Mark | None] = field(default_factory=list)
    bare: rests.Bare | None = None
    left: list[dict[str, Any]] = field(default_factory=list)
    layers: list[Layer] = field(default_factory=list)
    order: list[tuple[int, Piece]] | None = None

    @property
    def walks(self) -> list[tuple[int, Piece]]:
        """All walks in cutting order, each with the index of its level."""
        if self.order is not None:
            return self.order
        return [(k, piece) for k, pieces in enumerate(self.pieces) for piece in pieces]

    @property
    def by_level(self) -> list[list[Piece]]:
        """The walks of each level as they are cut, with their ways."""
        found: list[list[Piece]] = [[] for _ in self.band.levels]
        for k, piece in self.walks:
            found[k].append(piece)
        return found


def _clear(
    job: Job,
    cutter: Cutter,
    space: Space,
    bands: list[Band],
    data: CuttingData,
    tell: Progress,
    keep: bool = False,
) -> Iterator[_Cleared]:
    """Clear the bands in threads; what comes of them in cutting order. Layers are empty unless ``keep``.

    Bands do not depend on one another. They are begun so that neither a thread nor the linking waits long.
    """
    total = sum(len(b.levels) for b in bands) * (2 if space.is_leftover else 1)
    done = [0]

    def step() -> None:
        done[0] += 1
        tell("rings", done[0], total)

    with ThreadPoolExecutor(max_workers=threads.count()) as pool:
        rules = _rules(job, cutter, space.grid.cell, data)
        every = [level for band in bands for level in band.levels]
        zones = sequence.zones(space, every, rules, cutter.min_remaining, pool, step)
        deepest = float(space.stock.upper[2]) - min(b.primary.z for b in bands)
        ends = tuple(b.primary.z + cutter.flute_length + rests.FILM for b in bands)
        room = _Room(job, cutter, space, rules, data, zones, deepest, keep, ends)
        first = bandorder.order([_size(space, band, rules.bite) for band in bands], threads.count())
        last = {level.z: k for k, band in enumerate(bands) for level in band.levels}
        clear = _one_band if len(bands) == 1 else threads.alone(_one_band)
        above = rests.Above(
            space, (limits.Stage(space.radius, cutter.flute_length), *limits.stages(job, cutter))
        )
        told = [0]  # bands that ``above`` knows; until the next one is there nobody but that one asks it

        def asked(k: int) -> Asked:
            """Ends the clearing of a band in vain, if all above it has been cut by then."""
            return lambda *of: told[0] == k and above.meets(bands[k].levels, *of)

        futures = {k: pool.submit(clear, room, bands[k], step, asked(k)) for k in first}
        try:
            for k in range(len(bands)):
                made = futures[k].result()
                off: dict[float, NDArray[np.float32]] = {}
                for again in range(1, REPEATS + 1):
                    planned = () if made.order is None else made.pieces
                    more = above.kept_off(made.band.levels, made.by_level, made.bare, planned)
                    if not more:
                        break
                    off = {z: np.minimum(off[z], d) if z in off else d for z, d in more.items()}
                    ask = asked(k) if again < REPEATS else None
                    made = _one_band(replace(room, kept_off=off), bands[k], lambda: None, ask)
                above.add(made.band.levels, made.marks, made.left, made.bare)
                told[0] = k + 1
                for level in made.band.levels:  # whole maps, of which a large part has many
                    if last[level.z] == k:
                        space.at_level.pop(level.z, None)
                yield made
            tell("links", 0, 1)
        finally:
            for future in futures.values():
                future.cancel()


def _size(space: Space, band: Band, bite: float) -> float:
    """Length of path that a band may take, mm, to begin the longest first."""
    ground = float(np.count_nonzero(space.mask(band.primary.z) & np.isfinite(space.top))) * space.grid.cell**2
    walls = sum(len(space.rings(level.z).points) for level in band.climbs) * space.grid.cell
    return ground / bite + TRACED * walls


@dataclass(frozen=True)
class _Room:
    """What all bands of a cutter share while they are cleared; ``deepest`` mm below the stock's top.

    ``ends`` : where the flutes end when the cutter stands on each primary level, mm. ``kept_off`` : by height
    of a level, where what was left above keeps shank and holder away.
    """

    job: Job
    cutter: Cutter
    space: Space
    rules: Rules
    data: CuttingData
    zones: sequence.Zones | None
    deepest: float
    keep: bool
    ends: tuple[float, ...]
    kept_off: dict[float, NDArray[np.float32]] = field(default_factory=dict)

    def region(self, z: float) -> Region:
        """Where the centre may be at a height."""
        found = self.space.at(z)
        off = self.kept_off.get(z)
        if off is not None:
            np.minimum(found.sd, off, out=found.sd)
        return found


def _one_band(room: _Room, band: Band, step: Callable[[], None], ask: Asked | None = None) -> _Cleared:
    """Clear a primary level and the climb levels above it; ``step`` is called after each.

    Where ``ask`` finds that the band will have to be cleared anew, it is left as it is then.
    """
    job, cutter, space, zones = room.job, room.cutter, room.space, room.zones
    out = _Cleared(band)
    if zones is not None and all(zones.empty(level.z) for level in band.levels):
        out.pieces, out.marks = [[] for _ in band.levels], [None for _ in band.levels]
        return out
    # what the levels above would trace is better taken at full depth once
    deep_bite = 0.98 * CLIMB_BITE if job.roughing.stair_height > 0.0 or band.climbs else DEEP_BITE
    rules = room.rules
    long = room.deepest > cutter.flute_length
    rims: list[tuple[float, rests.Rim]] = []
    if long:
        # below the flute the shank passes walls cut before: a hair off what was left there, so that it
        # does not rub
        below = space.stock.upper[2] - band.primary.z > cutter.flute_length
        rules = replace(rules, eps=rules.eps + (deep_bite + SHANK_GAP if below else 0.0))
    least = _ways(job, cutter, room.data, space.stock).narrowest
    entry = EntryRules.of(job, cutter, room.data.helix_bore, room.rules.eps, least)
    work = Clearing(space.frame, space.untouched(band.primary.z), rules)
    ridges = Ridges(space, climbs.limits_of(job, space), work.d2)
    swept = Swept(space.frame, space.radius, cutter.corner_radius)
    before = band.primary.z
    places = Places(work, lambda k: room.region(band.levels[k].z)) if band.climbs and zones is None else None
    for level, above in zip(band.levels, [*(v.z for v in band.climbs), math.inf], strict=True):
        shown = None if zones is None else zones.at(level.z)
        curtain = None
        if shown is not None:
            if level is not band.primary:
                np.minimum(work.d2, space.untouched(level.z), out=work.d2)
            curtain, work.shut = Curtain.draw(work, unveiled.widened(work, shown)), ~shown
        at = out.pieces[-1][-1].points[-1] if out.pieces and out.pieces[-1] else None
        bite = CLIMB_BITE if level.kind == "climb" else deep_bite
        region = room.region(level.z)
        off = room.kept_off.get(level.z)
        if off is not None:
            missed = rests.listed(level.z, off, space, space.radius)
            out.left += [missed] if missed is not None else []
        work.heights = level.z, min(above, band.primary.top)
        work.air = ridges.low(level.z) if level.floor else None
        out.pieces.append(_one_level(room, work, region, level, at, bite, entry, out.left))
        work.ground = None  # a whole map, of which ridges ask nothing
        # found on the level before, and still there: it stands from that one's height on
        out.left += [_channel(patch, before, room.rules.radius) for patch, _ in work.stayed]
        before = level.z
        if curtain is not None:
            unveiled.lift(work, curtain, out.pieces[-1])
            work.shut = None
        high = ridges.take_off(work, region, level.z, above, out.pieces[-1], shown)
        out.left += [_channel(patch, level.z, room.rules.radius) for patch in high]
        if places is not None:
            n = len(out.pieces)
            places.after(n - 1, level.floor, out.pieces[-1], _until_floor(band.levels[n:]))
        out.marks.append(feeds.mark(work.d2, room.rules.radius, room.rules.corner, space.frame.h))
        # what levels higher than the flutes' end sweep is in the way of a deeper band's shank below them
        if long and (not rims or above == math.inf or any(level.z <= end < above for end in room.ends)):
            rims.append((level.z, rests.Rim.of(work.swept(), room.rules.radius, space.frame.hd)))
        if room.keep:
            out.layers.append(swept.layer(level.z, work.d2))
        step()
        missing = len(band.levels) - len(out.pieces)
        if rims and ask is not None and missing and ask(out.pieces, rims[0][1]):
            for _ in range(missing):
                out.pieces.append([])
                step()
            out.bare = rests.Bare(tuple(rims))
            return out
    if rims:
        out.bare = rests.Bare(tuple(rims))
    if places is not None:
        out.order = places.order()
    return out


def _until_floor(levels: list[Level]) -> int:
    """How many levels come up to the next floor, that one included."""
    return next((n for n, level in enumerate(levels, start=1) if level.floor), len(levels))


def _one_level(
    room: _Room,
    work: Clearing,
    region: Region,
    level: Level,
    at: NDArray[np.float64] | None,
    bite: float,
    entry: EntryRules,
    left: list[dict[str, Any]],
) -> list[Piece]:
    """The walks of one level, from where the cutter stands; ``left`` gets what is not cut."""
    told = len(left)
    work.find_entries = lambda c, r, again: _entries(c, r, level, entry, [] if again else left)
    pieces = work.run(region, at, bite, walls_first=level.kind == "climb", floor=level.floor)
    if room.job.roughing.slotting and (work.left or work.stayed):
        work.find_entries = lambda c, r, again: _entries(c, r, level, entry, [])
        pieces += lanes.slots(work, region, pieces[-1].points[-1] if pieces else at, bite)
        # what had no way in may have been cut as a slot
        left[told:] = uncut.standing(work, region, left[told:])
    shut, spare = left[told:], SHUT * room.space.grid.cell
    left += [_channel(patch, level.z, room.rules.radius, shut, spare) for patch in work.left]
    return pieces


def _channel(
    patch: Uncut, z: float, radius: float, shut: Iterable[dict[str, Any]] = (), spare: float = 0.0
) -> dict[str, Any]:
    reason = _why(patch, radius, shut, spare)
    return {"kind": "rest" if reason == REST else "channel", "z": z, **vars(patch), "reason": reason}


def _why(patch: Uncut, radius: float, shut: Iterable[dict[str, Any]], spare: float) -> str:
    """Why a patch is left; ``shut``: ground without a way in, whose boxes may be ``spare`` mm tighter."""
    for ground in shut:
        (x0, y0, x1, y1), (a0, b0, a1, b1) = ground["box"], patch.box
        if min(a0 - x0, b0 - y0, x1 - a1, y1 - b1) >= -spare:
            return str(ground["reason"])
    if patch.width < WIDE * radius:
        return f"too narrow for the cap: {patch.width:.2f} mm wide there"
    return REST


def _entries(
    work: Clearing, region: Region, level: Level, rules: EntryRules, left: list[dict[str, Any]]
) -> list[Any]:
    blk = work.blk if work.shut is None else np.where(work.shut, np.int32(0), work.blk)
    found, refused = ways_in(region.sd, work.free, blk, work.mat, work.frame, rules, level.z)
    left += [_left(item, level) for item in refused]
    return found


def _left(item: Left, level: Level) -> dict[str, Any]:
    return {
        "kind": "area",
        "z": level.z,
        "x": item.x,
        "y": item.y,
        "width": item.width,
        "area": item.area,
        "reason": item.reason,
        "box": item.box,
    }


def _link(
    job: Job,
    cutter: Cutter,
    space: Space,
    cleared: Iterable[_Cleared],
    data: CuttingData,
    stock: Stock,
) -> tuple[Toolpath, list[Level], list[dict[str, Any]], list[list[Layer]]]:
    """Path, levels that are cut, places that are not, and layers by band; bands are taken as they come."""
    ways = _ways(job, cutter, data, stock)
    side = -1 if job.roughing.direction == "conventional" else 1
    overhead = Overhead(
        space.frame, space.top, 0.5 * cutter.diameter, cutter.corner_radius,
        limits.stages(job, cutter), job.keepouts, job.holder.clearance,
    )  # fmt: skip
    linker = Linker(space.frame, overhead, cutter, data, ways, side)
    terraces = bool(space.before) or stock.kind in ("leftover", "mesh")
    standing = feeds.Standing(space.frame, space.top, films=not terraces)
    order: list[Level] = []
    left: list[dict[str, Any]] = []
    layers: list[list[Layer]] = []
    for made in cleared:
        left += made.left
        layers.append(made.layers)
        tall: dict[int, tuple[int, feeds.Tall]] = {}
        for k, (level, ground) in enumerate(zip(made.band.levels, made.marks, strict=True)):
            if ground is None:
                continue
            slot = any(piece.slot for piece in made.pieces[k])
            way_in = terraces and any(piece.entry is not None for piece in made.pieces[k])
            above = standing.cut(ground, level.z, level.top, slot or way_in)
            if made.pieces[k]:
                tall[k] = len(order), above
                order.append(level)
        linker.place([(piece, made.band.levels[k], *tall[k]) for k, piece in made.walks])
    if not order and space.is_leftover:
        raise PlanError(
            f"nothing to cut: no more than {cutter.min_remaining:g} mm is left wherever the cutter reaches; "
            "use a smaller cutter or lower cutter.min_remaining"
        )
    if not order:
        raise PlanError(
            "nothing to cut: the cutter reaches no material within the cap; use a smaller cutter, another "
            "entry.method or roughing.slotting = true"
        )
    path = linker.finish()
    _tally(path, order, job)
    return path, order, left, layers


def _ways(job: Job, cutter: Cutter, data: CuttingData, stock: Stock) -> Ways:
    """Heights, feeds and tolerances of the program."""
    fit = closeness(job.roughing.tolerance)
    ramp = job.entry.ramp_angle_deg if job.entry.ramp_angle_deg is not None else data.ramp_angle_deg
    return Ways(
        clearance=job.clearance_plane(float(stock.upper[2])),
        lift=_lift(job, cutter, data),
        link_feed=job.links.feed or data.link_feed,
        rapid=job.machine.rapid,
        ramp=math.radians(ramp),
        tolerance=fit,
        min_length=data.cut_feed / 60000.0 * job.machine.block_time_ms,
        acceleration=job.machine.acceleration,
        stay_down=job.links.stay_down,
        unit=_unit(job),
        chords=not job.output.arcs,
    )


def _lift(job: Job, cutter: Cutter, data: CuttingData) -> float:
    """How high over the floor links run, mm."""
    return max(job.links.lift, _ridge(cutter, data.engagement_deg) + RIDGE_SPARE)


def _ridge(cutter: Cutter, cap_deg: float) -> float:
    """Height of what a rounded tip leaves between two passes at the cap, mm; 0 where its flat covers it."""
    radius = 0.5 * cutter.diameter
    bite = radius * (1.0 - math.cos(math.radians(cap_deg)))
    beyond = min(max(0.0, 0.5 * bite - (radius - cutter.corner_radius)), cutter.corner_radius)
    return cutter.corner_radius - math.sqrt(cutter.corner_radius**2 - beyond**2)


def _tally(path: Toolpath, order: list[Level], job: Job) -> None:
    """Path lengths and model time of each level."""
    from .timing import move_times
    from .toolpath import Kind

    length, seconds = path.lengths(), move_times(path, job.machine)
    cutting_ = (path.kind == Kind.CUT) & (path.engagement > 0)
    for k, level in enumerate(order):
        mine = path.level == k
        level.cut_mm = float(length[mine & cutting_].sum())
        level.link_mm = float(length[mine & ~cutting_].sum())
        level.time_s = float(seconds[mine].sum())


def _header(part: parts.Part, order: list[Level]) -> list[str]:
    return [
        f"part {part.name}",
        f"{len(order)} levels from z {order[0].top:g} to z {min(v.z for v in order):g}",
    ]


class _Clock:
    def __init__(self) -> None:
        self.laps: dict[str, float] = {}
        self._last = time.perf_counter()

    def lap(self, name: str) -> None:
        now = time.perf_counter()
        self.laps[name] = self.laps.get(name, 0.0) + now - self._last
        self._last = now
