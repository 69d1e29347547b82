"""Pieces of ring -> one path: entries, links through cleared ground, lifts over what is in between."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import arcs, feeds, films
from .cutting import CuttingData
from .cutting.advice import SLOT_DEPTH
from .job import Cutter
from .levels import Level
from .overhead import Overhead
from .pieces import Entry, Frame, Piece, Points
from .toolpath import Kind, Toolpath
from .ways import GRAZE

STRAY = 0.01  # rad: how far a move's direction may differ from the walk's; the engagement shifts by as much
STAY = 2.0  # a way over cleared ground may be this much longer than the one over the top, with its stops
LONG = (
    25.0  # radii: a longer way is worth a lift as soon as it is quicker; within a pocket few lifts count more
)
OVER = 1.0  # mm a link passes above the highest stock in its way
ABOVE_RIDGE = 0.05  # mm over a ridge that an entry begins
HERE = 1e-6  # mm: farther from where the cutter stands no way may begin
MANY = 50_000  # points of walks whose feeds are asked together
FALLS = 0.0052  # mm: a move that falls by less may pass for a level one
SLOPE = 8.0  # a lift off the floor is spread over this many times its height


@dataclass(frozen=True)
class Ways:
    """Heights, feeds and tolerances of a program; mm, mm/min."""

    clearance: float
    lift: float
    link_feed: float
    rapid: float
    ramp: float  # rad
    tolerance: float
    min_length: float
    acceleration: float  # mm/s2
    stay_down: bool = True
    unit: float = 0.0  # of the last decimal, mm
    chords: bool = False  # the program has no arcs

    def turn_fall(self, radius: float) -> float:
        """Height that half a turn of a helix may lose, mm.

        Chords are shorter than it, and each may lose a `unit` more than it is meant to.
        """
        fall = math.pi * radius * math.tan(self.ramp)
        parts = 1.0
        if self.chords:
            half = math.pi / arcs.FEWEST
            fall *= math.sin(half) / half
            parts = max(0.5 * arcs.FEWEST, fall / arcs.FALL)
        return max(0.5 * fall, fall - parts * self.unit)

    @property
    def narrowest(self) -> float:
        """Smallest radius of a helix whose chords each fall by enough to be no level cut, mm."""
        if not self.chords:
            return 0.0
        half = math.pi / arcs.FEWEST
        fall = 0.5 * arcs.FEWEST * (FALLS + 2.0 * self.unit)  # see `turn_fall`; and rounded
        return fall * half / (math.pi * math.tan(self.ramp) * math.sin(half))

    def leg_fall(self, length: float) -> float:
        """The same of a straight leg of a ramp."""
        fall = length * math.tan(self.ramp)
        return max(0.5 * fall, fall - self.unit)

    def seconds(self, length: float, feed: float) -> float:
        """Time of a straight move from rest to rest."""
        speed = feed / 60.0
        if length * self.acceleration < speed * speed:
            return 2.0 * math.sqrt(length / self.acceleration)
        return length / speed + speed / self.acceleration


@dataclass
class Track:
    """Collects moves; `toolpath` joins them."""

    parts: list[tuple[NDArray[Any], ...]] = field(default_factory=list)
    position: NDArray[np.float64] | None = None

    def add(
        self,
        xyz: NDArray[np.float64],
        kind: Kind | NDArray[np.uint8],
        feed: float | NDArray[np.float64],
        level: int,
        turn: NDArray[np.int8] | None = None,
        centre: NDArray[np.float64] | None = None,
        engagement: NDArray[np.float64] | None = None,
    ) -> None:
        """Moves to ``xyz`` (n, 3); of one kind, or each of its own."""
        n = len(xyz)
        if not n:
            return
        self.parts.append(
            (
                xyz,
                np.broadcast_to(np.asarray(kind, np.uint8), n),
                np.broadcast_to(np.asarray(feed, np.float64), n),
                np.zeros(n, np.int8) if turn is None else turn,
                np.full((n, 2), np.nan) if centre is None else centre,
                np.full(n, level, np.int32),
                np.zeros(n, np.float32) if engagement is None else engagement.astype(np.float32),
            )
        )
        self.position = xyz[-1]

    def line(self, x: float, y: float, z: float, kind: Kind, feed: float, level: int) -> None:
        """One straight move, left out where the cutter stands there already."""
        at = np.array([[x, y, z]])
        if self.position is None or np.abs(at[0] - self.position).max() > 1e-7:
            self.add(at, kind, feed, level)

    def toolpath(self) -> Toolpath:
        """Everything so far."""
        columns = zip(*self.parts, strict=True)
        return Toolpath(*(np.ascontiguousarray(np.concatenate(c)) for c in columns))


Placed = tuple[Piece, Level, int, "feeds.Tall | None"]  # a walk, its level and the number of that


@dataclass
class _Pass:
    """A walk at one height: arcs (n,), degrees, and depths (n,), mm; its feeds and where they change."""

    z: float
    arc: NDArray[np.float64]
    depth: NDArray[np.float64]
    cap: float
    feeds: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    change: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))


class Linker:
    """Places pieces one after the other; ``overhead`` knows what still stands in the way."""

    def __init__(
        self, frame: Frame, overhead: Overhead, cutter: Cutter, data: CuttingData, ways: Ways, side: int
    ) -> None:
        self.frame = frame
        self.overhead = overhead
        self.radius = 0.5 * cutter.diameter
        self.data = data
        self.ways = ways
        self.side = side
        self.track = Track()
        self.cuts = films.Cuts(self.track.parts, self.radius, cutter.corner_radius)
        self._grazes: dict[float, float] = {}  # feeds by depth

    # -- one level -----------------------------------------------------------------------------

    def place(self, walks: Sequence[Placed]) -> None:
        """Walks in cutting order; their levels take note of what they cost."""
        for first, last in _shares([len(piece.points) for piece, *_ in walks]):
            share = walks[first:last]
            # in this order: what stands under an entry is taken by the walk that begins there
            made = [(self._over_entry(*walk), self._passes(*walk)) for walk in share]
            self._set_feeds([p for _, passes in made for p in passes])
            for (piece, level, index, _), (over, passes) in zip(share, made, strict=True):
                self._place(piece, level, index, over, passes)

    def _place(self, piece: Piece, level: Level, index: int, over: float, passes: list[_Pass]) -> None:
        """One walk; see `_over_entry` for ``over``."""
        if piece.entry is not None:  # before the walk takes what stands there
            self._enter(piece.entry, level, index, over)
        if piece.entry is None and len(passes) == 1:
            self._come(piece, level, index)
        for each in passes:
            if len(passes) > 1:
                self._over(piece.points[0], each.z, index)
            self._cut(piece, each, index)
        self.overhead.lower(piece.points, level.z)
        level.pieces += 1
        step = np.hypot(*np.diff(piece.points, axis=0).T)
        area = piece.area(self.radius) + (piece.entry.area(self.radius) if piece.entry else 0.0)
        level.area_mm2 += area
        level.removed_mm3 += area * (level.top - level.z)
        level.wall_mm += float(step.sum()) if piece.wall else 0.0

    def finish(self) -> Toolpath:
        """Lift to the clearance plane; the whole path."""
        at = self.track.position
        if at is not None:
            self.track.line(at[0], at[1], self.ways.clearance, Kind.LIFT, self.ways.link_feed, -1)
        return self.track.toolpath()

    # -- getting there -------------------------------------------------------------------------

    def _come(self, piece: Piece, level: Level, index: int) -> None:
        """To where a piece begins, over cleared ground or over the top."""
        if piece.way is not None and self._stay(piece, level):
            self._along(piece, level, index)
        else:
            self._over(piece.points[0], level.z, index)

    def _stay(self, piece: Piece, level: Level) -> bool:
        """True if the way over cleared ground is quicker than going over the top."""
        at = self.track.position
        if at is None or piece.way is None or not self.ways.stay_down:
            return False
        if np.abs(piece.way[0] - at[:2]).max() > HERE:  # planned from elsewhere: nobody looked
            return False
        along = float(np.hypot(*np.diff(piece.way, axis=0).T).sum())
        if along < 4.0 * self.radius:
            return True
        x, y = piece.points[0]
        if along < LONG * self.radius:
            up = max(self.overhead.safe(at[:2], piece.points[0]), at[2], level.z) + OVER
            return bool(along <= STAY * (2.0 * up - at[2] - level.z + math.hypot(x - at[0], y - at[1])))
        over, _ = self._quickest(at, float(x), float(y), level.z)
        return bool(self.ways.seconds(along, self._way_feed(piece, level)) <= over)

    def _way_feed(self, piece: Piece, level: Level) -> float:
        """Feed over cleared ground: slower where the way brushes something."""
        feed = self.ways.link_feed
        if piece.way_arc > 0.0:
            feed = min(feed, float(self.data.feed_for(math.degrees(piece.way_arc), level.top - level.z)))
        return feed

    def _quickest(self, at: NDArray[np.float64], x: float, y: float, z: float) -> tuple[float, float]:
        """Time over the top from ``at`` to (x, y, z), and how high; rapid at the clearance plane only."""
        w, far = self.ways, math.hypot(x - at[0], y - at[1])

        def time(high: float, feed: float) -> float:
            up, down = w.seconds(high - at[2], w.link_feed), w.seconds(high - z, w.link_feed)
            return up + w.seconds(far, feed) + down

        safe = self.overhead.safe(at[:2], np.array([x, y]))
        low, top = max(safe, at[2], z) + OVER, max(w.clearance, safe, at[2], z)
        by_rapid = time(top, w.rapid)
        if low >= w.clearance - 1e-9:
            return by_rapid, top
        by_feed = time(low, w.link_feed)
        return (by_rapid, top) if by_rapid < by_feed else (by_feed, low)

    def _along(self, piece: Piece, level: Level, index: int) -> None:
        """Over cleared ground, a hair off the floor; the lift is spread along the way."""
        at, way = self.track.position, piece.way
        assert at is not None
        assert way is not None
        w = self.ways
        feed = self._way_feed(piece, level)
        z = max(level.z, float(at[2])) + w.lift
        if at[2] < level.z - 1e-9:
            self.track.line(at[0], at[1], z, Kind.LIFT, w.link_feed, index)
        pts = _spread(way, SLOPE * w.lift)
        heights = np.full(len(pts), z)
        xyz = np.column_stack([pts, heights])
        self.track.add(xyz[1:], Kind.LINK, feed, index)
        # straight down at the end: the start is known to be clear all round, the last of the way is not
        self.track.line(float(way[-1, 0]), float(way[-1, 1]), level.z, Kind.DROP, w.link_feed, index)

    def _over(self, to: Points, z: float, index: int) -> None:
        """Up, across above whatever stands in between, and down through air."""
        x, y = float(to[0]), float(to[1])
        w, at = self.ways, self.track.position
        if at is None:
            self.track.line(x, y, w.clearance, Kind.RAPID, 0.0, -1)
        else:
            _, high = self._quickest(at, x, y, z)
            self.track.line(at[0], at[1], high, Kind.LIFT, w.link_feed, index)
            if high >= w.clearance:
                self.track.line(x, y, high, Kind.RAPID, 0.0, index)
            else:
                self.track.line(x, y, high, Kind.LINK, w.link_feed, index)
        self.track.line(x, y, z, Kind.DROP, w.link_feed, index)

    # -- going in ------------------------------------------------------------------------------

    def _over_entry(self, piece: Piece, level: Level, _index: int, tall: feeds.Tall | None) -> float:
        """How high an entry must begin over what the level's top does not tell of, mm; -inf without any."""
        if piece.entry is None or tall is None:
            return -math.inf
        e = piece.entry
        # crests that a round tip left stand higher between the nodes of the coarse map
        ridge = level.z + tall.highest(e.x, e.y, e.radius + self.radius)
        # of terraces that map tells none that a rim alone meets
        ends = np.array([[e.x, e.y], [e.x2, e.y2] if e.kind == "ramp" else [e.x, e.y]])
        count = 1 + math.ceil(2.0 * math.dist(*ends) / self.radius)
        terrace = tall.over(np.linspace(ends[0], ends[1], count), e.radius + self.radius)
        return max(ridge, terrace) + ABOVE_RIDGE

    def _enter(self, entry: Entry, level: Level, index: int, over: float) -> None:
        if entry.kind == "pre-drilled":
            self._over(np.array([entry.x + entry.radius, entry.y]), level.z, index)
            return
        reach = entry.radius + self.radius + self.frame.hb * (1.0 if entry.beside else -1.5)
        a, b = np.array([entry.x, entry.y]), np.array([entry.x2, entry.y2])
        end = b if entry.kind == "ramp" else a
        stands = self.overhead.stands(a, end, reach)
        start = max(max(stands, level.z) + max(self.ways.lift, 0.1), over)
        top = self.overhead.stood(a, end, reach)
        film = self.cuts.stands(a, end, entry.radius + self.radius, top)
        start = max(start, film + ABOVE_RIDGE)
        if start < top and self.overhead.even:
            needle = self.cuts.needle(a, end, entry.radius + self.radius, start, top)
            start = max(start, needle + ABOVE_RIDGE)
        if entry.kind == "ramp":
            self._ramp(entry, start, level, index)
        else:
            self._helix(entry, start, level, index)

    def _helix(self, entry: Entry, start: float, level: Level, index: int) -> None:
        """Half turns down to the level, then one whole turn on it; see `arcs.to_chords` for one more."""
        fall = self.ways.turn_fall(entry.radius)
        halves = max(1, math.ceil((start - level.z) / fall - 1e-9))
        down = halves + halves % 2
        n = down + 2
        if self.ways.chords:  # as steep as it may be: less on a chord passes for a level cut
            start = level.z + down * fall
            n += 2 if arcs.beside(entry.radius, fall) > arcs.BESIDE else 0
        self._over(np.array([entry.x + entry.radius, entry.y]), start, index)
        k = np.arange(1, n + 1)
        z = np.maximum(level.z, start - (start - level.z) * k / down)
        x = entry.x + entry.radius * np.where(k % 2 == 1, -1.0, 1.0)
        xyz = np.column_stack([x, np.full(n, entry.y), z])
        turn = np.full(n, self.side, np.int8)
        centre = np.tile([entry.x, entry.y], (n, 1))
        self.track.add(xyz, Kind.HELIX, self.data.helix_feed, index, turn, centre, np.full(n, 180.0))

    def _ramp(self, entry: Entry, start: float, level: Level, index: int) -> None:
        """To and fro along a line down to the level, then once along its whole length."""
        a, b = np.array([entry.x, entry.y]), np.array([entry.x2, entry.y2])
        self._over(a, start, index)
        length = math.hypot(*(b - a))
        legs = max(1, math.ceil((start - level.z) / self.ways.leg_fall(length) - 1e-9))
        legs += 1 - legs % 2  # ends at b, goes back on the floor
        z = start - (start - level.z) * np.arange(1, legs + 1) / legs
        ends = np.array([b if k % 2 == 0 else a for k in range(legs)] + [a])
        xyz = np.column_stack([ends, np.append(z, level.z)])
        self.track.add(xyz, Kind.RAMP, self.data.ramp_feed, index, engagement=np.full(len(xyz), 180.0))

    # -- cutting -------------------------------------------------------------------------------

    def _graze_feed(self, depth: float) -> float:
        """Feed through what may brush films of this depth, mm/min."""
        if depth not in self._grazes:
            graze = math.degrees(GRAZE)
            self._grazes[depth] = min(
                self.ways.link_feed,
                float(self.data.feed_for(graze, depth)),
                float(self.data.top_feed(2.0 * graze, depth)),
            )
        return self._grazes[depth]

    def _above(self, piece: Piece, level: Level, tall: feeds.Tall | None) -> NDArray[np.float64] | None:
        """Depths (n,) that a walk meets where more than its level stands, mm; 0 elsewhere, None if nowhere.

        A slot may take a film from a wall beside it, as thick as one that a level above leaves: over its
        whole height, which no node need show.
        """
        if tall is None or len(piece.points) < 2:
            return None
        above = tall.take(piece.points, self.radius)
        if piece.slot and piece.close is not None and tall.height is not None:
            at = np.flatnonzero(piece.close & (np.degrees(piece.arcs) > self.data.engagement_deg))
            above[at] = np.maximum(above[at], tall.beside(piece.points[at], self.radius) - level.z)
        return above

    def _slices(
        self, piece: Piece, level: Level, above: NDArray[np.float64] | None
    ) -> list[tuple[float, float]]:
        """Top and height of each cut of a piece: one, but for slots deeper than a slot may be.

        ``above`` : depths that the piece meets where more than the level stands, mm; see `feeds.Tall`.
        """
        count, top = 1, level.top
        if piece.slot:
            top = max(top, level.z + float(above.max(initial=0.0))) if above is not None else top
            count = math.ceil((top - level.z) / (SLOT_DEPTH * 2.0 * self.radius) - 1e-9)
        if count <= 1:
            return [(level.top, level.z)]
        return list(pairwise(np.linspace(top, level.z, count + 1).tolist()))

    def _passes(self, piece: Piece, level: Level, _index: int, tall: feeds.Tall | None) -> list[_Pass]:
        """Each pass over a walk: one, but for deep slots."""
        above = self._above(piece, level, tall)
        slices = self._slices(piece, level, above)
        arc, cap = np.degrees(piece.arcs), self.data.engagement_deg if piece.slot else 180.0
        found = []
        for top, z in slices:
            depth = np.full(len(piece.points), top - z)
            if above is not None and len(slices) == 1:
                depth = np.maximum(depth, above)
            found.append(_Pass(z, arc, depth, cap))
        return found

    def _set_feeds(self, passes: list[_Pass]) -> None:
        moving = [p for p in passes if len(p.arc) > 1]
        if moving:
            found = feeds.along_all(
                self.data, [p.arc for p in moving], [p.depth for p in moving], [p.cap for p in moving]
            )
            for p, (feed, change) in zip(moving, found, strict=True):
                p.feeds, p.change = feed, change

    def _cut(self, piece: Piece, each: _Pass, index: int) -> None:
        pts = piece.points
        if len(pts) < 2:
            return
        # a slot is straight moves only
        flattest = 0.0 if piece.slot else arcs.MAX_RADIUS
        fitted = arcs.fit(pts, self.ways.tolerance, self.ways.min_length, flattest, each.change, STRAY)
        n = len(fitted)
        ends = np.column_stack([fitted.ends[:, :2], np.full(n, each.z)])
        feed = fitted.smallest(each.feeds)
        bite = fitted.largest(each.arc)
        kinds = np.where(bite > 0.0, np.uint8(Kind.CUT), np.uint8(Kind.LINK))
        # rolling in and between two bites: a film or a needle's edge too thin for the maps may come first
        feed = np.where(bite > 0.0, feed, self._graze_feed(float(each.depth.max())))
        self.track.add(ends, kinds, feed, index, fitted.turn, fitted.centre, bite)


def _shares(sizes: list[int]) -> Iterator[tuple[int, int]]:
    """First and last of runs of walks with about `MANY` points, whose feeds are asked together."""
    first, total = 0, 0
    for k, size in enumerate(sizes):
        total += size
        if total > MANY or k == len(sizes) - 1:
            yield first, k + 1
            first, total = k + 1, 0


def _spread(way: Points, run: float) -> Points:
    """The way with a point put in ``run`` mm (or a third of its length) after its start."""
    step = np.hypot(*np.diff(way, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(step)])
    total = float(along[-1])
    if total < 1e-6:
        return way[[0, -1]]
    marks = [min(run, total / 3.0)]
    where = np.unique(np.concatenate([along, marks]))
    keep = np.append(np.diff(where) > 1e-6, True)
    where = where[keep]
    return np.column_stack([np.interp(where, along, way[:, 0]), np.interp(where, along, way[:, 1])])
