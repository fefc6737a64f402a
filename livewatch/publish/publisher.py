"""A run to a broker: how the station is, its alarms and events, the verdict, channels, and raw rows where asked for.

The recorder tells what it records; somebody asks the run for looks at it; the link's own thread sends. Promised:

- Nobody waits for it: what is told is put where the link's thread finds it, in bounded memory.
- Events are delivered from the disk, in order, until the broker has confirmed each; those of earlier runs of this
  station first. A reader that looks at session and number has each once.
- How an alarm stands goes out from memory at once, and stays at the broker. Values and rows give way when the link is
  slow, and that is counted.
"""

from __future__ import annotations

import asyncio
import contextlib
import time as wall
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from functools import partial
from typing import Any

from livewatch.data.actions import Action, ActionKind
from livewatch.data.events import AlarmChanged, Event, utc_text
from livewatch.data.outside import printable
from livewatch.data.samples import Rows
from livewatch.errors import LivewatchError
from livewatch.publish.alarms_out import AlarmsOut
from livewatch.publish.backlog import Backlog, sessions_in
from livewatch.publish.delivery import Delivery
from livewatch.publish.look import Look, Looker
from livewatch.publish.rows_out import RowsOut
from livewatch.publish.settings import PublishSettings
from livewatch.run.run import Run
from livewatch.session.recorder import Recorder
from livewatch.sources.mqtt.link import Connection, Link, Will
from livewatch.sources.mqtt.messages import Acknowledge, Again, Message, Status, read_message
from livewatch.sources.mqtt.topics import read_topic, topic
from livewatch.version import __version__

__all__ = ["Ask", "Publisher"]

Ask = Callable[[Callable[[], Any]], "Future[Any]"]
"""Has something done by the thread that the run belongs to."""

STATUS_EVERY = 2.0
LOOK_EVERY = 1.0
JUDGE_EVERY = 3.0
"""Seconds between two messages of status, values, verdict and authority."""
ROWS_EVERY = 0.2
ACKNOWLEDGE_EVERY = 0.2
LAST_WORDS = 3.0
"""Seconds that the end of a run waits for the link to take what is left."""


class Publisher:
    """Args:
    settings: where, and what.
    recorder: of the run; its folder keeps what waits.
    run_of: the run, as it stands when it is asked for.
    ask: has something done by the thread it belongs to, while it goes on.
    apply: carries out what a person did.
    replaying: whether this is a recording played again.
    """

    def __init__(
        self,
        settings: PublishSettings,
        recorder: Recorder,
        run_of: Callable[[], Run],
        ask: Ask,
        apply: Callable[[Action], Future[list[Event]]],
        replaying: bool = False,
    ) -> None:
        self.settings = settings
        self.counts: Counter[str] = Counter()
        self._recorder, self._run_of, self._ask, self._apply = recorder, run_of, ask, apply
        profile = self._profile = run_of().profile
        self._last: Look | None = None
        self._state = "replaying" if replaying else "watching"
        folder = recorder.folder.path
        self._session, self._parent = folder.name, folder.parent
        self._since = recorder.folder.manifest.started
        self._own = Backlog(folder, settings.to)
        with contextlib.suppress(OSError):  # the recorder says that the disk is in trouble
            self._own.keep()
        self._delivery = Delivery(settings.station, sessions_in(folder.parent, settings.to, folder.name), self._own)
        self._alarms = AlarmsOut(self._session)
        self._rows = RowsOut(tuple(channel.name for channel in profile.channels)) if settings.rows else None
        self._looker = Looker(self._session, settings.channels, settings.every)
        self._time, self._judged = 0.0, -1e9
        self._acknowledged = 0.0
        self._woken = asyncio.Event()
        self._ending = asyncio.Event()
        lost = self._status("lost")
        will = Will(self._topic("status"), lost)
        self.link = Link(settings.broker, self._serve, will)

    def start(self) -> None:
        """Begin; does not wait."""
        self._recorder.followers.append(self)
        self.link.start()

    def close(self) -> str:
        """The run has ended and its log is closed: send what is left, as far as the link takes it in LAST_WORDS, and
        end. Returns what a person has to know of it; empty when all was delivered."""
        self._state = "ended"
        try:
            self._last = self._looker.look(self._run_of(), True)
        except Exception:  # the end of a run that failed must not fail because of a last look at it
            self.counts["looks at the run that failed"] += 1
        self.link.call(self._ending.set)
        self.link.call(self._woken.set)
        end = wall.monotonic() + LAST_WORDS
        while self.link.running and wall.monotonic() < end:
            wall.sleep(0.02)
        self.link.stop()
        with contextlib.suppress(OSError):
            self._own.keep()
        waiting = self._behind()
        if waiting <= 0:
            return ""
        why = f" ({self.trouble})" if self.trouble else ""
        return (
            f"{waiting} events wait to be published{why}; the next run of this station sends them, or "
            f"`livewatch publish {self._parent} --to {self.settings.to}`."
        )

    @property
    def trouble(self) -> str:
        """Why what is published does not arrive; empty when it does. Nothing secret is in it."""
        if self.link.trouble:
            return self.link.trouble
        for name, reason in self.link.refusals.items():
            return (
                f"broker {self.settings.broker}: it does not permit the topic {printable(name)} ({printable(reason)})"
            )
        return ""

    def rows(self, batch: Rows) -> None:
        """Told by the recorder."""
        if self._rows is not None:
            self._rows.add(batch)

    def events(self, events: Sequence[Event]) -> None:
        """Told by the recorder."""
        changed = [event for event in events if isinstance(event, AlarmChanged)]
        self._alarms.note(changed)
        if changed:
            self.link.call(self._woken.set)

    # What follows runs in the link's thread.

    async def _serve(self, connection: Connection) -> None:
        """One connection, until it is lost or the run has ended and all is sent."""
        await connection.publish(self._topic("status"), self._status(self._state), 1, True)
        await connection.publish(self._topic("profile"), self._profile.text.encode(), 1, True)
        await connection.subscribe(self._topic("alarms", "+"), self._topic("again"))
        if self.settings.acknowledge:
            await connection.subscribe(self._topic("acknowledge"))
        self._alarms.all_again()
        works = (
            self._send_status, self._send_alarms, self._delivery.run, self._send_looks, self._send_rows, self._listen,
        )  # fmt: skip
        tasks: list[asyncio.Task[Any]] = [asyncio.create_task(work(connection)) for work in works]
        try:
            ended = asyncio.create_task(self._ending.wait())
            tasks.append(ended)
            while not ended.done():
                done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
                for task in done:
                    task.result()
            await self._finish(connection)
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _finish(self, connection: Connection) -> None:
        """What is left, in order, then the last status."""
        for name, payload in self._alarms.take():
            await connection.publish(self._topic("alarms", name), payload, 1, True)
        if self._last is not None:
            await self._send_look(connection, self._last)
        while self._rows is not None and (rows := self._rows.take()) is not None:
            await connection.publish(self._topic("rows", self._session), rows)
        while self._behind() > 0:
            await asyncio.sleep(0.02)
        await connection.publish(self._topic("status"), self._status("ended"), 1, True)

    async def _send_status(self, connection: Connection) -> None:
        await asyncio.sleep(STATUS_EVERY)
        # What the broker kept of earlier runs has come by now; our own words need not come back.
        await connection.unsubscribe(self._topic("alarms", "+"))
        while True:
            await connection.publish(self._topic("status"), self._status(self._state), 1, True)
            await asyncio.sleep(STATUS_EVERY)

    async def _send_alarms(self, connection: Connection) -> None:
        while True:
            for name, payload in self._alarms.take():
                await connection.publish(self._topic("alarms", name), payload, 1, True)
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._woken.wait(), 0.5)
            self._woken.clear()

    async def _send_looks(self, connection: Connection) -> None:
        while True:
            began = wall.monotonic()
            judged = began - self._judged >= JUDGE_EVERY
            try:
                look: Look = await asyncio.wrap_future(self._ask(partial(self._look, judged)))
            except LivewatchError:
                await asyncio.sleep(float("inf"))  # The run has ended.
                return
            if judged:
                self._judged = began
            await self._send_look(connection, look)
            await asyncio.sleep(max(0.05, LOOK_EVERY - (wall.monotonic() - began)))

    def _look(self, judged: bool) -> Look:
        """By the run's thread."""
        return self._looker.look(self._run_of(), judged)

    async def _send_look(self, connection: Connection, look: Look) -> None:
        self._time = look.time
        if look.left_out:
            self.counts["values not published"] += look.left_out
        if look.samples is not None:
            await connection.publish(self._topic("samples"), _json(look.samples))
        if look.signature is not None:
            verdict, authority = await asyncio.to_thread(self._looker.judge, look.signature)
            await connection.publish(self._topic("verdict"), _json(verdict), 0, True)
            await connection.publish(self._topic("authority"), _json(authority), 0, True)

    async def _send_rows(self, connection: Connection) -> None:
        if self._rows is None:
            await asyncio.sleep(float("inf"))
            return
        while True:
            payload = self._rows.take()
            if payload is None:
                await asyncio.sleep(ROWS_EVERY)
            else:
                await connection.publish(self._topic("rows", self._session), payload)

    async def _listen(self, connection: Connection) -> None:
        async for message in connection.messages():
            found = read_topic(str(message.topic))
            if found is None or found[0] != self.settings.station:
                continue
            _, kind, name = found
            if kind == "alarms":
                if message.payload and self._alarms.is_old(name):
                    # Left there by an earlier run.
                    await connection.publish(str(message.topic), b"", 1, True)
            elif kind == "again":
                if (again := read_message(Again, message.payload, self.counts)) is not None:
                    self._delivery.again(again)
            elif kind == "acknowledge" and self.settings.acknowledge and not message.retain:
                await self._acknowledge(read_message(Acknowledge, message.payload, self.counts))

    async def _acknowledge(self, wanted: Acknowledge | None) -> None:
        """Answer an alarm for somebody elsewhere; who that was, as far as they say, is in the log before it."""
        now = wall.monotonic()
        if wanted is None or wanted.session != self._session or now - self._acknowledged < ACKNOWLEDGE_EVERY:
            self.counts["acknowledgements from afar that were not heeded"] += 1
            return
        self._acknowledged = now
        who, what = printable(wanted.by), printable(wanted.alarm).replace("_", " ") or "all alarms"
        kind: ActionKind = "acknowledge" if wanted.alarm else "acknowledge_all"
        try:
            await asyncio.wrap_future(self._apply(Action("note", text=f"acknowledged from afar by {who}: {what}")))
            await asyncio.wrap_future(self._apply(Action(kind, wanted.alarm)))
        except LivewatchError:
            self.counts["acknowledgements from afar that were not heeded"] += 1

    def _behind(self) -> int:
        return self._recorder.kept_events - self._own.next

    def _status(self, state: Any) -> bytes:
        rows = self._rows
        left_out = dict(self.counts) | ({"rows": rows.left_out} if rows is not None and rows.left_out else {})
        trouble = self._recorder.trouble
        status = Status(
            session=self._session,
            state=state,
            car=self._profile.name[:200],
            sent=utc_text(wall.time_ns()),
            since=self._since,
            time=self._time,
            events=self._recorder.kept_events,
            behind=max(0, self._behind()),
            earlier=self._delivery.earlier,
            rows=None if rows is None else rows.number,
            left_out=left_out,
            troubles=[trouble] if trouble else [],
            acknowledge=self.settings.acknowledge,
            livewatch=__version__,
        )
        return _json(status)

    def _topic(self, kind: str, name: str = "") -> str:
        return topic(self.settings.station, kind, name)


def _json(message: Message) -> bytes:
    return message.model_dump_json(exclude_none=False).encode()
