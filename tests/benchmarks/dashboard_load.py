"""Four full buses with the dashboard open: does the screen change anything but the screen?

Run: `python tests/benchmarks/dashboard_load.py [--seconds 60] [--rate 7400] [--size 120x40] [--view seat]`.

The load is that of `live_load.py`: `--rate` frames/s on each of four udp_multicast buses (7,400 is 1 Mbit/s full of
8-byte standard frames), 60 signals a bus, 20 alarms, signature, recording to disk. The process under test runs on a
pseudo-terminal three times: without a screen, with the dashboard and a reader that takes all it is given, and with one
that takes 1 kB/s. Printed for each: frames lost and recorded, alarms, latency from a frame to its alarm on the disk
(apart: until a second after the screen is there), CPU share of the whole process, updates a second and what they cost.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import pty
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from live_load import BUSES, PORT, profile_text, resident, send

from livewatch.dashboard.app import MOST_WAITING, Dashboard
from livewatch.dashboard.content.watched_run import WatchedLive
from livewatch.dashboard.remembered import Remembered
from livewatch.data.events import AlarmChanged
from livewatch.profile import load_profile_text
from livewatch.run.history import History
from livewatch.run.live import LiveRun
from livewatch.run.run import Run
from livewatch.session.folder import Session
from livewatch.session.recorder import Recorder
from livewatch.sources.live.source import parse_live_buses

SLOW = 1000
"""Bytes a second of the slow reader."""
WARM_UP = 3.0
OPENING = 1.0
"""Seconds after the screen is there that its opening is taken to last."""
FIGURES = "figures: [a_0_0, a_1_0, b_2_0]"


class Measured(Dashboard):
    """The dashboard, leaving by itself after so many seconds, with its updates timed."""

    def __init__(self, scene: WatchedLive, view: str, place: Path, seconds: float) -> None:
        remembered = Remembered(place / "dashboard.json")
        remembered.note_cautions(scene.profile.name)
        super().__init__(scene, view, remembered=remembered, plain=False)
        self.place, self.seconds = place, seconds
        self.beats, self.spent, self.drawn = 0, 0.0, 0
        self.thread_time = self.opened = 0.0

    def on_ready(self) -> None:
        self.opened = time.time()
        self.set_timer(self.seconds, self._leave)

    def beat(self) -> None:
        begun = time.thread_time()
        self.drawn += self.output_waiting <= MOST_WAITING
        super().beat()
        self.spent += time.thread_time() - begun
        self.beats += 1

    def _leave(self) -> None:
        self.thread_time = time.thread_time()
        (self.place / "measured").touch()  # the reader takes all from here on, or leaving would take minutes
        self.exit()


def under_test(place: Path, seconds: float, view: str) -> None:
    """The process on the pseudo-terminal; writes what it measured to `place`."""
    profile = load_profile_text(f"{profile_text()}\n{FIGURES}\n", "load.yaml", None)
    folder = Session.create(place, profile, ["load"])
    run = Run(profile, Recorder(folder), history=History(profile))
    late: list[tuple[float, float]] = []

    def listen(events: Any) -> None:
        now = time.time()
        late.extend(
            (now, now - event.utc / 1e9 + profile.period / 1e9)
            for event in events
            if event.subject == "over_0" and isinstance(event, AlarmChanged) and event.raised
        )

    run.listeners.append(listen)
    texts = [f"bus{b}=udp_multicast:239.74.164.{10 + b},port={PORT + b}" for b in range(BUSES)]
    live = LiveRun(run, parse_live_buses(texts))
    live.start()
    (place / "ready").touch()
    time.sleep(WARM_UP)
    found: dict[str, Any] = {}
    stands = 0.0
    cpu, wall = time.process_time(), time.monotonic()
    if view == "none":
        time.sleep(seconds)
    else:
        app = Measured(WatchedLive(live), view, place, seconds)
        app.run()
        stands = app.opened + OPENING
        found = {"beats": app.beats, "drawn": app.drawn, "beat_cpu": app.spent, "screen_cpu": app.thread_time}
    found["cpu"] = (time.process_time() - cpu) / (time.monotonic() - wall)
    (place / "measured").touch()
    while not (place / "sent").exists():
        time.sleep(0.05)
    time.sleep(1.0)
    live.stop()
    recorded = sum(path.read_bytes().count(b"\n") for path in folder.frame_parts())
    found |= {"rows": run.pipeline.rows, "recorded": recorded, "counts": run.pipeline.counts}
    found["late"] = [delay for when, delay in late if when >= stands]
    found["late while opening"] = [delay for when, delay in late if when < stands]
    found["memory"] = resident()
    (place / "found.json").write_text(json.dumps(found))


def measure(arguments: argparse.Namespace, view: str, bytes_a_second: float) -> dict[str, Any]:
    """One run under load; what came of it."""
    context = multiprocessing.get_context("spawn")
    stop, ready, sent = context.Event(), context.Event(), context.Value("q", 0)
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        master, slave = pty.openpty()
        columns, rows = arguments.size.split("x")
        environment = {**os.environ, "COLUMNS": columns, "LINES": rows, "TERM": "xterm-256color", "LANG": "C.UTF-8"}
        environment["COLORTERM"] = "truecolor"
        command = [sys.executable, __file__, "--under-test", name, "--seconds", str(arguments.seconds), "--view", view]
        child = subprocess.Popen(command, stdin=slave, stdout=slave, stderr=slave, env=environment)
        os.close(slave)
        taken = [0]

        def read() -> None:
            try:
                while data := os.read(master, 65_536 if bytes_a_second == float("inf") else SLOW // 10):
                    taken[0] += len(data)
                    if bytes_a_second != float("inf") and not (place / "measured").exists():
                        time.sleep(len(data) / bytes_a_second)
            except OSError:
                return

        reader = threading.Thread(target=read, daemon=True)
        reader.start()
        while not (place / "ready").exists():
            if child.poll() is not None:
                raise SystemExit("the process under test did not start")
            time.sleep(0.05)
        sender = context.Process(target=send, args=(arguments.rate, stop, ready, sent))
        sender.start()
        while not (place / "measured").exists() and child.poll() is None:
            time.sleep(0.1)
        stop.set()
        sender.join()
        (place / "sent").touch()
        child.wait()
        found: dict[str, Any] = json.loads((place / "found.json").read_text())
        found |= {"sent": sent.value, "bytes": taken[0]}
        os.close(master)
        return found


def report(title: str, found: dict[str, Any], seconds: float) -> None:
    """Print one run."""
    late = np.array(found["late"]) * 1000
    print(f"{title}: sent {found['sent']}, lost {found['sent'] - found['rows']}, recorded {found['recorded']}")
    print(f"  CPU {found['cpu'] * 100:.1f} % of one core, memory {found['memory']:.0f} MiB")
    spots = np.percentile(late, [50, 99, 100])
    print(
        f"  {len(late)} alarms, on disk after median {spots[0]:.0f}, 99 % {spots[1]:.0f}, worst {spots[2]:.0f} ms; "
        f"within 100 ms: {np.mean(late <= 100) * 100:.1f} %"
    )
    if opening := found["late while opening"]:
        print(f"  before and while the screen opens: {', '.join(f'{delay * 1000:.0f}' for delay in opening)} ms")
    if "beats" in found:
        rate, drawn = found["beats"] / seconds, found["drawn"] / seconds
        print(
            f"  screen: {rate:.1f} updates a second, {drawn:.1f} of them sent, {found['bytes'] / seconds:.0f} bytes/s; "
            f"{found['beat_cpu'] / found['beats'] * 1000:.1f} ms CPU an update, "
            f"{found['screen_cpu'] / seconds * 100:.1f} % of one core with all that Textual does"
        )


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--rate", type=int, default=7_400)
    parser.add_argument("--size", default="120x40")
    parser.add_argument("--view", default="seat", choices=["seat", "cell", "bench", "none"])
    parser.add_argument("--under-test", type=Path, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.under_test is not None:
        under_test(arguments.under_test, arguments.seconds, arguments.view)
        return
    for title, view, speed in (
        ("without a screen", "none", float("inf")),
        (f"with the {arguments.view} view", arguments.view, float("inf")),
        ("with a terminal that takes 1 kB/s", arguments.view, float(SLOW)),
    ):
        report(title, measure(arguments, view, speed), arguments.seconds)


if __name__ == "__main__":
    main()
