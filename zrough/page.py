"""The report as one page that opens anywhere: pieces of HTML, pictures and numbers put into a template."""

from __future__ import annotations

import base64
import functools
import gzip
import json
import string
import struct
from collections.abc import Sequence
from html import escape
from importlib import resources
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from zrough import pagewords as words
from zrough import pictures
from zrough.pictures import clock
from zrough.reportdata import Facts, plain, value
from zrough.setupsheet import sheet
from zrough.units import Unit

if TYPE_CHECKING:
    from zrough.nexttool import BallLoad

VIEW_TRIANGLES = 70_000  # of the stock in the page; half a megabyte once packed
VIEW_POINTS = 110_000  # of all paths together
SPANS = 1200  # points of a load curve


def build(facts: Facts, told: dict[str, Any], stills: dict[str, bytes] | None = None) -> str:
    """The whole page as text; ``told`` as `report_dict` gives it, ``stills`` as `still_pictures` does."""
    unit = Unit(told["job"]["units"])
    stills = still_pictures(facts, told, times=False) if stills is None else stills
    sign, verdict = words.VERDICTS[told["verdict"]]
    found = bool(told["left"] or told["warnings"])
    count = len(told["levels"])
    pieces = {
        "name": escape(told["part"]["name"] or told["job"]["source"] or "part"),
        "subtitle": words.subtitle(told, unit),
        "verdict": told["verdict"].replace(" ", "-"), "verdict_mark": sign, "verdict_text": verdict,
        "css": _text("report.css"), "js": _text("report.js"),
        "figures": words.figures(told, unit),
        "promise_lead": words.promise_lead(told), "promises": words.promises(told, unit),
        "view_lead": words.view_lead(facts.left_over is not None),
        "relief": words.image(stills.get("view.png"), "the stock after roughing, seen from the front"),
        "rings": words.rings(stills), "level_count": str(count), "level_start": str(min(1, count)),
        "levels_lead": words.levels_lead(told), "levels": words.levels(told, unit),
        **words.times(told),
        "load_lead": words.load_lead(told, unit),
        "load_picture": words.image(stills.get("load.png"), "engagement and power over time"),
        "histogram_picture": words.image(stills.get("engagement.png"), "cutting length by engagement angle"),
        "power_class": "only3d" if facts.loads[2] is not None else "quiet",
        "leftover_lead": words.leftover_lead(told, unit), "leftover": words.leftover(told, unit, stills),
        "left": words.left(told, unit), "nav_left": '<a href="#left">Left uncut</a>' if found else "",
        "sheet": sheet(told, unit, stills),
        "numbers": _pack(_numbers(facts, told, unit)), "library": _library(),
    }  # fmt: skip
    return string.Template(_text("report.html")).substitute(pieces)


def _text(name: str) -> str:
    return resources.files("zrough").joinpath("data", name).read_text("utf-8")


# ------------------------------------------------------------------ numbers for the page's script


class _Block:
    """Collects arrays behind one another and remembers where each one stands."""

    def __init__(self) -> None:
        self.parts: list[bytes] = []
        self.at = 0

    def put(self, array: Any, kind: str = "f") -> dict[str, Any]:
        data = np.ascontiguousarray(array, dtype="<f4" if kind == "f" else "<i4")
        spot = {"$at": self.at, "$n": int(data.size), "$as": kind}
        self.parts.append(data.tobytes())
        self.at += int(data.size)
        return spot


def _numbers(facts: Facts, told: dict[str, Any], unit: Unit) -> bytes:
    block = _Block()
    head = {"load": _load_numbers(facts, block), "histogram": _histogram_numbers(facts, unit, block),
            "view": _view_numbers(facts, told, unit, block), "unit": unit.name}  # fmt: skip
    text = json.dumps(plain(head), separators=(",", ":"), ensure_ascii=False).encode()
    gap = b"\0" * (-len(text) % 4)
    return struct.pack("<I", len(text)) + text + gap + b"".join(block.parts)


def _load_numbers(facts: Facts, block: _Block) -> dict[str, Any]:
    curve = facts.series(SPANS)
    return {
        "minutes": block.put(curve.minutes),
        "engagement": block.put(curve.engagement),
        "power": None if curve.power is None else block.put(curve.power),
        "cap": facts.cap,
        "power_limit": _near(value(facts.job.machine, "power_kw"), curve.power),
    }


def _near(limit: float | None, curve: NDArray[np.float64] | None) -> float | None:
    """The limit, unless it lies so far above the curve that it would flatten it."""
    if limit is None or curve is None or limit > 4 * float(curve.max(initial=0.0)):
        return None
    return float(limit)


def _histogram_numbers(facts: Facts, unit: Unit, block: _Block) -> dict[str, Any]:
    edges, length = facts.histogram
    used = np.flatnonzero(length > 0)
    right = float(edges[used[-1] + 1]) if len(used) else 10.0
    return {
        "middle": block.put(0.5 * (edges[1:] + edges[:-1])), "long": block.put(length / unit.path_scale),
        "unit": unit.path, "width": float(edges[1] - edges[0]),
        "right": max(right, 1.12 * (facts.cap or 0.0)),
    }  # fmt: skip


def _view_numbers(facts: Facts, told: dict[str, Any], unit: Unit, block: _Block) -> dict[str, Any]:
    paths = facts.level_paths(VIEW_POINTS)
    levels = [
        {n: {k: block.put(_grainy(a) / unit.scale) for k, a in zip("xyz", path[n], strict=True)}
         for n in ("cutting", "links", "entries") if n in path}
        for path in paths
    ]  # fmt: skip
    shown = [
        [f"{unit.length(lv['z_mm'])} {unit.name}", lv["kind"], f"{unit.plane(lv['area_mm2'])} {unit.area}",
         "–" if lv["time_s"] is None else clock(lv["time_s"]), lv["reason"]]
        for lv in told["levels"]
    ]  # fmt: skip
    seen = facts.view_mesh(VIEW_TRIANGLES)
    found: dict[str, Any] = {
        "levels": levels, "told": shown, "mesh": None, "limit": 1.0,
        "bottom": facts.bottom / unit.scale, "top": facts.bottom / unit.scale,
        "ramp": [[k / (len(pictures.RAMP) - 1), c] for k, c in enumerate(pictures.RAMP)],
    }  # fmt: skip
    if seen is None:
        return found
    mesh, thickness = seen
    x, y, z = mesh.vertices.T / unit.scale
    i, j, k = mesh.faces.T
    if facts.normal is not None:
        found["limit"] = pictures.colour_limit(facts.normal.thickness, unit) / unit.scale
    found["top"] = float(z.max())
    found["mesh"] = {
        "x": block.put(x), "y": block.put(y), "z": block.put(z),
        "thickness": block.put(np.round(thickness, 3) / unit.scale),
        "i": block.put(i, "i"), "j": block.put(j, "i"), "k": block.put(k, "i"),
    }  # fmt: skip
    return found


def _grainy(amount: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rounded to 1/64 mm: nothing to the eye, and packs to half the size."""
    return np.round(amount * 64.0) / 64.0


def _pack(raw: bytes) -> str:
    return base64.b64encode(gzip.compress(raw, 9, mtime=0)).decode("ascii")


@functools.cache
def _library() -> str:
    """The drawing library, packed once a process."""
    from plotly.offline import get_plotlyjs

    return _pack(get_plotlyjs().encode())


# ------------------------------------------------------------------ pictures in the page


def still_pictures(facts: Facts, told: dict[str, Any], times: bool = True) -> dict[str, bytes]:
    """All pictures as PNG, by file name; the page does without the one of the ``times``."""
    found: dict[str, bytes] = {}
    unit = Unit(told["job"]["units"])
    edges, length = facts.histogram
    found["engagement.png"] = pictures.histogram_png(edges, length, facts.cap, unit)
    if times:
        found["times.png"] = pictures.times_png(facts.times)
    curve = facts.series(600)
    limit = _near(value(facts.job.machine, "power_kw"), curve.power)
    found["load.png"] = pictures.load_png(curve.minutes, curve.engagement, curve.power, facts.cap, limit)
    found["levels.png"] = _rings_picture(facts, told, unit)
    if facts.measured is not None and facts.normal is not None:
        grid, heights, step = facts.drawn
        thickness = facts.normal.thickness[::step, ::step]
        found["leftover.png"] = pictures.map_png(grid, thickness, heights, unit=unit)
        found["view.png"] = pictures.relief_png(grid, heights, thickness, facts.bottom, unit=unit)
    if facts.ball is not None:
        places = [(p.at[0], p.at[1], unit.length(p.bite, 2)) for p in facts.ball.places]
        bites = _between_lines(facts.ball)
        found["next_cutter.png"] = pictures.map_png(
            facts.ball.grid, bites, title="Bite of the ball-nose", unit=unit, marks=places
        )
    return found


def _between_lines(load: BallLoad) -> NDArray[np.float64]:
    """The bite map with the ground between neighbouring lines filled in, for the eye."""
    from scipy import ndimage

    width = 2 * int(np.ceil(0.5 * load.step / load.cell)) + 1
    bite = np.where(np.isnan(load.bite_map), -1.0, load.bite_map)
    spread = ndimage.maximum_filter(bite, (width, width) if load.style == "contour" else (width, 1))
    filled = np.where(np.isnan(load.bite_map), spread, load.bite_map)
    return np.where(filled < 0, np.nan, filled)


def _rings_picture(facts: Facts, told: dict[str, Any], unit: Unit) -> bytes:
    """Up to four levels: the first, the largest, a climb level, the last."""
    levels = told["levels"]
    chosen = _telling(levels)
    paths = facts.level_paths(60_000)
    stock = told["stock"]
    over = 0.02 * (stock["max"][0] - stock["min"][0]) + 0.6 * facts.job.cutters[0].diameter
    box = (stock["min"][0] - over, stock["max"][0] + over, stock["min"][1] - over, stock["max"][1] + over)
    ground = None if facts.measured is None else facts.drawn[:2]
    return pictures.rings_png([levels[k] for k in chosen], [paths[k] for k in chosen], box, ground, unit)


def _telling(levels: Sequence[dict[str, Any]]) -> list[int]:
    if len(levels) <= 4:
        return list(range(len(levels)))
    largest = max(range(len(levels)), key=lambda k: levels[k]["area_mm2"] or 0.0)
    climbs = [k for k, lv in enumerate(levels) if lv["kind"] == "climb"]
    primaries = [k for k, lv in enumerate(levels) if lv["kind"] == "primary"]
    wanted = [0, largest, *climbs[len(climbs) // 2 :][:1], *primaries[-1:], len(levels) - 1, len(levels) // 2]
    return sorted(list(dict.fromkeys(wanted))[:4])
