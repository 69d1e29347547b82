"""Lines and circular arcs through a polyline, within a tolerance.

A fitted piece runs from input point i to input point j, through both exactly. Its only freedom is ``bend``,
the signed reciprocal of the distance from the middle of the chord to the arc's centre: 0 is a line, positive
turns counter-clockwise. In the chord's own frame (u along it from its middle, v to its left) a circle through
both ends obeys ``2 v = bend * q`` with ``q = u*u + v*v - L*L/4``, which makes the best bend a linear
regression and the bends allowed by the tolerance an interval.
"""

from __future__ import annotations

import numpy as np
from numba import njit

_OPTIONS = {"nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}
_kernel = njit(cache=True, **_OPTIONS)
_helper = njit(no_cpython_wrapper=True, **_OPTIONS)  # called by kernels alone

LARGEST_HALF_SWEEP = 1.4835  # 85 degrees: an arc stays below 170
LINE_BONUS = 1.3  # an arc must reach this much further than a line to be worth it
EASE_ABOVE = 0.02  # rad; kinks below one degree are left alone


@_helper
def line_fits(p, i, j, tol, stray):
    """True if points i..j advance along the chord i-j, stay within tol of it and keep its direction."""
    dx, dy, dz = p[j, 0] - p[i, 0], p[j, 1] - p[i, 1], p[j, 2] - p[i, 2]
    length2 = dx * dx + dy * dy + dz * dz
    if length2 < 1e-18:
        return False
    last, before = 0.0, 0.0
    limit = tol * tol * length2
    for k in range(i + 1, j + 1):
        wx, wy, wz = p[k, 0] - p[i, 0], p[k, 1] - p[i, 1], p[k, 2] - p[i, 2]
        along = wx * dx + wy * dy + wz * dz
        cx, cy, cz = wy * dz - wz * dy, wz * dx - wx * dz, wx * dy - wy * dx
        if along <= last or (k < j and (along >= length2 or cx * cx + cy * cy + cz * cz > limit)):
            return False
        if abs(cz - before) > stray * (along - last):
            return False
        last, before = along, cz
    return True


@_helper
def arc_holds(p, i, j, bend, tol, stray, rising):
    """True if every point and chord of i..j lies within tol of the arc, in order along it and headed so."""
    ax, ay = p[i, 0], p[i, 1]
    ex, ey = p[j, 0] - ax, p[j, 1] - ay
    length = np.sqrt(ex * ex + ey * ey)
    side = 1.0 if bend > 0 else -1.0
    cx = ax + 0.5 * ex - ey / (length * bend)
    cy = ay + 0.5 * ey + ex / (length * bend)
    radius = np.sqrt(0.25 * length * length + 1.0 / (bend * bend))
    outer2 = (radius + tol) ** 2
    inner2 = max(0.0, radius - tol) ** 2
    sweep = 2.0 * np.arctan(0.5 * length * abs(bend))
    sx, sy = ax - cx, ay - cy
    x0, y0 = sx, sy
    for k in range(i + 1, j + 1):
        x1, y1 = p[k, 0] - cx, p[k, 1] - cy
        turned = (x0 * y1 - y0 * x1) * side
        if turned <= 0.0:
            return False
        r2 = x1 * x1 + y1 * y1
        if r2 > outer2 or r2 < inner2:
            return False
        ux, uy = x1 - x0, y1 - y0
        # a chord is square to the ray to its middle
        if abs(ux * (x0 + x1) + uy * (y0 + y1)) > stray * 2.0 * turned:
            return False
        # the chord's point nearest to the centre, if it is not an end
        if x0 * ux + y0 * uy < 0.0 < x1 * ux + y1 * uy and turned * turned < inner2 * (ux * ux + uy * uy):
            return False
        if rising:
            angle = np.arctan2((sx * y1 - sy * x1) * side, sx * x1 + sy * y1)
            dz = p[k, 2] - p[i, 2] - (p[j, 2] - p[i, 2]) * angle / sweep
            dr = np.sqrt(r2) - radius
            if dr * dr + dz * dz > tol * tol:
                return False
        x0, y0 = x1, y1
    return True


@_helper
def arc_bend(p, i, j, tol, stray, r_min, r_max, rising, wish):
    """Bend of an arc i-j within tol, 0 if there is none. ``wish`` (NaN: none) is preferred if allowed."""
    ax, ay = p[i, 0], p[i, 1]
    dx, dy = p[j, 0] - ax, p[j, 1] - ay
    length = np.sqrt(dx * dx + dy * dy)
    if j - i < 2 or length < 1e-9:
        return 0.0
    dx /= length
    dy /= length
    half = 0.5 * length
    qq, qv = 0.0, 0.0
    for k in range(i + 1, j):
        wx, wy = p[k, 0] - ax, p[k, 1] - ay
        u, v = wx * dx + wy * dy - half, wy * dx - wx * dy
        q = u * u + v * v - half * half
        qq += q * q
        qv += q * v
    if qq == 0.0:
        return 0.0
    bend = 2.0 * qv / qq
    steepest = np.tan(LARGEST_HALF_SWEEP) / half
    if abs(bend) > steepest:
        return 0.0
    # deviation of a point = |bend * q - 2 v| / (2 s) to first order
    reach = 2.0 * 0.98 * tol * np.sqrt(1.0 + (half * bend) ** 2)
    low, high = -steepest, steepest
    for k in range(i + 1, j):
        wx, wy = p[k, 0] - ax, p[k, 1] - ay
        u, v = wx * dx + wy * dy - half, wy * dx - wx * dy
        q = u * u + v * v - half * half
        if q < -tol * half:  # next to the ends a point says nothing about the bend
            low = max(low, (2.0 * v + reach) / q)
            high = min(high, (2.0 * v - reach) / q)
    if low > high:
        return 0.0
    middle = min(max(bend, low), high)
    for attempt in range(2):
        bend = middle
        if attempt == 0:
            if np.isnan(wish):
                continue
            bend = min(max(wish, low + 0.1 * (high - low)), high - 0.1 * (high - low))
        if bend == 0.0:
            continue
        radius = np.sqrt(half * half + 1.0 / (bend * bend))
        if r_min <= radius <= r_max and arc_holds(p, i, j, bend, tol, stray, rising):
            return bend
    return 0.0


@_helper
def piece(p, i, j, tol, stray, r_min, r_max, rising, heading):
    """(fits, bend) of the piece i-j: a line if one fits, else an arc leaving along ``heading`` if it can."""
    if line_fits(p, i, j, tol, stray):
        return True, 0.0
    wish = np.nan
    if not np.isnan(heading):
        length = np.hypot(p[j, 0] - p[i, 0], p[j, 1] - p[i, 1])
        off = heading - np.arctan2(p[j, 1] - p[i, 1], p[j, 0] - p[i, 0])
        off -= 2.0 * np.pi * np.rint(off / (2.0 * np.pi))
        if length > 1e-9 and abs(off) < LARGEST_HALF_SWEEP:
            wish = -2.0 * np.tan(off) / length
    bend = arc_bend(p, i, j, tol, stray, r_min, r_max, rising, wish)
    return bend != 0.0, bend


@_helper
def headings(p, i, j, bend):
    """Directions in plan at the start and at the end of a piece; NaN if it goes straight up or down."""
    dx, dy = p[j, 0] - p[i, 0], p[j, 1] - p[i, 1]
    if dx == 0.0 and dy == 0.0:
        return np.nan, np.nan
    chord = np.arctan2(dy, dx)
    half = np.arctan(0.5 * np.hypot(dx, dy) * bend)
    return chord - half, chord + half


@_helper
def kink(a, b):
    """Angle between two directions, 0 where one is unknown."""
    if np.isnan(a) or np.isnan(b):
        return 0.0
    d = b - a
    return abs(d - 2.0 * np.pi * np.rint(d / (2.0 * np.pi)))


@_helper
def follows(p, i, j, tol, stray, r_min, r_max, rising, arcs):
    """True if the piece i-j fits as a line (arcs 0) or as an arc (arcs 1)."""
    if arcs == 0:
        return line_fits(p, i, j, tol, stray)
    return arc_bend(p, i, j, tol, stray, r_min, r_max, rising, np.nan) != 0.0


@_helper
def furthest(p, i, first, limit, tol, stray, r_min, r_max, rising, arcs):
    """Largest j found in first..limit for which i-j fits, by doubling, then halving; i if none does."""
    good, bad = i, limit + 1
    j = first
    while j <= limit:
        if follows(p, i, j, tol, stray, r_min, r_max, rising, arcs):
            good = j
        else:
            bad = j
        if good == i and j < min(limit, first + 4):
            j, bad = j + 1, limit + 1  # what is too crooked for so short a piece may pass in a longer one
            continue
        if good == i or good == limit or bad - good <= 1:
            break
        j = min(limit, 2 * j - i) if bad > limit else (good + bad) // 2
    return good


@_kernel
def fit_pieces(p, run, stops, tol, stray, min_length, r_min, r_max, rising, joints, bends):
    """Fit the whole polyline; returns the number of pieces.

    p (n, 3); run (n,) path length up to each point; stops (m,) ascending indices where a piece must end,
    the last is n - 1. Fills joints (up to n) and bends (up to n): piece k goes from joints[k] to
    joints[k + 1]. In plan no step's direction differs by more than ``stray``, rad, from its piece's there.
    """
    joints[0] = 0
    count = joints[0]  # read back: a literal 0 would compile every callee a second time
    i = joints[0]
    heading = np.nan
    for s in range(stops.shape[0]):
        stop = stops[s]
        if s > 0:
            heading = np.nan
        block = count
        while i < stop:
            j = i
            for arcs in range(2):
                k = furthest(p, i, max(j + 1, i + 1 + arcs), stop, tol, stray, r_min, r_max, rising, arcs)
                if arcs == 0 or (k > j and run[k] - run[i] > LINE_BONUS * (run[j] - run[i])):
                    j = max(k, i + 1)
                if j == stop:
                    break
            bend = piece(p, i, j, tol, stray, r_min, r_max, rising, heading)[1]
            bends[count] = bend
            count += 1
            joints[count] = j
            heading = headings(p, i, j, bend)[1]
            i = j
        count = ease(p, run, block, count, tol, stray, min_length, r_min, r_max, rising, joints, bends)
    return count


@_helper
def ease(p, run, block, count, tol, stray, min_length, r_min, r_max, rising, joints, bends):
    """Move joints of the pieces block..count back where that spares a short piece or flattens a kink.

    The greedy walk takes each piece as far as it goes, so joints can only move back. Returns the new count.
    """
    k = block + 1
    while k < count:
        a, m, b = joints[k - 1], joints[k], joints[k + 1]
        before = np.nan if k - 1 == block else headings(p, joints[k - 2], a, bends[k - 2])[1]
        after = np.nan if k + 1 == count else headings(p, b, joints[k + 2], bends[k + 1])[0]
        short = run[b] - run[m] < min_length
        if short:
            fits, bend = piece(p, a, b, tol, stray, r_min, r_max, rising, before)
            if fits:  # a longer piece fits after all
                bends[k - 1] = bend
                for q in range(k, count):
                    joints[q] = joints[q + 1]
                    bends[q] = bends[q + 1]
                count -= 1
                continue
        a0, a1 = headings(p, a, m, bends[k - 1])
        b0, b1 = headings(p, m, b, bends[k])
        worst = max(kink(before, a0), kink(a1, b0), kink(b1, after))
        if not short and kink(a1, b0) < EASE_ABOVE:
            k += 1
            continue
        best_short = short
        back = 1
        misses = 0
        while m - back > a and back < 4096:
            t = m - back
            tight = min(run[b] - run[t], run[t] - run[a]) < min_length
            if not (tight and not best_short) and (best_short or run[m] - run[t] <= 0.5 * (run[m] - run[a])):
                fits_a, bend_a = piece(p, a, t, tol, stray, r_min, r_max, rising, before)
                a0, a1 = headings(p, a, t, bend_a)
                fits_b, bend_b = piece(p, t, b, tol, stray, r_min, r_max, rising, a1)
                if not fits_b:
                    misses += 1
                    if misses > 3:
                        break
                elif fits_a:
                    b0, b1 = headings(p, t, b, bend_b)
                    now = max(kink(before, a0), kink(a1, b0), kink(b1, after))
                    if (best_short and not tight) or now < 0.98 * worst:
                        best_short, worst = tight, now
                        joints[k], bends[k - 1], bends[k] = t, bend_a, bend_b
            back += 1 if back < 8 else back // 4
        k += 1
    return count
