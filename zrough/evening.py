"""Walks over the ridges that a corner radius has left on a floor."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from . import distances, errands
from .curtain import Curtain
from .kernels import march as k
from .pieces import Level, Piece

if TYPE_CHECKING:
    from .rings import Clearing

NEAR = 0.5  # of the radius: from so far off at most a walk starts on a ridge
ROWS = 64  # rows of a map changed in one go


def even(
    work: Clearing,
    level: Level,
    height: float,
    pieces: list[Piece],
    zone: NDArray[np.bool_] | None = None,
) -> None:
    """Take off ridges between fronts that stand more than ``height`` over the tip.

    That is what a cutter of the radius there has not swept. ``zone``: coarse nodes where they count.
    Ground that was left whole is kept off: such a cutter's arc is less than the real one's.
    """
    level = replace(level, sd=_off_whole(work, level))

    walked: list[Piece] = []
    d2: NDArray[np.float32] | None = None  # as it is before the first walk

    def walk() -> None:
        nonlocal d2
        curtain = work.curtain = None if zone is None else Curtain.draw(work, zone)
        left = work.start(level)
        if left and d2 is None:
            # mostly nothing is left: then no whole map is copied in vain
            d2 = work.d2.copy() if curtain is None else curtain.before
        while left:
            piece = work.front(level, pieces[-1].points[-1] if pieces else None, [])
            if piece is None:
                break
            errands.place(work, level, pieces, piece)
            walked.append(piece)
        if curtain is not None:
            curtain.lift(work)
            work.curtain = None

    slacks = work.slacks
    air = _Air.empty(work, work.rules.radius - work.rules.radius_at(height))
    if zone is not None:
        # a walk looks no farther than its radius for its first cut
        work.slacks = [q for q in slacks if q <= NEAR * work.rules.radius_at(height)] or slacks[-1:]
    work.slimmer(height, walk)
    work.slacks = slacks
    if air is not None:
        air.back(work)
        if d2 is not None and walked:
            air.show(d2)
    for piece in walked:
        assert d2 is not None
        piece.arcs = _as_wide_as_it_is(work, d2, piece)
        work.evened.append(piece.points)


@dataclass
class _Air:
    """Air over lower ground and beside the stock, taken for swept by a slimmer cutter too for a while.

    The map shows it as the whole cutter swept it at a deeper level, or as if it had: to a slimmer one that
    would be ridges on a floor, where no floor is.
    """

    nodes: NDArray[np.bool_]
    before: list[NDArray[np.float32]]  # by part of the map, see `_parts`
    slimmer: np.float32

    @classmethod
    def empty(cls, work: Clearing, slimmer: float) -> _Air | None:
        """Lower the map in the air for a cutter whose radius is by so much smaller; None if there is none."""
        if work.air is None:
            return None
        air = cls(work.air, [], np.float32(slimmer))
        for rows in _parts(work.d2):
            at, part = air.nodes[rows], work.d2[rows]
            before = part[at]
            air.before.append(before)
            part[at] = air._lower(before)
        return air

    def _lower(self, before: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.square(np.maximum(np.sqrt(before) - self.slimmer, np.float32(0.0)))

    def show(self, d2: NDArray[np.float32]) -> None:
        """Make a map as it was before."""
        for rows, before in zip(_parts(d2), self.before, strict=True):
            d2[rows][self.nodes[rows]] = before

    def back(self, work: Clearing) -> None:
        """The map as before where it has not been swept meanwhile."""
        for rows, before in zip(_parts(work.d2), self.before, strict=True):
            at, part = self.nodes[rows], work.d2[rows]
            now = part[at]
            part[at] = np.where(now < self._lower(before), now, before)


def _parts(d2: NDArray[np.float32]) -> list[slice]:
    """Rows of a map, so many at a time as stay in a processor's own memory."""
    return [slice(first, first + ROWS) for first in range(0, len(d2), ROWS)]


def _as_wide_as_it_is(work: Clearing, d2: NDArray[np.float32], piece: Piece) -> NDArray[np.float64]:
    """Arcs of the whole cutter on a walk planned for the radius over its tip; swept on ``d2``."""
    f, r = work.frame, work.rules.radius
    points, arcs = piece.points, piece.arcs.copy()
    k.widen(d2, f.x0, f.y0, f.hd, r, work.rules.step, work.circle, np.ascontiguousarray(points), arcs)
    return arcs


def _off_whole(work: Clearing, level: Level) -> NDArray[np.float32]:
    """Signed distance of the level, less what stands too near to ground in reach that was left whole."""
    if not work.start(level):
        return level.sd
    from scipy.ndimage import binary_propagation, uniform_filter

    f, square = work.frame, np.ones((3, 3), bool)
    core = uniform_filter(work.mat * np.float32(9.0), size=3) > 8.5  # no film on a wall
    if not core.any():
        return level.sd
    whole = binary_propagation(core, structure=square, mask=work.mat > 0)
    away = distances.away(~whole) * f.hb - (work.rules.radius + 1.5 * f.hb)
    ny, nx = level.sd.shape
    fine = np.repeat(np.repeat(away.astype(np.float32), 2, axis=0), 2, axis=1)[:ny, :nx]
    return np.asarray(np.minimum(level.sd, fine), dtype=np.float32)
