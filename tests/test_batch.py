"""Batches: one record a job, nothing lost, nobody taken along."""

import concurrent.futures as cf
import csv
import html.parser
import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import batch_works
import pytest

import zrough
from zrough import BatchError, Cancelled, Job, OutputError, run_batch, threads
from zrough.batch import find_jobs, read_records, stop_when
from zrough.batchpool import execute_apart
from zrough.batchwork import Task, execute, headline

WORK = batch_works.scripted


@pytest.fixture
def make(job_dict):
    """Make ``(name, job)`` from what its worker shall do."""
    base = Job.from_dict(job_dict)

    def build(*orders):
        return [(f"job{i}", base.replace(cutter={"name": order})) for i, order in enumerate(orders)]

    return build


@pytest.fixture
def make_files(tmp_path):
    """Write job files, each with its own part file."""

    def build(folder, *orders):
        folder.mkdir(exist_ok=True)
        for i, order in enumerate(orders):
            (folder / f"p{i}.stl").write_bytes(b"part %d" % i)
            (folder / f"job{i}.toml").write_text(
                f'units = "mm"\npart.file = "p{i}.stl"\nmaterial.name = "P"\n'
                f"machine = {{ max_spindle_rpm = 9000, max_feed = 4000 }}\n"
                f'[cutter]\nname = "{order}"\ndiameter = 8.0\nflutes = 3\n'
                "flute_length = 20.0\noverhang = 30.0\n"
            )
        return sorted(folder.glob("*.toml"))

    return build


def test_one_record_for_each_whatever_happens(make, tmp_path):
    once = tmp_path / "died-once"
    orders = ["", "refuse", "bug", "die", "hang", "eat", "fail", f"die-once {once}", "half", ""]
    seen = []
    records = run_batch(
        make(*orders),
        tmp_path / "out",
        workers=2,
        timeout=6,
        memory_limit=600,
        work=WORK,
        on_record=seen.append,
    )
    assert [r.name for r in records] == [f"job{i}" for i in range(10)]
    assert [r.status for r in records] == [
        "done", "refused", "crashed", "crashed", "timed out",
        "out of memory", "check failed", "done", "crashed", "done",
    ]  # fmt: skip
    assert sorted(r.name for r in seen) == sorted(r.name for r in records)
    said = [r.message for r in records]
    assert said[1] == "part.stl: open at 3 edges; close the mesh"
    assert "ValueError: two lines (batch_works.py:" in said[2]
    assert "died twice (signal 9)" in said[3]
    assert "not finished after 6 s" in said[4]
    assert said[6] == "gouge of 0.2 mm at X1 Y2 Z-3"
    assert [r.attempts for r in records] == [1, 1, 1, 2, 1, 1, 1, 2, 2, 1]
    # Only finished jobs leave files, and nothing stands under a temporary name.
    left = sorted(p.name for p in (tmp_path / "out").iterdir())
    assert left == [
        ".batch.lock",
        "job0",
        "job6",
        "job7",
        "job9",
        "records.jsonl",
        "summary.csv",
        "summary.html",
    ]
    assert sorted(records[0].files) == ["program.nc", "report.json"]


def test_memory_is_watched_from_outside_too(make, tmp_path):
    """Shared memory does not count against the limit that the system keeps, but it is held all the same."""
    records = run_batch(make("eat-shared", ""), tmp_path, workers=1, memory_limit=400, work=WORK)
    assert [(r.status, r.attempts) for r in records] == [("out of memory", 1), ("done", 1)]
    assert "limit 400 MB" in records[0].message
    assert records[0].peak_mb > 400


def test_second_run_skips_what_is_finished(make, tmp_path):
    jobs = make("", "refuse", "fail", "")
    first = run_batch(jobs, tmp_path, workers=1, work=WORK)
    before = (tmp_path / "job0" / "program.nc").stat().st_mtime_ns
    second = run_batch(jobs, tmp_path, workers=1, work=WORK)
    assert [r.skipped for r in second] == [True, False, True, True]
    assert [r.status for r in second] == [r.status for r in first]
    assert (tmp_path / "job0" / "program.nc").stat().st_mtime_ns == before
    assert not any(r.skipped for r in run_batch(jobs, tmp_path, workers=1, work=WORK, resume=False))


def test_changed_inputs_and_spoilt_outputs_run_again(make_files, tmp_path):
    files = make_files(tmp_path / "in", "", "", "", "")
    out = tmp_path / "out"
    run_batch(files, out, workers=1, work=WORK)
    (tmp_path / "in" / "p0.stl").write_bytes(b"another part")
    files[1].write_text(files[1].read_text().replace("8.0", "6.0"))
    (out / "job2" / "program.nc").write_text("spoilt")
    records = run_batch(files, out, workers=1, work=WORK)
    assert [r.skipped for r in records] == [False, False, False, True]
    assert b"another part" in (out / "job0" / "program.nc").read_bytes()
    assert (out / "job2" / "program.nc").read_text() != "spoilt"


def test_results_of_an_older_input_do_not_stay(make_files, tmp_path):
    files = make_files(tmp_path / "in", "")
    run_batch(files, tmp_path / "out", workers=1, work=WORK)
    files[0].write_text(files[0].read_text().replace('name = ""', 'name = "refuse"'))
    run_batch(files, tmp_path / "out", workers=1, work=WORK)
    assert not (tmp_path / "out" / "job0").exists()


def test_records_survive_a_torn_line_and_name_each_job_once(make, tmp_path):
    jobs = make("", "")
    run_batch(jobs[:1], tmp_path, workers=1, work=WORK)
    with open(tmp_path / "records.jsonl", "a") as stream:
        stream.write('[1]\n{"name": "job1", "sta')
    records = run_batch(jobs, tmp_path, workers=1, work=WORK)
    assert [r.skipped for r in records] == [True, False]
    lines = [json.loads(line) for line in (tmp_path / "records.jsonl").read_text().splitlines()]
    assert [line["name"] for line in lines] == ["job0", "job1"]
    assert read_records(tmp_path)["job1"].status == "done"
    # A batch over part of the list forgets nothing of the rest.
    run_batch(jobs[1:], tmp_path, workers=1, work=WORK)
    assert sorted(read_records(tmp_path)) == ["job0", "job1"]


def test_same_bytes_with_any_number_of_workers_and_any_executor(make_files, tmp_path):
    files = make_files(tmp_path / "in", "", "refuse", "", "fail", "")
    results = {}
    with cf.ThreadPoolExecutor(2) as threads, cf.ProcessPoolExecutor(2) as processes:
        for name, executor in (
            ("one", None),
            ("three", None),
            ("threads", threads),
            ("processes", processes),
        ):
            workers = 1 if name == "one" else 3
            results[name] = run_batch(files, tmp_path / name, executor, workers=workers, work=WORK)
    plain = [(r.name, r.status, r.message, r.digest, sorted(r.files)) for r in results["one"]]
    for name, records in results.items():
        assert [(r.name, r.status, r.message, r.digest, sorted(r.files)) for r in records] == plain, name
        for record in records:
            for file in record.files:
                ours = (tmp_path / name / record.name / file).read_bytes()
                if file != "report.json":
                    assert ours == (tmp_path / "one" / record.name / file).read_bytes()


def test_executor_whose_worker_dies_is_replaced(make, tmp_path):
    once = tmp_path / "died-once"
    with cf.ProcessPoolExecutor(1) as processes:  # one dead worker breaks it for good
        records = run_batch(make("", f"die-once {once}", "", ""), tmp_path / "out", processes, work=WORK)
    assert [r.status for r in records] == ["done"] * 4


def test_executor_with_limits_gives_each_job_its_own_process(make, tmp_path):
    with cf.ThreadPoolExecutor(2) as threads:
        records = run_batch(make("", "hang", "die"), tmp_path, threads, timeout=8, work=WORK)
    assert [r.status for r in records] == ["done", "timed out", "crashed"]


def test_the_start_of_a_worker_is_not_its_jobs_time(make, tmp_path, monkeypatch):
    """On a busy machine a worker may take longer to start than its job may take."""
    (tmp_path / "sitecustomize.py").write_text("import time; time.sleep(4)")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    records = run_batch(make("", "hang"), tmp_path / "out", workers=2, timeout=3, work=WORK)
    assert [r.status for r in records] == ["done", "timed out"]


def test_executor_that_loses_a_task_gets_it_once_more(make, tmp_path):
    class Forgetful(cf.ThreadPoolExecutor):
        def submit(self, function, task, *rest):
            self.calls = getattr(self, "calls", 0) + 1
            if self.calls == 1 or task.name == "job1":
                lost = cf.Future()
                lost.set_exception(ConnectionError("worker lost"))
                return lost
            return super().submit(function, task, *rest)

    with Forgetful(1) as executor:
        records = run_batch(make("", ""), tmp_path, executor, work=WORK)
    assert [(r.status, r.attempts) for r in records] == [("done", 2), ("crashed", 2)]
    assert "ConnectionError" in records[1].message


def test_what_a_scheduler_ran_again_by_itself_is_not_handed_in_once_more(make, tmp_path):
    class KilledWorker(Exception):
        pass

    class Scheduler(cf.ThreadPoolExecutor):
        calls = 0

        def submit(self, function, task, *rest):
            if task.name != "job0":
                return super().submit(function, task, *rest)
            self.calls += 1
            lost = cf.Future()
            lost.set_exception(KilledWorker("attempted to run on 4 different workers"))
            return lost

    with Scheduler(1) as executor:
        records = run_batch(make("", ""), tmp_path, executor, work=WORK)
        assert executor.calls == 1
    assert [r.status for r in records] == ["crashed", "done"]
    assert "KilledWorker" in records[0].message


def test_workers_share_the_cores(make, tmp_path):
    records = run_batch(make("", ""), tmp_path, workers=2, work=WORK)
    assert records[0].numbers["threads"] == max(1, threads.count() // 2)


@pytest.mark.parametrize(
    ("numba", "openmp", "expected"),
    [(None, None, None), ("3", None, 3), ("3", "2", 3), (None, "2", 2), (None, "4,2", 4), ("0", "x", None)],
)
def test_threads_as_the_environment_says(monkeypatch, numba, openmp, expected):
    """OMP_NUM_THREADS may be a list, outermost level first (OpenMP API, from memory)."""
    for name, value in (("NUMBA_NUM_THREADS", numba), ("OMP_NUM_THREADS", openmp)):
        monkeypatch.delenv(name, raising=False)
        if value is not None:
            monkeypatch.setenv(name, value)
    assert threads.count() == (expected or len(os.sched_getaffinity(0)))


def test_one_thread_means_one_all_the_way_down(make, tmp_path, monkeypatch):
    """Somebody else's worker that was given one thread hands no more on to the process of its job."""
    monkeypatch.setenv("NUMBA_NUM_THREADS", "1")
    (_, job) = make("")[0]
    outcome, _ = execute_apart(Task("a", job, WORK), 30, None)
    assert outcome.numbers["threads"] == 1


def test_worker_killed_from_outside(make, tmp_path):
    """Its job runs once more; the others never notice."""
    gate = tmp_path / "gate"
    victims = []

    def watch(name, stage, done, total):
        if name == "job0" and stage == "planning" and not victims:
            children = Path(f"/proc/{os.getpid()}/task/{os.getpid()}/children").read_text().split()
            victims.extend(children)
            for child in children:
                if b"zrough.batchwork" in Path(f"/proc/{child}/cmdline").read_bytes():
                    os.kill(int(child), signal.SIGKILL)
            gate.write_text("open")

    records = run_batch(make(f"wait {gate}", ""), tmp_path / "out", workers=1, work=WORK, on_stage=watch)
    assert victims
    assert [(r.status, r.attempts) for r in records] == [("done", 2), ("done", 1)]


def test_stop_leaves_a_state_that_goes_on(make, tmp_path):
    asked = threading.Event()
    jobs = make("", "", f"wait {tmp_path / 'never'}", "")
    with pytest.raises(Cancelled, match="run the same batch again"):
        run_batch(
            jobs, tmp_path / "out", workers=1, work=WORK,
            on_record=lambda r: asked.set() if r.name == "job1" else None, on_stage=stop_when(asked.is_set),
        )  # fmt: skip
    assert "2 not started" in (tmp_path / "out" / "summary.html").read_text()
    (tmp_path / "never").write_text("now")
    records = run_batch(jobs, tmp_path / "out", workers=1, work=WORK)
    assert [r.skipped for r in records] == [True, True, False, False]
    assert all(r.ok for r in records)


DRIVER = """
import sys
from pathlib import Path
sys.path.insert(0, {tests!r})
import batch_works
from zrough import run_batch
run_batch(sorted(Path({folder!r}).glob("*.toml")), {out!r}, workers=2, work=batch_works.scripted)
"""


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT])
def test_killed_in_the_middle(make_files, tmp_path, how):
    """Kill -9 or Ctrl-C: no worker stays, no half file under a final name, the same call goes on."""
    gate = tmp_path / "gate"
    files = make_files(tmp_path / "in", "", f"wait {gate}", f"wait {gate}", "")
    out = tmp_path / "out"
    script = DRIVER.format(tests=str(Path(__file__).parent), folder=str(tmp_path / "in"), out=str(out))
    # No main guard in the script: workers do not import it.
    process = subprocess.Popen(
        [sys.executable, "-c", script], cwd=zrough_root(), stderr=subprocess.DEVNULL,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # shells ignore it in the background
    )  # fmt: skip
    wait_for(lambda: "job0" in read_records(out))
    workers = [int(p) for p in Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()]
    assert len(workers) == 2
    process.send_signal(how)
    assert process.wait(20) != 0
    wait_for(lambda: not any(alive(pid) for pid in workers))
    assert not (out / "job1").exists()
    gate.write_text("open")
    records = run_batch(files, out, workers=1, work=WORK)
    assert [r.status for r in records] == ["done"] * 4
    assert records[0].skipped
    assert not [p for p in out.iterdir() if ".tmp" in p.name]


def zrough_root():
    return Path(zrough.__file__).parents[1]


def alive(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def wait_for(condition, seconds=30):
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.05)


def test_two_batches_keep_out_of_one_folder(make, tmp_path):
    inner = []

    def second(record):
        with pytest.raises(BatchError, match="another batch is at work") as caught:
            run_batch(make(""), tmp_path, work=WORK)
        inner.append(caught.value)

    run_batch(make(""), tmp_path, workers=1, work=WORK, on_record=second)
    assert len(inner) == 1
    run_batch(make(""), tmp_path, workers=1, work=WORK)


def test_summaries(make, tmp_path):
    jobs = [("=1+1", make("refuse")[0][1]), ("<b>", make("")[0][1])]
    with pytest.raises(BatchError, match="called"):
        run_batch([*jobs, jobs[0]], tmp_path / "x", work=WORK)
    records = run_batch(jobs, tmp_path, workers=1, work=WORK)
    rows = list(csv.DictReader((tmp_path / "summary.csv").read_text().splitlines()))
    assert [r["status"] for r in rows] == ["refused", "done"]
    assert rows[1]["length_m"] == "1.5"
    assert not any(value.startswith(("=", "@")) for row in rows for value in row.values())

    class Reader(html.parser.HTMLParser):
        cells = 0

        def handle_starttag(self, tag, attrs):
            self.cells += tag == "td"
            assert tag != "b"

    reader = Reader()
    reader.feed((tmp_path / "summary.html").read_text())
    assert reader.cells == 2 * (5 + 2)
    assert [r.name for r in records] == ["_1+1", "_b_"]


def test_jobs_come_from_folders_lists_and_files(make_files, tmp_path):
    files = make_files(tmp_path / "a", "", "")
    (tmp_path / "b").mkdir()
    listed = tmp_path / "b" / "jobs.txt"
    listed.write_text("# two of them\n../a/job1.toml  # the second\n\n../a/gone.toml\n")
    assert find_jobs([tmp_path / "a"]) == files
    found = find_jobs([listed, tmp_path / "a", files[0]])
    assert [os.path.relpath(os.path.realpath(p), tmp_path) for p in found] == [
        "a/job1.toml", "a/gone.toml", "a/job0.toml",
    ]  # fmt: skip
    records = run_batch(found, tmp_path / "out", workers=1, work=WORK)
    assert [r.status for r in records] == ["done", "refused", "done"]
    assert "no such file" in records[1].message
    (tmp_path / "b" / "empty.txt").write_text("# nothing\n")
    (tmp_path / "b" / "binary.txt").write_bytes(b"\xff\xfe\xfd")
    for bad, text in [
        ("none", "no such folder"),
        ("empty.txt", "names no job"),
        ("binary.txt", "not a list"),
    ]:
        with pytest.raises(BatchError, match=text):
            find_jobs([tmp_path / "b" / bad])
    with pytest.raises(BatchError, match="no job files"):
        find_jobs([tmp_path / "b"])
    with pytest.raises(BatchError, match="no jobs"):
        run_batch([], tmp_path / "out")


def test_same_stem_in_two_folders(make_files, tmp_path):
    files = [*make_files(tmp_path / "a", ""), *make_files(tmp_path / "b", "")]
    assert [r.name for r in run_batch(files, tmp_path / "out", workers=1, work=WORK)] == [
        "a__job0",
        "b__job0",
    ]


def test_job_objects_get_names(make, job_dict, tmp_path):
    jobs = [make("")[0][1], Job.from_dict(job_dict, source="lid.toml")]
    assert [r.name for r in run_batch(jobs, tmp_path, workers=1, work=WORK)] == ["job-0001", "lid"]


def test_jobs_are_confined_to_their_folder(make_files, tmp_path):
    (file,) = make_files(tmp_path / "a", "")
    file.write_text(file.read_text().replace("p0.stl", "../a/p0.stl"))
    (tmp_path / "a" / "p0.stl").rename(tmp_path / "p0.stl")
    file.write_text(file.read_text().replace("../a/p0.stl", "../p0.stl"))
    (record,) = run_batch([file], tmp_path / "out", workers=1, work=WORK)
    assert record.status == "refused"
    assert "outside the job's folder" in record.message
    assert run_batch([file], tmp_path / "out", workers=1, work=WORK, confine=False)[0].ok


def test_outputs_that_cannot_be_written(make, tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="choose another"):
        run_batch(make(""), tmp_path / "file", work=WORK)
    with pytest.raises(BatchError, match="at least 1"):
        run_batch(make(""), tmp_path / "out", workers=0, work=WORK)


def test_work_that_cannot_travel(make, tmp_path):
    with pytest.raises(BatchError, match="use a function of a module"):
        run_batch(make(""), tmp_path, workers=1, work=batch_works.not_importable_elsewhere())


def test_workers_that_do_not_start(make, tmp_path, monkeypatch):
    monkeypatch.setattr(sys, "executable", "/bin/false")
    with pytest.raises(BatchError, match="do not start"):
        run_batch(make(""), tmp_path, workers=1, work=WORK)


def test_execute_in_this_process(make, tmp_path):
    (name, job), (_, refusing), (_, failing) = make("", "refuse", "fail")
    outcome = execute(Task(name, job, WORK))
    assert (outcome.status, sorted(outcome.files)) == ("done", ["program.nc", "report.json"])
    assert execute(Task(name, refusing, WORK)).status == "refused"
    assert execute(Task(name, failing, WORK)).status == "check failed"
    apart, attempts = execute_apart(Task(name, job, WORK), 30, None)
    assert (apart.status, attempts) == ("done", 1)
    assert apart.files == outcome.files


def test_headline_keeps_plain_finite_numbers():
    report = {"summary": {"a": 1.5, "b": float("nan"), "c": [1], "d": "x", "e": True}}
    assert headline(report) == {"a": 1.5, "d": "x", "e": True}
    assert headline({}) == {}


def test_the_loop_of_a_worker(make, tmp_path, monkeypatch):
    """What a worker process does, here in a thread's company instead of a process of its own."""
    from multiprocessing import Pipe

    from zrough import batchwork

    monkeypatch.setattr("signal.signal", lambda *args: None)
    monkeypatch.setattr(sys, "path", list(sys.path))
    (name, job), (_, hanging) = make("", "bug")
    ours, theirs = Pipe()
    answers = []

    def master():
        ours.send({"path": list(sys.path), "memory_limit": None})
        answers.append(ours.recv())
        for task in (Task(name, job, WORK, str(tmp_path / name)), Task("bad", hanging, WORK)):
            ours.send(task)
            while (answer := ours.recv())[0] != "result":
                answers.append(answer)
            answers.append(answer)
        ours.close()

    thread = threading.Thread(target=master)
    thread.start()
    descriptor = os.dup(theirs.fileno())
    theirs.close()
    assert batchwork.main([str(descriptor)]) == 0
    thread.join()
    assert answers[0] == ("ready",)
    assert ("progress", "planning", 1, 2) in answers
    results = [a[1] for a in answers if a[0] == "result"]
    assert [r.status for r in results] == ["done", "crashed"]
    assert (tmp_path / name / "program.nc").is_file()
