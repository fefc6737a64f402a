"""What the kernel keeps for a bus that is a socket (SocketCAN, UDP): its receive buffer, and what did not fit into it.

An open python-can bus comes in. All functions do nothing, and say so, for a bus that is no socket or a system that
does not tell.
"""

from __future__ import annotations

import socket
import struct
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from livewatch.data.python_can import can

__all__ = ["dropped_frames", "keep_to_own_group", "widen_buffer"]

RECEIVE_BUFFER = 4 << 20
"""Bytes asked of the kernel: half a second of a full 1 Mbit/s bus, at about a kilobyte of kernel memory a frame."""
_SO_MEMINFO = 55
"""Linux, asm-generic/socket.h: nine counters of a socket's memory; the last counts what was dropped."""
_IP_MULTICAST_ALL, _IPV6_MULTICAST_ALL = 49, 29
"""Linux, linux/in.h and linux/in6.h."""
_MEMINFO = struct.Struct("=9I")


@contextmanager
def _socket_of(bus: can.BusABC) -> Iterator[socket.socket]:
    """The bus's own socket, for setting and asking only.

    Raises:
        OSError: the bus is no socket.
    """
    try:
        handle = socket.socket(fileno=bus.fileno())
    except (NotImplementedError, AttributeError, ValueError, can.CanError) as error:
        raise OSError("no socket") from error
    try:
        yield handle
    finally:
        handle.detach()


def widen_buffer(bus: can.BusABC) -> None:
    """Ask for a large receive buffer, so that a busy moment of this process loses nothing. The kernel may give less."""
    try:
        with _socket_of(bus) as handle:
            handle.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER)
    except OSError:
        return


def keep_to_own_group(bus: can.BusABC) -> None:
    """Have a multicast bus receive what is sent to its own group alone. Linux gives a socket everything that any
    program of the machine joined on the same port, unless told otherwise."""
    if sys.platform != "linux":
        return
    try:
        with _socket_of(bus) as handle:
            if handle.family == socket.AF_INET6:
                handle.setsockopt(socket.IPPROTO_IPV6, _IPV6_MULTICAST_ALL, 0)
            else:
                handle.setsockopt(socket.IPPROTO_IP, _IP_MULTICAST_ALL, 0)
    except OSError:
        return


def dropped_frames(bus: can.BusABC) -> int:
    """Frames that the kernel threw away since the bus was opened because its buffer was full; 0 where it does not
    tell."""
    if sys.platform != "linux":
        return 0
    try:
        with _socket_of(bus) as handle:
            answer = handle.getsockopt(socket.SOL_SOCKET, _SO_MEMINFO, _MEMINFO.size)
    except OSError:
        return 0
    return int(_MEMINFO.unpack(answer)[8]) if len(answer) == _MEMINFO.size else 0
