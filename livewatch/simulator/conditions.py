"""What the parts of the car feel of one another during one step.

The running car fills a `Conditions` in; air path, fuel path, exhaust and sensors read it. It has no behaviour of its
own.
"""

from __future__ import annotations

from dataclasses import dataclass

from livewatch.simulator.gas import SEA_LEVEL

__all__ = ["Conditions"]


@dataclass(slots=True)
class Conditions:
    """The moment, in SI units (Pa, K; speed in rpm): `outside` pressure, `inlet` temperature before the filter,
    `coolant` temperature, engine `speed`, `voltage` V, pressure `before_turbine` (or at the ports), throttle `opening`
    and `purge` valve 0..1, and `vapour`, the share of fuel in the purged gas."""

    outside: float
    inlet: float
    coolant: float
    speed: float
    voltage: float = 12.4
    before_turbine: float = SEA_LEVEL
    opening: float = 0.0
    purge: float = 0.0
    vapour: float = 0.0
