"""The parts a build sheet lists: slot by slot, the numbers that matter and what they mean.

pydantic models of what stands under `calibrated_for`, `fitted` and `working_points`. A quantity is kept in the unit of
its field beside the text it was written as; what is left out is None, never a default.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, model_validator

from livewatch.profile.fuels import GASOLINE_DENSITY, stoichiometric_ratio
from livewatch.profile.units import UnitError, parse_quantity

__all__ = [
    "SLOTS",
    "AirMeterHousing",
    "BoostControlSolenoid",
    "Cylinders",
    "Displacement",
    "Downpipe",
    "Entry",
    "FuelInTank",
    "FuelPump",
    "Injectors",
    "Intake",
    "Intercooler",
    "Part",
    "Quantity",
    "Slots",
    "Turbocharger",
    "WastegateActuator",
    "WorkingPoint",
    "WorkingPoints",
]


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number in the unit of its field, and the text it was written as."""

    value: float
    text: str

    def __str__(self) -> str:
        return self.text


def _reader(unit: str, low: float, high: float) -> BeforeValidator:
    """Reads a quantity in `unit` within `low` .. `high`."""

    def read(value: object) -> Quantity:
        return _within(value, parse_quantity(value, unit), unit, low, high)

    return BeforeValidator(read)


def _flow_reader(low: float, high: float) -> BeforeValidator:
    """Reads a flow of fuel in g/s; one by volume is taken as gasoline of 0.745 kg/L."""

    def read(value: object) -> Quantity:
        try:
            flow = parse_quantity(value, "g/s")
        except UnitError:
            try:
                flow = parse_quantity(value, "cm^3/min") * GASOLINE_DENSITY / 60.0
            except UnitError:
                raise UnitError(f"{value!r} is no flow of fuel: expected such as 440 cm^3/min or 5 g/s") from None
        return _within(value, flow, "g/s", low, high)

    return BeforeValidator(read)


def _within(value: object, number: float, unit: str, low: float, high: float) -> Quantity:
    if not low <= number <= high:
        expected = f"{low:g} to {high:g}" + ("" if unit == "1" else f" {unit}")
        found = "" if unit == "1" else f" ({number:.4g} {unit})"
        raise UnitError(f"{value}{found} is outside what there is: expected {expected}")
    return Quantity(number, str(value))


Bore = Annotated[Quantity, _reader("mm", 15, 250)]
WheelDiameter = Annotated[Quantity, _reader("mm", 15, 200)]
InjectorFlow = Annotated[Quantity, _flow_reader(0.2, 60)]
PumpFlow = Annotated[Quantity, _flow_reader(0.5, 500)]
FuelPressure = Annotated[Quantity, _reader("kPa", 50, 50000)]
DeadTime = Annotated[Quantity, _reader("ms", 0, 5)]
Voltage = Annotated[Quantity, _reader("V", 6, 20)]
AirFlow = Annotated[Quantity, _reader("g/s", 0.5, 3000)]
Boost = Annotated[Quantity, _reader("kPa", 1, 400)]
Share = Annotated[Quantity, _reader("%", 0, 100)]
Volume = Annotated[Quantity, _reader("L", 0.1, 100)]
Octane = Annotated[Quantity, _reader("1", 50, 140)]
Speed = Annotated[Quantity, _reader("rpm", 300, 20000)]
Pressure = Annotated[Quantity, _reader("kPa", 10, 600)]
Temperature = Annotated[Quantity, _reader("degC", -40, 150)]
Displacement = Annotated[Quantity, _reader("L", 0.05, 30)]
Cylinders = Annotated[Quantity, _reader("1", 1, 16)]
Lambda = Annotated[Quantity, _reader("1", 0.6, 1.6)]


class Entry(BaseModel):
    """Names with values, and no others."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    @property
    def numbers(self) -> dict[str, Quantity]:
        """The numbers that are stated, by key."""
        given = {key: getattr(self, key) for key in type(self).model_fields}
        return {key: value for key, value in given.items() if isinstance(value, Quantity)}


class Part(Entry):
    """What every slot has: `part`, an identity in plain text."""

    TEXT_IS: ClassVar[str] = "part"
    """The key that a plain text in place of the part stands for."""

    part: str | None = None

    @model_validator(mode="before")
    @classmethod
    def _plain_text(cls, value: object) -> object:
        return {cls.TEXT_IS: value} if isinstance(value, str) else value

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if not self.numbers and not self.words and not (self.part or "").strip():
            raise ValueError("says nothing about the part: expected `part: plain text`, or the numbers that matter")
        return self

    @property
    def words(self) -> dict[str, str]:
        """What is stated in words other than the identity, by key."""
        given = {key: getattr(self, key) for key in type(self).model_fields if key != "part"}
        return {key: value for key, value in given.items() if isinstance(value, str)}

    def __str__(self) -> str:
        facts = [f"{_said(key)}{value}" for key, value in {**self.words, **self.numbers}.items()]
        return ", ".join([*([self.part] if self.part else []), *facts])


def _said(key: str) -> str:
    """How a key reads in front of its value: a fuel's name is just said, and what a number holds at is `at`."""
    return "" if key == "name" else "at " if key.endswith("_at") else key.replace("_", " ") + " "


class Intake(Part):
    """Tube and filter in front of the engine. `bore`: inside, where the air meter sits or right in front of it."""

    bore: Bore | None = None


class AirMeterHousing(Part):
    """The piece of tube around the air meter. `bore`: inside, at the meter."""

    bore: Bore | None = None


class Injectors(Part):
    """`flow` of one injector held open with the pressure `at` across it; `dead_time` from the pulse's start until fuel
    flows, less the closing time."""

    flow: InjectorFlow | None = None
    at: FuelPressure | None = None
    dead_time: DeadTime | None = None
    dead_time_at: Voltage | None = None


class FuelPump(Part):
    """Pump and regulator. `flow` delivered against the pressure `at`; `set_pressure` is what the regulator holds above
    the pressure it is `referenced_to`."""

    flow: PumpFlow | None = None
    at: FuelPressure | None = None
    set_pressure: FuelPressure | None = None
    referenced_to: Literal["manifold", "atmosphere"] | None = None


class Turbocharger(Part):
    """`compressor_wheel`: its larger diameter; `most_air_flow`: what the compressor passes at the end of its map."""

    compressor_wheel: WheelDiameter | None = None
    most_air_flow: AirFlow | None = None


class WastegateActuator(Part):
    """`preload`: the boost, above the air outside, at which the wastegate begins to open when the solenoid does
    nothing: the least boost that can be held."""

    preload: Boost | None = None


class BoostControlSolenoid(Part):
    """`bleed`: the share of the boost in front of the actuator that the solenoid takes away at full duty."""

    bleed: Share | None = None


class Downpipe(Part):
    """The pipe behind the turbine (behind the ports on an engine without one). `bore`: inside, at its narrowest."""

    bore: Bore | None = None


class Intercooler(Part):
    """`effectiveness`: how far it cools, of the way from the compressor's outlet to the air outside; `volume` of cooler
    and pipes."""

    effectiveness: Share | None = None
    volume: Volume | None = None


class FuelInTank(Part):
    """A fuel by `name` ("gasoline E10", "methanol", ...), by `ethanol` content by volume, or by identity only; `octane`
    is its RON."""

    TEXT_IS: ClassVar[str] = "name"

    name: str | None = None
    ethanol: Share | None = None
    octane: Octane | None = None

    @model_validator(mode="after")
    def _one_known_fuel(self) -> Self:
        if self.name is not None and self.ethanol is not None:
            raise ValueError(f"found both name {self.name!r} and ethanol {self.ethanol}: expected one of them")
        if self.name is not None:
            try:
                stoichiometric_ratio(self.name)
            except ValueError as error:
                raise ValueError(f"{error}; a fuel known by identity only is written `part: plain text`") from None
        return self


class Slots(Entry):
    """The parts by slot. A plain text in place of a part is its identity; in place of the fuel, its name."""

    intake: Intake | None = None
    air_meter_housing: AirMeterHousing | None = None
    injectors: Injectors | None = None
    fuel_pump: FuelPump | None = None
    turbocharger: Turbocharger | None = None
    wastegate_actuator: WastegateActuator | None = None
    boost_control_solenoid: BoostControlSolenoid | None = None
    downpipe: Downpipe | None = None
    intercooler: Intercooler | None = None
    fuel: FuelInTank | None = None


SLOTS: tuple[str, ...] = tuple(Slots.model_fields)
"""Every slot, in the order people are shown them."""


class WorkingPoint(Entry):
    """Where the engine works: `manifold_pressure` absolute, air in the manifold, commanded lambda; `air_flow` where
    it is known rather than worked out."""

    speed: Speed | None = None
    manifold_pressure: Pressure | None = None
    charge_temperature: Temperature | None = None
    commanded_lambda: Lambda | None = None
    air_flow: AirFlow | None = None


class WorkingPoints(Entry):
    """Three points that predictions are worked out for; what is left out is assumed, and said to be."""

    idle: WorkingPoint = WorkingPoint()
    cruise: WorkingPoint = WorkingPoint()
    full_load: WorkingPoint = WorkingPoint()
