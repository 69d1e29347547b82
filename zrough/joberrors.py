"""Validation findings -> one line each: key path, value, limit, remedy."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

_NAMES = {  # what a wrong type should have been
    "float_type": "a number without quotes",
    "int_type": "a whole number without quotes",
    "int_from_float": "a whole number",
    "string_type": "text in quotes",
    "bool_type": "true or false",
    "tuple_type": "a list in [ ]",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "finite_number": "a finite number",
}


def key_path(loc: Sequence[str | int], single_cutter: bool) -> str:
    """``("cutter", 1, "diameter")`` -> ``cutter[1].diameter``; a lone [cutter] table has no number."""
    text = ""
    for i, step in enumerate(loc):
        if isinstance(step, int):
            text += "" if single_cutter and i == 1 and loc[0] == "cutter" else f"[{step}]"
        else:
            text += f".{step}" if text else step
    return text


def _shown(value: Any) -> str:
    """A value as the file has it, cut short."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        text = "".join(c if c.isprintable() else "?" for c in value[:41])
        return f'"{text[:37]}..."' if len(value) > 40 else f'"{text}"'
    if isinstance(value, int | float):
        try:
            text = repr(value)
        except ValueError:  # an integer beyond Python's limit for printing
            return "a huge number"
        return text if len(text) <= 40 else "a huge number"
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        text = str(list(value)) if len(value) <= 4 else ""
        return text if text and len(text) <= 60 else f"a list of {len(value)}"
    return type(value).__name__


def _lookup(raw: Any, loc: Sequence[str | int]) -> Any:
    for step in loc:
        try:
            raw = raw[step]
        except (KeyError, IndexError, TypeError):
            return None
    return raw


def _model_at(root: type[BaseModel], loc: Sequence[str | int]) -> type[BaseModel] | None:
    """The model whose field ``loc`` names, reading through lists and options."""
    model: type[BaseModel] | None = root
    for step in loc:
        if isinstance(step, int):
            continue
        if model is None:
            return None
        fields = {f.alias or n: f for n, f in model.model_fields.items()}
        model = _inner_model(fields[step].annotation) if step in fields else None
    return model


def _inner_model(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for m in map(_inner_model, get_args(annotation)) if m), None)


def _homes(root: type[BaseModel], key: str) -> list[str]:
    """Tables of the job that know ``key``."""
    homes = []
    for name, field in root.model_fields.items():
        inner = _inner_model(field.annotation)
        if inner and key in inner.model_fields:
            homes.append(field.alias or name)
    return homes


def _unknown(root: type[BaseModel], loc: Sequence[str | int]) -> str:
    key = str(loc[-1])
    model = _model_at(root, loc[:-1])
    known = [f.alias or n for n, f in model.model_fields.items()] if model else []
    near = get_close_matches(key, known, n=1, cutoff=0.6)
    if near:
        return f"unknown key; did you mean {near[0]}?"
    homes = _homes(root, key)
    if homes:
        return f"unknown key here; it belongs in [{homes[0]}]"
    return f"unknown key; known here: {', '.join(known)}"


def _limit(kind: str, ctx: Mapping[str, Any], inch: bool) -> str:
    words = {
        "greater_than": ("above", "gt"),
        "greater_than_equal": ("at least", "ge"),
        "less_than": ("below", "lt"),
        "less_than_equal": ("at most", "le"),
    }
    word, key = words[kind]
    limit = ctx[key]
    note = " (limit in mm)" if inch and limit else ""
    return f"must be {word} {limit:g}{note}"


def _remark(error: Mapping[str, Any], value: Any, inch: bool) -> str:
    """What is wrong with a known key."""
    kind = error["type"]
    ctx = error.get("ctx", {})
    if kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal"):
        return _limit(kind, ctx, inch)
    if kind == "literal_error":
        allowed = ctx["expected"].replace("'", '"')
        near = get_close_matches(
            str(value), [w.strip('" ') for w in allowed.replace(" or ", ", ").split(",")], n=1
        )
        return f"must be {allowed}" + (f'; did you mean "{near[0]}"?' if near else "")
    if kind == "too_short":
        least = ctx["min_length"]
        return f"needs at least {least} {'entry' if least == 1 else 'entries'}, has {ctx['actual_length']}"
    if kind == "too_long":
        return f"may have at most {ctx['max_length']} entries, has {ctx['actual_length']}"
    if kind == "string_too_short":
        return "must not be empty"
    if kind == "string_too_long":
        return f"may have at most {ctx['max_length']} characters"
    if kind == "string_pattern_mismatch":
        if "x00" in str(ctx.get("pattern")):
            return "must not hold control characters"
        return "must be G54 to G59, G54.1 P1 and on, or none"
    if kind in _NAMES:
        return f"must be {_NAMES[kind]}"
    return str(error["msg"])


def _description(root: type[BaseModel], loc: Sequence[str | int]) -> str:
    named = [s for s in loc if isinstance(s, str)]
    model = _model_at(root, named[:-1]) if named else None
    if model is None:
        return ""
    field = {f.alias or n: f for n, f in model.model_fields.items()}.get(named[-1])
    return (field.description or "") if field else ""


def _line(error: Mapping[str, Any], root: type[BaseModel], raw: Any, single: bool, inch: bool) -> str:
    loc = tuple(error["loc"])
    kind = error["type"]
    if kind == "across":
        return f"{key_path((*loc, error['ctx']['key']), single)}: {error['ctx']['text']}"
    path = key_path(loc, single) or "the job"
    if kind == "extra_forbidden":
        return f"{path}: {_unknown(root, loc)}"
    about = _description(root, loc)
    about = f"; meaning: {about}" if about else ""
    if kind == "missing":
        return f"{path}: missing, add it{about}"
    value = _lookup(raw, loc)
    return f"{path} = {_shown(value)}: {_remark(error, value, inch)}{about}"


def lines(exc: ValidationError, root: type[BaseModel], raw: Any, single: bool, inch: bool) -> list[str]:
    """One line for each finding, unknown keys first (a misspelt key also makes its twin missing)."""
    found = [e for e in exc.errors(include_url=False) if e["type"] != "default_factory_not_called"]
    # A list whose entries were refused is also reported as too short.
    inner = {e["loc"][: len(e["loc"]) - n] for e in found for n in range(1, len(e["loc"]))}
    found = [e for e in found if not (e["type"] == "too_short" and e["loc"] in inner)]
    found.sort(key=lambda e: e["type"] != "extra_forbidden")
    return [_line(e, root, raw, single, inch) for e in found]
