"""Worker processes that outlive their jobs, and a master that outlives its workers.

Each worker holds one task at a time. One that dies takes only its task with it, which is run once more
by a fresh worker; one that is over its time or memory is ended, and the task is not tried again.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import tempfile
import time
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from dataclasses import dataclass
from multiprocessing import Pipe
from multiprocessing.connection import Connection, wait
from pathlib import Path

from zrough import threads
from zrough.batchwork import Outcome, Task
from zrough.errors import BatchError

Stage = Callable[[str, str, int, int], None]

TICK = 0.2  # s between looks at clocks and memory
START = 60.0  # s that a worker may take to start, beside the time of its first job
DEATHS_AT_START = 3  # workers in a row that die before they are ready: something is wrong with all


@dataclass
class _Held:
    """The task a worker is on."""

    task: Task
    attempt: int
    started: float


class _Worker:
    """One worker process and the line to it."""

    def __init__(self, share: int, memory_limit: float | None) -> None:
        mine, theirs = Pipe()
        environment = {**os.environ, "NUMBA_NUM_THREADS": str(share), "OMP_NUM_THREADS": str(share)}
        environment["OPENBLAS_NUM_THREADS"] = str(share)
        source = str(Path(__file__).resolve().parents[1])
        inherited = environment.get("PYTHONPATH")
        environment["PYTHONPATH"] = source + (os.pathsep + inherited if inherited else "")
        self._complaints = tempfile.TemporaryFile()  # noqa: SIM115 (as long as the worker)
        self.process = subprocess.Popen(
            [sys.executable, "-m", "zrough.batchwork", str(theirs.fileno())],
            pass_fds=[theirs.fileno()],
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=self._complaints,
        )
        theirs.close()
        self.line: Connection = mine
        self.held: _Held | None = None
        self._settings = {"path": [source, *sys.path], "memory_limit": memory_limit}
        self.ready = False

    def give(self, task: Task, attempt: int) -> None:
        """Send a task; a broken line shows up as a death at the next look."""
        self.held = _Held(task, attempt, time.monotonic())
        with contextlib.suppress(OSError):
            if not self.ready:
                self.line.send(self._settings)
            self.line.send(task)

    def last_words(self) -> str:
        """How it ended, with the last line it wrote to its error stream."""
        code = self.process.wait()
        text = f"signal {-code}" if code < 0 else f"exit status {code}"
        self._complaints.seek(0)
        said = self._complaints.read()[-2000:].decode("utf-8", "replace").strip().splitlines()
        return f"{text}: {said[-1].strip()[:200]}" if said else text

    def resident_mb(self) -> float:
        """Memory the process holds now, MB; 0 where the system does not say."""
        try:
            pages = int(Path(f"/proc/{self.process.pid}/statm").read_text().split()[1])
        except (OSError, IndexError, ValueError):
            return 0.0
        return pages * os.sysconf("SC_PAGE_SIZE") / 1e6

    def end(self) -> None:
        """Kill the process and close the line."""
        self.process.kill()
        self.process.wait()
        self.line.close()
        self._complaints.close()


def run_tasks(
    tasks: Iterable[Task],
    workers: int,
    timeout: float | None = None,
    memory_limit: float | None = None,
    on_stage: Stage | None = None,
) -> Generator[tuple[Task, Outcome, int], None, None]:
    """Run tasks in worker processes; yield ``(task, outcome, attempts)`` as each one ends.

    Parameters
    ----------
    workers : number of processes; each gets its share of the cores for its threads.
    timeout : s for one job; the worker is ended after it.
    memory_limit : MB for one worker.
    on_stage : called with ``(name, stage, done, total)`` while jobs run; may raise to stop the batch.

    Closing the iterator ends all workers.
    """
    pool = _Pool(workers, timeout, memory_limit, on_stage)
    try:
        yield from pool.run(deque((task, 1) for task in tasks))
    finally:
        pool.close()


class _Pool:
    def __init__(
        self, workers: int, timeout: float | None, memory_limit: float | None, on_stage: Stage | None
    ) -> None:
        self.size = workers
        self.threads = max(1, threads.count() // workers)
        self.timeout = timeout
        self.memory_limit = memory_limit
        self.on_stage = on_stage
        self.workers: list[_Worker] = []
        self.early_deaths = 0

    def run(self, queue: deque[tuple[Task, int]]) -> Iterator[tuple[Task, Outcome, int]]:
        while queue or any(w.held for w in self.workers):
            self._hand_out(queue)
            ready = wait([w.line for w in self.workers if w.held], timeout=TICK)
            for worker in [w for w in self.workers if w.line in ready]:
                yield from self._listen(worker, queue)
            for worker in list(self.workers):
                yield from self._look_at(worker)

    def _hand_out(self, queue: deque[tuple[Task, int]]) -> None:
        for worker in [w for w in self.workers if w.held is None and w.process.poll() is not None]:
            self._dismiss(worker)
        idle = [w for w in self.workers if w.held is None]
        while queue and (idle or len(self.workers) < self.size):
            if not idle:
                self.workers.append(_Worker(self.threads, self.memory_limit))
                idle.append(self.workers[-1])
            task, attempt = queue.popleft()
            idle.pop().give(task, attempt)
            if self.on_stage:
                self.on_stage(task.name, "started", 0, 0)

    def _listen(self, worker: _Worker, queue: deque[tuple[Task, int]]) -> Iterator[tuple[Task, Outcome, int]]:
        held = worker.held
        if held is None:
            return
        try:
            message = worker.line.recv()
        except (EOFError, OSError):
            yield from self._bury(worker, queue)
            return
        except Exception as exc:  # an answer that cannot be unpacked
            self._dismiss(worker)
            yield held.task, Outcome("crashed", f"unreadable answer: {exc}"), held.attempt
            return
        if message[0] == "ready":
            worker.ready = True
            self.early_deaths = 0
            held.started = time.monotonic()
        elif message[0] == "progress":
            if self.on_stage:
                self.on_stage(held.task.name, *message[1:])
        else:
            worker.held = None
            if message[1].status in ("crashed", "out of memory"):
                self._dismiss(worker)  # the next job deserves a sound process
            yield held.task, message[1], held.attempt

    def _bury(self, worker: _Worker, queue: deque[tuple[Task, int]]) -> Iterator[tuple[Task, Outcome, int]]:
        """A worker is gone: its task runs once more, or is given up."""
        held = worker.held
        how = worker.last_words()
        self._dismiss(worker)
        if held is None:
            return
        if not worker.ready:
            self.early_deaths += 1
            if self.early_deaths >= DEATHS_AT_START:
                raise BatchError(f"worker processes do not start ({how})")
            queue.appendleft((held.task, held.attempt))
        elif held.attempt == 1:
            queue.appendleft((held.task, 2))
        else:
            seconds = round(time.monotonic() - held.started, 3)
            yield held.task, Outcome("crashed", f"its worker died twice ({how})", seconds=seconds), 2

    def _look_at(self, worker: _Worker) -> Iterator[tuple[Task, Outcome, int]]:
        """End a worker that is over its time or memory."""
        held = worker.held
        if held is None:
            return
        seconds = time.monotonic() - held.started
        if self.timeout is not None and seconds > self.timeout + (0.0 if worker.ready else START):
            self._dismiss(worker)
            text = f"not finished after {self.timeout:g} s; raise the timeout or roughing.cell"
            yield held.task, Outcome("timed out", text, seconds=round(seconds, 3)), held.attempt
        elif self.memory_limit is not None and (used := worker.resident_mb()) > self.memory_limit:
            self._dismiss(worker)
            text = f"{used:.0f} MB used, limit {self.memory_limit:.0f} MB; raise roughing.cell or the limit"
            outcome = Outcome("out of memory", text, seconds=round(seconds, 3), peak_mb=round(used, 1))
            yield held.task, outcome, held.attempt

    def _dismiss(self, worker: _Worker) -> None:
        worker.end()
        self.workers.remove(worker)

    def close(self) -> None:
        """End all workers."""
        for worker in self.workers:
            worker.end()
        self.workers.clear()


def execute_apart(task: Task, timeout: float | None, memory_limit: float | None) -> tuple[Outcome, int]:
    """Run one task in a process of its own, from inside somebody else's worker: ``(outcome, attempts)``."""
    for _, outcome, attempts in run_tasks([task], 1, timeout, memory_limit):
        return outcome, attempts
    return Outcome("crashed", "no answer"), 1
