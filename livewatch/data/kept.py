"""Where livewatch keeps what it could work out anew, and how a file is put where a person wants it.

A room's name comes in, its folder in the user's cache folder, or that named by LIVEWATCH_CACHE, comes out; None where
nothing is to be kept (LIVEWATCH_CACHE is empty). Whatever is in it may be deleted at any time. `write_whole` puts a
file there, or anywhere, as a whole: there is never half of one. `check_writable` says before the work begins that it
could not.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from livewatch.errors import UsageError

__all__ = ["check_writable", "kept_folder", "write_whole"]


def kept_folder(name: str) -> Path | None:
    """The folder for what is called `name`; it need not be there yet."""
    given = os.environ.get("LIVEWATCH_CACHE")
    if given is not None:
        return Path(given) / name if given else None
    from platformdirs import user_cache_path

    return user_cache_path("livewatch", appauthor=False) / name


def check_writable(path: Path, read: Iterable[Path] = ()) -> None:
    """See that a file can be put at `path`, before work goes into it; one that is there is not touched.

    Args:
        read: the files that the work reads, which what it makes must not take the place of.

    Raises:
        UsageError: it cannot.
    """
    try:
        place = _place_of(path)
        if place.is_dir():
            raise IsADirectoryError(0, "it is a folder")
        if place.exists() and not place.is_file():
            raise OSError(0, "it is a pipe or a device, not a file")
        if place.exists() and not os.access(place, os.W_OK):
            raise PermissionError(0, "Permission denied")
        if any(place == _place_of(one) for one in read):
            raise OSError(0, "it is what is read, and would be gone")
        trial = _beside(place, "trial")
        trial.write_bytes(b"")
        trial.unlink()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise UsageError(f"cannot write {path}: {reason}; expected a name in a folder that may be written to") from None


def write_whole(path: Path, content: bytes, certain: bool = False) -> None:
    """Write a file beside `path`, then put it in its place; `certain`: once it is on the disk, whatever happens then.

    Raises:
        OSError: it cannot be written; what was at `path` is still there, and nothing beside it.
    """
    place = _place_of(path)
    waiting = _beside(place, "new")
    try:
        waiting.write_bytes(content)
        if certain:
            with waiting.open("r+b") as file:
                os.fsync(file.fileno())
        waiting.replace(place)
    except OSError:
        waiting.unlink(missing_ok=True)
        raise


def _place_of(path: Path) -> Path:
    """Where the file itself is, which `path` may be a link to."""
    return Path(os.path.realpath(path))


def _beside(path: Path, what: str) -> Path:
    return path.with_name(f".{path.name[:100]}.{os.getpid()}.{what}")
