"""What can go wrong around the screen, and what a person sees of it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from textual.events import AppFocus
from textual.pilot import Pilot

from livewatch.dashboard import show_on_terminal
from livewatch.dashboard.app import Dashboard
from livewatch.dashboard.content.watched_run import WatchedLive, WatchedReplay
from livewatch.data.actions import Action
from livewatch.data.alarm_states import State
from livewatch.data.events import AlarmChanged, PullEnded, SecondsBefore
from livewatch.data.samples import SampleBatch, SampleColumn
from livewatch.profile import load_profile_text
from livewatch.profile.model import Profile
from livewatch.run.history import History
from livewatch.run.opening import Source, Stretch
from livewatch.run.player import Player
from livewatch.run.run import Run
from livewatch.session.folder import Session
from livewatch.session.recorder import Recorder
from livewatch.sources.bus_map import BusMap
from tests.waiting import until

SECOND = 1_000_000_000
Make = Callable[..., Any]
PROFILE = """
profile: 1
name: Tarn bench engine
channels:
  engine_speed: {unit: rpm, stale_after: 1 s}
  accelerator_pedal_position: {unit: "%", stale_after: 1 s}
  lambda_1: {unit: "1", stale_after: 1 s}
  commanded_lambda: {unit: "1", stale_after: 1 s}
figures: [engine_speed, lambda_1]
signature_alarms: off
alarms:
  lean:
    condition: lambda_1 > 1.1
    priority: critical
    action: Lift off the pedal now.
"""


def text_of(app: Dashboard) -> str:
    lines = app.screen._compositor.render_strips()
    return "\n".join("".join(segment.text for segment in line) for line in lines)


async def drawn(pilot: Pilot[None]) -> str:
    await pilot.pause()
    pilot.app.beat()  # type: ignore[attr-defined]
    await pilot.pause()
    return text_of(pilot.app)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def plain_profile() -> Profile:
    return load_profile_text(PROFILE, "tarn.yaml", None)


def samples(stop: float, pull_from: float = 20.0) -> SampleBatch:
    """Twenty rows a second; from `pull_from` on the pedal is down and the engine pulls up through its speeds."""
    seconds = np.arange(0, stop, 0.05)
    pulling = seconds >= pull_from
    speed = np.where(pulling, 2000 + 400 * (seconds - pull_from), 2000)
    values = {0: speed, 1: np.where(pulling, 100.0, 10.0), 2: np.full_like(seconds, 1.2), 3: np.full_like(seconds, 1.0)}
    every, good = np.arange(len(seconds)), np.zeros(len(seconds), np.uint8)
    stamps = 1_777_000_000 * SECOND + (seconds * 1e9).astype(np.int64)
    return SampleBatch(stamps, [SampleColumn(channel, every, value, good) for channel, value in values.items()])


class Table:
    progress = 1.0

    def __init__(self, rows: SampleBatch) -> None:
        self.rows = rows
        self.counts: dict[str, int] = {}

    def batches(self, size: int = 0) -> Iterator[SampleBatch]:
        yield self.rows


def played(rows: SampleBatch, profile: Profile) -> Source:
    """The rows as a recording that was opened."""
    return Source("table", "table", Table(rows), BusMap(profile, {}), Stretch())


class InlineRun:
    """A live run whose frames are pushed by the test itself."""

    failure: BaseException | None = None
    started = stopped = 0

    def __init__(self, run: Run) -> None:
        self.run = run

    def start(self) -> None:
        self.started += 1

    def stop(self) -> None:
        self.stopped += 1

    def submit(self, call: Callable[[], Any]) -> Future[Any]:
        done: Future[Any] = Future()
        if self.failure is not None:
            done.set_exception(RuntimeError("the run has ended"))
            return done
        try:
            done.set_result(call())
        except Exception as error:
            done.set_exception(error)
        return done

    def statuses(self) -> list[Any]:
        return []


def carried_out(asked: Future[Any]) -> None:
    """Wait until the player did what it was asked for; fail where it could not."""
    until(asked.done)
    asked.result()


async def test_a_terminal_too_small_still_says_what_to_do(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of())
    async with app.run_test(size=(40, 10)) as pilot:
        text = await drawn(pilot)
        assert "▲▲ CRITICAL" in text
        assert "Lift off the pedal now" in text
        assert "lambda 1.03, wanted" in text
        assert "needs 80 x 24, has 40 x 10" in text
        await pilot.resize_terminal(120, 40)
        assert "engine speed rpm" in await drawn(pilot)
        await pilot.resize_terminal(79, 24)
        assert "The views need 80 x 24 cells; here are 79 x 24." in await drawn(pilot)
        await pilot.resize_terminal(12, 3)
        assert "CRITICAL" in await drawn(pilot)


async def test_a_quiet_small_terminal_says_so(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of(alarming=False), plain=True)
    async with app.run_test(size=(40, 10)) as pilot:
        text = await drawn(pilot)
        assert text.isascii()
        assert "No alarm." in text


@pytest.mark.parametrize("view", ["seat", "cell", "bench"])
async def test_no_view_scrolls_and_every_row_is_full(view: str, run_of: Make, app_of: Make) -> None:
    app = app_of(run_of(replay=view == "bench"), view)
    async with app.run_test(size=(200, 60)) as pilot:
        for size in ((200, 60), (80, 24), (120, 40), (99, 31)):
            await pilot.resize_terminal(*size)
            text = await drawn(pilot)
            assert not any(widget.scrollbars_enabled != (False, False) for widget in app.screen.walk_children())
            assert [len(line) for line in text.splitlines()] == [size[0]] * size[1]


async def test_without_colour_the_theme_without_colour_is_taken(
    run_of: Make, app_of: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    app = app_of(run_of(), theme="day")
    assert app.theme == "no colour"
    async with app.run_test(size=(80, 24)) as pilot:
        await drawn(pilot)
        for strip in app.screen._compositor.render_strips():
            for segment in strip:
                for colour in (segment.style.color, segment.style.bgcolor) if segment.style else ():
                    if colour is not None and colour.triplet is not None:
                        assert len(set(colour.triplet)) == 1, "grey"


async def test_a_figure_the_profile_does_not_have_says_so(run_of: Make, app_of: Make, profile: Profile) -> None:
    using = replace(profile, figures=("engine_speed", "oil_pressure"))
    async with app_of(run_of(using=using)).run_test(size=(80, 24)) as pilot:
        text = await drawn(pilot)
        assert "oil pressure" in text
        assert "not in the profile" in text
    none = replace(profile, figures=())
    async with app_of(run_of(using=none)).run_test(size=(80, 24)) as pilot:
        assert "The profile names no figures" in await drawn(pilot)
    many = replace(profile, figures=tuple(profile.index)[:9])
    async with app_of(run_of(using=many)).run_test(size=(80, 24)) as pilot:
        assert "engine speed" in await drawn(pilot)


async def test_before_anything_came_every_view_can_be_shown(run_of: Make, app_of: Make) -> None:
    watched = run_of()
    watched.shown = None
    async with app_of(watched).run_test(size=(80, 24)) as pilot:
        for key in ("1", "2", "3"):
            await pilot.press(key)
            assert "Starting." in await drawn(pilot)


async def test_an_update_that_comes_when_the_program_has_ended_does_nothing(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of(), "seat")
    async with app.run_test(size=(80, 24)):
        pass
    beats = app._beats
    app.beat()
    assert app._beats == beats


async def test_a_silent_bus_and_lost_frames_are_seen(run_of: Make, app_of: Make) -> None:
    watched = run_of(alarming=False)
    silent = replace(watched.shown.buses[1], state="silent", age=12.3, dropped=44)
    watched.shown = replace(
        watched.shown, buses=(watched.shown.buses[0], silent), trouble=("Bus body is silent for 12 s.",)
    )
    async with app_of(watched, "cell").run_test(size=(120, 40)) as pilot:
        text = await drawn(pilot)
        assert "◆ CHECK" in text
        assert "▲ body silent 12 s" in text
        assert "44 dropped" in text


async def test_a_run_that_ended_against_its_will_is_said(app_of: Make, plain_profile: Profile) -> None:
    run = Run(plain_profile, history=History(plain_profile))
    run.push(samples(5.0))
    live = InlineRun(run)
    watched = WatchedLive(live)  # type: ignore[arg-type]
    async with app_of(watched).run_test(size=(80, 24)) as pilot:
        await drawn(pilot)
        live.failure = OSError("can0: the adapter was unplugged")
        text = await drawn(pilot)
        assert "ENDED" in text
        assert "can0: the adapter was unplugged" in text


async def test_a_live_run_is_shown_and_acted_on(app_of: Make, plain_profile: Profile) -> None:
    run = Run(plain_profile, history=History(plain_profile))
    live = InlineRun(run)
    watched = WatchedLive(live)  # type: ignore[arg-type]
    app = app_of(watched)
    async with app.run_test(size=(80, 24)) as pilot:
        for key in ("2", "1"):  # before anything came
            await pilot.press(key)
            await drawn(pilot)
        run.push(samples(5.0))
        await drawn(pilot)
        text = await drawn(pilot)
        assert "▲▲ CRITICAL" in text and "1.20" in text
        await pilot.press("a")
        await drawn(pilot)
        await drawn(pilot)
        assert [event.state for event in watched.events if isinstance(event, AlarmChanged)] == [
            "unacknowledged alarm",
            "acknowledged alarm",
        ]
        await pilot.press("a")
        await drawn(pilot)
        assert any("cannot acknowledge 'lean'" in notice.message for notice in app._notifications)


def test_a_long_live_run_keeps_the_seconds_before_the_latest_alarms_only(plain_profile: Profile) -> None:
    run = Run(plain_profile, history=History(plain_profile))
    watched = WatchedLive(InlineRun(run))  # type: ignore[arg-type]
    words: Any = ("raised", State.UNACKNOWLEDGED, State.NORMAL, "high", False, "", "", "")
    for number in range(5000):
        run.listeners[0]([AlarmChanged(number * SECOND, 0, "lean", *words, before=SecondsBefore(0.1, 0.0, {}))])
    kept = [isinstance(event, AlarmChanged) and event.before is not None for event in watched.events]
    assert len(kept) == 3200
    assert sum(kept) == 200 and all(kept[-200:])


async def test_the_session_folder_is_deleted_while_it_runs(
    app_of: Make, plain_profile: Profile, tmp_path: Path, delete_in_use: Callable[[Path], None]
) -> None:
    folder = Session.create(tmp_path / "out", plain_profile, ["table"])
    recorder = Recorder(folder, may_wait=True)
    rows = samples(60.0)
    player = Player(lambda: played(rows, plain_profile), plain_profile, recorder, speed=0.1)
    player.start()
    carried_out(player.pause())
    delete_in_use(folder.path)
    watched = WatchedReplay(player)

    async def view_text(pilot: Pilot[None]) -> str:
        carried_out(player.submit(lambda: None))
        for _ in range(2):
            await drawn(pilot)
            until(lambda: watched._asked is None or watched._asked.done())
        return await drawn(pilot)

    async with app_of(watched, "cell").run_test(size=(120, 40)) as pilot:
        carried_out(player.seek(10 * SECOND))
        until(lambda: player.state.target is None)
        carried_out(player.apply(Action("marker", text="marker")))
        until(lambda: bool(recorder.counts))
        assert "1 times the session folder was removed" in await view_text(pilot), "it was made again, and that is said"
        delete_in_use(tmp_path / "out")
        carried_out(player.apply(Action("marker", text="marker")))
        carried_out(player.seek(50 * SECOND))
        until(lambda: player.state.target is None and recorder.trouble is not None)
        assert "NOT RECORDING" in await view_text(pilot)
        assert watched.snapshot() is not None and watched.snapshot().time == 50 * SECOND  # type: ignore[union-attr]
    player.close()


async def test_a_recording_that_ends_in_mid_pull_shows_that_pull(app_of: Make, plain_profile: Profile) -> None:
    rows = samples(30.0)
    player = Player(lambda: played(rows, plain_profile), plain_profile, speed=None)
    watched = WatchedReplay(player)
    watched.start()
    assert not player.running, "it begins with the first look"
    watched.snapshot()
    until(lambda: player.state.at_end and player.overview.done)
    pulls = [event for event in watched.events if isinstance(event, PullEnded)]
    assert len(pulls) == 1
    assert pulls[0].start == pytest.approx(20.0, abs=0.3)
    app = app_of(watched, "bench")
    async with app.run_test(size=(80, 24)) as pilot:
        await drawn(pilot)
        await pilot.press("greater_than_sign", "greater_than_sign", "home", "less_than_sign")
        until(lambda: player.state.target is None)
        assert player.state.time == 0
        text = await drawn(pilot)
        assert "1▬" in text
        assert "at 0:00.00" in text
    watched.stop()


def test_a_fault_of_the_screen_does_not_end_the_run(
    run_of: Make, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    watched = run_of()
    began: list[str] = []
    monkeypatch.setattr(type(watched), "start", lambda _: began.append("start"))
    monkeypatch.setattr(type(watched), "stop", lambda _: began.append("stop"))
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    said: list[str] = []

    def run(self: Dashboard) -> None:
        said.append(self._said)
        began.append("screen")
        if len(said) < 3:
            self.fault = ZeroDivisionError("a fault of the screen")

    monkeypatch.setattr(Dashboard, "run", run)
    show_on_terminal.show(watched, "seat")
    assert began == ["start", "screen", "screen", "screen", "stop"]
    assert said[0] == ""
    assert said[1].startswith("The screen failed and was started again; the details are in ")
    kept = next(tmp_path.glob("livewatch-screen-*.txt"))
    assert "ZeroDivisionError: a fault of the screen" in kept.read_text()

    def always(self: Dashboard) -> None:
        self.fault = ZeroDivisionError("again")

    monkeypatch.setattr(Dashboard, "run", always)
    with pytest.raises(ZeroDivisionError):
        show_on_terminal.show(watched, "seat")
    assert began[-1] == "stop"


async def test_a_terminal_that_takes_nothing_does_not_hold_the_end_of_the_run(
    run_of: Make, app_of: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    watched = run_of()
    stopped = threading.Event()
    monkeypatch.setattr(type(watched), "stop", lambda _: stopped.set())
    monkeypatch.setattr("livewatch.dashboard.app.PATIENCE", 0.05)
    app = app_of(watched)
    with app.seen_to_the_end():
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.pause()
            app.exit()
        until(stopped.is_set)


async def test_a_slow_terminal_is_shown_less_rather_than_the_past(
    run_of: Make, app_of: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = app_of(run_of())
    async with app.run_test(size=(80, 24)) as pilot:
        await drawn(pilot)

        waiting = 9
        monkeypatch.setattr(Dashboard, "output_waiting", property(lambda _: waiting))
        app.watched.shown = replace(app.watched.shown, alarms=())
        assert "CRITICAL" in await drawn(pilot), "nothing more is sent while so much waits"
        waiting = 0
        assert "CRITICAL" not in await drawn(pilot)


async def test_a_run_asked_to_last_so_long_ends_by_itself(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of(), lasting=0.2)
    begun = time.monotonic()
    async with app.run_test(size=(80, 24)) as pilot:
        while app.is_running and time.monotonic() - begun < 60:
            await pilot.pause(0.05)
        assert not app.is_running
        assert time.monotonic() - begun >= 0.2


def test_a_screen_started_again_lasts_what_is_left(run_of: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    left: list[float | None] = []

    def run(self: Dashboard) -> None:
        left.append(self._lasting)
        time.sleep(0.05)
        if len(left) == 1:
            self.fault = ZeroDivisionError("a fault of the screen")

    monkeypatch.setattr(Dashboard, "run", run)
    show_on_terminal.show(run_of(), "seat", 5.0)
    assert left[0] is not None and 4.0 < left[0] <= 5.0, "a busy machine may take a while to begin"
    assert left[1] is not None and left[1] <= left[0] - 0.05


async def test_a_screen_that_gets_the_focus_is_drawn_as_a_whole(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of())
    async with app.run_test(size=(80, 24)) as pilot:
        await drawn(pilot)
        rows: set[int] = set()
        usual = type(app.screen._compositor).update_widgets

        def update(compositor: Any, widgets: set[Any]) -> None:
            usual(compositor, widgets)
            for region in compositor._dirty_regions:
                rows.update(range(region.y, region.bottom) if region.width == 80 else ())

        app.screen._compositor.update_widgets = update.__get__(app.screen._compositor)
        app.post_message(AppFocus())
        await pilot.pause()
        assert rows >= set(range(24))
