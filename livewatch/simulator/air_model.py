"""How the engine computer works out the air in its cylinders.

In: sensed pressures, temperatures, speed and metered flow; the calibration. Out: air into the cylinders in kg/s, load.
With an air meter, the meter is believed in the steady state and the manifold pressure carries the transients; without
one it is speed-density alone (Heywood 1988, eq. 2.27).
"""

from __future__ import annotations

from livewatch.simulator.calibration import Calibration
from livewatch.simulator.gas import AIR_GAS_CONSTANT, SEA_LEVEL
from livewatch.simulator.sensors import Sensors

__all__ = ["STANDARD_DENSITY", "AirModel"]

STEADY_SHARE, STEADY_FLOW = 0.04, 0.0002
"""Air stored in pipes and manifold, as a share of the flow and in kg/s, below which the flow is settled."""
SMOOTHING, FOLLOWS, FOLLOWS_UNSETTLED = 0.12, 0.3, 2.0
"""s: of the flows compared, and in which the correction follows the meter, settled and not; common practice."""
LEAST_CORRECTION, MOST_CORRECTION = 0.5, 1.6
"""Metered over speed-density air; common practice."""
STANDARD_DENSITY = 1.184
"""kg/m³: SAE J1979 absolute load counts the charge against 1.184 g/L of displacement."""


class AirModel:
    """Attributes: `cylinder_air` and `speed_density` kg/s; `correction` metered over speed-density air as followed now;
    `load` absolute load as a share (1.0 is a full cylinder at 25 degC, 101.3 kPa); `efficiency` of the table."""

    def __init__(self, calibration: Calibration, manifold: float, boost: float) -> None:
        self._calibration = calibration
        self._last_manifold, self._last_boost = manifold, boost
        self._metered = self._modelled = 0.0
        self._rate = 0.0
        self.correction = 1.0
        self.cylinder_air = self.speed_density = self.load = self.efficiency = 0.0
        self.settled = False

    def step(self, dt: float, sensed: Sensors) -> None:
        """One step of `dt` s."""
        cal = self._calibration
        speed, manifold = sensed.speed, sensed.manifold
        charge = sensed.charge
        # The table was measured at sea level; what counts is the pressure over that in the exhaust, which follows the
        # air outside: common practice.
        self.efficiency = cal.volumetric_efficiency(speed, manifold * SEA_LEVEL / sensed.outside)
        air = self.efficiency * cal.displacement * speed / 120.0 * manifold / (AIR_GAS_CONSTANT * charge)
        self.speed_density = air
        stored = (
            cal.manifold_volume * (manifold - self._last_manifold) + cal.pipe_volume * (sensed.boost - self._last_boost)
        ) / (AIR_GAS_CONSTANT * charge * dt)
        self._last_manifold, self._last_boost = manifold, sensed.boost
        smooth = dt / (SMOOTHING + dt)
        self._rate += (stored - self._rate) * smooth
        if cal.meter_area is not None and air > 1e-4:
            self._metered += (sensed.air_flow - self._metered) * smooth
            self._modelled += (air - self._modelled) * smooth
            into = self._metered - self._rate
            self.settled = abs(self._rate) < STEADY_SHARE * self._modelled + STEADY_FLOW
            ratio = into / self._modelled if self._modelled > 1e-4 else 1.0
            lag = FOLLOWS if self.settled else FOLLOWS_UNSETTLED
            self.correction += (min(MOST_CORRECTION, max(LEAST_CORRECTION, ratio)) - self.correction) * dt / (lag + dt)
            self.cylinder_air = air * self.correction
        else:
            self.settled = abs(self._rate) < STEADY_SHARE * air + STEADY_FLOW
            self.cylinder_air = air
        filled = cal.displacement * speed / 120.0 * STANDARD_DENSITY
        self.load = self.cylinder_air / filled if filled > 1e-4 else 0.0
