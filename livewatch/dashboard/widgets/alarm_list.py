"""The alarms a person must know of, most urgent first: shape, priority, what, since when, answered or not."""

from __future__ import annotations

from textual import events
from textual.message import Message

from livewatch.alarms import AlarmState, State
from livewatch.dashboard.drawing.sheet import Sheet
from livewatch.dashboard.headline import alarm_facts, state_word
from livewatch.dashboard.look import Look
from livewatch.dashboard.naming import alarm_label
from livewatch.dashboard.picture import Picture
from livewatch.dashboard.widgets.drawn import Drawn
from livewatch.dashboard.widgets.heading import MARGIN
from livewatch.event_text import MARKS, clock_text

__all__ = ["AlarmList"]


class AlarmList(Drawn):
    """One row an alarm. The selected one is marked; what a key does is done to it."""

    class Selected(Message):
        """A row was clicked."""

        def __init__(self, name: str) -> None:
            super().__init__()
            self.name = name

    def draw(self, sheet: Sheet, look: Look) -> None:
        picture = self.picture
        if picture is None:
            return
        rows = rows_of(picture, look, sheet.height)
        hidden = len(picture.hidden)
        left = len(picture.announced) + hidden - len(rows)
        states = [_standing(alarm, picture) for alarm in rows]
        column = max((len(state) for state in states), default=0)
        top = self._top(len(rows))
        for place, alarm in enumerate(rows):
            end = sheet.width - 1
            if left > 0 and place == len(rows) - 1:
                end = sheet.write_right(end, top + place, f"+{left} more", "quiet") - 2
            self._row(sheet, look, picture, alarm, top + place, (states[place], column, end))

    def _row(
        self, sheet: Sheet, look: Look, picture: Picture, alarm: AlarmState, y: int, standing: tuple[str, int, int]
    ) -> None:
        hidden = alarm in picture.hidden
        selected = alarm.name == selected_alarm(picture, look)
        ink = "quiet" if hidden else alarm.priority
        sheet.write(1, y, "" if hidden else MARKS[alarm.priority], ink)
        x = MARGIN
        if sheet.width >= 100:
            word = alarm.priority if alarm.acknowledged else alarm.priority.upper()
            sheet.write(x + 1, y, "" if hidden else word, ink if alarm.acknowledged or hidden else f"{ink}-fill")
            x += 11
        since = clock_text((alarm.raised_at if alarm.raised_at is not None else alarm.since) / 1e9).partition(".")[0]
        state, column, end = standing
        state_ink = "ink" if not alarm.acknowledged else "quiet"
        if sheet.width >= 100:
            stop = end - column - 2
            sheet.write(end - column, y, state, state_ink, column)
        else:
            stop = sheet.write_right(end, y, state, state_ink, end // 2) - 2
        stop = sheet.write_right(stop, y, since, "quiet") - 2
        name = alarm_label(alarm.name) + (", first out" if alarm.first_out else "")
        x = sheet.write(x, y, name, "loud" if not alarm.acknowledged else "ink", stop - x)
        extra = alarm.reason if hidden else alarm_facts(alarm, picture, look.units)
        if extra and x + 2 + len(extra) <= stop:
            sheet.write(x + 2, y, extra, "quiet", stop - x - 2)
        if selected and len(picture.announced) + len(picture.hidden) > 1:
            sheet.write(0, y, ">" if sheet.plain else "▸", "loud")

    def on_click(self, event: events.Click) -> None:
        """Select the alarm in the row."""
        if self.picture is None or self.look is None:
            return
        rows = rows_of(self.picture, self.look, self.size.height)
        place = event.y - self._top(len(rows))
        if 0 <= place < len(rows):
            self.post_message(self.Selected(rows[place].name))

    def _top(self, rows: int) -> int:
        """The first row used: a blank stands above where there is room for one."""
        return 1 if rows < self.size.height else 0


def _standing(alarm: AlarmState, picture: Picture) -> str:
    state = state_word(alarm)
    if alarm.state is State.SHELVED and alarm.shelved_until is not None:
        left = max(0.0, (alarm.shelved_until - picture.time) / 1e9)
        state = f"shelved, {clock_text(left).partition('.')[0]} left"
    return f"{state}, cannot be judged" if alarm.cannot_judge else state


def selected_alarm(picture: Picture, look: Look) -> str:
    """The alarm that a key acts on: the one chosen, else the most urgent; empty when there is none."""
    names = [alarm.name for alarm in (*picture.announced, *picture.hidden)]
    if look.alarm in names:
        return look.alarm
    return names[0] if names else ""


def rows_of(picture: Picture, look: Look, height: int) -> list[AlarmState]:
    """The alarms shown in so many rows: announced before hidden, and the selected one always among them."""
    alarms = [*picture.announced, *picture.hidden]
    rows = alarms[:height]
    chosen = selected_alarm(picture, look)
    if rows and chosen not in [alarm.name for alarm in rows]:
        rows[-1] = next(alarm for alarm in alarms if alarm.name == chosen)
    return rows
