"""Deep primary levels with climb levels, beside plain levels at the stair height; same engine, same run.

    python benchmarks/bench_levels.py                    # six parts as shipped
    python benchmarks/bench_levels.py --parts dome_core  # some of them
    python benchmarks/bench_levels.py --calibrate        # level times foretold beside those of whole plans

"plain" is the same job with a primary level every stair height and no climb levels: the same flats, cutter,
cap and feeds, so the same tallest stair allowed. Time is the time model's, over all cutting and link moves.
Flute contact is the mean depth of the material met, over the length cut. Both programs are replayed: "stair"
is the tallest one measured on the stock as left. Where plain levels left a lower one, they are judged as if
spaced wider by as much and quicker in proportion ("same stair"): time goes with the number of levels, and the
stair with their distance.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass
from typing import Any

import numpy as np
from cases import NAMES, case

BAR_TIME, BAR_CONTACT = 0.65, 3.0
NO_STAIR = 0.1  # mm: what the check may read on upright walls


@dataclass(frozen=True)
class Found:
    """One plan: model minutes of cutting and links, and in all; mean flute contact and tallest stair, mm."""

    levels: int
    work: float
    total: float
    contact: float
    stair: float
    passed: bool
    seconds: float


def measure(job: Any, check: bool) -> Found:
    """Plan a job and measure it."""
    import zrough
    from zrough.timing import move_times
    from zrough.toolpath import Kind

    began = time.process_time()
    plan = zrough.plan(job, check=check)
    spent = time.process_time() - began
    path = plan.toolpath
    seconds, length = move_times(path, job.machine), path.lengths()
    entry = (path.kind == Kind.HELIX) | (path.kind == Kind.RAMP) | (path.kind == Kind.RAPID)
    cut = (path.kind == Kind.CUT) & (path.engagement > 0) & (path.level >= 0)
    depth = np.array([v.top - v.z for v in plan.levels])[path.level[cut]]
    return Found(
        len(plan.levels), float(seconds[~entry].sum()) / 60, float(seconds.sum()) / 60,
        float((length[cut] * depth).sum() / length[cut].sum()),
        plan.check.tallest_stair if check else float("nan"), bool(plan.check.ok) if check else True, spent,
    )  # fmt: skip


HEAD = (
    f"{'part':18s} {'levels by':9s} {'levels':>6s} {'cut + link':>10s} {'total':>8s} {'flute':>6s} "
    f"{'stair':>6s} {'check':>6s} {'cpu s':>6s}"
)


def line(name: str, how: str, found: Found) -> str:
    """One row of the table."""
    return (
        f"{name:18s} {how:9s} {found.levels:6d} {found.work:10.2f} {found.total:8.2f} {found.contact:6.2f} "
        f"{found.stair:6.2f} {'ok' if found.passed else 'FAILED':>6s} {found.seconds:6.1f}"
    )


def compare(names: list[str], check: bool) -> None:
    """Print the table: two lines a part, then the ratios and the bars."""
    print("times in min by the time model, lengths in mm")
    print(HEAD)
    ratios = []
    for name in names:
        job = case(name, climb_levels=True).job
        stair = job.roughing.stair_height
        deep = measure(job, check)
        print(line(name, "depth", deep), flush=True)
        plain = measure(job.replace(roughing={"level_depth": stair, "stair_height": 0.0}), check)
        print(line(name, "stair", plain), flush=True)
        ratios.append((name, deep.work / plain.work, same_stair(deep, plain), deep.contact / plain.contact))
    print(f"\n{'part':18s} {'time':>8s} {'same stair':>11s} {'flute contact':>14s}")
    for name, work, even, contact in ratios:
        good = max(work, even) <= BAR_TIME and contact >= BAR_CONTACT
        print(
            f"{name:18s} {100 * (work - 1):+6.0f} % {100 * (even - 1):+9.0f} % {contact:12.1f} x   "
            f"{'met' if good else 'MISSED'}"
        )
    print(f"bars: time {100 * (BAR_TIME - 1):+.0f} % or lower, flute contact {BAR_CONTACT:g} x or longer")


def same_stair(deep: Found, plain: Found) -> float:
    """Time of deep levels over that of plain ones, these spaced so that they leave stairs as tall."""
    wider = max(1.0, deep.stair / max(plain.stair, 1e-9)) if deep.stair > NO_STAIR else 1.0
    return wider * deep.work / plain.work


def calibrate(names: list[str]) -> None:
    """Foretold seconds of primary levels and of flats on the way up, beside the time model's."""
    import importlib

    import zrough
    from zrough.levelcost import Costs

    planner = importlib.import_module("zrough.plan")
    kept: list[Costs] = []

    class Kept(Costs):
        def __init__(self, *args: Any) -> None:
            super().__init__(*args)
            kept.append(self)

    planner.Costs = Kept  # type: ignore[attr-defined]
    print(f"{'part':18s} {'kind':8s} {'z':>8s} {'foretold s':>10s} {'planned s':>10s} {'ratio':>6s}")
    for name in names:
        plan = zrough.plan(case(name, climb_levels=True).job, check=False)
        costs = kept[-1]
        for level in plan.levels:
            below = [v.z for v in plan.levels if v.band == level.band and v.z < level.z - 1e-9]
            if level.kind == "primary":
                guess = costs.primary(level.z, level.top)
            elif level.floor and below:
                guess = costs.ledge(level.z, max(below), level.top)
            else:
                continue
            ratio = guess / max(level.time_s, 1e-9)
            row = f"{name:18s} {level.kind:8s} {level.z:8.2f} {guess:10.1f} {level.time_s:10.1f}"
            print(f"{row} {ratio:6.2f}", flush=True)


def main() -> None:
    """Parse the command line."""
    parser = argparse.ArgumentParser(description="Deep levels beside plain levels at the stair height.")
    parser.add_argument("--parts", nargs="+", default=list(NAMES), choices=NAMES)
    parser.add_argument("--no-check", action="store_true", help="leave out the replay: quicker, no stairs")
    parser.add_argument("--calibrate", action="store_true", help="compare the cost model with whole plans")
    args = parser.parse_args()
    if args.calibrate:
        calibrate(args.parts)
    else:
        compare(args.parts, not args.no_check)


if __name__ == "__main__":
    main()
