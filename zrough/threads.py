"""How many threads a stage may use."""

from __future__ import annotations

import os


def count() -> int:
    """The number that NUMBA_NUM_THREADS sets (batch workers do), else one for each core of this process."""
    given = os.environ.get("NUMBA_NUM_THREADS", "")
    if given.isdigit():
        return max(1, int(given))
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not every system has it
        return os.cpu_count() or 1
