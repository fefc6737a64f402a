"""Findings in everyday words, for somebody who drives the car and does not work on it.

Systems, causes and slots of a build sheet come in by name; sentences without a trade word go out. Nothing here says
more than the verdict it puts into words: what was not seen is said to be so.
"""

from __future__ import annotations

from collections.abc import Mapping

from livewatch.build_sheet.points import FULL_LOAD
from livewatch.build_sheet.prediction import Prediction
from livewatch.signature.cause import Cause
from livewatch.signature.causes.registry import HYPOTHESES
from livewatch.signature.verdict import SystemVerdict, Verdict

__all__ = [
    "SYSTEM_NAMES", "VERDICT_WORDS", "cause_words", "part_words", "remedy_words", "repairs", "system_sentence",
    "verdict_sentence", "without_words",
]  # fmt: skip

SYSTEM_NAMES: Mapping[str, str] = {
    "fuel at part load": "Fuel in everyday driving",
    "fuel under load": "Fuel at full power",
    "boost": "Boost of the turbocharger",
    "fuel supply": "Fuel pump and fuel pressure",
}
VERDICT_WORDS: Mapping[str, str] = {
    "fits": "in order",
    "strained": "under strain",
    "misfit": "does not match",
    "unproven": "not known in full",
    "not seen": "not seen yet",
}
_WHOLE: Mapping[str, str] = {
    "fits": "The calibration matches the parts. Every system was seen, and the small corrections are everyday ones.",
    "strained": (
        "Something takes more correction than is ordinary, or raised an alarm that nothing found here explains. It is "
        "not shown which part does not match, but it is not in order either."
    ),
    "misfit": "The engine's calibration does not match the parts on the car.",
    "unproven": "The drive was not enough to say whether the calibration matches the parts. That is no clean bill.",
}
_SYSTEMS: Mapping[str, Mapping[str, str]] = {
    "fuel at part load": {
        "fits": "In everyday driving the engine gets the fuel it needs.",
        "strained": "In everyday driving the engine computer corrects the fuel more than is ordinary.",
        "misfit": "In everyday driving the engine computer hides a real error by correcting the fuel.",
        "unproven": "In everyday driving what was seen is right, but not all of it was seen.",
    },
    "fuel under load": {
        "fits": "At full power the mixture was what the engine computer asked for.",
        "strained": "At full power something was not right; what does it is not shown.",
        "misfit": "At full power the mixture is wrong, and there the engine computer corrects little or nothing.",
        "unproven": "Full power was seen for moments only: nothing wrong showed, but that is not enough.",
    },
    "boost": {
        "fits": "The turbocharger gives the pressure that is asked of it.",
        "strained": "Boost raised an alarm that nothing found here explains.",
        "misfit": "Boost does not follow what the engine computer asks for.",
        "unproven": "Boost was seen in too few full-power runs to be sure.",
    },
    "fuel supply": {
        "fits": "The fuel supply kept up with the engine.",
        "strained": "The fuel supply raised an alarm that nothing found here explains.",
        "misfit": "The fuel supply does not keep up at high power.",
        "unproven": "Whether the fuel supply keeps up was not seen in full.",
    },
}
_PARTS: Mapping[str, str] = {
    "intake": "the intake",
    "air_meter_housing": "the tube around the air sensor",
    "injectors": "the injectors",
    "fuel_pump": "the fuel pump",
    "turbocharger": "the turbocharger",
    "wastegate_actuator": "the wastegate actuator",
    "boost_control_solenoid": "the boost control valve",
    "downpipe": "the exhaust pipe behind the turbocharger",
    "intercooler": "the intercooler",
    "fuel": "the fuel",
}
_TOO_LITTLE = "it runs too hot, knocks, and can break."
_WITHOUT: Mapping[str, str] = {
    "fuel_supply": (
        "It is not sure that there is enough fuel for full power. Where there is not, the engine gets too little fuel "
        f"exactly when it needs most: {_TOO_LITTLE}"
    ),
    "boost_control": (
        "The turbocharger gives another pressure than the engine computer expects. Above what the engine is meant to "
        "bear, pistons and turbocharger break; below it, the car is slower."
    ),
    "boost_creep": (
        "At high engine speed the pressure of the turbocharger may climb on although the engine computer asks for "
        "less. Too much of it breaks the engine."
    ),
    "underboost": "The turbocharger gives less than it is asked for: the car is slower. That alone breaks nothing.",
}
"""What would happen without another calibration, by cause."""
LITTLE = 0.025
"""Need away from the base that nobody notices; a judgement."""


def verdict_sentence(verdict: Verdict) -> str:
    """The whole in a sentence or two."""
    if verdict.doubted is not None:
        return "One of the sensors cannot be right, or is read wrongly: nothing is judged until that is settled."
    return _WHOLE[verdict.word]


def system_sentence(one: SystemVerdict) -> str:
    """How one system is."""
    said = _SYSTEMS[one.system].get(one.word, "Not seen in this drive: nothing is known of it.")
    if one.word == "strained" and one.causes:
        said = "Something does not match, though it takes little here yet."
    if one.word == "not seen" and one.causes:
        said = "Not seen in this drive, but what was found would spoil it, too."
    causes = [cause_words(name) for name in one.causes]
    if causes:
        said += f" Why: {'; and '.join(causes)}."
    if one.strain:
        said += f" What strains it: {one.strain}."
    if one.alarms:
        said += f" Alarms that remain unexplained: {', '.join(alarm.replace('_', ' ') for alarm in one.alarms)}."
    return said


def cause_words(name: str) -> str:
    """What a cause is, as half a sentence."""
    return HYPOTHESES[name].plain


def remedy_words(cause: Cause) -> str:
    """What to do about a cause; where the data cannot tell it from another one, that too."""
    said = HYPOTHESES[cause.name].remedy
    others = " or ".join(cause_words(name) for name in cause.tie_with)
    return f"{said} First make sure: it may also be that {others}." if others else said


def repairs(name: str) -> bool:
    """Whether the remedy of a cause is a repair, not another calibration."""
    return HYPOTHESES[name].repair


def part_words(slot: str) -> str:
    """A part by the name of its slot."""
    return _PARTS.get(slot, f"the {slot.replace('_', ' ')}")


def without_words(one: Prediction) -> str:
    """What would happen if the calibration stayed as it is, by what a build sheet foretells of one part."""
    if one.cause in _WITHOUT and not (one.recalibrate == "no" and one.refuse is None):
        return _WITHOUT[one.cause]
    if one.is_unknown_need:
        return (
            "How much fuel the engine would get is not known before it is measured. If it is too little at full power, "
            f"{_TOO_LITTLE}"
        )
    worst = max(one.need.values(), key=lambda need: abs(need - 1.0), default=1.0) - 1.0
    full = one.need.get(FULL_LOAD, 1.0) - 1.0
    if full > LITTLE:
        return f"At full power the engine would get about {100.0 * full:.0f} % too little fuel: {_TOO_LITTLE}"
    if full < -LITTLE:
        return (
            f"At full power the engine would get about {-100.0 * full:.0f} % too much fuel: it gives less, wears its "
            "cylinders, and harms its catalyst."
        )
    if abs(worst) > LITTLE:
        return "The engine would idle badly and answer the pedal badly; at full power next to nothing would change."
    if one.recalibrate == "no":
        return "Nothing that the engine computer does not take care of by itself."
    return "The engine may knock at full power, above all on a hot day. Knock breaks pistons."
