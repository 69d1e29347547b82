"""Inspection: corners, draft, reach and overhang against closed forms; defects with counts and places."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
import trimesh

from zrough import corners, crossings, inspection, part
from zrough.errors import PartError

CORPUS = Path(__file__).parent / "corpus_meshes"


def rounded_prism(w: float, h: float, r: float, low: float, high: float, chords: int = 16) -> trimesh.Trimesh:
    """Upright prism, corners rounded with radius r (0: sharp)."""
    if r == 0:
        return trimesh.creation.box(bounds=[[-w / 2, -h / 2, low], [w / 2, h / 2, high]])
    points = []
    for k, (sx, sy) in enumerate(((1, 1), (-1, 1), (-1, -1), (1, -1))):
        angle = (k + np.linspace(0, 1, chords + 1)) * np.pi / 2
        centre = np.array([sx * (w / 2 - r), sy * (h / 2 - r)])
        points.append(centre + r * np.stack((np.cos(angle), np.sin(angle)), axis=1))
    ring = np.concatenate(points)
    both = [np.column_stack((ring, np.full(len(ring), z))) for z in (low, high)]
    return trimesh.convex.convex_hull(np.concatenate(both))


def pocket_plate(r: float, *tools: trimesh.Trimesh) -> part.Part:
    plate = trimesh.creation.box(bounds=[[-50, -40, -30], [50, 40, 0]])
    body = trimesh.boolean.difference([plate, rounded_prism(60, 40, r, -20, 5), *tools], engine="manifold")
    return part.from_arrays(body.vertices, body.faces, name="pocket")


@pytest.mark.parametrize(("radius", "chords"), [(2.0, 4), (5.0, 16), (9.5, 40)])
def test_smallest_inside_corner(radius: float, chords: int) -> None:
    plate = trimesh.creation.box(bounds=[[-50, -40, -30], [50, 40, 0]])
    body = trimesh.boolean.difference(
        [plate, rounded_prism(60, 40, radius, -20, 5, chords)], engine="manifold"
    )
    found = inspection.inspect(part.from_arrays(body.vertices, body.faces))
    assert found.corner is not None
    assert found.corner.radius == pytest.approx(radius, rel=0.01)
    x, y, _ = found.corner.place
    assert (abs(x), abs(y)) == pytest.approx((30 - radius / 2, 20 - radius / 2), abs=0.6 * radius)


def test_sharp_corner_and_none() -> None:
    assert inspection.inspect(pocket_plate(0.0)).corner.radius == 0.0
    block = trimesh.creation.box((40, 30, 20))
    assert inspection.inspect(part.from_arrays(block.vertices, block.faces)).corner is None


def test_round_holes_are_no_corners() -> None:
    pin = trimesh.creation.cylinder(radius=1.5, segment=[[40, 30, -40], [40, 30, 5]], sections=48)
    found = inspection.inspect(pocket_plate(6.0, pin))
    assert found.corner.radius == pytest.approx(6.0, rel=0.01)
    given = pocket_plate(6.0, pin)
    assert corners.smallest(given, [-10.0]).radius == pytest.approx(1.5, rel=0.01)


def test_findings_of_a_pocket() -> None:
    found = inspection.inspect(pocket_plate(5.0), [(12.0, 0.0), (8.0, 0.0)], [(30.0, 40.0, 40.0)])
    area = 60 * 40 - (4 - math.pi) * 25
    assert found.size == pytest.approx((100, 80, 30))
    assert found.watertight
    assert found.bodies == 1
    assert found.unit_guess == "mm"
    assert [f.z for f in found.flats] == pytest.approx([0, -20])
    assert found.flats[1].area == pytest.approx(area, rel=0.002)
    assert found.deepest[2] == pytest.approx(-20, abs=1e-5)
    assert abs(found.deepest[0]) < 30
    assert abs(found.deepest[1]) < 20
    assert found.free_volume == pytest.approx(area * 20, rel=0.005)
    # a cutter of radius 6 leaves (4 - pi) (36 - 25) in the corners, one of radius 4 nothing
    big, small = found.reach
    left = (4 - math.pi) * (36 - 25)
    assert found.free_volume - big.volume == pytest.approx(left * 20, rel=0.35, abs=0.002 * area * 20)
    assert small.share == pytest.approx(1.0, abs=0.002)
    assert big.lowest == pytest.approx(-20, abs=1e-5)
    # holder 40 wide plus 1 mm clearance all round meets the land beside the pocket: depth plus clearance
    assert big.overhang == pytest.approx(21, abs=1e-3)
    text = "\n".join(found.lines())
    for words in (
        "100.000 x 80.000 x 30.000 mm",
        "radius 5.0",
        "z  -20.0000",
        "overhang of 21.00 mm",
        "closed",
    ):
        assert words in text
    assert json.loads(json.dumps(found.to_dict()))["flats"][1]["z"] == pytest.approx(-20)


def test_reach_of_balls_and_widths() -> None:
    """A slot 10 wide: a 12 mm cutter stays out, a ball of radius 4 leaves its own round along the floor."""
    plate = trimesh.creation.box(bounds=[[-40, -30, -20], [40, 30, 0]])
    blind = trimesh.creation.box(bounds=[[-30, -5, -12], [30, 5, 5]])
    closed = trimesh.boolean.difference([plate, blind], engine="manifold")
    closed = part.from_arrays(closed.vertices, closed.faces)
    assert inspection.inspect(closed, [(12.0, 0.0)]).reach[0].volume == pytest.approx(0, abs=1e-6)
    slot = trimesh.creation.box(bounds=[[-50, -5, -12], [50, 5, 5]])
    body = trimesh.boolean.difference([plate, slot], engine="manifold")
    given = part.from_arrays(body.vertices, body.faces)
    (ball,) = inspection.inspect(given, [(8.0, 4.0)]).reach
    per_mm = 10 * 12 - (2 - math.pi / 2) * 16  # both bottom corners, less a quarter circle each
    assert ball.volume == pytest.approx(80 * per_mm, rel=0.01)


@pytest.mark.compiled
def test_overhang_of_a_core() -> None:
    """Holder radius 20 at the foot of a 30 mm high boss, cutter radius 5: the whole height, and clearance."""
    plate = trimesh.creation.box(bounds=[[-60, -60, -40], [60, 60, -30]])
    boss = trimesh.creation.cylinder(radius=15, segment=[[0, 0, -35], [0, 0, 0]], sections=96)
    body = trimesh.boolean.union([plate, boss], engine="manifold")
    given = part.from_arrays(body.vertices, body.faces)
    (one,) = inspection.inspect(given, [(10.0, 1.0)], [(40.0, 40.0, 40.0)], clearance=2.0).reach
    assert one.overhang == pytest.approx(32, abs=1e-3)
    x, y, z = one.overhang_place
    assert z == pytest.approx(-30, abs=1e-4)
    assert 20 - 0.1 <= math.hypot(x, y) <= 37 + 0.1
    # a slim holder, no wider than the cutter, asks for nothing but its clearance
    (slim,) = inspection.inspect(given, [(10.0, 0.0)], [(40.0, 4.0, 4.0)], clearance=0.5).reach
    assert slim.overhang == pytest.approx(0.5, abs=1e-3)


def test_draft_histogram() -> None:
    """A frustum with 5 degrees of draft: lateral area pi (R + r) slant, closed form."""
    n = 360
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
    ring = np.stack((np.cos(angle), np.sin(angle), np.zeros(n)), axis=1)
    height, top = 20.0, 15.0
    low = top + height * math.tan(math.radians(5.5))
    body = trimesh.convex.convex_hull(np.concatenate((ring * low, ring * top + (0, 0, height))))
    found = inspection.inspect(part.from_arrays(body.vertices, body.faces))
    area = {(a, b): s for a, b, s in found.draft}
    slant = height / math.cos(math.radians(5.5))
    assert area[(5.0, 10.0)] == pytest.approx(math.pi * (low + top) * slant, rel=0.001)
    assert area[(89.9, 90.0)] == pytest.approx(math.pi * top**2, rel=0.001)
    assert sum(area.values()) == pytest.approx(area[(5.0, 10.0)] + area[(89.9, 90.0)])


def test_defects_have_counts_and_places() -> None:
    found = inspection.inspect(CORPUS / "open_bottom.stl")
    assert not found.watertight
    defect = next(d for d in found.defects if d.what == "open edges")
    assert defect.count == 4
    assert defect.place[2] == -20.0
    found = inspection.inspect(CORPUS / "half_inverted.stl")
    assert {d.what: d.count for d in found.defects}["triangles turned"] == 6
    assert any(line.startswith("warning") for line in found.lines())
    with pytest.raises(PartError):
        inspection.inspect(CORPUS / "nan.stl")


def test_crossing_bodies() -> None:
    found = inspection.inspect(CORPUS / "two_boxes.stl")
    defect = next(d for d in found.defects if "crossing" in d.what)
    assert defect.count > 0
    x, y, z = defect.place
    assert -10 <= x <= 20
    assert -10 <= y <= 15
    assert -20 <= z <= 0
    clean = inspection.inspect(CORPUS / "box.stl")
    assert clean.defects == []


def test_crossings_against_shapely_in_a_plane() -> None:
    """Upright triangles over random plan segments cross exactly where the segments do (shapely)."""
    import shapely

    rng = np.random.default_rng(11)
    ends = rng.uniform(0, 20, (60, 2, 2))
    walls = np.zeros((120, 3, 3))
    for k, (a, b) in enumerate(ends):
        walls[2 * k] = [[*a, 0], [*b, 0], [*b, 5 + 0.01 * k]]
        walls[2 * k + 1] = [[*a, 0], [*b, 5 + 0.01 * k], [*a, 5 + 0.01 * k]]
    pairs, places = crossings.find(walls, np.arange(360).reshape(-1, 3))
    mine = {tuple(sorted(pair)) for pair in (pairs // 2).tolist()}
    lines = [shapely.LineString(e) for e in ends]
    wanted = {(i, j) for i in range(60) for j in range(i + 1, 60) if lines[i].crosses(lines[j])}
    assert mine == wanted
    for (i, j), place in zip((pairs // 2).tolist(), places, strict=True):
        assert lines[i].distance(shapely.Point(place[:2])) < 1e-6
        assert lines[j].distance(shapely.Point(place[:2])) < 1e-6


def test_open_terrain_that_nobody_here_made() -> None:
    """Elevation model shipped with matplotlib's sample data: an open sheet, every third row and column."""
    from matplotlib import cbook

    with np.load(cbook.get_sample_data("jacksboro_fault_dem.npz", asfileobj=False)) as data:
        z = data["elevation"][::3, ::3].astype(float)
    ny, nx = z.shape
    gx, gy = np.meshgrid(np.arange(nx) * 1.5, np.arange(ny) * 1.5)
    z = (z - z.max()) * 0.05
    points = np.column_stack((gx.ravel(), gy.ravel(), z.ravel()))
    k = np.arange(ny * nx).reshape(ny, nx)
    a, b, c, d = (m.ravel() for m in (k[:-1, :-1], k[:-1, 1:], k[1:, 1:], k[1:, :-1]))
    faces = np.concatenate((np.stack((a, b, c), axis=1), np.stack((a, c, d), axis=1)))
    found = inspection.inspect(part.from_arrays(points, faces[:, ::-1]))
    assert not found.watertight
    assert found.undercut_area == 0.0
    assert any("turned over" in line for line in found.warnings)
    assert next(d.count for d in found.defects if d.what == "open edges") == 2 * (nx + ny - 2)
    assert found.deepest[2] == pytest.approx(z.min(), abs=0.5)
    flat_area = sum(f.area for f in found.flats)
    level = (np.ptp(z.ravel()[faces], axis=1) == 0).sum() * 1.125
    assert flat_area == pytest.approx(level, rel=0.01)
