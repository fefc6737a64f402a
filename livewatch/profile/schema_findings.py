"""What pydantic finds wrong, in words for a person: what was found, what was expected, the nearest right name."""

from __future__ import annotations

import re
import types
import typing
from collections.abc import Mapping, Sequence
from typing import Annotated, Any

from pydantic import BaseModel

from livewatch.errors import nearest

__all__ = ["problem_of", "shown"]

_EXPECTED = {
    "string_type": "text",
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "float_parsing": "a number",
    "finite_number": "a finite number",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "dict_type": "names with values",
    "model_type": "names with values",
    "model_attributes_type": "names with values",
    "list_type": "a list",
    "tuple_type": "a list",
}
_LONGEST_SHOWN = 60
_FEW = 12


def problem_of(model: type[BaseModel], finding: Mapping[str, Any]) -> str:
    """One finding of a pydantic `ValidationError` on `model`, as the problem of a `Mistake`."""
    kind = finding["type"]
    location: tuple[str | int, ...] = finding["loc"]
    context: Mapping[str, Any] = finding.get("ctx", {})
    found = shown(finding.get("input"))
    if kind == "missing":
        return f"{location[-1]!r} is missing here"
    if kind == "extra_forbidden":
        if str(location[-1]).count(")") > str(location[-1]).count("("):
            return f"unknown key {location[-1]!r}: between {{ and }}, a formula with a comma in it needs quotes"
        keys = _keys_at(model, location[:-1])
        near = nearest(str(location[-1]), keys)
        return f"unknown key {location[-1]!r}{near or _listing(keys)}"
    if kind in ("literal_error", "enum"):
        words = re.findall(r"'([^']*)'", str(context.get("expected", ""))) or [str(context.get("expected", ""))]
        return f"found {found}, expected one of {', '.join(words)}{nearest(str(finding.get('input')), words)}"
    if kind == "value_error":
        return str(context["error"])
    if kind in _EXPECTED:
        return f"found {found}, expected {_EXPECTED[kind]}"
    if kind in ("greater_than_equal", "greater_than", "less_than_equal", "less_than"):
        limit = next(iter(context.values()))
        words = {"greater_than_equal": "at least", "less_than_equal": "at most"}.get(kind, kind.split("_")[0] + " than")
        return f"found {found}, expected {words} {limit}"
    if kind in ("too_short", "too_long", "string_too_short", "string_too_long"):
        return f"found {found}, expected {'more' if 'short' in kind else 'fewer'} of it"
    return f"found {found}: {str(finding['msg'])[:1].lower()}{str(finding['msg'])[1:]}"


def shown(value: object) -> str:
    """A found value, short enough for a message."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return "names with values"
    if isinstance(value, list | tuple):
        return "a list"
    text = repr(value)
    return text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 3] + "..."


def _listing(keys: Sequence[str]) -> str:
    return f": expected one of {', '.join(keys)}" if 0 < len(keys) <= _FEW else ""


def _keys_at(model: type[BaseModel], location: Sequence[str | int]) -> list[str]:
    """The keys that the model at `location` has."""
    candidates: list[Any] = [model]
    for key in location:
        candidates = [inner for candidate in candidates for inner in _inside(candidate, key)]
    keys: dict[str, None] = {}
    for candidate in candidates:
        for member in _members(candidate):
            if isinstance(member, type) and issubclass(member, BaseModel):
                keys |= {field.alias or name: None for name, field in member.model_fields.items()}
    return [key for key in keys if key not in getattr(model, "UNLISTED", ())]


def _inside(annotation: Any, key: str | int) -> list[Any]:
    """The annotations of what stands at `key` within something annotated so."""
    found: list[Any] = []
    for member in _members(annotation):
        origin, arguments = typing.get_origin(member), typing.get_args(member)
        if isinstance(member, type) and issubclass(member, BaseModel):
            found += [f.annotation for name, f in member.model_fields.items() if key in (name, f.alias)]
            if isinstance(key, str) and key.startswith("<"):
                found.append(member)
        elif origin is dict:
            found.append(arguments[1])
        elif origin in (list, tuple):
            found.append(arguments[0])
    return found


def _members(annotation: Any) -> list[Any]:
    """An annotation's alternatives, without `Annotated` and `None`."""
    origin = typing.get_origin(annotation)
    if origin is Annotated:
        return _members(typing.get_args(annotation)[0])
    if origin in (typing.Union, types.UnionType):
        return [member for part in typing.get_args(annotation) for member in _members(part)]
    return [annotation]
