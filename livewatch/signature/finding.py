"""What the signature finds in a drive, as one object of typed values.

`Finding.to_json` is format version 1 and keeps its fields; new ones may be added:

    signature           format version
    verdict, sentence   fits, strained, misfit or unproven, and why
    systems             fuel at part load, fuel under load, boost, fuel supply: each fits, strained, misfit, unproven or
                        not seen, with its causes, unexplained_alarms, alarms_at_opening (explained, of a moment),
                        strain, what was right, what is lacking
    unexplained         critical alarms that no established cause explains
    causes              the established ones, most dangerous first, then the others by probability; family (metering,
                        injection, air leak, boost, fuel supply, fuel, none), cause, title,
                        estimate with quantity, unit and interval_95, all estimates, weight_of_evidence (decibans
                        against its not being there), probability, reasons_for, reasons_against, what_would_settle_it,
                        tie_with, established
    likely              names of causes more likely than not, of which none is established or tied with one that is
    families            probability that a cause of the family is there, none: that nothing is wrong; empty, as `causes`
                        is, where nothing was weighed
    authority           per controller: limits, everyday band, value and used share now, extremes, s pinned, by region
    pulls               the last 60: start, end, speeds, peak figures, boost response
    coverage            groups of load and operating regions with settled seconds, visits and need
    drive_next          the next best thing to drive, safest first
    missing             what could not be looked at for want of channels, and what cannot be known
    assumed             what was assumed because the profile does not say it
    mixed_up            channels whose values do not make sense in their unit
    need                need over all loads as trims and lambda show it, before it is said what makes it
    compared_with       the baseline's profile, or null
    settled, settled_unit
    fault_codes         where the car was asked and had any: each with unit, kinds, the load and the point in words
                        where it was set, the causes it speaks_for and speaks_against, those established that it
                        agrees_with or contradicts, need_there as measured, and its standing to that
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from livewatch.signature.cause import Cause
from livewatch.signature.estimates import Estimate
from livewatch.signature.evidence.authority import AuthorityUse
from livewatch.signature.evidence.coverage import NOTHING_MORE, Coverage
from livewatch.signature.evidence.mix_ups import MixUp
from livewatch.signature.evidence.pulls import Pull
from livewatch.signature.fitted_points import FittedPoints
from livewatch.signature.sentence import sentence_of, shorter_sentences
from livewatch.signature.verdict import Verdict

__all__ = ["SIGNATURE_FORMAT", "Finding"]

SIGNATURE_FORMAT = 1


@dataclass(frozen=True, slots=True)
class Finding:
    """What a drive shows so far; see the module's first paragraph for the fields. `points`, which `to_json` leaves out,
    are what the established causes were fitted to."""

    verdict: Verdict
    causes: tuple[Cause, ...]
    families: Mapping[str, float]
    authority: tuple[AuthorityUse, ...]
    pulls: tuple[Pull, ...]
    pull_count: int
    coverage: Coverage
    missing: tuple[str, ...]
    assumed: tuple[str, ...]
    mixed_up: tuple[MixUp, ...]
    compared_with: str | None
    settled: float
    need: Estimate
    points: FittedPoints

    @property
    def sentence(self) -> str:
        """Why the verdict is what it is."""
        return sentence_of(self.verdict)

    @property
    def shorter(self) -> tuple[str, ...]:
        """The same in fewer words, for a screen."""
        return shorter_sentences(self.verdict)

    @property
    def next_drive(self) -> str:
        """The next thing to drive, safest first; once there is no more to drive, which channel to get."""
        said = self.coverage.next_drive
        return self.verdict.lacking[0] if said == NOTHING_MORE and self.verdict.lacking else said

    def to_json(self) -> dict[str, Any]:
        """The documented object."""
        return {
            "signature": SIGNATURE_FORMAT,
            "verdict": self.verdict.word,
            "sentence": self.sentence,
            "unexplained": [alarm for system in self.verdict.systems for alarm in system.alarms],
            "systems": [system.to_json() for system in self.verdict.systems],
            "causes": [cause.to_json() for cause in self.causes],
            "likely": [cause.name for cause in self.verdict.likely],
            "families": {name: round(value, 4) for name, value in sorted(self.families.items())},
            "authority": [use.to_json() for use in self.authority],
            "pulls": [pull.to_json() for pull in self.pulls],
            "pull_count": self.pull_count,
            "coverage": self.coverage.to_json(),
            "drive_next": self.next_drive,
            "missing": list(self.missing),
            "assumed": list(self.assumed),
            "mixed_up": [one.to_json() for one in self.mixed_up],
            "need": self.need.to_json(),
            "compared_with": self.compared_with,
            "settled": round(self.settled, 1),
            "settled_unit": "s",
            **({"fault_codes": [code.to_json() for code in self.verdict.codes]} if self.verdict.codes else {}),
        }
