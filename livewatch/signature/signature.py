"""The signature stage: ticks in, finished pulls out as they end, and at any time what the drive shows so far.

    signature = Signature(profile)
    events = signature.observe(ticks)  # TickBatches in a row
    signature.finding().verdict.word

It promises fixed memory, the same digits for any cutting of the ticks, and a finding in some milliseconds.
What was observed counts by whole seconds of data time; `finish` takes the rest.
"""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import replace
from math import exp, isnan, nan

import numpy as np

from livewatch.data.events import AlarmChanged, Event
from livewatch.data.middle import median, quantile
from livewatch.data.samples import Quality
from livewatch.data.ticks import TickBatch
from livewatch.profile.model import Alarm, Profile
from livewatch.signature.car_codes import CarCodes, with_codes
from livewatch.signature.cause import NEED_SURELY, Cause, describe
from livewatch.signature.causes.facts import Facts, facts_of
from livewatch.signature.causes.hypothesis import Grounds
from livewatch.signature.causes.registry import HYPOTHESES
from livewatch.signature.estimates import SIGMAS, Estimate, mapped
from livewatch.signature.evidence.authority import AuthorityUse
from livewatch.signature.evidence.baseline import Baseline
from livewatch.signature.evidence.boost_figures import boost_figures
from livewatch.signature.evidence.coverage import Coverage, cover
from livewatch.signature.evidence.evidence import KEPT
from livewatch.signature.evidence.gathering import counted_of, ethanol_of, gather, humidity_of
from livewatch.signature.evidence.mix_ups import MixUp, MixUpWatch
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.opening import is_at_opening
from livewatch.signature.evidence.pulls import pull_event
from livewatch.signature.evidence.readings import BLOCK, HISTORY, LOOK_TIME, Reader, Readings, joined
from livewatch.signature.finding import Finding
from livewatch.signature.fitted_points import points_of
from livewatch.signature.gathered import Gathered, unusable_with
from livewatch.signature.ranking import Ranking, rank
from livewatch.signature.unknowable import assumed, missing
from livewatch.signature.verdict import Witness, decide

__all__ = ["Signature"]

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
        self._reader = Reader(profile)
        self._gathered = Gathered(profile)
        self._taken: list[Readings] = []
        self._mix_ups = MixUpWatch(self._reader.names, self._gathered.maker)
        self._left_out: frozenset[str] = frozenset()
        self._own_alarms = {alarm.name: _read_by(profile, alarm) for alarm in profile.alarms if alarm.signature}
        self._alarmed: dict[str, bool] = {}
        self._codes = CarCodes()
        self._slow_looks = 0
        self._looks = 0
        self._last: tuple[int, int] = (0, 0)
        self._quality = np.zeros(len(profile.channels), np.uint8)
        self._said: Finding | None = None

    def observe(self, ticks: TickBatch, told: Sequence[Event] = ()) -> list[Event]:
        """Look at the next ticks, and at what the alarms and the car said during them; gives the pulls that ended."""
        for event in told:
            if isinstance(event, AlarmChanged) and event.raised and event.priority == "critical":
                if event.subject in self._own_alarms and self._alarmed.get(event.subject, True):
                    self._alarmed[event.subject] = is_at_opening(event)
                    self._said = None
            elif self._codes.hear(event):
                self._said = None
        if len(ticks):
            self._last = ((ticks.first + len(ticks) - 1) * ticks.period, int(ticks.utc[-1]))
            self._quality = ticks.quality[:, -1]
        events = []
        for seconds in self._reader.observe(ticks):
            events += self._pulls(seconds)
            if self._reader.minute_ended:
                self._take()
                self._leave_out()
        self._gather()
        return events

    def finish(self) -> list[Event]:
        """The drive is over; gives a pull that was still going on, at the last tick."""
        events = [event for seconds in self._reader.finish() for event in self._pulls(seconds)]
        self._catch_up()
        time, utc = self._last
        self._said = None
        events += [pull_event(pull, time, utc) for pull, _ in self._gathered.finish(time // LOOK_TIME)]
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
        pulls = self._gathered.kept
        shared = (profile, *profile.channels, *profile.alarms, profile.engine, self.baseline, self._said, *pulls)
        return copy.deepcopy(self, {id(one): one for one in shared if one is not None})

    def as_baseline(self) -> Baseline:
        """This drive as a baseline, taken to be on matching parts."""
        self._catch_up()
        gathered = self._gathered
        state, regions = gathered.evidence.totals(), gathered.evidence.regions()
        mean, count = {}, {}
        for name in ("need_1", "need_2", "ratio"):
            place = KEPT.index(f"log_{name}")
            with np.errstate(invalid="ignore", divide="ignore"):
                table = state.sum[..., place] / state.count[..., place]
            if not np.isnan(table).all():
                mean[name], count[name] = table, state.count[..., place].astype(np.float64)
        responses = gathered.responses()
        over = [r.overshoot_share for r in responses if r.reached]
        duty = [r.mean_duty for r in responses if r.reached and r.mean_duty == r.mean_duty]
        return Baseline(
            self.profile.name,
            mean,
            quantile(over, 0.25) if over else nan,
            median(duty) if duty else nan,
            len(responses),
            int(state.visits.sum()),
            ethanol_of(regions),
            humidity_of(regions),
            counted_of(regions),
            count,
        )

    def _pulls(self, readings: Readings) -> list[Event]:
        """The pulls that end in the next whole seconds."""
        self._said = None
        events: list[Event] = []
        for pull, look in self._gathered.pulls_in(readings):
            # Told with the last look of its second, which is when it is known whatever the cutting.
            at = min((look // BLOCK + 1) * BLOCK - 1, readings.first + len(readings) - 1)
            events.append(pull_event(pull, at * LOOK_TIME, int(readings.utc[at - readings.first])))
        return events

    def _catch_up(self) -> None:
        """Gather from all whole seconds so far: done when somebody asks, or at the end of a minute."""
        self._take()
        self._gather()

    def _take(self) -> None:
        """Look for channels that cannot be true in all whole seconds so far."""
        readings = self._reader.waiting()
        if readings is not None:
            self._mix_ups.observe(readings)
            slow = readings.interval[HISTORY:] > SLOW
            self._slow_looks += int(slow.sum())
            self._looks += len(slow)
            self._taken.append(readings)

    def _gather(self) -> None:
        """Gather evidence from all that was taken: minutes that came together are gathered together."""
        if self._taken:
            self._gathered.add(joined(self._taken))
            self._taken.clear()

    def _leave_out(self) -> None:
        """Go on without the channels that cannot be true, and with those that turned out to be."""
        out = unusable_with({one.channel for one in self._mix_ups.found()})
        if out != self._left_out:
            self._left_out = out
            self._reader.leave_out(out)
            self._taken.clear()
            self._gathered = self._gathered.without(self.profile, out)

    def _unseen(self) -> list[str]:
        """Channels that had time to come and never did."""
        if self._last[0] < TIME_TO_COME:
            return []
        never = np.flatnonzero(self._quality == Quality.NEVER_SEEN)
        return [self.profile.channels[row].name for row in never.tolist()]

    def _find(self) -> Finding:
        self._catch_up()
        gathered, maker = self._gathered, self._gathered.maker
        seen = gather(gathered.evidence.regions().beside(gathered.lesser.regions()), maker, self.baseline)
        responses = gathered.responses()
        usual = (self.baseline.overshoot, self.baseline.duty) if self.baseline else (nan, nan)
        figures = boost_figures(responses, gathered.cuts, usual, gathered.alone())
        ranking = rank(seen, maker, figures)
        wrong = bool(ranking.chosen) and ranking.families.get("none", 0.0) < 0.1
        coverage = cover(
            gathered.evidence.map(),
            maker.displacement,
            LOADED if wrong else (),
            maker.boosted and gathered.boost_known and len(responses) < PULLS_ENOUGH,
            gathered.lesser.map(),
            maker.turbo,
        )
        facts = facts_of(seen, coverage, figures, maker.efficiency_spread, maker.metered)
        causes = self._causes(ranking, Grounds(seen, maker, responses), facts, coverage)
        mixed = tuple(self._mix_ups.found())
        authority = gathered.authority.uses()
        slow = self._looks > 0 and self._slow_looks > 0.5 * self._looks
        witness = self._witness(seen, causes, coverage, authority, mixed, wrong)
        verdict = decide(replace(witness, blend=exp(ranking.shift)))
        codes = self._codes.beside(causes, coverage, verdict, maker)
        return Finding(
            replace(verdict, codes=codes, established=with_codes(verdict.established, codes)),
            with_codes(causes, codes),
            ranking.families if causes else {},
            authority,
            tuple(gathered.kept),
            gathered.pulls.count,
            coverage,
            tuple(missing(self.profile, slow, [*self._unseen(), *self._left_out])),
            tuple(assumed(self.profile)),
            mixed,
            None if self.baseline is None else self.baseline.profile,
            gathered.evidence.settled_looks * LOOK_TIME / 1e9,
            _need(seen),
            points_of(seen, [ranking[cause.name] for cause in causes if cause.established]),
        )

    def _causes(self, ranking: Ranking, grounds: Grounds, facts: Facts, coverage: Coverage) -> tuple[Cause, ...]:
        """The established ones, most dangerous first, then the others by probability; none where, with nothing to weigh
        them by, what was thought of them beforehand would be all there is."""
        if len(ranking.causes) < 2:
            return ()
        enough = sum(group.visits for group in coverage.groups) >= LEAST_VISITS
        enough &= _in_need(coverage) or len(ranking.chosen) > 1  # Of several, one may hide what another takes.
        causes = [describe(ranking, judged, grounds, facts, enough) for judged in ranking.causes]
        alarms = self._good_alarms()
        needed = {one.name for one in causes if one.established and any(map(one.does_explain, alarms))}
        causes = [one for one in causes if not HYPOTHESES[one.name].everyday or one.name in needed]
        causes.sort(key=lambda one: (not one.established, one.danger if one.established else 0, -one.probability))
        return tuple(causes)

    def _good_alarms(self) -> tuple[str, ...]:
        """Critical alarms that were raised on channels that are believed."""
        return tuple(name for name in self._alarmed if not self._own_alarms[name] & self._left_out)

    def _witness(
        self,
        seen: Observations,
        causes: Sequence[Cause],
        coverage: Coverage,
        authority: Sequence[AuthorityUse],
        mixed: Sequence[MixUp],
        spared: bool,
    ) -> Witness:
        gathered, maker, high = self._gathered, self._gathered.maker, coverage.groups[-1].flow[0]
        pressure = (seen.kind == "supply") & (seen.of("air") > high)
        rail = {"fuel_rail_pressure", "fuel_rail_gauge_pressure"} & maker.there
        return Witness(
            causes,
            coverage,
            authority,
            mixed,
            self._left_out,
            self._good_alarms(),
            maker.boosted,
            gathered.boost_known,
            len(gathered.responses()),
            bool(rail) and "commanded_fuel_rail_pressure" in maker.there,
            bool(pressure.any()),
            "lambda_1" in maker.there,
            spared,
            sum(group.visits for group in coverage.groups) >= LEAST_VISITS or len(gathered.kept) >= PULLS_TELL,
            at_opening=frozenset(name for name, always in self._alarmed.items() if always),
            mixture_shown=bool({"lambda_1", "oxygen_sensor_voltage_1"} & maker.there),
            fuel_known="ethanol_content" in maker.there,
            alone=len(gathered.alone()),
        )


def _read_by(profile: Profile, alarm: Alarm) -> frozenset[str]:
    """Names of the channels that an alarm goes by, those its computed channels are made of included."""
    made = {one.name: one.formula.inputs for one in profile.channels if one.formula is not None}
    read: set[str] = set()
    waiting = list(alarm.evidence)
    while waiting:
        name = waiting.pop()
        if name not in read:
            read.add(name)
            waiting += made.get(name, ())
    return frozenset(read)


def _need(seen: Observations) -> Estimate:
    """Need over all loads, in its own interval."""
    size, deviation = seen.need() if len(seen) else (nan, nan)
    band = (size, size - SIGMAS * deviation, size + SIGMAS * deviation)
    return mapped("need over all loads", "%", band, lambda s: 100.0 * (exp(s) - 1.0))


def _in_need(coverage: Coverage) -> bool:
    """Whether need itself is away from 1 at any load, or was not seen at one that was driven: without that, no one
    thing is wrong with the fuel."""
    if any(group.visits and all(map(isnan, group.need)) for group in coverage.groups):
        return True
    needs = [need for group in coverage.groups for need in group.need if not isnan(need)]
    needs += [need for region in coverage.regions for need in region.need if not isnan(need)]
    return any(100.0 * abs(need - 1.0) >= NEED_SURELY for need in needs)
