"""A newcomer meets three cars: one that broadcasts, one asked with 11 bits, one with 29. Scripted, as typed."""

from __future__ import annotations

import threading
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import ClassVar

import can
import numpy as np
import pytest
from click.testing import CliRunner, Result

import livewatch.commands.connect as connecting
from livewatch import load_profile, open_session, open_source
from livewatch.commands.cli import livewatch
from livewatch.data.events import FaultCodesRead, IdentityRead
from livewatch.data.frames import FrameBatch
from livewatch.data.messages import columns_of
from livewatch.simulator.engine_answers import EngineAnswers
from livewatch.simulator.responder import Responder
from livewatch.sources.live.survey import survey

READS = {0x01, 0x02, 0x03, 0x07, 0x09, 0x0A, 0x22}


class Idling:
    """A warm engine at idle."""

    there: ClassVar = {
        "engine_speed": 780.0, "coolant_temperature": 88.0, "manifold_pressure": 34.0, "mass_air_flow": 3.2,
        "short_term_fuel_trim_1": 1.5, "long_term_fuel_trim_1": 3.0, "lambda_1": 1.0, "commanded_lambda": 1.0,
        "fuel_system_status": 2.0, "throttle_position": 14.0, "boost_pressure": 101.0, "vehicle_speed": 0.0,
        "commanded_boost_pressure": 101.0, "barometric_pressure": 100.0,
    }  # fmt: skip

    def value(self, channel: str, time: float) -> float:
        return self.there.get(channel, float("nan"))

    def confirmed(self, time: float) -> list[str]:
        return ["P0171"]

    def pending(self, time: float) -> list[str]:
        return []


def crc(data: bytes) -> int:
    """CRC-8 of SAE J1850, bit by bit."""
    value = 0xFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value << 1 ^ 0x1D) & 0xFF if value & 0x80 else value << 1 & 0xFF
    return value ^ 0xFF


def broadcast(number: int) -> can.Message:
    """Bytes 0 and 1 move, byte 6 counts, byte 7 is the checksum of the others."""
    body = bytes(((number * 7) % 251, (number * 3) % 17, 0, 0, 0, 0, number & 0xFF))
    return can.Message(arbitration_id=0x1A4, is_extended_id=False, data=body + bytes((crc(body),)))


@contextmanager
def car(answers: bool, extended: bool = False, broadcasts: bool = False) -> Iterator[tuple[str, list[can.Message]]]:
    """A car on a virtual bus; gives the bus's name and everything a listener heard being sent to it."""
    channel = str(uuid.uuid4())
    heard: list[can.Message] = []
    done = threading.Event()
    responder = Responder(EngineAnswers(Idling()), extended)

    def drive() -> None:
        start, number = time.monotonic(), 0
        with can.Bus(channel, "virtual") as bus:
            while not done.is_set():
                message = bus.recv(0.002)
                now = time.monotonic() - start
                if message is not None:
                    heard.append(message)
                    if answers:
                        data = bytes(message.data)
                        responder.receive(message.arbitration_id, message.is_extended_id, data, now)
                for frame in responder.frames_until(now):
                    bus.send(can.Message(arbitration_id=frame.identifier, is_extended_id=extended, data=frame.data))
                if broadcasts and number < now * 50:
                    bus.send(broadcast(number))
                    number += 1

    thread = threading.Thread(target=drive)
    thread.start()
    try:
        yield channel, heard
    finally:
        done.set()
        thread.join()


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(connecting, "LISTEN", 1.0)
    monkeypatch.chdir(tmp_path)


def type_in(arguments: list[str], *answers: str) -> Result:
    result = CliRunner().invoke(livewatch, arguments, input="\n".join(answers) + "\n", catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result


def only_reading(heard: list[can.Message]) -> bool:
    singles = [message for message in heard if message.data[0] != 0x30]
    return bool(singles) and all(message.data[1] in READS for message in singles)


@pytest.mark.parametrize("extended", [False, True])
def test_from_an_adapter_to_a_running_watch_without_an_editor(tmp_path: Path, extended: bool) -> None:
    began = time.monotonic()
    with car(True, extended) as (channel, heard):
        result = type_in(
            ["connect", "--bus", f"virtual:{channel}", "--lines", "--for", "3s", "--out", str(tmp_path / "s")],
            "y",  # ask the car
            "2.0", "4", "meter", "turbo", "E10",
            "Hill car",
            "y",  # watch now
        )  # fmt: skip
    assert time.monotonic() - began < 120.0
    assert f"{29 if extended else 11} bit: control unit {'18DAF110' if extended else '7E8'} answers" in result.output
    profile = load_profile(tmp_path / "my_car.yaml")
    assert profile.name == "Hill car" and profile.engine is not None and profile.engine.displacement == 2.0
    assert {channel.name for channel in profile.channels} >= {"engine_speed", "lambda_1", "boost_pressure"}
    (folder,) = (tmp_path / "s").iterdir()
    events = [logged.event for logged in open_session(folder).events()]
    codes = [event for event in events if isinstance(event, FaultCodesRead) and event.what == "stored"]
    assert codes[0].codes == ("P0171",)
    assert any(isinstance(event, IdentityRead) for event in events)
    assert "00LWTEST" not in (folder / "events.jsonl").read_text()
    assert only_reading(heard)


def test_a_car_that_only_broadcasts_is_measured_and_watched(tmp_path: Path) -> None:
    with car(False, broadcasts=True) as (channel, heard):
        result = type_in(
            ["connect", "--bus", f"virtual:{channel}", "--lines", "--for", "2s", "--out", str(tmp_path / "s")],
            "y", "?", "?", "?", "?", "?", "Bench", "y",
        )  # fmt: skip
    (folder,) = (tmp_path / "s").iterdir()
    assert sum(len(batch) for batch in open_source(folder, open_session(folder).profile()).batches()) > 60
    written = (tmp_path / "my_car.yaml").read_text()
    assert (
        "0x1A4" in written and "counter in byte 6" in written and "checksum in byte 7 (CRC-8 of SAE J1850)" in written
    )
    assert load_profile(tmp_path / "my_car.yaml").engine is None
    assert "no verdict be given" in result.output
    assert only_reading(heard)


def test_nothing_is_sent_before_the_person_agreed(tmp_path: Path) -> None:
    with car(True, broadcasts=True) as (channel, heard):
        type_in(["connect", "--bus", f"virtual:{channel}", "--no-watch"], "n", "?", "?", "?", "?", "?", "Bench")
    assert heard == []


def test_watch_without_a_profile_reads_the_standard_parameters_and_says_what_it_cannot_judge(tmp_path: Path) -> None:
    with car(True) as (channel, heard):
        result = type_in(
            [
                "watch",
                "--bus",
                f"virtual:{channel}",
                "--poll",
                "--yes",
                "--lines",
                "--for",
                "3s",
                "--out",
                str(tmp_path / "s"),
            ]
        )
    assert "no verdict is given" in result.output
    (folder,) = (tmp_path / "s").iterdir()
    assert "engine_speed" in (folder / "profile.yaml").read_text()
    assert only_reading(heard)
    refused = CliRunner().invoke(livewatch, ["watch", "--bus", f"virtual:{channel}"])
    assert refused.exception is not None and "livewatch connect" in str(refused.exception)


def frames_of(messages: list[can.Message]) -> FrameBatch:
    for number, message in enumerate(messages):
        message.timestamp = 1.7e9 + number * 0.02
    return columns_of(messages, 0, ("car",))


def test_broadcasts_are_measured() -> None:
    (found,) = survey(frames_of([broadcast(number) for number in range(300)]))
    assert (found.identifier, found.lengths, found.moving) == (0x1A4, (8,), (0, 1, 6, 7))
    assert found.rate == pytest.approx(50.0, rel=0.02)
    assert found.counters == ((6, 0xFF),) and found.checksum == (7, "CRC-8 of SAE J1850")


@pytest.mark.parametrize("kind", ["sum", "exclusive or"])
def test_simple_checksums_and_half_byte_counters_are_recognised(kind: str) -> None:
    messages = []
    for number in range(100):
        body = np.array([number * 37 % 256, 0xA0 | number % 16, 9], np.uint8)
        check = body.sum(dtype=np.uint8) if kind == "sum" else np.bitwise_xor.reduce(body)
        data = bytes((*body.tolist(), int(check)))
        messages.append(can.Message(arbitration_id=0x18FF0102, is_extended_id=True, data=data))
    (found,) = survey(frames_of(messages))
    assert found.counters == ((1, 0x0F),) and found.checksum == (3, kind)
    assert str(found).startswith("0x18FF0102")


def test_random_bytes_are_neither() -> None:
    chance = np.random.default_rng(16)
    messages = [can.Message(arbitration_id=0x99, is_extended_id=False, data=chance.bytes(8)) for _ in range(200)]
    (found,) = survey(frames_of(messages))
    assert found.counters == () and found.checksum is None and found.moving == tuple(range(8))
