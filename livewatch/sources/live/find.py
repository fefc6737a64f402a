"""Which adapters this machine has, as far as python-can can find out.

Nothing comes in; a list of `FoundBus` comes out, each with the text that opens it. Every interface is asked on its own
and may fail on its own: most of them have no driver on a given machine. Some adapters (those behind a plain serial
port, for one) cannot be found this way; a serial port that was found may be one.
"""

from __future__ import annotations

import concurrent.futures
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import livewatch.sources.live.open  # noqa: F401  python-can is told not to print, before any driver is looked for
from livewatch.data.python_can import BACKENDS, can

__all__ = ["FoundBus", "found_buses_text", "list_buses"]

LONGEST = 4.0
"""Seconds to wait for all interfaces; the slowest listens three seconds for a network daemon to announce itself."""
_SOFTWARE = frozenset({"virtual", "udp_multicast"})


@dataclass(frozen=True, slots=True)
class FoundBus:
    """One channel that could be opened.

    Attributes:
        interface, channel: as python-can calls them.
        software: whether there is no adapter behind it, only this machine or its network.
        detail: what else the interface told (a serial number, a device's name).
    """

    interface: str
    channel: str
    software: bool = False
    detail: Mapping[str, Any] = field(default_factory=dict)

    @property
    def text(self) -> str:
        """What opens it on the command line, bit rate aside."""
        options = "".join(f",{key}={value}" for key, value in self.detail.items() if isinstance(value, int | str))
        return f"{self.interface}:{self.channel}{options}"


def list_buses() -> list[FoundBus]:
    """Ask every interface of python-can. Never raises; takes up to four seconds."""
    found: list[FoundBus] = []
    pool = concurrent.futures.ThreadPoolExecutor(max_workers=len(BACKENDS), thread_name_prefix="livewatch find")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        asked = {pool.submit(_ask, interface): interface for interface in sorted(BACKENDS)}
        concurrent.futures.wait(asked, timeout=LONGEST)
        for answer in asked:
            if answer.done():
                found.extend(answer.result())
    pool.shutdown(wait=False, cancel_futures=True)
    return sorted(found, key=lambda bus: (bus.software, bus.interface, bus.channel))


def found_buses_text(found: Sequence[FoundBus]) -> str:
    """What `list_buses` found, for a person to read; one bus a line."""
    adapters = [bus for bus in found if not bus.software]
    lines = ["Adapters found:"] if adapters else ["No adapter was found."]
    width = max((len(bus.text) for bus in found), default=0)
    for bus in adapters:
        hint = (
            "a serial port, USB or Bluetooth; if an adapter is behind it, most are opened with slcan:"
            if _is_port(bus)
            else ""
        )
        lines.append(f"  {bus.text:<{width}}  {hint}{bus.channel if hint else ''}".rstrip())
    lines.append("Without an adapter:")
    for bus in found:
        if bus.software:
            hint = "any name; within one process" if bus.interface == "virtual" else "between programs on this network"
            lines.append(f"  {bus.text:<{width}}  {hint}")
    lines.append(
        "Add the bit rate where the adapter sets it, for example @500k. Some adapters cannot be found this way;"
    )
    lines.append("name those by hand: [NAME=]INTERFACE:CHANNEL[@BITRATE].")
    return "\n".join(lines)


def _is_port(bus: FoundBus) -> bool:
    return bus.interface == "serial"


def _ask(interface: str) -> list[FoundBus]:
    if interface == "virtual":
        return [FoundBus("virtual", "test", software=True)]
    try:
        answers = can.detect_available_configs([interface], timeout=LONGEST - 0.5)
    except Exception:
        return []
    buses: list[FoundBus] = []
    for answer in answers:
        detail = {key: value for key, value in answer.items() if key not in ("interface", "channel")}
        name = str(answer.get("interface", interface))
        buses.append(FoundBus(name, str(answer.get("channel", "")), name in _SOFTWARE, detail))
    return buses
