"""One job of a batch, wherever it runs: plan, write, tell what came of it.

`execute` runs in this process; `main` is the loop of a worker process that the pool starts as
``python -m zrough.batchwork FD``. Nothing here prints: results travel over the connection.
"""

from __future__ import annotations

import contextlib
import math
import os
import shutil
import signal
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from zrough.errors import Cancelled, ZroughError
from zrough.io import OutputError, make_folder
from zrough.job import Job
from zrough.progress import Progress

KEEP_MB = 192.0  # surfaces and CL maps that a worker keeps for later jobs on the same part
KEEP_SHARE = 0.1  # the same as a share of a worker's memory limit, where that is less


@dataclass(frozen=True)
class Result:
    """What the work on one job gives: was the check passed, some numbers for the record."""

    passed: bool
    message: str = ""
    numbers: dict[str, Any] = field(default_factory=dict)


Work = Callable[[Job, Path, Progress], Result]


@dataclass(frozen=True)
class Task:
    """One job on its way to a worker.

    ``job`` is a path to a job file, or a `Job`. ``inputs`` holds the bytes of the files it names when the
    worker may have no access to them (another machine); then the results come back as bytes too.
    """

    name: str
    job: str | Job
    work: Work
    out: str | None = None
    confine: bool = True
    inputs: dict[str, tuple[str, bytes]] = field(default_factory=dict)


@dataclass(frozen=True)
class Outcome:
    """What came of a task. ``files`` maps file name to content where the task had no ``out``."""

    status: str
    message: str = ""
    digest: str = ""
    numbers: dict[str, Any] = field(default_factory=dict)
    seconds: float = 0.0
    peak_mb: float = 0.0
    files: dict[str, bytes] = field(default_factory=dict)


def plan_and_write(job: Job, out: Path, progress: Progress, report: bool = True) -> Result:
    """The usual work: plan the job, write program, report and leftover into ``out``."""
    import zrough

    plan = zrough.plan(job, progress)
    plan.write(out, report=report)
    check = plan.check
    passed = check is not None and check.ok
    message = ""
    if not passed:
        failures = [] if check is None else [said(f) for f in check.failures]
        message = "; ".join(failures[:3]) or "not checked"
    return Result(passed, message, headline(plan.report))


def plan_without_report(job: Job, out: Path, progress: Progress) -> Result:
    """Plan, check and write the program alone: pages and pictures take longer than a small job."""
    return plan_and_write(job, out, progress, report=False)


def said(finding: object) -> str:
    """What a finding of the check says: its message, or itself where it is text."""
    return str(getattr(finding, "message", finding))


def headline(report: dict[str, Any]) -> dict[str, Any]:
    """The plain numbers of the report's ``summary`` table, for the record."""
    summary = report.get("summary", {})
    plain = {k: v for k, v in summary.items() if isinstance(v, int | float | str | bool)}
    return {k: v for k, v in plain.items() if not isinstance(v, float) or math.isfinite(v)}


def execute(task: Task, progress: Progress | None = None) -> Outcome:
    """Run one task in this process; every failure becomes an outcome."""
    start = time.perf_counter()
    _reset_peak()
    try:
        with _placed(task) as job:
            digest = job.digest()
            outcome = _into_folder(task, job, digest, progress or (lambda *_: None))
    except Cancelled:
        raise
    except ZroughError as exc:
        outcome = Outcome("refused", str(exc))
    except MemoryError:
        outcome = Outcome(
            "out of memory", "more memory needed than allowed; raise roughing.cell or the limit"
        )
    except Exception as exc:  # a bug in one job must not end the batch
        outcome = Outcome("crashed", f"internal error: {type(exc).__name__}: {exc} ({_place(exc)})")
    seconds = round(time.perf_counter() - start, 3)
    return Outcome(
        outcome.status, outcome.message, outcome.digest, outcome.numbers, seconds, peak_mb(), outcome.files
    )


def _place(exc: BaseException) -> str:
    """File and line where it was raised."""
    trace = exc.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    return f"{Path(trace.tb_frame.f_code.co_filename).name}:{trace.tb_lineno}" if trace else "unknown place"


@contextlib.contextmanager
def _placed(task: Task) -> Iterator[Job]:
    """The task's job, its input files in reach."""
    if not task.inputs:
        yield task.job if isinstance(task.job, Job) else Job.from_toml(task.job, confine=task.confine)
        return
    if not isinstance(task.job, Job):
        raise ValueError("a task with inputs carries a Job")
    with tempfile.TemporaryDirectory(prefix="zrough-job-") as folder:
        tables: dict[str, dict[str, str]] = {}
        for i, (key, (name, content)) in enumerate(sorted(task.inputs.items())):
            table, entry = key.split(".")
            # The same name where it stays inside the folder: the report repeats it.
            inside = not Path(name).is_absolute() and ".." not in Path(name).parts
            local = name if inside else f"{i}/{Path(name).name}"
            target = Path(folder) / local
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)
            tables.setdefault(table, {})[entry] = local
        yield task.job.replace(**tables).based_in(folder)


def _into_folder(task: Task, job: Job, digest: str, progress: Progress) -> Outcome:
    """Work in a hidden folder; its files take their final names only when all are written."""
    if task.out is None:
        with tempfile.TemporaryDirectory(prefix="zrough-out-") as scratch:
            result = task.work(job, Path(scratch), progress)
            files = {p.name: p.read_bytes() for p in sorted(Path(scratch).iterdir()) if p.is_file()}
        return Outcome(_status(result), result.message, digest, result.numbers, files=files)
    final = Path(task.out)
    beside = _scratch_beside(final)
    try:
        result = task.work(job, beside, progress)
        swap_folder(beside, final)
    finally:
        shutil.rmtree(beside, ignore_errors=True)
    return Outcome(_status(result), result.message, digest, result.numbers)


def _scratch_beside(final: Path) -> Path:
    make_folder(final.parent)
    try:
        return Path(tempfile.mkdtemp(prefix=f".{final.name}.", suffix=".tmp", dir=final.parent))
    except OSError as exc:
        raise _unwritable(final, exc) from exc


def swap_folder(new: Path, final: Path) -> None:
    """Give ``new`` the name ``final``; an older folder of that name goes.

    Raises
    ------
    OutputError : the folder above is read-only, or something else than a folder has the name.
    """
    old = new.with_name(new.name + ".old")
    try:
        new.chmod(0o755)  # mkdtemp makes private folders
        if final.exists():
            os.replace(final, old)
        os.replace(new, final)
    except OSError as exc:
        raise _unwritable(final, exc) from exc
    shutil.rmtree(old, ignore_errors=True)


def _unwritable(folder: Path, exc: OSError) -> OutputError:
    reason = exc.strerror or exc
    return OutputError(f"{folder}: cannot be written: {reason}; free space or choose another folder")


def _status(result: Result) -> str:
    return "done" if result.passed else "check failed"


# ---------------------------------------------------------------------- memory


def limit_memory(megabytes: float | None) -> None:
    """Let this process allocate at most so much (POSIX; elsewhere the pool's watch remains)."""
    if megabytes is None:
        return
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        most = int(megabytes * 1024 * 1024)
        # Data, not address space: thread pools reserve gigabytes of address space they never touch.
        resource.setrlimit(resource.RLIMIT_DATA, (most, most))


def _reset_peak() -> None:
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5")


def peak_mb() -> float:
    """Largest resident memory of this process since the job began (Linux) or ever (elsewhere), MB."""
    with contextlib.suppress(OSError):
        for line in Path("/proc/self/status").read_text().splitlines():
            if line.startswith("VmHWM:"):
                return round(int(line.split()[1]) / 1024, 1)
    with contextlib.suppress(ImportError):
        import resource

        return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1)
    return 0.0


# ---------------------------------------------------------------------- worker process


def keep_mb(memory_limit: float | None) -> float:
    """How much a worker keeps for later jobs on the same part, MB."""
    return KEEP_MB if memory_limit is None else min(KEEP_MB, KEEP_SHARE * memory_limit)


def main(argv: list[str]) -> int:
    """Loop of a worker process: receive a task, send messages, until the other end closes."""
    from multiprocessing.connection import Connection

    from zrough import reuse

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's business
    parent = os.getppid()
    threading.Thread(target=_leave_with, args=(parent,), daemon=True).start()
    connection = Connection(int(argv[0]))
    with contextlib.suppress(EOFError, OSError):
        settings = connection.recv()
        sys.path[:] = settings["path"]
        limit_memory(settings["memory_limit"])
        reuse.allow(keep_mb(settings["memory_limit"]))
        connection.send(("ready",))
        while True:
            task = connection.recv()
            connection.send(("result", execute(task, _reporter(connection))))
    reuse.allow(0)
    return 0


def _reporter(connection: Any) -> Progress:
    """A progress callback that sends at most ten messages a second."""
    last_time, last_stage = 0.0, ""
    one_at_a_time = threading.Lock()  # stages that run in threads report from them

    def report(stage: str, done: int, total: int) -> bool:
        nonlocal last_time, last_stage
        with one_at_a_time:
            now = time.monotonic()
            if stage != last_stage or now - last_time > 0.1:
                last_time, last_stage = now, stage
                connection.send(("progress", stage, done, total))
        return True

    return report


def _leave_with(parent: int) -> None:
    """End this process when its parent is gone, so that a killed batch leaves nobody working."""
    while os.getppid() == parent:
        time.sleep(1.0)
    os._exit(1)


if __name__ == "__main__":
    from zrough import batchwork  # the one the parent knows: answers must not be of a __main__ class

    sys.exit(batchwork.main(sys.argv[1:]))
