"""What a program is held to, each with what the check found: the first thing a reader of the report wants."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from zrough.reportdata import value

if TYPE_CHECKING:
    from zrough.reportdata import Facts

STAIR_SPARE = 0.05  # mm above the stair height wanted: the map's own doubt
FLOOR_SPARE = 0.01  # mm
MOST_EXCESS = 0.5  # % of the volume removed


@dataclass(frozen=True)
class Promise:
    """One promise.

    Attributes
    ----------
    kept : False when broken, None when not checked or without a limit. safety : broken means "do not run";
        the others are goals. found, limit : in ``unit``, None where there is no number. note : one line.
    """

    name: str
    kept: bool | None
    safety: bool
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
    codes: tuple[str, ...]  # failures of these codes break the promise
    found: Callable[[Facts], Any] = lambda f: None
    limit: Callable[[Facts], Any] = lambda f: None


def _of_check(*names: str) -> Callable[[Facts], Any]:
    return lambda facts: value(facts.check, *names)


def _ramp_limit(facts: Facts) -> Any:
    return value(facts.job.entry, "ramp_angle_deg") or value(facts.plan.data, "ramp_angle_deg")


_SAFETY = (
    _Rule("Part not gouged", "mm", ("gouge",), _of_check("gouge_mm")),
    _Rule("Stock allowance left on walls and floors", "mm", ("allowance",), _of_check("allowance_mm")),
    _Rule("Sideways bite within the cap", "degrees", ("overload",),
          lambda f: value(value(f.check, "engagement"), "worst_deg"), lambda f: f.cap),
    _Rule("No deeper cut than the flutes are long", "mm", ("flute-length",)),
    _Rule("No rapid below the clearance plane or in stock", "", ("rapid-low", "rapid-in-material")),
    _Rule("No straight plunge", "", ("plunge",)),
    _Rule("Helix and ramp no steeper than allowed", "degrees", ("ramp-angle",),
          _of_check("steepest_deg"), _ramp_limit),
    _Rule("Holder and shank clear of part and stock", "", ("holder", "shank")),
    _Rule("Clamps and keep-out boxes clear", "", ("keepout",)),
    _Rule("Inside the machine's travel", "", ("travel",)),
    _Rule("Feeds and spindle speed within the machine", "",
          ("feed-limit", "feed-missing", "feed-zero", "spindle-limit", "spindle-stopped",
           "spindle-direction")),
    _Rule("Chip and power within the cutting data", "", ("feed-high", "power")),
    _Rule("Every word of the program understood", "",
          ("not-understood", "repeated-word", "modal-group", "arc-radius", "unit", "units-late",
           "units-change", "offset-change", "motion-missing", "start-unknown")),
)  # fmt: skip


def promises(facts: Facts) -> list[Promise]:
    """Safety first, then failures of any other kind under their own code, then the goals."""
    failures = list(value(facts.check, "failures", default=()))
    taken: set[int] = set()
    kept: list[Promise] = []
    for rule in _SAFETY:
        broken = [k for k, f in enumerate(failures) if str(value(f, "code", default="")) in rule.codes]
        taken.update(broken)
        verdict = None if facts.check is None else not broken
        found, limit = _number(rule.found(facts)), _number(rule.limit(facts))
        kept.append(Promise(rule.name, verdict, True, found, limit, rule.unit, _remark(failures, broken)))
    for k, failure in enumerate(failures):
        if k not in taken:
            code = str(value(failure, "code", default="other"))
            kept.append(
                Promise(code, False, True, None, None, "", str(value(failure, "message", default=failure)))
            )
    return [*kept, *_goals(facts)]


def _remark(failures: list[Any], broken: list[int]) -> str:
    if not broken:
        return ""
    first = str(value(failures[broken[0]], "message", default=failures[broken[0]]))
    return first if len(broken) == 1 else f"{first} (and {len(broken) - 1} more)"


def _goals(facts: Facts) -> list[Promise]:
    """Stairs, floors and completeness, judged by what the check measured on the stock as left."""
    check, left = facts.check, value(facts.check, "leftover")
    stairs = stair_goals(facts.job, check, value(facts.plan, "left", default=()))
    excess, removed = value(left, "excess_volume"), value(check, "removed_mm3")
    share = None if excess is None or not removed else 100.0 * excess / removed
    error, rest = _floor_error(facts, left), _at(value(left, "excess_at"))
    ball = facts.ball
    load = [] if ball is None or ball.limit is None else [
        _goal("Next cutter's bite within its limit", ball.thickest, ball.limit, 0.0, "mm",
              _at(ball.places[0].at) if ball.places else "")
    ]  # fmt: skip
    return [
        *stairs[:-1],
        *load,
        stairs[-1],
        _goal("Flats left at the floor allowance, largest error", error, FLOOR_SPARE, 0.0, "mm"),
        _goal("All within reach is cut, share left", _number(share), MOST_EXCESS, 0.0, "%", rest),
    ]  # fmt: skip


def stair_goals(job: Any, check: Any, uncut: Iterable[Any] = ()) -> list[Promise]:
    """The job's limits on stairs, judged outside the ground that is listed as left ``uncut``."""
    listed = [(value(p, "z"), value(p, "box")) for p in uncut if value(p, "box")]
    normal = value(job.roughing, "stair_normal")
    upright = _stairs(check, "Stairs on walls as low as wanted", job.roughing.stair_height or None, listed)
    if normal is None:
        return [upright]
    name = "Stairs square to the surface as low as wanted"
    return [_stairs(check, name, normal, listed, square=True), upright]


def _stairs(check: Any, name: str, wanted: float | None, listed: list[Any], square: bool = False) -> Promise:
    left = value(check, "leftover")
    tallest = _number(value(left, "normal_stair") if square else value(check, "tallest_stair"))
    where = value(left, "normal_stair_at" if square else "stair_at")
    if not listed or tallest is None:
        return _goal(name, tallest, wanted, STAIR_SPARE, "mm", _at(where))
    found, place = left.tallest_outside(listed, square)
    goal = _goal(name, found, wanted, STAIR_SPARE, "mm", _at(place))
    if not goal.kept or wanted is None or tallest <= wanted + STAIR_SPARE:
        return goal
    return replace(goal, note=f"{tallest:.2f} mm where ground is listed as left uncut, {_at(where)}")


def _floor_error(facts: Facts, left: Any) -> float | None:
    """Largest error of the flats that were cut; one at the stock's own top cannot keep an allowance."""
    top = facts.stock_top
    errors = [
        abs(f["typical_mm"] - f["wanted_mm"])
        for f in value(left, "flats", default=())
        if f["typical_mm"] is not None and f["z"] + f["wanted_mm"] <= top + 1e-6
    ]
    return max(errors, default=None)


def _goal(
    name: str, found: float | None, limit: float | None, spare: float, unit: str, note: str = ""
) -> Promise:
    kept = None if found is None or limit is None else found <= limit + spare
    return Promise(name, kept, False, found, limit, unit, "" if kept is not False else note)


def _at(place: Any) -> str:
    if place is None or any(math.isnan(v) for v in place):
        return ""
    return "largest at " + ", ".join(f"{v:.2f}" for v in place) + " mm"


def _number(found: Any) -> float | None:
    if not isinstance(found, int | float) or isinstance(found, bool) or not math.isfinite(found):
        return None
    return float(found)
