"""The command line in its own process: exit status, one line on stderr, nothing half done."""

import json
import os
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest

import zrough
from zrough import cachedir, cli

JOB = """
units = "mm"
part.file = "part.stl"
material.name = "tool steel, pre-hardened"
machine = { max_spindle_rpm = 15000, max_feed = 12000 }
[cutter]
diameter = 12.0
corner_radius = 1.0
flutes = 4
flute_length = 26.0
overhang = 45.0
"""


@pytest.fixture
def job_file(tmp_path):
    (tmp_path / "part.stl").write_text("solid x\nendsolid x\n")
    path = tmp_path / "job.toml"
    path.write_text(JOB)
    return path


def run(capfd, *args):
    """The command line in this process: ``(exit status, stdout, stderr lines)``."""
    status = cli.main([str(a) for a in args])
    out, err = capfd.readouterr()
    return status, out, err.splitlines()


def test_help_names_every_command(capfd):
    status, out, err = run(capfd, "--help")
    assert (status, err) == (0, [])
    for name in ("plan", "check", "inspect", "cutting-data", "batch", "schema"):
        assert f" {name} " in out


def test_version(capfd):
    assert run(capfd, "--version")[1].startswith("zrough ")


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (["plan"], "Missing argument"),
        (["plan", "x.toml"], "Missing option '--out'"),
        (["paln"], "No such command 'paln'"),
        (["plan", "gone.toml", "--out", "o"], "gone.toml: no such file"),
        (["plan", "gone\n\x1b[31m.toml", "--out", "o"], "no such file"),
        (["check", "gone.nc", "job.toml"], "gone.nc: no such file"),
        (["check", ".", "job.toml"], ".: is not a plain file"),
        (["cutting-data", "gone.toml"], "no such file"),
        (["batch", "gone", "--out", "o"], "no such folder"),
        (["batch", "job.toml", "--out", "o", "--workers", "0"], "'--workers'"),
        (["batch", "job.toml", "--out", "o", "--scheduler", "nonsense://x"], "no scheduler answers"),
        (["schema", "jbo"], "'jbo' is not one of"),
    ],
)
def test_bad_usage_is_one_line_and_status_2(capfd, monkeypatch, job_file, args, said):
    monkeypatch.chdir(job_file.parent)
    status, out, err = run(capfd, *args)
    assert (status, out) == (2, "")
    assert len(err) == 1
    assert err[0].startswith("zrough: ")
    assert err[0].isprintable()
    assert said in err[0]
    assert not (job_file.parent / "o").exists()


def test_bad_value_names_its_key(capfd, job_file, tmp_path):
    job_file.write_text(JOB.replace("12.0", "-1.0").replace("flutes = 4", "flutes = 0"))
    status, _, err = run(capfd, "plan", job_file, "--out", tmp_path / "o")
    assert (status, len(err)) == (2, 1)
    assert "job.toml: cutter.diameter = -1.0: must be at least 0.1" in err[0]
    # -v lists the other findings too.
    assert len(run(capfd, "plan", job_file, "--out", tmp_path / "o", "-v")[2]) == 2


def test_out_is_a_file(capfd, job_file, tmp_path):
    (tmp_path / "o").write_text("")
    status, _, err = run(capfd, "plan", job_file, "--out", tmp_path / "o")
    assert status == 2
    assert "folder cannot be made" in err[0]


def test_schema_is_json(capfd):
    for args in ([], ["job"]):
        status, out, _ = run(capfd, "schema", *args)
        assert status == 0
        assert json.loads(out)["title"] == "zrough job"


def test_a_bug_is_one_line_and_v_tells_where(capfd, monkeypatch, job_file):
    def broken(*args):
        raise RuntimeError("not\nforeseen")

    monkeypatch.setattr(cli, "_read", broken)
    status, _, err = run(capfd, "cutting-data", job_file)
    assert status == 3
    assert err == ["zrough: internal error: RuntimeError: not foreseen; run it again with -v to see where"]
    status, _, err = run(capfd, "cutting-data", job_file, "-v")
    assert status == 3
    assert any("Traceback" in line for line in err)


@pytest.mark.parametrize(
    ("error", "status", "said"),
    [
        (KeyboardInterrupt(), 130, "stopped"),
        (MemoryError(), 2, "out of memory"),
        (PermissionError(13, "Permission denied", "/x"), 2, "/x: Permission denied"),
    ],
)
def test_other_ends(capfd, monkeypatch, job_file, error, status, said):
    def broken(*args):
        raise error

    monkeypatch.setattr(cli, "_read", broken)
    code, _, err = run(capfd, "cutting-data", job_file)
    assert code == status
    assert said in err[-1]


def test_help_in_its_own_process_loads_nothing_heavy(tmp_path, zrough_command):
    script = (
        "import sys, zrough.cli\n"
        "heavy = {'numba', 'scipy', 'trimesh', 'plotly', 'matplotlib', 'skimage', 'distributed'}\n"
        "assert zrough.cli.main(['--help']) == 0\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"
    assert zrough_command("--help", cwd=tmp_path)[0] == 0


def test_batch_of_bad_jobs(capfd, job_file, tmp_path):
    job_file.write_text(JOB.replace("12.0", "-1.0"))
    (tmp_path / "empty.toml").write_text("")
    status, out, err = run(capfd, "batch", tmp_path, "--out", tmp_path / "o", "--workers", "1")
    assert status == 1
    assert "2 jobs: 2 refused" in out
    assert len(err) == 2
    assert err[0].startswith("empty: refused, ")
    records = [json.loads(line) for line in (tmp_path / "o" / "records.jsonl").read_text().splitlines()]
    assert [r["name"] for r in records] == ["empty", "job"]
    status, out, err = run(capfd, "batch", tmp_path, "--out", tmp_path / "o", "--workers", "1", "-q")
    assert (status, out, err) == (1, "", [])


# ---------------------------------------------------------------------- where compiled kernels are kept


def test_cache_stays_where_numba_puts_it_if_it_can(tmp_path, monkeypatch):
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    cachedir.ensure(tmp_path)
    assert "NUMBA_CACHE_DIR" not in os.environ
    monkeypatch.setenv("NUMBA_CACHE_DIR", "/somewhere")
    cachedir.ensure(tmp_path)
    assert os.environ["NUMBA_CACHE_DIR"] == "/somewhere"


def test_cache_goes_to_a_private_folder_otherwise(tmp_path, monkeypatch):
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    monkeypatch.setattr(cachedir, "_writable", lambda folder: False)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    cachedir.ensure(tmp_path)
    first = os.environ["NUMBA_CACHE_DIR"]
    assert os.path.dirname(first) == str(tmp_path)
    assert stat.S_IMODE(os.stat(first).st_mode) == 0o700
    monkeypatch.delenv("NUMBA_CACHE_DIR")
    cachedir.ensure(tmp_path)
    assert os.environ["NUMBA_CACHE_DIR"] == first  # the next process finds its kernels there
    # A folder that others may write to could hold their code: not used.
    os.chmod(first, 0o777)
    monkeypatch.delenv("NUMBA_CACHE_DIR")
    cachedir.ensure(tmp_path)
    assert os.environ["NUMBA_CACHE_DIR"] != first


def test_kernels_load_where_neither_package_nor_home_can_be_written(tmp_path):
    """A service account without a home, the package read-only: numba alone refuses to load kernels."""
    copy = tmp_path / "site" / "zrough"
    shutil.copytree(Path(zrough.__file__).parent, copy, ignore=shutil.ignore_patterns("__pycache__"))
    (copy / "kernels" / "__pycache__").write_text("a file in the way stops even the superuser")
    scratch = tmp_path / "tmp"
    scratch.mkdir()
    environment = {
        "PATH": os.environ["PATH"],
        "PYTHONPATH": str(copy.parent),
        "TMPDIR": str(scratch),
        "HOME": os.devnull,
    }
    script = (
        "import zrough, os, zrough.kernels.contact as c; print(os.environ['NUMBA_CACHE_DIR'], c.__file__)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], env=environment, cwd=scratch, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    where, source = done.stdout.split()
    assert where.startswith(str(scratch))
    assert source.startswith(str(copy))
    # The control: without our help this is where it ends.
    (copy / "cachedir.py").write_text("def ensure(package): pass\n")
    done = subprocess.run(
        [sys.executable, "-c", script], env=environment, cwd=scratch, capture_output=True, text=True
    )
    assert "no locator available" in done.stderr
