"""Forty jobs through the command line, eight of them bad: what a shop's night run must come to."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import parts
import pytest

pytestmark = [pytest.mark.slow, pytest.mark.compiled]

MESHES = Path(__file__).parent / "corpus_meshes"
JOB = """units = "mm"
part.file = "{part}"
material.name = "P"
machine = {{ max_spindle_rpm = 12000, max_feed = 6000 }}
stock = {{ min = [{low}], max = [{high}] }}
cutter = {{ diameter = {diameter}, corner_radius = 0.5, flutes = 3, flute_length = 14, overhang = 30 }}
roughing = {{ level_depth = {depth}, stair_height = 1.0, cell = 0.4 }}
"""
# what is wrong, and words that its record must have
BAD = {
    "bad-absent": "no such file",
    "bad-cut-short": "cut short",
    "bad-letter": "no STL file",
    "bad-nan": "no finite number",
    "bad-key": "floor_alowance",
    "bad-text": "not valid TOML",
    "bad-outside": "outside the job's folder",
    "bad-wide": "no room for the cutter",
}
GOOD = 32


def good_meshes():
    """Four kinds of small parts, each cut in eight ways."""
    return {
        "pocket": parts.pocket(width=24, height=18, depth=5, radius=5, rim=5),
        "core": parts.frustum(radius=8, height=6, base=30, chord=0.05),
        "dome": parts.dome(radius=7, base=30, rings=12, spokes=48),
        "box": parts.drafted_box(half=7, height=6, base=30),
    }


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Job files with their parts, good ones and bad ones mixed by name."""
    place = tmp_path_factory.mktemp("night") / "jobs"
    place.mkdir()

    def write(name, part, mesh, diameter=6.0, depth=5.0):
        low, high = mesh[0].min(axis=0), mesh[0].max(axis=0)
        text = JOB.format(
            part=part, low=", ".join(f"{v:g}" for v in low), high=", ".join(f"{v:g}" for v in high),
            diameter=diameter, depth=depth,
        )  # fmt: skip
        (place / f"{name}.toml").write_text(text)
        return text

    meshes = good_meshes()
    for kind, mesh in meshes.items():
        parts.maker().write_stl(place / f"{kind}.stl", mesh, kind)
        for k in range(GOOD // len(meshes)):
            write(f"{'abcdefgh'[k]}-{kind}", f"{kind}.stl", mesh, 5.0 + k % 4, 5.0 if k < 4 else 3.0)
    pocket = meshes["pocket"]
    for name, file in (
        ("bad-cut-short", "cut_short.stl"),
        ("bad-letter", "letter.stl"),
        ("bad-nan", "nan.stl"),
    ):
        shutil.copy(MESHES / file, place)
        write(name, file, pocket)
    write("bad-absent", "absent.stl", pocket)
    write("bad-outside", "../pocket.stl", pocket)
    shutil.copy(place / "pocket.stl", place.parent)
    write("bad-wide", "pocket.stl", pocket, diameter=20.0)
    text = write("bad-key", "pocket.stl", pocket)
    (place / "bad-key.toml").write_text(text.replace("stair_height", "floor_alowance"))
    (place / "bad-text.toml").write_text(text[: text.rindex("}")])
    assert len(list(place.glob("*.toml"))) == 40
    return place


def lines(out):
    return [json.loads(line) for line in (out / "records.jsonl").read_text().splitlines()]


def test_forty_jobs(folder, tmp_path, zrough_command):
    command = ("batch", folder, "--out", tmp_path / "out", "--no-report")
    status, out, err = zrough_command(*command, timeout=600)
    assert status == 1, err
    records = lines(tmp_path / "out")
    assert [r["name"] for r in records] == sorted(p.stem for p in folder.glob("*.toml"))
    good = {r["name"]: r for r in records if r["status"] == "done"}
    assert len(good) == GOOD
    for record in good.values():
        assert set(record["files"]) == {"program.nc"}
        assert record["attempts"] == 1
        assert not record["message"]
        program = (tmp_path / "out" / record["name"] / "program.nc").read_text()
        assert program.rstrip().splitlines()[-1].strip() in ("%", "M30")
    bad = {r["name"]: r for r in records if r["status"] != "done"}
    assert set(bad) == set(BAD)
    for name, record in bad.items():
        assert record["status"] == "refused", record
        assert BAD[name] in record["message"]
        assert "Traceback" not in record["message"]
        assert not record["files"]
        assert not (tmp_path / "out" / name).exists()
    assert "Traceback" not in out + err
    rows = list(csv.DictReader((tmp_path / "out" / "summary.csv").read_text().splitlines()))
    assert len(rows) == 40

    before = {p: p.stat().st_mtime_ns for p in (tmp_path / "out").glob("*/program.nc")}
    status, again, _ = zrough_command(*command, timeout=600)
    assert status == 1  # the bad ones are bad still
    assert "32 of them finished earlier" in again
    assert {p: p.stat().st_mtime_ns for p in (tmp_path / "out").glob("*/program.nc")} == before
    first = {r["name"]: (r["status"], r["message"], r["digest"], r["files"]) for r in records}
    assert {
        r["name"]: (r["status"], r["message"], r["digest"], r["files"]) for r in lines(tmp_path / "out")
    } == first
