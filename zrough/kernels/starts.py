"""Where walks along walls may start: the beginnings of runs of open points, and how far off they are."""

from __future__ import annotations

import math

from numba import njit


@njit(cache=True, nogil=True, error_model="numpy", no_cfunc_wrapper=True)
def beginnings(is_open, points, first, end, side, origin, least, sooner, away):
    """Fill ``away`` with the distance, mm, of points where a run of open ones begins, inf elsewhere.

    Rings are ``points[first[q]:end[q]]``, closed, and walked upward for ``side`` 1, downward for -1; of one
    that is open all round every point begins. Distances are from ``origin`` (x, y); NaN: from the first that
    begins. Runs of fewer than ``least`` points are ``sooner`` mm nearer than they are.
    """
    x, y = origin[0], origin[1]
    for ring in range(first.shape[0]):
        a = int(first[ring])
        n = int(end[ring] - first[ring])
        count = 0
        for k in range(n):
            away[a + k] = math.inf
            count += 1 if is_open[a + k] else 0
        if count == 0:
            continue
        for k in range(n):
            # the point that a walk comes from
            if not is_open[a + k] or (count < n and is_open[a + (k - side + n) % n]):
                continue
            if math.isnan(x):
                x, y = points[a + k, 0], points[a + k, 1]
            run = 1
            if count == n:
                run = n
            else:
                while run < least and is_open[a + (k + side * run + n) % n]:
                    run += 1
            away[a + k] = math.hypot(points[a + k, 0] - x, points[a + k, 1] - y)
            if run < least:
                away[a + k] -= sooner
