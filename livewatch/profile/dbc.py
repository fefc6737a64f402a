"""DBC files, as they stand, to messages.

The bytes of a DBC come in; `Message`s of one bus go out, with the cycle times the file declares. cantools parses;
decoding is not its business here. A message whose signals overlap or do not fit, whose identifier is none, or whose
text cannot be read, is left out and named with all that is wrong; the rest is read. `DbcError` means that nothing can
be used.
"""

from __future__ import annotations

import re
from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from livewatch.data.frames import LARGEST_EXTENDED, LARGEST_STANDARD
from livewatch.data.outside import read_file
from livewatch.errors import LivewatchError, nearest
from livewatch.profile.dbc_text import LINES_BEFORE, LONGEST_MESSAGE, DbcText, take_apart
from livewatch.profile.model import Message, Signal

if TYPE_CHECKING:
    from cantools.database.can import Message as CantoolsMessage

__all__ = ["Dbc", "DbcError", "load_dbc", "read_dbc"]

LONGEST_CYCLE = 3_600_000
"""Milliseconds: a longer one is a mistake."""
LARGEST_NUMBER = 10**30
"""Scales and offsets beyond it are a mistake."""
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
    extended); the messages that were left out, by name, with what is wrong with each; and what else was odd."""

    messages: tuple[Message, ...]
    cycles: Mapping[tuple[int, bool], int]
    left_out: Mapping[str, str]
    remarks: tuple[str, ...] = ()


def load_dbc(path: Path, bus: str) -> Dbc:
    """What the DBC file at `path` declares, its messages as those of `bus`.

    Raises:
        DbcError: the file cannot be read, or no message in it can be used.
    """
    try:
        content = read_file(path)
    except OSError as error:
        raise DbcError(str(path), [f"cannot be read: {error.strerror or error}"]) from None
    return read_dbc(content, path.name, bus)


def read_dbc(content: bytes, file: str, bus: str, only: Sequence[str] | None = None) -> Dbc:
    """What the bytes of a DBC declare. A message that cannot be used is left out and named.

    Args:
        file: how messages name it.
        bus: the bus its messages are on.
        only: the messages to take, by name; None takes all. What is wrong with the others does not matter then.

    Raises:
        DbcError: no message can be used, or a wanted one is not there or contradictory.
    """
    text = take_apart(_decoded(content, file))
    names = {message.name for message in text.messages} - {PLACEHOLDER}
    problems = [f"has no message {name!r}{nearest(name, names)}" for name in only or () if name not in names]
    found, left_out = _parsed(text, None if only is None else set(only), file)
    taken: dict[tuple[int, bool], CantoolsMessage] = {}
    for message in found:
        contradictions = _contradictions(message)
        earlier = taken.get((message.frame_id, message.is_extended_frame))
        if earlier is not None:
            contradictions.append(f"message {message.name} has the identifier of {earlier.name}")
        if contradictions:
            left_out[message.name] = "; ".join(contradictions)
        else:
            taken[message.frame_id, message.is_extended_frame] = message
    problems += [left_out[name] for name in only or () if name in left_out]
    if left_out and not taken and not problems:
        problems = list(left_out.values())
    if problems:
        raise DbcError(file, problems)
    kept = {message.name for message in taken.values()}
    remarks = tuple(
        f"message {message.name} on line {message.line} has the identifier 0x{message.identifier:X}, more than 11 bits "
        "without the mark of 29: read as one of 29 bits"
        for message in text.messages
        if message.marked != message.identifier and message.name in kept
    )
    if not text.messages:
        remarks = ("declares no message: it may be a part that another file is made of",)
    cycles = {key: cycle for key, message in taken.items() if (cycle := _cycle(message))}
    return Dbc(tuple(_message(message, bus) for message in taken.values()), cycles, left_out, remarks)


def _parsed(text: DbcText, only: Container[str] | None, file: str) -> tuple[list[CantoolsMessage], dict[str, str]]:
    """The messages as cantools reads them, and what is wrong with those that it cannot read."""
    left_out: dict[str, str] = {}
    for message in text.messages:
        if message.length > LONGEST_MESSAGE:
            left_out[message.name] = (
                f"message {message.name} on line {message.line} has {message.length} bytes, at most "
                f"{LONGEST_MESSAGE} can be"
            )
    wanted = [
        message
        for message in text.messages
        if message.name not in left_out and message.name != PLACEHOLDER and (only is None or message.name in only)
    ]
    try:
        if any(message.marked != message.identifier for message in wanted):
            raise ValueError("identifiers to be marked")
        skipped = {message.name for message in text.messages} - {message.name for message in wanted}
        return _load(text.without(skipped - {PLACEHOLDER})), left_out
    except Exception as error:  # cantools lets KeyError and friends through on broken references
        if not text.messages:
            problem = f'is no DBC that can be read: {_reason(error)}: expected text that begins like `VERSION ""`'
            raise DbcError(file, [problem]) from None
        found = []
        for message in wanted:
            try:
                found += _load(text.alone(message))
            except Exception as error:
                left_out[message.name] = (
                    f"message {message.name} on line {message.line} cannot be read: "
                    f"{_reason(error, message.line - LINES_BEFORE)}"
                )
        return found, left_out


def _load(text: str) -> list[CantoolsMessage]:
    from livewatch.data.python_can import cantools  # late, because it takes a while and most commands need no DBC

    database = cantools().database.load_string(text, "dbc", strict=False, prune_choices=False)
    return [message for message in database.messages if message.name != PLACEHOLDER]


def _cycle(message: CantoolsMessage) -> int:
    """Nanoseconds between its frames, 0 where it does not say."""
    cycle = message.cycle_time  # whatever stands there: cantools does not look
    if not isinstance(cycle, int | float) or not 0 < cycle < LONGEST_CYCLE:
        return 0
    return round(cycle * 1_000_000)


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


def _reason(error: Exception, lines: int = 0) -> str:
    """What cantools says; `lines` stand before the text it read."""
    said = " ".join(str(error).removeprefix("DBC: ").strip('"').split())
    place = re.match(r"Invalid syntax at line (\d+), column (\d+)", said)
    return (
        f"line {int(place[1]) + lines}, column {place[2]} makes no sense there"
        if place
        else said or type(error).__name__
    )


def _contradictions(message: CantoolsMessage) -> list[str]:
    names = [signal.name for signal in message.signals]
    twice = sorted({name for name in names if names.count(name) > 1})
    problems = [f"message {message.name} has two signals {name}" for name in twice]
    limit = LARGEST_EXTENDED if message.is_extended_frame else LARGEST_STANDARD
    if message.frame_id > limit:
        problems.append(f"message {message.name} has the identifier 0x{message.frame_id:X}, beyond 0x{limit:X}")
    for signal in message.signals:
        if signal.length > 64:
            problems.append(
                f"signal {signal.name} of message {message.name} has {signal.length} bits, at most 64 can be"
            )
        elif signal.is_float and signal.length not in (16, 32, 64):
            problems.append(f"signal {signal.name} of message {message.name} is a float of {signal.length} bits")
        if not all(-LARGEST_NUMBER <= number <= LARGEST_NUMBER for number in (signal.scale, signal.offset)):
            problems.append(f"signal {signal.name} of message {message.name} has a scale or offset beyond 1e30")
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
