"""Planted faults are found at their line, a clean program raises nothing, and mutations are told from
harmless edits."""

from __future__ import annotations

import json
import math
from types import SimpleNamespace

import numpy as np
import pytest
from check_case import BOSS, FLOOR, HALF, PLATE, TOP, WALL, Case, R, good_program, rings

from zrough import checkleft
from zrough.check import check
from zrough.checkrules import MOST_OF_ONE, gather, in_order
from zrough.errors import CheckError, NcError
from zrough.ncread import NOWHERE, Finding

pytestmark = pytest.mark.compiled


@pytest.fixture(scope="module")
def case():
    return Case()


def faults(case, lines):
    failures, _ = case.faults("\n".join(lines))
    return failures


def first(failures):
    return failures[0].code, failures[0].line


def at(lines, start, after=0, nth=1):
    """Index of the n-th line beginning with ``start`` from index ``after`` on."""
    found = [k for k in range(after, len(lines)) if lines[k].startswith(start)]
    return found[nth - 1]


def second_level(lines):
    return at(lines, f"G1 Z{PLATE + FLOOR:.4f}")


def last_ring(lines):
    """Index of the last ring's first line, after its step inward."""
    hx, hy = rings()[-1]
    return at(lines, f"G1 X{-hx:.4f} Y{hy:.4f}", second_level(lines)) + 1


def test_clean_program_raises_nothing(case):
    failures, warnings = case.faults("\n".join(good_program()))
    assert failures == ()
    assert warnings == ()


def test_gouge_of_the_wall(case):
    lines = good_program()
    k = last_ring(lines) + 2  # down the right side
    hx, _ = rings()[-1]
    deep = WALL + 0.05
    lines[k - 1] = lines[k - 1].replace(f"X{hx:.4f}", f"X{hx - deep:.4f}").replace("G2", "G1").split(" I")[0]
    failures = faults(case, lines)
    gouges = [f for f in failures if f.code == "gouge"]
    assert {f.line for f in gouges} == {k + 1}  # at the end of the line before, the cutter is past the boss
    assert max(f.value for f in gouges if f.line) == pytest.approx(0.05, abs=1e-3)
    assert {f.line for f in failures} <= {k, k + 1, k + 2}


def test_gouge_of_the_floor(case):
    lines = good_program()
    k = second_level(lines)
    lines[k] = f"G1 Z{PLATE - 0.05:.4f} F3000"
    failures = faults(case, lines)
    gouges = [f for f in failures if f.code == "gouge"]
    assert gouges
    assert max(f.value for f in gouges if f.line) == pytest.approx(0.05, abs=1e-3)
    assert min(f.line for f in failures if f.line) > k  # the way down itself is in air beside the part


def test_allowance_eaten_without_a_gouge(case):
    lines = good_program()
    k = second_level(lines)
    lines[k] = f"G1 Z{PLATE + FLOOR - 0.05:.4f} F3000"
    failures = faults(case, lines)
    assert {f.code for f in failures} == {"allowance"}
    assert max(f.value for f in failures if f.line) == pytest.approx(0.05, abs=1e-3)


def test_rapid_through_the_island(case):
    lines = good_program()
    k = at(lines, "G1 X-60. Y50.", second_level(lines))
    lines[k:k] = [f"G0 X{-BOSS[0] - 8:.1f} Y0.", "G0 X30. Y0."]
    failures = faults(case, lines)
    codes = {(f.code, f.line) for f in failures}
    assert ("rapid-in-material", k + 2) in codes
    assert ("gouge", k + 2) in codes
    assert ("rapid-low", k + 1) in codes


def test_rapid_below_the_clearance_plane_in_air(case):
    lines = good_program()
    k = at(lines, "G1 X-60. Y50.")
    lines[k] = "G0 X-60. Y50."
    assert [(f.code, f.line) for f in faults(case, lines)] == [("rapid-low", k + 1)]


def test_plunge(case):
    lines = good_program()
    k = at(lines, "G1 Z-10.0000")
    lines[k:k] = ["G1 X0. Y20. F3000", "G1 Z-1. F200", "G1 Z10. F3000", "G1 X-60. Y50."]
    assert [(f.code, f.line) for f in faults(case, lines)] == [("plunge", k + 2)]


def test_ramp_too_steep_and_ramp_within_its_limit(case):
    lines = good_program()
    k = at(lines, "G1 Z-10.0000")
    ok = ["G1 X-20. Y20. F3000", "Z0.", "G1 X20. Z-1. F400", "G1 X-20.", "G1 Z10. F3000", "G1 X-60. Y50."]
    lines[k:k] = ok
    assert faults(case, lines) == ()
    lines[k + 2] = "G1 X-8. Z-1. F400"  # 1 mm over 12: 4.8 degrees
    lines[k + 3] = "G1 X-20. F400"
    assert [(f.code, f.line) for f in faults(case, lines)] == [("ramp-angle", k + 3)]


def test_descent_that_begins_in_material_is_a_slot(case):
    lines = good_program()
    k = at(lines, "G1 Z-10.0000")
    lines[k:k] = ["G1 X-60. Y20. F3000", "Z-8.", "G1 X0. Z-8.5 F400", "G1 Z10. F3000", "G1 X-60. Y50."]
    failures = faults(case, lines)
    assert [(f.code, f.line) for f in failures] == [("overload", k + 3)]


PITCH = 0.6  # mm a turn: 2.7 degrees
HELIX = (-46.0, 20.0, 2.0)  # axis and radius: its east side is 1 mm in the block


def helix_by_halves(z, turns=6):
    """Half turns beside the block, west in air and east in it, from its north end and back there."""
    x, y, r = HELIX
    out = [f"G1 X{x} Y{y + r} F3000", f"Z{z}"]
    for k in range(turns):
        out += [f"G3 Y{y - r} Z{z - (k + 0.5) * PITCH:.4f} I0. J{-r} F400",
                f"G3 Y{y + r} Z{z - (k + 1.0) * PITCH:.4f} I0. J{r}"]  # fmt: skip
    return out


def helix_by_chords(z, turns=6, count=40):
    """The same in straight motions."""
    x, y, r = HELIX
    a = 2.0 * math.pi / count * np.arange(turns * count)
    out = [f"G1 X{x} Y{y + r} F3000", f"Z{z}"]
    for q in a[1:].tolist():
        fall = PITCH * q / (2.0 * math.pi)
        out.append(f"G1 X{x - r * math.sin(q):.4f} Y{y + r * math.cos(q):.4f} Z{z - fall:.4f} F400")
    return out


@pytest.mark.parametrize("helix", [helix_by_halves, helix_by_chords])
def test_a_helix_half_in_the_air_is_an_entry(case, helix):
    """A turn ago the cutter was a pitch higher all round, so no deeper than a pitch is what it meets."""
    lines = good_program()
    k = at(lines, "G1 Z-10.0000")
    down = helix(0.1)
    away = ["G1 Z10. F3000", "G1 X-60. Y50."]
    lines[k:k] = [*down, *away]
    assert faults(case, lines) == ()
    lines[k : k + len(down)] = deep = helix(-5.0)
    failures = faults(case, lines)
    assert {f.code for f in failures} == {"overload"}
    assert max(f.value for f in failures) == pytest.approx(5.0 + 0.5 * PITCH, abs=0.5 * PITCH)
    assert k + 2 < min(f.line for f in failures) <= k + 2 + len(deep) / 6


def test_overload_where_a_ring_is_left_out(case):
    lines = good_program()
    hx, hy = rings()[5]
    k = at(lines, f"G1 X{-hx:.4f} Y{hy:.4f}")
    del lines[k : k + 8]
    failures = faults(case, lines)
    assert {f.code for f in failures} == {"overload"}
    width = 2 * (HALF[0] + R - BOSS[0] - R - WALL) / 12
    long_side = [f for f in failures if f.line == k + 1 + 3]
    assert long_side[0].value == pytest.approx(math.degrees(math.acos(1 - width / R)), abs=0.5)
    assert min(f.line for f in failures) >= k + 1
    assert max(f.line for f in failures) <= k + 8


def test_overload_in_a_corner():
    """A pocket corner: a straight pass into it meets the side wall as well."""
    case = Case()
    lines = good_program()
    k = at(lines, "G1 Z-10.0000")
    lines[k:k] = [
        "G1 X-60. Y-20. F3000", "Z-1.", "G1 X10. F1000", "Y-22.4", "X-60.", "Y-17.6", "X10.", "Y-14.",
        "G1 Z10. F3000",
        "G1 X-60. Y50.",
    ]  # fmt: skip
    failures = faults(case, lines)
    assert failures
    assert {f.code for f in failures} == {"overload"}
    assert min(f.line for f in failures) == k + 3  # the slot itself
    assert k + 8 in {f.line for f in failures}  # and the turn into the corner


def test_holder_touch():
    case = Case(cutter=[{"diameter": 2 * R, "flutes": 4, "flute_length": 25.0, "overhang": 25.5}],
                holder={"profile": [[20.0, 30.0, 40.0]], "clearance": 1.0})  # fmt: skip
    lines = good_program()
    assert faults(case, lines) == ()  # 25.5 - 19.8 leaves 5.7 mm over the stock's top
    short = Case(cutter=[{"diameter": 2 * R, "flutes": 4, "flute_length": 15.0, "overhang": 15.0}],
                 holder={"profile": [[20.0, 30.0, 40.0]], "clearance": 1.0})  # fmt: skip
    failures = faults(short, lines)
    assert {f.code for f in failures} == {
        "holder",
    }
    # Level 2 stands over ground cleared to -10: only the boss with its 1.8 mm of stock is in the holder's
    # way, from the first ring whose path comes within the holder's 15 + 1 mm of it.
    near = next(k for k, (hx, hy) in enumerate(rings()) if hy - 16.0 < BOSS[1] + WALL)
    assert (
        second_level(lines) + 2 + 8 * near
        <= min(f.line for f in failures if f.line)
        <= second_level(lines) + 4 + 8 * near
    )
    assert max(f.value for f in failures if f.line) == pytest.approx(19.8 - 15.0 + 1.0, abs=0.05)


def test_shank_touch_and_flute_length():
    thick = Case(
        cutter=[
            {"diameter": 2 * R, "flutes": 4, "flute_length": 12.0, "overhang": 40.0, "shank_diameter": 12.0}
        ]
    )
    failures = faults(thick, good_program())
    assert {f.code for f in failures} == {"shank"}
    assert min(f.line for f in failures if f.line) > second_level(good_program())
    lines = good_program(levels=(PLATE + FLOOR,))
    short = Case(cutter=[{"diameter": 2 * R, "flutes": 4, "flute_length": 12.0, "overhang": 40.0}])
    failures = faults(short, lines)
    assert {f.code for f in failures} <= {"flute-length", "shank"}
    assert failures


def test_clamp_touch():
    clear = Case(keepout=[{"name": "clamp", "min": [60.0, -10.0, -30.0], "max": [75.0, 10.0, 5.0]}])
    lines = good_program()
    assert faults(clear, lines) == ()
    hx, hy = rings()[0]
    touch = Case(keepout=[{"name": "clamp", "min": [hx + R - 0.05, -10.0, -30.0], "max": [75.0, 10.0, 5.0]}])
    failures = faults(touch, lines)
    downs = [k + 1 for k, line in enumerate(lines) if line == f"G1 Y{-hy + 2:.4f}"]
    assert [(f.code, f.line) for f in failures] == [("keepout", k) for k in downs]
    assert failures[0].value == pytest.approx(0.05, abs=1e-4)  # four decimals in the text
    high = Case(keepout=[{"name": "vise", "min": [hx + R + 2, -10.0, -30.0], "max": [75.0, 10.0, 24.0]}],
                cutter=[{"diameter": 2 * R, "flutes": 4, "flute_length": 25.0, "overhang": 25.5}],
                holder={"profile": [[20.0, 30.0, 40.0]], "clearance": 1.0})  # fmt: skip
    assert {f.code for f in faults(high, lines)} == {"keepout"}  # the holder, above the cutter


def test_wrong_unit(case):
    lines = good_program()
    k = at(lines, "G21")
    lines[k] = lines[k].replace("G21", "G20")
    failures = faults(case, lines)
    assert ("unit", k + 1) in {(f.code, f.line) for f in failures}


def test_inch_program_read_as_mm_is_doubted(case):
    lines = [line.replace("G21", "G20") for line in good_program()]
    small = []
    import re

    for line in lines:
        small.append(re.sub(r"([XYZIJ])(-?\d+\.?\d*)", lambda m: f"{m[1]}{float(m[2]) / 25.4:.5f}", line))
    right = [re.sub(r"F(\d+)", lambda m: f"F{float(m[1]) / 25.4:.3f}", line) for line in small]
    assert faults(case, right) == ()  # the same program in inches is a good one
    wrong = [line.replace("G20", "G21") for line in small]
    failures, warnings = case.faults("\n".join(wrong))
    assert failures
    assert "unit-doubt" in {w.code for w in warnings}


def test_bad_arc(case):
    lines = good_program()
    k = at(lines, "G2", second_level(lines), 2)
    lines[k] = lines[k].replace("I-2.0000", "I-2.0100")
    failures = faults(case, lines)
    assert first(failures) == ("arc-radius", k + 1)
    assert {f.line for f in failures} <= {k + 1, k + 2}


def test_missing_feed(case):
    lines = good_program()
    k = at(lines, "G1 Z-10")
    lines = [line.split(" F")[0] if n == k else line for n, line in enumerate(lines)]
    assert [(f.code, f.line) for f in faults(case, lines)] == [("feed-missing", k + 1)]


@pytest.mark.parametrize(
    ("old", "new", "code"),
    [("S6000 M3", "S6000", "spindle-stopped"), ("S6000 M3", "S6000 M4", "spindle-direction"),
     ("S6000 M3", "S16000 M3", "spindle-limit")],
)  # fmt: skip
def test_spindle(case, old, new, code):
    lines = [line.replace(old, new) for line in good_program()]
    failures = faults(case, lines)
    assert {f.code for f in failures} == {code}


def test_feed_over_the_machine_and_travel(case):
    lines = good_program()
    k = at(lines, "G1 X", 20)
    lines[k] = lines[k].split(" F")[0] + " F9000"
    failures = faults(case, lines)
    assert [(f.code, f.line) for f in failures] == [("feed-limit", k + 1)]
    lines = good_program()
    k = at(lines, "G0 X-60.")
    lines[k] = "G0 X-95. Y50."
    lines.insert(k + 2, "G0 X-60.")
    assert [(f.code, f.line) for f in faults(case, lines)] == [("travel", k + 1), ("travel", k + 2)]


def test_link_feed_in_a_cut(case):
    """Four times the feed is four times the chip, h = fz sin(phi)."""
    lines = good_program()
    k = last_ring(lines)
    assert "F1500" in lines[k]
    assert "F" not in lines[k + 1]
    lines[k] = lines[k].replace("F1500", "F6000")
    lines[k + 1] += " F1500"
    failures = faults(case, lines)
    assert first(failures) == ("feed-high", k + 1)
    assert len(failures) == 1
    slope = math.sin(math.radians(float(case.job.roughing.engagement_deg)))
    assert 0.5 * 6000 / (4 * 6000) < failures[0].value < 1.01 * 6000 / (4 * 6000) * slope


@pytest.mark.parametrize(("met", "found"), [(0.001, 0), (5.0, 1)])
def test_a_path_cut_twice_meets_nothing(met, found):
    """Its circle lies on the edge of its own cut: an arc without width, no chip of fz sin(45)."""
    from zrough.checkloads import too_much

    class One(SimpleNamespace):
        def __len__(self):
            return 1

    one = np.ones(1)
    replay = SimpleNamespace(
        worst=45.0 * one, met=met * one, worst_at=np.zeros((1, 3)), volume=0.0 * one, depth=one
    )
    program = One(feed=5000.0 * one, spindle=4000.0 * one, kind=np.ones(1, np.int64))
    data = SimpleNamespace(
        max_chip=0.1, spindle_rpm=4000.0, helix_feed=400.0, ramp_feed=400.0,
        top_feed=lambda arc, depth: np.full(np.shape(arc), 8000.0),
        feed_for=lambda arc, depth: np.full(np.shape(arc), 8000.0),
    )  # fmt: skip
    facts = SimpleNamespace(
        data=data, replay=replay, program=program, body=SimpleNamespace(radius=5.0), plan_length=one,
        job=SimpleNamespace(machine=SimpleNamespace(max_feed=8000.0, power_kw=None)), line=lambda m: m + 1,
    )  # fmt: skip
    chip = 5000.0 / (4 * 4000.0) * math.sin(math.radians(45.0)) * one
    assert [f.code for f in too_much(facts, 0.0 * one, chip)] == ["feed-high"] * found


def test_the_mean_width_of_a_short_motion_is_taken_over_its_neighbourhood():
    """Chords of 0.1 mm through a strip 1 mm wide and 2 mm deep; one is lent 1 mm3 of rim cells: over the 1 mm
    (0.2 radii) around it that is half a millimetre more width, over its own length it would be five."""
    from zrough.checkloads import _mean_width
    from zrough.ncread import Motion

    long, volume = np.full(40, 0.1), np.full(40, 0.1 * 1.0 * 2.0)
    kind = np.full(40, int(Motion.LINE))
    volume[20] += 1.0
    kind[30], volume[30] = int(Motion.RAPID), 0.0  # the last chords are a run of their own, 0.9 mm long
    facts = SimpleNamespace(
        plan_length=long, program=SimpleNamespace(kind=kind), body=SimpleNamespace(radius=5.0),
        replay=SimpleNamespace(volume=volume, depth=np.full(40, 2.0)),
    )  # fmt: skip
    width = _mean_width(facts, np.array([5, 20, 35]))
    assert width[0] == pytest.approx(1.0, rel=0.11)  # whole chords: 11 of them may touch the stretch
    assert width[1] == pytest.approx(1.5, rel=0.11)
    assert width[2] == pytest.approx(0.9)  # judged as a whole stretch
    volume[5] = 0.02  # a link that grazes between two cuts does not answer for them
    assert _mean_width(facts, np.array([5])) == pytest.approx([0.1])


def test_twice_the_feed_where_bending_sets_it():
    """On a long overhang bending allows less than the chip would bear: the feed typed twice as high is found
    although its chip is within the limit."""
    from zrough.cutting import propose

    case = Case(cutter=[{"diameter": 2 * R, "flutes": 4, "flute_length": 25.0, "overhang": 60.0}])
    data = propose(case.job)
    arc = math.degrees(math.acos(1.0 - 2.0 * (HALF[0] - BOSS[0] - WALL) / 24 / R))
    speed = round(data.spindle_rpm)
    lines = [line.replace("S6000", f"S{speed}") for line in good_program()]
    feed = int(data.feed_for(arc, 10.0))  # down the long sides, which the rings bite deepest
    lines = [line.replace("F1500", f"F{feed}") for line in lines]
    assert faults(case, lines) == ()
    k = last_ring(lines) + 2
    lines[k] += f" F{2 * feed}"
    lines[k + 1] += f" F{feed}"
    assert 2 * feed / (4 * speed) * math.sin(math.radians(arc)) < 2.0 * data.max_chip
    failures = faults(case, lines)
    assert [(f.code, f.line, f.value) for f in failures] == [("feed-high", k + 1, 2.0 * feed)]


def test_a_ramp_at_the_feed_of_links(case):
    """A ramp within its angle, fed as links are."""
    lines = good_program()
    k = at(lines, "G1 Z-10.0000")
    lines[k:k] = [
        "G1 X-20. Y20. F3000",
        "Z0.",
        "G1 X20. Z-1. F400",
        "G1 X-20.",
        "G1 Z10. F3000",
        "G1 X-60. Y50.",
    ]
    assert faults(case, lines) == ()
    lines[k + 2] = lines[k + 2].replace("F400", "F6000")
    lines[k + 3] += " F400"
    assert [(f.code, f.line) for f in faults(case, lines)] == [("feed-high", k + 3)]


def test_a_rising_motion_is_held_to_the_cap(case):
    """A slot of the cutter's own width that rises by 0.02 mm, and a pass half a millimetre wide that does."""
    lines = good_program()
    k = at(lines, "G1 Z-10.0000") + 1
    lines[k:k] = ["G1 X-60. Y22. F1500", "X20. Z-9.98", "G1 Z10. F3000", "G1 X-60. Y50.", "Z-10."]
    failures = [f for f in faults(case, lines) if f.line == k + 2]
    assert [f.code for f in failures] == ["overload"]
    length, cut = 80.0, 2 * R * 60.0 + math.pi * R**2 / 2  # mm, mm2: the block begins at -40
    assert failures[0].value == pytest.approx(cut / length, rel=0.01)
    lines = good_program()
    side = -HALF[0] - R + 0.5
    lines[k:k] = [f"G1 X{side} Y-60. F1500", "Y60. Z-9.98", "G1 Z10. F3000", "G1 X-60. Y50.", "Z-10."]
    assert not [f for f in faults(case, lines) if f.line == k + 2]


def test_how_many_more_there_are_comes_last():
    found = [Finding("gouge", k, NOWHERE, 0.1, 0.0, f"line {k}: gouge") for k in range(9, 80)]
    other = Finding("travel", 200, NOWHERE, 0.0, 0.0, "line 200: travel")
    told = in_order([*gather(found), other])
    assert [f.line for f in told[:3]] == [9, 10, 11]
    assert told[-2] == other
    assert told[-1].value == len(found) - MOST_OF_ONE


def test_nothing_but_increments_says_where_they_begin(case):
    lines = [line.replace("G90", "G91") for line in good_program()]
    with pytest.raises(CheckError, match="line 6: an incremental motion"):
        faults(case, lines)


def test_more_power_than_the_motor_has():
    """At the mean power the replay gives, nothing is said; with two thirds of it, the motion is named."""
    text = "\n".join(good_program())
    one = Case()
    needed = check(text, one.job, part=one.part, stock=one.stock).worst_power_kw
    assert not Case(machine={"power_kw": needed}).faults(text)[0]
    failures, _ = Case(machine={"power_kw": needed / 1.5}).faults(text)
    assert {f.code for f in failures} == {"power"}
    assert needed / 1.5 < max(f.value for f in failures if f.line) <= needed * 1.001


def test_the_whole_verdict(case):
    text = "\n".join(good_program())
    seen = []
    result = check(text, case.job, part=case.part, stock=case.stock, progress=lambda *a: seen.append(a))
    assert result.ok
    assert result.gouge_mm == 0.0
    assert result.allowance_mm == 0.0
    width = 2 * (HALF[0] - BOSS[0] - WALL) / 24
    assert result.engagement.worst_deg == pytest.approx(math.degrees(math.acos(1 - width / R)), abs=0.1)
    assert result.engagement.over == (0.0, 0.0, 0.0)
    # Block less the boss with its wall allowance, which the rings round to a radius of 2 - R < 0: sharp
    # corners cut by a circle of 5 about a path corner of 2 leave a corner of the rectangle grown by nothing:
    # closed form below.
    import shapely

    path = shapely.box(-BOSS[0] - R - WALL, -BOSS[1] - R - WALL, BOSS[0] + R + WALL, BOSS[1] + R + WALL)
    path = path.buffer(-2.0, join_style="mitre").buffer(2.0, quad_segs=256)
    kept = path.buffer(-R, quad_segs=256)
    want = (4 * HALF[0] * HALF[1] - kept.area) * (0 - PLATE - FLOOR)
    assert result.removed_mm3 == pytest.approx(want, rel=1e-3)
    plate = next(f for f in result.leftover.flats if f["z"] == PLATE)
    assert plate["typical_mm"] == pytest.approx(FLOOR, abs=1e-4)
    assert plate["lowest_mm"] == pytest.approx(FLOOR, abs=1e-4)
    assert result.floor_error < 1e-4
    # The uncut top of the boss; its rim may be rounded off by the wall allowance.
    assert 0 - TOP - FLOOR - 0.01 <= result.leftover.tallest_stair <= 0 - TOP - FLOOR + WALL
    assert result.times["total"] == pytest.approx(sum(v for k, v in result.times.items() if k != "total"))
    assert result.times["cutting"] > result.lengths["cutting"] / 1500 * 60
    assert 0.0 < result.air_share < 0.1
    assert result.worst_power_kw > 0.1
    assert len(result.moves.line) == len(result.moves.power_kw) == len(result.program)
    assert json.loads(json.dumps(result.to_dict()))["ok"] is True
    assert {s for s, _, _ in seen} >= {"replay", "gouge", "leftover"}


def test_same_text_same_verdict(case):
    text = "\n".join(good_program(levels=(-10.0,)))
    one, two = (check(text, case.job, part=case.part, stock=case.stock) for _ in range(2))
    assert one.to_dict() == two.to_dict()
    np.testing.assert_array_equal(one.leftover.heights, two.leftover.heights)


def test_stair_height_on_a_slope():
    """Steps of 1.5 mm on a 45 degree chamfer, cut by hand: the tallest stair is the step."""
    import trimesh

    from zrough.job import Job

    profile = np.array(
        [(-40.0, -30.0), (40.0, -30.0), (40.0, -20.0), (8.0, -20.0), (-7.0, -5.0), (-40.0, -5.0)]
    )
    solid = trimesh.creation.extrude_polygon(__import__("shapely").Polygon(profile), 50.0)
    v = np.asarray(solid.vertices)
    vertices = np.column_stack([v[:, 0], 25.0 - v[:, 2], v[:, 1]])
    faces = np.asarray(solid.faces)
    job = Job.from_dict(
        {
            "stock": {"kind": "block", "min": [-40.0, -25.0, -30.0], "max": [40.0, 25.0, -4.8]},
            "cutter": [{"diameter": 10.0, "flutes": 4, "flute_length": 25.0, "overhang": 35.0}],
            "material": {"name": "P"},
            "machine": {"max_spindle_rpm": 12000.0, "max_feed": 6000.0},
            "roughing": {"engagement_deg": 179.0, "wall_allowance": 0.3, "floor_allowance": 0.2},
            "links": {"clearance": 10.0},
        },
        mesh=(vertices, faces),
    )
    lines = ["G21 G17 G90", "S6000 M3", "G0 X50 Y-40", "Z10"]
    for k in range(10):
        # A flat cutter grown by 0.3 touches the 45 degree slope with its bottom edge: x from the wall's line.
        z = -19.8 + 1.5 * k
        slope = 8.0 - (z - 0.2 + 20.0)
        first = slope + R + 0.3 + 0.0005
        lines += [f"G1 X50 Y-40 Z{z:.4f} F2000"]
        x = 46.0
        while x > first:
            lines += [f"G1 X{x:.4f}", "Y40", "G1 Z10", "Y-40", f"Z{z:.4f}"]
            x -= 4.0
        lines += [f"G1 X{first:.4f}", "Y40", "Z10", "X50 Y-40"]
    result = check("\n".join([*lines, "M30"]), job)
    assert not [f for f in result.failures if f.code in ("gouge", "allowance")]
    reach = result.leftover.reach
    left = result.leftover
    assert left.tallest_stair == pytest.approx(1.5, abs=reach + 0.1)
    everywhere = (-50.0, -50.0, 50.0, 50.0)
    assert left.tallest_outside([(-30.0, everywhere)])[0] == 0.0
    assert left.tallest_outside([(0.0, everywhere)]) == (left.tallest_stair, left.stair_at)  # none so high
    x, y, _ = left.stair_at
    found, place = left.tallest_outside([(-30.0, (x - 1.0, y - 1.0, x + 1.0, y + 1.0))])
    assert 0.0 < found <= left.tallest_stair
    assert max(abs(place[0] - x), abs(place[1] - y)) > 1.0


def test_bad_input_is_one_clear_line(case):
    with pytest.raises(NcError, match="no motion"):
        check("G21\nM30\n", case.job, part=case.part, stock=case.stock)
    with pytest.raises(CheckError):
        check("G21 F100\nG1 X5\nM30\n", case.job, part=case.part, stock=case.stock)


def slot_lines(feed, z=-4.0):
    """One straight slot along the block, well beside the boss, from air to air."""
    return [
        "G21 G17 G90 G94 G54", "T1 M6", "S6000 M3", "G0 X-60. Y25.", "G43 H1 Z10.",
        f"G1 Z{z:.4f} F3000", f"G1 X60. F{feed:.1f}", "Z10. F3000", "M5", "M30",
    ]  # fmt: skip


def test_slots_are_allowed_by_the_job_alone_and_at_slotting_data_alone(case):
    from zrough.cutting import propose

    open_to = Case(roughing={"slotting": True})
    data = propose(open_to.job)
    slower = min(1.0, 6000.0 / data.spindle_rpm)
    feed = 0.98 * slower * float(data.feed_for(180.0, 4.0))

    def codes(where, lines):
        return [(f.code, f.line) for f in faults(where, lines) if f.code == "overload"]

    assert codes(open_to, slot_lines(feed)) == []
    assert codes(case, slot_lines(feed)) == [("overload", 7)]  # not asked for
    assert codes(open_to, slot_lines(1.05 / 0.98 * feed)) == [("overload", 7)]  # too fast
    deep = slot_lines(0.98 * slower * float(data.feed_for(180.0, 12.0)), z=-12.0)
    assert codes(open_to, deep) == [("overload", 7)]  # deeper than the cutter is wide
    bent = slot_lines(feed)
    bent[6] = f"G2 X60. Y25. I60. J-200. F{feed:.1f}"
    assert [code for code, _ in codes(open_to, bent)] == ["overload"]  # an arc is no slot


def test_flats_at_the_stock_top_have_no_floor_error():
    """A boss as high as the block: nothing can be left on it, so nothing is wrong with it."""
    import trimesh

    from zrough.job import Job

    boss = trimesh.creation.box(bounds=[(-BOSS[0], -BOSS[1], -25), (*BOSS, 0.0)])
    plate = trimesh.creation.box(bounds=[(-HALF[0], -HALF[1], -30), (*HALF, PLATE)])
    both = trimesh.boolean.union([boss, plate], engine="manifold")
    high = Job.from_dict(
        {
            "stock": {"kind": "block", "min": [-HALF[0], -HALF[1], -30.0], "max": [*HALF, 0.0]},
            "cutter": [{"diameter": 2 * R, "flutes": 4, "flute_length": 25.0, "overhang": 35.0}],
            "material": {"name": "P"},
            "machine": {"max_spindle_rpm": 12000.0, "max_feed": 6000.0},
            "roughing": {"engagement_deg": 60.0, "wall_allowance": WALL, "floor_allowance": FLOOR},
        },
        mesh=(np.asarray(both.vertices), np.asarray(both.faces)),
    )
    result = check("\n".join(good_program()), high)
    top = next(f for f in result.leftover.flats if f["z"] == 0.0)
    assert top["typical_mm"] is None
    assert top["highest_mm"] == pytest.approx(0.0, abs=1e-6)
    assert result.floor_error < 1e-4


def test_lower_ground_beside_a_ledge_does_not_make_it_a_flat_within_reach():
    """A ledge three nodes wide at 0.0, floor allowance 0.2: out of reach as long as the reach over it is
    higher, however low the ground beside it lies; within reach as soon as one node of it is."""
    reach = np.tile([1.0, 0.7, 0.41, 0.3, 0.25, -4.8, -4.8], (5, 1))
    flat = np.zeros(reach.shape, bool)
    flat[:, 2:5] = True
    reach[:, 5] = 0.2
    assert not checkleft._comes_down(reach, flat, 0.2, 0.2).any()
    reach[:, 4] = 0.2
    assert checkleft._comes_down(reach, flat, 0.2, 0.2)[0, 2:5].tolist() == [False, True, True]


def test_a_level_facet_in_a_saddle_is_no_floor():
    """What a flat tip leaves of a height field is its closing by the tip's disc: in the middle of a saddle
    that is higher than the saddle, if by less than heights are exact; on level ground it is the ground."""
    from scipy.ndimage import grey_closing

    x = 0.3 * np.arange(-40, 41)
    disc = np.hypot(*np.meshgrid(x[30:51], x[30:51])) <= 3.0
    flat = np.zeros((81, 81), bool)
    flat[39:42, 39:42] = True
    for bend, floor in ((3e-4, False), (0.0, True)):
        ground = bend * (x[None, :] ** 2 - x[:, None] ** 2)
        reach = grey_closing(ground, footprint=disc)
        assert 0.0 <= reach[40, 40] < checkleft.DOUBT
        assert (reach[40, 40] > 0.0) != floor
        assert checkleft._comes_down(reach, flat, 0.0, float(ground[flat].max())).any() == floor


def side_cuts(cuts):
    """Side cuts along the long side of the block, one after the other: (phi, feed) of each, 4 mm deep."""
    y = HALF[1] + R
    lines = ["G21 G17 G90 G94 G54", "T1 M6", "S6000 M3", f"G0 X-60. Y{y:.4f}", "G43 H1 Z10."]
    for phi, feed in cuts:
        y -= R * (1 - math.cos(math.radians(phi)))
        lines += ["Z10.", "X-60.", f"Y{y:.4f}", "G1 Z-4. F3000", f"G1 X60. F{feed:.1f}", "G0 Z10."]
    return "\n".join([*lines, "M30"])


def test_share_of_time_near_the_chip_wanted(case):
    """Two side cuts of equal length, one at the chip wanted and one at two thirds of it: h = fz sin(phi)."""
    from zrough.cutting import propose

    feed = propose(case.job).chip_at_cap / math.sin(math.radians(50.0)) * 4 * 6000
    cuts = [(50.0, feed), (50.0, feed / 1.5)]
    result = check(side_cuts(cuts), case.job, part=case.part, stock=case.stock)
    assert result.chip_share == pytest.approx(1.0 / 2.5, abs=0.02)


def test_a_chip_that_may_stay_thin_is_the_one_wanted(case):
    """In a bite of 6 degrees the feed rises to three times the chip (common practice; tables end at
    2.3), where keeping the chip would take 9.6 times: that feed is what is wanted, and half of it is not."""
    from zrough.cutting import propose

    most = 3.0 * propose(case.job).max_chip * 4 * 6000
    assert most < case.job.machine.max_feed
    result = check(side_cuts([(6.0, most), (6.0, most / 2.0)]), case.job, part=case.part, stock=case.stock)
    assert result.chip_share == pytest.approx(1.0 / 3.0, abs=0.03)
