"""`board --browser` in a real browser: what is drawn there, and the seat of a station that said its words before.

Only where Chromium is installed.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
from pathlib import Path

import paho.mqtt.publish
import pytest

from livewatch.profile import load_profile_text
from livewatch.sources.mqtt.topics import topic
from tests.chromium import Chromium, needs_chromium
from tests.publish.brokers import MOSQUITTO, TestBroker, free_port
from tests.publish.conftest import PROFILE

pytestmark = needs_chromium
BOARD = ("-m", "livewatch", "board")


def leave_words(broker: TestBroker) -> None:
    """What a station leaves with the broker for whoever comes later: no values, nothing of its past."""
    words = {
        "status": {"state": "ended", "car": "<i>7", "time": 12.0},
        "alarms/lean": {
            "alarm": "lean", "state": "unacknowledged alarm", "priority": "critical", "since": 1.0, "utc": "x",
            "action": "Lift off now.", "setpoint": "lambda_1 > 1.1",
        },
        "verdict": {"word": "misfit", "sentence": "It does not fit."},
        "authority": {"controllers": [
            {"controller": "t", "label": "both trims", "unit": "%", "limits": [-25, 25], "everyday": [-5, 5],
             "value": 20.5, "used": 0.82}
        ]},
    }  # fmt: skip
    messages = [
        (topic("car_7", *kind.split("/")), json.dumps({"v": 1, "session": "one", **fields}), 1, True)
        for kind, fields in words.items()
    ]
    profile = load_profile_text(PROFILE, "car.yaml", None).text
    paho.mqtt.publish.multiple([*messages, (topic("car_7", "profile"), profile, 1, True)], "127.0.0.1", broker.port)


@pytest.fixture
def broker(tmp_path: Path):
    folder = tmp_path / "broker"
    folder.mkdir()
    one = TestBroker("mosquitto" if MOSQUITTO else "amqtt", folder)
    one.start()
    yield one
    one.kill()


async def test_the_board_and_a_seat_joined_late_are_drawn_in_a_browser(broker: TestBroker, tmp_path: Path) -> None:
    leave_words(broker)
    port = free_port()
    environment = {**os.environ, "LIVEWATCH_CACHE": str(tmp_path / "cache"), "XDG_STATE_HOME": str(tmp_path)}
    server = await asyncio.create_subprocess_exec(
        sys.executable, *BOARD, str(broker), "--browser", "--port", str(port),
        stdout=asyncio.subprocess.PIPE, env=environment,
    )  # fmt: skip
    try:
        assert server.stdout is not None and b"Open http" in await server.stdout.readline()
        async with Chromium(tmp_path / "browser") as browser:
            await browser.call(
                "Emulation.setDeviceMetricsOverride", width=1400, height=900, deviceScaleFactor=1, mobile=False
            )
            await browser.open(f"http://127.0.0.1:{port}/")
            await browser.drawn("protects no engine")
            await browser.press("Enter", 13)
            await browser.drawn("car_7", "<i>7", "CRITICAL", "misfit", "82 %")
            await browser.press("Enter", 13)
            await browser.drawn("not acknowledged", "never seen", "+20.5 %", "misfit")
    finally:
        server.terminate()
        await server.wait()
