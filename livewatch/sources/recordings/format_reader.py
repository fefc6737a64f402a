"""What every reader of a recording format is.

A new format is one new file with one subclass of `FormatReader`, named in `recording.READERS`. It gets a
`ByteStream`, gives frames, and counts what it has to leave out::

    class PunchedTapeReader(FormatReader):
        name, suffix = "punched tape", ".tape"

        @classmethod
        def recognises(cls, head: bytes) -> bool:
            return head.startswith(b"TAPE")

        def frames(self) -> Iterator[FrameBatch]:
            while chunk := self.stream.read_exactly(1 << 19):
                yield frames_of(chunk)
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Iterator
from typing import ClassVar

from livewatch.data.frames import FrameBatch
from livewatch.sources.recordings.byte_stream import ByteStream

__all__ = ["FormatReader"]


class FormatReader(ABC):
    """Reads one recording. `name` is what people call the format, `suffix` the end of its files' names.

    Attributes:
        stream: the content, at its beginning.
        counts: what was odd so far, by plain-worded kind.
        start_time: nanoseconds since the Unix epoch at which the recording says it began, None when it does not say.
    """

    name: ClassVar[str]
    suffix: ClassVar[str]

    def __init__(self, stream: ByteStream) -> None:
        self.stream = stream
        self.counts: Counter[str] = Counter()
        self.start_time: int | None = None

    @property
    def progress(self) -> float:
        """The share read so far, 0..1."""
        return self.stream.progress

    @classmethod
    @abstractmethod
    def recognises(cls, head: bytes) -> bool:
        """Whether a file that begins with `head` (up to 64 KiB) is surely of this format."""

    @classmethod
    def holds_a_frame(cls, head: bytes) -> bool:
        """Whether what the file begins with is seen to hold a frame already, before anything is read."""
        return False

    @abstractmethod
    def frames(self) -> Iterator[FrameBatch]:
        """All frames in order, in batches small enough that a few of them need little memory.

        Raises:
            SourceError: it turned out that nothing at all can be read.
        """
