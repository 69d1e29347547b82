"""Where walks along walls may start, and how many threads a stage may use within another."""

from concurrent.futures import ThreadPoolExecutor
from types import SimpleNamespace

import numpy as np
import pytest
import regions
from regions import Region
from shapely.geometry import box

from zrough import threads
from zrough.pieces import Level, Piece
from zrough.rings import Clearing
from zrough.wallstarts import Starts, Walls

WORK = {"rules": SimpleNamespace(radius=10.0), "frame": SimpleNamespace(h=1.0), "ground": True}


def plain(level, is_open, side, here):
    """The nearest point at which a run of open ones begins, ring by ring; less than 0.5 radii of run brings
    it 0.2 radii nearer."""
    starts, sooner = [], []
    for a, b in zip(level.offsets[:-1], level.offsets[1:], strict=True):
        ring = is_open[a:b]
        for k in range(b - a):
            if ring[k] and (ring.all() or not ring[(k - side) % (b - a)]):
                run = next((n for n in range(b - a) if not ring[(k + side * n) % (b - a)]), b - a)
                starts.append(a + k)
                sooner.append(2.0 if run < 5 else 0.0)
    if not starts:
        return None
    away = np.hypot(*(level.points[starts] - here).T) - sooner
    return float(away.min()), starts[int(np.argmin(away))]


@pytest.mark.parametrize("sides", [(1,), (-1,), (1, -1)])
def test_the_nearest_start_stays_known_while_points_close(sides):
    rng = np.random.default_rng(len(sides) + sides[0])
    offsets = np.cumsum([0, 12, 5, 30, 3])
    level = Level(np.zeros((2, 2), np.float32), rng.uniform(0.0, 9.0, (50, 2)), offsets)
    bite = (rng.random(50) < 0.7).astype(np.uint8)
    bite[12:17] = 1  # open all round
    walls = Walls(np.zeros(50, np.int64), bite, np.zeros(50, bool), np.zeros(50, bool))
    here = np.array([4.0, 5.0])
    starts = Starts(SimpleNamespace(sides=sides, **WORK), level, walls, here)
    for _ in range(60):
        best = [
            (found, side) for side in sides if (found := plain(level, walls.open, side, here)) is not None
        ]
        if not best:
            break
        (_, at), side = min(best, key=lambda q: q[0][0])
        assert starts.nearest() == (at, side)
        marks = walls.spent if rng.random() < 0.5 else walls.blocked
        marks[at] = True
        starts.closed(at)
    assert not walls.open.any()
    assert starts.nearest() is None


def test_from_nowhere_the_first_start_is_the_nearest():
    level = Level(np.zeros((2, 2), np.float32), np.arange(12.0).reshape(6, 2), np.array([0, 3, 6]))
    walls = Walls(np.zeros(6, np.int64), np.array([0, 0, 0, 0, 1, 0], np.uint8), *np.zeros((2, 6), bool))
    starts = Starts(SimpleNamespace(sides=(1,), **WORK), level, walls, None)
    assert starts.nearest() == (4, 1)


def test_without_rings_there_is_no_start():
    level = Level(np.zeros((2, 2), np.float32), np.zeros((0, 2)), np.zeros(1, np.int64))
    walls = Walls(np.zeros(0, np.int64), np.zeros(0, np.uint8), *np.zeros((2, 0), bool))
    assert Starts(SimpleNamespace(sides=(1,), **WORK), level, walls, None).nearest() is None


def test_one_of_many_starts_no_threads_of_its_own(monkeypatch):
    monkeypatch.setenv("NUMBA_NUM_THREADS", "3")
    with ThreadPoolExecutor(1) as pool:
        assert pool.submit(threads.alone(threads.count)).result() == 1
        assert pool.submit(threads.count).result() == 3  # the same thread, afterwards
    assert threads.alone(lambda: threads.alone(threads.count)() + threads.count())() == 2
    assert threads.count() == 3


@pytest.mark.compiled
def test_what_a_way_to_a_wall_cuts_is_no_reason_to_start_there_again():
    """The map does not know it as swept: counted, it would come again with every walk, without end."""
    radius = 5.0
    region = Region(box(0.0, 0.0, 40.0, 40.0), (0.0, 0.0, 40.0, 40.0), radius, 60.0)
    frame, _, d2 = regions.level(region)
    ground = Level(
        np.full((frame.ny, frame.nx), 9.0, np.float32), np.zeros((0, 2)), np.zeros(1, np.int64), []
    )
    work = Clearing(frame, d2, regions.rules(region))
    work.start(ground)
    # slantwise, 0.5 mm deep into the side x = 0 that stands right of the heading
    way = np.linspace([-radius - 1.0, 10.0], [0.5 - radius, 16.0], 61)
    piece, took = work._cut_wall(ground, (way, np.array([0.0, 1.0])), None)
    led = len(way) - np.searchsorted(way[:, 1], piece.points[0, 1]) - 1
    on_the_way = Piece(piece.points[: led + 1], piece.arcs[: led + 1], None).area(radius)
    assert on_the_way > 0.2
    assert took == pytest.approx(piece.area(radius) - on_the_way, rel=0.05)
