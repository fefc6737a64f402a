"""The driver: pedal, brake, clutch and gears, following the legs of a route.

In: road speed, engine speed, acceleration. Out, as attributes after each step: `pedal` and `clutch` 0..1, `brake` N,
`gear`, `starter` (whether the starter turns the engine), `grade` as a share, and on a dynamometer `held_speed` rpm. A
person is slow, a little unsteady, and lifts when the engine cuts: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from livewatch.simulator.cars import Body
from livewatch.simulator.routes import Cruise, DynoHold, DynoPull, Idle, Leg, RoadPull
from livewatch.simulator.sensors import Noise
from livewatch.simulator.vehicle import TO_RPM

__all__ = ["Driver"]

SHIFT_SECONDS, CLUTCH_CLOSES = 0.9, 1.9
"""s of a change of gear, and closing of the clutch (0..1) each second."""
GENTLE, BRAKES, CALMS = 1.25, 2.1, 0.6
"""m/s² a driver accelerates and slows by, and s in which he changes his mind."""
FOLLOWS, LEARNS, FEELS, CLIMBS = 0.13, 0.045, 0.075, 1.6
"""Pedal for each m/s too slow, each m of it, each m/s² wanted, each share of gradient."""
FOOT_RATE, MOST_PEDAL = 2.2, 0.85
"""Pedal each second, and at most, but for a pull."""
CUT_FELT = 0.45
"""s until a driver lifts for a fuel cut."""
DYNO_SPEEDS_UP, DYNO_SLOWS_DOWN = 700.0, 900.0
"""rpm each second at which a dynamometer leads the engine."""
STALLS_BELOW = 880.0
"""rpm below which the clutch is opened."""


class Driver:
    """One person at the wheel; see the module's first paragraph for what the attributes say."""

    def __init__(self, body: Body, legs: Iterator[Leg], highest: float, generator: np.random.Generator) -> None:
        self._body = body
        self._highest = highest
        self._legs = legs
        self._noise = Noise(generator, 2)
        self._leg: Leg = Idle(0.0)
        self._leg_time = 0.0
        self._stage = 0
        self._settled = 0.0
        self._reference = 0.0
        self._acceleration_wanted = 0.0
        self._integral = 0.0
        self._foot = 0.0
        self._unsteady = 0.0
        self._uneven = 0.0
        self._shift = 0.0
        self._since_shift = 9.0
        self._next_gear = 0
        self._clutch_closing = 0.0
        self._cut_for = 0.0
        self.pedal = self.clutch = self.brake = self.grade = 0.0
        self.gear = 0
        self.starter = False
        self.engaged = False
        self.pulling = False
        self.held_speed = 0.0

    def step(self, dt: float, road: float, speed: float, acceleration: float) -> None:
        """One step of `dt` s with `road` speed in m/s and engine `speed` in rpm."""
        self.starter = speed < (430.0 if self.starter else 60.0)
        leg = self._leg
        self._leg_time += dt
        noise = self._noise.next()
        self._unsteady += (6.0 * noise[0] - self._unsteady) * dt / 0.8
        self._uneven += (20.0 * noise[1] - self._uneven) * dt / 6.0
        if isinstance(leg, DynoHold | DynoPull):
            self._on_dyno(dt, leg, speed)
            return
        self.engaged = False
        if isinstance(leg, Idle):
            self._follow(dt, 0.0, road, speed, 1.0, 0)
            if road < 0.05 and self._leg_time > leg.seconds and not self.starter:
                self._next_leg()
        elif isinstance(leg, Cruise):
            wanted = leg.kmh / 3.6 if not leg.rpm else leg.rpm / self._rpm_per_speed(leg.gear)
            self._slope(dt, leg.grade_percent)
            self._follow(dt, wanted, road, speed, leg.brisk, leg.gear)
            if abs(road - wanted) < 1.2 or self._stage:
                self._stage = 1
                self._settled += dt
            if self._settled > leg.seconds or self._leg_time > leg.seconds + 60.0:
                self._next_leg()
        else:
            self._pull(dt, leg, road, speed, acceleration)

    def _next_leg(self) -> None:
        self._leg = next(self._legs)
        self._leg_time = self._settled = 0.0
        self._stage = 0
        self.pulling = False

    def _rpm_per_speed(self, gear: int) -> float:
        return self._body.gears[gear - 1] / self._body.wheel_radius_m * TO_RPM

    def _slope(self, dt: float, percent: float) -> None:
        # No road is even: half a per cent up and down besides the leg's own gradient.
        wanted = percent * 0.01 + 0.004 * self._uneven
        self.grade += min(0.006 * dt, max(-0.006 * dt, wanted - self.grade))

    def _pull(self, dt: float, leg: RoadPull, road: float, speed: float, acceleration: float) -> None:
        self._slope(dt, 0.0)
        if self._stage == 0:
            wanted = leg.from_rpm / self._rpm_per_speed(leg.gear)
            self._follow(dt, wanted, road, speed, 1.3, leg.gear)
            near = self.gear == leg.gear and abs(speed - leg.from_rpm) < 130.0 and self._shift <= 0.0
            self._settled = self._settled + dt if near else 0.0
            if self._settled > 1.2:
                self._stage, self._settled = 1, 0.0
        elif self._stage == 1:
            self.pulling = True
            self._settled += dt
            self._move_foot(dt, 1.0, 7.0)
            self.brake = 0.0
            # A jolt from a fuel cut makes people lift at once; a car that no longer pulls, a little later.
            failing = self._settled > 0.5 and acceleration < 0.25
            self._cut_for = self._cut_for + dt * (1.0 if acceleration < -0.3 else 0.25) if failing else 0.0
            if speed >= min(leg.to_rpm, self._highest) or self._settled > 30.0 or self._cut_for > CUT_FELT:
                self._stage, self._settled, self._cut_for = 2, 0.0, 0.0
        else:
            self.pulling = False
            self._settled += dt
            self._move_foot(dt, 0.0, 9.0)
            self._reference = road
            self._integral = 0.0
            if self._settled > 2.2:
                self._next_leg()

    def _on_dyno(self, dt: float, leg: DynoHold | DynoPull, speed: float) -> None:
        self.engaged = True
        self.gear = min(4, len(self._body.gears))
        self.clutch, self.brake, self.grade = 1.0, 0.0, 0.0
        held = self.held_speed if self.held_speed > 0.0 else speed
        if isinstance(leg, DynoHold):
            self.held_speed = held + min(DYNO_SPEEDS_UP * dt, max(-DYNO_SLOWS_DOWN * dt, leg.rpm - held))
            self._move_foot(dt, leg.pedal_percent * 0.01, 0.8)
            self._stage = 1 if self._stage or abs(held - leg.rpm) < 20.0 else 0
            self._settled += dt * self._stage
            if self._settled > leg.seconds:
                self._next_leg()
            return
        if self._stage == 0:
            self.held_speed = held + min(DYNO_SPEEDS_UP * dt, max(-DYNO_SLOWS_DOWN * dt, leg.from_rpm - held))
            self._move_foot(dt, 0.12, 0.8)
            self._settled = self._settled + dt if abs(speed - leg.from_rpm) < 40.0 else 0.0
            if self._settled > 2.0:
                self._stage, self._settled = 1, 0.0
        elif self._stage == 1:
            self.pulling = True
            self._move_foot(dt, 1.0, 5.0)
            self._settled += dt
            if self._settled > 1.0:
                self.held_speed = held + (leg.to_rpm - leg.from_rpm) / leg.seconds * dt
            if self.held_speed >= min(leg.to_rpm, self._highest):
                self._stage, self._settled = 2, 0.0
        else:
            self.pulling = False
            self._move_foot(dt, 0.0, 6.0)
            self.held_speed = max(leg.from_rpm, held - 1100.0 * dt)
            if self.held_speed <= leg.from_rpm + 1.0:
                self._next_leg()

    def _move_foot(self, dt: float, wanted: float, rate: float) -> None:
        self._foot += min(rate * dt, max(-rate * dt, wanted - self._foot))
        self.pedal = self._foot

    def _follow(self, dt: float, wanted: float, road: float, speed: float, brisk: float, gear: int) -> None:
        """Follow a road speed: reference with limited acceleration, pedal and brake on it, gears and clutch."""
        if abs(self._reference - road) > 4.0:
            self._reference = road
        difference = wanted - self._reference
        limit = (GENTLE if difference > 0.0 else BRAKES) * brisk
        asked = min(limit, max(-limit, 0.6 * difference))
        self._acceleration_wanted += (asked - self._acceleration_wanted) * dt / CALMS
        self._reference = max(0.0, self._reference + self._acceleration_wanted * dt)
        error = self._reference - road
        if self._shift > 0.0:
            self._change_gear(dt)
        else:
            self._since_shift += dt
            self._choose_gear(wanted, road, speed, gear)
        integral_on = self._shift <= 0.0 and self._clutch_closing >= 1.0
        if integral_on:
            self._integral = min(0.55, max(-0.15, self._integral + LEARNS * error * dt))
        push = FOLLOWS * error + self._integral + FEELS * self._acceleration_wanted + 0.05 + CLIMBS * self.grade
        push += 0.02 * self._unsteady
        standing = wanted < 0.1 and road < 1.5
        if standing:
            push = -1.0
            self._integral = 0.0
        if self._shift > 0.0 and self._shift < SHIFT_SECONDS:
            push = 0.0
        # A foot is either on the pedal or off it.
        if push < (0.015 if self._foot > 0.0 else 0.04):
            push = 0.0
        self._move_foot(dt, min(MOST_PEDAL, push), FOOT_RATE)
        slowing = -(FOLLOWS * error + 0.05 * self._acceleration_wanted) - 0.06
        self.brake = self._body.mass_kg * min(5.0, 9.0 * slowing) if slowing > 0.0 and self._foot < 0.02 else 0.0
        if standing:
            self.brake = self._body.mass_kg * 1.5
        self._work_clutch(dt, wanted, road, speed)

    def _choose_gear(self, wanted: float, road: float, speed: float, gear: int) -> None:
        if self.gear == 0:
            if wanted > 1.0 and not self.starter and speed > 500.0:
                self.gear, self._clutch_closing = 1, 0.0
            return
        if self._since_shift < 1.3 or self._clutch_closing < 1.0:
            return
        top = len(self._body.gears)
        if gear:
            likely = road * self._rpm_per_speed(gear)
            if (self.gear != gear and likely > 1250.0) or self.gear > gear:
                step = 1 if gear > self.gear else -1
                if road * self._rpm_per_speed(self.gear + step) < 6200.0 and (
                    step < 0 or speed > 2300.0 or likely > 1600.0
                ):
                    self._next_gear, self._shift = self.gear + step, SHIFT_SECONDS
            elif self.gear < gear and speed > 2600.0:
                self._next_gear, self._shift = self.gear + 1, SHIFT_SECONDS
            return
        up = 2250.0 + 2300.0 * self._foot + 500.0 * max(0.0, self._acceleration_wanted - 0.8)
        down = 1300.0 + 900.0 * self._foot
        if speed > up and self.gear < top and road * self._rpm_per_speed(self.gear + 1) > 1350.0:
            self._next_gear, self._shift = self.gear + 1, SHIFT_SECONDS
        elif speed < down and self.gear > 1 and road * self._rpm_per_speed(self.gear - 1) < 3600.0 and wanted > 2.0:
            self._next_gear, self._shift = self.gear - 1, SHIFT_SECONDS

    def _change_gear(self, dt: float) -> None:
        self._shift -= dt
        if self._shift < 0.5 * SHIFT_SECONDS and self.gear != self._next_gear:
            self.gear = self._next_gear
        if self._shift <= 0.0:
            self._shift = 0.0
            self._since_shift = 0.0
            self._clutch_closing = 0.45

    def _work_clutch(self, dt: float, wanted: float, road: float, speed: float) -> None:
        if self._shift > 0.0:
            self.clutch = 0.0
            return
        if self.gear == 0:
            self.clutch = 0.0
            return
        slow = road * self._rpm_per_speed(self.gear) < STALLS_BELOW
        if slow and wanted < 2.0:
            # Coming to a halt: clutch down, then neutral.
            self.clutch, self._clutch_closing = 0.0, 0.0
            if road < 0.4:
                self.gear = 0
            return
        if slow and self.gear > 1:
            self._next_gear, self._shift = 1 if road < 3.0 else self.gear - 1, SHIFT_SECONDS
            self.clutch = 0.0
            return
        if (slow and self._clutch_closing < 1.0) or (slow and self.gear == 1):
            # Moving off: as much clutch as the engine can take without falling below some 1100 rpm.
            bite = min(0.35, max(0.0, (speed - 950.0) / 2600.0))
            self.clutch += min(1.2 * dt, max(-3.0 * dt, bite - self.clutch))
            self._clutch_closing = self.clutch
            return
        self._clutch_closing = min(1.0, self._clutch_closing + CLUTCH_CLOSES * dt)
        self.clutch = self._clutch_closing
