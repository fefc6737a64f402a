"""What is allowed in a profile, but worth a second look; and what the signature could use and does not get.

A right `Profile` comes in, sentences for its user go out. Nothing here is a mistake.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterator

from livewatch.data.channels import CATALOGUE
from livewatch.profile.model import Channel, Engine, Profile

__all__ = ["advice", "missing_for_signature"]

MOST_REQUESTS = 50.0
"""Requests a second that a diagnostic port usually answers; common practice, no source."""
MISSPELT = 0.85
"""Likeness (0..1) to a known channel from which an unknown name is taken for a slip."""

_ALWAYS: tuple[tuple[tuple[str, ...], str], ...] = (
    (("engine_speed",), "every judgement depends on it"),
    (("lambda_1", "oxygen_sensor_voltage_1"), "what the engine really burns"),
    (("commanded_lambda",), "what it was asked to burn; without it only closed loop can be judged"),
    (("short_term_fuel_trim_1",), "the correction of the moment"),
    (("long_term_fuel_trim_1",), "the learned correction"),
    (("fuel_system_status",), "whether the correction is in charge"),
    (("coolant_temperature",), "whether the engine is warm"),
    (("manifold_pressure",), "load, and the air that speed-density expects"),
    (("barometric_pressure",), "what counts as boost, and altitude"),
    (("accelerator_pedal_position", "throttle_position"), "whether the driver holds still"),
    (("charge_air_temperature", "intake_air_temperature"), "the density of the charge"),
    (("fuel_rail_pressure", "fuel_rail_gauge_pressure"), "whether the fuel supply keeps up"),
    (("commanded_fuel_rail_pressure",), "what the fuel supply should hold"),
    (("injector_pulse_width",), "to tell injector dead time from injector size"),
    (("knock_retard",), "the margin to knock"),
)
_BOOSTED = (
    (("boost_pressure",), "boost before the throttle"),
    (("commanded_boost_pressure",), "what boost control aims for"),
    (("wastegate_duty",), "whether boost control is at its limit"),
)
_SECOND_BANK = (
    (("lambda_2", "oxygen_sensor_voltage_2"), "what the second bank burns"),
    (("short_term_fuel_trim_2",), "the second bank's correction"),
    (("long_term_fuel_trim_2",), "the second bank's learned correction"),
)


def missing_for_signature(profile: Profile) -> list[tuple[str, str]]:
    """Channels the signature would use that the profile does not have, each with what it is for."""
    engine = profile.engine
    wanted = list(_ALWAYS)
    if engine is None or engine.air_metering == "mass_air_flow":
        wanted.insert(1, (("mass_air_flow",), "the air that the calibration counts with"))
    if engine is not None and engine.induction != "naturally_aspirated":
        wanted += _BOOSTED
    if engine is not None and engine.banks == 2:
        wanted += _SECOND_BANK
    there = {channel.name for channel in profile.channels}
    return [(" or ".join(names), use) for names, use in wanted if not there & set(names)]


def advice(profile: Profile) -> list[str]:
    """One sentence for each thing worth a second look."""
    found = [*profile.left_out, *_about_engine(profile.engine), *_about_polling(profile), *_about_alarms(profile)]
    for channel in profile.channels:
        found += _about_channel(channel)
    return found


def _about_engine(engine: Engine | None) -> Iterator[str]:
    if engine is None:
        yield "there is no engine: without displacement, cylinders and fuel the signature cannot compare air with fuel"


def _about_channel(channel: Channel) -> Iterator[str]:
    known = CATALOGUE.get(channel.name)
    if known is None:
        near = difflib.get_close_matches(channel.name, CATALOGUE, n=1, cutoff=MISSPELT)
        if near and channel.formula is None:
            yield f"channel {channel.name} is this profile's own, unknown to livewatch (did you mean {near[0]}?)"
        return
    low, high = channel.valid
    if math.isfinite(low) and (high < known.low or low > known.high):
        usual = f"{known.low:g} .. {known.high:g} {known.unit}"
        yield f"channel {channel.name}: valid lies outside the usual {usual}; are units mixed up?"


def _about_polling(profile: Profile) -> Iterator[str]:
    bound = {channel.parameter[:2] for channel in profile.channels if channel.parameter}
    for port in profile.diagnostics:
        each_second = sum(1e9 / request.every for request in port.poll)
        if each_second > MOST_REQUESTS:
            yield (
                f"{each_second:.0f} requests a second are more than a diagnostic port usually answers "
                f"({MOST_REQUESTS:.0f}): values will come later than asked for"
            )
        for request in port.poll:
            if (request.service, request.identifier) not in bound:
                yield (
                    f"service 0x{request.service:02X}, 0x{request.identifier:02X} is polled, but no channel takes it"
                )


def _about_alarms(profile: Profile) -> Iterator[str]:
    if not profile.alarms:
        yield "there are no alarms: nothing will be announced"
    for alarm in profile.alarms:
        plain = alarm.clear.text == f"not ({alarm.condition.text})"
        if plain and not alarm.on_delay and not alarm.off_delay and not alarm.latching:
            yield f"alarm {alarm.name} has neither deadband nor delay: it will chatter around its set point"
