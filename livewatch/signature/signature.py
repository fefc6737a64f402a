"""The signature stage: ticks in, finished pulls out as they end, and at any time what the drive shows so far.

    signature = Signature(profile)
    events = signature.observe(ticks)  # TickBatches in a row
    signature.finding().verdict.word

It promises fixed memory, the same digits for any cutting of the ticks, and a finding in some milliseconds.
What was observed counts by whole seconds of data time; `finish` takes the rest.
"""

from __future__ import annotations

import copy
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import exp, isnan, nan

import numpy as np

from livewatch.data.events import AlarmChanged, Event
from livewatch.data.samples import Quality
from livewatch.data.ticks import TickBatch
from livewatch.profile.model import Profile
from livewatch.signature.cause import NEED_SURELY, Cause, describe
from livewatch.signature.causes.facts import Facts, facts_of
from livewatch.signature.causes.hypothesis import Grounds
from livewatch.signature.estimates import SIGMAS, Estimate, mapped
from livewatch.signature.evidence.authority import AuthorityUse, AuthorityWatch
from livewatch.signature.evidence.baseline import Baseline
from livewatch.signature.evidence.boost_figures import boost_figures
from livewatch.signature.evidence.boost_response import Response
from livewatch.signature.evidence.coverage import Coverage, cover
from livewatch.signature.evidence.evidence import KEPT, Evidence
from livewatch.signature.evidence.gathering import ethanol_of, gather
from livewatch.signature.evidence.mix_ups import MixUp, MixUpWatch
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.pulls import MOST_PULLS, Pull, PullFinder, pull_event
from livewatch.signature.evidence.readings import BLOCK, HISTORY, LOOK_TIME, Reader, Readings
from livewatch.signature.evidence.settled import FIELDS, PointMaker
from livewatch.signature.finding import Finding
from livewatch.signature.fitted_points import points_of
from livewatch.signature.ranking import Ranking, rank
from livewatch.signature.unknowable import assumed, missing
from livewatch.signature.verdict import Witness, decide

__all__ = ["Signature"]

OVERBOOST = 12.0
"""kPa above command at which a fuel cut in a pull is taken for one against overboost."""
SLOW = 0.25
"""s between samples from which transients are missed."""
TIME_TO_COME = 5_000_000_000
"""Data time, ns, after which a channel that never came is taken to be missing."""
PULLS_ENOUGH = 3
"""Pulls below which more are asked for to see boost control; common practice."""
PULLS_TELL = 2
"""Pulls that are worth as much."""
LEAST_VISITS = 8
"""Visits of operating regions from which a cause on the fuel side can be established; a judgement."""
LOADED = ("middle load", "high load")
"""Loads nobody is sent to once something is wrong: the alarms say not to load the engine."""


class Signature:
    """Args:
    profile: what is watched.
    baseline: a drive on matching parts, to compare with.
    """

    def __init__(self, profile: Profile, baseline: Baseline | None = None) -> None:
        self.profile = profile
        self.baseline = baseline
        self._maker = PointMaker(profile)
        self._reader = Reader(profile)
        self._evidence = Evidence(self._maker.displacement)
        self._lesser = Evidence(self._maker.displacement)
        self._authority = AuthorityWatch(profile, self._maker.displacement)
        self._pulls = PullFinder(self._maker.boosted, self._maker.pedal)
        self._mix_ups = MixUpWatch(self._reader.names)
        self._kept: deque[Pull] = deque(maxlen=MOST_PULLS)
        self._own_alarms = frozenset(alarm.name for alarm in profile.alarms if alarm.signature)
        self._alarmed: list[str] = []
        wanted = profile.engine is not None and profile.engine.wanted_boost is not None
        self._boost_known = wanted or any(one.name == "commanded_boost_pressure" for one in profile.channels)
        self._cuts = 0
        self._slow_looks = 0
        self._looks = 0
        self._last: tuple[int, int] = (0, 0)
        self._quality = np.zeros(len(profile.channels), np.uint8)
        self._said: Finding | None = None

    def observe(self, ticks: TickBatch, alarms: Sequence[Event] = ()) -> list[Event]:
        """Look at the next ticks, and at what the alarms said during them; gives the pulls that ended."""
        for alarm in alarms:
            critical = isinstance(alarm, AlarmChanged) and alarm.raised and alarm.priority == "critical"
            if critical and alarm.subject in self._own_alarms and alarm.subject not in self._alarmed:
                self._alarmed.append(alarm.subject)
                self._said = None
        if len(ticks):
            self._last = ((ticks.first + len(ticks) - 1) * ticks.period, int(ticks.utc[-1]))
            self._quality = ticks.quality[:, -1]
        return [event for readings in self._reader.observe(ticks) for event in self._look(readings)]

    def finish(self) -> list[Event]:
        """The drive is over; gives a pull that was still going on, at the last tick."""
        events: list[Event] = [event for readings in self._reader.finish() for event in self._look(readings)]
        time, utc = self._last
        self._evidence.finish()
        self._lesser.finish()
        self._said = None
        for pull, _ in self._pulls.finish(time // LOOK_TIME):
            events.append(self._keep(pull, time, utc))
        return [replace(event, time=time, utc=utc) for event in events]

    def finding(self) -> Finding:
        """What the drive shows so far. Asking again without new ticks costs nothing."""
        if self._said is None:
            self._said = self._find()
        return self._said

    def copied(self) -> Signature:
        """The same as it stands, for another thread to ask while this one goes on; takes a millisecond."""
        profile = self.profile
        # What never changes is shared.
        shared = (profile, *profile.channels, *profile.alarms, profile.engine, self.baseline, self._said, *self._kept)
        return copy.deepcopy(self, {id(one): one for one in shared if one is not None})

    def as_baseline(self) -> Baseline:
        """This drive as a baseline, taken to be on matching parts."""
        state = self._evidence.totals()
        mean = {}
        for name in ("need_1", "need_2", "ratio"):
            place = KEPT.index(f"log_{name}")
            with np.errstate(invalid="ignore", divide="ignore"):
                table = state.sum[..., place] / state.count[..., place]
            if not np.isnan(table).all():
                mean[name] = table
        responses = self._responses()
        over = [r.overshoot_share for r in responses if r.reached]
        duty = [r.mean_duty for r in responses if r.reached and r.mean_duty == r.mean_duty]
        return Baseline(
            self.profile.name,
            mean,
            float(np.quantile(over, 0.25)) if over else nan,
            float(np.median(duty)) if duty else nan,
            len(responses),
            int(state.visits.sum()),
            ethanol_of(self._evidence.regions()),
        )

    def _look(self, readings: Readings) -> Iterator[Event]:
        self._said = None
        points = self._maker.points(readings)
        self._evidence.add(points)
        self._lesser.add(points, points.lesser)
        self._authority.observe(readings, points.field[FIELDS.index("air")])
        self._mix_ups.observe(readings)
        slow = readings.interval[HISTORY:] > SLOW
        self._slow_looks += int(slow.sum())
        self._looks += len(slow)
        for pull, look in self._pulls.observe(readings):
            # Told with the last look of its second, which is when it is known whatever the cutting.
            at = min((look // BLOCK + 1) * BLOCK - 1, readings.first + len(readings) - 1)
            yield self._keep(pull, at * LOOK_TIME, int(readings.utc[at - readings.first]))

    def _keep(self, pull: Pull, time: int, utc: int) -> Event:
        self._kept.append(pull)
        if pull.fuel_cut and pull.response is not None and pull.response.overshoot > OVERBOOST:
            self._cuts += 1
        return pull_event(pull, time, utc)

    def _responses(self) -> list[Response]:
        return [pull.response for pull in self._kept if pull.response is not None]

    def _unseen(self) -> list[str]:
        """Channels that had time to come and never did."""
        if self._last[0] < TIME_TO_COME:
            return []
        never = np.flatnonzero(self._quality == Quality.NEVER_SEEN)
        return [self.profile.channels[row].name for row in never.tolist()]

    def _find(self) -> Finding:
        maker = self._maker
        lesser = self._lesser.regions()
        seen = gather(self._evidence.regions().beside(lesser), maker, self.baseline)
        responses = self._responses()
        usual = (self.baseline.overshoot, self.baseline.duty) if self.baseline else (nan, nan)
        figures = boost_figures(responses, self._cuts, usual)
        ranking = rank(seen, maker, figures)
        wrong = bool(ranking.chosen) and ranking.families.get("none", 0.0) < 0.1
        coverage = cover(
            self._evidence.map(),
            maker.displacement,
            LOADED if wrong else (),
            maker.boosted and self._boost_known and len(responses) < PULLS_ENOUGH,
            self._lesser.map(),
            maker.turbo,
        )
        facts = facts_of(seen, coverage, figures, maker.efficiency_spread, maker.metered)
        causes = self._causes(ranking, Grounds(seen, maker, responses), facts, coverage)
        mixed = tuple(self._mix_ups.found())
        authority = self._authority.uses()
        slow = self._looks > 0 and self._slow_looks > 0.5 * self._looks
        witness = self._witness(seen, causes, coverage, authority, mixed, wrong)
        return Finding(
            decide(witness),
            causes,
            ranking.families if causes else {},
            authority,
            tuple(self._kept),
            self._pulls.count,
            coverage,
            tuple(missing(self.profile, slow, self._unseen())),
            tuple(assumed(self.profile)),
            mixed,
            None if self.baseline is None else self.baseline.profile,
            self._evidence.settled_looks * LOOK_TIME / 1e9,
            _need(seen),
            points_of(seen, [ranking[cause.name] for cause in causes if cause.established]),
        )

    def _causes(self, ranking: Ranking, grounds: Grounds, facts: Facts, coverage: Coverage) -> tuple[Cause, ...]:
        """The established ones, most dangerous first, then the others by probability; none where, with nothing to weigh
        them by, what was thought of them beforehand would be all there is."""
        if len(ranking.causes) < 2:
            return ()
        enough = sum(group.visits for group in coverage.groups) >= LEAST_VISITS and _in_need(coverage)
        causes = [describe(ranking, judged, grounds, facts, enough) for judged in ranking.causes]
        causes.sort(key=lambda one: (not one.established, one.danger if one.established else 0, -one.probability))
        return tuple(causes)

    def _witness(
        self,
        seen: Observations,
        causes: Sequence[Cause],
        coverage: Coverage,
        authority: Sequence[AuthorityUse],
        mixed: Sequence[MixUp],
        spared: bool,
    ) -> Witness:
        maker, high = self._maker, coverage.groups[-1].flow[0]
        pressure = (seen.kind == "supply") & (seen.of("air") > high)
        rail = {"fuel_rail_pressure", "fuel_rail_gauge_pressure"} & maker.there
        return Witness(
            causes,
            coverage,
            authority,
            mixed,
            tuple(self._alarmed),
            maker.boosted,
            self._boost_known,
            len(self._responses()),
            bool(rail) and "commanded_fuel_rail_pressure" in maker.there,
            bool(pressure.any()),
            "lambda_1" in maker.there,
            spared,
            sum(group.visits for group in coverage.groups) >= LEAST_VISITS or len(self._kept) >= PULLS_TELL,
        )


def _need(seen: Observations) -> Estimate:
    """Need over all loads, in its own interval."""
    size, deviation = seen.need() if len(seen) else (nan, nan)
    band = (size, size - SIGMAS * deviation, size + SIGMAS * deviation)
    return mapped("need over all loads", "%", band, lambda s: 100.0 * (exp(s) - 1.0))


def _in_need(coverage: Coverage) -> bool:
    """Whether need itself is away from 1 at any load: without that, nothing is wrong with the fuel."""
    needs = [need for group in coverage.groups for need in group.need if not isnan(need)]
    needs += [need for region in coverage.regions for need in region.need if not isnan(need)]
    return any(100.0 * abs(need - 1.0) >= NEED_SURELY for need in needs)
