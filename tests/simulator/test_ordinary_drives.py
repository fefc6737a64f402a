"""Ports as real cars have them, and drives as people make them: scalings, purge, fuel stops, no full load."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from livewatch.simulator import STEP, PortScaling, Scenario, simulate
from livewatch.simulator.gas import Fuel
from tests.simulator.conftest import SHORT

REAL = PortScaling(pedal=(14.9, 55.3), throttle=(16.1, 83.5), load_at_full=95.0, load_with_boost=False)


def test_a_port_may_number_pedal_throttle_and_load_in_its_own_way(drive):
    plain = drive("matching")
    told = simulate(replace(plain.scenario, scaling=REAL, duration=60.0)).channels
    n = round(60.0 / STEP)
    # Ends seen in open recordings of real cars: a throttle from 16 to 79 .. 90 %, a pedal from 15 to 55 .. 100 %.
    pedal, throttle = told["accelerator_pedal_position"], told["throttle_position"]
    assert (np.quantile(pedal, 0.05), pedal.max()) == (pytest.approx(14.9, abs=0.2), pytest.approx(55.3, abs=0.2))
    assert throttle.min() > 16.0 and throttle.max() == pytest.approx(83.5, abs=0.5)
    assert np.all(told["engine_load"] >= plain.channels["engine_load"][:n] - 1e-9)  # full without boost already
    for name in ("mass_air_flow", "manifold_pressure", "lambda_1", "absolute_load", "vehicle_speed"):
        assert np.array_equal(told[name], plain.channels[name][:n]), name


def test_what_is_filled_in_at_a_stop_reaches_the_engine_and_moves_its_need():
    run = simulate(
        Scenario(route="standing", duration=110.0, seed=31, purge=False, ageing=0.0, refuelled=[(20.0, 50.0)])
    )
    ethanol = run.channels["ethanol_content"]
    assert np.all(ethanol[: round(20.0 / STEP)] == 10.0) and 44.0 < ethanol[-1] < 50.0
    need = run.truth["need_1"]
    moved = np.median(need[round(-5.0 / STEP) :]) / np.median(need[round(10.0 / STEP) : round(20.0 / STEP)])
    # Fuel by mass goes with the stoichiometric ratio, and through an injector with the root of the density.
    before, after = Fuel(10.0), Fuel(float(np.median(ethanol[round(-5.0 / STEP) :])))
    wanted = before.stoichiometric / after.stoichiometric / np.sqrt(after.density / before.density)
    assert moved == pytest.approx(wanted, rel=0.015)


def test_the_purge_valve_may_be_open_for_long():
    run = simulate(Scenario(route=SHORT, duration=55.0, seed=31, purge_seconds=(500.0, 10.0)))
    # Usual cars keep it shut for a minute in every 135 s, and at idle.
    assert np.mean(run.truth["purge"][round(16.0 / STEP) :] > 0.0) > 0.6


def test_nobody_uses_full_load_on_the_way_to_work():
    run = simulate(Scenario(car="linden_16", route="ordinary", duration=110.0, cold_start=True, seed=41))
    assert run.truth["pedal"].max() < 0.9
    assert run.truth["speed"].min() == 0.0 and run.truth["road_speed"].max() > 8.0
    assert run.truth["coolant"][-1] > run.truth["coolant"][0] + 8.0
    assert not run.confirmed
