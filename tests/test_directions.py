"""Climb, conventional and both ways: on which side the material stands, judged from the walks alone.

With the spindle clockwise, climb milling has the material on the right of the direction of travel,
conventional milling on the left (a fact of the trade).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from regions import Region, clear, replay
from scipy.spatial import cKDTree
from shapely.geometry import Point, box

from zrough.job import Job
from zrough.plan import plan
from zrough.toolpath import Kind
from zrough.warm import sample_job

pytestmark = pytest.mark.compiled

RADIUS, CAP = 5.0, 55.0
POCKET = Region(box(0, 0, 70, 50).difference(Point(30, 22).buffer(7)).buffer(-6).buffer(6), None, RADIUS, CAP)
OPEN = Region(box(-20, -20, 90, 30), (0.0, 0.0, 70.0, 50.0), RADIUS, CAP)


def sides(pieces, stock):
    """Share of cutting steps with material beside them on the right, and on the left."""
    right = left = total = 0
    done = np.zeros((0, 2))
    for piece in pieces:
        if piece.entry is not None and piece.entry.kind == "helix":
            a = np.linspace(0, 2 * math.pi, 200)
            ring = piece.entry.radius * np.stack([np.cos(a), np.sin(a)], axis=1)
            done = np.vstack([done, np.array([piece.entry.x, piece.entry.y]) + ring])
        points = piece.points
        for k in range(8, len(points), 8):
            if piece.arcs[k] < math.radians(20):
                continue
            heading = points[k] - points[k - 1]
            heading /= np.hypot(*heading)
            # the rim 75 degrees to either side of the heading
            ahead, aside = 0.26 * heading, 0.97 * np.array([heading[1], -heading[0]])
            rim = points[k] + 1.01 * RADIUS * np.array([ahead + aside, ahead - aside])
            stands = cKDTree(np.vstack([done, points[:k]])).query(rim)[0] > RADIUS
            if stock is not None:
                stands &= np.all((rim > stock[:2]) & (rim < stock[2:]), axis=1)
            right, left, total = right + stands[0], left + stands[1], total + 1
        done = np.vstack([done, points])
    return right / total, left / total


@pytest.mark.parametrize("region", [POCKET, OPEN], ids=["pocket", "open side"])
def test_the_material_is_on_the_side_that_was_asked_for(region):
    climb, conventional, both = (
        sides(clear(region, direction=d)[0], region.stock) for d in ("climb", "conventional", "both")
    )
    # where a front ends in a corner the last of it can stand on the other side as well
    assert climb[0] > 0.9
    assert climb[1] < 0.06
    assert conventional[1] > 0.9
    assert conventional[0] < 0.06
    assert min(both) > 0.1


@pytest.mark.parametrize("region", [POCKET, OPEN], ids=["pocket", "open side"])
def test_both_ways_holds_the_cap_and_shortens_the_ways(region):
    pieces, _, _ = clear(region, direction="both")
    assert replay(region, pieces).arc_deg.max() <= CAP + 1.0
    assert _ways(pieces) < 0.8 * _ways(clear(region)[0])


def _ways(pieces):
    return sum(np.hypot(*np.diff(p.way, axis=0).T).sum() for p in pieces if p.way is not None)


def test_a_job_can_ask_for_both_ways():
    job: Job = sample_job()
    result = plan(job.replace(roughing={"direction": "both"}))
    assert result.check.ok, result.check.failures
    assert not any("direction" in w for w in result.warnings)
    assert (result.toolpath.kind == Kind.CUT).any()
