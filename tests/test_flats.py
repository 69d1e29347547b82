"""Flats: areas against CAD values (closed form), circles against closed form and shapely."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from zrough import flats, outlines, part

MOVE = trimesh.transformations.translation_matrix


def loaded(*meshes: trimesh.Trimesh, cut: tuple = ()) -> part.Part:
    body = meshes[0] if len(meshes) == 1 else trimesh.boolean.union(meshes, engine="manifold")
    if cut:
        body = trimesh.boolean.difference([body, *cut], engine="manifold")
    return part.from_arrays(body.vertices, body.faces)


def test_plate_with_steps() -> None:
    """CAD areas: 100 x 60 with a 40 x 30 pocket, a 20 x 20 block on top, a round pocket of 16 mm."""
    plate = trimesh.creation.box(bounds=[[0, 0, -30], [100, 60, 0]])
    block = trimesh.creation.box(bounds=[[70, 30, -5], [90, 50, 8]])
    pocket = trimesh.creation.box(bounds=[[10, 10, -12], [50, 40, 5]])
    round_pocket = trimesh.creation.cylinder(radius=8, segment=[[75, 15, -20], [75, 15, 5]], sections=256)
    found = flats.find(loaded(plate, block, cut=(pocket, round_pocket)))
    assert [round(f.z, 6) for f in found] == [8, 0, -12, -20]
    areas = [400, 6000 - 1200 - 400 - math.pi * 64, 1200, math.pi * 64]
    for flat, area in zip(found, areas, strict=True):
        assert flat.area == pytest.approx(area, rel=0.01)
        assert flat.drop == 0.0
    assert found[0].disc_radius == pytest.approx(10, abs=0.01)
    assert found[2].disc_radius == pytest.approx(15, abs=0.01)
    assert found[3].disc_radius == pytest.approx(8, rel=0.001)
    assert found[0].centroid == pytest.approx((80, 40), abs=1e-9)
    assert found[0].lower == pytest.approx((70, 30, 8))
    assert flats.heights(found) == [8, 0, -12, -20]


def test_one_height_in_two_places() -> None:
    a = trimesh.creation.box(bounds=[[0, 0, -10], [20, 20, 0]])
    b = trimesh.creation.box(bounds=[[40, 0, -10], [70, 20, 0.0004]])
    ground = trimesh.creation.box(bounds=[[-10, -10, -20], [80, 30, -10]])
    found = flats.find(loaded(ground, a, b))
    assert [f.area for f in found] == pytest.approx([600, 400, 90 * 40 - 1000])
    assert found[0].z == found[1].z  # one level for both, the higher one
    assert flats.heights(found) == pytest.approx([0.0004, -10.0])


@pytest.mark.parametrize(("tilt", "count"), [(0.03, 1), (0.2, 0)])
def test_tilted_within_the_tolerance(tilt: float, count: int) -> None:
    top = 50 * math.tan(math.radians(tilt))
    base = [[x, y, -10] for x in (0, 50) for y in (0, 40)]
    mesh = trimesh.convex.convex_hull([*base, *([x, y, top * x / 50] for x, y, _ in base)])
    found = flats.find(loaded(mesh))
    assert len(found) == count
    if count:
        assert found[0].z == pytest.approx(top)
        assert found[0].drop == pytest.approx(top)
        assert found[0].area == pytest.approx(2000)
    assert len(flats.find(loaded(mesh), tilt_deg=0.3)) == 1


def test_float32_files_keep_their_flats(tmp_path) -> None:
    """Heights and corners rounded to float32 as in binary STL, many thin triangles."""
    disc = trimesh.creation.cylinder(radius=40, height=20, sections=720)
    disc.apply_transform(MOVE((123.456, -77.7, -12.345)))
    disc.export(tmp_path / "a.stl")
    found = flats.find(part.load_file(tmp_path / "a.stl", rotate_deg=33.0))
    assert len(found) == 1
    assert found[0].area == pytest.approx(math.pi * 1600, rel=1e-4)
    assert found[0].z == pytest.approx(-2.345, abs=1e-5)


def test_small_and_narrow_ones_can_be_left_out() -> None:
    plate = trimesh.creation.box(bounds=[[0, 0, -10], [60, 60, 0]])
    pin = trimesh.creation.box(bounds=[[10, 10, -5], [12, 40, 6]])
    body = loaded(plate, pin)
    assert len(flats.find(body)) == 2
    assert len(flats.find(body, min_area=61.0)) == 1
    assert len(flats.find(body, min_radius=1.5)) == 1
    assert len(flats.find(body, min_radius=0.9)) == 2


def test_no_flats_on_a_ball_or_under_a_plate() -> None:
    ball = trimesh.creation.icosphere(subdivisions=4, radius=30)
    assert sum(f.area for f in flats.find(loaded(ball))) < 0.01 * math.pi * 900
    plate = trimesh.creation.box((40, 30, 5))
    found = flats.find(loaded(plate))
    assert [f.z for f in found] == [2.5]  # the underside is none


def test_open_mesh_whose_triangles_do_not_share_edges() -> None:
    """A level strip meshed 1 to 2 across a seam: one flat, not three."""
    points = [
        [0, 0, 0],
        [40, 0, 0],
        [40, 20, 0],
        [0, 20, 0],
        [20, 0, 0],
        [0, -20, 0],
        [20, -20, 0],
        [40, -20, 0],
    ]
    faces = [[0, 1, 2], [0, 2, 3], [5, 6, 4], [5, 4, 0], [6, 7, 1], [6, 1, 4]]
    found = flats.find(part.from_arrays(np.array(points, float), np.array(faces)))
    assert [f.area for f in found] == pytest.approx([1600])


def test_many_triangles_make_no_difference() -> None:
    plate = trimesh.creation.box(bounds=[[0, 0, -10], [60, 40, 0]])
    pocket = trimesh.creation.box(bounds=[[10, 10, -4], [30, 30, 5]])
    body = trimesh.boolean.difference([plate, pocket], engine="manifold")
    fine = body.subdivide_to_size(1.0)
    coarse_found = flats.find(part.from_arrays(body.vertices, body.faces))
    found = flats.find(part.from_arrays(fine.vertices, fine.faces))
    assert [f.area for f in found] == pytest.approx([f.area for f in coarse_found])
    assert [f.disc_radius for f in found] == pytest.approx([f.disc_radius for f in coarse_found], rel=0.01)


# --- circles and triangles in outlines --------------------------------------------------------------


def test_largest_circle_closed_forms() -> None:
    """Square, right triangle (inradius (a + b - c) / 2), long corridor, ring between two circles."""
    square = np.array([[0, 0], [10, 0], [10, 10], [0, 10.0]])
    centre, radius = outlines.largest_circle(outlines.sides([square]))
    assert radius == pytest.approx(5, abs=1e-4)
    assert centre == pytest.approx((5, 5), abs=1e-3)
    triangle = np.array([[0, 0], [30, 0], [0, 40.0]])
    assert outlines.largest_circle(outlines.sides([triangle]))[1] == pytest.approx(10, abs=0.05)
    corridor = np.array([[0, 0], [200, 0], [200, 4], [0, 4.0]])
    assert outlines.largest_circle(outlines.sides([corridor]))[1] == pytest.approx(2, abs=1e-4)
    angle = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    circle = np.stack((np.cos(angle), np.sin(angle)), axis=1)
    ring = outlines.sides([30 * circle, 22 * circle[::-1]])
    assert outlines.largest_circle(ring)[1] == pytest.approx(4, abs=0.02)


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=30, deadline=None)
def test_largest_circle_against_shapely(seed: int) -> None:
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, 12))
    if np.diff(angle).min() < 0.05:
        return
    ring = np.stack((np.cos(angle), np.sin(angle)), axis=1) * rng.uniform(5, 30, 12)[:, None]
    polygon = shapely.Polygon(ring)
    if not polygon.is_valid:
        return
    line = shapely.maximum_inscribed_circle(polygon, tolerance=0.001)
    side = min(np.ptp(ring, axis=0))
    (x, y), radius = outlines.largest_circle(outlines.sides([ring]))
    assert radius == pytest.approx(line.length, abs=0.006 * side)
    assert polygon.exterior.distance(shapely.Point(x, y)) == pytest.approx(radius, abs=1e-6)
    assert polygon.contains(shapely.Point(x, y))


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=60, deadline=None)
def test_triangles_fill_the_outline(seed: int) -> None:
    """Against shapely: total area, every triangle inside, none overlapping; star shapes with islands."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(4, 60))
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
    outer = np.stack((np.cos(angle), np.sin(angle)), axis=1) * rng.uniform(60, 100, n)[:, None]
    rings = [outer if rng.random() < 0.5 else outer[::-1]]
    for x, y in ((-18, -12), (15, -20), (20, 16), (-14, 22))[: int(rng.integers(0, 5))]:
        m = int(rng.integers(3, 16))
        turn = np.linspace(0, 2 * np.pi, m, endpoint=False) + rng.random()
        island = np.stack((np.cos(turn), np.sin(turn)), axis=1) * rng.uniform(4, 12, m)[:, None] + (x, y)
        rings.append(island if rng.random() < 0.5 else island[::-1])
    polygon = shapely.Polygon(rings[0], rings[1:])
    if not polygon.is_valid:
        return
    points = np.concatenate(rings)
    index = outlines.triangulate(rings)
    pieces = [shapely.Polygon(points[t]) for t in index]
    assert len(index) == len(points) + 2 * (len(rings) - 1) - 2
    assert all(outlines.signed_area(points[t]) >= -1e-9 for t in index)
    assert sum(p.area for p in pieces) == pytest.approx(polygon.area, rel=1e-9)
    assert shapely.union_all(pieces).area == pytest.approx(polygon.area, rel=1e-6)


def test_crossing_outline_is_refused() -> None:
    bow = np.array([[0, 0], [10, 10], [10, 0], [0, 10.0]])
    eight = np.array([[0, 0], [10, 10], [20, 0], [20, 10], [10, 0.5], [0, 10.0]])
    square = np.array([[0, 0], [10, 0], [10, 10], [0, 10.0]])
    for rings in ([bow], [eight], [square, square + 5], [square, square + 20]):
        with pytest.raises(ValueError, match=r"crosses|outside"):
            outlines.triangulate(rings)


def test_crests_of_a_curved_surface_are_no_floors_but_a_small_plane_top_is():
    """Triangles at the top of a ball of radius 40 lean less than a degree up to 0.6 mm off the middle: no
    floor for a 24 mm cutter, while a pin's top 2 mm wide is one for a 12 mm cutter."""
    x, y = np.meshgrid(np.linspace(-20, 20, 81), np.linspace(-20, 20, 81))
    k = np.arange(x.size).reshape(x.shape)
    a, b, c, d = (k[:-1, :-1], k[:-1, 1:], k[1:, 1:], k[1:, :-1])
    faces = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
    round_top = np.sqrt(40.0**2 - x**2 - y**2) - 40.0
    points = np.stack([x, y, round_top], -1).reshape(-1, 3)
    crest = trimesh.Trimesh(points, faces, process=False)
    body = part.from_arrays(crest.vertices, crest.faces)
    lean = 0.8  # degrees, so that the crest's own triangles pass for level
    assert flats.find(body, tilt_deg=lean)
    assert all(f.drop > 0.0 for f in flats.find(body, tilt_deg=lean))
    assert flats.worth_a_level(body, lean, 12.0) == []

    plate = trimesh.creation.box(bounds=[[-20, -20, -10], [20, 20, 0]])
    pin = trimesh.creation.box(bounds=[[-1, -1, -5], [1, 1, 4]])
    made = trimesh.boolean.union([plate, pin], engine="manifold")
    body = part.from_arrays(made.vertices, made.faces)
    assert flats.heights(flats.worth_a_level(body, 0.05, 6.0)) == pytest.approx([4.0, 0.0])
