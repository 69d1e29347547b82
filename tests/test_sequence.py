"""Several cutters in one job: less time, no more left, the cap held on the leftover, nothing cut twice."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys

import jsonschema
import numpy as np
import parts
import pytest
import shapely
from scipy.spatial import cKDTree
from shapely.geometry import box
from shapely.geometry.polygon import orient

import zrough
from zrough.arcs import to_chords
from zrough.check import find_faults
from zrough.errors import PlanError
from zrough.grid import Grid
from zrough.leftover import write_map
from zrough.report import json_schema
from zrough.stock import load_leftover
from zrough.toolpath import Kind

pytestmark = pytest.mark.compiled

WALL, FLOOR, DEPTH, CAP = 0.3, 0.2, 7.0, 60.0
WIDE = {
    "number": 1,
    "diameter": 10.0,
    "corner_radius": 0.5,
    "flutes": 4,
    "flute_length": 20.0,
    "overhang": 35.0,
}
FINE = {
    "number": 2,
    "diameter": 4.0,
    "corner_radius": 0.5,
    "flutes": 4,
    "flute_length": 8.0,
    "overhang": 18.0,
}
LOW, HIGH = (-36.0, -20.0), (36.0, 20.0)


def outline():
    """Two pockets with corners of 2.5 mm, joined by a neck 6 mm wide: too tight for a 10 mm cutter."""
    rough = box(-30, -14, -4, 14).union(box(-6, -3, 6, 3)).union(box(4, -14, 30, 14))
    r = 2.5
    return rough.buffer(-r).buffer(2 * r, quad_segs=24).buffer(-r, quad_segs=24)


def mesh():
    m = parts.maker()
    ring = np.array(orient(outline()).exterior.coords)[:-1]
    block = m.rectangle(0, 0, HIGH[0] - LOW[0], HIGH[1] - LOW[1], 0).points
    return m.upright(block, -DEPTH - 5, [m.Region(ring, -DEPTH)])


def job(*cutters, **tables):
    raw = {
        "stock": {"min": [*LOW, -DEPTH - 5], "max": [*HIGH, 0.0]},
        "cutter": list(cutters),
        "material": {"name": "P", "hardness_hb": 200.0},
        "machine": {"max_spindle_rpm": 12000.0, "max_feed": 8000.0},
        "roughing": {"stair_height": 0.0, "engagement_deg": CAP, "wall_allowance": WALL,
                     "floor_allowance": FLOOR, "level_depth": 3.6},
    }  # fmt: skip
    for table, values in tables.items():
        raw[table] = values if table == "stock" else {**raw.get(table, {}), **values}
    return zrough.Job.from_dict(raw, mesh=mesh())


@pytest.fixture(scope="module")
def both():
    return zrough.plan(job(WIDE, FINE))


@pytest.fixture(scope="module")
def fine():
    return zrough.plan(job(FINE))


@pytest.fixture(scope="module")
def wide():
    return zrough.plan(job(WIDE))


def within_reach(radius):
    """Volume that a cutter of this radius can take out of the pocket, mm3 (shapely; no corner radius)."""
    centres = outline().buffer(-WALL - radius, quad_segs=64)
    return centres.buffer(radius, quad_segs=64).area * (DEPTH - FLOOR)


def test_the_check_passes_and_nothing_is_gouged(both):
    check = both.check
    assert check.ok, [f.message for f in check.failures]
    assert check.gouge_mm == 0.0
    assert check.allowance_mm <= 0.01


def test_no_more_is_left_than_by_the_fine_cutter_alone(both, fine):
    whole = within_reach(0.5 * FINE["diameter"])
    assert fine.check.gouge_mm == 0.0
    assert fine.check.removed_mm3 == pytest.approx(whole, rel=0.003)
    assert both.check.removed_mm3 >= fine.check.removed_mm3 - 0.0005 * whole
    assert both.check.removed_mm3 <= 1.001 * whole
    assert both.check.leftover.excess_volume <= fine.check.leftover.excess_volume + 0.0005 * whole


def test_it_takes_less_time(both, fine):
    def moving(check):
        return check.times["cutting"] + check.times["links"]

    assert moving(both.check) < 0.8 * moving(fine.check)


def test_the_program_changes_tools_once_with_speed_and_length(both):
    lines = both.nc_text.splitlines()
    change = lines.index("T2 M6")
    assert lines.index("T1 M6") < change
    assert [line for line in lines if line.endswith("M6")] == ["T1 M6", "T2 M6"]
    after = lines[change + 1 : change + 4]
    assert after[0] == f"S{int(both.stages[1].data.spindle_rpm)} M3"
    assert any(line.startswith("G43 H2 Z") for line in after)
    assert lines[change - 2 : change][0] in {"M9", "M5"}


def test_what_each_cutter_adds_is_told(both):
    sections = both.check.sections
    assert [s.tool for s in sections] == [1, 2]
    assert sum(s.removed_mm3 for s in sections) == pytest.approx(both.check.removed_mm3)
    # of what the wide cutter can reach, its path leaves a little in square corners, its tip a fillet
    assert 0.985 <= sections[0].removed_mm3 / within_reach(5.0) <= 1.001
    told = both.report
    jsonschema.validate(told, json_schema())
    assert [s["removed_mm3"] for s in told["stages"]] == pytest.approx([s.removed_mm3 for s in sections])
    assert {level["cutter"] for level in told["levels"]} == {1, 2}
    assert all(s["time_s"] > 0 for s in told["stages"])


def _walk(path, number, levels, z):
    """Dense centres of one cutter's moves at or below ``z``, in order, and the heading of each."""
    chords = to_chords(path, 0.0005)
    out, heading = [], []
    for k in range(1, len(chords)):
        a, b = chords.xyz[k - 1], chords.xyz[k]
        if chords.level[k] < 0 or levels[chords.level[k]].cutter != number or max(a[2], b[2]) > z + 1e-6:
            continue
        length = float(np.hypot(*(b - a)[:2]))
        if length == 0.0:
            continue
        t = np.arange(1, max(1, int(np.ceil(length / 0.03))) + 1)[:, None] / max(
            1, int(np.ceil(length / 0.03))
        )
        out.append(a[:2] + t * (b - a)[:2])
        heading.append(np.repeat(((b - a)[:2] / length)[None], len(t), axis=0))
    return np.concatenate(out), np.concatenate(heading)


def test_the_second_cutter_keeps_the_cap_on_what_the_first_left(both):
    """Arcs of its circle that no earlier centre has swept, measured from the path alone, without any map.

    The corner radii are alike, so that at its own full radius the first cutter has its own. Two passes may
    each be off by the path's fit, 0.2 of the 0.01 mm tolerance: what stands no thicker between older ones is
    a film. The pass itself counts exactly.
    """
    rng = np.random.default_rng(5)
    film, exact, own = 2 * 0.2 * 0.01, 1e-4, 60
    z = min(level.z for level in both.levels)
    first, _ = _walk(both.toolpath, 0, both.levels, z)
    second, heading = _walk(both.toolpath, 1, both.levels, z)
    radius = 0.5 * FINE["diameter"]
    by_first, by_second = cKDTree(first), cKDTree(second)
    half = np.radians(np.arange(-90, 90.001, 0.25))
    arcs = []
    for k in rng.choice(np.arange(400, len(second)), 1200, replace=False):
        c, h = second[k], heading[k]
        ring = c + radius * np.stack(
            [np.cos(half) * h[0] - np.sin(half) * h[1], np.cos(half) * h[1] + np.sin(half) * h[0]], axis=1
        )
        ring = ring[by_first.query(ring)[0] > 0.5 * WIDE["diameter"] + film]
        near = np.array(by_second.query_ball_point(c, 2 * radius + 0.1))
        near = near[near < k]
        gap = np.hypot(*(ring[:, None] - second[near][None]).transpose(2, 0, 1)) - radius
        bare = (gap > np.where(near >= k - own, exact, film)).all(axis=1)
        arcs.append(0.25 * float(bare.sum()))
    assert np.count_nonzero(np.array(arcs) > 30.0) > 300
    assert max(arcs) <= CAP + 1.0
    assert both.check.sections[1].worst_deg <= CAP + 1.0


def test_the_fine_cutter_goes_only_where_the_wide_one_could_not(both):
    """Cutting moves of the second cutter lie within three of its diameters of corners and neck."""
    r = 0.5 * FINE["diameter"]
    reach = outline().buffer(-WALL - 5.0, quad_segs=64).buffer(5.0, quad_segs=64)
    rest = outline().buffer(-WALL - r).buffer(r).difference(reach.buffer(0.15))
    path = both.toolpath
    cut = path.kind == Kind.CUT
    cut[cut] = [both.levels[k].cutter == 1 for k in path.level[cut]]
    away = shapely.distance(shapely.points(path.xyz[cut, :2]), rest)
    assert away.max() <= 6.0 * r
    assert np.quantile(away, 0.9) <= 2.0 * r


def test_levels_without_work_are_left_out(wide):
    """The same cutter once more finds nothing; the program is that of the first one alone."""
    again = zrough.plan(job(WIDE, {**WIDE, "number": 2, "min_remaining": 0.25}), check=False)
    assert len(again.stages) == 1
    assert any("T2 is left out" in w for w in again.warnings)
    assert again.toolpath.xyz.tobytes() == wide.toolpath.xyz.tobytes()


def test_unknown_tools_are_found(both):
    text = both.nc_text.replace("T2 M6", "T7 M6")
    failures, _ = find_faults(text, both.job, part=both.part, stock=both.stock)
    assert "tool-unknown" in {f.code for f in failures}


@pytest.mark.slow
def test_tools_in_the_wrong_order_are_found(both):
    swapped = both.nc_text.replace("T1 M6", "T9 M6").replace("T2 M6", "T1 M6").replace("T9 M6", "T2 M6")
    failures, _ = find_faults(swapped, both.job, part=both.part, stock=both.stock)
    assert {"gouge", "overload"} <= {f.code for f in failures}


_SCRIPT = """
import sys; sys.path.insert(0, {tests!r})
import test_sequence as t, zrough, hashlib
plan = zrough.plan(t.job(t.WIDE, t.FINE), check=False)
print(hashlib.sha256(plan.nc_text.encode()).hexdigest())
"""


@pytest.mark.slow
def test_one_and_two_threads_give_the_same_bytes(both):
    digests = {hashlib.sha256(both.nc_text.encode()).hexdigest()}
    for threads in ("1", "2"):
        run = subprocess.run(
            [sys.executable, "-c", _SCRIPT.format(tests=os.path.dirname(__file__))],
            env={**os.environ, "NUMBA_NUM_THREADS": threads},
            capture_output=True,
            text=True,
            check=True,
        )
        digests.add(run.stdout.strip())
    assert len(digests) == 1


# -- leftover maps as stock --------------------------------------------------------------------------


@pytest.fixture(scope="module")
def left(wide, tmp_path_factory):
    folder = tmp_path_factory.mktemp("left")
    found = wide.check.leftover
    write_map(folder / "leftover.npz", found.grid, found.heights, -DEPTH - 5, [v.z for v in wide.levels])
    return folder


LEFTOVER = {"kind": "leftover", "file": "leftover.npz"}


def test_the_fine_cutter_takes_a_leftover_file_to_the_end(left, both):
    plan = zrough.plan(job(FINE, stock=LEFTOVER).based_in(left))
    check = plan.check
    assert check.ok, [f.message for f in check.failures]
    rest = both.check.sections[1].removed_mm3
    assert check.removed_mm3 == pytest.approx(rest, rel=0.1)
    assert {round(v.z, 6) for v in plan.levels} <= {round(v.z, 6) for v in both.levels}


def test_a_second_setup_removes_nothing_where_nothing_is_left(tmp_path):
    """A pocket whose corners the cutter can follow: the same job on its own leftover has no work."""
    vertices, faces = parts.pocket(width=44, height=36, depth=6, radius=9, rim=6)
    low, high = vertices.min(axis=0), vertices.max(axis=0)
    raw = {
        "stock": {"min": low.tolist(), "max": [*high[:2].tolist(), 0.0]},
        "cutter": [WIDE],
        "material": {"name": "P", "hardness_hb": 200.0},
        "machine": {"max_spindle_rpm": 12000.0, "max_feed": 8000.0},
        "roughing": {"stair_height": 0.0, "engagement_deg": CAP},
    }  # fmt: skip
    first = zrough.plan(zrough.Job.from_dict(raw, mesh=(vertices, faces)))
    first.write(tmp_path)
    again = zrough.Job.from_dict({**raw, "stock": LEFTOVER}, base_dir=tmp_path, mesh=(vertices, faces))
    with pytest.raises(PlanError, match="nothing to cut"):
        zrough.plan(again)


def test_a_leftover_file_tells_the_heights_it_was_cut_at(left, wide):
    _, _, notes = load_leftover(left / "leftover.npz")
    assert notes["levels"] == sorted({v.z for v in wide.levels}, reverse=True)


def test_a_map_in_memory_needs_no_bottom():
    """Heights of a plain block as a map: planned down to the pocket's floor, never below the part."""
    grid = Grid.covering(LOW, HIGH, 0.5)
    twin = job(WIDE).with_stock_map(grid, np.zeros(grid.shape))
    plan = zrough.plan(twin, check=False)
    assert plan.stock.lower[2] == pytest.approx(-DEPTH - 5)
    assert min(v.z for v in plan.levels) == pytest.approx(-DEPTH + FLOOR)
