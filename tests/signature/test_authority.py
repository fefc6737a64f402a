"""Used authority: now, over the drive, by region, and the time pinned."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest


def use_of(said: Any, name: str) -> Any:
    return next(use for use in said.authority if use.name == name)


def drive(lab: Any, seconds: float = 30.0) -> dict[str, np.ndarray]:
    bench = lab.Bench()
    for _ in range(int(seconds / 10.0)):
        bench.hold(lab.Point(2500.0, 60.0, 24.0, 1.0, 10.0), lab.Fault())
    arrays: dict[str, np.ndarray] = bench.arrays()
    arrays["short_term_fuel_trim_1"][:] = 0.0
    return arrays


def test_a_trim_at_its_limit_for_seven_seconds_was_pinned_for_seven_seconds(lab: Any) -> None:
    arrays = drive(lab)
    arrays["short_term_fuel_trim_1"][100:170] = 25.0
    use = use_of(lab.judged(arrays).finding(), "short_term_fuel_trim_1")
    assert use.pinned == pytest.approx(7.0)
    assert use.most == 25.0
    assert use.most_used == pytest.approx(1.0)


@pytest.mark.parametrize(("trim", "used"), [(12.5, 0.5), (-5.0, 0.2), (0.0, 0.0)])
def test_used_authority_now_is_the_correction_over_its_limit(lab: Any, trim: float, used: float) -> None:
    arrays = drive(lab)
    arrays["short_term_fuel_trim_1"][:] = trim
    use = use_of(lab.judged(arrays).finding(), "short_term_fuel_trim_1")
    assert use.value == trim
    assert use.used == pytest.approx(used)
    assert use.mean_used == pytest.approx(used)


def test_both_trims_together_multiply(lab: Any) -> None:
    arrays = drive(lab)
    arrays["short_term_fuel_trim_1"][:] = 10.0
    arrays["long_term_fuel_trim_1"][:] = 10.0
    use = use_of(lab.judged(arrays).finding(), "total_fuel_trim_1")
    assert use.value == pytest.approx(21.0)
    assert use.beyond == pytest.approx(1.0)


def test_use_is_kept_by_operating_region(lab: Any) -> None:
    bench = lab.Bench()
    bench.hold(lab.Point(2500.0, 60.0, 24.0, 1.0, 10.0), lab.Fault())
    bench.hold(lab.IDLE, lab.Fault())
    arrays = bench.arrays()
    arrays["short_term_fuel_trim_1"][:100] = 5.0
    arrays["short_term_fuel_trim_1"][100:] = 20.0
    regions = use_of(lab.judged(arrays).finding(), "short_term_fuel_trim_1").regions
    by_speed = {region.speed[0]: region.mean for region in regions}
    assert by_speed[2300.0] == pytest.approx(0.2)
    assert by_speed[400.0] == pytest.approx(0.8)


def test_open_loop_and_lost_values_use_no_authority(lab: Any) -> None:
    arrays = drive(lab)
    arrays["fuel_system_status"][:] = 4.0
    arrays["short_term_fuel_trim_1"][:] = 25.0
    use = use_of(lab.judged(arrays).finding(), "short_term_fuel_trim_1")
    assert use.seconds == 0.0
    assert np.isnan(use.value)
    arrays["fuel_system_status"][:] = 2.0
    arrays["short_term_fuel_trim_1"][:] = np.nan
    use = use_of(lab.judged(arrays).finding(), "short_term_fuel_trim_1")
    assert use.seconds == 0.0
    assert use.pinned == 0.0


def test_a_trim_that_stood_at_its_limit_strains(lab: Any) -> None:
    arrays = lab.Bench().tour(lab.Fault(), rounds=4).arrays()
    arrays["short_term_fuel_trim_1"][200:260] = 25.0
    arrays["lambda_1"][200:260] = 1.0
    said = lab.judged(arrays).finding()
    assert said.verdict.word == "strained"
    assert "stood at its limit" in said.sentence
