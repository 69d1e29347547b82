"""The clearing engine alone: speed, memory and path length over sizes and cells, and over random regions.

    python benchmarks/bench_rings.py [--regions 40]

Growth is the exponent of time in (area / cell squared): 1.0 is in proportion, less is better.
"""

from __future__ import annotations

import argparse
import math
import resource
import sys
import time
from pathlib import Path

import numpy as np
from shapely.geometry import Point, box

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / d) for d in ("tests", ".")]
import regions  # noqa: E402
from regions import Region, clear, random_region, replay  # noqa: E402

from zrough.rings import Clearing  # noqa: E402


class Finer(Region):
    """A region cleared on another pitch than the plan's own."""

    pitch = 0.2

    @property
    def cell(self) -> float:
        return self.pitch


def pocket(scale: float) -> Finer:
    """A pocket with two islands and a rib, 120 x 80 mm at scale 1, 12 mm cutter, cap 60 degrees."""
    free = box(0, 0, 120 * scale, 80 * scale)
    free = free.difference(Point(35 * scale, 45 * scale).buffer(9))
    free = free.difference(box(75 * scale, 20, 95 * scale, 40))
    free = free.difference(box(58 * scale, 55 * scale, 58 * scale + 4, 80 * scale))
    return Finer(free, None, 6.0, 60.0)


def best(work, times: int = 2) -> float:
    """Least of a few runs, s."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return min(taken)


def ratios(region, pieces, cut_area=None):
    """Cutting length and feed time (links at three times the feed) over the floor."""
    step = np.concatenate([np.hypot(*np.diff(p.points, axis=0).T) for p in pieces])
    arcs = np.concatenate([p.arcs[1:] for p in pieces])
    ways = sum(np.hypot(*np.diff(p.way, axis=0).T).sum() for p in pieces if p.way is not None)
    cut, air = step[arcs > 0].sum(), step[arcs <= 0].sum()
    bite = region.radius * (1 - math.cos(math.radians(region.cap_deg)))
    floor = region.floor_length if cut_area is None else cut_area / bite
    return cut / floor, (cut + (air + ways) / 3) / floor


def growth() -> None:
    clear(pocket(0.3))
    print("size      cell   nodes      time s  nodes/us  steps/us  cut/floor  time/floor  growth")
    for scale in (0.5, 1.0, 2.0):
        before = None
        for cell in (0.4, 0.2, 0.1):
            region = pocket(scale)
            region.pitch = cell
            pieces, _, _ = clear(region)
            frame, level, d2 = regions.level(region)
            nodes = frame.fine[0] * frame.fine[1]

            level.entries = [p.entry for p in pieces if p.entry is not None]

            def run(region=region, frame=frame, level=level, d2=d2):
                Clearing(frame, d2.copy(), regions.rules(region)).run(level, None, 0.03)

            taken = best(run)
            slope = math.nan if before is None else math.log(taken / before[0]) / math.log(nodes / before[1])
            before = (taken, nodes)
            steps = sum(len(p.points) for p in pieces)
            cut, whole = ratios(region, pieces)
            print(f"{120 * scale:4.0f}x{80 * scale:<4.0f} {cell:4.2f} {nodes:9d} {taken:9.3f} "
                  f"{nodes / taken / 1e6:8.2f} {steps / taken / 1e6:9.3f} {cut:10.3f} {whole:11.3f} "
                  f"{slope:7.2f}")  # fmt: skip


def many(count: int) -> None:
    rows = []
    for seed in range(count):
        region = random_region(seed)
        start = time.perf_counter()
        pieces, _, _ = clear(region)
        taken = time.perf_counter() - start
        if not pieces:
            continue
        done = replay(region, pieces)
        share, _ = regions.unswept(region, done, 0.04 * region.radius)
        area = (1 - share) * region.swept(region.centres).area
        over = done.arc_deg.max() - region.cap_deg
        rows.append((region.stock is not None, over, taken, *ratios(region, pieces, area)))
    table = np.array(rows)
    print("\nregions        worst over cap deg   cut/floor 50 % 90 %   time/floor 50 % 90 %   s each")
    for opened, name in ((0, "closed pockets"), (1, "open regions")):
        t = table[table[:, 0] == opened]
        cut, whole = np.quantile(t[:, 3], (0.5, 0.9)), np.quantile(t[:, 4], (0.5, 0.9))
        print(f"{name:14s} {t[:, 1].max():12.2f} {cut[0]:18.3f} {cut[1]:6.3f} "
              f"{whole[0]:14.3f} {whole[1]:6.3f} {t[:, 2].mean():11.2f}")  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--regions", type=int, default=40)
    asked = parser.parse_args()
    growth()
    many(asked.regions)
    print(f"\npeak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
