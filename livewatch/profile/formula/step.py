"""One step of a program of formulas: what to call, and with the results of which steps. Nothing of it ever changes but
what a step that is not `still` keeps from one batch of ticks to the next."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any, NamedTuple

__all__ = ["Step"]


class Step(NamedTuple):
    """What to call with the results of earlier steps; None for the values of a channel, of which `places` has the row,
    or the complement of the row for their ages. A `checked` one gives a column of columns, which may leave the finite
    numbers."""

    call: Callable[..., Any] | None
    places: tuple[int, ...]
    checked: bool = False
    still: bool = True
    """The same operands always give the same: nothing is kept from one batch to the next."""

    @property
    def operands(self) -> tuple[int, ...]:
        """The steps it rests on."""
        return () if self.call is None else self.places

    def __deepcopy__(self, memo: dict[int, Any]) -> Step:
        """The copies of a program share what keeps nothing."""
        return self if self.still else self._replace(call=copy.deepcopy(self.call, memo))
