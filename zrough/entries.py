"""Ways down into ground that has no cleared place: helix, ramp, pre-drilled hole, or none and why."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from . import distances
from .job import Cutter, Job
from .pieces import Entry, Frame

FILM = 0.05  # mm: levels above may have left this on a wall, which a helix must not meet on its way down
# of the cutter radius: a helix tighter than this (a bore of less than 1.1 D) is a plunge in all but name;
# common practice, from memory
NARROWEST = 0.1
NEARBY = 2.0  # node pitches: how far off the roomiest node the roomiest place may be, and its gain
HALVINGS = 5  # of a node pitch, in the search for the roomiest place


@dataclass(frozen=True)
class Hole:
    """A hole drilled before roughing, mm."""

    x: float
    y: float
    diameter: float
    bottom: float


@dataclass(frozen=True)
class EntryRules:
    """What the job allows: ``method``, helix path radius wanted and smallest, cutter radius, ``holes``."""

    method: str
    radius: float
    helix: float
    smallest: float
    eps: float
    holes: tuple[Hole, ...] = ()
    slotting: bool = False

    @classmethod
    def of(cls, job: Job, cutter: Cutter, bore: float, eps: float, least: float = 0.0) -> EntryRules:
        """Rules of a job for one cutter; ``bore`` is the proposed diameter of the helix, mm, ``least`` the
        smallest radius of its path that can be written.

        The bore stays below twice the flat of the tip's reach, so that no post is left under the cutter.
        """
        radius = 0.5 * cutter.diameter
        wanted = job.entry.helix_diameter if job.entry.helix_diameter is not None else bore
        no_post = radius - cutter.corner_radius if cutter.corner_radius < radius else 0.5 * radius
        helix = min(
            max(0.5 * (wanted - cutter.diameter), NARROWEST * radius), max(no_post, NARROWEST * radius)
        )
        holes = tuple(Hole(h.x, h.y, h.diameter, h.bottom) for h in job.entry.pre_drilled)
        smallest = max(NARROWEST * radius, 0.5 * cutter.uncut_diameter, least)
        return cls(job.entry.method, radius, max(helix, least), smallest, eps, holes, job.roughing.slotting)


@dataclass(frozen=True)
class Left:
    """Ground that is not cut: place, clear width there (mm), plan area (mm2), the reason, and its box."""

    x: float
    y: float
    width: float
    area: float
    reason: str
    box: tuple[float, float, float, float] | None = None  # x0, y0, x1, y1, mm


def ways_in(
    sd: NDArray[np.float32],
    free: NDArray[np.uint8],
    blk: NDArray[np.int32],
    mat: NDArray[np.uint8],
    frame: Frame,
    rules: EntryRules,
    z: float,
) -> tuple[list[Entry], list[Left]]:
    """One entry for each connected free area with material and no clear ground; the others as `Left`."""
    from scipy import ndimage

    label, count = ndimage.label(free, structure=np.ones((3, 3)))
    if not count:
        return [], []
    blocked = np.bincount(label[blk > 0], minlength=count + 1)
    clear = np.bincount(label[(blk == 0) & (free > 0)], minlength=count + 1)
    entries: list[Entry] = []
    left: list[Left] = []
    shut = 1 + np.flatnonzero((blocked[1:] > 0) & (clear[1:] == 0))
    boxes = ndimage.find_objects(label) if len(shut) else []
    for area in shut.tolist():
        found = _way_into(sd, label, area, boxes[area - 1], frame, rules, z)
        if isinstance(found, Entry):
            entries.append(found)
        else:
            left.append(replace(found, box=_ground(boxes[area - 1], frame, rules.radius)))
    return entries, left


def _ground(box: tuple[slice, slice], frame: Frame, radius: float) -> tuple[float, float, float, float]:
    """Box of what the cutter reaches from coarse nodes, x0, y0, x1, y1."""
    rows, cols = box
    return (
        frame.x0 + frame.hb * cols.start - radius,
        frame.y0 + frame.hb * rows.start - radius,
        frame.x0 + frame.hb * cols.stop + radius,
        frame.y0 + frame.hb * rows.stop + radius,
    )


def _way_into(
    sd: NDArray[np.float32],
    label: NDArray[np.int32],
    area: int,
    box: tuple[slice, slice],
    frame: Frame,
    rules: EntryRules,
    z: float,
) -> Entry | Left:
    inside, depth = _depth(sd, label, area, box, frame, rules)
    i, j = np.unravel_index(int(np.argmax(depth)), depth.shape)
    room = float(depth[i, j]) - rules.eps
    x = frame.x0 + (2 * box[1].start + int(j)) * frame.h
    y = frame.y0 + (2 * box[0].start + int(i)) * frame.h
    if room < rules.helix:
        # where room is short, nodes are too far apart to tell how much there is
        (x, y), room = _roomiest(sd, frame, (x, y), room + rules.eps)
        room -= rules.eps
    size = float(np.count_nonzero(label[box] == area)) * frame.hb**2
    if rules.method in ("auto", "pre-drilled"):
        for hole in rules.holes:
            a = round((hole.y - frame.y0) / frame.h) - 2 * box[0].start
            b = round((hole.x - frame.x0) / frame.h) - 2 * box[1].start
            within = 0 <= a < depth.shape[0] and 0 <= b < depth.shape[1] and bool(inside[a, b])
            if not within or hole.bottom > z + 1e-6:
                continue
            # it may have been drilled wider than the allowance on a wall leaves room for
            node = frame.x0 + (2 * box[1].start + b) * frame.h, frame.y0 + (2 * box[0].start + a) * frame.h
            near = float(depth[a, b]) - math.dist(node, (hole.x, hole.y)) - rules.eps
            fits = min(0.5 * hole.diameter - rules.radius, near)
            if fits > 0.0:
                return Entry(hole.x, hole.y, fits, "pre-drilled")
    width = 2.0 * (room + rules.radius)
    if rules.method in ("none", "outside", "pre-drilled"):
        return Left(x, y, width, size, f"no way in: entry.method is {rules.method!r} and no place is open")
    if rules.method in ("auto", "helix") and room >= rules.smallest:
        return Entry(x, y, min(max(room - FILM, rules.smallest), rules.helix), "helix")
    if rules.method == "ramp" or (rules.method == "auto" and rules.slotting):
        line = _longest_line(depth, rules.eps, (i, j))
        if line is not None:
            (a, b), (c, d) = line
            ox, oy = frame.x0 + 2 * box[1].start * frame.h, frame.y0 + 2 * box[0].start * frame.h
            ends = (ox + b * frame.h, oy + a * frame.h, ox + d * frame.h, oy + c * frame.h)
            if math.hypot(ends[2] - ends[0], ends[3] - ends[1]) >= rules.radius:
                return Entry(ends[0], ends[1], 0.0, "ramp", ends[2], ends[3])
    return Left(
        x, y, width, size, f"too narrow for a helix: {width:.2f} mm wide, cutter {2 * rules.radius:g} mm"
    )


def _depth(
    sd: NDArray[np.float32],
    label: NDArray[np.int32],
    area: int,
    box: tuple[slice, slice],
    frame: Frame,
    rules: EntryRules,
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Distance of each node of one free area to what is not free, on the level's own pitch, mm."""
    from scipy import ndimage

    rows = slice(2 * box[0].start, min(sd.shape[0], 2 * box[0].stop))
    cols = slice(2 * box[1].start, min(sd.shape[1], 2 * box[1].stop))
    mine = np.kron(label[box] == area, np.ones((2, 2), bool))[
        : rows.stop - rows.start, : cols.stop - cols.start
    ]
    near = sd[rows, cols]
    inside = (near >= rules.eps) & ndimage.binary_dilation(mine, iterations=2)
    padded = np.pad(inside, 1)
    far = distances.away(padded)[1:-1, 1:-1] * frame.h
    # close to the boundary the exact distance is known; further in, a node distance is up to a cell off
    depth = np.where(far > 2.0 * frame.h, far - frame.h, np.minimum(far, near))
    return inside, np.where(inside, depth, 0.0)


def _roomiest(
    sd: NDArray[np.float32], frame: Frame, at: tuple[float, float], known: float
) -> tuple[tuple[float, float], float]:
    """Place near ``at`` with the most room round it, and how much; mm. ``known``: what the nodes tell.

    Distances of nodes near the boundary are exact, whichever side they lie on. The way to such a node and on
    to the boundary is never shorter than the straight one, and longer by ``h^2 / 8 room`` at most, where a
    flat wall has no node on the perpendicular.
    """
    h = frame.h
    row, col = round((at[1] - frame.y0) / h), round((at[0] - frame.x0) / h)
    n = math.ceil((known + 2.0 * NEARBY * h) / h) + 2
    rows, cols = slice(max(0, row - n), row + n + 1), slice(max(0, col - n), col + n + 1)
    i, j = np.nonzero(np.abs(sd[rows, cols]) <= 2.0 * h)
    if not len(i):
        return at, known
    away = sd[rows, cols][i, j].astype(np.float64)
    x, y = frame.x0 + h * (j + cols.start), frame.y0 + h * (i + rows.start)

    def room(u: float, v: float) -> float:
        return min(known + NEARBY * h, float((np.hypot(x - u, y - v) + away).min()))

    best, step = (room(*at), *at), 0.5 * h
    for _ in range(HALVINGS):
        for _ in range(3):
            ways = [(best[1] + step * a, best[2] + step * b) for a in (-1, 0, 1) for b in (-1, 0, 1)]
            best = max([best, *((room(*q), *q) for q in ways if math.dist(q, at) <= NEARBY * h)])
        step *= 0.5
    most = best[0]
    return best[1:], max(known, most - h * h / (8.0 * max(most, h)))


def _longest_line(
    depth: NDArray[np.float64], eps: float, at: tuple[np.intp, np.intp]
) -> tuple[tuple[int, int], tuple[int, int]] | None:
    """Longest straight line of free nodes through the roomiest node, over 36 directions."""
    turn = math.pi * np.arange(36) / 36
    ahead = np.array([[math.sin(a), math.cos(a)] for a in turn.tolist()]).T
    longest = math.ceil(math.hypot(*depth.shape)) + 1
    free = np.zeros((depth.shape[0] + 2, depth.shape[1] + 2), bool)
    free[1:-1, 1:-1] = depth > eps
    ends, counts = [], []
    for sign in (1, -1):
        steps = sign * np.arange(1, longest + 1)[:, None]
        i = np.rint(float(at[0]) + steps * ahead[0]).astype(np.int64)
        j = np.rint(float(at[1]) + steps * ahead[1]).astype(np.int64)
        on = free[np.clip(i, -1, depth.shape[0]) + 1, np.clip(j, -1, depth.shape[1]) + 1]
        count = np.argmin(on, axis=0)  # the frame is not free
        there = np.rint(np.array([[float(at[0])], [float(at[1])]]) + sign * count * ahead).astype(int)
        counts.append(count)
        ends.append(there)
    best = int(np.argmax(counts[0] + counts[1]))
    if not counts[0][best] + counts[1][best]:
        return None
    (a, b), (c, d) = (q[:, best].tolist() for q in ends)
    return (a, b), (c, d)
