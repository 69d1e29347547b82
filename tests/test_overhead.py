"""How high links run: over stock, clamps and with room for the holder."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
import trimesh

import zrough
from zrough.jobtables import Keepout
from zrough.limits import Stage
from zrough.overhead import Overhead, segment_to_box
from zrough.pieces import Frame
from zrough.toolpath import Kind


def test_distance_of_a_way_from_a_box_is_what_shapely_says():
    rng = np.random.default_rng(5)
    lower, upper = np.array([-3.0, -1.0]), np.array([4.0, 2.0])
    rectangle = shapely.box(*lower, *upper)
    ends = [np.round(rng.uniform(-9.0, 9.0, (2, 2)), int(n % 2)) for n in range(600)]
    ends += [np.array([[x, -7.0], [x, 7.0]]) for x in (-3.0, 4.0, 5.0)] + [
        np.ones((2, 2)),
        np.full((2, 2), 6.0),
    ]
    for a, b in ends:
        expected = shapely.distance(shapely.LineString([a, b]), rectangle)
        assert segment_to_box(a, b, lower, upper) == pytest.approx(expected, abs=1e-12)


def block(height):
    """A block from x = 5 on, ``height`` mm high, on a floor at -40; coarse nodes every 0.5 mm."""
    frame = Frame(-30.0, -30.0, 0.25, 241, 241)
    x = frame.x0 + frame.h * np.arange(frame.nx)
    return frame, np.broadcast_to(np.where(x >= 5.0, height, -40.0), (frame.ny, frame.nx)).copy()


@pytest.mark.parametrize(("x", "safe"), [(0.5, 0.0), (-2.0, -20.0), (-9.0, -40.0)])
def test_the_holder_too_must_pass_above_the_stock(x, safe):
    """Radius 4 and a node of doubt; a holder of radius 10 from 20 mm over the tip reaches farther."""
    frame, top = block(0.0)
    over = Overhead(frame, top, 4.0, 0.0, [Stage(10.0, 20.0)])
    assert over.safe(np.array([x, -10.0]), np.array([x, 10.0])) == safe


@pytest.mark.parametrize(("x", "safe"), [(-10.0, 7.0), (-3.1, 7.0), (-2.9, -2.0), (-1.9, -40.0)])
def test_clamps_stand_whatever_is_cut(x, safe):
    """The cutter of radius 4 keeps 1 mm off the clamp's side at x = -8; the holder, radius 6, is 9 mm up."""
    frame = Frame(-30.0, -30.0, 0.25, 241, 241)
    clamp = Keepout(name="clamp", min=(-12.0, -2.0, -5.0), max=(-8.0, 2.0, 7.0))
    over = Overhead(frame, np.zeros((241, 241)), 4.0, 0.0, [Stage(6.0, 9.0)], [clamp], clearance=1.0)
    for line in np.arange(-25.0, 26.0, 2.0):
        over.lower(np.array([[line, y] for y in np.arange(-30.0, 30.5, 0.5)]), -40.0)
    assert over.safe(np.array([x, -20.0]), np.array([x, 20.0])) == safe


SIDES = {"min": [-50.0, -20.0, -12.0], "max": [50.0, 20.0, 0.0]}


def two_pockets():
    solid = trimesh.creation.box(bounds=[(-50, -20, -12), (50, 20, 0)])
    for x in (-28, 28):
        pocket = trimesh.creation.box(bounds=[(x - 14, -14, -8), (x + 14, 14, 1)])
        solid = trimesh.boolean.difference([solid, pocket], engine="manifold")
    return np.asarray(solid.vertices), np.asarray(solid.faces)


def planned(across):
    """Two pockets, and a bar from ``across[0]`` to ``across[1]`` in X, 8 mm higher than the stock."""
    job = zrough.Job.from_dict({
        "units": "mm", "part": {}, "stock": SIDES,
        "cutter": {"diameter": 10.0, "flutes": 4, "flute_length": 22.0, "overhang": 40.0},
        "material": {"name": "EN AW-7075"}, "machine": {"max_spindle_rpm": 15000, "max_feed": 12000},
        "roughing": {"level_depth": 5.0, "stair_height": 1.0},
        "keepout": [{"name": "bar", "min": [across[0], -30.0, -1.0], "max": [across[1], 30.0, 8.0]}],
    }).with_mesh(*two_pockets())  # fmt: skip
    return zrough.plan(job)


@pytest.mark.compiled
def test_no_link_leads_through_a_clamp_between_two_pockets():
    """A bar across the middle: every way from pocket to pocket goes over it."""
    plan = planned([-4.0, 4.0])
    assert plan.check.ok, plan.check.failures
    assert {level.z < -6.0 for level in plan.levels} == {True, False}
    path = plan.toolpath
    ahead = np.concatenate([path.xyz[:1], path.xyz[:-1]])
    crosses = (path.xyz[:, 0] * ahead[:, 0] < 0.0) & (np.arange(len(ahead)) > 0)
    assert crosses.sum() >= 1
    assert np.minimum(path.xyz[crosses, 2], ahead[crosses, 2]).min() >= 8.0
    assert path.xyz[path.kind == Kind.RAPID, 2].min() == pytest.approx(13.0)  # 5 mm over the bar


@pytest.mark.compiled
def test_ground_that_a_clamp_keeps_is_told():
    """Pocket 28 mm square, cutter 10 mm, walls 0.3 mm: centres 17.4 mm square, 14.7 of them kept.

    The bar reaches from x = 20 to 28, the cutter's radius and 1 mm farther: to 34.
    """
    warnings = planned([20.0, 28.0]).warnings
    (told,) = [w for w in warnings if "clamps and keep-out boxes" in w]
    area = float(told.partition("up to ")[2].partition(" mm2")[0])
    assert area == pytest.approx(17.4 * 14.7, rel=0.04)
    assert not [w for w in planned([-4.0, 4.0]).warnings if "clamps" in w]
