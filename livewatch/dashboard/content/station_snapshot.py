"""A station elsewhere as the screens see a run: its messages as a `Snapshot`, behind the face of a `WatchedRun`.

The seat draws it as it draws a run that goes on here. What is not published (pulls, buses, the map of need) is not
there. Everything is as old as the link makes it: a station that is not heard of counts as one that does not answer.
"""

from __future__ import annotations

import math
import time as wall
from collections.abc import Sequence
from concurrent.futures import Future
from typing import Final

import numpy as np

from livewatch.alarms import AlarmState
from livewatch.dashboard.content.snapshot import LikelyCause, Snapshot, VerdictSoFar
from livewatch.dashboard.content.watched_run import WatchedRun
from livewatch.data.actions import Action
from livewatch.data.alarm_states import UNACKNOWLEDGED, State
from livewatch.data.events import Event, parse_utc
from livewatch.data.samples import Quality
from livewatch.data.ticks import TickBatch
from livewatch.errors import LivewatchError
from livewatch.profile.formula.formula import SetPoint
from livewatch.profile.model import Profile, TableMapping
from livewatch.publish.board_link import BoardLink
from livewatch.publish.stations import Station
from livewatch.run.history import History
from livewatch.signature.evidence.authority import AuthorityUse
from livewatch.sources.mqtt.messages import AlarmMessage, Authority, SamplesMessage, VerdictMessage

__all__ = ["EMPTY_PROFILE", "WatchedStation", "snapshot_of"]

PATIENCE: Final = 6.0
"""Seconds that a station may be unheard of, three times as long as between two words of it, before what is shown of it
counts as old."""
_WORDS: Final = {quality.word: quality for quality in Quality}
EMPTY_PROFILE = Profile("", {}, (), (), (), (), {}, None, TableMapping(), (), 10_000_000, 0, {}, "")
"""Before one has come."""


class WatchedStation(WatchedRun):
    """Args:
    link: of the board.
    station: its name; empty for none.
    """

    def __init__(self, link: BoardLink, station: str) -> None:
        super().__init__(EMPTY_PROFILE, Future)
        self.station = station
        self._link = link

    def snapshot(self) -> Snapshot | None:
        """The station as its last messages say; None before its profile has come."""
        station = self._link.stations.get(self.station)
        profile = self._link.profile()
        self.problem = self._link.profile_problem
        if station is None or profile is None:
            return None
        self.profile = profile
        return snapshot_of(station, profile, wall.monotonic(), self._link.trouble)

    @property
    def history(self) -> History | None:
        """None is kept."""
        return None

    @property
    def events(self) -> Sequence[Event]:
        """None are kept."""
        return ()

    @property
    def span(self) -> tuple[int, int]:
        """Nothing is kept."""
        return 0, 0

    def act(self, action: Action) -> Future[list[Event]]:
        """Ask the station; whether it did is seen when it says so."""
        done: Future[list[Event]] = Future()
        try:
            if action.kind not in ("acknowledge", "acknowledge_all"):
                raise LivewatchError("from afar alarms can be acknowledged, no more; the rest is done at the car")
            self._link.acknowledge(self.station, action.subject)
            done.set_result([])
        except LivewatchError as error:
            done.set_exception(error)
        return done

    def start(self) -> None:
        """Nothing: the link is the board's."""

    def stop(self) -> None:
        """Nothing, as above."""


def snapshot_of(station: Station, profile: Profile, now: float, trouble: str = "") -> Snapshot:
    """The station at `now` of the machine's monotonic clock, s; `trouble` is what is wrong with the link."""
    status = station.status
    session = "" if status is None else status.session
    samples = station.samples if station.samples is not None and station.samples.session == session else None
    verdict = station.verdict if station.verdict is not None and station.verdict.session == session else None
    authority = station.authority if station.authority is not None and station.authority.session == session else None
    said = [] if status is None else list(status.troubles)
    state = station.state(now)
    if trouble:
        said.insert(0, f"{trouble[:1].upper()}{trouble[1:]}.")
    elif state == "lost":
        said.insert(0, "The station has lost its link to the broker; what is shown is its last word.")
    elif state == "silent":
        said.insert(0, f"Nothing is heard of the station for {now - station.heard:.0f} s.")
    time = status.time if status is not None else 0.0
    if samples is not None and samples.time:
        time = max(time, samples.time[-1]) if status is not None and status.state != "replaying" else samples.time[-1]
    ended = state == "ended"
    return Snapshot(
        profile=profile,
        made=now if ended else now - max(0.0, now - station.heard - PATIENCE),
        time=round(time * 1e9),
        ticks=None if samples is None else _ticks(samples, profile),
        alarms=tuple(sorted(map(_alarm, _of(station, session)), key=lambda alarm: alarm.urgency)),
        authority=() if authority is None else tuple(_use(one, profile) for one in authority.controllers),
        verdict=VerdictSoFar() if verdict is None else _verdict(verdict),
        trouble=tuple(said),
        recording=(f"station {station.name}, {'ended' if ended else 'from afar, seconds late'}", "from afar"),
        ended=ended,
    )


def _of(station: Station, session: str) -> list[AlarmMessage]:
    return [alarm for alarm in station.alarms.values() if alarm.session == session]


def _alarm(message: AlarmMessage) -> AlarmState:
    state = State(message.state)
    since = round(message.since * 1e9)
    return AlarmState(
        name=message.alarm,
        priority=message.priority,
        state=state,
        since=since,
        raised_at=since,
        count=1,
        first_out=message.first_out,
        acknowledged=state not in UNACKNOWLEDGED,
        shelved_until=None,
        reason="",
        channel=message.channel,
        value=message.value,
        unit=message.unit,
        cannot_judge=False,
        setpoint=SetPoint(message.setpoint),
        action=message.action,
        message=message.message,
        built_in=False,
    )


def _use(message: Authority, profile: Profile) -> AuthorityUse:
    bank = int(message.controller[-1]) if message.controller.endswith(("_1", "_2")) else None

    def number(value: float | None) -> float:
        return math.nan if value is None else value

    return AuthorityUse(
        name=message.controller,
        label=message.label,
        unit=message.unit,
        low=message.limits[0],
        high=message.limits[1],
        everyday=message.everyday,
        value=number(message.value),
        used=number(message.used),
        least=number(message.least),
        most=number(message.most),
        mean_used=math.nan,
        most_used=number(message.most_used),
        pinned=0.0,
        seconds=0.0,
        beyond=0.0,
        regions=(),
        correction=message.controller if bank is None else message.controller[:-2],
        bank=bank if "short_term_fuel_trim_2" in profile.index else None,
    )


def _verdict(message: VerdictMessage) -> VerdictSoFar:
    return VerdictSoFar(
        word=message.word,
        sentence=(message.sentence,),
        causes=tuple(LikelyCause((cause,), ()) for cause in message.causes),
        coverage=math.nan if message.coverage is None else message.coverage,
        next_drive=message.next_drive,
        systems=tuple((one.system, one.word) for one in message.systems),
    )


def _ticks(samples: SamplesMessage, profile: Profile) -> TickBatch:
    """The newest values as one tick; channels that are not sent were never seen."""
    count = len(profile.channels)
    value, held = np.full((count, 1), np.nan), np.full((count, 1), np.nan)
    quality = np.full((count, 1), int(Quality.NEVER_SEEN), np.uint8)
    age = np.full((count, 1), np.nan, np.float32)
    index = profile.index
    for name, values in samples.channels.items():
        row = index.get(name)
        newest = values[-1] if values else None
        if row is None or samples.units.get(name) != profile.channels[row].unit:
            continue
        if newest is not None and name not in samples.quality:
            value[row] = held[row] = newest
            quality[row], age[row] = int(Quality.GOOD), 0.0
        else:
            word = samples.quality.get(name)
            quality[row] = int(Quality.STALE if word is None else _WORDS[word])
            age[row] = samples.age.get(name, math.nan)
            held[row] = samples.held.get(name, math.nan)
    return TickBatch(0, profile.period, index, value, quality, age, held, np.array([parse_utc(samples.utc) or 0]))
