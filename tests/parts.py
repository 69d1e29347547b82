"""Small solids for tests, and the example parts; each returns ``(vertices (n, 3), faces (m, 3))``, mm."""

from __future__ import annotations

import importlib.util
import sys
from functools import cache
from itertools import pairwise
from pathlib import Path
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

Mesh = tuple[NDArray[np.float64], NDArray[np.int64]]
EXAMPLES = Path(__file__).resolve().parent.parent / "examples"


@cache
def maker() -> ModuleType:
    """examples/make_parts.py as a module."""
    spec = importlib.util.spec_from_file_location("make_parts", EXAMPLES / "make_parts.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@cache
def example(name: str) -> Mesh:
    """One of the example parts by name, in its own unit (``hinge_insert_inch`` is in inches)."""
    return maker().PARTS[name]()


def box(low: tuple[float, float, float], high: tuple[float, float, float]) -> Mesh:
    """A block."""
    m = maker()
    (x0, y0, z0), (x1, y1, z1) = low, high
    return m.upright(m.rounded([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], 0).points, z0, [], z1)


def pocket(
    width: float = 60, height: float = 40, depth: float = 10, radius: float = 8, rim: float = 15
) -> Mesh:
    """A block with one upright-walled pocket about the origin; top at z = 0, 5 mm of floor."""
    m = maker()
    outside = m.rectangle(0, 0, width + 2 * rim, height + 2 * rim, 0).points
    return m.upright(outside, -depth - 5, [m.Region(m.rectangle(0, 0, width, height, radius).points, -depth)])


def drafted_pocket(draft_deg: float, turn: float = 0.12) -> Mesh:
    """A 58 x 50 x 12 pocket, corners 10, turned about Z by ``turn`` rad, in a 90 x 80 x 20 block."""
    make = maker()
    block, base = make.rectangle(0, 0, 90, 80, 0), make.rectangle(0, 0, 58, 50, 10)
    spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    rim = make.Loop(base.points @ spin, base.normals @ spin)
    foot = rim.grown(-12 * np.tan(np.radians(draft_deg)))
    shell = make.Shell()
    shell.flat(-20, block.points, up=False)
    shell.wall(block.points, -20, block.points, 0)
    shell.flat(0, block.points, [rim.points])
    shell.hole_wall(foot, -12, rim.points, 0)
    shell.flat(-12, foot)
    return shell.mesh()


def island_pocket(depth: float = 12, island_top: float = -4) -> Mesh:
    """An 80 x 60 pocket with a round island, radius 9, at (12, 5)."""
    m = maker()
    pocket = m.Region(m.rectangle(0, 0, 80, 60, 10).points, -depth)
    island = m.Region(m.circle(12, 5, 9).points, island_top, within=0)
    return m.upright(m.rectangle(0, 0, 110, 90, 0).points, -depth - 5, [pocket, island])


def frustum(
    radius: float = 20, height: float = 20, draft_deg: float = 10, base: float = 80, chord: float = 0.004
) -> Mesh:
    """A drafted round core, its foot of the given radius at z = -height, its top at 0, on a square plate."""
    m = maker()
    shell = m.Shell()
    plate = m.rectangle(0, 0, base, base, 0).points
    foot = m.circle(0, 0, radius, chord=chord)
    shell.flat(-height - 10, plate, up=False)
    shell.wall(plate, -height - 10, plate, -height)
    shell.flat(-height, plate, [foot.points])
    shell.boss(foot, -height, 0, draft_deg)
    return shell.mesh()


def dome(radius: float = 20, base: float = 80, rings: int = 40, spokes: int = 120) -> Mesh:
    """A half ball whose top is at z = 0, on a square plate at z = -radius."""
    m = maker()
    shell = m.Shell()
    plate = m.rectangle(0, 0, base, base, 0).points
    t = 2 * np.pi * np.arange(spokes) / spokes
    ray = np.stack([np.cos(t), np.sin(t)], axis=1)
    lift = np.linspace(0, np.pi / 2, rings + 1)
    shell.flat(-radius - 10, plate, up=False)
    shell.wall(plate, -radius - 10, plate, -radius)
    shell.flat(-radius, plate, [radius * ray])
    for low, high in pairwise(lift):
        a, b = radius * np.cos(low) * ray, radius * np.cos(high) * ray
        if high == lift[-1]:
            b = np.zeros_like(b)
        shell.wall(a, radius * (np.sin(low) - 1), b, radius * (np.sin(high) - 1))
    return shell.mesh()


def turned(
    profile: list[tuple[float, float]], base: float = 80, spokes: int = 720, under: float = 10
) -> Mesh:
    """A body of revolution on a square plate.

    ``profile``: (radius, z) from the plate upwards; a radius of 0 at the end closes it in a point, else a
    flat.
    """
    m = maker()
    shell = m.Shell()
    plate = m.rectangle(0, 0, base, base, 0).points
    t = 2 * np.pi * np.arange(spokes) / spokes
    ray = np.stack([np.cos(t), np.sin(t)], axis=1)
    foot = profile[0][1]
    shell.flat(foot - under, plate, up=False)
    shell.wall(plate, foot - under, plate, foot)
    shell.flat(foot, plate, [profile[0][0] * ray])
    for (r0, z0), (r1, z1) in pairwise(profile):
        shell.wall(r0 * ray, z0, r1 * ray, z1)
    if profile[-1][0] > 0:
        shell.flat(profile[-1][1], profile[-1][0] * ray)
    return shell.mesh()


def drafted_box(
    half: float = 14, height: float = 12, draft_deg: tuple[float, float, float, float] = (20, 20, 20, 20),
    turn_deg: float = 17, base: float = 70,
) -> Mesh:  # fmt: skip
    """A square frustum on a plate, turned about Z, top at z = 0; drafts of the sides -y, +x, +y, -x."""
    m = maker()
    shell = m.Shell()
    plate = m.rectangle(0, 0, base, base, 0).points
    low = np.array([[-half, -half], [half, -half], [half, half], [-half, half]], float)
    inset = height * np.tan(np.radians(draft_deg))
    high = low.copy()
    high[:2, 1] += inset[0]
    high[1:3, 0] -= inset[1]
    high[2:, 1] -= inset[2]
    high[[0, 3], 0] += inset[3]
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    turn = np.array([[c, s], [-s, c]])
    low, high = low @ turn, high @ turn
    shell.flat(-height - 10, plate, up=False)
    shell.wall(plate, -height - 10, plate, -height)
    shell.flat(-height, plate, [low])
    shell.wall(low, -height, high, 0)
    shell.flat(0, high)
    return shell.mesh()
