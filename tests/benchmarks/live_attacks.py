"""Attacks on a live run: prints, for each, the lag from tick to announcement and whether live and replay agree.

    python tests/benchmarks/live_attacks.py [--stalls N] [--kills N] [--seconds S] [--minutes M] [--only NAME ...]

A run of `livewatch watch --lines` listens to a bus between programs that raises some alarms a second; what attacks it
is in `tests/run/attacked_watch.py` (its disk, its clock) and here (signals, its terminal, its traffic). For each run
one line is printed: the exit code, the lag, the alarms announced before they were on the disk, and whether the events
of a replay of what was recorded are the same bytes, the wall clock aside. Where the recording lacks something, both
logs must say so.

An alarm of a silent bus is announced some 0.4 s after its moment: data time stays a quarter of a second behind while
nothing is received.
"""

from __future__ import annotations

import argparse
import fcntl
import json
import os
import pty
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from livewatch.run.pipeline import LATE

sys.path.insert(0, str(Path(__file__).parents[1] / "run"))

from attacking import Ended, Lag, Screen, Server, Traffic, lag_of, lags_of, lines_of, replayed  # type: ignore[import-not-found]

LONGEST_LAG, USUAL_LAG, SILENT_LAG = 1.0, 0.15, 0.5
STALLS_A_RUN = 10
CATCHING_UP = 20
"""Times faster than it came, at the least, is what waited during a stop read: 500 frames a second in 0.1 ms each."""


class Attacks:
    """All attacks; each method is one. `failed` are the names of those that did not hold."""

    def __init__(self, server: Server, options: argparse.Namespace) -> None:
        self.server, self.options = server, options
        self.failed: list[str] = []
        self._port = 45_100 + os.getpid() % 500 * 10

    def port(self) -> int:
        """A bus of its own."""
        self._port += 1
        return self._port

    def said(
        self,
        name: str,
        ended: Ended,
        code: int,
        stalls: list[tuple[int, int]] | None = None,
        whole: bool = True,
        usual: float = USUAL_LAG,
    ) -> None:
        """Print what became of a run, and note whether it held."""
        lag = lag_of(ended.announced, stalls or [])
        early = sum(not there for _, _, there, _ in ended.announced)
        same, told, state = False, False, "no folder"
        if ended.folder is not None and ended.folder.is_dir():
            live, again = lines_of(ended.folder), replayed(ended.folder, self.server.folder)
            same = live == again
            told = all(any("not recorded" in line or "removed" in line for line in log) for log in (live, again))
            state = "closed" if '"state": "ended"' in (ended.folder / "manifest.json").read_text() else "open"
        agree = "live and replay equal" if same else "differ, told in both" if told else "DIFFER"
        held = (same if whole else same or told) and ended.code == code and not lag.worst > LONGEST_LAG
        held = held and not lag.most > usual
        if not held:
            self.failed.append(name)
        verdict = "" if held else "   <-- does not hold"
        print(f"{name:28} exit {ended.code}, {lag}, {early} early, {agree}, manifest {state}{verdict}", flush=True)
        if ended.stderr:
            print(f"{'':28} {ended.stderr.splitlines()[-1]}", flush=True)

    def nothing(self) -> None:
        """A run that nothing happens to."""
        port = self.port()
        with Traffic(port), self.server.watching(port) as run:
            run.until_announced()
            time.sleep(self.options.seconds)
        self.said("nothing wrong", run.ended, 143)

    def stalls(self) -> None:
        """Stopped and continued, at random moments, for 0.1 to 10 s, several times a run."""
        chance = random.Random(self.options.seed)
        all_lags: list[float] = []
        running: list[float] = []
        left, number = self.options.stalls, 0
        while left > 0:
            number += 1
            some = min(left, STALLS_A_RUN)
            left -= some
            port, stalls = self.port(), []
            with Traffic(port), self.server.watching(port) as run:
                run.until_announced()
                for _ in range(some):
                    time.sleep(chance.uniform(0.5, 1.5))
                    stalls.append(run.stall(0.1 * 100 ** chance.random()))
                time.sleep(1.0)
            longest = max(stop - start for start, stop in stalls) / 1e9
            name = f"{some} stalls to {longest:.1f} s"
            self.said(name, run.ended, 143, stalls, usual=LONGEST_LAG)
            lags = lags_of(run.ended.announced, stalls)
            all_lags += lags
            # A stretch after each stop goes to reading what came meanwhile: 0.1 ms a frame at the most.
            catching = [(start, stop + (stop - start) // CATCHING_UP) for start, stop in stalls]
            running += [
                lag
                for lag, (_, utc, _, _) in zip(lags, run.ended.announced, strict=True)
                if not any(start <= utc <= stop for start, stop in catching)
            ]
        print(f"{'all stalls':28} {Lag.of(all_lags)}")
        print(f"{'but for catching up':28} {Lag.of(running)}")
        if Lag.of(running).most > USUAL_LAG:
            self.failed.append("lag over all stalls")

    def disk(self) -> None:
        """The disk takes long for each fsync, or hangs."""
        for name, more in (
            ("each fsync takes 0.3 s", {"sync_takes": 0.3}),
            ("each fsync takes 2 s", {"sync_takes": 2.0}),
            ("the disk hangs for 15 s", {"hangs": [[3.0, 18.0]]}),
        ):
            port = self.port()
            with Traffic(port), self.server.watching(port, **more) as run:
                run.until_announced()
                time.sleep(20.0 if "hangs" in more else self.options.seconds)
            self.said(name, run.ended, 143)

    def full(self) -> None:
        """The disk takes so much and no more; a file may not grow."""
        for name, more in (
            ("the disk is full", {"full_after": 60_000}),
            ("no file may grow", {"largest_file": 40_000}),
        ):
            port = self.port()
            with Traffic(port), self.server.watching(port, **more) as run:
                run.until_announced()
                time.sleep(self.options.seconds)
            self.said(name, run.ended, 6, whole=False)

    def deleted(self) -> None:
        """The session folder is deleted while it is written."""
        port = self.port()
        with Traffic(port), self.server.watching(port) as run:
            run.until_announced(3)
            folder = run.folder
            assert folder is not None
            shutil.rmtree(folder.rename(self.server.folder / "deleted"))
            time.sleep(self.options.seconds)
        self.said("the folder is deleted", run.ended, 6, whole=False)

    def garbage(self) -> None:
        """Messages that are none, among those that are."""
        for each_second in (100, 400, 1000):
            port = self.port()
            with Traffic(port, garbage=each_second), self.server.watching(port) as run:
                run.until_announced()
                time.sleep(self.options.seconds)
            self.said(f"{each_second} garbage a second", run.ended, 143)

    def clock(self) -> None:
        """The machine's clock is set, back and forth, with a pause after it."""
        for name, steps in (
            ("clock set back an hour", [[4.0, -3600.0]]),
            ("clock set forth an hour", [[4.0, 3600.0]]),
            ("clock set to and fro", [[3.5, -0.5], [4.5, 30.0], [5.5, -30.0], [6.0, 0.4]]),
        ):
            port = self.port()
            with Traffic(port) as traffic, self.server.watching(port, clock_steps=steps) as run:
                run.until_announced()
                time.sleep(5.0)
                traffic.paused.set()
                time.sleep(2.0)
                traffic.paused.clear()
                time.sleep(1.0)
            # The lag is counted by the true clock: events after a step are stamped by the other one.
            run.ended.announced[:] = [one for one in run.ended.announced if abs(one[0] - one[1]) < 10**9 // 5]
            self.said(name, run.ended, 143)

    def silence(self) -> None:
        """Nothing from the start; frames that the profile does not know."""
        port = self.port()
        with self.server.watching(port) as run:
            run.until_announced()
            time.sleep(1.0)
        self.said("silent from the start", run.ended, 143, usual=SILENT_LAG)
        with Traffic(port, identifier=0x321), self.server.watching(port) as run:
            run.until_announced()
            time.sleep(1.0)
        self.said("foreign frames only", run.ended, 143)
        print(f"{'':28} {[line for line in run.ended.stdout.splitlines() if 'bus' in line][:1]}")

    def ends(self) -> None:
        """Every way to end."""
        for name, number, code in (("SIGINT", 2, 0), ("SIGTERM", 15, 143), ("SIGHUP", 1, 129)):
            port = self.port()
            with Traffic(port), self.server.watching(port) as run:
                run.until_announced(3)
                run.signal(number)
            self.said(name, run.ended, code)
            print(f"{'':28} {run.ended.stdout.splitlines()[-1]}")

    def pipes(self) -> None:
        """A pipe that is closed, one that is not read; a terminal that is not read, one that goes away."""
        for name, closes, code in (("the pipe is closed", True, 141), ("the pipe is not read", False, 143)):
            port, path = self.port(), self.server.folder / f"pipe {name}"
            os.mkfifo(path)
            reading = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
            fcntl.fcntl(reading, fcntl.F_SETPIPE_SZ, 4096)
            with Traffic(port), self.server.watching(port, str(path)) as run:
                run.until_announced(3)
                if closes:
                    os.close(reading)
                    run.asked = True
                else:
                    time.sleep(max(10.0, self.options.seconds))
            self.said(name, run.ended, code)
        for name, closes, code in (("the terminal is lost", True, 129), ("the terminal is not read", False, 143)):
            port = self.port()
            with _terminal() as (hand, terminal), Traffic(port), self.server.watching(port, terminal) as run:
                run.until_announced(3)
                if closes:
                    os.close(hand)
                    run.asked = True
                else:
                    time.sleep(max(10.0, self.options.seconds))
            self.said(name, run.ended, code)

    def screens(self) -> None:
        """Every way to end with the dashboard on a terminal."""
        cautions, asked, end = "I have read this", "Stop watching?", {"full_after": 20_000}
        for name, code, do, more in (
            ("screen, SIGINT", 0, signal.SIGINT, {}),
            ("screen, SIGTERM", 143, signal.SIGTERM, {}),
            ("screen, SIGHUP", 129, signal.SIGHUP, {}),
            ("screen, Ctrl-C", 0, ((cautions, b"\x03"),), {}),
            ("screen, Ctrl-C twice", 0, ((cautions, b"\r"), ("fast", b"\x03"), (asked, b"\x03")), {}),
            ("screen, q and 1", 0, ((cautions, b"\r"), ("fast", b"q"), (asked, b"1")), {}),
            ("screen, the terminal is lost", 129, None, {}),
            ("screen, terminal not read", 143, signal.SIGTERM, {"reads": False}),
            ("screen, the disk is full", 6, signal.SIGTERM, end),
        ):
            port, reads = self.port(), more.pop("reads", True)
            with Screen(reads) as screen, Traffic(port):
                with self.server.watching(port, screen.name, screen=True, **more) as run:
                    run.until_announced(3)
                    screen.release()
                    run.asked = True
                    if do is None:
                        screen.lose()
                    elif isinstance(do, tuple):
                        for words, keys in do:
                            screen.until_shown(words)
                            screen.press(keys)
                            time.sleep(0.3)
                    else:
                        time.sleep(self.options.seconds)
                        run.signal(do)
                self.said(name, run.ended, code, whole="full_after" not in more)
                said = screen.shown.rpartition("The session folder")
                print(f"{'':28} {''.join(said[1:]).strip() if said[1] else 'nobody was there to be told'}", flush=True)

    def long(self) -> None:
        """The dashboard for as long as asked, at 1,500 frames a second: no row is late."""
        port = self.port()
        watching = self.server.watching
        with Screen() as screen, Traffic(port, rate=1500.0), watching(port, screen.name, screen=True) as run:
            run.until_announced(3)
            screen.release()
            screen.until_shown("I have read this")
            screen.press(b"\r")
            time.sleep(self.options.minutes * 60.0)
        name = f"dashboard, {self.options.minutes:g} minutes"
        self.said(name, run.ended, 143)
        assert run.ended.folder is not None
        late = [event for event in map(json.loads, lines_of(run.ended.folder)) if LATE in event.get("counts", {})]
        print(f"{'':28} {late[-1]['counts'][LATE] if late else 0} late rows", flush=True)
        if late:
            self.failed.append(f"{name}, late rows")

    def kills(self) -> None:
        """Killed at random moments: nothing announced is lost, every folder opens, the frames give it again."""
        chance = random.Random(self.options.seed)
        lost = opened = again = announced = 0
        port = self.port()
        with Traffic(port):
            for _ in range(self.options.kills):
                with self.server.watching(port) as run:
                    run.until_announced(1)
                    time.sleep(chance.uniform(0.0, 1.0))
                    run.signal(signal.SIGKILL)
                assert run.ended.folder is not None
                logs = [lines_of(run.ended.folder), replayed(run.ended.folder, self.server.folder)]
                opened += 1
                # What was told as not yet on the disk has its place in the log, if it came to be there.
                kept = [(place, what) for place, (_, _, there, what) in enumerate(run.ended.announced) if there]
                announced += len(kept)
                missing = [sum(log[place : place + 1] != [what] for place, what in kept) for log in map(_alarms, logs)]
                lost += missing[0]
                again += not missing[1]
                said = f"{announced} alarms announced, {lost} lost, {opened} folders open, {again} derived again"
                print(f"{opened} kills: {said}", end="\n" if opened == self.options.kills else "\r", flush=True)
        if lost or not opened == again == self.options.kills:
            self.failed.append("kills")


@contextmanager
def _terminal() -> Iterator[tuple[int, str]]:
    hand, terminal = pty.openpty()
    name = os.ttyname(terminal)
    os.close(terminal)
    keeping = os.open(name, os.O_RDWR | os.O_NOCTTY)
    try:
        yield hand, name
    finally:
        os.close(keeping)


def _alarms(log: list[str]) -> list[str]:
    events = [json.loads(line) for line in log]
    return [f"{event['subject']}|{event['transition']}" for event in events if event["event"] == "alarm"]


def main() -> int:
    """Run them; 1 when one did not hold."""
    names = [name for name in vars(Attacks) if not name.startswith("_") and name not in ("said", "port")]
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--stalls", type=int, default=10)
    parser.add_argument("--kills", type=int, default=10)
    parser.add_argument("--seconds", type=float, default=6.0, help="how long most runs are watched")
    parser.add_argument("--minutes", type=float, default=0.5, help="how long the dashboard of `long` is watched")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", choices=names, default=names)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, Server(Path(folder)) as server:
        attacks = Attacks(server, options)
        for name in options.only:
            attack: Callable[[], None] = getattr(attacks, name)
            attack()
    print("all held" if not attacks.failed else f"did not hold: {', '.join(attacks.failed)}")
    return 1 if attacks.failed else 0


if __name__ == "__main__":
    sys.exit(main())
