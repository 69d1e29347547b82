"""Contact of a cutter with triangles: a tree of bounds, exact contact, exact boundaries.

One cutter profile serves all: height above the tip at plan distance d from the axis

    h(d) = 0                                   d <= a
           c - sqrt(c^2 - (d - a)^2)           a < d <= radius, corner circle (steep < 0)
           steep * (d - a)                     a < d <= radius, straight flank (steep >= 0)

given as the tuple ``cutter = (radius, a, c, steep)``. h is convex and rising, so on one triangle
``z - h`` is concave: it has one maximum, at the facet contact when that lies inside the triangle and
else on an edge that can be seen from the facet contact. Every tangent plane of ``z - h`` bounds it from
above; this is what the tree of bounds uses.

Arrays shared by all kernels
    tris   (n, 16)  three corners, counter-clockwise in plan (0..8), uphill direction (9, 10), slope
                    tangent (11), slope cosine (12; 0 = vertical or degenerate), top (13), bits of the
                    edges it answers for (14)
    nodes  (m, 12)  plan box x, x, y, y (0..3), top (4), upper plane z <= p + gx*x + gy*y (5..7); and for
                    the cutter in use: offset of the plane's contact point (8, 9), its rise (10)
    links  (m, 2)   inner node: right child (the left one is the next row), 0; leaf: first triangle, count
"""

import math

import numpy as np
from numba import njit

LEAF = 6  # triangles in a leaf, at most
STEEPEST = 200.0  # slope limit of a node's upper plane
VERTICAL = 1e-7  # slope cosine below which a facet counts as vertical (contact by its edges alone)
SLACK = 1e-10  # mm, a bound must beat the best by this much to be looked at
SIDE = 4  # nodes along a tile
PACK = SIDE * SIDE  # points searched at once
SPREAD = 0.4  # of the cutter's radius: points this close are searched together
HEIGHT, BLOCKED, KNOWN = 0, 1, 2  # what `probe` is asked


_kernel = njit(cache=True, nogil=True, error_model="numpy", no_cfunc_wrapper=True)
# called from kernels alone: no entry from Python to compile
_helper = njit(cache=True, nogil=True, error_model="numpy", no_cfunc_wrapper=True, no_cpython_wrapper=True)
# part of the innermost loop: handing over the arguments would show
_inner = njit(
    cache=True,
    nogil=True,
    error_model="numpy",
    no_cfunc_wrapper=True,
    no_cpython_wrapper=True,
    forceinline=True,
)


@_helper
def _rise(d, cutter):
    """Profile height above the tip at plan distance ``d <= radius``, mm."""
    _, a, c, steep = cutter
    if d <= a:
        return 0.0
    e = d - a
    if steep >= 0.0:
        return steep * e
    s = c * c - e * e
    return e * e / (c + math.sqrt(s)) if s > 0.0 else c


@_helper
def _slope(d, cutter):
    """Slope of the profile at plan distance ``d < radius``."""
    _, a, c, steep = cutter
    if d <= a:
        return 0.0
    if steep >= 0.0:
        return steep
    e = d - a
    return e / math.sqrt(max(c * c - e * e, 1e-300))


@_helper
def _rest_on_line(distance, m, gain, cutter):
    """Coordinate t >= 0 along a line rising with slope ``m >= 0`` where the cutter rests on it.

    ``distance``: plan distance from the axis to the line; t counts uphill from the foot point. Returns -1 as
    soon as ``m t - profile`` is certain to stay at or below ``gain``.

    Corner circle: the tube angle's sine w solves (a + c w)^2 (w^2 (1 + m^2) - m^2) = distance^2 w^2. Written
    as w = g(w) with g falling, two steps from the lower end bracket the one root; Newton inside the bracket
    ends it.
    """
    radius, a, c, steep = cutter
    rim = math.sqrt(max(radius * radius - distance * distance, 0.0))
    if m == 0.0:
        return 0.0
    if steep >= 0.0:
        if m >= steep:
            return rim
        d = distance / math.sqrt(1.0 - (m / steep) * (m / steep))
        d = min(max(d, a), radius)
        return math.sqrt(max(d * d - distance * distance, 0.0))
    if c <= 0.0:
        return rim
    mm = 1.0 + m * m
    l2 = distance * distance
    if a <= 0.0:
        w = math.sqrt(min((l2 / (c * c) + m * m) / mm, 1.0))
    else:
        low = max(m / math.sqrt(mm), (distance - a) / c)
        share = min(distance / (a + c * low), 1.0)
        high = min(m / math.sqrt(max(mm - share * share, 1e-300)), 1.0)
        share = distance / (a + c * high)
        low = min(max(low, m / math.sqrt(max(mm - share * share, 1e-300))), high)
        r = a + c * high
        if m * math.sqrt(max(r * r - l2, 0.0)) - c * (1.0 - math.sqrt(1.0 - low * low)) <= gain:
            return -1.0
        w = 0.5 * (low + high)
        for _ in range(60):
            r = a + c * w
            q = w * w * mm - m * m
            f = r * r * q - l2 * w * w
            if f > 0.0:
                high = w
            else:
                low = w
            slope = 2.0 * (r * c * q + r * r * w * mm - l2 * w)
            new = w - f / slope if slope > 0.0 else -1.0
            newton = low <= new <= high
            if not newton:
                new = 0.5 * (low + high)
            step = abs(new - w)
            w = new
            if step <= 1e-15 or (newton and step <= 1e-9):  # the height is flat in w here
                break
    r = a + c * w
    return min(math.sqrt(max(r * r - l2, 0.0)), rim)


@_helper
def _edge_tip(px, py, pz, qx, qy, qz, best, cutter):
    """Tip height of a cutter on the Z axis resting on the edge p-q; -inf if not above ``best``."""
    radius = cutter[0]
    if max(pz, qz) <= best:
        return -math.inf
    if pz > qz:  # q is the upper end
        px, py, pz, qx, qy, qz = qx, qy, qz, px, py, pz
    ex, ey = qx - px, qy - py
    length = math.sqrt(ex * ex + ey * ey)
    if length < 1e-12:
        d2 = qx * qx + qy * qy
        if d2 > radius * radius:
            return -math.inf
        return qz - _rise(math.sqrt(d2), cutter)
    ex /= length
    ey /= length
    distance = abs(qx * ey - qy * ex)
    if distance > radius:
        return -math.inf
    top = qx * ex + qy * ey  # coordinate of the upper end along the line
    bottom = top - length
    rim = math.sqrt(radius * radius - distance * distance)
    if bottom > rim or top < -rim:
        return -math.inf
    high = min(top, rim)
    low = max(bottom, -rim)
    m = (qz - pz) / length
    if qz + m * (high - top) - _rise(distance, cutter) <= best:
        return -math.inf
    t = high
    if high > 0.0:
        d = math.sqrt(high * high + distance * distance)
        if high >= rim or m * d < _slope(d, cutter) * high:
            t = _rest_on_line(distance, m, best - qz + m * top, cutter)
            if t < 0.0:
                return -math.inf
            t = min(max(t, low), high)
    d = min(math.sqrt(t * t + distance * distance), radius)
    return qz + m * (t - top) - _rise(d, cutter)


@_helper
def _facet_contact(tangent, cosine, cutter):
    """(plan distance uphill from the axis, profile height there) of the contact with a sloping plane."""
    radius, a, c, steep = cutter
    if steep < 0.0:
        return a + c * tangent * cosine, c * (1.0 - cosine)
    if tangent <= steep:
        return a, 0.0
    return radius, steep * (radius - a)


@_inner
def _triangle_tip(tris, t, x, y, best, cutter, table):
    """Tip height at (x, y) resting on one triangle; -inf when out of reach or not above ``best``."""
    radius = cutter[0]
    if tris[t, 13] <= best:
        return -math.inf
    ax, ay, az = tris[t, 0] - x, tris[t, 1] - y, tris[t, 2]
    bx, by, bz = tris[t, 3] - x, tris[t, 4] - y, tris[t, 5]
    cx, cy, cz = tris[t, 6] - x, tris[t, 7] - y, tris[t, 8]
    cosine = tris[t, 12]
    mine = np.int64(tris[t, 14])
    ab, bc, ca = (mine & 1) != 0, (mine & 2) != 0, (mine & 4) != 0
    if cosine > 0.0:
        tangent = tris[t, 11]
        reach, drop = _facet_contact(tangent, cosine, cutter)
        sx, sy = reach * tris[t, 9], reach * tris[t, 10]  # facet contact
        tip = az + tangent * (tris[t, 9] * (sx - ax) + tris[t, 10] * (sy - ay)) - drop
        if tip <= best:
            return -math.inf
        out_ab = (bx - ax) * (sy - ay) - (by - ay) * (sx - ax) < 0.0
        out_bc = (cx - bx) * (sy - by) - (cy - by) * (sx - bx) < 0.0
        out_ca = (ax - cx) * (sy - cy) - (ay - cy) * (sx - cx) < 0.0
        if not (out_ab or out_bc or out_ca):
            return tip
        ab, bc, ca = ab and out_ab, bc and out_bc, ca and out_ca
        if not (ab or bc or ca):
            return -math.inf
        # tangent plane of (facet - profile) at the box point nearest to the facet contact
        sx = min(max(sx, min(ax, bx, cx)), max(ax, bx, cx))
        sy = min(max(sy, min(ay, by, cy)), max(ay, by, cy))
        u = sx * sx + sy * sy
        if u <= radius * radius:
            b = np.int64(u * ((table.shape[0] - 1) / (radius * radius)))
            s = 2.0 * table[b, 1]
            sx *= s
            sy *= s
            k = table[b, 1] * u - table[b, 0] - best
            la, lb, lc = az - sx * ax - sy * ay + k, bz - sx * bx - sy * by + k, cz - sx * cx - sy * cy + k
            ab = ab and (la > 0.0 or lb > 0.0)
            bc = bc and (lb > 0.0 or lc > 0.0)
            ca = ca and (lc > 0.0 or la > 0.0)
    tip = -math.inf
    if ab:
        tip = _edge_tip(ax, ay, az, bx, by, bz, best, cutter)
    if bc:
        tip = max(tip, _edge_tip(bx, by, bz, cx, cy, cz, max(best, tip), cutter))
    if ca:
        tip = max(tip, _edge_tip(cx, cy, cz, ax, ay, az, max(best, tip), cutter))
    return tip


@_inner
def _nothing_seen(tris, t, cx, cy, hx, hy, cutter):
    """True if no axis within ``hx, hy`` of (cx, cy) has its facet contact inside triangle ``t`` or sees,
    from that contact, an edge that the triangle answers for."""
    reach, _ = _facet_contact(tris[t, 11], tris[t, 12], cutter)
    px, py = cx + reach * tris[t, 9], cy + reach * tris[t, 10]
    mine = np.int64(tris[t, 14])
    missed = False
    ax, ay = tris[t, 6], tris[t, 7]
    for k in range(3):  # edges c-a, a-b, b-c: bits 4, 1, 2
        bx, by = tris[t, 3 * k], tris[t, 3 * k + 1]
        ex, ey = bx - ax, by - ay
        side = ex * (py - ay) - ey * (px - ax)
        spare = abs(ex) * hy + abs(ey) * hx + 1e-9
        if side < spare and (mine & (4 if k == 0 else k)) != 0:
            return False
        missed = missed or side < -spare
        ax, ay = bx, by
    return missed


@_inner
def _search_pack(cx, cy, hx, hy, size, lanes, wins, stack, tris, nodes, links, cutter, table):
    """Search for a pack of neighbouring points at once; raises their best heights and winners in place.

    cx, cy, hx, hy  middle and half sizes of the box round the points
    size            number of lanes to look at
    lanes (7, PACK) offset from the middle in x and y, best height so far (inf: lane unused), x, y, length
                    of the offset, room for a bound
    wins  (PACK,)   triangle of the best height

    A tangent plane of ``upper plane - profile`` bounds it for all centres at once: where the tangent point
    stands at r from the middle, a centre offset by e sees a bound that is higher by 2 s r . e, and lower by
    s (|e| - w)^2 where no point of the box is further than w from the tangent point.
    """
    u_rim = cutter[0] * cutter[0]
    scale = (table.shape[0] - 1) / u_rim
    stack[0] = 0
    waiting = 1
    guide = np.int64(0)
    while waiting > 0:
        waiting -= 1
        k = np.int64(stack[waiting])
        x0, x1, y0, y1 = nodes[k, 0] - cx, nodes[k, 1] - cx, nodes[k, 2] - cy, nodes[k, 3] - cy
        nx, ny = max(0.0, x0 - hx, -x1 - hx), max(0.0, y0 - hy, -y1 - hy)
        u = nx * nx + ny * ny
        if u > u_rim:
            continue
        b = np.int64(u * scale)
        top = nodes[k, 4] - table[b, 0] - table[b, 1] * u
        gx, gy = nodes[k, 6], nodes[k, 7]
        here = nodes[k, 5] + gx * cx + gy * cy
        plane = here + nodes[k, 10]
        qx = min(max(nodes[k, 8], x0), x1)
        qy = min(max(nodes[k, 9], y0), y1)
        u = qx * qx + qy * qy
        if u > u_rim:
            qx, qy = min(max(0.0, x0), x1), min(max(0.0, y0), y1)
            u = qx * qx + qy * qy
        b = np.int64(min(u, u_rim) * scale)
        s = table[b, 1]
        vx, vy = 2.0 * s * qx, 2.0 * s * qy
        fx, fy = gx - vx, gy - vy
        value = here + s * u - table[b, 0] + max(fx * x0, fx * x1) + max(fy * y0, fy * y1)
        wide = max(qx - x0, x1 - qx) + max(qy - y0, y1 - qy)
        # mostly the lane that let the last node through lets this one through as well
        ex, ey = lanes[0, guide], lanes[1, guide]
        over = max(lanes[5, guide] - wide, 0.0)
        bound = min(top, min(plane + gx * ex + gy * ey, value + vx * ex + vy * ey - s * over * over))
        if not bound > lanes[2, guide] + SLACK:
            hit = np.int64(-1)
            for n in range(size):
                ex, ey = lanes[0, n], lanes[1, n]
                over = max(lanes[5, n] - wide, 0.0)
                bound = min(top, min(plane + gx * ex + gy * ey, value + vx * ex + vy * ey - s * over * over))
                hit = np.int64(n) if bound > lanes[2, n] + SLACK else hit
            if hit < 0:
                continue
            guide = hit
        first, count = np.int64(links[k, 0]), np.int64(links[k, 1])
        if count == 0:
            swap = nodes[k + 1, 4] < nodes[first, 4]  # the higher child is seen first
            stack[waiting] = k + 1 if swap else first
            stack[waiting + 1] = first if swap else k + 1
            waiting += 2
            continue
        for t in range(first, first + count):
            ax, ay, az = tris[t, 0] - cx, tris[t, 1] - cy, tris[t, 2]
            bx, by, bz = tris[t, 3] - cx, tris[t, 4] - cy, tris[t, 5]
            dx, dy, dz = tris[t, 6] - cx, tris[t, 7] - cy, tris[t, 8]
            x0, x1, y0, y1 = min(ax, bx, dx), max(ax, bx, dx), min(ay, by, dy), max(ay, by, dy)
            nx, ny = max(0.0, x0 - hx, -x1 - hx), max(0.0, y0 - hy, -y1 - hy)
            if nx * nx + ny * ny > u_rim:
                continue
            plane, gx, gy, qx, qy = math.inf, 0.0, 0.0, 0.0, 0.0
            if tris[t, 12] > 0.0:
                reach, drop = _facet_contact(tris[t, 11], tris[t, 12], cutter)
                qx, qy = reach * tris[t, 9], reach * tris[t, 10]
                gx, gy = tris[t, 11] * tris[t, 9], tris[t, 11] * tris[t, 10]
                plane = az + gx * (qx - ax) + gy * (qy - ay) - drop
            qx, qy = min(max(qx, x0), x1), min(max(qy, y0), y1)
            u = qx * qx + qy * qy
            if u > u_rim:
                qx, qy = min(max(0.0, x0), x1), min(max(0.0, y0), y1)
                u = qx * qx + qy * qy
            b = np.int64(min(u, u_rim) * scale)
            s = table[b, 1]
            vx, vy = 2.0 * s * qx, 2.0 * s * qy
            value = max(az - vx * ax - vy * ay, bz - vx * bx - vy * by, dz - vx * dx - vy * dy)
            value += s * u - table[b, 0]
            top = tris[t, 13]
            wide = max(qx - x0, x1 - qx) + max(qy - y0, y1 - qy)
            hits = 0
            for n in range(size):
                ex, ey = lanes[0, n], lanes[1, n]
                over = max(lanes[5, n] - wide, 0.0)
                bound = min(top, min(plane + gx * ex + gy * ey, value + vx * ex + vy * ey - s * over * over))
                lanes[6, n] = bound
                hits += 1 if bound > lanes[2, n] + SLACK else 0
            if hits == 0 or (tris[t, 12] > 0.0 and _nothing_seen(tris, t, cx, cy, hx, hy, cutter)):
                continue
            for n in range(size):
                if lanes[6, n] > lanes[2, n] + SLACK and wins[n] != t:
                    tip = _triangle_tip(tris, t, lanes[3, n], lanes[4, n], lanes[2, n], cutter, table)
                    if tip > lanes[2, n]:
                        lanes[2, n] = tip
                        wins[n] = t


@_kernel
def drop_grid(out, row0, row1, x0, y0, cell, shift, tris, nodes, links, cutter, table):
    """Raise ``out`` (ny, nx) to the tip height less ``shift`` at the nodes of rows row0..row1-1, in place.

    Nodes are searched in square tiles; the contact triangles of the tiles before and below give each node
    its first value.
    """
    nx = out.shape[1]
    stack = np.empty(128, np.int64)
    lanes = np.empty((7, PACK))
    wins = np.empty(PACK, np.int64)
    below = np.empty(nx + SIDE, np.int64)
    for j in range(nx + SIDE):
        below[j] = -1
    beside = np.empty(SIDE, np.int64)
    half = 0.5 * (SIDE - 1) * cell
    for i0 in range(row0, row1, SIDE):
        for n in range(SIDE):
            beside[n] = -1
        for j0 in range(0, nx, SIDE):
            cx, cy = x0 + cell * j0 + half, y0 + cell * i0 + half
            for n in range(PACK):
                i, j = i0 + n // SIDE, j0 + n % SIDE
                x, y = x0 + cell * j, y0 + cell * i
                lanes[0, n], lanes[1, n], lanes[3, n], lanes[4, n] = x - cx, y - cy, x, y
                lanes[5, n] = math.sqrt(lanes[0, n] ** 2 + lanes[1, n] ** 2)
                wins[n] = -1
                if i >= row1 or j >= nx:
                    lanes[2, n] = math.inf
                    continue
                best = out[i, j] + shift
                seed = beside[n // SIDE]
                for _ in range(2):
                    if seed >= 0 and seed != wins[n]:
                        tip = _triangle_tip(tris, seed, x, y, best, cutter, table)
                        if tip > best:
                            best = tip
                            wins[n] = seed
                    seed = below[j]
                lanes[2, n] = best
            _search_pack(
                cx, cy, half, half, np.int64(PACK), lanes, wins, stack, tris, nodes, links, cutter, table
            )
            for n in range(PACK):
                i, j = i0 + n // SIDE, j0 + n % SIDE
                if wins[n] >= 0:
                    out[i, j] = lanes[2, n] - shift
                if n % SIDE == SIDE - 1:
                    beside[n // SIDE] = wins[n]
                if n // SIDE == SIDE - 1:
                    below[j] = wins[n]


@_kernel
def probe(what, xy, tips, walls, first, last, tris, nodes, links, cutter, table):
    """Ask for contact at the plan points ``xy[first:last]``; points near each other go together.

    tips  (n,) in: height that counts only when exceeded; inf: the point is left out. HEIGHT raises it
    walls (n,) int64. In: a triangle to try first, or -1. Out: HEIGHT: the triangle touched at ``tips``;
          BLOCKED: one that lifts the cutter above ``tips``; KNOWN: the given one if it does; else -1
    """
    stack = np.empty(128, np.int64)
    lanes = np.empty((7, PACK))
    wins = np.empty(PACK, np.int64)
    spread = SPREAD * cutter[0]
    start = first
    while start < last:
        x0 = y0 = math.inf
        x1 = y1 = -math.inf
        size = 0
        while size < PACK and start + size < last:
            k = start + size
            x, y, best, wall = xy[k, 0], xy[k, 1], tips[k], np.int64(walls[k])
            if max(max(x1, x) - min(x0, x), max(y1, y) - min(y0, y)) > spread:
                break
            wins[size] = -1
            if wall >= 0 and best < math.inf:
                tip = _triangle_tip(tris, wall, x, y, best, cutter, table)
                if tip > best:
                    wins[size] = wall
                    best = tip if what == HEIGHT else math.inf
            if what == KNOWN:
                best = math.inf
            lanes[2, size], lanes[3, size], lanes[4, size] = best, x, y
            if best < math.inf:
                x0, x1, y0, y1 = min(x0, x), max(x1, x), min(y0, y), max(y1, y)
            size += 1
        if x0 <= x1:
            cx, cy, hx, hy = 0.5 * (x0 + x1), 0.5 * (y0 + y1), 0.5 * (x1 - x0), 0.5 * (y1 - y0)
            for n in range(size):
                used = lanes[2, n] < math.inf
                lanes[0, n] = lanes[3, n] - cx if used else 0.0
                lanes[1, n] = lanes[4, n] - cy if used else 0.0
                lanes[5, n] = math.sqrt(lanes[0, n] ** 2 + lanes[1, n] ** 2)
            _search_pack(cx, cy, hx, hy, size, lanes, wins, stack, tris, nodes, links, cutter, table)
        for n in range(size):
            walls[start + n] = wins[n]
            if what == HEIGHT:
                tips[start + n] = lanes[2, n]
        start += size


@_kernel
def slide(start, way, share, walls, z, tolerance, first, last, tris, cutter, table):
    """Move points along their ways until their walls lift the cutter above ``z`` no more.

    start, way (n, 2) mm; share (n,) of the way gone, raised in place; walls (n,): triangle, or -1 to stay. By
    bisection, for the centres that a triangle blocks are a convex set; ends on the free side.
    """
    for k in range(first, last):
        wall = np.int64(walls[k])
        if wall < 0:
            continue
        length = math.sqrt(way[k, 0] ** 2 + way[k, 1] ** 2)
        low, high = share[k], 1.0
        while (high - low) * length > tolerance:
            s = 0.5 * (low + high)
            x, y = start[k, 0] + s * way[k, 0], start[k, 1] + s * way[k, 1]
            if _triangle_tip(tris, wall, x, y, z, cutter, table) > z:
                low = s
            else:
                high = s
        share[k] = high


# ---------------------------------------------------------------------------------------------- the tree


@_helper
def _split(rec, first, last, axis):
    """Part ``rec[first:last]`` at its median along ``axis`` (quickselect); the middle index."""
    middle = (first + last) // 2
    low, high = first, last - 1
    while low < high:
        pivot = rec[(low + high) // 2, axis]
        i, j = low, high
        while i <= j:
            while rec[i, axis] < pivot:
                i += 1
            while rec[j, axis] > pivot:
                j -= 1
            if i <= j:
                for k in range(4):
                    rec[i, k], rec[j, k] = rec[j, k], rec[i, k]
                i += 1
                j -= 1
        if middle <= j:
            high = j
        elif middle >= i:
            low = i
        else:
            break
    return middle


@_helper
def _order(rec, todo, links, spans):
    """Split the records of centre and index into a tree of medians; links and spans filled; node count.

    todo (128, 3): ranges that wait, first, last and the parent whose right child this is.
    """
    todo[0, 0], todo[0, 1], todo[0, 2] = 0, rec.shape[0], -1
    waiting = 1
    used = 0
    while waiting > 0:
        waiting -= 1
        first, last, parent = todo[waiting, 0], todo[waiting, 1], todo[waiting, 2]
        if parent >= 0:
            links[parent, 0] = used
        while True:
            k = used
            used += 1
            spans[k, 0], spans[k, 1] = first, last
            if last - first <= LEAF:
                links[k, 0], links[k, 1] = first, last - first
                break
            axis, widest = 0, -1.0
            for q in range(3):
                low = high = rec[first, q]
                for r in range(first + 1, last):
                    low = min(low, rec[r, q])
                    high = max(high, rec[r, q])
                if high - low > widest:
                    axis, widest = q, high - low
            middle = _split(rec, np.int64(first), np.int64(last), np.int64(axis))
            links[k, 1] = 0
            todo[waiting, 0], todo[waiting, 1], todo[waiting, 2] = middle, last, k
            waiting += 1
            last = middle
    return used


@_helper
def _describe(corners, tri):
    """One row of ``tris`` from three corners; the facet normal, turned upwards, is returned."""
    ax, ay, az = corners[0, 0], corners[0, 1], corners[0, 2]
    bx, by, bz = corners[1, 0], corners[1, 1], corners[1, 2]
    cx, cy, cz = corners[2, 0], corners[2, 1], corners[2, 2]
    ux, uy, uz = bx - ax, by - ay, bz - az
    vx, vy, vz = cx - ax, cy - ay, cz - az
    nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    if nz < 0.0:  # seen from above the corners must run counter-clockwise
        nx, ny, nz = -nx, -ny, -nz
        bx, by, bz, cx, cy, cz = cx, cy, cz, bx, by, bz
    tri[0], tri[1], tri[2] = ax, ay, az
    tri[3], tri[4], tri[5] = bx, by, bz
    tri[6], tri[7], tri[8] = cx, cy, cz
    flat = math.sqrt(nx * nx + ny * ny)
    size = math.sqrt(flat * flat + nz * nz)
    tri[9] = -nx / flat if flat > 0.0 else 0.0
    tri[10] = -ny / flat if flat > 0.0 else 0.0
    if size > 0.0 and nz > VERTICAL * size:
        tri[11], tri[12] = flat / nz, nz / size
    else:
        tri[11], tri[12] = 0.0, 0.0
    tri[13] = max(az, bz, cz)
    tri[14], tri[15] = 7.0, 0.0
    return nx, ny, nz


@_helper
def _share_edges(tris, corners, bins):
    """Leave each edge to the first triangle that has it: clear its bit in column 14 of the others.

    Contact on a shared edge is found whichever of its triangles asks. ``corners``: ``tris`` seen as
    int64; ``bins``: a hash table, a power of two in size, all -1.
    """
    mask = bins.shape[0] - 1
    low = 0x7FFFFFFF
    for t in range(tris.shape[0]):
        bits = 7
        for e in range(3):
            a, b = 3 * e, 3 * ((e + 1) % 3)
            h = np.int64(0)
            for q in range(3):
                # the same for both directions of the edge
                v, w = corners[t, a + q], corners[t, b + q]
                v, w = v ^ w, v & w
                h = h * 1000003 + ((v ^ (v >> 32)) & low) * 7 + ((w ^ (w >> 32)) & low) * 31
                h = (h ^ (h >> 29)) & low  # products stay below 2^63
            h = (h * 2654435761) >> 20
            k = h & mask
            while bins[k] >= 0:
                other, f = bins[k] // 3, bins[k] % 3
                c, d = 3 * f, 3 * ((f + 1) % 3)
                same = swapped = True
                for q in range(3):
                    v, w = corners[t, a + q], corners[t, b + q]
                    same = same and v == corners[other, c + q] and w == corners[other, d + q]
                    swapped = swapped and v == corners[other, d + q] and w == corners[other, c + q]
                if same or swapped:
                    bits ^= 1 << e
                    break
                k = (k + 1) & mask
            if bins[k] < 0:
                bins[k] = 3 * t + e
        tris[t, 14] = bits


@_kernel
def build_tree(triangles, tris, corners, nodes, links, rec, todo, spans, normals, bins):
    """Fill tris, nodes (columns 0..7) and links from ``triangles (n, 3, 3)``; the number of nodes.

    corners: ``tris`` seen as int64. Scratch: rec (n, 4), todo (128, 3), spans (m, 2) the triangles below
    each node, normals (m, 3), bins as for :func:`_share_edges`. The upper plane of a node leans like the
    mean facet below it.
    """
    n = triangles.shape[0]
    for t in range(n):
        for q in range(3):
            low = min(triangles[t, 0, q], triangles[t, 1, q], triangles[t, 2, q])
            high = max(triangles[t, 0, q], triangles[t, 1, q], triangles[t, 2, q])
            rec[t, q] = 0.5 * (low + high)
        rec[t, 3] = t
    used = _order(rec, todo, links, spans)
    for k in range(used - 1, -1, -1):
        first, last = spans[k, 0], spans[k, 1]
        node = nodes[k]
        sx = sy = sz = 0.0
        if links[k, 1] > 0:
            node[0], node[1], node[2], node[3], node[4] = math.inf, -math.inf, math.inf, -math.inf, -math.inf
            for t in range(first, last):
                tri = tris[t]
                nx, ny, nz = _describe(triangles[np.int64(rec[t, 3])], tri)
                sx, sy, sz = sx + nx, sy + ny, sz + nz
                node[0] = min(node[0], tri[0], tri[3], tri[6])
                node[1] = max(node[1], tri[0], tri[3], tri[6])
                node[2] = min(node[2], tri[1], tri[4], tri[7])
                node[3] = max(node[3], tri[1], tri[4], tri[7])
                node[4] = max(node[4], tri[13])
        else:
            left, right = k + 1, np.int64(links[k, 0])
            node[0] = min(nodes[left, 0], nodes[right, 0])
            node[1] = max(nodes[left, 1], nodes[right, 1])
            node[2] = min(nodes[left, 2], nodes[right, 2])
            node[3] = max(nodes[left, 3], nodes[right, 3])
            node[4] = max(nodes[left, 4], nodes[right, 4])
            sx = normals[left, 0] + normals[right, 0]
            sy = normals[left, 1] + normals[right, 1]
            sz = normals[left, 2] + normals[right, 2]
        normals[k, 0], normals[k, 1], normals[k, 2] = sx, sy, sz
        gx = gy = 0.0
        if sz > 0.0:
            lean = math.sqrt(sx * sx + sy * sy)
            scale = 1.0 / max(sz, lean / STEEPEST)
            gx, gy = -sx * scale, -sy * scale
        top = -math.inf
        for t in range(first, last):
            tri = tris[t]
            top = max(top, tri[2] - gx * tri[0] - gy * tri[1])
            top = max(top, tri[5] - gx * tri[3] - gy * tri[4])
            top = max(top, tri[8] - gx * tri[6] - gy * tri[7])
        node[5], node[6], node[7] = top, gx, gy
    _share_edges(tris, corners, bins)
    return used


# --------------------------------------------------------------------------------------------- boundaries


@_kernel
def trace(free, marks, pairs, offsets):
    """Walk the boundary of a mask with the free nodes on the left; the number of rings.

    free    (h, w) uint8, its frame must be 0
    marks   (h, w) uint8, zero: horizontal grid edges walked already
    pairs   (n, 2) int32 out: free and blocked node (flat index) of each crossed edge, ring after ring
    offsets out, room for one more than the rings

    The walk crosses the edge between a free node (left) and a blocked one (right). Ahead of it stand the
    far left and the far right node: turn left round the free node when the far left one is blocked (so
    free nodes that touch by a corner only are not joined), else straight on or right.
    """
    h, w = free.shape
    rings = 0
    used = 0
    offsets[0] = 0
    for i0 in range(1, h - 1):
        for j0 in range(w - 1):
            if free[i0, j0] == free[i0, j0 + 1] or marks[i0, j0]:
                continue
            if free[i0, j0]:
                li, lj, ri, rj = i0, j0, i0, j0 + 1
            else:
                li, lj, ri, rj = i0, j0 + 1, i0, j0
            while True:
                if li == ri:
                    j = min(lj, rj)
                    if marks[li, j]:
                        break
                    marks[li, j] = 1
                pairs[used, 0] = li * w + lj
                pairs[used, 1] = ri * w + rj
                used += 1
                hi, hj = rj - lj, li - ri  # heading
                if not free[li + hi, lj + hj]:
                    ri, rj = li + hi, lj + hj
                elif not free[ri + hi, rj + hj]:
                    li, lj, ri, rj = li + hi, lj + hj, ri + hi, rj + hj
                else:
                    li, lj = ri + hi, rj + hj
            rings += 1
            offsets[rings] = used
    return rings
