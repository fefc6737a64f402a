"""Messages of a broker and of a browser, as attacks: right ones by kind, and what becomes of a wrong one.

A payload goes through the door by which messages come in (`sources.mqtt.messages`, `rows_message`, `dashboard.browser`)
and, where it is let in, into the board's rows and a seat; what those show comes out.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
from aiohttp.test_utils import make_mocked_request
from multidict import CIMultiDict

from livewatch.dashboard.browser.access import Access
from livewatch.dashboard.browser.messages import MOST_CELLS, Note
from livewatch.dashboard.browser.messages import read_message as read_browser_message
from livewatch.dashboard.content.station_snapshot import snapshot_of
from livewatch.dashboard.drawing.canvas import Canvas
from livewatch.dashboard.widgets.station_list import COLUMNS, _cells
from livewatch.data.frames import FrameBatch
from livewatch.profile import Profile, load_profile_text
from livewatch.publish.stations import Stations
from livewatch.sources.mqtt.messages import MESSAGES as MQTT
from livewatch.sources.mqtt.messages import Authority, SystemWord, read_message
from livewatch.sources.mqtt.rows_message import pack_rows, unpack_rows
from livewatch.sources.mqtt.topics import read_topic, topic
from livewatch.wording.shown import shown

__all__ = ["MESSAGES", "browser_message", "browser_request", "received"]

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
    "again": {"first": 3},
    "acknowledge": {"alarm": "lean", "by": "somebody"},
}  # fmt: skip
_BOARD = ("status", "alarms", "verdict", "authority", "samples")


def _message(kind: str) -> Callable[[], bytes]:
    return lambda: MQTT[kind](session="s", **_FIELDS[kind]).model_dump_json().encode()


def _rows() -> bytes:
    n = 20
    time_ = np.arange(n, dtype=np.int64) * 10_000_000
    byte = np.zeros(n, np.uint8)
    frames = FrameBatch(
        time_, byte, np.full(n, 0x100, np.uint32), byte, byte + 8, np.ones((n, 8), np.uint8), ("engine",)
    )
    return pack_rows(frames, 0, ())


MESSAGES: dict[str, Callable[[], bytes]] = {
    **{f"mqtt {kind}": _message(kind) for kind in _FIELDS},
    "mqtt rows": _rows,
    "mqtt topic": lambda: topic("car 7", "alarms", "lost: oil_pressure").encode(),
}


def received(kind: str, content: bytes) -> str:
    """What is shown of a message."""
    word = kind.removeprefix("mqtt ")
    if word == "rows":
        try:
            return shown(repr(unpack_rows(content, {"engine_speed": 0})))
        except ValueError as error:
            return shown(str(error))
    if word == "topic":
        found = read_topic(content.decode("utf-8", "replace"))
        return "" if found is None else _board(word, content)
    message = read_message(MQTT[word], content, Counter())
    return "" if message is None else shown(repr(message)) + (_board(word, content) if word in _BOARD else "")


def _board(word: str, content: bytes) -> str:
    """The rows of a board and a seat, with the message among right ones."""
    stations = Stations()
    for kind in _BOARD:
        right = MESSAGES[f"mqtt {kind}"]()
        stations.take(topic("car 7", kind, "lean" if kind == "alarms" else ""), content if kind == word else right)
    if word == "topic":
        stations.take(content.decode("utf-8", "replace"), MESSAGES["mqtt status"]())
    now, printed = time.monotonic(), []
    for station in stations.worst_first(now):
        canvas = Canvas(160, 1)
        for place, cell in enumerate(_cells(station, now, [20] * len(COLUMNS))):
            canvas.write(22 * place, 0, cell, "ink", 20)
        snapshot = snapshot_of(station, _car(), now)
        seat = snapshot.announced, snapshot.trouble, snapshot.verdict, snapshot.reading("engine_speed")
        printed += [canvas.text(), shown(repr(seat))]
    return "\n".join(printed)


@cache
def _car() -> Profile:
    return load_profile_text(
        "profile: 1\nname: car\nchannels: {engine_speed: {}}\nsignature_alarms: off\n", "car", None
    )


def browser_message(content: bytes, folder: Path) -> str:
    """What becomes of a message of the page; a size within bounds, or nothing."""
    found = read_browser_message(content.decode("utf-8", "replace"))
    if isinstance(found, Note) and (size := found.content).get("type") == "resize":
        assert 1 <= size["width"] * size["height"] <= MOST_CELLS
    return shown(repr(found))


def browser_request(content: bytes, folder: Path) -> str:
    """Whether a request is let in; nobody who does not bring the token, nor a page of another site, may be."""
    first, *lines = content.decode("latin-1").split("\r\n")
    try:
        method, path, _ = first.split(" ")
        headers = CIMultiDict((name, value) for name, mark, value in (line.partition(": ") for line in lines) if mark)
        request = make_mocked_request(method, path, headers)
        request.query, request.cookies  # noqa: B018 - parsed when they are asked for
    except ValueError:
        return "no request"
    access = Access("0.0.0.0", 8000, "a-long-secret")
    refusal = access.refusal(request)
    assert refusal is not None or request.query.get("token") == "a-long-secret"
    return shown(repr(refusal))
