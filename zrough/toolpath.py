"""Moves as arrays: what the planner hands to the post-processor."""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray


class Kind(IntEnum):
    """What a move is for; the value stored in ``Toolpath.kind``."""

    RAPID = 0  # at or above the clearance plane only
    CUT = 1
    LINK = 2  # not cutting, at link feed
    HELIX = 3  # helical entry
    RAMP = 4  # sloping entry along a line
    LIFT = 5  # straight up
    DROP = 6  # straight down through air or cleared ground


@dataclass(frozen=True)
class Toolpath:
    """Moves, each from the end of the one before it.

    Attributes
    ----------
    xyz : (n, 3) float64, mm. End point (tip centre) of each move. Move 0 is the start point itself.
    kind : (n,) uint8, see `Kind`.
    feed : (n,) float64, mm/min; 0 on rapids.
    turn : (n,) int8; 0 line, +1 counter-clockwise arc, -1 clockwise; with a Z change, a helix.
    centre : (n, 2) float64, mm; arc centre in plan, NaN on lines. End = start means a full circle.
    level : (n,) int32, index of the level served, -1 for none.
    engagement : (n,) float32, degrees, the largest along the move.
    """

    xyz: NDArray[np.float64]
    kind: NDArray[np.uint8]
    feed: NDArray[np.float64]
    turn: NDArray[np.int8]
    centre: NDArray[np.float64]
    level: NDArray[np.int32]
    engagement: NDArray[np.float32]

    def __len__(self) -> int:
        return len(self.xyz)

    def lengths(self) -> NDArray[np.float64]:
        """Length of each move along its path, shape (n,), mm; 0 for move 0."""
        step = np.zeros_like(self.xyz)
        step[1:] = np.diff(self.xyz, axis=0)
        plan = np.hypot(step[:, 0], step[:, 1])
        arcs = np.flatnonzero(self.turn != 0)
        arcs = arcs[arcs > 0]
        if arcs.size:
            start = self.xyz[arcs - 1, :2] - self.centre[arcs]
            end = self.xyz[arcs, :2] - self.centre[arcs]
            sweep = np.arctan2(end[:, 1], end[:, 0]) - np.arctan2(start[:, 1], start[:, 0])
            sweep = (sweep * self.turn[arcs]) % (2 * np.pi)
            whole = np.hypot(*(self.xyz[arcs, :2] - self.xyz[arcs - 1, :2]).T) < 1e-9
            sweep[whole] = 2 * np.pi
            plan[arcs] = sweep * np.hypot(start[:, 0], start[:, 1])
        return np.hypot(plan, step[:, 2])

    @staticmethod
    def join(parts: list[Toolpath]) -> Toolpath:
        """One toolpath out of several, in order."""
        return Toolpath(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Toolpath)))
