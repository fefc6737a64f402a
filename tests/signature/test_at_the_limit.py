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
