"""The proposal: spindle speed, feeds, widths, depths and angles for one cutter in one material.

A chip thickness is aimed at. Material, coating, clamping, overhang and boldness set it; chip thinning turns
it into a feed per tooth for any bite; limits of machine, cutter and holder clip that feed, and the proposal
says which one did. A proposed width or depth that a limit of force would clip hard is made smaller instead,
for a thin chip rubs.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from zrough.cutting import advice, bending, formulas
from zrough.cutting.formulas import Array
from zrough.cutting.kienzle import CutterShape, Forces, forces, mean_share, peak_shares, runout_chip
from zrough.cutting.materials import Material, find_material
from zrough.cutting.practice import (
    Clamping,
    clamping,
    coating,
    holder,
    overhang_factor,
    practice,
    slot_factor,
    width_speed_factor,
)
from zrough.errors import CuttingDataError

CHIP_DIAMETER_TOP = 25.0  # mm; larger cutters do not take thicker chips
KEEP_CHIP = 0.75  # a width or depth of our own shrinks until its limits leave this share of the chip
SHRINK = 0.92  # a step of that
SMALLEST_WIDTH = 0.4  # share of the proposed radial width
SMALLEST_DEPTH = 0.25  # share of the proposed axial depth
SLOWEST_SPINDLE = 0.5  # share of the speed below which no thicker chip is bought
BIND_TOLERANCE = 1e-6
# Nodes of the table of peak forces, closer where the curves bend: engagement, and shares of the depth.
PHI_NODES_DEG = np.array(
    [1, 2, 4, 6, 8, 10, 13, 16, 19, 22, 26, *range(30, 100, 5), 110, 120, 140, 160, 180], float
)
DEPTH_SHARES = np.array([1, 2, 3, 4, 5, 6, 8, 10, 12, 14, 16], float) / 16.0
WIDEST_FEED = 1e3  # mm per tooth; stands for "no limit" where a logarithm is taken
NO_LIMIT = math.inf
FORCE_NAMES = ("power", "torque", "deflection", "bending stress", "pull-out")


class Cutter(CutterShape, bending.BeamCutter, Protocol):
    """What a proposal asks of a cutter (see `job.Cutter`); mm and degrees."""

    @property
    def corner_radius(self) -> float:
        """Corner radius; half the diameter for a ball-nose."""

    @property
    def uncut_diameter(self) -> float:
        """Core at the tip that cannot cut."""

    @property
    def centre_cutting(self) -> bool:
        """Whether the tip cuts to its centre."""

    @property
    def coating(self) -> str | None:
        """Coating by its chemical name."""


@dataclass(frozen=True)
class Conditions:
    """Machine, holder, set-up and what the job fixes; None = no limit, or propose. mm, mm/min, kW, Nm."""

    max_spindle_rpm: float
    max_feed: float
    min_spindle_rpm: float = 0.0
    power_kw: float | None = None
    torque_nm: float | None = None
    balance_rpm: float | None = None  # speed that cutter and holder are balanced for
    holder: str = "shrink-fit"
    runout: float | None = None
    clamping: str = "normal"
    load_factor: float = 1.0
    engagement_deg: float | None = None
    radial_width: float | None = None
    level_depth: float | None = None
    stair_height: float | None = None
    wall_allowance: float = 0.3
    ramp_angle_deg: float | None = None
    helix_diameter: float | None = None
    link_feed: float | None = None
    lift: float | None = None


@dataclass(frozen=True)
class Limit:
    """One limit: its value in this cut, where it stands, and whether it decides the cut."""

    name: str
    value: float
    limit: float
    binds: bool
    unit: str = ""


@dataclass(frozen=True)
class ForceLimits:
    """Where force stops the feed; N and mm."""

    tangential_mean: float = NO_LIMIT  # the smaller of power and torque
    power_tangential: float = NO_LIMIT
    torque_tangential: float = NO_LIMIT
    deflection: float = NO_LIMIT  # mm at the tip
    stress: float = NO_LIMIT  # N/mm2
    grip: float = NO_LIMIT  # N at the shank's surface


@dataclass(frozen=True)
class CutterData:
    """The cutter's numbers, copied, so that the data can be stored without the job."""

    diameter: float
    flutes: int
    helix_deg: float
    corner_radius: float
    flute_length: float
    overhang: float
    shank_diameter: float
    neck_diameter: float | None
    neck_length: float | None
    uncut_diameter: float
    centre_cutting: bool


def _moves(engagement_deg: npt.ArrayLike, axial_mm: npt.ArrayLike) -> tuple[Array, Array]:
    """Arc, degrees in 0 to 180, and depth, mm, of moves, as arrays of one shape."""
    phi = np.clip(np.asarray(engagement_deg, dtype=np.float64), 0.0, 180.0)
    phi, axial = np.broadcast_arrays(phi, np.asarray(axial_mm, dtype=np.float64))
    return phi, axial


@dataclass(frozen=True)
class CuttingData:
    """Cutting data of one cutter in one material; the result of `propose`. mm, mm/min, degrees."""

    material: Material
    spindle_rpm: float
    surface_speed_m_min: float
    feed_per_tooth: float  # at the cap
    cut_feed: float  # at the cap
    engagement_deg: float  # the cap
    radial_width: float
    level_depth: float
    stair_height: float
    ramp_angle_deg: float
    helix_feed: float  # of the cutter's centre
    ramp_feed: float
    link_feed: float
    lift: float
    helix_bore: float
    max_chip: float  # thickest chip aimed at
    chip_at_cap: float  # thickest chip at the cap, after the limits
    power_kw: float  # at the spindle motor, at the cap
    torque_nm: float  # mean, at the cap
    force_n: float  # peak force square to the axis, at the cap
    deflection_mm: float  # of the tip under that force
    removal_cm3_min: float
    runout: float
    max_feed: float
    efficiency: float
    cutter: CutterData
    force_limits: ForceLimits
    limits: tuple[Limit, ...] = ()
    warnings: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    def feed_for(self, engagement_deg: npt.ArrayLike, axial_mm: npt.ArrayLike | None = None) -> Array:
        """Feed of moves, mm/min, from the arc they really have in material.

        Holds the thickest chip at `max_chip`: fz = h / sin(phi) below 90 degrees; less where the machine's
        top feed, power, torque, bending, stress or the holder's grip stops it. Never rises with the
        engagement or the depth.

        Parameters
        ----------
        engagement_deg : degrees, 0 to 180 (clipped).
        axial_mm : axial depth of each move, mm; None = `level_depth`.
        """
        phi, axial = _moves(engagement_deg, self.level_depth if axial_mm is None else axial_mm)
        per_tooth = np.minimum(self._chip_feed(phi, axial), self._force_feed(phi, axial))
        result: Array = np.minimum(per_tooth * self.cutter.flutes * self.spindle_rpm, self.max_feed)
        return result

    def chip_feed(self, engagement_deg: npt.ArrayLike, axial_mm: npt.ArrayLike) -> Array:
        """Feed, mm/min, that the chip and the machine's top feed alone would allow; see `feed_for`."""
        phi, axial = _moves(engagement_deg, axial_mm)
        wanted = self._chip_feed(phi, axial) * self.cutter.flutes * self.spindle_rpm
        result: Array = np.minimum(wanted, self.max_feed)
        return result

    def top_feed(self, engagement_deg: npt.ArrayLike, axial_mm: npt.ArrayLike) -> Array:
        """Feed, mm/min, at which the machine or a limit of force stops a move; see `feed_for`."""
        phi, axial = _moves(engagement_deg, axial_mm)
        stop = self._force_feed(phi, axial) * self.cutter.flutes * self.spindle_rpm
        result: Array = np.minimum(stop, self.max_feed)
        return result

    def chip_target(self, engagement_deg: npt.ArrayLike, axial_mm: npt.ArrayLike | None = None) -> Array:
        """Thickest chip, mm, that `feed_for` gives at each engagement."""
        per_tooth = self.feed_for(engagement_deg, axial_mm) / (self.cutter.flutes * self.spindle_rpm)
        return np.asarray(formulas.max_chip(per_tooth, engagement_deg), dtype=np.float64)

    def load(
        self,
        engagement_deg: npt.ArrayLike,
        axial_mm: npt.ArrayLike,
        feed: npt.ArrayLike,
        peaks: bool = False,
    ) -> Forces:
        """Forces, torque and motor power of moves at these feeds, mm/min; peaks on request (50 us a move)."""
        per_tooth = np.asarray(feed, dtype=np.float64) / (self.cutter.flutes * self.spindle_rpm)
        return forces(
            self.material,
            self.cutter,
            engagement_deg,
            axial_mm,
            per_tooth,
            self.spindle_rpm,
            runout=self.runout,
            efficiency=self.efficiency,
            peaks=peaks,
        )

    def _chip_feed(self, phi: Array, axial: Array) -> Array:
        """Feed per tooth that the chip alone would have."""
        factor = np.minimum(formulas.thinning_factor(phi), practice()["thinning"]["max_factor"])
        wide = np.clip((phi - 90.0) / 90.0, 0.0, 1.0)
        slot = 1.0 - wide * (1.0 - slot_factor(axial / self.cutter.diameter))
        result: Array = self.max_chip * factor * slot
        return result

    def _force_feed(self, phi: Array, axial: Array) -> Array:
        """Feed per tooth at which the first limit of force is met."""
        mean = mean_share(self.cutter, self.material.mc, phi, axial) * self.material.kc11
        feed = _root(self.force_limits.tangential_mean, mean, 1.0 - self.material.mc)
        # feed falls about as a power of both, so its logarithm is near straight over log(phi)
        angles, depths, caps = self._peak_caps
        cap = np.exp(_bilinear(np.log(np.maximum(phi, 1e-3)), axial, np.log(angles), depths, np.log(caps)))
        result: Array = np.minimum(feed, cap)
        return result

    @functools.cached_property
    def _peak_caps(self) -> tuple[Array, Array, Array]:
        """Feed per tooth allowed by bending, stress and grip on nodes of angle and depth; monotone."""
        top = max(self.level_depth, self.cutter.flute_length)
        depths = np.unique(
            np.concatenate([_depths_to(self.level_depth), np.linspace(self.level_depth, top, 5)])
        )
        angles = np.unique(np.append(PHI_NODES_DEG, self.engagement_deg))
        caps = np.minimum.reduce(list(_peak_feeds(self, angles, depths).values()))
        return angles, depths, np.minimum(np.minimum.accumulate(caps, axis=0), WIDEST_FEED)


def propose(job: Any, cutter: Cutter | None = None) -> CuttingData:
    """Cutting data for a job's cutter (its first when none is given).

    Raises
    ------
    CuttingDataError : material not known, or a number of cutter, machine, holder or set-up that cannot be
        cut with.
    """
    material = find_material(
        job.material.name, job.material.hardness_hb, job.material.hardness_hrc, _table_path(job)
    )
    return propose_for(job.cutter if cutter is None else cutter, material, conditions(job))


def _table_path(job: Any) -> Any:
    name = job.material.table
    return job.file(name, "material.table") if name is not None and hasattr(job, "file") else name


def conditions(job: Any) -> Conditions:
    """What a job says about machine, holder, set-up and wishes."""
    return Conditions(
        max_spindle_rpm=job.machine.max_spindle_rpm,
        max_feed=job.machine.max_feed,
        min_spindle_rpm=job.machine.min_spindle_rpm,
        power_kw=job.machine.power_kw,
        torque_nm=job.machine.torque_nm,
        balance_rpm=getattr(job.machine, "balance_rpm", None),
        holder=job.holder.type,
        runout=job.holder.runout,
        clamping=job.setup.clamping,
        load_factor=job.setup.load_factor,
        engagement_deg=job.roughing.engagement_deg,
        radial_width=job.roughing.radial_width,
        level_depth=job.roughing.level_depth,
        stair_height=job.roughing.stair_height,
        wall_allowance=job.roughing.wall_allowance,
        ramp_angle_deg=job.entry.ramp_angle_deg,
        helix_diameter=job.entry.helix_diameter,
        link_feed=job.links.feed,
        lift=job.links.lift,
    )


@dataclass
class _Draft:
    """A proposal in the making: what is fixed, what may shrink, what was said on the way."""

    material: Material
    cutter: CutterData
    wish: Conditions
    firmness: Clamping
    runout: float
    grip: float
    speed: float  # m/min at half width, all factors but the bite's
    chip: float
    ratio: float  # radial width over diameter
    depth: float
    spindle_share: float = 1.0
    notes: list[str] = field(default_factory=list)


def propose_for(cutter: Cutter, material: Material, wish: Conditions) -> CuttingData:
    """Cutting data from numbers alone; see `propose`."""
    tool = _copy(cutter)
    _check(tool, wish)
    draft = _draft(tool, material, wish, cutter.coating)
    data = _with_loads(_settle(draft))
    data = _with(data, limits=_limits(draft, data))
    warnings = [*draft.notes, *advice.warnings(data, wish, _holder_of(wish), cutter.coating)]
    cautions = advice.cautions(data, _holder_of(wish), wish)
    return _with(data, warnings=tuple(warnings), cautions=tuple(cautions))


def _with(data: CuttingData, **changes: Any) -> CuttingData:
    """A changed copy that keeps the table of `_peak_caps`, which no change made here touches."""
    copy = replace(data, **changes)
    copy.__dict__["_peak_caps"] = data._peak_caps
    return copy


def _holder_of(wish: Conditions) -> Any:
    return holder(wish.holder)


def _copy(cutter: Cutter) -> CutterData:
    return CutterData(
        diameter=cutter.diameter,
        flutes=cutter.flutes,
        helix_deg=cutter.helix_deg,
        corner_radius=cutter.corner_radius,
        flute_length=cutter.flute_length,
        overhang=cutter.overhang,
        shank_diameter=cutter.shank_diameter or cutter.diameter,
        neck_diameter=cutter.neck_diameter,
        neck_length=cutter.neck_length,
        uncut_diameter=cutter.uncut_diameter,
        centre_cutting=cutter.centre_cutting,
    )


def _check(tool: CutterData, wish: Conditions) -> None:
    rules: Iterable[tuple[str, float | None, float, float]] = (
        ("cutter: diameter", tool.diameter, 0.05, 500.0),
        ("cutter: flutes", tool.flutes, 1, 60),
        ("cutter: helix_deg", tool.helix_deg, 0.0, 70.0),
        ("cutter: flute_length", tool.flute_length, 0.01, 1000.0),
        ("cutter: overhang", tool.overhang, 0.01, 2000.0),
        ("cutter: corner_radius", tool.corner_radius, 0.0, 0.5 * tool.diameter * (1.0 + 1e-9)),
        ("cutter: uncut_diameter", tool.uncut_diameter, 0.0, tool.diameter),
        ("machine: max_spindle_rpm", wish.max_spindle_rpm, 1.0, 1e6),
        ("machine: min_spindle_rpm", wish.min_spindle_rpm, 0.0, wish.max_spindle_rpm),
        ("machine: balance_rpm", wish.balance_rpm, 1.0, 1e6),
        ("machine: max_feed", wish.max_feed, 1.0, 1e6),
        ("machine: power_kw", wish.power_kw, 0.01, 1e4),
        ("machine: torque_nm", wish.torque_nm, 0.01, 1e5),
        ("holder: runout", wish.runout, 0.0, 1.0),
        ("setup: load_factor", wish.load_factor, 0.1, 3.0),
        ("roughing: engagement_deg", wish.engagement_deg, 1.0, 180.0),
        ("roughing: radial_width", wish.radial_width, 1e-4 * tool.diameter, tool.diameter),
        ("roughing: level_depth", wish.level_depth, 1e-3, 1e4),
        ("entry: ramp_angle_deg", wish.ramp_angle_deg, 0.01, 89.0),
        ("entry: helix_diameter", wish.helix_diameter, tool.diameter * 1.001, 1e4),
        ("links: feed", wish.link_feed, 1.0, 1e6),
        ("links: lift", wish.lift, 0.0, 1e3),
    )
    for place, value, low, high in rules:
        if value is not None and not low <= value <= high:
            raise CuttingDataError(f"{place} = {value:g} must be from {low:g} to {high:g}")
    if wish.engagement_deg is not None and wish.radial_width is not None:
        raise CuttingDataError(
            f"roughing: engagement_deg = {wish.engagement_deg:g} and radial_width = "
            f"{wish.radial_width:g} are both given; keep one"
        )


def _draft(tool: CutterData, material: Material, wish: Conditions, coat: str | None) -> _Draft:
    firmness = clamping(wish.clamping)
    kind = holder(wish.holder)
    reach = overhang_factor(tool.overhang / tool.diameter)
    size = min(tool.diameter, CHIP_DIAMETER_TOP)
    return _Draft(
        material=material,
        cutter=tool,
        wish=wish,
        firmness=firmness,
        runout=kind.runout if wish.runout is None else wish.runout,
        grip=kind.usable_grip(tool.shank_diameter),
        speed=material.surface_speed * coating(coat, material.iso).factor * reach,
        chip=material.chip_over_d * size * firmness.chip * wish.load_factor * reach,
        ratio=_wanted_ratio(tool, material, wish, firmness),
        depth=_wanted_depth(tool, material, wish, firmness),
    )


def _wanted_ratio(tool: CutterData, material: Material, wish: Conditions, firmness: Clamping) -> float:
    if wish.engagement_deg is not None:
        return float(formulas.radial_ratio(wish.engagement_deg))
    if wish.radial_width is not None:
        return wish.radial_width / tool.diameter
    return material.radial_ratio * firmness.width


def _wanted_depth(tool: CutterData, material: Material, wish: Conditions, firmness: Clamping) -> float:
    wanted = wish.level_depth or material.axial_ratio * tool.diameter * firmness.depth
    return min(wanted, tool.flute_length, tool.overhang)


def _settle(draft: _Draft) -> CuttingData:
    """Shrink what is ours until the limits of force leave enough chip, then give way on the spindle."""
    free_width = draft.wish.engagement_deg is None and draft.wish.radial_width is None
    free_depth = draft.wish.level_depth is None
    least_ratio, least_depth = draft.ratio * SMALLEST_WIDTH, draft.depth * SMALLEST_DEPTH
    first = data = _data(draft)
    while _force_share(data) < KEEP_CHIP:
        if free_width and draft.ratio * SHRINK >= least_ratio:
            draft.ratio *= SHRINK
        elif free_depth and draft.depth * SHRINK >= least_depth:
            draft.depth *= SHRINK
        else:
            break
        data = _data(draft)
    if data is not first:
        draft.notes.append(_shrunk(first, data))
    return _slow_spindle(draft, data)


def _shrunk(first: CuttingData, data: CuttingData) -> str:
    parts = [
        f"{name} {old:.2f} -> {new:.2f} mm"
        for name, old, new in (
            ("radial width", first.radial_width, data.radial_width),
            ("axial depth", first.level_depth, data.level_depth),
        )
        if old != new
    ]
    return f"proposed bite made smaller for its {_binding(first)}: {', '.join(parts)}"


def _slow_spindle(draft: _Draft, data: CuttingData) -> CuttingData:
    """At the machine's top feed or power a slower spindle keeps the chip from getting too thin to cut.

    At one feed the chip thickens as the spindle slows, and kc falls with it: power allows fz^p ~ 1 / speed.
    """
    caps = _feed_caps(data)
    name = min(caps, key=lambda key: caps[key])
    share = caps[name] / (KEEP_CHIP * caps["chip thickness"])
    if name not in ("feed", "power") or share >= 1.0:
        return data
    if name == "power":
        share = share ** (1.0 - draft.material.mc)
    lowest = max(SLOWEST_SPINDLE, draft.wish.min_spindle_rpm / data.spindle_rpm)
    draft.spindle_share = min(1.0, max(share, lowest))
    slower = _data(draft)
    if draft.spindle_share < 1.0:
        draft.notes.append(
            f"spindle lowered from {data.spindle_rpm:.0f} to {slower.spindle_rpm:.0f} 1/min: at the "
            f"machine's top {name} the chip would be too thin"
        )
    return slower


def _at_cap(data: CuttingData) -> tuple[Array, Array]:
    return np.asarray(data.engagement_deg), np.asarray(data.level_depth)


def _force_share(data: CuttingData) -> float:
    """Share of the wanted feed per tooth that the limits of force leave at the cap."""
    caps = _feed_caps(data)
    return min(caps[name] for name in FORCE_NAMES) / caps["chip thickness"]


def _binding(data: CuttingData) -> str:
    caps = _feed_caps(data)
    return min(FORCE_NAMES, key=lambda name: caps[name])


def _spindle(draft: _Draft) -> float:
    speed = draft.speed * width_speed_factor(draft.ratio)
    if draft.material.speed_cap is not None:
        speed = min(speed, draft.material.speed_cap)
    rpm = formulas.spindle_speed(draft.cutter.diameter, speed)
    rpm = min(rpm, draft.wish.balance_rpm or NO_LIMIT)
    rpm = min(max(rpm, draft.wish.min_spindle_rpm), draft.wish.max_spindle_rpm)
    return rpm * draft.spindle_share


def _data(draft: _Draft) -> CuttingData:
    """The proposal as it stands, loads and feeds still to come."""
    tool, wish = draft.cutter, draft.wish
    rpm = _spindle(draft)
    entry, links = practice()["entry"], practice()["links"]
    link_feed = links["feed"] if wish.link_feed is None else wish.link_feed
    return CuttingData(
        material=draft.material,
        spindle_rpm=rpm,
        surface_speed_m_min=formulas.surface_speed(tool.diameter, rpm),
        feed_per_tooth=0.0,
        cut_feed=0.0,
        engagement_deg=float(formulas.engagement_deg(draft.ratio)),
        radial_width=draft.ratio * tool.diameter,
        level_depth=draft.depth,
        stair_height=0.1 * tool.diameter if wish.stair_height is None else wish.stair_height,
        ramp_angle_deg=draft.material.ramp_angle_deg if wish.ramp_angle_deg is None else wish.ramp_angle_deg,
        helix_feed=0.0,
        ramp_feed=0.0,
        link_feed=min(link_feed, wish.max_feed),
        lift=links["lift"] if wish.lift is None else wish.lift,
        helix_bore=_bore(tool, entry["bore_over_diameter"])
        if wish.helix_diameter is None
        else wish.helix_diameter,
        max_chip=draft.chip,
        chip_at_cap=0.0,
        power_kw=0.0,
        torque_nm=0.0,
        force_n=0.0,
        deflection_mm=0.0,
        removal_cm3_min=0.0,
        runout=draft.runout,
        max_feed=wish.max_feed,
        efficiency=practice()["drive"]["efficiency"],
        cutter=tool,
        force_limits=_force_limits(draft, rpm),
    )


def _bore(tool: CutterData, ratio: float) -> float:
    """Bore of a helical entry: no pip where the corner allows it, no trapped core ever."""
    least, clean = formulas.helix_bore_window(tool.diameter, tool.corner_radius, tool.uncut_diameter)
    bore = ratio * tool.diameter
    if clean >= max(1.4 * tool.diameter, least):
        bore = min(bore, clean)
    return max(bore, least + 0.05 * tool.diameter if tool.uncut_diameter else least)


def _force_limits(draft: _Draft, rpm: float) -> ForceLimits:
    tool, wish, rule = draft.cutter, draft.wish, practice()["bending"]
    drive = practice()["drive"]
    planned = 1.0 - drive["reserve"]
    speed = formulas.surface_speed(tool.diameter, rpm)
    power = (
        NO_LIMIT if wish.power_kw is None else planned * wish.power_kw * drive["efficiency"] * 60000.0 / speed
    )
    torque = NO_LIMIT if wish.torque_nm is None else planned * 2000.0 * wish.torque_nm / tool.diameter
    return ForceLimits(
        tangential_mean=min(power, torque),
        power_tangential=power,
        torque_tangential=torque,
        deflection=max(
            rule["deflection_over_overhang"] * tool.overhang,
            min(
                rule["share_of_allowance"] * wish.wall_allowance,
                rule["deflection_over_diameter"] * tool.diameter,
            ),
        ),
        stress=rule["stress"],
        grip=draft.grip,
    )


def _with_loads(data: CuttingData) -> CuttingData:
    cap, depth = data.engagement_deg, data.level_depth
    feed = float(data.feed_for(cap))
    loads = data.load(cap, _depths_to(depth), feed, peaks=True)
    give, _ = _give(data.cutter, _depths_to(depth))
    helix, ramp = _entry_feeds(data)
    return _with(
        data,
        feed_per_tooth=feed / (data.cutter.flutes * data.spindle_rpm),
        cut_feed=feed,
        helix_feed=helix,
        ramp_feed=ramp,
        chip_at_cap=float(loads.chip_max[-1]),
        power_kw=float(loads.power_kw[-1]),
        torque_nm=float(loads.torque_mean[-1]),
        force_n=float(loads.bending_peak[-1]),
        deflection_mm=float(np.max(loads.bending_peak * give)),
        removal_cm3_min=formulas.removal_rate(depth, data.radial_width, feed),
    )


def _entry_feeds(data: CuttingData) -> tuple[float, float]:
    """Centre feed of the helix and feed of a ramp: shares of the feed of a slot as deep as one turn goes."""
    rule, tool = practice()["entry"], data.cutter
    pitch = formulas.helix_pitch(data.helix_bore, tool.diameter, data.ramp_angle_deg)
    depth = min(max(pitch, 0.01 * tool.diameter), tool.flute_length)
    chip = data.max_chip * float(slot_factor(depth / tool.diameter, at_most=math.inf))
    slot = min(chip, float(data._force_feed(np.asarray(180.0), np.asarray(depth))))
    feed = min(slot * tool.flutes * data.spindle_rpm, data.max_feed)
    return rule["helix_share"] * feed, rule["ramp_share"] * feed


# ---- limits


def _root(limit: float, load: Array, p: float) -> Array:
    """Feed per tooth at which load * fz^p meets the limit; inf where there is neither."""
    if limit == NO_LIMIT:
        return np.full(np.shape(load), NO_LIMIT)
    with np.errstate(over="ignore"):  # next to no load: no limit
        result: Array = np.where(load > 0.0, (limit / np.maximum(load, 1e-300)) ** (1.0 / p), NO_LIMIT)
    return result


def _bilinear(x: Array, y: Array, xs: Array, ys: Array, values: Array) -> Array:
    """Bilinear look-up on a table, held at its ends."""
    i = np.clip(np.searchsorted(xs, x) - 1, 0, xs.size - 2)
    j = np.clip(np.searchsorted(ys, y) - 1, 0, ys.size - 2)
    u = np.clip((x - xs[i]) / (xs[i + 1] - xs[i]), 0.0, 1.0)
    v = np.clip((y - ys[j]) / (ys[j + 1] - ys[j]), 0.0, 1.0)
    low = values[i, j] * (1.0 - v) + values[i, j + 1] * v
    high = values[i + 1, j] * (1.0 - v) + values[i + 1, j + 1] * v
    result: Array = low * (1.0 - u) + high * u
    return result


def _depths_to(depth: float) -> Array:
    return depth * DEPTH_SHARES


def _peak_feeds(data: CuttingData, phi: Array, depths: Array) -> dict[str, Array]:
    """Feed per tooth, by name, at which bending, stress and grip meet their limits: (phi, rising depths).

    The worst tooth's chip is (fz + e / sin phi) sin phi, e the run-out's extra chip: its force solves for
    fz. A load spread higher up bends the tip less, but a deeper cut holds every shallower one: no depth is
    allowed more feed than those before it.
    """
    tool, material, limits = data.cutter, data.material, data.force_limits
    p = 1.0 - material.mc
    along, vector = peak_shares(tool, material.mc, phi[:, None], depths[None, :])
    bend = material.kc11 * vector * math.hypot(1.0, material.radial_share)
    creep = material.kc11 * along * _creep_share(tool)
    extra = runout_chip(data.runout, tool.flutes) * formulas.thinning_factor(phi)[:, None]
    give, strain = _give(tool, depths)
    found = {
        "deflection": _root(limits.deflection, bend * give, p),
        "bending stress": _root(limits.stress, bend * strain, p),
        "pull-out": _root(limits.grip, creep, p),
    }
    # run-out may eat the whole chip; a twentieth of the target is still fed, and the limits show it
    floor = 0.05 * data.max_chip
    return {name: np.minimum.accumulate(np.maximum(v - extra, floor), axis=1) for name, v in found.items()}


def _give(tool: CutterData, depths: Array) -> tuple[Array, Array]:
    """Deflection of the tip and largest stress for a newton spread over each depth."""
    give = np.array([bending.tip_compliance(tool, float(d)) for d in depths])
    strain = np.array([bending.stress_per_newton(tool, float(d)) for d in depths])
    return give, strain


def _creep_share(tool: CutterData) -> float:
    """Force on the grip for a tangential force of 1: pull of the helix and twist together."""
    return math.hypot(math.tan(math.radians(tool.helix_deg)), tool.diameter / tool.shank_diameter)


def _feed_caps(data: CuttingData) -> dict[str, float]:
    """Feed per tooth at the cap allowed by each limit on its own."""
    phi, axial = _at_cap(data)
    p, limits = 1.0 - data.material.mc, data.force_limits
    mean = mean_share(data.cutter, data.material.mc, phi, axial) * data.material.kc11
    return {
        "chip thickness": float(data._chip_feed(phi, axial)),
        "feed": data.max_feed / (data.cutter.flutes * data.spindle_rpm),
        "power": float(_root(limits.power_tangential, mean, p)),
        "torque": float(_root(limits.torque_tangential, mean, p)),
    } | {k: float(v[0, -1]) for k, v in _peak_feeds(data, phi[None], _depths_to(data.level_depth)).items()}


def _limits(draft: _Draft, data: CuttingData) -> tuple[Limit, ...]:
    """All limits at the cap, and which of them decide."""
    tool, wish, limits = data.cutter, draft.wish, data.force_limits
    caps = _feed_caps(data)
    least = min(caps.values())
    binds = {name: cap <= least * (1.0 + BIND_TOLERANCE) for name, cap in caps.items()}
    depths = _depths_to(data.level_depth)
    loads = data.load(data.engagement_deg, depths, data.cut_feed, peaks=True)
    _, strain = _give(tool, depths)
    spindle_top = data.spindle_rpm >= wish.max_spindle_rpm * (1.0 - 1e-12)
    wanted_depth = wish.level_depth or draft.material.axial_ratio * tool.diameter * draft.firmness.depth
    rows = [
        Limit("spindle speed", data.spindle_rpm, wish.max_spindle_rpm, spindle_top, "1/min"),
        Limit("chip thickness", data.chip_at_cap, data.max_chip, binds["chip thickness"], "mm"),
        Limit("feed", data.cut_feed, data.max_feed, binds["feed"], "mm/min"),
        Limit("power", data.power_kw, wish.power_kw or NO_LIMIT, binds["power"], "kW"),
        Limit("torque", data.torque_nm, wish.torque_nm or NO_LIMIT, binds["torque"], "Nm"),
        Limit("deflection", data.deflection_mm, limits.deflection, binds["deflection"], "mm"),
        Limit(
            "bending stress",
            float(np.max(loads.bending_peak * strain)),
            limits.stress,
            binds["bending stress"],
            "N/mm2",
        ),
        Limit(
            "pull-out",
            float(loads.tangential_peak[-1]) * _creep_share(tool),
            limits.grip,
            binds["pull-out"],
            "N",
        ),
        Limit("flute length", data.level_depth, tool.flute_length, wanted_depth > tool.flute_length, "mm"),
    ]
    if wish.min_spindle_rpm > 0.0:
        low = data.spindle_rpm <= wish.min_spindle_rpm * (1.0 + 1e-12)
        rows.insert(1, Limit("lowest spindle speed", data.spindle_rpm, wish.min_spindle_rpm, low, "1/min"))
    if wish.balance_rpm is not None:
        top_rpm = data.spindle_rpm >= wish.balance_rpm * (1.0 - 1e-12)
        rows.append(Limit("balanced speed", data.spindle_rpm, wish.balance_rpm, top_rpm, "1/min"))
    if draft.material.speed_cap is not None:
        top = data.surface_speed_m_min >= draft.material.speed_cap * (1.0 - 1e-9)
        rows.append(Limit("surface speed", data.surface_speed_m_min, draft.material.speed_cap, top, "m/min"))
    return tuple(rows)
