"""What a program is held to, each with what the check found: the first thing a reader of the report wants."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from zrough.reportdata import value

if TYPE_CHECKING:
    from zrough.reportdata import Facts


@dataclass(frozen=True)
class Promise:
    """One promise: kept is None when nothing was checked. found and limit are in ``unit``, None where none."""

    name: str
    kept: bool | None
    found: float | None
    limit: float | None
    unit: str
    note: str = ""

    def as_dict(self) -> dict[str, Any]:
        """As plain values."""
        return asdict(self)


@dataclass(frozen=True)
class _Rule:
    name: str
    unit: str
    words: tuple[str, ...]  # a failure whose code holds one of these breaks the promise
    found: Callable[[Facts], Any] = lambda f: None
    limit: Callable[[Facts], Any] = lambda f: None


def _of_check(*names: str) -> Callable[[Facts], Any]:
    return lambda facts: value(facts.check, *names)


def _stair_limit(facts: Facts) -> float | None:
    height = value(facts.job.roughing, "stair_height") or value(facts.plan.data, "stair_height")
    return float(height) if height else None


_RULES = (
    _Rule("Part not gouged", "mm", ("gouge",), _of_check("gouge_mm", "gouge")),
    _Rule("Sideways bite within the cap", "degrees", ("engagement", "overload", "bite"),
          lambda f: None if f.check is None else value(value(f.check, "engagement"), "worst_deg", "worst"),
          lambda f: f.cap),
    _Rule("No rapid below the clearance plane or into stock", "", ("rapid",)),
    _Rule("No straight plunge into stock", "", ("plunge",)),
    _Rule("Helix and ramp no steeper than allowed", "degrees", ("ramp", "helix", "steep"),
          _of_check("steepest_deg"),
          lambda f: value(value(f.job, "entry"), "ramp_angle_deg") or value(f.plan.data, "ramp_angle_deg")),
    _Rule("Holder and shank clear of part and stock", "mm", ("holder", "shank"), _of_check("holder_gap"),
          lambda f: value(f.job.holder, "clearance")),
    _Rule("Clamps and keep-out boxes clear", "", ("clamp", "keepout", "keep-out")),
    _Rule("Stairs on walls within the limit", "mm", ("stair",), _of_check("tallest_stair"), _stair_limit),
    _Rule("Floors at their allowance", "mm", ("floor", "flat"), _of_check("floor_error")),
    _Rule("Everything within reach is cut", "%", ("uncut", "excess"), _of_check("excess_percent")),
    _Rule("Chip, power and feed within limits", "kW", ("power", "torque", "chip", "feed", "speed", "spindle"),
          _of_check("worst_power_kw"), lambda f: value(f.job.machine, "power_kw")),
    _Rule("Inside the machine's travel", "", ("travel", "axis")),
    _Rule("Every word of the program understood", "", ("word", "arc", "unit", "syntax", "read", "modal")),
)  # fmt: skip


def promises(facts: Facts) -> list[Promise]:
    """Each promise with what was found; failures of any other kind come last under their own code."""
    failures = list(value(facts.check, "failures", default=()))
    taken: set[int] = set()
    kept: list[Promise] = []
    for rule in _RULES:
        broken = [k for k, f in enumerate(failures) if k not in taken and _concerns(f, rule.words)]
        taken.update(broken)
        first = str(value(failures[broken[0]], "message", default=failures[broken[0]])) if broken else ""
        if len(broken) > 1:
            first += f" (and {len(broken) - 1} more)"
        verdict = None if facts.check is None else not broken
        kept.append(Promise(rule.name, verdict, _number(rule.found(facts)), _number(rule.limit(facts)), rule.unit, first))
    for k, failure in enumerate(failures):
        if k not in taken:
            code, text = value(failure, "code", default="other"), value(failure, "message", default=failure)
            kept.append(Promise(str(code), False, None, None, "", str(text)))
    return kept


def _concerns(failure: Any, words: tuple[str, ...]) -> bool:
    code = str(value(failure, "code", default="")).lower()
    return any(word in code for word in words)


def _number(found: Any) -> float | None:
    return float(found) if isinstance(found, int | float) and not isinstance(found, bool) else None
