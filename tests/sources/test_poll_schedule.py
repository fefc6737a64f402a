"""What is asked for next: by how late it is, by priority, and at full pedal by what a pull is judged by."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livewatch.profile.model import PollPriority, PollRequest
from livewatch.sources.polling.schedule import AT_FULL_PEDAL, FASTER, SLOWER, WEIGHTS, Schedule, Wanted

PULL, OTHER = sorted(AT_FULL_PEDAL), [pid for pid in range(3, 0x60) if pid not in AT_FULL_PEDAL]


def poll(service: int, identifier: int, every: float, priority: PollPriority = "medium") -> PollRequest:
    return PollRequest(service, identifier, round(every * 1e9), priority)


@st.composite
def polls(draw: st.DrawFn) -> list[PollRequest]:
    """Of both services, of all priorities, every 50 ms to 5 s, none twice."""
    kinds = st.sampled_from([*((1, pid) for pid in PULL[:6] + OTHER[:8]), *((0x22, did) for did in range(4))])
    every = st.sampled_from([0.05, 0.1, 0.2, 0.3, 1.0, 2.0, 5.0])
    priorities: st.SearchStrategy[PollPriority] = st.sampled_from(("high", "medium", "low"))
    return [
        poll(*key, draw(every), draw(priorities)) for key in draw(st.lists(kinds, min_size=2, max_size=14, unique=True))
    ]


class Car:
    """Answers each request, of up to `most` parameters, `exchange` s after it, for `seconds`."""

    def __init__(
        self, wanted: list[PollRequest], exchange: float, most: int, seconds: float, full_pedal: bool = False
    ) -> None:
        schedule = Schedule([Wanted(one) for one in wanted])
        schedule.full_pedal = full_pedal
        self.asked: dict[tuple[int, int], list[float]] = {(one.service, one.identifier): [] for one in wanted}
        self.requests: list[int] = []
        now = 0.0
        while now < seconds:
            together = schedule.next(now, most)
            if not together:
                now = max(schedule.due, math.nextafter(now, math.inf))
                continue
            schedule.asked(together, now)
            self.requests.append(len(together))
            for one in together:
                self.asked[one.key].append(now)
            now += exchange
            for one in together:
                schedule.answered(one)

    def share(self, one: PollRequest, seconds: float) -> float:
        """Of the rate it was wanted at."""
        return self.times(one) * one.every / 1e9 / seconds

    def times(self, one: PollRequest) -> int:
        """It was asked for."""
        return len(self.asked[one.service, one.identifier])


@given(polls(), st.sampled_from([0.05, 0.2]), st.sampled_from([1, 3, 6]), st.booleans())
@settings(max_examples=30, deadline=None)
def test_nothing_starves_and_high_is_never_served_less_than_low(
    wanted: list[PollRequest], exchange: float, most: int, full_pedal: bool
) -> None:
    """Less, as a share of its wanted rate. Where a request takes several, low fills what room is left in it: there,
    less often than a low one that was wanted no more often."""
    seconds = 40.0
    car = Car(wanted, exchange, most, seconds, full_pedal)
    pressing = sum(WEIGHTS[one.priority] / (one.every / 1e9) * (FASTER if full_pedal else 1) for one in wanted)
    for one in wanted:
        every = one.every / 1e9 * (SLOWER if full_pedal else 1)
        # Its part of what the car answers by weight and wanted rate, half of that for what does not come out even.
        part = WEIGHTS[one.priority] / every / pressing * seconds / exchange
        assert car.times(one) >= 0.5 * min(part, seconds / every) - 2, "it comes"
    for high in (one for one in wanted if one.priority == "high"):
        for low in (one for one in wanted if one.priority == "low"):
            one_more = (high.every + low.every) / 1e9 / seconds
            if most == 1:
                assert car.share(high, seconds) >= car.share(low, seconds) - 2 * one_more
            elif high.service == low.service and high.every <= low.every:
                assert car.times(high) >= car.times(low) - 2
            assert not full_pedal or car.share(low, seconds) <= 1.0 + one_more, "low is not hurried"


def test_a_slow_car_gives_high_what_it_wants_and_low_a_quarter_of_the_rest() -> None:
    """Twelve parameters wanted ten times a second of a car that answers fifty one by one: two high ones take 20; of
    the other 30, each low one gets a quarter of what each medium one does."""
    priorities: list[PollPriority] = ["high"] * 2 + ["medium"] * 5 + ["low"] * 5
    wanted = [poll(0x22, did, 0.1, priority) for did, priority in enumerate(priorities)]
    car = Car(wanted, 0.02, 1, 60.0)
    rates = {priority: [len(car.asked[0x22, did]) / 60 for did, one in enumerate(priorities) if one == priority]
             for priority in WEIGHTS}  # fmt: skip
    assert min(rates["high"]) > 9.0
    medium = 50.0 - sum(rates["high"]) - sum(rates["low"])
    assert rates["medium"] == pytest.approx([medium / 5] * 5, rel=0.1)
    assert rates["low"] == pytest.approx([medium / 5 / 4] * 5, rel=0.2)


def test_at_full_pedal_high_keeps_its_rate_and_low_is_not_hurried() -> None:
    wanted = [poll(1, PULL[0], 0.2), poll(1, PULL[1], 0.2, "low"), poll(1, OTHER[0], 0.2), poll(0x22, 1, 0.2, "high")]
    car = Car(wanted, 0.005, 6, 40.0, full_pedal=True)
    rates = [len(times) / 40.0 for times in car.asked.values()]
    assert rates == pytest.approx([20.0, 5.0, 1.25, 5.0], rel=0.1)


def test_requests_are_as_full_as_they_were_whatever_the_priorities() -> None:
    """What is low fills the room that is left in a request: it costs the car nothing."""
    mixed: tuple[PollPriority, ...] = ("high", "medium", "low")
    plain = Car([poll(1, pid, 0.1) for pid in OTHER[:12]], 0.08, 6, 30.0)
    car = Car([poll(1, pid, 0.1, mixed[place % 3]) for place, pid in enumerate(OTHER[:12])], 0.08, 6, 30.0)
    assert car.requests == plain.requests


@given(polls(), st.lists(st.floats(0.0, 60.0), min_size=14, max_size=14), st.booleans())
@settings(max_examples=60, deadline=None)
def test_without_priorities_the_latest_for_its_own_interval_is_asked_first(
    wanted: list[PollRequest], last: list[float], full_pedal: bool
) -> None:
    entries = [
        Wanted(PollRequest(one.service, one.identifier, one.every), at)
        for one, at in zip(wanted, last, strict=False)
    ]  # fmt: skip
    schedule = Schedule(entries)
    schedule.full_pedal = full_pedal

    def interval(one: Wanted) -> float:
        every = one.request.every / 1e9
        if not full_pedal:
            return every
        faster = one.request.service == 1 and one.request.identifier in AT_FULL_PEDAL
        return min(every, max(0.02, every / 4)) if faster else every * 4

    due = [one for one in entries if one.last + interval(one) <= 61.0]
    due.sort(key=lambda one: -(61.0 - one.last) / interval(one))
    expected = due[:1] if due and due[0].request.service != 1 else [one for one in due if one.request.service == 1][:6]
    assert [one.key for one in schedule.next(61.0, 6)] == [one.key for one in expected]
