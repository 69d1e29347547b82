"""Ground left above keeps shank and holder away from deeper levels; closed forms on a map with one post."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.ndimage import binary_dilation

from zrough import climbs, feeds, rests
from zrough.grid import Grid
from zrough.levels import Level
from zrough.limits import Stage
from zrough.pieces import Entry, Frame, Piece
from zrough.rests import EDGE, FAR, MARGIN, MIDDLE, REASON, STEPS, Above, Bare, Rim, listed

RADIUS, PITCH, FLUTE, TOP, UPPER, DEEP = 5.0, 0.25, 15.0, 0.0, -8.0, -22.0
POST, HALF = np.array([3.0, 4.0]), 0.8  # where nothing was cut at the upper level


@pytest.fixture
def space():
    n = 161
    frame = Frame(-20.0, -20.0, PITCH, n, n)
    return SimpleNamespace(
        frame=frame, radius=RADIUS, top=np.full((n, n), TOP), stock=SimpleNamespace(upper=(20.0, 20.0, TOP)),
        grid=Grid(-20.0, -20.0, PITCH, n, n), mask=lambda z: np.ones((n, n), bool),
    )  # fmt: skip


def above(space, *bodies):
    """The upper level swept everything but the post."""
    f = space.frame
    at = f.x0 + f.hd * np.arange(f.fine[1])
    away = np.hypot(at[None, :] - POST[0], at[:, None] - POST[1])
    d2 = (np.maximum(RADIUS + HALF - away, 0.0) ** 2).astype(np.float32)
    found = Above(space, bodies or (Stage(RADIUS, FLUTE),))
    box = (*(POST - 1.5), *(POST + 1.5))
    found.add([Level(UPPER, TOP, "primary", "", 0)], [feeds.mark(d2, RADIUS, 0.0)], [{"box": box}])
    return found


def walk(y):
    x = np.linspace(-15.0, 15.0, 121)
    return Piece(np.stack([x, np.full_like(x, y)], axis=1), np.zeros(len(x)), None)


@pytest.mark.parametrize(
    ("gap", "z", "met"),
    [
        (-0.5, DEEP, True),
        (0.1, DEEP, False),
        (-0.5, TOP - FLUTE + 0.5, False),
        (-3.0, TOP - FLUTE - 0.5, True),
    ],
)
def test_a_shank_is_kept_off_what_stands_beside_a_deep_walk(space, gap, z, met):
    """Only where the walk's circle reaches the post, and only where the post is higher than the flutes."""
    levels = [Level(z, UPPER, "primary", "", 0)]
    off = above(space).kept_off(levels, [[walk(POST[1] - HALF - RADIUS - gap)]])
    assert bool(off) == met
    if not met:
        return
    g = space.grid
    x, y = np.meshgrid(g.x, g.y)
    want = np.hypot(x - POST[0], y - POST[1]) - HALF - RADIUS - MARGIN * PITCH
    # the post ends between nodes; none stands farther out than its edge
    assert np.abs(off[z] - np.maximum(want, off[z].min()))[want > 0.0].max() <= PITCH
    told = listed(z, off[z], space, RADIUS)
    assert told["reason"] == REASON
    assert told["area"] == pytest.approx(np.pi * (HALF + RADIUS + MARGIN * PITCH) ** 2, rel=0.08)
    assert np.hypot(told["x"] - POST[0], told["y"] - POST[1]) <= PITCH


def test_a_wider_holder_counts_from_its_own_height(space):
    levels, pieces = [Level(DEEP, UPPER, "primary", "", 0)], [[walk(POST[1] - HALF - RADIUS - 4.0)]]
    assert not above(space).kept_off(levels, pieces)
    assert above(space, Stage(RADIUS, FLUTE), Stage(12.0, 20.0)).kept_off(levels, pieces)
    assert not above(space, Stage(RADIUS, FLUTE), Stage(12.0, 22.5)).kept_off(levels, pieces)


def test_a_way_or_a_helix_may_touch_it_too(space):
    """The walk itself stays 12 mm off the post; the way to it or the way down does not."""
    levels, far, near = [Level(DEEP, UPPER, "primary", "", 0)], POST[1] - 12.0, POST[1] - HALF - RADIUS + 0.5
    x0 = float(walk(far).points[0, 0])
    assert not above(space).kept_off(levels, [[walk(far)]])
    way = np.array([[x0, near], [15.0, near], [15.0, far], [x0, far]])
    assert above(space).kept_off(levels, [[replace(walk(far), way=way)]])
    assert not above(space).kept_off(levels, [[replace(walk(far), way=way[2:])]])
    for radius, met in ((2.0, True), (0.2, False)):
        helix = replace(walk(far), entry=Entry(POST[0], near - 1.5, radius))
        assert bool(above(space).kept_off(levels, [[helix]])) == met


def test_nothing_left_keeps_nothing_off(space):
    empty = Above(space, (Stage(RADIUS, FLUTE),))
    assert not empty.kept_off([Level(DEEP, UPPER, "primary", "", 0)], [[walk(0.0)]])


@pytest.mark.parametrize(("rise", "found"), [(1.0, False), (1.4, True)])
def test_gained_ground_far_from_all_walls_counts_by_its_own_height(space, rise, found):
    """A channel 30 mm long that opens in one step, its mouth at x = -15 on a wall along y."""
    trimmer = object.__new__(climbs._Trimmer)
    g = space.grid
    space.radius = RADIUS
    trimmer.space, trimmer.limits = space, climbs.Limits(1.2, np.inf)
    trimmer.tip = np.full(g.shape, -10.0)
    trimmer.walls = climbs._Walls(np.stack([np.full(g.ny, -15.0), g.y], axis=1), np.full(g.ny, -12.0))
    gained = np.zeros(g.shape, bool)
    gained[70:74, 20:140] = True
    gained[66:80, 18:20] = True  # a strip along the wall, joined to it
    channel = gained.copy()
    gained[40:60, 16:18] = True  # behind the wall, within what a point there sees
    got = trimmer._tongue(gained, -10.0 + rise)
    assert (got == (channel if found else False)).all()


def bare(frame, d2, z=UPPER):
    """A band that is one level."""
    return Bare(((z, Rim.of(d2.astype(np.float32), RADIUS, frame.hd)),))


@pytest.mark.parametrize(
    ("shift", "film", "met"), [(0.3, 0.03, True), (0.7, 0.03, True), (0.3, 0.005, False)]
)
def test_a_shank_is_kept_off_a_film_that_no_node_shows(space, shift, film, met):
    """A walk at the upper level and one below it that comes nearer to the same straight edge."""
    f = space.frame
    rows, cols = f.fine
    y = np.broadcast_to((f.y0 + f.hd * np.arange(rows))[:, None], (rows, cols))
    edge = 1.0 + shift * f.hd  # what stands ends here at the upper level, between two rows of nodes
    above = Above(space, (Stage(RADIUS, FLUTE),))
    above.add([Level(UPPER, TOP, "primary", "", 0)], [None], [], bare(f, (edge + RADIUS - y) ** 2))
    deep = bare(f, (edge - film + RADIUS - y) ** 2)
    off = above.kept_off([Level(DEEP, UPPER, "primary", "", 0)], [[walk(edge - film + RADIUS)]], deep)
    assert bool(off) == met


@pytest.mark.parametrize(("climb", "met"), [(DEEP + FLUTE + 1.0, True), (DEEP + FLUTE - 1.0, False)])
def test_a_film_taken_above_the_end_of_the_flutes_alone_stands_in_the_way(space, climb, met):
    """A climb level takes the film that the level below it has left, down to its own height."""
    f = space.frame
    rows, cols = f.fine
    y = np.broadcast_to((f.y0 + f.hd * np.arange(rows))[:, None], (rows, cols))
    edge, film = 1.0 + 0.3 * f.hd, 0.03
    first, further = (
        bare(f, np.maximum(edge - off + RADIUS - y, 0.0) ** 2).deep for off in (0.0, 2.0 * film)
    )
    above = Above(space, (Stage(RADIUS, FLUTE),))
    levels = [Level(UPPER, TOP, "primary", "", 0), Level(climb, TOP, "climb", "", 0)]
    above.add(levels, [None, None], [], Bare(((UPPER, first), (climb, further))))
    deep = bare(f, np.maximum(edge - film + RADIUS - y, 0.0) ** 2)
    off = above.kept_off([Level(DEEP, UPPER, "primary", "", 0)], [[walk(edge - film + RADIUS)]], deep)
    assert bool(off) == met


def test_a_holder_is_kept_off_a_needle_that_no_node_of_the_map_shows(space):
    """It stands at a node of the fine map; a shank that passes 2 mm from it is as free as ever."""
    f = space.frame
    rows, cols = f.fine
    x, y = np.meshgrid(f.x0 + f.hd * np.arange(cols), f.y0 + f.hd * np.arange(rows))
    at = np.array([1.0, 1.0]) + f.hd
    swept = bare(f, np.where(np.hypot(x - at[0], y - at[1]) < 0.4 * f.hd, (RADIUS + 0.05) ** 2, 0.0))
    level, deep = Level(UPPER, TOP, "primary", "", 0), Level(DEEP, UPPER, "primary", "", 0)
    mark = feeds.mark(np.zeros((rows, cols), np.float32), RADIUS, 0.0)
    for reach, height, met in ((8.0, 20.0, True), (6.5, 20.0, False), (8.0, 22.5, False)):
        above = Above(space, (Stage(RADIUS, FLUTE), Stage(reach, height)))
        above.add([level], [mark], [], swept)
        assert bool(above.kept_off([deep], [[walk(at[1] + 7.0)]])) == met


@pytest.mark.parametrize(("inside", "met"), [(0.003, True), (0.2, False)])
def test_a_needle_stands_until_a_band_takes_it_for_good(space, inside, met):
    """The rim of a second band passes its node by 3 um, which no path is true to, or by 0.2 mm."""
    f = space.frame
    rows, cols = f.fine
    x, y = np.meshgrid(f.x0 + f.hd * np.arange(cols), f.y0 + f.hd * np.arange(rows))
    at = np.hypot(x - 1.0 - f.hd, y - 1.0 - f.hd) < 0.4 * f.hd
    above = Above(space, (Stage(RADIUS, FLUTE), Stage(8.0, 20.0)))
    mark = feeds.mark(np.zeros((rows, cols), np.float32), RADIUS, 0.0)
    bottom = TOP
    for z, off in ((UPPER, 0.05), (2.0 * UPPER, -inside)):
        swept = bare(f, np.where(at, (RADIUS + off) ** 2, 0.0))
        above.add([Level(z, bottom, "primary", "", 0)], [mark], [], swept)
        bottom = z
    deep = Level(DEEP, bottom, "primary", "", 0)
    assert bool(above.kept_off([deep], [[walk(1.0 + f.hd + 7.0)]])) == met


def test_a_film_counts_only_below_the_flutes_end_of_what_has_swept_it(space):
    """The first level swept all, the second left a film under it: a third passes it if deep enough."""
    f = space.frame
    rows, cols = f.fine
    y = np.broadcast_to((f.y0 + f.hd * np.arange(rows))[:, None], (rows, cols))
    given = ((0.0, -8.0), (1.0, -16.0), (0.9, -24.0))
    first, second, third = (bare(f, (edge + RADIUS - y) ** 2, z) for edge, z in given)
    above = Above(space, (Stage(RADIUS, FLUTE),))
    above.add([Level(-8.0, TOP, "primary", "", 0)], [None], [], first)
    above.add([Level(-16.0, -8.0, "primary", "", 0)], [None], [], second)
    for z, met in ((-22.5, False), (-24.0, True)):
        assert bool(above.kept_off([Level(z, -16.0, "primary", "", 0)], [[walk(5.9)]], third)) == met


@pytest.mark.parametrize(("gap", "met"), [(-0.1, True), (0.1, False)])
def test_a_shank_is_kept_off_a_film_between_the_nodes(space, gap, met):
    """A film thinner than a node is wide, on no list, seen on the fine map alone."""
    f = space.frame
    rows, cols = f.fine
    x, y = np.meshgrid(f.x0 + f.hd * np.arange(cols), f.y0 + f.hd * np.arange(rows))
    edge = 1.0 + f.hd  # on the fine map only: every second of its rows is the map's
    upper = np.maximum(np.abs(y), RADIUS + 0.5) ** 2
    upper = np.where((np.abs(y - edge) < 0.1 * f.hd) & (np.abs(x) < 2.0), upper, 0.0).astype(np.float32)
    deep = ((edge + gap + RADIUS - y) ** 2).astype(np.float32)  # a walk along y = edge + gap + radius
    above = Above(space, (Stage(RADIUS, FLUTE),))
    first, second = bare(f, upper), bare(f, deep)
    above.add([Level(UPPER, TOP, "primary", "", 0)], [None], [], first)
    levels = [Level(DEEP, UPPER, "primary", "", 0)]
    off = above.kept_off(levels, [[walk(edge + gap + RADIUS)]], second)
    assert bool(off) == met
    if met:
        i, j = round((edge - f.y0) / f.h), round(-f.x0 / f.h)
        assert off[DEEP][i, j] == pytest.approx(-RADIUS - MARGIN * f.h, abs=f.h)
    shallow = [Level(TOP - FLUTE + 0.5, UPPER, "primary", "", 0)]
    assert not above.kept_off(shallow, [[walk(edge + gap + RADIUS)]], second)


@pytest.mark.parametrize("shape", [(7, 5), (33, 64), (50, 131)])
def test_a_rim_tells_at_any_node_how_far_its_edge_lies(shape):
    """From bits and numbers side by side, however long the rows: the distance itself, in steps."""
    rng = np.random.default_rng(shape)
    away = RADIUS + PITCH * rng.uniform(-2.0, 2.0, shape)
    rim = Rim.of((away**2).astype(np.float32), RADIUS, PITCH)
    i, j = np.indices(shape).reshape(2, -1)
    off = (away[i, j] - RADIUS) / PITCH
    found = rim.at(i, j)
    beside = np.abs(off) < EDGE - 0.001
    np.testing.assert_allclose(found[beside], np.clip(MIDDLE + STEPS * off[beside], 0, FAR), atol=0.51)
    assert (found[off < -EDGE - 0.001] == 0).all()
    assert (found[off > EDGE + 0.001] == FAR).all()


def test_needles_are_what_stands_with_nothing_standing_round_it():
    """A film along a line of fine nodes alone, and a broad wall: the film is told, by nodes of the map."""
    shape = (41, 61)
    away = np.full(shape, RADIUS - 3.0 * PITCH)
    away[:, 45:] = RADIUS + 3.0 * PITCH
    away[11, 7:15] = RADIUS + 0.5 * PITCH  # an odd row: no node of the map is on it
    i, j = Rim.of((away**2).astype(np.float32), RADIUS, PITCH).needles()
    assert sorted(zip(i.tolist(), j.tolist(), strict=True)) == [(5, k // 2) for k in range(7, 15)]


@pytest.mark.parametrize("shape", [(33, 41), (41, 33), (7, 15), (61, 63), (5, 65)])
def test_needles_are_found_at_every_place_of_a_map(shape):
    """Against the squares of three by three nodes of the map, filled by scipy."""
    rng = np.random.default_rng(shape[0])
    away = np.where(rng.random(shape) < 0.1, RADIUS + rng.uniform(-2.0, 2.0, shape) * PITCH, 0.0)
    rim = Rim.of((away**2).astype(np.float32), RADIUS, PITCH)
    stands = rim.at(*np.indices(shape).reshape(2, -1)).reshape(shape) > MIDDLE
    near = binary_dilation(stands[::2, ::2], np.ones((3, 3)))
    wanted = stands & ~np.repeat(np.repeat(near, 2, axis=0), 2, axis=1)[: shape[0], : shape[1]]
    assert shape[0] < 30 or wanted.any()
    np.testing.assert_array_equal(rim.thin(), np.nonzero(wanted))


@pytest.mark.parametrize("seed", range(20))
def test_of_wide_ground_the_rim_answers_for_all_of_it(monkeypatch, space, seed):
    """Against distances to every node, for places beside ground, over it, and outside its box."""
    rng = np.random.default_rng(seed)
    f, body = space.frame, Stage(RADIUS, FLUTE)
    i, j = np.ogrid[: f.ny, : f.nx]
    stands = np.zeros((f.ny, f.nx), bool)
    for a, b, r in rng.uniform((0, 0, 4), (f.ny, f.nx, 40), (3, 3)):
        stands |= (i - a) ** 2 + (j - b) ** 2 < r * r
    rows, columns = np.nonzero(stands)
    ground = rests._Nodes(rows, columns, np.full(len(rows), TOP, np.float32))
    found = Above(space, (body,))
    xy = np.stack([f.x0 + f.h * columns, f.y0 + f.h * rows], axis=1)
    monkeypatch.setattr(rests, "MANY", 0)
    for place in rng.uniform(-30.0, 30.0, (40, 2)):
        met = np.hypot(*(xy - place).T).min() <= body.radius - rests.TOUCH
        assert found._touched(ground, body, DEEP, [Piece(place[None], np.zeros(1), None)]) == met
