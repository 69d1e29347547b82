"""Options that are harmless one by one: their plans must hold what the check asks, together as well.

The judge is the replay, which shares no code with the planner.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import trimesh

from zrough.arcs import closeness, to_chords
from zrough.cutting import propose
from zrough.errors import PlanError
from zrough.job import Job
from zrough.links import Ways
from zrough.plan import _rules as rules
from zrough.plan import plan
from zrough.toolpath import Kind, Toolpath

pytestmark = pytest.mark.compiled

DIAMETER, CAP = 10.0, 60.0


def box(low, high):
    return trimesh.creation.box(bounds=[low, high])


def sides(mesh):
    return np.asarray(mesh.vertices), np.asarray(mesh.faces)


def planned(mesh, **tables):
    lower, upper = mesh.bounds
    stock = {"min": lower.tolist(), "max": upper.tolist()}
    return plan(Job.from_dict(table_of(**({"stock": stock} | tables)), mesh=sides(mesh)))


def table_of(**tables):
    job = {
        "cutter": {"diameter": DIAMETER, "corner_radius": 0.0, "flutes": 4, "flute_length": 22.0,
                   "overhang": 40.0},
        "material": {"name": "tool steel, pre-hardened"},
        "machine": {"max_spindle_rpm": 15000.0, "max_feed": 8000.0},
        "cover": {"automatic": False},
    }  # fmt: skip
    roughing = {"level_depth": 14.0, "stair_height": 0.0, "wall_allowance": 0.2, "floor_allowance": 0.1,
                "engagement_deg": CAP}  # fmt: skip
    for name, table in tables.items():
        if name == "roughing":
            roughing |= table
        elif not isinstance(table, dict):
            job[name] = table
        else:
            job[name] = job.get(name, {}) | table
    return job | {"roughing": roughing}


def test_a_shallow_helix_without_arcs_is_no_level_cut():
    """At 1 degree a chord of 0.2 mm would fall 3.5 um, which reads as a slot on the level."""
    block = trimesh.boolean.difference(
        [box((0, 0, -12), (40, 36, 0)), box((8, 8, -8), (32, 28, 1))], engine="manifold"
    )
    made = planned(block, output={"arcs": False}, entry={"ramp_angle_deg": 1.0})
    assert made.check.ok, [f.message for f in made.check.failures][:3]


def test_short_bends_without_arcs_hold_the_cap_at_a_large_tolerance():
    block = trimesh.boolean.difference(
        [box((0, 0, -12), (60, 40, 0)), box((-1, 14, -8), (61, 26, 1))], engine="manifold"
    )
    made = planned(block, output={"arcs": False}, roughing={"tolerance": 0.03})
    assert made.check.ok, [f.message for f in made.check.failures][:3]


def test_what_chords_turn_aside_comes_off_the_cap():
    """A step of a bend's chord differs in direction from the arc, and the arc in material turns with it.

    On a part with many bends of a third of a millimetre the cap was passed by 1.9 degrees, with arcs by 0.8.
    """
    x, y = 0.3 * np.cos(q := np.linspace(0.0, 1.5, 2)), 0.3 * np.sin(q)
    bend = Toolpath(
        np.stack([x, y, 0.0 * x], axis=1), np.full(2, Kind.CUT, np.uint8), np.full(2, 500.0),
        np.array([0, 1], np.int8), np.zeros((2, 2)), np.zeros(2, np.int32), np.zeros(2, np.float32),
    )  # fmt: skip
    chords = to_chords(bend, closeness(0.01)).xyz[:, :2]
    at = np.arctan2(*chords.T[::-1])
    heading = np.arctan2(*np.diff(chords, axis=0).T[::-1])
    aside = np.abs(heading - 0.5 * np.pi - at[:-1]).max()
    assert len(chords) > 10
    margins = []
    for arcs in (True, False):
        job = Job.from_dict(table_of(output={"arcs": arcs}), mesh=sides(box((0, 0, -12), (40, 36, 0))))
        margins.append(rules(job, job.cutter, 0.1, propose(job, job.cutter)).margin)
    assert margins[1] - margins[0] >= aside > 0.015


def test_places_rounded_too_far_are_refused():
    """0.0005 inch is 12.7 um: arcs in material passed the cap by 13 degrees."""
    block = box((0, 0, -1), (2, 2, 0))
    with pytest.raises(
        PlanError, match=r"output\.decimals = 3 .* 0\.013 mm off, limit 0\.002 mm; use 4 or more"
    ):
        planned(
            block, units="inch", output={"decimals": 3}, cutter={"diameter": 0.4, "flute_length": 0.8},
            roughing={"level_depth": 0.4, "wall_allowance": 0.0, "floor_allowance": 0.0},
        )  # fmt: skip


def test_ground_beside_a_clamp_is_cut_as_clean_as_along_a_wall():
    """Films left there stood in the way of the shank below: 480 mm2 were given up for them."""
    mesh = trimesh.boolean.union(
        [box((0, 0, -26), (50, 40, -24)), box((30, 20, -25), (40, 30, -1))], engine="manifold"
    )
    made = planned(
        mesh, keepout=[{"min": [3.6, -8.0, -20.0], "max": [13.2, 13.5, 10.0]}],
        cutter={"flute_length": 10.0}, roughing={"level_depth": 8.0},
    )  # fmt: skip
    assert made.check.ok, [f.message for f in made.check.failures][:3]
    assert not made.left


def test_a_stock_rounded_up_is_not_skimmed():
    """A block given in inches with five decimals stands up to 0.13 um over the part: no level takes that."""
    block = trimesh.boolean.difference(
        [box((0, 0, -12), (40, 36, 0)), box((8, 8, -8), (32, 28, 1))], engine="manifold"
    )
    made = planned(block, stock={"min": [0.0, 0.0, -12.0], "max": [40.0, 36.0, 1e-4]},
                   roughing={"floor_allowance": 0.0})  # fmt: skip
    assert [level.z for level in made.levels] == pytest.approx([-8.0])
    assert made.check.ok, [f.message for f in made.check.failures][:3]


def test_few_decimals_leave_the_cap_room_for_the_turn_of_a_short_move():
    """Both ends of a move half a step long, 1/80 radius, rounded: 2.54 um in 62.5 um are 2.3 degrees."""

    def margin(digits):
        inch = {"diameter": DIAMETER / 25.4, "flute_length": 0.9, "overhang": 1.6}
        table = table_of(units="inch", cutter=inch, output={"decimals": digits})
        table["roughing"] = {"engagement_deg": CAP}
        job = Job.from_dict(table | {"stock": {"min": [0, 0, -1], "max": [2, 2, 0]}})
        return np.degrees(rules(job, job.cutter, 0.2, propose(job, job.cutter)).margin)

    assert margin(6) == margin(5)  # turns of a tenth are within the half degree kept anyway
    turned = np.degrees(0.7 * 0.00254 / 0.0625)
    assert turned - 0.5 <= margin(4) - margin(5) <= turned


@pytest.mark.parametrize(("radius", "unit"), [(0.22, 1e-4), (0.5, 2.54e-4), (3.0, 1e-4)])
def test_no_chord_of_a_helix_is_steeper_than_the_ramp_though_its_heights_are_rounded(radius, unit):
    """Chords of a whole turn are 2 r sin(pi / n) long, at least twelve, or as many as fall 0.01 mm each."""
    ramp = np.radians(2.5)
    plain = {"clearance": 5.0, "lift": 0.25, "link_feed": 8e3, "rapid": 2e4, "ramp": ramp,
             "tolerance": 0.01, "min_length": 0.1, "acceleration": 2e3, "unit": unit}  # fmt: skip
    fall = Ways(**plain).turn_fall(radius)
    assert (fall + unit) / (np.pi * radius) <= np.tan(ramp) * (1 + 1e-9)
    fall = Ways(**plain, chords=True).turn_fall(radius)
    chords = max(12, int(2 * fall / 0.01))
    steepest = (2 * fall / chords + unit) / (2 * radius * np.sin(np.pi / chords))
    assert 0.9 * np.tan(ramp) <= steepest <= np.tan(ramp) * (1 + 1e-9)


@pytest.mark.parametrize(("ramp_deg", "unit"), [(2.0, 1e-3), (1.0, 1e-4), (4.0, 2.54e-4)])
def test_chords_of_the_narrowest_helix_fall_by_more_than_a_film(ramp_deg, unit):
    """12 chords a turn, heights rounded: one that falls 5 um or less reads as a slot on a level."""
    ways = Ways(5.0, 0.25, 8e3, 2e4, np.radians(ramp_deg), 0.01, 0.1, 2e3, unit=unit, chords=True)
    radius = ways.narrowest
    for start in np.linspace(0.0, 0.01, 23):
        z = np.round((start - np.arange(73) * ways.turn_fall(radius) / 6) / unit) * unit
        falls = -np.diff(z)
        assert falls.min() > 0.005 + 1e-9
        assert falls.max() <= np.tan(np.radians(ramp_deg)) * 2 * radius * np.sin(np.pi / 12) + 1e-9
    assert Ways(5.0, 0.25, 8e3, 2e4, np.radians(ramp_deg), 0.01, 0.1, 2e3, unit=unit).narrowest == 0.0


@pytest.mark.parametrize("ramp_deg", [1.0, 2.0])
def test_a_helix_in_chords_runs_over_its_own_floor_first(ramp_deg):
    """Twelve chords of a helix of 0.6 mm lie up to 0.02 mm inside it: a whole circle after them would be a
    slot of its own beside the floor that they left."""
    block = trimesh.boolean.difference(
        [box((0, 0, -12), (60, 30, 0)), box((10, 10, -8), (50, 21.7, 1))], engine="manifold"
    )
    tables = {"entry": {"ramp_angle_deg": ramp_deg}, "roughing": {"engagement_deg": 90.0}}
    made = planned(block, **tables, output={"arcs": False})
    assert made.check.ok, [f.message for f in made.check.failures][:3]
    path = to_chords(made.toolpath, closeness(0.01))
    mine = np.flatnonzero(path.kind == Kind.HELIX)
    xyz = path.xyz[mine[: 1 + np.argmax(np.append(np.diff(mine), 2) > 1)]]
    falls = -np.diff(np.round(xyz[:, 2], 4))
    deep = xyz[:, 2] == xyz[-1, 2]
    assert falls[falls > 1e-6].min() > 0.005
    turn = shapely.LineString(xyz[~deep][-12:, :2].tolist() + xyz[deep][:1, :2].tolist())
    level = shapely.points(xyz[deep][:13, :2])
    assert shapely.distance(level, turn).max() < 0.001
    assert deep.sum() > 13  # and then round the whole bore


def test_coarse_cells_keep_the_allowance_round_a_corner():
    """Round a corner the boundary is an arc, from which room is not linear between nodes 1 mm apart.

    How near the tip comes is asked of shapely, along the program's own moves.
    """
    post = ((-6.0, -5.0, -8.0), (7.0, 6.0, 0.0))
    block = trimesh.boolean.union([box((-22, -20, -12), (22, 20, -8)), box(*post)], engine="manifold")
    made = planned(block, stock={"min": [-22, -20, -12], "max": [22, 20, 0]}, roughing={"cell": 1.0})
    path = made.toolpath
    chords = to_chords(path, 1e-4)
    ends = chords.xyz
    level = (ends[1:, 2] < -1.0) & (ends[:-1, 2] < -1.0)
    moves = shapely.linestrings(np.stack([ends[:-1, :2][level], ends[1:, :2][level]], axis=1))
    away = shapely.distance(moves, shapely.box(*post[0][:2], *post[1][:2])).min()
    assert 0.5 * DIAMETER + 0.2 - 0.01 < away < 0.5 * DIAMETER + 0.26
    assert made.check.ok, [f.message for f in made.check.failures][:3]
