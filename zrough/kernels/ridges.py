"""What a cutter's corner radius leaves between two passes, and where that stands too high."""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True, nogil=True, error_model="numpy", no_cfunc_wrapper=True)
def lower(d2, z, radius, corner, left):
    """Lower ``left`` to what a cutter at tip height ``z`` leaves; ``d2`` squared distance to its centres."""
    ny, nx = d2.shape
    inner = radius - corner
    flat = np.float32(inner * inner)
    rim = np.float32(radius * radius)
    for i in range(ny):
        for j in range(nx):
            d = d2[i, j]
            if d > rim or left[i, j] <= z:  # the tip leaves no less than that
                continue
            h = z
            if d > flat:
                over = math.sqrt(d) - inner
                h += corner - math.sqrt(max(0.0, corner * corner - over * over))
            if h < left[i, j]:
                left[i, j] = h


@njit(cache=True, nogil=True, error_model="numpy", no_cfunc_wrapper=True)
def too_high(left, tip, top, rows, columns, inset, z, above, limit, least, mat, out):
    """Mark in ``out`` the coarse nodes that the level at ``z`` has to make lower; the least height allowed.

    ``left`` has four nodes to one of the coarse map, ``tip`` (lowest tip height) and ``top`` two. ``rows``,
    ``columns`` (n,) are the nodes within the cutter's radius and ``inset`` how far its underside lies over
    its tip there. What stands more than ``limit`` over the lowest surface in reach is too high. A level takes
    off what it can bring under that, unless the level ``above`` can; ``least`` mm is not worth it. Only
    where ``mat`` says that something is in reach. inf if nothing is marked.
    """
    ny, nx = mat.shape
    fy, fx = left.shape
    hy, hx = tip.shape
    lowest = math.inf
    for i in range(ny):
        for j in range(nx):
            out[i, j] = 0
            if mat[i, j] == 0:
                continue
            a = min(2 * i, hy - 1)
            b = min(2 * j, hx - 1)
            # the tip stands no higher than over the node itself
            if tip[a, b] + limit + least < z:
                continue
            worst = -math.inf
            for p in range(4 * i, min(4 * i + 4, fy)):
                for q in range(4 * j, min(4 * j + 4, fx)):
                    if left[p, q] > worst and left[p, q] < math.inf:
                        worst = left[p, q]
            worst = min(worst, top[a, b])
            if worst <= z + least:
                continue
            reach = math.inf
            for k in range(len(inset)):
                p = a + rows[k]
                q = b + columns[k]
                if p >= 0 and p < hy and q >= 0 and q < hx:
                    reach = min(reach, tip[p, q] + inset[k])
            allowed = reach + limit
            if worst <= allowed + least or allowed < z - least or allowed >= above:
                continue
            out[i, j] = 1
            lowest = min(lowest, allowed)
    return lowest
