"""Frames to samples: the one decoder behind live watching, replay and diagnosis.

A `FrameBatch` comes in, a `SampleBatch` with the same rows comes out. Broadcast frames are decoded for the channels
bound to their signals; answers on the diagnostic port, from whatever tester's requests, are put back together and
decoded too. Work is done only for what channels are bound to. Cutting the same frames into other batches changes no
sample and no total count. Nothing is raised for odd data: it is counted.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livewatch.data.frames import FrameBatch
from livewatch.data.samples import OddRows, SampleBatch, SampleColumn, rows_of
from livewatch.decode.bound_signals import BoundSignals
from livewatch.decode.bus_traffic import ANSWER, LAYOUT, NOT_IN_PROFILE, REMOTES, Address, IdentifierCount, TrafficTable
from livewatch.decode.diagnostics import AnswerDecoder
from livewatch.decode.field import words_of
from livewatch.profile.model import Channel, Profile, Signal

__all__ = ["Decoded", "Decoder"]

SHORT = "frames shorter than a signal"
UNDECLARED = "frames with an undeclared multiplexer value"
ORDINARY = frozenset({NOT_IN_PROFILE, REMOTES})
"""Nothing is wrong with these."""


@dataclass(frozen=True, slots=True, eq=False)
class Decoded:
    """Frames, what was decoded of them, and of each what it is to the profile: `codes`, see `bus_traffic`."""

    frames: FrameBatch
    samples: SampleBatch
    codes: NDArray[np.uint32]

    @property
    def time(self) -> NDArray[np.int64]:
        """Of every frame, as it has it."""
        return self.frames.time

    def __len__(self) -> int:
        return len(self.frames)

    def part(self, start: int, stop: int) -> Decoded:
        """Frames `start..stop` (exclusive)."""
        return Decoded(self.frames[start:stop], rows_of(self.samples, start, stop), self.codes[start:stop])


class Decoder:
    """Decodes for one profile. Its state is the unfinished diagnostic answers, and what `odd_identifiers` tells.
    `unused` is how many frames so far there was something wrong with.

    Raises:
        ValueError: a channel is bound to a signal or parameter that the profile does not have.
    """

    def __init__(self, profile: Profile) -> None:
        signals: dict[Address, dict[str, Signal]] = {}
        for message in profile.messages:
            known = signals.setdefault((message.bus, message.identifier, message.extended), {})
            for signal in message.signals:
                known.setdefault(signal.name, signal)
        bound: dict[Address, list[tuple[Signal, int, Channel]]] = {}
        for index, channel in enumerate(profile.channels):
            if channel.signal is not None:
                bus, identifier, extended, name = channel.signal
                address = (bus, identifier, extended)
                found = signals.get(address, {}).get(name)
                if found is None:
                    raise ValueError(f"channel {channel.name}: no signal {name} in message {identifier:X} on bus {bus}")
                bound.setdefault(address, []).append((found, index, channel))
        self._addresses = list(bound)
        self._binding = BoundSignals([(tuple(signals[address].values()), wanted) for address, wanted in bound.items()])
        self._traffic = TrafficTable(profile.buses, self._addresses, signals, profile.diagnostics)
        self._answers = AnswerDecoder(profile)
        self.unused = 0
        self._odd: dict[str, Counter[int]] = {}

    def decode(self, batch: FrameBatch) -> SampleBatch:
        """The samples in the next frames, one column for each channel received, in order of arrival."""
        return self.decoded(batch).samples

    def decoded(self, batch: FrameBatch) -> Decoded:
        """The same with the frames and what each is to the profile."""
        if not len(batch):
            return Decoded(batch, SampleBatch(batch.time, []), np.empty(0, np.uint32))
        odd = OddRows()
        codes = self._traffic.codes(batch, odd)
        columns = self._broadcast(batch, codes, odd) if len(self._binding) else []
        self.unused += sum(len(rows) for kind, rows in odd.by_kind().items() if kind not in ORDINARY)
        answers = np.flatnonzero(codes & ANSWER)
        if len(answers):
            columns += self._answers.decode(batch, answers, odd)
        by_kind = odd.by_kind()
        counts = {kind: len(rows) for kind, rows in by_kind.items()}
        samples = SampleBatch(batch.time, columns, counts, told=self._answers.take_told(), odd=by_kind)
        return Decoded(batch, samples, codes)

    def odd_identifiers(self) -> Mapping[str, list[IdentifierCount]]:
        """By kind of oddity, as in the counts: which identifiers it happened to, most frames first. For 29-bit
        identifiers not in the profile the first 4096 are told apart."""
        found = {NOT_IN_PROFILE: self._traffic.unknown()}
        for kind, counter in self._odd.items():
            found[kind] = [IdentifierCount(*self._addresses[i], frames) for i, frames in counter.most_common()]
        for kind, senders in self._answers.odd.items():
            found[kind] = [IdentifierCount(*sender, frames) for sender, frames in senders.most_common()]
        return {kind: identifiers for kind, identifiers in found.items() if identifiers}

    def _broadcast(self, batch: FrameBatch, codes: NDArray[np.uint32], odd: OddRows) -> list[SampleColumn]:
        layout = (codes & LAYOUT).astype(np.uint16)
        own = np.flatnonzero(layout)
        layouts = layout[own]
        order = own[layouts.argsort(kind="stable")]
        frames = np.bincount(layouts, minlength=len(self._addresses) + 1)
        starts = frames.cumsum() - frames
        columns, pairs = self._binding.columns(words_of(batch.data), batch.length, order, starts[1:], frames[1:])
        for kind, rows in ((SHORT, pairs.short), (UNDECLARED, pairs.undeclared)):
            if len(rows):
                odd.add(kind, rows)
                self._odd.setdefault(kind, Counter()).update((layout[rows] - 1).tolist())
        return columns
