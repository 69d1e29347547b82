"""Channels hardly wider than a cutter: how fast it clears them, and who does when a finer one comes later."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import parts
import pytest
import shapely
from shapely.geometry import box

import zrough
from zrough import channels, cutting
from zrough.grid import Grid
from zrough.regions import Space
from zrough.surface import Rings
from zrough.timing import move_times
from zrough.toolpath import Kind

WALL, DEPTH, CAP = 0.3, 6.0, 55.0
WIDE = {
    "number": 1, "diameter": 20.0, "corner_radius": 0.5, "flutes": 4, "flute_length": 30.0, "overhang": 45.0,
}  # fmt: skip
FINE = {**WIDE, "number": 2, "diameter": 10.0, "flute_length": 12.0, "overhang": 30.0}
LONG = 60.0


def job(room, *cutters, **tables):
    """A block with one channel from end to end that leaves ``room`` mm to the centre of the wide cutter."""
    m = parts.maker()
    width = WIDE["diameter"] + 2 * WALL + room
    block = m.rectangle(0, 0, LONG, width + 20, 0).points
    mesh = m.upright(block, -DEPTH - 6, [m.Region(m.rectangle(0, 0, LONG, width, 0).points, -DEPTH)])
    half = 0.5 * width + 10
    raw = {
        "stock": {"min": [-0.5 * LONG, -half, -DEPTH - 6], "max": [0.5 * LONG, half, 0.0]},
        "cutter": list(cutters),
        "material": {"name": "1.1730"},
        "machine": {"max_spindle_rpm": 15000.0, "max_feed": 12000.0},
        "roughing": {"stair_height": 0.0, "engagement_deg": CAP, "wall_allowance": WALL, "level_depth": 12.0},
        **tables,
    }
    return zrough.Job.from_dict(raw, mesh=mesh)


def seconds(plan):
    return float(move_times(plan.toolpath, plan.job.machine).sum())


# -- the law of equal loops --------------------------------------------------------------------------


@pytest.mark.parametrize("room", [1.0, 4.0, 20.0])
@pytest.mark.parametrize("cap", [40.0, 60.0, 90.0])
def test_loops_an_advance_apart_meet_the_cap_and_not_more(room, cap):
    """The arc of the cutter's rim that neither the loop before nor this one has swept yet, at its worst."""
    radius, loop = 10.0, 0.5 * room
    step = channels.advance(radius, room, math.radians(cap))
    t = np.radians(np.arange(0.0, 360.0, 0.25))
    rim = radius * np.stack([np.cos(t), np.sin(t)], axis=1)
    turns = np.radians(np.arange(-180.0, 90.0, 1.0))
    centres = np.stack([step + loop * np.cos(turns), loop * np.sin(turns)], axis=1)
    worst = 0.0
    for k in range(90, len(turns), 3):
        p = centres[k] + rim
        bare = np.hypot(*p.T) > radius + loop  # loops no wider than the cutter leave no core
        gap = np.hypot(*(p[bare][:, None] - centres[:k][None]).transpose(2, 0, 1))
        worst = max(worst, 0.25 * float(np.count_nonzero(gap.min(axis=1) > radius)))
    assert worst == pytest.approx(cap, abs=1.5)


def test_with_room_enough_a_channel_is_a_straight_front():
    """Radial width of a straight front, r (1 - cos phi)."""
    wide = channels.advance(10.0, 1e6, math.radians(60.0))
    assert wide == pytest.approx(5.0, rel=1e-4)


# -- where channels are ------------------------------------------------------------------------------


class Flat:
    """A space with one height: ``outline`` is where the centre may be."""

    def __init__(self, outline, cell, radius):
        x0, y0, x1, y1 = outline.bounds
        self.grid = Grid.covering((x0, y0), (x1, y1), cell, 3 * cell)
        self.radius, self.outline, self.at_level = radius, outline, {}
        ring = np.array(shapely.geometry.polygon.orient(outline).exterior.coords)[:-1]
        self._rings = Rings(np.ascontiguousarray(ring), np.array([0, len(ring)], np.int64))

    bound, close = Space.bound, Space.close

    def mask(self, z):
        x, y = np.meshgrid(self.grid.x, self.grid.y)
        return shapely.contains_xy(self.outline, x, y)

    def rings(self, z):
        return self._rings


@pytest.mark.parametrize("turn", [0.0, 33.0])
def test_channels_are_what_an_opening_takes_off_but_no_corners(turn):
    """Two fields joined by a channel 2 mm wide, against shapely's opening; square corners stay."""
    rough = box(-30, -10, -12, 10).union(box(-13, -1, 13, 1)).union(box(12, -10, 30, 10))
    outline = shapely.affinity.rotate(rough, turn, origin=(0, 0))
    space = Flat(outline, 0.2, 5.0)
    found = channels.channels(space, 0.0, 3.0)
    opened = outline.buffer(-1.5).buffer(1.5, quad_segs=32)
    neck = max(outline.difference(opened).geoms, key=lambda g: g.area)
    x, y = np.meshgrid(space.grid.x, space.grid.y)
    sure = shapely.contains_xy(neck.buffer(-0.3), x, y)
    far = ~shapely.contains_xy(neck.buffer(0.3), x, y)
    assert sure.sum() > 500
    assert found[sure].all()
    assert not found[far].any()


def test_wide_enough_or_too_short_is_no_channel():
    rough = box(-30, -10, -2, 10).union(box(-3, -1, 3, 1)).union(box(2, -10, 30, 10))
    assert not channels.channels(Flat(rough, 0.2, 5.0), 0.0, 3.0).any()  # 4 mm long
    long = box(-30, -10, -12, 10).union(box(-13, -1, 13, 1)).union(box(12, -10, 30, 10))
    assert not channels.channels(Flat(long, 0.2, 5.0), 0.0, 1.5).any()


def test_ground_that_is_all_channel():
    assert channels.channels(Flat(box(-20, -1, 20, 1), 0.2, 5.0), 0.0, 3.0).sum() > 1000


class Stepped(Flat):
    """The same with another outline below z = -3."""

    def __init__(self, upper, lower, cell, radius):
        super().__init__(upper, cell, radius)
        self.lower = Flat(lower, cell, radius)
        self.lower.grid = self.grid
        self.stock = SimpleNamespace(upper=np.zeros(3))

    def mask(self, z):
        return super().mask(z) if z > -3.0 else self.lower.mask(z)

    def rings(self, z):
        return super().rings(z) if z > -3.0 else self.lower.rings(z)


def leave(space, task, heights):
    levels = [SimpleNamespace(z=z, top=0.0) for z in heights]
    data = cutting.propose(task, task.cutters[0])
    channels.leave(task, task.cutters[0], space, data, levels)


def test_what_is_closed_stays_closed_below():
    """A channel that is short lower down: nothing is cut there under what was left standing."""
    field = box(-60, -15, -20, 15)
    upper = field.union(box(-21, -0.5, 20, 0.5))
    space = Stepped(upper, field.union(box(-21, -0.5, -15, 0.5)), 0.25, 10.0)
    leave(space, job(1.0, WIDE, FINE), [-2.0, -5.0])
    closed = space.bound(-2.0) < 0.0
    assert closed.sum() > 400
    assert (space.bound(-5.0)[closed] < 0.0).all()
    assert not closed[shapely.contains_xy(field, *np.meshgrid(space.grid.x, space.grid.y))].any()


@pytest.mark.parametrize(
    ("second", "tables"),
    [
        ({"flute_length": 4.0}, {}),  # too short for the channel
        ({"diameter": 20.0}, {}),  # no finer
        ({}, {"keepout": [{"min": [-1.0, -30.0, 0.0], "max": [1.0, -28.0, 2.0]}]}),
        ({}, {"regions": {"outside": [[[-5.0, -5.0], [5.0, -5.0], [5.0, 5.0]]]}}),
    ],
)
def test_nothing_is_left_to_a_cutter_that_may_not_reach_it(second, tables):
    space = Stepped(*[box(-20, -0.5, 20, 0.5)] * 2, 0.25, 10.0)
    leave(space, job(1.0, WIDE, {**FINE, **second}, **tables), [-2.0, -5.0])
    assert not space.at_level
    leave(space, job(1.0, WIDE, FINE), [-2.0, -5.0])
    assert set(space.at_level) == {-2.0, -5.0}


# -- whole plans -------------------------------------------------------------------------------------


@pytest.mark.compiled
@pytest.mark.parametrize("room", [2.0, 4.0, 12.0])
def test_the_rate_is_that_of_whole_plans(room):
    """By the time model; an estimate that decides at a factor of 1.2, with a quarter of play."""
    plan = zrough.plan(job(room, WIDE), check=False)
    level = plan.levels[0]
    told = channels.rate(plan.data, 10.0, room, DEPTH, plan.job.machine.acceleration)
    assert told == pytest.approx(level.area_mm2 / level.time_s, rel=0.25)


@pytest.mark.compiled
def test_the_finer_cutter_takes_the_channel_and_is_sooner_done(monkeypatch):
    slow = {"max_spindle_rpm": 15000.0, "max_feed": 12000.0, "acceleration": 500.0}  # ways back cost more
    task = job(2.0, WIDE, FINE, machine=slow)
    shared = zrough.plan(task)
    assert shared.check.ok, [f.message for f in shared.check.failures]
    path = shared.toolpath
    cuts = (path.kind == Kind.CUT) & (path.engagement > 0)
    number = np.array([level.cutter for level in shared.levels])[path.level]
    inside = cuts & (np.abs(path.xyz[:, 0]) < 0.5 * LONG - 5.0)
    assert not (inside & (number == 0)).any()
    assert (inside & (number == 1)).sum() > 100
    alone = zrough.plan(job(2.0, {**FINE, "number": 1}, machine=slow))
    assert shared.check.leftover.excess_volume <= alone.check.leftover.excess_volume + 1.0
    monkeypatch.setattr(channels, "leave", lambda *args: None)
    apart = zrough.plan(task, check=False)
    assert seconds(shared) < 0.8 * seconds(apart)
