"""Links, lifts and entries of whole programs on small parts, measured on the moves themselves.

What was cleared before a move is taken from the moves before it alone: every node under the cutter has to lie
within a radius of an earlier centre at or below the move's height, or outside the stock.
"""

from __future__ import annotations

import math
import re
from types import SimpleNamespace

import numpy as np
import parts
import pytest
import trimesh
from scipy.spatial import cKDTree

import zrough
from zrough.links import Linker
from zrough.toolpath import Kind

pytestmark = pytest.mark.compiled

R = 5.0
CLEARANCE = 5.0  # mm over the stock's top, the default plane
RAMP_DEG = 2.0
GRAZE = 0.05  # of the radius: what a link may brush at the edge of the cutter


def job(mesh, low, high, **tables):
    raw = {
        "stock": {"min": list(low), "max": list(high)},
        "cutter": {"diameter": 2 * R, "flutes": 4, "flute_length": 22.0, "overhang": 40.0},
        "material": {"name": "P"},
        "machine": {"max_spindle_rpm": 12000.0, "max_feed": 8000.0},
        "roughing": {"level_depth": 8.0, "stair_height": 2.0, "engagement_deg": 60.0, "cell": 0.25},
        "entry": {"ramp_angle_deg": RAMP_DEG},
    }
    for table, values in tables.items():
        raw[table] = {**raw.get(table, {}), **values}
    return zrough.Job.from_dict(raw, mesh=mesh)


def step_plate():
    """A plate whose left half is 9 mm lower, open on three sides."""
    low = trimesh.creation.box(bounds=[(-30, -20, -20), (30, 20, -9)])
    high = trimesh.creation.box(bounds=[(0, -20, -20), (30, 20, 0)])
    both = trimesh.boolean.union([low, high], engine="manifold")
    return np.asarray(both.vertices), np.asarray(both.faces)


CASES = {
    "pocket": (parts.pocket, (-45, -35, -15), (45, 35, 0)),
    "island pocket": (parts.island_pocket, (-55, -45, -17), (55, 45, 0)),
    "frustum": (parts.frustum, (-40, -40, -30), (40, 40, 0)),
    "dome": (parts.dome, (-40, -40, -30), (40, 40, 0)),
    "step plate": (step_plate, (-30, -20, -20), (30, 20, 0)),
    "lower block": (lambda: parts.box((-20, -15, -20), (20, 15, -6)), (-30, -20, -20), (30, 20, 0)),
}


@pytest.fixture(scope="module", params=CASES)
def planned(request):
    make, low, high = CASES[request.param]
    return zrough.plan(job(make(), low, high)), low, high


def samples(path, pitch=0.1):
    """Centres along every move, (n, 3), and the move of each."""
    points, owner = [path.xyz[:1]], [np.zeros(1, int)]
    for k, length in enumerate(path.lengths()):
        if k == 0:
            continue
        n = max(1, math.ceil(length / pitch))
        t = np.arange(1, n + 1)[:, None] / n
        a, b = path.xyz[k - 1], path.xyz[k]
        at = a + t * (b - a)
        if path.turn[k]:
            c = path.centre[k]
            start = math.atan2(*(a[:2] - c)[::-1])
            sweep = (path.turn[k] * (math.atan2(*(b[:2] - c)[::-1]) - start)) % (2 * math.pi) or 2 * math.pi
            angle = start + path.turn[k] * sweep * t[:, 0]
            at[:, :2] = c + math.hypot(*(a[:2] - c)) * np.stack([np.cos(angle), np.sin(angle)], axis=1)
        points.append(at)
        owner.append(np.full(n, k))
    return np.concatenate(points), np.concatenate(owner)


def disc(radius, pitch=0.5):
    x = np.arange(-radius, radius + pitch, pitch)
    nodes = np.stack(np.meshgrid(x, x), axis=-1).reshape(-1, 2)
    return nodes[np.hypot(*nodes.T) <= radius]


def standing(points, owner, wanted, low, high):
    """Largest share of the cutter's disc (less a graze) in uncleared stock over the sample points wanted."""
    under = disc((1 - GRAZE) * R)
    worst = 0.0
    for z in np.unique(np.round(points[wanted, 2], 6)):
        deep = np.flatnonzero(points[:, 2] <= z + 1e-6)
        for k in wanted[np.abs(points[wanted, 2] - z) < 1e-6]:
            nodes = under + points[k, :2]
            inside = (nodes > low[:2]).all(axis=1) & (nodes < high[:2]).all(axis=1)
            before = deep[(owner[deep] < owner[k])]
            near = before[np.abs(points[before, :2] - points[k, :2]).max(axis=1) < 2 * R]
            if not inside.any():
                continue
            if not len(near):
                return 1.0
            away, _ = cKDTree(points[near, :2]).query(nodes[inside])
            worst = max(worst, float((away > R + 1e-3).sum()) / len(under))
    return worst


def test_links_stay_over_cleared_ground(planned):
    plan, low, high = planned
    points, owner = samples(plan.toolpath)
    kind = plan.toolpath.kind[owner]
    wanted = np.flatnonzero((kind == Kind.LINK) & (points[:, 2] < high[2] - 1e-6))[::12]
    assert standing(points, owner, wanted, low, high) == 0.0


def test_drops_end_in_air_or_on_cleared_ground(planned):
    plan, low, high = planned
    path = plan.toolpath
    points, owner = samples(path)
    last = np.flatnonzero(np.diff(owner, append=len(path)) > 0)  # the last sample of each move
    wanted = last[(path.kind[owner[last]] == Kind.DROP) & (points[last, 2] < high[2] - 1e-6)]
    assert standing(points, owner, wanted, low, high) == 0.0


def test_straight_down_is_always_a_drop_and_cutting_is_level(planned):
    path = planned[0].toolpath
    rise = np.diff(path.xyz[:, 2], prepend=path.xyz[0, 2])
    plan_run = np.sqrt(np.maximum(0.0, path.lengths() ** 2 - rise**2))
    down = (rise < -1e-6) & (plan_run < 1e-6)
    assert set(path.kind[down].tolist()) <= {int(Kind.DROP), int(Kind.RAPID)}
    assert np.abs(rise[path.kind == Kind.CUT]).max() < 1e-9
    entry = (path.kind == Kind.HELIX) | (path.kind == Kind.RAMP)
    if entry.any():
        slope = np.degrees(np.arctan2(-rise[entry], plan_run[entry]))
        assert slope.max() <= RAMP_DEG + 1e-6


def test_no_rapid_below_the_clearance_plane_in_the_text(planned):
    """Read from the text with a reader of a few lines: modal G and Z words."""
    plan, _, high = planned
    motion, z, lowest = 0, math.inf, math.inf
    for line in plan.nc_text.splitlines():
        code = re.sub(r"\(.*?\)", "", line)
        for word in re.findall(r"G0*([0-3])(?![0-9.])", code):
            motion = int(word)
        moved = re.search(r"Z(-?[0-9.]+)", code)
        if moved:
            z = float(moved.group(1))
        if motion == 0 and re.search(r"[XYZ]-?[0-9.]", code) and math.isfinite(z):
            lowest = min(lowest, z)
    assert lowest == pytest.approx(high[2] + CLEARANCE, abs=1e-3)


def test_the_replay_agrees(planned):
    check = planned[0].check
    assert check.ok, [f.message for f in check.failures]
    assert check.steepest_deg <= RAMP_DEG + 0.05
    assert check.gouge_mm <= 0.01
    assert check.engagement.worst_deg <= 61.0
    top = planned[2][2]
    cut = [f for f in check.leftover.flats if f["cut_share"] > 0.5 and f["z"] < top - 1e-6]
    assert cut
    assert all(f["typical_mm"] == pytest.approx(0.2, abs=0.005) for f in cut)


@pytest.mark.parametrize("name", ["lower block", "step plate", "frustum"])
def test_open_sides_are_entered_from_outside(name):
    """No helix, and the first way down is beside the stock."""
    make, low, high = CASES[name]
    path = zrough.plan(job(make(), low, high), check=False).toolpath
    assert not np.isin(path.kind, [Kind.HELIX, Kind.RAMP]).any()
    drops = np.flatnonzero(path.kind == Kind.DROP)
    first = path.xyz[drops[0], :2]
    beside = np.maximum(0.0, np.maximum(np.array(low[:2]) - first, first - np.array(high[:2])))
    assert math.hypot(*beside) >= R


def test_without_staying_down_every_link_goes_over_the_top():
    make, low, high = CASES["pocket"]
    fast = zrough.plan(job(make(), low, high, roughing={"stair_height": 0.0}), check=False).toolpath
    high_up = zrough.plan(
        job(make(), low, high, roughing={"stair_height": 0.0}, links={"stay_down": False}), check=False
    ).toolpath
    assert (high_up.kind == Kind.LIFT).sum() > 5 * (fast.kind == Kind.LIFT).sum()
    assert (fast.kind == Kind.LIFT).sum() < 1.5 * 2 + 1  # lifts out of a closed pocket over its levels


def test_clearance_and_lift_of_the_job_are_taken():
    make, low, high = CASES["island pocket"]
    plan = zrough.plan(
        job(make(), low, high, roughing={"stair_height": 0.0}, links={"clearance": 25.0, "lift": 0.7}),
        check=False,
    )
    path = plan.toolpath
    assert path.xyz[path.kind == Kind.RAPID, 2].min() == pytest.approx(25.0)
    links = path.xyz[path.kind == Kind.LINK, 2]
    depths = np.array([level.z for level in plan.levels])
    over = links[:, None] - depths
    low_links = np.where((over > 1e-6) & (over < 0.75), over, np.nan)
    assert np.nanmax(low_links) == pytest.approx(0.7, abs=1e-6)


@pytest.mark.parametrize(("begins", "kept"), [([1.0, 2.0], True), ([1.0, 2.1], False)])
def test_a_way_planned_from_elsewhere_is_not_gone(begins, kept):
    """Straight from where the cutter stands to its second point it might lead through anything."""
    linker = SimpleNamespace(
        track=SimpleNamespace(position=np.array([1.0, 2.0, -5.0])),
        ways=SimpleNamespace(stay_down=True),
        radius=5.0,
    )
    piece = SimpleNamespace(way=np.array([begins, [4.0, 2.0]]), points=np.array([[4.0, 2.0]]))
    assert Linker._stay(linker, piece, SimpleNamespace(z=-5.0)) is kept
