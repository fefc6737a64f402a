"""Simulated drives shared by the tests of this folder, each driven once."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from livewatch.simulator import Drive, Mismatch, Scenario
from livewatch.simulator.routes import Cruise, Idle, RoadPull, Route
from tests.drives import driven

DRIVES: dict[str, Scenario] = {}


def _short(rng):  # type: ignore[no-untyped-def]
    """Idle, steady holds at several loads, one pull: what a test needs in little time."""
    yield Idle(14.0)
    while True:
        yield Cruise(0.0, 8.0, gear=3, rpm=2400.0)
        yield Cruise(0.0, 7.0, 3.0, gear=3, rpm=3200.0)
        yield RoadPull(3, 2100.0, 6300.0)
        yield Cruise(60.0, 6.0)
        yield Idle(12.0)


SHORT = Route("short", "idle, steady holds, one pull", _short, 71.0)

BRACKWELL = Scenario(route=SHORT, purge=False, seed=31)
DRIVES.update(
    matching=BRACKWELL,
    bore=Scenario(route=SHORT, duration=90.0, purge=False, seed=31, mismatches=(Mismatch("air_meter_bore", 70.0),)),
    injectors=Scenario(route=SHORT, purge=False, seed=31, mismatches=(Mismatch("injector_flow", 15.0),)),
    dead_time=Scenario(route=SHORT, purge=False, seed=31, mismatches=(Mismatch("injector_dead_time", 0.12),)),
    vacuum_leak=Scenario(route=SHORT, purge=False, seed=31, mismatches=(Mismatch("vacuum_leak", 2.0),)),
    pressure_leak=Scenario(route=SHORT, purge=False, seed=31, mismatches=(Mismatch("pressure_leak", 7.0),)),
    actuator=Scenario(route=SHORT, purge=False, seed=31, mismatches=(Mismatch("wastegate_actuator", 40.0),)),
    exhaust=Scenario(route=SHORT, purge=False, seed=31, mismatches=(Mismatch("free_exhaust", 70.0),)),
    turbo=Scenario(route=SHORT, purge=False, seed=31, mismatches=(Mismatch("turbo_size", 30.0),)),
    supply=Scenario(route=SHORT, purge=False, seed=31, mismatches=(Mismatch("fuel_supply", 45.0),)),
    hose_off=Scenario(route=SHORT, purge=False, seed=31, mismatches=(Mismatch("pressure_leak", 45.0, 58.0),)),
    speed_density=Scenario(car="harrow_14t", route=SHORT, seed=32),
    speed_density_leak=Scenario(car="harrow_14t", route=SHORT, seed=32, mismatches=(Mismatch("vacuum_leak", 2.0),)),
    two_banks=Scenario(car="tarn_30t", route=SHORT, seed=33, mismatches=(Mismatch("weak_injector", 45.0),)),
    aspirated=Scenario(car="linden_16", route=SHORT, seed=34),
    cold=Scenario(route=SHORT, cold_start=True, ambient_degC=-5.0, duration=70.0, seed=35),
    dyno=Scenario(route="dyno", duration=60.0, seed=36),
    altitude=Scenario(route=SHORT, purge=False, seed=31, altitude_m=2000.0),
)


@pytest.fixture(scope="session")
def drive() -> Callable[[str], Drive]:
    """The drive of that name in `DRIVES`."""
    return lambda name: driven(DRIVES[name])
