"""The proposal: against trying everything for real, its limits, its words, the command."""

from __future__ import annotations

import numpy as np
import parts
import pytest

import zrough
from zrough import propose as found_by
from zrough.errors import Cancelled, JobError
from zrough.propose import _mean_slowing, ball_feed, variant
from zrough.warm import sample_job

pytestmark = pytest.mark.compiled
LISTS = {"level_depths": [6.0], "stair_heights": [0.8, 2.0], "radial_widths": [0.8, 1.5], "finalists": 4}


def job(**tables):
    return sample_job().replace(
        **{"semi_finish": {"ball_diameter": 4.0, "max_bite": 0.5, "step_over": 0.6},
           "roughing": {"cell": 0.2}, "propose": LISTS, **tables}
    )  # fmt: skip


@pytest.fixture(scope="module")
def ranking():
    return found_by(job())


@pytest.mark.slow
def test_the_best_row_is_the_least_of_all_real_plans(ranking):
    """All four combinations planned by the planner itself, the ball driven over each."""
    from zrough.reportdata import Facts

    totals = {}
    for row in ranking.rows:
        plan = zrough.plan(variant(job(), row.choice))
        semi = Facts(plan, plan.check).ball.seconds(ball_feed(job()))
        totals[row.choice] = plan.check.times["total"] + semi
        assert row.planned
        assert row.total_s == pytest.approx(totals[row.choice])
        assert row.engagement_deg == pytest.approx(
            np.degrees(np.arccos(1 - row.choice.radial_width / (0.5 * row.choice.cutter.diameter))), abs=0.01
        )
    assert len(totals) == 4
    assert ranking.best.choice == min(totals, key=totals.get)


def test_rows_are_in_order_and_say_why(ranking):
    totals = [r.total_s for r in ranking.rows if r.ok and r.planned]
    assert totals == sorted(totals)
    assert "least time of all planned" in ranking.best.reasons
    assert all(any("slower than the best" in t for t in r.reasons) for r in ranking.rows[1:] if r.ok)
    assert ranking.best_job().roughing.radial_width == ranking.best.choice.radial_width
    assert ranking.to_dict()["tried"] == 4


def test_estimates_fill_the_table_and_two_runs_agree():
    few = job(propose={**LISTS, "finalists": 1})
    first, second = found_by(few).to_dict(), found_by(few).to_dict()
    assert first == second
    assert [r["planned"] for r in first["rows"]] == [True, False, False, False]


def test_limits_refuse():
    narrow = found_by(job(propose={**LISTS, "max_engagement_deg": 50.0, "finalists": 1}))
    assert {r.choice.radial_width for r in narrow.rows} == {0.8}  # 1.5 of 6 mm is 60 degrees
    assert any("50 degrees" in reason for reason in narrow.refused)
    with pytest.raises(JobError, match="no combination is left"):
        found_by(job(propose={**LISTS, "level_depths": [20.0]}))
    with pytest.raises(JobError, match=r"semi_finish\.max_bite: missing"):
        found_by(job(semi_finish={"ball_diameter": 4.0, "max_bite": None}))


def test_it_can_be_stopped():
    with pytest.raises(Cancelled):
        found_by(job(), progress=lambda stage, done, total: stage != "finalists")


def test_slowing_is_the_mean_of_the_feed_rule():
    """Against plain summation over the bite."""
    for low, high in ((0.1, 0.3), (0.1, 1.2), (0.7, 1.5), (0.4, 0.4), (0.9, 0.9)):
        b = np.linspace(low, high, 200_001)
        mean = np.maximum(b / 0.5, 1.0).mean()
        assert float(_mean_slowing(np.array(low), np.array(high), 0.5)) == pytest.approx(mean, rel=1e-4)


def test_the_command(tmp_path, zrough_command):
    vertices, faces = parts.frustum(radius=8, height=6, base=34, chord=0.05)
    m = parts.maker()
    m.write_stl(tmp_path / "core.stl", (vertices, faces), "core")
    (tmp_path / "job.toml").write_text("""
units = "mm"
part = {file = "core.stl"}
stock = {min = [-17, -17, -16], max = [17, 17, 0]}
cutter = {diameter = 8, corner_radius = 0.5, flutes = 4, flute_length = 12, overhang = 24}
material = {name = "P", hardness_hb = 200}
machine = {max_spindle_rpm = 12000, max_feed = 6000}
roughing = {cell = 0.25}
semi_finish = {ball_diameter = 4, max_bite = 0.5, step_over = 0.6}
propose = {level_depths = [6], stair_heights = [1.0], radial_widths = [1.0, 1.5], finalists = 1}
""")
    status, out, err = zrough_command(
        "propose", tmp_path / "job.toml",
        "--cutter", "diameter=6,flutes=4,flute_length=10,overhang=20,name=six", timeout=300,
    )  # fmt: skip
    assert status == 0, err
    assert "six" in out
    assert "total min" in out
    status, _, err = zrough_command("propose", tmp_path / "job.toml", "--cutter", "diameter=x")
    assert status == 2
    assert "--cutter" in err
