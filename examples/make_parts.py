"""Make the six example parts as binary STL files.

The invented setting: a small mould shop at Oldmere cuts the inserts for a boat lantern. Six of its
jobs are here, each an insert as a triangle mesh whose walls are true planes and whose flats are flat.

    python examples/make_parts.py            # into examples/parts/
    python examples/make_parts.py --ship     # also renew examples/lid_core.stl

Needs numpy and scipy only. Each ``*_part`` function returns ``(vertices, faces)``; every mesh is closed,
its normals point outward, z = 0 is the top of the block and +z is up.
"""

from __future__ import annotations

import argparse
import math
import os
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import Delaunay, cKDTree

Points = NDArray[np.float64]
Mesh = tuple[NDArray[np.float64], NDArray[np.int64]]
CHORD = 0.004  # mm, how far a facet may stray from a round wall


# --- loops: closed outlines that know their outward normals ---------------------------------------


@dataclass(frozen=True)
class Loop:
    """A counter-clockwise outline; moved along ``normals`` it stays an outline of the same corners."""

    points: Points
    normals: Points

    def grown(self, distance: float | NDArray[np.float64]) -> Points:
        """The outline moved outward, straight edges staying parallel."""
        return self.points + self.normals * np.reshape(distance, (-1, 1))


def arc_steps(radius: float, angle: float, longest: float, chord: float = CHORD) -> int:
    """Chords for an arc so that the sagitta stays below ``chord`` and the chord below ``longest``."""
    fine = 2 * math.acos(max(0.0, 1 - chord / radius))
    return max(2, math.ceil(abs(angle) / min(fine, longest / radius)))


def rounded(
    corners: Sequence[tuple[float, float]],
    radii: float | Sequence[float],
    longest: float = math.inf,
    chord: float = CHORD,
) -> Loop:
    """Polygon (counter-clockwise corners) with each corner rounded; radius 0 keeps it sharp."""
    p = np.asarray(corners, float)
    r = np.broadcast_to(np.asarray(radii, float), len(p))
    points: list[Points] = []
    normals: list[Points] = []
    for k in range(len(p)):
        a = (p[k] - p[k - 1]) / np.linalg.norm(p[k] - p[k - 1])
        b = (p[(k + 1) % len(p)] - p[k]) / np.linalg.norm(p[(k + 1) % len(p)] - p[k])
        n_in, n_out = np.array([a[1], -a[0]]), np.array([b[1], -b[0]])
        turn = math.atan2(a[0] * b[1] - a[1] * b[0], a @ b)
        if r[k] == 0:
            points.append(p[k : k + 1])
            normals.append(((n_in + n_out) / (1 + n_in @ n_out))[None])
            continue
        start = p[k] - a * r[k] * math.tan(abs(turn) / 2)
        side = math.copysign(1.0, turn)
        centre = start - n_in * r[k] * side
        t = np.linspace(0, turn, arc_steps(r[k], turn, longest, chord) + 1)
        ray = np.stack(
            [np.cos(t) * n_in[0] - np.sin(t) * n_in[1], np.sin(t) * n_in[0] + np.cos(t) * n_in[1]], 1
        )
        points.append(centre + ray * r[k] * side)
        normals.append(ray)
    return split_edges(Loop(np.concatenate(points), np.concatenate(normals)), longest)


def split_edges(loop: Loop, longest: float) -> Loop:
    """Even points along straight edges so that none is longer than ``longest``."""
    points, normals = [], []
    for k in range(len(loop.points)):
        a, b = loop.points[k], loop.points[(k + 1) % len(loop.points)]
        u, v = loop.normals[k], loop.normals[(k + 1) % len(loop.points)]
        parts = 1 if math.isinf(longest) else max(1, math.ceil(np.linalg.norm(b - a) / longest))
        t = np.arange(parts)[:, None] / parts
        points.append(a + (b - a) * t)
        normals.append(u + (v - u) * t)
    return Loop(np.concatenate(points), np.concatenate(normals))


def rectangle(cx: float, cy: float, width: float, height: float, radius: float, **how: float) -> Loop:
    """Rounded rectangle about a centre."""
    x, y = width / 2, height / 2
    return rounded([(cx - x, cy - y), (cx + x, cy - y), (cx + x, cy + y), (cx - x, cy + y)], radius, **how)


def circle(cx: float, cy: float, radius: float, longest: float = math.inf, chord: float = CHORD) -> Loop:
    """Circle, its first point at angle 0."""
    n = max(12, arc_steps(radius, 2 * math.pi, longest, chord))
    t = 2 * math.pi * np.arange(n) / n
    ray = np.stack([np.cos(t), np.sin(t)], 1)
    return Loop(np.array([cx, cy]) + radius * ray, ray)


def oval(width: float, height: float, power: float, longest: float) -> Loop:
    """``|x/a|**power + |y/b|**power = 1`` with even points; its normals are those of the curve."""
    t = np.linspace(0, 2 * math.pi, 20001)
    c, s = np.cos(t), np.sin(t)
    x = width / 2 * np.sign(c) * np.abs(c) ** (2 / power)
    y = height / 2 * np.sign(s) * np.abs(s) ** (2 / power)
    run = np.concatenate([[0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    at = np.arange(math.ceil(run[-1] / longest)) * run[-1] / math.ceil(run[-1] / longest)
    x, y = np.interp(at, run, x), np.interp(at, run, y)
    normal = np.stack(
        [np.sign(x) * np.abs(2 * x / width) ** (power - 1) / width,
         np.sign(y) * np.abs(2 * y / height) ** (power - 1) / height], 1
    )  # fmt: skip
    return Loop(np.stack([x, y], 1), normal / np.linalg.norm(normal, axis=1, keepdims=True))


# --- filling outlines with triangles --------------------------------------------------------------


def area(p: Points) -> float:
    """Signed area of an outline, positive counter-clockwise."""
    q = np.roll(p, -1, 0)
    return float(np.sum(p[:, 0] * q[:, 1] - q[:, 0] * p[:, 1]) / 2)


def inside(points: Points, loops: Sequence[Points]) -> NDArray[np.bool_]:
    """Even-odd test of points against outlines."""
    odd = np.zeros(len(points), bool)
    for p in loops:
        q = np.roll(p, -1, 0)
        for (x0, y0), (x1, y1) in zip(p, q, strict=True):
            if y0 == y1:
                continue
            hit = (y0 > points[:, 1]) != (y1 > points[:, 1])
            odd ^= hit & (points[:, 0] < x0 + (points[:, 1] - y0) * (x1 - x0) / (y1 - y0))
    return odd


def cross(o: Points, a: Points, b: Points) -> NDArray[np.float64]:
    """Twice the area of triangle o, a, b."""
    return (a[..., 0] - o[..., 0]) * (b[..., 1] - o[..., 1]) - (a[..., 1] - o[..., 1]) * (
        b[..., 0] - o[..., 0]
    )


def bridged(p: Points, ring: list[int], hole: list[int]) -> list[int]:
    """Join a clockwise hole to the ring by a cut from the hole's rightmost corner to one it can see."""
    start = max(range(len(hole)), key=lambda k: (p[hole[k], 0], p[hole[k], 1]))
    hole = hole[start:] + hole[:start]
    eye = p[hole[0]]
    edges = np.array([ring, ring[1:] + ring[:1]]).T
    mine = np.array([hole, hole[1:] + hole[:1]]).T
    a, b = p[np.concatenate([edges, mine])].transpose(1, 0, 2)
    order = np.argsort(np.linalg.norm(p[ring] - eye, axis=1), kind="stable")
    for k in order:
        target = p[ring[k]]
        crosses = (cross(eye, target, a) * cross(eye, target, b) < 0) & (
            cross(a, b, eye) * cross(a, b, target) < 0
        )
        prev, after = p[ring[k - 1]], p[ring[(k + 1) % len(ring)]]
        if cross(prev, target, after) > 0:
            open_here = cross(prev, target, eye) > 0 and cross(target, after, eye) > 0
        else:
            open_here = cross(prev, target, eye) > 0 or cross(target, after, eye) > 0
        touch = (np.abs(cross(eye, target, a)) < 1e-12) & ((a - eye) @ (target - eye) > 0)
        touch &= (a - target) @ (eye - target) > 0
        if open_here and not crosses.any() and not touch.any():
            return ring[: k + 1] + hole + [hole[0]] + ring[k:]
    raise AssertionError("a hole sees no corner of its outline")


def fill(outer: Points, holes: Sequence[Points] = ()) -> Mesh:
    """Ear clipping; vertices are the outline's, then the holes', in order."""
    p = np.concatenate([outer, *holes])
    ring = list(range(len(outer)))
    at = len(outer)
    cuts = []
    for hole in holes:
        own = list(range(at, at + len(hole)))
        cuts.append(own if area(hole) < 0 else own[::-1])
        at += len(hole)
    for hole in sorted(cuts, key=lambda h: -p[h, 0].max()):
        ring = bridged(p, ring, hole)
    faces = []
    k, idle = 0, 0
    while len(ring) > 3:
        a, b, c = ring[k - 1], ring[k], ring[(k + 1) % len(ring)]
        if is_ear(p, ring, a, b, c):
            faces.append((a, b, c))
            del ring[k]
            idle = 0
            k = (k + 1) % len(ring)  # skip one, so that fans do not grow needles
        else:
            k, idle = (k + 1) % len(ring), idle + 1
            assert idle <= len(ring), "an outline crosses itself"
    faces.append((ring[0], ring[1], ring[2]))
    t = np.array(faces, np.int64)
    assert (
        abs(
            cross(p[t[:, 0]], p[t[:, 1]], p[t[:, 2]]).sum() / 2
            - area(outer)
            + sum(abs(area(h)) for h in holes)
        )
        < 1e-6
    )
    return p, t


def is_ear(p: Points, ring: list[int], a: int, b: int, c: int) -> bool:
    """Whether triangle a, b, c may be cut off: it turns left and holds no other corner."""
    if cross(p[a], p[b], p[c]) <= 1e-9:
        return False
    q = p[ring]
    lower, upper = np.minimum(np.minimum(p[a], p[b]), p[c]), np.maximum(np.maximum(p[a], p[b]), p[c])
    q = q[np.all((q >= lower) & (q <= upper), axis=1)]
    for corner in (a, b, c):
        q = q[np.any(q != p[corner], axis=1)]
    if not len(q):
        return True
    within = (cross(p[a], p[b], q) >= 0) & (cross(p[b], p[c], q) >= 0) & (cross(p[c], p[a], q) >= 0)
    return not within.any()


def fill_fine(outer: Points, holes: Sequence[Points], pitch: float) -> Mesh:
    """Even triangles about ``pitch`` wide; the outlines must have points about that far apart."""
    rim = np.concatenate([outer, *holes])
    low, high = rim.min(0), rim.max(0)
    rows = np.arange(low[1], high[1], pitch * math.sqrt(3) / 2)
    grid = [
        np.stack([np.arange(low[0] + (k % 2) * pitch / 2, high[0], pitch), np.full_like(
            np.arange(low[0] + (k % 2) * pitch / 2, high[0], pitch), y)], 1)
        for k, y in enumerate(rows)
    ]  # fmt: skip
    inner = np.concatenate(grid)
    inner = inner[inside(inner, [outer, *holes])]
    inner = inner[cKDTree(rim).query(inner)[0] > 0.7 * pitch]
    p = np.concatenate([rim, inner])
    t = Delaunay(p).simplices.astype(np.int64)
    t = t[inside(p[t].mean(1), [outer, *holes])]
    flip = cross(p[t[:, 0]], p[t[:, 1]], p[t[:, 2]]) < 0
    t[flip] = t[flip][:, ::-1]
    edges = np.sort(np.concatenate([t[:, [0, 1]], t[:, [1, 2]], t[:, [2, 0]]]), 1)
    _, count = np.unique(edges, axis=0, return_counts=True)
    assert np.count_nonzero(count == 1) == len(rim), "the outline is too coarse for this pitch"
    return p, t


# --- faces of a part --------------------------------------------------------------------------------


class Shell:
    """Collects faces; corners that coincide become one when the mesh is made."""

    def __init__(self) -> None:
        self.parts: list[Mesh] = []
        self.count = 0

    def add(self, vertices: Points, faces: NDArray[np.int64]) -> None:
        """Faces with outward normals, counter-clockwise seen from outside."""
        self.parts.append((vertices, faces + self.count))
        self.count += len(vertices)

    def flat(self, z: float, outer: Points, holes: Sequence[Points] = (), up: bool = True) -> None:
        """Horizontal face at z."""
        p, t = fill(outer, holes)
        self.add(np.column_stack([p, np.full(len(p), z)]), t if up else t[:, ::-1])

    def wall(self, low: Points, low_z: float | Points, high: Points, high_z: float | Points) -> None:
        """Strip between two loops of as many corners; material lies inside the loops."""
        n = len(low)
        a = np.column_stack([low, np.broadcast_to(low_z, n)])
        b = np.column_stack([high, np.broadcast_to(high_z, n)])
        i = np.arange(n)
        j = (i + 1) % n
        self.add(
            np.concatenate([a, b]),
            np.concatenate([np.stack([i, j, j + n], 1), np.stack([i, j + n, i + n], 1)]),
        )

    def hole_wall(self, low: Points, low_z: float | Points, high: Points, high_z: float | Points) -> None:
        """Like `wall`, material outside the loops."""
        self.wall(
            low[::-1],
            np.broadcast_to(low_z, len(low))[::-1],
            high[::-1],
            np.broadcast_to(high_z, len(low))[::-1],
        )

    def boss(
        self,
        foot: Loop,
        foot_z: float,
        top_z: float,
        draft_deg: float,
        holes: Sequence[Points] = (),
        edge: float = 0.0,
    ) -> None:
        """Walls and top of a drafted boss; ``edge`` rounds the rim of its top."""
        lean = math.tan(math.radians(draft_deg))
        below, below_z = foot.points, foot_z
        steps = [] if edge == 0 else list(np.linspace(math.radians(draft_deg), math.pi / 2, 9))
        # the rounding: centre lies `edge` below the top and `edge` inside the wall, square to the wall
        reach = lean * (top_z - foot_z - edge) + edge / math.cos(math.radians(draft_deg)) if edge else 0.0
        for angle in steps:
            ring = foot.grown(-(reach - edge * math.cos(angle)))
            z = top_z - edge + edge * math.sin(angle)
            self.wall(below, below_z, ring, z)
            below, below_z = ring, z
        if not steps:
            below = foot.grown(-lean * (top_z - foot_z))
            self.wall(foot.points, foot_z, below, top_z)
        self.flat(top_z, below, holes)

    def mesh(self) -> Mesh:
        """One indexed mesh in single-precision numbers, as an STL file holds them."""
        v = np.concatenate([p for p, _ in self.parts]).astype(np.float32)
        f = np.concatenate([t for _, t in self.parts])
        v += np.float32(0)  # no negative zeros
        v, back = np.unique(v, axis=0, return_inverse=True)
        f = back.reshape(-1)[f]
        return v.astype(float), f[(f[:, 0] != f[:, 1]) & (f[:, 1] != f[:, 2]) & (f[:, 2] != f[:, 0])]


# --- upright-walled parts: a plan cut into regions, each at its own height ---------------------------


@dataclass(frozen=True)
class Region:
    """An outline at a height; ``within`` is the index of the region it is cut out of (None: the block)."""

    outline: Points
    z: float
    within: int | None = None


def upright(outline: Points, bottom: float, regions: Sequence[Region], top: float = 0.0) -> Mesh:
    """A block with upright-walled pockets, steps, islands, windows (z = bottom) and slots."""
    loops = [outline] + [r.outline for r in regions]
    heights = [top] + [r.z for r in regions]
    parents = [-1] + [0 if r.within is None else r.within + 1 for r in regions]
    loops = [with_touching_points(p, loops) for p in loops]
    shell = Shell()
    owner: dict[tuple[bytes, bytes], int] = {}
    faces = []
    for k, loop in enumerate(loops):
        rims = outlines_less(loop, [loops[m] for m in range(len(loops)) if parents[m] == k])
        faces.append(rims)
        for rim in rims:
            for a, b in zip(rim, np.roll(rim, -1, 0), strict=True):
                owner[a.tobytes(), b.tobytes()] = k
        if heights[k] > bottom:
            for outer in (r for r in rims if area(r) > 0):
                shell.flat(heights[k], outer, [h for h in rims if area(h) < 0 and inside(h[:1], [outer])[0]])
    stand: dict[bytes, set[float]] = {}
    for (a, b), k in owner.items():
        for corner in (a, b):
            stand.setdefault(corner, {bottom}).add(heights[k])
    for (a, b), k in owner.items():
        other = heights[owner[b, a]] if (b, a) in owner else bottom
        if heights[k] > other:
            upright_wall(shell, a, b, other, heights[k], stand)
    windows = [loops[k] for k in range(len(loops)) if heights[k] <= bottom]
    rims = outlines_less(loops[0], windows)
    for outer in (r for r in rims if area(r) > 0):
        shell.flat(bottom, outer, [h for h in rims if area(h) < 0 and inside(h[:1], [outer])[0]], up=False)
    return shell.mesh()


def with_touching_points(loop: Points, others: Sequence[Points]) -> Points:
    """The loop with a corner wherever another loop's corner lies on one of its edges."""
    every = np.unique(np.concatenate(others), axis=0)
    out = []
    for a, b in zip(loop, np.roll(loop, -1, 0), strict=True):
        length = np.linalg.norm(b - a)
        along = (every - a) @ (b - a) / length**2
        off = np.abs(cross(a, b, every)) / length
        on = (off < 1e-9) & (along > 1e-9) & (along < 1 - 1e-9)
        out.append(a[None])
        out.append(every[on][np.argsort(along[on])])
    return np.concatenate(out)


def outlines_less(loop: Points, cut: Sequence[Points]) -> list[Points]:
    """Outlines of ``loop`` less the loops inside it, which may touch its rim and each other."""
    nxt: dict[bytes, list[bytes]] = {}

    def put(a: bytes, b: bytes) -> None:
        if a in nxt.get(b, []):
            nxt[b].remove(a)
        else:
            nxt.setdefault(a, []).append(b)

    for p in [loop] + [c[::-1] for c in cut]:
        for a, b in zip(p, np.roll(p, -1, 0), strict=True):
            put(a.tobytes(), b.tobytes())
    rims = []
    for start in list(nxt):
        while nxt[start]:
            chain, at = [start], nxt[start].pop()
            while at != start:
                chain.append(at)
                assert len(nxt[at]) == 1, "regions meet in a single point"
                at = nxt[at].pop()
            rims.append(np.array([np.frombuffer(c) for c in chain]))
    return rims


def upright_wall(
    shell: Shell, a: bytes, b: bytes, low: float, high: float, stand: dict[bytes, set[float]]
) -> None:
    """One upright face with corners at every height where a neighbour ends, so that no edge is left open."""
    left = [(*np.frombuffer(a), z) for z in sorted(stand[a]) if low <= z <= high]
    right = [(*np.frombuffer(b), z) for z in sorted(stand[b]) if low <= z <= high]
    faces = []
    i, j, n = 0, 0, len(left)
    while i < len(left) - 1 or j < len(right) - 1:
        if j < len(right) - 1 and (i == len(left) - 1 or right[j + 1][2] <= left[i + 1][2]):
            faces.append((i, n + j, n + j + 1))
            j += 1
        else:
            faces.append((i, n + j, i + 1))
            i += 1
    shell.add(np.array(left + right), np.array(faces, np.int64))


# --- the six parts ------------------------------------------------------------------------------------


def lid_core() -> Mesh:
    """Drafted core of the lantern's lid, 160 x 120 x 55 mm: bosses, a rib, pin holes, stop pads."""
    shell = Shell()
    block = rectangle(0, 0, 160, 120, 0)
    lean = math.tan(math.radians(3))
    crown = rounded([(-52, -34), (52, -34), (52, 12), (24, 12), (24, 34), (-52, 34)], [9, 9, 9, 11, 9, 9])
    foot = Loop(crown.grown(lean * 29), crown.normals)
    pins = [circle(0, 22, 3), circle(-44, -26, 3), circle(42, 3, 2), circle(4, 2, 4)]
    guides = [circle(-68, 48, 5), circle(68, -48, 5)]
    pads = [circle(68, 48, 7), circle(-68, -48, 7)]
    bosses = [(circle(-30, 12, 8), 0.0), (circle(30, -14, 6), -3.0), (rectangle(-18, -18, 30, 8, 3.5), -4.0)]
    blind = circle(-30, 12, 2.5)
    shell.flat(-55, block.points, [h.points for h in pins + guides], up=False)
    shell.wall(block.points, -55, block.points, -37)
    shell.flat(-37, block.points, [foot.points] + [h.points for h in guides + pads])
    for pad in pads:
        shell.boss(pad, -37, -34, 0)
    shell.boss(foot, -37, -8, 3, [h.points for h in pins] + [b.points for b, _ in bosses], edge=2)
    for boss, z in bosses:
        shell.boss(boss, -8, z, 1.5, [blind.points] if z == 0 else [])
    shell.hole_wall(blind.points, -20, blind.points, 0)
    shell.flat(-20, blind.points)
    for pin in pins:
        shell.hole_wall(pin.points, -55, pin.points, -8)
    for guide in guides:
        shell.hole_wall(guide.points, -55, guide.points, -37)
    return shell.mesh()


def settle(
    rim: Loop, rim_z: float, lean: float, surface: Callable[[Points], Points]
) -> tuple[Points, Points]:
    """Where a wall that leaves the rim at a slope meets a surface: the loop in plan and its heights.

    ``lean`` is the outward run in mm for one mm of descent; negative for a pocket.
    """
    z = np.full(len(rim.points), rim_z)
    for _ in range(60):  # the wall is much steeper than the surface, so this settles fast
        z = surface(rim.grown(lean * (rim_z - z)))
    return rim.grown(lean * (rim_z - z)), z


def bowl_floor(p: Points) -> Points:
    """Height of the bowl's freeform floor, mm."""
    x, y = p[:, 0], p[:, 1]
    waves = 3.0 * np.cos(x / 19) * np.cos(y / 23) + 1.6 * np.sin((x + 1.3 * y) / 27)
    return -44 + 0.0022 * (x**2 + 0.8 * y**2) + waves


def bowl_cavity() -> Mesh:
    """Freeform cavity of the lantern's bowl, 160 x 160 x 60 mm, two islands standing in it."""
    shell = Shell()
    pitch = 1.6
    block = rectangle(0, 0, 160, 160, 0)
    mouth = rectangle(0, 0, 132, 124, 22, longest=pitch)
    islands = [
        (circle(-26, 14, 13, longest=pitch), -12.0, 3.0),
        (
            rounded([(12, -34), (40, -34), (40, 4), (26, 4), (12, -14)], [6, 6, 6, 5, 6], longest=pitch),
            -20.0,
            5.0,
        ),
    ]
    rim, rim_z = settle(mouth, 0, -math.tan(math.radians(2)), bowl_floor)
    shell.flat(-60, block.points, up=False)
    shell.wall(block.points, -60, block.points, 0)
    shell.flat(0, block.points, [mouth.points])
    shell.hole_wall(rim, rim_z, mouth.points, 0)
    feet = []
    for top, z, draft in islands:
        foot, foot_z = settle(top, z, math.tan(math.radians(draft)), bowl_floor)
        shell.wall(foot, foot_z, top.points, z)
        shell.flat(z, top.points)
        feet.append(foot)
    p, t = fill_fine(rim, feet, pitch)
    z_all = bowl_floor(p)
    z_all[: len(rim)] = rim_z  # exactly the walls' own edge
    at = len(rim)
    for (top, z, draft), foot in zip(islands, feet, strict=True):
        z_all[at : at + len(foot)] = settle(top, z, math.tan(math.radians(draft)), bowl_floor)[1]
        at += len(foot)
    shell.add(np.column_stack([p, z_all]), t)
    return shell.mesh()


def carrier_plate() -> Mesh:
    """Plate that carries the inserts, 305 x 305 x 127 mm: flats at six depths, one pocket open at a side."""
    block = rectangle(0, 0, 305, 305, 0)
    corners = [circle(sx * 140, sy * 140, 4).points for sx in (-1, 1) for sy in (-1, 1)]
    open_side = rounded([(20, 20), (152.5, 20), (152.5, 130), (20, 130)], [14, 0, 0, 14])
    return upright(
        block.points,
        -127,
        [
            Region(rectangle(-70, 70, 120, 110, 14).points, -25),
            Region(rectangle(-70, 70, 70, 60, 13).points, -50, within=0),
            Region(open_side.points, -40),
            Region(circle(85, 75, 18).points, -15, within=2),
            Region(rectangle(-70, -72, 124, 112, 16).points, -70),
            Region(rectangle(-64, -66, 40, 28, 8).points, -25, within=4),
            Region(rectangle(80, -72, 112, 112, 18).points, -90),
            *(Region(c, -127) for c in corners),
        ],
    )


def latch_body() -> Mesh:
    """Prismatic part, 180 x 120 x 40 mm: step, open slots, pocket with window and island."""
    block = rectangle(0, 0, 180, 120, 0)
    notch = rounded([(74, -12), (90, -12), (90, 30), (74, 30)], [8, 0, 0, 8])
    return upright(
        block.points,
        -40,
        [
            Region(rounded([(-90, -60), (90, -60), (90, -40), (-90, -40)], 0).points, -12),
            Region(rounded([(36, -40), (58, -40), (58, 60), (36, 60)], 0).points, -20),
            Region(rectangle(-27, 14, 92, 64, 8).points, -15),
            Region(rectangle(-50, 14, 22, 30, 6.5).points, -40, within=2),
            Region(circle(-4, 14, 9).points, -5, within=2),
            Region(notch.points, -28),
            Region(circle(-82, 50, 3).points, -40),
            Region(circle(-82, -28, 3).points, -40),
            Region(circle(82, 50, 3).points, -40),
        ],
    )


def dome_top(p: Points) -> Points:
    """Height of the dome's crown, mm; 0 at its highest."""
    x, y = p[:, 0], p[:, 1]
    return (
        -0.0052 * (x - 6) ** 2
        - 0.0078 * (y + 3) ** 2
        - 2.4 * (1 - np.cos((x - 6) / 15) * np.cos((y + 3) / 13))
    )


def dome_core() -> Mesh:
    """Freeform core of the lantern's dome, 150 x 110 x 65 mm, on a flat shut-off face."""
    shell = Shell()
    pitch = 1.3
    block = rectangle(0, 0, 150, 110, 0)
    foot = oval(108, 70, 2.6, pitch)
    lean = math.tan(math.radians(6))
    z = np.full(len(foot.points), -20.0)
    for _ in range(60):
        z = dome_top(foot.grown(-lean * (z + 46)))
    rim = foot.grown(-lean * (z + 46))
    shell.flat(-65, block.points, up=False)
    shell.wall(block.points, -65, block.points, -46)
    shell.flat(-46, block.points, [foot.points])
    shell.wall(foot.points, -46, rim, z)
    p, t = fill_fine(np.concatenate([rim]), [], pitch)
    z_all = dome_top(p)
    z_all[: len(rim)] = z
    shell.add(np.column_stack([p, z_all]), t)
    return shell.mesh()


def hinge_insert_inch() -> Mesh:
    """Insert of the lantern's hinge, 6 x 4 x 1.5 INCHES: pocket with two islands, notch open at a side."""
    fine = {"chord": CHORD / 25.4}
    block = rectangle(0, 0, 6, 4, 0)
    notch = rounded([(2.1, -0.6), (3, -0.6), (3, 0.9), (2.1, 0.9)], [0.3, 0, 0, 0.3], **fine)
    pins = [circle(sx * 2.8, sy * 1.8, 0.125, **fine).points for sx in (-1, 1) for sy in (-1, 1)]
    return upright(
        block.points,
        -1.5,
        [
            Region(rectangle(-0.5, 0, 4.2, 2.8, 0.375, **fine).points, -0.75),
            Region(circle(-1.3, 0, 0.45, **fine).points, -0.25, within=0),
            Region(rectangle(0.5, 0.1, 0.9, 0.7, 0.15, **fine).points, -0.5, within=0),
            Region(notch.points, -0.375),
            *(Region(c, -1.5) for c in pins),
        ],
    )


PARTS: dict[str, Callable[[], Mesh]] = {
    "lid_core": lid_core,
    "bowl_cavity": bowl_cavity,
    "carrier_plate": carrier_plate,
    "latch_body": latch_body,
    "dome_core": dome_core,
    "hinge_insert_inch": hinge_insert_inch,
}


def write_stl(path: Path, mesh: Mesh, title: str) -> None:
    """Binary STL, written whole or not at all."""
    corners = mesh[0][mesh[1]]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-30)
    record = np.zeros(len(corners), np.dtype([("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")]))
    record["n"], record["v"] = normal, corners
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(".part")
    part.write_bytes(title.encode()[:80].ljust(80) + struct.pack("<I", len(record)) + record.tobytes())
    os.replace(part, path)


def main() -> None:
    """Write all parts beside this script."""
    parser = argparse.ArgumentParser(description="Make the example parts as STL files.")
    parser.add_argument("--ship", action="store_true", help="also renew the one part kept in the repository")
    here = Path(__file__).resolve().parent
    parser.add_argument("--out", type=Path, default=here / "parts")
    args = parser.parse_args()
    for name, make in PARTS.items():
        mesh = make()
        write_stl(args.out / f"{name}.stl", mesh, f"{name}, made by examples/make_parts.py")
        if args.ship and name == "lid_core":
            write_stl(here / f"{name}.stl", mesh, f"{name}, made by examples/make_parts.py")
        size = np.ptp(mesh[0], axis=0)
        print(f"{name:18s} {len(mesh[1]):6d} triangles  {size[0]:g} x {size[1]:g} x {size[2]:g}")


if __name__ == "__main__":
    main()
