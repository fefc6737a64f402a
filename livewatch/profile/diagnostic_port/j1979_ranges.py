"""Ranges that an engine computer declares for its own SAE J1979 parameters.

Some parameters have a standard range that a strong engine leaves: manifold pressure ends at 255 kPa. Such an engine
computer declares its own largest values in parameters 4F and 50, and its other answers are scaled to them from then
on. The data bytes of 4F and 50 come in; the parameters as that engine computer answers them come out. From memory of
SAE J1979.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

from livewatch.profile.model import Parameter

__all__ = ["Largest", "rescaled"]


class Largest(NamedTuple):
    """The largest values an engine computer declared for other parameters; 0 where the standard range holds.

    `equivalence_ratio`, `voltage` in V, `current` in mA and `pressure` in units of 10 kPa are the four bytes of 4F,
    `air_flow` in units of 10 g/s is the first byte of 50.
    """

    equivalence_ratio: int = 0
    voltage: int = 0
    current: int = 0
    pressure: int = 0
    air_flow: int = 0

    def updated(self, identifier: int, data: bytes) -> Largest:
        """With what the answer to parameter `identifier` says; unchanged unless it is a whole answer to 4F or 50."""
        if identifier == 0x4F and len(data) == 4:
            return Largest(data[0], data[1], data[2], data[3], self.air_flow)
        if identifier == 0x50 and len(data) == 4:
            return self._replace(air_flow=data[0])
        return self


def rescaled(parameter: Parameter, largest: Largest) -> Parameter:
    """`parameter` of `J1979` as an engine computer that declared `largest` answers it.

    The largest raw number then stands for the declared value (SAE J1979, parameters 0B, 10, 24..2B, 34..3B and 44; from
    memory).
    """
    identifier = parameter.identifier
    first, *rest = parameter.signals or (None,)
    if first is None:
        return parameter
    if identifier == 0x0B and largest.pressure:
        first = replace(first, scale=largest.pressure * 10 / 255)
    elif identifier == 0x10 and largest.air_flow:
        first = replace(first, scale=largest.air_flow * 10 / 65535)
    elif identifier == 0x44 or 0x24 <= identifier <= 0x2B or 0x34 <= identifier <= 0x3B:
        if largest.equivalence_ratio:
            first = replace(first, scale=largest.equivalence_ratio / 65535)
        if 0x24 <= identifier <= 0x2B and largest.voltage:
            rest = [replace(rest[0], scale=largest.voltage / 65535)]
        if 0x34 <= identifier <= 0x3B and largest.current:
            rest = [replace(rest[0], scale=largest.current / 32768, offset=-float(largest.current))]
    else:
        return parameter
    return replace(parameter, signals=(first, *rest))
