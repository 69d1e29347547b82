"""Loops over the leftover: how fine its mesh must be, how far it stands off the part, what a ball meets."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

_OPTIONS = {"nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}
_kernel = njit(cache=True, **_OPTIONS)
_helper = njit(no_cpython_wrapper=True, **_OPTIONS)  # called by kernels alone


@_helper
def _strays(h, lo, hi, tol, ay, ax, by, bx, cy, cx):
    """Does the plane through three nodes of the map leave the band lo - tol .. hi + tol inside the triangle?

    Nodes beyond the map stand for the nearest one on its border. A triangle with both stock and nothing under
    it strays. With an infinite tolerance none does.
    """
    if tol == np.inf:
        return False
    ny, nx = h.shape
    ay, by, cy = min(ay, ny - 1), min(by, ny - 1), min(cy, ny - 1)
    ax, bx, cx = min(ax, nx - 1), min(bx, nx - 1), min(cx, nx - 1)
    area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
    if area == 0:
        return False
    if area < 0:
        bx, cx, by, cy, area = cx, bx, cy, by, -area
    za, zb, zc = h[ay, ax], h[by, bx], h[cy, cx]
    empty = za == -np.inf
    if (zb == -np.inf) != empty or (zc == -np.inf) != empty:
        return True
    for i in range(min(ay, by, cy), max(ay, by, cy) + 1):
        for j in range(min(ax, bx, cx), max(ax, bx, cx) + 1):
            wc = (bx - ax) * (i - ay) - (by - ay) * (j - ax)
            wa = (cx - bx) * (i - by) - (cy - by) * (j - bx)
            wb = area - wa - wc
            if wa < 0 or wb < 0 or wc < 0:
                continue
            if (h[i, j] == -np.inf) != empty:
                return True
            if empty:
                continue
            z = (wa * za + wb * zb + wc * zc) / area
            if z < lo[i, j] - tol or z > hi[i, j] + tol:
                return True
    return False


@_helper
def _edge(h, lo, hi, tol, v, u, dv, du, half, split):
    """Must the edge of half length ``half`` along (dv, du) be split at its middle (v, u)?"""
    if split[v, u]:
        return
    rows, cols = split.shape
    quarter = half // 2
    for side in (-1, 1):
        av, au = v + side * du * half, u + side * dv * half
        if av < 0 or au < 0 or av >= rows or au >= cols:
            continue
        if quarter:
            cv, cu = v + side * du * quarter, u + side * dv * quarter
            if split[cv - dv * quarter, cu - du * quarter] or split[cv + dv * quarter, cu + du * quarter]:
                split[v, u] = True
                return
        if _strays(h, lo, hi, tol, v - dv * half, u - du * half, v + dv * half, u + du * half, av, au):
            split[v, u] = True
            return


@_helper
def _square(h, lo, hi, tol, v, u, half, odd, split):
    """Must the square round (v, u) be split at its centre? ``odd`` tells which diagonal it has."""
    if split[v, u]:
        return
    if split[v - half, u] or split[v + half, u] or split[v, u - half] or split[v, u + half]:
        split[v, u] = True
        return
    turn = -half if odd else half
    for side in (-1, 1):
        if _strays(h, lo, hi, tol, v - half, u - turn, v + half, u + turn, v + side * half, u - side * turn):
            split[v, u] = True
            return


@_kernel
def split_nodes(h, lo, hi, tol, size, split):
    """Mark every middle node at which a right triangle must be halved, small triangles first.

    h, lo, hi : (ny, nx) heights and the band allowed, mm; -inf in h is nothing. split : (a * size + 1,
    b * size + 1) bool, covers the map; nodes marked beforehand stay marked, and so do all they depend on.
    """
    rows, cols = split.shape[0] - 1, split.shape[1] - 1
    side = 2
    while side <= size:
        half = side // 2
        for a in range(rows // side + 1):
            for b in range(cols // side):
                _edge(h, lo, hi, tol, a * side, b * side + half, 0, 1, half, split)
        for a in range(rows // side):
            for b in range(cols // side + 1):
                _edge(h, lo, hi, tol, a * side + half, b * side, 1, 0, half, split)
        for a in range(rows // side):
            for b in range(cols // side):
                _square(h, lo, hi, tol, a * side + half, b * side + half, half, (a + b) % 2 == 1, split)
        side *= 2


@_helper
def _triangle(tri, m, normal, x, y, z):
    """Square of the distance of (x, y, z) from triangle m."""
    nx, ny, nz = normal[m, 0], normal[m, 1], normal[m, 2]
    inside = nx != 0.0 or ny != 0.0 or nz != 0.0
    nearest = np.inf
    for k in range(3):
        q = (k + 1) % 3
        px, py, pz = x - tri[m, k, 0], y - tri[m, k, 1], z - tri[m, k, 2]
        ex, ey, ez = tri[m, q, 0] - tri[m, k, 0], tri[m, q, 1] - tri[m, k, 1], tri[m, q, 2] - tri[m, k, 2]
        length = ex * ex + ey * ey + ez * ez
        t = 0.0
        if length > 0.0:
            t = min(max((px * ex + py * ey + pz * ez) / length, 0.0), 1.0)
        nearest = min(nearest, (px - t * ex) ** 2 + (py - t * ey) ** 2 + (pz - t * ez) ** 2)
        # left of each edge, seen along the normal: the point lies over the triangle
        if (ey * pz - ez * py) * nx + (ez * px - ex * pz) * ny + (ex * py - ey * px) * nz < 0.0:
            inside = False
    if inside:
        off = (x - tri[m, 0, 0]) * nx + (y - tri[m, 0, 1]) * ny + (z - tri[m, 0, 2]) * nz
        return off * off
    return nearest


@_helper
def _over(tri, m, x, y):
    """Height of triangle m at (x, y), -inf when it does not lie there or stands upright."""
    ax, ay = tri[m, 1, 0] - tri[m, 0, 0], tri[m, 1, 1] - tri[m, 0, 1]
    bx, by = tri[m, 2, 0] - tri[m, 0, 0], tri[m, 2, 1] - tri[m, 0, 1]
    area = ax * by - ay * bx
    if area == 0.0:
        return -np.inf
    px, py = x - tri[m, 0, 0], y - tri[m, 0, 1]
    u = (px * by - py * bx) / area
    v = (ax * py - ay * px) / area
    if u < -1e-9 or v < -1e-9 or u + v > 1.0 + 1e-9:
        return -np.inf
    return tri[m, 0, 2] + u * (tri[m, 1, 2] - tri[m, 0, 2]) + v * (tri[m, 2, 2] - tri[m, 0, 2])


@_helper
def _gap(box, m, x, y, z):
    """Square of the distance of (x, y, z) from upright box m."""
    dx = max(box[m, 0] - x, 0.0, x - box[m, 3])
    dy = max(box[m, 1] - y, 0.0, y - box[m, 4])
    dz = max(box[m, 2] - z, 0.0, z - box[m, 5])
    return dx * dx + dy * dy + dz * dz


@_kernel
def nearest_part(
    h, first, last, x0, y0, cell, tri, normal, box, starts, items, bx0, by0, pitch, nbx, nby, gap, under
):
    """Distance of the leftover's nodes in rows ``first..last`` from the part, and the part's height below.

    tri (m, 3, 3), normal (m, 3) unit, box (m, 6) low and high corners; ``items[starts[b]:starts[b + 1]]``
    are the triangles that reach plan bin b = row * nbx + column of width ``pitch``. gap, under : (ny, nx),
    mm; gap is NaN and under -inf where no part lies under the node.
    """
    nx = h.shape[1]
    for i in range(first, last):
        y = y0 + i * cell
        for j in range(nx):
            gap[i, j] = np.nan
            under[i, j] = -np.inf
            z = h[i, j]
            x = x0 + j * cell
            cx, cy = math.floor((x - bx0) / pitch), math.floor((y - by0) / pitch)
            if z == -np.inf or cx < 0 or cy < 0 or cx >= nbx or cy >= nby:
                continue
            top = -np.inf
            for k in range(starts[cy * nbx + cx], starts[cy * nbx + cx + 1]):
                t = items[k]
                if min(x - box[t, 0], box[t, 3] - x, y - box[t, 1], box[t, 4] - y) < -1e-9:
                    continue
                top = max(top, _over(tri, t, x, y))
            if top == -np.inf:
                continue
            under[i, j] = top
            best = (z - top) ** 2
            rim = min(x - bx0 - cx * pitch, y - by0 - cy * pitch)
            rim = min(rim, pitch - (x - bx0 - cx * pitch), pitch - (y - by0 - cy * pitch))
            ring = 0
            while ring == 0 or (rim + (ring - 1) * pitch) ** 2 < best:
                if ring > nbx and ring > nby:
                    break
                for r in range(max(cy - ring, 0), min(cy + ring, nby - 1) + 1):
                    edge = abs(r - cy) == ring
                    step = 1 if edge or ring == 0 else 2 * ring
                    for c in range(cx - ring, cx + ring + 1, step):
                        if c < 0 or c >= nbx:
                            continue
                        for k in range(starts[r * nbx + c], starts[r * nbx + c + 1]):
                            t = items[k]
                            if _gap(box, t, x, y, z) < best:
                                best = min(best, _triangle(tri, t, normal, x, y, z))
                ring += 1
            gap[i, j] = math.sqrt(best) if z >= top else -math.sqrt(best)


@_kernel
def ball_rest(part, rise, every, first, last, out):
    """Height of the ball's centre when it rests on the part: max of part + rise over the footprint.

    part : (ny, nx), -inf nothing. rise : (2 k + 1, 2 k + 1), mm, -inf outside the ball. out : the centre at
    each ``every``-th node of the part, filled in rows ``first..last``.
    """
    ny, nx = part.shape
    k = rise.shape[0] // 2
    for row in range(first, last):
        i = row * every
        for column in range(out.shape[1]):
            j = column * every
            best = -np.inf
            for di in range(max(-k, -i), min(k, ny - 1 - i) + 1):
                for dj in range(max(-k, -j), min(k, nx - 1 - j) + 1):
                    best = max(best, part[i + di, j + dj] + rise[k + di, k + dj])
            out[row, column] = best


@_kernel
def ball_cut(stock, before, cell, radius, path, fresh, first, bite, volume):
    """Drive a ball-nose through the stock and note what it meets at every point.

    stock : (ny, nx) heights, cut in place. before : scratch of that shape. path : (n, 3), x and y counted in
    nodes, z of the tip, mm. fresh : (n,) bool, a point the cutter is set down at (its volume is not a bite).
    first : (m + 1,) offsets of the passes; depth is measured in the stock as it stood before the pass.
    bite : (n,) mm, how deep the stock's surface lies inside the ball. volume : (n,) mm3 taken at the point.
    """
    ny, nx = stock.shape
    reach = radius / cell
    for p in range(len(first) - 1):
        low, high = ny, -1
        for n in range(first[p], first[p + 1]):
            low = min(low, math.floor(path[n, 1] - reach))
            high = max(high, math.ceil(path[n, 1] + reach))
        low, high = max(low, 0), min(high, ny - 1)
        for i in range(low, high + 1):
            for j in range(nx):
                before[i, j] = stock[i, j]
        for n in range(first[p], first[p + 1]):
            x, y, tip = path[n, 0], path[n, 1], path[n, 2]
            centre = tip + radius
            deepest, taken = 0.0, 0.0
            for i in range(max(math.ceil(y - reach), 0), min(math.floor(y + reach), ny - 1) + 1):
                across = ((i - y) * cell) ** 2
                for j in range(max(math.ceil(x - reach), 0), min(math.floor(x + reach), nx - 1) + 1):
                    if before[i, j] <= tip:
                        continue
                    d2 = across + ((j - x) * cell) ** 2
                    if d2 >= radius * radius:
                        continue
                    floor = centre - math.sqrt(radius * radius - d2)
                    if before[i, j] > floor:
                        up = min(before[i, j] - centre, 0.0)
                        deepest = max(deepest, radius - math.sqrt(d2 + up * up))
                        if stock[i, j] > floor:
                            taken += stock[i, j] - floor
                            stock[i, j] = floor
            bite[n] = deepest
            volume[n] = 0.0 if fresh[n] else taken * cell * cell
