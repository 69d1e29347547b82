"""Meshes that no one here made, with undercuts, one of them open: planned and checked unattended.

Two packages of the npm registry: the Stanford bunny (`bunny` 1.0.1) and the Utah teapot (`teapot` 1.0.0). Not
shipped here: ``.ci/open-meshes`` fetches them and runs this file.
"""

import json
import os
import re
from pathlib import Path

import numpy as np
import pytest
import trimesh

import zrough
from zrough import Job

pytestmark = [pytest.mark.slow, pytest.mark.compiled]

FOLDER = os.environ.get("OPEN_MESHES", "")
FILES = {"bunny": "index.js", "teapot": "teapot.js"}
OPEN = {"teapot"}  # the lid and the spout do not meet the body
LENGTH = 90.0  # mm, longest side in plan; the files have no unit


def read(name: str) -> tuple[np.ndarray, np.ndarray]:
    """Points, z up, and triangles of a package that exports them as arrays of arrays."""
    text = (Path(FOLDER) / name / FILES[name]).read_text()
    found = {}
    for key in ("positions", "cells"):
        at = re.search(rf"{key}\s*=\s*", text)
        assert at is not None
        found[key], _ = json.JSONDecoder().raw_decode(text[at.end() :])
    points = np.array(found["positions"], float)[:, [0, 2, 1]] * (1.0, -1.0, 1.0)  # their y is up
    points *= LENGTH / np.ptp(points[:, :2], axis=0).max()
    points -= [*points[:, :2].mean(axis=0), points[:, 2].max()]
    return points, np.array(found["cells"], np.int64)


@pytest.mark.skipif(not FOLDER, reason="OPEN_MESHES names no folder; see .ci/open-meshes")
@pytest.mark.parametrize("name", FILES)
def test_an_open_mesh_is_planned_and_checked_unattended(name, tmp_path):
    points, faces = read(name)
    mesh = trimesh.Trimesh(points, faces, process=True)
    assert mesh.is_watertight == (name not in OPEN)
    mesh.export(tmp_path / f"{name}.stl")
    low, high = mesh.bounds + np.array([(-3.0, -3.0, 0.0), (3.0, 3.0, 1.0)])
    (tmp_path / "job.toml").write_text(
        f'units = "mm"\npart.file = "{name}.stl"\nmaterial.name = "P"\nmaterial.hardness_hb = 200.0\n'
        f"stock.min = {low.tolist()}\nstock.max = {high.tolist()}\n"
        "machine = { max_spindle_rpm = 15000, max_feed = 8000 }\n"
        "cutter = { diameter = 8.0, corner_radius = 1.0, flutes = 3, flute_length = 30.0, overhang = 90.0 }\n"
        "roughing = { level_depth = 8.0, stair_height = 1.0, engagement_deg = 50.0 }\n"
    )
    plan = zrough.plan(Job.from_toml(tmp_path / "job.toml"))
    check = plan.check
    assert check.ok, [f.message for f in check.failures]
    assert check.gouge_mm <= 0.01
    assert check.engagement.worst_deg <= check.engagement.cap_deg + 1.0
    assert check.removed_mm3 > 0.5 * mesh.bounding_box.volume * 0.2
    told = " ".join(plan.warnings)
    assert "undercut" in told
    assert ("open edge" in told) == (name in OPEN), told
    plan.write(tmp_path / "out")
    assert {p.name for p in (tmp_path / "out").iterdir()} >= {"program.nc", "report.html", "leftover.stl"}
