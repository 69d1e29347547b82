"""What the command line shows: progress, the batch table, summaries. Loaded by commands that need it."""

from __future__ import annotations

import contextlib
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from zrough.errors import BatchError, NcError
from zrough.leftplaces import by_place

if TYPE_CHECKING:
    from zrough.batch import Record
    from zrough.check import Check
    from zrough.job import Cutter, Job
    from zrough.plan import Plan
    from zrough.propose import Ranking

MAX_PROGRAM = 512 * 1024 * 1024  # bytes of NC text; a large roughing program has a few million

Progress = Callable[[str, int, int], bool]


def read_program(path: Path) -> str:
    """NC text from a file; comments may be in any 8-bit code.

    Raises
    ------
    NcError : missing, too large or unreadable.
    """
    try:
        if not path.is_file():
            what = "is not a plain file" if path.exists() else "no such file"
            raise NcError(f"{path}: {what}; give the path of an NC program")
        size = path.stat().st_size
        if size > MAX_PROGRAM:
            raise NcError(f"{path}: {size / 1e6:.0f} MB of NC text; at most {MAX_PROGRAM / 1e6:.0f} MB")
        return path.read_bytes().decode("latin-1")
    except (OSError, ValueError) as exc:
        raise NcError(f"{path}: cannot be read: {getattr(exc, 'strerror', None) or exc}") from None


@contextlib.contextmanager
def bar(quiet: bool) -> Iterator[Progress | None]:
    """A progress bar with stages on a terminal; None where nobody watches."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description:<12}"), BarColumn(), TaskProgressColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as shown:
        stages: dict[str, Any] = {}

        def progress(stage: str, done: int, total: int) -> bool:
            if stage not in stages:
                stages[stage] = shown.add_task(stage, total=total or None)
            shown.update(stages[stage], completed=done, total=total or None)
            return True

        yield progress


def plan_lines(plan: Plan, files: Sequence[Path]) -> list[str]:
    """A short summary of a plan."""
    lines = [f"{len(plan.levels)} levels"]
    summary = plan.report.get("summary", {})
    lines += [f"{key.replace('_', ' ')}: {_shown(value)}" for key, value in summary.items()]
    lines += [_missed(p) for p in plan.report.get("promises", ()) if p["kept"] is False and not p["safety"]]
    if plan.left:
        places = by_place(plan.left)
        lines.append(f"left uncut: {len(places)} places, largest first")
        lines += [f"  {_place(place)}" for place in places[:5]]
        if len(places) > 5:
            lines.append(f"  and {len(places) - 5} more, see report.json")
    if plan.check is not None:
        lines.append("check: passed" if plan.check.ok else "check: FAILED")
    return [*lines, "written: " + ", ".join(str(f) for f in files)]


def _missed(goal: Mapping[str, Any]) -> str:
    """A goal of the job that the program does not reach, on a line."""
    note = f"; {goal['note']}" if goal["note"] else ""
    return f"NOT MET: {goal['name']}: {goal['found']:.4g} {goal['unit']}, {goal['limit']:.4g} wanted{note}"


def cutters(job: Job, texts: Sequence[str]) -> list[Cutter]:
    """Cutters given as ``diameter=16,flutes=4,...`` with the keys of [cutter], in the job's unit.

    Raises
    ------
    JobError : a key or value cannot be used.
    """
    from pydantic import ValidationError

    from zrough.errors import JobError
    from zrough.job import Cutter
    from zrough.jobtables import MM_PER_INCH

    found = []
    for number, text in enumerate(texts, start=1):
        raw: dict[str, Any] = {"number": number}
        for pair in text.split(","):
            key, sign, given = pair.partition("=")
            if not sign:
                raise JobError(f'--cutter "{text}": "{pair}" is no KEY=VALUE; write diameter=16,flutes=4,...')
            raw[key.strip()] = _number_or_text(given.strip())
        try:
            context = {"mm": MM_PER_INCH if job.units == "inch" else 1.0}
            found.append(Cutter.model_validate(raw, context=context))
        except ValidationError as exc:
            first = exc.errors()[0]
            where = ".".join(str(part) for part in first["loc"]) or "cutter"
            raise JobError(
                f'--cutter "{text}": {where}: {first["msg"]}; see [cutter] in the schema'
            ) from None
    return found


def _number_or_text(given: str) -> Any:
    for kind in (int, float):
        try:
            return kind(given)
        except ValueError:
            continue
    return {"true": True, "false": False}.get(given, given)


def proposal_lines(found: Ranking) -> list[str]:
    """The table of a proposal, in the job's unit, and what was refused."""
    inch = found.job.units == "inch"
    unit, digits = (25.4, 4) if inch else (1.0, 2)

    def far(mm: float) -> str:
        return f"{mm / unit:.{digits}f}"

    head = ("", "cutter", "depth", "stair", "width", "cap", "rough", "semi", "total min", "bite", "why")
    rows: list[tuple[str, ...]] = [head]
    for place, row in enumerate(found.rows, start=1):
        c = row.choice
        mark = "" if row.planned else "~"
        times = [f"{mark}{t / 60:.1f}" for t in (row.rough_s, row.semi_s, row.total_s)]
        why = "; ".join(row.reasons) if row.ok else "NOT USABLE: " + "; ".join(row.reasons)
        rows.append((str(place), c.label, far(c.level_depth), far(c.stair_height), far(c.radial_width),
                     f"{row.engagement_deg:.0f}", *times, far(row.thickest), why))  # fmt: skip
    wide = [max(len(row[k]) for row in rows) for k in range(len(head) - 1)]
    lines = ["  ".join([*(t.rjust(w) for t, w in zip(row, wide, strict=False)), row[-1]]) for row in rows]
    lines.append(f"lengths in {found.job.units}, cap in degrees, times by the time model; ~ estimated")
    lines.append(f"{found.tried} combinations tried")
    lines += [f"refused {n}: {reason}" for reason, n in found.refused.items()]
    return lines


def _place(left: Mapping[str, Any]) -> str:
    """One place that was left, on a line."""
    at = " ".join(f"{axis.upper()}{left[axis]:.2f}" for axis in "xyz" if axis in left)
    if left.get("levels", 1) > 1:
        at += f" to Z{left['z_top']:.2f} ({left['levels']} levels)"
    if left.get("kind") == "rest":  # the ground round it may be as wide as it likes
        size = f", {left['area']:.2g} mm2"
    else:
        size = f", {left['width']:.2f} mm wide" if left.get("width") else ""
    return f"at {at}{size}: {left.get('reason', '')}"


def cutting_lines(job: Job) -> list[str]:
    """The cutting data proposed for a job, in columns."""
    from zrough import cutting

    lines: list[str] = []
    for cutter in job.cutters:
        rows = cutting.table(cutting.propose(job, cutter), job.units)
        wide = max((len(r.quantity) for r in rows), default=0)
        if len(job.cutters) > 1:
            lines.append(f"T{cutter.number}")
        lines += [f"{r.quantity:<{wide}}  {r.value:>9} {r.unit:<8} {r.note}".rstrip() for r in rows]
    return lines


def check_lines(check: Check, job: Job | None = None) -> list[str]:
    """What a replay found, a line each; with the job also the stairs that it wants lower."""
    from zrough.promises import stair_goals

    lines = [f"{key.replace('_', ' ')}: {_shown(v)}" for key, v in check.to_dict().items() if _plain(v)]
    if job is not None:
        lines += [_missed(goal.as_dict()) for goal in stair_goals(job, check) if goal.kept is False]
    return [*lines, "check: passed" if check.ok else "check: FAILED"]


def _plain(value: Any) -> bool:
    return isinstance(value, int | float | str) and not isinstance(value, bool)


def _shown(value: Any) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)


# ---------------------------------------------------------------------- batch


@contextlib.contextmanager
def executor(scheduler: str | None) -> Iterator[Executor | None]:
    """The executor of a Dask scheduler; None without an address.

    Raises
    ------
    BatchError : the cluster extra is not installed, or nobody answers at the address.
    """
    if scheduler is None:
        yield None
        return
    try:
        from distributed import Client
    except ImportError:
        raise BatchError('--scheduler needs the cluster extra: pip install "zrough[cluster]"') from None
    try:
        client: Any = Client(scheduler, timeout=10, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as exc:
        raise BatchError(f"no scheduler answers at {scheduler} ({type(exc).__name__})") from None
    with client:
        # Results differ in nothing but time, so the scheduler may run a lost job again by itself.
        yield client.get_executor(pure=False)


class BatchView:
    """A live table of the batch on a terminal; elsewhere one line for each record."""

    def __init__(self, total: int, quiet: bool) -> None:
        self.total = total
        self.quiet = quiet
        self.running: dict[str, tuple[str, float]] = {}
        self.counts: Counter[str] = Counter()
        self._live: Any = None

    def __enter__(self) -> Self:
        if not self.quiet and sys.stderr.isatty():
            from rich.console import Console
            from rich.live import Live

            self._live = Live(
                get_renderable=self._table, console=Console(stderr=True), transient=True, refresh_per_second=4
            )
            self._live.start()
        return self

    def __exit__(self, *exc: object) -> None:
        if self._live is not None:
            self._live.stop()

    def stage(self, name: str, stage: str, done: int, total: int) -> None:
        """Note where a job is."""
        text = f"{stage} {done}/{total}" if total else stage
        began = self.running[name][1] if name in self.running and stage != "started" else time.monotonic()
        self.running[name] = (text, began)

    def record(self, record: Record) -> None:
        """Note that a job is through."""
        self.running.pop(record.name, None)
        self.counts["skipped" if record.skipped else record.status] += 1
        if self.quiet:
            return
        note = "skipped, was " if record.skipped else ""
        line = f"{record.name}: {note}{record.status}, {record.seconds:.1f} s"
        line += f": {record.message}" if record.message else ""
        if self._live is None:
            sys.stderr.write(line + "\n")
            sys.stderr.flush()
        elif not record.ok:
            self._live.console.print(line, markup=False, highlight=False)

    def _table(self) -> Any:
        from rich.table import Table
        from rich.text import Text

        finished = sum(self.counts.values())
        said = ", ".join(f"{n} {status}" for status, n in sorted(self.counts.items()))
        table = Table(
            title=f"{finished} of {self.total}" + (f": {said}" if said else ""), title_justify="left"
        )
        table.add_column("job")
        table.add_column("stage")
        table.add_column("s", justify="right")
        now = time.monotonic()
        for name, (text, began) in sorted(self.running.items()):
            table.add_row(Text(name), Text(text), f"{now - began:.0f}")
        return table


def batch_lines(records: Sequence[Record], out: Path) -> list[str]:
    """The end of a batch in a few lines."""
    counts = Counter(r.status for r in records)
    said = ", ".join(f"{n} {status}" for status, n in counts.most_common())
    skipped = sum(r.skipped for r in records)
    said += f" ({skipped} of them finished earlier)" if skipped else ""
    what = "job" if len(records) == 1 else "jobs"
    return [f"{len(records)} {what}: {said}", f"written: {out / 'records.jsonl'}, summary.csv, summary.html"]
