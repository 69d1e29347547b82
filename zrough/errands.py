"""Errands: small pieces far from where the cutter stands, cut when it was last beside them.

What passes leave, a cusp on a wall or a ridge between two of them, is found when a level is nearly done, all
over it, and the ways there and back are longer than what is cut. Such a piece goes in between two earlier
ones, after the last that took ground under it, so that it meets what it met when it was planned; the ways to
it and on from it are tested on the ground as it was then.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from . import ways
from .kernels import march
from .pieces import Level, Piece, Points, path_length
from .trails import Extents

if TYPE_CHECKING:
    from .rings import Clearing

SMALL = 0.2  # of the radius squared: ground that a piece takes which may come sooner
SHORT = 4.0  # radii: its longest path
FAR = 4.0  # radii: a way no longer than this is left as it is
OVER = 4.0  # radii: length that a lift is taken for
LIFT = 25.0  # mm: the same where ways are weighed against each other
SPARED = 0.5  # of the way to a piece: the most that coming by sooner may cost
WINDOW = 600.0  # of the radius squared: the most ground that is looked at for the ways there and back
TRIES = 4  # places in the order that are tried
ROUND = 2.2  # radii: how far round its ends ground is looked at; a way may swing out one radius less
THIN = 6  # one point of a walk in so many is looked at
FINE = 2  # the same where a map is made of them: what stays between two may not look like a ridge
CELL = 0.1  # of the radius: cells of the ground under a piece
EDGE = 2.0  # nodes: how far off the circle a map sees its edge

Way = tuple["Points", float]


def place(work: Clearing, level: Level, pieces: list[Piece], piece: Piece) -> None:
    """Add a piece at the end of ``pieces``, or, where that spares way, in between."""
    found = _sooner(work, level, pieces, piece)
    if found is None:
        pieces.append(piece)
        return
    at, into, on = found
    piece.way, piece.way_arc = into
    pieces[at].way, pieces[at].way_arc = (None, 0.0) if on is None else on
    work.extents.insert(pieces, at, piece)
    work.trails.insert(pieces, at, piece)


def _sooner(
    work: Clearing, level: Level, pieces: list[Piece], piece: Piece
) -> tuple[int, Way, Way | None] | None:
    """Before which piece this one goes, the way to it and the one on from it; None = at the end."""
    radius = work.whole.radius
    if len(pieces) < 2 or work.ground is None or work.curtain is not None or work.rules.cap >= math.pi:
        return None
    last = pieces[-1].points[-1]
    way = OVER * radius + _apart(last, piece.points[0]) if piece.way is None else path_length(piece.way)
    if piece.entry is not None or way < FAR * radius or not _is_small(piece, radius):
        return None
    extra = _extra(work, pieces, [piece])
    if extra.min() > SPARED * way:
        return None
    extra[: _latest(work, pieces, len(pieces), piece)] = math.inf
    for k in np.argsort(extra, kind="stable")[:TRIES].tolist():
        if extra[k] > SPARED * way:
            break
        found = _ways(work, level, pieces, k + 1, [piece])
        if found is not None and _cost(pieces[k + 1], piece, *found) <= SPARED * way:
            return k + 1, *found
    return None


def tidy(work: Clearing, level: Level, pieces: list[Piece]) -> None:
    """Put runs of small pieces that cost a way there and one back to where the cutter came by before."""
    radius = work.whole.radius
    if work.ground is None or work.curtain is not None or work.rules.cap >= math.pi:
        return
    first = 1
    while first < len(pieces):
        last = first + 1
        if pieces[first].entry is None and _way_length(pieces, first) >= FAR * radius:
            path = path_length(pieces[first].points)
            while last < len(pieces) and _way_length(pieces, last) < FAR * radius:
                path += path_length(pieces[last].points)
                last += 1
            if path < SHORT * radius and all(piece.entry is None for piece in pieces[first:last]):
                _move(work, level, pieces, first, last)
        first = last


def _way_length(pieces: list[Piece], at: int) -> float:
    """Length of the way to a piece, mm, of a lift what it is worth."""
    piece, before = pieces[at], pieces[at - 1]
    if piece.way is not None:
        return path_length(piece.way)
    return LIFT + _apart(before.points[-1], piece.points[0])


def _move(work: Clearing, level: Level, pieces: list[Piece], first: int, last: int) -> None:
    """Put pieces ``first`` to ``last`` to an earlier place if that shortens the ways."""
    radius, run = work.whole.radius, pieces[first:last]
    least = FAR * radius
    spent = _way_length(pieces, first)
    if last < len(pieces):
        spent += _way_length(pieces, last) - _apart(pieces[first - 1].points[-1], pieces[last].points[0])
    extra = _extra(work, pieces[:first], run)
    if extra.min(initial=math.inf) > spent - least:
        return
    extra[: max(_latest(work, pieces, first, piece) for piece in run)] = math.inf
    for k in np.argsort(extra, kind="stable")[:TRIES].tolist():
        if extra[k] > spent - least:
            break
        found = _ways(work, level, pieces, k + 1, run)
        if found is None:
            continue
        moved = [*pieces[: k + 1], *run, *pieces[k + 1 : first], *pieces[last:]]
        ways_: dict[int, Way | None] = {k + 1: found[0], k + 1 + len(run): found[1]}
        if last < len(pieces) and pieces[last].entry is None:
            ways_[last] = _direct(work, level, moved, last)
        before = sum(_way_length(pieces, n) for n in {k + 1, first, last} if n < len(pieces))
        held = [(moved[n], moved[n].way, moved[n].way_arc) for n in ways_]
        for n, way in ways_.items():
            moved[n].way, moved[n].way_arc = (None, 0.0) if way is None else way
        after = sum(_way_length(moved, n) for n in {k + 1, k + 1 + len(run), last} if n < len(pieces))
        if after <= before - least:
            pieces[:] = moved
            work.extents = Extents()
            return
        for piece, old, arc in held:
            piece.way, piece.way_arc = old, arc


def _direct(work: Clearing, level: Level, pieces: list[Piece], at: int) -> Way | None:
    """The way from one piece to the next, all before done; None = over the top."""
    ends = np.stack([pieces[at - 1].points[-1], pieces[at].points[0]])
    sides = np.ptp(ends, axis=0) + 2.0 * ROUND * work.whole.radius
    if sides.prod() > WINDOW * work.whole.radius**2:
        return None
    kept, work.extents = work.extents, Extents()
    try:
        local, ground = _then(work, level, pieces, at, ends)
    finally:
        work.extents = kept
    return _way(local, ground, *ends)


def _extra(work: Clearing, pieces: list[Piece], run: list[Piece]) -> NDArray[np.float64]:
    """About how much longer the ways get with ``run`` after each of ``pieces`` but the last."""
    radius = work.whole.radius
    start, end = run[0].points[0], run[-1].points[-1]
    before = np.array([p.points[-1] for p in pieces[:-1]]).reshape(-1, 2)
    after = np.array([p.points[0] for p in pieces[1:]]).reshape(-1, 2)
    to, on = np.hypot(*(before - start).T), np.hypot(*(after - end).T)
    extra = np.asarray(to + on - np.hypot(*(after - before).T))
    # where the cutter lifts off anyway, only the way to the run is looked for
    beyond = np.where(np.array([p.way is None for p in pieces[1:]], bool)[:, None], start, after)
    both = np.stack([before, beyond, np.broadcast_to(start, before.shape)])
    sides = both.max(axis=0) - both.min(axis=0) + 2.0 * ROUND * radius
    extra[sides.prod(axis=1) > WINDOW * radius**2] = math.inf
    return extra


def _cost(after: Piece, piece: Piece, into: Way, on: Way | None) -> float:
    """How much longer the ways before ``after`` get."""
    extra = path_length(into[0])
    if after.way is not None:
        lift = LIFT + _apart(piece.points[-1], after.points[0])
        extra += (lift if on is None else path_length(on[0])) - path_length(after.way)
    return extra


def _is_small(piece: Piece, radius: float) -> bool:
    return path_length(piece.points) < SHORT * radius and piece.area(radius) < SMALL * radius**2


def _latest(work: Clearing, pieces: list[Piece], count: int, piece: Piece) -> int:
    """Index of the last of the first ``count`` pieces that took ground under ``piece``; 0 where none did."""
    # a piece that takes off ridges goes by the radius that the cutter has at their height
    f, radius, flat = work.frame, work.whole.radius, work.rules.radius
    cells, half = _cells(work, piece)
    reach = half + EDGE * f.hd
    low, high = piece.points.min(axis=0), piece.points.max(axis=0)
    near = 2.0 * radius + reach
    if not len(cells):
        return 0
    which, counts, points = _beside(work, pieces, count, low - near, high + near)
    if not len(which):
        return 0
    square, other = np.subtract.outer(cells[:, 0], points[:, 0]), np.subtract.outer(cells[:, 1], points[:, 1])
    square *= square
    other *= other
    square += other
    away = np.minimum.reduceat(square, np.cumsum(counts) - counts, axis=1)
    # of a cell that was taken whole nothing is left to those after
    whole = np.cumsum(away < max(0.0, flat - reach) ** 2, axis=1)
    whole[:, 1:], whole[:, 0] = whole[:, :-1].copy(), 0
    took = np.flatnonzero(((away <= (radius + reach) ** 2) & (whole == 0)).any(axis=0))
    return int(which[took[-1]]) if len(took) else 0


def _beside(
    work: Clearing, pieces: list[Piece], count: int, low: Points, high: Points, whole: bool = False
) -> tuple[NDArray[np.int64], NDArray[np.int64], Points]:
    """Which of the first ``count`` pieces have points within a box, how many, and these (``whole``: all)."""
    near = work.extents.follow(pieces).meet(low, high)
    near = near[near < count]
    parts = [_swept(work, pieces[k], whole) for k in near.tolist()]
    points = np.concatenate([*parts, np.zeros((0, 2))])
    inside = np.flatnonzero(((points >= low) & (points <= high)).all(axis=1))
    part = np.searchsorted(np.cumsum([len(part) for part in parts]), inside, side="right")
    counts = np.bincount(part, minlength=len(parts))
    met = np.flatnonzero(counts)
    return near[met], counts[met], points[inside]


def _cells(work: Clearing, piece: Piece) -> tuple[Points, float]:
    """Middles (n, 2) of cells under a piece that stood when its level began, and half their diagonal."""
    from scipy.spatial import cKDTree

    f, radius = work.frame, work.whole.radius
    assert work.ground is not None
    count = max(1, round(CELL * radius / f.hd))
    half = math.sqrt(0.5) * count * f.hd
    low, high = piece.points.min(axis=0), piece.points.max(axis=0)
    reach = radius + half + EDGE * f.hd
    rows, cols = work.window(0.5 * (low + high), 0.5 * float((high - low).max()) + reach, f.hd, work.d2.shape)
    stood = work.ground[rows, cols] > np.float32(work.rules.radius**2)
    ny, nx = (math.ceil(n / count) for n in stood.shape)
    full = np.zeros((ny * count, nx * count), bool)
    full[: stood.shape[0], : stood.shape[1]] = stood
    i, j = np.nonzero(full.reshape(ny, count, nx, count).any(axis=(1, 3)))
    middle = 0.5 * (count - 1)
    x = f.x0 + f.hd * (cols.start + count * j + middle)
    y = f.y0 + f.hd * (rows.start + count * i + middle)
    cells = np.stack([x, y], axis=1)
    away, _ = cKDTree(piece.points).query(cells, distance_upper_bound=reach)
    return cells[np.isfinite(away)], half


def _swept(work: Clearing, piece: Piece, whole: bool) -> Points:
    """Points of a piece and of its entry; thinned, less so if ``whole``."""
    points = piece.points
    # those of a short walk, of which there are many, are its first and its last anyway
    step = FINE if whole else THIN
    thin = points[:: max(1, len(points) - 1)] if len(points) <= step + 1 else _thinned(points, step)
    return thin if piece.entry is None else np.concatenate([work.entry_path(piece.entry)[0], thin])


def _thinned(points: Points, step: int) -> Points:
    return np.concatenate([points[:-1:step], points[-1:]])


def _ways(
    work: Clearing, level: Level, pieces: list[Piece], at: int, run: list[Piece]
) -> tuple[Way, Way | None] | None:
    """Ways to ``run`` and on from it, None = over the top, when it comes before ``pieces[at]``."""
    start, end, after = run[0].points[0], run[-1].points[-1], pieces[at]
    ends = np.stack([pieces[at - 1].points[-1], start, end, end if after.way is None else after.points[0]])
    local, ground = _then(work, level, pieces, at, ends)
    # ridges, and slivers that cells do not show: coming down on one is a plunge
    into = _way(local, ground, ends[0], start) if local.is_clear(start, work.frame.hd) else None
    if into is None or after.way is None:
        return None if into is None else (into, None)
    f = local.frame
    for piece in run:
        march.stamp_path(local.d2, f.x0, f.y0, f.hd, _rim(work), piece.points)
    return into, _way(local, ground, end, ends[3])


def _way(local: Clearing, ground: Level, at: Points, to: Points) -> Way | None:
    """Straight where that is free, else round what stands there."""
    count = math.ceil(_apart(at, to) / local.frame.h) + 1
    straight = at + np.linspace(0.0, 1.0, count + 1)[:, None] * (to - at)
    if ways.room(local, ground, straight) >= local.rules.eps:
        found = ways.tested(local, np.stack([at, to]))
        if found is not None:
            return found
    local.start(ground)
    return ways.route(local, ground, at, to)


def _rim(work: Clearing) -> float:
    return work.whole.radius + 3.0 * work.frame.hd


def _then(
    work: Clearing, level: Level, pieces: list[Piece], done: int, ends: Points
) -> tuple[Clearing, Level]:
    """The ground round some points when so many of the level's pieces were done."""
    from .rings import Clearing

    f, radius = work.frame, work.whole.radius
    assert work.ground is not None
    part, nodes, fine = f.part(ends, ROUND * radius)
    d2 = work.ground[fine].copy()
    least = np.array([part.x0, part.y0]) - _rim(work)
    most = least + f.h * np.array([part.nx - 1, part.ny - 1]) + 2.0 * _rim(work)
    _, _, points = _beside(work, pieces, done, least, most, whole=True)
    if len(points):
        march.stamp_path(d2, part.x0, part.y0, f.hd, _rim(work), points)
    ground = Level(f.fenced(level.sd, nodes, _rim(work)), np.zeros((0, 2)), np.zeros(1, np.int64))
    return Clearing(part, d2, work.whole), ground


def _apart(a: Points, b: Points) -> float:
    return float(np.hypot(*(a - b)))
