"""A program that watches a bus while something is wrong with its disk or its clock: `livewatch watch` as it is, with
what is to go wrong put under it.

Each line of standard input is a JSON object, `Attack` in `attacking.py`; a child is forked for it (importing everything
anew for each would take seconds), its number printed, and, when it has ended, its exit status; both end with standard
input. Its disk hangs while a file `hang` is in its folder `here`, and its clock is `AHEAD` while one called `ahead` is.
The child writes each announcement, the moment it is made, to the file `announced`: wall clock and utc of the event in
ns, whether it was on the disk, alarm, transition.
"""

from __future__ import annotations

import errno
import fcntl
import json
import os
import resource
import select
import signal
import stat
import sys
import termios
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from livewatch.commands import cli
from livewatch.data.events import AlarmChanged, Event
from livewatch.run.announcer import Announcer
from livewatch.session.line_file import LineFile
from livewatch.session.recorder import Recorder

AHEAD = 40.0
"""Seconds."""


def watch(attack: dict[str, Any]) -> int:
    """Become the attacked run; the exit code."""
    os.setsid()
    if attack["screen"]:
        terminal = os.open(attack["stdout"], os.O_RDWR)
        fcntl.ioctl(terminal, termios.TIOCSCTTY, 0)
        for handle in (0, 1, 2):
            os.dup2(terminal, handle)
        nothing_remembered = os.path.dirname(attack["announced"])  # noqa: PTH120
        os.environ |= {"TERM": "xterm-256color", "COLORTERM": "truecolor", "XDG_STATE_HOME": nothing_remembered}
    for handle, name in () if attack["screen"] else ((1, "stdout"), (2, "stderr")):
        fifo = os.path.exists(attack[name]) and stat.S_ISFIFO(os.stat(attack[name]).st_mode)  # noqa: PTH110, PTH116
        opened = os.open(attack[name], os.O_WRONLY if fifo else os.O_RDWR | os.O_CREAT)
        os.dup2(opened, handle)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    signal.signal(signal.SIGHUP, signal.SIG_IGN if attack["hangup_ignored"] else signal.SIG_DFL)
    _note_announcements(attack["announced"])
    _slow_disk(attack["sync_takes"], attack["hangs"], Path(attack["here"], "hang"))
    if attack["full_after"]:
        _full_disk(attack["full_after"])
    if attack["largest_file"]:
        resource.setrlimit(resource.RLIMIT_FSIZE, (attack["largest_file"], resource.RLIM_INFINITY))
    _set_clock(attack["clock_steps"], Path(attack["here"], "ahead"))
    return cli.main(attack["arguments"])


def _note_announcements(path: str) -> None:
    noted = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    start = Announcer.start
    early: list[bool] = []

    def note(events: Sequence[Event]) -> None:
        now = time.clock_gettime_ns(time.CLOCK_REALTIME)
        lines = [
            f"{now} {event.utc} {'early' if early else 'kept'} {event.subject}|{event.transition}\n"
            for event in events
            if isinstance(event, AlarmChanged)
        ]
        early.clear()
        if lines:
            os.write(noted, "".join(lines).encode())

    def noting(self: Announcer) -> None:
        assert isinstance(self._listeners, list)
        self._listeners.append(note)
        self.disk_listeners.append(lambda events, there: None if there else early.append(True))
        start(self)

    Announcer.start = noting  # type: ignore[method-assign]


def _slow_disk(sync_takes: float, hangs: list[list[float]], hanging: Path) -> None:
    """Each fsync takes so long; nothing is written or synced in the stretches (s after now: from, to), nor while
    `hanging` is there."""
    began = time.monotonic()
    usual_sync, usual_write = LineFile.sync, LineFile.write

    def hang() -> None:
        for start, stop in hangs:
            now = time.monotonic() - began
            if start <= now < stop:
                time.sleep(stop - now)
        while hanging.exists():
            time.sleep(0.01)

    def sync(self: LineFile) -> None:
        hang()
        time.sleep(sync_takes)
        usual_sync(self)

    def write(self: LineFile, lines: bytes) -> None:
        hang()
        usual_write(self, lines)

    LineFile.sync, LineFile.write = sync, write  # type: ignore[method-assign]


def _full_disk(most: int) -> None:
    """The disk takes so many bytes of frames, and no more; what is kept free for the rest is there."""
    usual = LineFile.write
    written = 0

    def write(self: LineFile, lines: bytes) -> None:
        nonlocal written
        if self.path.name.startswith("frames") and written + len(lines) > most:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        usual(self, lines)
        written += len(lines)

    LineFile.write = write  # type: ignore[method-assign]


def _set_clock(steps: list[list[float]], ahead: Path) -> None:
    """The machine's clock is set (s after now: when, by how much), and is `AHEAD` while that file is there, for this
    process and for the stamps of its bus."""
    from can.interfaces.udp_multicast.bus import GeneralPurposeUdpMulticastBus

    began, usual, usual_ns, receive = time.monotonic(), time.time, time.time_ns, GeneralPurposeUdpMulticastBus.recv

    def offset() -> float:
        by_now = sum(by for when, by in steps if time.monotonic() - began >= when)
        return by_now + AHEAD if ahead.exists() else by_now

    def stamped(self: Any, timeout: float | None = None) -> Any:
        received = receive(self, timeout)
        return received if received is None else (*received[:2], received[2] + offset())

    time.time = lambda: usual() + offset()
    time.time_ns = lambda: usual_ns() + round(offset() * 1e9)
    GeneralPurposeUdpMulticastBus.recv = stamped  # type: ignore[method-assign]


def main() -> None:
    """One child a line."""
    for line in sys.stdin:
        child = os.fork()
        if not child:
            code = 70
            try:
                code = watch(json.loads(line))
            finally:
                os._exit(code)
        print(child, flush=True)
        ended = os.pidfd_open(child)
        if ended not in select.select([ended, sys.stdin], [], [])[0]:
            os.kill(child, signal.SIGKILL)  # whoever asked for it is no longer there
            return
        os.close(ended)
        _, status = os.waitpid(child, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


if __name__ == "__main__":
    Recorder  # noqa: B018  all that a run needs is imported before the first fork
    import can.interfaces.udp_multicast  # noqa: F401

    import livewatch.commands.watch  # noqa: F401

    main()
