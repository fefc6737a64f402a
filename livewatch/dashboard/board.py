"""The board's program: the stations of a broker, worst first, and the seat view of the one that is opened."""

from __future__ import annotations

import time as wall
from typing import Any

from livewatch.dashboard.app import Dashboard
from livewatch.dashboard.content.station_snapshot import WatchedStation
from livewatch.dashboard.screens.board_screen import BOARD_CAUTIONS, BoardScreen
from livewatch.dashboard.screens.cautions import Cautions
from livewatch.dashboard.widgets.station_list import StationList
from livewatch.publish.board_link import BoardLink
from livewatch.publish.stations import Station

__all__ = ["Board"]

SORT_EVERY = 1.0
"""Seconds between two orders of the stations, so that rows can be read."""
DRAW_EVERY = 3
"""Beats between two drawings of the board."""


class Board(Dashboard):
    """Args:
    link: started and stopped by somebody else.
    options: as those of `Dashboard`.
    """

    def __init__(self, link: BoardLink, **options: Any) -> None:
        super().__init__(WatchedStation(link, ""), "seat", **options)
        self.link = link
        self.board = BoardScreen()
        self.chosen = ""
        self._stations: list[Station] = []
        self._facts: tuple[str, ...] = ("", "")
        self._sorted = -1e9

    def on_mount(self) -> None:
        """The board first; Textual has the dashboard's own handler, with the cautions, follow."""
        self.push_screen(self.board)

    def cautions_due(self) -> bool:
        """Once for the board."""
        return not self.remembered.cautions_read("the board")

    def show_cautions(self) -> None:
        """Those of the board as well."""
        if self.cautions_due():
            self.push_screen(Cautions("the board", BOARD_CAUTIONS[:1]), self._cautions_answered)

    def beat(self) -> None:
        """One update of the board, or of the station that is open."""
        if not self.screen_stack:
            return
        if self.screen is not self.board and self.board in self.screen_stack:
            return
        if self.screen is not self.board:
            super().beat()
            return
        self._beats += 1
        if self._beats % DRAW_EVERY or self.output_waiting > 3:
            return
        self._order()
        self.board.show(self._stations, self.chosen, self._facts, self.link.trouble, self.view_state())

    def action_choose(self, steps: int) -> None:
        """The station above or below."""
        names = [station.name for station in self._stations]
        if names:
            place = names.index(self.chosen) if self.chosen in names else 0
            self.chosen = names[min(len(names) - 1, max(0, place + steps))]

    def action_open_station(self) -> None:
        """Its seat."""
        chosen = self.chosen or (self._stations[0].name if self._stations else "")
        if not chosen:
            self.notify("There is no station to open yet.", timeout=3)
            return
        self.chosen = chosen
        self.link.look_at(chosen)
        self.watched, self.snapshot, self.chosen_alarm = WatchedStation(self.link, chosen), None, ""
        self.pop_screen()

    def on_station_list_opened(self, message: StationList.Opened) -> None:
        """A row was clicked."""
        self.chosen = message.name
        self.action_open_station()

    def action_leave(self) -> None:
        """From a station back to the board; from the board, out."""
        if self.screen is self.board:
            self.exit()
            return
        self.link.look_at("")
        self.push_screen(self.board)

    def action_view(self, view: str) -> None:
        """Only the seat is there."""
        if view != "seat":
            self.notify("From afar there is the seat; livewatch watch --from-mqtt BROKER/STATION shows all views.")

    def _cautions_answered(self, read: bool | None) -> None:
        if read:
            self.remembered.note_cautions("the board")
        else:
            self.exit()

    def _order(self) -> None:
        now = wall.monotonic()
        if now - self._sorted >= SORT_EVERY:
            self._sorted = now
            self._stations = self.link.stations.worst_first(now)
            self._facts = self._counted(now)
        else:
            known = (self.link.stations.get(station.name) for station in self._stations)
            self._stations = [station for station in known if station is not None]

    def _counted(self, now: float) -> tuple[str, ...]:
        """How many stations there are, in two wordings."""
        going = sum(station.state(now) in ("watching", "replaying") for station in self._stations)
        alarmed = sum(bool(station.standing) for station in self._stations)
        counts = self.link.counts
        odd = f", {sum(counts.values())} messages not believed or left out" if counts else ""
        count = len(self._stations)
        short = f"{count} {'station' if count == 1 else 'stations'}, {going} watching, {alarmed} with alarms"
        return f"Board of {self.link.broker}: {short}{odd}", short
