"""What one cutter has swept, kept for the cutters that come after it.

`rings.Clearing` knows for each level how far every node lies from the nearest swept centre. That map, packed,
says where the wall of the cleared ground stands to a few thousandths of a millimetre, which a map of heights
cannot.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .grid import Grid, Map
from .kernels import sweeps
from .pieces import FLAT, Frame

FULL = 32000  # counts of the packed maps up to their limit
TOUCH = 1e-6  # mm: heights closer than this are one level


@dataclass(frozen=True)
class Layer:
    """All that is swept at or below ``z`` by the cutter's own levels of one band."""

    z: float
    packed: bytes


@dataclass
class Swept:
    """Layers of one cutter: for each of its bands, top down, those of the band bottom up.

    ``radius`` and ``corner`` mm; ``frame`` its maps. Ground lies open at a height where a layer at or below
    it has been swept with the radius that the cutter has at that height over its tip.
    """

    frame: Frame
    radius: float
    corner: float
    bands: list[list[Layer]] = field(default_factory=list)

    @property
    def limit(self) -> float:
        """Farthest distance from the edge that a layer tells, mm."""
        return max(4.0 * self.frame.hd, self.corner + 2.0 * self.frame.hd)

    @property
    def heights(self) -> list[float]:
        """Tip heights of all layers."""
        return [layer.z for band in self.bands for layer in band]

    def layer(self, z: float, d2: NDArray[np.float32]) -> Layer:
        """Pack squared distances to the nearest swept centre, (2 ny - 1, 2 nx - 1) mm2."""
        unit = self.limit / FULL
        beyond = np.sqrt(d2)
        beyond -= np.float32(self.radius)
        np.clip(beyond, -self.limit, self.limit, out=beyond)
        beyond *= np.float32(1.0 / unit)
        return Layer(z, zlib.compress(np.rint(beyond).astype(np.int16).tobytes(), 1))

    def reach(self, height: float) -> float:
        """Radius of the cutter ``height`` mm over its tip."""
        return self.radius - _inset(self.corner, height)

    def lay(
        self,
        out: NDArray[np.float32],
        frame: Frame,
        z: float,
        radius: float,
        corner: float,
        near: float,
        lean: bool,
    ) -> None:
        """Open the ground at tip height ``z`` in the swept map ``out`` of another cutter.

        The edge is put where the rim of that cutter, its corner radius counted, first meets the fillet left
        along a wall: at the wall itself if its corner radius is no smaller. ``lean`` looks at the height of
        its full radius alone, and so at what that radius cuts.
        """
        f = self.frame
        for layer in self._at(z, corner if lean else 0.0):
            shift = self._fillet(z - layer.z, corner, lean)
            sweeps.lay(
                self._unpacked(layer),
                self.limit / FULL,
                0.999 * self.limit,
                shift,
                f.x0,
                f.y0,
                f.hd,
                out,
                frame.x0,
                frame.y0,
                frame.hd,
                radius,
                min(near, self.limit - f.hd),
            )

    def _at(self, z: float, corner: float) -> Iterator[Layer]:
        """The layers that say what is open at ``z``: the highest, and those the corner radius asks for."""
        for band in self.bands:
            below = [layer for layer in band if layer.z <= z + TOUCH]
            for layer in reversed(below):
                yield layer
                if z - layer.z + corner >= self.corner - TOUCH:
                    break
            if below:
                return

    def _fillet(self, rise: float, corner: float, lean: bool) -> float:
        """How far inside the full radius another cutter's rim must stay, its tip ``rise`` over this one's."""
        heights = [corner] if lean else np.linspace(0.0, corner, 9).tolist()
        return max(_inset(self.corner, rise + h) - _inset(corner, h) for h in heights)

    def _unpacked(self, layer: Layer) -> NDArray[np.int16]:
        return np.frombuffer(zlib.decompress(layer.packed), np.int16).reshape(self.frame.fine)

    def lower(self, top: Map) -> Map:
        """Heights of what is left of ``top``, (ny, nx) mm on the cutter's own nodes; never too low."""
        f = self.frame
        left = top.copy()
        unit = self.limit / FULL
        for layer in sorted((v for band in self.bands for v in band), key=lambda v: -v.z):
            beyond = self._unpacked(layer)[::2, ::2]
            for height in sorted({FLAT, self.corner}):
                open_ = beyond < (self.reach(height) - self.radius - 0.1 * f.hd) / unit
                rise = 0.0 if height == FLAT else height
                left[open_] = np.minimum(left[open_], layer.z + rise)
        return left

    @property
    def grid(self) -> Grid:
        """Its nodes."""
        f = self.frame
        return Grid(f.x0, f.y0, f.h, f.nx, f.ny)


def _inset(corner: float, height: float) -> float:
    """How far inside its full radius a cutter stays ``height`` over its tip; the flat is `FLAT` high."""
    h = max(height, FLAT)
    return 0.0 if h >= corner else corner - math.sqrt(2.0 * corner * h - h * h)
