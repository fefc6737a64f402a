"""What keys do to alarms, and what a person writes down: the part of the app that speaks to the run."""

from __future__ import annotations

from typing import TYPE_CHECKING

from livewatch.dashboard import content
from livewatch.dashboard.base_app import BaseApp
from livewatch.dashboard.screens.ask import AskChoice, AskText
from livewatch.data.actions import Action
from livewatch.data.alarm_states import State
from livewatch.data.channels import in_words
from livewatch.wording.events import clock_text

if TYPE_CHECKING:
    from livewatch.alarms import AlarmState
    from livewatch.dashboard.widgets.alarm_list import AlarmList

__all__ = ["SHELF_TIMES", "AlarmActions"]

MINUTE = 60_000_000_000
SHELF_TIMES = (
    ("5 minutes", 5 * MINUTE),
    ("15 minutes", 15 * MINUTE),
    ("1 hour", 60 * MINUTE),
    ("8 hours", 480 * MINUTE),
)


class AlarmActions(BaseApp):
    """Mixed into the app."""

    def action_acknowledge(self) -> None:
        """The selected alarm."""
        alarm = self._alarm()
        if alarm is not None:
            self.act(Action("acknowledge", alarm.name), f"Acknowledged: {in_words(alarm.name)}")

    def action_acknowledge_all(self) -> None:
        """Every alarm."""
        self.act(Action("acknowledge_all"), "All alarms acknowledged")

    def action_silence(self) -> None:
        """Hush the sounds."""
        if self.snapshot is not None:
            self.sound.silence(self.snapshot.announced)
            self.notify("Silenced until the next alarm", timeout=3)

    def action_shelve(self) -> None:
        """Ask for how long."""
        alarm = self._alarm()
        if alarm is None:
            return
        name = alarm.name

        def shelve(duration: int | None) -> None:
            if duration is not None:
                words = next(words for words, length in SHELF_TIMES if length == duration)
                self.act(Action("shelve", name, duration), f"Shelved for {words}: {in_words(name)}")

        self.push_screen(AskChoice(f"Shelve “{in_words(name)}” for how long?", SHELF_TIMES), shelve)

    def action_out_of_service(self) -> None:
        """Ask for the reason."""
        alarm = self._alarm()
        if alarm is None:
            return
        name = alarm.name

        def remove(reason: str | None) -> None:
            if reason:
                self.act(Action("remove_from_service", name, text=reason), f"Out of service: {in_words(name)}")

        self.push_screen(AskText(f"Why is “{in_words(name)}” taken out of service?"), remove)

    def action_bring_back(self) -> None:
        """From the shelf, or into service."""
        alarm = self._alarm()
        if alarm is None:
            return
        if alarm.state is State.SHELVED:
            self.act(Action("unshelve", alarm.name), f"Back from the shelf: {in_words(alarm.name)}")
        elif alarm.state is State.OUT_OF_SERVICE:
            self.act(Action("return_to_service", alarm.name), f"Back in service: {in_words(alarm.name)}")
        else:
            self.notify(f"{in_words(alarm.name)} is neither shelved nor out of service.")

    def action_select(self, steps: int) -> None:
        """The alarm, or on the bench the event, above or below."""
        if self.view == "bench":
            view = self.view_state()
            if view.events:
                self.chosen_event = min(len(view.events) - 1, max(0, content.selected_event(view) + steps))
            return
        if self.snapshot is None:
            return
        names = [alarm.name for alarm in (*self.snapshot.announced, *self.snapshot.hidden)]
        if names:
            place = names.index(content.selected_alarm(self.snapshot, self.chosen_alarm)) + steps
            self.chosen_alarm = names[min(len(names) - 1, max(0, place))]

    def on_alarm_list_selected(self, message: AlarmList.Selected) -> None:
        """An alarm was clicked."""
        self.chosen_alarm = message.name

    def action_marker(self) -> None:
        """At this moment."""
        at = self._moment()
        self.act(Action("marker", text="marker", at=at), f"Marker at {self._when(at)}")

    def action_note(self) -> None:
        """Ask for the text; it is pinned to the moment the key was pressed at."""
        at = self._moment()
        if at is None and self.snapshot is not None:
            at = self.snapshot.time

        def write(text: str | None) -> None:
            if text:
                self.act(Action("note", text=text, at=at), f"Noted at {self._when(at)}")

        self.push_screen(AskText(f"Note at {self._when(at)}"), write)

    def _alarm(self) -> AlarmState | None:
        """The alarm a key acts on; says so when there is none."""
        if self.snapshot is not None:
            chosen = content.selected_alarm(self.snapshot, self.chosen_alarm)
            for alarm in self.snapshot.alarms:
                if alarm.name == chosen:
                    return alarm
        self.notify("There is no alarm to do that to.", timeout=3)
        return None

    def _moment(self) -> int | None:
        """Where on the bench the person looks, ns; None for now."""
        return self.cursor if self.view == "bench" else None

    def _when(self, at: int | None) -> str:
        now = 0 if self.snapshot is None else self.snapshot.time
        return clock_text((now if at is None else at) / 1e9)
