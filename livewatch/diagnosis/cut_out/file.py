"""A cut-out of a recording as a file: CSV, Parquet or MF4, by the suffix of its name, and a list of its alarms.

A `CutOut` comes in. The table has a row for each moment: `utc`, the recording's own clock; `data_time`, s since the
first row of the whole recording; each channel with its unit; and of each alarm that stood whether it did, 1 or 0.
Unknown is an empty cell in CSV, null in Parquet, NaN in MF4. The alarms, with their limits and what they ask of a
person, stand beside it in `<name>_alarms.csv`. livewatch reads all three as tables of channels. What the recording was
called, who made it and on which machine stays out.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livewatch.alarms.spells import AlarmSpell
from livewatch.data.events import utc_text
from livewatch.data.kept import write_whole
from livewatch.diagnosis.cut_out.cut_out import CutOut
from livewatch.errors import LivewatchError, UsageError
from livewatch.version import __version__

__all__ = ["EXPORTS", "alarms_beside", "check_export", "write_cut_out"]

EXPORTS = (".csv", ".parquet", ".mf4")
UTC_NAME, TIME_NAME, ALARM = "utc", "data_time", "alarm."
AT_ONCE = 4096
"""Rows put into text at once."""


def check_export(path: Path) -> None:
    """See that there is such a kind of file, and that what writes it is installed.

    Raises:
        UsageError: there is not.
    """
    if path.suffix.lower() not in EXPORTS:
        raise UsageError(f"{path}: expected a name that ends in {', '.join(EXPORTS)}")
    needed = {".parquet": "pyarrow", ".mf4": "asammdf"}.get(path.suffix.lower())
    if needed is not None:
        try:
            __import__(needed)
        except ModuleNotFoundError:
            raise UsageError(f'{path}: this kind of file needs {needed}: pip install "livewatch[tables]"') from None


def alarms_beside(path: Path) -> Path:
    """Where the list of alarms stands."""
    return path.with_name(f"{path.stem}_alarms.csv")


def write_cut_out(cut: CutOut, path: Path) -> list[Path]:
    """Write the table to `path`, and the alarms beside it where any stood; what was written.

    Raises:
        UsageError: its suffix is that of no such file.
        LivewatchError: it cannot be written; a file that was there before is as it was.
    """
    check_export(path)
    write = {".csv": _csv, ".parquet": _parquet, ".mf4": _mf4}[path.suffix.lower()]
    written = [path]
    try:
        write_whole(path, write(cut))
        if cut.spells:
            written.append(alarms_beside(path))
            write_whole(written[-1], _alarms(cut.spells))
    except OSError as error:
        raise LivewatchError(
            f"{path}: it cannot be written: {error.strerror or error}; expected a folder that may be written to, on a "
            "disk with free space"
        ) from None
    return written


def _columns(cut: CutOut) -> Iterator[tuple[str, str, NDArray[np.float64] | NDArray[np.int64]]]:
    """Name, unit and numbers of each column behind the times."""
    for name, values in cut.table.items():
        yield name, cut.table.units[name], values
    for alarm in cut.alarms:
        yield f"{ALARM}{alarm}", "1", cut.stood(alarm).astype(np.int64)


def _csv(cut: CutOut) -> bytes:
    columns = list(_columns(cut))
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\n").writerow(
        [UTC_NAME, f"{TIME_NAME} [s]", *(f"{name} [{unit}]" for name, unit, _ in columns)]
    )
    clock = np.datetime_as_string(cut.table.utc, unit="us")
    for start in range(0, len(clock), AT_ONCE):
        piece = slice(start, start + AT_ONCE)
        cells = [(f"{moment}Z" for moment in clock[piece]), map(repr, cut.table.time[piece].tolist())]
        cells += [map(_cell, values[piece].tolist()) for _, _, values in columns]
        text.writelines(",".join(row) + "\n" for row in zip(*cells, strict=True))
    return text.getvalue().encode()


def _cell(value: float) -> str:
    """The shortest text that reads back as the same number; empty for an unknown one."""
    return "" if value != value else repr(value)


def _parquet(cut: CutOut) -> bytes:
    import pyarrow as pa
    from pyarrow import parquet

    fields = [pa.field(UTC_NAME, pa.timestamp("ns", "UTC")), pa.field(f"{TIME_NAME} [s]", pa.float64())]
    arrays = [pa.array(cut.table.utc.astype(np.int64), fields[0].type), pa.array(cut.table.time)]
    for name, unit, values in _columns(cut):
        arrays.append(pa.array(values, from_pandas=True))
        fields.append(pa.field(f"{name} [{unit}]", arrays[-1].type, metadata={"unit": unit}))
    said = {"livewatch": __version__, "profile": cut.profile.name}
    told = json.dumps({**said, "alarms": [spell.to_json() for spell in cut.spells]}, ensure_ascii=False)
    table = pa.Table.from_arrays(arrays, schema=pa.schema(fields, {"livewatch": told}))
    sink = io.BytesIO()
    parquet.write_table(table, sink)
    return sink.getvalue()


def _mf4(cut: CutOut) -> bytes:
    import asammdf

    library: Any = asammdf  # it has no types
    with library.MDF(version="4.10") as file:
        begun = int(cut.table.utc[0].astype(np.int64)) - round(cut.table.time[0] * 1e9)
        file.header.start_time = datetime.fromtimestamp(begun / 1e9, UTC)
        file.header.comment = f"livewatch {__version__}; {cut.profile.name}"
        spells = {spell.alarm: spell for spell in cut.spells}
        signals = [
            library.Signal(
                samples=values.astype(np.uint8) if name.startswith(ALARM) else values,
                timestamps=cut.table.time,
                name=name,
                unit="" if unit == "1" else unit,
                comment=spells[name.removeprefix(ALARM)].setpoint if name.startswith(ALARM) else "",
            )
            for name, unit, values in _columns(cut)
        ]
        file.append(signals, comment="livewatch", common_timebase=True)
        sink = io.BytesIO()
        file.save(sink, compression=1)
        return sink.getvalue()


def _alarms(spells: tuple[AlarmSpell, ...]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(["alarm", "priority", "start [s]", "end [s]", "raised [UTC]", "set point", "message", "action"])
    for one in spells:
        end = "" if one.end is None else one.end
        writer.writerow(
            [one.alarm, one.priority, one.start, end, utc_text(one.utc), one.setpoint, one.message, one.action]
        )
    return text.getvalue().encode()
