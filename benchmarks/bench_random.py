"""The planner's goals on parts nobody tuned it on, one line a part; checked by the replay of its program.

    python benchmarks/bench_random.py                         # seeds 1 and 2 of every kind
    python benchmarks/bench_random.py core:5 plate:3          # these parts
    python benchmarks/bench_random.py --kinds core --seeds 1 9  # seeds 1 to 8 of one kind

First line a part: climb levels on. Worst arc over the cap in degrees; tallest stair outside and inside listed
places, mm (1.25 allowed); excess in % of what was removed (0.5); error of the floors, mm (0.01); climb-level
path with links over the wall it traced (1.6), first where walls alone are traced, then with flats cut on the
way up, whose floors are in that path; planning time on the wall and on all cores, s. Then climb levels off:
cut and feed path over the floor length, sum(area / (R (1 - cos cap))) (1.12 and 2.0), and time with links at
three times the feed over the floor time (1.38). Stars mark what misses its bar. Each part in its own process.
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

HEAD = (
    f"{'part':14s} {'ok':3s} {'arc':>7s} {'outside':>8s} {'inside':>7s} {'excess':>7s} {'floor':>7s} "
    f"{'climb':>6s} {'+ flats':>7s} {'wall s':>7s} {'cpu s':>6s} {'GB':>5s} | "
    f"{'ok':3s} {'arc':>7s} {'cut':>6s} {'feed':>6s} {'time':>6s}"
)
BARS = {"arc": 1.0, "stair": 0.05, "excess": 0.5, "floor": 0.01, "climb": 1.6, "wall": 20.0, "gb": 1.5,
        "cut": 1.12, "feed": 2.0, "time": 1.38}  # fmt: skip


def with_climbs(job: Any) -> dict[str, Any]:
    """Plan and check; planning is timed once the kernels are there."""
    import zrough

    zrough.plan(job.replace(roughing={"cell": 0.6, "stair_height": 0.0}), check=False)
    began, spent = time.perf_counter(), time.process_time()
    plan = zrough.plan(job, check=False)
    wall, cpu = time.perf_counter() - began, time.process_time() - spent
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    check = zrough.check(plan.nc_text, job)
    left = check.leftover
    listed = [(float(e["z"]), e["box"]) for e in plan.left if e.get("box") and e.get("z") is not None]
    outside, where = left.tallest_outside(listed)
    every = [v for v in plan.levels if v.kind == "climb" and v.wall_mm > 0]
    walls = [v for v in every if not v.floor]
    return {
        "ok": check.ok,
        "why": [f"{f}" for f in check.failures[:3]],
        "arc": check.engagement.worst_deg - check.engagement.cap_deg,
        "outside": outside,
        "outside_at": where,
        "stair": job.roughing.stair_height,
        "inside": left.tallest_stair,
        "excess": 100 * left.excess_volume / max(check.removed_mm3, 1e-9),
        "floor": check.floor_error,
        "climb": path_over_wall(walls),
        "with_floors": path_over_wall(every),
        "feed_m": (check.lengths["total"] - check.lengths["rapids"]) / 1000,
        "wall": wall,
        "cpu": cpu,
        "gb": peak,
        "listed": len(listed),
    }


def path_over_wall(levels: list[Any]) -> float:
    """Path with links over the length of wall traced."""
    wall = sum(v.wall_mm for v in levels)
    return sum(v.cut_mm + v.link_mm for v in levels) / wall if wall else math.nan


def without_climbs(job: Any) -> dict[str, Any]:
    """Waste on the primary levels."""
    import zrough

    job = job.replace(roughing={"stair_height": 0.0})
    plan = zrough.plan(job)
    radius, cap = job.cutter.diameter / 2, math.radians(plan.check.engagement.cap_deg)
    floor = sum(v.area_mm2 for v in plan.levels) / (radius * (1 - math.cos(cap)))
    cut = sum(v.cut_mm for v in plan.levels)
    lengths = plan.check.lengths
    link = lengths["total"] - lengths["rapids"] - cut
    return {
        "ok0": plan.check.ok,
        "why0": [f"{f}" for f in plan.check.failures[:3]],
        "arc0": plan.check.engagement.worst_deg - plan.check.engagement.cap_deg,
        "cut": cut / floor,
        "feed": (cut + link) / floor,
        "time": (cut + link / 3) / floor,
    }


def measure(kind: str, seed: int, off: bool, small: bool) -> dict[str, Any]:
    """All numbers of one part."""
    import random_parts

    job = random_parts.job(kind, seed, small)
    return {**with_climbs(job), **(without_climbs(job) if off else {})}


def line(name: str, got: dict[str, Any]) -> str:
    """One row of the table."""

    def star(key: str, value: float, width: int, digits: int = 2, limit: float | None = None) -> str:
        over = value > (BARS[key] if limit is None else limit) + 1e-9
        return f"{value:{width - 1}.{digits}f}{'*' if over else ' '}"

    text = (
        f"{name:14s} {'yes' if got['ok'] else 'NO':3s} {star('arc', got['arc'], 7)} "
        f"{star('stair', got['outside'], 8, limit=got['stair'] + BARS['stair'])} {got['inside']:6.2f}  "
        f"{star('excess', got['excess'], 7)} {star('floor', got['floor'], 7, 4)} "
        f"{star('climb', got['climb'], 6)} {star('climb', got['with_floors'], 7)} "
        f"{star('wall', got['wall'], 7, 1)} {got['cpu']:6.1f} {star('gb', got['gb'], 5)} |"
    )
    if "ok0" in got:
        text += f" {'yes' if got['ok0'] else 'NO':3s} {star('arc', got['arc0'], 7)}"
        text += "".join(f" {star(key, got[key], 6)}" for key in ("cut", "feed", "time"))
    return "\n".join([text, *(f"    {w}" for w in got["why"] + got.get("why0", []))])


def main() -> None:
    """Parse the command line."""
    from random_parts import MAKERS

    parser = argparse.ArgumentParser(description="Goals of the planner on random parts.")
    parser.add_argument("parts", nargs="*", metavar="KIND:SEED")
    parser.add_argument("--kinds", nargs="+", default=list(MAKERS), choices=list(MAKERS))
    parser.add_argument(
        "--seeds", nargs=2, type=int, default=(1, 3), help="first seed and the one past the last"
    )
    parser.add_argument("--no-off", action="store_true", help="leave out the plans without climb levels")
    parser.add_argument("--small", action="store_true", help="the 12 mm cutter for plates, too: a hard case")
    parser.add_argument("--child", action="store_true", help=argparse.SUPPRESS)
    args = parser.parse_args()
    names = args.parts or [f"{k}:{s}" for s in range(*args.seeds) for k in args.kinds]
    if args.child:
        kind, seed = names[0].split(":")
        print(json.dumps(measure(kind, int(seed), not args.no_off, args.small)))
        return
    print(HEAD, flush=True)
    for name in names:
        command = [
            sys.executable,
            __file__,
            name,
            "--child",
            *(["--no-off"] if args.no_off else []),
            *(["--small"] if args.small else []),
        ]
        run = subprocess.run(command, capture_output=True, text=True)
        if run.returncode:
            print(f"{name:14s} FAILED: {run.stderr.strip().splitlines()[-1]}", flush=True)
            continue
        print(line(name, json.loads(run.stdout.splitlines()[-1])), flush=True)


if __name__ == "__main__":
    main()
