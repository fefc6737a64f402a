"""A look at a run, for whoever is elsewhere: taken by the run's own thread between two batches, as messages.

A run comes in; what its channels were since the last look comes out, and its signature as it stands, from which the
verdict by system and the used authority are found by whoever sends them: finding takes longer than a run may wait.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

from livewatch.data.events import utc_text
from livewatch.data.samples import Quality
from livewatch.run.run import Run
from livewatch.signature.finding import Finding
from livewatch.signature.signature import Signature
from livewatch.sources.mqtt.messages import Authority, AuthorityMessage, Bad, SamplesMessage, SystemWord, VerdictMessage

__all__ = ["Look", "Looker"]

MOST_POINTS = 400
"""Of a channel in one message; more are left out, oldest first, and counted."""
LONGEST_TEXT = 2_000


@dataclass(frozen=True, slots=True)
class Look:
    """`time` is data time, s; what was not asked for, or is not there, is None. `left_out` values gave way."""

    time: float
    samples: SamplesMessage | None
    signature: Signature | None
    left_out: int


class Looker:
    """Args:
    session: which run it is.
    channels: what to take.
    every: ns of data time between two values of a channel.
    """

    def __init__(self, session: str, channels: Sequence[str], every: int) -> None:
        self._session, self._channels, self._every = session, tuple(channels), every
        self._reached = -1

    def look(self, run: Run, judged: bool) -> Look:
        """At `run`; with a copy of its signature when `judged`, which costs a millisecond."""
        samples, left_out = self._samples(run)
        return Look(run.pipeline.time / 1e9, samples, run.signature.copied() if judged else None, left_out)

    def judge(self, signature: Signature) -> tuple[VerdictMessage, AuthorityMessage]:
        """What a look's signature finds; a tenth of a second, in any thread."""
        finding = signature.finding()
        return self._verdict(finding), self._authority(finding)

    def _samples(self, run: Run) -> tuple[SamplesMessage | None, int]:
        history = run.history
        latest = None if history is None else history.latest
        if history is None or latest is None or not len(latest) or not self._channels:
            return None, 0
        now = run.pipeline.time
        if now < self._reached:  # a replay went back
            self._reached = now - 1
        step = max(history.period, self._every // history.period * history.period)
        times, values = history.window(self._channels, self._reached + 1, now)
        due = times % step == 0
        times, values = times[due], values[:, due]
        left_out = max(0, len(times) - MOST_POINTS) * len(self._channels)
        if not len(times):
            return None, 0
        times, values = times[-MOST_POINTS:], values[:, -MOST_POINTS:]
        self._reached = int(times[-1])
        rows = {name: latest.index[name] for name in self._channels if name in latest.index}
        worth = {name: Quality(int(latest.quality[row, -1])) for name, row in rows.items()}
        old = {name: row for name, row in rows.items() if worth[name] is not Quality.GOOD}
        message = SamplesMessage(
            session=self._session,
            time=[round(float(time), 3) for time in times / 1e9],
            utc=utc_text(run.pipeline.utc),
            channels={
                name: [None if math.isnan(value) else float(f"{value:.6g}") for value in column]
                for name, column in zip(self._channels, values.tolist(), strict=True)
            },
            units={name: run.profile.channels[row].unit for name, row in rows.items()},
            quality={name: cast(Bad, worth[name].word) for name in old},
            age={name: age for name, row in old.items() if math.isfinite(age := round(float(latest.age[row, -1]), 1))},
            held={name: held for name, row in old.items() if math.isfinite(held := float(latest.held[row, -1]))},
        )
        return message, left_out

    def _verdict(self, finding: Finding) -> VerdictMessage:
        share = finding.coverage.share
        return VerdictMessage(
            session=self._session,
            word=finding.verdict.word,
            sentence=finding.sentence[:LONGEST_TEXT],
            systems=[SystemWord(system=one.system, word=one.word) for one in finding.verdict.systems],
            causes=[cause.title[:LONGEST_TEXT] for cause in finding.verdict.established[:10]],
            next_drive=finding.next_drive[:LONGEST_TEXT],
            coverage=share if math.isfinite(share) else None,
        )

    def _authority(self, finding: Finding) -> AuthorityMessage:
        def known(value: float) -> float | None:
            return round(value, 4) if math.isfinite(value) else None

        return AuthorityMessage(
            session=self._session,
            controllers=[
                Authority(
                    controller=use.name,
                    label=use.label,
                    unit=use.unit,
                    limits=(use.low, use.high),
                    everyday=(float(use.everyday[0]), float(use.everyday[1])),
                    value=known(use.value),
                    used=known(use.used),
                    least=known(use.least),
                    most=known(use.most),
                    most_used=known(use.most_used),
                )
                for use in finding.authority[:64]
            ],
        )
