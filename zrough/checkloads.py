"""Loads of motions by the cutting data: motor power and thickest chip, and where they are too much.

A foreign program may be bolder than the proposal; so only `BOLDEST` times the wanted chip is faulted, and
`BOLDEST` times the feed at which bending, the holder's grip or the motor stops the same bite. What a feed
meant for links, for another cutter or typed twice as high does in a cut lies beyond that.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from zrough.checkrules import TOUCH, Facts
from zrough.kernels.replay import SKIN
from zrough.ncread import Finding, Motion
from zrough.replay import Floats

BOLDEST = 1.8  # of what is wanted; programs made from the data stay within 1.1
UNSEEN = 4.0  # the same where no arc is measured and the cut's width is a mean
SHAVING = 1.0  # mm3 that a motion takes from which on it is asked about there
STRETCH = 0.2  # radii of path over which a mean width is taken: cells at the rim give what they hold late
FILM_BITES = 1.6  # of `SKIN`: a link may brush a wall's film this wide at link feed, no tooth minds
POWER_SPARE = 0.05  # share of the motor's power: the model's own rounding over a motion


def loads(facts: Facts, cutter: Any) -> tuple[Floats, Floats]:
    """Motor power kW and thickest chip mm of a cutter's motions, (n,); NaN where nothing is cut or no cutting
    data are known."""
    program, run, data = facts.program, facts.replay, facts.data
    power, chip = np.full(len(program), math.nan), np.full(len(program), math.nan)
    rpm = np.abs(program.spindle)
    flutes = int(getattr(cutter, "flutes", 0) or 0)
    cutting = np.flatnonzero((run.worst > 0.0) & (rpm > 0.0) & (program.feed > 0.0))
    if not flutes or not cutting.size:
        return power, chip
    per_tooth = program.feed[cutting] / (flutes * rpm[cutting])
    arc = np.minimum(run.worst[cutting], 180.0).astype(np.float64)
    chip[cutting] = per_tooth * np.sin(np.radians(np.minimum(arc, 90.0)))
    if data is None:
        return power, chip
    from zrough.cutting import forces

    # What stands higher than anything under the cutter is a film on a wall: it fills a skin of the circle
    # alone, and only that share of the arc is as deep.
    met = run.met[cutting]
    film = np.maximum(run.depth[cutting] - met, 0.0)
    skin = math.degrees(math.acos(max(-1.0, 1.0 - SKIN / facts.body.radius)))
    for speed in np.unique(rpm[cutting]):
        at = rpm[cutting] == speed
        power[cutting[at]] = sum(
            forces(
                data.material, cutter, part_of_arc, depth, per_tooth[at], float(speed),
                efficiency=float(data.efficiency), peaks=False,
            ).power_kw
            for part_of_arc, depth in ((arc[at], met[at]), (np.minimum(arc[at], skin), film[at]))
        )  # fmt: skip
    return power, chip


def too_much(facts: Facts, power: Floats, chip: Floats) -> list[Finding]:
    """Motions of one cutter whose chip is far thicker than wanted, or that ask more of the motor than it
    has; the first under each feed given."""
    out: list[Finding] = []
    wanted = float(getattr(facts.data, "max_chip", 0.0) or 0.0)
    arc = np.radians(np.minimum(facts.replay.worst, 180.0).astype(np.float64))
    bites = facts.body.radius * (1.0 - np.cos(arc)) > FILM_BITES * SKIN
    bites &= facts.replay.met > TOUCH  # a path cut twice meets its own edge all along, and nothing inside it
    thick = (
        bites & (np.nan_to_num(chip) > BOLDEST * wanted) if wanted > 0.0 else np.zeros(len(chip), np.bool_)
    )
    thick &= facts.program.feed <= facts.job.machine.max_feed * (1.0 + 1e-6)  # others are faults anyway
    for m in _once_a_feed(facts, thick):
        x, y, z = facts.replay.worst_at[m].tolist()
        out.append(Finding(
            "feed-high", facts.line(m), (x, y, z), float(chip[m]), BOLDEST * wanted,
            f"line {facts.line(m)}: chip {chip[m]:.3f} mm thick at X{x:.3f} Y{y:.3f} Z{z:.3f} with "
            f"F{facts.program.feed[m]:.0f}, the cutting data want {wanted:.3f}",
        ))  # fmt: skip
    out += _too_bold(facts, bites & ~thick)
    out += _too_bold_unseen(facts)
    limit = facts.job.machine.power_kw
    if limit is not None:
        for m in _once_a_feed(facts, np.nan_to_num(power) > limit * (1.0 + POWER_SPARE)):
            out.append(Finding(
                "power", facts.line(m), facts.tip(m), float(power[m]), float(limit),
                f"line {facts.line(m)}: cutting takes {power[m]:.2f} kW, the spindle has {limit:.2f}",
            ))  # fmt: skip
    return out


def _too_bold(facts: Facts, asked: NDArray[np.bool_]) -> list[Finding]:
    """Motions ``asked`` about, (n,), fed far over the feed at which a limit of force stops the same bite."""
    program, run, data = facts.program, facts.replay, facts.data
    if data is None:
        return []
    asked = asked & (run.met > TOUCH) & (program.kind != Motion.RAPID) & (program.spindle != 0.0)
    asked &= (program.feed > 0.0) & (program.feed <= facts.job.machine.max_feed * (1.0 + 1e-6))
    at = np.flatnonzero(asked)
    allowed = np.full(len(program), math.inf)
    speed = np.abs(program.spindle[at]) / data.spindle_rpm
    allowed[at] = data.top_feed(run.worst[at].astype(np.float64), run.met[at]) * speed
    out = []
    for m in _once_a_feed(facts, program.feed > BOLDEST * allowed):
        bite = f"with {run.worst[m]:.1f} degrees in material"
        out.append(_fed_high(facts, m, run.worst_at[m].tolist(), bite, BOLDEST, float(allowed[m])))
    return out


def _too_bold_unseen(facts: Facts) -> list[Finding]:
    """Motions without a measured arc, on slopes or under the rounding of the tip alone, fed far too fast.

    The width is a mean, at most the true one; the feeds of helix and ramp are allowed to all of them.
    """
    program, run, data = facts.program, facts.replay, facts.data
    if data is None:
        return []
    asked = (run.worst <= 0.0) & (run.volume > SHAVING) & (run.met > TOUCH) & (facts.plan_length > 1e-6)
    asked &= (program.kind != Motion.RAPID) & (program.spindle != 0.0)
    asked &= program.feed <= facts.job.machine.max_feed * (1.0 + 1e-6)
    at = np.flatnonzero(asked)
    radius = facts.body.radius
    arc = np.degrees(np.arccos(np.clip(1.0 - _mean_width(facts, at) / radius, -1.0, 1.0)))
    entry = max(data.helix_feed, data.ramp_feed)
    wanted = np.full(len(program), math.inf)
    speed = np.abs(program.spindle[at]) / data.spindle_rpm
    wanted[at] = np.maximum(data.feed_for(arc, run.met[at]), entry) * speed
    out = []
    for m in _once_a_feed(facts, program.feed > UNSEEN * wanted):
        place = [*run.met_at[m].tolist(), float(program.end[m, 2])]
        out.append(_fed_high(facts, m, place, "through material", UNSEEN, float(wanted[m])))
    return out


def _mean_width(facts: Facts, at: NDArray[np.int64]) -> Floats:
    """Volume by length and greatest depth, mm, of motions ``at``.

    A short motion is lent what the cells at its rim kept of those before: the width of the path around it,
    `STRETCH` long, holds where it is less.
    """
    long = facts.plan_length
    apart = np.flatnonzero((facts.program.kind == Motion.RAPID) | (long <= 1e-6))
    ends = np.concatenate(([-1], apart, [len(long)]))
    run = np.searchsorted(ends, at) - 1
    gone = np.concatenate(([0.0], np.cumsum(long)))
    taken = np.concatenate(([0.0], np.cumsum(facts.replay.volume)))
    stretch = STRETCH * facts.body.radius
    more = 0.5 * np.maximum(0.0, stretch - long[at])
    low = np.maximum(np.searchsorted(gone, gone[at] - more, side="right") - 1, ends[run] + 1)
    high = np.minimum(np.searchsorted(gone, gone[at + 1] + more), ends[run + 1])
    depth = facts.replay.depth
    deep = np.array([depth[a:b].max() for a, b in zip(low, high, strict=True)])
    around = (taken[high] - taken[low]) / (np.maximum(gone[high] - gone[low], stretch) * deep)
    return np.asarray(np.minimum(facts.replay.volume[at] / (long[at] * depth[at]), around))


def _fed_high(facts: Facts, m: int, place: list[float], bite: str, times: float, allowed: float) -> Finding:
    x, y, z = place
    feed, deep = float(facts.program.feed[m]), facts.replay.met[m]
    return Finding(
        "feed-high", facts.line(m), (x, y, z), feed, times * allowed,
        f"line {facts.line(m)}: F{feed:.0f} {bite} {deep:.2f} mm deep at X{x:.3f} Y{y:.3f} Z{z:.3f}, "
        f"the cutting data allow F{allowed:.0f}",
    )  # fmt: skip


def _once_a_feed(facts: Facts, bad: NDArray[np.bool_]) -> list[int]:
    """The first bad motion under each feed as it was given: a modal word is wrong once."""
    feed = facts.program.feed
    given = np.cumsum(np.append(0, np.diff(feed) != 0.0))
    at = np.flatnonzero(bad)
    return [int(m) for m in at[np.unique(given[at], return_index=True)[1]]]
