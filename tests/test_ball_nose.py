"""A ball-nose as roughing cutter: it may stand nowhere without touching the ridges of its own passes."""

import math

import numpy as np
import pytest
import shapely
import trimesh

import zrough
from zrough import Job

pytestmark = pytest.mark.compiled

RADIUS, CAP, DEPTH, HALF = 5.0, 50.0, 6.0, 10.0
WALL = FLOOR = 0.2


@pytest.fixture(scope="module")
def planned():
    """A channel 20 mm wide through a block, open at both ends."""
    profile = shapely.box(-22.0, -12.0, 22.0, 0.0) - shapely.box(-HALF, -DEPTH, HALF, 1.0)
    body = trimesh.creation.extrude_polygon(profile, 40.0)  # profile in y, z; extruded along x
    vertices = body.vertices[:, [2, 0, 1]] - (20.0, 0.0, 0.0)
    job = Job.from_dict({
        "units": "mm", "part": {}, "stock": {"min": [-20.0, -22.0, -12.0], "max": [20.0, 22.0, 0.0]},
        "cutter": {"diameter": 2 * RADIUS, "corner_radius": RADIUS, "flutes": 2, "flute_length": 20.0,
                   "overhang": 30.0},
        "material": {"name": "P", "hardness_hb": 200.0},
        "machine": {"max_spindle_rpm": 12000.0, "max_feed": 6000.0},
        "roughing": {"level_depth": 7.0, "stair_height": 0.0, "engagement_deg": CAP, "wall_allowance": WALL,
                     "floor_allowance": FLOOR},
    }).with_mesh(vertices, body.faces)  # fmt: skip
    return zrough.plan(job)


def test_the_channel_is_cleared_from_end_to_end(planned):
    """What stands in the middle is the ridge between two passes: a circular segment over the half distance.

    Passes lie a bite apart, where fronts meet up to half a radius.
    """
    check = planned.check
    assert check.ok, [f.message for f in check.failures]
    assert not planned.left
    bite = RADIUS * (1.0 - math.cos(math.radians(CAP)))
    ridge = RADIUS - math.sqrt(RADIUS**2 - max(0.5 * bite, 0.25 * RADIUS) ** 2)
    grid, heights = check.leftover.grid, check.leftover.heights
    x, y = grid.x0 + grid.cell * np.arange(grid.nx), grid.y0 + grid.cell * np.arange(grid.ny)
    middle = heights[np.ix_(np.abs(y) < HALF - WALL - RADIUS, np.abs(x) < 19.0)]
    assert middle.max() <= -DEPTH + FLOOR + ridge + 0.01
    assert middle.min() >= -DEPTH + FLOOR - 1e-3


def test_the_wall_keeps_the_quarter_circle_of_the_ball(planned):
    """Beside an upright wall the ball leaves its own round, no closer than the allowance."""
    grid, heights = planned.check.leftover.grid, planned.check.leftover.heights
    row = heights[:, grid.nx // 2]
    y = grid.y0 + grid.cell * np.arange(grid.ny)
    beside = (np.abs(y) > HALF - WALL - 0.6 * RADIUS) & (np.abs(y) < HALF - WALL - 0.5)
    away = RADIUS - (HALF - WALL - np.abs(y[beside]))
    circle = -DEPTH + FLOOR + RADIUS - np.sqrt(RADIUS**2 - away**2)
    assert row[beside] == pytest.approx(circle, abs=0.06)


def test_a_channel_narrower_than_the_ball_keeps_no_step_above_the_limit():
    """The ball rests on both edges: its tip stands above the bottom by what a chord leaves of the circle.

    The channel opens from a deep pocket, whose walls are upright and need no climb level of their own.
    """
    half, deep, stair = 4.4, 14.0, 1.2
    body = trimesh.creation.box(bounds=[(-30.0, -20.0, -20.0), (30.0, 20.0, 0.0)])
    for bounds in ([(-31.0, -14.0, -deep), (-5.0, 14.0, 1.0)], [(-6.0, -half, -deep), (31.0, half, 1.0)]):
        body = trimesh.boolean.difference([body, trimesh.creation.box(bounds=bounds)], engine="manifold")
    job = Job.from_dict({
        "units": "mm", "part": {}, "stock": {"min": [-30.0, -20.0, -20.0], "max": [30.0, 20.0, 0.0]},
        "cutter": {"diameter": 2 * RADIUS, "corner_radius": RADIUS, "flutes": 2, "flute_length": 20.0,
                   "overhang": 30.0},
        "material": {"name": "P", "hardness_hb": 200.0},
        "machine": {"max_spindle_rpm": 12000.0, "max_feed": 6000.0},
        "roughing": {"level_depth": 15.0, "stair_height": stair, "engagement_deg": 60.0,
                     "wall_allowance": WALL, "floor_allowance": FLOOR, "floor_z": FLOOR - deep},
    }).with_mesh(body.vertices, body.faces)  # fmt: skip
    check = zrough.plan(job).check
    assert check.ok, [f.message for f in check.failures]
    grid, heights = check.leftover.grid, check.leftover.heights
    x, y = grid.x0 + grid.cell * np.arange(grid.nx), grid.y0 + grid.cell * np.arange(grid.ny)
    middle = heights[np.ix_(np.abs(y) < 0.5 * grid.cell, (x > 5.0) & (x < 25.0))]
    reach = RADIUS + WALL
    rests = math.sqrt(reach**2 - half**2) - reach + FLOOR  # the tip, upright below the edges at z = 0
    assert middle.min() >= rests - 1e-3
    assert middle.max() <= rests + stair + 0.05


@pytest.mark.parametrize(("cap", "margin", "direction"), [(38.0, 5.0, "climb"), (50.0, 7.0, "both")])
def test_a_wall_deeper_than_the_flutes_keeps_no_film(cap, margin, direction):
    """Every level comes to its wall all along it: what one leaves, the shank of the next would meet."""
    half, deep, flute = 20.0, 30.0, 12.0
    body = trimesh.creation.box(bounds=[(-half, -half, -deep), (half, half, 0.0)])
    edge = half + margin
    job = Job.from_dict({
        "units": "mm", "part": {}, "stock": {"min": [-edge, -edge, -deep], "max": [edge, edge, 0.0]},
        "cutter": {"diameter": 2 * RADIUS, "corner_radius": RADIUS, "flutes": 4, "flute_length": flute,
                   "overhang": 60.0},
        "material": {"name": "P", "hardness_hb": 200.0},
        "machine": {"max_spindle_rpm": 12000.0, "max_feed": 6000.0},
        "roughing": {"level_depth": 9.0, "stair_height": 0.0, "engagement_deg": cap, "wall_allowance": 0.5,
                     "floor_allowance": 0.0, "direction": direction},
    }).with_mesh(body.vertices, body.faces)  # fmt: skip
    check = zrough.plan(job).check
    assert check.ok, [f.message for f in check.failures]
    grid, heights = check.leftover.grid, check.leftover.heights
    x, y = np.meshgrid(grid.x, grid.y)
    away = np.maximum(np.abs(x), np.abs(y)) - half - 0.5
    assert not (heights > -1.0)[away > 0.05].any()


def test_a_rim_of_stock_hardly_wider_than_a_bite_leaves_no_film():
    """One pass takes nearly all of a rim round a block; where it turned, a wedge stays on the wall.

    No earlier walk leads to it from where the cutter stands clear, only the open air beside it. What may
    stand beside the wall is the quarter circle of the lowest level and a film, less than a node wide.
    """
    half, margin, deep, flute = (30.0, 20.0), 3.0, 20.0, 22.0
    body = trimesh.creation.box(bounds=[(-30.0, -20.0, -deep), (30.0, 20.0, 0.0)])
    job = Job.from_dict({
        "units": "mm", "part": {},
        "stock": {"min": [-30.0, -20.0 - margin, -deep], "max": [30.0 + margin, 20.0, 0.0]},
        "cutter": {"diameter": 2 * RADIUS, "corner_radius": RADIUS, "flutes": 4, "flute_length": flute,
                   "overhang": 40.0},
        "material": {"name": "P", "hardness_hb": 200.0},
        "machine": {"max_spindle_rpm": 12000.0, "max_feed": 6000.0},
        "roughing": {"level_depth": 7.0, "stair_height": 0.0, "engagement_deg": 59.0,
                     "wall_allowance": WALL, "floor_allowance": 0.0},
    }).with_mesh(body.vertices, body.faces)  # fmt: skip
    plan = zrough.plan(job)
    assert plan.check.ok, [f.message for f in plan.check.failures]
    assert not plan.left
    grid, heights = plan.check.leftover.grid, plan.check.leftover.heights
    x, y = np.meshgrid(grid.x, grid.y)
    away = np.hypot(np.maximum(x - half[0], 0.0), np.maximum(-y - half[1], 0.0)) - WALL
    beside = np.isfinite(heights) & (away > 0.1) & (away < 0.6 * RADIUS)
    circle = RADIUS - np.sqrt(RADIUS**2 - np.minimum(RADIUS - away[beside] + 0.1, RADIUS) ** 2)
    assert (heights[beside] <= -deep + circle).all()
