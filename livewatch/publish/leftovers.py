"""What earlier runs of a station could not deliver, without a run: for `livewatch publish`."""

from __future__ import annotations

import asyncio
import time
from collections import Counter
from pathlib import Path

from livewatch.data.events import utc_text
from livewatch.errors import LivewatchError, SourceError
from livewatch.publish.backlog import sessions_in
from livewatch.publish.delivery import Delivery
from livewatch.sources.mqtt.broker import Broker
from livewatch.sources.mqtt.link import Connection, Link
from livewatch.sources.mqtt.messages import Again, Status, read_message
from livewatch.sources.mqtt.topics import read_topic, station_name, topic
from livewatch.version import __version__

__all__ = ["deliver_left_over"]

STATUS_EVERY = 2.0


def deliver_left_over(folder: Path, broker: Broker, patience: float, staying: float) -> int:
    """Deliver what waits in the session folders below `folder`, and stay for readers that ask for events again.

    Args:
        patience: seconds that the delivery may take.
        staying: seconds to stay in all, at the least.

    Returns:
        how many events waited.

    Raises:
        SourceError: there are no such sessions.
        LivewatchError: the broker did not take them in time.
    """
    station = station_name(broker.station)
    sessions = sessions_in(folder, f"{broker}/{station}")
    if not sessions:
        raise SourceError(f"{folder}: no session in it was published to {broker}/{station}, by that address and name")
    delivery = Delivery(station, sessions)
    waited, counts = delivery.waiting, Counter[str]()
    newest = sessions[-1].session

    async def serve(connection: Connection) -> None:
        await connection.subscribe(topic(station, "again"))
        sending = asyncio.create_task(delivery.run(connection))
        telling = asyncio.create_task(tell(connection))
        listening = asyncio.create_task(listen(connection))
        try:
            done, _ = await asyncio.wait((sending, telling, listening), return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        finally:
            for task in (sending, telling, listening):
                task.cancel()

    async def tell(connection: Connection) -> None:
        while True:
            status = Status(
                session=newest,
                state="ended",
                car=newest,
                sent=utc_text(time.time_ns()),
                events=delivery.earlier[newest],
                behind=delivery.waiting,
                earlier=delivery.earlier,
                livewatch=__version__,
            )
            await connection.publish(topic(station, "status"), status.model_dump_json().encode(), 1, True)
            await asyncio.sleep(STATUS_EVERY)

    async def listen(connection: Connection) -> None:
        async for message in connection.messages():
            found = read_topic(str(message.topic))
            if found is not None and found[:2] == (station, "again"):
                again = read_message(Again, message.payload, counts)
                if again is not None:
                    delivery.again(again)

    link = Link(broker, serve)
    link.start()
    began = time.monotonic()
    try:
        while delivery.waiting and time.monotonic() - began < patience:
            time.sleep(0.05)
        while not delivery.waiting and time.monotonic() - began < staying:
            time.sleep(0.05)
    finally:
        link.stop()
        for session in sessions:
            session.keep()
    if delivery.waiting:
        refused = "; ".join(f"it does not permit {name} ({why})" for name, why in link.refusals.items())
        why = link.trouble or refused or "the broker has not confirmed them in time"
        raise LivewatchError(f"{delivery.waiting} events still wait in {folder}: {why}")
    return waited
