"""zrough: roughing programs for mould inserts, planned, checked and explained.

The public names below load their modules on first use, so importing the package stays quick.

    import zrough
    job = zrough.Job.from_toml("lid_core.toml")
    plan = zrough.plan(job)
    plan.write("out")
"""

from __future__ import annotations

import importlib
import logging
import sys
import types
from pathlib import Path
from typing import TYPE_CHECKING, Any

from zrough import cachedir as _cachedir

if TYPE_CHECKING:
    from zrough.batch import Record as Record
    from zrough.batch import run_batch as run_batch
    from zrough.check import Check as Check
    from zrough.check import check as check
    from zrough.errors import BatchError as BatchError
    from zrough.errors import Cancelled as Cancelled
    from zrough.errors import CheckError as CheckError
    from zrough.errors import CuttingDataError as CuttingDataError
    from zrough.errors import JobError as JobError
    from zrough.errors import NcError as NcError
    from zrough.errors import PartError as PartError
    from zrough.errors import PlanError as PlanError
    from zrough.errors import StockError as StockError
    from zrough.errors import SurfaceError as SurfaceError
    from zrough.errors import ZroughError as ZroughError
    from zrough.grid import Grid as Grid
    from zrough.inspection import inspect as inspect
    from zrough.io import OutputError as OutputError
    from zrough.job import Cutter as Cutter
    from zrough.job import Job as Job
    from zrough.plan import Plan as Plan
    from zrough.plan import plan as plan
    from zrough.propose import propose as propose
    from zrough.toolpath import Kind as Kind
    from zrough.toolpath import Toolpath as Toolpath
    from zrough.warm import warm_up as warm_up

__version__ = "0.1.0"

_HOME = {  # public name -> module that defines it
    "BatchError": "errors",
    "Cancelled": "errors",
    "Check": "check",
    "CheckError": "errors",
    "Cutter": "job",
    "CuttingDataError": "errors",
    "Grid": "grid",
    "Job": "job",
    "JobError": "errors",
    "Kind": "toolpath",
    "NcError": "errors",
    "OutputError": "io",
    "PartError": "errors",
    "Plan": "plan",
    "PlanError": "errors",
    "Record": "batch",
    "StockError": "errors",
    "SurfaceError": "errors",
    "Toolpath": "toolpath",
    "ZroughError": "errors",
    "check": "check",
    "inspect": "inspection",
    "plan": "plan",
    "propose": "propose",
    "run_batch": "batch",
    "warm_up": "warm",
}

__all__ = [*_HOME, "__version__"]

logging.getLogger(__name__).addHandler(logging.NullHandler())
_cachedir.ensure(Path(__file__).parent)  # before anything imports numba, which looks once


def __getattr__(name: str) -> Any:
    home = _HOME.get(name)
    if home is None:
        raise AttributeError(f"module 'zrough' has no attribute {name!r}")
    value = getattr(importlib.import_module(f"zrough.{home}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)


class _Package(types.ModuleType):
    """Keeps `zrough.plan` and `zrough.check` the functions.

    They live in modules of the same name, and Python binds a module to its package when it is first
    imported, which would hide the function behind it.
    """

    def __setattr__(self, name: str, value: Any) -> None:
        if isinstance(value, types.ModuleType) and _HOME.get(name) == name:
            value = getattr(value, name)
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
