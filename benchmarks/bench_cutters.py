"""Two cutters beside the finer one alone: what is left, model time, planning time.

    python benchmarks/bench_cutters.py                  # examples/two_cutters.toml
    python benchmarks/bench_cutters.py JOB.toml [part]  # another job with several cutters

Volumes and times are those of the check. Planning is CPU time of the first call, check apart; kernels are
compiled before.
"""

from __future__ import annotations

import sys
import time
import tomllib
from pathlib import Path
from typing import Any

import zrough

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "examples"))


def measured(raw: dict[str, Any], mesh: Any) -> tuple[Any, float]:
    """A plan with its check, and CPU seconds of planning."""
    job = zrough.Job.from_dict(raw, mesh=mesh)
    began = time.process_time()
    plan = zrough.plan(job, check=False)
    seconds = time.process_time() - began
    plan.check = zrough.check(plan.nc_text, job, part=plan.part, stock=plan.stock)
    return plan, seconds


def row(name: str, plan: Any, seconds: float) -> str:
    """One line of the table."""
    check = plan.check
    links = check.times["links"] + check.times["lifts"] + check.times["rapids"] + check.times["entries"]
    return (
        f"{name:14s} {'ok' if check.ok else 'FAILED':6s} {check.removed_mm3 / 1000:9.3f} "
        f"{check.leftover.excess_volume:9.1f} {check.tallest_stair:6.2f} {check.engagement.worst_deg:6.1f} "
        f"{check.times['cutting']:7.0f} {links:7.0f} {seconds:7.1f}"
    )


def main() -> None:
    """Print the table."""
    from make_parts import PARTS

    path = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE.parent / "examples" / "two_cutters.toml"
    raw = tomllib.loads(path.read_text())
    name = sys.argv[2] if len(sys.argv) > 2 else Path(raw["part"]["file"]).stem
    raw.pop("part")
    mesh = PARTS[name]()
    zrough.warm_up()
    print(
        f"{'cutters':14s} {'check':6s} {'cm3 off':>9s} {'mm3 left':>9s} {'stair':>6s} {'worst':>6s} "
        f"{'cut s':>7s} {'other s':>7s} {'plan s':>7s}"
    )
    every = raw["cutter"]
    said = " then ".join(f"{c['diameter']:g}" for c in every)
    plan, seconds = measured(raw, mesh)
    print(row(said, plan, seconds), flush=True)
    for failure in plan.check.failures[:5]:
        print("   ", failure.message)
    plan, seconds = measured({**raw, "cutter": every[-1:]}, mesh)
    print(row(f"{every[-1]['diameter']:g} alone", plan, seconds))


if __name__ == "__main__":
    main()
