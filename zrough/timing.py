"""Time of a program on a machine: acceleration-limited motion with look-ahead. A model, not a machine.

Each motion runs at its feed where it can. Arcs are limited to ``sqrt(a R)``; a corner between two motions to
the speed at which the control, cutting the corner by its tolerance ``delta``, keeps the acceleration ``a`` on
the arc it rounds the corner with: ``R = delta s / (1 - s)``, ``s = sin(theta / 2)``, theta the angle between
the way back and the way on (180 degrees = straight on). No motion is shorter in time than the control's block
time. Speeds at the junctions follow from one pass forward and one backward (look-ahead). A jerk limit is
taken as a moving average of the speed over ``a / jerk``, which lengthens every stretch from stop to stop by
that time; a filter of this kind reproduces real controls well (Ward, Sencer, Jones and Ozturk 2021, Accurate
prediction of machining feedrate and cycle times considering interpolator dynamics).

What real axes, drives and controls add or take away is not known here, so a time is always called model time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from zrough.ncread import Motion, Program

Floats = NDArray[np.float64]
MODEL = "model time: acceleration-limited motion with look-ahead; the machine's own time will differ"


@dataclass(frozen=True)
class Course:
    """Motions as the time model sees them, (n,) each unless told otherwise.

    Attributes
    ----------
    length : mm along the path. speed : mm/s wanted. entry, leave : (n, 3) unit vectors at start and end, zero
    for a motion without length. radius : mm, of curvature, inf on lines. stop : bool, at rest at the end.
    """

    length: Floats
    speed: Floats
    entry: Floats
    leave: Floats
    radius: Floats
    stop: NDArray[np.bool_]


def move_times(moves: Any, machine: Any, look_ahead: int | None = None) -> Floats:
    """Seconds for each motion of a `Program`, a toolpath (arrays ``xyz, feed, turn, centre``) or a `Course`.

    Parameters
    ----------
    machine : has ``acceleration`` mm/s2, ``rapid`` and ``max_feed`` mm/min, ``corner_tolerance`` mm,
        ``block_time_ms`` and ``jerk`` mm/s3 or None.
    look_ahead : number of motions the control sees ahead; None for all.

    Motions whose start or end is not known take no time here.
    """
    course = moves if isinstance(moves, Course) else course_of(moves, machine)
    acceleration = float(machine.acceleration)
    seconds = np.zeros(len(course.length))
    moving = np.flatnonzero(course.length > 0.0)
    course = _moving(course, moving)
    top = _top_speed(course, acceleration, 1e-3 * float(getattr(machine, "block_time_ms", 0.0) or 0.0))
    joint = _junctions(course, top, acceleration, float(machine.corner_tolerance))
    joint = _reachable(joint, course.length, acceleration, look_ahead)
    times = _block_times(course.length, top, joint[:-1], joint[1:], acceleration)
    jerk = getattr(machine, "jerk", None)
    if jerk:
        # A stretch ends where the speed is nought; the filter's tail is booked on its last motion.
        times[joint[1:] <= 1e-9] += acceleration / float(jerk)
    seconds[moving] = times
    return seconds


def _moving(course: Course, moving: NDArray[np.int64]) -> Course:
    """The motions that have a length; a stop on one without is handed to the one before."""
    stopped = np.concatenate([[0], np.cumsum(course.stop)])
    after = np.append(moving[1:], len(course.stop))
    stop = stopped[after] > stopped[moving]
    return Course(
        course.length[moving], course.speed[moving], course.entry[moving], course.leave[moving],
        course.radius[moving], stop,
    )  # fmt: skip


def course_of(moves: Any, machine: Any) -> Course:
    """The `Course` of a `Program` or of a toolpath whose move 0 is the start point."""
    rapid, top = float(machine.rapid) / 60.0, float(machine.max_feed) / 60.0
    if isinstance(moves, Program):
        start, end = moves.start, moves.end
        sweep, centre, plane = moves.sweep, moves.centre, moves.plane
        is_rapid = moves.kind == Motion.RAPID
        feed, stop = moves.feed, moves.exact_stop.copy()
    else:
        end = moves.xyz
        start = np.vstack([end[:1], end[:-1]])
        centre = np.column_stack([moves.centre, start[:, 2]])
        plane = np.full(len(end), 17, np.uint8)
        sweep = _sweeps(start, end, centre, moves.turn)
        feed = moves.feed
        is_rapid = ~(feed > 0.0)
        stop = np.zeros(len(end), np.bool_)
    speed = np.where(is_rapid, rapid, np.minimum(np.nan_to_num(feed / 60.0, nan=top, posinf=top), top))
    speed = np.where(speed > 0.0, speed, top)
    # Axes come to rest between positioning and feeding, and after each positioning motion.
    stop |= is_rapid
    stop[:-1] |= is_rapid[1:]
    return _course(start, end, sweep, centre, plane, speed, stop)


def _sweeps(start: Floats, end: Floats, centre: Floats, turn: NDArray[np.int8]) -> Floats:
    out = np.zeros(len(end))
    arcs = np.flatnonzero(turn)
    s, e = start[arcs] - centre[arcs], end[arcs] - centre[arcs]
    angle = np.arctan2(e[:, 1], e[:, 0]) - np.arctan2(s[:, 1], s[:, 0])
    angle = (angle * turn[arcs]) % (2.0 * math.pi)
    whole = np.hypot(*(end[arcs, :2] - start[arcs, :2]).T) < 1e-9
    out[arcs] = np.where(whole, 2.0 * math.pi, angle) * turn[arcs]
    return out


def _course(
    start: Floats, end: Floats, sweep: Floats, centre: Floats, plane: NDArray[np.uint8], speed: Floats,
    stop: NDArray[np.bool_],
) -> Course:  # fmt: skip
    step = np.nan_to_num(end - start)
    length = np.sqrt((step**2).sum(axis=1))
    entry = np.divide(step, length[:, None], out=np.zeros_like(step), where=length[:, None] > 0.0)
    leave = entry.copy()
    radius = np.full(len(length), math.inf)
    for code, (i, j, k) in {17: (0, 1, 2), 18: (2, 0, 1), 19: (1, 2, 0)}.items():
        at = np.flatnonzero((sweep != 0.0) & (plane == code))
        if not at.size:
            continue
        s, e = start[at] - centre[at], end[at] - centre[at]
        flat_radius = np.hypot(s[:, i], s[:, j])
        way = flat_radius * np.abs(sweep[at])
        rise = step[at, k]
        length[at] = np.hypot(way, rise)
        turn = np.sign(sweep[at])
        cosine = way / length[at]
        for unit, arm in ((entry, s), (leave, e)):
            size = np.maximum(np.hypot(arm[:, i], arm[:, j]), 1e-12)
            unit[at, i] = -turn * arm[:, j] / size * cosine
            unit[at, j] = turn * arm[:, i] / size * cosine
            unit[at, k] = rise / length[at]
        radius[at] = flat_radius / np.maximum(cosine, 1e-9) ** 2  # of a helix: r / cos^2
    return Course(length, speed, entry, leave, radius, stop)


def _top_speed(course: Course, acceleration: float, block_time: float) -> Floats:
    top = np.minimum(course.speed, np.sqrt(acceleration * course.radius))
    if block_time > 0.0:
        top = np.minimum(top, course.length / block_time)
    return np.asarray(np.maximum(top, 1e-6), dtype=np.float64)


def corner_speed(cosine: Floats, acceleration: float, tolerance: float) -> Floats:
    """Speed through a corner, mm/s; ``cosine`` of the angle by which the direction turns (1 straight on)."""
    s = np.sqrt(np.clip(0.5 * (1.0 + cosine), 0.0, 1.0))  # sin(theta / 2), theta = 180 degrees less the turn
    with np.errstate(divide="ignore"):
        radius = np.where(s < 1.0 - 1e-12, tolerance * s / np.maximum(1.0 - s, 1e-300), math.inf)
    return np.asarray(np.sqrt(acceleration * radius), dtype=np.float64)


def _junctions(course: Course, top: Floats, acceleration: float, tolerance: float) -> Floats:
    """Speed limits at the n + 1 ends of n motions."""
    joint = np.zeros(len(top) + 1)
    if len(top) > 1:
        cosine = (course.leave[:-1] * course.entry[1:]).sum(axis=1)
        limit = np.minimum(corner_speed(cosine, acceleration, tolerance), np.minimum(top[:-1], top[1:]))
        limit[course.stop[:-1]] = 0.0
        joint[1:-1] = limit
    return joint


def _reachable(joint: Floats, length: Floats, acceleration: float, look_ahead: int | None) -> Floats:
    """Lower the junction speeds until each can be reached from its neighbours: one pass each way.

    With squares of speeds w and way s, ``w_k = min over j of (w_j + 2 a |s_j - s_k|)``, a running minimum.
    """
    way = np.concatenate([[0.0], np.cumsum(length)])
    w, rise = joint**2, 2.0 * acceleration * way
    if look_ahead is not None:
        ahead = np.minimum(np.arange(len(way)) + look_ahead, len(way) - 1)
        w = np.minimum(w, rise[ahead] - rise)
    w = np.minimum.accumulate((w + rise)[::-1])[::-1] - rise
    w = np.minimum.accumulate(w - rise) + rise
    return np.sqrt(np.maximum(w, 0.0))


def _block_times(length: Floats, top: Floats, v0: Floats, v1: Floats, acceleration: float) -> Floats:
    """Trapezoid, or triangle where the way is too short to reach the top speed."""
    peak = np.sqrt(np.minimum(top**2, 0.5 * (2.0 * acceleration * length + v0**2 + v1**2)))
    peak = np.maximum(peak, np.maximum(v0, v1))
    ramps = (2.0 * peak**2 - v0**2 - v1**2) / (2.0 * acceleration)
    steady = np.maximum(0.0, length - ramps)
    return np.asarray(
        (2.0 * peak - v0 - v1) / acceleration + steady / np.maximum(peak, 1e-9), dtype=np.float64
    )
