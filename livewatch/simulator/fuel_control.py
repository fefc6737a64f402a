"""How the engine computer meters fuel: commanded lambda, closed and open loop, cut, and the length of the pulses.

In: the air model's cylinder air, sensed speeds, temperatures and lambda, the driver's pedal. Out: pulse width of each
bank in s and everything a reader of the fuel system wants to know. The order of the corrections is common practice.
"""

from __future__ import annotations

from math import sqrt

from livewatch.simulator.air_model import AirModel
from livewatch.simulator.calibration import Calibration
from livewatch.simulator.fuel_path import REFERENCE_PRESSURE, dead_time, film
from livewatch.simulator.fuel_trims import FuelTrims
from livewatch.simulator.sensors import Sensors

__all__ = ["CLOSED", "COLD", "LOAD_OR_OVERRUN", "PURGE_SECONDS", "FuelControl"]

COLD, CLOSED, LOAD_OR_OVERRUN = 1, 2, 4
"""Fuel system status of SAE J1979."""
OVERRUN_FROM, OVERRUN_TO, OVERRUN_AFTER = 1650.0, 1150.0, 0.5
"""rpm at which a lifted foot cuts the fuel and at which it comes back, and s until it does; common practice."""
OVERBOOST_AFTER, OVERBOOST_OVER = 0.25, 5e3
"""s of too much boost until the fuel is cut, and Pa above the command at which it comes back; common practice."""
CLOSED_FROM_COOLANT, CUT_FROM_COOLANT, ENRICHED_TO_COOLANT, WARM_COOLANT, LEARNS_FROM_COOLANT = (
    288.0, 310.0, 333.0, 335.0, 340.0,
)  # fmt: skip
"""K: closed loop, overrun cut, end of enrichment, quick control with swing and purge, learning; common practice."""
ENRICHED_OVER = 0.22
"""Absolute load, as a share, over which full-load enrichment comes in; common practice."""
COLD_ENRICHMENT, AFTER_START, AFTER_START_SECONDS = 0.09, 0.10, 12.0
"""Shares of lambda, and s; common practice."""
COMMAND_RATE = 0.55
"""Lambda each second; common practice."""
FILM_FORGETS = 3.0
"""s after a fuel cut until the trims learn again; common practice."""
PURGE_SECONDS, WIDEST_PURGE = (75.0, 60.0), 0.6
"""s for which the valve may be open and then stays shut so that the trims can learn, and its widest opening (0..1);
common practice."""
PURGE_SHARE = 0.012
"""Purged gas over air; keeps the vapour's share of the fuel small. Common practice, no source."""
SWING, SWING_PERIOD = 0.007, 1.1
"""Share and s by which the mixture swings about stoichiometric, as the catalyst wants it: common practice."""
EXHAUST_DENSITY = 0.42
"""kg/m³ at some 900 K."""
SENSOR_READY = 14.0
"""s after the start until a heated sensor is warm; common practice."""


class FuelControl:
    """Attributes: `commanded` lambda; `status`; `pulse` s and `trims`, one a bank; `cut` and why (`overrun`,
    `overboost`, `limiter`); `rate` kg/s as the computer believes; `purge` 0..1."""

    def __init__(self, calibration: Calibration, cells: list[list[float]], purge_seconds: tuple[float, float]) -> None:
        self._calibration = calibration
        self.trims = [FuelTrims(calibration, cells[bank]) for bank in range(calibration.banks)]
        self.pulse = [0.0] * calibration.banks
        self._film = [0.0] * calibration.banks
        self._expected = 1.0
        self._foot_off_for = 0.0
        self._since_cut = 9.0
        self._swing = self._swing_clock = 0.0
        self._over_for = 0.0
        self._purge_clock = 20.0
        self.commanded = 1.0
        self.status = COLD
        self.cut = self.overrun = self.overboost = self.limiter = False
        self.rate = 0.0
        self.purge = 0.0
        self._purge_seconds = purge_seconds

    def step(
        self,
        dt: float,
        sensed: Sensors,
        air: AirModel,
        pedal: float,
        running_for: float,
        idling: bool,
        commanded_boost: float,
    ) -> None:
        """One step of `dt` s; `pedal` 0..1, `running_for` s since the start, `commanded_boost` Pa absolute."""
        cal = self._calibration
        speed = sensed.speed
        self._decide_cut(dt, sensed, pedal, commanded_boost)
        self._command(dt, sensed, air.load, pedal, running_for)
        flow = air.cylinder_air * 1.07
        # The stored estimate of delay and lag: as `exhaust.transport_delay`, with one density for all conditions.
        reach = 90.0 / (speed if speed > 60.0 else 60.0) + cal.sensor_lag
        reach += cal.volume_to_sensor * EXHAUST_DENSITY / (flow if flow > 3e-4 else 3e-4)
        closed = self._may_close(sensed, running_for)
        self._sway(dt, closed and sensed.coolant > WARM_COOLANT and self.commanded > 0.99)
        self._expected += (self.commanded * (1.0 - self._swing) - self._expected) * dt / (reach + dt)
        self._purge_valve(dt, closed and not idling and pedal < 0.6 and sensed.coolant > WARM_COOLANT, air.cylinder_air)
        steady = air.settled and self._since_cut > FILM_FORGETS and self.purge == 0.0
        steady = steady and sensed.coolant > LEARNS_FROM_COOLANT
        for bank, trims in enumerate(self.trims):
            trims.locate(speed, air.load, idling)
            if not closed:
                trims.open(dt)
            elif self._since_cut < 0.5 + 2.0 * reach:
                trims.freeze()
            elif cal.targets.narrow_band:
                trims.control_narrow(dt, sensed.narrow[bank], reach)
                if steady:
                    trims.learn(dt)
            else:
                error = sensed.lambda_ratio[bank] / self._expected - 1.0
                trims.control(dt, error, reach, sensed.coolant < WARM_COOLANT)
                if steady and abs(error) < 0.06:
                    trims.learn(dt)
        self._meter(dt, sensed, air.cylinder_air)

    def _decide_cut(self, dt: float, sensed: Sensors, pedal: float, commanded_boost: float) -> None:
        cal = self._calibration
        speed = sensed.speed
        self._foot_off_for = self._foot_off_for + dt if pedal < 0.01 else 0.0
        if self.overrun:
            self.overrun = self._foot_off_for > 0.0 and speed > OVERRUN_TO
        else:
            self.overrun = self._foot_off_for > OVERRUN_AFTER and speed > OVERRUN_FROM
            self.overrun = self.overrun and sensed.coolant > CUT_FROM_COOLANT
        self.limiter = speed > cal.limiter_speed - (60.0 if self.limiter else 0.0)
        if cal.boost is not None:
            most = sensed.outside + max(cal.boost.y) + cal.targets.overboost_kpa * 1e3
            self._over_for = self._over_for + dt if sensed.boost > most else 0.0
            if self._over_for > OVERBOOST_AFTER:
                self.overboost = True
            elif self.overboost and sensed.boost < max(commanded_boost, sensed.outside) + OVERBOOST_OVER:
                self.overboost = False
        self.cut = self.overrun or self.limiter or self.overboost or speed < 60.0
        self._since_cut = 0.0 if self.cut else self._since_cut + dt

    def _command(self, dt: float, sensed: Sensors, load: float, pedal: float, running_for: float) -> None:
        cal = self._calibration
        wanted = 1.0
        above = load - cal.targets.enrich_load * 0.01
        if above > 0.0:
            share = min(1.0, above / ENRICHED_OVER)
            if cal.boost is None:
                share *= min(1.0, max(0.0, (pedal - 0.5) / 0.25))
            wanted += share * (cal.full_load_lambda(sensed.speed) - 1.0)
        cold = 0.0
        if sensed.coolant < ENRICHED_TO_COOLANT or running_for < AFTER_START_SECONDS:
            cold = min(1.0, max(0.0, (ENRICHED_TO_COOLANT - sensed.coolant) / 70.0))
            after_start = AFTER_START * max(0.0, 1.0 - running_for / AFTER_START_SECONDS) * (0.3 + cold)
            wanted = min(wanted, 1.0 - COLD_ENRICHMENT * cold - after_start)
        if running_for <= 0.0:
            wanted = 0.80 - 0.15 * cold
        rate = COMMAND_RATE * dt
        change = wanted - self.commanded
        self.commanded += rate if change > rate else (-rate if change < -rate else change)

    def _sway(self, dt: float, on: bool) -> None:
        self._swing_clock = (self._swing_clock + dt) % SWING_PERIOD
        place = self._swing_clock / SWING_PERIOD
        self._swing = SWING * (1.0 - 4.0 * abs(place - 0.5)) if on else 0.0

    def _may_close(self, sensed: Sensors, running_for: float) -> bool:
        targets = self._calibration.targets
        if running_for < SENSOR_READY or sensed.coolant < CLOSED_FROM_COOLANT:
            self.status = COLD
        elif self.cut or self.commanded < targets.closed_above_lambda:
            self.status = LOAD_OR_OVERRUN
        else:
            self.status = CLOSED
        return self.status == CLOSED

    def _purge_valve(self, dt: float, may: bool, cylinder_air: float) -> None:
        open_for, shut_for = self._purge_seconds
        self._purge_clock = (self._purge_clock + dt) % (open_for + shut_for)
        on = may and self._purge_clock > shut_for
        if on or self.purge > 0.0:
            wanted = min(WIDEST_PURGE, PURGE_SHARE * cylinder_air / 1e-3) if on else 0.0
            self.purge += min(0.05 * dt, max(-0.6 * dt, wanted - self.purge))

    def _meter(self, dt: float, sensed: Sensors, cylinder_air: float) -> None:
        cal = self._calibration
        speed = sensed.speed
        if self.cut or speed < 60.0:
            decay = dt / film(sensed.coolant)[1]
            for bank in range(cal.banks):
                self.pulse[bank] = 0.0
                self._film[bank] /= 1.0 + decay
            self.rate = 0.0
            return
        across = cal.rail_gauge + sensed.outside - sensed.manifold
        open_flow = cal.injector_flow * sqrt(max(across, 5e4) / REFERENCE_PRESSURE)
        dead = dead_time(cal.dead_time, sensed.voltage)
        share, time = film(sensed.coolant)
        share *= 0.92
        events = speed / 120.0 * cal.cylinders
        each_bank = cylinder_air / cal.banks / (cal.stoichiometric * self.commanded * (1.0 - self._swing))
        self.rate = 0.0
        for bank, trims in enumerate(self.trims):
            wanted = each_bank * (1.0 + trims.short) * (1.0 + trims.long)
            injected = max(0.0, (wanted - self._film[bank] / time) / (1.0 - share))
            self._film[bank] = (self._film[bank] + dt * share * injected) / (1.0 + dt / time)
            self.rate += injected
            self.pulse[bank] = injected * cal.banks / events / open_flow + dead if injected > 0.0 else 0.0
