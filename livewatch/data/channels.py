"""The channel catalogue: what livewatch knows by name.

A channel is a quantity with one unit under one fixed name; names follow the descriptions of SAE J1979-DA in plain
words. `_1` and `_2` are the banks of the engine. A profile may declare further channels of its own, with a unit; the
ones here are those the alarms, the signature and the screens know how to read. Pressures are absolute unless the name
says gauge. Unit "1" is a plain ratio (lambda, measured over stoichiometric).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["CATALOGUE", "CatalogueEntry"]


@dataclass(frozen=True, slots=True)
class CatalogueEntry:
    """One known channel: `name`, its fixed `unit` (as pint reads it), a one-line `meaning`, and the usual plausible
    range `low..high` in that unit (used to notice mixed-up units, never to reject a value)."""

    name: str
    unit: str
    meaning: str
    low: float
    high: float


_ROWS: tuple[tuple[str, str, float, float, str], ...] = (
    ("engine_speed", "rpm", 0, 12000, "Engine speed"),
    ("vehicle_speed", "km/h", 0, 400, "Vehicle speed"),
    ("gear", "1", -1, 12, "Engaged gear, 0 for neutral"),
    ("engine_load", "%", 0, 110, "Calculated load: air now over the most the engine could draw at this speed"),
    ("absolute_load", "%", 0, 400, "Air mass per intake stroke over that of a full cylinder at standard conditions"),
    ("accelerator_pedal_position", "%", 0, 100, "Accelerator pedal"),
    ("throttle_position", "%", 0, 100, "Throttle valve"),
    ("commanded_throttle_position", "%", 0, 100, "Throttle valve, as commanded"),
    ("manifold_pressure", "kPa", 5, 500, "Intake manifold pressure, absolute"),
    ("boost_pressure", "kPa", 50, 500, "Pressure before the throttle, absolute"),
    ("commanded_boost_pressure", "kPa", 50, 500, "Pressure before the throttle, as commanded, absolute"),
    ("barometric_pressure", "kPa", 50, 110, "Air pressure outside, absolute"),
    ("mass_air_flow", "g/s", 0, 2000, "Air flow, as metered by the air meter"),
    ("intake_air_temperature", "degC", -50, 150, "Air temperature at the air meter"),
    ("charge_air_temperature", "degC", -50, 250, "Air temperature in the manifold"),
    ("ambient_air_temperature", "degC", -50, 60, "Air temperature outside"),
    ("coolant_temperature", "degC", -50, 150, "Engine coolant temperature"),
    ("oil_temperature", "degC", -50, 200, "Engine oil temperature"),
    ("fuel_rail_pressure", "kPa", 50, 50000, "Fuel pressure in the rail, absolute"),
    ("fuel_rail_gauge_pressure", "kPa", 0, 50000, "Fuel pressure in the rail, above the air outside"),
    ("commanded_fuel_rail_pressure", "kPa", 0, 50000, "Fuel pressure in the rail, as commanded, absolute"),
    ("fuel_rate", "L/h", 0, 500, "Fuel used"),
    ("ethanol_content", "%", 0, 100, "Ethanol in the fuel, by volume"),
    ("injector_pulse_width", "ms", 0, 50, "Time an injector is commanded open, each event"),
    ("injector_duty", "%", 0, 120, "Injector open time over the time there is"),
    ("fuel_system_status", "1", 0, 16, "Fuel control as in SAE J1979: 1 open, cold; 2 closed; 4 open, load or overrun; "
     "8 open, fault; 16 closed, fault"),
    ("short_term_fuel_trim_1", "%", -100, 100, "Short term fuel trim, bank 1"),
    ("long_term_fuel_trim_1", "%", -100, 100, "Long term fuel trim, bank 1"),
    ("short_term_fuel_trim_2", "%", -100, 100, "Short term fuel trim, bank 2"),
    ("long_term_fuel_trim_2", "%", -100, 100, "Long term fuel trim, bank 2"),
    ("lambda_1", "1", 0.5, 2, "Measured lambda, bank 1"),
    ("lambda_2", "1", 0.5, 2, "Measured lambda, bank 2"),
    ("commanded_lambda", "1", 0.5, 2, "Commanded lambda"),
    ("oxygen_sensor_voltage_1", "V", 0, 1.3, "Narrow-band oxygen sensor before the catalyst, bank 1"),
    ("oxygen_sensor_voltage_2", "V", 0, 1.3, "Narrow-band oxygen sensor before the catalyst, bank 2"),
    ("ignition_advance", "deg", -64, 64, "Ignition timing advance, cylinder 1, before top dead centre"),
    ("knock_retard", "deg", 0, 20, "Ignition taken back for knock, positive when taken back"),
    ("wastegate_duty", "%", 0, 100, "Duty of the boost control solenoid; more duty, more boost"),
    ("idle_air_correction", "%", -100, 100, "Correction of the idle air controller"),
    ("purge_duty", "%", 0, 100, "Duty of the fuel vapour purge valve"),
    ("turbocharger_speed", "krpm", 0, 350, "Turbocharger shaft speed"),
    ("exhaust_gas_temperature", "degC", -50, 1200, "Exhaust gas temperature"),
    ("battery_voltage", "V", 0, 30, "Control module supply voltage"),
    ("run_time", "s", 0, 1e6, "Time since engine start"),
    ("dyno_speed", "rpm", 0, 12000, "Dynamometer roller or shaft speed"),
    ("torque", "N*m", -2000, 5000, "Torque at the dynamometer"),
    ("power", "kW", -500, 2000, "Power at the dynamometer"),
    ("cell_air_temperature", "degC", -50, 60, "Air temperature in the dynamometer cell"),
    ("cell_air_pressure", "kPa", 50, 110, "Air pressure in the dynamometer cell, absolute"),
    ("cell_relative_humidity", "%", 0, 100, "Relative humidity in the dynamometer cell"),
)  # fmt: skip

CATALOGUE: Mapping[str, CatalogueEntry] = {
    name: CatalogueEntry(name, unit, meaning, low, high) for name, unit, low, high, meaning in _ROWS
}
"""Every known channel by name, in the order people are shown them."""
