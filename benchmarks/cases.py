"""The six example jobs at three sizes, as jobs in memory.

Part and stock grow together; cutter, depth of cut and allowances stay, so a larger case is more of the same
work rather than the same work drawn larger.
"""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from zrough.job import Job

EXAMPLES = Path(__file__).resolve().parent.parent / "examples"
SIZES = {"small": 0.75, "shipped": 1.0, "large": 1.4}
NAMES = ("lid_core", "bowl_cavity", "carrier_plate", "latch_body", "dome_core", "hinge_insert_inch")


@cache
def maker() -> ModuleType:
    """examples/make_parts.py as a module."""
    spec = importlib.util.spec_from_file_location("make_parts", EXAMPLES / "make_parts.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@dataclass(frozen=True)
class Case:
    """A job with its part in memory.

    Attributes
    ----------
    vertices, faces : the part, mm.
    lower, upper : corners of the block, mm.
    """

    name: str
    size: str
    job: Job
    vertices: NDArray[np.float64]
    faces: NDArray[np.int64]
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]


@cache
def case(name: str, size: str = "shipped", climb_levels: bool = False, cell: float | None = None) -> Case:
    """One case; without climb levels unless asked, since waste is judged on the primary levels."""
    from zrough.job import Job

    scale = SIZES[size]
    job = Job.from_toml(EXAMPLES / f"{name}.toml") if _there(name) else _without_file(name)
    vertices, faces = maker().PARTS[name]()
    unit = 25.4 if job.units == "inch" else 1.0
    roughing: dict[str, float] = {} if climb_levels else {"stair_height": 0.0}
    if job.roughing.floor_z is not None:
        roughing["floor_z"] = job.roughing.floor_z * scale
    if cell is not None:
        roughing["cell"] = cell
    assert job.stock.min is not None
    assert job.stock.max is not None
    lower, upper = np.array(job.stock.min) * scale, np.array(job.stock.max) * scale
    overhang = max(job.cutter.overhang, -lower[2] + 5)
    job = job.replace(
        stock={"min": lower.tolist(), "max": upper.tolist()},
        cutter={"overhang": float(overhang)},
        roughing=roughing,
    ).with_mesh(vertices * scale * unit, faces)
    return Case(name, size, job, vertices * scale * unit, faces, lower, upper)


def _there(name: str) -> bool:
    return (EXAMPLES / "parts" / f"{name}.stl").is_file() or name == "lid_core"


def _without_file(name: str) -> Job:
    """The job of a part that was not written yet: write it."""
    from zrough.job import Job

    make = maker()
    make.write_stl(EXAMPLES / "parts" / f"{name}.stl", make.PARTS[name](), name)
    return Job.from_toml(EXAMPLES / f"{name}.toml")
