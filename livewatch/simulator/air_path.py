"""The way of the air: filter, (compressor,) charge pipes, throttle, manifold, cylinders; and the holes it can take
instead.

In: `Conditions` (pressures, throttle opening, engine speed). Out: the masses in the charge pipes and the
manifold and every flow between them, in kg/s. The two masses are the state; each step is linearly implicit (one Newton
step of the implicit Euler rule, see Hairer and Wanner 1996, section IV.7), and the flows kept are those of the
linearised equations, so that each mass changes by exactly its flows whatever the step.

One Newton step is not enough for the compressor: the charge pipes follow it within 1 ms, and its flow bends sharply
where the pressure behind it passes the pressure before it. From either side of the bend the step lands on the other,
and the flow alternates for ever. So the implicit Euler rule is solved exactly for it (`Turbocharging.compress`).
"""

from __future__ import annotations

from math import cos, pi, radians, sin, sqrt

from livewatch.simulator.conditions import Conditions
from livewatch.simulator.engine_parts import Build, EngineBlock
from livewatch.simulator.gas import AIR_GAMMA, AIR_GAS_CONSTANT, flow_through_hole
from livewatch.simulator.turbocharger import Turbocharging

__all__ = ["SLOWEST_TURNING", "AirPath", "Breathing", "hole_area", "throttle_area", "throttle_opening"]

THROTTLE_SHUT_DEGREES = 7.0
THROTTLE_TRAVEL_DEGREES = 81.0
"""A butterfly stands at an angle when shut and lies in the flow, nearly, when open: common practice."""
THROTTLE_DISCHARGE = 0.80
"""Heywood 1988, figure 7-21 gives 0.7 to 0.9 over the travel."""
HOLE_DISCHARGE = 0.65
"""Sharp-edged hole (Heywood 1988, appendix C, quotes 0.6 to 0.7)."""
BY_PASS_OPENS_KPA = 60.0
"""The by-pass valve behind the compressor opens when the manifold is this much below the charge pipes: common
practice."""
BY_PASS_RANGE_KPA = 15.0
"""It is wide open this much further, for it is a spring that holds it: common practice, no source."""
BY_PASS_RELIEVES_KPA = 6.0
"""It stays shut while the charge pipes are less than this above the air outside, and takes as much again to open wide;
common practice, no source."""
BY_PASS_AREA = 2.5e-4
"""m², effective, wide open: common practice, no source."""
BY_PASS_OPENS_IN, BY_PASS_SHUTS_IN = 0.04, 0.25
"""s, first-order lags: common practice, no source."""
PURGE_AREA = 4.5e-6
"""m², effective, the purge valve wide open; about 1 g/s under full vacuum: common practice, no source."""
SLOWEST_TURNING = 20.0
"""rpm; keeps the divisions finite with the engine standing."""
STRAIGHT_BELOW = 100.0
"""Pa lost in filter and tube below which the square law is a straight line."""
WALL_HEAT, WALL_HEAT_FADES = 0.32, 0.018
"""How far slow charge air warms towards the coolant, and the flow in kg/s at which half of that is left: common
practice, no source."""


def hole_area(diameter_mm: float) -> float:
    """Effective area in m² of a round sharp-edged hole."""
    return HOLE_DISCHARGE * pi / 4.0 * (diameter_mm * 1e-3) ** 2


def throttle_area(opening: float, bore_mm: float) -> float:
    """Effective area in m² of a butterfly turned to `opening` (0..1), its leak when shut included.

    Heywood 1988, eq. 7.18 without the shaft: pi/4 D² (1 - cos(angle) / cos(shut angle)).
    """
    angle = (THROTTLE_SHUT_DEGREES + THROTTLE_TRAVEL_DEGREES * opening) * 0.017453293
    share = 1.0012 - cos(angle) / _SHUT_COSINE
    return THROTTLE_DISCHARGE * pi / 4.0 * bore_mm * bore_mm * 1e-6 * share


def throttle_opening(area: float, bore_mm: float) -> float:
    """The opening (0..1) whose `throttle_area` is `area`; what a calibrator inverts."""
    low, high = 0.0, 1.0
    for _ in range(30):
        middle = (low + high) / 2.0
        low, high = (middle, high) if throttle_area(middle, bore_mm) < area else (low, middle)
    return (low + high) / 2.0


_SHUT_COSINE = cos(radians(THROTTLE_SHUT_DEGREES))


class Breathing:
    """Volumetric efficiency, Guzzella and Onder 2010, eqs. 2.20 to 2.22: a factor of speed times the loss to the
    residual gas.

    The factor of speed is a parabola around a peak with two waves of the intake tubes over it (their shape is common
    practice, no source), kept as a table every 50 rpm.
    """

    def __init__(self, engine: EngineBlock) -> None:
        self.displacement = engine.displacement_l * 1e-3
        self._clearance = engine.compression_ratio
        self._table = [
            engine.breathing_peak
            * (
                1.0
                - engine.breathing_fall * ((speed - engine.breathing_peak_rpm) / engine.breathing_peak_rpm) ** 2
                + engine.breathing_waves * sin(speed / 430.0)
                + 0.5 * engine.breathing_waves * sin(speed / 170.0 + 1.0)
            )
            for speed in range(0, 10001, 50)
        ]

    def of_speed(self, speed: float) -> float:
        """Volumetric efficiency with equal pressures on both sides, at `speed` in rpm."""
        place = speed * 0.02
        at = int(place)
        low = self._table[at]
        return low + (self._table[at + 1] - low) * (place - at)

    def efficiency(self, speed: float, manifold: float, exhaust: float) -> float:
        """Volumetric efficiency over the manifold, pressures in Pa."""
        residual: float = (exhaust / manifold) ** (1.0 / AIR_GAMMA)
        return self.of_speed(speed) * (self._clearance - residual) / (self._clearance - 1.0)

    def flow(self, speed: float, manifold: float, temperature: float, exhaust: float) -> tuple[float, float]:
        """Air into the cylinders in kg/s (Heywood 1988, eq. 2.27) and its slope over the manifold pressure."""
        residual = (exhaust / manifold) ** (1.0 / AIR_GAMMA)
        share = self.of_speed(speed) / (self._clearance - 1.0) * self.displacement * speed / 120.0
        share /= AIR_GAS_CONSTANT * temperature
        slope = share * (self._clearance - (1.0 - 1.0 / AIR_GAMMA) * residual)
        return share * manifold * (self._clearance - residual), slope


class AirPath:
    """Masses and flows from the filter to the valves.

    Attributes (kg/s, kg, Pa, K; flows hold over the step just done): `metered` through the air meter's tube, `inflow`
    into the charge pipes, `by_pass`, `pressure_leak` out of the charge pipes, `throttle`, `manifold_leak` and
    `purge_air` into the manifold, `cylinders` out of it; `pipe_mass`, `manifold_mass`; `pipe_pressure`,
    `manifold_pressure`, `filter_pressure`; `pipe_temperature`, `manifold_temperature`.
    """

    def __init__(self, build: Build, pressure: float, temperature: float) -> None:
        self.breathing = Breathing(build.engine)
        self._manifold_volume = build.engine.manifold_volume_l * 1e-3
        self._pipe_volume = build.charge_pipes.volume_l * 1e-3
        self._by_pass_area = 0.0
        self.pipe_temperature = self.manifold_temperature = temperature
        self.pipe_pressure = self.manifold_pressure = self.filter_pressure = pressure
        self.pipe_mass = pressure * self._pipe_volume / (AIR_GAS_CONSTANT * temperature)
        self.manifold_mass = pressure * self._manifold_volume / (AIR_GAS_CONSTANT * temperature)
        self.metered = self.inflow = self.by_pass = self.pressure_leak = self.throttle = 0.0
        self.manifold_leak = self.purge_air = self.purge_vapour = self.cylinders = 0.0
        self.fit(build)

    def fit(self, build: Build) -> None:
        """Take over the parts of `build`; the air that is inside stays."""
        self._throttle_bore = build.throttle.bore_mm
        self._leak_area = hole_area(build.leaks.manifold_mm)
        self._pipe_leak_area = hole_area(build.leaks.pressure_side_mm)
        # Pressure lost in a tube goes with the square of the flow over the density (Guzzella and Onder 2010, eq. 2.13);
        # 1.2 kg/m³ is the density the figure on the build sheet holds for.
        self._restriction = build.intake.restriction_kpa * 1000.0 / 0.1**2 * 1.2

    def idle_at(self, pressure: float, temperature: float, flow: float) -> None:
        """Begin with the manifold at `pressure` (Pa) and `temperature` (K) and a steady `flow` (kg/s)."""
        self.manifold_pressure, self.manifold_temperature = pressure, temperature
        self.manifold_mass = pressure * self._manifold_volume / (AIR_GAS_CONSTANT * temperature)
        self.metered = self.inflow = self.throttle = self.cylinders = flow

    def step(self, dt: float, now: Conditions, turbo: Turbocharging | None) -> None:
        """One step of `dt` s."""
        outside, pipe, manifold = now.outside, self.pipe_pressure, self.manifold_pressure
        inflow, slope_in = self._drawn_in(now, turbo is not None)
        self._mix(dt, inflow, now.inlet if turbo is None else turbo.outlet_temperature, now.coolant)

        throttle, throttle_up, throttle_down = flow_through_hole(
            throttle_area(now.opening, self._throttle_bore), pipe, self.pipe_temperature, manifold
        )
        cylinders, cylinders_by = self.breathing.flow(
            now.speed if now.speed > SLOWEST_TURNING else SLOWEST_TURNING,
            manifold,
            self.manifold_temperature,
            now.before_turbine,
        )
        leak = leak_by = pipe_leak = pipe_leak_by = by_pass = by_pass_by = purged = purged_by = 0.0
        if self._leak_area:
            leak, _, leak_by = flow_through_hole(self._leak_area, outside, now.inlet, manifold)
        if self._pipe_leak_area:
            pipe_leak, pipe_leak_by, _ = flow_through_hole(self._pipe_leak_area, pipe, self.pipe_temperature, outside)
        if now.purge > 0.0 and manifold < outside:
            purged, _, purged_by = flow_through_hole(now.purge * PURGE_AREA, outside, now.inlet, manifold)
        if turbo is not None:
            by_pass, by_pass_by = self._by_passed(dt, outside)
        air_share = 1.0 - now.vapour
        pipe_stiffness = AIR_GAS_CONSTANT * self.pipe_temperature / self._pipe_volume
        manifold_stiffness = AIR_GAS_CONSTANT * self.manifold_temperature / self._manifold_volume
        # (1 - dt J) (change of masses) = dt * flows
        a = 1.0 - dt * pipe_stiffness * (slope_in - throttle_up - pipe_leak_by - by_pass_by)
        b = dt * manifold_stiffness * throttle_down
        c = -dt * pipe_stiffness * throttle_up
        d = 1.0 - dt * manifold_stiffness * (throttle_down + leak_by + air_share * purged_by - cylinders_by)
        right_manifold = dt * (throttle + leak + air_share * purged - cylinders)
        if turbo is not None:
            # The equations with the inflow unknown and the manifold eliminated: what the pipes take up over their
            # pressure at the end of the step.
            taken = throttle + pipe_leak + by_pass + b * right_manifold / (d * dt)
            taken_by = (a - b * c / d) / (dt * pipe_stiffness)
            inflow = turbo.compress(dt, self.filter_pressure, now.inlet, taken - taken_by * pipe, taken_by)
        right_pipe = dt * (inflow - throttle - pipe_leak - by_pass)
        determinant = a * d - b * c
        pipe_change = pipe_stiffness * (right_pipe * d - b * right_manifold) / determinant
        manifold_change = manifold_stiffness * (a * right_manifold - right_pipe * c) / determinant

        self.inflow = inflow + slope_in * pipe_change
        self.throttle = throttle + throttle_up * pipe_change + throttle_down * manifold_change
        self.pressure_leak = pipe_leak + pipe_leak_by * pipe_change
        self.by_pass = by_pass + by_pass_by * pipe_change
        self.manifold_leak = leak + leak_by * manifold_change
        purged += purged_by * manifold_change
        self.purge_air = air_share * purged
        self.purge_vapour = now.vapour * purged
        self.cylinders = cylinders + cylinders_by * manifold_change
        self.pipe_mass += dt * (self.inflow - self.throttle - self.pressure_leak - self.by_pass)
        self.manifold_mass += dt * (self.throttle + self.manifold_leak + self.purge_air - self.cylinders)
        self.pipe_pressure = self.pipe_mass * pipe_stiffness
        self.manifold_pressure = self.manifold_mass * manifold_stiffness
        self.metered = self.inflow - self.by_pass

    def _drawn_in(self, now: Conditions, turbocharged: bool) -> tuple[float, float]:
        """Flow through filter and tube and its slope over the pressure in the pipes; sets the filter's pressure. With a
        compressor the flow is that of the step before, until the compressor says."""
        density = now.outside / (AIR_GAS_CONSTANT * now.inlet)
        if turbocharged:
            self.filter_pressure = now.outside - self._restriction * self.metered * abs(self.metered) / density
            return self.inflow, 0.0
        # The filter and tube as a square law, straightened at small losses so that the slope stays finite.
        self.filter_pressure = now.outside
        loss = now.outside - self.pipe_pressure
        conductance = sqrt(density / self._restriction)
        if abs(loss) < STRAIGHT_BELOW:
            slope = -conductance / 10.0
            return -slope * loss, slope
        root = sqrt(abs(loss))
        return (conductance * root if loss > 0 else -conductance * root), -0.5 * conductance / root

    def _mix(self, dt: float, inflow: float, arriving: float, coolant: float) -> None:
        """Charge temperatures: mixing of what flows in with what is there (first law on an open volume with constant
        heat capacity, Guzzella and Onder 2010, section 2.3.2, wall heat into the incoming air only)."""
        if inflow > 0.0:
            share = 3.0 * dt * inflow / self.pipe_mass
            self.pipe_temperature += (arriving - self.pipe_temperature) * (share if share < 0.5 else 0.5)
        moving = abs(self.throttle)
        warming = (coolant - self.pipe_temperature) * WALL_HEAT / (1.0 + moving / WALL_HEAT_FADES)
        warmed = self.pipe_temperature + warming
        share = dt * (moving + 0.002) / self.manifold_mass
        self.manifold_temperature += (warmed - self.manifold_temperature) * (share if share < 0.5 else 0.5)

    def _by_passed(self, dt: float, outside: float) -> tuple[float, float]:
        """Flow through the by-pass valve, kg/s, and its slope over the pressure in the pipes; moves the valve."""
        pipe, manifold = self.pipe_pressure, self.manifold_pressure
        push = min(
            (pipe - manifold - BY_PASS_OPENS_KPA * 1e3) / (BY_PASS_RANGE_KPA * 1e3),
            (pipe - outside - BY_PASS_RELIEVES_KPA * 1e3) / (BY_PASS_RELIEVES_KPA * 1e3),
        )
        if push > 0.0 or self._by_pass_area > 1e-7:
            wanted = BY_PASS_AREA * min(1.0, max(0.0, push))
            lag = BY_PASS_OPENS_IN if wanted > self._by_pass_area else BY_PASS_SHUTS_IN
            self._by_pass_area += (wanted - self._by_pass_area) * dt / (lag + dt)
        if self._by_pass_area <= 2e-6:
            return 0.0, 0.0
        return flow_through_hole(self._by_pass_area, pipe, self.pipe_temperature, self.filter_pressure)[:2]
