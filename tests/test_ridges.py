"""Ridges that a corner radius leaves between passes, measured from the walks alone with a search tree."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from regions import Region, level, rules
from scipy.spatial import cKDTree
from shapely.geometry import box

from zrough.grid import Grid
from zrough.kernels import march
from zrough.kernels import ridges as kernels
from zrough.pieces import FLAT
from zrough.ridges import LEAST, Ridges
from zrough.rings import Clearing
from zrough.stairs import Limits

RADIUS, CORNER, WALL = 5.0, 2.0, 0.3
INF = math.inf


def underside(distance, corner=CORNER):
    """Height of a bull-nose cutter's underside over its tip: a quarter circle round its flat, mm."""
    over = np.maximum(distance - (RADIUS - corner), 0.0)
    return np.where(over <= corner, corner - np.sqrt(np.maximum(corner**2 - over**2, 0.0)), INF)


def left_over(pieces, points, corner=CORNER):
    """What walks at tip height 0 leave standing at points (n, 2), from their centres alone."""
    centres = np.concatenate([dense(p.points) for p in pieces])
    return underside(cKDTree(centres).query(points)[0], corner)


def dense(line, step=0.02):
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    at = np.arange(0.0, length[-1] + step, step)
    return np.column_stack([np.interp(at, length, line[:, k]) for k in (0, 1)])


def field(corner=CORNER, apart=2.0):
    """An open field cleared at tip height 0 in passes so far ``apart``, two of them 9.8 mm."""
    region = Region(box(0.0, 0.0, 60.0, 40.0), (0.0, 0.0, 60.0, 40.0), RADIUS, 60.0)
    frame, _, d2 = level(region)
    work = Clearing(frame, d2, rules(region, corner=corner))
    lanes = [*np.arange(25.1, 5.0, -apart)[::-1], *np.arange(34.9, 55.0, apart)]
    walks = [SimpleNamespace(points=dense(np.array([[x, 5.05], [x, 34.95]]))) for x in lanes]
    walks += [SimpleNamespace(points=dense(np.array([[5.1, y], [54.9, y]]))) for y in (5.05, 34.95)]
    for walk in walks:
        march.stamp_path(d2, frame.x0, frame.y0, frame.hd, RADIUS + 3 * frame.hd, walk.points)
    work.track = [walk.points for walk in walks]
    return region, walks, work


def space(region, tip, corner=CORNER):
    """What `Ridges` asks of a space: a surface in reach at height ``tip`` everywhere."""
    frame, _, _ = level(region)
    grid = Grid(frame.x0, frame.y0, frame.h, frame.nx, frame.ny)
    return SimpleNamespace(
        frame=frame, grid=grid, radius=RADIUS, corner=corner + WALL, wall=WALL, floor=0.0,
        tip=np.full(grid.shape, tip, np.float32), ceiling=np.full(grid.shape, 10.0, np.float32), before=(),
    )  # fmt: skip


def inner_points(region):
    """Points that the flat of the cutter's tip reaches."""
    x0, y0, x1, y1 = region.centres.bounds
    x, y = np.meshgrid(np.arange(x0, x1, 0.1), np.arange(y0, y1, 0.1))
    at = np.column_stack([x.ravel(), y.ravel()])
    return at[shapely.contains_xy(region.centres, at[:, 0], at[:, 1])]


@pytest.mark.compiled
def test_ridges_over_the_limit_are_walked_over():
    region, walks, work = field()
    at = inner_points(region)
    ridge = underside(4.9)
    assert left_over(walks, at).max() == pytest.approx(ridge, abs=0.01)
    _, ground, _ = level(region)
    pieces = []
    assert Ridges(space(region, -0.8), Limits(1.0, INF)).take_off(work, ground, 0.0, INF, pieces) == []
    assert pieces
    # 0.2 mm may stand over the tip: the surface lies 0.8 mm lower and the stair may be 1 mm high
    after = left_over(walks + pieces, at)
    assert after.max() <= 0.2 + LEAST + 0.02
    # the whole cutter comes down where nothing stands, a node beside its rim apart
    for k, piece in enumerate(pieces):
        away = np.hypot(*(at - piece.points[0]).T)
        near = away < RADIUS - 0.1
        stands = left_over(walks + pieces[:k], at[near]) - underside(away[near] + 0.1)
        assert stands.max() < 0.02


@pytest.mark.compiled
def test_a_ball_takes_off_tall_ridges_where_little_may_stand():
    """Over a tip that may leave 0.06 mm a ball is 1.5 mm wide: the ridge is first taken off by more of it."""
    region, walks, work = field(RADIUS, 1.2)
    at = inner_points(region)
    assert left_over(walks, at, RADIUS).max() == pytest.approx(underside(4.9, RADIUS), abs=0.01)
    _, ground, _ = level(region)
    pieces = []
    ridges = Ridges(space(region, -1.14, RADIUS), Limits(1.2, INF))
    assert ridges.take_off(work, ground, 0.0, INF, pieces) == []
    assert left_over(walks + pieces, at, RADIUS).max() <= 0.06 + LEAST + 0.02


@pytest.mark.compiled
def test_no_walk_where_ridges_do_no_harm():
    region, _, work = field()
    _, ground, _ = level(region)
    for tip, above, limits in (
        (-0.5, INF, Limits(3.0, INF)),  # a ridge stays under the limit
        (-9.0, INF, Limits(1.0, INF)),  # a deeper level will take the ground
        (-0.2, 0.7, Limits(1.0, INF)),  # the next level is low enough to take the ridge off
        (-0.8, INF, Limits(INF, INF)),  # no limit
    ):
        pieces = []
        Ridges(space(region, tip), limits).take_off(work, ground, 0.0, above, pieces)
        assert not pieces


@pytest.mark.compiled
def test_ground_left_whole_is_kept_off_and_the_ridge_beside_it_told():
    region, walks, work = field()
    frame, ground, _ = level(region)
    fine = Grid(frame.x0, frame.y0, frame.hd, frame.fine[1], frame.fine[0])
    x, y = np.meshgrid(fine.x, fine.y)
    block = box(28.0, 16.0, 32.0, 24.0)  # stands on the ridge to its full height
    work.d2[shapely.contains_xy(block, x, y)] = 1.0e6
    pieces = []
    told = Ridges(space(region, -0.8), Limits(1.0, INF)).take_off(work, ground, 0.0, INF, pieces)
    assert pieces
    for piece in pieces:
        assert shapely.LineString(piece.points).distance(block) >= RADIUS
    at = inner_points(region)
    high = at[left_over(walks + pieces, at) > 0.2 + LEAST + 0.02]
    boxes = shapely.union_all([block, *(box(*u.box) for u in told)])  # the block itself is told by the engine
    assert shapely.contains_xy(boxes, high[:, 0], high[:, 1]).all()
    assert boxes.within(block.buffer(RADIUS + 1.0).envelope)
    assert 0.0 < sum(u.area for u in told) < boxes.difference(block).area


def test_height_between_two_passes_in_closed_form():
    hd = 0.05
    x = np.arange(-8.0, 8.0 + hd / 2, hd)
    half = 4.2  # two straight passes at x = -4.2 and 4.2
    d2 = np.tile(np.minimum((x - half) ** 2, (x + half) ** 2), (5, 1)).astype(np.float32)
    left = np.full(d2.shape, np.inf, np.float32)
    kernels.lower(d2, 1.5, RADIUS, CORNER, left)
    expected = 1.5 + CORNER - math.sqrt(CORNER**2 - (half - RADIUS + CORNER) ** 2)
    assert left[2, len(x) // 2] == pytest.approx(expected, abs=1e-4)
    assert left[2, np.argmin(abs(x - half))] == pytest.approx(1.5)
    kernels.lower(d2, 2.0, RADIUS, CORNER, left)  # a higher level changes nothing there
    assert left[2, len(x) // 2] == pytest.approx(expected, abs=1e-4)


def test_ground_cut_deeper_is_air_where_the_tip_left_it_lower():
    """From the walks' centres alone: a ball's underside stands no higher than the level there."""
    region, walks, work = field(RADIUS)
    frame, ground, _ = level(region)
    ridges = Ridges(space(region, -9.0, RADIUS), Limits(INF, INF))
    assert ridges.take_off(work, ground, -1.5, INF, []) == []
    x, y = (frame.x0 + frame.hd * np.arange(frame.fine[1]), frame.y0 + frame.hd * np.arange(frame.fine[0]))
    nodes = np.column_stack([axis.ravel() for axis in np.meshgrid(x, y)])
    inside = ((nodes > 0.2) & (nodes < (59.8, 39.8))).all(axis=1)  # the stock
    over = left_over(walks, nodes[inside], RADIUS) - 1.5
    told = ridges.low(0.0).ravel()[inside]
    assert told[over < -0.02].all()
    assert not told[over > 0.02].any()
    assert told.any()
    assert not told.all()


@pytest.mark.compiled
def test_a_ball_evens_no_air_beside_the_stock():
    region = Region(box(0.0, 0.0, 60.0, 50.0), (22.0, 20.0, 38.0, 30.0), RADIUS, 60.0)
    frame, ground, d2 = level(region)
    stock = box(*region.stock)
    far = []
    for ridges in (None, Ridges(space(region, 0.0, RADIUS), Limits(1.0, INF), d2)):
        work = Clearing(frame, d2.copy(), rules(region, corner=RADIUS))
        work.air = None if ridges is None else ridges.low(0.0)
        work.run(ground, None, 0.03, floor=True)
        slim = work.rules.radius_at(work.rules.evened)
        far.append([p for p in work.evened if shapely.LineString(p).distance(stock) > slim + frame.h])
    assert far[0]  # where it does not know of the air
    assert not far[1]


def test_floors_are_evened_no_lower_than_every_pass_leaves_them():
    """Between passes a = R (1 - cos cap) apart a ball leaves R - sqrt(R^2 - (a / 2)^2)."""
    for cap in (20.0, 40.0, 64.0, 100.0):
        region = Region(box(0.0, 0.0, 60.0, 40.0), None, RADIUS, cap)
        apart = RADIUS * (1.0 - math.cos(math.radians(cap)))
        stands = RADIUS - math.sqrt(RADIUS**2 - (0.5 * apart) ** 2)
        assert rules(region, corner=RADIUS).evened > stands
        assert rules(region, corner=0.7 * RADIUS).evened == FLAT  # its flat makes the floor


@pytest.mark.compiled
def test_a_ball_does_not_cut_its_floors_twice():
    region = Region(box(-12.0, -12.0, 102.0, 82.0), (0.0, 0.0, 90.0, 70.0), RADIUS, 64.0)
    frame, ground, d2 = level(region)
    lengths = []
    for floor in (False, True):
        work = Clearing(frame, d2.copy(), rules(region, corner=RADIUS))
        work.air = d2 <= RADIUS**2
        pieces = work.run(ground, None, 0.03, floor=floor)
        lengths.append(sum(shapely.LineString(p.points).length for p in pieces))
    assert lengths[0] > 400.0
    assert lengths[1] < 1.6 * lengths[0]
