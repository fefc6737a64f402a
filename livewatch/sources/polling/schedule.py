"""What is asked for next: a list of wanted parameters, each with how often it is wanted, and its priority.

Parameters to be asked of one unit, and the time, come in; those to put into the next request come out: of what is due,
what has been late for the largest share of its own interval first, four times that for high priority, a quarter of it
for low. So when a car answers more slowly than wanted, every parameter of one priority gets the same share of what was
wanted; high gets four times the share of medium, until it has all it wants, low a quarter; nothing is left out, and
what is due fills the room in a request whatever its priority. At full pedal what a pull is judged by comes first:
lambda, its command, boost and speed four times as often, all else a quarter as often; but high priority never less
often than wanted, low never more often. What is refused or not answered is asked for more and more rarely, ten seconds
apart in the end, and never blocks the rest.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from livewatch.profile.model import PollPriority, PollRequest

__all__ = ["AT_FULL_PEDAL", "Schedule", "Wanted"]

AT_FULL_PEDAL = frozenset({0x0B, 0x0C, 0x10, 0x11, 0x24, 0x28, 0x34, 0x38, 0x44, 0x49, 0x4C, 0x5A, 0x66, 0x70})
"""Parameters of service 01 that a pull is judged by: lambda and its command, manifold and boost pressure, speed, air
flow, and the pedal by which its end is seen."""
FASTER, SLOWER = 4.0, 4.0
WEIGHTS: Mapping[PollPriority, float] = {"high": 4.0, "medium": 1.0, "low": 0.25}
"""By how much lateness counts."""
SOONEST = 0.020
"""Seconds between two requests for one parameter at the least, when it is asked for faster than wanted."""
RARELY = 10.0
"""Seconds between requests for a parameter that is not answered."""
GIVE_UP_AFTER = 3
"""Requests in a row without an answer, after which a parameter is asked for rarely."""


@dataclass(slots=True)
class Wanted:
    """One parameter: `last` asked for and `again` not before, in s; how often in a row it was `missed`; whether it is
    to be asked for `alone`; whether it is an `extra` that the profile does not name, to be given up for good; and how
    often it was `answered`."""

    request: PollRequest
    last: float = float("-inf")
    again: float = float("-inf")
    missed: int = 0
    alone: bool = False
    extra: bool = False
    answered: int = 0

    @property
    def key(self) -> tuple[int, int]:
        """Service and identifier."""
        return self.request.service, self.request.identifier


class Schedule:
    """The parameters wanted of one unit. `full_pedal` says whether what a pull is judged by comes first."""

    def __init__(self, wanted: Sequence[Wanted]) -> None:
        self.wanted = list(wanted)
        self.full_pedal = False

    def next(self, now: float, most: int) -> list[Wanted]:
        """What to ask for now in one request: nothing, one parameter, or up to `most` of the standard's."""
        due = sorted((one for one in self.wanted if self._due(one) <= now), key=lambda one: self._rank(one, now))
        if not due:
            return []
        first = due[0]
        if first.alone or first.request.service != 0x01:
            return [first]
        return [one for one in due if one.request.service == 0x01 and not one.alone][:most]

    @property
    def due(self) -> float:
        """When something is due next, s; infinite when nothing is wanted."""
        return min(map(self._due, self.wanted), default=float("inf"))

    def asked(self, together: Sequence[Wanted], now: float) -> None:
        """A request for them went out."""
        for one in together:
            one.last = now

    def answered(self, one: Wanted) -> None:
        """It was in an answer."""
        one.missed = 0
        one.again = float("-inf")
        one.answered += 1

    def missed(self, one: Wanted, now: float) -> None:
        """It was asked for, alone, in vain."""
        one.missed += 1
        if one.extra:
            one.again = now if one.missed < GIVE_UP_AFTER else float("inf")
        elif one.missed >= GIVE_UP_AFTER:
            one.again = now + RARELY

    def _interval(self, one: Wanted) -> float:
        every, priority = one.request.every / 1e9, one.request.priority
        if not self.full_pedal or one.extra:
            return every
        if one.request.service == 0x01 and one.request.identifier in AT_FULL_PEDAL:
            return every if priority == "low" else min(every, max(SOONEST, every / FASTER))
        return every if priority == "high" else every * SLOWER

    def _due(self, one: Wanted) -> float:
        return max(one.last + self._interval(one), one.again)

    def _rank(self, one: Wanted, now: float) -> tuple[float, float]:
        """Less is sooner: how late it is, in intervals, weighed. What was never asked for comes first."""
        weight = WEIGHTS[one.request.priority]
        return -weight * (now - one.last) / self._interval(one), -weight
