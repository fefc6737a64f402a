"""What is asked about a build, in plain words: the parts, the numbers that tell them apart, and why each matters.

Plain data, for whoever asks: a form, a page, a test. `Choice` is one of few answers, `Measure` a number with its unit.
`UNKNOWN` is an answer to every question.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

__all__ = [
    "ENGINE_QUESTIONS",
    "NO_HOUSING",
    "OTHER",
    "PARTS",
    "SIDES",
    "UNKNOWN",
    "Choice",
    "Measure",
    "PartWords",
    "Question",
]

OTHER, UNKNOWN, NO_HOUSING = "other", "?", "none"
"""Answers about a part, besides `same`: another one, not known, and that the air meter has no housing of its own."""
SIDES: Mapping[str, str] = {"fitted": "on the car now", "calibrated_for": "that the calibration was written for"}
"""Sides of a sheet, in words that go behind a part's name."""


@dataclass(frozen=True, slots=True)
class Choice:
    """Answers to choose from: what they say, and what they are."""

    options: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Measure:
    """A number: `unit` that a bare one is taken in, an `example` with another unit that is understood."""

    unit: str
    example: str


@dataclass(frozen=True, slots=True)
class Question:
    """One question.

    Attributes:
        key: what it is about: `engine.induction`, `injectors`, `injectors.fitted.flow`.
        text: the question.
        why: in one line, why it matters.
        answer: what kind of answer it takes; None for free words.
    """

    key: str
    text: str
    why: str
    answer: Choice | Measure | None


@dataclass(frozen=True, slots=True)
class PartWords:
    """How a part is asked about.

    Attributes:
        name: with its article, as a mechanic says it.
        why: in one line, why it matters.
        numbers: those that tell two such parts apart, the most telling first: key to words and unit.
    """

    name: str
    why: str
    numbers: Mapping[str, tuple[str, Measure | Choice]]


_BORE = Measure("mm", "66 mm or 2.6 in")
_FUELS = Choice(
    tuple((name, name) for name in ("gasoline E5", "gasoline E10", "gasoline E85", "gasoline", "ethanol", "methanol"))
)
PARTS: Mapping[str, PartWords] = {
    "air_meter_housing": PartWords(
        "the piece of tube that holds the air meter",
        "Its bore is the scale of all air that is metered: 2 % of bore are 4 % of fuel.",
        {"bore": ("the inside diameter at the meter", _BORE)},
    ),
    "intake": PartWords(
        "the intake (air filter and the tube behind it)",
        "What stands in front of an air meter changes what it reads.",
        {"bore": ("the inside diameter where the meter sits", _BORE)},
    ),
    "injectors": PartWords(
        "the set of injectors",
        "The calibration turns fuel into opening time by the flow of its own injectors.",
        {
            "flow": ("the flow of one injector, held open", Measure("cm^3/min", "440 cc/min or 42 lb/h")),
            "at": ("the fuel pressure at which that flow is given", Measure("kPa", "300 kPa, 3 bar or 43.5 psi")),
            "dead_time": ("the dead time at 14 V", Measure("ms", "0.9 ms")),
        },
    ),
    "fuel": PartWords(
        "the fuel in the tank",
        "Each fuel needs another amount for the same air, and knocks at another load.",
        {"name": ("the fuel", _FUELS), "octane": ("the octane number (RON, as on the pump)", Measure("1", "98"))},
    ),
    "turbocharger": PartWords(
        "the turbocharger",
        "Boost control is calibrated to one turbocharger: how fast it spins up, and how much air it brings.",
        {
            "compressor_wheel": ("the larger diameter of the compressor wheel", Measure("mm", "54 mm or 2.1 in")),
            "most_air_flow": ("the air flow at which its map ends", Measure("g/s", "250 g/s or 33 lb/min")),
        },
    ),
    "wastegate_actuator": PartWords(
        "the wastegate actuator",
        "Its spring sets the least boost there can be; all boost builds on it.",
        {"preload": ("the boost at which it begins to open", Measure("kPa", "36 kPa, 0.36 bar or 5.2 psi"))},
    ),
    "boost_control_solenoid": PartWords(
        "the boost control solenoid",
        "The same duty through another solenoid is another boost.",
        {"bleed": ("the share of the boost it takes off at full duty", Measure("%", "85 %"))},
    ),
    "downpipe": PartWords(
        "the downpipe (the exhaust right behind the turbine, or behind the ports)",
        "A freer one can let boost climb beyond what the wastegate holds.",
        {"bore": ("the inside diameter at its narrowest", Measure("mm", "63 mm or 2.5 in"))},
    ),
    "fuel_pump": PartWords(
        "the fuel pump with its pressure regulator",
        "Where the pump ends the engine runs lean, and rail pressure changes what the injectors bring.",
        {
            "flow": ("the flow of the pump", Measure("L/h", "94 L/h or 25 gal/h")),
            "at": ("the pressure against which that flow is given", Measure("kPa", "400 kPa, 4 bar or 58 psi")),
            "set_pressure": ("the pressure that the regulator holds", Measure("kPa", "400 kPa or 58 psi")),
            "referenced_to": (
                "the reference of the regulator",
                Choice((("the manifold (a hose goes to it)", "manifold"), ("the air outside", "atmosphere"))),
            ),
        },
    ),
    "intercooler": PartWords(
        "the intercooler",
        "Hotter air knocks sooner; a larger volume makes boost answer later.",
        {
            "effectiveness": ("how far it cools, of the way to the air outside", Measure("%", "78 %")),
            "volume": ("the volume of cooler and pipes", Measure("L", "7 L")),
        },
    ),
}
"""By slot of the build sheet."""

ENGINE_QUESTIONS: tuple[Question, ...] = (
    Question(
        "engine.induction",
        "Does the engine have a turbocharger or a supercharger?",
        "Boost decides which parts matter, and how much harm a mistake does.",
        Choice(
            (
                ("A turbocharger", "turbocharged"),
                ("A supercharger", "supercharged"),
                ("Neither", "naturally_aspirated"),
            )
        ),
    ),
    Question(
        "engine.air_metering",
        "Is there an air meter (a sensor in the intake tube, between air filter and throttle)?",
        "With one, everything around it matters; without, hardly anything of the intake does.",
        Choice(
            (
                ("Yes, an air meter", "mass_air_flow"),
                ("No, only a pressure sensor on the manifold", "speed_density"),
            )
        ),
    ),
    Question(
        "engine.displacement",
        "How large is the engine?",
        "It says how much air, and so how much fuel, full load takes.",
        Measure("L", "2.0 L or 122 in^3"),
    ),
    Question(
        "engine.cylinders",
        "How many cylinders?",
        "The air of each one says how long an injector is open.",
        Measure("1", "4"),
    ),
)
"""Asked where no profile says it."""
