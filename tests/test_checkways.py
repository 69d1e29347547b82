"""Ground with no way in: heights down to which ways lead, against closed forms, and whole checks of programs
that leave ground with and without a way in."""

from __future__ import annotations

import math

import manifold3d
import numpy as np
import pytest

import zrough
from zrough import checkways
from zrough.checkways import Ways
from zrough.job import Job

CELL, HALF, TOP, DEEP = 0.25, 12, 0.0, -6.0


def at_nodes(height, stands):
    """`checkways.raised` on a square of nodes, of tips and clear heights given as functions of place."""
    line = CELL * np.arange(-4 * HALF, 4 * HALF + 1)
    x, y = np.meshgrid(line, line)

    def finer(x0, y0, pitch, wanted):
        i, j = np.indices(wanted.shape)
        return np.where(wanted, height(x0 + pitch * j, y0 + pitch * i), np.inf)

    def run(ways):
        out, _ = checkways.raised(height(x, y), stands(x, y), ways, line[0], line[0], CELL, finer)
        return out

    return x, y, run


def uncut(x, _):
    return np.full(x.shape, TOP)


def pit(room):
    """Where the axis has this much room round one place, upright walls about it, and nothing is cut."""
    return at_nodes(lambda x, y: np.where(np.hypot(x, y) <= room, DEEP, TOP), uncut)


def test_a_pit_is_within_reach_where_the_helix_has_room():
    for room in (0.2, 0.35, 0.42):
        x, y, run = pit(room)
        assert run(Ways(0.2, 0.5))[(x == 0) & (y == 0)] == TOP, room
    for room in (0.58, 0.7, 1.4):
        x, y, run = pit(room)
        low = run(Ways(0.2, 0.5))
        assert low[(x == 0) & (y == 0)] == DEEP, room
        assert (low[np.hypot(x, y) <= room - 0.1] == DEEP).all()


def test_without_a_helix_a_pit_has_no_way_in_however_wide():
    x, y, run = pit(4.0)
    assert (run(Ways(0.2)) == TOP)[np.hypot(x, y) < 3.9].all()


@pytest.mark.parametrize("slope", [0.8, 2.0, 6.0])
@pytest.mark.parametrize("bend", [0.3, 0.45])
def test_a_groove_is_within_reach_down_to_where_a_bend_has_room(slope, bend):
    """In a V as steep as ``slope`` there is room ``bend`` at ``slope`` times that much over the bottom.

    It is cut up to y = 0, so that ways lead on from there.
    """

    def height(x, y):
        return DEEP + slope * np.abs(x - 0.06)

    x, y, run = at_nodes(height, lambda x, y: np.where(y < 0, height(x, y), 40.0))
    low = run(Ways(bend))
    inner = (y > 1) & (y < 10)
    middle = inner & (np.abs(x - 0.06) < bend - 0.1)
    found = low[middle]
    assert middle.any()
    assert np.abs(found - (DEEP + slope * bend)).max() <= slope * CELL / checkways.FINE + 1e-9
    assert low[inner & (np.abs(x) > 1.5 * bend + CELL)] == pytest.approx(
        height(x, y)[inner & (np.abs(x) > 1.5 * bend + CELL)]
    )
    cut = y < -1
    assert low[cut] == pytest.approx(height(x, y)[cut])


def test_a_groove_is_within_reach_where_slots_may_be_cut():
    def height(x, y):
        return np.where(np.abs(x) < 0.1, DEEP, TOP)

    x, y, run = at_nodes(height, lambda x, y: np.where(y < 0, height(x, y), TOP))
    assert (run(Ways(0.3))[(x == 0) & (y > 1)] == TOP).all()
    assert (run(Ways(0.0))[(x == 0) & (y > 1)] == DEEP).all()


@pytest.mark.parametrize(("length", "leads"), [(3.0, False), (6.0, True)])
def test_a_ramp_needs_its_length(length, leads):
    """A closed channel with room for bends but none for a helix, nothing cut; the ramp is 5 mm long."""
    x, y, run = at_nodes(
        lambda x, y: np.where((np.abs(y) < 0.4) & (np.abs(x) <= 0.5 * length), DEEP, TOP),
        uncut,
    )
    low = run(Ways(0.2, math.inf, 5.0))
    middle = (y == 0) & (np.abs(x) < 0.5 * length - 0.3)
    assert (low[middle] == (DEEP if leads else TOP)).all()


def test_what_is_cut_is_within_reach():
    def height(x, y):
        return np.where(np.hypot(x, y) < 0.2, DEEP, TOP)

    x, y, run = at_nodes(height, height)
    assert (run(Ways(0.3, 0.5)) == height(x, y)).all()


# ------------------------------------------------------------------ whole checks

FACE, DEPTH, NARROW, WIDE = -2.0, 8.0, 10.7, 14.0  # heights and diameters of two blind holes, cutter 10 mm


def two_holes(method="auto"):
    """Beside them a step as deep: what a program never goes down to is not asked of it."""
    body = manifold3d.Manifold.cube([60.0, 40.0, 18.0]).translate([-30.0, -20.0, -20.0])
    body -= manifold3d.Manifold.cube([20.0, 60.0, 20.0]).translate([24.0, -30.0, FACE - DEPTH])
    for x, diameter in ((-13.0, NARROW), (13.0, WIDE)):
        body -= manifold3d.Manifold.cylinder(DEPTH + 1.0, diameter / 2, circular_segments=256).translate(
            [x, 0.0, FACE - DEPTH]
        )
    mesh = body.to_mesh()
    corners = np.asarray(mesh.vert_properties)[:, :3].astype(float)
    return Job.from_dict({
        "part": {}, "stock": {"min": [-30.0, -20.0, -20.0], "max": [30.0, 20.0, 0.0]},
        "cutter": {"diameter": 10.0, "flutes": 4, "flute_length": 22.0, "overhang": 40.0},
        "material": {"name": "P", "hardness_hb": 200.0},
        "machine": {"max_spindle_rpm": 12000.0, "max_feed": 6000.0},
        "roughing": {"level_depth": 8.0, "stair_height": 1.0, "engagement_deg": 60.0, "wall_allowance": 0.0,
                     "floor_allowance": 0.0},
        "entry": {"method": method},
    }).with_mesh(corners, np.asarray(mesh.tri_verts).astype(np.int64))  # fmt: skip


def volume(diameter, nodes):
    """Of a hole, less a rim of so many nodes of the check's map (a 24th of the radius, 0.25 mm at most)."""
    return math.pi * (0.5 * diameter - 0.25 * nodes) ** 2 * DEPTH


@pytest.mark.compiled
def test_what_has_no_way_in_is_no_excess_and_what_has_one_is():
    """A helix needs a bore of 1.1 times the cutter (common practice): of the holes of 1.07 and 1.4 times its
    diameter the wide one is to be cut, and missed where it is not."""
    job = two_holes()
    plan = zrough.plan(job)
    left = plan.check.leftover
    assert plan.check.ok
    at_hole = [place for place in plan.left if abs(place["x"] + 13.0) < 2.0 and abs(place["y"]) < 2.0]
    assert sum(place["area"] for place in at_hole) > 0.9 * math.pi * (0.5 * NARROW) ** 2
    assert all("too narrow for a helix: 10.6" in place["reason"] for place in at_hole)
    assert left.excess_volume < 1.0
    assert left.tallest_stair < 0.05
    assert volume(NARROW, 4) < left.shut_volume < volume(NARROW, 0)

    closed = two_holes("none")
    neither = zrough.plan(closed)
    left = neither.check.leftover
    assert left.excess_volume < 1.0
    assert left.shut_volume > volume(NARROW, 4) + volume(WIDE, 4)

    missed = zrough.check(neither.nc_text, job).leftover
    assert volume(WIDE, 4) < missed.excess_volume < volume(WIDE, 0)
    assert missed.tallest_stair == pytest.approx(DEPTH, abs=0.01)
    assert missed.excess_at[0] == pytest.approx(13.0, abs=7.0)
    assert volume(NARROW, 4) < missed.shut_volume < volume(NARROW, 0)


@pytest.mark.parametrize("radius", [0.1, 0.9, 2.0])
def test_the_most_within_a_disc_is_what_a_filter_over_all_of_its_nodes_finds(radius):
    """Against scipy's grey dilation and erosion."""
    from scipy.ndimage import grey_dilation, grey_erosion

    rng = np.random.default_rng(5)
    of = rng.normal(size=(17, 60))
    of[rng.random(of.shape) < 0.1] = np.inf
    half = math.floor(radius / CELL)
    at = CELL * np.arange(-half, half + 1)
    disc = np.hypot(at[:, None], at[None, :]) <= radius + 1e-9
    most, least = checkways._most(of, radius, CELL), -checkways._most(-of, radius, CELL)
    np.testing.assert_array_equal(most, grey_dilation(of, footprint=disc, mode="nearest"))
    np.testing.assert_array_equal(least, grey_erosion(of, footprint=disc, mode="nearest"))
