"""The boost controller of the engine computer.

In: pedal, speed, sensed and outside pressure. Out: commanded boost pressure (Pa absolute) and solenoid duty (0..1).
Feed-forward from the calibrated duty table, a proportional part, and an integral that has only so much authority; the
structure is common practice (Guzzella and Onder 2010, section 4.4 treats the loop).
"""

from __future__ import annotations

from livewatch.simulator.calibration import Calibration

__all__ = ["BoostController"]

MOST_ADDED, MOST_TAKEN = 0.22, 0.75
"""Shares of duty the integral may add and take: more boost only within limits, less as far as it goes."""
CEILING = 0.95
LEAD = 0.20
"""s; common practice: the lag of actuator and shaft."""


class BoostController:
    """Attributes: `commanded` Pa absolute, `duty` 0..1, `integral` share of duty."""

    __slots__ = ("_boost", "_calibration", "_rate", "commanded", "duty", "integral")

    def __init__(self, calibration: Calibration, outside: float) -> None:
        self._calibration = calibration
        self.commanded = outside
        self.duty = 0.0
        self.integral = 0.0
        self._boost = outside
        self._rate = 0.0

    def step(self, dt: float, pedal: float, speed: float, boost: float, outside: float, running: bool) -> None:
        """One step of `dt` s; `pedal` 0..1, `speed` rpm, pressures Pa."""
        cal = self._calibration
        assert cal.boost is not None and cal.wastegate_duty is not None
        self._rate += ((boost - self._boost) / dt - self._rate) * dt / (0.08 + dt)
        self._boost = boost
        asked = min(1.0, max(0.0, (pedal - 0.22) / 0.45))
        # At altitude the pressure ratio, not the gauge pressure, is what the turbocharger can stand.
        full = min(cal.boost(speed), 1.45 * outside)
        wanted = outside + asked * full
        rate = 350e3
        self.commanded += min(rate * dt, max(-rate * dt, wanted - self.commanded))
        gauge = self.commanded - outside
        if not running or gauge < 6e3:
            self.duty += (0.0 - self.duty) * dt / (0.1 + dt)
            self.integral -= self.integral * dt / 4.0
            return
        error = self.commanded - boost
        # Where the pressure will be when the wastegate has moved.
        ahead = error - LEAD * self._rate
        forward = cal.wastegate_duty(speed, gauge)
        if ahead > 28e3:
            # Far below: keep the wastegate shut until close, and let the integral rest.
            duty = max(forward, CEILING)
        else:
            duty = forward + self.integral + 3.5e-6 * ahead
            stopped = (duty >= CEILING and error > 0.0) or (duty <= 0.0 and error < 0.0)
            if not stopped and ahead < 12e3:
                self.integral = min(MOST_ADDED, max(-MOST_TAKEN, self.integral + 6.0e-6 * error * dt))
        self.duty += (min(CEILING, max(0.0, duty)) - self.duty) * dt / (0.03 + dt)
