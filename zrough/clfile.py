"""Moves -> neutral cutter location text, an open alternative to NC text.

One record a line in the words of the ISO 3592 / ISO 4343 family (PARTNO, UNITS, LOADTL, CUTTER, SPINDL,
COOLNT, RAPID, FEDRAT, GOTO, END, FINI), for post-processors that read such text. GOTO gives the cutter's
tip; arcs are written as chords, since readers differ about the direction of a circle record.
The full text of these standards was not at hand: the record names are common practice, and ISO 3592 limits
a record to 245 elements (its public preview), which no record here comes near.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from .arcs import closeness, to_chords
from .nctext import Word, lines
from .post import INCH, Operation, SpindleData, comment, describe, refuse_bad
from .toolpath import Kind, Toolpath

if TYPE_CHECKING:
    from .job import Job


def write_cl(toolpath: Toolpath, job: Job, data: SpindleData, header: Sequence[str] = ()) -> str:
    """Cutter location text of one toolpath; arguments and errors as in `zrough.post.write_nc`."""
    return write_cl_program([Operation(toolpath, job.cutter, data)], job, header)


def write_cl_program(operations: Sequence[Operation], job: Job, header: Sequence[str] = ()) -> str:
    """Cutter location text of a job that uses several cutters in turn."""
    inch = job.units == "inch"
    name = comment(job.output.program_name or job.source)
    head = [f"PARTNO {name}"] + [f"PPRINT {comment(line)}" for line in header]
    head.append(f"UNITS/{'INCHES' if inch else 'MM'}")
    parts = ["".join(f"{row[:LONGEST]}\n" for row in head)]
    for operation in operations:
        parts.append(_tool(operation, job, inch))
        parts.append(_moves(operation.toolpath, job, inch))
        parts.append("COOLNT/OFF\n" * (job.output.coolant != "none") + "SPINDL/OFF\n")
    return "".join(parts) + "END\nFINI\n"


LONGEST = 120  # characters of a free text record


def _tool(operation: Operation, job: Job, inch: bool) -> str:
    cutter = operation.cutter
    f, d = (1 / INCH if inch else 1.0), job.output.decimals
    rows = [
        f"PPRINT {comment(describe(cutter, inch))}",
        f"LOADTL/{cutter.number}",
        f"CUTTER/{cutter.diameter * f:.{d}f},{cutter.corner_radius * f:.{d}f}",
        f"SPINDL/{math.floor(operation.data.spindle_rpm + 1e-6)},RPM,CLW",
    ]
    if job.output.coolant != "none":
        rows.append(f"COOLNT/{'MIST' if job.output.coolant == 'M7' else 'FLOOD'}")
    return "".join(f"{row}\n" for row in rows)


def _moves(toolpath: Toolpath, job: Job, inch: bool) -> str:
    refuse_bad(toolpath)
    path = to_chords(toolpath, closeness(job.roughing.tolerance))
    unit = (1 / INCH if inch else 1.0) * 10.0**job.output.decimals
    xyz = np.rint(path.xyz * unit).astype(np.int64)
    moved = np.ones(len(path), bool)
    moved[1:] = (xyz[1:] != xyz[:-1]).any(axis=1)
    rows = np.flatnonzero(moved)
    rapid = path.kind[rows] == Kind.RAPID
    rapid[:1] = True
    feed = np.floor(path.feed[rows] * (100 / INCH if inch else 10) + 1e-6).astype(np.int64)
    fed = np.flatnonzero(~rapid)
    told = np.zeros(len(rows), bool)
    told[fed[1:]] = feed[fed[1:]] != feed[fed[:-1]]
    told[fed[:1]] = True
    d = job.output.decimals
    words = [
        Word("\nRAPID", None, 0, rapid),
        Word("\nFEDRAT/", feed, 2 if inch else 1, told),
        Word(f",{'IPM' if inch else 'MMPM'}", None, 0, told),
        Word("\nGOTO/", xyz[rows, 0], d),
        Word(",", xyz[rows, 1], d),
        Word(",", xyz[rows, 2], d),
    ]
    return lines(words, len(rows))
