"""Polylines -> lines and circular arcs within a tolerance, and back to chords.

Rings come as closely spaced points. A control reads a block in about a millisecond, so a path of short
chords makes it slow down; lines and arcs as long as the tolerance allows keep program and machine quick.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import PlanError
from .toolpath import Kind, Toolpath

MAX_RADIUS = 2000.0  # mm; a flatter arc is a line within any tolerance that matters
FINEST = 0.01  # mm: a larger tolerance leaves paths no coarser, for the arc in material turns with them
SHARE = 0.2  # of the tolerance: for arcs, chords and the place of the last decimal
BEND = 0.04  # rad: how far a chord may turn where it cuts; the arc in material begins half of it earlier
FALL = 0.01  # mm of height from one chord of a helix to the next
FEWEST = 12  # chords of a helix in a whole turn, at least
BESIDE = 0.015  # mm: a turn on the level so far beside the chords of a helix reads as a cut of its own
SAME = 1e-6  # mm: a helix and the turn at its end have centre and radius alike
LEVEL = 1e-6  # mm: a smaller change of height is rounding, and the arc no helix


def closeness(tolerance: float) -> float:
    """How far a path may lie from the walk that it follows, mm, of the job's ``tolerance``."""
    return SHARE * min(tolerance, FINEST)


@dataclass(frozen=True)
class Segments:
    """Lines and arcs that follow a polyline, each from the end of the one before it.

    Attributes
    ----------
    start : (2,) or (3,) float64. The first point.
    ends : (m, 2) or (m, 3) float64. End point of each segment; always one of the input points.
    turn : (m,) int8; 0 line, +1 counter-clockwise arc, -1 clockwise; always below 170 degrees.
    centre : (m, 2) float64; arc centre in plan, NaN on lines; as far from both ends to rounding error.
    joints : (m + 1,) int64. Segment k follows the input points ``joints[k]`` to ``joints[k + 1]``.
    """

    start: NDArray[np.float64]
    ends: NDArray[np.float64]
    turn: NDArray[np.int8]
    centre: NDArray[np.float64]
    joints: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.ends)

    def largest(self, values: ArrayLike) -> NDArray[np.float64]:
        """Largest of ``values`` along each segment, shape (m,).

        ``values`` (n,) belong to the input's steps: entry p to the step from point p - 1 to point p.
        """
        given = np.asarray(values)
        return np.maximum.reduceat(given, self.joints[:-1] + 1) if len(self) else given[:0]

    def smallest(self, values: ArrayLike) -> NDArray[np.float64]:
        """Smallest of ``values`` along each segment, shape (m,); see `largest`."""
        given = np.asarray(values)
        return np.minimum.reduceat(given, self.joints[:-1] + 1) if len(self) else given[:0]


def fit(
    points: ArrayLike,
    tolerance: float,
    min_length: float = 0.0,
    max_radius: float = MAX_RADIUS,
    breaks: ArrayLike | None = None,
    stray: float = math.inf,
) -> Segments:
    """Few lines and arcs that follow a polyline, all within ``tolerance`` of it and it of them.

    Parameters
    ----------
    points : (n, 2) or (n, 3) float, mm. With heights, arcs become helices whose height grows evenly
        along the arc. A loop is closed by repeating its first point at the end.
    tolerance : float, mm, > 0. Largest distance in space between polyline and result, both ways,
        the polyline's chords included.
    min_length : float, mm. Segments shorter than this are avoided where the tolerance allows.
    max_radius : float, mm. No arc is flatter.
    stray : float, rad. No step of the polyline differs in direction by more from the line or arc that stands
        for it; lets a wiggle much smaller than the tolerance through, a kink not.
    breaks : (k,) int, optional. Input points where a segment must end (a change of feed or of purpose).

    Raises
    ------
    PlanError : a coordinate is not a number, or the tolerance is not above zero.
    """
    return _fit(points, tolerance, min_length, max_radius, breaks, keep_breaks=False, stray=stray)


def _fit(
    points: ArrayLike,
    tolerance: float,
    min_length: float,
    max_radius: float,
    breaks: ArrayLike | None,
    keep_breaks: bool,
    stray: float = math.inf,
) -> Segments:
    """`fit`; with ``keep_breaks`` a move that ends where it began (a full circle) survives as well."""
    given = np.ascontiguousarray(points, dtype=np.float64)
    if given.ndim != 2 or given.shape[1] not in (2, 3):
        raise PlanError(f"arc fit: points have shape {given.shape}, expected (n, 2) or (n, 3)")
    if not tolerance > 0:
        raise PlanError(f"arc fit: tolerance is {tolerance:g} mm, must be above 0")
    if not np.isfinite(given).all():
        bad = int(np.flatnonzero(~np.isfinite(given).all(axis=1))[0])
        raise PlanError(f"arc fit: point {bad} is not a number; remove it before fitting")
    kept, stops = _steps(given, breaks, keep_breaks)
    if len(kept) < 2:
        nothing = np.zeros(0)
        start = given[0] if len(given) else np.zeros(given.shape[1])
        return Segments(
            start, given[:0], nothing.astype(np.int8), nothing.reshape(0, 2), np.zeros(1, np.int64)
        )
    joints, bends = _run_kernel(given[kept], stops, tolerance, stray, min_length, max_radius)
    ends = given[kept[joints]]
    turn, centre = _arcs_of(ends, bends)
    original = kept[joints]
    original[-1] = len(given) - 1  # repeated points at the end belong to the last segment
    return Segments(ends[0], ends[1:], turn, centre, original)


def _steps(
    given: NDArray[np.float64], breaks: ArrayLike | None, keep_breaks: bool
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Indices of points that differ from the one before them, and the forced joints among these."""
    if not len(given):
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    moved = np.ones(len(given), bool)
    moved[1:] = np.any(np.abs(np.diff(given, axis=0)) > 1e-9, axis=1)
    forced = np.asarray([] if breaks is None else breaks, np.int64)
    if keep_breaks:
        moved[forced] = True
    kept = np.flatnonzero(moved)
    place = np.searchsorted(kept, forced, side="right") - 1
    stops = np.unique(np.append(place, len(kept) - 1))
    return kept, stops[stops > 0]


def _run_kernel(
    points: NDArray[np.float64],
    stops: NDArray[np.int64],
    tolerance: float,
    stray: float,
    min_length: float,
    max_radius: float,
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    from .kernels.fit import fit_pieces

    p = points if points.shape[1] == 3 else np.column_stack([points, np.zeros(len(points))])
    p = np.ascontiguousarray(p)
    run = np.concatenate([[0.0], np.cumsum(np.sqrt(np.sum(np.diff(p, axis=0) ** 2, axis=1)))])
    joints = np.zeros(len(p) + 1, np.int64)
    bends = np.zeros(len(p) + 1)
    rising = bool(np.ptp(p[:, 2]) > 0)
    count = fit_pieces(
        p, run, stops, float(tolerance), float(stray), float(min_length), 2.0 * tolerance,
        float(max_radius), rising, joints, bends,
    )  # fmt: skip
    return joints[: count + 1], bends[:count]


def _arcs_of(
    ends: NDArray[np.float64], bends: NDArray[np.float64]
) -> tuple[NDArray[np.int8], NDArray[np.float64]]:
    """Turn and centre of pieces between consecutive ends; ``bends`` as in kernels/fit.py."""
    chord = np.diff(ends[:, :2], axis=0)
    centre = np.full((len(bends), 2), np.nan)
    arcs = np.flatnonzero(bends)
    out = chord[arcs] / (np.hypot(*chord[arcs].T) * bends[arcs])[:, None]
    centre[arcs] = ends[arcs, :2] + 0.5 * chord[arcs] + np.stack([-out[:, 1], out[:, 0]], axis=1)
    return np.sign(bends).astype(np.int8), centre


def compact(toolpath: Toolpath, tolerance: float, min_length: float = 0.0) -> Toolpath:
    """The same toolpath with runs of short lines fitted by lines and arcs.

    Joints stay wherever kind, feed or level change and round moves that are arcs already; rapids, lifts and
    drops are left alone. Each new move carries the largest engagement of the steps it stands for.
    """
    from .toolpath import Kind

    n = len(toolpath)
    if n < 3:
        return toolpath
    fittable = np.isin(toolpath.kind, (Kind.CUT, Kind.LINK, Kind.HELIX, Kind.RAMP)) & (toolpath.turn == 0)
    fittable[0] = False
    same = np.zeros(n, bool)
    for field in (toolpath.kind, toolpath.feed, toolpath.level, fittable):
        same[1:] |= field[1:] != field[:-1]
    single = ~fittable
    ends = np.flatnonzero(same | single) - 1
    stops = np.unique(np.concatenate([ends[ends > 0], np.flatnonzero(single)]))
    fitted = _fit(toolpath.xyz, tolerance, min_length, MAX_RADIUS, stops, keep_breaks=True)
    return _carry_over(toolpath, fitted)


def _carry_over(old: Toolpath, fitted: Segments) -> Toolpath:
    """Moves of the fitted segments, with what the old moves carried; old arcs come back as they were."""
    last = np.concatenate([[0], fitted.joints[1:]])
    turn = np.concatenate([old.turn[:1], fitted.turn])
    centre = np.concatenate([old.centre[:1], fitted.centre])
    was_arc = old.turn[last] != 0
    turn[was_arc], centre[was_arc] = old.turn[last[was_arc]], old.centre[last[was_arc]]
    engagement = np.concatenate([old.engagement[:1], fitted.largest(old.engagement)]).astype(np.float32)
    return Toolpath(old.xyz[last], old.kind[last], old.feed[last], turn, centre, old.level[last], engagement)


def _falling(sweep: ArrayLike, fall: ArrayLike) -> NDArray[np.int64]:
    """Chords that an arc of a helix is broken into at most; ``sweep`` in rad, ``fall`` in mm."""
    fewest = np.ceil(FEWEST * np.asarray(sweep) / (2 * np.pi) - 1e-9)
    return np.maximum(1, np.maximum(fewest, np.floor(np.asarray(fall) / FALL))).astype(np.int64)


def beside(radius: float, fall: float) -> float:
    """How far chords of a helix that falls ``fall`` mm in half a turn may lie from it, mm."""
    return float(radius * (1.0 - np.cos(0.5 * np.pi / _falling(np.pi, fall))))


def to_chords(toolpath: Toolpath, tolerance: float, which: NDArray[np.bool_] | None = None) -> Toolpath:
    """The same toolpath with arcs broken into chords no further than ``tolerance`` (mm) from them.

    Where they cut on a level they turn by no more than `BEND` from one to the next.
    ``which`` (n,) bool picks the arcs; default: all. Chords of a helix each change height by `FALL`, if
    need be by being longer, but for `FEWEST` in a whole turn: a smaller change reads as a level cut.
    Where these stray by more than `BESIDE` the first turn on the level keeps to them.
    """
    if not tolerance > 0:
        raise PlanError(f"arcs to chords: tolerance is {tolerance:g} mm, must be above 0")
    broken = toolpath.turn != 0
    if which is not None:
        broken &= which
    arcs = np.flatnonzero(broken)
    if not arcs.size:
        return toolpath
    start = toolpath.xyz[arcs - 1]
    ray = start[:, :2] - toolpath.centre[arcs]
    tip = toolpath.xyz[arcs, :2] - toolpath.centre[arcs]
    radius = np.hypot(ray[:, 0], ray[:, 1])
    first = np.arctan2(ray[:, 1], ray[:, 0])
    turn = toolpath.turn[arcs].astype(float)
    sweep = ((np.arctan2(tip[:, 1], tip[:, 0]) - first) * turn) % (2 * np.pi)
    sweep[np.hypot(*(toolpath.xyz[arcs, :2] - start[:, :2]).T) < 1e-9] = 2 * np.pi
    widest = 2 * np.arccos(np.clip(1 - tolerance / np.maximum(radius, 1e-12), 0.0, 1.0))
    widest[(toolpath.kind[arcs] == Kind.CUT) & (widest > BEND)] = BEND
    parts = np.maximum(1, np.ceil(sweep / np.maximum(widest, 1e-9) - 1e-9)).astype(np.int64)
    fall = np.abs(toolpath.xyz[arcs, 2] - start[:, 2])
    falls = fall > LEVEL
    parts = np.where(falls, np.minimum(parts, _falling(sweep, fall)), parts)
    stray = radius * (1.0 - np.cos(0.5 * sweep / parts))
    helix = toolpath.kind[arcs] == Kind.HELIX
    for back in (1, 2):  # a turn is two moves
        first_turn = (
            np.flatnonzero(helix[back:] & ~falls[back:] & (arcs[back:] - arcs[:-back] == back)) + back
        )
        down = first_turn - back
        mine = helix[down] & falls[down] & (stray[down] > BESIDE)
        mine &= np.hypot(*(toolpath.centre[arcs[down]] - toolpath.centre[arcs[first_turn]]).T) < SAME
        mine &= np.abs(radius[down] - radius[first_turn]) < SAME
        parts[first_turn[mine]] = parts[down[mine]]

    count = np.ones(len(toolpath), np.int64)
    count[arcs] = parts
    source = np.repeat(np.arange(len(toolpath)), count)
    xyz = toolpath.xyz[source].copy()
    arc_of = np.repeat(np.arange(len(arcs)), parts)
    step = np.concatenate([np.arange(1, k + 1) for k in parts]) / parts[arc_of]
    inner = step < 1  # the last chord ends at the arc's own end point
    place = np.flatnonzero(broken[source])[inner]
    a, t = arc_of[inner], step[inner]
    angle = first[a] + turn[a] * sweep[a] * t
    xyz[place, 0] = toolpath.centre[arcs[a], 0] + radius[a] * np.cos(angle)
    xyz[place, 1] = toolpath.centre[arcs[a], 1] + radius[a] * np.sin(angle)
    xyz[place, 2] = start[a, 2] + (toolpath.xyz[arcs[a], 2] - start[a, 2]) * t
    turns, centres = toolpath.turn[source].copy(), toolpath.centre[source].copy()
    turns[broken[source]], centres[broken[source]] = 0, np.nan
    return Toolpath(
        xyz, toolpath.kind[source], toolpath.feed[source], turns, centres, toolpath.level[source],
        toolpath.engagement[source],
    )  # fmt: skip
