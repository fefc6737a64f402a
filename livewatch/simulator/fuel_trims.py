"""Short and long term fuel trim: how the engine computer hides what its calibration does not know.

In: measured and expected lambda of one bank. Out: two shares (0.05 is +5 %). The short trim is a proportional and
integral controller; the long trim a table of learned cells over speed and load into which a lasting short trim is
moved, slowly, only where nothing disturbs. Neither leaves its limits.
"""

from __future__ import annotations

from livewatch.simulator.calibration import Calibration

__all__ = ["CELL_LOADS", "CELL_SPEEDS", "FuelTrims"]

CELL_SPEEDS = (800.0, 1700.0, 2800.0, 4200.0)
CELL_LOADS = (0.22, 0.45, 0.80, 1.30)
"""rpm, and absolute load as a share, of the learned cells; common practice."""
IDLE_CELL = len(CELL_SPEEDS) * len(CELL_LOADS)
INTEGRAL, INTEGRAL_COLD, PROPORTIONAL = 0.42, 0.12, 0.22
"""Shares of the error: each delay and lag, on a cold engine, and at once; common practice, no source."""
NARROW_RAMP, NARROW_JUMP = 0.030, 0.016
"""Shares of fuel: each delay and lag, and at each switch of a narrow-band sensor; common practice, no source."""
NARROW_RICH, NARROW_LEAN = 0.47, 0.43
"""V above which a sensor that said lean says rich, and below which one that said rich says lean; common practice."""
OPEN_LAG, SMOOTHING = 0.25, 2.0
"""s in which a short trim fades in open loop, and over which it is smoothed for learning; common practice."""
LEARNING_TIME = 22.0
"""s for a lasting short trim to move into a cell; common practice, no source."""


class FuelTrims:
    """Trims of one bank. `cells` is the learned table, speed by speed, the idle cell last; shares."""

    def __init__(self, calibration: Calibration, cells: list[float]) -> None:
        self._short_limit = calibration.targets.short_trim_limit / 100.0
        self.limit = calibration.targets.long_trim_limit / 100.0
        self.cells = list(cells)
        self._integral = 0.0
        self._narrow_rich = False
        self._smooth = 0.0
        self._place = (0, 0, 0, 0)
        self._weights = (1.0, 0.0, 0.0, 0.0)
        self.short = 0.0
        self.long = 0.0

    def locate(self, speed: float, load: float, idle: bool) -> None:
        """Find the learned correction for this operating point."""
        if idle:
            self._place = (IDLE_CELL, IDLE_CELL, IDLE_CELL, IDLE_CELL)
            self._weights = (1.0, 0.0, 0.0, 0.0)
        else:
            i, along = _between(CELL_SPEEDS, speed)
            j, across = _between(CELL_LOADS, load)
            wide = len(CELL_LOADS)
            at = i * wide + j
            self._place = (at, at + 1, at + wide, at + wide + 1)
            self._weights = (
                (1.0 - along) * (1.0 - across),
                (1.0 - along) * across,
                along * (1.0 - across),
                along * across,
            )
        cells, place, weights = self.cells, self._place, self._weights
        self.long = (
            cells[place[0]] * weights[0]
            + cells[place[1]] * weights[1]
            + cells[place[2]] * weights[2]
            + cells[place[3]] * weights[3]
        )

    def control(self, dt: float, error: float, reach: float, cold: bool) -> None:
        """Closed loop: `error` is measured over expected lambda less 1, `reach` the delay and lag in s it has. A `cold`
        engine's walls hold so much fuel that a quick controller would chase it."""
        gain = (INTEGRAL_COLD if cold else INTEGRAL) / (reach + 0.05)
        limit = self._short_limit
        integral = self._integral + gain * error * dt
        self._integral = integral = limit if integral > limit else (-limit if integral < -limit else integral)
        short = integral + PROPORTIONAL * error
        self.short = limit if short > limit else (-limit if short < -limit else short)

    def control_narrow(self, dt: float, volts: float, reach: float) -> None:
        """Closed loop on a narrow-band sensor: ramp until it switches, then jump back (common practice)."""
        rich = volts > (NARROW_LEAN if self._narrow_rich else NARROW_RICH)
        if rich != self._narrow_rich:
            self._narrow_rich = rich
        ramp = NARROW_RAMP / (reach + 0.25)
        limit = self._short_limit
        self._integral = min(limit, max(-limit, self._integral + (-ramp if rich else ramp) * dt))
        self.short = min(limit, max(-limit, self._integral + (-NARROW_JUMP if rich else NARROW_JUMP)))

    def open(self, dt: float) -> None:
        """Open loop: the short trim goes back to nothing."""
        fade = dt / (OPEN_LAG + dt)
        self._integral -= self._integral * fade
        self.short -= self.short * fade

    def freeze(self) -> None:
        """Hold everything: the sensor sees nothing that belongs to the fuel injected now."""

    def learn(self, dt: float) -> None:
        """Move a lasting short trim into the cells around the operating point."""
        self._smooth += (self.short - self._smooth) * dt / SMOOTHING
        share = self._smooth * dt / LEARNING_TIME
        moved = 0.0
        for place, weight in zip(self._place, self._weights, strict=True):
            if weight > 0.0:
                before = self.cells[place]
                after = min(self.limit, max(-self.limit, before + share * weight))
                self.cells[place] = after
                moved += (after - before) * weight
        self._integral -= moved
        self.short -= moved


def _between(points: tuple[float, ...], value: float) -> tuple[int, float]:
    """Index of the point below `value` and how far it is towards the next, held at the ends."""
    if value <= points[0]:
        return 0, 0.0
    last = len(points) - 2
    for index in range(last + 1):
        if value < points[index + 1]:
            return index, (value - points[index]) / (points[index + 1] - points[index])
    return last, 1.0
