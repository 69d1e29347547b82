"""The time model against analytic cases."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from zrough import timing
from zrough.ncread import read
from zrough.timing import Course, corner_speed, move_times


def machine(**changes):
    plain = {
        "acceleration": 1000.0, "rapid": 1e9, "max_feed": 1e9, "corner_tolerance": 0.01, "block_time_ms": 0.0,
        "jerk": None,
    }  # fmt: skip
    return SimpleNamespace(**{**plain, **changes})


def program(*lines):
    return read("\n".join(["G21 G90 G17", "G0 X0 Y0 Z0", *lines, "M30"]))


@pytest.mark.parametrize(
    ("length", "speed", "acceleration", "seconds"),
    [(100.0, 100.0, 1000.0, 1.1), (5.0, 100.0, 1000.0, 0.141421), (500.0, 500.0, 3000.0, 1.166667)],
)
def test_one_line_from_rest_to_rest(length, speed, acceleration, seconds):
    # Trapezoid t = L/v + v/a, triangle t = 2 sqrt(L/a): textbook kinematics; the numbers are worked out here.
    times = move_times(program(f"G1 X{length} F{speed * 60}"), machine(acceleration=acceleration))
    assert times[-1] == pytest.approx(seconds, rel=1e-5)


def test_unequal_ramps_are_a_triangle_of_two_slopes():
    """Peak of unequal ramps sqrt(2 a b L / (a + b)) (tech-champion.com motion article: 100 m, 2 and 4 m/s2:
    16.33 m/s).

    The model has one acceleration; with both ramps at a the formula gives sqrt(a L), the triangle's peak.
    """
    assert math.sqrt(2 * 2 * 4 * 100 / (2 + 4)) == pytest.approx(16.33, abs=0.005)
    times = move_times(program("G1 X100 F99999999"), machine(acceleration=2.0))
    peak = math.sqrt(2.0 * 100.0)
    assert times[-1] == pytest.approx(2 * peak / 2.0, rel=1e-9)


@pytest.mark.parametrize(
    ("tolerance", "angle", "limit"), [(0.01, 90.0, 416.9), (0.01, 135.0, 934.8), (0.02, 170.0, 6139.9)]
)
def test_corner_speeds(tolerance, angle, limit):
    # R = delta s / (1 - s), s = sin(theta / 2), v = sqrt(a R): formula from memory, numbers worked out here;
    # mm/min.
    cosine = np.array([-math.cos(math.radians(angle))])
    assert 60 * corner_speed(cosine, 2000.0, tolerance)[0] == pytest.approx(limit, abs=0.05)


@pytest.mark.parametrize(("acceleration", "radius", "limit"), [(2000.0, 5.0, 6000.0), (1000.0, 2.0, 2683.3)])
def test_arcs_are_limited_by_their_radius(acceleration, radius, limit):
    # v = sqrt(a R). A circle of many turns: the ramps at its ends fall away.
    turns = [f"G3 X0 Y0 I{radius}"] * 200
    lines = program(f"G3 X0 Y0 I{radius} F99999", *turns)
    times = move_times(lines, machine(acceleration=acceleration))
    assert 2 * math.pi * radius / times[100] * 60 == pytest.approx(limit, rel=1e-4)


def test_straight_on_costs_nothing_and_pieces_add_up():
    whole = move_times(program("G1 X100 F6000"), machine()).sum()
    cut = move_times(program("G1 X10 F6000", *[f"X{x}" for x in range(20, 101, 10)]), machine()).sum()
    assert cut == pytest.approx(whole, rel=1e-9)
    assert whole == pytest.approx(1.1, rel=1e-9)


def test_many_short_pieces_still_reach_full_speed_only_with_look_ahead():
    lines = program("G1 X0.1 F6000", *[f"X{0.1 * k:.1f}" for k in range(2, 1001)])
    free = move_times(lines, machine()).sum()
    blind = move_times(lines, machine(), look_ahead=1).sum()
    assert free == pytest.approx(1.1, rel=1e-6)
    # Seeing one piece ahead the control must be able to stop in 0.1 mm: sqrt(2 a 0.1) = 14.14 mm/s at each
    # joint, sqrt(300) = 17.32 mm/s in between.
    assert 100 / math.sqrt(300) < blind < 100 / math.sqrt(200)


def test_right_angle_against_a_hand_worked_sum():
    """Two legs of 50 mm at 100 mm/s, a 1000: each ramps from rest to 100 (5 mm), down to the corner's
    speed."""
    corner = corner_speed(np.array([0.0]), 1000.0, 0.01)[0]
    down = (100.0**2 - corner**2) / 2000.0
    leg = 0.1 + (100.0 - corner) / 1000.0 + (50.0 - 5.0 - down) / 100.0
    times = move_times(program("G1 X50 F6000", "Y50"), machine())
    assert times[1:] == pytest.approx([leg, leg], rel=1e-9)


def test_block_time_limits_short_motions():
    lines = program("G1 X0.1 F60000", *[f"X{0.1 * k:.1f}" for k in range(2, 2001)])
    times = move_times(lines, machine(block_time_ms=2.0, acceleration=1e6))
    assert times[500] == pytest.approx(0.002, rel=1e-9)


def test_jerk_adds_its_filter_time_to_each_stretch():
    # Speed of a trapezoid averaged over a / j: the S-curve's L/v + v/a + a/j, textbook kinematics.
    times = move_times(program("G1 X100 F6000"), machine(jerk=20000.0))
    assert times[-1] == pytest.approx(1.1 + 1000.0 / 20000.0, rel=1e-9)


def test_helix_runs_along_its_path():
    # NIST IR 6556, 2.1.2.6: the feed holds along the helix, not its plan.
    times = move_times(program("G3 X0 Y0 I20 Z-30 F600"), machine(acceleration=1e7))
    assert times[-1] == pytest.approx(math.hypot(40 * math.pi, 30) / 10.0, rel=1e-4)


def test_rapids_stop_and_use_the_rapid_rate():
    times = move_times(read("G21 G90\nG0 X0 Y0 Z0\nG0 X100\nG0 X200\nM30"), machine(rapid=6000.0))
    assert times[1:] == pytest.approx([1.1, 1.1])


def test_motion_of_no_length_takes_no_time_and_hides_no_corner():
    plain = move_times(program("G1 X50 F6000", "Y50"), machine())
    padded = move_times(program("G1 X50 F6000", "X50", "X50", "Y50"), machine())
    assert padded.sum() == pytest.approx(plain.sum())
    assert padded[2] == 0.0


def test_toolpath_arrays_and_program_agree():
    path = SimpleNamespace(
        xyz=np.array([(0.0, 0, 0), (30, 0, 0), (40, 10, 0), (40, 30, 0)]),
        feed=np.array([0.0, 3000, 3000, 3000]),
        turn=np.array([0, 0, 1, 0], np.int8),
        centre=np.array([(np.nan, np.nan), (np.nan, np.nan), (30, 10), (np.nan, np.nan)]),
    )
    text = program("G1 X30 F3000", "G3 X40 Y10 J10", "G1 Y30")
    assert move_times(path, machine()) == pytest.approx(move_times(text, machine()))


def test_law_more_acceleration_is_never_slower():
    rng = np.random.default_rng(2)
    for _ in range(20):
        lines = [
            f"G1 X{x:.3f} Y{y:.3f} F{f:.0f}"
            for x, y, f in zip(*rng.uniform(1, 60, (2, 40)), rng.uniform(500, 9000, 40), strict=True)
        ]
        slow, quick = (move_times(program(*lines), machine(acceleration=a)).sum() for a in (800.0, 1600.0))
        assert quick <= slow + 1e-12


def test_model_says_it_is_one():
    assert "model" in timing.MODEL
    assert isinstance(timing.course_of(program("G1 X1 F60"), machine()), Course)
