"""What the engine turns: clutch, gearbox and body on the road, or the roller of a dynamometer.

In: engine torque (N m) and what the driver or the dynamometer does. Out: engine speed (rpm) and vehicle speed (m/s).
Longitudinal dynamics after Guzzella and Sciarretta 2013, eq. 2.1; the clutch as a friction element, common practice.
"""

from __future__ import annotations

from math import pi

from livewatch.simulator.cars import Body

__all__ = ["TO_RPM", "Driveline", "Dyno"]

GRAVITY = 9.80665
"""m/s² (ISO 80000-3)."""
DRIVELINE_EFFICIENCY = 0.94
"""Power at the wheels over power at the clutch: common practice, no source."""
CLUTCH_TORQUE = 550.0
"""N m the closed clutch can carry: common practice, no source."""
TO_RPM = 30.0 / pi
"""rpm for each rad/s."""


class Driveline:
    """The car on the road. `speed` rpm of the engine, `road_speed` m/s, `acceleration` m/s²."""

    def __init__(self, body: Body, inertia: float, density: float, idle: float) -> None:
        self._body = body
        self._inertia = inertia
        self._locked = False
        self.density = density
        self.speed = idle
        self.road_speed = 0.0
        self.acceleration = 0.0

    def step(self, dt: float, torque: float, gear: int, clutch: float, brake: float, grade: float) -> None:
        """One step of `dt` s. `clutch` 0 open .. 1 closed, `brake` N, `grade` as a share (0.05 is 5 %)."""
        body = self._body
        road = self.road_speed
        resist = 0.5 * self.density * body.drag_area_m2 * road * road + body.mass_kg * GRAVITY * grade
        if road > 0.02:
            resist += body.mass_kg * GRAVITY * body.rolling_share + brake
        mass = body.mass_kg * 1.04
        omega = self.speed / TO_RPM
        if gear == 0 or clutch <= 0.0:
            self._locked = False
            omega = max(0.0, omega + dt * torque / self._inertia)
            force = -resist
        else:
            ratio = body.gears[gear - 1] / body.wheel_radius_m
            wheel_side = road * ratio
            if not self._locked and clutch > 0.97 and abs(omega - wheel_side) < 12.0:
                # Lock without losing momentum: the engine's share goes into the body.
                reflected = self._inertia * ratio * ratio
                road = (mass * road + reflected * omega / ratio) / (mass + reflected)
                self._locked = True
            elif self._locked and clutch < 0.9:
                self._locked = False
            if self._locked:
                efficiency = DRIVELINE_EFFICIENCY if torque > 0.0 else 1.0 / DRIVELINE_EFFICIENCY
                force = torque * ratio * efficiency - resist
                mass += self._inertia * ratio * ratio
            else:
                slip = omega - wheel_side
                most = clutch * CLUTCH_TORQUE
                # Friction straightened below 4 rad/s of slip and taken implicitly, so that it cannot overshoot.
                stiffness = most / max(4.0, abs(slip))
                slip_end = (slip + dt * torque / self._inertia) / (
                    1.0 + dt * stiffness * (1.0 / self._inertia + ratio * ratio / mass)
                )
                carried = stiffness * slip_end
                omega = max(0.0, omega + dt * (torque - carried) / self._inertia)
                force = carried * ratio * DRIVELINE_EFFICIENCY - resist
        before = self.road_speed
        road = max(0.0, road + dt * force / mass)
        self.road_speed = road
        self.acceleration = (road - before) / dt
        if self._locked:
            omega = road * body.gears[gear - 1] / body.wheel_radius_m
        self.speed = omega * TO_RPM


class Dyno:
    """The car on a dynamometer that holds a speed. `speed` rpm, `torque` N m at the dynamometer, referred to the
    engine's speed, with the roller's own inertia taken out."""

    ROLLER = 1.1
    """kg m², referred to the engine."""

    def __init__(self, body: Body, inertia: float, idle: float) -> None:
        self._inertia = inertia
        self._integral = 0.0
        self.speed = idle
        self.wanted = idle
        self.torque = 0.0
        self.road_speed = 0.0

    def step(self, dt: float, torque: float, engaged: bool, gearing: float) -> None:
        """One step of `dt` s; `gearing` is m/s of roller surface per rpm."""
        if not engaged:
            self.speed = max(0.0, self.speed + dt * torque / self._inertia * TO_RPM)
            self.torque = 0.0
            self._integral = 0.0
            self.road_speed = max(0.0, self.road_speed - 1.5 * dt)
            return
        delivered = torque * (DRIVELINE_EFFICIENCY if torque > 0.0 else 1.0)
        error = self.speed - self.wanted
        self._integral = min(700.0, max(-120.0, self._integral + 2.6 * error * dt))
        brake = min(800.0, max(-150.0, self._integral + 1.1 * error))
        before = self.speed
        self.speed = max(0.0, before + dt * (delivered - brake) / (self._inertia + self.ROLLER) * TO_RPM)
        self.torque = brake + self.ROLLER * (self.speed - before) / TO_RPM / dt
        self.road_speed = self.speed * gearing
