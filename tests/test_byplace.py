"""Climb walks by place: the order against all permutations, whole plans against swept areas by shapely."""

from __future__ import annotations

import itertools
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
import trimesh

import zrough
from zrough import byplace
from zrough.byplace import Places, _constraints, _with_ways
from zrough.kernels import places as kernels
from zrough.pieces import Frame, Piece
from zrough.shortways import Walk

R = 4.0


@pytest.fixture
def rng():
    return np.random.default_rng(5)


@pytest.mark.parametrize("seed", range(6))
def test_moves_shorten_the_way_and_keep_what_must_come_first(seed):
    """Never worse, never against the rule, and close to the best of all permutations of seven."""
    rng = np.random.default_rng(seed)
    n = 7
    at = rng.uniform(0.0, 10.0, (n + 1, 2))
    cost = np.hypot(*(at[:, None] - at[None, :n]).T).T.copy()
    first = np.triu(rng.random((n, n)) < 0.2, 1).astype(np.uint8)

    def length(order):
        return cost[n, order[0]] + sum(cost[a, b] for a, b in itertools.pairwise(order))

    def allowed(order):
        place = np.argsort(order)
        return all(place[a] < place[b] for a, b in zip(*np.nonzero(first), strict=True))

    order = np.arange(n)
    kernels.shorten(cost, first, order, np.array([1, 2, 3]), 20)
    best = min(length(list(p)) for p in itertools.permutations(range(n)) if allowed(np.array(p)))
    assert sorted(order) == list(range(n))
    assert allowed(order)
    assert best - 1e-9 <= length(order) <= min(length(range(n)), 1.35 * best) + 1e-9


def walk(x, y, length, way=None):
    points = np.array([[x, y], [x + length, y]], float)
    return Piece(
        points, np.array([0.0, 0.5]), None if way is None else np.array([way, (x, y)], float), wall=True
    )


@pytest.mark.parametrize(
    ("length", "apart", "levels", "looked"),
    [(6.0, 60.0, 3, True), (6.0, 60.0, 1, False), (200.0, 60.0, 3, False), (6.0, 2.0, 3, False)],
)
def test_maps_are_made_only_where_short_walks_lie_far_apart(monkeypatch, length, apart, levels, looked):
    """Two walls; by height each level costs the way between them, by place only one does."""
    asked = []
    unmoved = SimpleNamespace(add=lambda *_: None, moved=False)
    monkeypatch.setattr(byplace, "Visits", lambda *_: unmoved)
    monkeypatch.setattr(Places, "_sorted", lambda self, swept, walks, last: asked.append(last) or walks)
    frame = Frame(0.0, 0.0, 1.0, 8, 8)
    places = Places(
        SimpleNamespace(frame=frame, d2=np.zeros(frame.fine), whole=SimpleNamespace(radius=R)),
        lambda level: None,
    )
    places.after(0, False, [walk(0.0, 0.0, length)])
    end = (length, 0.0)
    for level in range(1, levels + 1):
        pieces = [walk(0.0, 0.0, length, end), walk(length + apart, 0.0, length, (length, 0.0))]
        end = (2.0 * length + apart, 0.0)
        places.after(level, False, pieces)
    assert places.order() is None
    assert asked == ([True] if looked else [])


def test_ground_that_a_walk_takes_is_waited_for(rng):
    """Against sets."""
    takes, covers = ([np.unique(rng.integers(0, 40, 6)) for _ in range(9)] for _ in range(2))
    takes[4] = np.zeros(0, np.int64)
    cells = set(np.concatenate(takes).tolist())
    covers = [np.array(sorted(cells & set(c.tolist())), np.int64) for c in covers]
    first = _constraints(takes, covers)
    for a, b in itertools.product(range(9), repeat=2):
        assert first[a, b] == (a < b and bool(set(takes[a].tolist()) & set(covers[b].tolist())))


def posts():
    """A plate with six drafted posts far from one another: short walls that climb levels trace."""
    base = trimesh.creation.box(bounds=[(-60, -40, -20), (60, 40, -12)])
    found = [base]
    for x, y in itertools.product((-45.0, 0.0, 45.0), (-27.0, 27.0)):
        post = trimesh.creation.cylinder(radius=5.0, height=13.0, sections=48)
        post.apply_translation((x, y, -6.5))
        v = post.vertices.copy()
        v[:, :2] = (x, y) + (v[:, :2] - (x, y)) * np.where(v[:, 2] > -1.0, 0.6, 1.0)[:, None]
        found.append(trimesh.Trimesh(v, post.faces))
    both = trimesh.boolean.union(found, engine="manifold")
    return np.asarray(both.vertices), np.asarray(both.faces)


def job():
    raw = {
        "stock": {"min": [-60, -40, -20], "max": [60, 40, 0]},
        "cutter": {"diameter": 2 * R, "flutes": 4, "flute_length": 22.0, "overhang": 40.0},
        "material": {"name": "P"},
        "machine": {"max_spindle_rpm": 12000.0, "max_feed": 8000.0},
        "roughing": {"level_depth": 12.0, "stair_height": 1.5, "engagement_deg": 60.0, "cell": 0.25},
    }
    return zrough.Job.from_dict(raw, mesh=posts())


@pytest.fixture(scope="module")
def both():
    """The plan by place, the same height by height, and the walks of every band: before and after."""
    seen = []
    after, order = Places.after, Places.order

    def watched_after(self, level, floor, pieces, following):
        self.__dict__.setdefault("planned", []).extend((level, piece) for piece in pieces if level)
        after(self, level, floor, pieces, following)

    def watched_order(self):
        found = order(self)
        if found is not None:
            seen.append((self.planned, found))
        return found

    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("NUMBA_NUM_THREADS", "2")
        patch.setattr(Places, "after", watched_after)
        patch.setattr(Places, "order", watched_order)
        by_place = zrough.plan(job())
        patch.setattr(Places, "order", lambda self: None)
        by_height = zrough.plan(job())
    return by_place, by_height, seen


def path_to_wall(plan):
    """Path of the climb levels with links to the length of wall that they trace."""
    climbs = [v for v in plan.levels if v.kind == "climb"]
    return sum(v.cut_mm + v.link_mm for v in climbs) / sum(v.wall_mm for v in climbs)


@pytest.mark.compiled
def test_far_apart_walls_are_climbed_one_after_the_other(both):
    by_place, by_height, seen = both
    assert seen
    assert by_place.check.ok, by_place.check.failures
    assert by_height.check.ok, by_height.check.failures
    # the goal for climb levels; height by height this part misses it
    assert path_to_wall(by_place) <= 1.6 < path_to_wall(by_height)
    assert by_place.check.removed_mm3 == pytest.approx(by_height.check.removed_mm3, rel=1e-4)


@pytest.mark.compiled
def test_the_number_of_threads_changes_nothing(both, monkeypatch):
    monkeypatch.setenv("NUMBA_NUM_THREADS", "1")
    assert zrough.plan(job(), check=False).nc_text == both[0].nc_text


@pytest.mark.compiled
def test_levels_still_tell_their_own_walks(both):
    by_place, by_height, _ = both
    assert [v.z for v in by_place.levels] == [v.z for v in by_height.levels]
    for ours, theirs in zip(by_place.levels, by_height.levels, strict=True):
        assert (ours.pieces, ours.wall_mm) == pytest.approx((theirs.pieces, theirs.wall_mm))
        assert ours.area_mm2 == pytest.approx(theirs.area_mm2)
        assert ours.cut_mm == pytest.approx(theirs.cut_mm, rel=1e-6)
    lengths = by_place.toolpath.lengths()
    total = sum(v.cut_mm + v.link_mm for v in by_place.levels)
    assert total == pytest.approx(lengths[by_place.toolpath.level >= 0].sum())
    assert np.any(np.diff(by_place.toolpath.level[by_place.toolpath.level >= 0]) < 0)


@pytest.mark.compiled
def test_each_walk_meets_what_it_met_when_it_was_planned(both):
    """What a walk was first to sweep, a later planned walk that now comes earlier must not touch."""
    _, _, seen = both
    assert seen
    for planned, order in seen:
        now = [walk for walk in order if walk[0]]
        keys = [(level, *piece.points[0]) for level, piece in planned]
        place = {(level, *piece.points[0]): k for k, (level, piece) in enumerate(now)}
        assert len(place) == len(keys) == len(now)
        swept = [shapely.LineString(p.points).buffer(R, 32) for _, p in planned]
        for a, b in itertools.combinations(range(len(keys)), 2):
            if place[keys[b]] < place[keys[a]] and swept[a].intersects(swept[b]):
                shared = swept[a].intersection(swept[b])
                earlier = shapely.union_all([s for s in swept[:a] if s.intersects(shared)])
                deep = shapely.difference(shared, earlier)
                assert _under_a_post(deep) < 0.05


@pytest.mark.compiled
def test_ways_meet_only_ground_that_walks_before_them_took(both):
    """Swept areas by shapely: the deep level leaves the feet of the posts, climb levels take their rims."""
    _, _, seen = both
    ways = 0
    for _, now in seen:
        swept = [shapely.LineString(piece.points).buffer(R, 32) for _, piece in now]
        for k, (level, piece) in enumerate(now):
            if k and piece.way is not None:
                ways += 1
                travelled = max(level, now[k - 1][0])
                met = shapely.LineString(piece.way).buffer(R, 32)
                done = [s for s, (low, _) in zip(swept[:k], now[:k], strict=True) if low <= travelled]
                assert _under_a_post(shapely.difference(met, shapely.union_all(done))) < 0.05
    assert ways > 20


def _under_a_post(area):
    """Area (mm2) within the foot of a post: all that the deep level leaves to the climb levels.

    A post tapers from 5 mm at z -13 by 2 mm in 13, has 48 sides, and stands in ground at z -12.
    """
    foot = (5.0 - 2.0 / 13.0) * np.cos(np.pi / 48) + 0.3
    posts_ = [
        shapely.Point(x, y).buffer(foot) for x, y in itertools.product((-45.0, 0.0, 45.0), (-27.0, 27.0))
    ]
    return area.intersection(shapely.union_all(posts_)).area


def test_from_afar_the_first_walk_has_no_way():
    """A band that cut nothing at its own depth: the cutter is elsewhere, and comes over the top."""
    walks = [Walk(1, Piece(np.array([[x, 0.0], [x, 1.0]]), np.zeros(2), None)) for x in (0.0, 5.0)]
    ground = SimpleNamespace(
        way=lambda at, walk, cut: (np.stack([at.piece.points[-1], walk.piece.points[0]]), 0.0)
    )
    for order in ([0, 1], [1, 0]):
        (_, first), (_, second) = _with_ways(ground, None, walks, order)
        assert first.way is None
        assert second.way.tolist() == [first.points[-1].tolist(), second.points[0].tolist()]
