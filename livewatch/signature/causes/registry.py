"""Every cause that is known, by name: each module of this package that has a `HYPOTHESIS`."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from importlib import import_module
from pkgutil import iter_modules

from livewatch.signature import causes
from livewatch.signature.causes.hypothesis import Hypothesis

__all__ = ["HYPOTHESES"]


def _found() -> Iterator[Hypothesis]:
    for module in iter_modules(causes.__path__):
        found = getattr(import_module(f"{causes.__name__}.{module.name}"), "HYPOTHESIS", None)
        if isinstance(found, Hypothesis):
            yield found


HYPOTHESES: Mapping[str, Hypothesis] = {one.name: one for one in _found()}
"""In the order of their names."""
