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
DYNO_COASTS, DYNO_FOOT_RATE, DYNO_LIGHT_PEDAL, DYNO_GEAR = 1100.0, 0.8, 0.12, 4
"""rpm each second after a pull, pedal each second while a speed is held, the pedal before a pull, and the gear."""
DYNO_HELD_WITHIN, DYNO_READY_WITHIN, DYNO_READY_AFTER, DYNO_LEADS_AFTER = 20.0, 40.0, 2.0, 1.0
"""rpm within which a speed is held, and stands before a pull; s for which it has to, and of full pedal until the
dynamometer lets go of it."""
STALLS_BELOW = 880.0
"""rpm below which the clutch is opened."""
STARTER_TURNS_BELOW, STARTER_LETS_GO = 60.0, 430.0
"""rpm."""
UNSTEADY, UNSTEADY_LAG, UNSTEADY_PEDAL = 6.0, 0.8, 0.02
"""White noise in the foot, s it is smoothed over, and pedal for each of it."""
UNEVEN, UNEVEN_LAG, UNEVEN_GRADE, GRADE_RATE = 20.0, 6.0, 0.004, 0.006
"""The same of the road, in share of gradient (no road is even), and share it changes by each second."""
REACHED_WITHIN, GIVES_UP_AFTER = 1.2, 60.0
"""m/s within which a speed is reached, and s after which the driver goes on without it."""
PULL_BRISK, PULL_READY_WITHIN, PULL_READY_AFTER, LONGEST_PULL, AFTER_PULL = 1.3, 130.0, 1.2, 30.0, 2.2
"""How briskly a pull is driven up to, rpm within which and s for which its first speed is held, s a pull takes at most,
and s of rest after it."""
FOOT_DOWN, FOOT_UP, DYNO_FOOT_DOWN, DYNO_FOOT_UP = 7.0, 9.0, 5.0, 6.0
"""Pedal each second at the beginning and the end of a pull, on the road and on the dynamometer."""
NO_LONGER_PULLS, JOLT, JOLT_SHARE, PULLS_AFTER = 0.25, -0.3, 0.25, 0.5
"""m/s² below which a car no longer pulls, and below which it is a jolt; how much slower than a jolt the former is felt;
s until a pull has begun to pull."""
LOST_BY, CLOSES_IN = 4.0, 0.6
"""m/s by which the car has to be off to begin anew, and m/s² for each m/s that is missing."""
LEARNS_DOWN, LEARNS_UP, ROLLING_PEDAL = -0.15, 0.55, 0.05
"""Pedal learned at least and at most, and what holds a car rolling."""
FOOT_OFF_BELOW, FOOT_ON_ABOVE = 0.015, 0.04
"""Pedal: a foot is either on it or off it."""
BRAKES_FROM, BRAKE_FEELS, BRAKE_GAIN, HARDEST, FOOT_NEARLY_OFF, HOLDS_STILL = 0.06, 0.05, 9.0, 5.0, 0.02, 1.5
"""Pedal that would be taken away before the brake is used, how much of it for each m/s² wanted, m/s² for the rest of
it, m/s² at most, pedal below which a foot can brake, and m/s² that hold a standing car."""
STANDS_BELOW, STANDS_SLOWLY = 0.1, 1.5
"""m/s wanted and driven below which the car is to stand."""
BETWEEN_SHIFTS, DRIVES_OFF_FROM = 1.3, 500.0
"""s between two changes of gear, and rpm an engine has to have before one is put in."""
LUGS_BELOW, SCREAMS_ABOVE, UP_FROM, UP_WHEN_FAST, UP_ANYWAY = 1250.0, 6200.0, 2300.0, 1600.0, 2600.0
"""rpm, on the way to a gear that the route asks for: least and most after a step, and from which a step up is taken:
at once, where the gear asked for would turn that fast, and anyhow."""
UP, UP_FOOT, UP_HURRY, UP_HURRY_FROM, DOWN, DOWN_FOOT = 2250.0, 2300.0, 500.0, 0.8, 1300.0, 900.0
"""rpm at which gears go up and down, more of it with the pedal and with m/s² wanted above so much."""
LEAST_AFTER_UP, MOST_AFTER_DOWN, ROLLS_OUT_BELOW = 1350.0, 3600.0, 2.0
"""rpm a step up leaves and a step down brings, and m/s wanted below which no gear is changed down."""
HALT_BELOW, FIRST_BELOW, AFTER_SHIFT = 0.4, 3.0, 0.45
"""m/s at which neutral is put in, and below which first gear; clutch (0..1) as a change of gear ends."""
BITES_FROM, BITES_OVER, BITES_MOST, BITE_CLOSES, BITE_OPENS = 950.0, 2600.0, 0.35, 1.2, 3.0
"""rpm from which the clutch bites on moving off and over which it would close, its most, and clutch each second."""


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
        self.starter = speed < (STARTER_LETS_GO if self.starter else STARTER_TURNS_BELOW)
        leg = self._leg
        self._leg_time += dt
        noise = self._noise.next()
        self._unsteady += (UNSTEADY * noise[0] - self._unsteady) * dt / UNSTEADY_LAG
        self._uneven += (UNEVEN * noise[1] - self._uneven) * dt / UNEVEN_LAG
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
            if abs(road - wanted) < REACHED_WITHIN or self._stage:
                self._stage = 1
                self._settled += dt
            if self._settled > leg.seconds or self._leg_time > leg.seconds + GIVES_UP_AFTER:
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
        wanted = percent * 0.01 + UNEVEN_GRADE * self._uneven
        self.grade += min(GRADE_RATE * dt, max(-GRADE_RATE * dt, wanted - self.grade))

    def _pull(self, dt: float, leg: RoadPull, road: float, speed: float, acceleration: float) -> None:
        self._slope(dt, 0.0)
        if self._stage == 0:
            wanted = leg.from_rpm / self._rpm_per_speed(leg.gear)
            self._follow(dt, wanted, road, speed, PULL_BRISK, leg.gear)
            near = self.gear == leg.gear and abs(speed - leg.from_rpm) < PULL_READY_WITHIN and self._shift <= 0.0
            self._settled = self._settled + dt if near else 0.0
            if self._settled > PULL_READY_AFTER:
                self._stage, self._settled = 1, 0.0
        elif self._stage == 1:
            self.pulling = True
            self._settled += dt
            self._move_foot(dt, 1.0, FOOT_DOWN)
            self.brake = 0.0
            # A jolt from a fuel cut makes people lift at once; a car that no longer pulls, a little later.
            failing = self._settled > PULLS_AFTER and acceleration < NO_LONGER_PULLS
            self._cut_for = self._cut_for + dt * (1.0 if acceleration < JOLT else JOLT_SHARE) if failing else 0.0
            if speed >= min(leg.to_rpm, self._highest) or self._settled > LONGEST_PULL or self._cut_for > CUT_FELT:
                self._stage, self._settled, self._cut_for = 2, 0.0, 0.0
        else:
            self.pulling = False
            self._settled += dt
            self._move_foot(dt, 0.0, FOOT_UP)
            self._reference = road
            self._integral = 0.0
            if self._settled > AFTER_PULL:
                self._next_leg()

    def _on_dyno(self, dt: float, leg: DynoHold | DynoPull, speed: float) -> None:
        self.engaged = True
        self.gear = min(DYNO_GEAR, len(self._body.gears))
        self.clutch, self.brake, self.grade = 1.0, 0.0, 0.0
        held = self.held_speed if self.held_speed > 0.0 else speed
        if isinstance(leg, DynoHold):
            self.held_speed = held + min(DYNO_SPEEDS_UP * dt, max(-DYNO_SLOWS_DOWN * dt, leg.rpm - held))
            self._move_foot(dt, leg.pedal_percent * 0.01, DYNO_FOOT_RATE)
            self._stage = 1 if self._stage or abs(held - leg.rpm) < DYNO_HELD_WITHIN else 0
            self._settled += dt * self._stage
            if self._settled > leg.seconds:
                self._next_leg()
            return
        if self._stage == 0:
            self.held_speed = held + min(DYNO_SPEEDS_UP * dt, max(-DYNO_SLOWS_DOWN * dt, leg.from_rpm - held))
            self._move_foot(dt, DYNO_LIGHT_PEDAL, DYNO_FOOT_RATE)
            self._settled = self._settled + dt if abs(speed - leg.from_rpm) < DYNO_READY_WITHIN else 0.0
            if self._settled > DYNO_READY_AFTER:
                self._stage, self._settled = 1, 0.0
        elif self._stage == 1:
            self.pulling = True
            self._move_foot(dt, 1.0, DYNO_FOOT_DOWN)
            self._settled += dt
            if self._settled > DYNO_LEADS_AFTER:
                self.held_speed = held + (leg.to_rpm - leg.from_rpm) / leg.seconds * dt
            if self.held_speed >= min(leg.to_rpm, self._highest):
                self._stage, self._settled = 2, 0.0
        else:
            self.pulling = False
            self._move_foot(dt, 0.0, DYNO_FOOT_UP)
            self.held_speed = max(leg.from_rpm, held - DYNO_COASTS * dt)
            if self.held_speed <= leg.from_rpm + 1.0:
                self._next_leg()

    def _move_foot(self, dt: float, wanted: float, rate: float) -> None:
        self._foot += min(rate * dt, max(-rate * dt, wanted - self._foot))
        self.pedal = self._foot

    def _follow(self, dt: float, wanted: float, road: float, speed: float, brisk: float, gear: int) -> None:
        """Follow a road speed: reference with limited acceleration, pedal and brake on it, gears and clutch."""
        if abs(self._reference - road) > LOST_BY:
            self._reference = road
        difference = wanted - self._reference
        limit = (GENTLE if difference > 0.0 else BRAKES) * brisk
        asked = min(limit, max(-limit, CLOSES_IN * difference))
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
            self._integral = min(LEARNS_UP, max(LEARNS_DOWN, self._integral + LEARNS * error * dt))
        push = FOLLOWS * error + self._integral + FEELS * self._acceleration_wanted + ROLLING_PEDAL
        push = push + CLIMBS * self.grade + UNSTEADY_PEDAL * self._unsteady
        standing = wanted < STANDS_BELOW and road < STANDS_SLOWLY
        if standing:
            push = -1.0
            self._integral = 0.0
        if self._shift > 0.0 and self._shift < SHIFT_SECONDS:
            push = 0.0
        if push < (FOOT_OFF_BELOW if self._foot > 0.0 else FOOT_ON_ABOVE):
            push = 0.0
        self._move_foot(dt, min(MOST_PEDAL, push), FOOT_RATE)
        slowing = -(FOLLOWS * error + BRAKE_FEELS * self._acceleration_wanted) - BRAKES_FROM
        braking = slowing > 0.0 and self._foot < FOOT_NEARLY_OFF
        self.brake = self._body.mass_kg * min(HARDEST, BRAKE_GAIN * slowing) if braking else 0.0
        if standing:
            self.brake = self._body.mass_kg * HOLDS_STILL
        self._work_clutch(dt, wanted, road, speed)

    def _choose_gear(self, wanted: float, road: float, speed: float, gear: int) -> None:
        if self.gear == 0:
            if wanted > 1.0 and not self.starter and speed > DRIVES_OFF_FROM:
                self.gear, self._clutch_closing = 1, 0.0
            return
        if self._since_shift < BETWEEN_SHIFTS or self._clutch_closing < 1.0:
            return
        top = len(self._body.gears)
        if gear:
            likely = road * self._rpm_per_speed(gear)
            if (self.gear != gear and likely > LUGS_BELOW) or self.gear > gear:
                step = 1 if gear > self.gear else -1
                if road * self._rpm_per_speed(self.gear + step) < SCREAMS_ABOVE and (
                    step < 0 or speed > UP_FROM or likely > UP_WHEN_FAST
                ):
                    self._next_gear, self._shift = self.gear + step, SHIFT_SECONDS
            elif self.gear < gear and speed > UP_ANYWAY:
                self._next_gear, self._shift = self.gear + 1, SHIFT_SECONDS
            return
        up = UP + UP_FOOT * self._foot + UP_HURRY * max(0.0, self._acceleration_wanted - UP_HURRY_FROM)
        down = DOWN + DOWN_FOOT * self._foot
        lower = road * self._rpm_per_speed(max(1, self.gear - 1))
        if speed > up and self.gear < top and road * self._rpm_per_speed(self.gear + 1) > LEAST_AFTER_UP:
            self._next_gear, self._shift = self.gear + 1, SHIFT_SECONDS
        elif speed < down and self.gear > 1 and wanted > ROLLS_OUT_BELOW and lower < MOST_AFTER_DOWN:
            self._next_gear, self._shift = self.gear - 1, SHIFT_SECONDS

    def _change_gear(self, dt: float) -> None:
        self._shift -= dt
        if self._shift < 0.5 * SHIFT_SECONDS and self.gear != self._next_gear:
            self.gear = self._next_gear
        if self._shift <= 0.0:
            self._shift = 0.0
            self._since_shift = 0.0
            self._clutch_closing = AFTER_SHIFT

    def _work_clutch(self, dt: float, wanted: float, road: float, speed: float) -> None:
        if self._shift > 0.0:
            self.clutch = 0.0
            return
        if self.gear == 0:
            self.clutch = 0.0
            return
        slow = road * self._rpm_per_speed(self.gear) < STALLS_BELOW
        if slow and wanted < ROLLS_OUT_BELOW:
            # Coming to a halt: clutch down, then neutral.
            self.clutch, self._clutch_closing = 0.0, 0.0
            if road < HALT_BELOW:
                self.gear = 0
            return
        if slow and self.gear > 1:
            self._next_gear, self._shift = 1 if road < FIRST_BELOW else self.gear - 1, SHIFT_SECONDS
            self.clutch = 0.0
            return
        if (slow and self._clutch_closing < 1.0) or (slow and self.gear == 1):
            # Moving off: as much clutch as the engine can take without falling below some 1100 rpm.
            bite = min(BITES_MOST, max(0.0, (speed - BITES_FROM) / BITES_OVER))
            self.clutch += min(BITE_CLOSES * dt, max(-BITE_OPENS * dt, bite - self.clutch))
            self._clutch_closing = self.clutch
            return
        self._clutch_closing = min(1.0, self._clutch_closing + CLUTCH_CLOSES * dt)
        self.clutch = self._clutch_closing
