"""Small right files of every kind, made by the libraries that write them: what wrong ones are made from."""

from __future__ import annotations

import gzip
import io
import json
import sqlite3
import tempfile
from collections.abc import Callable
from pathlib import Path

import can

from livewatch.data.frames import FrameBatch
from livewatch.data.messages import columns_by_channel
from livewatch.sources.recordings.candump.line_writer import format_candump

__all__ = ["FILES", "PROFILE", "candump"]

START = 1_777_884_600.0


def frames() -> list[can.Message]:
    return [
        can.Message(
            timestamp=START + row / 100,
            arbitration_id=0x0F0 + row % 3 if row % 7 else 0x18DAF110,
            is_extended_id=row % 7 == 0,
            data=bytes((row + column) % 256 for column in range(8)),
            channel=0,
        )
        for row in range(60)
    ]


def by_python_can(suffix: str) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"drive{suffix}"
        with can.Logger(str(path)) as writer:
            for message in frames():
                writer.on_message_received(message)
        return path.read_bytes()


def candump() -> bytes:
    batch: FrameBatch = columns_by_channel(frames())
    return format_candump(batch)


def database() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "drive.db"
        connection = sqlite3.connect(path)
        connection.execute(
            "CREATE TABLE messages (ts REAL, arbitration_id INTEGER, extended INTEGER, remote INTEGER, error INTEGER, "
            "dlc INTEGER, data BLOB)"
        )
        rows = [(m.timestamp, m.arbitration_id, m.is_extended_id, 0, 0, m.dlc, bytes(m.data)) for m in frames()]
        connection.executemany("INSERT INTO messages VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
        connection.commit()
        connection.close()
        return path.read_bytes()


def table() -> bytes:
    lines = ["time [s],engine_speed [rpm],boost_pressure [bar],note"]
    lines += [f"{row / 10},{800 + row},{1 + row / 100},ok" for row in range(60)]
    return "\n".join(lines).encode() + b"\n"


def parquet() -> bytes:
    import pyarrow as arrow
    from pyarrow import parquet as written

    rows = range(60)
    columns = {"time": [row / 10 for row in rows], "engine_speed": [800.0 + row for row in rows]}
    sink = io.BytesIO()
    written.write_table(arrow.table(columns), sink)
    return sink.getvalue()


def mf4() -> bytes:
    import numpy as np
    from asammdf import MDF, Signal

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "drive.mf4"
        with MDF() as file:
            time = np.arange(60) / 10
            file.append([Signal(800.0 + time, time, name="engine_speed", unit="rpm")])
            file.save(path, overwrite=True)
        return path.read_bytes()


PROFILE = b"""profile: 1
name: car
engine: {displacement: 1.998 L, cylinders: 4, induction: turbocharged, air_metering: mass_air_flow, fuel: gasoline E10}
decode:
  - frame: 0x0F0
    bus: engine
    signals: {SPEED: {start: 0, length: 16, scale: 0.25, unit: rpm, multiplexer: {signal: PAGE, values: [1, [3, 5]]}}, PAGE: {start: 16, length: 8}}
channels:
  engine_speed: {signal: SPEED, valid: 0 .. 9000 rpm, stale_after: 0.3 s}
  boost_pressure: {}
  ratio: {formula: "when(engine_speed > 3000 rpm, mean(boost_pressure, 2 s), 100 kPa) / 1 kPa", unit: 1}
tables: {columns: {torque: {column: Moment, unit: ft*lbf}}, time_unit: s}
alarms:
  fast: {condition: engine_speed > 7000 rpm, deadband: 50 rpm, on_delay: 0.3 s, priority: high, action: Lift off.}
"""  # noqa: E501
FORMULA = b"when(engine_speed > 3000 rpm, mean(boost_pressure, 2 s) - 100 kPa, rate(boost_pressure, 1 s) * 1 s) / 1 kPa"
DBC = b"""VERSION ""
NS_ :
BS_:
BU_: ECM
BO_ 240 FIRST: 8 ECM
 SG_ SPEED : 0|16@1+ (0.25,0) [0|9000] "rpm" ECM
 SG_ PAGE M : 16|8@1+ (1,0) [0|0] "" ECM
 SG_ PART m1 : 24|8@1- (1,-40) [0|0] "degC" ECM

BO_ 2566844672 SECOND: 8 ECM
 SG_ RATIO : 7|16@0+ (0.001,0) [0|0] "" ECM

BA_DEF_ BO_ "GenMsgCycleTime" FLOAT 0 1000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 240 10;
VAL_ 240 PAGE 1 "on" 0 "off" ;
"""
BUILD_SHEET = (Path(__file__).parents[2] / "profiles" / "brackwell_20t_build.yaml").read_bytes()
_EVENTS: tuple[dict[str, object], ...] = (
    {"event": "started", "subject": "", "profile": "car", "channels": 3, "alarms": 1, "tick": 0.01,
     "tick_unit": "s"},
    {"event": "alarm", "subject": "fast", "transition": "raised", "state": "unacknowledged",
     "was": "normal",
     "priority": "high", "setpoint": "engine_speed > 7000 rpm",
     "action": "Lift.", "message": ""},
    {"event": "oddity", "subject": "", "counts": {"late rows": 3}},
    {"event": "ended", "subject": "", "rows": 10, "ticks": 100, "counts": {}},
)  # fmt: skip
EVENTS = (
    "\n".join(
        json.dumps({"v": 1, "seq": row, "time": row / 10, "utc": "2026-05-04T08:30:00.000000Z", **fields})
        for row, fields in enumerate(_EVENTS)
    )
    + "\n"
).encode()
MANIFEST = json.dumps(
    {
        "name": "car", "started": "2026-05-04T08:30:00.000000Z", "sources": ["drive.log"], "profile_files": {},
        "profile_sha256": "", "state": "ended", "ended": "2026-05-04T08:31:00.000000Z",
        "data_end": "2026-05-04T08:31:00.000000Z", "counts": {"late rows": 3}, "livewatch": "1", "python": "3",
        "packages": {}, "platform": "x", "format": 1,
    }
).encode()  # fmt: skip
ANSWERS = (
    b"06410C1AF8410D32"
    b"10084106800B6411"
    b"2100000000000000"
    b"037F012200000000"
    b"0341050700000000"
)  # frames of answers, ISO 15765-2

FILES: dict[str, Callable[[], bytes]] = {
    "candump": candump,
    "candump.gz": lambda: gzip.compress(candump(), mtime=0),
    "asc": lambda: by_python_can(".asc"),
    "blf": lambda: by_python_can(".blf"),
    "trc": lambda: by_python_can(".trc"),
    "csv recording": lambda: by_python_can(".csv"),
    "sqlite": database,
    "csv table": table,
    "parquet": parquet,
    "mf4": mf4,
    "profile": lambda: PROFILE,
    "formula": lambda: FORMULA,
    "dbc": lambda: DBC,
    "build sheet": lambda: BUILD_SHEET,
    "baseline": candump,
    "manifest": lambda: MANIFEST,
    "event log": lambda: EVENTS,
    "samples": lambda: (
        b"utc_ns,channel,value,quality,frames_before\n"
        + b"".join(b"17778846%011d,engine_speed,800.0,good,%d\n" % (row * 10**8, row // 4) for row in range(16))
    ),
    "diagnostic answers": lambda: ANSWERS,
}
"""A right file of every kind."""
