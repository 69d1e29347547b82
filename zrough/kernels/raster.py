"""Heights and faces of a triangle mesh seen from above, at the nodes of a regular grid."""

from __future__ import annotations

import math

from numba import njit


@njit(cache=True, nogil=True)
def seen_from_above(triangles, x0, y0, cell, first, last, heights, face):
    """Highest point over each node, and the triangle it lies on.

    triangles (m, 3, 3) mm; ``heights`` (ny, nx) float64 is raised, ``face`` (ny, nx) int32 set where it
    is. Rows ``first`` up to ``last`` only. A node on an edge, or within a billionth of the triangle's
    size of it, counts as under the triangle, so walls and seams leave no gaps.
    """
    nx = heights.shape[1]
    for t in range(triangles.shape[0]):
        ax, ay, az = triangles[t, 0, 0], triangles[t, 0, 1], triangles[t, 0, 2]
        bx, by, bz = triangles[t, 1, 0], triangles[t, 1, 1], triangles[t, 1, 2]
        cx, cy, cz = triangles[t, 2, 0], triangles[t, 2, 1], triangles[t, 2, 2]
        double_area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        xa, xb = min(ax, bx, cx), max(ax, bx, cx)
        ya, yb = min(ay, by, cy), max(ay, by, cy)
        size = max(xb - xa, yb - ya)
        if abs(double_area) <= 1e-12 * size * size:
            continue  # upright: its top edge belongs to a neighbour
        near = 1e-9 * size + 1e-12
        i0 = max(first, math.ceil((ya - near - y0) / cell))
        i1 = min(last - 1, math.floor((yb + near - y0) / cell))
        j0 = max(0, math.ceil((xa - near - x0) / cell))
        j1 = min(nx - 1, math.floor((xb + near - x0) / cell))
        low, high = min(az, bz, cz), max(az, bz, cz)
        slack = -near * size / abs(double_area)
        for i in range(i0, i1 + 1):
            y = y0 + i * cell
            for j in range(j0, j1 + 1):
                x = x0 + j * cell
                u = ((bx - x) * (cy - y) - (by - y) * (cx - x)) / double_area
                v = ((cx - x) * (ay - y) - (cy - y) * (ax - x)) / double_area
                w = 1.0 - u - v
                if u >= slack and v >= slack and w >= slack:
                    z = min(max(u * az + v * bz + w * cz, low), high)
                    if z > heights[i, j]:
                        heights[i, j] = z
                        face[i, j] = t
    return 0
