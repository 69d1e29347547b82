"""Cutter location heights against a numeric twin, closed forms, grey dilation and general laws."""

import math

import naive_contact
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import grey_dilation

from zrough import threads
from zrough.errors import Cancelled, SurfaceError
from zrough.grid import Grid
from zrough.surface import ContactSurface

CUTTERS = [(3.0, 0.0), (3.0, 0.4), (3.0, 1.5), (3.0, 3.0), (5.0, 0.3), (0.7, 0.7)]


def soup(seed, count, size=12.0, spread=2.5):
    rng = np.random.default_rng(seed)
    return rng.random((count, 1, 3)) * size + rng.normal(size=(count, 3, 3)) * spread


def sheet(height, size, pitch):
    """Height function over 0..size in x and y as triangles."""
    n = round(size / pitch) + 1
    x, y = np.meshgrid(np.arange(n) * pitch, np.arange(n) * pitch)
    return sheet_of(np.stack([x, y, height(x, y)], axis=-1))


def sheet_of(p):
    a, b, c, d = p[:-1, :-1], p[:-1, 1:], p[1:, 1:], p[1:, :-1]
    both = np.stack([np.stack([a, b, c], axis=2), np.stack([a, c, d], axis=2)], axis=2)
    return both.reshape(-1, 3, 3)


def gap(found, expected):
    """Greatest difference; both must be -inf at the same places."""
    inside = np.isfinite(expected)
    assert np.array_equal(np.isfinite(found), inside)
    return np.abs(found[inside] - expected[inside]).max(initial=0.0)


def profile(d, radius, corner):
    e = np.clip(d - (radius - corner), 0.0, corner)
    return corner - np.sqrt(corner * corner - e * e)


@pytest.mark.compiled
@pytest.mark.parametrize(("radius", "corner"), CUTTERS)
def test_heights_equal_the_numeric_twin_on_random_soups(radius, corner):
    for seed in range(4):
        triangles = soup(seed, 20)
        xy = np.random.default_rng(100 + seed).random((20, 2)) * 14.0 - 1.0
        found = ContactSurface(triangles).at(xy, radius, corner)
        twin = naive_contact.tip_heights(triangles, xy, radius, corner, 0.0, 0.0)
        assert np.isfinite(twin).sum() > 5 or radius < 1.0
        assert gap(found, twin) <= 1e-9


@pytest.mark.compiled
def test_awkward_triangles_equal_the_numeric_twin():
    """Vertical, needle-shaped, repeated-corner, single-point and horizontal triangles on round numbers."""
    triangles = np.array(
        [
            [[0, 0, 0], [4, 0, 0], [4, 0, 3]],  # vertical
            [[1, 2, 1], [5, 2, 2], [3, 2, 1.5]],  # three corners in line
            [[2, 3, 4], [2, 3, 4], [4, 4, 1]],  # two corners equal
            [[5, 5, 2], [5, 5, 2], [5, 5, 2]],  # one point
            [[6, 1, 0], [6, 1, 5], [6, 1, 2]],  # line straight up
            [[0, 4, 2], [3, 4, 2], [0, 6, 2]],  # horizontal
            [[0, 4, 2], [0, 6, 2], [3, 4, 2]],  # the same, facing down
            [[7, 0, 0], [7.001, 4, 6], [7.002, 0, 0]],  # steep sliver
        ],
        dtype=float,
    )
    x, y = np.meshgrid(np.arange(-2.0, 9.0, 0.5), np.arange(-2.0, 8.0, 0.5))
    xy = np.stack([x.ravel(), y.ravel()], axis=1) + 1e-3
    for radius, corner in [(1.5, 0.0), (1.5, 0.5), (1.5, 1.5)]:
        found = ContactSurface(triangles).at(xy, radius, corner)
        twin = naive_contact.tip_heights(triangles, xy, radius, corner, 0.0, 0.0)
        assert gap(found, twin) <= 1e-9


@pytest.mark.compiled
def test_grid_nodes_and_single_points_agree():
    triangles = soup(3, 400, size=40.0)
    grid = Grid(-3.0, -2.0, 0.37, 121, 117)
    x, y = np.meshgrid(grid.x, grid.y)
    xy = np.stack([x.ravel(), y.ravel()], axis=1)
    tree = ContactSurface(triangles)
    for radius, corner in CUTTERS:
        heights = tree.heights(grid, radius, corner).ravel()
        points = tree.at(xy, radius, corner)
        assert gap(heights, points) <= 1e-9


@pytest.mark.parametrize(("radius", "corner"), [(6.0, 6.0), (6.0, 1.0), (6.0, 0.0), (2.0, 0.5)])
@pytest.mark.parametrize("slope_deg", [0.0, 10.0, 45.0, 80.0, 89.0])
def test_sloping_plane(radius, corner, slope_deg):
    """Tip above a plane: a tan A + c (1/cos A - 1); plain geometry of a torus touching a plane."""
    slope = math.tan(math.radians(slope_deg))
    direction = np.array([0.6, 0.8])
    corners = np.array([[-60.0, -60.0], [60.0, -60.0], [60.0, 60.0], [-60.0, 60.0]])
    z = slope * corners @ direction
    p = np.column_stack([corners, z])
    tree = ContactSurface(np.array([p[[0, 1, 2]], p[[0, 2, 3]]]))
    xy = np.random.default_rng(1).random((50, 2)) * 20.0 - 10.0
    rise = (radius - corner) * slope + corner * (math.hypot(1.0, slope) - 1.0)
    expected = slope * xy @ direction + rise
    assert np.abs(tree.at(xy, radius, corner) - expected).max() <= 1e-9


def test_bull_nose_beside_a_straight_edge():
    """A level edge at plan distance l lifts the tip to its height less the profile at l."""
    edge = np.array([[[-50.0, 0.0, 4.0], [50.0, 0.0, 4.0], [0.0, -30.0, -40.0]]])
    y = np.linspace(0.0, 6.0, 61)
    found = ContactSurface(edge).at(np.column_stack([np.zeros_like(y), y]), 6.0, 1.5)
    assert np.abs(found - (4.0 - profile(y, 6.0, 1.5))).max() <= 1e-12
    beyond = ContactSurface(edge).at(np.array([[0.0, 6.0 + 1e-9]]), 6.0, 1.5)
    assert beyond[0] == -np.inf


def test_ball_over_a_rising_edge():
    """A ball over an inclined line touches a cylinder of its own radius round that line."""
    rise = 0.7
    edge = np.array([[[-50.0, 0.0, -50.0 * rise], [50.0, 0.0, 50.0 * rise], [0.0, 1e-9, -80.0]]])
    y = np.linspace(-2.9, 2.9, 41)
    x = np.linspace(-3.0, 3.0, 41)
    found = ContactSurface(edge).at(np.column_stack([x, y]), 3.0, 3.0)
    cosine = 1.0 / math.hypot(1.0, rise)
    expected = rise * x + np.sqrt(9.0 - y * y) / cosine - 3.0
    assert np.abs(found - expected).max() <= 1e-8  # the sliver behind the edge is 1e-9 wide


def test_point_below_the_cutter():
    """A single point gives the profile itself, the vertex case."""
    point = np.full((1, 3, 3), 1.0)
    d = np.linspace(0.0, 4.0, 81)
    for corner in (0.0, 1.0, 4.0):
        found = ContactSurface(point).at(np.column_stack([1.0 + d, np.ones_like(d)]), 4.0, corner)
        assert np.abs(found - (1.0 - profile(np.minimum(d, 4.0), 4.0, corner)))[:-1].max() <= 1e-12


@pytest.mark.compiled
def test_cone():
    """On a cone the tip moves on a cone as steep, a tan A + c (1/cos A - 1) higher, outside its apex cap."""
    turns, base, height = 3600, 30.0, 20.0
    t = np.linspace(0.0, 2.0 * np.pi, turns + 1)
    ring = np.column_stack([base * np.cos(t), base * np.sin(t), np.zeros_like(t)])
    apex = np.array([0.0, 0.0, height])
    cone = np.stack([np.broadcast_to(apex, (turns, 3)), ring[:-1], ring[1:]], axis=1)
    slope = height / base
    radius, corner = 4.0, 1.0
    d = np.linspace(6.0, 20.0, 57)
    angle = np.linspace(0.0, 6.0, 57)
    xy = np.column_stack([d * np.cos(angle), d * np.sin(angle)])
    expected = height - slope * d + (radius - corner) * slope + corner * (math.hypot(1.0, slope) - 1.0)
    found = ContactSurface(cone).at(xy, radius, corner)
    flattening = slope * base * (1.0 - math.cos(math.pi / turns))  # facets lie inside the cone
    assert (found - expected).max() <= 1e-9
    assert (expected - found).max() <= flattening + 1e-9
    above_apex = ContactSurface(cone).at(np.array([[0.0, 0.0], [2.0, 0.0]]), radius, corner)
    assert np.abs(above_apex - height).max() <= 1e-12


@pytest.mark.compiled
@pytest.mark.parametrize(("radius", "corner"), [(3.0, 3.0), (3.0, 1.0)])
def test_torus(radius, corner):
    """A bull-nose on a torus: its corner circle's centre keeps tube radius + c from the middle circle."""
    ring, tube, turns, steps = 20.0, 5.0, 720, 360
    u = np.linspace(0.0, 2.0 * np.pi, turns + 1)[:, None]
    v = np.linspace(0.0, np.pi, steps + 1)[None, :]
    x = (ring + tube * np.cos(v)) * np.cos(u)
    y = (ring + tube * np.cos(v)) * np.sin(u)
    z = tube * np.sin(v) + 0.0 * u
    tree = ContactSurface(sheet_of(np.stack([x, y, z], axis=-1)))
    a = radius - corner
    d = np.concatenate([np.linspace(20.0 + a, 27.0, 31), np.linspace(13.5, 20.0 - a, 31)])
    angle = np.linspace(0.0, 6.2, len(d))
    off = np.abs(d - ring) - a
    expected = np.sqrt((tube + corner) ** 2 - off**2) - corner
    found = tree.at(np.column_stack([d * np.cos(angle), d * np.sin(angle)]), radius, corner)
    chordal = (ring + tube) * (1.0 - math.cos(math.pi / turns)) + tube * (1.0 - math.cos(math.pi / steps / 2))
    steepest = 1.0 / np.sqrt(1.0 - (off / (tube + corner)) ** 2)
    assert (found - expected).max() <= 1e-9 + 5.0 * chordal  # inside the ring facets lie outside the torus
    assert (np.abs(found - expected) / steepest).max() <= 2.0 * chordal


def wavy(x, y):
    return 3.0 * np.sin(x / 4.0) * np.cos(y / 5.0)


@pytest.mark.compiled
@pytest.mark.parametrize(("radius", "corner"), [(4.0, 4.0), (4.0, 1.0), (4.0, 0.0)])
def test_single_points_give_grey_dilation_exactly(radius, corner):
    """Nodes as points of no size: the exact CL is then the grey dilation of the map (general library)."""
    cell, n = 0.25, 90
    grid = Grid(0.0, 0.0, cell, n, n)
    x, y = np.meshgrid(grid.x, grid.y)
    z = wavy(x, y) + np.random.default_rng(2).random((n, n))
    points = np.repeat(np.stack([x, y, z], axis=-1).reshape(-1, 1, 3), 3, axis=1)
    found = ContactSurface(points).heights(grid, radius, corner)
    assert np.abs(found - dilated(z, cell, radius, corner)).max() <= 1e-9


@pytest.mark.compiled
@pytest.mark.parametrize(("radius", "corner"), [(4.0, 4.0), (4.0, 1.0)])
def test_sheet_is_at_least_grey_dilation_of_its_nodes(radius, corner):
    """The node map misses at most about p^2 / (4 c cos^3 A) of a smooth sheet (p the pitch)."""
    cell, size = 0.25, 30.0
    tree = ContactSurface(sheet(wavy, size, cell))
    grid = Grid(0.0, 0.0, cell, 121, 121)
    x, y = np.meshgrid(grid.x, grid.y)
    above = tree.heights(grid, radius, corner) - dilated(wavy(x, y), cell, radius, corner)
    cosine = 1.0 / math.hypot(1.0, 0.75)
    assert above.min() >= -1e-9
    middle = above[20:-20, 20:-20]
    assert middle.max() <= cell**2 / (4.0 * corner * cosine**3)
    assert middle.max() > 1e-4


def dilated(z, cell, radius, corner):
    reach = int(radius / cell)
    dy, dx = np.mgrid[-reach : reach + 1, -reach : reach + 1] * cell
    d = np.hypot(dx, dy)
    inside = d <= radius
    return grey_dilation(
        z, footprint=inside, structure=np.where(inside, -profile(np.minimum(d, radius), radius, corner), 0.0),
        mode="constant", cval=-np.inf,
    )  # fmt: skip


LENGTHS = st.floats(0.1, 6.0)
SHARES = st.floats(0.0, 1.0)
GROWTH = st.floats(0.0, 3.0)
SEEDS = st.integers(0, 10_000)


def not_lower(above, below):
    finite = np.isfinite(below)
    return np.isfinite(above[finite]).all() and (above[finite] - below[finite]).min(initial=0.0) >= -1e-9


@pytest.mark.compiled
@settings(max_examples=60, deadline=None)
@given(SEEDS, LENGTHS, SHARES, GROWTH)
def test_bigger_cutter_or_allowance_never_lowers(seed, radius, share, growth):
    tree = ContactSurface(soup(seed, 30))
    xy = np.random.default_rng(seed).random((30, 2)) * 12.0
    corner = share * radius
    base = tree.at(xy, radius, corner)
    assert not_lower(tree.at(xy, radius + growth, corner), base)
    assert not_lower(tree.at(xy, radius + growth, corner + growth), base)
    assert not_lower(tree.at(xy, radius, 0.5 * corner), base)


@pytest.mark.compiled
@settings(max_examples=40, deadline=None)
@given(SEEDS, LENGTHS, SHARES, st.floats(-20.0, 20.0), st.floats(-20.0, 20.0))
def test_moves_with_the_part_and_forgets_order_and_facing(seed, radius, share, dx, dz):
    triangles = soup(seed, 30)
    xy = np.random.default_rng(seed).random((30, 2)) * 12.0
    base = ContactSurface(triangles).at(xy, radius, share * radius)
    shift = np.array([dx, -dx, dz])
    moved = ContactSurface(triangles + shift).at(xy + shift[:2], radius, share * radius)
    mixed = np.random.default_rng(seed).permutation(triangles)[:, ::-1]
    shuffled = ContactSurface(np.concatenate([mixed, mixed[:5]])).at(xy, radius, share * radius)
    near = np.isfinite(base)
    assert gap(shuffled, base) <= 1e-9
    both = near & np.isfinite(moved)
    assert (near ^ np.isfinite(moved)).sum() <= 1  # a rim that just touches may tip over by rounding
    assert np.median(np.abs(moved[both] - dz - base[both])) <= 1e-9 if both.any() else True


@pytest.mark.compiled
@settings(max_examples=30, deadline=None)
@given(SEEDS, LENGTHS, SHARES)
def test_more_triangles_never_lower(seed, radius, share):
    triangles = soup(seed, 30)
    xy = np.random.default_rng(seed).random((30, 2)) * 12.0
    few = ContactSurface(triangles[:20]).at(xy, radius, share * radius)
    assert not_lower(ContactSurface(triangles).at(xy, radius, share * radius), few)


HOLDER = [(20.0, 8.0, 8.0), (15.0, 8.0, 14.0), (10.0, 12.0, 12.0), (30.0, 20.0, 32.0), (10.0, 40.0, 40.0)]


@pytest.mark.compiled
def test_holder_equals_the_numeric_twin():
    triangles = soup(5, 20, size=40.0, spread=6.0) * [1.0, 1.0, 2.0]
    grid = Grid(-10.0, -10.0, 7.3, 9, 9)
    x, y = np.meshgrid(grid.x, grid.y)
    xy = np.stack([x.ravel(), y.ravel()], axis=1)
    expected = np.full(len(xy), -np.inf)
    base = 0.0
    for length, lower, upper in HOLDER:
        part = naive_contact.tip_heights(
            triangles, xy, 0.5 * max(lower, upper), 0.0, 0.5 * lower, max(length, 1e-9)
        )
        expected = np.maximum(expected, part - base)
        base += length
    found = ContactSurface(triangles).heights_profile(grid, HOLDER).ravel()
    assert gap(found, expected) <= 1e-9


def test_holder_beside_a_post():
    """A thin post under a stack shows the stack's lower outline."""
    post = np.full((1, 3, 3), 0.0)
    grid = Grid(0.0, 0.0, 0.5, 45, 1)
    found = ContactSurface(post).heights_profile(grid, HOLDER)[0]
    d = grid.x
    outline = np.full_like(d, np.inf)
    outline[d <= 20.0] = 75.0
    outline[d <= 16.0] = 45.0 + 30.0 * np.maximum(d[d <= 16.0] - 10.0, 0.0) / 6.0
    outline[d <= 7.0] = 20.0 + 15.0 * np.maximum(d[d <= 7.0] - 4.0, 0.0) / 3.0
    outline[d <= 4.0] = 0.0
    assert gap(found, -outline) <= 1e-12


@pytest.mark.compiled
def test_same_bytes_with_one_thread(monkeypatch):
    tree = ContactSurface(sheet(wavy, 40.0, 0.5))
    grid = Grid(0.0, 0.0, 0.3, 130, 131)
    heights = tree.heights(grid, 3.0, 1.0)
    rings = tree.boundary(grid, heights, 1.0, 3.0, 1.0)
    monkeypatch.setenv("NUMBA_NUM_THREADS", "1")
    assert threads.count() == 1
    again = tree.heights(grid, 3.0, 1.0)
    rings_again = tree.boundary(grid, again, 1.0, 3.0, 1.0)
    assert heights.tobytes() == again.tobytes()
    assert rings.points.tobytes() == rings_again.points.tobytes()
    assert rings.offsets.tobytes() == rings_again.offsets.tobytes()


@pytest.mark.compiled
def test_progress_counts_rows_and_can_stop():
    tree = ContactSurface(sheet(wavy, 20.0, 0.5))
    grid = Grid(0.0, 0.0, 0.5, 40, 70)
    seen = []
    tree.heights(grid, 3.0, 1.0, progress=lambda *call: seen.append(call))
    assert seen[-1] == ("surface", 70, 70)
    assert [call[1] for call in seen] == sorted(call[1] for call in seen)

    with pytest.raises(Cancelled, match="surface, 16 of 70"):
        tree.heights(grid, 3.0, 1.0, progress=lambda *_: False)


IMPOSSIBLE = [(0.0, 0.0), (-1.0, 0.0), (2.0, 3.0), (2.0, -0.1), (np.nan, 0.0)]


@pytest.mark.parametrize(("radius", "corner"), IMPOSSIBLE)
def test_impossible_cutters_are_refused(radius, corner):
    with pytest.raises(SurfaceError, match="cutter radius"):
        ContactSurface(soup(0, 3)).at(np.zeros((1, 2)), radius, corner)


def test_bad_triangles_are_refused():
    broken = soup(0, 5)
    broken[3, 1, 2] = np.nan
    with pytest.raises(SurfaceError, match="triangle 3"):
        ContactSurface(broken)
    with pytest.raises(SurfaceError, match=r"shape \(0, 3, 3\)"):
        ContactSurface(np.empty((0, 3, 3)))
    with pytest.raises(SurfaceError, match="shape"):
        ContactSurface(np.zeros((4, 9)))


def test_bad_holders_are_refused():
    tree = ContactSurface(soup(0, 3))
    grid = Grid(0.0, 0.0, 1.0, 2, 2)
    with pytest.raises(SurfaceError, match="no segment"):
        tree.heights_profile(grid, [])
    with pytest.raises(SurfaceError, match="segment 2"):
        tree.heights_profile(grid, [(1.0, 2.0, 2.0), (-1.0, 2.0, 2.0)])
    with pytest.raises(SurfaceError, match="diameter above 0"):
        tree.heights_profile(grid, [(1.0, 0.0, 0.0)])
