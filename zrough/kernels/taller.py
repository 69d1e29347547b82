"""Where along a walk the cutter meets what stands higher than its level expects."""

import math

import numpy as np
from numba import njit


@njit(cache=True, nogil=True, error_model="numpy", no_cfunc_wrapper=True)
def first_met(taller, x0, y0, pitch, radius, pts, out):
    """Raise ``out (n,)`` to the largest ``taller (ny, nx)`` that each of ``pts (n, 2)`` is first to reach.

    Nodes reached are set to 0. What lies under the centre before has been reached by that one.
    """
    ny, nx = taller.shape
    n = radius / pitch
    for k in range(pts.shape[0]):
        fi, fj = (pts[k, 1] - y0) / pitch, (pts[k, 0] - x0) / pitch
        gi, gj = fi, fj
        if k > 0:
            gi, gj = (pts[k - 1, 1] - y0) / pitch, (pts[k - 1, 0] - x0) / pitch
        for i in range(max(0, int(math.ceil(fi - n))), min(ny - 1, int(math.floor(fi + n))) + 1):
            half = math.sqrt(max(0.0, n * n - (i - fi) * (i - fi)))
            first, last = max(0, int(math.ceil(fj - half))), min(nx - 1, int(math.floor(fj + half)))
            done, over = last + 1, last  # nodes done .. over lie under the centre before
            if k > 0 and abs(i - gi) <= n:
                half = math.sqrt(n * n - (i - gi) * (i - gi))
                done, over = int(math.ceil(gj - half)), int(math.floor(gj + half))
            j = first
            while j <= last:
                if done <= j <= over:
                    j = over + 1
                    continue
                if taller[i, j] > 0.0:
                    out[k] = max(out[k], np.float64(taller[i, j]))
                    taller[i, j] = 0.0
                j += 1
