"""Frames on the diagnostic port to samples.

The rows of a batch that answers come from go in; the samples of channels bound to parameters come out, at the row of
the last frame of each answer, and what units said of themselves. Kept between batches: one `Reception` for every sender
seen, the ranges it declared, and what it said.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from livewatch.data.events import Event
from livewatch.data.frames import EXTENDED, FrameBatch
from livewatch.data.samples import OddRows, SampleColumn
from livewatch.decode.bound_signals import BoundSignals
from livewatch.decode.bus_traffic import Address
from livewatch.decode.field import words_of
from livewatch.decode.self_knowledge import SelfKnowledgeListener
from livewatch.profile.diagnostic_port.answers import LIVE_DATA, ParameterReading, parameters_of, read_answer
from livewatch.profile.diagnostic_port.j1979 import J1979
from livewatch.profile.diagnostic_port.j1979_ranges import Largest, rescaled
from livewatch.profile.diagnostic_port.transport import Reception
from livewatch.profile.model import Channel, Parameter, Profile, Signal

__all__ = ["AnswerDecoder"]

UNDECLARED = "diagnostic answers with an undeclared multiplexer value"
MOST_VARIANTS = 64
"""Layouts kept for senders that stretch the range of a parameter."""
STANDARD_RANGES = Largest()

_Key = tuple[str, int, int, Largest]
"""Bus, service, identifier, and the ranges declared by the sender."""


class AnswerDecoder:
    """Holds the unfinished answers of every sender.

    `odd` tells for each kind of oddity how often which sender met it.

    Raises:
        ValueError: a channel is bound to a parameter that the profile does not have.
    """

    def __init__(self, profile: Profile) -> None:
        self.odd: dict[str, Counter[Address]] = {}
        self._receptions: dict[Address, Reception] = {}
        self._largest: dict[Address, Largest] = {}
        self._parameters: dict[str, dict[tuple[int, int], Parameter]] = {}
        for diagnostics in profile.diagnostics:
            self._parameters.setdefault(diagnostics.bus, {}).update(parameters_of(diagnostics))
        self._bound: dict[tuple[int, int], list[tuple[str, int, Channel]]] = {}
        for index, channel in enumerate(profile.channels):
            if channel.parameter is not None:
                service, identifier, name = channel.parameter
                self._bound.setdefault((service, identifier), []).append((name, index, channel))
                if not any(_has(parameters, channel.parameter) for parameters in self._parameters.values()):
                    raise ValueError(
                        f"channel {channel.name}: no signal {name} in parameter {service:02X} {identifier:X}"
                    )
        self._listener = SelfKnowledgeListener()
        self._width = 8
        self._numbers: dict[_Key, int | None] = {}
        self._layouts: list[tuple[tuple[Signal, ...], list[tuple[Signal, int, Channel]]]] = []
        self._binding: BoundSignals | None = None

    def decode(self, batch: FrameBatch, rows: NDArray[np.intp], odd: OddRows) -> list[SampleColumn]:
        """Samples of the answers that end in `rows` (ascending) of the batch; adds to what is `odd`."""
        if len(self._numbers) > MOST_VARIANTS + len(self._bound) * len(self._parameters):
            self._numbers, self._layouts, self._binding = {}, [], None
        found: list[tuple[int, int, bytes]] = []
        for row, sender, answer in self._answers(batch, rows, odd):
            if self._listener.hears(row, int(batch.time[row]), sender, answer):
                continue
            readings, kind = read_answer(answer, self._parameters[sender[0]])
            if kind is not None:
                self._count(kind, sender, row, odd)
            for reading in readings:
                number = self._layout(sender, reading)
                if number is not None:
                    found.append((row, number, reading.data))
        return self._columns(found, odd) if found else []

    def take_told(self) -> list[tuple[int, Event]]:
        """(row, event) of what was said in the last batch by units of themselves."""
        return self._listener.take()

    def _answers(self, batch: FrameBatch, rows: NDArray[np.intp], odd: OddRows) -> Iterator[tuple[int, Address, bytes]]:
        """(row of its last frame, sender, bytes) of each complete answer."""
        width = batch.data.shape[1]
        data = batch.data[rows].tobytes()
        each = zip(
            rows.tolist(),
            batch.time[rows].tolist(),
            batch.bus[rows].tolist(),
            batch.identifier[rows].tolist(),
            (batch.flags[rows] & EXTENDED != 0).tolist(),
            batch.length[rows].tolist(),
            strict=True,
        )
        for i, (row, time, bus, identifier, extended, length) in enumerate(each):
            sender = (batch.buses[bus], identifier, extended)
            reception = self._receptions.get(sender)
            if reception is None:
                reception = self._receptions[sender] = Reception()
            answer, kinds = reception.receive(time, data[i * width : i * width + length])
            for kind in kinds:
                self._count(kind, sender, row, odd)
            if answer is not None:
                yield row, sender, answer

    def _layout(self, sender: Address, reading: ParameterReading) -> int | None:
        """Number of the layout of what was read, None when no channel wants it. Takes declared ranges to heart."""
        largest = self._largest.get(sender, STANDARD_RANGES)
        if reading.service == LIVE_DATA and reading.identifier in (0x4F, 0x50):
            self._largest[sender] = largest.updated(reading.identifier, reading.data)
        if (reading.service, reading.identifier) not in self._bound:
            return None
        key = (sender[0], reading.service, reading.identifier, largest)
        if key not in self._numbers:
            self._numbers[key] = self._new_layout(*key)
        return self._numbers[key]

    def _new_layout(self, bus: str, service: int, identifier: int, largest: Largest) -> int | None:
        parameter = self._parameters[bus][service, identifier]
        if parameter is J1979.get(identifier):
            parameter = rescaled(parameter, largest)
        by_name = {signal.name: signal for signal in parameter.signals}
        wanted = [
            (by_name[name], index, channel)
            for name, index, channel in self._bound[service, identifier]
            if name in by_name
        ]
        if not wanted:
            return None
        self._layouts.append((parameter.signals, wanted))
        self._width = max(self._width, -(-parameter.length // 8) * 8)
        self._binding = None
        return len(self._layouts) - 1

    def _columns(self, found: list[tuple[int, int, bytes]], odd: OddRows) -> list[SampleColumn]:
        """Samples of (row, layout, data) in order of rows."""
        if self._binding is None:
            self._binding = BoundSignals(self._layouts)
        rows, layouts, data = zip(*found, strict=True)
        joined = b"".join([each.ljust(self._width, b"\0") for each in data])
        words = words_of(np.frombuffer(joined, np.uint8).reshape(len(data), self._width))
        length = np.array([len(each) for each in data], np.uint16)
        layout = np.array(layouts, np.int64)
        order = layout.argsort(kind="stable")
        answers = np.bincount(layout, minlength=len(self._layouts))
        starts = answers.cumsum() - answers
        row = np.array(rows, np.int64)
        columns, pairs = self._binding.columns(words, length, order, starts, answers, row)
        odd.add(UNDECLARED, row[pairs.undeclared])
        return _one_a_channel(columns)

    def _count(self, kind: str, sender: Address, row: int, odd: OddRows) -> None:
        odd.add(kind, np.array([row]))
        self.odd.setdefault(kind, Counter())[sender] += 1


def _has(parameters: Mapping[tuple[int, int], Parameter], bound: tuple[int, int, str]) -> bool:
    service, identifier, name = bound
    parameter = parameters.get((service, identifier))
    return parameter is not None and any(signal.name == name for signal in parameter.signals)


def _one_a_channel(columns: list[SampleColumn]) -> list[SampleColumn]:
    """Join the columns of a channel that several buses, or differently scaled answers, brought."""
    by_channel: dict[int, list[SampleColumn]] = {}
    for column in columns:
        by_channel.setdefault(column.channel, []).append(column)
    if len(by_channel) == len(columns):
        return columns
    result: list[SampleColumn] = []
    for parts in by_channel.values():
        if len(parts) == 1:
            result += parts
            continue
        row = np.concatenate([part.row for part in parts])
        order = row.argsort(kind="stable")
        value = np.concatenate([part.value for part in parts])[order]
        quality = np.concatenate([part.quality for part in parts])[order]
        result.append(replace(parts[0], row=row[order], value=value, quality=quality))
    return result
