"""Rows as messages, and back: raw frames, samples, and rows of silence, in order, nothing left out.

A run of rows goes in with its number in the session; bytes come out, and from them the same rows, every digit. A
message is a MessagePack map, compressed by zlib (RFC 1950):

    v, n            1; the number of the message in its session, from 0, without gaps
    frames          {buses, time, bus, identifier, flags, length, data}: columns of frames
    samples         {time, silence, counts, columns: [{channel, row, value, quality}]}: columns of samples

One of the two is there. Columns are byte strings, little-endian: time and row int64 (ns since the Unix epoch; place),
identifier uint32, value float64, the others uint8; `data` holds the data bytes of all frames one after the other,
`length` of each (64 at the most; none of a remote frame, whose length is what it asks for).
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from typing import Any

import msgpack
import numpy as np
from numpy.typing import NDArray

from livewatch.data.frames import LARGEST_EXTENDED, MOST_BUSES, REMOTE, FrameBatch
from livewatch.data.samples import Quality, Rows, SampleBatch, SampleColumn

__all__ = ["LARGEST_ROWS", "MOST_ROWS", "pack_rows", "unpack_rows"]

MOST_ROWS = 20_000
"""Rows of a message."""
LARGEST_ROWS = 4 << 20
"""Bytes of a message, and eight times as many of what is in it."""
_LIMITS = 1 << 62


def pack_rows(rows: Rows, number: int, channels: Sequence[str]) -> bytes:
    """The message number `number` with `rows`, at most MOST_ROWS; `channels` are the profile's, in its order."""
    record: dict[str, Any] = {"v": 1, "n": number}
    if isinstance(rows, FrameBatch):
        carried = np.where(rows.flags & REMOTE, 0, rows.length)
        record["frames"] = {
            "buses": list(rows.buses),
            "time": rows.time.astype("<i8").tobytes(),
            "bus": rows.bus.tobytes(),
            "identifier": rows.identifier.astype("<u4").tobytes(),
            "flags": rows.flags.tobytes(),
            "length": rows.length.tobytes(),
            "data": rows.data[np.arange(rows.data.shape[1]) < carried[:, None]].tobytes(),
        }
    else:
        record["samples"] = {
            "time": rows.time.astype("<i8").tobytes(),
            "silence": rows.silence,
            "counts": dict(rows.counts),
            "columns": [
                {
                    "channel": channels[column.channel],
                    "row": column.row.astype("<i8").tobytes(),
                    "value": column.value.astype("<f8").tobytes(),
                    "quality": column.quality.tobytes(),
                }
                for column in rows.columns
            ],
        }
    return zlib.compress(msgpack.packb(record), 1)


def unpack_rows(payload: Any, index: Mapping[str, int]) -> tuple[int, Rows]:
    """The number of a message and its rows. `index` maps channel names to their place in the profile.

    Raises:
        ValueError: it is none, or too large.
    """
    if not isinstance(payload, bytes | bytearray) or len(payload) > LARGEST_ROWS:
        raise ValueError("it is too large")
    try:
        unpacker = zlib.decompressobj()
        content = unpacker.decompress(payload, 8 * LARGEST_ROWS)
        if not unpacker.eof:
            raise ValueError("it is cut off, or too large")
        record = msgpack.unpackb(
            content, max_map_len=4096, max_array_len=4096, max_ext_len=0, max_str_len=4096, strict_map_key=True
        )
        number = record["n"]
        if record["v"] != 1 or type(number) is not int or not 0 <= number < 1 << 53:
            raise ValueError("it is of another version")
        rows: Rows = _frames(record["frames"]) if "frames" in record else _samples(record["samples"], index)
    except ValueError:
        raise
    except Exception as error:  # zlib, msgpack, and whatever a wrong shape leads to
        raise ValueError(f"it is no message of rows: {type(error).__name__}") from None
    return number, rows


def _column(content: Any, kind: str, rows: int | None = None) -> NDArray[Any]:
    if not isinstance(content, bytes):
        raise ValueError("a column is no byte string")
    column = np.frombuffer(content, kind)
    if len(column) > MOST_ROWS or (rows is not None and len(column) != rows):
        raise ValueError("a column has another length than the others")
    return column


def _times(content: Any) -> NDArray[np.int64]:
    time = _column(content, "<i8").astype(np.int64)
    if not len(time) or (np.abs(time) > _LIMITS).any():
        raise ValueError("a time lies beyond all clocks")
    return time


def _frames(record: Mapping[str, Any]) -> FrameBatch:
    time = _times(record["time"])
    n = len(time)
    buses = tuple(record["buses"])
    bus = _column(record["bus"], "u1", n)
    identifier = _column(record["identifier"], "<u4", n).astype(np.uint32)
    flags, length = _column(record["flags"], "u1", n), _column(record["length"], "u1", n)
    if not all(isinstance(name, str) and len(name) <= 100 for name in buses) or len(buses) > MOST_BUSES:
        raise ValueError("a bus has no name")
    if (bus >= len(buses)).any() or (length > 64).any() or (flags > 127).any() or (identifier > LARGEST_EXTENDED).any():
        raise ValueError("a frame cannot be one")
    carried = np.where(flags & REMOTE, 0, length).astype(np.int64)
    flat = np.frombuffer(record["data"], np.uint8)
    if len(flat) != carried.sum():
        raise ValueError("the data has another length than the frames say")
    width = 64 if (carried > 8).any() else 8
    data = np.zeros((n, width), np.uint8)
    data[np.arange(width) < carried[:, None]] = flat
    return FrameBatch(time, bus, identifier, flags, length, data, buses)


def _samples(record: Mapping[str, Any], index: Mapping[str, int]) -> SampleBatch:
    time = _times(record["time"])
    counts, columns, seen = {}, [], set()
    for kind, count in dict(record["counts"]).items():
        if not isinstance(kind, str) or len(kind) > 200 or type(count) is not int or not 0 <= count < 1 << 53:
            raise ValueError("a count is none")
        counts[kind] = count
    for entry in record["columns"]:
        channel = index.get(entry["channel"])
        row = _column(entry["row"], "<i8").astype(np.int64)
        value = _column(entry["value"], "<f8", len(row)).astype(np.float64)
        quality = _column(entry["quality"], "u1", len(row))
        if len(row) and (row[0] < 0 or row[-1] >= len(time) or (np.diff(row) <= 0).any()):
            raise ValueError("a sample is of no row")
        if (quality > int(Quality.NEVER_SEEN)).any() or np.isinf(value).any():
            raise ValueError("a sample is none")
        if channel is not None and channel not in seen:
            seen.add(channel)
            columns.append(SampleColumn(channel, row, value, quality))
    return SampleBatch(time, columns, counts, record["silence"] is True)
