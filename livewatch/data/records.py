"""`dataclass` as the standard library has it, made in a third of the time.

A start makes more than a hundred such classes, and the standard library compiles six functions for each (up to Python
3.12): a quarter of the time of a short command. Here only `__init__` is compiled. A class goes in, the same class as
from `dataclasses.dataclass` comes out, with fields, `replace`, pattern matching, copies and errors alike;
`tests/data/test_records.py` holds one beside the other. It knows the options `frozen`, `slots` and `eq`, but not
`InitVar` nor fields by keyword alone. All classes of a family are to be made here, or none.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import field, fields, replace
from operator import attrgetter
from reprlib import recursive_repr
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dataclasses import dataclass

__all__ = ["dataclass", "field", "fields", "replace"]


class _Anew:
    """In the place of a default that is made anew for each object."""

    def __repr__(self) -> str:
        return "<factory>"


ANEW = _Anew()


def _dataclass(cls: type | None = None, /, *, frozen: bool = False, slots: bool = False, eq: bool = True) -> Any:
    def made(kind: type) -> Any:
        return _made(kind, frozen, slots, eq)

    return made if cls is None else made(cls)


def _made(kind: type, frozen: bool, slots: bool, eq: bool) -> Any:
    own_hash = kind.__dict__.get("__hash__") is not None
    cls: Any = dataclasses.dataclass(init=False, repr=False, eq=False, slots=slots)(kind)
    own, known = cls.__dict__, fields(cls)
    if "__init__" not in own:
        cls.__init__ = _init(cls, known, frozen)
    if "__repr__" not in own:
        cls.__repr__ = _shown
    if eq:
        values = _values([one.name for one in known if one.compare])
        if "__eq__" not in own:
            cls.__eq__ = _equality(values)
        if not own_hash:
            cls.__hash__ = (lambda self: hash(values(self))) if frozen else None
    if frozen:
        cls.__setattr__, cls.__delattr__ = _not_set, _not_deleted
        if slots and "__getstate__" not in own:
            cls.__getstate__, cls.__setstate__ = _state, _set_state
    return cls


def _init(cls: type, known: Sequence[dataclasses.Field[Any]], frozen: bool) -> Callable[..., None]:
    """Sets the fields in their order; what stands for a default is in the function's own globals."""
    there: dict[str, Any] = {"_set": object.__setattr__, "_anew": ANEW}
    arguments, lines = ["self"], []
    for one in known:
        name, value = one.name, one.name
        if one.default_factory is not dataclasses.MISSING:
            there[f"_make_{name}"] = one.default_factory
            default = "=_anew"
            value = f"_make_{name}() if {name} is _anew else {name}" if one.init else f"_make_{name}()"
        elif one.default is not dataclasses.MISSING:
            there[f"_usual_{name}"] = one.default
            default = f"=_usual_{name}"
            value = name if one.init else f"_usual_{name}"
        else:
            default = ""
            if not one.init:
                continue
        if one.init:
            arguments.append(name + default)
        lines.append(f" _set(self, {name!r}, {value})" if frozen else f" self.{name} = {value}")
    if hasattr(cls, "__post_init__"):
        lines.append(" self.__post_init__()")
    exec(f"def __init__({', '.join(arguments)}):\n" + ("\n".join(lines) or " pass"), there)
    made: Callable[..., None] = there["__init__"]
    made.__module__, made.__qualname__ = cls.__module__, f"{cls.__qualname__}.__init__"
    made.__annotations__ = {**{one.name: one.type for one in known if one.init}, "return": None}
    return made


def _values(names: Sequence[str]) -> Callable[[Any], tuple[Any, ...]]:
    """The values of these fields, as a tuple."""
    if not names:
        return lambda _: ()
    value = attrgetter(*names)
    return value if len(names) > 1 else lambda record: (value(record),)


def _equality(values: Callable[[Any], tuple[Any, ...]]) -> Callable[[Any, object], Any]:
    def equal(self: Any, other: object) -> Any:
        return values(self) == values(other) if other.__class__ is self.__class__ else NotImplemented

    return equal


@recursive_repr("...")
def _shown(self: Any) -> str:
    known = [f"{one.name}={getattr(self, one.name)!r}" for one in fields(self) if one.repr]
    return f"{type(self).__qualname__}({', '.join(known)})"


def _not_set(_: Any, name: str, value: Any) -> None:
    raise dataclasses.FrozenInstanceError(f"cannot assign to field {name!r}")


def _not_deleted(_: Any, name: str) -> None:
    raise dataclasses.FrozenInstanceError(f"cannot delete field {name!r}")


def _state(self: Any) -> list[Any]:
    return [getattr(self, one.name) for one in fields(self)]


def _set_state(self: Any, state: Sequence[Any]) -> None:
    for one, value in zip(fields(self), state, strict=True):
        object.__setattr__(self, one.name, value)


if not TYPE_CHECKING:
    dataclass = _dataclass
