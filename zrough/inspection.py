"""What can be said about a part before it is planned: size, flats, corners, openings, defects, reach."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from zrough import corners, crossings, flats, openings, part, topology
from zrough.flats import Flat
from zrough.grid import Grid, Map
from zrough.openings import Opening
from zrough.part import Part, spot

Points = NDArray[np.float64]
Profile = Sequence[tuple[float, float, float]]

# degrees from upright; below -0.1 the face looks down (undercut), 90 is level and looks up
DRAFT_BOUNDS = (-90.0, -0.1, 0.1, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 20.0, 45.0, 89.9, 90.0)
CROSSING_LIMIT = 300_000  # triangles; above it crossings are not looked for
LISTED = 40  # flats or openings printed; all of them are in `Inspection.to_dict`
LISTED_WIDTH = 60.0  # mm; blind openings wider than this are pockets, which are not listed


@dataclass(frozen=True)
class Defect:
    """A flaw of the mesh: what, how many, where the first or worst one is."""

    what: str
    count: int
    place: tuple[float, float, float] | None = None


@dataclass(frozen=True)
class Reach:
    """What one cutter can do: volume it can remove from the part's box, mm3, and how far it must stand out.

    ``share`` is that volume over all free volume above the part. ``overhang`` (mm, from holder face to tip)
    and the place of the tip that needs it are None without a holder.
    """

    name: str
    diameter: float
    corner_radius: float
    volume: float
    share: float
    lowest: float
    overhang: float | None = None
    overhang_place: tuple[float, float, float] | None = None


@dataclass(frozen=True, eq=False)
class Inspection:
    """The findings; lengths mm, areas mm2, volumes mm3. `to_dict` for JSON, `lines` for a terminal."""

    name: str
    unit: str
    unit_guess: str
    lower: tuple[float, float, float]
    upper: tuple[float, float, float]
    triangles: int
    bodies: int
    watertight: bool
    flats: list[Flat]
    corner: corners.Corner | None
    openings: list[Opening]
    defects: list[Defect]
    warnings: tuple[str, ...]
    undercut_area: float
    draft: list[tuple[float, float, float]]
    deepest: tuple[float, float, float]
    free_volume: float
    reach: list[Reach]

    @property
    def size(self) -> tuple[float, float, float]:
        """Sides of the box, mm."""
        return (
            self.upper[0] - self.lower[0], self.upper[1] - self.lower[1], self.upper[2] - self.lower[2]
        )  # fmt: skip

    def to_dict(self) -> dict[str, Any]:
        """Numbers, strings, lists and dicts only."""
        return {
            "name": self.name, "unit": self.unit, "unit_guess": self.unit_guess,
            "lower": list(self.lower), "upper": list(self.upper), "size": list(self.size),
            "triangles": self.triangles, "bodies": self.bodies, "watertight": self.watertight,
            "flats": [_flat_dict(flat) for flat in self.flats],
            "smallest_inside_corner": None if self.corner is None else asdict(self.corner),
            "openings": [_opening_dict(opening) for opening in self.openings],
            "defects": [asdict(defect) for defect in self.defects],
            "warnings": list(self.warnings), "undercut_area": self.undercut_area,
            "draft": [{"from_deg": a, "to_deg": b, "area": s} for a, b, s in self.draft],
            "deepest": list(self.deepest), "free_volume": self.free_volume,
            "reach": [asdict(reach) for reach in self.reach],
        }  # fmt: skip

    def lines(self) -> list[str]:
        """The findings as text, one line each."""
        x, y, z = self.size
        text = [
            f"part      {self.name}",
            f"size      {x:.3f} x {y:.3f} x {z:.3f} mm, box {spot(self.lower)} to {spot(self.upper)}",
            f"units     read as {self.unit}, by its size {self.unit_guess}",
            f"mesh      {self.triangles} triangles, {self.bodies} bodies, "
            + ("closed" if self.watertight else "open"),
            f"deepest   {spot(self.deepest)}, {self.upper[2] - self.deepest[2]:.3f} mm below the top",
            f"free      {self.free_volume / 1000:.2f} cm3 above the part in its box",
            f"undercuts {self.undercut_area:.2f} mm2",
        ]
        if self.corner is None:
            text.append("corner    no inside corner between walls")
        else:
            kind = f"radius {self.corner.radius:.3f} mm" if self.corner.radius > 0 else "sharp"
            text.append(f"corner    smallest inside corner {kind} at {spot(self.corner.place)}")
        text += _some([_flat_line(flat) for flat in self.flats], "flats")
        text += _some([_opening_line(opening) for opening in self.openings], "openings")
        total = sum(area for _, _, area in self.draft) or 1.0
        text += [
            f"draft     {low:6.1f} to {high:5.1f} deg: {area:12.2f} mm2, {100 * area / total:5.1f} %"
            for low, high, area in self.draft
            if area > 0
        ]
        text += [_reach_line(reach) for reach in self.reach]
        text += [
            f"defect    {defect.what}: {defect.count}"
            + ("" if defect.place is None else f" at {spot(defect.place)}")
            for defect in self.defects
        ]
        return text + [f"warning   {warning}" for warning in self.warnings]


def inspect(
    path_or_part: str | os.PathLike[str] | Part,
    cutters: Iterable[Any] = (),
    holder: Any = None,
    clearance: float = 1.0,
) -> Inspection:
    """Look a part over.

    Parameters
    ----------
    path_or_part : a mesh file, or a part already loaded.
    cutters : things with ``diameter`` and ``corner_radius``, or pairs of them, mm.
    holder : sections (length, lower diameter, upper diameter) from its face upward, mm, or a thing with
        ``profile``, or a function from cutter to sections; the overhang each cutter needs is worked out for
        it, ``clearance`` mm kept all round.

    Raises
    ------
    PartError : the mesh cannot be used.
    """
    given = path_or_part if isinstance(path_or_part, Part) else part.load_file(Path(path_or_part))
    found = flats.find(given, min_area=0.01)
    heights = _Heights.over(given)
    listed = openings.find(given)
    listed = [o for o in listed if o.through or o.width <= LISTED_WIDTH]
    return Inspection(
        given.name, given.unit, part.guess_unit(max(given.size) / part.MM[given.unit]),
        given.lower, given.upper, len(given.faces), given.bodies, given.open_edges == 0,
        found, corners.smallest(given, _section_heights(given, found), _round_holes(listed)), listed,
        _defects(given), given.warnings, given.undercut_area, _draft(given),
        heights.deepest(), heights.free_volume(),
        [_reach(given, cutter, holder, clearance) for cutter in cutters],
    )  # fmt: skip


# --- text -------------------------------------------------------------------------------------------


def _some(lines: list[str], what: str) -> list[str]:
    """The first lines, and how many are left out."""
    if len(lines) <= LISTED:
        return lines
    return [*lines[:LISTED], f"          and {len(lines) - LISTED} more {what}"]


def _flat_dict(flat: Flat) -> dict[str, Any]:
    return {
        "z": flat.z, "area": flat.area, "drop": flat.drop, "disc_radius": flat.disc_radius,
        "centroid": list(flat.centroid), "lower": list(flat.lower), "upper": list(flat.upper),
    }  # fmt: skip


def _opening_dict(opening: Opening) -> dict[str, Any]:
    return {
        "kind": opening.kind, "through": opening.through, "place": list(opening.place),
        "width": opening.width, "length": opening.length, "rim_z": opening.rim_z, "depth": opening.depth,
        "area": opening.area, "volume": opening.volume, "closed_solid": opening.body is not None,
    }  # fmt: skip


def _flat_line(flat: Flat) -> str:
    x, y = flat.disc_centre
    return (
        f"flat      z {flat.z:9.4f}, area {flat.area:10.2f} mm2, "
        f"holds a circle of {2 * flat.disc_radius:.2f} mm at ({x:.2f}, {y:.2f})"
    )


def _opening_line(opening: Opening) -> str:
    way = "through" if opening.through else "blind"
    return (
        f"opening   {way} {opening.kind} {opening.width:.2f} x {opening.length:.2f} mm at "
        f"({opening.place[0]:.2f}, {opening.place[1]:.2f}), rim z {opening.rim_z:.3f}, "
        f"depth {opening.depth:.2f}, volume {opening.volume:.1f} mm3"
    )


def _reach_line(reach: Reach) -> str:
    line = (
        f"cutter    {reach.name}: reaches {reach.volume / 1000:.2f} cm3 ({100 * reach.share:.1f} %), "
        f"down to z {reach.lowest:.3f}"
    )
    if reach.overhang is None or reach.overhang_place is None:
        return line
    return f"{line}; needs an overhang of {reach.overhang:.2f} mm, tip at {spot(reach.overhang_place)}"


# --- mesh -------------------------------------------------------------------------------------------


def _defects(given: Part) -> list[Defect]:
    """What was mended and what is still wrong."""
    found = [Defect(what, count) for what, count in sorted(given.repairs.items())]
    mesh = topology.edges(given.faces, len(given.vertices))

    def at(half: NDArray[np.int64]) -> tuple[float, float, float]:
        p = given.vertices[mesh.start[half[0]]]
        return float(p[0]), float(p[1]), float(p[2])

    if len(mesh.open):
        found.append(Defect("open edges", len(mesh.open), at(mesh.open)))
    if len(mesh.crowded):
        found.append(Defect("edges of more than two triangles", len(mesh.crowded), at(mesh.crowded)))
    clashes = topology.against(mesh)
    if clashes:
        found.append(Defect("edges with neighbours wound against each other", clashes))
    crossing = crossings.find(given.triangles, given.faces) if len(given.faces) <= CROSSING_LIMIT else None
    if crossing is None:
        what = "crossing triangles were not looked for, the mesh is too large; triangles"
        found.append(Defect(what, len(given.faces)))
    elif len(crossing[0]):
        x, y, z = crossing[1][0].tolist()
        found.append(Defect("pairs of crossing triangles", len(crossing[0]), (x, y, z)))
    return found


def _draft(given: Part) -> list[tuple[float, float, float]]:
    """Area of faces by angle from upright: (from, to, area), degrees and mm2; the underside left out."""
    vectors = topology.area_vectors(given.vertices, given.faces)
    area = np.sqrt((vectors**2).sum(axis=1))
    angle = np.degrees(np.arctan2(vectors[:, 2], np.hypot(vectors[:, 0], vectors[:, 1])))
    low = given.triangles[:, :, 2].max(axis=1) <= given.lower[2] + part.LEVEL
    kept = ~(low & (angle < 0))
    sums, _ = np.histogram(angle[kept], bins=np.array(DRAFT_BOUNDS), weights=area[kept])
    return [(a, b, float(s)) for a, b, s in zip(DRAFT_BOUNDS[:-1], DRAFT_BOUNDS[1:], sums, strict=True)]


def _round_holes(listed: list[Opening]) -> list[tuple[tuple[float, float], float]]:
    """Centre and radius round which walls belong to round holes: drilled, not milled into the corner."""
    return [(opening.place, 0.55 * opening.length + 0.1) for opening in listed if opening.kind == "hole"]


def _section_heights(given: Part, found: list[Flat]) -> list[float]:
    """Heights at which walls are measured: just above and half way between flats, and evenly spread."""
    low, high = given.lower[2], given.upper[2]
    marks = sorted({low, high, *(flat.z for flat in found)})
    between = [(a + b) / 2 for a, b in pairwise(marks) if b - a > 0.05]
    if len(between) > 20:
        between = between[:: math.ceil(len(between) / 20)]
    spread = [low + (high - low) * (k + 0.5) / 8 for k in range(8)]
    return sorted({*between, *spread})


# --- heights and reach ------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Heights:
    """The part seen from above on a grid over its box."""

    given: Part
    grid: Grid
    top: Map

    @classmethod
    def over(cls, given: Part) -> _Heights:
        from zrough.stock import heights_over

        grid = _box_grid(given, max(given.size[:2]) / 500)
        return cls(given, grid, heights_over(given.triangles, grid))

    def deepest(self) -> tuple[float, float, float]:
        """Lowest place seen from above."""
        seen = np.where(np.isfinite(self.top), self.top, np.inf)
        i, j = np.unravel_index(int(np.argmin(seen)), seen.shape)
        z = self.top[i, j]
        lowest = float(z) if np.isfinite(z) else self.given.lower[2]
        return float(self.grid.x[j]), float(self.grid.y[i]), lowest

    def free_volume(self) -> float:
        """Volume of the box above the part, openings included, mm3."""
        floor = np.maximum(self.top, self.given.lower[2])
        return _integral(self.given.upper[2] - floor, self.grid.cell)


def _box_grid(given: Part, cell: float, margin: int = 0) -> Grid:
    """Nodes at the middles of cells that divide the part's box, ``margin`` more of them on each side."""
    nx, ny = (max(2, round(given.size[k] / cell)) for k in (0, 1))
    # one cell size in both directions: centre the few tenths of a cell that are left over
    x0 = (given.lower[0] + given.upper[0]) / 2 - (nx - 1) / 2 * cell
    y0 = (given.lower[1] + given.upper[1]) / 2 - (ny - 1) / 2 * cell
    return Grid(x0 - margin * cell, y0 - margin * cell, cell, nx + 2 * margin, ny + 2 * margin)


def _integral(depth: Map, cell: float) -> float:
    return float(depth.sum()) * cell * cell


def _reach(given: Part, cutter: Any, holder: Any, clearance: float) -> Reach:
    """Volume a cutter can take out of the part's box, and the overhang a holder asks for."""
    from zrough.surface import ContactSurface

    diameter, corner = _cutter(cutter)
    radius = diameter / 2
    cell = max(max(given.size[:2]) / 400, radius / 12)
    margin = math.ceil(radius / cell) + 1
    grid = _box_grid(given, cell, margin)
    surface = ContactSurface(given.triangles)
    tip = np.maximum(surface.heights(grid, radius, corner), given.lower[2])
    swept = _swept(tip, cell, radius, corner)[margin:-margin, margin:-margin]
    inner = _box_grid(given, cell)
    from zrough.stock import heights_over

    floor = np.maximum(heights_over(given.triangles, inner), given.lower[2])
    top = given.upper[2]
    volume = _integral(np.maximum(top - np.maximum(swept, floor), 0.0), cell)
    free = _integral(top - floor, cell)
    name = str(getattr(cutter, "name", "")) or f"D{diameter:g} r{corner:g}"
    share = volume / free if free > 0 else 1.0
    lowest = float(np.maximum(swept, floor).min())
    if holder is None:
        return Reach(name, diameter, corner, volume, share, lowest)
    # a tip beside the box cuts nothing that one at its edge does not
    inside = tip[margin:-margin, margin:-margin]
    sections = holder(cutter) if callable(holder) else getattr(holder, "profile", holder)
    overhang, place = _overhang(surface, inner, inside, top, sections, clearance)
    return Reach(name, diameter, corner, volume, share, lowest, overhang, place)


def _cutter(cutter: Any) -> tuple[float, float]:
    if hasattr(cutter, "diameter"):
        return float(cutter.diameter), float(getattr(cutter, "corner_radius", 0.0))
    return float(cutter[0]), float(cutter[1]) if len(cutter) > 1 else 0.0


def _swept(tip: Map, cell: float, radius: float, corner: float) -> Map:
    """Lowest surface left when the cutter's tip has been at every node of ``tip``.

    A wall stops the tip between nodes, half a cell further on the average than the last node it can
    stand on; the cutter counts as that much wider, so that the volume comes out right.
    """
    reach = int(radius / cell + 0.5)
    result = np.full_like(tip, np.inf)
    ny, nx = tip.shape
    for di in range(-reach, reach + 1):
        for dj in range(-reach, reach + 1):
            away = max(0.0, math.hypot(di, dj) - 0.5) * cell
            if away > radius:
                continue
            over = max(0.0, away - (radius - corner))
            rise = corner - math.sqrt(max(0.0, corner * corner - over * over))
            a, b = max(0, -di), min(ny, ny - di)
            c, d = max(0, -dj), min(nx, nx - dj)
            target = result[a:b, c:d]
            np.minimum(target, tip[a + di : b + di, c + dj : d + dj] + rise, out=target)
    return result


def _overhang(
    surface: Any, grid: Grid, tip: Map, top: float, profile: Any, clearance: float
) -> tuple[float, tuple[float, float, float]]:
    """Least distance from holder face to tip that keeps the holder clear wherever the tip may go."""
    grown = [(length, low + 2 * clearance, high + 2 * clearance) for length, low, high in profile]
    # every few nodes will do: the holder is wide, and its own heights are exact at each of them
    step = max(1, round(max(grid.nx, grid.ny) / 160))
    coarse = Grid(grid.x0, grid.y0, grid.cell * step, (grid.nx - 1) // step + 1, (grid.ny - 1) // step + 1)
    lowest = surface.heights_profile(coarse, grown)
    here = tip[::step, ::step]
    need = np.where((here < top - 1e-6) & np.isfinite(lowest), lowest + clearance - here, 0.0)
    i, j = np.unravel_index(int(np.argmax(need)), need.shape)
    place = (float(coarse.x[j]), float(coarse.y[i]), float(here[i, j]))
    return max(0.0, float(need[i, j])), place
