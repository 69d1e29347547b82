"""Two hundred and more seeded edits of a good program: each fault is found where it is, no harmless edit is
blamed.

What an edit must lead to follows from how it is made, never from what the check says.
"""

from __future__ import annotations

import re

import numpy as np
import pytest
from check_case import FLOOR, PLATE, WALL, Case, good_program, rings

pytestmark = pytest.mark.compiled

LEVELS = (-10.0, PLATE + FLOOR)
RINGS = rings()
BLOCK = 8  # lines of a ring with the step that leads to it


def ring_start(lines, level, k):
    """Index of the step to ring k of a level."""
    head = f"G1 Z{LEVELS[level]:.4f}"
    return next(i for i, line in enumerate(lines) if line.startswith(head)) + 1 + BLOCK * k


# Each mutation: (lines, rng) -> (lines, codes that must appear, first index edited, last index that may be
# blamed).


def deeper_floor(lines, rng):
    i = ring_start(lines, 1, 0) - 1
    lines[i] = f"G1 Z{PLATE - rng.uniform(0.01, 0.5):.4f} F3000"
    return lines, {"gouge"}, i, i + 1 + BLOCK * len(RINGS)


def thinner_wall(lines, rng):
    level = int(rng.integers(2))
    i = ring_start(lines, level, len(RINGS) - 1) + 3  # the right side, downward
    hx, _hy = RINGS[-1]
    push = WALL + rng.uniform(0.01, 1.0)
    lines[i] = f"G1 X{hx - push:.4f} Y0."
    return lines, {"gouge"}, i, i + 1


def thinner_allowance(lines, rng):
    i = ring_start(lines, int(rng.integers(2)), len(RINGS) - 1) + 3
    hx, _hy = RINGS[-1]
    lines[i] = f"G1 X{hx - rng.uniform(0.02, WALL - 0.02):.4f} Y0."
    return lines, {"allowance"}, i, i + 1


def rapid_cut(lines, rng):
    """A cutting line run at rapid."""
    i = ring_start(lines, int(rng.integers(2)), int(rng.integers(len(RINGS)))) + int(rng.choice([3, 5, 7]))
    lines[i] = lines[i].replace("G1", "G0")
    return lines, {"rapid-in-material"}, i, i


def ring_left_out(lines, rng):
    k = int(rng.integers(1, len(RINGS) - 1))
    i = ring_start(lines, int(rng.integers(2)), k)
    del lines[i : i + BLOCK]
    return lines, {"overload"}, i, i + BLOCK


def plunge(lines, rng):
    i = ring_start(lines, 0, 0) - 1
    x, y, z = rng.uniform(-30, 30), rng.uniform(-20, 20), -rng.uniform(0.1, 1.7)
    lines[i:i] = [f"G1 X{x:.4f} Y{y:.4f} F3000", f"G1 Z{z:.4f} F200", "G1 Z10. F3000", "G1 X-60. Y50."]
    return lines, {"plunge"}, i, i + 1


def rapid_plunge(lines, rng):
    i = ring_start(lines, 0, 0) - 1
    x, y, z = rng.uniform(-30, 30), rng.uniform(-20, 20), -rng.uniform(0.1, 1.7)
    lines[i:i] = [f"G1 X{x:.4f} Y{y:.4f} F3000", f"G0 Z{z:.4f}", "G1 Z10. F3000", "G1 X-60. Y50."]
    return lines, {"rapid-in-material"}, i, i + 1


def steep_ramp(lines, rng):
    i = ring_start(lines, 0, 0) - 1
    run, angle = rng.uniform(4, 15), np.radians(rng.uniform(3.5, 30))
    drop = min(1.7, run * np.tan(angle))
    run = drop / np.tan(angle)
    x, y = rng.uniform(-20, 5), rng.uniform(-20, 20)
    lines[i:i] = [
        f"G1 X{x:.4f} Y{y:.4f} F3000",
        "Z0.",
        f"G1 X{x + run:.4f} Z{-drop:.4f} F300",
        "G1 Z10. F3000",
        "G1 X-60. Y50.",
    ]
    return lines, {"ramp-angle"}, i, i + 2


def moved_centre(lines, rng):
    i = ring_start(lines, int(rng.integers(2)), int(rng.integers(len(RINGS)))) + int(rng.choice([2, 4, 6]))
    off = rng.choice([-1, 1]) * rng.uniform(0.005, 0.5)
    which = "J" if "I0." in lines[i] else "I"
    lines[i] = re.sub(which + r"(-?\d+\.\d+)", lambda m: f"{which}{float(m[1]) + off:.4f}", lines[i])
    return lines, {"arc-radius"}, i, i + 1


def feed_lost(lines, rng):
    del rng
    i = ring_start(lines, 0, 0) - 1
    lines[i] = lines[i].split(" F")[0]
    return lines, {"feed-missing"}, i, i


def feed_too_high(lines, rng):
    i = ring_start(lines, int(rng.integers(2)), int(rng.integers(len(RINGS)))) + 1
    lines[i] = re.sub(r"F\d+", f"F{rng.integers(6001, 60000)}", lines[i])
    return lines, {"feed-limit"}, i, i


def spindle_stopped(lines, rng):
    i = ring_start(lines, int(rng.integers(2)), int(rng.integers(len(RINGS)))) + int(rng.choice([1, 3, 5]))
    lines.insert(i, "M5")
    return lines, {"spindle-stopped"}, i, i + 1


def spindle_backward(lines, rng):
    i = ring_start(lines, int(rng.integers(2)), int(rng.integers(len(RINGS)))) + int(rng.choice([1, 3, 5]))
    lines.insert(i, "M4")
    return lines, {"spindle-direction"}, i, i + 1


def unit_swapped(lines, rng):
    del rng
    i = next(k for k, line in enumerate(lines) if "G21" in line)
    lines[i] = lines[i].replace("G21", "G20")
    return lines, {"unit"}, i, len(lines)


def out_of_travel(lines, rng):
    i = next(k for k, line in enumerate(lines) if line.startswith("G1 X-60. Y50."))
    axis = rng.choice(["X", "Y"])
    lines.insert(i, "G1 Z10.")
    lines.insert(i + 1, f"G1 {axis}{rng.choice([-1, 1]) * rng.uniform(91, 200):.4f}")
    return lines, {"travel"}, i, i + 2


def strange_word(lines, rng):
    i = ring_start(lines, int(rng.integers(2)), int(rng.integers(len(RINGS)))) + int(rng.integers(BLOCK))
    lines[i] += " " + str(rng.choice(["A30.", "U2.", "X#3", "G68 R30", "[3]", "G92", "G81 R2", "G41 D1"]))
    return lines, None, i, len(lines)


def short_cut(lines, rng):
    """Home straight through the boss instead of round it."""
    i = ring_start(lines, int(rng.integers(2)), int(rng.integers(len(RINGS)))) + 3
    lines[i] = f"G1 X{-RINGS[0][0]:.4f} Y{rng.uniform(-3, 3):.4f}"
    return lines, {"gouge"}, i, len(lines)  # what was left standing is met later


def wrong_axis(lines, rng):
    i = ring_start(lines, int(rng.integers(2)), int(rng.integers(len(RINGS)))) + 3
    lines[i] = lines[i].replace("Y", "Z")
    return lines, None, i, len(lines)


FAULTY = [
    deeper_floor, thinner_wall, thinner_allowance, rapid_cut, ring_left_out, plunge, rapid_plunge, steep_ramp,
    moved_centre, feed_lost, feed_too_high, spindle_stopped, spindle_backward, unit_swapped, out_of_travel,
    strange_word, short_cut, wrong_axis,
]  # fmt: skip


# Harmless: (lines, rng) -> lines.


def numbered(lines, rng):
    del rng
    return [line if line[0] in "%O" else f"N{10 * k} {line}" for k, line in enumerate(lines)]


def commented(lines, rng):
    i = int(rng.integers(3, len(lines) - 3))
    lines[i] += " (ring)"
    lines.insert(i, "; a note")
    return lines


def slower(lines, rng):
    share = rng.uniform(0.3, 0.99)
    return [re.sub(r"F(\d+)", lambda m: f"F{max(1, round(int(m[1]) * share))}", line) for line in lines]


def spaced(lines, rng):
    del rng
    return [line if line[0] == "%" else line.lower().replace(" ", "   ") for line in lines]


def repeated_mode(lines, rng):
    i = ring_start(lines, int(rng.integers(2)), int(rng.integers(len(RINGS)))) + 1
    lines.insert(i, str(rng.choice(["G90", "G17", "G21", "G94", "M8", "G54", "G64"])))
    return lines


def a_hair_off(lines, rng):
    """Outward by less than matters: a ring 0.02 mm wider."""
    k = int(rng.integers(len(RINGS)))
    i = ring_start(lines, int(rng.integers(2)), k) + 7
    hy = RINGS[k][1]
    lines[i] = f"G1 Y{hy + rng.uniform(0, 0.02):.4f}"
    return lines


def split_line(lines, rng):
    k = int(rng.integers(len(RINGS)))
    i = ring_start(lines, int(rng.integers(2)), k) + 3
    lines.insert(i, f"G1 Y{rng.uniform(-5, 5):.4f}")
    return lines


def detour_in_air(lines, rng):
    i = next(k for k, line in enumerate(lines) if line.startswith("G1 X-60. Y50."))
    lines[i:i] = [
        "Z10. F3000",
        f"G1 X{rng.uniform(-80, 80):.4f} Y{rng.uniform(-80, 80):.4f} Z{rng.uniform(10, 50):.4f}",
    ]
    return lines


def air_ring(lines, rng):
    k = int(rng.integers(len(RINGS)))
    i = ring_start(lines, int(rng.integers(2)), k)
    lines[i + BLOCK : i + BLOCK] = lines[i + 1 : i + BLOCK]
    return lines


def good_ramp(lines, rng):
    i = ring_start(lines, 0, 0) - 1
    run, angle = rng.uniform(8, 25), np.radians(rng.uniform(0.5, 2.9))
    x, y = rng.uniform(-20, -5), rng.uniform(-20, 20)
    drop = min(1.7, run * np.tan(angle))
    lines[i:i] = [f"G1 X{x:.4f} Y{y:.4f} F3000", "Z0.", f"G1 X{x + run:.4f} Z{-drop:.4f} F300",
                  f"G1 X{x:.4f}",
                  "G1 Z10. F3000", "G1 X-60. Y50."]  # fmt: skip
    return lines


HARMLESS = [
    numbered,
    commented,
    slower,
    spaced,
    repeated_mode,
    a_hair_off,
    split_line,
    detour_in_air,
    air_ring,
    good_ramp,
]

ONE_WAY = {feed_lost, unit_swapped, numbered, spaced}  # nothing in them is drawn by lot
CASES = [(m, s) for m in FAULTY for s in range(1 if m in ONE_WAY else 10)]
CASES += [(m, s) for m in HARMLESS for s in range(1 if m in ONE_WAY else 6)]
assert len(CASES) >= 200


@pytest.fixture(scope="module")
def case():
    return Case()


def judge(case, mutation, seed):
    rng = np.random.default_rng([seed, len(mutation.__name__), ord(mutation.__name__[0])])
    lines = good_program(LEVELS)
    if mutation in HARMLESS:
        failures, _ = case.faults("\n".join(mutation(lines, rng)))
        assert failures == (), f"{mutation.__name__} {seed}: {[str(f) for f in failures[:3]]}"
        return
    lines, codes, low, high = mutation(lines, rng)
    failures, _ = case.faults("\n".join(lines))
    where = f"{mutation.__name__} {seed}: {[str(f) for f in failures[:4]]}"
    assert failures, where
    placed = [f for f in failures if f.line]
    if codes is not None:
        right = [f for f in placed if f.code in codes and low + 1 <= f.line <= high + 1]
        assert right, where
    assert min(f.line for f in placed) >= low + 1, where
    if codes is not None:
        assert max(f.line for f in placed) <= max(high + 3, high + 1), where


@pytest.mark.parametrize("mutation", [*FAULTY, *HARMLESS], ids=lambda m: m.__name__)
def test_one_of_each(case, mutation):
    judge(case, mutation, 0)


@pytest.mark.slow
def test_two_hundred_and_more(case):
    for mutation, seed in CASES:
        if seed:
            judge(case, mutation, seed)
