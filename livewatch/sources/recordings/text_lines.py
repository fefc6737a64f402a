"""Lines of a text recording, handed to one of python-can's readers one at a time.

The bytes of a recording come in; whole lines of text go out, as the file object that python-can's readers expect.
Each reader gives up at the first line it cannot take; because the lines come from here, a new one can be started
behind that line (`start_again`), so that one bad line costs one line. A last line without its line end may have lost
digits; it is given out too, and `cut` then holds it. Lines of absurd length are withheld and counted.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from decimal import Decimal

from livewatch.data.clock import nanoseconds_of
from livewatch.sources.recordings.byte_stream import ByteStream

__all__ = ["CSV_HEADER", "AscLines", "CsvLines", "TextLines"]

_CHUNK = 1 << 16
_LONGEST_LINE = 1 << 16


class TextLines:
    """An iterator of lines that python-can takes for a text file."""

    restart: tuple[str, ...] = ()
    """Lines a newly started reader has to see before it goes on in the middle of a file."""

    def __init__(self, stream: ByteStream, counts: Counter[str]) -> None:
        self._counts = counts
        self._lines = self._whole_lines(stream)
        self._first: list[str] = []
        self.read = 0
        """Lines given out so far."""
        self.cut = ""
        """The last line, once given out, when it has no line end."""

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        if self._first:
            return self._first.pop(0)
        line = next(self._lines)
        self.read += 1
        return self.seen(line)

    def seen(self, line: str) -> str:
        """Look at a line that is about to be given out, and return what is given out in its place."""
        return line

    def start_again(self) -> None:
        """Have the next reader begin with the `restart` lines."""
        self._first = list(self.restart)

    def close(self) -> None:
        """Part of what python-can expects of a file."""

    def _whole_lines(self, stream: ByteStream) -> Iterator[str]:
        rest = b""
        overlong = False
        while piece := stream.read_exactly(_CHUNK):
            *whole, rest = (rest + piece).split(b"\n")
            for line in whole:
                if not overlong:
                    yield _text(line)
                overlong = False
            if len(rest) > _LONGEST_LINE:
                self._counts["lines that are not frames"] += not overlong
                rest, overlong = b"", True
        if rest.strip() and not overlong:
            self.cut = _text(rest)
            yield self.cut


CSV_HEADER = "timestamp,arbitration_id,extended,remote,error,dlc,data"


class CsvLines(TextLines):
    """Lines of a CSV recording; the reader drops the first one it sees, the header."""

    restart = (CSV_HEADER + "\n",)


class AscLines(TextLines):
    """Lines of an ASC recording.

    `start` is when the recording, or its latest block, began: nanoseconds since the Unix epoch, 0 when it does not
    say. An ASC file gives local time without a zone; it is taken as UTC, so that it means the same on every machine.
    When the header says that times count from the line before, they are rewritten to count from the beginning.
    """

    restart = ("internal events logged\n",)

    def __init__(self, stream: ByteStream, counts: Counter[str]) -> None:
        super().__init__(stream, counts)
        self.start = 0
        self._relative = False
        self._elapsed = Decimal(0)
        self._in_header = True

    def seen(self, line: str) -> str:
        """Take the dates out of the header lines; put the time since the beginning into the others."""
        if found := _DATE.match(line):
            start = _asc_date(found[1])
            if start is None:
                self._counts["dates that cannot be read"] += 1
            self.start = start or 0
            self._elapsed = Decimal(0)
        elif found := _BASE.match(line):
            self._relative = found[1].lower() == "relative"
        elif self._relative and (found := _STAMP.match(line)):
            self._elapsed += Decimal(found[1])
            line = f"{self._elapsed} {line[found.end() :]}"
        if self._in_header and not _HEADER.match(line):
            # The reader takes the first line that is none of these for the end of the header, and drops it.
            self._first.append(line)
            line = self.restart[0]
        self._in_header = self._in_header and not _EVENTS.match(line)
        return line


_DATE = re.compile(r"\s*(?:date|begin\s+triggerblock)\s+\S+\s+(.+?)\s*\Z", re.IGNORECASE)
_HEADER = re.compile(r"\s*(?:date\s|base\s|//|(?:no)?\s*internal\s+events\s+logged)", re.IGNORECASE)
_EVENTS = re.compile(r"\s*(?:no)?\s*internal\s+events\s+logged", re.IGNORECASE)
_BASE = re.compile(r"\s*base\s+\S+\s+timestamps\s+(\w+)", re.IGNORECASE)
_STAMP = re.compile(r"\s*(\d+\.\d+)\s")
_MOMENT = re.compile(
    r"(?P<month>[^\W\d]{3})\w*\.?\s+(?P<day>\d+)\s+(?P<hour>\d+):(?P<minute>\d+):(?P<second>\d+)(?:\.(?P<fraction>\d+))?"
    r"(?:\s+(?P<half>am|pm))?\s+(?P<year>\d{4})\Z",
    re.IGNORECASE,
)
_MONTHS = {
    name: number
    for number, names in enumerate(
        ("jan", "feb", "mar mär", "apr", "may mai", "jun", "jul", "aug", "sep", "oct okt", "nov", "dec dez"), 1
    )
    for name in names.split()
}


def _asc_date(text: str) -> int | None:
    """Nanoseconds since the Unix epoch of `Sep 30 10:06:13.191 PM 2017`, None when it reads otherwise."""
    found = _MOMENT.match(text)
    month = _MONTHS.get(found["month"].lower()) if found else None
    if found is None or month is None:
        return None
    hour = int(found["hour"])
    if found["half"]:
        hour = hour % 12 + (12 if found["half"].lower() == "pm" else 0)
    try:
        moment = datetime(
            int(found["year"]), month, int(found["day"]), hour, int(found["minute"]), int(found["second"])
        )
        begun = nanoseconds_of(moment)
    except ValueError:
        return None
    return begun + int((found["fraction"] or "")[:9].ljust(9, "0"))


def _text(line: bytes) -> str:
    try:
        return line.decode("utf-8") + "\n"
    except UnicodeDecodeError:
        return line.decode("latin-1") + "\n"
