"""Distances on maps of nodes, exact; the clearing engine asks for them at every level."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .kernels.distance import to_unset
from .kernels.distance import within as discs_hold


def away(mask: NDArray[Any], most: float = math.inf) -> NDArray[np.float64]:
    """Distance of each node of ``mask`` (ny, nx) to the nearest one that is not set, in nodes; 0 there.

    No more than ``most``, which is the sooner found the less it is.
    Where every node is set it is what `scipy.ndimage.distance_transform_edt` says, whose values these are.
    """
    if mask.all():
        from scipy.ndimage import distance_transform_edt

        return np.asarray(distance_transform_edt(mask), dtype=np.float64)
    out = np.empty(mask.shape)
    to_unset(np.ascontiguousarray(mask != 0).view(np.uint8), most, out)
    return out


def within(of: NDArray[np.bool_], reach: float, pitch: float = 1.0, below: bool = False) -> NDArray[np.bool_]:
    """Nodes no farther than ``reach`` mm from the nearest one ``of`` these, ``below``: nearer than that.

    As distances times the ``pitch`` would say, to the bit, but several times as fast.
    """
    square = math.ceil((reach / pitch) ** 2) + 1 if reach >= 0.0 else -1
    while square >= 0 and (q := math.sqrt(square) * pitch) >= reach and (below or q > reach):
        square -= 1
    out = np.empty(of.shape, bool)
    rows = math.isqrt(square) + 1 if square >= 0 else 0
    half = np.array([math.isqrt(square - k * k) for k in range(rows)], np.int64)
    discs_hold(np.ascontiguousarray(of).view(np.uint8), half, out.view(np.uint8))
    return out


def places(mask: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and columns (n,), (n,) of the nodes set, as `numpy.nonzero` has them but several times as fast."""
    flat = np.flatnonzero(mask)
    row = flat // mask.shape[1]
    return row, flat - row * mask.shape[1]


def around(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Nodes set and the eight round each."""
    rows = mask.copy()
    rows[1:] |= mask[:-1]
    rows[:-1] |= mask[1:]
    out = rows.copy()
    out[:, 1:] |= rows[:, :-1]
    out[:, :-1] |= rows[:, 1:]
    return out
