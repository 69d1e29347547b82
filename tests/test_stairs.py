"""Stairs against closed forms: one step, and whole plans on shapes whose stairs can be worked out by hand.

A stair on a plane at a degrees from level stands dz cos(a) off it: Dolenc & Makela, Computer-Aided Design
26(2), 1994. The other forms follow from the circle through the step's edge and are derived beside each case.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import parts
import pytest
import shapely
import trimesh
from shapely.affinity import translate

import zrough
from zrough import shallow, stairs

A = 0.2  # mm allowance on walls and floors alike, so that what is aimed at is a parallel surface
NEAR = 0.02  # mm

# ------------------------------------------------------------------ one step


def shapely_step(rise, width, corner):
    """The farthest stock from a plane after two cuts, by polygons: an oracle that knows no formula."""
    far, slant = 60.0, math.hypot(rise, width)
    n = np.array([rise, -width]) / slant  # square to the plane, into the part
    disc = shapely.Point(0.0, 0.0).buffer(corner, quad_segs=2048) if corner else shapely.Point(0.0, 0.0)
    edge = corner
    body = shapely.union_all([
        disc, shapely.box(-far, -edge, 0.0, far), shapely.box(-far, 0.0, edge, far),
    ])  # fmt: skip
    cut = shapely.union(body, translate(body, width, rise))
    span = shapely.box(-9.0, -9.0, width + 2.0 * corner + 2.0, rise + 2.0)
    surface = corner * n  # a point of the plane: both rounds touch it
    along = np.array([width, rise]) / slant
    a, b = surface - far * along, surface + far * along
    stock_side = shapely.Polygon([a, b, b - far * n, a - far * n])
    left = shapely.difference(shapely.intersection(stock_side, span), cut)
    # only the ground between the two touching points, seen along the plane
    t0, t1 = float(along @ surface), float(along @ surface) + slant
    best = 0.0
    for part in getattr(left, "geoms", [left]):
        for p in np.asarray(part.exterior.coords) if not part.is_empty else []:
            if t0 - 1e-6 <= float(along @ p) <= t1 + 1e-6:
                best = max(best, float(-(p - surface) @ n))
    return best


@pytest.mark.parametrize("corner", [0.0, 0.5, 2.0, 6.0])
@pytest.mark.parametrize(
    ("rise", "slope"), [(1.0, 20), (1.0, 45), (1.2, 70), (3.0, 30), (3.0, 60), (0.4, 80)]
)
def test_one_step_against_polygons(rise, slope, corner):
    width = rise / math.tan(math.radians(slope))
    found = float(stairs.normal_step(rise, width, corner))
    assert found == pytest.approx(shapely_step(rise, width, corner), abs=2e-3)
    if corner == 0.0:
        assert found == pytest.approx(rise * math.cos(math.radians(slope)))


@pytest.mark.parametrize("corner", [0.0, 1.0, 3.0])
def test_highest_step_turns_it_round(corner):
    slope = np.radians([5.0, 30.0, 45.0, 70.0, 85.0])
    rise = stairs.highest_step(0.3, slope, corner)
    assert stairs.normal_step(rise, rise / np.tan(slope), corner) == pytest.approx(0.3, abs=1e-6)
    assert (rise >= 0.3 / np.cos(slope) - 1e-6).all()
    assert math.isinf(float(stairs.highest_step(0.3, math.radians(90.0), corner)))
    # a ball-nose's own cusp on a step that short, h = r - sqrt(r^2 - s^2 / 4)
    if corner == 3.0:
        s = math.hypot(0.5, 0.5)
        assert float(stairs.normal_step(0.5, 0.5, 3.0)) == pytest.approx(3 - math.sqrt(9 - s * s / 4))


def test_spacing_is_close_where_it_is_shallow():
    heights = np.linspace(0.0, 10.0, 4001)
    slope = np.radians(np.where(heights < 4.0, 80.0, 30.0))
    between = stairs.spacing(heights, slope, stairs.Limits(math.inf, 0.4), [])
    steps = [0.0, *between(0.0, 10.0), 10.0]
    gaps = np.diff(steps)
    assert gaps[0] > 2.0
    shallow = [b - a for a, b in itertools.pairwise(steps) if a > 4.0]
    assert max(shallow) <= 0.4 / math.cos(math.radians(30.0)) + 1e-6
    assert min(shallow) >= 0.36
    assert between(0.0, 2.0) == []


# ------------------------------------------------------------------ whole plans


def job(mesh, top=0.0, corner=0.0, **roughing):
    vertices = mesh[0]
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    raw = {
        "stock": {"min": low.tolist(), "max": [*high[:2].tolist(), top]},
        "cutter": {"diameter": 10.0, "corner_radius": corner, "flutes": 4, "flute_length": 22.0,
                   "overhang": 40.0},
        "material": {"name": "P", "hardness_hb": 200.0},
        "machine": {"max_spindle_rpm": 12000.0, "max_feed": 8000.0},
        "roughing": {"level_depth": 14.0, "engagement_deg": 60.0, "cell": 0.2, "wall_allowance": A,
                     "floor_allowance": A, **roughing},
    }  # fmt: skip
    return zrough.Job.from_dict(raw, mesh=mesh)


def rises(plan, top=0.0):
    """Neighbouring heights (low, high) of all levels, the stock's top last."""
    return list(itertools.pairwise(sorted([v.z for v in plan.levels] + [top])))


def tallest_drop(plan, below=0.0):
    """Largest difference of height between neighbouring terraces of the stock as left, from those ``below``.

    Stairs are level on top, so the heights that hold many nodes are the terraces.
    """
    heights = plan.check.leftover.heights
    there = np.round(heights[np.isfinite(heights)], 3)
    z, count = np.unique(there, return_counts=True)
    terraces = z[count > 60]
    return float(np.diff(terraces)[terraces[:-1] < below].max())


def cone_stairs(slope_deg):
    return lambda low, high: A + (high - low) * math.cos(math.radians(slope_deg))


def box_stairs(slope_deg):
    """At the edge where two sides meet the slope is that of the edge: tan b = tan a / sqrt 2."""
    edge = math.atan(math.tan(math.radians(slope_deg)) / math.sqrt(2.0))
    return lambda low, high: A + (high - low) * math.cos(edge)


def sphere_stairs(low, high, radius=20.0):
    """Edge over the circle that the parallel sphere has at the lower height."""
    r, a, b = radius + A, low + radius, high + radius
    return math.sqrt(max(r * r - a * a, 0.0) + b * b) - radius


def fillet_stairs(low, high, radius=6.0, middle=(16.0, -6.0)):
    """A hollow round from the plate up to an upright wall; above its middle the wall is what is near."""
    depth = middle[1] - low
    if depth <= 0.0:
        return A
    out = math.sqrt(max((radius - A) ** 2 - depth * depth, 0.0))
    if high > middle[1]:
        return radius - out
    return radius - math.hypot(out, high - middle[1])


def round_profile(radius=6.0, middle=(16.0, -6.0), count=90):
    t = np.linspace(0.0, math.pi / 2, count + 1)
    arc = [(middle[0] - radius * math.sin(v), middle[1] - radius * math.cos(v)) for v in t]
    return [*arc, (middle[0] - radius, 0.0)]


CASES = {
    "cone 60": (lambda: parts.frustum(draft_deg=30, height=12), cone_stairs(60.0)),
    "cone 40": (lambda: parts.frustum(draft_deg=50, height=12, radius=24), cone_stairs(40.0)),
    "sphere": (lambda: parts.dome(rings=120, spokes=360), sphere_stairs),
    "drafted box": (parts.drafted_box, box_stairs(70.0)),
    "fillet": (lambda: parts.turned(round_profile()), fillet_stairs),
}
LIMIT = 0.35


@pytest.fixture(scope="module", params=CASES)
def shaped(request):
    make, theory = CASES[request.param]
    return request.param, zrough.plan(job(make(), stair_normal=LIMIT)), theory


@pytest.mark.compiled
def test_leftover_square_to_the_surface_is_what_theory_says(shaped):
    _, plan, theory = shaped
    assert plan.check.ok, [f.message for f in plan.check.failures]
    expected = max(theory(low, high) for low, high in rises(plan))
    assert plan.check.leftover.normal_percentiles["largest"] == pytest.approx(expected, abs=NEAR)
    assert expected <= A + LIMIT + NEAR


@pytest.mark.compiled
def test_every_level_is_explained_and_timed(shaped):
    _, plan, _ = shaped
    told = plan.report["levels"]
    assert all(lv["reason"] and lv["time_s"] > 0 and lv["area_mm2"] and lv["removed_mm3"] for lv in told)
    assert any("square to the wall" in lv["reason"] for lv in told)
    by_level = sum(lv["time_s"] for lv in told)
    assert by_level <= plan.check.times["total"] * 1.001
    assert by_level >= plan.check.times["total"] * 0.95
    names = {p["name"]: p for p in plan.report["promises"]}
    assert names["Stairs square to the surface as low as wanted"]["kept"] is True


@pytest.mark.compiled
@pytest.mark.parametrize(
    ("name", "height", "upright"),
    [
        ("cone 60", 1.3, 0),
        ("cone 40", 1.1, 0),
        ("sphere", 1.2, 0),
        ("drafted box", 1.1, 0),
        ("fillet", 1.0, -6),
    ],
)
def test_tallest_stair_is_the_level_gap(name, height, upright):
    """Found by the check and by the terraces of its map alike; from ``upright`` on the wall has no stairs."""
    plan = zrough.plan(job(CASES[name][0](), stair_height=height))
    gap = max(high - low for low, high in rises(plan) if low < upright)
    assert gap <= height + 1e-9
    assert plan.check.tallest_stair == pytest.approx(gap, abs=NEAR)
    assert tallest_drop(plan, upright) == pytest.approx(gap, abs=NEAR)


@pytest.mark.compiled
def test_a_rounded_tip_needs_fewer_levels():
    mesh = parts.frustum(draft_deg=45, height=12, radius=24)
    plans = {c: zrough.plan(job(mesh, corner=c, stair_normal=0.25)) for c in (0.0, 2.0)}
    assert len(plans[2.0].levels) < 0.6 * len(plans[0.0].levels)
    left = plans[2.0].check.leftover.normal_percentiles["largest"]
    expected = max(float(stairs.normal_step(b - a, b - a, 2.0)) for a, b in rises(plans[2.0])) + A
    assert left == pytest.approx(expected, abs=NEAR)


# ------------------------------------------------------------------ only where it helps


@pytest.mark.compiled
def test_upright_walls_get_no_climb_levels():
    plan = zrough.plan(job(parts.pocket(depth=16), stair_normal=0.2), check=False)
    assert {v.kind for v in plan.levels} == {"primary"}


@pytest.mark.compiled
def test_a_steep_side_is_passed_by_where_a_shallow_one_is_cut():
    """Sides of 87 and 45 degrees in one band: 12 mm of the first keep 0.63 mm, its edges 0.89, below 1.2."""
    mesh = parts.drafted_box(half=20, draft_deg=(45, 3, 3, 3), turn_deg=0, base=90)
    plan = zrough.plan(job(mesh, stair_normal=1.2))
    assert plan.check.ok
    climbs = [k for k, v in enumerate(plan.levels) if v.kind == "climb"]
    assert climbs
    path = plan.toolpath
    cut = np.isin(path.level, climbs) & (path.engagement > 0)
    x, y = path.xyz[cut, 0], path.xyz[cut, 1]
    # beyond the corners, along the steep sides
    assert not ((y > 0.0) & ((np.abs(x) > 14.0) | (y > 14.0))).any()
    assert (y < -14.0).any()
    # the edge between the two sides leans less than either
    assert plan.check.leftover.normal_stair <= 1.2 + NEAR


@pytest.mark.compiled
def test_wide_stairs_are_cleared_as_floors():
    """A face of 1.5 degrees: stairs of 0.3 mm would be 11 mm wide, more than the cutter."""
    profile = [(30.0, -8.0), (30.0, -30.0 * math.tan(math.radians(1.5))), (0.0, 0.0)]
    plan = zrough.plan(job(parts.turned(profile, base=90, spokes=360), top=0.5, stair_normal=0.3))
    assert plan.check.ok, [f.message for f in plan.check.failures]
    on_top = [v for v in plan.levels if v.z > -1.0]
    assert len(on_top) >= 3
    assert max(v.area_mm2 for v in on_top) > 10.0 * 2 * math.pi * 20  # wider than one wall trace of 10 mm
    # on the face itself, clear of its rim
    grid, heights = plan.check.leftover.grid, plan.check.leftover.heights
    r = np.hypot(*np.meshgrid(grid.x, grid.y))
    face = r < 29.0
    off = (heights[face] + r[face] * math.tan(math.radians(1.5))) * math.cos(math.radians(1.5))
    assert off.min() >= A - 0.01
    # where passes meet a spike of a node may stand; stairs are wide
    assert np.sort(off)[-4] <= A + 0.3 + NEAR


@pytest.mark.compiled
def test_terraces_on_shallow_ground_are_cut_until_little_stands():
    """A cone that rises by less than a stair over its whole radius.

    Between the cone (radius r, height h) and a plane over its tip stand 2/3 pi r^2 h. A level d h below the
    tip takes d (1 - d^2) pi r^2 h of it, most with d = 1/sqrt(3); n even levels leave 1/n of a terrace each,
    so three more than that one leave about a third of what it leaves.
    """
    r, h = 30.0, 1.0
    mesh = parts.turned([(r, -8.0), (r, -h), (0.0, 0.0)], base=90, spokes=360)
    plan = zrough.plan(job(mesh, top=0.5, stair_height=1.2))
    assert plan.check.ok, [f.message for f in plan.check.failures]
    assert plan.check.tallest_stair < 1.2
    best = (2.0 / 3.0 - 2.0 / (3.0 * math.sqrt(3.0))) * math.pi * r * r * h
    added = [v for v in plan.levels if v.reason.startswith("shallow ground")]
    assert [v.kind for v in added] == ["climb"] * 3
    assert plan.check.leftover.excess_volume < 0.4 * best


def ramp(slope_deg, boss):
    """A ramp 50 mm long beside a boss with its flat at z = ``boss``, on a plate at -8."""
    foot = -0.4 - 50.0 * math.tan(math.radians(slope_deg))
    side = shapely.Polygon([(-50.0, -8.5), (0.0, -8.5), (0.0, -0.4), (-50.0, foot)])
    body = trimesh.creation.extrude_polygon(side, 50.0)
    body.apply_transform(trimesh.transformations.rotation_matrix(math.pi / 2.0, [1.0, 0.0, 0.0]))
    body.apply_translation([0.0, 25.0, 0.0])
    plate = trimesh.creation.box(bounds=[[-65.0, -45.0, -14.0], [65.0, 45.0, -8.0]])
    block = trimesh.creation.box(bounds=[[25.0, -20.0, -8.5], [50.0, 20.0, boss]])
    made = trimesh.boolean.union([plate, body, block], engine="manifold")
    return np.asarray(made.vertices, dtype=float), np.asarray(made.faces)


@pytest.mark.compiled
@pytest.mark.parametrize(("slope", "boss"), [(3.0, -2.2), (5.0, -2.4)])
def test_a_level_for_a_flat_takes_its_share_of_shallow_ground_as_well(slope, boss):
    """No wall needs the boss's level, the terraces do; and a plate at the foot of a ramp is no terrace."""
    plan = zrough.plan(job(ramp(slope, boss), top=0.5, stair_height=1.2))
    assert plan.check.ok, [f.message for f in plan.check.failures]
    assert plan.check.leftover.excess_volume <= 0.005 * plan.check.removed_mm3
    for level in plan.levels:
        if level.reason.startswith("shallow ground"):
            assert level.area_mm2 > 40.0  # a strip across the ramp a millimetre wide, or more


def test_shallow_strips_are_cut_once_more_until_little_enough_stands():
    """A ramp over five levels one mm apart keeps half a mm on average.

    A level half way between two takes half of what stands there, a tenth of all: two bring it down
    by a fifth. Each clears half of such a strip.
    """
    heights = [float(z) for z in range(6)]
    ground = np.tile(np.linspace(0.0, 5.0, 20001), (3, 1))
    whole = 0.5 * ground.size
    bearable = 0.81 * whole / shallow.SPARE
    strips = shallow._Terraces(0.4, ground, ground, np.ones(ground.shape, bool), bearable, 5.0)
    assert strips.left(heights).sum() == pytest.approx(whole, rel=0.01)
    enough = 3.0 * ground.size  # nodes
    found = shallow._found(strips, strips.there, heights, 0.3, enough)
    assert [z - low for z, low, _ in found] == pytest.approx([0.5] * 2, abs=0.01)
    assert [taken for _, _, taken in found] == pytest.approx([0.1 * whole] * 2, rel=0.01)
    after = sorted([*heights, *(z for z, _, _ in found)])
    assert strips.left(after).sum() == pytest.approx(0.8 * whole, rel=0.01)
    assert not shallow._found(strips, ~strips.there, heights, 0.3, enough)  # steep ground keeps its levels
    one = 1.5 * 0.1 * ground.size  # half as much again as one clears
    assert len(shallow._found(strips, strips.there, heights, 0.3, one)) == 1


def test_the_flat_of_a_tip_leaves_the_lowest_tip_height_within_it():
    """Of a cone: lower by the rise over the flat's radius, and level on top."""
    x, y = np.meshgrid(np.arange(-40.0, 41.0), np.arange(-30.0, 31.0))
    away, reach = np.hypot(x, y), 9.0
    low = shallow._lowest_within(0.25 * away, reach)
    np.testing.assert_allclose(low, 0.25 * np.maximum(away - reach, 0.0), atol=0.25 * 1.0)
    on_axis = y == 0
    np.testing.assert_allclose(low[on_axis], 0.25 * np.maximum(away[on_axis] - reach, 0.0))


# ------------------------------------------------------------------ flats


@pytest.mark.compiled
def test_all_flats_are_found_and_cut_at_their_allowance():
    """A plate with flats at five heights, CAD areas by hand; the smallest holds the 10 mm cutter."""
    m = parts.maker()
    regions = [
        m.Region(m.rectangle(-22, 0, 36, 50, 7).points, -4),
        m.Region(m.rectangle(-22, 0, 20, 30, 7).points, -11, within=0),
        m.Region(m.circle(22, 10, 14).points, -7),
        m.Region(m.circle(22, 10, 8.5).points, -15.5, within=2),
    ]
    mesh = m.upright(m.rectangle(0, 0, 100, 70, 0).points, -20, regions, 0)
    plan = zrough.plan(job(mesh, top=1.0))
    assert plan.check.ok, [f.message for f in plan.check.failures]

    def rounded(w, h, r):
        return w * h - (4 - math.pi) * r * r

    cad = {
        -4.0: rounded(36, 50, 7) - rounded(20, 30, 7), -11.0: rounded(20, 30, 7),
        -7.0: math.pi * (14**2 - 8.5**2), -15.5: math.pi * 8.5**2,
        0.0: 7000 - rounded(36, 50, 7) - math.pi * 14**2,
    }  # fmt: skip
    found = {f["z"]: f for f in plan.check.leftover.flats}
    assert set(found) == set(cad)
    for z, area in cad.items():
        assert found[z]["area_mm2"] == pytest.approx(area, rel=0.01)
        assert found[z]["typical_mm"] == pytest.approx(A, abs=0.005)
        assert found[z]["lowest_mm"] == pytest.approx(A, abs=0.005)
        assert any(abs(v.z - z - A) < 1e-9 for v in plan.levels)


@pytest.mark.compiled
@pytest.mark.parametrize(("unit", "mm"), [("mm", 1.0), ("inch", 25.4)])
def test_ledges_a_cutter_wide_and_floors_under_fillets(unit, mm):
    """Two round pockets: one with a ledge of 11 mm for a cutter of 10 with 2 x 0.3 mm of wall left; one whose
    floor runs into a round of 3 mm."""

    def turned(profile, x):
        solid = trimesh.creation.revolve(np.array(profile), sections=256)
        solid.apply_translation((x, 0.0, 0.0))
        solid.fix_normals()
        return solid

    t = np.linspace(0.0, math.pi / 2, 25)
    stepped = [(0, -9), (17, -9), (17, -4), (28, -4), (28, 1), (0, 1)]
    arc = [(15.0 + 3.0 * math.sin(v), -7.0 - 3.0 * math.cos(v)) for v in t]
    block = trimesh.creation.box(bounds=[(-60, -36, -30), (60, 36, 0)])
    mesh = trimesh.boolean.difference(
        [block, turned(stepped, -28.0), turned([(0, -10), *arc, (18, 1), (0, 1)], 30.0)], engine="manifold"
    )
    plan = zrough.plan(zrough.Job.from_dict({
        "units": unit,
        "stock": {"min": [-60 / mm, -36 / mm, -30 / mm], "max": [60 / mm, 36 / mm, 0]},
        "cutter": {"diameter": 10 / mm, "corner_radius": 0.5 / mm, "flutes": 4, "flute_length": 25 / mm,
                   "overhang": 45 / mm},
        "material": {"name": "P", "hardness_hb": 200.0},
        "machine": {"max_spindle_rpm": 12000.0, "max_feed": 8000.0 / mm},
        "roughing": {"level_depth": 14 / mm, "stair_height": 1 / mm, "wall_allowance": 0.3 / mm,
                     "floor_allowance": 0.2 / mm, "engagement_deg": 60.0},
    }, mesh=(np.asarray(mesh.vertices), np.asarray(mesh.faces))))  # fmt: skip
    assert plan.check.ok, [f.message for f in plan.check.failures]
    found = {round(f["z"], 3): f for f in plan.check.leftover.flats}
    for z, area in {-4: 28**2 - 17**2, -9: 17**2, -10: 15**2}.items():
        assert found[z]["area_mm2"] == pytest.approx(math.pi * area, rel=0.01)
        assert found[z]["typical_mm"] == pytest.approx(0.2, abs=0.005)
        assert found[z]["lowest_mm"] == pytest.approx(0.2, abs=0.005)
        assert any(abs(v.z - z - 0.2) < 1e-6 for v in plan.levels)


@pytest.mark.compiled
def test_a_slightly_tilted_floor_is_one_level():
    """A pocket floor that drops 0.03 mm over 40 mm (0.043 degrees): one level, at its highest point."""
    vertices, faces = parts.pocket(width=40, height=30, depth=6)
    floor = np.isclose(vertices[:, 2], -6.0)
    tilted = vertices.copy()
    tilted[floor, 2] -= 0.03 * (tilted[floor, 0] + 20.0) / 40.0
    top = tilted[floor, 2].max()
    plan = zrough.plan(job((tilted, faces), stair_height=0.0))
    assert [v.z for v in plan.levels] == pytest.approx([top + A], abs=1e-6)
    assert plan.levels[0].floor
    assert "flat" in plan.levels[0].reason
    assert plan.check.ok, [f.message for f in plan.check.failures]


@pytest.mark.compiled
def test_a_flat_open_to_the_side_alone_is_cut_between_primary_levels():
    """Steps at corners of the block, well away from the pocket whose depth sets the primary levels."""

    def box(low, high):
        return trimesh.creation.box(bounds=[low, high])

    steps = [box((52, -1, -10), (81, 14, 1)), box((-1, -1, -9.7), (20, 14, 1))]
    mesh = trimesh.boolean.difference(
        [box((0, 0, -40), (80, 60, 0)), box((6, 26, -24), (70, 54, 1)), *steps], engine="manifold"
    )
    made = zrough.Job.from_dict({
        "stock": {"min": [0.0, 0.0, -40.0], "max": [80.0, 60.0, 0.0]},
        "cutter": {"diameter": 12.7, "corner_radius": 0.75, "flutes": 3, "flute_length": 28.0,
                   "overhang": 50.0},
        "material": {"name": "tool steel, pre-hardened"},
        "machine": {"max_spindle_rpm": 15000.0, "max_feed": 8000.0},
        "roughing": {"level_depth": 12.0, "stair_height": 1.27, "wall_allowance": 0.5, "floor_allowance": 0.2,
                     "engagement_deg": 50.0},
    }, mesh=(np.asarray(mesh.vertices), np.asarray(mesh.faces)))  # fmt: skip
    result = zrough.plan(made)
    assert result.check.ok, result.check.failures
    found = {round(f["z"], 1): f["typical_mm"] for f in result.check.leftover.flats}
    assert [found[z] for z in (-9.7, -10.0, -24.0)] == pytest.approx([0.2] * 3, abs=0.005)
