"""The tables of a job file as frozen, validated models; after validation every length is in mm.

A file in inch is converted value by value while it is validated: the validation context carries
``{"mm": 25.4}``, and every field whose type below has a length in it (lengths, feeds,
accelerations) is multiplied before its limits are looked at. Defaults are mm whatever the file says.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo, model_validator
from pydantic_core import PydanticCustomError

from .units import MM_PER_INCH as MM_PER_INCH

LARGEST = 1.0e5  # mm; a coordinate beyond 100 m is a slip of the pen, and would overflow grids
MANY_POINTS = 200_000  # polygon corners in one job: more is a mesh outline, not a sketch


def _to_mm(value: Any, info: ValidationInfo) -> Any:
    factor = (info.context or {}).get("mm", 1.0)
    if factor == 1.0 or isinstance(value, bool) or not isinstance(value, int | float):
        return value
    try:
        return round(value * factor, 9)  # 1.5 inch is 38.1 mm, not 38.099999999999994
    except OverflowError:
        return float("inf")  # refused by the field itself, with its own message


def _wrong(key: str, text: str) -> PydanticCustomError:
    """A failed check across fields; ``key`` is put behind the table's name in the message."""
    return PydanticCustomError("across", "{text}", {"key": key, "text": text})


_mm = BeforeValidator(_to_mm)
# The number types: strict (no quoted numbers, no booleans), finite, sane.
Coord = Annotated[float, Field(strict=True, ge=-LARGEST, le=LARGEST, allow_inf_nan=False), _mm]
Length = Annotated[float, Field(strict=True, ge=0, le=LARGEST, allow_inf_nan=False), _mm]
Positive = Annotated[float, Field(strict=True, gt=0, le=LARGEST, allow_inf_nan=False), _mm]
Feed = Annotated[float, Field(strict=True, gt=0, le=1e6, allow_inf_nan=False), _mm]
Rate = Annotated[float, Field(strict=True, gt=0, le=1e9, allow_inf_nan=False), _mm]
Number = Annotated[float, Field(strict=True, ge=-1e9, le=1e9, allow_inf_nan=False)]
Above = Annotated[float, Field(strict=True, gt=0, le=1e9, allow_inf_nan=False)]
Whole = Annotated[int, Field(strict=True, ge=0, le=99_999_999)]
Text = Annotated[str, Field(strict=True, max_length=300, pattern=r"^[^\x00-\x1f\x7f]*$")]
FileName = Annotated[str, Field(strict=True, min_length=1, max_length=1000, pattern=r"^[^\x00-\x1f\x7f]+$")]
Flag = Annotated[bool, Field(strict=True)]
Point2 = tuple[Coord, Coord]
Point3 = tuple[Coord, Coord, Coord]
Polygon = Annotated[tuple[Point2, ...], Field(min_length=3, max_length=MANY_POINTS)]


class Table(BaseModel):
    """Common ground of all tables: frozen, no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", validate_default=False, hide_input_in_errors=True)


def _box(low: Point3 | None, high: Point3 | None, low_key: str = "min", high_key: str = "max") -> None:
    """Raise unless ``low`` lies below ``high`` on every axis."""
    if low is None or high is None:
        return
    for axis, a, b in zip("xyz", low, high, strict=True):
        if a >= b:
            raise _wrong(
                low_key,
                f"{axis} = {a:g} mm is not below {high_key}'s {axis} = {b:g} mm; swap or correct them",
            )


class Part(Table):
    """Where the part's mesh comes from and how it stands on the table."""

    file: FileName | None = Field(default=None, description="mesh or STEP file, relative to the job file")
    up: Literal["+x", "-x", "+y", "-y", "+z", "-z"] = Field(
        default="+z", description="side of the file that is up"
    )
    rotate_deg: Number = Field(default=0.0, description="turn about Z after `up`, degrees")
    shift: Point3 = Field(default=(0.0, 0.0, 0.0), description="shift after placing")
    zero: Literal["file", "top centre", "top corner", "bottom centre"] = Field(
        default="file",
        description="which point of the part's box becomes the origin; file: where the file says",
    )
    tessellation: Positive = Field(
        default=0.01, description="largest deviation of triangles from a STEP surface"
    )
    file_units: Literal["mm", "inch", "m"] | None = Field(
        default=None, description="unit of the part file; default: guessed"
    )


class Stock(Table):
    """What the part is cut from, in part coordinates."""

    kind: Literal["block", "cylinder", "mesh", "leftover"] = Field(
        default="block", description="form of the stock"
    )
    min: Point3 | None = Field(default=None, description="lower corner of the block; default: the part's box")
    max: Point3 | None = Field(default=None, description="upper corner of the block; default: the part's box")
    centre: Point2 | None = Field(default=None, description="axis of the cylinder")
    diameter: Positive | None = Field(default=None, description="diameter of the cylinder")
    bottom: Coord | None = Field(default=None, description="Z of the cylinder's lower face")
    top: Coord | None = Field(default=None, description="Z of the cylinder's upper face")
    file: FileName | None = Field(
        default=None, description="mesh, or leftover map (.npz) of an earlier setup"
    )

    @model_validator(mode="after")
    def _fits_its_kind(self) -> Self:
        _box(self.min, self.max)
        if self.bottom is not None and self.top is not None and self.bottom >= self.top:
            raise _wrong(
                "bottom", f"{self.bottom:g} mm is not below top = {self.top:g} mm; swap or correct them"
            )
        belongs = {
            "min": "block", "max": "block",
            "centre": "cylinder", "diameter": "cylinder", "bottom": "cylinder", "top": "cylinder",
        }  # fmt: skip
        for key, kind in belongs.items():
            if getattr(self, key) is not None and self.kind != kind:
                raise _wrong(
                    key, f'is for kind = "{kind}", but kind is "{self.kind}"; correct one of the two'
                )
        if self.kind == "cylinder":
            for key in ("centre", "diameter", "bottom", "top"):
                if getattr(self, key) is None:
                    raise _wrong(key, 'missing; kind = "cylinder" needs centre, diameter, bottom and top')
        if self.file is not None and self.kind not in ("mesh", "leftover"):
            raise _wrong(
                "file",
                f'is for kind = "mesh" or "leftover", but kind is "{self.kind}"; correct one of the two',
            )
        return self


class Cutter(Table):
    """One milling cutter and how far it stands out of its holder."""

    name: Text = Field(default="", description="free text for the setup sheet")
    number: Whole = Field(default=1, description="tool number; default: place in the list")
    diameter: Annotated[float, Field(strict=True, ge=0.1, le=500, allow_inf_nan=False), _mm] = Field(
        description="cutting diameter (DC)"
    )
    corner_radius: Length = Field(default=0.0, description="corner radius (RE): 0 flat, diameter/2 ball")
    flutes: Annotated[int, Field(strict=True, ge=1, le=60)] = Field(description="number of teeth")
    flute_length: Positive = Field(description="length of cut (APMX)")
    overhang: Positive = Field(description="from the holder's face to the tip")
    shank_diameter: Positive = Field(
        default_factory=lambda data: data.get("diameter", 1.0),
        description="shank diameter; default: the cutting diameter",
    )
    neck_diameter: Positive | None = Field(default=None, description="relieved diameter behind the flutes")
    neck_length: Positive | None = Field(
        default=None, description="from the tip to the end of the relieved neck"
    )
    helix_deg: Annotated[float, Field(strict=True, ge=0, lt=90, allow_inf_nan=False)] = Field(
        default=35.0, description="flute helix angle, degrees"
    )
    centre_cutting: Flag = Field(default=True, description="teeth reach the axis")
    uncut_diameter: Length = Field(default=0.0, description="core at the tip that cannot cut")
    coating: Text = Field(default="AlTiN", description="coating, for cutting data")
    min_remaining: Length = Field(
        default=0.05,
        description="on ground cut before: cut only where more than this remains, in width and in height",
    )

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        if self.corner_radius > self.diameter / 2 * (1 + 1e-9):
            raise _wrong(
                "corner_radius",
                f"{self.corner_radius:g} mm is above diameter/2 = {self.diameter / 2:g} mm; "
                "a ball has exactly diameter/2",
            )
        if self.flute_length > self.overhang:
            raise _wrong(
                "flute_length",
                f"{self.flute_length:g} mm is above overhang = {self.overhang:g} mm; "
                "overhang runs from the holder's face to the tip",
            )
        if (self.neck_diameter is None) != (self.neck_length is None):
            missing = "neck_length" if self.neck_length is None else "neck_diameter"
            raise _wrong(missing, "missing; a relieved neck needs both neck_diameter and neck_length")
        if self.neck_length is not None and self.neck_length < self.flute_length:
            raise _wrong(
                "neck_length",
                f"{self.neck_length:g} mm is below flute_length = {self.flute_length:g} mm; "
                "it is measured from the tip",
            )
        if self.uncut_diameter >= self.diameter:
            raise _wrong(
                "uncut_diameter", f"{self.uncut_diameter:g} mm is not below diameter = {self.diameter:g} mm"
            )
        return self


class Holder(Table):
    """The tool holder: its kind, and its outline where it could touch."""

    type: Literal["shrink-fit", "hydraulic", "milling chuck", "collet", "side-lock"] = Field(
        default="shrink-fit", description="how the shank is held"
    )
    profile: tuple[tuple[Positive, Positive, Positive], ...] | None = Field(
        default=None,
        description="[length, lower, upper diameter] from the holder's face upward; default: by type",
    )
    clearance: Length = Field(
        default=1.0, description="least distance of holder and shank from part and stock"
    )
    runout: Length | None = Field(default=None, description="measured run-out at the tip, for cutting data")

    @model_validator(mode="after")
    def _has_sections(self) -> Self:
        if self.profile is not None and not 1 <= len(self.profile) <= 50:
            raise _wrong("profile", f"has {len(self.profile)} sections; give 1 to 50, or leave the key out")
        return self


class Material(Table):
    """What is cut."""

    name: Text = Field(min_length=1, description="material, or an ISO 513 group such as P, M, K, N, S, H")
    hardness_hb: Annotated[float, Field(strict=True, gt=0, le=800, allow_inf_nan=False)] | None = Field(
        default=None, description="Brinell hardness"
    )
    hardness_hrc: Annotated[float, Field(strict=True, gt=0, le=70, allow_inf_nan=False)] | None = Field(
        default=None, description="Rockwell C hardness"
    )
    table: FileName | None = Field(
        default=None, description="your own materials TOML, read before the built-in one"
    )

    @model_validator(mode="after")
    def _one_hardness(self) -> Self:
        if self.hardness_hb is not None and self.hardness_hrc is not None:
            raise _wrong("hardness_hrc", "given together with hardness_hb; keep the one that was measured")
        return self


class Machine(Table):
    """What the machine can do."""

    name: Text = Field(default="", description="free text for the report")
    max_spindle_rpm: Above = Field(description="highest spindle speed, 1/min")
    min_spindle_rpm: Annotated[float, Field(strict=True, ge=0, le=1e6, allow_inf_nan=False)] = Field(
        default=0.0, description="lowest spindle speed, 1/min"
    )
    max_feed: Feed = Field(description="highest cutting feed, per minute")
    power_kw: Above | None = Field(default=None, description="spindle power, kW")
    torque_nm: Above | None = Field(default=None, description="spindle torque, N m")
    acceleration: Rate = Field(default=3000.0, description="axis acceleration, mm/s2 (inch/s2 in inch files)")
    jerk: Rate | None = Field(default=None, description="axis jerk, mm/s3 (inch/s3 in inch files)")
    block_time_ms: Annotated[float, Field(strict=True, ge=0, le=1000, allow_inf_nan=False)] = Field(
        default=1.0, description="time the control needs for one block, ms"
    )
    corner_tolerance: Positive = Field(default=0.01, description="how far the control may cut a corner")
    rapid: Feed = Field(default=20000.0, description="rapid traverse, per minute")
    travel_min: Point3 | None = Field(default=None, description="lower end of the axes, part coordinates")
    travel_max: Point3 | None = Field(default=None, description="upper end of the axes, part coordinates")
    balance_rpm: Above | None = Field(
        default=None, description="speed the tool assembly is balanced for, 1/min"
    )

    @model_validator(mode="after")
    def _limits_in_order(self) -> Self:
        if self.min_spindle_rpm > self.max_spindle_rpm:
            raise _wrong(
                "min_spindle_rpm",
                f"{self.min_spindle_rpm:g} is above max_spindle_rpm = {self.max_spindle_rpm:g}; "
                "swap or correct them",
            )
        _box(self.travel_min, self.travel_max, "travel_min", "travel_max")
        return self


class Setup(Table):
    """How the part is held."""

    clamping: Literal["firm", "normal", "weak"] = Field(
        default="normal", description="how firmly the part is clamped"
    )
    load_factor: Annotated[float, Field(strict=True, gt=0, le=2, allow_inf_nan=False)] = Field(
        default=1.0, description="multiplier on the feed per tooth"
    )


class Keepout(Table):
    """A box nothing may enter: a clamp, a vise jaw."""

    name: Text = Field(default="", description="what stands there")
    min: Point3 = Field(description="lower corner")
    max: Point3 = Field(description="upper corner")

    @model_validator(mode="after")
    def _is_a_box(self) -> Self:
        _box(self.min, self.max)
        return self


class Roughing(Table):
    """How deep, how wide, how much to leave."""

    level_depth: Positive | None = Field(
        default=None, description="deepest axial cut wanted; default: from cutting data"
    )
    stair_height: Length = Field(
        default_factory=float,
        description="highest stair wanted on walls; 0: no limit; default: diameter/10, or none beside "
        "stair_normal",
    )
    stair_normal: Positive | None = Field(
        default=None, description="most that a stair may stand off the surface, over the allowance"
    )
    wall_allowance: Length = Field(default=0.3, description="stock left on walls")
    floor_allowance: Length = Field(default=0.2, description="stock left on floors")
    engagement_deg: Annotated[float, Field(strict=True, ge=5, le=180, allow_inf_nan=False)] | None = Field(
        default=None, description="largest engagement angle, degrees"
    )
    radial_width: Positive | None = Field(default=None, description="largest straight-wall width (ae)")
    floor_z: Coord | None = Field(default=None, description="lowest level")
    direction: Literal["climb", "conventional", "both"] = Field(
        default="climb", description="milling direction"
    )
    slotting: Flag = Field(
        default=False, description="cut channels too narrow for the cap, with slotting data"
    )
    cell: Positive | None = Field(
        default=None, description="grid pitch; default: chosen from cutter and part"
    )
    max_cells: Annotated[int, Field(strict=True, ge=10_000, le=400_000_000)] = Field(
        default=25_000_000, description="most grid cells; the job is refused above"
    )
    tolerance: Positive = Field(default=0.01, description="largest deviation of path from its curve")
    min_path_radius: Length | None = Field(default=None, description="smallest radius of the path")
    min_piece_length: Length | None = Field(default=None, description="shortest cut worth the way to it")
    min_piece_width: Length | None = Field(default=None, description="thinnest cut worth the way to it")
    flat_tilt_deg: Annotated[float, Field(strict=True, ge=0, le=5, allow_inf_nan=False)] = Field(
        default=0.05, description="a facet tilted less than this counts as flat, degrees"
    )

    @model_validator(mode="after")
    def _one_cap(self) -> Self:
        if self.engagement_deg is not None and self.radial_width is not None:
            raise _wrong(
                "radial_width", "given together with engagement_deg; they say the same thing, keep one"
            )
        return self


class PreDrilled(Table):
    """A hole drilled before roughing."""

    x: Coord = Field(description="centre")
    y: Coord = Field(description="centre")
    diameter: Positive = Field(description="diameter")
    bottom: Coord = Field(description="Z of the full diameter's end")


class Entry(Table):
    """How the cutter gets down."""

    method: Literal["auto", "outside", "helix", "ramp", "pre-drilled", "none"] = Field(
        default="auto",
        description="auto: outside first, then pre-drilled, helix, and a ramp where slotting is allowed",
    )
    ramp_angle_deg: Annotated[float, Field(strict=True, gt=0, le=45, allow_inf_nan=False)] | None = Field(
        default=None, description="steepest descent of helix and ramp, degrees; default: by material"
    )
    helix_diameter: Positive | None = Field(default=None, description="bore of the helix; default: by cutter")
    pre_drilled: tuple[PreDrilled, ...] = Field(
        default=(), max_length=10_000, description="holes drilled before"
    )


class Links(Table):
    """Ways between cuts."""

    clearance: Coord | None = Field(
        default=None, description="Z of the clearance plane; default: 5 mm over the stock and all keepouts"
    )
    lift: Length = Field(default=0.25, description="how far a stay-down link is lifted off the floor")
    feed: Feed | None = Field(
        default=None, description="feed of links, per minute; default: the machine's highest"
    )
    stay_down: Flag = Field(default=True, description="links through cleared ground where that is shorter")


class Regions(Table):
    """Where to cut, and where not; outlines in plan."""

    inside: tuple[Polygon, ...] = Field(
        default=(), max_length=10_000, description="cutter centre stays inside these"
    )
    outside: tuple[Polygon, ...] = Field(
        default=(), max_length=10_000, description="cutter centre stays outside these"
    )
    file: FileName | None = Field(default=None, description="JSON file with the same two lists")


class Cover(Table):
    """Openings planned as if they were filled."""

    width: Positive | None = Field(default=None, description="openings narrower than this are covered")
    points: tuple[Point2, ...] = Field(
        default=(), max_length=10_000, description="a point in each opening to cover"
    )
    automatic: Flag = Field(default=True, description="cover openings the cutter cannot enter")


class SemiFinish(Table):
    """The next operation: a ball-nose tool after roughing."""

    ball_diameter: Positive | None = Field(default=None, description="diameter of the ball-nose cutter")
    allowance: Length = Field(default=0.1, description="stock it leaves")
    step_over: Positive | None = Field(
        default=None, description="distance of its lines, or of its heights; default: 0.02 mm cusps on a flat"
    )
    max_bite: Positive | None = Field(default=None, description="thickest leftover it may meet")
    style: Literal["raster", "contour"] = Field(
        default="raster", description="raster: lines along X; contour: lines of one height"
    )
    feed: Feed | None = Field(default=None, description="its feed, per minute; default: from cutting data")


class Proposal(Table):
    """What `zrough propose` chooses from; a list left out is made from the cutter's own proposal."""

    cutters: tuple[Cutter, ...] = Field(
        default=(), max_length=20, description="cutters to choose from; default: the job's first"
    )
    level_depths: tuple[Positive, ...] = Field(
        default=(), max_length=20, description="depths of primary levels"
    )
    stair_heights: tuple[Positive, ...] = Field(default=(), max_length=20, description="heights of stairs")
    radial_widths: tuple[Positive, ...] = Field(default=(), max_length=20, description="radial widths (ae)")
    max_engagement_deg: Annotated[float, Field(strict=True, ge=5, le=180, allow_inf_nan=False)] | None = (
        Field(default=None, description="widest engagement, degrees; default: roughing.engagement_deg")
    )
    max_deflection: Positive | None = Field(
        default=None, description="most the tip may bend at the cap; default: as cutting data allow"
    )
    finalists: Annotated[int, Field(strict=True, ge=1, le=10)] = Field(
        default=4, description="how many are planned and checked"
    )


class Output(Table):
    """How the NC text is written."""

    arcs: Flag = Field(default=True, description="arcs (G2, G3) where they fit within the tolerance")
    decimals: Annotated[int, Field(strict=True, ge=3, le=7)] = Field(
        default=4, description="decimals of coordinates; default: 4 in mm, 5 in inch"
    )
    line_numbers: Flag = Field(default=False, description="N words")
    unit_words: Literal["G20/G21", "G70/G71", "none"] = Field(
        default="G20/G21", description="words for inch/mm"
    )
    work_offset: Annotated[str, Field(strict=True, pattern=r"^(none|G5[4-9](\.1 ?P[0-9]{1,3})?)$")] = Field(
        default="G54", description="work offset word, or none"
    )
    start_block: FileName | None = Field(default=None, description="text file put before the moves")
    end_block: FileName | None = Field(default=None, description="text file put after the moves")
    program_name: Text | None = Field(default=None, description="name or number in the program's head")
    coolant: Literal["M7", "M8", "none"] = Field(default="M8", description="coolant word")
    extras: tuple[Literal["cl", "glb", "pictures"], ...] = Field(
        default=(),
        max_length=3,
        description="more files beside the report: cl = program.cl, cutter location text; "
        "glb = leftover.glb, coloured; pictures = PNG files",
    )


EVERY_TABLE: tuple[type[Table], ...] = (
    Part, Stock, Cutter, Holder, Material, Machine, Setup, Keepout, Roughing, Entry, PreDrilled, Links,
    Regions, Cover, SemiFinish, Proposal, Output,
)  # fmt: skip
