"""Live buses: what is on the wire comes out once, in order, in time, and a lost adapter stops nothing else."""

from __future__ import annotations

import os
import queue
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, ClassVar

import can
import numpy as np
import pytest
from can.interfaces import BACKENDS
from hypothesis import given
from hypothesis import strategies as st

import livewatch.sources.live.reader as live_reader
from livewatch.data.frames import ERROR, SENT, FrameBatch
from livewatch.errors import LivewatchError, SourceError, UsageError
from livewatch.sources.live.source import LiveSource, found_buses_text, list_buses, next_collection, parse_live_buses
from tests.waiting import free_udp_port, until


@contextmanager
def listening(*texts: str, transmit: bool = False) -> Iterator[tuple[LiveSource, list[FrameBatch]]]:
    """An open source, and the batches that came out of it so far."""
    source = LiveSource(parse_live_buses(texts), transmit)
    batches: list[FrameBatch] = []

    def collect() -> None:
        for batch in source.batches():
            assert len(batch), "no empty batches"
            batches.append(batch)

    collecting = threading.Thread(target=collect)
    with source:
        collecting.start()
        yield source, batches
    collecting.join()


def number(identifier: int, count: int, is_fd: bool = False) -> can.Message:
    """A message that carries its number."""
    return can.Message(
        arbitration_id=identifier,
        is_extended_id=False,
        data=count.to_bytes(8, "big") * (4 if is_fd else 1),
        is_fd=is_fd,
    )


def numbers_of(batches: list[FrameBatch], bus: str) -> list[int]:
    """The numbers that came in on one bus, in order of arrival."""
    found: list[int] = []
    for batch in batches:
        rows = batch.data[batch.bus == batch.buses.index(bus), :8]
        found += [int.from_bytes(row.tobytes(), "big") for row in rows]
    return found


def test_two_buses_come_out_whole_and_in_order_of_time():
    # A reader that a busy machine holds up for longer than frames are kept back is late.
    assert any(np.all(np.diff(times_of_two_buses()) >= 0) for _ in range(10)), "the two buses are merged by time"


def times_of_two_buses() -> np.ndarray:
    with (
        can.Bus("two-a", "virtual") as a,
        can.Bus("two-b", "virtual") as b,
        listening("engine=virtual:two-a@500k", "cell=virtual:two-b") as (source, batches),
    ):
        for count in range(2000):
            a.send(number(0x100, count))
            if count % 3 == 0:
                b.send(number(0x200, count))
            if count % 50 == 0:
                time.sleep(0.002)
        until(lambda: sum(map(len, batches)) == 2667)
        states = {status.name: status for status in source.status()}
        assert source.counts == {}
    assert numbers_of(batches, "engine") == list(range(2000))
    assert numbers_of(batches, "cell") == list(range(0, 2000, 3))
    assert {batch.buses for batch in batches} == {("engine", "cell")}
    time_of = np.concatenate([batch.time for batch in batches])
    assert np.all(time_of % 1000 == 0), "whole microseconds"
    assert abs(time_of[-1] / 1e9 - time.time()) < 30
    assert (states["engine"].state, states["engine"].frames) == ("open", 2000)
    assert (states["cell"].adapter, states["cell"].load) == ("virtual:two-b", None)
    return time_of


def test_a_frame_is_handed_out_within_twenty_milliseconds():
    """The middle of thirty tries in a row, less what this machine, busy with other things, adds to each of the three
    rests on the way (the reader's, the collector's, this test's)."""
    with (
        can.Bus("quick-a", "virtual") as a,
        can.Bus("quick-b", "virtual") as b,
        listening("virtual:quick-a", "virtual:quick-b") as (_, batches),
    ):
        waits, added = [], []
        for count in range(600):
            before_rest = time.perf_counter()
            time.sleep(0.005)
            added.append(time.perf_counter() - before_rest - 0.005)
            before = len(batches)
            sent = time.perf_counter()
            (a if count % 2 else b).send(number(0x100, count))
            while len(batches) == before:
                time.sleep(0.0005)
            waits.append(time.perf_counter() - sent)
            time.sleep(0.001 * (count % 7))
            quick = np.median(waits[-30:]) < 0.020 + 3 * np.median(added[-30:])
            if quick and len(waits) >= 30:
                break
    assert quick


@given(began=st.floats(0, 1e6), work=st.floats(0, 1))
def test_batches_are_as_far_apart_as_the_work_on_them_asks_for_within_bounds(began, work):
    period = next_collection(began, began + work) - began
    assert 0.010 - 1e-9 <= period <= 0.020 + 1e-9
    assert work <= period / 3 + 1e-9 or period == pytest.approx(0.020), "no more than a third is spent on the work"
    assert period == pytest.approx(0.010) or work > 0.010 / 3 - 1e-9, "nobody waits without need"


def test_every_frame_of_an_udp_bus_comes_through():
    port = free_udp_port()
    with (
        can.Bus("239.74.163.77", "udp_multicast", port=port) as sender,
        listening(f"engine=udp_multicast:239.74.163.77@1M,port={port}") as (source, batches),
    ):
        for count in range(1500):
            sender.send(number(0x100, count, is_fd=count == 700))
            if count % 20 == 0:
                time.sleep(0.002)
        until(lambda: sum(map(len, batches)) == 1500)
        assert source.counts == {}
    assert numbers_of(batches, "engine") == list(range(1500))
    wide = [batch for batch in batches if batch.data.shape[1] == 64]
    assert sum(map(len, wide)) < 1500, "only a batch with a long frame is wide"
    assert max(int(batch.length.max()) for batch in wide) == 32


def test_garbage_on_an_udp_bus_is_counted_and_the_rest_goes_on():
    port = free_udp_port()
    with (
        can.Bus("239.74.163.78", "udp_multicast", port=port) as sender,
        listening(f"engine=udp_multicast:239.74.163.78,port={port}") as (source, batches),
    ):
        for count in range(5):
            sender.send(number(0x100, count))
            sender._multicast.send(b"no message at all")  # type: ignore[attr-defined]
        until(lambda: sum(map(len, batches)) == 5)
        until(lambda: source.counts == {"messages of an adapter that make no sense": 5})
        assert source.status()[0].unreadable == 5
    assert numbers_of(batches, "engine") == list(range(5))


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo terminals are a Unix thing")
def test_a_serial_line_adapter_over_a_pseudo_terminal_and_its_cable_pulled():
    import pty
    import tty

    master, slave = pty.openpty()
    tty.setraw(slave)
    port = os.ttyname(slave)
    with listening(f"engine=slcan:{port}@500k,sleep_after_open=0") as (source, batches):
        said = os.read(master, 100)
        # What the adapter was told: bit rate code 6 is 500 kbit/s; L opens it to listen only, O would take part.
        assert b"S6\r" in said and b"L\r" in said and b"O\r" not in said
        os.write(master, b"t1008" + b"0000000000000001" + b"\rt10x\r" + b"\xff\r" + b"T18DAF1102C0DE\rr2F04\r")
        until(lambda: sum(map(len, batches)) == 3)
        frames = FrameBatch.concatenate(batches)
        assert frames.identifier.tolist() == [0x100, 0x18DAF110, 0x2F0]
        assert frames.length.tolist() == [8, 2, 4]
        assert frames.data[1, :2].tolist() == [0xC0, 0xDE]
        assert source.counts == {"messages of an adapter that make no sense": 2}, "neither of them blinds it"
        assert source.status()[0].silent_on_wire is True
        os.close(slave)
        os.close(master)
        until(lambda: source.status()[0].state == "lost")
        assert source.counts["times an adapter was lost"] == 1
        until(lambda: "cannot open slcan" in source.status()[0].trouble)


class Shaky(can.BusABC):
    """An adapter that the test can break. Messages to receive, or errors to raise, go into `inbox` of the channel;
    an event there hangs the adapter until it is set."""

    inboxes: ClassVar[dict[str, queue.Queue]] = {}
    there: ClassVar[bool] = True
    opened: ClassVar[int] = 0

    def __init__(self, channel, **keywords):
        if not Shaky.there:
            raise OSError(19, "No such device")
        Shaky.opened += 1
        self.inbox = Shaky.inboxes.setdefault(channel, queue.Queue())
        self.sent = Shaky.inboxes.setdefault(f"{channel} sent", queue.Queue())
        self.now = can.BusState.ACTIVE
        super().__init__(channel)

    def _recv_internal(self, timeout):
        try:
            item = self.inbox.get(timeout=timeout) if timeout else self.inbox.get_nowait()
        except queue.Empty:
            return None, True
        if item is can.BusState.ERROR:
            self.now = item
            return None, True
        if isinstance(item, threading.Event):
            item.wait()
            return None, True
        if isinstance(item, Exception):
            raise item
        return item, True

    @property
    def state(self):
        return self.now

    def send(self, msg, timeout=None):
        self.sent.put(msg)


@pytest.fixture
def shaky(monkeypatch):
    monkeypatch.setitem(BACKENDS, "shaky", (__name__, "Shaky"))
    monkeypatch.setattr(live_reader, "PAUSES", (0.05, 0.1))
    monkeypatch.setattr(Shaky, "inboxes", {})
    monkeypatch.setattr(Shaky, "there", True)
    monkeypatch.setattr(Shaky, "opened", 0)
    return lambda channel: Shaky.inboxes[channel]


def stamped(seconds: float, count: int) -> can.Message:
    message = number(0x100, count)
    message.timestamp = seconds
    return message


def test_an_adapter_pulled_out_mid_run_comes_back_and_the_other_bus_goes_on(shaky):
    with (
        can.Bus("steady", "virtual") as steady,
        listening("engine=shaky:x", "cell=virtual:steady") as (source, batches),
    ):
        shaky("x").put(stamped(time.time(), 0))
        steady.send(number(0x200, 0))
        until(lambda: sum(map(len, batches)) == 2)
        Shaky.there = False
        shaky("x").put(OSError(5, "Input/output error"))
        until(lambda: source.status()[0].state == "lost")
        until(lambda: "No such device" in source.status()[0].trouble)
        assert source.status()[0].trouble == (
            "bus 'engine': cannot open shaky channel 'x': No such device; check that the adapter is plugged in, "
            "that its driver is installed and that the channel is right; `livewatch watch --list-buses` shows "
            "what is found"
        )
        steady.send(number(0x200, 1))
        until(lambda: numbers_of(batches, "cell") == [0, 1])
        Shaky.there = True
        shaky("x").put(stamped(time.time(), 1))
        until(lambda: numbers_of(batches, "engine") == [0, 1])
        engine, cell = source.status()
        assert (engine.state, engine.trouble, engine.losses) == ("open", "", 1)
        assert (cell.state, cell.losses) == ("open", 0)
        assert source.counts == {"times an adapter was lost": 1}
        assert Shaky.opened == 2


def test_a_backlog_of_any_size_comes_through_whole(shaky):
    """More than is read in one go, at the sizes around it."""
    burst = live_reader.BURST
    for size in (burst - 1, burst, burst + 1, burst + 2, 5 * burst + 3):
        backlog = Shaky.inboxes.setdefault(f"backlog {size}", queue.Queue())
        for count in range(size):
            backlog.put(stamped(time.time(), count))
        with listening(f"engine=shaky:backlog {size}") as (_, batches):
            until(lambda backlog=backlog: backlog.empty())
        assert numbers_of(batches, "engine") == list(range(size))


@pytest.mark.usefixtures("shaky")
def test_an_adapter_that_hangs_in_mid_burst_holds_up_no_other_bus():
    """It hangs while it has the turn: behind the first frame of a burst."""
    healed = threading.Event()
    inbox = Shaky.inboxes.setdefault("x", queue.Queue())
    inbox.put(stamped(time.time(), 0))
    inbox.put(healed)
    with (
        can.Bus("beside a hung one", "virtual") as other,
        listening("engine=shaky:x", "cell=virtual:beside a hung one") as (_, batches),
    ):
        until(lambda: numbers_of(batches, "engine") == [0])
        for count in range(20):
            other.send(number(0x200, count))
            time.sleep(0.01)
        until(lambda: numbers_of(batches, "cell") == list(range(20)))
        inbox.put(stamped(time.time(), 1))
        healed.set()
        until(lambda: numbers_of(batches, "engine") == [0, 1])


def test_single_messages_that_make_no_sense_do_not_lose_the_adapter(shaky):
    with listening("engine=shaky:x") as (source, batches):
        for count in range(30):
            shaky("x").put(ValueError("bad length"))
            shaky("x").put(stamped(time.time(), count))
        until(lambda: numbers_of(batches, "engine") == list(range(30)))
        assert source.counts == {"messages of an adapter that make no sense": 30}
        assert Shaky.opened == 1


def test_an_adapter_that_only_fails_is_opened_anew(shaky, monkeypatch):
    monkeypatch.setattr(live_reader, "FAILING_FOR", 0.0)
    with listening("engine=shaky:x") as (source, batches):
        for _ in range(live_reader.FAILURES_IN_A_ROW):
            shaky("x").put(can.CanOperationError("transfer stalled"))
        shaky("x").put(stamped(time.time(), 7))
        until(lambda: numbers_of(batches, "engine") == [7])
        assert source.counts["times an adapter was lost"] == 1
        assert Shaky.opened == 2


def test_a_controller_that_went_bus_off_is_opened_anew(shaky, monkeypatch):
    monkeypatch.setattr(live_reader, "LOOK_EVERY", 0.01)
    monkeypatch.setattr(live_reader, "PAUSES", (0.3,))
    with listening("engine=shaky:x") as (source, batches):
        shaky("x").put(can.BusState.ERROR)
        until(lambda: source.status()[0].state == "bus off")
        assert source.status()[0].trouble == "the controller went bus off"
        shaky("x").put(stamped(time.time(), 7))
        until(lambda: numbers_of(batches, "engine") == [7])
        assert source.status()[0].state == "open"


def test_an_adapter_with_a_clock_of_its_own_is_put_at_the_host_clock(shaky):
    with listening("engine=shaky:x") as (source, batches):
        before = time.time_ns()
        for count in range(3):
            shaky("x").put(stamped(100.0 + count * 0.25, count))
        until(lambda: sum(map(len, batches)) == 3)
        times = FrameBatch.concatenate(batches).time
        assert np.diff(times).tolist() == [250_000_000, 250_000_000], "its own intervals"
        assert before - 1_000_000 <= times[0] <= time.time_ns()
        # Opened anew, such a clock may have started over by less than anybody can tell from the stamp.
        shaky("x").put(OSError(5, "Input/output error"))
        until(lambda: source.status()[0].state == "lost")
        again = time.time_ns()
        shaky("x").put(stamped(99.0, 3))
        until(lambda: numbers_of(batches, "engine") == [0, 1, 2, 3])
        assert again - 1_000_000 <= batches[-1].time[-1] <= time.time_ns()
        assert source.status()[0].clock_off < 0.5


def test_an_adapter_that_stamps_nothing_gets_the_host_clock(shaky):
    with listening("engine=shaky:x") as (_, batches):
        before = time.time_ns()
        shaky("x").put(stamped(0.0, 1))
        until(lambda: sum(map(len, batches)) == 1)
        assert before - 1_000_000 <= batches[0].time[0] <= time.time_ns()


def test_frames_that_nobody_fetches_are_counted_when_they_no_longer_fit(shaky, monkeypatch):
    monkeypatch.setattr(live_reader, "MOST_WAITING", 100)
    source = LiveSource(parse_live_buses(["engine=shaky:x"]))
    with source:
        for count in range(250):
            shaky("x").put(stamped(time.time(), count))
        until(lambda: shaky("x").empty())
        until(lambda: source.counts == {"frames lost because livewatch fell behind": 150})
        assert source.status()[0].dropped == 150
    rest = list(source.batches())
    assert numbers_of(rest, "engine") == list(range(100)), "what waited is given out even after closing"


def test_error_frames_are_kept_and_counted(shaky):
    with listening("engine=shaky:x") as (source, batches):
        shaky("x").put(can.Message(timestamp=time.time(), is_error_frame=True, data=bytes(8), is_extended_id=False))
        until(lambda: sum(map(len, batches)) == 1)
        assert batches[0].flags.tolist() == [ERROR]
        assert source.status()[0].error_frames == 1
        assert source.counts == {}, "they are frames: the decoder counts them, live and replayed"


def test_error_frames_of_a_network_interface_tell_the_controller_state(shaky, monkeypatch):
    """Values of Linux' can/error.h: 04 controller (data 1: 01 receive overflow, 10 receive passive, 40 active again),
    40 bus off, 100 restarted."""
    monkeypatch.setitem(BACKENDS, "socketcan", (__name__, "Shaky"))

    def error(kind: int, detail: int) -> can.Message:
        return can.Message(
            timestamp=time.time(), arbitration_id=kind, is_extended_id=False, is_error_frame=True,
            data=bytes([0, detail, 0, 0, 0, 0, 0, 0]),
        )  # fmt: skip

    with listening("engine=socketcan:x") as (source, _):
        inbox = shaky("x")
        inbox.put(stamped(time.time(), 1))
        for message, state in [
            (error(0x04, 0x10), "error passive"),
            (error(0x04, 0x40), "open"),
            (error(0x40, 0), "bus off"),
            (error(0x100, 0), "open"),
            (error(0x40, 0), "bus off"),
            (stamped(time.time(), 2), "open"),
        ]:
            inbox.put(message)
            until(lambda state=state: source.status()[0].state == state)
        inbox.put(error(0x04, 0x01))
        until(lambda: source.counts.get("frames lost before livewatch could read them") == 1)


def test_frames_that_the_kernel_dropped_are_counted():
    """A tiny receive buffer and a reader held up: Linux tells how many did not fit."""
    if sys.platform != "linux":
        pytest.skip("only Linux tells")
    from livewatch.sources.live.open import open_bus
    from livewatch.sources.live.socket import dropped_frames

    port = free_udp_port()
    bus = open_bus(parse_live_buses([f"udp_multicast:239.74.163.79,port={port}"])[0], False)
    with can.Bus("239.74.163.79", "udp_multicast", port=port) as sender, bus:
        multicast: Any = bus
        multicast._multicast._socket.setsockopt(1, 8, 1)  # SOL_SOCKET, SO_RCVBUF: the smallest the kernel gives
        for count in range(100):
            sender.send(number(0x100, count))
        received = 0
        while bus.recv(0.05) is not None:
            received += 1
        assert received < 100
        assert dropped_frames(bus) == 100 - received
    with can.Bus("no socket", "virtual") as other:
        assert dropped_frames(other) == 0


def test_a_poll_goes_out_once_and_stands_among_the_frames_marked_sent(shaky):
    with listening("engine=shaky:x", transmit=True) as (source, batches):
        source.send("engine", 0x7DF, bytes.fromhex("02010C"))
        until(lambda: sum(map(len, batches)) == 1)
        assert batches[0].flags.tolist() == [SENT]
        assert batches[0].identifier.tolist() == [0x7DF]
        assert batches[0].data[0].tolist() == [2, 1, 0x0C, 0, 0, 0, 0, 0]
        assert shaky("x sent").get_nowait().arbitration_id == 0x7DF
        with pytest.raises(LivewatchError) as refused:
            source.send("engine", 0x7E0, bytes.fromhex("0414FFFFFF"))
        assert str(refused.value) == "bus 'engine': 7E0#0414FFFFFF is no request that only reads; not sent"
        with pytest.raises(UsageError) as unknown:
            source.send("engin", 0x7DF, bytes.fromhex("02010C"))
        assert str(unknown.value) == "there is no live bus 'engin' (did you mean engine?); there are engine"
        assert shaky("x sent").empty()


def test_nothing_is_sent_on_a_bus_opened_to_listen(shaky):
    with listening("engine=shaky:x") as (source, _):
        with pytest.raises(LivewatchError) as refused:
            source.send("engine", 0x7DF, bytes.fromhex("02010C"))
        assert str(refused.value) == "bus 'engine' was opened to listen only; nothing is sent"
        assert shaky("x sent").empty()


def test_frames_of_another_program_on_this_machine_are_not_our_own(shaky):
    """SocketCAN marks what any local program sent; only what `send` sent is a poll of ours."""
    with listening("engine=shaky:x") as (_, batches):
        message = stamped(time.time(), 1)
        message.is_rx = False
        shaky("x").put(message)
        until(lambda: sum(map(len, batches)) == 1)
        assert batches[0].flags.tolist() == [0]


def test_one_bus_that_cannot_be_opened_leaves_none_open(shaky):
    source = LiveSource(parse_live_buses(["engine=shaky:x", "cell=slcan:/dev/ttyACM77"]))
    with pytest.raises(SourceError, match="bus 'cell': cannot open slcan channel"):
        source.open()
    assert source._readers[0]._adapter is None


def test_a_bus_without_frames_is_silent(shaky):
    with listening("engine=shaky:x") as (source, _):
        status = source.status()[0]
        assert (status.state, status.age, status.clock_off, status.rate) == ("silent", None, None, 0.0)


def test_looking_for_adapters_never_fails(monkeypatch):
    monkeypatch.setitem(BACKENDS, "broken", ("driver_package_that_is_not_there", "Bus"))
    # The one interface that waits for the network to speak would cost this test three seconds.
    monkeypatch.delitem(BACKENDS, "socketcand")
    found = list_buses()
    assert any(bus.text == "virtual:test" and bus.software for bus in found)
    for bus in found:
        if bus.interface in ("virtual", "udp_multicast"):
            parse_live_buses([bus.text])
    text = found_buses_text(found)
    assert "Without an adapter:\n" in text
    assert "virtual:test" in text
    assert found_buses_text([]).startswith("No adapter was found.\n")


@pytest.mark.skipif(sys.platform != "linux", reason="one group for each socket as Linux has it")
def test_two_multicast_groups_on_one_port_keep_apart():
    ours, others, port = "239.74.163.81", "239.74.163.82", free_udp_port()
    with (
        can.Bus(ours, "udp_multicast", port=port) as a,
        can.Bus(others, "udp_multicast", port=port) as b,
        listening(f"engine=udp_multicast:{ours},port={port}", f"cell=udp_multicast:{others},port={port}") as (
            _,
            batches,
        ),
    ):
        for count in range(20):
            a.send(number(0x100, count))
            b.send(number(0x200, count))
        until(lambda: sum(map(len, batches)) >= 40)
        time.sleep(0.1)
    assert numbers_of(batches, "engine") == numbers_of(batches, "cell") == list(range(20))
    assert sum(map(len, batches)) == 40
