"""How many threads a stage may use."""

from __future__ import annotations

import os


def count() -> int:
    """The number that NUMBA_NUM_THREADS sets (batch workers do), or OMP_NUM_THREADS, else one a core.

    Job schedulers set OMP_NUM_THREADS for the processes they start side by side; heeding it keeps those from
    fighting for cores. Results do not depend on it.
    """
    for name in ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS"):
        given = os.environ.get(name, "").split(",")[0].strip()  # OpenMP allows a list, outermost level first
        if given.isdecimal() and int(given) > 0:
            return int(given)
    return cores()


def cores() -> int:
    """Processors this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not every system has it
        return os.cpu_count() or 1
