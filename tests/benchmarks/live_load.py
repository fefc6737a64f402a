"""Four full buses through a whole live run: what is lost, what it costs, how late an alarm is on the disk.

Run: `python tests/benchmarks/live_load.py [--minutes 10] [--rate 7400]`.

A sender in a process of its own puts `--rate` frames/s on each of four udp_multicast buses (7,400 is 1 Mbit/s full of
8-byte standard frames, ISO 11898-1 by Davis et al. 2007): the datagrams that python-can itself would send, packed once,
so that the sender costs little. The receiving process is livewatch as `watch` runs it, without a screen: decoding 60
signals of 30 messages on each bus, 20 alarms, signature, recording to disk. Every two seconds one signal crosses a
set point; the time from the frame's receipt to the moment its event is durable is measured in a listener, the event's
own tick of 10 ms counted against livewatch.

Printed: frames sent and recorded, CPU share of the whole process and of python-can's bare `recv` over the same traffic
in the same run (first minute apart), memory each minute, latency percentiles.
"""

from __future__ import annotations

import argparse
import multiprocessing
import socket
import struct
import tempfile
import threading
import time
from pathlib import Path

import can
import can.interfaces.udp_multicast.utils as wire
import numpy as np

from livewatch.data.events import AlarmChanged
from livewatch.profile import load_profile_text
from livewatch.run.history import History
from livewatch.run.live import LiveRun
from livewatch.run.run import Run
from livewatch.session.folder import Session
from livewatch.session.recorder import Recorder
from livewatch.sources.live.source import parse_live_buses

BUSES, MESSAGES, ALARMS, PORT = 4, 30, 20, 43_311
TOGGLE_EVERY = 2.0


def profile_text() -> str:
    """Four buses of 30 messages with two signals each."""
    lines = ["profile: 1", "name: load test", "decode:"]
    channels, alarms = ["channels:"], ["signature_alarms: off", "alarms:"]
    for bus in range(BUSES):
        for number in range(MESSAGES):
            lines += [
                f"  - frame: {0x100 + number}",
                f"    bus: bus{bus}",
                f"    name: M{bus}_{number}",
                "    signals:",
                f"      A{bus}_{number}: {{start: 0, length: 16, scale: 0.1, unit: kPa}}",
                f"      B{bus}_{number}: {{start: 23, length: 16, order: big_endian, kind: signed, unit: rpm}}",
            ]
            if number < 8:
                channels.append(f"  a_{bus}_{number}: {{signal: A{bus}_{number}, unit: kPa}}")
                channels.append(f"  b_{bus}_{number}: {{signal: B{bus}_{number}, unit: rpm}}")
    for number in range(ALARMS):
        bus, message = number % BUSES, number // BUSES
        alarms += [
            f"  over_{number}:",
            f"    condition: a_{bus}_{message} > 5000 kPa",
            "    deadband: 10 kPa",
            f"    priority: {'high' if number == 0 else 'low'}",
            "    action: Lift off.",
        ]
    return "\n".join([*lines, *channels, *alarms])


def datagram(identifier: int, data: bytes) -> bytes:
    return wire.pack_message(can.Message(arbitration_id=identifier, is_extended_id=False, data=data, timestamp=0.0))


def send(rate: int, stop, ready, sent) -> None:  # type: ignore[no-untyped-def]
    """Every bus at `rate` frames/s, a millisecond's worth at a time; bus 0's first signal toggles."""
    link = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    link.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, struct.pack("b", 1))
    link.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_LOOP, 1)
    low = [datagram(0x100 + number, struct.pack("<H", 1000) + bytes(6)) for number in range(MESSAGES)]
    high = datagram(0x100, struct.pack("<H", 60000) + bytes(6))
    targets = [(f"239.74.164.{10 + bus}", PORT + bus) for bus in range(BUSES)]
    ready.set()
    time.sleep(1.0)
    began, done = time.perf_counter(), 0
    while not stop.is_set():
        elapsed = time.perf_counter() - began
        due = int(elapsed * rate)
        up = elapsed % TOGGLE_EVERY < TOGGLE_EVERY / 2
        for bus, target in enumerate(targets):
            for number in range(done, due):
                which = number % MESSAGES
                link.sendto(high if up and bus == 0 and which == 0 else low[which], target)
        done = due
        time.sleep(0.001)
    sent.value = done * BUSES


def resident() -> float:
    """Resident memory of this process, MiB."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 2**20


def bare_receive(seconds: float) -> float:
    """CPU share of one core that python-can's `recv` alone takes of the traffic."""
    used = [0.0] * BUSES
    done = threading.Event()

    def read(index: int, bus: can.BusABC) -> None:
        while not done.is_set():
            bus.recv(0.05)
        used[index] = time.thread_time()

    buses = [
        can.Bus(f"239.74.164.{10 + index}", "udp_multicast", port=PORT + index, ignore_config=True)
        for index in range(BUSES)
    ]
    threads = [threading.Thread(target=read, args=(index, bus)) for index, bus in enumerate(buses)]
    for thread in threads:
        thread.start()
    time.sleep(seconds)
    done.set()
    for thread in threads:
        thread.join()
    for bus in buses:
        bus.shutdown()
    return sum(used) / seconds


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--rate", type=int, default=7_400)
    arguments = parser.parse_args()
    context = multiprocessing.get_context("spawn")

    def start_sender():  # type: ignore[no-untyped-def]
        stop, ready, sent = context.Event(), context.Event(), context.Value("q", 0)
        process = context.Process(target=send, args=(arguments.rate, stop, ready, sent))
        process.start()
        ready.wait()
        return process, stop, sent

    process, stop, _ = start_sender()
    time.sleep(1.5)
    bare = bare_receive(10.0)
    stop.set()
    process.join()
    print(f"python-can recv alone: {bare * 100:.1f} % of one core", flush=True)

    profile = load_profile_text(profile_text(), "load.yaml", None)
    with tempfile.TemporaryDirectory() as place:
        folder = Session.create(Path(place), profile, ["load"])
        run = Run(profile, Recorder(folder), history=History(profile))
        late: list[float] = []

        def listen(events) -> None:  # type: ignore[no-untyped-def]
            now = time.time()
            late.extend(
                now - event.utc / 1e9 + profile.period / 1e9
                for event in events
                if event.subject == "over_0" and isinstance(event, AlarmChanged) and event.raised
            )

        run.listeners.append(listen)
        texts = [f"bus{b}=udp_multicast:239.74.164.{10 + b},port={PORT + b}" for b in range(BUSES)]
        live = LiveRun(run, parse_live_buses(texts))
        live.start()
        process, stop, sent = start_sender()
        time.sleep(1.5)
        cpu, wall, memory = time.process_time(), time.monotonic(), [resident()]
        minutes = max(1, round(arguments.minutes))
        for minute in range(minutes):
            time.sleep(arguments.minutes * 60 / minutes)
            memory.append(resident())
            share = (time.process_time() - cpu) / (time.monotonic() - wall)
            print(f"minute {minute + 1}: {share * 100:.1f} % of one core, {memory[-1]:.0f} MiB", flush=True)
        stop.set()
        process.join()
        time.sleep(1.0)
        live.stop()
        if live.failure is not None:
            raise live.failure
        recorded = sum(path.read_bytes().count(b"\n") for path in folder.frame_parts())
        print(f"sent {sent.value}, through the pipeline {run.pipeline.rows}, recorded {recorded} frames")
        print(f"lost: {sent.value - run.pipeline.rows}; odd: {run.pipeline.counts}")
        print(f"CPU: {share * 100:.1f} % of one core in all, {bare * 100:.1f} % of it python-can's recv")
        spots = np.percentile(late, [50, 99, 100]) * 1000
        print(f"alarm on disk after its frame: median {spots[0]:.0f}, 99 % {spots[1]:.0f}, worst {spots[2]:.0f} ms")
        print(f"within 100 ms: {np.mean(np.array(late) <= 0.1) * 100:.1f} % of {len(late)}")
        print(f"memory first and last minute: {memory[1]:.0f} and {memory[-1]:.0f} MiB")


if __name__ == "__main__":
    main()
