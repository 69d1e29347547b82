"""Replay against closed forms and a boolean library."""

from __future__ import annotations

import itertools
import math
from types import SimpleNamespace

import numpy as np
import pytest
from conftest import INTERPRETED

from zrough import ncread, replay

R = 6.0


class Block:
    kind = "block"

    def __init__(self, lower, upper):
        self.lower, self.upper = lower, upper

    def top(self, grid):
        inside = np.outer(
            (grid.y >= self.lower[1] - 1e-9) & (grid.y <= self.upper[1] + 1e-9),
            (grid.x >= self.lower[0] - 1e-9) & (grid.x <= self.upper[0] + 1e-9),
        )
        return np.where(inside, self.upper[2], -np.inf)


class Round:
    kind = "cylinder"

    def __init__(self, radius, bottom, top):
        self.radius = radius
        self.lower, self.upper = (-radius, -radius, bottom), (radius, radius, top)

    def top(self, grid):
        far = np.hypot(*np.meshgrid(grid.x, grid.y))
        return np.where(far <= self.radius, self.upper[2], -np.inf)


class Any_(Block):
    kind = "mesh"


FAR_PART = np.array([[[-1.0, -1, -90], [1, -1, -90], [0, 1, -90]]])


def run(
    text,
    stock,
    corner=0.0,
    radius=R,
    cap=60.0,
    flute=40.0,
    overhang=60.0,
    part=FAR_PART,
    holder=((20.0, 40.0, 40.0),),
    shank=None,
):
    cutter = SimpleNamespace(
        diameter=2 * radius, corner_radius=corner, flute_length=flute, overhang=overhang, shank_diameter=shank
    )
    program = ncread.read(text)
    assert not [f for f in program.findings if f.code not in ("no-end",)]
    body = replay.body_of(cutter, holder, 1.0)
    pieces = replay.cut_into_pieces(program, 20.0, radius)
    return program, replay.replay(pieces, len(program), body, stock, replay.bin_part(part), cap)


def text(*lines):
    return "\n".join(["G21 G17 G90 G94", "S5000 M3", *lines, "M30"])


def by_line(program, values, line):
    return values[program.line == line].max()


# Straight side cut of width ae: cos(phi) = 1 - ae / R, plane geometry of circle and line.
@pytest.mark.compiled
@pytest.mark.parametrize("width", [0.3, 1.0, 3.0, 4.5, 6.0, 9.0])
@pytest.mark.parametrize("angle", [0.0, 17.3, 90.0])
def test_side_cut_is_within_half_a_degree(width, angle):
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))

    def at(x, y):
        return f"X{x * c - y * s:.4f} Y{x * s + y * c:.4f}"

    _program, result = run(
        text(f"G0 {at(-70, -30)}", "Z10", f"G0 {at(-70, 0)}", "G1 Z-5 F500", f"G1 {at(70, 0)} F900",
             f"{at(70, 30)}", f"{at(-30, 30)}", f"G1 {at(-30, width)}", f"G1 {at(0, width)}",
             f"{at(30, width)}"),
        Block((-60, -60, -20), (60, 60, 0)),
    )  # fmt: skip
    want = math.degrees(math.acos(1 - width / R))
    steady = result.mean[-1]
    assert result.worst[-1] == pytest.approx(want, abs=0.5)
    assert steady == pytest.approx(want, abs=0.1)


def test_slot_is_half_the_circle():
    _program, result = run(
        text("G0 X-40 Y3", "Z10", "G1 Z-5 F500", "X20"), Block((-30, -30, -20), (30, 30, 0))
    )
    assert result.worst[-1] == pytest.approx(180.0, abs=0.5)


def circle_law(path_radius, step):
    """Engagement of a circular path expanding over a cleared disc: the angle between heading and the cut's
    edge.

    Two circles meet: the cleared disc of radius (path_radius - step) + R round the centre, the cutter of
    radius R at path_radius. Law of cosines.
    """
    cleared = path_radius - step + R
    cosine = (path_radius**2 + R**2 - cleared**2) / (2 * path_radius * R)
    return 180.0 - math.degrees(math.acos(cosine))


@pytest.mark.parametrize(
    ("path_radius", "step"),
    [
        (3.0, 1.2),
        (6.0, 3.0),
        (9.0, 2.0),
        pytest.param(12.0, 1.5, marks=pytest.mark.compiled),
        pytest.param(24.0, 3.0, marks=pytest.mark.compiled),
    ],
)
@pytest.mark.parametrize("turn", ["G2", "G3"])
def test_circular_expansion_is_within_half_a_degree(path_radius, step, turn):
    lines = ["G0 X0 Y0", "Z10", "G1 Z-4 F300"]
    radii = [*np.arange(0.5, path_radius - step, 0.5).tolist(), path_radius - step, path_radius]
    for r in radii:
        ways = ((0, r), (-r, 0), (0, -r), (r, 0)) if turn == "G3" else ((0, -r), (-r, 0), (0, r), (r, 0))
        at, arcs = (r, 0.0), []
        for x, y in ways:
            arcs.append(f"{turn} X{x:.4f} Y{y:.4f} I{-at[0]:.4f} J{-at[1]:.4f}")
            at = (x, y)
        lines += [f"G1 X{r:.4f} Y0 F900", *arcs]
    _program, result = run(text(*lines), Block((-60, -60, -20), (60, 60, 0)), radius=R)
    want = circle_law(path_radius, step)
    # The first quarter starts out of ground cleared by the way outward, the last meets it again.
    assert result.worst[-3:-1] == pytest.approx([want, want], abs=0.5)
    assert result.mean[-3:-1] == pytest.approx([want, want], abs=0.25)


def test_edges_of_a_round_block_are_exact():
    # A cutter passing a disc of radius 20 at offset: closed form of two circles.
    _program, result = run(text("G0 X-40 Y24", "Z10", "G1 Z-5 F500", "G1 X0 F500"), Round(20.0, -20.0, 0.0))
    cosine = (24.0**2 + R**2 - 20.0**2) / (2 * 24.0 * R)
    half = math.degrees(math.acos(cosine))
    # At x = 0 the heading is +x: the arc from -half to +half about -y, its forward part is half.
    assert result.worst[-1] >= half - 0.2


def exact_angle(centre, heading, cleared, samples=200_001):
    """Brute force: share of the forward half circle outside all cleared discs."""
    a = np.radians(np.linspace(-90, 90, samples)) + math.atan2(heading[1], heading[0])
    x, y = centre[0] + R * np.cos(a), centre[1] + R * np.sin(a)
    free = np.ones(samples, bool)
    for (ax, ay), (bx, by) in cleared:
        d = np.array([bx - ax, by - ay])
        t = np.clip(((x - ax) * d[0] + (y - ay) * d[1]) / max(d @ d, 1e-30), 0, 1)
        free &= np.hypot(x - ax - t * d[0], y - ay - t * d[1]) >= R - 1e-9
    return 180.0 * free.mean()


def test_random_ground_agrees_with_brute_force():
    """Cusps and slivers of ground left by random straight passes; every step against an exact sampling."""
    rng = np.random.default_rng(5)
    errors = []
    for _ in range(12):
        p = np.round(rng.uniform(-25, 25, (9, 2)), 4)
        lines = [f"G0 X{p[0, 0]:.4f} Y{p[0, 1]:.4f}", "Z10", "G1 Z-4 F300"] + [
            f"G1 X{x:.4f} Y{y:.4f} F900" for x, y in p[1:]
        ]
        program, result = run(text(*lines), Block((-90, -90, -20), (90, 90, 0)))
        m = len(program) - 1
        start, end = p[-2], p[-1]
        cleared = [(p[k], p[k + 1]) for k in range(7)]
        length = math.dist(start, end)
        count = max(1, math.ceil(length / 0.15 - 1e-9))
        at = [start + (end - start) * (k + 1) / count for k in range(0, count, 7)]
        heading = (end - start) / length
        exact = max(exact_angle(c, heading, cleared, 20_001) for c in at)
        errors.append(exact - result.worst[m])
    # The replay looks at seven times as many places, so it may find more, never less.
    assert max(errors) < 0.5


def test_mean_over_random_ground_agrees_with_brute_force():
    rng = np.random.default_rng(11)
    for _ in range(6):
        p = np.round(rng.uniform(-20, 20, (7, 2)), 4)
        lines = [f"G0 X{p[0, 0]:.4f} Y{p[0, 1]:.4f}", "Z10", "G1 Z-4 F300"] + [
            f"G1 X{x:.4f} Y{y:.4f} F900" for x, y in p[1:]
        ]
        _program, result = run(text(*lines), Block((-90, -90, -20), (90, 90, 0)))
        start, end = p[-2], p[-1]
        count = max(1, math.ceil(math.dist(start, end) / 0.15 - 1e-9))
        heading = (end - start) / math.dist(start, end)
        exact = np.array([
            exact_angle(
                start + (end - start) * (k + 1) / count, heading, [(p[i], p[i + 1]) for i in range(5)], 4001
            )
            for k in range(count)
        ])  # fmt: skip
        if (exact > 0.2).any():
            assert result.mean[-1] == pytest.approx(exact[exact > 0].mean(), abs=0.6)
            assert result.worst[-1] == pytest.approx(exact.max(), abs=0.6)


def test_levels_deep_first_then_up():
    """Clearing at -10, then a wider cut at -5 over it, then -10 again: each sees the ground as it stands."""
    program, result = run(
        text("G0 X-50 Y0", "Z10", "G1 Z-10 F500", "X50 F900", "Y20", "X-50 Z-5", "Y3", "X50", "Y40",
             "X-50 Z-10", "Y3 X-50",
             "X50", "Y40", "X-50 Z-5", "Y3", "X50"),
        Block((-30, -30, -20), (30, 30, 0)),
    )  # fmt: skip
    want = math.degrees(math.acos(0.5))
    lines = {10: 60.0, 15: 60.0, 19: 0.0}
    assert by_line(program, result.worst, 6) == pytest.approx(180, abs=0.5)
    assert by_line(program, result.worst, 9 + 1) == pytest.approx(want, abs=0.5)
    assert by_line(program, result.worst, 14) == pytest.approx(want, abs=0.5)
    assert by_line(program, result.worst, 18) == pytest.approx(0.0, abs=0.01)
    assert lines


def test_entry_helix_is_counted_apart_and_its_clean_circle_too():
    lines = ["G0 X4 Y0", "Z10", "G1 Z0.5 F300"]
    z = 0.5
    while z > -4 + 1e-9:
        z = max(-4.0, z - 0.5)
        lines.append(f"G3 X4 Y0 I-4 Z{z:.4f} F300")
    lines.append("G3 X4 Y0 I-4")
    lines.append("G1 X6.5 F600")
    program, result = run(text(*lines), Block((-60, -60, -20), (60, 60, 0)))
    assert by_line(program, result.worst, 3 + len(lines) - 2) == 0.0  # the clean circle is part of the entry
    assert result.entry_histogram.sum() == pytest.approx(8 * math.pi, rel=1e-3)
    assert result.worst[-1] > 20.0  # going on outward is cutting again


# -- volume -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("angle", [0.0, 11.0, 45.0])
def test_volume_of_a_slot(angle):
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    p, q = (-15 * c, -15 * s), (15 * c, 15 * s)
    _program, result = run(
        text(f"G0 X{p[0]:.4f} Y{p[1]:.4f}", "Z10", "G1 Z-7.3 F300", f"G1 X{q[0]:.4f} Y{q[1]:.4f}"),
        Block((-30.03, -30.07, -20), (30.11, 30.02, 0)),
    )
    want = (math.pi * R**2 + 2 * R * 30) * 7.3
    assert result.volume.sum() == pytest.approx(want, rel=1e-3)


def test_volume_of_a_pocket_in_three_levels_and_open_edges():
    lines = ["G0 X-60 Y-60", "Z10"]
    for z in (-3.0, -6.0, -9.5):
        lines += [f"G1 Z{z} F500"]
        for k in range(12):
            y = -31.37 + 3.1 * k
            lines += [f"G1 X-60 Y{y:.4f}", f"X60 Y{y:.4f}", "G1 Z20 X60", "X-60", f"Z{z}"]
    _program, result = run(text(*lines), Block((-40.013, -30.04, -20), (40.02, 30.05, 0)))
    width = (-31.37 + 3.1 * 11 + R) + 30.04
    assert result.volume.sum() == pytest.approx(80.033 * width * 9.5, rel=1e-3)


def test_volume_of_a_bull_nose_path_against_a_boolean_library():
    """Swept bull-nose cutter as exact solids (manifold3d): hulls of the cutter at both ends of each line."""
    import manifold3d

    corner, z = 2.0, -6.0
    quarter = np.radians(np.linspace(0, 90, 33))
    outline = [(0.0, 0.0)] + [
        (R - corner + corner * math.sin(a), corner - corner * math.cos(a)) for a in quarter
    ]
    outline += [(R, 30.0), (0.0, 30.0)]
    tool = manifold3d.Manifold.revolve(manifold3d.CrossSection([outline]), 512)
    path = [(-50.0, -8.0), (10.0, -8.0), (10.0, 9.0), (-12.3, 4.0)]
    block = manifold3d.Manifold.cube((60.0, 50.0, 20.0)).translate((-30.0, -25.0, -20.0))
    left = block
    for a, b in itertools.pairwise(path):
        both = manifold3d.Manifold.batch_hull([tool.translate((*a, z)), tool.translate((*b, z))])
        left = left - both
    want = block.volume() - left.volume()
    lines = [f"G0 X{path[0][0]} Y{path[0][1]}", "Z10", f"G1 Z{z} F500"] + [
        f"G1 X{x} Y{y} F500" for x, y in path[1:]
    ]
    _program, result = run(text(*lines), Block((-30, -25, -20), (30, 25, 0)), corner=corner)
    assert result.volume.sum() == pytest.approx(want, rel=1e-3)


def test_volume_over_a_round_block():
    _program, result = run(text("G0 X-60 Y0", "Z10", "G1 Z-5 F300", "X60"), Round(25.0, -20.0, 0.0))
    # Strip of half width R through a disc: 2 (R sqrt(r^2 - R^2) + r^2 asin(R / r)).
    want = 2 * (R * math.sqrt(25.0**2 - R**2) + 25.0**2 * math.asin(R / 25.0)) * 5.0
    assert result.volume.sum() == pytest.approx(want, rel=1e-3)


# -- bodies -----------------------------------------------------------------------------------------------


def test_holder_meets_the_stock_as_it_stands_then():
    """Beside a wall the holder clears only after the wall is gone."""
    stock = Block((-60, -60, -60), (60, 60, 0))
    deep = ["G0 X-80 Y-55", "Z10", "G1 Z-25 F500", "G1 X80 Y-55 F900"]
    program, touched = run(text(*deep), stock, flute=30.0, overhang=20.0)
    assert by_line(program, touched.contact, 6) > 3.0
    clear = ["G0 X-80 Y-55", "Z10"]
    for y in np.arange(-58, -20, 3.0):
        clear += [f"G1 X-80 Y{y} F900", "Z-12", f"X80 Y{y}", "Z10"]
    program, fine = run(
        text(*clear, *deep[2:3], "G1 X-80 Y-55", "Z-25", "X80"), stock, flute=30.0, overhang=20.0
    )
    assert fine.contact[-1] == 0.0


def test_any_stock_reads_the_map():
    _program, result = run(
        text("G0 X-40 Y3", "Z10", "G1 Z-5 F500", "X20"), Any_((-30, -30, -20), (30, 30, 0))
    )
    assert result.worst[-1] == pytest.approx(180.0, abs=1.0)
    assert result.volume.sum() == pytest.approx((50 * 12 + math.pi * 18) * 5, rel=5e-3)


# -- gouge ------------------------------------------------------------------------------------------------


def box_triangles(lower, upper):
    import trimesh

    return np.asarray(trimesh.creation.box(bounds=[lower, upper]).triangles)


def deepest(lines, triangles, radius=R, corner=0.0, drop=0.0, least=-5.0):
    program = ncread.read(text(*lines))
    pieces = replay.cut_into_pieces(program, 20.0, radius)
    deep, place = replay.penetration(
        pieces, len(program), replay.bin_part(triangles), radius, corner, drop, least
    )
    return deep, place, program


def test_wall_gouge_of_a_hundredth_between_far_ends():
    """A long line past a short rib: the touch is far from both ends of the motion."""
    rib = box_triangles((-0.5, 6.0 - 0.01, -30), (0.5, 20, 0))
    deep, place, _ = deepest(["G0 X-100 Y0", "Z-10", "G1 X100 F500"], rib)
    assert deep[-1] == pytest.approx(0.01, abs=1e-3)
    assert abs(place[-1][0]) <= 0.5 + 1e-6


def test_floor_gouge():
    deep, _, _ = deepest(
        ["G0 X-100 Y0", "Z10", "Z-4.95", "G1 X100 F500"], box_triangles((-50, -50, -30), (50, 50, -4.9))
    )
    assert deep[-1] == pytest.approx(0.05, abs=1e-3)


@pytest.mark.compiled
def test_arc_gouge_on_a_boss():
    import trimesh

    boss = trimesh.creation.cylinder(radius=10.0, height=20.0, sections=720)
    inner = 10.0 * math.cos(math.pi / 720)
    deep, _, _ = deepest(["G0 X15.97 Y0", "Z0", "G3 X15.97 Y0 I-15.97 F500"], np.asarray(boss.triangles))
    assert 10.0 + R - 15.97 - (10.0 - inner) - 1e-3 <= deep[-1] <= 10.0 + R - 15.97 + 1e-3
    deep, _, _ = deepest(["G0 X16.003 Y0", "Z0", "G3 X16.003 Y0 I-16.003 F500"], np.asarray(boss.triangles))
    assert deep[-1] <= -0.002


def slow_depth(points, a, b, radius, corner, n=400):
    """Naive twin: depth of many points of the part inside the cutter at many places of the motion."""
    best = -math.inf
    for t in np.linspace(0, 1, n):
        c = a + t * (b - a)
        u = np.hypot(points[:, 0] - c[0], points[:, 1] - c[1]) - (radius - corner)
        v = corner - (points[:, 2] - c[2])
        both = (u > 0) & (v > 0)
        best = max(best, float((corner - np.where(both, np.hypot(u, v), np.maximum(u, v))).max()))
    return best


@pytest.mark.parametrize("corner", [0.0, 1.0, 6.0])
def test_random_triangles_against_a_naive_twin(corner):
    rng = np.random.default_rng(17)
    shares = rng.dirichlet((0.7, 0.7, 0.7), 3000)
    for _ in range(25):
        triangle = rng.uniform(-8, 8, (1, 3, 3))
        a, b = np.round(rng.uniform(-6, 6, 3), 4), np.round(rng.uniform(-6, 6, 3), 4)
        edges = np.concatenate([
            triangle[0][k] + np.linspace(0, 1, 300)[:, None] * (triangle[0][(k + 1) % 3] - triangle[0][k])
            for k in range(3)
        ])  # fmt: skip
        naive = slow_depth(np.concatenate([shares @ triangle[0], edges]), a, b, R, corner, 120)
        deep, _, _ = deepest(
            [f"G0 X{a[0]:.4f} Y{a[1]:.4f}", f"Z{a[2]:.4f}", f"G1 X{b[0]:.4f} Y{b[1]:.4f} Z{b[2]:.4f} F500"],
            triangle, corner=corner, least=-20.0,
        )  # fmt: skip
        assert deep[-1] >= naive - 1e-4
        assert deep[-1] <= naive + 0.12  # the twin misses the peak by its spacing


def test_drilled_hole_is_cleared_ground():
    """A cut from a drilled hole of 14 mm: two circles of radius 7 and 6 about points 3 mm apart."""
    cutter = SimpleNamespace(diameter=2 * R, corner_radius=0.0, flute_length=40.0, overhang=60.0)
    program = ncread.read(text("G0 X0 Y0", "Z10", "G1 Z-5 F300", "G1 X3 F500", "X9"))
    pieces = replay.cut_into_pieces(program, 20.0, R)
    body = replay.body_of(cutter, (), 1.0)
    stock = Block((-40, -40, -20), (40, 40, 0))
    holes = np.array([[0.0, 0.0, 7.0, -6.0]])
    found = replay.replay(pieces, len(program), body, stock, replay.bin_part(FAR_PART), 60.0, holes=holes)
    assert found.met[program.line == 5].max() == 0.0  # down through the hole
    cosine = (7.0**2 - R**2 - 3.0**2) / (2 * R * 3.0)
    want = 2 * math.degrees(math.acos(cosine))
    assert found.worst[program.line == 6].max() == pytest.approx(want, abs=0.5)
    assert found.worst[program.line == 7].max() == pytest.approx(180.0, abs=0.5)


@pytest.mark.parametrize(
    "stock", [Block((-30, -25, -20), (30, 25, 0)), Round(28.0, -20, 0), Any_((-30, -25, -20), (30, 25, 0))]
)
def test_runs_of_samples_skip_nothing(monkeypatch, stock):
    """Random ground across the edges of the stock: the same arcs as with every single sample asked."""
    rng = np.random.default_rng(5)
    lines = ["G0 X-60 Y-60", "Z20", "G1 Z-5 F2000"]
    for _ in range(60):
        x, y = rng.uniform(-42, 42, 2)
        lines.append(f"G1 X{x:.3f} Y{y:.3f}")
    _, quick = run(text(*lines), stock)
    table = replay._Layers.runs

    def single(self):
        runs, per_d2 = table(self)
        return np.sign(runs), per_d2

    monkeypatch.setattr(replay._Layers, "runs", single)
    _, slow = run(text(*lines), stock)
    assert quick.steps == slow.steps
    # A rim is searched from other samples, to 3e-4 of the radius.
    np.testing.assert_allclose(quick.worst, slow.worst, atol=0.1)
    np.testing.assert_allclose(quick.mean, slow.mean, atol=0.02)
    assert quick.worst.max() > 100.0


@pytest.mark.parametrize("corner", [0.0, 1.5])
def test_every_node_stands_as_high_as_the_nearest_passes_leave_it(corner):
    """Long arcs and lines at several heights, the deep ones first: node by node against a search tree.

    The cutter's underside over a node is highest at the pass nearest to it, level by level.
    """
    from scipy.spatial import cKDTree

    rng = np.random.default_rng(11)
    lines, passes = ["G0 X-50 Y0", "Z20"], {}
    at = np.array([-50.0, 0.0])
    for z in (-9.0, -6.0, -2.5, -2.0):
        lines += [f"G1 Z{z} F900"]
        passes[z] = [at[None, :]]
        for k in range(3 if INTERPRETED else 14):
            radius = rng.uniform(6.0, 22.0)
            centre = np.round(rng.uniform(-8.0, 8.0, 2), 3)
            a, sweep = rng.uniform(0.0, 2.0 * np.pi), rng.uniform(1.5, 2.9) * (-1) ** k
            start = np.round(centre + radius * np.array([np.cos(a), np.sin(a)]), 4)
            end = np.round(centre + radius * np.array([np.cos(a + sweep), np.sin(a + sweep)]), 4)
            i, j = centre - start
            lines.append(f"G1 X{start[0]:.4f} Y{start[1]:.4f}")
            lines.append(f"G{3 if sweep > 0 else 2} X{end[0]:.4f} Y{end[1]:.4f} I{i:.4f} J{j:.4f}")
            passes[z].append(at + (start - at) * np.linspace(0, 1, 3000)[:, None])
            t = a + sweep * np.linspace(0, 1, 6000)
            passes[z].append(centre + radius * np.stack([np.cos(t), np.sin(t)], axis=1))
            at = end
    _, done = run(text(*lines), Block((-40, -40, -20), (40, 40, 0)), corner=corner)
    grid = done.grid
    nodes = np.stack([v.ravel() for v in np.meshgrid(grid.x, grid.y)], axis=1)
    want, sure = np.zeros(len(nodes)), np.ones(len(nodes), bool)
    for z, points in passes.items():
        away = cKDTree(np.concatenate(points)).query(nodes)[0]
        over = np.clip(away - (R - corner), 0.0, corner)
        under = z + corner - np.sqrt(corner**2 - over**2)
        want = np.where(away < R, np.minimum(want, under), want)
        sure &= np.abs(away - R) > 0.01  # at the rim itself either answer is right
    sure &= np.abs(nodes).max(axis=1) < 39.5
    assert sure.sum() > 100_000
    np.testing.assert_allclose(done.heights.ravel()[sure], want[sure], atol=0.02)


def met_along(*lines):
    """Deepest and well met depth of each line's motion, over a block 40 high cut in two levels."""
    cutter = SimpleNamespace(diameter=2 * R, corner_radius=0.0, flute_length=45.0, overhang=60.0)
    program = ncread.read(text("G0 X-40 Y-40", "Z10", *lines))
    pieces = replay.cut_into_pieces(program, 20.0, R)
    stock = Block((-30, -30, -40), (30, 30, 0))
    found = replay.replay(
        pieces, len(program), replay.body_of(cutter, (), 1.0), stock, replay.bin_part(FAR_PART), 60.0
    )
    return program, found


@pytest.mark.parametrize("film", [0.01, 0.022, 0.5])
def test_a_film_on_the_wall_is_not_under_the_cutter(film):
    """The lower level takes ``film`` off the wall of the upper one, 20 deep, and a strip of 1 mm 10 deep."""
    for shift in np.linspace(0.0, 0.15, 25):  # until a row of nodes stands in the film
        wall = -29.0 + shift
        program, found = met_along(
            f"G1 Z-10 F500 Y{wall - R:.4f}", "X40", "Z10", "X-40", f"Z-20 Y{wall + film - R:.4f}", "X40",
        )  # fmt: skip
        last = len(program) - 1
        if found.depth[last] > 15.0:
            break
    assert found.depth[last] == pytest.approx(20.0, abs=1e-4)
    assert found.met[last] == pytest.approx(10.0 if film < 0.025 else 20.0, abs=1e-4)


@pytest.mark.parametrize("size", [0.004, 0.015, 0.3, 7.0])
@pytest.mark.parametrize("turn", [False, True])
def test_small_steps_hide_nothing_from_what_is_met(size, turn):
    """Each motion meets material first at its rim; what follows runs over it."""
    along = np.append(np.arange(0.0, 7.0, size), 7.0)
    x, y = -37.0 + along, np.full(len(along), 3.0)
    if turn:  # round an arc of 9 mm
        x, y = -37.0 + 9.0 * np.sin(along / 9.0), 3.0 + 9.0 - 9.0 * np.cos(along / 9.0)
    steps = [f"X{a:.4f} Y{b:.4f}" for a, b in zip(x, y, strict=True)]
    _, found = met_along("G1 X-60 F500", "Y3", "Z-12", *steps)
    assert found.met.max() == pytest.approx(12.0, abs=1e-4)
    cutting = found.volume > 0.3 * found.volume.max()
    assert (found.met[cutting] > 11.9).mean() > 0.5
