"""A car to try livewatch on: an invented engine with honest physics, its sensors, its engine computer and its driver.

    from livewatch.simulator import Mismatch, Scenario, simulate

    drive = simulate(Scenario(car="brackwell_20t", mismatches=[Mismatch("air_meter_bore", 70.0)], seed=3))
    drive.channels["mass_air_flow"]  # as the air meter reports it, g/s, 100 Hz
    drive.truth["metered"]  # what really flowed, kg/s

In: a `Scenario`. Out: a `Drive`. It promises that a mismatch is always a difference between the parts fitted and the
parts calibrated for, and that the same scenario gives the same drive.

The modules walk through the car: parts and cars; air, turbocharger, fuel, exhaust, combustion; sensors; the engine
computer with its air model, fuel control and trims, boost, idle and fault monitors; vehicle, routes and driver. Then
the drive goes on the wire: packing, traffic, answers. Equation and figure numbers of books are cited from memory.
"""

from livewatch.simulator.cars import CARS, Car
from livewatch.simulator.drive import STEP, Drive, simulate
from livewatch.simulator.mismatches import KINDS, Kind, Mismatch, parse_mismatch
from livewatch.simulator.port_scaling import PortScaling
from livewatch.simulator.routes import ROUTES, Route
from livewatch.simulator.scenario import Scenario

__all__ = [
    "CARS",
    "KINDS",
    "ROUTES",
    "STEP",
    "Car",
    "Drive",
    "Kind",
    "Mismatch",
    "PortScaling",
    "Route",
    "Scenario",
    "parse_mismatch",
    "simulate",
]
