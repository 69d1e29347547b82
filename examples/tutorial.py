"""A walk through zrough in six steps; pictures land in examples/out/tutorial.

python examples/tutorial.py
"""

from __future__ import annotations

from pathlib import Path

import zrough
from zrough import cutting, report
from zrough.clfile import write_cl
from zrough.toolpath import Kind

HERE = Path(__file__).resolve().parent
OUT = HERE / "out" / "tutorial"


def step(number: int, text: str) -> None:
    """A heading."""
    print(f"\n{number}. {text}")


def main() -> None:
    """All six steps."""
    job = zrough.Job.from_toml(HERE / "lid_core.toml")

    step(1, "Look at the part before planning it")
    found = zrough.inspect(HERE / "lid_core.stl")
    print(
        f"   {len(found.flats)} flats, at heights",
        *sorted({round(f.z, 2) for f in found.flats}, reverse=True),
    )
    print(f"   {len(found.openings)} openings, the widest {max(o.width for o in found.openings):.1f} mm:")
    print(f"   narrower than the cutter ({job.cutter.diameter:g} mm), so it stays out of all of them")

    step(2, "See what speeds and feeds the job would run with")
    data = cutting.propose(job)
    print(
        f"   {data.spindle_rpm:.0f} 1/min, {data.cut_feed:.0f} mm/min "
        f"at the cap of {data.engagement_deg:g} degrees"
    )

    step(3, "Plan; the program is replayed and judged at once")
    plan = zrough.plan(job, progress=None)
    primary = [level for level in plan.levels if level.kind == "primary"]
    print(f"   {len(primary)} primary levels and {len(plan.levels) - len(primary)} climb levels")
    for level in primary:
        print(f"   z {level.z:8.3f}  {level.reason:12s} {level.pieces:3d} cuts, {level.cut_mm / 1000:6.2f} m")

    step(4, "Read the verdict")
    check = plan.check
    print(f"   {'passed' if check.ok else 'FAILED'}: gouge {check.gouge_mm:.4f} mm,", end=" ")
    print(
        f"worst engagement {check.engagement.worst_deg:.1f} degrees, "
        f"tallest stair {check.tallest_stair:.2f} mm"
    )
    print(
        f"   {check.times['total'] / 60:.0f} minutes by the time model, "
        f"{check.removed_mm3 / 1000:.0f} cm3 removed"
    )
    for finding in check.failures[:3]:
        print("   ", finding.message)

    step(5, "See it")
    for path in report.pictures(plan, check, OUT):
        print("  ", path.relative_to(HERE))

    step(6, "Ask for something else: stairs half as high, and the same moves as neutral text")
    finer = zrough.plan(job.replace(roughing={"stair_height": 0.6}), check=False)
    climb = [sum(p.lengths()[p.kind == Kind.CUT]) / 1000 for p in (plan.toolpath, finer.toolpath)]
    print(
        f"   {len(finer.levels)} levels instead of {len(plan.levels)}, "
        f"{climb[1]:.1f} m of cut instead of {climb[0]:.1f}"
    )
    text = write_cl(finer.toolpath, job, data)
    (OUT / "lid_core.cl").write_text(text)
    print(f"   lid_core.cl: {text.count('GOTO')} GOTO records")


if __name__ == "__main__":
    main()
