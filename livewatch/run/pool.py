"""How many processes a pile of files is worth, and from what they are started.

Paths come in; a number of processes and the context of `multiprocessing` that starts them go out. Where the system can,
each is forked from a server that has imported what reading needs, and that may be started before its parent has
imported the same: both go on side by side. Elsewhere each process begins from nothing.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from livewatch.run.linear_algebra import in_one_thread

if TYPE_CHECKING:
    from multiprocessing.context import BaseContext

__all__ = ["cores", "pool_context", "size_of", "start_early", "worth"]

WORTH_A_PROCESS = 4 << 20
"""Bytes of recordings from which starting a process pays; compressed ones count `INFLATED` times."""
INFLATED = 6
IMPORTED = ["livewatch.diagnosis.pile.work"]
"""What the server has ready: all that reads and judges a recording comes with it."""


def worth(paths: Sequence[Path]) -> int:
    """How many processes there is work for, on this machine."""
    work = sum(map(size_of, paths)) // WORTH_A_PROCESS
    return max(1, min(len(paths), work, cores()))


def size_of(path: Path) -> int:
    """About how many bytes there are to read; 0 for what cannot be looked at: that is told when it is read."""
    size = 0
    with suppress(OSError):
        for one in path.iterdir() if path.is_dir() else [path]:
            if one.is_file():
                size += one.stat().st_size * (INFLATED if one.suffix == ".gz" else 1)
    return size


def cores() -> int:
    """How many this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def pool_context() -> BaseContext:
    """What the processes of a pool are started by."""
    import multiprocessing  # late: one recording alone needs no process

    in_one_thread()  # in those that are started here
    method = "forkserver" if "forkserver" in multiprocessing.get_all_start_methods() else "spawn"
    context = multiprocessing.get_context(method)
    if method == "forkserver":
        context.set_forkserver_preload(IMPORTED)
    return context


def start_early(named: Sequence[Path]) -> None:
    """Start the server, if what was named looks like work for several processes."""
    files: list[Path] = []
    with suppress(OSError):
        for path in named:
            is_folder = path.is_dir() and not (path / "manifest.json").exists()
            files += path.iterdir() if is_folder else [path]
    if worth(files) > 1 and pool_context().get_start_method() == "forkserver":
        from multiprocessing import forkserver

        with suppress(OSError):  # whoever needs it will say so
            forkserver.ensure_running()
