"""Which job of a batch goes first: those that will take longest, so that no worker is left alone at the end.

The estimate is work in nodes of the map times levels, with the part's triangles on top. It is only compared
with that of other jobs; what comes of a job does not depend on its place.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Sequence
from statistics import median
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from zrough.errors import ZroughError

if TYPE_CHECKING:
    from zrough.job import Cutter, Job

Item = TypeVar("Item")
Floats = NDArray[np.float64]

SHARE = 30.0  # nodes of the default map to a cutter's radius
TRIANGLE = 2.0  # nodes that take as long as a triangle of the part
TRIANGLE_BYTES = 50.0  # of a file for each: the usual binary one (STL) exactly, others roughly


def longest_first(items: Sequence[Item], load: Callable[[Item], Job]) -> list[Item]:
    """``items`` by falling work; those alike stay in order.

    Jobs that cannot be loaded come first: they are told at once. A job whose stock is told by a file counts
    as an ordinary one of the batch.
    """
    found: list[tuple[float | None, float]] = []
    for item in items:
        try:
            job = load(item)
            found.append((ground(job), TRIANGLE * triangles(job)))
        except Exception:  # whatever it is, the job's own record will say it
            found.append((math.inf, 0.0))
    known = [work for work, _ in found if work is not None and math.isfinite(work)]
    usual = median(known) if known else 0.0
    total = [(usual if work is None else work) + more for work, more in found]
    return [items[k] for k in sorted(range(len(items)), key=lambda k: -total[k])]


def ground(job: Job) -> float | None:
    """Nodes of the map times levels, over all cutters; None where a file tells the size of the stock."""
    box = _box(job)
    if box is None:
        return None
    lower, upper = box
    if job.roughing.floor_z is not None:
        lower = np.array([*lower[:2], max(lower[2], min(job.roughing.floor_z, upper[2]))])
    return sum(_of_cutter(job, cutter, upper - lower) for cutter in job.cutters)


def _of_cutter(job: Job, cutter: Cutter, size: Floats) -> float:
    """Nodes times levels of one cutter over a box of this size, mm."""
    cell = job.roughing.cell or 0.5 * cutter.diameter / SHARE
    wide = size[:2] + 2.0 * cutter.diameter
    step = job.roughing.stair_height or job.roughing.level_depth or cutter.diameter
    return float(wide[0] * wide[1] / cell**2 * max(1.0, size[2] / step))


def _box(job: Job) -> tuple[Floats, Floats] | None:
    stock = job.stock
    if job.stock_map is not None:
        grid, heights = job.stock_map
        high = float(heights.max(initial=0.0, where=np.isfinite(heights)))
        return np.array([grid.x[0], grid.y[0], high - 1.0]), np.array([grid.x[-1], grid.y[-1], high])
    if stock.kind == "cylinder" and stock.centre is not None and stock.diameter is not None:
        half = 0.5 * stock.diameter
        x, y = stock.centre
        return np.array([x - half, y - half, stock.bottom]), np.array([x + half, y + half, stock.top])
    corners = None if job.mesh is None else job.mesh[0]
    if stock.kind == "block" and stock.min is not None and stock.max is not None:
        return np.array(stock.min), np.array(stock.max)
    if stock.kind == "block" and corners is not None and len(corners):
        return corners.min(axis=0), corners.max(axis=0)
    return None


def triangles(job: Job) -> float:
    """Triangles of the part, by the size of its file; 0 where it is missing."""
    if job.mesh is not None:
        return float(len(job.mesh[1]))
    with contextlib.suppress(ZroughError, OSError):
        if job.part.file is not None:
            return job.file(job.part.file, "part.file").stat().st_size / TRIANGLE_BYTES
    return 0.0
