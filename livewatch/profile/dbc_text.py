"""The text of a DBC, taken apart into its messages before anything believes it.

The text comes in; a `DbcText` goes out: each message with its lines, and all other statements. So one message that
contradicts itself, or a statement about something that is not there, costs only itself: `alone` gives the text of some
messages with the statements that belong to them.
"""

from __future__ import annotations

import re
from collections.abc import Container
from dataclasses import dataclass

from livewatch.data.frames import LARGEST_EXTENDED, LARGEST_STANDARD

__all__ = ["LINES_BEFORE", "LONGEST_MESSAGE", "DbcMessageText", "DbcText", "take_apart"]

LONGEST_MESSAGE = 4095
"""Bytes a message may have: what ISO 15765-2 carries in classical CAN."""
EXTENDED_MARK = 1 << 31
"""The bit by which a DBC says that an identifier has 29 bits."""
LINES_BEFORE = 4
"""The line that the message is on in what `alone` gives."""

_MESSAGE = re.compile(r"BO_\s+(?P<identifier>\d+)\s+(?P<name>\w+)\s*:\s*(?P<length>\d+)")
_SIGNAL = re.compile(r"SG_\s+(?P<name>\w+)")
_VALUES = re.compile(r"VAL_\s+(?P<identifier>\d+)\s+(?P<signal>\w+)\s")
_MULTIPLEXED = re.compile(r"SG_MUL_VAL_\s+(?P<identifier>\d+)\s+(?P<signal>\w+)\s+(?P<multiplexer>\w+)\s")
_FLOATING = re.compile(r"SIG_VALTYPE_\s+(?P<identifier>\d+)\s+(?P<signal>\w+)\s*:?\s*\d")
_CYCLE = re.compile(r'BA_\s+"GenMsgCycleTime"\s+BO_\s+(?P<identifier>\d+)\s+\d{1,7}(?:\.\d{1,6})?\s*;')
_CYCLE_DEFINED = (
    'BA_DEF_ BO_ "GenMsgCycleTime" FLOAT 0 10000000;\n'
    'BA_DEF_ BO_ "VFrameFormat" ENUM {formats};\n'
    'BA_DEF_DEF_ "GenMsgCycleTime" 0;\n'
    'BA_DEF_DEF_ "VFrameFormat" "StandardCAN";\n'
)
_FORMATS = ",".join(
    f'"{name}"' for name in ("StandardCAN", "ExtendedCAN", *["reserved"] * 12, "StandardCAN_FD", "ExtendedCAN_FD")
)
_FORMAT = re.compile(r'BA_\s+"VFrameFormat"\s+BO_\s+(?P<identifier>\d+)\s+\d{1,2}\s*;')


@dataclass(frozen=True, slots=True)
class DbcMessageText:
    """One message: its identifier as the file has it, its name, its declared bytes, the line it begins on, its lines,
    and its signals' names."""

    identifier: int
    name: str
    length: int
    line: int
    lines: tuple[str, ...]
    signals: frozenset[str]

    @property
    def marked(self) -> int:
        """The identifier with the mark of a 29-bit one, where it must be one and has none."""
        unmarked = LARGEST_STANDARD < self.identifier <= LARGEST_EXTENDED
        return self.identifier | EXTENDED_MARK if unmarked else self.identifier


@dataclass(frozen=True, slots=True)
class DbcText:
    """The whole: `messages` in order; `others`, the statements that are none of theirs, as they stand."""

    messages: tuple[DbcMessageText, ...]
    others: tuple[str, ...]

    def without(self, names: Container[str]) -> str:
        """The text as it stands, but for the messages of these names."""
        kept = [line for message in self.messages if message.name not in names for line in (*message.lines, "")]
        return "\n".join([*self._before, *kept, *self._behind, ""])

    def alone(self, message: DbcMessageText) -> str:
        """The text of one message, with the statements about it that make sense."""
        head = message.lines[0].replace(str(message.identifier), str(message.marked), 1)
        behind = []
        for line in self.others:
            for pattern in (_VALUES, _MULTIPLEXED, _FLOATING, _CYCLE, _FORMAT):
                found = pattern.match(line)
                if found and int(found["identifier"]) == message.identifier:
                    named = {found[key] for key in ("signal", "multiplexer") if key in pattern.groupindex}
                    if named <= message.signals:
                        behind.append(line.replace(found["identifier"], str(message.marked), 1))
        defined = _CYCLE_DEFINED.format(formats=_FORMATS)
        return "\n".join(['VERSION ""', "BS_:", "BU_:", head, *message.lines[1:], defined, *behind, ""])

    @property
    def _before(self) -> list[str]:
        return [line for line in self.others if line.startswith(_HEAD)]

    @property
    def _behind(self) -> list[str]:
        return [line for line in self.others if not line.startswith(_HEAD)]


_HEAD = ("VERSION", "NS_", "\t", "BS_", "BU_", "VAL_TABLE_")


def take_apart(text: str) -> DbcText:
    """The messages of a DBC, and everything else."""
    messages: list[DbcMessageText] = []
    others: list[str] = []
    open_lines: list[str] = []
    head: re.Match[str] | None = None
    begun = 0

    def close() -> None:
        if head is not None:
            signals = frozenset(found["name"] for line in open_lines if (found := _SIGNAL.match(line.strip())))
            identifier, length = (
                int(head[key]) if len(head[key]) < 12 else 1 << 40 for key in ("identifier", "length")
            )
            messages.append(DbcMessageText(identifier, head["name"], length, begun, tuple(open_lines), signals))

    for number, line in enumerate(text.splitlines(), 1):
        stripped = line.strip()
        if found := _MESSAGE.match(stripped):
            close()
            head, begun, open_lines = found, number, [stripped]
        elif head is not None and (_SIGNAL.match(stripped) or not stripped):
            if stripped:
                open_lines.append(" " + stripped)
        else:
            close()
            head = None
            others.append(line)
    close()
    return DbcText(tuple(messages), tuple(others))
