"""The dashboard in a browser: who gets in, what is loaded, and that the run outlives the page."""

from __future__ import annotations

import asyncio
import contextlib
import re
import sys
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest
from aiohttp import ClientResponse, ClientSession, CookieJar, WSMsgType, web
from yarl import URL

from livewatch.commands import behind_page
from livewatch.dashboard.browser import server
from livewatch.dashboard.browser.access import NO_TOKEN, is_loopback, token_for
from livewatch.dashboard.browser.messages import BURST, FASTEST, Pace
from livewatch.dashboard.browser.screen_process import ScreenProcess
from livewatch.dashboard.browser.server import TERMINAL_MODES, BrowserServer, serve_in_browser
from livewatch.errors import LivewatchError, UsageError

PROGRAM = """
import os, struct, sys, json
def send(kind, data): os.write(1, kind + struct.pack(">I", len(data)) + data)
os.write(1, b"__GANGLION__\\n")
send(b"D", b"begun %d" % os.getpid())
while True:
    head = sys.stdin.buffer.read(5)
    if len(head) < 5: break
    body = sys.stdin.buffer.read(struct.unpack(">I", head[1:])[0])
    if head[:1] == b"M":
        said = json.loads(body)
        if said["type"] == "resize": send(b"D", b"drawn anew %dx%d" % (said["width"], said["height"]))
        if said["type"] == "quit": break
    else: send(b"D", b"key " + body)
send(b"M", b'{"type": "exit"}')
"""
"""A program that speaks as a Textual one does to the server that runs it."""

Open = Callable[..., Any]


class Guest:
    """A server on a port of this machine, and browsers that come to it."""

    def __init__(self, server: BrowserServer, runner: web.AppRunner, listening: asyncio.Server) -> None:
        self.server, self.runner, self.listening = server, runner, listening
        self.port = listening.sockets[0].getsockname()[1]
        self.session = ClientSession(f"http://127.0.0.1:{self.port}", cookie_jar=CookieJar(unsafe=True))

    async def get(self, path: str, **options: Any) -> ClientResponse:
        options.setdefault("allow_redirects", False)
        answer = await self.session.get(path, **options)
        await answer.read()
        return answer

    async def close(self) -> None:
        await self.session.close()
        self.listening.close()
        await self.runner.cleanup()


@pytest.fixture
async def open_page(tmp_path: Path) -> AsyncIterator[Open]:
    script = tmp_path / "program.py"
    script.write_text(PROGRAM)
    guests: list[Guest] = []

    async def make(token: str | None = None, listening_on: str = "127.0.0.1") -> Guest:
        server = BrowserServer([sys.executable, str(script)], listening_on, 0, token)
        runner = web.AppRunner(server.application(), access_log=None)
        await runner.setup()
        guests.append(Guest(server, runner, await server.listen(runner)))
        return guests[-1]

    yield make
    for guest in guests:
        await guest.close()


async def hear(socket, wanted: bytes) -> bytes:  # type: ignore[no-untyped-def]
    """What is sent to a browser until `wanted` is among it."""
    heard = b""
    while wanted not in heard:
        message = await asyncio.wait_for(socket.receive(), 10)
        assert message.type is WSMsgType.BINARY, (message, heard)
        heard += message.data
    return heard


async def test_the_page_loads_nothing_from_outside(open_page: Open) -> None:
    guest = await open_page()
    page = await (await guest.get("/")).text()
    for address in re.findall(r'(?:href|src)="([^"]*)"|url\("([^"]*)"\)', page):
        assert "".join(address) == "/" or "".join(address).startswith(("/static/", "data:,"))
    assert page.count("://") == 1, "the web socket's own address"
    assert f"ws://127.0.0.1:{guest.port}/ws" in page
    for path in ("/static/css/xterm.css", "/static/js/textual.js", "/static/fonts/RobotoMono-VariableFont_wght.ttf"):
        assert (await guest.get(path)).status == 200


async def test_nothing_but_the_pages_own_files_can_be_fetched(open_page: Open) -> None:
    guest = await open_page()
    for path in (
        "/static/",
        "/static",
        "/download/abc",
        "/static/%2e%2e/server.py",
        "/static/..%2fserver.py",
        "/etc/passwd",
    ):
        assert (await guest.get(URL(f"http://127.0.0.1:{guest.port}{path}", encoded=True))).status in (403, 404), path
    assert (await guest.session.post("/", data=b"x" * 5000)).status == 405


async def test_no_page_may_frame_it_and_every_answer_says_so(open_page: Open) -> None:
    guest = await open_page("a long secret")
    for path in ("/", "/?token=a%20long%20secret", "/ws", "/nowhere", "/static/js/textual.js"):
        headers = (await guest.get(path)).headers
        assert "frame-ancestors 'none'" in headers["Content-Security-Policy"], path
        assert headers["X-Frame-Options"] == "DENY"
        assert headers["Referrer-Policy"] == "no-referrer", "the address holds the token"


async def test_with_a_token_nobody_gets_in_without_it(open_page: Open) -> None:
    guest = await open_page("a long secret")
    for path in (
        "/",
        "/ws",
        "/static/js/textual.js",
        "/?token=wrong",
        "/?token=",
        "/?token=a%20long%20secre",
        "/?token=%ff",
    ):
        answer = await guest.get(path)
        assert answer.status == 401, path
        assert "needs the address with its token" in await answer.text()
    entered = await guest.get("/?token=a%20long%20secret")
    assert (entered.status, entered.headers["Location"]) == (303, "/"), "the token leaves the address line"
    cookie = entered.cookies[guest.server._access.cookie]
    assert cookie["httponly"] and cookie["samesite"] == "Strict"
    assert "secret" not in cookie.value
    assert (await guest.get("/")).status == 200, "the browser keeps it in a cookie"


async def test_what_one_server_gave_is_worth_nothing_to_the_next(open_page: Open) -> None:
    first, second = await open_page("a long secret"), await open_page("a long secret")
    entered = await first.get("/?token=a%20long%20secret")
    key = entered.cookies[first.server._access.cookie].value
    name = second.server._access.cookie
    for replayed in (key, "a long secret", ""):
        jar = {"Cookie": f'{name}="{replayed}"'}
        assert (await second.get("/", headers=jar)).status == 401
        assert (await second.get(f"/?token={key}")).status == 401, "the cookie is no token"


async def test_pages_of_other_sites_do_not_reach_it_through_the_browser(open_page: Open) -> None:
    guest = await open_page()
    here = f"http://127.0.0.1:{guest.port}"
    for path in ("/", "/ws"):
        for origin in ("http://elsewhere.example", "null", f"http://127.0.0.1:{guest.port + 1}", "http://["):
            assert (await guest.get(path, headers={"Origin": origin})).status == 403, origin
        for host in ("rebound.example", "127.0.0.1.rebound.example", "["):
            assert (await guest.get(path, headers={"Host": host})).status in (400, 403), host
        for site in ("cross-site", "same-site"):
            assert (await guest.get(path, headers={"Sec-Fetch-Site": site})).status == 403
    assert (await guest.get("/", headers={"Origin": here, "Sec-Fetch-Site": "same-origin"})).status == 200
    assert (await guest.get("/", headers={"Host": "localhost:8000"})).status == 200


async def test_a_page_of_another_port_cannot_use_the_cookie_that_the_browser_lends_it(open_page: Open) -> None:
    guest = await open_page("a long secret")
    await guest.get("/?token=a%20long%20secret")
    for path in ("/", "/ws"):
        for site in ("cross-site", "same-site"):
            assert (await guest.get(path, headers={"Sec-Fetch-Site": site})).status == 403
    entered = await guest.get("/?token=a%20long%20secret", headers={"Sec-Fetch-Site": "cross-site"})
    assert entered.status == 303, "a link that holds the token may stand anywhere"


async def test_the_run_outlives_the_page_and_whoever_comes_next_takes_it_over(open_page: Open) -> None:
    guest = await open_page()
    first = await guest.session.ws_connect("/ws?width=100&height=30")
    begun = await hear(first, b"begun")
    await first.send_str('["stdin", "a"]')
    await hear(first, b"key a")
    await first.close()
    await asyncio.sleep(0.1)
    second = await guest.session.ws_connect("/ws?width=90&height=28")
    heard = await hear(second, b"drawn anew 90x28")
    assert heard.startswith(TERMINAL_MODES)
    assert b"begun" not in heard, "the same process"
    assert begun
    third = await guest.session.ws_connect("/ws?width=80&height=24")
    await hear(third, b"drawn anew 80x24")
    closed = await asyncio.wait_for(second.receive(), 10)
    assert closed.type is WSMsgType.CLOSE
    await third.send_str('["stdin", "b"]')
    await hear(third, b"key b")


async def test_malformed_messages_are_counted_and_do_not_reach_the_run(
    open_page: Open, caplog: pytest.LogCaptureFixture
) -> None:
    guest = await open_page()
    page = await guest.session.ws_connect("/ws")
    await hear(page, b"begun")
    malformed = (
        "", "{", "[]", "7", "null", '"stdin"', '["stdin"]', '["stdin", 7]', '["stdin", null]', "[" * 5000,
        '["resize", {"width": 1000000000, "height": 24}]', '["resize", {"width": 0, "height": 24}]',
        '["resize", {"width": 80.5, "height": 24}]', '["resize", {"width": true, "height": 24}]',
        '["resize", {"width": 1000, "height": 500}]', '["resize", 5]', '["quit"]', '["exec", "ls"]',
    )  # fmt: skip
    for text in malformed:
        await page.send_str(text)
    await page.send_bytes(b'["stdin", "x"]')
    await page.send_str('["stdin", "still here"]')
    heard = await hear(page, b"key still here")
    assert b"drawn anew" not in heard
    assert guest.server.malformed == len(malformed) + 1
    await page.send_str("{")
    assert (await asyncio.wait_for(page.receive(), 10)).type in (WSMsgType.CLOSE, WSMsgType.CLOSING), (
        "twenty are enough"
    )
    again = await guest.session.ws_connect("/ws?width=90&height=28")
    await hear(again, b"drawn anew 90x28")
    assert not caplog.records


async def test_a_huge_message_loses_the_page_and_not_the_run(open_page: Open) -> None:
    guest = await open_page()
    page = await guest.session.ws_connect("/ws")
    await hear(page, b"begun")
    with contextlib.suppress(ConnectionError):
        await page.send_str('["stdin", "' + "x" * 20_000_000 + '"]')
    while (await asyncio.wait_for(page.receive(), 10)).type is WSMsgType.BINARY:
        pass
    assert page.closed
    again = await guest.session.ws_connect("/ws?width=90&height=28")
    assert b"begun" not in await hear(again, b"drawn anew 90x28"), "the same process"


def test_messages_are_let_through_at_a_bounded_rate() -> None:
    now = 100.0
    pace = Pace(lambda: now)
    waits = [pace.wait() for _ in range(1000)]
    assert waits[: int(BURST)] == [0.0] * int(BURST)
    assert waits[-1] == pytest.approx((1000 - BURST) / FASTEST)
    now += 60.0
    assert pace.wait() == 0.0


async def test_connections_are_bounded_in_number_and_in_time(open_page: Open, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "TIME_TO_ASK", 8.0)  # longer than it takes to connect them all
    guest = await open_page()
    page = await guest.session.ws_connect("/ws")
    await hear(page, b"begun")
    silent = [await asyncio.open_connection("127.0.0.1", guest.port) for _ in range(200)]
    lines = await asyncio.gather(*(_first_line(reader) for reader, _ in silent))
    assert sum(line.startswith(b"HTTP/1.1 503") for line in lines) >= 200 - server.MOST_FROM_ONE
    await page.send_str('["stdin", "at work"]')
    await hear(page, b"key at work")
    async with asyncio.timeout(60):  # until those that asked for nothing are gone
        while (await guest.get("/")).status != 200:
            await asyncio.sleep(0.1)
    for _, writer in silent:
        writer.close()


async def _first_line(reader: asyncio.StreamReader) -> bytes:
    try:
        return await asyncio.wait_for(reader.readline(), 0.3)
    except (TimeoutError, ConnectionError):
        return b""


async def test_notes_of_the_program_open_nothing_and_fetch_nothing(tmp_path: Path) -> None:
    script = tmp_path / "program.py"
    script.write_text(
        "import os, struct\n"
        "def send(kind, data): os.write(1, kind + struct.pack('>I', len(data)) + data)\n"
        "os.write(1, b'a word before\\n__GANGLION__\\n')\n"
        """for note in (b'{"type": "open_url", "url": "http://elsewhere.example", "new_tab": true}',"""
        """ b'{"type": "deliver_file_start", "key": "k", "path": "/etc/passwd"}'): send(b"M", note)\n"""
        """send(b"P", b"packed")\nsend(b"D", b"drawn")\nsend(b"M", b'{"type": "exit"}')\n"""
    )
    heard: list[bytes] = []
    ended = asyncio.Event()

    async def drawn(data: bytes) -> None:
        heard.append(data)

    async def let_go() -> None:
        ended.set()

    process = ScreenProcess([sys.executable, str(script)], drawn, let_go)
    await process.start(80, 24)
    await asyncio.wait_for(ended.wait(), 10)
    await process.stop()
    assert heard == [b"drawn"]


async def test_a_program_that_ends_closes_the_page_and_the_next_page_begins_anew(open_page: Open) -> None:
    guest = await open_page()
    page = await guest.session.ws_connect("/ws")
    await hear(page, b"begun")
    await guest.server._process.stop()
    message = await asyncio.wait_for(page.receive(), 10)
    assert message.type in (WSMsgType.CLOSE, WSMsgType.CLOSED)
    again = await guest.session.ws_connect("/ws")
    await hear(again, b"begun")


def test_the_command_behind_the_page_is_told_that_it_has_a_terminal(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    asked: list[list[str]] = []

    def command(arguments: list[str]) -> int:
        asked.append(arguments)
        assert sys.stdout.isatty()
        print("The session folder is drives/7")
        return 3

    monkeypatch.setattr("livewatch.commands.behind_page.cli.main", command)
    monkeypatch.setattr(sys, "argv", ["served", "watch", "-p", "my car.yaml"])
    monkeypatch.setattr(sys, "stdout", sys.stdout)
    assert behind_page.main() == 3
    assert asked == [["watch", "-p", "my car.yaml"]]
    said = capfd.readouterr()
    assert said.out == "", "the standard output carries the screen and nothing else"
    assert said.err == "The session folder is drives/7\n"


def test_addresses_of_this_machine_alone_are_known() -> None:
    for host in ("localhost", "127.0.0.1", "127.9.9.9", "::1", "[::1]"):
        assert is_loopback(host)
    for host in ("0.0.0.0", "192.168.1.7", "::", "tablet.local", ""):
        assert not is_loopback(host)


@pytest.mark.parametrize("chosen", [None, ""])
def test_an_address_others_can_reach_always_gets_a_token(chosen: str | None) -> None:
    for host in ("0.0.0.0", "::", "192.168.1.7"):
        made = {token_for(host, chosen) for _ in range(3)}
        assert len(made) == 3 and all(len(token or "") >= 16 for token in made)
    assert token_for("127.0.0.1", chosen) is None
    assert token_for("::", "chosen with care") == "chosen with care"
    with pytest.raises(UsageError, match="5 characters are too easily guessed"):
        token_for("0.0.0.0", "short")


def test_the_address_that_is_printed_opens_the_page() -> None:
    def address(host: str, port: int, token: str | None) -> str:
        return BrowserServer(["livewatch"], host, port, token).address

    assert address("127.0.0.1", 8000, None) == "http://127.0.0.1:8000/"
    assert address("0.0.0.0", 9000, "chosen-1") == "http://0.0.0.0:9000/?token=chosen-1"
    assert address("::", 8000, "chosen-1") == "http://[::]:8000/?token=chosen-1"


async def test_the_token_is_said_once_and_in_no_log(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("DEBUG", "aiohttp")
    own = BrowserServer([sys.executable, "-c", ""], "127.0.0.1", 0, "a-long-secret")
    listening = asyncio.Event()
    ports: list[int] = []
    usual = own.listen

    async def listen(runner: web.AppRunner) -> asyncio.Server:
        found = await usual(runner)
        ports.append(found.sockets[0].getsockname()[1])
        listening.set()
        return found

    monkeypatch.setattr(own, "listen", listen)
    serving = asyncio.create_task(own.serve())
    await asyncio.wait_for(listening.wait(), 10)
    async with ClientSession() as session:
        for path in ("?token=a-long-secret", "nowhere?token=a-long-secret", "?token=wrong-a-long-secret", "ws"):
            async with session.get(f"http://127.0.0.1:{ports[0]}/{path}", allow_redirects=False) as answer:
                await answer.read()
    serving.cancel()
    with pytest.raises(asyncio.CancelledError):
        await serving
    said = capfd.readouterr()
    assert said.out.count("a-long-secret") == 1
    assert "a-long-secret" not in said.err + caplog.text


async def test_a_port_that_is_taken_is_said() -> None:
    taken = await asyncio.start_server(lambda reader, writer: None, "127.0.0.1", 0)
    port = taken.sockets[0].getsockname()[1]
    with pytest.raises(LivewatchError, match=rf"cannot listen on 127\.0\.0\.1 port {port}: "):
        await asyncio.to_thread(serve_in_browser, ["livewatch"], "127.0.0.1", port)
    taken.close()
    assert NO_TOKEN.isascii()
