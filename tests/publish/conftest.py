"""A small invented car, drives of it, and a broker."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from livewatch.data.frames import FrameBatch
from livewatch.profile import load_profile_text
from livewatch.profile.model import Profile

PROFILE = """
profile: 1
name: car of the tests
engine: {displacement: 2 L, cylinders: 4, induction: turbocharged, air_metering: mass_air_flow}
decode:
  - frame: 0x100
    bus: engine
    signals:
      N_ENG: {start: 0, length: 16, scale: 0.25, unit: rpm}
      P_MAN: {start: 16, length: 16, scale: 0.01, unit: kPa}
      LAM: {start: 32, length: 16, scale: 0.0001, unit: "1"}
channels:
  engine_speed: {signal: N_ENG, stale_after: 0.5 s}
  manifold_pressure: {signal: P_MAN}
  lambda_1: {signal: LAM}
signature_alarms: off
alarms:
  lean: {condition: lambda_1 > 1.1, deadband: 0.05, on_delay: 50 ms, priority: critical, action: Lift off now.}
  fast: {condition: engine_speed > 6000 rpm, deadband: 100 rpm, priority: medium, action: Ease off.}
figures: [engine_speed, lambda_1]
"""


@pytest.fixture(scope="session")
def car() -> Profile:
    return load_profile_text(PROFILE, "car.yaml", None)


@pytest.fixture(scope="session")
def drive() -> Callable[..., FrameBatch]:
    """So many seconds at 50 frames a second, with an alarm about every 2 s."""

    def make(seconds: float, start: int = 1_760_000_000_000_000_000) -> FrameBatch:
        n = int(seconds * 50)
        steps = np.arange(n)
        data = np.zeros((n, 8), np.uint8)
        columns = (
            (4000 + 2500 * np.sin(steps / 16)) / 0.25,
            (120 + 60 * np.sin(steps / 40)) / 0.01,
            (1.0 + 0.2 * np.sin(steps / 22)) / 0.0001,
        )
        for place, column in enumerate(columns):
            data[:, 2 * place : 2 * place + 2] = column.astype("<u2").view(np.uint8).reshape(n, 2)
        return FrameBatch(
            start + steps.astype(np.int64) * 20_000_000,
            np.zeros(n, np.uint8),
            np.full(n, 0x100, np.uint32),
            np.zeros(n, np.uint8),
            np.full(n, 8, np.uint8),
            data,
            ("engine",),
        )

    return make


@pytest.fixture(params=["mosquitto", "amqtt"])
def broker(request, tmp_path: Path) -> Iterator:
    from tests.publish.brokers import MOSQUITTO, TestBroker

    if request.param == "mosquitto" and MOSQUITTO is None:
        pytest.skip("mosquitto is not installed")
    folder = tmp_path / "broker"
    folder.mkdir()
    one = TestBroker(request.param, folder)
    one.start()
    yield one
    one.kill()


@pytest.fixture(autouse=True)
def no_secrets_of_this_machine(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    for name in ("USER", "PASSWORD", "CA", "CERTIFICATE", "KEY", "FILE"):
        monkeypatch.delenv(f"LIVEWATCH_MQTT_{name}", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))


def told(folder: Path) -> list[bytes]:
    """The lines of a log without the clock of the disk, which is each machine's own."""
    return [line.rsplit(b',"written":', 1)[0] for line in (folder / "events.jsonl").read_bytes().splitlines()]
