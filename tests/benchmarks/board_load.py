"""What the board costs and how late it is, with many stations on one broker of this machine.

    python tests/benchmarks/board_load.py [--stations 10,50,200,500] [--seconds 30]

A process of its own plays the stations: each sends what a livewatch does (status every 2 s, verdict and authority
every 3 s, values every 1 s, changes of alarms every 20 s), all over a few links, so that what is measured is broker and
board. The board is the real one, drawn headless at 160 x 50. Delay: from the station's clock in its status to when
it is known here; the next drawing shows it. Processor time: of the board and of the broker.
"""

from __future__ import annotations

import argparse
import asyncio
import heapq
import math
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

LINKS = 5


def parts(session: str) -> dict[str, bytes]:
    """What a station says, with MOMENT and STATE where they change."""
    from livewatch.sources.mqtt.messages import MESSAGES, Authority, SystemWord

    trims = [
        Authority(controller=f"controller_{n}", label=f"controller {n}", unit="%", limits=(-25.0, 25.0),
                  everyday=(-10.0, 10.0), value=3.0, used=0.12, least=-4.0, most=8.0, most_used=0.3)
        for n in range(6)
    ]  # fmt: skip
    systems = [SystemWord(system=f"system {n}", word="unproven") for n in range(4)]
    values = {f"channel_{n}": [1.25] * 5 for n in range(6)}
    fields: dict[str, dict] = {
        "status": {"state": "watching", "car": "car of the load", "sent": "MOMENT", "time": 1.0},
        "verdict": {"word": "unproven", "sentence": "Too little was driven to say. " * 4, "systems": systems},
        "authority": {"controllers": trims},
        "samples": {"time": [0.1, 0.2, 0.3, 0.4, 0.5], "utc": "MOMENT", "channels": values, "units": {}},
        "alarms": {"alarm": "lean", "state": "normal", "priority": "critical", "since": 1.0, "utc": "MOMENT"},
    }
    made = {kind: MESSAGES[kind](session=session, **entry).model_dump_json().encode() for kind, entry in fields.items()}
    made["alarms"] = made["alarms"].replace(b'"normal"', b'"STATE"')
    return made


def play(port: int, count: int, seconds: float) -> None:
    """The stations, until the time is over."""
    import random

    import paho.mqtt.client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion

    from livewatch.data.events import utc_text
    from livewatch.sources.mqtt.topics import topic

    links = []
    for _ in range(LINKS):
        link = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        link.max_inflight_messages_set(1000)
        link.connect("127.0.0.1", port)
        link.loop_start()
        links.append(link)
    chance = random.Random(1)
    payloads = {number: parts(f"session-{number}") for number in range(count)}
    due = [
        (time.monotonic() + chance.random() * every, every, kind, number)
        for number in range(count)
        for kind, every in (("status", 2.0), ("verdict", 3.0), ("authority", 3.0), ("samples", 1.0), ("alarms", 20.0))
    ]
    heapq.heapify(due)
    end = time.monotonic() + seconds
    raised = [False] * count
    while (now := time.monotonic()) < end:
        at, every, kind, number = due[0]
        if at > now:
            time.sleep(min(0.02, at - now))
            continue
        heapq.heapreplace(due, (at + every, every, kind, number))
        payload = payloads[number][kind].replace(b"MOMENT", utc_text(time.time_ns()).encode())
        if kind == "alarms":
            raised[number] = not raised[number]
            payload = payload.replace(b"STATE", b"unacknowledged alarm" if raised[number] else b"normal")
        name = topic(f"station {number}", kind, "lean" if kind == "alarms" else "")
        links[number % LINKS].publish(name, payload, 1 if kind in ("status", "alarms") else 0, kind != "samples")
    for link in links:
        link.loop_stop()


async def watch(port: int, count: int, seconds: float, folder: Path) -> dict[str, float]:
    """The board, headless, for so many seconds."""
    from livewatch.dashboard.board import Board
    from livewatch.dashboard.remembered import Remembered
    from livewatch.publish.board_link import BoardLink
    from livewatch.sources.mqtt.broker import Broker

    link = BoardLink(Broker.parse(f"mqtt://127.0.0.1:{port}"))
    delays: list[float] = []
    told = link.stations._told

    def timed(station, kind, what, payload):
        after = told(station, kind, what, payload)
        if kind == "status" and after is not None and math.isfinite(after.delay):
            delays.append(after.delay)
        return after

    link.stations._told = timed
    remembered = Remembered(folder / "remembered.json")
    remembered.note_cautions("the board")
    app = Board(link, remembered=remembered, plain=False)
    drawings: list[float] = []
    show = app.board.show

    def shown(*arguments):
        began = time.perf_counter()
        show(*arguments)
        drawings.append(time.perf_counter() - began)

    app.board.show = shown
    link.start()
    async with app.run_test(size=(160, 50)):
        while len(link.stations) < count:
            await asyncio.sleep(0.5)
        await asyncio.sleep(3.0)
        delays.clear()
        drawings.clear()
        messages, began, spent = link.stations.messages, time.monotonic(), time.process_time()
        await asyncio.sleep(seconds)
        passed = time.monotonic() - began
        spent = time.process_time() - spent
        messages = link.stations.messages - messages
    link.stop()
    delays.sort()
    return {
        "stations": len(link.stations),
        "messages": messages / passed,
        "median": delays[len(delays) // 2],
        "most": delays[int(len(delays) * 0.99)],
        "cost": spent / passed,
        "drawing": sum(drawings) / max(1, len(drawings)),
        "drawn": len(drawings) / passed,
        "memory": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "left_out": sum(link.counts.values()),
    }


def processor_time(process: int) -> float:
    fields = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--stations", default="10,50,200,500")
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--play", nargs=2, type=int, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.play:
        port, count = options.play
        play(port, count, options.seconds)
        return
    from tests.publish.brokers import MOSQUITTO, TestBroker

    if MOSQUITTO is None:
        sys.exit("mosquitto is not installed")
    print("stations  messages/s  delay median  delay 99 %  board  broker  drawing  drawn/s  memory  left out")
    for count in map(int, options.stations.split(",")):
        with tempfile.TemporaryDirectory() as name:
            broker = TestBroker("mosquitto", Path(name))
            broker.start()
            command = [sys.executable, __file__, "--play", str(broker.port), str(count), "--seconds", "3600"]
            playing = subprocess.Popen(command)
            try:
                assert broker._process is not None
                before, began = processor_time(broker._process.pid), time.monotonic()
                found = asyncio.run(watch(broker.port, count, options.seconds, Path(name)))
                cost = (processor_time(broker._process.pid) - before) / (time.monotonic() - began)
            finally:
                playing.kill()
                playing.wait()
                broker.kill()
        print(
            f"{found['stations']:8.0f}  {found['messages']:10.0f}  {found['median'] * 1e3:9.0f} ms"
            f"  {found['most'] * 1e3:7.0f} ms  {found['cost'] * 100:4.0f} %  {cost * 100:4.1f} %"
            f"  {found['drawing'] * 1e3:4.1f} ms  {found['drawn']:7.1f}  {found['memory']:3.0f} MB"
            f"  {found['left_out']:8.0f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
