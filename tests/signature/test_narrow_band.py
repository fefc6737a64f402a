"""A narrow-band sensor knows lambda 1 alone: its loop holds the mixture there, whatever else is commanded.

Where the computer gives fuel for lambda c and the loop brings the mixture back to 1, the trims of matching parts are c:
fuel is need times air over (14.05 c), lambda 1 is air over 14.05, hence trim = c and need = trim * 1 / c = 1.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from livewatch.signature.causes.registry import HYPOTHESES
from livewatch.signature.evidence.settled import FIELDS, PointMaker

Columns = dict[str, NDArray[np.float64]]

VOLTAGE = {"oxygen_sensor_voltage_1": "V"}


def drive(lab: Any, fault: Any, richest: float = 0.0) -> Columns:
    """The tour with the loop closed all the way to full load, as a narrow-band sensor sees it: it switches twice a
    second, and the trims take away what is commanded rich, `richest` at the most."""
    points = [lab.Point(p.speed, p.pressure, p.pedal, max(p.commanded, richest), 8.0) for p in lab.TOUR]
    bench = lab.Bench()
    for _ in range(4):
        for point in points:
            bench.hold(point, fault, closed=True)
    arrays: Columns = bench.arrays()
    total = (1.0 + arrays["long_term_fuel_trim_1"] / 100.0) * arrays["commanded_lambda"]
    arrays["long_term_fuel_trim_1"] = 100.0 * (total - 1.0)
    del arrays["lambda_1"]
    looks = np.arange(len(total))
    arrays["oxygen_sensor_voltage_1"] = np.where(looks % 5 < 3, 0.8, 0.1)
    return arrays


def needs(lab: Any, profile: Any, arrays: Columns) -> dict[float, float]:
    """Median need of the settled looks, by commanded lambda."""
    points = lab.points(arrays, profile)
    field = np.concatenate([one.field[:, one.settled] for one in points], axis=1)
    need, commanded = field[FIELDS.index("need_1")], field[FIELDS.index("lambda_commanded")]
    return {float(c): float(np.median(need[commanded == c])) for c in np.unique(commanded)}


def test_a_loop_that_switches_at_lambda_1_needs_nothing_where_the_command_is_rich(lab: Any) -> None:
    found = needs(lab, lab.profile(without=("lambda_1",), extra=VOLTAGE), drive(lab, lab.Fault()))
    assert found == pytest.approx({0.81: 1.0, 0.85: 1.0, 0.90: 1.0, 1.0: 1.0}, abs=0.003)


def test_matching_parts_with_a_narrow_band_sensor_fit_up_to_full_load(lab: Any) -> None:
    said = lab.judged(drive(lab, lab.Fault()), lab.profile(without=("lambda_1",), extra=VOLTAGE)).finding()
    assert lab.fuel_word(said) == "fits"
    assert said.causes[0].family == "none"


def test_corrections_at_high_load_show_no_full_load_where_no_sensor_does(lab: Any) -> None:
    # What the loop corrects at high load says nothing of full load, where the loop is open (SAE J1979, parameter 03).
    bench = lab.Bench()
    for p in lab.TOUR * 4:
        bench.hold(lab.Point(p.speed, p.pressure, p.pedal, 1.0, 8.0), lab.Fault(), closed=True)
    said = lab.judged(bench.arrays(), lab.profile(without=("lambda_1", "fuel_rail_pressure"))).finding()
    words = {one.system: one.word for one in said.verdict.systems}
    assert words["fuel at part load"] == "fits"
    assert words["fuel under load"] == words["fuel supply"] == "not seen"
    assert said.verdict.word == "unproven"


def test_an_air_meter_in_a_wider_tube_is_measured_by_a_narrow_band_loop_at_full_load_too(lab: Any) -> None:
    # (70 / 66)² = 1.1249 (common practice), at every load and every command.
    arrays = drive(lab, lab.Fault(metered=lambda point: (66.0 / 70.0) ** 2))
    profile = lab.profile(without=("lambda_1",), extra=VOLTAGE)
    assert needs(lab, profile, arrays) == pytest.approx(
        {0.81: 1.1249, 0.85: 1.1249, 0.90: 1.1249, 1.0: 1.1249}, abs=4e-3
    )
    cause = lab.judged(arrays, profile).finding().causes[0]
    assert cause.name == "meter_scale"
    ratio = next(one for one in cause.estimates if one.quantity == "true over metered air")
    assert ratio.low <= 1.1249 <= ratio.high


def test_with_the_loop_open_a_narrow_band_sensor_tells_no_need(lab: Any) -> None:
    arrays = drive(lab, lab.Fault())
    arrays["fuel_system_status"] = np.where(arrays["commanded_lambda"] < 0.95, 4.0, 2.0)
    found = needs(lab, lab.profile(without=("lambda_1",), extra=VOLTAGE), arrays)
    assert found[1.0] == pytest.approx(1.0, abs=0.003)
    assert all(np.isnan(found[commanded]) for commanded in (0.81, 0.85, 0.90))


def test_a_wideband_sensor_goes_on_being_believed_where_the_command_is_rich(lab: Any) -> None:
    # It measures what is commanded: need is trim * measured / commanded, 1 without trims.
    arrays = drive(lab, lab.Fault())
    arrays["lambda_1"] = arrays["commanded_lambda"].copy()
    arrays["long_term_fuel_trim_1"][:] = 0.0
    assert needs(lab, lab.profile(), arrays) == pytest.approx({0.81: 1.0, 0.85: 1.0, 0.90: 1.0, 1.0: 1.0}, abs=0.003)


def test_a_narrow_band_sensor_that_does_not_switch_says_the_loop_is_not_there_yet(lab: Any) -> None:
    arrays = drive(lab, lab.Fault())
    arrays["oxygen_sensor_voltage_1"][:] = 0.1
    profile = lab.profile(without=("lambda_1",), extra=VOLTAGE)
    maker = PointMaker(profile)
    readings = lab.readings(arrays, profile)[0]
    assert not maker.points(readings).settled.any()
    switching = readings["oxygen_sensor_voltage_1"]
    switching[:] = np.where(np.arange(len(switching)) % 5 < 3, 0.8, 0.1)
    assert maker.points(readings).settled.any()


@pytest.mark.parametrize("begins", [0.1, 0.8])
def test_a_narrow_band_sensor_that_switched_only_once_says_a_trim_is_on_its_way(lab: Any, begins: float) -> None:
    """A trim that stood at its limit, the sensor on one side for long: one switch to the other begins its way back."""
    arrays = drive(lab, lab.Fault())
    profile = lab.profile(without=("lambda_1",), extra=VOLTAGE)
    maker = PointMaker(profile)
    readings = lab.readings(arrays, profile)[0]
    volts = readings["oxygen_sensor_voltage_1"]
    volts[:] = np.where(np.arange(len(volts)) < len(volts) // 2, begins, 0.9 - begins)
    assert not maker.points(readings).settled.any()


@pytest.mark.parametrize("status", [2.0, 4.0])
def test_rich_under_load_is_no_need_where_nothing_tells_what_is_commanded(lab: Any, status: float) -> None:
    """A wideband loop holds what is commanded, 0.81 to 0.90 under load: without the command, and with a trim that never
    moves, as where it does not work there, nobody can tell it from parts that make the mixture rich. What was seen
    is right, and the channel that is missing is named."""
    arrays = drive(lab, lab.Fault())
    wanted = arrays.pop("commanded_lambda")
    arrays["fuel_system_status"] = np.where(wanted < 0.95, status, 2.0)
    arrays["short_term_fuel_trim_1"][wanted < 0.95] = 0.0
    arrays["lambda_1"], arrays["long_term_fuel_trim_1"][:] = wanted, 0.0
    del arrays["oxygen_sensor_voltage_1"]
    said = lab.judged(arrays, lab.profile(without=("commanded_lambda",))).finding()
    systems = {one.system: one for one in said.verdict.systems}
    assert systems["fuel at part load"].word == "fits"
    assert systems["fuel under load"].word == "not seen"
    assert "commanded lambda" in systems["fuel under load"].lacking[0]
    assert not said.verdict.established


@pytest.mark.parametrize(("trim", "moves", "beyond"), [(12.0, 0.4, 0.0), (25.0, 0.0, 0.5)])
def test_trims_of_a_wideband_loop_that_works_are_need_whatever_is_commanded(
    lab: Any, trim: float, moves: float, beyond: float
) -> None:
    # A loop that holds lambda at its command has put right by its trims what the parts make wrong: need is 1 + trims,
    # and more than that where they can add no more.
    arrays = drive(lab, lab.Fault())
    wanted = arrays.pop("commanded_lambda")
    arrays["fuel_system_status"], arrays["lambda_1"] = np.full(len(wanted), 2.0), wanted
    arrays["long_term_fuel_trim_1"][:] = 0.0
    sways = moves * (np.arange(len(wanted)) % 7 - 3)
    arrays["short_term_fuel_trim_1"] = np.where(wanted < 0.95, trim + sways, 0.1 * sways)
    points = lab.points(arrays, lab.profile(without=("commanded_lambda",)))
    field = np.concatenate([one.field[:, one.settled] for one in points], axis=1)
    field = field[:, field[FIELDS.index("pressure")] > 110.0]
    need = field[FIELDS.index("need_1")]
    assert np.isnan(need).mean() < 0.2
    assert np.nanmedian(need) == pytest.approx(1.0 + trim / 100.0, abs=0.006)
    assert np.median(field[FIELDS.index("at_limit_1"), ~np.isnan(need)]) == beyond


def test_lean_under_load_is_need_whatever_is_commanded(lab: Any) -> None:
    # Nothing richer than 1 is burned where 1.08 is measured, and no petrol calibration wants it leaner than 1.
    arrays = drive(lab, lab.Fault())
    wanted = arrays.pop("commanded_lambda")
    arrays["lambda_1"], arrays["long_term_fuel_trim_1"][:] = np.where(wanted < 0.95, 1.08, 1.0), 0.0
    points = lab.points(arrays, lab.profile(without=("commanded_lambda",)))
    field = np.concatenate([one.field[:, one.settled] for one in points], axis=1)
    loaded = field[FIELDS.index("pressure")] > 110.0
    assert np.median(field[FIELDS.index("need_1"), loaded]) == pytest.approx(1.08, abs=0.003)


@pytest.mark.parametrize(("measured", "need"), [(1.08, 1.08 / 0.95), (0.99, np.nan)])
def test_an_open_loop_leaner_than_1_at_full_load_is_need_beyond_the_leanest_that_is_commanded(
    lab: Any, measured: float, need: float
) -> None:
    # Calibrations command 0.80 to 0.95 there (common practice).
    arrays = drive(lab, lab.Fault())
    rich = arrays.pop("commanded_lambda") < 0.95
    arrays["fuel_system_status"] = np.where(rich, 4.0, 2.0)
    arrays["lambda_1"], arrays["long_term_fuel_trim_1"][:] = np.where(rich, measured, 1.0), 0.0
    points = lab.points(arrays, lab.profile(without=("commanded_lambda",)))
    field = np.concatenate([one.field[:, one.settled] for one in points], axis=1)
    loaded = field[FIELDS.index("pressure")] > 110.0
    assert np.median(field[FIELDS.index("need_1"), loaded]) == pytest.approx(need, abs=0.003, nan_ok=True)


def test_with_the_loop_open_a_narrow_band_sensor_that_stays_lean_tells_the_least_that_is_needed(lab: Any) -> None:
    arrays = drive(lab, lab.Fault())
    rich = arrays["commanded_lambda"] < 0.95
    arrays["fuel_system_status"], arrays["long_term_fuel_trim_1"][rich] = np.where(rich, 4.0, 2.0), 0.0
    arrays["oxygen_sensor_voltage_1"][rich] = 0.1
    found = needs(lab, lab.profile(without=("lambda_1",), extra=VOLTAGE), arrays)
    assert [found[rich] for rich in (0.81, 0.85)] == pytest.approx([1 / 0.81, 1 / 0.85], abs=0.003)


def test_trims_are_no_need_of_a_load_that_they_have_not_got_to(lab: Any) -> None:
    # Two seconds with the throttle shut: the sensor stays lean, and the trim stands about where it stood before.
    bench = lab.Bench()
    for _ in range(4):
        bench.hold(lab.Point(3000.0, 60.0, 20.0, seconds=10.0), lab.Fault())
        bench.hold(lab.Point(1500.0, 24.0, 0.0, seconds=2.0), lab.Fault())
    arrays = bench.arrays()
    shut = arrays["accelerator_pedal_position"] == 0.0
    arrays["oxygen_sensor_voltage_1"] = np.where(shut, 0.1, np.where(np.arange(len(shut)) % 5 < 3, 0.8, 0.1))
    points = lab.points(arrays, lab.profile(without=("lambda_1",), extra=VOLTAGE))
    speeds = np.concatenate([one.field[FIELDS.index("speed"), one.settled | one.lesser] for one in points])
    assert (speeds > 2900.0).any() and not (speeds < 1600.0).any()


@pytest.mark.parametrize(("without", "counts"), [((), True), (("injector_pulse_width",), False)])
def test_a_shut_throttle_at_speed_is_a_fuel_cut_where_nothing_shows_that_it_is_none(
    lab: Any, without: tuple[str, ...], counts: bool
) -> None:
    bench = lab.Bench()
    for _ in range(2):
        bench.hold(lab.Point(3000.0, 60.0, 20.0, seconds=10.0), lab.Fault())
        bench.hold(lab.Point(1500.0, 24.0, 0.0, seconds=10.0), lab.Fault())
    points = lab.points(bench.arrays(), lab.profile(without=("lambda_1", *without)))
    speeds = np.concatenate([one.field[FIELDS.index("speed"), one.settled | one.lesser] for one in points])
    assert (speeds > 2900.0).any()
    assert (speeds < 1600.0).any() == counts


def test_what_is_enriched_unseen_near_full_load_is_not_taken_for_the_size_of_a_part(lab: Any) -> None:
    # (70 / 66)² = 1.1249 at part load; at load the trims give 4 % less, as 0.96 is commanded and the loop holds 1.
    arrays = drive(lab, lab.Fault(metered=lambda point: (66.0 / 70.0) ** 2), 0.96)
    told, untold = (
        lab.judged(arrays, lab.profile(without=("lambda_1", *gone), extra=VOLTAGE)).finding().causes[0]
        for gone in ((), ("commanded_lambda",))
    )
    assert told.name == untold.name == "meter_scale"
    assert told.estimates[1].value == pytest.approx(1.1249, abs=0.005)
    assert untold.estimates[1].value == pytest.approx(1.1249, abs=0.01)


@pytest.mark.parametrize(
    ("swings", "commanded", "settled"), [(True, 1.0, True), (False, 1.0, False), (True, 0.96, False)]
)
def test_a_sensor_heard_as_often_as_it_swings_tells_that_a_loop_is_in_balance_whose_command_stays(
    lab: Any, swings: bool, commanded: float, settled: bool
) -> None:
    # Heard once in 1.0 s, a swing of 1.1 s is caught on one side five times in a row, then five times on the other: too
    # slow to tell when a trim has got to what another command takes.
    arrays = drive(lab, lab.Fault())
    profile = lab.profile(without=("lambda_1",), extra=VOLTAGE)
    maker = PointMaker(profile)
    readings = lab.readings(arrays, profile)[0]
    heard = np.arange(len(readings)) // 10 * 10
    readings.ages[:] = (np.arange(len(readings)) % 10) * 0.1
    readings["commanded_lambda"][:] = commanded
    volts = readings["oxygen_sensor_voltage_1"]
    volts[:] = np.where(heard % 11 < 5.5, 0.8, 0.1) if swings else 0.1
    assert maker.points(readings).settled.any() == settled


def test_a_narrow_band_sensor_may_be_off_by_2_per_cent_and_a_wideband_one_by_more(lab: Any) -> None:
    # The one switches near lambda 1 as long as it works, the other reads a scale that drifts (common practice).
    arrays = drive(lab, lab.Fault())
    narrow = lab.gathered(arrays, lab.profile(without=("lambda_1",), extra=VOLTAGE))
    wide = lab.gathered(lab.Bench().tour(lab.Fault()).arrays(), lab.profile())
    assert all(one.effect.spread <= 0.02 for one in HYPOTHESES["lambda_sensor"].variants(*narrow))
    assert all(one.effect.spread > 0.02 for one in HYPOTHESES["lambda_sensor"].variants(*wide))
