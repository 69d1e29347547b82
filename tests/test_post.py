"""NC text and cutter location text, read back by the few lines below and, where it is there, by `ncread`.

The rules asked of every program are those of NIST IR 6556 (Kramer, Proctor, Messina: The NIST RS274NGC
Interpreter, version 3, 2000); the section stands beside each.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from zrough.arcs import fit
from zrough.clfile import write_cl
from zrough.errors import JobError, PlanError
from zrough.job import Job
from zrough.ncread import read
from zrough.post import CAUTIONS, Operation, write_nc, write_program
from zrough.toolpath import Kind, Toolpath

INCH = 25.4


@dataclass(frozen=True)
class Data:
    spindle_rpm: float = 6366.2


def job(folder: Path = Path("."), units: str = "mm", cutters: int = 1, **output: object) -> Job:
    scale = 1 / INCH if units == "inch" else 1.0
    cutter = {"diameter": 12 * scale, "corner_radius": scale, "flutes": 4, "flute_length": 26 * scale}
    return Job.from_dict(
        {
            "units": units,
            "part": {"file": "x.stl"},
            "stock": {"min": [-80 * scale, -60 * scale, -55 * scale], "max": [80 * scale, 60 * scale, 0]},
            "cutter": [
                cutter | {"overhang": 45 * scale, "name": f"no. {k} (new)"} for k in range(1, cutters + 1)
            ],
            "material": {"name": "P"},
            "machine": {"max_spindle_rpm": 15000, "max_feed": 12000 * scale},
            "output": output,
        },
        base_dir=folder,
        mesh=(np.eye(3), np.array([[0, 1, 2]])),
    )


def path(moves: list[tuple[object, ...]]) -> Toolpath:
    """Toolpath of (kind, x, y, z, feed, turn, cx, cy) rows; the last three may be left out."""
    rows = [(*m, 0, math.nan, math.nan)[:8] if len(m) == 5 else m for m in moves]
    a = np.array([[float(v) for v in r] for r in rows])
    n = len(a)
    return Toolpath(
        a[:, 1:4].copy(), a[:, 0].astype(np.uint8), a[:, 4].copy(), a[:, 5].astype(np.int8), a[:, 6:8].copy(),
        np.zeros(n, np.int32), np.zeros(n, np.float32),
    )  # fmt: skip


def mixed(seed: int, n: int = 400) -> Toolpath:
    """Lines, arcs, helices, full circles and rapids in any order, radii from 0.02 to 500 mm."""
    rng = np.random.default_rng(seed)
    rows: list[tuple[object, ...]] = [(Kind.RAPID, 3.0, -2.0, 10.0, 0.0)]
    x, y, z = 3.0, -2.0, 10.0
    for _ in range(n):
        pick = rng.integers(0, 5)
        feed = float(rng.choice([800.0, 1591.55, 6000.0]))
        if pick == 0:
            x, y, z = rng.uniform(-70, 70), rng.uniform(-50, 50), 10.0
            rows.append((Kind.RAPID, x, y, z, 0.0))
        elif pick == 1:
            x, y, z = x + rng.normal(0, 5), y + rng.normal(0, 5), z + rng.choice([0.0, rng.normal(0, 1)])
            rows.append((Kind.CUT, x, y, z, feed))
        else:
            radius, a = 10 ** rng.uniform(-1.7, 2.7), rng.uniform(0, 2 * math.pi)
            turn = int(rng.choice([-1, 1]))
            cx, cy = x - radius * math.cos(a), y - radius * math.sin(a)
            if pick > 2:
                b = a + turn * rng.uniform(0.01, 3.1)
                x, y = cx + radius * math.cos(b), cy + radius * math.sin(b)
            z += float(rng.choice([0.0, rng.normal(0, 1)]))
            rows.append((Kind.HELIX, x, y, z, feed, turn, cx, cy))
    return path(rows)


@dataclass
class Line:
    """One motion as the text says it, lengths in the text's unit."""

    g: int
    start: tuple[float, ...]
    end: tuple[float, ...]
    centre: tuple[float, float]
    feed: float
    letters: str


WORD = re.compile(r"([A-Z])([+-]?(?:\d+\.?\d*|\.\d+))")


def motions(text: str) -> list[Line]:
    """Every motion of a program written in modal words with incremental I and J."""
    state = dict.fromkeys("XYZ", math.nan)
    g, feed, out = -1, math.nan, []
    for raw in text.splitlines():
        words = WORD.findall(re.sub(r"\(.*?\)", "", raw))
        letters = "".join(a for a, _ in words)
        for a, v in words:
            if a == "G" and float(v) in (0, 1, 2, 3):
                g = int(v)
            if a == "F":
                feed = float(v)
        given = {a: float(v) for a, v in words if a in "XYZIJ"}
        if not given:
            continue
        start = tuple(state.values())
        state |= {a: v for a, v in given.items() if a in state}
        centre = (start[0] + given.get("I", 0), start[1] + given.get("J", 0))
        out.append(Line(g, start, tuple(state.values()), centre, feed if g else 0.0, letters))
    return out


def legal(text: str, limit: float) -> None:
    """What NIST IR 6556 asks of a program; ``limit`` is the arc mismatch for its unit."""
    rows = text.splitlines()
    assert rows[0] == rows[-1] == "%"  # 3.1
    for row in rows:
        assert len(row) <= 256  # 3.3
        assert row.isascii()
        bare = re.sub(r"\([^()]*\)", "", row)  # 3.3.4: not nested, closed on the line
        assert "(" not in bare
        assert ")" not in bare
        words = WORD.findall(bare)
        assert "".join(a + v for a, v in words) == "".join(bare.split()) or row == "%"  # 3.3.2.1
        letters = [a for a, _ in words]
        assert all(letters.count(a) == 1 for a in letters if a not in "GM")  # 3.3.5
        codes = [float(v) for a, v in words if a == "G"]
        groups = [(0, 1, 2, 3), (17, 18, 19), (90, 91), (93, 94), (20, 21), (70, 71), (40, 41, 42), (43, 49)]
        assert all(sum(c in group for c in codes) <= 1 for group in groups)  # table 4
        assert all(0 <= int(v) <= 99999 for a, v in words if a == "N")  # 3.3.1
    for m in motions(text):
        if m.g in (2, 3):
            assert "I" in m.letters or "J" in m.letters  # 3.5.3.2
            assert "X" in m.letters or "Y" in m.letters  # 3.5.3.2
            r0, r1 = math.dist(m.start[:2], m.centre), math.dist(m.end[:2], m.centre)
            assert abs(r0 - r1) <= limit  # 3.5.3.2
        assert m.g == 0 or m.feed > 0


def test_the_helical_arc_of_the_nist_report() -> None:
    """NIST IR 6556, 3.5.3.2: from (7, 7), G2 X10 Y16 I3 J4 Z9 turns about (10, 11) with radius 5."""
    toolpath = path([(Kind.RAPID, 7, 7, 20, 0), (Kind.HELIX, 10, 16, 9, 500, -1, 10, 11)])
    text = write_nc(toolpath, job(), Data())
    assert "G2 X10.0 Y16.0 Z9.0 I3.0 J4.0 F500.0" in text
    legal(text, 0.002)


@pytest.mark.parametrize("units", ["mm", "inch"])
@pytest.mark.parametrize("decimals", [3, 4, 5])
@pytest.mark.parametrize("seed", [1, 2])
def test_reads_back_as_the_same_moves(units: str, decimals: int, seed: int) -> None:
    toolpath = mixed(seed)
    scale = INCH if units == "inch" else 1.0
    limit = 0.0002 if units == "inch" else 0.002
    text = write_nc(toolpath, job(units=units, decimals=decimals), Data())
    legal(text, limit)
    unit = scale * 10.0**-decimals
    if (units, decimals) == ("inch", 3):  # too coarse for small arcs, which become chords
        program = read(text)
        assert not program.findings
        assert np.nansum(program.lengths()) == pytest.approx(toolpath.lengths().sum(), rel=2e-3)
        return
    said = [m for m in motions(text) if not math.isnan(m.start[0] + m.start[1] + m.start[2])]
    wanted = []
    last = np.round(toolpath.xyz[0] / unit)
    for k in range(1, len(toolpath)):
        now = np.round(toolpath.xyz[k] / unit)
        whole = toolpath.turn[k] != 0 and np.allclose(toolpath.xyz[k, :2], toolpath.xyz[k - 1, :2], atol=1e-9)
        if (now != last).any() or whole:
            wanted.append(k)
        last = now
    assert len(said) == len(wanted)
    for m, k in zip(said, wanted, strict=True):
        assert np.allclose(np.array(m.end) * scale, toolpath.xyz[k], atol=0.5001 * unit)
        assert (m.g == 0) == (toolpath.kind[k] == Kind.RAPID)
        if m.g:
            assert toolpath.feed[k] - 0.3 < m.feed * scale <= toolpath.feed[k] + 1e-6
        if m.g in (2, 3):
            assert (m.g == 3) == (toolpath.turn[k] > 0)
            assert np.allclose(np.array(m.centre) * scale, toolpath.centre[k], atol=2 * unit)


def test_the_reader_of_the_package_agrees() -> None:
    toolpath = mixed(5)
    for units in ("mm", "inch"):
        program = read(write_nc(toolpath, job(units=units), Data()))
        assert not program.findings
        assert program.units == units
        moves = program.end[~np.isnan(program.start).any(axis=1)]
        still = np.concatenate([[False], (np.abs(np.diff(toolpath.xyz, axis=0)) > 2e-4).any(axis=1)])
        whole = (toolpath.turn != 0) & ~still
        assert np.allclose(moves, toolpath.xyz[1:][(still | whole)[1:]], atol=2e-4)
        # a path that is all there is as long
        assert np.nansum(program.lengths()) == pytest.approx(toolpath.lengths().sum(), rel=1e-3)
        assert (program.spindle[-1], program.tool[-1]) == (6366, 1)


def test_words_appear_only_when_they_change() -> None:
    toolpath = path(
        [
            (Kind.RAPID, 0, 0, 10, 0),
            (Kind.DROP, 0, 0, -3, 1200),
            (Kind.CUT, 10, 0, -3, 1200),
            (Kind.CUT, 10, 0, -3, 1200),
            (Kind.CUT, 10, 5, -3, 900),
            (Kind.CUT, 10, 5, -3, 900, 1, 8, 5),
            (Kind.LIFT, 10, 5, 10, 9000),
            (Kind.RAPID, 0.00004, 0, 10, 0),
        ]
    )
    text = write_nc(toolpath, job(), Data())
    body = text.split("M8\n")[1].split("M9")[0].splitlines()
    assert body == [
        "G1 Z-3.0 F1200.0",
        "X10.0",
        "Y5.0 F900.0",
        "G3 X10.0 I-2.0 J0.0",
        "G1 Z10.0 F9000.0",
        "G0 X0.0 Y0.0",
    ]


def test_head_and_end() -> None:
    text = write_nc(
        path([(Kind.RAPID, 1, 2, 10, 0)]), job(program_name="lid (left)"), Data(), ["checked: passed"]
    )
    rows = text.splitlines()
    assert rows[:3] == ["%", "(lid [left])", "(checked: passed)"]
    for caution in CAUTIONS:
        assert caution in re.sub(r"\)\n\(", " ", text)
    assert rows[-11:] == [
        "G54",
        "(T1: no. 1 [new], end mill with corner radius 1, diameter 12, 4 flutes, overhang 45 mm)",
        "T1 M6",
        "S6366 M3",
        "G0 X1.0 Y2.0",
        "G43 H1 Z10.0",
        "M8",
        "M9",
        "M5",
        "M30",
        "%",
    ]


@pytest.mark.parametrize(
    ("words", "units", "expected"),
    [
        ("G20/G21", "mm", "G21 G17 G90 G94 G40"),
        ("G20/G21", "inch", "G20 G17 G90 G94 G40"),
        ("G70/G71", "mm", "G71 G17 G90 G94 G40"),
        ("G70/G71", "inch", "G70 G17 G90 G94 G40"),
        ("none", "mm", " G17 G90 G94 G40"),
    ],
)
def test_unit_words(words: str, units: str, expected: str) -> None:
    text = write_nc(path([(Kind.RAPID, 1, 2, 10, 0)]), job(units=units, unit_words=words), Data())
    assert expected.strip() in [row.strip() for row in text.splitlines()]


def test_no_coolant_no_offset() -> None:
    rows = write_nc(
        path([(Kind.RAPID, 1, 2, 10, 0)]), job(coolant="none", work_offset="none"), Data()
    ).splitlines()
    assert not {"M7", "M8", "M9", "G54", ""} & set(rows)


def test_arcs_off_stays_close() -> None:
    toolpath = mixed(9)
    text = write_nc(toolpath, job(arcs=False), Data())
    legal(text, 0.002)
    assert {m.g for m in motions(text)} <= {0, 1}
    program = read(text)
    assert not program.findings
    assert np.nansum(program.lengths()) == pytest.approx(toolpath.lengths().sum(), rel=2e-3)


def test_line_numbers() -> None:
    toolpath = mixed(3)
    few = write_nc(toolpath, job(line_numbers=True), Data())
    legal(few, 0.002)
    plain = write_nc(toolpath, job(), Data())
    assert re.sub(r"^N\d+ ", "", few, flags=re.M) == plain
    n = 120_000
    t = np.arange(n)
    long = path([(Kind.RAPID, 0, 0, 10, 0)])
    grown = Toolpath(
        np.stack([0.01 * t, t % 2, 0 * t - 1.0], axis=1), np.full(n, Kind.CUT, np.uint8), np.full(n, 500.0),
        np.zeros(n, np.int8), np.full((n, 2), np.nan), np.zeros(n, np.int32), np.zeros(n, np.float32),
    )  # fmt: skip
    text = write_nc(Toolpath.join([long, grown]), job(line_numbers=True), Data())
    numbers = [int(v) for v in re.findall(r"^N(\d+) ", text, flags=re.M)]
    assert max(numbers) == 99999
    assert numbers[:3] == [1, 2, 3]
    assert len(numbers) > n


def test_own_start_and_end_block(tmp_path: Path) -> None:
    (tmp_path / "start.txt").write_text(
        "O1234\n${units} G17 G90\n[tool]\nT${tool} M6\nG43 H${tool}\nS${speed} M3\n"
    )
    (tmp_path / "end.txt").write_text("[program]\nG53 G0 Z0\nM2\n")
    toolpath = path([(Kind.RAPID, 1, 2, 10, 0), (Kind.RAPID, 4, 2, 10, 0)])
    text = write_nc(toolpath, job(tmp_path, start_block="start.txt", end_block="end.txt"), Data())
    assert text.splitlines() == [
        "O1234", "G21 G17 G90", "T1 M6", "G43 H1", "S6366 M3", "G0 X1.0 Y2.0", "Z10.0", "X4.0",
        "M9", "M5", "G53 G0 Z0", "M2",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"T${tol} M6\n", r"field \$\{tol\} is not known; known are program"),
        (b"[tools]\nM6\n", r"heading \[tools\] is not known"),
        ("(Größe)\n".encode(), "byte 3 of start.txt is not ASCII"),
        (b"(" + b"x" * 300 + b")\n", "a line of 302 characters, limit 249"),
    ],
)
def test_bad_start_blocks(tmp_path: Path, content: bytes, message: str) -> None:
    (tmp_path / "start.txt").write_bytes(content)
    with pytest.raises(JobError, match=message) as caught:
        write_nc(path([(Kind.RAPID, 1, 2, 10, 0)]), job(tmp_path, start_block="start.txt"), Data())
    assert "\n" not in str(caught.value)


def test_moves_that_cannot_be_written() -> None:
    start = (Kind.RAPID, 0, 0, 10, 0)
    with pytest.raises(PlanError, match="move 1: its end point is not a number"):
        write_nc(path([start, (Kind.CUT, math.nan, 0, 0, 100)]), job(), Data())
    with pytest.raises(PlanError, match="move 1: feed is 0 mm/min"):
        write_nc(path([start, (Kind.CUT, 1, 0, 0, 0)]), job(), Data())
    with pytest.raises(PlanError, match=r"move 1: an arc's radii at its two ends differ by 0\.0[34]"):
        write_nc(path([start, (Kind.CUT, 10, 0, 10, 100, 1, 5.02, 0)]), job(), Data())
    with pytest.raises(PlanError, match="move 1: an arc without a centre"):
        write_nc(path([start, (Kind.CUT, 10, 0, 10, 100, 1, math.nan, 0)]), job(), Data())


def test_an_arc_below_the_last_decimal_is_no_full_circle() -> None:
    a = 0.00002 / 5
    toolpath = path(
        [
            (Kind.RAPID, 5, 0, 10, 0),
            (Kind.CUT, 5 * math.cos(a), 5 * math.sin(a), 10, 100, 1, 0, 0),
            (Kind.CUT, 5, 9, 10, 100),
        ]
    )
    assert [m.g for m in motions(write_nc(toolpath, job(), Data()))][-2:] == [0, 1]


def test_several_cutters() -> None:
    two = job(cutters=2)
    toolpath = path([(Kind.RAPID, 0, 0, 10, 0), (Kind.CUT, 5, 0, 10, 700)])
    text = write_program(
        [Operation(toolpath, two.cutters[0], Data(5000)), Operation(toolpath, two.cutters[1], Data(8000.9))],
        two,
    )
    legal(text, 0.002)
    order = [row for row in text.splitlines() if re.match(r"T\d|S\d|M5|M30|G43|G1", row)]
    assert order == [
        "T1 M6", "S5000 M3", "G43 H1 Z10.0", "G1 X5.0 F700.0", "M5",
        "T2 M6", "S8000 M3", "G43 H2 Z10.0", "G1 X5.0 F700.0", "M5", "M30",
    ]  # fmt: skip
    program = read(text)
    assert not program.findings
    assert len(program.tool_changes) == 2
    with pytest.raises(PlanError, match="no operation"):
        write_program([], two)


def test_fitted_ring_survives_the_text() -> None:
    """Fit, round, write, read: the ring is still within the fit's tolerance plus the last decimal."""
    t = np.linspace(0, 2 * np.pi, 3000)
    ring = np.stack([(30 + 3 * np.sin(5 * t)) * np.cos(t), (30 + 3 * np.sin(5 * t)) * np.sin(t)], axis=1)
    s = fit(ring, 0.01)
    n = len(s)
    toolpath = Toolpath(
        np.column_stack([np.vstack([s.start, s.ends]), np.full(n + 1, -5.0)]),
        np.r_[np.uint8(0), np.full(n, Kind.CUT, np.uint8)], np.r_[0, np.full(n, 2000.0)],
        np.r_[np.int8(0), s.turn], np.vstack([[np.nan, np.nan], s.centre]),
        np.zeros(n + 1, np.int32), np.zeros(n + 1, np.float32),
    )  # fmt: skip
    program = read(write_nc(toolpath, job(), Data()))
    assert not program.findings
    import shapely

    line = shapely.LineString(ring)
    for k in np.flatnonzero(program.sweep != 0):
        centre, start = program.centre[k, :2], program.start[k, :2]
        first = math.atan2(*(start - centre)[::-1])
        angle = first + program.sweep[k] * np.linspace(0, 1, 40)
        points = centre + math.dist(start, centre) * np.stack([np.cos(angle), np.sin(angle)], axis=1)
        assert shapely.distance(line, shapely.points(points)).max() < 0.0103


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_cutter_location_text(units: str) -> None:
    scale = INCH if units == "inch" else 1.0
    toolpath = mixed(4)
    text = write_cl(toolpath, job(units=units, coolant="M7"), Data(), ["first setup"])
    rows = text.splitlines()
    assert rows[1] == "PPRINT first setup"
    assert rows[2] == f"UNITS/{'INCHES' if units == 'inch' else 'MM'}"
    assert "SPINDL/6366,RPM,CLW" in rows
    assert rows[-2:] == ["END", "FINI"]
    places, feeds, rapid, feed = [], [], False, 0.0
    for row in rows:
        if row == "RAPID":
            rapid = True
        elif row.startswith("FEDRAT/"):
            feed = float(row[7:].split(",")[0])
        elif row.startswith("GOTO/"):
            places.append([float(v) * scale for v in row[5:].split(",")])
            feeds.append(0.0 if rapid else feed * scale)
            rapid = False
    length = np.sqrt((np.diff(places, axis=0) ** 2).sum(axis=1)).sum()
    assert length == pytest.approx(toolpath.lengths().sum(), rel=2e-3)
    assert set(np.round(feeds)) <= {0, 800, 1591, 1592, 6000}
    ends = toolpath.xyz[[0, -1]]
    assert np.allclose([places[0], places[-1]], ends, atol=3e-4)
