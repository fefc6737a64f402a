"""Live buses and channels that messages bring, together: what `LiveSource` and `ChannelSource` do, behind one face.

Frames and the samples that are due are given out in turn; data time goes on by the buses alone.
"""

from __future__ import annotations

from livewatch.data.samples import Rows
from livewatch.sources.live.source import LiveSource
from livewatch.sources.live.status import BusStatus
from livewatch.sources.mqtt.channel_source import ChannelSource

__all__ = ["BesideBuses"]


class BesideBuses:
    """`buses` and `channels` are opened and closed together."""

    finished = False

    def __init__(self, buses: LiveSource, channels: ChannelSource) -> None:
        self.turn = buses.turn
        self._buses, self._channels = buses, channels
        self._frames_next = True

    def open(self) -> None:
        """Begin to receive.

        Raises:
            SourceError: a bus cannot be opened.
        """
        self._buses.open()
        self._channels.open()

    def close(self) -> None:
        """Receive no more; what was received is still given out by `collect`."""
        self._channels.close()
        self._buses.close()

    def collect(self) -> Rows:
        """What came, frames and samples in turn, perhaps nothing."""
        for _ in range(2):
            self._frames_next = not self._frames_next
            rows: Rows = self._channels.collect() if self._frames_next else self._buses.collect()
            if len(rows):
                return rows
        return rows

    def emptied(self) -> float:
        """As the buses say."""
        return self._buses.emptied()

    @property
    def counts(self) -> dict[str, int]:
        """What went wrong so far, by plain-worded kind."""
        return {**self._buses.counts, **self._channels.counts}

    def status(self) -> list[BusStatus]:
        """Of each bus, and of the link."""
        return [*self._buses.status(), *self._channels.status()]
