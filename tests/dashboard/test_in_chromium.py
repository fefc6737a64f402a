"""The browser view under attack from a real browser: pages of another origin, frames, popups, tokens, many connections.

Only where Chromium is installed.
"""

from __future__ import annotations

import asyncio
import json
import shutil
import sys
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest
from aiohttp import ClientSession, web

from livewatch.dashboard.browser.server import BrowserServer

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")
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
)
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

Serve = Callable[[str | None], Awaitable[tuple[BrowserServer, int, Path]]]


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


async def browse(address: str, profile: Path, until: Callable[[], bool]) -> None:
    """Open an address in Chromium until something has happened."""
    process = await asyncio.create_subprocess_exec(
        str(CHROMIUM), *FLAGS, "--remote-debugging-port=0", f"--user-data-dir={profile}", address,
        stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.DEVNULL,
    )  # fmt: skip
    try:
        for _ in range(600):
            if until():
                return
            assert process.returncode is None
            await asyncio.sleep(0.1)
        raise AssertionError("nothing came of it in a minute")
    finally:
        process.terminate()
        await process.wait()


async def test_a_page_of_another_origin_neither_begins_nor_reaches_a_run(serve: Serve, tmp_path: Path) -> None:
    free, free_port, reached_free = await serve(None)
    kept, kept_port, reached_kept = await serve("a-long-secret")
    tokens = ("wrong", "", kept._access.key, free._access.key, "a-long-secre")
    targets = [f"http://127.0.0.1:{free_port}/?x=1", f"http://localhost:{free_port}/?x=1"]
    targets += [f"http://127.0.0.1:{kept_port}/?token={token}" for token in tokens]
    told: list[dict[str, Any]] = []

    async def page(request: web.Request) -> web.Response:
        return web.Response(text=ATTACK.replace("TARGETS", json.dumps(targets)), content_type="text/html")

    async def report(request: web.Request) -> web.Response:
        told.append(await request.json())
        return web.Response()

    elsewhere = web.Application()
    elsewhere.add_routes([web.get("/", page), web.post("/report", report)])
    runner = web.AppRunner(elsewhere)
    await runner.setup()
    site = web.TCPSite(runner, "127.0.0.1", 0)
    await site.start()
    port = runner.addresses[0][1]
    await browse(f"http://127.0.0.1:{port}/", tmp_path / "browser", lambda: bool(told))
    await runner.cleanup()
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
