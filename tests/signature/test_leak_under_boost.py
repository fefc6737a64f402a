"""A leak between compressor and throttle: sized by what leaves under boost, where the sensors can tell it.

Flow out of a hole is `lab.lost_through`: Heywood 1988, appendix C.
"""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from livewatch.diagnosis.page import page

Columns = dict[str, NDArray[np.float64]]

NATURALLY_ASPIRATED = (
    "engine: {displacement: 2.0 L, cylinders: 4, induction: naturally_aspirated, air_metering: mass_air_flow, "
    "fuel: gasoline E10, volumetric_efficiency: 0.846 .. 0.954}"
)
SPEED_DENSITY = "engine: {displacement: 2.0 L, cylinders: 4, induction: turbocharged, air_metering: speed_density}"


def leaking(lab: Any, diameter: float, least: float = 101.3, need: float = 1.0) -> Any:
    """The meter sees what leaves behind it. Before the throttle stand 2 kPa more than behind it, and at `least` that
    many kPa, which a compressor that turns along makes at light load."""
    return lab.Fault(
        metered=lambda point: 1.0 + lab.lost_through(diameter, max(point.pressure + 2.0, least)) / point.air,
        delivered=lambda point, pulse: 1.0 / need,
    )


def before_throttle(arrays: Columns, least: float, scatter: float = 0.0) -> Columns:
    rng = np.random.default_rng(3)
    there = np.maximum(arrays["manifold_pressure"] + 2.0, least)
    return {**arrays, "boost_pressure": there + scatter * rng.standard_normal(len(there))}


def hole_of(cause: Any) -> Any:
    return next(one for one in cause.estimates if one.unit == "mm")


def test_what_leaves_at_8_mm_is_a_seventh_of_the_air_at_middle_speed_and_full_boost(lab: Any) -> None:
    # At 3000 rpm and 140 kPa the engine takes 69.3 g/s and 9.2 g/s leave: 9.2 / 78.5 = 11.7 % of what is metered.
    shares = [
        lab.lost_through(8.0, p.pressure + 2.0) / (p.air + lab.lost_through(8.0, p.pressure + 2.0))
        for p in lab.TOUR[5:]
    ]
    cause = lab.judged(lab.Bench().tour(leaking(lab, 8.0)).arrays()).finding().causes[0]
    share, hole = cause.estimates
    assert cause.name == "pressure_leak"
    assert (share.quantity, share.unit) == ("of the metered air lost at full boost", "%")
    assert share.value == pytest.approx(100.0 * max(shares), abs=1.0)
    assert share.low < 100.0 * max(shares) < share.high
    assert hole.low < 8.0 < hole.high


def test_a_hole_that_leaves_hardly_any_boost_is_no_air_meter_of_another_bore(lab: Any) -> None:
    # Its share is the same wherever there is boost; that it takes nothing below is all that tells it from a meter.
    tour = [*lab.TOUR[:5], *(replace(lab.TOUR[5], speed=s, pressure=p) for s, p in ((2300.0, 104.0), (2700.0, 107.0)))]
    arrays = lab.Bench().tour(leaking(lab, 18.0), points=tour).arrays()
    arrays["boost_pressure"] = arrays["boost_pressure"] + 0.2
    causes = lab.judged(arrays).finding().causes
    assert [cause.name for cause in causes if cause.established] == ["pressure_leak"]


@pytest.mark.parametrize("offset", [0.0, 1.0, 1.5, 2.0, 3.0, 4.0])
def test_a_sensor_that_reads_a_little_high_does_not_make_the_hole_smaller(lab: Any, offset: float) -> None:
    # A sensor of 300 kPa is sound within 1.5 %, 4.5 kPa (common practice). It says then that something should leave at
    # idle, and nothing does: believed there, the hole would be smaller, or no hole at all.
    arrays = lab.Bench().tour(leaking(lab, 8.0)).arrays()
    arrays["boost_pressure"] = arrays["boost_pressure"] + offset
    cause = lab.judged(arrays).finding().causes[0]
    assert cause.name == "pressure_leak"
    assert hole_of(cause).value == pytest.approx(8.0, rel=0.05)
    assert hole_of(cause).low < 8.0 < hole_of(cause).high


@pytest.mark.parametrize("low", [1.0, 1.5])
def test_a_sensor_that_reads_a_little_low_does_not_make_the_hole_larger(lab: Any, low: float) -> None:
    # The compressor makes 2 kPa at light load, of which the sensor shows 0.5: flow goes with the root of the
    # difference, so that twice the area, 1.41 times the diameter, would be needed for what leaves there. Of
    # differences as small as its error the sensor cannot tell, under boost it can.
    arrays = before_throttle(lab.Bench().tour(leaking(lab, 8.0, 103.3)).arrays(), 103.3)
    arrays["boost_pressure"] = arrays["boost_pressure"] - low
    cause = lab.judged(arrays).finding().causes[0]
    assert cause.name == "pressure_leak"
    assert hole_of(cause).value == pytest.approx(8.0, rel=0.05)
    assert hole_of(cause).low < 8.0 < hole_of(cause).high


def test_a_blend_that_is_not_corrected_for_does_not_change_the_hole(lab: Any) -> None:
    # E85 in a car calibrated for E10: 14.010 / 9.800 = 1.4296 everywhere (stoichiometric ratios by mass of Heywood's,
    # 1988, table D.4), besides the leak.
    arrays = lab.Bench().tour(leaking(lab, 8.0, need=1.4296)).arrays()
    arrays["ethanol_content"][:] = 85.0
    cause = lab.judged(arrays).finding().causes[0]
    assert cause.name == "pressure_leak"
    assert hole_of(cause).value == pytest.approx(8.0, rel=0.06)


def test_a_hose_that_came_off_after_the_last_boost_is_sized_by_what_came_after(lab: Any) -> None:
    # The compressor makes 104 kPa at light load. From 240 s on 3.5 mm let out 0.79 g/s there; nothing before.
    bench = lab.Bench().tour(lab.Fault(), rounds=4)
    for _ in range(4):
        bench.hold(lab.IDLE, lab.Fault())
    assert len(bench.columns["engine_speed"]) == 2400
    arrays = before_throttle(bench.tour(leaking(lab, 3.5, 104.0), rounds=5, points=lab.TOUR[:5]).arrays(), 104.0)
    cause = lab.judged(arrays).finding().causes[0]
    assert cause.name == "pressure_leak"
    assert hole_of(cause).value == pytest.approx(3.5, rel=0.05)
    assert hole_of(cause).low < 3.5 < hole_of(cause).high


def test_what_is_lost_at_full_boost_is_not_said_of_a_drive_without_boost(lab: Any) -> None:
    arrays = lab.Bench().tour(leaking(lab, 3.5, 104.0), rounds=6, points=lab.TOUR[:5]).arrays()
    cause = lab.judged(before_throttle(arrays, 104.0, 0.3)).finding().causes[0]
    assert cause.name == "pressure_leak"
    assert [estimate.unit for estimate in cause.estimates] == ["mm"]
    assert hole_of(cause).low < 3.5 < hole_of(cause).high
    assert "full boost" not in cause.size


@pytest.mark.parametrize(
    ("without", "engine", "considered"),
    [
        pytest.param((), "", True, id="turbocharger, meter, both pressures"),
        pytest.param(("boost_pressure",), "", True, id="pressure behind the throttle only"),
        pytest.param(("boost_pressure", "manifold_pressure"), "", False, id="no pressure"),
        pytest.param(("mass_air_flow",), "", False, id="no meter"),
        pytest.param((), SPEED_DENSITY, False, id="computer goes by pressure"),
        pytest.param((), NATURALLY_ASPIRATED, False, id="no turbocharger"),
    ],
)
def test_a_leak_of_the_charge_pipes_is_considered_only_where_sensors_can_tell(
    lab: Any, without: tuple[str, ...], engine: str, considered: bool
) -> None:
    arrays = lab.Bench().tour(leaking(lab, 8.0)).arrays()
    said = lab.judged(arrays, lab.profile(without, engine)).finding()
    assert said.settled > 30.0
    assert ("pressure_leak" in [cause.name for cause in said.causes]) is considered
    assert ("between compressor and throttle" in page(said)) is considered


def test_without_a_meter_a_leak_shows_as_boost_that_falls_short_and_has_no_size(lab: Any) -> None:
    # The command of 210 kPa is never reached, at the solenoid's ceiling, in three pulls.
    bench = lab.Bench()
    for _ in range(3):
        bench.tour(lab.Fault(), rounds=1)
        for step in range(40):
            bench.hold(lab.Point(2000.0 + 90.0 * step, 165.0, 100.0, 0.85, 0.2), lab.Fault(), closed=False)
        bench.hold(lab.IDLE, lab.Fault())
    arrays = bench.arrays()
    full = arrays["accelerator_pedal_position"] > 95.0
    arrays["commanded_boost_pressure"] = np.where(full, 210.0, arrays["boost_pressure"])
    arrays["wastegate_duty"] = np.where(full, 95.0, 20.0)
    profile = lab.profile(("mass_air_flow",), SPEED_DENSITY, {"commanded_boost_pressure": "kPa", "wastegate_duty": "%"})
    said = lab.judged(arrays, profile).finding()
    leak = next(cause for cause in said.causes if cause.name == "pressure_leak")
    assert said.causes[0].name in ("underboost", "pressure_leak")
    assert leak.probability > 0.1
    assert leak.estimates == ()
    assert leak.largest_need is None
    json.dumps(said.to_json(), allow_nan=False)


@pytest.mark.parametrize(("boost", "word"), [(210.0, "fits"), (165.0, "misfit")])
def test_boost_does_not_fit_where_a_leak_leaves_it_short_of_its_command(lab: Any, boost: float, word: str) -> None:
    # The solenoid is at its ceiling in three pulls. Of air that leaves behind the meter, as much as of 12 mm.
    bench, fault = lab.Bench(), leaking(lab, 12.0)
    for _ in range(3):
        bench.tour(fault, rounds=2, points=lab.TOUR[:5])
        for step in range(40):
            bench.hold(lab.Point(2000.0 + 90.0 * step, boost, 100.0, 0.85, 0.2), fault, closed=False)
        bench.hold(lab.IDLE, fault)
    arrays = bench.arrays()
    full = arrays["manifold_pressure"] > 160.0
    arrays["commanded_boost_pressure"] = np.where(full, 210.0, arrays["boost_pressure"])
    arrays["wastegate_duty"] = np.where(full, 95.0, 20.0)
    said = lab.judged(arrays, lab.profile(extra={"commanded_boost_pressure": "kPa", "wastegate_duty": "%"})).finding()
    short = [cause.name for cause in said.causes if cause.established] == ["pressure_leak", "underboost"]
    assert said.causes[0].name == "pressure_leak"
    assert [one.word for one in said.verdict.systems if one.system == "boost"] == [word]
    assert short is (word == "misfit")
    assert ("perhaps by that alone" in said.sentence) is short


def weight_of_a_leak(lab: Any, diameter: float, command: float) -> float:
    """What is thought of a leak under boost where 165 kPa are reached of `command`, as the logarithm of its odds."""
    bench, fault = lab.Bench(), leaking(lab, diameter)
    for _ in range(3):
        bench.tour(fault, rounds=2, points=lab.TOUR[:5])
        for step in range(40):
            bench.hold(lab.Point(2000.0 + 90.0 * step, 165.0, 100.0, 0.85, 0.2), fault, closed=False)
        bench.hold(lab.IDLE, fault)
    arrays = bench.arrays()
    full = arrays["manifold_pressure"] > 160.0
    arrays["commanded_boost_pressure"] = np.where(full, command, arrays["boost_pressure"])
    arrays["wastegate_duty"] = np.where(full, 95.0, 20.0)
    said = lab.judged(arrays, lab.profile(extra={"commanded_boost_pressure": "kPa", "wastegate_duty": "%"})).finding()
    leak = next(cause for cause in said.causes if cause.name == "pressure_leak")
    return float(np.log(leak.probability / (1.0 - leak.probability)))


@pytest.mark.parametrize(("diameter", "counts"), [(2.5, False), (5.0, True)])
def test_boost_that_falls_short_speaks_for_a_leak_only_where_it_takes_air_enough(
    lab: Any, diameter: float, counts: bool
) -> None:
    # At 165 kPa a hole of 8 mm takes 10.9 g/s, so 2.5 mm take 1.1 g/s, a hundredth of what the engine takes in at
    # 4000 rpm, which no turbocharger notices; 5 mm take 4.3 g/s, more than 3 % of it.
    more = weight_of_a_leak(lab, diameter, 210.0) - weight_of_a_leak(lab, diameter, 165.0)
    assert (more > 1.0) is counts
    assert counts or more < 0.1
