"""The same screens in a browser, on this machine or on a tablet beside it.

`livewatch watch` runs as a process of its own, and its screen is sent to whoever opens the page. The run belongs to the
server, not to the page: a tablet that falls asleep does not end it, and whoever opens the page next sees the same run.
One browser at a time holds it. Nothing is loaded from outside; without a token only this machine is listened to.
"""

from __future__ import annotations

import asyncio
import hmac
import ipaddress
import logging
import secrets
import shlex
import subprocess
import sys
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from livewatch.errors import LivewatchError, UsageError

try:
    import aiohttp_jinja2
    from aiohttp import web
    from textual_serve.app_service import AppService
    from textual_serve.server import Server
except ImportError as error:  # the extra is not installed
    raise UsageError("the browser view needs an extra: pip install 'livewatch[browser]'") from error

__all__ = ["BrowserServer", "is_loopback", "serve_in_browser"]

COOKIE = "livewatch"
TERMINAL_MODES = b"\x1b[?1049h\x1b[?1000h\x1b[?1003h\x1b[?1015h\x1b[?1006h\x1b[?25l\x1b[?2004h"
"""What a terminal is told once when a program starts on it, for a browser that comes later: the other screen, mouse
reports, no cursor, bracketed paste (xterm control sequences)."""
NO_TOKEN = "This page needs the address with its token, as livewatch printed it when it was started.\n"


def serve_in_browser(
    arguments: Sequence[str], host: str = "127.0.0.1", port: int = 8000, token: str | None = None
) -> None:
    """Serve `livewatch ARGUMENTS` until interrupted.

    Args:
        arguments: of a command that shows the dashboard: `["watch", "-p", "my_car.yaml"]`.
        host: address to listen on; for one that others can reach a token is made up when none is given.
        token: what a browser must bring in the address; None asks for none from this machine alone.

    Raises:
        LivewatchError: the address cannot be listened on.
    """
    if token is None and not is_loopback(host):
        token = secrets.token_urlsafe(12)
    server = BrowserServer([sys.executable, "-m", "livewatch.commands.behind_page", *arguments], host, port, token)
    try:
        server.serve()
    except OSError as error:
        raise LivewatchError(f"cannot listen on {host} port {port}: {error.strerror or error}") from error


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach an address."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


class BrowserServer(Server):
    """One run, one browser at a time."""

    def __init__(self, command: Sequence[str], host: str, port: int, token: str | None) -> None:
        joined = subprocess.list2cmdline(command) if sys.platform == "win32" else shlex.join(command)
        page = Path(__file__).with_name("page")
        super().__init__(joined, host=host, port=port, title="livewatch", templates_path=page)
        self._token = token
        self._service: AppService | None = None
        self._holder: web.WebSocketResponse | None = None
        self._attaching = asyncio.Lock()

    @property
    def address(self) -> str:
        """What a browser opens."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"http://{host}:{self.port}/" + (f"?token={self._token}" if self._token else "")

    def initialize_logging(self) -> None:
        """Only what goes wrong."""
        logging.basicConfig(level="ERROR")

    async def _make_app(self) -> web.Application:
        app: web.Application = await super()._make_app()
        app.middlewares.append(self._guard())
        return app

    def _guard(self) -> Callable[..., Awaitable[web.StreamResponse]]:
        """Refuse who has no token, and pages of other sites that try to reach this one through the browser."""

        @web.middleware
        async def guard(
            request: web.Request, handler: Callable[[web.Request], Awaitable[web.StreamResponse]]
        ) -> web.StreamResponse:
            origin = request.headers.get("Origin")
            if origin is not None and urlsplit(origin).netloc != request.host:
                return web.Response(status=403, text="Asked by a page of another site.\n")
            if is_loopback(self.host) and not is_loopback(urlsplit(f"//{request.host}").hostname or ""):
                return web.Response(status=403, text="Asked under a name that is not this machine's.\n")
            brought = request.query.get("token", "")
            if self._token and not any(
                hmac.compare_digest(one.encode(), self._token.encode())
                for one in (brought, request.cookies.get(COOKIE, ""))
            ):
                return web.Response(status=401, text=NO_TOKEN)
            response = await handler(request)
            if self._token and brought and not response.prepared:
                response.set_cookie(COOKIE, self._token, httponly=True, samesite="Strict")
            return response

        return guard

    @aiohttp_jinja2.template("app_index.html")
    async def handle_index(self, request: web.Request) -> dict[str, Any]:
        """The page; everything on it is asked for under the name the browser used."""
        size = request.query.get("fontsize", "")
        return {
            "font_size": size if size.isdigit() and 6 <= int(size) <= 60 else "16",
            "websocket": f"{'wss' if request.secure else 'ws'}://{request.host}/ws",
        }

    async def handle_websocket(self, request: web.Request) -> web.WebSocketResponse:
        """A browser has come: it takes the run over from the one before it."""
        websocket = web.WebSocketResponse(heartbeat=15)
        await websocket.prepare(request)
        width, height = (_number(request.query.get(name, ""), usual) for name, usual in (("width", 80), ("height", 24)))
        async with self._attaching:
            service = await self._attach(websocket, width, height)
        try:
            await self._process_messages(websocket, service)
        finally:
            if self._holder is websocket:
                self._holder = None
        return websocket

    async def on_startup(self, app: web.Application) -> None:
        """Say where it is."""
        print(f"Open {self.address} in a browser. The run begins when the page is first opened. Ctrl+C ends both.")
        if not is_loopback(self.host):
            print("Others on this network can reach it; the address is the key to it, so keep it to yourself.")

    async def on_shutdown(self, app: web.Application) -> None:
        """End the run in good order."""
        if self._service is not None:
            await self._service.stop()

    async def _attach(self, websocket: web.WebSocketResponse, width: int, height: int) -> AppService:
        before, self._holder = self._holder, websocket
        if before is not None:
            await before.close(message=b"another browser took over")
        service = self._service
        if service is not None and service._task is not None and not service._task.done():
            await websocket.send_bytes(TERMINAL_MODES)
            # A change of size has everything drawn again; the second one is the true size.
            await service.set_terminal_size(width, max(1, height - 1))
            await asyncio.sleep(0.1)
            await service.set_terminal_size(width, height)
            return service
        service = self._service = AppService(
            self.command,
            write_bytes=self._to_browser,
            write_str=self._text_to_browser,
            close=self._ended,
            download_manager=self.download_manager,
        )
        await service.start(width, height)
        assert service._task is not None
        service._task.add_done_callback(lambda _: asyncio.ensure_future(self._ended()))
        return service

    async def _to_browser(self, data: bytes) -> None:
        """What the screen draws; nobody there to see it, it is let go."""
        holder = self._holder
        if holder is not None and not holder.closed:
            try:
                await holder.send_bytes(data)
            except (ConnectionError, RuntimeError):
                self._holder = None

    async def _text_to_browser(self, text: str) -> None:
        holder = self._holder
        if holder is not None and not holder.closed:
            await holder.send_str(text)

    async def _ended(self) -> None:
        """The run is over."""
        holder, self._holder = self._holder, None
        if holder is not None and not holder.closed:
            await holder.close()


def _number(text: str, usual: int) -> int:
    return int(text) if text.isdigit() and 0 < int(text) < 2000 else usual
