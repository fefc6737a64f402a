"""An adapter on a serial line, as `slcan` speaks it, with a car behind it and faults to be put in.

A pseudo terminal is opened; `path` names it, and goes on naming it after the adapter was unplugged and plugged in
again. A control unit answers requests in real time. What goes wrong is said by `Faults`.
"""

from __future__ import annotations

import contextlib
import os
import pty
import select
import threading
import time
import tty
from dataclasses import dataclass
from pathlib import Path
from random import Random

from livewatch.simulator.responder import Responder

BIT_RATE_COMMANDS = {10: b"S0", 20: b"S1", 50: b"S2", 100: b"S3", 125: b"S4", 250: b"S5", 500: b"S6", 750: b"S7",
                     1000: b"S8", 83.3: b"S9"}  # fmt: skip
"""kbit/s to the command, as python-can sends them."""


@dataclass
class Faults:
    """What goes wrong on the line.

    Attributes:
        split: lines come in pieces.
        garbage: share of lines before which bytes stand that mean nothing.
        lost_bytes: share of bytes that are lost.
        echo: what was sent comes back as if it were received.
        stalled: nothing is said or heard while true.
        rate: kbit/s of the bus; at another one nothing is understood.
    """

    split: bool = False
    garbage: float = 0.0
    lost_bytes: float = 0.0
    echo: bool = False
    stalled: bool = False
    rate: float = 500


class SlcanAdapter:
    """Begins when made; `close` ends it. `asked` are the request frames it was told to send, `commands` all else."""

    def __init__(self, folder: Path, car: Responder, faults: Faults | None = None) -> None:
        self.path = folder / "adapter"
        self.faults = faults or Faults()
        self.asked: list[tuple[int, bytes]] = []
        self.commands: list[bytes] = []
        self._car = car
        self._chance = Random(16)
        self._handle: int | None = None
        self._rate = b""
        self._open = False
        self._done = threading.Event()
        self.plug()
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def plug(self) -> None:
        """Be there, under `path`."""
        handle, slave = pty.openpty()
        tty.setraw(slave)
        name = os.ttyname(slave)
        os.close(slave)
        with contextlib.suppress(FileNotFoundError):
            self.path.unlink()
        self.path.symlink_to(name)
        self._open = False
        self._handle = handle

    def unplug(self) -> None:
        """Be gone."""
        handle, self._handle = self._handle, None
        self.path.unlink()
        if handle is not None:
            os.close(handle)

    def close(self) -> None:
        """End."""
        self._done.set()
        self._thread.join()
        if self._handle is not None:
            self.unplug()

    def _work(self) -> None:
        said = b""
        start = time.monotonic()
        while not self._done.is_set():
            handle = self._handle
            if handle is None or self.faults.stalled:
                time.sleep(0.005)
                continue
            due = self._car.next_due()
            now = time.monotonic() - start
            try:
                ready, _, _ = select.select([handle], [], [], 0.01 if due is None else min(0.01, max(0.0, due - now)))
                if ready:
                    said += os.read(handle, 4096)
                while b"\r" in said:
                    line, _, said = said.partition(b"\r")
                    self._told(line, time.monotonic() - start)
                for frame in self._car.frames_until(time.monotonic() - start):
                    self._say(frame.identifier, frame.extended, frame.data)
            except (OSError, ValueError):  # nobody has it open now, or it was unplugged meanwhile
                said = b""
                time.sleep(0.005)

    def _told(self, line: bytes, now: float) -> None:
        if line[:1] not in (b"t", b"T"):
            self.commands.append(line)
            if line[:1] == b"S":
                self._rate = line
            self._open = line[:1] in (b"O", b"L") or (self._open and line[:1] != b"C")
            return
        digits = 3 if line[:1] == b"t" else 8
        identifier = int(line[1 : 1 + digits], 16)
        data = bytes.fromhex(line[2 + digits :].decode())
        self.asked.append((identifier, data))
        if self._rate != BIT_RATE_COMMANDS[self.faults.rate]:
            return
        if self.faults.echo:
            self._say(identifier, digits == 8, data)
        self._car.receive(identifier, digits == 8, data, now)

    def _say(self, identifier: int, extended: bool, data: bytes) -> None:
        if not self._open or self._rate != BIT_RATE_COMMANDS[self.faults.rate]:
            return
        name = f"T{identifier:08X}" if extended else f"t{identifier:03X}"
        line = f"{name}{len(data)}{data.hex().upper()}\r".encode()
        if self._chance.random() < self.faults.garbage:
            line = bytes(self._chance.randrange(256) for _ in range(6)) + b"\r" + line
        if self.faults.lost_bytes:
            line = bytes(byte for byte in line if self._chance.random() >= self.faults.lost_bytes)
        pieces = [line[at : at + 5] for at in range(0, len(line), 5)] if self.faults.split else [line]
        for piece in pieces:
            assert self._handle is not None
            os.write(self._handle, piece)
            if self.faults.split:
                time.sleep(0.0005)
