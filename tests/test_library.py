"""The package as a part of something larger: names, cancel, threads, silence, same bytes."""

import importlib
import json
import logging
import os
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

import zrough
from zrough import Cancelled, CheckError, Job, NcError, run_batch
from zrough.batch import plan_without_report
from zrough.warm import sample_job

pytestmark = pytest.mark.compiled


@pytest.fixture(scope="module")
def planned():
    """The sample job's plan, made once."""
    return zrough.plan(sample_job())


# ---------------------------------------------------------------------- names


def test_every_public_name_is_there():
    assert sorted(dir(zrough)) == sorted(zrough.__all__)
    for name in zrough.__all__:
        assert getattr(zrough, name) is not None
    with pytest.raises(AttributeError, match="no attribute 'paln'"):
        zrough.paln  # noqa: B018


def test_functions_stay_functions_when_their_modules_are_imported():
    for name in ("plan", "check"):
        module = importlib.import_module(f"zrough.{name}")
        assert getattr(zrough, name) is getattr(module, name)
    script = (
        "import zrough.plan, zrough.check, zrough; assert callable(zrough.plan) and callable(zrough.check)"
    )
    subprocess.run([sys.executable, "-c", script], check=True, cwd=os.path.dirname(zrough.__path__[0]))


def test_import_loads_nothing_heavy():
    script = (
        "import sys; before = set(sys.modules); import zrough\n"
        "heavy = {'numpy', 'numba', 'scipy', 'pydantic', 'trimesh', 'plotly'}\n"
        "print(sorted(heavy & (set(sys.modules) - before)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True,
        cwd=os.path.dirname(zrough.__path__[0]),
    )  # fmt: skip
    assert done.stdout.strip() == "[]"


# ---------------------------------------------------------------------- plan and check


def test_plan_is_silent_and_tells_its_stages(capfd, caplog):
    stages = []

    def progress(stage, done, total):
        assert 0 <= done <= max(total, done)
        stages.append(stage)

    with caplog.at_level(logging.WARNING, logger="zrough"):
        plan = zrough.plan(sample_job(), progress)
    assert capfd.readouterr() == ("", "")
    assert {"surface", "levels", "rings", "links", "replay", "leftover"} <= set(stages)
    assert plan.nc_text.endswith("%\n") or "M30" in plan.nc_text[-40:]


def test_progress_may_stop_at_every_stage(planned):
    seen = []
    zrough.plan(sample_job(), lambda stage, done, total: seen.append(stage))
    for wanted in dict.fromkeys(seen):
        with pytest.raises(Cancelled, match=wanted):
            zrough.plan(sample_job(), lambda stage, done, total, wanted=wanted: stage != wanted)
    with pytest.raises(Cancelled):
        zrough.check(planned.nc_text, sample_job(), lambda *_: False)


def test_an_error_in_the_callback_comes_out(planned):
    def broken(stage, done, total):
        raise RuntimeError(f"at {stage}")

    with pytest.raises(RuntimeError, match="at "):
        zrough.plan(sample_job(), broken)


def test_threads_plan_side_by_side(planned):
    jobs = [sample_job(), sample_job().replace(roughing={"level_depth": 3.0}), sample_job()]
    gate = threading.Barrier(len(jobs))

    def work(job):
        gate.wait()
        return zrough.plan(job)

    with ThreadPoolExecutor(len(jobs)) as pool:
        first, other, third = pool.map(work, jobs)
    assert first.nc_text == third.nc_text == planned.nc_text
    assert other.nc_text == zrough.plan(jobs[1]).nc_text
    assert first.check.to_dict() == planned.check.to_dict()


def test_same_bytes_for_any_number_of_threads(planned, tmp_path):
    script = (
        "import sys, zrough; from zrough.warm import sample_job\nzrough.plan(sample_job()).write(sys.argv[1])"
    )
    for threads in ("1", "3"):
        subprocess.run(
            [sys.executable, "-c", script, str(tmp_path / threads)], check=True,
            env={**os.environ, "NUMBA_NUM_THREADS": threads}, cwd=os.path.dirname(zrough.__path__[0]),
        )  # fmt: skip
    names = sorted(p.name for p in (tmp_path / "1").iterdir())
    assert {"program.nc", "report.json", "report.html", "leftover.stl"} <= set(names)
    assert (tmp_path / "1" / "program.nc").read_text() == planned.nc_text
    for name in names:
        assert (tmp_path / "1" / name).read_bytes() == (tmp_path / "3" / name).read_bytes(), name


def test_check_alone_says_the_same(planned):
    again = zrough.check(planned.nc_text, sample_job())
    assert again.to_dict() == planned.check.to_dict()


@pytest.mark.parametrize(
    ("text", "error"),
    [
        ("", NcError),
        ("(only a comment)", NcError),
        ("G21 G0 X1\nM30", CheckError),  # Y and Z are never told
        ("G21 G90\nG0 X0 Y0 Z10\nG1 X99999999 F100\nM30", CheckError),
        ("G21 G17\nG0 X0 Y0 Z0\nG2 X0 Y0 I10000000 J0 F10\nM2", CheckError),
    ],
)
def test_programs_that_cannot_be_replayed(text, error):
    with pytest.raises(error) as caught:
        zrough.check(text, sample_job())
    assert str(caught.value).isprintable()


def test_toolpath_arrays_have_the_stated_types(planned):
    path = planned.toolpath
    types = {name: getattr(path, name).dtype.name for name in path.__dataclass_fields__}
    assert types == {
        "xyz": "float64", "kind": "uint8", "feed": "float64", "turn": "int8", "centre": "float64",
        "level": "int32", "engagement": "float32",
    }  # fmt: skip
    assert path.xyz.shape == (len(path), 3)
    assert np.isfinite(path.xyz).all()


def test_report_meets_its_schema_keys(planned):
    from zrough import report

    schema = report.json_schema()
    told = json.loads(json.dumps(planned.report, allow_nan=False))
    assert set(schema["required"]) <= set(told)
    assert set(told) <= set(schema["properties"])


def test_warm_up_leaves_no_cold_kernels():
    from zrough.warm import cold

    assert zrough.warm_up() > 0
    assert cold() == 0


def test_an_empty_kernel_folder_counts_as_cold(tmp_path):
    told = subprocess.run(
        [sys.executable, "-c", "from zrough.warm import cold; print(cold())"],
        env=os.environ | {"NUMBA_CACHE_DIR": str(tmp_path), "NUMBA_DISABLE_JIT": "0"},
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert int(told.stdout) >= 20


# ---------------------------------------------------------------------- batch and command line, for real


@pytest.fixture
def sample_files(tmp_path):
    """The sample job as files."""
    import trimesh

    trimesh.Trimesh(*sample_job().mesh, process=False).export(tmp_path / "boss.stl")
    text = (
        'units = "mm"\npart.file = "boss.stl"\n'
        "stock = { min = [-16.0, -16.0, -8.0], max = [16.0, 16.0, 0.0] }\n"
        'material = { name = "P", hardness_hb = 200.0 }\n'
        "machine = { max_spindle_rpm = 12000, max_feed = 6000 }\n"
        "[cutter]\ndiameter = 6.0\ncorner_radius = 0.5\nflutes = 3\nflute_length = 12.0\noverhang = 20.0\n"
        "[roughing]\nlevel_depth = DEPTH\nstair_height = 1.0\n"
    )
    for depth in ("4.0", "3.0"):
        (tmp_path / f"boss{depth[0]}.toml").write_text(text.replace("DEPTH", depth))
    return sorted(tmp_path.glob("*.toml"))


def test_batch_gives_the_bytes_of_single_runs(sample_files, tmp_path, zrough_command):
    records = run_batch(sample_files, tmp_path / "batch", workers=2)
    assert {r.status for r in records} <= {"done", "check failed"}
    assert all(r.numbers["levels"] > 1 and r.peak_mb > 0 for r in records)
    for record in records:
        plan = zrough.plan(Job.from_toml(tmp_path / f"{record.name}.toml"))
        plan.write(tmp_path / "single" / record.name)
        assert len(record.files) >= 4
        for name in record.files:
            one = (tmp_path / "single" / record.name / name).read_bytes()
            assert one == (tmp_path / "batch" / record.name / name).read_bytes(), name


def test_plan_command_from_file_to_files(sample_files, tmp_path, zrough_command):
    status, out, err = zrough_command("plan", sample_files[0], "--out", tmp_path / "o")
    assert status in (0, 1)
    assert ("check: passed" in out) == (status == 0)
    assert all(line.startswith("zrough: ") for line in err.splitlines())
    assert status == 0 or "zrough: check failed: " in err
    names = {p.name for p in (tmp_path / "o").iterdir()}
    assert {"program.nc", "report.json", "report.html", "leftover.stl"} <= names
    assert not [n for n in names if n.startswith(".")]
    told = json.loads((tmp_path / "o" / "report.json").read_text())
    assert (told["verdict"] == "passed") == (status == 0)
    again, out, _ = zrough_command("check", tmp_path / "o" / "program.nc", sample_files[0], "--json", "-q")
    assert again == status
    assert json.loads(out)["ok"] == (status == 0)
    quiet = zrough_command("plan", sample_files[0], "--out", tmp_path / "q", "--quiet", "--no-report")
    assert quiet[1] == ""
    assert (tmp_path / "q" / "program.nc").read_bytes() == (tmp_path / "o" / "program.nc").read_bytes()
    assert not (tmp_path / "q" / "report.html").exists()


def test_other_commands_from_files(sample_files, zrough_command):
    status, out, err = zrough_command("inspect", sample_files[0].parent / "boss.stl")
    assert (status, err) == (0, "")
    assert "32" in out
    status, out, err = zrough_command("cutting-data", sample_files[0])
    assert status == 0
    assert "spindle" in out
    status, out, _ = zrough_command("schema", "report")
    assert status == 0
    assert json.loads(out)["properties"]


BROKEN = [
    ("empty part", "part.stl", b"", "boss.stl"),
    ("part is text", "part.stl", b"this is no mesh\n" * 20, "boss.stl"),
    ("unknown material", "job", ('name = "P"', 'name = "unobtainium"'), "unobtainium"),
    ("part outside stock", "job", ("max = [16.0, 16.0, 0.0]", "max = [12.0, 12.0, 0.0]"), "stock"),
    ("step file that is none", "step", b"ISO-10303-21;\nnonsense", "part.step"),
]


@pytest.mark.parametrize(("what", "where", "change", "said"), BROKEN, ids=[b[0] for b in BROKEN])
def test_bad_jobs_end_in_one_line(sample_files, tmp_path, capfd, what, where, change, said):
    from zrough import cli

    job = sample_files[0]
    if where == "job":
        job.write_text(job.read_text().replace(*change))
    elif where == "step":
        (tmp_path / "part.step").write_bytes(change)
        job.write_text(job.read_text().replace("boss.stl", "part.step"))
    else:
        (tmp_path / "boss.stl").write_bytes(change)
    status = cli.main(["plan", str(job), "--out", str(tmp_path / "o")])
    out, err = capfd.readouterr()
    assert (status, out) == (2, "")
    assert len(err.splitlines()) == 1, err
    assert said in err
    assert list((tmp_path / "o").iterdir()) == []


@pytest.mark.slow
def test_forty_jobs_eight_of_them_bad(tmp_path, sample_files):
    """32 good results, 8 clear records, and a second run that skips all 32."""
    folder = tmp_path / "jobs"
    folder.mkdir()
    text = sample_files[0].read_text().replace("stair_height = 1.0", "stair_height = 0.0")
    (folder / "boss.stl").write_bytes((tmp_path / "boss.stl").read_bytes())
    (folder / "broken.stl").write_bytes((tmp_path / "boss.stl").read_bytes()[:100])
    bad = [
        lambda t: t.replace("boss.stl", "gone.stl"),
        lambda t: t.replace("boss.stl", "broken.stl"),
        lambda t: t.replace("boss.stl", "../boss.stl"),
        lambda t: t.replace("diameter = 6.0", "diameter = -6.0"),
        lambda t: t.replace("level_depth", "level_dpeth"),
        lambda t: t.replace('"P"', '"unobtainium"'),
        lambda t: t[:40],
        lambda t: "",
    ]
    for i in range(40):
        changed = text.replace("level_depth = 3.0", f"level_depth = {6 + i / 100}")
        if i % 5 == 0:
            changed = bad[i // 5](changed)
        (folder / f"job{i:02d}.toml").write_text(changed)
    files = sorted(folder.glob("*.toml"))
    records = run_batch(files, tmp_path / "out", work=plan_without_report)
    finished = [r for r in records if r.status in ("done", "check failed")]
    refused = [r for r in records if r.status == "refused"]
    assert (len(finished), len(refused)) == (32, 8)
    assert all(r.message and r.message.isprintable() for r in refused)
    assert [r.name for r in refused] == [f"job{i:02d}" for i in range(0, 40, 5)]
    again = run_batch(files, tmp_path / "out", work=plan_without_report)
    assert [r.skipped for r in again] == [i % 5 != 0 for i in range(40)]
