"""What the libraries that read files have to say, kept from the user's screen and counted.

python-can and asammdf log what they find odd in a file. While a `CountedLog` is entered, those records go nowhere
else; warnings and worse become counts in plain words.
"""

from __future__ import annotations

import logging
from collections import Counter

__all__ = ["CountedLog"]

_PHRASES = {
    "can.io.trc": "lines that are not frames",
    "can.io.asc": "frames whose length contradicts their data",
}


class CountedLog(logging.Handler):
    """A context in which the libraries' log records only count."""

    def __init__(self, counts: Counter[str]) -> None:
        super().__init__(logging.WARNING)
        self._counts = counts
        self._loggers = [logging.getLogger(name) for name in ("can.io", "asammdf")]
        self._passed_on: list[bool] = []

    def __enter__(self) -> None:
        self._passed_on = [logger.propagate for logger in self._loggers]
        for logger in self._loggers:
            logger.addHandler(self)
            logger.propagate = False

    def __exit__(self, *_: object) -> None:
        for logger, passed_on in zip(self._loggers, self._passed_on, strict=True):
            logger.removeHandler(self)
            logger.propagate = passed_on

    def emit(self, record: logging.LogRecord) -> None:
        """Count one thing a library was not happy about. (python-can warns of empty TRC lines too.)"""
        if record.args != ("",):
            self._counts[_PHRASES.get(record.name, f"warnings of the {record.name.split('.')[0]} library")] += 1
