"""Feeds along walks: chips near their target, limits kept, depths told from what upper levels left."""

import math
import re
import tomllib

import numpy as np
import parts
import pytest

import zrough
from zrough import cutting, feeds, links
from zrough.cutting.proposal import Conditions
from zrough.levels import Level
from zrough.overhead import Overhead
from zrough.pieces import Entry, Frame, Piece
from zrough.toolpath import Kind


class Cutter:
    """A 12 mm end mill, four flutes."""

    diameter, flutes, corner_radius, flute_length, overhang = 12.0, 4, 0.5, 26.0, 42.0
    shank_diameter = neck_diameter = neck_length = coating = None
    helix_deg, uncut_diameter, centre_cutting = 38.0, 0.0, True


STEEL = cutting.find_material("tool steel, pre-hardened")


def proposal(**wish):
    given = {"max_spindle_rpm": 40000.0, "max_feed": 60000.0, "engagement_deg": 50.0, "level_depth": 12.0}
    return cutting.propose_for(Cutter(), STEEL, Conditions(**{**given, **wish}))


def walk(n=4000, seed=3):
    """Arcs of a walk, degrees: rolls in, wanders about the cap, through air, out."""
    rng = np.random.default_rng(seed)
    arc = np.clip(44.0 + 8.0 * np.sin(np.arange(n) / 40.0) + rng.normal(0, 0.3, n), 1.0, 50.0)
    arc[:60] = np.linspace(0.0, arc[60], 60)
    arc[-80:] = np.linspace(arc[-81], 0.5, 80)
    arc[2000:2020] = 0.0
    return arc


def test_chips_stay_near_their_target_in_few_runs():
    data, arc = proposal(), walk()
    feed, change = feeds.along(data, arc, data.level_depth)
    cuts = arc > 0.0
    share = (feed / data.feed_for(np.maximum(arc, feeds.LEAST_ARC)))[cuts]
    assert share.min() >= 0.93
    assert share.max() <= 1.04
    # a block ends where the feed changes and where the cut does
    ends = set(change.tolist())
    assert all(k - 1 in ends for k in np.flatnonzero(np.diff(feed)) + 1)
    assert {1999, 2019} <= ends
    wanted = data.feed_for(np.maximum(arc, feeds.LEAST_ARC))
    classes = np.count_nonzero(np.diff(np.floor(np.log(wanted) / math.log(1.05)))) + 1
    assert len(change) < 0.5 * classes


@pytest.mark.parametrize(
    "wish",
    [
        {"max_feed": 900.0},
        {"power_kw": 1.2},
        {"torque_nm": 3.0},
        {"wall_allowance": 0.02},
        {"holder": "collet"},
    ],
)
def test_no_limit_is_passed_and_none_is_missed_by_much(wish):
    data, arc = proposal(**wish), walk()
    depth = np.full(len(arc), data.level_depth)
    depth[1000:1010] *= 1.6
    feed, _ = feeds.along(data, arc, depth)
    cuts = arc > 0.0
    top = data.top_feed(np.maximum(arc, feeds.LEAST_ARC), depth)
    assert (feed[cuts] <= top[cuts] * (1 + 1e-12)).all()
    wanted = data.feed_for(np.maximum(arc, feeds.LEAST_ARC), depth)
    assert np.mean(feed[cuts] >= 0.9 * wanted[cuts]) > 0.95
    loads = data.load(arc[cuts], depth[cuts], feed[cuts])
    if "power_kw" in wish:
        assert loads.power_kw.max() <= wish["power_kw"]
        assert loads.power_kw.max() >= 0.9 * wish["power_kw"]
    if "torque_nm" in wish:
        assert loads.torque_mean.max() <= wish["torque_nm"]


def test_short_walks():
    data = proposal()
    for arc in ([0.0, 0.0], [0.0, 30.0], [20.0, 30.0], [0.0]):
        feed, change = feeds.along(data, np.array(arc), 5.0)
        assert feed.shape == (len(arc),)
        assert np.isfinite(feed).all()
        assert not change.size
    feed, _ = feeds.along(data, np.array([0.0, 30.0]), 5.0)
    assert feed[1] == pytest.approx(float(data.feed_for(30.0, 5.0)), rel=0.07)


# -- what upper levels left ----------------------------------------------------------------------------


def swept(frame, centres):
    """Squared distances as the clearing engine keeps them, (2 ny - 1, 2 nx - 1)."""
    ny, nx = frame.fine
    x, y = frame.x0 + frame.hd * np.arange(nx), frame.y0 + frame.hd * np.arange(ny)
    away = np.full((ny, nx), np.inf)
    for cx, cy in centres:
        away = np.minimum(away, (x[None, :] - cx) ** 2 + (y[:, None] - cy) ** 2)
    return away.astype(np.float32)


@pytest.mark.compiled
def test_ridge_between_two_passes_counts_with_its_height():
    """Two passes 2 w apart leave c - sqrt(c^2 - (w - (R - c))^2) between them, by the bull-nose's profile."""
    radius, corner, w = 5.0, 2.0, 4.2
    frame = Frame(-20.0, -12.0, 0.2, 201, 121)
    line = np.arange(-14.0, 14.01, 0.05)
    upper = swept(frame, [(x, y) for x in line for y in (-w, w)])
    lower = swept(frame, [(x, 0.0) for x in line])
    standing = feeds.Standing(frame, np.zeros((frame.ny, frame.nx), np.float32))
    first = standing.cut(feeds.mark(upper, radius, corner), -6.0, 0.0)
    assert first.depth is None  # the first level meets the stock's top and no more
    tall = standing.cut(feeds.mark(lower, radius, corner), -10.0, -6.0)
    centres = np.column_stack([line, np.zeros(len(line))])
    deep = tall.take(centres, radius)
    ridge = corner - math.sqrt(corner**2 - (w - (radius - corner)) ** 2)
    inner = deep[(line > -6.0) & (line < 6.0)]
    assert inner.max() == pytest.approx(4.0 + ridge, abs=0.02)
    assert np.mean(inner > 0.0) > 0.2  # the ridge goes on all along
    assert tall.take(centres, radius).max() == 0.0  # it has been taken


@pytest.mark.compiled
def test_sliver_left_standing_is_met_once_and_first_by_the_nearest_in_time():
    radius = 5.0
    frame = Frame(-20.0, -12.0, 0.2, 201, 121)
    line = np.arange(-14.0, 14.01, 0.05)
    upper = swept(frame, [(x, y) for x in line for y in (-5.3, 5.3)])  # 0.6 mm stay between them
    lower = swept(frame, [(x, 0.0) for x in line])
    standing = feeds.Standing(frame, np.zeros((frame.ny, frame.nx), np.float32))
    standing.cut(feeds.mark(upper, radius, 0.0), -6.0, 0.0)
    tall = standing.cut(feeds.mark(lower, radius, 0.0), -10.0, -6.0)
    centres = np.column_stack([line, np.zeros(len(line))])
    deep = tall.take(centres, radius)
    assert set(np.unique(deep)) <= {0.0, 10.0}
    first = int(np.argmax(deep > 0.0))
    assert first == 0  # ground before the first centre stands as well
    assert standing.height.min() == -10.0


@pytest.mark.compiled
@pytest.mark.parametrize(("wide", "turn"), [(0.3, 0.0), (0.12, 0.0), (0.06, 1.7), (0.3, 1.7)])
def test_a_film_along_a_wall_counts_between_the_nodes_as_well(wide, turn):
    """The upper level stopped short of a wall by less than a node is wide, in the middle of it.

    The film is the ground under the lower walk that no upper one covers, by shapely's discs and lines.
    """
    from shapely.geometry import LineString, Point

    radius, pitch = 5.0, 0.5
    frame = Frame(-20.0, -12.0, pitch, 81, 49)
    spin = np.array([[np.cos(np.radians(turn)), np.sin(np.radians(turn))],
                     [-np.sin(np.radians(turn)), np.cos(np.radians(turn))]])  # fmt: skip
    line = np.arange(-14.0, 14.01, 0.05)
    wall = np.column_stack([line, np.full(len(line), 0.11)]) @ spin
    short = np.column_stack([line, 0.11 + wide * (np.abs(line) < 7.0)]) @ spin
    standing = feeds.Standing(frame, np.zeros((frame.ny, frame.nx), np.float32), films=True)
    far = np.column_stack([line, np.full(len(line), 6.0)]) @ spin  # takes the rest of the ground
    upper, lower = swept(frame, [*short, *far]), swept(frame, wall)
    standing.cut(feeds.mark(upper, radius, 0.0, pitch), -6.0, 0.0)
    tall = standing.cut(feeds.mark(lower, radius, 0.0, pitch), -10.0, -6.0)
    deep = tall.take(wall, radius)
    assert set(np.unique(deep)) <= {0.0, 10.0}
    film = LineString(wall).buffer(radius, quad_segs=200)
    film = film.difference(LineString(short).buffer(radius, quad_segs=200))
    film = film.difference(LineString(far).buffer(radius, quad_segs=200))
    film = film.intersection(Point(0.0, 0.0).buffer(9.0))
    cut = LineString(wall[:1].repeat(2, axis=0) - [[9.0, 0.0], [8.9, 0.0]]).buffer(0.1)
    met = np.zeros(len(wall), bool)
    for k, p in enumerate(wall):
        disc = Point(p).buffer(radius - 0.01, quad_segs=200)
        met[k] = film.difference(cut).intersection(disc).area > 1e-5
        cut = cut.union(Point(p).buffer(radius, quad_segs=64)).simplify(1e-4) if k % 4 == 0 else cut
    steady = met & (np.abs(line) < 5.0)
    assert steady.sum() > 50
    assert (deep[steady] == 10.0).all()
    assert (deep[np.abs(line) > 11.0] == 0.0).all()  # where nothing was left the level's own depth counts


@pytest.mark.compiled
@pytest.mark.parametrize("place", [(0.05, 0.02), (0.11, 0.07), (0.15, 0.16), (-0.06, 0.1), (0.0, 0.1)])
def test_a_needle_between_the_nodes_counts_where_a_walk_meets_it(place):
    """Three passes of the upper level leave a triangle 0.02 mm from its middle to a side; below it a walk
    comes by, whose disc first touches it where Pythagoras says."""
    radius, pitch, out = 5.0, 0.2, 0.02
    frame = Frame(-20.0, -16.0, pitch, 201, 161)
    needle, passes = np.array(place), []
    for turn in np.radians([20.0, 140.0, 260.0]):
        ahead, side = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
        for off in (radius + out, 2.0 * radius, 3.5 * radius):
            passes += list(needle + off * side + np.arange(-25.0, 25.01, 0.1)[:, None] * ahead)
    line = np.arange(-10.0, 10.01, 0.05)
    walk = np.column_stack([line, np.full(len(line), -3.0)])
    standing = feeds.Standing(frame, np.zeros((frame.ny, frame.nx), np.float32), films=True)
    standing.cut(feeds.mark(swept(frame, passes), radius, 1.0, pitch), -6.0, 0.0)
    tall = standing.cut(feeds.mark(swept(frame, walk), radius, 1.0, pitch), -10.0, -6.0)
    deep = tall.take(walk, radius)
    meets = needle[0] - math.sqrt(radius**2 - (needle[1] + 3.0) ** 2)
    full = np.abs(deep - 10.0) < 0.1
    assert full[np.abs(line - meets) < 0.05 * (feeds.SPREAD // 2)].any()  # steps that are fed alike
    assert (np.abs(line[full] - meets) < 1.0).all()


@pytest.mark.compiled
def test_walls_that_every_level_reaches_alike_have_no_film():
    radius, pitch = 5.0, 0.5
    frame = Frame(-20.0, -12.0, pitch, 81, 49)
    line = np.arange(-14.0, 14.01, 0.05)
    standing = feeds.Standing(frame, np.zeros((frame.ny, frame.nx), np.float32), films=True)
    levels = ((-6.0, 0.0, 0.0), (-10.0, -6.0, 0.004), (-8.0, -6.0, -0.01), (-14.0, -10.0, 0.012))
    for z, top, back in levels:
        walk = np.column_stack([line, np.full(len(line), back)])
        tall = standing.cut(feeds.mark(swept(frame, walk), radius, 1.0, pitch), z, top)
        assert tall.films is None, z


@pytest.mark.compiled
def test_a_node_that_an_upper_level_just_missed_stands_as_high_as_before():
    """A film that begins a few micrometres inside a node: the lower level that takes it meets all of it."""
    radius, film = 5.0, 0.074
    frame = Frame(-20.0, -12.0, 0.2, 201, 121)
    line = np.arange(-14.0, 14.01, 0.05)
    standing = feeds.Standing(frame, np.zeros((frame.ny, frame.nx), np.float32))
    for z, top, past in ((-6.0, 0.0, 0.004), (-10.0, -6.0, 0.004 - film)):
        level = swept(frame, [(x, -radius - past) for x in line])  # the row y = 0 lies ``past`` its rim
        tall = standing.cut(feeds.mark(level, radius, 0.0), z, top)
    assert tall.take(np.column_stack([line, np.full(len(line), -radius)]), radius).max() == 10.0


# -- whole programs, judged by the replay ------------------------------------------------------------------


def planned(**machine):
    raw = {
        "stock": {"min": [-30.0, -30.0, -30.0], "max": [30.0, 30.0, 0.0]},
        "cutter": {
            "diameter": 10.0,
            "corner_radius": 1.5,
            "flutes": 4,
            "flute_length": 22.0,
            "overhang": 40.0,
        },
        "material": {"name": "P", "hardness_hb": 200.0},
        "machine": {"max_spindle_rpm": 12000.0, "max_feed": 12000.0, **machine},
        "roughing": {"level_depth": 10.0, "stair_height": 2.5, "engagement_deg": 60.0, "cell": 0.25},
    }
    return zrough.plan(zrough.Job.from_dict(raw, mesh=parts.frustum(radius=16, base=60)))


@pytest.mark.compiled
@pytest.mark.parametrize("machine", [{}, {"power_kw": 2.0}, {"torque_nm": 2.5}, {"max_feed": 1200.0}])
def test_the_replay_finds_the_chip_wanted_and_no_limit_passed(machine):
    plan = planned(**machine)
    check, data = plan.check, plan.data
    assert check.ok, [f.message for f in check.failures]
    bound = {"power_kw": "power", "torque_nm": "torque", "max_feed": "feed"}
    expected = {bound[k] for k in machine} or {"chip thickness"}
    assert expected <= {limit.name for limit in data.limits if limit.binds}
    moves, program = check.moves, check.program
    assert len(moves.line) == len(program)  # one entry a motion
    seconds = np.diff(moves.time_s, prepend=0.0)
    level = np.abs(program.end[:, 2] - program.start[:, 2]) < 1e-6
    cut = level & (moves.engagement_deg > 0.0) & (moves.chip_mm > 0.0)
    wanted = data.chip_target(moves.engagement_deg[cut], moves.depth_mm[cut])
    near = np.abs(moves.chip_mm[cut] / wanted - 1.0) <= 0.1
    assert seconds[cut][near].sum() >= 0.9 * seconds[cut].sum()
    if "power_kw" in machine:
        assert check.worst_power_kw <= machine["power_kw"]
        assert check.worst_power_kw >= 0.85 * machine["power_kw"]
    if "torque_nm" in machine:  # M = 9549 P / n of the power at the cutter
        torque = 30000.0 / math.pi * check.worst_power_kw * data.efficiency / data.spindle_rpm
        assert torque <= machine["torque_nm"]
    assert program.feed[cut].max() <= 1.0001 * data.max_feed


@pytest.mark.compiled
def test_no_power_limit_is_passed_on_the_hinge_insert():
    """Walls on a row of nodes: a film that the upper level left is not taken for a cut of both levels."""
    raw = tomllib.loads((parts.EXAMPLES / "hinge_insert_inch.toml").read_text(encoding="utf-8"))
    del raw["part"]["file"]
    raw["machine"]["power_kw"] = 6.0
    vertices, faces = parts.example("hinge_insert_inch")
    job = zrough.Job.from_dict(raw, mesh=(25.4 * vertices, faces))
    plan = zrough.plan(job)
    assert plan.check.ok
    assert 0.85 * 6.0 <= plan.check.worst_power_kw <= 6.0
    # The same program fed half as fast again asks for more, and the check says so.
    lines = [
        re.sub(r"F([0-9.]+)", lambda f: f"F{1.5 * float(f[1]):.0f}", s) for s in plan.nc_text.split("\n")
    ]
    told = zrough.check("\n".join(lines), job)
    assert told.worst_power_kw > 6.0
    # 1.5 ** (1 - mc): kc falls as the chip grows
    rise = 1.5 ** (1.0 - plan.data.material.mc)
    assert told.worst_power_kw == pytest.approx(rise * plan.check.worst_power_kw, rel=0.01)


def test_an_entry_knows_the_highest_ridge_within_its_reach():
    """What stands above a level's top within a circle of the entry, and nothing from beyond it."""
    from zrough.feeds import Tall
    from zrough.pieces import Frame

    frame = Frame(-10.0, -5.0, 0.5, 41, 31)
    depth = np.zeros((31, 41), np.float32)
    for x, y, height in ((3.0, 4.0, 2.5), (-3.0, 4.5, 7.0), (0.0, 0.0, 0.4)):
        depth[round((y + 5.0) / 0.5), round((x + 10.0) / 0.5)] = height
    tall = Tall(frame, depth)
    assert tall.highest(0.0, 0.0, 5.0) == 2.5  # 3, 4, 5
    assert tall.highest(0.0, 0.0, 4.9) == pytest.approx(0.4)
    assert tall.highest(-10.0, -5.0, 2.0) == 0.0
    assert Tall(frame, None).highest(0.0, 0.0, 5.0) == 0.0


@pytest.mark.parametrize("kind", ["helix", "ramp"])
def test_an_entry_begins_over_a_terrace_that_its_rim_alone_meets(kind):
    """Stock 3 mm over the rest from x = 8 on: under a rim of 5 mm round centres up to x = 4, not up to 2."""
    frame = Frame(-20.0, -20.0, 0.25, 161, 161)
    x = frame.x0 + frame.h * np.arange(frame.nx)
    standing = feeds.Standing(frame, np.where(x >= 8.0, 0.0, -3.0) * np.ones((frame.ny, 1)))
    everywhere = feeds.mark(np.zeros(frame.fine, np.float32), 5.0, 0.0)
    tall = standing.cut(everywhere, -10.0, 0.0, walls=True)
    linker = object.__new__(links.Linker)
    linker.radius = 5.0
    level = Level(-10.0, 0.0, "primary", "", 0)
    for end, top in ((4.0, 0.0), (2.0, -3.0)):
        far = {"x2": end} if kind == "ramp" else {}
        entry = Entry(0.0, 0.0, 0.0 if far else end, kind, **far)
        over = linker._over_entry(Piece(np.zeros((1, 2)), np.zeros(1), None, entry), level, 0, tall)
        assert top < over <= top + 0.1


def test_what_comes_of_a_walk_does_not_depend_on_those_asked_with_it():
    """Nor on how many there are: each is asked on its own, too."""
    data, rng = proposal(), np.random.default_rng(8)
    arcs = [
        walk()[a : a + n] for a, n in zip(rng.integers(0, 3000, 30), rng.integers(2, 400, 30), strict=True)
    ]
    depths = [rng.uniform(0.5, 1.5) * data.level_depth * np.ones(len(arc)) for arc in arcs]
    caps = rng.choice([50.0, 180.0], len(arcs)).tolist()
    together = feeds.along_all(data, arcs, depths, caps)
    for one, (feed, change) in zip(zip(arcs, depths, caps, strict=True), together, strict=True):
        alone = feeds.along(data, *one)
        np.testing.assert_array_equal(feed, alone[0])
        np.testing.assert_array_equal(change, alone[1])


@pytest.mark.compiled
def test_an_entry_begins_over_what_its_own_walk_takes():
    """A needle 9.5 mm over the level, thinner than the coarse map shows: a helix comes down from -2.5 mm."""
    frame = Frame(-15.0, -15.0, 0.5, 61, 61)
    depth, rise = np.zeros((61, 61), np.float32), np.zeros((61, 61), np.float16)
    depth[30, 47], rise[30, 47] = 9.0, 0.5  # at x = 8.5, in a corner radius
    ways = links.Ways(5.0, 0.25, 8000.0, 20000.0, math.radians(2.0), 0.01, 0.1, 2000.0)
    overhead = Overhead(frame, np.full((61, 61), -10.0), 6.0, 0.5)
    linker = links.Linker(frame, overhead, Cutter(), proposal(), ways, 1)
    turn = np.linspace(0.0, math.pi, 40)
    walk = 3.0 * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    piece = Piece(walk, np.full(40, 0.5), None, Entry(0.0, 0.0, 3.0, "helix"))
    level = Level(-12.0, -10.0, "primary", "", 0.0)
    linker.place([(piece, level, 0, feeds.Tall(frame, depth, None, rise))])
    path = linker.finish()
    first = int(np.argmax(path.kind == Kind.HELIX))
    assert path.xyz[first - 1, 2] == pytest.approx(-2.5, abs=0.1)
    assert path.xyz[first - 1, 2] > -2.5
