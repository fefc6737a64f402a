"""What comes back from elsewhere, for the edges: a broker, and the sources behind it."""

from __future__ import annotations

from livewatch.sources.live.source import LiveSource
from livewatch.sources.mqtt.beside_buses import BesideBuses
from livewatch.sources.mqtt.broker import Broker
from livewatch.sources.mqtt.channel_source import ChannelSource
from livewatch.sources.mqtt.station_source import StationSource

__all__ = ["BesideBuses", "Broker", "ChannelSource", "LiveSource", "StationSource"]
