"""Stock: shape from above, distance in plan, the part inside it, leftover files."""

from __future__ import annotations

import io
import json
import math
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from zrough import part, stock
from zrough.errors import StockError
from zrough.grid import Grid
from zrough.stock import Stock

MOVE = trimesh.transformations.translation_matrix


def job(base: Path = Path(), stock_map: tuple | None = None, **spec) -> SimpleNamespace:
    fields = {"kind": "block", "min": None, "max": None, "centre": None, "diameter": None,
              "bottom": None, "top": None, "file": None}  # fmt: skip
    return SimpleNamespace(stock=SimpleNamespace(**(fields | spec)), base_dir=base, stock_map=stock_map)


def box_part(low: tuple = (-20, -15, -30), high: tuple = (20, 15, 0)) -> part.Part:
    body = trimesh.creation.box(bounds=[low, high])
    return part.from_arrays(body.vertices, body.faces)


GRID = Grid.covering((-40, -40), (40, 40), 0.5)


def test_block_defaults_to_the_box() -> None:
    found = Stock.from_job(job(), box_part())
    assert found.kind == "block"
    assert found.lower == (-20, -15, -30)
    assert found.upper == (20, 15, 0)


def test_block_from_above() -> None:
    found = Stock.from_job(job(min=(-30, -20, -40), max=(30, 20, 5)), box_part())
    top = found.top(GRID)
    x, y = np.meshgrid(GRID.x, GRID.y)
    inside = (np.abs(x) <= 30) & (np.abs(y) <= 20)
    assert (top[inside] == 5).all()
    assert (top[~inside] == -np.inf).all()
    assert found.volume(-10) == pytest.approx(60 * 40 * 15)


@given(st.floats(-60, 60), st.floats(-60, 60))
@settings(max_examples=100, deadline=None)
def test_plan_distance_against_shapely(x: float, y: float) -> None:
    block = Stock.block((-30, -20, -40), (25, 20, 5))
    round_one = Stock.cylinder((3.0, -4.0), 50.0, -40, 5)
    point = shapely.Point(x, y)
    outline = shapely.box(-30, -20, 25, 20)
    wanted = point.distance(outline) - (outline.exterior.distance(point) if outline.contains(point) else 0.0)
    assert block.plan_distance(np.array([[x, y]]))[0] == pytest.approx(wanted, abs=1e-9)
    assert round_one.plan_distance(np.array([[x, y]]))[0] == pytest.approx(
        math.hypot(x - 3, y + 4) - 25, abs=1e-9
    )


def test_cylinder() -> None:
    found = Stock.from_job(
        job(kind="cylinder", centre=(0, 0), diameter=50.0001, bottom=-30.0, top=2.0), box_part()
    )
    assert found.radius == pytest.approx(25.00005)
    top = found.top(GRID)
    assert np.isfinite(top).sum() * 0.25 == pytest.approx(math.pi * 625, rel=0.01)
    assert np.nanmax(top) == 2.0
    assert found.lower == pytest.approx((-25, -25, -30), abs=1e-3)
    with pytest.raises(StockError, match=r"stock\.diameter"):
        Stock.from_job(job(kind="cylinder", centre=(0, 0), diameter=49.0, bottom=-30.0, top=2.0), box_part())


def test_mesh_stock_is_placed_like_the_part(tmp_path: Path) -> None:
    """A casting drawn in the same file coordinates as the part, which lies on its side there."""
    casting = trimesh.creation.cylinder(radius=30, height=50, sections=256)
    casting.apply_transform(MOVE((100, 0, 0)))
    casting.apply_transform(trimesh.transformations.rotation_matrix(math.pi / 2, (0, 1, 0), (100, 0, 0)))
    casting.export(tmp_path / "casting.stl")
    core = trimesh.creation.box((40, 30, 30))
    core.apply_transform(MOVE((100, 0, 0)))
    placed = part.from_arrays(core.vertices, core.faces, up="+x", zero="top centre")
    found = Stock.from_job(job(tmp_path, kind="mesh", file="casting.stl"), placed)
    assert found.upper[2] == pytest.approx(5, abs=1e-4)
    assert found.lower[2] == pytest.approx(-45, abs=1e-4)
    assert found.plan_distance(np.zeros((1, 2))) is None
    assert found.volume(0.0) is None
    top = found.top(GRID)
    assert np.isfinite(top).sum() * 0.25 == pytest.approx(math.pi * 900, rel=0.01)
    assert np.max(top) == pytest.approx(5, abs=1e-4)


def test_mesh_stock_that_is_too_small(tmp_path: Path) -> None:
    trimesh.creation.box((36, 40, 70)).export(tmp_path / "small.stl")
    with pytest.raises(StockError, match="reaches 2 mm beyond the stock in x"):
        Stock.from_job(job(tmp_path, kind="mesh", file="small.stl"), box_part())
    with pytest.raises(StockError, match=r"stock\.file: none\.stl"):
        Stock.from_job(job(tmp_path, kind="mesh", file="none.stl"), box_part())
    (tmp_path / "bad.stl").write_bytes(b"")
    with pytest.raises(StockError, match="empty"):
        Stock.from_job(job(tmp_path, kind="mesh", file="bad.stl"), box_part())


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        ((-20, -15, -30), (20, 15, -1), r"stands 1 mm above the stock at .* raise the stock"),
        ((-20, -15, -30), (19.5, 15, 0), r"sticks 0.5 mm out .* above stock.max x = 19.5"),
        ((-20, -14, -30), (20, 15, 0), r"sticks 1 mm out .* below stock.min y = -14"),
        ((-20, -15, -28), (20, 15, 0), r"sticks 2 mm out .* below stock.min z = -28"),
        ((20, -15, -30), (-20, 15, 0), r"stock.min x = 20 is not below"),
    ],
)
def test_part_outside_the_block(low: tuple, high: tuple, words: str) -> None:
    with pytest.raises(StockError, match=words) as caught:
        Stock.from_job(job(min=low, max=high), box_part())
    assert "\n" not in str(caught.value)
    assert ";" in str(caught.value)


def test_rounding_is_forgiven() -> None:
    """Six decimals of an inch are up to 1.3e-5 mm off; common practice is three or four, up to 1.3e-3 mm."""
    Stock.from_job(job(min=(-20, -15, -30), max=(20 - 9e-4, 15, 0 - 9e-4)), box_part())
    with pytest.raises(StockError, match=r"sticks 0\.0012 mm out"):
        Stock.from_job(job(min=(-20, -15, -30), max=(20 - 1.2e-3, 15, 0)), box_part())
    # 76.2 as float32 is 76.1999969
    body = trimesh.creation.box((152.4, 101.6, 38.1))
    rounded = part.from_arrays(body.vertices.astype(np.float32).astype(float) * (1 + 1e-8), body.faces)
    Stock.from_job(job(min=(-76.2, -50.8, -19.05), max=(76.2, 50.8, 19.05)), rounded)


# --- leftover ---------------------------------------------------------------------------------------


def leftover_map(top: float = 1.0) -> np.ndarray:
    """Block of 60 x 50 with a step; outside nothing."""
    x, y = np.meshgrid(GRID.x, GRID.y)
    heights = np.where(x > 10, top - 0.5, top)
    heights[(np.abs(x) > 30) | (np.abs(y) > 25)] = -np.inf
    return heights


def test_leftover_round_trip(tmp_path: Path) -> None:
    heights = leftover_map()
    meta = {"bottom": -35.0, "cutter": "D16 r1"}
    stock.save_leftover(tmp_path / "a.npz", GRID, heights, meta)
    stock.save_leftover(tmp_path / "b.npz", GRID, heights, meta)
    assert (tmp_path / "a.npz").read_bytes() == (tmp_path / "b.npz").read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.npz", "b.npz"]
    grid, back, notes = stock.load_leftover(tmp_path / "a.npz")
    assert grid == GRID
    assert notes == meta
    np.testing.assert_array_equal(back, heights)
    found = Stock.from_job(job(tmp_path, kind="leftover", file="a.npz"), box_part())
    assert found.lower == (-30, -25, -35)
    assert found.upper == (30, 25, 1)
    assert found.plan_distance(np.zeros((1, 2))) is None
    np.testing.assert_array_equal(found.top(GRID), heights)
    from_memory = Stock.from_job(job(stock_map=(GRID, heights)), box_part())
    np.testing.assert_array_equal(from_memory.top(GRID), heights)


@given(st.floats(0.2, 1.7), st.floats(-0.4, 0.4))
@settings(max_examples=25, deadline=None)
def test_other_nodes_never_get_less_than_there_is(cell: float, shift: float) -> None:
    """Between nodes the stock is at most as high as the highest node of the cell around."""
    heights = leftover_map()
    found = Stock.from_job(job(stock_map=(GRID, heights)), box_part())
    other = Grid(-41.0 + shift, -41.0 - shift, cell, int(82 / cell), int(82 / cell))
    top = found.top(other)
    x, y = np.meshgrid(other.x, other.y)
    j, i = np.floor((x - GRID.x0) / 0.5), np.floor((y - GRID.y0) / 0.5)
    inside = (j >= 0) & (i >= 0) & (j < GRID.nx - 1) & (i < GRID.ny - 1)
    j, i = j[inside].astype(int), i[inside].astype(int)
    around = np.stack([heights[i, j], heights[i + 1, j], heights[i, j + 1], heights[i + 1, j + 1]])
    assert (top[inside] >= around.min(axis=0)).all()
    assert (top[inside] <= around.max(axis=0)).all()
    assert (top[~inside] == -np.inf).all()


def test_part_above_its_leftover(tmp_path: Path) -> None:
    heights = leftover_map(top=0.2)  # 0.3 mm short beyond x = 10
    stock.save_leftover(tmp_path / "a.npz", GRID, heights, {"bottom": -35.0})
    with pytest.raises(StockError, match=r"sticks 0.3 mm out of the stock at \(1"):
        Stock.from_job(job(tmp_path, kind="leftover", file="a.npz"), box_part())
    with pytest.raises(StockError, match="beyond the stock in x"):
        Stock.from_job(job(stock_map=(GRID, leftover_map())), box_part((-50, -15, -30), (20, 15, 0)))


def damaged(path: Path, **changes) -> None:
    head = {"format": "zrough leftover", "version": 1, "unit": "mm", "meta": {}}
    arrays = {"head": head, "frame": np.array([0.0, 0.0, 0.5]), "heights": np.zeros((4, 5))}
    arrays |= changes
    raw = json.dumps(arrays["head"]).encode()
    buffer = io.BytesIO()
    np.savez(buffer, head=np.frombuffer(raw, np.uint8), frame=arrays["frame"], heights=arrays["heights"])
    path.write_bytes(buffer.getvalue())


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"head": {"format": "other"}}, "not a leftover map"),
        ({"head": {"format": "zrough leftover", "version": 9}}, "version 9"),
        ({"head": [1, 2]}, "not a leftover map"),
        ({"frame": np.array([0.0, 0.0, 0.0])}, "damaged"),
        ({"frame": np.array([0.0, np.nan, 0.5])}, "damaged"),
        ({"heights": np.full((4, 5), np.nan)}, "damaged"),
        ({"heights": np.full((4, 5), np.inf)}, "damaged"),
        ({"heights": np.zeros((4, 5), np.float32)}, "damaged"),
        ({"heights": np.zeros(9)}, "damaged"),
        ({"heights": np.array([{}], dtype=object)}, "not a leftover map"),
    ],
)
def test_damaged_leftover(tmp_path: Path, changes: dict, words: str) -> None:
    damaged(tmp_path / "a.npz", **changes)
    with pytest.raises(StockError, match=words) as caught:
        stock.load_leftover(tmp_path / "a.npz")
    assert "\n" not in str(caught.value)


def test_missing_empty_and_cut_leftover(tmp_path: Path) -> None:
    with pytest.raises(StockError, match="no such file"):
        stock.load_leftover(tmp_path / "a.npz")
    (tmp_path / "a.npz").write_bytes(b"")
    with pytest.raises(StockError, match="empty"):
        stock.load_leftover(tmp_path / "a.npz")
    stock.save_leftover(tmp_path / "a.npz", GRID, leftover_map())
    raw = (tmp_path / "a.npz").read_bytes()
    for size in (10, len(raw) // 2, len(raw) - 5):
        (tmp_path / "a.npz").write_bytes(raw[:size])
        with pytest.raises(StockError, match="cut short"):
            stock.load_leftover(tmp_path / "a.npz")
    nothing = np.full(GRID.shape, -np.inf)
    with pytest.raises(StockError, match="nothing is left"):
        Stock.from_job(job(stock_map=(GRID, nothing)), box_part())
    with pytest.raises(StockError, match="do not match the grid"):
        stock.save_leftover(tmp_path / "b.npz", GRID, nothing[1:])
    with pytest.raises(StockError, match="no numbers"):
        stock.save_leftover(tmp_path / "b.npz", GRID, np.full(GRID.shape, np.nan))
    assert not (tmp_path / "b.npz").exists()


# --- heights from above -----------------------------------------------------------------------------


def test_heights_against_ray_casting() -> None:
    """The raster against trimesh's own rays, on a torus and a lattice of random triangles."""
    rng = np.random.default_rng(5)
    soup = rng.uniform(-10, 10, (60, 3, 3))
    for mesh in (
        trimesh.creation.torus(8, 3),
        trimesh.Trimesh(soup.reshape(-1, 3), np.arange(180).reshape(-1, 3), process=False),
    ):
        grid = Grid(-10.017, -10.013, 0.8173, 25, 25)
        mine = stock.heights_over(np.asarray(mesh.triangles), grid)
        x, y = np.meshgrid(grid.x, grid.y)
        origin = np.column_stack((x.ravel(), y.ravel(), np.full(x.size, 50.0)))
        place, ray, _ = mesh.ray.intersects_location(origin, np.tile((0.0, 0.0, -1.0), (x.size, 1)))
        wanted = np.full(x.size, -np.inf)
        np.maximum.at(wanted, ray, place[:, 2])
        seen = np.isfinite(wanted)
        np.testing.assert_array_equal(np.isfinite(mine.ravel()), seen)
        np.testing.assert_allclose(mine.ravel()[seen], wanted[seen], atol=1e-6)


def test_nodes_on_walls_and_seams_count() -> None:
    body = trimesh.creation.box(bounds=[[0, 0, 0], [10, 10, 5]])
    heights = stock.heights_over(np.asarray(body.triangles), Grid(0.0, 0.0, 1.0, 11, 11))
    assert (heights == 5.0).all()
