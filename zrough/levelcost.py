"""What a level will cost, guessed from the ground it has to clear: enough to choose heights by.

The path is the swept area over the radial width, plus a share for the ends of passes; links are a share of that
path; ground that is closed all round costs a way down. The two shares are fitted to whole plans of the example
parts (`benchmarks/bench_levels.py --calibrate` prints them beside the time model's own).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from .cutting import CuttingData
    from .regions import Space

ENDS = 1.3  # cutting path over area / width: passes that end in air, thin bites on walls
LINKS = 0.9  # link path over cutting path


class Costs:
    """Seconds that levels take, by their heights."""

    def __init__(self, space: Space, data: CuttingData, link_feed: float) -> None:
        self.data, self.link_feed = data, link_feed
        self.space = space
        self.cell2 = space.grid.cell**2
        self.cells = np.sort(space.cl[np.isfinite(space.top)])
        self._known: dict[float, int] = {}

    def area(self, z: float) -> float:
        """Ground over stock where the cutter's centre may be at tip height ``z``, mm2."""
        return self.cell2 * float(np.searchsorted(self.cells, z - self.space.floor + 1e-9, side="right"))

    def primary(self, z: float, above: float) -> float:
        """Seconds for a primary level at ``z`` cut from ``above`` down."""
        return self._clearing(self.area(z), above - z) + self._ways_down(z, above - z)

    def ledge(self, z: float, below: float, above: float) -> float:
        """Seconds for a flat at ``z`` cut as a climb level, the ground at ``below`` cleared already."""
        return self._clearing(self.area(z) - self.area(below), above - z)

    def _clearing(self, area: float, depth: float) -> float:
        data = self.data
        path = ENDS * max(area, 0.0) / max(data.radial_width, 1e-6)
        feed = float(data.feed_for(data.engagement_deg, depth))
        return 60.0 * (path / feed + LINKS * path / self.link_feed)

    def _ways_down(self, z: float, depth: float) -> float:
        data = self.data
        slant = depth / max(math.sin(math.radians(data.ramp_angle_deg)), 1e-3)
        return self._closed(z) * 60.0 * slant / data.helix_feed

    def _closed(self, z: float) -> int:
        """Patches of ground at ``z`` that no side of the stock opens."""
        from scipy.ndimage import label

        found = self._known.get(z)
        if found is None:
            free = self.space.mask(z)[::2, ::2]
            number, count = label(free)
            outside = ~np.isfinite(self.space.top[::2, ::2])
            reached = set(np.unique(number[outside]).tolist()) - {0}
            found = self._known[z] = count - len(reached)
        return found
