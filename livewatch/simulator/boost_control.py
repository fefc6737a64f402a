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
"""Share of duty a solenoid is driven to at most: common practice."""
LEAD, RATE_LAG, DUTY_LAG, REST_LAG = 0.20, 0.08, 0.03, 0.1
"""s: how far ahead the pressure is foreseen (the lag of actuator and shaft), and the lags of its rate, the duty, and
the duty at rest; common practice."""
ASKED_FROM, ASKED_OVER = 0.22, 0.45
"""Pedal at which boost is first asked for, and how much more asks for all of it; common practice."""
HIGHEST_RATIO = 1.45
"""Gauge boost over the air outside: at altitude the ratio, not the gauge pressure, is what a turbocharger can stand."""
COMMAND_RATE = 350e3
"""Pa/s the command may change; common practice."""
LEAST_GAUGE, FAR_BELOW, NEAR = 6e3, 28e3, 12e3
"""Pa: less boost is not controlled; further below the command the wastegate is kept shut; only nearer the integral
moves; common practice."""
PROPORTIONAL, INTEGRAL, FORGETS = 3.5e-6, 6.0e-6, 4.0
"""Share of duty for each Pa, for each Pa s, and the s in which an idle integral fades; common practice."""


class BoostController:
    """Attributes: `commanded` Pa absolute, `duty` 0..1, `integral` share of duty."""

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
        self._rate += ((boost - self._boost) / dt - self._rate) * dt / (RATE_LAG + dt)
        self._boost = boost
        asked = min(1.0, max(0.0, (pedal - ASKED_FROM) / ASKED_OVER))
        full = min(cal.boost(speed), HIGHEST_RATIO * outside)
        wanted = outside + asked * full
        self.commanded += min(COMMAND_RATE * dt, max(-COMMAND_RATE * dt, wanted - self.commanded))
        gauge = self.commanded - outside
        if not running or gauge < LEAST_GAUGE:
            self.duty += (0.0 - self.duty) * dt / (REST_LAG + dt)
            self.integral -= self.integral * dt / FORGETS
            return
        error = self.commanded - boost
        # Where the pressure will be when the wastegate has moved.
        ahead = error - LEAD * self._rate
        forward = cal.wastegate_duty(speed, gauge)
        if ahead > FAR_BELOW:
            # Far below: keep the wastegate shut until close, and let the integral rest.
            duty = max(forward, CEILING)
        else:
            duty = forward + self.integral + PROPORTIONAL * ahead
            stopped = (duty >= CEILING and error > 0.0) or (duty <= 0.0 and error < 0.0)
            if not stopped and ahead < NEAR:
                self.integral = min(MOST_ADDED, max(-MOST_TAKEN, self.integral + INTEGRAL * error * dt))
        self.duty += (min(CEILING, max(0.0, duty)) - self.duty) * dt / (DUTY_LAG + dt)
