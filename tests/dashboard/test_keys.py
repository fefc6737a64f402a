"""Every key does what the help page says of it, by keyboard and, where it matters, by mouse."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from textual.pilot import Pilot
from textual.widgets import Input

from livewatch.alarms import State
from livewatch.dashboard.app import Dashboard
from livewatch.dashboard.bindings import KEYS, keys_for
from livewatch.dashboard.content.events import moment
from livewatch.dashboard.screens.ask import AskChoice, AskText
from livewatch.dashboard.screens.cautions import Cautions
from livewatch.dashboard.screens.help_page import HelpPage
from livewatch.dashboard.screens.main_screen import VIEWS
from livewatch.dashboard.widgets.alarm_list import AlarmList
from livewatch.dashboard.widgets.event_list import EventList
from livewatch.dashboard.widgets.key_hints import KeyHints
from livewatch.dashboard.widgets.pull_list import PullList
from livewatch.dashboard.widgets.timeline import LEFT, Timeline
from livewatch.data.actions import Action

SECOND = 1_000_000_000
SIZE = (120, 40)
Make = Callable[..., Any]


async def press(pilot: Pilot[None], *keys: str) -> None:
    await pilot.pause()
    for key in keys:
        await pilot.press(key)
    pilot.app.beat()  # type: ignore[attr-defined]
    await pilot.pause()


def actions(app: Dashboard) -> list[Action]:
    return app.watched.asked.actions  # type: ignore[attr-defined,no-any-return]


def asked(app: Dashboard) -> list[tuple[Any, ...]]:
    return app.watched.player.asked  # type: ignore[attr-defined]


def notices(app: Dashboard) -> list[str]:
    return [notice.message for notice in app._notifications]


LIVE_ACTIONS: dict[str, tuple[tuple[str, ...], Action]] = {
    "acknowledge": (("a",), Action("acknowledge", "lean_under_load")),
    "acknowledge_all": (("A",), Action("acknowledge_all")),
    "shelve": (("s", "2"), Action("shelve", "lean_under_load", 900 * SECOND)),
    "out_of_service": (
        ("o", *"new sensor".replace(" ", "_"), "enter"),
        Action("remove_from_service", "lean_under_load", text="new_sensor"),
    ),
    "bring_back": (("up", "up", "down", "down", "down", "b"), Action("unshelve", "charge_air_hot")),
    "marker": (("m",), Action("marker", text="marker")),
    "note": (("n", "h", "i", "enter"), Action("note", text="hi", at=410_600_000_000)),
}


async def test_keys_that_act_on_the_run(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of())
    async with app.run_test(size=SIZE) as pilot:
        for name, (keys, expected) in LIVE_ACTIONS.items():
            app.chosen_alarm = ""
            actions(app).clear()
            await press(pilot, *keys)
            assert (name, actions(app)) == (name, [expected])


async def test_an_alarm_out_of_service_is_brought_back_into_service(run_of: Make, app_of: Make) -> None:
    watched = run_of()
    alarms = [replace(one, state=State.OUT_OF_SERVICE, acknowledged=True) for one in watched.shown.alarms]
    watched.shown = replace(watched.shown, alarms=tuple(alarms))
    app = app_of(watched)
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "b")
        assert actions(app) == [Action("return_to_service", alarms[0].name)]


async def test_an_action_that_makes_no_sense_is_told_and_nothing_breaks(run_of: Make, app_of: Make) -> None:
    watched = run_of()
    watched.asked.error = "there is nothing to acknowledge: no alarm is unacknowledged"
    app = app_of(watched)
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "A")
        app.beat()
        await pilot.pause()
        assert notices(app) == ["there is nothing to acknowledge: no alarm is unacknowledged"]


async def test_without_an_alarm_the_alarm_keys_say_so(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of(alarming=False))
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "a", "s", "o", "b")
        assert notices(app) == ["There is no alarm to do that to."] * 4
        assert actions(app) == []


async def test_silence_hushes_what_sounds(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of())
    async with app.run_test(size=SIZE) as pilot:
        assert app.view_state().silenced is False
        await press(pilot, "h")
        assert app.view_state().silenced is True


async def test_up_and_down_select_an_alarm_and_a_click_does(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of())
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "down")
        assert app.chosen_alarm == "boost_overshoot"
        await press(pilot, "up")
        assert app.chosen_alarm == "lean_under_load"
        alarms = app.query_one(AlarmList)
        await pilot.click(AlarmList, offset=(20, alarms._places.index("trims_at_limit")))
        assert app.chosen_alarm == "trims_at_limit"
        await press(pilot, "a")
        assert actions(app) == [Action("acknowledge", "trims_at_limit")]


async def test_the_views_by_number_and_by_tab(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of())
    async with app.run_test(size=SIZE) as pilot:
        for key, view in (
            ("2", "cell"),
            ("3", "bench"),
            ("1", "seat"),
            ("tab", "cell"),
            ("tab", "bench"),
            ("tab", "seat"),
        ):
            await press(pilot, key)
            assert app.view == view
            assert app.query_one(f"#{view}").display


async def test_units_change_on_the_spot(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of())
    async with app.run_test(size=SIZE) as pilot:
        seen = []
        for _ in range(3):
            seen.append(app.view_state().units.text(101.325, "kPa"))
            await press(pilot, "u")
        assert seen == ["101 kPa", "1.01 bar", "14.7 psi"]
        await press(pilot, "l")
        assert app.view_state().units.text(1.0, "1", "lambda_1") == "14.1 AFR"
        await press(pilot, "l")
        assert app.view_state().units.text(1.0, "1", "lambda_1") == "1.00"


async def test_themes_go_round_and_are_remembered(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of())
    async with app.run_test(size=SIZE) as pilot:
        for theme in ("day", "no colour", "night"):
            await press(pilot, "t")
            assert app.theme == theme
        assert app.remembered.get("theme", "") == "night"


async def test_plain_characters_leave_nothing_but_ascii(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of(replay=True))
    async with app.run_test(size=SIZE) as pilot:
        for key in ("c", "2", "3", "question_mark"):
            await press(pilot, key)
            app.beat()
            await pilot.pause()
            shown = app.export_screenshot()
            text = "".join(part.partition("<")[0] for part in shown.split(">")).replace("&#160;", " ")
            assert text.isascii(), [letter for letter in text if not letter.isascii()][:10]
            if key == "question_mark":
                await press(pilot, "escape")


async def test_what_the_traces_show(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of(), "cell")
    async with app.run_test(size=SIZE) as pilot:
        for overlay in ("pulls over speed", "pulls over time", "over time"):
            await press(pilot, "v")
            assert app.overlay == overlay
        await press(pilot, "w")
        assert app.window == 30 * SECOND
        await press(pilot, "W", "W")
        assert app.window == 120 * SECOND
        await press(pilot, *["W"] * 9)
        assert app.window == 600 * SECOND
        await pilot.click(PullList, offset=(12, 2))
        assert app.cursor == 127 * SECOND


TIME_KEYS = [
    ("space", ("toggle",)),
    ("left", ("move", -5 * SECOND)),
    ("right", ("move", 5 * SECOND)),
    ("less_than_sign", ("move", -30 * SECOND)),
    ("greater_than_sign", ("move", 30 * SECOND)),
    ("comma", ("step", -1)),
    ("full_stop", ("step", 1)),
    ("minus", ("faster", -1)),
    ("plus", ("faster", 1)),
    ("equals_sign", ("faster", 1)),
    ("f", ("set_speed", None)),
    ("home", ("seek", 0)),
    ("end", ("seek", 500 * SECOND)),
    ("left_square_bracket", ("mark", 0)),
    ("right_square_bracket", ("mark", 1)),
    ("backslash", ("clear_marks",)),
    ("J", ("next_alarm", -1)),
    ("enter", ("seek", 410 * SECOND)),
]


async def test_keys_that_move_a_replay(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of(replay=True), "bench")
    start = app.watched.player.state
    async with app.run_test(size=SIZE) as pilot:
        for key, call in TIME_KEYS:
            app.watched.player.state = start
            app.watched.player.asked.clear()
            await pilot.press(key)
            assert (key, asked(app)) == (key, [call])
            app.beat()


async def test_there_is_no_alarm_after_the_last(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of(replay=True), "bench")
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "j")
        assert notices(app) == ["No alarm after this."]
        app.watched.player.state = replace(app.watched.player.state, time=100 * SECOND)
        await press(pilot, "j")
        assert asked(app) == [("next_alarm", 1)]


async def test_the_mouse_seeks_on_the_timeline(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of(replay=True), "bench")
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        timeline = app.query_one(Timeline)
        width = timeline.size.width - LEFT - 3
        middle = LEFT + width // 2
        await pilot.click(Timeline, offset=(middle, 3))
        expected = round(500 * SECOND * (middle - LEFT) / width)
        assert asked(app) == [("seek", expected)]
        await pilot.mouse_down(Timeline, offset=(middle, 3))
        await pilot.hover(Timeline, offset=(LEFT + 5, 3))
        assert app.view_state().cursor == timeline.time_at(LEFT + 5), "values under the cursor follow the mouse"
        assert len(asked(app)) == 1, "the replay itself moves when the button is let go"
        await pilot.mouse_up(Timeline, offset=(LEFT + 5, 3))
        assert asked(app)[-1] == ("seek", timeline.time_at(LEFT + 5))
        await pilot.mouse_down(Timeline, offset=(middle, 3))
        await pilot.hover(AlarmList if app.view == "seat" else EventList, offset=(0, 0))
        await pilot.mouse_up(EventList, offset=(0, 0))
        assert asked(app)[-1] == ("seek", 0), "dragged past the left end"


async def test_events_are_selected_by_key_and_by_mouse(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of(replay=True), "bench")
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "up", "up")
        event = app.view_state().events[app.chosen_event]
        assert (event.subject, event.time) == ("boost_overshoot", 406 * SECOND)
        await press(pilot, "enter")
        assert asked(app) == [("seek", 406 * SECOND)]
        app.beat()
        listed = app.query_one(EventList)
        first = listed._rows(app.view_state(), listed.size.height - 1)[0]
        event = app.view_state().events[first]
        assert event.time != 406 * SECOND
        await pilot.click(EventList, offset=(20, 1))
        assert app.chosen_event == first
        assert asked(app)[-1] == ("seek", moment(event))


async def test_on_the_bench_of_a_live_run_one_looks_back(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of(), "bench")
    end = app.watched.span[1]
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "left")
        assert app.view_state().cursor == pytest.approx(end - 5 * SECOND, abs=SECOND)
        await press(pilot, "n", "x", "enter")
        assert actions(app)[-1].at == app.cursor, "a note is pinned to where one looks"
        await press(pilot, "home")
        assert app.view_state().cursor == 0
        await press(pilot, "j")
        assert app.view_state().cursor == 200 * SECOND
        await press(pilot, "J")
        assert notices(app)[-1] == "No alarm before this."
        await press(pilot, "end")
        assert app.cursor is None
        await pilot.click(Timeline, offset=(LEFT + 20, 3))
        assert app.cursor is not None
        await press(pilot, "right", *["greater_than_sign"] * 20)
        assert app.cursor is None, "at the newest it follows the run again"
        await press(pilot, "space", "f")
        assert app.watched.player is None
        await press(pilot, "x")
        assert app.view_state().page == 1


async def test_help_lists_every_key(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of())
    async with app.run_test(size=(120, 90)) as pilot:
        await press(pilot, "question_mark")
        assert isinstance(app.screen, HelpPage)
        page = app.screen.text().plain
        for key in KEYS:
            assert f"  {key.shown:<8}{key.help}" in page
        await press(pilot, "a")
        assert actions(app) == [], "keys do nothing behind the page"
        await press(pilot, "escape")
        assert not isinstance(app.screen, HelpPage)


async def test_the_palette_offers_what_the_keys_do_here(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of())
    async with app.run_test(size=SIZE) as pilot:
        offered = {command.title: command for command in app.get_system_commands(app.screen)}
        for key in keys_for("seat", replay=False):
            if key.action != "command_palette":
                assert f"{key.hint[0].upper()}{key.hint[1:]}  ({key.shown})" in offered
        assert "Play  (space)" not in offered
        assert {"Theme: day", "Units: imperial"} <= offered.keys()
        await press(pilot, "ctrl+p")
        assert app.screen.__class__.__name__ == "CommandPalette"
        await press(pilot, *"imperial")
        await pilot.pause(0.4)
        await press(pilot, "enter")
        await pilot.pause(0.2)
        await press(pilot, "enter")
        await pilot.pause(0.2)
        assert app.units.system == "imperial"


async def test_quitting_a_live_run_is_asked_about(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of())
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "q")
        assert isinstance(app.screen, AskChoice)
        await press(pilot, "2")
        assert app._exit is False
        await press(pilot, "ctrl+q", "x", "1")
        assert app._exit is True


async def test_ctrl_c_asks_as_quitting_does_and_pressed_again_insists(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of())
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "ctrl+c")
        assert isinstance(app.screen, AskChoice) and app._exit is False
        await press(pilot, "ctrl+c")
        assert app._exit is True


async def test_quitting_a_replay_is_not(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of(replay=True))
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "q")
        assert app._exit is True


async def test_questions_can_be_left(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of())
    async with app.run_test(size=SIZE) as pilot:
        for key, kind in (("s", AskChoice), ("o", AskText), ("n", AskText)):
            await press(pilot, key)
            assert isinstance(app.screen, kind)
            await press(pilot, "escape")
            assert not isinstance(app.screen, kind)
        await press(pilot, "o", "enter")
        assert actions(app) == [], "out of service takes a reason"
        await press(pilot, "s")
        await pilot.click("#choice-1")
        assert actions(app) == [Action("shelve", "lean_under_load", 300 * SECOND)]


async def test_letters_typed_into_a_note_are_not_keys(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of())
    async with app.run_test(size=SIZE) as pilot:
        await press(pilot, "n", *"aqt123")
        assert app.screen.query_one(Input).value == "aqt123"
        await press(pilot, "enter")
        assert [action.text for action in actions(app)] == ["aqt123"]


async def test_the_bottom_row_can_be_clicked(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of())
    async with app.run_test(size=SIZE) as pilot:
        await pilot.pause()
        await pilot.click(KeyHints, offset=(4, 0))
        assert actions(app) == [Action("acknowledge", "lean_under_load")]
        await pilot.click(KeyHints, offset=(SIZE[0] - 4, 0))
        await pilot.pause()
        assert isinstance(app.screen, HelpPage)


async def test_the_cautions_come_first_and_once_for_each_vehicle(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of(), cautions=True)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert isinstance(app.screen, Cautions)
        await press(pilot, "a")
        assert actions(app) == []
        await press(pilot, "enter")
        assert not isinstance(app.screen, Cautions)
    again = app_of(run_of(), cautions=True)
    async with again.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert not isinstance(again.screen, Cautions)


async def test_nothing_is_asked_of_the_run_before_the_cautions_are_drawn(
    run_of: Make, app_of: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    watched = run_of(replay=True)
    app = app_of(watched, cautions=True)
    drawn: list[bool] = []

    def snapshot() -> None:
        if not drawn:  # later ones come while the screen is taken away, too
            drawn.append(any(answer.region for answer in app.screen.query("#answer")))

    monkeypatch.setattr(watched, "snapshot", snapshot)
    monkeypatch.setattr("livewatch.dashboard.app.BEAT", 0.02)
    monkeypatch.setattr("livewatch.dashboard.app.LATEST", 600.0)  # however slow the machine
    async with app.run_test(size=(80, 24)) as pilot:
        async with asyncio.timeout(60):
            while not drawn:
                await pilot.pause(0.01)
        assert drawn == [True]


@pytest.mark.parametrize("view", VIEWS)
async def test_behind_the_cautions_are_the_views_of_a_start_without_them(view: str, run_of: Make, app_of: Make) -> None:
    rows = []
    for cautions in (True, False):
        app = app_of(run_of(), view, cautions=cautions)
        async with app.run_test(size=(80, 24)) as pilot:
            async with asyncio.timeout(60):
                while not app.screen_stack[0].query("KeyHints"):
                    await pilot.pause(0.01)
            if cautions:
                await press(pilot, "enter")
            app.beat()
            await pilot.pause()
            app.beat()
            await pilot.pause()
            rows.append([strip.text for strip in app.screen._compositor.render_strips()])
    assert rows[0] == rows[1]
    assert "all keys" in rows[0][-1]


async def test_who_does_not_accept_the_cautions_leaves(run_of: Make, app_of: Make) -> None:
    app = app_of(run_of(), cautions=True)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await press(pilot, "q")
        assert app._exit is True
        assert not app.remembered.cautions_read(app.watched.profile.name)


def test_no_key_is_bound_twice_in_a_view() -> None:
    for view in ("seat", "cell", "bench"):
        for replay in (False, True):
            keys = [one for key in keys_for(view, replay) for one in key.keys.split(",")]
            assert len(keys) == len(set(keys))


def test_every_key_is_pressed_by_a_test_here() -> None:
    pressed = {key for keys, _ in LIVE_ACTIONS.values() for key in keys} | {key for key, _ in TIME_KEYS}
    pressed |= {
        "h",
        "1",
        "2",
        "3",
        "tab",
        "v",
        "w",
        "W",
        "r",
        "u",
        "l",
        "t",
        "c",
        "j",
        "question_mark",
        "ctrl+p",
        "q",
        "ctrl+q",
        "ctrl+c",
        "x",
    }
    assert {one for key in KEYS for one in key.keys.split(",")} - pressed == {"f1"}
