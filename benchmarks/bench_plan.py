"""Planning beside the obvious alternative: engagement, length and time in one table.

    python benchmarks/bench_plan.py                      # six parts as shipped
    python benchmarks/bench_plan.py --sizes small large  # other sizes
    python benchmarks/bench_plan.py --curve lid_core     # time and memory over cells and sizes

Both paths are measured by the same raster replay in plain_rings.py, which knows neither planner. Climb
levels are off: on the primary levels both do the same work. Times are wall-clock of the second call, without
the check; the first call of a process loads or compiles kernels and is shown apart. Entries are left out of
the engagement.
"""

from __future__ import annotations

import argparse
import json
import math
import resource
import subprocess
import sys
import time
from typing import Any

import numpy as np
from cases import NAMES, SIZES, Case, case
from plain_rings import CUT, Meeting, engagement
from plain_rings import plan as plain_plan


def radius_and_step(job: Any) -> tuple[float, float, float]:
    """Cutter radius, engagement cap in degrees and the straight-wall width that goes with it, mm."""
    radius = job.cutter.diameter / 2
    if job.roughing.radial_width is not None:
        width = job.roughing.radial_width
        return radius, math.degrees(math.acos(1 - width / radius)), width
    cap = job.roughing.engagement_deg
    return radius, cap, radius * (1 - math.cos(math.radians(cap)))


def ours(c: Case) -> tuple[Any, float, Meeting, list[float]]:
    """Plan a case; the plan, seconds, what the cutter meets, tip heights of its levels."""
    import zrough
    from zrough.arcs import to_chords
    from zrough.toolpath import Kind

    began = time.perf_counter()
    plan = zrough.plan(c.job, check=False)
    seconds = time.perf_counter() - began
    path = to_chords(plan.toolpath, 0.01)
    radius, _, _ = radius_and_step(c.job)
    clearance = c.job.links.clearance if c.job.links.clearance is not None else c.upper[2] + 10
    counted = (path.kind == Kind.CUT) | (path.kind == Kind.LINK)
    met = engagement(path.xyz, counted, c.lower, c.upper, radius, clearance)
    flat = np.concatenate([[False], (path.kind[1:] == Kind.CUT) & (np.diff(path.xyz[:, 2]) == 0)])
    levels = sorted(set(np.round(path.xyz[flat, 2], 4)), reverse=True)
    return plan, seconds, met, levels


def plain(c: Case, levels: list[float]) -> tuple[float, Meeting]:
    """The equal-distance planner on the same levels."""
    radius, _, width = radius_and_step(c.job)
    r = c.job.roughing
    clearance = c.upper[2] + 10
    path = plain_plan(
        c.vertices,
        c.faces,
        c.lower,
        c.upper,
        levels,
        radius,
        width,
        r.wall_allowance,
        r.floor_allowance,
        clearance,
    )
    entry = np.concatenate([[False], path.kind[:-1] != CUT])
    met = engagement(path.xyz, (path.kind == CUT) & ~entry, c.lower, c.upper, radius, clearance)
    return path.seconds, met


HEAD = (
    f"{'part':18s} {'size':8s} {'planner':8s} {'levels':>6s} {'cap':>5s} {'worst':>6s} {'99 %':>6s} "
    f"{'cut m':>7s} {'other m':>8s} {'lifts':>6s} {'s':>7s}"
)


def row(c: Case, name: str, levels: int, cap: float, met: Meeting, seconds: float) -> str:
    """One line of the table."""
    return (
        f"{c.name:18s} {c.size:8s} {name:8s} {levels:6d} {cap:5.1f} {met.worst_deg:6.1f} {met.p99_deg:6.1f} "
        f"{met.cutting / 1000:7.2f} {met.travel / 1000:8.2f} {met.lifts:6d} {seconds:7.2f}"
    )


def compare(names: list[str], sizes: list[str]) -> None:
    """Print the table, two lines a case."""
    print("angles in degrees (read to about 1), lengths in m, planning time in s")
    print(HEAD)
    first = True
    for size in sizes:
        for name in names:
            c = case(name, size)
            _, cap, _ = radius_and_step(c.job)
            if first:
                began = time.perf_counter()
                ours(c)
                print(f"(first call of this process, replay included: {time.perf_counter() - began:.1f} s)")
                first = False
            _, seconds, met, levels = ours(c)
            print(row(c, "zrough", len(levels), cap, met, seconds))
            seconds, met = plain(c, levels)
            print(row(c, "plain", len(levels), cap, met, seconds), flush=True)


def one_in_child(name: str, size: str, cell: float) -> dict[str, float]:
    """Seconds of the second call and peak memory of a process that plans one case."""
    out = subprocess.run(
        [sys.executable, __file__, "--child", name, size, str(cell)],
        check=True,
        capture_output=True,
        text=True,
    )
    result: dict[str, float] = json.loads(out.stdout.splitlines()[-1])
    return result


def child(name: str, size: str, cell: float) -> None:
    """The child process of `one_in_child`."""
    import zrough

    empty = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    c = case(name, size, cell=cell)
    seconds = []
    for _ in range(2):
        began = time.perf_counter()
        zrough.plan(c.job, check=False)
        seconds.append(time.perf_counter() - began)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(
        json.dumps({"first": seconds[0], "second": seconds[1], "mb": peak / 1024, "empty_mb": empty / 1024})
    )


def curve(name: str) -> None:
    """Time and memory over three cells and three sizes; cells counted over the block's area."""
    print(f"{name}: planning time and peak memory")
    print(f"{'size':8s} {'cell':>5s} {'Mcells':>7s} {'s':>7s} {'s/Mcell':>8s} {'MB':>7s}")
    for size in SIZES:
        c = case(name, size)
        plan_area = float(np.prod((c.upper - c.lower)[:2]))
        for cell in (0.4, 0.2, 0.1):
            found = one_in_child(name, size, cell)
            million = plan_area / cell**2 / 1e6
            print(
                f"{size:8s} {cell:5.2f} {million:7.3f} {found['second']:7.2f} "
                f"{found['second'] / million:8.2f} {found['mb']:7.0f}",
                flush=True,
            )


def main() -> None:
    """Parse the command line."""
    parser = argparse.ArgumentParser(description="Plan the example parts beside equal-distance rings.")
    parser.add_argument("--parts", nargs="+", default=list(NAMES), choices=NAMES)
    parser.add_argument("--sizes", nargs="+", default=["shipped"], choices=list(SIZES))
    parser.add_argument(
        "--curve", choices=NAMES, help="time and memory over cell sizes and part sizes instead"
    )
    parser.add_argument("--child", nargs=3, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.child:
        child(args.child[0], args.child[1], float(args.child[2]))
    elif args.curve:
        curve(args.curve)
    else:
        compare(args.parts, args.sizes)


if __name__ == "__main__":
    main()
