"""`livewatch publish`: what waits from earlier runs, and the form of the messages."""

from __future__ import annotations

import json
from pathlib import Path

import click

from livewatch import UsageError
from livewatch.commands.options import read_duration
from livewatch.commands.page import say

__all__ = ["publish"]

PATIENCE = 60.0


@click.command()
@click.argument("folder", required=False, type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--to", "broker", metavar="BROKER/STATION", help="The broker and station they were to be published to.")
@click.option(
    "--for", "duration", metavar="TIME", callback=read_duration, help="Stay this long for readers that lack events."
)
@click.option("--schema", is_flag=True, help="Print the topics and messages as JSON Schema, and end.")
def publish(folder: Path | None, broker: str | None, duration: int | None, schema: bool) -> None:
    """Deliver the events of earlier runs that wait below FOLDER, or print the form of every message.

    A run is published with `livewatch watch --publish` or `replay --publish`.

    \b
      livewatch publish sessions --to mqtts://broker.example/car_7
      livewatch publish --schema
    """
    if schema:
        from livewatch.publish.schema import message_schema

        say(json.dumps(message_schema(), indent=2))
        return
    if folder is None or broker is None:
        raise UsageError("publish: expected FOLDER and --to BROKER/STATION, or --schema")
    from livewatch.publish.leftovers import deliver_left_over
    from livewatch.publish.received import Broker

    where = Broker.parse(broker)
    stay = 0.0 if duration is None else duration / 1e9
    count = deliver_left_over(folder, where, max(PATIENCE, stay), stay)
    say(f"{count} events delivered." if count else "Nothing waited.")
