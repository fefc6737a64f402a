"""What the numbers on a sheet mean, against handbooks and the trade."""

from __future__ import annotations

from math import inf, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from livewatch.build_sheet.parts import FuelInTank
from livewatch.build_sheet.physics import (
    boost_at_calibrated_duty,
    charge_temperature,
    dead_time_need,
    flow_at,
    fuel_facts,
    fuel_need,
    metering_need,
    pipe_loss_ratio,
    pressure_across,
    reading_error,
)
from livewatch.build_sheet.points import working_points
from livewatch.build_sheet.sheet import read_build_sheet
from livewatch.profile import load_profile
from livewatch.profile.shipped import find_profile


def facts(fuel: str | dict[str, str]):  # type: ignore[no-untyped-def]
    return fuel_facts(FuelInTank.model_validate(fuel))


def test_a_bore_of_70_mm_in_place_of_66_needs_12_5_per_cent_more_fuel() -> None:
    # Metered area, common practice: (70/66)² = 1.1249.
    assert metering_need(66, 70) == pytest.approx(1.1249, abs=5e-5)
    assert reading_error(metering_need(66, 70)) == pytest.approx(1 / 1.1249 - 1, abs=5e-5)


def test_a_smaller_bore_reads_high() -> None:
    assert metering_need(66, 62) < 1.0
    assert reading_error(metering_need(66, 62)) > 0.0


def test_an_injector_at_400_kpa_flows_15_5_per_cent_more_than_at_300() -> None:
    # Bernoulli, common practice: sqrt(400/300) = 1.1547.
    assert flow_at(440, 300, 400) / 440 == pytest.approx(1.1547, abs=5e-5)


@pytest.mark.parametrize(
    ("fuel", "ratio"),
    # Heywood, Internal Combustion Engine Fundamentals, 1988, table D.4.
    [("isooctane", 15.13), ("ethanol", 9.00), ("methanol", 6.47), ("toluene", 13.5), ("methane", 17.23),
     ("propane", 15.68), ("gasoline", 14.6)],
)  # fmt: skip
def test_pure_fuels_have_the_handbook_ratio(fuel: str, ratio: float) -> None:
    assert facts(fuel).ratio == ratio


def test_e85_in_place_of_e10_needs_43_per_cent_more_fuel_by_mass() -> None:
    # By hand from Heywood's 14.6 and 9.00 with 0.745 and 0.789 kg/L (handbook densities, from memory): E10 holds
    # 0.0789/0.7494 = 10.53 % of ethanol by mass, 14.010; E85 0.67065/0.7824 = 85.72 %, 9.800.
    e10, e85 = facts("gasoline E10"), facts({"ethanol": "85 %"})
    assert (e10.ratio, e85.ratio) == (pytest.approx(14.010, abs=1e-3), pytest.approx(9.800, abs=1e-3))
    assert facts("E85") == e85
    # Through the same injectors the denser fuel brings sqrt(0.7824/0.7494) = 1.0218 more (Bernoulli).
    assert fuel_need(e10, e85) == pytest.approx(14.010 / 9.800 / 1.0218, rel=2e-4)


def test_pure_gasoline_in_place_of_e10_is_an_everyday_shift() -> None:
    need = fuel_need(facts("gasoline E10"), facts("gasoline"))
    assert need is not None and 0.95 < need < 0.97


def test_no_injector_turns_a_liquid_into_a_gas() -> None:
    assert fuel_need(facts("gasoline E10"), facts("propane")) is None


def test_two_tenths_of_dead_time_are_an_eighth_of_the_fuel_at_idle_and_a_fiftieth_at_load() -> None:
    # By hand: the pulse must be 0.2 ms longer; 0.2/1.6 and 0.2/10.
    assert dead_time_need(0.2, 1.6) == pytest.approx(1.125)
    assert dead_time_need(0.2, 10.0) == pytest.approx(1.02)
    assert dead_time_need(-0.2, 1.6) == pytest.approx(0.875)


def test_a_regulator_referenced_to_the_air_outside_loses_boost_and_gains_vacuum() -> None:
    # By hand, at sea level (101.325 kPa, ISO 2533): 400 kPa with 100 kPa of boost leave 300 kPa across the injector.
    assert pressure_across(400, "atmosphere", 201.325) == pytest.approx(300)
    assert pressure_across(400, "atmosphere", 31.325) == pytest.approx(470)
    assert pressure_across(300, "manifold", 201.325) == 300


def test_boost_at_the_calibrated_duty() -> None:
    # By hand: 100 kPa asked, 40 kPa of preload, 80 % bleed: duty (1 - 40/100)/0.8 = 75 %. A stiffer actuator (60 kPa)
    # then holds 60/(1 - 0.6) = 150 kPa; a solenoid with 100 % bleed 40/(1 - 0.75) = 160 kPa; with 60 %, 40/0.55 = 72.7.
    assert boost_at_calibrated_duty(100, (40, 60), None) == pytest.approx(1.5)
    assert boost_at_calibrated_duty(100, (40, 40), (0.8, 1.0)) == pytest.approx(1.6)
    assert boost_at_calibrated_duty(100, (40, 40), (0.8, 0.6)) == pytest.approx(0.7273, abs=1e-4)
    # Duty 87.5 % at 300 kPa asked of 40 kPa: with a third more bleed nothing reaches the actuator.
    assert boost_at_calibrated_duty(300, (40, 40), (0.75, 1.0)) == inf
    assert boost_at_calibrated_duty(None, (40, 40), (0.8, 1.0)) is None


def test_a_pipe_a_fifth_wider_loses_two_fifths_of_the_pressure() -> None:
    # Darcy and Weisbach at one mass flow and friction factor: 1/1.2^5 = 0.4019.
    assert pipe_loss_ratio(60, 72) == pytest.approx(0.4019, abs=1e-4)


def test_charge_behind_a_perfect_intercooler_is_as_cold_as_the_air_outside() -> None:
    assert charge_temperature(25, 200, 1.0) == 25
    # By hand: 298.15 K * ((200/101.325)^0.2857 - 1) / 0.72 = 88.8 K above the air outside without any cooling.
    assert charge_temperature(25, 200, 0.0) == pytest.approx(25 + 88.8, abs=0.1)


def test_air_at_a_working_point_is_heywoods() -> None:
    # Heywood 1988, eq. 2.27: 2.0 L, 3000 rpm, 100 kPa, 293.15 K, volumetric efficiency 0.95 give 56.45 g/s
    # (recomputed). The Brackwell has 1.998 L and an assumed efficiency of 0.90; twice the pressure is twice the air.
    text = (
        "build_sheet: 1\nname: x\ncalibrated_for: {}\nfitted: {}\nworking_points:\n"
        "  full_load: {speed: 3000 rpm, manifold_pressure: 200 kPa, charge_temperature: 20 degC}\n"
    )
    engine = load_profile(find_profile("brackwell_20t")).engine
    assert engine is not None
    point = working_points(read_build_sheet(text, "x"), engine)["full load"]
    assert point.air == pytest.approx(2 * 56.45 * 1.998 / 2.0 * 0.90 / 0.95, rel=1e-3)
    assert point.charge == pytest.approx(point.air / 100.0)  # 25 cycles a second, four cylinders
    assert point.assumed == ("commanded lambda 0.82",)


@given(st.floats(20, 200), st.floats(20, 200))
def test_going_back_undoes_it(first: float, second: float) -> None:
    assert metering_need(first, second) * metering_need(second, first) == pytest.approx(1.0)
    assert flow_at(flow_at(5.0, first, second), second, first) == pytest.approx(5.0)
    assert pipe_loss_ratio(first, second) * pipe_loss_ratio(second, first) == pytest.approx(1.0)


@given(st.floats(0, 100), st.floats(0, 100))
def test_more_ethanol_always_needs_more_fuel(less: float, more: float) -> None:
    less, more = sorted((less, more))
    need = fuel_need(facts({"ethanol": f"{less} %"}), facts({"ethanol": f"{more} %"}))
    assert need is not None and 1.0 - 1e-12 <= need <= 14.6 / 9.0 * sqrt(0.745 / 0.789) + 1e-9
