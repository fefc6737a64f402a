"""What a sheet foretells against a simulated engine that knows nothing of sheets: its physics finds need by itself."""

from __future__ import annotations

import numpy as np
import pytest

from livewatch.build_sheet.forecast import predict
from livewatch.build_sheet.sheet import read_build_sheet
from livewatch.profile import load_profile
from livewatch.profile.shipped import find_profile
from livewatch.simulator import Mismatch, Scenario, simulate

CALIBRATED = """\
build_sheet: 1
name: the simulated Brackwell
calibrated_for:
  air_meter_housing: {part: A, bore: 66 mm}
  injectors: {part: A, flow: 7.4 g/s, at: 300 kPa, dead_time: 0.95 ms, dead_time_at: 14 V}
  fuel_pump: {flow: 19.5 g/s, at: 400 kPa, set_pressure: 400 kPa, referenced_to: atmosphere}
  fuel: gasoline E10
fitted:
  fuel_pump: same
  %s
"""


@pytest.mark.parametrize(
    ("fitted", "mismatch", "ethanol"),
    [
        ("air_meter_housing: {part: B, bore: 70 mm}", Mismatch("air_meter_bore", 70.0), 10.0),
        ("air_meter_housing: {part: B, bore: 63 mm}", Mismatch("air_meter_bore", 63.0), 10.0),
        (
            "injectors: {part: B, flow: 9.25 g/s, at: 300 kPa, dead_time: 0.95 ms, dead_time_at: 14 V}",
            Mismatch("injector_flow", 25.0),
            10.0,
        ),
        (
            "injectors: {part: A, flow: 7.4 g/s, at: 300 kPa, dead_time: 1.15 ms, dead_time_at: 14 V}",
            Mismatch("injector_dead_time", 0.2),
            10.0,
        ),
        ("fuel: gasoline E85", None, 85.0),
    ],
)
def test_need_at_idle_and_on_the_road(fitted: str, mismatch: Mismatch | None, ethanol: float) -> None:
    forecast = predict(read_build_sheet(CALIBRATED % fitted, "x.yaml"), load_profile(find_profile("brackwell_20t")))
    predicted = {use.condition: use.need for use in forecast.authority}
    drive = simulate(
        Scenario(
            duration=45.0, ageing=0.0, purge=False, mismatches=(mismatch,) if mismatch else (), ethanol_percent=ethanol
        )
    )
    truth = drive.truth
    closed = (truth["status"] == 2) & (truth["fuel_cut"] == 0)
    idle = closed & (truth["speed"] < 900) & (truth["road_speed"] < 0.1)
    assert idle.sum() > 1000
    assert np.median(truth["need_1"][idle]) == pytest.approx(predicted["idle"], abs=0.04)
    road = closed & (truth["speed"] > 1800)
    assert road.sum() > 1000
    # A dead time error depends on the load that happens to be driven; everything else is one number everywhere.
    low, high = sorted((predicted["cruise"], predicted["idle"]))
    assert low - 0.02 <= np.median(truth["need_1"][road]) <= high + 0.02
