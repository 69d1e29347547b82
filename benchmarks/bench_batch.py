"""Throughput and memory of a batch: one worker against several on the same mixed jobs.

    python benchmarks/bench_batch.py                    # 20 jobs, 1 and 2 workers
    python benchmarks/bench_batch.py --jobs 8 --workers 1 2 4 --size shipped

The jobs are the example parts in turn, every second one with climb levels, each with its own stair height
or depth so that no two are the same. Kernels are compiled before the clock starts. The first line is one
worker on one core, which the ratios are to; one worker with every core plans in threads and gains by that.

`ratio` is by the clock and worth what the machine is worth while it runs. `by cpu` minds no other work on
the machine: CPU seconds of each job, dealt out in the batch's order (those that look longest first) to the
workers as they come free, the workers' start included. It falls short of the number of workers by what they
take from each other and by the idle end.
"""

import argparse
import os
import resource
import shutil
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from cases import NAMES, SIZES, case

import zrough
from zrough import Job, run_batch
from zrough.batchorder import longest_first
from zrough.batchwork import Result, plan_and_write
from zrough.progress import Progress
from zrough.threads import cores


def jobs(count: int, size: str) -> list[tuple[str, Job]]:
    """``count`` jobs that differ from each other."""
    made = []
    for i in range(count):
        base = case(NAMES[i % len(NAMES)], size, climb_levels=i % 2 == 1).job
        depth = base.roughing.level_depth or base.cutter.diameter
        variant = base.replace(roughing={"level_depth": round(depth * (1 - 0.02 * (i // len(NAMES))), 3)})
        made.append((f"{i:02d}-{NAMES[i % len(NAMES)]}", variant))
    return made


def timed(job: Job, out: Path, progress: Progress) -> Result:
    """The usual work, with the CPU time it takes in the record."""
    start = time.process_time()
    result = plan_and_write(job, out, progress)
    return replace(result, numbers={**result.numbers, "cpu_s": time.process_time() - start})


def dealt(jobs: list[float], workers: int, start: float) -> float:
    """When the last worker ends, if jobs of so many seconds are taken in order as workers come free."""
    free = [start] * workers
    for seconds in jobs:
        free[free.index(min(free))] += seconds
    return max(free)


def cpu_of_children() -> float:
    """CPU seconds of all ended child processes."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--jobs", type=int, default=20)
    options.add_argument("--size", choices=sorted(SIZES), default="small")
    options.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    options.add_argument("--memory", type=float, default=None, help="MB for one worker")
    asked = options.parse_args()
    todo = jobs(asked.jobs, asked.size)
    print(f"{cores()} cores; kernels ready after {zrough.warm_up():.1f} s")
    print(
        f"{'workers':>8}{'cores':>7}{'seconds':>9}{'ratio':>7}{'cpu s':>8}{'of jobs':>9}{'by cpu':>8}"
        f"{'jobs/min':>10}{'peak MB a worker':>18}  outcome"
    )
    first, alone, files = 0.0, 0.0, None
    every = os.sched_getaffinity(0)
    for workers, allowed in [(1, {min(every)}), *((w, every) for w in asked.workers)]:
        os.sched_setaffinity(0, allowed)  # its workers inherit it
        out = Path(tempfile.mkdtemp(prefix="bench-batch-"))
        start, before = time.perf_counter(), cpu_of_children()
        records = run_batch(todo, out, workers=workers, memory_limit=asked.memory, work=bench_batch.timed)
        seconds, spent = time.perf_counter() - start, cpu_of_children() - before
        begun = longest_first(range(len(todo)), lambda k: todo[k][1])
        each = [float(records[k].numbers.get("cpu_s", 0.0)) for k in begun]
        ideal = dealt(each, workers, (spent - sum(each)) / workers)
        first, alone = first or seconds, alone or ideal
        good = sum(r.ok for r in records)
        peak = max(r.peak_mb for r in records)
        same = "" if files in (None, [r.files for r in records]) else ", OTHER BYTES"
        files = [r.files for r in records]
        print(
            f"{workers:>8}{len(allowed):>7}{seconds:>9.1f}{first / seconds:>7.2f}"
            f"{spent:>8.1f}{sum(each):>9.1f}{alone / ideal:>8.2f}"
            f"{60 * len(todo) / seconds:>10.1f}{peak:>18.0f}  {good} of {len(todo)} good{same}",
            flush=True,
        )
        for record in records:
            if record.status not in ("done", "check failed"):
                print(f"         {record.name}: {record.status}: {record.message}")
        shutil.rmtree(out)


if __name__ == "__main__":
    import bench_batch  # workers know this module by its name

    main()
