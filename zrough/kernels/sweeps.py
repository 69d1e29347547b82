"""What an earlier cutter has swept, laid into the map of a later one."""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True, nogil=True, error_model="numpy", no_cfunc_wrapper=True)
def lay(beyond, unit, full, shift, sx0, sy0, sh, out, x0, y0, h, radius, near):
    """Lower ``out`` to what a cutter of ``radius`` would have to have swept to leave the same ground.

    ``beyond`` (int16, pitch ``sh``) counts ``unit`` mm that a node stands outside the swept ground, negative
    inside; ``shift`` is added. Ground nearer than ``near`` to its edge gets the squared distance to a centre,
    ``(radius + beyond)^2``, so that the edge lies where ``out`` passes radius squared; what stands farther
    out is not touched. ``full`` mm is as far inside as the map tells.
    """
    ny, nx = out.shape
    my, mx = beyond.shape
    for i in range(ny):
        v = (y0 + i * h - sy0) / sh
        a = int(math.floor(v))
        if a < 0 or a >= my - 1:
            continue
        v -= a
        for j in range(nx):
            u = (x0 + j * h - sx0) / sh
            b = int(math.floor(u))
            if b < 0 or b >= mx - 1:
                continue
            u -= b
            low = beyond[a, b] * (1.0 - u) + beyond[a, b + 1] * u
            high = beyond[a + 1, b] * (1.0 - u) + beyond[a + 1, b + 1] * u
            d = (low * (1.0 - v) + high * v) * unit + shift
            if d < near:
                r = 0.0 if d <= shift - full else max(0.0, radius + d)
                q = np.float32(r * r)
                if q < out[i, j]:
                    out[i, j] = q
