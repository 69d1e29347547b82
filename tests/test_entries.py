"""Ways into closed ground: where, how wide, and a reason where there is none."""

from __future__ import annotations

import math

import numpy as np
import pytest
import regions
from regions import Region, replay
from shapely import Point, Polygon, affinity
from shapely.geometry import box

from zrough import lanes
from zrough.entries import FILM, EntryRules, Hole, ways_in
from zrough.job import Job
from zrough.rings import Clearing

pytestmark = pytest.mark.compiled

R = 5.0


def found(free, method="auto", helix=3.75, smallest=1.0, holes=(), slotting=False, z=-5.0, stock=None):
    """Entries, refusals, the engine and the level of one region of free ground."""
    region = Region(free, stock, R, 60.0)
    frame, level, d2 = regions.level(region)
    work = Clearing(frame, d2, regions.rules(region))
    work.start(level)
    rules = EntryRules(method, R, helix, smallest, work.rules.eps, tuple(holes), slotting)
    return *ways_in(level.sd, work.free, work.blk, work.mat, frame, rules, z), region


@pytest.mark.parametrize("angle", [0, 17, 45])
def test_helix_stands_in_the_roomiest_place(angle):
    """Of a dumbbell the larger end; the whole helix lies within the ground, as shapely sees it."""
    shape = Point(0, 0).buffer(9).union(Point(40, 0).buffer(14)).union(box(0, -6, 40, 6))
    shape = affinity.rotate(shape, angle, origin=(0, 0))
    entries, left, _ = found(shape, helix=20.0)
    assert left == []
    (entry,) = entries
    assert entry.kind == "helix"
    at = affinity.rotate(Point(40, 0), angle, origin=(0, 0))
    assert math.hypot(entry.x - at.x, entry.y - at.y) < 0.5
    assert Point(entry.x, entry.y).buffer(entry.radius + R).difference(shape.buffer(0.002)).area < 1e-6
    assert entry.radius == pytest.approx(14 - R, abs=0.5)


def test_helix_is_no_wider_than_wanted():
    entries, _, _ = found(box(0, 0, 60, 60), helix=3.0)
    assert [(e.kind, e.radius) for e in entries] == [("helix", 3.0)]


def test_every_closed_area_has_its_own_way_in():
    two = box(0, 0, 25, 25).union(box(35, 0, 60, 25))
    entries, left, _ = found(two)
    assert len(entries) == 2
    assert left == []
    assert sorted(e.x > 30 for e in entries) == [False, True]


def test_open_ground_needs_none():
    entries, left, _ = found(box(-15, 0, 60, 40), stock=(0.0, 0.0, 80.0, 60.0))
    assert (entries, left) == ([], [])


def test_a_pocket_barely_wider_than_the_cutter_is_refused_with_its_width():
    entries, left, _ = found(box(0, 0, 40, 11))
    assert entries == []
    (refused,) = left
    assert "too narrow for a helix" in refused.reason
    assert refused.width == pytest.approx(11.0, abs=0.4)
    assert R - 0.5 <= refused.x <= 35.5
    assert refused.y == pytest.approx(5.5, abs=0.3)


@pytest.mark.parametrize(("x", "y"), [(0.0, 0.0), (0.07, 0.05), (0.11, -0.03)])
@pytest.mark.parametrize("wide", [11.4, 12.4])
def test_helix_takes_all_the_room_of_a_round_hole(x, y, wide):
    """What a hole gives is its own bore, wherever its centre lies between the nodes: (W - D) / 2.

    A hair stays on its wall, so that the helix does not rub on what levels above may have left there.
    """
    entries, left, region = found(Point(x, y).buffer(0.5 * wide, quad_segs=64), smallest=0.5)
    assert left == []
    (entry,) = entries
    assert math.hypot(entry.x - x, entry.y - y) < 0.03
    assert entry.radius == pytest.approx(0.5 * wide - R - FILM, abs=0.03)
    ring = Point(entry.x, entry.y).buffer(entry.radius, quad_segs=64)
    assert ring.difference(region.centres.buffer(0.003)).is_empty


def test_a_helix_of_a_plan_bores_from_a_tenth_wider_than_the_cutter():
    """Bores of 1.1 D to 1.9 D: common practice, from memory."""
    mesh = (np.zeros((3, 3)), np.array([[0, 1, 2]]))
    cutter = {"diameter": 2 * R, "corner_radius": 0.0, "flutes": 4, "flute_length": 20.0, "overhang": 30.0}
    # a tip that does not cut to its centre leaves no core from D + uncut diameter on (references, section 4)
    for uncut, bore in ((0.0, 1.1 * 2 * R), (3.0, 2 * R + 3.0)):
        job = Job.from_dict({
            "stock": {"min": [0, 0, -10], "max": [10, 10, 0]},
            "cutter": {**cutter, "uncut_diameter": uncut},
            "material": {"name": "P"},
            "machine": {"max_spindle_rpm": 12000, "max_feed": 6000},
        }, mesh=mesh)  # fmt: skip
        rules = EntryRules.of(job, job.cutter, 18.0, 0.003)
        assert 2 * (rules.smallest + R) == pytest.approx(bore)


@pytest.mark.parametrize("method", ["none", "outside", "pre-drilled"])
def test_methods_that_cannot_go_in_say_so(method):
    entries, left, _ = found(box(0, 0, 40, 40), method)
    assert entries == []
    assert "no way in" in left[0].reason
    assert repr(method) in left[0].reason


def test_ramp_runs_along_the_channel_and_stays_inside():
    shape = affinity.rotate(box(0, 0, 60, 12), 30, origin=(0, 0))
    entries, _, region = found(shape, "ramp")
    (entry,) = entries
    assert entry.kind == "ramp"
    ends = np.array([[entry.x, entry.y], [entry.x2, entry.y2]])
    run = ends[1] - ends[0]
    assert math.hypot(*run) > 30
    assert abs(math.degrees(math.atan2(run[1], run[0])) % 180 - 30) < 8
    for t in np.linspace(0, 1, 50):
        assert region.centres.buffer(region.cell).contains(Point(*(ends[0] + t * run)))


def test_slotting_lets_auto_ramp_where_no_helix_fits():
    assert found(box(0, 0, 50, 11.5))[0] == []
    (entry,) = found(box(0, 0, 50, 11.5), slotting=True)[0]
    assert entry.kind == "ramp"


@pytest.mark.parametrize(
    ("hole", "used"),
    [
        (Hole(20, 20, 14, -8), True),
        (Hole(20, 20, 14, -4), False),  # ends above the level
        (Hole(20, 20, 9, -8), False),  # narrower than the cutter
        (Hole(90, 20, 14, -8), False),  # not in this pocket
    ],
)
def test_pre_drilled_hole_is_taken_only_where_it_serves(hole, used):
    (entry,) = found(box(0, 0, 40, 40), holes=[hole])[0]
    assert (entry.kind == "pre-drilled") is used
    if used:
        assert (entry.x, entry.y, entry.radius) == (20, 20, 14 / 2 - R)


@pytest.mark.parametrize("room", [0.4, 1.1])
def test_a_hole_drilled_wider_than_a_wall_leaves_room_for_is_gone_down_in_clear_of_the_wall(room):
    """The centre may be anywhere in the hole by R / 2 mm; it keeps within the free ground all the same."""
    hole = Hole(R + room, 20, 3 * R, -8)
    (entry,) = found(box(0, 0, 40, 40), holes=[hole])[0]
    assert entry.kind == "pre-drilled"
    assert 0.3 * room < entry.radius <= room


@pytest.mark.parametrize("kind", ["helix", "ramp", "pre-drilled"])
def test_the_cut_goes_on_from_any_entry_within_the_cap(kind):
    """What the entry clears is what the first ring starts from."""
    region = Region(box(0, 0, 50, 40), None, R, 60.0)
    frame, level, d2 = regions.level(region)
    work = Clearing(frame, d2, regions.rules(region))
    holes = (Hole(25, 20, 14, -8),) if kind == "pre-drilled" else ()
    entry = EntryRules(kind, R, 3.75, 1.0, work.rules.eps, holes)
    work.find_entries = lambda c, v, again: ways_in(v.sd, c.free, c.blk, c.mat, c.frame, entry, -5.0)[0]
    pieces = work.run(level, None, 0.03)
    assert pieces[0].entry is not None
    assert pieces[0].entry.kind == kind
    done = replay(region, pieces)
    assert done.arc_deg[done.kind > 0].max() <= 61.0
    assert regions.unswept(region, done, 0.2)[0] < 0.01


@pytest.mark.parametrize("slope", [0.2, 0.25])
def test_the_cut_leaves_a_ramp_where_there_is_room_to_turn(slope):
    """The axis has a rhombus to move in: the ramp runs from tip to tip, and at its ends nothing can turn."""
    long = 8.0
    rhombus = affinity.rotate(Polygon([(-long, 0), (0, -slope * long), (long, 0), (0, slope * long)]), 20)
    region = Region(rhombus.buffer(R, quad_segs=64), None, R, 45.0)
    frame, level, d2 = regions.level(region)
    work = Clearing(frame, d2, regions.rules(region))
    entry = EntryRules("ramp", R, 3.75, 1.0, work.rules.eps)
    work.find_entries = lambda c, v, again: ways_in(v.sd, c.free, c.blk, c.mat, c.frame, entry, -5.0)[0]
    pieces = work.run(level, None, 0.03)
    assert pieces[0].entry.kind == "ramp"
    done = replay(region, pieces)
    assert done.arc_deg[done.kind > 0].max() <= 46.0
    assert regions.unswept(region, done, 0.2)[0] < 0.03


def test_ground_behind_a_neck_is_entered_though_half_of_it_went_from_beside():
    """The axis cannot pass the neck, and what was cut on its right took part of what it hides."""
    radius = 6.3
    shape = Polygon([
        (17, 22.5), (19, 22.9), (35, 16.9), (37.5, 13.3), (35, 6.4), (33, 5), (16.9, 4), (10, 11.5), (6, 13),
        (1.9, 20.2), (-4, 26.5), (2.5, 38), (7.8, 32.3),
    ])  # fmt: skip
    region = Region(shape, None, radius, 50.0)
    frame, level, d2 = regions.level(region)
    work = Clearing(frame, d2, regions.rules(region))
    entry = EntryRules("auto", radius, 3.75, 0.6, work.rules.eps)
    work.find_entries = lambda c, v, again: ways_in(v.sd, c.free, c.blk, c.mat, c.frame, entry, -5.0)[0]
    pieces = work.run(level, None, 0.03)
    entries = [p.entry for p in pieces if p.entry is not None]
    assert [e.x < 14.0 for e in entries] == [False, True]
    done = replay(region, pieces)
    assert done.arc_deg[done.kind > 0].max() <= 51.0
    hidden = Point(10.9, 18.7).buffer(0.5)  # of the axis; on its right the neck, on its left the dead end
    assert region.centres.contains(hidden)
    path = np.concatenate([p.points for p in pieces])
    assert np.hypot(*(path - [10.9, 18.7]).T).min() < 1.0


def test_a_walk_that_may_turn_on_the_spot_stays_off_a_wall_ahead():
    """Between close walls paths bend as good as on the spot: there is always a way back, so that a front
    which runs straight at a wall was followed into it."""
    region = Region(box(0.0, 0.0, 40.0, 30.0), None, R, 60.0)
    frame, level, d2 = regions.level(region)
    work = Clearing(frame, d2, regions.rules(region))
    with work.ruled(rho=0.01 * R):
        work.start(level)
        arc = work.rules.cap - work.rules.margin - 0.001
        y = np.arange(0.0, 30.0, 0.1)
        lanes.sweep(work, np.stack([np.full_like(y, 8.0), y], axis=1))
        x = 8.0 + R * (1.0 - np.cos(arc))  # as deep as the cap allows, straight on
        for start in (10.0, 10.03, 10.06, 10.1):
            state = np.array([x, start, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, arc])
            held = work.d2.copy()
            walk, _, _ = work._walk(level, state, np.array([[x, start]]), 0.01)
            work.d2[:] = held
            assert walk[:, 1].max() > 24.8
            assert all(region.centres.buffer(1e-6).contains(Point(p)) for p in walk)
