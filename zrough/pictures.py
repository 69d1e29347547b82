"""Pictures of a plan and its check as PNG: leftover, relief, rings, loads, times. Same input, same bytes.

The colours are our own. Amounts use one ramp whose lightness only falls, so it reads in grey and by
colour-blind people; kinds of path differ in line style as well as in colour.
"""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from zrough.grid import Grid, Map
from zrough.units import Unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import LinearSegmentedColormap
    from matplotlib.figure import Figure

Pixels = NDArray[np.uint8]
Line = tuple[Map, Map, Map]  # x, y, z of a path, NaN between its pieces

INK, MUTED, RULE, PAPER = "#22303c", "#5b6b78", "#d5dcda", "#ffffff"
GROUND = "#eef1ef"
BROKEN = "#a63d2f"
# amount: little -> much
RAMP = ("#f4efe0", "#dfc991", "#c8935c", "#98585f", "#57305f", "#241a3f")
# what a move is for: colour, line style, width
STYLE: dict[str, tuple[str, Any, float]] = {
    "cutting": ("#1f6f78", "-", 0.7),
    "links": ("#d0912f", (0, (4, 2)), 0.7),
    "entries": ("#6d2f63", (0, (1, 1)), 1.6),
    "lifts": ("#8fa1aa", "-", 0.6),
    "rapids": ("#c6cfd3", "-", 0.6),
}
_MM = Unit("mm")
_DPI = 160
_FAINTEST = 0.05  # mm: no ramp ends below it
_BAND_ROWS = 48  # of the relief, drawn at once


def ramp_rgb(share: ArrayLike) -> NDArray[np.float64]:
    """Colour of an amount between 0 and 1: (..., 3) in 0..1; NaN gives the ground colour."""
    value = np.asarray(share, dtype=np.float64)
    stops = np.array([_rgb(c) for c in RAMP])
    at = np.clip(np.nan_to_num(value), 0.0, 1.0) * (len(stops) - 1)
    low = np.minimum(at.astype(np.int64), len(stops) - 2)
    part = (at - low)[..., None]
    mixed: NDArray[np.float64] = stops[low] * (1 - part) + stops[low + 1] * part
    mixed[np.isnan(value)] = _rgb(GROUND)
    return mixed


def _rgb(text: str) -> tuple[float, float, float]:
    return tuple(int(text[k : k + 2], 16) / 255 for k in (1, 3, 5))  # type: ignore[return-value]


def colour_limit(thickness: Map, unit: Unit = _MM) -> float:
    """A thickness, round in ``unit``, that nearly all of the map stays below: the ramp's dark end, mm."""
    values = thickness[np.isfinite(thickness)] / unit.scale
    if not len(values):
        return unit.scale
    top = max(float(np.percentile(values, 99.5)), _FAINTEST / unit.scale)
    ten = 10.0 ** math.floor(math.log10(top))
    steps = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
    return next(m * ten for m in steps if m * ten >= top * 0.999) * unit.scale


def vertex_colours(values: ArrayLike, limit: float) -> Pixels:
    """Colours (n, 3) uint8, linear RGB as glTF wants them, of thicknesses up to ``limit`` mm."""
    rgb = ramp_rgb(np.asarray(values, dtype=np.float64) / limit)
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)  # IEC 61966-2-1
    level: Pixels = np.rint(255 * linear).astype(np.uint8)
    return level


def _colormap() -> LinearSegmentedColormap:
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("amount", RAMP)


def _figure(width: float, height: float) -> Figure:
    """A figure without any global state, so that threads may draw side by side."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), dpi=_DPI, facecolor=PAPER, layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def _png(figure: Figure) -> bytes:
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", metadata={"Software": None})
    return buffer.getvalue()


def _dress(axes: Axes, x: str = "", y: str = "") -> None:
    axes.set_xlabel(x, color=MUTED, fontsize=8)
    axes.set_ylabel(y, color=MUTED, fontsize=8)
    axes.tick_params(colors=MUTED, labelsize=7.5, width=0.6, length=3)
    for name, spine in axes.spines.items():
        spine.set_color(RULE)
        spine.set_visible(name in ("left", "bottom"))


def _title(axes: Axes, text: str) -> None:
    axes.set_title(text, loc="left", color=INK, fontsize=9.5, fontweight="bold", pad=8)


def _scaled(grid: Grid, unit: Unit) -> Grid:
    return Grid(grid.x0 / unit.scale, grid.y0 / unit.scale, grid.cell / unit.scale, grid.nx, grid.ny)


def _slope(grid: Grid, heights: Map, light: tuple[float, float] = (-0.45, 0.45)) -> Map:
    """Brightness 0..1 of a surface lit from above and from ``light`` in plan (the upper left)."""
    filled = np.where(np.isfinite(heights), heights, np.nan)
    low = np.nanmin(filled) if np.isfinite(filled).any() else 0.0
    dy, dx = np.gradient(np.nan_to_num(filled, nan=float(low)), grid.cell)
    norm = np.sqrt(dx * dx + dy * dy + 1.0)
    lit: Map = np.clip((0.77 - light[0] * dx - light[1] * dy) / norm, 0.0, 1.0)
    return lit


def map_png(
    grid: Grid,
    thickness: Map,
    heights: Map | None = None,
    *,
    title: str = "Leftover, square to the part",
    unit: Unit = _MM,
    marks: Sequence[tuple[float, float, str]] = (),
) -> bytes:
    """Plan view of an amount (ny, nx) mm, NaN for nothing, over a faint relief; ``marks`` are x, y, text.

    Scales and colour bar are in ``unit``; all arguments in mm.
    """
    limit = colour_limit(thickness, unit)
    grid = _scaled(grid, unit)
    wide, high = grid.nx * grid.cell, grid.ny * grid.cell
    tall = min(max(6.4 * high / wide, 2.6), 8.0)
    figure = _figure(7.4, tall + 0.7)
    axes = figure.add_subplot()
    every = max(1, max(grid.nx, grid.ny) // 1200)
    rgb = ramp_rgb(thickness[::every, ::every] / limit)
    if heights is not None:
        rgb *= 0.72 + 0.28 * _slope(grid, heights / unit.scale)[::every, ::every, None]
    half = 0.5 * grid.cell
    box = (grid.x0 - half, grid.x0 + wide - half, grid.y0 - half, grid.y0 + high - half)
    pixels = np.rint(255 * np.clip(rgb, 0, 1)).astype(np.uint8)
    axes.imshow(pixels, origin="lower", extent=box, interpolation="bilinear")
    axes.set_aspect("equal")
    for mark_x, mark_y, text in marks:
        x, y = mark_x / unit.scale, mark_y / unit.scale
        axes.plot(
            [x], [y], "o", markersize=7, markerfacecolor="none", markeredgecolor=INK, markeredgewidth=1.1
        )
        axes.annotate(
            text, (x, y), (6, 6), textcoords="offset points", fontsize=7, color=INK,
            bbox={"boxstyle": "round,pad=0.2", "facecolor": PAPER, "edgecolor": "none", "alpha": 0.75},
        )  # fmt: skip
    _dress(axes, f"X, {unit.name}", f"Y, {unit.name}")
    _title(axes, title)
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize

    scale = ScalarMappable(Normalize(0.0, limit / unit.scale), _colormap())
    bar = figure.colorbar(scale, ax=axes, shrink=0.75, pad=0.02, aspect=28, extend="max")
    bar.ax.tick_params(colors=MUTED, labelsize=7.5, width=0.6)
    bar.set_label(unit.name, color=MUTED, fontsize=8)
    bar.outline.set_visible(False)
    return _png(figure)


def relief_png(
    grid: Grid, heights: Map, thickness: Map, bottom: float, width: int = 1000, unit: Unit = _MM
) -> bytes:
    """The stock seen from the front, above and to the right, coloured by what is left on the part."""
    from PIL import Image

    canvas = _relief(grid, heights, thickness / colour_limit(thickness, unit), bottom, int(1.25 * width))
    picture = Image.fromarray(canvas)
    size = (width, round(canvas.shape[0] * width / canvas.shape[1]))
    small = picture.resize(size, Image.Resampling.LANCZOS)
    buffer = io.BytesIO()
    small.save(buffer, "PNG")
    return buffer.getvalue()


def _relief(grid: Grid, heights: Map, amount: Map, bottom: float, width: int) -> Pixels:
    """Painter's picture: columns of stock from far to near, each down to its lower neighbours."""
    turn, tilt, margin = math.radians(28.0), math.radians(38.0), 24
    c, s, up, away = math.cos(turn), math.sin(turn), math.cos(tilt), math.sin(tilt)
    wide, deep = (grid.nx - 1) * grid.cell, (grid.ny - 1) * grid.cell
    across = wide * c + deep * s
    scale = (width - 2 * margin) / across
    pitch = 0.68 / scale
    rows, cols = (
        np.minimum(np.rint(np.arange(0, end + pitch, pitch) / grid.cell).astype(np.int64), count - 1)
        for end, count in ((deep, grid.ny), (wide, grid.nx))
    )
    z = heights[np.ix_(rows, cols)]
    there = z > bottom
    z = np.where(there, z, bottom)
    solid = np.where(heights > bottom, heights, bottom)
    shade = (0.55 + 0.45 * _slope(grid, solid, (-0.25, -0.58)))[np.ix_(rows, cols)]
    rgb = ramp_rgb(amount).astype(np.float32)[np.ix_(rows, cols)]
    rgb *= shade[..., None].astype(np.float32)
    y, x = np.meshgrid(np.arange(len(rows)) * pitch, np.arange(len(cols)) * pitch, indexing="ij")
    sx = x * c + y * s
    depth = -x * s + y * c
    front = np.full_like(z, bottom)  # the neighbour nearer to the eye: smaller y, larger x
    front[1:, :-1] = np.minimum(z[:-1, :-1], z[1:, 1:])
    side = np.zeros(z.shape, dtype=bool)
    side[0], side[:, -1] = True, True
    side[1:] |= ~there[:-1]
    front_face = side.copy()
    side[:, :-1] |= ~there[:, 1:]
    ground = depth * away * scale
    top_px = ground + (z - bottom) * up * scale
    foot_px = ground + (np.minimum(front, z) - bottom) * up * scale
    steel = np.array(_rgb("#b9c3c6"), np.float32) * np.where(front_face, 0.80, 0.62)[..., None].astype("f4")
    # A stair is thick at its edge and thin at its foot.
    foot = np.where(side[..., None], steel, _foot(rgb) * 0.88)
    head = np.where(side[..., None], steel, rgb * 0.92)
    seen = there.any()
    low = min(math.floor(foot_px[there].min()) - 2, 0) if seen else 0
    high = math.floor(top_px[there].max()) if seen else 0
    canvas = np.full((high - low + 1 + 2 * margin, width, 3), 255, dtype=np.uint8)
    # Row by row from the far side: on one column of the screen that is the order of distance. Some rows at
    # once, so that their pixels need little memory.
    for last in range(len(rows), 0, -_BAND_ROWS):
        band = slice(max(0, last - _BAND_ROWS), last)
        far = np.flatnonzero(there[band][::-1].ravel())

        def listed(a: NDArray[Any], band: slice = band, far: NDArray[np.int64] = far) -> NDArray[Any]:
            return a[band][::-1].reshape(-1, *a.shape[2:])[far]

        top = listed(top_px)
        count = np.floor(top - listed(foot_px)).astype(np.int64) + 2
        owner = np.repeat(np.arange(len(far)), count)
        rank = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
        px = (listed(sx) * scale).astype(np.int64)[owner]
        py = np.floor(top).astype(np.int64)[owner] - rank
        share = (rank / np.maximum(count - 1, 1)[owner])[:, None]
        mixed = listed(head)[owner] * (1 - share) + listed(foot)[owner] * share
        pixels = np.where((rank > 0)[:, None], mixed, listed(rgb)[owner])
        at = high - py + margin, np.clip(px + margin, 0, width - 1)
        canvas[at] = np.clip(np.rint(255 * pixels), 0, 255)
    return canvas


def _foot(rgb: Map) -> Map:
    """Colour of the neighbour nearer to the eye."""
    found = rgb.copy()
    found[1:, :-1] = 0.5 * (rgb[:-1, :-1] + rgb[1:, 1:])
    return found


def rings_png(
    levels: Sequence[Mapping[str, Any]], paths: Sequence[Mapping[str, Line]],
    box: tuple[float, float, float, float], part: tuple[Grid, Map] | None = None,
    unit: Unit = _MM,
) -> bytes:  # fmt: skip
    """Rings of some levels side by side: cuts, links and entries in their own styles.

    levels : what `report_dict` lists. paths : one {group: line} a level. box : x low, x high, y low, y high.
    part : grid and stock heights, drawn as a faint ground.
    """
    columns = 1 if len(levels) == 1 else 2
    rows = -(-len(levels) // columns)
    wide, high = box[1] - box[0], box[3] - box[2]
    each = 8.4 / columns
    figure = _figure(8.4, rows * (min(max(each * high / wide, 1.5), 8.0) + 0.45) + 0.35)
    axes = figure.subplots(rows, columns, squeeze=False)
    for k, spot in enumerate(axes.ravel()):
        if k >= len(levels):
            spot.set_axis_off()
            continue
        _rings(spot, paths[k], box, part)
        text = f"{levels[k]['number']} · Z {unit.length(levels[k]['z_mm'])} · {levels[k]['kind']}"
        spot.set_title(text, loc="left", color=INK, fontsize=8, pad=4)
    from matplotlib.lines import Line2D

    shown = [Line2D([], [], color=c, linestyle=d, linewidth=w + 0.6, label=name)
             for name, (c, d, w) in STYLE.items() if name in ("cutting", "links", "entries")]  # fmt: skip
    figure.legend(
        handles=shown, loc="outside lower left", ncols=3, frameon=False, fontsize=8, labelcolor=INK,
        handlelength=3,
    )  # fmt: skip
    return _png(figure)


def _rings(
    axes: Axes, path: Mapping[str, Line], box: tuple[float, float, float, float],
    part: tuple[Grid, Map] | None,
) -> None:  # fmt: skip
    if part is not None:
        grid, heights = part
        every = max(1, max(grid.nx, grid.ny) // 500)
        light = np.rint(255 * (0.86 + 0.14 * _slope(grid, heights)[::every, ::every])).astype(np.uint8)
        half = 0.5 * grid.cell
        extent = (
            grid.x0 - half, grid.x0 + grid.nx * grid.cell - half,
            grid.y0 - half, grid.y0 + grid.ny * grid.cell - half,
        )  # fmt: skip
        ground = np.repeat(light[..., None], 3, axis=2)
        axes.imshow(ground, origin="lower", extent=extent, interpolation="bilinear")
    for name in ("links", "cutting", "entries"):
        if name in path:
            colour, dash, width = STYLE[name]
            axes.plot(path[name][0], path[name][1], color=colour, linestyle=dash, linewidth=width)
    axes.set_xlim(box[0], box[1])
    axes.set_ylim(box[2], box[3])
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_color(RULE)


def histogram_png(edges: ArrayLike, length: ArrayLike, cap: float | None, unit: Unit = _MM) -> bytes:
    """Cutting length (mm) in each band of engagement angle, with the cap as a line."""
    edges, length = np.asarray(edges, dtype=np.float64), np.asarray(length, dtype=np.float64)
    figure = _figure(7.4, 2.9)
    axes = figure.add_subplot()
    blue = STYLE["cutting"][0]
    axes.bar(
        edges[:-1], length / unit.path_scale, np.diff(edges) * 0.92, align="edge", color=blue, linewidth=0
    )
    used = np.flatnonzero(length > 0)
    right = max(edges[used[-1] + 1] if len(used) else 10.0, (cap or 0.0) * 1.12)
    axes.set_xlim(0, right * 1.02)
    _dress(axes, "engagement angle, degrees", f"cutting length, {unit.path}")
    axes.grid(axis="y", color=RULE, linewidth=0.5)
    axes.set_axisbelow(True)
    if cap is not None:
        axes.axvline(cap, color=BROKEN, linewidth=1.2, linestyle=(0, (5, 2)))
        axes.annotate(
            f"cap {cap:.1f}°", (cap, 1.0), (0, 2), xycoords=("data", "axes fraction"),
            textcoords="offset points", ha="center", va="bottom", fontsize=8, color=BROKEN,
        )  # fmt: skip
    _title(axes, "How much of the circle bites")
    return _png(figure)


def times_png(times: Mapping[str, float]) -> bytes:
    """One bar for each kind of motion, minutes."""
    names = [n for n in STYLE if n in times]
    figure = _figure(7.4, 0.42 * max(len(names), 2) + 0.75)
    axes = figure.add_subplot()
    minutes = [times[n] / 60.0 for n in names]
    total = sum(minutes) or 1.0
    axes.barh(names, minutes, height=0.62, color=[STYLE[n][0] for n in names])
    axes.invert_yaxis()
    for k, value in enumerate(minutes):
        axes.annotate(f"{clock(60 * value)}   {100 * value / total:.0f} %", (value, k), (5, 0),
                      textcoords="offset points", va="center", fontsize=8, color=INK)  # fmt: skip
    axes.set_xlim(0, max(minutes, default=1.0) * 1.25 or 1.0)
    _dress(axes, "minutes", "")
    axes.tick_params(axis="y", length=0, labelcolor=INK, labelsize=8.5)
    _title(axes, f"Where the time goes: {clock(60 * sum(minutes))}")
    return _png(figure)


def load_png(
    minutes: ArrayLike, engagement: ArrayLike, power: ArrayLike | None,
    cap: float | None, power_limit: float | None,
) -> bytes:  # fmt: skip
    """Largest engagement, and power if known, in each short span of the program."""
    figure = _figure(7.4, 3.8 if power is not None else 2.4)
    axes = figure.subplots(2 if power is not None else 1, 1, sharex=True, squeeze=False)[:, 0]
    _curve(axes[0], minutes, engagement, STYLE["cutting"][0], "engagement, degrees", cap, "cap")
    _title(axes[0], "Load over the program")
    if power is not None:
        _curve(axes[1], minutes, power, STYLE["entries"][0], "power, kW", power_limit, "spindle")
    _dress(axes[-1], "minutes", axes[-1].get_ylabel())
    return _png(figure)


def _curve(
    axes: Axes, x: ArrayLike, y: ArrayLike, colour: str, label: str, limit: float | None, word: str
) -> None:
    high = max(float(np.max(y, initial=0.0)), 1e-9)
    axes.fill_between(np.asarray(x), np.asarray(y), color=colour, alpha=0.25, linewidth=0, step="mid")
    axes.plot(x, y, color=colour, linewidth=0.7, drawstyle="steps-mid")
    _dress(axes, "", label)
    axes.grid(axis="y", color=RULE, linewidth=0.5)
    if limit is not None and limit < 4 * high:
        axes.axhline(limit, color=BROKEN, linewidth=1.1, linestyle=(0, (5, 2)))
        axes.annotate(f"{word} {limit:g}", (1.0, limit), (0, 2), xycoords=("axes fraction", "data"),
                      textcoords="offset points", ha="right", fontsize=7.5, color=BROKEN)  # fmt: skip
        high = max(high, limit)
    axes.set_ylim(0, 1.15 * high)
    axes.margins(x=0.005)


def clock(seconds: float) -> str:
    """Seconds as h:mm:ss or m:ss."""
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    return f"{hours}:{rest // 60:02d}:{rest % 60:02d}" if hours else f"{rest // 60}:{rest % 60:02d}"
