"""The board's link: every station of a broker, and one of them more closely.

A broker comes in; `stations` fills by itself from the link's thread. Of the station that is looked at, its profile and
values are listened to as well.
"""

from __future__ import annotations

import asyncio
import getpass
import socket
import sys
from collections import Counter
from typing import Any

from livewatch.errors import LivewatchError
from livewatch.profile import load_profile_text
from livewatch.profile.model import Profile
from livewatch.publish.stations import Stations
from livewatch.sources.mqtt.broker import Broker
from livewatch.sources.mqtt.link import Connection, Link
from livewatch.sources.mqtt.messages import Acknowledge
from livewatch.sources.mqtt.topics import read_topic, topic

__all__ = ["BoardLink"]

ALL = ("status", "verdict", "authority")
CLOSELY = ("profile", "samples")
LARGEST_PROFILE = 2_000_000
HAND_ON = 0.0005
"""Seconds after which the screen's thread lets the link's have its turn (see `run.live`): at Python's own 5 ms the link
would get some 200 messages a second through while the board is being drawn."""


class BoardLink:
    """Args:
    broker: where the stations are.
    """

    def __init__(self, broker: Broker) -> None:
        self.broker = broker
        self.stations = Stations()
        self._link = Link(broker, self._serve)
        self._connection: Connection | None = None
        self._usual_hand_on = sys.getswitchinterval()
        self._opened = ""
        self._profile_text: bytes | None = None
        self._profile: Profile | None = None
        self.profile_problem = ""
        """Why the profile of the station looked at cannot be used; empty when it can, or has not come."""

    def start(self) -> None:
        """Begin to listen; does not wait."""
        sys.setswitchinterval(HAND_ON)
        self._link.start()

    def stop(self) -> None:
        """Listen no more."""
        self._link.stop()
        sys.setswitchinterval(self._usual_hand_on)

    @property
    def trouble(self) -> str:
        """Why nothing comes; empty when nothing is wrong."""
        refused = "; ".join(f"it does not permit {name} ({why})" for name, why in self._link.refusals.items())
        return self._link.trouble or (f"broker {self.broker}: {refused}" if refused else "")

    @property
    def counts(self) -> Counter[str]:
        """What was not believed, or left out."""
        left_out = {"messages there was no room for": self._link.left_out} if self._link.left_out else {}
        return Counter({**self.stations.counts, **left_out})

    def look_at(self, station: str) -> None:
        """Listen to `station` more closely, and to no other; to none when it is empty."""
        before, self._opened = self._opened, station
        self._profile_text = self._profile = None
        self.profile_problem = ""

        def change() -> None:
            connection = self._connection
            if connection is not None:
                self._soon(self._change(connection, before, station))

        self._link.call(change)

    def profile(self) -> Profile | None:
        """The profile of the station looked at; None while it has not come, or cannot be used."""
        text = self._profile_text
        if text is not None and self._profile is None and not self.profile_problem:
            try:
                self._profile = load_profile_text(
                    text.decode("utf-8", "replace"), f"profile of station {self._opened}", None
                )
            except LivewatchError as error:
                self.profile_problem = str(error).splitlines()[0]
        return self._profile

    def acknowledge(self, station: str, alarm: str) -> None:
        """Ask a station to acknowledge an alarm, all where `alarm` is empty; in the name of who is logged in here.

        Raises:
            LivewatchError: the station does not allow it, or there is no link.
        """
        known = self.stations.get(station)
        if known is None or known.status is None or not known.status.acknowledge:
            raise LivewatchError("this station is not to be answered from afar (--allow-acknowledge there)")
        connection = self._connection
        if connection is None:
            raise LivewatchError("there is no link to the broker now")
        wish = Acknowledge(session=known.status.session, alarm=alarm, by=f"{_user()} on {socket.gethostname()}"[:100])
        payload = wish.model_dump_json().encode()
        self._link.call(lambda: self._soon(connection.publish(topic(station, "acknowledge"), payload, 1)))

    async def _change(self, connection: Connection, before: str, after: str) -> None:
        if before:
            await connection.unsubscribe(*(topic(before, kind) for kind in CLOSELY))
        if after:
            await connection.subscribe(*(topic(after, kind) for kind in CLOSELY))

    def _soon(self, work: Any) -> None:
        task = asyncio.ensure_future(work)
        # A link that is lost meanwhile is noticed by who serves it.
        task.add_done_callback(lambda done: done.cancelled() or done.exception())

    async def _serve(self, connection: Connection) -> None:
        self._connection = connection
        try:
            await connection.subscribe(*(topic("+", kind) for kind in ALL), topic("+", "alarms", "+"), qos=0)
            await self._change(connection, "", self._opened)
            async for message in connection.messages():
                self._take(str(message.topic), message.payload, bool(message.retain))
        finally:
            self._connection = None

    def _take(self, name: str, payload: Any, retained: bool) -> None:
        found = read_topic(name)
        if found is not None and found[1] == "profile":
            if found[0] == self._opened and self._profile_text is None and 0 < len(payload) <= LARGEST_PROFILE:
                self._profile_text = bytes(payload)
            return
        self.stations.take(name, payload, retained)


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "somebody"
