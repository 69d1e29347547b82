"""A boss on a plate, a good program for it written by hand, and faults to plant. Imports nothing of the
planner."""

from __future__ import annotations

import math

import numpy as np
import trimesh

from zrough.job import Job
from zrough.part import load
from zrough.stock import Stock

R, WALL, FLOOR = 5.0, 0.3, 0.2
BOSS = (12.0, 8.0)  # half sides
HALF = (40.0, 30.0)  # of the block
TOP, PLATE = -2.0, -20.0


def mesh():
    boss = trimesh.creation.box(bounds=[(-BOSS[0], -BOSS[1], -25), (*BOSS, TOP)])
    plate = trimesh.creation.box(bounds=[(-HALF[0], -HALF[1], -30), (*HALF, PLATE)])
    both = trimesh.boolean.union([boss, plate], engine="manifold")
    return np.asarray(both.vertices), np.asarray(both.faces)


def job(**tables):
    data = {
        "stock": {"kind": "block", "min": [-HALF[0], -HALF[1], -30.0], "max": [*HALF, 0.0]},
        "cutter": [{"diameter": 2 * R, "flutes": 4, "flute_length": 25.0, "overhang": 35.0}],
        "material": {"name": "P"},
        "machine": {"max_spindle_rpm": 12000.0, "max_feed": 6000.0, "travel_min": [-90.0, -90.0, -60.0],
                    "travel_max": [90.0, 90.0, 60.0]},
        "roughing": {"engagement_deg": 60.0, "wall_allowance": WALL, "floor_allowance": FLOOR},
        "entry": {"ramp_angle_deg": 3.0},
    }  # fmt: skip
    for name, table in tables.items():
        data[name] = {**data.get(name, {}), **table} if isinstance(table, dict) else table
    return Job.from_dict(data, mesh=mesh())


class Case:
    """One job with its part and stock loaded once."""

    def __init__(self, **tables):
        self.job = job(**tables)
        self.part = load(self.job)
        self.stock = Stock.from_job(self.job, self.part)

    def faults(self, text):
        from zrough.check import find_faults

        return find_faults(text, self.job, part=self.part, stock=self.stock)


def ring(hx, hy, corner=2.0):
    """Clockwise round the boss: material on the right, climb. Starts and ends at the left top corner."""
    return [
        f"G1 X{hx - corner:.4f} F1500",
        f"G2 X{hx:.4f} Y{hy - corner:.4f} I0. J{-corner:.4f}",
        f"G1 Y{-hy + corner:.4f}",
        f"G2 X{hx - corner:.4f} Y{-hy:.4f} I{-corner:.4f} J0.",
        f"G1 X{-hx + corner:.4f}",
        f"G2 X{-hx:.4f} Y{-hy + corner:.4f} I0. J{corner:.4f}",
        f"G1 Y{hy:.4f}",
    ]


def rings(count=12):
    """Half sides of the cutter's path, from outside inward to the wall allowance."""
    first = (HALF[0] + R, HALF[1] + R)
    last = (BOSS[0] + R + WALL, BOSS[1] + R + WALL)
    return [
        tuple(f + (e - f) * k / count for f, e in zip(first, last, strict=True)) for k in range(1, count + 1)
    ]


def good_program(levels=(-10.0, PLATE + FLOOR)):
    """Lines of a program with no fault: levels of rings round the boss."""
    out = ["%", "O0001 (boss)", "G21 G17 G90 G94 G54", "T1 M6", "S6000 M3", "G0 X-60. Y50.", "G43 H1 Z10."]
    for z in levels:
        out.append(f"G1 Z{z:.4f} F3000")
        for hx, hy in rings():
            out.append(f"G1 X{-hx:.4f} Y{hy:.4f} F1500")
            out += ring(hx, hy)
        out += [f"G1 Z{z + 0.3:.4f} F3000", "G1 X-60. Y50.", "Z10."]
    return [*out, "M5", "M30", "%"]


def closest(lines, start):
    """Index of the first line that begins with ``start``."""
    return next(k for k, line in enumerate(lines) if line.startswith(start))


def degrees_for(width):
    return math.degrees(math.acos(1 - width / R))
