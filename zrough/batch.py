"""Many jobs, one record for each: resumable, and no job can take another one with it."""

from __future__ import annotations

import contextlib
import hashlib
import json
import logging
import os
import pickle
import re
import shutil
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, CancelledError, Executor, Future, wait
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import IO, Any

from zrough.batchorder import longest_first
from zrough.batchpool import Stage, execute_apart, run_tasks
from zrough.batchwork import Outcome, Task, Work, execute, plan_and_write, plan_without_report, swap_folder
from zrough.errors import BatchError, Cancelled, ZroughError
from zrough.io import OutputError, make_folder, write_atomic
from zrough.job import Job
from zrough.threads import cores

__all__ = [
    "Record",
    "Work",
    "find_jobs",
    "plan_and_write",
    "plan_without_report",
    "read_records",
    "run_batch",
    "stop_when",
]

_log = logging.getLogger(__name__)

RECORDS = "records.jsonl"
FINISHED = ("done", "check failed")  # the planner ran to its end: same input, same result
MAX_LIST = 16_000_000  # bytes of a list of job files
IN_FLIGHT = 64  # tasks handed to a foreign executor at a time: their inputs travel as bytes
TRIED_AGAIN = ("KilledWorker",)  # said by schedulers that ran the task on other workers already


Outcomes = Generator[tuple[Task, Outcome, int], None, None]


@dataclass(frozen=True)
class Record:
    """What came of one job.

    Attributes
    ----------
    name : unique in the batch; the job's output folder.
    job : the job file, or "<Job>" for one given as an object.
    status : "done", "check failed", "refused" (bad input), "crashed", "timed out", "out of memory".
    message : one line saying why, empty when done.
    digest : of the job's content and of this version; "" where the job could not be read.
    seconds : time of the job alone.
    peak_mb : largest resident memory of its worker, MB; 0 where unknown.
    attempts : 2 after a rerun because a worker died.
    numbers : the plain numbers of the report's summary.
    files : output file -> SHA-256.
    skipped : it was finished already, by an earlier run.
    """

    name: str
    job: str
    status: str
    message: str = ""
    digest: str = ""
    seconds: float = 0.0
    peak_mb: float = 0.0
    attempts: int = 1
    numbers: dict[str, Any] = field(default_factory=dict)
    files: dict[str, str] = field(default_factory=dict)
    skipped: bool = False

    @property
    def ok(self) -> bool:
        """Planned, and the check passed."""
        return self.status == "done"


def find_jobs(sources: Iterable[str | os.PathLike[str]]) -> list[Path]:
    """Job files named by ``sources``: a job file, a folder (its *.toml), or a text list with a path a line.

    Paths in a list are relative to it; `#` starts a comment. Order is kept, folders sorted by name,
    repeated files dropped.

    Raises
    ------
    BatchError : a source is missing or names no job.
    """
    found: list[Path] = []
    for source in map(Path, sources):
        if source.is_dir():
            here = sorted(p for p in source.glob("*.toml") if p.is_file())
            if not here:
                raise BatchError(f"{source}: no job files (*.toml) in this folder")
            found += here
        elif source.suffix.lower() == ".toml":
            found.append(source)  # a missing one gets its record like any other bad job
        else:
            found += _listed(source)
    unique = {os.path.realpath(p): p for p in reversed(found)}
    return [p for p in found if unique.get(os.path.realpath(p)) is p]


def _listed(source: Path) -> list[Path]:
    if not source.is_file():
        raise BatchError(f"{source}: no such folder, list or job file")
    try:
        if (size := source.stat().st_size) > MAX_LIST:
            most = f"at most {MAX_LIST / 1e6:g} MB"
            raise BatchError(f"{source}: {size / 1e6:.0f} MB; a list of job files has {most}; split it")
        lines = source.read_text("utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as exc:
        raise BatchError(f"{source}: not a list of job files in UTF-8 text ({type(exc).__name__})") from None
    names = [line.split("#")[0].strip() for line in lines]
    named = [source.parent / name for name in names if name]
    for number, line in enumerate(lines, 1):
        if not line.replace("\t", " ").isprintable():
            raise BatchError(f"{source}: line {number} has control characters; is this a list of job files?")
    if not named:
        raise BatchError(f"{source}: the list names no job files; give a path a line")
    return named


def run_batch(
    jobs: Iterable[str | os.PathLike[str] | Job | tuple[str, Job]],
    out: str | os.PathLike[str],
    executor: Executor | None = None,
    workers: int | None = None,
    timeout: float | None = None,
    memory_limit: float | None = None,
    confine: bool = True,
    resume: bool = True,
    work: Work = plan_and_write,
    on_record: Callable[[Record], object] | None = None,
    on_stage: Stage | None = None,
) -> list[Record]:
    """Plan many jobs; one record each, in the order given; those that look longest are begun first.

    Parameters
    ----------
    jobs : job files, `Job` objects, or ``(name, Job)``.
    out : folder; each job writes into ``out/NAME``, the records into ``out/records.jsonl``, and
        ``summary.csv`` and ``summary.html`` say it once more for people.
    executor : any `concurrent.futures.Executor`. Inputs and results travel as bytes, so its workers need
        zrough but no shared disk. Default: worker processes on this machine.
    workers : number of worker processes without an executor; default: one a core.
    timeout : s for one job. memory_limit : MB for one worker. Either makes an executor's workers run
        each job in a process of its own.
    confine : refuse jobs that name files outside their own folder.
    resume : skip jobs that an earlier run finished with the same input and version, outputs untouched.
    work : ``work(job, folder, progress) -> Result``, importable by workers; default: plan, check,
        write everything; `plan_without_report` writes the program only.
    on_record : called with each record as it comes.
    on_stage : called with ``(name, stage, done, total)`` while jobs run (worker processes only); may
        raise `Cancelled` to stop.

    Raises
    ------
    BatchError : the list is empty, two jobs share a name, or workers cannot be started.
    OutputError : ``out`` cannot be written.
    Cancelled, KeyboardInterrupt : stopped; what is finished is on record, and the same call goes on.
    """
    _check_travels(work)
    batch = _Batch(list(jobs), make_folder(out), confine, work, on_record)
    try:
        waiting = longest_first(batch.skip_finished() if resume else batch.tasks, _load)
        if executor is None:
            count = workers if workers is not None else cores()
            if count < 1:
                raise BatchError(f"workers = {count}; at least 1 is needed")
            batch.take_all(run_tasks(waiting, min(count, len(waiting) or 1), timeout, memory_limit, on_stage))
        else:
            left = batch.take_all(_on_executor(executor, batch.portable(waiting), timeout, memory_limit))
            if left:  # the executor broke: its remaining jobs run here
                _log.warning("the executor broke; %d jobs go on in local processes", len(left))
                batch.take_all(run_tasks(left, cores(), timeout, memory_limit, on_stage))
    finally:
        batch.finish()
    return batch.in_order()


def _check_travels(work: Work) -> None:
    try:
        pickle.dumps(work)
    except (pickle.PicklingError, AttributeError, TypeError) as exc:
        raise BatchError(f"work cannot be sent to a worker ({exc}); use a function of a module") from None


class _Batch:
    """The state of one run: tasks by name, records on disk."""

    def __init__(
        self,
        jobs: Sequence[str | os.PathLike[str] | Job | tuple[str, Job]],
        out: Path,
        confine: bool,
        work: Work,
        on_record: Callable[[Record], object] | None,
    ) -> None:
        if not jobs:
            raise BatchError("no jobs; give at least one")
        self.out = out
        self.on_record = on_record
        self.records: dict[str, Record] = {}
        named = _named(jobs)
        self.tasks = [
            Task(name, job if isinstance(job, Job) else str(job), work, str(out / name), confine)
            for name, job in named.items()
        ]
        self.kind = f"{work.__module__}.{getattr(work, '__qualname__', type(work).__qualname__)}"
        self.by_name = {task.name: task for task in self.tasks}
        self.lock = _lock(out)
        self._sweep()
        try:
            self.lines = _Lines(out / RECORDS)
        except OutputError:
            self.lock.close()
            raise

    def _sweep(self) -> None:
        """Remove what a killed run left under temporary names."""
        for stale in self.out.glob(".*.tmp*"):
            name = stale.name[1:].split(".tmp")[0].rpartition(".")[0]
            if stale.is_dir() and (name in self.by_name or name.rpartition(".")[0] in self.by_name):
                shutil.rmtree(stale, ignore_errors=True)

    def skip_finished(self) -> list[Task]:
        """Enter the records of finished jobs; return the tasks that remain."""
        earlier = read_records(self.out)
        left = []
        for task in self.tasks:
            record = earlier.get(task.name)
            if record is not None and record.status in FINISHED and self._still_good(task, record):
                self.records[task.name] = _skipped(record)
                if self.on_record:
                    self.on_record(self.records[task.name])
            else:
                left.append(task)
        return left

    def _still_good(self, task: Task, record: Record) -> bool:
        try:
            digest = self._stamp(_load(task).digest())
        except ZroughError:
            return False
        folder = self.out / task.name
        return digest == record.digest and bool(record.files) and _hashes(folder) == record.files

    def _stamp(self, digest: str) -> str:
        """A job's digest together with what else decides the result: the version, and the kind of work."""
        import zrough

        return hashlib.sha256(f"{digest} {zrough.__version__} {self.kind}".encode()).hexdigest()

    def portable(self, tasks: list[Task]) -> Iterator[Task]:
        """Tasks with their input files in them; jobs that cannot be read get their record here."""
        for task in tasks:
            try:
                job = _load(task)
                inputs = {k: (n, job.file(n, k).read_bytes()) for k, n in job.files().items()}
            except ZroughError as exc:
                self.take(task, Outcome("refused", str(exc)), 1)
            except OSError as exc:
                self.take(task, Outcome("refused", f"{task.name}: {exc.strerror or exc}"), 1)
            else:
                yield Task(task.name, job, task.work, None, task.confine, inputs)

    def take_all(self, outcomes: Outcomes) -> list[Task]:
        """Record what comes; return tasks that came back undone."""
        undone = []
        with contextlib.closing(outcomes):  # ends the workers at once if anything goes wrong here
            for task, outcome, attempts in outcomes:
                if outcome.status == "undone":
                    undone.append(self.by_name[task.name])
                else:
                    self.take(task, outcome, attempts)
        return undone

    def take(self, task: Task, outcome: Outcome, attempts: int) -> None:
        """Turn an outcome into files and a record."""
        folder = self.out / task.name
        if outcome.files:
            try:
                _write_folder(folder, outcome.files)
            except OutputError as exc:
                outcome = Outcome("refused", str(exc), seconds=outcome.seconds)
        if outcome.status not in FINISHED:
            shutil.rmtree(folder, ignore_errors=True)  # results of an earlier input would mislead
        source = self.by_name[task.name].job
        record = Record(
            name=task.name,
            job="<Job>" if isinstance(source, Job) else source,
            status=outcome.status,
            message=_one_line(outcome.message),
            digest=self._stamp(outcome.digest) if outcome.digest else "",
            seconds=outcome.seconds,
            peak_mb=outcome.peak_mb,
            attempts=attempts,
            numbers=outcome.numbers,
            files=_hashes(folder) if outcome.status in FINISHED else {},
        )
        self.records[task.name] = record
        self.lines.add(record)
        if self.on_record:
            self.on_record(record)

    def in_order(self) -> list[Record]:
        """Records in the order of the jobs."""
        return [self.records[t.name] for t in self.tasks if t.name in self.records]

    def finish(self) -> None:
        """Leave one line a job, and the summaries; earlier records of jobs not in this list stay."""
        from zrough import batchsummary

        self.lines.close()
        self._sweep()
        kept = read_records(self.out)
        ordered = self.in_order()
        others = [r for name, r in kept.items() if name not in self.by_name]
        unfinished = [kept[t.name] for t in self.tasks if t.name in kept and t.name not in self.records]
        lines = [_as_line(r) for r in [*ordered, *unfinished, *others]]
        write_atomic(self.out / RECORDS, "".join(lines))
        batchsummary.write(self.out, ordered, len(self.tasks))
        self.lock.close()


def _lock(out: Path) -> IO[bytes]:
    """Keep a second batch out of ``out`` for as long as the returned file is open (a killed run lets go)."""
    path = out / ".batch.lock"
    try:
        stream = open(path, "wb")  # noqa: SIM115 (open for the whole run)
    except OSError as exc:
        raise OutputError(f"{path}: cannot be written: {exc.strerror or exc}; choose another folder") from exc
    with contextlib.suppress(ImportError):  # no locks on this system
        import fcntl

        try:
            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            stream.close()
            raise BatchError(
                f"{out}: another batch is at work in this folder; choose another --out"
            ) from None
    return stream


class _Lines:
    """Records appended one line at a time, each on the disk before the next job counts as done."""

    def __init__(self, path: Path) -> None:
        try:
            torn = _ends_within_a_line(path)
            self._stream = open(path, "ab")  # noqa: SIM115 (open for the whole run)
            if torn:  # the last run was killed while writing a line
                self._stream.write(b"\n")
        except OSError as exc:
            raise OutputError(
                f"{path}: cannot be written: {exc.strerror or exc}; choose another folder"
            ) from exc
        self._path = path

    def add(self, record: Record) -> None:
        try:
            self._stream.write(_as_line(record).encode())
            self._stream.flush()
            os.fsync(self._stream.fileno())
        except OSError as exc:
            raise OutputError(
                f"{self._path}: cannot be written: {exc.strerror or exc}; free some space"
            ) from exc

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._stream.close()


def _ends_within_a_line(path: Path) -> bool:
    if not path.is_file() or path.stat().st_size == 0:
        return False
    with open(path, "rb") as stream:
        stream.seek(-1, os.SEEK_END)
        return stream.read() != b"\n"


def read_records(out: str | os.PathLike[str]) -> dict[str, Record]:
    """The latest record of each job in ``out/records.jsonl``; torn lines of a killed run are passed over."""
    path = Path(out) / RECORDS
    known = {f.name for f in fields(Record)}
    found: dict[str, Record] = {}
    try:
        lines = path.read_text("utf-8", errors="replace").splitlines() if path.is_file() else []
    except OSError:
        return found
    for line in lines:
        try:
            raw = json.loads(line)
            record = Record(**{k: v for k, v in raw.items() if k in known})
        except (ValueError, TypeError, AttributeError):
            continue
        found[str(record.name)] = record
    return found


def _as_line(record: Record) -> str:
    raw = asdict(record)
    del raw["skipped"]
    return json.dumps(raw, sort_keys=True) + "\n"


def _skipped(record: Record) -> Record:
    return Record(**{**asdict(record), "skipped": True})


def _load(task: Task) -> Job:
    return task.job if isinstance(task.job, Job) else Job.from_toml(task.job, confine=task.confine)


def _named(
    jobs: Sequence[str | os.PathLike[str] | Job | tuple[str, Job]],
) -> dict[str, Job | Path]:
    """Unique names, fit for folders: the file's stem, longer where two files share it."""
    stems: list[tuple[str, Job | Path]] = []
    paths = [Path(j).resolve() for j in jobs if isinstance(j, str | os.PathLike)]
    clashing = {s for s in (p.stem.lower() for p in paths) if sum(p.stem.lower() == s for p in paths) > 1}
    top = Path(os.path.commonpath([p.parent for p in paths])) if paths else Path()
    for i, job in enumerate(jobs):
        if isinstance(job, tuple):
            stems.append((_folder_name(job[0]), job[1]))
        elif isinstance(job, Job):
            plain = job.source not in ("<dict>", "")
            stems.append((_folder_name(Path(job.source).stem if plain else f"job-{i + 1:04d}"), job))
        else:
            path = Path(job)
            long = path.resolve().relative_to(top).with_suffix("").as_posix()
            stems.append((_folder_name(long if path.stem.lower() in clashing else path.stem), path))
    named: dict[str, Job | Path] = {}
    for name, job in stems:
        if name in named:
            raise BatchError(f'two jobs are called "{name}"; give each its own name')
        named[name] = job
    return named


def _folder_name(name: str) -> str:
    text = re.sub(r"[^\w.+-]+", "_", name.replace("/", "__")).lstrip(".")[:120]
    return text or "job"


def _one_line(text: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _hashes(folder: Path) -> dict[str, str]:
    try:
        files = sorted(p for p in folder.iterdir() if p.is_file())
        return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in files}
    except OSError:
        return {}


def _write_folder(folder: Path, files: dict[str, bytes]) -> None:
    scratch = make_folder(folder.with_name(f".{folder.name}.{os.getpid()}.tmp"))
    try:
        for name, content in files.items():
            write_atomic(scratch / Path(name).name, content)
        swap_folder(scratch, folder)
    finally:
        shutil.rmtree(scratch, ignore_errors=True)


# ---------------------------------------------------------------------- foreign executors


def _on_executor(
    executor: Executor, tasks: Iterator[Task], timeout: float | None, memory_limit: float | None
) -> Outcomes:
    """Run tasks on any executor; a task whose worker died is handed in once more.

    A broken executor gives tasks back with the status "undone".
    """
    running: dict[Future[tuple[Outcome, int]], tuple[Task, int]] = {}
    again: list[tuple[Task, int]] = []
    broken = False
    try:
        while True:
            while not broken and len(running) < IN_FLIGHT:
                task, attempt = again.pop() if again else (next(tasks, None), 1)
                if task is None:
                    break
                try:
                    future = executor.submit(_execute, task, timeout, memory_limit)
                except (BrokenExecutor, RuntimeError):
                    broken = True
                    again.append((task, attempt))
                else:
                    running[future] = (task, attempt)
            if broken:
                yield from ((task, Outcome("undone"), n) for task, n in [*again, *((t, 1) for t in tasks)])
                again.clear()
            if not running:
                return
            finished, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in finished:
                task, attempt = running.pop(future)
                try:
                    outcome, _ = future.result()
                except BrokenExecutor:
                    broken = True
                    again.append((task, attempt))
                except (Exception, CancelledError) as exc:
                    name = type(exc).__name__
                    if attempt == 1 and name not in TRIED_AGAIN:
                        again.append((task, 2))
                    else:
                        yield task, Outcome("crashed", f"its worker died twice ({name})"), 2
                else:
                    yield task, outcome, attempt
    finally:
        for future in running:
            future.cancel()


def _execute(task: Task, timeout: float | None, memory_limit: float | None) -> tuple[Outcome, int]:
    """What an executor's worker calls."""
    if timeout is None and memory_limit is None:
        return execute(task), 1
    return execute_apart(task, timeout, memory_limit)


def stop_when(asked: Callable[[], bool]) -> Stage:
    """A stage callback that stops the batch once ``asked()`` is true."""

    def look(name: str, stage: str, done: int, total: int) -> None:
        if asked():
            raise Cancelled(f"stopped at {name}; run the same batch again to go on")

    return look
