"""An invented car on the screen: snapshot, past and events made by hand, so that a screen is the same each time."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from textual.css.model import RuleSet
from textual.css.stylesheet import Stylesheet

from livewatch.alarms import ActionError, AlarmState, State
from livewatch.dashboard.app import Dashboard
from livewatch.dashboard.content.events import moment
from livewatch.dashboard.content.need_map import NeedMap
from livewatch.dashboard.content.snapshot import LikelyCause, PullRow, Snapshot, VerdictSoFar
from livewatch.dashboard.content.watched_run import WatchedRun
from livewatch.dashboard.remembered import Remembered
from livewatch.dashboard.speech import Speech
from livewatch.data.actions import Action
from livewatch.data.alarm_states import Priority
from livewatch.data.events import AlarmChanged, Event, Fact, NoteWritten, PullEnded, RunStarted, SecondsBefore
from livewatch.data.ticks import TickBatch
from livewatch.profile.formula.compile import compile_condition, compile_formula
from livewatch.profile.formula.formula import Formula
from livewatch.profile.model import Alarm, AuthorityLimit, Channel, Engine, Profile, TableMapping
from livewatch.run.history import History
from livewatch.run.player import PlayerState
from livewatch.signature.evidence.authority import AuthorityUse
from livewatch.sources.live.status import BusStatus

SECOND = 1_000_000_000
NOW = 410_600_000_000
UTC = 1_777_000_000 * SECOND
UNITS = {
    "engine_speed": "rpm",
    "boost_pressure": "kPa",
    "commanded_boost_pressure": "kPa",
    "lambda_1": "1",
    "commanded_lambda": "1",
    "lambda_ratio": "1",
    "short_term_fuel_trim_1": "%",
    "long_term_fuel_trim_1": "%",
    "knock_retard": "deg",
    "wastegate_duty": "%",
    "mass_air_flow": "g/s",
    "accelerator_pedal_position": "%",
    "coolant_temperature": "degC",
    "charge_air_temperature": "degC",
    "battery_voltage": "V",
    "vehicle_speed": "km/h",
}
PULLS = ((120, 127), (233, 240), (348, 355), (404, 411))
"""Starts and ends of the full-pedal runs, s."""


def alarm(name: str, priority: Priority, condition: str, action: str) -> Alarm:
    judged = compile_condition(condition, None, UNITS)
    return Alarm(
        name,
        judged.condition,
        judged.clear,
        None,
        None,
        0,
        0,
        priority,
        True,
        action,
        judged.setpoint,
        judged.evidence,
    )


ALARMS = (
    alarm("lean_under_load", "critical", "lambda_ratio > 1.06", "Lift off the pedal now. Do not repeat the pull."),
    alarm("boost_overshoot", "high", "boost_pressure > 235 kPa", "End the pull. Let the boost settle before the next."),
    alarm("trims_at_limit", "medium", "short_term_fuel_trim_1 > 22.5 %", "Look into the fuel trims before full load."),
    alarm("charge_air_hot", "low", "charge_air_temperature > 60 degC", "Let it cool between pulls."),
)


def make_profile(figures: Sequence[str] = ("engine_speed", "boost_pressure", "lambda_1")) -> Profile:
    ratio: Formula = compile_formula("lambda_1 / commanded_lambda", UNITS)
    channels = tuple(
        Channel(name, unit, formula=ratio if name == "lambda_ratio" else None) for name, unit in UNITS.items()
    )
    authority = {
        "short_term_fuel_trim_1": AuthorityLimit("short_term_fuel_trim_1", "%", -25, 25, (-8, 8)),
        "long_term_fuel_trim_1": AuthorityLimit("long_term_fuel_trim_1", "%", -20, 20, (-8, 8)),
        "wastegate_duty": AuthorityLimit("wastegate_duty", "%", 0, 100, (10, 85)),
        "knock_retard": AuthorityLimit("knock_retard", "deg", 0, 8, (0, 2)),
    }
    return Profile(
        name="Brackwell 2.0 turbo, engine bus",
        buses={"engine": (), "body": ()},
        messages=(),
        diagnostics=(),
        channels=channels,
        alarms=ALARMS,
        authority=authority,
        engine=Engine(1.998, 4, "turbocharged", "mass_air_flow", "gasoline E10", 14.1),
        tables=TableMapping(),
        figures=tuple(figures),
        period=SECOND // 100,
        lead_up=5 * SECOND,
        sources={},
        text="",
    )


def drive(seconds: np.ndarray) -> dict[str, np.ndarray]:
    """A drive in town with four pulls that get leaner."""
    t = seconds
    speed = 1900 + 700 * np.sin(t / 9) + 260 * np.sin(t / 2.3)
    pedal = 22 + 14 * np.sin(t / 7 + 1)
    boost = 112 + 9 * np.sin(t / 6)
    lean = np.zeros_like(t)
    for number, (start, stop) in enumerate(PULLS):
        inside = (t >= start) & (t <= stop)
        share = (t - start) / (stop - start)
        speed = np.where(inside, 2200 + 4200 * share, speed)
        pedal = np.where(inside, 100.0, pedal)
        rise = 1 - np.exp(-share * 7)
        boost = np.where(inside, 110 + 100 * rise + 24 * np.exp(-((share - 0.3) ** 2) / 0.01), boost)
        lean = np.where(inside, (0.03 + 0.06 * number) * np.clip(share * 1.6, 0, 1), lean)
    pulling = pedal >= 99
    wanted = np.where(pulling, 0.82, 1.0)
    flow = speed * boost / 2600
    return {
        "engine_speed": speed,
        "boost_pressure": boost,
        "commanded_boost_pressure": np.where(pulling, 212.0, 110.0),
        "lambda_1": wanted + lean + 0.006 * np.sin(t * 3),
        "commanded_lambda": wanted,
        "lambda_ratio": (wanted + lean) / wanted,
        "short_term_fuel_trim_1": 6 + 4 * np.sin(t / 5) + 60 * lean,
        "long_term_fuel_trim_1": np.clip(t / 30, 0, 11),
        "knock_retard": np.where(pulling, 1.2, 0.0),
        "wastegate_duty": np.where(pulling, 71.0, 18.0),
        "mass_air_flow": flow,
        "accelerator_pedal_position": pedal,
        "coolant_temperature": np.clip(40 + t / 3, 0, 92),
        "charge_air_temperature": 31 + boost / 16,
        "battery_voltage": 13.9 + 0.1 * np.sin(t),
        "vehicle_speed": speed / 45,
    }


def ticks_of(profile: Profile, first: int, count: int, stride: int = 1) -> TickBatch:
    """`count` ticks of the drive from tick `first` on."""
    seconds = (first + np.arange(count) * stride) * profile.period / 1e9
    values = drive(seconds)
    value = np.array([values[channel.name] for channel in profile.channels])
    return TickBatch(
        first,
        profile.period * stride,
        profile.index,
        value,
        np.zeros(value.shape, np.uint8),
        np.full(value.shape, 0.01, np.float32),
        value.copy(),
        UTC + np.arange(count) * profile.period,
    )


@cache
def the_past() -> TickBatch:
    """All ticks up to now."""
    profile = make_profile()
    return ticks_of(profile, 0, int(NOW // profile.period) + 1)


def state_of(
    definition: Alarm, state: State, raised_at: int, value: float | None = None, first_out: bool = False, **more: Any
) -> AlarmState:
    unanswered = state in (State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED_UNACKNOWLEDGED)
    channel = definition.evidence[0]
    return AlarmState(
        name=definition.name,
        priority=definition.priority,
        state=state,
        since=raised_at,
        raised_at=raised_at if state is not State.NORMAL else None,
        count=1,
        first_out=first_out,
        acknowledged=not unanswered,
        shelved_until=more.get("shelved_until"),
        reason=more.get("reason", ""),
        channel=channel,
        value=value,
        unit=UNITS[channel],
        cannot_judge=more.get("cannot_judge", False),
        setpoint=definition.setpoint,
        action=definition.action,
        message="",
        built_in=False,
    )


STANDING = (
    state_of(ALARMS[0], State.UNACKNOWLEDGED, 410 * SECOND, 1.26, first_out=True),
    state_of(ALARMS[1], State.LATCHED_UNACKNOWLEDGED, 406 * SECOND),
    state_of(ALARMS[2], State.ACKNOWLEDGED, 300 * SECOND, 23.1),
    state_of(ALARMS[3], State.SHELVED, 200 * SECOND, shelved_until=700 * SECOND, reason="hot day"),
)
QUIET = tuple(state_of(one, State.NORMAL, 0) for one in ALARMS)


def authority_of(profile: Profile, ticks: TickBatch) -> tuple[AuthorityUse, ...]:
    labels = {
        "short_term_fuel_trim_1": "short term fuel trim",
        "long_term_fuel_trim_1": "long term fuel trim",
        "wastegate_duty": "wastegate duty",
        "knock_retard": "knock retard",
    }
    found = []
    for name, limit in profile.authority.items():
        value = float(ticks.column(name)[-1])
        side = limit.high if value >= 0 else limit.low
        found.append(
            AuthorityUse(
                name, labels[name], limit.unit, limit.low, limit.high, limit.everyday, value,
                value / side if side else 0.0, min(0.0, value) - 1, min(limit.high, value + 3),
                0.3, 0.9, 2.4 if value > 20 else 0.0, 300.0, 0.1, (), name.removesuffix("_1"),
            )
        )  # fmt: skip
    return tuple(found)


def buses(silent: bool = False) -> tuple[BusStatus, ...]:
    return (
        BusStatus("engine", "socketcan:can0", "open", "", 1_000_123, 2431.0, 0.58, 0, 0, 0, 0, 0.004, True, 0.002),
        BusStatus(
            "body", "socketcan:can1", "silent" if silent else "open", "", 88_412, 0.0 if silent else 214.0,
            0.0 if silent else 0.05, 3, 0, 0, 0, 12.3 if silent else 0.01, True, 0.002,
        ),
    )  # fmt: skip


def pulls(profile: Profile) -> tuple[PullRow, ...]:
    found = []
    for number, (start, stop) in enumerate(PULLS, 1):
        values = drive(np.arange(start, stop, 0.05))
        peaks = tuple(
            (label, float(values[name].max()), UNITS[name], name)
            for label, name in (("boost", "boost_pressure"), ("lambda", "lambda_1"), ("air flow", "mass_air_flow"))
        )
        found.append(PullRow(number, start * SECOND, stop * SECOND, peaks))
    return tuple(found)


def need_map() -> NeedMap:
    speeds = np.array([600.0, 1500, 2400, 3300, 4200, 5100, 6000])
    flows = np.array([0.0, 10, 25, 50, 90, 140, 220])
    need = np.full((6, 6), math.nan)
    enough = np.zeros((6, 6), np.bool_)
    for row in range(6):
        for column in range(6):
            if abs(row - column) <= 1:
                need[row, column] = 0.01 + 0.03 * row + 0.008 * column
                enough[row, column] = row < 5
    return NeedMap(speeds, flows, need, enough)


VERDICT = VerdictSoFar(
    "misfit",
    ("the air meter reads low by 14.2 % ± 1.6 % at every flow",),
    (
        LikelyCause(("air meter scale",), ("14.2 % ± 1.6 % low, bore ratio 1.08",), 0.81),
        LikelyCause(("injector flow",), ("12 % ± 4 % too small",), 0.15),
        LikelyCause(("fuel supply",), ("above 180 g/s",), 0.04),
    ),
    0.43,
    "Hold third gear at 3000 rpm for 20 s: no steady data between 60 and 120 g/s.",
)


def make_snapshot(profile: Profile, alarming: bool = True, time: int = NOW, made: float = 0.0) -> Snapshot:
    ticks = ticks_of(profile, time // profile.period, 1)
    return Snapshot(
        profile=profile,
        made=made,
        time=time,
        utc=UTC + time,
        rows=1_088_535,
        ticks=ticks,
        alarms=tuple(sorted(STANDING if alarming else QUIET, key=lambda one: one.urgency)),
        authority=authority_of(profile, ticks),
        verdict=VERDICT if alarming else VerdictSoFar("fits", ("",), (), 0.43, VERDICT.next_drive),
        pulls=pulls(profile) if alarming else pulls(profile)[:1],
        need=need_map(),
        buses=buses(),
        counts={"frames not in the profile": 40_210, "frames shorter than their signal": 3},
        recording=("recording, 212 GB free", "recording"),
    )


def make_events(profile: Profile) -> list[Event]:
    events: list[Event] = [RunStarted(0, UTC, "", profile.name, len(profile.channels), len(profile.alarms), 0.01)]
    spells = ((ALARMS[3], 200, 260), (ALARMS[2], 300, None), (ALARMS[1], 406, 409), (ALARMS[0], 410, None))
    for definition, start, stop in spells:
        seconds = np.arange(start - 5, start, 0.1)
        values, then = drive(seconds), drive(np.array([float(start)]))
        before = {name: [float(value) for value in values[name]] for name in UNITS}
        raised = AlarmChanged(
            start * SECOND,
            UTC + start * SECOND,
            definition.name,
            "raised",
            State.UNACKNOWLEDGED,
            State.NORMAL,
            definition.priority,
            start == 410,
            definition.setpoint.text,
            definition.action,
            "",
            because=(Fact(definition.evidence[0], 1.0, UNITS[definition.evidence[0]]),),
            values={name: float(then[name][0]) for name in UNITS},
            units=UNITS,
            quality={},
            before=SecondsBefore(0.1, float(start), before),
        )
        events.append(raised)
        if stop is not None:
            over = replace(raised, time=stop * SECOND, utc=UTC + stop * SECOND)
            events.append(replace(over, transition="latched", state=State.LATCHED_UNACKNOWLEDGED))
    for number, (start, stop) in enumerate(PULLS, 1):
        time, name = stop * SECOND, f"pull {number}"
        events.append(PullEnded(time, UTC + time, name, number, float(start), float(stop), 2200, 6400, False, (), None))
    events.append(NoteWritten(405 * SECOND, UTC, "", "new solenoid from here on", 236.0))
    return sorted(events, key=moment)


class FakePlayer:
    """Answers at once, and keeps what it was asked."""

    def __init__(self, end: int) -> None:
        self.state = PlayerState(time=NOW, playing=True, furthest=NOW)
        self.asked: list[tuple[Any, ...]] = []
        self.end = end

    def _note(self, *what: Any, **changes: Any) -> Future[Any]:
        self.asked.append(what)
        self.state = replace(self.state, **changes)
        done: Future[Any] = Future()
        done.set_result(None)
        return done

    def toggle(self) -> Future[Any]:
        return self._note("toggle", playing=not self.state.playing)

    def seek(self, time: int) -> Future[Any]:
        return self._note("seek", time, time=min(self.end, max(0, time)))

    def move(self, by: int) -> Future[Any]:
        return self._note("move", by, time=self.state.time + by)

    def step(self, ticks: int) -> Future[Any]:
        return self._note("step", ticks, playing=False)

    def faster(self, steps: int = 1) -> Future[Any]:
        return self._note("faster", steps, speed=2.0 if steps > 0 else 0.5)

    def set_speed(self, speed: float | None) -> Future[Any]:
        return self._note("set_speed", speed, speed=speed)

    def mark(self, which: int) -> Future[Any]:
        marks = [*self.state.marks]
        marks[which] = self.state.time
        return self._note("mark", which, marks=tuple(marks))

    def clear_marks(self) -> Future[Any]:
        return self._note("clear_marks", marks=(None, None))

    def next_alarm(self, steps: int = 1) -> Future[Any]:
        return self._note("next_alarm", steps)


@dataclass
class Asked:
    actions: list[Action]
    error: str = ""


class FakeWatchedRun(WatchedRun):
    """One snapshot for ever, or whatever a test puts there."""

    def __init__(self, snapshot: Snapshot | None, profile: Profile, replay: bool = False) -> None:
        super().__init__(profile, Future)
        self.shown = snapshot
        self.asked = Asked([])
        self.past = History(profile, 50_000_000, None)
        self.past.observe(the_past())
        self.happened = make_events(profile)
        self.player = FakePlayer(500 * SECOND) if replay else None  # type: ignore[assignment]

    def snapshot(self) -> Snapshot | None:
        return self.shown

    @property
    def history(self) -> History | None:
        return self.past

    @property
    def events(self) -> Sequence[Event]:
        return self.happened

    @property
    def span(self) -> tuple[int, int]:
        return (0, 500 * SECOND) if self.player is not None else self.past.span

    def act(self, action: Action) -> Future[list[Event]]:
        self.asked.actions.append(action)
        done: Future[list[Event]] = Future()
        if self.asked.error:
            done.set_exception(ActionError(self.asked.error))
        else:
            done.set_result([])
        return done

    def start(self) -> None: ...

    def stop(self) -> None: ...


@pytest.fixture(scope="session", autouse=True)
def _styles_read_once() -> Iterator[None]:
    """What each of the hundreds of programs of these tests is to look like is read by the first one alone."""
    read: dict[tuple[Any, ...], list[RuleSet]] = {}
    reading = Stylesheet._parse_rules

    def rules(sheet: Stylesheet, *given: Any, **named: Any) -> list[RuleSet]:
        key = (given, *sorted(named.items()), *sorted(sheet._variables.items()))
        if key not in read:
            read[key] = reading(sheet, *given, **named)
        return read[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Stylesheet, "_parse_rules", rules)
        yield


@pytest.fixture(scope="module", autouse=True)
def _updates_when_asked_for() -> Iterator[None]:
    """The screen is drawn anew by `beat`, which a test calls, and not twelve times a second while it does all else.
    Set back after each module, so that tests elsewhere find it as it is."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("livewatch.dashboard.app.BEAT", 3600.0)
        yield


@pytest.fixture(scope="session")
def profile() -> Profile:
    return make_profile()


@pytest.fixture
def run_of(profile: Profile) -> Callable[..., FakeWatchedRun]:
    """Makes a watched run: `alarming`, `replay`, `profile`, and fields of the snapshot to replace."""

    def make(
        alarming: bool = True, replay: bool = False, using: Profile | None = None, **changes: Any
    ) -> FakeWatchedRun:
        used = profile if using is None else using
        snapshot = replace(make_snapshot(used, alarming), **changes)
        return FakeWatchedRun(snapshot, used, replay)

    return make


@pytest.fixture
def app_of(tmp_path: Path) -> Callable[..., Dashboard]:
    """Makes the app over a watched; the cautions are read already unless asked for."""

    def make(
        watched: WatchedRun, view: str = "seat", cautions: bool = False, theme: str = "", **options: Any
    ) -> Dashboard:
        remembered = Remembered(tmp_path / "dashboard.json")
        if not cautions:
            remembered.note_cautions(watched.profile.name)
        if theme:
            remembered.put("theme", theme)
        options.setdefault("plain", False)
        return Dashboard(watched, view, remembered=remembered, speech=Speech(None), clock=lambda: 0.05, **options)

    return make
