"""What the tests of the session folder share: a small profile, frames, samples and events."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from livewatch.data.alarm_states import State
from livewatch.data.events import AlarmChanged, Event, NoteWritten
from livewatch.data.frames import FrameBatch
from livewatch.data.samples import SampleBatch, SampleColumn
from livewatch.profile.model import Channel, Profile, TableMapping

UTC = 1_777_887_000_000_000_000
"""2026-05-04T09:30:00Z."""


@pytest.fixture(scope="session")
def profile() -> Profile:
    """A profile with three channels and nothing else."""
    channels = tuple(
        Channel(name, unit) for name, unit in [("engine_speed", "rpm"), ("oil_pressure", "kPa"), ("lambda_1", "1")]
    )
    return Profile(
        name="Brackwell 2.0 Türbo, engine bus",
        buses={"engine": ("can0",)},
        messages=(),
        diagnostics=(),
        channels=channels,
        alarms=(),
        authority={},
        engine=None,
        tables=TableMapping(),
        figures=(),
        period=10_000_000,
        lead_up=5_000_000_000,
        sources={"brackwell.yaml": "0" * 64},
        text="profile: 1\nname: Brackwell 2.0 Türbo, engine bus\n",
    )


@pytest.fixture(scope="session")
def frames() -> Callable[..., FrameBatch]:
    """`frames(count, first)`: frames that carry their number, a millisecond apart."""

    def make(count: int, first: int = 0, bus: str = "engine") -> FrameBatch:
        number = np.arange(first, first + count, dtype=np.int64)
        return FrameBatch(
            UTC + number * 1_000_000,
            np.zeros(count, np.uint8),
            np.full(count, 0x1A4, np.uint32),
            np.zeros(count, np.uint8),
            np.full(count, 8, np.uint8),
            number.astype(">u8").view(np.uint8).reshape(count, 8).copy(),
            (bus,),
        )

    return make


@pytest.fixture(scope="session")
def numbers() -> Callable[[Sequence[Any]], list[int]]:
    """The numbers that `frames` put into the frames of some batches; samples count as their value, negative."""

    def read(batches: Sequence[Any]) -> list[int]:
        found: list[int] = []
        for batch in batches:
            if isinstance(batch, FrameBatch):
                found += batch.data[:, :8].copy().view(">u8")[:, 0].astype(np.int64).tolist()
            else:
                found += [-int(value) for column in batch.columns for value in column.value]
        return found

    return read


@pytest.fixture(scope="session")
def samples() -> Callable[..., SampleBatch]:
    """`samples(*values)`: one sample of oil_pressure a row, in kPa."""

    def make(*values: float, first: int = 0) -> SampleBatch:
        rows = np.arange(len(values), dtype=np.int64)
        column = SampleColumn(1, rows, np.array(values, np.float64), np.zeros(len(values), np.uint8))
        return SampleBatch(UTC + (first + rows) * 1_000_000, [column])

    return make


@pytest.fixture(scope="session")
def alarm() -> Callable[..., Event]:
    """`alarm(number)`: the event of an alarm that was raised at second `number`."""

    def make(
        number: int, transition: str = "raised", state: State = State.UNACKNOWLEDGED, setpoint: str = "", **more: Any
    ) -> Event:
        at, name = number * 1_000_000_000, "lean_under_load"
        words = (transition, state, State.NORMAL, "critical", more.pop("first_out", False), setpoint)
        return AlarmChanged(at, UTC + at, name, *words, more.pop("action", ""), "", **more)  # type: ignore[arg-type]

    return make


@pytest.fixture(scope="session")
def note() -> Callable[[int], Event]:
    """`note(number)`: an event that is no alarm's."""

    def make(number: int) -> Event:
        return NoteWritten(number, UTC + number, "", f"note {number}", 0.0)

    return make


@pytest.fixture(scope="session")
def utc() -> int:
    """When the data begins, ns since the Unix epoch."""
    return UTC


@pytest.fixture
def sessions(tmp_path: Path) -> Path:
    """Where session folders are made."""
    return tmp_path / "sessions"
