"""The process whose screen is sent to a browser: started, written to, listened to, ended.

It speaks as every Textual program does under the driver for browsers: packets of a letter, four bytes of length and a
payload, D for what is drawn or typed, M for notes as JSON. Notes that would have the browser open an address or fetch a
file are let go: nothing but the screen leaves the process.
"""

from __future__ import annotations

import asyncio
import json
import os
from collections.abc import Awaitable, Callable, Sequence
from typing import Any

__all__ = ["ScreenProcess"]

READY = b"__GANGLION__\n"
"""The line with which Textual's driver for browsers begins."""
PATIENCE = 10.0
"""Seconds that a process may take to end its run in good order."""
MOST_BEFORE_READY = 100
"""Lines that something else may print before it."""


class ScreenProcess:
    """Args:
    command: program and arguments.
    drawn: called with each piece of what is drawn.
    ended: called when the process has ended, or its screen has.
    """

    def __init__(
        self, command: Sequence[str], drawn: Callable[[bytes], Awaitable[None]], ended: Callable[[], Awaitable[None]]
    ) -> None:
        self._command, self._drawn, self._ended = command, drawn, ended
        self._process: asyncio.subprocess.Process | None = None
        self._listening: asyncio.Task[None] | None = None

    @property
    def running(self) -> bool:
        """Whether its screen can be seen."""
        return self._listening is not None and not self._listening.done()

    async def start(self, width: int, height: int) -> None:
        """Begin, with a screen of so many cells; what it prints besides goes where this program's errors go."""
        environment = {
            **os.environ,
            "TEXTUAL_DRIVER": "textual.drivers.web_driver:WebDriver",
            "TEXTUAL_FPS": "60",
            "TEXTUAL_COLOR_SYSTEM": "truecolor",
            "COLUMNS": str(width),
            "ROWS": str(height),
        }
        self._process = await asyncio.create_subprocess_exec(
            *self._command, stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE, env=environment
        )
        self._listening = asyncio.create_task(self._listen(self._process))

    async def stop(self) -> None:
        """End the run in good order, and by force where it does not end."""
        process = self._process
        if process is None:
            return
        await self.note({"type": "quit"})
        for end in (process.terminate, process.kill):
            try:
                await asyncio.wait_for(process.wait(), PATIENCE)
                break
            except TimeoutError:
                end()
        if self._listening is not None:
            await asyncio.wait([self._listening], timeout=PATIENCE)

    async def type(self, data: bytes) -> None:
        """Hand over what was typed."""
        await self._send(b"D", data)

    async def note(self, content: dict[str, Any]) -> None:
        """Hand over a note."""
        await self._send(b"M", json.dumps(content).encode())

    async def _send(self, kind: bytes, payload: bytes) -> None:
        stdin = None if self._process is None else self._process.stdin
        if stdin is None or stdin.is_closing():
            return
        try:
            stdin.write(kind + len(payload).to_bytes(4, "big") + payload)
            await stdin.drain()
        except (OSError, RuntimeError):
            return  # It has just ended; the listener tells.

    async def _listen(self, process: asyncio.subprocess.Process) -> None:
        stdout = process.stdout
        assert stdout is not None
        try:
            for _ in range(MOST_BEFORE_READY):
                line = await stdout.readline()
                if not line or line == READY:
                    break
            while True:
                head = await stdout.readexactly(5)
                payload = await stdout.readexactly(int.from_bytes(head[1:], "big"))
                if head[:1] == b"D":
                    await self._drawn(payload)
                elif head[:1] == b"M" and json.loads(payload).get("type") == "exit":
                    break
        except (asyncio.IncompleteReadError, ConnectionError, ValueError):
            pass
        finally:
            await self._ended()
