"""CSV tables: rows of text.

The content of a file comes in, chunks of columns go out, a bounded number of rows at a time. Comma, semicolon, tab
and bar are told apart by the header line; behind a semicolon or a tab, numbers may have a decimal comma. UTF-8 with
or without its mark, UTF-16 and, failing these, Windows-1252 are read. A row with another number of cells than the
header would put values under the wrong name and is left out; so is a last line without its end, which may have lost
digits. Both are counted.
"""

from __future__ import annotations

import codecs
import csv
import io
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import suppress
from itertools import chain, islice

from livewatch.errors import SourceError
from livewatch.profile.units import UnitError, read_unit
from livewatch.sources.recordings.byte_stream import ByteStream
from livewatch.sources.tables.cells import NUMBER, Column, numbers, times

__all__ = ["CsvRows"]

_DELIMITERS = ";\t,|"
_LONGEST_LINE = 1 << 20
_GLANCE = 50
"""Rows looked at to see whether the header fits them."""


class CsvRows:
    """Rows of a CSV file. `names` is its header; `units` the line behind it when that holds units, else Nones."""

    format = "CSV"

    def __init__(self, stream: ByteStream) -> None:
        self.stream = stream
        self.counts: Counter[str] = stream.counts
        encoding = _encoding(stream)
        text = io.TextIOWrapper(io.BufferedReader(stream), encoding, errors="replace", newline="")
        self._lines = self._whole_lines(text)
        header = next((line for line in self._lines if line.strip() and not line.startswith("#")), "")
        delimiter = max(_DELIMITERS, key=lambda mark: _outside_quotes(header, mark))
        self.decimal_comma = delimiter in ";\t"
        self.names = [name.strip() for name in next(csv.reader([header], delimiter=delimiter), [])]
        while self.names and not self.names[-1]:
            self.names.pop()
        rows = csv.reader(self._lines, delimiter=delimiter)
        glance = self._fit_header(rows)
        self._rows = self._whole_rows(chain(glance, rows))
        self._first = list(islice(self._rows, 1))
        self.units: list[str | None] = [None] * len(self.names)
        if self._first and (units := _units(self._first[0], self.decimal_comma)):
            self.units, self._first = units, []

    def _fit_header(self, rows: Iterator[list[str]]) -> list[list[str]]:
        """The first rows; where every one of them has another number of cells than the header, all the same one, the
        names and cells that stand alone at the end are left out and counted."""
        glance: list[list[str]] = []
        with suppress(csv.Error):
            glance.extend(islice(rows, _GLANCE))
        widths = {len(row) for row in glance if any(cell.strip() for cell in row)}
        names = len(self.names)
        if len(widths) != 1 or names in widths or min(*widths, names) < 2:
            return glance
        (cells,) = widths
        if cells < names:
            alone = ", ".join(self.names[cells:])
            self.counts[
                f"names in the header ({names}) behind the last value of a row ({cells}), not used: {alone}"
            ] += 1
            del self.names[cells:]
        elif any(row[names:] != [""] * (cells - names) for row in glance if row):
            self.counts[f"values in every row ({cells}) behind the last name of the header ({names}), not used"] += 1
            self.names += [""] * (cells - names)
        return glance

    @property
    def progress(self) -> float:
        """The share of the file read so far, 0..1."""
        return self.stream.progress

    def chunks(self, wanted: Sequence[int], size: int) -> Iterator[list[Column]]:
        """The wanted columns, at most `size` rows at a time, as text."""
        while rows := self._first + list(islice(self._rows, size - len(self._first))):
            self._first = []
            columns = list(zip(*rows, strict=True))
            yield [columns[number] for number in wanted]

    def close(self) -> None:
        """Close the file."""
        self.stream.close()

    def _whole_lines(self, text: io.TextIOWrapper) -> Iterator[str]:
        line = text.readline(_LONGEST_LINE)
        while line:
            following = text.readline(_LONGEST_LINE)
            if not following and not line.endswith(("\n", "\r")):
                self.counts["last line cut off"] += 1
                return
            if '"' in line and line.count('"') % 2:
                # Everything up to the next such line would be one cell.
                self.counts["lines with an open quote, not used"] += 1
            else:
                yield line
            line = following

    def _whole_rows(self, rows: Iterator[list[str]]) -> Iterator[list[str]]:
        width = len(self.names)
        while True:
            try:
                row = next(rows, None)
            except csv.Error:
                self.counts["lines that are no rows"] += 1
                continue
            if row is None:
                return
            while len(row) > width and not row[-1].strip():
                row.pop()
            if len(row) == width:
                yield row
            elif any(cell.strip() for cell in row):
                self.counts["rows with another number of cells than the header, not used"] += 1


def _encoding(stream: ByteStream) -> str:
    head = stream.head
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    if head.startswith(b"\0"):
        zeros = len(head) - len(head.lstrip(b"\0"))
        raise SourceError(
            f"{stream.path}: it begins with {zeros} NUL bytes, expected a header line: whatever wrote it was cut off "
            "before the data reached the disk; copy it from the logger again"
        )
    if b"\0" in head:
        raise SourceError(f"{stream.path}: by its name a CSV table, but its content is binary")
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8-sig"


def _outside_quotes(line: str, mark: str) -> int:
    return sum(part.count(mark) for part in line.split('"')[::2])


def _units(row: Sequence[str], decimal_comma: bool) -> list[str | None] | None:
    """The units in the row behind the header; None when it is a row like any other."""
    units = [cell.strip().strip("[]()").strip() for cell in row]
    if not any(units) or (numbers(row, decimal_comma)[1] == NUMBER).any() or times(row, 0)[1].any():
        return None
    try:
        for unit in units:
            if unit.lower() != "utc":
                read_unit(unit)
    except UnitError:
        return None
    return [unit or None for unit in units]
