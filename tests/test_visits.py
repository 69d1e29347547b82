"""Climb walks that are cut while the cutter is near by, against discs by shapely.

Every part stands upright here: a level's ground is what no walk has swept, whatever its height.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import shapely
from regions import Region, level, rules
from shapely import LineString
from shapely.geometry import box

from zrough.pieces import Piece
from zrough.rings import Clearing
from zrough.visits import Visits

RADIUS, CAP = 10.0, 55.0
SEEN = 0.15  # mm: how far off maps and cells may see an edge
FLOOR, CLIMB = 0, 1


def walk(*points, way=None):
    """A piece along a polyline, of next to no arc."""
    line = np.array(shapely.segmentize(LineString(points), 0.25).coords)
    return Piece(line, np.full(len(line), 0.01), None if way is None else np.array(way, float), wall=True)


def swept(piece):
    return LineString(piece.points).buffer(RADIUS, 64)


def order(floor, climbs):
    """Walks of a floor and of a climb level on whole ground, 340 x 140 mm, as visits leave them."""
    region = Region(box(-60, -70, 280, 70), None, RADIUS, CAP, nodes=20.0)
    frame, lev, d2 = level(region)
    visits = Visits(Clearing(frame, d2.copy(), rules(region)), lambda _: lev)
    visits.add([(FLOOR, piece) for piece in floor], {FLOOR}, None)
    after = Clearing(frame, d2, rules(region))
    for piece in floor:
        from zrough.kernels import march

        march.stamp_path(after.d2, frame.x0, frame.y0, frame.hd, RADIUS + 3.0 * frame.hd, piece.points)
    visits.add([(CLIMB, piece) for piece in climbs], {FLOOR}, after.d2)
    return visits


def ways_fit(walks):
    """Each way leads from walk to walk, over ground that walks before it have swept."""
    done = swept(walks[0][1])
    for (_, before), (_, piece) in itertools.pairwise(walks):
        if piece.way is not None:
            assert piece.way[0] == pytest.approx(before.points[-1])
            assert piece.way[-1] == pytest.approx(piece.points[0])
            assert done.covers(LineString(piece.way).buffer(RADIUS - SEEN))
        done = done.union(swept(piece))


THERE = [(200, 4), (200, -4), (0, -4), (0, 0), (200, 0)]
BACK = [(200, 4), (0, 4)]  # material on the right
SITE = [(101, -3), (99, -5)]  # covers ground up to y = 7: the first walk takes all of it
BOTH = [(101, 3), (99, -5)]  # covers ground of the second as well
WAY = [(200, 0), (200, 4)]


def test_a_short_wall_is_cut_when_the_cutter_passes_it():
    """Alone it costs 100 mm there; between two halves of the walk that it is seen from, next to nothing."""
    found = order([walk(*THERE), walk(*BACK, way=WAY)], [walk(*SITE)])
    assert found.moved
    assert len(found.walks) == 4
    ways_fit(found.walks)
    parts = [piece for _, piece in found.walks]
    (k,) = [k for k, (at, _) in enumerate(found.walks) if at == CLIMB]
    first, visit, rest = parts[k - 1 : k + 2]
    # both halves make the walk that was planned, the latter after a short way to roll in from beside it
    whole = next(w for w in (walk(*THERE), walk(*BACK)) if np.array_equal(w.points[-1], rest.points[-1]))
    assert np.array_equal(first.points, whole.points[: len(first.points)])
    ahead = len(whole.points) - len(first.points)
    assert np.array_equal(rest.points[-ahead:], whole.points[-ahead:])
    roll = rest.points[:-ahead]
    assert roll[-1] == pytest.approx(first.points[-1])
    assert 0.0 < LineString(roll).length < 0.25 * RADIUS
    before = shapely.union_all([swept(piece) for piece in parts[: k + 1]])
    assert before.covers(LineString(roll).buffer(RADIUS - SEEN))
    assert not rest.arcs[:-ahead].any()
    assert rest.arcs[-ahead:].all()
    # what the visit covers is taken by then
    taken = shapely.union_all([swept(piece) for piece in parts[:k]])
    assert swept(walk(*THERE)).intersection(swept(visit)).difference(taken).area < SEEN
    assert LineString(visit.way).length + LineString(rest.way).length < 60.0


def test_ground_that_a_later_walk_takes_is_waited_for():
    found = order([walk(*THERE), walk(*BACK, way=WAY)], [walk(*BOTH)])
    place = next(k for k, (at, _) in enumerate(found.walks) if at == CLIMB)
    taken = shapely.union_all([swept(piece) for _, piece in found.walks[:place]])
    both = swept(walk(*THERE)).union(swept(walk(*BACK)))
    assert both.intersection(swept(walk(*BOTH))).difference(taken).area < SEEN
    ways_fit(found.walks)


def test_walks_near_the_cutter_keep_their_order():
    near = [walk((1, 3), (3, 3), way=[(0, 4), (1, 3)]), walk((5, 3), (8, 3), way=[(3, 3), (5, 3)])]
    found = order([walk(*THERE), walk(*BACK, way=WAY)], near)
    assert not found.moved
    assert [piece for _, piece in found.walks[2:]] == near


def test_what_comes_after_a_visit_gets_a_way_of_its_own():
    """The second wall was reached from the first, which is not there any more."""
    climbs = [walk(*SITE), walk((3, 3), (1, 3), way=[(99, -5), (3, 3)])]
    found = order([walk(*THERE), walk(*BACK, way=WAY)], climbs)
    assert found.moved
    ways_fit(found.walks)
    last = found.walks[-1][1]
    assert last.way is not None
    assert LineString(last.way).length < 10.0


@pytest.mark.compiled
@pytest.mark.parametrize("seed", range(8))
def test_no_walk_meets_more_than_when_it_was_planned(seed):
    """Random passes, then random short walks: what a walk covers and earlier ones took is taken before it."""
    rng = np.random.default_rng(seed)
    floor, y, at = [], -50.0, None
    while y < 50.0:
        x0, x1 = rng.uniform(-40, 60), rng.uniform(160, 260)
        ends = [(x0, y), (x1, y + rng.uniform(-2, 2))][:: rng.choice([-1, 1])]
        floor.append(walk(*ends, way=None if at is None or rng.random() < 0.5 else [at, ends[0]]))
        at, y = floor[-1].points[-1], y + rng.uniform(2, 9)
    climbs = []
    for _ in range(12):
        p = rng.uniform((60, -52), (160, 45))
        climbs.append(walk(p, p + rng.uniform(-2, 2, 2)))
    found = order(floor, climbs)
    planned = [*floor, *climbs]
    fresh, done = [], shapely.Polygon()
    for piece in planned:
        fresh.append(swept(piece).difference(done))
        done = done.union(swept(piece))
    parts = [(k, piece) for k, (_, piece) in enumerate(found.walks)]
    for n, piece in enumerate(planned):
        # the places of a walk's parts: those that run along it
        line = LineString(piece.points).buffer(1e-6)
        mine = [k for k, part in parts if line.covers(LineString(part.points))]
        assert mine
        for k in mine:
            before = shapely.union_all([swept(part) for q, part in parts if q < k])
            met = swept(parts[k][1]).intersection(shapely.union_all(fresh[:n])).difference(before)
            assert met.area < SEEN * RADIUS
    assert found.moved
