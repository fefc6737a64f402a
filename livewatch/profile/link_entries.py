"""The entries of a profile about MQTT: what messages bring, and what is published."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator

from livewatch.profile.schema_values import ENTRY, Name, UnitText, read_every
from livewatch.profile.units import UnitError, parse_duration

__all__ = ["MqttEntry", "PublishEntry"]


class _ProfileEntry(BaseModel):
    model_config = ENTRY


def _window(value: object) -> int:
    window = parse_duration(value)
    if window > 5_000_000_000:
        raise UnitError(f"{value} is too long to wait for late messages: expected at most 5 s")
    return window


def _topic(value: str) -> str:
    if not value or set(value) & set("+#\0") or len(value) > 400:
        raise ValueError(f"{value!r} is no topic of one kind of message: no + or #, at most 400 characters")
    return value


class MqttChannelEntry(_ProfileEntry):
    """The messages that bring a channel: their topic, where in them the value and the sender's time are."""

    topic: Annotated[str, AfterValidator(_topic)]
    field: str = ""
    unit: UnitText | None = None
    time: str = ""
    time_unit: Literal["s", "ms", "us", "ns", "utc"] = "s"


class MqttEntry(_ProfileEntry):
    """Channels that come from an MQTT broker (`livewatch watch --from-mqtt`)."""

    channels: dict[Name, MqttChannelEntry] = {}
    window: Annotated[int, BeforeValidator(_window)] = 500_000_000


class PublishEntry(_ProfileEntry):
    """What is published, and where; the user and the password do not stand here."""

    broker: str = ""
    station: str = ""
    channels: list[str] = []
    every: Annotated[int, BeforeValidator(read_every)] = 200_000_000
    frames: bool = False
    acknowledge: bool = False
