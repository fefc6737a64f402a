"""What is published, where, and who may answer: from a profile's `publish`, and what the command line adds to it."""

from __future__ import annotations

import socket
from dataclasses import dataclass, replace

from livewatch.profile.model import Profile
from livewatch.sources.mqtt.broker import Broker
from livewatch.sources.mqtt.topics import station_name

__all__ = ["PublishSettings", "publish_settings"]

EVERY = 200_000_000


@dataclass(frozen=True, slots=True)
class PublishSettings:
    """Attributes:
    broker: where to, with its secrets.
    station: what this machine is called there.
    channels: whose values are sent.
    every: ns of data time between them.
    rows: whether the raw frames are sent as well.
    acknowledge: whether alarms may be acknowledged from afar.
    """

    broker: Broker
    station: str
    channels: tuple[str, ...]
    every: int = EVERY
    rows: bool = False
    acknowledge: bool = False

    @property
    def to(self) -> str:
        """Broker and station, as the record of what was delivered names them."""
        return f"{self.broker}/{self.station}"


def publish_settings(
    profile: Profile, broker: str | None, rows: bool = False, acknowledge: bool = False, *, by_profile: bool = True
) -> PublishSettings | None:
    """What to publish, None for nothing.

    Args:
        broker: as the command line names it, None when it does not.
        rows, acknowledge: asked for there.
        by_profile: whether the profile alone may ask for it: right for a car, wrong for the replay of one.

    Raises:
        UsageError: the broker or the station makes no sense, or its secrets cannot be used.
    """
    wanted = profile.publish
    text = broker or (wanted.broker if wanted is not None and by_profile else None)
    if not text:
        return None
    where = Broker.parse(text)
    named = where.station or (wanted.station if wanted is not None else "") or socket.gethostname()
    settings = PublishSettings(where, station_name(named), profile.figures, rows=rows, acknowledge=acknowledge)
    if wanted is not None:
        settings = replace(
            settings,
            channels=wanted.channels or settings.channels,
            every=wanted.every,
            rows=rows or wanted.rows,
            acknowledge=acknowledge or wanted.acknowledge,
        )
    return settings
