"""The boost controller of the engine computer.

In: pedal, speed, sensed and outside pressure. Out: commanded boost pressure (Pa absolute) and solenoid duty (0..1).
Feed-forward from the calibrated duty table, a proportional part, and an integral that has only so much authority; the
structure is common practice (Guzzella and Onder 2010, section 4.4 treats the loop).
"""

from __future__ import annotations

from livewatch.simulator.calibration import Calibration

__all__ = ["BoostController"]

INTEGRAL_LIMIT = 0.22
"""Share of duty the integral may add or take."""
CEILING = 0.95


class BoostController:
    """Attributes: `commanded` Pa absolute, `duty` 0..1, `integral` share of duty."""

    __slots__ = ("_calibration", "commanded", "duty", "integral")

    def __init__(self, calibration: Calibration, outside: float) -> None:
        self._calibration = calibration
        self.commanded = outside
        self.duty = 0.0
        self.integral = 0.0

    def step(self, dt: float, pedal: float, speed: float, boost: float, outside: float, running: bool) -> None:
        """One step of `dt` s; `pedal` 0..1, `speed` rpm, pressures Pa."""
        cal = self._calibration
        assert cal.boost is not None and cal.wastegate_duty is not None
        asked = min(1.0, max(0.0, (pedal - 0.30) / 0.45))
        # At altitude the pressure ratio, not the gauge pressure, is what the turbocharger can stand.
        full = min(cal.boost(speed), 1.45 * outside)
        wanted = outside + asked * full
        rate = 350e3 if wanted > self.commanded else 700e3
        self.commanded += min(rate * dt, max(-rate * dt, wanted - self.commanded))
        gauge = self.commanded - outside
        if not running or gauge < 6e3:
            self.duty += (0.0 - self.duty) * dt / (0.1 + dt)
            self.integral -= self.integral * dt / 4.0
            return
        error = self.commanded - boost
        forward = cal.wastegate_duty(speed, gauge)
        if error > 28e3:
            # Far below: keep the wastegate shut until close, and let the integral rest.
            duty = max(forward, CEILING)
        else:
            duty = forward + self.integral + 2.2e-6 * error
            if not ((duty >= CEILING and error > 0.0) or (duty <= 0.0 and error < 0.0)):
                change = 3.2e-6 * error * dt
                self.integral = min(INTEGRAL_LIMIT, max(-INTEGRAL_LIMIT, self.integral + change))
        self.duty += (min(CEILING, max(0.0, duty)) - self.duty) * dt / (0.03 + dt)
