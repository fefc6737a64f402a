"""Event logs to a broker: in order, some lines under way at once, confirmed when the broker has them.

The logs of a folder's sessions come in; their lines go out, earlier sessions first, and again from where a reader asks
for. A broker may have forgotten what it had confirmed: how many events each session has is told, so that readers can
ask.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Awaitable, Callable, Sequence
from functools import partial

from livewatch.publish.backlog import Backlog
from livewatch.sources.mqtt.link import Connection
from livewatch.sources.mqtt.messages import Again
from livewatch.sources.mqtt.topics import topic

__all__ = ["Delivery"]

AT_ONCE = 16
"""Lines under way: fewer than the 20 that a client keeps in flight, so that they leave in order."""
REFUSED_PAUSE = 5.0
"""Seconds before lines that the broker refused are tried again."""
LOOK_EVERY = 0.1
REWIND_EVERY = 1.0
"""Seconds between two requests for events once more that are heeded, of a session."""


class Delivery:
    """Args:
    station: as what.
    earlier: logs that nobody writes any more.
    own: that of the run that goes on; None for none.
    """

    def __init__(self, station: str, earlier: Sequence[Backlog], own: Backlog | None = None) -> None:
        self.earlier = {backlog.session: backlog.total() for backlog in earlier}
        """Sessions, and the number that the next event of each would have."""
        self._station = station
        self._logs = [*earlier, *([own] if own is not None else [])]
        self._rewound: dict[str, float] = {}

    @property
    def waiting(self) -> int:
        """Events of earlier sessions that are not confirmed."""
        return sum(max(0, self.earlier.get(log.session, 0) - log.next) for log in self._logs)

    def again(self, wanted: Again) -> None:
        """Somebody lacks events."""
        now = time.monotonic()
        for log in self._logs:
            if log.session == wanted.session and now - self._rewound.get(wanted.session, -1e9) >= REWIND_EVERY:
                self._rewound[wanted.session] = now
                log.rewind(wanted.first)

    async def run(self, connection: Connection) -> None:
        """Send what there is, and what is added, for as long as the link holds.

        Raises:
            aiomqtt.MqttError: the link is lost; what was not confirmed stays.
        """
        for log in self._logs:
            log.start_over()
        while True:
            sent = False
            for log in self._logs:
                send = partial(connection.publish, topic(self._station, "events", log.session), qos=1)
                sent = await _deliver(log, send) or sent
            if not sent:
                await asyncio.sleep(LOOK_EVERY)


async def _deliver(log: Backlog, send: Callable[[bytes], Awaitable[bool]]) -> bool:
    """Send what is in `log` now; whether there was anything."""
    turn = log.turns
    try:
        lines = await asyncio.to_thread(log.read)
    except OSError:
        return False  # The disk does not answer; the recorder says so.
    for start in range(0, len(lines), AT_ONCE):
        part = lines[start : start + AT_ONCE]
        if not all(await asyncio.gather(*(send(line) for _, line in part))):
            log.start_over()
            await asyncio.sleep(REFUSED_PAUSE)
            return True
        if turn != log.turns:
            return True  # Somebody asked for earlier ones meanwhile.
        log.confirm(part[-1][0] + 1)
    if lines:
        with contextlib.suppress(OSError):
            await asyncio.to_thread(log.keep)
    return bool(lines)
