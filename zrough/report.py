"""What a plan and its check say, as report.json, report.html, pictures and the leftover's files."""

from __future__ import annotations

import json
import os
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from zrough.io import make_folder, write_atomic
from zrough.reportdata import Facts, as_dict, value

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

    The leftover needs a check; ``images`` adds the pictures as PNG. The job's ``output.extras`` may ask for
    them too, and for program.cl and leftover.glb. Returns the paths written.

    Raises
    ------
    OutputError : the folder or a file cannot be written.
    """
    facts = Facts(plan, check)
    target = make_folder(folder)
    told = as_dict(facts)
    extras = value(facts.job.output, "extras", default=())
    images = images or "pictures" in extras
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
        written += _write_leftover(facts, target, "glb" in extras)
    if "cl" in extras:
        written.append(write_atomic(target / "program.cl", _cutter_locations(plan)))
    return written


def _cutter_locations(plan: Any) -> str:
    from zrough.clfile import write_cl_program
    from zrough.post import Operation

    stages = [Operation(s.toolpath, s.cutter, s.data) for s in value(plan, "stages", default=())]
    alone = [Operation(plan.toolpath, plan.job.cutter, plan.data)]
    return write_cl_program(stages or alone, plan.job, [f"part {plan.part.name}"])


def _write_leftover(facts: Facts, target: Path, coloured: bool) -> list[Path]:
    from zrough import leftover
    from zrough.thinmesh import MAX_TRIANGLES

    body = facts.mesh(MAX_TRIANGLES)
    assert body is not None
    assert facts.left_over is not None
    written = [
        leftover.write_stl(target / "leftover.stl", body.vertices, body.faces),
        leftover.write_map(target / "leftover.npz", *facts.left_over, facts.bottom, _heights(facts)),
    ]
    if coloured:
        written.append(_write_coloured(facts, target))
    return written


def _write_coloured(facts: Facts, target: Path) -> Path:
    """The leftover in the colours of its thickness square to the part, from the nodes where that is known."""
    from zrough import leftover
    from zrough import pictures as drawn
    from zrough.thinmesh import MAX_TRIANGLES, thin

    assert facts.measured is not None
    body = thin(*facts.measured, facts.bottom, MAX_TRIANGLES)
    colours = None
    if facts.normal is not None:
        thickness = facts.normal.thickness
        amount = np.nan_to_num(thickness).ravel()[body.nodes]
        colours = drawn.vertex_colours(amount, drawn.colour_limit(thickness))
    return leftover.write_glb(target / "leftover.glb", body.vertices, body.faces, colours)


def _heights(facts: Facts) -> list[float]:
    """Tip heights of the plan's levels, and of the cuts before it."""
    stock = getattr(facts.plan, "stock", None)
    return [*(float(level.z) for level in facts.plan.levels), *getattr(stock, "cut_at", ())]


def json_schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of report.json."""
    text = resources.files("zrough").joinpath("data", "report.schema.json").read_text("utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema
