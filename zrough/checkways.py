"""Ground that no way leads into within the rules: low as the tip could come there, it is out of reach.

Where the part leaves the cutter's axis a spot with no room round it, the cutter may stand there, but cannot
get there: a helix needs room for its circle, and from beside, as wide as the cutter, it would be a slot, with
half the circle in the material. Judged on the stock as left, by the check's own means:

* a passage needs room for a bend. Arcs from wall to wall, their centres ``s`` apart along a channel with half
  room ``l`` for the axis, cut about acos(1 - s / l - s / R) of the circle: with ``s`` short enough any cap is
  kept, but not with ``l`` = 0 (derived, no published source);
* a way begins where the cutter stands clear of what is left, or comes down in a helix or along a ramp.

The lowest height at which a place is connected to such a beginning is a reconstruction by erosion (L. Vincent
1993) of the heights at which ways begin over the heights at which there is room. Where the nodes of the map
cannot tell how much room there is, it is worked out anew between them.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

HELIX = 0.1  # of the radius: path radius of the tightest helix, a bore of 1.1 D; common practice, from memory
BEND = 0.04  # of the radius: room for a bend where the job names none
ENOUGH = 0.05  # mm: what stands less than this above the reach is not asked for
DOUBT = 0.2  # mm: a way is not looked for between nodes for less
FINE = 3  # parts of a pitch, where nodes alone cannot tell how much room there is
ROUND = 0.71  # pitches: no place is farther from a node
TURNS = 18  # directions of ramps

# tip heights at nodes x0 + pitch * j, y0 + pitch * i where wanted, else inf
Finer = Callable[[float, float, float, Mask], Floats]


@dataclass(frozen=True)
class Ways:
    """What a job lets one cutter do, mm: room for a ``bend``, radius of a ``helix``, length of a ``ramp``.

    inf where it may not. Holes drilled before are in the stock. ``stair``: height that stairs may have.
    """

    bend: float
    helix: float = math.inf
    ramp: float = math.inf
    stair: float = 0.0

    @classmethod
    def of(cls, job: Any, cutter: Any) -> Ways:
        """From the job's tables."""
        radius, method, slots = 0.5 * float(cutter.diameter), job.entry.method, bool(job.roughing.slotting)
        bend = job.roughing.min_path_radius
        bend = BEND * radius if bend is None else float(bend)
        core = 0.5 * float(cutter.uncut_diameter)
        return cls(
            0.0 if slots else bend,
            max(HELIX * radius, core) if method in ("auto", "helix") else math.inf,
            radius if method == "ramp" or (method == "auto" and slots) else math.inf,
            float(job.roughing.stair_height),
        )


def raised(
    tips: Floats, stands: Floats, ways: Ways, x0: float, y0: float, cell: float, finer: Finer
) -> tuple[Floats, Mask]:
    """Tip heights as low as a way leads, and where that is higher than the part alone would let the tip.

    ``tips`` (ny, nx): how low the part lets it, at nodes ``cell`` mm apart from (x0, y0) on. ``stands``:
    how low it stands clear of what is left, no higher than truly so. ``finer`` gives heights between nodes.
    """
    from scipy.ndimage import binary_dilation, find_objects, label

    asked = stands > tips + ENOUGH
    none = np.zeros(tips.shape, np.bool_)
    if not asked.any():
        return tips, none
    top = float(stands.max()) + 1.0
    begin = np.minimum(np.maximum(stands, -1e9), _ramps(tips, ways.ramp, cell, top))
    # with room to spare for what hides between nodes, nearly all is seen to have a way
    sure = _connected(np.minimum(tips, top), begin, ways, cell, ROUND * cell, top)
    doubtful = asked & (sure > tips + np.where(stands > tips + ways.stair, ENOUGH, DOUBT))
    if not doubtful.any():
        return tips, none
    helix = ways.helix if math.isfinite(ways.helix) else 0.0
    margin = math.ceil(max(helix, 2.0 * ways.bend) / cell) + 2
    wanted = binary_dilation(doubtful, np.ones((3, 3), np.bool_), iterations=margin)
    out = tips.copy()
    number, _ = label(wanted, structure=np.ones((3, 3)))
    for n, box in enumerate(find_objects(number), start=1):
        mine = number[box] == n
        rows, cols = box
        pitch = cell / FINE
        fine = finer(x0 + cell * cols.start, y0 + cell * rows.start, pitch, _spread(mine))
        start = np.where(mine & ~doubtful[box], np.minimum(begin, sure)[box], begin[box])
        # a disc of nodes is about half a pitch smaller than it is meant
        low = _connected(np.minimum(fine, top), _spread(start), ways, pitch, 0.5 * pitch, top)
        here = mine & doubtful[box]
        out[box][here] = np.maximum(tips[box], low[::FINE, ::FINE])[here]
    changed = out > tips + ENOUGH
    return np.where(changed, out, tips), changed


def _spread(of: NDArray[Any]) -> NDArray[Any]:
    """A map's values at `FINE` nodes a pitch, each that of the nearest node."""
    i, j = ((np.arange((n - 1) * FINE + 1) + FINE // 2) // FINE for n in of.shape)
    return np.asarray(of[i[:, None], j[None, :]])


def _connected(tips: Floats, begin: Floats, ways: Ways, cell: float, spare: float, top: float) -> Floats:
    """How low ways lead: to any place within the room for a bend that a way keeps round it.

    ``spare`` mm are added to all room asked for; nowhere higher than ``top``.
    """
    from skimage.morphology import reconstruction

    def room(radius: float) -> Floats:
        return _most(tips, radius, cell)

    passage = room(ways.bend + spare)
    start = np.maximum(begin, passage)
    if math.isfinite(ways.helix):
        start = np.minimum(start, np.maximum(room(ways.helix + spare), passage))
    start = np.minimum(start, top)
    rebuilt: Any = reconstruction
    found = rebuilt(start, np.minimum(passage, start), method="erosion")
    return -_most(-np.asarray(found, dtype=np.float64), ways.bend + spare, cell)


def _most(of: Floats, radius: float, cell: float) -> Floats:
    """Largest entry of a map within ``radius`` mm of each node; beyond its rim it is as at the rim.

    Row by row of the disc: of a wide one, a filter that looks at all of its nodes would take minutes.
    """
    from scipy.ndimage import maximum_filter1d

    half = math.floor(radius / cell + 1e-9)
    at = np.arange(-half, half + 1)
    widths = np.count_nonzero(np.hypot(*np.meshgrid(at, at)) * cell <= radius + 1e-9, axis=1)
    tall = np.pad(of, ((half, half), (0, 0)), mode="edge")
    out = of.copy()
    for width in np.unique(widths).tolist():
        row = maximum_filter1d(tall, width, axis=1, mode="nearest")
        for start in np.flatnonzero(widths == width).tolist():
            np.maximum(out, row[start : start + len(of)], out=out)
    return out


def _ramps(tips: Floats, length: float, cell: float, top: float) -> Floats:
    """How low a straight ramp of this length comes with its middle at each node; ``top`` without ramps.

    A node's neighbours count for what lies between: no higher than truly so.
    """
    out = np.full(tips.shape, top)
    if not math.isfinite(length):
        return out
    from scipy.ndimage import grey_dilation, grey_erosion

    low = grey_erosion(tips, size=(3, 3), mode="nearest")
    half = max(1, math.floor(0.5 * length / cell))
    along = np.arange(-half, half + 1)
    for turn in np.pi * np.arange(TURNS) / TURNS:
        line = np.zeros((2 * half + 1, 2 * half + 1), np.bool_)
        i, j = (np.rint(half + along * part).astype(int) for part in (math.sin(turn), math.cos(turn)))
        line[i, j] = True
        np.minimum(out, grey_dilation(low, footprint=line, mode="nearest"), out=out)
    return out
