"""Opening one adapter through python-can, to listen and nothing else.

A `LiveBus` comes in, an open python-can bus comes out, or one sentence saying which interface and channel could not be
opened, why, and what to check. The adapter is told not to send our own frames back, and, unless transmitting was asked
for, to stay silent on the wire (not even acknowledging) wherever its interface can be told so. An option the user gave
overrides that: a bench with a single control unit needs somebody to acknowledge.
"""

from __future__ import annotations

import importlib
import inspect
import logging
import re
from importlib.metadata import PackageNotFoundError, metadata
from typing import Any

from livewatch.data.python_can import BACKENDS, can
from livewatch.errors import SourceError
from livewatch.sources.live.socket import keep_to_own_group, widen_buffer
from livewatch.sources.live.spec import LiveBus

__all__ = ["forget_partial_message", "open_bus", "stays_silent", "takes_bit_rate"]

# Without a handler of its own, what python-can logs about absent drivers would be printed across the screen.
logging.getLogger("can").addHandler(logging.NullHandler())

USUAL_RATE = 500_000
"""bit/s of a car's bus (ISO 15765-4)."""
FD_CLOCK, SAMPLE_POINT = 80_000_000, 80.0
"""Hz of the clock of a CAN FD controller, and where a bit is sampled, %: as CiA 601-3 recommends, from memory."""
_SILENT: dict[str, Any] = {
    "listen_only": True,
    "monitor": True,
    "driver_mode": False,
    "operation_mode": "silent",
    "state": can.BusState.PASSIVE,
}
"""Names under which python-can's interfaces take "stay silent", and the value that says so."""
_SILENT_UNNAMED = ("listen_only", "state")
"""Those of them that some interfaces take without declaring them; the others of python-can ignore them."""


def open_bus(bus: LiveBus, transmit: bool) -> can.BusABC:
    """Open the adapter.

    Raises:
        SourceError: the driver is missing, the adapter is not there, or it does not accept the settings.
    """
    try:
        keywords = _keywords(bus, _class_of(bus.interface), transmit)
        channel: Any = can.util.cast_from_string(bus.channel)
        opened = can.Bus(channel, bus.interface, ignore_config=True, **keywords)
    except Exception as error:
        raise SourceError(_why(bus, error)) from error
    widen_buffer(opened)
    if bus.interface == "udp_multicast":
        keep_to_own_group(opened)
    return opened


def forget_partial_message(adapter: can.BusABC) -> None:
    """After a read that made no sense: python-can's serial interfaces keep what they have of a message, and would try
    the same bytes with every following one."""
    kept = getattr(adapter, "_buffer", None)
    if isinstance(kept, bytearray):
        kept.clear()


def stays_silent(bus: LiveBus, transmit: bool) -> bool | None:
    """Whether the interface was told to stay silent on the wire; None when it cannot be told through python-can."""
    try:
        keywords = _keywords(bus, _class_of(bus.interface), transmit)
        named = inspect.signature(_class_of(bus.interface)).parameters
    except Exception:
        return None
    told = [keywords.get(name) == value for name, value in _SILENT.items() if name in named]
    return any(told) if told else None


def takes_bit_rate(bus: LiveBus, fd: bool = False) -> bool:
    """Whether the interface sets the bit rate itself, and, for `fd`, that of CAN FD too. (A network interface of the
    system has its own; software buses have none.)"""
    try:
        named = inspect.signature(_class_of(bus.interface)).parameters
    except Exception:
        return False
    if bus.interface in ("socketcan", "virtual", "udp_multicast"):
        return False
    return bool({"data_bitrate", "fd", "timing"} & set(named)) if fd else "bitrate" in named


def _class_of(interface: str) -> type[can.BusABC]:
    module, name = BACKENDS[interface]
    found: type[can.BusABC] = getattr(importlib.import_module(module), name)
    return found


def _keywords(bus: LiveBus, kind: type[can.BusABC], transmit: bool) -> dict[str, Any]:
    parameters = inspect.signature(kind).parameters
    catches_all = any(parameter.kind is parameter.VAR_KEYWORD for parameter in parameters.values())
    # An interface from outside python-can may hand unknown keywords on to its driver: only declared ones for it.
    lenient = catches_all and kind.__module__.startswith("can.interfaces.")
    keywords: dict[str, Any] = {}
    if "receive_own_messages" in parameters or lenient:
        keywords["receive_own_messages"] = False
    if not transmit:
        keywords |= {
            name: value
            for name, value in _SILENT.items()
            if name in parameters or (lenient and name in _SILENT_UNNAMED)
        }
    if bus.bitrate is not None and ("bitrate" in parameters or catches_all):
        keywords["bitrate"] = bus.bitrate
    if bus.interface == "socketcan":
        # The kernel keeps CAN FD frames from a socket that did not ask for them; asking changes nothing on the wire.
        keywords["fd"] = True
    keywords.update(bus.options)
    if keywords.get("fd") and "timing" in parameters and not {"fd", "data_bitrate"} & set(parameters):
        # It takes the rates of CAN FD as a timing only.
        nominal, data = keywords.pop("bitrate", USUAL_RATE), keywords.pop("data_bitrate", 4 * USUAL_RATE)
        keywords["timing"] = can.BitTimingFd.from_sample_point(FD_CLOCK, nominal, SAMPLE_POINT, data, SAMPLE_POINT)
        del keywords["fd"]
    return keywords


def _why(bus: LiveBus, error: Exception) -> str:
    head = f"bus {bus.name!r}: "
    if isinstance(error, can.CanInterfaceNotImplementedError | ImportError | NameError | AttributeError):
        # An interface whose driver library did not load fails on the first name it would have brought.
        nameless = isinstance(error, NameError | AttributeError)
        reason = "its driver library could not be loaded" if nameless else _reason(error)
        remedy = _install(bus.interface, reason)
        return f"{head}interface {bus.interface!r} cannot be used on this machine: {reason}; {remedy}"
    if isinstance(error, ValueError | TypeError):
        return (
            f"{head}{bus.interface} does not accept channel {bus.channel!r} with these settings: {_reason(error)}; "
            "check the channel, the bit rate and the options"
        )
    return f"{head}cannot open {bus.interface} channel {bus.channel!r}: {_reason(error)}; {_check(bus)}"


def _reason(error: BaseException) -> str:
    """The library's words in one line, without error numbers, class names and final full stop."""
    if isinstance(error, OSError) and error.strerror and error.filename is None:
        text = error.strerror
    else:
        text = str(error).strip() or type(error).__name__
    text = text.splitlines()[0]
    text = re.sub(r"\b\w+\.__init__\(\) ", "", text)
    text = re.sub(r"\[Errno -?\d+\] ", "", text)
    return re.sub(r"\s*\([^()]*site-packages[^()]*\)", "", text).rstrip(". ")


def _check(bus: LiveBus) -> str:
    if bus.channel.startswith(("/dev/", "COM")):
        return "check that the adapter is plugged in, that this is its port, and that you may open it"
    if bus.interface == "socketcan":
        return f"check with `ip link show {bus.channel}` that the interface exists and is up"
    return (
        "check that the adapter is plugged in, that its driver is installed and that the channel is right; "
        "`livewatch watch --list-buses` shows what is found"
    )


def _install(interface: str, reason: str) -> str:
    """How to get what is missing: python-can names the packages that its interfaces need as extras of its own."""
    try:
        extras = metadata("python-can").get_all("Provides-Extra") or []
    except PackageNotFoundError:
        extras = []
    wanted = [interface.replace("_", "-")]
    wanted += ["serial"] if "serial" in reason else []
    wanted += ["multicast"] if "msgpack" in reason else []
    for name in wanted:
        if name in extras:
            return f'install its package with: pip install "python-can[{name}]"'
    return "install the driver that came with the adapter"
