"""Warnings and cautions that go with cutting data: simple rules, stated as such.

Warnings are about this cut; cautions are what a shop should know whatever the numbers.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from zrough.cutting import formulas
from zrough.cutting.kienzle import lag_per_mm
from zrough.cutting.practice import Holder, coating, practice

if TYPE_CHECKING:
    from zrough.cutting.proposal import Conditions, CuttingData

THIN_CHIP = 0.005  # mm; about the radius of a sharp carbide edge: below it the edge rubs (common practice)
CLIPPED = 0.6  # share of the wanted chip below which a limit is worth a warning
SLOT_DEPTH = 1.0  # x D, deepest full slot (WIDIA solid end mill catalogue: slotting at most 1 x D)
DEEP, DEEP_WIDTH = 3.0, 0.25  # x D, and width over D that such a depth does not carry (common practice)
WEAK_DEPTH = 1.5  # x D with a weakly held part (common practice)
MANY_FLUTES, FULL_GULLET = (
    5,
    0.2,
)  # flutes and width over D that fill the gullets in soft metal (common practice)
BALANCE_RPM = 8000.0  # above it, balance the assembly (common practice)
FINE_BALANCE_RPM = 15000.0  # above it, grade 2.5 instead of 6.3 (common practice)

CAUTIONS = {
    "magnesium": (
        "magnesium burns: never fine feeds, no dwelling or rubbing, sharp cutters, below 152 m/min; dry "
        "or mineral "
        "oil, no water-based coolant; on a fire no water and no foam but a class D extinguisher or dry "
        "sand; keep "
        "chips in covered dry bins (US T.O. 1-1A-9, sec. 4-21, 4-22)"
    ),
    "titanium": (
        "titanium chips and dust burn: plenty of coolant, sharp cutters, class D extinguisher at the "
        "machine, no "
        "water on a fire, closed bins (Cutting Tool Engineering, Tackling titanium, 2009)"
    ),
    "beryllium": (
        "beryllium dust harms the lungs: cut wet, extract, never blow off, follow the alloy maker's "
        "safety sheet "
        "(common practice)"
    ),
}


def warnings(data: CuttingData, wish: Conditions, kind: Holder, coat: str | None) -> list[str]:
    """What is wrong or doubtful about this cut."""
    return [
        *_wishes(data, wish),
        *_clipped(data),
        *_holder(data, kind),
        *_cutter(data, coat),
        *_unstable(data, wish),
    ]


def cautions(data: CuttingData, kind: Holder, wish: Conditions) -> list[str]:
    """What a shop should know: fire, health, balance, holder, where the numbers stand."""
    out = []
    if data.material.caution in CAUTIONS:
        out.append(CAUTIONS[data.material.caution])
    if kind.preferred:
        out.append(kind.advice)
    out.extend(_balance(data))
    if data.material.assumed_hardness and data.material.hardness_hb is not None:
        out.append(
            f"hardness not given: {data.material.hardness_hb:.0f} HB assumed for {data.material.name}; "
            "measure it and "
            "give hardness_hb or hardness_hrc"
        )
    ratio = data.cutter.overhang / data.cutter.diameter
    if ratio > practice()["overhang"]["ratio"][1]:
        out.append(f"long overhang, {ratio:.1f} x D: tap-test or start at reduced feed, listen for chatter")
    pip = formulas.helix_pip_height(data.helix_bore, data.cutter.diameter, data.cutter.corner_radius)
    if pip > 0.0:
        tall = "a core" if math.isinf(pip) else f"a pip {pip:.2f} mm high"
        out.append(
            f"a helix of bore {data.helix_bore:.2f} mm leaves {tall} at its centre until the next pass"
        )
    out.append("cutting data are starting points: prove them out on the machine")
    return out


def _wishes(data: CuttingData, wish: Conditions) -> list[str]:
    out = []
    if wish.level_depth is not None and wish.level_depth > data.level_depth * (1.0 + 1e-9):
        out.append(
            f"level_depth {wish.level_depth:.2f} mm is deeper than the flutes: {data.level_depth:.2f} mm "
            "is used; "
            "a cutter with longer flutes would go deeper"
        )
    if wish.link_feed is not None and wish.link_feed > data.link_feed:
        out.append(
            f"link feed {wish.link_feed:.0f} is above the machine's top feed {data.max_feed:.0f} mm/min"
        )
    least, _ = formulas.helix_bore_window(
        data.cutter.diameter, data.cutter.corner_radius, data.cutter.uncut_diameter
    )
    if data.helix_bore < least:
        out.append(
            f"helix bore {data.helix_bore:.2f} mm is below {least:.2f} mm: the tip's uncut core would "
            "rub; widen it"
        )
    if data.helix_bore > 2.0 * data.cutter.diameter:
        out.append(
            f"helix bore {data.helix_bore:.2f} mm is above twice the diameter, "
            f"{2.0 * data.cutter.diameter:.2f} mm: a "
            "free-standing core would stay"
        )
    if data.ramp_angle_deg > 2.0 * data.material.ramp_angle_deg:
        out.append(
            f"ramp angle {data.ramp_angle_deg:.1f} deg is more than twice the "
            f"{data.material.ramp_angle_deg:.1f} deg "
            f"usual in {data.material.name}"
        )
    return out


def _clipped(data: CuttingData) -> list[str]:
    out = []
    if data.chip_at_cap < CLIPPED * data.max_chip:
        names = [
            limit.name
            for limit in data.limits
            if limit.binds and limit.name not in ("chip thickness", "flute length")
        ]
        out.append(
            f"thickest chip only {data.chip_at_cap:.4f} of {data.max_chip:.4f} mm wanted, stopped by "
            f"{', '.join(names) or 'the width of the cut'}"
        )
    out.extend(
        f"{limit.name} is {limit.value:.4g} {limit.unit}, above its limit of {limit.limit:.4g}, even at the "
        "least feed: take less depth or width, less run-out or a stronger cutter and holder"
        for limit in data.limits
        if limit.value > 1.01 * limit.limit and not limit.name.startswith("lowest")
    )
    if data.chip_at_cap < THIN_CHIP:
        out.append(
            f"thickest chip {data.chip_at_cap:.4f} mm is below {THIN_CHIP:g} mm: the edge rubs; raise "
            "load_factor or "
            "lower the spindle speed"
        )
    low = next((limit for limit in data.limits if limit.name == "lowest spindle speed" and limit.binds), None)
    if low is not None:
        out.append(
            f"spindle at its lowest speed {low.limit:.0f} 1/min: the surface speed is above the proposal"
        )
    if data.feed_per_tooth > 0.0:
        share = data.runout / data.feed_per_tooth
        if share > practice()["runout_rule"]["share_of_feed"]:
            out.append(
                f"run-out {data.runout:.3f} mm is {100.0 * share:.0f} % of the feed per tooth "
                f"{data.feed_per_tooth:.3f} mm (10 % wanted): one flute does more than its share"
            )
    return out


def _holder(data: CuttingData, kind: Holder) -> list[str]:
    out = [] if kind.preferred else [kind.advice]
    if kind.max_rpm is not None and data.spindle_rpm > kind.max_rpm:
        out.append(
            f"{kind.name} holder at {data.spindle_rpm:.0f} 1/min: above {kind.max_rpm:.0f} 1/min take "
            "another kind"
        )
    return out


def _cutter(data: CuttingData, coat: str | None) -> list[str]:
    out = []
    said = coating(coat, data.material.iso).advice
    if said:
        out.append(said)
    ratio = data.radial_width / data.cutter.diameter
    if data.material.iso == "N" and data.cutter.flutes >= MANY_FLUTES and ratio > FULL_GULLET:
        out.append(
            f"{data.cutter.flutes} flutes at {100 * ratio:.0f} % width in {data.material.name}: little "
            "room for chips; "
            "take 2 to 4 flutes or a thinner bite"
        )
    if not data.cutter.centre_cutting:
        out.append(
            "the cutter does not cut to its centre: enter by helix or from outside, never straight down"
        )
    return out


def _unstable(data: CuttingData, wish: Conditions) -> list[str]:
    out = []
    rule = practice()["overhang"]
    tool = data.cutter
    reach, depth = tool.overhang / tool.diameter, data.level_depth / tool.diameter
    width = data.radial_width / tool.diameter
    if reach > rule["unstable_ratio"]:
        out.append(
            f"overhang {reach:.1f} x D: likely to chatter; shorten it, or rough with a thicker cutter first"
        )
    elif reach > rule["warn_ratio"]:
        out.append(f"overhang {reach:.1f} x D is long: speed and chip are already reduced")
    if data.engagement_deg > 90.0 and depth > SLOT_DEPTH:
        out.append(
            f"{data.engagement_deg:.0f} degrees of engagement at {depth:.1f} x D deep: likely to chatter; "
            "slots go at "
            "most 1 x D deep"
        )
    elif depth > DEEP and width > DEEP_WIDTH:
        out.append(
            f"{depth:.1f} x D deep at {100 * width:.0f} % width: likely to chatter; take a thinner bite"
        )
    if wish.clamping == "weak" and depth > WEAK_DEPTH:
        out.append(f"{depth:.1f} x D deep in a weakly held part: it may lift or chatter; go shallower")
    contact = _teeth_touching(data)
    if contact < 1.0 and (wish.clamping == "weak" or reach > rule["warn_ratio"]):
        out.append(
            f"less than one tooth in contact ({contact:.2f}): the load pulses; more flutes, more helix or "
            "more depth "
            "run smoother"
        )
    return out


def _teeth_touching(data: CuttingData) -> float:
    """Mean number of teeth that touch at any height: arc and helix lag over the tooth pitch."""
    arc = math.radians(data.engagement_deg) + lag_per_mm(data.cutter) * data.level_depth
    return arc * data.cutter.flutes / (2.0 * math.pi)


def _balance(data: CuttingData) -> list[str]:
    rpm = data.spindle_rpm
    if rpm < BALANCE_RPM:
        return []
    grade = 2.5 if rpm >= FINE_BALANCE_RPM else 6.3
    allowed = formulas.permissible_eccentricity(grade, rpm)
    return [
        f"balance cutter and holder together to G{grade:g} (ISO 21940-11): at {rpm:.0f} 1/min that is "
        f"{allowed:.1f} g mm "
        "per kg"
    ]
