"""Kernels of the clearing engine: walking a ring, finding the next start, what the walls still hold.

State of one level, all maps C-contiguous with row = y and a common origin (x0, y0):

* ``sd``  float32, pitch ``h``: signed distance to the boundary of the admissible centre area, positive
  inside, clamped beyond a narrow band.
* ``d2``  float32, pitch ``hd``: squared distance to the nearest swept centre. Material stands where it
  exceeds ``R * R``; open air outside the stock is preset as if swept. Interpolated values subtract what a
  bilinear patch of x*x + y*y is too high, so that the distance to one centre is exact between nodes.
* ``mat`` uint8, pitch ``hb``: 1 where any fine node round a coarse node is material, all of it in reach.
* ``blk`` int32, pitch ``hb``: how many such nodes lie within the cutter radius plus a margin; 0 = clear.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

_OPTIONS = {"nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}
_kernel = njit(cache=True, **_OPTIONS)
# called by kernels alone: no way in from Python, which takes as long to compile as a small helper itself
_helper = njit(no_cpython_wrapper=True, **_OPTIONS)
_fast = njit(no_cpython_wrapper=True, fastmath=True, **_OPTIONS)

HALF_PI = 0.5 * math.pi
SAMPLES = 161  # points on the leading half circle, odd so that one looks straight ahead
VIRGIN = 5.0e5  # mm2, less than what stands for "never swept", more than any distance
UNSEEN = 1.5  # nodes: all so near a place whose value is of untouched ground stands, whatever lies between
WITHIN = 0.017  # rad; how far over its limit the arc may be in the middle of a half step
UNEVEN = 0.02  # rad; where the bend changes by more from one step to the next, the arc within a step is asked
KINK = 0.15  # rad; where it changes by more, the arc rises and falls again within half a step
AWAY = 2.2  # rad: how far a walk must be able to turn from its wall; radii: where that always fits
THINNEST = 0.04  # of the squared arc: around a corner of less than 0.04 radii a walk does not look closer
HAIR = 0.05  # pitches squared: more than distances to far nodes are rounded by
STRIDE = 8  # rows
FEW = 32  # a row of a disc round one node costs as much as so many nodes of a row sum
DONE, FULL, STUCK, LOST, CONTACT = 0, 1, 2, 3, 4


@_helper
def _lerp(a, x0, y0, h, x, y):
    u = (x - x0) / h
    v = (y - y0) / h
    ny, nx = a.shape
    j = int(u)
    i = int(v)
    if u < 0.0 or v < 0.0 or j >= nx - 1 or i >= ny - 1:
        return -1.0e30
    u -= j
    v -= i
    top = a[i, j] + u * (a[i, j + 1] - a[i, j])
    low = a[i + 1, j] + u * (a[i + 1, j + 1] - a[i + 1, j])
    return top + v * (low - top)


@_helper
def _swept2(d2, x0, y0, hd, x, y):
    """Squared distance from (x, y) to the nearest swept centre; 0 outside the map (air)."""
    u = (x - x0) / hd
    v = (y - y0) / hd
    ny, nx = d2.shape
    j = int(u)
    i = int(v)
    if u < 0.0 or v < 0.0 or j >= nx - 1 or i >= ny - 1:
        return 0.0
    u -= j
    v -= i
    a = d2[i, j]
    b = d2[i + 1, j]
    top = a + u * (d2[i, j + 1] - a)
    low = b + u * (d2[i + 1, j + 1] - b)
    return top + v * (low - top) - hd * hd * (u * (1.0 - u) + v * (1.0 - v))


@_helper
def _crease2(d2, x0, y0, hd, x, y, low):
    """Squared distance as `_swept2`, but right where two swept areas meet.

    Less x*x + y*y it is the least of many planes, one a centre, so that interpolation between nodes cuts off
    the ridge of a sliver thinner than the pitch. Continuing the planes on either side into the cell does not;
    on one plane both agree. ``low`` is the interpolated value.
    """
    u = (x - x0) / hd
    v = (y - y0) / hd
    ny, nx = d2.shape
    j = int(u)
    i = int(v)
    if u < 1.0 or v < 1.0 or j >= nx - 2 or i >= ny - 2:
        return low
    u -= j
    v -= i
    s = 1.0 / (hd * hd)
    g00 = d2[i, j] * s
    g10 = d2[i, j + 1] * s - 1.0
    g01 = d2[i + 1, j] * s - 1.0
    g11 = d2[i + 1, j + 1] * s - 2.0
    a = g00 + (g00 - d2[i, j - 1] * s + 1.0) * u + (g00 - d2[i - 1, j] * s + 1.0) * v
    b = g10 + (d2[i, j + 2] * s - 4.0 - g10) * (u - 1.0) + (g10 - d2[i - 1, j + 1] * s + 2.0) * v
    c = g01 + (g01 - d2[i + 1, j - 1] * s + 2.0) * u + (d2[i + 2, j] * s - 4.0 - g01) * (v - 1.0)
    e = g11 + (d2[i + 1, j + 2] * s - 5.0 - g11) * (u - 1.0) + (d2[i + 2, j + 1] * s - 5.0 - g11) * (v - 1.0)
    high = (min(min(a, b), min(c, e)) + u * u + v * v) / s
    return max(low, high)


@_helper
def _arc(d2, x0, y0, hd, radius, probe, x, y, hx, hy, circle, enough):
    """Arc of the leading half circle of radius ``probe`` that lies in material, rad.

    Once a part of it is more than ``enough``, that part is all that is told.
    ``circle`` (SAMPLES, 2) runs from -90 deg (right of the heading) to +90 deg. Ends of an arc are placed
    between samples by the zero of (distance - radius), linear there. Deep in swept ground samples are passed
    over: a distance changes no faster than the place at which it is taken. So are samples in ground that no
    sweep came near, which begins three nodes beyond the edge; where that takes one past the edge, the samples
    before are looked at after all.
    """
    r2 = radius * radius
    near = 1.5 * radius * hd  # what interpolation may hide of a ridge
    step = math.pi / (SAMPLES - 1)
    per_sample = 2.0 * radius * probe * step
    virgin = 1 + int(UNSEEN * hd / (probe * step))
    total = 0.0
    before = 0.0
    passed = 0  # samples passed over in untouched ground just now
    k = 0
    while k < SAMPLES:
        c = circle[k, 0]
        s = circle[k, 1]
        px = x + probe * (hx * c - hy * s)
        py = y + probe * (hy * c + hx * s)
        here = _swept2(d2, x0, y0, hd, px, py) - r2
        if -near < here <= 0.0:
            here = _crease2(d2, x0, y0, hd, px, py, here + r2) - r2
        if passed > 0 and here <= 0.0:
            # the end of the arc is placed from the sample before: back to that one, then on one by one
            total += (passed - 1) * step
            k -= 1
            passed = -1
            continue
        if passed > 0:
            total += passed * step
        if k > 0:
            if here > 0.0:
                total += step if before > 0.0 else step * here / (here - before)
            elif before > 0.0:
                total += step * before / (before - here)
            if total > enough:
                return total
        before = here
        ahead = 1
        if here < -near:
            ahead = max(1, min(int((-here - near) / per_sample), SAMPLES - 1 - k))
        elif here > VIRGIN and k > 0 and passed >= 0:
            ahead = max(1, min(virgin, SAMPLES - 1 - k))
        passed = ahead - 1 if here > VIRGIN else 0
        k += ahead
    return total


@_helper
def _touch(d2, x0, y0, hd, radius, probe, x, y, samples):
    """True if any material lies on the circle of radius ``probe`` round (x, y)."""
    r2 = radius * radius
    near = 1.5 * radius * hd
    turn = 2.0 * math.pi / samples
    k = 0
    while k < samples:
        a = 2.0 * math.pi * k / samples
        px = x + probe * math.cos(a)
        py = y + probe * math.sin(a)
        here = _swept2(d2, x0, y0, hd, px, py)
        if here > r2 or (here > r2 - near and _crease2(d2, x0, y0, hd, px, py, here) > r2 + 1.0e-4):
            return True
        # deep in swept ground samples are passed over, as in `_arc`; beyond the map, which is 0, none
        k += max(1, int((r2 - near - here) / (2.0 * radius * probe * turn))) if here > 0.0 else 1
    return False


@_fast
def _lower_span(row, a, b, base, dy2, ramp, zero):
    """Lower ``row[a : b + 1]`` to (base + ramp)^2 + dy2.

    ``zero`` is 0 at run time: without it the compiler stores only where the value changes, which costs
    several times what storing everything does.
    """
    part = row[a : b + 1]
    for k in range(b + 1 - a):
        dx = base + ramp[k]
        new = dx * dx + dy2
        old = part[k]
        part[k] = (new if new < old else old) + zero


@_helper
def _ramp(hd, reach):
    """Distances of the nodes of a span from its first."""
    out = np.empty(int(2.0 * reach / hd) + 3, np.float32)
    for k in range(out.shape[0]):
        out[k] = np.float32(k * hd)
    return out


@_helper
def _stamp(d2, x0, y0, hd, reach, hole, px, py, x, y, ramp, zero):
    """Lower ``d2`` to the squared distance from (x, y) wherever that lies between ``hole`` and ``reach``.

    A walk needs the rim alone: what lies deeper than a few nodes inside was swept by the steps before, and
    how deep inside makes no difference. The last step went to (px, py): nodes nearer to that place are as low
    as they can be. Where (px, py) is (x, y) itself, all round is lowered.
    """
    ny, nx = d2.shape
    fi = (y - y0) / hd
    fj = (x - x0) / hd
    vx = (x - px) / hd
    vy = (y - py) / hd
    # in pitches from (x, y): dx * vx + dy * vy > -|v|^2 / 2, a hair more for the rounding
    bound = -0.5 * (vx * vx + vy * vy) - 1.0e-6
    n = reach / hd
    m = hole / hd
    for i in range(max(0, int(math.ceil(fi - n))), min(ny - 1, int(math.floor(fi + n))) + 1):
        q = (i - fi) * (i - fi)
        half = math.sqrt(max(0.0, n * n - q))
        low = -half
        high = half
        rest = bound - (i - fi) * vy
        if abs(vx) < 1.0e-12:
            if rest > 0.0:
                continue
        elif vx > 0.0:
            low = max(low, rest / vx)
        else:
            high = min(high, rest / vx)
        if low > high:
            continue
        dy = np.float32((i - fi) * hd)
        dy2 = dy * dy
        j0 = max(0, int(math.ceil(fj + low)))
        j1 = min(nx - 1, int(math.floor(fj + high)))
        if q < m * m:
            inner = math.sqrt(m * m - q)
            a = min(j1, int(math.floor(fj - inner)))
            b = max(j0, int(math.ceil(fj + inner)))
            _lower_span(d2[i], j0, a, np.float32((j0 - fj) * hd), dy2, ramp, zero)
            _lower_span(d2[i], b, j1, np.float32((b - fj) * hd), dy2, ramp, zero)
        else:
            _lower_span(d2[i], j0, j1, np.float32((j0 - fj) * hd), dy2, ramp, zero)


@_helper
def _count_disc(blk, i, j, spans, sign):
    ny, nx = blk.shape
    n = spans.shape[0] // 2
    for k in range(spans.shape[0]):
        r = i + k - n
        if r < 0 or r >= ny:
            continue
        w = spans[k]
        part = blk[r, max(0, j - w) : min(nx, j + w + 1)]
        for q in range(part.shape[0]):
            part[q] += sign


@_helper
def _holds(d2, i, j, ratio, r2, deep):
    """True if any fine node round coarse node (i, j) still stands; ``deep``: so low that none can."""
    half = ratio // 2
    here = d2[min(i * ratio, d2.shape[0] - 1), min(j * ratio, d2.shape[1] - 1)]
    if here < deep:
        return False
    if here > r2:
        return True
    for a in range(max(0, i * ratio - half), min(d2.shape[0], i * ratio + half + 1)):
        for b in range(max(0, j * ratio - half), min(d2.shape[1], j * ratio + half + 1)):
            if d2[a, b] > r2:
                return True
    return False


@_helper
def _deep(radius, hb):
    """Squared distance below which all within half a coarse pitch, either way, is swept."""
    return max(0.0, radius - 0.75 * hb) ** 2


@_helper
def _clear_coarse(mat, blk, spans, d2, ratio, radius, x0, y0, hb, x, y, depth):
    """Take coarse nodes newly swept by a cutter at (x, y) out of ``mat`` and ``blk``; how many they were.

    Only the rim of the disc, ``depth`` deep, is looked at: the inside was swept by the steps before.
    """
    ny, nx = mat.shape
    fi = (y - y0) / hb
    fj = (x - x0) / hb
    n = radius / hb
    inner = max(0.0, n - depth / hb)
    r2 = radius * radius
    deep = _deep(radius, hb)
    gone = 0
    for i in range(max(0, int(math.ceil(fi - n))), min(ny - 1, int(math.floor(fi + n))) + 1):
        dy2 = (i - fi) * (i - fi)
        outer_half = math.sqrt(max(0.0, n * n - dy2))
        inner_half = math.sqrt(inner * inner - dy2) if dy2 < inner * inner else 0.0
        for part in range(2):
            if part == 0:
                a = int(math.ceil(fj - outer_half))
                b = int(math.floor(fj - inner_half))
            else:
                a = int(math.ceil(fj + inner_half))
                b = int(math.floor(fj + outer_half))
            for j in range(max(0, a), min(nx - 1, b) + 1):
                if mat[i, j] and not _holds(d2, i, j, ratio, r2, deep):
                    mat[i, j] = 0
                    gone += 1
                    _count_disc(blk, i, j, spans, -np.int32(1))
    return gone


@_helper
def _stamp_whole(d2, x0, y0, hd, reach, px, py, x, y, ramp, zero):
    """As `_stamp` without a hole, but bit by bit the map that lowering all round (x, y) makes.

    For that the half nearer to (px, py), which must have been stamped before, is left out with ``HAIR`` to
    spare, and distances are counted from where the row of the whole disc begins.
    """
    ny, nx = d2.shape
    fi = (y - y0) / hd
    fj = (x - x0) / hd
    vx = (x - px) / hd
    vy = (y - py) / hd
    bound = -0.5 * (vx * vx + vy * vy) - HAIR
    n = reach / hd
    for i in range(max(0, int(math.ceil(fi - n))), min(ny - 1, int(math.floor(fi + n))) + 1):
        half = math.sqrt(max(0.0, n * n - (i - fi) * (i - fi)))
        rest = bound - (i - fi) * vy
        low = -half
        high = half
        if vx > 1.0e-12:
            low = max(low, rest / vx)
        elif vx < -1.0e-12:
            high = min(high, rest / vx)
        elif rest > 0.0:
            continue
        j0 = max(0, int(math.ceil(fj - half)))
        a = max(j0, int(math.ceil(fj + low)))
        b = min(nx - 1, int(math.floor(fj + high)))
        if a <= b:
            dy = np.float32((i - fi) * hd)
            _lower_span(d2[i], a, b, np.float32((j0 - fj) * hd), dy * dy, ramp[a - j0 :], zero)


@_kernel
def stamp_path(d2, x0, y0, hd, reach, pts):
    """Sweep the cutter along the sample points ``pts (n, 2)`` on the fine map only."""
    ramp = _ramp(hd, reach)
    zero = np.float32(0.0 * hd)
    for k in range(pts.shape[0]):
        q = max(0, k - 1)
        _stamp_whole(d2, x0, y0, hd, reach, pts[q, 0], pts[q, 1], pts[k, 0], pts[k, 1], ramp, zero)


@_kernel
def start_level(d2, sd, radius, hd, h, hb, eps, margin_reach, margin_clear, mat, blk, free, prefix):
    """Fill ``free``, ``mat`` and ``blk`` for a level; the number of coarse nodes of material in reach.

    Disc counts come from row prefix sums where much stands, so that a level costs nodes x disc rows at most.
    """
    ny, nx = mat.shape
    ratio = int(round(hb / hd))
    step = int(round(hb / h))
    r2 = radius * radius
    for i in range(ny):
        for j in range(nx):
            a = min(i * step, sd.shape[0] - 1)
            b = min(j * step, sd.shape[1] - 1)
            free[i, j] = 1 if sd[a, b] >= eps else 0
    any_material = False
    deep = _deep(radius, hb)
    for i in range(ny):
        for j in range(nx):
            mat[i, j] = 1 if _holds(d2, i, j, ratio, r2, deep) else 0
            if mat[i, j]:
                any_material = True
    half = _half_widths((radius - margin_reach) / hb)
    reach = half.shape[0] // 2
    box = np.empty((ny + 1 if any_material else 0, nx + 1), np.int32)
    if any_material:
        _row_sums(free, prefix)
        _box_sums(prefix, box)
    total = np.int64(0)
    for i in range(ny):
        a = max(0, i - reach)
        b = min(ny, i + reach + 1)
        for j in range(nx):
            if mat[i, j]:
                # nothing in the square round the disc: nothing in the disc
                c = max(0, j - reach)
                e = min(nx, j + reach + 1)
                if box[b, e] - box[a, e] - box[b, c] + box[a, c] > 0 and _any_within(
                    prefix, i, j, half, reach
                ):
                    total += 1
                else:
                    mat[i, j] = 0
    blk[:, :] = 0
    if total == 0:
        return 0
    half = _half_widths((radius + margin_clear) / hb)
    if FEW * total < nx * ny:
        # little is left: one disc for each node of it
        for i in range(ny):
            for j in range(nx):
                if mat[i, j]:
                    _count_disc(blk, i, j, half, np.int32(1))
    else:
        _row_sums(mat, prefix)
        _disc_counts(prefix, half, blk)
    return total


@_helper
def _half_widths(n):
    """Half the width of a disc's rows, ``n`` pitches in radius, from its top row to its bottom one."""
    reach = int(math.floor(n))
    half = np.empty(2 * reach + 1, np.int64)
    for k in range(-reach, reach + 1):
        half[k + reach] = int(math.floor(math.sqrt(max(0.0, n * n - k * k))))
    return half


@_helper
def _row_sums(src, prefix):
    """prefix[i, j] = how many of the first j nodes of row i are set."""
    ny, nx = src.shape
    for i in range(ny):
        acc = np.int64(0)  # interpreted, a sum of bytes would stay one
        prefix[i, 0] = 0
        for j in range(nx):
            acc += np.int64(src[i, j])
            prefix[i, j + 1] = acc


@_helper
def _any_within(prefix, i, j, half, reach):
    """True if a node is set within the disc round (i, j); rows nearest to it are asked first."""
    ny, nx = prefix.shape[0], prefix.shape[1] - 1
    for k in range(reach + 1):
        w = half[reach + k]
        a = max(0, j - w)
        b = min(nx, j + w + 1)
        if i + k < ny and prefix[i + k, b] > prefix[i + k, a]:
            return True
        if i >= k and prefix[i - k, b] > prefix[i - k, a]:
            return True
    return False


@_helper
def _box_sums(prefix, box):
    """box[i, j] = how many of the first j nodes of the first i rows are set."""
    ny, nx = prefix.shape
    for j in range(nx):
        box[0, j] = 0
    for i in range(ny):
        for j in range(nx):
            box[i + 1, j] = box[i, j] + prefix[i, j]


@_helper
def _disc_counts(prefix, half, out):
    """Add to ``out`` the number of set nodes in the disc round each node."""
    ny, nx = out.shape
    reach = half.shape[0] // 2
    for i in range(ny):
        row = out[i]
        for k in range(-reach, reach + 1):
            r = i + k
            if r < 0 or r >= ny or prefix[r, nx] == 0:
                continue
            w = min(half[k + reach], nx)
            up_to = prefix[r, w + 1 :] if w < nx else prefix[r, :0]
            for j in range(up_to.shape[0]):
                row[j] += up_to[j]
            for j in range(nx - w, nx):
                row[j] += prefix[r, nx]
            before = row[w:]
            for j in range(before.shape[0]):
                before[j] -= prefix[r, j]


@_helper
def _turn_away(side):
    """Cosine and sine (n, 2) of the angles at which a turn away from the wall is looked at."""
    n = 8
    out = np.empty((n, 2))
    for k in range(1, n + 1):
        a = side * AWAY * k / n
        out[k - 1, 0] = math.cos(a)
        out[k - 1, 1] = math.sin(a)
    return out


@_helper
def _escape_ok(sd, x0, y0, h, eps, x, y, hx, hy, side, rho, away):
    """True if a turn away from the wall at the smallest path radius stays in the admissible area."""
    # centre of the turning circle, on the side away from the material
    qx = x - side * rho * hy
    qy = y + side * rho * hx
    for k in range(away.shape[0]):
        c = away[k, 0]
        s = away[k, 1]
        px = x - qx
        py = y - qy
        if _lerp(sd, x0, y0, h, qx + c * px - s * py, qy + s * px + c * py) < eps:
            return False
    return True


@_helper
def _allowed(sd, x0, y0, h, eps, x, y, hx, hy, side, rho, away):
    d = _lerp(sd, x0, y0, h, x, y)
    if d < eps:
        return False
    if d > AWAY * rho + eps:
        return True
    return _escape_ok(sd, x0, y0, h, eps, x, y, hx, hy, side, rho, away)


@_helper
def _free_bend(sd, x0, y0, h, eps, x, y, hx, hy, bend, step, side, rho, away):
    c = math.cos(bend)
    s = math.sin(bend)
    nx_ = hx * c - hy * s
    ny_ = hy * c + hx * s
    return _allowed(sd, x0, y0, h, eps, x + step * nx_, y + step * ny_, nx_, ny_, side, rho, away)


@_helper
def _arc_after(d2, x0, y0, hd, radius, x, y, hx, hy, bend, step, circle):
    """Arc in material after a step of ``step`` mm in the heading turned by ``bend``, rad."""
    c = math.cos(bend)
    s = math.sin(bend)
    nx_ = hx * c - hy * s
    ny_ = hy * c + hx * s
    return _arc(d2, x0, y0, hd, radius, radius, x + step * nx_, y + step * ny_, nx_, ny_, circle, np.inf)


@_kernel
def march(
    d2,
    sd,
    mat,
    blk,
    spans,
    x0,
    y0,
    hd,
    h,
    hb,
    radius,
    floor_radius,
    eps,
    limit,
    long_step,
    rho,
    rho_seek,
    ease_in,
    air_limit,
    faint,
    side,
    seek,
    circle,
    state,
    out,
    out_arc,
):
    """Walk one piece of ring with the material on the ``side`` (+1 right, -1 left) of the heading.

    Each step turns as far toward the material as three things allow: the arc then cut stays at or below
    ``limit`` and nears it no faster than ``ease_in`` (mm) lets it, so that a turn away can still hold
    it; the centre stays in the admissible area with room to turn away at radius ``rho``; the path bends no
    tighter than ``rho`` (``rho_seek`` in air). The step is cut from ``d2`` before the next one.

    With ``seek`` the walk stops short of its first step that cuts, nothing taken away (status CONTACT).
    Steps that cut an arc of ``faint`` or less on a straight wall count as air: after ``air_limit`` of them
    the walk ends, and they are neither swept nor counted.
    ``state`` = [x, y, heading x, heading y, last turn, air so far, coarse nodes removed, turned in air,
    largest arc, last arc]; ``out (n, 2)``, ``out_arc (n,)`` take the end point and arc of each step. Returns
    (status, number of steps, number of steps up to the last that cut more than ``faint``).
    """
    ratio = int(round(hb / hd))
    x, y, hx, hy, last = state[0], state[1], state[2], state[3], state[4]
    air, gone, turned = state[5], state[6], state[7]
    reach = radius + 3.0 * hd
    hole = max(0.0, floor_radius - 3.0 * hd - 2.0 * long_step)
    step = long_step
    n = 0
    last_cut = 0
    status = FULL
    since = 0.0
    swept = 0
    short = 0  # half steps still to go
    sx, sy = x, y  # the last place swept; where a walk begins, the caller has swept it
    ramp = _ramp(hd, reach)
    away = _turn_away(side)
    zero = np.float32(0.0 * hd)
    tight = 0.0026  # rad, how near the target a step must come
    arc_before = state[9]
    while n < out.shape[0]:
        # where the path bends sharply the arc changes fast: half steps
        tight_bend = abs(last) > 0.3 * step / rho
        if tight_bend and step == long_step:
            step = 0.5 * long_step
            last *= 0.5
        elif not tight_bend and step != long_step and short <= 0 and abs(last) < 0.1 * step / rho:
            last *= long_step / step
            step = long_step
        gain = 1.0 - math.exp(-step / ease_in)
        ease = min(1.0, arc_before / limit)
        target = min(limit, arc_before + (limit - arc_before) * gain + 2.0 * tight)
        right = -side * step * (1.0 / rho_seek + (1.0 / rho - 1.0 / rho_seek) * ease)
        left = side * step / rho
        # the bend nearest the material that the walls allow: scan away from it, then halve
        wall = right
        found = _free_bend(sd, x0, y0, h, eps, x, y, hx, hy, right, step, side, rho, away)
        limited = not found
        if limited:
            bad = right
            a = min(max(last, min(left, right)), max(left, right))
            for k in range(10):
                if _free_bend(sd, x0, y0, h, eps, x, y, hx, hy, a, step, side, rho, away):
                    found = True
                    wall = a
                    break
                bad = a
                a = a + (left - a) * (0.12, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.0)[k]
            if found:
                for _ in range(9):
                    mid = 0.5 * (bad + wall)
                    if _free_bend(sd, x0, y0, h, eps, x, y, hx, hy, mid, step, side, rho, away):
                        wall = mid
                    else:
                        bad = mid
        if not found:
            status = STUCK
            break
        chosen = wall
        arc = -1.0
        guess = last
        if (guess - wall) * side < 0.0 or limited:
            guess = wall
        if (guess - left) * side > 0.0:
            guess = left
        e_guess = _arc_after(d2, x0, y0, hd, radius, x, y, hx, hy, guess, step, circle)
        if e_guess <= target and (guess == wall or e_guess > target - tight):
            chosen = guess
            arc = e_guess
        else:
            # bracket: hi turns toward the material and is above the target, lo is at or below it
            lo, e_lo, hi, e_hi = left, -1.0, wall, -1.0
            if e_guess <= target:
                lo, e_lo = guess, e_guess
                e_hi = _arc_after(d2, x0, y0, hd, radius, x, y, hx, hy, wall, step, circle)
                if e_hi <= target:
                    lo, e_lo = wall, e_hi
                    hi = wall
            else:
                hi, e_hi = guess, e_guess
                # widen away from the material until the arc is allowed
                reach_turn = 0.25 * (left - guess)
                a = guess
                e = e_guess
                for k in range(5):
                    a = left if k == 4 else guess + reach_turn * (0.15, 0.5, 1.2, 2.4, 4.0)[k]
                    c = math.cos(a)
                    s = math.sin(a)
                    nx_ = hx * c - hy * s
                    ny_ = hy * c + hx * s
                    if _lerp(sd, x0, y0, h, x + step * nx_, y + step * ny_) < eps:
                        break
                    e = _arc_after(d2, x0, y0, hd, radius, x, y, hx, hy, a, step, circle)
                    if e <= target:
                        lo, e_lo = a, e
                        break
                    hi, e_hi = a, e
                if e_lo < 0.0:
                    if hi == left and e <= limit:
                        lo, e_lo = left, e
                    else:
                        status = LOST
                        break
            if hi != lo:
                weight = 0.5
                for k in range(8):
                    if e_lo > target - tight or abs(hi - lo) < 2.0e-4:
                        break
                    weight = (target - 0.5 * tight - e_lo) / max(e_hi - e_lo, 1.0e-9)
                    weight = min(0.9, max(0.1, weight))
                    mid = lo + (hi - lo) * weight
                    e = _arc_after(d2, x0, y0, hd, radius, x, y, hx, hy, mid, step, circle)
                    if e <= target:
                        lo, e_lo = mid, e
                    else:
                        hi, e_hi = mid, e
            chosen = lo
            arc = e_lo
        if chosen != wall:
            # between close walls a turn away from one may end behind the other
            c = math.cos(chosen)
            s = math.sin(chosen)
            nx_ = hx * c - hy * s
            ny_ = hy * c + hx * s
            if _lerp(sd, x0, y0, h, x + step * nx_, y + step * ny_) < eps:
                status = STUCK
                break
        thin = faint
        if limited and chosen == wall:
            # around the outside of a corner the same depth cuts a smaller arc
            thin *= math.sqrt(min(1.0, max(THINNEST, 1.0 + 0.5 * side * (chosen + last) / step * radius)))
        if seek and arc > thin:
            status = CONTACT
            break
        short -= 1
        if step > 0.3 * long_step and abs(chosen - last) > UNEVEN and arc > faint:
            # where the front has a corner the arc may pass the limit within the step, be it a half one
            half = 0.5 * step
            e = _arc_after(d2, x0, y0, hd, radius, x, y, hx, hy, chosen, half, circle)
            if abs(chosen - last) > KINK:
                e = max(e, _arc_after(d2, x0, y0, hd, radius, x, y, hx, hy, chosen, 0.5 * half, circle))
            if e > limit + (tight if step == long_step else WITHIN):
                step = half
                last *= 0.5
                short = 4
                continue
        c = math.cos(chosen)
        s = math.sin(chosen)
        nx_ = hx * c - hy * s
        ny_ = hy * c + hx * s
        hx, hy = nx_, ny_
        x += step * hx
        y += step * hy
        out[n, 0] = x
        out[n, 1] = y
        out_arc[n] = arc
        n += 1
        if arc > thin:
            # a faint run that leads back to work counts; one that does not is taken off the end, never swept
            for q in range(swept, n):
                _stamp(d2, x0, y0, hd, reach, hole, sx, sy, out[q, 0], out[q, 1], ramp, zero)
                sx, sy = out[q, 0], out[q, 1]
            swept = n
        last = chosen
        arc_before = arc
        since += step
        if arc > thin and since >= 0.5 * hb:
            gone += _clear_coarse(mat, blk, spans, d2, ratio, radius, x0, y0, hb, x, y, 3.0 * hb)
            since = 0.0
        if arc > state[8]:
            state[8] = arc
        if arc > thin:
            last_cut = n
            air = 0.0
            turned = 0.0
        else:
            air += step
            turned += abs(chosen)
            if air > air_limit or (turned > 2.6 and not limited):
                status = DONE
                break
    if status == FULL:
        for q in range(swept, n):
            _stamp(d2, x0, y0, hd, reach, hole, sx, sy, out[q, 0], out[q, 1], ramp, zero)
            sx, sy = out[q, 0], out[q, 1]
    norm = math.sqrt(hx * hx + hy * hy)
    state[0], state[1], state[2], state[3] = x, y, hx / norm, hy / norm
    state[4], state[5], state[6], state[7], state[9] = last, air, gone, turned, arc_before
    return status, n, last_cut


@_kernel
def clear_coarse_path(mat, blk, spans, d2, radius, x0, y0, hd, hb, pts):
    """Bring ``mat`` and ``blk`` up to date along ``pts``, whole discs looked at; how many nodes went."""
    ratio = int(round(hb / hd))
    gone = 0
    for k in range(pts.shape[0]):
        gone += _clear_coarse(mat, blk, spans, d2, ratio, radius, x0, y0, hb, pts[k, 0], pts[k, 1], 1.0e9)
    return gone


@_helper
def _is_front(free, blk, i, j):
    ny, nx = free.shape
    if not free[i, j] or blk[i, j] != 0:
        return False
    for di in range(-1, 2):
        for dj in range(-1, 2):
            a, b = i + di, j + dj
            if 0 <= a < ny and 0 <= b < nx and free[a, b] and blk[a, b] != 0:
                return True
    return False


@_kernel
def find_front(free, blk, tabu, seen, epoch, si, sj, goal, queue, parent, state):
    """Breadth-first over clear ground from node (si, sj) to the nearest front node, or to ``goal`` if >= 0.

    Returns the flat index, or -1 if none is joined to the start by clear ground.
    A front node is clear and has a free neighbour that is not. ``seen``/``epoch`` mark visited nodes so that
    nothing is wiped between calls; ``parent`` leads back to the start. As long as the ground stays as it is
    and ``tabu`` loses nothing, a call goes on where the last one from the same start ended: ``state`` = nodes
    of ``queue`` known to be no front, nodes whose neighbours are in it, nodes in it; zeros to begin with.
    """
    ny, nx = free.shape
    if state[2] == 0:
        if not free[si, sj] or blk[si, sj] != 0:
            return -1
        queue[0] = si * nx + sj
        parent[si, sj] = -1
        seen[si, sj] = epoch
        state[2] = 1
    if goal >= 0 and seen[goal // nx, goal % nx] == epoch:
        return goal
    at, head, tail = state[0], state[1], state[2]
    if goal >= 0:
        at = head
    found = -1
    while at < tail:
        q = queue[at]
        i, j = q // nx, q % nx
        front = False
        for k in range(8):
            di = (0, 0, 1, -1, 1, 1, -1, -1)[k]
            dj = (1, -1, 0, 0, 1, -1, 1, -1)[k]
            a, b = i + di, j + dj
            if a < 0 or b < 0 or a >= ny or b >= nx or seen[a, b] == epoch or not free[a, b]:
                continue
            if blk[a, b] != 0:
                front = True
                continue
            seen[a, b] = epoch
            parent[a, b] = q
            queue[tail] = a * nx + b
            tail += 1
        head = max(head, at + 1)
        if goal < 0:
            if front and not tabu[i, j]:
                found = q
                break
            state[0] = at + 1
        elif seen[goal // nx, goal % nx] == epoch:
            found = goal
            break
        at += 1
    state[1], state[2] = head, tail
    return found


@_helper
def _row_blocked(free, blk, i, out):
    """out[j] = 1 where a free node of rows i - 1 .. i + 1 in column j is not clear; True if there is any."""
    ny, nx = free.shape
    a = max(0, i - 1)
    b = min(ny - 1, i + 1)
    for j in range(nx):
        out[j] = 1 if free[a, j] and blk[a, j] != 0 else 0
    for r in range(a + 1, b + 1):
        for j in range(nx):
            out[j] |= 1 if free[r, j] and blk[r, j] != 0 else 0
    found = 0
    for j in range(nx):
        found |= out[j]
    return found != 0


@_kernel
def find_any_front(free, blk, tabu, x0, y0, hb, x, y):
    """Nearest front node to (x, y) as the crow flies, wherever it lies; flat index or -1.

    Of nodes as near as each other it is the first, row by row. Rows are gone through from (x, y) outward, as
    far as they may hold a nearer one.
    """
    ny, nx = free.shape
    best = 1.0e30
    where = -1
    near = np.empty(nx, np.uint8)
    middle = min(max(int(round((y - y0) / hb)), 0), ny - 1)
    for k in range(2 * ny):
        i = middle + (k + 1) // 2 if k % 2 else middle - k // 2
        if i < 0 or i >= ny or (y0 + i * hb - y) ** 2 > best or not _row_blocked(free, blk, i, near):
            continue
        for j in range(nx):
            if tabu[i, j] or not free[i, j] or blk[i, j] != 0:
                continue
            if near[j] or (j > 0 and near[j - 1]) or (j < nx - 1 and near[j + 1]):
                d = (x0 + j * hb - x) ** 2 + (y0 + i * hb - y) ** 2
                if d < best or (d == best and i * nx + j < where):
                    best = d
                    where = i * nx + j
    return where


@_kernel
def toward(free, blk, i, j, reach, out):
    """Unit vector (x, y) in ``out`` from node (i, j) to the uncut nodes near it; False if there are none."""
    ny, nx = free.shape
    sx = 0.0
    sy = 0.0
    for a in range(max(0, i - reach), min(ny, i + reach + 1)):
        for b in range(max(0, j - reach), min(nx, j + reach + 1)):
            if free[a, b] and blk[a, b] != 0:
                d2 = (a - i) * (a - i) + (b - j) * (b - j)
                if d2 > 0 and d2 <= (reach + 0.5) * (reach + 0.5):
                    sx += (b - j) / d2
                    sy += (a - i) / d2
    norm = math.sqrt(sx * sx + sy * sy)
    if norm < 1.0e-9:
        return False
    out[0] = sx / norm
    out[1] = sy / norm
    return True


@_kernel
def up_front(free, blk, start, side, seen, epoch, longest, out):
    """Follow the front from node ``start`` against the direction of cutting; number of nodes in ``out``.

    Each step goes to the unvisited front node, one or two pitches off, that lies most nearly backward.
    Ends where the front does, or after ``longest`` nodes; back at the start (closed) it returns 1.
    """
    ny, nx = free.shape
    n_dir = np.empty(2)
    i, j = start // nx, start % nx
    out[0] = start
    n = 1
    seen[i, j] = epoch
    near = n + 1  # a literal 2 would compile the callee a second time
    while n < longest:
        if not toward(free, blk, i, j, near, n_dir):
            return n
        bx = side * n_dir[1]  # backward: the heading turned round
        by = -side * n_dir[0]
        best = 0.15
        bi = -1
        bj = -1
        for reach in range(1, 3):
            for a in range(max(0, i - reach), min(ny, i + reach + 1)):
                for b in range(max(0, j - reach), min(nx, j + reach + 1)):
                    if seen[a, b] == epoch and not (a * nx + b == start and n > 8):
                        continue
                    d = math.sqrt((a - i) * (a - i) + (b - j) * (b - j))
                    if d == 0.0:
                        continue
                    score = ((b - j) * bx + (a - i) * by) / d
                    if score > best and _is_front(free, blk, a, b):
                        best = score
                        bi = a
                        bj = b
            if bi >= 0:
                break
        if bi < 0:
            return n
        if bi * nx + bj == start:
            return 1
        i, j = bi, bj
        seen[i, j] = epoch
        out[n] = i * nx + j
        n += 1
    return n


@_kernel
def sight(sd, free, blk, x0, y0, h, hb, eps, ax, ay, bx, by):
    """True if the straight way from a to b runs over clear, admissible ground."""
    ny, nx = free.shape
    length = math.hypot(bx - ax, by - ay)
    n = max(1, int(math.ceil(length / (0.5 * hb))))
    for k in range(n + 1):
        t = k / n
        x = ax + t * (bx - ax)
        y = ay + t * (by - ay)
        if _lerp(sd, x0, y0, h, x, y) < eps:
            return False
        i = int(round((y - y0) / hb))
        j = int(round((x - x0) / hb))
        if i < 0 or j < 0 or i >= ny or j >= nx or blk[i, j] != 0:
            return False
    return True


@_kernel
def pull(sd, free, blk, x0, y0, h, hb, eps, pts, keep):
    """Straighten a chain of points: ``keep`` gets the indices that must stay; their number is returned."""
    n = pts.shape[0]
    keep[0] = 0
    m = 1
    at = 0
    while at < n - 1:
        # gallop to the farthest point in sight
        good = at + 1
        jump = 1
        while at + jump < n and sight(
            sd, free, blk, x0, y0, h, hb, eps, pts[at, 0], pts[at, 1], pts[at + jump, 0], pts[at + jump, 1]
        ):
            good = at + jump
            jump *= 2
        lo = good
        hi = min(n - 1, at + jump)
        while lo < hi:
            mid = (lo + hi + 1) // 2
            if sight(sd, free, blk, x0, y0, h, hb, eps, pts[at, 0], pts[at, 1], pts[mid, 0], pts[mid, 1]):
                lo = mid
            else:
                hi = mid - 1
        at = max(lo, at + 1)
        keep[m] = at
        m += 1
    return m


@_kernel
def least_along(sd, x0, y0, h, step, way):
    """Least of a map on the straight way through points (n, 2), no more than ``step`` mm between two places.

    Linear between nodes; beyond the map it is as at its rim.
    """
    ny, nx = sd.shape
    least = math.inf
    for k in range(way.shape[0]):
        n = 1
        ux = 0.0
        uy = 0.0
        if k + 1 < way.shape[0]:
            ux = way[k + 1, 0] - way[k, 0]
            uy = way[k + 1, 1] - way[k, 1]
            n = int(math.ceil(math.hypot(ux, uy) / step))
        for q in range(n):
            u = min(max((way[k, 0] + q / n * ux - x0) / h, 0.0), nx - 1.0)
            v = min(max((way[k, 1] + q / n * uy - y0) / h, 0.0), ny - 1.0)
            j = min(int(u), nx - 2)
            i = min(int(v), ny - 2)
            u -= j
            v -= i
            top = sd[i, j] + u * (sd[i, j + 1] - sd[i, j])
            low = sd[i + 1, j] + u * (sd[i + 1, j + 1] - sd[i + 1, j])
            least = min(least, top + v * (low - top))
    return least


@_kernel
def clear_node(sd, free, blk, x0, y0, h, hb, reach, least, x, y):
    """The nearest clear coarse node with a straight way to it from (x, y), ``least`` mm off what bounds it.

    Its flat index; -1 if there is none within ``reach`` rows and columns.
    """
    ny, nx = free.shape
    i = min(max(int(round((y - y0) / hb)), 0), ny - 1)
    j = min(max(int(round((x - x0) / hb)), 0), nx - 1)
    way = np.empty((2, 2))
    way[0, 0], way[0, 1] = x, y
    for away2 in range(2 * reach * reach + 1):
        for a in range(max(0, i - reach), min(ny, i + reach + 1)):
            for b in range(max(0, j - reach), min(nx, j + reach + 1)):
                if (a - i) * (a - i) + (b - j) * (b - j) != away2 or not free[a, b] or blk[a, b] != 0:
                    continue
                way[1, 0], way[1, 1] = x0 + b * hb, y0 + a * hb
                if least_along(sd, x0, y0, h, 0.5 * h, way) >= least:
                    return a * nx + b
    return -1


@_kernel
def bites(d2, x0, y0, hd, radius, tau, faint, eps, side, circle, pts, nxt, which, out):
    """out[k] = 1 where a cutter at boundary point ``which[k]`` would still cut at least ``tau`` deep.

    ``nxt[p]`` is the ring's next point after p; the free area lies to the left, so the wall is looked for on
    the right half of the circle. A cusp that a cutter passing ``eps`` off the boundary would meet with no
    more than the arc ``faint`` is no bite but 2: no walk would count it as cutting.
    """
    r2 = radius * radius
    probe = radius - tau
    half = 36
    near = 1.5 * radius * hd  # what interpolation may hide of a ridge
    turn = 0.5 * math.pi * 1.15 / half
    per_sample = 2.0 * radius * probe * turn
    fan = np.empty((2 * half + 1, 2))
    for t in range(2 * half + 1):
        fan[t, 0] = math.cos(turn * (t - half))
        fan[t, 1] = math.sin(turn * (t - half))
    for m in range(which.shape[0]):
        k = which[m]
        q = nxt[k]
        ux = pts[q, 0] - pts[k, 0]
        uy = pts[q, 1] - pts[k, 1]
        norm = math.sqrt(ux * ux + uy * uy)
        out[m] = 0
        if norm == 0.0:
            continue
        ux /= norm
        uy /= norm
        t = -1
        while t <= 2 * half:
            # the normal first: it is likeliest, and the order does not change the answer
            c = fan[t if t >= 0 else half, 0]
            s = fan[t if t >= 0 else half, 1]
            # right normal (uy, -ux) turned
            ex = uy * c + ux * s
            ey = -ux * c + uy * s
            here = _swept2(d2, x0, y0, hd, pts[k, 0] + probe * ex, pts[k, 1] + probe * ey) - r2
            if here > 0.0:
                px = pts[k, 0] - eps * uy
                py = pts[k, 1] + eps * ux
                arc = _arc(d2, x0, y0, hd, radius, radius, px, py, side * ux, side * uy, circle, faint)
                out[m] = 1 if arc > faint else 2
                break
            # deep in swept ground samples are passed over, as in `_arc`
            t += max(1, int((-here - near) / per_sample)) if t >= 0 else 1


@_kernel
def arc_at(d2, x0, y0, hd, radius, x, y, hx, hy, circle):
    """Arc in material on the leading half circle at one pose, rad."""
    return _arc(d2, x0, y0, hd, radius, radius, x, y, hx, hy, circle, np.inf)


@_kernel
def follow(d2, x0, y0, hd, radius, hole, limit, circle, pts, out_arc):
    """Sweep a walk that is given, ``pts (n, 2)``, and take down the arc of each step, rad; 0 at its start.

    Stops before the first step whose arc passes ``limit``; the number of points swept is returned. The start
    is swept whole, then only what lies further than ``hole`` from the centre.
    """
    reach = radius + 3.0 * hd
    ramp = _ramp(hd, reach)
    zero = np.float32(0.0 * hd)
    x, y = pts[0, 0], pts[0, 1]
    _stamp(d2, x0, y0, hd, reach, 0.0, x, y, x, y, ramp, zero)
    out_arc[0] = 0.0
    for k in range(1, pts.shape[0]):
        ux, uy = pts[k, 0] - x, pts[k, 1] - y
        length = math.sqrt(ux * ux + uy * uy)
        out_arc[k] = 0.0
        if length == 0.0:
            continue
        arc = _arc(
            d2, x0, y0, hd, radius, radius, pts[k, 0], pts[k, 1], ux / length, uy / length, circle, np.inf
        )
        out_arc[k] = arc
        if arc > limit:
            return k
        _stamp(d2, x0, y0, hd, reach, hole, x, y, pts[k, 0], pts[k, 1], ramp, zero)
        x, y = pts[k, 0], pts[k, 1]
    return pts.shape[0]


@_kernel
def way_arc(d2, x0, y0, hd, radius, step, most, circle, way):
    """Largest arc in material along a polyline ``way (n, 2)``, rad, half a node too large; takes nothing.

    Of the first that passes ``most`` only so much is asked: what comes after it is not.
    """
    worst = 0.0
    for k in range(way.shape[0] - 1):
        ux = way[k + 1, 0] - way[k, 0]
        uy = way[k + 1, 1] - way[k, 1]
        length = math.sqrt(ux * ux + uy * uy)
        if length == 0.0:
            continue
        n = max(1, int(math.ceil(length / step)))
        for q in range(1, n + 1):
            t = q / n
            arc = _arc(
                d2,
                x0,
                y0,
                hd,
                radius,
                radius + 0.5 * hd,
                way[k, 0] + t * ux,
                way[k, 1] + t * uy,
                ux / length,
                uy / length,
                circle,
                most,
            )
            if arc > worst:
                worst = arc
                if worst > most:
                    return worst
    return worst


@_kernel
def widen(d2, x0, y0, hd, radius, step, circle, pts, arcs):
    """Sweep a walk ``pts (n, 2)``; ``arcs (n,)`` are raised to what `way_arc` says of each step before it.

    ``radius`` is the cutter's; arcs are asked of one half a node smaller, so that they are not too large.
    """
    reach = radius + 3.0 * hd
    ramp = _ramp(hd, reach)
    zero = np.float32(0.0 * hd)
    for k in range(1, pts.shape[0]):
        arc = way_arc(d2, x0, y0, hd, radius - 0.5 * hd, step, np.inf, circle, pts[k - 1 : k + 1])
        arcs[k] = max(arcs[k], arc)
        px, py = pts[k - 1, 0], pts[k - 1, 1]
        if k == 1:
            _stamp_whole(d2, x0, y0, hd, reach, px, py, px, py, ramp, zero)
        _stamp_whole(d2, x0, y0, hd, reach, px, py, pts[k, 0], pts[k, 1], ramp, zero)


@_helper
def _row_flags(row, off2, away2, within, near, hd, r2, flat2):
    """1 if anything in a row is more than ``near``, 2 if within the disc something stands, 3 if both.

    In pitches squared: ``away2`` lies the row off the disc's middle, ``off2`` its nodes along it;
    ``within`` is the disc's radius.
    """
    found = 0
    for k in range(row.shape[0]):
        out2 = away2 + off2[k]
        found |= 1 if row[k] > near else 0
        stands = row[k] > min(r2, max(flat2, hd * hd * out2)) * (1.0 + 1.0e-6)
        found |= 2 if stands & (out2 <= within) else 0
    return found


@_helper
def _clear_at(d2, x0, y0, hd, radius, flat, slack, x, y):
    """True if a standing cutter at (x, y), ``slack`` larger than it is, touches no material anywhere.

    Inside the disc the floor must be flat too: a corner radius leaves ridges where no centre came within
    ``flat`` mm. What stands is mostly wider than a few rows, so these are gone through in strides.
    """
    ny, nx = d2.shape
    r2 = radius * radius
    near = r2 - 1.5 * radius * hd
    flat2 = flat * flat
    fi = (y - y0) / hd
    fj = (x - x0) / hd
    n = (radius + slack) / hd
    wide = n + 2.0  # with the nodes round every point of the rim
    low = max(0, int(math.ceil(fi - wide)))
    high = min(ny - 1, int(math.floor(fi + wide)))
    first = max(0, int(math.ceil(fj - wide)))
    off2 = np.empty(max(0, min(nx - 1, int(math.floor(fj + wide))) - first) + 1)
    for k in range(off2.shape[0]):
        off2[k] = (first + k - fj) * (first + k - fj)
    edges = 0
    for start in range(STRIDE):
        for i in range(low + start, high + 1, STRIDE):
            away2 = (i - fi) * (i - fi)
            half = math.sqrt(max(0.0, wide * wide - away2))
            a = max(first, int(math.ceil(fj - half)))
            b = max(a, min(nx - 1, int(math.floor(fj + half))) + 1)
            edges |= _row_flags(d2[i, a:b], off2[a - first : b - first], away2, n * n, near, hd, r2, flat2)
            if edges > 1:
                return False
    if not edges:
        return True
    # only where a node is nearly out of reach may something stand between the nodes
    if _touch(d2, x0, y0, hd, radius, radius + slack, x, y, int(10.0 * radius / hd)):
        return False
    for i in range(max(0, int(math.ceil(fi - n))), min(ny - 1, int(math.floor(fi + n))) + 1):
        half = math.sqrt(max(0.0, n * n - (i - fi) * (i - fi)))
        a = max(0, int(math.ceil(fj - half)))
        b = min(nx - 1, int(math.floor(fj + half)))
        for j in range(a, b + 1):
            if d2[i, j] > near and (i + 0.5 - fi) ** 2 + (j + 0.5 - fj) ** 2 <= n * n:  # a needle
                px = x0 + (j + 0.5) * hd
                py = y0 + (i + 0.5) * hd
                if _crease2(d2, x0, y0, hd, px, py, 0.0) > r2 + 1.0e-4:
                    return False
    return True


@_kernel
def first_clear(d2, x0, y0, hd, radius, flat, slack, pts):
    """The first of some places (n, 2) where a cutter stands clear, see `_clear_at`; -1 if it is none."""
    for k in range(pts.shape[0]):
        if _clear_at(d2, x0, y0, hd, radius, flat, slack, pts[k, 0], pts[k, 1]):
            return k
    return -1


@_kernel
def led(d2, sd, x0, y0, hd, h, radius, flat, step, most, circle, starts, goal):
    """First of ``starts (n, 2)`` from which a straight way leads to ``goal``; -1 if none does.

    The cutter stands clear where it starts; the way, in steps of ``step`` mm, stays on admissible ground and
    brushes no larger arc than ``most``.
    """
    for k in range(starts.shape[0]):
        x = starts[k, 0]
        y = starts[k, 1]
        ux = goal[0] - x
        uy = goal[1] - y
        n = max(1, int(math.ceil(math.sqrt(ux * ux + uy * uy) / step)))
        way = np.empty((n + 1, 2))
        room = True
        for q in range(n + 1):
            way[q, 0] = x + q / n * ux
            way[q, 1] = y + q / n * uy
            room = room and _lerp(sd, x0, y0, h, way[q, 0], way[q, 1]) >= 0.0
        if (
            room
            and _clear_at(d2, x0, y0, hd, radius, flat, hd, x, y)
            and way_arc(d2, x0, y0, hd, radius, step, most, circle, way) <= most
        ):
            return k
    return -1


@_kernel
def wall_pose(d2, sd, x0, y0, hd, h, radius, flat, eps, side, ring, at, back, offs, out):
    """A clear start beside a closed ring (n, 2): ``back`` points before point ``at``, else at that point.

    In ``out`` (4,): the place and the heading, along the wall as it is cut. ``offs``: how far off the wall
    to try, in radii. False where the cutter stands clear at none of them.
    """
    n = ring.shape[0]
    for trial in range(2):
        q = (at - side * back * (1 - trial)) % n
        ahead = (q + side * 2) % n
        behind = (q - side * 2) % n
        hx = ring[ahead, 0] - ring[behind, 0]
        hy = ring[ahead, 1] - ring[behind, 1]
        norm = math.hypot(hx, hy)
        if norm == 0.0:
            continue
        hx /= norm
        hy /= norm
        for k in range(offs.shape[0]):
            off = eps + offs[k] * radius
            x = ring[q, 0] + (-side * hy) * off
            y = ring[q, 1] + (side * hx) * off
            j = min(max(int(round((x - x0) / h)), 0), sd.shape[1] - 1)
            i = min(max(int(round((y - y0) / h)), 0), sd.shape[0] - 1)
            if sd[i, j] >= eps and _clear_at(d2, x0, y0, hd, radius, flat, hd, x, y):
                out[0], out[1], out[2], out[3] = x, y, hx, hy
                return True
    return False


@_kernel
def band_distance(mask, x0, y0, h, band, pts, offsets, out):
    """Signed distance to closed rings in a band of ``band`` mm; ``+-band`` beyond; sign from ``mask``."""
    ny, nx = mask.shape
    b2 = band * band
    for i in range(ny):
        for j in range(nx):
            out[i, j] = b2
    for ring in range(offsets.shape[0] - 1):
        a = offsets[ring]
        b = offsets[ring + 1]
        for k in range(a, b):
            nxt = k + 1 if k + 1 < b else a
            px, py = pts[k, 0], pts[k, 1]
            ux, uy = pts[nxt, 0] - px, pts[nxt, 1] - py
            uu = ux * ux + uy * uy
            j0 = max(0, int(math.ceil((min(px, px + ux) - band - x0) / h)))
            j1 = min(nx - 1, int(math.floor((max(px, px + ux) + band - x0) / h)))
            i0 = max(0, int(math.ceil((min(py, py + uy) - band - y0) / h)))
            i1 = min(ny - 1, int(math.floor((max(py, py + uy) + band - y0) / h)))
            for i in range(i0, i1 + 1):
                wy = y0 + i * h - py
                for j in range(j0, j1 + 1):
                    wx = x0 + j * h - px
                    t = (wx * ux + wy * uy) / uu if uu > 0.0 else 0.0
                    t = min(1.0, max(0.0, t))
                    dx = wx - t * ux
                    dy = wy - t * uy
                    d = dx * dx + dy * dy
                    if d < out[i, j]:
                        out[i, j] = d
    for i in range(ny):
        for j in range(nx):
            d = math.sqrt(out[i, j])
            out[i, j] = d if mask[i, j] else -d


@_kernel
def lower_discs(heights, x0, y0, pitch, radius, corner, z, pts, stride):
    """Lower ``heights`` to a cutter's underside, its tip at ``z``, at every ``stride``-th point and the last.

    ``radius`` may be less than the cutter's, to be sure: then so much more is left under its ``corner``.
    """
    ny, nx = heights.shape
    n = radius / pitch
    inner, corner2 = (radius - corner) / pitch, (corner / pitch) ** 2
    count = pts.shape[0]
    k = 0
    while k < count:
        fi = (pts[k, 1] - y0) / pitch
        fj = (pts[k, 0] - x0) / pitch
        for i in range(max(0, int(math.ceil(fi - n))), min(ny - 1, int(math.floor(fi + n))) + 1):
            half = math.sqrt(max(0.0, n * n - (i - fi) * (i - fi)))
            for j in range(max(0, int(math.ceil(fj - half))), min(nx - 1, int(math.floor(fj + half))) + 1):
                if heights[i, j] <= z:
                    continue
                under = z
                if corner > 0.0:
                    beyond = math.sqrt((i - fi) ** 2 + (j - fj) ** 2) - inner
                    if beyond > 0.0:
                        under += corner - pitch * math.sqrt(max(0.0, corner2 - beyond * beyond))
                heights[i, j] = min(heights[i, j], under)
        if k < count - 1:
            k = min(count - 1, k + stride)
        else:
            break


@_kernel
def highest_along(heights, x0, y0, pitch, radius, ax, ay, bx, by):
    """Greatest height within ``radius`` of the straight way from a to b; -inf where there is none."""
    ny, nx = heights.shape
    best = -np.inf
    length2 = (bx - ax) ** 2 + (by - ay) ** 2
    i0 = max(0, int(math.floor((min(ay, by) - radius - y0) / pitch)))
    i1 = min(ny - 1, int(math.ceil((max(ay, by) + radius - y0) / pitch)))
    j0 = max(0, int(math.floor((min(ax, bx) - radius - x0) / pitch)))
    j1 = min(nx - 1, int(math.ceil((max(ax, bx) + radius - x0) / pitch)))
    for i in range(i0, i1 + 1):
        for j in range(j0, j1 + 1):
            if heights[i, j] <= best:
                continue
            wx = x0 + j * pitch - ax
            wy = y0 + i * pitch - ay
            t = (wx * (bx - ax) + wy * (by - ay)) / length2 if length2 > 0.0 else 0.0
            t = min(1.0, max(0.0, t))
            dx = wx - t * (bx - ax)
            dy = wy - t * (by - ay)
            if dx * dx + dy * dy <= radius * radius:
                best = heights[i, j]
    return best
