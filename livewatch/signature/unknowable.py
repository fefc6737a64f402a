"""What the signature cannot know with the channels a profile has: said, so that silence is never taken for health.

A profile and what never came of it go in, sentences come out.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator

from livewatch.profile.model import Profile
from livewatch.signature.evidence.settled import USUAL_DISPLACEMENT

__all__ = ["assumed", "missing"]


def missing(profile: Profile, slow: bool, unseen: Collection[str] = ()) -> Iterator[str]:
    """What cannot be looked at; `slow` when data comes too slowly to see transients, `unseen` the channels of the
    profile that never came."""
    there = {channel.name for channel in profile.channels}.difference(unseen)
    engine = profile.engine
    turbo = engine is None or engine.induction != "naturally_aspirated"
    if "short_term_fuel_trim_1" not in there:
        yield "no short term fuel trim: need, and with it everything on fuel and air, cannot be known"
    if "long_term_fuel_trim_1" not in there:
        yield "no long term fuel trim: taken for 0; what the computer has learned is not seen"
    if "lambda_1" not in there:
        narrow = "oxygen_sensor_voltage_1" in there
        what = "only a narrow-band sensor" if narrow else "no lambda sensor"
        yield f"{what}: need is known with the loop closed only, so not at full load where the loop is open"
    if "commanded_lambda" not in there:
        yield "no commanded lambda: need is known with the loop closed only, lean under load against a fixed limit only"
    if "engine_speed" not in there:
        yield "no engine speed: nothing can be judged"
    if "manifold_pressure" not in there:
        yield "no manifold pressure: metered air cannot be compared with speed-density air, leaks show in need alone"
    if "mass_air_flow" not in there and (engine is None or engine.air_metering == "mass_air_flow"):
        yield "no air flow: a wrong air meter and wrong injectors cannot be told apart"
    if engine is not None and engine.air_metering == "speed_density":
        yield "the computer goes by pressure: an air leak changes idle and boost, not need"
    wanted = engine is not None and engine.wanted_boost is not None
    if turbo and "commanded_boost_pressure" not in there and not wanted:
        yield "no commanded boost: how far boost is from it cannot be known, only where control works against it"
    if turbo and "wastegate_duty" not in there:
        yield "no boost solenoid duty: whether boost control is at its limit cannot be known"
    if engine is not None and engine.banks == 2 and "short_term_fuel_trim_2" not in there:
        yield "one bank only is seen: what is wrong on the other, or on one side alone, cannot be known"
    if not {"fuel_rail_pressure", "fuel_rail_gauge_pressure"} & there or "commanded_fuel_rail_pressure" not in there:
        yield "fuel pressure against its command is not known: a supply at its limit shows as lean at high flow only"
    if "injector_pulse_width" not in there:
        yield "no injector pulse width: a dead time is given in ms of an injector of usual size, ±50 %"
    if "purge_duty" not in there:
        yield "the purge valve is not seen: fuel vapour may make part load look richer by some per cent"
    if "ethanol_content" not in there:
        yield "no ethanol sensor: a fuel blend and injectors a few per cent off look alike"
    elif "fuel_rate" not in there:
        yield "no fuel rate: whether the computer corrects for the ethanol in the fuel cannot be known"
    if slow:
        yield "data comes less than five times a second: overshoot and settling may be missed"
        # Measured in `tests/benchmarks/alarm_evaluation.py`; why is said in `profile/defaults/signature_alarms.yaml`.
        yield "polling too slow for the alarms: at two answers a second, one lean spell in four is told after a second"


def assumed(profile: Profile) -> Iterator[str]:
    """What had to be assumed."""
    there = {channel.name for channel in profile.channels}
    if profile.engine is None:
        yield f"no engine in the profile: {USUAL_DISPLACEMENT:g} L and four cylinders, a meter where there is air flow"
    elif profile.engine.volumetric_efficiency is None and "mass_air_flow" in there:
        yield "volumetric efficiency 0.90 ± 12 %: its range in the profile, or a baseline, tells meter from injectors"
    if "barometric_pressure" not in there:
        yield "101.3 kPa outside, as at sea level"
    if not {"charge_air_temperature", "intake_air_temperature"} & there:
        yield "charge air at 40 degC"
    if "coolant_temperature" not in there:
        yield "a warm engine"
