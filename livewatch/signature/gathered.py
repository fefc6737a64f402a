"""All that is gathered of a drive from the channels that are believed: evidence, used authority, pulls.

Readings come in, pulls that ended come out at once; the rest is there to be asked. Fixed memory, the same digits for
any cutting. A channel that cannot be true is left out by beginning anew without it: what was gathered with it is worth
nothing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterator
from dataclasses import replace

from livewatch.profile.model import Profile
from livewatch.signature.evidence.authority import AuthorityWatch
from livewatch.signature.evidence.boost_alone import Alone
from livewatch.signature.evidence.boost_response import Response
from livewatch.signature.evidence.evidence import Evidence
from livewatch.signature.evidence.pulls import MOST_PULLS, Pull, PullFinder
from livewatch.signature.evidence.readings import Readings
from livewatch.signature.evidence.settled import FIELDS, PointMaker

__all__ = ["Gathered", "unusable_with"]

OVERBOOST = 12.0
"""kPa above command at which a fuel cut in a pull is taken for one against overboost."""


def unusable_with(wrong: Collection[str]) -> frozenset[str]:
    """The channels that are worth nothing where those that are `wrong` cannot be true: themselves, and either trim
    without the other, which would be taken for the whole correction."""
    out = set(wrong)
    for bank in (1, 2):
        both = {f"short_term_fuel_trim_{bank}", f"long_term_fuel_trim_{bank}"}
        if both & out:
            out |= both
    return frozenset(out)


class Gathered:
    """Args:
    profile: what is watched.
    pulls: finds the pulls; one and the same over the whole drive.

    Attributes:
        kept: the last pulls. cuts: pulls in which the fuel was cut over boost.
        boost_known: whether it is known what boost is wanted.
    """

    def __init__(self, profile: Profile, pulls: PullFinder | None = None) -> None:
        self.maker = PointMaker(profile)
        self.evidence = Evidence(self.maker.displacement)
        self.lesser = Evidence(self.maker.displacement)
        self.authority = AuthorityWatch(profile, self.maker.displacement)
        self.pulls = pulls or PullFinder(self.maker.boosted, self.maker.pedal)
        self.kept: deque[Pull] = deque(maxlen=MOST_PULLS)
        self.cuts = 0
        wanted = profile.engine is not None and profile.engine.wanted_boost is not None
        self.boost_known = wanted or "commanded_boost_pressure" in self.maker.there

    def without(self, profile: Profile, out: Collection[str]) -> Gathered:
        """Nothing gathered yet, of a drive whose channels `out` are not believed."""
        left = replace(profile, channels=tuple(one for one in profile.channels if one.name not in out))
        new = Gathered(left, self.pulls)
        new.pulls.follow(new.maker.boosted, new.maker.pedal)
        return new

    def add(self, readings: Readings) -> None:
        """The next looks, those before them in front."""
        points = self.maker.points(readings)
        self.evidence.add(points)
        self.lesser.add(points, points.lesser)
        self.authority.observe(readings, points.field[FIELDS.index("air")])

    def pulls_in(self, readings: Readings) -> Iterator[tuple[Pull, int]]:
        """The pulls that end in the next looks, each with the look at which it ended."""
        for pull, look in self.pulls.observe(readings):
            self._keep(pull)
            yield pull, look

    def finish(self, look: int) -> Iterator[tuple[Pull, int]]:
        """The drive is over at `look`."""
        self.evidence.finish()
        self.lesser.finish()
        for pull, at in self.pulls.finish(look):
            self._keep(pull)
            yield pull, at

    def _keep(self, pull: Pull) -> None:
        self.kept.append(pull)
        if pull.fuel_cut and pull.response is not None and pull.response.overshoot > OVERBOOST:
            self.cuts += 1

    def responses(self) -> list[Response]:
        """How boost followed its command, pull by pull."""
        return [pull.response for pull in self.kept if pull.response is not None]

    def alone(self) -> list[Alone]:
        """What the pulls show of boost where no command is known."""
        return [pull.alone for pull in self.kept if pull.alone is not None]
