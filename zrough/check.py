"""`check(nc_text, job) -> Check`: reads the NC text, replays it on its own stock map and judges it.

Nothing here is shared with the planner. `ncread` reads, `replay` measures, `checkrules` and `checkloads`
judge, `checkleft` measures what is left, `timing` gives the time. A failure is never turned into a warning.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from zrough import checkleft, checkloads, checkreach, checkrules, replay, timing
from zrough.checkleft import Leftover
from zrough.checkrules import Facts
from zrough.checkways import Ways
from zrough.errors import CheckError
from zrough.ncread import Finding, Motion, Program, read
from zrough.progress import Progress, watched
from zrough.replay import Body, Floats

if TYPE_CHECKING:
    from zrough.job import Job

RAMP_FALLBACK_DEG = 5.0  # where neither the job nor the cutting data give a limit; common practice
FARTHEST = 1.0e5  # mm from zero; job files have the same limit
CHIP_NEAR = 0.1  # share of the chip wanted; what counts as kept
PLOT_MOTIONS = 20_000  # most entries of the arrays kept for plots

Rule = Callable[[Facts], list[Finding]]
RULES: tuple[Rule, ...] = (
    checkrules.units, checkrules.gouges, checkrules.allowance, checkrules.overloads, checkrules.entry_depths,
    checkrules.rises, checkrules.descents, checkrules.rapids, checkrules.bodies, checkrules.keepouts,
    checkrules.feeds_and_spindle, checkrules.travel,
)  # fmt: skip
#: Rules that judge a motion by the cutter that makes it; the others look at the program as a whole.
BY_CUTTER: tuple[Rule, ...] = (
    checkrules.gouges, checkrules.allowance, checkrules.overloads, checkrules.entry_depths,
    checkrules.rises, checkrules.descents, checkrules.bodies, checkrules.keepouts,
)  # fmt: skip
WARNINGS = {"unit-doubt"}


@dataclass(frozen=True)
class Engagement:
    """Engagement of the level cutting; entries (helix, ramp) apart. Degrees and mm.

    ``histogram`` (361,) is cutting length by whole degree, [0] the air. ``over`` share of the length that
    cuts more than 1, 3 and 10 degrees above the cap. ``steps`` counts measurements. Slots that the job allows
    are in the histogram, but neither in ``worst_deg`` nor in ``over``; ``slots_mm`` is their cutting length.
    """

    cap_deg: float
    worst_deg: float
    worst_at: tuple[float, float, float]
    worst_line: int
    over: tuple[float, float, float]
    histogram: Floats
    entry_histogram: Floats
    steps: int
    slots_mm: float = 0.0

    def to_dict(self) -> dict[str, Any]:
        """Plain values; the histogram in bands of 5 degrees."""
        edges = np.arange(0, 181, 5)
        band = np.append(np.add.reduceat(self.histogram[:180], edges[:-1]), self.histogram[180:].sum())
        band[0] -= self.histogram[0]  # the air
        return {
            "cap_deg": self.cap_deg, "worst_deg": self.worst_deg, "worst_at": list(self.worst_at),
            "worst_line": self.worst_line, "share_over_1_3_10_deg": list(self.over),
            "histogram": {"edges_deg": [*edges.tolist(), 360], "length_mm": band.tolist()},
            "steps": self.steps, "slots_mm": self.slots_mm,
        }  # fmt: skip


@dataclass(frozen=True)
class Section:
    """One cutter's share of a program that uses several; ``tool`` its number in the text.

    ``cap_deg``, ``worst_deg`` engagement, ``removed_mm3``, ``cutting_mm`` path that removes material,
    ``time_s`` model time, ``tallest_stair_mm`` the tallest stair once this cutter is done, measured against
    what it and those before it can reach.
    """

    tool: int
    cap_deg: float
    worst_deg: float
    removed_mm3: float
    cutting_mm: float
    time_s: float
    tallest_stair_mm: float


@dataclass(frozen=True)
class Moves:
    """Arrays by motion for plots, thinned to at most `PLOT_MOTIONS` by keeping the worst of each group.

    line, time_s (model time at the motion's end), engagement_deg, depth_mm, power_kw (NaN where not known),
    chip_mm (thickest chip).
    """

    line: NDArray[np.int32]
    time_s: Floats
    engagement_deg: Floats
    depth_mm: Floats
    power_kw: Floats
    chip_mm: Floats


@dataclass(frozen=True)
class Check:
    """The verdict on one program. Lengths mm, times s (model times, see `timing`), angles degrees.

    Attributes
    ----------
    ok : no failure. failures, warnings : findings in order of lines.
    gouge_mm : deepest penetration of the true cutter into the part, 0 for none; gouge_at, gouge_line.
    allowance_mm : deepest cut into the stock allowance, 0 for none.
    removed_mm3 : volume removed. leftover : the stock as left and its measures.
    times : seconds by group: cutting, links, entries, lifts, rapids, dwells, and total.
    lengths : mm by the same groups.
    air_share : share of the length at feed that removes nothing.
    chip_share : share of the time cutting level in which the thickest chip, at the mean engagement of the
        motion, is within `CHIP_NEAR` of the one that the cutting data want at that bite, their limits of
        feed and force counted in; NaN without data.
    steepest_deg : steepest descent in material. worst_power_kw, worst_chip_mm : NaN where not known.
    engagement, moves : see there.
    sections : by cutter, in order of first use; empty for one cutter.
    """

    ok: bool
    failures: tuple[Finding, ...]
    warnings: tuple[Finding, ...]
    gouge_mm: float
    gouge_at: tuple[float, float, float]
    gouge_line: int
    allowance_mm: float
    engagement: Engagement
    removed_mm3: float
    leftover: Leftover
    times: dict[str, float]
    lengths: dict[str, float]
    air_share: float
    steepest_deg: float
    worst_power_kw: float
    worst_chip_mm: float
    chip_share: float
    moves: Moves
    program: Program
    sections: tuple[Section, ...] = ()

    @property
    def tallest_stair(self) -> float:
        """See `checkleft.Leftover`."""
        return self.leftover.tallest_stair

    @property
    def floor_error(self) -> float:
        """Largest difference of a cut flat's leftover from the floor allowance, mm; NaN without flats."""
        found = [
            abs(f["typical_mm"] - f["wanted_mm"]) for f in self.leftover.flats if f["typical_mm"] is not None
        ]
        return max(found, default=math.nan)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON, without maps and long arrays."""
        return {
            "ok": self.ok,
            "failures": [f.to_dict() for f in self.failures],
            "warnings": [f.to_dict() for f in self.warnings],
            "gouge_mm": self.gouge_mm,
            "gouge_at": [_plain(v) for v in self.gouge_at],
            "gouge_line": self.gouge_line,
            "allowance_mm": self.allowance_mm,
            "engagement": self.engagement.to_dict(),
            "removed_mm3": self.removed_mm3,
            "leftover": self.leftover.to_dict(),
            "tallest_stair": self.tallest_stair,
            "floor_error": _plain(self.floor_error),
            "times": dict(self.times),
            "lengths": dict(self.lengths),
            "air_share": self.air_share,
            "steepest_deg": self.steepest_deg,
            "worst_power_kw": _plain(self.worst_power_kw),
            "worst_chip_mm": _plain(self.worst_chip_mm),
            "chip_share": _plain(self.chip_share),
            "time_model": timing.MODEL,
            "sections": [dict(vars(s)) for s in self.sections],
        }


def _plain(value: float) -> float | None:
    return None if math.isnan(value) else value


def check(
    nc_text: str,
    job: Job,
    progress: Progress | None = None,
    part: Any = None,
    stock: Any = None,
    data: Any = None,
) -> Check:
    """Replay a program and judge it.

    Parameters
    ----------
    nc_text : the text that would go to the machine.
    job : the job it is for. progress : ``progress(stage, done, total)``; may return False to stop.
    part, stock : loaded already (`Part`, `Stock`); else loaded from the job.
    data : cutting data already proposed (`CuttingData`); else proposed when needed.

    Raises
    ------
    NcError : the text holds no motion. CheckError : nothing to replay it on. Cancelled : ``progress`` said
    so.
    """
    tell = watched(progress)
    program = read(nc_text, default_units=getattr(job, "units", "mm"))
    part, stock = _load(job, part, stock)
    case = _facts(program, job, part, stock, data, tell)
    failures, warnings = _judged(case)
    tell("leftover", 0, 1)
    return _verdict(case, part, failures, warnings)


def find_faults(
    nc_text: str, job: Job, part: Any = None, stock: Any = None, data: Any = None
) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """Failures and warnings of a program alone, without leftover, loads and time; arguments as `check`."""
    program = read(nc_text, default_units=getattr(job, "units", "mm"))
    part, stock = _load(job, part, stock)
    return _judged(_facts(program, job, part, stock, data, None))


def _judged(case: Case) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """All rules applied: failures and warnings, each in order of lines."""
    found = [*case.whole.program.findings, *checkrules.gather(case.strangers)]
    for rule in RULES:
        judged = [share.facts for share in case.shares] if rule in BY_CUTTER else [case.whole]
        found += checkrules.gather([finding for facts in judged for finding in rule(facts)])
    loaded = [finding for share in case.shares for finding in checkloads.too_much(share.facts, *share.loads)]
    found += checkrules.gather(loaded)
    found = checkrules.in_order(found)
    soft = checkrules.READER_WARNINGS | WARNINGS
    return tuple(f for f in found if f.code not in soft), tuple(f for f in found if f.code in soft)


def _load(job: Any, part: Any, stock: Any) -> tuple[Any, Any]:
    if part is None:
        from zrough import part as parts

        part = parts.load(job)
    if stock is None:
        from zrough.stock import Stock

        stock = Stock.from_job(job, part)
    return part, stock


def _proposal(job: Any, cutter: Any) -> Any:
    """Cutting data of a cutter of the job; None where the job holds too little for them."""
    from zrough.errors import ZroughError

    try:
        from zrough.cutting import propose

        return propose(job, cutter)
    except (ImportError, AttributeError, ZroughError):
        return None


def cap_of(job: Any, data: Any, cutter: Any = None) -> float:
    """Engagement cap of a cutter of a job (its first), degrees.

    Raises
    ------
    CheckError : neither the job nor the cutting data give one.
    """
    if job.roughing.engagement_deg is not None:
        return float(job.roughing.engagement_deg)
    width = getattr(job.roughing, "radial_width", None)
    if width is not None:
        diameter = float((cutter or job.cutter).diameter)
        return math.degrees(math.acos(max(-1.0, 1.0 - 2.0 * float(width) / diameter)))
    if data is None:
        raise CheckError("no engagement cap: set roughing.engagement_deg or roughing.radial_width")
    return float(data.engagement_deg)


def _refuse_far(program: Program) -> None:
    """Raise on places no machine reaches: walking there step by step would take for ever."""
    reach = np.fmax.reduce(np.abs(np.hstack([program.end, program.centre])), axis=1)
    far = np.flatnonzero(reach > FARTHEST)
    if len(far):
        raise CheckError(
            f"line {int(program.line[far[0]])}: an end or centre {reach[far[0]]:g} mm away from zero, "
            f"at most {FARTHEST:g}; correct the number or the units"
        )


@dataclass(frozen=True)
class Share:
    """What one cutter does: its motions, (n,) bool, and the facts with all that others do left out."""

    cutter: Any
    data: Any
    mine: NDArray[np.bool_]
    facts: Facts

    @cached_property
    def loads(self) -> tuple[Floats, Floats]:
        """Motor power and thickest chip by motion, see `checkloads.loads`."""
        return checkloads.loads(self.facts, self.cutter)


@dataclass(frozen=True)
class Case:
    """A program as a whole, and by cutter. ``strangers``: tools that the job does not know."""

    whole: Facts
    shares: tuple[Share, ...]
    strangers: list[Finding]
    sections: tuple[replay.Section, ...]
    part: replay.Bins


def _owners(program: Program, job: Any) -> tuple[NDArray[np.int64], list[Finding]]:
    """Place in ``job.cutters`` of the cutter that makes each motion, and tools the job does not have.

    A job of one cutter takes any number for it; a program that calls no tool starts with the first.
    """
    numbers = [int(c.number) for c in job.cutters]
    owner = np.zeros(len(program), np.int64)
    if len(numbers) == 1:
        return owner, []
    strangers = []
    for number in np.unique(program.tool).tolist():
        at = program.tool == number
        if number in numbers:
            owner[at] = numbers.index(number)
        elif number:
            m = int(np.flatnonzero(at)[0])
            x, y, z = program.end[m]
            line, known = int(program.line[m]), ", ".join(f"T{k}" for k in numbers)
            strangers.append(Finding(
                "tool-unknown", line, (float(x), float(y), float(z)), float(number), math.nan,
                f"line {line}: moves with T{number}, which the job does not have; it has {known}",
            ))  # fmt: skip
    return owner, strangers


def _facts(program: Program, job: Any, part: Any, stock: Any, data: Any, progress: Any) -> Case:
    clearance = float(job.clearance_plane(float(stock.upper[2])))
    owner, strangers = _owners(program, job)
    used = list(dict.fromkeys(owner.tolist())) or [0]
    cutters = {k: job.cutters[k] for k in used}
    bodies = {
        k: replay.body_of(c, job.holder_profile(c), float(job.holder.clearance)) for k, c in cutters.items()
    }
    proposals = {k: data if data is not None and k == 0 else _proposal(job, c) for k, c in cutters.items()}
    caps = {k: cap_of(job, proposals[k], c) for k, c in cutters.items()}
    n = len(program)
    pieces = replay.cut_into_pieces(program, clearance, min(b.radius for b in bodies.values()))
    _refuse_far(program)
    if len(pieces) == 0:
        trouble = f"; first trouble: {program.findings[0].message}" if program.findings else ""
        raise CheckError(
            "no motion of the program has a known place: X, Y and Z must each be given once before they count"
            + trouble
        )
    bins = replay.bin_part(part.triangles)
    holes = np.array([(h.x, h.y, 0.5 * h.diameter, h.bottom) for h in job.entry.pre_drilled]).reshape(-1, 4)
    sections = _sections(owner[pieces.motion], bodies, caps)
    first = sections[0]
    run = replay.replay(
        pieces, n, first.body, stock, bins, first.cap, job.roughing.cell, progress, holes, sections
    )
    if progress is not None:
        progress("gouge", 0, 2)
    shares = []
    for k, cutter in cutters.items():
        ramp = job.entry.ramp_angle_deg
        if ramp is None:
            ramp = proposals[k].ramp_angle_deg if proposals[k] is not None else RAMP_FALLBACK_DEG
        mine = owner == k
        own = run if len(cutters) == 1 else _only(run, mine)
        kept = pieces if len(cutters) == 1 else _those(pieces, mine[pieces.motion])
        depths = _depths(kept, n, bins, bodies[k], job.roughing)
        facts = Facts(
            job, program, kept, own, bodies[k], caps[k], float(ramp), clearance,
            _triple(stock.lower), _triple(stock.upper), *depths, data=proposals[k],
        )  # fmt: skip
        shares.append(Share(cutter, proposals[k], mine, facts))
    return Case(_together(shares, pieces, run), tuple(shares), strangers, sections, bins)


def _sections(
    owner: NDArray[np.int64], bodies: dict[int, Body], caps: dict[int, float]
) -> tuple[replay.Section, ...]:
    """Runs of pieces made by one cutter."""
    begins = [0, *(np.flatnonzero(np.diff(owner)) + 1).tolist(), len(owner)]
    return tuple(
        replay.Section(a, b, bodies[int(owner[a])], caps[int(owner[a])]) for a, b in pairwise(begins)
    )


def _only(run: replay.Replay, mine: NDArray[np.bool_]) -> replay.Replay:
    """What was measured of some motions, nought for the others."""
    names = ("worst", "mean", "cut_length", "volume", "depth", "met", "contact")
    kept: dict[str, Any] = {name: np.where(mine, getattr(run, name), 0) for name in names}
    return replace(run, **kept)


def _those(pieces: replay.Pieces, kept: NDArray[np.bool_]) -> replay.Pieces:
    return replay.Pieces(
        np.ascontiguousarray(pieces.rows[kept]), pieces.turns[kept], pieces.classes[kept], pieces.motion[kept]
    )


def _together(shares: list[Share], pieces: replay.Pieces, run: replay.Replay) -> Facts:
    """Facts of the whole program; its body is the widest cutter's, its cap that of the worst engagement."""
    if len(shares) == 1:
        return shares[0].facts
    every = [share.facts for share in shares]
    worst = max(every, key=lambda f: float(f.replay.worst.max(initial=0.0)) - f.cap)
    caps = np.zeros(len(shares[0].mine))
    for share in shares:
        caps[share.mine] = share.facts.cap
    changes: dict[str, Any] = {"caps": caps}
    for amount, place in (("gouge", "gouge_at"), ("eaten", "eaten_at"), ("body_depth", "body_at")):
        depth, at = getattr(every[0], amount), getattr(every[0], place)
        for facts in every[1:]:
            deeper = getattr(facts, amount) > depth
            depth = np.where(deeper, getattr(facts, amount), depth)
            at = np.where(deeper[:, None], getattr(facts, place), at)
        changes |= {amount: depth, place: at}
    widest = max(every, key=lambda f: f.body.radius).body
    return replace(worst, pieces=pieces, replay=run, body=widest, **changes)


def _depths(
    pieces: replay.Pieces, n: int, bins: replay.Bins, body: Body, cut: Any
) -> tuple[Floats, Floats, float, Floats, Floats, float, Floats, Floats]:
    """Gouges, stock allowance cut away, shank and holder in the part, as `Facts` has them."""
    wall, floor, tolerance = float(cut.wall_allowance), float(cut.floor_allowance), float(cut.tolerance)
    spare = tolerance + checkrules.EXACT
    eaten, eaten_at = replay.penetration(
        pieces, n, bins, body.radius + wall, max(0.0, body.corner + wall), floor, 0.5 * spare
    )
    gouge, gouge_at = _true_gouges(pieces, n, bins, body, eaten > 0.5 * spare)
    depth, depth_at = _body_in_part(pieces, n, bins, body)
    limit = checkrules.EXACT + max(0.0, tolerance - min(wall, floor))
    return gouge, gouge_at, limit, eaten, eaten_at, spare, depth, depth_at


def _true_gouges(
    pieces: replay.Pieces, n: int, bins: replay.Bins, body: Body, wanted: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Depth of the cutter itself; only ``wanted`` motions, those that eat into the allowance, can gouge."""
    if not wanted.any():
        return np.zeros(n), np.full((n, 3), np.nan)
    return replay.penetration(pieces, n, bins, body.radius, body.corner, 0.0, 0.5 * checkrules.EXACT, wanted)


def _body_in_part(pieces: replay.Pieces, n: int, bins: replay.Bins, body: Body) -> tuple[Floats, Floats]:
    """Shank and holder (with clearance) against the triangles, disc by disc of their outline."""
    depth, place = np.zeros(n), np.full((n, 3), np.nan)
    lowest = float(pieces.rows[:, [2, 5]].min())
    highest = float(bins.triangles[:, :, 2].max())
    for radius, height, _ in body.discs:
        if lowest + height >= highest:
            continue
        deep, at = replay.penetration(pieces, n, bins, radius, 0.0, -height, 0.5 * checkrules.EXACT)
        worse = deep > np.maximum(depth, checkrules.EXACT)
        depth[worse], place[worse] = deep[worse], at[worse]
    return depth, place


def _verdict(case: Case, part: Any, failures: tuple[Finding, ...], warnings: tuple[Finding, ...]) -> Check:
    facts = case.whole
    program, run = facts.program, facts.replay
    seconds = timing.move_times(program, facts.job.machine)
    groups = _groups(facts)
    times, lengths = _split(groups, seconds), _split(groups, np.nan_to_num(program.lengths()))
    times["dwells"] = float(sum(s for _, s in program.dwells))
    times["total"] = float(sum(times.values()))
    lengths["total"] = float(sum(lengths.values()))
    power, chip = np.full(len(program), math.nan), np.full(len(program), math.nan)
    for share in case.shares:
        for all_of_them, its_own in zip((power, chip), share.loads, strict=True):
            np.copyto(all_of_them, its_own, where=np.isfinite(its_own))
    gouge = np.where(facts.gouge > facts.gouge_limit, facts.gouge, 0.0)
    worst = int(np.argmax(gouge))
    eaten = np.where(facts.eaten > facts.eaten_limit, facts.eaten, 0.0)
    descents = facts.descending & facts.cuts
    feeding = program.kind != Motion.RAPID
    feed_length = np.where(feeding, np.nan_to_num(program.lengths()), 0.0)
    deep = gouge[worst] > 0.0
    reached = {id(s.facts.body): _lowest(program, s.mine) for s in case.shares}
    bodies = [(s.facts.body, reached[id(s.facts.body)]) for s in case.shares]
    cut = facts.job.roughing
    inside, outside = _outlines(facts.job)
    reaches = checkreach.after_each(
        run, _covered(facts.job, part, case.part), bodies,
        float(cut.wall_allowance), float(cut.floor_allowance), inside, outside,
        [Ways.of(facts.job, s.cutter) for s in case.shares], _left_by_each(case),
    )  # fmt: skip
    return Check(
        ok=not failures, failures=failures, warnings=warnings,
        gouge_mm=float(gouge[worst]),
        gouge_at=_triple(facts.gouge_at[worst]) if deep else (math.nan,) * 3,
        gouge_line=facts.line(worst) if deep else 0,
        allowance_mm=float(eaten.max()),
        engagement=_engagement(case),
        removed_mm3=float(run.volume.sum()),
        leftover=checkleft.measure(facts.job, run, part, reaches[-1]),
        times=times, lengths=lengths,
        air_share=float(feed_length[~facts.cuts].sum() / max(feed_length.sum(), 1e-9)),
        steepest_deg=float((-facts.slope_deg[descents]).max(initial=0.0)),
        worst_power_kw=float(np.nanmax(power)) if np.isfinite(power).any() else math.nan,
        worst_chip_mm=float(np.nanmax(chip)) if np.isfinite(chip).any() else math.nan,
        chip_share=_chip_share(case.shares, seconds),
        moves=_moves(facts, seconds, power, chip),
        program=program,
        sections=_by_cutter(case, seconds, reaches) if len(case.shares) > 1 else (),
    )  # fmt: skip


def _covered(job: Any, part: Any, bins: replay.Bins) -> replay.Bins:
    """The part with lids over the openings that the job says are planned as if filled.

    A rounded tip would dip into them: what stands there is left on purpose.
    """
    from zrough.covers import covered_triangles

    if getattr(job, "cover", None) is None:
        return bins
    triangles = covered_triangles(job, part, [])
    return bins if triangles is part.triangles else replay.bin_part(triangles)


def _outlines(job: Any) -> list[list[Any]]:
    """The outlines (n, 2), mm, that the cutter's centre has to stay inside and outside of."""
    from zrough.joboutlines import outlines_of

    if getattr(job, "regions", None) is None:
        return [[], []]
    return [[ring for _, ring in rings] for rings in outlines_of(job)]


def _lowest(program: Program, mine: NDArray[np.bool_]) -> float:
    return float(np.nanmin(program.end[mine, 2]))


def _by_cutter(case: Case, seconds: Floats, reaches: list[checkreach.Reach]) -> tuple[Section, ...]:
    """What each cutter adds, and the tallest stair after its last turn."""
    lengths = np.nan_to_num(case.whole.program.lengths())
    left = _left_by_each(case)
    out = []
    for k, share in enumerate(case.shares):
        stair = checkleft.tallest_stair(
            reaches[k], left[k], limit=float(share.facts.job.roughing.stair_height)
        )
        facts = share.facts
        out.append(Section(
            int(share.cutter.number), facts.cap, float(facts.replay.worst.max(initial=0.0)),
            float(facts.replay.volume.sum()), float(lengths[facts.cuts].sum()),
            float(seconds[share.mine].sum()), stair,
        ))  # fmt: skip
    return tuple(out)


def _left_by_each(case: Case) -> list[NDArray[np.float32]]:
    """The stock after each cutter's last turn, on the reach map."""
    run = case.whole.replay
    heights = [*run.after, run.heights[:: run.step, :: run.step]]
    return [
        heights[max(i for i, s in enumerate(case.sections) if s.body is share.facts.body)]
        for share in case.shares
    ]


def _triple(values: Any) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])


def _engagement(case: Case) -> Engagement:
    facts = case.whole
    run = facts.replay
    # how deep and how fast a slot may be is a matter of the cutter that cuts it
    slots = np.logical_or.reduce([checkrules.slots(share.facts) for share in case.shares])
    in_slots = float(run.cut_length[slots].sum())
    worst = int(np.argmax(np.where(slots, -math.inf, facts.excess)))
    length = max(float(run.cut_length.sum()), 1e-9)
    over = [max(0.0, float(more) - in_slots) / length for more in run.over]
    return Engagement(
        facts.cap, float(run.worst[worst]), _triple(run.worst_at[worst]), facts.line(worst),
        (over[0], over[1], over[2]), run.histogram, run.entry_histogram, run.steps, in_slots,
    )  # fmt: skip


_GROUP_NAMES = ("cutting", "links", "entries", "lifts", "rapids")


def _groups(facts: Facts) -> NDArray[np.int64]:
    """Index into `_GROUP_NAMES` by motion: what it is for, judged by what it did."""
    vertical = (facts.plan_length < 1e-6) & (np.abs(facts.rise) > 1e-6)
    out = np.where(facts.cuts, 0, 1)
    out[facts.descending & facts.cuts] = 2
    out[vertical] = 3
    out[facts.program.kind == Motion.RAPID] = 4
    return out.astype(np.int64)


def _split(groups: NDArray[np.int64], amount: Floats) -> dict[str, float]:
    total = np.bincount(groups, amount, len(_GROUP_NAMES))
    return {name: float(v) for name, v in zip(_GROUP_NAMES, total, strict=True)}


def _chip_share(shares: tuple[Share, ...], seconds: Floats) -> float:
    """See `Check.chip_share`; each cutter by its own data."""
    kept, total = 0.0, 0.0
    for share in shares:
        program, run = share.facts.program, share.facts.replay
        teeth = int(getattr(share.cutter, "flutes", 0) or 0) * np.abs(program.spindle)
        cutting = (run.cut_length > 0.0) & (teeth > 0.0)
        cutting &= (program.feed > 0.0) & (program.kind != Motion.RAPID)
        if share.data is None:
            continue
        total += float(seconds[cutting].sum())
        mean = run.mean[cutting].astype(np.float64)
        target = share.data.chip_target(mean, run.depth[cutting].astype(np.float64))
        chip = program.feed[cutting] / teeth[cutting] * np.sin(np.radians(np.minimum(mean, 90.0)))
        near = np.abs(chip - target) <= CHIP_NEAR * target
        kept += float(seconds[cutting][near].sum())
    return kept / total if total > 0.0 else math.nan


def _moves(facts: Facts, seconds: Floats, power: Floats, chip: Floats) -> Moves:
    run, n = facts.replay, len(facts.program)
    group = -(-n // PLOT_MOTIONS)
    begins = np.arange(0, n, group)
    ends = np.append(begins[1:], n) - 1

    def most(a: Any) -> Floats:
        return np.fmax.reduceat(np.asarray(a, dtype=np.float64), begins)

    return Moves(
        facts.program.line[ends],
        np.cumsum(seconds)[ends],
        most(run.worst),
        most(run.depth),
        most(power),
        most(chip),
    )
