"""The channel catalogue: what livewatch knows by name.

A channel is a quantity with one unit under one fixed name; names follow the descriptions of SAE J1979-DA in plain
words. `_1` and `_2` are the banks of the engine. A profile may declare further channels of its own, with a unit; the
ones here are those the alarms, the signature and the screens know how to read. Pressures are absolute unless the name
says gauge. Unit "1" is a plain ratio (lambda, measured over stoichiometric).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["CATALOGUE", "CatalogueEntry", "in_words"]


def in_words(name: str) -> str:
    """A name (of a channel, an alarm, a part's place) as people say it."""
    return name.replace("_", " ")


@dataclass(frozen=True, slots=True)
class CatalogueEntry:
    """One known channel.

    Attributes:
        name, unit: fixed; the unit as pint reads it.
        low, high: the usual plausible range in that unit (used to notice mixed-up units, never to reject a value).
        meaning: one line.
        words: what signals that bring it are called in the trade; all words of one of them are in the signal's name.
        parameters: (identifier, signal name) of the SAE J1979 parameters that bring it. Several may (a car answers 24
            or 34); a profile polls one of them. No channel takes the wastegate (72): its position is not a duty.
    """

    name: str
    unit: str
    low: float
    high: float
    meaning: str
    words: tuple[str, ...] = ()
    parameters: tuple[tuple[int, str], ...] = ()


_ENTRIES = (
    CatalogueEntry("engine_speed", "rpm", 0, 12000, "Engine speed",
                   words=("engine speed", "engine rpm", "engine revs", "n engine", "rpm"),
                   parameters=((0x0C, "engine_speed"),)),
    CatalogueEntry("vehicle_speed", "km/h", 0, 400, "Vehicle speed",
                   words=("vehicle speed", "road speed", "veh speed", "speed vehicle"),
                   parameters=((0x0D, "vehicle_speed"),)),
    CatalogueEntry("gear", "1", -1, 12, "Engaged gear, 0 for neutral",
                   words=("gear", "gear engaged")),
    CatalogueEntry("engine_load", "%", 0, 110,
                   "Calculated load: air now over the most the engine could draw at this speed",
                   parameters=((0x04, "calculated_load_value"),)),
    CatalogueEntry("absolute_load", "%", 0, 400,
                   "Air mass per intake stroke over that of a full cylinder at standard conditions",
                   parameters=((0x43, "absolute_load_value"),)),
    CatalogueEntry("accelerator_pedal_position", "%", 0, 100, "Accelerator pedal",
                   words=("accelerator", "pedal", "accel pedal", "app"),
                   parameters=((0x49, "accelerator_pedal_position_d"), (0x5A, "relative_accelerator_pedal_position"))),
    CatalogueEntry("throttle_position", "%", 0, 100, "Throttle valve",
                   words=("throttle", "throttle angle", "tps"),
                   parameters=((0x11, "absolute_throttle_position"),)),
    CatalogueEntry("commanded_throttle_position", "%", 0, 100, "Throttle valve, as commanded",
                   words=("throttle command", "throttle target", "commanded throttle", "throttle desired"),
                   parameters=((0x4C, "commanded_throttle_actuator_control"),)),
    CatalogueEntry("manifold_pressure", "kPa", 5, 500, "Intake manifold pressure, absolute",
                   words=("manifold", "manifold pressure", "map"),
                   parameters=((0x0B, "intake_manifold_absolute_pressure"),)),
    CatalogueEntry("boost_pressure", "kPa", 50, 500, "Pressure before the throttle, absolute",
                   words=("boost", "charge pressure", "boost pressure"),
                   parameters=((0x70, "boost_pressure_sensor_a"),)),
    CatalogueEntry("commanded_boost_pressure", "kPa", 50, 500, "Pressure before the throttle, as commanded, absolute",
                   words=("boost target", "boost command", "commanded boost", "boost desired", "boost setpoint"),
                   parameters=((0x70, "commanded_boost_pressure_a"),)),
    CatalogueEntry("barometric_pressure", "kPa", 50, 110, "Air pressure outside, absolute",
                   words=("baro", "barometric", "ambient pressure", "atmospheric pressure"),
                   parameters=((0x33, "barometric_pressure"),)),
    CatalogueEntry("mass_air_flow", "g/s", 0, 2000, "Air flow, as metered by the air meter",
                   words=("air flow", "mass air", "airflow", "maf"),
                   parameters=((0x10, "air_flow_rate_from_mass_air_flow_sensor"),
                               (0x66, "air_flow_rate_from_mass_air_flow_sensor_a"))),
    CatalogueEntry("intake_air_temperature", "degC", -50, 150, "Air temperature at the air meter",
                   words=("intake air", "intake temp", "iat", "inlet temp"),
                   parameters=((0x0F, "intake_air_temperature"),)),
    CatalogueEntry("charge_air_temperature", "degC", -50, 250, "Air temperature in the manifold",
                   words=("charge air", "charge temp", "manifold temp"),
                   parameters=((0x77, "charge_air_cooler_temperature_bank_1_sensor_1"),)),
    CatalogueEntry("ambient_air_temperature", "degC", -50, 60, "Air temperature outside",
                   words=("ambient temp", "ambient air", "outside temp"),
                   parameters=((0x46, "ambient_air_temperature"),)),
    CatalogueEntry("coolant_temperature", "degC", -50, 150, "Engine coolant temperature",
                   words=("coolant", "engine temp", "water temp", "ect"),
                   parameters=((0x05, "engine_coolant_temperature"), (0x67, "engine_coolant_temperature_1"))),
    CatalogueEntry("oil_temperature", "degC", -50, 200, "Engine oil temperature",
                   words=("oil temp", "oil temperature"),
                   parameters=((0x5C, "engine_oil_temperature"),)),
    CatalogueEntry("fuel_rail_pressure", "kPa", 50, 50000, "Fuel pressure in the rail, absolute",
                   words=("rail pressure", "fuel pressure"),
                   parameters=((0x59, "fuel_rail_absolute_pressure"),)),
    CatalogueEntry("fuel_rail_gauge_pressure", "kPa", 0, 50000, "Fuel pressure in the rail, above the air outside",
                   parameters=((0x0A, "gauge_fuel_pressure"), (0x23, "fuel_rail_gauge_pressure"))),
    CatalogueEntry("commanded_fuel_rail_pressure", "kPa", 0, 50000,
                   "Fuel pressure in the rail, as commanded, absolute",
                   words=("rail pressure target", "commanded rail", "rail setpoint", "rail desired")),
    CatalogueEntry("fuel_rate", "L/h", 0, 500, "Fuel used",
                   words=("fuel rate", "fuel flow", "fuel consumption"),
                   parameters=((0x5E, "engine_fuel_rate"),)),
    CatalogueEntry("ethanol_content", "%", 0, 100, "Ethanol in the fuel, by volume",
                   words=("ethanol", "alcohol"),
                   parameters=((0x52, "alcohol_fuel_percentage"),)),
    CatalogueEntry("injector_pulse_width", "ms", 0, 50, "Time an injector is commanded open, each event",
                   words=("injector", "pulse width", "injection time")),
    CatalogueEntry("injector_duty", "%", 0, 120, "Injector open time over the time there is"),
    CatalogueEntry("fuel_system_status", "1", 0, 16,
                   "Fuel control as in SAE J1979: 1 open, cold; 2 closed; 4 open, load or overrun; "
                   "8 open, fault; 16 closed, fault",
                   parameters=((0x03, "fuel_system_1_status"),)),
    CatalogueEntry("short_term_fuel_trim_1", "%", -100, 100, "Short term fuel trim, bank 1",
                   words=("short term", "short trim", "stft", "lambda correction"),
                   parameters=((0x06, "short_term_fuel_trim_bank_1"),)),
    CatalogueEntry("long_term_fuel_trim_1", "%", -100, 100, "Long term fuel trim, bank 1",
                   words=("long term", "long trim", "ltft"),
                   parameters=((0x07, "long_term_fuel_trim_bank_1"),)),
    CatalogueEntry("short_term_fuel_trim_2", "%", -100, 100, "Short term fuel trim, bank 2",
                   parameters=((0x08, "short_term_fuel_trim_bank_2"),)),
    CatalogueEntry("long_term_fuel_trim_2", "%", -100, 100, "Long term fuel trim, bank 2",
                   parameters=((0x09, "long_term_fuel_trim_bank_2"),)),
    CatalogueEntry("lambda_1", "1", 0.5, 2, "Measured lambda, bank 1",
                   words=("lambda", "lambda measured", "lambda bank 1", "lambda 1"),
                   parameters=((0x24, "lambda_bank_1_sensor_1"), (0x34, "lambda_bank_1_sensor_1"))),
    CatalogueEntry("lambda_2", "1", 0.5, 2, "Measured lambda, bank 2",
                   parameters=((0x28, "lambda_bank_2_sensor_1"), (0x38, "lambda_bank_2_sensor_1"))),
    CatalogueEntry("commanded_lambda", "1", 0.5, 2, "Commanded lambda",
                   words=("lambda command", "lambda target", "lambda desired", "lambda setpoint", "commanded lambda"),
                   parameters=((0x44, "commanded_equivalence_ratio"),)),
    CatalogueEntry("oxygen_sensor_voltage_1", "V", 0, 1.3, "Narrow-band oxygen sensor before the catalyst, bank 1",
                   parameters=((0x14, "oxygen_sensor_voltage_bank_1_sensor_1"),)),
    CatalogueEntry("oxygen_sensor_voltage_2", "V", 0, 1.3, "Narrow-band oxygen sensor before the catalyst, bank 2",
                   parameters=((0x18, "oxygen_sensor_voltage_bank_2_sensor_1"),)),
    CatalogueEntry("ignition_advance", "deg", -64, 64, "Ignition timing advance, cylinder 1, before top dead centre",
                   words=("ignition", "spark", "advance", "timing"),
                   parameters=((0x0E, "ignition_timing_advance_cylinder_1"),)),
    CatalogueEntry("knock_retard", "deg", 0, 20, "Ignition taken back for knock, positive when taken back",
                   words=("knock", "retard")),
    CatalogueEntry("wastegate_duty", "%", 0, 100, "Duty of the boost control solenoid; more duty, more boost",
                   words=("wastegate", "boost duty", "boost solenoid")),
    CatalogueEntry("idle_air_correction", "%", -100, 100, "Correction of the idle air controller",
                   words=("idle air", "idle correction")),
    CatalogueEntry("purge_duty", "%", 0, 100, "Duty of the fuel vapour purge valve",
                   words=("purge",),
                   parameters=((0x2E, "commanded_evaporative_purge"),)),
    CatalogueEntry("turbocharger_speed", "krpm", 0, 350, "Turbocharger shaft speed",
                   words=("turbo speed", "turbocharger speed")),
    CatalogueEntry("exhaust_gas_temperature", "degC", -50, 1200, "Exhaust gas temperature",
                   words=("exhaust", "egt", "exhaust temp"),
                   parameters=((0x78, "exhaust_gas_temperature_bank_1_sensor_1"),)),
    CatalogueEntry("battery_voltage", "V", 0, 30, "Control module supply voltage",
                   words=("battery", "supply voltage", "voltage"),
                   parameters=((0x42, "control_module_voltage"),)),
    CatalogueEntry("run_time", "s", 0, 1e6, "Time since engine start",
                   parameters=((0x1F, "time_since_engine_start"),)),
    CatalogueEntry("dyno_speed", "rpm", 0, 12000, "Dynamometer roller or shaft speed",
                   words=("dyno speed", "roller speed", "dyno")),
    CatalogueEntry("torque", "N*m", -2000, 5000, "Torque at the dynamometer",
                   words=("torque",)),
    CatalogueEntry("power", "kW", -500, 2000, "Power at the dynamometer",
                   words=("power",)),
    CatalogueEntry("cell_air_temperature", "degC", -50, 60, "Air temperature in the dynamometer cell"),
    CatalogueEntry("cell_air_pressure", "kPa", 50, 110, "Air pressure in the dynamometer cell, absolute"),
    CatalogueEntry("cell_relative_humidity", "%", 0, 100, "Relative humidity in the dynamometer cell"),
)  # fmt: skip

CATALOGUE: Mapping[str, CatalogueEntry] = {entry.name: entry for entry in _ENTRIES}
"""Every known channel by name, in the order people are shown them."""
