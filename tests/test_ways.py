"""Ways over cleared ground round a post: how near they come is geometry."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from zrough import errands, shortways, visits, ways
from zrough.pieces import Frame, Level, Piece, Rules
from zrough.rings import Clearing

RADIUS, CELL, POST = 5.0, 0.33, 5.15


def round_a_post():
    """Cleared ground round a post that keeps centres ``POST`` mm off (0.013, 0.02), and its level."""
    frame = Frame(-15.0, -15.0, CELL, 91, 91)
    x = frame.x0 + CELL * np.arange(frame.nx)
    sd = (np.hypot(x[None, :] - 0.013, x[:, None] - 0.02) - POST).astype(np.float32)
    rules = Rules(
        radius=RADIUS, corner=0.0, cap=math.radians(45.0), margin=0.01, step=0.15, rho=0.3, rho_seek=RADIUS,
        ease_in=0.3, eps=0.008, drop_area=0.02, sliver=0.007, air=1.5,
    )  # fmt: skip
    work = Clearing(frame, np.zeros(frame.fine, np.float32), rules)
    level = Level(sd, np.zeros((0, 2)), np.zeros(1, np.int64))
    work.start(level)
    return work, level


@pytest.mark.parametrize("seed", range(4))
def test_no_leg_of_a_way_cuts_a_corner_short(seed):
    """From the very wall to the wall elsewhere: the first and the last leg as well keep off the post.

    Nodes with uncut ground near them are no place for a way: here as many as leave few right beside the ends.
    """
    work, level = round_a_post()
    rng = np.random.default_rng(seed)
    found = 0
    for _ in range(60):
        work.blk[:] = rng.random(work.blk.shape) < 0.4
        a = rng.uniform(0.0, 2.0 * math.pi) + np.array([0.0, rng.uniform(0.05, 0.6)])
        away = POST + work.rules.eps + rng.uniform(0.0, 0.3, 2) * rng.integers(0, 2, 2)
        position, goal = (away * np.array([np.cos(a), np.sin(a)])).T + np.array([0.013, 0.02])
        way = ways.route(work, level, position, goal)
        if way is None:
            continue
        found += 1
        points = way[0]
        assert np.array_equal(points[[0, -1]], [position, goal])
        line = shapely.LineString(points)
        assert line.distance(shapely.Point(0.013, 0.02)) >= POST - 0.002
    assert found > 20


def test_a_way_through_a_post_does_not_fit():
    work, level = round_a_post()
    beside = np.array([[-8.0, 5.3], [8.0, 5.3]])
    assert ways.fits(work, level, beside)
    assert not ways.fits(work, level, beside - (0.0, 0.2))
    assert not ways.fits(work, level, beside[:, ::-1] * 0.1)


def test_a_way_is_straight_where_coarse_nodes_are_blocked_but_nothing_is_cut():
    """Nothing stands, yet no coarse node is held to be clear: a front that the way runs along does that."""
    work, level = round_a_post()
    work.blk[:] = 1
    ends = np.array([[-8.0, 5.3], [8.0, 5.3]])
    way = ways.route(work, level, *ends)
    assert way is not None
    assert way[1] == 0.0
    assert shapely.LineString(way[0]).length == pytest.approx(16.0)
    # through the post there is none
    assert ways.route(work, level, *(ends - (0.0, 5.0))) is None
    # nor where a block stands half way, that the cutter of the straight way would meet
    f = work.frame
    x = f.x0 + f.hd * np.arange(f.fine[1])
    work.d2[np.ix_(x > 9.0, np.abs(x) < 1.0)] = 2.0 * RADIUS**2
    assert RADIUS > 9.0 - 5.3
    assert ways.route(work, level, *ends) is None


def test_a_way_goes_back_along_the_last_walks_between_close_walls():
    """A bent channel hardly wider than the cutter: no coarse node is clear, its walls stand straight on."""
    work, level = round_a_post()
    work.blk[:] = 1
    a = np.linspace(0.0, math.pi, 121)[:, None]
    middle = np.array([0.013, 0.02])
    bend, inner, outer = (
        middle + (POST + off) * np.concatenate([np.cos(a), np.sin(a)], axis=1) for off in (0.3, 0.0, 0.6)
    )
    x = work.frame.x0 + work.frame.hd * np.arange(work.frame.fine[1])
    points = shapely.points(*np.meshgrid(x, x))
    away = shapely.distance(shapely.MultiLineString([inner, bend, outer]), points)
    work.d2[:] = away**2
    work.pieces = [Piece(bend, np.zeros(len(bend)), None)]
    goal = middle + (POST + 0.25) * np.array([math.cos(0.2), math.sin(0.2)])
    way = ways.route(work, level, bend[-1], goal)
    assert way is not None
    line = shapely.LineString(way[0])
    assert np.array_equal(way[0][[0, -1]], [bend[-1], goal])
    assert line.distance(shapely.Point(middle)) >= POST - 0.002
    assert shapely.LineString(bend).buffer(0.4).covers(line)
    # a walk that ended elsewhere is none to go back along
    assert ways.route(work, level, bend[-1] + (0.0, -0.3), goal) is None


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("module", [errands, shortways, visits])
def test_a_way_over_a_part_of_the_ground_keeps_off_what_stands_beside_that_part(module, turned):
    """A bar between two places, a post off its end, a gap that may be too narrow. The way is looked for
    on the ground round the two places alone, and the post often stands beside that: wherever a way runs, the
    whole cutter stays clear of both (shapely)."""
    rng = np.random.default_rng(7)
    frame = Frame(0.0, 0.0, CELL, 301, 301)
    fine = frame.hd * np.arange(frame.fine[0])
    across, along = np.meshgrid(fine, fine)
    rules = round_a_post()[0].rules
    found = 0
    for end, gap in rng.uniform((44.0, 7.0), (60.0, 16.0), (40, 2)):
        post = end + gap + 2.0
        bar = np.hypot(np.maximum(np.abs(across - 50.0) - 0.5, 0.0), np.maximum(along - end, 0.0)) <= 0.0
        stands = bar | (np.hypot(across - 50.0, along - post) <= 2.0)
        ends = np.array([[38.0, 50.0], [62.0, 50.0]])
        solid = shapely.box(49.5, 0.0, 50.5, end).union(shapely.Point(50.0, post).buffer(2.0))
        if turned:
            stands, ends, solid = stands.T, ends[:, ::-1], shapely.affinity.scale(solid, 1, -1, origin=(0, 0))
            solid = shapely.affinity.rotate(solid, 90.0, origin=(0, 0))
        part, nodes, look = frame.part(ends, module.ROUND * RADIUS)
        sd = np.full((frame.ny, frame.nx), 50.0, np.float32)
        level = Level(frame.fenced(sd, nodes, RADIUS + 3.0 * frame.hd), np.zeros((0, 2)), np.zeros(1, int))
        work = Clearing(part, np.where(stands, 1e6, 0.0).astype(np.float32)[look].copy(), rules)
        work.start(level)
        way = ways.route(work, level, *ends)
        if way is not None:
            found += 1
            # a node of the map stands for the ground half a pitch round it
            assert shapely.LineString(way[0]).distance(solid) >= RADIUS - frame.hd
            assert gap >= 2.0 * (RADIUS - frame.hd)
    assert found > 3
