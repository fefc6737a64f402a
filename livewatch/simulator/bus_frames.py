"""A drive on the bus: the profile's own layout at real rates, with jitter, other traffic and error frames.

In: a `Drive` and a `Profile`. Out: `FrameBatch`es in order of time, one for each `BLOCK` seconds of the drive. A
frame carries the channel values of the moment it was handed to the bus, packed as the profile declares. The same
drive, profile and options give the same frames.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from livewatch.data.frames import ERROR, EXTENDED, FrameBatch
from livewatch.profile.model import Message, Profile, Signal
from livewatch.profile.shipped import shipped_folder
from livewatch.simulator.drive import STEP, Drive
from livewatch.simulator.packing import pack_signal, raw_numbers
from livewatch.simulator.traffic import (
    ERROR_CLASS,
    OtherMessage,
    carry,
    error_frames,
    frame_bits,
    other_messages,
    steady_columns,
)

__all__ = ["BEGINS", "Wire", "broadcast", "cycle_times"]

BEGINS = 1_777_884_600_000_000_000
"""ns since the Unix epoch at which recordings begin unless told otherwise: 2026-05-04 08:50 UTC."""
BLOCK = 60.0
"""s of drive in one batch."""
PERIODS = (0.010, 0.020, 0.050, 0.100, 0.200, 0.500, 1.000)
"""s between frames, of which a message without a cycle time gets the one that its channels' `stale_after` asks for."""


@dataclass(frozen=True, slots=True)
class Wire:
    """How the drive reaches the bus.

    Attributes:
        begins: ns since the Unix epoch of the drive's first moment. bit_rate: bit/s of every bus. other_traffic:
        share of each bus (0..1) taken by messages no profile knows; own and other traffic together may not
            pass what a bus can carry, more only waits longer.
        errors_each_minute: error frames, on each bus.
        jitter: s, standard deviation of a frame's lateness.
        periods: s between frames by message name, over what the DBC says.
        slower: every period times this (a recording made smaller).
    """

    begins: int = BEGINS
    bit_rate: float = 500_000.0
    other_traffic: float = 0.0
    errors_each_minute: float = 0.0
    jitter: float = 0.00025
    periods: Mapping[str, float] | None = None
    slower: float = 1.0


def cycle_times(profile: Profile) -> dict[tuple[int, bool], float]:
    """Cycle time in s by (identifier, extended), as the profile's DBC files give it."""
    found: dict[tuple[int, bool], float] = {}
    for name in profile.sources:
        if Path(name).suffix.lower() != ".dbc":
            continue
        path = Path(name)
        if not path.is_file():
            path = shipped_folder("profiles") / path.name
        if not path.is_file():
            continue
        from livewatch.data.python_can import cantools  # late: it takes a while

        database = cantools().database.can.Database(strict=False)
        database.add_dbc_file(path)
        for message in database.messages:
            if message.cycle_time:
                found[message.frame_id, message.is_extended_frame] = message.cycle_time / 1000.0
    return found


def _usual_period(profile: Profile, message: Message) -> float:
    """A tenth of the time after which the profile calls the message's first value stale, as a usual cycle time."""
    key = (message.bus, message.identifier, message.extended)
    stale = [one.stale_after for one in profile.channels if one.signal is not None and one.signal[:3] == key]
    wanted = min(stale, default=1_000_000_000) / 1e10
    return max((period for period in PERIODS if period <= wanted * 1.01), default=PERIODS[0])


Values = Callable[[NDArray[np.intp]], NDArray[np.float64]]
"""Physical values of a signal at steps of the drive."""


@dataclass(frozen=True, slots=True)
class _Sender:
    """One message with how each of its signals gets its value; `pages` are the multiplexer's raw values in turn."""

    message: Message
    period: float
    phase: float
    values: Mapping[str, Values]
    pages: tuple[int, ...]


def broadcast(drive: Drive, profile: Profile, wire: Wire | None = None) -> Iterator[FrameBatch]:
    """The frames of `drive` in the layout of `profile`; see the module's first paragraph."""
    wire = wire or Wire()
    seed = drive.scenario.seed
    buses = tuple(profile.buses) or tuple(dict.fromkeys(message.bus for message in profile.messages))
    known = cycle_times(profile)
    rng = np.random.default_rng([seed, 99])
    senders: list[_Sender] = []
    for message in profile.messages:
        period = known.get((message.identifier, message.extended)) or _usual_period(profile, message)
        period = (wire.periods or {}).get(message.name, period) * wire.slower
        senders.append(_sender(drive, profile, message, period, float(rng.uniform(0.0, period))))
    others = [
        other_messages(
            wire.other_traffic,
            wire.bit_rate,
            {(message.identifier, message.extended) for message in profile.messages},
            seed * 64 + bus,
        )
        for bus in range(len(buses))
    ]
    end = len(drive.time) * STEP
    free = [0] * len(buses)
    counts = [0] * len(senders)
    for number in range(int(np.ceil(end / BLOCK))):
        start, stop = number * BLOCK, min(end, (number + 1) * BLOCK)
        rng = np.random.default_rng([seed, 1000 + number])
        batches = []
        for bus, name in enumerate(buses):
            parts = [_other_part(message, start, stop, rng, wire) for message in others[bus]]
            for place, sender in enumerate(senders):
                if sender.message.bus == name:
                    part = _own_part(sender, counts[place], drive, start, stop, rng, wire)
                    counts[place] += len(part.time)
                    parts.append(part)
            if wire.errors_each_minute:
                moments, data = error_frames(start, stop, wire.errors_each_minute, rng)
                parts.append(_Part(moments, ERROR_CLASS, ERROR, 8, data))
            batch, free[bus] = _merge(parts, bus, buses, wire, free[bus])
            batches.append(batch)
        together = FrameBatch.concatenate(batches)
        if len(buses) > 1:
            together = together[np.argsort(together.time, kind="stable")]
        if len(together):
            yield together


@dataclass(frozen=True, slots=True)
class _Part:
    """Frames of one identifier: times handed over in s, ascending, and data (n, 8 or 64)."""

    time: NDArray[np.float64]
    identifier: int
    flags: int
    length: int
    data: NDArray[np.uint8]


def _moments(period: float, phase: float, start: float, stop: float) -> NDArray[np.float64]:
    first = int(np.ceil((start - phase) / period - 1e-9))
    last = int(np.ceil((stop - phase) / period - 1e-9))
    return phase + np.arange(max(first, 0), last, dtype=np.float64) * period


def _other_part(message: OtherMessage, start: float, stop: float, rng: np.random.Generator, wire: Wire) -> _Part:
    phase = (message.identifier * 0.618034) % 1.0 * message.period
    time = _moments(message.period, phase, start, stop)
    late = np.abs(rng.normal(0.0, wire.jitter, len(time)))
    data = steady_columns(message, len(time), rng)
    return _Part(time + late, message.identifier, EXTENDED if message.extended else 0, message.length, data)


def _own_part(
    sender: _Sender, sent: int, drive: Drive, start: float, stop: float, rng: np.random.Generator, wire: Wire
) -> _Part:
    message = sender.message
    time = _moments(sender.period, sender.phase, start, stop)
    at = np.minimum((time / STEP).astype(np.intp), len(drive.time) - 1)
    late = np.abs(rng.normal(0.0, wire.jitter, len(time)))
    number = sent + np.arange(len(time))
    data = np.zeros((len(time), max(8, message.length)), np.uint8)
    used = data[:, : message.length]
    page = np.asarray(sender.pages, np.int64)[number % len(sender.pages)] if sender.pages else None
    checksum: Signal | None = None
    for signal in message.signals:
        if signal.name == "CHECKSUM":
            checksum = signal
            continue
        if signal.is_multiplexer and page is not None:
            pack_signal(used, signal, page.astype(np.uint64))
            continue
        rows: slice | NDArray[np.bool_] = slice(None)
        if signal.multiplexer is not None and page is not None:
            rows = np.zeros(len(time), bool)
            for low, high in signal.multiplexer_values:
                rows |= (page >= low) & (page <= high)
        if signal.name == "COUNTER":
            pack_signal(used, signal, (number % (1 << signal.length)).astype(np.uint64))
            continue
        part = used[rows]
        pack_signal(part, signal, raw_numbers(signal, sender.values[signal.name](at[rows])))
        used[rows] = part
    if checksum is not None:
        # The invented cars' own: 5A and all other bytes, combined by exclusive or.
        total = np.bitwise_xor.reduce(used, axis=1) ^ np.uint8(0x5A)
        pack_signal(used, checksum, total.astype(np.uint64))
    return _Part(time + late, message.identifier, EXTENDED if message.extended else 0, message.length, data)


def _merge(parts: list[_Part], bus: int, buses: tuple[str, ...], wire: Wire, free: int) -> tuple[FrameBatch, int]:
    """All parts in order of time, each frame stamped when it has crossed the bus; and when the bus gets free (ns)."""
    parts = [part for part in parts if len(part.time)]
    if not parts:
        return FrameBatch.empty(buses), free
    arrival = (np.concatenate([part.time for part in parts]) * 1e9).astype(np.int64)
    order = np.argsort(arrival, kind="stable")
    sizes = [len(part.time) for part in parts]

    def column(values: list[int], kind: type[np.generic]) -> NDArray[np.generic]:
        return np.repeat(np.asarray(values, kind), sizes)[order]

    length = column([part.length for part in parts], np.int64).astype(np.int64)
    flags = column([part.flags for part in parts], np.uint8).astype(np.uint8)
    bits = frame_bits(np.minimum(length, 8), (flags & EXTENDED) != 0)
    crossed = carry(arrival[order], (bits * (1e9 / wire.bit_rate)).astype(np.int64), free)
    width = max(part.data.shape[1] for part in parts)
    data = np.zeros((len(order), width), np.uint8)
    at = 0
    for part in parts:
        data[at : at + len(part.time), : part.data.shape[1]] = part.data
        at += len(part.time)
    batch = FrameBatch(
        # Whole microseconds: what every recording format can hold.
        wire.begins + crossed // 1000 * 1000,
        np.full(len(order), bus, np.uint8),
        column([part.identifier for part in parts], np.uint32).astype(np.uint32),
        flags,
        length.astype(np.uint8),
        data[order],
        buses,
    )
    return batch, int(crossed[-1])


def _sender(drive: Drive, profile: Profile, message: Message, period: float, phase: float) -> _Sender:
    key = (message.bus, message.identifier, message.extended)
    bound = {
        channel.signal[3]: channel
        for channel in profile.channels
        if channel.signal is not None and channel.signal[:3] == key
    }
    values: dict[str, Values] = {}
    pages: set[int] = set()
    for signal in message.signals:
        for low, _high in signal.multiplexer_values:
            pages.add(low)
        channel = bound.get(signal.name)
        if channel is None:
            values[signal.name] = _undeclared(signal, drive)
        elif channel.name in drive.channels:
            values[signal.name] = _scaled(drive.channels[channel.name], channel.scale, channel.offset)
        else:
            values[signal.name] = _unknown
    return _Sender(message, period, phase, values, tuple(sorted(pages)))


def _scaled(column: NDArray[np.float64], scale: float, offset: float) -> Values:
    return lambda at: (column[at] - offset) / scale


def _unknown(at: NDArray[np.intp]) -> NDArray[np.float64]:
    return np.full(len(at), np.nan)


def _undeclared(signal: Signal, drive: Drive) -> Values:
    """Values for a signal no channel is bound to: by its plain name, else "no valid value", else a steady 0."""
    plain = signal.name.lower()
    if plain in drive.channels:
        return _scaled(drive.channels[plain], 1.0, 0.0)
    if plain in _WHEELS:
        factor = _WHEELS[plain]
        return lambda at: drive.channels["vehicle_speed"][at] * factor
    if plain == "odometer":
        distance = np.cumsum(drive.truth["road_speed"]) * STEP / 1000.0 + 48_210.0
        return lambda at: distance[at]
    if plain == "fuel_level":
        return lambda at: 62.0 - drive.time[at] / 900.0
    if plain == "brake_pressed":
        return lambda at: (drive.truth["brake"][at] > 0.0).astype(np.float64)
    return _unknown if signal.invalid else lambda at: np.zeros(len(at))


_WHEELS: Mapping[str, float] = {"front_left": 0.999, "front_right": 1.001, "rear_left": 0.998, "rear_right": 1.000}
