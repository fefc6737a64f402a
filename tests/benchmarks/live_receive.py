"""What receiving live frames costs: python-can's own `recv` alone, and livewatch's share on top of it.

Run: `python tests/benchmarks/live_receive.py [--seconds 5] [--interface virtual|udp_multicast|all]`.

Four senders in a process of their own (udp_multicast) or four threads (virtual, which has no other way) put 7,400
frames/s each on four buses: 1 Mbit/s full of 8-byte standard frames, at least 7,407 a second by ISO 11898-1 (Davis et
al. 2007). The baseline is the barest use of python-can: one thread a bus that calls `recv` and throws the frame away.
CPU time is counted for the receiving threads alone (thread CPU clock), the sender's never.
"""

from __future__ import annotations

import argparse
import multiprocessing
import threading
import time

import can

from livewatch.sources.live.source import LiveSource, parse_live_buses

BUSES = 4
RATE = 7_400
PORT = 43_211


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=5.0)
    parser.add_argument("--interface", choices=["virtual", "udp_multicast", "all"], default="all")
    arguments = parser.parse_args()
    chosen = ["virtual", "udp_multicast"] if arguments.interface == "all" else [arguments.interface]
    print(f"{BUSES} buses, {RATE} frames/s each, {arguments.seconds:g} s")
    for interface in chosen:
        texts = [bus_text(interface, index) for index in range(BUSES)]
        bare = measure(interface, texts, arguments.seconds, receive_bare)
        ours = measure(interface, texts, arguments.seconds, receive_ours)
        print(f"\n{interface}")
        print_row("python-can recv alone", bare)
        print_row("livewatch batches", ours)
        added = ours[1] / ours[0] - bare[1] / bare[0]
        print(f"  livewatch on top of recv alone: {added * 1e6:+.2f} us/frame")
        print(f"  livewatch / recv alone, CPU a frame: {ours[1] / ours[0] / (bare[1] / bare[0]):.2f}")


def print_row(what: str, measured: tuple[int, float, float, int]) -> None:
    """One line: frames/s, CPU a frame, share of one core, frames that were sent and never came."""
    frames, cpu, seconds, missing = measured
    print(
        f"  {what:<22} {frames / seconds:9.0f} frames/s  {cpu / frames * 1e6:6.2f} us CPU/frame  "
        f"{cpu / seconds * 100:5.1f} % of one core  {missing} frames lost"
    )


def bus_text(interface: str, index: int) -> str:
    """The bus on livewatch's command line."""
    if interface == "virtual":
        return f"bus{index}=virtual:load{index}"
    return f"bus{index}=udp_multicast:239.74.163.{10 + index},port={PORT + index}"


def open_plain(text: str) -> can.BusABC:
    """The same bus, opened through python-can alone."""
    bus = parse_live_buses([text])[0]
    return can.Bus(bus.channel, bus.interface, ignore_config=True, **bus.options)


def measure(interface, texts, seconds, receive):  # type: ignore[no-untyped-def]
    """Run a sender and a receiver; (frames, CPU seconds of the receiver, wall seconds, frames lost)."""
    if interface == "virtual":
        stop, ready, sent = threading.Event(), threading.Event(), [0]
        sender = threading.Thread(target=send, args=(texts, ready, stop, sent))
        counts = sent
    else:
        context = multiprocessing.get_context("spawn")
        stop, ready, sent = context.Event(), context.Event(), context.Array("q", 1)
        sender = context.Process(target=send, args=(texts, ready, stop, sent))
        counts = sent
    sender.start()
    ready.wait()
    # The sender's share of this process's CPU time (virtual only) is taken away again by the thread CPU clock.
    frames, cpu, wall = receive(texts, seconds, stop)
    sender.join()
    return frames, cpu, wall, counts[0] - frames


def send(texts, ready, stop, sent):  # type: ignore[no-untyped-def]
    """Put frames on all buses at the wanted rate, one millisecond's worth at a time."""
    buses = [open_plain(text) for text in texts]
    message = can.Message(arbitration_id=0x123, is_extended_id=False, data=bytes(8))
    ready.set()
    time.sleep(0.5)
    start, total = time.perf_counter(), 0
    while not stop.is_set():
        due = int((time.perf_counter() - start) * RATE)
        for bus in buses:
            for _ in range(due - total):
                bus.send(message)
        total = due
        time.sleep(0.001)
    for bus in buses:
        bus.shutdown()
    sent[0] = total * len(buses)


def receive_bare(texts, seconds, stop):  # type: ignore[no-untyped-def]
    """One thread a bus, `recv` and nothing else."""
    used, counted = [0.0] * len(texts), [0] * len(texts)
    done = threading.Event()

    def read(index: int, bus: can.BusABC) -> None:
        while not done.is_set():
            while bus.recv(0.05) is not None:
                counted[index] += 1
        used[index] = time.thread_time()

    buses = [open_plain(text) for text in texts]
    threads = [threading.Thread(target=read, args=(index, bus)) for index, bus in enumerate(buses)]
    for thread in threads:
        thread.start()
    time.sleep(seconds + 0.5)
    stop.set()
    time.sleep(0.5)
    done.set()
    for thread in threads:
        thread.join()
    for bus in buses:
        bus.shutdown()
    return sum(counted), sum(used), seconds


def receive_ours(texts, seconds, stop):  # type: ignore[no-untyped-def]
    """livewatch's source: its reader threads and the loop that collects."""
    source = LiveSource(parse_live_buses(texts))
    spent: list[float] = []
    for reader in source._readers:
        reader._run = timed(reader._run, spent)
        reader._thread._target = reader._run  # type: ignore[attr-defined]
    source.open()

    def end() -> None:
        time.sleep(seconds + 0.5)
        stop.set()
        time.sleep(0.5)
        source.close()

    ending = threading.Thread(target=end)
    ending.start()
    before = time.thread_time()
    frames = sum(map(len, source.batches()))
    cpu = time.thread_time() - before
    ending.join()
    if source.counts:
        print(" ", source.counts)
    return frames, cpu + sum(spent), seconds


def timed(work, spent):  # type: ignore[no-untyped-def]
    """`work`, noting the CPU time of the thread it ran in."""

    def run() -> None:
        work()
        spent.append(time.thread_time())

    return run


if __name__ == "__main__":
    main()
