"""What each frame is to the profile.

A `FrameBatch` comes in; one code a frame comes out: which layout its signals follow, whether it is an answer on the
diagnostic port, or nothing to us. Looked up in tables: one entry for every 11-bit identifier of every bus, a sorted
list for the 29-bit ones. Frames that carry no broadcast data (error, remote, sent by the recording node) get no
layout.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livewatch.data.frames import ERROR, EXTENDED, REMOTE, SENT, FrameBatch
from livewatch.data.samples import OddRows
from livewatch.profile.diagnostic_port.addresses import answer_identifiers, request_identifiers
from livewatch.profile.model import Diagnostics

__all__ = ["ANSWER", "LAYOUT", "Address", "IdentifierCount", "TrafficTable"]

LAYOUT = 0xFFFF
"""Bits of a code that hold the number of the layout plus one; 0 for none."""
KNOWN = 1 << 16
"""The profile knows this identifier, whether a channel wants something of it or not."""
ANSWER = 1 << 17
"""An answer on the diagnostic port."""
REQUEST = 1 << 18
"""A tester's request, or flow control, on the diagnostic port."""

STANDARD = 2048
"""11-bit identifiers."""
LARGEST_EXTENDED = (1 << 29) - 1
MOST_REMEMBERED = 4096
"""29-bit identifiers not in the profile that are told apart."""

NOT_IN_PROFILE = "frames not in the profile"
TOO_LONG = "frames whose identifier has 29 bits here and 11 in the profile: written with 8 digits in place of 3?"
UNKNOWN_BUS = "frames on bus {}, which is not in the profile"
ERRORS = "error frames"
REMOTES = "remote frames"
SENT_DATA = "frames sent by the recording node, not decoded"

Address = tuple[str, int, bool]
"""Bus, identifier, extended."""


@dataclass(frozen=True, slots=True)
class IdentifierCount:
    """How many frames of one identifier something was odd about."""

    bus: str
    identifier: int
    extended: bool
    frames: int


def _answer_addresses(diagnostics: Diagnostics) -> list[Address]:
    """Everything answers may come from: 7E8..7EF and 18DAF1xx (ISO 15765-4), and what is listed."""
    bus = diagnostics.bus
    found = [(bus, identifier, extended) for extended in (False, True) for identifier in answer_identifiers(extended)]
    found += [(bus, identifier, diagnostics.extended or identifier >= STANDARD) for identifier in diagnostics.answers]
    return found


def _request_addresses(diagnostics: Diagnostics) -> list[Address]:
    """Everything testers may ask with: 7DF, 7E0..7E7, 18DB33F1 and 18DAxxF1 (ISO 15765-4), and what is declared."""
    bus = diagnostics.bus
    found = [(bus, identifier, extended) for extended in (False, True) for identifier in request_identifiers(extended)]
    found += [(bus, diagnostics.request, diagnostics.extended)]
    return found


class TrafficTable:
    """The lookup tables, and how many frames of which identifier were not in the profile."""

    def __init__(
        self,
        buses: Iterable[str],
        layouts: Sequence[Address],
        known: Iterable[Address],
        diagnostics: Sequence[Diagnostics],
    ) -> None:
        self._buses = {name: i for i, name in enumerate(dict.fromkeys(buses))}
        codes: dict[Address, int] = {address: number + 1 | KNOWN for number, address in enumerate(layouts)}
        for address in known:
            codes[address] = codes.get(address, 0) | KNOWN
        for each in diagnostics:
            for address in _request_addresses(each):
                codes[address] = codes.get(address, 0) | KNOWN | REQUEST
            for address in _answer_addresses(each):
                codes[address] = codes.get(address, 0) | KNOWN | ANSWER
        # one more row for unknown buses, one more column for identifiers that are no 11-bit ones
        table = np.zeros((len(self._buses) + 1, STANDARD + 1), np.uint32)
        extended: list[tuple[int, int]] = [(-1, 0)]
        for (bus, identifier, is_extended), code in codes.items():
            if bus in self._buses:
                if is_extended:
                    extended.append((self._buses[bus] << 29 | identifier, code))
                elif identifier < STANDARD:
                    table[self._buses[bus], identifier] = code
        extended.sort()
        self._standard = table.ravel()
        self._extended_key = np.array([key for key, _ in extended], np.int64)
        self._extended_code = np.array([code for _, code in extended], np.uint32)
        self._unknown_standard = np.zeros(table.size, np.int64)
        self._unknown_extended: dict[int, int] = {}
        self._standard_came = False
        self._named: tuple[str, ...] | None = None
        self._translate = np.empty(0, np.int64)

    def codes(self, batch: FrameBatch, odd_rows: OddRows) -> NDArray[np.uint32]:
        """uint32 (n,), sums of LAYOUT, KNOWN, ANSWER and REQUEST bits; adds to `odd_rows`."""
        if batch.buses != self._named:
            self._named = batch.buses
            indices = [self._buses.get(name, len(self._buses)) for name in batch.buses]
            self._translate = np.array(indices or [len(self._buses)], np.int64)
        bus = self._translate[batch.bus]
        place = bus * (STANDARD + 1) + np.minimum(batch.identifier, STANDARD)
        result = self._standard[place]
        extended = batch.flags & np.uint8(EXTENDED)
        rows = key = None
        if extended.any():
            rows = np.flatnonzero(extended)
            key = bus[rows] << 29 | np.minimum(batch.identifier[rows], LARGEST_EXTENDED)
            at = self._extended_key.searchsorted(key, side="right") - 1
            result[rows] = np.where(self._extended_key[at] == key, self._extended_code[at], 0)
        empty = result == 0
        odd = batch.flags & (ERROR | REMOTE | SENT)
        if odd.any():
            self._leave_out(batch.flags, result, odd_rows)
            empty &= odd == 0
        if empty.any():
            foreign = bus == len(self._buses)
            if foreign.any():
                strange = np.flatnonzero(empty & foreign)
                for i in np.flatnonzero(np.bincount(batch.bus[strange])).tolist():
                    odd_rows.add(UNKNOWN_BUS.format(batch.buses[i]), strange[batch.bus[strange] == i])
                empty &= ~foreign
            if not self._standard_came:
                # What the profile has under 11 bits, the recording has under 29: its writer wrote every digit.
                long = empty & (extended != 0) & (batch.identifier < STANDARD)
                long[np.argmin(extended) if (extended == 0).any() else len(long) :] = False
                odd_rows.add(TOO_LONG, np.flatnonzero(long & (self._standard[place] != 0)))
            odd_rows.add(NOT_IN_PROFILE, np.flatnonzero(empty))
            self._remember(empty, place, extended, rows, key)
        self._standard_came = self._standard_came or bool((extended == 0).any())
        return result

    def unknown(self) -> list[IdentifierCount]:
        """Identifiers not in the profile, most frames first."""
        names = list(self._buses)
        found: list[IdentifierCount] = []
        for place in np.flatnonzero(self._unknown_standard).tolist():
            bus, identifier = divmod(place, STANDARD + 1)
            if identifier < STANDARD:
                found.append(IdentifierCount(names[bus], identifier, False, int(self._unknown_standard[place])))
        for key, frames in self._unknown_extended.items():
            found.append(IdentifierCount(names[key >> 29], key & LARGEST_EXTENDED, True, frames))
        return sorted(found, key=lambda each: (-each.frames, each.bus, each.extended, each.identifier))

    @staticmethod
    def _leave_out(flags: NDArray[np.uint8], result: NDArray[np.uint32], odd_rows: OddRows) -> None:
        """No code for frames without broadcast data."""
        error = flags & ERROR != 0
        remote = (flags & REMOTE != 0) & ~error
        sent = (flags & SENT != 0) & ~error & ~remote
        odd_rows.add(ERRORS, np.flatnonzero(error))
        odd_rows.add(REMOTES, np.flatnonzero(remote))
        odd_rows.add(SENT_DATA, np.flatnonzero(sent & (result & REQUEST == 0)))
        result[error | remote | sent] = 0

    def _remember(
        self,
        unknown: NDArray[np.bool_],
        place: NDArray[np.int64],
        extended: NDArray[np.uint8],
        rows: NDArray[np.int64] | None,
        key: NDArray[np.int64] | None,
    ) -> None:
        standard = place[unknown if rows is None else unknown & (extended == 0)]
        self._unknown_standard += np.bincount(standard, minlength=len(self._unknown_standard))
        if rows is None or key is None:
            return
        keys, first, frames = np.unique(key[unknown[rows]], return_index=True, return_counts=True)
        for i in np.argsort(first).tolist():
            each = int(keys[i])
            if each in self._unknown_extended or len(self._unknown_extended) < MOST_REMEMBERED:
                self._unknown_extended[each] = self._unknown_extended.get(each, 0) + int(frames[i])
