"""What the pictures of one drive are drawn from: its diagnosis, and its channels ten times a second.

A `Diagnosis` comes in; a `DriveData` goes out. The recording is read once more, for those channels alone that some
picture shows.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from livewatch.data.outside import open_file
from livewatch.data.private import is_private
from livewatch.diagnosis.channel_table import ChannelTable
from livewatch.diagnosis.diagnosis import Diagnosis

__all__ = ["EVERY", "DriveData", "hashes_of"]

Column = NDArray[np.float64]
EVERY = 0.1
"""s between the rows of channels."""
WANTED = (
    "engine_speed", "vehicle_speed", "accelerator_pedal_position", "throttle_position", "manifold_pressure",
    "boost_pressure", "commanded_boost_pressure", "barometric_pressure", "wastegate_duty", "mass_air_flow", "lambda_1",
    "lambda_2", "commanded_lambda", "knock_retard", "fuel_rail_pressure", "fuel_rail_gauge_pressure",
    "commanded_fuel_rail_pressure", "short_term_fuel_trim_1", "long_term_fuel_trim_1", "short_term_fuel_trim_2",
    "long_term_fuel_trim_2", "torque", "power", "dyno_speed", "cell_air_temperature", "cell_air_pressure",
    "cell_relative_humidity", "intake_air_temperature", "ambient_air_temperature", "coolant_temperature",
    "exhaust_gas_temperature", "ignition_advance", "injector_duty",
)  # fmt: skip
"""Channels that some picture shows. Positions and identification numbers are none of them."""


@dataclass(frozen=True, eq=False)
class DriveData:
    """A drive with its channels.

    Attributes:
        diagnosis: what it shows.
        table: those of `WANTED` that the profile has, every 0.1 s, NaN where unknown.
    """

    diagnosis: Diagnosis
    table: ChannelTable

    @classmethod
    def of(cls, diagnosis: Diagnosis, private: bool = False) -> DriveData:
        """Read the channels of a diagnosed recording; those that tell a position or whose car it is only if `private`.

        Raises:
            SourceError: the recording is gone.
        """
        alarming = {fact.channel for spell in diagnosis.alarms for fact in spell.because}
        index = diagnosis.profile.index
        alarming = {name for name in alarming if private or not is_private(name)}
        names = [name for name in index if name in WANTED or name in alarming]
        if not names:
            empty = np.zeros(0)
            return cls(diagnosis, ChannelTable(empty, empty.astype("datetime64[ns]"), {}, {}))
        return cls(diagnosis, diagnosis.channels(*names, every=EVERY))

    @property
    def time(self) -> Column:
        """Data time of the rows, s."""
        return self.table.time

    def has(self, *names: str) -> bool:
        """Whether each of the channels is there with a value at least once."""
        return all(name in self.table and not np.isnan(self.table[name]).all() for name in names)

    def missing(self, *names: str) -> list[str]:
        """Those that are not, in words."""
        return [name.replace("_", " ") for name in names if not self.has(name)]

    def get(self, *names: str) -> Column:
        """The first of the channels that is there; NaN where none is."""
        name = next((name for name in names if self.has(name)), None)
        return np.full(len(self.time), np.nan) if name is None else self.table[name]

    def between(self, start: float, stop: float) -> slice:
        """The rows of a stretch of data time in s, both ends included."""
        first, last = np.searchsorted(self.time, (start - 1e-6, stop + 1e-6))
        return slice(int(first), int(last))

    @cached_property
    def hashes(self) -> dict[str, str]:
        """SHA-256 of the profile in force and of each file of the data."""
        text = self.diagnosis.profile.text
        return {"profile": hashlib.sha256(text.encode()).hexdigest(), **dict(hashes_of(self.diagnosis.path))}


def hashes_of(path: Path) -> Iterator[tuple[str, str]]:
    """File name and SHA-256 of a recording, or of each file of a session folder that holds data. What cannot be read
    any more is left out."""
    files = sorted(path.glob("*")) if path.is_dir() else [path]
    for one in files:
        if path.is_dir() and not one.name.startswith(("frames-", "samples", "events", "profile.yaml", "manifest")):
            continue
        try:
            digest = hashlib.sha256()
            with open_file(one) as file:
                while piece := file.read(1 << 20):
                    digest.update(piece)
            yield one.name, digest.hexdigest()
        except OSError:
            continue
