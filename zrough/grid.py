"""A regular set of nodes in plan, shared by every map of heights."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Map = NDArray[np.float64]


@dataclass(frozen=True)
class Grid:
    """Nodes at ``x0 + j * cell, y0 + i * cell``; maps on it have shape ``(ny, nx)``, row = y. All mm."""

    x0: float
    y0: float
    cell: float
    nx: int
    ny: int

    @classmethod
    def covering(
        cls, lower: tuple[float, float], upper: tuple[float, float], cell: float, margin: float = 0.0
    ) -> Grid:
        """The smallest grid whose nodes reach over the box ``lower..upper`` grown by ``margin``, mm.

        Nodes fall on whole multiples of ``cell``, so two grids of one cell size share their nodes.
        """
        first = [math.floor((low - margin) / cell) for low in lower]
        last = [math.ceil((high + margin) / cell) for high in upper]
        return cls(first[0] * cell, first[1] * cell, cell, last[0] - first[0] + 1, last[1] - first[1] + 1)

    @property
    def shape(self) -> tuple[int, int]:
        """``(ny, nx)``."""
        return self.ny, self.nx

    @property
    def x(self) -> Map:
        """Node abscissae, shape ``(nx,)``, mm."""
        return np.asarray(self.x0 + self.cell * np.arange(self.nx), dtype=np.float64)

    @property
    def y(self) -> Map:
        """Node ordinates, shape ``(ny,)``, mm."""
        return np.asarray(self.y0 + self.cell * np.arange(self.ny), dtype=np.float64)
