"""Every transition of the alarm state diagram, by name, driven from outside: by values and by a person's actions.

The list below is the state diagram of ANSI/ISA-18.2-2016 (from memory; the standard was not at hand) with the
project's own words for the arrows. It is written out here a second time, by hand, and held against the table.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from livewatch.alarms import TRANSITIONS, ActionError, AlarmSystem, State, Trigger

NAN = float("nan")

NORMAL = "normal"
UNACK = "unacknowledged alarm"
ACK = "acknowledged alarm"
RETURNED = "returned to normal unacknowledged"
LATCHED_UNACK = "latched unacknowledged"
LATCHED_ACK = "latched acknowledged"
SHELVED = "shelved"
SUPPRESSED = "suppressed by design"
OUT = "out of service"

DIAGRAM = [
    ("raised", NORMAL, UNACK, "condition holds"),
    ("raised", RETURNED, UNACK, "condition holds"),
    ("raised", LATCHED_UNACK, UNACK, "condition holds"),
    ("raised", LATCHED_ACK, UNACK, "condition holds"),
    ("returned to normal", UNACK, RETURNED, "condition gone"),
    ("returned to normal", ACK, NORMAL, "condition gone"),
    ("latched", UNACK, LATCHED_UNACK, "condition gone"),
    ("latched", ACK, LATCHED_ACK, "condition gone"),
    ("acknowledged", UNACK, ACK, "acknowledge"),
    ("acknowledged", RETURNED, NORMAL, "acknowledge"),
    ("acknowledged", LATCHED_UNACK, LATCHED_ACK, "acknowledge"),
    ("reset", LATCHED_ACK, NORMAL, "acknowledge"),
    ("shelved", NORMAL, SHELVED, "shelve"),
    ("shelved", UNACK, SHELVED, "shelve"),
    ("shelved", ACK, SHELVED, "shelve"),
    ("shelved", RETURNED, SHELVED, "shelve"),
    ("shelved", LATCHED_UNACK, SHELVED, "shelve"),
    ("shelved", LATCHED_ACK, SHELVED, "shelve"),
    ("shelved", SUPPRESSED, SHELVED, "shelve"),
    ("unshelved", SHELVED, NORMAL, "unshelve"),
    ("shelving ended", SHELVED, NORMAL, "time over"),
    ("suppressed", NORMAL, SUPPRESSED, "suppressing"),
    ("suppressed", UNACK, SUPPRESSED, "suppressing"),
    ("suppressed", ACK, SUPPRESSED, "suppressing"),
    ("suppressed", RETURNED, SUPPRESSED, "suppressing"),
    ("suppressed", LATCHED_UNACK, SUPPRESSED, "suppressing"),
    ("suppressed", LATCHED_ACK, SUPPRESSED, "suppressing"),
    ("no longer suppressed", SUPPRESSED, NORMAL, "not suppressing"),
    ("removed from service", NORMAL, OUT, "remove_from_service"),
    ("removed from service", UNACK, OUT, "remove_from_service"),
    ("removed from service", ACK, OUT, "remove_from_service"),
    ("removed from service", RETURNED, OUT, "remove_from_service"),
    ("removed from service", LATCHED_UNACK, OUT, "remove_from_service"),
    ("removed from service", LATCHED_ACK, OUT, "remove_from_service"),
    ("removed from service", SHELVED, OUT, "remove_from_service"),
    ("removed from service", SUPPRESSED, OUT, "remove_from_service"),
    ("returned to service", OUT, NORMAL, "return_to_service"),
]

WAY_TO = {
    NORMAL: [],
    UNACK: ["condition holds"],
    ACK: ["condition holds", "acknowledge"],
    RETURNED: ["condition holds", "condition gone"],
    LATCHED_UNACK: ["condition holds", "condition gone"],
    LATCHED_ACK: ["condition holds", "acknowledge", "condition gone"],
    SHELVED: ["shelve"],
    SUPPRESSED: ["suppressing"],
    OUT: ["remove_from_service"],
}
LATCHING = {LATCHED_UNACK, LATCHED_ACK}
SHELVED_FOR = 10


class Car:
    """One alarm on a car whose boost pressure makes the condition and whose speed suppresses it."""

    def __init__(self, bench: Any, latching: bool) -> None:
        self.bench = bench
        alarm = bench.alarm("overboost", "boost > 180 kPa", suppress="speed > 6000 rpm", latching=latching)
        self.profile = bench.profile([alarm])
        self.system = AlarmSystem(self.profile)
        self.tick = 0
        self.boost, self.speed = 100.0, 2000.0
        self.pass_ticks(1)

    def pass_ticks(self, n: int) -> list[Any]:
        columns = {"boost": np.full(n, self.boost), "speed": np.full(n, self.speed)}
        events = self.system.observe(self.bench.ticks(self.profile, columns, self.tick))
        self.tick += n
        return list(events)

    def do(self, what: str) -> list[Any]:
        if what in ("condition holds", "condition gone"):
            self.boost = 200.0 if what == "condition holds" else 100.0
        elif what in ("suppressing", "not suppressing"):
            self.speed = 6500.0 if what == "suppressing" else 2000.0
        elif what == "time over":
            return self.pass_ticks(SHELVED_FOR)
        else:
            more: dict[str, dict[str, Any]] = {
                "shelve": {"duration": SHELVED_FOR * 10_000_000},
                "remove_from_service": {"text": "sensor out"},
            }
            return list(self.bench.act(self.system, what, "overboost", self.tick - 1, **more.get(what, {})))
        return self.pass_ticks(1)

    @property
    def state(self) -> str:
        return str(self.system.states()[0].state.value)


def test_the_table_holds_exactly_the_arrows_of_the_diagram() -> None:
    table = sorted((transition.name, transition.was.value, transition.state.value) for transition in TRANSITIONS)
    assert table == sorted(arrow[:3] for arrow in DIAGRAM)
    assert len({(transition.was, transition.trigger) for transition in TRANSITIONS}) == len(TRANSITIONS)


@pytest.mark.parametrize(("name", "was", "state", "what"), DIAGRAM, ids=lambda text: text.replace(" ", "_"))
def test_transition(bench: Any, name: str, was: str, state: str, what: str) -> None:
    car = Car(bench, latching=was in LATCHING or state in LATCHING)
    for step in WAY_TO[was]:
        car.do(step)
    assert car.state == was
    events = car.do(what)
    assert [(event.transition, event.was, event.state) for event in events] == [(name, was, state)]
    assert car.state == state


@pytest.mark.parametrize("hiding", ["shelve", "suppressing", "remove_from_service"])
@pytest.mark.parametrize("latching", [False, True])
def test_an_alarm_whose_condition_holds_is_announced_anew_when_it_is_hidden_no_longer(
    bench: Any, hiding: str, latching: bool
) -> None:
    back = {"shelve": "unshelve", "suppressing": "not suppressing", "remove_from_service": "return_to_service"}[hiding]
    car = Car(bench, latching)
    car.do("condition holds")
    car.do("acknowledge")
    car.do(hiding)
    names = [event.transition for event in car.do(back)]
    assert names[1:] == ["raised"]
    assert car.state == UNACK


@pytest.mark.parametrize("hiding", ["shelve", "suppressing", "remove_from_service"])
def test_nothing_is_announced_while_hidden_however_often_the_condition_comes_and_goes(bench: Any, hiding: str) -> None:
    car = Car(bench, latching=True)
    car.do(hiding)
    for _ in range(3):
        assert car.do("condition holds") == []
        assert car.do("condition gone") == []


def test_an_alarm_shelved_while_suppressed_comes_back_suppressed(bench: Any) -> None:
    car = Car(bench, latching=False)
    car.do("suppressing")
    car.do("shelve")
    assert [event.transition for event in car.do("unshelve")] == ["unshelved", "suppressed"]
    assert car.state == SUPPRESSED


def test_suppression_that_begins_while_shelved_is_followed_and_shows_after_it(bench: Any) -> None:
    car = Car(bench, latching=False)
    car.do("shelve")
    car.do("suppressing")
    car.do("condition holds")
    events = car.do("time over")
    assert [event.transition for event in events] == ["shelving ended", "suppressed"]
    assert [event.transition for event in car.do("not suppressing")] == ["no longer suppressed", "raised"]


def test_out_of_service_ends_by_action_only(bench: Any) -> None:
    car = Car(bench, latching=False)
    car.do("remove_from_service")
    for what in ("condition holds", "suppressing", "not suppressing", "condition gone", "time over"):
        assert car.do(what) == []
    assert car.state == OUT


def test_shelving_ends_at_the_first_tick_at_or_after_its_time(bench: Any) -> None:
    car = Car(bench, latching=False)
    at = car.tick - 1
    bench.act(car.system, "shelve", "overboost", at, duration=95_000_000)
    assert car.system.states()[0].shelved_until == at * 10_000_000 + 95_000_000
    (event,) = car.pass_ticks(30)
    assert event.time == (at + 10) * 10_000_000
    assert car.system.states()[0].shelved_until is None


ACTIONS = {
    Trigger.ACKNOWLEDGE: {UNACK, RETURNED, LATCHED_UNACK, LATCHED_ACK},
    Trigger.SHELVE: set(WAY_TO) - {SHELVED, OUT},
    Trigger.UNSHELVE: {SHELVED},
    Trigger.REMOVE: set(WAY_TO) - {OUT},
    Trigger.RETURN: {OUT},
}


@pytest.mark.parametrize("state", list(State), ids=lambda state: state.value.replace(" ", "_"))
@pytest.mark.parametrize("action", list(ACTIONS), ids=lambda action: action.value)
def test_an_action_is_taken_where_the_diagram_has_it_and_refused_elsewhere(
    bench: Any, state: State, action: Trigger
) -> None:
    car = Car(bench, latching=state.value in LATCHING)
    for step in WAY_TO[state.value]:
        car.do(step)
    before = car.system.states()
    if state.value in ACTIONS[action]:
        assert car.do(action.value)
        return
    with pytest.raises(ActionError) as refused:
        car.do(action.value)
    assert str(refused.value).startswith(
        f"cannot {action.value.replace('_', ' ')} 'overboost': its state is {state.value}, "
    )
    assert car.system.states() == before
