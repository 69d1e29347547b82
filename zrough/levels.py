"""Which Z levels, and why: few deep primary levels, and climb levels that cap the stairs between them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

SAME = 1e-6  # mm: heights closer than this are one level


@dataclass
class Level:
    """One height at which the cutter clears ground; the planner fills in what it cost.

    ``z`` tip height; ``top`` height of the material it meets (the primary level above, or the stock's top);
    ``kind`` "primary" or "climb"; ``reason`` in words; ``band`` index of its primary level.
    ``area_mm2`` ground cleared, ``removed_mm3`` = area x height met, ``cut_mm`` path in material, ``link_mm``
    path out of it, ``wall_mm`` length of wall traced, ``pieces`` walks, ``time_s`` model time.
    ``cutter`` place of its cutter in the job.
    """

    z: float
    top: float
    kind: str
    reason: str
    band: int
    area_mm2: float = 0.0
    removed_mm3: float = 0.0
    cut_mm: float = 0.0
    link_mm: float = 0.0
    wall_mm: float = 0.0
    pieces: int = 0
    time_s: float = 0.0
    cutter: int = 0


@dataclass
class Band:
    """A primary level and the climb levels cut after it, bottom up."""

    primary: Level
    climbs: list[Level] = field(default_factory=list)

    @property
    def levels(self) -> list[Level]:
        """In cutting order."""
        return [self.primary, *self.climbs]


def choose(
    top: float,
    floor: float,
    flats: Sequence[float],
    depth: float,
    stair: float,
    cost: Callable[[float], float],
    before: Sequence[float] = (),
) -> list[Band]:
    """Bands from the stock's top down to ``floor``, mm.

    Parameters
    ----------
    flats : tip heights of the flats (allowance added); each becomes a level.
    depth : largest gap between primary levels.
    stair : largest gap between neighbouring levels of any kind; 0 = no climb levels but flats.
    cost : cost of a primary level at a height, in any unit (path to clear it); the sum is minimised.
    before : heights that an earlier cutter cut at. They become levels again: on walls that both cutters
        reach, the stairs then stand where they stood, and nothing thin is cut twice.
    """
    inner = sorted({z for z in flats if floor + SAME < z < top - SAME}, reverse=True)
    known = [z for z in before if floor + SAME < z < top - SAME and all(abs(z - f) > SAME for f in inner)]
    heights = _candidates(top, floor, inner, depth)
    if known:
        inner = sorted({*inner, *known}, reverse=True)
        heights = [top, *inner, floor]
        between = [h for high, low in pairwise(heights) for h in _split(low, high, depth)]
        heights = sorted([*heights, *between], reverse=True)
    chain = _cheapest(heights, depth, cost)
    bands = []
    for number, (above, z) in enumerate(pairwise(chain)):
        primary = Level(z, above, "primary", _why(z, floor, flats, known), number)
        band = Band(primary)
        between = [f for f in inner if z + SAME < f < above - SAME]
        for low, high in zip([z, *reversed(between)], [*reversed(between), above], strict=True):
            if low != z:
                band.climbs.append(Level(low, above, "climb", _why(low, floor, flats, known), number))
            band.climbs += [
                Level(h, above, "climb", "caps the stair", number) for h in _split(low, high, stair)
            ]
        bands.append(band)
    return bands


def _why(z: float, floor: float, flats: Sequence[float], before: Sequence[float]) -> str:
    if any(abs(z - f) < SAME for f in flats):
        return "flat"
    if abs(z - floor) < SAME:
        return "lowest level"
    return "level of the cutter before" if z in before else "even split"


def _split(low: float, high: float, gap: float) -> list[float]:
    """Heights that split ``low..high`` evenly into steps of at most ``gap``, ends left out."""
    if gap <= 0.0:
        return []
    n = max(1, math.ceil((high - low) / gap - 1e-9))
    return [low + (high - low) * i / n for i in range(1, n)]


def _candidates(top: float, floor: float, inner: Sequence[float], depth: float) -> list[float]:
    """Heights a primary level may take: flats, and even splits between any two of top, flats and floor."""
    anchors = [top, *inner, floor]
    found = set(anchors)
    for i, high in enumerate(anchors):
        for low in anchors[i + 1 :]:
            found.update(_split(low, high, depth))
    # a split next to a flat would clear the same ground twice
    close = 0.05 * depth
    found = {z for z in found if z in anchors or all(abs(z - a) > close for a in anchors)}
    merged: list[float] = []
    for z in sorted(found, reverse=True):
        if not merged or merged[-1] - z > SAME:
            merged.append(z)
        elif z in anchors:
            merged[-1] = z
    return merged


def _cheapest(heights: Sequence[float], depth: float, cost: Callable[[float], float]) -> list[float]:
    """Chain of heights from first to last with gaps of at most ``depth`` and least total cost."""
    n = len(heights)
    price = [0.0, *(cost(z) for z in heights[1:])]
    best = [math.inf] * n
    best[0] = 0.0
    back = [0] * n
    for i in range(1, n):
        for j in range(i):
            if heights[j] - heights[i] <= depth * (1.0 + 1e-9) and best[j] + price[i] < best[i] - 1e-12:
                best[i] = best[j] + price[i]
                back[i] = j
    chain = [n - 1]
    while chain[-1]:
        chain.append(back[chain[-1]])
    return [heights[i] for i in reversed(chain)]
