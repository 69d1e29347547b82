"""Parts by kind and seed, so that a change of the engine meets ground that nobody tuned it on.

Six kinds of mould work: a drafted core with bosses, a cavity with islands, a large plate with flats at many
depths, a prismatic part, a freeform core and a part in inches. A seed gives the same part on every machine.
Each is made of solids whose walls are exact (drafted outlines, height fields) joined and cut by manifold3d.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
from cases import maker
from numpy.typing import NDArray

if TYPE_CHECKING:
    from zrough.job import Job

Points = NDArray[np.float64]
Random = np.random.Generator
OVER = 1.0  # mm: how far a cut reaches over the block, so that no two faces coincide


def solid(loop: Any, low: float, high: float, draft_deg: float = 0.0, at: float | None = None) -> Any:
    """A drafted prism: ``loop`` is its outline at height ``at`` (the top), wider below.

    With half the draft, or half of that, where the outline does not bear it.
    """
    from manifold3d import Manifold, Mesh

    lean = math.tan(math.radians(draft_deg))
    level = high if at is None else at
    try:
        below, above = loop.grown((level - low) * lean), loop.grown((level - high) * lean)
        maker().fill(below)
        _, cap = maker().fill(above)
    except AssertionError:  # so much draft turns a corner inside out
        return solid(loop, low, high, 0.5 * draft_deg, at)
    n = len(below)
    k = np.arange(n)
    up = (k + 1) % n
    walls = np.concatenate([np.stack([k, up, up + n], 1), np.stack([k, up + n, k + n], 1)])
    points = np.concatenate(
        [np.column_stack([below, np.full(n, low)]), np.column_stack([above, np.full(n, high)])]
    )
    faces = np.concatenate([walls, cap[:, ::-1], cap + n])
    made = Manifold(Mesh(points.astype(np.float32), faces.astype(np.uint32)))
    assert made.status().name == "NoError", made.status()
    return made


def terrain(
    height: Callable[[Points, Points], Points], half: tuple[float, float], low: float, pitch: float
) -> Any:
    """The solid under a height field over a rectangle about the origin."""
    from manifold3d import Manifold, Mesh

    x = np.linspace(-half[0], half[0], math.ceil(2 * half[0] / pitch) + 1)
    y = np.linspace(-half[1], half[1], math.ceil(2 * half[1] / pitch) + 1)
    gx, gy = np.meshgrid(x, y)
    n = gx.size
    top = np.column_stack([gx.ravel(), gy.ravel(), height(gx, gy).ravel()])
    k = np.arange(n).reshape(gx.shape)
    a, b, c, d = k[:-1, :-1].ravel(), k[:-1, 1:].ravel(), k[1:, 1:].ravel(), k[1:, :-1].ravel()
    upper = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    rim = np.concatenate([k[0, :-1], k[:-1, -1], k[-1, :0:-1], k[:0:-1, 0]])
    after = np.roll(rim, -1)
    side = np.concatenate([np.stack([rim + n, after + n, after], 1), np.stack([rim + n, after, rim], 1)])
    bottom = top.copy()
    bottom[:, 2] = low
    faces = np.concatenate([upper, upper[:, ::-1] + n, side])
    made = Manifold(Mesh(np.concatenate([top, bottom]).astype(np.float32), faces.astype(np.uint32)))
    assert made.status().name == "NoError", made.status()
    return made


def block(width: float, depth: float, height: float) -> Any:
    """The stock: its top at z = 0."""
    return solid(maker().rectangle(0, 0, width, depth, 0), -height, 0.0)


def outline(rng: Random, cx: float, cy: float, w: float, h: float, least: float) -> Any:
    """A closed outline within a rectangle: oval, rounded rectangle, L or many-cornered; turned a little."""
    make = maker()
    kind = rng.integers(4)
    largest = min(w, h) / 2
    round_ = rng.uniform(least, max(least * 1.01, largest * 0.6))
    if kind == 0:
        base = make.oval(w, h, rng.uniform(2.0, 3.5), 1.5)
    elif kind == 1:
        base = make.rectangle(0, 0, w, h, min(round_, largest * 0.9))
    elif kind == 2:
        x, y = w / 2, h / 2
        nx, ny = x - w * rng.uniform(0.3, 0.5), y - h * rng.uniform(0.3, 0.5)
        base = make.rounded([(-x, -y), (x, -y), (x, ny), (nx, ny), (nx, y), (-x, y)],
                            min(round_, 0.2 * min(w, h)))  # fmt: skip
    else:
        n = int(rng.integers(5, 9))
        t = 2 * np.pi * (np.arange(n) + rng.uniform(-0.18, 0.18, n)) / n
        corners = np.stack([w / 2 * np.cos(t), h / 2 * np.sin(t)], 1)
        base = make.rounded([tuple(c) for c in corners], min(round_, 0.22 * min(w, h)))
    turn = rng.uniform(-0.15, 0.15) if kind else rng.uniform(-0.5, 0.5)
    spin = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    return make.Loop(base.points @ spin + [cx, cy], base.normals @ spin)


def spots(
    rng: Random, width: float, depth: float, radii: list[float], gap: float
) -> list[tuple[float, float, float]]:
    """Circles within a rectangle about the origin, ``gap`` apart; those that find no room are left out."""
    found: list[tuple[float, float, float]] = []
    for r in radii:
        for _ in range(60):
            x = rng.uniform(-width / 2 + r, width / 2 - r) if width > 2 * r else 0.0
            y = rng.uniform(-depth / 2 + r, depth / 2 - r) if depth > 2 * r else 0.0
            if all(math.hypot(x - a, y - b) > r + s + gap for a, b, s in found):
                found.append((x, y, r))
                break
    return found


def drilled(part: Any, depth: float, holes: list[tuple[float, float, float]]) -> Any:
    """The part with round holes down to ``depth``, below its underside."""
    for x, y, r in holes:
        part -= solid(maker().circle(x, y, r), -depth, OVER)
    return part


def core(rng: Random) -> Any:
    """160 x 120 x 55: a drafted core in two or three storeys, bosses beside it, a pocket in it, pin holes."""
    make = maker()
    base = -rng.uniform(34, 44)
    part = solid(make.rectangle(0, 0, 160, 120, 0), -55, base)
    w, h, top = rng.uniform(70, 105), rng.uniform(50, 78), 0.0
    cx, cy = rng.uniform(-12, 12), rng.uniform(-8, 8)
    for _ in range(int(rng.integers(1, 4))):
        part += solid(outline(rng, cx, cy, w, h, 4), -54, top - 0.0, rng.uniform(1, 9), at=base)
        top -= rng.uniform(5, 14)
        w, h = min(w * rng.uniform(1.08, 1.3), 125), min(h * rng.uniform(1.08, 1.3), 92)
        if top < base + 8:
            break
    for x, y, r in spots(rng, 150, 112, list(rng.uniform(3.5, 8, 5)), 9):
        part += solid(make.circle(x, y, r), -54, base + rng.uniform(5, 28), rng.uniform(0.5, 6), at=base)
    for x, y, r in spots(rng, 0.6 * w, 0.6 * h, list(rng.uniform(8, 15, 2)), 6):
        deep = rng.uniform(8, 22)
        part -= solid(outline(rng, cx + x, cy + y, 2 * r, 2 * r, 3.5), -deep, OVER, -rng.uniform(0, 5))
    return drilled(part, 60, spots(rng, 154, 114, list(rng.uniform(1.5, 3, 6)), 4)) ^ block(160, 120, 55)


def cavity(rng: Random) -> Any:
    """160 x 160 x 60: a drafted cavity with a freeform or flat floor, islands in it, a gate beside it."""
    make = maker()
    w, h, deep = rng.uniform(100, 132), rng.uniform(95, 132), rng.uniform(30, 47)
    a, b, c, d = rng.uniform(0.0, 3.0), rng.uniform(14, 40), rng.uniform(14, 40), rng.uniform(0, 0.0022)

    def floor(x: Points, y: Points) -> Points:
        return -deep + d * (x * x + y * y) + a * np.cos(x / b + 0.4) * np.cos(y / c)

    ground = (
        terrain(floor, (80, 80), -60, 1.1)
        if rng.random() < 0.75
        else solid(make.rectangle(0, 0, 160, 160, 0), -60, -deep)
    )
    for x, y, r in spots(rng, 0.6 * w, 0.6 * h, list(rng.uniform(7, 17, int(rng.integers(1, 5)))), 15):
        ground += solid(
            outline(rng, x, y, 2 * r, 1.7 * r, 2.5), -59, -rng.uniform(2, 0.8 * deep), rng.uniform(1, 9)
        )
    hollow = solid(outline(rng, 0, 0, w, h, 9), -59, OVER, -rng.uniform(1, 12), at=0.0)
    part = (block(160, 160, 60) - hollow) + (ground ^ hollow)
    if rng.random() < 0.6:
        part -= solid(
            make.rectangle(70, rng.uniform(-30, 30), 40, rng.uniform(14, 24), 0), -rng.uniform(6, 14), OVER
        )
    for sx in (-1, 1):
        part -= solid(make.circle(sx * 74, -74, 2.5), -62, OVER)
    return part ^ block(160, 160, 60)


def plate(rng: Random) -> Any:
    """305 x 305 x 127: pockets and steps at six to nine depths, some open at a side, holes."""
    make = maker()
    part = block(305, 305, 127)
    for x, y, r in spots(rng, 330, 330, list(rng.uniform(28, 62, int(rng.integers(7, 11)))), -14):
        deep = round(rng.uniform(8, 85), 1)
        draft = rng.choice([0.0, 0.0, 2.0, 5.0])
        part -= solid(outline(rng, x, y, 2 * r, 1.6 * r, 8), -deep, OVER, -float(draft), at=0.0)
    for x, y, r in spots(rng, 240, 240, list(rng.uniform(6, 15, 4)), 20):
        part += solid(make.circle(x, y, r), -100, -round(rng.uniform(4, 30), 1), rng.uniform(0, 4))
    return drilled(part, 130, spots(rng, 290, 290, list(rng.uniform(3, 9, 9)), 8)) ^ block(305, 305, 127)


def prism(rng: Random) -> Any:
    """180 x 120 x 40: upright walls only: steps, slots, pockets with islands, windows."""
    make = maker()
    part = block(180, 120, 40)
    depths = np.round(rng.uniform(5, 33, 8), 1)
    side = rng.integers(4)
    box = [(0, 60, 180, 2 * rng.uniform(12, 26)), (0, -60, 180, 2 * rng.uniform(12, 26)),
           (90, 0, 2 * rng.uniform(14, 30), 120), (-90, 0, 2 * rng.uniform(14, 30), 120)][side]  # fmt: skip
    part -= solid(make.rectangle(*box, 0), -depths[0], OVER)
    for k in range(int(rng.integers(0, 3))):
        across, wide = rng.uniform(-60, 60), rng.uniform(14, 26)
        part -= solid(make.rectangle(across, 0, wide, 130, 0), -depths[1 + k], OVER)
    for k, (x, y, r) in enumerate(spots(rng, 150, 100, list(rng.uniform(15, 38, 3)), -8)):
        part -= solid(outline(rng, x, y, 2 * r, 1.5 * r, 6.5), -depths[3 + k], OVER)
        if r > 24:
            part += solid(
                outline(rng, x, y, 0.7 * r, 0.5 * r, 1.5), -39, -depths[3 + k] * rng.uniform(0.1, 0.7)
            )
    return drilled(part, 45, spots(rng, 170, 110, list(rng.uniform(2, 4, 4)), 6)) ^ block(180, 120, 40)


def freecore(rng: Random) -> Any:
    """150 x 110 x 65: hills and hollows on a flat shut-off face."""
    make = maker()
    base = -rng.uniform(38, 50)
    hills = [
        (
            rng.uniform(-40, 40),
            rng.uniform(-22, 22),
            rng.uniform(13, 30),
            rng.uniform(11, 26),
            rng.uniform(-16, 34),
        )
        for _ in range(int(rng.integers(3, 7)))
    ]
    wave, p, q = rng.uniform(0, 1.6), rng.uniform(9, 20), rng.uniform(9, 20)

    def crown(x: Points, y: Points) -> Points:
        z = sum(h * np.exp(-(((x - a) / u) ** 2) - ((y - b) / v) ** 2) for a, b, u, v, h in hills)
        z = z + wave * np.cos(x / p) * np.sin(y / q)
        return np.asarray(z)

    gx, gy = np.meshgrid(np.linspace(-75, 75, 301), np.linspace(-55, 55, 221))
    heights, lift = crown(gx, gy), rng.uniform(4, 16)
    low, high = float(np.quantile(heights, 0.03)), float(heights.max())

    def height(x: Points, y: Points) -> Points:
        z = base + lift + (crown(x, y) - low) * (-0.5 - base - lift) / (high - low)
        return np.maximum(z, base + 0.4)

    top = terrain(height, (75, 55), -65, 0.9)
    foot = solid(
        outline(rng, 0, 0, rng.uniform(104, 126), rng.uniform(70, 88), 8),
        -64,
        0.0,
        rng.uniform(2, 12),
        at=base,
    )
    part = solid(make.rectangle(0, 0, 150, 110, 0), -65, base) + (top ^ foot)
    return drilled(part, 70, spots(rng, 140, 100, list(rng.uniform(1.5, 4, 4)), 6)) ^ block(150, 110, 65)


def inch(rng: Random) -> Any:
    """6 x 4 x 1.5 inches (in mm here; the job's file is in inches): pockets with islands, a notch, holes."""
    make = maker()
    part = block(152.4, 101.6, 38.1)
    for x, y, r in spots(rng, 150, 98, list(rng.uniform(18, 40, 3)), -6):
        deep = 3.175 * rng.integers(2, 10)
        part -= solid(
            outline(rng, x, y, 2 * r, 1.5 * r, 8), -deep, OVER, -float(rng.choice([0, 0, 3])), at=0.0
        )
        if r > 25:
            part += solid(outline(rng, x, y, 0.6 * r, 0.5 * r, 2), -38, -deep * rng.uniform(0.1, 0.8), 1.0)
    part -= solid(make.rectangle(rng.choice([-76.2, 76.2]), rng.uniform(-30, 30), 50, rng.uniform(18, 36), 0),
                  -3.175 * rng.integers(2, 9), OVER)  # fmt: skip
    return drilled(part, 45, spots(rng, 140, 90, list(rng.uniform(2, 3.2, 4)), 8)) ^ block(152.4, 101.6, 38.1)


MAKERS: dict[str, Callable[[Random], Any]] = {
    "core": core, "cavity": cavity, "plate": plate, "prism": prism, "freecore": freecore, "inch": inch,
}  # fmt: skip
BLOCKS = {
    "core": (160, 120, 55), "cavity": (160, 160, 60), "plate": (305, 305, 127), "prism": (180, 120, 40),
    "freecore": (150, 110, 65), "inch": (152.4, 101.6, 38.1),
}  # fmt: skip


def part(kind: str, seed: int) -> tuple[Points, NDArray[np.int64]]:
    """Vertices (n, 3) in mm and faces (m, 3) of the part; undercuts left by a hill over a wall are none."""
    made = MAKERS[kind](np.random.default_rng([seed, sum(map(ord, kind))]))
    mesh = made.to_mesh()
    return np.asarray(mesh.vert_properties, float)[:, :3].round(4), np.asarray(mesh.tri_verts, np.int64)


def job(kind: str, seed: int, small: bool = False, **roughing: Any) -> Job:
    """A bull-nose of 12 mm, cap 50 degrees, levels 12 mm deep, stairs of 1.2 mm.

    The plate gets a cutter of 20 mm and as much longer flutes and deeper levels, unless a ``small`` one is
    asked for: 12 mm and 130 mm long is a hard case for the planner and a bad choice at the machine.
    """
    from zrough.job import Job

    width, depth, height = BLOCKS[kind]
    size = 20.0 if kind == "plate" and not small else 12.0
    scale = size / 12.0
    unit = 25.4 if kind == "inch" else 1.0
    table = {
        "units": "inch" if kind == "inch" else "mm",
        "part": {},
        "stock": {"min": [-width / 2 / unit, -depth / 2 / unit, -height / unit],
                  "max": [width / 2 / unit, depth / 2 / unit, 0.0]},
        "cutter": {"diameter": size / unit, "corner_radius": 1 / unit, "flutes": 4,
                   "flute_length": 26 * scale / unit, "overhang": (height + 5) / unit},
        "material": {"name": "tool steel, pre-hardened"},
        "machine": {"max_spindle_rpm": 15000, "max_feed": 12000 / unit},
        "roughing": {"level_depth": 12 * scale / unit, "stair_height": 1.2 / unit, "engagement_deg": 50.0,
                     "wall_allowance": 0.3 / unit, "floor_allowance": 0.2 / unit},
    }  # fmt: skip
    vertices, faces = part(kind, seed)
    found = Job.from_dict(table).with_mesh(vertices, faces)
    return found.replace(roughing=roughing) if roughing else found
