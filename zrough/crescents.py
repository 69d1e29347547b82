"""Narrow channels: arcs from wall to wall, each as far beyond the last along the middle as the cap lets it.

A walk that always takes as much as the cap allows leans further with each pass between close walls, until
what is left at the far wall is out of reach. The front half of the largest circle that the centre has room
for, moved on along the middle, clears a channel from end to end, whatever the walks before it left.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from . import distances, ways
from .kernels import march as k
from .pieces import Frame, Level, Piece, Points

if TYPE_CHECKING:
    from .rings import Clearing

WIDEST = 0.35  # of the radius: half the room from side to side up to which ground counts as a channel
FIRST = 0.12  # of the radius: up to this half room arcs are sooner done than walks along the walls
TURN = math.radians(4.0)  # of an arc's step
BACK, ON = math.radians(180.0), math.radians(130.0)  # from straight ahead: where arcs begin and end at most
ROLL = math.radians(25.0)  # of an arc before its first contact
WANTED = 0.995  # of the cap: the arc that the next advance is set for
BOLD, LESS = 1.5, 0.9  # how much an advance grows at most, and how it shrinks after one over the cap
SHORTEST = 0.1  # of the radius: less length of channel is left to the walks
BEHIND = 0.8  # of the radius: how far before the first material a line begins, where there is as much ground
FITS = 4  # tries to fit an arc between walls that close
EDGE = 1.5  # nodes the centre keeps off channels that come later
COARSE = 6  # steps after which the coarse maps are brought up to date
CLOSING = 0.95  # times the last arc's radius: a smaller one at a channel's end goes into a corner of it
LEAST = 0.01  # of the arc's radius: a smaller advance leads nowhere
MOST = 50  # channels of one level
ROUNDS = 4  # of centring a line

Mask = NDArray[np.bool_]
Floats = NDArray[np.float64]


def advance(radius: float, loop: float, cap: float) -> float:
    """How far arcs of radius ``loop`` (mm) from wall to wall may lie apart so that none passes ``cap`` rad.

    At angle t from straight ahead the centre is d from the last arc's centre, d^2 = loop^2 + s^2
    + 2 loop s cos t. The ground swept before ends at radius + loop from there; the part of the cutter's
    circle beyond it spans a on either side of the line of centres, which lies b from the path's normal.
    Derived, no published source.
    """
    t = np.linspace(-0.5 * math.pi, 0.0, 91)
    low, high = 0.0, 2.0 * radius
    for _ in range(40):
        s = 0.5 * (low + high)
        d = np.sqrt(loop * loop + s * s + 2.0 * loop * s * np.cos(t))
        a = np.arccos(np.clip(((radius + loop) ** 2 - d * d - radius**2) / (2.0 * d * radius), -1.0, 1.0))
        b = np.arcsin(np.clip(s * np.sin(-t) / d, -1.0, 1.0))
        low, high = (s, high) if float((a + b).max()) <= cap else (low, s)
    return low


def cut(work: Clearing, level: Level, boxes: Iterable[tuple[float, ...]], pieces: list[Piece]) -> bool:
    """Add to ``pieces`` what clears channels in ``boxes`` (x0, y0, x1, y1; mm); False if nothing was cut.

    The coarse maps are up to date, before and after.
    """
    before = len(pieces)
    done = np.zeros(level.sd.shape, bool)
    for box in boxes:
        rows, cols = _window(work, box)
        goals = _goals(work, level, rows, cols) & ~done[rows, cols]
        for _ in range(MOST):
            chain = _way_in(work, level, goals, rows, cols)
            if chain is None:
                break
            lane = _Lane.along_chain(work, level, chain)
            if lane is not None:
                _clear(work, level, lane, pieces)
            goals &= ~_beside(work, chain, rows, cols)
        done[rows, cols] |= goals
    return len(pieces) > before


# -- where -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Narrow:
    """Channels in which arcs are sooner done than walks: the ground without them, and their boxes."""

    without: Level
    boxes: list[tuple[float, ...]]

    @classmethod
    def of(cls, work: Clearing, level: Level) -> Narrow | None:
        """Those of a level that are longer than the radius and hold material; None if there are none."""
        from scipy.ndimage import find_objects

        f = work.frame
        number = _channels(work, level)
        if number is None:
            return None
        stands = np.zeros(int(number.max()) + 1, bool)
        stands[number[_meets(work, slice(0, f.ny), slice(0, f.nx))]] = True
        stands[0] = False
        if not stands.any():
            return None
        boxes = [_box(f, b) for b, full in zip(find_objects(number), stands[1:], strict=True) if full]
        room = float(level.sd.max())  # no farther off counts
        off = _away(stands[number], f.h, room / f.h + EDGE + 1.0) - EDGE * f.h
        off = off.astype(np.float32)
        return cls(replace(level, sd=np.minimum(level.sd, off)), boxes)


def _channels(work: Clearing, level: Level) -> NDArray[np.int32] | None:
    """Numbers of channels with less than `FIRST` half room, longer than the radius; 0 elsewhere."""
    from scipy.ndimage import label

    f, r = work.frame, work.rules
    half = FIRST * r.radius
    free, wide = level.sd >= r.eps, level.sd >= half
    if not wide.any():  # distances end before that on a fine grid
        wide = ~distances.within(~free, half, f.h, below=True)
    if not (free & ~_about(wide, math.ceil(half / f.h))).any():
        return None
    far = free & ~distances.within(wide, half + 0.5 * f.h, f.h)
    if not far.any():
        return None
    number, count = label(far, structure=np.ones((3, 3)))
    short = np.ones(count + 1, bool)
    short[number[far & ~distances.within(wide, half + r.radius, f.h)]] = False
    number[short[number]] = 0
    return number if number.any() else None


def _box(frame: Frame, box: tuple[slice, slice]) -> tuple[float, ...]:
    """What a window of the level's map covers: x0, y0, x1, y1, mm."""
    rows, cols = box
    x, y, h = frame.x0, frame.y0, frame.h
    return (x + h * cols.start, y + h * rows.start, x + h * cols.stop, y + h * rows.stop)


def _about(mask: Mask, count: int) -> Mask:
    """Nodes at most ``count`` rows and columns from one of ``mask``."""
    from scipy.ndimage import maximum_filter1d

    out = mask.view(np.uint8)
    for axis in (0, 1):
        out = maximum_filter1d(out, 2 * count + 1, axis=axis, mode="constant")
    return out.view(np.bool_)


def _window(work: Clearing, box: tuple[float, ...]) -> tuple[slice, slice]:
    """Rows and columns of the level's map round a box, with room for the cutter to stand clear."""
    f, spare = work.frame, 2.5 * work.rules.radius
    low = [max(0, math.floor((q - spare - o) / f.h)) for q, o in zip(box[:2], (f.x0, f.y0), strict=True)]
    high = [math.ceil((q + spare - o) / f.h) + 1 for q, o in zip(box[2:], (f.x0, f.y0), strict=True)]
    return slice(low[1], min(f.ny, high[1])), slice(low[0], min(f.nx, high[0]))


def _goals(work: Clearing, level: Level, rows: slice, cols: slice) -> Mask:
    """Nodes of channels where a standing cutter would meet material."""
    f, r = work.frame, work.rules
    free = level.sd[rows, cols] >= r.eps
    widest = WIDEST * r.radius
    wide = ~distances.within(~free, widest, f.h, below=True)
    goals = ~distances.within(wide, widest + 0.5 * f.h, f.h) & _meets(work, rows, cols)
    return np.asarray(free & goals & work.within_zone(rows, cols))


def _meets(work: Clearing, rows: slice, cols: slice) -> Mask:
    """Nodes of the level's pitch with material within the radius, as far as nodes tell."""
    f, r = work.frame, work.rules.radius
    stands = work.d2[::2, ::2][rows, cols] > np.float32(r * r)
    return distances.within(stands, r - 0.5 * f.h, f.h)


def _away(of: Mask, pitch: float, most: float = math.inf) -> Floats:
    """Distance of every node to the nearest one ``of`` these, mm; without end where there is none.

    No more than ``most`` nodes.
    """
    return np.asarray(distances.away(~of, most) * pitch) if of.any() else np.full(of.shape, math.inf)


def _way_in(work: Clearing, level: Level, goals: Mask, rows: slice, cols: slice) -> Points | None:
    """Chain of nodes from well within clear ground to the furthest of ``goals``, along the middle."""
    from skimage.graph import MCP_Geometric

    f, r = work.frame, work.rules
    if np.count_nonzero(goals) * f.h < SHORTEST * r.radius:
        return None
    sd = level.sd[rows, cols]
    free = sd >= r.eps
    meets = free & _meets(work, rows, cols)
    back = np.where(free & ~meets, _away(meets, f.h), 0.0)
    xy = np.array([f.x0 + f.h * cols.start, f.y0 + f.h * rows.start])
    starts: list[tuple[int, int]] = []
    enough = BEHIND * r.radius
    while not starts and enough > f.h:
        near = np.argwhere((back >= enough) & (back < enough + 2.0 * f.h))
        starts = [(int(i), int(j)) for i, j in near if work.is_clear(xy + f.h * np.array([j, i]), f.hd)]
        enough *= 0.6
    if not starts:
        return None
    graph: Any = MCP_Geometric(np.where(free, 1.0 / (np.maximum(sd, r.eps) + 0.5 * f.h), -1.0))
    total, _ = graph.find_costs(starts)
    total = np.where(goals & np.isfinite(total), total, -1.0)
    end = np.unravel_index(int(np.argmax(total)), total.shape)
    return None if total[end] < 0.0 else xy + f.h * np.array(graph.traceback(end))[:, ::-1]


def _beside(work: Clearing, chain: Points, rows: slice, cols: slice) -> Mask:
    """Nodes of a window less than `WIDEST` off a chain of nodes."""
    f = work.frame
    at = np.rint((chain - (f.x0 + f.h * cols.start, f.y0 + f.h * rows.start)) / f.h).astype(int)
    on = np.zeros((rows.stop - rows.start, cols.stop - cols.start), bool)
    on[at[:, 1], at[:, 0]] = True
    return distances.within(on, WIDEST * work.rules.radius, f.h)


@dataclass
class _Lane:
    """Middle of a channel: ``points`` (n, 2), lengths ``along`` it, units ``ahead`` (n, 2), ``half`` room.

    From ``tail`` on walls that close at once are the channel's end.
    """

    points: Points
    along: Floats
    ahead: Points
    half: Floats
    tail: float

    @classmethod
    def along_chain(cls, work: Clearing, level: Level, chain: Points) -> _Lane | None:
        """Even out a chain of nodes, bring it half way between the walls, and go on straight at its end."""
        h, radius = work.frame.h, work.rules.radius
        line = _spaced(chain, h)
        if line is None:
            return None
        line = _centred(work, level, line)
        left, right, _ = _rooms(work, level, line)
        longer = _spaced(_straight_on(line, np.minimum(left, right), 0.5 * radius), h)
        if longer is None:
            return None
        line = _centred(work, level, longer)
        left, right, ahead = _rooms(work, level, line)
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
        return cls(line, along, ahead, np.minimum(left, right), float(along[-1]) - radius)

    def at(self, u: float) -> tuple[Points, Points, float]:
        """Place, unit vector ahead and half room at length ``u``."""
        x, y, ax, ay, half = (
            float(np.interp(u, self.along, q)) for q in (*self.points.T, *self.ahead.T, self.half)
        )
        norm = math.hypot(ax, ay) or 1.0
        return np.array([x, y]), np.array([ax, ay]) / norm, half


def _spaced(line: Points, spacing: float) -> Points | None:
    """A line in equal steps of about ``spacing`` mm; None if it has no length."""
    step = np.hypot(*np.diff(line, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(step)])
    if along[-1] < spacing:
        return None
    t = np.linspace(0.0, along[-1], math.ceil(along[-1] / spacing) + 1)
    return np.stack([np.interp(t, along, line[:, 0]), np.interp(t, along, line[:, 1])], axis=1)


def _evened(line: Points, rounds: int = 12) -> Points:
    out = line.copy()
    for _ in range(rounds):
        out[1:-1] += 0.25 * (out[2:] + out[:-2] - 2.0 * out[1:-1])
    return out


def _centred(work: Clearing, level: Level, line: Points) -> Points:
    """A line brought half way between the walls."""
    for _ in range(ROUNDS):
        line = _evened(line)
        left, right, ahead = _rooms(work, level, line)
        line = line + 0.5 * (left - right)[:, None] * _normals(ahead)
    return _evened(line, 4)


def _headings(line: Points) -> Points:
    ahead = np.gradient(line, axis=0)
    return np.asarray(ahead / np.maximum(np.hypot(*ahead.T), 1e-12)[:, None])


def _normals(ahead: Points) -> Points:
    return np.stack([-ahead[:, 1], ahead[:, 0]], axis=1)


def _straight_on(line: Points, half: Floats, over: float) -> Points:
    """A line without its end, which may turn into a corner, and straight on from there past its length.

    ``half`` room from either wall; the way is that of the last ``over`` mm.
    """
    left = np.cumsum(np.hypot(*np.diff(line, axis=0).T)[::-1])[::-1]
    room = float(half[max(0, int(np.argmin(np.abs(left - over))))])
    keep = int(np.count_nonzero(left > 2.0 * room))
    from_ = int(np.count_nonzero(left > 2.0 * room + over))
    if keep - from_ < 2:
        return line
    ahead = line[keep - 1] - line[from_]
    ahead /= max(float(np.hypot(*ahead)), 1e-12)
    end = line[keep - 1] + (float(left[keep - 1]) + room) * ahead
    return np.concatenate([line[:keep], end[None, :]])


def _rooms(work: Clearing, level: Level, line: Points) -> tuple[Floats, Floats, Points]:
    """Room on the left and on the right of a line's points, mm, and unit vectors ahead."""
    ahead, wide = _headings(line), WIDEST * work.rules.radius
    return _room(work, level, line, ahead, wide), _room(work, level, line, -ahead, wide), ahead


def _room(work: Clearing, level: Level, line: Points, ahead: Points, most: float) -> Floats:
    """Distance from each point of a line to the wall on the left of ``ahead``, mm, ``most`` at most."""
    from scipy.ndimage import map_coordinates

    f, eps = work.frame, work.rules.eps
    normal = _normals(ahead)

    def inside(off: Floats) -> Mask:
        at = (line[:, None, :] + off[:, :, None] * normal[:, None, :] - (f.x0, f.y0)) / f.h
        here = map_coordinates(level.sd, at[..., ::-1].transpose(2, 0, 1), order=1, cval=-1.0)
        return np.asarray(here >= eps)

    tried = np.linspace(0.0, most, math.ceil(2.0 * most / f.h) + 1)
    out = ~inside(np.broadcast_to(tried, (len(line), len(tried))))
    first = np.where(out.any(axis=1), np.argmax(out, axis=1), len(tried) - 1)
    low, high = tried[np.maximum(first - 1, 0)], tried[first]
    never = ~out.any(axis=1)
    for _ in range(12):
        mid = 0.5 * (low + high)
        good = inside(mid[:, None])[:, 0]
        low, high = np.where(good, mid, low), np.where(good, high, mid)
    return np.where(never, most, low)


# -- how -------------------------------------------------------------------------------------------


def _clear(work: Clearing, level: Level, lane: _Lane, pieces: list[Piece]) -> None:
    """Arcs along a channel, each as far beyond the last as the cap allows, until its end or none fits."""
    r = work.rules
    limit, least = r.cap - r.margin, min(r.rho, r.rho_tight)
    u, total, step, last = 0.0, float(lane.along[-1]), 0.0, 0.0
    while u < total:
        to = min(total, u + step)
        walk = _arc(work, level, lane, to)
        loop = walk[1] if walk is not None else 0.0
        step = step or (advance(r.radius, loop, limit) if walk is not None else 0.0)
        if step < LEAST * max(loop, last, least):  # nothing fits at the start, or nothing more
            return
        if walk is None or (to > lane.tail and loop < CLOSING * last):
            step *= 0.5
            continue
        worst = _cut(work, level, walk[0], pieces)
        if worst > limit:
            step *= LESS
            continue
        u, last = to, loop
        step = min(step * min(BOLD, (WANTED * limit / max(worst, 1e-6)) ** 2), loop)


def _arc(work: Clearing, level: Level, lane: _Lane, u: float) -> tuple[Points, float] | None:
    """The largest arc round the middle at ``u`` that stays on admissible ground, and its radius, mm."""
    from scipy.ndimage import map_coordinates

    f, r = work.frame, work.rules
    middle, ahead, loop = lane.at(u)
    least = min(r.rho, r.rho_tight)
    turn = np.linspace(-BACK, ON, math.ceil((BACK + ON) / TURN) + 1)
    out = np.stack([np.cos(turn), r.side * np.sin(turn)], axis=1)
    round_ = out[:, :1] * ahead + out[:, 1:] * np.array([-ahead[1], ahead[0]])
    for _ in range(FITS):
        if loop < least:
            return None
        line = middle + loop * round_
        at = (line - (f.x0, f.y0)) / f.h
        lack = r.eps - float(map_coordinates(level.sd, at[:, ::-1].T, order=1, cval=-1.0).min())
        if lack <= 1e-6:
            return line, loop
        loop -= lack + 1e-6
    return None


def _cut(work: Clearing, level: Level, line: Points, pieces: list[Piece]) -> float:
    """Sweep an arc as a piece if it holds the cap, else nothing; the largest arc in material met, rad."""
    f, r = work.frame, work.rules
    middle = 0.5 * (line.min(axis=0) + line.max(axis=0))
    half = 0.5 * float((line.max(axis=0) - line.min(axis=0)).max()) + r.radius + 4.0 * f.hd
    at = work.window(middle, half, f.hd, work.d2.shape)
    before = work.d2[at].copy()
    whole, arcs = _followed(work, line)
    work.d2[at] = before
    worst = float(arcs.max())
    cuts = np.flatnonzero(arcs > work.faint)
    if not whole or not len(cuts):
        return worst
    first, last = _begin(work, line, int(cuts[0])), int(cuts[-1]) + 1
    if first is None:
        return math.pi
    line = np.ascontiguousarray(line[first:last])
    way = _way(work, level, pieces, line[0])
    # only what is walked is swept
    whole, arcs = _followed(work, line)
    if not whole:
        work.d2[at] = before
        return math.pi
    work.changed()
    k.clear_coarse_path(
        work.mat, work.blk, work.spans, work.d2, r.radius, f.x0, f.y0, f.hd, f.hb, line[::-COARSE]
    )
    arcs[: int(np.argmax(arcs > work.faint))] = 0.0  # rolling in
    piece = Piece(line, arcs, None)
    if way is not None:
        piece.way, piece.way_arc = way
    pieces.append(piece)
    return worst


def _followed(work: Clearing, line: Points) -> tuple[bool, Floats]:
    """Sweep a walk up to where it would pass the cap: True if it holds it, and the arcs of its steps, rad."""
    f, r = work.frame, work.rules
    arcs = np.zeros(len(line))
    hole = max(0.0, r.floor_radius - 3.0 * f.hd - 2.0 * r.step)
    limit = r.cap - r.margin
    count = k.follow(work.d2, f.x0, f.y0, f.hd, r.radius, hole, limit, work.circle, line, arcs)
    return count == len(line), arcs


def _begin(work: Clearing, line: Points, contact: int) -> int | None:
    """Where on an arc the cutter comes down: before its contact, where it stands clear; None if nowhere."""
    latest = max(0, contact - math.ceil(ROLL / TURN))
    for slack in work.slacks:
        for n in range(latest, -1, -2):
            if work.is_clear(line[n], slack):
                return n
    return None


def _way(work: Clearing, level: Level, pieces: list[Piece], to: Points) -> tuple[Points, float] | None:
    """Straight over cleared ground from where the last walk ended, or as ways are found elsewhere."""
    if not pieces:
        return None
    f, r = work.frame, work.rules
    start = pieces[-1].points[-1]
    far = float(np.hypot(*(to - start)))
    if far < 2.0 * r.radius:
        from scipy.ndimage import map_coordinates

        t = np.linspace(0.0, 1.0, math.ceil(far / (0.25 * f.h)) + 2)[:, None]
        at = (start + t * (to - start) - (f.x0, f.y0)) / f.h
        if map_coordinates(level.sd, at[:, ::-1].T, order=1, cval=-1.0).min() >= r.eps - 1e-6:
            way = ways.tested(work, np.stack([start, to]))
            if way is not None:
                return way
    return ways.route(work, level, start, to)
