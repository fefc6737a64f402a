"""A bench to put alarms on: profiles made by hand, ticks made from plain columns, no frames and no files."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from livewatch.alarms import AlarmSystem
from livewatch.data.actions import Action
from livewatch.data.events import AlarmChanged, Event
from livewatch.data.samples import Quality
from livewatch.data.ticks import TickBatch
from livewatch.profile.formula.compile import compile_condition, compile_formula
from livewatch.profile.model import Alarm, Channel, Diagnostics, Profile, TableMapping

SECOND = 1_000_000_000
PERIOD = 10_000_000
UTC = 1_700_000_000 * SECOND


@dataclass
class Bench:
    """Makes profiles and ticks, and drives an alarm system tick by tick or in any other cuts."""

    units: dict[str, str] = field(default_factory=lambda: {"lambda_ratio": "1", "boost": "kPa", "speed": "rpm"})

    def alarm(
        self,
        name: str,
        condition: str,
        deadband: str | None = None,
        *,
        clear: str | None = None,
        enable: str | None = None,
        suppress: str | None = None,
        on_delay: int = 0,
        off_delay: int = 0,
        priority: str = "high",
        latching: bool = False,
        units: Mapping[str, str] | None = None,
    ) -> Alarm:
        units = units or self.units
        judged = compile_condition(condition, deadband, units)

        def formula(text: str | None) -> Any:
            return None if text is None else compile_formula(text, units, "1")

        return Alarm(
            name=name,
            condition=judged.condition,
            clear=judged.clear if clear is None else formula(clear),
            enable=formula(enable),
            suppress=formula(suppress),
            on_delay=on_delay,
            off_delay=off_delay,
            priority=priority,  # type: ignore[arg-type]
            latching=latching,
            action="Lift off the pedal now.",
            setpoint=judged.setpoint,
            evidence=judged.evidence,
        )

    def channel(self, name: str, unit: str = "1", bus: str | None = None, **more: Any) -> Channel:
        """A channel bound to a signal of `bus`; without a bus, one that nothing watches for being lost."""
        signal = None if bus is None else (bus, 0x100, False, name)
        return Channel(name=name, unit=unit, signal=signal, declared=bus is not None, **more)

    def profile(
        self,
        alarms: Sequence[Alarm] = (),
        channels: Sequence[Channel] | None = None,
        *,
        period: int = PERIOD,
        lead_up: int = 5 * SECOND,
        diagnostics: tuple[Diagnostics, ...] = (),
    ) -> Profile:
        if channels is None:
            channels = [self.channel(name, unit) for name, unit in self.units.items()]
        return Profile(
            name="bench",
            buses={},
            messages=(),
            diagnostics=diagnostics,
            channels=tuple(channels),
            alarms=tuple(alarms),
            authority={},
            engine=None,
            tables=TableMapping(),
            figures=(),
            period=period,
            lead_up=lead_up,
            sources={},
            text="",
        )

    def ticks(
        self,
        profile: Profile,
        columns: Mapping[str, Sequence[float]],
        first: int = 0,
        quality: Mapping[str, Sequence[int]] | None = None,
        age: Mapping[str, Sequence[float]] | None = None,
    ) -> TickBatch:
        """Ticks with the given columns. A value that is NaN counts as invalid unless its quality is given; a channel
        not mentioned is good and 0; ages are 0 s unless given."""
        given = {**columns, **(quality or {}), **(age or {})}
        n = len(next(iter(given.values())))
        shape = (len(profile.channels), n)
        value, grades, ages = np.zeros(shape), np.zeros(shape, np.uint8), np.zeros(shape, np.float32)
        for name, column in columns.items():
            value[profile.index[name]] = column
        grades[np.isnan(value)] = Quality.INVALID
        for name, column in (quality or {}).items():
            grades[profile.index[name]] = column
        for name, column in (age or {}).items():
            ages[profile.index[name]] = column
        held = value.copy()
        value[grades != Quality.GOOD] = np.nan
        utc = UTC + (first + np.arange(n, dtype=np.int64)) * profile.period
        return TickBatch(first, profile.period, profile.index, value, grades, ages, held, utc)

    def run(self, system: AlarmSystem, ticks: TickBatch, cuts: Sequence[int] = ()) -> list[Event]:
        """Take the ticks in pieces: `cuts` are offsets at which they are cut."""
        edges = [0, *sorted(set(cuts)), len(ticks)]
        events: list[Event] = []
        for start, stop in itertools.pairwise(edges):
            events.extend(system.observe(ticks[start:stop]))
        return events

    def act(self, system: AlarmSystem, kind: str, subject: str = "", tick: int = 0, **more: Any) -> list[Event]:
        action = Action(kind, subject, **more)  # type: ignore[arg-type]
        return system.apply(action, tick * PERIOD, UTC + tick * PERIOD)

    def moves(self, events: Sequence[Event]) -> list[tuple[int, str, str]]:
        """(tick, alarm, transition) of the alarm events."""
        return [
            (event.time // PERIOD, event.subject, event.transition)
            for event in events
            if isinstance(event, AlarmChanged)
        ]


@pytest.fixture(scope="session")
def bench() -> Bench:
    return Bench()
