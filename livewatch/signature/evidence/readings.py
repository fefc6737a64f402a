"""What the signature reads of the ticks: ten looks a second, the channels it knows by name, unknown as NaN.

`Reader` takes consecutive `TickBatch`es and gives back `Readings`: each second of data time as soon as it is whole, for
what has to be told at once; and, when asked, all whole seconds that it was not asked for before, with the twelve
seconds before them in front so that windows can look back. Ask at the end of each minute at the latest: handling a
minute at a time costs a fraction of a second at a time. What comes out depends on data time alone, never on
how the ticks were cut.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livewatch.data.physics import STANDARD_PRESSURE
from livewatch.data.ticks import TickBatch
from livewatch.profile.model import Profile, WantedBoost
from livewatch.signature.evidence.travel import Travel

__all__ = [
    "BLOCK", "CHANNELS", "COMMANDED", "HISTORY", "LOOK_TIME", "NO_COMMAND", "PEDAL_TRAVEL", "PIECE", "Column", "Mask",
    "Reader", "Readings", "joined",
]  # fmt: skip

Column = NDArray[np.float64]
Mask = NDArray[np.bool_]

LOOK_TIME = 100_000_000
"""ns between looks."""
BLOCK = 10
"""Looks in a block."""
HISTORY = 120
"""Looks kept in front of every block."""
PIECE = 60 * BLOCK
"""Looks of a minute. None are handled at once across its end, whatever the cutting: then what was learned in it is put
to use. Bounds memory, too."""
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
COMMANDED = "commanded_boost_pressure"
WIDE_OPEN = 0.75
"""Share of the pedal's travel from which the calibration wants its boost, and manifold pressure stands for it; common
practice."""
_AGED = ("manifold_pressure", "engine_speed", "lambda_1", "mass_air_flow", "boost_pressure", "oxygen_sensor_voltage_1")
"""Channels whose age says how often they come."""


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Looks in a row: `first` is the index of the first look (look k stands at data time k * 100 ms). By channel a
    float64 (n,) in the catalogue's unit, NaN where unknown; `PEDAL_TRAVEL` beside them is the share of the pedal's own
    way (of the throttle's without a pedal), 0 at rest and 1 at its end.

    Attributes:
        table: float64 (rows, n): first the channels that the profile has, those that are left out included, in the
            order of `Reader.names`.
        rows: the row of each channel in it.
        ages: float32 (channels, n), s since each of the fast channels was received.
        utc: int64 (n,), ns since the Unix epoch.
    """

    first: int
    table: Column
    rows: Mapping[str, int]
    ages: NDArray[np.float32]
    utc: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.utc)

    def __getitem__(self, name: str) -> Column:
        column: Column = self.table[self.rows[name]]
        return column

    @property
    def interval(self) -> Column:
        """float64 (n,), s since the oldest of the fast channels was received: how coarse the data is in time; NaN
        before the first look."""
        ages = self.ages.astype(np.float64)
        # What was never seen, or not for long, says nothing about how often the others come.
        ages[~(ages < 3.0)] = 0.0
        oldest: Column = ages.max(axis=0, initial=0.0)
        oldest[: max(-self.first, 0)] = np.nan
        return oldest


def joined(pieces: Sequence[Readings]) -> Readings:
    """Looks that follow on one another, each with its history in front, as one with the history of the first."""
    first = pieces[0]
    if len(pieces) == 1:
        return first
    table = np.concatenate([first.table, *(piece.table[:, HISTORY:] for piece in pieces[1:])], axis=1)
    ages = np.concatenate([first.ages, *(piece.ages[:, HISTORY:] for piece in pieces[1:])], axis=1)
    utc = np.concatenate([first.utc, *(piece.utc[HISTORY:] for piece in pieces[1:])])
    return Readings(first.first, table, first.rows, ages, utc)


class Reader:
    """Picks the looks out of the ticks.

    Args:
        profile: its tick period says which ticks are looks; a tick longer than 100 ms is looked at every time.

    Attributes:
        names: the channels that the profile has.
    """

    def __init__(self, profile: Profile) -> None:
        there = {channel.name for channel in profile.channels}
        self.names = tuple(name for name in CHANNELS if name in there)
        self._stride = max(1, round(LOOK_TIME / profile.period))
        self._index: Mapping[str, int] = {}
        self._places: NDArray[np.intp] = np.zeros(0, np.intp)
        self._aged: NDArray[np.intp] = np.zeros(0, np.intp)
        self._engine = profile.engine
        self._wanted = None if profile.engine is None else profile.engine.wanted_boost
        self.leave_out(frozenset())
        # The history, looks that nobody asked for yet, and those of a second that is not whole yet. The last rows are
        # travel, wanted boost, and what is unknown.
        self._columns = np.full((len(self.names) + 3, HISTORY + PIECE), np.nan)
        self._ages = np.zeros((len(_AGED), self._columns.shape[1]), np.float32)
        self._utc = np.zeros(self._columns.shape[1], np.int64)
        self._whole = self._filled = HISTORY
        self._first = -HISTORY

    def leave_out(self, names: Collection[str]) -> None:
        """From now on these channels are unknown, and no others."""
        count = len(self.names)
        named = {name: row for row, name in enumerate(self.names) if name not in names}
        pedals = ("accelerator_pedal_position", "throttle_position")
        self._travel = Travel(pedals[0] if pedals[0] in named else pedals[1], self._engine)
        self._rows = {**dict.fromkeys(CHANNELS, count + 2), PEDAL_TRAVEL: count, COMMANDED: count + 1, **named}

    @property
    def minute_ended(self) -> bool:
        """Whether the last second that was given is that of a whole minute: `waiting` has to be asked now."""
        return (self._first + self._whole) % PIECE == 0

    def observe(self, ticks: TickBatch) -> Iterator[Readings]:
        """The seconds that these ticks complete, some at a time. Each has to be used before the next is asked for."""
        if ticks.index is not self._index and ticks.index != self._index:
            self._index = ticks.index
            self._places = np.array([ticks.index[name] for name in self.names], np.intp)
            self._aged = np.array([ticks.index[name] for name in _AGED if name in ticks.index], np.intp)
        looks = slice(-ticks.first % self._stride, None, self._stride)
        utc = ticks.utc[looks]
        if not len(utc):
            return
        values, ages, at = ticks.value[self._places, looks], ticks.age[self._aged, looks], 0
        while at < len(utc):
            start = self._filled
            stop = start + min(len(utc) - at, PIECE - (self._first + start) % PIECE)
            picked = slice(at, at + stop - start)
            at = picked.stop
            self._columns[: len(self.names), start:stop] = values[:, picked]
            self._ages[: len(self._aged), start:stop] = ages[:, picked]
            self._utc[start:stop] = utc[picked]
            self._filled = stop
            whole = (stop - HISTORY) // BLOCK * BLOCK + HISTORY
            if whole > self._whole:
                yield self._given(whole)

    def finish(self) -> Iterator[Readings]:
        """What is left of the last second."""
        if self._filled > self._whole:
            yield self._given(self._filled)

    def _given(self, whole: int) -> Readings:
        now = slice(self._whole, whole)
        table = self._columns[:, now]
        new = Readings(self._first + self._whole, table, self._rows, self._ages[:, now], self._utc[now])
        self._whole = whole
        table[-3] = self._travel.observe(new)
        if self._wanted is not None:
            table[-2] = _wanted(self._wanted, new)
        return new

    def waiting(self) -> Readings | None:
        """All seconds since it was last asked for, behind `HISTORY` looks that were given before; None without any."""
        whole = self._whole
        if whole == HISTORY:
            return None
        given = self._columns[:, :whole].copy(), self._rows, self._ages[:, :whole].copy(), self._utc[:whole].copy()
        found = Readings(self._first, *given)
        left = slice(whole - HISTORY, self._filled)
        for column in (self._columns, self._ages, self._utc):
            column[..., : left.stop - left.start] = column[..., left].copy()
        self._first += whole - HISTORY
        self._whole, self._filled = HISTORY, left.stop - left.start
        return found


def _wanted(wanted: WantedBoost, value: Readings) -> Column:
    """Wanted boost with the pedal down, kPa absolute; NaN else. As much of the measured boost as is within the
    tolerance is what was wanted."""
    outside = np.where(np.isnan(value["barometric_pressure"]), STANDARD_PRESSURE, value["barometric_pressure"])
    asked = np.interp(value["engine_speed"], wanted.speeds, wanted.pressures) + (outside if wanted.gauge else 0.0)
    boost = np.where(np.isnan(value["boost_pressure"]), value["manifold_pressure"], value["boost_pressure"])
    within = np.clip(boost, asked - wanted.tolerance, asked + wanted.tolerance)
    with np.errstate(invalid="ignore"):
        full: Column = np.where(value[PEDAL_TRAVEL] > WIDE_OPEN, np.where(np.isnan(within), asked, within), np.nan)
    return full
