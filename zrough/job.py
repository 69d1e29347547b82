"""Job file (TOML) or dict -> one frozen, validated `Job`; all in mm and mm/min whatever its units."""

from __future__ import annotations

import copy
import hashlib
import json
import os
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import Field, PrivateAttr, ValidationError, model_validator

from zrough import joberrors
from zrough.errors import JobError
from zrough.grid import Grid, Map
from zrough.jobtables import (
    MM_PER_INCH,
    Cover,
    Cutter,
    Entry,
    Holder,
    Keepout,
    Links,
    Machine,
    Material,
    Output,
    Part,
    PreDrilled,
    Proposal,
    Regions,
    Roughing,
    SemiFinish,
    Setup,
    Stock,
    Table,
    _wrong,
)

__all__ = [
    "Cover", "Cutter", "Entry", "Holder", "Job", "Keepout", "Links", "Machine", "Material", "Output", "Part",
    "PreDrilled", "Proposal", "Regions", "Roughing", "SemiFinish", "Setup", "Stock",
]  # fmt: skip

MAX_FILE = 16 * 1024 * 1024  # bytes; a job file is a page or two, outlines included
MAX_DEPTH = 12  # tables in tables; no job needs more, and deeper ones exhaust the stack

Mesh = tuple[NDArray[np.float64], NDArray[np.integer[Any]]]
Profile = tuple[tuple[float, float, float], ...]

# Outline of a holder above the shank when the job gives none: (length, lower, upper diameter minus shank)
# of the nose; the body above it is the same for all. Common practice, rounded from memory, no published
# source: give `holder.profile` from the holder's drawing where clearance is tight.
_NOSE: dict[str, tuple[float, float, float]] = {
    "shrink-fit": (40.0, 12.0, 18.0),
    "hydraulic": (35.0, 16.0, 22.0),
    "milling chuck": (45.0, 26.0, 26.0),
    "collet": (40.0, 24.0, 24.0),
    "side-lock": (40.0, 22.0, 22.0),
}
CLEARANCE = 5.0  # mm over all that stands, common practice
_BODY_LENGTH = 30.0
_BODY_DIAMETER = 63.0  # flange of a medium hollow-shank or 40-taper spindle nose, rounded


class Job(Table):
    """One roughing job. Frozen; make variants with `replace` and `with_mesh`.

    Lengths mm, feeds mm/min, angles degrees. Read with `from_toml` or `from_dict`.
    """

    units: Literal["mm", "inch"] = Field(
        default="mm", description="unit of all lengths and feeds here and in the NC text"
    )
    part: Part = Field(default_factory=lambda: Part(), description="the part")
    stock: Stock = Field(default_factory=lambda: Stock(), description="what it is cut from")
    cutters: tuple[Cutter, ...] = Field(
        alias="cutter", min_length=1, max_length=50, description="the cutter or cutters"
    )
    holder: Holder = Field(default_factory=lambda: Holder(), description="the tool holder")
    material: Material = Field(description="what is cut")
    machine: Machine = Field(description="what the machine can do")
    setup: Setup = Field(default_factory=lambda: Setup(), description="how the part is held")
    keepouts: tuple[Keepout, ...] = Field(
        default=(), alias="keepout", max_length=1000, description="boxes nothing may enter"
    )
    roughing: Roughing = Field(
        default_factory=lambda: Roughing(), description="how deep, how wide, how much is left"
    )
    entry: Entry = Field(default_factory=lambda: Entry(), description="how the cutter gets down")
    links: Links = Field(default_factory=lambda: Links(), description="ways between cuts")
    regions: Regions = Field(default_factory=lambda: Regions(), description="where to cut and where not")
    cover: Cover = Field(default_factory=lambda: Cover(), description="openings planned as if filled")
    semi_finish: SemiFinish = Field(default_factory=lambda: SemiFinish(), description="the next operation")
    propose: Proposal = Field(default_factory=lambda: Proposal(), description="what to choose from")
    output: Output = Field(default_factory=lambda: Output(), description="how the NC text is written")

    _base_dir: Path = PrivateAttr(default=Path("."))
    _source: str = PrivateAttr(default="<dict>")
    _raw: dict[str, Any] = PrivateAttr(default_factory=dict)
    _mesh: Mesh | None = PrivateAttr(default=None)
    _stock_map: tuple[Grid, Map] | None = PrivateAttr(default=None)

    # ------------------------------------------------------------------ reading

    @classmethod
    def from_toml(cls, path: str | os.PathLike[str], confine: bool = False) -> Self:
        """Read and validate a job file.

        Parameters
        ----------
        path : the TOML file; files it names are relative to its folder.
        confine : refuse files outside that folder (absolute names, `..`, links that lead out).

        Raises
        ------
        JobError : the file, a key, a value or a file it names cannot be used; one line.
        """
        file = Path(path)
        raw = _read_toml(file)
        if "units" not in raw:
            raise _refusal(f'{file}: units: missing, add it; units = "mm" or units = "inch"')
        job = cls._build(raw, file.parent, file.name, convert=True)
        job._check_files(confine)
        return job

    @classmethod
    def from_dict(
        cls,
        data: Mapping[str, Any],
        base_dir: str | os.PathLike[str] = ".",
        mesh: tuple[ArrayLike, ArrayLike] | None = None,
        source: str = "<dict>",
    ) -> Self:
        """Validate a job given as a dict with the keys of the job file (``units`` defaults to "mm").

        Parameters
        ----------
        data : tables as dicts; numpy numbers and arrays are welcome. It is not changed.
        base_dir : folder that file names in it are relative to.
        mesh : ``(vertices (n, 3) float64, faces (m, 3) int)`` used in place of ``part.file``; in the
            unit ``part.file_units`` says, mm if it says nothing. Taken without a copy where the types fit.
        source : name used in messages.

        Raises
        ------
        JobError : a key or value cannot be used; one line.
        """
        if not isinstance(data, Mapping):
            raise _refusal(f"{source}: expected a dict of tables, not {type(data).__name__}")
        job = cls._build(_plain(data, source), Path(base_dir), source, convert=True)
        return job if mesh is None else job.with_mesh(*mesh)

    @classmethod
    def _build(cls, raw: dict[str, Any], base_dir: Path, source: str, convert: bool) -> Self:
        """Validate ``raw``; ``convert`` says that its numbers are in its own units, not in mm."""
        inch = raw.get("units") == "inch"
        single = isinstance(raw.get("cutter"), dict)
        filled = _with_defaults(raw)
        try:
            job = cls.model_validate(filled, context={"mm": MM_PER_INCH if inch and convert else 1.0})
        except ValidationError as exc:
            found = joberrors.lines(exc, cls, filled, single, inch and convert)
            raise _job_error(source if source == "<dict>" else str(base_dir / source), found) from None
        job._base_dir = base_dir
        job._source = source
        job._raw = job._in_mm(raw) if inch and convert else raw
        return job

    def _in_mm(self, raw: dict[str, Any]) -> dict[str, Any]:
        """``raw`` with its numbers replaced by the validated ones, for `replace`."""
        whole = self.model_dump(by_alias=True)
        return {key: _picked(value, whole[key]) for key, value in raw.items()}

    @model_validator(mode="after")
    def _across_tables(self) -> Self:
        widest = self.roughing.radial_width
        numbers = [c.number for c in self.cutters]
        if len(set(numbers)) < len(numbers):
            raise _wrong("cutter", "two cutters have the same number; give each its own")
        if widest is not None:
            for cutter in self.cutters:
                if widest > cutter.diameter:
                    raise _wrong(
                        "roughing.radial_width",
                        f"{widest:g} mm is above the cutter's diameter = {cutter.diameter:g} mm; lower it",
                    )
        if self.part.file is not None and Path(self.part.file).suffix.lower() == ".toml":
            raise _wrong(
                "part.file", f'"{self.part.file}" is a job file; name the mesh or STEP file of the part'
            )
        return self

    # ------------------------------------------------------------------ what it holds

    @property
    def cutter(self) -> Cutter:
        """The first cutter."""
        return self.cutters[0]

    @property
    def base_dir(self) -> Path:
        """Folder that file names are relative to."""
        return self._base_dir

    @property
    def source(self) -> str:
        """Name of the job file, or "<dict>"."""
        return self._source

    @property
    def mesh(self) -> Mesh | None:
        """``(vertices (n, 3) float64, faces (m, 3) int)``, read-only, where the part came in memory."""
        return self._mesh

    @property
    def stock_map(self) -> tuple[Grid, Map] | None:
        """``(grid, heights (ny, nx) float64 mm)``, read-only, where the stock came in memory."""
        return self._stock_map

    def clearance_plane(self, stock_top: float) -> float:
        """Z of the plane above which rapids run: the job's own, else 5 mm over stock and keepouts."""
        if self.links.clearance is not None:
            return float(self.links.clearance)
        return max([stock_top, *(k.max[2] for k in self.keepouts)]) + CLEARANCE

    def holder_profile(self, cutter: Cutter | None = None) -> Profile:
        """Sections ``(length, lower diameter, upper diameter)`` from the holder's face upward, mm.

        Without ``holder.profile`` a plain outline by holder type and shank (common practice, no source).
        """
        if self.holder.profile is not None:
            return self.holder.profile
        shank = (cutter or self.cutter).shank_diameter
        length, lower, upper = _NOSE[self.holder.type]
        body = max(_BODY_DIAMETER, shank + upper)
        return ((length, shank + lower, shank + upper), (_BODY_LENGTH, body, body))

    def file(self, name: str, key: str) -> Path:
        """The path of a file named in the job under ``key``, after checking that it is there.

        Raises
        ------
        JobError : no such file.
        """
        path = self._base_dir / name
        try:
            there = path.is_file()
        except (OSError, ValueError):
            there = False
        if not there:
            what = "is not a plain file" if path.exists() else "no such file"
            where = "." if str(self._base_dir) == "." else str(self._base_dir)
            raise _refusal(
                f'{self._label()}: {key} = "{name}": {what} in {where}; names are relative to the job file'
            )
        return path

    def files(self) -> dict[str, str]:
        """Every file the job names: key path -> name."""
        named = {
            "part.file": self.part.file if self._mesh is None else None,
            "stock.file": self.stock.file if self._stock_map is None else None,
            "material.table": self.material.table,
            "regions.file": self.regions.file,
            "output.start_block": self.output.start_block,
            "output.end_block": self.output.end_block,
        }
        return {key: name for key, name in named.items() if name is not None}

    def digest(self) -> str:
        """SHA-256, in hex, of all that decides the result: values, and the bytes of files and arrays.

        Independent of the job's name and folder. Two jobs with one digest give the same program.

        Raises
        ------
        JobError : a file that the job names is missing or cannot be read.
        """
        state = hashlib.sha256()
        values = self.model_dump(mode="json", by_alias=True)
        for table, key in (("part", "file"), ("stock", "file"), ("material", "table"), ("regions", "file"),
                           ("output", "start_block"), ("output", "end_block")):  # fmt: skip
            name = values[table].get(key)
            # The name may change with the folder, the contents count; the suffix chooses the reader.
            values[table][key] = None if name is None else Path(name).suffix.lower()
        state.update(json.dumps(values, sort_keys=True).encode())
        for key, name in self.files().items():
            state.update(f"\n{key}:".encode())
            state.update(_file_digest(self.file(name, key)))
        arrays = [] if self._mesh is None else [*self._mesh]
        if self._stock_map is not None:
            state.update(repr(self._stock_map[0]).encode())
            arrays.append(self._stock_map[1])
        for array in arrays:
            state.update(f"\n{array.dtype.str}{array.shape}:".encode())
            state.update(np.ascontiguousarray(array).data)
        return state.hexdigest()

    # ------------------------------------------------------------------ variants

    def with_mesh(self, vertices: ArrayLike, faces: ArrayLike) -> Self:
        """The same job for a part given as ``(n, 3)`` float64 and ``(m, 3)`` int; no copy where types fit.

        Raises
        ------
        JobError : wrong shapes or types.
        """
        try:
            points = np.asarray(vertices, dtype=np.float64)
            corners = np.asarray(faces)
        except (TypeError, ValueError) as exc:
            raise _refusal(f"mesh: vertices and faces must be arrays of numbers ({exc})") from None
        if points.ndim != 2 or points.shape[1] != 3:
            raise _refusal(f"mesh: vertices have shape {points.shape}; expected (n, 3)")
        if corners.ndim != 2 or corners.shape[1] != 3 or not np.issubdtype(corners.dtype, np.integer):
            raise _refusal(
                f"mesh: faces have shape {corners.shape}, type {corners.dtype}; expected (m, 3) integers"
            )
        twin = self._twin()
        twin._mesh = (_read_only(points), _read_only(corners))
        return twin

    def with_stock_map(self, grid: Grid, heights: ArrayLike) -> Self:
        """The same job cut from stock given as heights on ``grid``, ``(ny, nx)`` float64, mm; no copy.

        Raises
        ------
        JobError : the shape is not the grid's.
        """
        values = np.asarray(heights, dtype=np.float64)
        if values.shape != grid.shape:
            raise _refusal(f"stock map: shape {values.shape} is not the grid's {grid.shape}; rows are y")
        twin = self._twin()
        twin._stock_map = (grid, _read_only(values))
        return twin

    def based_in(self, folder: str | os.PathLike[str]) -> Self:
        """The same job with its file names relative to ``folder``."""
        twin = self._twin()
        twin._base_dir = Path(folder)
        return twin

    def replace(self, **tables: Any) -> Self:
        """A variant with other values, mm and mm/min whatever ``units`` is; validated like a new job.

        A dict is laid over the table of that name (``None`` as a value removes the key); for ``cutter``,
        over the first one. Any other value takes the table's place.

            job.replace(roughing={"stair_height": 0.0}, cutter={"overhang": 50.0})

        Raises
        ------
        JobError : a key or value cannot be used; one line.
        """
        raw = copy.deepcopy(self._raw)
        for name, value in _plain(tables, self._source).items():
            raw[name] = _merged(raw.get(name), value)
        twin = self._build(raw, self._base_dir, self._source, convert=False)
        twin._mesh, twin._stock_map = self._mesh, self._stock_map
        return twin

    def _twin(self) -> Self:
        """A shallow copy with its own private state."""
        twin = self.model_copy()
        for name in ("_base_dir", "_source", "_raw", "_mesh", "_stock_map"):
            setattr(twin, name, getattr(self, name))
        return twin

    # ------------------------------------------------------------------ schema and checks

    @classmethod
    def json_schema(cls) -> dict[str, Any]:
        """JSON Schema (2020-12) of the job file."""
        schema = cls.model_json_schema(by_alias=True)
        many = schema["properties"]["cutter"]
        about = many.pop("description", "")
        many.pop("title", None)
        schema["properties"]["cutter"] = {"anyOf": [{"$ref": "#/$defs/Cutter"}, many], "description": about}
        schema["required"] = ["units", *schema["required"]]
        return {
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            **schema,
            "title": "zrough job",
            "description": "Lengths and feeds in the unit of `units`; limits and defaults below are in mm.",
        }

    def _label(self) -> str:
        return self._source if self._source == "<dict>" else str(self._base_dir / self._source)

    def _check_files(self, confine: bool) -> None:
        home = os.path.realpath(self._base_dir)
        for key, name in self.files().items():
            real = os.path.realpath(os.path.join(home, name))
            if confine and (os.path.isabs(name) or os.path.commonpath([home, real]) != home):
                raise _refusal(
                    f'{self._label()}: {key} = "{name}": outside the job\'s folder, which is refused here; '
                    "put the file beside the job"
                )
            if key != "stock.file":  # a leftover map may be written by a setup that has yet to run
                self.file(name, key)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Job):
            return NotImplemented
        if self.model_dump() != other.model_dump() or self._base_dir != other._base_dir:
            return False
        mine, theirs = _arrays(self), _arrays(other)
        return len(mine) == len(theirs) and all(
            np.array_equal(a, b) for a, b in zip(mine, theirs, strict=True)
        )

    def __hash__(self) -> int:
        return hash((self.model_dump_json(), self._base_dir))


def _arrays(job: Job) -> list[NDArray[Any]]:
    return [*(job.mesh or ()), *((job.stock_map[1],) if job.stock_map else ())]


def _job_error(label: str, found: list[str]) -> JobError:
    more = (
        f" (and {len(found) - 1} more: {', '.join(f.split(':')[0] for f in found[1:4])})"
        if len(found) > 1
        else ""
    )
    error = _refusal(f"{label}: {found[0]}{more}")
    for line in found:
        error.add_note(line)
    return error


def _read_toml(file: Path) -> dict[str, Any]:
    try:
        if not file.is_file():
            what = "is not a plain file" if file.exists() else "no such file"
            raise _refusal(f"{file}: {what}; give the path of a job file (TOML)")
        size = file.stat().st_size
        if size > MAX_FILE:
            raise _refusal(
                f"{file}: {size / 1e6:.0f} MB; a job file may have at most {MAX_FILE / 1e6:.0f} MB"
            )
        data = file.read_bytes()
    except (OSError, ValueError) as exc:
        reason = getattr(exc, "strerror", None) or str(exc)
        raise _refusal(f"{file}: cannot be read: {reason}") from None
    try:
        raw = tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as exc:
        raise _refusal(
            f"{file}: byte {exc.start + 1} is not UTF-8 text; is this a job file (TOML)?"
        ) from None
    except tomllib.TOMLDecodeError as exc:
        raise _refusal(f"{file}: not valid TOML: {exc!s}; correct the line") from None
    except RecursionError:
        raise _refusal(f"{file}: tables or lists are nested too deep; at most {MAX_DEPTH} levels") from None
    except ValueError as exc:  # numbers beyond what Python converts
        raise _refusal(f"{file}: not valid TOML: {str(exc)[:120]}") from None
    plain = _plain(raw, str(file))
    return plain if isinstance(plain, dict) else {}


def _refusal(text: str) -> JobError:
    """A `JobError` on one line, whatever file names and values put into it."""
    return JobError("".join(c if c.isprintable() else "?" for c in text))


def _plain(value: Any, source: str, depth: int = 0) -> Any:
    """A deep copy in dicts, lists and plain numbers; numpy values become Python's."""
    if depth > MAX_DEPTH:
        raise _refusal(f"{source}: tables or lists are nested too deep; at most {MAX_DEPTH} levels")
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
    if isinstance(value, Table):
        value = value.model_dump(by_alias=True, exclude_unset=True)
    if isinstance(value, Mapping):
        return {str(key): _plain(inner, source, depth + 1) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner, source, depth + 1) for inner in value]
    return str(value) if isinstance(value, os.PathLike) else value


def _with_defaults(raw: dict[str, Any]) -> dict[str, Any]:
    """``raw`` with [cutter] as a list and the defaults that hang on another table; ``raw`` is left alone.

    None means "not given" everywhere, so that dicts may say so.
    """
    filled: dict[str, Any] = _without_none(raw)
    cutters = filled.get("cutter")
    if isinstance(cutters, dict):
        cutters = filled["cutter"] = [cutters]
    inch = filled.get("units") == "inch"
    first = None
    if isinstance(cutters, list):
        for i, cutter in enumerate(cutters):
            if isinstance(cutter, dict):
                cutter.setdefault("number", i + 1)
        first = cutters[0] if cutters and isinstance(cutters[0], dict) else None
    diameter = first.get("diameter") if first else None
    roughing = filled.setdefault("roughing", {})
    alone = isinstance(roughing, dict) and "stair_normal" in roughing  # such a limit asks for no other
    number = isinstance(diameter, int | float) and not isinstance(diameter, bool)
    if isinstance(roughing, dict) and diameter is not None and number and not alone:
        # In the file's own unit, like the diameter it comes from.
        roughing.setdefault("stair_height", diameter / 10 if 0 < diameter < 1e6 else 0.0)
    output = filled.setdefault("output", {})
    if isinstance(output, dict):
        output.setdefault("decimals", 5 if inch else 4)
    return filled


def _without_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_none(inner) for key, inner in value.items() if inner is not None}
    return [_without_none(v) for v in value] if isinstance(value, list) else value


def _picked(raw: Any, valid: Any) -> Any:
    """The part of ``valid`` that ``raw`` mentions; a lone [cutter] stays a table."""
    if isinstance(raw, dict):
        if isinstance(valid, tuple):
            valid = valid[0]
        return {key: _picked(value, valid[key]) for key, value in raw.items()}
    if isinstance(raw, list) and isinstance(valid, tuple):
        return [_picked(r, v) for r, v in zip(raw, valid, strict=True)]
    return valid


def _merged(old: Any, new: Any) -> Any:
    if not isinstance(new, dict):
        return new
    if isinstance(old, list) and old and isinstance(old[0], dict):
        return [_merged(old[0], new), *old[1:]]
    return {**(old if isinstance(old, dict) else {}), **new}


def _read_only(array: NDArray[Any]) -> NDArray[Any]:
    view = array.view()
    view.flags.writeable = False
    return view


def _file_digest(path: Path) -> bytes:
    try:
        with open(path, "rb") as stream:
            return hashlib.file_digest(stream, "sha256").digest()
    except OSError as exc:
        raise _refusal(f"{path}: cannot be read: {exc.strerror or exc}") from None
