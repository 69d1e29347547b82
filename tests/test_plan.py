"""Whole plans on small parts, judged by the replay of the program's own text."""

import json
import math
import os
import subprocess
import sys

import numpy as np
import parts
import pytest
import trimesh

import zrough
from zrough.errors import PlanError, StockError
from zrough.toolpath import Kind

pytestmark = pytest.mark.compiled


def job(mesh, top=0.0, bottom=None, **tables):
    vertices = mesh[0]
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    raw = {
        "stock": {"min": [*low[:2].tolist(), float(low[2]) if bottom is None else bottom],
                  "max": [*high[:2].tolist(), top]},
        "cutter": {"diameter": 10.0, "corner_radius": 1.0, "flutes": 4, "flute_length": 22.0,
                   "overhang": 40.0},
        "material": {"name": "P", "hardness_hb": 200.0},
        "machine": {"max_spindle_rpm": 12000.0, "max_feed": 8000.0},
        "roughing": {"level_depth": 10.0, "stair_height": 1.5, "engagement_deg": 60.0, "cell": 0.25},
    }  # fmt: skip
    for table, values in tables.items():
        raw[table] = {**raw.get(table, {}), **values}
    return zrough.Job.from_dict(raw, mesh=mesh)


CASES = {
    "pocket": parts.pocket,
    "island pocket": parts.island_pocket,
    "frustum": parts.frustum,
    "dome": parts.dome,
}


@pytest.fixture(scope="module", params=CASES)
def planned(request):
    return zrough.plan(job(CASES[request.param]()))


def test_the_check_passes(planned):
    check = planned.check
    assert check.ok, [f.message for f in check.failures]
    assert check.gouge_mm <= 0.01
    assert check.allowance_mm <= 0.01
    assert check.engagement.worst_deg <= 61.0


def test_floors_are_exact_and_stairs_are_capped(planned):
    left = planned.check.leftover
    cut = [f for f in left.flats if f["cut_share"] > 0.5 and f["z"] < -1e-6]
    assert cut
    assert all(f["typical_mm"] == pytest.approx(0.2, abs=0.005) for f in cut)
    assert left.tallest_stair <= 1.5 + 0.05
    assert left.excess_volume <= 0.005 * planned.check.removed_mm3


def test_no_rapid_below_the_clearance_plane_and_no_plunge(planned):
    path = planned.toolpath
    rapid = path.kind == Kind.RAPID
    assert path.xyz[rapid, 2].min() >= 5.0 - 1e-9
    codes = {f.code for f in planned.check.failures}
    assert not codes & {"plunge", "rapid-low", "rapid-in-material", "ramp-angle"}


def test_every_level_says_why_it_is_there(planned):
    assert all(level.reason for level in planned.levels)
    assert {level.kind for level in planned.levels} <= {"primary", "climb"}


def test_files_are_written(tmp_path):
    plan = zrough.plan(job(parts.pocket(), roughing={"stair_height": 0.0}))
    written = {p.name for p in plan.write(tmp_path)}
    assert {"program.nc", "report.json", "report.html", "leftover.stl"} <= written
    assert json.loads((tmp_path / "report.json").read_text())["levels"]


def test_inch_and_mm_give_the_same_path():
    vertices, faces = parts.pocket()
    metric = zrough.plan(job((vertices, faces), roughing={"stair_height": 0.0}), check=False)
    raw = {
        "units": "inch",
        "stock": {"min": (vertices.min(axis=0) / 25.4).tolist(),
                  "max": (vertices.max(axis=0) / 25.4).tolist()},
        "cutter": {"diameter": 10 / 25.4, "corner_radius": 1 / 25.4, "flutes": 4, "flute_length": 22 / 25.4,
                   "overhang": 40 / 25.4},
        "material": {"name": "P", "hardness_hb": 200.0},
        "machine": {"max_spindle_rpm": 12000.0, "max_feed": 8000 / 25.4},
        "roughing": {"level_depth": 10 / 25.4, "stair_height": 0.0, "engagement_deg": 60.0,
                     "cell": 0.25 / 25.4,
                     "wall_allowance": 0.3 / 25.4, "floor_allowance": 0.2 / 25.4},
    }  # fmt: skip
    inch = zrough.plan(zrough.Job.from_dict(raw, mesh=(vertices, faces)), check=False)
    assert "G20" in inch.nc_text
    assert float(inch.toolpath.lengths().sum()) == pytest.approx(
        float(metric.toolpath.lengths().sum()), rel=0.02
    )


def test_outline_keeps_the_cutter_inside():
    inside = [[[-12.0, -10.0], [12.0, -10.0], [12.0, 10.0], [-12.0, 10.0]]]
    plan = zrough.plan(
        job(parts.pocket(), roughing={"stair_height": 0.0}, regions={"inside": inside}), check=False
    )
    cut = plan.toolpath.xyz[plan.toolpath.kind == Kind.CUT]
    assert np.abs(cut[:, 0]).max() <= 12.01
    assert np.abs(cut[:, 1]).max() <= 10.01


def test_conventional_turns_the_other_way_round():
    def turning(direction):
        plan = zrough.plan(
            job(parts.pocket(), roughing={"stair_height": 0.0, "direction": direction}), check=False
        )
        xy = plan.toolpath.xyz[plan.toolpath.kind == Kind.CUT][:, :2]
        first = xy[: len(xy) // 3]
        turned = np.diff(np.unwrap(np.arctan2(first[:, 1], first[:, 0])))
        return np.sign(turned.sum())

    assert turning("climb") == -turning("conventional") == 1


@pytest.mark.parametrize("margin", [2.0, 4.0])
def test_a_margin_narrower_than_the_radius_is_cut_from_beside_the_stock(margin):
    """No centre over the stock clears the part there; beside it the cutter goes down to the part's bottom."""
    half, deep = 15.0, 12.0
    body = trimesh.creation.box(bounds=[(-half, -half, -deep), (half, half, 0.0)])
    edge = half + margin
    plan = zrough.plan(job((body.vertices, body.faces), stock={"min": [-edge, -edge, -deep],
                                                              "max": [edge, edge, 0.0]}))  # fmt: skip
    assert plan.check.ok, [f.message for f in plan.check.failures]
    assert min(level.z for level in plan.levels) == pytest.approx(-deep)
    grid, heights = plan.check.leftover.grid, plan.check.leftover.heights
    x, y = np.meshgrid(grid.x, grid.y)
    beyond = np.maximum(np.abs(x), np.abs(y)) - half - 0.3  # the wall allowance
    assert (
        heights[(beyond > 1.0 + grid.cell) & (heights > -np.inf)].max() <= -deep + 0.01
    )  # past the corner radius


def test_part_outside_the_stock_is_refused():
    with pytest.raises(StockError, match="sticks"):
        zrough.plan(job(parts.pocket(), stock={"max": [20.0, 30.0, 0.0]}))


def test_cutter_larger_than_every_opening_is_refused():
    with pytest.raises(PlanError, match="smaller cutter"):
        zrough.plan(
            job(parts.pocket(width=12, height=12, radius=3), cutter={"diameter": 16.0, "corner_radius": 0.0})
        )


@pytest.mark.parametrize("draft", [1.0, 7.0])
def test_coarse_cells_show_no_film_that_is_cut_again_and_again(draft):
    """Between nodes 1 mm apart a swept wall seems to stand on; walks took it without end."""
    rough = {"level_depth": 6.0, "stair_height": 1.2, "cell": 1.0}
    plan = zrough.plan(job(parts.drafted_pocket(draft), cutter={"diameter": 12.0}, roughing=rough))
    assert plan.check.ok, [f.message for f in plan.check.failures]
    ground = 58.0 * 50.0 * 12.0  # less what the draft takes; what is cut is known to a few cells' width
    assert 0.7 * ground < plan.check.removed_mm3 < 1.01 * ground
    walls = [v for v in plan.levels if v.kind == "climb"]
    assert all(v.cut_mm < 2.0 * v.wall_mm for v in walls)


def test_no_way_in_is_said():
    with pytest.raises(PlanError, match="nothing to cut"):
        zrough.plan(job(parts.pocket(), entry={"method": "none"}))


_SCRIPT = """
import sys; sys.path.insert(0, {tests!r})
import parts, test_plan, zrough, hashlib
plan = zrough.plan(test_plan.job(parts.island_pocket(), roughing={{"level_depth": 5.0}}), check=False)
print(hashlib.sha256(plan.nc_text.encode()).hexdigest())
"""


def test_one_and_two_threads_give_the_same_bytes():
    script = _SCRIPT.format(tests=os.path.dirname(__file__))
    digests = set()
    for threads in ("1", "2"):
        run = subprocess.run(
            [sys.executable, "-c", script],
            env={**os.environ, "NUMBA_NUM_THREADS": threads},
            capture_output=True,
            text=True,
            check=True,
        )
        digests.add(run.stdout.strip())
    assert len(digests) == 1


def test_helix_stays_within_its_ramp_angle():
    plan = zrough.plan(job(parts.pocket(), entry={"ramp_angle_deg": 1.5}), check=False)
    path = plan.toolpath
    helix = np.flatnonzero(path.kind == Kind.HELIX)
    drop = path.xyz[helix - 1, 2] - path.xyz[helix, 2]
    along = np.sqrt(np.maximum(path.lengths()[helix] ** 2 - drop**2, 1e-12))
    assert np.degrees(np.arctan2(drop, along)).max() <= 1.5 + 1e-6
    assert math.isclose(path.xyz[helix[-1], 2], path.xyz[helix[-2], 2])
