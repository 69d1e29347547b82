"""Replay speed and memory: path steps a second, 200 m of path, a 305 x 305 mm plate.

python benchmarks/bench_replay.py [metres] [chord]     chord: length of straight pieces, mm; 0 = lines and
arcs
"""

from __future__ import annotations

import math
import resource
import sys
import time
from types import SimpleNamespace

import numpy as np

from zrough import ncread, replay

SIDE, DEPTH, RADIUS = 305.0, 40.0, 6.0


class Block:
    """A block of stock, the least that the replay asks for."""

    kind = "block"
    lower = (0.0, 0.0, -DEPTH)
    upper = (SIDE, SIDE, 0.0)

    def top(self, grid):
        inside = np.outer((grid.y >= 0) & (grid.y <= SIDE), (grid.x >= 0) & (grid.x <= SIDE))
        return np.where(inside, 0.0, -np.inf)


def rounded_square(centre, half, corner, chord):
    """One climb ring round a square, clockwise outside, as NC lines."""
    corner = min(corner, half)
    out = []
    at = [(1, -1), (-1, -1), (-1, 1), (1, 1)]
    for k, (sx, sy) in enumerate(at):
        cx, cy = centre + sx * (half - corner), centre + sy * (half - corner)
        a0 = -math.pi / 2 * k
        p = (cx + corner * math.cos(a0), cy + corner * math.sin(a0))
        q = (cx + corner * math.cos(a0 - math.pi / 2), cy + corner * math.sin(a0 - math.pi / 2))
        if chord <= 0:
            out.append(f"G1 X{p[0]:.4f} Y{p[1]:.4f}")
            out.append(f"G2 X{q[0]:.4f} Y{q[1]:.4f} I{cx - p[0]:.4f} J{cy - p[1]:.4f}")
        else:
            out.append(("G1", p))
            n = max(1, math.ceil(corner * math.pi / 2 / chord))
            out += [
                (
                    "G1",
                    (
                        cx + corner * math.cos(a0 - math.pi / 2 * i / n),
                        cy + corner * math.sin(a0 - math.pi / 2 * i / n),
                    ),
                )
                for i in range(1, n + 1)
            ]
    if chord <= 0:
        return out
    lines, last = [], None
    for _, p in out:
        if last is not None:
            n = max(1, math.ceil(math.dist(last, p) / chord))
            lines += [
                f"X{last[0] + (p[0] - last[0]) * i / n:.4f} Y{last[1] + (p[1] - last[1]) * i / n:.4f}"
                for i in range(1, n + 1)
            ]
        last = p
    return lines


def program(metres, chord):
    """Rings from the outside inward, level by level, until the length is reached."""
    out = ["G21 G90 G17", "S8000 M3", "G0 X-20 Y-20", "Z10"]
    gone, z = 0.0, 0.0
    while gone < metres * 1000:
        z -= 5.0 if z > -30 else 0.5
        out += ["G1 X-20 Y-20 F3000", f"G1 Z{z:.4f}"]
        half = SIDE / 2 + RADIUS - 3.0
        while half > 20 and gone < metres * 1000:
            out += rounded_square(SIDE / 2, half, min(half, 15.0), chord)
            gone += 8 * half
            half -= 3.0
        out += ["G1 Z10", "X-20 Y-20"]
    return "\n".join([*out, "M30", ""])


def plate():
    """A plate with a boss, as triangles, below and among the rings."""
    import trimesh

    boss = trimesh.creation.cylinder(radius=19.0, height=35.0, sections=512)
    boss.apply_translation((SIDE / 2, SIDE / 2, -20.0))
    base = trimesh.creation.box(bounds=[(0, 0, -DEPTH), (SIDE, SIDE, -38.0)])
    return np.concatenate([boss.triangles, base.triangles])


def peak():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def main():
    metres = float(sys.argv[1]) if len(sys.argv) > 1 else 200.0
    chord = float(sys.argv[2]) if len(sys.argv) > 2 else 0.0
    cutter = SimpleNamespace(diameter=2 * RADIUS, corner_radius=0.0, flute_length=40.0, overhang=60.0)
    body = replay.body_of(cutter, [(20.0, 30.0, 40.0)], 1.0)
    bins = replay.bin_part(plate())

    def run(text):
        t0 = time.perf_counter()
        read = ncread.read(text)
        t1 = time.perf_counter()
        pieces = replay.cut_into_pieces(read, 10.0, RADIUS)
        t2, c2 = time.perf_counter(), time.process_time()
        result = replay.replay(pieces, len(read), body, Block(), bins, 60.0)
        t3, c3 = time.perf_counter(), time.process_time()
        replay.penetration(pieces, len(read), bins, RADIUS + 0.3, 0.3, 0.2, 0.005)
        return read, pieces, result, t1 - t0, t2 - t1, t3 - t2, c3 - c2, time.perf_counter() - t3

    t0 = time.perf_counter()
    run(program(0.05, chord))
    print(f"first call with compiling  {time.perf_counter() - t0:8.2f} s")
    before = peak()
    read, pieces, result, t_read, t_cut, t_run, c_run, t_gouge = run(program(metres, chord))
    length = np.nansum(read.lengths()) / 1000
    print(f"path                       {length:8.1f} m, {len(read)} motions, {len(pieces)} pieces")
    print(f"read / pieces              {t_read:8.2f} s / {t_cut:.2f} s")
    print(f"replay {t_run:8.2f} s, {result.steps} steps, {result.steps / t_run / 1e6:.2f} M/s")
    print(f"processor time             {c_run:8.2f} s, {2 * result.steps / c_run / 1e6:.2f} M/s on two cores")
    print(f"against triangles          {t_gouge:8.2f} s")
    print(
        f"worst engagement           {result.worst.max():8.2f} degrees, {result.volume.sum() / 1000:.2f} cm3"
    )
    print(f"map                        {result.grid.nx} x {result.grid.ny}, pitch {result.grid.cell:.4f} mm")
    print(f"memory                     {peak():8.0f} MB at most, {peak() - before:.0f} MB over the small run")


if __name__ == "__main__":
    main()
