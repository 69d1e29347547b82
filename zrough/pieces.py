"""What the clearing engine works with: its rules, the maps of a level, ways in, walks, ground left."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from .kernels import march as k

Points = NDArray[np.float64]
Nodes = tuple[NDArray[np.int64], NDArray[np.int64]]

FAINT = math.radians(5.0)  # a step that cuts less does not keep a walk going
FLAT = 0.004  # mm: a floor this even counts as flat
DOWN = 0.008  # mm: a higher ridge is met by a tip that comes straight down
EVENED = 0.25  # of the radius: a rounder tip evens floors only as far as its radius there is this large,
APART = 1.25  # or half of what passes at the cap lie apart times this: round a corner they lie farther


@dataclass(frozen=True)
class Rules:
    """How the cutter may move; lengths mm, angles rad.

    Attributes
    ----------
    radius : cutter radius. corner : its corner radius.
    cap : largest arc allowed in material; the walk aims ``margin`` below it.
    margin : error budget: what the maps and the step may hide.
    step : length of one tested step, halved in sharp bends.
    rho : smallest path radius. rho_seek : the same while the cutter is in air. rho_tight : the same for a
        second go at ground that is left because bends have no room.
    ease_in : the arc nears the cap no faster than over this much path.
    eps : the centre stays this far inside the admissible area.
    drop_area : a wall piece that removes less than this area is left, mm2.
    sliver : the same for what stands free, mm2; it would meet the next cutter at full height.
    air : a walk ends after this much path without cutting (while looking for its first cut: the radius).
    side : +1 climb (material on the right), -1 conventional. both : each walk may go either way.
    notice : on a front, a step that cuts a smaller arc counts as air.
    lift : how high over the level ways run, mm.
    stair : no more than this, mm, is to stay from one level that leaves a place to the next that takes it.
    """

    radius: float
    corner: float
    cap: float
    margin: float
    step: float
    rho: float
    rho_seek: float
    ease_in: float
    eps: float
    drop_area: float
    sliver: float
    air: float
    side: int = 1
    both: bool = False
    rho_tight: float = math.inf
    notice: float = FAINT
    lift: float = math.inf
    stair: float = math.inf

    @cached_property
    def floor_radius(self) -> float:
        """Radius up to which the floor left by the tip is flat within FLAT, mm."""
        return self.radius_at(FLAT)

    @cached_property
    def _down(self) -> float:
        return max(self.floor_radius, self.radius_at(DOWN))

    def standing(self, node: float) -> float:
        """Radius, mm, up to which the floor must be even for a tip coming straight down; lends a ``node``."""
        return min(self.floor_radius + node, self._down)

    def radius_at(self, height: float) -> float:
        """Radius of the cutter ``height`` mm over its tip."""
        c = self.corner
        return self.radius if c <= height else self.radius - c + math.sqrt(2.0 * c * height - height * height)

    @property
    def evened(self) -> float:
        """Height to which ridges on a floor are taken off, mm: `FLAT`, more where a tip is rounder.

        There it is no less than every pass leaves beside it: to take that off the floor would be cut twice.
        """
        flat = self.radius - self.corner
        if EVENED * self.radius <= flat:
            return FLAT
        beyond = min(max(EVENED * self.radius, 0.5 * APART * self.bite) - flat, self.corner)
        return max(FLAT, self.corner - math.sqrt(self.corner**2 - beyond**2))

    @property
    def bite(self) -> float:
        """Radial width that the cap allows on a straight front, mm."""
        return self.radius * (1.0 - math.cos(self.cap))


@dataclass(frozen=True)
class Frame:
    """The three pitches of a level's maps over one origin: ``hd = h / 2``, ``hb = 2 h``."""

    x0: float
    y0: float
    h: float
    nx: int
    ny: int

    @cached_property
    def hd(self) -> float:
        """Pitch of the swept map, mm."""
        return 0.5 * self.h

    @cached_property
    def hb(self) -> float:
        """Pitch of the coarse map, mm."""
        return 2.0 * self.h

    @property
    def fine(self) -> tuple[int, int]:
        """Shape of the swept map."""
        return 2 * self.ny - 1, 2 * self.nx - 1

    @property
    def coarse(self) -> tuple[int, int]:
        """Shape of the coarse map."""
        return (self.ny + 1) // 2, (self.nx + 1) // 2

    def part(self, points: Points, margin: float) -> tuple[Frame, tuple[slice, slice], tuple[slice, slice]]:
        """Whole nodes of all three maps within ``margin`` mm of some points (n, 2): a frame of their own,
        rows and columns of a level's map, and those of the swept map."""
        near = points - (self.x0, self.y0)
        low = 2 * np.maximum(np.floor((near.min(axis=0) - margin) / self.hb), 0).astype(int)
        high = 2 * np.ceil((near.max(axis=0) + margin) / self.hb).astype(int) + 1
        (j0, i0), (j1, i1) = low.tolist(), np.minimum(high, (self.nx, self.ny)).tolist()
        frame = Frame(self.x0 + self.h * j0, self.y0 + self.h * i0, self.h, j1 - j0, i1 - i0)
        fine = slice(2 * i0, 2 * i1 - 1), slice(2 * j0, 2 * j1 - 1)
        return frame, (slice(i0, i1), slice(j0, j1)), fine

    def fenced(
        self, sd: NDArray[np.float32], nodes: tuple[slice, slice], reach: float
    ) -> NDArray[np.float32]:
        """A level's map on ``nodes`` of it alone, see `part`, closed where a disc of ``reach`` mm sticks out.

        What stands beyond such a part is not known there, and would be taken for clear ground.
        """
        out = sd[nodes].copy()
        n = math.ceil(reach / self.h)
        for side, part, count in zip((out, out.T), nodes, sd.shape, strict=True):
            if part.start > 0:
                np.minimum(side[:n], -reach, out=side[:n])
            if part.stop < count:
                np.minimum(side[-n:], -reach, out=side[-n:])
        return out

    def sampled(self, values: NDArray[np.float32], points: Points) -> NDArray[np.float64]:
        """A level's map (ny, nx) at points (n, 2), linear between nodes; beyond its rim as at the rim."""
        from scipy.ndimage import map_coordinates

        at = ((points[:, ::-1] - (self.y0, self.x0)) / self.h).T
        return np.asarray(map_coordinates(values, at, order=1, mode="nearest"), dtype=np.float64)


@dataclass(frozen=True)
class Entry:
    """A way down into ground with no cleared place.

    ``kind`` "helix": centre-path radius ``radius`` round (x, y); "ramp": to and fro from (x, y) to (x2, y2);
    "pre-drilled": straight down a hole at (x, y) that is ``radius`` larger than the cutter's. ``beside``: the
    ground there is cleared in part, so the descent begins above all of it.
    """

    x: float
    y: float
    radius: float
    kind: str = "helix"
    x2: float = 0.0
    y2: float = 0.0
    beside: bool = False

    def area(self, radius: float) -> float:
        """Ground that a cutter of ``radius`` mm takes on the way down, mm2, where all of it stands."""
        if self.kind == "pre-drilled":
            return 0.0
        if self.kind == "ramp":
            length = math.hypot(self.x2 - self.x, self.y2 - self.y)
            return math.pi * radius**2 + 2.0 * radius * length
        return math.pi * (radius + self.radius) ** 2


@dataclass
class Piece:
    """One walk.

    ``points (n, 2)`` with ``arcs (n,)`` rad (arc of the step that ends there, 0 at the start);
    ``way (m, 2)`` leads to ``points[0]`` over cleared ground, None = lift and come down; ``entry`` cuts its
    own way down first. ``way_arc`` rad: the largest arc that the way brushes. ``slot``: the cap does not
    hold, the walk is to be cut with slotting data. ``close`` (n,): of a slot, where it comes so near to a
    wall that it may take a film from what stands above the level.
    """

    points: Points
    arcs: NDArray[np.float64]
    way: Points | None
    entry: Entry | None = None
    wall: bool = False
    way_arc: float = 0.0
    slot: bool = False
    close: NDArray[np.bool_] | None = None

    @cached_property
    def box(self) -> tuple[Points, Points]:
        """Lower and upper corner of the box round the walk and its entry."""
        low, high = self.points.min(axis=0), self.points.max(axis=0)
        if self.entry is not None:
            e, out = self.entry, self.entry.radius if self.entry.kind != "ramp" else 0.0
            ends = np.array([[e.x, e.y], [e.x2, e.y2] if e.kind == "ramp" else [e.x, e.y]])
            low, high = np.minimum(low, ends.min(axis=0) - out), np.maximum(high, ends.max(axis=0) + out)
        return low, high

    def area(self, radius: float) -> float:
        """Ground that a cutter of ``radius`` mm takes on the walk, mm2."""
        ahead = self.points[1:] - self.points[:-1]
        step = np.hypot(ahead[:, 0], ahead[:, 1])
        return float(np.sum(step * radius * (1.0 - np.cos(self.arcs[1:]))))


def piece_of(
    pts: Points, arcs: NDArray[np.float64], way: tuple[Points, float] | None, wall: bool = False
) -> Piece:
    """A walk with its way: points and the arc that the way brushes, None for a lift."""
    return (
        Piece(pts, arcs, None, wall=wall)
        if way is None
        else Piece(pts, arcs, way[0], wall=wall, way_arc=way[1])
    )


@dataclass
class Level:
    """What a level's region is: signed distance map, exact rings, ways in."""

    sd: NDArray[np.float32]
    points: Points
    offsets: NDArray[np.int64]
    entries: list[Entry] = field(default_factory=list)

    @cached_property
    def ends(self) -> list[int]:
        """`offsets` as plain numbers, which are found in far sooner."""
        return [int(k) for k in self.offsets]


@dataclass(frozen=True)
class Uncut:
    """Ground left whole: a point in it, clear width there, area, and its box x0, y0, x1, y1; mm, mm2."""

    x: float
    y: float
    width: float
    area: float
    box: tuple[float, ...]


def leading_half(side: int) -> NDArray[np.float64]:
    """Samples (n, 2) of the half circle ahead of a heading along +x, from the material's side."""
    a = np.linspace(-0.5 * math.pi, 0.5 * math.pi, k.SAMPLES)
    return np.ascontiguousarray(np.stack([np.cos(a), np.sin(a)], axis=1))


def spans(n: float) -> NDArray[np.int64]:
    """Half widths of the rows of a disc of ``n`` nodes, from its lowest row to its highest."""
    reach = math.floor(n)
    rows = np.arange(-reach, reach + 1)
    half: NDArray[np.int64] = np.floor(np.sqrt(np.maximum(0.0, n * n - rows * rows))).astype(np.int64)
    return half


def path_length(points: Points) -> float:
    """Length of a path (n, 2), mm."""
    return float(np.hypot(*np.diff(points, axis=0).T).sum())
