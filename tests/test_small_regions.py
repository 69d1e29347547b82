"""The clearing engine on regions a few radii wide and on coarse maps: quick enough for interpreted kernels.

The bars are those of `test_rings_random.py`, as far as a pitch of a tenth of the radius can meet them.
"""

import pytest
import regions
import shapely
from regions import Region, clear, replay
from shapely.geometry import Point, box

RADIUS, CAP, TAU = 3.0, 60.0, 0.1


def rounded(shape):
    """With inner corners a little rounder than the cutter."""
    return shape.buffer(-1.2 * RADIUS, quad_segs=64).buffer(1.2 * RADIUS, quad_segs=64)


POCKET = Region(
    rounded(box(0, 0, 20, 14).difference(Point(13, 7).buffer(1.5))), None, RADIUS, CAP, nodes=10.0
)
OPEN = Region(box(0, 0, 30, 24).difference(box(10, 9, 18, 15)), (4.0, 4.0, 22.0, 20.0), RADIUS, CAP, 10.0)
NECK = Region(  # two chambers and a channel hardly wider than the cutter between them
    rounded(shapely.union_all([box(0, 0, 10, 10), box(9, 1.2, 14, 8.8), box(13, 0, 22, 9)])),
    None,
    RADIUS,
    70.0,
    10.0,
)
CASES = [
    pytest.param(POCKET, "climb", id="pocket with an island"),
    pytest.param(OPEN, "conventional", id="block open all round"),
    pytest.param(NECK, "both", id="two chambers and a neck"),
]


@pytest.mark.parametrize(("region", "direction"), CASES)
def test_cap_centre_and_ground(region, direction):
    """The cap is held, centres stay inside, cuts begin in air, what can be reached is cut."""
    pieces, _, _ = clear(region, TAU, direction=direction)
    done = replay(region, pieces)
    assert done.arc_deg.max() <= region.cap_deg + 1.0
    assert shapely.distance(region.centres, shapely.points(done.points)).max() <= 0.02 * RADIUS
    assert regions.standing_at_jumps(region, pieces, done, 0.02 * RADIUS) <= 0.002 * RADIUS**2
    target, _ = regions.reachable(region, done, 0.2)
    share, where = regions.staying(target, region, done, 0.05 * RADIUS, TAU + 0.5 * region.cell)
    assert share <= 0.002, where
