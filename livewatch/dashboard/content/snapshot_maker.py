"""Makes snapshots of a run, in the thread that owns it, between two batches; a snapshot never changes.

What the signature finds takes a hundred times as long as the rest. A copy of the evidence, which takes a millisecond,
goes to a thread of its own; what it finds is in the snapshots from when it is there.
"""

from __future__ import annotations

import math
import time as wall
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import replace

from livewatch.dashboard.content.signature_view import SignatureView, view_of
from livewatch.dashboard.content.snapshot import Snapshot
from livewatch.run.achieved_rates import AchievedRates
from livewatch.run.pipeline import Pipeline
from livewatch.run.run import Run
from livewatch.session.recorder import Recorder
from livewatch.sources.live.status import FELL_BEHIND, LOST_BEFORE, BusStatus
from livewatch.wording.car import rate_caveats

__all__ = ["SnapshotMaker"]

ASSESS_EVERY = 2.0
"""Wall-clock seconds between looks at the assessment, which costs more than the rest."""
ASSESS_AT_ONCE = 0.2
"""The same after a replay was taken elsewhere."""
LITTLE_SPACE = 500_000_000
"""Bytes free on the disk of the recording below which that is said."""
BEHIND = 2.0
"""Seconds that rows may wait for the disk before that is said."""
MANY = 0.01
"""Share of odd frames from which that is said; fewer are counted in the cell view."""


class SnapshotMaker:
    """Args:
    statuses: asked for the buses; None for a recording.
    recorder: records the run; None when nothing does.
    executor: where it is found what the signature says; a thread when not given.
    """

    def __init__(
        self,
        statuses: Callable[[], Sequence[BusStatus]] | None,
        recorder: object | None,
        executor: Executor | None = None,
    ) -> None:
        self._statuses = statuses
        self._recorder = recorder if isinstance(recorder, Recorder) else None
        self._view = SignatureView()
        self._rates = AchievedRates()
        self._executor = executor or ThreadPoolExecutor(1, "livewatch finding")
        self._sought: Future[SignatureView] | None = None
        self._assessed = -math.inf
        self._at: tuple[Pipeline, int, bool] | None = None
        """What was looked at last: a pipeline, where it stood, whether the run had ended."""

    def make(self, run: Run) -> Snapshot:
        """The run as it is."""
        now = wall.monotonic()
        pipeline, history = run.pipeline, run.history
        latest = None if history is None else history.latest
        ticks = None if latest is None or not len(latest) else latest[len(latest) - 1 : len(latest)]
        self._assess(run, now)
        buses = () if self._statuses is None else tuple(self._statuses())
        asked, said = self._rates.observe(pipeline), self._view.verdict
        return Snapshot(
            profile=run.profile,
            made=now,
            time=pipeline.time,
            utc=pipeline.utc,
            rows=pipeline.rows,
            ticks=ticks,
            alarms=tuple(sorted(pipeline.alarms.states(), key=lambda alarm: alarm.urgency)),
            authority=self._view.authority,
            verdict=replace(said, unable=(*said.unable, *rate_caveats(asked))) if asked else said,
            pulls=self._view.pulls,
            need=self._view.need,
            buses=buses,
            counts={**pipeline.counts, **({} if self._recorder is None else self._recorder.counts)},
            trouble=tuple(self._troubles(buses, pipeline)),
            recording=self._recording(),
            ended=run.ended,
            asked=asked,
        )

    def _assess(self, run: Run, now: float) -> None:
        """Have the signature looked at when it is time, and take what was found."""
        at = (run.pipeline, run.pipeline.time, run.ended)
        moved = self._at is None or self._at[0] is not run.pipeline
        due = now - self._assessed >= (ASSESS_AT_ONCE if moved else ASSESS_EVERY)
        # What is still being found is waited for, unless it is about another place of a replay.
        if due and at != self._at and (moved or self._sought is None):
            self._assessed, self._at = now, at
            if self._sought is not None:
                self._sought.cancel()
            profile, signature = run.profile, run.signature.copied()
            self._sought = self._executor.submit(lambda: view_of(signature.finding(), profile))
        if self._sought is not None and self._sought.done():
            self._view, self._sought = self._sought.result(), None

    def _troubles(self, buses: Sequence[BusStatus], pipeline: Pipeline) -> list[str]:
        found = []
        recorder = self._recorder
        if recorder is not None:
            if recorder.trouble:
                found.append(f"Not recorded as it should be: {recorder.trouble}.")
            if recorder.behind_seconds > BEHIND:
                found.append(f"The recording is {recorder.behind_seconds:.0f} s behind: the disk is slow.")
            free = recorder.free_bytes
            if free is not None and free < LITTLE_SPACE:
                found.append(f"The disk is nearly full: {free / 1e6:.0f} MB left for the recording.")
            found += [f"Not published: {follower.trouble}." for follower in recorder.followers if follower.trouble]
        for bus in buses:
            if bus.state == "open":
                continue
            since = "" if bus.age is None else f" for {bus.age:.0f} s"
            why = f": {bus.trouble}" if bus.trouble else ""
            found.append(f"Bus {bus.name} is {bus.state}{since}{why}.")
        lost = pipeline.counts.get(LOST_BEFORE, 0) + pipeline.counts.get(FELL_BEHIND, 0)
        if lost:
            found.append(f"{lost} frames were lost before they could be read.")
        share = pipeline.unused_frames / max(pipeline.rows, 1)
        if share > MANY:
            found.append(f"{share * 100:.0f} % of the frames could not be used; the cell view says why.")
        return found

    def _recording(self) -> tuple[str, ...]:
        recorder = self._recorder
        if recorder is None:
            return ("not recorded",)
        if recorder.trouble:
            return ("NOT RECORDING",)
        free = recorder.free_bytes
        return ("recording",) if free is None else (f"recording, {free / 1e9:.0f} GB free", "recording")
