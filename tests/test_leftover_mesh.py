"""The leftover as a closed mesh, against trimesh and closed forms."""

from __future__ import annotations

import io

import numpy as np
import pytest
import trimesh
from conftest import INTERPRETED

from zrough.errors import StockError
from zrough.grid import Grid
from zrough.leftover import glb_bytes, stl_bytes, thin, to_mesh, write_files


def body(mesh):
    return trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)


def trapezoid_volume(grid, heights, bottom):
    """Volume under the map with straight lines between nodes, by the trapezoid rule in both directions."""
    h = heights - bottom
    return float((h[:-1, :-1] + h[1:, :-1] + h[:-1, 1:] + h[1:, 1:]).sum() / 4 * grid.cell**2)


def steps(cell=0.1, size=30.0, stair=1.2):
    """A cone of 45 degrees in stairs on a floor."""
    grid = Grid.covering((-size / 2, -size / 2), (size / 2, size / 2), cell)
    x, y = np.meshgrid(grid.x, grid.y)
    cone = np.maximum(12.0 - np.hypot(x, y), 0.0)
    return grid, np.ceil(cone / stair - 1e-9) * stair


def test_block_is_twelve_triangles():
    grid = Grid(-3.0, 2.0, 0.5, 41, 21)
    mesh = thin(grid, np.full(grid.shape, 4.0), -1.0)
    assert len(mesh.faces) == 12
    assert body(mesh).is_volume
    assert body(mesh).volume == pytest.approx(20.0 * 10.0 * 5.0, rel=1e-12)
    np.testing.assert_allclose(body(mesh).bounds, [[-3, 2, -1], [17, 12, 4]])


@pytest.mark.parametrize("shape", [(2, 2), (3, 7), (129, 129), (130, 257), (64, 300)])
def test_any_map_is_closed_and_exact_without_tolerance(shape):
    rng = np.random.default_rng(3)
    grid = Grid(0.0, 0.0, 0.3, shape[1], shape[0])
    heights = np.round(rng.random(shape) * 3) + 1.0
    mesh = thin(grid, heights, 0.0, tolerance=1e-9, max_triangles=10**6)
    solid = body(mesh)
    assert solid.is_watertight
    assert solid.is_winding_consistent
    assert mesh.sideways == 0.0
    top = mesh.vertices[mesh.vertices[:, 2] > 0]
    column = np.rint(top[:, 0] / 0.3).astype(int)
    row = np.rint(top[:, 1] / 0.3).astype(int)
    np.testing.assert_allclose(top[:, 2], heights[row, column])


@pytest.mark.parametrize("seed", range(12))
def test_holes_islands_and_pinches_stay_watertight(seed):
    rng = np.random.default_rng(seed)
    ny, nx = rng.integers(4, 60, 2)
    heights = 1.0 + rng.random((ny, nx))
    heights[rng.random((ny, nx)) < 0.1 + 0.05 * (seed % 6)] = -np.inf
    try:
        mesh = thin(Grid(0.0, 0.0, 1.0, int(nx), int(ny)), heights, 0.0)
    except StockError as err:
        pytest.skip(f"nothing left to mesh: {err}")
    solid = body(mesh)
    assert solid.is_watertight
    assert solid.is_winding_consistent
    assert solid.volume > 0


def test_slope_needs_few_triangles_and_keeps_its_volume():
    grid = Grid.covering((0.0, 0.0), (50.0, 40.0), 0.4 if INTERPRETED else 0.1)
    x, y = np.meshgrid(grid.x, grid.y)
    mesh = thin(grid, 3.0 + 0.2 * x + 0.1 * y, 0.0)
    assert len(mesh.faces) < 400
    # box + two wedges, closed form
    exact = 50.0 * 40.0 * (3.0 + 0.2 * 25.0 + 0.1 * 20.0)
    assert body(mesh).volume == pytest.approx(exact, rel=1e-9)


def test_height_tolerance_holds_at_every_node():
    grid = Grid.covering((-10.0, -8.0), (10.0, 8.0), 0.1)
    x, y = np.meshgrid(grid.x, grid.y)
    heights = np.sqrt(15.0**2 - x**2 - y**2)
    mesh = thin(grid, heights, 0.0, tolerance=0.02)
    assert mesh.sideways == 0.0
    assert len(mesh.faces) < 0.05 * 4 * heights.size
    solid = body(mesh)
    step = 7
    points = np.stack([x, y, np.full_like(x, 30.0)], axis=-1)[::step, ::step].reshape(-1, 3)
    found = np.full(len(points), -np.inf)
    hits, ray, _ = solid.ray.intersects_location(points, np.tile([0.0, 0.0, -1.0], (len(points), 1)))
    np.maximum.at(found, ray, hits[:, 2])
    seen = found > 0
    assert seen.mean() > 0.99
    assert np.abs(found - heights[::step, ::step].ravel())[seen].max() <= 0.02 + 1e-6


def test_stairs_stay_sharp_and_volume_holds():
    grid, heights = steps()
    mesh = thin(grid, heights, -5.0)
    exact = trapezoid_volume(grid, heights, -5.0)
    assert body(mesh).is_volume
    assert body(mesh).volume == pytest.approx(exact, rel=1e-4)  # cells on a step are split by one diagonal
    # every vertex of the top lies on one of the stairs: no step is smeared
    top = mesh.vertices[mesh.vertices[:, 2] > -5.0, 2]
    assert np.abs(top / 1.2 - np.rint(top / 1.2)).max() < 1e-9


def test_budget_is_kept_and_told():
    grid, heights = steps()
    free = thin(grid, heights, -5.0, max_triangles=10**6)
    tight = thin(grid, heights, -5.0, max_triangles=len(free.faces) // 3)
    assert len(tight.faces) <= len(free.faces) // 3
    assert tight.sideways > 0 or tight.tolerance > free.tolerance
    assert body(tight).is_volume
    assert body(tight).volume == pytest.approx(body(free).volume, rel=2e-3)


def test_thin_rib_survives_the_sideways_tolerance():
    grid = Grid(0.0, 0.0, 0.1, 301, 301)
    x, y = np.meshgrid(grid.x, grid.y)
    heights = np.where(np.hypot(x - 15, y - 15) < 11, 4.0, 1.0) + np.where(
        np.abs(y - 0.7 * x) < 0.12, 6.0, 0.0
    )
    free = thin(grid, heights, 0.0, max_triangles=10**6)
    mesh = thin(grid, heights, 0.0, max_triangles=int(0.9 * len(free.faces)))
    assert mesh.sideways > 0
    kept = set(mesh.nodes[mesh.vertices[:, 2] > 5.9].tolist())
    rib = np.flatnonzero((heights > 5.9).ravel())
    assert len(kept & set(rib.tolist())) > 0.2 * len(rib)


@pytest.mark.compiled
def test_a_map_of_a_real_size_gives_a_sane_file():
    grid = Grid.covering((-80.0, -60.0), (80.0, 60.0), 0.1)
    x, y = np.meshgrid(grid.x, grid.y)
    slope = np.maximum(-55.0 * (np.hypot(x, 1.2 * y) / 75.0) ** 1.5, -37.0)
    heights = np.minimum(np.ceil((slope - 0.2) / 1.2) * 1.2 + 0.2, 0.0)
    mesh = thin(grid, heights, -55.0)
    assert mesh.sideways <= 0.2
    data = stl_bytes(mesh.vertices, mesh.faces)
    assert len(data) < 16e6
    assert body(mesh).is_watertight
    assert body(mesh).volume == pytest.approx(trapezoid_volume(grid, heights, -55.0), rel=5e-5)


def test_written_files_read_back(tmp_path):
    grid, heights = steps(cell=0.25)
    thickness = heights - heights.min()
    mesh = write_files(tmp_path, grid, heights, -5.0, thickness)
    stl = trimesh.load_mesh(io.BytesIO((tmp_path / "leftover.stl").read_bytes()), file_type="stl")
    assert stl.is_watertight
    assert stl.volume == pytest.approx(body(mesh).volume, rel=1e-5)
    scene = trimesh.load_scene(io.BytesIO((tmp_path / "leftover.glb").read_bytes()), file_type="glb")
    (name,) = scene.geometry
    moved = trimesh.transform_points(
        scene.geometry[name].vertices, scene.graph.get(scene.graph.nodes_geometry[0])[0]
    )
    # glTF is in metres with Y up: x stays, z becomes y, y becomes -z
    low, high = mesh.vertices.min(axis=0) / 1000, mesh.vertices.max(axis=0) / 1000
    np.testing.assert_allclose(moved.min(axis=0), [low[0], low[2], -high[1]], atol=1e-7)
    np.testing.assert_allclose(moved.max(axis=0), [high[0], high[2], -low[1]], atol=1e-7)
    assert (tmp_path / "leftover_map.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    from zrough.stock import load_leftover

    found = load_leftover(tmp_path / "leftover.npz")
    np.testing.assert_array_equal(found[1], heights)


def test_same_map_same_bytes():
    grid, heights = steps(cell=0.25)
    first, again = to_mesh(grid, heights, -5.0), to_mesh(grid, heights.copy(), -5.0)
    assert stl_bytes(*first) == stl_bytes(*again)
    assert glb_bytes(*first) == glb_bytes(*again)


def test_bad_maps_are_refused_in_one_line():
    grid = Grid(0.0, 0.0, 1.0, 5, 5)
    with pytest.raises(StockError, match=r"shape \(4, 5\)"):
        thin(grid, np.zeros((4, 5)), -1.0)
    with pytest.raises(StockError, match="nothing stands above"):
        thin(grid, np.full((5, 5), -3.0), -1.0)
    with pytest.raises(StockError, match="limit 4"):
        thin(grid, np.zeros((5, 5)), -1.0, max_triangles=4)
