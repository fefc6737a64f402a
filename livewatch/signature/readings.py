"""What the signature reads of the ticks: ten looks a second, the channels it knows by name, unknown as NaN.

`Reader` takes consecutive `TickBatch`es and gives back blocks of `Readings`: whole seconds of data time, ten looks
each, with the four seconds before them in front so that windows can look back. Which blocks come out depends on data
time alone, never on how the ticks were cut.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livewatch.profile.model import Profile
from livewatch.ticks import TickBatch

__all__ = ["BLOCK", "BLOCK_TIME", "CHANNELS", "HISTORY", "LOOK_TIME", "Column", "Mask", "Reader", "Readings"]

Column = NDArray[np.float64]
Mask = NDArray[np.bool_]

LOOK_TIME = 100_000_000
"""ns between looks."""
BLOCK = 10
"""Looks in a block."""
BLOCK_TIME = LOOK_TIME * BLOCK
HISTORY = 40
"""Looks kept in front of every block."""
MOST_BLOCKS = 120
"""Blocks handled at once: bounds memory when a whole drive comes in one batch."""

CHANNELS: tuple[str, ...] = (
    "engine_speed", "vehicle_speed", "gear", "accelerator_pedal_position", "throttle_position", "manifold_pressure",
    "boost_pressure", "commanded_boost_pressure", "barometric_pressure", "mass_air_flow", "intake_air_temperature",
    "charge_air_temperature", "coolant_temperature", "fuel_rail_pressure", "fuel_rail_gauge_pressure",
    "commanded_fuel_rail_pressure", "ethanol_content", "injector_pulse_width", "injector_duty", "fuel_system_status",
    "short_term_fuel_trim_1", "long_term_fuel_trim_1", "short_term_fuel_trim_2", "long_term_fuel_trim_2", "lambda_1",
    "lambda_2", "commanded_lambda", "oxygen_sensor_voltage_1", "oxygen_sensor_voltage_2", "knock_retard",
    "wastegate_duty", "idle_air_correction", "purge_duty", "absolute_load", "exhaust_gas_temperature",
    "turbocharger_speed", "oil_temperature", "power",
)  # fmt: skip
"""Every channel the signature reads; it goes on without those a profile does not have."""
_AGED = ("manifold_pressure", "engine_speed", "lambda_1", "mass_air_flow", "boost_pressure", "oxygen_sensor_voltage_1")
"""Channels whose age says how often they come."""


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Looks in a row: `first` is the index of the first look (look k stands at data time k * 100 ms); the first
    `HISTORY` of them were given before.

    Attributes:
        value: by channel, float64 (n,), in the catalogue's unit; NaN where unknown.
        interval: float64 (n,), s since the oldest of the fast channels was received: how coarse the data is in time.
        utc: int64 (n,), ns since the Unix epoch.
    """

    first: int
    value: Mapping[str, Column]
    interval: Column
    utc: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.interval)

    def __getitem__(self, name: str) -> Column:
        return self.value[name]


class Reader:
    """Picks the looks out of the ticks and cuts them into blocks.

    Args:
        profile: its tick period says which ticks are looks; a tick longer than 100 ms is looked at every time.
    """

    def __init__(self, profile: Profile) -> None:
        there = {channel.name for channel in profile.channels}
        self.names = tuple(name for name in CHANNELS if name in there)
        self._stride = max(1, round(LOOK_TIME / profile.period))
        self._rows = len(self.names) + 1
        self._kept = np.full((self._rows, HISTORY), np.nan)
        self._kept_utc = np.zeros(HISTORY, np.int64)
        self._waiting: list[tuple[Column, NDArray[np.int64]]] = []
        self._next = 0
        self._got = 0

    def take(self, ticks: TickBatch) -> Iterator[Readings]:
        """The blocks that these ticks complete."""
        first = -ticks.first % self._stride
        if first < len(ticks):
            self._waiting.append(self._picked(ticks, first))
            self._got += self._waiting[-1][0].shape[1]
        while self._got - self._next >= BLOCK:
            looks = min((self._got - self._next) // BLOCK, MOST_BLOCKS) * BLOCK
            yield self._block(looks)

    def finish(self) -> Iterator[Readings]:
        """What is left of the last second."""
        if self._got > self._next:
            yield self._block(self._got - self._next)

    def _picked(self, ticks: TickBatch, first: int) -> tuple[Column, NDArray[np.int64]]:
        picked = slice(first, None, self._stride)
        columns = np.empty((self._rows, len(range(first, len(ticks), self._stride))))
        for row, name in enumerate(self.names):
            columns[row] = ticks.value[ticks.index[name], picked]
        oldest = columns[-1]
        oldest[:] = 0.0
        for name in _AGED:
            if name in ticks.index:
                age = ticks.age[ticks.index[name], picked].astype(np.float64)
                np.fmax(oldest, np.where(age < 3.0, age, 0.0), out=oldest)
        return columns, ticks.utc[picked]

    def _block(self, looks: int) -> Readings:
        columns = np.concatenate([self._kept, *(columns for columns, _ in self._waiting)], axis=1)
        utc = np.concatenate([self._kept_utc, *(utc for _, utc in self._waiting)])
        stop = HISTORY + looks
        block, block_utc = columns[:, :stop], utc[:stop]
        self._waiting = [(columns[:, stop:], utc[stop:])] if columns.shape[1] > stop else []
        self._kept, self._kept_utc = block[:, -HISTORY:].copy(), block_utc[-HISTORY:].copy()
        value = dict(zip(self.names, block[:-1], strict=True))
        unknown = np.full(stop, np.nan)
        for name in CHANNELS:
            value.setdefault(name, unknown)
        readings = Readings(self._next - HISTORY, value, block[-1], block_utc)
        self._next += looks
        return readings
