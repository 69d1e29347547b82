"""Moves -> NC text of the ISO 6983 kind.

Written so that a control which follows NIST IR 6556 (The NIST RS274NGC Interpreter, version 3) reads it: at
most 256 characters a line (3.3), arcs by centre with incremental I and J (3.5.17) whose radii agree within
0.002 mm or 0.0002 inch (3.5.3.2), a full circle repeats X (3.5.3.2), numbers carry no exponent (3.3.2.1),
comments are not nested (3.3.4). The words for inch and millimetre are an option: G20/G21 are common on
controls, G70/G71 stand in the DIN 66025 and EIA RS-274 code lists.
"""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

from .arcs import closeness, to_chords
from .errors import JobError, PlanError
from .nctext import Word, lines
from .toolpath import Kind, Toolpath

if TYPE_CHECKING:
    from .job import Cutter, Job

INCH = 25.4
LINE_LIMIT = 256
MAX_BLOCK = 1_000_000  # bytes of a start or end block
N_LIMIT = 99999  # NIST IR 6556, 3.3.1
MISMATCH = {"mm": 0.002, "inch": 0.0002}  # NIST IR 6556, 3.5.3.2
CAUTIONS = (
    "CAUTION",
    "Prove this program out in air above the part, single block, rapids and feeds turned down.",
    "Before the first cut check zero, tool length, overhang, clamps and the room the holder needs.",
    "Speeds and feeds are starting points; listen, look at the chips, and be ready at the stop.",
    "Chips of magnesium and titanium can burn: have the right extinguisher there, never water.",
    "What the machine's maker, local rules and a qualified machinist say comes before this text.",
)
#: Fields a start or end block may use, and what they stand for.
FIELDS = {
    "program": "name of the program",
    "comments": "what the program is for, and the cautions, as comment lines",
    "units": "G21 or G20 (G71 or G70, or nothing)",
    "offset": "work offset word, or nothing",
    "tool": "tool number",
    "cutter": "the cutter in words",
    "speed": "spindle speed, 1/min",
    "coolant": "M8, M7 or nothing",
    "coolant_off": "M9 or nothing",
    "x": "where the cutter starts, in the program's units",
    "y": "see x",
    "z": "height the cutter starts at, normally the clearance plane",
}


class SpindleData(Protocol):
    """What the post-processor needs of the cutting data."""

    @property
    def spindle_rpm(self) -> float:
        """Spindle speed, 1/min."""


@dataclass(frozen=True)
class Operation:
    """One cutter's share of a program."""

    toolpath: Toolpath
    cutter: Cutter
    data: SpindleData


def write_nc(toolpath: Toolpath, job: Job, data: SpindleData, header: Sequence[str] = ()) -> str:
    """NC text of one toolpath cut with the job's first cutter.

    Parameters
    ----------
    toolpath : moves in mm and mm/min; the text is in the job's units.
    data : anything with ``spindle_rpm``, 1/min.
    header : lines for the comments at the top, such as what the program does and the check's verdict.

    Raises
    ------
    PlanError : an arc whose two radii differ by more than the control allows, a cutting move without a feed,
        or a coordinate that is not a number.
    JobError : a start or end block that cannot be used.
    """
    return write_program([Operation(toolpath, job.cutter, data)], job, header)


def write_program(operations: Sequence[Operation], job: Job, header: Sequence[str] = ()) -> str:
    """NC text of one program that uses several cutters in turn; see `write_nc`."""
    if not operations:
        raise PlanError("no operation to write; plan at least one cutter")
    start, end = _Block.load(job, "start_block"), _Block.load(job, "end_block")
    fields = _fields(operations[0], job, header)
    parts = [start.fill("program", fields)]
    for operation in operations:
        fields = _fields(operation, job, header)
        parts.append(start.fill("tool", fields))
        placed = {"x", "y", "z"} <= start.used["tool"]
        parts.append(_body(operation.toolpath, job, placed))
        parts.append(end.fill("tool", fields))
    parts.append(end.fill("program", fields))
    return _numbered("".join(parts)) if job.output.line_numbers else "".join(parts)


# --- the moves ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Scaled:
    """Moves as whole numbers of the last decimal written; what the words are made of."""

    xyz: NDArray[np.int64]  # (n, 3)
    ij: NDArray[np.int64]  # (n, 2), 0 on lines
    turn: NDArray[np.int8]
    feed: NDArray[np.int64]  # (n,), 0 on rapids
    rapid: NDArray[np.bool_]
    loose: NDArray[np.bool_]  # arcs too small for so few decimals


def _body(toolpath: Toolpath, job: Job, placed: bool) -> str:
    """Lines of one toolpath; unless the start block ``placed`` the cutter, over the start, then down."""
    inch = job.units == "inch"
    refuse_bad(toolpath)
    close = closeness(job.roughing.tolerance)
    path = toolpath if job.output.arcs else to_chords(toolpath, close)
    moves = _scale(path, job.output.decimals, inch)
    if moves.loose.any():
        path = to_chords(path, close, moves.loose)
        moves = _scale(path, job.output.decimals, inch)
    d, feed_decimals = job.output.decimals, 2 if inch else 1
    changed = np.ones((len(path), 3), bool)
    changed[1:] = moves.xyz[1:] != moves.xyz[:-1]
    changed[0] = not placed
    arc = moves.turn != 0
    whole = arc & ~changed[:, :2].any(axis=1)
    changed[whole, 0] = True  # a full circle repeats X
    moving = changed.any(axis=1)
    code = np.where(moves.rapid, 0, np.where(arc, np.where(moves.turn > 0, 3, 2), 1))
    fed = moving & ~moves.rapid
    rows = np.flatnonzero(moving)
    new_code = _differs(code[rows], first=True)
    new_feed = np.zeros(len(path), bool)
    new_feed[fed] = _differs(moves.feed[fed], first=True)
    words = [
        Word(" G", code[rows], 0, new_code),
        *(Word(f" {a}", moves.xyz[rows, k], d, changed[rows, k]) for k, a in enumerate("XYZ")),
        *(Word(f" {a}", moves.ij[rows, k], d, arc[rows]) for k, a in enumerate("IJ")),
        Word(" F", moves.feed[rows], feed_decimals, new_feed[rows]),
    ]
    text = lines(words, len(rows))
    if not placed and rows.size:  # never slant down to the start: X and Y first, then Z
        first, rest = text.split("\n", 1)
        down = first.rfind(" Z")
        text = f"{first[:down]}\n{first[down + 1 :]}\n{rest}"
    return text


def _differs(values: NDArray[np.int64], first: bool) -> NDArray[np.bool_]:
    """Where a modal value changes."""
    new = np.full(len(values), first)
    new[1:] = values[1:] != values[:-1]
    return new


def refuse_bad(path: Toolpath) -> None:
    """Raise if a move cannot be written."""
    if not np.isfinite(path.xyz).all():
        k = int(np.flatnonzero(~np.isfinite(path.xyz).all(axis=1))[0])
        raise PlanError(f"move {k}: its end point is not a number; no program was written")
    needs = path.kind != Kind.RAPID
    needs[:1] = False
    bad = np.flatnonzero(needs & ~(path.feed > 0))
    if bad.size:
        raise PlanError(f"move {bad[0]}: feed is {path.feed[bad[0]]:g} mm/min, must be above 0")
    arcs = np.flatnonzero(path.turn)
    bad = arcs[~np.isfinite(path.centre[arcs]).all(axis=1)]
    if bad.size:
        raise PlanError(f"move {bad[0]}: an arc without a centre")
    start, end = path.xyz[arcs - 1, :2] - path.centre[arcs], path.xyz[arcs, :2] - path.centre[arcs]
    gap = np.abs(np.hypot(*start.T) - np.hypot(*end.T))
    if gap.size and gap.max() > 0.5 * MISMATCH["mm"]:
        raise PlanError(
            f"move {arcs[gap.argmax()]}: an arc's radii at its two ends differ by {gap.max():.4f} mm, "
            f"limit {0.5 * MISMATCH['mm']:g} mm; correct its centre"
        )


def _scale(path: Toolpath, decimals: int, inch: bool) -> _Scaled:
    unit = (1 / INCH if inch else 1.0) * 10.0**decimals
    xyz = np.rint(path.xyz * unit).astype(np.int64)
    feed = np.floor(path.feed * (100 / INCH if inch else 10) + 1e-6).astype(np.int64)  # never above a limit
    feed = np.maximum(feed, 1)
    rapid = path.kind == Kind.RAPID
    rapid[:1] = True  # the start point itself
    turn = path.turn.copy()
    turn[rapid] = 0
    arcs = np.flatnonzero(turn)
    start, end = xyz[arcs - 1, :2], xyz[arcs, :2]
    centre = path.centre[arcs] * unit
    vanished = (start == end).all(axis=1) & ~_is_long(path, arcs)
    turn[arcs[vanished]] = 0  # shorter than the last decimal: a line, not a full circle
    ij = np.zeros((len(path), 2), np.int64)
    kept = ~vanished
    loose = np.zeros(len(path), bool)
    ij[arcs[kept]], loose[arcs[kept]] = _centres(start[kept], end[kept], centre[kept], unit, inch)
    return _Scaled(xyz, ij, turn, np.where(rapid, 0, feed), rapid, loose)


def _is_long(path: Toolpath, arcs: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Which arcs turn by more than half a circle."""
    a = path.xyz[arcs - 1, :2] - path.centre[arcs]
    b = path.xyz[arcs, :2] - path.centre[arcs]
    side = (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]) * path.turn[arcs]
    same = np.hypot(*(b - a).T) < 1e-9
    long: NDArray[np.bool_] = same | (side < 0)
    return long


def _centres(
    start: NDArray[np.int64],
    end: NDArray[np.int64],
    centre: NDArray[np.float64],
    unit: float,
    inch: bool,
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Rounded I, J with the radii as equal as rounding lets them be; and where that is not enough."""
    limit = MISMATCH["inch" if inch else "mm"]
    scale = unit * (INCH if inch else 1.0)  # counts per unit of the limit
    rounded = np.rint(centre).astype(np.int64)
    nearest = rounded.copy()

    def mismatch(c: NDArray[np.int64]) -> NDArray[np.float64]:
        gap: NDArray[np.float64] = np.abs(np.hypot(*(start - c).T) - np.hypot(*(end - c).T)) / scale
        return gap

    gap = mismatch(nearest)
    loose = np.flatnonzero(gap > 0.25 * limit)  # happens with three decimals
    for di in (-1, 0, 1):
        for dj in (-1, 0, 1):
            trial = rounded + np.array([di, dj])
            g = mismatch(trial)
            better = loose[g[loose] < gap[loose]]
            nearest[better], gap[better] = trial[better], g[better]
    return nearest - start, gap > limit


# --- what stands before and after the moves ----------------------------------------------------------------


@dataclass(frozen=True)
class _Block:
    """A start or end block: its lines by section, with ``${field}`` in them."""

    name: str
    sections: dict[str, list[str]]
    used: dict[str, set[str]]

    @classmethod
    def load(cls, job: Job, key: str) -> _Block:
        """The job's own file, completed by the built-in one for a section that it does not have."""
        own = getattr(job.output, key)
        default = _sections(Path(__file__).with_name("data") / f"{key}.txt", key)
        if own is None:
            given, name = default, key
        else:
            path = job.file(own, f"output.{key}")
            given, name = default | _sections(path, f"output.{key}"), f'output.{key} = "{own}"'
        used = {}
        for section, rows in given.items():
            used[section] = set(re.findall(r"\$\{(\w*)\}", "\n".join(rows)))
            unknown = sorted(used[section] - FIELDS.keys())
            if unknown:
                raise JobError(f"{name}: field ${{{unknown[0]}}} is not known; known are {', '.join(FIELDS)}")
        return cls(name, given, used)

    def fill(self, section: str, fields: dict[str, str]) -> str:
        """The section's text; a line of which empty fields leave nothing is left out."""
        out = []
        for row in self.sections[section]:
            text = re.sub(r"\$\{(\w+)\}", lambda m: fields[m.group(1)], row).strip()
            if text != row and not re.search(r"\w", text):
                continue
            for line in text.split("\n"):
                if len(line) > LINE_LIMIT - 7:  # room for the N word
                    limit = LINE_LIMIT - 7
                    raise JobError(
                        f"{self.name}: a line of {len(line)} characters, limit {limit}: {line[:30]}..."
                    )
                out.append(line)
        return "".join(f"{line}\n" for line in out)


def _sections(path: Path, name: str) -> dict[str, list[str]]:
    """Lines of a block file under ``[program]`` (once) and ``[tool]`` (each cutter); no heading: program."""
    try:
        size = path.stat().st_size
        if size > MAX_BLOCK:
            most = f"at most {MAX_BLOCK / 1e6:g} MB"
            raise JobError(f"{name}: {path.name} has {size / 1e6:.1f} MB, {most}; shorten it")
        text = path.read_text(encoding="ascii")
    except UnicodeDecodeError as exc:
        raise JobError(
            f"{name}: byte {exc.start} of {path.name} is not ASCII; use plain letters only"
        ) from None
    except OSError as exc:
        raise JobError(f"{name}: {path.name} cannot be read: {exc.strerror or exc}") from None
    found: dict[str, list[str]] = {}
    rows: list[str] | None = None
    for number, raw in enumerate(text.splitlines(), 1):
        line = raw.replace("\t", " ")
        if not line.isprintable():
            raise JobError(f"{name}: line {number} of {path.name} has control characters; use plain letters")
        heading = re.fullmatch(r"\s*\[(\w+)\]\s*", line)
        if heading:
            if heading[1] not in ("program", "tool"):
                raise JobError(f"{name}: heading [{heading[1]}] is not known; known are [program] and [tool]")
            rows = found.setdefault(heading[1], [])
        elif line.strip():
            rows = found.setdefault("program", []) if rows is None else rows
            rows.append(line.rstrip())
    return found


def _fields(operation: Operation, job: Job, header: Iterable[str]) -> dict[str, str]:
    inch = job.units == "inch"
    words = {"G20/G21": ("G21", "G20"), "G70/G71": ("G71", "G70"), "none": ("", "")}
    start = operation.toolpath.xyz[0] / (INCH if inch else 1.0)
    place = [_number(v, job.output.decimals) for v in start]
    coolant = job.output.coolant
    return {
        "program": comment(_program_name(job)),
        "comments": "\n".join(f"({c})" for line in (*header, *CAUTIONS) for c in wrapped(line)),
        "units": words[job.output.unit_words][inch],
        "offset": "" if job.output.work_offset == "none" else job.output.work_offset,
        "tool": str(operation.cutter.number),
        "cutter": comment(describe(operation.cutter, inch)),
        "speed": f"{math.floor(operation.data.spindle_rpm + 1e-6):d}",
        "coolant": "" if coolant == "none" else coolant,
        "coolant_off": "" if coolant == "none" else "M9",
        "x": place[0],
        "y": place[1],
        "z": place[2],
    }


def _number(value: float, decimals: int) -> str:
    """As the moves are written: rounded, one decimal at least."""
    whole = round(value * 10**decimals)
    text = f"{abs(whole) / 10**decimals:.{decimals}f}".rstrip("0")
    return ("-" if whole < 0 else "") + text + ("0" if text.endswith(".") else "")


def _program_name(job: Job) -> str:
    name = job.output.program_name or Path(job.source).stem
    return "roughing" if name in ("", "<dict>") else name


def describe(cutter: Cutter, inch: bool = False) -> str:
    """The cutter in words, for the set-up sheet and the program's head."""
    unit, f = ("inch", 1 / INCH) if inch else ("mm", 1.0)
    corner = cutter.corner_radius * f
    if corner == 0:
        form = "flat end mill"
    elif math.isclose(2 * cutter.corner_radius, cutter.diameter):
        form = "ball-nose end mill"
    else:
        form = f"end mill with corner radius {corner:.4g}"
    name = f"{cutter.name}, " if cutter.name else ""
    return (
        f"{name}{form}, diameter {cutter.diameter * f:.4g}, {cutter.flutes} flutes, "
        f"overhang {cutter.overhang * f:.4g} {unit}"
    )


def comment(text: str) -> str:
    """Text that may stand inside a comment: plain letters, no brackets."""
    plain = (
        text.encode("ascii", "replace").decode().replace("(", "[").replace(")", "]").replace("%", " percent")
    )
    return "".join(c if c.isprintable() else " " for c in plain)


def wrapped(text: str, width: int = 100) -> list[str]:
    """Comment text broken into short lines."""
    return textwrap.wrap(comment(text), width) or [" "]


def _numbered(text: str) -> str:
    """The program with N words: by tens while they fit, by ones, and from 1 again past 99999."""
    rows = text.split("\n")
    counted = sum(1 for r in rows if r and r[0] not in "(%")
    step = 10 if counted * 10 <= N_LIMIT else 1
    n = 0
    for k, row in enumerate(rows):
        if row and row[0] not in "(%":
            n = n + step if n + step <= N_LIMIT else step
            rows[k] = f"N{n} {row}"
    return "\n".join(rows)
