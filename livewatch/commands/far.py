"""What `watch --from-mqtt` watches: a station elsewhere, or channels that messages bring."""

from __future__ import annotations

from typing import TYPE_CHECKING

from livewatch import Profile, Run, UsageError

if TYPE_CHECKING:
    from livewatch.publish.received import Broker, LiveSource, StationSource
    from livewatch.run.live import RowSource

__all__ = ["Far"]


class Far:
    """A broker, perhaps with a station."""

    def __init__(self, broker: Broker) -> None:
        self.station = broker.station
        self._broker = broker
        self._source: StationSource | None = None

    @classmethod
    def of(cls, text: str | None, buses: tuple[str, ...], poll: bool) -> Far | None:
        """What `--from-mqtt` says; None without it. MQTT is loaded only here.

        Raises:
            UsageError: it makes no sense, alone or with the other options.
        """
        if text is None:
            return None
        from livewatch.publish.received import Broker

        far = cls(Broker.parse(text))
        if far.station and (buses or poll):
            raise UsageError(
                "--from-mqtt with a station: its frames are watched, so --bus and --poll have no place here"
            )
        return far

    def profile(self) -> Profile:
        """The station's own.

        Raises:
            SourceError: nothing is heard of it.
        """
        return self._station().profile()

    def received(self, run: Run, buses: LiveSource) -> RowSource:
        """What the rows of `run` come from."""
        from livewatch.publish.received import BesideBuses, ChannelSource

        if self.station:
            station = self._station()
            station.expect(run.profile)
            return station
        channels = ChannelSource(self._broker, run.profile, lambda: run.pipeline.newest)
        return BesideBuses(buses, channels) if buses.buses else channels

    def _station(self) -> StationSource:
        from livewatch.publish.received import StationSource

        if self._source is None:
            self._source = StationSource(self._broker)
        return self._source
