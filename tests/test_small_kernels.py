"""Kernels on maps of a few hundred nodes against general libraries: quick enough as plain Python."""

import itertools
import math

import numpy as np
import pytest
import shapely
from scipy.interpolate import LinearNDInterpolator
from scipy.ndimage import binary_dilation, convolve, grey_dilation, map_coordinates
from scipy.sparse import csr_array
from scipy.sparse.csgraph import shortest_path
from scipy.spatial import Delaunay, cKDTree
from shapely.geometry import LineString

from zrough.grid import Grid
from zrough.kernels import march, places, raster, replay, ridges, starts, sweeps, taller
from zrough.pieces import leading_half
from zrough.surface import ContactSurface

X, Y = np.meshgrid(np.arange(24) * 0.5 - 1.0, np.arange(18) * 0.5 + 2.0)  # nodes of every map here
NODES = np.column_stack([X.ravel(), Y.ravel()])


@pytest.fixture
def rng():
    return np.random.default_rng(11)


def test_heights_from_above_are_those_of_a_triangulated_surface(rng):
    """Points triangulated and interpolated by scipy; the lower of two sheets never shows."""
    plan = np.vstack([rng.uniform((-2, 1), (12, 12), (40, 2)), [[-2, 1], [12, 1], [12, 12], [-2, 12]]])
    z = rng.uniform(-5.0, 5.0, len(plan))
    faces = Delaunay(plan).simplices
    sheet = np.column_stack([plan, z])[faces]
    upright = np.array([[[0, 5, 9], [6, 5, 9], [3, 5, 99]]], float)  # seen edge on
    mesh = np.ascontiguousarray(np.concatenate([sheet - (0.0, 0.0, 3.0), upright, sheet]))
    heights, face = np.full(X.shape, -np.inf), np.full(X.shape, -1, np.int32)
    raster.seen_from_above(mesh, -1.0, 2.0, 0.5, 0, len(X), heights, face)
    np.testing.assert_allclose(heights.ravel(), LinearNDInterpolator(plan, z)(NODES), atol=1e-9)
    assert (face > len(faces)).all()


def highest_over(edge, flank, x, y):
    """Greatest height over a flat end with a straight flank along a line, by ever finer samples."""
    lower, upper, length = flank
    low, high = 0.0, 1.0
    for _ in range(12):
        t = np.linspace(low, high, 401)
        at = edge[0] + t[:, None] * (edge[1] - edge[0])
        away = np.hypot(at[:, 0] - x, at[:, 1] - y)
        value = np.where(
            away <= upper, at[:, 2] - length * np.clip((away - lower) / (upper - lower), 0, 1), -99.0
        )
        best = int(value.argmax())
        low, high = t[max(best - 1, 0)], t[min(best + 1, 400)]
    return float(value.max())


@pytest.mark.parametrize("tall", [2.0, 14.0])
def test_a_holders_flank_over_the_edge_of_a_blade(tall):
    """Upright, its edge rising less or more steeply than the flank: from radius 4 to 15 over 10 mm."""
    a, b, low = np.array([-6.0, 0.0, 0.0]), np.array([6.0, 0.0, tall]), np.array([0.0, 0.0, -80.0])
    grid = Grid(-9.0, -7.1, 3.0, 7, 6)
    found = ContactSurface(np.array([[a, b, low]])).heights_profile(grid, [(10.0, 8.0, 30.0)])
    for i, y in enumerate(grid.y):
        for j, x in enumerate(grid.x):
            assert found[i, j] == pytest.approx(highest_over((a, b), (4.0, 15.0, 10.0), x, y), abs=1e-6)


@pytest.mark.parametrize("corner", [0.0, 1.0, 4.0])
def test_rings_round_a_square_post(corner):
    """Half way down, the centre of a cutter keeps its radius from the post: by distance."""
    half, radius = 3.0, 4.0
    plan = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    triangles = []
    for k in range(4):
        a, b = plan[k], plan[(k + 1) % 4]
        lower, upper = [[*a, 0.0], [*b, 0.0]], [[*a, 10.0], [*b, 10.0]]
        triangles += [[lower[0], lower[1], upper[1]], [lower[0], upper[1], upper[0]]]
    triangles += [[[*plan[k], 10.0] for k in face] for face in ((0, 1, 2), (0, 2, 3))]
    surface, grid = ContactSurface(np.array(triangles)), Grid(-9.07, -9.03, 1.3, 15, 15)
    rings = surface.boundary(grid, surface.heights(grid, radius, corner), 5.0, radius, corner)
    inner = rings.points[np.abs(rings.points).max(axis=1) < 8.5]
    assert len(inner) > 20
    away = shapely.distance(shapely.box(-half, -half, half, half), shapely.points(inner))
    assert away.min() >= radius - 1e-6
    assert away.max() <= radius + 1e-3


def test_a_dilated_map_is_scipys(rng):
    heights = rng.uniform(-3.0, 3.0, X.shape).astype(np.float32)
    away = np.hypot(*np.mgrid[-3:4, -3:4])
    drop = np.where(away <= 3.2, 0.1 * away**2, np.inf).astype(np.float32)
    out = np.full(heights.shape, -np.inf, np.float32)
    for first, last in ((0, 7), (7, len(out))):
        replay.dilate(heights, drop, first, last, out)
    footprint = np.isfinite(drop)
    structure = np.where(footprint, -drop, 0.0)
    expected = grey_dilation(
        heights.astype(float), footprint=footprint, structure=structure, mode="constant", cval=-np.inf
    )
    np.testing.assert_allclose(out, expected, atol=1e-6)


def test_discs_along_a_path_and_the_highest_beside_a_way(rng):
    heights = rng.uniform(0.0, 9.0, X.shape).astype(np.float32)
    path = np.array([[0.0, 3.0], [4.2, 3.3], [4.5, 8.0], [9.0, 8.1], [9.3, 4.0]])
    lowered = heights.copy()
    march.lower_discs(lowered, -1.0, 2.0, 0.5, 1.69, 0.0, 4.0, path, 2)
    away = cKDTree(path[::2]).query(NODES)[0].reshape(X.shape)
    near = away <= 1.69
    np.testing.assert_array_equal(lowered, np.where(near, np.minimum(heights, np.float32(4.0)), heights))
    # under a corner radius of 1 the quarter circle stays, about a centre 1 above the tip
    rounded = heights.copy()
    march.lower_discs(rounded, -1.0, 2.0, 0.5, 1.69, 1.0, 4.0, path, 2)
    beyond = np.clip(away - 0.69, 0.0, 1.0)
    under = np.where(near, np.minimum(heights, 5.0 - np.sqrt(1.0 - beyond**2)), heights)
    np.testing.assert_allclose(rounded, under, atol=1e-6)
    for a, b in ((path[0], path[3]), (path[2], path[2])):
        way = shapely.distance(LineString([a, b]), shapely.points(NODES)).reshape(X.shape)
        assert march.highest_along(heights, -1.0, 2.0, 0.5, 1.3, *a, *b) == heights[way <= 1.3].max()
    assert march.highest_along(heights, -1.0, 2.0, 0.5, 1.3, 50.0, 50.0, 60.0, 50.0) == -math.inf


def test_what_stands_taller_is_met_once(rng):
    """Each node by the first centre that comes within the radius of it: by a search tree."""
    heights = np.where(rng.random(X.shape) < 0.3, rng.uniform(0.1, 2.0, X.shape), 0.0).astype(np.float32)
    walk = np.column_stack([np.linspace(-2.0, 9.0, 40), 6.0 + 2.0 * np.sin(np.linspace(0.0, 5.0, 40))])
    met, left = np.zeros(len(walk)), heights.copy()
    taller.first_met(left, -1.0, 2.0, 0.5, 1.6, walk, met)
    expected = np.zeros(len(walk))
    reached = [sorted(found) for found in cKDTree(walk).query_ball_point(NODES, 1.6)]
    for found, height in zip(reached, heights.ravel(), strict=True):
        if found:
            expected[found[0]] = max(expected[found[0]], height)
    np.testing.assert_allclose(met, expected)
    assert not left.ravel()[[bool(found) for found in reached]].any()


def test_swept_ground_laid_into_another_map():
    """A straight edge at x = 4.3: between nodes the map is linear, so what is laid is exact."""
    unit, full, near, radius = 0.01, 1.5, 0.8, 2.0
    sx, sy = np.meshgrid(np.arange(40) * 0.4 - 3.0, np.arange(30) * 0.4)
    told = np.clip(np.rint((sx - 4.3 + 0.0 * sy) / unit), -150, 32000).astype(np.int16)
    out = np.full(X.shape, 1.0e6, np.float32)
    sweeps.lay(told, unit, full, 0.2, -3.0, 0.0, 0.4, out, -1.0, 2.0, 0.5, radius, near)
    beyond = X - 4.3 + 0.2
    known = (beyond > 0.2 - full + 0.4) & (beyond < near - 0.02)
    np.testing.assert_allclose(np.sqrt(out[known]), np.maximum(radius + beyond[known], 0.0), atol=0.01)
    assert (out[beyond > near + 0.02] == 1.0e6).all()
    assert (out[beyond < 0.2 - full - 0.4] == 0.0).all()
    far = np.full(X.shape, 7.0, np.float32)
    sweeps.lay(told, unit, full, 0.0, 500.0, 0.0, 0.4, far, -1.0, 2.0, 0.5, radius, near)  # beside the map
    assert (far == 7.0).all()


def test_ridges_too_high():
    """Surface at -0.8, stairs of 1 mm allowed: 0.2 over the tip's height may stand, no more."""
    left = np.full((12, 16), 0.0, np.float32)
    left[1, 2], left[5, 6], left[9, 13], left[10, 3] = 0.5, 0.15, 0.5, math.inf
    tip, top = np.full((6, 8), -0.8), np.full((6, 8), 10.0)
    mat = np.ones((3, 4), np.uint8)
    rows = columns = np.array([-1, 0, 1])
    inset = np.array([0.3, 0.0, 0.3])

    def marked(above=math.inf, limit=1.0, mat=mat, top=top):
        out = np.full(mat.shape, 9, np.uint8)
        lowest = ridges.too_high(
            left, tip, top, rows, columns, inset, 0.0, above, limit, 0.01, mat, out
        )  # fmt: skip
        return lowest, [tuple(map(int, place)) for place in np.argwhere(out)]

    assert marked() == (pytest.approx(0.2), [(0, 0), (2, 3)])
    hidden = mat.copy()
    hidden[2, 3] = 0
    assert marked(mat=hidden)[1] == [(0, 0)]  # nothing in reach there
    assert marked(above=0.1) == (math.inf, [])  # the level above takes them off
    assert marked(limit=3.0) == (math.inf, [])
    assert marked(limit=0.5) == (math.inf, [])  # a deeper level's business
    low = top.copy()
    low[0, 0] = 0.005
    assert marked(top=low)[1] == [(2, 3)]  # nothing stood there to begin with


def test_a_walk_along_a_wall_begins_where_the_cutter_stands_clear():
    """Shapely knows what is swept: discs round all centres of a box; the ring's lower edge runs under it."""
    radius, pitch = 1.5, 0.25
    centres = shapely.box(2.0, 5.0, 7.0, 8.0)
    swept = centres.buffer(radius, quad_segs=64)
    nodes = shapely.points(*np.meshgrid(np.arange(48) * pitch - 1.0, np.arange(40) * pitch + 1.0))
    d2 = (shapely.distance(nodes, centres) ** 2).astype(np.float32)
    outline = np.array([[1.0, 4.9], [9.0, 4.9], [9.0, 9.0], [1.0, 9.0]])
    line = shapely.LinearRing(outline)
    ring = np.array([line.interpolate(s).coords[0] for s in np.arange(0.0, line.length, 0.2)])
    inside = shapely.Polygon(outline)
    sd = np.where(shapely.contains(inside, nodes), 1.0, -1.0) * shapely.distance(nodes, line)
    offs, pose = np.array([0.01, 0.1, 0.3, 0.6]), np.empty(4)

    def found(at: int) -> bool:
        return march.wall_pose(
            d2, sd[::2, ::2].astype(np.float32), -1.0, 1.0, pitch, 2 * pitch, radius, radius, 0.01, 1,
            ring, at, 2, offs, pose,
        )  # fmt: skip

    lower = np.flatnonzero((ring[:, 1] == 4.9) & (ring[:, 0] > 1.6) & (ring[:, 0] < 8.4))
    clear = [int(at) for at in lower if found(int(at))]
    assert clear
    assert [float(ring[at, 0]) for at in clear] == pytest.approx(
        [x for x in ring[lower, 0] if 2.0 + pitch <= x <= 7.0 + 0.4 - pitch], abs=1e-9
    )
    for at in clear:
        assert found(at)
        stands = shapely.Point(*pose[:2])
        assert swept.contains(stands.buffer(radius + 0.9 * pitch))
        np.testing.assert_allclose(pose[2:], (1.0, 0.0), atol=1e-9)
        # the nearest of the offsets at which a cutter a pitch larger stands within swept ground
        assert pose[1] == pytest.approx(4.91 + 0.3 * radius, abs=1e-9)
        assert min(abs(pose[0] - ring[at - 2, 0]), abs(pose[0] - ring[at, 0])) < 1e-9


def test_swept_discs_are_the_distance_to_the_nearest_of_their_centres(rng):
    """scipy's tree finds it, whatever order and however far apart the centres come."""
    close = np.cumsum(rng.normal(0.0, 0.2, (30, 2)), axis=0) + np.array([4.0, 6.0])
    path = np.vstack([close, [[0.0, 3.0], [9.0, 9.0]]])
    d2 = np.full(X.shape, 1e6, np.float32)
    march.stamp_path(d2, -1.0, 2.0, 0.5, 2.2, path)
    away = cKDTree(path).query(NODES)[0].reshape(X.shape)
    np.testing.assert_allclose(d2[away <= 2.2], away[away <= 2.2] ** 2, rtol=1e-5, atol=1e-6)
    assert (d2[away > 2.2] == 1e6).all()


def test_the_nearest_front_is_the_nearest_clear_node_beside_blocked_ones(rng):
    """scipy dilates what is blocked; numpy finds the nearest, the first row by row of equals."""
    for place in ((2.0, 5.0), (-7.0, 4.0), (30.0, 30.0), (4.5, 6.5)):
        free, blk = (
            (rng.random(X.shape) < 0.8).astype(np.uint8),
            (rng.random(X.shape) < 0.05).astype(np.int32),
        )
        tabu = (rng.random(X.shape) < 0.5).astype(np.uint8)
        front = (free > 0) & (blk == 0) & (tabu == 0)
        front &= binary_dilation((free > 0) & (blk > 0), structure=np.ones((3, 3)))
        at = np.where(front, (X - place[0]) ** 2 + (Y - place[1]) ** 2, np.inf)
        assert march.find_any_front(free, blk, tabu, -1.0, 2.0, 0.5, *place) == np.argmin(at)
        assert march.find_any_front(free, 0 * blk, tabu, -1.0, 2.0, 0.5, *place) == -1


def test_a_search_over_clear_ground_goes_on_from_where_it_ended(rng):
    """Steps to fronts and goals, asked one after the other while more is tried, by scipy's shortest paths."""
    free = (rng.random((14, 17)) < 0.85).astype(np.uint8)
    blk = (rng.random(free.shape) < 0.25).astype(np.int32)
    clear = (free > 0) & (blk == 0)
    i, j = np.nonzero(clear)
    beside = np.maximum(abs(i[:, None] - i), abs(j[:, None] - j)) == 1
    steps = shortest_path(csr_array(beside), unweighted=True)
    fronts = binary_dilation((free > 0) & (blk > 0), structure=np.ones((3, 3), bool))[i, j]
    for start in rng.permutation(len(i))[:12].tolist():
        tabu, seen = np.zeros_like(free), np.zeros(free.shape, np.int32)
        parent, queue, state = np.zeros(free.shape, np.int64), np.zeros(free.size, np.int64), np.zeros(3, int)
        for goal in rng.permutation(len(i))[:20].tolist():
            asked = goal if rng.random() < 0.5 else -1
            flat = -1 if asked < 0 else i[asked] * 17 + j[asked]
            found = march.find_front(free, blk, tabu, seen, 1, i[start], j[start], flat, queue, parent, state)
            if asked >= 0:
                away = steps[start, asked]
                assert found == (flat if np.isfinite(away) else -1)
            else:
                away = steps[start, fronts & (tabu[i, j] == 0)].min(initial=np.inf)
                assert (found >= 0) == np.isfinite(away)
                tabu.ravel()[found if found >= 0 else slice(0)] = 1
            count = -1
            while found >= 0:
                found, count = parent.ravel()[found], count + 1
            assert count == (away if np.isfinite(away) else -1)


@pytest.mark.parametrize("share", [0.01, 0.6])
def test_blocked_nodes_count_the_material_round_them(rng, share):
    """scipy convolves with a disc, for few nodes as for many; what no free node reaches does not count."""
    fine = rng.random((31, 43)) < 1.0 - (1.0 - share) ** 0.04  # 25 of them round a coarse node
    d2, sd = np.where(fine, 9.0, 3.9).astype(np.float32), np.where(rng.random((16, 22)) < 0.1, 1.0, -1.0)
    shape = (8, 11)
    mat, blk = np.zeros(shape, np.uint8), np.zeros(shape, np.int32)
    free, prefix = np.zeros(shape, np.uint8), np.zeros((8, 12), np.int32)
    total = march.start_level(
        d2, sd.astype(np.float32), 2.0, 0.25, 0.5, 1.0, 0.01, 0.5, 0.75, mat, blk, free, prefix
    )
    i, j = np.mgrid[-2:3, -2:3]
    np.testing.assert_array_equal(free, sd[::2, ::2] > 0.0)
    stands = binary_dilation(fine, structure=np.ones((5, 5)))[::4, ::4]
    stands &= binary_dilation(free > 0, structure=np.hypot(i, j) <= 1.5)
    np.testing.assert_array_equal(mat, stands)
    disc = (np.hypot(i, j) <= 2.75).astype(int)
    np.testing.assert_array_equal(blk, convolve(stands.astype(int), disc, mode="constant"))
    assert total == stands.sum()


def test_cells_that_a_walk_touches_are_those_of_a_tree(rng):
    walk = rng.uniform(2.0, 5.0, (20, 2))
    near = np.zeros((14, 17), np.uint8)
    places.touch(-1.0, -2.0, 0.4, 8, 6, 1.1, walk, near)
    middles = np.stack(
        np.meshgrid(-1.0 + 0.4 * (6.5 + np.arange(17)), -2.0 + 0.4 * (8.5 + np.arange(14))), axis=-1
    )
    np.testing.assert_array_equal(near > 0, cKDTree(walk).query(middles)[0] < 1.1)


def cleared(centres):
    """Swept map, pitch 0.25, of a cutter of radius 1.5 that has been all over a shape."""
    nodes = shapely.points(*np.meshgrid(np.arange(48) * 0.25 - 1.0, np.arange(40) * 0.25 + 1.0))
    return (shapely.distance(nodes, centres) ** 2).astype(np.float32)


def test_a_straight_way_begins_where_the_cutter_stands_clear_and_brushes_little():
    """Centres from (0, 5) to (6, 7) are clear; a goal half a mm beyond is a bite as deep."""
    d2, sd = cleared(shapely.box(0.0, 5.0, 6.0, 7.0)), np.full((20, 24), 1.0, np.float32)
    circle, goal = leading_half(1), np.array([6.5, 6.0])
    starts = np.array([[3.0, 7.5], [8.5, 6.0], [3.0, 6.0], [4.5, 6.0]])

    def found(most, room=sd):
        return march.led(d2, room, -1.0, 1.0, 0.25, 0.5, 1.5, 1.5, 0.1, most, circle, starts, goal)

    assert found(math.pi) == 2
    assert found(0.05) == -1
    closed = np.where(np.arange(24) < 10, np.float32(-1.0), sd)  # ground that may be entered ends at x = 3.5
    assert found(math.pi, closed) == 3
    assert found(math.pi, -sd) == -1


def test_a_walk_that_takes_nothing_keeps_its_arcs_and_a_slot_has_half_a_turn():
    d2, circle = cleared(shapely.box(0.0, 5.0, 6.0, 7.0)), leading_half(1)
    inside = np.column_stack([np.linspace(1.0, 5.0, 41), np.full(41, 6.0)])
    arcs = np.full(41, 0.3)
    march.widen(d2.copy(), -1.0, 1.0, 0.25, 1.5, 0.1, circle, inside, arcs)
    np.testing.assert_array_equal(arcs, 0.3)
    whole, arcs = np.full(d2.shape, 1e6, np.float32), np.zeros(41)
    march.widen(whole, -1.0, 1.0, 0.25, 1.5, 0.1, circle, inside, arcs)
    assert arcs[0] == 0.0
    np.testing.assert_allclose(arcs[1:], math.pi, atol=math.radians(25.0))  # nodes are a sixth of the radius
    np.testing.assert_array_equal(whole <= 2.4, cleared(LineString(inside)) <= 2.4)


def scattered(rng, radius, hd, count):
    """Swept map of a few straight cuts, and centres of their cutter, close together."""
    wide = 7.0 * radius
    cuts = []
    for _ in range(count):
        (ax, ay), turn = rng.uniform(1.5 * radius, wide - 1.5 * radius, 2), rng.uniform(0.0, 2.0 * math.pi)
        t = np.arange(0.0, rng.uniform(0.1, 1.5) * radius, 0.02 * radius)
        cuts.append(np.column_stack([ax + t * math.cos(turn), ay + t * math.sin(turn)]))
    d2 = np.full((round(wide / hd) + 1,) * 2, 1.0e6, np.float32)
    for cut in cuts:
        march.stamp_path(d2, 0.0, 0.0, hd, radius + 3.0 * hd, cut)
    return d2, np.concatenate(cuts)


@pytest.mark.parametrize("probe", [1.0, 0.6, 0.25])
def test_an_arc_in_material_is_what_a_tree_of_the_swept_centres_says(rng, probe):
    # samples are passed over deep in swept ground and in ground that nothing came near
    radius = 3.0
    hd, n = radius / 60.0, 6
    d2, centres = scattered(rng, radius, hd, 5)
    tree, half = cKDTree(centres), math.pi / 2
    at = np.linspace(-half, half, 3601)
    arcs = []
    for x, y in centres[rng.integers(0, len(centres), n)] + rng.normal(0.0, 0.2 * radius, (n, 2)):
        turn = rng.uniform(0.0, 2.0 * math.pi)
        got = march.arc_at(
            d2, 0.0, 0.0, hd, probe * radius, x, y, math.cos(turn), math.sin(turn), leading_half(1)
        )
        rim = np.column_stack([np.cos(turn + at), np.sin(turn + at)]) * probe * radius + np.array([x, y])
        # the map says of both radii how far the nearest centre is
        want = np.mean(tree.query(rim)[0] > probe * radius) * math.pi
        arcs.append((got, want))
    got, want = np.transpose(arcs)
    assert np.abs(got - want).max() < math.radians(1.0)
    assert want.max() > 0.3


def test_a_cutter_stands_clear_where_no_point_under_it_is_far_from_all_centres(rng):
    radius = 3.0
    hd = radius / 60.0
    d2, cuts = scattered(rng, radius, hd, 4)
    x, y = np.meshgrid(np.linspace(-0.5, 0.5, 11) * radius, np.linspace(-0.5, 0.5, 11) * radius)
    pocket = np.column_stack([x.ravel(), y.ravel()]) + 3.5 * radius
    march.stamp_path(d2, 0.0, 0.0, hd, radius + 3.0 * hd, pocket)
    centres = np.concatenate([cuts, pocket])
    i, j = np.mgrid[-70:71, -70:71] * hd
    under = np.column_stack([j.ravel(), i.ravel()])
    under = under[np.hypot(*under.T) <= radius + hd]
    tree, seen = cKDTree(centres), []
    places = np.concatenate([centres[rng.integers(0, len(centres), 12)] for centres in (cuts, pocket)])
    for x, y in places + rng.normal(0.0, 0.02 * radius, places.shape):
        for flat in (radius, 0.4 * radius):
            away = tree.query(under + np.array([x, y]))[0]
            beyond = np.hypot(*under.T)
            over = float((away - np.minimum(radius, np.maximum(flat, beyond))).max())
            clear = march.first_clear(d2, 0.0, 0.0, hd, radius, flat, hd, np.array([[x, y]])) == 0
            if abs(over - 0.5 * hd) > 1.5 * hd:  # nearer than that nodes cannot tell
                seen.append(clear)
                assert clear == (over < 0.0)
    assert any(seen)
    assert not all(seen)


def begins(open_, side):
    """Points of a closed ring where a run of open ones begins, going ``side``, and how long it is."""
    if all(open_):
        return dict.fromkeys(range(len(open_)), len(open_))
    found = {}
    for k, here in enumerate(open_):
        if here and not open_[k - side if k - side < len(open_) else 0]:
            found[k] = next(m for m in range(1, len(open_) + 1) if not open_[(k + side * m) % len(open_)])
    return found


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("share", [0.0, 0.3, 0.8, 1.0])
def test_runs_of_open_points_begin_where_the_point_before_is_closed(rng, side, share):
    offsets = np.array([0, 7, 20, 21, 60])
    points, is_open = rng.uniform(0.0, 9.0, (60, 2)), rng.random(60) < share
    is_open[7:20] = share > 0.0  # one ring open all round
    away, origin = np.zeros(60), np.array([4.0, 5.0])
    starts.beginnings(is_open, points, offsets[:-1], offsets[1:], side, origin, 4, 0.5, away)
    want = np.full(60, np.inf)
    for a, b in itertools.pairwise(offsets.tolist()):
        for k, run in begins(is_open[a:b].tolist(), side).items():
            want[a + k] = math.dist(points[a + k], origin) - (0.5 if run < 4 else 0.0)
    np.testing.assert_allclose(away, want)
    near = np.zeros(60)
    starts.beginnings(is_open, points, offsets[:-1], offsets[1:], side, np.full(2, np.nan), 4, 0.0, near)
    first = np.flatnonzero(np.isfinite(want))[:1]
    np.testing.assert_allclose(near[first], 0.0)  # from the first of them
    np.testing.assert_array_equal(np.isfinite(near), np.isfinite(want))


def test_the_least_along_a_way_is_that_of_scipys_linear_interpolation(rng):
    sd = rng.uniform(-1.0, 1.0, (12, 17)).astype(np.float32)
    for _ in range(20):
        way = rng.uniform(-2.0, 10.0, (4, 2))  # also beyond the map
        legs = [
            np.linspace(a, b, math.ceil(math.dist(a, b) / 0.3), endpoint=False)
            for a, b in itertools.pairwise(way)
        ]
        places = np.concatenate([*legs, way[-1:]]) - (1.0, -1.0)
        want = map_coordinates(sd, (places[:, ::-1] / 0.6).T, order=1, mode="nearest").min()
        assert march.least_along(sd, 1.0, -1.0, 0.6, 0.3, way) == pytest.approx(want, abs=1e-6)


def test_the_nearest_clear_node_is_joined_to_the_place_by_open_ground(rng):
    h, hb, place = 0.5, 1.0, np.array([6.3, 5.2])
    sd = np.ones((23, 25), np.float32)
    sd[:, 14] = -1.0  # a wall at x = 7
    free, blk = np.ones((12, 13), np.uint8), np.zeros((12, 13), np.int32)
    blk[4:7, :7] = 1

    def found(least=0.0):
        flat = march.clear_node(sd, free, blk, 0.0, 0.0, h, hb, 3, least, *place)
        return divmod(flat, 13) if flat >= 0 else None

    # nodes at x = 7 and beyond lie in or behind the wall; of the others rows 4 to 6 are not clear
    open_ = [(i, j) for i in range(2, 9) for j in range(3, 7) if blk[i, j] == 0]
    assert found() == min(open_, key=lambda n: ((n[0] - 5) ** 2 + (n[1] - 6) ** 2, n))
    assert found(1.5) is None
    free[:] = 0
    assert found() is None
