"""The same screens in a browser, on this machine or on a tablet beside it.

`livewatch watch` runs as a process of its own, and its screen is sent to whoever opens the page. The run belongs to the
server, not to the page: a tablet that falls asleep does not end it, and whoever opens the page next sees the same run.
One browser at a time holds it. Nothing is loaded from outside, no file is served but the page's own; who may come in
says `access`, what may be sent `messages`, and connections are bounded in number and in time.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import signal
import sys
from collections import Counter
from collections.abc import Sequence
from html import escape
from importlib.resources import files
from pathlib import Path

from livewatch.dashboard.browser.messages import LARGEST, Answer, Keys, Note, Pace, read_message
from livewatch.dashboard.browser.screen_process import ScreenProcess
from livewatch.errors import LivewatchError, UsageError

try:
    import textual_serve
    from aiohttp import WSCloseCode, WSMsgType, web
    from aiohttp.typedefs import Handler, Middleware

    from livewatch.dashboard.browser.access import HEADERS, Access, is_loopback, token_for
except ImportError as error:  # the extra is not installed
    raise UsageError("the browser view needs an extra: pip install 'livewatch[browser]'") from error

__all__ = ["BrowserServer", "serve_in_browser"]

TERMINAL_MODES = b"\x1b[?1049h\x1b[?1000h\x1b[?1003h\x1b[?1015h\x1b[?1006h\x1b[?25l\x1b[?2004h"
"""What a terminal is told once when a program starts on it, for a browser that comes later: the other screen, mouse
reports, no cursor, bracketed paste (xterm control sequences)."""
MOST_CONNECTIONS, MOST_FROM_ONE = 64, 24
"""Open at once, in all and from one address; a page takes up to seven."""
TIME_TO_ASK = 10.0
"""Seconds after which a connection that has asked for nothing is closed."""
TIME_TO_TAKE = 5.0
"""Seconds that a browser may take to accept what is drawn; a slower one no longer holds the run."""
MOST_MALFORMED = 20
"""Malformed messages after which a page no longer holds the run."""


def serve_in_browser(
    command: Sequence[str], host: str = "127.0.0.1", port: int = 8000, token: str | None = None
) -> None:
    """Serve the screen of a command until interrupted.

    Args:
        command: program and arguments of a process that shows the dashboard.
        host: address to listen on.
        port: its port.
        token: what a browser must bring in the address; where others can reach it one is made up when none is given.

    Raises:
        LivewatchError: the address cannot be listened on.
        UsageError: the token is too short.
    """
    server = BrowserServer(command, host, port, token_for(host, token))
    try:
        asyncio.run(server.serve())
    except (KeyboardInterrupt, asyncio.CancelledError):
        pass
    except OSError as error:
        raise LivewatchError(f"cannot listen on {host} port {port}: {error.strerror or error}") from error


class BrowserServer:
    """One run, one browser at a time. `malformed` counts the messages that were none."""

    def __init__(self, command: Sequence[str], host: str, port: int, token: str | None) -> None:
        self._command, self._host, self._port, self._token = command, host, port, token
        self._access = Access(host, port, token)
        page = files(__package__).joinpath("page")
        self._page = page.joinpath("app_index.html").read_text(encoding="utf-8")
        self._keys = page.joinpath("keys.js").read_text(encoding="utf-8")
        self._process: ScreenProcess | None = None
        self._holder: web.WebSocketResponse | None = None
        self._attaching = asyncio.Lock()
        self._connections: Counter[str] = Counter()
        self._asked: set[object] = set()
        self.malformed = 0

    @property
    def address(self) -> str:
        """What a browser opens."""
        host = f"[{self._host}]" if ":" in self._host else self._host
        return f"http://{host}:{self._port}/" + (f"?token={self._token}" if self._token else "")

    def application(self) -> web.Application:
        """The pages, guarded."""
        static = Path(textual_serve.__file__).with_name("static")
        app = web.Application(middlewares=[self._guard()], client_max_size=1024)
        app.add_routes([web.get("/", self._index), web.get("/ws", self._websocket)])
        app.add_routes([web.get("/static/keys.js", self._keys_script), web.static("/static", static)])
        app.on_response_prepare.append(_add_headers)
        app.on_shutdown.append(self._end_run)
        return app

    async def serve(self) -> None:
        """Until cancelled.

        Raises:
            OSError: the address cannot be listened on.
        """
        logging.getLogger("aiohttp").setLevel(logging.CRITICAL)
        runner = web.AppRunner(self.application(), access_log=None, keepalive_timeout=5.0)
        await runner.setup()
        listening: asyncio.Server | None = None
        _cancel_when_asked_to_stop()
        try:
            listening = await self.listen(runner)
            print(f"Open {self.address} in a browser. The run begins when the page is first opened. Ctrl+C ends both.")
            if not is_loopback(self._host):
                print("Others on this network can reach it; the address is the key to it, so keep it to yourself.")
            sys.stdout.flush()
            await asyncio.Event().wait()
        finally:
            if listening is not None:
                listening.close()
            await runner.cleanup()
            if self.malformed:
                print(f"{self.malformed} messages of a browser were malformed and let go.", file=sys.stderr)

    async def listen(self, runner: web.AppRunner) -> asyncio.Server:
        """Take connections, as many as are bearable."""
        loop = asyncio.get_running_loop()

        def connection() -> asyncio.Protocol:
            assert runner.server is not None
            return _Bounded(runner.server(), self._connections, self._asked)

        return await loop.create_server(connection, self._host, self._port)

    def _guard(self) -> Middleware:
        @web.middleware
        async def guard(request: web.Request, handler: Handler) -> web.StreamResponse:
            self._asked.add(request.protocol)
            refused = self._access.refusal(request)
            if refused is not None:
                return web.Response(status=refused[0], text=refused[1])
            if request.path == "/" and self._access.brings_token(request):
                # From here on the cookie stands for the token, which leaves the address line and the history.
                answer = web.Response(status=303, headers={"Location": "/"})
                answer.set_cookie(self._access.cookie, self._access.key, httponly=True, samesite="Strict")
                return answer
            return await handler(request)

        return guard

    async def _index(self, request: web.Request) -> web.Response:
        """The page; everything on it is asked for under the name the browser used."""
        size = request.query.get("fontsize", "")
        values = {
            "font_size": size if size.isascii() and size.isdigit() and 6 <= int(size[:3]) <= 60 else "16",
            "websocket": f"{'wss' if request.secure else 'ws'}://{request.host}/ws",
        }
        page = self._page
        for name, value in values.items():
            page = page.replace(f"{{{{ {name} }}}}", escape(value))
        return web.Response(text=page, content_type="text/html")

    async def _keys_script(self, request: web.Request) -> web.Response:
        return web.Response(text=self._keys, content_type="text/javascript")

    async def _websocket(self, request: web.Request) -> web.WebSocketResponse:
        """A browser has come: it takes the run over from the one before it."""
        websocket = web.WebSocketResponse(heartbeat=15, max_msg_size=LARGEST)
        await websocket.prepare(request)
        size = {name: _number(request.query.get(name, ""), usual) for name, usual in (("width", 80), ("height", 24))}
        async with self._attaching:
            process = await self._attach(websocket, **size)
        try:
            await self._pass_on(websocket, process)
        finally:
            if self._holder is websocket:
                self._holder = None
        return websocket

    async def _pass_on(self, websocket: web.WebSocketResponse, process: ScreenProcess) -> None:
        pace, malformed = Pace(), 0
        async for message in websocket:
            await pace.hold()
            if self._holder is not websocket:
                return
            asked = read_message(message.data) if message.type is WSMsgType.TEXT else None
            if isinstance(asked, Keys):
                await process.type(asked.data)
            elif isinstance(asked, Note):
                await process.note(asked.content)
            elif isinstance(asked, Answer):
                await websocket.send_json(asked.content)
            else:
                malformed += 1
                self.malformed += 1
                if malformed >= MOST_MALFORMED:
                    await websocket.close(code=WSCloseCode.POLICY_VIOLATION, message=b"malformed messages")

    async def _attach(self, websocket: web.WebSocketResponse, width: int, height: int) -> ScreenProcess:
        before, self._holder = self._holder, websocket
        if before is not None:
            await before.close(message=b"another browser took over")
        process = self._process
        if process is not None and process.running:
            await websocket.send_bytes(TERMINAL_MODES)
            await process.note({"type": "resize", "width": width, "height": height})
            # Whoever gives the screen the focus has it drawn as a whole.
            await process.note({"type": "focus"})
            return process
        process = self._process = ScreenProcess(self._command, self._to_browser, self._let_go)
        await process.start(width, height)
        return process

    async def _to_browser(self, data: bytes) -> None:
        """What the screen draws; nobody there to see it in time, it is let go."""
        holder = self._holder
        if holder is None or holder.closed:
            return
        try:
            await asyncio.wait_for(holder.send_bytes(data), TIME_TO_TAKE)
        except (OSError, RuntimeError, TimeoutError):
            if self._holder is holder:
                self._holder = None

    async def _let_go(self) -> None:
        """The run is over."""
        holder, self._holder = self._holder, None
        if holder is not None and not holder.closed:
            await holder.close()

    async def _end_run(self, app: web.Application) -> None:
        """In good order."""
        if self._process is not None:
            await self._process.stop()


class _Bounded(asyncio.Protocol):
    """A connection that is refused where there are too many, and closed where it asks for nothing in time.

    Args:
        handler: speaks HTTP on it.
        connections: open ones by address.
        asked: the handlers that were asked for something.
    """

    def __init__(self, handler: web.RequestHandler, connections: Counter[str], asked: set[object]) -> None:
        self._handler, self._connections, self._asked = handler, connections, asked
        self._from: str | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        peer = transport.get_extra_info("peername")
        address = str(peer[0]) if peer else ""
        if self._connections.total() >= MOST_CONNECTIONS or self._connections[address] >= MOST_FROM_ONE:
            transport.write(b"HTTP/1.1 503 Service Unavailable\r\nConnection: close\r\nContent-Length: 0\r\n\r\n")
            transport.close()
            return
        self._from = address
        self._connections[address] += 1
        self._handler.connection_made(transport)
        asyncio.get_running_loop().call_later(TIME_TO_ASK, self._close_if_idle, transport)

    def connection_lost(self, exc: Exception | None) -> None:
        if self._from is None:
            return
        self._connections[self._from] -= 1
        self._connections += Counter()  # forgets addresses that have left
        self._asked.discard(self._handler)
        self._handler.connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        if self._from is not None:
            self._handler.data_received(data)

    def eof_received(self) -> None:
        if self._from is not None:
            self._handler.eof_received()

    def pause_writing(self) -> None:
        self._handler.pause_writing()

    def resume_writing(self) -> None:
        self._handler.resume_writing()

    def _close_if_idle(self, transport: asyncio.Transport) -> None:
        if self._handler not in self._asked:
            transport.close()


def _cancel_when_asked_to_stop() -> None:
    """A polite end of the process ends the run in good order too."""
    task = asyncio.current_task()
    if sys.platform != "win32" and task is not None:
        with contextlib.suppress(ValueError, RuntimeError, NotImplementedError):
            asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, task.cancel)


async def _add_headers(request: web.Request, response: web.StreamResponse) -> None:
    response.headers.update(HEADERS)


def _number(text: str, usual: int) -> int:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 5 and 0 < int(text) <= 500 else usual
