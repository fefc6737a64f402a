"""However a recording is cut into batches, its samples and its counts are the same."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable
from itertools import pairwise

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from livewatch.data.frames import ERROR, EXTENDED, FD, REMOTE, SENT, FrameBatch
from livewatch.decode import Decoder
from livewatch.profile.diagnostic_port.j1979 import J1979
from livewatch.profile.model import Channel, Diagnostics, Message, Parameter, Profile, Signal

SIGNALS = (
    Signal("speed", 0, 16, scale=0.25),
    Signal("temperature", 23, 8, "big_endian", "signed", offset=-40.0, invalid=(-128,)),
    Signal("air", 24, 32, kind="float", scale=0.1),
    Signal("page", 56, 8, is_multiplexer=True),
    Signal("low", 3, 11, "big_endian", multiplexer="page", multiplexer_values=((0, 99),)),
    Signal("book", 40, 4, multiplexer="page", multiplexer_values=((100, 199),), is_multiplexer=True),
    Signal("deep", 44, 8, multiplexer="book", multiplexer_values=((3, 9),), scale=1e-3),
    Signal("wide", 61, 64, scale=3.0),
    Signal("curved", 0, 8, curve=((0.0, 100.0, 200.0), (5.0, -3.0, 77.7))),
)
IDENTIFIERS = (0x100, 0x101, 0x1ABCDEF)
OWN = Parameter(0x22, 0xF40B, "boost", 2, (Signal("boost", 7, 16, "big_endian", scale=0.1, unit="kPa"),))
ANSWERS = ("41 0C 1A F8", "41 0C 1A F8 05 7B 34 80 00 80 00", "62 F4 0B 06 2C", "7F 22 78", "41 4F 08 00 00 33")
ANSWERS += ("41 0B 64 34 40 00 80 00", "41 C5 00", "49 02 01 31 32 33 34 35 36 37 38 39")
ANSWERS += (
    "43 01 01 71",
    "43 02 01 71 03 01",
    "47 00",
    "41 01 81 07 65 04",
    "42 02 00 01 71",
    "46 01 01 0A 00 10",
)


def _profile(profile_of: Callable[..., Profile]) -> Profile:
    messages = [Message("engine", each, each > 0x7FF, f"M{each}", 64, SIGNALS) for each in IDENTIFIERS]
    channels = [
        Channel(f"{signal.name}_{each}", "1", signal=("engine", each, each > 0x7FF, signal.name), valid=(-1e9, 1e12))
        for each in IDENTIFIERS
        for signal in SIGNALS
    ]
    wanted = {0x0C: "engine_speed", 0x05: "engine_coolant_temperature", 0x34: "lambda_bank_1_sensor_1"}
    wanted[0x0B] = "intake_manifold_absolute_pressure"
    channels += [Channel(name, "1", parameter=(0x01, each, name)) for each, name in wanted.items()]
    channels.append(Channel("boost", "kPa", parameter=(0x22, 0xF40B, "boost")))
    ports = [Diagnostics(bus, 0x7DF, False, (), (*J1979.values(), OWN), ()) for bus in ("engine", "body")]
    return profile_of(messages, channels, ports, buses=["engine", "body"])


def _recording(
    chance: random.Random, rows: int, frames_of: Callable[..., FrameBatch], transfer: Callable[..., list[bytes]]
) -> FrameBatch:
    """Broadcast frames of all kinds and lengths, interleaved answers of several senders, some broken off, noise."""
    senders = [(0x7E8, 0), (0x7E9, 0), (0x18DAF110, EXTENDED)]
    answers = [transfer(bytes.fromhex(answer), tx_padding=0x55) for answer in ANSWERS]
    unfinished: list[list[bytes]] = [[] for _ in senders]
    found: list[tuple[int, bytes, int]] = []
    for _ in range(rows):
        what = chance.random()
        if what < 0.45:
            identifier = chance.choice(IDENTIFIERS)
            size = chance.choice([8, 8, 8, 64, 64, 3, 0])
            flags = (EXTENDED if identifier > 0x7FF else 0) | (FD if size > 8 else 0)
            if chance.random() < 0.1:
                flags |= chance.choice([SENT, ERROR, REMOTE])
            found.append((identifier, chance.randbytes(size), flags))
        elif what < 0.9:
            i = chance.randrange(len(senders))
            if not unfinished[i] or chance.random() < 0.05:
                unfinished[i] = list(chance.choice(answers))
            found.append((senders[i][0], unfinished[i].pop(0), senders[i][1]))
        else:
            found.append((chance.choice([0x7E8, 0x7DF, 0x300, 0x301]), chance.randbytes(chance.randrange(9)), 0))
    steps = [chance.choice([0, 1_000_000, 1_000_000, 1_000_000, 1_100_000_000, -5_000_000]) for _ in found]
    buses = [chance.choice(["engine", "engine", "engine", "body", "elsewhere"]) for _ in found]
    return frames_of(found, bus=buses, time=np.cumsum(steps).tolist())


def _decoded(profile: Profile, frames: FrameBatch, cuts: list[int]) -> tuple[object, Counter[str], object]:
    """Per channel the bytes of its rows, values and qualities, and what units said of themselves by row; the counts;
    what is told about identifiers."""
    decoder = Decoder(profile)
    counts: Counter[str] = Counter()
    parts: dict[int, list[tuple[np.ndarray, np.ndarray, np.ndarray]]] = {}
    told: list[object] = []
    edges = [0, *sorted(cut % (len(frames) + 1) for cut in cuts), len(frames)]
    for start, stop in pairwise(edges):
        samples = decoder.decode(frames[start:stop])
        counts.update(samples.counts)
        told += [(row + start, event) for row, event in samples.told]
        channels = [column.channel for column in samples.columns]
        assert len(set(channels)) == len(channels), "at most one column a channel"
        for column in samples.columns:
            assert (np.diff(column.row) >= 0).all()
            parts.setdefault(column.channel, []).append((column.row + start, column.value, column.quality))
    joined = {
        channel: tuple(np.concatenate(each).tobytes() for each in zip(*columns, strict=True))
        for channel, columns in sorted(parts.items())
    }
    odd = {
        kind: sorted((each.bus, each.identifier, each.extended, each.frames) for each in identifiers)
        for kind, identifiers in decoder.odd_identifiers().items()
    }
    return {**joined, "told": told}, counts, odd


@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(seed=st.integers(0, 2**32 - 1), rows=st.integers(1, 300), cuts=st.lists(st.integers(0, 10**6), max_size=20))
def test_any_cutting_gives_the_same_samples_and_counts(
    profile_of: Callable[..., Profile],
    frames_of: Callable[..., FrameBatch],
    frames_of_transfer: Callable[..., list[bytes]],
    seed: int,
    rows: int,
    cuts: list[int],
) -> None:
    profile = _profile(profile_of)
    frames = _recording(random.Random(seed), rows, frames_of, frames_of_transfer)
    whole = _decoded(profile, frames, [])
    assert _decoded(profile, frames, cuts) == whole
    assert _decoded(profile, frames, list(range(min(len(frames), 60)))) == whole, "one frame at a time, then the rest"


def test_the_recordings_tried_hold_everything_there_is_to_decode_and_to_count(
    profile_of: Callable[..., Profile],
    frames_of: Callable[..., FrameBatch],
    frames_of_transfer: Callable[..., list[bytes]],
) -> None:
    profile = _profile(profile_of)
    frames = _recording(random.Random(7), 5000, frames_of, frames_of_transfer)
    columns, counts, _ = _decoded(profile, frames, [])
    assert isinstance(columns, dict)
    assert len(columns) == len(profile.channels) + 1 and {type(event).word for _, event in columns["told"]} == {
        "fault codes",
        "readiness",
        "freeze frame",
        "identity",
    }
    assert {kind.split(",")[0].split(" (")[0] for kind in counts} >= {
        "frames not in the profile",
        "frames on bus elsewhere",
        "frames shorter than a signal",
        "frames with an undeclared multiplexer value",
        "error frames",
        "remote frames",
        "frames sent by the recording node",
        "diagnostic answers that broke off",
        "diagnostic frames whose answer had no beginning",
        "malformed diagnostic frames",
        "diagnostic answers with a parameter that is not declared",
        "diagnostic answers of services that are not decoded",
        "diagnostic answers put off",
    }
