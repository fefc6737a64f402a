"""What keys and the mouse do to time: a replay is moved, over a live run one looks back."""

from __future__ import annotations

from typing import TYPE_CHECKING

from livewatch.dashboard import content
from livewatch.dashboard.base_app import BaseApp
from livewatch.dashboard.screens.ask import AskChoice

if TYPE_CHECKING:
    from livewatch.dashboard.widgets.event_list import EventList
    from livewatch.dashboard.widgets.key_hints import KeyHints
    from livewatch.dashboard.widgets.pull_list import PullList
    from livewatch.dashboard.widgets.timeline import Timeline

__all__ = ["TimeActions"]

SECOND = 1_000_000_000


class TimeActions(BaseApp):
    """Mixed into the app."""

    def action_play(self) -> None:
        """Play or pause."""
        if self.watched.player is not None:
            self.chosen_event = -1
            self.do(self.watched.player.toggle())

    def action_move(self, seconds: int) -> None:
        """So many seconds on, or back."""
        self.chosen_event = -1
        if self.watched.player is not None:
            self.do(self.watched.player.move(seconds * SECOND))
        else:
            self._look_back_to(self.view_state().cursor + seconds * SECOND)

    def action_step(self, ticks: int) -> None:
        """So many ticks on, or back."""
        if self.watched.player is not None:
            self.chosen_event = -1
            self.do(self.watched.player.step(ticks))

    def action_speed(self, steps: int) -> None:
        """Faster, or slower."""
        if self.watched.player is not None:
            self.do(self.watched.player.faster(steps))

    def action_full_speed(self) -> None:
        """As fast as it goes, or back to the recorded pace."""
        player = self.watched.player
        if player is not None:
            self.do(player.set_speed(1.0 if player.state.speed is None else None))

    def action_start(self) -> None:
        """To the start."""
        self._go(self.view_state().span[0])

    def action_end(self) -> None:
        """To the end; live, back to the present."""
        self.chosen_event = -1
        if self.watched.player is not None:
            self.do(self.watched.player.seek(self.view_state().span[1]))
        else:
            self.cursor = None

    def action_jump(self, steps: int) -> None:
        """To the next alarm, or the one before."""
        self.chosen_event = -1
        view = self.view_state()
        times = sorted({round(spell.start * 1e9) for spell in content.spells(view.events)})
        here = view.cursor
        ahead = [time for time in times if time > here] if steps > 0 else [time for time in times if time < here]
        if not ahead:
            self.notify("No alarm after this." if steps > 0 else "No alarm before this.", timeout=3)
        elif self.watched.player is not None:
            self.do(self.watched.player.next_alarm(steps))
        else:
            self._look_back_to(ahead[0] if steps > 0 else ahead[-1])

    def action_mark(self, which: int) -> None:
        """Set an end of the loop."""
        if self.watched.player is not None:
            self.do(self.watched.player.mark(which))

    def action_clear_marks(self) -> None:
        """Loop no more."""
        if self.watched.player is not None:
            self.do(self.watched.player.clear_marks())

    def action_go_to_event(self) -> None:
        """To the time of the selected event."""
        view = self.view_state()
        if view.events:
            self._go(content.moment(view.events[content.selected_event(view)]), keep_event=True)

    def action_leave(self) -> None:
        """Quit; a live run is asked about, because its recording ends."""
        if self.watched.player is not None or (self.snapshot is not None and self.snapshot.ended):
            self.exit()
            return

        def answer(leave: bool | None) -> None:
            if leave:
                self.exit()

        choices = (("stop watching; the recording ends and is kept", True), ("go on", False))
        self.push_screen(AskChoice("Stop watching?", choices, insisting=True), answer)

    def on_timeline_seek(self, message: Timeline.Seek) -> None:
        """The timeline was clicked or dragged."""
        self.chosen_event = -1
        if self.watched.player is None:
            self._look_back_to(message.moment)
        elif message.settled:
            self.cursor = None
            self.do(self.watched.player.seek(message.moment))
        else:
            self.cursor = message.moment

    def on_event_list_chosen(self, message: EventList.Chosen) -> None:
        """An event was clicked."""
        self.chosen_event = message.position
        self.action_go_to_event()

    def on_pull_list_chosen(self, message: PullList.Chosen) -> None:
        """A pull was clicked."""
        self._go(message.moment)

    async def on_key_hints_pressed(self, message: KeyHints.Pressed) -> None:
        """A key in the bottom row was clicked: a tablet has no others."""
        await self.run_action(message.action)

    def _go(self, time: int, keep_event: bool = False) -> None:
        if not keep_event:
            self.chosen_event = -1
        if self.watched.player is not None:
            self.do(self.watched.player.seek(time))
        else:
            self._look_back_to(time)

    def _look_back_to(self, time: int) -> None:
        """ViewState at a time that has passed; at the newest it follows the run again."""
        start, stop = self.view_state().span
        self.cursor = None if time >= stop else max(start, time)
