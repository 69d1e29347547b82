"""Closed outlines in plan: area, inside, largest circle, triangles. Arrays only."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]
Index = NDArray[np.int64]


def signed_area(ring: Points) -> float:
    """Area in plan of a ring (n, 2 or more columns), positive if counter-clockwise, mm2."""
    # about the first corner, so the closing side adds nothing
    x, y = ring[:, 0] - ring[0, 0], ring[:, 1] - ring[0, 1]
    return 0.5 * float(np.dot(x[:-1], y[1:]) - np.dot(x[1:], y[:-1]))


def sides(rings: Sequence[Points]) -> Points:
    """Segments (n, 2, 2) of closed rings."""
    return np.concatenate([np.stack((r[:, :2], np.roll(r[:, :2], -1, axis=0)), axis=1) for r in rings])


def inside(points: Points, segments: Points) -> NDArray[np.bool_]:
    """Even-odd test of points (k, 2) against closed outlines given as segments (n, 2, 2)."""
    result = np.zeros(len(points), dtype=bool)
    a, b = segments[:, 0], segments[:, 1]
    rise = b[:, 1] - a[:, 1]
    slope = (b[:, 0] - a[:, 0]) / np.where(rise == 0.0, 1.0, rise)
    for part in _portions(len(points), len(segments)):
        x, y = points[part, 0:1], points[part, 1:2]
        spans = (a[:, 1] > y) != (b[:, 1] > y)
        result[part] = (spans & (x < a[:, 0] + (y - a[:, 1]) * slope)).sum(axis=1) % 2 == 1
    return result


def distance(points: Points, segments: Points) -> Points:
    """Distance of points (k, 2) from the nearest of the segments (n, 2, 2), mm."""
    result = np.empty(len(points))
    a = segments[:, 0]
    along = segments[:, 1] - a
    square = np.maximum((along**2).sum(axis=1), 1e-300)
    for part in _portions(len(points), len(segments)):
        to = points[part, None, :] - a
        share = np.clip((to * along).sum(axis=2) / square, 0.0, 1.0)
        off = to - share[:, :, None] * along
        result[part] = np.sqrt((off**2).sum(axis=2).min(axis=1))
    return result


def _portions(rows: int, columns: int) -> list[slice]:
    """Slices of rows so that one table of rows x columns stays small."""
    step = max(1, 2_000_000 // max(1, columns))
    return [slice(k, k + step) for k in range(0, rows, step)]


def largest_circle(segments: Points, precision: float = 5e-3) -> tuple[tuple[float, float], float]:
    """Centre and radius of the largest circle inside closed outlines, segments (n, 2, 2), mm.

    Squares are split best first: none can hold a circle larger than the signed distance of its centre
    plus half its diagonal. That finds the place to ``precision`` of the outline's smaller side; a local
    search then climbs to the top there, so in a corridor of one width the radius is exact.
    """
    low, high = segments.min(axis=(0, 1)), segments.max(axis=(0, 1))
    span = high - low
    if span.min() <= 0.0:
        return (float(low[0]), float(low[1])), 0.0
    limit = precision * float(span.min())
    half = max(float(span.min()) / 4, float(span.max()) / 40)
    axes = [low[k] + half * (1 + 2 * np.arange(math.ceil(span[k] / (2 * half)))) for k in (0, 1)]
    squares = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)
    best, place = 0.0, squares[0]
    quarter = np.array([[-1, -1], [1, -1], [-1, 1], [1, 1]]) * 0.5
    while len(squares):
        depth = _depth(squares, segments)
        k = int(np.argmax(depth))
        if depth[k] > best:
            place, best = _climbed(squares[k], float(depth[k]), half, segments)
        squares = squares[depth + half * math.sqrt(2.0) > best + limit]
        half /= 2
        squares = (squares[:, None, :] + quarter * (2 * half)).reshape(-1, 2)
    return (float(place[0]), float(place[1])), best


def _depth(points: Points, segments: Points) -> Points:
    """Distance from the outline, positive inside."""
    return distance(points, segments) * np.where(inside(points, segments), 1.0, -1.0)


def _climbed(place: Points, depth: float, step: float, segments: Points) -> tuple[Points, float]:
    """The deepest point near ``place``, by steps in sixteen directions that shrink."""
    angle = np.arange(16) * (math.pi / 8)
    around = np.stack((np.cos(angle), np.sin(angle)), axis=1)
    near = segments
    for _ in range(60):
        trial = place + step * around
        found = _depth(trial, near)
        k = int(np.argmax(found))
        if found[k] > depth:
            place, depth = trial[k], float(found[k])
        else:
            step /= 3
            if step < 1e-6 * max(depth, 1e-3):
                break
    return place, depth


def crosses(segments: Points) -> bool:
    """Do any two of the segments (n, 2, 2) run through each other? Shared or touching ends do not count."""
    a, b = segments[:, 0], segments[:, 1]
    size = float(np.ptp(segments.reshape(-1, 2), axis=0).max())
    slack = 1e-12 * size * size
    for part in _portions(len(segments), len(segments)):
        p, q = a[part, None], b[part, None]
        one, two = _turn(p, q, a), _turn(p, q, b)
        three, four = _turn(a, b, p), _turn(a, b, q)
        apart = (one > slack) & (two < -slack) | (one < -slack) & (two > slack)
        apart &= (three > slack) & (four < -slack) | (three < -slack) & (four > slack)
        if apart.any():
            return True
    return False


def _turn(p: Points, q: Points, r: Points) -> Points:
    """Twice the area of p, q, r on the last axis, with broadcasting."""
    u, v = q - p, r - p
    return np.asarray(u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0])


def triangulate(rings: Sequence[Points]) -> Index:
    """Triangles (k, 3), counter-clockwise, of an outer ring and the islands in it; no points are added.

    Parameters
    ----------
    rings : first the outer ring, then islands, each (n, 2 or more); any direction. Indices refer to the
        rings stacked one after the other.

    Raises
    ------
    ValueError : the rings cross, so that no triangulation was found.

    Notes: ear clipping; islands are first joined to the outer ring by bridges, the rightmost first.
    """
    points = np.concatenate([ring[:, :2] for ring in rings])
    if crosses(sides(rings)):
        raise ValueError("the outline crosses itself")
    starts = np.cumsum([0] + [len(ring) for ring in rings])
    loops = []
    for k, ring in enumerate(rings):
        loop = list(range(int(starts[k]), int(starts[k + 1])))
        if (signed_area(ring) > 0) != (k == 0):
            loop.reverse()
        loops.append(loop)
    outer = loops[0]
    for loop in sorted(loops[1:], key=lambda lp: -float(points[lp, 0].max())):
        outer = _bridged(points, outer, loop)
    return _ears(points, outer)


def _bridged(points: Points, outer: list[int], island: list[int]) -> list[int]:
    """The outer loop with the island spliced in by a seam that crosses neither."""
    begin = int(np.argmax(points[island, 0]))
    island = island[begin:] + island[:begin]
    tip = points[island[0]]
    ring = points[outer]
    a, b = ring, np.roll(ring, -1, axis=0)
    # the edge first met by a ray from the tip to the right
    rise = b[:, 1] - a[:, 1]
    spans = (a[:, 1] <= tip[1]) & (b[:, 1] >= tip[1]) & (rise > 0)
    x = a[:, 0] + (tip[1] - a[:, 1]) * (b[:, 0] - a[:, 0]) / np.where(rise == 0, 1.0, rise)
    x[~spans | (x < tip[0])] = np.inf
    edge = int(np.argmin(x))
    if not np.isfinite(x[edge]):
        raise ValueError("an island lies outside its outline")
    hit = np.array([x[edge], tip[1]])
    follow = (edge + 1) % len(outer)
    choice = edge if ring[edge, 0] > ring[follow, 0] else follow
    # a reflex corner inside the triangle tip, hit, choice hides the corner chosen: take the one most in line
    corner = ring[choice]
    before, after = np.roll(ring, 1, axis=0), b
    reflex = _cross(before, ring, after) < 0
    hidden = reflex & _in_triangle(ring, tip, hit, corner) & (ring != corner).any(axis=1)
    if hidden.any():
        options = np.flatnonzero(hidden)
        away = ring[options] - tip
        rank = np.abs(away[:, 1]) / np.maximum(np.hypot(away[:, 0], away[:, 1]), 1e-300)
        choice = int(options[np.lexsort((np.hypot(away[:, 0], away[:, 1]), rank))[0]])
    else:  # several loop places may share the corner: take one whose wedge looks at the tip
        for k in np.flatnonzero((ring == corner).all(axis=1)).tolist():
            if _in_wedge(points, outer, k, tip):
                choice = k
                break
    return outer[: choice + 1] + island + [island[0]] + outer[choice:]


def _in_wedge(points: Points, loop: list[int], k: int, target: Points) -> bool:
    p, q, r = points[loop[k - 1]], points[loop[k]], points[loop[(k + 1) % len(loop)]]
    left_in = float(_cross(p[None], q[None], target[None])[0]) >= 0
    left_out = float(_cross(q[None], r[None], target[None])[0]) >= 0
    convex = float(_cross(p[None], q[None], r[None])[0]) >= 0
    return (left_in and left_out) if convex else (left_in or left_out)


def _cross(p: Points, q: Points, r: Points) -> Points:
    """Twice the area of triangles p, q, r, positive if counter-clockwise."""
    return np.asarray((q[:, 0] - p[:, 0]) * (r[:, 1] - p[:, 1]) - (q[:, 1] - p[:, 1]) * (r[:, 0] - p[:, 0]))


def _in_triangle(points: Points, a: Points, b: Points, c: Points) -> NDArray[np.bool_]:
    def side(p: Points, q: Points) -> Points:
        return np.asarray((q[0] - p[0]) * (points[:, 1] - p[1]) - (q[1] - p[1]) * (points[:, 0] - p[0]))

    one, two, three = side(a, b), side(b, c), side(c, a)
    return np.asarray(((one >= 0) & (two >= 0) & (three >= 0)) | ((one <= 0) & (two <= 0) & (three <= 0)))


def _ears(points: Points, loop: list[int]) -> Index:
    """Clip ears off a counter-clockwise loop; flat corners are clipped last."""
    n = len(loop)
    index = np.array(loop, dtype=np.int64)
    spot = points[index]
    before, after = (np.arange(n) - 1) % n, (np.arange(n) + 1) % n
    alive = np.ones(n, dtype=bool)
    turn = _cross(spot[before], spot, spot[after])
    scale = 1e-14 * max(1.0, float(np.ptp(spot, axis=0).max())) ** 2
    found: list[tuple[int, int, int]] = []
    k, tried, loose = 0, 0, False
    left = n
    while left > 3:
        p, q = int(before[k]), int(after[k])
        sharp = turn[k] > scale or (loose and turn[k] >= -scale)
        if sharp and _is_ear(spot, alive, turn, scale, p, k, q):
            found.append((p, k, q))
            alive[k] = False
            after[p], before[q] = q, p
            left -= 1
            for m in (p, q):
                a, b = spot[before[m]], spot[after[m]]
                turn[m] = (spot[m, 0] - a[0]) * (b[1] - a[1]) - (spot[m, 1] - a[1]) * (b[0] - a[0])
            tried, loose = 0, False
            k = int(after[q])  # skip one: fans make needles
            continue
        k = q
        tried += 1
        if tried > left:
            if loose:
                raise ValueError("the outline crosses itself")
            tried, loose = 0, True
    p, q = int(before[k]), int(after[k])
    found.append((p, k, q))
    return index[np.array(found, dtype=np.int64)]


def _is_ear(
    spot: Points, alive: NDArray[np.bool_], turn: Points, scale: float, p: int, k: int, q: int
) -> bool:
    """No other corner that bends inward lies in the triangle (corners on its own points aside)."""
    others = np.flatnonzero(alive & (turn <= scale))
    others = others[(others != p) & (others != k) & (others != q)]
    if not others.size:
        return True
    c = spot[others]
    at_corner = (c == spot[p]).all(axis=1) | (c == spot[k]).all(axis=1) | (c == spot[q]).all(axis=1)
    return not bool((_in_triangle(c, spot[p], spot[k], spot[q]) & ~at_corner).any())
