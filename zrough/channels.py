"""Channels hardly wider than a cutter: left to a finer one that comes later, where that is quicker.

Between close walls a cutter takes a short arc and goes back, again and again, and the way back costs more
than the cut. A cutter with more room takes wider arcs and may clear the same channel sooner, small as it is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from . import cutting, joboutlines
from .cutting import CuttingData
from .job import Cutter, Job
from .kernels import march
from .levels import Level
from .regions import Space

BACK = 0.9  # of a move from rest to rest over room and radius: the way back from one arc to the next
SOONER = 1.2  # times as fast a finer cutter must be: it has to come here for it
FINENESS = 32  # rooms tried, from none to a radius

Mask = NDArray[np.bool_]


def advance(radius: float, room: float, cap: float) -> float:
    """How far a loop may lie beyond the last one in a channel, mm, so that no arc passes ``cap`` rad.

    The centre has ``room`` mm from side to side and goes round in loops as wide. A circle of the cutter's
    radius within a front hollow by that much more meets it over the cap at this distance.
    """
    loop = 0.5 * room
    wide = radius + loop
    return wide - math.sqrt(wide * wide - 2.0 * radius * loop * (1.0 - math.cos(cap)))


def rate(data: CuttingData, radius: float, room: float, depth: float, acceleration: float) -> float:
    """Ground cleared in a channel that leaves ``room`` mm to the centre, mm2/s, ``depth`` mm at a time."""
    speed = float(data.feed_for(data.engagement_deg, depth)) / 60.0
    arc = 0.5 * math.pi * room / speed
    back = BACK * 2.0 * math.sqrt((room + radius) / acceleration)
    step = advance(radius, room, math.radians(data.engagement_deg))
    return step * (2.0 * radius + room) / (arc + back)


def leave(job: Job, cutter: Cutter, space: Space, data: CuttingData, levels: Iterable[Level]) -> None:
    """Close to ``cutter`` the channels that a later one clears sooner; ``space.at_level`` takes note.

    Only a finer cutter counts that reaches as deep as the levels go with its flutes, holder above the stock.
    What is closed at a height is closed below it too, so that nothing is cut under ground that stands.
    """
    order = sorted(levels, key=lambda level: -level.z)
    deepest = float(space.stock.upper[2]) - order[-1].z
    after = job.cutters[job.cutters.index(cutter) + 1 :]
    finer = [c for c in after if c.diameter < cutter.diameter and c.flute_length >= deepest]
    # an outline or a clamp keeps each cutter off by its own radius
    if not finer or job.keepouts or any(joboutlines.outlines_of(job)):
        return
    known = [(c, cutting.propose(job, c)) for c in finer]
    shut = np.zeros(space.grid.shape, bool)
    for level in order:
        room = _too_close(job, space, data, known, level.top - level.z)
        if room > 0.0:
            shut |= channels(space, level.z, room)
        if shut.any():
            space.close(level.z, shut)


def _too_close(
    job: Job, space: Space, data: CuttingData, finer: list[tuple[Cutter, CuttingData]], depth: float
) -> float:
    """The most room, mm, up to which some finer cutter is the quicker one by far; 0 where none is."""
    most, acceleration = 0.0, job.machine.acceleration
    for cutter, its in finer:
        radius = 0.5 * cutter.diameter
        passes = math.ceil(depth / min(its.level_depth, cutter.flute_length) - 1e-9)
        for room in np.linspace(0.0, space.radius, FINENESS + 1)[1:].tolist():
            mine = rate(data, space.radius, room, depth, acceleration)
            wide = room + 2.0 * (space.radius - radius)
            if rate(its, radius, wide, depth / passes, acceleration) < SOONER * passes * mine:
                break
            most = max(most, room)
    return most


def channels(space: Space, z: float, room: float) -> Mask:
    """Nodes free at tip height ``z`` that lie in channels of less than ``room`` mm, longer than a radius.

    What an opening by a disc takes off: corners too, but they end sooner.
    """
    from scipy.ndimage import distance_transform_edt, label

    g, half = space.grid, 0.5 * room
    free, rings = space.mask(z), space.rings(z)
    inside = np.empty(g.shape, np.float32)
    march.band_distance(free, g.x0, g.y0, g.cell, half + g.cell, rings.points, rings.offsets, inside)
    wide = inside >= half
    if not wide.any():
        return free
    away = distance_transform_edt(~wide) * g.cell
    close = free & (away > half + 0.5 * g.cell)
    number, count = label(close, structure=np.ones((3, 3)))
    far = np.zeros(count + 1)
    np.maximum.at(far, number[close], away[close])
    long = far > half + space.radius
    return np.asarray(long[number] & close)
