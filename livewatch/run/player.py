"""A recording as if it were live, with a hand on it: play, pause, faster, slower, step, seek, loop, next alarm.

A source that can be opened anew comes in; a run comes out whose position a person moves. In a thread of its own the
player pushes rows into a `Run` as they become due; going back restores a checkpoint of the run and runs from
there. A second thread reads the whole recording as fast as it goes (`overview`), so that what lies ahead is known.
Until it starts hardly anything is loaded or made: the player's thread does that, while a screen comes up.

What is logged: each event once, in order, however often it was passed; notes and markers wherever they were set; and
what was done to an alarm, which is possible at the furthest point reached only, because behind it the log already says
what came of it. Played to its end, the log is that of a run as fast as it goes with the person's additions.
"""

from __future__ import annotations

import time as wall
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, TypeVar

from livewatch.data.actions import Action
from livewatch.data.events import Event
from livewatch.errors import LivewatchError
from livewatch.profile.model import Profile
from livewatch.run.history import History
from livewatch.run.opening import Source
from livewatch.run.overview import Overview
from livewatch.run.pacing import Pacer
from livewatch.run.worker import Worker

if TYPE_CHECKING:
    from livewatch.run.reversible_run import ReversibleRun
    from livewatch.run.run import RowSink, Run

__all__ = ["FASTEST", "SLOWEST", "SPEEDS", "Player", "PlayerState"]

T = TypeVar("T")

SPEEDS: tuple[float, ...] = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
"""The steps of faster and slower, as multiples of the recorded pace."""
SLOWEST, FASTEST = SPEEDS[0], SPEEDS[-1]
SLICE = 0.05
"""Wall-clock seconds of work between looks at what the person wants."""
BEAT = 0.02


@dataclass(frozen=True, slots=True)
class PlayerState:
    """How the player stands; times are data time, ns.

    Attributes:
        time: the position.
        speed: multiple of the recorded pace; None for as fast as it goes.
        target: where a seek is heading; None when none is under way.
        furthest: up to here the log is written.
        marks: ends of the loop, each None while not set; it loops when both are.
        at_end: whether the recording has no more rows.
        problem: why the recording cannot be read to its end; empty when it can.
    """

    time: int = 0
    playing: bool = False
    speed: float | None = 1.0
    target: int | None = None
    furthest: int = 0
    marks: tuple[int | None, int | None] = (None, None)
    at_end: bool = False
    problem: str = ""


class Player:
    """Args:
    open_source: opens the recording anew, from its start.
    profile: what to watch.
    recorder: where the log goes; None for nowhere.
    speed: multiple of the recorded pace, None for as fast as it goes.
    start: data time to begin at, ns; up to there it runs as fast as it goes.
    """

    def __init__(
        self,
        open_source: Callable[[], Source],
        profile: Profile,
        recorder: RowSink | None = None,
        speed: float | None = 1.0,
        start: int = 0,
    ) -> None:
        self.profile = profile
        self.recorder = recorder
        self.state = PlayerState(speed=speed, target=start or None)
        self.overview = Overview(open_source, profile)
        self._open_source = open_source
        self._made: ReversibleRun | None = None
        self._worker = Worker("livewatch player", self._round, self._finish, "the replay has ended")
        self._pacer = Pacer(FASTEST if speed is None else speed)

    @property
    def run(self) -> Run:
        """The run at the position; only the player's thread may touch it (see `submit`)."""
        return self._reversible.run

    @property
    def history(self) -> History:
        """The past and the future of all channels, as far as the overview has read."""
        return self.overview.history

    @property
    def additions(self) -> Sequence[Event]:
        """Notes and markers, in the order they were made."""
        return () if self._made is None else self._made.additions

    @property
    def end(self) -> int:
        """Data time of the last tick known of, ns."""
        return max(self.overview.history.span[1], self.state.time)

    @property
    def failure(self) -> BaseException | None:
        """The fault that ended the replay against its will."""
        return self._worker.failure

    @property
    def running(self) -> bool:
        """Whether the threads run."""
        return self._worker.running

    def start(self) -> None:
        """Begin reading, and playing. Calling it again does nothing."""
        if not self._worker.started:
            self.state = replace(self.state, playing=True)
            self._pacer.begin(0)
            self._worker.start()

    def close(self) -> None:
        """End the replay where the log ends, and close the recording. Calling it again does nothing."""
        self.overview.stop()
        if self._worker.started:
            self._worker.stop()
            self.overview.stop()  # it may have begun just then
        else:
            self._finish()

    def submit(self, call: Callable[[], T]) -> Future[T]:
        """Have something done by the player's thread, between two batches."""
        return self._worker.submit(call)

    def apply(self, action: Action) -> Future[list[Event]]:
        """Have a person's action carried out; the events, or an ActionError, come by the future."""
        return self.submit(lambda: self._reversible.apply(action))

    def play(self) -> Future[None]:
        """Go on; from the end, go on from the start."""
        return self.submit(self._play)

    def pause(self) -> Future[None]:
        """Stand still."""
        return self.submit(self._pause)

    def toggle(self) -> Future[None]:
        """Play or pause."""
        return self.submit(lambda: self._pause() if self.state.playing else self._play())

    def set_speed(self, speed: float | None) -> Future[None]:
        """Play at so many times the recorded pace, kept within SLOWEST..FASTEST; None for as fast as it goes."""
        kept = None if speed is None else min(FASTEST, max(SLOWEST, speed))
        return self.submit(lambda: self._set_speed(kept))

    def faster(self, steps: int = 1) -> Future[None]:
        """So many steps faster, or slower when negative."""
        return self.submit(lambda: self._set_speed(self._stepped(steps)))

    def seek(self, time: int) -> Future[None]:
        """Go to a data time, ns; kept within the recording. Playing or pausing goes on there."""
        return self.submit(lambda: self._seek(time))

    def move(self, by: int) -> Future[None]:
        """Go so many ns on from where it stands or is heading, or back when negative."""
        return self.submit(lambda: self._seek(self._heading() + by))

    def step(self, ticks: int) -> Future[None]:
        """Pause, and go so many ticks on, or back when negative."""
        return self.submit(lambda: self._step(ticks))

    def mark(self, which: int) -> Future[None]:
        """Set the start (0) or the end (1) of the loop here; both set, it loops between them."""
        return self.submit(lambda: self._mark(which))

    def clear_marks(self) -> Future[None]:
        """Loop no more."""
        return self.submit(lambda: self._set(marks=(None, None)))

    def next_alarm(self, steps: int = 1) -> Future[int | None]:
        """Pause at the next alarm raised, or the one before (-1). The result is its time, None when there is none."""
        return self.submit(lambda: self._to_alarm(steps))

    # What follows runs in the player's own thread.

    @property
    def _reversible(self) -> ReversibleRun:
        if self._made is None:
            from livewatch.run.reversible_run import ReversibleRun  # late: brings everything that judges

            self._made = ReversibleRun(self._open_source, self.profile, self.recorder)
        return self._made

    def _finish(self) -> None:
        self._reversible.close()

    def _round(self) -> float:
        self._advance()
        # Not before the run is made: two threads that load the same modules wait for one another.
        self.overview.start()
        state = self.state
        if state.target is None and not state.playing:
            return 0.5
        return 0.0 if state.target is not None or state.speed is None else BEAT

    def _advance(self) -> None:
        state, started = self.state, wall.monotonic()
        arrived = False
        if state.target is not None:
            arrived = self._reversible.go(state.target, started + SLICE)
            if arrived:
                self._pacer.begin(self._reversible.time)
        elif state.playing:
            self._play_on(started)
        # All at once: who sees that a seek has arrived sees where.
        self._set(
            target=None if arrived else self.state.target,
            time=self._reversible.time,
            furthest=self._reversible.furthest,
            at_end=self._reversible.at_end,
            playing=self.state.playing and not self._reversible.at_end,
            problem=self._reversible.problem or self.overview.problem,
        )

    def _play_on(self, now: float) -> None:
        speed, (start, stop) = self.state.speed, self.state.marks
        due = self.end + 1_000_000_000 if speed is None else self._pacer.due(self._reversible.next_row)
        looping = start is not None and stop is not None and self._reversible.time <= stop
        if looping and stop is not None:
            due = min(due, stop)
        self._reversible.go(due, now + SLICE)
        if looping and stop is not None and (self._reversible.time >= stop or self._reversible.at_end):
            self._seek(start or 0)
        elif speed is not None:
            self._pacer.forgive(due, self._reversible.time)

    def _play(self) -> None:
        if self._reversible.at_end and self.state.target is None:
            self._seek(0)
        self._pacer.begin(self._reversible.time)
        self._set(playing=True, at_end=False)

    def _pause(self) -> None:
        self._set(playing=False)

    def _set_speed(self, speed: float | None) -> None:
        self._pacer = Pacer(FASTEST if speed is None else speed)
        self._pacer.begin(self._reversible.time)
        self._set(speed=speed)

    def _stepped(self, steps: int) -> float | None:
        speed = self.state.speed
        if speed is None:
            return None if steps > 0 else FASTEST
        nearest = min(range(len(SPEEDS)), key=lambda place: abs(SPEEDS[place] - speed))
        return SPEEDS[min(len(SPEEDS) - 1, max(0, nearest + steps))]

    def _heading(self) -> int:
        return self._reversible.time if self.state.target is None else self.state.target

    def _seek(self, time: int) -> None:
        time = max(0, time)
        if self.overview.done:
            time = min(time, self.end)
        self._set(target=time, at_end=False)

    def _step(self, ticks: int) -> None:
        self._set(playing=False)
        self._seek(self._heading() + ticks * self.profile.period)

    def _mark(self, which: int) -> None:
        marks = [*self.state.marks]
        marks[which] = self._heading()
        start, stop = marks
        if start is not None and stop is not None and start > stop:
            start, stop = stop, start
        if start == stop and start is not None:
            raise LivewatchError("a loop needs two different times: seek on, then set its other end")
        self._set(marks=(start, stop))

    def _to_alarm(self, steps: int) -> int | None:
        here = self._heading()
        times = self.overview.raised()
        ahead = [time for time in times if time > here] if steps > 0 else [time for time in times if time < here]
        if not ahead:
            return None
        time = ahead[0] if steps > 0 else ahead[-1]
        self._set(playing=False)
        self._seek(time)
        return time

    def _set(self, **changes: Any) -> None:
        new = replace(self.state, **changes)
        if new != self.state:
            self.state = new
