"""What the signature reads of the ticks: ten looks a second, the channels it knows by name, unknown as NaN.

`Reader` takes consecutive `TickBatch`es and gives back blocks of `Readings`: whole seconds of data time, ten looks
each, with the four seconds before them in front so that windows can look back. Which blocks come out depends on data
time alone, never on how the ticks were cut.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livewatch.data.physics import STANDARD_PRESSURE
from livewatch.data.ticks import TickBatch
from livewatch.profile.model import Profile, WantedBoost
from livewatch.signature.evidence.travel import Travel

__all__ = [
    "BLOCK", "BLOCK_TIME", "CHANNELS", "HISTORY", "LOOK_TIME", "NO_COMMAND", "PEDAL_TRAVEL", "PIECE", "Column", "Mask",
    "Reader", "Readings",
]  # fmt: skip

Column = NDArray[np.float64]
Mask = NDArray[np.bool_]

LOOK_TIME = 100_000_000
"""ns between looks."""
BLOCK = 10
"""Looks in a block."""
BLOCK_TIME = LOOK_TIME * BLOCK
HISTORY = 40
"""Looks kept in front of every block."""
PIECE = 60 * BLOCK
"""Looks of a minute. None are handled at once across its end, whatever the cutting: then what was learned in it is put
to use. Bounds memory, too, when a whole drive comes in one batch."""
NO_COMMAND = 0.4
"""Lambda below which nothing burns (Heywood 1988, table 9.3, has rich limits above): a command that reads less, 0 above
all, was not told."""

CHANNELS: tuple[str, ...] = (
    "engine_speed", "vehicle_speed", "gear", "accelerator_pedal_position", "throttle_position", "manifold_pressure",
    "boost_pressure", "commanded_boost_pressure", "barometric_pressure", "mass_air_flow", "intake_air_temperature",
    "charge_air_temperature", "coolant_temperature", "fuel_rail_pressure", "fuel_rail_gauge_pressure",
    "commanded_fuel_rail_pressure", "ethanol_content", "injector_pulse_width", "injector_duty", "fuel_system_status",
    "short_term_fuel_trim_1", "long_term_fuel_trim_1", "short_term_fuel_trim_2", "long_term_fuel_trim_2", "lambda_1",
    "lambda_2", "commanded_lambda", "oxygen_sensor_voltage_1", "oxygen_sensor_voltage_2", "knock_retard",
    "wastegate_duty", "idle_air_correction", "purge_duty", "absolute_load", "exhaust_gas_temperature",
    "turbocharger_speed", "oil_temperature", "power", "fuel_rate", "ambient_air_temperature", "engine_load",
)  # fmt: skip
"""Every channel the signature reads; it goes on without those a profile does not have."""
PEDAL_TRAVEL = "pedal_travel"
WIDE_OPEN = 0.75
"""Share of the pedal's travel from which the calibration wants its boost, and manifold pressure stands for it; common
practice."""
_AGED = ("manifold_pressure", "engine_speed", "lambda_1", "mass_air_flow", "boost_pressure", "oxygen_sensor_voltage_1")
"""Channels whose age says how often they come."""


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Looks in a row: `first` is the index of the first look (look k stands at data time k * 100 ms); the first
    `HISTORY` of them were given before.

    Attributes:
        value: by channel, float64 (n,), in the catalogue's unit; NaN where unknown. `PEDAL_TRAVEL` beside them is the
            share of the pedal's own way (of the throttle's without a pedal), 0 at rest and 1 at its end.
        interval: float64 (n,), s since the oldest of the fast channels was received: how coarse the data is in time.
        utc: int64 (n,), ns since the Unix epoch.
        names, table: the channels that the profile has, and their values together, float64 (channels, n), those that
            are left out included.
    """

    first: int
    value: Mapping[str, Column]
    interval: Column
    utc: NDArray[np.int64]
    names: tuple[str, ...]
    table: Column

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
        self._index: Mapping[str, int] = {}
        self._rows: NDArray[np.intp] = np.zeros(0, np.intp)
        self._aged: NDArray[np.intp] = np.zeros(0, np.intp)
        self._engine = profile.engine
        self._wanted = None if profile.engine is None else profile.engine.wanted_boost
        self.leave_out(frozenset())
        # The history, then the looks that no block has taken yet; the last rows are the travel and the interval.
        self._columns = np.full((len(self.names) + 2, HISTORY + PIECE), np.nan)
        self._utc = np.zeros(self._columns.shape[1], np.int64)
        self._filled = HISTORY
        self._next = 0

    def leave_out(self, names: Collection[str]) -> None:
        """From now on these channels are unknown, and no others."""
        self._out = names
        self._named = frozenset(self.names).difference(names)
        pedals = ("accelerator_pedal_position", "throttle_position")
        pedal = pedals[0] if pedals[0] in self._named else pedals[1]
        self._travel = Travel(pedal, self._engine)

    def observe(self, ticks: TickBatch) -> Iterator[Readings]:
        """The blocks that these ticks complete."""
        if ticks.index is not self._index and ticks.index != self._index:
            self._index = ticks.index
            self._rows = np.array([ticks.index[name] for name in self.names], np.intp)
            self._aged = np.array([ticks.index[name] for name in _AGED if name in ticks.index], np.intp)
        at = -ticks.first % self._stride
        while at < len(ticks):
            room = HISTORY + PIECE - self._next % PIECE - self._filled
            picked = slice(at, min(at + room * self._stride, len(ticks)), self._stride)
            at += room * self._stride
            self._pick(ticks, picked)
            looks = (self._filled - HISTORY) // BLOCK * BLOCK
            if looks:
                yield self._block(looks)

    def finish(self) -> Iterator[Readings]:
        """What is left of the last second."""
        if self._filled > HISTORY:
            yield self._block(self._filled - HISTORY)

    def _pick(self, ticks: TickBatch, picked: slice) -> None:
        value = ticks.value[:, picked].take(self._rows, axis=0)
        stop = self._filled + value.shape[1]
        self._columns[:-2, self._filled : stop] = value
        known = dict(zip(self.names, value, strict=True))
        unknown = np.full(value.shape[1], np.nan)
        self._columns[-2, self._filled : stop] = self._travel.observe(
            {name: known[name] if name in self._named else unknown for name in self._travel.needs}
        )
        self._utc[self._filled : stop] = ticks.utc[picked]
        age = ticks.age[:, picked].take(self._aged, axis=0).astype(np.float64)
        # What was never seen, or not for long, says nothing about how often the others come.
        age[~(age < 3.0)] = 0.0
        self._columns[-1, self._filled : stop] = age.max(axis=0, initial=0.0)
        self._filled = stop

    def _block(self, looks: int) -> Readings:
        stop = HISTORY + looks
        table, utc = self._columns[:, :stop].copy(), self._utc[:stop].copy()
        left = self._filled - looks
        self._columns[:, :left] = self._columns[:, looks : self._filled].copy()
        self._utc[:left] = self._utc[looks : self._filled].copy()
        self._filled = left
        value = dict(zip(self.names, table, strict=False))
        unknown = np.full(stop, np.nan)
        for name in CHANNELS:
            value.setdefault(name, unknown)
        value |= dict.fromkeys(self._out, unknown)
        value[PEDAL_TRAVEL] = table[-2]
        if self._wanted is not None and "commanded_boost_pressure" not in self._named:
            value["commanded_boost_pressure"] = _wanted(self._wanted, value)
        readings = Readings(self._next - HISTORY, value, table[-1], utc, self.names, table[:-2])
        self._next += looks
        return readings


def _wanted(wanted: WantedBoost, value: Mapping[str, Column]) -> Column:
    """Wanted boost with the pedal down, kPa absolute; NaN else. As much of the measured boost as is within the
    tolerance is what was wanted."""
    outside = np.where(np.isnan(value["barometric_pressure"]), STANDARD_PRESSURE, value["barometric_pressure"])
    asked = np.interp(value["engine_speed"], wanted.speeds, wanted.pressures) + (outside if wanted.gauge else 0.0)
    boost = np.where(np.isnan(value["boost_pressure"]), value["manifold_pressure"], value["boost_pressure"])
    within = np.clip(boost, asked - wanted.tolerance, asked + wanted.tolerance)
    with np.errstate(invalid="ignore"):
        full: Column = np.where(value[PEDAL_TRAVEL] > WIDE_OPEN, np.where(np.isnan(within), asked, within), np.nan)
    return full
