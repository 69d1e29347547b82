"""Work that batch tests hand to workers: what a job does is written in its cutter's name."""

import mmap
import os
import time
from pathlib import Path

import numpy as np

from zrough import PartError
from zrough.batchwork import Result
from zrough.io import write_atomic


def scripted(job, out, progress):
    """Obey ``job.cutter.name``: be well, refuse, crash, die, hang, or eat memory."""
    order, _, detail = job.cutter.name.partition(" ")
    progress("planning", 1, 2)
    if order == "refuse":
        raise PartError("part.stl: open at 3 edges; close the mesh")
    if order == "bug":
        raise ValueError("two\nlines")
    if order == "die" or (order == "die-once" and not Path(detail).exists()):
        if detail:
            Path(detail).write_text("died")
        os.kill(os.getpid(), 9)
    if order == "hang":
        time.sleep(600)
    if order == "wait-here":
        detail, pid_file = detail.split()
        if not Path(pid_file).exists():
            Path(pid_file).write_text(str(os.getpid()))
        order = "wait"
    if order == "wait":
        deadline = time.monotonic() + 60
        while not Path(detail).exists() and time.monotonic() < deadline:
            time.sleep(0.02)
    if order == "eat":
        hoard = []
        while True:
            hoard.append(np.empty(25_000_000))  # refused long before anything is touched
    if order == "eat-shared":  # beside what the system's limit counts
        hoard = mmap.mmap(-1, 400_000_000)
        for start in range(0, len(hoard), mmap.PAGESIZE):
            hoard[start] = 1
        time.sleep(600)
    if order == "half":
        (out / "program.nc").write_text("half a prog")
        os.kill(os.getpid(), 9)
    if order == "grow":
        write_atomic(out / "program.nc", "G1 X1\n" * int(detail))
    part = b"" if job.part.file is None else job.file(job.part.file, "part.file").read_bytes()
    (out / "program.nc").write_bytes(job.roughing.model_dump_json().encode() + part)
    (out / "report.json").write_text('{"ok": true}')
    if order == "fail":
        return Result(False, "gouge of 0.2 mm at X1 Y2 Z-3", {"gouge_mm": 0.2})
    return Result(True, "", {"length_m": 1.5, "threads": int(os.environ.get("NUMBA_NUM_THREADS", 0))})


def not_importable_elsewhere():
    """Something that cannot be sent to another process."""
    return lambda job, out, progress: Result(True)
