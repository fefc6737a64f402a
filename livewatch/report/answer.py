"""An answer for a customer: whether parts need another calibration, in everyday words and no more than is known.

A build sheet's forecast comes in, with what a drive showed where there was one; an `Answer` goes out. `no` is said only
where every slot of the sheet was compared, no difference is of unknown size, and no drive speaks against it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from livewatch.build_sheet.forecast import Forecast
from livewatch.build_sheet.intake.questions import PARTS, SIDES
from livewatch.build_sheet.prediction import Prediction
from livewatch.data.channels import in_words
from livewatch.diagnosis.diagnosis import Diagnosis
from livewatch.report.report import SystemLine, system_lines
from livewatch.signature.verdict import Verdict
from livewatch.wording.customer import cause_words, part_words, remedy_words, repairs, verdict_sentence, without_words

__all__ = ["ANSWER_FORMAT", "Answer", "Needs", "PartLine", "answer_of"]

ANSWER_FORMAT = 1
Needs = Literal["yes", "no", "unknown"]
_HEADLINES: dict[Needs, str] = {
    "yes": "Yes: these parts need another calibration.",
    "no": "No: nothing that was written down needs another calibration.",
    "unknown": "It cannot be said yet whether these parts need another calibration.",
}
ALWAYS = (
    "Full power belongs on a closed course or a dynamometer, with a second person who reads the screen. The local "
    "law, and "
    "a licensed professional, have the last word."
)


@dataclass(frozen=True, slots=True)
class PartLine:
    """One part that differs: what it is, whether it `needs` another calibration, what would happen without, in everyday
    words, and `why`, for the workshop."""

    part: str
    needs: Needs
    found: str
    without: str
    why: str


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer.

    Attributes:
        sheet, car: names.
        needs: the answer in a word; `headline` in a sentence.
        disagree: where sheet and drive say different things, in words; empty else.
        parts: those that differ.
        until: what not to do, or to do, until then.
        open: what is still to be found out.
        drive: what the drive showed as a whole; empty without a drive. `systems` the same by system.
    """

    sheet: str
    car: str
    needs: Needs
    headline: str
    disagree: str
    parts: tuple[PartLine, ...]
    until: tuple[str, ...]
    open: tuple[str, ...]
    drive: str
    systems: tuple[SystemLine, ...]

    @property
    def advice(self) -> str:
        """What stands over `until`."""
        return "What holds in any case" if self.needs == "no" else "What not to do until then"

    def to_json(self) -> dict[str, Any]:
        """Plain data, format version 1."""
        return {
            "answer": ANSWER_FORMAT,
            "sheet": self.sheet,
            "car": self.car,
            "needs_another_calibration": self.needs,
            "headline": self.headline,
            "disagree": self.disagree or None,
            "parts": [
                {
                    "part": one.part,
                    "needs_another_calibration": one.needs,
                    "found": one.found,
                    "without": one.without,
                    "why": one.why,
                }
                for one in self.parts
            ],
            "until_then": list(self.until),
            "still_to_find_out": list(self.open),
            "drive": self.drive or None,
            "by_system": [{"system": one.name, "word": one.word, "sentence": one.sentence} for one in self.systems],
        }


def answer_of(forecast: Forecast, diagnosis: Diagnosis | None = None) -> Answer:
    """The answer that a sheet gives, and a drive where there is one."""
    verdict = None if diagnosis is None else diagnosis.assessment.finding.verdict
    sheet = _by_sheet(forecast)
    needs, disagree = _together(sheet, verdict)
    headline = _HEADLINES[needs]
    if verdict is not None and needs != "yes" and any(repairs(cause.name) for cause in verdict.established):
        headline += " But something on the car wants repair first."
    return Answer(
        forecast.sheet.name,
        forecast.profile,
        needs,
        headline,
        disagree,
        tuple(_part(one) for one in forecast.predictions if one.recalibrate != "no" or one.severity != "none"),
        tuple(dict.fromkeys(_until(forecast, needs, diagnosis))),
        tuple(dict.fromkeys(_open(forecast, verdict))),
        "" if diagnosis is None or verdict is None else diagnosis.wrong_profile or verdict_sentence(verdict),
        () if diagnosis is None else tuple(system_lines(diagnosis.assessment.finding)),
    )


def _by_sheet(forecast: Forecast) -> Needs:
    said = {one.recalibrate for one in forecast.predictions}
    if "yes" in said:
        return "yes"
    unsure = "unknown" in said or any(one.is_unknown_need for one in forecast.predictions)
    return "unknown" if unsure or forecast.not_compared or forecast.refusals else "no"


def _together(sheet: Needs, verdict: Verdict | None) -> tuple[Needs, str]:
    """The answer of both, and where they disagree, in words."""
    if verdict is None:
        return sheet, ""
    misfit = [cause for cause in verdict.established if not repairs(cause.name)]
    if misfit:
        if sheet != "no":
            return "yes", ""
        return "unknown", (
            "What was written down of the parts needs no other calibration, but the drive shows that "
            f"{cause_words(misfit[0].name)}. One of the two is not as believed: look at the parts themselves first."
        )
    if verdict.word == "fits" and sheet == "yes":
        return "unknown", (
            "By what was written down the parts need another calibration, but the drive shows an engine in order. "
            "Either it "
            "was recalibrated already, or other parts are fitted than was written down: find out which."
        )
    if verdict.word == "fits" and sheet == "unknown":
        return "unknown", "The drive shows an engine in order as it was driven; what was not written down stays open."
    if verdict.word in ("strained", "misfit") and sheet == "no":
        return (
            "unknown",
            "By what was written down nothing needs another calibration, but the drive shows that not all is well.",
        )
    return sheet, ""


def _part(one: Prediction) -> PartLine:
    return PartLine(part_words(one.slot), one.recalibrate, one.found, without_words(one), one.why)


def _until(forecast: Forecast, needs: Needs, diagnosis: Diagnosis | None) -> Iterator[str]:
    critical = diagnosis is not None and any(spell.priority == "critical" for spell in diagnosis.alarms)
    word = None if diagnosis is None else diagnosis.verdict
    if critical:
        yield "Do not drive at full power: the drive raised an alarm that says the engine is in danger there."
    elif forecast.refusals:
        yield "Do not drive at full power until it is recalibrated, or until what is unknown is measured."
    elif needs != "no" or word in ("strained", "misfit"):
        yield "Drive gently, without full power, until that is settled."
    # Those of one part stand with the part.
    for reason in forecast.refusals[sum(one.refuse is not None for one in forecast.predictions) :]:
        yield f"Why: all of it together asks too much of the car. For the workshop: {reason}."
    if needs != "no":
        yield (
            "If the engine stutters, knocks, smells of fuel or a lamp lights: lift off, stop where it is safe, "
            "and call."
        )
    yield ALWAYS


def _lacking(one: Prediction, forecast: Forecast) -> Iterator[str]:
    """The numbers of a part that the sheet lacks, as the form asks for them."""
    if one.cause == "meter_shape":
        return  # no number gives it
    for side, parts in (("fitted", forecast.sheet.fitted), ("calibrated_for", forecast.sheet.calibrated_for)):
        part = parts.get(one.slot)
        known = {*part.numbers, *part.words} if part is not None else set()
        if lacking := [words for key, (words, _) in PARTS[one.slot].numbers.items() if key not in known]:
            yield f"Of {part_words(one.slot)} {SIDES[side]}: {'; '.join(lacking)}."


def _open(forecast: Forecast, verdict: Verdict | None) -> Iterator[str]:
    seen = verdict is not None and any(one.word != "not seen" for one in verdict.systems if "fuel" in one.system)
    for one in forecast.predictions:
        lacking = list(_lacking(one, forecast)) if one.missing else []
        yield from lacking
        if one.missing and not lacking and not seen:
            yield f"Of {part_words(one.slot)}: only a drive shows it, recorded while cruising at several steady speeds."
    if forecast.not_compared:
        yield f"What is fitted as: {', '.join(map(in_words, forecast.not_compared))}. The sheet does not say."
    for caution in forecast.cautions:
        yield f"For the workshop: {caution}"
    if forecast.supply.missing:
        yield "Whether the fuel supply has room to spare at full power: not all that pump and injectors bring is known."
    if verdict is None:
        yield (
            "Nothing was measured for this answer. A gentle drive that is recorded and looked at would show how "
            "the car is."
        )
        return
    for cause in verdict.established:
        yield f"To do: {remedy_words(cause)}"
    yield from verdict.lacking
