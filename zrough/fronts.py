"""Where a front of standing material begins, and how a walk along it may start."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from . import ways
from .kernels import march as k
from .pieces import EVENED, Level, Points

if TYPE_CHECKING:
    from .rings import Clearing

# places near a front to start from, coarse nodes (away from it, back along it), the first that is clear
ROUND = np.array(
    [(0, 0), (1, 0), (0, 1), (1, 1), (2, 0), (2, 1), (0, 2), (2, 2), (3, 0), (4, 0), (4, 2)], np.float64
)


def next_front(
    work: Clearing, level: Level, position: Points | None
) -> tuple[bool, NDArray[np.int64]] | None:
    """Whether cleared ground leads to the next front (see `chain`), and its nodes from its start on."""
    flat = -1
    joined = False
    if position is not None:
        at = work.clear_node(level, position)
        if at is not None:
            flat = ways.search(work, at)
            joined = flat >= 0
    if not joined:
        x, y = (position[0], position[1]) if position is not None else (work.frame.x0, work.frame.y0)
        flat = k.find_any_front(
            work.free, work.blk, work.tabu, work.frame.x0, work.frame.y0, work.frame.hb, x, y
        )
        if flat < 0:
            return None
    # where both ways are allowed, the end of the front that is nearer
    ups = [_up_front(work, flat, side) for side in work.sides]
    best = min(range(len(ups)), key=lambda n: len(ups[n]))
    work.face(work.sides[best])
    return joined, ups[best][::-1]


def chain(work: Clearing, front: NDArray[np.int64]) -> NDArray[np.int64]:
    """Nodes from where the last search began, over cleared ground, to the start of the ``front`` found."""
    return np.concatenate([ways.back(work, int(front[-1])), front[-2::-1]])


def _up_front(work: Clearing, flat: int, side: int) -> NDArray[np.int64]:
    """Nodes from front node ``flat`` to where a walk along its front begins."""
    up = work.followed.get((flat, side))
    if up is None:
        work.epoch += 1
        out = work.buffer_up
        n = k.up_front(work.free, work.blk, flat, side, work.seen, work.epoch, len(out), out)
        # of its nodes most are tried one after the other, on the same ground
        up = work.followed[flat, side] = out[:n].copy()
    free = np.flatnonzero(work.tabu.ravel()[up] == 0)
    return up[: int(free[-1]) + 1 if len(free) else 1]


def poses(work: Clearing, front: NDArray[np.int64]) -> list[tuple[Points, Points]]:
    """Starts on a front, best first: along it, square to its uncut side, straight at a last sliver."""
    i, j = divmod(int(front[0]), work.free.shape[1])
    p = work.place(int(front[0]))
    found = []
    if len(front) >= 4:
        along = work.place(int(front[min(len(front) - 1, 6)])) - p
        norm = math.hypot(*along)
        if norm > 0:
            found.append((p, along / norm))
    toward = np.zeros(2)
    if k.toward(work.free, work.blk, i, j, 3, toward):
        if not found:
            found.append((p, work.rules.side * np.array([-toward[1], toward[0]])))
        found.append((p, toward))
    return found


def clear_start(work: Clearing, level: Level, p: Points, heading: Points) -> Points | None:
    """``p``, or a place close by where the standing cutter truly touches nothing.

    The coarse map overlooks slivers thinner than its pitch, and coming down on one is a plunge.
    """
    f, r = work.frame, work.rules
    away = r.side * np.array([-heading[1], heading[0]])
    near = p + f.hb * (ROUND[:, :1] * away - ROUND[:, 1:] * heading)
    near = near[ways.nearest_sd(work, level, near) >= r.eps]
    for slack in work.slacks:
        found = work.first_clear(near, slack)
        if found >= 0:
            return np.asarray(near[found])
    return ways.on_trail(work, p) if r.floor_radius < EVENED * r.radius else None
