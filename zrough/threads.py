"""How many threads a stage may use."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
T = TypeVar("T")
_here = threading.local()


def alone(work: Callable[P, T]) -> Callable[P, T]:
    """``work`` as one of many that keep all cores busy: what it calls starts no threads of its own."""

    def run(*args: P.args, **kwargs: P.kwargs) -> T:
        before = getattr(_here, "alone", False)
        _here.alone = True
        try:
            return work(*args, **kwargs)
        finally:
            _here.alone = before

    return run


def count() -> int:
    """The number that NUMBA_NUM_THREADS sets (batch workers do), or OMP_NUM_THREADS, else one a core.

    Job schedulers set OMP_NUM_THREADS for the processes they start side by side; heeding it keeps those from
    fighting for cores. Results do not depend on it. One within `alone`.
    """
    if getattr(_here, "alone", False):
        return 1
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
