"""The facts of a report: what a plan and its check say, as plain values and as arrays ready to draw."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from zrough.grid import Grid, Map
from zrough.leftplaces import by_place
from zrough.toolpath import Kind, Toolpath

if TYPE_CHECKING:
    from zrough.nexttool import BallLoad
    from zrough.thinmesh import ThinMesh

Line = tuple[Map, Map, Map]

GROUPS: dict[str, tuple[Kind, ...]] = {
    "cutting": (Kind.CUT,),
    "links": (Kind.LINK,),
    "entries": (Kind.HELIX, Kind.RAMP),
    "lifts": (Kind.LIFT, Kind.DROP),
    "rapids": (Kind.RAPID,),
}
BAND = 5.0  # degrees, width of a histogram band
CHORD = 0.05  # mm, how far a drawn arc may stray
MOST_NODES = 800_000  # of the leftover measured for the report; a second or two
VIEW_TOLERANCE = 0.02  # mm of height; of the view that turns
DRAWN_NODES = 360_000  # of those drawn: one a pixel in a picture of the usual size


def value(thing: object, *names: str, default: Any = None) -> Any:
    """The first of the attributes (or keys) that is there and not None."""
    for name in names:
        found = thing.get(name) if isinstance(thing, Mapping) else getattr(thing, name, None)
        if found is not None:
            return found
    return default


def plain(thing: Any) -> Any:
    """Values that JSON can hold: numpy unwrapped, tuples as lists, NaN and infinity as None."""
    if isinstance(thing, Mapping):
        return {str(k): plain(v) for k, v in thing.items()}
    if isinstance(thing, np.ndarray):
        return plain(thing.tolist())
    if isinstance(thing, list | tuple | set | frozenset):
        return [plain(v) for v in thing]
    if isinstance(thing, bool | np.bool_):
        return bool(thing)
    if isinstance(thing, int | np.integer):
        return int(thing)
    if isinstance(thing, float | np.floating):
        return float(f"{float(thing):.9g}") if math.isfinite(thing) else None
    return None if thing is None else str(thing)


@dataclass(frozen=True)
class Series:
    """Loads in short equal spans: minutes (n,), engagement (n,) degrees, power (n,) kW or None."""

    minutes: Map
    engagement: Map
    power: Map | None


class Facts:
    """One plan and its check, read once; anything costly is worked out when first asked for."""

    def __init__(self, plan: Any, check: Any | None) -> None:
        self.plan, self.check = plan, check
        self.job = plan.job
        self.path: Toolpath = plan.toolpath

    @cached_property
    def group(self) -> NDArray[np.int64]:
        """Place in `GROUPS` of every move."""
        lookup = np.zeros(max(Kind) + 1, dtype=np.int64)
        for place, kinds in enumerate(GROUPS.values()):
            lookup[list(kinds)] = place
        return lookup[self.path.kind]

    @cached_property
    def lengths(self) -> Map:
        """Length of every move, mm."""
        return self.path.lengths()

    @cached_property
    def seconds(self) -> Map:
        """Time of every move without acceleration, s; rapids at the machine's rapid."""
        speed = np.where(self.path.feed > 0, self.path.feed, self.job.machine.rapid)
        return 60.0 * self.lengths / speed

    @cached_property
    def level_seconds(self) -> Map:
        """Time of the moves of each level by feed and length alone, s."""
        mine = self.path.level >= 0
        count = len(self.plan.levels)
        return np.bincount(self.path.level[mine], self.seconds[mine], count).astype(np.float64)[:count]

    @cached_property
    def left_over(self) -> tuple[Grid, Map] | None:
        """Grid and heights of the stock after the replay."""
        found = value(self.check, "leftover")
        return None if found is None else (found.grid, found.heights)

    @cached_property
    def every(self) -> int:
        """Each how many-th node of the leftover is measured and pictured."""
        if self.left_over is None:
            return 1
        return max(1, math.ceil(math.sqrt(self.left_over[1].size / MOST_NODES)))

    @cached_property
    def measured(self) -> tuple[Grid, Map] | None:
        """The leftover at the nodes that are measured and pictured."""
        if self.left_over is None:
            return None
        grid, heights = self.left_over
        kept = np.ascontiguousarray(heights[:: self.every, :: self.every])
        return Grid(grid.x0, grid.y0, grid.cell * self.every, kept.shape[1], kept.shape[0]), kept

    @cached_property
    def drawn(self) -> tuple[Grid, Map, int]:
        """The leftover at the nodes that are drawn, and how many measured ones one step of them spans."""
        assert self.measured is not None
        grid, heights = self.measured
        step = max(1, math.ceil(math.sqrt(heights.size / DRAWN_NODES)))
        kept = np.ascontiguousarray(heights[::step, ::step])
        return Grid(grid.x0, grid.y0, grid.cell * step, kept.shape[1], kept.shape[0]), kept, step

    @cached_property
    def bottom(self) -> float:
        """Underside of the stock, mm."""
        lower = value(self.plan.part, "lower")
        given = value(self.job.stock, "min")
        if given is not None:
            return float(given[2])
        found = value(self.job.stock, "bottom")
        return float(found) if found is not None else float(lower[2])

    @cached_property
    def stock_top(self) -> float:
        """Upper side of the stock, mm."""
        return float(_stock(self)["max"][2])

    @cached_property
    def normal(self) -> Any | None:
        """`NormalLeftover` of the stock after the replay."""
        if self.measured is None:
            return None
        from zrough.errors import StockError
        from zrough.leftover import normal_leftover

        try:
            return normal_leftover(*self.measured, self.plan.part.triangles)
        except StockError:
            return None

    @cached_property
    def ball(self) -> BallLoad | None:
        """Load of the next cutter, if the job names one."""
        semi = value(self.job, "semi_finish")
        diameter = value(semi, "ball_diameter")
        if diameter is None or self.measured is None or self.normal is None:
            return None
        from zrough.nexttool import ball_load

        part = self.normal.part
        # Openings left alone and ground beside the part are not the next cutter's business.
        ground = np.where(np.isfinite(part), part, self.measured[1])
        return ball_load(
            *self.measured, ground, diameter, value(semi, "allowance", default=0.1),
            value(semi, "step_over"), limit=value(semi, "max_bite"),
            style=value(semi, "style", default="raster"),
        )  # fmt: skip

    def mesh(self, max_triangles: int) -> ThinMesh | None:
        """The stock after the replay as a closed mesh."""
        if self.left_over is None:
            return None
        from zrough.thinmesh import thin

        return thin(*self.left_over, self.bottom, max_triangles)

    def view_mesh(self, max_triangles: int) -> tuple[ThinMesh, Map] | None:
        """The same from the nodes that are drawn, and the leftover square to the part at each vertex."""
        if self.left_over is None:
            return None
        from zrough.thinmesh import thin

        grid, heights, step = self.drawn
        mesh = thin(grid, heights, self.bottom, max_triangles, VIEW_TOLERANCE)
        if self.normal is None:
            return mesh, np.zeros(len(mesh.vertices))
        return mesh, _filled(self.normal.thickness[::step, ::step]).ravel()[mesh.nodes]

    @cached_property
    def cap(self) -> float | None:
        """Largest engagement allowed, degrees."""
        found = value(value(self.check, "engagement"), "cap_deg")
        if found is None:
            found = value(self.job.roughing, "engagement_deg")
        if found is None:
            found = value(self.plan.data, "engagement_deg")
        return None if found is None else float(found)

    @cached_property
    def times(self) -> dict[str, float]:
        """Seconds of each group of moves: by the check's time model, else by feed and length alone."""
        told = value(self.check, "times")
        if told is not None:
            return {name: float(told[name]) for name in GROUPS}
        spent = np.bincount(self.group, self.seconds, len(GROUPS))
        return {name: float(t) for name, t in zip(GROUPS, spent, strict=True)}

    @cached_property
    def distances(self) -> dict[str, float]:
        """Path length of each group of moves, mm."""
        told = value(self.check, "lengths")
        if told is not None:
            return {name: float(told[name]) for name in GROUPS}
        gone = np.bincount(self.group, self.lengths, len(GROUPS))
        return {name: float(d) for name, d in zip(GROUPS, gone, strict=True)}

    @cached_property
    def histogram(self) -> tuple[Map, Map]:
        """Edges of the bands of engagement, degrees, and the cutting length in each, mm."""
        edges = np.arange(0.0, 180.0 + BAND, BAND)
        by_degree = value(value(self.check, "engagement"), "histogram")
        if by_degree is not None:  # by whole degree, the air in the first
            degrees = np.minimum(np.arange(len(by_degree)), 179.0)
            length, _ = np.histogram(degrees[1:], edges, weights=by_degree[1:])
            return edges, length
        cut = (self.path.kind == Kind.CUT) & (self.path.engagement > 0)
        length, _ = np.histogram(self.path.engagement[cut], edges, weights=self.lengths[cut])
        return edges, length

    @cached_property
    def loads(self) -> tuple[Map, Map, Map | None]:
        """End of each motion, s, its engagement, degrees, and power, kW; from the check if there is one."""
        told = value(self.check, "moves")
        if told is not None:
            power = np.nan_to_num(told.power_kw) if np.isfinite(told.power_kw).any() else None
            return told.time_s, np.nan_to_num(told.engagement_deg), power
        return np.cumsum(self.seconds), self.path.engagement.astype(np.float64), self._planned_power()

    def _planned_power(self) -> Map | None:
        """Motor power of every move, kW, from the cutting data."""
        load = getattr(self.plan.data, "load", None)
        if load is None or not len(self.plan.levels):
            return None
        depth = np.array([lv.top - lv.z for lv in self.plan.levels] + [0.0])
        cut = (self.path.engagement > 0) & (self.path.feed > 0)
        power = np.zeros(len(self.path))
        power[cut] = load(
            self.path.engagement[cut], depth[self.path.level[cut]], self.path.feed[cut]
        ).power_kw
        return power

    def series(self, spans: int) -> Series:
        """Largest engagement and power in each of ``spans`` equal spans of the program."""
        end, engagement, power = self.loads
        width = max(float(end[-1]) if len(end) else 0.0, 1e-9) / spans
        first = np.minimum((np.concatenate([[0.0], end[:-1]]) / width).astype(np.int64), spans - 1)
        last = np.minimum((end / width).astype(np.int64), spans - 1)
        count = last - first + 1
        owner = np.repeat(np.arange(len(end)), count)
        span = first[owner] + np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)

        def largest(amount: Map) -> Map:
            out = np.zeros(spans)
            np.maximum.at(out, span, amount[owner])
            return out

        minutes = np.linspace(0.5, spans - 0.5, spans) * (width / 60.0)
        return Series(minutes, largest(engagement), None if power is None else largest(power))

    def level_paths(self, most_points: int = 120_000) -> list[dict[str, Line]]:
        """The path of each level, one broken line a group of moves, thinned to about ``most_points``."""
        points, owner = _expand(self.path, CHORD)
        key = self.path.level.astype(np.int64) * len(GROUPS) + self.group
        begins = np.concatenate([[True], np.diff(key[owner]) != 0])
        tolerance = CHORD
        while True:
            keep = _keep(points, begins, tolerance)
            if keep.sum() <= most_points or tolerance > 2.0:
                break
            tolerance *= 2.0
        points, owner, begins = points[keep], owner[keep], begins[keep]
        repeat = np.where(begins, 3, 1)
        source = np.repeat(np.arange(len(points)), repeat)
        rank = np.arange(len(source)) - np.repeat(np.cumsum(repeat) - repeat, repeat)
        drawn = points[source]
        drawn[begins[source] & (rank == 0)] = np.nan
        second = begins[source] & (rank == 1)
        drawn[second] = points[np.maximum(source[second] - 1, 0)]
        key = key[owner][source]
        found: list[dict[str, Line]] = []
        for k in range(len(self.plan.levels)):
            lines = {}
            for g, name in enumerate(GROUPS):
                chosen = drawn[key == k * len(GROUPS) + g]
                if len(chosen):
                    lines[name] = (chosen[:, 0], chosen[:, 1], chosen[:, 2])
            found.append(lines)
        return found


def _filled(thickness: Map) -> Map:
    """Where no part is below, NaN, the thickness on the nearest part."""
    from scipy import ndimage

    gaps = np.isnan(thickness)
    if not gaps.any():
        return thickness
    near = ndimage.distance_transform_edt(gaps, return_distances=False, return_indices=True)
    return np.asarray(thickness[tuple(near)], dtype=np.float64)


def _expand(path: Toolpath, chord: float) -> tuple[Map, NDArray[np.int64]]:
    """Points (m, 3) along the moves, arcs as chords, and the move each point belongs to."""
    n = len(path)
    start = path.xyz[np.maximum(np.arange(n) - 1, 0)]
    bent = (path.turn != 0) & (np.arange(n) > 0)
    centre = np.where(bent[:, None], path.centre, 0.0)
    a, b = start[:, :2] - centre, path.xyz[:, :2] - centre
    radius = np.hypot(a[:, 0], a[:, 1])
    first = np.arctan2(a[:, 1], a[:, 0])
    sweep = ((np.arctan2(b[:, 1], b[:, 0]) - first) * path.turn) % (2 * np.pi)
    sweep[np.hypot(*(path.xyz[:, :2] - start[:, :2]).T) < 1e-9] = 2 * np.pi
    step = 2.0 * np.arccos(np.clip(1.0 - chord / np.maximum(radius, chord), -1.0, 1.0 - 1e-9))
    count = np.where(bent, np.maximum(np.ceil(sweep / step), 1), 1).astype(np.int64)
    owner = np.repeat(np.arange(n), count)
    rank = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    share = (rank + 1) / count[owner]
    points = path.xyz[owner].copy()
    points[:, 2] = start[owner, 2] + share * (path.xyz[owner, 2] - start[owner, 2])
    round_ = bent[owner] & (share < 1.0)
    o = owner[round_]
    angle = first[o] + path.turn[o] * sweep[o] * share[round_]
    points[round_, :2] = centre[o] + radius[o, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return points, owner


def _keep(points: Map, begins: NDArray[np.bool_], tolerance: float) -> NDArray[np.bool_]:
    """Which points to draw: every other one goes, again and again, while it lies on its neighbours' chord."""
    kept = np.arange(len(points))
    fixed = begins | np.concatenate([begins[1:], [True]])
    for _ in range(8):
        middle = np.arange(1, len(kept) - 1, 2)
        if not len(middle):
            break
        p, q, r = points[kept[middle - 1]], points[kept[middle]], points[kept[middle + 1]]
        chord = r - p
        share = np.clip((chord * (q - p)).sum(axis=1) / np.maximum((chord**2).sum(axis=1), 1e-12), 0.0, 1.0)
        off = np.linalg.norm(q - p - share[:, None] * chord, axis=1)
        goes = (off < tolerance / 4) & ~fixed[kept[middle]]
        if not goes.any():
            break
        stay = np.ones(len(kept), dtype=bool)
        stay[middle[goes]] = False
        kept = kept[stay]
    chosen = np.zeros(len(points), dtype=bool)
    chosen[kept] = True
    return chosen


def as_dict(facts: Facts) -> dict[str, Any]:
    """All numbers of the report, JSON-safe; see ``data/report.schema.json`` for the meaning of each key."""
    from zrough.promises import promises

    kept = promises(facts)
    spent = facts.level_seconds
    levels = [_level(k, lv, float(spent[k])) for k, lv in enumerate(facts.plan.levels)]
    check = facts.check
    found = {
        "format": "zrough report",
        "version": 1,
        "units": "mm",
        "verdict": "not checked" if check is None else "passed" if check.ok else "failed",
        "summary": _summary(facts, levels),
        "promises": [p.as_dict() for p in kept],
        "job": _job(facts),
        "part": _part(facts),
        "stock": _stock(facts),
        "cutters": [_fields(c) for c in facts.job.cutters],
        "holder": _holder(facts),
        "cutting_data": _data(facts),
        "levels": levels,
        "stages": _stages(facts),
        "path_mm": facts.distances,
        "times_s": facts.times,
        "engagement": _engagement(facts),
        "leftover": None if facts.normal is None else facts.normal.as_dict(),
        "flats": [dict(f) for f in value(value(check, "leftover"), "flats", default=())],
        "next_cutter": None if facts.ball is None else facts.ball.as_dict(),
        "left": [_left(item) for item in by_place(value(facts.plan, "left", default=()))],
        "failures": _findings(value(check, "failures", default=())),
        "findings": _findings(value(check, "warnings", default=())),
        "warnings": _notes(facts),
        "cautions": list(value(facts.plan.data, "cautions", default=())),
    }
    result: dict[str, Any] = plain(found)
    return result


def _summary(facts: Facts, levels: list[dict[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {
        "cycle_time_s": sum(facts.times.values()),
        "levels": len(levels),
        "removed_cm3": _removed(facts, levels) / 1000.0,
        "cutting_m": facts.distances["cutting"] / 1000.0,
        "links_m": facts.distances["links"] / 1000.0,
        "worst_engagement_deg": _worst(facts),
    }
    chip = value(facts.check, "chip_share")
    if chip is not None and math.isfinite(chip):
        found["chip_near_target_share"] = chip
    stair = value(facts.check, "tallest_stair")
    if stair is not None:
        found["tallest_stair_mm"] = stair
    if facts.normal is not None:
        found["leftover_99_percent_mm"] = facts.normal.percentiles[99.0]
    if facts.ball is not None:
        found["next_cutter_thickest_bite_mm"] = facts.ball.thickest
    return found


def _removed(facts: Facts, levels: list[dict[str, Any]]) -> float:
    told = value(facts.check, "removed_mm3")
    return float(told) if told is not None else float(sum(lv["removed_mm3"] or 0.0 for lv in levels))


def _worst(facts: Facts) -> float:
    told = value(value(facts.check, "engagement"), "worst_deg")
    if told is not None:
        return float(told)
    cut = facts.path.kind == Kind.CUT
    return float(facts.path.engagement[cut].max(initial=0.0))


def _level(index: int, level: Any, seconds: float) -> dict[str, Any]:
    """One row; a zero of the planner means that it did not work the number out."""
    return {
        "number": index + 1,
        "z_mm": float(level.z),
        "top_mm": float(level.top),
        "kind": str(level.kind),
        "reason": str(value(level, "reason", default="")),
        "area_mm2": value(level, "area_mm2") or None,
        "removed_mm3": value(level, "removed_mm3") or None,
        "cut_mm": value(level, "cut_mm"),
        "link_mm": value(level, "link_mm"),
        "time_s": value(level, "time_s") or seconds,
        "cutter": value(level, "cutter", default=0) + 1,
        "pieces": value(level, "pieces") or None,
    }


def _job(facts: Facts) -> dict[str, Any]:
    job = facts.job
    return {
        "source": str(value(job, "source", default="")).replace("\\", "/").rsplit("/", 1)[-1],
        "units": value(job, "units", default="mm"),
        "material": value(job.material, "name"),
        "hardness_hb": value(job.material, "hardness_hb"),
        "hardness_hrc": value(job.material, "hardness_hrc"),
        "machine": _fields(job.machine),
        "clamping": value(value(job, "setup"), "clamping"),
        "roughing": _fields(job.roughing),
        "entry": _fields(value(job, "entry", default={})),
        "work_offset": value(value(job, "output"), "work_offset"),
        "clearance_z_mm": _clearance(facts),
        "keepouts": [_fields(k) for k in value(job, "keepouts", "keepout", default=())],
    }


def _clearance(facts: Facts) -> float:
    return float(facts.job.clearance_plane(_stock(facts)["max"][2]))


def _part(facts: Facts) -> dict[str, Any]:
    part = facts.plan.part
    return {
        "name": str(value(part, "name", default="")),
        "triangles": len(part.triangles),
        "lower": list(part.lower),
        "upper": list(part.upper),
        "size_mm": [float(b - a) for a, b in zip(part.lower, part.upper, strict=True)],
        "zero": value(value(facts.job, "part"), "zero", default="file"),
    }


def _stock(facts: Facts) -> dict[str, Any]:
    stock, part = facts.job.stock, facts.plan.part
    low = list(value(stock, "min", default=part.lower))
    high = list(value(stock, "max", default=part.upper))
    if value(stock, "kind") == "cylinder":
        radius = 0.5 * stock.diameter
        low = [stock.centre[0] - radius, stock.centre[1] - radius, stock.bottom]
        high = [stock.centre[0] + radius, stock.centre[1] + radius, stock.top]
    return {"kind": value(stock, "kind", default="block"), "min": low, "max": high}


def _holder(facts: Facts) -> dict[str, Any]:
    found = _fields(facts.job.holder)
    outline = getattr(facts.job, "holder_profile", None)
    if outline is not None:
        found["profile"] = [list(s) for s in outline(facts.job.cutters[0])]
    return found


def _fields(thing: Any) -> dict[str, Any]:
    """The plain values of a table of the job."""
    if isinstance(thing, Mapping):
        return dict(thing)
    dump = getattr(thing, "model_dump", None)
    raw = dump() if dump is not None else vars(thing)
    return {k: v for k, v in raw.items() if isinstance(v, str | int | float | bool | list | tuple | None)}


def _data(facts: Facts) -> dict[str, Any]:
    data = facts.plan.data
    names = (
        "spindle_rpm", "surface_speed_m_min", "feed_per_tooth", "cut_feed", "engagement_deg", "radial_width",
        "level_depth", "ramp_angle_deg", "helix_feed", "ramp_feed", "link_feed", "chip_at_cap", "power_kw",
        "torque_nm", "force_n", "deflection_mm", "removal_cm3_min",
    )  # fmt: skip
    found = {name: value(data, name) for name in names}
    found["limits"] = [_limit(x) for x in value(data, "limits", default=())]
    return found


def _limit(limit: Any) -> dict[str, Any] | str:
    return limit if isinstance(limit, str) else _fields(limit)


def _engagement(facts: Facts) -> dict[str, Any]:
    edges, length = facts.histogram
    told = value(facts.check, "engagement")
    return {
        "cap_deg": facts.cap,
        "worst_deg": _worst(facts),
        "worst_line": value(told, "worst_line"),
        "worst_place": value(told, "worst_at"),
        "share_over_1_3_10_deg": value(told, "over"),
        "slots_mm": value(told, "slots_mm"),
        "edges_deg": edges,
        "length_mm": length,
    }


def _stages(facts: Facts) -> list[dict[str, Any]]:
    """What each cutter adds; nothing to tell for one."""
    stages = list(value(facts.plan, "stages", default=()))
    return [_stage(k, s) for k, s in enumerate(stages)] if len(stages) > 1 else []


def _stage(index: int, stage: Any) -> dict[str, Any]:
    """What one of several cutters adds."""
    names = ("removed_mm3", "cut_mm", "link_mm", "time_s", "tallest_stair_mm")
    data = value(stage, "data")
    speeds = ("spindle_rpm", "cut_feed", "engagement_deg", "level_depth")
    return {
        "name": str(value(stage, "name", default=f"cutter {index + 1}")),
        "levels": len(value(stage, "levels", default=())),
        **{n: value(stage, n) for n in names},
        **{n: value(data, n) for n in speeds},
    }


def _left(item: Any) -> dict[str, Any]:
    """One place left uncut, under the report's own keys."""
    place = value(item, "place") or (value(item, "x"), value(item, "y"))
    return {
        "kind": str(value(item, "kind", default="")),
        "z_mm": value(item, "z", "level_z"),
        "highest_z_mm": value(item, "z_top", "z", "level_z"),
        "levels": int(value(item, "levels", default=1)),
        "place": list(place)[:2],
        "width_mm": value(item, "width"),
        "area_mm2": value(item, "area"),
        "reason": str(value(item, "reason", default="")),
    }


def _findings(found: Iterable[Any]) -> list[dict[str, Any]]:
    names = ("code", "line", "place", "value", "limit", "message")
    return [
        {"code": "note", "line": 0, "place": None, "value": None, "limit": None, "message": f}
        if isinstance(f, str)
        else {n: value(f, n) for n in names}
        for f in found
    ]


def _notes(facts: Facts) -> list[str]:
    """Warnings of part, cutting data and plan, each once, in that order."""
    found: dict[str, None] = {}
    for source in (facts.plan.part, facts.plan.data, facts.plan):
        found.update(dict.fromkeys(str(w) for w in value(source, "warnings", default=())))
    return list(found)
