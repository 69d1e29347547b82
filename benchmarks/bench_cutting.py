"""Cutting data: what a call costs, and what the feeds come to on the replay of the six example parts.

    python benchmarks/bench_cutting.py                        # calls only
    python benchmarks/bench_cutting.py --parts all            # and the six parts, as planned and replayed
    python benchmarks/bench_cutting.py --parts lid_core --size small --power 2.0

On a part, the replay of the finished program gives engagement, depth and thickest chip of each motion.
Counted is the share of cutting time, entries apart, in which that chip lies within 10 % of the target, the
chip that the limits of machine and cutter leave for this engagement and depth; and the highest motor power.
"""

from __future__ import annotations

import argparse
import time
from typing import Any

import numpy as np
from cases import NAMES, SIZES, case

TARGET_BAND = 0.10


def best(action: Any, repeats: int = 5) -> float:
    """Shortest wall time of several calls, seconds."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        action()
        times.append(time.perf_counter() - start)
    return min(times)


def calls() -> None:
    from zrough import cutting
    from zrough.cutting import kienzle as model

    job = case(NAMES[0], "small").job
    start = time.perf_counter()
    data = cutting.propose(job)
    print(f"propose, first call       {1e3 * (time.perf_counter() - start):9.1f} ms")

    def fresh() -> None:
        model._peaks_cached.cache_clear()
        cutting.propose(job)

    print(f"propose, nothing kept     {1e3 * best(fresh):9.1f} ms")
    rng = np.random.default_rng(1)
    arc, depth = rng.uniform(0.0, 90.0, 200_000), rng.uniform(0.0, 12.0, 200_000)
    print(f"feed_for, 200 000 moves   {1e3 * best(lambda: data.feed_for(arc, depth)):9.1f} ms")
    feeds = data.feed_for(arc, depth)
    print(f"load, mean, 200 000 moves {1e3 * best(lambda: data.load(arc, depth, feeds)):9.1f} ms")

    def peaks() -> None:
        model._peaks_cached.cache_clear()
        data.load(arc[:5000], depth[:5000], feeds[:5000], peaks=True)

    print(f"load, peak, 5 000 moves   {1e3 * best(peaks):9.1f} ms")


def part(name: str, size: str, climb: bool, power: float | None) -> None:
    import zrough

    job = case(name, size, climb).job
    if power is not None:
        job = job.replace(machine={"power_kw": power})
    plan = zrough.plan(job)
    data, verdict = plan.data, plan.check
    moves = verdict.moves
    seconds = np.diff(moves.time_s, prepend=0.0)
    cut = (
        np.isfinite(moves.chip_mm)
        & (moves.chip_mm > 0.0)
        & (moves.engagement_deg <= data.engagement_deg + 10.0)
    )
    target = data.chip_target(moves.engagement_deg[cut], moves.depth_mm[cut])
    ratio = moves.chip_mm[cut] / target
    weight = seconds[cut] / seconds[cut].sum()
    inside = float(weight[np.abs(ratio - 1.0) <= TARGET_BAND].sum())
    low, middle, high = weighted(ratio, weight, (0.05, 0.5, 0.95))
    limit = "none" if job.machine.power_kw is None else f"{job.machine.power_kw:.2f}"
    print(
        f"{name:18s} {len(moves.line):6d} {seconds[cut].sum():7.0f} s {100 * inside:6.1f} % "
        f"{low:5.2f} {middle:5.2f} {high:5.2f}   {verdict.worst_power_kw:6.2f} kW of {limit}"
    )


def weighted(values: np.ndarray, weight: np.ndarray, shares: tuple[float, ...]) -> list[float]:
    """Quantiles by weight."""
    order = np.argsort(values)
    return [float(v) for v in np.interp(shares, np.cumsum(weight[order]), values[order])]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--parts", nargs="*", default=[], metavar="NAME", help="example parts, or all")
    parser.add_argument("--size", default="shipped", choices=list(SIZES))
    parser.add_argument("--no-climb", action="store_true", help="primary levels only")
    parser.add_argument("--power", type=float, default=None, help="spindle power, kW")
    args = parser.parse_args()
    calls()
    names = NAMES if args.parts == ["all"] else args.parts
    if names:
        print(f"{'part':18s} {'motions':>6s} {'cutting':>9s} {'in band':>8s}  chip/target 5, 50, 95 %  power")
    for name in names:
        part(name, args.size, not args.no_climb, args.power)


if __name__ == "__main__":
    main()
