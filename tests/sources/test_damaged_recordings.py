"""Recordings that were cut, or have garbage in them: read as far as they go, what is odd counted, nothing invented."""

from __future__ import annotations

import gzip
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import can
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livewatch.errors import SourceError
from livewatch.sources.recordings.recording import open_recording

Row = tuple[int, str, int, int, int, bytes]
Rows = Callable[[Path], list[Row]]

LINES = (".log", ".asc", ".csv", ".trc")
BLF_HEADER = 144


@pytest.fixture(scope="session")
def readable(read_rows: Callable) -> Rows:
    """The frames of a recording; none when there is nothing to be read in it."""

    def rows(path: Path) -> list[Row]:
        try:
            return read_rows(path)[0]
        except SourceError:
            return []

    return rows


@pytest.fixture(scope="session")
def scratch(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("damaged")


@pytest.fixture(scope="session")
def short_recordings(scratch: Path, traffic: Callable, write_recording: Callable) -> dict[str, bytes]:
    """Forty frames in every format; the BLF one in small blocks, so that it has several."""
    found = {}
    for suffix in (*LINES, ".blf", ".db", ".mf4"):
        path = scratch / f"short{suffix}"
        messages = traffic(11, 40, fd=suffix in (".log", ".asc", ".blf", ".mf4"))
        if suffix == ".blf":
            with can.BLFWriter(str(path), max_container_size=500) as writer:
                for message in messages:
                    writer(message)
        else:
            write_recording(path, messages)
        found[suffix] = path.read_bytes()
    return found


@pytest.fixture(scope="session")
def whole_mf4(short_recordings: dict[str, bytes], scratch: Path, readable: Rows) -> list[Row]:
    path = scratch / "whole.mf4"
    path.write_bytes(short_recordings[".mf4"])
    rows = readable(path)
    assert len(rows) >= 35
    return rows


def is_part_of(few: list[Row], all_rows: list[Row]) -> bool:
    """Whether `few` are frames of `all_rows`, in the same order."""
    rest = iter(all_rows)
    return all(any(row == other for other in rest) for row in few)


@pytest.mark.parametrize("suffix", [*LINES, ".blf", ".db"])
@settings(max_examples=40, deadline=None)
@given(share=st.floats(0, 1))
def test_a_recording_cut_at_any_byte_gives_its_first_frames(
    suffix: str, short_recordings: dict[str, bytes], scratch: Path, readable: Rows, share: float
) -> None:
    content = short_recordings[suffix]
    path = scratch / f"cut{suffix}"
    path.write_bytes(content)
    whole = readable(path)
    assert len(whole) >= 35
    path.write_bytes(content[: int(share * len(content))])
    rows = readable(path)
    assert rows == whole[: len(rows)]


@pytest.mark.parametrize("suffix", [*LINES, ".blf"])
def test_a_recording_cut_late_still_gives_most_of_its_frames(
    suffix: str, short_recordings: dict[str, bytes], scratch: Path, readable: Rows
) -> None:
    content = short_recordings[suffix]
    path = scratch / f"late{suffix}"
    path.write_bytes(content[: int(0.9 * len(content))])
    assert len(readable(path)) >= 25


@pytest.mark.parametrize("suffix", LINES)
@settings(max_examples=40, deadline=None)
@given(share=st.floats(0, 1), garbage=st.binary(min_size=1, max_size=300))
def test_garbage_in_a_text_recording_costs_the_lines_it_touches_only(
    suffix: str, short_recordings: dict[str, bytes], scratch: Path, readable: Rows, share: float, garbage: bytes
) -> None:
    content = short_recordings[suffix]
    # Not in the header: what it says holds for every line.
    header = content.index(b"\n", content.index(b"\n", content.index(b"Start of m"))) + 1 if suffix == ".asc" else 0
    header = content.rindex(b"\n;") + 1 if suffix == ".trc" else header
    header = content.index(b"\n", header) + 1
    place = header + int(share * (len(content) - header))
    line = content.rfind(b"\n", 0, place) + 1
    following = content.find(b"\n", place) + 1 or len(content)
    path = scratch / f"garbage{suffix}"

    def part(piece: bytes) -> list[Row]:
        path.write_bytes(piece)
        return readable(path)

    whole = part(content)
    before = part(content[:line])
    rows = part(content[:place] + garbage + content[place:])
    behind = len(whole) - len(part(content[:following]))
    assert rows[: len(before)] == whole[: len(before)]
    assert not behind or rows[-behind:] == whole[-behind:]


@settings(max_examples=100, deadline=None)
@given(share=st.floats(0, 1), garbage=st.binary(min_size=1, max_size=300), replace=st.booleans())
def test_garbage_in_a_blf_recording_invents_no_frame(
    short_recordings: dict[str, bytes], scratch: Path, readable: Rows, share: float, garbage: bytes, replace: bool
) -> None:
    content = short_recordings[".blf"]
    place = BLF_HEADER + int(share * (len(content) - BLF_HEADER))
    path = scratch / "garbage.blf"
    path.write_bytes(content)
    whole = readable(path)
    path.write_bytes(content[:place])
    before = readable(path)
    path.write_bytes(content[:place] + garbage + content[place + len(garbage) * replace :])
    rows = readable(path)
    assert is_part_of(rows, whole)
    # Of the block it is in, what came before the garbage may be lost too.
    first_block_of = content.rfind(b"LOBJ", BLF_HEADER, place)
    path.write_bytes(content[: max(first_block_of, 0)])
    kept = readable(path)
    assert rows[: len(kept)] == kept
    assert len(before) >= len(kept)


@pytest.mark.parametrize("suffix", [*LINES, ".blf", ".db"])
@settings(max_examples=40, deadline=None)
@given(share=st.floats(0, 1), garbage=st.binary(min_size=1, max_size=50), replace=st.booleans())
def test_garbage_anywhere_never_gives_more_than_a_plain_error(
    suffix: str,
    short_recordings: dict[str, bytes],
    scratch: Path,
    readable: Rows,
    share: float,
    garbage: bytes,
    replace: bool,
) -> None:
    content = short_recordings[suffix]
    place = int(share * len(content))
    path = scratch / f"anywhere{suffix}"
    path.write_bytes(content[:place] + garbage + content[place + len(garbage) * replace :])
    readable(path)


@settings(max_examples=20, deadline=None)  # each reads the file in a process of its own
@given(share=st.floats(0, 1), garbage=st.binary(min_size=1, max_size=50))
def test_an_mf4_recording_may_be_cut_anywhere_and_hold_garbage_that_crashes_its_library(
    short_recordings: dict[str, bytes],
    whole_mf4: list[Row],
    scratch: Path,
    readable: Rows,
    share: float,
    garbage: bytes,
) -> None:
    content = short_recordings[".mf4"]
    place = int(share * len(content))
    path = scratch / "cut.mf4"
    path.write_bytes(content[:place])
    rows = readable(path)
    assert rows == whole_mf4[: len(rows)]
    path.write_bytes(content[:place] + garbage + content[place + len(garbage) :])
    readable(path)  # frames, or a plain error


@pytest.mark.parametrize("suffix", [".log", ".blf", ".asc"])
@settings(max_examples=40, deadline=None)
@given(share=st.floats(0, 1))
def test_a_compressed_recording_cut_at_any_byte_gives_its_first_frames(
    suffix: str, short_recordings: dict[str, bytes], scratch: Path, readable: Rows, share: float
) -> None:
    path = scratch / f"packed{suffix}.gz"
    packed = gzip.compress(short_recordings[suffix], mtime=0)
    path.write_bytes(packed)
    whole = readable(path)
    path.write_bytes(packed[: int(share * len(packed))])
    rows = readable(path)
    assert rows == whole[: len(rows)]


def counts_of(path: Path) -> dict[str, int]:
    recording = open_recording(path)
    for _ in recording.batches():
        pass
    return recording.counts


CSV = b"timestamp,arbitration_id,extended,remote,error,dlc,data\n"
LINE = b"(1700000000.000000) can0 123#11\n"


@pytest.mark.parametrize(
    ("name", "content", "counts"),
    [
        ("a.log", LINE + b"\x00\xffnothing\n" + LINE, {"lines that are not frames": 1}),
        ("b.log", LINE + LINE[:-3], {"last line cut off": 1}),
        ("c.log", LINE + bytes(200_000) + b"\n" + LINE, {"lines that are not frames": 1}),
        ("d.log.gz", gzip.compress(LINE * 99)[:-4], {"compressed data cut off": 1}),
        ("e.log.gz", gzip.compress(LINE * 99) + b"appended", {"bytes behind the compressed data skipped": 8}),
        ("f.csv", CSV + b"1.5,0x1,0,0,0,1,EQ==\nx\n1.5,0x1,0,0,0,1,EQ==\n", {"lines that are not frames": 1}),
        ("g.csv", CSV + b"1.5,0x1,0,0,0,1,EQ==\n1.5,0xFFFFFFFF,0,0,0,0,\n", {"frames with a field out of range": 1}),
        ("h.trc", b";$FILEVERSION=1.1\n 1) 1.0 Rx 0123 1 11\n 2) 2.0 Rx 0123 x\n 3) 3.0 Rx 0123 1 1", {
            "lines that are not frames": 1, "last line cut off": 1}),
        ("i.asc", b"base hex timestamps absolute\n 0.5 1 123 Rx d 1 11\n 0.6 1 123 Rx d 1 zz\n 0.6 1 123 Rx d 1 1",
         {"lines that are not frames": 1, "last line cut off": 1}),
        ("j.asc", b"date Mon Foo 99 2026\nbase hex timestamps absolute\n 0.5 1 123 Rx d 1 11\n",
         {"dates that cannot be read": 1}),
    ],
)  # fmt: skip
def test_what_is_odd_in_a_recording_is_said(tmp_path: Path, name: str, content: bytes, counts: dict[str, int]) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    assert counts_of(path) == counts


def test_a_last_line_without_its_end_counts_when_the_direction_shows_that_it_is_whole(
    tmp_path: Path, read_rows: Callable
) -> None:
    path = tmp_path / "drive.log"
    path.write_bytes(LINE + LINE[:-1] + b" T")
    rows, recording = read_rows(path)
    assert len(rows) == 2
    assert recording.counts == {}


def blf_object(kind: int, body: bytes, version: int = 1, stamp: int = 0, flags: int = 2) -> bytes:
    header = struct.pack("<LHHQ", flags, 0, 0, stamp) if version == 1 else struct.pack("<LBxHQ8x", flags, 0, 0, stamp)
    size = 16 + len(header) + len(body)
    return struct.pack("<4sHHLL", b"LOBJ", 16 + len(header), version, size, kind) + header + body + bytes(size % 4)


def blf_block(content: bytes, method: int = 2) -> bytes:
    packed = zlib.compress(content) if method == 2 else content
    size = 32 + len(packed)
    return (
        struct.pack("<4sHHLL", b"LOBJ", 16, 1, size, 10) + struct.pack("<H6xL4x", method, len(content)) + packed
        + bytes(size % 4)
    )  # fmt: skip


def blf_file(*blocks: bytes) -> bytes:
    header = struct.pack(
        "<4sLBBBBBBBBQQLL8H8H", b"LOGG", 144, *[0] * 8, 0, 0, 0, 0, *(2026, 5, 1, 4, 9, 30, 0, 250), *[0] * 8
    )
    return header.ljust(144, b"\0") + b"".join(blocks)


def message(number: int) -> bytes:
    return blf_object(86, struct.pack("<HBBL8s", 1, 0, 8, number, bytes(8)), stamp=number)


def identifiers(path: Path) -> list[int]:
    return [int(each) for batch in open_recording(path).batches() for each in batch.identifier]


@pytest.mark.parametrize("method", [0, 2])
@pytest.mark.parametrize("cut", [1, 15, 16, 47, 48, 100])
def test_objects_run_on_from_one_block_to_the_next(tmp_path: Path, cut: int, method: int) -> None:
    content = b"".join(message(number) for number in range(5))
    path = tmp_path / "drive.blf"
    path.write_bytes(blf_file(blf_block(content[:cut], method), blf_block(content[cut:], method)))
    assert identifiers(path) == [0, 1, 2, 3, 4]
    assert counts_of(path) == {}


def test_no_frame_is_put_together_from_the_ends_of_a_lost_block(tmp_path: Path) -> None:
    content = b"".join(message(number) for number in range(30))
    size = len(message(0))
    blocks = [blf_block(content[at : at + 10 * size + 20]) for at in range(0, len(content), 10 * size + 20)]
    damaged = bytearray(blocks[1])
    damaged[60:80] = bytes(20)
    path = tmp_path / "drive.blf"
    path.write_bytes(blf_file(blocks[0], bytes(damaged), blocks[2]))
    assert identifiers(path) == [*range(10), *range(21, 30)]
    assert counts_of(path) == {"damaged blocks left out": 1, "bytes of garbage skipped": 20 + 8}


def test_an_object_with_bytes_missing_is_left_out(tmp_path: Path) -> None:
    first, second, third = message(1), message(2), message(3)
    path = tmp_path / "drive.blf"
    path.write_bytes(blf_file(blf_block(first + second[:-10] + third, 0)))
    assert identifiers(path) == [1, 3]
    assert counts_of(path) == {"bytes of garbage skipped": len(second) - 10}


def test_what_carries_no_frame_is_counted(tmp_path: Path) -> None:
    path = tmp_path / "drive.blf"
    path.write_bytes(
        blf_file(
            blf_block(
                message(1)
                + blf_object(65, b"text")
                + blf_object(86, struct.pack("<HBBL", 1, 0, 8, 7))
                + blf_object(86, struct.pack("<HBBL8s", 1, 0, 8, 7, bytes(8)), version=1).replace(
                    struct.pack("<HH", 32, 1), struct.pack("<HH", 32, 3)
                )
                + blf_object(86, struct.pack("<HBBL8s", 1, 0, 8, 7, bytes(8)), stamp=2**63)
                + message(2)
            )
        )
    )
    assert identifiers(path) == [1, 2]
    assert counts_of(path) == {
        "objects of a kind that carries no frame": 1,
        "frames in objects too short for them": 1,
        "frames in objects of an unknown version": 1,
        "frames with a field out of range": 1,
    }


def test_a_cut_blf_recording_says_so(tmp_path: Path) -> None:
    content = blf_file(*[blf_block(b"".join(message(number) for number in range(100)))] * 2)
    path = tmp_path / "drive.blf"
    path.write_bytes(content[:-60])
    found = identifiers(path)
    assert found == [*range(100), *range(len(found) - 100)]
    assert counts_of(path)["last block cut off"] == 1


def test_times_of_both_resolutions_and_object_versions_are_exact(tmp_path: Path) -> None:
    body = struct.pack("<HBBL8s", 1, 0, 8, 7, bytes(8))
    path = tmp_path / "drive.blf"
    path.write_bytes(
        blf_file(
            blf_block(
                blf_object(1, body, 1, 123_456_789, flags=1)
                + blf_object(1, body, 1, 123_456_789, flags=2)
                + blf_object(1, body, 2, 987_654_321, flags=2)
            )
        )
    )
    recording = open_recording(path)
    begun = recording.start_time
    times = [int(each) - begun for batch in recording.batches() for each in batch.time]
    assert begun % 10**9 == 250_000_000
    assert times == [1_234_567_890_000, 123_456_789, 987_654_321]


def test_frames_of_more_channels_than_a_batch_can_number_are_all_told_apart(tmp_path: Path) -> None:
    content = b"".join(blf_object(1, struct.pack("<HBBL8s", n + 1, 0, 8, n, bytes(8))) for n in range(700))
    path = tmp_path / "drive.blf"
    path.write_bytes(blf_file(blf_block(content)))
    found = [
        (batch.buses[bus], int(identifier))
        for batch in open_recording(path).batches()
        for bus, identifier in zip(batch.bus.tolist(), batch.identifier, strict=True)
    ]
    assert found == [(str(n), n) for n in range(700)]


def test_objects_outside_of_any_block_are_read_too(tmp_path: Path) -> None:
    path = tmp_path / "drive.blf"
    path.write_bytes(blf_file(message(1), blf_block(message(2)), message(3)))
    assert identifiers(path) == [1, 2, 3]
