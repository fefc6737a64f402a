"""Whether a run still writes to its session folder.

The recorder holds a lock on its event log for as long as its process lives; the operating system lets go of it however
the process ends. Systems without such locks cannot tell: there, a run that did not end in good order counts as killed.
"""

from __future__ import annotations

from pathlib import Path
from types import ModuleType

fcntl: ModuleType | None
try:
    import fcntl
except ImportError:  # not a Unix system
    fcntl = None

__all__ = ["hold", "is_being_written"]


def hold(handle: int) -> None:
    """Lock the open file `handle` until it is closed or the process ends. Where that cannot be done, nothing is."""
    if fcntl is None:
        return
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return


def is_being_written(path: Path) -> bool:
    """Whether a living process holds the file at `path`."""
    if fcntl is None:
        return False
    try:
        with path.open("rb") as file:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
            fcntl.flock(file, fcntl.LOCK_UN)
    except BlockingIOError:
        return True
    except OSError:
        return False
    return False
