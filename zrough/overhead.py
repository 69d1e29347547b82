"""How high the tip must run so that cutter, shank and holder pass above stock and clamps."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .kernels import march
from .limits import Stage

if TYPE_CHECKING:
    from .job import Keepout
    from .pieces import Frame, Points

NODES = 0.75  # coarse nodes by which the ground that a walk is known to lower is smaller than the cutter
EVERY = 3  # one point of a walk in so many lowers it


class Overhead:
    """A coarse map of how high the stock still stands, and boxes that stand as they are.

    ``bodies``: shank and holder, radius and height over the tip, clearance included.
    """

    def __init__(
        self,
        frame: Frame,
        top: NDArray[np.float64],
        radius: float,
        corner: float,
        bodies: Sequence[Stage] = (),
        boxes: Sequence[Keepout] = (),
        clearance: float = 0.0,
    ) -> None:
        self.frame, self.radius, self.corner = frame, radius, corner
        self.heights = np.ascontiguousarray(top[::2, ::2]).copy()
        self.before = self.heights.copy()
        self.bodies = tuple(bodies)
        cutter = Stage(radius + clearance, 0.0)
        self.boxes = [(np.array(b.min[:2]), np.array(b.max[:2]), float(b.max[2])) for b in boxes]
        self.parts = (cutter, *self.bodies)
        self.highest = float(self.heights.max())  # at first
        there = self.before[np.isfinite(self.before)]
        self.even = bool(there.size and there.min() == there.max())  # all ground began equally high

    def lower(self, points: Points, z: float) -> None:
        """A walk at ``z`` has taken what stood under it."""
        f = self.frame
        march.lower_discs(
            self.heights, f.x0, f.y0, f.hb, self.radius - NODES * f.hb, self.corner, z, points, EVERY
        )

    def stands(self, a: Points, b: Points, reach: float) -> float:
        """Highest stock within ``reach`` mm of the straight way from ``a`` to ``b``."""
        f = self.frame
        return float(march.highest_along(self.heights, f.x0, f.y0, f.hb, reach, *a, *b))

    def stood(self, a: Points, b: Points, reach: float) -> float:
        """The same before anything was cut."""
        f = self.frame
        return float(march.highest_along(self.before, f.x0, f.y0, f.hb, reach, *a, *b))

    def safe(self, a: Points, b: Points) -> float:
        """Lowest height of the tip, mm, at which nothing is met on the straight way from ``a`` to ``b``."""
        node = self.frame.hb
        low = self.stands(a, b, self.radius + node)
        for body in self.bodies:
            if self.highest - body.height > low:
                low = max(low, self.stands(a, b, body.radius + node) - body.height)
        for lower, upper, top in self.boxes:
            gap = segment_to_box(a, b, lower, upper)
            low = max([low, *(top - part.height for part in self.parts if gap < part.radius)])
        return low


def segment_to_box(a: Points, b: Points, lower: Points, upper: Points) -> float:
    """Distance in plan of a segment from an upright rectangle, mm; 0 where they meet.

    From a moving point to a rectangle it is least at an end, where the way crosses the line of a side, or
    where it comes nearest to a corner.
    """
    along = b - a
    corners = np.array([[x, y] for x in (lower[0], upper[0]) for y in (lower[1], upper[1])])
    with np.errstate(divide="ignore", invalid="ignore"):
        at = [(lower - a) / along, (upper - a) / along, (corners - a) @ along / (along @ along)]
    t = np.clip(np.nan_to_num(np.concatenate([*at, [0.0, 1.0]]), posinf=1.0, neginf=0.0), 0.0, 1.0)
    p = a + t[:, None] * along
    return float(np.hypot(*np.maximum(np.maximum(lower - p, p - upper), 0.0).T).min())
