"""Smallest inside corner of the walls, measured on level sections."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from zrough import section, topology
from zrough.part import Part

Points = NDArray[np.float64]

STEEP = 0.5  # |normal Z| up to which a face counts as a wall: within 30 degrees of upright
STRAIGHT = math.radians(0.2)  # a smaller turn is rounding
SHARP = math.radians(40.0)  # a larger turn is a corner without a radius, not one chord of an arc
ARC = math.radians(30.0)  # a radius is measured over at least this much of an arc


@dataclass(frozen=True)
class Corner:
    """Inside corner of a wall: radius in plan (0 sharp), and where, mm."""

    radius: float
    place: tuple[float, float, float]


Circle = tuple[tuple[float, float], float]


def smallest(part: Part, heights: list[float], but: Sequence[Circle] = ()) -> Corner | None:
    """Smallest inside corner at any of the heights; None if no wall turns inward.

    ``but``: circles (centre, radius) in plan; outlines that lie in one of them are left out.
    """
    best: Corner | None = None
    for z in heights:
        for ring, wall in _outlines(part, z):
            if any(np.hypot(*(ring - centre).T).max() < radius for centre, radius in but):
                continue
            for radius, place in _inside_corners(ring, wall):
                if best is None or radius < best.radius - 1e-9:
                    best = Corner(radius, (float(place[0]), float(place[1]), z))
    return best


def _outlines(part: Part, z: float) -> list[tuple[Points, NDArray[np.bool_]]]:
    """Closed outlines (n, 2) at a height, material on the left, and which sides lie on steep walls."""
    found = section.cut(part.vertices, part.faces, z)
    vectors = topology.area_vectors(part.vertices, part.faces[found.crossed])
    size = np.maximum(np.sqrt((vectors**2).sum(axis=1)), 1e-300)
    steep = np.abs(vectors[:, 2]) / size <= STEEP
    result = []
    for edge, closed in topology.chains(found.enter, found.leave):
        if closed:
            result.append((found.points[found.enter[edge]][:, :2], steep[edge]))
    return result


def _inside_corners(ring: Points, wall: NDArray[np.bool_]) -> list[tuple[float, Points]]:
    """Radius and place of every inside corner of an outline."""
    ring, wall = _simplified(ring, wall)
    n = len(ring)
    if n < 3:
        return []
    side = np.roll(ring, -1, axis=0) - ring
    length = np.hypot(side[:, 0], side[:, 1])
    before = np.roll(side, 1, axis=0)
    # right turns: with the material on the left these are the corners a cutter has to get into
    turn = -np.arctan2(before[:, 0] * side[:, 1] - before[:, 1] * side[:, 0], (before * side).sum(axis=1))
    both = wall & np.roll(wall, 1)
    found = [(0.0, ring[k]) for k in np.flatnonzero(both & (turn > SHARP)).tolist()]
    smooth = both & (turn > STRAIGHT) & (turn <= SHARP)
    for k in np.flatnonzero(smooth).tolist():
        radius = _radius(k, n, turn, length, smooth)
        if radius is not None:
            found.append((radius, ring[k]))
    return found


def _radius(k: int, n: int, turn: Points, length: Points, smooth: NDArray[np.bool_]) -> float | None:
    """Radius of the arc of chords that begins at corner ``k``, if it turns far enough."""
    total, run, last = float(turn[k]), 0.0, k
    for step in range(1, n):
        m = (k + step) % n
        if not smooth[m]:
            return None
        run += float(length[last])
        total += float(turn[m])
        last = m
        if total >= ARC:
            bend = total - (float(turn[k]) + float(turn[m])) / 2
            chord = bend / step
            # a chord of a circle is 2 r sin(half its angle)
            return run / bend * (chord / 2) / math.sin(chord / 2)
    return None


def _simplified(ring: Points, wall: NDArray[np.bool_]) -> tuple[Points, NDArray[np.bool_]]:
    """Without repeated points and points in a straight line."""
    away = np.hypot(*(np.roll(ring, -1, axis=0) - ring).T) > 1e-6
    ring, wall = ring[away], wall[away]
    if len(ring) < 3:
        return ring, wall
    side = np.roll(ring, -1, axis=0) - ring
    before = np.roll(side, 1, axis=0)
    turn = np.arctan2(before[:, 0] * side[:, 1] - before[:, 1] * side[:, 0], (before * side).sum(axis=1))
    bends = np.abs(turn) > STRAIGHT
    return ring[bends], wall[bends]
