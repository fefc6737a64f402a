"""Recordings of bus frames, opened by path.

A path comes in, a `Recording` goes out: batches of frames in the order they were recorded, the format's name, when it
began, how far reading has come, and what was odd, counted. The format is chosen by the file's suffix and checked
against its content. candump and BLF are read by livewatch's own vectorised readers, everything else by python-can's,
which also take over, at the very frame, when one of ours cannot go on. Memory does not grow with the recording.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path

from livewatch.data.frames import MOST_BUSES, FrameBatch
from livewatch.errors import SourceError, nearest, oddities
from livewatch.sources.recordings.blf.blf_reader import BlfReader
from livewatch.sources.recordings.byte_stream import ByteStream
from livewatch.sources.recordings.candump.candump_reader import CandumpReader
from livewatch.sources.recordings.database_reader import DatabaseReader
from livewatch.sources.recordings.format_reader import FormatReader
from livewatch.sources.recordings.mf4_reader import Mf4Reader
from livewatch.sources.recordings.python_can_readers import (
    AscReader,
    CsvReader,
    PlainBlfReader,
    PlainCandumpReader,
    TrcReader,
)

__all__ = ["FORMATS", "Recording", "open_recording", "recording_suffix"]

READERS: tuple[type[FormatReader], ...] = (
    CandumpReader,
    BlfReader,
    AscReader,
    TrcReader,
    CsvReader,
    DatabaseReader,
    Mf4Reader,
)
"""One reader for each format. A new format is a new file with its reader, and that reader's name here."""

FORMATS: Mapping[str, type[FormatReader]] = {reader.suffix: reader for reader in READERS}
"""Suffix to the reader of that format. Each may be followed by `.gz`."""

SPREADSHEETS = (".xlsx", ".xls", ".xlsm", ".ods", ".numbers")
"""Suffixes of what people keep tables in, and livewatch does not read."""

TAKEOVERS: Mapping[type[FormatReader], type[FormatReader]] = {
    CandumpReader: PlainCandumpReader,
    BlfReader: PlainBlfReader,
}
"""Who goes on when a reader of ours cannot."""


class Recording:
    """One opened recording.

    `format` is what people call its format. `batches` may be asked for again: each time reading begins anew, with
    `counts` and `progress`.
    """

    def __init__(self, path: Path, kind: type[FormatReader]) -> None:
        self.path = path
        self._kind = kind
        self._own_counts: Counter[str] = Counter()
        self._reader, self._frames = self._begin()
        self._begun = False
        self._first: FrameBatch | None = None
        self._first_time: int | None = None
        if not kind.holds_a_frame(self._reader.stream.head):
            self._find_first()

    @property
    def format(self) -> str:
        """What people call its format."""
        return self._kind.name

    @property
    def counts(self) -> dict[str, int]:
        """What was odd so far, by plain-worded kind."""
        return dict(self._own_counts + self._reader.stream.counts + self._reader.counts)

    @property
    def progress(self) -> float:
        """The share of the file read so far, 0..1."""
        return self._reader.progress

    @property
    def start_time(self) -> int:
        """Nanoseconds since the Unix epoch: when the recording says it began, else the time of its first frame."""
        if self._reader.start_time is not None:
            return self._reader.start_time
        return self._find_first() if self._first_time is None else self._first_time

    def batches(self, size: int = 65536) -> Iterator[FrameBatch]:
        """All frames in the order they were recorded, `size` a batch.

        A batch is shorter at the end, and where more than 256 buses would meet in one.

        Raises:
            SourceError: the file went away or its disk failed.
        """
        if self._begun:
            self._own_counts.clear()
            self._reader, self._frames = self._begin()
        self._begun = True
        waiting = [self._first] if self._first is not None else []
        self._first = None
        count, names = sum(map(len, waiting)), {name for batch in waiting for name in batch.buses}
        try:
            while True:
                if count >= size:
                    joined = FrameBatch.concatenate(waiting)
                    whole = count - count % size
                    for start in range(0, whole, size):
                        yield joined[start : start + size]
                    waiting, count, names = [joined[whole:]], count - whole, set(joined.buses)
                batch = next(self._frames, None)
                if batch is None:
                    break
                names.update(batch.buses)
                if len(names) > MOST_BUSES:
                    if count:
                        yield FrameBatch.concatenate(waiting)
                    waiting, count, names = [], 0, set(batch.buses)
                waiting.append(batch)
                count += len(batch)
            if count:
                yield FrameBatch.concatenate(waiting)
        finally:
            self._reader.stream.close()

    def _find_first(self) -> int:
        """Read the first frames, of a recording that is just opened; the time of the first of all."""
        self._first = next(self._frames, None)
        if self._first is None:
            head = self._reader.stream.head
            raise SourceError(f"{self.path}: no {self.format} frame in it{oddities(self.counts)}; {_described(head)}")
        return int(self._first.time[0])

    def _begin(self) -> tuple[FormatReader, Iterator[FrameBatch]]:
        return self._kind(ByteStream(self.path)), self._continued()

    def _continued(self) -> Iterator[FrameBatch]:
        """Every batch that holds frames; when the reader cannot go on, those of the one that takes over."""
        delivered = 0
        try:
            for batch in self._reader.frames():
                if len(batch):
                    if self._first_time is None:
                        self._first_time = int(batch.time[0])
                    yield batch
                    delivered += len(batch)
            return
        except SourceError:
            raise
        except Exception as error:
            successor = TAKEOVERS.get(self._kind)
            if successor is None:
                raise SourceError(f"{self.path}: this {self.format} recording cannot be read: {error}") from error
        self._reader.stream.close()
        self._reader = successor(ByteStream(self.path))
        for batch in self._reader.frames():
            new = batch[min(delivered, len(batch)) :]
            delivered -= len(batch) - len(new)
            if len(new):
                self._own_counts["frames read by python-can's reader, where ours could not go on"] += len(new)
                yield new


def open_recording(given: Path | str) -> Recording:
    """Open the recording at a path, see that it is what its name says, and find its first frame.

    Raises:
        SourceError: there is nothing there that can be read as a recording; the message says what there is.
    """
    path = Path(given)
    with ByteStream(path) as stream:
        head = stream.head
    suffix = recording_suffix(path)
    kind = FORMATS.get(suffix)
    likely = next((reader for reader in READERS if reader.recognises(head)), None)
    if suffix in SPREADSHEETS:
        raise SourceError(
            f"{path}: found a spreadsheet ({suffix}), expected a recording or a table of text: save the sheet as CSV "
            f"(UTF-8) and give that, `{path.stem}.csv`"
        )
    if kind is None:
        known = ", ".join(FORMATS)
        hint = f"; its content looks like {likely.name}, {likely.suffix}" if likely else nearest(suffix, FORMATS)
        shown = f"{suffix!r} is the suffix of no known kind of recording" if suffix else "a name without a suffix"
        raise SourceError(f"{path}: {shown}, expected one of {known}, or one of these followed by .gz{hint}")
    if likely is not None and likely is not kind and not kind.recognises(head):
        raise SourceError(
            f"{path}: by its name a {kind.name} recording, but its content looks like {likely.name}; "
            f"give it the suffix {likely.suffix}"
        )
    return Recording(path, kind)


def recording_suffix(path: Path) -> str:
    """The suffix that says what a file is, in lower case, with `.gz` taken off."""
    suffixes = [suffix.lower() for suffix in path.suffixes]
    if suffixes and suffixes[-1] == ".gz":
        suffixes.pop()
    return suffixes[-1] if suffixes else ""


def _described(head: bytes) -> str:
    """What content that no reader knows is, as far as can be said."""
    if not head:
        return "nothing can be read of it"
    for reader in READERS:
        if reader.recognises(head):
            return f"what there is looks like {reader.name}"
    printable = sum(32 <= byte < 127 or byte in b"\t\r\n" for byte in head)
    if printable < 0.9 * len(head):
        return "its content is binary, of no known kind"
    line = head.split(b"\n")[0].strip().decode("utf-8", "replace")
    return f"its first line reads {line[:60]!r}"
