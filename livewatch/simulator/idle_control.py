"""The idle controller of the engine computer.

In: sensed speed and coolant temperature, whether the driver's foot is off. Out: throttle area (m²), the ignition held
in reserve (deg), and the correction shown to people (per cent of the calibrated idle area). Proportional and integral
action on the area, fast proportional action on the ignition: common practice.
"""

from __future__ import annotations

from livewatch.simulator.calibration import Calibration

__all__ = ["IdleController"]

LIMIT = 0.25
"""Largest correction, as a share of the calibrated idle area."""
COLD_RISE, FLARE, FLARE_SECONDS = 480.0, 180.0, 8.0
"""rpm a cold engine idles higher, rpm it flares by after the start, and for how many s; common practice."""
COLD_NEED = 1.15
"""Share of the idle area a cold engine needs more; common practice."""
PROPORTIONAL, INTEGRAL = 0.35, 0.55
"""Share of the area for each share of speed, and each second of it; common practice."""
IGNITION_GAIN, MOST_IGNITION = 55.0, 9.0
"""deg for each share of speed, and deg at most; common practice."""


class IdleController:
    """Attributes: `wanted` rpm, `correction` share, `area` m², `ignition` deg to add to the idle ignition."""

    def __init__(self, calibration: Calibration) -> None:
        self._base = calibration.idle_area
        self._idle = calibration.idle_speed
        self._integral = 0.0
        self.correction = 0.0
        self.area = self._base
        self.ignition = 0.0
        self.wanted = calibration.idle_speed

    def step(self, dt: float, speed: float, coolant: float, governing: bool, running_for: float) -> None:
        """One step of `dt` s; `governing` when the speed is idle's to hold."""
        cold = min(1.0, (350.0 - coolant) / 80.0) if coolant < 350.0 else 0.0
        flare = FLARE * (1.0 - running_for / FLARE_SECONDS) if running_for < FLARE_SECONDS else 0.0
        self.wanted = self._idle + COLD_RISE * cold + flare
        need = 1.0 + COLD_NEED * cold
        error = (self.wanted - speed) / self._idle
        if governing:
            self._integral = min(LIMIT, max(-LIMIT, self._integral + INTEGRAL * error * dt))
            self.correction = min(LIMIT, max(-LIMIT, self._integral + PROPORTIONAL * error))
            self.ignition = min(MOST_IGNITION, max(-MOST_IGNITION, IGNITION_GAIN * error))
        else:
            self.correction = self._integral
            self.ignition = 0.0
        self.area = self._base * need * (1.0 + self.correction)
        if not governing:
            # On the overrun the manifold must not be emptied: the shut throttle lets more by with speed.
            self.area += self._base * max(0.0, 0.7 * speed / self._idle - 1.0)
