"""Ground that the clearing engine had to leave on a level: where, how wide, how much."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from . import distances
from .kernels import march as k
from .pieces import Level, Nodes, Points, Uncut

if TYPE_CHECKING:
    from .rings import Clearing
    from .wallstarts import Walls

SPARE = 3.0  # nodes: how far the box of ground left reaches beyond it (one of doubt, two of fillet)
BY = 0.3  # of the radius: how near to a walk a pinched place is its own
FINER = 5  # points a side that a cell of the swept map is looked at by
HAIR = 0.002  # mm: what the steps of a walk leave between its points, and a thickness nobody sees
GAINED = 0.5  # cells: how far off a ring may seem that has not moved, round a corner between nodes
UPRIGHT = 0.01  # mm: how far apart the points of two levels' rings may be
LISTED = 0.05  # of the radius squared: ground left whole from this area on is worth a go with tighter bends
GAP = 8  # ring points between two pinched stretches that count as one


def encloses(outer: tuple[float, ...], inner: tuple[float, ...]) -> bool:
    """True if one box lies in another."""
    low, high = outer[:2], outer[2:]
    return all(a <= b for a, b in zip(low, inner[:2], strict=True)) and all(
        a >= b for a, b in zip(high, inner[2:], strict=True)
    )


def uncut(work: Clearing, level: Level, least: float = 0.0) -> list[Uncut]:
    """Ground in reach that no walk could take, by patches of at least ``least`` mm2."""
    f, r = work.frame, work.rules
    groups = [nodes for nodes in _patches(work, level).groups if len(nodes[0]) * f.hb**2 >= least]
    if not groups:
        return []
    room, _ = _room(work, level)
    reach = math.ceil(r.radius / f.hb)
    standing, boxes = _standing(work, level)
    found = []
    for i, j in groups:
        m = int(np.argmin((i - i.mean()) ** 2 + (j - j.mean()) ** 2))
        near = room[max(i[m] - reach, 0) : i[m] + reach + 1, max(j[m] - reach, 0) : j[m] + reach + 1]
        width = 2.0 * (float(near.max()) + r.radius)
        x, y = f.x0 + float(j[m]) * f.hb, f.y0 + float(i[m]) * f.hb
        found.append(Uncut(x, y, width, len(i) * f.hb**2, _box(work, standing, boxes, i, j)))
    return found


def pinched(work: Clearing, level: Level) -> list[tuple[Uncut, Nodes]]:
    """Where a wall still gives up a bite that would pass the cap: the end of a narrowing gap.

    Too thin for `uncut`, but what no level takes adds up to a stair. So `run` lists what is left on a
    primary level, and as ``stayed`` what was found on the climb level before and not taken since.
    """
    from scipy.spatial import cKDTree

    f, r, walls = work.frame, work.rules, work.walls
    if walls is None or not walls.bite.any():
        return []
    at = np.flatnonzero(walls.bite)
    p, over = over_cap(work, level, walls, at)
    at, p = at[over], p[over]
    found = []
    for group in np.split(p, np.flatnonzero(np.diff(at) > GAP) + 1) if len(p) else []:
        low, high = group.min(axis=0) - r.radius, group.max(axis=0) + r.radius
        rows, cols = work.span(low, high, f.hd, work.d2.shape)
        i, j = np.nonzero(work.d2[rows, cols] > np.float32(r.radius**2))
        nodes = np.stack([f.x0 + f.hd * (j + cols.start), f.y0 + f.hd * (i + rows.start)], axis=1)
        if len(nodes):
            near = cKDTree(group).query(nodes, distance_upper_bound=r.radius)[0] < r.radius
            nodes, i, j = nodes[near], i[near] + rows.start, j[near] + cols.start
        if len(nodes):
            x, y = group[len(group) // 2]
            room = level.sd[work.window(group[len(group) // 2], r.radius, f.h, level.sd.shape)]
            width = 2.0 * (max(0.0, float(room.max())) + r.radius)
            box = (*(nodes.min(axis=0) - SPARE * f.h), *(nodes.max(axis=0) + SPARE * f.h))
            area = len(nodes) * f.hd**2
            found.append((Uncut(float(x), float(y), width, area, tuple(map(float, box))), (i, j)))
    return found


def over_cap(
    work: Clearing, level: Level, walls: Walls, at: NDArray[np.int64]
) -> tuple[Points, NDArray[np.bool_]]:
    """Places (n, 2) of a cutter that passes ring points ``at``, and where its arc would pass the cap."""
    f, r = work.frame, work.rules
    ahead = level.points[walls.after[at]] - level.points[at]
    ahead = r.side * ahead / np.maximum(np.hypot(*ahead.T), 1e-12)[:, None]
    p = level.points[at] + r.eps * r.side * np.stack([-ahead[:, 1], ahead[:, 0]], axis=1)
    over = np.array([
        work.sd_at(level, q) >= -f.h
        and k.arc_at(work.d2, f.x0, f.y0, f.hd, r.radius, *q, *a, work.circle) > r.cap - r.margin
        for q, a in zip(p, ahead, strict=True)
    ], bool)  # fmt: skip
    return p, over


def stays_pinched(work: Clearing, level: Level, at: Points) -> bool:
    """True if a wall within `BY` of ``at`` gives up a bite, as things are now, that would pass the cap.

    It has to be upright: where it stands farther back than on the level below, the ground gained is a stair
    of its own, and each slice off it counts.
    """
    f, walls, below = work.frame, work.walls, work.below
    if walls is None or below is None or not len(level.points):
        return False
    near = np.flatnonzero(np.hypot(*(level.points - at).T) < BY * work.rules.radius)
    near = near[walls.asked(work, level, near) == 1]
    near = near[over_cap(work, level, walls, near)[1]]
    if not len(near):
        return False
    return bool(f.sampled(below.sd, level.points[near]).min() > -GAINED * f.h)


def is_upright(work: Clearing, level: Level, at: Points) -> bool:
    """True if ``at`` is beside walls that stand where they stood on the level below.

    A wall that is upright has the same ring on both, point by point.
    """
    from scipy.spatial import cKDTree

    below = work.below
    if below is None or not len(level.points) or not len(below.points):
        return False
    near = level.points[np.hypot(*(level.points - at).T) < BY * work.rules.radius]
    same = below.points[np.abs(below.points - at).max(axis=1) < (BY + BY) * work.rules.radius]
    return len(near) > 0 and len(same) > 0 and bool(cKDTree(same).query(near)[0].max() < UPRIGHT)


def is_bare(work: Clearing, walk: Points, at: Nodes) -> bool:
    """True if walks of the band have left nothing under points of a walk, in cells of the fine nodes ``at``.

    Between nodes, where two walks meet, the swept map may show a ridge that is not there. Here distances from
    the walks themselves count; open air, and what entries took, is taken for standing.
    """
    from scipy.spatial import cKDTree

    f, radius = work.frame, work.rules.radius
    side = f.hd * np.linspace(-0.5, 0.5, FINER)
    x = (f.x0 + f.hd * at[1][:, None, None] + side[:, None] + 0.0 * side).ravel()
    y = (f.y0 + f.hd * at[0][:, None, None] + side + 0.0 * side[:, None]).ravel()
    points = np.stack([x, y], axis=1)
    points = points[cKDTree(walk).query(points)[0] < radius]
    if not len(points):
        return True
    reach = 2.0 * radius + float(np.abs(walk - walk[0]).max())
    trails = work.tracks.follow(work.track), work.trails.follow(work.pieces)
    swept = np.concatenate([trail.near(walk[0], reach) for trail in trails])
    return len(swept) > 0 and bool(cKDTree(swept).query(points)[0].max() < radius + HAIR)


def standing(work: Clearing, level: Level, told: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Those entries of a list of places in whose ``box`` ground in reach still stands."""
    f, r = work.frame, work.rules
    if told:
        work.start(level)
    kept = []
    for place in told:
        x0, y0, x1, y1 = place["box"]
        rows, cols = work.window(
            np.array([0.5 * (x0 + x1), 0.5 * (y0 + y1)]), 0.5 * max(x1 - x0, y1 - y0), f.hb, work.mat.shape
        )
        if np.count_nonzero(work.mat[rows, cols]) * f.hb**2 >= LISTED * r.radius**2:
            kept.append(place)
    return kept


def patches(work: Clearing, level: Level, nodes: NDArray[np.bool_]) -> list[Uncut]:
    """Connected patches of coarse nodes, as ground left uncut."""
    from scipy.ndimage import find_objects, label

    f, r = work.frame, work.rules
    number, _ = label(nodes, structure=np.ones((3, 3)))
    found = []
    for n, box in enumerate(find_objects(number), start=1):
        i, j = np.nonzero(number[box] == n)
        i, j = i + box[0].start, j + box[1].start
        m = int(np.argmin((i - i.mean()) ** 2 + (j - j.mean()) ** 2))
        at = np.array([f.x0 + f.hb * j[m], f.y0 + f.hb * i[m]])
        room = level.sd[work.window(at, r.radius, f.h, level.sd.shape)]
        width = 2.0 * (max(0.0, float(room.max())) + r.radius)
        box_ = _box(work, np.zeros(nodes.shape, np.int32), [], i, j)
        found.append(Uncut(float(at[0]), float(at[1]), width, len(i) * f.hb**2, box_))
    return found


def _room(work: Clearing, level: Level) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Of coarse nodes: how far the centre may go from each, mm, and which the cutter reaches.

    Kept for the next call: what is left on a level is asked several times.
    """
    f, r = work.frame, work.rules.radius
    if work.room is None or work.room[0] is not level or work.room[1] != r:
        away = distances.away(work.free) * f.hb
        work.room = level, r, away, distances.within(level.sd[::2, ::2] >= 0.0, r + f.h, f.hb)
    return work.room[2:]


@dataclass
class Patches:
    """Patches of what stands, as long as the ground stays as it is: it is asked for several times.

    ``groups``: coarse nodes of those that walks may start for. ``standing``: see `_standing`.
    """

    of: tuple[int, Level, float]
    groups: list[Nodes]
    standing: tuple[NDArray[np.int32], list[tuple[slice, slice]]] | None = None


def _patches(work: Clearing, level: Level) -> Patches:
    from scipy.ndimage import find_objects, label

    now = work.filled, level, work.rules.radius
    kept = work.patches
    if kept is not None and kept.of[0] == now[0] and kept.of[1] is level and kept.of[2] == now[2]:
        return kept
    number, _ = label(work.wanted, structure=np.ones((3, 3)))
    groups = []
    for n, box in enumerate(find_objects(number), start=1):
        i, j = np.nonzero(number[box] == n)
        groups.append((i + box[0].start, j + box[1].start))
    found = Patches(now, groups)
    work.patches = found if work.running else None
    return found


def _standing(work: Clearing, level: Level) -> tuple[NDArray[np.int32], list[tuple[slice, slice]]]:
    """Patches of all that stands within reach: their numbers on the coarse nodes, and their boxes."""
    from scipy.ndimage import find_objects, label

    kept = _patches(work, level)
    if kept.standing is not None:
        return kept.standing
    f, r, reach = work.frame, work.rules.radius, _room(work, level)[1]
    stands = np.zeros((2 * reach.shape[0], 2 * reach.shape[1]), bool)
    stands[: f.ny, : f.nx] = work.d2[::2, ::2] > np.float32(r * r)
    any_of_four = stands[::2] | stands[1::2]
    number, _ = label(reach & (any_of_four[:, ::2] | any_of_four[:, 1::2]), structure=np.ones((3, 3)))
    kept.standing = number, find_objects(number)
    return kept.standing


def _box(
    work: Clearing,
    number: NDArray[np.int32],
    boxes: list[tuple[slice, slice]],
    i: NDArray[np.int64],
    j: NDArray[np.int64],
) -> tuple[float, ...]:
    """Box of coarse nodes (i, j) and of the patches of `_standing` that they lie in."""
    f = work.frame
    mine = [boxes[n - 1] for n in np.unique(number[i, j]) if n]
    rows = [int(i.min()), int(i.max()), *(q for b, _ in mine for q in (b.start, b.stop - 1))]
    cols = [int(j.min()), int(j.max()), *(q for _, b in mine for q in (b.start, b.stop - 1))]
    return (  # a coarse node stands for itself and the level's node after it
        f.x0 + f.hb * min(cols) - f.h * SPARE,
        f.y0 + f.hb * min(rows) - f.h * SPARE,
        f.x0 + f.hb * max(cols) + f.h * (SPARE + 1.0),
        f.y0 + f.hb * max(rows) + f.h * (SPARE + 1.0),
    )
