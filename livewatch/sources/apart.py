"""Reading in a process apart, for formats whose libraries can crash, swell or print.

A function that yields a plain header and numpy arrays comes in, with its arguments; what it yields comes out. It runs
in a process of its own, with bounded memory and nothing to print on; that process may die or hang without harm to this
one, and what it sends is JSON and arrays, never objects that could run. It ends when this one does, however that ends.
"""

from __future__ import annotations

import io
import json
import multiprocessing
import os
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livewatch.errors import LivewatchError, SourceError, said_by

__all__ = ["Item", "apart"]

Item = tuple[dict[str, Any], list[NDArray[Any]]]
"""A plain header and the arrays with it."""
LONGEST_WAIT = 60.0
"""Seconds for one item."""
MOST_MEMORY = 768 << 20
"""Bytes of data the process may hold, where the system can bound it."""
LARGEST_ITEM = 1 << 28
"""Bytes of one item."""
_STARTING = threading.Lock()


def apart(name: str, work: Callable[..., Iterator[Item]], *arguments: object) -> Iterator[Item]:
    """What `work(*arguments)` yields; `name` is how messages call what is read.

    Raises:
        SourceError: it raised one, or its process died or took too long.
    """
    context = _context(work.__module__)
    receiving, sending = context.Pipe(duplex=False)
    process = context.Process(target=_work, args=(sending, work, arguments), daemon=True)
    with _without_the_program():
        process.start()
    sending.close()
    try:
        while True:
            try:
                if not receiving.poll(LONGEST_WAIT):
                    raise SourceError(f"{name}: reading it took more than {LONGEST_WAIT:.0f} s for one piece: given up")
                content = receiving.recv_bytes(LARGEST_ITEM)
            except (EOFError, OSError):
                process.join(1.0)
                raise SourceError(
                    f"{name}: it is damaged so that the library that reads it failed (code {process.exitcode})"
                ) from None
            header, arrays = _unpacked(content)
            if "end" in header:
                return
            if "error" in header:
                raise SourceError(str(header["error"]))
            yield header, arrays
    finally:
        receiving.close()
        process.kill()
        process.join()


def _context(module: str) -> Any:
    """Where the system can, processes are forked from one that has everything loaded, and nothing of ours."""
    if sys.platform == "win32":
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([module, "asammdf", "can"])
    return context


@contextmanager
def _without_the_program() -> Iterator[None]:
    """What is started meanwhile does not run this program, which may be anybody's script, once more."""
    with _STARTING:
        program = sys.modules["__main__"]
        sys.modules["__main__"] = ModuleType("__main__")
        try:
            yield
        finally:
            sys.modules["__main__"] = program


def _work(sending: Connection, work: Callable[..., Iterator[Item]], arguments: tuple[object, ...]) -> None:
    threading.Thread(target=_end_with_parent, daemon=True).start()
    nowhere = os.open(os.devnull, os.O_RDWR)
    for descriptor in (0, 1, 2):
        os.dup2(nowhere, descriptor)
    if sys.platform == "linux":
        import resource

        resource.setrlimit(resource.RLIMIT_DATA, (MOST_MEMORY, MOST_MEMORY))
    try:
        for header, arrays in work(*arguments):
            sending.send_bytes(_packed(header, arrays))
        sending.send_bytes(_packed({"end": True}, []))
    except (BrokenPipeError, ConnectionResetError):
        return
    except LivewatchError as error:
        sending.send_bytes(_packed({"error": str(error)}, []))
    except MemoryError:
        sending.send_bytes(_packed({"error": f"{arguments[0]}: it wants more memory than a file of its kind may"}, []))
    except Exception as error:  # the library raises whatever the bytes lead it to
        sending.send_bytes(_packed({"error": f"{arguments[0]}: it cannot be read: {said_by(error)}"}, []))


def _end_with_parent() -> None:
    """A library that hangs would outlive a livewatch that was killed."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _packed(header: dict[str, Any], arrays: list[NDArray[Any]]) -> bytes:
    content = io.BytesIO()
    text = json.dumps({**header, "arrays": len(arrays)}).encode()
    content.write(len(text).to_bytes(4, "big") + text)
    for array in arrays:
        np.lib.format.write_array(content, np.ascontiguousarray(array), allow_pickle=False)
    return content.getvalue()


def _unpacked(content: bytes) -> Item:
    stream = io.BytesIO(content)
    header = json.loads(stream.read(int.from_bytes(stream.read(4), "big")))
    return header, [np.lib.format.read_array(stream, allow_pickle=False) for _ in range(header["arrays"])]
