"""Ways of the clearing engine over cleared ground, from where the cutter stands to where it cuts next."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .kernels import march as k
from .pieces import Level, Points

if TYPE_CHECKING:
    from .rings import Clearing

NEAR = 0.5  # of `Rules.eps`: so near to a wall a way may come, which no arcs are fitted to
LANDING = 1.5  # of the radius: how far before a ridge the cutter may come down
RETRACED = 3  # walks that a way goes back along at most
NEXT = 0.5  # of the radius: how far from such a walk it may end
HERE = 1e-6  # mm
GRAZE = math.radians(15.0)  # a link may brush slivers of this arc, at the feed that the arc allows


def back(work: Clearing, flat: int) -> NDArray[np.int64]:
    """Nodes from the start of the last search to ``flat``."""
    chain, parent = [], work.parents
    while flat >= 0:
        chain.append(flat)
        flat = parent[flat]
    return np.array(chain[::-1], np.int64)


def search(work: Clearing, start: int, goal: int = -1) -> int:
    """From a clear coarse node over clear ground to the nearest front or to ``goal``; -1 if there is none.

    Most walks are tried from one place after the other while the cutter stands where it is: what has been
    found out from there is kept until the ground changes.
    """
    key = start, work.version
    if work.searched != key:
        work.searched = key
        work.epoch += 1
        work.begun, work.state[:] = work.epoch, 0
    i, j = divmod(start, work.free.shape[1])
    found = k.find_front(
        work.free, work.blk, work.tabu, work.joined, work.begun, i, j, goal, work.queue, work.parent,
        work.state,
    )  # fmt: skip
    return int(found)


def on_trail(work: Clearing, p: Points) -> Points | None:
    """A place near ``p`` on an earlier walk of the level: elsewhere a ball-nose stands on ridges."""
    near = trail(work, p, work.rules.radius)
    found = work.first_clear(near, work.frame.hd)
    return near[found] if found >= 0 else None


def trail(work: Clearing, p: Points, reach: float) -> Points:
    """Some points of the level's earlier walks within ``reach`` mm of ``p``, the nearest first."""
    near = work.trails.follow(work.pieces).near(p, reach)
    return near[:: max(1, len(near) // 48)]


def landing(work: Clearing, level: Level, goal: Points) -> Points | None:
    """Where the whole cutter comes down before it goes straight to ``goal``, in steps; None if nowhere.

    A walk by a smaller radius may begin where the rim would come down on a ridge. On the paths of earlier
    walks it does not.
    """
    f, whole, step = work.frame, work.whole, work.rules.step
    d2, x0, y0 = work.d2, f.x0, f.y0
    if work.curtain is not None:
        # a ridge behind it stands all the same
        rows, cols = work.window(goal, (LANDING + 1.5) * whole.radius, f.hd, work.d2.shape)
        d2, x0, y0 = work.curtain.behind(d2, rows, cols), x0 + f.hd * cols.start, y0 + f.hd * rows.start
    flat = whole.standing(f.hd)
    if k.first_clear(d2, x0, y0, f.hd, whole.radius, flat, f.hd, goal[None]) == 0:
        return goal[None, :]
    near = work.tracks.follow(work.track).near(goal, LANDING * whole.radius)
    near = np.ascontiguousarray(near[:: max(1, len(near) // 64)])
    at = -1
    while (on := k.first_clear(d2, x0, y0, f.hd, whole.radius, flat, f.hd, near[at + 1 :])) >= 0:
        at += 1 + on
        q = near[at]
        n = max(1, math.ceil(float(np.hypot(*(goal - q))) / step))
        line = q + np.linspace(0.0, 1.0, n + 1)[:, None] * (goal - q)
        if (
            nearest_sd(work, level, line).min() >= work.rules.eps
            and k.way_arc(d2, x0, y0, f.hd, whole.radius, step, 0.0, work.circle, line) == 0.0
            and tested(work, line) is not None
        ):
            return np.asarray(line, dtype=np.float64)
    return None


def route(work: Clearing, level: Level, position: Points | None, goal: Points) -> tuple[Points, float] | None:
    """Way from ``position`` to ``goal`` over clear ground, None if there is none."""
    if position is None:
        return None
    direct = straight(work, level, position, goal)
    if direct is not None:
        return direct
    f = work.frame
    if k.sight(level.sd, work.free, work.blk, f.x0, f.y0, f.h, f.hb, work.rules.eps, *position, *goal):
        return tested(work, np.stack([position, goal]))
    a, b = work.clear_node(level, position), work.clear_node(level, goal)
    if a is not None and b is not None:
        flat = search(work, a, b)
        found = None if flat < 0 else way(work, level, position, back(work, flat), goal[None, :])
        if found is not None:
            return found
    return _retraced(work, level, position, goal)


def straight(work: Clearing, level: Level, position: Points, goal: Points) -> tuple[Points, float] | None:
    """Straight to ``goal`` if that cuts nothing at all: coarse nodes keep off a front that it runs along."""
    line = np.stack([position, goal])
    if not fits(work, level, line):
        return None
    found = tested(work, line)
    return found if found is not None and found[1] == 0.0 else None


def _retraced(work: Clearing, level: Level, position: Points, goal: Points) -> tuple[Points, float] | None:
    """Back along the last walks to beside ``goal``, as no node may be clear between close walls."""
    trail: list[Points] = []
    for piece in work.pieces[: -1 - RETRACED : -1]:
        if trail and np.abs(trail[-1][-1] - piece.points[-1]).max() > HERE:
            break
        trail.append(piece.points[::-1])
        if piece.way is None:
            break
        trail.append(piece.way[::-1])
    if not trail or np.abs(trail[0][0] - position).max() > HERE:
        return None
    line = np.concatenate(trail)
    away = np.hypot(*(line - goal).T)
    line = np.concatenate([line[: int(away.argmin()) + 1], goal[None]])
    if away.min() > NEXT * work.rules.radius:
        return None
    short = [0]
    while short[-1] < len(line) - 1:
        at = short[-1]
        ahead = len(line) - 1
        while ahead > at + 1 and not fits(work, level, line[[at, ahead]]):
            ahead = at + max(1, (ahead - at) // 2)
        short.append(ahead)
    for made in (line[short], line):
        if fits(work, level, made) and (found := tested(work, made)) is not None:
            return found
    return None


def way(
    work: Clearing, level: Level, position: Points, chain: NDArray[np.int64], tail: Points
) -> tuple[Points, float] | None:
    """Shortened way from ``position`` along coarse nodes and the points of ``tail``, on clear ground.

    None where it comes too near to a wall, between two nodes or on from them, or would cut too much.
    """
    f, r = work.frame, work.rules
    pts = np.concatenate([position[None, :], work.xy(chain), tail])
    keep = np.empty(len(pts), np.int64)
    n = k.pull(level.sd, work.free, work.blk, f.x0, f.y0, f.h, f.hb, r.eps, pts, keep)
    found = pts[keep[:n]]
    return tested(work, found) if fits(work, level, found) else None


def tested(work: Clearing, way: Points) -> tuple[Points, float] | None:
    """The way if what it may still graze stays well under the cap, else None: a lift is safer."""
    f, r = work.frame, work.rules
    most = min(GRAZE, r.cap - r.margin)
    arc = float(k.way_arc(work.d2, f.x0, f.y0, f.hd, r.radius, r.step, most, work.circle, way))
    # a ridge higher than the way meets the rounding of the tip, inside the cutter's full radius
    low = work.whole.radius_at(work.whole.lift)
    if arc <= most and (low < r.radius or work.curtain is not None):
        arc = max(arc, _brushed(work, way, low, most))
    return (way, arc) if arc <= most else None


def _brushed(work: Clearing, way: Points, radius: float, most: float) -> float:
    """Largest arc that a cutter of this radius brushes on a way, rad, behind a curtain too.

    Of arcs over ``most`` it is the first.
    """
    f, step = work.frame, work.whole.step
    if work.curtain is None:
        return float(k.way_arc(work.d2, f.x0, f.y0, f.hd, radius, step, most, work.circle, way))
    low, high = way.min(axis=0), way.max(axis=0)
    half = 0.5 * float(np.max(high - low)) + work.whole.radius + 3 * f.hd
    rows, cols = work.window(0.5 * (low + high), half, f.hd, work.d2.shape)
    x0, y0 = f.x0 + f.hd * cols.start, f.y0 + f.hd * rows.start
    d2 = np.ascontiguousarray(work.curtain.behind(work.d2, rows, cols))
    return float(k.way_arc(d2, x0, y0, f.hd, radius, step, most, work.circle, way))


def arcs(work: Clearing, way: Points) -> NDArray[np.float64]:
    """Arc in material, rad, of each step of a way; 0 for the first point."""
    f, r = work.frame, work.rules
    steps = (
        k.way_arc(work.d2, f.x0, f.y0, f.hd, r.radius, r.step, math.inf, work.circle, way[n : n + 2])
        for n in range(len(way) - 1)
    )
    return np.fromiter((0.0, *steps), np.float64, len(way))


def nearest_sd(work: Clearing, level: Level, points: Points) -> NDArray[np.float32]:
    """Signed distance of the level at the nodes nearest to points (n, 2), mm."""
    f = work.frame
    at = np.rint((points - (f.x0, f.y0)) / f.h).astype(np.int64)
    # not np.clip, which takes several times as long for so few
    j, i = np.minimum(np.maximum(at, 0), (f.nx - 1, f.ny - 1)).T
    found: NDArray[np.float32] = level.sd[i, j]
    return found


def fits(work: Clearing, level: Level, way: Points) -> bool:
    """True if the straight way through points (n, 2) keeps off what bounds the centre."""
    f = work.frame
    least = k.least_along(level.sd, f.x0, f.y0, f.h, 0.5 * f.h, np.ascontiguousarray(way))
    return bool(least >= NEAR * work.rules.eps)


def room(work: Clearing, level: Level, points: Points) -> float:
    """Least distance of points (n, 2) from what bounds the centre, mm."""
    return float(work.frame.sampled(level.sd, points).min())
