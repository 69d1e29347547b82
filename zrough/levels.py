"""Which Z levels, and why: few deep primary levels, and climb levels that cap the stairs between them."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

BEFORE = "level of the cutter before"
SAME = 1e-6  # mm: heights closer than this are one level
SPARE = 1.0 + 1e-9

Cost = Callable[[float, float], float]
Between = Callable[[float, float], list[float]]


@dataclass
class Level:
    """One height at which the cutter clears ground; the planner fills in what it cost.

    ``z`` tip height; ``top`` height of the material it meets (the primary level above, or the stock's top);
    ``kind`` "primary" or "climb"; ``reason`` in words; ``band`` index of its primary level; ``floor`` says
    that it leaves a floor (a flat, or the lowest ground), which is made even.
    ``area_mm2`` ground cleared, ``removed_mm3`` = area x height met, ``cut_mm`` path in material, ``link_mm``
    path out of it, ``wall_mm`` length of wall traced, ``pieces`` walks, ``time_s`` model time.
    ``cutter`` place of its cutter in the job.
    """

    z: float
    top: float
    kind: str
    reason: str
    band: int
    floor: bool = False
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
    stair: float | Between,
    cost: Cost,
    ledge: Callable[[float, float, float], float] | None = None,
    before: Sequence[float] = (),
    expect: Callable[[list[float]], None] | None = None,
) -> list[Band]:
    """Bands from the stock's top down to ``floor``, mm: the chain of primary levels that costs least.

    Parameters
    ----------
    flats : tip heights of the flats (allowance added); each becomes a level.
    depth : largest gap between primary levels.
    stair : largest gap between neighbouring levels of any kind; 0 = no climb levels but flats. Or a function
        of a band's lower and upper end that gives the heights of climb levels between them, bottom up.
    cost : of a primary level at the first height cut from the second one down, in any unit.
    ledge : of a flat cut as a climb level, from its height, that of the level below, and the band's upper
        end.
    before : heights that an earlier cutter cut at. They become levels again: on walls that both cutters
        reach, the stairs then stand where they stood, and nothing thin is cut twice.

    expect : is told all depths, mm, that costs may be asked for, before any is.

    Every gap of primary levels is at most ``depth``; the sum of costs is the least over all chains of the
    candidate heights (see `_candidates`), found by dynamic programming.
    """
    inner = sorted({z for z in flats if floor + SAME < z < top - SAME}, reverse=True)
    known = [z for z in before if floor + SAME < z < top - SAME and all(abs(z - f) > SAME for f in inner)]
    heights = _candidates(top, floor, inner, depth)
    if known:
        kept = [top, *sorted({*inner, *known}, reverse=True), floor]
        heights = sorted([*kept, *(h for a, b in pairwise(kept) for h in split(b, a, depth))], reverse=True)
    if expect is not None:
        expect([a - z for k, z in enumerate(heights) for a in heights[:k] if a - z <= depth * SPARE])
    chain = _cheapest(heights, depth, cost, inner, ledge)
    between: Between = stair if callable(stair) else lambda low, high: split(low, high, stair)
    bands = []
    for number, (above, z) in enumerate(pairwise(chain)):
        flat = any(abs(z - f) < SAME for f in flats)
        lowest = abs(z - floor) < SAME
        reason = BEFORE if z in known else _why(z, above, flat, lowest, depth)
        band = Band(Level(z, above, "primary", reason, number, flat or lowest))
        own = sorted(f for f in inner if z + SAME < f < above - SAME)
        again = sorted(h for h in known if z + SAME < h < above - SAME)
        marks = sorted([*own, *again])
        band.climbs = [
            Level(h, above, "climb", _why_climb(h, own, again), number, h in own)
            for h in _climbs(z, above, marks, between)
        ]
        bands.append(band)
    return bands


def _climbs(low: float, high: float, flats: Sequence[float], between: Between) -> list[float]:
    """Heights of climb levels in a band, bottom up.

    Steps from end to end of the band, for walls that pass all its flats, and steps between neighbouring
    flats, for walls that end on one; where both are at hand each wall gets by with the fewest (see
    `climbs.trim`).
    """
    found = list(flats)
    ends = [(low, high)] if not flats else [(low, high), *pairwise([low, *flats, high])]
    for a, b in ends:
        found += [h for h in between(a, b) if all(abs(h - f) > SAME for f in found)]
    return sorted(found)


def _why_climb(z: float, flats: Sequence[float], before: Sequence[float]) -> str:
    return "flat" if z in flats else BEFORE if z in before else "caps the stair"


def _why(z: float, above: float, flat: bool, lowest: bool, depth: float) -> str:
    if flat:
        return "flat, and the lowest level" if lowest else "flat"
    if lowest:
        return "lowest level"
    return f"even split: {above - z:.2f} mm deep, {depth:.2f} mm allowed"


def split(low: float, high: float, gap: float) -> list[float]:
    """Heights that split ``low..high`` evenly into steps of at most ``gap``, ends left out; mm."""
    if gap <= 0.0:
        return []
    n = max(1, math.ceil((high - low) / gap - 1e-9))
    return [low + (high - low) * i / n for i in range(1, n)]


def _candidates(top: float, floor: float, inner: Sequence[float], depth: float) -> list[float]:
    """Heights a primary level may take: flats, and even splits between any two of top, flats and floor.

    And full steps down from each of these: where the ground narrows toward the floor, a low last level costs
    less than even ones.
    """
    anchors = [top, *inner, floor]
    found = set(anchors)
    for i, high in enumerate(anchors):
        for low in anchors[i + 1 :]:
            found.update(split(low, high, depth))
        found.update(high - k * depth for k in range(1, math.ceil((high - floor) / depth)))
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


def _cheapest(
    heights: Sequence[float],
    depth: float,
    cost: Cost,
    flats: Sequence[float] = (),
    ledge: Callable[[float, float, float], float] | None = None,
) -> list[float]:
    """Chain of heights from first to last with gaps of at most ``depth`` and least total cost."""
    n = len(heights)
    best = [math.inf] * n
    best[0] = 0.0
    back = [0] * n
    for i in range(1, n):
        for j in range(i):
            if heights[j] - heights[i] > depth * SPARE:
                continue
            price = best[j] + cost(heights[i], heights[j])
            if ledge is not None and price < best[i]:
                price += _ledges(heights[i], heights[j], flats, ledge)
            if price < best[i] - 1e-12:
                best[i] = price
                back[i] = j
    chain = [n - 1]
    while chain[-1]:
        chain.append(back[chain[-1]])
    return [heights[i] for i in reversed(chain)]


def _ledges(
    low: float, high: float, flats: Sequence[float], ledge: Callable[[float, float, float], float]
) -> float:
    """Cost of all flats between two primary levels, cut on the way up."""
    between = sorted(f for f in flats if low + SAME < f < high - SAME)
    return sum(ledge(f, below, high) for below, f in pairwise([low, *between]))
