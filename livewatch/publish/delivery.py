"""Lines of an event log to a broker: in order, some under way at once, confirmed when the broker has them.

Used for the run that goes on, for those that an earlier one left over, and by `livewatch publish`.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable

from livewatch.publish.backlog import Backlog

__all__ = ["deliver"]

AT_ONCE = 16
"""Lines under way: fewer than the 20 that a client keeps in flight, so that they leave in order."""
REFUSED_PAUSE = 5.0
"""Seconds before lines that the broker refused are tried again."""


async def deliver(backlog: Backlog, send: Callable[[bytes], Awaitable[bool]]) -> bool:
    """Send what is in `backlog` now; whether there was anything.

    Raises:
        aiomqtt.MqttError: the link is lost; what was not confirmed stays.
    """
    turn = backlog.turns
    try:
        lines = await asyncio.to_thread(backlog.read)
    except OSError:
        return False  # The disk does not answer; the recorder says so.
    for start in range(0, len(lines), AT_ONCE):
        part = lines[start : start + AT_ONCE]
        if not all(await asyncio.gather(*(send(line) for _, line in part))):
            backlog.start_over()
            await asyncio.sleep(REFUSED_PAUSE)
            return True
        if turn != backlog.turns:
            return True  # Somebody asked for earlier ones meanwhile.
        backlog.confirm(part[-1][0] + 1)
    if lines:
        with contextlib.suppress(OSError):
            await asyncio.to_thread(backlog.keep)
    return bool(lines)
