"""Channels too narrow for the cap: left and listed, or cut as slots when the job asks for it.

The part is a block with an open channel and a closed one, both a little wider than the cutter; volumes are
closed form. Slots at most one diameter deep: common practice, and a catalogue's rule (see `cutting.advice`).
"""

from __future__ import annotations

import importlib
from types import SimpleNamespace

import numpy as np
import pytest
import regions
import shapely
import trimesh
from regions import Region

from zrough import feeds, lanes
from zrough.job import Job
from zrough.links import Linker
from zrough.ncread import Motion
from zrough.pieces import Frame, Piece
from zrough.plan import plan
from zrough.rings import Clearing
from zrough.toolpath import Kind

pytestmark = pytest.mark.compiled

checking = importlib.import_module("zrough.check")

DIAMETER, WALL, FLOOR, CAP = 10.0, 0.2, 0.1, 60.0
BEND = 0.4  # mm: the channels leave the centre 0.3 mm on either side, so that no arc of this radius fits in
# x from and to, y from and to, depth; the first is open at both ends
CHANNELS = ((-1.0, 61.0, 10.0, 21.0, 14.0), (10.0, 50.0, 30.0, 40.8, 6.0))


def block_with_channels() -> trimesh.Trimesh:
    def box(low, high):
        return trimesh.creation.box(bounds=[low, high])

    cut = [box((a, c, -depth), (b, d, 1.0)) for a, b, c, d, depth in CHANNELS]
    return trimesh.boolean.difference([box((0, 0, -20), (60, 50, 0)), *cut], engine="manifold")


@pytest.fixture(scope="module")
def plans():
    mesh = block_with_channels()
    found = {}
    for slotting in (False, True):
        job = Job.from_dict({
            "stock": {"min": [0.0, 0.0, -20.0], "max": [60.0, 50.0, 0.0]},
            "cutter": {"diameter": DIAMETER, "corner_radius": 0.0, "flutes": 4, "flute_length": 22.0,
                       "overhang": 40.0},
            "material": {"name": "tool steel, pre-hardened"},
            "machine": {"max_spindle_rpm": 15000.0, "max_feed": 8000.0},
            "roughing": {"level_depth": 14.0, "stair_height": 0.0, "wall_allowance": WALL,
                         "floor_allowance": FLOOR, "engagement_deg": CAP, "slotting": slotting,
                         "min_path_radius": BEND},
            "cover": {"automatic": False},
        }, mesh=(np.asarray(mesh.vertices), np.asarray(mesh.faces)))  # fmt: skip
        found[slotting] = plan(job)
    return found


def test_without_slotting_the_channels_are_left_and_listed(plans):
    result = plans[False]
    assert result.check.ok, result.check.failures
    assert result.check.engagement.slots_mm == 0.0
    for low, high, near, far, depth in CHANNELS:
        told = [p for p in result.left if near <= p["y"] <= far and low <= p["x"] <= high]
        assert told, result.left
        # what is clear is the channel less the wall allowance
        assert min(p["width"] for p in told) == pytest.approx(far - near - 2 * WALL, abs=0.15)
        assert min(p["z"] for p in told) == pytest.approx(FLOOR - depth, abs=1e-6)


def test_slots_of_each_cutter_are_told_by_its_own_feeds():
    """Two slots, each as fast as its own cutter may; the whole program goes by the first cutter's data."""
    kind, worst = np.array([int(Motion.LINE)] * 2), np.array([180.0, 180.0])

    def facts(mine, feed):
        run = SimpleNamespace(
            worst=np.where(mine, worst, 0.0), worst_at=np.zeros((2, 3)), depth=np.full(2, 4.0),
            cut_length=np.where(mine, 10.0, 0.0), over=(20.0, 20.0, 20.0), histogram=None,
            entry_histogram=None, steps=2,
        )  # fmt: skip
        return SimpleNamespace(
            replay=run, cap=CAP, rise=np.zeros(2), excess=run.worst - CAP, line=lambda m: m + 1,
            body=SimpleNamespace(radius=5.0), job=SimpleNamespace(roughing=SimpleNamespace(slotting=True)),
            program=SimpleNamespace(kind=kind, feed=np.array([80.0, 450.0]), spindle=np.full(2, 4000.0)),
            data=SimpleNamespace(spindle_rpm=4000.0, feed_for=lambda arc, depth: np.full(len(depth), feed)),
        )  # fmt: skip

    each = [facts(np.array([True, False]), 80.0), facts(np.array([False, True]), 450.0)]
    case = SimpleNamespace(
        whole=facts(np.array([True, True]), 80.0), shares=[SimpleNamespace(facts=f) for f in each]
    )
    told = checking._engagement(case)
    assert told.slots_mm == pytest.approx(20.0)
    assert told.over == (0.0, 0.0, 0.0)


def test_with_slotting_they_are_cut_to_the_allowance(plans):
    result = plans[True]
    assert result.check.ok, result.check.failures
    wanted = 0.0
    for a, b, c, d, depth in CHANNELS:
        length = min(b, 60.0) - max(a, 0.0) - (0.0 if a < 0 else 2 * WALL)
        width = d - c - 2 * WALL
        wanted += length * width * (depth - FLOOR)
        if a >= 0:  # a round cutter leaves the corners of a closed channel
            wanted -= (4.0 - np.pi) * (0.5 * DIAMETER) ** 2 * (depth - FLOOR)
    assert result.check.removed_mm3 == pytest.approx(wanted, rel=0.004)
    assert [f["typical_mm"] for f in result.check.leftover.flats if f["z"] < -1] == pytest.approx(
        [FLOOR, FLOOR], abs=0.005
    )


def test_slots_are_straight_shallow_and_fed_as_slots(plans):
    result = plans[True]
    path = result.toolpath
    slot = (path.engagement > CAP + 1.0) & (path.kind == Kind.CUT)
    assert slot.any()
    assert (path.turn[slot] == 0).all()
    heights = np.unique(path.xyz[slot, 2].round(6))
    tops = np.append(heights[1:], 0.0)
    assert (tops - heights).max() <= DIAMETER + 1e-6
    open_channel = heights[heights > FLOOR - 14.0 - 1e-6]
    assert len(open_channel) >= 2  # 13.9 mm are cut in two
    depth = np.interp(path.xyz[slot, 2], heights, tops - heights)
    full = np.asarray(result.data.feed_for(180.0, np.maximum(depth, 1.0)))
    assert (path.feed[slot] <= full * 1.001).all()


def test_slots_are_told_apart(plans):
    engagement = plans[True].check.engagement
    assert engagement.slots_mm > 55.0  # at least the open channel's length
    assert engagement.worst_deg <= CAP + 1.0
    assert engagement.over == (0.0, 0.0, 0.0)
    assert engagement.histogram[170:].sum() > 55.0


def part_of(box_low, box_high, *tools):
    block = trimesh.creation.box(bounds=[box_low, box_high])
    return trimesh.boolean.difference([block, *tools], engine="manifold")


def channel(x0, x1, y0, y1, depth):
    return trimesh.creation.box(bounds=[(x0, y0, -depth), (x1, y1, 1.0)])


def planned(mesh, wall=0.3, **roughing):
    lower, upper = mesh.bounds
    return plan(Job.from_dict({
        "stock": {"min": lower.tolist(), "max": upper.tolist()},
        "cutter": {"diameter": DIAMETER, "corner_radius": 0.0, "flutes": 4, "flute_length": 22.0,
                   "overhang": 40.0},
        "material": {"name": "tool steel, pre-hardened"},
        "machine": {"max_spindle_rpm": 15000.0, "max_feed": 8000.0},
        "roughing": {"level_depth": 14.0, "stair_height": 0.0, "wall_allowance": wall,
                     "floor_allowance": FLOOR, "engagement_deg": CAP, **roughing},
        "cover": {"automatic": False},
    }, mesh=(np.asarray(mesh.vertices), np.asarray(mesh.faces))))  # fmt: skip


def test_an_open_channel_a_hair_wider_than_the_cutter_is_cut_from_end_to_end():
    """With 0.1 mm for the centre a walk has no room to bend; above it stands a wider channel, open too."""
    length, wide, narrow, upper, lower = 34.0, 12.0, 10.7, 7.0, 13.0
    mesh = part_of(
        (30.0, -17.0, -20.0), (62.0, 17.0, 0.0),
        channel(40.0, 40.0 + wide, -18.0, 18.0, upper), channel(41.0, 41.0 + narrow, -18.0, 18.0, lower),
    )  # fmt: skip
    result = planned(mesh, slotting=True)
    assert result.check.ok, result.check.failures
    assert result.left == []
    # the cutter's own width at least, the channels less the wall allowances at most
    below = length * (lower - upper)
    above = length * (upper - FLOOR)
    least = DIAMETER * below + (wide - 0.6) * above
    assert (
        least * 0.995
        < result.check.removed_mm3
        < (narrow - 0.6) * (below + 1e-9) + (wide - 0.6) * (above + length * FLOOR)
    )
    (floor,) = (f for f in result.check.leftover.flats if f["z"] == pytest.approx(-lower))
    assert floor["typical_mm"] == pytest.approx(FLOOR, abs=0.005)
    assert floor["cut_share"] > 0.9


def test_holes_and_channels_that_a_helix_fits_are_cut_without_slotting():
    """Bores from 1.1 D on, common practice, take round holes whole; from one on a channel holds the cap."""
    depth, holes, slot = 6.0, ((12.0, 12.0), (13.0, 40.0)), (12.2, 30.0)
    tools = []
    for wide, x in holes:
        tool = trimesh.creation.cylinder(0.5 * wide, depth + 1.0, sections=256)
        tool.apply_translation((x, 14.0, 0.5 * (1.0 - depth)))
        tools.append(tool)
    tools.append(channel(11.0, 11.0 + slot[1], 30.0, 30.0 + slot[0], depth))
    result = planned(part_of((0.0, 0.0, -10.0), (52.0, 52.0, 0.0), *tools))
    assert result.check.ok, result.check.failures
    wanted = sum(np.pi * (0.5 * wide - 0.3) ** 2 for wide, _ in holes)
    # round corners of the cutter's radius stay in the channel
    wanted += (slot[0] - 0.6) * (slot[1] - 0.6) - (4.0 - np.pi) * (0.5 * DIAMETER) ** 2
    walls = sum(np.pi * wide for wide, _ in holes) + 2.0 * sum(slot)
    cut = result.check.removed_mm3 / (depth - FLOOR)
    # short of it by the film that a wall may keep, and by what is told at the channel's ends
    told = sum(item["area"] for item in result.left)
    assert told < 0.01 * wanted
    assert wanted - 0.03 * walls - told < cut < 1.001 * wanted


def test_an_open_channel_across_the_grid_is_cut_from_end_to_end():
    """Between walls hardly wider than the cutter that no row of nodes follows, a walk gets nowhere."""
    wide, depth = 11.2, 7.0
    tool = trimesh.creation.box(bounds=[(-60.0, -0.5 * wide, -depth), (60.0, 0.5 * wide, 1.0)])
    tool.apply_transform(trimesh.transformations.rotation_matrix(np.radians(33.0), (0, 0, 1)))
    tool.apply_translation((20.0, 20.0, 0.0))
    result = planned(part_of((0.0, 0.0, -12.0), (40.0, 40.0, 0.0), tool), slotting=True)
    assert result.check.ok, result.check.failures
    # in plan a strip through the middle of a square: width times 40 / cos 33
    length = 40.0 / np.cos(np.radians(33.0))
    cut = result.check.removed_mm3 / (depth - FLOOR)
    assert cut > DIAMETER * length
    assert cut < (wide - 0.6) * length * 1.001
    assert sum(item["area"] for item in result.left) < 0.6 * length


def slot(*ends, arc):
    """A piece along a straight line."""
    line = np.array(shapely.segmentize(shapely.LineString(ends), 0.1).coords)
    return Piece(line, np.full(len(line), arc), np.array([[40.0, 0.0], ends[0]]))


def test_a_slot_begins_where_the_cutter_stands_clear():
    """Evened out, the walk before it leaves material where this one was to come straight down."""
    region = Region(shapely.box(0.0, -25.0, 90.0, 25.0), None, 0.5 * DIAMETER, CAP)
    frame, level, d2 = regions.level(region)
    work = Clearing(frame, d2, regions.rules(region))
    before, cap = slot((10.0, 0.0), (40.0, 0.0), arc=np.pi), np.radians(CAP)
    lanes.sweep(work, before.points)
    assert not work.is_clear(np.array([43.0, 3.0]), frame.hd)
    after = slot((43.0, 3.0), (60.0, 3.0), arc=np.pi)
    assert lanes._swept_anew(work, level, after, [before.points], cap)
    assert after.way is None  # up and over to its new start, on the walk before it
    assert shapely.LineString(before.points).distance(shapely.Point(after.points[0])) < 1e-9
    assert np.hypot(*np.diff(after.points, axis=0).T).max() <= 0.1 * DIAMETER
    assert after.slot
    assert after.arcs[1:].max() > cap
    # and what nothing leads to stays, and is not swept
    swept = work.d2.copy()
    assert not lanes._swept_anew(
        work, level, slot((80.0, -20.0), (85.0, -20.0), arc=np.pi), [before.points], cap
    )
    assert (work.d2 == swept).all()


@pytest.mark.parametrize(("below", "told"), [(2.0, True), (8.0, False)])
def test_a_walk_of_a_slot_hardly_within_the_cap_is_told_as_one(below, told):
    """Its steps were not planned for the cap: the arc of a straight film is acos(1 - film / radius)."""
    radius, arc = 0.5 * DIAMETER, np.radians(CAP - below)
    film = radius * (1.0 - np.cos(arc))
    region = Region(shapely.box(0.0, -25.0, 90.0, 25.0), None, radius, CAP)
    frame, level, d2 = regions.level(region)
    work, cap = Clearing(frame, d2, regions.rules(region)), np.radians(CAP)
    before, after = slot((5.0, 0.0), (85.0, 0.0), arc=np.pi), slot((8.0, 0.0), (60.0, -film), arc=arc)
    lanes.sweep(work, before.points)
    after.points = np.concatenate([after.points, slot((60.0, -film), (80.0, -film), arc=arc).points[1:]])
    assert lanes._swept_anew(work, level, after, [before.points], cap)
    assert np.median(after.arcs[-100:]) == pytest.approx(max(arc, cap) if told else arc, abs=np.radians(0.5))
    assert after.slot is told
    assert (after.arcs.max() > cap) is np.bool_(told)


def test_a_slot_under_what_stands_above_its_level_is_cut_in_slices():
    """What a clamp kept from being cut above counts for the depth of a slot, one diameter at most."""
    level, piece = SimpleNamespace(top=-9.0, z=-15.0), slot((0.0, 0.0), (10.0, 0.0), arc=np.pi)
    link = SimpleNamespace(radius=0.5 * DIAMETER)
    piece.slot, above = True, np.zeros(len(piece.points))
    assert Linker._slices(link, piece, level, above) == [(-9.0, -15.0)]
    above[-1] = 12.0
    slices = np.array(Linker._slices(link, piece, level, above))
    assert (slices[:, 0] - slices[:, 1]).max() <= DIAMETER
    assert slices[0, 0] == pytest.approx(-15.0 + 12.0)
    assert slices[-1, 1] == -15.0
    assert (slices[1:, 0] == slices[:-1, 1]).all()


def test_a_slot_close_to_a_wall_is_as_deep_as_the_wall_is_tall():
    """It may take a film from the wall, between the nodes: one diameter deep and its feed count that, too."""
    frame = Frame(0.0, 0.0, 0.5, 81, 61)
    height = np.full((61, 81), -9.0, np.float32)
    height[40:] = 0.0  # a wall from y = 20 on, up to 0
    tall, level = feeds.Tall(frame, None, height), SimpleNamespace(top=-9.0, z=-15.0)
    link = SimpleNamespace(radius=0.5 * DIAMETER, data=SimpleNamespace(engagement_deg=CAP))
    piece = slot((10.0, 20.0 - 0.5 * DIAMETER), (30.0, 20.0 - 0.5 * DIAMETER), arc=np.pi)
    piece.slot, piece.close = True, piece.points[:, 0] > 20.0
    above = Linker._above(link, piece, level, tall)
    assert (above == np.where(piece.close, 15.0, 0.0)).all()
    piece.arcs[:] = np.radians(CAP) - 0.1  # within the cap it is no slot
    assert not Linker._above(link, piece, level, tall).any()


def test_what_slots_have_cut_is_not_listed():
    """The ends of a bent channel that no helix fits are left to slots; each node of free ground was named."""
    bent = shapely.LineString([(-45, -1), (0, 10.5), (45, -1)]).buffer(0.5 * DIAMETER + 0.3, cap_style="flat")
    tool = trimesh.creation.extrude_polygon(bent, 17.0)
    tool.apply_translation((0.0, 0.0, -16.0))
    result = planned(part_of((-40, -30, -24), (40, 30, 0), tool), wall=0.2, slotting=True)
    assert result.check.ok, result.check.failures
    assert result.check.leftover.excess_volume < 1e-3 * result.check.removed_mm3
    assert not [p for p in result.left if p["kind"] == "area"]
