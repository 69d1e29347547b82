"""Exact boundaries: walls of known offset at many cell sizes, the grid's frame, masks, chords."""

import math

import naive_contact
import numpy as np
import pytest
import shapely
from test_surface import sheet, sheet_of, wavy

from zrough.errors import SurfaceError
from zrough.grid import Grid
from zrough.surface import ContactSurface

CELLS = [0.1, 0.2, 0.37, 0.5]
BAR = 0.002  # mm, vertices and chords against the true offset


def outline(count=1500):
    """A freeform, star-shaped closed curve."""
    t = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    r = 18.0 + 3.0 * np.sin(3.0 * t) + 1.2 * np.cos(5.0 * t)
    return np.column_stack([r * np.cos(t), r * np.sin(t)])


def loft(*loops):
    """Triangles of a ruled surface through closed loops given as ((n, 2) points or (n, 3))."""
    p = np.stack([np.vstack([loop, loop[:1]]) for loop in loops])
    return sheet_of(p)


def at_height(loop, z):
    return np.column_stack([loop, np.full(len(loop), z)])


def boss(loop, top=10.0):
    return loft(at_height(loop, 0.0), at_height(loop, top), at_height(0.0 * loop, top))


def pocket(loop, top=10.0):
    floor, rim = at_height(loop, 0.0), at_height(loop, top)
    return loft(at_height(0.0 * loop, 0.0), floor, rim, at_height(3.0 * loop, top))


def ring_points(rings, between=0):
    """Vertices and, for ``between`` > 0, that many points along each side of each ring."""
    sides = []
    for k in range(len(rings)):
        ring = rings.ring(k)
        step = np.roll(ring, -1, axis=0) - ring
        sides += [ring + share * step for share in np.arange(between + 1) / (between + 1.0)]
    return np.concatenate(sides)


def inside_frame(points, grid):
    """Points that do not stand on the grid's border."""
    x, y = points[:, 0], points[:, 1]
    pad = 1e-6
    return points[
        (x > grid.x[0] + pad) & (x < grid.x[-1] - pad) & (y > grid.y[0] + pad) & (y < grid.y[-1] - pad)
    ]


@pytest.mark.compiled
@pytest.mark.parametrize("cell", CELLS)
@pytest.mark.parametrize(("make", "sign"), [(boss, 1.0), (pocket, -1.0)])
@pytest.mark.parametrize("depth", [5.0, 0.6])
def test_upright_freeform_wall(make, sign, cell, depth):
    """Round an upright wall the boundary keeps the radius the cutter has at the wall's top, by distance."""
    radius, corner, top = 4.0, 1.0, 10.0
    loop = outline()
    grid = Grid(-27.0 + 0.013, -27.0 + 0.007, cell, math.ceil(54.0 / cell), math.ceil(54.0 / cell))
    tree = ContactSurface(make(loop, top))
    rings = tree.boundary(grid, tree.heights(grid, radius, corner), top - depth, radius, corner)
    e = corner if depth >= corner else math.sqrt(corner**2 - (corner - depth) ** 2)
    reach = radius - corner + e
    wall = shapely.LinearRing(loop)
    vertices = inside_frame(ring_points(rings), grid)
    away = shapely.distance(wall, shapely.points(vertices))
    assert len(vertices) > 100
    assert away.min() >= reach - 1e-6
    assert away.max() <= reach + BAR
    along = inside_frame(ring_points(rings, between=4), grid)
    away = shapely.distance(wall, shapely.points(along))
    assert away.min() >= reach - BAR
    assert away.max() <= reach + BAR
    solid = shapely.Polygon(loop)
    if sign > 0.0:
        frame = (grid.nx - 1) * (grid.ny - 1) * cell**2
        expected = frame - solid.buffer(reach, quad_segs=200).area
    else:
        expected = solid.buffer(-reach, quad_segs=200).area
    assert rings.areas().sum() == pytest.approx(expected, abs=BAR * 150.0)


@pytest.mark.compiled
@pytest.mark.parametrize("cell", CELLS)
@pytest.mark.parametrize(("radius", "corner"), [(4.0, 0.0), (4.0, 1.0), (4.0, 4.0)])
def test_drafted_round_wall(radius, corner, cell):
    """On a cone frustum the cutter's centre stands where the offset cone has the level's height."""
    turns, low, high, height = 2400, 15.0, 12.0, 20.0
    t = np.linspace(0.0, 2.0 * np.pi, turns, endpoint=False)
    loop = np.column_stack([np.cos(t), np.sin(t)])
    tree = ContactSurface(loft(at_height(low * loop, 0.0), at_height(high * loop, height)))
    slope = height / (low - high)
    grid = Grid(-22.0, -22.0, cell, math.ceil(44.0 / cell), math.ceil(44.0 / cell))
    z = 9.0
    rings = tree.boundary(grid, tree.heights(grid, radius, corner), z, radius, corner)
    rise = (radius - corner) * slope + corner * (math.hypot(1.0, slope) - 1.0)
    expected = low - (z - rise) / slope
    flattening = low * (1.0 - math.cos(math.pi / turns))
    d = np.hypot(*inside_frame(ring_points(rings), grid).T)
    d = d[d > 13.0]  # leaves the level below the hollow's middle out
    assert len(d) > 100
    assert d.min() >= expected - flattening - 1e-6
    assert d.max() <= expected + BAR - flattening


@pytest.mark.compiled
@pytest.mark.parametrize("cell", CELLS)
def test_drafted_plane_wall(cell):
    """A straight line in plan, whatever way it runs through the cells."""
    draft = math.tan(math.radians(85.0))
    along, across = np.array([0.8, 0.6]), np.array([-0.6, 0.8])
    foot = [-60.0 * along, 60.0 * along]
    crest = [p + 20.0 / draft * across for p in foot]
    a, b, c, d = (np.array([*p, z]) for p, z in zip([*foot, *crest], [0.0, 0.0, 20.0, 20.0], strict=True))
    tree = ContactSurface(np.array([[a, b, c], [b, d, c]]))
    radius, corner, z = 5.0, 2.0, 8.0
    grid = Grid(-15.0, -15.0, cell, math.ceil(30.0 / cell), math.ceil(30.0 / cell))
    rings = tree.boundary(grid, tree.heights(grid, radius, corner), z, radius, corner)
    rise = (radius - corner) * draft + corner * (math.hypot(1.0, draft) - 1.0)
    expected = (z - rise) / draft
    points = inside_frame(ring_points(rings, between=3), grid) @ across
    near = np.abs(points - expected) < 2.0
    assert near.sum() > 20
    assert np.abs(points[near] - expected).max() <= 1e-4 + 1e-6


@pytest.mark.compiled
@pytest.mark.parametrize("cell", CELLS)
def test_freeform_round_wall(cell):
    """The outer flank of a torus: level lines of the offset torus are circles."""
    ring, tube, radius, corner, z = 12.0, 5.0, 4.0, 1.5, 1.0
    u = np.linspace(0.0, 2.0 * np.pi, 721)[:, None]
    v = np.linspace(0.0, 0.5 * np.pi, 181)[None, :]
    d = ring + tube * np.cos(v)
    p = [d * np.cos(u), d * np.sin(u), tube * np.sin(v) + 0.0 * u]
    tree = ContactSurface(sheet_of(np.stack(p, axis=-1)))
    grid = Grid(-23.0, -23.0, cell, math.ceil(46.0 / cell), math.ceil(46.0 / cell))
    rings = tree.boundary(grid, tree.heights(grid, radius, corner), z, radius, corner)
    expected = ring + radius - corner + math.sqrt((tube + corner) ** 2 - (z + corner) ** 2)
    d = np.hypot(*inside_frame(ring_points(rings, between=2), grid).T)
    d = d[d > ring]
    assert len(d) > 100
    assert np.abs(d - expected).max() <= BAR


@pytest.mark.compiled
def test_random_walls_against_the_twin():
    """Free at each vertex, blocked 0.003 mm further, by the numeric twin; a coarse sheet of odd facets."""
    radius, corner, z = 3.0, 1.0, 3.2
    triangles = sheet(lambda x, y: 1.5 * wavy(x, y) + 1.2 * np.sin(3.1 * x + 1.7 * y), 30.0, 1.5)
    tree = ContactSurface(triangles)
    grid = Grid(4.0, 4.0, 0.43, 52, 52)
    rings = tree.boundary(grid, tree.heights(grid, radius, corner), z, radius, corner)
    checked = 0
    for k in range(len(rings)):
        ring = rings.ring(k)
        step = np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0)
        normal = np.column_stack([step[:, 1], -step[:, 0]]) / np.hypot(*step.T)[:, None]
        whole = np.array([len(inside_frame(p[None], grid)) == 1 for p in ring])
        for p, n in list(zip(ring[whole], normal[whole], strict=True))[:: max(1, whole.sum() // 20)]:
            near = triangles[np.hypot(*(triangles[:, :, :2].mean(axis=1) - p).T) < radius + 1.3]
            pair = np.array([p, p + 0.003 * n])
            low, high = naive_contact.tip_heights(near, pair, radius, corner, 0.0, 0.0)
            assert low <= z + 2e-9
            checked += 1
            assert high > z
    assert checked > 30


def small_plate():
    """A square far below all levels asked for."""
    return ContactSurface(sheet(lambda x, y: 0.0 * x - 50.0, 20.0, 10.0))


def test_all_free_runs_along_the_frame():
    grid = Grid(2.0, 3.0, 0.5, 21, 31)
    tree = small_plate()
    rings = tree.boundary(grid, tree.heights(grid, 1.0, 0.0), 0.0, 1.0, 0.0)
    assert len(rings) == 1
    assert rings.areas()[0] == pytest.approx(20 * 0.5 * 30 * 0.5, rel=1e-12)
    assert np.array_equal(rings.points.min(axis=0), [2.0, 3.0])
    assert np.array_equal(rings.points.max(axis=0), [12.0, 18.0])


def test_nothing_free_gives_no_rings():
    grid = Grid(2.0, 3.0, 0.5, 21, 31)
    tree = small_plate()
    rings = tree.boundary(grid, tree.heights(grid, 1.0, 0.0), -60.0, 1.0, 0.0)
    assert len(rings) == 0
    assert rings.points.shape == (0, 2)
    assert rings.offsets.tolist() == [0]


def test_free_blocks_that_touch_by_a_corner_are_not_joined():
    grid = Grid(0.0, 0.0, 1.0, 8, 8)
    accept = np.zeros((8, 8), bool)
    accept[1:4, 1:4] = True
    accept[4:7, 4:7] = True
    tree = small_plate()
    rings = tree.boundary(grid, tree.heights(grid, 1.0, 0.0), 0.0, 1.0, 0.0, accept=accept)
    assert rings.areas().tolist() == [4.0, 4.0]
    accept = ~accept
    rings = tree.boundary(grid, tree.heights(grid, 1.0, 0.0), 0.0, 1.0, 0.0, accept=accept)
    assert sorted(rings.areas().tolist()) == [-28.0, 49.0]  # blocked blocks join: one island round both


@pytest.mark.compiled
def test_islands_run_clockwise_and_rings_do_not_cross():
    loop = outline(300)
    tree = ContactSurface(np.concatenate([boss(0.3 * loop), pocket(loop * 1.3)]))
    grid = Grid(-30.0, -30.0, 0.4, 150, 150)
    rings = tree.boundary(grid, tree.heights(grid, 3.0, 0.5), 4.0, 3.0, 0.5)
    areas = rings.areas()
    assert (areas > 0.0).sum() == 1
    assert (areas < 0.0).sum() == 1
    assert all(shapely.LinearRing(rings.ring(k)).is_valid for k in range(2))
    outer, island = (shapely.Polygon(rings.ring(int(k))) for k in (np.argmax(areas), np.argmin(areas)))
    assert outer.contains(island)


def test_bad_boundary_calls_are_refused():
    grid = Grid(0.0, 0.0, 1.0, 5, 4)
    tree = small_plate()
    with pytest.raises(SurfaceError, match="shape"):
        tree.boundary(grid, np.zeros((5, 4)), 0.0, 1.0, 0.0)
    with pytest.raises(SurfaceError, match="shape"):
        tree.boundary(grid, np.zeros((4, 5)), 0.0, 1.0, 0.0, accept=np.ones((5, 4), bool))
    with pytest.raises(SurfaceError, match="tolerance"):
        tree.boundary(grid, np.zeros((4, 5)), 0.0, 1.0, 0.0, chord=0.0)
    with pytest.raises(SurfaceError, match="finite"):
        tree.boundary(grid, np.zeros((4, 5)), math.nan, 1.0, 0.0)
