"""The rules a program is held to: facts of the replay in, findings out. One function a rule."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from zrough.ncread import NOWHERE, Finding, Motion, Program
from zrough.replay import Body, Floats, Pieces, Replay, points_along

# Limits that belong to the measuring, not to the job.
EXACT = 1e-3  # mm; depth against triangles is known to a few 1e-4
TOUCH = 0.02  # mm; depth on the height map below which a contact is none
SPARE_DEG = 1.0  # degrees above the cap that the step of the replay and of the planner may differ by
ENTRY_SPARE = 0.05  # mm an entry may cut deeper than it has come down
SAME_PLACE = 0.02  # mm: places and axes this close are the same but for the rounding of what a program says
SAME_ANGLE = 1e-2  # rad: a turn in parts, each rounded, may come to this much more
STEEP_DEG = 45.0  # a descent in material steeper than this is called a plunge
CHIPS = 1e-3  # mm3; a motion that removes less is in air
MOST_OF_ONE = 50  # findings of one code; the rest is counted
MORE = " more motions, less bad than those named"

#: Findings of the reader that do not make a program wrong.
READER_WARNINGS = {
    "block-delete", "after-end", "unknown-m", "length-offset", "machine-position", "units-unstated", "no-end",
    "line-too-long",
}  # fmt: skip


@dataclass(frozen=True)
class Facts:
    """All that the rules look at. Depths of penetration by motion, mm; ``cap`` and ``ramp_limit`` degrees.

    ``caps`` by motion, where several cutters have their own.
    """

    job: Any
    program: Program
    pieces: Pieces
    replay: Replay
    body: Body
    cap: float
    ramp_limit: float
    clearance: float
    stock_lower: tuple[float, float, float]
    stock_upper: tuple[float, float, float]
    gouge: Floats
    gouge_at: Floats
    gouge_limit: float
    eaten: Floats
    eaten_at: Floats
    eaten_limit: float
    body_depth: Floats
    body_at: Floats
    data: Any = None  # cutting data, None where the job holds too little for them
    caps: Floats | None = None

    @cached_property
    def excess(self) -> Floats:
        """Engagement above the cap of the motion's own cutter, degrees."""
        caps = self.cap if self.caps is None else self.caps
        return np.asarray(self.replay.worst - caps, dtype=np.float64)

    @cached_property
    def cuts(self) -> NDArray[np.bool_]:
        """Motions that remove material."""
        return np.asarray(self.replay.volume > CHIPS)

    @cached_property
    def rise(self) -> Floats:
        """Height gained by each motion, mm; 0 where unknown."""
        return np.asarray(np.nan_to_num(self.program.end[:, 2] - self.program.start[:, 2]), dtype=np.float64)

    @cached_property
    def plan_length(self) -> Floats:
        """Length of each motion seen from above, mm."""
        length = np.nan_to_num(self.program.lengths())
        return np.asarray(np.sqrt(np.maximum(0.0, length**2 - self.rise**2)), dtype=np.float64)

    @cached_property
    def slope_deg(self) -> Floats:
        """Angle below (negative) or above level, degrees."""
        return np.degrees(np.arctan2(self.rise, np.where(self.plan_length < 1e-6, 0.0, self.plan_length)))

    @cached_property
    def descending(self) -> NDArray[np.bool_]:
        """Feed motions on a slope downward, or straight down."""
        from zrough.kernels.replay import FILM

        return np.asarray((self.rise < -FILM) & (self.program.kind != Motion.RAPID))

    def line(self, motion: int) -> int:
        """Line of the text of a motion."""
        return int(self.program.line[motion])

    def tip(self, motion: int) -> tuple[float, float, float]:
        """End of a motion."""
        x, y, z = self.program.end[motion]
        return float(x), float(y), float(z)


def gather(rule_findings: list[Finding]) -> list[Finding]:
    """At most `MOST_OF_ONE` findings of a code, worst kept first in number, in order of lines; the rest
    counted."""
    if len(rule_findings) <= MOST_OF_ONE:
        return rule_findings
    kept = sorted(rule_findings, key=lambda f: (-(f.value if f.value == f.value else 0.0), f.line))[
        :MOST_OF_ONE
    ]
    kept.sort(key=lambda f: f.line)
    more = len(rule_findings) - MOST_OF_ONE
    code = rule_findings[0].code
    last = Finding(code, 0, NOWHERE, float(more), math.nan, f"{code}: {more}{MORE}")
    return [*kept, last]


def in_order(findings: list[Finding]) -> list[Finding]:
    """In order of lines; how many more there are of a code comes last, not before all that has a line."""
    return sorted(findings, key=lambda f: (f.message.endswith(MORE), f.line))


def _place(x: float, y: float, z: float) -> tuple[float, float, float]:
    return float(x), float(y), float(z)


def _at(place: tuple[float, float, float]) -> str:
    return "at " + " ".join(
        f"{axis}{v:.3f}" for axis, v in zip("XYZ", place, strict=True) if not math.isnan(v)
    )


def gouges(facts: Facts) -> list[Finding]:
    """The cutter as it is, inside the part."""
    out = []
    for m in np.flatnonzero(facts.gouge > facts.gouge_limit).tolist():
        place, depth = _place(*facts.gouge_at[m]), float(facts.gouge[m])
        out.append(
            Finding(
                "gouge",
                facts.line(m),
                place,
                depth,
                facts.gouge_limit,
                f"line {facts.line(m)}: gouge {depth:.3f} mm deep {_at(place)}",
            )
        )
    return out


def allowance(facts: Facts) -> list[Finding]:
    """The cutter grown by the allowances, inside the part: stock that was promised is gone."""
    out = []
    cut = facts.job.roughing
    for m in np.flatnonzero((facts.eaten > facts.eaten_limit) & ~(facts.gouge > facts.gouge_limit)).tolist():
        place, depth = _place(*facts.eaten_at[m]), float(facts.eaten[m])
        out.append(Finding(
            "allowance", facts.line(m), place, depth, facts.eaten_limit,
            f"line {facts.line(m)}: {depth:.3f} mm of the stock allowance (walls {cut.wall_allowance:g}, "
            f"floors {cut.floor_allowance:g} mm) is cut away {_at(place)}",
        ))  # fmt: skip
    return out


def overloads(facts: Facts) -> list[Finding]:
    """Engagement above the cap in level cutting, but for the slots that the job allows."""
    out = []
    limit = facts.cap + SPARE_DEG
    worst = facts.replay.worst
    over = (worst > limit) & ~slots(facts)
    for m in np.flatnonzero(over).tolist():
        place = _place(*facts.replay.worst_at[m])
        out.append(Finding(
            "overload", facts.line(m), place, float(worst[m]), facts.cap,
            f"line {facts.line(m)}: engagement {worst[m]:.1f} degrees {_at(place)}, cap {facts.cap:.1f}",
        ))  # fmt: skip
    return out


def slots(facts: Facts) -> NDArray[np.bool_]:
    """Motions over the cap that a job with ``slotting = true`` allows.

    A slot is straight and level, at most one diameter deep (`cutting.advice.SLOT_DEPTH`), and no faster than
    the cutting data allow a full slot of its depth. Without cutting data nothing is a slot.
    """
    from zrough.cutting.advice import SLOT_DEPTH
    from zrough.kernels.replay import FILM

    over = facts.replay.worst > facts.cap + SPARE_DEG
    found = np.zeros_like(over)
    if not over.any() or not bool(getattr(facts.job.roughing, "slotting", False)):
        return found
    program, depth = facts.program, facts.replay.depth
    at = np.flatnonzero(over & (program.kind == Motion.LINE) & (np.abs(facts.rise) <= FILM))
    at = at[depth[at] <= SLOT_DEPTH * 2.0 * facts.body.radius + FILM]
    if facts.data is not None and at.size:
        # A spindle slower than proposed makes the chip of the same feed thicker.
        speed = np.minimum(1.0, np.abs(program.spindle[at]) / facts.data.spindle_rpm)
        found[at] = program.feed[at] <= facts.data.feed_for(180.0, depth[at]) * speed * 1.001
    return found


def entry_depths(facts: Facts) -> list[Finding]:
    """A descent that cuts deeper than it has come down began inside material: a slot, not an entry.

    What it came down through air does not count, but for the last turn or the last two legs: the cutter has
    been at the same places that much higher, and took all that stood above.
    """
    out = []
    down = facts.descending
    begin = math.nan
    for m in np.flatnonzero(down).tolist():
        if m == 0 or not (down[m - 1] and facts.cuts[m - 1]):
            begin = float(facts.program.start[m, 2])
        depth, end = float(facts.replay.depth[m]), float(facts.program.end[m, 2])
        if not facts.cuts[m] or depth <= begin - end + ENTRY_SPARE or facts.plan_length[m] <= 1e-6:
            continue
        begin = max(begin, float(facts.program.start[_turn_back(facts, m), 2]))
        come = begin - end
        if depth > come + ENTRY_SPARE:
            x, y = facts.replay.depth_at[m]
            place = _place(x, y, end)
            out.append(Finding(
                "overload", facts.line(m), place, depth, come,
                f"line {facts.line(m)}: a descent of {come:.2f} mm cuts {depth:.2f} mm deep {_at(place)}; "
                "it began in material",
            ))  # fmt: skip
    return out


def _turn_back(facts: Facts, motion: int) -> int:
    """The motion of the same descent that passed, a turn or two legs ago, where this one ends; else itself.

    In the first turn it is the descent's first motion; of straight ones as long as none is a diameter away.
    """
    program, near = facts.program, 2.0 * facts.body.radius
    end, turn = program.end[motion, :2], float(program.sweep[motion])
    angle, away = 0.0, False
    for k in range(motion, -1, -1):
        start = program.start[k, :2]
        off = float(np.hypot(*(start - end)))
        if not facts.descending[k] or facts.plan_length[k] < 1e-6 or program.sweep[k] * turn < 0.0:
            return k + 1 if k < motion and near > 0.0 else motion
        if (program.sweep[k] == 0.0) != (turn == 0.0):
            return motion
        if turn != 0.0:
            angle += abs(float(program.sweep[k]))
            if np.hypot(*(program.centre[k, :2] - program.centre[motion, :2])) > SAME_PLACE:
                return motion
            if angle > 2.0 * math.pi - SAME_ANGLE:
                return k
        elif away and _plan_distance(start[None], program.end[k : k + 1, :2], end)[0] <= SAME_PLACE:
            return k
        away |= off > 2.0 * SAME_PLACE
        near = near if turn != 0.0 or off <= near else 0.0
    return 0 if near > 0.0 else motion


def rises(facts: Facts) -> list[Finding]:
    """A rising motion that cuts wider than the cap allows.

    The arc of a cut is measured on level motions only. The mean width of a cut, its volume by its length and
    greatest depth, is at most its greatest width, so what fails here is too wide for certain. A cut no deeper
    than the rise is a ridge on the way up.
    """
    from zrough.kernels.replay import FILM

    out = []
    limit = facts.body.radius * (1.0 - math.cos(math.radians(min(180.0, facts.cap + SPARE_DEG))))
    rising = (facts.rise > FILM) & (facts.plan_length > 1e-6) & (facts.program.kind != Motion.RAPID)
    rising &= facts.cuts & (facts.replay.depth > facts.rise + ENTRY_SPARE)
    for m in np.flatnonzero(rising).tolist():
        depth = float(facts.replay.depth[m])
        width = float(facts.replay.volume[m]) / (float(facts.plan_length[m]) * depth)
        if width > limit:
            x, y = facts.replay.depth_at[m]
            place = _place(x, y, facts.program.end[m, 2])
            out.append(Finding(
                "overload", facts.line(m), place, width, limit,
                f"line {facts.line(m)}: a rising motion cuts {width:.2f} mm wide and {depth:.2f} mm deep "
                f"{_at(place)}; the cap allows a width of {limit:.2f}",
            ))  # fmt: skip
    return out


def descents(facts: Facts) -> list[Finding]:
    """Plunges and ramps over the limit, where material is met."""
    out = []
    slope = -facts.slope_deg
    straight = facts.plan_length < 1e-6
    in_material = np.where(straight, facts.replay.met > TOUCH, facts.cuts & (facts.replay.depth > TOUCH))
    for m in np.flatnonzero(facts.descending & in_material & (slope > facts.ramp_limit + 0.05)).tolist():
        place = facts.tip(m)
        if slope[m] > STEEP_DEG:
            out.append(
                Finding(
                    "plunge",
                    facts.line(m),
                    place,
                    float(slope[m]),
                    facts.ramp_limit,
                    f"line {facts.line(m)}: plunge into material {_at(place)}",
                )
            )
        else:
            out.append(Finding(
                "ramp-angle", facts.line(m), place, float(slope[m]), facts.ramp_limit,
                f"line {facts.line(m)}: ramp of {slope[m]:.2f} degrees {_at(place)}, limit "
                f"{facts.ramp_limit:.2f}",
            ))  # fmt: skip
    return out


def rapids(facts: Facts) -> list[Finding]:
    """Rapids in material, or below the clearance plane unless straight up."""
    out = []
    program, replay = facts.program, facts.replay
    is_rapid = program.kind == Motion.RAPID
    known = ~np.isnan(program.end[:, 2])
    lowest = np.fmin(program.start[:, 2], program.end[:, 2])
    straight_up = (facts.plan_length < 1e-6) & (facts.rise >= 0.0)
    low = is_rapid & known & (lowest < facts.clearance - 0.01) & ~straight_up
    met = is_rapid & (replay.met > TOUCH)
    for m in np.flatnonzero(met).tolist():
        x, y = replay.met_at[m]
        place = _place(x, y, lowest[m])
        out.append(
            Finding(
                "rapid-in-material",
                facts.line(m),
                place,
                float(replay.met[m]),
                0.0,
                f"line {facts.line(m)}: rapid {replay.met[m]:.2f} mm deep in material {_at(place)}",
            )
        )
    for m in np.flatnonzero(low & ~met).tolist():
        place = facts.tip(m)
        out.append(Finding(
            "rapid-low", facts.line(m), place, float(lowest[m]), facts.clearance,
            f"line {facts.line(m)}: rapid at Z{lowest[m]:.3f}, below the clearance plane "
            f"Z{facts.clearance:.3f}",
        ))  # fmt: skip
    return out


def feeds_and_spindle(facts: Facts) -> list[Finding]:
    """Feeds and speeds over the machine's, cutting with the spindle at rest or the wrong way."""
    out: list[Finding] = []
    program, machine = facts.program, facts.job.machine
    feeding = program.kind != Motion.RAPID
    _first(
        out,
        facts,
        "feed-limit",
        feeding & (program.feed > machine.max_feed * (1 + 1e-6)),
        program.feed,
        machine.max_feed,
        "feed {value:.0f} mm/min, the machine allows {limit:.0f}",
    )
    speed = np.abs(program.spindle)
    _first(
        out,
        facts,
        "spindle-limit",
        feeding & (speed > machine.max_spindle_rpm * (1 + 1e-6)),
        speed,
        machine.max_spindle_rpm,
        "spindle {value:.0f} 1/min, the machine allows {limit:.0f}",
    )
    least = float(getattr(machine, "min_spindle_rpm", 0.0) or 0.0)
    _first(
        out,
        facts,
        "spindle-limit",
        facts.cuts & (speed > 0) & (speed < least * (1 - 1e-6)),
        speed,
        least,
        "spindle {value:.0f} 1/min, the machine's least is {limit:.0f}",
    )
    _first(
        out,
        facts,
        "spindle-stopped",
        facts.cuts & feeding & (speed <= 0.0),
        speed,
        math.nan,
        "cutting with the spindle at rest",
    )
    _first(
        out,
        facts,
        "spindle-direction",
        facts.cuts & feeding & (program.spindle < 0.0),
        program.spindle,
        math.nan,
        "cutting with the spindle turning counter-clockwise (M4)",
    )
    return out


def _first(
    out: list[Finding],
    facts: Facts,
    code: str,
    bad: NDArray[np.bool_],
    value: Floats,
    limit: float,
    text: str,
) -> None:
    """One finding for each run of bad motions that follow each other: a modal word is wrong once."""
    at = np.flatnonzero(bad)
    begins = at[np.append(True, np.diff(at) > 1)] if at.size else at
    last = math.nan
    for m in begins.tolist():
        if value[m] == last:
            continue
        last = float(value[m])
        message = text.format(value=value[m], limit=limit)
        out.append(
            Finding(
                code, facts.line(m), facts.tip(m), float(value[m]), limit, f"line {facts.line(m)}: {message}"
            )
        )


def travel(facts: Facts) -> list[Finding]:
    """Positions outside the machine's axes."""
    out = []
    machine = facts.job.machine
    ends = facts.pieces.rows[:, 3:6]
    for name, given, sign in (("lowest", machine.travel_min, -1.0), ("highest", machine.travel_max, 1.0)):
        if given is None:
            continue
        limit = np.asarray(given, dtype=np.float64)
        worst = np.fmax(sign * (facts.program.end - limit), -math.inf)  # what is not known is not outside
        np.maximum.at(worst, facts.pieces.motion, sign * (ends - limit))
        for m in np.flatnonzero((worst > 1e-6).any(axis=1)).tolist():
            axis = int(np.argmax(worst[m]))
            value = float(given[axis] + sign * worst[m, axis])
            out.append(Finding(
                "travel", facts.line(m), facts.tip(m), value, float(given[axis]),
                f"line {facts.line(m)}: {'XYZ'[axis]}{value:.3f} lies outside the machine's travel ({name} "
                f"{given[axis]:g})",
            ))  # fmt: skip
    return out


def bodies(facts: Facts) -> list[Finding]:
    """Shank and holder in stock or part; flutes too short for the depth."""
    out = []
    replay, body = facts.replay, facts.body
    clearance = float(facts.job.holder.clearance)
    deep = np.maximum(replay.contact, 0.0)
    for m in np.flatnonzero((deep > TOUCH) | (facts.body_depth > EXACT)).tolist():
        if deep[m] > TOUCH:
            x, y = replay.contact_at[m]
            name = _which_body(facts, m, float(x), float(y))
            what, value = "the stock", float(deep[m])
            place = _place(x, y, facts.program.end[m, 2])
        else:
            place, value, what = _place(*facts.body_at[m]), float(facts.body_depth[m]), "the part"
            name = _which_body(facts, m, place[0], place[1])
        extra = f" (clearance of {clearance:g} mm included)" if name == "holder" else ""
        out.append(
            Finding(
                name,
                facts.line(m),
                place,
                value,
                0.0,
                f"line {facts.line(m)}: {name} {value:.2f} mm into {what} {_at(place)}{extra}",
            )
        )
    # a film on a wall beside the cutter's circle is not under it
    flute = body.flute_length
    shallow = (replay.met > flute + TOUCH) & (deep <= TOUCH) & (facts.program.kind != Motion.RAPID)
    for m in np.flatnonzero(shallow).tolist():
        x, y = replay.met_at[m]
        place = _place(x, y, facts.program.end[m, 2])
        out.append(Finding(
            "flute-length", facts.line(m), place, float(replay.met[m]), flute,
            f"line {facts.line(m)}: cut {replay.met[m]:.2f} mm deep {_at(place)}, "
            f"the flutes are {flute:g} mm long",
        ))  # fmt: skip
    return out


def _which_body(facts: Facts, motion: int, x: float, y: float) -> str:
    """Holder or shank: by how far the contact stands from the motion's path in plan."""
    at = np.flatnonzero(facts.pieces.motion == motion)
    a, b = facts.pieces.rows[at, 0:2], facts.pieces.rows[at, 3:5]
    away = float(_plan_distance(a, b, np.array([x, y])).min())
    return "shank" if away < facts.body.shank_radius + 0.02 else "holder"


def _plan_distance(a: Floats, b: Floats, point: Floats) -> Floats:
    d = b - a
    t = np.clip(((point - a) * d).sum(axis=1) / np.maximum((d * d).sum(axis=1), 1e-30), 0.0, 1.0)
    return np.asarray(np.hypot(*(a + t[:, None] * d - point).T), dtype=np.float64)


def keepouts(facts: Facts) -> list[Finding]:
    """Cutter, shank or holder in a clamp or vise box."""
    out = []
    for box in getattr(facts.job, "keepouts", None) or ():
        low, high = np.asarray(box.min, dtype=np.float64), np.asarray(box.max, dtype=np.float64)
        depth = _box_depth(facts, low, high)
        worst = np.full(len(facts.program), -math.inf)
        np.maximum.at(worst, facts.pieces.motion, depth)
        name = getattr(box, "name", "") or "keep-out box"
        for m in np.flatnonzero(worst > 1e-6).tolist():
            place = facts.tip(m)
            out.append(Finding(
                "keepout", facts.line(m), place, float(worst[m]), 0.0,
                f"line {facts.line(m)}: {worst[m]:.2f} mm into '{name}' {_at(place)}",
            ))  # fmt: skip
    return out


def _box_depth(facts: Facts, low: Floats, high: Floats) -> Floats:
    """How far each piece's cutter, shank and holder reach into a box in plan, mm; negative clear, by piece.

    The body that counts is the widest at heights the box has over the tip. Sloping pieces are looked at in
    parts of at most 0.5 mm of height, each at its lower end.
    """
    rows, turns = facts.pieces.rows, facts.pieces.turns
    stages = [(facts.body.radius, 0.0), *((r, h) for r, h, _ in facts.body.discs)]
    out = np.full(len(rows), -math.inf)
    reach = max(r for r, _ in stages)
    bulge = _bulges(rows, turns)
    near = (
        (np.minimum(rows[:, 0], rows[:, 3]) - bulge < high[0] + reach)
        & (np.maximum(rows[:, 0], rows[:, 3]) + bulge > low[0] - reach)
        & (np.minimum(rows[:, 1], rows[:, 4]) - bulge < high[1] + reach)
        & (np.maximum(rows[:, 1], rows[:, 4]) + bulge > low[1] - reach)
        & (np.minimum(rows[:, 2], rows[:, 5]) < high[2])
    )
    at = np.flatnonzero(near)
    parts = np.clip(
        np.ceil(np.maximum(np.abs(rows[at, 5] - rows[at, 2]) / 0.5, bulge[at] / 0.001)), 1, 400
    ).astype(np.int64)
    piece = np.repeat(at, parts)
    step = np.arange(len(piece)) - np.repeat(np.cumsum(parts) - parts, parts)
    share = np.repeat(parts, parts)
    a = points_along(facts.pieces, piece, step / share)
    b = points_along(facts.pieces, piece, (step + 1) / share)
    gap = _segment_box_gap(a, b, low, high)
    z = np.minimum(a[:, 2], b[:, 2])
    wide = np.full(len(piece), -math.inf)
    for k, (radius, height) in enumerate(stages):
        above = stages[k + 1][1] if k + 1 < len(stages) else math.inf
        inside = (z + height < high[2]) & (z + max(above, height) > low[2])
        wide = np.where(inside, np.maximum(wide, radius), wide)
    np.maximum.at(out, piece, np.where(np.isfinite(wide), wide - gap, -math.inf))
    return out


def _bulges(rows: Floats, turns: NDArray[np.int8]) -> Floats:
    radius = np.hypot(rows[:, 0] - rows[:, 6], rows[:, 1] - rows[:, 7])
    middle = np.hypot(
        0.5 * (rows[:, 0] + rows[:, 3]) - rows[:, 6], 0.5 * (rows[:, 1] + rows[:, 4]) - rows[:, 7]
    )
    return np.where(turns != 0, np.maximum(0.0, radius - middle), 0.0)


def _segment_box_gap(a: Floats, b: Floats, low: Floats, high: Floats) -> Floats:
    """Distance in plan of segments from a rectangle, 0 where they cross it."""
    corners = np.array([[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]])
    gap = np.minimum.reduce([_plan_distance(a[:, :2], b[:, :2], c) for c in corners])
    for p in (a, b):
        outside = np.maximum(np.maximum(low[:2] - p[:, :2], p[:, :2] - high[:2]), 0.0)
        gap = np.minimum(gap, np.hypot(outside[:, 0], outside[:, 1]))
    # A segment that crosses the rectangle: clip it to both slabs.
    d = b[:, :2] - a[:, :2]
    with np.errstate(divide="ignore", invalid="ignore"):
        t0, t1 = (low[:2] - a[:, :2]) / d, (high[:2] - a[:, :2]) / d
    flat = d == 0.0
    inside = (a[:, :2] >= low[:2]) & (a[:, :2] <= high[:2])
    first = np.where(flat, np.where(inside, -math.inf, math.inf), np.minimum(t0, t1)).max(axis=1)
    last = np.where(flat, np.where(inside, math.inf, -math.inf), np.maximum(t0, t1)).min(axis=1)
    return np.where(np.maximum(first, 0.0) <= np.minimum(last, 1.0), 0.0, gap)


def units(facts: Facts) -> list[Finding]:
    """A program whose size is about 25.4 times off the stock: the unit word is wrong."""
    program = facts.program
    feeding = program.kind != Motion.RAPID
    ends = program.end[feeding]
    ends = ends[~np.isnan(ends).any(axis=1)]
    if len(ends) < 2:
        return []
    size = float(np.ptp(ends[:, :2], axis=0).max())
    stock = float(max(facts.stock_upper[k] - facts.stock_lower[k] for k in (0, 1))) + 2.0 * facts.body.radius
    line, said = program.units_line, program.units or "mm (no unit word)"
    if size > 8.0 * stock:
        return [
            Finding(
                "unit",
                line,
                NOWHERE,
                size,
                stock,
                f"line {line}: cuts reach over {size:.0f} mm, the stock over {stock:.0f}; "
                f"is {said} the right unit?",
            )
        ]
    if size < stock / 12.0:
        code = (
            "unit" if program.units and program.units != getattr(facts.job, "units", "mm") else "unit-doubt"
        )
        return [
            Finding(
                code,
                line,
                NOWHERE,
                size,
                stock,
                f"line {line}: cuts reach over {size:.2f} mm, the stock over {stock:.0f}; "
                f"is {said} the right unit?",
            )
        ]
    return []
