"""Ground hidden from the clearing engine while it walks over ridges elsewhere."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from .rings import Clearing

HIDDEN = 2.0  # nodes inside the edge of cleared ground: where hidden ground is said to lie


@dataclass
class Curtain:
    """Ground outside a zone, said to be cleared for a while, then shown again."""

    hidden: NDArray[np.bool_]
    before: NDArray[np.float32]
    mark: np.float32

    @classmethod
    def draw(cls, work: Clearing, zone: NDArray[np.bool_]) -> Curtain:
        """Hide what stands outside ``zone``; a margin inside the edge, so that no ridge shows at it."""
        f, r = work.frame, work.rules.radius
        ny, nx = f.fine
        shown = np.repeat(np.repeat(zone, 4, axis=0), 4, axis=1)[:ny, :nx]
        mark = np.float32((r - HIDDEN * f.hd) ** 2)
        hidden = ~shown & (work.d2 > mark)
        before = work.d2.copy()
        work.d2[hidden] = mark
        return cls(hidden, before, mark)

    def lift(self, work: Clearing) -> None:
        """Show again what has not been swept meanwhile."""
        np.copyto(work.d2, self.before, where=self.hidden & (work.d2 >= self.mark))

    def behind(self, d2: NDArray[np.float32], rows: slice, cols: slice) -> NDArray[np.float32]:
        """The map in a window as it is without the curtain."""
        out, at = d2[rows, cols].copy(), (rows, cols)
        np.copyto(out, self.before[at], where=self.hidden[at] & (out >= self.mark))
        return out
