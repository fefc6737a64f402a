"""What tests of live things wait with: conditions whose end is generous, so that no test depends on how fast the
machine is, and ports that nobody else uses."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable

__all__ = ["free_udp_port", "until"]


def until(condition: Callable[[], object], seconds: float = 30.0) -> None:
    """Wait until something is true; fail if it does not come true."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.02)


def free_udp_port() -> int:
    """A port for a bus of this test alone: frames of a multicast group reach everybody who listens on its port."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        one.bind(("", 0))
        return int(one.getsockname()[1])
