"""SAE J1979 (ISO 15031-5) service 01: what each parameter's answer holds.

`J1979` maps the parameter identifier to a `Parameter` with its data length in bytes and its signals, each with unit;
`J1979_CHANNELS` maps (parameter identifier, signal name) to the catalogue's channel of that meaning. Signals follow
the descriptions of J1979-DA in plain words. A, B, C, ... below are the data bytes after the identifier.

Parameters that carry a support byte first (66, 67, 70, 72, 77, 78, 79) have each further signal selected by its own
support bit, so that a value the engine computer does not have is never decoded as a number. Bitmaps of supported
parameters and monitors have no signals: they are here so that the parameters behind them in one answer are found.

An engine computer may stretch the range of some parameters and says so in 4F and 50: see `j1979_ranges`.

Sources: the scalings of 04..11, 23..2B, 33..3B, 42..44, 46, 52, 5C agree with a public table; all others are from
memory of SAE J1979-DA and ISO 15031-5. 54 (evaporative system vapour pressure) is a length only: published tables
disagree on its sign. Sensor positions are those of an engine that reports 13 (two banks of up to four sensors), not 1D.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from livewatch.data.channels import CATALOGUE
from livewatch.profile.model import Parameter, Signal

__all__ = ["J1979", "J1979_CHANNELS"]

PERCENT = 100 / 255
TRIM = 100 / 128
LAMBDA = 2 / 65536
KILOPASCAL = 1 / 32

FUEL_CONTROL = {
    1: "open loop, not yet warm",
    2: "closed loop",
    4: "open loop, load or overrun",
    8: "open loop, fault",
    16: "closed loop, fault in one sensor",
}
SECONDARY_AIR = {
    1: "upstream of the catalyst",
    2: "downstream of the catalyst",
    4: "outside air or off",
    8: "pump on for diagnostics",
}
FUEL_TYPE = {
    0: "not available",
    1: "gasoline",
    2: "methanol",
    3: "ethanol",
    4: "diesel",
    5: "liquefied petroleum gas",
    6: "compressed natural gas",
    7: "propane",
    8: "battery, electric",
    9: "gasoline, bifuel",
    10: "methanol, bifuel",
    11: "ethanol, bifuel",
    12: "liquefied petroleum gas, bifuel",
    13: "compressed natural gas, bifuel",
    14: "propane, bifuel",
    15: "battery, bifuel",
}


def _byte(
    name: str, at: int, scale: float, offset: float, unit: str, support: str | None = None, length: int = 1
) -> Signal:
    """An unsigned number over `length` whole bytes from byte `at`, most significant byte first; present where the bit
    named `support` is set, when one is given."""
    return Signal(
        name,
        8 * at + 7,
        8 * length,
        "big_endian",
        scale=scale,
        offset=offset,
        unit=unit,
        multiplexer=support,
        multiplexer_values=((1, 1),) if support else (),
    )


def _word(name: str, at: int, scale: float, offset: float, unit: str, support: str | None = None) -> Signal:
    return _byte(name, at, scale, offset, unit, support, length=2)


def _state(name: str, at: int, words: Mapping[int, str]) -> Signal:
    return Signal(name, 8 * at + 7, 8, "big_endian", unit="1", value_table=words)


def _bit(name: str, bit: int) -> Signal:
    """Bit `bit` of byte A that says whether another signal is supported."""
    return Signal(name, bit, 1, unit="1", is_multiplexer=True)


def _supported(*signals: tuple[str, int, int, float, float, str]) -> tuple[Signal, ...]:
    """Signals of a parameter whose byte A holds one support bit each, in order from bit 0.

    Each is (name, first byte, bytes, scale, offset, unit).
    """
    result: list[Signal] = []
    for bit, (name, at, length, scale, offset, unit) in enumerate(signals):
        support = f"{name}_supported"
        result += [_bit(support, bit), _byte(name, at, scale, offset, unit, support, length)]
    return tuple(result)


def _one(name: str, scale: float, offset: float, unit: str) -> tuple[str, int, tuple[Signal, ...]]:
    return name, 1, (_byte(name, 0, scale, offset, unit),)


def _two(name: str, scale: float, offset: float, unit: str) -> tuple[str, int, tuple[Signal, ...]]:
    return name, 2, (_word(name, 0, scale, offset, unit),)


def _length(name: str, length: int) -> tuple[str, int, tuple[Signal, ...]]:
    return name, length, ()


def _narrow_band(bank: int, sensor: int) -> tuple[str, int, tuple[Signal, ...]]:
    """Conventional oxygen sensor: A/200 V, and the short term trim it drives (FF for a sensor that drives none)."""
    where = f"bank_{bank}_sensor_{sensor}"
    trim = Signal(
        f"short_term_fuel_trim_{where}", 15, 8, "big_endian", scale=TRIM, offset=-100.0, unit="%", invalid=(0xFF,)
    )
    name = f"oxygen_sensor_voltage_{where}"
    return name, 2, (_byte(name, 0, 0.005, 0.0, "V"), trim)


def _wide_band_voltage(bank: int, sensor: int) -> tuple[str, int, tuple[Signal, ...]]:
    where = f"bank_{bank}_sensor_{sensor}"
    name = f"lambda_{where}"
    return name, 4, (_word(name, 0, LAMBDA, 0.0, "1"), _word(f"oxygen_sensor_voltage_{where}", 2, 8 / 65536, 0.0, "V"))


def _wide_band_current(bank: int, sensor: int) -> tuple[str, int, tuple[Signal, ...]]:
    where = f"bank_{bank}_sensor_{sensor}"
    name = f"lambda_{where}"
    current = _word(f"oxygen_sensor_current_{where}", 2, 1 / 256, -128.0, "mA")
    return name, 4, (_word(name, 0, LAMBDA, 0.0, "1"), current)


def _secondary_trim(term: str, first: int, second: int) -> tuple[str, int, tuple[Signal, ...]]:
    stem = f"{term}_term_secondary_oxygen_sensor_fuel_trim"
    signals = tuple(_byte(f"{stem}_bank_{bank}", at, TRIM, -100.0, "%") for at, bank in enumerate((first, second)))
    return f"{stem}_bank_{first}_and_{second}", 2, signals


def _exhaust_temperature(bank: int) -> tuple[str, int, tuple[Signal, ...]]:
    name = f"exhaust_gas_temperature_bank_{bank}"
    sensors = [(f"{name}_sensor_{i + 1}", 1 + 2 * i, 2, 0.1, -40.0, "degC") for i in range(4)]
    return name, 9, _supported(*sensors)


_SENSORS = [(bank, sensor) for bank in (1, 2) for sensor in (1, 2, 3, 4)]
_PERCENT_TORQUE = "_engine_percent_torque"

_ROWS: dict[int, tuple[str, int, tuple[Signal, ...]]] = {
    **{pid: _length(f"parameters_supported_{pid + 1:02x}_to_{pid + 0x20:02x}", 4) for pid in range(0, 0x100, 0x20)},
    0x01: _length("monitor_status_since_codes_cleared", 4),
    0x02: _length("code_that_caused_the_freeze_frame", 2),
    0x03: (
        "fuel_system_status",
        2,
        (_state("fuel_system_1_status", 0, FUEL_CONTROL), _state("fuel_system_2_status", 1, FUEL_CONTROL)),
    ),
    0x04: _one("calculated_load_value", PERCENT, 0.0, "%"),
    0x05: _one("engine_coolant_temperature", 1.0, -40.0, "degC"),
    0x06: _one("short_term_fuel_trim_bank_1", TRIM, -100.0, "%"),
    0x07: _one("long_term_fuel_trim_bank_1", TRIM, -100.0, "%"),
    0x08: _one("short_term_fuel_trim_bank_2", TRIM, -100.0, "%"),
    0x09: _one("long_term_fuel_trim_bank_2", TRIM, -100.0, "%"),
    0x0A: _one("gauge_fuel_pressure", 3.0, 0.0, "kPa"),
    0x0B: _one("intake_manifold_absolute_pressure", 1.0, 0.0, "kPa"),
    0x0C: _two("engine_speed", 0.25, 0.0, "rpm"),
    0x0D: _one("vehicle_speed", 1.0, 0.0, "km/h"),
    0x0E: _one("ignition_timing_advance_cylinder_1", 0.5, -64.0, "deg"),
    0x0F: _one("intake_air_temperature", 1.0, -40.0, "degC"),
    0x10: _two("air_flow_rate_from_mass_air_flow_sensor", 0.01, 0.0, "g/s"),
    0x11: _one("absolute_throttle_position", PERCENT, 0.0, "%"),
    0x12: ("commanded_secondary_air_status", 1, (_state("commanded_secondary_air_status", 0, SECONDARY_AIR),)),
    0x13: _length("location_of_oxygen_sensors", 1),
    **{0x14 + i: _narrow_band(*where) for i, where in enumerate(_SENSORS)},
    0x1C: ("requirements_the_vehicle_is_designed_to", 1, (_state("requirements_the_vehicle_is_designed_to", 0, {}),)),
    0x1D: _length("location_of_oxygen_sensors_four_banks", 1),
    0x1E: _length("auxiliary_input_status", 1),
    0x1F: _two("time_since_engine_start", 1.0, 0.0, "s"),
    0x21: _two("distance_travelled_while_malfunction_indicator_on", 1.0, 0.0, "km"),
    0x22: _two("fuel_rail_pressure_relative_to_manifold_vacuum", 0.079, 0.0, "kPa"),
    0x23: _two("fuel_rail_gauge_pressure", 10.0, 0.0, "kPa"),
    **{0x24 + i: _wide_band_voltage(*where) for i, where in enumerate(_SENSORS)},
    0x2C: _one("commanded_exhaust_gas_recirculation", PERCENT, 0.0, "%"),
    0x2D: _one("exhaust_gas_recirculation_error", TRIM, -100.0, "%"),
    0x2E: _one("commanded_evaporative_purge", PERCENT, 0.0, "%"),
    0x2F: _one("fuel_level_input", PERCENT, 0.0, "%"),
    0x30: _one("warm_ups_since_codes_cleared", 1.0, 0.0, "1"),
    0x31: _two("distance_travelled_since_codes_cleared", 1.0, 0.0, "km"),
    0x32: (
        "evaporative_system_vapour_pressure",
        2,
        (Signal("evaporative_system_vapour_pressure", 7, 16, "big_endian", "signed", scale=0.25, unit="Pa"),),
    ),
    0x33: _one("barometric_pressure", 1.0, 0.0, "kPa"),
    **{0x34 + i: _wide_band_current(*where) for i, where in enumerate(_SENSORS)},
    0x3C: _two("catalyst_temperature_bank_1_sensor_1", 0.1, -40.0, "degC"),
    0x3D: _two("catalyst_temperature_bank_2_sensor_1", 0.1, -40.0, "degC"),
    0x3E: _two("catalyst_temperature_bank_1_sensor_2", 0.1, -40.0, "degC"),
    0x3F: _two("catalyst_temperature_bank_2_sensor_2", 0.1, -40.0, "degC"),
    0x41: _length("monitor_status_this_driving_cycle", 4),
    0x42: _two("control_module_voltage", 0.001, 0.0, "V"),
    0x43: _two("absolute_load_value", PERCENT, 0.0, "%"),
    0x44: _two("commanded_equivalence_ratio", LAMBDA, 0.0, "1"),
    0x45: _one("relative_throttle_position", PERCENT, 0.0, "%"),
    0x46: _one("ambient_air_temperature", 1.0, -40.0, "degC"),
    0x47: _one("absolute_throttle_position_b", PERCENT, 0.0, "%"),
    0x48: _one("absolute_throttle_position_c", PERCENT, 0.0, "%"),
    0x49: _one("accelerator_pedal_position_d", PERCENT, 0.0, "%"),
    0x4A: _one("accelerator_pedal_position_e", PERCENT, 0.0, "%"),
    0x4B: _one("accelerator_pedal_position_f", PERCENT, 0.0, "%"),
    0x4C: _one("commanded_throttle_actuator_control", PERCENT, 0.0, "%"),
    0x4D: _two("engine_run_time_while_malfunction_indicator_on", 1.0, 0.0, "min"),
    0x4E: _two("engine_run_time_since_codes_cleared", 1.0, 0.0, "min"),
    0x4F: (
        "largest_values_of_other_parameters",
        4,
        (
            _byte("largest_equivalence_ratio", 0, 1.0, 0.0, "1"),
            _byte("largest_oxygen_sensor_voltage", 1, 1.0, 0.0, "V"),
            _byte("largest_oxygen_sensor_current", 2, 1.0, 0.0, "mA"),
            _byte("largest_intake_manifold_absolute_pressure", 3, 10.0, 0.0, "kPa"),
        ),
    ),
    0x50: ("largest_air_flow_rate", 4, (_byte("largest_air_flow_rate", 0, 10.0, 0.0, "g/s"),)),
    0x51: ("type_of_fuel_in_use", 1, (_state("type_of_fuel_in_use", 0, FUEL_TYPE),)),
    0x52: _one("alcohol_fuel_percentage", PERCENT, 0.0, "%"),
    0x53: _two("absolute_evaporative_system_vapour_pressure", 0.005, 0.0, "kPa"),
    0x54: _length("evaporative_system_vapour_pressure_wide_range", 2),
    0x55: _secondary_trim("short", 1, 3),
    0x56: _secondary_trim("long", 1, 3),
    0x57: _secondary_trim("short", 2, 4),
    0x58: _secondary_trim("long", 2, 4),
    0x59: _two("fuel_rail_absolute_pressure", 10.0, 0.0, "kPa"),
    0x5A: _one("relative_accelerator_pedal_position", PERCENT, 0.0, "%"),
    0x5B: _one("hybrid_battery_pack_remaining_life", PERCENT, 0.0, "%"),
    0x5C: _one("engine_oil_temperature", 1.0, -40.0, "degC"),
    0x5D: _two("fuel_injection_timing", 1 / 128, -210.0, "deg"),
    0x5E: _two("engine_fuel_rate", 0.05, 0.0, "L/h"),
    0x5F: _length("emission_requirements_the_vehicle_is_designed_to", 1),
    0x61: _one(f"drivers_demand{_PERCENT_TORQUE}", 1.0, -125.0, "%"),
    0x62: _one(f"actual{_PERCENT_TORQUE}", 1.0, -125.0, "%"),
    0x63: _two("engine_reference_torque", 1.0, 0.0, "N*m"),
    0x64: (
        f"data{_PERCENT_TORQUE}",
        5,
        tuple(
            _byte(f"{point}{_PERCENT_TORQUE}", at, 1.0, -125.0, "%")
            for at, point in enumerate(("idle", "point_1", "point_2", "point_3", "point_4"))
        ),
    ),
    0x66: (
        "air_flow_rate_from_mass_air_flow_sensors",
        5,
        _supported(
            ("air_flow_rate_from_mass_air_flow_sensor_a", 1, 2, 1 / 32, 0.0, "g/s"),
            ("air_flow_rate_from_mass_air_flow_sensor_b", 3, 2, 1 / 32, 0.0, "g/s"),
        ),
    ),
    0x67: (
        "engine_coolant_temperatures",
        3,
        _supported(
            ("engine_coolant_temperature_1", 1, 1, 1.0, -40.0, "degC"),
            ("engine_coolant_temperature_2", 2, 1, 1.0, -40.0, "degC"),
        ),
    ),
    0x70: (
        "boost_pressure_control",
        10,
        _supported(
            ("commanded_boost_pressure_a", 1, 2, KILOPASCAL, 0.0, "kPa"),
            ("boost_pressure_sensor_a", 3, 2, KILOPASCAL, 0.0, "kPa"),
            ("commanded_boost_pressure_b", 5, 2, KILOPASCAL, 0.0, "kPa"),
            ("boost_pressure_sensor_b", 7, 2, KILOPASCAL, 0.0, "kPa"),
        ),
    ),
    0x72: (
        "wastegate_control",
        5,
        _supported(
            ("commanded_wastegate_a_position", 1, 1, PERCENT, 0.0, "%"),
            ("wastegate_a_position", 2, 1, PERCENT, 0.0, "%"),
            ("commanded_wastegate_b_position", 3, 1, PERCENT, 0.0, "%"),
            ("wastegate_b_position", 4, 1, PERCENT, 0.0, "%"),
        ),
    ),
    0x77: (
        "charge_air_cooler_temperatures",
        5,
        _supported(
            ("charge_air_cooler_temperature_bank_1_sensor_1", 1, 1, 1.0, -40.0, "degC"),
            ("charge_air_cooler_temperature_bank_1_sensor_2", 2, 1, 1.0, -40.0, "degC"),
            ("charge_air_cooler_temperature_bank_2_sensor_1", 3, 1, 1.0, -40.0, "degC"),
            ("charge_air_cooler_temperature_bank_2_sensor_2", 4, 1, 1.0, -40.0, "degC"),
        ),
    ),
    0x78: _exhaust_temperature(1),
    0x79: _exhaust_temperature(2),
}

J1979: Mapping[int, Parameter] = MappingProxyType(
    {pid: Parameter(0x01, pid, name, length, signals) for pid, (name, length, signals) in sorted(_ROWS.items())}
)
"""Service 01 parameters by identifier."""

J1979_CHANNELS: Mapping[tuple[int, str], str] = MappingProxyType(
    {parameter: entry.name for entry in CATALOGUE.values() for parameter in entry.parameters}
)
"""(parameter identifier, signal name) to the channel of the catalogue that says so."""
