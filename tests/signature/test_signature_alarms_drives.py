"""livewatch's own alarms over simulated drives, as the cars' buses bring them: through the shipped profiles."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from livewatch.data.events import AlarmChanged
from livewatch.profile import load_profile
from livewatch.profile.shipped import find_profile
from livewatch.run.pipeline import Pipeline
from livewatch.simulator import Drive, Mismatch, Scenario
from livewatch.simulator.bus_frames import BEGINS
from livewatch.simulator.recording_writer import frames_of
from livewatch.simulator.routes import Cruise, Idle, Leg, RoadPull, Route
from tests.drives import driven


def _pull(rng: np.random.Generator) -> Iterator[Leg]:
    yield Idle(4.0)
    yield Cruise(60.0, 4.0)
    yield RoadPull(3, 1900.0, 6300.0)
    while True:
        yield Cruise(60.0, 10.0)


A_PULL = Route("a_pull", "a pull in third gear", _pull, 48.0)
SLOWEST = {"rowan_12": 56.0}
"""s until the pull of a car is over, and the overrun after it, where the usual length is too short."""


def pull_of(car: str, *mismatches: Mismatch) -> Drive:
    """A simulated pull of a warm car."""
    return driven(Scenario(car=car, route=A_PULL, duration=SLOWEST.get(car), mismatches=mismatches, seed=1500))


def alarms_of(drive: Drive, car: str) -> list[tuple[str, str, float]]:
    """Name, priority and time in s of the drive of every alarm raised, built-in ones aside."""
    profile = load_profile(find_profile(car))
    own = {alarm.name for alarm in profile.alarms}
    pipeline = Pipeline(profile)
    frames = list(frames_of(drive, profile))
    events = [event for batch in frames for event in pipeline.push(batch)]
    return [
        (event.subject, event.priority, (event.utc - BEGINS) / 1e9)
        for event in (*events, *pipeline.finish())
        if isinstance(event, AlarmChanged) and event.raised and event.subject in own
    ]


@pytest.mark.parametrize("car", ["brackwell_20t", "harrow_14t", "tarn_30t"])
def test_every_lean_spell_under_load_is_alarmed_within_a_second(car: str) -> None:
    """A spell, from the truth of the drive: half a second or more above 0.9 of the outside pressure, fuelled, with the
    mixture in the cylinders over 6 % leaner than commanded (and 1 % for the sensor)."""
    drive = pull_of(car, Mismatch("injector_flow", -22.0))
    truth = drive.truth
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = 1.0 / truth["richness_1"] / truth["commanded_lambda"]
    loaded = truth["manifold_pressure"] > 0.9 * drive.facts["barometer_kPa"] * 1e3
    loaded &= (truth["speed"] > 1200.0) & (truth["fuel_cut"] == 0.0) & (truth["richness_1"] > 1.0 / 1.5)
    changes = np.flatnonzero(np.diff(np.concatenate(([0], (loaded & (ratio > 1.06 * 1.01)).astype(int), [0]))))
    spells = [(a / 100.0, b / 100.0) for a, b in zip(changes[0::2], changes[1::2], strict=True) if b - a >= 50]
    assert spells, "these injectors make the engine lean at full load"
    came = [time for name, _, time in alarms_of(drive, car) if name == "lean_under_load"]
    for start, end in spells:
        assert any(start - 1.0 < time <= start + 1.0 for time in came), f"{start} s to {end} s: alarms at {came}"


@pytest.mark.parametrize("car", ["brackwell_20t", "harrow_14t", "tarn_30t", "linden_16", "rowan_12"])
def test_matching_parts_raise_no_critical_alarm(car: str) -> None:
    assert [alarm for alarm in alarms_of(pull_of(car), car) if alarm[1] == "critical"] == []


def test_a_pump_that_delivers_too_little_is_told_by_its_pressure() -> None:
    drive = pull_of("tarn_30t", Mismatch("fuel_supply", 50.0))
    rail = drive.truth["rail"] / 1e3 / drive.channels["commanded_fuel_rail_pressure"]
    loaded = drive.truth["manifold_pressure"] > drive.facts["barometer_kPa"] * 1e3
    falls = float(drive.time[np.flatnonzero(loaded & (rail < 0.89))[0]])
    came = [time for name, _, time in alarms_of(drive, "tarn_30t") if name == "rail_pressure_falling"]
    assert came
    assert came[0] <= falls + 1.0
