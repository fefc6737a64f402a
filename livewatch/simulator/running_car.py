"""A car with its engine running: physics, sensors, engine computer and driver, stepped together.

In: a resolved `Scenario`. Out: after each `step`, one row of true quantities through `row`, named by `NAMES`.
Nothing here draws conclusions; `drive` gathers the rows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from livewatch.simulator.air_model import STANDARD_DENSITY
from livewatch.simulator.air_path import SLOWEST_TURNING, AirPath
from livewatch.simulator.calibration import calibrate
from livewatch.simulator.cars import Car
from livewatch.simulator.combustion import (
    best_ignition,
    friction_torque,
    heat_released,
    ignition_efficiency,
    knock_limit,
)
from livewatch.simulator.conditions import Conditions
from livewatch.simulator.driver import Driver
from livewatch.simulator.engine_computer import IDLE_MANIFOLD, EngineComputer
from livewatch.simulator.engine_parts import Build
from livewatch.simulator.exhaust_path import ExhaustPath
from livewatch.simulator.fuel_path import FuelPath
from livewatch.simulator.fuel_trims import IDLE_CELL
from livewatch.simulator.gas import AIR_GAS_CONSTANT, ICE_POINT, Fuel, dry_air_fraction, standard_pressure
from livewatch.simulator.mismatches import DRIFT_SECONDS, fitted_parts
from livewatch.simulator.routes import Route
from livewatch.simulator.scenario import Scenario
from livewatch.simulator.sensors import HotFilm, Noise, Sensors, Tolerances
from livewatch.simulator.turbocharger import LOWEST_SPEED, Turbocharging
from livewatch.simulator.vehicle import Driveline, Dyno

__all__ = ["NAMES", "RunningCar"]

INDICATED_EFFICIENCY = 0.385
"""Of the heat released, at best ignition (Heywood 1988, figure 9-9 with heat losses taken off)."""
ACCESSORIES = 3500.0
"""N m for each m³ of displacement: alternator, pumps, belt; common practice."""
STARTER_TORQUE, STARTER_SPEED, STARTER_FROM = 75.0, 420.0, 1.0
"""N m, the speed in rpm at which it has none left, and the second of the drive it begins at; common practice."""
THROTTLE_LAG = 0.05
"""s, first-order lag of the throttle's motor; common practice."""
RICHEST_PURGE = 0.45
"""Share of fuel in the gas that a full canister gives; common practice, no source."""
HEAT_TO_COOLANT = 0.25
"""Share of the fuel's heat (Heywood 1988, table 12.1)."""
COOLANT_HEAT_CAPACITY = 48e3
"""J/K of coolant and metal; common practice."""
WARM, THERMOSTAT = 362.0, 361.0
"""K: an engine that has run for a while, and where its thermostat begins to open; common practice."""
RADIANS_EACH_RPM = 0.10471976
"""rad/s; rounded, and kept so: recorded seeds keep their bytes."""
FUEL_LINE_SECONDS = 40.0
"""s in which half and more of what was filled in comes through line, filter and rail; common practice, no source."""


ROW: Mapping[str, str] = {
    # the car and its driver
    "speed": "now.speed", "road_speed": "road_speed", "gear": "driver.gear", "pedal": "driver.pedal",
    "brake": "driver.brake", "opening": "opening", "torque": "torque", "dyno_torque": "dyno_torque",
    "pulling": "driver.pulling", "coolant": "now.coolant", "oil": "oil", "inlet_temperature": "now.inlet",
    # air, true
    "metered": "air.metered", "inflow": "air.inflow", "by_pass": "air.by_pass", "pressure_leak": "air.pressure_leak",
    "throttle_flow": "air.throttle", "manifold_leak": "air.manifold_leak", "purge_air": "air.purge_air",
    "cylinder_air": "air.cylinders", "pipe_mass": "air.pipe_mass", "manifold_mass": "air.manifold_mass",
    "pipe_pressure": "air.pipe_pressure", "manifold_pressure": "air.manifold_pressure",
    "pipe_temperature": "air.pipe_temperature", "manifold_temperature": "air.manifold_temperature",
    # turbocharger and exhaust, true
    "shaft_speed": "shaft_speed", "lift": "lift", "exhaust_pressure": "before_turbine",
    "behind_turbine": "exhaust.behind", "exhaust_temperature": "exhaust.temperature", "exhaust_flow": "exhaust_flow",
    "delay": "exhaust.delay",
    # fuel, true
    "rail": "fuel.rail", "purge_vapour": "air.purge_vapour",
    # as sensed
    "sensed_air": "sensors.air_flow", "sensed_manifold": "sensors.manifold", "sensed_boost": "sensors.boost",
    "sensed_inlet": "sensors.inlet", "sensed_charge": "sensors.charge", "sensed_rail": "sensors.rail",
    "sensed_speed": "sensors.speed", "voltage": "sensors.voltage",
    # the engine computer
    "commanded_lambda": "computer.fuel.commanded", "status": "computer.fuel.status",
    "computed_air": "computer.air.cylinder_air", "speed_density_air": "computer.air.speed_density",
    "load": "computer.air.load", "duty": "computer.boost_duty", "commanded_boost": "computer.commanded_boost",
    "ignition": "computer.ignition", "retard": "computer.retard", "idle_correction": "computer.idle.correction",
    "purge": "computer.fuel.purge", "fuel_cut": "computer.fuel.cut", "overboost_cut": "computer.fuel.overboost",
    "fuel_rate": "computer.fuel.rate", "opening_wanted": "computer.opening_wanted",
    "ethanol": "fuel_blend.ethanol_percent", "running_for": "computer.running_for", "knock_margin": "knock_margin",
    # one a bank; both the same where there is one bank
    "injected_1": "fuel.injected[0]", "injected_2": "fuel.injected[-1]", "evaporated_1": "fuel.evaporated[0]",
    "evaporated_2": "fuel.evaporated[-1]", "film_1": "fuel.film[0]", "film_2": "fuel.film[-1]",
    "fuel_1": "fuel.into_cylinders[0]", "fuel_2": "fuel.into_cylinders[-1]", "richness_1": "richness[0]",
    "richness_2": "richness[-1]", "felt_1": "exhaust.felt[0]", "felt_2": "exhaust.felt[-1]",
    "lambda_1": "sensors.lambda_ratio[0]", "lambda_2": "sensors.lambda_ratio[-1]", "narrow_1": "sensors.narrow[0]",
    "narrow_2": "sensors.narrow[-1]", "pulse_1": "computer.fuel.pulse[0]", "pulse_2": "computer.fuel.pulse[-1]",
    "short_1": "computer.fuel.trims[0].short", "short_2": "computer.fuel.trims[-1].short",
    "long_1": "computer.fuel.trims[0].long", "long_2": "computer.fuel.trims[-1].long",
}  # fmt: skip
"""Every true quantity by name, and where a running car has it. SI units (kg/s, kg, Pa, K, m/s, N m, s); shares as
shares, ethanol in % by volume; angles in deg; speeds of the engine in rpm and of the turbocharger's shaft in rad/s."""
NAMES = tuple(ROW)
"""The names of a row, in its order."""
_row = eval(f"lambda car: ({', '.join(f'car.{place}' for place in ROW.values())},)")
"""Written out and compiled once: looking each place up by its name would cost a tenth of a simulated drive."""


class RunningCar:
    """One car in one scenario. `build` is what is fitted now, tolerances included; `faults` the codes set."""

    def __init__(self, scenario: Scenario) -> None:
        car, route = scenario.car, scenario.route
        assert isinstance(car, Car) and isinstance(route, Route)
        assert scenario.fitted is not None and scenario.calibrated_for is not None
        self._scenario = scenario
        self.name, self.route_name, self.seed = car.name, route.name, scenario.seed
        self.scaling = scenario.scaling
        self.started_warm = not scenario.cold_start
        self.humidity_percent = scenario.humidity_percent
        streams = np.random.SeedSequence(scenario.seed).spawn(6)
        generators = [np.random.default_rng(stream) for stream in streams]
        warm = self.started_warm
        self.outside = standard_pressure(scenario.altitude_m) + scenario.weather_kpa * 1e3
        self.ambient = scenario.ambient_degC + ICE_POINT
        self._refuelled = sorted(scenario.refuelled)
        self._burns(Fuel(scenario.ethanol_percent))
        self.dry_share = dry_air_fraction(self.outside, self.ambient, scenario.humidity_percent / 100.0)
        self.tolerances = Tolerances.drawn(generators[0], scenario.ageing)
        # The calibrator's errors belong to the type of car, not to the one at hand.
        self.calibration = calibrate(scenario.calibrated_for, car.targets, seed=len(car.name) * 7919)
        self._onsets = sorted({mismatch.onset for mismatch in scenario.mismatches if mismatch.onset > 0.0})
        self._drifts = [mismatch for mismatch in scenario.mismatches if mismatch.name == "lambda_drift"]
        self.build = self._parts(0.0)
        engine = self.build.engine
        self.oil = 360.0 if warm else self.ambient
        self.now = Conditions(
            outside=self.outside,
            inlet=self.ambient + (6.0 if warm else 0.0),
            coolant=WARM if warm else self.ambient,
            speed=engine.idle_rpm if warm else 0.0,
            voltage=13.9 if warm else 12.3,
        )
        self._assemble(generators)
        self.driver = Driver(car.body, route.legs(generators[2]), engine.limiter_rpm - 200.0, generators[3])
        self._noise = Noise(generators[4], 3)
        self._gearing = car.body.wheel_radius_m / car.body.gears[min(4, len(car.body.gears)) - 1] * RADIANS_EACH_RPM
        density = self.outside / (AIR_GAS_CONSTANT * self.ambient)
        self.road = Driveline(car.body, engine.inertia_kgm2, density, self.now.speed)
        self.dyno = Dyno(car.body, engine.inertia_kgm2, self.now.speed) if route.on_dyno else None
        self._canister = float(generators[5].uniform(0.25, 0.9))
        self.torque = self.torque_noise = 0.0
        self.richness = [1.0 if warm else 0.0] * engine.banks
        self.knock_margin = 9.0
        self._knocked = False
        if warm:
            self._settle_warm()

    def _assemble(self, generators: list[np.random.Generator]) -> None:
        """Put the parts together, their sensors on them, and the engine computer beside them."""
        scenario, build, now, calibration = self._scenario, self.build, self.now, self.calibration
        warm, banks = self.started_warm, build.engine.banks
        self.air = AirPath(build, self.outside, now.inlet)
        self.turbo = Turbocharging(build, self.outside, now.inlet) if build.turbocharger is not None else None
        self.fuel = FuelPath(build, self.fuel_blend, self.outside)
        self.exhaust = ExhaustPath(build, self.outside, 650.0 if warm else self.ambient, 1.0 if warm else 0.0)
        meter = None
        if calibration.meter_area is not None:
            meter = HotFilm(
                calibration.meter_area,
                calibration.meter_full_scale,
                self.tolerances.meter,
                self.tolerances.meter_bend,
            )
        self.sensors = Sensors(generators[1], self.tolerances, meter, banks, calibration.targets.narrow_band)
        self.sensors.fit(build)
        learned = scenario.cells or [[0.0] * (IDLE_CELL + 1) for _ in range(banks)]
        cells = [list(bank) for bank in learned]
        purging = scenario.purge_seconds if scenario.purge else (0.0, 60.0)
        self.computer = EngineComputer(calibration, self.outside, cells, purging, warm)
        self.opening = self.computer.opening_wanted
        self.faults = self.computer.faults

    def _settle_warm(self) -> None:
        """Put the manifold at idle pressure and the sensors on their values, as an engine that has idled for a
        while."""
        temperature = self.now.inlet + 14.0
        flow = self.air.breathing.flow(self.now.speed, IDLE_MANIFOLD, temperature, self.outside)[0]
        self.air.idle_at(IDLE_MANIFOLD, temperature, flow)
        self.sensors.settle(self.now, flow, temperature)

    def _burns(self, blend: Fuel) -> None:
        """Take over the properties of the fuel at the injectors."""
        self.fuel_blend = blend
        self._stoichiometric, self._octane = blend.stoichiometric, blend.octane
        # J for each kg of air burned.
        self._heat_of_air = blend.heating_value / self._stoichiometric

    def _refuel(self, dt: float, time: float) -> None:
        """Let what was filled in come through the fuel line, as a first-order lag."""
        wanted = max(stop for stop in self._refuelled if stop[0] <= time)[1]
        ethanol = self.fuel_blend.ethanol_percent
        if abs(wanted - ethanol) > 0.01:
            self._burns(Fuel(ethanol + (wanted - ethanol) * dt / FUEL_LINE_SECONDS))
            self.fuel.burn(self.fuel_blend)

    def _parts(self, time: float) -> Build:
        """The parts on the engine at `time` s: scenario, mismatches, and this car's tolerances."""
        scenario, tolerances = self._scenario, self.tolerances
        assert scenario.fitted is not None
        build = fitted_parts(scenario.fitted, tuple(scenario.mismatches), time)
        engine = replace(build.engine, breathing_peak=build.engine.breathing_peak * tolerances.breathing)
        injectors = replace(
            build.injectors,
            flow_g_s=build.injectors.flow_g_s * tolerances.injectors,
            second_bank=build.injectors.second_bank * tolerances.second_bank,
        )
        build = replace(build, engine=engine, injectors=injectors)
        if build.boost_control is not None:
            control = replace(
                build.boost_control,
                solenoid_gain=min(0.99, build.boost_control.solenoid_gain * tolerances.solenoid),
                preload_kpa=build.boost_control.preload_kpa + tolerances.wastegate,
            )
            build = replace(build, boost_control=control)
        return build

    def _fit(self, time: float) -> None:
        """Change parts whose time has come."""
        while self._onsets and self._onsets[0] <= time:
            self._onsets.pop(0)
            self.build = self._parts(time)
            self.air.fit(self.build)
            self.fuel.fit(self.build)
            self.exhaust.fit(self.build)
            self.sensors.fit(self.build)
            if self.turbo is not None:
                self.turbo.fit(self.build)
        for drift in self._drifts:
            self.sensors.shift_percent = drift.size * min(1.0, max(0.0, (time - drift.onset) / DRIFT_SECONDS))

    def step(self, dt: float, time: float) -> None:
        """From `time` to `time` + `dt`, s."""
        if self._onsets or self._drifts:
            self._fit(time)
        if self._refuelled and self._refuelled[0][0] <= time:
            self._refuel(dt, time)
        now, air, exhaust, turbo, computer = self.now, self.air, self.exhaust, self.turbo, self.computer
        driver, noise = self.driver, self._noise.next()
        sensed = self.sensors
        sensed.read(dt, now, air, self.fuel.rail, exhaust.felt)
        road_speed = self.road_speed
        driver.step(dt, road_speed, now.speed, self.road.acceleration)
        computer.step(dt, time, sensed, driver.pedal, self._knocked)
        control = computer.fuel
        self.opening += (computer.opening_wanted - self.opening) * dt / (THROTTLE_LAG + dt)
        self._canister += (0.35 - self._canister) * dt / 900.0 - control.purge * self._canister * dt / 400.0
        now.voltage, now.opening, now.purge = sensed.voltage, self.opening, control.purge
        now.before_turbine = self.before_turbine
        now.vapour = RICHEST_PURGE * self._canister
        air.step(dt, now, turbo)
        self.fuel.step(dt, now, control.pulse, air.manifold_pressure, air.purge_vapour)
        heat, burned = self._burn()
        below_best = self._turn(dt, time, heat, noise)
        gas = max(0.0, air.cylinders) + burned
        exhaust.step(dt, now, gas, self.richness, below_best)
        if turbo is not None:
            turbo.step(dt, gas, exhaust, air.pipe_pressure - self.outside, computer.boost_duty)
        if self.dyno is None:
            self.road.step(dt, self.torque, driver.gear, driver.clutch, driver.brake, driver.grade)
            now.speed = self.road.speed
        else:
            self.dyno.wanted = driver.held_speed
            self.dyno.step(dt, self.torque, driver.engaged, self._gearing)
            now.speed = self.dyno.speed
        self._warm_up(dt, heat, road_speed)

    def _burn(self) -> tuple[float, float]:
        """Heat released in W and fuel burned in kg/s; sets the equivalence ratio of each bank."""
        fuel = self.fuel
        air_each = self.air.cylinders * self.dry_share / fuel.banks
        stoichiometric = self._stoichiometric
        heat = burned = 0.0
        for bank in range(fuel.banks):
            into = fuel.into_cylinders[bank]
            richness = into * stoichiometric / air_each if air_each > 1e-7 else 0.0
            self.richness[bank] = richness
            heat += air_each * heat_released(richness)
            burned += into
        return heat * self._heat_of_air, burned

    def _turn(self, dt: float, time: float, heat: float, noise: list[float]) -> float:
        """Torque on the crankshaft, and whether it knocked; the ignition below best torque (deg) comes back."""
        now, air, computer = self.now, self.air, self.computer
        speed = now.speed
        turning = speed if speed > SLOWEST_TURNING else SLOWEST_TURNING
        displacement = air.breathing.displacement
        load = air.cylinders * 120.0 / (turning * displacement * STANDARD_DENSITY)
        below_best = best_ignition(speed, load) - computer.ignition
        efficiency = INDICATED_EFFICIENCY * ignition_efficiency(below_best)
        # Cycle-to-cycle variation, larger at light load (Heywood 1988, section 9.4).
        self.torque_noise += ((0.012 + 0.010 / (0.2 + load)) * noise[0] - self.torque_noise) * dt / 0.03
        torque = efficiency * heat / (turning * RADIANS_EACH_RPM) * (1.0 + self.torque_noise)
        if speed > 1.0:
            torque -= ACCESSORIES * displacement + friction_torque(
                speed, displacement, air.manifold_pressure, now.before_turbine, self.oil
            )
        if self.driver.starter and time > STARTER_FROM:
            torque += STARTER_TORQUE * max(0.0, 1.0 - speed / STARTER_SPEED) * 1.6
        self.torque = torque
        limit = knock_limit(speed, load, air.manifold_temperature, self._octane, self.richness[0])
        self.knock_margin = limit - computer.ignition
        self._knocked = load > 0.55 and self.knock_margin + 0.9 * noise[1] < 0.0
        return below_best

    def _warm_up(self, dt: float, heat: float, road_speed: float) -> None:
        """Coolant and oil after a first-law balance with a thermostat; air before the filter warms at low road
        speed."""
        now = self.now
        through = min(1.0, (now.coolant - THERMOSTAT) / 6.0) if now.coolant > THERMOSTAT else 0.0
        lost = (18.0 + 900.0 * through) * (now.coolant - self.ambient)
        now.coolant += (HEAT_TO_COOLANT * heat - lost) * dt / COOLANT_HEAT_CAPACITY
        self.oil += (now.coolant + 2.5e-4 * heat - self.oil) * dt / 190.0
        warmed = self.ambient + 0.16 * max(0.0, now.coolant - self.ambient) / (1.0 + 0.25 * road_speed)
        now.inlet += (warmed - now.inlet) * dt / 60.0

    @property
    def road_speed(self) -> float:
        """m/s, of the car or of the roller."""
        return self.road.road_speed if self.dyno is None else self.dyno.road_speed

    @property
    def dyno_torque(self) -> float:
        """N m."""
        return 0.0 if self.dyno is None else self.dyno.torque

    @property
    def before_turbine(self) -> float:
        """Pa, before the turbine or at the ports."""
        return self.exhaust.behind if self.turbo is None else self.turbo.before_turbine

    @property
    def shaft_speed(self) -> float:
        """rad/s."""
        return LOWEST_SPEED if self.turbo is None else self.turbo.shaft_speed

    @property
    def lift(self) -> float:
        """Of the wastegate, 0..1."""
        return 0.0 if self.turbo is None else self.turbo.lift

    @property
    def exhaust_flow(self) -> float:
        """kg/s."""
        return self.air.cylinders + sum(self.fuel.into_cylinders)

    def row(self) -> tuple[float, ...]:
        """The state after the last step, in the order of `NAMES`."""
        row: tuple[float, ...] = _row(self)
        return row
