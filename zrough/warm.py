"""Compiled kernels: have them ready, or know that the next call will compile them."""

from __future__ import annotations

import atexit
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from zrough import threads

if TYPE_CHECKING:
    from zrough.job import Job

_SAMPLE: dict[str, Any] = {
    "units": "mm",
    "stock": {"min": [-16.0, -16.0, -8.0], "max": [16.0, 16.0, 0.0]},
    "cutter": {"diameter": 6.0, "corner_radius": 0.5, "flutes": 3, "flute_length": 12.0, "overhang": 20.0},
    "material": {"name": "P", "hardness_hb": 200.0},
    "machine": {"max_spindle_rpm": 12000.0, "max_feed": 6000.0},
    "roughing": {"level_depth": 4.0, "stair_height": 1.0},
}


def warm_up() -> float:
    """Plan and check a thimble-sized job, so that the next one meets compiled kernels; seconds taken.

    The first call on a machine compiles (tens of seconds) and stores the result on disk; later
    processes load it in a second or two. Safe to call from several threads and as often as wanted.
    """
    import zrough
    from zrough.report import write_all

    start = time.perf_counter()
    made = zrough.plan(sample_job())
    _what_the_sample_spares()
    with tempfile.TemporaryDirectory(prefix="zrough-warm-") as folder:
        write_all(made, made.check, folder, html=False)  # leftover and its numbers have kernels too
    return time.perf_counter() - start


def _what_the_sample_spares() -> None:
    """Nothing is left standing between its levels, no walls lie far apart, and its tip is not round."""
    import numpy as np

    from zrough.byplace import shortest
    from zrough.feeds import Tall
    from zrough.kernels.march import led
    from zrough.kernels.places import touch
    from zrough.pieces import Frame, leading_half

    tall = Tall(Frame(0.0, 0.0, 1.0, 2, 2), np.ones((2, 2), np.float32))
    tall.take(np.zeros((1, 2)), 0.5)
    shortest(np.zeros((1, 1), np.uint8), np.zeros((2, 1)))
    touch(0.0, 0.0, 1.0, 0, 0, 1.0, np.zeros((1, 2)), np.zeros((1, 1), np.uint8))
    clear, far = np.zeros((5, 5), np.float32), np.ones((3, 3), np.float32)
    led(clear, far, 0.0, 0.0, 0.5, 1.0, 1.0, 1.0, 0.5, 1.0, leading_half(1), np.ones((1, 2)), np.ones(2))


def sample_job() -> Job:
    """A thimble-sized job with a part in memory: good for a first try and for tests."""
    from zrough.job import Job

    return Job.from_dict(_SAMPLE, mesh=_sample_part(), source="<sample>")


def _sample_part() -> tuple[list[list[float]], list[list[int]]]:
    """A drafted boss on a plate: flats, sloping walls and corners, so that every kernel has work."""
    points: list[list[float]] = []
    for half, z in ((16.0, -8.0), (16.0, -6.0), (6.0, -6.0), (4.0, -1.0)):
        points += [[-half, -half, z], [half, -half, z], [half, half, z], [-half, half, z]]
    faces = [[0, 2, 1], [0, 3, 2]]
    for ring in range(3):
        for k in range(4):
            a, b = 4 * ring + k, 4 * ring + (k + 1) % 4
            faces += [[a, b, b + 4], [a, b + 4, a + 4]]
    return points, [*faces, [12, 13, 14], [12, 14, 15]]


def cold() -> int:
    """How many kernels the next call must compile first; 0 where most of them are on disk.

    Loads the planner and the checker, but compiles nothing. A few kernels always seem to miss: those that
    only rare jobs call.
    """
    import zrough.check
    import zrough.plan  # noqa: F401  (both only to register their kernels)

    if os.environ.get("NUMBA_DISABLE_JIT", "0") not in ("", "0"):
        return 0
    kernels = [kernel for kernel in _kernels() if kernel.stats.cache_path is not None]
    missing = sum(not _is_stored(kernel) for kernel in kernels)
    return missing if 2 * missing > len(kernels) else 0


def _kernels() -> Iterator[Any]:
    """Every kernel of the modules loaded so far; those that only kernels call have no cache path."""
    from numba.core.dispatcher import Dispatcher

    for name, module in sorted(sys.modules.items()):
        if name.startswith("zrough.kernels."):
            for value in vars(module).values():
                if isinstance(value, Dispatcher) and value.py_func.__module__ == name:
                    yield value


def _is_stored(kernel: Any) -> bool:
    function = kernel.py_func
    line = function.__code__.co_firstlineno
    return any(Path(kernel.stats.cache_path).glob(f"*.{function.__qualname__}-{line}.*.nbi"))


_PROGRAM = """G21 G17 G90 G94
T1 M6
S3000 M3
G0 X-24 Y-18
G0 Z10
G1 Z-2 F2000
X20 F500
G3 X20 Y18 I0 J18
G1 X-24
G1 Z10 F2000
M5
M30
"""


def warm_check() -> None:
    """Compile what a plan comes to last: arc fitting, the checker on a few moves, the leftover's mesh."""
    from zrough import arcs, leftover
    from zrough.check import check

    arcs.fit([[0.0, 0.0], [1.0, 0.0], [2.0, 0.1]], 0.01)
    left = check(_PROGRAM, sample_job()).leftover
    leftover.thin(left.grid, left.heights, float(_SAMPLE["stock"]["min"][2]))


def spare_core() -> subprocess.Popen[bytes] | None:
    """Have a second process compile the checker while this one compiles the planner; None with one core.

    Both store what they compile in the same place, so that each finds the other's work.
    """
    if threads.cores() < 2:
        return None
    process = subprocess.Popen(
        [sys.executable, "-m", "zrough.warm"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    atexit.register(process.wait)
    return process


if __name__ == "__main__":
    warm_check()
