"""Frames on the diagnostic port to samples.

The rows of a batch that answers come from go in; the samples of channels bound to parameters come out, at the row of
the last frame of each answer. One `Reception` for every sender seen is kept between batches.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from livewatch.decode.answers import parameters_of, read_answer
from livewatch.decode.binding import Binding
from livewatch.decode.field import words_of
from livewatch.decode.transport import Reception
from livewatch.frames import EXTENDED, FrameBatch
from livewatch.profile.model import Channel, Parameter, Profile, Signal
from livewatch.samples import SampleColumn

__all__ = ["AnswerDecoder"]

UNDECLARED = "diagnostic answers with an undeclared multiplexer value"


class AnswerDecoder:
    """Holds the unfinished answers of every sender.

    Raises:
        ValueError: a channel is bound to a parameter that the profile does not have.
    """

    def __init__(self, profile: Profile) -> None:
        self._receptions: dict[tuple[str, int, bool], Reception] = {}
        self._parameters: dict[str, dict[tuple[int, int], Parameter]] = {}
        for diagnostics in profile.diagnostics:
            self._parameters.setdefault(diagnostics.bus, {}).update(parameters_of(diagnostics))
        bound: dict[tuple[int, int], list[tuple[str, int, Channel]]] = {}
        for index, channel in enumerate(profile.channels):
            if channel.parameter is not None:
                service, identifier, name = channel.parameter
                bound.setdefault((service, identifier), []).append((name, index, channel))
        self._layout: dict[tuple[str, int, int], int] = {}
        layouts: list[tuple[tuple[Signal, ...], list[tuple[Signal, int, Channel]]]] = []
        found: set[str] = set()
        for bus, parameters in self._parameters.items():
            for key, wanted in bound.items():
                signals = parameters[key].signals if key in parameters else ()
                by_name = {signal.name: signal for signal in signals}
                present = [(by_name[name], index, channel) for name, index, channel in wanted if name in by_name]
                if present:
                    self._layout[bus, *key] = len(layouts)
                    layouts.append((signals, present))
                    found.update(channel.name for _, _, channel in present)
        for channel in profile.channels:
            if channel.parameter is not None and channel.name not in found:
                service, identifier, name = channel.parameter
                raise ValueError(f"channel {channel.name}: no signal {name} in parameter {service:02X} {identifier:X}")
        self._binding = Binding(layouts)
        longest = max(
            (self._parameters[bus][service, identifier].length for bus, service, identifier in self._layout), default=1
        )
        self._width = -(-longest // 8) * 8

    def decode(self, batch: FrameBatch, rows: NDArray[np.intp], counts: dict[str, int]) -> list[SampleColumn]:
        """Samples of the answers that end in `rows` (ascending) of the batch; adds to `counts`."""
        layout: list[int] = []
        data: list[bytes] = []
        row_of: list[int] = []
        for row, bus, answer in self._answers(batch, rows, counts):
            readings, odd = read_answer(answer, self._parameters[bus])
            if odd is not None:
                counts[odd] = counts.get(odd, 0) + 1
            for reading in readings:
                number = self._layout.get((bus, reading.service, reading.identifier))
                if number is not None:
                    layout.append(number)
                    data.append(reading.data)
                    row_of.append(row)
        if not layout:
            return []
        joined = b"".join([each.ljust(self._width, b"\0") for each in data])
        words = words_of(np.frombuffer(joined, np.uint8).reshape(len(data), self._width))
        length = np.array([len(each) for each in data], np.uint16)
        number_of = np.array(layout)
        order = number_of.argsort(kind="stable")
        found = np.bincount(number_of, minlength=len(self._layout))
        starts = found.cumsum() - found
        columns, pairs = self._binding.columns(words, length, order, starts, found, np.array(row_of, np.int64))
        if len(pairs.undeclared):
            counts[UNDECLARED] = counts.get(UNDECLARED, 0) + len(pairs.undeclared)
        return columns

    def _answers(
        self, batch: FrameBatch, rows: NDArray[np.intp], counts: dict[str, int]
    ) -> Iterator[tuple[int, str, bytes]]:
        """(row of its last frame, bus, bytes) of each complete answer."""
        width = batch.data.shape[1]
        data = batch.data[rows].tobytes()
        for i, (row, time, bus, identifier, flags, length) in enumerate(
            zip(
                rows.tolist(),
                batch.time[rows].tolist(),
                batch.bus[rows].tolist(),
                batch.identifier[rows].tolist(),
                batch.flags[rows].tolist(),
                batch.length[rows].tolist(),
                strict=True,
            )
        ):
            sender = (batch.buses[bus], identifier, bool(flags & EXTENDED))
            reception = self._receptions.get(sender)
            if reception is None:
                reception = self._receptions[sender] = Reception()
            answer, odd = reception.take(time, data[i * width : i * width + length])
            for kind in odd:
                counts[kind] = counts.get(kind, 0) + 1
            if answer is not None:
                yield row, sender[0], answer
