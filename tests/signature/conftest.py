"""A bench engine made of hand-worked operating points, for tests of the signature.

Nothing here uses livewatch's simulator or its physics: air, fuel and pulse widths at each point are worked out from the
handbook's equations below, a fault changes them as the trade says it does, and the trims are those of an engine
computer that holds lambda 1 with them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from math import pi, sqrt

import numpy as np
import pytest
from numpy.typing import NDArray

from livewatch.data.ticks import TickBatch
from livewatch.profile import Profile, load_profile_text
from livewatch.signature import Finding, Signature
from livewatch.signature.evidence.baseline import Baseline
from livewatch.signature.evidence.evidence import Evidence
from livewatch.signature.evidence.gathering import gather
from livewatch.signature.evidence.observations import Observations
from livewatch.signature.evidence.readings import Reader, Readings
from livewatch.signature.evidence.settled import PointMaker, Points

R = 287.05
DISPLACEMENT, CYLINDERS, AFR = 2.0, 4, 14.05
FLOW, DEAD = 7.4, 0.95
"""g/s of one injector at 300 kPa across it; ms."""
RAIL = 500.0

UNITS = {
    "engine_speed": "rpm", "accelerator_pedal_position": "%", "manifold_pressure": "kPa", "boost_pressure": "kPa",
    "barometric_pressure": "kPa", "mass_air_flow": "g/s", "charge_air_temperature": "degC",
    "coolant_temperature": "degC", "lambda_1": "1", "commanded_lambda": "1", "short_term_fuel_trim_1": "%",
    "long_term_fuel_trim_1": "%", "fuel_system_status": "1", "injector_pulse_width": "ms", "fuel_rail_pressure": "kPa",
    "commanded_fuel_rail_pressure": "kPa", "purge_duty": "%", "ethanol_content": "%", "idle_air_correction": "%",
}  # fmt: skip


@dataclass(frozen=True)
class Point:
    """A steady operating point: rpm, kPa absolute in the manifold, pedal in %; `commanded` lambda; seconds held."""

    speed: float
    pressure: float
    pedal: float
    commanded: float = 1.0
    seconds: float = 8.0

    @property
    def air(self) -> float:
        """g/s into the cylinders: Heywood 1988, eq. 2.27, with a volumetric efficiency that falls with vacuum (residual
        gas, Guzzella and Onder 2010, eq. 2.20) and away from 4300 rpm."""
        residual = (max(101.3, self.pressure) / self.pressure) ** (1.0 / 1.4)
        shape = 1.0 - 0.20 * ((self.speed - 4300.0) / 4300.0) ** 2
        efficiency = 0.90 * shape * (10.0 - residual) / 9.0
        return efficiency * DISPLACEMENT * self.speed / 120.0 * self.pressure * 1e3 / (R * 313.15)


IDLE = Point(760.0, 32.0, 0.0)
TOUR: tuple[Point, ...] = (
    IDLE,
    Point(1600.0, 38.0, 12.0),
    Point(2500.0, 36.0, 14.0),
    Point(2500.0, 60.0, 24.0),
    Point(3000.0, 85.0, 40.0),
    Point(3000.0, 140.0, 92.0, 0.90, 4.0),
    Point(4200.0, 190.0, 100.0, 0.85, 4.0),
    Point(5500.0, 180.0, 100.0, 0.81, 4.0),
)
"""Idle, cruise, 2500 rpm, and up to full load: what the trade calls idle, 2500 rpm and load."""


@dataclass(frozen=True)
class Fault:
    """What is wrong, as shares at a point: `metered` over true air; `delivered` over commanded fuel."""

    metered: Callable[[Point], float] = lambda point: 1.0
    delivered: Callable[[Point, float], float] = lambda point, pulse: 1.0
    rail: Callable[[Point], float] = lambda point: 1.0
    idle_correction: float = 0.0
    sensor: Callable[[float], float] = lambda seconds: 1.0


@cache
def noise_of(seed: int, start: int, steps: int) -> NDArray[np.float64]:
    """float64 (steps, 2), not to be written to: every tour of the bench has the same."""
    return np.random.default_rng([seed, start]).standard_normal((steps, 2))


@dataclass
class Bench:
    """Columns of a drive being put together, at ten ticks a second."""

    columns: dict[str, list[float]] = field(default_factory=lambda: {name: [] for name in UNITS})
    seed: int = 5

    def hold(self, point: Point, fault: Fault, closed: bool = True) -> None:
        """Add a steady stretch. The computer has learned what it takes where the loop is closed."""
        start = len(self.columns["engine_speed"])
        n = round(point.seconds * 10)
        metered = point.air * fault.metered(point)
        need = 1.0 / fault.metered(point)
        fuel = metered / (AFR * point.commanded)
        events = point.speed / 120.0 * CYLINDERS
        across = sqrt((RAIL - point.pressure) / 300.0)
        pulse = fuel / events / (FLOW * across) * 1e3
        # The trim that makes delivered fuel right, by iteration: dead time makes delivery depend on the pulse itself.
        trim = 1.0
        for _ in range(60):
            before, trim = trim, need / fault.delivered(point, pulse * trim)
            if trim == before:
                break
        # A value for the lambda sensor and one for the trim at each step, in turn.
        noise = noise_of(self.seed, start, n)
        sensor = np.array([fault.sensor((start + step) / 10.0) for step in range(n)])
        total = trim * sensor if closed else np.ones(n)
        measured = point.commanded if closed else point.commanded * need / fault.delivered(point, pulse) * sensor
        values = {
            "engine_speed": point.speed,
            "accelerator_pedal_position": point.pedal,
            "manifold_pressure": point.pressure,
            "boost_pressure": max(101.3, point.pressure + 2.0),
            "barometric_pressure": 101.3,
            "mass_air_flow": metered,
            "charge_air_temperature": 40.0,
            "coolant_temperature": 90.0,
            "lambda_1": measured * (1.0 + 0.002 * noise[:, 0]),
            "commanded_lambda": point.commanded,
            "short_term_fuel_trim_1": 0.4 * noise[:, 1],
            "long_term_fuel_trim_1": 100.0 * (total - 1.0),
            "fuel_system_status": 2.0 if closed else 4.0,
            "injector_pulse_width": pulse * total + DEAD,
            "fuel_rail_pressure": RAIL * fault.rail(point),
            "commanded_fuel_rail_pressure": RAIL,
            "purge_duty": 0.0,
            "ethanol_content": 10.0,
            "idle_air_correction": fault.idle_correction if point is IDLE else 0.0,
        }
        for name, value in values.items():
            self.columns[name].extend(value.tolist() if isinstance(value, np.ndarray) else [value] * n)

    def tour(self, fault: Fault, rounds: int = 4, points: Sequence[Point] = TOUR) -> Bench:
        """Go through the operating points again and again; open loop where lambda is commanded rich."""
        for _ in range(rounds):
            for point in points:
                self.hold(point, fault, point.commanded > 0.95)
        return self

    def arrays(self) -> dict[str, NDArray[np.float64]]:
        """Everything so far."""
        return {name: np.array(column) for name, column in self.columns.items()}


def bench_profile(
    without: Sequence[str] = (), engine: str = "", extra: Mapping[str, str] | None = None, alarms: bool = False
) -> Profile:
    """A profile for the bench engine, ten ticks a second, leaving some channels out; with the signature's `alarms`."""
    units = {name: unit for name, unit in (UNITS | dict(extra or {})).items() if name not in without}
    lines = ["profile: 1", "name: bench engine", "tick: 100 ms", *([] if alarms else ["signature_alarms: off"])]
    lines.append(
        engine
        or "engine: {displacement: 2.0 L, cylinders: 4, induction: turbocharged, air_metering: mass_air_flow, "
        "fuel: gasoline E10, volumetric_efficiency: 0.846 .. 0.954}"
    )
    lines.append("channels:")
    lines += [f"  {name}: {{unit: '{unit}'}}" for name, unit in units.items()]
    return load_profile_text("\n".join(lines) + "\n", "bench.yaml", None)


def ticks_of(profile: Profile, arrays: Mapping[str, NDArray[np.float64]], first: int = 0) -> TickBatch:
    """Columns as ticks, all good where they are not NaN."""
    n = len(next(iter(arrays.values())))
    index = profile.index
    value = np.full((len(index), n), np.nan)
    for name, column in arrays.items():
        if name in index:
            value[index[name]] = column
    unknown = np.isnan(value)
    utc = 1_700_000_000_000_000_000 + (first + np.arange(n, dtype=np.int64)) * profile.period
    quality = np.where(unknown, 4, 0).astype(np.uint8)
    return TickBatch(first, profile.period, index, value, quality, np.zeros(value.shape, np.float32), value.copy(), utc)


def lost_through(diameter: float, inside: float) -> float:
    """g/s of air at 313 K out of a hole of `diameter` mm, from `inside` kPa into 101.3 kPa; out of 8 mm from 192 kPa
    13.9 g/s.

    Heywood 1988, appendix C: Cd A p / sqrt(R T) * 0.6847 if choked, and below that times 2 sqrt(r (1 - r)) of the
    pressure ratio r (Guzzella and Onder 2010, eq. 2.12); Cd 0.65.
    """
    ratio = 101.3 / inside
    share = 1.0 if ratio < 0.5 else 2.0 * sqrt(max(0.0, ratio * (1.0 - ratio)))
    return 0.65 * pi / 4 * (diameter * 1e-3) ** 2 * inside * 1e3 / sqrt(R * 313.15) * 0.6847 * share * 1e3


def gathered(
    arrays: Mapping[str, NDArray[np.float64]], profile: Profile | None = None, baseline: Baseline | None = None
) -> tuple[Observations, PointMaker]:
    """What the columns give causes to be judged by, and the maker of the points it is from."""
    profile = profile or bench_profile()
    maker = PointMaker(profile)
    evidence = Evidence(maker.displacement)
    for points in points_of(arrays, profile):
        evidence.add(points)
    evidence.finish()
    return gather(evidence.regions(), maker, baseline), maker


def readings_of(arrays: Mapping[str, NDArray[np.float64]], profile: Profile) -> list[Readings]:
    """What the signature reads of the columns, a minute at a time."""
    reader = Reader(profile)
    minutes = [reader.waiting() for _ in reader.observe(ticks_of(profile, arrays))]
    list(reader.finish())
    return [readings for readings in (*minutes, reader.waiting()) if readings is not None]


def points_of(arrays: Mapping[str, NDArray[np.float64]], profile: Profile) -> list[Points]:
    """What they say look by look, a minute at a time."""
    maker = PointMaker(profile)
    return [maker.points(readings) for readings in readings_of(arrays, profile)]


@dataclass(frozen=True)
class Lab:
    """The tools above, for tests that may not import from here."""

    Point = Point
    Fault = Fault
    Bench = Bench
    TOUR = TOUR
    IDLE = IDLE
    DEAD = DEAD
    profile = staticmethod(bench_profile)
    ticks = staticmethod(ticks_of)
    gathered = staticmethod(gathered)
    points = staticmethod(points_of)
    readings = staticmethod(readings_of)
    lost_through = staticmethod(lost_through)

    @staticmethod
    def fuel_word(finding: Finding) -> str:
        """The word for all systems but boost, which the bench has no command for: the same one, or all of them."""
        return " and ".join(dict.fromkeys(one.word for one in finding.verdict.systems if one.system != "boost"))

    @staticmethod
    def judged(
        arrays: Mapping[str, NDArray[np.float64]], profile: Profile | None = None, **options: object
    ) -> Signature:
        """A signature that has seen the columns."""
        profile = profile or bench_profile()
        signature = Signature(profile, **options)  # type: ignore[arg-type]
        signature.observe(ticks_of(profile, arrays))
        signature.finish()
        return signature


@pytest.fixture(scope="session")
def lab() -> type[Lab]:
    return Lab
