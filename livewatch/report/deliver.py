"""Writing what was laid out: whole or not at all.

A text and a path come in. The file appears when all of it is on the disk; a disk that fills up half-way leaves the file
that was there before, and an error that says what happened.
"""

from __future__ import annotations

import os
import tempfile
from contextlib import suppress
from pathlib import Path

from livewatch.errors import LivewatchError

__all__ = ["DeliveryError", "deliver"]


class DeliveryError(LivewatchError):
    """What was made cannot be written where it was wanted."""


def deliver(text: str, path: Path) -> None:
    """Write `text` to `path`, in place of what is there.

    Raises:
        DeliveryError: it cannot be written; nothing of it is left.
    """
    part = None
    try:
        if path.is_dir():
            raise IsADirectoryError(21, "it is a folder; expected the name of a file")
        handle, part = tempfile.mkstemp(prefix=f".{path.name[:100]}.", suffix=".part", dir=path.parent)
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        # A file of this kind may be read by whom the folder lets in.
        Path(part).chmod(0o666 & ~_mask())
        Path(part).replace(path)
    except (OSError, ValueError) as error:
        if part is not None:
            with suppress(OSError):
                Path(part).unlink()
        reason = getattr(error, "strerror", None) or str(error)
        raise DeliveryError(f"{path} was not written: {reason}; name another file with --output") from None


def _mask() -> int:
    mask = os.umask(0o077)
    os.umask(mask)
    return mask
