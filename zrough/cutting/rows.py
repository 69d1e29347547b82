"""Cutting data as rows to print; no printing here."""

from __future__ import annotations

import math
from typing import NamedTuple

from zrough.cutting.proposal import CuttingData
from zrough.errors import CuttingDataError

HEADER = ("quantity", "value", "unit", "note")
INCH = 25.4


class Row(NamedTuple):
    """One line of the table."""

    quantity: str
    value: str
    unit: str
    note: str


# unit in mm -> (unit in inch, divisor, decimals in mm, decimals in inch)
_UNITS = {
    "mm": ("in", INCH, 3, 4),
    "mm/min": ("in/min", INCH, 0, 1),
    "m/min": ("sfm", 0.3048, 1, 0),
    "cm3/min": ("in3/min", INCH**3 / 1000.0, 1, 2),
}
_PLAIN = {"1/min": 0, "deg": 2, "kW": 2, "Nm": 2, "N": 0, "N/mm2": 0, "HB": 0, "": 3}


def table(data: CuttingData, units: str = "mm") -> list[Row]:
    """Rows (quantity, value, unit, note): the proposal, the limits, warnings and cautions, sources last.

    Parameters
    ----------
    units : "mm" or "inch" for lengths, feeds and speeds; power, torque and force stay kW, Nm, N.
    """
    if units not in ("mm", "inch"):
        raise CuttingDataError(f'cutting data: units = "{units}" must be "mm" or "inch"')
    return [
        *_proposal(data, units),
        *_limits(data, units),
        *[Row("warning", "", "", text) for text in data.warnings],
        *[Row("caution", "", "", text) for text in data.cautions],
        *[Row("source", "", "", f"{name}: {text}") for name, text in data.material.sources],
    ]


def _format(value: float, unit: str, units: str) -> tuple[str, str]:
    if math.isinf(value):
        return "none", unit
    if unit in _UNITS:
        inch_unit, divisor, decimals, inch_decimals = _UNITS[unit]
        if units == "inch":
            return f"{value / divisor:.{inch_decimals}f}", inch_unit
        return f"{value:.{decimals}f}", unit
    return f"{value:.{_PLAIN[unit]}f}", unit


def _proposal(data: CuttingData, units: str) -> list[Row]:
    material = data.material
    rows = [Row("material", material.name, "", f"ISO 513 group {material.iso}")]
    if material.hardness_hb is not None:
        rows.append(
            _row(
                "hardness", material.hardness_hb, "HB", units, "assumed" if material.assumed_hardness else ""
            )
        )
    rows.append(
        Row(
            "specific cutting force",
            f"{material.kc11:.0f}",
            "N/mm2",
            f"at a chip of 1 x 1 mm, exponent {material.mc:.2f}",
        )
    )
    quantities = (
        ("spindle speed", data.spindle_rpm, "1/min", ""),
        ("surface speed", data.surface_speed_m_min, "m/min", ""),
        ("feed per tooth", data.feed_per_tooth, "mm", "at the cap"),
        ("feed", data.cut_feed, "mm/min", "at the cap"),
        ("engagement", data.engagement_deg, "deg", "the cap"),
        (
            "radial width",
            data.radial_width,
            "mm",
            f"{100 * data.radial_width / data.cutter.diameter:.1f} % of diameter",
        ),
        ("axial depth", data.level_depth, "mm", f"{data.level_depth / data.cutter.diameter:.2f} x diameter"),
        ("stair height", data.stair_height, "mm", ""),
        (
            "thickest chip",
            data.chip_at_cap,
            "mm",
            f"aimed at {' '.join(_format(data.max_chip, 'mm', units))}",
        ),
        ("metal removed", data.removal_cm3_min, "cm3/min", ""),
        ("ramp angle", data.ramp_angle_deg, "deg", "of the cutter's centre"),
        ("helix bore", data.helix_bore, "mm", ""),
        ("helix feed", data.helix_feed, "mm/min", "of the cutter's centre"),
        ("ramp feed", data.ramp_feed, "mm/min", ""),
        ("link feed", data.link_feed, "mm/min", ""),
        ("lift", data.lift, "mm", ""),
        ("power", data.power_kw, "kW", f"at the motor, efficiency {data.efficiency:g}"),
        ("torque", data.torque_nm, "Nm", "mean over a turn"),
        ("bending force", data.force_n, "N", "peak over a turn, run-out included"),
        ("deflection", data.deflection_mm, "mm", "of the cutter alone"),
    )
    return rows + [_row(name, value, unit, units, note) for name, value, unit, note in quantities]


def _row(name: str, value: float, unit: str, units: str, note: str) -> Row:
    return Row(name, *_format(value, unit, units), note)


def _limits(data: CuttingData, units: str) -> list[Row]:
    rows = []
    for limit in data.limits:
        value, unit = _format(limit.value, limit.unit, units)
        at, _ = _format(limit.limit, limit.unit, units)
        least = limit.name.startswith("lowest")
        bound = "no limit given" if at == "none" else f"{'at least' if least else 'at most'} {at}"
        rows.append(Row(f"limit: {limit.name}", value, unit, bound + (", binds" if limit.binds else "")))
    return rows
