"""Arc fitting, judged by distances that shapely measures between what went in and what came out."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from zrough.arcs import FALL, Segments, closeness, compact, fit, to_chords
from zrough.errors import PlanError
from zrough.toolpath import Kind, Toolpath

STEP = 0.0005  # rad between the points an arc is sampled at: sagitta below 1e-6 of the radius / 30


def sampled(segments: Segments, k: int) -> np.ndarray:
    """Points along segment k, (n, 2 or 3); its angle comes from the arc's own definition."""
    a = segments.ends[k - 1] if k else segments.start
    b = segments.ends[k]
    if segments.turn[k] == 0:
        return np.array([a, b])
    centre = segments.centre[k]
    first = math.atan2(*(a[:2] - centre)[::-1])
    sweep = (segments.turn[k] * (math.atan2(*(b[:2] - centre)[::-1]) - first)) % (2 * math.pi)
    t = np.linspace(0, 1, max(65, int(sweep / STEP)))
    angle = first + segments.turn[k] * sweep * t
    radius = np.hypot(*(a[:2] - centre))
    plan = centre + radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return plan if len(a) == 2 else np.column_stack([plan, a[2] + (b[2] - a[2]) * t])


def worst(points: np.ndarray, segments: Segments) -> float:
    """Largest distance in plan between each segment and the stretch of polyline it stands for, both ways."""
    most = 0.0
    for k in range(len(segments)):
        stretch = shapely.LineString(points[segments.joints[k] : segments.joints[k + 1] + 1, :2])
        out = shapely.LineString(sampled(segments, k)[:, :2])
        fine = shapely.segmentize(stretch, 0.05)
        most = max(most, shapely.distance(out, shapely.points(shapely.get_coordinates(fine))).max())
        most = max(most, shapely.distance(stretch, shapely.points(shapely.get_coordinates(out))).max())
    return most


def sweeps(segments: Segments) -> np.ndarray:
    """Angle turned by each segment, degrees, 0 on lines."""
    a = np.vstack([segments.start, segments.ends[:-1]])[:, :2] - segments.centre
    b = segments.ends[:, :2] - segments.centre
    turned = np.arctan2(b[:, 1], b[:, 0]) - np.arctan2(a[:, 1], a[:, 0])
    return np.degrees(np.nan_to_num((turned * segments.turn) % (2 * np.pi)))


def radii_differ(segments: Segments, decimals: int = 9) -> float:
    """Largest difference of an arc's radii at its ends once everything is rounded."""
    a = np.vstack([segments.start, segments.ends[:-1]])[:, :2]
    ends, centre = np.round(segments.ends[:, :2], decimals), np.round(segments.centre, decimals)
    a = np.round(a, decimals)
    arcs = segments.turn != 0
    gap = np.abs(np.hypot(*(a - centre)[arcs].T) - np.hypot(*(ends - centre)[arcs].T))
    return float(gap.max(initial=0.0))


def kinks(segments: Segments) -> np.ndarray:
    """Angle between the directions of neighbouring segments at their joint, degrees."""
    out = []
    for k in range(1, len(segments)):
        p, q = sampled(segments, k - 1)[:, :2], sampled(segments, k)[:, :2]
        u, v = p[-1] - p[-2], q[1] - q[0]
        out.append(abs(math.degrees(math.atan2(u[0] * v[1] - u[1] * v[0], u @ v))))
    return np.array(out)


def circle(radius: float, n: int) -> np.ndarray:
    t = np.linspace(0, 2 * np.pi, n)
    return radius * np.stack([np.cos(t), np.sin(t)], axis=1)


def stadium() -> np.ndarray:
    """A 60 x 40 rectangle with corners of radius 8, points 0.1 to 0.2 mm apart, closed."""
    shape = shapely.box(-22, -12, 22, 12).buffer(8, quad_segs=80)
    return shapely.get_coordinates(shapely.segmentize(shape.exterior, 0.2))


def wavy(n: int = 4000) -> np.ndarray:
    t = np.linspace(0, 2 * np.pi, n)
    r = 40 + 6 * np.sin(3 * t) + 3 * np.cos(7 * t)
    return np.stack([r * np.cos(t), r * np.sin(t)], axis=1)


def test_a_circle_becomes_three_arcs_of_its_radius() -> None:
    points = circle(25.0, 801)
    segments = fit(points, 0.01)
    assert len(segments) == 3  # none may reach 180 degrees, so three is the least
    assert (segments.turn == 1).all()
    assert np.allclose(np.hypot(*(segments.ends - segments.centre).T), 25.0, atol=0.01)
    assert np.allclose(segments.centre, 0, atol=0.02)
    assert sweeps(segments).max() < 171
    assert np.allclose(segments.ends[-1], points[-1])


def test_clockwise_circle_turns_clockwise() -> None:
    assert (fit(circle(25.0, 801)[::-1], 0.01).turn == -1).all()


def test_lines_and_corners_come_back_as_lines_and_arcs() -> None:
    points = stadium()
    segments = fit(points, 0.01)
    assert worst(points, segments) <= 0.01
    # four sides, four corners, one more where the outline starts in the middle of a corner
    assert len(segments) <= 10
    long = np.hypot(*np.diff(np.vstack([segments.start, segments.ends]), axis=0).T) > 20
    assert (segments.turn[long] == 0).all()
    arcs = segments.turn != 0
    assert np.allclose(np.hypot(*(segments.ends - segments.centre)[arcs].T), 8.0, atol=0.35)


@pytest.mark.parametrize("tolerance", [0.002, 0.01, 0.05])
@pytest.mark.parametrize("noise", [0.0, 0.0008])
def test_stays_within_tolerance_both_ways(tolerance: float, noise: float) -> None:
    points = wavy() + np.random.default_rng(7).normal(0, noise, (4000, 2))
    segments = fit(points, tolerance)
    assert worst(points, segments) <= tolerance * (1 + 1e-9) + 1e-6
    assert radii_differ(segments) < 1e-6
    assert sweeps(segments).max() < 171


def test_adds_no_sharp_kinks_to_a_smooth_path() -> None:
    """At the tolerance an arc's ends are off the path's direction by k' s**2 / 12, see the next test.

    Where curvature peaks two such errors add up: 124.7 tol / (6 s), 3.8 degrees for arcs of 3.1 mm.
    """
    points = wavy()
    step = np.diff(points, axis=0)
    heading = np.unwrap(np.arctan2(step[:, 1], step[:, 0]))
    already = np.degrees(np.abs(np.diff(heading)).max())
    bends = kinks(fit(points, 0.01))
    assert bends.max() < 4.0 + already
    assert np.percentile(bends, 90) < 2.0 + already
    assert np.median(bends) < 0.5


def test_needs_few_segments() -> None:
    """A path of curvature k(s) needs about the integral of (k'(s) / (124.7 tol))**(1/3) arcs.

    The best arc through both ends of a stretch of length s whose curvature grows evenly errs by
    k' s**3 / (72 sqrt 3) = k' s**3 / 124.7, the extreme of a cubic between its zeros at both ends and the
    middle; so s = (124.7 tol / k')**(1/3).
    """
    t = np.linspace(0, 6 * np.pi, 20001)
    spiral = np.stack([(5 + 2 * t) * np.cos(t), (5 + 2 * t) * np.sin(t)], axis=1)
    d1 = np.gradient(spiral, t, axis=0)
    d2 = np.gradient(d1, t, axis=0)
    speed = np.hypot(*d1.T)
    curvature = (d1[:, 0] * d2[:, 1] - d1[:, 1] * d2[:, 0]) / speed**3
    change = np.abs(np.gradient(curvature, t)) / speed
    need = np.trapezoid((change / (124.7 * 0.01)) ** (1 / 3) * speed, t)
    assert len(fit(spiral, 0.01)) <= 1.5 * need + 2


def test_helix_height_grows_evenly_along_the_arc() -> None:
    t = np.linspace(0, 6 * np.pi, 2000)
    points = np.stack([9 * np.cos(t), 9 * np.sin(t), -0.4 * t], axis=1)
    segments = fit(points, 0.01)
    assert len(segments) <= 8  # 1080 degrees in arcs below 170
    heights = np.vstack([segments.start, segments.ends])[:, 2]
    assert np.allclose(np.diff(heights), -0.4 * np.radians(sweeps(segments)), atol=0.002)
    for k in range(len(segments)):
        line = sampled(segments, k)
        angle = np.unwrap(np.arctan2(line[:, 1], line[:, 0]))
        start = points[segments.joints[k], 2]
        assert np.abs(line[:, 2] - (start - 0.4 * (angle - angle[0]))).max() < 0.01


def test_uneven_rise_is_split() -> None:
    t = np.linspace(0, np.pi / 2, 500)
    rise = np.where(t < 0.7, 0.0, 3 * (t - 0.7))
    points = np.stack([9 * np.cos(t), 9 * np.sin(t), rise], axis=1)
    segments = fit(points, 0.01)
    for k in range(len(segments)):
        line = sampled(segments, k)
        want = np.interp(np.arctan2(line[:, 1], line[:, 0]), t, rise)
        assert np.abs(line[:, 2] - want).max() <= 0.0101


def test_straight_down_is_a_line() -> None:
    points = np.array([[0, 0, 5.0], [0, 0, 3], [0, 0, 0], [4, 0, 0]])
    segments = fit(points, 0.01)
    assert segments.ends.tolist() == [[0, 0, 0], [4, 0, 0]]
    assert (segments.turn == 0).all()


def test_sharp_corners_stay() -> None:
    points = np.array([[0, 0], [10, 0], [10, 10], [0, 10], [0, 0]], float)
    assert np.array_equal(fit(points, 0.01).ends, points[1:])


def test_a_turn_back_is_kept() -> None:
    points = np.array([[0, 0], [10, 0], [4, 0], [4, 5]], float)
    assert np.array_equal(fit(points, 0.01).ends, points[1:])


def test_flattest_arc_and_shortest_segment() -> None:
    t = np.linspace(0, 0.2, 2001)
    shallow = 900 * np.stack([np.cos(t), np.sin(t)], axis=1)
    assert (fit(shallow, 0.01).turn != 0).all()
    flat = fit(shallow, 0.01, max_radius=500)
    assert (flat.turn == 0).all()
    assert worst(shallow, flat) <= 0.01 + 1e-9

    rng = np.random.default_rng(3)
    rough = wavy(6000) + rng.normal(0, 0.003, (6000, 2))

    def lengths(s: Segments) -> np.ndarray:
        return np.array([np.hypot(*np.diff(sampled(s, k), axis=0).T).sum() for k in range(len(s))])

    plain, spared = fit(rough, 0.01), fit(rough, 0.01, min_length=0.5)
    assert np.count_nonzero(lengths(spared) < 0.5) <= 0.35 * np.count_nonzero(lengths(plain) < 0.5)
    assert worst(rough, spared) <= 0.0101


def test_joints_say_which_points_a_segment_stands_for() -> None:
    points = wavy()
    segments = fit(points, 0.01)
    assert segments.joints[0] == 0
    assert segments.joints[-1] == len(points) - 1
    assert np.array_equal(points[segments.joints[1:]], segments.ends)
    load = np.arange(len(points))
    assert np.array_equal(segments.largest(load), segments.joints[1:])
    assert np.array_equal(segments.smallest(load), segments.joints[:-1] + 1)


def test_breaks_and_repeated_points() -> None:
    points = np.repeat(circle(10.0, 201), 2, axis=0)
    segments = fit(points, 0.01, breaks=[100, 101, 250])
    assert {100, 250} <= set(segments.joints.tolist()) | {x + 1 for x in segments.joints.tolist()}
    assert segments.joints[-1] == len(points) - 1
    assert worst(points, segments) <= 0.01 + 1e-9


def test_little_or_bad_input() -> None:
    assert len(fit(np.zeros((0, 2)), 0.01)) == 0
    assert len(fit([[1.0, 2.0]], 0.01)) == 0
    assert len(fit([[1.0, 2.0], [1.0, 2.0]], 0.01)) == 0
    assert fit([[1.0, 2.0], [3.0, 2.0]], 0.01).ends.tolist() == [[3.0, 2.0]]
    with pytest.raises(PlanError, match="point 1 is not a number"):
        fit([[0.0, 0.0], [np.nan, 0.0]], 0.01)
    with pytest.raises(PlanError, match="tolerance"):
        fit([[0.0, 0.0], [1.0, 0.0]], 0.0)
    with pytest.raises(PlanError, match="shape"):
        fit([1.0, 2.0], 0.01)


def test_rounding_keeps_arcs_legal() -> None:
    """Radii within 0.002 mm at four decimals and 0.0002 inch at five: NISTIR 6556, section 3.5.3.2."""
    rng = np.random.default_rng(11)
    for _ in range(20):
        t = np.linspace(0, rng.uniform(0.5, 6), 800)
        r = rng.uniform(0.5, 300) * (1 + 0.05 * np.sin(rng.uniform(1, 4) * t))
        segments = fit(np.stack([r * np.cos(t), r * np.sin(t)], axis=1), 0.01)
        assert radii_differ(segments, 4) <= 0.002


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**31),
    n=st.integers(3, 300),
    turn=st.floats(0.001, 1.5),
    tolerance=st.sampled_from([0.001, 0.01, 0.1]),
    least=st.sampled_from([0.0, 0.5]),
)
def test_any_walk_stays_within_tolerance(
    seed: int, n: int, turn: float, tolerance: float, least: float
) -> None:
    rng = np.random.default_rng(seed)
    heading = np.cumsum(rng.normal(0, turn, n))
    points = np.cumsum(
        rng.uniform(0.02, 1, (n, 1)) * np.stack([np.cos(heading), np.sin(heading)], axis=1), axis=0
    )
    segments = fit(points, tolerance, least)
    assert worst(points, segments) <= tolerance * (1 + 1e-6) + 1e-6
    assert radii_differ(segments) < 1e-6
    again = fit(points, tolerance, least)
    assert segments.ends.tobytes() == again.ends.tobytes()
    assert segments.centre.tobytes() == again.centre.tobytes()


def path_of(xyz: np.ndarray, kind: np.ndarray) -> Toolpath:
    n = len(xyz)
    return Toolpath(
        xyz, kind.astype(np.uint8), np.where(kind == Kind.RAPID, 0.0, 1000.0), np.zeros(n, np.int8),
        np.full((n, 2), np.nan), np.zeros(n, np.int32), np.linspace(0, 60, n).astype(np.float32),
    )  # fmt: skip


def test_compact_keeps_purpose_and_load() -> None:
    ring = np.column_stack([circle(20.0, 400), np.full(400, -5.0)])
    xyz = np.vstack([[[20, 0, 10]], [[20, 0, 2]], ring, [[20, 0, 10]], [[0, 0, 10]]])
    kind = np.r_[Kind.RAPID, Kind.DROP, Kind.DROP, np.full(399, Kind.CUT), Kind.LIFT, Kind.RAPID]
    old = path_of(xyz, kind)
    new = compact(old, 0.01)
    assert len(new) == 8
    assert new.kind.tolist() == [0, 6, 6, 1, 1, 1, 5, 0]
    assert new.engagement[5] == pytest.approx(old.engagement[401])
    assert new.lengths().sum() == pytest.approx(old.lengths().sum(), abs=0.02)


def test_compact_leaves_arcs_alone_even_full_circles() -> None:
    xyz = np.array([[0, 0, 5.0], [10, 0, 5], [10, 0, 5], [10, 0, 4], [20, 0, 4], [20, 0.001, 4]])
    old = path_of(xyz, np.array([0, 1, 1, 3, 1, 1]))
    turn, centre = old.turn.copy(), old.centre.copy()
    turn[2], centre[2] = 1, (5, 0)
    turn[3], centre[3] = -1, (7, 0)
    old = Toolpath(old.xyz, old.kind, old.feed, turn, centre, old.level, old.engagement)
    new = compact(old, 0.01)
    assert new.turn.tolist() == [0, 0, 1, -1, 0]
    assert new.centre[2].tolist() == [5, 0]
    assert np.array_equal(new.xyz[:4], xyz[:4])


def test_chords_follow_arcs() -> None:
    xyz = np.array([[10, 0, 0.0], [0, 10, -2], [0, 10, -2], [-5, 10, -2]])
    old = path_of(xyz, np.array([0, 3, 1, 1]))
    turn = np.array([0, 1, -1, 0], np.int8)
    centre = np.array([[np.nan] * 2, [0, 0], [0, 5], [np.nan] * 2])
    old = Toolpath(old.xyz, old.kind, old.feed, turn, centre, old.level, old.engagement)
    new = to_chords(old, 0.002)
    assert (new.turn == 0).all()
    helix = new.xyz[new.kind == Kind.HELIX]
    angle = np.arctan2(helix[:, 1], helix[:, 0])
    assert np.allclose(np.hypot(helix[:, 0], helix[:, 1]), 10)
    assert np.allclose(helix[:, 2], -2 * angle / (np.pi / 2))
    whole = shapely.LineString(np.vstack([[0, 10], new.xyz[1 + len(helix) : -1, :2]]))
    assert whole.length == pytest.approx(2 * np.pi * 5, rel=1e-3)
    gap = 5 - shapely.distance(shapely.Point(0, 5), whole)
    assert 0 < gap <= 0.002
    assert np.array_equal(new.xyz[-1], xyz[-1])
    assert to_chords(new, 0.002) is new


def turned_off(points: np.ndarray, segments: Segments) -> float:
    """Largest angle, rad, between a step of the polyline and its segment at the middle of that step."""
    most = 0.0
    for k in range(len(segments)):
        at = points[segments.joints[k] : segments.joints[k + 1] + 1]
        step, middle = np.diff(at, axis=0), 0.5 * (at[1:] + at[:-1])
        if segments.turn[k]:
            ray = middle - segments.centre[k]
            along = segments.turn[k] * np.stack([-ray[:, 1], ray[:, 0]], axis=1)
        else:
            along = np.broadcast_to(at[-1] - at[0], step.shape)
        cross = along[:, 0] * step[:, 1] - along[:, 1] * step[:, 0]
        most = max(most, np.abs(np.arctan2(cross, (along * step).sum(axis=1))).max())
    return most


@given(seed=st.integers(0, 2**31), stray=st.sampled_from([0.003, 0.01, 0.03]))
@settings(max_examples=30, deadline=None)
def test_directions_are_kept(seed, stray):
    rng = np.random.default_rng(seed)
    heading = np.cumsum(np.cumsum(rng.normal(0, 0.004, 200)) + rng.normal(0, 0.02, 200))
    points = np.cumsum(0.15 * np.stack([np.cos(heading), np.sin(heading)], axis=1), axis=0)
    loose, strict = fit(points, 0.01), fit(points, 0.01, stray=stray)
    assert turned_off(points, strict) <= stray + 1e-9
    assert worst(points, strict) <= 0.01 + 1e-9
    if turned_off(points, loose) > stray:
        assert len(strict) >= len(loose)


def test_chords_of_a_helix_fall() -> None:
    """Chords as short as the tolerance asks for would each fall less than what still reads as level."""
    half, drop = 3.0, 0.3  # mm: a half turn of 2 degrees
    xyz = np.array([[half, 0, 0.0], [-half, 0, -drop], [half, 0, -drop]])
    old = path_of(xyz, np.array([0, 3, 3]))
    centre = np.array([[np.nan] * 2, [0, 0], [0, 0]])
    old = Toolpath(
        old.xyz, old.kind, old.feed, np.array([0, 1, 1], np.int8), centre, old.level, old.engagement
    )
    new = to_chords(old, 0.001)
    falls = -np.diff(new.xyz[:, 2])
    falls = falls[falls > 0.0]
    assert falls.sum() == pytest.approx(drop)
    assert falls.min() >= FALL * (1 - 1e-9)
    # on the level they follow the circle: sagitta 1 - cos of half a chord's angle
    last = new.xyz[new.xyz[:, 2] == -drop][:, :2]
    assert half * (1 - np.cos(0.5 * np.pi / (len(last) - 1))) <= 0.001


def test_chords_are_no_coarser_for_a_large_tolerance() -> None:
    assert closeness(0.03) == closeness(0.01) == pytest.approx(0.002)
    assert closeness(0.004) == pytest.approx(0.0008)


def test_chords_of_a_turn_that_rounding_lowers_follow_it() -> None:
    """A helix ends with a turn on its level, which the last bit of a height may call a fall."""
    half, last = 2.576, -6.35
    xyz = np.array([[half, 0, last + 1e-15], [-half, 0, last], [half, 0, last]])
    old = path_of(xyz, np.array([0, 3, 3]))
    centre = np.array([[np.nan] * 2, [0, 0], [0, 0]])
    turn = np.array([0, 1, 1], np.int8)
    new = to_chords(Toolpath(old.xyz, old.kind, old.feed, turn, centre, old.level, old.engagement), 0.002)
    middles = 0.5 * (new.xyz[1:, :2] + new.xyz[:-1, :2])
    assert (half - np.hypot(*middles.T)).max() <= 0.002
