"""A batch on a real Dask scheduler with real worker processes."""

import os
import signal
import threading
import time
from pathlib import Path

import batch_works
import pytest

from zrough import Job, run_batch
from zrough.cliview import executor

pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.filterwarnings("ignore:Sending large graph"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]


@pytest.fixture(scope="module")
def scheduler():
    """Address of a scheduler with two workers; they find the package and the test's work."""
    distributed = pytest.importorskip("distributed")
    here = Path(__file__).resolve().parent
    before = os.environ.get("PYTHONPATH")
    os.environ["PYTHONPATH"] = os.pathsep.join([str(here.parent), str(here)])
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
    ) as cluster:
        yield cluster.scheduler_address
    if before is None:
        del os.environ["PYTHONPATH"]
    else:
        os.environ["PYTHONPATH"] = before


@pytest.fixture
def make(job_dict, tmp_path):
    (tmp_path / "part.stl").write_bytes(b"the part")
    base = Job.from_dict({**job_dict, "part": {"file": "part.stl"}}, base_dir=tmp_path)

    def build(*orders):
        return [(f"job{i}", base.replace(cutter={"name": order})) for i, order in enumerate(orders)]

    return build


def test_same_bytes_as_here(make, tmp_path, scheduler):
    jobs = make("", "refuse", "", "fail", "bug", "")
    with executor(scheduler) as cluster:
        there = run_batch(jobs, tmp_path / "there", executor=cluster, work=batch_works.scripted)
    here = run_batch(jobs, tmp_path / "here", workers=1, work=batch_works.scripted)
    assert [(r.status, r.message, r.digest, r.files) for r in there] == [
        (r.status, r.message, r.digest, r.files) for r in here
    ]
    assert b"the part" in (tmp_path / "there" / "job0" / "program.nc").read_bytes()


def test_worker_killed_in_the_middle(make, tmp_path, scheduler):
    """The job on it runs again elsewhere; every job has its one good record."""
    gate = tmp_path / "gate"
    pid_file = tmp_path / "pid"

    def kill():
        deadline = time.monotonic() + 30
        while not pid_file.exists() and time.monotonic() < deadline:
            time.sleep(0.05)
        time.sleep(0.2)
        os.kill(int(pid_file.read_text()), signal.SIGKILL)
        gate.write_text("open")

    killer = threading.Thread(target=kill)
    killer.start()
    with executor(scheduler) as cluster:
        records = run_batch(
            make("", f"wait-here {gate} {pid_file}", "", ""),
            tmp_path / "out",
            executor=cluster,
            work=batch_works.scripted,
        )
    killer.join()
    assert [r.status for r in records] == ["done"] * 4
    assert gate.exists()


def test_limits_hold_there_too(make, tmp_path, scheduler):
    with executor(scheduler) as cluster:
        records = run_batch(
            make("", "hang", "die"), tmp_path, executor=cluster, timeout=5, work=batch_works.scripted
        )
    assert [r.status for r in records] == ["done", "timed out", "crashed"]
