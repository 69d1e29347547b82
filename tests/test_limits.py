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
from scipy.ndimage import map_coordinates

from zrough import covers, limits, part
from zrough.errors import JobError, PartError
from zrough.grid import Grid
from zrough.job import Job
from zrough.surface import ContactSurface

pytestmark = pytest.mark.compiled

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


# corners on a micrometre grid: shapely divides by lengths that shorter edges round to 0
MICROMETRES = st.tuples(st.integers(-50_000, 50_000), st.integers(-40_000, 40_000))


@given(st.lists(MICROMETRES, min_size=3, max_size=12))
def test_even_odd_against_a_count_of_crossings(points):
    """Every node off the outline, by the crossings of a ray that shapely cuts."""
    ring = np.array(points) / 1000.0
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


@pytest.mark.parametrize("where", ["inside", "outside"])
def test_the_edge_of_a_limit_has_free_ground_on_its_left(job_dict, where):
    """Walks follow it as a wall: two outlines and a clamp, one of them over the rim of the map."""
    over = [[20.0, -40.0], [45.0, -40.0], [45.0, -20.0], [20.0, -20.0]]
    job = made(job_dict, regions={where: [SQUARE, over]})
    clamp = -reference(GRID, shapely.box(-4, 5, 20, 8).buffer(7.0, quad_segs=200))
    both = np.minimum(limits.plan_limit(job, GRID), clamp.astype(np.float32))
    rings = limits.edge(both, GRID)
    assert len(rings) >= 2
    band = np.pad(both, 1, constant_values=BAND)

    def along(places):
        at = (places - (GRID.x0, GRID.y0)) / GRID.cell + 1.0
        return map_coordinates(band, at.T[::-1], order=1, mode="nearest")

    for k in range(len(rings)):
        ring = rings.ring(k)
        step = np.roll(ring, -1, axis=0) - ring
        length = np.hypot(*step.T)[:, None]
        assert length.min() > 0.2 * GRID.cell
        square = np.stack([-step[:, 1], step[:, 0]], axis=1) / length
        assert np.abs(along(ring)).max() < 1e-3
        assert along(ring + 0.5 * step + 0.3 * GRID.cell * square).min() > 0.0


# --- holder -----------------------------------------------------------------------------------------

WIDE = Grid(-70.0, -60.0, 0.4, 351, 301)
BLOCK = shapely.box(-50.03, -40.11, 50.07, 40.17)  # edges between nodes
R = 6.0


def disc(radius: float, x: float = 0.0, y: float = 0.0):
    return shapely.Point(x, y).buffer(radius, quad_segs=400)


def nodes_in(area) -> np.ndarray:
    x, y = np.meshgrid(WIDE.x, WIDE.y)
    return shapely.contains_xy(area, x.ravel(), y.ravel()).reshape(WIDE.shape)


def short_by(exact: np.ndarray, found: np.ndarray, cell: float, radius: float) -> np.ndarray:
    """How far the map falls short, looked at where neither is cut off at the band."""
    near = (np.abs(exact) < 4 * cell) & (np.abs(found) < 4 * cell)
    assert near.sum() > 100
    return (exact - found)[near]


def stood_off(standing, reach: float) -> np.ndarray:
    """Signed distance from where a disc of radius ``reach`` would touch an area, positive clear of it."""
    x, y = np.meshgrid(WIDE.x, WIDE.y)
    points = shapely.points(x.ravel(), y.ravel())
    return (shapely.distance(points, standing) - reach).reshape(WIDE.shape)


def test_holder_in_a_round_pocket(job_dict):
    """Centre on a disc of 25 mm: swept to 31; a holder of 20 + 1 mm below the top keeps within 10 mm."""
    mask = nodes_in(disc(25))
    sections = ((30.0, 40.0, 40.0),)
    found = limits.holder_limit(
        [(-30.0, mask)], -30.0, sections, 25.0, R, 1.0, WIDE.cell, 0.0, ~nodes_in(BLOCK)
    )
    short = short_by(stood_off(BLOCK - disc(31), 21.0), found, WIDE.cell, R)
    assert short.min() > -1e-6, "never nearer than the clearance"
    assert short.max() < 2.25 * 0.4
    x, y = np.meshgrid(WIDE.x, WIDE.y)
    assert (found[np.hypot(x, y) < 8.9] > 0).all()
    assert (found[(np.hypot(x, y) > 10) & (np.hypot(x, y) < 40)] < 0).all()


def test_levels_above_the_holders_face_do_not_clear_it(job_dict):
    """What a level at -2 has swept still stands up to -2, in the way of a face at -6."""
    wide, narrow, beside = nodes_in(disc(40)), nodes_in(disc(25)), ~nodes_in(BLOCK)

    def limit(*levels):
        return limits.holder_limit(levels, -30.0, ((30.0, 40.0, 40.0),), 25.0, R, 1.0, 0.4, 0.0, beside)

    alone = limit((-30.0, narrow))
    np.testing.assert_array_equal(limit((-30.0, narrow), (-2.0, wide)), alone)
    assert (limit((-30.0, narrow), (-6.5, wide)) >= alone).all()
    assert (limit((-30.0, narrow), (-6.5, wide)) > alone).any()


def test_areas_of_several_levels_add_up(job_dict):
    left, right = disc(12, x=-20), disc(12, x=20)
    found = limits.holder_limit(
        [(-30.0, nodes_in(left)), (-20.0, nodes_in(right))], -30.0, ((30.0, 20.0, 20.0),), 25.0, R, 1.0,
        WIDE.cell, 0.0, ~nodes_in(BLOCK),
    )  # fmt: skip
    short = short_by(stood_off(BLOCK - disc(18, x=-20) - disc(18, x=20), 11.0), found, WIDE.cell, R)
    assert short.min() > -1e-6
    assert short.max() < 2.25 * 0.4


def test_a_wider_section_higher_up_counts_where_it_comes_below_the_top():
    """Nose of 10 mm radius from -6 up, flange of 25 mm from -1 up: each with its own ground."""
    low, high = nodes_in(disc(20)), nodes_in(disc(34))
    ground = limits.Ground(np.where(nodes_in(BLOCK), 0.0, -np.inf), WIDE.cell, R)
    ground.cut(-20.0, low)
    ground.cut(-3.0, high)
    bodies = (limits.Stage(11.0, 14.0), limits.Stage(26.0, 19.0))
    found = ground.limit(-20.0, bodies)
    exact = np.minimum(stood_off(BLOCK - disc(26), 11.0), stood_off(BLOCK - disc(40), 26.0))
    short = short_by(exact, found, WIDE.cell, R)
    assert short.min() > -1e-6
    assert short.max() < 2.25 * 0.4
    assert ground.limit(-5.0, bodies[:1]) is None


def test_a_coarser_pitch_of_its_own_stays_on_the_safe_side():
    """A cutter of 24 mm radius on 0.4 mm cells: the ground's own pitch is 1.6 mm."""
    ground = limits.Ground(np.where(nodes_in(BLOCK), 0.0, -np.inf), WIDE.cell, 24.0)
    ground.cut(-30.0, nodes_in(disc(9.0, x=3.3)))
    found = ground.away(-10.0)
    exact = stood_off(BLOCK - disc(33.0, x=3.3), 0.0)
    assert (exact - found)[exact > 0].min() > -0.02  # linear between nodes, convex on a short arc
    assert (exact - found)[exact > 0].max() < 2.25 * 1.6


def test_stock_of_any_shape_is_seen_by_its_heights():
    """A step in the stock: only its higher half reaches the holder's face."""
    x, _ = np.meshgrid(WIDE.x, WIDE.y)
    ground = limits.Ground(np.where(nodes_in(BLOCK), np.where(x > 10.1, 0.0, -15.0), -np.inf), WIDE.cell, R)
    found = ground.limit(-30.0, [limits.Stage(8.0, 20.0)])
    exact = stood_off(shapely.box(10.1, -40.11, 50.07, 40.17), 8.0)
    short = short_by(exact, found, WIDE.cell, R)
    assert short.min() > -1e-6
    assert short.max() < 2.25 * 0.4


def test_overhang_needed():
    """A holder of 20 mm over centres within 20 mm needs ground of 40 mm: 40 + 6 of the level at -10."""
    ground = limits.Ground(np.where(nodes_in(BLOCK), 0.0, -np.inf), WIDE.cell, R)
    for z, r in ((-30.0, 20.0), (-20.0, 30.0), (-10.0, 39.0)):
        ground.cut(z, nodes_in(disc(r)))
    mask = nodes_in(disc(20.0))
    sections = ((50.0, 40.0, 40.0),)
    assert limits.needed_overhang(ground, -30.0, mask, sections, 0.0) == pytest.approx(20.0)
    assert limits.needed_overhang(ground, -30.0, mask, sections, 1.0) == pytest.approx(21.0)
    assert limits.needed_overhang(ground, -30.0, mask, ((50.0, 52.0, 52.0),), 0.0) == pytest.approx(30.0)
    assert limits.needed_overhang(ground, -30.0, mask, ((5.0, 8.0, 8.0), (9.0, 52.0, 52.0)), 0.0) == (
        pytest.approx(25.0)
    )
    assert limits.needed_overhang(ground, -30.0, np.zeros_like(mask), sections, 0.0) == 0.0


def test_a_shank_thicker_than_the_cutter_is_a_body(job_dict):
    cutter = {**job_dict["cutter"], "shank_diameter": 16.0, "neck_diameter": 11.5, "neck_length": 32.0}
    job = made(job_dict, cutter=cutter, holder=SLENDER)
    bodies = limits.stages(job, job.cutter)
    assert [(s.radius, s.height) for s in bodies] == [(9.0, 31.0), (12.0, 44.0), (21.0, 74.0)]
    slim = made(job_dict, holder=SLENDER)
    assert [(s.radius, s.height) for s in limits.stages(slim, slim.cutter)] == [(12.0, 44.0), (21.0, 74.0)]


SECTION = st.tuples(st.floats(1, 60), st.floats(5, 90), st.floats(5, 90))


@given(st.lists(SECTION, min_size=1, max_size=4), st.floats(0, 3))
def test_cylinders_hold_the_grown_outline(profile, clearance):
    """Points of the true outline, moved by the clearance in any direction, are inside the cylinders."""
    bodies = limits.holder_stages(profile, 40.0, clearance)
    base = 40.0
    for length, lower, upper in profile:
        for share in np.linspace(0.0, 1.0, 9):
            for angle in np.linspace(-np.pi / 2, np.pi / 2, 9):
                height = base + share * length + clearance * np.sin(angle)
                radius = 0.5 * (lower + share * (upper - lower)) + clearance * np.cos(angle)
                assert radius <= max(s.radius for s in bodies if s.height <= height + 1e-9) + 1e-9
        base += length


def test_face_over_a_block():
    """A body of 9 mm radius, 20 over the tip, over a block with its top at 0: free at -20 or 9 mm away."""
    vertices, faces = box((-15.0, -12.0, -30.0), (15.0, 12.0, 0.0))
    bodies = (limits.Stage(9.0, 20.0), limits.Stage(15.0, 30.0))
    face, height = limits.body_face(ContactSurface(vertices[faces]), WIDE, bodies, -45.0, 0.0)
    found = limits.face_limit(face, -25.0 + height, WIDE.cell)
    exact = stood_off(shapely.box(-15, -12, 15, 12), 9.0)  # the wider body is at 5, above the top
    assert (exact[found > -1e-6] >= -1e-6).all()
    assert short_by(exact, found, WIDE.cell, R).max() < 2.0 * WIDE.cell
    low = limits.face_limit(face, -45.0 + height, WIDE.cell)
    exact = stood_off(shapely.box(-15, -12, 15, 12), 15.0)
    assert (exact[low > -1e-6] >= -1e-6).all()
    assert short_by(exact, low, WIDE.cell, R).max() < 2.0 * WIDE.cell
    assert limits.face_limit(face, -20.0 + height, WIDE.cell) is None
    assert limits.body_face(ContactSurface(vertices[faces]), WIDE, bodies, -20.0, 0.0) is None


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
    triangles = covers.covered_triangles(job, plain, warnings)
    assert [highest(triangles, x, 0.0) for x in (-30.0, 0.0)] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert highest(triangles, 30.0, 0.0) == -math.inf
    assert len(warnings) == 1
    assert "2 openings narrower than 12.6 mm" in warnings[0]
    assert "12.39 mm at (0.00, 0.00)" in warnings[0]  # 12.4 cos(pi / 96): the circle in the 96-gon


def test_the_smallest_cutter_counts(job_dict):
    small = {"diameter": 6.0, "flutes": 4, "flute_length": 15.0, "overhang": 45.0, "number": 2}
    job, plain = plate(job_dict, *HOLES, cutter=[job_dict["cutter"], small])
    warnings: list[str] = []
    assert covers.covered_triangles(job, plain, warnings) is plain.triangles
    assert not warnings


def test_automatic_covers_can_be_left_out(job_dict):
    job, plain = plate(job_dict, *HOLES, cover={"automatic": False})
    warnings: list[str] = []
    assert covers.covered_triangles(job, plain, warnings) is plain.triangles
    assert not warnings


def test_named_openings_are_covered_once(job_dict):
    """By a point, and again automatically: the lid of the 8 mm hole is there once."""
    job, plain = plate(job_dict, *HOLES, cover={"points": [[-30.0, 0.0], [30.0, 0.0]]})
    warnings: list[str] = []
    triangles = covers.covered_triangles(job, plain, warnings)
    assert [highest(triangles, x, 0.0) for x in (-30.0, 0.0, 30.0)] == pytest.approx([0.0] * 3, abs=1e-9)
    lids = triangles[len(plain.triangles) :]
    area = 0.5 * np.linalg.norm(np.cross(lids[:, 1] - lids[:, 0], lids[:, 2] - lids[:, 0]), axis=1).sum()
    polygon = 96 / 2 * math.sin(2 * math.pi / 96)
    assert area == pytest.approx(polygon * sum((d / 2) ** 2 for _, _, d in HOLES), rel=1e-6)
    assert "1 opening narrower" in warnings[0]


def test_a_width_that_finds_nothing_says_so(job_dict):
    job, plain = plate(job_dict, cover={"width": 5.0})
    warnings: list[str] = []
    assert covers.covered_triangles(job, plain, warnings) is plain.triangles
    assert warnings == ["no opening matches cover.width or cover.points; nothing is covered"]


def test_a_point_on_solid_ground_is_an_error(job_dict):
    job, plain = plate(job_dict, cover={"points": [[0.0, 30.0]]})
    with pytest.raises(PartError, match=r"cover\.points"):
        covers.covered_triangles(job, plain, [])


def test_a_soup_of_triangles_is_no_reason_to_stop(job_dict):
    """Random triangles: whatever is found, the part's own triangles stay in front."""
    rng = np.random.default_rng(5)
    job = made(job_dict)
    corners = rng.uniform(-30, 30, (300, 3))
    faces = rng.integers(0, 300, (500, 3))
    faces = faces[(faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])]
    lower, upper = tuple(corners.min(axis=0)), tuple(corners.max(axis=0))
    odd = part.Part(corners, faces, np.ascontiguousarray(corners[faces]), lower, upper)
    found = covers.covered_triangles(job, odd, [])
    np.testing.assert_array_equal(found[: len(faces)], corners[faces])


def test_a_search_that_fails_is_a_warning(job_dict, monkeypatch):
    """A failure inside the search (here a fault put in on purpose) reaches the user as one line."""
    from zrough import openings

    def fails(*args, **kwargs):
        raise IndexError("index 7 is out of bounds")

    job, plain = plate(job_dict)
    monkeypatch.setattr(openings, "find", fails)
    warnings: list[str] = []
    assert covers.covered_triangles(job, plain, warnings) is plain.triangles
    assert len(warnings) == 1
    assert "cover.automatic = false" in warnings[0]


@pytest.mark.parametrize(("name", "count"), [("lid_core", 7), ("latch_body", 3), ("bowl_cavity", 0)])
def test_example_parts(job_dict, name, count):
    """Holes below the cutter's size, counted on the drawings that make_parts.py follows."""
    job = Job.from_dict(
        {**job_dict, "stock": {}, "cutter": {**job_dict["cutter"], "diameter": 10.0}}, mesh=example(name)
    )
    warnings: list[str] = []
    covers.covered_triangles(job, part.load(job), warnings)
    assert len(warnings) == (1 if count else 0)
    assert not count or warnings[0].startswith(f"{count} openings")
