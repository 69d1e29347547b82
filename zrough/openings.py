"""Openings: holes, windows and slots narrower than a width or named by a point; covers and opening solids.

An opening is bounded by a rim: a closed loop of edges where a face that looks up meets a steep wall that
goes down inside the loop. Its walls and floor are the faces reached from the rim without crossing it,
down to where a through opening leaves the part. Where no such loop closes by itself (a hole at the foot
of a wall, a window across a step) the part is cut at the lowest rim height and the loop is the outline
there.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from zrough import outlines, section, topology
from zrough.errors import PartError
from zrough.part import LEVEL, Part, spot

log = logging.getLogger(__name__)

Points = NDArray[np.float64]
Index = NDArray[np.int64]

STEEP = 0.5  # normal's Z up to which a face is a wall: 60 degrees or steeper
ROOF = -0.7  # normal's Z below which a face that meets a wall ends an opening
UNDER = 1e-4  # mm; how far below the lowest rim height a part is cut where no rim closes by itself
MIN_DEPTH = 0.05  # mm; shallower marks are no openings
ROUND = 0.95  # 4 pi area / perimeter^2 above which an opening is a hole (octagon 0.948, circle 1)
LONG = 1.8  # length / width above which it is a slot
OPEN_SHARE = 0.1  # of its area that must leave the part for an opening to count as through
MIN_AREA = 0.3  # mm2; smaller rims are noise of the mesh
MIN_BAY = 0.5  # mm2; plan area that an open chain must go round
MAX_CUTS = 24  # heights at which the part is cut for rims that do not close


@dataclass(frozen=True, eq=False)
class Opening:
    """One opening, all in part coordinates, mm.

    Attributes
    ----------
    kind : "hole" (round), "slot" (long) or "window".
    through : nothing of the part lies under it.
    place : (x, y) centre of the largest circle in its rim.
    width : diameter of that circle, which a cutter must not exceed to get in. length : longest side in plan.
    rim_z : lowest height of its rim. depth : from there to its deepest point.
    area : in plan, of the cover, mm2. volume : of the opening solid, mm3.
    rim : (n, 3) outer rim, counter-clockwise; islands : rims of what stands up in it.
    cover : (k, 3, 3) triangles that close the rim, looking up.
    body : closed mesh (vertices, faces) of the opening solid, None where ``note`` says why.
    """

    kind: str
    through: bool
    place: tuple[float, float]
    width: float
    length: float
    rim_z: float
    depth: float
    area: float
    volume: float
    rim: Points
    islands: tuple[Points, ...]
    cover: Points
    body: tuple[Points, Index] | None = None
    note: str = ""

    @property
    def blind(self) -> bool:
        """It has a floor."""
        return not self.through


def find(
    part: Part,
    width: float | None = None,
    points: Iterable[Sequence[float]] = (),
    min_depth: float = MIN_DEPTH,
) -> list[Opening]:
    """Openings of the part, highest first.

    Parameters
    ----------
    width : mm; the outermost openings whose ``width`` is below this. None takes no opening for its width,
        unless ``points`` is empty too: then every opening is listed, those in others included.
    points : (x, y) places; the innermost opening round each, whatever its width.
    min_depth : mm; shallower ones are left out (not those named by a point).

    Raises
    ------
    PartError : no opening lies round a point.
    """
    wanted = [(float(p[0]), float(p[1])) for p in points]
    mesh = _Mesh.of(part.vertices, part.faces)
    land, wall = mesh.rim_land, mesh.rim_wall
    rims, chains = _rims_of(mesh, mesh.edges.start[land], mesh.edges.end[land], wall)
    rims += _cut_rims(part, chains, width)
    rims.sort(key=lambda rim: (-rim.extent, -rim.top, rim.ring[:, 0].min(), rim.ring[:, 1].min()))
    found: list[Opening] = []
    chosen: list[_Rim] = []
    if width is not None or not wanted:
        for rim in rims:
            if width is not None and (any(r.holds(rim) for r in chosen) or not rim.narrower(width)):
                continue
            if width is None and any(r.same(rim) for r in chosen):
                continue
            opening = _opening(part, rim)
            if opening is not None and opening.depth >= min_depth:
                chosen.append(rim)
                found.append(opening)
    for x, y in wanted:
        rim_here = _rim_round(part, rims, x, y)
        if any(r is rim_here or r.same(rim_here) for r in chosen):
            continue
        opening = _opening(part, rim_here)
        if opening is None:
            raise PartError(
                f"cover.points ({x:.6g}, {y:.6g}): its rim crosses itself; cover it in the CAD system"
            )
        chosen.append(rim_here)
        found.append(opening)
    return sorted(found, key=lambda o: (-o.rim_z, -o.area, o.place))


def cover(part: Part, openings: Iterable[Opening]) -> Points:
    """Triangles (k, 3, 3) to add to the part so that it looks filled to the rims from above, mm.

    The part itself is left as it is. Each patch is spanned by the rim alone, so it never stands higher
    than the surface round it.
    """
    patches = [opening.cover for opening in openings]
    return np.ascontiguousarray(np.concatenate(patches)) if patches else np.zeros((0, 3, 3))


def solid(part: Part, opening: Opening) -> tuple[Points, Index]:
    """Closed mesh (vertices (n, 3) mm, faces (m, 3)) of the body that fills the opening to its rim.

    Raises
    ------
    PartError : it has none, because another opening runs into it from the side.
    """
    if opening.body is None:
        raise PartError(
            f"opening at ({opening.place[0]:.2f}, {opening.place[1]:.2f}): {opening.note}; "
            "split it in the CAD system if a solid of it is needed"
        )
    return opening.body


# --- rims -------------------------------------------------------------------------------------------


@dataclass(eq=False)
class _Mesh:
    """A mesh split at rims and exits into pieces that are walls, floors or outside."""

    vertices: Points
    faces: Index
    edges: topology.Edges
    piece: Index
    lower: Points
    upper: Points
    rim_land: Index
    rim_wall: Index

    @classmethod
    def of(cls, vertices: Points, faces: Index) -> _Mesh:
        mesh = topology.edges(faces, len(vertices))
        vectors = topology.area_vectors(vertices, faces)
        normal = vectors / np.maximum(np.sqrt((vectors**2).sum(axis=1)), 1e-300)[:, None]
        one, two = mesh.pairs
        f, g = one // 3, two // 3
        up_f, up_g = normal[f, 2] > STEEP, normal[g, 2] > STEEP
        swap = ~up_f & up_g
        land, wall = np.where(swap, two, one), np.where(swap, one, two)
        convex = _turns_down(vertices, faces, normal, land, wall)
        rim = (up_f != up_g) & convex
        down_f, down_g = normal[f, 2] < ROOF, normal[g, 2] < ROOF
        steep_f, steep_g = np.abs(normal[f, 2]) <= STEEP, np.abs(normal[g, 2]) <= STEEP
        leaves = ((down_f & steep_g) | (down_g & steep_f)) & convex
        through = ~(rim | leaves)
        number, piece = topology.groups(len(faces), f[through], g[through])
        corner = vertices[faces]
        lower, upper = np.full((number, 3), np.inf), np.full((number, 3), -np.inf)
        np.minimum.at(lower, piece, corner.min(axis=1))
        np.maximum.at(upper, piece, corner.max(axis=1))
        return cls(vertices, faces, mesh, piece, lower, upper, land[rim], wall[rim])


def _turns_down(vertices: Points, faces: Index, normal: Points, one: Index, two: Index) -> NDArray[np.bool_]:
    """Where the face of half-edge ``two`` bends away behind the face of ``one``."""
    opposite = vertices[faces[two // 3, (two + 2) % 3]]
    at = vertices[faces[two // 3, two % 3]]
    return np.asarray(((opposite - at) * normal[one // 3]).sum(axis=1) < -1e-9)


@dataclass(eq=False)
class _Rim:
    """A closed rim on a mesh: its ring (counter-clockwise, 3-D) and the half-edges of the walls under it."""

    mesh: _Mesh
    ring: Points
    walls: Index
    islands: list[_Rim]
    _circle: tuple[tuple[float, float], float] | None = None

    def __post_init__(self) -> None:
        self.lower, self.upper = self.ring.min(axis=0), self.ring.max(axis=0)
        self.top = float(self.ring[:, 2].max())
        self.extent = abs(outlines.signed_area(self.ring))
        self.narrow_side = float((self.upper - self.lower)[:2].min())
        self.segments = outlines.sides([self.ring])

    def circle(self) -> tuple[tuple[float, float], float]:
        """Largest circle between the rim and its islands."""
        if self._circle is None:
            around = outlines.sides([self.ring, *(island.ring for island in self.islands)])
            self._circle = outlines.largest_circle(around)
        return self._circle

    def narrower(self, width: float) -> bool:
        """Is its largest circle smaller than ``width``?"""
        if self.narrow_side < width:
            return True
        least = _least_width([self.ring, *(island.ring for island in self.islands)])
        return least < width and 2 * self.circle()[1] < width

    def holds(self, other: _Rim) -> bool:
        """Does ``other`` lie in this rim in plan?"""
        if (other.lower < self.lower - 1e-6)[:2].any() or (other.upper > self.upper + 1e-6)[:2].any():
            return False
        return bool(self.around(other.ring[:: max(1, len(other.ring) // 8), :2]).all())

    def around(self, xy: Points) -> NDArray[np.bool_]:
        """Which points (n, 2) lie inside or on the rim."""
        return outlines.inside(xy, self.segments) | (outlines.distance(xy, self.segments) < 1e-6)

    def same(self, other: _Rim) -> bool:
        """Is it nearly this rim? Rims found in two ways differ by the height of the cut alone."""
        near = np.abs(self.lower - other.lower).max() < 1e-2 and np.abs(self.upper - other.upper).max() < 1e-2
        return bool(near) and abs(self.extent - other.extent) < 1e-3 * self.extent


def _rims_of(
    mesh: _Mesh, start: Index, end: Index, walls: Index, keep: Callable[[Points], bool] | None = None
) -> tuple[list[_Rim], list[Points]]:
    """Closed rims among directed edges with the land on the left, and the chains that stay open.

    ``keep`` says of a ring (n, 3) whether it is wanted as a hole.
    """
    holes: list[_Rim] = []
    tops: list[tuple[float, Points, Index]] = []
    rest: list[Points] = []
    for edge, closed in topology.chains(start, end):
        if not closed:
            rest.append(mesh.vertices[np.append(start[edge], end[edge[-1]])])
            continue
        ring = mesh.vertices[start[edge]]
        area = outlines.signed_area(ring)
        if abs(area) < MIN_AREA:
            continue
        if area > 0:
            tops.append((area, ring, walls[edge]))
        elif keep is None or keep(ring):  # land on the left of a clockwise loop lies outside it
            holes.append(_Rim(mesh, ring[::-1].copy(), walls[edge], []))
    _set_islands(holes, tops)
    return holes, rest


def _set_islands(holes: list[_Rim], tops: list[tuple[float, Points, Index]]) -> None:
    """Give every hole the tops in it that stand as high as its rim, but for those in another top or hole."""
    if not holes or not tops:
        return
    low = np.array([ring.min(axis=0) for _, ring, _ in tops])
    high = np.array([ring.max(axis=0) for _, ring, _ in tops])
    area = np.array([a for a, _, _ in tops])
    hole_low, hole_high = np.array([h.lower for h in holes]), np.array([h.upper for h in holes])
    for rim in holes:
        within = ((low >= rim.lower - 1e-6) & (high <= rim.upper + 1e-6))[:, :2].all(axis=1)
        within &= (area < rim.extent) & (low[:, 2] >= rim.lower[2] - 1e-3)
        islands = [_Rim(rim.mesh, tops[k][1], tops[k][2], []) for k in np.flatnonzero(within).tolist()]
        islands = [top for top in islands if rim.holds(top)]
        if not islands:
            continue
        near = ((hole_low >= rim.lower - 1e-6) & (hole_high <= rim.upper + 1e-6))[:, :2].all(axis=1)
        others = [holes[k] for k in np.flatnonzero(near).tolist() if holes[k].extent < rim.extent]
        others = [*islands, *(hole for hole in others if rim.holds(hole))]
        rim.islands = [
            top for top in islands
            if not any(o is not top and o.extent > top.extent and o.holds(top) for o in others)
        ]  # fmt: skip


def _cut_rims(part: Part, chains: list[Points], width: float | None) -> list[_Rim]:
    """Rims for chains that stay open: outlines just under the lowest height of each."""
    levels: dict[float, list[Points]] = {}
    for chain in chains:
        if outlines.signed_area(chain) > -MIN_BAY:
            continue  # with its ends joined it goes round nothing, or round land
        levels.setdefault(round(float(chain[:, 2].min()), 3), []).append(chain)
    ranked = sorted(levels, key=lambda z: -sum(len(c) for c in levels[z]))[:MAX_CUTS]
    found: list[_Rim] = []
    for z in sorted(ranked):
        height = min(float(c[:, 2].min()) for c in levels[z]) - UNDER
        near = np.concatenate(levels[z])[:, :2]

        def wanted(ring: Points, near: Points = near) -> bool:
            return _bounds(ring, near, width)

        loops = section.rings(part.vertices, part.faces, height)
        if any(outlines.signed_area(ring) < -MIN_AREA and wanted(ring) for ring in loops):
            found += _outline_rims(part, height, wanted)
    return found


def _bounds(ring: Points, near: Points, width: float | None) -> bool:
    """Does the outline touch the points, and may it be narrow enough to matter?"""
    if width is not None and _least_width([ring]) >= width:
        return False
    low, high = ring.min(axis=0)[:2] - 0.01, ring.max(axis=0)[:2] + 0.01
    close = near[((near >= low) & (near <= high)).all(axis=1)]
    return bool(close.size) and bool(outlines.distance(close, outlines.sides([ring])).min() < 0.01)


def _least_width(rings: list[Points]) -> float:
    """Diameter that the largest circle between an outline and its islands has at least: 2 area / length.

    Every point lies within that circle's radius of the outline, so radius x length is no less than the area.
    """
    areas = [_size(ring) for ring in rings]
    return 2 * (2 * areas[0] - sum(areas)) / max(sum(_around(ring) for ring in rings), 1e-300)


def _around(ring: Points) -> float:
    """Length of a ring in plan, mm."""
    step = ring[:, :2] - np.roll(ring[:, :2], 1, axis=0)
    return float(np.hypot(step[:, 0], step[:, 1]).sum())


def _outline_rims(part: Part, height: float, keep: Callable[[Points], bool] | None = None) -> list[_Rim]:
    """Free areas closed in by material at a height, as rims of the part cut off there."""
    vertices, faces = section.below(part.vertices, part.faces, height)
    if not len(faces):
        return []
    mesh = _Mesh.of(vertices, faces)
    e = mesh.edges
    half = e.open
    fresh = len(part.vertices)
    half = half[(e.start[half] >= fresh) & (e.end[half] >= fresh)]
    # looking at the walls' own direction, the open top edge has the material behind it on the right
    return _rims_of(mesh, e.end[half], e.start[half], half, keep)[0]


def _rim_round(part: Part, rims: list[_Rim], x: float, y: float) -> _Rim:
    """The innermost rim round a point; where there is none, the outline at the height where it spills."""
    at = np.array([[x, y]])
    holding = [rim for rim in rims if rim.around(at)[0] and not any(i.around(at)[0] for i in rim.islands)]
    if holding:
        return min(holding, key=lambda rim: rim.extent)
    spill = _spill(part, at)
    if spill is not None:
        for rim in _outline_rims(part, spill):
            if rim.around(at)[0] and not any(i.around(at)[0] for i in rim.islands):
                return rim
    raise PartError(
        f"cover.points ({x:.6g}, {y:.6g}): no opening with a closed rim lies round this point; "
        "move the point into the opening or cover it in the CAD system"
    )


def _spill(part: Part, at: Points) -> float | None:
    """Highest height at which the free area round a point is closed in, by bisection over vertex heights."""
    heights = np.unique(part.vertices[:, 2])

    def closed(k: int) -> bool:
        loops = section.rings(part.vertices, part.faces, float(heights[k]) - UNDER)
        holding = [r for r in loops if outlines.inside(at, outlines.sides([r]))[0]]
        return bool(holding) and outlines.signed_area(min(holding, key=_size)) < 0

    floor = _height_at(part, at)
    low = int(np.searchsorted(heights, floor + 2 * UNDER)) if np.isfinite(floor) else 1
    high = len(heights) - 1
    if low > high or not closed(low):
        return None
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if closed(middle) else (low, middle - 1)
    return float(heights[low]) - UNDER


def _size(ring: Points) -> float:
    return abs(outlines.signed_area(ring))


def _height_at(part: Part, at: Points, under: float = np.inf) -> float:
    """Highest point of the part over a place (1, 2), below ``under``; -inf where there is none."""
    x, y = float(at[0, 0]), float(at[0, 1])
    t = part.triangles
    near = (t[:, :, 0].min(axis=1) <= x) & (t[:, :, 0].max(axis=1) >= x)
    near &= (t[:, :, 1].min(axis=1) <= y) & (t[:, :, 1].max(axis=1) >= y)
    a, b, c = (t[near][:, k] for k in range(3))
    double = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    good = np.abs(double) > 1e-12
    a, b, c, double = a[good], b[good], c[good], double[good]
    u = ((b[:, 0] - x) * (c[:, 1] - y) - (b[:, 1] - y) * (c[:, 0] - x)) / double
    v = ((c[:, 0] - x) * (a[:, 1] - y) - (c[:, 1] - y) * (a[:, 0] - x)) / double
    w = 1.0 - u - v
    hit = (u >= -1e-9) & (v >= -1e-9) & (w >= -1e-9)
    z = (u * a[:, 2] + v * b[:, 2] + w * c[:, 2])[hit]
    z = z[z < under]
    return float(z.max()) if z.size else -np.inf


# --- from a rim to an opening -----------------------------------------------------------------------


def _opening(part: Part, rim: _Rim) -> Opening | None:
    """Everything about the opening under a rim; None if its rim crosses itself in plan."""
    rings = [rim.ring, *(island.ring for island in rim.islands)]
    points = np.concatenate(rings)
    try:
        cap = outlines.triangulate(rings)
    except ValueError:
        log.debug("rim at %s crosses itself", spot(rim.ring.mean(axis=0)))
        return None
    patch = points[cap]
    area = rim.extent - sum(island.extent for island in rim.islands)
    (x, y), radius = rim.circle()
    inner, note = _inner_faces(rim)
    bottom, body, through = -math.inf, None, False
    if inner is not None:
        bottom = float(rim.mesh.vertices[rim.mesh.faces[inner]][:, :, 2].min())
        body, note, through = _body(part, rim, inner, points, cap)
    volume = _volume(*body) if body is not None else 0.0
    low = float(points[:, 2].min())
    opening = Opening(
        _kind(rim, area, radius), through, (x, y), 2 * radius, _length(rim.ring), low, low - bottom,
        area, volume, rim.ring, tuple(island.ring for island in rim.islands),
        np.ascontiguousarray(patch), body, note,
    )  # fmt: skip
    return opening if body is not None else _by_columns(part, rim, opening)


def _kind(rim: _Rim, area: float, radius: float) -> str:
    if not rim.islands and 4 * math.pi * area / _around(rim.ring) ** 2 > ROUND:
        return "hole"
    return "slot" if _length(rim.ring) > LONG * 2 * radius else "window"


def _length(ring: Points) -> float:
    """Longest extent in plan, mm."""
    angle = np.arange(0, 180, 3) * (math.pi / 180)
    along = ring[:, :1] * np.cos(angle) + ring[:, 1:2] * np.sin(angle)
    return float(np.ptp(along, axis=0).max())


def _inner_faces(rim: _Rim) -> tuple[Index | None, str]:
    """Faces of walls and floors under a rim, through the rims that lie inside it (stepped holes)."""
    mesh = rim.mesh
    borders = [rim.walls, *(island.walls for island in rim.islands)]
    own = np.unique(mesh.piece[np.concatenate(borders) // 3])
    land, wall = mesh.piece[mesh.rim_land // 3], mesh.piece[mesh.rim_wall // 3]
    half = mesh.rim_land
    middle = (mesh.vertices[mesh.edges.start[half]] + mesh.vertices[mesh.edges.end[half]]) / 2
    box = ((middle >= rim.lower - 1e-9) & (middle <= rim.upper + 1e-9))[:, :2].all(axis=1)
    inside = np.zeros(len(half), dtype=bool)
    flat_middle = np.ascontiguousarray(middle[:, :2])
    inside[box] = outlines.inside(flat_middle[box], rim.segments) & (
        outlines.distance(flat_middle[box], rim.segments) > 1e-6
    )
    for island in rim.islands:
        inside[inside] &= ~island.around(flat_middle[inside])
    seen = np.zeros(len(mesh.lower), dtype=bool)
    seen[own] = True
    while True:
        near = inside & (seen[land] | seen[wall])
        more = np.unique(np.concatenate((land[near], wall[near])))
        more = more[~seen[more]]
        if not more.size:
            break
        seen[more] = True
    pieces = np.flatnonzero(seen)
    spill = max(0.1, rim.narrow_side / 2)
    low, high = mesh.lower[pieces].min(axis=0), mesh.upper[pieces].max(axis=0)
    if (low < rim.lower - spill)[:2].any() or (high > rim.upper + spill)[:2].any():
        return None, "another opening runs into it from the side"
    return np.flatnonzero(seen[mesh.piece]), ""


def _body(
    part: Part, rim: _Rim, inner: Index, points: Points, cap: Index
) -> tuple[tuple[Points, Index] | None, str, bool]:
    """Closed mesh: walls and floors turned over, the cap, and lids where the opening leaves the part."""
    mesh = rim.mesh
    faces = mesh.faces[inner][:, ::-1]
    local = topology.edges(faces, len(mesh.vertices))
    half = local.open
    start, end = local.start[half], local.end[half]
    top = _on_rim(mesh, rim, start, end)
    lids: list[Points] = []
    rings: list[Points] = []
    for edge, closed in topology.chains(start[~top], end[~top]):
        if not closed:
            return None, "its walls are not closed", False
        rings.append(mesh.vertices[start[~top][edge]])
    try:
        lids = _lids(rings)
    except ValueError:
        return None, "another opening runs into it from the side", False
    triangles = np.concatenate([mesh.vertices[faces], points[cap], *lids])
    vertices, number = topology.weld(triangles.reshape(-1, 3))
    index = number.reshape(-1, 3)
    index = index[(index[:, 0] != index[:, 1]) & (index[:, 1] != index[:, 2]) & (index[:, 2] != index[:, 0])]
    check = topology.edges(index, len(vertices))
    if len(check.open) or topology.against(check):
        return None, "its walls are not closed", False
    if _volume(vertices, index) <= 0.0:
        return None, "its walls are not closed", False
    away = sum(_flat_area(lid) for lid in lids)
    through = away > OPEN_SHARE * _flat_area(points[cap]) and _nothing_under(part, rim, rings)
    return (vertices, index), "", through


def _flat_area(triangles: Points) -> float:
    """Area of triangles (k, 3, 3) in plan, mm2."""
    a, b, c = (triangles[:, k, :2] for k in range(3))
    doubled = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    return 0.5 * float(np.abs(doubled).sum())


def _on_rim(mesh: _Mesh, rim: _Rim, start: Index, end: Index) -> NDArray[np.bool_]:
    """Which boundary edges belong to the rim or its islands."""
    walls = np.concatenate([rim.walls, *(island.walls for island in rim.islands)])
    n = np.int64(len(mesh.vertices))

    def key(a: Index, b: Index) -> Index:
        return np.asarray(np.minimum(a, b) * n + np.maximum(a, b))

    return np.isin(key(start, end), key(mesh.edges.start[walls], mesh.edges.end[walls]))


def _lids(rings: list[Points]) -> list[Points]:
    """Lids, looking down, on the rings where an opening leaves the part; a ring in a ring is an island."""
    ranked = sorted(rings, key=lambda ring: (-_size(ring), ring[:, 0].min(), ring[:, 1].min()))
    sides = [outlines.sides([ring]) for ring in ranked]
    family: dict[int, list[int]] = {}
    for k, ring in enumerate(ranked):
        if _size(ring) < 1e-9:
            raise ValueError("a ring seen edge on")
        holder = [h for h in family if outlines.inside(ring[:1, :2], sides[h])[0]]
        if holder:
            family[holder[-1]].append(k)
        else:
            family[k] = []
    lids = []
    for k, islands in family.items():
        group = [ranked[k], *(ranked[i] for i in islands)]
        lids.append(np.concatenate(group)[outlines.triangulate(group)][:, ::-1])
    return lids


def _nothing_under(part: Part, rim: _Rim, rings: list[Points]) -> bool:
    """Does one fall through at the middle of the rim, or of the largest ring where it leaves the part?"""
    exit_ring = max(rings, key=_size)
    for x, y in (rim.circle()[0], outlines.largest_circle(outlines.sides([exit_ring]))[0]):
        if not np.isfinite(_height_at(part, np.array([[x, y]]), under=rim.top - LEVEL)):
            return True
    return False


def _volume(vertices: Points, faces: Index) -> float:
    """Volume of a closed mesh wound outward, mm3."""
    a, b, c = (vertices[faces[:, k]] - vertices[0] for k in range(3))
    return float((a * np.cross(b, c)).sum() / 6)


def _by_columns(part: Part, rim: _Rim, opening: Opening) -> Opening:
    """Depth and volume as seen from above where no closed solid can be made: columns on a fine grid."""
    from zrough.grid import Grid
    from zrough.stock import heights_over

    cell = max(rim.narrow_side, 1e-3) / 80
    span = (rim.upper - rim.lower)[:2] / cell
    nx, ny = int(span[0]) + 1, int(span[1]) + 1
    grid = Grid(float(rim.lower[0]) + cell / 2, float(rim.lower[1]) + cell / 2, cell, nx, ny)
    lid = heights_over(opening.cover, grid)
    floor = heights_over(part.triangles, grid)
    within = np.isfinite(lid)
    free = within & ~np.isfinite(floor)
    floor = np.where(np.isfinite(floor), floor, part.lower[2])
    if not within.any():
        return replace(opening, depth=0.0)
    fill = np.where(within, np.maximum(lid - floor, 0.0), 0.0)
    deep = opening.rim_z - float(floor[within].min())
    return replace(
        opening, depth=deep, volume=float(fill.sum()) * cell**2, through=bool(free.sum() > 0.5 * within.sum())
    )
