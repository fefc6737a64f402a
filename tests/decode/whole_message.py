"""All signals of one message, decoded by the table of slots that the decoder is made of.

Payloads of one message come in as rows; per signal the values and where they were received come out.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from livewatch.decode.field import words_of
from livewatch.decode.slots import FLOATS, Pairs, SlotLayout, SlotTable
from livewatch.profile.model import Message

Raw = NDArray[np.int64] | NDArray[np.uint64] | NDArray[np.float64]


def decode_message(
    message: Message, data: NDArray[np.uint8], length: NDArray[np.uint8]
) -> dict[str, tuple[NDArray[np.float64], NDArray[np.bool_]]]:
    """Physical values of every signal of `message`, in its own unit.

    Args:
        data: (n, w) payloads, zero beyond `length`; any width w.
        length: (n,) bytes received.

    Returns:
        Signal name to (float64 (n,), bool (n,) received); the value is NaN where the signal was not received, because
        the payload is too short or the multiplexer selects others.
    """
    table, words, pairs = _locate(message, data, length)
    bits = table.bits(words, pairs)
    physical = table.physical(bits, pairs)
    result = {signal.name: (np.full(len(data), np.nan), np.zeros(len(data), np.bool_)) for signal in message.signals}
    for slot, part in _all(table, pairs):
        value, received = result[table.signals[slot].name]
        rows = pairs.rows[part]
        value[rows] = physical[part]
        received[rows] = True
    return result


def decode_message_raw(
    message: Message, data: NDArray[np.uint8], length: NDArray[np.uint8]
) -> dict[str, tuple[Raw, NDArray[np.bool_]]]:
    """Like `decode_message`, with raw numbers, all bits kept: uint64 or int64, float64 for floats; 0 where not
    received."""
    table, words, pairs = _locate(message, data, length)
    bits = table.bits(words, pairs)
    result: dict[str, tuple[Raw, NDArray[np.bool_]]] = {}
    nothing = np.zeros(len(data), np.uint64)
    for slot, signal in enumerate(table.signals):
        result[signal.name] = (_raw(table, slot, nothing).copy(), np.zeros(len(data), np.bool_))
    for slot, part in _all(table, pairs):
        value, received = result[table.signals[slot].name]
        rows = pairs.rows[part]
        value[rows] = _raw(table, slot, bits[part])
        received[rows] = True
    return result


def _raw(table: SlotTable, slot: int, bits: NDArray[np.uint64]) -> Raw:
    signal = table.signals[slot]
    if signal.kind == "float":
        unsigned, floating = FLOATS[signal.length]
        with np.errstate(invalid="ignore"):  # a signalling NaN is a NaN
            return bits.astype(unsigned).view(floating).astype(np.float64)
    return bits if signal.kind == "unsigned" else table.fields[slot].integers(bits)


def _all(table: SlotTable, pairs: Pairs) -> Iterator[tuple[int, slice]]:
    return pairs.segments(np.ones(len(table), np.bool_))


def _locate(
    message: Message, data: NDArray[np.uint8], length: NDArray[np.uint8]
) -> tuple[SlotTable, NDArray[np.uint64], Pairs]:
    table = SlotTable([SlotLayout(message.signals, message.signals)])
    rows, width = data.shape
    padded = np.zeros((rows, max(8, -(-width // 8) * 8)), np.uint8)
    padded[:, :width] = data
    words = words_of(padded)
    order = np.arange(rows, dtype=np.int64)
    pairs = table.locate(words, length, order, np.zeros(1, np.int64), np.array([rows]))
    return table, words, pairs
