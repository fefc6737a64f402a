"""The laws the signature reasons with, against handbook values."""

from __future__ import annotations

from math import pi, sqrt

import numpy as np
import pytest

from livewatch.data.physics import (
    filled_air,
    gap_share,
    hole_diameter,
    hole_flow,
    leak_share,
    residual_share,
    supply_share,
)


def test_two_litres_at_3000_rpm_draw_56_45_grams_a_second() -> None:
    # Heywood 1988, eq. 2.27: 2.0 L, 3000 rpm, 100 kPa, 293.15 K, volumetric efficiency 0.95 (check value).
    assert 0.95 * filled_air(2.0, 3000.0, 100.0, 293.15) == pytest.approx(56.45, abs=0.01)


def test_flow_of_an_injector_goes_with_the_root_of_the_pressure_across_it() -> None:
    # 300 to 400 kPa: 1.1547 (Bernoulli, check value).
    assert sqrt(float(supply_share(500.0, 400.0, 100.0))) == pytest.approx(1.1547, abs=1e-4)


def test_a_hole_is_choked_below_half_the_pressure_and_silent_without_any() -> None:
    inside = np.array([20.0, 40.0, 101.325, 90.0])
    share = leak_share(inside, np.full(4, 101.325))
    assert share[:2] == pytest.approx([1.0, 1.0])
    assert share[2] == 0.0
    # 2 sqrt(r (1 - r)) at r = 90/101.325 (Guzzella and Onder 2010, eq. 2.12, normalised).
    ratio = 90.0 / 101.325
    assert share[3] == pytest.approx(2.0 * sqrt(ratio * (1.0 - ratio)))


def test_air_flows_out_of_a_hole_under_boost() -> None:
    share = leak_share(np.array([202.65]), np.array([101.325]))
    assert share[0] == pytest.approx(-2.0)


def test_a_gap_lets_out_in_proportion_to_little_pressure_and_as_much_as_a_hole_under_more() -> None:
    # Flow goes with a power of the pressure across: 0.5 for holes, 1 for narrow gaps (ISO 9972, from memory).
    outside = np.full(3, 100.0)
    inside = outside + np.array([0.1, 1.0, 30.0])
    hole, gap = leak_share(inside, outside), gap_share(inside, outside)
    assert np.log10(hole[1] / hole[0]) == pytest.approx(0.5, abs=0.01)
    assert np.log10(gap[1] / gap[0]) == pytest.approx(1.0, abs=0.01)
    assert gap[2] == hole[2]


def test_a_two_millimetre_hole_lets_in_half_a_gram_a_second() -> None:
    # Heywood 1988, appendix C: m = Cd A p / sqrt(R T) * 0.6847 for air; Cd 0.65.
    expected = 0.65 * pi / 4 * 0.002**2 * 101325.0 / sqrt(287.05 * 293.15) * 0.6847 * 1e3
    assert hole_flow(2.0) == pytest.approx(expected)
    assert hole_diameter(hole_flow(2.0)) == pytest.approx(2.0)
    assert hole_diameter(-1.0) == 0.0


def test_burned_gas_takes_room_under_vacuum_and_none_without_difference() -> None:
    # Guzzella and Onder 2010, eq. 2.20: 1 at equal pressures; about 0.86 at 33 against 100 kPa, compression 10.
    share = residual_share(np.array([100.0, 33.0]), np.array([100.0, 100.0]))
    assert share[0] == pytest.approx(1.0)
    assert share[1] == pytest.approx((10.0 - (100.0 / 33.0) ** (1 / 1.4)) / 9.0, abs=0.015)
