"""`livewatch board`: every station of an MQTT broker, worst first."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING

import click
from rich.table import Table

from livewatch import SourceError, UsageError
from livewatch.commands.options import browser_options, read_duration
from livewatch.commands.page import Page

if TYPE_CHECKING:
    from livewatch.publish.board_link import BoardLink

__all__ = ["board"]

LISTEN = 5_000_000_000


@click.command()
@click.argument("broker", metavar="BROKER")
@click.option(
    "--for",
    "duration",
    metavar="TIME",
    callback=read_duration,
    help="Without a terminal: listen this long, then print.",
)
@browser_options
def board(broker: str, duration: int | None, browser: bool, host: str, port: int, token: str | None) -> None:
    """Show every station of BROKER, worst first: car, state, most urgent alarm, used authority, verdict.

    Opening a station shows its seat view live. The board is seconds late and protects no engine. User, password and
    certificates come from the environment or mqtt.yaml (see DEVELOPERS.md), never from the command line.

    \b
      livewatch board mqtts://broker.example
      livewatch board localhost --browser
    """
    from livewatch.publish.board_link import BoardLink
    from livewatch.publish.received import Broker

    where = Broker.parse(broker)
    if where.station:
        raise UsageError(
            f"board: it shows every station; to watch {where.station!r} alone: livewatch watch --from-mqtt {broker}"
        )
    if browser:
        from livewatch.dashboard.browser.server import serve_in_browser

        serve_in_browser([sys.executable, "-m", "livewatch.commands.behind_page", "board", broker], host, port, token)
        return
    link = BoardLink(where)
    if sys.stdout.isatty():
        from livewatch.dashboard import show_board

        show_board(link)
        return
    link.start()
    try:
        time.sleep((LISTEN if duration is None else duration) / 1e9)
        _print(link)
    finally:
        link.stop()


def _print(link: BoardLink) -> None:
    if link.trouble:
        raise SourceError(link.trouble)
    now = time.monotonic()
    table = Table("station", "car", "state", "most urgent alarm", "most used", "verdict")
    for station in link.stations.worst_first(now):
        alarm = next((f"{one.priority.upper()} {one.alarm.replace('_', ' ')}" for one in station.standing), "")
        used = station.most_used
        share = "" if used is None or used.used is None else f"{used.used * 100:.0f} % {used.label}"
        car = "" if station.status is None else station.status.car
        table.add_row(station.name, car, station.state(now), alarm, share, station.word)
    page = Page()
    page.print(table)
    page.print("The board is seconds late; it is no engine protection.")
