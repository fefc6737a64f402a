"""The engine computer: from what is sensed and what the driver asks to every actuator.

In: `Sensors`, the pedal (0..1). Out, as attributes after each step: throttle opening, pulse widths, ignition,
solenoid duty, purge, and the fault codes set. It knows the calibration and what is sensed, and nothing of the parts
that are fitted.
"""

from __future__ import annotations

from livewatch.simulator.air_model import AirModel
from livewatch.simulator.air_path import throttle_area, throttle_opening
from livewatch.simulator.boost_control import CEILING, BoostController
from livewatch.simulator.calibration import Calibration, Curve
from livewatch.simulator.fault_monitor import FaultMonitor
from livewatch.simulator.fuel_control import CLOSED, FuelControl
from livewatch.simulator.idle_control import IdleController
from livewatch.simulator.sensors import Sensors

__all__ = ["IDLE_MANIFOLD", "EngineComputer"]

IDLE_MANIFOLD = 29e3
"""Pa; what a warm idling engine's manifold begins at."""
WATCH_EVERY = 10
"""Steps between looks of the fault monitors, which are slow."""
RUNNING_FROM = 450.0
"""rpm from which an engine runs by itself; common practice."""
FOOT_OFF = 0.01
"""Pedal (0..1) below which the foot is off; common practice."""
CLOSING_RATE = 5.0
"""Share of its travel each second a throttle closes at most, no faster than the manifold should empty."""
IDLE_IGNITION, IGNITION_LAG = 11.0, 0.03
"""deg held at idle, and s; common practice."""
HOT_CHARGE, HOT_RETARD = 322.0, 0.20
"""K above which ignition is taken back, and deg for each K; common practice."""
KNOCK_HEARD_EVERY = 0.08
"""s between two knocks told apart; common practice."""
KNOCK_STEP, KNOCK_RECOVERY = 1.5, 0.45
"""deg taken back at each knock; deg given back each second: common practice."""


class EngineComputer:
    """One engine computer, switched on.

    Attributes: `air`, `fuel`, `idle`, `boost` (None without a turbocharger), `faults`; `opening_wanted` of the throttle
    0..1, `boost_duty` 0..1, `commanded_boost` Pa absolute, `ignition` deg, `retard` deg, `running_for` s.
    """

    def __init__(
        self,
        calibration: Calibration,
        outside: float,
        cells: list[list[float]],
        purge_seconds: tuple[float, float],
        running: bool,
    ) -> None:
        self._calibration = calibration
        self.air = AirModel(calibration, IDLE_MANIFOLD if running else outside, outside)
        self.fuel = FuelControl(calibration, cells, purge_seconds)
        self.idle = IdleController(calibration)
        self.boost_duty = 0.0
        self.commanded_boost = outside
        self.narrow_band = calibration.targets.narrow_band
        self.boost = BoostController(calibration, outside) if calibration.boost is not None else None
        self.faults = FaultMonitor()
        bore = calibration.throttle_bore_mm
        areas = [throttle_area(0.0, bore) + calibration.idle_area * 0.25 * step for step in range(16)]
        self._area_to_opening = Curve(areas, [throttle_opening(area, bore) for area in areas])
        self.opening_wanted = self._area_to_opening(calibration.idle_area)
        self.ignition = 10.0
        self.retard = 0.0
        self.running_for = 60.0 if running else 0.0
        self.idling = True
        self._not_knocked_for = 9.0
        self._until_watch = 0

    def step(self, dt: float, time: float, sensed: Sensors, pedal: float, knocked: bool) -> None:
        """One step of `dt` s at `time` s; `knocked` when the knock sensor heard one since the last step."""
        speed = sensed.speed
        running = speed > RUNNING_FROM
        self.running_for = self.running_for + dt if running else 0.0
        self.air.step(dt, sensed)
        idle = self.idle
        idle_pedal = pedal < FOOT_OFF
        self.idling = idle_pedal and speed < idle.wanted + 350.0
        idle.step(dt, speed, sensed.coolant, self.idling and running, self.running_for)
        if self.boost is not None:
            self.boost.step(dt, pedal, speed, sensed.boost, sensed.outside, running)
            self.commanded_boost = self.boost.commanded
            self.boost_duty = self.boost.duty
        self.fuel.step(dt, sensed, self.air, pedal, self.running_for, self.idling, self.commanded_boost)

        shut = self._area_to_opening(idle.area)
        asked = 0.30 * pedal + 0.70 * pedal**2.2
        wanted = shut + (1.0 - shut) * asked
        slowest = self.opening_wanted - CLOSING_RATE * dt
        self.opening_wanted = wanted if wanted > slowest else slowest
        self._time_ignition(dt, sensed, knocked)
        self._until_watch += 1
        if self._until_watch == WATCH_EVERY:
            self._until_watch = 0
            self._watch_faults(dt * WATCH_EVERY, time, sensed)

    def _time_ignition(self, dt: float, sensed: Sensors, knocked: bool) -> None:
        self._not_knocked_for += dt
        if knocked and self._not_knocked_for > KNOCK_HEARD_EVERY:
            self._not_knocked_for = 0.0
            self.retard = min(self._calibration.targets.largest_retard, self.retard + KNOCK_STEP)
        elif self.retard > 0.0:
            self.retard = max(0.0, self.retard - KNOCK_RECOVERY * dt)
        if self.idling:
            wanted = IDLE_IGNITION + self.idle.ignition
        else:
            wanted = self._calibration.ignition(sensed.speed, self.air.load)
            wanted -= self.retard
            if sensed.charge > HOT_CHARGE:
                wanted -= HOT_RETARD * (sensed.charge - HOT_CHARGE)
        self.ignition += (wanted - self.ignition) * dt / (IGNITION_LAG + dt)

    def _watch_faults(self, dt: float, time: float, sensed: Sensors) -> None:
        fuel, watch = self.fuel, self.faults.watch
        if fuel.status == CLOSED:
            for bank, trims in enumerate(fuel.trims):
                total = (1.0 + trims.short) * (1.0 + trims.long) - 1.0
                watch("P0174" if bank else "P0171", total > 0.24, 12.0, dt, time)
                watch("P0175" if bank else "P0172", total < -0.22, 12.0, dt, time)
        judged = self.air.settled and not fuel.cut and self.running_for > 10.0
        if self._calibration.meter_area is not None and judged:
            away = abs(self.air.correction - 1.0)
            watch("P0101", away > 0.25, 10.0, dt, time)
            watch("P0068", away > 0.40, 2.0, dt, time)
        if self.running_for > 5.0:
            low = sensed.rail < 0.85 * (self._calibration.rail_gauge + sensed.outside)
            watch("P0087", low, 1.5, dt, time)
        if self.boost is not None:
            watch("P0234", fuel.overboost, 0.1, dt, time, at_once=True)
            short = self.boost.commanded - sensed.boost
            slow = short > 24e3 and self.boost.duty >= CEILING - 0.02 and sensed.speed > 3000.0
            watch("P0299", slow, 3.0, dt, time, forgets=2.0)
