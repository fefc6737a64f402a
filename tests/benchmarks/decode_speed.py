"""How fast frames are decoded, against cantools' `decode_message` on the same frames in the same run.

    python tests/benchmarks/decode_speed.py [frames]

One million frames of 30 identifiers with 60 signals, every signal bound to a channel with a valid range. Prints frames
a second for both and their ratio, what a live batch of 20 frames costs, and the rates for CAN FD, multiplexed frames
and polled answers.
"""

from __future__ import annotations

import sys
from time import perf_counter

import cantools
import numpy as np

from livewatch.data.frames import FD, FrameBatch
from livewatch.decode import Decoder
from livewatch.profile.dbc import read_dbc
from livewatch.profile.diagnostic_port.j1979 import J1979
from livewatch.profile.model import Channel, Diagnostics, Message, Profile, Signal, TableMapping

IDENTIFIERS = 30
BATCH = 65536


def dbc_text() -> str:
    """30 messages with a 16-bit little-endian and a 12-bit signed big-endian signal each."""
    lines = ['VERSION ""', "", "BS_:", "", "BU_: ECU", ""]
    for i in range(IDENTIFIERS):
        lines += [
            f"BO_ {0x100 + 7 * i} M{i}: 8 ECU",
            f' SG_ A{i} : 0|16@1+ (0.25,0) [0|16383.75] "rpm" ECU',
            f' SG_ B{i} : 39|12@0- (0.1,-40) [-244.8|164.7] "degC" ECU',
            "",
        ]
    return "\n".join(lines)


def profile_of(messages: tuple[Message, ...], diagnostics: tuple[Diagnostics, ...] = ()) -> Profile:
    """Every signal of the messages, and every parameter of the diagnostic ports, bound to a channel."""
    channels = [
        Channel(
            f"{message.name}_{signal.name}",
            signal.unit or "1",
            signal=(message.bus, message.identifier, message.extended, signal.name),
            valid=(-300.0, 20_000.0),
        )
        for message in messages
        for signal in message.signals
    ]
    channels += [
        Channel(f"{parameter.name}_{signal.name}", signal.unit or "1", parameter=(1, parameter.identifier, signal.name))
        for each in diagnostics
        for parameter in each.parameters
        for signal in parameter.signals
    ]
    return Profile(
        name="benchmark",
        buses={"engine": ()},
        messages=messages,
        diagnostics=diagnostics,
        channels=tuple(channels),
        alarms=(),
        authority={},
        engine=None,
        tables=TableMapping(),
        figures=(),
        period=10_000_000,
        lead_up=0,
        sources={},
        text="",
    )


def frames(identifier: np.ndarray, data: np.ndarray, flags: int = 0) -> FrameBatch:
    """One frame each 100 microseconds."""
    n, width = data.shape
    return FrameBatch(
        np.arange(n, dtype=np.int64) * 100_000,
        np.zeros(n, np.uint8),
        identifier.astype(np.uint32),
        np.full(n, flags, np.uint8),
        np.full(n, width, np.uint8),
        data,
        ("engine",),
    )


def seconds(profile: Profile, batch: FrameBatch, size: int = BATCH) -> float:
    """The best of three runs over the whole batch, cut into pieces of `size`."""
    best = float("inf")
    for _ in range(3):
        decoder = Decoder(profile)
        begun = perf_counter()
        for start in range(0, len(batch), size):
            decoder.decode(batch[start : start + size])
        best = min(best, perf_counter() - begun)
    return best


def against_cantools(n: int) -> None:
    """The main comparison."""
    text = dbc_text()
    profile = profile_of(read_dbc(text.encode(), "benchmark.dbc", "engine").messages)
    chance = np.random.default_rng(1)
    known = np.array([message.identifier for message in profile.messages])
    batch = frames(known[chance.integers(0, IDENTIFIERS, n)], chance.integers(0, 256, (n, 8), dtype=np.uint8))
    ours = seconds(profile, batch)
    whole = seconds(profile, batch, n)
    database = cantools.database.load_string(text, "dbc")
    rows = list(zip(batch.identifier.tolist(), [row.tobytes() for row in batch.data], strict=True))
    begun = perf_counter()
    for identifier, data in rows:
        database.decode_message(identifier, data, decode_choices=False)
    theirs = perf_counter() - begun
    print(f"{n:,} frames, {IDENTIFIERS} identifiers, {len(profile.channels)} signals")
    print(f"  livewatch, batches of {BATCH:,}: {ours:8.3f} s, {n / ours:14,.0f} frames/s")
    print(f"  livewatch, one batch:         {whole:8.3f} s, {n / whole:14,.0f} frames/s")
    print(f"  cantools decode_message:      {theirs:8.3f} s, {n / theirs:14,.0f} frames/s")
    print(f"  ratio (batches of {BATCH:,}):     {theirs / ours:8.1f}")
    for size in (1, 20, 50):
        piece = batch[: 1000 * size]
        each = seconds(profile, piece, size) / 1000
        print(f"  a live batch of {size:2d} frames:   {each * 1e6:8.1f} us")


def other_kinds(n: int) -> None:
    """CAN FD, multiplexed and polled."""
    chance = np.random.default_rng(2)
    wide = Message("engine", 0x123, False, "FD", 64, tuple(Signal(f"S{i}", 32 * i + 3, 20) for i in range(15)), True)
    batch = frames(np.full(n, 0x123), chance.integers(0, 256, (n, 64), dtype=np.uint8), FD)
    spent = seconds(profile_of((wide,)), batch)
    print(f"CAN FD, 64 bytes, 15 signals: {n / spent:14,.0f} frames/s")
    paged = [Signal("page", 0, 8, is_multiplexer=True)]
    paged += [
        Signal(f"S{i}", 8 + 16 * (i % 3), 16, multiplexer="page", multiplexer_values=((i // 3, i // 3),))
        for i in range(60)
    ]
    data = chance.integers(0, 256, (n, 8), dtype=np.uint8)
    data[:, 0] %= 20
    batch = frames(np.full(n, 0x123), data)
    profile = profile_of((Message("engine", 0x123, False, "MUX", 8, tuple(paged)),))
    spent = seconds(profile, batch)
    print(f"20 pages of 3 signals:        {n / spent:14,.0f} frames/s")
    print(f"  a live batch of 20 frames:   {seconds(profile, batch[:20_000], 20) / 1000 * 1e6:8.1f} us")
    parameters = tuple(J1979[each] for each in (0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0D, 0x0F, 0x10, 0x11))
    profile = profile_of((), (Diagnostics("engine", 0x7DF, False, (), parameters, ()),))
    answers = np.zeros((n, 8), np.uint8)
    for i, parameter in enumerate(parameters):
        answers[i :: len(parameters), :3] = (2 + parameter.length, 0x41, parameter.identifier)
    batch = frames(np.full(n, 0x7E8), answers)
    spent = seconds(profile, batch)
    print(f"polled answers, one frame:    {n / spent:14,.0f} frames/s")


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    against_cantools(count)
    other_kinds(count // 5)
