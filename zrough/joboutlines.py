"""The outlines that a job gives, in the job or in a file of their own, as arrays in mm."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from .errors import JobError

if TYPE_CHECKING:
    from .job import Job

Floats = NDArray[np.float64]

MAX_FILE = 16 * 1024 * 1024  # bytes of a file of outlines


def outlines_of(job: Job) -> tuple[list[tuple[str, Floats]], list[tuple[str, Floats]]]:
    """Insides and outsides of the job and of its file, each ``(name, (n, 2) mm)``.

    Raises
    ------
    JobError : the file cannot be used.
    """
    inside = _named("regions.inside", job.regions.inside)
    outside = _named("regions.outside", job.regions.outside)
    if job.regions.file is not None:
        more = _read(job, job.regions.file)
        inside += _named(f"{job.regions.file}: inside", more.inside)
        outside += _named(f"{job.regions.file}: outside", more.outside)
    return inside, outside


def _named(name: str, rings: Iterable[Any]) -> list[tuple[str, Floats]]:
    return [(f"{name}[{k}]", np.array(ring, dtype=np.float64)) for k, ring in enumerate(rings)]


def _read(job: Job, name: str) -> Any:
    """A JSON file ``{"inside": [[[x, y], ...], ...], "outside": [...]}`` in the job's unit, as `Regions`."""
    from pydantic import ValidationError

    from . import joberrors
    from .jobtables import MM_PER_INCH, Regions

    label = f"{job.source}: regions.file = {json.dumps(name)}"
    raw = _parsed(job.file(name, "regions.file"), label)
    unknown = sorted(set(raw) - {"inside", "outside"})
    if unknown:
        raise JobError(f"{label}: {json.dumps(unknown[0][:40])}: unknown key; known here: inside, outside")
    inch = job.units == "inch"
    try:
        return Regions.model_validate(raw, context={"mm": MM_PER_INCH if inch else 1.0})
    except ValidationError as exc:
        found = joberrors.lines(exc, Regions, raw, False, inch)
        raise JobError(f"{label}: {found[0]}") from None


def _parsed(path: Path, label: str) -> dict[str, Any]:
    try:
        size = path.stat().st_size
        if size > MAX_FILE:
            raise JobError(f"{label}: {size / 1e6:.0f} MB, at most {MAX_FILE / 1e6:.0f}; thin the outlines")
        raw = json.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as exc:
        raise JobError(f"{label}: cannot be read: {exc.strerror or exc}") from None
    except RecursionError:
        raise JobError(f"{label}: lists are nested too deep; give [[x, y], ...] for each outline") from None
    except UnicodeDecodeError as exc:
        raise JobError(f"{label}: byte {exc.start + 1} is not UTF-8 text; is this a JSON file?") from None
    except ValueError as exc:
        raise JobError(f"{label}: not valid JSON: {str(exc)[:120]}; correct it") from None
    if not isinstance(raw, dict):
        raise JobError(f'{label}: must hold one object, {{"inside": [...], "outside": [...]}}; correct it')
    return raw
