"""From true columns to channels: units, converter steps and noise of everything that is only reported.

In: the columns of a drive (SI) and the car. Out: columns by catalogue name, in the catalogue's units, with NaN where
the car has no such value at that moment. Channels a car has no sensor for are left out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from livewatch.simulator.air_model import STANDARD_DENSITY
from livewatch.simulator.fuel_path import REFERENCE_FUEL
from livewatch.simulator.gas import ICE_POINT, SEA_LEVEL
from livewatch.simulator.running_car import RunningCar

__all__ = ["report_channels"]

Column = NDArray[np.float64]
Unsteady = Callable[[float], Column]
"""Normal noise of that standard deviation, a number for each step."""
EXHAUST_PROBE_LAG, CELL_PROBE_LAG = 2.5, 0.15
"""s, first-order lags of a thermocouple in the exhaust and of a lambda probe in the tailpipe: common practice."""
TAILPIPE_KG = 0.020 * 0.5
"""Gas in the exhaust before the probe: 20 L at 0.5 kg/m³; common practice, no source."""


def report_channels(truth: Mapping[str, Column], car: RunningCar) -> dict[str, Column]:
    """Every channel this car can report; float64 (n,) each, in catalogue units. A dynamometer adds two that are not
    in the catalogue: `cell_lambda` and `cell_state` (1 ready, 2 pulling, 3 coasting)."""
    rng = np.random.default_rng([car.seed, 77])

    def unsteady(sigma: float) -> Column:
        return rng.normal(0.0, sigma, len(truth["speed"]))

    channels = _driven(truth, car, unsteady) | _sensed(truth, car) | _controlled(truth, car)
    if car.calibration.boost is not None:
        channels |= {
            "boost_pressure": truth["sensed_boost"] / 1e3,
            "commanded_boost_pressure": truth["commanded_boost"] / 1e3,
            "wastegate_duty": truth["duty"] * 100.0,
            "turbocharger_speed": truth["shaft_speed"] * 30.0 / np.pi / 1e3,
        }
    if car.dyno is not None:
        channels |= _of_the_cell(truth, car, unsteady)
    return channels


def _driven(truth: Mapping[str, Column], car: RunningCar, unsteady: Unsteady) -> dict[str, Column]:
    """Speeds, loads, pedal and throttle."""
    cal = car.calibration
    speed = truth["sensed_speed"]
    full = cal.displacement * np.maximum(speed, 1.0) / 120.0 * STANDARD_DENSITY
    # SAE J1979 calculated load: air now over the most at this speed, here by the manifold against the air outside.
    boost = max(cal.boost.y) if cal.boost is not None and car.scaling.load_with_boost else 0.0
    most, at_full = car.outside + boost, car.scaling.load_at_full
    return {
        "engine_speed": speed,
        "vehicle_speed": np.round((truth["road_speed"] * 3.6 * 1.01 + unsteady(0.05)) * 16.0).clip(0.0) / 16.0,
        "gear": truth["gear"],
        "engine_load": np.where(speed > 0.0, np.clip(truth["load"] * SEA_LEVEL / most * at_full, 0.0, 100.0), 0.0),
        "absolute_load": np.where(speed > 0.0, truth["computed_air"] / full * 100.0, 0.0),
        "accelerator_pedal_position": car.scaling.of_pedal(truth["pedal"], unsteady(0.08)),
        "throttle_position": car.scaling.of_throttle(truth["opening"], unsteady(0.06)),
        "commanded_throttle_position": truth["opening_wanted"] * 100.0,
    }


def _sensed(truth: Mapping[str, Column], car: RunningCar) -> dict[str, Column]:
    """Pressures and temperatures."""
    n = len(truth["speed"])
    rail = (car.outside + car.calibration.rail_gauge) / 1e3
    return {
        "manifold_pressure": truth["sensed_manifold"] / 1e3,
        "barometric_pressure": np.full(n, np.round(car.outside / 1e3 * 4.0) / 4.0),
        "intake_air_temperature": truth["sensed_inlet"] - ICE_POINT,
        "charge_air_temperature": truth["sensed_charge"] - ICE_POINT,
        "ambient_air_temperature": np.full(n, car.ambient - ICE_POINT),
        "coolant_temperature": truth["coolant"] - ICE_POINT,
        "oil_temperature": truth["oil"] - ICE_POINT,
        "fuel_rail_pressure": truth["sensed_rail"] / 1e3,
        "fuel_rail_gauge_pressure": (truth["sensed_rail"] - car.outside) / 1e3,
        "commanded_fuel_rail_pressure": np.full(n, rail),
    }


def _controlled(truth: Mapping[str, Column], car: RunningCar) -> dict[str, Column]:
    """What the engine computer makes of it: fuel, ignition, idle, purge, trims and the sensors it closes its loops
    with."""
    cal, speed = car.calibration, truth["sensed_speed"]
    events = np.maximum(speed, 1.0) / 120.0
    channels = {
        "fuel_rate": truth["fuel_rate"] * 3600.0 / REFERENCE_FUEL.density,
        "injector_pulse_width": truth["pulse_1"] * 1e3,
        "injector_duty": np.where(speed > 0.0, truth["pulse_1"] * events * 100.0, 0.0),
        "fuel_system_status": truth["status"],
        "commanded_lambda": truth["commanded_lambda"],
        "ignition_advance": truth["ignition"],
        "knock_retard": truth["retard"],
        "idle_air_correction": truth["idle_correction"] * 100.0,
        "purge_duty": truth["purge"] * 100.0,
        "exhaust_gas_temperature": _lagged(truth["exhaust_temperature"] - ICE_POINT, EXHAUST_PROBE_LAG),
        "battery_voltage": truth["voltage"],
        "run_time": truth["running_for"] - (60.0 if car.started_warm else 0.0),
        "ethanol_content": truth["ethanol"],
    }
    if cal.meter_area is not None:
        channels["mass_air_flow"] = truth["sensed_air"] * 1e3
    for bank in range(1, cal.banks + 1):
        channels[f"short_term_fuel_trim_{bank}"] = truth[f"short_{bank}"] * 100.0
        channels[f"long_term_fuel_trim_{bank}"] = truth[f"long_{bank}"] * 100.0
        if cal.targets.narrow_band:
            channels[f"oxygen_sensor_voltage_{bank}"] = truth[f"narrow_{bank}"]
        else:
            channels[f"lambda_{bank}"] = truth[f"lambda_{bank}"]
    return channels


def _of_the_cell(truth: Mapping[str, Column], car: RunningCar, unsteady: Unsteady) -> dict[str, Column]:
    """What the dynamometer and its cell measure."""
    n = len(truth["speed"])
    torque = truth["dyno_torque"] + unsteady(0.8)
    return {
        "dyno_speed": truth["speed"] + unsteady(0.5),
        "torque": torque,
        "power": torque * truth["speed"] * np.pi / 30.0 / 1e3,
        "cell_air_temperature": truth["inlet_temperature"] - ICE_POINT - 2.0 + unsteady(0.03),
        "cell_air_pressure": np.full(n, car.outside / 1e3) + unsteady(0.005),
        "cell_state": np.where(truth["pulling"] > 0.0, 2.0, np.where(truth["pedal"] > 0.0, 1.0, 3.0)),
        "cell_lambda": np.minimum(1.99, 1.0 / np.maximum(_in_tailpipe(truth), 0.4)) + unsteady(0.002),
        "cell_relative_humidity": np.full(n, car.humidity_percent) + unsteady(0.1),
    }


def _in_tailpipe(truth: Mapping[str, Column]) -> Column:
    """Equivalence ratio at a probe in the tailpipe: plug flow through the exhaust, then the probe's own lag."""
    filled = np.cumsum(np.maximum(truth["exhaust_flow"], 1e-4)) * 0.01 / TAILPIPE_KG
    passing = np.interp(filled - 1.0, filled, truth["felt_1"])
    return _lagged(passing, CELL_PROBE_LAG)


def _lagged(column: Column, seconds: float) -> Column:
    """First-order lag on the 100 Hz grid, by blocks: a slow sensor."""
    gain = 0.01 / (seconds + 0.01)
    result = np.empty_like(column)
    state = float(column[0]) if len(column) else 0.0
    keep = 1.0 - gain
    block = 256
    powers = keep ** np.arange(1, block + 1)
    for start in range(0, len(column), block):
        part = column[start : start + block]
        scaled = np.cumsum(gain * part / powers[: len(part)])
        result[start : start + len(part)] = powers[: len(part)] * (state + scaled)
        state = float(result[start + len(part) - 1])
    return result
