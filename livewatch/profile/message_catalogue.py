"""Where every signal of a profile is packed: messages from DBC files and from the profile, in one catalogue.

Decode entries come in; a `MessageCatalogue` goes out, in which channels find the signal they name. Binding a channel
may add to a signal what the profile knows better (its unit, its invalid codes), so the messages are taken out at the
end.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

from livewatch.data.frames import LARGEST_STANDARD
from livewatch.errors import nearest
from livewatch.profile.dbc import DbcError, read_dbc
from livewatch.profile.document import Document, KeyPath
from livewatch.profile.model import Message, Signal
from livewatch.profile.schema import DbcEntry, FrameEntry, SignalChange, SignalEntry

__all__ = ["MessageCatalogue", "SignalKey", "read_messages", "signals_of"]

SignalKey = tuple[str, int, bool, str]
"""Bus, identifier, whether it is extended, signal name."""
MessageKey = tuple[str, int, bool]
ReadFile = Callable[[KeyPath, str], tuple[bytes, str] | None]
"""Reads the file named at a place of the profile: its bytes and its name for messages; None when it cannot be read
(then the mistake is noted)."""


class MessageCatalogue:
    """All messages, and the way to a signal by name.

    Attributes:
        messages: by (bus, identifier, extended), in the order they were declared.
        cycles: nanoseconds between frames, where known.
        complete: False when an entry was wrong, so that a signal not found may be no mistake.
        lost: signals that were wrong themselves.
        left_out: what is wrong with each message of a DBC that could not be used.
    """

    def __init__(self) -> None:
        self.messages: dict[MessageKey, Message] = {}
        self.cycles: dict[MessageKey, int] = {}
        self.complete = True
        self.lost: set[str] = set()
        self.left_out: list[str] = []
        self._signals: dict[SignalKey, Signal] = {}
        self._by_name: dict[str, list[SignalKey]] = {}

    def add(self, message: Message) -> str | None:
        """Take a message in; says what is wrong when its identifier is taken on that bus."""
        key = (message.bus, message.identifier, message.extended)
        if key in self.messages:
            name = identifier_text(message.identifier, message.extended)
            other = self.messages[key].name
            return f"message {message.name} has the identifier {name} on bus {message.bus}, which {other} has too"
        self.messages[key] = message
        for signal in message.signals:
            self._signals[(*key, signal.name)] = signal
            self._by_name.setdefault(signal.name, []).append((*key, signal.name))
        return None

    def signal(self, key: SignalKey) -> Signal:
        """The signal as it is known so far."""
        return self._signals[key]

    def change(self, key: SignalKey, signal: Signal) -> None:
        """What a signal is known to be from here on."""
        self._signals[key] = signal

    def find(self, reference: str) -> SignalKey | str:
        """The signal that `SIGNAL`, `MESSAGE.SIGNAL` or `BUS.MESSAGE.SIGNAL` names, or what is wrong with it. The
        message may be given by its identifier, 0x1A4 (three digits, or eight for an extended one)."""
        *where, name = reference.split(".")
        if len(where) > 2:
            return f"{reference!r} is no signal: expected SIGNAL, MESSAGE.SIGNAL or BUS.MESSAGE.SIGNAL"
        found = [key for key in self._by_name.get(name, ()) if self._matches(key, where)]
        if len(found) == 1:
            return found[0]
        if found:
            options = ", ".join(sorted(self._shortest(key) for key in found)[:6])
            return f"{reference!r} is in more than one message: write one of {options}"
        elsewhere = [self._shortest(key) for key in self._by_name.get(name, ())]
        if elsewhere:
            return f"unknown signal {reference!r} (did you mean {elsewhere[0]}?)"
        lost = [problem for problem in self.left_out if where and re.search(rf"\b{re.escape(where[-1])}\b", problem)]
        return f"unknown signal {reference!r}{nearest(name, self._by_name)}{f' ({lost[0]})' if lost else ''}"

    def reference(self, key: SignalKey) -> str:
        """The unmistakable name of a signal, which `find` finds."""
        bus, identifier, extended, name = key
        message = self.messages[(bus, identifier, extended)].name
        same = [other for other in self.messages.values() if (other.bus, other.name) == (bus, message)]
        if len(same) > 1 or "." in message:
            message = identifier_text(identifier, extended)
        return f"{bus}.{message}.{name}"

    def finished(self) -> tuple[Message, ...]:
        """All messages with their signals as known now."""
        return tuple(
            replace(message, signals=tuple(self._signals[(*key, signal.name)] for signal in message.signals))
            for key, message in self.messages.items()
        )

    def _matches(self, key: SignalKey, where: list[str]) -> bool:
        bus, identifier, extended, _ = key
        names = (self.messages[(bus, identifier, extended)].name, identifier_text(identifier, extended))
        return not where or (where[-1] in names and (len(where) == 1 or where[0] == bus))

    def _shortest(self, key: SignalKey) -> str:
        bus, message, name = self.reference(key).split(".")
        alone = sum(self._matches(other, [message]) for other in self._by_name[name]) == 1
        return f"{message}.{name}" if alone else f"{bus}.{message}.{name}"


def identifier_text(identifier: int, extended: bool) -> str:
    """0x1A4, or 0x18DAF110 with eight digits for an extended one."""
    return f"0x{identifier:08X}" if extended else f"0x{identifier:03X}"


def read_messages(entries: list[DbcEntry | FrameEntry], document: Document, read_file: ReadFile) -> MessageCatalogue:
    """All messages of the `decode` entries. Mistakes are noted in the document."""
    catalogue = MessageCatalogue()
    for position, entry in enumerate(entries):
        path: KeyPath = ("decode", position)
        if isinstance(entry, FrameEntry):
            message = _message(entry, document, path)
            if problem := catalogue.add(message):
                document.wrong((*path, "frame"), problem)
        else:
            _add_dbc(catalogue, entry, document, path, read_file)
    for broken in document.broken:
        if broken[0] == "decode" and len(broken) == 4:
            catalogue.lost.add(str(broken[3]))
        elif broken[0] == "decode" and len(broken) <= 2:
            catalogue.complete = False
    return catalogue


def _add_dbc(
    catalogue: MessageCatalogue, entry: DbcEntry, document: Document, path: KeyPath, read_file: ReadFile
) -> None:
    content = read_file((*path, "dbc"), entry.dbc)
    if content is None:
        catalogue.complete = False
        return
    try:
        dbc = read_dbc(content[0], content[1], entry.bus, entry.only)
    except DbcError as error:
        catalogue.complete = False
        for problem in error.problems:
            document.wrong((*path, "dbc"), f"{entry.dbc}: {problem}")
        return
    catalogue.left_out += [f"{entry.dbc}: left out: {problem}" for problem in dbc.left_out.values()]
    catalogue.left_out += [f"{entry.dbc}: {remark}" for remark in dbc.remarks]
    added = []
    for message in dbc.messages:
        if taken := catalogue.add(message):
            document.wrong((*path, "dbc"), f"{entry.dbc}: {taken}")
        else:
            added.append(message)
            key = (message.bus, message.identifier, message.extended)
            if cycle := dbc.cycles.get((message.identifier, message.extended)):
                catalogue.cycles[key] = cycle
    for reference, change in entry.signals.items():
        _change(catalogue, added, reference, change, document, (*path, "signals", reference))


def _change(
    catalogue: MessageCatalogue,
    messages: list[Message],
    reference: str,
    change: SignalChange,
    document: Document,
    path: KeyPath,
) -> None:
    *where, name = reference.split(".")
    names = [signal.name for message in messages for signal in message.signals]
    found = [
        (message.bus, message.identifier, message.extended, name)
        for message in messages
        if (not where or where == [message.name]) and any(signal.name == name for signal in message.signals)
    ]
    if not found:
        document.wrong(path, f"unknown signal {reference!r}{nearest(name, names)}", key=True)
    for key in found:
        signal = catalogue.signal(key)
        catalogue.change(
            key,
            replace(
                signal,
                unit=signal.unit if change.unit is None else change.unit,
                value_table=signal.value_table if change.values is None else change.values,
                invalid=signal.invalid if change.invalid is None else tuple(sorted(set(change.invalid))),
                curve=signal.curve if change.curve is None else _curve(change.curve),
            ),
        )


def _message(entry: FrameEntry, document: Document, path: KeyPath) -> Message:
    extended = entry.frame > LARGEST_STANDARD if entry.extended is None else entry.extended
    if not extended and entry.frame > LARGEST_STANDARD:
        document.wrong((*path, "frame"), f"0x{entry.frame:X} needs an extended identifier: write extended: true")
    name = entry.name or f"frame_{identifier_text(entry.frame, extended)[2:]}"
    signals = signals_of(entry.signals, document, (*path, "signals"))
    needed = max((last_byte(signal) + 1 for signal in signals), default=0)
    length = needed if entry.length is None else entry.length
    for signal in signals if needed > length else ():
        if last_byte(signal) >= length:
            problem = f"signal {signal.name} reaches into byte {last_byte(signal)}, but the frame has {length} bytes"
            document.wrong((*path, "signals", signal.name), problem, key=True)
    return Message(
        entry.bus, entry.frame, extended, name, length, signals, length > 8 if entry.fd is None else entry.fd
    )


def signals_of(entries: Mapping[str, SignalEntry], document: Document, path: KeyPath) -> tuple[Signal, ...]:
    """The signals written in a profile; overlaps and multiplexers that lead nowhere are noted as mistakes."""
    selectors = {entry.multiplexer.signal for entry in entries.values() if entry.multiplexer}
    signals = []
    for name, entry in entries.items():
        here = (*path, name)
        if entry.kind == "float" and entry.length not in (16, 32, 64):
            document.wrong((*here, "length"), f"a float has 16, 32 or 64 bits, found {entry.length}")
        multiplexer = entry.multiplexer
        if multiplexer and (multiplexer.signal not in entries or multiplexer.signal == name):
            others = [other for other in entries if other != name]
            problem = f"unknown signal {multiplexer.signal!r} in this message{nearest(multiplexer.signal, others)}"
            document.wrong((*here, "multiplexer", "signal"), problem)
        signals.append(
            Signal(
                name=name,
                start=entry.start,
                length=entry.length,
                order=entry.order,
                kind=entry.kind,
                scale=entry.scale,
                offset=entry.offset,
                unit=entry.unit,
                multiplexer=multiplexer.signal if multiplexer else None,
                multiplexer_values=tuple(multiplexer.values) if multiplexer else (),
                is_multiplexer=name in selectors,
                value_table=entry.values,
                invalid=tuple(sorted(set(entry.invalid))),
                curve=_curve(entry.curve) if entry.curve else None,
            )
        )
    for first, second in _overlaps(signals):
        document.wrong((*path, second), f"signals {first} and {second} overlap", key=True)
    return tuple(signals)


def bits_of(signal: Signal) -> set[int]:
    """The bits a signal takes, numbered 8 * byte + bit, bit 0 the least significant."""
    if signal.order == "little_endian":
        return set(range(signal.start, signal.start + signal.length))
    first = 8 * (signal.start // 8) + 7 - signal.start % 8
    return {8 * (place // 8) + 7 - place % 8 for place in range(first, first + signal.length)}


def last_byte(signal: Signal) -> int:
    """The last byte a signal reaches into."""
    return max(bits_of(signal)) // 8


def _overlaps(signals: list[Signal]) -> Iterator[tuple[str, str]]:
    """Pairs of signals that share bits and can be present at once."""
    by_name = {signal.name: signal for signal in signals}
    bits = [bits_of(signal) for signal in signals]
    needs = [_needs(signal, by_name) for signal in signals]
    for second in range(len(signals)):
        for first in range(second):
            if bits[first] & bits[second] and _together(needs[first], needs[second]):
                yield signals[first].name, signals[second].name


Ranges = tuple[tuple[int, int], ...]


def _needs(signal: Signal, by_name: Mapping[str, Signal]) -> dict[str, Ranges]:
    """The multiplexers that must be right for a signal to be present, with the values they must have."""
    needs: dict[str, Ranges] = {}
    above: Signal | None = signal
    while above and above.multiplexer and above.multiplexer not in needs:
        needs[above.multiplexer] = above.multiplexer_values
        above = by_name.get(above.multiplexer)
    return needs


def _together(first: Mapping[str, Ranges], second: Mapping[str, Ranges]) -> bool:
    """Whether both can be in one frame: not when one multiplexer selects them by different values."""
    return all(
        any(
            low <= other_high and other_low <= high
            for low, high in first[name]
            for other_low, other_high in second[name]
        )
        for name in first.keys() & second.keys()
    )


def _curve(points: list[tuple[float, float]]) -> tuple[tuple[float, ...], tuple[float, ...]]:
    return tuple(point[0] for point in points), tuple(point[1] for point in points)
