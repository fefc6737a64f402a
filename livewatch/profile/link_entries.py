"""The entries of a profile about MQTT: what messages bring, and what is published."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel

from livewatch.profile.schema_values import ENTRY, Every, Name, UnitText, duration_within

__all__ = ["MqttEntry", "PublishEntry"]


class _ProfileEntry(BaseModel):
    model_config = ENTRY


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
    window: Annotated[
        int, duration_within("{} is too long to wait for late messages: expected at most 5 s", 0, 5_000_000_000)
    ] = 500_000_000


class PublishEntry(_ProfileEntry):
    """What is published, and where; the user and the password do not stand here."""

    broker: str = ""
    station: str = ""
    channels: list[str] = []
    every: Every = 200_000_000
    frames: bool = False
    acknowledge: bool = False
