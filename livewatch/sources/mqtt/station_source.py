"""The rows of a station elsewhere, as its broker hands them on: to be watched as if they were received here.

A broker with a station comes in; batches of rows come out, in the order the station recorded them, whatever order their
messages arrive in. Data time goes on by the station's rows alone, silence included, so that what is found here is what
is found there. A message that is missing is waited for a little, then counted, in the place where it is missing.
"""

from __future__ import annotations

import threading
import time
from collections import Counter, deque

from livewatch.data.frames import FrameBatch
from livewatch.data.samples import Rows
from livewatch.errors import SourceError
from livewatch.profile import load_profile_text
from livewatch.profile.model import Profile
from livewatch.sources.live.status import SILENT_AFTER, BusState, BusStatus
from livewatch.sources.live.turn import Turn
from livewatch.sources.mqtt.broker import Broker
from livewatch.sources.mqtt.link import Connection, Link
from livewatch.sources.mqtt.messages import Status, read_message
from livewatch.sources.mqtt.rows_message import unpack_rows
from livewatch.sources.mqtt.topics import read_topic, station_name, topic

__all__ = ["StationSource"]

PATIENCE = 10.0
"""Seconds that a station's profile is waited for."""
GAP_WAIT = 2.0
"""Seconds that a missing message is waited for."""
MOST_EARLY = 100
"""Messages kept meanwhile."""
MOST_ROWS = 500_000
LARGEST_PROFILE = 2_000_000
LOST = "messages of rows that did not arrive"
LATE = "messages of rows sent before this watch began"
MALFORMED = "messages of rows that make no sense"
FELL_BEHIND = "rows lost because livewatch fell behind"


class StationSource:
    """Args:
    broker: with the station in it.

    Raises:
        UsageError: it names no station.
    """

    def __init__(self, broker: Broker) -> None:
        self.station = station_name(broker.station)
        self.turn = Turn()
        self.counts_of_messages: Counter[str] = Counter()
        self._link = Link(broker, self._serve)
        self._lock = threading.Lock()
        self._said = threading.Event()
        self._profile_text = ""
        self._index: dict[str, int] | None = None
        self._session = ""
        self._status: Status | None = None
        self._expected: int | None = None
        self._early: dict[int, Rows] = {}
        self._gap_since = 0.0
        self._ready: deque[Rows] = deque()
        self._rows = self._frames = self._waiting = 0
        self._rate, self._rate_since, self._rate_rows = 0.0, time.monotonic(), 0
        self._heard: float | None = None
        self._newest = 0

    def profile(self) -> Profile:
        """The station's own profile, waited for.

        Raises:
            SourceError: it does not come.
            MistakesError: what comes is no profile.
        """
        self._link.start()
        end = time.monotonic() + PATIENCE
        while not self._said.wait(0.05):
            if time.monotonic() > end or self._link.refusals:
                why = self._link.trouble or "; ".join(f"{a}: {b}" for a, b in self._link.refusals.items())
                self._link.stop()
                raise SourceError(
                    why
                    or f"broker {self._link.broker}: nothing is heard of a station {self.station!r}; is it called "
                    "that, and watched with --publish and --publish-frames?"
                )
        return load_profile_text(self._profile_text, f"profile of station {self.station}", None)

    def expect(self, profile: Profile) -> None:
        """Rows are those of `profile` from now on; none is given out before."""
        self._index = profile.index

    def open(self) -> None:
        """Begin to listen; goes on when it began already."""
        if not self._link.running:
            self._link.start()

    def close(self) -> None:
        """Listen no more; what was received is still given out."""
        self._link.stop()

    def collect(self) -> Rows:
        """What came since the last call, perhaps nothing: frames, or samples."""
        with self._lock:
            self._pass_gap()
            if not self._ready:
                return FrameBatch.empty()
            parts = [self._ready.popleft()]
            while isinstance(parts[0], FrameBatch) and self._ready and isinstance(self._ready[0], FrameBatch):
                parts.append(self._ready.popleft())
            self._waiting -= sum(map(len, parts))
        rows = parts[0] if len(parts) == 1 else FrameBatch.concatenate([p for p in parts if isinstance(p, FrameBatch)])
        self._newest = int(rows.time[-1])
        return rows

    def emptied(self) -> float:
        """Never: only the station knows when its buses were silent, and its rows say so."""
        return 0.0

    @property
    def finished(self) -> bool:
        """Whether the station's run has ended and all its rows were given out."""
        status = self._status
        if status is None or status.session != self._session or status.state != "ended" or self._ready:
            return False
        return status.rows is None or self._expected is None or self._expected >= status.rows

    @property
    def counts(self) -> dict[str, int]:
        """What went wrong so far, by plain-worded kind."""
        with self._lock:
            return {kind: count for kind, count in self.counts_of_messages.items() if count}

    def status(self) -> list[BusStatus]:
        """How the station is doing, as if it were a bus."""
        now = time.monotonic()
        if now - self._rate_since >= 1.0:
            self._rate = (self._frames - self._rate_rows) / (now - self._rate_since)
            self._rate_since, self._rate_rows = now, self._frames
        age = None if self._heard is None else now - self._heard
        state: BusState = "open" if age is not None and age <= SILENT_AFTER else "silent"
        trouble, said = self._link.trouble, self._status
        if self.finished:
            trouble = "its run has ended"
        elif trouble or (said is not None and said.state == "lost"):
            state = "lost"
            trouble = trouble or "the station has lost its own link to the broker"
        return [
            BusStatus(
                name=self.station,
                adapter=str(self._link.broker),
                state=state,
                trouble=trouble,
                frames=self._frames,
                rate=self._rate,
                load=None,
                error_frames=0,
                unreadable=self.counts_of_messages[MALFORMED],
                dropped=self.counts_of_messages[LOST],
                losses=max(0, self._link.connections - 1),
                age=age,
                silent_on_wire=None,
                clock_off=(time.time_ns() - self._newest) / 1e9 if self._newest else None,
            )
        ]

    async def _serve(self, connection: Connection) -> None:
        station = self.station
        await connection.subscribe(topic(station, "profile"), topic(station, "status"), topic(station, "rows", "+"))
        async for message in connection.messages():
            found = read_topic(str(message.topic))
            if found is None or found[0] != station:
                continue
            _, kind, name = found
            if kind == "rows":
                self._take(name, message.payload)
            elif kind == "status":
                status = read_message(Status, message.payload, self.counts_of_messages)
                if status is not None and (not self._session or status.session in ("", self._session)):
                    self._status = status
            elif kind == "profile" and not self._profile_text and len(message.payload) <= LARGEST_PROFILE:
                self._profile_text = bytes(message.payload).decode("utf-8", "replace")
                self._said.set()

    def _take(self, session: str, payload: bytes) -> None:
        if self._index is None or (self._session and session != self._session):
            return
        try:
            number, rows = unpack_rows(payload, self._index)
        except ValueError:
            self.counts_of_messages[MALFORMED] += 1
            return
        with self._lock:
            self._session, self._heard = session, time.monotonic()
            if self._expected is None:
                self._expected = number
                if number:
                    self.counts_of_messages[LATE] += number
            if number < self._expected or number in self._early or len(self._early) >= MOST_EARLY:
                return
            self._early[number] = rows
            self._advance()
            self._gap_since = time.monotonic() if self._early and not self._gap_since else self._gap_since

    def _advance(self) -> None:
        """Give out what comes next."""
        assert self._expected is not None
        while (rows := self._early.pop(self._expected, None)) is not None:
            self._expected += 1
            self._gap_since = 0.0
            if self._waiting + len(rows) > MOST_ROWS:
                self.counts_of_messages[FELL_BEHIND] += len(rows)
                continue
            self._ready.append(rows)
            self._waiting += len(rows)
            self._frames += len(rows) if isinstance(rows, FrameBatch) else 0

    def _pass_gap(self) -> None:
        """Do without messages that were waited for long enough."""
        if self._early and self._gap_since and time.monotonic() - self._gap_since > GAP_WAIT:
            following = min(self._early)
            self.counts_of_messages[LOST] += following - (self._expected or 0)
            self._expected = following
            self._advance()
            self._gap_since = time.monotonic() if self._early else 0.0
