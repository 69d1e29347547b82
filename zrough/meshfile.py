"""Mesh files: what is in them, before any checking of the geometry."""

from __future__ import annotations

import logging
import struct
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from zrough.errors import PartError

STEP_TIMEOUT_S = 900
MAX_EXCESS = 1000  # bytes
# the angle between neighbouring facets follows from the tolerance on all but the smallest radii; 20 degrees
# keep those from turning into squares
_READ_STEP = """
import sys, cascadio
source, target, tolerance = sys.argv[1:]
sys.exit(abs(cascadio.step_to_glb(source, target, float(tolerance), 0.35, False, True, False)) % 250)
"""

log = logging.getLogger(__name__)
_SILENT = logging.NullHandler()


@dataclass(frozen=True)
class RawMesh:
    """Corners (n, 3) and faces (m, 3) as in the file.

    ``unit`` is what the format says; ``fixed_unit`` is set where there is nothing to guess. ``notes`` are
    warnings about the file.
    """

    corners: NDArray[np.float64]
    faces: NDArray[np.int64]
    unit: str | None = None
    fixed_unit: str | None = None
    notes: tuple[str, ...] = ()


def read(path: Path, tessellation: float = 0.01) -> RawMesh:
    """Read a mesh file.

    Raises
    ------
    PartError : missing, empty, too large, cut short, or no mesh; one line.
    """
    from zrough.part import FORMATS

    kind = path.suffix.lower()
    _present(path)
    if kind not in FORMATS:
        known = ", ".join(suffix[1:].upper() for suffix in FORMATS)
        raise PartError(f"{path.name}: unknown kind of file '{path.suffix}'; use one of {known}")
    if kind == ".stl":
        excess = _check_stl(path)
        if excess:
            mesh = _mesh(path, kind, path.read_bytes()[:-excess])
            return replace(
                mesh, notes=(f"{excess} bytes after the last triangle of {path.name} were left out",)
            )
    if kind in (".step", ".stp"):
        return _step(path, tessellation)
    if kind == ".3mf":
        _check_archive(path)
    return _mesh(path, kind)


def _present(path: Path) -> None:
    from zrough.part import MAX_FILE_BYTES

    try:
        size = path.stat().st_size
    except OSError:
        raise PartError(f"{path.name}: no such file in {path.parent}; check part.file") from None
    if not path.is_file():
        raise PartError(f"{path.name}: not a file but a folder; check part.file")
    if size == 0:
        raise PartError(f"{path.name}: the file is empty (0 bytes); export again")
    if size > MAX_FILE_BYTES:
        raise PartError(
            f"{path.name}: {size / 1e6:.0f} MB, limit {MAX_FILE_BYTES / 1e6:.0f} MB; "
            "export with a coarser tolerance, or as binary"
        )


def _check_stl(path: Path) -> int:
    """Say plainly when an STL file is cut short: size against the count for binary, the end for text.

    Returns how many bytes follow the triangles announced in a binary file.
    """
    from zrough.part import MAX_TRIANGLES

    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(1000)
        file.seek(max(0, size - 300))
        tail = file.read()
    count = struct.unpack("<I", head[80:84])[0] if len(head) >= 84 else 0
    text = head.lstrip()[:5].lower() == b"solid" and b"\0" not in head
    excess = size - 84 - 50 * count if len(head) >= 84 else -1
    # some exporters append a few bytes of their own; a text file never matches its count by chance
    if excess == 0 or (0 < excess <= MAX_EXCESS and count > 0 and not text):
        if count > MAX_TRIANGLES:
            raise PartError(
                f"{path.name}: {count} triangles, limit {MAX_TRIANGLES}; export with a coarser tolerance"
            )
        return excess
    if text and b"facet" in head.lower():
        if b"endsolid" not in tail.lower():
            raise PartError(f"{path.name}: no 'endsolid' at its end, the file is cut short; export again")
        return 0
    if text and b"endsolid" in head.lower():
        raise PartError(f"{path.name}: no triangles; export the solid as a triangle mesh")
    if len(head) < 84:
        raise PartError(f"{path.name}: {size} bytes are no STL file; export again")
    if text:
        raise PartError(f"{path.name}: begins like an STL text file but holds no facets; export again")
    whole = (size - 84) // 50
    raise PartError(
        f"{path.name}: cut short or no STL file: it announces {count} triangles, {whole} would fit in its "
        f"{size} bytes; export again"
    )


def _check_archive(path: Path) -> None:
    """A 3MF file is an archive: what it unpacks to counts, not its size on the disk."""
    import zipfile

    from zrough.part import MAX_FILE_BYTES

    try:
        with zipfile.ZipFile(path) as archive:
            size = sum(entry.file_size for entry in archive.infolist())
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as error:
        reason = _printable(str(error)[:80])
        raise PartError(f"{path.name}: unreadable as 3MF ({reason}); export again") from None
    if size > MAX_FILE_BYTES:
        raise PartError(
            f"{path.name}: unpacks to {size / 1e6:.0f} MB, limit {MAX_FILE_BYTES / 1e6:.0f} MB; "
            "export with a coarser tolerance"
        )


def _mesh(path: Path, kind: str, raw: bytes | None = None) -> RawMesh:
    """STL, OBJ, PLY, 3MF or GLB through trimesh; several bodies become one list of triangles."""
    import io
    import warnings

    import trimesh

    # without a handler of its own the reader's remarks on broken files would reach the terminal
    logging.getLogger("trimesh").addHandler(_SILENT)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            others: Any = _NoOtherFiles(path.name)
            with path.open("rb") if raw is None else io.BytesIO(raw) as source:
                scene = trimesh.load_scene(source, file_type=kind[1:], process=False, resolver=others)
            pieces = _pieces(scene, trimesh)
    except MemoryError:
        raise PartError(f"{path.name}: not enough memory to read it; export a coarser mesh") from None
    except Exception as error:  # the readers raise anything on a broken file
        log.debug("reader failed", exc_info=True)
        reason = _printable(" ".join(str(error).split())[:80]) or type(error).__name__
        raise PartError(f"{path.name}: unreadable as {kind[1:].upper()} ({reason}); export again") from None
    if not pieces:
        raise PartError(f"{path.name}: no triangles; export the solid as a triangle mesh")
    corners = np.concatenate([vertices for vertices, _ in pieces])
    starts = np.cumsum([0] + [len(vertices) for vertices, _ in pieces[:-1]])
    faces = np.concatenate([faces + start for (_, faces), start in zip(pieces, starts, strict=True)])
    return RawMesh(corners, faces, _declared(scene, kind))


class _NoOtherFiles:
    """What the mesh readers ask for the files that a mesh names, such as colours: there are none.

    A part's shape is in one file. Whatever else it names, perhaps outside its folder, a device or a pipe
    that never ends, is not opened.
    """

    def __init__(self, file_name: str) -> None:
        self.file_name = file_name

    def get(self, name: str) -> bytes:
        raise FileNotFoundError(f"{name[:60]} is another file; a part must be in one")

    __getitem__ = get


def _printable(text: str) -> str:
    """Text of a reader, fit for one line of a terminal."""
    return "".join(c if c.isprintable() else "?" for c in text)


def _pieces(scene: Any, trimesh: Any) -> list[tuple[NDArray[np.float64], NDArray[np.int64]]]:
    """Vertices and faces of every placed body of a scene, in a fixed order."""
    found = []
    for node in sorted(scene.graph.nodes_geometry):
        matrix, key = scene.graph[node]
        geometry = scene.geometry[key]
        if not isinstance(geometry, trimesh.Trimesh) or not len(geometry.faces):
            continue
        points = np.asarray(geometry.vertices, dtype=np.float64)
        if not np.array_equal(matrix, np.eye(4)):
            points = points @ matrix[:3, :3].T + matrix[:3, 3]
        faces = np.asarray(geometry.faces, dtype=np.int64)
        if np.linalg.det(matrix[:3, :3]) < 0:
            faces = faces[:, ::-1]
        found.append((points, faces))
    return found


def _declared(scene: Any, kind: str) -> str | None:
    """The unit that the format fixes (3MF: its own word; GLB: metres), None where it has none."""
    from zrough.part import UNIT_NAMES

    if kind == ".glb":
        return "m"
    if kind == ".3mf":
        names = [scene.metadata.get("units")] + [g.metadata.get("units") for g in scene.geometry.values()]
        named = next((str(name).lower() for name in names if name), "millimeter")
        return UNIT_NAMES.get(named, "mm")
    return None


def _step(path: Path, tessellation: float) -> RawMesh:
    """STEP (ISO 10303) through the ``step`` extra, which turns any file unit into metres."""
    import importlib.util
    import subprocess
    import sys

    if importlib.util.find_spec("cascadio") is None:
        raise PartError(f"{path.name}: reading STEP needs the extra 'zrough[step]'; or export STL")
    from zrough.part import MAX_FILE_BYTES

    if not 1e-4 <= tessellation <= 1.0:
        raise PartError(f"part.tessellation: {tessellation:g} mm is outside 0.0001 to 1; 0.01 suits roughing")
    with path.open("rb") as file:
        if b"ISO-10303" not in file.read(400):
            raise PartError(f"{path.name}: does not begin like a STEP file (ISO-10303-21); export again")
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / "part.glb"
        # a process of its own: the reader writes to the terminal, and a bad file may bring it down
        call = [sys.executable, "-c", _READ_STEP, str(path), str(target), repr(float(tessellation))]
        try:
            done = subprocess.run(call, capture_output=True, timeout=STEP_TIMEOUT_S, check=False)
        except subprocess.TimeoutExpired:
            raise PartError(
                f"{path.name}: not read within {STEP_TIMEOUT_S} s; raise part.tessellation or export STL"
            ) from None
        log.debug("STEP reader said %s", (done.stdout + done.stderr)[-500:])
        if done.returncode != 0 or not target.is_file():
            raise PartError(f"{path.name}: cannot be read as STEP (status {done.returncode}); export again")
        if target.stat().st_size > MAX_FILE_BYTES:
            raise PartError(
                f"{path.name}: its triangles take {target.stat().st_size / 1e6:.0f} MB, limit "
                f"{MAX_FILE_BYTES / 1e6:.0f} MB; raise part.tessellation"
            )
        raw = target.read_bytes()
    mesh = _mesh(path, ".glb", raw)
    # float32 metres carry errors of hundredths of a micrometre; rounded to a tenth, flats are flat again
    return RawMesh(np.round(mesh.corners * 1000.0, 4), mesh.faces, "mm", "mm")
