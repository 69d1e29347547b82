"""The setup sheet: one printed page that goes to the machine."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Any

from zrough.pagewords import VERDICTS, cutter_name, image, mark, material
from zrough.pictures import clock
from zrough.units import Unit

MOST_CAUTIONS = 12  # more do not fit the page
# Common practice of mould shops; no published source.
CAUTIONS = (
    "Prove out in the air above the part: single block, rapid and feed low, distance to go watched.",
    "Compare zero point, tool length and overhang with this sheet; measure the overhang, do not guess it.",
    "Look at clamps, vise jaws and screws from the holder's side: only what the job names was checked.",
    "Speeds and feeds are starting points. Listen, look at the chips, keep a hand on the feed override.",
    "Guard closed, coolant or air as the material asks, chips cleared between levels.",
    "Magnesium and titanium chips burn: keep a class D extinguisher at hand, no water.",
    "Follow the machine maker's manual, local rules and a qualified machinist.",
)  # fmt: skip
_TICKS = (
    "zero checked", "tool length checked", "overhang measured",
    "clamps clear", "dry run done", "first level watched",
)  # fmt: skip
_LINES = ("set up by", "date", "machine no.")
Pairs = Sequence[tuple[str, str]]


def sheet(told: dict[str, Any], unit: Unit, stills: dict[str, bytes]) -> str:
    """HTML of the sheet: stock, zero, cutter, overhang, holder, speeds, cautions, the operator's box."""
    sign = {"passed": "kept", "failed": "broken"}.get(told["verdict"], "open")
    verdict = mark(sign, VERDICTS[told["verdict"]][1])
    own = [c for c in told["cautions"] if c not in CAUTIONS]
    cautions = "".join(f"<li>{escape(c)}</li>" for c in (*own, *CAUTIONS)[:MOST_CAUTIONS])
    signs = "".join(f'<span class="tick">{t}</span>' for t in _TICKS) + "".join(
        f"<span>{t}</span>" for t in _LINES
    )
    job = told["job"]
    facts = f"{job['source']} · {material(told)} · cycle {clock(told['summary']['cycle_time_s'])}"
    return (
        f'<div class="head"><div><h2>Setup sheet: {escape(told["part"]["name"] or job["source"])}</h2>'
        f'<span class="note">{escape(facts)}</span></div>'
        f'<div>{verdict} <button id="print-sheet">Print this sheet</button></div></div><div class="cols">'
        + _block("Stock and zero", _stock(told, unit))
        + _block("Cutter and holder", _cutter(told, unit))
        + _block("Speeds and feeds", _speeds(told, unit))
        + _block("Path", _path(told, unit))
        + f'</div><div class="plan">{image(stills.get("view.png"), "the stock after roughing")}</div>'
        f'<h3>Cautions</h3><ol class="cautions">{cautions}</ol>'
        f'<h3>Operator</h3><div class="signs">{signs}</div>'
    )


def _block(title: str, pairs: Pairs) -> str:
    lines = "".join(f"<dt>{escape(a)}</dt><dd>{escape(b)}</dd>" for a, b in pairs if b)
    return f"<div><h3>{title}</h3><dl>{lines}</dl></div>"


def _stock(told: dict[str, Any], unit: Unit) -> Pairs:
    stock, job, zero = told["stock"], told["job"], told["part"]["zero"]
    size = " × ".join(unit.length(b - a, 2) for a, b in zip(stock["min"], stock["max"], strict=True))
    boxes = ", ".join(k.get("name") or "box" for k in job["keepouts"])
    return (
        (f"{stock['kind']}, {unit.name}", size),
        ("low corner x, y, z", unit.point(stock["min"])),
        ("high corner x, y, z", unit.point(stock["max"])),
        ("zero point", "as in the part file" if zero == "file" else zero),
        ("work offset", job["work_offset"] or ""),
        ("clearance plane Z", unit.short(job["clearance_z_mm"])),
        ("clamping", job["clamping"] or ""),
        ("keep-out boxes", boxes or "none given"),
    )


def _cutter(told: dict[str, Any], unit: Unit) -> Pairs:
    lines: list[tuple[str, str]] = []
    for c in told["cutters"]:
        name = f" {c['name']}" if c.get("name") else ""
        lines += [
            (f"T{c.get('number', 1)}", f"{cutter_name(c, unit)}{name}, {c.get('flutes', '?')} flutes"),
            ("flute length", unit.short(c.get("flute_length"))),
            ("overhang", f"{unit.short(c.get('overhang'))} from the holder's face"),
        ]  # fmt: skip
    holder = told["holder"]
    lines.append(("holder", f"{holder.get('type', '')}, {unit.short(holder.get('clearance'))} kept clear"))
    if holder.get("profile"):
        length, diameter = holder["profile"][0][:2]
        lines.append(("holder nose Ø / length", f"{unit.short(diameter)} / {unit.short(length)}"))
    return lines


def _speeds(told: dict[str, Any], unit: Unit) -> Pairs:
    d = told["cutting_data"]

    def feed(key: str) -> str:
        return "" if d[key] is None else f"{unit.length(d[key], 0)} {unit.name}/min"

    descent = " / ".join(x for x in (feed("helix_feed"), feed("ramp_feed")) if x)
    load = "" if d["power_kw"] is None else f"{d['power_kw']:.1f} kW, {d['torque_nm'] or 0.0:.1f} Nm"
    if len(told["stages"]) > 1:
        rows: list[tuple[str, str]] = []
        for s in told["stages"]:
            name = s["name"].partition(":")[0]
            rows += [
                (f"{name} spindle", "" if s["spindle_rpm"] is None else f"{s['spindle_rpm']:.0f} 1/min"),
                (
                    f"{name} feed at the cap",
                    "" if s["cut_feed"] is None else f"{unit.length(s['cut_feed'], 0)} {unit.name}/min",
                ),
            ]
        return rows
    return (
        ("spindle", "" if d["spindle_rpm"] is None else f"{d['spindle_rpm']:.0f} 1/min"),
        ("cutting speed", unit.speed(d["surface_speed_m_min"])),
        ("feed at the cap", feed("cut_feed")),
        ("feed per tooth", "" if d["feed_per_tooth"] is None else unit.short(d["feed_per_tooth"])),
        ("helix / ramp feed", descent),
        ("link feed", feed("link_feed")),
        ("load at the cap", load),
    )  # fmt: skip


def _path(told: dict[str, Any], unit: Unit) -> Pairs:
    rough, angle, cap = (
        told["job"]["roughing"],
        told["cutting_data"]["ramp_angle_deg"],
        told["engagement"]["cap_deg"],
    )
    depths = [lv["top_mm"] - lv["z_mm"] for lv in told["levels"]]
    wall, floor = (unit.short(rough.get(k)) for k in ("wall_allowance", "floor_allowance"))
    return (
        ("levels", f"{len(depths)}, deepest cut {unit.short(max(depths, default=None))}"),
        ("lowest level Z", unit.short(min((lv["z_mm"] for lv in told["levels"]), default=None))),
        ("engagement cap", "" if cap is None else f"{cap:.1f}°"),
        ("milling", str(rough.get("direction", ""))),
        ("left on walls / floors", f"{wall} / {floor}"),
        ("entry", str(told["job"]["entry"].get("method", ""))),
        ("steepest descent", "" if angle is None else f"{angle:.1f}°"),
    )
