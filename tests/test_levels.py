"""Levels: fewest deep cuts, flats met, stairs capped."""

import itertools
import math

import pytest

from zrough import levels


def chosen(bands):
    return [b.primary.z for b in bands]


@pytest.mark.parametrize("flats", [(), (-4.0,), (-4.0, -11.5), (-3.0, -9.0, -10.0, -17.0)])
@pytest.mark.parametrize("depth", [6.0, 12.0])
def test_gaps_stay_within_the_depth_and_flats_are_levels(flats, depth):
    bands = levels.choose(0.0, -20.0, flats, depth, 1.2, lambda z, above: 1.0)
    primaries = [0.0, *chosen(bands)]
    assert all(a - b <= depth + 1e-9 for a, b in itertools.pairwise(primaries))
    assert primaries[-1] == -20.0
    every = [v.z for b in bands for v in b.levels]
    assert all(any(abs(z - f) < 1e-9 for z in every) for f in flats)
    ordered = sorted([0.0, *every], reverse=True)
    assert all(a - b <= 1.2 + 1e-9 for a, b in itertools.pairwise(ordered))


def test_few_levels_are_as_few_as_can_be():
    """Equal costs: the least number of gaps of at most 7 over 20 is 3, whatever the method."""
    assert len(levels.choose(0.0, -20.0, (), 7.0, 0.0, lambda z, above: 1.0)) == math.ceil(20 / 7)


def test_the_cheapest_chain_is_found():
    """Against every subset of the candidates (brute force)."""
    flats, depth = (-3.0, -8.0, -13.0), 9.0

    def cost(z, above):
        return 1.0 + 0.3 * abs(z) + 0.02 * (above - z) ** 2 + (2.0 if abs(z + 8.0) < 1e-9 else 0.0)

    def ledge(z, below, above):
        return 0.1 * abs(z) + 0.05 * (z - below) * (above - z)

    def total(chain):
        price = sum(cost(z, above) for above, z in itertools.pairwise(chain))
        for above, z in itertools.pairwise(chain):
            between = sorted(f for f in flats if z < f < above)
            price += sum(ledge(f, below, above) for below, f in itertools.pairwise([z, *between]))
        return price

    heights = levels._candidates(0.0, -18.0, sorted(flats, reverse=True), depth)
    best = math.inf
    inner = heights[1:-1]
    for n in range(len(inner) + 1):
        for pick in itertools.combinations(inner, n):
            chain = [heights[0], *pick, heights[-1]]
            if all(a - b <= depth + 1e-9 for a, b in itertools.pairwise(chain)):
                best = min(best, total(chain))
    got = chosen(levels.choose(0.0, -18.0, flats, depth, 0.0, cost, ledge))
    assert total([0.0, *got]) == pytest.approx(best)


def test_every_depth_that_costs_are_asked_for_is_told_before():
    told: list[float] = []
    asked: list[float] = []

    def cost(z, above):
        asked.append(above - z)
        return 1.0

    levels.choose(0.0, -20.0, (-3.0, -7.5, -11.0), 7.0, 0.0, cost, expect=told.extend)
    assert asked
    assert set(asked) <= set(told)
    assert max(told) <= 7.0 * (1.0 + 1e-9)


def test_climb_levels_go_bottom_up_and_none_without_a_stair_limit():
    bands = levels.choose(0.0, -12.0, (), 12.0, 2.0, lambda z, above: 1.0)
    heights = [v.z for v in bands[0].levels]
    assert heights[0] == -12.0
    assert heights[1:] == sorted(heights[1:])
    assert len(levels.choose(0.0, -12.0, (), 12.0, 0.0, lambda z, above: 1.0)[0].levels) == 1


def test_a_low_last_level_is_chosen_where_the_ground_narrows_to_a_point():
    """A bowl 43 mm deep whose ground at depth d has the area 43 - d, 14 mm a level: four levels are needed.

    Full steps leave 43 + 29 + 15 + 1 = 88 to be cleared; even ones 43 (3/4 + 1/2 + 1/4 + 0) + 43 = 107.5,
    counted at the top of what each level cuts.
    """
    bands = levels.choose(0.0, -43.0, [], 14.0, 0.0, lambda z, above: 43.0 + above)
    assert [band.primary.z for band in bands] == pytest.approx([-14.0, -28.0, -42.0, -43.0])
    same = levels.choose(0.0, -43.0, [], 14.0, 0.0, lambda z, above: 1000.0 + (above - z) ** 2)
    assert [band.primary.z for band in same] == pytest.approx([-10.75, -21.5, -32.25, -43.0])
