"""Random plan regions for the clearing engine, and a replay of its walks that shares nothing with it.

Regions are made with shapely. The replay is free of any grid: every earlier centre within two radii covers an
interval of the cutter's circle, every side of the stock another; what stays bare is the arc in material.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import shapely
from numba import njit
from scipy.spatial import cKDTree
from shapely import Polygon, affinity
from shapely.geometry import MultiPolygon, Point, box
from shapely.geometry.polygon import orient

from zrough.entries import EntryRules, ways_in
from zrough.job import Job
from zrough.kernels import march
from zrough.pieces import Frame, Level, Rules
from zrough.plan import _rules
from zrough.rings import Clearing

BINS = 1800  # of the leading half circle: 0.1 degrees
SWEPT = 1.0e6  # mm2: squared distance that stands for "never swept"
INFINITE = (-1.0e9, -1.0e9, 1.0e9, 1.0e9)


@dataclass
class Region:
    """``free`` ground in plan and the ``stock`` on it (a box; None = everywhere); mm, degrees."""

    free: Polygon | MultiPolygon
    stock: tuple[float, float, float, float] | None
    radius: float
    cap_deg: float
    nodes: float = 30.0  # grid cells a cutter radius; a plan takes 30 by itself

    @property
    def centres(self):
        """Where the cutter's centre may be."""
        return self.free.buffer(-self.radius, quad_segs=64)

    @property
    def cell(self) -> float:
        """The pitch of the level's maps, mm."""
        return self.radius / self.nodes

    def swept(self, centres):
        """Plan shape of the material that a cutter on ``centres`` takes."""
        shape = centres.buffer(self.radius, quad_segs=64)
        return shape if self.stock is None else shape.intersection(box(*self.stock))

    @property
    def floor_length(self) -> float:
        """Shortest cutting length that the cap allows: area / (R (1 - cos cap)), mm."""
        bite = self.radius * (1 - math.cos(math.radians(self.cap_deg)))
        return self.swept(self.centres).area / bite


def rules(region: Region, **changes) -> Rules:
    """The rules of a plan with this cutter and cap."""
    job = Job.from_dict({
        "stock": {"min": [0, 0, -10], "max": [10, 10, 0]},
        "cutter": {"diameter": 2 * region.radius, "corner_radius": changes.pop("corner", 0.0), "flutes": 4,
                   "flute_length": 20.0, "overhang": 30.0},
        "material": {"name": "P"},
        "machine": {"max_spindle_rpm": 12000, "max_feed": 6000},
        "roughing": {"engagement_deg": region.cap_deg, **changes},
    }, mesh=(np.zeros((3, 3)), np.array([[0, 1, 2]])))  # fmt: skip
    return _rules(job, job.cutter, region.cell, SimpleNamespace(engagement_deg=region.cap_deg))


def level(region: Region) -> tuple[Frame, Level, np.ndarray]:
    """The region as the engine takes it: frame, level, swept map before the first cut."""
    h, radius = region.cell, region.radius
    area = region.centres
    bounds = np.array(area.bounds)
    if region.stock is not None:
        bounds[:2], bounds[2:] = (
            np.minimum(bounds[:2], region.stock[:2]), np.maximum(bounds[2:], region.stock[2:])
        )  # fmt: skip
    margin = 1.1 * radius
    x0, y0 = np.floor((bounds[:2] - margin) / h) * h
    nx, ny = (np.ceil((bounds[2:] + margin - (x0, y0)) / h) + 1).astype(int)
    frame = Frame(float(x0), float(y0), h, int(nx), int(ny))
    x, y = np.meshgrid(x0 + h * np.arange(nx), y0 + h * np.arange(ny))
    mask = shapely.contains_xy(area, x, y)
    points, offsets = _rings(area, 0.5 * h)
    sd = np.empty((ny, nx), np.float32)
    march.band_distance(mask, frame.x0, frame.y0, h, 4.0 * h, points, offsets, sd)
    return frame, Level(sd, points, offsets), _untouched(region, frame)


def _rings(area, spacing):
    polygons = [area] if isinstance(area, Polygon) else list(area.geoms)
    rings = []
    for polygon in polygons:
        polygon = orient(polygon)
        for ring in (polygon.exterior, *polygon.interiors):
            rings.append(np.array(shapely.segmentize(ring, spacing).coords)[:-1])
    return np.concatenate(rings), np.cumsum([0, *map(len, rings)]).astype(np.int64)


def _untouched(region, frame):
    ny, nx = frame.fine
    if region.stock is None:
        return np.full((ny, nx), SWEPT, np.float32)
    x, y = np.meshgrid(frame.x0 + frame.hd * np.arange(nx), frame.y0 + frame.hd * np.arange(ny))
    beside = np.maximum(
        np.maximum(region.stock[0] - x, x - region.stock[2]),
        np.maximum(region.stock[1] - y, y - region.stock[3]),
    )
    near = np.maximum(region.radius - beside, 0.0)
    return np.where(beside > -3.0 * frame.hd, near * near, SWEPT).astype(np.float32)


def clear(region: Region, tau: float = 0.03, heights=(0.0, math.inf), **changes):
    """Pieces of one level, the engine, and the ground refused for want of a way in.

    ``heights`` of the level and of the next one up.
    """
    frame, lev, d2 = level(region)
    work = Clearing(frame, d2, rules(region, **changes))
    refused = []
    r = region.radius
    entry = EntryRules("auto", r, 0.75 * r, 0.2 * r, work.rules.eps)

    def find(engine, lev, again):
        found, left = ways_in(lev.sd, engine.free, engine.blk, engine.mat, engine.frame, entry, 0.0)
        if not again:
            refused.extend(left)
        return found

    work.find_entries, work.heights = find, heights
    return work.run(lev, None, tau), work, refused


# -- replay ---------------------------------------------------------------------------------------


@njit(cache=True)
def _cover(marks, centre, half):
    """Mark the bins of the leading half circle that lie within ``half`` of direction ``centre``, rad."""
    width = math.pi / (marks.shape[0] - 1)
    for turn in range(-1, 2):
        low = centre - half + 2.0 * math.pi * turn
        high = centre + half + 2.0 * math.pi * turn
        first = max(0, math.ceil((low + 0.5 * math.pi) / width - 0.5))
        last = min(marks.shape[0] - 2, math.floor((high + 0.5 * math.pi) / width - 0.5))
        if first <= last:
            marks[first] += 1
            marks[last + 1] -= 1


@njit(cache=True)
def _bare_arcs(points, measured, stock, radius, bins, out):
    """Arc in material at every point: on the leading half circle, against all centres before it, rad."""
    n = points.shape[0]
    pitch = 0.5 * radius
    low_x, low_y = points[:, 0].min(), points[:, 1].min()
    columns = int((points[:, 0].max() - low_x) / pitch) + 1
    rows = int((points[:, 1].max() - low_y) / pitch) + 1
    head = np.full((rows, columns), -1, np.int64)
    link = np.full(n, -1, np.int64)
    marks = np.empty(bins + 1, np.int32)
    for k in range(n):
        x, y = points[k, 0], points[k, 1]
        ci, cj = int((y - low_y) / pitch), int((x - low_x) / pitch)
        if measured[k] and k > 0:
            ahead = math.atan2(y - points[k - 1, 1], x - points[k - 1, 0])
            fx, fy = math.cos(ahead), math.sin(ahead)
            marks[:] = 0
            for side in range(4):
                room = (x - stock[0], y - stock[1], stock[2] - x, stock[3] - y)[side]
                if room < radius:
                    away = (math.pi, -0.5 * math.pi, 0.0, 0.5 * math.pi)[side]
                    _cover(marks, away - ahead, math.acos(max(-1.0, room / radius)))
            for i in range(max(0, ci - 4), min(rows, ci + 5)):
                for j in range(max(0, cj - 4), min(columns, cj + 5)):
                    q = head[i, j]
                    while q >= 0:
                        dx, dy = points[q, 0] - x, points[q, 1] - y
                        d = math.sqrt(dx * dx + dy * dy)
                        # far behind: its interval ends before the leading half begins
                        behind = -(fx * dx + fy * dy) > d * math.sqrt(max(0.0, 1.0 - (0.5 * d / radius) ** 2))
                        if 1.0e-9 < d < 2.0 * radius and not behind:
                            turn = math.atan2(dy, dx) - ahead
                            turn -= 2.0 * math.pi * math.floor(turn / (2.0 * math.pi) + 0.5)
                            _cover(marks, turn, math.acos(0.5 * d / radius))
                        q = link[q]
            depth, bare = 0, 0
            for b in range(bins):
                depth += marks[b]
                if depth == 0:
                    bare += 1
            out[k] = bare * math.pi / bins
        link[k] = head[ci, cj]
        head[ci, cj] = k


@dataclass
class Replay:
    """Centres in order (n, 2); ``piece`` each belongs to; ``kind`` 0 entry, 1 walk, 2 way; ``arc_deg``."""

    points: np.ndarray
    piece: np.ndarray
    kind: np.ndarray
    arc_deg: np.ndarray

    def lengths(self, pieces):
        """Walked length and way length, mm."""
        walked = sum(np.hypot(*np.diff(p.points, axis=0).T).sum() for p in pieces)
        ways = sum(np.hypot(*np.diff(p.way, axis=0).T).sum() for p in pieces if p.way is not None)
        return float(walked), float(ways)


def _dense(line, step):
    """Points no further apart than ``step`` along a polyline."""
    out = [line[:1]]
    for a, b in itertools.pairwise(line):
        n = max(1, math.ceil(math.hypot(*(b - a)) / step - 1e-6))
        out.append(a + (b - a) * (np.arange(1, n + 1) / n)[:, None])
    return np.concatenate(out)


def _entry_centres(entry, step):
    if entry.kind == "ramp":
        return _dense(np.array([[entry.x, entry.y], [entry.x2, entry.y2]]), step)
    n = math.ceil(2 * math.pi * entry.radius / step)
    t = np.linspace(0, 2 * math.pi, n + 1)
    return np.array([entry.x, entry.y]) + entry.radius * np.stack([np.cos(t), np.sin(t)], axis=1)


def replay(region: Region, pieces, step: float | None = None) -> Replay:
    """Sweep the pieces one after the other, ways too, and measure each step before it is swept."""
    step = step or 0.025 * region.radius
    runs = []
    for number, piece in enumerate(pieces):
        if piece.entry is not None:
            runs.append((_entry_centres(piece.entry, step), number, 0))
        elif piece.way is not None:
            runs.append((_dense(piece.way, step), number, 2))
        runs.append((_dense(piece.points, step), number, 1))
    points = np.concatenate([r[0] for r in runs])
    number = np.concatenate([np.full(len(r[0]), r[1]) for r in runs])
    kind = np.concatenate([np.full(len(r[0]), r[2]) for r in runs])
    measured = kind > 0
    starts = np.cumsum([0, *(len(r[0]) for r in runs[:-1])])
    measured[starts] = False  # the place where a run starts has no heading
    out = np.zeros(len(points))
    stock = np.array(region.stock if region.stock is not None else INFINITE)
    _bare_arcs(points, measured, stock, region.radius, BINS, out)
    return Replay(points, number, kind, np.degrees(out))


def reachable(region: Region, done: Replay, narrowest: float):
    """Material that the cutter takes where its centre can turn at radius ``narrowest``; and ground left out.

    Parts of the area that no walk has come to are left out, as one list of their shapes.
    """
    wide = region.centres.buffer(-narrowest, quad_segs=64).buffer(1.001 * narrowest, quad_segs=64)
    walked = shapely.points(done.points[done.kind == 1])
    parts = [p for p in _polygons(wide) if region.swept(p).area > 0.01 * region.radius**2]
    come = [bool(shapely.distance(p, walked).min() < 0.01 * region.radius) for p in parts]
    taken = shapely.union_all([p for p, c in zip(parts, come, strict=True) if c])
    return region.swept(taken), [p for p, c in zip(parts, come, strict=True) if not c]


def unswept(region: Region, done: Replay, pitch: float) -> tuple[float, np.ndarray]:
    """Share of the material within reach that no disc covers, and the nodes that stay, (n, 2)."""
    return staying(region.swept(region.centres), region, done, pitch)


def staying(
    target, region: Region, done: Replay, pitch: float, depth: float = 0.0
) -> tuple[float, np.ndarray]:
    """Share of ``target`` more than ``depth`` beyond every disc, and the nodes that stay, (n, 2)."""
    low, high = np.array(target.bounds[:2]), np.array(target.bounds[2:])
    x, y = np.meshgrid(np.arange(low[0], high[0], pitch), np.arange(low[1], high[1], pitch))
    inside = shapely.contains_xy(target, x, y)
    nodes = np.stack([x[inside], y[inside]], axis=1)
    away, _ = cKDTree(done.points).query(nodes, distance_upper_bound=1.01 * region.radius + depth)
    stays = away > region.radius + depth
    return float(stays.mean()), nodes[stays]


def standing_at_jumps(region: Region, pieces, done: Replay, slack: float) -> float:
    """Largest area that still stands, ``slack`` inside the cutter's edge, where it comes down in air, mm2."""
    worst, pitch = 0.0, region.radius / 40
    x = np.arange(-region.radius, region.radius, pitch)
    disc = np.stack(np.meshgrid(x, x), axis=-1).reshape(-1, 2)
    disc = disc[np.hypot(*disc.T) < region.radius - slack]
    for number, piece in enumerate(pieces):
        if piece.way is not None or piece.entry is not None:
            continue
        nodes = disc + piece.points[0]
        if region.stock is not None:
            a, b, c, d = region.stock
            nodes = nodes[(nodes[:, 0] > a) & (nodes[:, 1] > b) & (nodes[:, 0] < c) & (nodes[:, 1] < d)]
        before = done.points[done.piece < number]
        if len(nodes) and len(before):
            away, _ = cKDTree(before).query(nodes)
            worst = max(worst, float((away > region.radius).sum()) * pitch**2)
        elif len(nodes):
            worst = max(worst, len(nodes) * pitch**2)
    return worst


# -- generator ------------------------------------------------------------------------------------


def random_region(seed: int) -> Region:
    """A pocket or an open plate with islands, slots, necks and ribs; same seed, same region."""
    rng = np.random.default_rng(seed)
    radius = float(rng.choice([3.0, 5.0, 6.0, 8.0]))
    cap = float(rng.uniform(48.0, 80.0))
    w, h = rng.uniform(7, 12, 2) * radius
    free = _outline(rng, w, h, radius)
    stock = None
    if rng.random() < 0.4:
        stock = (0.0, 0.0, float(w), float(h))
        free = _opened(rng, free, w, h, radius)
    for _ in range(rng.integers(0, 4)):
        free = free.difference(_island(rng, w, h, radius))
    for _ in range(rng.integers(0, 2)):
        free = free.difference(_rib(rng, w, h, radius))
    free = max(_polygons(free), key=lambda p: p.area) if stock is None else free
    return Region(free, stock, radius, cap)


def _polygons(shape):
    return [shape] if isinstance(shape, Polygon) else list(shape.geoms)


def _outline(rng, w, h, radius):
    """Boxes, discs and blunt polygons joined, with slots and a pocket behind a neck."""
    shape = (
        box(0.1 * w, 0.1 * h, 0.9 * w, 0.9 * h)
        if rng.random() < 0.6
        else _blob(rng, w / 2, h / 2, 0.45 * min(w, h))
    )
    for _ in range(rng.integers(0, 3)):
        shape = shape.union(_blob(rng, *rng.uniform(0.2, 0.8, 2) * (w, h), rng.uniform(1.8, 4) * radius))
    for _ in range(rng.integers(0, 3)):
        shape = shape.union(_slot(rng, shape, rng.uniform(2.4, 3.6) * radius, rng.uniform(3, 6) * radius))
    if rng.random() < 0.3:
        neck = _slot(rng, shape, rng.uniform(2.4, 3.2) * radius, 8 * radius)
        end = neck.centroid
        shape = shape.union(neck).union(affinity.translate(Point(end).buffer(2.6 * radius), 3 * radius, 0))
    return max(_polygons(shape.intersection(box(0, 0, w, h))), key=lambda p: p.area)


def _blob(rng, x, y, size):
    if rng.random() < 0.3:
        return Point(x, y).buffer(size, quad_segs=32)
    n = int(rng.integers(3, 8))
    t = np.sort(rng.uniform(0, 2 * math.pi, n)) if n > 3 else np.array([0, 2.1, 4.2]) + rng.uniform(0, 6)
    r = size * rng.uniform(0.7, 1.2, n)
    return Polygon(np.stack([x + r * np.cos(t), y + r * np.sin(t)], axis=1)).convex_hull


def _slot(rng, shape, width, length):
    """A strip from inside the shape across its boundary."""
    shape = max(_polygons(shape), key=lambda p: p.area)
    at = shape.exterior.interpolate(rng.uniform(0, shape.length))
    strip = box(-0.5 * length, -0.5 * width, 0.5 * length, 0.5 * width)
    return affinity.translate(affinity.rotate(strip, rng.uniform(0, 180)), at.x, at.y)


def _island(rng, w, h, radius):
    x, y = rng.uniform(0.2, 0.8, 2) * (w, h)
    size = rng.uniform(0.3, 1.6) * radius
    if rng.random() < 0.5:
        return Point(x, y).buffer(size, quad_segs=32)
    return affinity.rotate(
        box(x - size, y - rng.uniform(0.3, 1) * size, x + size, y + size), rng.uniform(0, 90)
    )


def _rib(rng, w, h, radius):
    x = rng.uniform(0.3, 0.7) * w
    thick = rng.uniform(0.2, 0.8) * radius
    return box(x, -1, x + thick, rng.uniform(0.3, 0.6) * h)


def _opened(rng, free, w, h, radius):
    """The free ground let out over one, two or all sides of the stock."""
    far = 2.5 * radius
    frame = box(-far, -far, w + far, h + far).difference(box(0, 0, w, h))
    which = rng.choice(["one", "two", "all"])
    if which == "all":
        return free.union(frame)
    shape = free.union(box(-far, 0.15 * h, 0.5 * w, 0.85 * h))
    if which == "two":
        shape = shape.union(box(0.2 * w, 0.5 * h, 0.8 * w, h + far))
    return shape
