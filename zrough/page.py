"""The report as one page that opens anywhere: pieces of HTML, pictures and numbers put into a template."""

from __future__ import annotations

import base64
import gzip
import json
import string
import struct
from collections.abc import Sequence
from html import escape
from importlib import resources
from typing import Any

import numpy as np
from numpy.typing import NDArray

from zrough import pictures
from zrough.pictures import STYLE, clock
from zrough.reportdata import Facts, plain, value

VIEW_TRIANGLES = 70_000  # of the stock in the page; half a megabyte once packed
VIEW_POINTS = 110_000  # of all paths together
SPANS = 1200  # points of a load curve
MM_PER_INCH = 25.4

_TICK = '<svg viewBox="0 0 20 20" aria-hidden="true"><path d="M4 10.5l4 4 8-9" fill="none" stroke="currentColor" stroke-width="2.4" stroke-linecap="round" stroke-linejoin="round"/></svg>'
_CROSS = '<svg viewBox="0 0 20 20" aria-hidden="true"><path d="M5 5l10 10M15 5L5 15" fill="none" stroke="currentColor" stroke-width="2.4" stroke-linecap="round"/></svg>'
_OPEN = '<svg viewBox="0 0 20 20" aria-hidden="true"><circle cx="10" cy="10" r="5.5" fill="none" stroke="currentColor" stroke-width="2"/></svg>'
_VERDICTS = {
    "passed": (_TICK, "Check passed"),
    "failed": (_CROSS, "Check failed, do not run"),
    "not checked": (_OPEN, "Not checked"),
}
# Common practice of mould shops; no published source.
CAUTIONS = (
    "Prove out in the air above the part first: single block, rapid and feed turned down, distance to go watched.",
    "Compare zero point, tool length and overhang with this sheet; measure the overhang, do not guess it.",
    "Look at clamps, vise jaws and screws from the holder's side: only what the job names was checked.",
    "Speeds and feeds are starting points. Listen, look at the chips, and have a hand on the feed override.",
    "Guard closed, coolant or air as the material asks, chips cleared between levels.",
    "Magnesium and titanium chips burn: keep a class D extinguisher at hand, no water.",
    "Follow the machine maker's manual, local rules and a qualified machinist.",
)


class Unit:
    """Lengths as the shop reads them: mm, or inch for a job in inch."""

    def __init__(self, name: str) -> None:
        self.inch = name == "inch"
        self.name = "inch" if self.inch else "mm"
        self.area = "sq in" if self.inch else "cm²"
        self.volume = "cu in" if self.inch else "cm³"
        self.path = "ft" if self.inch else "m"

    def length(self, mm: float | None, places: int = 3) -> str:
        """A length without its unit."""
        if mm is None:
            return "–"
        number = mm / MM_PER_INCH if self.inch else mm
        return f"{number:.{places + self.inch}f}".replace("-", "−")

    def short(self, mm: float | None) -> str:
        """A length with its unit, no more digits than it needs."""
        if mm is None:
            return "–"
        number = mm / MM_PER_INCH if self.inch else mm
        return f"{number:.{4 if self.inch else 3}f}".rstrip("0").rstrip(".").replace("-", "−") + f" {self.name}"

    def far(self, mm: float | None) -> str:
        """A path length in m or ft, without its unit."""
        return "–" if mm is None else f"{mm / (304.8 if self.inch else 1000.0):.2f}"

    def plane(self, mm2: float | None) -> str:
        """An area, without its unit."""
        return "–" if mm2 is None else f"{mm2 / (645.16 if self.inch else 100.0):.1f}"

    def space(self, mm3: float | None) -> str:
        """A volume, without its unit."""
        return "–" if mm3 is None else f"{mm3 / (16387.064 if self.inch else 1000.0):.1f}"


def build(facts: Facts, told: dict[str, Any]) -> str:
    """The whole page as text; ``told`` is what `report_dict` gives."""
    unit = Unit(told["job"]["units"])
    verdict = told["verdict"]
    mark, words = _VERDICTS[verdict]
    levels = told["levels"]
    stills = still_pictures(facts, told)
    pieces = {
        "name": escape(told["part"]["name"] or told["job"]["source"] or "part"),
        "subtitle": escape(_subtitle(told, unit)),
        "verdict": verdict.replace(" ", "-"),
        "verdict_mark": mark,
        "verdict_text": words,
        "css": _text("report.css"),
        "js": _text("report.js"),
        "figures": _figures(told, unit),
        "promise_lead": _promise_lead(verdict),
        "promises": "".join(_promise(p, unit) for p in told["promises"]),
        "findings": _findings(told),
        "view_lead": _view_lead(facts),
        "relief": _image(stills.get("view.png"), "the stock after roughing, seen from the front"),
        "rings": _rings(stills),
        "level_count": str(len(levels)),
        "level_start": str(min(1, len(levels))),
        "levels_lead": _levels_lead(levels),
        "level_rows": _level_rows(levels, unit),
        "stages": _stages(facts, unit),
        "unit": unit.name, "area_unit": unit.area, "volume_unit": unit.volume, "path_unit": unit.path,
        "time_lead": _time_lead(told),
        **_time(told),
        "load_lead": _load_lead(told),
        "load_picture": _image(stills.get("load.png"), "engagement and power over time"),
        "histogram_picture": _image(stills.get("engagement.png"), "cutting length by engagement angle"),
        "power_class": "only3d" if facts.power_of_moves is not None else "quiet",
        "leftover_lead": _leftover_lead(told, unit),
        "leftover": _leftover(facts, told, unit, stills),
        "left": _left(told, unit),
        "nav_left": '<a href="#left">Left uncut</a>' if told["left"] or told["warnings"] else "",
        "sheet": _sheet(told, unit, stills),
        "footer": "Written by zrough. The charts are drawn by plotly.js (MIT licence), which is part of this file; nothing is loaded from elsewhere.",
        "numbers": _pack(_numbers(facts, told, unit)),
        "library": _library(),
    }  # fmt: skip
    return string.Template(_text("report.html")).substitute(pieces)


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
    head = {"load": _load_numbers(facts, block), "histogram": _histogram_numbers(facts, block),
            "view": _view_numbers(facts, told, unit, block)}  # fmt: skip
    text = json.dumps(plain_keep(head), separators=(",", ":"), ensure_ascii=False).encode()
    gap = b"\0" * (-len(text) % 4)
    return struct.pack("<I", len(text)) + text + gap + b"".join(block.parts)


def plain_keep(thing: Any) -> Any:
    """`plain`, for a header whose places in the block are integers already."""
    return plain(thing)


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


def _histogram_numbers(facts: Facts, block: _Block) -> dict[str, Any]:
    edges, length = facts.histogram
    used = np.flatnonzero(length > 0)
    right = float(edges[used[-1] + 1]) if len(used) else 10.0
    return {
        "middle": block.put(0.5 * (edges[1:] + edges[:-1])), "metres": block.put(length / 1000.0),
        "width": float(edges[1] - edges[0]), "right": max(right, 1.12 * (facts.cap or 0.0)),
    }  # fmt: skip


def _view_numbers(facts: Facts, told: dict[str, Any], unit: Unit, block: _Block) -> dict[str, Any]:
    paths = facts.level_paths(VIEW_POINTS)
    levels = [
        {n: {k: block.put(_grainy(a)) for k, a in zip("xyz", path[n], strict=True)}
         for n in ("cutting", "links", "entries") if n in path}
        for path in paths
    ]  # fmt: skip
    shown = [
        [f"{unit.length(lv['z_mm'])} {unit.name}", lv["kind"], f"{unit.plane(lv['area_mm2'])} {unit.area}",
         "–" if lv["time_s"] is None else clock(lv["time_s"]), lv["reason"]]
        for lv in told["levels"]
    ]  # fmt: skip
    mesh = facts.mesh(VIEW_TRIANGLES)
    found: dict[str, Any] = {
        "levels": levels, "told": shown, "mesh": None, "limit": 1.0, "bottom": facts.bottom, "top": facts.bottom,
        "ramp": [[k / (len(pictures.RAMP) - 1), c] for k, c in enumerate(pictures.RAMP)],
    }  # fmt: skip
    if mesh is None:
        return found
    x, y, z = mesh.vertices.T
    i, j, k = mesh.faces.T
    thickness = np.zeros(len(x))
    if facts.normal is not None:
        thickness = np.nan_to_num(facts.normal.thickness.ravel()[mesh.nodes])
        found["limit"] = pictures.colour_limit(facts.normal.thickness)
    thickness[z <= facts.bottom + 1e-9] = 0.0
    found["top"] = float(z.max())
    found["mesh"] = {
        "x": block.put(x), "y": block.put(y), "z": block.put(z), "thickness": block.put(np.round(thickness, 3)),
        "i": block.put(i, "i"), "j": block.put(j, "i"), "k": block.put(k, "i"),
    }  # fmt: skip
    return found


def _grainy(amount: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rounded to 1/64 mm: nothing to the eye, and packs to half the size."""
    return np.round(amount * 64.0) / 64.0


def _pack(raw: bytes) -> str:
    return base64.b64encode(gzip.compress(raw, 9, mtime=0)).decode("ascii")


def _library() -> str:
    """The drawing library, packed."""
    from plotly.offline import get_plotlyjs

    return _pack(get_plotlyjs().encode())


# ------------------------------------------------------------------ pictures in the page


def still_pictures(facts: Facts, told: dict[str, Any]) -> dict[str, bytes]:
    """All pictures as PNG, by file name."""
    found: dict[str, bytes] = {}
    edges, length = facts.histogram
    found["engagement.png"] = pictures.histogram_png(edges, length, facts.cap)
    found["times.png"] = pictures.times_png(facts.times)
    curve = facts.series(600)
    limit = _near(value(facts.job.machine, "power_kw"), curve.power)
    found["load.png"] = pictures.load_png(curve.minutes, curve.engagement, curve.power, facts.cap, limit)
    found["levels.png"] = _rings_picture(facts, told)
    if facts.left_over is not None and facts.normal is not None:
        grid, heights = facts.left_over
        found["leftover.png"] = pictures.map_png(grid, facts.normal.thickness, heights)
        found["view.png"] = pictures.relief_png(grid, heights, facts.normal.thickness, facts.bottom)
    if facts.ball is not None:
        places = [(p.at[0], p.at[1], f"{p.bite:.2f}") for p in facts.ball.places]
        found["next_cutter.png"] = pictures.map_png(
            facts.ball.grid, facts.ball.bite_map, title="Bite of the ball-nose", marks=places
        )
    return found


def _rings_picture(facts: Facts, told: dict[str, Any]) -> bytes:
    """Up to four levels: the first, the largest, a climb level, the last."""
    levels = told["levels"]
    chosen = _telling(levels)
    paths = facts.level_paths(60_000)
    stock = told["stock"]
    over = 0.02 * (stock["max"][0] - stock["min"][0]) + 0.6 * facts.job.cutters[0].diameter
    box = (stock["min"][0] - over, stock["max"][0] + over, stock["min"][1] - over, stock["max"][1] + over)
    return pictures.rings_png([levels[k] for k in chosen], [paths[k] for k in chosen], box, facts.left_over)


def _telling(levels: Sequence[dict[str, Any]]) -> list[int]:
    if len(levels) <= 4:
        return list(range(len(levels)))
    largest = max(range(len(levels)), key=lambda k: levels[k]["area_mm2"] or 0.0)
    climbs = [k for k, lv in enumerate(levels) if lv["kind"] == "climb"]
    primaries = [k for k, lv in enumerate(levels) if lv["kind"] == "primary"]
    wanted = [0, largest, *climbs[len(climbs) // 2 :][:1], *primaries[-1:], len(levels) - 1, len(levels) // 2]
    return sorted(list(dict.fromkeys(wanted))[:4])


def _image(png: bytes | None, text: str) -> str:
    if png is None:
        return ""
    return f'<img alt="{escape(text)}" src="data:image/png;base64,{base64.b64encode(png).decode("ascii")}">'


def _rings(stills: dict[str, bytes]) -> str:
    return (
        "<h3>Rings of some levels</h3><figure>"
        + _image(stills.get("levels.png"), "path of some levels in plan")
        + "<figcaption>Full lines cut, dashed lines are links, dotted lines are entries.</figcaption></figure>"
    )


# ------------------------------------------------------------------ words and tables


def _text(name: str) -> str:
    return resources.files("zrough").joinpath("data", name).read_text("utf-8")


def _subtitle(told: dict[str, Any], unit: Unit) -> str:
    size = " × ".join(unit.length(v, 1 if not unit.inch else 2) for v in told["part"]["size_mm"])
    cutters = ", ".join(_cutter_name(c, unit) for c in told["cutters"])
    return f"Roughing · part {size} {unit.name} · {told['job']['material']} · {cutters}"


def _cutter_name(cutter: dict[str, Any], unit: Unit) -> str:
    corner = cutter.get("corner_radius") or 0.0
    tail = "" if not corner else " ball" if corner >= 0.5 * cutter["diameter"] - 1e-9 else f" R{unit.short(corner)}"
    return f"Ø{unit.short(cutter['diameter'])}{tail}"


def _figures(told: dict[str, Any], unit: Unit) -> str:
    got = told["summary"]
    cells = [
        (clock(got["cycle_time_s"]), "", "cycle time, by the time model"),
        (str(got["levels"]), "", "levels"),
        (unit.space(1000.0 * got["removed_cm3"]), unit.volume, "removed"),
        (unit.far(1000.0 * got["cutting_m"]), unit.path, "cutting"),
        (unit.far(1000.0 * got["links_m"]), unit.path, "links"),
        (f"{got['worst_engagement_deg']:.1f}", "°", "largest engagement"),
    ]
    if "tallest_stair_mm" in got:
        cells.append((unit.length(got["tallest_stair_mm"], 2), unit.name, "tallest stair"))
    if "leftover_99_percent_mm" in got:
        cells.append((unit.length(got["leftover_99_percent_mm"], 2), unit.name, "leftover on 99 % of the part"))
    return "".join(f"<div><b>{a} <small>{b}</small></b><span>{escape(c)}</span></div>" for a, b, c in cells)


def _promise_lead(verdict: str) -> str:
    return {
        "passed": "The program text itself was replayed on a stock map of its own. Every promise below was kept.",
        "failed": "The program text itself was replayed on a stock map of its own. At least one promise is broken: "
        "do not run this program.",
        "not checked": "The program has not been replayed. Check it before anyone presses start.",
    }[verdict]


def _promise(promise: dict[str, Any], unit: Unit) -> str:
    kept = promise["kept"]
    mark = '<span class="mark kept">' + _TICK + "kept" if kept else '<span class="mark broken">' + _CROSS + "broken"
    if kept is None:
        mark = '<span class="mark open">' + _OPEN + "not checked"
    row = ' class="broken-row"' if kept is False else ""
    found, limit = (_amount(promise[k], promise["unit"], unit) for k in ("found", "limit"))
    return (
        f"<tr{row}><td>{escape(promise['name'])}</td><td>{mark}</span></td><td class=n>{found}</td>"
        f'<td class=n>{limit}</td><td class="note">{escape(promise["note"])}</td></tr>'
    )


def _amount(number: float | None, kind: str, unit: Unit) -> str:
    if number is None:
        return ""
    if kind == "mm":
        return unit.short(number)
    words = {"degrees": "°", "%": " %"}
    return f"{number:.2f}".rstrip("0").rstrip(".").replace("-", "−") + words.get(kind, f" {kind}")


def _findings(told: dict[str, Any]) -> str:
    found = [*told["failures"], *told["findings"]]
    if not found:
        return ""
    rows = "".join(
        f"<tr><td class=n>{f['line'] or '–'}</td><td>{escape(str(f['code']))}</td><td>{escape(str(f['message']))}</td></tr>"
        for f in found[:200]
    )
    more = f'<p class="note">and {len(found) - 200} more in report.json</p>' if len(found) > 200 else ""
    return (
        f"<h3>Findings, line by line</h3><div class=wide><table><thead><tr><th class=n>Line</th><th>Rule</th>"
        f"<th>What</th></tr></thead><tbody>{rows}</tbody></table></div>{more}"
    )


def _view_lead(facts: Facts) -> str:
    if facts.left_over is None:
        return "Path of each level; the stock is shown once the program has been checked."
    return (
        "The stock as the replay leaves it, coloured by what remains on the part, measured square to its surface. "
        "The slider walks through the levels."
    )


def _levels_lead(levels: Sequence[dict[str, Any]]) -> str:
    primary = sum(lv["kind"] == "primary" for lv in levels)
    climb = len(levels) - primary
    return (
        f"{primary} primary levels cut deep with the whole flute; {climb} climb levels trace the walls afterwards, "
        "from the bottom up, to lower the stairs. The bar shows each level's share of the time."
    )


def _level_rows(levels: Sequence[dict[str, Any]], unit: Unit) -> str:
    longest = max((lv["time_s"] or 0.0 for lv in levels), default=0.0) or 1.0
    rows = []
    for lv in levels:
        kind = "climb" if lv["kind"] == "climb" else ""
        width = round(90 * (lv["time_s"] or 0.0) / longest)
        time = "–" if lv["time_s"] is None else clock(lv["time_s"])
        pieces = "–" if lv["pieces"] is None else lv["pieces"]
        rows.append(
            f"<tr><td class=n>{lv['number']}</td><td class=n>{unit.length(lv['z_mm'])}</td>"
            f"<td class=n>{unit.length(lv['top_mm'] - lv['z_mm'], 2)}</td><td>{escape(lv['kind'])}</td>"
            f"<td>{escape(lv['reason'])}</td><td class=n>{unit.plane(lv['area_mm2'])}</td>"
            f"<td class=n>{unit.space(lv['removed_mm3'])}</td><td class=n>{unit.far(lv['cut_mm'])}</td>"
            f"<td class=n>{unit.far(lv['link_mm'])}</td><td class=n>{pieces}</td><td class=n>{time}</td>"
            f'<td><span class="bar {kind}" style="width:{width}px"></span></td></tr>'
        )
    return "".join(rows)


def _stages(facts: Facts, unit: Unit) -> str:
    """What each of several cutters adds."""
    stages = value(facts.plan, "stages", default=())
    if len(stages) < 2:
        return ""
    rows = "".join(
        f"<tr><td>{escape(str(value(s, 'name', default=k + 1)))}</td>"
        f"<td class=n>{unit.space(value(s, 'removed_mm3'))}</td><td class=n>{unit.far(value(s, 'cut_mm'))}</td>"
        f"<td class=n>{clock(value(s, 'time_s', default=0.0))}</td></tr>"
        for k, s in enumerate(stages)
    )
    return (
        f"<h3>What each cutter adds</h3><table><thead><tr><th>Cutter</th><th class=n>Removed, {unit.volume}</th>"
        f"<th class=n>Cutting, {unit.path}</th><th class=n>Time</th></tr></thead><tbody>{rows}</tbody></table>"
    )


def _time_lead(told: dict[str, Any]) -> str:
    total = sum(told["times_s"].values()) or 1.0
    share = 100.0 * told["times_s"].get("cutting", 0.0) / total
    return (
        f"{clock(total)} in all, {share:.0f} % of it cutting. A model of the machine from the accelerations in the "
        "job, not a stopwatch; tool change and measuring are not in it."
    )


def _time(told: dict[str, Any]) -> dict[str, str]:
    shown = {n: t for n, t in told["times_s"].items() if t > 0}
    total = sum(shown.values()) or 1.0
    bar = "".join(f'<i style="width:{100 * t / total:.2f}%;background:{STYLE[n][0]}"></i>' for n, t in shown.items())
    words = {"entries": "entries (helix, ramp)", "lifts": "lifts and drops", "rapids": "rapids above the clearance plane"}
    key = "".join(
        f'<li style="--c:{STYLE[n][0]}">{words.get(n, n)} <b>{clock(t)}</b> · {100 * t / total:.0f} %</li>'
        for n, t in shown.items()
    )
    label = ", ".join(f"{n} {100 * t / total:.0f} percent" for n, t in shown.items())
    return {"time_bar": bar, "time_key": key, "time_label": label}


def _load_lead(told: dict[str, Any]) -> str:
    got = told["engagement"]
    cap = "" if got["cap_deg"] is None else f" against a cap of {got['cap_deg']:.1f}°"
    line = f", in line {got['worst_line']}" if got["worst_line"] else ""
    return (
        f"The engagement angle is the part of the cutter's circle that bites. The largest was "
        f"{got['worst_deg']:.1f}°{cap}{line}; each point of a curve is the largest value in a short span of time."
    )


def _leftover_lead(told: dict[str, Any], unit: Unit) -> str:
    got = told["leftover"]
    if got is None:
        return "Known once the program has been checked."
    return (
        f"Thickness square to the part: half of the surface keeps less than {unit.short(got['percentiles']['50'])}, "
        f"99 % less than {unit.short(got['percentiles']['99'])}. Pockets too small for the cutter count as well."
    )


def _leftover(facts: Facts, told: dict[str, Any], unit: Unit, stills: dict[str, bytes]) -> str:
    got = told["leftover"]
    if got is None:
        return ""
    rows = "".join(
        f"<tr><td>{k} % of the surface</td><td class=n>{unit.short(v)}</td></tr>" for k, v in got["percentiles"].items()
    )
    place = ", ".join(unit.length(v, 2) for v in got["place"])
    rows += f"<tr><td>thickest, at {place}</td><td class=n>{unit.short(got['largest'])}</td></tr>"
    table = f"<table><thead><tr><th>Less than this remains on</th><th class=n>thickness</th></tr></thead><tbody>{rows}</tbody></table>"
    figure = f"<figure>{_image(stills.get('leftover.png'), 'leftover thickness in plan')}</figure>"
    return f'<div class="pair"><div>{figure}</div><div>{table}</div></div>{_ball(told, unit, stills)}'


def _ball(told: dict[str, Any], unit: Unit, stills: dict[str, bytes]) -> str:
    got = told["next_cutter"]
    if got is None:
        return ""
    verdict = ""
    if got["limit"] is not None:
        good = '<span class="mark kept">' + _TICK + "within " if got["ok"] else '<span class="mark broken">' + _CROSS + "above "
        verdict = f"{good}the limit of {unit.short(got['limit'])}</span>"
    rows = "".join(
        f"<tr><td class=n>{', '.join(unit.length(v, 2) for v in p['at'])}</td><td class=n>{unit.short(p['bite'])}</td>"
        f"<td class=n>{p['volume']:.2f} mm³/mm</td></tr>"
        for p in got["places"]
    )
    return (
        f"<h3>Ball-nose Ø{unit.short(got['diameter'])} next, leaving {unit.short(got['allowance'])}</h3>"
        f'<p class="lead">On {got["style"]} passes {unit.short(got["step"])} apart it bites at most '
        f"<b>{unit.short(got['thickest'])}</b> and takes up to {got['largest_volume']:.2f} mm³ per mm of path "
        f"({got['mean_volume']:.2f} on average). {verdict}</p>"
        f'<div class="pair"><figure>{_image(stills.get("next_cutter.png"), "bite of the ball-nose in plan")}</figure>'
        f"<div><table><thead><tr><th class=n>Heaviest places, x, y, z</th><th class=n>bite</th><th class=n>volume</th></tr>"
        f"</thead><tbody>{rows}</tbody></table></div></div>"
    )


def _left(told: dict[str, Any], unit: Unit) -> str:
    if not told["left"] and not told["warnings"]:
        return ""
    rows = "".join(
        f"<tr><td>{escape(str(p.get('kind', '')))}</td><td class=n>{unit.length(p.get('z'), 2)}</td>"
        f"<td class=n>{_place(p, unit)}</td><td class=n>{unit.short(p.get('width'))}</td>"
        f"<td class=n>{unit.plane(p.get('area'))}</td><td>{escape(str(p.get('reason', '')))}</td></tr>"
        for p in told["left"][:200]
    )
    table = "" if not rows else (
        f"<div class=wide><table><thead><tr><th>What</th><th class=n>Z</th><th class=n>Place x, y</th>"
        f"<th class=n>Width</th><th class=n>Area, {unit.area}</th><th>Why</th></tr></thead><tbody>{rows}</tbody></table></div>"
    )  # fmt: skip
    notes = "".join(f"<li>{escape(w)}</li>" for w in told["warnings"])
    warned = f"<h3>Warnings</h3><ul>{notes}</ul>" if notes else ""
    return f'<section id="left"><h2>Left uncut, and warnings</h2>{table}{warned}</section>'


def _place(item: dict[str, Any], unit: Unit) -> str:
    place = item.get("place") or [item.get("x"), item.get("y")]
    return ", ".join(unit.length(v, 2) for v in place)


# ------------------------------------------------------------------ setup sheet


def _list(pairs: Sequence[tuple[str, str]]) -> str:
    return "<dl>" + "".join(f"<dt>{escape(a)}</dt><dd>{escape(b)}</dd>" for a, b in pairs if b) + "</dl>"


def _sheet(told: dict[str, Any], unit: Unit, stills: dict[str, bytes]) -> str:
    mark, words = _VERDICTS[told["verdict"]]
    kind = {"passed": "kept", "failed": "broken"}.get(told["verdict"], "open")
    own = [c for c in told["cautions"] if c not in CAUTIONS]
    cautions = "".join(f"<li>{escape(c)}</li>" for c in [*own, *CAUTIONS][:12])
    signs = "".join(
        f'<span class="tick">{t}</span>'
        for t in ("zero checked", "tool length checked", "overhang measured", "clamps clear", "dry run done", "first level watched")
    ) + "".join(f"<span>{t}</span>" for t in ("set up by", "date", "machine no."))  # fmt: skip
    return (
        f'<div class="head"><div><h2>Setup sheet: {escape(told["part"]["name"] or told["job"]["source"])}</h2>'
        f'<span class="note">{escape(str(told["job"]["source"]))} · {escape(str(told["job"]["material"]))}'
        f' · cycle {clock(told["summary"]["cycle_time_s"])}</span></div>'
        f'<div><span class="mark {kind}">{mark}{words}</span> <button id="print-sheet">Print this sheet</button></div></div>'
        f'<div class="cols"><div><h3>Stock and zero</h3>{_list(_stock_lines(told, unit))}</div>'
        f"<div><h3>Cutter and holder</h3>{_list(_cutter_lines(told, unit))}</div>"
        f"<div><h3>Speeds and feeds</h3>{_list(_data_lines(told, unit))}</div>"
        f"<div><h3>Path</h3>{_list(_path_lines(told, unit))}</div></div>"
        f'<div class="plan" style="margin-top:10px">{_image(stills.get("view.png"), "the stock after roughing")}</div>'
        f'<h3 style="margin-top:10px">Cautions</h3><ol class="cautions">{cautions}</ol>'
        f'<h3 style="margin-top:10px">Operator</h3><div class="signs">{signs}</div>'
    )


def _stock_lines(told: dict[str, Any], unit: Unit) -> list[tuple[str, str]]:
    stock, job = told["stock"], told["job"]
    size = " × ".join(unit.length(b - a, 2) for a, b in zip(stock["min"], stock["max"], strict=True))
    corner = [", ".join(unit.length(v, 2) for v in stock[k]) for k in ("min", "max")]
    zero = {"file": "as in the part file"}.get(told["part"]["zero"], told["part"]["zero"])
    keep = ", ".join(k.get("name") or "box" for k in job["keepouts"])
    return [
        (f"{stock['kind']}, {unit.name}", size), ("low corner x, y, z", corner[0]), ("high corner x, y, z", corner[1]),
        ("zero point", zero), ("work offset", job["work_offset"] or ""), ("clearance plane Z", unit.short(job["clearance_z_mm"])),
        ("clamping", job["clamping"] or ""), ("keep-out boxes", keep or "none given"),
    ]  # fmt: skip


def _cutter_lines(told: dict[str, Any], unit: Unit) -> list[tuple[str, str]]:
    lines: list[tuple[str, str]] = []
    for c in told["cutters"]:
        name = f" {c['name']}" if c.get("name") else ""
        lines += [
            (f"T{c.get('number', 1)}", f"{_cutter_name(c, unit)}{name}, {c.get('flutes', '?')} flutes"),
            ("flute length / overhang", f"{unit.short(c.get('flute_length'))} / {unit.short(c.get('overhang'))}"),
        ]
    holder = told["holder"]
    lines.append(("holder", f"{holder.get('type', '')}, {unit.short(holder.get('clearance'))} kept clear"))
    if holder.get("profile"):
        nose = holder["profile"][0]
        lines.append(("holder nose Ø / length", f"{unit.short(nose[1])} / {unit.short(nose[0])}"))
    return lines


def _data_lines(told: dict[str, Any], unit: Unit) -> list[tuple[str, str]]:
    d = told["cutting_data"]

    def feed(key: str) -> str:
        return "" if d[key] is None else f"{unit.length(d[key], 0).replace('−', '')} {unit.name}/min"

    rpm = "" if d["spindle_rpm"] is None else f"{d['spindle_rpm']:.0f} 1/min"
    speed = "" if d["surface_speed_m_min"] is None else f"{d['surface_speed_m_min']:.0f} m/min"
    power = "" if d["power_kw"] is None else f"{d['power_kw']:.1f} kW, {d['torque_nm'] or 0:.1f} Nm"
    tooth = "" if d["feed_per_tooth"] is None else unit.short(d["feed_per_tooth"])
    return [
        ("spindle", rpm), ("cutting speed", speed), ("feed at the cap", feed("cut_feed")), ("feed per tooth", tooth),
        ("helix / ramp feed", " / ".join(x for x in (feed("helix_feed"), feed("ramp_feed")) if x)),
        ("link feed", feed("link_feed")), ("at the cap", power),
    ]  # fmt: skip


def _path_lines(told: dict[str, Any], unit: Unit) -> list[tuple[str, str]]:
    rough, d = told["job"]["roughing"], told["cutting_data"]
    cap = told["engagement"]["cap_deg"]
    depth = max((lv["top_mm"] - lv["z_mm"] for lv in told["levels"] if lv["kind"] == "primary"), default=None)
    angle = d["ramp_angle_deg"]
    return [
        ("levels", f"{len(told['levels'])}, deepest cut {unit.short(depth)}"),
        ("lowest level Z", unit.short(min((lv["z_mm"] for lv in told["levels"]), default=None))),
        ("engagement cap", "" if cap is None else f"{cap:.1f}°"), ("milling", str(rough.get("direction", ""))),
        ("left on walls / floors", f"{unit.short(rough.get('wall_allowance'))} / {unit.short(rough.get('floor_allowance'))}"),
        ("entry", str(told["job"]["entry"].get("method", ""))), ("steepest descent", "" if angle is None else f"{angle:.1f}°"),
    ]  # fmt: skip
