"""Signals that ask a run for its end, noted instead of ending the process at once: the run ends in order.

with signals_noted("SIGTERM", "SIGHUP") as noted:
    ...  # look at `noted` now and then
"""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator

__all__ = ["signals_noted"]


@contextlib.contextmanager
def signals_noted(*names: str) -> Iterator[list[int]]:
    """The numbers of those signals that came, in their order. Names that this system does not have are left out; so are
    those that this process was started to ignore (`nohup`), and all of them outside the main thread, which alone may
    listen."""
    noted: list[int] = []
    main = threading.current_thread() is threading.main_thread()
    numbers = [getattr(signal, name) for name in names if main and hasattr(signal, name)]
    before = [(number, signal.getsignal(number)) for number in numbers]
    before = [(number, handler) for number, handler in before if handler is not signal.SIG_IGN]
    for number, _ in before:
        signal.signal(number, lambda number, frame: noted.append(number))
    try:
        yield noted
    finally:
        for number, handler in before:
            signal.signal(number, handler)
