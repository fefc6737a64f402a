"""Which channel of a source is which bus of the profile.

Recordings and adapters have their own names for channels (`can0`, `1`); a profile speaks of buses (`engine`, `cell`).
A `BusMap` renames the buses of frame batches. A source channel is, in this order: the bus the user gave it to; the bus
whose profile entry lists it; the bus of the same name; the only bus the profile has. Any other keeps its own name, and
the decoder counts its frames.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from livewatch.data.frames import FrameBatch
from livewatch.errors import UsageError, nearest
from livewatch.profile.model import Profile

__all__ = ["BusMap", "parse_bus_options"]


def parse_bus_options(options: Iterable[str], profile: Profile) -> dict[str, str]:
    """`bus=channel` options of a command line as {channel: bus}.

    Raises:
        UsageError: an option has another form, names no bus of the profile, or gives a channel away twice.
    """
    given: dict[str, str] = {}
    for option in options:
        bus, equals, channel = option.partition("=")
        if not (bus and equals and channel):
            raise UsageError(f"--bus {option!r}: expected BUS=CHANNEL, for example engine=can0")
        if bus not in profile.buses:
            known = ", ".join(profile.buses) or "none"
            raise UsageError(
                f"--bus {option!r}: the profile has no bus {bus!r}, it has {known}{nearest(bus, profile.buses)}"
            )
        if channel in given:
            raise UsageError(f"--bus {option!r}: channel {channel!r} was given to bus {given[channel]!r} already")
        given[channel] = bus
    return given


class BusMap:
    """`given` maps channels of the source to buses of the profile, as the user said. `unknown` collects the channels
    met that are no bus of the profile."""

    def __init__(self, profile: Profile, given: Mapping[str, str]) -> None:
        self.unknown: set[str] = set()
        self._buses = tuple(profile.buses)
        self._known = {channel: bus for bus, channels in profile.buses.items() for channel in channels}
        self._known.update(given)

    def rename(self, batch: FrameBatch) -> FrameBatch:
        """The same frames with the profile's bus names."""
        names = tuple(self._name(channel) for channel in batch.buses)
        return batch if names == batch.buses else replace(batch, buses=names)

    def _name(self, channel: str) -> str:
        bus = self._known.get(channel)
        if bus is None:
            if channel in self._buses:
                bus = channel
            elif len(self._buses) == 1:
                bus = self._buses[0]
            else:
                self.unknown.add(channel)
                bus = channel
            self._known[channel] = bus
        return bus
