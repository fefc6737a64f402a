"""Wet air: vapour goes through the air meter as air and carries no oxygen, so a hot wet day needs less fuel.

Psychrometrics (Dalton's law with the molar masses of water and air, 18.015 / 28.964 = 0.622): of p kPa of air with pv
kPa of vapour the share by mass 0.622 pv / (p - 0.378 pv) is water. Saturation pressures are those of the steam tables,
kPa, from memory: 0.6113 at 0 degC, 2.339 at 20, 5.629 at 35, 7.385 at 40. The day is taken to be 55 % wet.
"""

from __future__ import annotations

from math import log
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

SATURATED = {0.0: 0.6113, 20.0: 2.339, 35.0: 5.629, 40.0: 7.385}


def water(degrees: float, outside: float = 101.3) -> float:
    """Share of water in the air by mass: at 35 degC 0.622 * 3.096 / (101.3 - 0.378 * 3.096) = 0.0192."""
    vapour = 0.55 * SATURATED[degrees]
    return 0.622 * vapour / (outside - 0.378 * vapour)


def drive(lab: Any, flow: float = 1.0, **everywhere: float) -> dict[str, NDArray[np.float64]]:
    """A tour with injectors that `flow` so many times what they should, and some channels the same everywhere."""
    arrays: dict[str, NDArray[np.float64]] = lab.Bench().tour(lab.Fault(delivered=lambda point, pulse: flow)).arrays()
    for name, value in everywhere.items():
        arrays[name] = np.full(len(arrays["engine_speed"]), value)
    return arrays


def needs_seen(lab: Any, profile: Any, arrays: dict[str, NDArray[np.float64]]) -> NDArray[np.float64]:
    """Logarithms of need in each region, as causes are judged by."""
    seen, _ = lab.gathered(arrays, profile)
    needs: NDArray[np.float64] = seen.y[seen.kind == "need_1"]
    return needs


@pytest.mark.parametrize(
    ("degrees", "outside"), [(0.0, 101.3), (20.0, 101.3), (35.0, 101.3), (40.0, 101.3), (35.0, 80)]
)
def test_wet_air_takes_as_much_of_need_as_it_holds_water(lab: Any, degrees: float, outside: float) -> None:
    arrays = drive(lab, barometric_pressure=outside, ambient_air_temperature=degrees)
    told = needs_seen(lab, lab.profile(extra={"ambient_air_temperature": "degC"}), arrays)
    dry = needs_seen(lab, lab.profile(), arrays)
    assert len(told) > 5
    # The tolerance is the difference between the shares of wet and of dry air, 0.0005 at 40 degC.
    assert told - dry == pytest.approx(np.full(len(told), -log(1.0 - water(degrees, outside))), abs=6e-4)


def test_without_a_sensor_outside_the_intakes_tells_the_weather(lab: Any) -> None:
    # Five kelvin warmer than outside on the road: common practice, no source.
    arrays = drive(lab, intake_air_temperature=40.0)
    told = needs_seen(lab, lab.profile(extra={"intake_air_temperature": "degC"}), arrays)
    assert told - needs_seen(lab, lab.profile(), arrays) == pytest.approx(-log(1.0 - water(35.0)), abs=6e-4)
    arrays["ambient_air_temperature"] = np.full(len(arrays["engine_speed"]), 20.0)
    both = lab.profile(extra={"intake_air_temperature": "degC", "ambient_air_temperature": "degC"})
    assert needs_seen(lab, both, arrays) - needs_seen(lab, lab.profile(), arrays) == pytest.approx(
        -log(1.0 - water(20.0)), abs=6e-4
    )


def test_a_sensor_that_reads_a_burning_hot_day_does_not_take_the_oxygen_away(lab: Any) -> None:
    # A sensor behind a hot radiator: no weather is hotter than 45 degC, 9.59 kPa (steam tables, from memory), 3.3 %.
    profile = lab.profile(extra={"ambient_air_temperature": "degC"})
    arrays = drive(lab, ambient_air_temperature=90.0)
    taken = needs_seen(lab, profile, arrays) - needs_seen(lab, lab.profile(), arrays)
    assert taken == pytest.approx(0.622 * 0.55 * 9.59 / 101.3, abs=1e-3)


@pytest.mark.parametrize("degrees", [0.0, 40.0])
def test_injectors_measure_the_same_on_a_hot_wet_day_as_on_a_cold_one(lab: Any, degrees: float) -> None:
    # Injectors a fifth larger; on the hot day the engine needs 2.5 % less besides, and as much less they would be
    # thought to be larger still: 1.2 / (1 - 0.0253) = 1.231.
    profile = lab.profile(extra={"ambient_air_temperature": "degC"})
    arrays = drive(lab, 1.2 / (1.0 - water(degrees)), ambient_air_temperature=degrees)
    cause = lab.judged(arrays, profile).finding().causes[0]
    assert cause.name == "injector_flow"
    assert cause.estimates[0].value == pytest.approx(1.2, abs=0.008)


def test_against_a_baseline_the_weather_of_both_days_counts(lab: Any) -> None:
    profile = lab.profile(extra={"ambient_air_temperature": "degC"})
    hot, cold = (lab.judged(drive(lab, ambient_air_temperature=t), profile).as_baseline() for t in (35.0, 0.0))
    arrays = drive(lab, ambient_air_temperature=0.0)

    def need(arrays: dict[str, NDArray[np.float64]], profile: Any, baseline: Any) -> float:
        seen, _ = lab.gathered(arrays, profile, baseline)
        return float(seen.y[seen.kind == "need_1"].mean())

    assert need(arrays, profile, cold) == pytest.approx(0.0, abs=6e-4)
    # The same need although there is more oxygen in the air than on the hot day: something takes it away.
    assert need(arrays, profile, hot) == pytest.approx(log((1.0 - water(35.0)) / (1.0 - water(0.0))), abs=1e-3)
    # Where no channel tells the weather, nothing is made of it.
    assert need(drive(lab), lab.profile(), hot) == pytest.approx(0.0, abs=6e-4)
