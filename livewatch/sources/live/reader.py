"""One live bus: a thread that empties its adapter, and what was received since it was last asked.

A `LiveBus` goes in; batches of its frames come out of `take`, in order of arrival, stamped in nanoseconds since the
Unix epoch. An adapter that is lost is opened again and again with growing pauses; the frames before and after are kept
apart by nothing but their time. Frames that could not be held are counted, never dropped silently.

The thread drains the adapter in bursts and rests between them: a thread woken for every single frame would spend more
on waking than on reading. It takes its turn with the other threads of the run (see `live_turn`).
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Collection, Sequence
from dataclasses import replace

import numpy as np

from livewatch.data.frames import ERROR, SENT, FrameBatch
from livewatch.data.messages import columns_of
from livewatch.data.python_can import can
from livewatch.errors import LivewatchError, SourceError
from livewatch.sources.live.clock import StampClock
from livewatch.sources.live.guard import may_be_sent
from livewatch.sources.live.open import forget_partial_message, open_bus, stays_silent
from livewatch.sources.live.socket import dropped_frames
from livewatch.sources.live.spec import LiveBus
from livewatch.sources.live.status import FELL_BEHIND, LOST_BEFORE, SILENT_AFTER, BusState, BusStatus, Traffic
from livewatch.sources.live.turn import Turn

__all__ = ["BusReader"]

REST = 0.005
"""Seconds between bursts; a full 1 Mbit/s bus brings 37 frames in that time (ISO 11898-1)."""
REST_POLLING = 0.001
"""The same where somebody waits for an answer on the bus before asking on."""
LONGEST_WAIT = 0.05
"""Seconds to wait for a frame before looking whether to stop."""
WAKES_WITHIN = 0.005
"""Seconds after which a thread that waits for a frame has most likely come back with one that is there."""
BURST = 512
"""Frames read in one turn of each bus, together: with more, the judging thread waits for longer than a turn may be
waited for."""
MOST_WAITING = 250_000
"""Frames held for a pipeline that does not come to fetch them: half a minute of a full 1 Mbit/s bus."""
FAILURES_IN_A_ROW = 10
FAILING_FOR = 1.0
"""So many reads that fail one after the other, for so many seconds, and the adapter counts as lost. (Garbage among good
messages is no such thing, however much of it there is.)"""
PAUSES = (0.25, 0.5, 1.0, 2.0, 5.0)
"""Seconds before each attempt to open a lost adapter again; the last is repeated."""
LOOK_EVERY = 1.0
"""Seconds between questions to the adapter about its own state."""

# Linux, linux/can/error.h: what an error frame of SocketCAN says in its identifier and second data byte.
_BUS_OFF, _CONTROLLER, _RESTARTED = 0x40, 0x04, 0x100
_OVERRUN, _PASSIVE, _ACTIVE = 0x01, 0x30, 0x40


class BusReader:
    """Args:
    bus: what to open.
    index: the place of the bus in `buses`.
    buses: names of all buses, as every batch carries them.
    transmit: whether `send` may be used; without it the adapter stays silent.
    turn: taken while a burst is read.
    listed: identifiers of service 22 that may be asked for.
    """

    def __init__(
        self, bus: LiveBus, index: int, buses: Sequence[str], transmit: bool, turn: Turn, listed: Collection[int] = ()
    ) -> None:
        self.bus = bus
        self._index = index
        self._buses = tuple(buses)
        self._transmit = transmit
        self._listed = frozenset(listed)
        self._rest = REST_POLLING if transmit else REST
        self._most = max(1, BURST // len(buses))
        self._turn = turn
        self.overheard: Callable[[str, can.Message], None] | None = None
        """Told of each message as it is received, by the reader's thread: must not wait."""
        self._silent_on_wire = stays_silent(bus, transmit)
        self._lock = threading.Lock()
        self._waiting: list[can.Message] = []
        self._sent: list[can.Message] = []
        self._traffic = Traffic(bus.bitrate, time.monotonic_ns(), bus.options.get("data_bitrate"))
        self._clock = StampClock()
        self._clock_off: float | None = None
        self._first_arrival = 0
        self._adapter: can.BusABC | None = None
        self._controller: BusState = "open"
        self._trouble = ""
        self._unreadable = 0
        self._losses = 0
        self._fell_behind = 0
        self._overruns = 0
        self._kernel_dropped = 0
        self._kernel_dropped_before = 0
        self._failures = 0
        self._failing_since = 0.0
        self._emptied = time.monotonic()
        self._waits_since = 0.0
        self._attempts = 0
        self._next_look = 0.0
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"livewatch bus {bus.name}", daemon=True)

    def open(self) -> None:
        """Open the adapter for the first time.

        Raises:
            SourceError: it cannot be opened.
        """
        self._adapter = open_bus(self.bus, self._transmit)

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def close(self) -> None:
        """Stop reading and release the adapter."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(timeout=3.0)
        self._release()

    @property
    def emptied(self) -> float:
        """The adapter was seen to hold nothing at this moment of the machine's monotonic clock: all it received before
        then is among the frames that wait, or was taken. Of an adapter that is lost, now."""
        return self._emptied if self._adapter is not None else time.monotonic()

    def most_likely_emptied(self, now: float) -> float:
        """As `emptied`, at the moment `now` of that clock; of an adapter that is waited for, later than was seen."""
        waits = self._waits_since
        return max(self.emptied, now - WAKES_WITHIN if 0.0 < waits < now - WAKES_WITHIN else 0.0)

    def take(self) -> list[FrameBatch]:
        """What was received, and what was sent, since the last call: at most one batch of each."""
        batches: list[FrameBatch] = []
        with self._lock:
            count = len(self._waiting)
            if count:
                batches.append(self._received(self._waiting[:count]))
                del self._waiting[:count]
            if self._sent:
                batches.append(columns_of(self._sent, self._index, self._buses))
                self._sent.clear()
        return batches

    def send(self, identifier: int, extended: bool, data: bytes) -> None:
        """Put one request on the bus; it appears among the frames, marked SENT, before anything received later. (One
        that an adapter refuses after a while may appear as well: it is taken out where it still can be.)

        Raises:
            LivewatchError: transmitting was not asked for, the frame is no request that reads, or the adapter refused.
        """
        if not self._transmit:
            raise LivewatchError(f"bus {self.bus.name!r} was opened to listen only; nothing is sent")
        if not may_be_sent(identifier, extended, data, self._listed):
            raise LivewatchError(
                f"bus {self.bus.name!r}: {identifier:X}#{data.hex().upper()} is no request that only reads; not sent"
            )
        adapter = self._adapter
        if adapter is None:
            raise LivewatchError(f"bus {self.bus.name!r} is lost; nothing can be sent")
        message = can.Message(arbitration_id=identifier, is_extended_id=extended, data=data, is_rx=False)
        with self._lock:
            message.timestamp = time.time()
            self._sent.append(message)
        try:
            adapter.send(message, timeout=0.1)
        except Exception as error:
            with self._lock:
                self._sent = [one for one in self._sent if one is not message]
            raise LivewatchError(f"bus {self.bus.name!r}: the request could not be sent: {error}") from error

    @property
    def counts(self) -> dict[str, int]:
        """What went wrong so far, by plain-worded kind. Error frames are frames: the decoder counts them."""
        return {
            "messages of an adapter that make no sense": self._unreadable,
            LOST_BEFORE: self._kernel_dropped + self._overruns,
            FELL_BEHIND: self._fell_behind,
            "times an adapter was lost": self._losses,
            "times an adapter's clock started over": self._clock.restarts,
        }

    def status(self) -> BusStatus:
        """How the bus is doing."""
        now = time.monotonic_ns()
        rate, load = self._traffic.rate_and_load(now)
        last = self._traffic.last
        age = None if last is None else (now - last) / 1e9
        state = self._controller
        if state == "open" and (age is None or age > SILENT_AFTER):
            state = "silent"
        return BusStatus(
            name=self.bus.name,
            adapter=f"{self.bus.interface}:{self.bus.channel}",
            state=state,
            trouble=self._trouble,
            frames=self._traffic.frames,
            rate=rate,
            load=load,
            error_frames=self._traffic.error_frames,
            unreadable=self._unreadable,
            dropped=self._kernel_dropped + self._overruns + self._fell_behind,
            losses=self._losses,
            age=age,
            silent_on_wire=self._silent_on_wire,
            clock_off=self._clock_off,
        )

    def _received(self, messages: Sequence[can.Message]) -> FrameBatch:
        batch = columns_of(messages, self._index, self._buses)
        now, running = time.time_ns(), time.monotonic_ns()
        # What comes back from the bus was not sent by this process: only `send` marks its own.
        batch = replace(
            batch,
            time=self._clock.align(batch.time, self._first_arrival, now, running),
            flags=batch.flags & np.uint8(~SENT & 0xFF),
        )
        self._clock_off = (now - int(batch.time[-1])) / 1e9
        self._heed_errors(batch)
        self._traffic.add(batch, running)
        return batch

    def _run(self) -> None:
        while not self._stopping.is_set():
            adapter = self._adapter
            if adapter is None:
                self._open_again()
                continue
            try:
                self._drain(adapter)
            except Exception as error:
                self._failed(error)
            if self._adapter is not None and time.monotonic() >= self._next_look:
                self._next_look = time.monotonic() + LOOK_EVERY
                self._look(adapter)
        self._release()

    def _drain(self, adapter: can.BusABC) -> None:
        """Read all frames there are; where there is none, wait for one."""
        asked, read = self._burst(adapter, None)
        if not read:
            self._emptied = self._waits_since = asked
            try:
                message = adapter.recv(LONGEST_WAIT)
            finally:
                self._waits_since = 0.0
            self._failures = 0
            if message is None:
                return
            asked, read = self._burst(adapter, message)
        if read < self._most:
            self._emptied = asked
            # Resting only once the adapter is empty keeps a backlog from growing.
            time.sleep(self._rest)
        if len(self._waiting) > MOST_WAITING:
            with self._lock:
                self._fell_behind += max(0, len(self._waiting) - MOST_WAITING)
                del self._waiting[MOST_WAITING:]

    def _burst(self, adapter: can.BusABC, message: can.Message | None) -> tuple[float, int]:
        """Keep `message`, if there is one, and what the adapter holds after it, one turn's worth at the most; when that
        was begun, on the monotonic clock, and how many there were."""
        recv, keep, tell, most = adapter.recv, self._waiting.append, self.overheard, self._most
        read = 0
        with self._turn.taken():
            asked = time.monotonic()
            try:
                if message is None:
                    message = recv(0)
                if message is not None and (self._attempts or not self._first_arrival):
                    self._back()
                while message is not None:
                    if not message.timestamp:
                        message.timestamp = time.time()
                    keep(message)
                    if tell is not None:
                        tell(self.bus.name, message)
                    read += 1
                    if read == most:
                        break
                    message = recv(0)
            finally:
                if read:
                    self._failures = 0
        return asked, read

    def _back(self) -> None:
        """The first frame after the adapter was opened."""
        self._first_arrival = time.time_ns()
        self._attempts = 0
        self._controller = "open"
        self._trouble = ""

    def _failed(self, error: Exception) -> None:
        now = time.monotonic()
        if not self._failures:
            self._failing_since = now
        self._failures += 1
        lasting = self._failures >= FAILURES_IN_A_ROW and now - self._failing_since >= FAILING_FOR
        if _is_gone(error) or lasting:
            self._lose(str(error).strip() or type(error).__name__, "lost")
            return
        self._unreadable += 1
        if self._adapter is not None:
            forget_partial_message(self._adapter)
        if self._failures % FAILURES_IN_A_ROW == 0:
            # An adapter that fails at once, again and again, must not take all of the processor. Garbage among good
            # messages costs no rest.
            time.sleep(REST)

    def _lose(self, why: str, state: BusState) -> None:
        self._losses += 1
        self._trouble = why.splitlines()[0]
        self._controller = state
        self._failures = 0
        self._release()

    def _release(self) -> None:
        adapter, self._adapter = self._adapter, None
        if adapter is None:
            return
        self._kernel_dropped_before = self._kernel_dropped
        try:
            adapter.shutdown()
        except Exception:
            # An adapter that is gone cannot be told goodbye; it is released all the same.
            return

    def _open_again(self) -> None:
        pause = PAUSES[min(self._attempts, len(PAUSES) - 1)]
        self._attempts += 1
        if self._stopping.wait(pause):
            return
        try:
            opened = open_bus(self.bus, self._transmit)
        except SourceError as error:
            self._trouble = str(error)
            return
        # The adapter's clock may have started over unseen: what was received before is stamped by the old one first.
        while self._waiting and not self._stopping.wait(REST):
            pass
        with self._lock:
            self._clock.begin()
        self._adapter = opened

    def _look(self, adapter: can.BusABC) -> None:
        """Ask what only the adapter or the kernel knows."""
        self._kernel_dropped = self._kernel_dropped_before + dropped_frames(adapter)
        try:
            off = adapter.state is can.BusState.ERROR
        except Exception:
            return
        if off:
            self._lose("the controller went bus off", "bus off")

    def _heed_errors(self, batch: FrameBatch) -> None:
        """Read the controller's state out of SocketCAN's error frames; other interfaces give theirs no meaning."""
        if self.bus.interface != "socketcan":
            return
        for row in np.flatnonzero(batch.flags & ERROR):
            kind, detail = int(batch.identifier[row]), int(batch.data[row, 1])
            if kind & _BUS_OFF:
                self._controller = "bus off"
            elif kind & _RESTARTED or (kind & _CONTROLLER and detail & _ACTIVE):
                self._controller = "open"
            elif kind & _CONTROLLER and detail & _PASSIVE:
                self._controller = "error passive"
            if kind & _CONTROLLER and detail & _OVERRUN:
                self._overruns += 1
        if self._controller == "bus off" and not batch.flags[-1] & ERROR:
            self._controller = "open"


def _is_gone(error: BaseException) -> bool:
    """Whether the operating system itself reports the failure, rather than a message that made no sense."""
    link: BaseException | None = error
    while link is not None:
        if isinstance(link, OSError) and not isinstance(link, TimeoutError | BlockingIOError):
            return True
        link = link.__cause__
    return False
