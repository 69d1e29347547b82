"""Mesh in, checked, placed, in mm: files and arrays become a `Part`."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from zrough import topology
from zrough.errors import PartError

if TYPE_CHECKING:
    from zrough.job import Job

Points = NDArray[np.float64]
Index = NDArray[np.int64]
Triple = tuple[float, float, float]

MM = {"mm": 1.0, "inch": 25.4, "m": 1000.0, "cm": 10.0, "foot": 304.8, "micron": 0.001}
UNIT_NAMES = {
    "millimeter": "mm", "millimeters": "mm", "mm": "mm", "inch": "inch", "inches": "inch", "in": "inch",
    "meter": "m", "meters": "m", "metre": "m", "m": "m", "centimeter": "cm", "centimeters": "cm",
    "foot": "foot", "feet": "foot", "micron": "micron", "microns": "micron",
}  # fmt: skip
FORMATS = (".stl", ".obj", ".ply", ".3mf", ".glb", ".step", ".stp")
UP = ("+x", "-x", "+y", "-y", "+z", "-z")
ZERO = ("file", "top centre", "top corner", "bottom centre")

MAX_TRIANGLES = 5_000_000  # about 2 GB while loading
MAX_FILE_BYTES = 400_000_000  # binary STL of 8 million triangles; text files hold far fewer
SMALLEST_SIDE, LARGEST_SIDE = 2.0, 3000.0  # mm; the largest side of a mould part lies in between
DOUBTFUL_SIDE = 15.0  # mm; a smaller part is more often one drawn in inches
WELD = 1e-5  # mm; float32 files round coordinates of 100 mm to 8e-6
SLIVER = 1e-7  # mm; a triangle lower than this adds nothing to its neighbours
LEVEL = 1e-3  # mm; faces this near to the lowest point are the flat underside
VERTICAL = math.sin(math.radians(0.1))  # walls leaning less than 0.1 degree count as vertical


@dataclass(frozen=True, eq=False)
class Part:
    """A checked mesh in part coordinates, mm, Z up.

    Attributes
    ----------
    vertices : (n, 3) float64, mm. faces : (m, 3) int64, wound so that normals point out of the material.
    triangles : (m, 3, 3) float64, C-contiguous, mm; ``vertices[faces]``.
    lower, upper : corners of the box.
    warnings : one line each. repairs : what was mended, with counts.
    undercut_area : mm2 of faces that look down, the flat underside left out.
    name : file stem, or "mesh". unit : the unit the coordinates were taken to be in.
    transform : (4, 4), file coordinates in mm -> part coordinates.
    open_edges, bodies : counts after mending.
    """

    vertices: Points
    faces: Index
    triangles: Points
    lower: Triple
    upper: Triple
    warnings: tuple[str, ...] = ()
    repairs: dict[str, int] = field(default_factory=dict)
    undercut_area: float = 0.0
    name: str = "mesh"
    unit: str = "mm"
    transform: Points = field(default_factory=lambda: np.eye(4))
    open_edges: int = 0
    bodies: int = 1

    @property
    def size(self) -> Triple:
        """Sides of the box, mm."""
        return (
            self.upper[0] - self.lower[0],
            self.upper[1] - self.lower[1],
            self.upper[2] - self.lower[2],
        )


def load(job: Job) -> Part:
    """The part of a job: its file, read from ``job.base_dir``, or its arrays ``job.mesh``.

    Raises
    ------
    PartError : the mesh cannot be used; the line names count, place and remedy.
    """
    spec = job.part
    placing: dict[str, Any] = {
        "up": spec.up, "rotate_deg": spec.rotate_deg, "shift": spec.shift, "zero": spec.zero,
        "file_units": spec.file_units, "assume": job.units, "room": _room(job.stock),
    }  # fmt: skip
    mesh = getattr(job, "mesh", None)
    if mesh is not None:
        # arrays come from a program, which knows its unit: nothing is guessed
        return from_arrays(mesh[0], mesh[1], **(placing | {"file_units": spec.file_units or "mm"}))
    if not spec.file:
        raise PartError("part.file: no mesh given; name a file or hand over arrays")
    path = Path(job.base_dir) / spec.file
    return load_file(path, tessellation=spec.tessellation, **placing)


def load_file(
    path: str | os.PathLike[str],
    *,
    up: str = "+z",
    rotate_deg: float = 0.0,
    shift: Sequence[float] = (0.0, 0.0, 0.0),
    zero: str = "file",
    tessellation: float = 0.01,
    file_units: str | None = None,
    assume: str = "mm",
    room: tuple[Triple, Triple] | None = None,
) -> Part:
    """Read, check, mend and place a mesh file.

    Parameters
    ----------
    path : STL (both kinds), OBJ, PLY, 3MF, GLB, or STEP (ISO 10303, with the ``step`` extra).
    up : side of the file that looks up. rotate_deg : then turned about Z, counter-clockwise from above.
    zero : then the box's point that becomes the origin. shift : then moved, mm.
    tessellation : STEP only, mm, largest distance of the triangles from the true surface.
    file_units : unit of the file's numbers; None takes the format's own (3MF, STEP, GLB) or ``assume``,
        and another one, with a warning, if the size is implausible or only that one fits ``room``.
    room : lower and upper corner of the stock, mm, if known.

    Raises
    ------
    PartError : nothing safe can be made of the file.
    """
    from zrough import meshfile

    where = Path(path)
    raw = meshfile.read(where, tessellation)
    return from_arrays(
        raw.corners, raw.faces, up=up, rotate_deg=rotate_deg, shift=shift, zero=zero,
        file_units=file_units or raw.fixed_unit, declared=raw.unit, assume=assume, room=room,
        name=where.stem, label=where.name, notes=raw.notes,
    )  # fmt: skip


def from_arrays(
    vertices: NDArray[Any],
    faces: NDArray[Any],
    *,
    up: str = "+z",
    rotate_deg: float = 0.0,
    shift: Sequence[float] = (0.0, 0.0, 0.0),
    zero: str = "file",
    file_units: str | None = None,
    declared: str | None = None,
    assume: str = "mm",
    room: tuple[Triple, Triple] | None = None,
    name: str = "mesh",
    label: str = "mesh",
    notes: tuple[str, ...] = (),
) -> Part:
    """Check, mend and place arrays: vertices (n, 3) in ``assume`` units, faces (m, 3). See `load_file`."""
    corners, index = _arrays(vertices, faces, label)
    corners, number = topology.weld(corners)  # first, so that all that follows has a sixth of the points
    turned, matrix = _turned(corners, up, rotate_deg)
    unit, doubts = _unit(turned, file_units, declared or assume, zero, shift, room)
    turned *= MM[unit]
    offset = _offset(turned.min(axis=0), turned.max(axis=0), zero, shift)
    turned += offset
    placed = np.eye(4)
    placed[:3, :3], placed[:3, 3] = matrix, offset
    return _mended(turned, number[index], (*notes, *doubts), name, label, unit, placed)


# --- arrays and units -------------------------------------------------------------------------------


def _arrays(vertices: NDArray[Any], faces: NDArray[Any], label: str) -> tuple[Points, Index]:
    """Shapes, finiteness and size; the points used, as float64."""
    try:
        points = np.array(vertices, dtype=np.float64)
        index = np.array(faces, dtype=np.int64)
    except (TypeError, ValueError) as error:
        raise PartError(f"{label}: vertices and faces must be arrays of numbers: {error}") from None
    if index.size == 0:
        raise PartError(f"{label}: no triangles; export the solid as a triangle mesh")
    if points.ndim != 2 or points.shape[1] != 3 or index.ndim != 2 or index.shape[1] != 3:
        raise PartError(
            f"{label}: expected vertices (n, 3) and faces (m, 3), not {points.shape} and {index.shape}"
        )
    if len(index) > MAX_TRIANGLES:
        raise PartError(
            f"{label}: {len(index)} triangles, limit {MAX_TRIANGLES}; export with a coarser tolerance"
        )
    if index.min() < 0 or index.max() >= len(points):
        bad = int(np.flatnonzero(((index < 0) | (index >= len(points))).any(axis=1))[0])
        raise PartError(
            f"{label}: triangle {bad} names vertices {index[bad].tolist()}, there are {len(points)}; "
            "export again"
        )
    finite = np.isfinite(points[:, 0]) & np.isfinite(points[:, 1]) & np.isfinite(points[:, 2])
    if not finite.all() and not finite[index].all():
        broken = ~finite[index].all(axis=1)
        number, first = int(broken.sum()), int(np.flatnonzero(broken)[0])
        raise PartError(
            f"{label}: {number} of {len(index)} triangles have a coordinate that is no finite number, "
            f"the first is triangle {first}; export again"
        )
    used = np.zeros(len(points), dtype=bool)
    used[index.reshape(-1)] = True
    if not used.all():
        renumber = np.cumsum(used) - 1
        points, index = points[used], renumber[index]
    if np.abs(points).max() > 1e9:
        raise PartError(f"{label}: coordinate {np.abs(points).max():.3g} is beyond 1e9; export again")
    return points, index


def _room(stock: Any) -> tuple[Triple, Triple] | None:
    """Box of the stock where the job states one."""
    if stock.kind == "block" and stock.min is not None and stock.max is not None:
        return tuple(stock.min), tuple(stock.max)
    if stock.kind == "cylinder" and None not in (stock.diameter, stock.centre, stock.bottom, stock.top):
        radius = stock.diameter / 2
        x, y = stock.centre
        return (x - radius, y - radius, stock.bottom), (x + radius, y + radius, stock.top)
    return None


def _fits(lower: Points, upper: Points, room: tuple[Triple, Triple]) -> bool:
    """Does the box lie in the room, give or take a hundredth of its size?"""
    slack = 0.01 * float(np.max(upper - lower))
    return bool((lower >= np.array(room[0]) - slack).all() and (upper <= np.array(room[1]) + slack).all())


def guess_unit(side: float) -> str:
    """The unit in which a mould part with a largest side of ``side`` file units was most likely drawn."""
    if side < 0.8:
        return "m"
    return "inch" if side < DOUBTFUL_SIDE else "mm"


def _unit(
    points: Points,
    stated: str | None,
    expected: str,
    zero: str,
    shift: Sequence[float],
    room: tuple[Triple, Triple] | None,
) -> tuple[str, list[str]]:
    """The unit of the numbers, and warnings if it is a guess."""
    if stated is not None and stated not in MM:
        raise PartError(f"part.file_units: '{stated}' is unknown; use one of {', '.join(MM)}")
    low, high = points.min(axis=0), points.max(axis=0)
    side = float(np.max(high - low))
    unit = stated or expected
    doubts: list[str] = []

    def fits(name: str) -> bool:
        a, b = low * MM[name], high * MM[name]
        move = _offset(a, b, zero, shift)
        return room is None or _fits(a + move, b + move, room)

    def plausible(name: str) -> bool:
        return SMALLEST_SIDE <= side * MM[name] <= LARGEST_SIDE

    if stated is None and not (plausible(unit) and fits(unit)):
        for other in dict.fromkeys((guess_unit(side), "mm", "inch", "m")):
            filled = room is None or side * MM[other] >= 0.25 * max(np.subtract(room[1], room[0]))
            if other != unit and plausible(other) and fits(other) and filled:
                reason = "it would not fit in the stock" if plausible(unit) else "that size is implausible"
                doubts.append(
                    f"the file's numbers are taken as {other}, not {unit}: {side:.6g} {unit} long, {reason}; "
                    "state part.file_units if this is wrong"
                )
                unit = other
                break
    long = side * MM[unit]
    if not plausible(unit):
        doubts.append(f"the part is {long:.6g} mm long, which is implausible; state part.file_units")
    elif long < DOUBTFUL_SIDE and stated is None:
        doubts.append(
            f"the part is only {long:.6g} mm long if its numbers are {unit}; "
            f"they look like {guess_unit(side)}: state part.file_units"
        )
    return unit, doubts


# --- placing ----------------------------------------------------------------------------------------

# rows of the turn that brings the named side up: whole numbers, so coordinates stay as they are
_SIDE_UP = {
    "+z": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "-z": ((1, 0, 0), (0, -1, 0), (0, 0, -1)),
    "+x": ((0, 0, -1), (0, 1, 0), (1, 0, 0)),
    "-x": ((0, 0, 1), (0, 1, 0), (-1, 0, 0)),
    "+y": ((1, 0, 0), (0, 0, -1), (0, 1, 0)),
    "-y": ((1, 0, 0), (0, 0, 1), (0, -1, 0)),
}


def _turned(points: Points, up: str, rotate_deg: float) -> tuple[Points, Points]:
    """Points with the wanted side up and turned about Z; the matrix too."""
    if up not in _SIDE_UP:
        raise PartError(f"part.up: '{up}' is unknown; use one of {', '.join(UP)}")
    if not math.isfinite(rotate_deg):
        raise PartError(f"part.rotate_deg: {rotate_deg} is no angle; use degrees")
    quarter, rest = divmod(rotate_deg, 90.0)
    if rest == 0.0:
        c, s = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[int(quarter) % 4]
    else:
        c, s = math.cos(math.radians(rotate_deg)), math.sin(math.radians(rotate_deg))
    about = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    matrix = about @ np.array(_SIDE_UP[up], dtype=np.float64)
    return np.ascontiguousarray(points @ matrix.T) + 0.0, matrix


def _offset(lower: Points, upper: Points, zero: str, shift: Sequence[float]) -> Points:
    """How far to move a box so that its ``zero`` stands at the origin, then by ``shift``."""
    centre = (lower + upper) / 2
    if zero == "file":
        at = np.zeros(3)
    elif zero == "top centre":
        at = np.array([centre[0], centre[1], upper[2]])
    elif zero == "top corner":
        at = np.array([lower[0], lower[1], upper[2]])
    elif zero == "bottom centre":
        at = np.array([centre[0], centre[1], lower[2]])
    else:
        raise PartError(f"part.zero: '{zero}' is unknown; use one of {', '.join(ZERO)}")
    move = np.asarray(shift, dtype=np.float64)
    if move.shape != (3,) or not np.isfinite(move).all():
        raise PartError(f"part.shift: expected three numbers, not {list(shift)}")
    return np.asarray(move - at)


# --- mending ----------------------------------------------------------------------------------------


def _mended(
    points: Points, index: Index, doubts: tuple[str, ...], name: str, label: str, unit: str, placed: Points
) -> Part:
    """Weld, drop what adds nothing, wind outward, describe what stays open."""
    repairs: dict[str, int] = {}
    warnings = list(doubts)
    vertices, faces, mesh = _welded(points, index, label, repairs)
    faces, mesh = _wound(vertices, faces, mesh, repairs, warnings)
    vectors = topology.area_vectors(vertices, faces)
    if np.abs(vectors[:, 2]).sum() < 1e-6:
        raise PartError(f"{label}: seen from above the mesh has no area; check part.up")
    number, _ = topology.groups(len(faces), *mesh.links())
    if number > 1:
        warnings.append(f"{number} separate bodies; they are planned as one part")
    warnings += _openness(vertices, faces, mesh, vectors)
    undercut = undercut_area(vertices, faces, vectors)
    if undercut > 0.0:
        warnings.append(f"undercuts: {undercut:.6g} mm2 look down; they stay solid as seen from above")
    faces, gone = _without_slivers(vertices, faces)
    if gone:
        repairs["degenerate triangles removed"] = repairs.get("degenerate triangles removed", 0) + gone
    if not len(faces):
        raise PartError(f"{label}: every triangle is degenerate (no area); export again")
    triangles = np.ascontiguousarray(vertices[faces])
    corners = triangles.reshape(-1, 3)
    low, high = corners.min(axis=0), corners.max(axis=0)
    return Part(
        vertices, faces, triangles,
        (float(low[0]), float(low[1]), float(low[2])), (float(high[0]), float(high[1]), float(high[2])),
        tuple(warnings), repairs, undercut, name, unit, placed, len(mesh.open), number,
    )  # fmt: skip


def _welded(
    vertices: Points, index: Index, label: str, repairs: dict[str, int]
) -> tuple[Points, Index, topology.Edges]:
    """Each triangle once; points within a tolerance made one if that closes gaps."""
    faces = _distinct(index, label, repairs)
    mesh = topology.edges(faces, len(vertices))
    gaps = len(mesh.open)
    if not gaps:
        return vertices, faces, mesh
    near, number = topology.weld(vertices, WELD)
    if len(near) == len(vertices):
        return vertices, faces, mesh
    trial: dict[str, int] = {}
    joined = _distinct(number[faces], label, trial)
    closer = topology.edges(joined, len(near))
    if len(closer.open) >= gaps:
        return vertices, faces, mesh
    for key, value in trial.items():
        repairs[key] = repairs.get(key, 0) + value
    repairs[f"points joined within {WELD:g} mm"] = len(vertices) - len(near)
    return near, joined, closer


def _distinct(faces: Index, label: str, repairs: dict[str, int]) -> Index:
    """Faces with three different corners, each set of corners once."""
    flat = (faces[:, 0] == faces[:, 1]) | (faces[:, 1] == faces[:, 2]) | (faces[:, 2] == faces[:, 0])
    if flat.any():
        repairs["degenerate triangles removed"] = int(flat.sum())
        faces = faces[~flat]
    if not len(faces):
        raise PartError(f"{label}: every triangle is degenerate (two corners equal); export again")
    again = _repeated(faces)
    if again.any():
        repairs["duplicate triangles removed"] = int(again.sum())
        faces = faces[~again]
    return faces


def _repeated(faces: Index) -> NDArray[np.bool_]:
    """Faces whose three corners an earlier face has too."""
    low = np.minimum(np.minimum(faces[:, 0], faces[:, 1]), faces[:, 2])
    high = np.maximum(np.maximum(faces[:, 0], faces[:, 1]), faces[:, 2])
    middle = faces[:, 0] + faces[:, 1] + faces[:, 2] - low - high
    again = np.zeros(len(faces), dtype=bool)
    # equal faces have equal sums; few different ones do, so the full comparison is short
    some = low * np.int64(0x1000003) + middle * np.int64(0x10007) + high
    order = np.argsort(some, kind="stable")
    twin = np.flatnonzero(some[order[1:]] == some[order[:-1]])
    if twin.size:
        some_of = np.unique(np.concatenate((order[twin], order[twin + 1])))
        rows = np.stack((low, middle, high), axis=1)[some_of]
        _, first = np.unique(rows, axis=0, return_index=True)
        again[some_of] = True
        again[some_of[first]] = False
    return again


def _without_slivers(vertices: Points, faces: Index) -> tuple[Index, int]:
    """Faces at least `SLIVER` high; a lower one lies on its neighbours' edges."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    longest = np.maximum(np.maximum(_squared(b - a), _squared(c - b)), _squared(a - c))
    good = 4 * _squared(topology.area_vectors(vertices, faces)) > SLIVER**2 * longest
    return faces[good], int(len(faces) - good.sum())


def _squared(vectors: Points) -> Points:
    """Squared length of vectors (n, 3)."""
    return np.asarray(np.einsum("ij,ij->i", vectors, vectors))


def _wound(
    vertices: Points, faces: Index, mesh: topology.Edges, repairs: dict[str, int], warnings: list[str]
) -> tuple[Index, topology.Edges]:
    """Faces wound so that normals point out of the material, or up where a sheet has no inside."""
    clashes = topology.against(mesh)
    which = topology.consistent(faces, mesh) if clashes else np.zeros(len(faces), dtype=bool)
    agreed = topology.turn(faces, which) if clashes else faces
    one, two = mesh.pairs
    number, body = topology.groups(len(faces), one // 3, two // 3)
    vectors = topology.area_vectors(vertices, agreed)
    centre = vertices.mean(axis=0)
    middle = (vertices[agreed[:, 0]] + vertices[agreed[:, 1]] + vertices[agreed[:, 2]]) / 3 - centre
    volume = np.bincount(body, np.einsum("ij,ij->i", middle, vectors), number)
    up = np.bincount(body, vectors[:, 2], number)
    plan = np.bincount(body, np.abs(vectors[:, 2]), number)
    open_body = np.zeros(number, dtype=bool)
    open_body[body[mesh.open // 3]] = True
    # a closed body has an inside; an open one counts as a sheet if nearly all of it looks one way
    sheet = open_body & (np.abs(up) > 0.8 * plan)
    inside_out = np.where(sheet, up < 0, volume < 0)
    turned = inside_out[body]
    if sheet.any() and (inside_out & sheet).any():
        warnings.append(
            f"{int((inside_out & sheet).sum())} open surface(s) looked down and were turned over: "
            "either the normals are inverted or the top is missing; check the picture"
        )
    if not clashes and not turned.any():
        return faces, mesh
    result = topology.turn(agreed, turned)
    changed = int((result != faces).any(axis=1).sum())
    if clashes:
        repairs["edges with neighbours wound against each other"] = clashes
    if (inside_out & ~sheet).any():
        repairs["bodies inside out, turned"] = int((inside_out & ~sheet).sum())
    if changed:
        repairs["triangles turned"] = changed
        warnings.append(
            f"{changed} of {len(faces)} triangles had inverted normals and were turned; "
            "the heights seen from above do not depend on this"
        )
    return result, topology.edges(result, len(vertices))


def _openness(vertices: Points, faces: Index, mesh: topology.Edges, vectors: Points) -> list[str]:
    """Warnings about open edges: how many, where, and whether a hole shows from above."""
    lines: list[str] = []
    if len(mesh.crowded):
        at = vertices[mesh.start[mesh.crowded[0]]]
        lines.append(f"{len(mesh.crowded)} edges have more than two triangles, the first at {spot(at)}")
    if not len(mesh.open):
        return lines
    loops = topology.chains(mesh.start[mesh.open], mesh.end[mesh.open])
    lengths = [_length(vertices[mesh.start[mesh.open[edge]]], closed) for edge, closed in loops]
    longest = int(np.argmax(lengths))
    at = vertices[mesh.start[mesh.open[loops[longest][0]]]].mean(axis=0)
    lines.append(
        f"the mesh is open: {len(mesh.open)} open edges in {len(loops)} loops, "
        f"the longest {lengths[longest]:.6g} mm round {spot(at)}"
    )
    holes = [_hole(vertices, faces, mesh, vectors, edge) for edge, closed in loops if closed]
    seen = [hole for hole in holes if hole is not None]
    if seen:
        area, place = max(seen, key=lambda hole: hole[0])
        lines.append(
            f"holes in the surface seen from above: {len(seen)}, the largest {area:.6g} mm2 "
            f"at {spot(place)}; nothing stops the cutter there; close them in the CAD system if that is wrong"
        )
    return lines


def _length(points: Points, closed: bool) -> float:
    step = np.diff(np.vstack((points, points[:1])) if closed else points, axis=0)
    return float(np.sqrt((step**2).sum(axis=1)).sum())


def _hole(
    vertices: Points, faces: Index, mesh: topology.Edges, vectors: Points, edge: Index
) -> tuple[float, Points] | None:
    """Plan area and place of an open loop that looks up: clockwise, with the surface level or below it."""
    half = mesh.open[edge]
    ring = vertices[mesh.start[half]]
    x, y = ring[:, 0] - ring[0, 0], ring[:, 1] - ring[0, 1]
    area = 0.5 * float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum())
    if area >= -1e-9:
        return None
    face = half // 3
    slope = vectors[face, 2] / np.maximum(np.sqrt((vectors[face] ** 2).sum(axis=1)), 1e-300)
    below = (
        vertices[faces[face]][:, :, 2].mean(axis=1)
        <= (vertices[mesh.start[half], 2] + vertices[mesh.end[half], 2]) / 2 + 1e-9
    )
    if np.mean((slope > 0.3) | below) < 0.5:
        return None
    return -area, ring.mean(axis=0)


def undercut_area(vertices: Points, faces: Index, vectors: Points | None = None) -> float:
    """Area of faces that look down, without those of the flat underside, mm2."""
    vectors = topology.area_vectors(vertices, faces) if vectors is None else vectors
    area = np.sqrt(_squared(vectors))
    down = np.flatnonzero(vectors[:, 2] < -VERTICAL * area)
    if not down.size:
        return 0.0
    z = vertices[:, 2][faces[down]]
    low = float(vertices[faces.reshape(-1), 2].min())
    return float(area[down][z.max(axis=1) > low + LEVEL].sum())


def spot(point: Sequence[float] | Points) -> str:
    """A place for a message: ``(x, y, z)`` to a hundredth."""
    return "(" + ", ".join(f"{float(v):.2f}" for v in point) + ")"
