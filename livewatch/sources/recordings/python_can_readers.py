"""Recordings read by python-can's own readers, kept in hand.

The content of a recording comes in, batches of frames go out, for every format python-can reads. Whatever its readers
do in the face of a bad line or block (raise, warn, stop) becomes a count, and reading goes on behind it where the
format has lines. Nothing they log reaches the user.
"""

from __future__ import annotations

import io
from abc import abstractmethod
from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Any, ClassVar

from livewatch.data.frames import MOST_BUSES, FrameBatch
from livewatch.data.messages import columns_by_channel
from livewatch.errors import SourceError
from livewatch.sources.recordings.byte_stream import ByteStream
from livewatch.sources.recordings.format_reader import FormatReader
from livewatch.sources.recordings.text_lines import CSV_HEADER, AscLines, CsvLines, TextLines

if TYPE_CHECKING:
    import can

__all__ = ["AscReader", "CsvReader", "PlainBlfReader", "PlainCandumpReader", "PythonCanReader", "TrcReader"]

_MESSAGES = 1024
"""Messages made into one batch."""
_LATEST = 9.2e9
"""Seconds since the Unix epoch that still fit 64 bits of nanoseconds."""


class PythonCanReader(FormatReader):
    """Batches of what one of python-can's readers finds."""

    reader: ClassVar[str]
    """Name of the reader's class in python-can."""

    @abstractmethod
    def messages(self) -> Iterator[can.Message]:
        """The messages in order. Raises whatever python-can raises where it can go no further."""

    def open_reader(self, source: object) -> Any:
        """python-can's reader of `source`. (Importing python-can takes half a second, which others need not wait.)"""
        from livewatch.data.python_can import can, with_mf4

        return getattr(with_mf4() if self.reader == "MF4Reader" else can, self.reader)(source)

    @property
    def offset(self) -> int:
        """Nanoseconds to add to the time of the message that came last."""
        return 0

    def frames(self) -> Iterator[FrameBatch]:
        """All frames in order, at most 1024 a batch."""
        from livewatch.sources.library_log import CountedLog  # late: logging is dear to load

        messages = self._usable_messages()
        while True:
            with CountedLog(self.counts):
                group, offset = next(messages, ([], 0))
            if not group:
                return
            batch = columns_by_channel(group)
            yield replace(batch, time=batch.time + offset) if offset else batch

    def _usable_messages(self) -> Iterator[tuple[list[can.Message], int]]:
        """Messages in groups of the same offset, which is given with them."""
        group: list[can.Message] = []
        channels: set[object] = set()
        offset = 0
        try:
            for message in self.messages():
                if not _fits(message):
                    self.counts["frames with a field out of range"] += 1
                    continue
                if group and (len(group) == _MESSAGES or len(channels) == MOST_BUSES or self.offset != offset):
                    yield group, offset
                    group, channels = [], set()
                offset = self.offset
                group.append(message)
                channels.add(message.channel)
        except SourceError:
            raise
        except Exception:  # python-can's readers raise whatever the bytes lead them to
            self.counts["places behind which nothing can be read"] += 1
        if group:
            yield group, offset


def _fits(message: can.Message) -> bool:
    """Whether a message has a place in a `FrameBatch`; python-can's readers believe any digits they find."""
    return (
        0 <= message.arbitration_id <= 0x1FFFFFFF
        and len(message.data) <= 64
        and (0 <= message.dlc <= 64 or not message.is_remote_frame)
        and -_LATEST < message.timestamp < _LATEST
    )


class LineReader(PythonCanReader):
    """A format of lines: behind one that python-can's reader cannot take, a new reader goes on."""

    lines_class: ClassVar[type[TextLines]] = TextLines

    def __init__(self, stream: ByteStream) -> None:
        super().__init__(stream)
        self.lines = self.lines_class(stream, self.counts)

    def messages(self) -> Iterator[can.Message]:
        """The messages of every line python-can can take."""
        reader = self.open_reader(self.lines)
        read = -1
        while self.lines.read > read:
            read = self.lines.read
            try:
                for message in reader:
                    if not self.lines.cut or self.is_whole(message, self.lines.cut):
                        yield message
                    else:
                        self.counts["last line cut off"] += 1
                return
            except (ValueError, IndexError, KeyError, TypeError, NotImplementedError, OverflowError):
                self.counts["last line cut off" if self.lines.cut else "lines that are not frames"] += 1
                self.lines.start_again()

    def is_whole(self, message: can.Message, line: str) -> bool:
        """Whether a message from a line without line end lost nothing: all its bytes stand there with two digits."""
        written = f" {' '.join(line.lower().split())} "
        return 0 < message.dlc == len(message.data) and f" {message.data.hex(' ')} " in written


class PlainCandumpReader(LineReader):
    """python-can's candump reader, for a file that livewatch's own cannot take."""

    name, suffix, reader = "candump", ".log", "CanutilsLogReader"

    @classmethod
    def recognises(cls, head: bytes) -> bool:
        """Never asked."""
        return False

    def is_whole(self, message: can.Message, line: str) -> bool:
        """As in livewatch's own reader: the direction stands behind the data."""
        return line.strip()[-2:].lower() in (" r", " t")


class AscReader(LineReader):
    """ASC: text, `.asc`. Times are the file's own date, taken as UTC, and the time of the line."""

    name, suffix, reader = "ASC", ".asc", "ASCReader"
    lines_class = AscLines

    @classmethod
    def recognises(cls, head: bytes) -> bool:
        """A date line, or a line with the number base, comes first."""
        lines = [line.split() for line in head[:2000].lower().split(b"\n")]
        lines = [line for line in lines if line and not line[0].startswith(b"//")]
        return bool(lines) and (lines[0][0] == b"date" or lines[0][:2] in ([b"base", b"hex"], [b"base", b"dec"]))

    @property
    def offset(self) -> int:
        """When the recording began."""
        assert isinstance(self.lines, AscLines)
        if self.start_time is None and self.lines.start:
            self.start_time = self.lines.start
        return self.lines.start


class CsvReader(LineReader):
    """The CSV recordings that python-can writes: no bus, no CAN FD; data in base 64."""

    name, suffix, reader = "CSV", ".csv", "CSVReader"
    lines_class = CsvLines

    @classmethod
    def recognises(cls, head: bytes) -> bool:
        """Its header line comes first."""
        return head.startswith(CSV_HEADER.encode())

    def is_whole(self, message: can.Message, line: str) -> bool:
        """As many bytes as announced; base 64 that lost digits has fewer."""
        return message.dlc == len(message.data) or message.is_remote_frame


class TrcReader(LineReader):
    """TRC: text, `.trc`, versions 1.0 to 2.1."""

    name, suffix, reader = "TRC", ".trc", "TRCReader"

    @classmethod
    def recognises(cls, head: bytes) -> bool:
        """It begins with comments."""
        return head.startswith((b";$FILEVERSION", b";##", b";--"))

    def is_whole(self, message: can.Message, line: str) -> bool:
        """A remote frame's line ends with `RTR` or with its length of one digit."""
        if message.is_remote_frame:
            return line.split()[-1] in ("RTR", str(message.dlc))
        return super().is_whole(message, line)


class IndexedReader(PythonCanReader):
    """A format python-can reads by path, not from a stream, and whose number of frames is known beforehand."""

    def __init__(self, stream: ByteStream) -> None:
        super().__init__(stream)
        self._read, self._total = 0, 1

    @property
    def progress(self) -> float:
        """The share of frames read so far, 0..1."""
        return min(1.0, self._read / self._total)

    def counted(self, messages: Iterable[can.Message], total: int) -> Iterator[can.Message]:
        """The messages, `total` of them if the file holds what it says."""
        self._total = max(1, total)
        for message in messages:
            self._read += 1
            yield message
        self._total = max(1, self._read)


class PlainBlfReader(PythonCanReader):
    """python-can's BLF reader, for a file that livewatch's own cannot take."""

    name, suffix, reader = "BLF", ".blf", "BLFReader"

    @classmethod
    def recognises(cls, head: bytes) -> bool:
        """Never asked."""
        return False

    def messages(self) -> Iterator[can.Message]:
        """The messages until the first block that cannot be read."""
        reader = self.open_reader(io.BufferedReader(self.stream))
        self.start_time = round(reader.start_timestamp * 1000) * 1_000_000
        yield from reader
