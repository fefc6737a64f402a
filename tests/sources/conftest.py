"""What the tests of recordings and tables share: python-can's own sample recordings, random traffic, comparing."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import can
import pytest

from livewatch.data.frames import REMOTE, FrameBatch
from livewatch.data.python_can import with_mf4
from livewatch.profile import Profile, load_profile_text
from livewatch.sources.recordings.recording import Recording, open_recording
from livewatch.sources.tables.table import Table
from tests.source_archive import source_archive

Row = tuple[int, str, int, int, int, bytes]
FD_LENGTHS = [*range(9), 12, 16, 20, 24, 32, 48, 64]


@pytest.fixture(scope="session")
def python_can_samples(pytestconfig: pytest.Config) -> Path:
    """The folder test/data in the source archive of the installed python-can, from the package registry."""
    return source_archive(pytestconfig, "python-can", "/test/data/") / "test" / "data"


@pytest.fixture(scope="session")
def rows_of() -> Callable[[FrameBatch], list[Row]]:
    """Every field of every frame, to compare: time (ns), bus, identifier, flags, length, data."""

    def rows(batch: FrameBatch) -> list[Row]:
        return [
            (
                int(batch.time[i]),
                batch.buses[batch.bus[i]],
                int(batch.identifier[i]),
                int(batch.flags[i]),
                int(batch.length[i]),
                b"" if batch.flags[i] & REMOTE else batch.data[i, : batch.length[i]].tobytes(),
            )
            for i in range(len(batch))
        ]

    return rows


@pytest.fixture(scope="session")
def read_rows(rows_of: Callable[[FrameBatch], list[Row]]) -> Callable[..., tuple[list[Row], Recording]]:
    """All frames of the recording at a path, and the recording after it was read."""

    def read(path: Path, size: int = 65536) -> tuple[list[Row], Recording]:
        recording = open_recording(path)
        return [row for batch in recording.batches(size) for row in rows_of(batch)], recording

    return read


@pytest.fixture(scope="session")
def traffic() -> Callable[..., list[can.Message]]:
    """Random messages on three channels: standard and extended, remote, error, and CAN FD ones when asked for."""

    def make(seed: int, count: int, fd: bool = True, start: float = 1_700_000_000.25) -> list[can.Message]:
        chance = random.Random(seed)
        messages = []
        time = start
        for _ in range(count):
            time += chance.randrange(1, 5000) * 1e-6
            kind = chance.choices(["data", "fd", "remote", "error"], [70, 20 * fd, 5, 5])[0]
            extended = chance.random() < 0.3
            size = chance.choice(FD_LENGTHS) if kind == "fd" else chance.randrange(9)
            messages.append(
                can.Message(
                    timestamp=time,
                    arbitration_id=0 if kind == "error" else chance.randrange(2**29 if extended else 2**11),
                    is_extended_id=extended and kind != "error",
                    is_remote_frame=kind == "remote",
                    is_error_frame=kind == "error",
                    is_fd=kind == "fd",
                    bitrate_switch=kind == "fd" and chance.random() < 0.5,
                    error_state_indicator=kind == "fd" and chance.random() < 0.5,
                    is_rx=chance.random() < 0.9,
                    channel=chance.randrange(3),
                    dlc=0 if kind == "error" else size,
                    data=chance.randbytes(size) if kind in ("data", "fd") else None,
                    check=True,
                )
            )
        return messages

    return make


@pytest.fixture(scope="session")
def write_recording() -> Callable[[Path, list[can.Message]], Path]:
    """Write messages with the python-can writer that fits the path's suffix."""

    def write(path: Path, messages: list[can.Message]) -> Path:
        with (with_mf4() if path.suffix == ".mf4" else can).Logger(str(path)) as logger:
            for message in messages:
                logger(message)
        return path

    return write


@pytest.fixture(scope="session")
def every_recording(
    tmp_path_factory: pytest.TempPathFactory,
    traffic: Callable[..., list[can.Message]],
    write_recording: Callable[[Path, list[can.Message]], Path],
) -> dict[str, Path]:
    """One recording of the same random traffic in every format, by suffix. Formats without CAN FD get none of it."""
    folder = tmp_path_factory.mktemp("recordings")
    return {
        suffix: write_recording(
            folder / f"drive{suffix}", traffic(7, 400, fd=suffix in (".log", ".asc", ".blf", ".mf4"))
        )
        for suffix in (".log", ".asc", ".blf", ".csv", ".trc", ".db", ".mf4")
    }


@pytest.fixture(scope="session")
def table_profile() -> Callable[..., Profile]:
    """A profile for tables: four channels, and what `tables` says as YAML."""

    @cache
    def make(tables: str = "{}") -> Profile:
        profile = load_profile_text(
            f"""
            profile: 1
            name: a car read from tables
            channels:
              engine_speed: {{unit: rpm}}
              manifold_pressure: {{unit: kPa, valid: 10 .. 300 kPa}}
              coolant_temperature: {{unit: degC}}
              pump_state: {{unit: "1"}}
              pressure_rise: {{formula: manifold_pressure - 100 kPa, unit: kPa}}
            tables: {tables}
            """,
            "tables.yaml",
            None,
        )
        words = {"pump_state": {0: "idle", 1: "Running"}}
        channels = [replace(each, value_table=words.get(each.name, {})) for each in profile.channels]
        return replace(profile, channels=tuple(channels))

    return make


Sample = tuple[int, float, int]


@pytest.fixture(scope="session")
def samples_of() -> Callable[..., dict[str, list[Sample]]]:
    """Channel to its samples (time in ns, value, quality) of a whole table."""

    def samples(table: Table, profile: Profile, size: int = 65536) -> dict[str, list[Sample]]:
        found: dict[str, list[Sample]] = {}
        for batch in table.batches(size):
            for column in batch.columns:
                assert (column.row[1:] > column.row[:-1]).all()
                found.setdefault(profile.channels[column.channel].name, []).extend(
                    zip(batch.time[column.row].tolist(), column.value.tolist(), column.quality.tolist(), strict=True)
                )
        return found

    return samples
