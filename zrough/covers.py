"""Openings that stay as they are: the part with lids over them, for planner and check alike."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .errors import PartError

if TYPE_CHECKING:
    from .job import Job
    from .openings import Opening
    from .part import Part

log = logging.getLogger(__name__)

Floats = NDArray[np.float64]

MAX_TRIANGLES = 500_000  # in larger parts openings are looked for only when the job names them


def covered_triangles(job: Job, part: Part, warnings: list[str]) -> Floats:
    """The part's triangles, and lids over the openings that stay as they are, (n, 3, 3) mm.

    Covered are openings narrower than ``cover.width``, those round ``cover.points``, and, with
    ``cover.automatic``, those that the smallest cutter, grown by the wall allowance, cannot enter. What is
    covered automatically, and a search that found nothing or failed, adds a line to ``warnings``.

    Raises
    ------
    PartError : no opening lies round one of ``cover.points``.
    """
    from . import openings

    found: list[Opening] = []
    if job.cover.width is not None or job.cover.points:
        found = openings.find(part, width=job.cover.width, points=job.cover.points)
        if not found:
            warnings.append("no opening matches cover.width or cover.points; nothing is covered")
    if job.cover.automatic:
        width = min(c.diameter for c in job.cutters) + 2.0 * job.roughing.wall_allowance
        if job.cover.width is None or job.cover.width < width:
            known = {_key(o) for o in found}
            more = [o for o in _narrower(part, width, warnings) if _key(o) not in known]
            if more:
                warnings.append(_told(more, width))
            found += more
    if not found:
        return part.triangles
    return np.concatenate([part.triangles, openings.cover(part, found)])


def _key(opening: Opening) -> tuple[float, ...]:
    return (*(round(v, 3) for v in opening.place), round(opening.rim_z, 3), round(opening.area, 2))


def _narrower(part: Part, width: float, warnings: list[str]) -> list[Opening]:
    """Openings narrower than ``width``; never an error, whatever the mesh is like."""
    from . import openings

    if len(part.faces) > MAX_TRIANGLES:
        warnings.append(
            f"openings too narrow for the cutter were not looked for: {len(part.faces)} triangles, at most "
            f"{MAX_TRIANGLES}; set cover.width to have it done"
        )
        return []
    try:
        return openings.find(part, width=width)
    except (PartError, ValueError, ArithmeticError, LookupError, RecursionError, MemoryError) as exc:
        log.debug("search for openings failed", exc_info=True)
        warnings.append(
            f"openings too narrow for the cutter were not looked for, the mesh does not allow it "
            f"({type(exc).__name__}); mend it, or set cover.automatic = false"
        )
        return []


def _told(found: Sequence[Opening], width: float) -> str:
    widest = max(found, key=lambda o: o.width)
    return (
        f"{len(found)} opening{'s' if len(found) > 1 else ''} narrower than {width:.6g} mm (cutter and wall "
        f"allowance) planned as if filled, the widest {widest.width:.2f} mm at ({widest.place[0]:.2f}, "
        f"{widest.place[1]:.2f}); cover.automatic = false leaves them open"
    )
