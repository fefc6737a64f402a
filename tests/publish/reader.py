"""A reader of events that is no livewatch: paho-mqtt alone, and the numbers of the events.

It does what DEVELOPERS.md tells a reader to do: keep an event whose number is the next of its session, ask for those
that are missing, and ask as well when a status says that there are more.
"""

from __future__ import annotations

import json
import threading
import time

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

__all__ = ["Reader"]


class Reader:
    def __init__(self, port: int, station: str) -> None:
        self.lines: dict[str, list[bytes]] = {}
        """Lines of each session, in the order of their numbers."""
        self.received = 0
        self.statuses: list[dict] = []
        self._station = station
        self._asked: dict[str, float] = {}
        self._lock = threading.Lock()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        self._client.on_connect = self._connected
        self._client.on_message = self._message
        self._client.reconnect_delay_set(min_delay=1, max_delay=1)
        self._client.connect_async("127.0.0.1", port, keepalive=5)
        self._client.loop_start()

    def close(self) -> None:
        self._client.loop_stop()

    def next(self, session: str) -> int:
        return len(self.lines.get(session, ()))

    def ask(self, session: str) -> None:
        now = time.monotonic()
        if now - self._asked.get(session, -9.0) > 1.0:
            self._asked[session] = now
            wish = {"v": 1, "session": session, "first": self.next(session)}
            self._client.publish(f"livewatch/1/{self._station}/again", json.dumps(wish), 1)

    def _connected(self, client, *_) -> None:
        client.subscribe([(f"livewatch/1/{self._station}/{kind}", 1) for kind in ("status", "events/+")])

    def _message(self, client, userdata, message) -> None:
        kind = message.topic.split("/")[3]
        with self._lock:
            if kind == "status":
                status = json.loads(message.payload)
                self.statuses.append(status)
                there = {**status.get("earlier", {}), status["session"]: status["events"] - status["behind"]}
                for session, events in there.items():
                    if events > self.next(session):
                        self.ask(session)
                return
            self.received += 1
            session = message.topic.split("/")[4]
            number = json.loads(message.payload)["seq"]
            lines = self.lines.setdefault(session, [])
            if number == len(lines):
                lines.append(message.payload)
            elif number > len(lines):
                self.ask(session)
