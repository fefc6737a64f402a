"""Ethanol in the tank: what an engine computer counts with is read from its own fuel rate, and what a blend takes of
need is no fault, also against a baseline that was driven on another blend.

Stoichiometric ratios by mass from Heywood 1988, table D.4 (gasoline CH1.87 14.6, ethanol 9.00). A litre of E20 holds
0.2 * 0.789 kg of ethanol and 0.8 * 0.745 kg of gasoline (densities from memory): 20.93 % ethanol by mass, so 14.6 - 5.6
* 0.2093 = 13.428. It is heavier, 0.7538 kg, and an opening lets the root of that through (Bernoulli): sqrt(0.7538 /
0.745) = 1.0059. A computer that gives fuel for E0 while E20 is in the tank leaves need 14.6 / 13.428 / 1.0059 = 1.0809.
"""

from __future__ import annotations

import json
from dataclasses import replace
from math import log, nan
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from livewatch.data.alarm_states import State
from livewatch.data.events import AlarmChanged
from livewatch.signature import Baseline
from livewatch.signature.evidence.settled import FIELDS

E0, E10, E20 = 14.6, 14.010, 13.428
BLEND = 1.0809
"""Need that E20 leaves to a computer that counts with E0."""
LITRE, LITRE_OF_E20 = 745.0, 753.8
"""g of gasoline and of E20."""
CALIBRATED_FOR_E0 = (
    "engine: {displacement: 2.0 L, cylinders: 4, induction: turbocharged, air_metering: mass_air_flow, "
    "fuel: gasoline E0, volumetric_efficiency: 0.846 .. 0.954}"
)
SPEED_DENSITY = CALIBRATED_FOR_E0.replace("mass_air_flow", "speed_density")

Columns = dict[str, NDArray[np.float64]]


def drive(lab: Any, need: float, ethanol: float, counts: float = nan, seed: int = 5) -> Columns:
    """A tour with one `need` everywhere and `ethanol` % in the tank; with the fuel rate of a computer that `counts`
    with some ratio: air times trims over that ratio and lambda, in litres of the blend that has it."""
    arrays: Columns = lab.Bench(seed=seed).tour(lab.Fault(delivered=lambda point, pulse: 1.0 / need)).arrays()
    arrays["ethanol_content"][:] = ethanol
    trims = (1.0 + arrays["short_term_fuel_trim_1"] / 100.0) * (1.0 + arrays["long_term_fuel_trim_1"] / 100.0)
    grams = arrays["mass_air_flow"] * trims / (counts * arrays["commanded_lambda"])
    litre = np.exp(np.interp(np.log(counts), np.log((E20, E0)), np.log((LITRE_OF_E20, LITRE))))
    arrays["fuel_rate"] = grams * 3600.0 / litre
    return arrays


def counted_with(lab: Any, profile: Any, columns: dict[str, float]) -> float:
    """What the computer counts with, by its own figures at one steady point."""
    (points,) = lab.points({name: np.full(20, value) for name, value in columns.items()}, profile)
    return float(points.field[FIELDS.index("counted"), -1])


STEADY = {
    "engine_speed": 3000.0, "manifold_pressure": 60.0, "accelerator_pedal_position": 20.0, "commanded_lambda": 0.95,
    "fuel_system_status": 2.0, "charge_air_temperature": 40.0, "short_term_fuel_trim_1": 2.0,
    "long_term_fuel_trim_1": 5.0,
}  # fmt: skip


@pytest.mark.parametrize(("shown", "known"), [(1.45, True), (1.55, False)])
def test_air_at_the_lambda_sensor_is_no_measure_of_the_fuel(lab: Any, shown: float, known: bool) -> None:
    # Beyond lambda 1.5 no mixture burns (common practice; the alarms go by the same).
    profile = lab.profile()
    (points,) = lab.points({name: np.full(20, value) for name, value in {**STEADY, "lambda_1": shown}.items()}, profile)
    need = float(points.field[FIELDS.index("need_1"), -1])
    assert need == pytest.approx(1.02 * 1.05 * shown / 0.95) if known else np.isnan(need)


@pytest.mark.parametrize("ratio", [E0, E20])
def test_air_and_fuel_of_the_computer_say_which_ratio_it_counts_with(lab: Any, ratio: float) -> None:
    # 20 g/s of air, lambda 0.95, trims 1.02 * 1.05: for E20 20 * 1.071 / (13.428 * 0.95) = 1.679 g/s = 8.114 L/h.
    fuel = 20.0 * 1.02 * 1.05 / (ratio * 0.95) * 3600.0 / LITRE
    profile = lab.profile(extra={"fuel_rate": "L/h"})
    assert counted_with(lab, profile, {**STEADY, "mass_air_flow": 20.0, "fuel_rate": fuel}) == pytest.approx(ratio)


def test_fuel_for_both_banks_is_set_against_the_trims_of_both(lab: Any) -> None:
    # Bank 1 gets 1.071, bank 2 0.98 * 0.95 = 0.931, each half of the fuel: 20 * 1.001 / (13.428 * 0.95) g/s.
    fuel = 20.0 * (1.02 * 1.05 + 0.98 * 0.95) / 2.0 / (E20 * 0.95) * 3600.0 / LITRE
    profile = lab.profile(
        extra={"fuel_rate": "L/h", "short_term_fuel_trim_2": "%", "long_term_fuel_trim_2": "%", "lambda_2": "1"}
    )
    other = {"short_term_fuel_trim_2": -2.0, "long_term_fuel_trim_2": -5.0}
    columns = {**STEADY, **other, "mass_air_flow": 20.0, "fuel_rate": fuel}
    assert counted_with(lab, profile, columns) == pytest.approx(E20)


def test_without_a_meter_the_air_follows_from_absolute_load(lab: Any) -> None:
    # SAE J1979: absolute load is air for each stroke over 1.184 kg/m³ of the stroke. At 3000 rpm 25 strokes a second
    # of 2.0 L would be 59.2 g/s; 40 % of it is 23.68 g/s.
    fuel = 23.68 * 1.02 * 1.05 / (E20 * 0.95) * 3600.0 / LITRE
    profile = lab.profile(
        without=("mass_air_flow",), engine=SPEED_DENSITY, extra={"fuel_rate": "L/h", "absolute_load": "%"}
    )
    columns = {**STEADY, "absolute_load": 40.0, "fuel_rate": fuel}
    assert counted_with(lab, profile, columns) == pytest.approx(E20)


def test_a_computer_that_gives_no_fuel_says_nothing_of_its_ratio(lab: Any) -> None:
    # 0.2 L/h are 0.04 g/s: less than any engine idles on, and one step of SAE J1979's 0.05 L/h is a quarter of it.
    profile = lab.profile(extra={"fuel_rate": "L/h"})
    assert np.isnan(counted_with(lab, profile, {**STEADY, "mass_air_flow": 20.0, "fuel_rate": 0.2}))


@pytest.mark.parametrize(
    ("counts", "need", "wrong"),
    [
        pytest.param(E20, 1.0, False, id="corrects, need 1"),
        pytest.param(E0, BLEND, False, id="does not correct, need of the blend"),
        pytest.param(E20, BLEND, True, id="corrects, and yet the need of the blend"),
        pytest.param(E0, 1.0, True, id="does not correct, and yet no need"),
    ],
)
def test_the_fuel_rate_says_whether_the_blend_explains_the_need(
    lab: Any, counts: float, need: float, wrong: bool
) -> None:
    profile = lab.profile(engine=CALIBRATED_FOR_E0, extra={"fuel_rate": "L/h"})
    arrays = drive(lab, need, 20.0, counts)
    said = lab.judged(arrays, profile).finding()
    first = said.causes[0]
    assert (first.family == "none") is not wrong
    assert (lab.fuel_word(said) == "fits") is not wrong
    if wrong:
        # What the blend leaves (1 or 1.0809) is off by that factor one way or the other: so are the injectors.
        flow = first.estimates[0]
        assert first.name == "injector_flow"
        assert flow.value == pytest.approx(1.0 / BLEND if need > 1.0 else BLEND, abs=0.01)
        assert not flow.low < 1.0 < flow.high
    # Without the fuel rate either may be right, and neither need is held against the parts.
    del arrays["fuel_rate"]
    assert lab.fuel_word(lab.judged(arrays, profile).finding()) == "fits"


def test_what_pumps_sell_strains_no_car_where_its_sensor_shows_it(lab: Any) -> None:
    # E25 for E10: 14.010 / 13.137 = 1.0665 (25 % by volume are 26.1 % by mass: 14.6 - 5.6 * 0.261), over sqrt(0.756 /
    # 0.7494) = 1.0044 as it is heavier: need 1.0618. With 4 % of tolerances beside it need is 10.4 % everywhere; the
    # same without the sensor's word is beyond everyday adaptation.
    columns = drive(lab, 1.0618 * 1.04, 25.0, E10)
    for_e10 = CALIBRATED_FOR_E0.replace("E0", "E10")
    shown = lab.judged(columns, lab.profile(engine=for_e10, extra={"fuel_rate": "L/h"})).finding()
    assert shown.verdict.word != "misfit" and not any(one.strain for one in shown.verdict.systems)
    columns["ethanol_content"][:] = 10.0
    hidden = lab.judged(columns, lab.profile(engine=for_e10, extra={"fuel_rate": "L/h"})).finding()
    assert hidden.verdict.word in ("strained", "misfit")


def test_a_lean_alarm_on_another_fuel_is_put_down_to_the_fuel_and_to_no_part(lab: Any) -> None:
    profile = lab.profile(engine=CALIBRATED_FOR_E0, extra={"fuel_rate": "L/h"}, alarms=True)
    lean = AlarmChanged(
        10**9, 0, "lean_under_load", "raised", State.UNACKNOWLEDGED, State.NORMAL, "critical", True, "x > 1.06", "", ""
    )
    nothing = lab.ticks(profile, {"engine_speed": np.zeros(0)})
    judged = lab.judged(drive(lab, BLEND, 20.0, E0), profile)
    assert not any(cause.name == "fuel_in_tank" for cause in judged.finding().causes), "everyday without an alarm"
    judged.observe(nothing, [lean])
    said = judged.finding()
    (fuel,) = (cause for cause in said.causes if cause.established)
    assert fuel.name == "fuel_in_tank"
    assert fuel.estimates[0].low < 100.0 * (BLEND - 1.0) < fuel.estimates[0].high
    assert said.verdict.word != "fits" and not any(one.alarms for one in said.verdict.systems)
    # A computer that corrects for it is not lean by it.
    other = lab.judged(drive(lab, 1.0, 20.0, E20), profile)
    other.observe(nothing, [lean])
    assert not any(cause.name == "fuel_in_tank" for cause in other.finding().causes)
    assert any(one.alarms for one in other.finding().verdict.systems)


def test_the_fuel_rate_weighs_as_the_normal_law_says(lab: Any) -> None:
    # Air over litres is 14.6 * 0.745 of E0 and 13.428 * 0.7538 of E20: log(1.0746) = 0.0719 off if it counted with the
    # other, with a spread of 0.01: the log of the odds is 0.0719² / (2 * 0.01²) = 25.9; half way nothing is told.
    profile = lab.profile(engine=CALIBRATED_FOR_E0, extra={"fuel_rate": "L/h"})
    told = [
        lab.gathered(drive(lab, 1.0, 20.0, counts), profile)[0].corrected
        for counts in (E20, E0, (E0 * E20) ** 0.5, nan)
    ]
    assert told == pytest.approx([25.9, -25.9, 0.0, 0.0], abs=0.1)


@pytest.mark.parametrize(("before", "sign"), [(E20, 1.0), (E0, -1.0)])
def test_a_baseline_on_another_fuel_tells_what_the_computer_counts_with(lab: Any, before: float, sign: float) -> None:
    # E0 is calibrated for and in the tank: its fuel rate says nothing. On E20 before, what it counted with is 0.0719
    # from the other, with a spread of 0.01, 0.004 from one drive to the next: given the first, the mean of the second
    # is 0.92 of what the first is away (two normal variables), its variance 1 - 0.92² of 0.01²: 0.0719² / (2 * 0.1536
    # * 0.0001) = 168.3.
    profile = lab.profile(engine=CALIBRATED_FOR_E0, extra={"fuel_rate": "L/h"})
    baseline = lab.judged(drive(lab, 1.0, 20.0, before, seed=8), profile).as_baseline()
    now = drive(lab, 1.0, 0.0, E0)
    assert lab.gathered(now, profile)[0].corrected == pytest.approx(0.0, abs=0.1)
    assert lab.gathered(now, profile, baseline)[0].corrected == pytest.approx(sign * 168.3, rel=0.02)
    unknown = replace(baseline, counted=nan)
    assert lab.gathered(now, profile, unknown)[0].corrected == pytest.approx(0.0, abs=0.1)


def test_a_size_is_between_what_it_is_with_the_fuel_corrected_for_and_without(lab: Any) -> None:
    # Injectors a fifth larger on E10, calibrated for E0: E10 leaves 14.6 / 14.010 / sqrt(0.7494 / 0.745) = 1.0391, so
    # they are 1.2 / 1.0391 = 1.155 where the computer corrects. Without its fuel rate either may be.
    profile = lab.profile(engine=CALIBRATED_FOR_E0, extra={"fuel_rate": "L/h"})
    arrays = drive(lab, 1.0391 / 1.2, 10.0, E0)
    known = lab.judged(arrays, profile).finding().causes[0].estimates[0]
    assert known.value == pytest.approx(1.2, abs=0.01)
    del arrays["fuel_rate"]
    cause = lab.judged(arrays, profile).finding().causes[0]
    flow = cause.estimates[0]
    assert cause.name == "injector_flow"
    assert 1.16 < flow.value < 1.195
    assert flow.low < 1.155 < 1.2 < flow.high


def test_the_blend_shifts_need_by_its_stoichiometric_ratio_and_its_density(lab: Any) -> None:
    calibrated_for_e0, for_e10 = lab.profile(engine=CALIBRATED_FOR_E0), lab.profile()
    arrays = drive(lab, 1.0, 20.0)
    assert lab.gathered(arrays, calibrated_for_e0)[0].fuel_shift == pytest.approx(log(BLEND), abs=1e-4)
    # sqrt(0.7538 / 0.7494) = 1.0029.
    assert lab.gathered(arrays, for_e10)[0].fuel_shift == pytest.approx(log(E10 / E20 / 1.0029), abs=1e-4)
    arrays["ethanol_content"][:] = 0.0
    assert lab.gathered(arrays, calibrated_for_e0)[0].fuel_shift == pytest.approx(0.0, abs=1e-9)
    del arrays["ethanol_content"]
    assert lab.gathered(arrays, calibrated_for_e0)[0].fuel_shift == 0.0


def test_a_car_filled_with_e20_after_a_baseline_on_e0_is_no_mismatch(lab: Any, tmp_path: Path) -> None:
    # Calibrated for E10: on E20 it needs 1.0809 times what it needs on E0, as the baseline showed.
    profile = lab.profile()
    lab.judged(drive(lab, E10 / E0, 0.0, seed=8), profile).as_baseline().save(tmp_path / "on_e0.json")
    baseline = Baseline.load(tmp_path / "on_e0.json")
    assert baseline.ethanol == 0.0
    arrays = drive(lab, E10 / E0 * BLEND, 20.0)
    assert lab.gathered(arrays, profile, baseline)[0].fuel_shift == pytest.approx(log(BLEND), abs=1e-4)
    said = lab.judged(arrays, profile, baseline=baseline).finding()
    assert said.causes[0].family == "none"
    assert lab.fuel_word(said) == "fits"
    # The same need on the fuel of the baseline is a fault, and so it is as long as nobody knows of the fuel.
    arrays["ethanol_content"][:] = 0.0
    assert lab.judged(arrays, profile, baseline=baseline).finding().causes[0].name == "injector_flow"
    unknown = replace(baseline, ethanol=nan)
    arrays["ethanol_content"][:] = 20.0
    assert lab.judged(arrays, profile, baseline=unknown).finding().causes[0].name == "injector_flow"


def test_a_baseline_saved_before_it_carried_its_fuel_reads_as_of_unknown_fuel(lab: Any, tmp_path: Path) -> None:
    path = tmp_path / "baseline.json"
    lab.judged(drive(lab, 1.0, 12.5)).as_baseline().save(path)
    assert Baseline.load(path).ethanol == pytest.approx(12.5)
    data = json.loads(path.read_text())
    del data["ethanol"]
    path.write_text(json.dumps(data))
    assert np.isnan(Baseline.load(path).ethanol)
