"""The profile file as its user writes it: which keys there are, and what each may hold.

pydantic models of one YAML file after `extends` was resolved. Quantities are parsed here (a time is a whole number of
nanoseconds from here on); names, units of signals and formulas are resolved later. Docstrings of the
models say what each entry is.
"""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import BaseModel, BeforeValidator, Discriminator, Field, Tag, model_validator

from livewatch.data.alarm_states import Priority
from livewatch.data.physics import STANDARD_PRESSURE
from livewatch.profile.document import NO_KIND
from livewatch.profile.link_entries import MqttEntry, PublishEntry
from livewatch.profile.model import PollPriority
from livewatch.profile.schema_values import (
    ENTRY,
    BusName,
    Curve,
    Duration,
    Every,
    Fuel,
    Identifier,
    LeadUp,
    Litres,
    Name,
    Number,
    Order,
    Pressure,
    Ratio,
    Shares,
    SignalName,
    Text,
    Tick,
    Travel,
    UnitText,
    bus_name,
    raw_range,
    text_is,
)
from livewatch.profile.units import parse_quantity

__all__ = [
    "AlarmEntry",
    "AuthorityEntry",
    "ChannelEntry",
    "ColumnEntry",
    "DbcEntry",
    "DiagnosticsEntry",
    "EngineEntry",
    "FrameEntry",
    "MultiplexerEntry",
    "ParameterEntry",
    "PollEntry",
    "ProfileFile",
    "ReadEntry",
    "SignalChange",
    "SignalEntry",
    "SignatureAlarmsEntry",
    "TablesEntry",
    "bus_name",
]


class _ProfileEntry(BaseModel):
    model_config = ENTRY


def _boost_entry(value: Any) -> Any:
    """A figure alone is a curve of one point."""
    return value if isinstance(value, dict) else {"pressure": value}


class WantedBoostEntry(_ProfileEntry):
    """Wanted boost: a `pressure`, or a `curve` of pressures by engine speed, absolute unless `gauge`."""

    pressure: Pressure | None = None
    curve: dict[str, Pressure] | None = None
    gauge: bool = False
    tolerance: Annotated[Pressure, Field(ge=0, le=50)] = 5.0

    @model_validator(mode="after")
    def _sensible(self) -> Self:
        if (self.pressure is None) == (self.curve is None):
            raise ValueError("expected one of `pressure` (a figure) and `curve` (`{2000 rpm: 150 kPa, ...}`)")
        speeds = [] if self.curve is None else [parse_quantity(speed, "rpm") for speed in self.curve]
        if speeds != sorted(set(speeds)):
            raise ValueError("the engine speeds of `curve` go backwards: expected them from low to high, each once")
        least = min([self.pressure] if self.curve is None else list(self.curve.values()), key=lambda p: p or 0.0)
        if least is not None and least <= (0.0 if self.gauge else STANDARD_PRESSURE):
            below = "is no pressure above the air outside" if self.gauge else f"{least:g} kPa is below the air outside"
            raise ValueError(f"{below}: expected absolute pressure, or `gauge: true` for one above the air outside")
        return self


class EngineEntry(_ProfileEntry):
    """The engine, for the physics."""

    displacement: Litres
    cylinders: Annotated[int, Field(ge=1, le=16)]
    induction: Literal["turbocharged", "supercharged", "naturally_aspirated"]
    air_metering: Literal["mass_air_flow", "speed_density"]
    fuel: Fuel = "gasoline E10"
    stoichiometric: Ratio | None = None
    banks: Annotated[int, Field(ge=1, le=2)] = 1
    volumetric_efficiency: Shares | None = None
    pedal_travel: Travel | None = None
    throttle_travel: Travel | None = None
    wanted_boost: Annotated[WantedBoostEntry | None, BeforeValidator(_boost_entry)] = None


class MultiplexerEntry(_ProfileEntry):
    """Which signal selects this one, and by which raw values: `[1, 3, [8, 15]]`."""

    signal: SignalName
    values: Annotated[list[Annotated[tuple[int, int], BeforeValidator(raw_range)]], Field(min_length=1)]


class SignalEntry(_ProfileEntry):
    """A number in a frame, laid out as in DBC files."""

    start: Annotated[int, Field(ge=0, le=4095 * 8)]
    length: Annotated[int, Field(ge=1, le=64)]
    order: Order = "little_endian"
    kind: Literal["unsigned", "signed", "float"] = "unsigned"
    scale: Number = 1.0
    offset: Number = 0.0
    unit: Text | None = None
    multiplexer: MultiplexerEntry | None = None
    values: dict[int, str] = {}
    invalid: list[int] = []
    curve: Curve | None = None


class SignalChange(_ProfileEntry):
    """What a DBC does not say about one of its signals, or says wrongly."""

    unit: UnitText | None = None
    values: dict[int, str] | None = None
    invalid: list[int] | None = None
    curve: Curve | None = None


class DbcEntry(_ProfileEntry):
    """A DBC file as it stands."""

    dbc: str
    bus: BusName
    only: list[str] | None = None
    signals: dict[str, SignalChange] = {}


class FrameEntry(_ProfileEntry):
    """A message written in the profile."""

    frame: Identifier
    bus: BusName
    extended: bool | None = None
    name: SignalName | None = None
    length: Annotated[int, Field(ge=0, le=4095)] | None = None
    fd: bool | None = None
    signals: dict[SignalName, SignalEntry]


def _decode_kind(value: Any) -> str | None:
    if isinstance(value, dict):
        return "<frame>" if "frame" in value else "<dbc>" if "dbc" in value else None
    return None


DecodeEntry = Annotated[
    Annotated[DbcEntry, Tag("<dbc>")] | Annotated[FrameEntry, Tag("<frame>")],
    Discriminator(
        _decode_kind,
        custom_error_type=NO_KIND,
        custom_error_message="Expected `dbc:` with a file, or `frame:` with an identifier such as 0x1A4",
    ),
]


class ReadEntry(_ProfileEntry):
    """A parameter of service 22 that this vehicle answers, and the layout of its answer."""

    service: Literal[0x22] = 0x22
    did: Annotated[int, Field(ge=0, le=0xFFFF)]
    name: SignalName
    length: Annotated[int, Field(ge=1, le=4092)]
    signals: dict[SignalName, SignalEntry]


class DiagnosticsEntry(_ProfileEntry):
    """The diagnostic port."""

    bus: BusName
    request: Identifier = 0x7DF
    extended: bool | None = None
    answers: list[Identifier] = []
    read: list[ReadEntry] = []


class PollEntry(_ProfileEntry):
    """A parameter to ask for again and again, once transmitting was asked for; `priority` tells what comes first where
    a car answers more slowly than that."""

    service: int
    pid: Annotated[int, Field(ge=0, le=0xFF)] | None = None
    did: Annotated[int, Field(ge=0, le=0xFFFF)] | None = None
    every: Every
    priority: PollPriority = "medium"


class ParameterEntry(_ProfileEntry):
    """A signal in the answer to a poll."""

    service: Literal[0x01, 0x22]
    pid: Annotated[int, Field(ge=0, le=0xFF)] | None = None
    did: Annotated[int, Field(ge=0, le=0xFFFF)] | None = None
    signal: str | None = None


class ChannelEntry(_ProfileEntry):
    """A channel: bound to a signal or a parameter, computed by a formula, or brought by a table."""

    signal: str | None = None
    parameter: ParameterEntry | None = None
    formula: Text | None = None
    unit: UnitText | None = None
    valid: str | None = None
    stale_after: Duration | None = None
    invalid: list[int] | None = None
    meaning: str | None = None
    declared: bool = True


class AuthorityEntry(_ProfileEntry):
    """The limits of a correction, and the band that is everyday."""

    limits: str
    everyday: str | None = None


class AlarmEntry(_ProfileEntry):
    """An alarm, in the words of ANSI/ISA-18.2."""

    enabled_while: Text | None = Field(None, alias="while")
    condition: Text | None = None
    deadband: Text | None = None
    on_delay: Duration = 0
    off_delay: Duration = 0
    priority: Priority = "medium"
    latching: bool = False
    action: str | None = None
    message: str = ""
    suppress_when: Text | None = None
    in_service: bool = True
    signature: bool = False


class ColumnEntry(_ProfileEntry):
    """The column of a table that brings a channel, and its unit."""

    column: str
    unit: UnitText | None = None


class TablesEntry(_ProfileEntry):
    """How a table of decoded channels names things."""

    columns: dict[Name, Annotated[ColumnEntry, text_is("column")]] = {}
    time: str | None = None
    time_unit: str | None = None


def _alarm_change(value: object) -> object:
    return {"in_service": False} if value in ("off", False) else value


class SignatureAlarmsEntry(_ProfileEntry):
    """livewatch's own alarms: all on, all off, or changed one by one."""

    enabled: bool = Field(True, alias="<enabled>")
    changes: dict[str, Annotated[AlarmEntry, BeforeValidator(_alarm_change)]] = Field({}, alias="<changes>")


def _signature_alarms(value: object) -> object:
    if isinstance(value, dict):
        return {"<changes>": value}
    if value in ("on", "off") or isinstance(value, bool):
        return {"<enabled>": value in ("on", True)}
    raise ValueError(f"found {value!r}, expected on, off, or the alarms to change")


class ProfileFile(_ProfileEntry):
    """The whole file."""

    UNLISTED: ClassVar[tuple[str, ...]] = ("sources", "signature", "declared")
    """Keys that only livewatch itself writes, into the resolved profile of a session."""

    profile: int = 1
    name: str = ""
    extends: str | None = None
    engine: EngineEntry | None = None
    buses: dict[BusName, list[str]] = {}
    decode: list[DecodeEntry] = []
    diagnostics: DiagnosticsEntry | None = None
    poll: list[PollEntry] = []
    channels: dict[Name, ChannelEntry] = {}
    authority: dict[Name, Annotated[AuthorityEntry, text_is("limits")]] = {}
    alarms: dict[Name, AlarmEntry] = {}
    signature_alarms: Annotated[SignatureAlarmsEntry, BeforeValidator(_signature_alarms)] = Field(
        default_factory=lambda: SignatureAlarmsEntry.model_validate({})
    )
    tables: TablesEntry = TablesEntry()
    mqtt: MqttEntry = MqttEntry()
    publish: PublishEntry | None = None
    figures: list[str] = []
    tick: Tick = 10_000_000
    lead_up: LeadUp = 5_000_000_000
    sources: dict[str, str] = {}
