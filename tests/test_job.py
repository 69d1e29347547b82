"""Job files: what is read, what is refused, and how the refusal reads."""

import copy
import json
import pickle
import tomllib
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from zrough import Grid, Job, JobError

TOML = """
units = "mm"
[part]
file = "part.stl"
[stock]
min = [-80.0, -60.0, -55.0]
max = [80.0, 60.0, 0.0]
[cutter]
diameter = 12.0
corner_radius = 1.0
flutes = 4
flute_length = 26.0
overhang = 45.0
[material]
name = "tool steel, pre-hardened"
[machine]
max_spindle_rpm = 15000
max_feed = 12000
[roughing]
level_depth = 12.0
stair_height = 1.2
wall_allowance = 0.3
floor_allowance = 0.2
engagement_deg = 50.0
floor_z = -37.0
"""


@pytest.fixture
def job_file(tmp_path):
    (tmp_path / "part.stl").write_bytes(b"any bytes")
    path = tmp_path / "job.toml"
    path.write_text(TOML)
    return path


def changed(job_dict, path, value):
    """A copy of the dict with one key set, or removed for a value of ``...``."""
    data = copy.deepcopy(job_dict)
    *tables, key = path.split(".")
    table = data
    for name in tables:
        table = table.setdefault(name, {})
    if value is ...:
        table.pop(key)
    else:
        table[key] = value
    return data


def refused(data):
    with pytest.raises(JobError) as caught:
        Job.from_dict(data)
    text = str(caught.value)
    assert "\n" not in text
    return text


def test_a_file_gives_its_values(job_file):
    job = Job.from_toml(job_file)
    assert job.units == "mm"
    assert job.stock.min == (-80, -60, -55)
    assert (job.cutter.diameter, job.cutter.flutes, job.cutter.shank_diameter) == (12, 4, 12)
    assert job.roughing.floor_z == -37
    assert job.base_dir == job_file.parent
    assert job.source == "job.toml"
    assert job.file(job.part.file, "part.file") == job_file.parent / "part.stl"


def test_defaults_that_depend_on_other_keys(job_dict):
    del job_dict["roughing"]
    job = Job.from_dict(job_dict)
    assert job.roughing.stair_height == pytest.approx(1.2)  # a tenth of the diameter
    assert job.output.decimals == 4
    assert job.stock.kind == "block"
    cutter = {"diameter": 0.5, "flutes": 3, "flute_length": 1.0, "overhang": 1.5}
    assert Job.from_dict({**job_dict, "units": "inch", "cutter": cutter}).output.decimals == 5


def test_zero_stairs_stay_zero(job_dict):
    assert Job.from_dict(changed(job_dict, "roughing.stair_height", 0)).roughing.stair_height == 0.0


def test_inch_files_become_mm(job_dict):
    # 1 inch = 25.4 mm exactly (ISO 31-1); accelerations have a length in them too.
    job_dict |= {
        "units": "inch",
        "stock": {"min": [-3, -2, -1.5], "max": [3, 2, 0]},
        "cutter": {"diameter": 0.5, "flutes": 4, "flute_length": 1.25, "overhang": 2, "helix_deg": 30},
        "machine": {"max_spindle_rpm": 12000, "max_feed": 400, "acceleration": 100.0, "power_kw": 15.0},
        "roughing": {"level_depth": 0.5, "engagement_deg": 50.0},
        "regions": {"inside": [[[0, 0], [1, 0], [1, 1]]]},
        "keepout": [{"min": [1, 1, 0], "max": [2, 2, 1]}],
    }
    job = Job.from_dict(job_dict)
    assert job.stock.min == (-76.2, -50.8, -38.1)
    assert job.cutter.diameter == 12.7
    assert job.cutter.helix_deg == 30
    assert job.machine.max_feed == 10160
    assert (job.machine.acceleration, job.machine.power_kw) == (2540, 15)
    assert job.machine.rapid == 20000  # a default is mm whatever the file says
    assert job.roughing.wall_allowance == 0.3
    assert job.roughing.stair_height == pytest.approx(1.27)
    assert job.regions.inside == (((0, 0), (25.4, 0), (25.4, 25.4)),)
    assert job.keepouts[0].max == (50.8, 50.8, 25.4)


def test_several_cutters_number_themselves(job_dict):
    cutter = job_dict["cutter"]
    job_dict["cutter"] = [cutter, {**cutter, "diameter": 6.0, "flute_length": 13.0}]
    job = Job.from_dict(job_dict)
    assert [c.number for c in job.cutters] == [1, 2]
    assert job.cutter.diameter == 12
    job_dict["cutter"] = [cutter, {**cutter, "number": 1}]
    assert "same number" in refused(job_dict)


# One line each: key path, value, limit, remedy. The texts are ours; the limits are geometry and sense.
BAD = [
    ("cutter.diameter", -12.0, "cutter.diameter = -12.0: must be at least 0.1"),
    ("cutter.diameter", "12", 'cutter.diameter = "12": must be a number without quotes'),
    ("cutter.diameter", True, "cutter.diameter = true: must be a number"),
    ("cutter.diameter", float("nan"), "cutter.diameter = nan: must be a finite number"),
    ("cutter.diameter", ..., "cutter.diameter: missing, add it"),
    ("cutter.diamter", 12.0, "cutter.diamter: unknown key; did you mean diameter?"),
    ("cutter.stair_height", 1.0, "cutter.stair_height: unknown key here; it belongs in [roughing]"),
    ("cutter.zzz", 1.0, "cutter.zzz: unknown key; known here: name, number, diameter"),
    ("cutter.corner_radius", 6.5, "cutter.corner_radius: 6.5 mm is above diameter/2 = 6 mm"),
    ("cutter.flute_length", 50.0, "cutter.flute_length: 50 mm is above overhang = 45 mm"),
    ("cutter.flutes", 3.5, "cutter.flutes = 3.5: must be a whole number"),
    ("cutter.flutes", 0, "cutter.flutes = 0: must be at least 1"),
    ("cutter.neck_diameter", 11.0, "cutter.neck_length: missing"),
    ("cutter.uncut_diameter", 12.0, "cutter.uncut_diameter: 12 mm is not below diameter"),
    ("cutter", 5, "cutter = 5: must be a list"),
    ("cutter", [], "cutter = []: needs at least 1 entry"),
    ("stock.min", [1.0, 2.0], "stock.min[2]: missing"),
    ("stock.min", [0.0, 0.0, 1.0], "stock.min: z = 1 mm is not below max's z = 0 mm"),
    ("stock.max", [80.0, 60.0, float("inf")], "stock.max[2] = inf: must be a finite number"),
    ("stock.max", [80.0, 60.0, 1e7], "stock.max[2] = 10000000.0: must be at most 100000"),
    ("stock.kind", "cylinder", "stock.min: is for kind = \"block\", but kind is \"cylinder\""),
    ("stock.file", "x.stl", "stock.file: is for kind"),
    ("roughing.radial_width", 2.0, "roughing.radial_width: given together with engagement_deg"),
    ("roughing.engagement_deg", 200.0, "roughing.engagement_deg = 200.0: must be at most 180"),
    ("roughing.level_depth", 0.0, "roughing.level_depth = 0.0: must be above 0"),
    ("roughing.stair_height", -1.0, "roughing.stair_height = -1.0: must be at least 0"),
    ("roughing.direction", "climbing", 'did you mean "climb"?'),
    ("machine.max_feed", ..., "machine.max_feed: missing"),
    ("machine.min_spindle_rpm", 20000, "machine.min_spindle_rpm: 20000 is above max_spindle_rpm = 15000"),
    ("machine.travel_min", [0.0, 0.0, 0.0], None),  # half of a pair is no mistake
    ("machine", ..., "machine: missing"),
    ("material.name", "", "material.name = \"\": must not be empty"),
    ("material.name", "a\nb", "must not hold control characters"),
    ("material", "steel", 'material = "steel": must be a table'),
    ("units", "cm", 'units = "cm": must be "mm" or "inch"'),
    ("cuter", {}, "cuter: unknown key; did you mean cutter?"),
    ("part.file", "other.toml", "is a job file"),
    ("part.file", "a\x00b", "must not hold control characters"),
    ("regions.inside", [[[0.0, 0.0], [1.0, 1.0]]], "regions.inside[0] = [[0.0, 0.0], [1.0, 1.0]]: needs"),
    ("output.work_offset", "G99", "output.work_offset = \"G99\": must be G54 to G59"),
    ("keepout", [{"min": [0.0, 0.0, 0.0]}], "keepout[0].max: missing"),
    ("entry.pre_drilled", [{"x": 0.0, "y": 0.0, "diameter": 8.0}], "entry.pre_drilled[0].bottom: missing"),
]  # fmt: skip


@pytest.mark.parametrize(("path", "value", "expected"), BAD)
def test_refusals_name_key_value_and_remedy(job_dict, path, value, expected):
    data = changed(job_dict, path, value)
    if expected is None:
        Job.from_dict(data)
    else:
        assert expected in refused(data)


def test_radial_width_is_measured_against_every_cutter(job_dict):
    data = changed(job_dict, "roughing.engagement_deg", ...)
    data["roughing"]["radial_width"] = 12.5
    assert "roughing.radial_width: 12.5 mm is above the cutter's diameter = 12 mm" in refused(data)


def test_several_findings_make_one_line_and_notes(job_dict):
    data = changed(job_dict, "cutter.diameter", -1.0)
    data["machine"]["max_feed"] = 0
    with pytest.raises(JobError) as caught:
        Job.from_dict(data)
    assert "(and 1 more: machine.max_feed = 0)" in str(caught.value)
    assert len(caught.value.__notes__) == 2


def test_a_list_of_cutters_is_numbered_in_messages(job_dict):
    job_dict["cutter"] = [job_dict["cutter"], {**job_dict["cutter"], "flutes": 0}]
    assert "cutter[1].flutes = 0" in refused(job_dict)


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"", "units: missing"),
        (b"\xff\xfe\x00junk", "not UTF-8"),
        (b"units = ", "not valid TOML"),
        (b'units = "mm"\nunits = "mm"', "not valid TOML"),
        (b"\x00" * 64, "not valid TOML"),
        (b'units = "mm"\na = ' + b"[" * 5000 + b"]" * 5000, "nested too deep"),
        (b'units = "mm"\na = ' + b"[" * 40 + b"]" * 40, "nested too deep"),
        (b'units = "mm"\na = ' + b"9" * 5000, "not valid TOML"),
        (TOML.replace('units = "mm"', "").encode(), "units: missing"),
        (TOML.replace("12.0", "inf").encode(), "must be a finite number"),
        (TOML.replace("part.stl", "gone.stl").encode(), 'part.file = "gone.stl": no such file'),
        (TOML.replace("part.stl", ".").encode(), "is not a plain file"),
    ],
)
def test_broken_files(job_file, content, expected):
    job_file.write_bytes(content)
    with pytest.raises(JobError) as caught:
        Job.from_toml(job_file)
    assert expected in str(caught.value)
    assert "job.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_byte_order_mark_is_welcome(job_file):
    job_file.write_bytes(b"\xef\xbb\xbf" + TOML.encode())
    assert Job.from_toml(job_file).cutter.diameter == 12


def test_missing_folder_and_huge_file(tmp_path, job_file, monkeypatch):
    with pytest.raises(JobError, match="no such file"):
        Job.from_toml(tmp_path / "none.toml")
    with pytest.raises(JobError, match="is not a plain file"):
        Job.from_toml(tmp_path)
    with pytest.raises(JobError, match="no such file"):
        Job.from_toml("a\x00b.toml")
    monkeypatch.setattr("zrough.job.MAX_FILE", 100)
    with pytest.raises(JobError, match="may have at most"):
        Job.from_toml(job_file)


@pytest.mark.parametrize("name", ["../part.stl", "/etc/hostname", "sub/../../part.stl", "link.stl"])
def test_paths_that_leave_the_folder(tmp_path, job_file, name):
    folder = tmp_path / "inner"
    folder.mkdir()
    (folder / "sub").mkdir()
    (folder / "link.stl").symlink_to(tmp_path / "part.stl")
    inner = folder / "job.toml"
    inner.write_text(TOML.replace("part.stl", name))
    with pytest.raises(JobError, match="outside the job's folder"):
        Job.from_toml(inner, confine=True)
    if name != "/etc/hostname":
        Job.from_toml(inner)  # on one's own desk that is fine


def test_mesh_in_memory_is_not_copied(job_dict):
    vertices = np.zeros((4, 3))
    faces = np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int64)
    job = Job.from_dict(job_dict, mesh=(vertices, faces))
    assert np.shares_memory(job.mesh[0], vertices)
    assert np.shares_memory(job.mesh[1], faces)
    with pytest.raises(ValueError, match="read-only"):
        job.mesh[0][0, 0] = 1.0
    twin = pickle.loads(pickle.dumps(job))
    assert twin == job
    assert twin.digest() == job.digest()
    assert twin.base_dir == job.base_dir


@pytest.mark.parametrize(
    ("vertices", "faces", "expected"),
    [
        (np.zeros((4, 2)), np.zeros((1, 3), int), "expected (n, 3)"),
        (np.zeros((4, 3)), np.zeros((1, 4), int), "expected (m, 3)"),
        (np.zeros((4, 3)), np.zeros((1, 3)), "expected (m, 3) integers"),
        ([["a", "b", "c"]], np.zeros((1, 3), int), "arrays of numbers"),
    ],
)
def test_meshes_of_the_wrong_shape(job_dict, vertices, faces, expected):
    with pytest.raises(JobError) as caught:
        Job.from_dict(job_dict, mesh=(vertices, faces))
    assert expected in str(caught.value)


def test_stock_map_in_memory(job_dict):
    grid = Grid(0.0, 0.0, 1.0, 3, 2)
    heights = np.ones((2, 3))
    job = Job.from_dict(job_dict).with_stock_map(grid, heights)
    assert np.shares_memory(job.stock_map[1], heights)
    assert job.digest() != Job.from_dict(job_dict).digest()
    with pytest.raises(JobError, match="not the grid's"):
        job.with_stock_map(grid, np.ones((3, 2)))


def test_digest_follows_content_not_names(job_file, tmp_path):
    first = Job.from_toml(job_file).digest()
    other = tmp_path / "elsewhere"
    other.mkdir()
    (other / "renamed.stl").write_bytes(b"any bytes")
    (other / "my job.toml").write_text("# a comment\n" + TOML.replace("part.stl", "renamed.stl"))
    assert Job.from_toml(other / "my job.toml").digest() == first
    (other / "renamed.stl").write_bytes(b"other bytes")
    assert Job.from_toml(other / "my job.toml").digest() != first
    job_file.write_text(TOML.replace("stair_height = 1.2", "stair_height = 1.1"))
    assert Job.from_toml(job_file).digest() != first
    (tmp_path / "part.stl").unlink()
    with pytest.raises(JobError, match="no such file"):
        Job.from_dict({**_tables(), "part": {"file": "part.stl"}}, base_dir=tmp_path).digest()


def _tables():
    import tomllib

    return tomllib.loads(TOML)


def test_digest_of_a_default_written_out(job_dict):
    """A key given its default value is the same job."""
    plain = Job.from_dict(job_dict).digest()
    assert Job.from_dict(changed(job_dict, "links.lift", 0.25)).digest() == plain
    assert Job.from_dict(changed(job_dict, "links.lift", 0.3)).digest() != plain


def test_replace_lays_values_over(job_dict):
    job = Job.from_dict(job_dict, mesh=(np.zeros((3, 3)), np.array([[0, 1, 2]])))
    other = job.replace(roughing={"stair_height": 0.0, "engagement_deg": None, "radial_width": 2.0})
    assert (other.roughing.stair_height, other.roughing.engagement_deg) == (0.0, None)
    assert other.roughing.radial_width == 2.0
    assert other.roughing.level_depth == 12.0
    assert other.mesh is job.mesh
    assert job.roughing.stair_height == 1.2
    assert job.replace(cutter={"overhang": 60.0}).cutter.overhang == 60.0
    with pytest.raises(JobError, match="unknown key"):
        job.replace(roughing={"stairs": 1.0})


def test_replace_speaks_mm_in_inch_jobs(job_dict):
    job_dict |= {"units": "inch", "stock": {},
                 "cutter": {"diameter": 0.5, "flutes": 4, "flute_length": 1.0, "overhang": 2.0},
                 "roughing": {"level_depth": 0.5}}  # fmt: skip
    job = Job.from_dict(job_dict)
    other = job.replace(cutter={"overhang": 60.0})
    assert other.cutter.overhang == 60.0
    assert other.cutter.diameter == 12.7
    assert other.roughing.level_depth == 12.7
    assert other.units == "inch"
    assert other.replace(cutter={"overhang": 50.8}) == job


def test_numpy_values_are_welcome(job_dict):
    job_dict["cutter"]["diameter"] = np.float32(12.0)
    job_dict["cutter"]["flutes"] = np.int64(4)
    job_dict["stock"]["min"] = np.array([-80, -60, -55])
    job = Job.from_dict(job_dict)
    assert job.cutter.flutes == 4
    assert job.stock.min == (-80, -60, -55)
    with pytest.raises(JobError, match="expected a dict"):
        Job.from_dict([1, 2])


def test_holder_profile(job_dict):
    job = Job.from_dict(job_dict)
    for kind in ("shrink-fit", "hydraulic", "milling chuck", "collet", "side-lock"):
        sections = job.replace(holder={"type": kind}).holder_profile()
        assert all(length > 0 for length, _, _ in sections)
        widths = [d for _, low, high in sections for d in (low, high)]
        assert widths == sorted(widths)
        assert widths[0] > job.cutter.shank_diameter
    own = job.replace(holder={"profile": [[30.0, 27.0, 33.0]]})
    assert own.holder_profile(own.cutter) == ((30.0, 27.0, 33.0),)
    assert "holder.profile: has 0 sections" in refused(changed(job_dict, "holder.profile", []))


def test_schema_describes_every_key():
    schema = Job.json_schema()
    json.dumps(schema)
    assert schema["required"] == ["units", "cutter", "material", "machine"]
    for name, table in schema["$defs"].items():
        for key, field in table["properties"].items():
            assert field.get("description"), f"{name}.{key} says nothing"
    diameter = schema["$defs"]["Cutter"]["properties"]["diameter"]
    assert (diameter["minimum"], diameter["maximum"]) == (0.1, 500)
    assert {"$ref": "#/$defs/Cutter"} in schema["properties"]["cutter"]["anyOf"]
    assert schema["additionalProperties"] is False


def test_schema_judges_as_the_reader_does(job_dict):
    """By a general validator (JSON Schema 2020-12): the examples fit, what the reader refuses does not."""
    schema = Job.json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    judge = jsonschema.Draft202012Validator(schema)
    examples = sorted((Path(__file__).parents[1] / "examples").glob("*.toml"))
    assert len(examples) == 7
    for file in examples:
        judge.validate(tomllib.loads(file.read_text()))
    judge.validate(job_dict)
    for wrong in (
        {"roughing": {"stair_heigth": 1.0}}, {"cutter": {**job_dict["cutter"], "diameter": -6.0}},
        {"units": "cm"}, {"stock": {"kind": "sphere"}}, {"machine": {"max_feed": "fast"}},
    ):  # fmt: skip
        bad = {**job_dict, **wrong}
        with pytest.raises(JobError):
            Job.from_dict(bad)
        assert not judge.is_valid(bad), wrong


def test_jobs_are_frozen_and_hashable(job_dict):
    job = Job.from_dict(job_dict)
    with pytest.raises(ValueError, match="frozen"):
        job.units = "inch"
    assert hash(job) == hash(Job.from_dict(job_dict))
    assert job == Job.from_dict(job_dict)
    assert job != "a job"


# ---------------------------------------------------------------------- any input at all

_scalars = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8),
    st.sampled_from(["mm", "inch", "block", "climb", "part.stl", "../x", "/dev/zero", 10**400, -(10**400)]),
)  # fmt: skip
_names = st.sampled_from(
    [*Job.model_json_schema()["properties"], "diameter", "min", "max", "file", "name", "x", "inside", ""]
)
_values = st.recursive(
    _scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(_names, inner, max_size=4),
    max_leaves=12,
)


@given(st.dictionaries(_names, _values, max_size=8))
def test_any_dict_is_a_job_or_a_one_line_error(data):
    try:
        Job.from_dict(data)
    except JobError as exc:
        assert str(exc).isprintable()


@given(
    st.sampled_from(["stock", "cutter", "machine", "roughing", "entry", "links", "cover", "part", "holder"]),
    st.data(),
)
def test_any_value_in_any_field(table, data):
    keys = Job.json_schema()["$defs"]
    kind = {"part": "Part", "holder": "Holder", "entry": "Entry", "links": "Links", "cover": "Cover"}
    name = kind.get(table, table.capitalize())
    key = data.draw(st.sampled_from(sorted(keys[name]["properties"])))
    tables = _tables()
    tables["units"] = data.draw(st.sampled_from(["mm", "inch"]))
    tables.setdefault(table, {})[key] = data.draw(_values)
    try:
        job = Job.from_dict(tables)
        job.holder_profile()
        pickle.loads(pickle.dumps(job))
        assert job.replace() == job
    except JobError as exc:
        assert str(exc).isprintable()


@given(st.binary(max_size=200) | st.integers(0, len(TOML)).map(lambda n: TOML[:n].encode()))
def test_any_bytes_as_a_file(tmp_path_factory, content):
    folder = tmp_path_factory.getbasetemp() / "bytes"
    folder.mkdir(exist_ok=True)
    (folder / "part.stl").write_bytes(b"x")
    file = folder / "any.toml"
    file.write_bytes(content)
    try:
        Job.from_toml(file)
    except JobError as exc:
        assert str(exc).isprintable()
