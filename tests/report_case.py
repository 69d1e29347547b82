"""A made-up plan and check, shaped like real ones: a domed core with two bosses, cut from outside in."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
from scipy import ndimage
from skimage.measure import find_contours

from zrough.grid import Grid
from zrough.job import Job
from zrough.toolpath import Kind, Toolpath

LOW, HIGH = (-50.0, -40.0, -30.0), (50.0, 40.0, 0.0)
R = 6.0


def job(**more) -> Job:
    tables = {
        "units": "mm",
        "part": {"file": "hood_core.stl"},
        "stock": {"min": list(LOW), "max": list(HIGH)},
        "cutter": {
            "diameter": 2 * R,
            "corner_radius": 1.0,
            "flutes": 4,
            "flute_length": 26.0,
            "overhang": 45.0,
        },
        "material": {"name": "P", "hardness_hb": 300.0},
        "machine": {"max_spindle_rpm": 15000, "max_feed": 12000, "power_kw": 15.0},
        "roughing": {"level_depth": 12.0, "stair_height": 1.5, "engagement_deg": 50.0},
        "semi_finish": {"ball_diameter": 6.0, "max_bite": 1.2},
    }
    for key, value in more.items():
        tables[key] = value if isinstance(value, str) else {**tables.get(key, {}), **value}
    return Job.from_dict(tables, source="hood_core.toml")


def part_height(x, y):
    """Dome on a floor at -24, with two bosses."""
    r = (np.abs(x / 34.0) ** 3 + np.abs(y / 25.0) ** 3) ** (1 / 3)
    dome = -3.0 - 20.0 * np.clip(r, 0, 2) ** 3
    z = np.maximum(np.where(r < 1.02, dome, -24.0), -24.0)
    for cx, cy in ((41.0, 31.0), (-41.0, -31.0)):
        z = np.maximum(z, np.where(np.hypot(x - cx, y - cy) < 4.0, -15.0, -np.inf))
    return z


def triangles(cell: float = 1.25):
    """The part as triangles: its map, two to a cell."""
    grid = Grid.covering(LOW[:2], HIGH[:2], cell)
    x, y = np.meshgrid(grid.x, grid.y)
    p = np.stack([x, y, part_height(x, y)], axis=-1)
    a, b, c, d = p[:-1, :-1], p[:-1, 1:], p[1:, 1:], p[1:, :-1]
    return np.concatenate(
        [np.stack([a, b, c], axis=-2).reshape(-1, 3, 3), np.stack([a, c, d], axis=-2).reshape(-1, 3, 3)]
    )


def leftover(cell: float = 0.4, stair: float = 1.5):
    """Stock after roughing in stairs, 0.3 mm left on walls and 0.2 mm on floors."""
    grid = Grid.covering(LOW[:2], HIGH[:2], cell)
    x, y = np.meshgrid(grid.x, grid.y)
    reach = ndimage.maximum_filter(part_height(x, y), footprint=np.hypot(*np.mgrid[-2:3, -2:3]) < 1.5)
    z = np.minimum(np.ceil((reach + 24.0) / stair - 1e-6) * stair - 24.0 + 0.2, 0.0)
    return grid, z


def _rings(z: float, skip: float, climb: bool):
    """Contours of the distance from the block's outside, inside the free area at height z."""
    cell = 0.5
    grid = Grid.covering((LOW[0] - 9, LOW[1] - 9), (HIGH[0] + 9, HIGH[1] + 9), cell)
    x, y = np.meshgrid(grid.x, grid.y)
    free = ndimage.distance_transform_edt(part_height(x, y) <= z) * cell > R + 0.3
    outside = np.maximum(np.abs(x) - HIGH[0], np.abs(y) - HIGH[1])
    if climb:
        away = np.where(
            outside > -6.0, -5.0, ndimage.distance_transform_edt(part_height(x, y) <= z) * cell - R
        )
        return _contour(grid, away, 0.4, None)
    away = np.where(free, -outside + 8.0, -5.0)
    return [line for d in np.arange(1.0, away.max(), skip) for line in _contour(grid, away, d, free)]


def _contour(grid, field, level, mask):
    lines = [line for line in find_contours(field, level, mask=mask) if len(line) > 12]
    return [np.column_stack([grid.x0 + grid.cell * p[:, 1], grid.y0 + grid.cell * p[:, 0]]) for p in lines]


def _moves(levels):
    xyz, kind, level, engaged = [(-60.0, -50.0, 10.0)], [Kind.RAPID], [-1], [0.0]
    rng = np.random.default_rng(7)
    turn, centre = [0], [(np.nan, np.nan)]

    def add(point, what, k, angle=0.0, way=0, mid=(np.nan, np.nan)):
        xyz.append(tuple(point))
        kind.append(what)
        level.append(k)
        engaged.append(angle)
        turn.append(way)
        centre.append(mid)

    for k, lv in enumerate(levels):
        for line in _rings(lv.z, 1.1, lv.kind == "climb"):
            start = line[0]
            add((*start, xyz[-1][2]), Kind.LINK, k)
            if k == 0 and len(xyz) < 4:
                for n in range(4):
                    add(
                        (start[0], start[1], -3.0 * (n + 1)),
                        Kind.HELIX,
                        k,
                        0.0,
                        1,
                        (start[0] - 2.0, start[1]),
                    )
            else:
                add((*start, lv.z), Kind.DROP, k)
            angles = 44.0 + 5.0 * np.sin(np.arange(len(line)) / 9.0) + rng.normal(0, 0.6, len(line))
            for point, angle in zip(line[1:], angles[1:], strict=True):
                add((*point, lv.z), Kind.CUT, k, min(angle, 50.0) if lv.kind == "primary" else 0.4 * angle)
            add((*line[-1], lv.z + 0.25), Kind.LIFT, k)
    add((xyz[-1][0], xyz[-1][1], 10.0), Kind.LIFT, len(levels) - 1)
    kinds = np.array(kind, dtype=np.uint8)
    feed = np.where(kinds == Kind.CUT, 3800.0, np.where(kinds == Kind.RAPID, 0.0, 9000.0))
    return Toolpath(
        np.array(xyz),
        kinds,
        feed,
        np.array(turn, dtype=np.int8),
        np.array(centre),
        np.array(level, dtype=np.int32),
        np.array(engaged, dtype=np.float32),
    )


def plan(**more):
    from zrough import cutting

    made = job(**more)
    levels = []
    for top, z in ((0.0, -12.0), (-12.0, -23.8)):
        levels.append(
            _level(z, top, "primary", "floor of the bosses" if z > -20 else "lowest flat, 0.2 mm left")
        )
        for up in np.arange(z + 1.5, top - 0.2, 1.5):
            levels.append(_level(float(up), float(up) + 1.5, "climb", "stair above 1.5 mm on the dome"))
    path = _moves(levels)
    spent = path.lengths() / np.where(path.feed > 0, path.feed, 20000.0) * 60.0
    for k, lv in enumerate(levels):
        mine = path.level == k
        cut = mine & (path.kind == Kind.CUT)
        lv.cut_mm = float(path.lengths()[cut].sum())
        lv.link_mm = float(path.lengths()[mine & ~cut].sum())
        lv.time_s = float(spent[mine].sum())
        lv.pieces = int((np.diff(cut.astype(int)) == 1).sum())
        lv.area_mm2 = 3900.0 if lv.kind == "primary" else 220.0
        lv.removed_mm3 = lv.area_mm2 * (lv.top - lv.z)
    part = SimpleNamespace(
        name="hood_core",
        triangles=triangles(),
        lower=LOW,
        upper=(50.0, 40.0, -3.0),
        warnings=("2 openings covered: diameter 3 mm",),
    )
    left = [
        {
            "kind": "channel",
            "z": -23.8,
            "place": (38.0, -30.0),
            "width": 11.4,
            "area": 96.0,
            "reason": "barely wider than the cutter: the cap cannot be held",
        }
    ]
    return SimpleNamespace(
        job=made,
        part=part,
        levels=levels,
        toolpath=path,
        data=cutting.propose(made),
        left=left,
        warnings=["cell size raised to 0.25 mm"],
        times={"rings": 3.2},
    )


def _level(z, top, kind, reason):
    return SimpleNamespace(z=z, top=top, kind=kind, reason=reason)


def check(ok: bool = True):
    grid, heights = leftover()
    failures = (
        []
        if ok
        else [
            SimpleNamespace(
                code="gouge",
                line=214,
                place=(12.0, 8.0, -9.0),
                value=0.08,
                limit=0.01,
                message="line 214: 0.08 mm into the part at 12.0, 8.0, -9.0; limit 0.01 mm",
            )
        ]
    )
    seconds = np.linspace(0.0, 420.0, 2001)[1:]
    wave = 44.0 + 5.0 * np.sin(seconds / 3.0) - 30.0 * (np.sin(seconds / 40.0) > 0.6)
    by_degree = np.zeros(361)
    np.add.at(by_degree, wave.astype(int), 9.0)
    nowhere = (float("nan"),) * 3
    return SimpleNamespace(
        ok=ok,
        failures=tuple(failures),
        warnings=(),
        gouge_mm=0.0 if ok else 0.08,
        allowance_mm=0.0,
        engagement=SimpleNamespace(
            cap_deg=50.0,
            worst_deg=49.6,
            worst_at=(10.0, 4.0, -12.0),
            worst_line=310,
            over=(0.0, 0.0, 0.0),
            histogram=by_degree,
            steps=90000,
        ),
        removed_mm3=98_000.0,
        tallest_stair=1.5,
        floor_error=0.004,
        steepest_deg=2.0,
        worst_power_kw=6.9,
        leftover=SimpleNamespace(
            grid=grid,
            heights=heights,
            excess_volume=120.0,
            excess_at=(20.0, 3.0, -8.0),
            stair_at=nowhere,
            flats=(
                {
                    "z": -24.0,
                    "area_mm2": 4700.0,
                    "wanted_mm": 0.2,
                    "cut_share": 0.98,
                    "lowest_mm": 0.2,
                    "typical_mm": 0.204,
                    "highest_mm": 1.7,
                },
            ),
        ),
        times={
            "cutting": 350.0,
            "links": 48.0,
            "entries": 9.0,
            "lifts": 10.0,
            "rapids": 3.0,
            "dwells": 0.0,
            "total": 420.0,
        },
        lengths={
            "cutting": 19e3,
            "links": 3.7e3,
            "entries": 60.0,
            "lifts": 120.0,
            "rapids": 400.0,
            "total": 23.2e3,
        },
        moves=SimpleNamespace(
            time_s=seconds, engagement_deg=wave, power_kw=np.where(wave > 20, 0.14 * wave, np.nan)
        ),
    )
