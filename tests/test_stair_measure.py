"""The check's measure of stairs against closed forms, and against stock that was left too tall on purpose.

With one allowance on walls and floors a cutter leaves the parallel surface that far outside a shape, and in
inside corners its own round. Stock cut at given heights then stands, at every place, at the lowest of them
that is not below that surface.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from types import SimpleNamespace

import naive_contact
import numpy as np
import parts
import pytest
import shapely
import trimesh
from test_stairs import NEAR, A, job, rises

import zrough
from zrough import checkleft, checkreach, post
from zrough.check import check
from zrough.grid import Grid
from zrough.kernels import replay as kernels
from zrough.promises import stair_goals
from zrough.replay import bin_part, body_of

HALF, HEIGHT, SLOPE, TURN = 14.0, 12.0, math.tan(math.radians(70.0)), math.radians(17.0)
LEVELS = [A - 1.1 * k for k in range(1, 20)]


def cutter(radius, corner=0.0):
    tool = SimpleNamespace(diameter=2 * radius, corner_radius=corner, flute_length=30.0, overhang=50.0)
    return body_of(tool, None, 0.0)


def triangles(mesh):
    vertices, faces = mesh
    return np.ascontiguousarray(vertices[faces], dtype=np.float64)


# ------------------------------------------------------------------ shapes whose leftover is known


def turned(profile):
    """The parallel surface of a body of revolution, from its height over the radius."""

    def known(x, y):
        r = np.hypot(x, y)
        return _highest_of(lambda d, _: profile(np.abs(r + d)), np.linspace(-A, A, 101), np.zeros(1))

    return known


def drafted(turn):
    """The parallel surface of a square frustum; the box's height is a plane's, the lowest of four."""

    def known(x, y):
        c, s = math.cos(turn), math.sin(turn)
        u, v = np.abs(c * x + s * y), np.abs(c * y - s * x)

        def box(du, dv):
            half = np.maximum(np.abs(u + du), np.abs(v + dv))
            z = np.minimum((HALF - half) * SLOPE - HEIGHT, 0.0)
            return np.where(half <= HALF, z, -HEIGHT)

        d, angle = np.meshgrid(A * np.linspace(0.0, 1.0, 11)[1:], np.radians(np.arange(0.0, 360.0, 7.5)))
        inward = np.cos(angle) + np.sin(angle) < 0.3  # it only rises inward
        at = np.concatenate([[0.0], d[inward]]), np.concatenate([[0.0], angle[inward]])
        return _highest_of(box, at[0] * np.cos(at[1]), at[0] * np.sin(at[1]))

    return known


def _highest_of(height, along, across):
    """Highest ball of radius ``A`` whose middle lies on the shape: the definition of a parallel surface."""
    out = -np.inf
    for du, dv in np.broadcast(along, across):
        out = np.maximum(out, height(du, dv) + math.sqrt(max(A * A - du * du - dv * dv, 0.0)))
    return out


def cone(r):
    return np.clip((20.0 - r) * math.tan(math.radians(60.0)) - 12.0, -12.0, 0.0)


def sphere(r):
    return np.where(r < 20.0, np.sqrt(np.maximum(400.0 - r * r, 0.0)) - 20.0, -20.0)


def fillet(r):
    """A round of 6 mm from the plate up to an upright wall at 10 mm, about (16, -6)."""
    low = -6.0 - np.sqrt(np.maximum(36.0 - (r - 16.0) ** 2, 0.0))
    return np.where(r < 10.0, 0.0, np.where(r < 16.0, low, -12.0))


#: Mesh, surface, and the height from which it is less steep than 80 degrees, the last level.
SHAPES = {
    "cone": (lambda: parts.frustum(draft_deg=30, height=12, chord=0.0005), turned(cone), -11.8),
    "sphere": (lambda: parts.dome(rings=160, spokes=720), turned(sphere), -14.0),
    "drafted box": (parts.drafted_box, drafted(TURN), -11.8),
    "drafted box along the axes": (lambda: parts.drafted_box(turn_deg=0), drafted(0.0), -11.8),
    "fillet": (lambda: parts.turned(round_profile(), spokes=1440), turned(fillet), -11.8),
}


def round_profile(count=240):
    t = np.linspace(0.0, math.pi / 2, count + 1)
    return [*[(16.0 - 6.0 * math.sin(v), -6.0 - 6.0 * math.cos(v)) for v in t], (10.0, 0.0)]


def stairs_of(known, levels, top=0.0):
    """Stock cut at ``levels`` (any shape that goes with the map), as low as the known surface allows."""
    out = np.full(known.shape, top)
    for z in levels:
        out = np.where(known <= z + 1e-9, np.minimum(out, z), out)
    return out


def measured(mesh, cell, radius, known, lowest, step=1, half=21.0):
    """The reach over a square, and its closed form."""
    grid = Grid.covering((-half, -half), (half, half), cell, cell)
    run = SimpleNamespace(grid=grid, step=step)
    reach = checkreach.after_each(run, bin_part(triangles(mesh)), [(cutter(radius), lowest)], A, A)[-1]
    return reach, np.maximum(known(*np.meshgrid(grid.x, grid.y)), lowest)


def levels_to(lowest):
    return [z for z in LEVELS if z > lowest + 0.3] + [lowest]


@pytest.mark.compiled
@pytest.mark.parametrize(("cell", "step", "radius"), [(0.15, 2, 4.9), (0.26, 1, 3.0), (0.25, 2, 4.9)])
@pytest.mark.parametrize("name", SHAPES)
def test_stairs_read_as_tall_as_they_are(name, cell, step, radius):
    make, known, lowest = SHAPES[name]
    reach, surface = measured(make(), cell, radius, known, lowest, step)
    levels = levels_to(lowest)
    tallest = max(a - b for a, b in itertools.pairwise([0.0, *levels]))
    left = stairs_of(surface, levels).astype(np.float32)
    read = checkleft.tallest_stair(reach, left, step)
    assert read == pytest.approx(tallest, abs=NEAR)


def inside_corner(x, y, radius=4.9):
    """A square pocket whose walls fall at 70 degrees to -12: planes a wall allowance in, rounded by the
    cutter."""
    big, small = np.maximum(np.abs(x), np.abs(y)), np.minimum(np.abs(x), np.abs(y))
    middle = 0.5 * (big + small - np.sqrt(np.maximum(2.0 * radius**2 - (big - small) ** 2, 0.0)))
    half = np.where(small <= big - radius, big, middle + radius)
    return np.clip((half - HALF) * SLOPE - HEIGHT + A * math.hypot(1.0, SLOPE), A - HEIGHT, A)


def drafted_pocket():
    wide = HALF + HEIGHT / SLOPE
    corners = [(s * w, t * w, z) for w, z in ((HALF, -HEIGHT), (wide, 0.0)) for s in (-1, 1) for t in (-1, 1)]
    hole = trimesh.convex.convex_hull(np.array(corners))
    block = trimesh.creation.box(bounds=[(-30.0, -30.0, -20.0), (30.0, 30.0, 0.0)])
    mesh = trimesh.boolean.difference([block, hole], engine="manifold")
    return np.asarray(mesh.vertices), np.asarray(mesh.faces)


@pytest.mark.compiled
@pytest.mark.parametrize(("cell", "step"), [(0.15, 2), (0.26, 1)])
@pytest.mark.parametrize("level", [2, 5, 8])
@pytest.mark.parametrize("where", ["beside a sharp edge", "in an inside corner"])
def test_a_stair_left_too_tall_is_reported(where, level, cell, step):
    """One level is not cut in a spot of some mm2; the same stock without that fault reads right."""
    lowest, radius = -11.8, 4.9
    if where == "beside a sharp edge":  # both of its sides slope down to it along the diagonal
        reach, surface = measured(parts.drafted_box(turn_deg=0), cell, radius, drafted(0.0), lowest, step)
        at = HALF - (LEVELS[level] + HEIGHT) / SLOPE
    else:
        reach, surface = measured(drafted_pocket(), cell, radius, inside_corner, lowest, step)
        at = HALF + (LEVELS[level] + HEIGHT) / SLOPE - 0.29 * radius
    x, y = np.meshgrid(*[reach.grid.x[0] + cell * np.arange(n) for n in surface.shape[::-1]])
    levels = levels_to(lowest)
    good = stairs_of(surface, levels)
    spoilt = stairs_of(surface, [z for z in levels if z != LEVELS[level]])
    stock = np.where(np.hypot(x - at, y - at) < 1.5, spoilt, good)
    assert checkleft.tallest_stair(reach, good.astype(np.float32), step) == pytest.approx(1.1, abs=NEAR)
    read = checkleft.tallest_stair(reach, stock.astype(np.float32), step)
    assert 2.0 < read <= 2.2 + NEAR  # in so small a spot no pair of nodes need show both terraces whole


@pytest.mark.parametrize("along", [0, 1])
def test_ground_cut_lower_than_asked_for_is_no_stair(along):
    """A terrace ends over a gentle slope that the cutter went below: it stands over the slope, no more.

    On a slope that comes down to the lower terrace the stair is as tall as from one to the other.
    """
    grid = Grid(0.0, 0.0, 0.25, 60, 60)
    x = np.broadcast_to(grid.x, grid.shape)
    gentle, wall = -0.2 - 0.02 * x, np.maximum(-0.1 - x, -1.7)
    for lowest, edge, tall in ((gentle, 7.1, 0.2 + 0.02 * 7.1), (wall, 1.6, 1.7)):
        maps = lowest, np.where(x < edge, 0.0, -1.7)
        low, stock = maps if along else (maps[0].T, maps[1].T)
        reach = checkreach.Reach(grid, np.ascontiguousarray(low))
        read = checkleft.tallest_stair(reach, np.ascontiguousarray(stock, np.float32))
        assert read == pytest.approx(tall, abs=0.01)


@pytest.mark.compiled
def test_a_program_without_one_of_its_climb_levels_fails_its_goal():
    """The moves of one climb level are lifted into the air; everything else stays as planned."""
    plan = zrough.plan(job(parts.drafted_box(), stair_height=1.1))
    gap = max(b - a for a, b in rises(plan))
    assert plan.check.tallest_stair == pytest.approx(gap, abs=NEAR)
    assert next(p for p in plan.report["promises"] if p["name"].startswith("Stairs on walls"))["kept"]
    climbs = [k for k, v in enumerate(plan.levels) if v.kind == "climb" and not v.floor]
    for k in climbs[:: max(1, len(climbs) // 3)]:
        path = plan.toolpath
        lift = np.where(path.level == k, 40.0, 0.0)
        lifted = replace(path, xyz=path.xyz + np.outer(lift, [0.0, 0.0, 1.0]))
        text = post.write_nc(lifted, plan.job, plan.data)
        found = check(text, plan.job, part=plan.part, stock=plan.stock)
        z = plan.levels[k].z
        heights = sorted([v.z for v in plan.levels] + [0.0])
        at = heights.index(z)
        assert found.tallest_stair == pytest.approx(heights[at + 1] - heights[at - 1], abs=2 * NEAR)
        goal = next(g for g in stair_goals(plan.job, found) if g.name.startswith("Stairs on walls"))
        assert goal.kept is False


# ------------------------------------------------------------------ the kernels, small enough for Python


@pytest.mark.parametrize(("radius", "corner"), [(2.0, 0.0), (2.0, 0.7), (2.0, 2.0)])
def test_tips_rest_on_two_triangles(radius, corner):
    """Against points spread densely over them: no lower, and no higher than their spacing explains."""
    mesh = np.array([[[0, 0, 0], [4, 0.3, 3], [0.5, 5, 1]], [[4, 0.3, 3], [4.5, 5, -2], [0.5, 5, 1]]], float)
    part, out = bin_part(mesh), np.full((4, 4), -np.inf)
    scratch = np.full(len(mesh), -1, np.int64), np.empty(480, np.int64), np.empty(160)
    kernels.rest(0, 4, -0.7, -0.6, 1.9, radius, corner, *part.arguments, *scratch, out)
    s, t = (v.ravel() for v in np.meshgrid(np.linspace(0, 1, 401), np.linspace(0, 1, 401)))
    s, t = s[s + t <= 1.0], t[s + t <= 1.0]
    points = np.concatenate([m[0] + np.outer(s, m[1] - m[0]) + np.outer(t, m[2] - m[0]) for m in mesh])
    for (i, j), found in np.ndenumerate(out):
        away = np.hypot(points[:, 0] + 0.7 - 1.9 * j, points[:, 1] + 0.6 - 1.9 * i)
        over = np.maximum(away - radius + corner, 0.0)
        z = points[:, 2] - corner + np.sqrt(np.maximum(corner**2 - over**2, 0.0))
        most = z[away <= radius].max(initial=-np.inf)
        assert most - 2e-4 <= found <= most + 0.06


@pytest.mark.compiled
@pytest.mark.parametrize(("radius", "corner"), [(2.0, 0.0), (2.0, 0.7), (2.0, 2.0)])
def test_tips_rest_on_the_mesh_exactly(radius, corner):
    rng = np.random.default_rng(3)
    ball = trimesh.creation.icosphere(1, 3.0)
    ball.vertices += rng.normal(0.0, 0.3, ball.vertices.shape)
    mesh = np.ascontiguousarray(np.concatenate([ball.triangles, trimesh.creation.box((2, 3, 7)).triangles]))
    part, cell = bin_part(mesh), 1.3
    out = np.full((9, 9), -np.inf)
    scratch = np.full(len(mesh), -1, np.int64), np.empty(480, np.int64), np.empty(160)
    for first, last in ((0, 4), (4, 9)):
        scratch[0][:] = -1
        kernels.rest(first, last, -5.2, -5.2, cell, radius, corner, *part.arguments, *scratch, out)
    x, y = np.meshgrid(-5.2 + cell * np.arange(9), -5.2 + cell * np.arange(9))
    expected = naive_contact.tip_heights(mesh, np.column_stack([x.ravel(), y.ravel()]), radius, corner)
    np.testing.assert_allclose(out.ravel(), expected, atol=2e-4)


@pytest.mark.parametrize("slope", [0.0, 0.7, 2.7])
@pytest.mark.parametrize("corner", [0.0, 1.1])
def test_what_is_left_under_a_plane_of_tips(slope, corner):
    """A cutter kept above a plane leaves a plane: its lowest point there, worked out along the fall line."""
    cell, radius, n = 0.1, 1.1, 12
    j, i = np.meshgrid(np.arange(12 + 2 * n) * cell, np.arange(7 + 2 * n) * cell)
    left = checkreach.left_by(slope * (0.8 * j - 0.6 * i), n, cell, radius, corner)
    d = np.linspace(0.0, radius, 20001)
    under = corner - np.sqrt(np.maximum(corner**2 - np.maximum(d - radius + corner, 0.0) ** 2, 0.0))
    lower = (slope * d - under).max()
    inner = slope * (0.8 * j - 0.6 * i)[n:-n, n:-n]
    np.testing.assert_allclose(left, inner - lower, atol=slope * cell**2 / radius + 1e-9)


def low_pocket(depth=1.4, wide=11.0, long=30.0):
    """A block with a shallow pocket of upright walls, turned, and what a round cutter takes of it in plan.

    The walls are lower than the map needs to know them as upright.
    """
    rectangle = shapely.affinity.rotate(shapely.geometry.box(-long / 2, -wide / 2, long / 2, wide / 2), 35.0)
    hole = trimesh.creation.extrude_polygon(rectangle, 5.0)
    hole.apply_translation([0.0, 0.0, -depth])
    block = trimesh.creation.box(bounds=[(-21.0, -21.0, -9.0), (21.0, 21.0, 0.0)])
    mesh = trimesh.boolean.difference([block, hole], engine="manifold")
    return mesh.triangles, rectangle.buffer(-4.9, quad_segs=256).buffer(4.9, quad_segs=256)


def reach_of(pieces, lowest, cell=0.25):
    grid = Grid.covering((-20.0, -20.0), (20.0, 20.0), cell, cell)
    run = SimpleNamespace(grid=grid, step=1)
    return checkreach.after_each(run, bin_part(pieces), [(cutter(4.9), lowest)], 0.0, 0.0)[-1]


@pytest.mark.compiled
def test_the_reach_in_corners_of_low_upright_walls():
    """A square-ended cutter takes all or nothing: two walls that meet are no slope between their nodes."""
    pieces, opened = low_pocket()
    reach = reach_of(pieces, -1.4)
    x, y = np.meshgrid(reach.grid.x, reach.grid.y)
    down = reach.lowest < -0.7
    np.testing.assert_allclose(reach.lowest, np.where(down, -1.4, 0.0), atol=1e-5)
    clear = ~shapely.contains_xy(opened.boundary.buffer(reach.grid.cell), x, y)
    np.testing.assert_array_equal(down[clear], shapely.contains_xy(opened, x, y)[clear])
    assert not (down & ~shapely.contains_xy(opened.buffer(0.01), x, y)).any()


@pytest.mark.compiled
@pytest.mark.parametrize("turn", [25.0, 35.0, 50.0])
def test_the_reach_where_one_upright_wall_ends_on_another(turn):
    """A step on a block that ends at the block's side: no square-ended cutter comes under its footprint.

    Side and step follow each other within two nodes, about as high: that is no slope of twice the width.
    """
    half = 15.1
    square = shapely.geometry.box(-half, -half, half, half)
    cut = shapely.affinity.rotate(shapely.geometry.box(0.0, -40.0, 60.0, 40.0), turn, origin=(0.0, 0.0))
    footprint = square & cut
    step = trimesh.creation.extrude_polygon(footprint, 9.0)
    step.apply_translation([0.0, 0.0, -9.0])
    block = trimesh.creation.box(bounds=[(-half, -half, -18.0), (half, half, -9.0)])
    reach = reach_of(np.concatenate([step.triangles, block.triangles]), -18.0)
    x, y = np.meshgrid(reach.grid.x, reach.grid.y)
    under = shapely.contains_xy(footprint.buffer(-1e-3), x, y)
    np.testing.assert_allclose(reach.lowest[under], 0.0, atol=1e-5)
    beyond = ~shapely.contains_xy(square.buffer(reach.grid.cell), x, y)
    np.testing.assert_allclose(reach.lowest[beyond], -18.0, atol=1e-5)


@pytest.mark.compiled
def test_ground_that_the_job_keeps_the_cutter_out_of_is_no_stair():
    """A plate under 6 mm of stock, of which the job's outlines give half."""
    plate = trimesh.creation.box(bounds=[(-30.0, -20.0, -16.0), (30.0, 20.0, -6.0)])
    raw = {
        "units": "mm", "part": {}, "stock": {"min": [-30.0, -20.0, -16.0], "max": [30.0, 20.0, 0.0]},
        "cutter": {"diameter": 10.0, "corner_radius": 1.0, "flutes": 4, "flute_length": 20.0,
                   "overhang": 30.0},
        "material": {"name": "P", "hardness_hb": 200.0},
        "machine": {"max_spindle_rpm": 12000.0, "max_feed": 6000.0},
        "roughing": {"level_depth": 7.0, "stair_height": 1.0},
    }  # fmt: skip
    half = [[-40.0, -30.0], [0.0, -30.0], [0.0, 30.0], [-40.0, 30.0]]
    job = zrough.Job.from_dict({**raw, "regions": {"inside": [half]}}).with_mesh(plate.vertices, plate.faces)
    plan = zrough.plan(job)
    assert plan.check.ok
    assert plan.check.tallest_stair < 0.05
    free = zrough.Job.from_dict(raw).with_mesh(plate.vertices, plate.faces)
    assert zrough.check(plan.nc_text, free).tallest_stair == pytest.approx(
        6.0 - job.roughing.floor_allowance, abs=0.01
    )


@pytest.mark.compiled
def test_an_opening_that_the_job_has_covered_is_no_stair():
    """Over a 7 mm hole a ball-nose would dip, but the hole counts as filled.

    With room about the middle for a helix of a tenth of its radius it is 3 mm from the rim, and down by
    5 - sqrt(25 - 3^2) mm; the tip alone would come down further, but has no way there. The program goes
    deeper beside the hole, so that the height of its lowest level hides nothing.
    """
    block = trimesh.creation.box(bounds=[(-20.0, -20.0, -16.0), (20.0, 20.0, -4.0)])
    step = trimesh.creation.box(bounds=[(15.0, -21.0, -8.0), (21.0, 21.0, 1.0)])
    drill = trimesh.creation.cylinder(3.5, 40.0, sections=256)
    plate = trimesh.boolean.difference([block, drill, step], engine="manifold")
    raw = {
        "units": "mm", "part": {}, "stock": {"min": [-20.0, -20.0, -16.0], "max": [20.0, 20.0, 0.0]},
        "cutter": {"diameter": 10.0, "corner_radius": 5.0, "flutes": 2, "flute_length": 20.0,
                   "overhang": 30.0},
        "material": {"name": "P", "hardness_hb": 200.0},
        "machine": {"max_spindle_rpm": 12000.0, "max_feed": 6000.0},
        "roughing": {"level_depth": 5.0, "stair_height": 1.0, "wall_allowance": 0.0, "floor_allowance": 0.0},
    }  # fmt: skip
    plan = zrough.plan(zrough.Job.from_dict(raw).with_mesh(plate.vertices, plate.faces))
    assert plan.check.ok
    assert plan.check.tallest_stair < 0.3  # ridges between passes
    bare = zrough.Job.from_dict({**raw, "cover": {"automatic": False}})
    found = zrough.check(plan.nc_text, bare.with_mesh(plate.vertices, plate.faces))
    assert found.tallest_stair == pytest.approx(5.0 - math.sqrt(25.0 - 3.0**2), abs=0.2)  # ridges on it


#: Radius at the top of a low boss whose flank, 6 degrees off upright, is about as wide as the reach's pitch.
BOSS, FLANK, LOW = 4.2, math.radians(6.0), 3.4


def boss(r):
    return np.clip((BOSS - r) / math.tan(FLANK), -LOW, 0.0)


@pytest.mark.compiled
@pytest.mark.parametrize("radius", [3.1, 4.4])
def test_a_steep_flank_no_wider_than_the_pitch_is_looked_at_again(radius):
    """Straight lines between nodes round its foot and its crest off; where a stair seems to pass the limit
    for that, a finer map shows that it does not. One that does is still seen."""
    cell, step, height = 0.125, 3, 0.7
    mesh = parts.frustum(
        radius=BOSS + LOW * math.tan(FLANK), draft_deg=6, height=LOW, base=42.0, chord=0.0005
    )
    reach, surface = measured(mesh, cell, radius, turned(boss), A - LOW, step, half=12.0)
    levels = [A, *[A - height * k for k in range(1, 5)], A - LOW]
    good = stairs_of(surface, levels, top=1.0).astype(np.float32)
    assert checkleft.tallest_stair(reach, good, step) > height + 0.2
    read = checkleft.tallest_stair(reach, good, step, limit=height)
    assert read <= height + NEAR
    spoilt = stairs_of(surface, [z for z in levels if z != A - 2 * height], top=1.0).astype(np.float32)
    assert height + 0.4 < checkleft.tallest_stair(reach, spoilt, step, limit=height) <= 2 * height + NEAR
