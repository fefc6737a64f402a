"""The Textual program: ten times a second a snapshot of the watched run goes to the screen; what keys ask is done.

It holds what the person chose (view, units, selection, where they look) and nothing of the run.
"""

from __future__ import annotations

import threading
import time as wall
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from textual.app import SystemCommand
from textual.binding import BindingType
from textual.screen import Screen

from livewatch.dashboard import content
from livewatch.dashboard.alarm_actions import AlarmActions
from livewatch.dashboard.alarm_sound import AlarmSound
from livewatch.dashboard.bindings import KEYS, bindings, works
from livewatch.dashboard.content.view_state import OVERLAYS, Overlay, ViewState
from livewatch.dashboard.drawing.plain import terminal_is_plain
from livewatch.dashboard.remembered import Remembered
from livewatch.dashboard.screens.cautions import Cautions
from livewatch.dashboard.screens.help_page import HelpPage
from livewatch.dashboard.screens.main_screen import VIEWS, MainScreen
from livewatch.dashboard.screens.reading_page import ReadingPage
from livewatch.dashboard.speech import Speech, speech_command
from livewatch.dashboard.themes import THEMES
from livewatch.dashboard.time_actions import TimeActions
from livewatch.wording.reader_units import SYSTEMS, ReaderUnits

if TYPE_CHECKING:
    from livewatch.dashboard.content.watched_run import WatchedRun

__all__ = ["Dashboard"]

BEAT = 1 / 12
"""Seconds between updates: ten a second even when some come late."""
MOST_WAITING = 3
"""Pieces of output that may wait for the terminal before nothing more is drawn."""
PATIENCE = 5.0
"""Seconds that the end of the screen may take before the run behind it is ended without waiting for it."""
LOOK_EVERY = 0.1
"""Seconds between looks whether it takes longer."""
LATEST = 1.0
"""Seconds from its start to the first update at the latest."""
COVERED = 5
"""Updates of which one is drawn while a question is open."""
WINDOWS = tuple(round(seconds * 1e9) for seconds in (10, 20, 30, 60, 120, 300, 600))
"""Data time that the traces may cover, ns."""


class Dashboard(AlarmActions, TimeActions):
    """Args:
    watched: what is looked at; started and stopped by somebody else.
    view: the first view.
    remembered: what was chosen earlier.
    plain: draw in ASCII only; None to find out.
    speech: speaks; None to find out.
    clock: the machine's monotonic clock, s.
    said: something to tell first.
    lasting: seconds after which it ends by itself; None to go on until the person quits.
    asked_to_end: whether a signal has asked for the end.
    """

    CSS_PATH = Path(__file__).with_name("dashboard.tcss")
    TITLE = "livewatch"
    BINDINGS: ClassVar[list[BindingType]] = [*bindings()]
    ENABLE_COMMAND_PALETTE = True
    NOTIFICATION_TIMEOUT = 6

    def __init__(
        self,
        watched: WatchedRun,
        view: str = "seat",
        *,
        remembered: Remembered | None = None,
        plain: bool | None = None,
        speech: Speech | None = None,
        clock: Callable[[], float] = wall.monotonic,
        said: str = "",
        lasting: float | None = None,
        asked_to_end: Callable[[], bool] = lambda: False,
    ) -> None:
        super().__init__()
        self.watched = watched
        self.view = view
        self.remembered = remembered if remembered is not None else Remembered()
        self.plain = terminal_is_plain() if plain is None else plain
        engine, system = watched.profile.engine, self.remembered.get("units", "metric")
        self.units = ReaderUnits(
            system if system in SYSTEMS else "metric",
            self.remembered.get("mixture", "lambda") == "air-fuel ratio",
            None if engine is None else engine.stoichiometric,
            self.plain,
        )
        self.overlay: Overlay = "over time"
        self.page = 0
        self.window = 60_000_000_000
        self.sound = AlarmSound(self.bell, (Speech(speech_command()) if speech is None else speech).say)
        self._clock = clock
        self._begun = False
        self._beats = 0
        self._said = said
        self._lasting = lasting
        self._asked_to_end = asked_to_end
        self._leaving = False
        self._terminal_gone = False
        self._main = MainScreen(view, watched.player is not None, empty=self.cautions_due())
        self.show_ascii_only(self.plain)
        for theme in THEMES:
            self.register_theme(theme)
        usual = THEMES[2].name if self.no_color else THEMES[0].name
        wanted = self.remembered.get("theme", usual)
        self.theme = wanted if wanted in [theme.name for theme in THEMES] and not self.no_color else usual

    def exit(self, *arguments: Any, **options: Any) -> None:
        """Leave."""
        self._leaving = True
        super().exit(*arguments, **options)

    def run(self, *arguments: Any, **options: Any) -> Any:
        """Until the person leaves, or a signal asks for the end."""
        with self.seen_to_the_end():
            return super().run(*arguments, **options)

    @contextmanager
    def seen_to_the_end(self) -> Iterator[None]:
        """Should the terminal not take the last words, the run ends in good order all the same, and they are thrown
        away."""
        over = threading.Event()
        seeing = threading.Thread(target=self._see_to_the_end, args=(over,), name="livewatch end", daemon=True)
        seeing.start()
        try:
            yield
        finally:
            over.set()
            seeing.join()

    def _see_to_the_end(self, over: threading.Event) -> None:
        patience = PATIENCE
        while not over.wait(LOOK_EVERY if patience > 0 else LOOK_EVERY / 20):
            if not (self._leaving or self._asked_to_end() or self.terminal_gone):
                continue
            patience -= LOOK_EVERY
            if patience <= 0 or self.output_gone or self.keyboard_gone:
                self.throw_output_away()
                self.watched.stop()

    @property
    def terminal_gone(self) -> bool:
        """Whether the terminal went away under the screen: where its signal is ignored (`nohup`), nothing else tells.
        At an end of another kind nothing is written any more, either."""
        if (self.output_gone or self.keyboard_gone) and not self._leaving and self.fault is None:
            self._terminal_gone = True
        return self._terminal_gone

    def get_default_screen(self) -> Screen[None]:
        """The views."""
        return self._main

    def on_mount(self) -> None:
        """The cautions first."""
        if self._lasting is not None:
            self.set_timer(max(0.001, self._lasting), self.exit)
        if self._said:
            self.notify(self._said, severity="warning", timeout=30)
        self.show_cautions()
        self.call_after_refresh(self._begin)
        self.set_timer(LATEST, self._begin)

    async def _begin(self) -> None:
        """Begin to look, once the first frame is there: what the first look starts would take its time from it."""
        if self._begun:
            return
        self._begun = True
        await self._main.fill()
        self.set_interval(BEAT, self.beat)
        self.beat()
        if self.watched.player is None:
            from livewatch.run.live import spare_from_collection  # brings python-can: a replay needs none

            self.call_after_refresh(spare_from_collection)

    def cautions_due(self) -> bool:
        """Whether the cautions come first: once for each vehicle."""
        return not self.remembered.cautions_read(self.watched.profile.name)

    def show_cautions(self) -> None:
        """Where they are due."""
        if self.cautions_due():
            self.push_screen(Cautions(self.watched.profile.name), self._cautions_answered)

    def on_app_focus(self) -> None:
        """Somebody looks at it, perhaps on another browser than before, which knows nothing of what was drawn."""
        self.refresh()

    def beat(self) -> None:
        """One update: the latest snapshot to the screen, what is due to be heard, what became of actions."""
        if not self.screen_stack:
            return  # The last beat of a program that has just ended.
        if (self._asked_to_end() or self.terminal_gone) and not self._leaving:
            self.exit()
            return
        self.snapshot = self.watched.snapshot()
        view = self.view_state()
        self._beats += 1
        # What is under another screen has everything drawn anew: seldom, or not at all where nothing of it is seen.
        covered = isinstance(self.screen, Cautions | HelpPage)
        shown = self.screen is self._main or (not covered and self._beats % COVERED == 0)
        # A slow terminal is shown less often rather than shown the past.
        if shown and self.output_waiting <= MOST_WAITING:
            self._main.show(self.snapshot, view)
        if self.snapshot is not None:
            self.sound.sound(self.snapshot.announced, self._clock())
        self.settle()

    def view_state(self) -> ViewState:
        """How the person looks, now."""
        from livewatch.dashboard.content.headline import headline  # late: brings what puts things into words

        watched, snapshot = self.watched, self.snapshot
        player = watched.player
        state = None if player is None else player.state
        here = 0 if snapshot is None else snapshot.time
        if state is not None:
            here = state.time if state.target is None else state.target
        cursor = here if self.cursor is None else self.cursor
        events = watched.events
        return ViewState(
            units=self.units,
            plain=self.plain,
            headline=headline(snapshot, self.units, self._clock(), watched.problem),
            history=watched.history,
            events=events,
            cursor=cursor if self.view == "bench" else here,
            span=watched.span,
            window=self.window,
            overlay=self.overlay,
            alarm=self.chosen_alarm,
            event=self.chosen_event,
            page=self.page,
            silenced=snapshot is not None and self.sound.silenced(snapshot.announced),
            flood=content.flooding(events, here),
            player=state,
            reading=watched.reading,
        )

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Keys that do nothing in this view are left alone; none works behind a question."""
        called = f"{action}({', '.join(repr(parameter) for parameter in parameters)})" if parameters else action
        for key in KEYS:
            if key.action == called:
                if self.screen is not self._main and not key.action.startswith("command"):
                    return False
                return works(key, self.view, self.watched.player is not None)
        return True

    def get_system_commands(self, screen: Screen[Any]) -> Iterable[SystemCommand]:
        """The command palette: everything a key does, and each theme and choice of units by name."""
        for key in KEYS:
            if key.action != "command_palette" and works(key, self.view, self.watched.player is not None):
                yield SystemCommand(
                    f"{key.hint[0].upper()}{key.hint[1:]}  ({key.shown})", key.help, self._doing(key.action)
                )
        for theme in THEMES:
            yield SystemCommand(f"Theme: {theme.name}", "Colours", self._choosing_theme(theme.name))
        for system in SYSTEMS:
            yield SystemCommand(f"Units: {system}", "Units of all numbers", self._choosing_units(system))

    def action_view(self, view: str) -> None:
        """Seat, cell or bench."""
        self.view = view
        self.chosen_event = -1
        self._main.choose(view)
        self.call_after_refresh(self.beat)

    def action_next_view(self) -> None:
        """The one after this."""
        self.action_view(VIEWS[(VIEWS.index(self.view) + 1) % len(VIEWS)])

    def action_overlay(self) -> None:
        """Over time, pulls over speed, pulls over time."""
        self.overlay = OVERLAYS[(OVERLAYS.index(self.overlay) + 1) % len(OVERLAYS)]
        self.notify(f"Traces: {self.overlay}", timeout=2)

    def action_window(self, steps: int) -> None:
        """Traces over a shorter or longer time."""
        place = WINDOWS.index(self.window) + steps
        self.window = WINDOWS[min(len(WINDOWS) - 1, max(0, place))]

    def action_more_values(self) -> None:
        """The next page of channels under the cursor."""
        self.page += 1

    def action_units(self) -> None:
        """The next choice of units."""
        self._set_units(self.units.next_system())

    def action_mixture(self) -> None:
        """Lambda or air-fuel ratio."""
        if self.units.stoichiometric is None:
            self.notify("The profile declares no fuel (engine: fuel), so lambda cannot be turned into a ratio.")
            return
        self.units = replace(self.units, air_fuel=not self.units.air_fuel)
        self.remembered.put("mixture", "air-fuel ratio" if self.units.air_fuel else "lambda")

    def action_next_theme(self) -> None:
        """Night, day, no colour."""
        names = [theme.name for theme in THEMES]
        self._set_theme(names[(names.index(self.theme) + 1) % len(names)])

    def action_plain(self) -> None:
        """Blocks and dots, or ASCII."""
        self.plain = not self.plain
        self.show_ascii_only(self.plain)
        self.units = replace(self.units, plain=self.plain)
        self.screen.refresh(layout=True)

    def action_help(self) -> None:
        """Every key."""
        self.push_screen(HelpPage(KEYS))

    def action_read(self) -> None:
        """In full."""
        from livewatch.dashboard.content.full_text import full_text  # late: hardly ever wanted

        if self.snapshot is not None:
            self.push_screen(ReadingPage(full_text(self.snapshot, self.view_state(), self.view == "bench")))

    def _set_units(self, units: ReaderUnits) -> None:
        self.units = units
        self.remembered.put("units", units.system)
        self.notify(f"Units: {units.system}", timeout=2)

    def _set_theme(self, name: str) -> None:
        self.theme = name
        self.remembered.put("theme", name)

    def _choosing_theme(self, name: str) -> Callable[[], None]:
        return lambda: self._set_theme(name)

    def _choosing_units(self, system: str) -> Callable[[], None]:
        return lambda: self._set_units(replace(self.units, system=system))

    def _doing(self, action: str) -> Callable[[], Any]:
        return lambda: self.call_later(self.run_action, action)

    def _cautions_answered(self, read: bool | None) -> None:
        if read:
            self.remembered.note_cautions(self.watched.profile.name)
        else:
            self.exit()
