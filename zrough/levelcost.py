"""What a level will cost, guessed from the ground it has to clear: enough to choose heights by.

The path is the ground swept over the radial width, plus a share for the ends of passes and thin bites on
walls. Each stretch of path costs time to get up to its feed, and a way to the next one; ground that is
closed all round costs a way down. The shares were fitted to whole plans of the example parts: their primary
levels come out within about a tenth where the cut decides, and within a quarter where links do.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from . import distances

if TYPE_CHECKING:
    from .cutting import CuttingData
    from .regions import Space

ENDS = 1.1  # cutting path over swept ground / width
STRETCH = 30.0  # mm of path between two slow places
LINK_TIME = 0.006  # s of links a mm of cutting path
ROUND = 25  # radii of path: the walls about such a flat, and the way there
NODES = 150_000  # on which swept ground is counted


class Costs:
    """Seconds that levels take, by their heights. ``acceleration`` mm/s2."""

    def __init__(self, space: Space, data: CuttingData, acceleration: float) -> None:
        self.space, self.data = space, data
        self.acceleration = acceleration
        self.every = max(1, math.isqrt(space.cl.size // NODES))
        self.there = np.isfinite(space.top[:: self.every, :: self.every])
        self._swept: dict[float, float] = {}
        self._known: dict[float, int] = {}
        self._feeds: dict[float, float] = {}  # by depth, at the job's engagement

    def _free(self, z: float) -> NDArray[np.bool_]:
        return self.space.mask(z, self.every)

    def swept(self, z: float) -> float:
        """Ground over stock that the cutter reaches at tip height ``z``, mm2."""
        found = self._swept.get(z)
        if found is None:
            free = self._free(z)
            cell = self.space.grid.cell * self.every
            # the boundary runs half a cell beyond the last free node
            reached = distances.within(free, self.space.radius + 0.5 * cell, cell, below=True) & self.there
            found = self._swept[z] = float(np.count_nonzero(reached)) * cell**2
        return found

    def primary(self, z: float, above: float) -> float:
        """Seconds for a primary level at ``z`` cut from ``above`` down."""
        return self.clearing(self.swept(z), above - z) + self._ways_down(z, above - z)

    def ledge(self, z: float, below: float, above: float) -> float:
        """Seconds for a flat at ``z`` cut as a climb level, the ground at ``below`` cleared already."""
        depth = above - z
        walls = self.path(ROUND * self.space.radius, self.data.engagement_deg, depth)
        return self.clearing(self.swept(z) - self.swept(below), depth) + walls

    def expect(self, depths: list[float]) -> None:
        """Have the feeds at these depths, mm, ready: one by one each takes a tenth of a millisecond."""
        found = self.data.feed_for(self.data.engagement_deg, np.array(depths))
        self._feeds.update(zip(depths, found.tolist(), strict=True))

    def clearing(self, area: float, depth: float) -> float:
        """Seconds to clear ``area`` mm2 at full width."""
        width = max(self.data.radial_width, 1e-6)
        return self.path(ENDS * max(area, 0.0) / width, self.data.engagement_deg, depth)

    def path(self, length: float, engagement_deg: float, depth: float) -> float:
        """Seconds for ``length`` mm of cutting path with its links."""
        feed = self._feeds.get(depth) if engagement_deg == self.data.engagement_deg else None
        speed = (float(self.data.feed_for(engagement_deg, depth)) if feed is None else feed) / 60.0
        return length * (1.0 / speed + speed / self.acceleration / STRETCH + LINK_TIME)

    def _ways_down(self, z: float, depth: float) -> float:
        data = self.data
        slant = depth / max(math.sin(math.radians(data.ramp_angle_deg)), 1e-3)
        return self._closed(z) * 60.0 * slant / data.helix_feed

    def _closed(self, z: float) -> int:
        """Patches of ground at ``z`` that no side of the stock opens."""
        from scipy.ndimage import label

        found = self._known.get(z)
        if found is None:
            number, count = label(self._free(z))
            reached = set(np.unique(number[~self.there]).tolist()) - {0}
            found = self._known[z] = count - len(reached)
        return found
