"""Reading NC text: the worked arc of NIST IR 6556, modal state, and that nothing strange passes unnamed."""

from __future__ import annotations

import math

import numpy as np
import pytest

from zrough.errors import NcError
from zrough.ncread import Motion, read

HEAD = "G21 G17 G90 G94\nF1000\n"


def codes(program):
    return [f.code for f in program.findings]


def test_the_worked_helical_arc_of_nist_ir_6556():
    # NIST IR 6556, 3.5.3.2: "G17 G2 X10 Y16 I3 J4 Z9" from (7, 7): centre (10, 11), radius 5 at both ends.
    program = read(HEAD + "G0 X7 Y7 Z5\nG17 G2 X10 Y16 I3 J4 Z9\nM2")
    assert program.kind[-1] == Motion.CW
    assert program.centre[-1][:2] == pytest.approx((10.0, 11.0), abs=1e-12)
    for point in (program.start[-1], program.end[-1]):
        assert math.dist(point[:2], (10.0, 11.0)) == pytest.approx(5.0, abs=1e-12)
    # Sweep and length worked out here from the geometry: 143.130 degrees, 12.4905 mm in plan.
    assert math.degrees(program.sweep[-1]) == pytest.approx(-143.1301, abs=1e-4)
    assert program.lengths()[-1] == pytest.approx(math.hypot(12.4905, 4.0), abs=1e-4)
    assert codes(program) == []


def test_the_radius_arc_of_nist_ir_6556():
    # NIST IR 6556, 3.5.3.1: "G17 G2 X10 Y15 R20 Z5": radius 20, the short way round, clockwise.
    program = read(HEAD + "G0 X7 Y7 Z9\nG17 G2 X10 Y15 R20 Z5\nM2")
    centre = program.centre[-1][:2]
    assert math.dist(centre, (7, 7)) == pytest.approx(20.0, abs=1e-9)
    assert math.dist(centre, (10, 15)) == pytest.approx(20.0, abs=1e-9)
    assert -math.pi < program.sweep[-1] < 0.0
    long_way = read(HEAD + "G0 X7 Y7 Z9\nG17 G2 X10 Y15 R-20 Z5\nM2")
    assert long_way.sweep[-1] < -math.pi


@pytest.mark.parametrize(
    ("off", "good"), [(0.0019, True), (0.0021, False), (-0.0019, True), (-0.0021, False)]
)
def test_radius_mismatch_limit_in_mm(off, good):
    # NIST IR 6556, 3.5.3.2: an error if the radii differ by more than .002 mm.
    program = read(HEAD + f"G0 X10 Y0 Z0\nG3 X0 Y{10 + off:.4f} I-10 J0\nM2")
    assert ("arc-radius" in codes(program)) is not good
    if not good:
        assert program.findings[0].line == 4


@pytest.mark.parametrize(("off", "good"), [(0.00019, True), (0.00021, False)])
def test_radius_mismatch_limit_in_inch(off, good):
    # NIST IR 6556, 3.5.3.2: .0002 inch.
    program = read(f"G20 G17 G90\nF40\nG0 X1 Y0 Z0\nG3 X0 Y{1 + off:.5f} I-1 J0\nM2")
    assert ("arc-radius" in codes(program)) is not good


def test_inch_words_and_units_of_feed():
    for word in ("G20", "G70"):
        program = read(f"{word} G90\nG0 X0 Y0 Z1\nG1 X2 F10\nM30")
        assert program.end[-1] == pytest.approx((50.8, 0.0, 25.4))
        assert program.feed[-1] == pytest.approx(254.0)
        assert program.units == "inch"


def test_incremental_equals_absolute():
    absolute = read(HEAD + "G0 X1 Y2 Z3\nG1 X5 Y2\nG3 X5 Y6 I0 J2\nG1 Z1\nM30")
    steps = read(HEAD + "G0 X1 Y2 Z3\nG91 G1 X4\nG3 X0 Y4 J2\nG1 Z-2\nG90\nM30")
    assert steps.end == pytest.approx(absolute.end)
    assert steps.sweep == pytest.approx(absolute.sweep)


def test_full_circle_repeats_an_axis():
    program = read(HEAD + "G0 X5 Y0 Z0\nG2 X5 I-5\nM30")
    assert program.sweep[-1] == pytest.approx(-2 * math.pi)
    assert "arc" in codes(
        read(HEAD + "G0 X5 Y0 Z0\nG2 I-5\nM30")
    )  # NIST IR 6556, 3.5.3.2: X and Y both omitted


def test_planes():
    program = read(HEAD + "G0 X0 Y0 Z0\nG18 G2 X10 Z-10 I0 K-10\nG19 G3 Y10 Z0 J10 K0\nM30")
    assert program.plane.tolist()[1:] == [18, 19]
    assert program.lengths()[1:] == pytest.approx([10 * abs(program.sweep[1]), 10 * abs(program.sweep[2])])


def test_modal_words_comments_numbers_and_spaces():
    text = (
        "%\nO0012 (a part)\nN10 G21G90G17\nN20 g0 x 1. 5 y-.5 ; to the start\n/ N30 z5\n"
        "N40 G01 Z-1 F+200.\n(note) X3\nM30\n%\nrest"
    )
    program = read(text)
    assert program.end[-1] == pytest.approx((3.0, -0.5, -1.0))
    assert program.end[0][:2] == pytest.approx((1.5, -0.5))
    assert program.line.tolist() == [4, 5, 6, 7]
    assert program.feed.tolist() == [0, 0, 200, 200]
    assert codes(program) == ["block-delete"]
    assert len(read(text, block_delete=True)) == 3


def test_spindle_tool_dwell_and_offsets():
    program = read(
        "G21 G90 G54\nT7 M6\nS4000 M3\nG43 H7 G0 X0 Y0 Z5\nG4 P1.5\nG1 Z0 F100\nM5\nG1 X1\nM4 S500 X2\nM30"
    )
    assert program.spindle.tolist() == [4000, 4000, 0, -500]
    assert set(program.tool) == {7}
    assert program.dwells == ((5, 1.5),)
    assert program.work_offset == "G54"
    assert program.tool_changes == (2,)
    assert program.findings == ()


def test_the_length_of_another_tool_is_named():
    program = read("G21 G90\nT7 M6\nS4000 M3\nG43 H2 G0 X0 Y0 Z5\nG1 Z0 F100\nM30")
    assert [(f.code, f.line) for f in program.findings] == [("length-offset", 4)]
    assert "H2" in program.findings[0].message
    assert "T7" in program.findings[0].message


def test_inverse_time_and_feed_per_turn():
    program = read("G21 G90\nG0 X0 Y0 Z0\nS1000 M3\nG93 G1 X30 F2\nG94 G1 X0 F50\nG95 X10 F0.2\nM30")
    assert program.feed[1:] == pytest.approx([60.0, 50.0, 200.0])
    missing = read("G21 G90\nG0 X0 Y0 Z0\nG93 G1 X30 F2\nX0\nM30")
    assert [(f.code, f.line) for f in missing.findings] == [("feed-missing", 4)]


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ("G1 X10 Y5 U3", "not-understood"),
        ("G41 D1 X3", "not-understood"),
        ("G81 X3 Y3 Z-4 R2", "not-understood"),
        ("G92 X0", "not-understood"),
        ("G10 L2 P1 X0", "not-understood"),
        ("#100=5", "not-understood"),
        ("X[1+2]", "not-understood"),
        ("M98 P1000", "not-understood"),
        ("G1 X1 (open", "not-understood"),
        ("G1 X1 X2", "repeated-word"),
        ("G1 G2 X3 I1", "modal-group"),
        ("G20", "units-change"),
        ("G55", "offset-change"),
        ("G2 X5 Y5", "arc"),
        ("G2 X5 Y5 R1", "arc-radius"),
        ("G1 X1.2.3", "not-understood"),
        ("G1 X1e3", "not-understood"),
        ("HELLO", "not-understood"),
    ],
)
def test_what_is_wrong_is_named_with_its_line(line, code):
    program = read(f"G21 G90 G17 G54\nF500 S1000 M3\nG0 X0 Y0 Z0\n{line}\nG1 X20\nM30")
    found = [f for f in program.findings if f.code == code]
    assert found
    assert found[0].line == 4
    assert "line 4" in found[0].message


def test_missing_feed_is_named_once_at_its_line():
    program = read("G21 G90\nG0 X0 Y0 Z5\nG1 Z0\nX10\nF100\nX20\nM30")
    assert [(f.code, f.line) for f in program.findings] == [("feed-missing", 3)]
    assert np.isnan(program.feed[1:3]).all()


def test_machine_positions_are_named_and_forgotten():
    program = read("G21 G90\nG0 X0 Y0 Z5\nG28 G91 Z0\nG90\nG0 X10 Y10\nG53 Z0\nM30")
    assert codes(program) == ["machine-position", "machine-position"]
    assert np.isnan(program.end[-1][2])


def test_start_not_known_until_said():
    program = read("G21 G90 F100\nG1 X5\nM30")
    assert "start-unknown" in codes(program)


def test_no_motion_and_binary_are_errors():
    with pytest.raises(NcError, match="no motion"):
        read("G21\nM30\n")
    with pytest.raises(NcError, match="binary"):
        read("G0 X1\x00")


def test_slow_and_fast_reading_agree():
    """The commonest lines take a short cut; a comment of a harmless word forces the long way."""
    rng = np.random.default_rng(3)
    fast, slow = [HEAD + "G0 X0 Y0 Z0\n"], [HEAD + "G0 X0 Y0 Z0\n"]
    for _ in range(300):
        x, y, z = np.round(rng.uniform(-50, 50, 3), 4)
        words = (
            f"G1 X{x} Y{y}"
            + (f" Z{z}" if rng.random() < 0.3 else "")
            + (f" F{rng.integers(10, 900)}" if rng.random() < 0.3 else "")
        )
        fast.append(words + "\n")
        slow.append(words + " M8\n")
    a, b = read("".join(fast) + "M30"), read("".join(slow) + "M30")
    for name in ("start", "end", "feed", "kind", "line"):
        np.testing.assert_array_equal(getattr(a, name), getattr(b, name))
