"""What earlier runs of a station could not deliver, without a run: for `livewatch publish`."""

from __future__ import annotations

import asyncio
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from livewatch.data.events import utc_text
from livewatch.errors import LivewatchError, SourceError
from livewatch.publish.backlog import Backlog, sessions_in
from livewatch.publish.delivery import Delivery
from livewatch.session.folder import open_session
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
    left = _LeftOver(station, sessions, open_session(folder / sessions[-1].session).manifest.name)
    waited = left.delivery.waiting
    link = Link(broker, left.serve)
    link.start()
    began = time.monotonic()
    try:
        while left.delivery.waiting and time.monotonic() - began < patience:
            time.sleep(0.05)
        while not left.delivery.waiting and time.monotonic() - began < staying:
            time.sleep(0.05)
    finally:
        link.stop()
        for session in sessions:
            session.keep()
    if left.delivery.waiting:
        refused = "; ".join(f"it does not permit {name} ({why})" for name, why in link.refusals.items())
        why = link.trouble or refused or "the broker has not confirmed them in time"
        raise LivewatchError(f"{left.delivery.waiting} events still wait in {folder}: {why}")
    return waited


class _LeftOver:
    """What the link does for sessions that are over."""

    def __init__(self, station: str, sessions: Sequence[Backlog], car: str) -> None:
        self.delivery = Delivery(station, sessions)
        self._car = car[:200]
        self._station, self._newest = station, sessions[-1].session
        self._counts: Counter[str] = Counter()

    async def serve(self, connection: Connection) -> None:
        """Deliver, tell how much there is, and listen to who lacks some."""
        await connection.subscribe(topic(self._station, "again"))
        works = (self.delivery.run, self._tell, self._listen)
        tasks = [asyncio.create_task(work(connection)) for work in works]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        finally:
            for task in tasks:
                task.cancel()

    async def _tell(self, connection: Connection) -> None:
        while True:
            status = Status(
                session=self._newest,
                state="ended",
                car=self._car,
                sent=utc_text(time.time_ns()),
                events=self.delivery.earlier[self._newest],
                behind=self.delivery.waiting,
                earlier=self.delivery.earlier,
                livewatch=__version__,
            )
            await connection.publish(topic(self._station, "status"), status.model_dump_json().encode(), 1, True)
            await asyncio.sleep(STATUS_EVERY)

    async def _listen(self, connection: Connection) -> None:
        async for message in connection.messages():
            found = read_topic(str(message.topic))
            if found is not None and found[:2] == (self._station, "again"):
                again = read_message(Again, message.payload, self._counts)
                if again is not None:
                    self.delivery.again(again)
