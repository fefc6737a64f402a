"""The turbocharger: compressor, turbine, wastegate, shaft.

In: pressures before the compressor and on both sides of the turbine, what the charge pipes take over their pressure,
exhaust flow and temperature, solenoid duty. Out: shaft speed, exhaust back pressure, compressor flow and outlet
temperature. SI units throughout (Pa, K, kg/s, rad/s). The shaft speed, the pressure before
the turbine and the wastegate lift are the state.
"""

from __future__ import annotations

from math import pi, sqrt

from livewatch.simulator.engine_parts import BoostControl, Build, TurboUnit
from livewatch.simulator.exhaust_path import ExhaustPath
from livewatch.simulator.gas import (
    AIR_GAMMA,
    AIR_GAS_CONSTANT,
    AIR_HEAT_CAPACITY,
    EXHAUST_GAMMA,
    EXHAUST_GAS_CONSTANT,
    EXHAUST_HEAT_CAPACITY,
)

__all__ = ["HEAD", "PHI", "Turbocharging", "compressor_efficiency", "exhaust_pressure", "turbine_efficiency"]

HEAD = 1.28
"""Largest head over half the tip speed squared: Eriksson 2007 (Oil & Gas Science and Technology 62), Psi_max."""
PHI = 0.245
"""Largest flow over inlet density, wheel disc and tip speed: Eriksson 2007, Phi_max."""
ACTUATOR_LAG = 0.09
"""s; common practice, no source."""
FLAP_SHARE = 0.10
"""kPa on the actuator for each kPa across the wastegate flap; common practice, no source."""
_COLD = (AIR_GAMMA - 1.0) / AIR_GAMMA
_HOT = (EXHAUST_GAMMA - 1.0) / EXHAUST_GAMMA
VOLUME_BEFORE_TURBINE = 2.0e-3
"""m³."""
DRAWN_THROUGH = 0.30
"""Share of the wheel's disc open to air drawn through a slow compressor; common practice, no source."""
BEARING_DRAG = 0.2e-6
"""W s²; power lost over shaft speed squared; common practice, no source."""
LOWEST_SPEED = 150.0
"""rad/s; keeps the divisions finite with the engine off."""


def compressor_efficiency(best: float, phi: float, ratio: float) -> float:
    """Isentropic efficiency: a quadratic hill over flow and pressure ratio (Eriksson 2007, eqs. 13 and 14)."""
    away = phi / (0.62 * PHI) - 1.0
    return max(0.35, best - 0.28 * away * away - 0.035 * (ratio - 1.9) ** 2)


def turbine_efficiency(best: float, blade_speed_ratio: float) -> float:
    """Parabola over the blade speed ratio with its top at 0.65 (Guzzella and Onder 2010, eq. 2.101)."""
    share = blade_speed_ratio / 0.65
    return max(0.10, best * (2.0 * share - share * share))


def exhaust_pressure(flow: float, area: float, temperature: float, behind: float) -> float:
    """Pressure in Pa that drives `flow` (kg/s) through a hole of effective `area` (m²): flow_through_hole inverted.

    Below the choked ratio psi² = 2 r (1 - r), so p² r (1 - r) = p p4 - p4² = flow² R T / (2 area²).
    """
    per = flow * sqrt(EXHAUST_GAS_CONSTANT * temperature) / area
    pressure = behind + per * per / (2.0 * behind)
    return pressure if pressure < 2.0 * behind else per * 1.41421356


class Turbocharging:
    """One turbocharger with its wastegate and boost control.

    Attributes: `shaft_speed` rad/s; `outlet_temperature` K behind the intercooler; `before_turbine` Pa; `lift` 0..1 of
    the wastegate; `compressor_power`, `turbine_power` W.
    """

    def __init__(self, build: Build, pressure: float, temperature: float) -> None:
        self.shaft_speed = LOWEST_SPEED
        self.before_turbine = pressure
        self.lift = 0.0
        self.compressor_power = self.turbine_power = 0.0
        self.outlet_temperature = self._intercooler_temperature = temperature
        self.fit(build)

    def fit(self, build: Build) -> None:
        """Take over the parts of `build`."""
        assert build.turbocharger is not None and build.boost_control is not None
        part: TurboUnit = build.turbocharger
        self._part = part
        self._control: BoostControl = build.boost_control
        self._radius = part.wheel_mm * 0.5e-3 * part.size
        self._turbine_area = part.turbine_area_cm2 * 1e-4 * part.size**2
        self._wastegate_area = part.wastegate_area_cm2 * 1e-4
        self._inertia = part.inertia_kgm2 * part.size**5
        self._intercooler = build.charge_pipes.intercooler_effectiveness

    def compress(self, dt: float, inlet: float, temperature: float, taken: float, taken_by: float) -> float:
        """Flow in kg/s through the compressor over a step of `dt` s; sets power and outlet temperature.

        The pressure behind is not given but found with the flow: the pipes behind take `taken` + `taken_by` * pressure
        (kg/s and kg/(s Pa), the latter above 0), a rising line; the compressor's flow falls with the pressure. Where
        they meet is worked out in closed form, on whichever branch of the compressor's curve it lies:

        - Flow over head as a quarter ellipse (Eriksson 2007, eq. 8): phi = Phi_max sqrt(1 - (ratio / ratio_max)²), with
          ratio_max from the head the tip speed can give.
        - Above ratio_max nothing (surge is not modelled; the by-pass valve keeps away from it).
        - Below a ratio of 1 a wheel too slow to blow is a hole the air is drawn through (incompressible orifice), on
          top of what it blows at equal pressures: common practice, no source.
        """
        tip = self.shaft_speed * self._radius
        rise = 1.0 + HEAD * 0.5 * tip * tip / (AIR_HEAT_CAPACITY * temperature)
        highest = rise * rise * rise * sqrt(rise)
        density = inlet / (AIR_GAS_CONSTANT * temperature)
        disc = pi * self._radius * self._radius
        most = PHI * density * disc * tip
        drawn = taken + taken_by * inlet - most * sqrt(1.0 - 1.0 / (highest * highest))
        if drawn > 0.0:
            # hole * root + taken_by * root² = drawn, with root² the pressure lost.
            hole = DRAWN_THROUGH * disc * sqrt(2.0 * density)
            root = 2.0 * drawn / (hole + sqrt(hole * hole + 4.0 * taken_by * drawn))
            self.compressor_power = 0.0
            self._cool(temperature, temperature, 0.0, dt)
            return taken + taken_by * (inlet - root * root)
        stall = highest * inlet
        at_stall = taken + taken_by * stall
        if at_stall <= 0.0:
            self.compressor_power = 0.0
            self._cool(temperature, temperature, 0.0, dt)
            return 0.0
        # With u = 1 - ratio / ratio_max: most² u (2 - u) = (at_stall - climb u)², the root with a positive flow.
        climb = taken_by * stall
        half = most * most + at_stall * climb
        away = at_stall * at_stall / (half + most * sqrt(half + climb * at_stall - at_stall * at_stall))
        share = sqrt(away * (2.0 - away))
        flow = most * share
        ratio = highest * (1.0 - away)
        heated = temperature
        if ratio > 1.0:
            efficiency = compressor_efficiency(self._part.compressor_efficiency, PHI * share, ratio)
            heated += temperature * (ratio**_COLD - 1.0) / efficiency
        self.compressor_power = flow * AIR_HEAT_CAPACITY * (heated - temperature)
        self._cool(heated, temperature, flow, dt)
        return flow

    def _cool(self, heated: float, outside: float, flow: float, dt: float) -> None:
        # The intercooler's metal soaks heat (first-order, some 3 s at full flow): common practice, no source.
        effectiveness = self._intercooler / (1.0 + 1.6 * flow)
        behind = heated - effectiveness * (heated - outside)
        self._intercooler_temperature += (behind - self._intercooler_temperature) * dt * (0.05 + 2.0 * flow)
        self.outlet_temperature = 0.6 * behind + 0.4 * self._intercooler_temperature

    def step(self, dt: float, flow: float, exhaust: ExhaustPath, boost_gauge: float, duty: float) -> None:
        """One step of `dt` s with exhaust `flow` (kg/s), `boost_gauge` in Pa above the air outside, solenoid `duty`
        0..1."""
        control = self._control
        temperature, behind = exhaust.temperature, exhaust.behind
        gauge = boost_gauge * 1e-3
        can = gauge * (1.0 - control.solenoid_gain * duty)
        push = can + FLAP_SHARE * (self.before_turbine - behind) * 1e-3 - control.preload_kpa
        wanted = min(1.0, max(0.0, push / control.range_kpa))
        self.lift += (wanted - self.lift) * dt / (ACTUATOR_LAG + dt)

        # Turbine and wastegate as nozzles (Guzzella and Onder 2010, section 2.5.2), filling of the volume before them
        # implicit and to its end within the step when it is faster than that.
        wastegate_area = self._wastegate_area * self.lift
        area = self._turbine_area + wastegate_area
        settled = exhaust_pressure(flow, area, temperature, behind)
        before = self.before_turbine
        # Slope of nozzle flow over its upstream pressure, choked value as the bound.
        conductance = 0.8 * area / sqrt(EXHAUST_GAS_CONSTANT * temperature)
        rate = dt * conductance * EXHAUST_GAS_CONSTANT * temperature / VOLUME_BEFORE_TURBINE
        before += (settled - before) * rate / (1.0 + rate)
        self.before_turbine = before
        through = flow * self._turbine_area / area

        expansion = behind / before
        speed = self.shaft_speed
        if expansion < 0.999:
            drop = 1.0 - expansion**_HOT
            spouting = sqrt(2.0 * EXHAUST_HEAT_CAPACITY * temperature * drop)
            efficiency = turbine_efficiency(self._part.turbine_efficiency, 0.9 * speed * self._radius / spouting)
            self.turbine_power = efficiency * through * EXHAUST_HEAT_CAPACITY * temperature * drop
        else:
            self.turbine_power = 0.0
        # Power balance on the shaft: Heywood 1988, section 6.8; kinetic energy as the state keeps it stiff-free.
        drag = BEARING_DRAG * speed * speed
        energy = 0.5 * self._inertia * speed * speed + dt * (self.turbine_power - self.compressor_power - drag)
        self.shaft_speed = max(LOWEST_SPEED, sqrt(max(0.0, 2.0 * energy / self._inertia)))
