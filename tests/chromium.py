"""A headless Chromium that a test opens pages in, asks by the DevTools protocol, and types into.

    async with Chromium(folder) as browser:
        await browser.open("https://...")
        width = await browser.value("innerWidth")

Chromium is on the machine or it is not (`CHROMIUM`); nothing is downloaded.
"""

from __future__ import annotations

import asyncio
import base64
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any, Self

import pytest
from aiohttp import ClientSession, ClientWebSocketResponse

__all__ = ["CHROMIUM", "FLAGS", "Chromium", "needs_chromium"]

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-popup-blocking",
    "--remote-debugging-port=0",
)
PATIENCE = 60.0
"""Seconds for what a loaded machine does in one."""


class Chromium:
    """One browser with one page. `asked` are the addresses that the page asked for, in order."""

    def __init__(self, folder: Path) -> None:
        self.asked: list[str] = []
        self._folder, self._number = folder, 0
        self._loaded: set[str] = set()
        self._drawn = ""
        self._process: asyncio.subprocess.Process | None = None
        self._session: ClientSession | None = None
        self._page: ClientWebSocketResponse | None = None

    async def __aenter__(self) -> Self:
        self._process = await asyncio.create_subprocess_exec(
            str(CHROMIUM), *FLAGS, f"--user-data-dir={self._folder}", "about:blank",
            stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL,
        )  # fmt: skip
        port = self._folder / "DevToolsActivePort"
        await self.until(lambda: port.exists() and len(port.read_text().splitlines()) == 2)
        self._session = ClientSession()
        where = f"http://127.0.0.1:{port.read_text().splitlines()[0]}/json"
        targets: list[Any] = []
        while not targets:
            targets = [one for one in await (await self._session.get(where)).json() if one["type"] == "page"]
        self._page = await self._session.ws_connect(targets[0]["webSocketDebuggerUrl"], max_msg_size=0)
        await self.call("Network.enable")
        await self.call("Page.enable")
        await self.call("Page.setLifecycleEventsEnabled", enabled=True)
        await self.call("Emulation.setFocusEmulationEnabled", enabled=True)
        return self

    async def __aexit__(self, *exception: object) -> None:
        if self._session is not None:
            await self._session.close()
        if self._process is not None:
            self._process.terminate()
            await self._process.wait()

    async def until(self, condition: Callable[[], bool]) -> None:
        """Wait for something to happen."""
        assert self._process is not None
        for _ in range(round(PATIENCE / 0.1)):
            if condition():
                return
            assert self._process.returncode is None, "Chromium has ended"
            await asyncio.sleep(0.1)
        raise AssertionError("nothing came of it in a minute")

    async def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """A method of the DevTools protocol; what comes meanwhile is looked at for requests."""
        assert self._page is not None
        self._number += 1
        await self._page.send_json({"id": self._number, "method": method, "params": parameters})
        while True:
            message = await self._next()
            if message.get("id") == self._number:
                assert "error" not in message, message
                return dict(message["result"])

    async def open(self, address: str) -> None:
        """Open a page and wait until all of it was loaded."""
        loader = (await self.call("Page.navigate", url=address))["loaderId"]
        while loader not in self._loaded:
            await self._next()

    async def value(self, expression: str) -> Any:
        """What a piece of JavaScript gives on the page."""
        answer = await self.call("Runtime.evaluate", expression=expression, returnByValue=True)
        return answer["result"].get("value")

    async def drawn(self, *texts: str) -> None:
        """Wait until a terminal on the page was sent all of these to draw."""
        lacking = list(texts)
        try:
            async with asyncio.timeout(PATIENCE):
                while lacking := [text for text in texts if text not in self._drawn]:
                    await self._next()
        except TimeoutError:
            raise AssertionError(f"{lacking} was not drawn, but {self._drawn[-3000:]!r}") from None
        self._drawn = ""

    async def press(self, key: str, code: int) -> None:
        """A key, by its name and number in the protocol."""
        for kind in ("keyDown", "keyUp"):
            await self.call(
                "Input.dispatchKeyEvent", type=kind, key=key, code=key, text="\r" if key == "Enter" else "",
                windowsVirtualKeyCode=code,
            )  # fmt: skip

    async def _next(self) -> dict[str, Any]:
        assert self._page is not None
        message = dict(await self._page.receive_json(timeout=PATIENCE))
        if message.get("method") == "Network.requestWillBeSent":
            self.asked.append(str(message["params"]["request"]["url"]))
        if message.get("method") == "Page.lifecycleEvent" and message["params"]["name"] == "load":
            self._loaded.add(str(message["params"]["loaderId"]))
        if message.get("method") == "Network.webSocketFrameReceived":
            frame = message["params"]["response"]
            sent = base64.b64decode(frame["payloadData"]).decode() if frame["opcode"] == 2 else frame["payloadData"]
            self._drawn += re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", sent)
        return message
