"""Arcs from wall to wall in narrow channels: their step, and channels of any room, turn and bend.

Steps are checked against shapely's circles, channels by the replay of `regions`, which shares nothing with
the engine. That a slot is cut in arcs where its full width would overload the cutter is common practice.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from regions import Region, clear, level, replay, rules, standing_at_jumps, staying
from shapely import LineString, Polygon, affinity
from shapely.geometry import Point, box

from zrough import crescents
from zrough.kernels import march
from zrough.pieces import leading_half
from zrough.rings import Clearing

RADIUS, CAP = 10.0, 55.0
SPARE_DEG = 1.0  # over the cap, on an independent replay
TAU = 0.03  # mm: the deepest cusp that the engine is told to leave on a wall
WHOLE = 0.002  # share of an area
LONGEST = 4.5  # of the least cutting length: all feed path in a channel. Walks along walls took up to 7


def worst_arc(radius, loop, step):
    """Largest arc in material, deg, of an arc from wall to wall ``step`` beyond the last; by shapely."""
    strip = box(-4 * radius, -loop, 0, loop).union(Point(0, 0).buffer(loop, quad_segs=256))
    swept = strip.buffer(radius, quad_segs=512)
    channel = box(-9 * radius, -radius - loop, 9 * radius, radius + loop)
    turn = np.radians(np.arange(-180.0, 91.0, 1.5))
    path = np.stack([step + loop * np.cos(turn), loop * np.sin(turn)], axis=1)
    worst = 0.0
    for n in range(2, len(turn)):
        ahead = turn[n] + np.radians(np.linspace(0.0, 180.0, 361))  # from the path's right on
        rim = LineString(path[n] + radius * np.stack([np.cos(ahead), np.sin(ahead)], axis=1))
        cleared = swept.union(LineString(path[:n]).buffer(radius, quad_segs=512))
        bare = rim.intersection(channel).difference(cleared)
        worst = max(worst, math.degrees(bare.length / radius))
    return worst


@pytest.mark.parametrize(("loop", "cap"), [(0.06, 55.0), (0.12, 40.0), (0.3, 70.0)])
def test_the_advance_is_what_the_cap_lets_equal_arcs_be_apart(loop, cap):
    step = crescents.advance(RADIUS, loop * RADIUS, math.radians(cap))
    assert worst_arc(RADIUS, loop * RADIUS, step) == pytest.approx(cap, abs=2.0)
    assert worst_arc(RADIUS, loop * RADIUS, 1.15 * step) > cap


def measured(region, **changes):
    """Cleared share of what the cutter can reach, degrees over the cap, feed path over the least length."""
    pieces, work, _ = clear(region, TAU, **changes)
    done = replay(region, pieces)
    assert standing_at_jumps(region, pieces, done, 0.01 * region.radius) < 0.001 * region.radius**2
    assert shapely.distance(region.centres, shapely.points(done.points)).max() < 0.002
    stays, _ = staying(region.swept(region.centres), region, done, 0.02 * region.radius, TAU)
    length = sum(done.lengths(pieces)) / region.floor_length
    return 1.0 - stays, done.arc_deg.max() - region.cap_deg, length, work.left, pieces


def straight(room, turn, radius=RADIUS):
    half, size = radius + 0.5 * room, 2.0 * radius
    strip = affinity.rotate(box(-9 * size, -half, 9 * size, half), turn, origin=(0, 0))
    return Region(strip.intersection(box(-3 * size, -3 * size, 3 * size, 3 * size)),
                  (-size, -size, size, size), radius, CAP)  # fmt: skip


@pytest.mark.compiled
@pytest.mark.parametrize("turn", [0.0, 17.0, 45.0])
@pytest.mark.parametrize("room", [0.12, 0.14, 0.18, 0.24])
def test_an_open_channel_is_cleared_wherever_the_grid_falls(room, turn):
    """Rooms in radii: from 1.06 D on. Half of these were given up at a quarter of their length."""
    share, over, length, left, _ = measured(straight(room * RADIUS, turn))
    assert share > 1.0 - WHOLE
    assert over <= SPARE_DEG
    assert length < LONGEST
    assert sum(patch.area for patch in left) < WHOLE * 16 * RADIUS**2


@pytest.mark.compiled
@pytest.mark.parametrize("direction", ["conventional", "both"])
def test_either_hand(direction):
    share, *_ = measured_share(straight(0.14 * RADIUS, 17.0), direction)
    assert share > 1.0 - WHOLE


def measured_share(region, direction):
    """As the first of `measured`: a replay of climb arcs says nothing of the other hand."""
    pieces, *_ = clear(region, direction=direction)
    assert max(piece.arcs.max() for piece in pieces) <= math.radians(CAP)
    stays, _ = staying(region.swept(region.centres), region, replay(region, pieces), 0.02 * RADIUS, TAU)
    return 1.0 - stays, pieces


@pytest.mark.compiled
@pytest.mark.parametrize("room", [1.2, 1.8])
def test_round_a_bend(room):
    """Half a turn round 4 radii, open at both ends."""
    t = np.linspace(0.0, math.pi, 181)
    middle = 4.0 * RADIUS * np.stack([np.cos(t), np.sin(t)], axis=1)
    line = LineString(np.concatenate([[(40.0, -40.0)], middle, [(-40.0, -40.0)]]))
    free = line.buffer(RADIUS + 0.5 * room, cap_style="flat", quad_segs=64).union(box(-70, -70, 70, -21))
    share, over, length, _, _ = measured(Region(free, (-70.0, -20.0, 70.0, 60.0), RADIUS, CAP))
    assert share > 1.0 - WHOLE
    assert over <= SPARE_DEG
    assert length < LONGEST


@pytest.mark.compiled
def test_a_dead_end_off_a_pocket():
    room, end = 1.4, 40.0
    half = RADIUS + 0.5 * room
    free = box(-40, -30, 0, 30).union(box(-1, -half, end, half))
    region = Region(free, None, RADIUS, CAP)
    pieces, *_ = clear(region)
    done = replay(region, pieces)
    assert done.arc_deg.max() <= CAP + SPARE_DEG
    # the middle of the dead end is reached to a bend's worth
    assert done.points[:, 0].max() > end - RADIUS - 0.05 * RADIUS


@pytest.mark.compiled
def test_a_neck_between_a_wall_and_a_round_pad_is_walked_through():
    """No bend has room in the neck. Walks from either end give up there; cusps stay on both walls."""
    size, pad, room = 4.0 * RADIUS, 2.0 * RADIUS, 0.05
    middle = (2.0 + room) * RADIUS + pad
    part = box(0, -2 * size, 3 * size, 2 * size).difference(Point(middle, 0).buffer(pad, quad_segs=256))
    region = Region(part, (0, -size, middle, size), RADIUS, CAP)
    neck = box(0, -0.3 * RADIUS, (2.0 + room) * RADIUS, 0.3 * RADIUS)
    within = region.swept(region.centres).intersection(neck)

    def kept(pieces):
        lines = [LineString(piece.points).buffer(RADIUS) for piece in pieces if len(piece.points) > 1]
        return within.difference(shapely.union_all(lines)).buffer(-TAU).area

    pieces, work, _ = clear(region, TAU, heights=(0.0, 1.0), stair_height=1.5)
    assert kept(pieces) > 0.0  # what stands there to the next level is no taller than a stair may be
    work.heights = 1.0, 2.0
    pieces += work.run(level(region)[1], None, TAU, walls_first=True)
    done = replay(region, pieces)
    assert done.arc_deg.max() - region.cap_deg <= SPARE_DEG
    assert shapely.distance(region.centres, shapely.points(done.points)).max() < 0.002
    assert kept(pieces) == 0.0
    assert not work.left
    at_once = clear(region, TAU, stair_height=1.5)[0]
    assert kept(at_once) == 0.0


@pytest.mark.compiled
def test_a_channel_that_no_arc_fits_in_is_listed_with_its_width():
    """Half the room is less than the tightest bend, 0.04 of the radius."""
    room = 0.06 * RADIUS
    region = straight(room, 17.0)
    pieces, work, _ = clear(region, TAU)
    assert not pieces or replay(region, pieces).arc_deg.max() <= CAP + SPARE_DEG
    assert work.left
    assert min(patch.width for patch in work.left) == pytest.approx(2 * RADIUS + room, abs=0.05 * RADIUS)
    reach = 6.0 * RADIUS * 2.0 * RADIUS
    assert sum(patch.area for patch in work.left) > 0.2 * reach


@pytest.mark.compiled
def test_arcs_bend_no_tighter_than_the_job_says():
    """By the circle through three points of every walk; a chord of four degrees is 0.06 % short of it."""
    least = 0.1 * RADIUS
    region = straight(0.24 * RADIUS, 17.0)
    share, _, _, _, pieces = measured(region, min_path_radius=least)
    assert share > 1.0 - WHOLE
    arcs = [p.points for p in pieces if not p.wall and len(p.points) > 20]
    assert len(arcs) > 40
    for line in arcs:
        a, b, c = line[:-2], line[1:-1], line[2:]
        sides = [np.hypot(*(q - p).T) for p, q in ((a, b), (b, c), (a, c))]
        area = np.abs((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0])
        bent = area > 1e-9
        assert (np.prod(sides, axis=0)[bent] / (2.0 * area[bent])).min() > 0.99 * least


def test_a_channel_is_told_from_a_field_and_from_one_that_is_cut():
    """Two fields joined by a channel, by shapely's opening; a cut one needs no arcs."""
    outline = box(-60, -30, -30, 30).union(box(30, -30, 60, 30)).union(box(-31, -10.7, 31, 10.7))
    region = Region(outline, None, RADIUS, CAP)
    frame, ground, d2 = level(region)
    work = Clearing(frame, d2, rules(region))
    found = crescents.Narrow.of(work, ground)
    assert found is not None
    assert len(found.boxes) == 1
    half = crescents.FIRST * RADIUS
    opened = region.centres.buffer(-half, quad_segs=64).buffer(half, quad_segs=64)
    neck = max(shapely.get_parts(region.centres.difference(opened)), key=lambda part: part.area)
    assert isinstance(neck, Polygon)
    np.testing.assert_allclose(found.boxes[0], neck.bounds, atol=3.0 * frame.h)
    shut = ground.sd - found.without.sd > 0.0
    x, y = np.meshgrid(frame.x0 + frame.h * np.arange(frame.nx), frame.y0 + frame.h * np.arange(frame.ny))
    assert shut[shapely.contains_xy(neck.buffer(-0.5 * frame.h), x, y)].all()
    work.d2[:] = 0.0
    assert crescents.Narrow.of(work, ground) is None


def test_a_given_walk_is_swept_step_by_step_and_stops_at_the_limit():
    """On a straight front: a bite w takes the arc acos(1 - w / R)."""
    radius, pitch, bite = 3.0, 0.25, 0.5
    _, y = np.meshgrid(pitch * np.arange(61), pitch * np.arange(41))
    d2 = (np.maximum(y - 2.0, 0.0) ** 2).astype(np.float32)  # centres went along y = 2
    x = np.arange(3.0, 11.0, 0.1)
    walk = np.stack([x, np.full(len(x), 2.0 + bite)], axis=1)
    arcs = np.zeros(len(walk))
    expected = math.acos(1.0 - bite / radius)
    done = march.follow(d2.copy(), 0.0, 0.0, pitch, radius, 0.0, 3.0, leading_half(1), walk, arcs)
    assert done == len(walk)
    assert arcs[0] == 0.0
    np.testing.assert_allclose(arcs[5:], expected, atol=math.radians(1.0))
    steep = walk + np.stack([np.zeros(len(x)), 0.3 * (x - 3.0)], axis=1)
    after = d2.copy()
    done = march.follow(after, 0.0, 0.0, pitch, radius, 0.0, 1.2 * expected, leading_half(1), steep, arcs)
    assert 0 < done < len(steep)
    assert arcs[done] > 1.2 * expected >= arcs[:done].max()
    swept = np.hypot(*(np.stack(np.meshgrid(pitch * np.arange(61), pitch * np.arange(41)), -1)
                       - steep[done - 1]).transpose(2, 0, 1))  # fmt: skip
    assert (after[swept < radius] <= radius**2).all()
    beyond = np.hypot(x[done:, None, None] - pitch * np.arange(61), steep[done:, 1, None, None]
                      - pitch * np.arange(41)[:, None]).min(axis=0) < radius  # fmt: skip
    ahead = beyond & (swept > radius + 3.0 * pitch) & (d2 > radius**2)
    assert ahead.any()
    assert (after[ahead & (np.arange(61) * pitch > steep[done, 0] + radius)] > radius**2).all()
