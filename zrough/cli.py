"""The command line: arguments -> one library call -> print.

Exit status: 0 fine, 1 check failed, 2 bad input, 3 a bug, 130 stopped. The check fails on what must not
run; a goal that is missed (stairs, flats, completeness) is told as NOT MET and does not change the status.
"""

from __future__ import annotations

import json
import logging
import os
import signal
import sys
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from zrough.errors import Cancelled, ZroughError

if TYPE_CHECKING:
    from zrough.check import Check
    from zrough.job import Job

MOST_FAILURES = 20  # lines on the terminal; report.json and --json have them all
FINE, FAILED, BAD_INPUT, BUG, STOPPED = 0, 1, 2, 3, 130

app = typer.Typer(
    name="zrough",
    help="Roughing programs for mould inserts: mesh in, checked NC program, report and leftover stock out.",
    epilog="Exit status: 0 fine, 1 check failed, 2 bad input, 3 internal error, 130 stopped.",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # plain help: the decorated one takes half a second to load
)

JobFile = Annotated[Path, typer.Argument(metavar="JOB", help="job file (TOML)", show_default=False)]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="print errors only")]
Verbose = Annotated[int, typer.Option("--verbose", "-v", count=True, help="say more; tracebacks")]
AsJson = Annotated[bool, typer.Option("--json", help="print JSON")]


def _version(wanted: bool) -> None:
    if wanted:
        import zrough

        _print([f"zrough {zrough.__version__}"])
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="print the version")
    ] = False,
) -> None:
    """Options before the command."""


@app.command(short_help="Plan a job into a folder: program, report, leftover.")
def plan(
    job_file: JobFile,
    out: Annotated[Path, typer.Option("--out", "-o", metavar="DIR", help="folder for the results")],
    report: Annotated[bool, typer.Option("--report/--no-report", help="write report.html")] = True,
    quiet: Quiet = False,
    verbose: Verbose = 0,
) -> None:
    """Plan a job: program.nc, report.json, report.html and leftover.stl into a folder."""
    _log_level(quiet, verbose)
    job = _read(job_file)
    from zrough import cliview
    from zrough.io import make_folder

    make_folder(out)  # before the work, not after it
    _say_if_cold(quiet, spare=True)
    import zrough

    with cliview.bar(quiet) as progress:
        made = zrough.plan(job, progress)
        files = made.write(out) if report else made.write(out, report=False)
    _warn(made.warnings, quiet)
    if not quiet:
        _print(cliview.plan_lines(made, files))
    _leave(_verdict(made.check))


@app.command(short_help="Replay an NC program and judge it.")
def check(
    program: Annotated[Path, typer.Argument(metavar="NC", help="NC program (text)", show_default=False)],
    job_file: JobFile,
    as_json: AsJson = False,
    quiet: Quiet = False,
    verbose: Verbose = 0,
) -> None:
    """Replay any NC text on the job's stock and part, and judge it."""
    _log_level(quiet, verbose)
    job = _read(job_file)
    from zrough import cliview

    text = cliview.read_program(program)
    _say_if_cold(quiet)
    import zrough

    with cliview.bar(quiet) as progress:
        verdict = zrough.check(text, job, progress)
    _warn(verdict.warnings, quiet)
    if as_json:
        _print_json(verdict.to_dict())
    elif not quiet:
        _print(cliview.check_lines(verdict, job))
    _leave(_verdict(verdict))


@app.command(short_help="Tell what a part is like.")
def inspect(
    part: Annotated[
        Path, typer.Argument(metavar="PART|JOB", help="mesh, STEP or job file", show_default=False)
    ],
    verbose: Verbose = 0,
) -> None:
    """Tell a part's size, units, flats, smallest inside corner, openings and defects.

    Of a job file, also what each of its cutters reaches, and the overhang that its holder asks for.
    """
    _log_level(False, verbose)
    import zrough

    if part.suffix.lower() != ".toml":
        _print(zrough.inspect(part).lines())
        return
    from zrough.part import load

    job = _read(part)
    _print(zrough.inspect(load(job), job.cutters, job.holder_profile, job.holder.clearance).lines())


@app.command("cutting-data", short_help="Show speeds, feeds and loads.")
def cutting_data(job_file: JobFile, verbose: Verbose = 0) -> None:
    """Show the speeds, feeds and loads proposed for a job."""
    _log_level(False, verbose)
    from zrough import cliview

    _print(cliview.cutting_lines(_read(job_file)))


@app.command(short_help="Propose cutter, depths and widths.")
def propose(
    job_file: JobFile,
    cutter: Annotated[
        list[str] | None,
        typer.Option("--cutter", metavar="KEY=VALUE,...", help="a cutter to choose from; give several"),
    ] = None,
    finalists: Annotated[
        int | None, typer.Option(min=1, max=10, metavar="N", help="how many are planned and checked")
    ] = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
    verbose: Verbose = 0,
) -> None:
    """Search cutter, level depth, stair height and width for the least time of roughing and semi-finishing.

    The ball-nose and its load limit stand in [semi_finish], the lists to choose from in [propose].
    """
    _log_level(quiet, verbose)
    job = _read(job_file)
    from zrough import cliview

    tools = cliview.cutters(job, cutter or ())
    _say_if_cold(quiet)
    import zrough

    with cliview.bar(quiet) as progress:
        found = zrough.propose(job, tools or None, finalists, progress)
    if as_json:
        _print_json(found.to_dict())
    else:
        _print(cliview.proposal_lines(found))
    _leave(FINE if found.best.planned and found.best.ok else FAILED)


@app.command(short_help="Print a JSON Schema.")
def schema(
    what: Annotated[Literal["job", "report"], typer.Argument(help="which file to describe")] = "job",
) -> None:
    """Print the JSON Schema of the job file or of report.json."""
    if what == "job":
        from zrough.job import Job

        _print_json(Job.json_schema())
    else:
        from zrough import report

        _print_json(report.json_schema())


@app.command("warm-up", short_help="Compile all kernels now.")
def warm_up() -> None:
    """Compile all kernels now and keep them on disk, so that the first job starts at once."""
    from zrough.warm import warm_up as run

    _print([f"kernels ready after {run():.1f} s"])


@app.command(short_help="Plan many jobs.")
def batch(
    sources: Annotated[
        list[Path],
        typer.Argument(metavar="DIR|LIST|JOB...", help="folders, text lists, job files", show_default=False),
    ],
    out: Annotated[Path, typer.Option("--out", "-o", metavar="DIR", help="folder for the results")],
    workers: Annotated[
        int | None, typer.Option(min=1, metavar="N", help="worker processes [default: one a core]")
    ] = None,
    timeout: Annotated[float | None, typer.Option(min=0.001, metavar="S", help="seconds for one job")] = None,
    memory: Annotated[int | None, typer.Option(min=1, metavar="MB", help="memory for one worker")] = None,
    scheduler: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="run on a Dask scheduler, such as tcp://host:8786")
    ] = None,
    outside: Annotated[
        bool, typer.Option("--allow-outside", help="jobs may name files outside their own folder")
    ] = False,
    report: Annotated[bool, typer.Option("--report/--no-report", help="write reports and leftover")] = True,
    fresh: Annotated[bool, typer.Option("--fresh", help="run finished jobs again")] = False,
    quiet: Quiet = False,
    verbose: Verbose = 0,
) -> None:
    """Plan many jobs; records.jsonl, summary.csv and summary.html tell what came of each.

    Stopped or killed, the same command goes on where it was: finished jobs are skipped.
    """
    _log_level(quiet, verbose)
    from zrough import cliview
    from zrough.batch import find_jobs, plan_and_write, plan_without_report, run_batch

    jobs = find_jobs(sources)
    with cliview.executor(scheduler) as executor, cliview.BatchView(len(jobs), quiet) as view:
        records = run_batch(
            jobs,
            out,
            executor=executor,
            workers=workers,
            timeout=timeout,
            memory_limit=memory,
            confine=not outside,
            resume=not fresh,
            work=plan_and_write if report else plan_without_report,
            on_record=view.record,
            on_stage=view.stage,
        )
    if not quiet:
        _print(cliview.batch_lines(records, out))
    _leave(FINE if all(r.ok for r in records) else FAILED)


# ---------------------------------------------------------------------- shared


def _read(job_file: Path) -> Job:
    from zrough.job import Job

    return Job.from_toml(job_file)


def _verdict(verdict: Check | None) -> int:
    """Print what failed; the exit status."""
    if verdict is None:
        _complain("the program was not checked")
        return FAILED
    if verdict.ok:
        return FINE
    from zrough.batchwork import said

    for failure in verdict.failures[:MOST_FAILURES]:
        _complain(f"check failed: {said(failure)}")
    if len(verdict.failures) > MOST_FAILURES:
        _complain(f"check failed: and {len(verdict.failures) - MOST_FAILURES} more failures")
    return FAILED


def _leave(status: int) -> None:
    raise typer.Exit(status)


def _say_if_cold(quiet: bool, spare: bool = False) -> None:
    """Tell why a first run takes longer; with ``spare`` a second process compiles the checker meanwhile."""
    from zrough.warm import cold, spare_core

    n = cold()
    if n and spare:
        spare_core()
    if n and not quiet:
        _complain(f"first run: compiling {n} kernels and storing them; takes about a minute, once")


def _log_level(quiet: bool, verbose: int) -> None:
    level = logging.ERROR if quiet else (logging.WARNING, logging.INFO, logging.DEBUG)[min(verbose, 2)]
    logging.basicConfig(level=logging.WARNING, format="zrough: %(message)s", stream=sys.stderr)
    logging.getLogger("zrough").setLevel(level)


def _warn(warnings: Sequence[object], quiet: bool) -> None:
    from zrough.batchwork import said

    if not quiet:
        for warning in warnings[:MOST_FAILURES]:
            _complain(f"warning: {said(warning)}")


def _complain(text: str) -> None:
    """One line on stderr, whatever the text holds."""
    line = "".join(c if c.isprintable() else " " for c in text)
    print(f"zrough: {' '.join(line.split())}", file=sys.stderr, flush=True)


def _print(lines: Sequence[str]) -> None:
    print("\n".join(lines), flush=True)


def _print_json(value: Any) -> None:
    print(json.dumps(value, indent=2), flush=True)


def _on_terminate(signum: int, frame: object) -> None:
    """Stop as for Ctrl-C, so that temporary files go."""
    raise KeyboardInterrupt


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; the exit status. Errors become one line on stderr."""
    args = list(sys.argv[1:] if argv is None else argv)
    telling = any(a == "--verbose" or (a[:1] == "-" and a[1:2] != "-" and "v" in a) for a in args)
    if argv is None:
        signal.signal(signal.SIGTERM, _on_terminate)
    try:
        command = typer.main.get_command(app)
        status = command.main(args=args, prog_name="zrough", standalone_mode=False)
        if status == STOPPED:  # some versions of the argument parser turn Ctrl-C into this
            return _stopped("")
        return status if isinstance(status, int) else FINE
    except (Cancelled, KeyboardInterrupt) as exc:
        return _stopped(str(exc))
    except ZroughError as exc:
        _complain(str(exc))
        if telling:
            for note in getattr(exc, "__notes__", [])[1:]:
                _complain(note)
        return BAD_INPUT
    except BrokenPipeError:  # the reader of our output left, as `head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FAILED
    except MemoryError:
        _complain("out of memory; raise roughing.cell, or use a machine with more")
        return BAD_INPUT
    except Exception as exc:
        return _unexpected(exc, telling)


def _stopped(text: str) -> int:
    _complain(text or "stopped; a batch goes on where it was when run again")
    return STOPPED


def _unexpected(exc: Exception, telling: bool) -> int:
    """Usage errors of the argument parser, errors of the system, and bugs."""
    if hasattr(exc, "format_message"):
        _complain(f"{exc.format_message()}; see zrough --help")
        return BAD_INPUT
    if type(exc).__name__ == "Abort":  # what the argument parser makes of Ctrl-C
        return _stopped("")
    if telling:
        traceback.print_exception(exc)
    if isinstance(exc, OSError):
        where = f"{exc.filename}: " if exc.filename else ""
        _complain(f"{where}{exc.strerror or exc}")
        return BAD_INPUT
    more = "" if telling else "; run it again with -v to see where"
    _complain(f"internal error: {type(exc).__name__}: {exc}{more}")
    return BUG


if __name__ == "__main__":
    sys.exit(main())
