"""The dashboard in a browser: who gets in, what is loaded, and that the run outlives the page."""

from __future__ import annotations

import asyncio
import re
import sys
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest
from aiohttp import WSMsgType
from aiohttp.test_utils import TestClient, TestServer

from livewatch.commands import behind_page
from livewatch.dashboard.browser import server
from livewatch.dashboard.browser.server import COOKIE, TERMINAL_MODES, BrowserServer, is_loopback, serve_in_browser
from livewatch.errors import LivewatchError

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

Open = Callable[..., object]


@pytest.fixture
async def open_page(tmp_path: Path) -> AsyncIterator[Open]:
    script = tmp_path / "program.py"
    script.write_text(PROGRAM)
    clients: list[TestClient] = []

    async def make(token: str | None = None, host: str = "127.0.0.1") -> TestClient:
        server = BrowserServer([sys.executable, str(script)], host, 8000, token)
        client = TestClient(TestServer(await server._make_app(), host="127.0.0.1"))
        await client.start_server()
        client.server_under_test = server  # type: ignore[attr-defined]
        clients.append(client)
        return client

    yield make
    for client in clients:
        await client.close()


async def hear(socket, wanted: bytes) -> bytes:  # type: ignore[no-untyped-def]
    """What is sent to a browser until `wanted` is among it."""
    heard = b""
    while wanted not in heard:
        message = await asyncio.wait_for(socket.receive(), 10)
        assert message.type is WSMsgType.BINARY, (message, heard)
        heard += message.data
    return heard


async def test_the_page_loads_nothing_from_outside(open_page: Open) -> None:
    client = await open_page()  # type: ignore[misc]
    page = await (await client.get("/")).text()
    for address in re.findall(r'(?:href|src)="([^"]*)"|url\("([^"]*)"\)', page):
        assert "".join(address).startswith(("/static/", "data:,"))
    assert page.count("://") == 1, "the web socket's own address"
    assert f"ws://127.0.0.1:{client.port}/ws" in page
    for path in ("/static/css/xterm.css", "/static/js/textual.js", "/static/fonts/RobotoMono-VariableFont_wght.ttf"):
        assert (await client.get(path)).status == 200


async def test_with_a_token_nobody_gets_in_without_it(open_page: Open) -> None:
    client = await open_page("a secret")  # type: ignore[misc]
    for path in ("/", "/ws", "/static/js/textual.js", "/?token=wrong"):
        answer = await client.get(path)
        assert answer.status == 401
        assert "needs the address with its token" in await answer.text()
    answer = await client.get("/?token=a%20secret")
    assert answer.status == 200
    assert answer.cookies[COOKIE]["httponly"]
    assert answer.cookies[COOKIE]["samesite"] == "Strict"
    assert (await client.get("/")).status == 200, "the browser keeps it in a cookie"


async def test_pages_of_other_sites_do_not_reach_it_through_the_browser(open_page: Open) -> None:
    client = await open_page()  # type: ignore[misc]
    for path in ("/", "/ws"):
        assert (await client.get(path, headers={"Origin": "http://elsewhere.example"})).status == 403
        assert (await client.get(path, headers={"Host": "rebound.example"})).status == 403
    assert (await client.get("/", headers={"Origin": f"http://127.0.0.1:{client.port}"})).status == 200
    assert (await client.get("/", headers={"Host": "localhost:8000"})).status == 200


async def test_the_run_outlives_the_page_and_whoever_comes_next_takes_it_over(open_page: Open) -> None:
    client = await open_page()  # type: ignore[misc]
    first = await client.ws_connect("/ws?width=100&height=30")
    begun = await hear(first, b"begun")
    await first.send_str('["stdin", "a"]')
    await hear(first, b"key a")
    await first.close()
    await asyncio.sleep(0.1)
    second = await client.ws_connect("/ws?width=90&height=28")
    heard = await hear(second, b"drawn anew 90x28")
    assert heard.startswith(TERMINAL_MODES)
    assert b"begun" not in heard, "the same process"
    assert begun
    third = await client.ws_connect("/ws?width=80&height=24")
    await hear(third, b"drawn anew 80x24")
    closed = await asyncio.wait_for(second.receive(), 10)
    assert closed.type is WSMsgType.CLOSE
    await third.send_str('["stdin", "b"]')
    await hear(third, b"key b")


async def test_a_program_that_ends_closes_the_page_and_the_next_page_begins_anew(open_page: Open) -> None:
    client = await open_page()  # type: ignore[misc]
    page = await client.ws_connect("/ws")
    await hear(page, b"begun")
    await client.server_under_test._service.stop()
    message = await asyncio.wait_for(page.receive(), 10)
    assert message.type in (WSMsgType.CLOSE, WSMsgType.CLOSED)
    again = await client.ws_connect("/ws")
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


def test_an_address_others_can_reach_gets_a_token(monkeypatch: pytest.MonkeyPatch) -> None:
    served: list[BrowserServer] = []
    monkeypatch.setattr(BrowserServer, "serve", lambda self: served.append(self))
    serve_in_browser(["watch", "-p", "my car.yaml"])
    serve_in_browser(["watch"], host="0.0.0.0", port=9000)
    serve_in_browser(["watch"], host="::", token="chosen")
    assert [bool(server._token) for server in served] == [False, True, True]
    assert served[0].address == "http://127.0.0.1:8000/"
    assert served[1].address.startswith("http://0.0.0.0:9000/?token=")
    assert len(served[1]._token or "") >= 16
    assert served[2].address == "http://[::]:8000/?token=chosen"
    assert (
        served[0].command.endswith("-m livewatch.commands.behind_page watch -p 'my car.yaml'")
        or sys.platform == "win32"
    )


def test_a_port_that_is_taken_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    def taken(self: BrowserServer) -> None:
        raise OSError(98, "Address already in use")

    monkeypatch.setattr(BrowserServer, "serve", taken)
    with pytest.raises(LivewatchError, match=r"cannot listen on 127\.0\.0\.1 port 8000: Address already in use"):
        serve_in_browser(["watch"])
    assert server.NO_TOKEN.isascii()
