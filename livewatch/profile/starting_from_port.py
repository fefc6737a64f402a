"""A starting profile for a car asked on its diagnostic port: what it answers, and what its owner said of the engine.

The parameters that the car's control units have come in, with `EngineAnswers` to plain questions and what was measured
of its broadcasts; the text of a commented profile goes out that passes `profile check` as it stands. What was not known
is left out and stands as a comment.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

from livewatch.data.channels import CATALOGUE
from livewatch.profile.document import plain_scalar

__all__ = ["EngineFacts", "polls_for", "profile_from_port"]

_OFTEN: tuple[tuple[str, frozenset[str]], ...] = (
    ("100 ms", frozenset({"engine_speed"})),
    ("200 ms", frozenset({"manifold_pressure", "mass_air_flow", "lambda_1", "lambda_2", "commanded_lambda",
                          "boost_pressure", "commanded_boost_pressure", "accelerator_pedal_position",
                          "throttle_position"})),
    ("300 ms", frozenset({"short_term_fuel_trim_1", "short_term_fuel_trim_2", "ignition_advance", "absolute_load",
                          "fuel_rail_pressure", "fuel_rail_gauge_pressure"})),
    ("1 s", frozenset({"long_term_fuel_trim_1", "long_term_fuel_trim_2", "engine_load", "fuel_system_status",
                       "vehicle_speed", "oxygen_sensor_voltage_1", "oxygen_sensor_voltage_2", "fuel_rate",
                       "commanded_throttle_position", "evaporative_purge"})),
    ("5 s", frozenset({"barometric_pressure", "ambient_air_temperature", "ethanol_content", "run_time"})),
)  # fmt: skip
"""How often a channel is asked for; all others every two seconds. Judgements: what moves fast is asked for often."""
_OTHERWISE = "2 s"


@dataclass(frozen=True, slots=True)
class EngineFacts:
    """What the owner said of the engine; None where that was not known. `displacement` in litres."""

    displacement: float | None = None
    cylinders: int | None = None
    induction: str | None = None
    air_metering: str | None = None
    fuel: str | None = None

    @property
    def complete(self) -> bool:
        """Whether the physics can work with it."""
        return None not in (self.displacement, self.cylinders, self.induction, self.air_metering)


def polls_for(supported: Collection[int]) -> Iterator[tuple[int, str, str]]:
    """(parameter, how often, channel) to ask for, of those the car has, one parameter a channel; the most often asked
    first. A parameter that brings several channels stands once."""
    chosen: dict[int, str] = {}
    for entry in CATALOGUE.values():
        having = [pid for pid, _ in entry.parameters if pid in supported]
        if having:
            chosen.setdefault(having[0], entry.name)
    ranked = [(*_often(channel), pid, channel) for pid, channel in chosen.items()]
    for _, often, pid, channel in sorted(ranked, key=lambda one: one[0]):
        yield pid, often, channel


def _often(channel: str) -> tuple[float, str]:
    for place, (often, channels) in enumerate(_OFTEN):
        if channel in channels:
            return (place if often != "5 s" else len(_OFTEN) + 1.0), often
    return float(len(_OFTEN)), _OTHERWISE


def profile_from_port(
    name: str,
    bus: str,
    request: int | None,
    supported: Collection[int],
    engine: EngineFacts,
    broadcasts: Sequence[str],
) -> str:
    """The text of the profile.

    Args:
        bus: what the bus is called.
        request: the identifier the port is asked with; None when nothing answers there.
        supported: parameters of service 01 that the car has.
        broadcasts: a line for each identifier that was heard without asking.
    """
    title = plain_scalar(name)
    lines = [
        "# A starting profile, written after first contact. Everything in it may be changed; `livewatch profile check`",
        "# finds every mistake.",
        "#",
        "# Caution. The driver drives; a passenger or an operator reads the screen. Full-load pulls belong on a closed",
        "# course or a dyno. livewatch protects no engine: it only tells.",
        "",
        "profile: 1",
        f"name: {title}",
        "",
        *_engine(engine),
        "",
        "buses:",
        f"  {bus}: []                   # what recordings call this bus, such as can0",
    ]
    if request is not None:
        lines += ["", *_port(bus, request, supported)]
    lines += ["", "channels: {}                    # what the polls bring needs no line here"]
    lines += ["", *_authority()]
    if broadcasts:
        lines += [
            "",
            "# Heard without asking. What these frames mean only a DBC of this car can say: name it under decode:, or",
            "# write the signals here. Bytes that count up, and likely checksums, carry no measurement.",
            *(f"#   {line}" for line in broadcasts),
        ]
    return "\n".join(lines) + "\n"


def _engine(engine: EngineFacts) -> Iterator[str]:
    hint = "" if engine.complete else "# "
    if not engine.complete:
        yield "# What the physics needs to know of the engine. Not all of it was known: fill it in and take the # away."
    yield f"{hint}engine:"
    for key, value in (
        ("displacement", None if engine.displacement is None else f"{engine.displacement:g} L"),
        ("cylinders", engine.cylinders),
        ("induction", engine.induction),
        ("air_metering", engine.air_metering),
        ("fuel", engine.fuel or "gasoline E10"),
    ):
        yield f"{hint}  {key}: {'???' if value is None else value}"


def _port(bus: str, request: int, supported: Collection[int]) -> Iterator[str]:
    digits = f"0x{request:08X}" if request > 0x7FF else f"0x{request:03X}"
    yield "diagnostics:"
    yield f"  bus: {bus}"
    yield f"  request: {digits}"
    yield ""
    yield "# Asked for again and again, once `watch` is given --poll: requests that only read. Where the car answers"
    yield "# more slowly than that, all come late alike; a line with `priority: high` comes first, one with low last."
    yield "poll:"
    for pid, often, channel in polls_for(supported):
        entry = f"  - {{service: 0x01, pid: 0x{pid:02X}, every: {often}}}"
        yield f"{entry:<58}# {CATALOGUE[channel].meaning}"


def _authority() -> Iterator[str]:
    yield "# How far each correction may go: of most cars so far (common practice). Put in what is known of this one."
    yield "authority:"
    yield "  short_term_fuel_trim: {limits: -25 % .. 25 %, everyday: -10 % .. 10 %}"
    yield "  long_term_fuel_trim: {limits: -25 % .. 25 %, everyday: -10 % .. 10 %}"
