"""Places left uncut, as a reader wants them: one entry a place, not one a level."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

SAME = 0.5  # of the smaller of two boxes: overlapping by more they are one place


def by_place(left: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Entries of `Plan.left` that lie over one another, as one each; largest areas first.

    Each is the largest of its entries, with ``z`` of the lowest, ``z_top`` of the highest, and ``levels``: on
    how many it was left. Entries without a box stay alone.
    """
    groups: list[list[dict[str, Any]]] = []
    for item in sorted(left, key=lambda item: -float(item.get("area") or 0.0)):
        for group in groups:
            if _together(group[0], item):
                group.append(item)
                break
        else:
            groups.append([item])
    return [_one(group) for group in groups]


def _one(group: list[dict[str, Any]]) -> dict[str, Any]:
    heights = {round(float(item["z"]), 6) for item in group if item.get("z") is not None}
    if not heights:
        return dict(group[0])
    return {**group[0], "z": min(heights), "z_top": max(heights), "levels": len(heights)}


def _together(a: dict[str, Any], b: dict[str, Any]) -> bool:
    p, q = a.get("box"), b.get("box")
    if not p or not q or a.get("kind") != b.get("kind"):
        return False
    shared = _area([max(p[0], q[0]), max(p[1], q[1]), min(p[2], q[2]), min(p[3], q[3])])
    return shared > SAME * min(_area(p), _area(q))


def _area(box: Sequence[float]) -> float:
    return max(0.0, box[2] - box[0]) * max(0.0, box[3] - box[1])
