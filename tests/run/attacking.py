"""What attacks a live run: traffic on a bus of its own, a `livewatch watch` behind it, and the questions asked after.

Used by the short attacks of the suite and by the long ones of `tests/benchmarks/live_attacks.py`.
"""

from __future__ import annotations

import fcntl
import json
import os
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import can
import numpy as np

from livewatch.profile import load_profile_text
from livewatch.profile.model import Profile
from livewatch.run.opening import open_source
from livewatch.run.reading import read_through
from livewatch.run.run import Run
from livewatch.session.folder import Session
from livewatch.session.recorder import Recorder

__all__ = [
    "Attack",
    "Ended",
    "Lag",
    "Screen",
    "Server",
    "Traffic",
    "lag_of",
    "lags_of",
    "lines_of",
    "profile",
    "replayed",
]

PROFILE = """
profile: 1
name: attacked
decode:
  - frame: 0x100
    bus: engine
    name: ENGINE
    signals:
      N_ENG: {start: 0, length: 16, scale: 0.25, unit: rpm}
      COUNT: {start: 16, length: 16, unit: "1"}
channels:
  engine_speed: {signal: N_ENG, stale_after: 0.3 s}
signature_alarms: off
alarms:
  fast: {condition: engine_speed > 6000 rpm, priority: critical, action: Lift off.}
  very_fast: {condition: engine_speed > 7000 rpm, on_delay: 0.1 s, off_delay: 0.1 s, priority: high, action: Lift off.}
"""
GROUP = "239.74.163.80"


def profile(folder: Path) -> Path:
    """The profile of the attacked bus, as a file."""
    path = folder / "attacked.yaml"
    path.write_text(PROFILE)
    return path


class Traffic:
    """Frames on a bus between programs, in a thread: the engine's speed goes up and down twice a second, past two
    alarms.

    Args:
        port: of the bus.
        rate: frames a second; garbage: datagrams a second that are no frames, among them; identifier: of the frames.
    """

    def __init__(self, port: int, rate: float = 500.0, garbage: float = 0.0, identifier: int = 0x100) -> None:
        self.sent = 0
        self.paused = threading.Event()
        self._port, self._rate, self._garbage, self._identifier = port, rate, garbage, identifier
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._send, daemon=True)

    def __enter__(self) -> Traffic:
        self._thread.start()
        return self

    def __exit__(self, *of: object) -> None:
        self._stopping.set()
        self._thread.join()

    def _send(self) -> None:
        with can.Bus(GROUP, "udp_multicast", port=self._port) as bus:
            began, garbage = time.monotonic(), 0
            raw: Any = bus
            while not self._stopping.wait(0.004):
                now = time.monotonic() - began
                if self.paused.is_set():
                    began += time.monotonic() - began - self.sent / self._rate
                    continue
                while self.sent < now * self._rate:
                    at = self.sent / self._rate
                    speed = 4000 + 4000 * np.sin(at * 4 * np.pi)
                    data = int(speed * 4).to_bytes(2, "little") + (self.sent & 0xFFFF).to_bytes(2, "little") + bytes(4)
                    bus.send(can.Message(arbitration_id=self._identifier, data=data, is_extended_id=False))
                    self.sent += 1
                while garbage < now * self._garbage:
                    raw._multicast.send(b"no message at all")
                    garbage += 1


@dataclass
class Attack:
    """What is to go wrong below a watch; see `attacked_watch.py`. Times in s after its start; what goes wrong while a
    file is there (`Watching.begin`) does so in the folder `here`."""

    arguments: list[str]
    here: str
    announced: str
    stdout: str
    stderr: str
    sync_takes: float = 0.0
    hangs: list[list[float]] = field(default_factory=list)
    full_after: int = 0
    largest_file: int = 0
    clock_steps: list[list[float]] = field(default_factory=list)
    screen: bool = False
    """`stdout` is a terminal for all three streams, and the dashboard is shown on it."""
    hangup_ignored: bool = False
    """As under `nohup`, a terminal that goes away is not told of by a signal."""


@dataclass
class Ended:
    """What a run left behind: its folder (None when there is none), exit code, and what it said."""

    folder: Path | None
    code: int
    stdout: str
    stderr: str
    announced: list[tuple[int, int, bool, str]]
    """Wall clock and utc of the event, ns; whether it was on the disk; alarm|transition."""


class Server:
    """The program that becomes attacked runs, one after the other."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._profile = profile(folder)
        self._number = 0
        program = Path(__file__).with_name("attacked_watch.py")
        self._process = subprocess.Popen(
            [sys.executable, str(program)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=os.environ
        )

    def __enter__(self) -> Server:
        return self

    def __exit__(self, *of: object) -> None:
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(60)
        self._process.stdout.close()

    @contextmanager
    def watching(self, port: int, stdout: str = "", **attack: Any) -> Iterator[Watching]:
        """A run under attack; it is asked to end (SIGTERM) when the block is left, if it has not ended by then."""
        self._number += 1
        here = self.folder / f"run-{self._number}"
        here.mkdir()
        arguments = ["watch", "-p", str(self._profile), "--bus", f"engine=udp_multicast:{GROUP},port={port}"]
        arguments += ["--out", str(here / "out"), *([] if attack.get("screen") else ["--lines"])]
        said = stdout or str(here / "stdout")
        plan = Attack(arguments, str(here), str(here / "announced"), said, str(here / "stderr"), **attack)
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write(json.dumps(asdict(plan)) + "\n")
        self._process.stdin.flush()
        watching = Watching(here, int(self._process.stdout.readline()))
        try:
            yield watching
        finally:
            if not watching.asked:
                watching.signal(signal.SIGTERM)
            watching.ended = watching.read(int(self._process.stdout.readline()))


class Watching:
    """A run that goes on."""

    def __init__(self, here: Path, process: int) -> None:
        self.here, self.process = here, process
        self.asked = False
        self.ended: Ended
        """Once the block of `watching` is left."""

    def signal(self, number: int) -> None:
        """Send it a signal."""
        self.asked = self.asked or number not in (signal.SIGSTOP, signal.SIGCONT)
        os.kill(self.process, number)

    def begin(self, fault: str) -> None:
        """From now on the disk hangs (`hang`), or the clock is ahead (`ahead`)."""
        (self.here / fault).touch()

    def end(self, fault: str) -> None:
        """No longer."""
        (self.here / fault).unlink()

    @property
    def announced(self) -> list[tuple[int, int, bool, str]]:
        """What was announced so far, as in `Ended`."""
        return _announced(self.here / "announced")

    @property
    def stdout(self) -> str:
        """What it printed so far."""
        return (self.here / "stdout").read_text()

    def logged(self, words: str) -> bool:
        """Whether the event log has these words."""
        log = self.folder / "events.jsonl" if self.folder is not None else None
        return log is not None and log.exists() and words in log.read_text()

    def stall(self, seconds: float) -> tuple[int, int]:
        """Stop it, and have it go on after so long; from when to when it did not run, by the wall clock in ns."""
        start = time.time_ns()
        self.signal(signal.SIGSTOP)
        time.sleep(seconds)
        self.signal(signal.SIGCONT)
        return start, time.time_ns()

    @property
    def folder(self) -> Path | None:
        """Its session folder, once it is there."""
        found = sorted((self.here / "out").glob("*/"))
        return found[0] if found else None

    def until_announced(self, number: int = 1, seconds: float = 30.0) -> None:
        """Wait until so many alarms were announced."""
        end = time.monotonic() + seconds
        while len(self.announced) < number:
            assert time.monotonic() < end, "nothing was announced in time"
            time.sleep(0.02)

    def read(self, code: int) -> Ended:
        """What it left behind."""
        stdout = self.here / "stdout"
        said = stdout.read_text() if stdout.exists() else ""
        stderr = self.here / "stderr"
        told = stderr.read_text() if stderr.exists() else ""
        return Ended(self.folder, code, said, told, _announced(self.here / "announced"))


class Screen:
    """A terminal of 100 columns and 30 rows, and somebody before it who reads what it shows and presses keys.

    Args:
        reads: whether it is read at all.
    """

    def __init__(self, reads: bool = True) -> None:
        self._hand, terminal = pty.openpty()
        fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 30, 100, 0, 0))
        self.name = os.ttyname(terminal)
        self._keeping: int | None = terminal
        self._shown = bytearray()
        self._lost = False
        self._thread = threading.Thread(target=self._read if reads else lambda: None, daemon=True)
        self._thread.start()

    def __enter__(self) -> Screen:
        return self

    def __exit__(self, *of: object) -> None:
        self.lose()

    @property
    def shown(self) -> str:
        """All it was sent, escape sequences included."""
        return self._shown.decode(errors="replace")

    def until_shown(self, words: str, seconds: float = 30.0) -> None:
        """Wait until it was sent these words."""
        end = time.monotonic() + seconds
        while words not in self.shown:
            assert time.monotonic() < end, f"{words!r} was not shown in time"
            time.sleep(0.02)

    def press(self, keys: bytes) -> None:
        """Press keys."""
        os.write(self._hand, keys)

    def release(self) -> None:
        """Leave the terminal to whoever runs on it."""
        if self._keeping is not None:
            os.close(self._keeping)
            self._keeping = None

    def lose(self) -> None:
        """The terminal goes away."""
        self.release()
        if not self._lost:
            self._lost = True
            self._thread.join()
            os.close(self._hand)

    def _read(self) -> None:
        with suppress(OSError):
            while not self._lost:
                if select.select([self._hand], [], [], 0.05)[0]:
                    self._shown += os.read(self._hand, 65536)


def _announced(path: Path) -> list[tuple[int, int, bool, str]]:
    if not path.exists():
        return []
    whole = [line for line in path.read_text().splitlines(keepends=True) if line.endswith("\n")]
    return [
        (int(now), int(utc), state == "kept", what)
        for now, utc, state, what in (line.rstrip("\n").split(" ", 3) for line in whole)
    ]


def lines_of(folder: Path) -> list[str]:
    """The event log without the wall clock."""
    lines = []
    for line in (folder / "events.jsonl").read_text().splitlines():
        record = json.loads(line)
        record.pop("written")
        lines.append(json.dumps(record))
    return lines


def replayed(folder: Path, into: Path) -> list[str]:
    """The event log that what was recorded gives, without the wall clock."""
    watched: Profile = load_profile_text(PROFILE, "attacked.yaml", None)
    again = Session.create(into, watched, ["again"])
    read_through(open_source(folder, watched), Run(watched, Recorder(again, may_wait=True)))
    return lines_of(again.path)


@dataclass
class Lag:
    """Seconds from the tick an alarm belongs to, to its announcement; time in which the process was stopped does not
    count. So an alarm whose tick lies in a stop is counted from the moment at which the process runs again: what came
    meanwhile has to be read first, and reading is part of it."""

    alarms: int
    half: float
    most: float
    """99 of 100 are below it."""
    worst: float

    @classmethod
    def of(cls, lags: Sequence[float]) -> Lag:
        """The figures of lags in s; NaN of none."""
        half, most, worst = np.percentile(lags, (50, 99, 100)) if lags else (np.nan,) * 3
        return cls(len(lags), float(half), float(most), float(worst))

    def __str__(self) -> str:
        half, most, worst = (f"{seconds * 1e3:.0f} ms" for seconds in (self.half, self.most, self.worst))
        return f"{self.alarms} alarms, lag 50 % {half}, 99 % {most}, worst {worst}"


def lags_of(announced: Sequence[tuple[int, int, bool, str]], stopped: Sequence[tuple[int, int]] = ()) -> list[float]:
    """The lag of each announcement, s; `stopped` are the stretches of the wall clock, ns, in which the process did not
    run."""
    return [
        (now - utc - sum(max(0, min(now, stop) - max(utc, start)) for start, stop in stopped)) / 1e9
        for now, utc, _, _ in announced
    ]


def lag_of(announced: Sequence[tuple[int, int, bool, str]], stopped: Sequence[tuple[int, int]] = ()) -> Lag:
    """The figures of all of them."""
    return Lag.of(lags_of(announced, stopped))
