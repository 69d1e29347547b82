"""Ground too small or too thin for an ordinary walk: it is cut, seen, or listed; never just forgotten.

The maps are closed forms: where every centre at least ``radius + a`` away from a point was swept, a round
needle of radius ``a`` stands at that point, and nothing else.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from regions import Region, clear, level, replay
from shapely import affinity
from shapely.geometry import Polygon, box

from zrough import ways
from zrough.curtain import Curtain
from zrough.pieces import Frame, Level, Rules
from zrough.rings import NEEDLE, Clearing

RADIUS, CELL = 6.0, 0.2


def rules(corner=0.0):
    cap = math.radians(50.0)
    return Rules(
        radius=RADIUS, corner=corner, cap=cap, margin=0.01, step=0.15, rho=0.36, rho_seek=RADIUS,
        ease_in=0.36, eps=0.003, drop_area=0.02, sliver=0.007, air=1.8,
    )  # fmt: skip


def needle(x, y, a, corner=0.0):
    """A clearing with one needle on otherwise swept ground, and its level: no walls."""
    frame = Frame(-20.0, -20.0, CELL, 201, 201)
    at = frame.x0 + frame.hd * np.arange(frame.fine[1])
    away = np.hypot(at[None, :] - x, at[:, None] - y)
    d2 = (np.maximum(RADIUS + a - away, 0.0) ** 2).astype(np.float32)
    level = Level(np.full((frame.ny, frame.nx), 0.8, np.float32), np.zeros((0, 2)), np.zeros(1, np.int64), [])
    return Clearing(frame, d2, rules(corner)), level


@pytest.mark.parametrize("width", [0.05, 0.08, 0.15])
def test_a_needle_that_stands_free_is_taken_off(width):
    work, level = needle(0.03, 0.04, 0.5 * width * RADIUS)
    pieces = work.run(level, None, 0.02)
    path = np.concatenate([p.points for p in pieces])
    rest = np.hypot(path[:, 0] - 0.03, path[:, 1] - 0.04).min() + 0.5 * width * RADIUS - RADIUS
    assert rest < NEEDLE * RADIUS
    assert (work.d2 <= ((1.0 + NEEDLE) * RADIUS) ** 2).all()
    assert max(p.arcs.max() for p in pieces) <= work.rules.cap


def test_a_needle_between_nodes_is_seen_before_the_cutter_comes_down():
    half = 0.25 * CELL  # the middle of a cell of the swept map
    work, _ = needle(half, half, 0.25 * CELL)
    f = work.frame
    assert (work.d2 <= RADIUS**2).all()
    for x, y in ((0.0, 0.0), (3.0, 2.0), (0.0, -5.5)):
        assert not work.is_clear(np.array([x, y]), f.hd)
    assert work.is_clear(np.array([7.0, 7.0]), f.hd)


def test_the_cutter_does_not_come_down_on_a_ridge_behind_a_curtain():
    """A ridge 0.2 mm high under a 1 mm corner radius: (1 - 0.2)^2 + s^2 = 1 gives the swept radius there."""
    corner, high = 1.0, 0.2
    swept = RADIUS - corner + math.sqrt(2.0 * corner * high - high * high)
    work, level = needle(2.0, 0.0, swept - RADIUS, corner)
    goal = np.zeros(2)

    def landing():
        curtain = work.curtain = Curtain.draw(work, np.zeros(work.frame.coarse, bool))
        try:
            return ways.landing(work, level, goal)
        finally:
            curtain.lift(work)
            work.curtain = None

    assert work.slimmer(0.02, landing) is None


def test_a_way_for_ridges_knows_what_stands_behind_the_curtain():
    """A rim passes 0.3 mm inside a post of radius 0.4: the law of cosines gives the arc of the rim in it."""
    post, deep = 0.4, 0.3
    away = RADIUS + post - deep
    arc = 2.0 * math.acos((RADIUS**2 + away**2 - post**2) / (2.0 * RADIUS * away))
    work, _ = needle(0.0, 0.0, post, corner=1.0)

    def brushed(y):
        curtain = work.curtain = Curtain.draw(work, np.zeros(work.frame.coarse, bool))
        try:
            way = ways.tested(work, np.array([[-10.0, y], [10.0, y]]))
        finally:
            curtain.lift(work)
            work.curtain = None
        return 0.0 if way is None else way[1]

    assert work.slimmer(0.02, lambda: brushed(away)) == pytest.approx(arc, rel=0.1)
    assert work.slimmer(0.02, lambda: brushed(RADIUS + post + deep)) == 0.0


@pytest.mark.parametrize(("high", "clear"), [(0.2, True), (1.0, False)])
def test_a_way_does_not_lead_through_a_ridge_that_stands_higher_than_it_runs(high, clear):
    """A tip rounded by c that passed at distance s from a point left (c - h)^2 + (s - R + c)^2 = c^2 there:
    the full radius has swept the ridge, and meets nothing."""
    corner, lift = 3.0, 0.25
    swept = RADIUS - corner + math.sqrt(2.0 * corner * high - high * high)
    work, _ = needle(0.0, 0.0, swept - RADIUS, corner)
    work.rules = work.whole = replace(work.rules, lift=lift)
    way = ways.tested(work, np.array([[-10.0, 0.0], [10.0, 0.0]]))
    assert (way is not None and way[1] == 0.0) == clear


def test_what_stays_in_a_closing_gap_is_listed():
    """Ground in reach that stays uncut lies in the boxes of the list, down to slivers of the map's pitch."""
    wedge = Polygon([(-30, -18), (30, -3.4), (30, 3.4), (-30, 18)])
    region = Region(wedge, None, RADIUS, 50.0)
    pieces, work, _ = clear(region, 0.02)
    done = replay(region, pieces)
    walks = [done.points[(done.piece == k) & (done.kind == 1)] for k in range(len(pieces))]
    swept = shapely.union_all([shapely.LineString(w).buffer(RADIUS, quad_segs=64) for w in walks])
    rest = region.swept(region.centres).difference(swept).buffer(-0.02).buffer(0.02)
    rest = rest.intersection(box(0, -20, 30, 20))  # the end that closes
    listed = shapely.union_all([box(*u.box) for u in work.left])
    assert rest.area > 0.1
    assert rest.difference(listed).area < 0.0002 * RADIUS**2


SQUARE = box(-22, -16, 22, 16)


def corners_left(region, pieces):
    """What walks left in the corners of a region whose corners no arc within the cap reaches, mm2 each."""
    done = replay(region, pieces)
    walks = [done.points[(done.piece == k) & (done.kind == 1)] for k in range(len(pieces))]
    swept = shapely.union_all([shapely.LineString(w).buffer(RADIUS, quad_segs=64) for w in walks])
    rest = region.swept(region.centres).difference(swept).buffer(-0.015).buffer(0.015)
    corners = [shapely.Point(p) for p in region.free.exterior.coords[:-1]]
    return [rest.intersection(p.buffer(1.5 * RADIUS)) for p in corners]


@pytest.mark.compiled
@pytest.mark.parametrize("turn", [0, 15, 31])
def test_what_stays_in_every_corner_is_listed(turn):
    """In a square corner 90 degrees of the cutter meet the last bite; with a cap of 50 it stays, in all four.

    Few points of the ring see it, wherever among its points the corner lies.
    """
    region = Region(affinity.rotate(SQUARE, turn), None, RADIUS, 50.0)
    pieces, work, _ = clear(region, 0.02)
    listed = shapely.union_all([box(*u.box) for u in work.left])
    for rest in corners_left(region, pieces):
        assert rest.area > 0.5
        assert rest.difference(listed).area < 0.1 * rest.area


@pytest.mark.compiled
def test_what_a_climb_level_leaves_is_told_when_the_next_has_not_taken_it():
    """Apart from what that one leaves by itself: it stands from the level on that left it."""
    region = Region(SQUARE, None, RADIUS, 50.0)
    pieces, work, _ = clear(region, 0.02)
    _, ground, _ = level(region)
    for _ in range(2):
        assert not work.run(ground, None, 0.02, walls_first=True)
        assert not work.left
    stayed = shapely.union_all([box(*u.box) for u, _ in work.stayed])
    for rest in corners_left(region, pieces):
        assert rest.difference(stayed).area < 0.1 * rest.area
    work.d2[:] = 0.0  # all of it taken
    work.run(ground, None, 0.02, walls_first=True)
    assert not work.stayed


@pytest.mark.compiled
@pytest.mark.parametrize(
    ("cap", "gained", "turn", "alone"),
    [(35.0, 0.02, 0, True), (35.0, 0.02, 31, True), (50.0, 0.02, 31, True), (35.0, 0.1, 0, False)],
)
def test_a_climb_level_takes_no_slices_off_upright_corners_that_stay_listed(cap, gained, turn, alone):
    """A square that is a hair larger higher up: one walk round it, nothing in corners that the cap shuts.

    Each slice there would cost a way, level by level, and the corner would stand as before. Where walls lean
    more, what has been gained in a corner is a stair of its own, and is cut as far as the cap lets it.
    """
    small, large = (
        Region(affinity.rotate(box(-22.05 - q, -16.05 - q, 22.05 + q, 16.05 + q), turn), None, RADIUS, cap)
        for q in (0.0, gained)
    )
    frame, ground, _ = level(large)
    assert frame == level(small)[0]
    pieces, work, _ = clear(small, 0.02)
    walks = work.run(ground, None, 0.02, walls_first=True)
    assert (len(walks) == 1) == alone
    assert walks[0].area(RADIUS) > 0.8 * gained * 2.0 * (32.0 + 20.0)  # of the strip, its corners left out
    listed = shapely.union_all([box(*u.box) for u, _ in work.pinched])
    for rest in corners_left(large, [*pieces, *walks]):
        assert rest.area > 0.5
        assert rest.difference(listed).area < 0.1 * rest.area


@pytest.mark.parametrize(("left", "cut"), [(-0.01, False), (0.03, True)])
def test_a_needle_that_only_the_map_shows_is_not_walked_to(left, cut):
    """The map shows a needle between its nodes; walks round it have left ``left`` mm of it, or nothing."""
    at = np.array([0.07, 0.07])
    work, level = needle(*at, 0.05)
    turn = np.linspace(0.0, 2.0 * math.pi, 800)
    work.track.append(at + (RADIUS + left) * np.stack([np.cos(turn), np.sin(turn)], axis=1))
    assert bool(work.run(level, None, 0.02, walls_first=True)) == cut


def test_a_ball_on_a_level_that_is_a_floor():
    """Its tip is flat within `FLAT` over less than the margin of the coarse map: no reason to stop."""
    work, level = needle(0.0, 0.0, 0.5, corner=RADIUS)
    pieces = work.run(level, None, 0.02, floor=True)
    assert (work.d2 <= RADIUS**2).all()
    assert sum(len(p.points) for p in pieces) < 2000


def boss(radius, film):
    """A boss 10 by 8 mm, its corners of ``radius``, ``film`` mm left all round: a clearing and its level."""
    core = box(-5.0 + radius, -4.0 + radius, 5.0 - radius, 4.0 - radius)
    frame = Frame(-20.0, -20.0, CELL, 201, 201)

    def outside(pitch, shape):
        """Distance of nodes from the boss, exact outside it."""
        x, y = np.meshgrid(*(-20.0 + pitch * np.arange(n) for n in shape[::-1]))
        return shapely.distance(core, shapely.points(x, y)) - radius

    d2 = np.maximum(RADIUS + film - outside(frame.hd, frame.fine), 0.0).astype(np.float32) ** 2
    sd = (outside(CELL, (201, 201)) - RADIUS).clip(-0.8, 0.8).astype(np.float32)
    centres = core.buffer(radius + RADIUS, quad_segs=64).exterior.segmentize(CELL)
    ring = shapely.get_coordinates(centres)[:-1]
    if centres.is_ccw:  # free ground lies to the left
        ring = np.ascontiguousarray(ring[::-1])
    work = Clearing(frame, d2, rules())
    work.tau = 0.02
    return core, work, Level(sd, ring, np.array([0, len(ring)]), [])


@pytest.mark.parametrize("radius", [0.6, 1.5, 4.0])
def test_a_traced_wall_is_followed_round_the_outside_of_its_corners(radius):
    """0.025 mm cut acos(1 - 0.025 / R) = 5.2 degrees along a straight wall, round a corner of radius r by
    sqrt(r / (r + R)) less. They are taken there too."""
    film = 0.025
    core, work, level = boss(radius, film)
    pieces = work.run(level, None, work.tau, walls_first=True)
    path = shapely.multilinestrings([shapely.linestrings(p.points) for p in pieces])
    edge = core.buffer(radius + 0.5 * film).exterior.segmentize(0.1)
    middle = shapely.points(shapely.get_coordinates(edge))
    assert (shapely.distance(middle, path) <= RADIUS).mean() > 0.95


@pytest.mark.parametrize("film", [0.004, 0.008, 0.012, 0.025])
def test_an_approach_takes_nothing_away(film):
    """However thin what it comes by, round corners too: it ends there, or passes; the map stays as it is."""
    _, work, level = boss(0.6, film)
    before, met = work.d2.copy(), 0
    ahead = np.roll(level.points, -2, axis=0) - level.points
    for at in range(0, len(level.points), 8):
        heading = ahead[at] / np.hypot(*ahead[at])
        start = level.points[at] + 0.01 * np.array([-heading[1], heading[0]])
        met += work._approach(level, start, heading, work.faint) is not None
        np.testing.assert_array_equal(work.d2, before)
    assert met or film < 0.02
