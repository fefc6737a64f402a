"""Lost channels and silent buses: built-in alarms beside those of the profile.

Ticks come in; what became lost or came back, and the changes of the built-in alarms, come out. Every channel that the
profile binds (not the computed ones) is watched. It is lost while it is stale, out of range or invalid, or when it was
not seen in the first 5 s. A channel that only a table or a broker can bring is watched once it was seen; so is every
channel of a run that receives no frames, for a table holds what it holds. Lost for
0.5 s gives an event, good for 0.5 s another one ("back"), and the alarm `lost: <channel>` with the same delays.

A silent bus is one alarm, `bus silent: <bus>`, active when nothing has come for 0.5 s from any channel of the bus, each
measured by its own age limit, and no other frame either. Where other frames do come, the alarm is another one,
`other frames only: <bus>`: it names what was heard, and blames neither adapter nor plug. The alarms of the bus's
channels then stay quiet: one that stops coming is not announced before something of another one was heard after it was
lost (or 2 s have passed), it is suppressed by design while nothing comes, and after that it has its age limit's time to
come again. The rows of a table are as good as a bus: where a run receives no frames, a gap
in which no column of several brings a value is one alarm, `no rows: table`, that names them (EEMUA 191: group what has
one cause).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from livewatch.alarms.delay import Delay, Edges
from livewatch.alarms.lead_up import BEFORE_DIGITS, VALUE_DIGITS, significant
from livewatch.alarms.other_frames import HEARD_WITHIN, OtherFrames
from livewatch.alarms.state import AlarmDefinition
from livewatch.data.events import Event, QualityChanged
from livewatch.data.samples import Quality
from livewatch.data.ticks import TickBatch
from livewatch.profile.formula.formula import SetPoint
from livewatch.profile.model import Alarm, Channel, Profile

__all__ = ["LossWatch", "Losses"]

LOSS_DELAY: Final = 500_000_000
"""On- and off-delay of losing a channel or a bus, ns."""
NEVER_SEEN_AFTER: Final = 5_000_000_000
"""Data time after which a channel that never came is told to be lost, ns; the on-delay is part of it."""
PATIENCE: Final = 2_000_000_000
"""ns a lost channel waits at the most for its bus to prove that it is not silent."""
FIRST_MISSED: Final = NEVER_SEEN_AFTER - LOSS_DELAY
LONG_AGO: Final = -(1 << 60)


@dataclass(slots=True)
class Losses:
    """What a run of ticks brought.

    Attributes:
        events: the ticks at which a channel was lost or came back, and its event there; channel by channel.
        active, suppressed: for built-in alarms that change, by their position in `LossWatch.definitions`.
        found: by tick and position, of one that becomes active, what was found, to be said with its message.
    """

    events: list[tuple[int, Event]] = field(default_factory=list)
    active: dict[int, Edges] = field(default_factory=dict)
    suppressed: dict[int, Edges] = field(default_factory=dict)
    found: dict[tuple[int, int], str] = field(default_factory=dict)


@dataclass(slots=True)
class _Watched:
    """One channel: `row` in the profile, `bus` as position in the list of buses (None when it comes from none)."""

    row: int
    bus: int | None
    stale_after: int
    quality: Delay
    alarm: Delay


@dataclass(slots=True)
class _Bus:
    """One bus: `members` as positions in the list of watched channels. Nothing comes from any of them: `delay`; and
    nothing else comes: `silence`; or something else does: `others`. `silent_at` is the latest data time, ns, at which
    nothing came, `heard_at` the latest at which something did; `is_table` for the channels that come from no bus, of a
    run without frames."""

    name: str
    members: list[int]
    delay: Delay
    silence: Delay
    others: Delay
    silent_at: int = LONG_AGO
    heard_at: int = -1
    is_table: bool = False


class LossWatch:
    """Follows the quality of all bound channels. `definitions` are the built-in alarms: buses, channels, buses with
    other frames only. With `frames` off, a channel or a bus that was never seen is not missed."""

    def __init__(self, profile: Profile, other_frames: OtherFrames) -> None:
        bound = [
            (row, channel)
            for row, channel in enumerate(profile.channels)
            if channel.declared and channel.formula is None
        ]
        bus_of = [_bus_of(channel, profile) for _, channel in bound]
        buses = [name for name in dict.fromkeys([*profile.buses, *bus_of]) if name is not None and name in bus_of]
        off_bus = [i for i, bus in enumerate(bus_of) if bus is None]
        grouped = len(off_bus) > 1

        def delay() -> Delay:
            return Delay(LOSS_DELAY, LOSS_DELAY, profile.period)

        self.frames = True
        self._other_frames = other_frames
        self._channels = profile.channels
        self._rows = np.array([row for row, _ in bound], np.intp)
        self._watched = [
            _Watched(
                row,
                buses.index(bus) if bus is not None else len(buses) if grouped else None,
                channel.stale_after,
                delay(),
                delay(),
            )
            for (row, channel), bus in zip(bound, bus_of, strict=True)
        ]
        self._buses = [
            _Bus(bus, [i for i, of in enumerate(bus_of) if of == bus], delay(), delay(), delay()) for bus in buses
        ]
        if grouped:
            self._buses.append(_Bus("", off_bus, delay(), delay(), delay(), is_table=True))
        self.definitions = (
            *(
                _silent_bus(name, [bound[i][1] for i in bus.members])
                for name, bus in zip(buses, self._buses, strict=False)
            ),
            *([_no_rows([bound[i][1] for i in off_bus])] if grouped else ()),
            *_lost_channels([channel for _, channel in bound], profile),
            *(
                _others_only(name, [bound[i][1] for i in bus.members])
                for name, bus in zip(buses, self._buses, strict=False)
            ),
        )

    def observe(self, ticks: TickBatch) -> Losses:
        """What the next ticks bring."""
        losses = Losses()
        if self._watched:
            self._look(ticks, losses)
        self._other_frames.forget((ticks.first + len(ticks) - 1) * ticks.period - HEARD_WITHIN)
        return losses

    def _look(self, ticks: TickBatch, losses: Losses) -> None:
        quality = ticks.quality[self._rows]
        doubtful = quality.max(axis=1, initial=Quality.GOOD) > Quality.GOOD  # the least of them
        look = [
            i
            for i, watched in enumerate(self._watched)
            if doubtful[i] or not (watched.quality.resting and watched.alarm.resting)
        ]
        if not look and all(bus.delay.resting and bus.silence.resting and bus.others.resting for bus in self._buses):
            for bus in self._buses:
                bus.heard_at = ticks.first + len(ticks) - 1
            return
        time = ticks.time
        silent_at: list[NDArray[np.int64]] = []
        for number, bus in enumerate(self._buses):
            silent = np.zeros(len(ticks), np.bool_)
            may_be = bool(doubtful[bus.members].all()) and not (bus.is_table and self.frames)
            if not may_be and bus.delay.resting and bus.silence.resting and bus.others.resting:
                bus.heard_at = ticks.first + len(ticks) - 1
                silent_at.append(np.full(1, bus.silent_at))
                continue
            if may_be:
                silent[:] = True
                for i in bus.members:
                    silent &= _quiet(self._watched[i], quality[i], ticks, time)
                if not self.frames:
                    silent &= (quality[bus.members] != Quality.NEVER_SEEN).any(axis=0)
            changes = bus.delay.observe(ticks.first, silent, partial(np.logical_not, silent))
            if changes:
                losses.suppressed.update({len(self._buses) + i: changes for i in bus.members})
            self._tell_bus(number, bus, silent, ticks, losses)
            silent_at.append(np.maximum.accumulate(np.where(silent, time, bus.silent_at)))
            bus.silent_at = int(silent_at[-1][-1])
        for i in look:
            watched = self._watched[i]
            good = partial(np.equal, quality[i], Quality.GOOD)
            bus_number = self._bus_number(watched)
            missed = self.frames and bus_number is not None
            lost = _lost(quality[i], time, missed)
            if watched.quality.resting and watched.alarm.resting and not lost.any():
                continue
            changes = watched.quality.observe(ticks.first, lost, good)
            told = [
                (tick, _event(self._channels[watched.row], became, watched.row, tick, ticks))
                for tick, became in changes
            ]
            losses.events.extend(told)
            if bus_number is not None and lost.any():
                lost &= time - silent_at[bus_number] > watched.stale_after
                at = np.flatnonzero(lost)
                lost[at] = self._bus_is_alive(watched, quality[i, at], ticks, at)
            changes = watched.alarm.observe(ticks.first, lost, good)
            if changes:
                losses.active[len(self._buses) + i] = changes

    def _tell_bus(self, number: int, bus: _Bus, silent: NDArray[np.bool_], ticks: TickBatch, losses: Losses) -> None:
        """Whether a bus from whose channels nothing comes is silent, or carries other frames."""
        others = np.zeros(len(ticks), np.bool_)
        tick = np.arange(ticks.first, ticks.first + len(ticks))
        heard_at = np.maximum.accumulate(np.where(silent, bus.heard_at, tick))
        bus.heard_at = int(heard_at[-1])
        if silent.any() and not bus.is_table:
            # What came while the channels still did does not count: all of them may have stopped together.
            last = self._other_frames.last(bus.name, ticks.time)
            others = silent & (last > heard_at * ticks.period) & (last >= ticks.time - HEARD_WITHIN)
        silence = silent & ~others
        changes = bus.silence.observe(ticks.first, silence, partial(np.logical_not, silence))
        if changes:
            losses.active[number] = changes
        changes = bus.others.observe(ticks.first, others, partial(np.logical_not, others))
        if changes:
            position = len(self._buses) + len(self._watched) + number
            losses.active[position] = changes
            for at, became in changes:
                if became:
                    time = at * ticks.period
                    heard = self._other_frames.names(bus.name, time - HEARD_WITHIN, time)
                    losses.found[at, position] = f" Heard: {heard}."

    def _bus_number(self, watched: _Watched) -> int | None:
        """The bus of a channel, or the table it stands in, in `_buses`; None where it comes alone."""
        if watched.bus is None or (self.frames and self._buses[watched.bus].is_table):
            return None
        return watched.bus

    def _bus_is_alive(
        self, watched: _Watched, quality: NDArray[np.uint8], ticks: TickBatch, at: NDArray[np.intp]
    ) -> NDArray[np.bool_]:
        """At which of the ticks `at`, where a channel is lost for that `quality`, something was heard on its bus after
        it was lost, or it was lost long enough."""
        assert watched.bus is not None
        rows = self._rows[self._buses[watched.bus].members]
        heard = np.fmin.reduce(ticks.age[rows[:, None], at], axis=0)
        # A value that is invalid or out of range came over the bus.
        missing = np.full(len(at), np.inf)
        stale = quality == Quality.STALE
        missing[stale] = ticks.age[watched.row, at[stale]].astype(np.float64) - watched.stale_after / 1e9
        never = quality == Quality.NEVER_SEEN
        missing[never] = (ticks.time[at[never]] - FIRST_MISSED) / 1e9
        alive: NDArray[np.bool_] = (heard <= missing) | (missing >= PATIENCE / 1e9)
        return alive


def _lost(quality: NDArray[np.uint8], time: NDArray[np.int64], missed: bool) -> NDArray[np.bool_]:
    """Where a channel is lost; one that never came is so only when it is `missed`."""
    lost: NDArray[np.bool_] = quality != Quality.GOOD
    at = np.flatnonzero(lost)
    lost[at] = (quality[at] != Quality.NEVER_SEEN) | ((time[at] >= FIRST_MISSED) & missed)
    return lost


def _quiet(
    watched: _Watched, quality: NDArray[np.uint8], ticks: TickBatch, time: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Where nothing has come for a channel, whatever the worth of what came last."""
    quiet: NDArray[np.bool_] = quality == Quality.STALE
    quiet |= (quality == Quality.NEVER_SEEN) & (time >= FIRST_MISSED)
    came = (quality == Quality.INVALID) | (quality == Quality.OUT_OF_RANGE)
    quiet |= came & (ticks.age[watched.row] > watched.stale_after / 1e9)
    return quiet


def _event(channel: Channel, lost: bool, row: int, tick: int, ticks: TickBatch) -> Event:
    offset = tick - ticks.first
    return QualityChanged(
        tick * ticks.period,
        int(ticks.utc[offset]),
        channel.name,
        "lost" if lost else "back",
        Quality(int(ticks.quality[row, offset])).word,
        significant(ticks.held[row, offset : offset + 1], VALUE_DIGITS)[0],
        channel.unit,
        significant(ticks.age[row, offset : offset + 1].astype(np.float64), BEFORE_DIGITS)[0],
    )


def _bus_of(channel: Channel, profile: Profile) -> str | None:
    """The bus a channel comes from, by frame or by diagnostic answer."""
    if channel.signal is not None:
        return channel.signal[0]
    if channel.parameter is not None:
        service, identifier, _ = channel.parameter
        for port in profile.diagnostics:
            if any((known.service, known.identifier) == (service, identifier) for known in port.parameters):
                return port.bus
    return None


def _lost_channels(channels: Sequence[Channel], profile: Profile) -> Iterator[AlarmDefinition]:
    computed = {channel.name: channel.formula.inputs for channel in profile.channels if channel.formula is not None}
    reads = [(alarm, _reads(alarm, computed)) for alarm in profile.alarms]
    for channel in channels:
        yield _lost_channel(channel, [alarm for alarm, read in reads if channel.name in read])


def _lost_channel(channel: Channel, blind: Sequence[Alarm]) -> AlarmDefinition:
    urgent = any(alarm.priority in ("critical", "high") for alarm in blind)
    names = ", ".join(alarm.name for alarm in blind)
    check = "Check the sensor, its wiring, the adapter and the profile."
    return AlarmDefinition(
        name=f"lost: {channel.name}",
        priority="high" if urgent else "low",
        latching=False,
        setpoint=SetPoint(f"no good value of {channel.name} for {LOSS_DELAY / 1e9:g} s"),
        evidence=(channel.name,),
        action=f"Do not load the engine before it is back. {check}" if urgent else check,
        message=f"No good value of {channel.name}." + (f" Cannot judge: {names}." if names else ""),
        built_in=True,
    )


def _silent_bus(bus: str, channels: list[Channel]) -> AlarmDefinition:
    return AlarmDefinition(
        name=f"bus silent: {bus}",
        priority="high",
        latching=False,
        setpoint=SetPoint(f"nothing from any channel of bus {bus} for {LOSS_DELAY / 1e9:g} s beyond its age limit"),
        evidence=tuple(channel.name for channel in channels),
        action="Do not load the engine before it is back. Check the adapter, its plug, the bit rate and the ignition.",
        message=f"Nothing is received on bus {bus}.",
        built_in=True,
    )


def _others_only(bus: str, channels: list[Channel]) -> AlarmDefinition:
    return AlarmDefinition(
        name=f"other frames only: {bus}",
        priority="high",
        latching=False,
        setpoint=SetPoint(
            f"nothing from any channel of bus {bus} for {LOSS_DELAY / 1e9:g} s beyond its age limit, but other frames"
        ),
        evidence=tuple(channel.name for channel in channels),
        action="Do not load the engine: nothing of it is watched. Check that this is the right bus and the profile "
        "is this car's; if both are, what sends the engine's frames does not.",
        message=f"Frames are received on bus {bus}, but none that a channel is read from.",
        built_in=True,
    )


def _no_rows(channels: list[Channel]) -> AlarmDefinition:
    names = ", ".join(channel.name for channel in channels)
    return AlarmDefinition(
        name="no rows: table",
        priority="high",
        latching=False,
        setpoint=SetPoint(f"no value in any column for {LOSS_DELAY / 1e9:g} s beyond its age limit"),
        evidence=tuple(channel.name for channel in channels),
        action="Do not judge the drive over this gap. Check what wrote the table.",
        message=f"No row brings a value of {names}.",
        built_in=True,
    )


def _reads(alarm: Alarm, computed: Mapping[str, Sequence[str]]) -> set[str]:
    """The channels an alarm depends on, those of computed channels included."""
    formulas = [alarm.condition, alarm.clear, alarm.enable, alarm.suppress]
    waiting = [*alarm.evidence, *(name for formula in formulas if formula is not None for name in formula.inputs)]
    found: set[str] = set()
    while waiting:
        name = waiting.pop()
        if name not in found:
            found.add(name)
            waiting.extend(computed.get(name, ()))
    return found
