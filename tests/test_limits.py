"""Limits in plan: outlines, keep-out boxes, holder, covers.

References: shapely for polygons (union, difference, distance), closed forms for boxes and discs.
"""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from parts import box, example

from zrough import limits, part
from zrough.errors import JobError, PartError
from zrough.grid import Grid
from zrough.job import Job
from zrough.surface import ContactSurface

GRID = Grid(-40.0, -30.0, 0.5, 161, 121)
BAND = 4 * GRID.cell
SQUARE = [[-10.0, -10.0], [10.0, -10.0], [10.0, 10.0], [-10.0, 10.0]]
ELL = [[-20, -20], [30, -20], [30, -5], [0.2, -5], [0.2, 20], [-20, 20]]
STAR = [[(12 if k % 2 else 5) * math.cos(k * math.pi / 5), 12 * math.sin(k * math.pi / 5)] for k in range(10)]


def made(job_dict, **tables) -> Job:
    return Job.from_dict({**job_dict, **tables}, mesh=box((-50, -40, -40), (50, 40, 0)))


def reference(grid: Grid, area) -> np.ndarray:
    """Signed distance from a shapely area's boundary, positive inside, cut off like the map."""
    x, y = np.meshgrid(grid.x, grid.y)
    points = shapely.points(x.ravel(), y.ravel())
    away = shapely.distance(points, area.boundary)
    away = np.where(shapely.contains(area, points), away, -away)
    return np.clip(away, -4 * grid.cell, 4 * grid.cell).reshape(grid.shape)


# --- outlines ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("ring", [SQUARE, ELL, STAR, STAR[::-1], [*SQUARE, SQUARE[0]]])
def test_inside_is_the_distance_from_the_outline(job_dict, ring):
    found = limits.plan_limit(made(job_dict, regions={"inside": [ring]}), GRID)
    np.testing.assert_allclose(found, reference(GRID, shapely.Polygon(ring)), atol=1e-5)


@pytest.mark.parametrize("ring", [SQUARE, ELL, STAR])
def test_outside_is_the_same_turned_over(job_dict, ring):
    found = limits.plan_limit(made(job_dict, regions={"outside": [ring]}), GRID)
    np.testing.assert_allclose(found, -reference(GRID, shapely.Polygon(ring)), atol=1e-5)


def test_union_of_insides_less_outsides(job_dict):
    """Sign everywhere, the distance wherever it is short of the overlaps."""
    inside = [SQUARE, [[5, 5], [30, 5], [30, 25], [5, 25]]]
    outside = [[[-3, -3], [3, -3], [3, 3], [-3, 3]], [[20, 10], [50, 10], [50, 14], [20, 14]]]
    found = limits.plan_limit(made(job_dict, regions={"inside": inside, "outside": outside}), GRID)
    area = shapely.union_all([shapely.Polygon(r) for r in inside])
    area = area.difference(shapely.union_all([shapely.Polygon(r) for r in outside]))
    expected = reference(GRID, area)
    assert ((found > 0) == (expected > 0))[np.abs(expected) > 1e-6].all()
    assert (np.abs(found) <= np.abs(expected) + 1e-5).all()
    x, y = np.meshgrid(GRID.x, GRID.y)
    alone = ~shapely.contains_xy(shapely.box(0, 0, 40, 20), x.ravel(), y.ravel()).reshape(GRID.shape)
    np.testing.assert_allclose(found[alone], expected[alone], atol=1e-5)


@given(st.lists(st.tuples(st.floats(-50, 50), st.floats(-40, 40)), min_size=3, max_size=12))
def test_even_odd_against_a_count_of_crossings(points):
    """Every node off the outline, by the crossings of a ray that shapely cuts."""
    ring = np.array(points)
    grid = Grid(-33.3, -21.7, 3.17, 21, 14)
    found = limits.even_odd(ring, grid)
    line = shapely.LinearRing(ring) if len(np.unique(ring, axis=0)) > 2 else None
    if line is None:
        return
    pieces = list(shapely.polygonize([shapely.unary_union(shapely.LineString([*ring, ring[0]]))]).geoms)
    x, y = np.meshgrid(grid.x, grid.y)
    for xy, got in zip(np.stack([x.ravel(), y.ravel()], axis=1), found.ravel(), strict=True):
        if shapely.distance(shapely.Point(xy), line) < 1e-6:
            continue
        if not any(shapely.contains_xy(p, *xy) for p in pieces):
            assert not got
            continue
        assert got == (_winding(ring, xy) % 2 == 1)


def _winding(ring: np.ndarray, xy: np.ndarray) -> int:
    """Turns of the outline round a place; their parity is that of the crossings."""
    step = ring - xy
    angle = np.arctan2(step[:, 1], step[:, 0])
    turn = np.diff(np.append(angle, angle[0]))
    return round(float(((turn + np.pi) % (2 * np.pi) - np.pi).sum() / (2 * np.pi)))


def test_no_outline_no_map(job_dict):
    assert limits.plan_limit(made(job_dict), GRID) is None


def test_an_outline_off_the_grid_is_passed_over(job_dict):
    far = [[200, 200], [210, 200], [210, 210]]
    found = limits.plan_limit(made(job_dict, regions={"outside": [far]}), GRID)
    assert (found == np.float32(BAND)).all()


def test_a_file_adds_to_the_lists_in_the_jobs_unit(job_dict, tmp_path):
    """An inch file of a one-inch square is a square of 25.4 mm."""
    (tmp_path / "areas.json").write_text(json.dumps({"inside": [[[0, 0], [1, 0], [1, 1], [0, 1]]]}))
    raw = {
        "units": "inch", "material": {"name": "P"}, "machine": {"max_spindle_rpm": 9000, "max_feed": 100},
        "cutter": {"diameter": 0.5, "flutes": 4, "flute_length": 1.0, "overhang": 1.5},
        "regions": {"file": "areas.json", "outside": [[[0.4, 0.4], [0.6, 0.4], [0.6, 0.6], [0.4, 0.6]]]},
    }  # fmt: skip
    found = limits.plan_limit(Job.from_dict(raw, base_dir=tmp_path), GRID)
    expected = reference(GRID, shapely.box(0, 0, 25.4, 25.4) - shapely.box(10.16, 10.16, 15.24, 15.24))
    np.testing.assert_allclose(found, expected, atol=1e-5)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "not valid JSON"),
        ("[]", "one object"),
        ('{"inner": []}', "unknown key"),
        ('{"file": "x.json"}', "unknown key"),
        ('{"inside": [[[0, 0], [1, 1]]]}', "at least 3"),
        ('{"inside": [[[0, 0], [1, NaN], [2, 0]]]}', "inside[0][1][1]"),
        ('{"inside": [[[0, 0], [1, "2"], [2, 0]]]}', "without quotes"),
        ('{"inside": [[[0, 0], [1, 1], [2, 2]]]}', "encloses nothing"),
        ('{"inside": [[[900, 900], [910, 900], [910, 910]]]}', "no place is left"),
        ('{"inside": ' + "[" * 100_000, "nested too deep"),
    ],
)
def test_a_bad_file_is_one_line(job_dict, tmp_path, text, words):
    (tmp_path / "areas.json").write_text(text)
    job = made(job_dict, regions={"file": "areas.json"}).based_in(tmp_path)
    with pytest.raises(JobError) as caught:
        limits.plan_limit(job, GRID)
    message = str(caught.value)
    assert words in message
    assert "\n" not in message
    assert len(message) < 400


def test_a_missing_file_is_one_line(job_dict, tmp_path):
    job = made(job_dict, regions={"file": "none.json"}).based_in(tmp_path)
    with pytest.raises(JobError, match="no such file"):
        limits.plan_limit(job, GRID)


# --- keep-out boxes ---------------------------------------------------------------------------------

CLAMP = {"name": "clamp", "min": [10.0, -5.0, -30.0], "max": [20.0, 5.0, 4.0]}
SLENDER = {"type": "shrink-fit", "profile": [[30.0, 22.0, 22.0], [20.0, 40.0, 40.0]], "clearance": 1.0}


@pytest.mark.parametrize(
    ("z", "reach"),
    [
        (-20.0, 6.0 + 1.0),  # the holder's face at +25 stays above the clamp: cutter and clearance
        (-41.5, 11.0 + 1.0),  # the face, lowered by the clearance, is at 2.5, below the clamp's top
        (-71.5, 20.0 + 1.0),  # and so is the holder's wider part
    ],
)
def test_a_box_is_grown_by_what_comes_below_its_top(job_dict, z, reach):
    job = made(job_dict, keepout=[CLAMP], holder=SLENDER)
    found = limits.keepout_limit(job, job.cutter, GRID, z)
    expected = -reference(GRID, shapely.box(10, -5, 20, 5).buffer(reach, quad_segs=200))
    inner = expected > -reach + 0.1
    np.testing.assert_allclose(found[inner], expected[inner], atol=2e-4)
    assert (found[~inner] < 0).all()


def test_a_box_below_the_level_does_not_count(job_dict):
    job = made(job_dict, keepout=[{**CLAMP, "max": [20.0, 5.0, -25.0]}], holder=SLENDER)
    assert limits.keepout_limit(job, job.cutter, GRID, -25.0) is None
    assert limits.keepout_limit(job, job.cutter, GRID, -25.1) is not None
    assert limits.keepout_limit(made(job_dict), job.cutter, GRID, -25.0) is None


# --- covers -----------------------------------------------------------------------------------------


def plate(job_dict, *openings: tuple[float, float, float], **tables) -> tuple[Job, part.Part]:
    """A plate with round through holes (x, y, diameter)."""
    import trimesh

    body = trimesh.creation.box(bounds=[(-50, -40, -20), (50, 40, 0)])
    for x, y, d in openings:
        rod = trimesh.creation.cylinder(d / 2, segment=[(x, y, -30), (x, y, 10)], sections=96)
        body = trimesh.boolean.difference([body, rod], engine="manifold")
    job = Job.from_dict({**job_dict, **tables}, mesh=(body.vertices, body.faces))
    return job, part.load(job)


def highest(triangles: np.ndarray, x: float, y: float) -> float:
    """Where a fine needle comes to rest."""
    return float(ContactSurface(triangles).at(np.array([[x, y]]), 1e-3, 0.0)[0])


HOLES = ((-30.0, 0.0, 8.0), (0.0, 0.0, 12.4), (30.0, 0.0, 12.8))  # the cutter with its allowance: 12.6 mm


def test_what_the_cutter_cannot_enter_is_covered(job_dict):
    job, plain = plate(job_dict, *HOLES)
    warnings: list[str] = []
    triangles = limits.covered_triangles(job, plain, warnings)
    assert [highest(triangles, x, 0.0) for x in (-30.0, 0.0)] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert highest(triangles, 30.0, 0.0) == -math.inf
    assert len(warnings) == 1
    assert "2 openings narrower than 12.6 mm" in warnings[0]
    assert "12.39 mm at (0.00, 0.00)" in warnings[0]  # 12.4 cos(pi / 96): the circle in the 96-gon


def test_the_smallest_cutter_counts(job_dict):
    small = {"diameter": 6.0, "flutes": 4, "flute_length": 15.0, "overhang": 45.0, "number": 2}
    job, plain = plate(job_dict, *HOLES, cutter=[job_dict["cutter"], small])
    warnings: list[str] = []
    assert limits.covered_triangles(job, plain, warnings) is plain.triangles
    assert not warnings


def test_automatic_covers_can_be_left_out(job_dict):
    job, plain = plate(job_dict, *HOLES, cover={"automatic": False})
    warnings: list[str] = []
    assert limits.covered_triangles(job, plain, warnings) is plain.triangles
    assert not warnings


def test_named_openings_are_covered_once(job_dict):
    """By a point, and again automatically: the lid of the 8 mm hole is there once."""
    job, plain = plate(job_dict, *HOLES, cover={"points": [[-30.0, 0.0], [30.0, 0.0]]})
    warnings: list[str] = []
    triangles = limits.covered_triangles(job, plain, warnings)
    assert [highest(triangles, x, 0.0) for x in (-30.0, 0.0, 30.0)] == pytest.approx([0.0] * 3, abs=1e-9)
    lids = triangles[len(plain.triangles) :]
    area = 0.5 * np.linalg.norm(np.cross(lids[:, 1] - lids[:, 0], lids[:, 2] - lids[:, 0]), axis=1).sum()
    polygon = 96 / 2 * math.sin(2 * math.pi / 96)
    assert area == pytest.approx(polygon * sum((d / 2) ** 2 for _, _, d in HOLES), rel=1e-6)
    assert "1 opening narrower" in warnings[0]


def test_a_width_that_finds_nothing_says_so(job_dict):
    job, plain = plate(job_dict, cover={"width": 5.0})
    warnings: list[str] = []
    assert limits.covered_triangles(job, plain, warnings) is plain.triangles
    assert warnings == ["no opening matches cover.width or cover.points; nothing is covered"]


def test_a_point_on_solid_ground_is_an_error(job_dict):
    job, plain = plate(job_dict, cover={"points": [[0.0, 30.0]]})
    with pytest.raises(PartError, match=r"cover\.points"):
        limits.covered_triangles(job, plain, [])


def test_a_soup_of_triangles_is_no_reason_to_stop(job_dict):
    """Random triangles: whatever is found, the part's own triangles stay in front."""
    rng = np.random.default_rng(5)
    job = made(job_dict)
    corners = rng.uniform(-30, 30, (300, 3))
    faces = rng.integers(0, 300, (500, 3))
    faces = faces[(faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])]
    lower, upper = tuple(corners.min(axis=0)), tuple(corners.max(axis=0))
    odd = part.Part(corners, faces, np.ascontiguousarray(corners[faces]), lower, upper)
    found = limits.covered_triangles(job, odd, [])
    np.testing.assert_array_equal(found[: len(faces)], corners[faces])


def test_a_search_that_fails_is_a_warning(job_dict, monkeypatch):
    """A failure inside the search (here a fault put in on purpose) reaches the user as one line."""
    from zrough import openings

    def fails(*args, **kwargs):
        raise IndexError("index 7 is out of bounds")

    job, plain = plate(job_dict)
    monkeypatch.setattr(openings, "find", fails)
    warnings: list[str] = []
    assert limits.covered_triangles(job, plain, warnings) is plain.triangles
    assert len(warnings) == 1
    assert "cover.automatic = false" in warnings[0]


@pytest.mark.parametrize(("name", "count"), [("lid_core", 7), ("latch_body", 3), ("bowl_cavity", 0)])
def test_example_parts(job_dict, name, count):
    """Holes below the cutter's size, counted on the drawings that make_parts.py follows."""
    job = Job.from_dict(
        {**job_dict, "stock": {}, "cutter": {**job_dict["cutter"], "diameter": 10.0}}, mesh=example(name)
    )
    warnings: list[str] = []
    limits.covered_triangles(job, part.load(job), warnings)
    assert len(warnings) == (1 if count else 0)
    assert not count or warnings[0].startswith(f"{count} openings")
