"""YAML with places: a user's text to plain data, every key and value with its line and column.

`read_document` turns the text of a profile, a build sheet or any other YAML into a `Document`; `Document.validate`
checks it against a pydantic model and turns what pydantic finds into `Mistake`s that say what was found, what was
expected and the nearest right name; `merged` lays one document over another. Nothing in a text can run code,
and no text can exhaust the stack or the memory. Scalars follow YAML 1.2 (`on`, `off`, `yes` and `no` are words; only
`true` and `false` are truth; 0x1A4 is a number); duplicate keys are mistakes.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

import yaml
from pydantic import BaseModel, ValidationError

from livewatch.errors import Mistake, MistakesError
from livewatch.profile.schema_findings import problem_of

__all__ = ["NO_KIND", "Document", "KeyPath", "Spot", "merged", "plain_scalar", "read_document"]

KeyPath = tuple[str | int, ...]
"""Keys and list positions from the top down to a value."""
Model = TypeVar("Model", bound=BaseModel)

LARGEST = 16_000_000
"""Characters of a text."""
SPARE_VALUES, VALUES_A_CHARACTER = 10_000, 10
"""A text may hold so many values, and so many more for each of its characters: only aliases of aliases hold more."""
DEEPEST = 50
LONGEST_NUMBER = 40
"""Digits; a longer whole number is read as one with a fraction, a longer hexadecimal one as text."""
NO_KIND = "value_kind"
"""pydantic's name, as the schemas give it, for a mapping without the key that says which kind it is."""
HIDDEN = "<"
"""First character of the tags pydantic puts into a location for a union; they are no keys."""

_INTEGER = re.compile(r"[+-]?[0-9]+\Z")
_HEXADECIMAL = re.compile(r"0x[0-9a-fA-F]+\Z")
_FLOAT = re.compile(r"[+-]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][+-]?[0-9]+)?\Z")
_INFINITE = re.compile(r"([+-]?)\.(?:inf|Inf|INF)\Z")
_WORDS: Mapping[str, bool | float | None] = {
    **dict.fromkeys(("", "~", "null", "Null", "NULL"), None),
    **dict.fromkeys(("true", "True", "TRUE"), True),
    **dict.fromkeys(("false", "False", "FALSE"), False),
    **dict.fromkeys((".nan", ".NaN", ".NAN"), float("nan")),
}


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a value stands: 1-based lines and columns of its key and of itself. `first` is the column of the first
    character of its text, 0 where the text does not stand on one line."""

    file: str
    key_line: int
    key_column: int
    line: int
    column: int
    first: int = 0


@dataclass
class Document:
    """A text as plain data.

    Attributes:
        file: as messages name it.
        data: dicts, lists, text, numbers, truth and None.
        spots: the place of every value by its path.
        mistakes: found so far.
        broken: paths of values that `validate` had to leave out because they are wrong.
    """

    file: str
    data: Any
    spots: dict[KeyPath, Spot]
    mistakes: list[Mistake] = field(default_factory=list)
    broken: set[KeyPath] = field(default_factory=set)

    def spot(self, path: KeyPath) -> Spot:
        """The place of a value, or of the nearest one around it."""
        while path not in self.spots and path:
            path = path[:-1]
        return self.spots.get(path, Spot(self.file, 1, 1, 1, 1))

    def wrong(self, path: KeyPath, problem: str, *, key: bool = False, offset: int | None = None) -> None:
        """Note a mistake at a value, at its key, or at one character of its text."""
        spot = self.spot(path)
        if key:
            self.mistakes.append(Mistake(spot.file, spot.key_line, spot.key_column, problem))
        elif offset is not None and spot.first:
            self.mistakes.append(Mistake(spot.file, spot.line, spot.first + offset, problem))
        else:
            self.mistakes.append(Mistake(spot.file, spot.line, spot.column, problem))

    def raise_mistakes(self) -> None:
        """Raise all mistakes noted so far, if any."""
        if self.mistakes:
            raise MistakesError(self.mistakes)

    def validate(self, model: type[Model]) -> Model | None:
        """The data as `model`. What does not fit is noted as a mistake and left out, so that the rest can be looked at
        too; None when nothing usable is left."""
        data = _copied(self.data)
        while True:
            try:
                return model.model_validate(data)
            except ValidationError as error:
                gone: set[KeyPath] = set()
                for finding in error.errors(include_url=False):
                    path = _plain_path(finding["loc"])
                    missing = finding["type"] == "missing"
                    where = path[:-1] if missing else path
                    at_key = missing or finding["type"] == "extra_forbidden" or "[key]" in finding["loc"]
                    if not self._left_out_before(path, finding["type"]):
                        self.wrong(where, problem_of(model, finding), key=at_key)
                    gone.add(where)
                for path in sorted(gone, key=_order, reverse=True):
                    if not self._leave_out(data, path):
                        return None

    def is_broken(self, path: KeyPath) -> bool:
        """Whether the value, or one it is part of, was left out as wrong."""
        return any(path[:length] in self.broken for length in range(1, len(path) + 1))

    def _left_out_before(self, path: KeyPath, kind: str) -> bool:
        """Whether a finding only says that something wrong, noted already, is no longer there."""
        if kind == "missing":
            return path in self.broken
        return kind == NO_KIND and any(broken[: len(path)] == path for broken in self.broken)

    def _leave_out(self, data: Any, path: KeyPath) -> bool:
        """Remove the value at `path`, or the nearest one around it that exists; False when that is everything."""
        holder, found = data, 0
        for found, key in enumerate(path):
            inner = _inner(holder, key)
            if inner is _NOTHING:
                return self._leave_out(data, path[:found])
            if found < len(path) - 1:
                holder = inner
        if not path:
            return False
        self.broken.add(path)
        del holder[path[-1]]
        if isinstance(holder, list):
            self._close_gap(path[:-1], int(path[-1]))
        return True

    def _close_gap(self, above: KeyPath, gone: int) -> None:
        """Move the places of list items behind the one that is gone."""
        depth = len(above)
        moved = {}
        for path, spot in self.spots.items():
            if path[:depth] == above and len(path) > depth and isinstance(path[depth], int):
                position = int(path[depth])
                if position == gone:
                    continue
                path = (*above, position - (position > gone), *path[depth + 1 :])
            moved[path] = spot
        self.spots = moved


def read_document(text: str, file: str) -> Document:
    """Read a YAML text; duplicate keys are noted in `Document.mistakes`.

    Raises:
        MistakesError: it is no YAML.
    """
    if len(text) > LARGEST:
        raise MistakesError([Mistake(file, 0, 0, f"has {len(text)} characters: at most {LARGEST} are read")])
    loader = yaml.CSafeLoader if hasattr(yaml, "CSafeLoader") else yaml.SafeLoader
    try:
        node = yaml.compose(text, loader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        said = " ".join(part for part in (error.context, error.problem) if part)
        lines = text.splitlines()
        if mark and mark.line < len(lines) and "\t" in lines[mark.line][: mark.column + 1]:
            said = "found a tab, expected spaces: YAML is indented with spaces only; replace each tab by two"
        line, column = (mark.line + 1, mark.column + 1) if mark else (0, 0)
        raise MistakesError([Mistake(file, line, column, f"is no YAML here: {said}")]) from None
    except (yaml.YAMLError, ValueError) as error:
        raise MistakesError([Mistake(file, 0, 0, f"is no YAML: {' '.join(str(error).split())}")]) from None
    except RecursionError:
        raise MistakesError([Mistake(file, 0, 0, f"is nested more than {DEEPEST} levels deep")]) from None
    document = Document(file, None, {})
    if node is not None:
        document.data = _NodeReader(document, SPARE_VALUES + VALUES_A_CHARACTER * len(text)).value(node, (), None)
    return document


class _NodeReader:
    """Walks the node tree that the YAML parser composed."""

    def __init__(self, document: Document, most: int) -> None:
        self._document = document
        self._left = most

    def value(self, node: yaml.Node, path: KeyPath, key: yaml.Node | None) -> Any:
        document = self._document
        mark = node.start_mark
        self._left -= 1
        if len(path) > DEEPEST or self._left < 0:
            limit = f"nested more than {DEEPEST} levels deep" if len(path) > DEEPEST else "far too large"
            raise MistakesError([Mistake(document.file, mark.line + 1, mark.column + 1, f"is {limit}")])
        key_mark = key.start_mark if key else mark
        first = 0
        if isinstance(node, yaml.ScalarNode) and mark.line == node.end_mark.line and node.style not in ("|", ">"):
            first = mark.column + (2 if node.style else 1)
        document.spots[path] = Spot(
            document.file, key_mark.line + 1, key_mark.column + 1, mark.line + 1, mark.column + 1, first
        )
        if isinstance(node, yaml.ScalarNode):
            return node.value if node.style else plain_scalar(node.value)
        if isinstance(node, yaml.SequenceNode):
            return [self.value(inner, (*path, position), None) for position, inner in enumerate(node.value)]
        assert isinstance(node, yaml.MappingNode)
        data: dict[Any, Any] = {}
        for key_node, inner in node.value:
            self._entry(data, key_node, inner, path)
        return data

    def _entry(self, data: dict[Any, Any], key_node: yaml.Node, inner: yaml.Node, path: KeyPath) -> None:
        document = self._document
        line, column = key_node.start_mark.line + 1, key_node.start_mark.column + 1
        if not isinstance(key_node, yaml.ScalarNode):
            document.mistakes.append(Mistake(document.file, line, column, "a key must be a name or a number"))
            return
        key = key_node.value if key_node.style else plain_scalar(key_node.value)
        if isinstance(key, bool | float) or key is None:
            key = key_node.value
        if key in data:
            earlier = document.spots[(*path, key)].key_line
            problem = f"the key {key!r} is here twice: the first is on line {earlier}"
            document.mistakes.append(Mistake(document.file, line, column, problem))
            return
        data[key] = self.value(inner, (*path, key), key_node)


def plain_scalar(text: str) -> Any:
    """What an unquoted scalar means: a number, truth, None or the text itself."""
    if text in _WORDS:
        return _WORDS[text]
    if _INTEGER.match(text):
        return int(text) if len(text) < LONGEST_NUMBER else float(text)
    if _HEXADECIMAL.match(text) and len(text) < LONGEST_NUMBER:
        return int(text, 16)
    if _FLOAT.match(text):
        return float(text)
    if infinite := _INFINITE.match(text):
        return float(infinite[1] + "inf")
    return text


def merged(base: Document, over: Document, added: Sequence[KeyPath] = ()) -> Document:
    """`over` laid over `base`: mappings merge by key, null removes what the base has, anything else replaces it.

    Lists at the paths in `added` are put behind the base's. Mistakes of both are kept. Places stay those of the file
    each value comes from.
    """
    result = Document(over.file, None, {}, [*base.mistakes, *over.mistakes])
    result.data = _merge(base, over, (), result, frozenset(added))
    return result


def _merge(base: Document, over: Document, path: KeyPath, result: Document, added: frozenset[KeyPath]) -> Any:
    below, above = _at(base.data, path), _at(over.data, path)
    result.spots[path] = over.spot(path)
    if isinstance(below, dict) and isinstance(above, dict):
        data = {}
        for key in dict.fromkeys((*below, *above)):
            inner = (*path, key)
            if key not in above:
                data[key] = _taken(base, inner, inner, result)
            elif key not in below:
                data[key] = _taken(over, inner, inner, result)
            elif above[key] is not None:
                data[key] = _merge(base, over, inner, result, added)
        return data
    if path in added and isinstance(below, list) and isinstance(above, list):
        first = [_taken(base, (*path, place), (*path, place), result) for place in range(len(below))]
        then = [_taken(over, (*path, place), (*path, len(below) + place), result) for place in range(len(above))]
        return first + then
    return _taken(over, path, path, result)


def _taken(source: Document, path: KeyPath, target: KeyPath, result: Document) -> Any:
    """The value at `path` of `source` with all its places, as the one at `target` of `result`."""
    result.spots[target] = source.spot(path)
    value = _at(source.data, path)
    if isinstance(value, dict):
        return {key: _taken(source, (*path, key), (*target, key), result) for key in value}
    if isinstance(value, list):
        return [_taken(source, (*path, place), (*target, place), result) for place in range(len(value))]
    return value


def _at(data: Any, path: KeyPath) -> Any:
    for key in path:
        data = data[key]
    return data


def _plain_path(location: Sequence[str | int]) -> KeyPath:
    """pydantic's location of a finding as a path, without the tags it adds for unions and keys."""
    return tuple(key for key in location if not (isinstance(key, str) and (key.startswith(HIDDEN) or key == "[key]")))


def _order(path: KeyPath) -> list[tuple[int, int, str]]:
    """So that list positions can be removed from the last to the first."""
    return [(0, key, "") if isinstance(key, int) else (1, 0, key) for key in path]


_NOTHING = object()


def _inner(holder: Any, key: str | int) -> Any:
    if isinstance(holder, dict):
        return holder.get(key, _NOTHING)
    if isinstance(holder, list) and isinstance(key, int) and key < len(holder):
        return holder[key]
    return _NOTHING


def _copied(data: Any) -> Any:
    if isinstance(data, dict):
        return {key: _copied(value) for key, value in data.items()}
    return [_copied(value) for value in data] if isinstance(data, list) else data
