"""Every word can be read: the recorded drives on the three views, from the narrowest screen on, at many moments.

What each widget is given to say is held against what stands in its place, its lines joined: each sentence whole, in one
of its wordings; never an ellipsis; and where something has no room, its number and the key that shows all of it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future
from dataclasses import replace
from itertools import product
from typing import Any, TypeVar

import pytest
from textual.pilot import Pilot

from livewatch.alarms import State
from livewatch.dashboard.app import Dashboard
from livewatch.dashboard.content.full_text import full_text
from livewatch.dashboard.content.headline import Headline, headline
from livewatch.dashboard.content.snapshot import Snapshot, VerdictSoFar
from livewatch.dashboard.content.snapshot_maker import SnapshotMaker
from livewatch.dashboard.content.watched_run import WatchedRun
from livewatch.dashboard.drawing.fitting import MORE, SIGN
from livewatch.dashboard.screens.reading_page import ReadingPage
from livewatch.dashboard.widgets.alarm_list import AlarmList
from livewatch.dashboard.widgets.bus_health import BusHealth
from livewatch.dashboard.widgets.canvas_widget import CanvasWidget
from livewatch.dashboard.widgets.event_list import EventList
from livewatch.dashboard.widgets.headline_box import HeadlineBox
from livewatch.dashboard.widgets.key_hints import KeyHints
from livewatch.dashboard.widgets.next_drive import NextDrive
from livewatch.dashboard.widgets.pull_list import PullList
from livewatch.dashboard.widgets.selected_event import SelectedEvent
from livewatch.dashboard.widgets.status_line import StatusLine
from livewatch.dashboard.widgets.verdict_panel import LEAST, VerdictPanel
from livewatch.data.channels import in_words
from livewatch.data.events import AlarmChanged, Event, NoteWritten
from livewatch.profile import load_profile
from livewatch.profile.shipped import find_profile, shipped_folder
from livewatch.run.achieved_rates import Rate
from livewatch.run.history import History
from livewatch.run.opening import open_source
from livewatch.run.run import Run
from livewatch.wording.reader_units import ReaderUnits
from livewatch.wording.shorter import drive_words

T = TypeVar("T")
SECOND = 1_000_000_000
Make = Callable[..., Any]
SIZES = ((80, 24), (100, 30), (120, 40))
VIEWS = ("seat", "cell", "bench")
DRIVES = (
    ("larger_intake_bore", "brackwell_20t"),
    ("hose_off_in_a_pull", "brackwell_20t"),
    ("vacuum_leak", "linden_16"),
    ("dyno_session", "dyno_cell"),
    ("weak_injector_bank_2", "tarn_30t"),
)
"""A verdict forming with many alarms; alarms in mid-pull; a port that is polled; a dyno; two banks."""
LONG = (
    "Fuel pressure at the rail falls behind what is asked of it while the pedal is down; this car has a pump that was "
    "changed twice, and whoever sits beside the driver should say so before the gauge needle is at its stop."
)


class Drive(WatchedRun):
    """A recorded drive at one moment of many."""

    def __init__(self, run: Run, happened: Sequence[Event]) -> None:
        super().__init__(run.profile, Future)
        self.run, self.happened, self.shown = run, happened, None

    shown: Snapshot | None

    def snapshot(self) -> Snapshot | None:
        return self.shown

    @property
    def history(self) -> History | None:
        return self.run.history

    @property
    def events(self) -> Sequence[Event]:
        return self.happened

    @property
    def span(self) -> tuple[int, int]:
        return (0, 0) if self.run.history is None else self.run.history.span


class AtOnce(Executor):
    """Does what is handed in at once."""

    def submit(self, call: Callable[..., T], /, *arguments: Any, **options: Any) -> Future[T]:
        done: Future[T] = Future()
        done.set_result(call(*arguments, **options))
        return done


def driven(name: str, profile_name: str) -> tuple[Drive, tuple[Snapshot, ...]]:
    """The drive, and snapshots of it: every 15 s, every other of them with a verdict of that moment, and whenever
    something happens to an alarm; those that say something none before them said."""
    profile = load_profile(find_profile(profile_name))
    run, happened, maker = (
        Run(profile, history=History(profile, 50_000_000, None)),
        list[Event](),
        SnapshotMaker(None, None, AtOnce()),
    )
    run.listeners.append(happened.extend)
    snapshots, due, known, judged = dict[object, Snapshot](), 0, 0, False
    for batch in open_source(shipped_folder("replay_data") / f"{name}.log.gz", profile, {}).batches(600):
        run.push(batch)
        news = any(isinstance(event, AlarmChanged) for event in happened[known:])
        known = len(happened)
        if news or run.pipeline.time >= due:
            judged = run.pipeline.time >= due and not judged
            maker._assessed = -math.inf if judged else math.inf
            if run.pipeline.time >= due:
                due = run.pipeline.time + 15 * SECOND
            made = replace(maker.make(run), made=0.0)
            alarms, verdict = tuple((alarm.name, alarm.state) for alarm in made.announced), made.verdict
            causes = tuple(cause.title for cause in verdict.causes)
            snapshots.setdefault((alarms, verdict.word, verdict.sentence, causes, verdict.next_drive), made)
    return Drive(run, happened), tuple(snapshots.values())


def words(text: str) -> str:
    return " ".join(re.sub(r"[▸>]", " ", text).split())


def rows(widget: CanvasWidget) -> list[str]:
    return ["".join(part for part, _ in line) for line in widget._lines]


def seen(app: Dashboard, kind: type[CanvasWidget]) -> str:
    """What stands in the place of a widget that can be seen, its lines joined."""
    found = [widget for widget in app.screen.query(kind) if widget.size.width]
    return words(" ".join(" ".join(rows(widget)) for widget in found))


def whole(text: str) -> str:
    return words(text).replace(" ", "")


def said_in(place: str, wordings: Sequence[str]) -> bool:
    return any(whole(one) in whole(place) for one in wordings)


def check_headline(app: Dashboard, line: Headline) -> None:
    place = seen(app, HeadlineBox)
    assert said_in(place, (line.reason, *line.shorter)), (line.reason, place)
    assert said_in(place, (line.more,)), (line.more, place)
    # In large letters the action is no text; what the letters are is tested in test_drawing.
    if app.view != "seat" or len(line.action) > 25:
        assert said_in(place.upper(), (line.action.upper(), " ".join(line.action.upper()))), (line.action, place)
    assert MORE not in place
    assert SIGN not in place


def check_alarms(app: Dashboard, snapshot: Snapshot) -> None:
    place, alarms = seen(app, AlarmList), (*snapshot.announced, *snapshot.hidden)
    shown = [alarm for alarm in alarms if said_in(place, (in_words(alarm.name),))]
    counted = re.search(r"(\d+) more: r reads them all", place)
    assert len(shown) + (int(counted[1]) if counted else 0) == len(alarms), place
    assert snapshot.hidden or MORE not in place.replace("more: r reads", "")


def check_next(app: Dashboard, snapshot: Snapshot) -> None:
    place = seen(app, NextDrive)
    assert snapshot.verdict.word in place
    assert said_in(place, drive_words(snapshot.verdict.next_drive)), place


def check_causes(app: Dashboard, snapshot: Snapshot) -> None:
    place = seen(app, VerdictPanel)
    causes = [cause for cause in snapshot.verdict.causes if not cause.weight < LEAST]
    counted = re.search(r"(\d+) more: r", place)
    left = int(counted[1]) if counted else 0
    for cause in causes[: len(causes) - left]:
        # The probability stands between the lines of a name, which are looked for one by one.
        assert said_in(place, cause.title), (cause.title, place)
        assert said_in(place, cause.size or ("",)), (cause.size, place)
    assert not causes or left < len(causes), "one at least"


def check_events(app: Dashboard) -> None:
    assert MORE not in seen(app, EventList)
    view = app.view_state()
    for line in rows(app.screen.query_one(EventList))[1:]:
        assert len(line) <= app.screen.size.width, view.cursor


@pytest.mark.parametrize(("name", "profile"), DRIVES)
async def test_a_recorded_drive_can_be_read_on_every_view(name: str, profile: str, app_of: Make) -> None:
    watched, snapshots = driven(name, profile)
    watched.shown = snapshots[0]
    app = app_of(watched)
    spoken = set()
    async with app.run_test(size=SIZES[0]) as pilot:
        for size in SIZES:
            await pilot.resize_terminal(*size)
            for view in VIEWS:
                app.action_view(view)
                await pilot.pause()
                # The narrowest screen has the least room: it shows all of them, the others every third.
                for snapshot in snapshots if size == SIZES[0] else snapshots[::3]:
                    watched.shown = snapshot
                    app.beat()
                    for widget in app.screen.query(CanvasWidget):
                        text = "\n".join(rows(widget)) if widget.size.width else ""
                        assert "…" not in text
                        assert ".." not in text
                        assert SIGN not in text, (type(widget).__name__, size, view, text)
                        # The figures a pull leaves behind have no sentence; all else has.
                        assert MORE not in text or isinstance(
                            widget, AlarmList | VerdictPanel | PullList | KeyHints | SelectedEvent
                        ), (type(widget).__name__, size, view, text)
                    check_headline(app, app.view_state().headline)
                    spoken.add(app.view_state().headline.word)
                    if view == "seat":
                        check_alarms(app, snapshot)
                        check_next(app, snapshot)
                    elif view == "cell":
                        check_next(app, snapshot)
                        check_causes(app, snapshot)
                    else:
                        check_events(app)
    assert len(snapshots) > 8
    assert len(spoken) > 1 or name == "dyno_session", "alarms were among it"


@pytest.mark.parametrize("view", VIEWS)
async def test_a_message_as_long_as_its_writer_liked_is_read_by_one_key(view: str, run_of: Make, app_of: Make) -> None:
    watched = run_of()
    alarms = tuple(replace(alarm, message=LONG, action=f"Lift off now. {LONG}") for alarm in watched.shown.alarms)
    watched.shown = replace(
        watched.shown, alarms=alarms, trouble=(LONG,), verdict=VerdictSoFar("misfit", (LONG,), (), 1.0, LONG)
    )
    watched.happened.append(NoteWritten(410 * SECOND, 0, "", LONG, 410.5))
    app = app_of(watched, view)
    async with app.run_test(size=SIZES[0]) as pilot:
        for size in SIZES:
            await pilot.resize_terminal(*size)
            await pilot.pause()
            app.beat()
            text = screen(pilot)
            assert [len(line) for line in text.splitlines()] == [size[0]] * size[1]
            assert "…" not in text
            assert "r " in seen(app, KeyHints), "the key is named"
            if size == (80, 24):
                assert MORE in text, "and where the text goes on"
            await pilot.press("r")
            await pilot.pause()
            assert isinstance(app.screen, ReadingPage)
            assert app.screen.text().plain.count(LONG) >= (5 if view != "bench" else 6)
            assert app.screen.query_one("#dialog").region.y >= 1 + (6 if view == "seat" else 3), (
                "the headline is still seen"
            )
            await pilot.press("r")
            await pilot.pause()
            assert app.screen is app._main


def screen(pilot: Pilot[None]) -> str:
    strips = pilot.app.screen._compositor.render_strips()
    return "\n".join("".join(segment.text for segment in strip) for strip in strips)


async def test_more_alarms_than_rows_are_counted_and_the_chosen_one_is_among_them(run_of: Make, app_of: Make) -> None:
    watched = run_of()
    first = watched.shown.alarms[0]
    many = tuple(replace(first, name=f"alarm_{number}_here") for number in range(9))
    watched.shown = replace(watched.shown, alarms=many)
    app = app_of(watched)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        app.beat()
        assert "7 more: r reads them all" in seen(app, AlarmList)
        await pilot.press(*["down"] * 6)
        app.beat()
        assert "alarm 6 here" in seen(app, AlarmList)
        assert "7 more: r reads them all" in seen(app, AlarmList)


async def test_what_the_seat_has_no_room_for_is_counted_at_the_key(run_of: Make, app_of: Make, profile: Any) -> None:
    figures = ("engine_speed", "boost_pressure", "lambda_1", "knock_retard", "coolant_temperature")
    watched = run_of(using=replace(profile, figures=figures))
    more = [replace(use, name=f"{use.name}_too") for use in watched.shown.authority[:2]]
    watched.shown = replace(watched.shown, authority=(*watched.shown.authority, *more))
    app = app_of(watched)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        app.beat()
        assert "r 2 figures, 2 corrections more" in seen(app, KeyHints)
        await pilot.press("r")
        await pilot.pause()
        assert "coolant temperature: 92 °C" in app.screen.text().plain


async def test_every_state_of_an_alarm_fits_its_row(run_of: Make, app_of: Make) -> None:
    watched = run_of()
    usual = watched.shown
    app = app_of(watched)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        for state, lost in product(State, (False, True)):
            alarms = [
                replace(one, state=state, cannot_judge=lost, shelved_until=500 * SECOND, reason="sensor off")
                for one in usual.alarms
            ]
            watched.shown = replace(usual, alarms=tuple(alarms))
            app.beat()
            assert watched.shown.hidden or SIGN not in screen(pilot), (state, lost)
            check_alarms(app, watched.shown)


def test_lines_do_not_move_while_the_figures_do(run_of: Make, app_of: Make) -> None:
    """The headline of one alarm over a pull: where its sentence breaks is the same from update to update."""
    watched = run_of()
    app = app_of(watched)
    box = HeadlineBox()
    breaks = []
    for boost in (8.0, 98.0, 235.0, 1.0, 99.9, 236.4):
        ticks = watched.shown.ticks
        row = ticks.index["boost_pressure"]
        ticks.value[row] = boost
        alarm = next(one for one in watched.shown.alarms if one.name == "boost_overshoot")
        alarm = replace(alarm, state=State.UNACKNOWLEDGED, message=LONG[:90])
        snapshot = replace(watched.shown, ticks=ticks, alarms=(alarm,))
        line = headline(snapshot, ReaderUnits("metric", False, 14.1), 0.0)
        breaks.append(len(lines_of(box, app, line)))
    assert breaks == sorted(breaks), "more rows may become needed, never fewer again"


def lines_of(box: HeadlineBox, app: Dashboard, line: Headline) -> list[str]:
    from livewatch.dashboard.drawing.canvas import Canvas

    canvas = Canvas(80, 3)
    box.draw(canvas, replace(app.view_state(), headline=line))
    return [row for row in canvas.text().splitlines() if row]


@pytest.mark.parametrize("size", [(80, 24), (160, 50)])
async def test_how_often_each_asked_channel_comes_is_on_the_screen(
    size: tuple[int, int], run_of: Make, app_of: Make
) -> None:
    """At 80 columns how many fall short of what was wanted, and by one key which and by how much; with room, there."""
    rates = {"engine_speed": Rate(9.8, 10.0, 5.0), "lambda_1": Rate(2.0, 10.0, 5.0), "boost_pressure": Rate(5, 5, 5.0)}
    watched = run_of(alarming=False, asked=rates)
    app = app_of(watched, "cell")
    async with app.run_test(size=size) as pilot:
        app.beat()
        await pilot.pause()
        shown = seen(app, BusHealth)
        assert (
            "asked 17/s, 1 of 3 short" if size[0] == 80 else "lambda 2.0/10, boost 5.0/5, engine speed 9.8/10"
        ) in shown
    told = dict(full_text(watched.shown, app.view_state()))["Source"]
    assert {"asked for lambda: 2.0 of 10 a second", "asked for engine speed: 9.8 of 10 a second"} <= set(told)


@pytest.mark.parametrize(("made", "said"), [(-75.0, "no answer for 1:15"), (-math.inf, "no answer yet")])
def test_the_top_row_says_for_how_long_there_was_no_answer(made: float, said: str, run_of: Make, app_of: Make) -> None:
    from livewatch.dashboard.drawing.canvas import Canvas

    watched = run_of(made=made)
    app, line, canvas = app_of(watched), StatusLine(), Canvas(80, 1)
    line.snapshot = watched.shown
    line.draw(canvas, replace(app.view_state(), headline=headline(watched.shown, app.units, 0.05)))
    assert said in canvas.text() and "live" not in canvas.text()
