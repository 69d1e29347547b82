"""Two setups in a chain: what the first leaves is the stock of the second.

The latch body is roughed down to its pocket's floor with a short, stiff cutter. Then it stands on another
machine, turned by 90 degrees, and a longer cutter takes what lies deeper: the slot and the notch. What the
first program leaves is read from its leftover map, turned, and is the second one's stock.

python examples/two_setups.py
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from make_parts import latch_body, write_stl
from numpy.typing import NDArray

import zrough
from zrough.grid import Grid
from zrough.io import make_folder
from zrough.stock import load_leftover, save_leftover

HERE = Path(__file__).resolve().parent


def turned(grid: Grid, heights: NDArray[np.float64]) -> tuple[Grid, NDArray[np.float64]]:
    """A height map turned by 90 degrees about Z: what stood at (x, y) stands at (-y, x)."""
    far_y = grid.y0 + (grid.ny - 1) * grid.cell
    return Grid(-far_y, grid.x0, grid.cell, grid.ny, grid.nx), np.ascontiguousarray(heights.T[:, ::-1])


def say(name: str, plan: zrough.Plan) -> None:
    """One line a setup."""
    check = plan.check
    print(
        f"{name}: {len(plan.levels)} levels, {check.removed_mm3 / 1000:.1f} cm3 removed, "
        f"{check.times['total'] / 60:.0f} min, check {'passed' if check.ok else 'FAILED'}"
    )
    for finding in check.failures[:3]:
        print("   ", finding.message)


def main() -> None:
    """Plan both setups and write them."""
    write_stl(HERE / "parts" / "latch_body.stl", latch_body(), "latch_body")
    job = zrough.Job.from_toml(HERE / "latch_body.toml").with_mesh(*latch_body())
    first = zrough.plan(job.replace(roughing={"floor_z": -15.0}, cutter={"overhang": 31.0}))
    say("setup 1, to the pocket's floor", first)
    first.write(HERE / "out" / "setup_1")

    grid, heights, notes = load_leftover(HERE / "out" / "setup_1" / "leftover.npz")
    folder = make_folder(HERE / "out" / "setup_2")
    save_leftover(folder / "stock.npz", *turned(grid, heights), notes)
    deeper = job.replace(
        part={"rotate_deg": 90.0},
        stock={"kind": "leftover", "min": None, "max": None, "file": "stock.npz"},
        cutter={"number": 2},
        output={"work_offset": "G55"},
    ).based_in(folder)
    second = zrough.plan(deeper)
    say("setup 2, what lies deeper, turned by 90 degrees", second)
    second.write(folder)


if __name__ == "__main__":
    main()
