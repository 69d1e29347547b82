"""Openings: found, covered, filled.

Volumes are compared with booleans of manifold3d, heights from above with those of the uncut body.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from zrough import openings, part
from zrough.errors import PartError
from zrough.grid import Grid
from zrough.stock import heights_over

N = 128


def box(low: tuple, high: tuple) -> trimesh.Trimesh:
    return trimesh.creation.box(bounds=[low, high])


def rod(x: float, y: float, radius: float, bottom: float, top: float, sections: int = N) -> trimesh.Trimesh:
    return trimesh.creation.cylinder(radius=radius, segment=[[x, y, bottom], [x, y, top]], sections=sections)


def cone(
    x: float, y: float, low_radius: float, high_radius: float, bottom: float, top: float
) -> trimesh.Trimesh:
    """A frustum, by hull of two polygons."""
    angle = np.linspace(0, 2 * np.pi, N, endpoint=False)
    ring = np.stack((np.cos(angle), np.sin(angle), np.zeros(N)), axis=1)
    points = np.concatenate((ring * low_radius + (x, y, bottom), ring * high_radius + (x, y, top)))
    return trimesh.convex.convex_hull(points)


def minus(body: trimesh.Trimesh, *tools: trimesh.Trimesh) -> trimesh.Trimesh:
    return trimesh.boolean.difference([body, *tools], engine="manifold")


def plus(*bodies: trimesh.Trimesh) -> trimesh.Trimesh:
    return trimesh.boolean.union(list(bodies), engine="manifold")


def loaded(body: trimesh.Trimesh) -> part.Part:
    return part.from_arrays(body.vertices, body.faces)


def check_solid(
    given_part: part.Part, opening: openings.Opening, whole: trimesh.Trimesh, cut: trimesh.Trimesh
) -> None:
    """Closed; volume within 0.5 % of the boolean difference of whole and cut body; inside the whole body."""
    vertices, faces = openings.solid(given_part, opening)
    solid = trimesh.Trimesh(vertices, faces, process=False)
    assert solid.is_watertight
    assert solid.is_winding_consistent
    truth = trimesh.boolean.difference([whole, cut], engine="manifold").volume
    assert opening.volume == pytest.approx(truth, rel=0.005)
    assert solid.volume == pytest.approx(opening.volume, rel=1e-9)
    spill = trimesh.boolean.difference([solid, whole], engine="manifold")
    assert (spill.volume if len(spill.faces) else 0.0) < 1e-3 * opening.volume


def check_cover(
    given_part: part.Part, found: list[openings.Opening], whole: trimesh.Trimesh, tolerance: float
) -> None:
    """From above the covered part looks like the body without the openings; nowhere higher."""
    before = given_part.triangles.copy()
    patch = openings.cover(given_part, found)
    np.testing.assert_array_equal(given_part.triangles, before)
    # an odd cell, so that no node falls on a wall
    cell = 0.3137
    nx, ny = (int((given_part.size[k] - 0.6) / cell) for k in (0, 1))
    grid = Grid(given_part.lower[0] + 0.2713, given_part.lower[1] + 0.2719, cell, nx, ny)
    covered = heights_over(np.concatenate((given_part.triangles, patch)), grid)
    wanted = heights_over(np.asarray(whole.triangles), grid)
    seen = np.isfinite(wanted)
    np.testing.assert_array_equal(np.isfinite(covered), seen)
    higher = covered[seen] - wanted[seen]
    assert higher.max() <= 1e-5  # the two booleans round differently
    assert higher.min() >= -tolerance


def test_plate_with_everything_upright() -> None:
    plate = box((0, 0, -20), (120, 80, 0))
    tools = {
        "through hole": rod(20, 20, 4, -30, 5),
        "blind hole": rod(50, 20, 5, -12, 5),
        "through window": box((70, 10, -30), (84, 26, 5)),
        "blind slot": box((20, 50, -8), (60, 58, 5)),
    }
    body = minus(plate, *tools.values())
    given_part = loaded(body)
    found = openings.find(given_part, width=20.0)
    assert len(found) == 4
    for name, tool in tools.items():
        one = next(o for o in found if tool.bounds[0][0] < o.place[0] < tool.bounds[1][0]
                   and tool.bounds[0][1] < o.place[1] < tool.bounds[1][1])  # fmt: skip
        assert name == f"{'through' if o_through(one) else 'blind'} {one.kind}"
        assert one.rim_z == pytest.approx(0, abs=1e-6)
        assert one.depth == pytest.approx(min(20, -tool.bounds[0][2]), abs=1e-5)
        check_solid(given_part, one, plate, minus(plate, tool))
    check_cover(given_part, found, plate, 1e-6)
    widths = sorted(o.width for o in found)
    assert widths == pytest.approx([8, 8, 10, 14], rel=0.002)
    assert sorted(o.length for o in found)[-1] == pytest.approx(math.hypot(40, 8), rel=0.002)


def o_through(opening: openings.Opening) -> bool:
    assert opening.blind is not opening.through
    return opening.through


def test_width_chooses() -> None:
    plate = box((0, 0, -20), (120, 80, 0))
    body = loaded(minus(plate, rod(20, 20, 4, -30, 5), rod(60, 40, 10, -12, 5)))
    assert [round(o.width) for o in openings.find(body, width=9)] == [8]
    assert len(openings.find(body, width=21)) == 2
    assert openings.find(body, width=5) == []
    assert openings.cover(body, []).shape == (0, 3, 3)


@pytest.mark.parametrize(("low", "high"), [(3.0, 5.0), (5.0, 4.6)])
def test_drafted_through_hole(low: float, high: float) -> None:
    """Narrowing downward, and widening as wire-cut dies do."""
    plate = box((0, 0, -20), (40, 40, 0))
    body = minus(plate, cone(20, 20, low, high, -20, 0))
    given_part = loaded(body)
    (one,) = openings.find(given_part, width=12)
    assert one.through
    assert one.width == pytest.approx(2 * high, rel=0.002)
    check_solid(given_part, one, plate, body)
    check_cover(given_part, [one], plate, 1e-6)


def test_stepped_hole_is_one_opening() -> None:
    plate = box((0, 0, -30), (60, 60, 0))
    body = minus(plate, rod(30, 30, 9, -10, 5), rod(30, 30, 4, -40, 5))
    given_part = loaded(body)
    (one,) = openings.find(given_part, width=20)
    assert one.width == pytest.approx(18, rel=0.002)
    assert one.depth == pytest.approx(30, abs=1e-5)
    check_solid(given_part, one, plate, body)
    # narrower than the counterbore: the inner hole alone, its rim on the counterbore's floor
    (inner,) = openings.find(given_part, width=10)
    assert inner.rim_z == pytest.approx(-10, abs=1e-5)
    assert inner.through
    assert len(openings.find(given_part)) == 2


def test_step_from_below_ends_where_it_opens_out() -> None:
    """A bore that widens underneath: filled down to the shoulder, as a punch from above would be."""
    plate = box((0, 0, -30), (60, 60, 0))
    body = minus(plate, rod(30, 30, 9, -40, -15), rod(30, 30, 4, -40, 5))
    given_part = loaded(body)
    (one,) = openings.find(given_part, width=10)
    assert one.through
    assert one.volume == pytest.approx(rod(30, 30, 4, -15, 0).volume, rel=0.005)


def test_blind_hole_with_a_cone_and_a_countersink() -> None:
    plate = box((0, 0, -40), (60, 60, 0))
    tool = plus(rod(30, 30, 3, -25, 1), cone(30, 30, 0.01, 3, -26.8, -25))
    body = minus(plate, tool, cone(30, 30, 3, 5, -2, 0))
    given_part = loaded(body)
    (one,) = openings.find(given_part, width=12)
    assert one.blind
    assert one.depth == pytest.approx(24.8, abs=0.02)  # from the lower edge of the countersink, 45 degrees
    sunk = minus(plate, cone(30, 30, 3, 5, -2, 0))
    check_solid(given_part, one, sunk, body)
    check_cover(given_part, [one], sunk, 1e-5)


def test_rim_on_a_slope() -> None:
    """The cover follows a slanting face exactly and the solid ends at it."""
    base = [[x, y, -30] for x in (0, 60) for y in (0, 40)]
    slope = trimesh.convex.convex_hull([*base, *([x, y, 0.2 * x - 12] for x, y, _ in base)])
    body = minus(slope, rod(30, 20, 5, -40, 10))
    given_part = loaded(body)
    (one,) = openings.find(given_part, width=12)
    assert one.rim_z == pytest.approx(-12 + 25 * 0.2, abs=0.01)
    check_solid(given_part, one, slope, body)
    check_cover(given_part, [one], slope, 1e-5)


def test_hole_in_a_dome() -> None:
    ball = trimesh.creation.icosphere(subdivisions=5, radius=40)
    dome = trimesh.boolean.intersection([ball, box((-50, -50, 0), (50, 50, 50))], engine="manifold")
    body = minus(dome, rod(14, 6, 3, -5, 60))
    given_part = loaded(body)
    (one,) = openings.find(given_part, width=8)
    check_solid(given_part, one, dome, body)
    check_cover(given_part, [one], dome, 0.3)  # the dome bulges this much over the chord of its rim


def test_hole_at_the_foot_of_a_wall() -> None:
    """Half of the rim is cut away by a tall wall; the cover lies at the height of the floor."""
    plate = plus(box((0, 0, -20), (60, 40, 0)), box((30, 0, -5), (60, 40, 15)))
    body = minus(plate, box((20, 10, -30), (30, 20, 5)))
    given_part = loaded(body)
    (one,) = openings.find(given_part, width=12)
    assert one.rim_z == pytest.approx(0, abs=2e-4)
    assert one.width == pytest.approx(10, abs=0.01)
    check_solid(given_part, one, plate, body)
    check_cover(given_part, [one], plate, 2e-4)


def test_window_across_a_step() -> None:
    """The rim's lowest height counts: the cover never stands above the lower side."""
    plate = plus(box((0, 0, -20), (60, 40, 0)), box((30, 0, -5), (60, 40, 6)))
    body = minus(plate, box((24, 14, -30), (36, 26, 10)))
    given_part = loaded(body)
    (one,) = openings.find(given_part, width=14)
    assert one.rim_z == pytest.approx(0, abs=2e-4)
    filled = minus(plate, box((24, 14, 0), (36, 26, 10)))
    check_solid(given_part, one, filled, body)
    check_cover(given_part, [one], filled, 2e-4)


def test_ring_groove_keeps_its_island() -> None:
    plate = box((0, 0, -20), (60, 60, 0))
    groove = minus(rod(30, 30, 15, -8, 5), rod(30, 30, 10, -9, 6))
    body = minus(plate, groove)
    given_part = loaded(body)
    (one,) = openings.find(given_part, width=6)
    assert one.width == pytest.approx(5, abs=0.05)
    assert len(one.islands) == 1
    assert one.area == pytest.approx(math.pi * (225 - 100), rel=0.001)
    check_solid(given_part, one, plate, body)
    check_cover(given_part, [one], plate, 1e-6)
    # a pin that stays below the rim is part of the opening's floor, not an island
    low = minus(plate, rod(30, 30, 15, -8, 5))
    low = plus(low, rod(30, 30, 10, -9, -3))
    (pocket,) = openings.find(loaded(low), width=31)
    assert pocket.islands == ()
    assert pocket.volume == pytest.approx(math.pi * (225 * 8 - 100 * 5), rel=0.005)


def test_channel_running_in_from_the_side() -> None:
    """No closed solid then, said in one line; cover, depth and volume as seen from above are still right."""
    plate = box((0, 0, -40), (80, 60, 0))
    channel = trimesh.creation.cylinder(radius=4, segment=[[-5, 30, -20], [90, 30, -20]], sections=N)
    body = minus(plate, rod(40, 30, 6, -32, 5), channel)
    given_part = loaded(body)
    (one,) = openings.find(given_part, width=14)
    assert one.body is None
    assert one.depth == pytest.approx(32, abs=0.01)
    assert one.volume == pytest.approx(math.pi * 36 * 32, rel=0.01)
    check_cover(given_part, [one], plate, 1e-6)
    with pytest.raises(PartError, match=r"from the side; split it") as caught:
        openings.solid(given_part, one)
    assert "\n" not in str(caught.value)


def test_by_point() -> None:
    plate = box((0, 0, -30), (100, 80, 0))
    body = minus(plate, box((10, 10, -15), (90, 70, 5)), rod(30, 30, 4, -40, 5))
    given_part = loaded(body)
    (hole,) = openings.find(given_part, points=[(30, 30)])
    assert hole.rim_z == pytest.approx(-15, abs=1e-5)
    assert hole.through
    (pocket,) = openings.find(given_part, points=[(60, 40)])
    assert pocket.rim_z == pytest.approx(0, abs=1e-5)
    assert pocket.blind
    check_solid(given_part, pocket, plate, body)
    assert len(openings.find(given_part, points=[(60, 40), (61, 41), (30, 31)])) == 2
    assert len(openings.find(given_part, width=10, points=[(30, 30)])) == 1
    with pytest.raises(PartError, match=r"cover.points \(5, 5\): no opening"):
        openings.find(given_part, points=[(5, 5)])


def test_by_point_in_a_bowl_without_an_edge() -> None:
    """A rim rounded all the way has no edge; the bowl is covered at the height where it would spill."""
    n = 80
    x = np.linspace(-60, 60, n)
    gx, gy = np.meshgrid(x, x)
    z = -10 * np.exp(-(gx**2 + gy**2) / 300.0) - 0.02 * (60 - gx)
    points = np.column_stack((gx.ravel(), gy.ravel(), z.ravel()))
    k = np.arange(n * n).reshape(n, n)
    a, b, c, d = (m.ravel() for m in (k[:-1, :-1], k[:-1, 1:], k[1:, 1:], k[1:, :-1]))
    faces = np.concatenate((np.stack((a, b, c), axis=1), np.stack((a, c, d), axis=1)))
    given_part = part.from_arrays(points, faces)
    assert openings.find(given_part, width=60) == []
    (one,) = openings.find(given_part, points=[(0, 0)])
    assert one.blind
    # spill height from a flood of the height map, scikit-image
    from skimage.morphology import reconstruction

    seed = np.full_like(z, z.max())
    seed[0], seed[-1], seed[:, 0], seed[:, -1] = z[0], z[-1], z[:, 0], z[:, -1]
    flooded = reconstruction(seed, z, method="erosion")
    assert one.rim_z == pytest.approx(flooded[n // 2, n // 2], abs=0.05)
    cell = x[1] - x[0]
    assert one.volume == pytest.approx((flooded - z).sum() * cell**2, rel=0.03)


def test_bosses_and_open_sides_are_no_openings() -> None:
    plate = plus(box((0, 0, -20), (80, 60, -10)), rod(40, 30, 6, -15, 0), box((0, 0, -15), (10, 60, 0)))
    body = minus(plate, box((30, -5, -15), (38, 10, 5)))  # a slot that runs out of the side
    assert openings.find(loaded(body), width=30) == []


def test_rounded_rim() -> None:
    """A fillet of 2 mm round a hole: found, covered between the hole and the land."""
    angle = np.linspace(0, np.pi / 2, 13)
    bend = np.stack((7 - 2 * np.cos(angle), -2 + 2 * np.sin(angle)), axis=1)
    profile = np.concatenate(([[5, -20]], bend, [[30, 0], [30, -20], [5, -20]]))
    body = trimesh.creation.revolve(profile[::-1], sections=96)
    if body.volume < 0:
        body.invert()
    given_part = loaded(body)
    (one,) = openings.find(given_part, width=12)
    assert one.through
    assert -2.0 <= one.rim_z <= 0.0
    assert 10 - 0.02 <= one.width <= 14
    vertices, faces = openings.solid(given_part, one)
    assert trimesh.Trimesh(vertices, faces, process=False).is_watertight


def test_cavity_seen_in_an_open_surface() -> None:
    """No underside at all: a hole that ends in nothing still gets a closed solid."""
    plate = box((0, 0, -20), (60, 60, 0))
    body = minus(plate, rod(30, 30, 5, -30, 5))
    kept = body.faces[body.face_normals[:, 2] > -0.5]
    given_part = part.from_arrays(body.vertices, kept)
    assert given_part.open_edges > 0
    (one,) = openings.find(given_part, width=12)
    check_solid(given_part, one, plate, body)


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=12, deadline=None)
def test_random_openings(seed: int) -> None:
    """Holes, windows and slots of random size, draft and depth in the cells of a plate, all at once."""
    rng = np.random.default_rng(seed)
    plate = box((0, 0, -25), (120, 80, 0))
    tools = []
    for i in range(3):
        for j in range(2):
            x, y = 20 + 40 * i + rng.uniform(-3, 3), 20 + 40 * j + rng.uniform(-3, 3)
            bottom = -30.0 if rng.random() < 0.5 else -rng.uniform(2, 20)
            choice = rng.integers(0, 3)
            if choice == 0:
                tools.append(rod(x, y, rng.uniform(1, 9), bottom, 5, int(rng.integers(8, 90))))
            elif choice == 1:
                w, h = rng.uniform(2, 14, 2)
                tools.append(box((x - w, y - h / 3, bottom), (x + w, y + h / 3, 5)))
            else:
                r = rng.uniform(2, 8)
                tools.append(cone(x, y, r * rng.uniform(0.7, 1.0), r, bottom, 0.0))
    body = minus(plate, *tools)
    given_part = loaded(body)
    found = openings.find(given_part, width=40)
    assert len(found) == len(tools)
    total = sum(o.volume for o in found)
    assert total == pytest.approx(plate.volume - body.volume, rel=0.005)
    check_cover(given_part, found, plate, 1e-5)
    assert [o.rim_z for o in found] == pytest.approx([0.0] * 6, abs=1e-5)
    turned = part.from_arrays(body.vertices, body.faces[rng.permutation(len(body.faces))])
    again = openings.find(turned, width=40)
    assert [o.area for o in again] == pytest.approx([o.area for o in found])
