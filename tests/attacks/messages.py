"""Messages of a broker, as attacks: right ones by kind, and what becomes of a wrong one.

A payload goes through the door by which messages come in (`sources.mqtt.messages`, `rows_message`) and, where it is let
in, into the board's rows and a seat; what those show is printed, as the other kinds print theirs.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable

import numpy as np

from livewatch.dashboard.content.station_snapshot import snapshot_of
from livewatch.dashboard.drawing.canvas import Canvas
from livewatch.dashboard.widgets.station_list import COLUMNS, _cells
from livewatch.data.frames import FrameBatch
from livewatch.profile import load_profile_text
from livewatch.publish.stations import Stations
from livewatch.sources.mqtt.messages import MESSAGES, Authority, SystemWord, read_event_line
from livewatch.sources.mqtt.rows_message import pack_rows, unpack_rows
from livewatch.sources.mqtt.topics import topic
from livewatch.wording.shown import shown

__all__ = ["MESSAGE_SEEDS", "received"]

_MOMENT = "2026-05-04T09:30:00.000000Z"
_FIELDS: dict[str, dict] = {
    "status": {"state": "watching", "car": "car", "sent": _MOMENT, "time": 3.5, "events": 7, "troubles": ["a trouble"]},
    "alarms": {"alarm": "lean", "state": "unacknowledged alarm", "priority": "critical", "since": 3.0, "utc": _MOMENT,
               "channel": "lambda_1", "value": 1.2, "unit": "1", "action": "Lift off now."},
    "verdict": {"word": "misfit", "sentence": "It does not fit.", "systems": [SystemWord(system="boost", word="fits")]},
    "authority": {"controllers": [Authority(controller="x", label="x", unit="%", limits=(-25.0, 25.0),
                                            everyday=(-5.0, 5.0), value=2.0, used=0.1)]},
    "samples": {"time": [1.0, 1.2], "utc": _MOMENT, "channels": {"engine_speed": [800.0, None]},
                "units": {"engine_speed": "rpm"}, "quality": {"engine_speed": "stale"}},
}  # fmt: skip
_EVENT = (
    b'{"v":1,"seq":4,"time":1.0,"utc":"2026-05-04T09:30:00.000000Z","event":"alarm","subject":"lean","transition":"raised",'
    b'"state":"unacknowledged alarm","was":"normal","priority":"critical","first_out":true,"setpoint":"lambda_1 > 1.1",'
    b'"action":"Lift off now.","message":"","because":[{"channel":"lambda_1","value":1.2,"unit":"1"}]}'
)


def _message(kind: str) -> Callable[[], bytes]:
    return lambda: MESSAGES[kind](session="s", **_FIELDS[kind]).model_dump_json().encode()


def _rows() -> bytes:
    n = 20
    time_ = np.arange(n, dtype=np.int64) * 10_000_000
    byte = np.zeros(n, np.uint8)
    frames = FrameBatch(
        time_, byte, np.full(n, 0x100, np.uint32), byte, byte + 8, np.ones((n, 8), np.uint8), ("engine",)
    )
    return pack_rows(frames, 0, ())


MESSAGE_SEEDS: dict[str, Callable[[], bytes]] = {
    **{f"mqtt {kind}": _message(kind) for kind in _FIELDS},
    "mqtt event": lambda: _EVENT,
    "mqtt rows": _rows,
    "mqtt topic": lambda: topic("car 7", "alarms", "lost: oil_pressure").encode(),
}


def received(kind: str, content: bytes) -> int:
    """Hand a message over; 0 when it was read or refused, as an exit code."""
    word = kind.removeprefix("mqtt ")
    if word == "event":
        found = read_event_line(content, Counter())
        print(shown(repr(found)))
    elif word == "rows":
        try:
            print(len(unpack_rows(content, {"engine_speed": 0})[1]))
        except ValueError as error:
            print(shown(str(error)))
    else:
        _onto_the_board(word, content)
    return 0


def _onto_the_board(word: str, content: bytes) -> None:
    stations = Stations()
    for kind in _FIELDS:
        right = MESSAGE_SEEDS[f"mqtt {kind}"]()
        stations.take(topic("car 7", kind, "lean" if kind == "alarms" else ""), content if kind == word else right)
    if word == "topic":
        stations.take(content.decode("utf-8", "replace"), MESSAGE_SEEDS["mqtt status"]())
    profile = load_profile_text(
        "profile: 1\nname: car\nchannels: {engine_speed: {}}\nsignature_alarms: off\n", "car", None
    )
    now = time.monotonic()
    for station in stations.worst_first(now):
        canvas = Canvas(160, 1)
        for place, cell in enumerate(_cells(station, now, [20] * len(COLUMNS))):
            canvas.write(22 * place, 0, cell, "ink", 20)
        print(canvas.text())
        snapshot = snapshot_of(station, profile, now)
        print(shown(repr((snapshot.announced, snapshot.trouble, snapshot.verdict, snapshot.reading("engine_speed")))))
