"""Distances on a map of nodes: from each node to the nearest one that is not set."""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True, nogil=True, error_model="numpy", no_cfunc_wrapper=True)
def to_unset(mask, out):
    """Fill ``out`` (ny, nx) with the distance, in nodes, to the nearest node where ``mask`` is 0.

    Column by column first, then the lower envelope of the parabolas of each row; squares are whole numbers,
    so nothing is rounded but the root. At least one node must not be set.
    """
    ny, nx = mask.shape
    far = ny + nx  # more than any distance
    up = np.empty((ny, nx), np.int32)
    for j in range(nx):
        up[0, j] = far if mask[0, j] else 0
    for i in range(1, ny):
        for j in range(nx):
            up[i, j] = min(up[i - 1, j] + 1, far) if mask[i, j] else 0
    for i in range(ny - 2, -1, -1):
        for j in range(nx):
            up[i, j] = min(up[i, j], up[i + 1, j] + 1)
    at = np.empty(nx, np.int64)  # columns of the parabolas of the envelope
    high = np.empty(nx, np.float64)  # their squares, the column's own added
    start = np.empty(nx + 1, np.float64)  # where each begins
    for i in range(ny):
        n = -1
        for q in range(nx):
            g = float(up[i, q])
            # a node that is not set between two of its kind is nearest to none but itself
            if g >= far or (g == 0.0 and 0 < q < nx - 1 and up[i, q - 1] == 0 and up[i, q + 1] == 0):
                continue
            lift = g * g + float(q) * float(q)
            begin = -1.0
            while n >= 0:
                begin = (lift - high[n]) / float(2 * (q - at[n]))
                if begin > start[n]:
                    break
                n -= 1
            if n < 0:
                begin = -1.0
            n += 1
            at[n] = q
            high[n] = lift
            start[n] = begin
        start[n + 1] = math.inf
        k = 0
        for j in range(nx):
            if up[i, j] == 0:
                out[i, j] = 0.0
                continue
            while start[k + 1] < j:
                k += 1
            d = j - at[k]
            up_ = float(up[i, at[k]])
            out[i, j] = math.sqrt(float(d * d) + up_ * up_)
