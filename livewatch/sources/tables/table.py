"""Tables of decoded channels, opened by path: CSV, Parquet, MF4.

A path and a profile come in, a `Table` goes out: batches of samples in the units of the profile's channels, with what
was odd, counted, and which columns were used. Column names, units and the time column are as the profile's `tables`
says, else as the header says. Memory does not grow with the table.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Protocol

from livewatch.data.samples import SampleBatch
from livewatch.errors import SourceError, oddities
from livewatch.profile.model import Profile
from livewatch.sources.recordings.byte_stream import ByteStream
from livewatch.sources.recordings.python_can_readers import CsvReader
from livewatch.sources.recordings.recording import FORMATS, recording_suffix

__all__ = ["TABLE_SUFFIXES", "Table", "is_table", "open_table"]

_CSV_SUFFIXES = (".csv", ".tsv", ".txt")
_PARQUET_SUFFIXES = (".parquet", ".pq")
_MF4_SUFFIXES = (".mf4",)
TABLE_SUFFIXES = (*_CSV_SUFFIXES, *_PARQUET_SUFFIXES, *_MF4_SUFFIXES)
"""What the names of tables end in. CSV may be followed by `.gz`."""
_GLANCE = 4096
"""Rows looked at on opening."""


class _Content(Protocol):
    """What every kind of table offers."""

    counts: Counter[str]
    used: dict[str, str]

    @property
    def unused(self) -> list[str]: ...

    @property
    def progress(self) -> float: ...

    def batches(self, size: int) -> Iterator[SampleBatch]: ...

    def close(self) -> None: ...


class Table:
    """One opened table.

    `format` is what people call its format. `batches` may be asked for again: each time reading begins anew, with
    `counts` and `progress`.
    """

    def __init__(self, path: Path, profile: Profile) -> None:
        self.path = path
        self._profile = profile
        self.format, self._content = _content(path, profile)
        self._begun = False
        try:
            first = next(self._content.batches(_GLANCE), None)
        finally:
            self._content.close()
        if first is None:
            if cell := getattr(self._content, "unread_time", ""):
                raise SourceError(
                    f"{path}: no row has a time that can be read: found {cell!r}, expected a number (`12.5`, with "
                    "the unit behind the column's name) or a moment as in ISO 8601 "
                    "(`2026-05-04T08:30:00.250Z`)"
                )
            raise SourceError(f"{path}: a table without a row that can be used{oddities(self.counts)}")
        self.start_time = int(first.time[0])
        """Nanoseconds since the Unix epoch of the first row."""

    @property
    def counts(self) -> dict[str, int]:
        """What was odd so far, by plain-worded kind."""
        return dict(self._content.counts)

    @property
    def progress(self) -> float:
        """The share read so far, 0..1."""
        return self._content.progress if self._begun else 0.0

    @property
    def used(self) -> dict[str, str]:
        """Channel to the name its column has in the table."""
        return dict(self._content.used)

    @property
    def unused(self) -> tuple[str, ...]:
        """Names in the table that are no channel of the profile (or one that it computes itself)."""
        return tuple(self._content.unused)

    def batches(self, size: int = 65536) -> Iterator[SampleBatch]:
        """All samples in the order of the table, about `size` rows a batch.

        Raises:
            SourceError: the file went away or its disk failed.
        """
        self._begun = True
        _, self._content = _content(self.path, self._profile)
        try:
            yield from self._content.batches(size)
        finally:
            self._content.close()


def open_table(path: Path, profile: Profile) -> Table:
    """Open the table at `path` and see which of its columns are channels of the profile.

    Raises:
        SourceError: nothing at `path` can be read as a table for this profile; the message says what there is.
    """
    return Table(path, profile)


def is_table(path: Path) -> bool:
    """Whether the file at `path` is to be read as a table of channels rather than as a recording of frames.

    Name and content decide: a CSV or MF4 file may be either.

    Raises:
        SourceError: it cannot be opened.
    """
    suffix = recording_suffix(path)
    if suffix in _MF4_SUFFIXES:
        from livewatch.sources.mf4_file import contents  # late, as below: nothing else needs it

        try:
            return not contents(path).holds_frames
        except SourceError:
            return False
    if suffix in _CSV_SUFFIXES:
        with ByteStream(path) as stream:
            return not any(reader.recognises(stream.head) for reader in FORMATS.values())
    return suffix in _PARQUET_SUFFIXES


def _content(path: Path, profile: Profile) -> tuple[str, _Content]:
    # Late, because columns are bound by their units: what knows those takes a while, and no recording needs it.
    from livewatch.sources.mf4_file import contents
    from livewatch.sources.tables.csv_rows import CsvRows
    from livewatch.sources.tables.mf4_table import Mf4Table
    from livewatch.sources.tables.parquet_rows import ParquetRows
    from livewatch.sources.tables.rows import rows_to_samples

    suffix = recording_suffix(path)
    if suffix in _CSV_SUFFIXES:
        stream = ByteStream(path)
        try:
            if CsvReader.recognises(stream.head):
                raise SourceError(f"{path}: this holds frames of a bus: it is a recording, not a table")
            return CsvRows.format, rows_to_samples(path, CsvRows(stream), profile)
        except BaseException:
            stream.close()
            raise
    if suffix not in TABLE_SUFFIXES:
        known = ", ".join(TABLE_SUFFIXES)
        raise SourceError(f"{path}: {suffix!r} is the suffix of no known kind of table, expected one of {known}")
    with ByteStream(path) as stream:
        if stream.compressed:
            raise SourceError(f"{path}: a table of this kind cannot be read compressed; unpack it first")
    if suffix in _PARQUET_SUFFIXES:
        return ParquetRows.format, rows_to_samples(path, ParquetRows(path), profile)
    if contents(path).holds_frames:
        raise SourceError(f"{path}: this holds frames of a bus: it is a recording, not a table")
    return Mf4Table.format, Mf4Table(path, profile)
