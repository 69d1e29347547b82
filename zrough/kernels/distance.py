"""Distances on a map of nodes: from each node to the nearest one that is not set."""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True, nogil=True, error_model="numpy", no_cfunc_wrapper=True)
def to_unset(mask, most, out):
    """Fill ``out`` (ny, nx) with the distance, in nodes, to the nearest node where ``mask`` is 0.

    No more than ``most``: what is farther off is not looked for.

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
            if (
                g >= far
                or g > most
                or (g == 0.0 and 0 < q < nx - 1 and up[i, q - 1] == 0 and up[i, q + 1] == 0)
            ):
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
        if n < 0:
            out[i, :] = most
            continue
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
            out[i, j] = min(math.sqrt(float(d * d) + up_ * up_), most)


@njit(cache=True, nogil=True, error_model="numpy", no_cfunc_wrapper=True)
def within(mask, half, out):
    """Set ``out`` (ny, nx) where a node of ``mask`` that is set lies in the disc round the node, else to 0.

    ``half[k]``: half the width, in nodes, of the disc's row ``k`` rows off its middle.
    """
    ny, nx = mask.shape
    beyond = half.shape[0]
    up = np.empty((ny, nx), np.int32)
    for i in range(ny):
        for j in range(nx):
            over = up[i - 1, j] + 1 if i > 0 else beyond
            up[i, j] = 0 if mask[i, j] else min(over, beyond)
    near = np.full(nx, beyond, np.int32)
    for i in range(ny - 1, -1, -1):
        least = beyond
        for j in range(nx):
            near[j] = 0 if mask[i, j] else min(near[j] + 1, beyond)
            up[i, j] = min(up[i, j], near[j])
            least = min(least, up[i, j])
            out[i, j] = 0
        if least == beyond:
            continue
        reach = np.int64(-1)
        for j in range(nx):
            if up[i, j] < beyond:
                reach = max(reach, j + half[up[i, j]])
            if j <= reach:
                out[i, j] = 1
        reach = np.int64(nx)
        for j in range(nx - 1, -1, -1):
            if up[i, j] < beyond:
                reach = min(reach, j - half[up[i, j]])
            if j >= reach:
                out[i, j] = 1
