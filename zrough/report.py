"""What a plan and its check say, as report.json, report.html, pictures and the leftover's files."""

from __future__ import annotations

import json
import os
from importlib import resources
from pathlib import Path
from typing import Any

from zrough.io import make_folder, write_atomic
from zrough.reportdata import Facts, as_dict

__all__ = ["json_schema", "pictures", "report_dict", "report_html", "write_all"]


def report_dict(plan: Any, check: Any | None = None) -> dict[str, Any]:
    """All numbers of a plan and its check, fit for JSON; keys as in `json_schema`.

    mm, mm/min, s, degrees, kW, whatever the job's units. Holds no wall-clock time: same job, same content.
    ``check`` is None when the program has not been replayed; what only a replay can tell is then None.
    """
    return as_dict(Facts(plan, check))


def report_html(plan: Any, check: Any | None = None) -> str:
    """The report as one page that needs no network, and no WebGL for all but the view that turns."""
    from zrough import page

    facts = Facts(plan, check)
    return page.build(facts, as_dict(facts))


def pictures(plan: Any, check: Any | None, folder: str | os.PathLike[str]) -> list[Path]:
    """Write the pictures as PNG into a folder: levels, engagement, load, times; with a check the leftover."""
    from zrough import page

    facts = Facts(plan, check)
    target = make_folder(folder)
    stills = page.still_pictures(facts, as_dict(facts))
    return [write_atomic(target / name, stills[name]) for name in sorted(stills)]


def write_all(
    plan: Any, check: Any | None, folder: str | os.PathLike[str], *,
    html: bool = True, mesh: bool = True, images: bool = False,
) -> list[Path]:  # fmt: skip
    """Write report.json, report.html, leftover.stl and leftover.npz into a folder, each whole or not at all.

    The leftover needs a check; ``images`` adds the pictures as PNG. Returns the paths written.

    Raises
    ------
    OutputError : the folder or a file cannot be written.
    """
    facts = Facts(plan, check)
    target = make_folder(folder)
    told = as_dict(facts)
    text = json.dumps(told, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    written = [write_atomic(target / "report.json", text)]
    if html or images:
        from zrough import page

        stills = page.still_pictures(facts, told, times=images)
        if html:
            written.append(write_atomic(target / "report.html", page.build(facts, told, stills)))
        if images:
            written += [write_atomic(target / name, stills[name]) for name in sorted(stills)]
    if mesh and facts.left_over is not None:
        written += _write_leftover(facts, target)
    return written


def _write_leftover(facts: Facts, target: Path) -> list[Path]:
    from zrough import leftover
    from zrough.thinmesh import MAX_TRIANGLES

    body = facts.mesh(MAX_TRIANGLES)
    assert body is not None
    assert facts.left_over is not None
    return [
        leftover.write_stl(target / "leftover.stl", body.vertices, body.faces),
        leftover.write_map(target / "leftover.npz", *facts.left_over, facts.bottom, _heights(facts)),
    ]


def _heights(facts: Facts) -> list[float]:
    """Tip heights of the plan's levels, and of the cuts before it."""
    stock = getattr(facts.plan, "stock", None)
    return [*(float(level.z) for level in facts.plan.levels), *getattr(stock, "cut_at", ())]


def json_schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of report.json."""
    text = resources.files("zrough").joinpath("data", "report.schema.json").read_text("utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema
