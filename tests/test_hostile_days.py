"""Full disks, folders nobody may write to, kill -9 in the middle, inputs too large for the memory."""

import io
import os
import resource
import signal
import subprocess
import sys
import zipfile
from pathlib import Path

import batch_works
import numpy as np
import pytest

import zrough
from zrough import (
    BatchError,
    CuttingDataError,
    Job,
    JobError,
    OutputError,
    PartError,
    PlanError,
    StockError,
    part,
    run_batch,
    stock,
)
from zrough.batch import find_jobs
from zrough.warm import sample_job

ROOT = Path(zrough.__file__).parents[1]
WORK = batch_works.scripted


@pytest.fixture
def jobs(job_dict):
    """Two small jobs."""
    base = Job.from_dict(job_dict)
    return [(f"job{i}", base.replace(cutter={"name": ""}, roughing={"level_depth": 5.0 + i})) for i in (0, 1)]


def python(script, *args, **how):
    """Run a script in a process of its own, this package and the tests in reach."""
    paths = os.pathsep.join([str(ROOT), str(Path(__file__).parent)])
    return subprocess.run(
        [sys.executable, "-c", script, *map(str, args)], env={**os.environ, "PYTHONPATH": paths},
        capture_output=True, text=True, timeout=120, **how,
    )  # fmt: skip


def no_room(size):
    """Let this process write files of at most so many bytes; the system refuses more."""
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))


# ---------------------------------------------------------------------- no room on the disk


def test_a_file_that_does_not_fit_leaves_the_old_one(tmp_path):
    (tmp_path / "program.nc").write_text("old")
    script = (
        "import sys\nfrom zrough.io import OutputError, write_atomic\n"
        "try:\n    write_atomic(sys.argv[1], 'G1 X1\\n' * 100_000)\n"
        "except OutputError as exc:\n    print(exc)\n"
    )
    done = python(script, tmp_path / "program.nc", preexec_fn=lambda: no_room(50_000))
    assert "program.nc: cannot be written: File too large; free space" in done.stdout, done.stderr
    assert (tmp_path / "program.nc").read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["program.nc"]


def test_a_worker_without_room_ends_in_a_record(jobs, tmp_path):
    """The worker's files do not fit, the records of the batch still do."""
    script = (
        "import sys, resource, signal, batch_works\nfrom zrough import Job, run_batch\n"
        "base = Job.from_dict(eval(sys.argv[1]))\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (4000, 4000))\n"
        "jobs = [('fits', base), ('grows', base.replace(cutter={'name': 'grow 9000'}))]\n"
        "for r in run_batch(jobs, sys.argv[2], workers=1, work=batch_works.scripted):\n"
        "    print(r.status, r.message, sep='|')\n"
    )
    raw = jobs[0][1].model_dump(mode="json", by_alias=True, exclude_unset=True)
    done = python(script, repr(raw), tmp_path / "out")
    lines = done.stdout.splitlines()
    assert lines[0] == "done|", done.stderr
    assert lines[1].startswith("refused|")
    assert "cannot be written: File too large; free space" in lines[1]
    assert not (tmp_path / "out" / "grows").exists()
    assert not [p for p in (tmp_path / "out").iterdir() if ".tmp" in p.name]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_records_that_find_the_disk_full(jobs, tmp_path):
    (tmp_path / "records.jsonl").symlink_to("/dev/full")
    with pytest.raises(OutputError, match=r"records.jsonl: cannot be written: No space left on device; free"):
        run_batch(jobs, tmp_path, workers=1, work=WORK)


# ---------------------------------------------------------------------- nobody may write


def test_names_in_the_way(jobs, tmp_path):
    """What even the superuser cannot write to."""
    (tmp_path / "job0").write_text("a file where the results shall go")
    records = run_batch(jobs, tmp_path, workers=1, work=WORK)
    assert [r.status for r in records] == ["done", "done"]  # replaced by the job's folder
    (tmp_path / "second").mkdir()
    (tmp_path / "second" / "records.jsonl").mkdir()
    with pytest.raises(OutputError, match=r"records.jsonl: cannot be written"):
        run_batch(jobs, tmp_path / "second", workers=1, work=WORK)
    (tmp_path / "third" / ".batch.lock").mkdir(parents=True)
    with pytest.raises(OutputError, match=r".batch.lock: cannot be written"):
        run_batch(jobs, tmp_path / "third", workers=1, work=WORK)


@pytest.mark.skipif(not hasattr(os, "setuid"), reason="no users to change to")
def test_a_read_only_output_folder(tmp_path):
    """As a user without rights: one line, and nothing new in the folder."""
    folder = tmp_path / "mine"
    folder.mkdir()
    folder.chmod(0o555)
    script = (
        "import sys, os, pathlib\n"
        "from zrough import OutputError\nfrom zrough.io import make_folder, write_atomic\n"
        "from zrough.batch import run_batch\nfrom zrough.batchwork import Task, execute\n"
        "from zrough.warm import sample_job\nimport batch_works\n"
        "if os.getuid() == 0: os.setuid(65534)\n"
        "here = pathlib.Path(sys.argv[1])\n"
        "job = sample_job().replace(cutter={'name': ''})\n"
        "task = Task('a', job, batch_works.scripted, str(here / 'a'))\n"
        "def refused(call, *args, **named):\n"
        "    try:\n        print(call(*args, **named).message)\n"
        "    except OutputError as exc:\n        print(exc)\n"
        "refused(write_atomic, here / 'a.nc', 'G0')\n"
        "refused(make_folder, here / 'b')\n"
        "refused(execute, task)\n"
        "refused(run_batch, [('a', job)], here, work=batch_works.scripted)\n"
    )
    for above in tmp_path.parents:  # others may pass through, as far as these folders are ours
        if above.owner() == tmp_path.owner() and above != Path("/"):
            above.chmod(above.stat().st_mode | 0o011)
    done = python(script, folder)
    lines = done.stdout.splitlines()
    assert len(lines) == 4, done.stderr
    for line in lines:
        assert "Permission denied" in line
        assert line.rpartition(";")[2].endswith(("choose another folder", "choose another one"))
    assert list(folder.iterdir()) == []


# ---------------------------------------------------------------------- killed in the middle


@pytest.mark.parametrize("where", ["fsync", "replace"])
def test_killed_while_writing(tmp_path, where):
    """Before its last step a file has no final name; what stays is hidden."""
    (tmp_path / "program.nc").write_text("old")
    script = (
        "import os, sys\nfrom zrough.io import write_atomic\n"
        f"os.{where} = lambda *args: os.kill(os.getpid(), 9)\n"
        "write_atomic(sys.argv[1], 'new' * 1000)\n"
    )
    assert python(script, tmp_path / "program.nc").returncode == -signal.SIGKILL
    assert (tmp_path / "program.nc").read_text() == "old"
    (left,) = [p.name for p in tmp_path.iterdir() if p.name != "program.nc"]
    assert left.startswith(".program.nc.")
    assert left.endswith(".tmp")


def test_killed_between_two_names(jobs, tmp_path):
    """A worker that dies after the old folder was moved away: the next run does the job again."""
    run_batch(jobs[:1], tmp_path, workers=1, work=WORK)
    (tmp_path / "job0").rename(tmp_path / ".job0.abcd1234.tmp.old")
    (tmp_path / ".job0.abcd1234.tmp").mkdir()
    (record,) = run_batch(jobs[:1], tmp_path, workers=1, work=WORK)
    assert (record.status, record.skipped) == ("done", False)
    assert sorted(p.name for p in tmp_path.iterdir() if ".tmp" in p.name) == []


# ---------------------------------------------------------------------- too large


def test_triangles_are_counted_before_they_are_read(tmp_path):
    """A binary STL file that announces its triangles truly, most of it a hole on the disk."""
    count = part.MAX_TRIANGLES + 1
    with open(tmp_path / "a.stl", "wb") as stream:
        stream.write(bytes(80) + count.to_bytes(4, "little"))
        stream.truncate(84 + 50 * count)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(PartError, match="5000001 triangles, limit 5000000; export with a coarser tolerance"):
        part.load_file(tmp_path / "a.stl")
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 50_000  # KB
    with open(tmp_path / "b.obj", "wb") as stream:
        stream.truncate(part.MAX_FILE_BYTES + 1)
    with pytest.raises(PartError, match="400 MB, limit 400 MB"):
        part.load_file(tmp_path / "b.obj")


def test_archives_are_judged_by_what_they_unpack_to(tmp_path, monkeypatch):
    with zipfile.ZipFile(tmp_path / "a.3mf", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("3D/3dmodel.model", b" " * 3_000_000)
    assert (tmp_path / "a.3mf").stat().st_size < 10_000
    monkeypatch.setattr(part, "MAX_FILE_BYTES", 2_000_000)
    with pytest.raises(PartError, match=r"a.3mf: unpacks to 3 MB, limit 2 MB; export with a coarser"):
        part.load_file(tmp_path / "a.3mf")
    heights = io.BytesIO()
    np.savez_compressed(heights, head=np.zeros(2, np.uint8), heights=np.zeros((1000, 2000)))
    (tmp_path / "a.npz").write_bytes(heights.getvalue())
    monkeypatch.setattr(stock, "MAX_NODES", 1_000_000)
    with pytest.raises(StockError, match=r"a.npz: unpacks to 16 MB, limit 9 MB; plan the earlier cutter"):
        stock.load_leftover(tmp_path / "a.npz")


def test_cells_are_counted_before_they_are_made(job_dict):
    fine = sample_job().replace(roughing={"cell": 0.001})
    with pytest.raises(PlanError, match=r"passes roughing.max_cells = 25000000; enlarge roughing.cell"):
        zrough.plan(fine)


def test_text_files_have_a_limit(tmp_path, job_dict):
    for name, most in (("start.txt", 1_000_000), ("table.toml", 16_000_000), ("jobs.txt", 16_000_000)):
        with open(tmp_path / name, "wb") as stream:
            stream.truncate(most + 600_000)
    with pytest.raises(BatchError, match="17 MB; a list of job files has at most 16 MB; split it"):
        find_jobs([tmp_path / "jobs.txt"])
    job = sample_job().replace(output={"start_block": "start.txt"}).based_in(tmp_path)
    from zrough.cutting import materials
    from zrough.post import _sections

    with pytest.raises(JobError, match=r"start.txt has 1.6 MB, at most 1 MB; shorten it"):
        _sections(job.file("start.txt", "output.start_block"), "output.start_block")
    with pytest.raises(CuttingDataError, match="17 MB, at most 16 MB"):
        materials.read_toml(tmp_path / "table.toml")
    (tmp_path / "deep.toml").write_text("a = " + "[" * 3000 + "]" * 3000)
    with pytest.raises(CuttingDataError, match="nested too deep"):
        materials.read_toml(tmp_path / "deep.toml")
