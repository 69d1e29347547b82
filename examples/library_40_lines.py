"""Drive zrough from a script: try three engagement caps, keep the quickest program that passes its check.

python examples/library_40_lines.py
"""

from pathlib import Path

import zrough

HERE = Path(__file__).resolve().parent


def main() -> None:
    """Plan, compare, write."""
    job = zrough.Job.from_toml(HERE / "lid_core.toml")
    best = None
    print(" cap   cut m  other m   time min   worst deg   gouge mm  verdict")
    for cap in (40.0, 50.0, 60.0):
        plan = zrough.plan(job.replace(roughing={"engagement_deg": cap}))
        check = plan.check
        cut = check.lengths["cutting"] / 1000
        other = sum(check.lengths.values()) / 1000 - cut
        print(
            f"{cap:4.0f} {cut:7.2f} {other:8.2f} {check.times['total'] / 60:10.1f} "
            f"{check.engagement.worst_deg:11.1f} {check.gouge_mm:10.4f}  {'passed' if check.ok else 'failed'}"
        )
        if check.ok and (best is None or check.times["total"] < best.check.times["total"]):
            best = plan
    if best is None:
        raise SystemExit("none of the three passed its check")
    for path in best.write(HERE / "out" / "library"):
        print("wrote", path.relative_to(HERE))


if __name__ == "__main__":
    main()
