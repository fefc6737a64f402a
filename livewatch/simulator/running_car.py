"""A car with its engine running: physics, sensors, engine computer and driver, stepped together.

In: a resolved `Scenario`. Out: after each `step`, one row of `COLUMNS` through `row`. Nothing here draws conclusions;
`drive` gathers the rows.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from livewatch.simulator.air import AirPath
from livewatch.simulator.calibration import calibrate
from livewatch.simulator.cars import Car
from livewatch.simulator.combustion import (
    best_ignition,
    friction_torque,
    heat_released,
    ignition_efficiency,
    knock_limit,
)
from livewatch.simulator.driver import Driver
from livewatch.simulator.engine_computer import IDLE_MANIFOLD, EngineComputer
from livewatch.simulator.exhaust import ExhaustPath
from livewatch.simulator.fuel import FuelPath
from livewatch.simulator.fuel_trims import IDLE_CELL
from livewatch.simulator.gas import AIR_GAS_CONSTANT, Fuel, dry_air_fraction, standard_pressure
from livewatch.simulator.mismatches import DRIFT_SECONDS, fitted_parts
from livewatch.simulator.parts import Build
from livewatch.simulator.routes import Route
from livewatch.simulator.scenario import Scenario
from livewatch.simulator.sensors import HotFilm, Noise, Sensors, Tolerances
from livewatch.simulator.turbocharger import LOWEST_SPEED, Turbocharging
from livewatch.simulator.vehicle import Driveline, Dyno

__all__ = ["COLUMNS", "RunningCar"]

INDICATED_EFFICIENCY = 0.385
"""Of the heat released, at best ignition (Heywood 1988, figure 9-9 with heat losses taken off)."""
ACCESSORIES = 3500.0
"""N m for each m³ of displacement: alternator, pumps, belt; common practice."""
STARTER_TORQUE = 75.0
HEAT_TO_COOLANT = 0.25
"""Share of the fuel's heat (Heywood 1988, table 12.1)."""
COOLANT_HEAT_CAPACITY = 48e3
"""J/K of coolant and metal; common practice."""
THERMOSTAT = 361.0

COLUMNS: tuple[str, ...] = (
    # the car and its driver
    "speed", "road_speed", "gear", "pedal", "brake", "opening", "torque", "dyno_torque", "pulling",
    "coolant", "oil", "inlet_temperature",
    # air, true
    "metered", "inflow", "by_pass", "pressure_leak", "throttle_flow", "manifold_leak", "purge_air", "cylinder_air",
    "pipe_mass", "manifold_mass", "pipe_pressure", "manifold_pressure", "pipe_temperature", "manifold_temperature",
    # turbocharger and exhaust, true
    "shaft_speed", "lift", "exhaust_pressure", "behind_turbine", "exhaust_temperature", "exhaust_flow", "delay",
    # fuel, true; one a bank
    "rail", "purge_vapour", "injected_1", "injected_2", "evaporated_1", "evaporated_2", "film_1", "film_2",
    "fuel_1", "fuel_2", "richness_1", "richness_2", "felt_1", "felt_2",
    # as sensed
    "sensed_air", "sensed_manifold", "sensed_boost", "sensed_inlet", "sensed_charge", "sensed_rail", "sensed_speed",
    "voltage", "lambda_1", "lambda_2", "narrow_1", "narrow_2",
    # the engine computer
    "commanded_lambda", "status", "pulse_1", "pulse_2", "short_1", "short_2", "long_1", "long_2", "computed_air",
    "speed_density_air", "load", "duty", "commanded_boost", "ignition", "retard", "idle_correction", "purge",
    "fuel_cut", "overboost_cut", "fuel_rate", "opening_wanted", "running_for", "knock_margin",
)  # fmt: skip
"""What one row holds, SI units (kg/s, kg, Pa, K, m/s, N m, s); shares as shares; angles in deg; speeds of the engine in
rpm and of the turbocharger's shaft in rad/s."""


class RunningCar:
    """One car in one scenario. `build` is what is fitted now, tolerances included; `faults` the codes set."""

    def __init__(self, scenario: Scenario) -> None:
        car, route = scenario.car, scenario.route
        assert isinstance(car, Car) and isinstance(route, Route)
        assert scenario.fitted is not None and scenario.calibrated_for is not None
        self._scenario = scenario
        self.name, self.route_name, self.seed = car.name, route.name, scenario.seed
        self.started_warm = not scenario.cold_start
        self.humidity_percent = scenario.humidity_percent
        streams = np.random.SeedSequence(scenario.seed).spawn(6)
        generators = [np.random.default_rng(stream) for stream in streams]
        self.outside = standard_pressure(scenario.altitude_m) + scenario.weather_kpa * 1e3
        self.ambient = scenario.ambient_degC + 273.15
        self.fuel_blend = Fuel(scenario.ethanol_percent)
        self.dry_share = dry_air_fraction(self.outside, self.ambient, scenario.humidity_percent / 100.0)
        self.tolerances = Tolerances(generators[0], scenario.ageing)
        # The calibrator's errors belong to the type of car, not to the one at hand.
        self.calibration = calibrate(scenario.calibrated_for, car.targets, seed=len(car.name) * 7919)
        self._onsets = sorted({mismatch.onset for mismatch in scenario.mismatches if mismatch.onset > 0.0})
        self._drifts = [mismatch for mismatch in scenario.mismatches if mismatch.name == "lambda_drift"]
        self.build = self._parts(0.0)
        engine = self.build.engine
        warm = self.started_warm
        self.coolant = 362.0 if warm else self.ambient
        self.oil = 360.0 if warm else self.ambient
        self.inlet_temperature = self.ambient + (6.0 if warm else 0.0)
        self.voltage = 13.9 if warm else 12.3

        self.air = AirPath(self.build, self.outside, self.inlet_temperature)
        self.turbo = (
            Turbocharging(self.build, self.outside, self.inlet_temperature)
            if self.build.turbocharger is not None
            else None
        )
        self.fuel = FuelPath(self.build, self.fuel_blend, self.outside)
        self.exhaust = ExhaustPath(self.build, self.outside, 650.0 if warm else self.ambient, 1.0 if warm else 0.0)
        meter = None
        if self.calibration.meter_area is not None:
            meter = HotFilm(
                self.calibration.meter_area,
                self.calibration.meter_full_scale,
                self.tolerances.meter,
                self.tolerances.meter_bend,
            )
        self.sensors = Sensors(generators[1], self.tolerances, meter, engine.banks)
        self.sensors.fit(self.build)
        learned = scenario.cells or [[0.0] * (IDLE_CELL + 1) for _ in range(engine.banks)]
        self.computer = EngineComputer(
            self.calibration, self.outside, [list(cells) for cells in learned], scenario.purge, warm
        )
        self.faults = self.computer.faults
        self.driver = Driver(car.body, route.legs(generators[2]), engine.limiter_rpm - 200.0, generators[3])
        self._noise = Noise(generators[4], 3)
        speed = engine.idle_rpm if warm else 0.0
        self._gearing = car.body.wheel_radius_m / car.body.gears[min(4, len(car.body.gears)) - 1] * 0.10471976
        density = self.outside / (AIR_GAS_CONSTANT * self.ambient)
        self.road = Driveline(car.body, engine.inertia_kgm2, density, speed)
        self.dyno = Dyno(car.body, engine.inertia_kgm2, speed) if route.on_dyno else None
        self._canister = float(generators[5].uniform(0.25, 0.9))
        self.speed = speed
        self.opening = self.computer.opening_wanted
        self.torque = self.torque_noise = 0.0
        self.richness = [1.0 if warm else 0.0] * engine.banks
        self.knock_margin = 9.0
        self._knocked = False
        if warm:
            self._settle_warm()

    def _settle_warm(self) -> None:
        """Put the manifold at idle pressure and the sensors on their values, as an engine that has idled for a
        while."""
        temperature = self.inlet_temperature + 14.0
        flow = self.air.breathing.flow(self.speed, IDLE_MANIFOLD, temperature, self.outside)[0]
        self.air.idle_at(IDLE_MANIFOLD, temperature, flow)
        self.sensors.settle(flow)
        sensed = self.sensors
        sensed.inlet = self.inlet_temperature
        sensed.charge = temperature
        sensed.coolant = self.coolant
        sensed.voltage = self.voltage
        sensed.outside = self.outside

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
        air, fuel, exhaust, turbo, sensed, computer = (
            self.air,
            self.fuel,
            self.exhaust,
            self.turbo,
            self.sensors,
            self.computer,
        )
        driver, road, dyno, outside = self.driver, self.road, self.dyno, self.outside
        noise = self._noise.next()
        speed = self.speed
        sensed.read(
            dt,
            air.metered,
            air.manifold_pressure,
            air.pipe_pressure,
            outside,
            self.inlet_temperature,
            air.manifold_temperature,
            self.coolant,
            fuel.rail,
            speed,
            exhaust.felt,
            computer.narrow_band,
        )
        road_speed = road.road_speed if dyno is None else dyno.road_speed
        driver.step(dt, road_speed, speed, road.acceleration)
        computer.step(dt, time, sensed, driver.pedal, self._knocked)
        control = computer.fuel
        self.opening += (computer.opening_wanted - self.opening) * dt / (0.05 + dt)
        turning = max(speed, 20.0)

        exhaust_before = exhaust.behind if turbo is None else turbo.before_turbine
        self._canister += (0.35 - self._canister) * dt / 900.0 - control.purge * self._canister * dt / 400.0
        air.step(
            dt,
            outside,
            self.inlet_temperature,
            self.opening,
            turning,
            exhaust_before,
            self.coolant,
            control.purge,
            0.45 * self._canister,
            turbo,
        )
        fuel.step(
            dt, control.pulse, speed, air.manifold_pressure, outside, sensed.voltage, self.coolant, air.purge_vapour
        )
        banks = fuel.banks
        air_each = air.cylinders * self.dry_share / banks
        stoichiometric = self.fuel_blend.stoichiometric
        heat = 0.0
        burned_fuel = 0.0
        for bank in range(banks):
            into = fuel.into_cylinders[bank]
            richness = into * stoichiometric / air_each if air_each > 1e-7 else 0.0
            self.richness[bank] = richness
            heat += air_each * heat_released(richness)
            burned_fuel += into
        heat *= self.fuel_blend.heating_value / stoichiometric
        load = air.cylinders * 120.0 / (turning * air.breathing.displacement * 1.184)
        below_best = best_ignition(speed, load) - computer.ignition
        omega = turning * 0.10471976
        efficiency = INDICATED_EFFICIENCY * ignition_efficiency(below_best)
        # Cycle-to-cycle variation, larger at light load (Heywood 1988, section 9.4).
        self.torque_noise += ((0.012 + 0.010 / (0.2 + load)) * noise[0] - self.torque_noise) * dt / 0.03
        torque = efficiency * heat / omega * (1.0 + self.torque_noise)
        if speed > 1.0:
            torque -= ACCESSORIES * air.breathing.displacement + friction_torque(
                speed, air.breathing.displacement, air.manifold_pressure, exhaust_before, self.oil
            )
        if driver.starter and time > 1.0:
            torque += STARTER_TORQUE * max(0.0, 1.0 - speed / 420.0) * 1.6
        self.torque = torque
        self.knock_margin = (
            knock_limit(speed, load, air.manifold_temperature, self.fuel_blend.octane, self.richness[0])
            - computer.ignition
        )
        self._knocked = load > 0.55 and self.knock_margin + 0.9 * noise[1] < 0.0

        gas = max(0.0, air.cylinders) + burned_fuel
        exhaust.step(dt, gas, speed, self.richness, exhaust_before, outside, below_best)
        if turbo is not None:
            turbo.step(dt, gas, exhaust.temperature, exhaust.behind, outside, air.pipe_pressure, computer.boost_duty)
        if dyno is None:
            road.step(dt, torque, driver.gear, driver.clutch, driver.brake, driver.grade)
            self.speed = road.speed
        else:
            dyno.wanted = driver.held_speed
            dyno.step(dt, torque, driver.engaged, self._gearing)
            self.speed = dyno.speed
        self._warm_up(dt, heat, road_speed)

    def _warm_up(self, dt: float, heat: float, road_speed: float) -> None:
        """Coolant and oil after a first-law balance with a thermostat; air before the filter warms at low road
        speed."""
        through = min(1.0, max(0.0, (self.coolant - THERMOSTAT) / 6.0))
        lost = (18.0 + 900.0 * through) * (self.coolant - self.ambient)
        self.coolant += (HEAT_TO_COOLANT * heat - lost) * dt / COOLANT_HEAT_CAPACITY
        self.oil += (self.coolant + 2.5e-4 * heat - self.oil) * dt / 190.0
        warmed = self.ambient + 0.16 * max(0.0, self.coolant - self.ambient) / (1.0 + 0.25 * road_speed)
        self.inlet_temperature += (warmed - self.inlet_temperature) * dt / 60.0

    def row(self) -> tuple[float, ...]:
        """The state after the last step, in the order of `COLUMNS`."""
        air, fuel, exhaust, turbo, sensed, computer = (
            self.air,
            self.fuel,
            self.exhaust,
            self.turbo,
            self.sensors,
            self.computer,
        )
        control, driver = computer.fuel, self.driver
        last = fuel.banks - 1
        trims, other = control.trims[0], control.trims[last]
        idle = computer.idle
        road_speed = self.road.road_speed if self.dyno is None else self.dyno.road_speed
        return (
            self.speed, road_speed, driver.gear, driver.pedal, driver.brake, self.opening, self.torque,
            0.0 if self.dyno is None else self.dyno.torque, driver.pulling, self.coolant, self.oil,
            self.inlet_temperature,
            air.metered, air.inflow, air.by_pass, air.pressure_leak, air.throttle, air.manifold_leak, air.purge_air,
            air.cylinders, air.pipe_mass, air.manifold_mass, air.pipe_pressure, air.manifold_pressure,
            air.pipe_temperature, air.manifold_temperature,
            LOWEST_SPEED if turbo is None else turbo.shaft_speed, 0.0 if turbo is None else turbo.lift,
            exhaust.behind if turbo is None else turbo.before_turbine, exhaust.behind, exhaust.temperature,
            air.cylinders + sum(fuel.into_cylinders), exhaust.delay,
            fuel.rail, air.purge_vapour, fuel.injected[0], fuel.injected[last], fuel.evaporated[0],
            fuel.evaporated[last], fuel.film[0], fuel.film[last], fuel.into_cylinders[0], fuel.into_cylinders[last],
            self.richness[0], self.richness[last], exhaust.felt[0], exhaust.felt[last],
            sensed.air_flow, sensed.manifold, sensed.boost, sensed.inlet, sensed.charge, sensed.rail, sensed.speed,
            sensed.voltage, sensed.lambda_ratio[0], sensed.lambda_ratio[last], sensed.narrow[0], sensed.narrow[last],
            control.commanded, control.status, control.pulse[0], control.pulse[last], trims.short, other.short,
            trims.long, other.long, computer.air.cylinder_air, computer.air.speed_density, computer.air.load,
            computer.boost_duty, computer.commanded_boost, computer.ignition, computer.retard, idle.correction,
            control.purge, control.cut, control.overboost, control.rate, computer.opening_wanted,
            computer.running_for, self.knock_margin,
        )  # fmt: skip
