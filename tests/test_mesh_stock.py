"""Ground cleared beside a stock given as a mesh: where a slope of it passes a level, by closed form."""

from __future__ import annotations

import importlib

import numpy as np
import pytest
import trimesh

from zrough.job import Job
from zrough.part import load
from zrough.stock import Stock
from zrough.surface import ContactSurface

RADIUS, LOW, HIGH, HALF, HEIGHT = 5.0, -12.0, 4.0, 40.0, 0.3


def _outside(folder, shape, turned):
    """How far inside the stock at z = 0.3 the nodes lie by the planner's map; their places across and along
    the stock, mm, and the pitch of its map of heights. ``shape``: the stock before it is turned, rad.
    """
    shape.apply_transform(trimesh.transformations.rotation_matrix(turned, (0, 0, 1)))
    shape.export(folder / "stock.stl")
    part = trimesh.creation.box(bounds=[(-6, -6, LOW), (6, 6, LOW + 2.0)])
    job = Job.from_dict({
        "stock": {"kind": "mesh", "file": str(folder / "stock.stl")},
        "cutter": {"diameter": 2 * RADIUS, "flutes": 4, "flute_length": 22.0, "overhang": 40.0},
        "material": {"name": "tool steel, pre-hardened"},
        "machine": {"max_spindle_rpm": 15000.0, "max_feed": 8000.0},
        "roughing": {"engagement_deg": 60.0},
    }, mesh=(np.asarray(part.vertices), np.asarray(part.faces)))  # fmt: skip
    body = load(job)
    planning = importlib.import_module("zrough.plan")
    stock = Stock.from_job(job, body)
    space = planning._space(
        job, job.cutters[0], ContactSurface(body.triangles), body, stock, planning.Ground()
    )
    f = space.frame
    edge = np.sqrt(space.untouched(HEIGHT)) - RADIUS  # how far outside cleared ground a node lies
    x, y = np.meshgrid(f.x0 + f.hd * np.arange(f.fine[1]), f.y0 + f.hd * np.arange(f.fine[0]))
    across = np.cos(turned) * y - np.sin(turned) * x
    along = np.cos(turned) * x + np.sin(turned) * y
    return edge, across, along, f.h


@pytest.mark.parametrize("turned", [0.0, 0.4])
def test_a_slope_of_the_stock_is_met_where_it_passes_the_level(tmp_path, turned):
    """A roof z = 4 - 0.5 u, u across its ridge: at height z it is 2 (4 - z) wide on either side."""
    roof = trimesh.convex.convex_hull(
        [(x, y, z) for x in (-HALF, HALF) for y, z in ((-32.0, LOW), (32.0, LOW), (0.0, HIGH))]
    )
    edge, across, along, pitch = _outside(tmp_path, roof, turned)
    beyond = 2.0 * (HIGH - HEIGHT) - np.abs(across)
    seen = (np.abs(along) < HALF - 5.0) & (np.abs(beyond) < pitch)
    assert np.count_nonzero(seen) > 1000
    np.testing.assert_allclose(edge[seen], beyond[seen], atol=0.01)


@pytest.mark.parametrize("turned", [0.0, 0.4])
@pytest.mark.parametrize("run", [0.0, 0.4])
def test_a_steep_side_of_the_stock_is_never_taken_to_lie_further_in_than_it_does(tmp_path, run, turned):
    """Sides ``run`` mm out for each mm down, 10.07 mm from the middle at the top: by a node, but one way."""
    wide = [(z, 10.07 + run * (HIGH - z)) for z in (LOW, HIGH)]
    solid = trimesh.convex.convex_hull(
        [(x, side * y, z) for x in (-HALF, HALF) for side in (-1, 1) for z, y in wide]
    )
    edge, across, along, pitch = _outside(tmp_path, solid, turned)
    beyond = 10.07 + run * (HIGH - HEIGHT) - np.abs(across)
    seen = (np.abs(along) < HALF - 5.0) & (np.abs(beyond) < pitch)
    assert np.count_nonzero(seen) > 1000
    further = edge[seen] - beyond[seen]
    assert further.min() >= -0.1 * pitch - 0.002
    assert further.max() <= pitch


@pytest.mark.parametrize("half", [10.0, 10.07, 10.13])
def test_a_corner_of_the_stock_is_not_cut_off(tmp_path, half):
    """An upright block: near its edge a place is as far out as the longer way past either side."""
    block = trimesh.creation.box(bounds=[(-half, -half, LOW), (half, half, HIGH)])
    edge, across, along, pitch = _outside(tmp_path, block, 0.0)
    u, v = np.abs(along) - half, np.abs(across) - half
    out = np.hypot(np.maximum(u, 0.0), np.maximum(v, 0.0)) + np.minimum(np.maximum(u, v), 0.0)
    seen = (np.maximum(np.abs(u), np.abs(v)) < 1.5 * pitch) & (out > -1.4 * pitch)
    assert np.count_nonzero(seen) > 80
    further = np.minimum(edge[seen], 1.5 * pitch) + out[seen]  # what is deeper within has no number
    assert further.min() >= -0.1 * pitch - 0.002
    assert further.max() <= 1.5 * pitch + 0.002
