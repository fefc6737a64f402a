"""The alarm system against a plain reference that looks at one tick at a time.

The reference below is written for being obviously right, not for being fast, and shares no code with the machine: no
table, no columns, no look ahead. hypothesis drives both with random conditions, unknowns, delays, cuts and actions.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule, run_state_machine_as_test

from livewatch.alarms import ActionError, AlarmSystem
from livewatch.data.actions import Action
from livewatch.data.events import AlarmChanged

SECOND = 1_000_000_000
RANKS = {"critical": 0, "high": 1, "medium": 2, "low": 3}
HIDDEN = ("shelved", "suppressed by design", "out of service")
STANDING = ("unacknowledged alarm", "acknowledged alarm")
WAITING = ("unacknowledged alarm", "returned to normal unacknowledged", "latched unacknowledged")


@dataclass
class PlainAlarm:
    name: str
    on: int
    off: int
    latching: bool
    priority: str
    enabled_by: bool
    suppressed_by: bool
    state: str = "normal"
    active: bool = False
    suppressed: bool = False
    held: int = 0
    gone: int = 0
    until: int = 0
    since: int = 0
    raised_at: int | None = None
    count: int = 0
    first_out: bool = False
    blind: bool = True
    raises: list[int] = field(default_factory=list)
    chattering: bool = False
    news: list[tuple[str, str, str]] = field(default_factory=list)

    def go(self, name: str, state: str) -> None:
        self.news.append((name, self.state, state))
        self.state = state

    def tick(self, now: int, condition: Any, clear: Any, enable: Any, suppress: Any) -> None:
        """`condition` and the others are True, False or None for unknown; `now` is in seconds, one a tick."""
        if not self.enabled_by:
            enable = True
        if condition is True and enable is True:
            self.held, self.gone = self.held + 1, 0
        elif clear is True or enable is False:
            self.held, self.gone = 0, self.gone + 1
        else:
            self.held, self.gone = 0, 0
        if not self.active and self.held > self.on:
            self.active, self.gone = True, 0
        elif self.active and self.gone > self.off:
            self.active, self.held = False, 0
        if self.suppressed_by and suppress is not None:
            self.suppressed = suppress
        if self.active:
            self.blind = not (clear is True or enable is False) and (clear is None or enable is None)
        else:
            self.blind = condition is not False and enable is not False and (condition is None or enable is None)
        self.settle(now)

    def settle(self, now: int) -> None:
        if self.state == "out of service":
            return
        if self.state == "shelved":
            if now < self.until:
                return
            self.go("shelving ended", "normal")
        if self.state == "suppressed by design":
            if self.suppressed:
                return
            self.go("no longer suppressed", "normal")
        if self.suppressed:
            self.go("suppressed", "suppressed by design")
        elif self.active and self.state not in STANDING:
            self.go("raised", "unacknowledged alarm")
        elif not self.active and self.state == "unacknowledged alarm":
            if self.latching:
                self.go("latched", "latched unacknowledged")
            else:
                self.go("returned to normal", "returned to normal unacknowledged")
        elif not self.active and self.state == "acknowledged alarm":
            if self.latching:
                self.go("latched", "latched acknowledged")
            else:
                self.go("returned to normal", "normal")

    def act(self, now: int, action: str, duration: int, text: str) -> bool:
        if action == "acknowledge":
            if self.state == "unacknowledged alarm":
                self.go("acknowledged", "acknowledged alarm")
            elif self.state == "returned to normal unacknowledged":
                self.go("acknowledged", "normal")
            elif self.state == "latched unacknowledged":
                self.go("acknowledged", "latched acknowledged")
            elif self.state == "latched acknowledged":
                self.go("reset", "normal")
            else:
                return False
        elif action == "shelve":
            if self.state in ("shelved", "out of service") or duration <= 0:
                return False
            self.until = now + duration
            self.go("shelved", "shelved")
        elif action == "unshelve":
            if self.state != "shelved":
                return False
            self.go("unshelved", "normal")
        elif action == "remove_from_service":
            if self.state == "out of service" or text == "":
                return False
            self.go("removed from service", "out of service")
        else:
            if self.state != "out of service":
                return False
            self.go("returned to service", "normal")
        self.settle(now)
        return True


@dataclass
class PlainSystem:
    alarms: list[PlainAlarm]
    raises: list[int] = field(default_factory=list)
    flood: bool = False
    log: list[tuple[Any, ...]] = field(default_factory=list)

    def tick(self, now: int, columns: dict[str, Any]) -> None:
        stood = self.standing()
        for alarm in self.alarms:
            alarm.tick(now, *(columns[f"{alarm.name}_{what}"] for what in ("holds", "clear", "enable", "suppress")))
        self.tell(now, stood)
        if self.flood and self.recent(now) < 5:
            self.flood = False
            self.log.append((now, "flood", "", "ended"))

    def standing(self) -> bool:
        return any(alarm.state in STANDING for alarm in self.alarms)

    def recent(self, now: int) -> int:
        return sum(now - 600 < time <= now for time in self.raises)

    def tell(self, now: int, stood: bool) -> None:
        raised = [alarm for alarm in self.alarms if any(news[0] == "raised" for news in alarm.news)]
        for alarm in raised:
            alarm.first_out = False
        if raised and not stood:
            for alarm in self.alarms:
                alarm.first_out = False
            min(raised, key=lambda alarm: RANKS[alarm.priority]).first_out = True
        after: list[tuple[Any, ...]] = []
        for alarm in self.alarms:
            for name, was, state in alarm.news:
                self.log.append((now, "alarm", alarm.name, name, was, state, alarm.first_out))
                alarm.since = now
                if name == "raised":
                    alarm.count += 1
                    alarm.raised_at = now
                    if alarm.raises and now - alarm.raises[-1] >= 60:
                        alarm.chattering = False
                    alarm.raises.append(now)
                    if sum(time > now - 60 for time in alarm.raises) >= 3 and not alarm.chattering:
                        alarm.chattering = True
                        after.append((now, "chattering", alarm.name, None))
                    self.raises.append(now)
                    if self.recent(now) > 10 and not self.flood:
                        self.flood = True
                        after.append((now, "flood", "", "began"))
                if state == "normal" or state in HIDDEN:
                    alarm.first_out = False
            alarm.news.clear()
        self.log.extend(after)

    def act(self, now: int, action: str, name: str, duration: int, text: str) -> bool:
        stood = self.standing()
        if action == "acknowledge_all":
            done = [alarm.act(now, "acknowledge", 0, "") for alarm in self.alarms if alarm.state in WAITING]
        else:
            done = [alarm.act(now, action, duration, text) for alarm in self.alarms if alarm.name == name]
        self.tell(now, stood)
        return any(done)


TRUTH = {True: 1.0, False: 0.0, None: float("nan")}
COLUMNS = ("holds", "clear", "enable", "suppress")
ALARMS = ("lean", "overboost", "knock")
ACTIONS = ("acknowledge", "acknowledge_all", "shelve", "unshelve", "remove_from_service", "return_to_service")

runs = st.lists(
    st.tuples(st.sampled_from([True, False, False, True, None]), st.sampled_from([1, 1, 2, 3, 4, 7, 30, 200])),
    min_size=1,
    max_size=12,
)
configurations = st.tuples(
    st.sampled_from([0, 1, 3]),
    st.sampled_from([0, 2, 4]),
    st.booleans(),
    st.sampled_from(sorted(RANKS)),
    st.booleans(),
    st.booleans(),
)


def compared(events: list[Any]) -> list[tuple[Any, ...]]:
    rows: list[tuple[Any, ...]] = []
    for event in events:
        if isinstance(event, AlarmChanged):
            words = (event.transition, event.was, event.state, event.first_out)
            rows.append((event.time / SECOND, "alarm", event.subject, *words))
        else:
            rows.append((event.time / SECOND, event.kind, event.subject, getattr(event, "what", None)))
    return rows


def both(bench: Any) -> type[RuleBasedStateMachine]:
    class Both(RuleBasedStateMachine):
        @initialize(configurations=st.tuples(*[configurations] * len(ALARMS)))
        def build(self, configurations: Any) -> None:
            units = {f"{name}_{what}": "1" for name in ALARMS for what in COLUMNS}
            plain, alarms = [], []
            for name, (on, off, latching, priority, enabled, suppressed) in zip(ALARMS, configurations, strict=True):
                plain.append(PlainAlarm(name, on, off, latching, priority, enabled, suppressed))
                alarms.append(
                    bench.alarm(
                        name,
                        f"{name}_holds > 0.5",
                        clear=f"{name}_clear > 0.5",
                        enable=f"{name}_enable > 0.5" if enabled else None,
                        suppress=f"{name}_suppress > 0.5" if suppressed else None,
                        on_delay=on * SECOND - (on > 0) * SECOND // 2,
                        off_delay=off * SECOND,
                        latching=latching,
                        priority=priority,
                        units=units,
                    )
                )
            channels = [bench.channel(name) for name in units]
            self.profile = bench.profile(alarms, channels, period=SECOND)
            self.system = AlarmSystem(self.profile)
            self.plain = PlainSystem(plain)
            self.now = 0

        @rule(
            n=st.sampled_from([1, 2, 5, 20, 100, 700]),
            columns=st.lists(runs, min_size=12, max_size=12),
            cuts=st.lists(st.integers(1, 699), max_size=6),
        )
        def drive(self, n: int, columns: Any, cuts: list[int]) -> None:
            names = list(self.profile.index)
            filled = {}
            for name, parts in zip(names, columns, strict=True):
                column = [value for value, length in parts for _ in range(length)]
                filled[name] = (column * (n // len(column) + 1))[:n]
            given = {name: [TRUTH[value] for value in column] for name, column in filled.items()}
            ticks = bench.ticks(self.profile, given, self.now)
            events = bench.run(self.system, ticks, [cut for cut in cuts if cut < n])
            self.plain.log.clear()
            for i in range(n):
                self.plain.tick(self.now + i, {name: column[i] for name, column in filled.items()})
            self.now += n
            assert compared(events) == self.plain.log
            self.agree()

        @rule(
            kind=st.sampled_from(ACTIONS),
            name=st.sampled_from(ALARMS),
            duration=st.sampled_from([-1, 0, 1, 5, 50, 300]),
            text=st.sampled_from(["", "sensor out"]),
        )
        def act(self, kind: Any, name: str, duration: int, text: str) -> None:
            if self.now == 0:
                return
            now = self.now - 1
            self.plain.log.clear()
            sensible = self.plain.act(now, kind, name, duration, text)
            action = Action(kind, name, duration * SECOND, text)
            if sensible:
                events = self.system.apply(action, now * SECOND, 0)
                assert compared(events) == self.plain.log
            else:
                with pytest.raises(ActionError):
                    self.system.apply(action, now * SECOND, 0)
            self.agree()

        def agree(self) -> None:
            for state, plain in zip(self.system.states(), self.plain.alarms, strict=True):
                assert (state.name, state.state.value, state.count) == (plain.name, plain.state, plain.count)
                assert (state.since, state.first_out) == (plain.since * SECOND, plain.first_out)
                assert state.raised_at == (None if plain.raised_at is None else plain.raised_at * SECOND)
                assert state.acknowledged == (plain.state not in WAITING)
                assert state.cannot_judge == plain.blind
                assert state.shelved_until == (plain.until * SECOND if plain.state == "shelved" else None)

    return Both


def test_the_alarm_system_does_what_a_plain_one_tick_at_a_time_reference_does(bench: Any) -> None:
    run_state_machine_as_test(
        both(bench),
        settings=settings(
            max_examples=10, stateful_step_count=16, deadline=None, suppress_health_check=list(HealthCheck)
        ),
    )


@pytest.mark.parametrize("seed", range(2))
def test_a_long_restless_drive_agrees_with_the_reference_to_the_last_event(bench: Any, seed: int) -> None:
    """Thousands of ticks and hundreds of actions from one random source, where hypothesis keeps to short runs."""
    chance = np.random.default_rng(seed)
    machine: Any = both(bench)()
    machine.build(
        [
            (
                int(chance.choice([0, 1, 3])),
                int(chance.choice([0, 2, 4])),
                bool(chance.random() < 0.5),
                priority,
                True,
                True,
            )
            for priority in ("high", "critical", "low")
        ]
    )
    for _ in range(60):
        columns = [
            [
                ([True, False, None][chance.choice(3, p=[0.4, 0.5, 0.1])], int(chance.integers(1, 40)))
                for _ in range(int(chance.integers(3, 20)))
            ]
            for _ in range(12)
        ]
        n = int(chance.integers(1, 400))
        machine.drive(n, columns, [int(cut) for cut in chance.integers(1, 400, 5)])
        for _ in range(int(chance.integers(0, 6))):
            machine.act(
                str(chance.choice(ACTIONS)), str(chance.choice(ALARMS)), int(chance.integers(-1, 100)), "sensor out"
            )
    assert sum(alarm.count for alarm in machine.plain.alarms) > 100
