"""DBC files, as they stand, to messages.

The bytes of a DBC come in; `Message`s of one bus go out, with the cycle times the file declares. cantools parses;
decoding is not its business here. Signals that overlap or do not fit their message, text that cannot be read, and
syntax errors raise `DbcError`, which lists every problem found, not the first only.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from livewatch.data.outside import read_file
from livewatch.errors import LivewatchError, nearest
from livewatch.profile.model import Message, Signal

if TYPE_CHECKING:
    from cantools.database.can import Message as CantoolsMessage

__all__ = ["Dbc", "DbcError", "messages_from_dbc", "read_dbc"]

PLACEHOLDER = "VECTOR__INDEPENDENT_SIG_MSG"
"""The DBC format's own name for the message that holds signals of no message."""


class DbcError(LivewatchError):
    """A DBC that cannot be used; `problems` says everything that is wrong with it."""

    exit_code = 3

    def __init__(self, file: str, problems: Sequence[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(f"{file}: {problem}" for problem in self.problems))


@dataclass(frozen=True, slots=True)
class Dbc:
    """What a DBC declares: its messages, and nanoseconds between the frames of those that say so, by (identifier,
    extended)."""

    messages: tuple[Message, ...]
    cycles: Mapping[tuple[int, bool], int]


def messages_from_dbc(path: Path, bus: str) -> tuple[Message, ...]:
    """All messages of the DBC file at `path`, as those of `bus`.

    Raises:
        DbcError: the file cannot be read or used.
    """
    try:
        content = read_file(path)
    except OSError as error:
        raise DbcError(str(path), [f"cannot be read: {error.strerror or error}"]) from None
    return read_dbc(content, path.name, bus).messages


def read_dbc(content: bytes, file: str, bus: str, only: Sequence[str] | None = None) -> Dbc:
    """What the bytes of a DBC declare.

    Args:
        file: how messages name it.
        bus: the bus its messages are on.
        only: the messages to take, by name; None takes all. What is wrong with the others does not matter then.

    Raises:
        DbcError: it cannot be parsed, a wanted message is not there, or one taken is contradictory.
    """
    import cantools  # late, because it takes a while and most commands need no DBC

    text = _decoded(content, file)
    try:
        database = cantools.database.load_string(text, "dbc", strict=False, prune_choices=False)
    except Exception as error:  # cantools lets KeyError and friends through on broken references
        raise DbcError(file, [f"is no DBC that can be read: {_reason(error)}"]) from None
    assert isinstance(database, cantools.database.can.Database)
    found = [message for message in database.messages if message.name != PLACEHOLDER]
    names = [message.name for message in found]
    problems = [f"has no message {name!r}{nearest(name, names)}" for name in only or () if name not in names]
    taken = [message for message in found if only is None or message.name in only]
    for message in taken:
        problems += _contradictions(message)
    if problems:
        raise DbcError(file, problems)
    cycles = {
        (message.frame_id, message.is_extended_frame): message.cycle_time * 1_000_000
        for message in taken
        if message.cycle_time
    }
    return Dbc(tuple(_message(message, bus) for message in taken), cycles)


def _decoded(content: bytes, file: str) -> str:
    """The text: UTF-8, or else the Windows code page that DBC files are usually in."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        pass
    try:
        return content.decode("cp1252")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        problem = f"is neither UTF-8 nor Windows-1252 text: byte 0x{content[error.start]:02X} on line {line}"
        raise DbcError(file, [problem]) from None


def _reason(error: Exception) -> str:
    said = " ".join(str(error).removeprefix("DBC: ").strip('"').split())
    place = re.match(r"Invalid syntax at line (\d+), column (\d+)", said)
    return f"line {place[1]}, column {place[2]} makes no sense there" if place else said or type(error).__name__


def _contradictions(message: CantoolsMessage) -> list[str]:
    names = [signal.name for signal in message.signals]
    twice = sorted({name for name in names if names.count(name) > 1})
    problems = [f"message {message.name} has two signals {name}" for name in twice]
    limit = 0x1FFFFFFF if message.is_extended_frame else 0x7FF
    if message.frame_id > limit:
        problems.append(f"message {message.name} has the identifier 0x{message.frame_id:X}, beyond 0x{limit:X}")
    for signal in message.signals:
        if signal.length > 64:
            problems.append(
                f"signal {signal.name} of message {message.name} has {signal.length} bits, at most 64 can be"
            )
        elif signal.is_float and signal.length not in (16, 32, 64):
            problems.append(f"signal {signal.name} of message {message.name} is a float of {signal.length} bits")
    try:
        message.refresh(strict=True)
    except Exception as error:  # cantools raises its own Error, and others on multiplexers that lead nowhere
        problems.append(_lower(str(error)))
    return problems


def _lower(text: str) -> str:
    text = " ".join(text.split()).rstrip(".").removeprefix("The ")
    return text[:1].lower() + text[1:]


def _message(message: CantoolsMessage, bus: str) -> Message:
    selectors = {signal.multiplexer_signal for signal in message.signals if signal.multiplexer_ids is not None}
    return Message(
        bus,
        message.frame_id,
        message.is_extended_frame,
        message.name,
        message.length,
        tuple(_signal(signal, signal.name in selectors) for signal in message.signals),
        message.is_fd,
    )


def _signal(signal: Any, is_multiplexer: bool) -> Signal:
    selected = signal.multiplexer_ids is not None and signal.multiplexer_signal is not None
    return Signal(
        name=signal.name,
        start=signal.start,
        length=signal.length,
        order=signal.byte_order,
        kind="float" if signal.is_float else "signed" if signal.is_signed else "unsigned",
        scale=float(signal.scale),
        offset=float(signal.offset),
        unit=signal.unit or None,
        multiplexer=signal.multiplexer_signal if selected else None,
        multiplexer_values=_ranges(signal.multiplexer_ids) if selected else (),
        is_multiplexer=is_multiplexer,
        value_table={int(raw): str(word) for raw, word in (signal.choices or {}).items()},
    )


def _ranges(numbers: Iterable[int]) -> tuple[tuple[int, int], ...]:
    """Single numbers as inclusive ranges, ascending."""
    ranges: list[tuple[int, int]] = []
    for number in sorted(set(numbers)):
        if ranges and number == ranges[-1][1] + 1:
            ranges[-1] = (ranges[-1][0], number)
        else:
            ranges.append((number, number))
    return tuple(ranges)
