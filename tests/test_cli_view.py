"""What the command line shows, with stand-ins for the slow work behind it."""

import io
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

import zrough
from zrough import Cancelled, PlanError, cli, cliview
from zrough.batch import Record

pytestmark = pytest.mark.compiled

JOB = """
units = "mm"
part.file = "part.stl"
material.name = "tool steel, pre-hardened"
machine = { max_spindle_rpm = 15000, max_feed = 12000 }
[cutter]
diameter = 12.0
flutes = 4
flute_length = 26.0
overhang = 45.0
"""


class Terminal(io.StringIO):
    """A text stream that says it is a terminal."""

    def isatty(self):
        return True


@pytest.fixture
def job_file(tmp_path, monkeypatch):
    (tmp_path / "part.stl").write_text("solid x\nendsolid x\n")
    (tmp_path / "job.toml").write_text(JOB)
    (tmp_path / "a.nc").write_bytes(b"G21 (caf\xe9)\nG0 X0 Y0 Z5\nM30\n")
    monkeypatch.setattr("zrough.warm.cold", lambda: 0)
    return tmp_path / "job.toml"


def verdict(ok=True, failures=(), warnings=()):
    """As much of a check as the command line looks at."""
    facts = {"ok": ok, "gouge_mm": 0.001234, "moves": [1, 2], "removed_mm3": 12345.678}
    return SimpleNamespace(ok=ok, failures=failures, warnings=warnings, to_dict=lambda: facts)


def made(check, left=(), warnings=()):
    """As much of a plan as the command line looks at."""

    def write(out, report=True):
        names = ["program.nc", *(["report.html"] if report else [])]
        for name in names:
            (Path(out) / name).write_text("x")
        return [Path(out) / name for name in names]

    return SimpleNamespace(
        levels=[1, 2, 3], check=check, left=list(left), warnings=list(warnings), write=write,
        report={"summary": {"cycle_time_s": 61.234, "levels": 3}},
    )  # fmt: skip


def run(capfd, *args):
    status = cli.main([str(a) for a in args])
    out, err = capfd.readouterr()
    return status, out, err.splitlines()


def test_plan_says_what_came_of_it(capfd, monkeypatch, job_file, tmp_path):
    left = [{"z": -5.0, "x": 1.0, "y": 2.0, "width": 3.0, "reason": "too narrow"}] * 7
    plan = made(verdict(), left, ["stock is tall"])
    monkeypatch.setattr(zrough, "plan", lambda job, progress: plan)
    status, out, err = run(capfd, "plan", job_file, "--out", tmp_path / "o")
    assert (status, err) == (0, ["zrough: warning: stock is tall"])
    assert out.splitlines() == [
        "3 levels",
        "cycle time s: 61.23",
        "levels: 3",
        "left uncut: 7 places, largest first",
        *["  at X1.00 Y2.00 Z-5.00, 3.00 mm wide: too narrow"] * 5,
        "  and 2 more, see report.json",
        "check: passed",
        f"written: {tmp_path / 'o' / 'program.nc'}, {tmp_path / 'o' / 'report.html'}",
    ]
    status, out, err = run(capfd, "plan", job_file, "--out", tmp_path / "p", "-q", "--no-report")
    assert (status, out, err) == (0, "", [])
    assert [p.name for p in (tmp_path / "p").iterdir()] == ["program.nc"]


def test_a_failed_check_is_status_1(capfd, monkeypatch, job_file, tmp_path):
    findings = [SimpleNamespace(message=f"line {n}: gouge") for n in range(30)]
    monkeypatch.setattr(zrough, "plan", lambda job, progress: made(verdict(False, findings)))
    status, out, err = run(capfd, "plan", job_file, "--out", tmp_path / "o")
    assert status == 1
    assert "check: FAILED" in out
    assert err[0] == "zrough: check failed: line 0: gouge"
    assert err[-1] == "zrough: check failed: and 10 more failures"
    assert len(err) == 21
    monkeypatch.setattr(zrough, "plan", lambda job, progress: made(None))
    status, out, err = run(capfd, "plan", job_file, "--out", tmp_path / "o")
    assert (status, err) == (1, ["zrough: the program was not checked"])


def test_first_run_is_announced(capfd, monkeypatch, job_file, tmp_path):
    monkeypatch.setattr("zrough.warm.cold", lambda: 90)
    monkeypatch.setattr(zrough, "plan", lambda job, progress: made(verdict()))
    err = run(capfd, "plan", job_file, "--out", tmp_path / "o")[2]
    assert err == ["zrough: first run: compiling 90 kernels and storing them; takes about a minute, once"]
    assert run(capfd, "plan", job_file, "--out", tmp_path / "o", "-q")[2] == []


@pytest.mark.parametrize(("error", "status"), [(PlanError("no way in"), 2), (Cancelled("stopped"), 130)])
def test_errors_of_the_planner(capfd, monkeypatch, job_file, tmp_path, error, status):
    def refuse(job, progress):
        raise error

    monkeypatch.setattr(zrough, "plan", refuse)
    code, out, err = run(capfd, "plan", job_file, "--out", tmp_path / "o")
    assert (code, out, err) == (status, "", [f"zrough: {error}"])


def test_check_prints_lines_or_json(capfd, monkeypatch, job_file):
    seen = []

    def check(text, job, progress):
        seen.append(text)
        return verdict(False, ["too fast"], ["odd word"])

    monkeypatch.setattr(zrough, "check", check)
    status, out, err = run(capfd, "check", job_file.parent / "a.nc", job_file)
    assert status == 1
    assert out.splitlines() == ["gouge mm: 0.001234", "removed mm3: 1.235e+04", "check: FAILED"]
    assert err == ["zrough: warning: odd word", "zrough: check failed: too fast"]
    assert "caf\xe9" in seen[0]
    assert '"removed_mm3": 12345.678' in run(capfd, "check", job_file.parent / "a.nc", job_file, "--json")[1]


def test_programs_that_cannot_be_read(capfd, monkeypatch, job_file):
    monkeypatch.setattr(cliview, "MAX_PROGRAM", 5)
    status, _, err = run(capfd, "check", job_file.parent / "a.nc", job_file)
    assert status == 2
    assert "at most 0 MB" in err[0]


def test_inspect_and_warm_up(capfd, monkeypatch, job_file):
    monkeypatch.setattr(
        zrough, "inspect", lambda path: SimpleNamespace(lines=lambda: [f"{path.name}: a box"])
    )
    assert run(capfd, "inspect", "part.stl")[:2] == (0, "part.stl: a box\n")
    monkeypatch.setattr("zrough.warm.warm_up", lambda: 1.25)
    assert run(capfd, "warm-up")[:2] == (0, "kernels ready after 1.2 s\n")


def test_inspect_of_a_job_tells_its_cutters_reach(capfd, job_file):
    """A pocket 20 mm deep, narrower than the holder, which must stay above its rim."""
    import trimesh

    sheet = np.full((41, 41), 0.0)
    sheet[10:31, 10:31] = -20.0  # 20 mm across its floor; the walls lean by a cell
    x, y = np.meshgrid(np.arange(41.0), np.arange(41.0))
    at = np.arange(41 * 41).reshape(41, 41)
    a, b, c, d = at[:-1, :-1].ravel(), at[:-1, 1:].ravel(), at[1:, 1:].ravel(), at[1:, :-1].ravel()
    surface = trimesh.Trimesh(
        np.column_stack([x.ravel(), y.ravel(), sheet.ravel()]),
        np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])]),
        process=False,
    )
    surface.export(job_file.parent / "part.stl")
    status, out, _ = run(capfd, "inspect", job_file)
    assert status == 0
    line = next(text for text in out.splitlines() if text.startswith("cutter"))
    assert "down to z -20.000" in line
    needed = float(line.split("needs an overhang of ")[1].split(" mm")[0])
    assert needed == pytest.approx(20.0 + 1.0, abs=0.01)  # to the rim, and the clearance


def test_the_bar_shows_stages_on_a_terminal_only(monkeypatch):
    with cliview.bar(quiet=False) as progress:
        assert progress is None  # under pytest stderr is no terminal
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    with cliview.bar(quiet=True) as progress:
        assert progress is None
    with cliview.bar(quiet=False) as progress:
        assert progress("surface", 0, 0)
        assert progress("rings", 1, 2)
        assert progress("rings", 2, 2)
    assert "surface" in terminal.getvalue()
    assert "rings" in terminal.getvalue()


def test_the_batch_table_on_a_terminal(monkeypatch):
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setenv("COLUMNS", "120")
    with cliview.BatchView(3, quiet=False) as view:
        view.stage("lid [red]", "started", 0, 0)
        view.stage("lid [red]", "rings", 3, 9)
        table = view._table()
        assert table.row_count == 1
        view.record(Record("core", "core.toml", "done", skipped=True))
        view.record(Record("lid [red]", "lid.toml", "refused", "no such [file]"))
        assert view._table().title == "2 of 3: 1 refused, 1 skipped"
    assert "lid [red]: refused, 0.0 s: no such [file]" in terminal.getvalue()


def test_batch_without_a_terminal_prints_a_line_each(capfd):
    with cliview.BatchView(2, quiet=False) as view:
        view.stage("core", "rings", 3, 9)
        view.record(Record("core", "core.toml", "done", seconds=2.34))
        view.record(Record("lid", "lid.toml", "done", skipped=True))
    assert capfd.readouterr().err.splitlines() == ["core: done, 2.3 s", "lid: skipped, was done, 0.0 s"]
    lines = cliview.batch_lines([Record("lid", "lid.toml", "done", skipped=True)], Path("o"))
    assert lines[0] == "1 job: 1 done (1 of them finished earlier)"


def test_the_cluster_extra_is_named_when_missing(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(zrough.BatchError, match="cluster extra"), cliview.executor("tcp://127.0.0.1:1"):
        pass
    with cliview.executor(None) as nothing:
        assert nothing is None


def test_a_reader_that_leaves_is_no_error(monkeypatch):
    def gone(*args):
        raise BrokenPipeError

    moved = []
    monkeypatch.setattr("os.dup2", lambda a, b: moved.append(b))
    monkeypatch.setattr(sys, "stdout", SimpleNamespace(fileno=lambda: 99, flush=lambda: None))
    monkeypatch.setattr(cli, "_print_json", gone)
    assert cli.main(["schema"]) == 1
    assert moved == [99]


def test_propose_takes_cutters_and_prints_a_table(job_file, monkeypatch, capfd):
    """Cutters by keys of the job file; estimates and refusals are told from planned rows."""
    from zrough.propose import Choice, Ranking, Row

    asked = {}

    def stand_in(job, cutters, finalists, progress):
        asked.update(cutters=cutters, finalists=finalists)
        assert progress is None  # quiet

        def row(k, planned, ok, reasons):
            seconds = (60.0 * (k + 1), 30.0, 60.0 * k + 95.0)
            return Row(Choice(cutters[k], 12.0, 0.8, 2.5), planned, ok, *seconds, 50.0, 3.1, 0.01, 900.0,
                       0.75, 0.1, 20.0 if planned else None, reasons)  # fmt: skip

        rows = (row(0, True, True, ("quickest",)), row(1, False, False, ("too weak", "too long")))
        return Ranking(job, rows, 7, {"spindle speed": 5})

    monkeypatch.setattr(zrough, "propose", stand_in)
    options = ["--cutter", "diameter=16,corner_radius=1.5,flutes=4,flute_length=34,overhang=60"]
    options += ["--cutter", "name=short,diameter=10,flutes=3,flute_length=20,overhang=35", "--finalists", "2"]
    assert cli.main(["propose", str(job_file), *options, "-q"]) == 0
    lines = capfd.readouterr().out.splitlines()
    assert [(c.number, c.diameter, c.corner_radius, c.flutes) for c in asked["cutters"]] == [
        (1, 16.0, 1.5, 4), (2, 10.0, 0.0, 3),
    ]  # fmt: skip
    assert asked["finalists"] == 2
    first, second = (" ".join(line.split()) for line in lines[1:3])
    assert first == "1 D16 R1.5 z4 12.00 0.80 2.50 50 1.0 0.5 1.5 0.75 quickest"
    assert second.startswith("2 short 12.00 0.80 2.50 50 ~2.0 ~0.5 ~2.5 ")
    assert lines[2].endswith("NOT USABLE: too weak; too long")
    assert lines[-2:] == ["7 combinations tried", "refused 5: spindle speed"]
    assert cli.main(["propose", str(job_file), *options, "--json", "-q"]) == 0
    assert '"tried": 7' in capfd.readouterr().out
    for text, said in (
        ("diameter", 'zrough: --cutter "diameter": "diameter" is no KEY=VALUE'),
        ("diameter=-3,flutes=2,flute_length=9,overhang=9", "diameter: "),
        ("diametre=3", "see [cutter] in the schema"),
    ):
        assert cli.main(["propose", str(job_file), "--cutter", text]) == 2
        err = capfd.readouterr().err
        assert said in err
        assert len(err.splitlines()) == 1
