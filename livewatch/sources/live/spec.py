"""How a person names a live bus on the command line.

Text such as `engine=socketcan:can0@500k` comes in, a `LiveBus` comes out: the bus's name, the python-can interface, the
channel there, the bit rate in bit/s, and any further options of that interface. Mistakes are told with what was
expected; nothing is opened here.
"""

from __future__ import annotations

import configparser
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from livewatch.data.python_can import BACKENDS, can
from livewatch.errors import UsageError, nearest

__all__ = ["LiveBus", "parse_live_buses"]

CONFIGURED = "configured"
"""In place of an interface: what python-can's own configuration says, in the section named in place of a channel."""
FORM = "[NAME=]INTERFACE:CHANNEL[@BITRATE][,OPTION=VALUE...]"
EXAMPLE = "engine=socketcan:can0@500k"
_SHAPE = re.compile(r"(?:(?P<name>[^=:,@\s]+)=)?(?P<interface>[^=:,@\s]+):(?P<rest>.*)", re.DOTALL)
_RATE = re.compile(r"(?P<number>\d+(?:\.\d+)?)(?P<factor>[kM]?)(?:bit/s)?")
LOWEST_RATE, HIGHEST_RATE = 5_000, 1_000_000
"""bit/s of the arbitration phase: ISO 11898-2 ends at 1 Mbit/s; nobody runs a vehicle below 5 kbit/s."""
HIGHEST_DATA_RATE = 20_000_000


@dataclass(frozen=True, slots=True)
class LiveBus:
    """One bus to listen to.

    Attributes:
        name: what its frames' bus is called; the channel where the user gave none.
        interface: python-can's name of the kind of adapter.
        channel: the adapter's channel, as that interface wants it written.
        bitrate: bit/s of the arbitration phase, None when not said.
        options: further keyword arguments of the interface, numbers and true/false already turned into such.
        text: as the user wrote it.
    """

    name: str
    interface: str
    channel: str
    bitrate: int | None = None
    options: Mapping[str, Any] = field(default_factory=dict)
    text: str = ""

    @classmethod
    def parse(cls, text: str) -> LiveBus:
        """Read `[NAME=]INTERFACE:CHANNEL[@BITRATE][,OPTION=VALUE...]`.

        The bit rate is `500k`, `1M` or plain bit/s. Options are handed to the interface as they are; `bitrate` and
        `data_bitrate` take `k` and `M` too.

        Raises:
            UsageError: the text has another form, the interface is unknown, or a bit rate makes no sense.
        """
        shape = _SHAPE.fullmatch(text.strip())
        if shape is None:
            raise UsageError(f"bus {text!r}: expected {FORM}, for example {EXAMPLE}")
        interface = shape["interface"]
        if interface == CONFIGURED:
            return configured_bus(shape["rest"], shape["name"] or "", text.strip())
        if interface not in BACKENDS:
            known = ", ".join(sorted(BACKENDS))
            raise UsageError(
                f"bus {text!r}: there is no interface {interface!r}{nearest(interface, BACKENDS)}; the interfaces are "
                f"{known}"
            )
        channel, options = _channel_and_options(text, shape["rest"])
        channel, at, rate = channel.rpartition("@")
        if not at:
            channel, rate = rate, ""
        if not channel:
            raise UsageError(f"bus {text!r}: no channel after {interface!r}; expected {FORM}, for example {EXAMPLE}")
        if rate and "bitrate" in options:
            raise UsageError(f"bus {text!r}: the bit rate is given twice, as @{rate} and as an option")
        bitrate = _rate(text, rate or options.pop("bitrate", ""), LOWEST_RATE, HIGHEST_RATE)
        values: dict[str, Any] = {key: can.util.cast_from_string(value) for key, value in options.items()}
        if "data_bitrate" in options:
            values["data_bitrate"] = _rate(text, options["data_bitrate"], LOWEST_RATE, HIGHEST_DATA_RATE)
        return cls(shape["name"] or channel, interface, channel, bitrate, values, text.strip())

    def __str__(self) -> str:
        return self.text or f"{self.name}={self.interface}:{self.channel}"


def configured_bus(section: str, name: str, text: str) -> LiveBus:
    """The bus that python-can's own configuration names: its environment variables (CAN_INTERFACE, CAN_CHANNEL,
    CAN_BITRATE, CAN_CONFIG) and files, with what they have in `section` where one is named.

    Raises:
        UsageError: it names none.
    """
    try:
        found: dict[str, Any] = dict(can.util.load_config(context=section or None))
    except (can.CanError, ValueError, OSError, configparser.Error) as error:
        raise UsageError(
            f"bus {text!r}: python-can's own configuration names no adapter{f' under {section!r}' if section else ''}: "
            f"{str(error).splitlines()[0] if str(error) else type(error).__name__}; set CAN_INTERFACE and CAN_CHANNEL, "
            f"or write {FORM}"
        ) from None
    interface, channel = str(found.pop("interface")), found.pop("channel", None)
    bitrate = found.pop("bitrate", None)
    options = {key: value for key, value in found.items() if value is not None and key != "app_name"}
    shown = "" if channel is None else str(channel)
    return LiveBus(name or shown or interface, interface, shown, bitrate, options, text)


def parse_live_buses(texts: Iterable[str]) -> list[LiveBus]:
    """All buses of a command line.

    Raises:
        UsageError: one is wrong, two have one name, or the same channel is opened twice.
    """
    buses: list[LiveBus] = []
    for text in texts:
        bus = LiveBus.parse(text)
        for other in buses:
            if other.name == bus.name:
                raise UsageError(
                    f"bus {text!r}: another bus is called {bus.name!r} already; give each a name of its own, for "
                    f"example engine={bus.interface}:{bus.channel}"
                )
            if (other.interface, other.channel, other.options) == (bus.interface, bus.channel, bus.options):
                raise UsageError(f"bus {text!r}: {bus.interface}:{bus.channel} is listened to already, as {other}")
        buses.append(bus)
    return buses


def _channel_and_options(text: str, rest: str) -> tuple[str, dict[str, str]]:
    """Split what follows the interface at its commas. A channel may itself hold commas (`0,1`)."""
    channel, *pieces = rest.split(",")
    options: dict[str, str] = {}
    for piece in pieces:
        key, equals, value = piece.partition("=")
        if equals and key.isidentifier() and value:
            options[key] = value
        elif not equals and not options:
            channel += f",{piece}"
        else:
            raise UsageError(f"bus {text!r}: {piece!r} is no option; expected OPTION=VALUE after the comma")
    return channel, options


def _rate(text: str, rate: str, lowest: int, highest: int) -> int | None:
    if not rate:
        return None
    found = _RATE.fullmatch(rate)
    if found is None:
        raise UsageError(f"bus {text!r}: {rate!r} is no bit rate; expected bit/s such as 500k or 1M")
    bits = round(float(found["number"]) * {"": 1, "k": 1_000, "M": 1_000_000}[found["factor"]])
    if not lowest <= bits <= highest:
        meant = f"; did you mean {rate}k?" if not found["factor"] and lowest <= bits * 1000 <= highest else ""
        raise UsageError(
            f"bus {text!r}: {bits} bit/s is no bit rate of this bus; expected {lowest} to {highest} bit/s{meant}"
        )
    return bits
