"""report.json, the pictures and the text of the page."""

from __future__ import annotations

import base64
import copy
import gzip
import json
import re
from types import SimpleNamespace

import jsonschema
import numpy as np
import pytest
import report_case
import trimesh
from PIL import Image

from zrough import cliview, pictures, report
from zrough.page import build
from zrough.reportdata import Facts, as_dict
from zrough.toolpath import Kind
from zrough.units import Unit

pytestmark = pytest.mark.compiled


@pytest.fixture(scope="module")
def plan():
    return report_case.plan()


@pytest.fixture(scope="module")
def check():
    return report_case.check()


@pytest.fixture(scope="module")
def told(plan, check):
    return report.report_dict(plan, check)


@pytest.fixture(scope="module")
def page(plan, check):
    return report.report_html(plan, check)


def words(plan, check):
    """The page without its pictures, which are looked at elsewhere."""
    facts = Facts(plan, check)
    return build(facts, as_dict(facts), {})


def validate(told):
    schema = report.json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(json.loads(json.dumps(told, allow_nan=False)))


# ------------------------------------------------------------------ report.json


def test_json_follows_its_schema(told, plan):
    validate(told)
    validate(report.report_dict(plan, report_case.check(ok=False)))
    validate(report.report_dict(plan, None))


def test_numbers_agree_with_the_plan(told, plan, check):
    path = plan.toolpath
    assert told["verdict"] == "passed"
    assert [lv["z_mm"] for lv in told["levels"]] == pytest.approx([lv.z for lv in plan.levels])
    assert told["summary"]["cycle_time_s"] == pytest.approx(420.0)
    assert told["summary"]["removed_cm3"] == pytest.approx(98.0)
    free = report.report_dict(plan, None)
    for name, kinds in (
        ("cutting", (Kind.CUT,)),
        ("entries", (Kind.HELIX, Kind.RAMP)),
        ("links", (Kind.LINK,)),
    ):
        exact = path.lengths()[np.isin(path.kind, kinds)].sum()
        assert free["path_mm"][name] == pytest.approx(exact, rel=1e-8)
    assert sum(told["engagement"]["length_mm"]) == pytest.approx(check.engagement.histogram[1:].sum())


def test_leftover_numbers_are_those_of_the_map(told, check):
    """The floor keeps 0.2 mm; the dome's stairs are 1.5 mm high and lie on slopes, so none is thicker."""
    assert told["leftover"]["percentiles"]["50"] == pytest.approx(0.2, abs=1e-3)
    assert 0.7 < told["leftover"]["largest"] <= 1.5 + 0.3
    assert told["next_cutter"]["thickest"] <= told["leftover"]["largest"]
    assert told["next_cutter"]["ok"] == (told["next_cutter"]["thickest"] <= 1.2)


def test_a_broken_promise_is_named(plan):
    told = report.report_dict(plan, report_case.check(ok=False))
    broken = [p for p in told["promises"] if p["kept"] is False]
    assert told["verdict"] == "failed"
    assert [p["name"] for p in broken] == ["Part not gouged"]
    assert broken[0]["safety"]
    assert "line 214" in broken[0]["note"]
    assert told["failures"][0]["line"] == 214


def test_a_failure_of_a_new_kind_is_never_lost(plan, check):
    strange = copy.copy(check)
    strange.ok = False
    strange.failures = (
        SimpleNamespace(code="chatter", line=7, place=None, value=1.0, limit=0.5, message="line 7: it sings"),
    )
    told = report.report_dict(plan, strange)
    (broken,) = [p for p in told["promises"] if p["kept"] is False]
    assert (broken["name"], broken["note"]) == ("chatter", "line 7: it sings")
    assert "it sings" in words(plan, strange)


def test_missed_goals_are_told_apart_from_broken_promises(plan, check):
    high = copy.copy(check)
    high.tallest_stair = 1.58
    (missed,) = [p for p in report.report_dict(plan, high)["promises"] if p["kept"] is False]
    assert not missed["safety"]
    assert missed["found"] == pytest.approx(1.58)
    high.tallest_stair = 1.54  # within the map's own doubt
    assert all(p["kept"] is not False for p in report.report_dict(plan, high)["promises"])


def test_stairs_on_ground_listed_as_left_are_told_apart(plan, check):
    high, partial = copy.copy(check), copy.copy(plan)
    high.tallest_stair = 2.6
    high.leftover = copy.copy(check.leftover)
    asked = []

    def tallest_outside(listed, square):
        asked.append((listed, square))
        return 1.4, (1.0, 2.0, -3.0)

    high.leftover.tallest_outside = tallest_outside
    high.leftover.stair_at = (7.0, 8.0, -9.0)
    partial.left = [{"kind": "channel", "z": -9.5, "x": 7.0, "y": 8.0, "width": 12.5, "area": 9.0,
                     "reason": "too narrow for the cap", "box": (5.0, 6.0, 9.0, 10.0)}]  # fmt: skip
    (goal,) = [p for p in report.report_dict(partial, high)["promises"] if p["name"].startswith("Stairs on")]
    assert asked == [([(-9.5, (5.0, 6.0, 9.0, 10.0))], False)]
    assert (goal["kept"], goal["found"]) == (True, 1.4)
    assert "2.60 mm where ground is listed as left uncut" in goal["note"]
    assert "7.00, 8.00, -9.00" in goal["note"]


def test_nothing_is_claimed_without_a_check(plan):
    told = report.report_dict(plan, None)
    assert told["verdict"] == "not checked"
    assert all(p["kept"] is None for p in told["promises"])
    assert told["leftover"] is None
    text = words(plan, None)
    assert "Not checked" in text
    assert "kept every promise" not in text


def test_no_wall_clock_reaches_the_files(plan, check):
    slower = copy.copy(plan)
    slower.times = {"rings": 99.0}
    assert report.report_dict(slower, check) == report.report_dict(plan, check)


def test_files_are_written_whole_and_alike(plan, check, page, tmp_path):
    names = {"report.json", "report.html", "leftover.stl", "leftover.npz"}
    first = report.write_all(plan, check, tmp_path / "a", html=False)
    again = report.write_all(plan, report_case.check(), tmp_path / "b")
    assert {p.name for p in again} == names
    for a in first:
        assert a.read_bytes() == (tmp_path / "b" / a.name).read_bytes(), a.name
    assert (tmp_path / "b" / "report.html").read_text("utf-8") == page
    assert not [p for p in (tmp_path / "a").iterdir() if p.name.startswith(".")]
    validate(json.loads((tmp_path / "a" / "report.json").read_text("utf-8")))


def test_extras_of_the_job_are_written(plan, check, tmp_path):
    """GLB (glTF 2.0: metres, y up) read by a general library; the text has the path's ends."""
    wanted = copy.copy(plan)
    wanted.job = report_case.job(output={"extras": ["cl", "glb", "pictures"]})
    plain = {p.name for p in report.write_all(plan, check, tmp_path / "plain", html=False)}
    files = {p.name: p for p in report.write_all(wanted, check, tmp_path / "all", html=False)}
    pictures = {name for name in files if name.endswith(".png")}
    assert set(files) - plain == {"program.cl", "leftover.glb"} | pictures
    assert len(pictures) >= 4
    assert all(files[name].read_bytes().startswith(b"\x89PNG") for name in pictures)

    solid = trimesh.load(files["leftover.stl"])
    (coloured,) = trimesh.load_scene(files["leftover.glb"]).dump()
    size = 1000.0 * coloured.extents
    assert size[[0, 2, 1]] == pytest.approx(solid.extents, abs=0.01)
    raw = files["leftover.glb"].read_bytes()
    size = int.from_bytes(raw[12:16], "little")  # of the first chunk, JSON; the second holds the buffer
    scene = json.loads(raw[20 : 20 + size])
    colour = scene["accessors"][scene["meshes"][0]["primitives"][0]["attributes"]["COLOR_0"]]
    start = 28 + size + scene["bufferViews"][colour["bufferView"]]["byteOffset"]
    rgba = np.frombuffer(raw, np.uint8, 4 * colour["count"], start).reshape(-1, 4)
    assert len(np.unique(rgba, axis=0)) > 10

    text = files["program.cl"].read_text()
    assert text.startswith("PARTNO")
    assert text.endswith("FINI\n")
    ends = [line[5:].split(",")[:3] for line in text.splitlines() if line.startswith("GOTO/")]
    assert np.array(ends[-1], float) == pytest.approx(plan.toolpath.xyz[-1], abs=1e-4)


# ------------------------------------------------------------------ the page as text


def test_page_is_of_a_sane_size(page):
    assert len(page.encode()) < 8e6


def test_page_loads_nothing_from_elsewhere(page):
    packed = re.sub(r'<script type="text/plain".*?</script>', "", page, flags=re.DOTALL)
    assert not re.findall(r"https?:|//[a-z0-9-]+\.[a-z]", packed, flags=re.IGNORECASE)
    sources = re.findall(r'(?:src|href)\s*=\s*"([^"]*)"', packed)
    assert sources
    assert all(s.startswith(("data:", "#")) for s in sources)


def test_page_names_every_level_and_every_warning(page, told):
    for level in told["levels"]:
        assert f"{level['z_mm']:.3f}".replace("-", "−") in page
        assert level["reason"] in page
    for text in (*told["warnings"], told["left"][0]["reason"]):
        assert text in page


def test_text_from_outside_is_never_markup(check):
    plan = report_case.plan()
    plan.part.name = '<script>alert("x")</script>'
    plan.levels[0].reason = "<b>why</b> & so"
    plan.warnings = ["a < b </section><img src=x onerror=y>"]
    page = words(plan, check)
    assert "<script>alert" not in page
    assert "<b>why</b>" not in page
    assert "<img src=x" not in page


@pytest.mark.parametrize(("units", "area"), [("mm", "0.44 mm²"), ("inch", "0.00068 sq in")])
def test_a_small_rest_is_told_by_its_size_not_by_the_room_round_it(units, area):
    """0.44 mm2 are 0.44 / 25.4^2 square inches; the 109 mm are how wide the ground is where it stands."""
    plan = report_case.plan(units=units) if units == "mm" else inch_plan()
    plan.left = [
        {"kind": "rest", "z": -14.8, "x": 7.0, "y": 8.0, "width": 109.33, "area": 0.44, "reason": "small"}
    ]
    page = words(plan, report_case.check())
    assert area in page
    assert "109" not in page.partition("Left uncut, and warnings")[2].partition("Setup sheet")[0]
    plan.report, plan.check = {}, None
    (line,) = [row for row in cliview.plan_lines(plan, []) if "small" in row]
    assert line.endswith("Z-14.80, 0.44 mm2: small")


def inch_plan():
    mm = {"diameter": 0.5, "corner_radius": 0.04, "flutes": 4, "flute_length": 1.1, "overhang": 1.8}
    return report_case.plan(
        units="inch", cutter=mm, stock={"min": [-2.0, -1.6, -1.2], "max": [2.0, 1.6, 0.0]},
        machine={"max_spindle_rpm": 15000, "max_feed": 470, "power_kw": 15.0},
        roughing={"level_depth": 0.5, "stair_height": 0.06},
        semi_finish={"ball_diameter": 0.25, "max_bite": 0.05},
    )  # fmt: skip


def test_an_inch_job_reads_in_inch():
    plan = inch_plan()
    page = words(plan, report_case.check())
    assert "Ø0.5 inch" in page
    assert "−0.4724" in page  # the level at -12 mm
    assert "ft/min" in page
    assert " m/min" not in page
    assert report.report_dict(plan)["levels"][0]["z_mm"] == pytest.approx(-12.0)
    assert report.report_dict(plan)["job"]["units"] == "inch"


def test_pictures_of_an_inch_job_have_scales_in_inch():
    """A ramp ends at a number round in the unit shown; an inch is 25.4 mm by definition."""
    thickness = np.linspace(0.0, 3.4, 400).reshape(20, 20)
    inch = Unit("inch")
    assert pictures.colour_limit(thickness) == pytest.approx(4.0)
    assert pictures.colour_limit(thickness, inch) == pytest.approx(0.15 * 25.4)
    assert inch.speed(100.0) == "328 ft/min"
    assert inch.short(-12.7) == "−0.5 inch"


def test_the_view_of_an_inch_job_is_drawn_in_inch(check):
    in_mm, in_inch = (_view(report_case.plan(units=unit), check) for unit in ("mm", "inch"))
    assert (in_mm["unit"], in_inch["unit"]) == ("mm", "inch")
    for axis in "xyz":
        assert in_inch["corner"][axis] == pytest.approx(in_mm["corner"][axis] / 25.4)
    assert in_inch["length"] == pytest.approx(in_mm["length"] / 0.3048)


def _view(plan, check):
    """What the page's script draws: the mesh's high corner, and the sum of the cutting lengths."""
    facts = Facts(plan, check)
    packed = re.search(r'id="numbers"[^>]*>([^<]+)<', build(facts, as_dict(facts), {})).group(1)
    raw = gzip.decompress(base64.b64decode(packed))
    size = int.from_bytes(raw[:4], "little")
    head, block = json.loads(raw[4 : 4 + size]), raw[4 + size + -size % 4 :]

    def values(spot):
        return np.frombuffer(block, "<f4", spot["$n"], 4 * spot["$at"])

    mesh = head["view"]["mesh"]
    corner = {axis: float(values(mesh[axis]).max()) for axis in "xyz"}
    return {"unit": head["unit"], "corner": corner, "length": float(values(head["histogram"]["long"]).sum())}


# ------------------------------------------------------------------ arrays behind the page


def test_drawn_path_is_the_path(plan, check):
    """Thinned lines stay within their tolerance of the moves, and none is lost."""
    facts = Facts(plan, check)
    paths = facts.level_paths(10**7)
    cut = plan.toolpath.kind == Kind.CUT
    for k in (0, 3):
        x, y, z = paths[k]["cutting"]
        steps = np.sqrt(np.diff(x) ** 2 + np.diff(y) ** 2 + np.diff(z) ** 2)
        exact = plan.toolpath.lengths()[cut & (plan.toolpath.level == k)].sum()
        assert np.nansum(steps) == pytest.approx(exact, rel=2e-3)
    x, y, z = paths[0]["entries"]
    # full turns of radius 2 round their centre
    turns = ~np.isnan(x) & (z < -3.0)
    centre = plan.toolpath.centre[plan.toolpath.kind == Kind.HELIX][0]
    assert np.hypot(x[turns] - centre[0], y[turns] - centre[1]).max() <= 2.0 + 1e-9
    few = facts.level_paths(4000)
    assert sum(len(line[0]) for lv in few for line in lv.values()) < 12_000


def test_a_map_too_large_is_measured_at_every_kth_node(plan, check, monkeypatch):
    from zrough import reportdata

    whole = Facts(plan, check)
    monkeypatch.setattr(reportdata, "MOST_NODES", whole.left_over[1].size // 3)
    thin = Facts(plan, check)
    assert thin.every == 2
    assert thin.normal.percentiles[90.0] == pytest.approx(whole.normal.percentiles[90.0], abs=0.05)


def test_view_keeps_the_thickness_of_the_nodes_it_draws(plan, check, monkeypatch):
    from zrough import reportdata

    facts = Facts(plan, check)
    monkeypatch.setattr(reportdata, "DRAWN_NODES", facts.measured[1].size // 7)
    _, heights, step = facts.drawn
    assert step == 3
    mesh, thickness = facts.view_mesh(50_000)
    whole, _ = facts.measured
    row = np.rint((mesh.vertices[:, 1] - whole.y0) / whole.cell).astype(int)
    column = np.rint((mesh.vertices[:, 0] - whole.x0) / whole.cell).astype(int)
    assert (row % 3 == 0).all()
    assert (column % 3 == 0).all()
    measured = facts.normal.thickness[row, column]
    known = ~np.isnan(measured)
    assert known.any()
    np.testing.assert_array_equal(thickness[known], measured[known])
    assert not np.isnan(thickness).any()
    top = mesh.vertices[:, 2] > facts.bottom
    np.testing.assert_array_equal(mesh.vertices[top, 2], heights[row[top] // 3, column[top] // 3])


def test_series_keeps_every_peak(plan, check):
    spiky = copy.copy(check)
    spiky.moves = copy.copy(check.moves)
    spiky.moves.engagement_deg = np.full(2000, 20.0)
    spiky.moves.engagement_deg[[5, 777, 1999]] = (61.0, 62.0, 63.0)
    curve = Facts(plan, spiky).series(300)
    assert {61.0, 62.0, 63.0} <= set(curve.engagement.tolist())
    assert curve.minutes[-1] == pytest.approx(7.0, abs=0.02)


# ------------------------------------------------------------------ pictures


def lightness(rgb):
    """CIE 1976 L* of sRGB 0..1 (CIE 15; IEC 61966-2-1)."""
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    y = linear @ np.array([0.2126, 0.7152, 0.0722])
    return np.where(y > (6 / 29) ** 3, 116 * np.cbrt(y) - 16, y * (29 / 3) ** 3)


def test_amounts_read_in_grey():
    light = lightness(pictures.ramp_rgb(np.linspace(0, 1, 200)))
    assert np.diff(light).max() < 0
    assert light[0] - light[-1] > 70


def test_kinds_of_path_differ_in_more_than_colour():
    drawn = [pictures.STYLE[n] for n in ("cutting", "links", "entries")]
    assert len({str(dash) for _, dash, _ in drawn}) == 3
    light = sorted(float(lightness(np.array(pictures._rgb(colour)))) for colour, _, _ in drawn)
    assert min(np.diff(light)) > 8


def test_pictures_show_something(plan, check, tmp_path):
    written = report.pictures(plan, check, tmp_path)
    assert {p.name for p in written} == {
        "engagement.png", "leftover.png", "levels.png", "load.png", "next_cutter.png",
        "times.png", "view.png",
    }  # fmt: skip
    for path in written:
        pixels = np.asarray(Image.open(path).convert("RGB"))
        assert min(pixels.shape[:2]) > 150
        assert len(np.unique(pixels.reshape(-1, 3), axis=0)) > 20, path.name
        assert (pixels < 250).any(axis=2).mean() > 0.02, path.name


def test_colour_limit_is_round_and_covers_the_map():
    rng = np.random.default_rng(1)
    for top in (0.07, 0.3, 1.4, 23.0):
        field = rng.random((50, 50)) * top
        limit = pictures.colour_limit(field)
        assert np.percentile(field, 99.5) <= limit * 1.001 <= 2.2 * top
    assert pictures.colour_limit(np.full((4, 4), np.nan)) == 1.0


def test_vertex_colours_follow_the_ramp():
    colours = pictures.vertex_colours([0.0, 1.0, 2.0, 9.0], 2.0)
    assert colours.shape == (4, 3)
    assert (np.diff(colours.astype(int).sum(axis=1)) <= 0).all()
    np.testing.assert_array_equal(colours[2], colours[3])


def test_levels_of_one_place_are_one_entry():
    from zrough.leftplaces import by_place

    def entry(z, x, area=9.0, kind="channel"):
        return {"kind": kind, "z": z, "x": x, "y": 0.0, "width": 12.5, "area": area, "reason": "narrow",
                "box": (x - 4.0, -3.0, x + 4.0, 3.0)}  # fmt: skip

    slot = [entry(-5.0, 0.0), entry(-6.0, 0.3, 11.0), entry(-7.0, -0.2), entry(-7.0, -0.1)]
    others = [entry(-6.0, 5.0), entry(-5.0, 0.0, kind="area"), {"kind": "channel", "z": -5.0, "area": 1.0}]
    found = by_place([*slot, *others])
    assert len(found) == 4
    assert (found[0]["z"], found[0]["z_top"], found[0]["levels"], found[0]["area"]) == (-7.0, -5.0, 3, 11.0)
    assert sorted(p["levels"] for p in found) == [1, 1, 1, 3]
