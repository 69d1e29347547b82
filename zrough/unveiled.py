"""Walks planned behind a curtain, as they meet the ground that it hid.

Past the end of a zone the cutter reaches over the curtain's edge. What stands there was not shown, so the arc
of a walk, its feed and what its way brushes are asked again with the curtain up, in cutting order.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from . import distances, ways
from .curtain import Curtain
from .kernels import march
from .pieces import Frame, Piece, Points

if TYPE_CHECKING:
    from .rings import Clearing

REACH = 2.0  # coarse nodes: how much nearer hidden ground may lie than its node

Mask = NDArray[np.bool_]


def widened(work: Clearing, zone: Mask) -> Mask:
    """A zone and all that a cutter which begins there meets at first (coarse map)."""
    if not zone.any():
        return zone
    return np.asarray(distances.away(~zone) * work.frame.hb <= work.rules.radius + REACH * work.frame.hb)


def lift(work: Clearing, curtain: Curtain, pieces: list[Piece]) -> None:
    """Lift a curtain that hung while the ``pieces`` of a level were planned.

    They are then as they are to be cut: with larger arcs where hidden ground is met, without the end of a
    walk beyond the zone where that passes the cap, and without ways that would brush too much. ``work`` has
    them swept.
    """
    near = _near_hidden(work, curtain)
    meets = [_comes_by(near, work.frame, p.points) for p in pieces]
    on_way = [_comes_by(near, work.frame, p.way) for p in pieces]
    if not any(meets) and not any(on_way):
        curtain.lift(work)
        return
    work.d2[:] = curtain.before
    here = {id(piece.points) for piece in pieces}
    work.track = [points for points in work.track if id(points) not in here]
    for n, piece in enumerate(pieces):
        led = n == 0 or piece.way is None or np.array_equal(piece.way[0], pieces[n - 1].points[-1])
        if piece.way is not None and (on_way[n] or not led):
            found = ways.tested(work, piece.way) if led else None
            piece.way, piece.way_arc = (None, 0.0) if found is None else found
        _cut(work, piece, meets[n])
        work.track.append(piece.points)


def _cut(work: Clearing, piece: Piece, met: bool) -> None:
    """Sweep a walk, and where hidden ground is ``met`` take its arcs anew."""
    f, r = work.frame, work.rules
    reach = r.radius + 3.0 * f.hd
    if piece.entry is not None:
        march.stamp_path(work.d2, f.x0, f.y0, f.hd, reach, work.entry_path(piece.entry)[0])
    points = np.ascontiguousarray(piece.points)
    if not met or len(points) < 2:
        march.stamp_path(work.d2, f.x0, f.y0, f.hd, reach, points)
        return
    arcs, cap = np.zeros(len(points)), math.pi if piece.slot else r.cap
    done = march.follow(work.d2, f.x0, f.y0, f.hd, r.radius, 0.0, cap, work.circle, points, arcs)
    if done < len(points) and _beyond(work, points[done - 1 :]):
        piece.points, piece.arcs = piece.points[:done], np.maximum(piece.arcs[:done], arcs[:done])
        return
    if done < len(points):
        rest = arcs[done - 1 :]
        before = rest[0]
        march.follow(
            work.d2, f.x0, f.y0, f.hd, r.radius, 0.0, math.inf, work.circle, points[done - 1 :], rest
        )
        rest[0] = before
    piece.arcs = np.maximum(piece.arcs, arcs)


def _beyond(work: Clearing, points: Points) -> bool:
    """True if a walk stays out of the zone."""
    assert work.shut is not None
    j, i = _nodes(work.frame, points.T)
    return bool(work.shut[i, j].all())


def _nodes(f: Frame, xy: Points) -> NDArray[np.int64]:
    """Column and row of the coarse nodes nearest to places (2, n)."""
    ny, nx = f.coarse
    j = np.clip(np.rint((xy[0] - f.x0) / f.hb).astype(np.int64), 0, nx - 1)
    i = np.clip(np.rint((xy[1] - f.y0) / f.hb).astype(np.int64), 0, ny - 1)
    return np.stack([j, i])


def _near_hidden(work: Clearing, curtain: Curtain) -> Mask:
    """Coarse nodes (ny, nx) from which the cutter may reach what stands behind the curtain."""
    f, r = work.frame, work.rules.radius
    i, j = np.nonzero(curtain.hidden & (curtain.before > np.float32(r * r)))
    shown = np.ones(f.coarse, bool)
    shown[i // 4, j // 4] = False
    if shown.all():
        return ~shown
    return np.asarray(distances.away(shown) * f.hb <= r + REACH * f.hb)


def _comes_by(near: Mask, f: Frame, points: Points | None) -> bool:
    """True if a line through points (n, 2) comes by a node of ``near``."""
    if points is None or not len(points):
        return False
    step = np.hypot(*np.diff(points, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(step)])
    t = np.linspace(0.0, along[-1], math.ceil(along[-1] / f.hb) + 1)
    j, i = _nodes(f, np.stack([np.interp(t, along, q) for q in points.T]))
    return bool(near[i, j].any())
