"""Classes made by `records.dataclass` beside those of the standard library, which says what a dataclass is."""

from __future__ import annotations

import copy
import dataclasses
import inspect
import pickle
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any, ClassVar

import pytest

from livewatch.data import records

Maker = Callable[..., Any]


def family(dataclass: Maker, **options: Any) -> SimpleNamespace:
    """Classes of all the kinds there are, made with these options."""

    @dataclass(**options)
    class Plain:
        """Two fields, one with a default."""

        word: ClassVar[str] = "plain"
        size: int
        unit: str = "kPa"

    @dataclass(**options)
    class Child(Plain):
        """More fields, one made anew for each, one not compared, one not shown."""

        word = "child"
        parts: list[int] = dataclasses.field(default_factory=list)
        note: str = dataclasses.field(default="", compare=False)
        secret: str | None = dataclasses.field(default=None, repr=False)

    @dataclass(**options)
    class Own:
        """Says some things itself."""

        size: float
        twice: float = dataclasses.field(default=0.0, init=False)

        def __post_init__(self) -> None:
            object.__setattr__(self, "twice", 2.0 * self.size)

        def __repr__(self) -> str:
            return f"<{self.size}>"

        def __hash__(self) -> int:
            return 7

    @dataclass(**options)
    class Nothing:
        """No field at all."""

    return SimpleNamespace(Plain=Plain, Child=Child, Own=Own, Nothing=Nothing)


OPTIONS = [
    {"frozen": frozen, "slots": slots, "eq": eq}
    for frozen in (False, True)
    for slots in (False, True)
    for eq in (False, True)
]


@pytest.mark.parametrize("options", OPTIONS, ids=str)
def test_a_record_is_what_the_standard_library_makes(options: dict[str, bool]) -> None:
    theirs, ours = family(dataclasses.dataclass, **options), family(records.dataclass, **options)
    assert _told(ours) == _told(theirs)


def _told(kinds: SimpleNamespace) -> list[Any]:
    """Everything one can find out about the classes and what they make."""
    found: list[Any] = []
    made = [
        kinds.Plain(1), kinds.Plain(1, "bar"), kinds.Plain(size=1), kinds.Child(1), kinds.Child(1, parts=[2]),
        kinds.Child(1, note="seen"), kinds.Child(1, secret="x"), kinds.Own(1.5), kinds.Own(1.5), kinds.Nothing(),
    ]  # fmt: skip
    for one in made:
        found += [repr(one), dataclasses.asdict(one), [one == other for other in made], hasattr(one, "__dict__")]
        found += [dataclasses.asdict(copy.deepcopy(one)), dataclasses.asdict(copy.copy(one)), type(one).__match_args__]
        found.append(_or_error(lambda one=one: len({one, copy.deepcopy(one)})))
    for one in made[:-1]:
        found.append(_or_error(lambda one=one: setattr(copy.copy(one), "size", 9)))
        found.append(_or_error(lambda one=one: delattr(copy.copy(one), "size")))
    first = kinds.Child(1).parts
    found += [first is kinds.Child(1).parts, dataclasses.replace(kinds.Plain(1), unit="psi").unit, kinds.Child.word]
    for kind in vars(kinds).values():
        found += [str(inspect.signature(kind)), kind.__doc__, kind.__name__, [f.name for f in dataclasses.fields(kind)]]
    found += [
        _or_error(lambda: kinds.Plain()),
        _or_error(lambda: kinds.Plain(1, 2, 3)),
        _or_error(lambda: kinds.Plain(weight=1)),
    ]
    return found


def _or_error(call: Callable[[], Any]) -> Any:
    try:
        return call()
    except Exception as error:
        return type(error).__name__, str(error).rpartition(".")[2]


@records.dataclass(frozen=True, slots=True)
class Sent:
    """Goes to another process."""

    size: int
    next: Sent | None = None


def test_a_record_goes_to_another_process_and_a_circle_of_them_can_be_shown() -> None:
    sent = Sent(1, Sent(2))
    assert pickle.loads(pickle.dumps(sent)) == sent
    object.__setattr__(sent, "next", sent)
    assert repr(sent) == "Sent(size=1, next=...)"
