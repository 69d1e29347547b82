"""Thickness of the leftover and the load of the next cutter, against closed forms.

Stairs on a wall at alpha from horizontal: square to it they stand dz * cos(alpha) high; Dolenc & Makela,
Computer-Aided Design 26(2), 1994 (stair cusp = layer thickness times the normal's Z).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh

from zrough.errors import StockError
from zrough.grid import Grid
from zrough.leftover import ball_load, normal_leftover
from zrough.nexttool import step_for_cusp


def wedge(alpha, length=40.0, width=6.0):
    """Two triangles of a plane that rises along X at alpha degrees."""
    top = length * math.tan(math.radians(alpha))
    a, b, c, d = (0, 0, 0), (length, 0, top), (length, width, top), (0, width, 0)
    return np.array([[a, b, c], [a, c, d]], dtype=np.float64)


def ceil_to(heights, stair):
    return np.ceil(heights / stair - 1e-7) * stair


# ------------------------------------------------------------------ thickness square to the part


@pytest.mark.compiled
@pytest.mark.parametrize(
    ("dz", "alpha", "normal"), [(10.0, 60.0, 5.0), (12.0, 45.0, 8.4853), (5.0, 70.0, 1.7101)]
)
def test_stairs_on_a_slope(dz, alpha, normal):
    tri = wedge(alpha)
    grid = Grid(0.0, 2.0, 0.02, 2001, 31)
    x, _ = np.meshgrid(grid.x, grid.y)
    slope, cosine = math.tan(math.radians(alpha)), math.cos(math.radians(alpha))
    found = normal_leftover(grid, ceil_to(x * slope, dz), tri)
    inner = slice(None), slice(100, 1300)  # clear of the upper end, where the nearest point is the edge
    assert dz * cosine == pytest.approx(normal, abs=1e-4)
    assert found.thickness[inner].max() <= normal + 1e-4
    assert found.thickness[inner].max() >= normal - 1e-4 - 0.02 * slope * cosine
    np.testing.assert_allclose(found.thickness[inner], found.vertical[inner] * cosine, atol=1e-9)


@pytest.mark.compiled
@pytest.mark.parametrize("alpha", [30.0, 60.0])
def test_stairs_on_a_cone(alpha):
    """On a straight-sided cone the tip of every stair stands dz * cos(alpha) off the side."""
    height = 12.0
    radius = height / math.tan(math.radians(alpha))
    cone = trimesh.creation.cone(radius, height, sections=720)
    grid = Grid.covering((-radius, -radius), (radius, radius), 0.1)
    r = np.hypot(*np.meshgrid(grid.x, grid.y))
    part = np.maximum(height - r * math.tan(math.radians(alpha)), 0.0)
    found = normal_leftover(
        grid, ceil_to(part, 1.2), cone.triangles, where=(r > 0.25 * radius) & (r < 0.97 * radius)
    )
    assert found.largest == pytest.approx(
        1.2 * math.cos(math.radians(alpha)), abs=0.1 * math.sin(math.radians(alpha))
    )
    assert found.largest <= 1.2 * math.cos(math.radians(alpha)) + 1e-3


@pytest.mark.compiled
def test_stairs_on_a_sphere():
    """Distance of a point from a sphere is its distance from the centre less the radius."""
    ball = trimesh.creation.icosphere(6, 30.0)
    grid = Grid.covering((-20.0, -20.0), (20.0, 20.0), 0.1)
    x, y = np.meshgrid(grid.x, grid.y)
    heights = ceil_to(np.sqrt(30.0**2 - x**2 - y**2), 1.2)
    found = normal_leftover(grid, heights, ball.triangles)
    exact = np.sqrt(x**2 + y**2 + heights**2) - 30.0
    # the facets lie up to their sagitta inside the sphere: edge 0.59 mm -> 0.59^2 / (3 * 2 * 30) / ... < 4 um
    assert np.abs(found.thickness - exact).max() < 0.004
    for share, value in found.percentiles.items():
        assert value == pytest.approx(np.percentile(exact, share), abs=0.004)
    assert found.largest == pytest.approx(exact.max(), abs=0.004)


@pytest.mark.compiled
def test_beside_an_upright_wall_it_is_the_width_of_the_stock():
    """A box on a plate with 0.3 mm left on its walls: 0.3, not the height of the wall."""
    plate, box = trimesh.creation.box((40, 40, 2)), trimesh.creation.box((10, 10, 20))
    plate.apply_translation((0, 0, -1))
    box.apply_translation((0, 0, 10))
    tri = np.concatenate([plate.triangles, box.triangles])
    grid = Grid(-15.0, -15.0, 0.1, 301, 301)
    x, y = np.meshgrid(grid.x, grid.y)
    heights = np.where(np.maximum(abs(x), abs(y)) <= 5.3 + 1e-9, 20.2, 0.2)
    found = normal_leftover(grid, heights, tri)
    beside = (np.abs(x) > 5.05) & (np.abs(x) < 5.31) & (np.abs(y) < 4.0)
    np.testing.assert_allclose(found.thickness[beside], np.hypot(np.abs(x[beside]) - 5.0, 0.2), atol=1e-9)
    corner = np.hypot(0.3, 0.3)
    assert found.largest == pytest.approx(np.hypot(corner, 0.2), abs=1e-9)
    assert found.vertical[beside].min() > 20.0


def test_matches_brute_force_on_random_triangles():
    rng = np.random.default_rng(5)
    base = trimesh.creation.icosphere(2, 6.0)
    base.vertices += rng.normal(0, 0.15, base.vertices.shape)
    grid = Grid(-5.0, -5.0, 0.4, 26, 26)
    x, y = np.meshgrid(grid.x, grid.y)
    heights = 6.5 + rng.random(grid.shape)
    found = normal_leftover(grid, heights, base.triangles)
    points = np.stack([x, y, heights], axis=-1).reshape(-1, 3)
    slow = np.full(len(points), np.inf)
    for t in base.triangles:
        near = trimesh.triangles.closest_point(np.tile(t, (len(points), 1, 1)), points)
        slow = np.minimum(slow, np.linalg.norm(near - points, axis=1))
    seen = ~np.isnan(found.thickness.ravel())
    assert seen.sum() > 300
    np.testing.assert_allclose(found.thickness.ravel()[seen], slow[seen], atol=1e-9)


def test_below_the_part_counts_as_negative():
    tri = wedge(0.001)
    found = normal_leftover(Grid(2.0, 2.0, 0.5, 9, 5), np.full((5, 9), -0.4), tri)
    assert found.smallest == pytest.approx(-0.4, abs=1e-3)


def test_no_overlap_is_refused():
    with pytest.raises(StockError, match="do not overlap"):
        normal_leftover(Grid(100.0, 0.0, 1.0, 5, 5), np.zeros((5, 5)), wedge(30.0))


# ------------------------------------------------------------------ load of the next cutter


@pytest.mark.compiled
def test_even_layer_on_a_flat():
    """Bite = layer less allowance; volume per path = step * layer - cusp left, by the circle's area."""
    grid = Grid(0.0, 0.0, 0.1, 301, 241)
    flat = np.zeros(grid.shape)
    load = ball_load(grid, flat + 0.6, flat, 6.0, 0.1, 0.6, limit=0.51)
    assert load.thickest == pytest.approx(0.5, abs=1e-9)
    assert load.ok
    r, s = 3.0, 0.6
    cusp = s * r - (0.5 * s * math.sqrt(r * r - 0.25 * s * s) + r * r * math.asin(0.5 * s / r))
    middle = slice(40, -40), slice(45, -45)
    assert np.nanmedian(load.volume_map[middle]) == pytest.approx(s * 0.5 - cusp, rel=0.01)
    # In full flow the deepest point is the edge of the groove before: w its half width.
    t = 0.5
    w = math.sqrt(2 * r * t - t * t)
    steady = r - math.sqrt(r * r - 2 * w * s + s * s)
    assert np.nanmedian(load.bite_map[middle]) == pytest.approx(steady, abs=0.02)
    # The first line meets the whole layer: a segment of the circle, depth 0.5.
    segment = r * r * math.acos((r - t) / r) - (r - t) * math.sqrt(2 * r * t - t * t)
    first = load.volume_map[np.flatnonzero(~np.isnan(load.bite_map).all(axis=1))[0], 45:-45]
    assert np.nanmedian(first) == pytest.approx(0.5 * segment, rel=0.06)  # half of it lies off the map


@pytest.mark.compiled
def test_too_thick_a_layer_fails_with_its_places():
    grid = Grid(0.0, 0.0, 0.1, 301, 201)
    flat = np.zeros(grid.shape)
    stock = flat + 0.4
    stock[:20, 145:156] = 1.6  # under the first line, so that nothing has been taken off it before
    load = ball_load(grid, stock, flat, 6.0, 0.1, 0.6, limit=0.8)
    assert not load.ok
    assert load.thickest == pytest.approx(1.5, abs=0.03)
    assert np.hypot(load.places[0].at[0] - 15.0, load.places[0].at[1] - 0.5) < 1.5
    apart = [
        np.linalg.norm(np.subtract(a.at, b.at)) for k, a in enumerate(load.places) for b in load.places[:k]
    ]
    assert min(apart) >= 6.0


@pytest.mark.compiled
@pytest.mark.parametrize("alpha", [30.0, 45.0, 60.0])
@pytest.mark.parametrize("angle", [0.0, 90.0])
def test_stairs_on_a_slope_bite(alpha, angle):
    """Going up the slope the ball meets the tip of each stair whole: dz cos(alpha) less the allowance."""
    grid = Grid(0.0, 0.0, 0.05, 401, 161)
    x, _ = np.meshgrid(grid.x, grid.y)
    plane = x * math.tan(math.radians(alpha))
    stock = ceil_to(plane, 1.2)
    load = ball_load(grid, stock, plane, 6.0, 0.1, 0.5, angle_deg=angle, cell=0.05)
    theory = 1.2 * math.cos(math.radians(alpha)) - 0.1
    inside = load.bite_map[:, 100:-100]
    if angle == 0.0:  # the tip's node stands up to one cell behind the true tip
        assert np.nanmax(inside) == pytest.approx(theory, abs=0.02 + 0.05 * math.sin(math.radians(alpha)))
    assert np.nanmax(inside) <= theory + 0.005


@pytest.mark.compiled
@pytest.mark.parametrize(("style", "step"), [("raster", 100.0), ("raster", 0.4), ("contour", 0.4)])
def test_stairs_on_a_cone_and_a_sphere(style, step):
    """One line over the middle meets the tips whole; with lines beside it, none meets more."""
    grid = Grid.covering((-14.0, -14.0), (14.0, 14.0), 0.1)
    r = np.hypot(*np.meshgrid(grid.x, grid.y))
    cone = np.maximum(14.0 - 1.3 * r, 0.0)
    sphere = np.sqrt(np.maximum(13.0**2 - r**2, 0.0))
    for part, cosine in ((cone, 1.0 / math.hypot(1.0, 1.3)), (sphere, None)):
        stock = ceil_to(part, 1.0)
        load = ball_load(grid, stock, part, 6.0, 0.1, step, style=style, cell=0.1)
        if cosine is not None:  # away from tip and foot of the cone
            ring = (r > 4.0) & (r < 9.0)
            theory = cosine - 0.1
        else:  # a stair's tip at height z stands z + 1 high over a normal of cosine z / R
            ring = (r > 3.0) & (r < 10.0)
            tips = np.sqrt(13.0**2 - np.arange(3.0, 13.0) ** 2)
            highest = [math.hypot(t, z + 1.0) - 13.0 for t, z in zip(tips, np.arange(3.0, 13.0), strict=True)]
            theory = max(h for h, t in zip(highest, tips, strict=True) if 3.0 < t < 10.0) - 0.1
        worst = np.nanmax(np.where(ring, load.bite_map, np.nan))
        assert worst <= theory + 0.02
        if step > 28.0:
            assert worst >= theory - 0.1  # the tip's node stands up to a cell behind the tip


@pytest.mark.compiled
def test_all_the_leftover_down_to_the_cusps_is_taken():
    grid = Grid.covering((-10.0, -10.0), (10.0, 10.0), 0.1)
    x, y = np.meshgrid(grid.x, grid.y)
    part = 0.02 * (x**2 - 0.5 * y**2)
    load = ball_load(grid, part + 0.5, part, 8.0, 0.1, 0.3, cell=0.1)
    # 0.1 mm square to the surface is 0.1 / cos measured upright
    upright = 0.1 * np.sqrt(1.0 + (0.04 * x) ** 2 + (0.02 * y) ** 2)
    everything = (0.5 - upright).sum() * grid.cell**2
    assert load.removed <= everything
    assert load.removed == pytest.approx(
        everything, rel=0.02
    )  # a sloping border asks for the ball beyond the map


@pytest.mark.compiled
def test_exact_tip_heights_may_be_given():
    grid = Grid(0.0, 0.0, 0.1, 201, 161)
    flat = np.zeros(grid.shape)
    a = ball_load(grid, flat + 0.6, flat, 6.0, 0.1, 0.6)
    b = ball_load(grid, flat + 0.6, None, 6.0, 0.1, 0.6, cl_heights=flat + 0.1)
    assert b.thickest == pytest.approx(a.thickest, abs=1e-9)
    assert b.removed == pytest.approx(a.removed, rel=1e-9)


def test_published_step_for_a_cusp():
    """Dormer Pramet milling catalogue 2021-22, p. 114, table 3b."""
    table = {6: (0.22, 0.31, 0.44, 0.62, 0.87, 1.22, 1.71, 2.40),
             10: (0.28, 0.40, 0.57, 0.80, 1.13, 1.58, 2.22, 3.12),
             20: (0.40, 0.57, 0.80, 1.13, 1.60, 2.24, 3.15, 4.44)}  # fmt: skip
    for diameter, steps in table.items():
        for cusp_um, step in zip((2, 4, 8, 16, 32, 63, 125, 250), steps, strict=True):
            assert step_for_cusp(diameter, cusp_um / 1000) == pytest.approx(step, abs=0.006)


def test_numbers_of_a_load_are_json():
    import json

    grid = Grid(0.0, 0.0, 0.2, 61, 51)
    flat = np.zeros(grid.shape)
    told = ball_load(grid, flat + 0.5, flat, 6.0, limit=1.0).as_dict()
    assert json.loads(json.dumps(told))["ok"] is True


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"ball_diameter": 0.0}, "ball diameter is 0 mm"),
        ({"step_over": -1.0}, "step is -1 mm"),
        ({"allowance": -0.1}, "allowance is -0.1 mm"),
        ({"angle_deg": 30.0}, "30 degrees"),
        ({"part_heights": None}, "neither part heights nor tip heights"),
    ],
)
def test_bad_input_is_refused(change, words):
    grid = Grid(0.0, 0.0, 0.2, 31, 31)
    flat = np.zeros(grid.shape)
    given = {"part_heights": flat, "ball_diameter": 6.0} | change
    with pytest.raises(StockError, match=words):
        ball_load(grid, flat + 1.0, **given)
