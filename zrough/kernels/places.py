"""The order of places that makes the ways between them short, and the ground that walks touch."""

import math

import numpy as np
from numba import njit

_kernel = njit(cache=True, nogil=True, error_model="numpy", no_cfunc_wrapper=True)

GAIN = 1.0e-6  # mm: a move that saves less is none


@_kernel
def shorten(cost, first, order, lengths, rounds):
    """Move runs of places within ``order (n,)`` to where the ways become shorter; ``order`` is changed.

    ``cost (n + 1, n)``: from a place (row n: from the start) to another, mm. ``first (n, n)``: 1 where the
    row's place must come before the column's, which ``order`` obeys and goes on obeying. ``lengths``: numbers
    of places moved together. Ends after ``rounds`` or when no move helps.
    """
    n = order.shape[0]
    at = np.empty(n, np.int64)
    for k in range(n):
        at[order[k]] = k
    for _ in range(rounds):
        better = False
        for s in lengths:
            for a in range(n - s + 1):
                e = a + s - 1  # last of the run
                low, high = -1, n
                for k in range(a, e + 1):
                    x = order[k]
                    for y in range(n):
                        if first[y, x] != 0 and at[y] < a and at[y] > low:
                            low = at[y]
                        if first[x, y] != 0 and at[y] > e and at[y] < high:
                            high = at[y]
                head, last = order[a], order[e]
                before = order[a - 1] if a > 0 else n
                gain = cost[before, head]
                if e < n - 1:
                    gain += cost[last, order[e + 1]] - cost[before, order[e + 1]]
                best, where = GAIN, -1
                # the run would come after position k, or before the first place
                for k in range(low, high):
                    if a - 1 <= k <= e:
                        continue
                    p = order[k] if k >= 0 else n
                    loss = cost[p, head]
                    if k < n - 1:
                        loss += cost[last, order[k + 1]] - cost[p, order[k + 1]]
                    if gain - loss > best:
                        best, where = gain - loss, k
                if best <= GAIN:
                    continue
                better = True
                run = order[a : e + 1].copy()
                if where < a:
                    for k in range(a - 1, where, -1):
                        order[k + s] = order[k]
                    order[where + 1 : where + 1 + s] = run
                else:
                    for k in range(e + 1, where + 1):
                        order[k - s] = order[k]
                    order[where - s + 1 : where + 1] = run
                for k in range(n):
                    at[order[k]] = k
        if not better:
            return


@_kernel
def touch(x0, y0, cell, row, column, reach, pts, out):
    """Set ``out`` (rows, columns) where the middle of a cell lies less than ``reach`` from one of ``pts``.

    ``out`` begins at cell (``row``, ``column``) of those counted from (x0, y0); pts (n, 2).
    """
    ny, nx = out.shape
    for k in range(pts.shape[0]):
        fi = (pts[k, 1] - y0) / cell - 0.5 - row
        fj = (pts[k, 0] - x0) / cell - 0.5 - column
        n = reach / cell
        for i in range(max(0, int(math.floor(fi - n))), min(ny - 1, int(math.ceil(fi + n))) + 1):
            dy = y0 + (i + row + 0.5) * cell - pts[k, 1]
            half = math.sqrt(max(0.0, n * n - (i - fi) * (i - fi)))
            for j in range(max(0, int(math.floor(fj - half))), min(nx - 1, int(math.ceil(fj + half))) + 1):
                if not out[i, j]:
                    dx = x0 + (j + column + 0.5) * cell - pts[k, 0]
                    out[i, j] = 1 if dx * dx + dy * dy < reach * reach else 0
