"""Small pieces that are cut when the cutter was last beside them, and cusps before the pass beyond them.

Order and ways are checked against shapely's discs, whole channels by the replay of `regions`; neither shares
anything with the engine.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import shapely
from regions import Region, clear, level, replay, rules, standing_at_jumps
from shapely import LineString
from shapely.geometry import box

from zrough import errands
from zrough.pieces import Piece
from zrough.rings import Clearing
from zrough.trails import Extents

RADIUS, CAP = 10.0, 55.0
SPARE_DEG = 1.0  # over the cap, on an independent replay
SEEN = 0.1  # mm: how far off a map may see an edge


def walk(*points, way=None):
    """A piece along a polyline, of next to no arc."""
    line = np.array(shapely.segmentize(LineString(points), 0.25).coords)
    return Piece(line, np.full(len(line), 0.01), None if way is None else np.array(way, float))


def ground():
    """Whole ground, 320 x 120 mm for the centre, and the engine on it."""
    region = Region(box(-60, -70, 280, 70), None, RADIUS, CAP, nodes=20.0)
    frame, lev, d2 = level(region)
    work = Clearing(frame, d2, rules(region))
    work.ground = d2.copy()
    return work, lev


FIRST = [(0, 5), (200, 5), (0, 0), (200, 0), (200, 2)]
SECOND = [(190, 2), (196, 8), (0, 8)]
BELOW = [(168, 2), (172, -2), (178, -2), (181, 2)]  # covers ground up to y = 12: the first walk's
ABOVE = [(168, 4), (172, 7), (178, 7), (181, 4)]  # covers ground up to y = 17: the second's too


def placed(errand):
    work, lev = ground()
    pieces = [walk(*FIRST), walk(*SECOND, way=[(200, 2), (190, 2)])]
    late = walk(*errand, way=[(0, 8), errand[0]])
    errands.place(work, lev, pieces, late)
    return pieces, late


def test_a_small_piece_is_cut_when_the_cutter_is_beside_it():
    pieces, late = placed(BELOW)
    assert [piece is late for piece in pieces] == [False, True, False]
    swept = shapely.union_all([LineString(FIRST).buffer(RADIUS), LineString(BELOW).buffer(RADIUS)])
    for before, piece in itertools.pairwise(pieces):
        assert piece.way is not None
        assert piece.way[0] == pytest.approx(before.points[-1])
        assert piece.way[-1] == pytest.approx(piece.points[0])
        assert swept.covers(LineString(piece.way).buffer(RADIUS - SEEN))
    assert sum(LineString(piece.way).length for piece in pieces[1:]) < 60.0  # it was 168 mm there alone


def test_what_a_later_piece_cleared_under_it_is_cleared_before_it():
    pieces, late = placed(ABOVE)
    assert pieces[-1] is late
    assert late.way[0] == pytest.approx((0, 8))


def test_a_piece_that_is_no_errand_stays_where_it_is():
    long = [(168, 2), (164, -2), (100, -2), (96, 2)]
    pieces, late = placed(long)
    assert pieces[-1] is late


@pytest.mark.compiled
@pytest.mark.parametrize(("room", "most"), [(4.0, 0.22), (8.0, 0.18)])
def test_cusps_of_a_channel_are_cut_on_the_way(room, most):
    """Half a turn round 4 radii. Ways to crumbs took 0.32 and 0.25 of the least cutting length.

    One-way passes in steady state cannot take less than 1 + arc / chord >= 2 of it: each pass, translated by
    the advance, takes its chord times the advance, and the way back is a chord. Derived, no published source.
    """
    t = np.linspace(0.0, math.pi, 181)
    middle = 4.0 * RADIUS * np.stack([np.cos(t), np.sin(t)], axis=1)
    line = LineString(np.concatenate([[(40.0, -40.0)], middle, [(-40.0, -40.0)]]))
    free = line.buffer(RADIUS + 0.5 * room, cap_style="flat", quad_segs=64).union(box(-70, -70, 70, -21))
    region = Region(free, (-70.0, -20.0, 70.0, 60.0), RADIUS, CAP)
    pieces, _, _ = clear(region)
    done = replay(region, pieces)
    assert done.arc_deg.max() <= CAP + SPARE_DEG
    assert standing_at_jumps(region, pieces, done, 0.01 * RADIUS) < 0.001 * RADIUS**2
    ways = [
        LineString(piece.way).length
        for piece in pieces
        if piece.way is not None and piece.area(RADIUS) < 0.01 * RADIUS**2
    ]
    assert sum(ways) < most * region.floor_length
    assert sum(done.lengths(pieces)) > 2.0 * region.floor_length


def test_extents_of_a_list_are_those_of_its_pieces_while_others_come_in_between():
    rng = np.random.default_rng(4)

    def piece():
        return Piece(rng.uniform(0.0, 50.0, (4, 2)), np.zeros(4), None)

    extents, pieces = Extents(), [piece() for _ in range(70)]
    extents.follow(pieces)
    for at in (0, 30, 71):
        late = piece()
        extents.insert(pieces, at, late)
        pieces.insert(at, late)
        pieces.append(piece())  # without a word
    extents.follow(pieces)
    np.testing.assert_array_equal(extents.first, [p.points[0] for p in pieces])
    np.testing.assert_array_equal(extents.last, [p.points[-1] for p in pieces])
    window = box(20, 30, 22, 31)
    met = [
        k
        for k, p in enumerate(pieces)
        if box(*p.points.min(axis=0), *p.points.max(axis=0)).intersects(window)
    ]
    assert 0 < len(met) < len(pieces)
    assert extents.meet(np.array([20.0, 30.0]), np.array([22.0, 31.0])).tolist() == met
    assert extents.follow(pieces[:5]).meet(np.zeros(2), np.full(2, 50.0)).tolist() == [0, 1, 2, 3, 4]


def test_a_run_of_small_pieces_goes_to_where_the_cutter_came_by():
    """Three pieces far from those before and after them; what comes next starts where the run began."""
    work, lev = ground()
    pieces = [walk(*FIRST), walk(*SECOND, way=[(200, 2), (190, 2)])]
    run = [
        walk((168, 2), (172, -2), (172, 2), way=[(0, 8), (168, 2)]),
        walk((173, 2), (173, -2), (177, -2), (177, 2), way=[(172, 2), (173, 2)]),
        walk((178, 2), (178, -2), (181, 2), way=[(177, 2), (178, 2)]),
    ]
    last = walk((2, 8), (2, 20), (-20, 20), way=[(181, 2), (2, 8)])
    pieces += [*run, last]
    number = {id(piece): n for n, piece in enumerate(pieces)}
    before = sum(LineString(piece.way).length for piece in pieces[1:])
    errands.tidy(work, lev, pieces)
    assert [number[id(piece)] for piece in pieces] == [0, 2, 3, 4, 1, 5]
    swept = LineString(FIRST).buffer(RADIUS)
    for first, piece in itertools.pairwise(pieces):
        assert piece.way[0] == pytest.approx(first.points[-1])
        assert piece.way[-1] == pytest.approx(piece.points[0])
        assert swept.covers(LineString(piece.way).buffer(RADIUS - SEEN))
        swept = swept.union(LineString(piece.points).buffer(RADIUS))
    assert sum(LineString(piece.way).length for piece in pieces[1:]) < before - 250.0


def test_a_run_under_which_a_later_piece_took_ground_stays():
    work, lev = ground()
    run = [walk(*ABOVE, way=[(0, 8), ABOVE[0]])]
    pieces = [walk(*FIRST), walk(*SECOND, way=[(200, 2), (190, 2)]), *run]
    kept = list(pieces)
    errands.tidy(work, lev, pieces)
    assert all(a is b for a, b in zip(pieces, kept, strict=True))
