"""Loading a library without one that it would load along, where that takes longer than all the rest."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import ModuleType
from typing import cast

__all__ = ["left_out"]


@contextmanager
def left_out(name: str) -> Iterator[None]:
    """While this lasts, the library counts as not installed, unless it is loaded already."""
    if name in sys.modules:
        yield
        return
    sys.modules[name] = cast("ModuleType", None)
    try:
        yield
    finally:
        del sys.modules[name]
