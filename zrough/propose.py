"""Cutter, level depth, stair height and radial width for the least time of roughing and semi-finishing
together.

Every combination is estimated first: levels and areas from a coarse map of each cutter, feeds from the
cutting data, stairs from their closed form. The best of them, at least one for each cutter, are then planned
and replayed in full; the ball-nose is driven over what they really leave. Its feed falls where its bite
passes the limit, so tall stairs are paid for there.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from zrough import climbs, cutting, flats, levels, stairs
from zrough import part as parts
from zrough.cutting import CuttingData
from zrough.errors import Cancelled, CuttingDataError, JobError, ZroughError
from zrough.grid import Grid
from zrough.job import Cutter, Job
from zrough.levelcost import ENDS, Costs
from zrough.progress import Progress, watched
from zrough.regions import Space
from zrough.stock import Stock
from zrough.surface import ContactSurface

log = logging.getLogger(__name__)
Floats = NDArray[np.float64]

MOST_ROWS = 10
NODES = 40_000  # of the coarse map of a cutter
THIN_CHIP = 0.4  # share of the wanted chip below which a limit makes the cutter rub (common practice)
WHOLE = 0.98  # share of the largest volume that a finalist has to remove
BALL_FLUTES = 2  # of the ball-nose when nothing is known about it (common practice)
BALL_REACH = 5.0  # its overhang in diameters (common practice)
DEPTHS, WIDTHS, STAIRS = (1.0, 0.75, 0.5), (1.0, 0.75, 0.5), (0.5, 0.75, 1.0, 1.5, 2.0)


@dataclass(frozen=True)
class Choice:
    """One combination; mm."""

    cutter: Cutter
    level_depth: float
    stair_height: float
    radial_width: float

    @property
    def label(self) -> str:
        """The cutter in short."""
        c = self.cutter
        tip = "" if c.corner_radius <= 0.0 else f" R{c.corner_radius:g}"
        return c.name or f"D{c.diameter:g}{tip} z{c.flutes}"


@dataclass(frozen=True)
class Row:
    """What came of a choice.

    Attributes
    ----------
    rough_s, semi_s : model seconds of roughing and of the ball-nose pass; ``planned`` tells whether from a
        whole plan and its replay, or from the estimate. estimate_s : the two together as first estimated.
    engagement_deg, power_kw, deflection_mm, feed : at the cap (mm, mm/min). thickest : mm, the ball-nose's
        thickest bite; slow_share : of its path in cut where the feed falls. removed_cm3 : None if not
        planned.
    reasons : why it stands where it stands. ok : may be used.
    """

    choice: Choice
    planned: bool
    ok: bool
    rough_s: float
    semi_s: float
    estimate_s: float
    engagement_deg: float
    power_kw: float
    deflection_mm: float
    feed: float
    thickest: float
    slow_share: float
    removed_cm3: float | None
    reasons: tuple[str, ...]

    @property
    def total_s(self) -> float:
        """Roughing and semi-finishing together, s."""
        return self.rough_s + self.semi_s

    def as_dict(self) -> dict[str, Any]:
        """Plain values."""
        c = self.choice
        return {
            "cutter": c.label, "cutter_number": c.cutter.number, "level_depth": c.level_depth,
            "stair_height": c.stair_height, "radial_width": c.radial_width,
            "engagement_deg": self.engagement_deg, "feed": self.feed, "power_kw": self.power_kw,
            "deflection_mm": self.deflection_mm, "rough_s": self.rough_s, "semi_s": self.semi_s,
            "total_s": self.total_s, "estimate_s": self.estimate_s, "planned": self.planned, "ok": self.ok,
            "thickest_bite": self.thickest, "slow_share": self.slow_share, "removed_cm3": self.removed_cm3,
            "reasons": list(self.reasons),
        }  # fmt: skip


@dataclass(frozen=True)
class Ranking:
    """The result of `propose`: up to ten rows, best first; ``refused`` counts combinations by reason."""

    job: Job
    rows: tuple[Row, ...]
    tried: int
    refused: dict[str, int] = field(default_factory=dict)

    @property
    def best(self) -> Row:
        """The best planned row."""
        return self.rows[0]

    def best_job(self) -> Job:
        """The job with the best row's values."""
        return variant(self.job, self.best.choice)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; mm, s."""
        return {
            "tried": self.tried, "refused": dict(self.refused), "rows": [r.as_dict() for r in self.rows],
        }  # fmt: skip


def propose(
    job: Job,
    cutters: Sequence[Cutter] | None = None,
    finalists: int | None = None,
    progress: Progress | None = None,
) -> Ranking:
    """Rank cutters, level depths, stair heights and radial widths by roughing plus semi-finishing time.

    Parameters
    ----------
    job : its ``propose`` table lists what to choose from, ``semi_finish`` the ball-nose and its load limit.
    cutters : in place of ``propose.cutters``. finalists : in place of ``propose.finalists``.
    progress : ``progress(stage, done, total)``; returning False stops.

    Raises
    ------
    JobError : the ball-nose or its limit is missing, or every combination is refused; Cancelled.
    """
    tell = watched(progress)
    semi = job.semi_finish
    for key in ("ball_diameter", "max_bite"):
        if getattr(semi, key) is None:
            raise JobError(
                f"{job.source}: semi_finish.{key}: missing; the proposal weighs roughing against a ball-nose "
                "pass with a load limit, give both ball_diameter and max_bite"
            )
    table = job.propose
    tools = list(cutters or table.cutters or job.cutters[:1])
    bench = _Bench(job, len(tools), tell)
    rows: list[tuple[Choice, Row]] = []
    tried = 0
    for k, tool in enumerate(tools):
        for choice in _choices(job, tool, bench.refuse):
            tried += 1
            row = bench.estimate(choice)
            if row is not None:
                rows.append((choice, row))
        tell("estimate", k + 1, len(tools))
    if not rows:
        why = ", ".join(f"{reason} ({n} times)" for reason, n in bench.refused.items())
        raise JobError(f"{job.source}: propose: no combination is left: {why}; widen the lists or the limits")
    ranked = sorted((r for _, r in rows), key=_order)
    chosen = _finalists(ranked, finalists or table.finalists)
    real = []
    for k, row in enumerate(chosen):
        tell("finalists", k, len(chosen))
        real.append(bench.run(row))
    tell("finalists", len(chosen), len(chosen))
    return Ranking(job, _table(_judged(real), ranked, chosen), tried, dict(bench.refused))


def variant(job: Job, choice: Choice) -> Job:
    """The job with a choice's cutter and numbers."""
    cutter = choice.cutter.model_dump(by_alias=True, exclude_none=True)
    return job.replace(
        cutter=[cutter],
        roughing={
            "level_depth": choice.level_depth, "stair_height": choice.stair_height, "stair_normal": None,
            "radial_width": choice.radial_width, "engagement_deg": None,
        },
    )  # fmt: skip


def ball_feed(job: Job) -> float:
    """Feed of the ball-nose, mm/min: the job's, else from cutting data for its step and load limit."""
    from zrough.nexttool import DEFAULT_CUSP, step_for_cusp

    semi = job.semi_finish
    if semi.feed is not None:
        return semi.feed
    diameter, bite = semi.ball_diameter, semi.max_bite
    assert diameter is not None
    assert bite is not None
    step = semi.step_over if semi.step_over is not None else step_for_cusp(diameter, DEFAULT_CUSP)
    ball = Cutter.model_validate({
        "diameter": diameter, "corner_radius": 0.5 * diameter, "flutes": BALL_FLUTES,
        "flute_length": diameter, "overhang": BALL_REACH * diameter, "coating": job.cutter.coating,
    })  # fmt: skip
    pass_ = job.replace(
        roughing={"radial_width": min(step, diameter), "engagement_deg": None, "level_depth": bite}
    )
    return cutting.propose(pass_, ball).cut_feed


# -- what there is to choose from --------------------------------------------------------------------


def _choices(job: Job, tool: Cutter, refuse: Callable[[str], None]) -> Iterator[Choice]:
    """All combinations of one cutter, from the job's lists or round the cutter's own proposal."""
    table = job.propose
    free = job.replace(
        cutter=[tool.model_dump(by_alias=True, exclude_none=True)],
        roughing={"level_depth": None, "radial_width": None, "engagement_deg": None, "stair_normal": None},
    )
    try:
        own = cutting.propose(free)
    except CuttingDataError as exc:
        refuse(f"{_name(tool)}: {exc}")
        return
    depths = table.level_depths or tuple(round(f * own.level_depth, 3) for f in DEPTHS)
    heights = table.stair_heights or tuple(round(f * 0.1 * tool.diameter, 4) for f in STAIRS)
    most = table.max_engagement_deg or job.roughing.engagement_deg or 180.0
    widest = 0.5 * tool.diameter * (1.0 - math.cos(math.radians(most)))
    wide = min(own.radial_width, widest)
    widths = table.radial_widths or tuple(math.floor(f * wide * 1e4) / 1e4 for f in WIDTHS)
    for depth in depths:
        if depth > tool.flute_length + 1e-9:
            refuse(f"{_name(tool)}: level depth {depth:g} mm above its flute length {tool.flute_length:g} mm")
            continue
        for width in widths:
            ratio = width / (0.5 * tool.diameter)
            angle = math.degrees(math.acos(max(-1.0, 1.0 - ratio)))
            if ratio > 2.0 or angle > most + 1e-6:
                refuse(f"{_name(tool)}: radial width {width:g} mm is above {most:g} degrees of engagement")
                continue
            for height in heights:
                if height <= depth:
                    yield Choice(tool, depth, height, width)


def _name(tool: Cutter) -> str:
    return Choice(tool, 0.0, 0.0, 0.0).label


# -- estimates ---------------------------------------------------------------------------------------


class _Bench:
    """The job's part and stock, with what has been worked out for each cutter."""

    def __init__(self, job: Job, cutters: int, tell: Progress) -> None:
        self.job, self.tell = job, tell
        tell("estimate", 0, cutters)
        self.part = parts.load(job)
        self.stock = Stock.from_job(job, self.part)
        self.surface = ContactSurface(self.part.triangles)
        self.flats = flats.find(self.part, tilt_deg=job.roughing.flat_tilt_deg)
        self.refused: dict[str, int] = {}
        self.ball_feed = ball_feed(job)
        self._space: dict[str, Space] = {}
        self._walls: dict[tuple[str, float], float] = {}
        self._levels: set[tuple[str, float, tuple[float, ...]]] = set()
        self._slopes = self._part_slopes()
        self._ball_path = self._path_of_ball()

    def refuse(self, reason: str) -> None:
        """Count a combination that is left out."""
        self.refused[reason] = self.refused.get(reason, 0) + 1

    def _part_slopes(self) -> tuple[Floats, Floats]:
        """Slope of the upper triangles, rad from level, and their area, mm2, below the stock's top."""
        t = self.part.triangles
        normal = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
        size = np.linalg.norm(normal, axis=1)
        up = (normal[:, 2] > 0.02 * size) & (t[:, :, 2].min(axis=1) < self.stock.upper[2] - 1e-6)
        return np.arccos(np.clip(normal[up, 2] / size[up], 0.0, 1.0)), 0.5 * size[up]

    def _path_of_ball(self) -> float:
        """Length of the ball-nose's pass over the part, mm, from a coarse map of its tip heights."""
        from zrough.nexttool import DEFAULT_CUSP, step_for_cusp

        semi = self.job.semi_finish
        assert semi.ball_diameter is not None
        step = semi.step_over or step_for_cusp(semi.ball_diameter, DEFAULT_CUSP)
        low, high = self.part.lower, self.part.upper
        cell = math.sqrt((high[0] - low[0]) * (high[1] - low[1]) / NODES)
        grid = Grid.covering((low[0], low[1]), (high[0], high[1]), cell)
        radius = 0.5 * semi.ball_diameter + semi.allowance
        tips = self.surface.heights(grid, radius, radius)
        tips = np.where(np.isfinite(tips), tips, float(low[2]))
        if semi.style == "contour":
            steep = np.hypot(*np.gradient(tips, cell))
            return float(steep.sum()) * cell**2 / step
        return float(np.hypot(np.diff(tips, axis=1), cell).sum()) * cell / step

    def space(self, tool: Cutter) -> Space:
        """A coarse map of where the cutter may be."""
        key = tool.model_dump_json()
        if key not in self._space:
            lower = np.minimum(self.part.lower, self.stock.lower)
            upper = np.maximum(self.part.upper, self.stock.upper)
            margin = 1.1 * tool.diameter
            wide = (upper[0] - lower[0] + 2 * margin) * (upper[1] - lower[1] + 2 * margin)
            cell = math.sqrt(wide / NODES)
            grid = Grid.covering((lower[0], lower[1]), (upper[0], upper[1]), cell, margin)
            self._space[key] = Space.build(self.job, tool, self.surface, self.stock, grid)
        return self._space[key]

    def estimate(self, choice: Choice) -> Row | None:
        """Times of a choice without a plan; None if a limit forbids it."""
        name = choice.label
        try:
            data = cutting.propose(variant(self.job, choice))
        except CuttingDataError as exc:
            self.refuse(f"{name}: {exc}")
            return None
        binding = [limit.name for limit in data.limits if limit.binds]
        if data.chip_at_cap < THIN_CHIP * data.max_chip:
            what = " and ".join(binding) or "a limit"
            self.refuse(f"{name}: {what} leaves less than {THIN_CHIP:.0%} of the chip it needs")
            return None
        bend = self.job.propose.max_deflection
        if bend is not None and data.deflection_mm > bend:
            self.refuse(f"{name}: bends more than {bend:g} mm at the cap")
            return None
        try:
            rough = self._roughing(choice, data)
        except ZroughError as exc:
            self.refuse(f"{name}: {exc}")
            return None
        if rough is None:
            return None
        semi, thickest, slow = self._semi_finish(choice)
        return Row(
            choice, False, True, rough, semi, rough + semi, data.engagement_deg, data.power_kw,
            data.deflection_mm, data.cut_feed, thickest, slow, None,
            tuple(f"{b} limits the feed" for b in binding if b != "chip thickness"),
        )  # fmt: skip

    def _roughing(self, choice: Choice, data: CuttingData) -> float | None:
        """Seconds of roughing; None if another choice comes down to the same levels."""
        space, top = self.space(choice.cutter), float(self.stock.upper[2])
        reach = np.isfinite(space.top) & (space.cl < top - space.floor)
        if not reach.any():
            raise JobError("enters no opening of this part")
        floor = max(float(space.cl[reach].min()) + space.floor, float(self.part.lower[2]))
        if self.job.roughing.floor_z is not None:
            floor = max(floor, self.job.roughing.floor_z)
        if floor >= top - levels.SAME:
            raise JobError("has nothing to cut below the stock's top")
        known = [f + space.floor for f in flats.heights(self.flats)]
        known = [z for z in known if floor < z < top and (np.abs(space.cl + space.floor - z) < 1e-6).any()]
        costs = Costs(space, data, self.job.machine.acceleration)
        depth = min(choice.level_depth, choice.cutter.flute_length)
        bands = levels.choose(top, floor, known, depth, choice.stair_height, costs.primary, costs.ledge)
        heights = tuple(round(v.z, 6) for band in bands for v in band.levels)
        key = (choice.cutter.model_dump_json(), choice.radial_width, heights)
        if key in self._levels:
            return None  # the same levels as a choice before
        self._levels.add(key)
        spent = 0.0
        for band in bands:
            spent += costs.primary(band.primary.z, band.primary.top)
            below = band.primary.z
            for level in band.climbs:
                spent += self._climb(space, costs, data, level.z, below, level.top)
                below = level.z
        return spent

    def _climb(
        self, space: Space, costs: Costs, data: CuttingData, z: float, below: float, top: float
    ) -> float:
        """Seconds of a climb level: the ground it gains, in one or more passes along its walls."""
        gained = costs.swept(z) - costs.swept(below)
        if gained <= 0.0:
            return 0.0
        wall = min(self._wall(space, z), gained / (2.0 * climbs.LEAST_BITE))
        path = max(ENDS * gained / data.radial_width, wall)
        width = min(gained / path, data.radial_width)
        arc = math.degrees(math.acos(max(-1.0, 1.0 - width / space.radius)))
        return costs.path(path, max(arc, 1.0), top - z)

    def _wall(self, space: Space, z: float) -> float:
        """Length of the boundary of the free ground over stock, mm."""
        key = (f"{space.radius:.6f} {space.corner:.6f}", round(z, 6))
        if key not in self._walls:
            free, there = space.mask(z), np.isfinite(space.top)
            steps = np.count_nonzero((free[1:] != free[:-1]) & there[1:] & there[:-1])
            steps += np.count_nonzero((free[:, 1:] != free[:, :-1]) & there[:, 1:] & there[:, :-1])
            self._walls[key] = 0.25 * math.pi * space.grid.cell * float(steps)  # mean over directions
        return self._walls[key]

    def _semi_finish(self, choice: Choice) -> tuple[float, float, float]:
        """Seconds, thickest bite in mm and share of slowed path of the ball-nose, from the stairs' closed
        form.

        Along a stair the bite grows evenly from the allowance to the stair's edge.
        """
        semi, rough = self.job.semi_finish, self.job.roughing
        assert semi.ball_diameter is not None
        assert semi.max_bite is not None
        slope, area = self._slopes
        level = slope < math.radians(self.job.roughing.flat_tilt_deg)
        rise = np.full(len(slope), choice.stair_height)
        width = rise / np.tan(np.clip(slope, 1e-4, stairs.STEEPEST))
        edge = np.where(level, 0.0, stairs.normal_step(rise, width, choice.cutter.corner_radius))
        even = rough.wall_allowance * (1.0 - np.cos(slope)) + rough.floor_allowance * np.cos(slope)
        low = np.maximum(even - semi.allowance, 0.0)
        high = low + edge
        limit = semi.max_bite
        slow = _mean_slowing(low, high, limit)
        share = np.clip((high - limit) / np.maximum(high - low, 1e-12), 0.0, 1.0)
        share = np.where(high <= low + 1e-12, (low > limit).astype(float), share)
        total = max(float(area.sum()), 1e-9)
        slowing = float((area * slow).sum()) / total
        return (
            60.0 * self._ball_path * slowing / self.ball_feed,
            float(high.max(initial=0.0)),
            float((area * share).sum()) / total,
        )

    # -- finalists ---------------------------------------------------------------------------------

    def run(self, row: Row) -> Row:
        """Plan and replay a row; its numbers in place of the estimate."""
        from zrough.plan import plan
        from zrough.reportdata import Facts

        def inner(stage: str, done: int, total: int) -> bool:
            self.tell(stage, done, total)
            return True

        try:
            made = plan(variant(self.job, row.choice), progress=inner)
        except Cancelled:
            raise
        except ZroughError as exc:
            return replace(row, planned=True, ok=False, reasons=(str(exc),))
        ball = Facts(made, made.check).ball
        assert ball is not None
        reasons = list(row.reasons)
        reasons += [f"check failed: {f.message}" for f in made.check.failures[:1]]
        slow = ball.over / ball.cut_length if ball.cut_length > 0 else 0.0
        if ball.ok:
            reasons.append(f"thickest bite {ball.thickest:.2f} mm within {ball.limit:g} mm")
        else:
            reasons.append(f"bite above {ball.limit:g} mm on {100 * slow:.1f} % of the ball-nose's cut")
        return replace(
            row, planned=True, ok=made.check.ok, rough_s=made.check.times["total"],
            semi_s=ball.seconds(self.ball_feed), thickest=ball.thickest, slow_share=slow,
            removed_cm3=made.check.removed_mm3 / 1000.0, reasons=tuple(reasons),
        )  # fmt: skip


def _mean_slowing(low: Floats, high: Floats, limit: float) -> Floats:
    """Mean of max(1, b / limit) for a bite b spread evenly from ``low`` to ``high``."""
    span = np.maximum(high - low, 1e-9)
    over = np.maximum(high, limit) ** 2 - np.maximum(low, limit) ** 2
    under = np.clip(np.minimum(high, limit) - low, 0.0, span)
    mean = (under + over / (2.0 * limit)) / span
    return np.where(high <= low + 1e-9, np.maximum(high / limit, 1.0), mean)


# -- ranking -----------------------------------------------------------------------------------------


def _order(row: Row) -> tuple[float, str, float, float, float]:
    c = row.choice
    return round(row.total_s, 6), c.label, c.level_depth, c.stair_height, c.radial_width


def _finalists(ranked: Sequence[Row], count: int) -> list[Row]:
    """The best of each cutter, then the best of all, ``count`` in all, in the order of the ranking."""
    seen: set[str] = set()
    first = []
    for row in ranked:
        if row.choice.label not in seen:
            seen.add(row.choice.label)
            first.append(row)
    chosen = first[:count]
    for row in ranked:
        if len(chosen) >= count:
            break
        if row not in chosen:
            chosen.append(row)
    return sorted(chosen, key=_order)


def _judged(real: Sequence[Row]) -> list[Row]:
    """Planned rows, best first; those that leave much more standing than another are no answer."""
    most = max((r.removed_cm3 or 0.0 for r in real if r.ok), default=0.0)
    out = []
    for row in real:
        gone = row.removed_cm3
        if row.ok and gone is not None and gone < WHOLE * most:
            left = f"leaves {most - gone:.1f} cm3 that another cutter reaches"
            row = replace(row, ok=False, reasons=(left, *row.reasons))
        out.append(row)
    return sorted(out, key=lambda r: (not r.ok, *_order(r)))


def _table(real: Sequence[Row], ranked: Sequence[Row], chosen: Sequence[Row]) -> tuple[Row, ...]:
    """Planned rows that may be used, then estimates set right by the planned ones, then planned failures."""
    fit = [r for r in real if r.ok]
    by_row = {r.choice: r for r in chosen}
    scale = {
        name: sum(getattr(r, name) for r in fit)
        / max(sum(getattr(by_row[r.choice], name) for r in fit), 1e-9)
        for name in (("rough_s", "semi_s") if fit else ())
    }
    best = fit[0].total_s if fit else math.inf
    rest = []
    for row in ranked:
        if row in chosen:
            continue
        a, b = scale.get("rough_s", 1.0), scale.get("semi_s", 1.0)
        note = (
            f"estimate, roughing times {a:.2f} and semi-finishing times {b:.2f} as the planned ones came out"
        )
        rest.append(
            replace(row, rough_s=row.rough_s * a, semi_s=row.semi_s * b, reasons=(*row.reasons, note))
        )
    rest.sort(key=_order)
    told = [_compared(r, best) for r in fit] + rest[: max(0, MOST_ROWS - len(real))]
    return tuple([*told, *(r for r in real if not r.ok)][:MOST_ROWS])


def _compared(row: Row, best: float) -> Row:
    if row.total_s <= best:
        return replace(row, reasons=("least time of all planned", *row.reasons))
    more = 100.0 * (row.total_s / best - 1.0)
    return replace(row, reasons=(f"{more:.1f} % slower than the best", *row.reasons))
