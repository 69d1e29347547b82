"""The scripts that the README names run as they stand, and come to what they say."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import zrough
from zrough.stock import load_leftover

ROOT = Path(__file__).resolve().parents[1]

pytestmark = [pytest.mark.slow, pytest.mark.compiled]


@pytest.fixture
def run(tmp_path):
    """Run a script in a copy of the examples, as the README has it: what it printed, and the folder."""
    copy = shutil.copytree(
        ROOT / "examples", tmp_path / "examples", ignore=shutil.ignore_patterns("out", "parts", "__pycache__")
    )

    def script(name):
        done = subprocess.run(
            [sys.executable, f"examples/{name}"], cwd=tmp_path, capture_output=True, text=True, timeout=900,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        assert done.stderr == ""
        return done.stdout, copy / "out"

    return script


def test_the_script_of_forty_lines(run):
    assert len((ROOT / "examples" / "library_40_lines.py").read_text().splitlines()) <= 40
    said, out = run("library_40_lines.py")
    assert said.count("passed") == 3
    assert "failed" not in said
    kept = zrough.check((out / "library" / "program.nc").read_text(), zrough.Job.from_toml(
        ROOT / "examples" / "lid_core.toml").replace(roughing={"engagement_deg": 60.0}))  # fmt: skip
    assert kept.ok  # the widest cap is the quickest
    assert f"{kept.times['total'] / 60:.1f}" in said.splitlines()[3]


def test_two_setups_chained(run):
    """Nothing is cut twice: what the two setups remove adds up to the stock less what the second leaves."""
    said, out = run("two_setups.py")
    assert said.count("check passed") == 2
    removed = [float(line.split(" levels, ")[1].split()[0]) for line in said.splitlines()]
    left = []
    for setup in ("setup_1", "setup_2"):
        grid, heights, notes = load_leftover(out / setup / "leftover.npz")
        solid = np.isfinite(heights)
        left.append(float((heights[solid] - notes["bottom"]).sum()) * grid.cell**2 / 1000)
    assert left[0] - left[1] == pytest.approx(removed[1], rel=0.02)
    assert (out / "setup_2" / "program.nc").read_text().count("G55") == 1


def test_the_tutorial(run):
    said, out = run("tutorial.py")
    assert [line[0] for line in said.splitlines() if line[1:3] == ". "] == list("123456")
    assert "passed: gouge 0.0000 mm" in said
    for name in ("engagement", "leftover", "levels", "load", "times", "view"):
        assert (out / "tutorial" / f"{name}.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert (out / "tutorial" / "lid_core.cl").read_text().count("GOTO") > 1000
