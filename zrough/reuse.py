"""Surfaces and CL maps kept from one job to the next, for workers that plan many jobs on one part.

Nothing is kept unless `allow` says so. What is kept is what would be computed again, from the same bytes: the
results are the same with and without.
"""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .grid import Grid
from .surface import ContactSurface

_TREE_SHARE = 4  # tree, and the copies that hold a cutter's contact offsets, over the triangles' own size

_lock = threading.Lock()
_kept: OrderedDict[tuple[Any, ...], tuple[Any, int]] = OrderedDict()
_most = 0


def allow(megabytes: float) -> None:
    """Keep up to so much from now on, the least used goes first; 0 forgets all."""
    global _most
    with _lock:
        _most = int(megabytes * 1e6)
        _shed(0)


def held_mb() -> float:
    """How much is kept, MB."""
    with _lock:
        return sum(size for _, size in _kept.values()) / 1e6


def surface(triangles: NDArray[np.float64]) -> ContactSurface:
    """The contact surface of these triangles (n, 3, 3) mm."""
    if not _most:
        return ContactSurface(triangles)
    key = ("surface", _digest(triangles))
    found: ContactSurface = _get(key, lambda: ContactSurface(triangles), _TREE_SHARE * triangles.nbytes)
    found.key = key[1]
    return found


def heights(of: ContactSurface, grid: Grid, radius: float, corner: float) -> NDArray[np.float64]:
    """`ContactSurface.heights`; the caller's own copy where it is kept."""
    if not _most or of.key is None:
        return of.heights(grid, radius, corner)
    key = ("heights", of.key, grid, radius, corner)
    found: NDArray[np.float64] = _get(key, lambda: of.heights(grid, radius, corner), 8 * grid.nx * grid.ny)
    return found.copy()


def _digest(triangles: NDArray[np.float64]) -> str:
    return hashlib.sha256(np.ascontiguousarray(triangles).data).hexdigest() + str(triangles.shape)


def _get(key: tuple[Any, ...], make: Callable[[], Any], size: int) -> Any:
    with _lock:
        if key in _kept:
            _kept.move_to_end(key)
            return _kept[key][0]
    value = make()
    with _lock:
        if size <= _most:
            _shed(size)
            _kept[key] = (value, size)
    return value


def _shed(room: int) -> None:
    """Drop what was used longest ago until ``room`` more bytes fit."""
    while _kept and sum(size for _, size in _kept.values()) + room > _most:
        _kept.popitem(last=False)
