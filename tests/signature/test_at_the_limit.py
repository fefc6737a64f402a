"""A correction at its limit says how much is wrong at the least: a large leak is not taken for a meter that bends."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest


def test_a_leak_of_half_the_idle_air_is_found_by_a_loop_that_stands_at_its_limit_there(lab: Any) -> None:
    # Air let in is choked below 53 kPa (Heywood 1988, appendix C) and falls as 2 sqrt(r (1 - r)) above; trims of 25 %
    # and an idle controller of 25 % (common practice) cannot make up for it, and no sensor says what is missing.
    leak = 0.5 * lab.IDLE.air

    def metered(point: Any) -> float:
        ratio = min(1.0, point.pressure / 101.3)
        share = 1.0 if ratio < 0.5 else 2.0 * np.sqrt(ratio * (1.0 - ratio))
        return float((point.air - leak * share) / point.air)

    arrays = lab.Bench().tour(lab.Fault(metered=metered, idle_correction=-25.0)).arrays()
    total = 1.0 + arrays["long_term_fuel_trim_1"] / 100.0
    assert total.max() == pytest.approx(2.0, abs=0.01)
    arrays["short_term_fuel_trim_1"] = 100.0 * (np.clip(total, 0.75, 1.25) - 1.0)
    arrays["long_term_fuel_trim_1"] = np.zeros(len(total))
    said = lab.judged(arrays, lab.profile(without=("lambda_1",))).finding()
    named = [cause for cause in said.causes if cause.established]
    assert [cause.name for cause in named] == ["vacuum_leak"]
    flow = named[0].estimates[0]
    assert flow.low <= leak <= flow.high


def test_a_hole_that_takes_the_lambda_sensor_to_its_rich_end_is_no_air_meter(lab: Any) -> None:
    # 26 mm loses three fifths of the metered air at 140 kPa; wideband sensors end at lambda 0.65 (common practice), and
    # trims of 25 % make up for a part of it.
    leak = lab.Fault(metered=lambda point: 1.0 + lab.lost_through(26.0, point.pressure + 2.0) / point.air)
    arrays = lab.Bench().tour(leak).arrays()
    seen = arrays["lambda_1"] * (1.0 + arrays["long_term_fuel_trim_1"] / 100.0)
    arrays["long_term_fuel_trim_1"] = np.zeros(len(seen))
    arrays["short_term_fuel_trim_1"] = 100.0 * (np.clip(seen, 0.75, 1.25) - 1.0)
    arrays["lambda_1"] = np.maximum(seen / np.clip(seen, 0.75, 1.25), 0.65)
    said = lab.judged(arrays).finding()
    assert [cause.name for cause in said.causes if cause.established] == ["pressure_leak"]
    hole = next(one for one in said.causes[0].estimates if one.unit == "mm")
    assert hole.low < 26.0 < hole.high


@pytest.mark.parametrize(("ends", "named"), [(99.0, []), (12.0, ["fuel_supply"])])
def test_a_mixture_that_leans_with_the_flow_tells_a_supply_that_ends_though_nobody_tells_what_is_wanted(
    lab: Any, ends: float, named: list[str]
) -> None:
    # Calibrations command 0.95 to 0.80 at full load, richer with the flow (common practice), where a supply of 12 g/s
    # leaves lambda at 0.83 to 0.97: fuel is air over 14.05 and lambda, and no more than that.
    loads = [lab.Point(2500.0 + 500.0 * k, 180.0, 100.0, 0.88 - 0.01 * k, 4.0) for k in range(7)]
    fault = lab.Fault(delivered=lambda point, pulse: min(1.0, ends * 14.05 * point.commanded / point.air))
    bench = lab.Bench()
    for _ in range(4):
        bench.tour(lab.Fault(), 1, lab.TOUR[:5])
        for point in loads:
            bench.hold(point, fault, closed=False)
    arrays = bench.arrays()
    del arrays["commanded_lambda"]
    arrays["fuel_system_status"] = np.where(arrays["accelerator_pedal_position"] > 95.0, 4.0, 2.0)
    said = lab.judged(arrays, lab.profile(("commanded_lambda", "fuel_rail_pressure"))).finding()
    assert [cause.name for cause in said.causes if cause.established] == named
    flows = [one for cause in said.causes if cause.established for one in cause.estimates if one.unit == "g/s"]
    assert all(one.low < ends < one.high for one in flows)
    full = arrays["lambda_1"][arrays["accelerator_pedal_position"] > 95.0]
    assert full.max() < 1.0
