"""The resolved profile: what the rest of livewatch works from.

`profile.load` turns a user's YAML, the DBC files it names and the profiles it extends into one `Profile`: every name
resolved, every number in its final unit, every formula compiled. Nothing here knows YAML or DBC; nothing here changes
after loading.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from livewatch.data.alarm_states import Priority
from livewatch.profile.formula.formula import Formula, SetPoint

__all__ = [
    "Alarm",
    "AuthorityLimit",
    "Channel",
    "Diagnostics",
    "Engine",
    "Message",
    "MqttChannel",
    "MqttMapping",
    "Parameter",
    "PollPriority",
    "PollRequest",
    "Profile",
    "Publishing",
    "Signal",
    "TableMapping",
    "WantedBoost",
]

ByteOrder = Literal["little_endian", "big_endian"]
Kind = Literal["unsigned", "signed", "float"]


@dataclass(frozen=True, slots=True)
class Signal:
    """A number packed in a frame, a diagnostic answer or any other run of bytes.

    Attributes:
        name: unique within its message.
        start: position of the least significant bit (little_endian) or of the most significant bit (big_endian), bits
            numbered 8 * byte + bit with bit 0 the least significant of its byte, as DBC files do.
        length: bits, 1..64; 16, 32 or 64 for a float.
        order, kind: how the raw number is stored.
        scale, offset: physical = raw * scale + offset.
        unit: unit of the physical value as pint reads it, None when not declared.
        multiplexer: name of the multiplexer signal that selects this one, None when always present.
        multiplexer_values: inclusive ranges of the multiplexer's raw value for which this signal is present.
        is_multiplexer: whether other signals are selected by this one.
        value_table: raw value to word.
        invalid: raw values that mean "no valid value".
        curve: (inputs, outputs), ascending inputs: linear interpolation over the scaled value, held at the ends.
    """

    name: str
    start: int
    length: int
    order: ByteOrder = "little_endian"
    kind: Kind = "unsigned"
    scale: float = 1.0
    offset: float = 0.0
    unit: str | None = None
    multiplexer: str | None = None
    multiplexer_values: tuple[tuple[int, int], ...] = ()
    is_multiplexer: bool = False
    value_table: Mapping[int, str] = field(default_factory=dict)
    invalid: tuple[int, ...] = ()
    curve: tuple[tuple[float, ...], tuple[float, ...]] | None = None


@dataclass(frozen=True, slots=True)
class Message:
    """The layout of the frames with one identifier on one bus. `length` is the declared data length in bytes (for
    showing; each signal is received when the frame at hand is long enough for it)."""

    bus: str
    identifier: int
    extended: bool
    name: str
    length: int
    signals: tuple[Signal, ...]
    is_fd: bool = False


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter readable on the diagnostic port: a J1979 service 01 parameter or an ISO 14229 service 22
    identifier. `signals` are laid out over the `length` data bytes that follow the identifier in the answer."""

    service: int
    identifier: int
    name: str
    length: int
    signals: tuple[Signal, ...]


PollPriority = Literal["high", "medium", "low"]


@dataclass(frozen=True, slots=True)
class PollRequest:
    """One parameter to ask for, and how often. Used only when transmitting was asked for."""

    service: int
    identifier: int
    every: int
    """Nanoseconds between requests."""
    priority: PollPriority = "medium"
    """What it is when the car answers more slowly than wanted; see `sources.polling.schedule`."""


@dataclass(frozen=True, slots=True)
class Diagnostics:
    """The diagnostic port: the bus it is on and every parameter whose answers are understood there.

    `request` is the identifier requests are sent with (7DF or 18DB33F1 functional, or a physical one); answers are
    recognised from 7E8..7EF, 18DAF1xx, and `answers` when listed.
    """

    bus: str
    request: int
    extended: bool
    answers: tuple[int, ...]
    parameters: tuple[Parameter, ...]
    poll: tuple[PollRequest, ...]


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel of the profile, bound to a signal or computed.

    Exactly one of these is set: `signal` as (bus, identifier, extended, signal name) for frames; `parameter` as
    (service, identifier, signal name) for the diagnostic port; `formula`; or none of them for a channel that only a
    table or MQTT can bring.

    Attributes:
        scale, offset: channel value = physical signal value * scale + offset (unit conversion, exact for identity).
        valid: inclusive range in `unit`; values outside are OUT_OF_RANGE. Infinite where not declared.
        stale_after: nanoseconds without a sample after which the value is stale.
        declared: whether the profile names it (False for one added because a poll brings it).
    """

    name: str
    unit: str
    meaning: str = ""
    signal: tuple[str, int, bool, str] | None = None
    parameter: tuple[int, int, str] | None = None
    formula: Formula | None = None
    scale: float = 1.0
    offset: float = 0.0
    valid: tuple[float, float] = (float("-inf"), float("inf"))
    stale_after: int = 1_000_000_000
    value_table: Mapping[int, str] = field(default_factory=dict)
    declared: bool = True


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm, in the words of ANSI/ISA-18.2.

    Attributes:
        condition: true where the alarm condition holds (formula of unit "1": 1 true, 0 false, NaN unknown).
        clear: true where the condition counts as gone, deadband included; equal to `not condition` without deadband.
        enable: the alarm is looked at only where this is true (`while`); None means always. Not true = condition gone.
        suppress: suppressed by design where this is true (`suppress_when`); None means never.
        on_delay, off_delay: nanoseconds the condition must hold, or be gone, without interruption.
        setpoint: what makes it true: "lambda_ratio > 1.06".
        evidence: names of the channels that the formulas read, first the one compared with the set point.
        latching: stays until reset by acknowledging after the condition is gone.
        action: what the person should do now.
        signature: whether it came from livewatch's own signature alarms rather than from the user's file.
    """

    name: str
    condition: Formula
    clear: Formula
    enable: Formula | None
    suppress: Formula | None
    on_delay: int
    off_delay: int
    priority: Priority
    latching: bool
    action: str
    setpoint: SetPoint
    evidence: tuple[str, ...]
    message: str = ""
    signature: bool = False


@dataclass(frozen=True, slots=True)
class AuthorityLimit:
    """The largest correction of one controller: `low..high` in `unit`; `everyday` is the band that is normal."""

    name: str
    unit: str
    low: float
    high: float
    everyday: tuple[float, float]


@dataclass(frozen=True, slots=True)
class WantedBoost:
    """What the calibration wants of boost with the pedal down, from the calibrator's own sheet: `pressures` in kPa at
    `speeds` in rpm, straight between them and held at the ends; above the air outside when `gauge`, else absolute.
    Within `tolerance` (kPa) boost is as wanted."""

    speeds: tuple[float, ...]
    pressures: tuple[float, ...]
    gauge: bool
    tolerance: float


UNTHROTTLED, UNTHROTTLED_BOOSTED = 0.95, 1.40


@dataclass(frozen=True, slots=True)
class Engine:
    """What the physics needs to know. `stoichiometric` is the air-fuel ratio by mass of the declared fuel;
    `volumetric_efficiency` an assumed range or None; `travel` where pedal and throttle rest and end, in % by name of
    the channel, as far as the profile says it."""

    displacement: float
    """Litres."""
    cylinders: int
    induction: Literal["turbocharged", "supercharged", "naturally_aspirated"]
    air_metering: Literal["mass_air_flow", "speed_density"]
    fuel: str
    stoichiometric: float
    banks: int = 1
    volumetric_efficiency: tuple[float, float] | None = None
    wanted_boost: WantedBoost | None = None
    travel: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    @property
    def unthrottled(self) -> float:
        """Manifold over barometric pressure from which the throttle is wide open, where nothing better says so: common
        practice."""
        return UNTHROTTLED if self.induction == "naturally_aspirated" else UNTHROTTLED_BOOSTED


@dataclass(frozen=True, slots=True)
class TableMapping:
    """How a table of decoded channels (CSV, Parquet, MF4) names things.

    `columns` maps channel name to (column name, unit of the column or None for the channel's own). Columns that carry
    a channel's name, with or without "[unit]" behind it, need no mapping. `time` names the time column and `time_unit`
    its unit ("s", "ms", "utc" for ISO 8601 text).
    """

    columns: Mapping[str, tuple[str, str | None]] = field(default_factory=dict)
    time: str | None = None
    time_unit: str | None = None


@dataclass(frozen=True, slots=True)
class MqttChannel:
    """Where a channel comes from when messages bring it.

    Attributes:
        topic: of the messages.
        field: the way to the value in a JSON payload, names with dots between; empty for a payload that is a number.
        unit: of that number; None for the channel's own.
        time: the way to the sender's time; empty where it sends none, and the time of arrival counts.
        time_unit: "s", "ms", "us" or "ns" since the Unix epoch, or "utc" for ISO 8601 text.
    """

    topic: str
    field: str = ""
    unit: str | None = None
    time: str = ""
    time_unit: str = "s"


@dataclass(frozen=True, slots=True)
class MqttMapping:
    """What messages bring: by channel; `window` ns within which late ones are put in order."""

    channels: Mapping[str, MqttChannel] = field(default_factory=dict)
    window: int = 500_000_000


@dataclass(frozen=True, slots=True)
class Publishing:
    """What leaves the machine by way of an MQTT broker: the broker and what this station is called there (empty where
    nobody says), whose values are sent and every how many ns, whether raw frames are, and whether alarms may be
    acknowledged from afar."""

    broker: str = ""
    station: str = ""
    channels: tuple[str, ...] = ()
    every: int = 200_000_000
    rows: bool = False
    acknowledge: bool = False


@dataclass(frozen=True, slots=True)
class Profile:
    """Everything the user declared about one vehicle or cell, resolved.

    `buses` maps each bus name to the channel names it may have in recordings (possibly none). `figures` are the
    channels a screen shows large, most important first. `sources` are the files it was read from, with their SHA-256.
    `text` is the resolved profile as YAML: it reads back as this profile without any other file.
    """

    name: str
    buses: Mapping[str, tuple[str, ...]]
    messages: tuple[Message, ...]
    diagnostics: tuple[Diagnostics, ...]
    channels: tuple[Channel, ...]
    alarms: tuple[Alarm, ...]
    authority: Mapping[str, AuthorityLimit]
    engine: Engine | None
    tables: TableMapping
    figures: tuple[str, ...]
    period: int
    """Nanoseconds between ticks; 10,000,000 (100 Hz) unless the profile says otherwise."""
    lead_up: int
    """Nanoseconds of values before an alarm that its event carries."""
    sources: Mapping[str, str]
    text: str
    mqtt: MqttMapping = field(default_factory=MqttMapping)
    publish: Publishing | None = None
    left_out: tuple[str, ...] = field(default=(), compare=False)
    """What is wrong with each message of a DBC that could not be used."""

    @property
    def index(self) -> dict[str, int]:
        """Channel name to position in `channels`."""
        return {channel.name: position for position, channel in enumerate(self.channels)}
