"""The browser view under attack from a real browser: pages of another origin, frames, popups, tokens, many connections.

Only where Chromium is installed.
"""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from aiohttp import ClientSession, web

from livewatch.dashboard.browser.server import BrowserServer
from tests.chromium import CHROMIUM, FLAGS, needs_chromium

pytestmark = needs_chromium
PROGRAM = """
import json, os, struct, sys
def send(kind, data): os.write(1, kind + struct.pack(">I", len(data)) + data)
os.write(1, b"__GANGLION__\\n")
send(b"D", b"drawn")
while len(head := sys.stdin.buffer.read(5)) == 5:
    body = sys.stdin.buffer.read(struct.unpack(">I", head[1:])[0])
    if head[:1] == b"M" and json.loads(body)["type"] == "quit": break
    open(sys.argv[1], "ab").write(head[:1] + body + b"\\n")
send(b"M", b'{"type": "exit"}')
"""
ATTACK = """<!DOCTYPE html><title>elsewhere</title><body><script>
const told = {opened: 0, refused: 0, read: 0};
const targets = TARGETS;
function socket(address) {
  return new Promise(done => {
    const one = new WebSocket(address);
    one.onopen = () => { told.opened += 1; one.send('["stdin", "x"]'); one.send("x".repeat(5000000)); done(); };
    one.onerror = () => { told.refused += 1; done(); };
  });
}
async function attack() {
  const sockets = [];
  for (const target of targets) {
    const frame = document.createElement("iframe");
    frame.src = target;
    document.body.append(frame);
    const boxed = document.createElement("iframe");
    boxed.sandbox = "allow-scripts";
    boxed.src = target;
    document.body.append(boxed);
    window.open(target);
    try { await (await fetch(target, {credentials: "include"})).text(); told.read += 1; } catch (refused) { }
    sockets.push(socket(target.replace("http", "ws").replace("/?", "/ws?")));
  }
  const first = targets[0].replace("http", "ws").replace("/?", "/ws?");
  for (let count = 0; count < 200; count += 1) sockets.push(socket(first));
  await Promise.all(sockets);
  await new Promise(done => setTimeout(done, 1500));
  await fetch("/report", {method: "POST", body: JSON.stringify(told)});
}
attack();
</script>"""

FROM_THE_PAGE = """(async () => {
  const address = location.href.replace("http", "ws") + "ws";
  const ended = socket => new Promise(done => { socket.onclose = done; });
  const one = new WebSocket(address);
  one.onopen = () => one.send("y".repeat(5000000));
  await ended(one);
  const many = Array.from({length: 200}, () => new WebSocket(address));
  let opened = 0;
  await Promise.all(many.map(socket => new Promise(done => {
    socket.onopen = () => { opened += 1; socket.send('["stdin", 1]'); done(); };
    socket.onclose = done;
  })));
  return opened;
})()"""
Serve = Callable[[str | None], Awaitable[tuple[BrowserServer, int, Path]]]
Then = Callable[[int], Awaitable[None]]


@pytest.fixture
async def serve(tmp_path: Path) -> AsyncIterator[Serve]:
    """Serves a run: the server, its port, and the file that holds what reached the run."""
    script = tmp_path / "program.py"
    script.write_text(PROGRAM)
    ends: list[Callable[[], Awaitable[None]]] = []

    async def start(token: str | None) -> tuple[BrowserServer, int, Path]:
        reached = tmp_path / f"reached-{len(ends)}"
        server = BrowserServer([sys.executable, str(script), str(reached)], "127.0.0.1", 0, token)
        runner = web.AppRunner(server.application(), access_log=None)
        await runner.setup()
        listening = await server.listen(runner)
        ends.append(runner.cleanup)
        return server, listening.sockets[0].getsockname()[1], reached

    yield start
    for end in ends:
        await end()


async def browse(address: str, profile: Path, until: Callable[[], bool], then: Then | None = None) -> None:
    """Open an address in Chromium until something has happened, and then do more in it."""
    process = await asyncio.create_subprocess_exec(
        str(CHROMIUM), *FLAGS, f"--user-data-dir={profile}", address,
        stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL,
    )  # fmt: skip
    try:
        for _ in range(600):
            if until():
                if then is not None:
                    port = int((profile / "DevToolsActivePort").read_text().split()[0])
                    await asyncio.wait_for(then(port), 60)
                return
            assert process.returncode is None
            await asyncio.sleep(0.1)
        raise AssertionError("nothing came of it in a minute")
    finally:
        process.terminate()
        await process.wait()


@asynccontextmanager
async def elsewhere(targets: list[str]) -> AsyncIterator[tuple[str, list[dict[str, Any]]]]:
    """A page on another port of this machine that attacks: its address, and what it told of it."""
    told: list[dict[str, Any]] = []

    async def page(request: web.Request) -> web.Response:
        return web.Response(text=ATTACK.replace("TARGETS", json.dumps(targets)), content_type="text/html")

    async def report(request: web.Request) -> web.Response:
        told.append(await request.json())
        return web.Response()

    application = web.Application()
    application.add_routes([web.get("/", page), web.post("/report", report)])
    runner = web.AppRunner(application)
    await runner.setup()
    await web.TCPSite(runner, "127.0.0.1", 0).start()
    yield f"http://127.0.0.1:{runner.addresses[0][1]}/", told
    await runner.cleanup()


async def test_a_page_of_another_origin_neither_begins_nor_reaches_a_run(serve: Serve, tmp_path: Path) -> None:
    free, free_port, reached_free = await serve(None)
    kept, kept_port, reached_kept = await serve("a-long-secret")
    tokens = ("wrong", "", kept._access.key, free._access.key, "a-long-secre")
    targets = [f"http://127.0.0.1:{free_port}/?x=1", f"http://localhost:{free_port}/?x=1"]
    targets += [f"http://127.0.0.1:{kept_port}/?token={token}" for token in tokens]
    async with elsewhere(targets) as (address, told):
        await browse(address, tmp_path / "browser", lambda: bool(told))
    assert told[0]["opened"] == 0 and told[0]["read"] == 0
    assert told[0]["refused"] == 200 + len(targets)
    assert free._process is None and kept._process is None, "no run was begun"
    assert not reached_free.exists() and not reached_kept.exists()


async def test_the_address_that_was_printed_shows_the_run(serve: Serve, tmp_path: Path) -> None:
    server, port, reached = await serve("a-long-secret")
    address = f"http://127.0.0.1:{port}/?token=a-long-secret"
    await browse(address, tmp_path / "browser", lambda: reached.exists() and b"resize" in reached.read_bytes())
    assert server._process is not None and server._process.running, "it outlives the page"
    async with ClientSession() as session:
        assert (await session.get(f"http://127.0.0.1:{port}/")).status == 401


async def test_a_run_that_is_on_is_reached_by_no_other_page_of_the_same_browser(serve: Serve, tmp_path: Path) -> None:
    server, port, reached = await serve("a-long-secret")
    targets = [f"http://127.0.0.1:{port}/?x=1", f"http://localhost:{port}/?token={server._access.key}"]
    async with elsewhere(targets) as (address, told):

        async def then(debugging: int) -> None:
            process, holder = server._process, server._holder
            async with ClientSession() as session:
                await session.put(f"http://127.0.0.1:{debugging}/json/new?{address}")
                while not told:
                    await asyncio.sleep(0.1)
            assert server._process is process and process is not None and process.running
            assert server._holder is holder and holder is not None, "the page that was there still holds the run"

        await browse(f"http://127.0.0.1:{port}/?token=a-long-secret", tmp_path / "browser", reached.exists, then)
    assert told[0]["opened"] == 0 and told[0]["read"] == 0
    assert b"Dx" not in reached.read_bytes(), "nothing was typed into it"


async def test_a_huge_message_and_two_hundred_connections_of_the_page_itself_leave_the_run(
    serve: Serve, tmp_path: Path
) -> None:
    server, port, reached = await serve("a-long-secret")

    async def then(debugging: int) -> None:
        async with ClientSession() as session:
            pages = await (await session.get(f"http://127.0.0.1:{debugging}/json")).json(content_type=None)
            target = next(page["webSocketDebuggerUrl"] for page in pages if f":{port}/" in page["url"])
            async with session.ws_connect(target) as socket:
                await socket.send_json(
                    {
                        "id": 1,
                        "method": "Runtime.evaluate",
                        "params": {"expression": FROM_THE_PAGE, "awaitPromise": True, "returnByValue": True},
                    }
                )
                answer = await socket.receive_json()
        assert answer["result"]["result"]["value"] >= 0, answer
        assert server._process is not None and server._process.running

    await browse(f"http://127.0.0.1:{port}/?token=a-long-secret", tmp_path / "browser", reached.exists, then)
    assert b"Dy" not in reached.read_bytes(), "nothing was typed into it"
