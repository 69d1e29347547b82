"""The clearing engine on random regions and against closed forms; the replay shares nothing with it."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
import regions
import shapely
from regions import Region, clear, random_region, replay
from scipy.spatial import cKDTree
from shapely.geometry import Point, box

pytestmark = pytest.mark.compiled

SPARE_DEG = 1.0  # over the cap, on an independent replay
TAU = 0.03  # mm: the deepest cusp that the engine is told to leave on a wall
OUTSIDE = 0.002  # mm a centre may be outside the admissible area
WHOLE = 0.002  # share of an area
NARROW = 0.2  # of the radius: where the centre's room is less on either side, the channel is a slot


def lengths(pieces):
    """Cutting, air and way lengths, mm."""
    step = np.concatenate([np.hypot(*np.diff(p.points, axis=0).T) for p in pieces])
    arcs = np.concatenate([p.arcs[1:] for p in pieces])
    ways = sum(np.hypot(*np.diff(p.way, axis=0).T).sum() for p in pieces if p.way is not None)
    return step[arcs > 0].sum(), step[arcs <= 0].sum(), ways


def judge(seed):
    """Measures of one random region: a dict."""
    region = random_region(seed)
    radius = region.radius
    pieces, work, refused = clear(region, TAU)
    if not pieces:
        return {"seed": seed, "refused": len(refused)}
    done = replay(region, pieces)
    target, left_out = regions.reachable(region, done, NARROW * radius)
    whole = not left_out and target.area >= 0.95 * region.swept(region.centres).area
    cut, air, ways = lengths(pieces)
    return {
        "seed": seed,
        "open": region.stock is not None,
        "over": done.arc_deg.max() - region.cap_deg,
        "outside": shapely.distance(region.centres, shapely.points(done.points)).max(),
        "landing": regions.standing_at_jumps(region, pieces, done, 0.01 * radius) / radius**2,
        "map": map_error(region, work, done),
        "stays": regions.staying(target, region, done, 0.03 * radius, TAU)[0],
        "cut": cut / region.floor_length if whole else math.nan,
        "time": (cut + (air + ways) / 3) / region.floor_length if whole else math.nan,
    }


def map_error(region, work, done):
    """Share of the cut ground on which the engine's map and the union of the cutter's discs differ."""
    frame, radius = work.frame, region.radius
    x, y = frame.x0 + frame.hd * np.arange(frame.fine[1]), frame.y0 + frame.hd * np.arange(frame.fine[0])
    nodes = np.stack(np.meshgrid(x, y), axis=-1)[::2, ::2].reshape(-1, 2)
    told = (work.d2[::2, ::2] <= radius**2).ravel()
    if region.stock is not None:
        a, b, c, d = region.stock
        inside = (nodes[:, 0] > a) & (nodes[:, 1] > b) & (nodes[:, 0] < c) & (nodes[:, 1] < d)
        nodes, told = nodes[inside], told[inside]
    away, _ = cKDTree(done.points).query(nodes, distance_upper_bound=1.01 * radius)
    swept = away <= radius
    return np.count_nonzero(told != swept) / np.count_nonzero(swept)


def hold(found):
    """The bars that every region has to meet."""
    if "over" not in found:
        assert found["refused"], found
        return
    assert found["over"] <= SPARE_DEG, found
    assert found["outside"] <= OUTSIDE, found
    assert found["landing"] <= 0.001, found
    assert found["map"] <= WHOLE, found
    assert found["stays"] <= WHOLE, found


@pytest.mark.parametrize("seed", range(8))
def test_random_region(seed):
    """Cap held, centre inside, comes down in air only, the map tells the truth, what can be cut is cut."""
    hold(judge(seed))


@pytest.mark.slow
def test_hundred_random_regions():
    """Every bar on every region; cutting length and time of closed pockets against the floor the cap sets."""
    found = [judge(seed) for seed in range(100)]
    for one in found:
        hold(one)
    closed = np.array([[f["cut"], f["time"]] for f in found if "cut" in f and not f["open"]])
    closed = closed[np.isfinite(closed[:, 0])]
    assert len(closed) >= 20
    assert np.median(closed[:, 0]) <= 1.12
    assert np.median(closed[:, 1]) <= 1.38


# -- closed forms ---------------------------------------------------------------------------------


def step_of(arc, curvature, radius):
    """Step at which a path of this curvature round cleared ground has this arc, from two circles that meet.

    Derived, no published source.
    """
    bent = 1 + curvature * radius
    return (bent - math.sqrt(bent**2 - 2 * curvature * radius * (1 - math.cos(arc)))) / curvature


def test_step_law_reproduces_two_circles():
    """The law against the angle of the crossing of the circles, found by bisection."""
    r, ring, s = 6.0, 20.0, 2.5
    cleared = ring - s + r  # radius of the ground cleared by the ring before
    low, high = 0.0, math.pi
    for _ in range(60):
        mid = 0.5 * (low + high)
        # point of the new circle at ``mid`` from the outward direction
        stands = math.hypot(ring + r * math.cos(mid), r * math.sin(mid)) > cleared
        low, high = (mid, high) if stands else (low, mid)
    assert step_of(low, 1 / ring, r) == pytest.approx(s, abs=1e-9)


@pytest.fixture(scope="module")
def round_pocket():
    region = Region(Point(0, 0).buffer(60.0, quad_segs=256), None, 6.0, 60.0)
    return region, clear(region)[0]


def test_ring_step_follows_the_law_in_a_round_pocket(round_pocket):
    """Every point of the spiral with the replay's arcs, not the engine's.

    The law is for rings about one centre: the spiral is round enough from three cutter radii on, and the wall
    bounds its last turns.
    """
    region, pieces = round_pocket
    done = replay(region, pieces[:1])
    walk = done.kind == 1
    xy, arcs = done.points[walk], np.radians(done.arc_deg[walk])
    turned = np.unwrap(np.arctan2(xy[:, 1], xy[:, 0]))
    turned -= turned[0]
    rho = np.hypot(*xy.T)
    late = (rho > 3 * region.radius) & (rho < 50.0)
    assert late.sum() > 1000
    step = rho[late] - np.interp(turned[late] - 2 * math.pi, turned, rho)
    law = np.array([step_of(a, 1 / r, region.radius) for a, r in zip(arcs[late], rho[late], strict=True)])
    assert np.abs(step / law - 1).max() <= 0.02


@pytest.mark.parametrize(("direction", "side"), [("climb", -1), ("conventional", 1)])
def test_material_stands_on_the_side_asked_for(direction, side):
    """Beside the cutter, hardly ahead of it, material stands on one side and not on the other."""
    region = random_region(4)
    pieces, _, _ = clear(region, TAU, direction=direction)
    done = replay(region, pieces)
    deep = np.flatnonzero((done.arc_deg > 30) & (done.kind == 1))[::40]
    assert len(deep) > 50
    stands = {-1: 0, 1: 0}
    for k in deep:
        ahead = done.points[k] - done.points[k - 1]
        ahead /= math.hypot(*ahead)
        left = np.array([-ahead[1], ahead[0]])
        for which in stands:
            probe = done.points[k] + region.radius * (math.sin(0.15) * ahead + which * math.cos(0.15) * left)
            stands[which] += cKDTree(done.points[:k]).query(probe)[0] > region.radius
    assert stands[side] >= 0.9 * len(deep)
    assert stands[-side] <= 0.1 * len(deep)


@pytest.mark.parametrize(
    ("percent", "degrees"), [(40, 78.46), (30, 66.42), (20, 53.13), (10, 36.87), (5, 25.84), (4, 23.07)]
)
def test_side_cut_engagement_table(percent, degrees):
    """Engagement over radial width: WIDIA trochoidal milling catalogue p. 7."""
    radius, length = 6.0, 80.0
    width = percent / 100 * 2 * radius
    region = Region(box(-15, 0, length + 15, width + 15), (0.0, 0.0, length, width), radius, 85.0)
    pieces, work, _ = clear(region, TAU)
    done = replay(region, pieces)
    # the pass along the wall keeps ``eps`` off it
    spare = math.degrees(work.rules.eps / (radius * math.sin(math.radians(degrees))))
    middle = (done.kind == 1) & (np.abs(done.points[:, 0] - length / 2) < length / 5) & (done.arc_deg > 1)
    assert middle.sum() > 100
    assert np.median(done.arc_deg[middle]) == pytest.approx(degrees, abs=0.2 + spare)
    piece = max(pieces, key=lambda p: len(p.points))
    mine = np.abs(piece.points[:, 0] - length / 2) < length / 5
    assert np.degrees(np.median(piece.arcs[mine])) == pytest.approx(degrees, abs=0.2 + spare)


def test_same_region_same_bytes_side_by_side():
    """Once alone and twice at the same time."""

    def bytes_of(_):
        return b"".join(p.points.tobytes() + p.arcs.tobytes() for p in clear(random_region(6))[0])

    with ThreadPoolExecutor(2) as pool:
        results = [bytes_of(0), *pool.map(bytes_of, range(2))]
    assert results[0]
    assert len(set(results)) == 1


@pytest.mark.parametrize("seed", [110, 112, 116])
def test_the_cap_holds_within_the_steps_of_a_sharp_bend(seed):
    """Where a front ends in a corner, the arc rises and falls again within a hundredth of the radius."""
    region = random_region(seed)
    pieces, _, _ = clear(region, TAU)
    done = replay(region, pieces, 0.00625 * region.radius)
    assert done.arc_deg.max() <= region.cap_deg + SPARE_DEG
