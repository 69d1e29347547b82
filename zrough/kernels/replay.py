"""Replay of a program on its own maps: engagement, removal, contact. Arrays and numbers only.

Nothing here is shared with the planner.

Engagement. For one height Z a layer holds at each node the squared distance to the nearest centre of the
cutter that has been swept at or below Z, known in a narrow band round the cutter's radius and capped beyond
it. The cleared ground at Z is where that distance is below R. Bilinear interpolation of the squared distance,
less the parabola ``cell^2 (tx (1 - tx) + ty (1 - ty))``, is exact for one centre, so the ends of the engaged
arc are found far inside one cell. A straight or circular piece of the path is measured before it is swept:
within a piece the ground it has cleared itself is a distance in closed form.

Removal. A node map keeps the exact height at each node; a second map keeps the mean height of each cell (the
share of the cell that a wall covers), so that volumes do not depend on where walls fall between nodes.

Contact with the part. Depth inside a bull-nose cutter (distance to its nearest surface, growing inward) is a
concave function of position, and for a straight motion jointly concave in the point of a triangle and the way
travelled: the deepest point of a triangle over a whole motion is one concave maximum with no sample to miss.

Pieces: rows of ``(ax, ay, az, bx, by, bz, cx, cy)``, ``turn`` 0 line, +1 counter-clockwise arc, -1 clockwise,
arcs at most a quarter turn.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit

#: No checks for division by zero: the callers guard, and the code compiles and runs faster.
#: Sums may be reordered and divisions by a constant become products, alike on every run.
_OPTIONS: dict[str, Any] = {
    "nogil": True,
    "error_model": "numpy",
    "fastmath": {"reassoc", "arcp", "contract", "nsz"},
    "no_cfunc_wrapper": True,
}
_kernel = njit(cache=True, **_OPTIONS)
#: Helpers are called from kernels only: without a door to Python, and kept in their callers' cache, they
#: compile in half the time. None makes an array, so none need count who holds one; that took a twentieth of
#: the time of a measurement.
_helper = njit(**{"no_cpython_wrapper": True, "_nrt": False, **_OPTIONS})

FILM = 0.005  # mm; less than this standing above the tip is no material
# mm; a wall this near the cutter's circle is beside it, not under it: the paths of two levels along one
# upright wall may each be off by the usual tolerance of 0.01 mm and by the rounding of a block
SKIN = 0.025
AHEAD = 0.4  # mm of path after a piece in which what it met at its rim may come under the cutter
GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)
LEVEL = 0.002  # mm; heights closer than this are one level
OVER = (1.0, 3.0, 10.0)  # degrees above the cap whose lengths are summed
RAPID, FLAT, DOWN, UP, VERTICAL = 0, 1, 2, 3, 4  # classes of pieces
BLOCK, CYLINDER, MAP = 0, 1, 2  # kinds of stock outline


@_helper
def _reach(px, py, ax, ay, bx, by, cx, cy, turn):
    """Squared distance in plan from a point to a piece."""
    if turn != 0:
        ux, uy = px - cx, py - cy
        sx, sy = ax - cx, ay - cy
        ex, ey = bx - cx, by - cy
        if (
            (sx * uy - sy * ux) * turn >= 0.0
            and (ux * ey - uy * ex) * turn >= 0.0
            and ux * (sx + ex) + uy * (sy + ey) > 0.0
        ):
            gap = math.sqrt(ux * ux + uy * uy) - math.sqrt(sx * sx + sy * sy)
            return gap * gap
        return min((px - ax) ** 2 + (py - ay) ** 2, (px - bx) ** 2 + (py - by) ** 2)
    dx, dy = bx - ax, by - ay
    length2 = dx * dx + dy * dy
    ux, uy = px - ax, py - ay
    t = 0.0
    if length2 > 0.0:
        t = min(1.0, max(0.0, (ux * dx + uy * dy) / length2))
    ux -= t * dx
    uy -= t * dy
    return ux * ux + uy * uy


@_helper
def _ahead(ax, ay, bx, by, cx, cy, turn, outer):
    """Heading at the start of a piece, if what lies behind its start is no nearer to it than to the start."""
    if turn == 0:
        return bx - ax, by - ay
    sx, sy = ax - cx, ay - cy
    if sx * sx + sy * sy > outer * outer:
        return -turn * sy, turn * sx
    return 0.0, 0.0


@_helper
def _strip(ax, ay, bx, by, wide, hx, hy):
    """What `_span` needs of the strip ``wide`` beside the chord a-b: its lean, half its width along a row (0
    for none), squared length, lean of the line square to the heading (hx, hy)."""
    dx, dy = bx - ax, by - ay
    length2 = dx * dx + dy * dy
    lean, half, lead = 0.0, 0.0, 0.0
    if abs(dy) > 1e-9:
        lean, half = dx / dy, wide * math.sqrt(length2) / abs(dy)
    if hx != 0.0:
        lead = hy / hx
    return lean, half, length2, lead


@_helper
def _span(ya, ax, dx, dy, wide2, strip, hx, hy, x0, per, nx):
    """Nodes ``j0..j1`` of the row ``ya`` above a within ``wide`` of the chord from a along (dx, dy).

    With a heading (hx, hy) other than nought, only those ahead of a. ``per``: nodes a mm.
    """
    lean, half, length2, lead = strip
    low, high = math.inf, -math.inf
    ga = wide2 - ya * ya
    if ga >= 0.0:
        high = math.sqrt(ga)
        low = -high
    gb = wide2 - (ya - dy) * (ya - dy)
    if gb >= 0.0:
        gb = math.sqrt(gb)
        low, high = min(low, dx - gb), max(high, dx + gb)
    if half > 0.0:
        # Where the row leaves the strip beside the chord; the ends count only within it.
        x = ya * lean - half
        t = x * dx + ya * dy
        if t >= 0.0 and t <= length2:
            low, high = min(low, x), max(high, x)
        x = ya * lean + half
        t = x * dx + ya * dy
        if t >= 0.0 and t <= length2:
            low, high = min(low, x), max(high, x)
    if hx > 0.0:
        low = max(low, -ya * lead)
    elif hx < 0.0:
        high = min(high, -ya * lead)
    elif ya * hy < 0.0:
        high = -math.inf
    if low > high:
        return 0, -1
    return max(0, math.ceil((low + ax - x0) * per)), min(nx - 1, math.floor((high + ax - x0) * per))


@_helper
def _within(ya, ax, inner2, x0, per, j0, j1):
    """Those of the nodes ``j0..j1`` of the row ``ya`` above a within ``inner`` of a, or (j1 + 1, j1)."""
    g = inner2 - ya * ya
    if g > 0.0 and j0 <= j1:
        g = math.sqrt(g)
        s0 = max(j0, math.ceil((ax - g - x0) * per))
        s1 = min(j1, math.floor((ax + g - x0) * per))
        if s0 <= s1:
            return s0, s1
    return j1 + 1, j1


@_helper
def _bulge(ax, ay, bx, by, cx, cy, turn):
    """How far an arc stands off its chord."""
    if turn == 0:
        return 0.0
    mx, my = 0.5 * (ax + bx) - cx, 0.5 * (ay + by) - cy
    return max(0.0, math.sqrt((ax - cx) ** 2 + (ay - cy) ** 2) - math.sqrt(mx * mx + my * my))


@_helper
def _sweep_layer(layer, x0, y0, cell, outer, inner, ax, ay, bx, by, cx, cy, turn, joined, shift):
    """Lower the squared distances by one piece; near a, what is within ``inner`` is known already if
    ``joined``.

    ``shift`` is how much wider than the layer's cutter the one is that sweeps: distances count less it, so
    that the edge of the swept ground stays where the layer's own radius is passed.
    """
    ny, nx = layer.shape
    outer += shift
    wide = outer + _bulge(ax, ay, bx, by, cx, cy, turn)
    hx, hy = 0.0, 0.0
    if joined:
        hx, hy = _ahead(ax, ay, bx, by, cx, cy, turn, outer)
    if not joined:
        inner = 0.0
    elif abs(bx - ax) + abs(by - ay) > outer:
        inner *= 0.5  # a long piece pays for true distances well inside the cleared ground
    known = np.float32(inner * inner)
    if inner > 0.0:
        inner = max(0.0, inner + shift)
    dx, dy = bx - ax, by - ay
    strip = _strip(ax, ay, bx, by, wide, hx, hy)
    along = 1.0 / strip[2] if strip[2] > 0.0 else 0.0
    ux, uy, per = along * dx, along * dy, 1.0 / cell
    first = max(0, math.ceil((min(ay, by) - wide - y0) * per))
    last = min(ny - 1, math.floor((max(ay, by) + wide - y0) * per))
    for i in range(first, last + 1):
        ya = y0 + i * cell - ay
        j0, j1 = _span(ya, ax, dx, dy, wide * wide, strip, hx, hy, x0, per, nx)
        s0, s1 = _within(ya, ax, inner * inner, x0, per, j0, j1)
        for side in range(2):
            if side == 1:
                j0, s0 = s1 + 1, j1 + 1
            for j in range(j0, s0):
                now = layer[i, j]
                if now > known:
                    if turn == 0:
                        xa = x0 + j * cell - ax
                        t = min(1.0, max(0.0, xa * ux + ya * uy))
                        r2 = (xa - t * dx) ** 2 + (ya - t * dy) ** 2
                    else:
                        r2 = _reach(x0 + j * cell, ya + ay, ax, ay, bx, by, cx, cy, turn)
                    if shift != 0.0:
                        r2 = max(0.0, math.sqrt(r2) - shift) ** 2
                    d2 = np.float32(r2)
                    if d2 < now:
                        layer[i, j] = d2


@_helper
def _turned(cx, cy, ax, ay, bx, by, turn, t):
    """The point at share ``t`` of an arc piece."""
    sx, sy = ax - cx, ay - cy
    ex, ey = bx - cx, by - cy
    sweep = turn * math.atan2((sx * ey - sy * ex) * turn, sx * ex + sy * ey) * t
    c, s = math.cos(sweep), math.sin(sweep)
    return cx + sx * c - sy * s, cy + sx * s + sy * c


@_helper
def _wider(height, radius, corner, other, its_corner):
    """Radius that another cutter has ``height`` over its tip, less ``radius``; 0 for one like this."""
    if other == radius and its_corner == corner:
        return 0.0
    h = max(FILM, height)
    if h >= its_corner:
        return other - radius
    return other - its_corner + math.sqrt(2.0 * its_corner * h - h * h) - radius


@_helper
def _catch_up(
    layer, z, begin, end, known, above, pieces, turns, radii, corners, radius, corner,
    x0, y0, cell, outer, inner,
):  # fmt: skip
    """Sweep the pieces ``begin..end`` that run at or below ``z``; those before ``known`` only if above
    ``above``.

    Other cutters' pieces (``radii``, ``corners`` by piece) count with the radius they have where this one has
    its full radius, its own corner radius above ``z``.
    """
    lx, ly = math.nan, math.nan
    before = 0.0
    limit = z + FILM
    if begin > 0 and pieces[begin - 1, 5] <= limit:  # swept by the call before
        q = begin - 1
        lx, ly = pieces[q, 3], pieces[q, 4]
        highest = min(limit, max(pieces[q, 2], pieces[q, 5]))
        before = _wider(z + corner - highest, radius, corner, radii[q], corners[q])
    for k in range(begin, end):
        az, bz = pieces[k, 2], pieces[k, 5]
        if min(az, bz) > limit or (k < known and max(az, bz) <= above - max(0.0, corners[k] - corner)):
            continue
        shift = _wider(z + corner - min(limit, max(az, bz)), radius, corner, radii[k], corners[k])
        if outer + shift <= 0.0:
            lx, ly = math.nan, math.nan
            continue
        ax, ay, bx, by = pieces[k, 0], pieces[k, 1], pieces[k, 3], pieces[k, 4]
        cx, cy, turn = pieces[k, 6], pieces[k, 7], int(turns[k])
        ox, oy = bx, by
        if max(az, bz) > limit:  # only the lower share counts
            t = (limit - az) / (bz - az)
            px, py = ax + t * (bx - ax), ay + t * (by - ay)
            if turn != 0:
                px, py = _turned(cx, cy, ax, ay, bx, by, turn, t)
            if az > limit:
                ax, ay = px, py
            else:
                bx, by = px, py
                ox, oy = math.nan, math.nan
        joined = ax == lx and ay == ly and shift == before
        _sweep_layer(layer, x0, y0, cell, outer, inner, ax, ay, bx, by, cx, cy, turn, joined, shift)
        lx, ly = ox, oy
        before = shift


@_helper
def _inside(px, py, z, kind, box, top, tx0, ty0, tcell):
    """How far a point stands inside the outline of the stock at height z, mm, negative outside."""
    if kind == BLOCK:
        return min(min(px - box[0], box[1] - px), min(py - box[2], box[3] - py))
    if kind == CYLINDER:
        return box[2] - math.sqrt((px - box[0]) ** 2 + (py - box[1]) ** 2)
    ny, nx = top.shape
    u, v = (px - tx0) / tcell, (py - ty0) / tcell
    j, i = math.floor(u), math.floor(v)
    if i < 0 or j < 0 or i >= ny - 1 or j >= nx - 1:
        return -tcell
    u -= j
    v -= i
    f00 = min(tcell, max(-tcell, top[i, j] - z - FILM))
    f01 = min(tcell, max(-tcell, top[i, j + 1] - z - FILM))
    f10 = min(tcell, max(-tcell, top[i + 1, j] - z - FILM))
    f11 = min(tcell, max(-tcell, top[i + 1, j + 1] - z - FILM))
    return (f00 * (1 - u) + f01 * u) * (1 - v) + (f10 * (1 - u) + f11 * u) * v


@_helper
def _beyond(px, py, radius, layer, x0, y0, cell):
    """How far a point stands outside the swept ground, mm, near its rim; negative inside."""
    ny, nx = layer.shape
    u, v = (px - x0) / cell, (py - y0) / cell
    j, i = int(u), int(v)
    if u < 0.0 or v < 0.0 or i >= ny - 1 or j >= nx - 1:
        return -cell  # the layer covers the stock, so this is outside it
    u -= j
    v -= i
    d2 = (layer[i, j] * (1 - u) + layer[i, j + 1] * u) * (1 - v)
    d2 += (layer[i + 1, j] * (1 - u) + layer[i + 1, j + 1] * u) * v
    d2 -= cell * cell * (u * (1 - u) + v * (1 - v))
    return (d2 - radius * radius) / (2.0 * radius)


@_helper
def _arc_in_material(
    x, y, z, hx, hy, radius, cosines, sines, delta, runs, per_d2,
    ax, ay, px, py, cx, cy, turn, bends,
    layer, x0, y0, cell, kind, box, top, tx0, ty0, tcell,
):  # fmt: skip
    """Angle of the circle round (x, y) in material, radians; (hx, hy) is the heading, a..p swept by this
    piece.

    ``bends``: the piece is an arc so tight that it may clear ground ahead of itself. ``runs[int(d2 *
    per_d2)]``: samples from one whose nearest node has that squared distance up to the next in doubt,
    positive on cleared ground, negative in solid, 0 at a rim.
    """
    ny, nx = layer.shape
    total = 0.0
    n, last = len(cosines), len(runs) - 1
    inv, r2 = 0.5 / radius, radius * radius
    wide = radius + cell
    inside = kind == BLOCK and min(min(x - box[0], box[1] - x), min(y - box[2], box[3] - y)) > wide
    if kind == CYLINDER:
        inside = (x - box[0]) ** 2 + (y - box[1]) ** 2 < max(0.0, box[2] - wide) ** 2
    # In the frame of the layer, in cells, half a cell on: the whole part is the nearest node.
    gx, gy = (x - x0) / cell + 0.5, (y - y0) / cell + 0.5
    ghx, ghy = hx * radius / cell, hy * radius / cell
    # The same for the sides of a block; elsewhere runs in solid need the whole circle in the stock.
    low_j, high_j = (box[0] - x0) / cell + 0.5, (box[1] - x0) / cell + 0.5
    low_i, high_i = (box[2] - y0) / cell + 0.5, (box[3] - y0) / cell + 0.5
    beside = kind == BLOCK and not inside
    most = 0.0 if bends or not (inside or beside) else 1e9
    k, at, tries = 0, -1, 0  # this sample, the one before, steps of the search between the two
    before, f0, f1, u0, u1, u = -1.0, 0.0, 0.0, 0.0, 1.0, 0.0
    pex, pey, aex, aey, edge, v = 0.0, 0.0, 0.0, 0.0, cell, 0.0
    while k < n:
        jump, run = 1, 0
        if tries == 0:
            # Runs of samples far from any rim, the most of them: by the nearest node alone.
            known = True
            while known:
                # unsigned: an index that may count from the end costs a test each
                c, s = cosines[np.uint64(k)], sines[np.uint64(k)]
                u, v = gx + ghx * c - ghy * s, gy + ghy * c + ghx * s
                j, i = min(max(int(u), 0), nx - 1), min(max(int(v), 0), ny - 1)
                run = int(runs[np.uint64(min(last, int(layer[np.uint64(i), np.uint64(j)] * per_d2)))])
                depth = most  # in the stock, cells
                if beside:
                    depth = min(most, min(min(u - low_j, high_j - u), min(v - low_i, high_i - v)))
                    if depth < 0.0:
                        run = max(run, int(-depth) + 1)
                jump, known = 1, False
                if run > 0:
                    jump = run
                    known = before < 0.0 and k < n - 1
                elif run < 0 and before > 0.0 and depth >= 1.0 and k < n - 1:
                    total += (k - at) * delta
                    jump = min(-run, int(depth))
                    known = True
                if known:
                    before = cell if run < 0 else -cell
                    at = k
                    k = min(k + jump, n - 1)
            aex = hx * cosines[k] - hy * sines[k]
            aey = hy * cosines[k] + hx * sines[k]
            ex, ey = aex, aey
        else:  # between the samples, on the chord pushed out to the circle
            ex, ey = pex + u * (aex - pex), pey + u * (aey - pey)
            g = 1.0 / math.sqrt(ex * ex + ey * ey)
            ex, ey = ex * g, ey * g
        qx, qy = x + radius * ex, y + radius * ey
        if not inside:
            edge = _inside(qx, qy, z, kind, box, top, tx0, ty0, tcell)
        m = -cell if run > 0 else min(edge, cell)
        if m > 0.0 and run == 0:
            m = min(m, _beyond(qx, qy, radius, layer, x0, y0, cell))
        if bends and m > 0.0:
            m = min(m, (_reach(qx, qy, ax, ay, px, py, cx, cy, turn) - r2) * inv)
        if tries == 0:
            if at >= 0 and (m > 0.0) != (before > 0.0):
                # Regula falsi with halving of the end that stays (Illinois).
                u0, u1, f0, f1 = 0.0, 1.0, before, m
                u = f0 / (f0 - f1)
                tries = 1
                pex = hx * cosines[at] - hy * sines[at]
                pey = hy * cosines[at] + hx * sines[at]
                continue
            if at >= 0 and m > 0.0:
                total += (k - at) * delta
        else:
            if (m > 0.0) == (f1 > 0.0):
                u1, f1, f0 = u, m, (0.5 * f0 if tries > 1 else f0)
            else:
                u0, f0, f1 = u, m, (0.5 * f1 if tries > 1 else f1)
            if abs(m) > 3e-4 * radius and tries < 8 and u1 - u0 > 1e-2:
                u = u0 - f0 * (u1 - u0) / (f1 - f0)
                tries += 1
                continue
            total += (k - at) * delta * (u if before > 0.0 else 1.0 - u)
            tries = 0
            m = -before
        before, at = m, k
        k = min(k + jump, n - 1) if k < n - 1 else n
    return total


@_kernel
def engagement(
    end, state, pieces, turns, classes, motion, entry, radii, corners, radius, corner, step, cap,
    layers, slot_z, slot_seen, slot_used, slot_known, slot_above, x0, y0, cell, outer, inner,
    kind, box, stock_top_z, top, tx0, ty0, tcell, cosines, sines, delta, runs, per_d2,
    worst, worst_at, mean, cut_length, over, histogram, entry_histogram,
):  # fmt: skip
    """Engagement of every step of the level cutting pieces from ``state`` up to ``end``.

    ``state`` (3,) int64: the next piece, its next step, the steps measured so far. Returns True if the level
    of that piece needs a layer: the caller opens one and calls again. Slots: ``slot_z`` heights,
    ``slot_seen`` pieces swept, ``slot_used`` piece last measured (-1 empty); of pieces before ``slot_known``
    only those above ``slot_above`` are missing.

    ``radii``, ``corners`` (n,) mm: the cutter of each piece; ``radius``, ``corner`` that of those measured.
    ``entry`` (n,) bool: level pieces that retrace a descent, counted apart. ``worst`` (m,) degrees by motion,
    ``worst_at`` (m, 3), ``mean`` (m,) degrees x mm, ``cut_length`` (m,) mm, ``over`` (3,) mm above the cap by
    1, 3, 10 degrees, histograms (361,) mm.
    """
    while state[0] < end:
        k = state[0]
        begin = state[1]
        state[0] = k + 1
        state[1] = 0
        if classes[k] != FLAT:
            continue
        ax, ay, bx, by = pieces[k, 0], pieces[k, 1], pieces[k, 3], pieces[k, 4]
        z = min(pieces[k, 2], pieces[k, 5])
        cx, cy, turn = pieces[k, 6], pieces[k, 7], int(turns[k])
        dx, dy = bx - ax, by - ay
        length = math.sqrt(dx * dx + dy * dy)
        sx, sy, arc, bends = ax - cx, ay - cy, 0.0, False
        if turn != 0:
            arc = math.atan2((sx * (by - cy) - sy * (bx - cx)) * turn, sx * (bx - cx) + sy * (by - cy))
            length = arc * math.sqrt(sx * sx + sy * sy)
            bends = sx * sx + sy * sy < 1.05 * radius * radius
        if length <= 0.0:
            continue
        count = max(1, math.ceil(length / step - 1e-9))
        share = length / count
        m = motion[k]
        if stock_top_z <= z + FILM:
            histogram[0] += length
            state[2] += count
            continue
        # This level's layer; else a lower one to probe with: what is clear there is clear here.
        slot, probing = -1, True
        for s in range(len(slot_z)):
            if slot_used[s] >= 0 and probing:
                if abs(slot_z[s] - z) <= LEVEL:
                    slot, probing = s, False
                elif slot_z[s] < z and (slot < 0 or slot_z[s] > slot_z[slot]):
                    slot = s
        if slot < 0:
            state[0], state[1] = k, begin
            return True
        layer = layers[slot]  # once a piece, not once a step
        _catch_up(
            layer, slot_z[slot], slot_seen[slot], k, slot_known[slot], slot_above[slot],
            pieces, turns, radii, corners, radius, corner, x0, y0, cell, outer, inner,
        )  # fmt: skip
        slot_seen[slot] = k
        slot_used[slot] = k
        px, py = ax, ay
        for j in range(begin - 1, count):
            t = (j + 1) / count
            x, y, hx, hy = ax + t * dx, ay + t * dy, dx / length, dy / length
            if turn != 0:
                co, si = math.cos(turn * arc * t), math.sin(turn * arc * t)
                hx, hy = sx * co - sy * si, sx * si + sy * co
                x, y = cx + hx, cy + hy
                r = turn / math.sqrt(sx * sx + sy * sy)
                hx, hy = -hy * r, hx * r
            if j >= begin:
                angle = _arc_in_material(
                    x, y, z, hx, hy, radius, cosines, sines, delta, runs, per_d2,
                    ax, ay, px, py, cx, cy, turn, bends,
                    layer, x0, y0, cell, kind, box, top, tx0, ty0, tcell,
                )  # fmt: skip
                if angle > 0.0 and probing:
                    state[0], state[1] = k, j
                    return True
                degrees = math.degrees(angle)
                state[2] += 1
                if entry[k]:
                    entry_histogram[min(360, int(degrees))] += share
                else:
                    histogram[min(360, int(degrees))] += share
                    if degrees > worst[m]:
                        worst[m] = degrees
                        worst_at[m, 0], worst_at[m, 1], worst_at[m, 2] = x, y, z
                    if degrees > 0.0:
                        mean[m] += degrees * share
                        cut_length[m] += share
                    for o in range(3):
                        if degrees > cap + OVER[o]:
                            over[o] += share
            px, py = x, y
    return False


# ---------------------------------------------------------------------------------------------------------
# Removal


@_helper
def _profile(d2, radius, corner):
    """Height of the cutter's underside above its tip at squared distance ``d2 <= radius^2`` from the axis."""
    flat = radius - corner
    if d2 <= flat * flat:
        return 0.0
    u = math.sqrt(d2) - flat
    return corner - math.sqrt(max(0.0, corner * corner - u * u))


@_helper
def _share_of_cell(px, py, cell, kind, box):
    """Share of a node's cell that lies in the outline of the stock."""
    h = 0.5 * cell
    if kind == BLOCK:
        wx = min(px + h, box[1]) - max(px - h, box[0])
        wy = min(py + h, box[3]) - max(py - h, box[2])
        return max(0.0, wx) * max(0.0, wy) / (cell * cell)
    if kind == CYLINDER:
        inside = box[2] - math.sqrt((px - box[0]) ** 2 + (py - box[1]) ** 2)
        return min(1.0, max(0.0, 0.5 + inside / cell))
    return 1.0


@_helper
def _comes_under(px, py, k, pieces, turns, near2):
    """Whether a point at the rim at the end of piece ``k`` is passed nearer than at that end soon after.

    Looks at what follows level and without a break, `AHEAD` of path. A film on a wall stays at the rim.
    """
    gone, n = 0.0, k + 1
    while n < len(pieces) and gone < AHEAD:
        ax, ay, bx, by = pieces[n, 0], pieces[n, 1], pieces[n, 3], pieces[n, 4]
        if ax != pieces[n - 1, 3] or ay != pieces[n - 1, 4] or abs(pieces[n, 5] - pieces[k, 2]) > FILM:
            return False
        size = math.sqrt((bx - ax) ** 2 + (by - ay) ** 2)
        turn = np.int64(turns[n])
        if turn == 0 and gone + size > AHEAD:
            share = (AHEAD - gone) / size
            bx, by = ax + share * (bx - ax), ay + share * (by - ay)
        if _reach(px, py, ax, ay, bx, by, pieces[n, 6], pieces[n, 7], turn) < near2:
            return True
        gone += size
        n += 1
    return False


@_helper
def _carve(
    heights, means, tops, first_row, end_row, x0, y0, cell, radius, corner, bottom, kind, box, highest,
    ax, ay, bx, by, cx, cy, turn, z, joined, k, pieces, turns, out, at,
):  # fmt: skip
    """Lower some rows of the maps by one level piece at ``z``; it ends like piece ``k``, -1 if nothing level
    follows.

    ``out``: [0] += volume mm3, [1] = max depth cut, [2] = max depth met inside the radius less ``SKIN``, by
    this piece or by what follows close on it. ``at`` (2, 2): places of [1] and [2].
    """
    ny, nx = heights.shape
    half = 0.72 * cell
    bulge = _bulge(ax, ay, bx, by, cx, cy, turn)
    wide = radius + half + bulge
    per = 1.0 / cell
    first = max(first_row, math.ceil((min(ay, by) - wide - y0) * per))
    last = min(end_row - 1, math.floor((max(ay, by) + wide - y0) * per))
    if first > last:
        return
    inner, hx, hy = 0.0, 0.0, 0.0
    if joined:
        inner = max(0.0, radius - corner - half)
        hx, hy = _ahead(ax, ay, bx, by, cx, cy, turn, radius + half)
    # Nodes this near the chord are under the flat of the cutter whatever their distance.
    deep = max(0.0, radius - corner - half - SKIN - bulge)
    r2, in2, far2 = radius * radius, max(0.0, radius - half) ** 2, (radius + half) ** 2
    test2 = max(0.0, radius - SKIN) ** 2
    flat2, chord = (radius - corner) ** 2, 1.0 / (2.0 * radius - corner)
    bow = 0.5 / corner if corner > 0.0 else 0.0
    dx, dy, area = bx - ax, by - ay, cell * cell
    strip, core = _strip(ax, ay, bx, by, wide, hx, hy), _strip(ax, ay, bx, by, deep, hx, hy)
    along = 1.0 / strip[2] if strip[2] > 0.0 else 0.0
    ux, uy = along * dx, along * dy
    flat = max(bottom, z)
    done = np.float32(z + 2e-5)  # the mean of a cell all cut at z, whatever its rounding
    uncut = max(done, np.float32(flat))
    taken, deepest, met, xd, yd, xm, ym = 0.0, out[1], out[2], at[0, 0], at[0, 1], at[1, 0], at[1, 1]
    for i in range(first, last + 1):
        ya = y0 + i * cell - ay
        j0, j1 = _span(ya, ax, dx, dy, wide * wide, strip, hx, hy, x0, per, nx)
        if j0 > j1:
            continue
        s0, s1 = _within(ya, ax, inner * inner, x0, per, j0, j1)
        c0, c1 = 1, 0
        rim_row = kind == CYLINDER or (kind == BLOCK and (i < 3 or i > ny - 4))
        if not rim_row:
            c0, c1 = _span(ya, ax, dx, dy, deep * deep, core, hx, hy, x0, per, nx)
            c0, c1 = max(c0, 3), min(c1, nx - 4)
        if c0 > c1:
            c0, c1 = s0, s1
        elif s0 > s1:
            s0, s1 = c1 + 1, c1
        # From left to right: rim, flat, rim, (cut by the piece before), rim, flat, rim; most are empty.
        for part in range(6):
            p, q = j0, min(c0, s0)
            if part == 1:
                p, q = c0, min(c1 + 1, s0)
            elif part == 2:
                p, q = c1 + 1, (s0 if c0 < s0 else 0)
            elif part == 3:
                p, q = s1 + 1, (c0 if c1 > s1 else 0)
            elif part == 4:
                p, q = max(c0, s1 + 1), c1 + 1
            elif part == 5:
                p, q = max(c1, s1) + 1, j1 + 1
            if part == 1 or part == 4:
                for j in range(p, q):
                    mean = means[i, j]
                    # beside a deeper cut a cell's mean may lie below z while its node still stands
                    if mean > uncut or heights[i, j] > uncut:
                        if mean > uncut:
                            taken += mean - flat
                            means[i, j] = flat
                        depth = heights[i, j] - flat
                        if depth > 0.0:
                            heights[i, j] = flat
                            if depth > met or depth > deepest:
                                if depth > deepest:
                                    deepest, xd, yd = depth, x0 + j * cell, ya + ay
                                if depth > met:
                                    met, xm, ym = depth, x0 + j * cell, ya + ay
                continue
            for j in range(p, q):
                stands = max(means[i, j], heights[i, j])
                if stands <= done:
                    continue
                if turn == 0:
                    xa = x0 + j * cell - ax
                    t = min(1.0, max(0.0, xa * ux + ya * uy))
                    d2 = (xa - t * dx) ** 2 + (ya - t * dy) ** 2
                else:
                    d2 = _reach(x0 + j * cell, ya + ay, ax, ay, bx, by, cx, cy, turn)
                if d2 >= far2:
                    continue
                under = flat
                if corner > 0.0:
                    # a parabola over a chord, both below the rounding: most nodes are below it already
                    v = max(0.0, (min(d2, r2) - flat2) * chord)
                    if stands <= z + v * v * bow:
                        continue
                    under = max(bottom, z + _profile(min(d2, r2), radius, corner))
                depth = heights[i, j] - under
                if d2 < r2 and depth > 0.0:
                    heights[i, j] = under
                    if depth > deepest:
                        deepest, xd, yd = depth, x0 + j * cell, ya + ay
                    if depth > met and (
                        d2 < test2
                        or (k >= 0 and _comes_under(x0 + j * cell, ya + ay, k, pieces, turns, test2))
                    ):
                        met, xm, ym = depth, x0 + j * cell, ya + ay
                mean = under
                if d2 > in2:
                    share = min(1.0, 0.5 + (radius - math.sqrt(d2)) * per)
                    mean = math.inf
                    if share > 0.0:
                        before = tops[i, j]
                        if before == -math.inf and kind != MAP:
                            before = highest
                        mean = share * under + (1.0 - share) * before
                fall = means[i, j] - mean
                if fall > 0.0:
                    if rim_row or (kind != MAP and (j < 3 or j > nx - 4)):
                        fall *= _share_of_cell(x0 + j * cell, ya + ay, cell, kind, box)
                    taken += fall
                    means[i, j] = mean
    out[0] += taken * area
    out[1], out[2] = deepest, met
    at[0, 0], at[0, 1], at[1, 0], at[1, 1] = xd, yd, xm, ym


@_helper
def _body_contact(
    heights, part, coarse, block, first_row, end_row, x0, y0, cell, body, body_step,
    ax, ay, bx, by, cx, cy, turn, z, out, at,
):  # fmt: skip
    """How far shank or holder dip below stock or part in some rows of blocks, mm; ``body[k]`` their lowest
    height at radius k * body_step."""
    nx = heights.shape[1]
    wide = (len(body) - 1) * body_step
    side = block * cell
    ring = 0.7072 * side
    reach = wide + ring + _bulge(ax, ay, bx, by, cx, cy, turn)
    centre = 0.5 * (block - 1) * cell
    i0 = max(first_row // block, math.floor((min(ay, by) - reach - y0) / side))
    i1 = min((end_row - 1) // block, math.floor((max(ay, by) + reach - y0) / side))
    j0 = max(0, math.floor((min(ax, bx) - reach - x0) / side))
    j1 = min(coarse.shape[1] - 1, math.floor((max(ax, bx) + reach - x0) / side))
    for bi in range(i0, i1 + 1):
        for bj in range(j0, j1 + 1):
            if coarse[bi, bj] <= z + body[0]:
                continue
            d = (
                math.sqrt(
                    _reach(x0 + bj * side + centre, y0 + bi * side + centre, ax, ay, bx, by, cx, cy, turn)
                )
                - ring
            )
            if d >= wide:
                continue
            if coarse[bi, bj] <= z + body[int(max(0.0, d) / body_step)]:
                continue
            highest = -math.inf
            for i in range(bi * block, min(end_row, (bi + 1) * block)):
                for j in range(bj * block, min(nx, (bj + 1) * block)):
                    h = max(heights[i, j], part[i, j])
                    highest = max(highest, h)
                    if h <= z + body[0]:
                        continue
                    d = math.sqrt(_reach(x0 + j * cell, y0 + i * cell, ax, ay, bx, by, cx, cy, turn))
                    if d < wide and h - z - body[int(d / body_step)] > out[3]:
                        out[3] = h - z - body[int(d / body_step)]
                        at[2, 0], at[2, 1] = x0 + j * cell, y0 + i * cell
            coarse[bi, bj] = highest


@_kernel
def removal(
    start, begin, end, first_row, end_row, pieces, turns, motion, radius, corner,
    heights, means, tops, part, coarse, block, x0, y0, cell, bottom, kind, box, highest, body, body_step,
    volume, depth, depth_at, met, met_at, contact, contact_at, out, at,
):  # fmt: skip
    """Carve the pieces ``begin..end`` into the rows ``first_row..end_row`` and note what they met there.

    Rows know nothing of each other. They start and end with a block, except at the end of the map; pieces
    before ``start`` belong to another cutter. By motion: ``volume`` mm3, ``depth`` largest axial depth mm and
    ``depth_at``, ``met`` largest depth met well inside the cutter's circle, ``contact`` how far shank or
    holder dip into stock or part, mm, with places. ``out`` (4,) and ``at`` (3, 2) are scratch.

    A slope is run in level parts, each cutting the crescent that it is first to reach. The ground under a
    descent goes on sinking behind them; a second run back up lowers it, deepest part first.
    """
    low_y, high_y = y0 + (first_row - 1) * cell, y0 + end_row * cell
    widest = (len(body) - 1) * body_step
    for k in range(begin, end):
        ay, by, lowest = pieces[k, 1], pieces[k, 4], min(pieces[k, 2], pieces[k, 5])
        near = lowest + body[0] < highest
        reach = max(radius, widest) if near else radius
        if turns[k] != 0:
            reach += abs(by - ay) + abs(pieces[k, 3] - pieces[k, 0])  # more than an arc stands off its chord
        if max(ay, by) + reach < low_y or min(ay, by) - reach > high_y or lowest >= highest:
            continue
        ax, az, bx, bz = pieces[k, 0], pieces[k, 2], pieces[k, 3], pieces[k, 5]
        cx, cy, turn, m = pieces[k, 6], pieces[k, 7], int(turns[k]), motion[k]
        out[:] = 0.0
        if near:
            _body_contact(
                heights, part, coarse, block, first_row, end_row, x0, y0, cell, body, body_step,
                ax, ay, bx, by, cx, cy, turn, lowest, out, at,
            )  # fmt: skip
        upright = ax == bx and ay == by
        if not (upright and bz >= az):
            rise = bz - az
            level = abs(rise) <= FILM
            parts, passes = 0, 1
            if not level and not upright:
                parts = int(math.ceil(abs(rise) / 0.02))
                passes = parts + 1 if rise > 0.0 else 2 * parts + 2
            joined = level and k > start and pieces[k - 1, 3] == ax and pieces[k - 1, 4] == ay
            joined = joined and pieces[k - 1, 5] <= lowest + 1e-9
            px, py, qx, qy, z, bend = ax, ay, bx, by, (lowest if level else bz), turn
            met_depth, met_well = 0.0, 0.0
            for p in range(passes):
                if parts > 0:
                    joined = p > 0
                    u, v, bend = p, p + 1, turn
                    if p == parts or p == parts + 1:
                        u, v, bend = parts, parts, 0
                    elif p > parts:
                        u, v, bend = 2 * parts + 2 - p, 2 * parts + 1 - p, -turn
                    if p == parts + 1:  # what is lowered from here on has been met before
                        joined = False
                        met_depth, met_well = out[1], out[2]
                        out[1], out[2] = math.inf, math.inf
                    if p > 0:
                        px, py = qx, qy
                    t = v / parts
                    qx, qy = ax + t * (bx - ax), ay + t * (by - ay)
                    if v == parts:
                        qx, qy = bx, by
                    elif turn != 0 and v > 0:
                        qx, qy = _turned(cx, cy, ax, ay, bx, by, turn, t)
                    z = az + rise * (0.5 * (u + v) / parts)
                if z < highest:
                    _carve(
                        heights, means, tops, first_row, end_row, x0, y0, cell, radius, corner, bottom, kind,
                        box, highest, px, py, qx, qy, cx, cy, bend, z, joined, k if level else np.int64(-1),
                        pieces, turns, out, at,
                    )  # fmt: skip
            if passes > parts + 1:
                out[1], out[2] = met_depth, met_well
        volume[m] += out[0]
        if out[1] > depth[m]:
            depth[m] = out[1]
            depth_at[m, 0], depth_at[m, 1] = at[0, 0], at[0, 1]
        if out[2] > met[m]:
            met[m] = out[2]
            met_at[m, 0], met_at[m, 1] = at[1, 0], at[1, 1]
        if out[3] > contact[m]:
            contact[m] = out[3]
            contact_at[m, 0], contact_at[m, 1] = at[2, 0], at[2, 1]


@_kernel
def raster_top(triangles, x0, y0, cell, first_row, end_row, out):
    """Highest height of the triangles over each node of some rows; ``out`` starts at -inf. Edges count as
    inside."""
    nx = out.shape[1]
    for f in range(len(triangles)):
        ax, ay, az = triangles[f, 0, 0], triangles[f, 0, 1], triangles[f, 0, 2]
        ux, uy, uz = triangles[f, 1, 0] - ax, triangles[f, 1, 1] - ay, triangles[f, 1, 2] - az
        vx, vy, vz = triangles[f, 2, 0] - ax, triangles[f, 2, 1] - ay, triangles[f, 2, 2] - az
        det = ux * vy - uy * vx
        if abs(det) < 1e-14:
            continue
        i0 = max(first_row, math.ceil((ay + min(0.0, uy, vy) - y0) / cell - 1e-9))
        i1 = min(end_row - 1, math.floor((ay + max(0.0, uy, vy) - y0) / cell + 1e-9))
        for i in range(i0, i1 + 1):
            py = y0 + i * cell - ay
            # s = s0 + s1 px, t = t0 + t1 px with s, t, 1 - s - t >= 0: an interval of px
            s0, s1 = -py * vx / det, vy / det
            t0, t1 = ux * py / det, -uy / det
            low, high = -math.inf, math.inf
            for a, b in ((s0, s1), (t0, t1), (1.0 - s0 - t0, -s1 - t1)):
                if b > 0.0:
                    low = max(low, -a / b)
                elif b < 0.0:
                    high = min(high, -a / b)
                elif a < -1e-9:
                    high = -math.inf
            if low > high + 1e-9 or high == math.inf or low == -math.inf:
                continue
            j0 = max(0, math.ceil((ax + low - x0) / cell - 1e-9))
            j1 = min(nx - 1, math.floor((ax + high - x0) / cell + 1e-9))
            for j in range(j0, j1 + 1):
                px = x0 + j * cell - ax
                z = az + (s0 + s1 * px) * uz + (t0 + t1 * px) * vz
                out[i, j] = max(out[i, j], z)


# ---------------------------------------------------------------------------------------------------------
# Contact with the triangles of the part


@_kernel
def bin_triangles(triangles, x0, y0, side, ny, nx, starts, entries, top):
    """Sort triangles into square bins of plan; call with ``entries`` empty to count, again to fill.

    ``starts`` (ny * nx + 1,) holds counts after the first call (in ``starts[b + 1]``), running totals before
    the second; ``top`` (ny, nx) gets the highest height of the part in each bin, which the second call fills.
    """
    filling = len(entries) > 0
    for f in range(len(triangles)):
        t = triangles[f]
        low_x, high_x = min(t[0, 0], t[1, 0], t[2, 0]), max(t[0, 0], t[1, 0], t[2, 0])
        low_y, high_y = min(t[0, 1], t[1, 1], t[2, 1]), max(t[0, 1], t[1, 1], t[2, 1])
        high_z = max(t[0, 2], t[1, 2], t[2, 2])
        ux, uy, uz = t[1, 0] - t[0, 0], t[1, 1] - t[0, 1], t[1, 2] - t[0, 2]
        vx, vy, vz = t[2, 0] - t[0, 0], t[2, 1] - t[0, 1], t[2, 2] - t[0, 2]
        nx_, ny_, nz_ = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        half = 0.5 * side * (1.0 + 1e-9) + 1e-9
        for i in range(
            max(0, int((low_y - y0 - 1e-9) / side)), min(ny - 1, int((high_y - y0 + 1e-9) / side)) + 1
        ):
            for j in range(
                max(0, int((low_x - x0 - 1e-9) / side)), min(nx - 1, int((high_x - x0 + 1e-9) / side)) + 1
            ):
                mx, my = x0 + (j + 0.5) * side, y0 + (i + 0.5) * side
                apart = False
                for e in range(3):
                    px, py = t[e, 0], t[e, 1]
                    g = (e + 1) % 3
                    o = (e + 2) % 3
                    ex, ey = -(t[g, 1] - py), t[g, 0] - px
                    opposite = (t[o, 0] - px) * ex + (t[o, 1] - py) * ey
                    middle = (mx - px) * ex + (my - py) * ey
                    spread = half * (abs(ex) + abs(ey))
                    if middle + spread < min(0.0, opposite) or middle - spread > max(0.0, opposite):
                        apart = True
                if apart:
                    continue
                b = i * nx + j
                if not filling:
                    starts[b + 1] += 1
                    continue
                entries[starts[b]] = f
                starts[b] += 1
                z = high_z
                if abs(nz_) > 1e-12:
                    gx, gy = -nx_ / nz_, -ny_ / nz_
                    z = min(
                        z, t[0, 2] + gx * (mx - t[0, 0]) + gy * (my - t[0, 1]) + half * (abs(gx) + abs(gy))
                    )
                top[i, j] = max(top[i, j], z)


@_helper
def _depth(x, y, h, radius, corner):
    """Depth of a point inside the cutter, mm, from its axis (x, y) and height over the tip; negative
    outside."""
    u, v = math.sqrt(x * x + y * y) - (radius - corner), corner - h
    if u > 0.0 and v > 0.0:
        return corner - math.sqrt(u * u + v * v)
    return corner - max(u, v)


@_helper
def _slope(x, y, h, radius, corner):
    """A supergradient of `_depth`."""
    r = math.sqrt(x * x + y * y)
    u, v = r - (radius - corner), corner - h
    down, up = 0.0, 0.0
    if u > 0.0 and v > 0.0:
        n = math.sqrt(u * u + v * v)
        down, up = -u / n, v / n
    elif u > v:
        down = -1.0
    else:
        up = 1.0
    if r > 0.0:
        return down * x / r, down * y / r, up
    return 0.0, 0.0, up


@_helper
def _along(px, py, pz, qx, qy, qz, radius, corner, floor):
    """Share s of the way from p to q where `_depth` is largest, and the depth; bisection by tangents."""
    dx, dy, dz = qx - px, qy - py, qz - pz
    f0, f1 = _depth(px, py, pz, radius, corner), _depth(qx, qy, qz, radius, corner)
    gx, gy, gz = _slope(px, py, pz, radius, corner)
    g0 = gx * dx + gy * dy + gz * dz
    gx, gy, gz = _slope(qx, qy, qz, radius, corner)
    g1 = gx * dx + gy * dy + gz * dz
    if g0 <= 0.0:
        return 0.0, f0
    if g1 >= 0.0:
        return 1.0, f1
    s0, s1 = 0.0, 1.0
    best, at = (f0, 0.0) if f0 > f1 else (f1, 1.0)
    for _ in range(40):
        s = (f1 - f0 + g0 * s0 - g1 * s1) / (g0 - g1)  # where the two tangents meet
        bound = f0 + g0 * (s - s0)
        if bound <= max(best, floor) + 2e-5 or not s0 < s < s1:
            break
        x, y, z = px + s * dx, py + s * dy, pz + s * dz
        f = _depth(x, y, z, radius, corner)
        gx, gy, gz = _slope(x, y, z, radius, corner)
        g = gx * dx + gy * dy + gz * dz
        if f > best:
            best, at = f, s
        if g > 0.0:
            s0, f0, g0 = s, f, g
        elif g < 0.0:
            s1, f1, g1 = s, f, g
        else:
            break
    return at, best


@_helper
def _deepest_at(t, cx, cy, cz, radius, corner, floor, point):
    """Deepest point of one triangle inside the cutter with its tip at c: edges, then the inside of the
    face."""
    best = -math.inf
    for e in range(3):
        g = (e + 1) % 3
        px, py, pz = t[e, 0] - cx, t[e, 1] - cy, t[e, 2] - cz
        qx, qy, qz = t[g, 0] - cx, t[g, 1] - cy, t[g, 2] - cz
        s, f = _along(px, py, pz, qx, qy, qz, radius, corner, max(best, floor))
        if f > best:
            best = f
            point[0], point[1], point[2] = px + s * (qx - px), py + s * (qy - py), pz + s * (qz - pz)
    px, py, pz = t[0, 0] - cx, t[0, 1] - cy, t[0, 2] - cz
    ux, uy, uz = t[1, 0] - t[0, 0], t[1, 1] - t[0, 1], t[1, 2] - t[0, 2]
    vx, vy, vz = t[2, 0] - t[0, 0], t[2, 1] - t[0, 1], t[2, 2] - t[0, 2]
    nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    size = math.sqrt(nx * nx + ny * ny + nz * nz)
    if size <= 1e-14:
        return best
    if nz < 0.0:
        size = -size
    nx, ny, nz = nx / size, ny / size, nz / size
    flat = math.sqrt(nx * nx + ny * ny)
    # The deepest point of the plane stands where the slope of the depth is the plane's normal.
    rest = nz * corner - flat * (radius - corner) - (nx * px + ny * py + nz * pz)
    rho = rest if rest > 0.0 else rest / (flat + nz)
    reach = (radius - corner) + (rho * flat if rest > 0.0 else rho)
    height = corner - (rho * nz if rest > 0.0 else rho)
    qx, qy, qz = 0.0, 0.0, height
    if flat > 1e-12 and reach > 0.0:
        qx, qy = -reach * nx / flat, -reach * ny / flat
    else:
        if nz < 1e-9:
            return best
        qz = pz + (nx * px + ny * py) / nz
    # Inside the triangle? Barycentric shares by the larger projection of the normal.
    wx, wy, wz = qx - px, qy - py, qz - pz
    sx, sy, sz = uy * wz - uz * wy, uz * wx - ux * wz, ux * wy - uy * wx
    rx, ry, rz = wy * vz - wz * vy, wz * vx - wx * vz, wx * vy - wy * vx
    b = (sx * nx + sy * ny + sz * nz) / size
    a = (rx * nx + ry * ny + rz * nz) / size
    if a >= 0.0 and b >= 0.0 and a + b <= 1.0:
        f = _depth(qx, qy, qz, radius, corner)
        if f > best:
            best = f
            point[0], point[1], point[2] = qx, qy, qz
    return best


@_helper
def _deepest_of(t, ax, ay, az, bx, by, bz, radius, corner, floor, point, here):
    """Deepest penetration of a straight motion a-b into one triangle, -inf if surely not above ``floor``.

    ``point`` gets the point of the part relative to the tip, and in [3] the share of the way.
    """
    mx, my, mz = bx - ax, by - ay, bz - az
    # Bound first: a tangent of the concave depth over the six corners of the swept triangle, from a corner
    # on, and again from the best point on the way to the corner that the tangent favours.
    qx, qy, qz = t[0, 0] - ax, t[0, 1] - ay, t[0, 2] - az
    for _ in range(6):
        f = _depth(qx, qy, qz, radius, corner)
        gx, gy, gz = _slope(qx, qy, qz, radius, corner)
        lead, sx, sy, sz = -math.inf, 0.0, 0.0, 0.0
        for c in range(6):
            w = c // 3
            x, y, z = t[c % 3, 0] - ax - w * mx, t[c % 3, 1] - ay - w * my, t[c % 3, 2] - az - w * mz
            d = gx * (x - qx) + gy * (y - qy) + gz * (z - qz)
            if d > lead:
                lead, sx, sy, sz = d, x, y, z
        if f + lead <= floor:
            return -math.inf
        share, f = _along(qx, qy, qz, sx, sy, sz, radius, corner, floor)
        if share == 0.0:
            break
        qx, qy, qz = qx + share * (sx - qx), qy + share * (sy - qy), qz + share * (sz - qz)
    # Then the maximum over the way travelled: concave, but with kinks, so by values alone (golden section).
    # Secants of the three points bound what may still be found.
    length = math.sqrt(mx * mx + my * my + mz * mz)
    best, s0, s1, s2, f0, f1, f2 = -math.inf, 0.0, GOLDEN, 1.0, 0.0, 0.0, 0.0
    for k in range(48):
        if k < 3:
            s = 0.0 if k == 0 else (1.0 if k == 1 else s1)
        else:
            rise, fall = (f1 - f0) / (s1 - s0), (f1 - f2) / (s2 - s1)
            bound = f1 + max(0.0, max(rise * (s2 - s1), fall * (s1 - s0)))
            if bound <= max(best, floor) + 5e-5 or (s2 - s0) * length < 5e-5:
                break
            s = s1 + (1.0 - GOLDEN) * (s2 - s1) if s2 - s1 > s1 - s0 else s1 - (1.0 - GOLDEN) * (s1 - s0)
        f = _deepest_at(t, ax + s * mx, ay + s * my, az + s * mz, radius, corner, -math.inf, here)
        if f > best:
            best = f
            point[0], point[1], point[2], point[3] = here[0], here[1], here[2], s
        if length == 0.0:
            break
        if k == 0:
            f0 = f
        elif k == 1:
            f2 = f
        elif k == 2:
            f1 = f
        elif s > s1:
            if f > f1:
                s0, f0, s1, f1 = s1, f1, s, f
            else:
                s2, f2 = s, f
        elif f > f1:
            s2, f2, s1, f1 = s1, f1, s, f
        else:
            s0, f0 = s, f
    return best


@_helper
def _deepest_line(
    ax, ay, az, bx, by, bz, radius, corner, floor,
    triangles, x0, y0, side, shape, offsets, pyramid, starts, entries, stamps, stamp,
    stack, point, here, found,
):  # fmt: skip
    """Deepest penetration of a straight motion into the part above ``floor``; ``found`` gets its point and
    share."""
    best = floor
    lowest = min(az, bz)
    levels = len(offsets)
    stack[0] = levels - 1
    stack[1] = 0
    stack[2] = 0
    depth = 1
    while depth > 0:
        depth -= 1
        level, i, j = stack[3 * depth], stack[3 * depth + 1], stack[3 * depth + 2]
        nx = shape[level, 1]
        z = pyramid[offsets[level] + i * nx + j]
        if z == -math.inf:
            continue
        width = side * (1 << level)
        away = (
            math.sqrt(
                _reach(x0 + (j + 0.5) * width, y0 + (i + 0.5) * width, ax, ay, bx, by, 0.0, 0.0, np.int64(0))
            )
            - 0.7072 * width
        )
        if _depth(max(0.0, away), 0.0, z - lowest, radius, corner) <= best:
            continue
        if level > 0:
            for di in range(2):
                for dj in range(2):
                    if 2 * i + di < shape[level - 1, 0] and 2 * j + dj < shape[level - 1, 1]:
                        stack[3 * depth] = level - 1
                        stack[3 * depth + 1] = 2 * i + di
                        stack[3 * depth + 2] = 2 * j + dj
                        depth += 1
            continue
        b = i * nx + j
        for e in range(starts[b], starts[b + 1]):
            f = entries[e]
            if stamps[f] == stamp:
                continue
            stamps[f] = stamp
            t = triangles[f]
            if max(t[0, 2], t[1, 2], t[2, 2]) - lowest <= best:
                continue
            d = _deepest_of(t, ax, ay, az, bx, by, bz, radius, corner, best, point, here)
            if d > best:
                best = d
                found[0] = point[0] + ax + point[3] * (bx - ax)
                found[1] = point[1] + ay + point[3] * (by - ay)
                found[2] = point[2] + az + point[3] * (bz - az)
    return best


@_kernel
def penetration(
    begin, end, pieces, turns, motion, wanted, radius, corner, drop, least,
    triangles, x0, y0, side, shape, offsets, pyramid, starts, entries, stamps, deep, place,
    stack, point, here, found, shares,
):  # fmt: skip
    """Deepest penetration of the cutter (tip lowered by ``drop``) into the part, by motion, where above
    ``least``.

    ``deep`` (m,) starts at ``least``; ``place`` (m, 3) gets the point of the part. Motions not ``wanted`` are
    skipped. Straight motions are exact to 1e-4 mm; arcs are cut into chords until their bulge is below 2e-4
    mm wherever it matters. ``stamps`` (triangles,) int64 is scratch of this thread, -1 at first; so
    are ``stack`` (480,) int64, ``point``, ``here``, ``found`` (4,) and ``shares`` (64, 2).
    """
    count = np.int64(0)
    highest = pyramid[offsets[len(offsets) - 1]]
    for k in range(begin, end):
        m = motion[k]
        if not wanted[m]:
            continue
        ax, ay, az, bx, by, bz = (
            pieces[k, 0],
            pieces[k, 1],
            pieces[k, 2] - drop,
            pieces[k, 3],
            pieces[k, 4],
            pieces[k, 5] - drop,
        )
        if highest - min(az, bz) <= deep[m]:
            continue
        cx, cy, turn = pieces[k, 6], pieces[k, 7], int(turns[k])
        shares[0, 0], shares[0, 1] = 0.0, 1.0
        depth = 1
        while depth > 0:
            depth -= 1
            t0, t1 = shares[depth, 0], shares[depth, 1]
            px, py, qx, qy = ax, ay, bx, by
            if t0 > 0.0:
                px, py = _turned(cx, cy, ax, ay, bx, by, turn, t0)
            if t1 < 1.0:
                qx, qy = _turned(cx, cy, ax, ay, bx, by, turn, t1)
            pz, qz = az + t0 * (bz - az), az + t1 * (bz - az)
            bulge = _bulge(px, py, qx, qy, cx, cy, turn)
            count += 1
            best = _deepest_line(
                px,
                py,
                pz,
                qx,
                qy,
                qz,
                radius,
                corner,
                deep[m] - bulge,
                triangles,
                x0,
                y0,
                side,
                shape,
                offsets,
                pyramid,
                starts,
                entries,
                stamps,
                count,
                stack,
                point,
                here,
                found,
            )
            if best <= deep[m] - bulge:
                continue
            if bulge <= 2e-4 or t1 - t0 < 1e-6:
                if best > deep[m]:
                    deep[m] = best
                    place[m, 0], place[m, 1], place[m, 2] = found[0], found[1], found[2]
                continue
            middle = 0.5 * (t0 + t1)
            shares[depth, 0], shares[depth, 1] = middle, t1
            shares[depth + 1, 0], shares[depth + 1, 1] = t0, middle
            depth += 2


@_kernel
def dilate(heights, drop, first, last, out):
    """``out[i, j]`` = highest of ``heights - drop`` over the square ``drop`` centred there, rows
    ``first..last`` alone; inf in drop is outside. float32."""
    ny, nx = heights.shape
    r = drop.shape[0] // 2
    for i in range(first, last):
        row = out[i]
        for di in range(max(-r, -i), min(r, ny - 1 - i) + 1):
            other = heights[i + di]
            for dj in range(-r, r + 1):
                d = drop[r + di, r + dj]
                if d == math.inf:
                    continue
                first = max(0, -dj)
                mine, theirs = row[first : min(nx, nx - dj)], other[first + dj : min(nx, nx - dj) + dj]
                for j in range(len(mine)):
                    h = theirs[j] - d
                    mine[j] = h if h > mine[j] else mine[j]


# ---------------------------------------------------------------------------------------------------------
# How low a cutter comes, and what it leaves there


@_helper
def _rise(d, radius, corner):
    """Height of the cutter's underside over its tip at the distance ``d`` <= radius from its axis."""
    over = d - (radius - corner)
    return corner - math.sqrt(max(corner * corner - over * over, 0.0)) if over > 0.0 else 0.0


@_helper
def _rest_on_edge(px, py, pz, qx, qy, qz, radius, corner, best):
    """Lowest tip height of a cutter that rests on an edge p-q, given from its axis; ``best`` if that is
    higher.

    Height less underside is concave along the part of the edge under the cutter: its top by bisection.
    """
    dx, dy, dz = qx - px, qy - py, qz - pz
    length2, along = dx * dx + dy * dy, px * dx + py * dy
    s0, s1 = 0.0, 1.0
    if length2 < 1e-18:
        if px * px + py * py > radius * radius:
            return best
        return max(best, max(pz, qz) - _rise(math.sqrt(px * px + py * py), radius, corner))
    root = along * along - length2 * (px * px + py * py - radius * radius)
    if root <= 0.0:
        return best
    root = math.sqrt(root)
    s0, s1 = max(0.0, (-along - root) / length2), min(1.0, (-along + root) / length2)
    if s0 > s1 or pz + max(s0 * dz, s1 * dz) <= best:
        return best
    if corner <= 0.0:
        return pz + max(s0 * dz, s1 * dz)
    for _ in range(40):
        s = 0.5 * (s0 + s1)
        x, y = px + s * dx, py + s * dy
        d = math.sqrt(x * x + y * y)
        over = d - (radius - corner)
        z, slope = pz + s * dz, dz
        if over > 0.0:
            under = math.sqrt(max(corner * corner - over * over, 1e-18))
            z -= corner - under
            if d > 0.0:
                slope -= over / under * (x * dx + y * dy) / d
        most = z + abs(slope) * 0.5 * (s1 - s0)  # no more than its tangent says
        best = max(best, z)
        if most <= best + 1e-5:
            break
        if slope > 0.0:
            s0 = s
        else:
            s1 = s
    return best


@_helper
def _most(z, left, right, low, high, radius, corner):
    """Highest tip for which something at most ``z`` high inside a box, given from the axis, can be to
    blame."""
    dx, dy = max(left, -right, 0.0), max(low, -high, 0.0)
    away = math.sqrt(dx * dx + dy * dy)
    return z - _rise(away, radius, corner) if away <= radius else -math.inf


@_helper
def _rest_on(t, x, y, radius, corner, best):
    """Lowest tip height at (x, y) over one triangle, ``best`` if that is higher: its edges, then its face."""
    for e in range(3):
        g = (e + 1) % 3
        best = _rest_on_edge(
            t[e, 0] - x, t[e, 1] - y, t[e, 2], t[g, 0] - x, t[g, 1] - y, t[g, 2], radius, corner, best
        )
    ux, uy, uz = t[1, 0] - t[0, 0], t[1, 1] - t[0, 1], t[1, 2] - t[0, 2]
    vx, vy, vz = t[2, 0] - t[0, 0], t[2, 1] - t[0, 1], t[2, 2] - t[0, 2]
    det = ux * vy - uy * vx
    if abs(det) < 1e-14:
        return best
    gx, gy = (uz * vy - vz * uy) / det, (ux * vz - vx * uz) / det
    steep = math.sqrt(gx * gx + gy * gy)
    cosine = 1.0 / math.sqrt(1.0 + steep * steep)
    out = (radius - corner + corner * steep * cosine) / steep if steep > 1e-12 else 0.0
    ax, ay = x + out * gx - t[0, 0], y + out * gy - t[0, 1]
    b, c = (ax * vy - ay * vx) / det, (ux * ay - uy * ax) / det
    if b >= 0.0 and c >= 0.0 and b + c <= 1.0:
        best = max(best, t[0, 2] + gx * ax + gy * ay - corner * (1.0 - cosine))
    return best


@_kernel
def rest(
    first, last, x0, y0, cell, radius, corner,
    triangles, px, py, side, shape, offsets, pyramid, starts, entries, stamps, stack, bounds, out,
):  # fmt: skip
    """Lowest tip heights of a cutter over the part at the nodes of some rows of ``out`` (ny, nx) float64.

    ``out`` starts at heights that are no higher than those sought, -inf where none is known; the nearer, the
    quicker. Exact to 1e-4 mm. ``stamps`` (triangles,) int64, -1 at first, ``stack`` (480,) int64 and
    ``bounds`` (160,) are scratch.
    """
    count = np.int64(0)
    top = len(offsets) - 1
    for i in range(first, last):
        y = y0 + i * cell
        for j in range(out.shape[1]):
            x, best = x0 + j * cell, out[i, j]
            count += 1
            stack[0], stack[1], stack[2] = top, 0, 0
            bounds[0] = math.inf
            depth = 1
            while depth > 0:
                depth -= 1
                if bounds[depth] <= best + 1e-4:
                    continue
                level, bi, bj = stack[3 * depth], stack[3 * depth + 1], stack[3 * depth + 2]
                if level == 0:
                    b = bi * shape[0, 1] + bj
                    for e in range(starts[b], starts[b + 1]):
                        f = entries[e]
                        if stamps[f] != count:
                            stamps[f] = count
                            t = triangles[f]
                            ax, bx = min(t[0, 0], t[1, 0], t[2, 0]) - x, max(t[0, 0], t[1, 0], t[2, 0]) - x
                            ay, by = min(t[0, 1], t[1, 1], t[2, 1]) - y, max(t[0, 1], t[1, 1], t[2, 1]) - y
                            z = max(t[0, 2], t[1, 2], t[2, 2])
                            if _most(z, ax, bx, ay, by, radius, corner) > best + 1e-4:
                                best = _rest_on(t, x, y, radius, corner, best)
                    continue
                width = side * (1 << (level - 1))
                floor = depth
                for k in range(4):  # the most promising on top
                    ci, cj = 2 * bi + k // 2, 2 * bj + k % 2
                    if ci >= shape[level - 1, 0] or cj >= shape[level - 1, 1]:
                        continue
                    left, low = px + cj * width - x, py + ci * width - y
                    bound = _most(
                        pyramid[offsets[level - 1] + ci * shape[level - 1, 1] + cj],
                        left, left + width, low, low + width, radius, corner,
                    )  # fmt: skip
                    if bound <= best + 1e-4:
                        continue
                    at = depth
                    while at > floor and bounds[at - 1] > bound:
                        bounds[at] = bounds[at - 1]
                        for c in range(3):
                            stack[3 * at + c] = stack[3 * at - 3 + c]
                        at -= 1
                    bounds[at] = bound
                    stack[3 * at], stack[3 * at + 1], stack[3 * at + 2] = level - 1, ci, cj
                    depth += 1
            out[i, j] = best


@_kernel
def left_under(tip, from_x, to_x, from_y, to_y, inside, rises, rim, shares, corner, first, last, out):
    """Lowest surface that a cutter can leave at the nodes of some rows of ``out`` (ny, nx) float64.

    ``tip`` (ny + 2 n, nx + 2 n): how low its tip comes, n nodes more on each side. ``inside`` (k, 2): nodes
    of its circle, ``rises`` (k,) the underside there. ``rim`` (m, 3): where its rim crosses the lines of the
    grid, ``shares`` (m,) of the way from that node to the next one along X (0) or Y (1); ``from_x`` to
    ``to_y``, shaped like ``tip``, are the heights at both ends of these ways.
    """
    ny, nx = out.shape
    n = (tip.shape[0] - ny) // 2
    for i in range(first, last):
        row = out[i]
        for k in range(len(inside)):
            di, dj, up = inside[k, 0] + n + i, inside[k, 1] + n, rises[k]
            other = tip[di, dj : dj + nx]
            for j in range(nx):
                h = other[j] + up
                row[j] = h if h < row[j] else row[j]
        for k in range(len(rim)):
            di, dj, share = rim[k, 0] + n + i, rim[k, 1] + n, shares[k]
            if rim[k, 2] == 0:
                a, b = from_x[di, dj : dj + nx], to_x[di, dj : dj + nx]
            else:
                a, b = from_y[di, dj : dj + nx], to_y[di, dj : dj + nx]
            for j in range(nx):
                h = a[j] + share * (b[j] - a[j]) + corner
                row[j] = h if h < row[j] else row[j]
