"""Candump recordings: what one line says, what a whole file says, and that writing loses nothing."""

from __future__ import annotations

import io
import random
from pathlib import Path

import can
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livewatch.data.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE, SENT, FrameBatch
from livewatch.sources.recordings.candump.line import parse_line
from livewatch.sources.recordings.candump.line_writer import format_candump
from livewatch.sources.recordings.candump.lines import BusNames, parse_lines
from livewatch.sources.recordings.recording import open_recording
from tests.drawn import CHARACTERS


def read(text: bytes) -> tuple[FrameBatch, int]:
    batches, rejected = parse_lines(text, BusNames())
    return FrameBatch.concatenate(batches), rejected


def row_of(line: bytes) -> tuple[object, ...]:
    frame = parse_line(line)
    assert frame is not None
    bus = frame.bus.decode("utf-8", "replace")
    return frame.time, bus, frame.identifier, frame.flags, frame.length, frame.data.ljust(64, b"\0")


def rows(batch: FrameBatch) -> list[tuple[object, ...]]:
    return [
        (
            int(batch.time[i]),
            batch.buses[batch.bus[i]],
            int(batch.identifier[i]),
            int(batch.flags[i]),
            int(batch.length[i]),
            batch.data[i].tobytes().ljust(64, b"\0"),
        )
        for i in range(len(batch))
    ]


def one(line: bytes) -> tuple[object, ...]:
    """The frame on a line, which both the whole-chunk and the one-line parser must agree about."""
    batch, rejected = read(line + b"\n")
    assert (len(batch), rejected) == (1, 0)
    time, bus, identifier, flags, length, data = rows(batch)[0]
    assert row_of(line) == (time, bus, identifier, flags, length, data)
    assert isinstance(data, bytes)
    assert isinstance(length, int)
    return time, bus, identifier, flags, length, data[: 0 if flags & REMOTE else length]


# Lines in the form of can-utils' log files (lib.c, parse_canframe and sprint_canframe), from memory.
LINES = {
    b"(1436509052.249713) can0 1A4#0102030405060708": (
        1436509052249713000, "can0", 0x1A4, 0, 8, bytes(range(1, 9))),
    b"(1436509052.249713) vcan2 044#2A366C": (1436509052249713000, "vcan2", 0x44, 0, 3, bytes.fromhex("2A366C")),
    b"(1436509053.650713) vcan0 0400000B#": (1436509053650713000, "vcan0", 0x400000B, EXTENDED, 0, b""),
    b"(0.000001) can0 7FF#ff": (1000, "can0", 0x7FF, 0, 1, b"\xff"),
    b"(1436509052.249713) can0 1A4#R": (1436509052249713000, "can0", 0x1A4, REMOTE, 0, b""),
    b"(1436509052.249713) can0 12345678#R8": (1436509052249713000, "can0", 0x12345678, REMOTE | EXTENDED, 8, b""),
    b"(1436509052.249713) can0 123##0112233": (1436509052249713000, "can0", 0x123, FD, 3, b"\x11\x22\x33"),
    b"(1436509052.249713) can0 123##3" + b"AB" * 64: (
        1436509052249713000, "can0", 0x123, FD | BRS | ESI, 64, b"\xab" * 64),
    b"(1436509052.249713) can0 123##511": (1436509052249713000, "can0", 0x123, FD | BRS, 1, b"\x11"),
    b"(1436509052.249713) can0 20000080#0000000000000000": (
        1436509052249713000, "can0", 0x80, ERROR, 8, bytes(8)),
    b"(1436509052.249713) can0 20000004#0008000000000000": (
        1436509052249713000, "can0", 0x4, ERROR, 8, bytes.fromhex("0008000000000000")),
    b"(1436509052.249713) can0 123#11 R": (1436509052249713000, "can0", 0x123, 0, 1, b"\x11"),
    b"(1436509052.249713) can0 123#11 T": (1436509052249713000, "can0", 0x123, SENT, 1, b"\x11"),
    b"(1436509052.249713) can0 123##011 T": (1436509052249713000, "can0", 0x123, FD | SENT, 1, b"\x11"),
    b"(1436509052.249713)  can_engine_left  123#11": (1436509052249713000, "can_engine_left", 0x123, 0, 1, b"\x11"),
    b"(1436509052.249713) a_name_longer_than_sixteen 123#11": (
        1436509052249713000, "a_name_longer_than_sixteen", 0x123, 0, 1, b"\x11"),
    b"(1436509052.249713) 3 123#11": (1436509052249713000, "3", 0x123, 0, 1, b"\x11"),
    b"(1436509052.123456789) can0 123#11": (1436509052123456789, "can0", 0x123, 0, 1, b"\x11"),
    b"(1436509052.1) can0 123#11": (1436509052100000000, "can0", 0x123, 0, 1, b"\x11"),
    b"(1436509052) can0 123#11": (1436509052000000000, "can0", 0x123, 0, 1, b"\x11"),
    b"(1436509052.) can0 123#11": (1436509052000000000, "can0", 0x123, 0, 1, b"\x11"),
    b"(-1.5) can0 123#11": (-1500000000, "can0", 0x123, 0, 1, b"\x11"),
    b"(1436509052.249713) can0 123#1122334455667788_E": (
        1436509052249713000, "can0", 0x123, 0, 8, bytes.fromhex("1122334455667788")),
    b"(1436509052.249713) can0 123#11\r": (1436509052249713000, "can0", 0x123, 0, 1, b"\x11"),
    b"(1436509052.249713) can0 123##011 T\r": (1436509052249713000, "can0", 0x123, FD | SENT, 1, b"\x11"),
}  # fmt: skip


@pytest.mark.parametrize("line", LINES, ids=lambda line: line.decode()[:60].strip())
def test_a_line_says_what_the_can_utils_mean_by_it(line: bytes) -> None:
    assert one(line) == LINES[line]


@pytest.mark.parametrize("digits", range(10))
def test_a_time_is_exact_with_any_number_of_digits(digits: int) -> None:
    fraction = "123456789"[:digits]
    line = f"(1436509052{'.' * bool(digits)}{fraction}) can0 123#11".encode()
    assert one(line)[0] == 1436509052 * 10**9 + int(fraction.ljust(9, "0"))


@pytest.mark.parametrize(
    "line",
    [
        b"can0 123#11",
        b"(1436509052.249713) can0 123",
        b"(1436509052.249713) can0 12G#11",
        b"(1436509052.249713) can0 #11",
        b"(1436509052.249713) can0 123#1",
        b"(1436509052.249713) can0 123#1G",
        b"(1436509052.249713) can0 123##",
        b"(1436509052.249713) can0 123##G11",
        b"(1436509052.24x713) can0 123#11",
        b"(99999999999.249713) can0 123#11",
        b"(1436509052.249713) can0 123456789#11",
        b"(1436509052.249713) can0 123#11 X",
        b"(1436509052.249713) can0 123#" + b"11" * 65,
        b"(.) can0 123#11",
        b"\xff\x00\x80 nothing of the kind",
    ],
)
def test_a_line_that_is_no_frame_is_counted_and_read_over(line: bytes) -> None:
    good = b"(1436509052.249713) can0 123#11\n"
    batch, rejected = read(good + line + b"\n" + good)
    assert (len(batch), rejected) == (2, 1)
    assert parse_line(line) is None


def test_blank_lines_are_no_oddity() -> None:
    batch, rejected = read(b"\n  \n(1436509052.249713) can0 123#11\n\r\n\n")
    assert (len(batch), rejected) == (1, 0)


any_name = st.text(st.characters(exclude_categories=["Cc", "Cs"], exclude_characters=" "), min_size=1)
usual_name = st.from_regex(r"[a-z][a-z0-9_.:-]{0,20}", fullmatch=True, alphabet=CHARACTERS)


@st.composite
def batches(draw: st.DrawFn, most: int = 80, names: st.SearchStrategy[str] = any_name) -> FrameBatch:
    buses = draw(st.lists(names, min_size=1, max_size=4, unique=True))
    seed = draw(st.integers(0, 2**32 - 1))
    n = draw(st.integers(1, most))
    kinds = draw(st.sampled_from(["classic", "fd", "any"]))
    resolution = draw(st.sampled_from([1, 1000]))
    earliest = draw(st.sampled_from([-(10**10), 0, 999_999_990 * 10**9, 1_700_000_000 * 10**9]))
    chance = np.random.default_rng(seed)
    flags = np.zeros(n, np.uint8)
    flags |= np.where(chance.random(n) < 0.3, EXTENDED, 0).astype(np.uint8)
    flags |= np.where(chance.random(n) < 0.2, SENT, 0).astype(np.uint8)
    if kinds != "classic":
        fd = chance.random(n) < (1 if kinds == "fd" else 0.3)
        flags |= np.where(fd, FD + BRS * (chance.random(n) < 0.5) + ESI * (chance.random(n) < 0.5), 0).astype(np.uint8)
    if kinds == "any":
        flags |= np.where(chance.random(n) < 0.1, REMOTE, 0).astype(np.uint8)
        flags |= np.where(chance.random(n) < 0.1, ERROR, 0).astype(np.uint8)
    length = np.where(flags & FD, chance.integers(0, 65, n), chance.integers(0, 9, n)).astype(np.uint8)
    width = 64 if (length > 8).any() else 8
    data = chance.integers(0, 256, (n, width)).astype(np.uint8)
    data[(np.arange(width) >= length[:, None]) | ((flags & REMOTE) > 0)[:, None]] = 0
    identifier = np.where(flags & EXTENDED, chance.integers(0, 2**29, n), chance.integers(0, 2**11, n))
    identifier = np.where(flags & ERROR, chance.integers(0, 2**29, n), identifier).astype(np.uint32)
    time = earliest + chance.integers(0, 2 * 10**10 // resolution, n) * resolution
    bus = chance.integers(0, len(buses), n).astype(np.uint8)
    return FrameBatch(time, bus, identifier, flags, length, data, tuple(buses))


@settings(max_examples=100, deadline=None)
@given(batches())
def test_what_was_written_reads_back_in_every_field(batch: FrameBatch) -> None:
    written = format_candump(batch)
    back, rejected = read(written)
    assert rejected == 0
    assert rows(back) == rows(batch)


@settings(max_examples=100, deadline=None)
@given(batches(), st.integers(1, 40))
def test_the_lines_do_not_depend_on_how_the_frames_are_cut(batch: FrameBatch, size: int) -> None:
    whole = format_candump(batch)
    assert b"".join(format_candump(batch[at : at + size]) for at in range(0, len(batch), size)) == whole
    assert [parse_line(line) is not None for line in whole.split(b"\n")[:-1]] == [True] * len(batch)


@settings(max_examples=100, deadline=None)
@given(batches(names=usual_name))
def test_python_can_reads_what_was_written(batch: FrameBatch) -> None:
    """Oracle: python-can's CanutilsLogReader. It keeps nothing of an error frame, and rounds times to a float."""
    batch = batch[(batch.flags & ERROR) == 0]
    messages = list(can.CanutilsLogReader(io.StringIO(format_candump(batch).decode())))
    assert len(messages) == len(batch)
    for mine, theirs in zip(batch.to_messages(), messages, strict=True):
        assert mine.equals(theirs, timestamp_delta=2e-6), (mine, theirs)


def test_more_buses_than_a_batch_can_number_are_all_told_apart() -> None:
    text = b"".join(b"(%d.5) bus%d 123#%02X\n" % (i, i % 700, i % 256) for i in range(3000))
    buses = BusNames()
    batches, rejected = parse_lines(text, buses)
    assert rejected == 0
    found = [(row[0], row[1]) for batch in batches for row in rows(batch)]
    assert found == [(i * 10**9 + 5 * 10**8, f"bus{i % 700}") for i in range(3000)]


def test_a_recording_is_read_line_by_line_whatever_the_chunk(tmp_path: Path) -> None:
    chance = random.Random(5)
    lines = [
        f"({1_600_000_000 + i * 0.001:.6f}) can{i % 3} {chance.randrange(2048):03X}#{chance.randbytes(i % 9).hex()}\n"
        for i in range(25_000)
    ]
    path = tmp_path / "drive.log"
    path.write_text("".join(lines))
    recording = open_recording(path)
    got = [row for batch in recording.batches() for row in rows(batch)]
    assert len(got) == 25_000
    assert got == [row_of(line.encode()) for line in lines]
    assert recording.counts == {}
    assert recording.progress == 1.0
    assert recording.format == "candump"
    assert recording.start_time == 1_600_000_000 * 10**9


near_lines = st.from_regex(
    rb"\(-?[0-9]{0,11}(\.[0-9]{0,10})?\) {1,2}[a-z0-9_\xe9]{1,18} [0-9A-Fa-fG]{1,9}#(#[0-9A-G]?)?"
    rb"(R[0-9]{0,3}|([0-9a-fA-F]{2}){0,10}[0-9g]?)(_[0-9A-F])?( [RTrtX])?\r?",
    fullmatch=True,
)
usual_lines = st.from_regex(
    rb"\([0-9]{10}\.[0-9]{6}\) can[0-3] ([0-7][0-9A-F]{2}|[0-9A-F]{8})#(#[0-3])?([0-9A-F]{2}){0,9}( [RT])?",
    fullmatch=True,
)


@st.composite
def spoilt_lines(draw: st.DrawFn) -> bytes:
    line = bytearray(draw(usual_lines))
    for _ in range(draw(st.integers(0, 2))):
        line[draw(st.integers(0, len(line) - 1))] = draw(st.integers(0, 255).filter(lambda byte: byte != 10))
    return bytes(line)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.one_of(near_lines, usual_lines, spoilt_lines(), st.binary(max_size=60)), min_size=1, max_size=8))
def test_all_lines_at_once_say_what_each_says_alone(lines: list[bytes]) -> None:
    lines = [line.replace(b"\n", b"") for line in lines]
    frames = [line for line in lines if parse_line(line) is not None]
    batch, rejected = read(b"\n".join(lines) + b"\n")
    assert rejected == len([line for line in lines if line.strip()]) - len(frames)
    assert rows(batch) == [row_of(line) for line in frames]
