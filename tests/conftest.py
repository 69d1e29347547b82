"""What all tests share: reproducible random data, a plain job, a way to run the command line."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

ROOT = Path(__file__).resolve().parents[1]

settings.register_profile(
    "zrough",
    derandomize=True,  # the same examples every time
    deadline=None,  # the first example may compile kernels
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
settings.load_profile("zrough")


INTERPRETED = os.environ.get("NUMBA_DISABLE_JIT", "0") not in ("", "0")


def pytest_collection_modifyitems(items):
    """Leave out what takes minutes with interpreted kernels."""
    if INTERPRETED:
        for item in items:
            if item.get_closest_marker("compiled"):
                item.add_marker(pytest.mark.skip(reason="too slow with interpreted kernels"))


@pytest.fixture
def job_dict():
    """The job of the README, without a part."""
    return {
        "units": "mm",
        "stock": {"min": [-80.0, -60.0, -55.0], "max": [80.0, 60.0, 0.0]},
        "cutter": {
            "diameter": 12.0,
            "corner_radius": 1.0,
            "flutes": 4,
            "flute_length": 26.0,
            "overhang": 45.0,
        },
        "material": {"name": "tool steel, pre-hardened"},
        "machine": {"max_spindle_rpm": 15000, "max_feed": 12000},
        "roughing": {
            "level_depth": 12.0,
            "stair_height": 1.2,
            "wall_allowance": 0.3,
            "floor_allowance": 0.2,
            "engagement_deg": 50.0,
        },
    }


@pytest.fixture
def zrough_command():
    """Run ``zrough ARGS`` in its own process: ``(exit status, stdout, stderr)``."""

    def run(*args, cwd=None, env=None, timeout=120, user=None):
        environment = {**os.environ, "PYTHONPATH": str(ROOT), **(env or {})}
        done = subprocess.run(
            [sys.executable, "-m", "zrough", *map(str, args)],
            cwd=cwd, env=environment, timeout=timeout, capture_output=True, text=True, user=user,
        )  # fmt: skip
        return done.returncode, done.stdout, done.stderr

    return run
