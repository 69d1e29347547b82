"""Points of walks near a place: which of many long walks come by, without asking all of their points."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

CHUNK = 128  # points that share a box
HAIR = 1e-9  # of the reach, for the rounding of a box's ends

Points = NDArray[np.float64]


class Trail:
    """Follows a list of walks while it grows; walks already in it must not change."""

    def __init__(self) -> None:
        self._of: Sequence[Any] | None = None
        self._count = 0
        self._parts: list[Points] = []
        self._boxes = np.zeros((4, 0))  # x0, y0, x1, y1 of each part, mm

    def follow(self, walks: Sequence[Any]) -> Trail:
        """Take in what has been added to ``walks``: points (n, 2), or pieces with ``points``."""
        if walks is not self._of or len(walks) < self._count:
            self._of, self._count, self._parts, self._boxes = walks, 0, [], np.zeros((4, 0))
        self._take(walks[self._count :])
        self._count = len(walks)
        return self

    def insert(self, walks: list[Any], at: int, walk: Any) -> None:
        """Put a walk into the list that is followed, before its end."""
        if walks is self._of:
            self.follow(walks)
            self._take([walk])
            self._count += 1
        walks.insert(at, walk)

    def _take(self, walks: Sequence[Any]) -> None:
        fresh = [
            points[k : k + CHUNK]
            for points in (getattr(walk, "points", walk) for walk in walks)
            for k in range(0, len(points), CHUNK)
        ]
        if fresh:
            boxes = [np.concatenate([part.min(axis=0), part.max(axis=0)]) for part in fresh]
            self._parts += fresh
            self._boxes = np.concatenate([self._boxes, np.transpose(boxes)], axis=1)

    def near(self, p: Points, reach: float) -> Points:
        """Points (n, 2) less than ``reach`` mm from ``p``, the nearest first, then as they were walked."""
        wide = reach * (1.0 + HAIR)
        x0, y0, x1, y1 = self._boxes
        asked = (x0 <= p[0] + wide) & (y0 <= p[1] + wide) & (x1 >= p[0] - wide) & (y1 >= p[1] - wide)
        parts = [self._parts[k] for k in np.flatnonzero(asked).tolist()]
        points = np.concatenate([*parts, np.zeros((0, 2))])
        away = np.hypot(*(points - p).T)
        near = np.flatnonzero(away < reach)
        return np.asarray(points[near[np.argsort(away[near], kind="stable")]])


class Extents:
    """Boxes and ends of the pieces of a list as arrays, while it grows and others come in between.

    Pieces already in it must not change.
    """

    def __init__(self) -> None:
        self._of: Sequence[Any] | None = None
        self._count = 0
        self._rows = np.zeros((64, 4, 2))

    def follow(self, pieces: Sequence[Any]) -> Extents:
        """Take in what has been added to the end of ``pieces``."""
        if pieces is not self._of or len(pieces) < self._count:
            self._of, self._count = pieces, 0
        for piece in pieces[self._count :]:
            self._put(self._count, piece)
        return self

    def insert(self, pieces: Sequence[Any], at: int, piece: Any) -> None:
        """A piece is about to be put into the list that is followed, before its end."""
        if pieces is self._of:
            self.follow(pieces)._put(at, piece)

    def _put(self, at: int, piece: Any) -> None:
        if self._count == len(self._rows):
            self._rows = np.concatenate([self._rows, np.zeros_like(self._rows)])
        self._rows[at + 1 : self._count + 1] = self._rows[at : self._count].copy()
        self._rows[at] = (*piece.box, piece.points[0], piece.points[-1])
        self._count += 1

    @property
    def first(self) -> Points:
        """Where each piece begins (n, 2)."""
        return self._rows[: self._count, 2]

    @property
    def last(self) -> Points:
        """Where each piece ends (n, 2)."""
        return self._rows[: self._count, 3]

    def meet(self, low: Points, high: Points) -> NDArray[np.int64]:
        """Which pieces have a box that meets this one."""
        rows = self._rows[: self._count]
        return np.flatnonzero(((rows[:, 0] <= high) & (rows[:, 1] >= low)).all(axis=1))
