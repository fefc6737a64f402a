"""Parquet tables, through pyarrow.

A file comes in, chunks of columns go out, a bounded number of rows at a time; only the columns asked for are read.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from livewatch.errors import SourceError, said_by
from livewatch.sources.tables.cells import Column

__all__ = ["ParquetRows"]


class ParquetRows:
    """Rows of a Parquet file. `names` are its columns."""

    format = "Parquet"
    decimal_comma = False

    def __init__(self, path: Path) -> None:
        try:
            import pyarrow.parquet
        except ImportError:
            raise SourceError(
                f'{path}: reading Parquet needs the package pyarrow: pip install "livewatch[tables]"'
            ) from None
        self.counts: Counter[str] = Counter()
        try:
            self._file = pyarrow.parquet.ParquetFile(path)
        except (pyarrow.ArrowException, OSError, ValueError) as error:
            raise SourceError(f"{path}: this is no whole Parquet file: {said_by(error)}") from None
        self.names: list[str] = list(self._file.schema_arrow.names)
        self.units: list[str | None] = [None] * len(self.names)
        self._read = 0

    @property
    def progress(self) -> float:
        """The share of rows read so far, 0..1."""
        return self._read / max(1, int(self._file.metadata.num_rows))

    def chunks(self, wanted: Sequence[int], size: int) -> Iterator[list[Column]]:
        """The wanted columns, at most `size` rows at a time."""
        import pyarrow

        batches = self._file.iter_batches(size, columns=[self.names[number] for number in wanted])
        while True:
            try:
                batch = next(batches, None)
            except (pyarrow.ArrowException, OSError, ValueError):
                self.counts["places behind which nothing can be read"] += 1
                return
            if batch is None:
                return
            self._read += batch.num_rows
            yield [_column(batch.column(self.names[number])) for number in wanted]

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def _column(array: Any) -> Column:
    import pyarrow
    from pyarrow import types

    if types.is_dictionary(array.type):
        array = array.dictionary_decode()
    try:
        if types.is_timestamp(array.type) or types.is_date(array.type):
            return _numpy(array.cast(pyarrow.timestamp("ns")))
        if types.is_integer(array.type) and not array.null_count:
            return _numpy(array)
        if types.is_primitive(array.type) or types.is_decimal(array.type):
            return _numpy(array.cast(pyarrow.float64(), safe=False))
    except pyarrow.ArrowInvalid:
        pass
    return [None if cell is None else str(cell) for cell in array.to_pylist()]


def _numpy(array: Any) -> Column:
    column: Column = array.to_numpy(zero_copy_only=False)
    return column
