"""A recording in the hands of a person: wherever they go, the log is that of a run from start to end."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from livewatch.alarms import ActionError
from livewatch.data.actions import Action
from livewatch.data.event_json import line_of
from livewatch.data.events import AlarmChanged, Event, MarkerSet, NoteWritten, without_lead_up
from livewatch.data.samples import Rows, SampleBatch, SampleColumn
from livewatch.errors import LivewatchError, SourceError
from livewatch.profile.formula.compile import compile_condition
from livewatch.profile.model import Alarm, Channel, Profile, TableMapping
from livewatch.run.opening import Source, Stretch
from livewatch.run.player import FASTEST, SLOWEST, Player
from livewatch.run.run import Run
from livewatch.sources.bus_map import BusMap
from tests.waiting import until

SECOND = 1_000_000_000
START = 1_777_000_000 * SECOND
LENGTH = 200
UNITS = {"engine_speed": "rpm", "lambda_1": "1"}


def lean_alarm(name: str, condition: str, latching: bool) -> Alarm:
    found = compile_condition(condition, None, UNITS)
    return Alarm(
        name, found.condition, found.clear, None, None, SECOND // 5, SECOND, "critical", latching, "Lift off.",
        found.setpoint, found.evidence,
    )  # fmt: skip


PROFILE = Profile(
    name="Linden 1.6",
    buses={},
    messages=(),
    diagnostics=(),
    channels=tuple(Channel(name, unit, stale_after=2 * SECOND) for name, unit in UNITS.items()),
    alarms=(
        lean_alarm("lean", "mean(lambda_1, 0.5 s) > 1.1", latching=True),
        lean_alarm("fast", "engine_speed > 5500 rpm", latching=False),
    ),
    authority={},
    engine=None,
    tables=TableMapping(),
    figures=("engine_speed",),
    period=SECOND // 100,
    lead_up=2 * SECOND,
    sources={},
    text="",
)


def rows(gap: tuple[float, float] | None = (90.0, 110.0), ahead: int = 0) -> SampleBatch:
    """Ten rows a second; nothing is received during the gap; `ahead`: the source's clock is set ahead, or back, s."""
    seconds = np.arange(0, LENGTH, 0.1)
    if gap is not None:
        seconds = seconds[(seconds < gap[0]) | (seconds >= gap[1])]
    speed = 3000 + 2900 * np.sin(seconds / 8)
    lean = np.where(np.sin(seconds / 13) > 0.8, 1.3, 1.0)
    stamps = START + np.round(seconds * 1e9).astype(np.int64)
    stamps[seconds > 150] += ahead * SECOND
    every = np.arange(len(seconds), dtype=np.int64)
    good = np.zeros(len(seconds), np.uint8)
    return SampleBatch(stamps, [SampleColumn(0, every, speed, good), SampleColumn(1, every, lean, good)])


class Tape:
    """A source over rows in memory, cut into batches of a size."""

    counts: dict[str, int]

    def __init__(self, table: SampleBatch, size: int = 200, fails_after: int | None = None) -> None:
        self.table, self.size, self.fails_after = table, size, fails_after
        self.counts = {"lines that made no sense": 2}
        self.progress = 0.0

    def batches(self, size: int = 0) -> Iterator[SampleBatch]:
        table = self.table
        for start in range(0, len(table), self.size):
            if self.fails_after is not None and start >= self.fails_after:
                raise SourceError("drive.csv: cannot be read beyond row 400")
            stop = min(len(table), start + self.size)
            picked = slice(start, stop)
            columns = [
                SampleColumn(column.channel, np.arange(stop - start), column.value[picked], column.quality[picked])
                for column in table.columns
            ]
            yield SampleBatch(table.time[picked], columns)
            self.progress = stop / len(table)


def played(tape: Tape) -> Source:
    """The tape as a recording that was opened."""
    return Source("tape", "table", tape, BusMap(PROFILE, {}), Stretch())


class Book:
    """A recorder that keeps all in memory."""

    def __init__(self) -> None:
        self.times: list[int] = []
        self.events: list[Event] = []
        self.closed = 0

    def write_rows(self, batch: Rows) -> None:
        self.times += batch.time.tolist()

    def write_events(self, events: Sequence[Event]) -> None:
        self.events += events

    def close(self, utc: int) -> None:
        self.closed += 1

    def lines(self) -> list[str]:
        return [line_of(event, 0) for event in self.events]


def straight(table: SampleBatch) -> Book:
    """A run as fast as it goes."""
    book = Book()
    run, tape = Run(PROFILE, book), Tape(table, 10_000)
    for batch in tape.batches():
        run.push(batch)
    run.count(tape.counts)
    run.close()
    return book


TABLE = rows()
STRAIGHT = straight(TABLE)


def settle(player: Player, limit: float = 60.0) -> None:
    """Until a seek has arrived."""
    begun = time.monotonic()
    player.submit(lambda: None).result(limit)
    while player.state.target is not None:
        assert time.monotonic() - begun < limit, player.state
        time.sleep(0.001)


def play_out(player: Player, limit: float = 60.0) -> None:
    """Until the recording is over."""
    begun = time.monotonic()
    while not player.state.at_end:
        assert time.monotonic() - begun < limit, player.state
        time.sleep(0.002)


@pytest.fixture
def player_of() -> Iterator[Callable[..., tuple[Player, Book]]]:
    made: list[Player] = []

    def make(table: SampleBatch = TABLE, playing: bool = False, **options: object) -> tuple[Player, Book]:
        book = Book()
        fails_after = options.pop("fails_after", None)
        player = Player(lambda: played(Tape(table, fails_after=fails_after)), PROFILE, book, **options)  # type: ignore[arg-type]
        made.append(player)
        player.start()
        if not playing:
            player.pause().result(60)
        return player, book

    yield make
    for player in made:
        player.close()


def test_played_to_its_end_the_log_is_that_of_a_run_as_fast_as_it_goes(
    player_of: Callable[..., tuple[Player, Book]],
) -> None:
    player, book = player_of(playing=True, speed=None)
    play_out(player)
    player.close()
    assert book.lines() == STRAIGHT.lines()
    assert book.times == STRAIGHT.times
    assert book.closed == 1
    assert len([event for event in STRAIGHT.events if isinstance(event, AlarmChanged) and event.raised]) >= 8


def test_fifty_times_the_pace_takes_a_fiftieth_of_the_time(player_of: Callable[..., tuple[Player, Book]]) -> None:
    player, book = player_of(speed=50.0)
    took = []
    while not took or (took[-1] > 1.5 and len(took) < 10):  # a busy machine may hold it up
        player.seek(150 * SECOND).result(60)
        settle(player)
        player.play().result(60)
        begun = time.monotonic()
        play_out(player)
        took.append(time.monotonic() - begun)
    assert took[-1] == pytest.approx((LENGTH - 150) / 50, abs=0.5) and min(took) > 0.5
    player.close()
    assert book.lines() == STRAIGHT.lines()


@settings(
    max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(
    seeks=st.lists(st.integers(0, (LENGTH + 80) * 100), min_size=1, max_size=8),
    ahead=st.sampled_from([0, -3600, 7200]),
    to_the_end=st.booleans(),
)
@example(seeks=[180 * 100, 170 * 100], ahead=7200, to_the_end=True)  # within the minute that stands for a step ahead
def test_wherever_one_has_been_each_row_and_event_is_logged_once(
    seeks: list[int], ahead: int, to_the_end: bool
) -> None:
    table = rows(ahead=ahead)
    whole = straight(table)
    book = Book()
    player = Player(lambda: played(Tape(table, 173)), PROFILE, book)
    player.start()
    player.pause().result(60)
    for seek in [*seeks, (LENGTH + 200) * 100] if to_the_end else seeks:
        player.seek(seek * SECOND // 100).result(60)
        settle(player)
    player.close()
    if to_the_end:
        assert book.lines() == whole.lines()
        assert book.times == whole.times
        return
    assert book.times == whole.times[: len(book.times)]
    said = [line for line in book.lines() if '"ended"' not in line and '"oddity"' not in line]
    assert said == [line for line in whole.lines() if '"oddity"' not in line][: len(said)]


def test_rows_between_two_ticks_are_logged_once_where_it_stands_among_them() -> None:
    seconds = np.arange(0, 3, 0.002)
    column = SampleColumn(0, np.arange(len(seconds)), seconds * 1000, np.zeros(len(seconds), np.uint8))
    table = SampleBatch(START + np.round(seconds * 1e9).astype(np.int64), [column])
    book = Book()
    player = Player(lambda: played(Tape(table)), PROFILE, book)
    player.start()
    player.pause().result(60)
    for place in (1.0, 0.5, 1.004, 0.5, 9.0):
        player.seek(round(place * SECOND)).result(60)
        settle(player)
    player.close()
    assert book.times == table.time.tolist()
    assert book.lines() == straight(table).lines()


def test_notes_are_added_where_they_were_pinned_and_nothing_else_changes(
    player_of: Callable[..., tuple[Player, Book]],
) -> None:
    player, book = player_of()
    player.seek(150 * SECOND).result(60)
    settle(player)
    player.seek(20 * SECOND).result(60)
    settle(player)
    player.apply(Action("note", text="new solenoid from here on")).result(60)
    player.apply(Action("marker", text="marker", at=30 * SECOND)).result(60)
    player.seek(999 * SECOND).result(60)
    settle(player)
    player.close()
    added = [event for event in book.events if isinstance(event, NoteWritten | MarkerSet)]
    assert [(event.text, event.at) for event in added] == [
        ("new solenoid from here on", 20.0),
        ("marker", 30.0),
    ]
    assert [line for line in book.lines() if '"note"' not in line and '"marker"' not in line] == STRAIGHT.lines()
    times = [event.time for event in book.events]
    assert times == sorted(times), "the log stays in order of data time"


def test_what_was_acknowledged_stays_so_when_one_comes_by_again(player_of: Callable[..., tuple[Player, Book]]) -> None:
    player, book = player_of()
    raised = next(event for event in STRAIGHT.events if event.subject == "lean")
    player.seek(raised.time + SECOND).result(60)
    settle(player)
    player.apply(Action("acknowledge", "lean")).result(60)
    for place in (150, 1, 199, 60):
        player.seek(place * SECOND).result(60)
        settle(player)
    state = player.submit(lambda: {one.name: one for one in player.run.pipeline.alarms.states()}).result(60)["lean"]
    assert state.acknowledged or state.raised_at != raised.time
    player.seek(999 * SECOND).result(60)
    settle(player)
    player.close()
    alarms = [event for event in book.events if isinstance(event, AlarmChanged)]
    assert [event.time for event in alarms if event.transition == "acknowledged"] == [raised.time + SECOND]

    def raises(events: Sequence[Event]) -> list[tuple[str, int]]:
        return [(event.subject, event.time) for event in events if isinstance(event, AlarmChanged) and event.raised]

    assert raises(book.events) == raises(STRAIGHT.events)


def test_an_alarm_that_was_passed_is_not_answered_behind_the_log(player_of: Callable[..., tuple[Player, Book]]) -> None:
    player, _ = player_of()
    player.seek(150 * SECOND).result(60)
    settle(player)
    player.seek(25 * SECOND).result(60)
    settle(player)
    with pytest.raises(ActionError, match=r"passed already: alarms are answered at the furthest point reached, 150 s"):
        player.apply(Action("acknowledge_all")).result(60)


def test_seeking_past_both_ends_stops_at_them(player_of: Callable[..., tuple[Player, Book]]) -> None:
    player, _ = player_of()
    player.seek(-5 * SECOND).result(60)
    settle(player)
    assert player.state.time == 0
    player.seek(10_000 * SECOND).result(60)
    settle(player)
    assert player.state.at_end
    assert player.state.time == pytest.approx((LENGTH - 0.1) * 1e9, abs=2e7)
    player.move(-SECOND).result(60)
    settle(player)
    assert player.state.time == pytest.approx((LENGTH - 1.1) * 1e9, abs=2e7)


def test_a_step_is_one_tick_forwards_and_back(player_of: Callable[..., tuple[Player, Book]]) -> None:
    player, _ = player_of()
    player.seek(50 * SECOND).result(60)
    settle(player)
    for ticks, expected in ((1, 50_010), (1, 50_020), (-3, 49_990)):
        player.step(ticks).result(60)
        settle(player)
        assert player.state.time == expected * SECOND // 1000
    assert not player.state.playing


def test_a_silence_in_the_recording_passes_tick_by_tick(player_of: Callable[..., tuple[Player, Book]]) -> None:
    player, _ = player_of()
    player.seek(95 * SECOND).result(60)
    settle(player)
    latest = player.submit(lambda: player.run.history.latest).result(60)  # type: ignore[union-attr]
    assert player.state.time == 95 * SECOND
    assert np.isnan(latest.value[:, -1]).all(), "nothing was received for five seconds: no value is good"
    assert latest.age[0, -1] == pytest.approx(5.1, abs=0.02)


def test_a_long_silence_is_cut_short_when_played(
    player_of: Callable[..., tuple[Player, Book]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("livewatch.run.pacing.LONGEST_WAIT", 0.3)
    player, _ = player_of(table=rows(gap=(10.0, 190.0)))
    player.seek(9 * SECOND).result(60)
    settle(player)
    player.set_speed(20.0).result(60)
    player.play().result(60)
    begun = time.monotonic()
    while player.state.time < 180 * SECOND:
        assert time.monotonic() - begun < 8.0, "the 9 s of wall clock that the whole silence takes were waited for"
        time.sleep(0.005)


def test_it_loops_between_two_marks_in_either_order(player_of: Callable[..., tuple[Player, Book]]) -> None:
    player, _ = player_of()
    for which, place in ((0, 42), (1, 40)):
        player.seek(place * SECOND).result(60)
        settle(player)
        player.mark(which).result(60)
    assert player.state.marks == (40 * SECOND, 42 * SECOND)
    player.set_speed(20.0).result(60)
    seen: list[int] = []
    player.play().result(60)
    begun, rounds = time.monotonic(), 0
    while rounds < 3 and time.monotonic() - begun < 60.0:
        state = player.state
        if state.target is None:  # on its way back it may pass by what lies before
            seen.append(state.time)
            rounds += len(seen) > 1 and seen[-1] < seen[-2]
        time.sleep(0.005)
    assert min(seen) >= 40 * SECOND - SECOND // 100
    assert max(seen) <= 42 * SECOND
    assert rounds == 3, "it came round often"
    player.clear_marks().result(60)
    with pytest.raises(LivewatchError, match="a loop needs two different times"):
        player.pause().result(60)
        player.mark(0).result(60)
        player.mark(1).result(60)


def test_the_next_alarm_and_the_one_before_are_found(player_of: Callable[..., tuple[Player, Book]]) -> None:
    player, _ = player_of()
    until(lambda: player.overview.done)
    times = sorted({event.time for event in STRAIGHT.events if isinstance(event, AlarmChanged) and event.raised})
    found = []
    while (place := player.next_alarm(1).result(60)) is not None:
        settle(player)
        found.append(place)
        assert player.state.time == place
    assert found == times
    assert player.next_alarm(-1).result(60) == times[-2]
    assert player.next_alarm(1).result(60) == times[-1], "counted from where it is heading"


def test_speed_stays_between_a_tenth_and_fifty(player_of: Callable[..., tuple[Player, Book]]) -> None:
    player, _ = player_of()
    for _ in range(20):
        player.faster(1).result(60)
    assert player.state.speed == FASTEST == 50.0
    for _ in range(20):
        player.faster(-1).result(60)
    assert player.state.speed == SLOWEST == 0.1
    player.set_speed(None).result(60)
    player.faster(-1).result(60)
    assert player.state.speed == 50.0


def test_the_whole_recording_is_known_while_one_stands_at_its_start(
    player_of: Callable[..., tuple[Player, Book]],
) -> None:
    player, book = player_of()
    until(lambda: player.overview.done)
    assert player.state.time < 5 * SECOND
    assert [line_of(event, 0) for event in player.overview.events] == [
        line_of(without_lead_up(event), 0) for event in STRAIGHT.events
    ]
    assert player.history.at(100 * SECOND).keys() == UNITS.keys()
    assert player.history.at(50 * SECOND)["engine_speed"] == pytest.approx(3000 + 2900 * np.sin(50 / 8), abs=1)
    assert len(book.events) < 5


def test_a_recording_that_cannot_be_read_on_says_so_and_keeps_what_there_was(
    player_of: Callable[..., tuple[Player, Book]],
) -> None:
    player, book = player_of(fails_after=400)
    until(lambda: player.overview.done)
    player.set_speed(None).result(60)
    player.play().result(60)
    play_out(player)
    assert player.state.problem == "drive.csv: cannot be read beyond row 400"
    assert player.overview.problem == player.state.problem
    player.apply(Action("note", text="it ends here")).result(60)
    player.close()
    assert len(book.times) == 400
    assert json.loads(book.lines()[-1])["event"] == "ended"


def test_an_empty_recording_ends_at_once(player_of: Callable[..., tuple[Player, Book]]) -> None:
    empty = SampleBatch(np.empty(0, np.int64), [])
    player, book = player_of(table=empty, playing=True)
    play_out(player)
    assert player.state.time == 0
    player.close()
    assert book.lines() == []


def test_after_the_end_nothing_can_be_asked_any_more(player_of: Callable[..., tuple[Player, Book]]) -> None:
    player, _ = player_of()
    player.close()
    player.close()
    with pytest.raises(LivewatchError, match="the replay has ended"):
        player.seek(0).result(60)
    assert not [thread for thread in threading.enumerate() if thread.name == "livewatch-player"]


def test_a_replay_can_begin_later(player_of: Callable[..., tuple[Player, Book]]) -> None:
    player, _ = player_of(start=120 * SECOND)
    settle(player)
    assert player.state.time == pytest.approx(120 * SECOND, abs=3 * SECOND)


def test_a_person_may_play_on_from_the_end(player_of: Callable[..., tuple[Player, Book]]) -> None:
    player, _ = player_of(speed=50.0)
    player.seek(999 * SECOND).result(60)
    settle(player)
    assert player.state.at_end
    player.toggle().result(60)
    settle(player)
    assert player.state.playing
    assert player.state.time < 60 * SECOND
    assert replace(player.state, time=0).furthest > 190 * SECOND
