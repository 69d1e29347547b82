"""Part files: formats, units, placing, mending, refusing; against trimesh and closed forms."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from stepwriter import Writer

from zrough import part, topology
from zrough.errors import PartError
from zrough.grid import Grid
from zrough.stock import heights_over

CORPUS = Path(__file__).parent / "corpus_meshes"


def job(
    base: Path, stock: dict | None = None, units: str = "mm", mesh: tuple | None = None, **spec
) -> SimpleNamespace:
    fields = {"file": None, "up": "+z", "rotate_deg": 0.0, "shift": (0.0, 0.0, 0.0), "zero": "file",
              "tessellation": 0.01, "file_units": None}  # fmt: skip
    block = {"kind": "block", "min": None, "max": None, "centre": None, "diameter": None,
             "bottom": None, "top": None, "file": None}  # fmt: skip
    return SimpleNamespace(
        part=SimpleNamespace(**(fields | spec)), stock=SimpleNamespace(**(block | (stock or {}))),
        base_dir=base, units=units, mesh=mesh,
    )  # fmt: skip


def wedge() -> trimesh.Trimesh:
    """No symmetry, so that every placing shows."""
    points = [[0, 0, 0], [80, 0, 0], [80, 50, 0], [0, 50, 0], [0, 0, 30], [80, 0, 10]]
    faces = [[0, 2, 1], [0, 3, 2], [0, 1, 5], [0, 5, 4], [1, 2, 5], [2, 3, 4], [2, 4, 5], [0, 4, 3]]
    return trimesh.Trimesh(points, faces, process=False)


@pytest.mark.parametrize("kind", ["stl", "stl_ascii", "obj", "ply", "3mf", "glb"])
def test_every_format_gives_the_same_mesh(tmp_path: Path, kind: str) -> None:
    mesh = wedge()
    path = tmp_path / f"wedge.{kind.split('_')[0]}"
    mesh.export(path, file_type=kind)
    found = part.load_file(path, file_units="mm")
    assert found.name == "wedge"
    assert found.warnings == ()
    assert found.open_edges == 0
    assert len(found.vertices) == 6
    assert found.triangles.shape == (8, 3, 3)
    assert found.triangles.flags.c_contiguous
    assert found.triangles.dtype == np.float64
    rebuilt = trimesh.Trimesh(found.vertices, found.faces, process=False)
    assert rebuilt.is_watertight
    assert rebuilt.volume == pytest.approx(mesh.volume, rel=1e-6)
    np.testing.assert_allclose([found.lower, found.upper], mesh.bounds, atol=1e-5)


def test_scene_with_placed_bodies(tmp_path: Path) -> None:
    scene = trimesh.Scene()
    box = trimesh.creation.box((20, 30, 10))
    scene.add_geometry(box, node_name="a")
    scene.add_geometry(box, node_name="b", transform=trimesh.transformations.translation_matrix((50, 0, 4)))
    scene.export(tmp_path / "two.glb")
    found = part.load_file(tmp_path / "two.glb", file_units="mm")
    assert found.bodies == 2
    assert found.upper == pytest.approx((60, 15, 9))
    assert any("2 separate bodies" in line for line in found.warnings)


# --- units ------------------------------------------------------------------------------------------


def test_3mf_says_its_unit(tmp_path: Path) -> None:
    import zipfile

    wedge().export(tmp_path / "a.3mf")
    with zipfile.ZipFile(tmp_path / "a.3mf") as old, zipfile.ZipFile(tmp_path / "b.3mf", "w") as new:
        for name in old.namelist():
            new.writestr(name, old.read(name).replace(b'"millimeter"', b'"inch"'))
    assert part.load_file(tmp_path / "a.3mf").upper[0] == pytest.approx(80)
    assert part.load_file(tmp_path / "b.3mf").upper[0] == pytest.approx(80 * 25.4)


def test_bytes_after_the_last_triangle_are_left_out(tmp_path: Path) -> None:
    raw = (CORPUS / "box.stl").read_bytes()
    (tmp_path / "a.stl").write_bytes(raw + b"made by a diligent exporter")
    found = part.load_file(tmp_path / "a.stl")
    assert found.size == (40.0, 30.0, 20.0)
    assert found.warnings == ("27 bytes after the last triangle of a.stl were left out",)
    (tmp_path / "b.stl").write_bytes(raw + bytes(5000))
    with pytest.raises(PartError, match="12 triangles"):
        part.load_file(tmp_path / "b.stl")


def test_inch_job_reads_inch_numbers(tmp_path: Path) -> None:
    trimesh.creation.box((6, 4, 1.5)).export(tmp_path / "a.stl")
    found = part.load(job(tmp_path, units="inch", file="a.stl"))
    assert found.size == pytest.approx((152.4, 101.6, 38.1))
    assert found.warnings == ()
    mm = part.load(job(tmp_path, units="mm", file="a.stl"))
    assert mm.size == pytest.approx((6, 4, 1.5))
    assert "look like inch" in mm.warnings[0]


def test_unit_follows_the_stock_where_only_one_fits(tmp_path: Path) -> None:
    trimesh.creation.box((152.4, 101.6, 38.1)).export(tmp_path / "mm.stl")
    stock = {"min": (-80.0, -55.0, -20.0), "max": (80.0, 55.0, 20.0)}
    found = part.load(job(tmp_path, stock, units="inch", file="mm.stl"))
    assert found.unit == "mm"
    assert found.size == pytest.approx((152.4, 101.6, 38.1))
    assert "taken as mm, not inch" in found.warnings[0]
    stated = part.load(job(tmp_path, stock, units="inch", file="mm.stl", file_units="inch"))
    assert stated.size[0] == pytest.approx(152.4 * 25.4)


@pytest.mark.parametrize(("side", "unit"), [(0.16, "m"), (160.0, "mm")])
def test_implausible_size_is_guessed_and_said(tmp_path: Path, side: float, unit: str) -> None:
    trimesh.creation.box((side, side, side / 4)).export(tmp_path / "a.glb")
    found = part.load_file(tmp_path / "a.glb")
    assert found.size[0] == pytest.approx(160.0, rel=1e-6)
    assert bool(found.warnings) == (unit != "m")


def test_arrays_are_mm() -> None:
    mesh = wedge()
    found = part.load(job(Path(), units="inch", mesh=(mesh.vertices, mesh.faces)))
    assert found.upper == pytest.approx((80, 50, 30))


# --- placing ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("up", part.UP)
@pytest.mark.parametrize("zero", part.ZERO)
def test_placing(up: str, zero: str) -> None:
    mesh = wedge()
    found = part.from_arrays(mesh.vertices, mesh.faces, up=up, rotate_deg=90.0, zero=zero, shift=(1, 2, 3))
    # the side named looks up, distances and handedness stay
    axis = "xyz".index(up[1])
    sign = 1.0 if up[0] == "+" else -1.0
    direction = np.zeros(3)
    direction[axis] = sign
    np.testing.assert_array_equal(found.transform[:3, :3] @ direction, [0, 0, 1])
    np.testing.assert_allclose(found.transform[:3, :3] @ found.transform[:3, :3].T, np.eye(3), atol=1e-15)
    assert np.linalg.det(found.transform[:3, :3]) == pytest.approx(1.0)
    moved = trimesh.transform_points(mesh.vertices, found.transform)
    np.testing.assert_allclose(found.vertices, moved, atol=1e-12)
    centre = (np.array(found.lower) + found.upper) / 2
    expected = {
        "top centre": (centre[0], centre[1], found.upper[2]),
        "top corner": (found.lower[0], found.lower[1], found.upper[2]),
        "bottom centre": (centre[0], centre[1], found.lower[2]),
    }
    if zero != "file":
        np.testing.assert_allclose(expected[zero], (1, 2, 3), atol=1e-12)


def test_rotation_is_counter_clockwise_from_above() -> None:
    mesh = wedge()
    found = part.from_arrays(mesh.vertices, mesh.faces, rotate_deg=30.0)
    angle = math.radians(30)
    at = found.transform[:3, :3] @ [80.0, 0.0, 0.0]
    np.testing.assert_allclose(at, (80 * math.cos(angle), 80 * math.sin(angle), 0), atol=1e-12)
    assert found.vertices[:, 2].max() == 30.0  # heights are not touched


@pytest.mark.parametrize(
    "bad",
    [{"up": "z"}, {"zero": "middle"}, {"rotate_deg": math.nan}, {"shift": (0, 0)}, {"file_units": "cubit"}],
)
def test_wrong_placing_is_one_line(bad: dict) -> None:
    mesh = wedge()
    with pytest.raises(PartError) as caught:
        part.from_arrays(mesh.vertices, mesh.faces, **bad)
    assert next(iter(bad)) in str(caught.value)
    assert "\n" not in str(caught.value)


# --- broken files -----------------------------------------------------------------------------------

REFUSED = {
    "empty.stl": "empty", "empty.step": "empty", "header_only.stl": "no triangles",
    "short_header.stl": "4 bytes", "cut_short.stl": "12 triangles, 10 would fit",
    "cut_short_text.stl": "endsolid", "no_facets.stl": "no triangles", "letter.stl": "no STL",
    "solid_letter.stl": "no facets", "nan.stl": "triangle 3", "points.stl": "degenerate",
    "upright.stl": "part.up", "no_faces.obj": "no triangles", "letter.obj": "no triangles",
    "letter.ply": "PLY", "cut_short.ply": "triangles", "letter.glb": "GLB", "letter.3mf": "3MF",
    "letter.step": "ISO-10303", "cut_short.step": "STEP",
}  # fmt: skip

MENDED = {
    "inverted.stl": ("12 of 12 triangles had inverted normals", "triangles turned"),
    "half_inverted.stl": ("6 of 12 triangles", "triangles turned"),
    "open_bottom.stl": ("4 open edges in 1 loops, the longest 140 mm", None),
    "open_top.stl": ("the top is missing", "triangles turned"),
    "missing_facet.stl": ("holes in the surface seen from above: 1, the largest 600 mm2", None),
    "twice.stl": (None, "duplicate triangles removed"),
    "slivers.stl": (None, "degenerate triangles removed"),
    "two_boxes.stl": ("2 separate bodies", None),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refused_in_one_line(name: str, capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(PartError) as caught:
        part.load_file(CORPUS / name)
    line = str(caught.value)
    assert REFUSED[name] in line
    assert name in line
    assert "\n" not in line
    assert ";" in line  # and a remedy
    assert capfd.readouterr() == ("", "")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names")
def test_files_that_a_mesh_names_are_not_opened(tmp_path: Path) -> None:
    """Colours of OBJ and PLY in a pipe that nobody writes to: opening it would never end."""
    os.mkfifo(tmp_path / "pipe")
    mesh = wedge()
    obj = mesh.export(file_type="obj")
    ply = mesh.export(file_type="ply").replace(b"\nelement", b"\ncomment TextureFile pipe\nelement", 1)
    (tmp_path / "a.obj").write_text("mtllib pipe\n" + obj)
    (tmp_path / "a.ply").write_bytes(ply)
    for name in ("a.obj", "a.ply"):
        script = f"import pathlib, zrough.part as p; print(p.load_file(pathlib.Path({name!r})).size)"
        done = subprocess.run(
            [sys.executable, "-c", script], cwd=tmp_path, timeout=60, capture_output=True, text=True,
            check=True, env={**os.environ, "PYTHONPATH": str(Path(part.__file__).parents[1])},
        )  # fmt: skip
        assert done.stdout.strip() == "(80.0, 50.0, 30.0)"


def test_shape_in_another_file_is_refused(tmp_path: Path) -> None:
    """A GLB file (glTF 2.0, 3.6.1) whose numbers stand in a file beside it."""
    data = wedge().export(file_type="glb")
    length = int.from_bytes(data[12:16], "little")
    head = json.loads(data[20 : 20 + length])
    head["buffers"][0]["uri"] = "beside.bin"
    text = json.dumps(head).encode()
    text += b" " * (-len(text) % 4)
    chunk = len(text).to_bytes(4, "little") + b"JSON" + text
    (tmp_path / "a.glb").write_bytes(
        b"glTF" + (2).to_bytes(4, "little") + (12 + len(chunk)).to_bytes(4, "little") + chunk
    )
    (tmp_path / "beside.bin").write_bytes(data[20 + length + 8 :])
    with pytest.raises(
        PartError, match=r"a.glb: unreadable as GLB \(beside.bin is another file; a part must be"
    ):
        part.load_file(tmp_path / "a.glb")


@pytest.mark.parametrize("name", MENDED)
def test_mended_and_said(name: str) -> None:
    warning, repair = MENDED[name]
    found = part.load_file(CORPUS / name)
    if warning is not None:
        assert any(warning in line for line in found.warnings), found.warnings
    if repair is not None:
        assert found.repairs[repair] > 0
    assert all("\n" not in line for line in found.warnings)


@pytest.mark.parametrize(
    "name",
    ["box_text.stl", "inverted.stl", "half_inverted.stl", "open_bottom.stl", "twice.stl", "slivers.stl"],
)
def test_heights_do_not_depend_on_the_flaw(name: str) -> None:
    grid = Grid.covering((-22, -17), (22, 17), 0.5)
    right = heights_over(part.load_file(CORPUS / "box.stl").triangles, grid)
    np.testing.assert_array_equal(heights_over(part.load_file(CORPUS / name).triangles, grid), right)


def test_every_corpus_file_is_tested() -> None:
    names = {path.name for path in CORPUS.iterdir() if path.suffix != ".py" and path.is_file()}
    assert names == set(REFUSED) | set(MENDED) | {"box.stl", "box_text.stl"}


def test_missing_unknown_and_folder(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("x")
    (tmp_path / "b.stl").mkdir()
    for name, words in (("no.stl", "no such file"), ("a.txt", "use one of STL"), ("b.stl", "folder")):
        with pytest.raises(PartError, match=words):
            part.load_file(tmp_path / name)


def test_too_large(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.stl"
    wedge().export(path)
    monkeypatch.setattr(part, "MAX_TRIANGLES", 5)
    with pytest.raises(PartError, match="8 triangles, limit 5; export with a coarser"):
        part.load_file(path)
    monkeypatch.setattr(part, "MAX_FILE_BYTES", 100)
    with pytest.raises(PartError, match="MB, limit"):
        part.load_file(path)


@pytest.mark.parametrize(
    ("vertices", "faces", "words"),
    [
        (np.zeros((3, 2)), [[0, 1, 2]], "expected vertices"),
        (np.eye(3), [[0, 1, 3]], "names vertices"),
        (np.eye(3), np.zeros((0, 3), int), "no triangles"),
        (np.eye(3) * 1e12, [[0, 1, 2]], "beyond 1e9"),
        ("mesh", [[0, 1, 2]], "arrays of numbers"),
    ],
)
def test_wrong_arrays(vertices: object, faces: object, words: str) -> None:
    with pytest.raises(PartError, match=words):
        part.from_arrays(vertices, faces)


@given(st.binary(max_size=400), st.sampled_from([".stl", ".obj", ".ply", ".3mf", ".glb"]))
@settings(max_examples=150, deadline=None)
def test_any_bytes_end_in_a_part_or_one_line(
    tmp_path_factory: pytest.TempPathFactory, raw: bytes, kind: str
) -> None:
    path = tmp_path_factory.getbasetemp() / f"any{kind}"
    path.write_bytes(raw)
    with pytest.raises(PartError) as caught:
        part.load_file(path)
    assert "\n" not in str(caught.value)


@given(st.integers(0, 2**32 - 1), st.integers(1, 60))
@settings(max_examples=60, deadline=None)
def test_damaged_binary_stl(tmp_path_factory: pytest.TempPathFactory, seed: int, flips: int) -> None:
    """Bytes changed at random in a good file: a part with finite numbers, or one line."""
    rng = np.random.default_rng(seed)
    raw = np.frombuffer((CORPUS / "box.stl").read_bytes(), dtype=np.uint8).copy()
    raw[rng.integers(80, len(raw), flips)] = rng.integers(0, 256, flips)
    path = tmp_path_factory.getbasetemp() / "flipped.stl"
    path.write_bytes(raw.tobytes())
    try:
        found = part.load_file(path)
    except PartError as error:
        assert "\n" not in str(error)
    else:
        assert np.isfinite(found.triangles).all()
        assert np.isfinite(found.undercut_area)


# --- topology ---------------------------------------------------------------------------------------


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_weld_against_numpy(seed: int) -> None:
    rng = np.random.default_rng(seed)
    points = rng.integers(-3, 3, (200, 3)) * 0.1
    kept, number = topology.weld(points)
    np.testing.assert_array_equal(kept[number], points)
    assert len(kept) == len(np.unique(points, axis=0))


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=25, deadline=None)
def test_any_winding_is_mended(seed: int) -> None:
    rng = np.random.default_rng(seed)
    mesh = trimesh.util.concatenate(
        [trimesh.creation.torus(30, 8, major_sections=12, minor_sections=9),
         trimesh.creation.box((20, 20, 20), transform=trimesh.transformations.translation_matrix((90, 0, 0)))]
    )  # fmt: skip
    faces = np.array(mesh.faces)
    flip = rng.random(len(faces)) < 0.5
    faces[flip] = faces[flip][:, ::-1]
    found = part.from_arrays(mesh.vertices, faces[rng.permutation(len(faces))])
    rebuilt = trimesh.Trimesh(found.vertices, found.faces, process=False)
    assert rebuilt.is_winding_consistent
    assert rebuilt.volume == pytest.approx(mesh.volume, rel=1e-9)
    assert all(piece.volume > 0 for piece in rebuilt.split())


def test_one_sided_surface_is_left_alone() -> None:
    """A band with half a twist cannot be wound consistently; it is loaded all the same."""
    n = 40
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
    rows = []
    for a in angle:
        tilt = np.array([np.cos(a / 2) * np.cos(a), np.cos(a / 2) * np.sin(a), np.sin(a / 2)])
        middle = np.array([40 * np.cos(a), 40 * np.sin(a), 0])
        rows += [middle - 6 * tilt, middle + 6 * tilt]
    faces = []
    for k in range(n):
        a, b = 2 * k, 2 * k + 1
        c, d = (2 * k + 2, 2 * k + 3) if k < n - 1 else (1, 0)
        faces += [[a, c, b], [b, c, d]]
    found = part.from_arrays(np.array(rows), np.array(faces))
    assert found.open_edges == 2 * n
    assert len(found.faces) == 2 * n


def test_points_a_little_apart_are_joined() -> None:
    mesh = wedge()
    loose = mesh.triangles.reshape(-1, 3) + np.random.default_rng(3).uniform(-2e-7, 2e-7, (24, 3))
    found = part.from_arrays(loose + 0.3e-5, np.arange(24).reshape(-1, 3))
    assert found.open_edges == 0
    assert len(found.vertices) == 6
    assert np.abs(found.triangles.reshape(-1, 3) - loose).max() < 1e-5


# --- undercuts --------------------------------------------------------------------------------------


def test_undercut_area_of_a_ball_on_a_plate() -> None:
    """Lower half of a sphere: 2 pi r2 (closed form), less the facets that span the equator."""
    ball = trimesh.creation.icosphere(subdivisions=6, radius=20)
    found = part.from_arrays(ball.vertices, ball.faces)
    assert found.undercut_area == pytest.approx(2 * math.pi * 400, rel=0.01)
    assert any("undercuts" in line for line in found.warnings)


def test_undercut_area_of_a_side_groove() -> None:
    block = trimesh.creation.box((60, 40, 30))
    groove = trimesh.creation.box(
        (60, 10, 8), transform=trimesh.transformations.translation_matrix((0, 20, 0))
    )
    cut = trimesh.boolean.difference([block, groove], engine="manifold")
    found = part.from_arrays(cut.vertices, cut.faces)
    assert found.undercut_area == pytest.approx(60 * 5, rel=1e-6)
    plain = part.from_arrays(block.vertices, block.faces)
    assert plain.undercut_area == 0.0


# --- STEP -------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def step_files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """One plate with a pin, written three times in its own unit."""
    folder = tmp_path_factory.mktemp("step")
    files = {}
    for unit, mm in (("mm", 1.0), ("inch", 25.4), ("m", 1000.0)):
        w = Writer()
        solids = [
            w.block([-40 / mm, -30 / mm, -30 / mm], [40 / mm, 30 / mm, -10 / mm]),
            w.cylinder([5 / mm, 3 / mm], 12 / mm, -20 / mm, 0.0),
        ]
        files[unit] = folder / f"{unit}.step"
        files[unit].write_text(w.text(solids, unit))
    return files


@pytest.mark.parametrize("unit", ["mm", "inch", "m"])
def test_step_uses_its_own_unit(step_files: dict[str, Path], unit: str) -> None:
    pytest.importorskip("cascadio")
    found = part.load_file(step_files[unit], assume="inch")
    assert found.lower == (-40.0, -30.0, -30.0)
    assert found.upper == (40.0, 30.0, 0.0)
    assert found.open_edges == 0
    assert found.unit == "mm"


@pytest.mark.parametrize("tolerance", [0.1, 0.01])
def test_step_keeps_its_tolerance(step_files: dict[str, Path], tolerance: float) -> None:
    """Distance of the triangles from the true cylinder: the sagitta of their chords."""
    pytest.importorskip("cascadio")
    found = part.load_file(step_files["mm"], tessellation=tolerance)
    pin = found.triangles[
        (np.hypot(*(found.triangles[:, :, :2] - (5, 3)).transpose(2, 0, 1)) < 12.001).all(axis=1)
    ]
    side = pin[np.ptp(pin[:, :, 2], axis=1) > 1]
    middles = (side + np.roll(side, 1, axis=1))[:, :, :2].reshape(-1, 2) / 2
    off = 12.0 - np.hypot(*(middles - (5, 3)).T)
    assert off.max() <= tolerance
    assert off.max() > 0.0


def test_step_and_stl_give_the_same_cutter_heights(step_files: dict[str, Path], tmp_path: Path) -> None:
    """The same plate and pin as STL, its cylinder with 1000 chords: CL within the tessellation tolerance."""
    pytest.importorskip("cascadio")
    surface = pytest.importorskip("zrough.surface")
    plate = trimesh.creation.box(bounds=[[-40, -30, -30], [40, 30, -10]])
    pin = trimesh.creation.cylinder(radius=12, segment=[[5, 3, -20], [5, 3, 0]], sections=1000)
    trimesh.util.concatenate([plate, pin]).export(tmp_path / "a.stl")
    tolerance = 0.01
    grid = Grid(-30.03, -20.02, 0.611, 90, 70)
    other = surface.ContactSurface(part.load_file(tmp_path / "a.stl").triangles)
    mine = surface.ContactSurface(part.load_file(step_files["inch"], tessellation=tolerance).triangles)
    for radius, corner in ((4.0, 4.0), (6.0, 1.0)):
        a, b = mine.heights(grid, radius, corner), other.heights(grid, radius, corner)
        # heights jump at the wall: compare where the wall is not within the tolerance of the cutter
        away = np.abs(np.hypot(grid.x[None, :] - 5, grid.y[:, None] - 3) - 12 - radius)
        near = away < 2 * tolerance
        steep = (
            np.abs(np.hypot(grid.x[None, :] - 5, grid.y[:, None] - 3) - 12 - radius + corner / 2) < corner / 2
        )
        assert np.abs(a - b)[~near & ~steep].max() <= tolerance
        assert np.abs(a - b)[steep & ~near].max() <= 0.3  # where the corner slides down the pin's edge
