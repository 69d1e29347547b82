"""Ridges between passes: a corner radius leaves them, as high as itself, and they add to the stairs.

A pass clears all ground within the cutter's radius, but only within its flat down to the tip. Where two
passes of a level meet, a ridge stays. Where a level below goes, it takes the ridge away with what it stands
on; where the level is the last, the ridge stands on the stair. What passes the limit on stairs is walked
over again, with the radius at which the cutter's underside is low enough.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from . import distances, evening, uncut
from .kernels import ridges as kernels
from .pieces import EVENED, FLAT
from .stairs import Limits

if TYPE_CHECKING:
    from .pieces import Level as Ground
    from .pieces import Piece, Uncut
    from .regions import Space
    from .rings import Clearing

LEAST = 0.02  # mm: a ridge that is too high by less stays
MARGIN = 2  # coarse nodes round what is too high that are walked over with it


class Ridges:
    """One band on its way up: how high it has been left, node by node."""

    def __init__(self, space: Space, limits: Limits, before: NDArray[np.float32] | None = None) -> None:
        """``before``: the swept map before the band's first cut, to know the air beside the stock from."""
        self.space = space
        self.limit = min(limits.height, limits.normal)
        self.corner = space.corner - space.wall
        self.left = np.full(space.frame.fine, np.inf, np.float32)
        self.tip, self.top = space.tip, space.ceiling
        # ground that an earlier cutter took is on the map too, and may have ridges
        known = None if space.before or not self._round else before
        self.beside = None if known is None else known <= np.float32(space.radius**2)
        self.rows, self.columns, self.inset = _underside(space.radius, self.corner, space.grid.cell)

    @property
    def idle(self) -> bool:
        """True if a ridge can do no harm: a square corner leaves none, or nothing limits the stairs."""
        return self.corner <= FLAT or math.isinf(self.limit)

    @property
    def _round(self) -> bool:
        """True if the tip's flat is too small to make floors."""
        return self.space.radius - self.corner < EVENED * self.space.radius

    def low(self, z: float) -> NDArray[np.bool_] | None:
        """Fine nodes where nothing is left over a level at ``z``; None where the tip's flat makes floors."""
        if not self._round:
            return None
        low = self.left <= np.float32(z + FLAT)
        return low if self.beside is None else low | self.beside

    def take_off(
        self,
        work: Clearing,
        ground: Ground,
        z: float,
        above: float,
        pieces: list[Piece],
        shown: NDArray[np.bool_] | None = None,
    ) -> list[Uncut]:
        """Walk over what the level at ``z`` has left too high; its new walks are added to ``pieces``.

        ``above`` is the height of the next level of the band, mm, inf for its last. ``shown`` (coarse map):
        where a later cutter may go. What is too high even then is returned: no walk comes by there.
        """
        radius = self.space.radius
        if self.corner > FLAT:
            kernels.lower(work.d2, z, radius, self.corner, self.left)
        if self.idle or not work.stands(ground, FLAT):
            return []
        if shown is not None:
            work.mat[~shown] = 0
        high, allowed = self._too_high(z, above, work.mat)
        if math.isinf(allowed):
            return []
        # at the little radius that a round tip has so low it comes by only near where it went before: the
        # tall ones first
        wanted = max(FLAT, allowed - z)
        for height in sorted({wanted, max(wanted, work.rules.evened)}, reverse=True):
            evening.even(work, ground, height, pieces, _about(high))
            kernels.lower(work.d2, z, radius, self.corner, self.left)
            high, allowed = self._too_high(z, above, high)
            if math.isinf(allowed):
                return []
        # the flank of a round tip would have reached farther than where it makes a floor
        near = distances.within(high > 0, radius, work.frame.hb)
        return uncut.patches(work, ground, self._too_high(z, above, near.astype(np.uint8))[0] > 0)

    def _too_high(self, z: float, above: float, where: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], float]:
        """Coarse nodes, of those given, that the level has to make lower, and the least height allowed."""
        high = np.zeros(where.shape, np.uint8)
        allowed = kernels.too_high(
            self.left, self.tip, self.top, self.rows, self.columns, self.inset,
            z, above, self.limit, LEAST, where, high,
        )  # fmt: skip
        return high, float(allowed)


def _about(high: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """What is too high and some nodes round it."""
    from scipy.ndimage import binary_dilation

    wide = np.ones((2 * MARGIN + 1, 2 * MARGIN + 1), bool)
    return np.asarray(binary_dilation(high > 0, structure=wide))


def _underside(
    radius: float, corner: float, cell: float
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Nodes (n,), (n,) within the radius of one, and the height (n,) of the underside over the tip, mm."""
    n = math.floor(radius / cell)
    i, j = np.mgrid[-n : n + 1, -n : n + 1]
    away = np.hypot(i, j) * cell
    inside = away <= radius
    over = np.maximum(away[inside] - (radius - corner), 0.0)
    inset = corner - np.sqrt(np.maximum(corner * corner - over * over, 0.0))
    return i[inside].astype(np.int64), j[inside].astype(np.int64), inset.astype(np.float64)
