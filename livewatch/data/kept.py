"""Where livewatch keeps what it could work out anew: the user's cache folder, or that named by LIVEWATCH_CACHE.

A room's name comes in, its folder comes out, None where nothing is to be kept (LIVEWATCH_CACHE is empty). Whatever is
in it may be deleted at any time. `write_whole` puts a file there, or anywhere, as a whole: there is never half of one.
"""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["kept_folder", "write_whole"]


def kept_folder(name: str) -> Path | None:
    """The folder for what is called `name`; it need not be there yet."""
    given = os.environ.get("LIVEWATCH_CACHE")
    if given is not None:
        return Path(given) / name if given else None
    from platformdirs import user_cache_path

    return user_cache_path("livewatch", appauthor=False) / name


def write_whole(path: Path, content: bytes) -> None:
    """Write a file beside `path`, then put it in its place.

    Raises:
        OSError: it cannot be written; what was at `path` is still there, and nothing beside it.
    """
    waiting = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        waiting.write_bytes(content)
        waiting.replace(path)
    except OSError:
        waiting.unlink(missing_ok=True)
        raise
