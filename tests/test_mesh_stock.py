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

RADIUS, LOW, HIGH, HALF = 5.0, -12.0, 4.0, 40.0


@pytest.mark.parametrize("turned", [0.0, 0.4])
def test_a_slope_of_the_stock_is_met_where_it_passes_the_level(tmp_path, turned):
    """A roof z = 4 - 0.5 u, u across its ridge: at height z it is 2 (4 - z) wide on either side."""
    roof = trimesh.convex.convex_hull(
        [(x, y, z) for x in (-HALF, HALF) for y, z in ((-32.0, LOW), (32.0, LOW), (0.0, HIGH))]
    )
    roof.apply_transform(trimesh.transformations.rotation_matrix(turned, (0, 0, 1)))
    roof.export(tmp_path / "roof.stl")
    part = trimesh.creation.box(bounds=[(-8, -8, LOW), (8, 8, LOW + 2.0)])
    job = Job.from_dict({
        "stock": {"kind": "mesh", "file": str(tmp_path / "roof.stl")},
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
    f, z = space.frame, 0.3
    edge = np.sqrt(space.untouched(z)) - RADIUS  # how far outside cleared ground a node lies
    x, y = np.meshgrid(f.x0 + f.hd * np.arange(f.fine[1]), f.y0 + f.hd * np.arange(f.fine[0]))
    across = np.cos(turned) * y - np.sin(turned) * x
    along = np.cos(turned) * x + np.sin(turned) * y
    beyond = 2.0 * (HIGH - z) - np.abs(across)
    seen = (np.abs(along) < HALF - 5.0) & (np.abs(beyond) < 2.0 * f.hd)
    assert np.count_nonzero(seen) > 1000
    np.testing.assert_allclose(edge[seen], beyond[seen], atol=0.01)
