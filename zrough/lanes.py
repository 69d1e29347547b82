"""Ways down the middle of channels too close for a walk to bend in; what a walk cuts once evened out."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from . import ways
from .kernels import march as k
from .pieces import Level, Nodes, Piece, Points, Uncut
from .trails import Trail
from .uncut import encloses, uncut

if TYPE_CHECKING:
    from .rings import Clearing

CLOSE = 0.04  # of the radius: a walk can bend where a place with this much room lies beside it
SHORTEST = 0.1  # of the radius: less length of channel is left to the walks
MOST = 200  # lanes of one level
RIM = 4  # nodes: how far from what would meet material a way begins
BESIDE = 0.25  # of the radius: what lies no further beside a lane is left to the walks after it
NARROW = 0.01  # of the radius: the smallest path radius between walls that leave no room for more
CHANNEL = 0.5  # of the radius squared: as much ground left by walks without a cap gets a lane of its own
EVENING = 60  # rounds of evening out a slot's walk
NEARLY = 0.07  # rad: so much more the arc may be between two steps of a slot's walk, not planned for the cap
OVER = 1.0 + 1e-6  # of the cap: what the arc of a slot is, at least
FILM = 0.06  # mm: what a level above may have left on a wall, and a hair
SPARE = 1e-6  # mm: what lies as far from a wall as it may
LEADS = 64  # places that are tried for a start
REACH = 2.5  # radii: how far outside a channel the cutter may come down


def cut(work: Clearing, level: Level, close: bool = True) -> list[Piece]:
    """Walks from clear ground along channels, as wide as they come, the longest first.

    ``close``: only where a walk has no room to bend. ``work`` has them swept afterwards; their arcs are what
    they cut.
    """
    pieces: list[Piece] = []
    done = np.zeros(level.sd.shape, bool)
    while len(pieces) < MOST:
        goals = _standing(work, level, close) & ~done
        walk = _longest(work, level, goals, 2.0 * work.frame.h if close else BESIDE * work.rules.radius)
        if walk is None:
            break
        line, reached = walk
        done |= reached
        arcs = sweep(work, line)
        if arcs.max() > 0.0:
            pieces.append(Piece(line, arcs, None))
    return pieces


def sweep(work: Clearing, walk: Points, entry: Points | None = None) -> NDArray[np.float64]:
    """Sweep a walk step by step, ``entry`` before it; the arc that each step cuts, rad, 0 at the start."""
    f, r = work.frame, work.rules
    reach = r.radius + 3.0 * f.hd
    if entry is not None:
        k.stamp_path(work.d2, f.x0, f.y0, f.hd, reach, entry)
    arcs = np.zeros(len(walk))
    k.stamp_path(work.d2, f.x0, f.y0, f.hd, reach, walk[:1])
    for n in range(1, len(walk)):
        ahead = walk[n] - walk[n - 1]
        length = math.hypot(*ahead)
        if length > 0.0:
            arcs[n] = k.arc_at(
                work.d2, f.x0, f.y0, f.hd, r.radius, *walk[n], *(ahead / length), work.circle
            )  # fmt: skip
            k.stamp_path(work.d2, f.x0, f.y0, f.hd, reach, walk[n : n + 1])
    return arcs


def _standing(work: Clearing, level: Level, close: bool) -> NDArray[np.bool_]:
    """Nodes, in close channels or anywhere, where a standing cutter would meet material."""
    from scipy.ndimage import distance_transform_edt

    f, r = work.frame, work.rules
    free = (level.sd >= r.eps) & work.within_zone(slice(0, f.ny), slice(0, f.nx))
    wide = level.sd >= max(CLOSE * r.radius, f.h)
    if close and wide.any():
        free &= distance_transform_edt(~wide) > 2.0
    return np.asarray(free & _meets(work) if free.any() else free)


def _meets(work: Clearing) -> NDArray[np.bool_]:
    """Nodes of the level's pitch with material within the radius, as far as nodes tell."""
    from scipy.ndimage import distance_transform_edt

    f, r = work.frame, work.rules.radius
    stands = work.d2[::2, ::2] > np.float32(r * r)
    return np.asarray(distance_transform_edt(~stands) * f.h <= r - 0.5 * f.h) & bool(stands.any())


def _longest(
    work: Clearing, level: Level, goals: NDArray[np.bool_], beside: float
) -> tuple[Points, NDArray[np.bool_]] | None:
    """The way to the goal that is hardest to reach from clear ground, and the goals ``beside`` mm of it."""
    from scipy.ndimage import find_objects, label

    f, r = work.frame, work.rules
    number, _ = label(goals, structure=np.ones((3, 3)))
    for n, box in enumerate(find_objects(number), start=1):
        margin = math.ceil(REACH * r.radius / f.h)
        rows = slice(max(0, box[0].start - margin), box[0].stop + margin)
        cols = slice(max(0, box[1].start - margin), box[1].stop + margin)
        mine = number[rows, cols] == n
        if np.count_nonzero(mine) * f.h < SHORTEST * r.radius:
            continue
        line = _way_in(work, level, mine, rows, cols)
        reached = np.zeros(goals.shape, bool)
        reached[rows, cols] = mine
        if line is not None:
            return line, _near(work, line, reached, beside)
        goals &= ~reached
    return None


def _near(work: Clearing, line: Points, among: NDArray[np.bool_], beside: float) -> NDArray[np.bool_]:
    """Nodes of ``among`` within ``beside`` mm of a line, and the whole patch where there are none."""
    from scipy.spatial import cKDTree

    f = work.frame
    i, j = np.nonzero(among)
    away, _ = cKDTree(line).query(np.stack([f.x0 + f.h * j, f.y0 + f.h * i], axis=1))
    out = np.zeros_like(among)
    near = away <= beside
    out[i[near], j[near]] = True
    return out if near.any() else among


def _way_in(
    work: Clearing, level: Level, goals: NDArray[np.bool_], rows: slice, cols: slice
) -> Points | None:
    """From a place where the cutter stands clear to the furthest of ``goals``, along the middle."""
    from scipy.ndimage import binary_dilation
    from skimage.graph import MCP_Geometric

    f, r = work.frame, work.rules
    sd = level.sd[rows, cols]
    free = sd >= r.eps
    costs = np.where(free, 1.0 / (np.maximum(sd, r.eps) + 0.5 * f.h), -1.0)
    meets = _meets(work)[rows, cols]
    starts = np.argwhere(free & ~meets & binary_dilation(meets, structure=np.ones((3, 3)), iterations=RIM))
    xy = np.array([f.x0 + f.h * cols.start, f.y0 + f.h * rows.start])
    clear = [tuple(s) for s in starts if work.is_clear(xy + f.h * s[::-1], f.hd)]
    if not clear:
        return None
    graph: Any = MCP_Geometric(costs)
    total, _ = graph.find_costs(clear)
    total = np.where(goals & np.isfinite(total), total, -1.0)
    end = np.unravel_index(int(np.argmax(total)), total.shape)
    if total[end] < 0.0:
        return None
    return _smooth(work, level, xy + f.h * np.array(graph.traceback(end))[:, ::-1])


def _smooth(work: Clearing, level: Level, chain: Points) -> Points | None:
    """A chain of nodes as an even walk; up to where it would leave the ground."""
    f, r = work.frame, work.rules
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(chain, axis=0).T))])
    if along[-1] < r.step:
        return None
    t = np.linspace(0.0, along[-1], math.ceil(along[-1] / r.step) + 1)
    line = np.stack([np.interp(t, along, chain[:, 0]), np.interp(t, along, chain[:, 1])], axis=1)
    line = _evened(work, level, line)
    out = np.flatnonzero(f.sampled(level.sd, line) < r.eps - 1e-6)
    line = line[: out[0]] if len(out) else line
    return line if len(line) > 1 else None


def slots(work: Clearing, level: Level, position: Points | None, tau: float) -> list[Piece]:
    """What `run` left on a level because the cap stops the cutter there, cut as wide as it comes."""
    r = work.rules
    tight = min(r.rho, NARROW * r.radius)
    with work.ruled(cap=math.pi, margin=0.0, ease_in=1e-3 * r.step, rho=tight, rho_tight=tight):
        before, pinched, stayed = work.d2.copy(), work.pinched, work.stayed
        found: list[Piece] = []
        walks = list(work.track)
        for close in (True, False):
            work.pinched = []
            straight = cut(work, level, close)
            work.track += [piece.points for piece in straight]
            found += straight
            if straight or close:
                found += work.run(level, found[-1].points[-1] if found else position, tau)
            if not any(u.area > CHANNEL * r.radius**2 for u in work.left):
                break
        work.d2[:] = before
        pieces: list[Piece] = []
        for piece in found:
            if _swept_anew(work, level, piece, walks, r.cap):
                pieces.append(piece)
                walks.append(piece.points)
        work.track = walks  # as they are cut, not as they were found
        if len(pieces) < len(found):
            work.start(level)
            work.left = uncut(work, level)

    # a film along a wall is left of a pinched place by rights: of one that was not cut, most
    def stays(found: list[tuple[Uncut, Nodes]]) -> list[tuple[Uncut, Nodes]]:
        return [(u, at) for u, at in found if (work.d2[at] > np.float32(r.radius**2)).mean() > 0.5]

    stay, work.stayed, work.late = stays(pinched), stays(stayed), []
    work.pinched += stay
    work.left += [u for u, _ in stay if not any(encloses(w.box, u.box) for w in work.left)]
    return pieces


def _swept_anew(work: Clearing, level: Level, piece: Piece, walks: list[Points], cap: float) -> bool:
    """Even a walk out and sweep it as it then is, after other ``walks``; False if it has no place to begin.

    Evened out, a walk meets other material than as it was found, and leaves other material: where the next
    one was to begin, and on the way there, too.
    """
    if piece.arcs.max(initial=0.0) > cap:
        piece.points = _evened(work, level, piece.points)
        work.trails, work.tracks = Trail(), Trail()
    entry = None if piece.entry is None else work.entry_path(piece.entry)[0]
    if piece.way is not None:
        way = ways.tested(work, piece.way)
        piece.way, piece.way_arc = (None, 0.0) if way is None else way
    if entry is None and not work.is_clear(piece.points[0], work.frame.hd):
        lead = _led(work, level, piece.points[0], walks)
        if lead is None:
            return False
        piece.points, piece.way, piece.way_arc = np.concatenate([lead, piece.points]), None, 0.0
    piece.arcs = sweep(work, piece.points, entry)
    over = piece.arcs > cap - NEARLY
    piece.arcs[over] = np.maximum(piece.arcs[over], OVER * cap)
    piece.slot = bool(over.any())
    piece.close = work.frame.sampled(level.sd, piece.points) < work.rules.eps + FILM
    return True


def _led(work: Clearing, level: Level, goal: Points, walks: list[Points]) -> Points | None:
    """Straight way to ``goal``, in steps and without it, from the nearest place on a walk before it."""
    near = np.concatenate(walks) if walks else np.empty((0, 2))
    away = np.hypot(*(near - goal).T)
    near = near[np.argsort(away, kind="stable")[: np.count_nonzero(away <= REACH * work.rules.radius)]]
    for q in near[:: max(1, len(near) // LEADS)]:
        count = math.ceil(math.dist(q, goal) / work.rules.step) + 1
        line = q + np.linspace(0.0, 1.0, count)[:, None] * (goal - q)
        if len(line) > 1 and work.frame.sampled(level.sd, line).min() >= work.rules.eps - SPARE:
            return np.asarray(line[:-1])
    return None


def _evened(work: Clearing, level: Level, walk: Points) -> Points:
    """A walk without the wobble of one that must be able to turn between close walls; its ends stay."""
    out = walk.copy()
    for _ in range(EVENING):
        moved = out.copy()
        moved[1:-1] += 0.25 * (out[2:] + out[:-2] - 2.0 * out[1:-1])
        fits = work.frame.sampled(level.sd, moved) >= work.rules.eps
        out[fits] = moved[fits]
    return out
