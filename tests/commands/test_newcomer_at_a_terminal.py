"""The newcomer's whole path at a terminal: `connect`, then the watch, typed into a pseudo terminal of 80 columns and 24
rows, against cars of another program on a bus between programs. What is asked on the screen is answered when it is
asked, and nothing is edited."""

from __future__ import annotations

import contextlib
import os
import re
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import can
import pytest

import livewatch
from livewatch import load_profile, open_session
from livewatch.data.events import FaultCodesRead
from livewatch.profile.diagnostic_port.addresses import request_identifiers
from livewatch.simulator.engine_answers import EngineAnswers
from livewatch.simulator.responder import Responder

from .test_connect import Idling, broadcast, only_reading

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo terminals are a Unix thing")

MOST = 300.0
"""Seconds after which a program hangs. A path takes ten seconds on a machine with little else to do."""
ESCAPE = re.compile(rb"\x1b(\[[0-9;?<>=]*[a-zA-Z]|\][^\x07]*\x07|[=>()][A-Z0-9]?)")


class Terminal:
    """A program at a terminal. `shown` is all it wrote so far, without escape sequences."""

    def __init__(self, command: list[str], folder: Path) -> None:
        import pty
        import termios

        self._handle, program = pty.openpty()
        termios.tcsetwinsize(program, (24, 80))
        here = str(Path(livewatch.__file__).parents[1])
        environment = {**os.environ, "TERM": "xterm-256color", "COLUMNS": "80", "LINES": "24", "PYTHONPATH": here}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "livewatch", *command],
            stdin=program, stdout=program, stderr=program, cwd=folder, env=environment, start_new_session=True,
        )  # fmt: skip
        os.close(program)
        self._end = time.monotonic() + MOST
        self._raw = b""
        self._read = 0

    @property
    def shown(self) -> str:
        return ESCAPE.sub(b"", self._raw).decode(errors="replace").replace("\r", "")

    def answer(self, question: str, answer: str) -> None:
        """Wait until it asks, then type."""
        self._wait(lambda: question in self.shown[self._read :], question)
        self._read = self.shown.index(question, self._read) + len(question)
        os.write(self._handle, f"{answer}\n".encode())

    def ends(self) -> int:
        """Wait until the program is over; its exit code."""
        self._wait(lambda: self.process.poll() is not None, "its end")
        return self.process.wait()

    def close(self) -> None:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()
        os.close(self._handle)

    def _wait(self, condition: object, what: str) -> None:
        assert callable(condition)
        while not condition():
            assert time.monotonic() < self._end, f"waited for {what!r} in vain:\n{self.shown}"
            ready, _, _ = select.select([self._handle], [], [], 0.05)
            if ready:
                try:
                    self._raw += os.read(self._handle, 65536)
                except OSError:  # the program is over
                    self.process.wait(5.0)
                    assert condition(), f"it ended before {what!r}:\n{self.shown}"
                    return


@contextmanager
def car(group: str, port: int, responder: Responder | None, extended: bool) -> Iterator[list[can.Message]]:
    """A car of another program on a bus between programs; gives the requests it heard."""
    heard: list[can.Message] = []
    done = threading.Event()

    def drive() -> None:
        start, number = time.monotonic(), 0
        with can.Bus(group, "udp_multicast", port=port) as bus:
            while not done.is_set():
                message = bus.recv(0.005)
                now = time.monotonic() - start
                if message is not None and message.arbitration_id in request_identifiers(extended):
                    heard.append(message)
                if responder is None:
                    if number < now * 50:
                        bus.send(broadcast(number))
                        number += 1
                    continue
                if message is not None:
                    data = bytes(message.data)
                    responder.receive(message.arbitration_id, message.is_extended_id, data, now)
                for frame in responder.frames_until(now):
                    bus.send(can.Message(arbitration_id=frame.identifier, is_extended_id=extended, data=frame.data))

    thread = threading.Thread(target=drive)
    thread.start()
    try:
        yield heard
    finally:
        done.set()
        thread.join()


ENGINE = {
    "Displacement in litres": "2.0", "Cylinders": "4", "How does the computer know its air": "meter",
    "Is it charged": "turbo", "Fuel?": "E10",
}  # fmt: skip


@pytest.mark.parametrize("kind", ["broadcasting", "29 bit"])
def test_from_connect_to_a_watch_by_typing_what_is_asked(tmp_path: Path, kind: str) -> None:
    extended = kind == "29 bit"
    group, port = f"239.74.163.{81 + extended}", 43_981 + extended
    answers: Mapping[str, str] = ENGINE if extended else {**dict.fromkeys(ENGINE, "?"), "Fuel?": "E10"}
    responder = Responder(EngineAnswers(Idling()), True) if extended else None
    bus = f"udp_multicast:{group},port={port}"
    with car(group, port, responder, extended) as heard:
        terminal = Terminal(
            ["connect", "--lines", "--for", "4s", "--out", "s"] + (["--bus", bus] if extended else []), tmp_path
        )
        try:
            if not extended:
                terminal.answer("for example slcan:", bus)
            terminal.answer("Ask the car what it answers?", "y")
            for question, answer in answers.items():
                terminal.answer(question, answer)
            terminal.answer("What shall the car be called", "Hill car")
            terminal.answer("Watch now?", "y")
            assert terminal.ends() == 0, terminal.shown
        finally:
            terminal.close()
    shown = " ".join(terminal.shown.split())
    assert load_profile(tmp_path / "my_car.yaml").name == "Hill car"
    (folder,) = (tmp_path / "s").iterdir()
    session = open_session(folder)
    assert session.manifest.state == "ended"
    assert only_reading(heard)
    if responder is None:
        assert "1 identifiers are broadcast" in shown and "counter in byte 6" in shown
        assert "0x1A4" in (tmp_path / "my_car.yaml").read_text()
        return
    assert f"{kind}: control unit 18DAF110 answers" in shown
    assert "among them " in shown and "mass air flow" in shown
    assert re.search(r"Answered, of what was wanted, in a second: .*engine speed [0-9.]+/", shown)
    stored = [one.event for one in session.events() if isinstance(one.event, FaultCodesRead)]
    assert stored and stored[0].codes == ("P0171",)
