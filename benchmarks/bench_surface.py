"""Cutter location surface: rate, ratio to grey dilation, growth with radius and triangle count, boundaries.

    python benchmarks/bench_surface.py [--quick] [--whole]

The first call (compilation) is timed apart. Grey dilation is that of scipy.ndimage on the same map with the
same cutter on one core, measured on a strip and scaled unless --whole is given; ours uses every core.
"""

from __future__ import annotations

import argparse
import os
import resource
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import grey_dilation

from zrough.grid import Grid
from zrough.surface import ContactSurface

Floats = NDArray[np.float64]


def mould(size: float, count: int) -> Floats:
    """A core with drafted walls, freeform top, ribs and a groove: about ``count`` triangles (n, 3, 3)."""
    n = round((count / 2) ** 0.5) + 1
    x, y = np.meshgrid(np.linspace(0.0, size, n), np.linspace(0.0, size, n))
    u, v = x / size - 0.5, y / size - 0.5
    z = 6.0 * np.sin(7.0 * u) * np.cos(5.0 * v) + 2.0 * np.sin(25.0 * u + 18.0 * v)
    side = np.maximum(np.abs(u), np.abs(v))
    z = np.where(side > 0.36, -20.0, np.minimum(z, -20.0 + 12.0 * size * (0.36 - side)))
    groove = np.abs(np.hypot(u - 0.05, v + 0.03) - 0.2)
    z = np.where(groove < 0.03, np.minimum(z, -8.0), z)
    rib = (np.abs((u * 8.0) % 1.0 - 0.5) < 0.06) & (np.abs(v) < 0.25)
    z = np.where(rib, np.maximum(z, 5.0), z)
    p = np.stack([x, y, z], axis=-1)
    a, b, c, d = p[:-1, :-1], p[:-1, 1:], p[1:, 1:], p[1:, :-1]
    return np.stack([np.stack([a, b, c], 2), np.stack([a, c, d], 2)], 2).reshape(-1, 3, 3)


def timed(work: Callable[[], object], times: int = 1) -> tuple[float, float]:
    """(wall, processor) time of the fastest of a few calls, s; the latter tells more on a busy machine."""
    best = (np.inf, np.inf)
    for _ in range(times):
        start, used = time.perf_counter(), time.process_time()
        work()
        best = min(best, (time.perf_counter() - start, time.process_time() - used))
    return best


def dilation(z: Floats, cell: float, radius: float, corner: float, share: int) -> Callable[[], object]:
    """Grey dilation of the first rows, one in ``share``, of map ``z`` with the same cutter."""
    reach = int(radius / cell)
    dy, dx = np.mgrid[-reach : reach + 1, -reach : reach + 1] * cell
    d = np.hypot(dx, dy)
    inside = d <= radius
    e = np.clip(d - (radius - corner), 0.0, corner)
    shape = np.where(inside, np.sqrt(corner**2 - e**2) - corner, 0.0)
    part = z[: z.shape[0] // share]
    return lambda: grey_dilation(part, footprint=inside, structure=shape)


def side_by_side(
    ours: Callable[[], object], other: Callable[[], object], times: int
) -> tuple[float, float, float, float]:
    """(wall, processor) s of both, the fastest of calls that take turns: a busy spell then hits both."""
    best = [np.inf] * 4
    for _ in range(times):
        taken = (*timed(ours), *timed(other))
        best = [min(a, b) for a, b in zip(best, taken, strict=True)]
    return best[0], best[1], best[2], best[3]


def power_law(sizes: list[float], costs: list[float]) -> float:
    """Exponent p of cost ~ size^p, by least squares."""
    return float(np.polyfit(np.log(sizes), np.log(costs), 1)[0])


def main() -> None:
    """Run the table."""
    options = argparse.ArgumentParser()
    options.add_argument("--quick", action="store_true", help="a quarter of the size")
    options.add_argument("--whole", action="store_true", help="grey dilation of the whole map, once")
    given = options.parse_args()
    share = 4 if given.quick else 1
    cores = os.cpu_count() or 1
    print(f"{cores} cores, load average {os.getloadavg()[0]:.1f}; s = wall time, in brackets processor time")

    small = ContactSurface(mould(10.0, 200))
    little = Grid(0.0, 0.0, 0.5, 20, 20)

    def first() -> None:
        small.boundary(little, small.heights(little, 1.0, 0.2), -5.0, 1.0, 0.2)

    wall, used = timed(first)
    print(f"first call (compilation, or loading from the cache): {wall:.2f} s ({used:.2f})\n")

    cell, nodes = 0.16, 1000 // share
    triangles = mould(cell * nodes, 100_000 // share**2)
    wall, used = timed(lambda: ContactSurface(triangles), 3)
    print(f"build, {len(triangles)} triangles: {wall:.3f} s ({used:.3f})")
    tree = ContactSurface(triangles)
    grid = Grid(0.0, 0.0, cell, nodes, nodes)
    top = tree.heights(grid, 1e-6, 0.0)
    print(f"{nodes} x {nodes} nodes of {cell} mm, 12 mm cutters; scipy.ndimage.grey_dilation on one core")
    for radius, corner, name in [(6.0, 1.0, "bull-nose"), (6.0, 6.0, "ball"), (6.0, 0.0, "flat")]:
        parts = 1 if given.whole else 16
        wall, used, slow, slow_used = side_by_side(
            lambda r=radius, c=corner: tree.heights(grid, r, c),  # type: ignore[misc]
            dilation(top, cell, radius, corner, parts),
            1 if given.whole else 4,
        )
        print(
            f"  {name:9s} {wall:6.3f} s ({used:.3f})  {nodes**2 / wall / 1e6:5.2f} M nodes/s;"
            f"  dilation {parts * slow:5.1f} s ({parts * slow_used:.1f})  ratio {parts * slow / wall:5.1f}"
            f" (both on one core: {parts * slow_used / used:5.1f})"
        )

    print("growth with the cutter (bull-nose, corner = radius / 6), processor time")
    radii, costs = [1.5, 3.0, 6.0, 12.0, 24.0], []
    for radius in radii:
        _, used = timed(lambda r=radius: tree.heights(grid, r, r / 6.0), 2)  # type: ignore[misc]
        costs.append(used / nodes**2 * 1e6)
        print(f"  radius {radius:5.1f} mm  {costs[-1]:6.3f} us a node")
    print(f"  cost of a node ~ radius^{power_law(radii, costs):.2f}; dilation ~ radius^2")
    print("growth with triangles (12 mm bull-nose), processor time")
    counts, costs = [6_000, 25_000, 100_000, 400_000], []
    for count in counts:
        finer = ContactSurface(mould(cell * nodes, count // share**2))
        _, used = timed(lambda t=finer: t.heights(grid, 6.0, 1.0), 2)  # type: ignore[misc]
        costs.append(used / nodes**2 * 1e6)
        print(f"  {count // share**2:7d} triangles  {costs[-1]:6.3f} us a node")
    print(f"  cost of a node ~ triangles^{power_law([float(c) for c in counts], costs):.2f}")

    area = Grid(0.0, 0.0, 0.2, 800 // share, 600 // share)
    print(f"\nboundaries, {area.nx} x {area.ny} nodes of 0.2 mm, 12 mm bull-nose")
    heights = tree.heights(area, 6.0, 1.0)
    for z in (-15.0, -8.0, -2.0, 3.0):
        rings = tree.boundary(area, heights, z, 6.0, 1.0)
        step = np.diff(rings.points, axis=0)
        length = np.hypot(step[:, 0], step[:, 1]).sum()
        wall, used = timed(lambda level=z: tree.boundary(area, heights, level, 6.0, 1.0), 3)  # type: ignore[misc]
        print(
            f"  z {z:5.1f}: {len(rings):3d} rings, {len(rings.points):6d} points, {length:6.0f} mm,"
            f" {wall * 1e3:6.1f} ms ({used * 1e3:.1f})"
        )

    many, fine = 1_500_000 // share**2, 1500 // share
    triangles = mould(0.1 * fine, many)
    build, build_used = timed(lambda: ContactSurface(triangles))
    tree = ContactSurface(triangles)
    wall, used = timed(lambda: tree.heights(Grid(0.0, 0.0, 0.1, fine, fine), 6.0, 1.0))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(
        f"\n{len(triangles)} triangles, {fine} x {fine} nodes of 0.1 mm: build {build:.2f} s"
        f" ({build_used:.2f}),"
        f" heights {wall:.2f} s ({used:.2f}), peak memory {peak:.0f} MiB"
    )


if __name__ == "__main__":
    main()
