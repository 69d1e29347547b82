"""Words and tables of the report page: pieces of HTML from the numbers of the report."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from html import escape
from typing import Any

from zrough.pictures import STYLE, clock
from zrough.units import Unit

_MOST_ROWS = 200  # of findings and places; the rest is in report.json

_SIGN = (
    '<svg viewBox="0 0 20 20" aria-hidden="true"><path d="{}" fill="none" stroke="currentColor" '
    'stroke-width="2.4" stroke-linecap="round" stroke-linejoin="round"/></svg>'
)
_TICK = _SIGN.format("M4 10.5l4 4 8-9")
_CROSS = _SIGN.format("M5 5l10 10M15 5L5 15")
_RING = _SIGN.format("M15 10a5 5 0 1 1-10 0a5 5 0 1 1 10 0")
VERDICTS = {
    "passed": (_TICK, "Check passed"),
    "failed": (_CROSS, "Check failed, do not run"),
    "not checked": (_RING, "Not checked"),
}


def mark(kind: str, words: str) -> str:
    """A sign with a word; ``kind`` is kept, broken, missed or open."""
    sign = {"kept": _TICK, "broken": _CROSS, "missed": _RING, "open": _RING}[kind]
    return f'<span class="mark {kind}">{sign}{words}</span>'


def image(png: bytes | None, text: str) -> str:
    """A picture inside the page."""
    if png is None:
        return ""
    return f'<img alt="{escape(text)}" src="data:image/png;base64,{base64.b64encode(png).decode("ascii")}">'


def table(heads: Sequence[str], rows: Iterable[Sequence[str]], row_class: Sequence[str] = ()) -> str:
    """A table; a head that begins with ``>`` has its column to the right. Cells are HTML already."""
    side = [' class="n"' if h.startswith(">") else "" for h in heads]
    top = "".join(f"<th{s}>{h.removeprefix('>')}</th>" for s, h in zip(side, heads, strict=True))
    body = []
    for k, row in enumerate(rows):
        own = f' class="{row_class[k]}"' if k < len(row_class) and row_class[k] else ""
        body.append(
            f"<tr{own}>" + "".join(f"<td{s}>{c}</td>" for s, c in zip(side, row, strict=True)) + "</tr>"
        )
    return (
        f'<div class="wide"><table><thead><tr>{top}</tr></thead><tbody>{"".join(body)}</tbody></table></div>'
    )


def cutter_name(cutter: dict[str, Any], unit: Unit) -> str:
    """Diameter and corner in short."""
    corner = cutter.get("corner_radius") or 0.0
    if not corner:
        tail = ""
    else:
        tail = " ball" if corner >= 0.5 * cutter["diameter"] - 1e-9 else f" R{unit.short(corner)}"
    return f"Ø{unit.short(cutter['diameter'])}{tail}"


def subtitle(told: dict[str, Any], unit: Unit) -> str:
    """What is cut, and with what."""
    size = " × ".join(unit.length(v, 1) for v in told["part"]["size_mm"])
    cutters = ", ".join(cutter_name(c, unit) for c in told["cutters"])
    return escape(f"Roughing · part {size} {unit.name} · {material(told)} · {cutters}")


def material(told: dict[str, Any]) -> str:
    """Material and hardness as the job gives them."""
    job = told["job"]
    hard = [f" {job[k]:g} {name}" for k, name in (("hardness_hb", "HB"), ("hardness_hrc", "HRC")) if job[k]]
    return f"{job['material']}{''.join(hard)}"


def figures(told: dict[str, Any], unit: Unit) -> str:
    """The few numbers everybody asks for."""
    got = told["summary"]
    cells = [
        (clock(got["cycle_time_s"]), "", "cycle time, modelled"),
        (str(got["levels"]), "", "levels"),
        (unit.space(1000.0 * got["removed_cm3"]), unit.volume, "removed"),
        (unit.far(1000.0 * got["cutting_m"]), unit.path, "cutting"),
        (unit.far(1000.0 * got["links_m"]), unit.path, "links"),
        (f"{got['worst_engagement_deg']:.1f}", "°", "largest engagement"),
    ]
    if "chip_near_target_share" in got:
        share = f"{100 * got['chip_near_target_share']:.0f}"
        cells.append((share, "%", "of cutting time within 10 % of the chip wanted at that bite"))
    if "tallest_stair_mm" in got:
        cells.append((unit.length(got["tallest_stair_mm"], 2), unit.name, "tallest stair"))
    if "leftover_99_percent_mm" in got:
        thin = unit.length(got["leftover_99_percent_mm"], 2)
        cells.append((thin, unit.name, "or less left on 99 % of the part"))
    return "".join(f"<div><b>{a} <small>{b}</small></b><span>{c}</span></div>" for a, b, c in cells)


def promise_lead(told: dict[str, Any]) -> str:
    """What the verdict means."""
    if told["verdict"] == "not checked":
        return "The program has not been replayed. Check it before anyone presses start."
    missed = sum(p["kept"] is False and not p["safety"] for p in told["promises"])
    goals = "" if not missed else f" Of the goals at the end, {missed} missed: see the remark."
    said = (
        "It kept every promise of safety."
        if told["verdict"] == "passed"
        else "At least one promise is broken: do not run this program."
    )
    return f"The program text itself was replayed on a stock map of its own. {said}{goals}"


def promises(told: dict[str, Any], unit: Unit) -> str:
    """One row a promise, and what the replay found line by line."""
    rows, classes = [], []
    for p in told["promises"]:
        found, limit = (_amount(p[k], p["unit"], unit) for k in ("found", "limit"))
        note = f'<span class="note">{escape(p["note"])}</span>'
        rows.append((escape(p["name"]), _kept(p), found, limit, note))
        classes.append("broken-row" if p["kept"] is False and p["safety"] else "")
    return table(("Promise", "Verdict", ">Found", ">Limit", "Remark"), rows, classes) + _findings(told)


def _kept(promise: dict[str, Any]) -> str:
    goal = not promise["safety"]
    if promise["kept"] is None:
        return mark("open", "no limit set" if goal and promise["limit"] is None else "not checked")
    if promise["kept"]:
        return mark("kept", "reached" if goal else "kept")
    return mark("missed", "missed") if goal else mark("broken", "broken")


def _amount(number: float | None, kind: str, unit: Unit) -> str:
    if number is None:
        return ""
    if kind == "mm":
        return unit.short(number)
    digits = f"{number:.2f}".rstrip("0").rstrip(".").replace("-", "−")
    return digits + {"degrees": "°", "%": " %"}.get(kind, f" {kind}")


def _findings(told: dict[str, Any]) -> str:
    found = [*told["failures"], *told["findings"]]
    if not found:
        return ""
    rows = [
        (str(f["line"] or "–"), escape(str(f["code"])), escape(str(f["message"]))) for f in found[:_MOST_ROWS]
    ]
    return "<h3>Findings, line by line</h3>" + table((">Line", "Rule", "What"), rows) + _more(found)


def _more(found: Sequence[Any]) -> str:
    rest = len(found) - _MOST_ROWS
    return f'<p class="note">and {rest} more in report.json</p>' if rest > 0 else ""


def view_lead(has_stock: bool) -> str:
    """Above the view that turns."""
    if not has_stock:
        return "Path of each level; the stock is shown once the program has been checked."
    return (
        "The stock as the replay leaves it, coloured by what remains on the part, measured square to its "
        "surface. The slider walks through the levels."
    )


def rings(stills: dict[str, bytes]) -> str:
    """The picture of some levels' rings."""
    return (
        "<h3>Rings of some levels</h3><figure>"
        + image(stills.get("levels.png"), "path of some levels in plan")
        + "<figcaption>Full lines cut, dashed lines are links, dotted lines entries.</figcaption></figure>"
    )


def levels_lead(told: dict[str, Any]) -> str:
    """Above the table of levels."""
    primary = sum(lv["kind"] == "primary" for lv in told["levels"])
    climb = len(told["levels"]) - primary
    return (
        f"{_count(primary, 'primary level')} cut deep with the whole flute; {_count(climb, 'climb level')} "
        "cut afterwards, from the bottom up, lower the stairs on the walls. The bar is the level's time."
    )


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def levels(told: dict[str, Any], unit: Unit) -> str:
    """Every level, and why it is there."""
    longest = max((lv["time_s"] or 0.0 for lv in told["levels"]), default=0.0) or 1.0
    rows = []
    for lv in told["levels"]:
        width = round(90 * (lv["time_s"] or 0.0) / longest)
        climb = " climb" if lv["kind"] == "climb" else ""
        rows.append((
            str(lv["number"]), unit.length(lv["z_mm"]), unit.length(lv["top_mm"] - lv["z_mm"], 2),
            escape(lv["kind"]) + _tool(told, lv), escape(lv["reason"]),
            unit.plane(lv["area_mm2"]), unit.space(lv["removed_mm3"]),
            unit.far(lv["cut_mm"]), unit.far(lv["link_mm"]),
            "–" if lv["pieces"] is None else str(lv["pieces"]),
            "–" if lv["time_s"] is None else clock(lv["time_s"]),
            f'<span class="bar{climb}" style="width:{width}px"></span>',
        ))  # fmt: skip
    heads = (
        ">No.", f">Z, {unit.name}", ">Depth", "Kind", "Why",
        f">Area, {unit.area}", f">Removed, {unit.volume}",
        f">Cutting, {unit.path}", f">Links, {unit.path}", ">Pieces", ">Time", "",
    )  # fmt: skip
    return table(heads, rows) + _stages(told, unit)


def _tool(told: dict[str, Any], level: dict[str, Any]) -> str:
    """Tool number behind a level's kind, where there are several."""
    if len(told["stages"]) < 2:
        return ""
    return f", T{told['cutters'][level['cutter'] - 1].get('number', level['cutter'])}"


def _stages(told: dict[str, Any], unit: Unit) -> str:
    """What each of several cutters adds."""
    if len(told["stages"]) < 2:
        return ""
    rows = [
        (
            escape(s["name"]), str(s["levels"]), unit.space(s["removed_mm3"]), unit.far(s["cut_mm"]),
            "–" if s["time_s"] is None else clock(s["time_s"]), unit.short(s["tallest_stair_mm"]),
            "–" if s["spindle_rpm"] is None else f"{s['spindle_rpm']:.0f}",
        )
        for s in told["stages"]
    ]  # fmt: skip
    heads = (
        "Cutter", ">Levels", f">Removed, {unit.volume}", f">Cutting, {unit.path}", ">Time",
        f">Tallest stair after it, {unit.name}", ">Spindle, 1/min",
    )  # fmt: skip
    return "<h3>What each cutter adds</h3>" + table(heads, rows)


def times(told: dict[str, Any]) -> dict[str, str]:
    """Lead, bar, key and a spoken form of the time split."""
    shown = {n: t for n, t in told["times_s"].items() if t > 0}
    total = sum(shown.values()) or 1.0
    share = {n: 100.0 * t / total for n, t in shown.items()}
    words = {
        "entries": "entries (helix, ramp)",
        "lifts": "lifts and drops",
        "rapids": "rapids above the clearance plane",
    }  # fmt: skip
    model = (
        "feeds and lengths alone, so it is too short"
        if told["verdict"] == "not checked"
        else "a model of the machine's accelerations and control, not a stopwatch"
    )
    cut = f"{clock(total)} in all, {share.get('cutting', 0.0):.0f} % of it cutting. "
    return {
        "time_lead": f"{cut}From {model}; tool change and measuring are not in it.",
        "time_bar": "".join(f'<i style="width:{share[n]:.2f}%;background:{STYLE[n][0]}"></i>' for n in shown),
        "time_key": "".join(
            f'<li style="--c:{STYLE[n][0]}">{words.get(n, n)} <b>{clock(t)}</b> · {share[n]:.0f} %</li>'
            for n, t in shown.items()
        ),
        "time_label": ", ".join(f"{n} {share[n]:.0f} percent" for n in shown),
    }


def load_lead(told: dict[str, Any], unit: Unit) -> str:
    """Above the load curves."""
    got = told["engagement"]
    cap = "" if got["cap_deg"] is None else f" against a cap of {got['cap_deg']:.1f}°"
    line = f", in line {got['worst_line']}" if got["worst_line"] else ""
    length = f"{unit.length(got['slots_mm'], 0)} {unit.name}" if got["slots_mm"] else ""
    slots = f" {length} of slots are apart: there the job allows the full width." if length else ""
    return (
        f"The engagement angle is the part of the cutter's circle that bites. The largest was "
        f"{got['worst_deg']:.1f}°{cap}{line}; a curve shows the largest value in each short span of time."
        f"{slots}"
    )


def leftover_lead(told: dict[str, Any], unit: Unit) -> str:
    """Above the leftover map."""
    got = told["leftover"]
    if got is None:
        return "Known once the program has been checked."
    half, most = (unit.short(got["percentiles"][k]) for k in ("50", "99"))
    return (
        f"Thickness square to the part: half of the surface keeps {half} or less, 99 % keeps {most} or less. "
        "Pockets too small for the cutter count as well."
    )


def leftover(told: dict[str, Any], unit: Unit, stills: dict[str, bytes]) -> str:
    """Map, percentiles and flats, and the load of the next cutter."""
    got = told["leftover"]
    if got is None:
        return ""
    rows = [(f"{k} % of the surface", unit.short(v)) for k, v in got["percentiles"].items()]
    rows.append((f"thickest, at {unit.point(got['place'])}", unit.short(got["largest"])))
    figure = f"<figure>{image(stills.get('leftover.png'), 'leftover thickness in plan')}</figure>"
    numbers = table(("No more than this remains on", ">thickness"), rows) + _flats(told, unit)
    return f'<div class="pair"><div>{figure}</div><div>{numbers}</div></div>{_ball(told, unit, stills)}'


def _flats(told: dict[str, Any], unit: Unit) -> str:
    if not told["flats"]:
        return ""
    rows = [
        (unit.length(f["z"]), unit.plane(f["area_mm2"]), unit.length(f["wanted_mm"]),
         unit.length(f["typical_mm"]), f"{100 * f['cut_share']:.0f} %")
        for f in told["flats"]
    ]  # fmt: skip
    heads = (f">Z, {unit.name}", f">Area, {unit.area}", ">To leave", ">Left", ">Cut down to it")
    return "<h3>Flats</h3>" + table(heads, rows)


def _ball(told: dict[str, Any], unit: Unit, stills: dict[str, bytes]) -> str:
    got = told["next_cutter"]
    if got is None:
        return ""
    verdict = ""
    if got["limit"] is not None:
        limit = f"the limit of {unit.short(got['limit'])}"
        verdict = mark("kept", f"within {limit}") if got["ok"] else mark("missed", f"above {limit}")
    rows = [(unit.point(p["at"]), unit.short(p["bite"]), f"{p['volume']:.2f} mm³/mm") for p in got["places"]]
    figure = image(stills.get("next_cutter.png"), "bite of the ball-nose in plan")
    return (
        f"<h3>Ball-nose Ø{unit.short(got['diameter'])} next, leaving {unit.short(got['allowance'])}</h3>"
        f'<p class="lead">On {got["style"]} passes {unit.short(got["step"])} apart it bites at most '
        f"<b>{unit.short(got['thickest'])}</b> and takes up to {got['largest_volume']:.2f} mm³ per mm of path"
        f" ({got['mean_volume']:.2f} on average). {verdict}</p>"
        f'<div class="pair"><figure>{figure}</figure><div>'
        + table((">Heaviest places, x, y, z", ">bite", ">volume"), rows)
        + "</div></div>"
    )


def _heights(place: dict[str, Any], unit: Unit) -> str:
    low, high = unit.length(place["z_mm"], 2), unit.length(place["highest_z_mm"], 2)
    return low if low == high else f"{low} to {high}"


def left(told: dict[str, Any], unit: Unit) -> str:
    """Places left uncut, and warnings; nothing when there are none."""
    if not told["left"] and not told["warnings"]:
        return ""
    rows = [
        (escape(p["kind"]), _heights(p, unit), unit.point(p["place"]),
         "–" if p["kind"] == "rest" else unit.short(p["width_mm"]),
         unit.patch(p["area_mm2"]), escape(p["reason"]))
        for p in told["left"][:_MOST_ROWS]
    ]  # fmt: skip
    heads = ("What", ">Z", ">Place x, y", ">Width", ">Area", "Why")
    places = table(heads, rows) + _more(told["left"]) if rows else ""
    notes = "".join(f"<li>{escape(w)}</li>" for w in told["warnings"])
    scale = '<p class="note">Lengths and places in these lines are in mm.</p>' if unit.inch else ""
    warned = f"<h3>Warnings</h3>{scale}<ul>{notes}</ul>" if notes else ""
    return f'<section id="left"><h2>Left uncut, and warnings</h2>{places}{warned}</section>'
