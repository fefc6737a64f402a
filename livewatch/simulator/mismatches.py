"""What can be wrong with a car: differences between the parts fitted and the parts calibrated for.

In: a mismatch by name with its size (and the second it begins). Out: the build sheet with those parts on it. A mismatch
never touches an output: it changes a number of a part, drills a hole or ages a sensor, and the physics does the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from livewatch.errors import UsageError, nearest
from livewatch.simulator.engine_parts import Build

__all__ = ["KINDS", "Kind", "Mismatch", "check_mismatch", "fitted_parts", "parse_mismatch"]


@dataclass(frozen=True, slots=True)
class Mismatch:
    """One thing wrong: `name` of a kind, `size` in that kind's unit, from `onset` s into the drive (0: all along)."""

    name: str
    size: float
    onset: float = 0.0


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of mismatch.

    Attributes:
        unit, low, high: of the size, and the sizes that make a possible part (inclusive).
        usual: a size that a specialist would call clearly wrong.
        fit: the build sheet with the part on it.
        needs: what the engine must have: "", "air meter" or "turbocharger".
    """

    name: str
    meaning: str
    unit: str
    low: float
    high: float
    usual: float
    fit: Callable[[Build, float], Build]
    needs: str = ""


def _bore(build: Build, size: float) -> Build:
    assert build.air_meter is not None
    return replace(build, air_meter=replace(build.air_meter, bore_mm=size))


def _shape(build: Build, size: float) -> Build:
    assert build.air_meter is not None
    # A disturbed profile is also an unsteady one.
    turbulence = build.air_meter.turbulence_percent + 0.12 * abs(size)
    return replace(build, air_meter=replace(build.air_meter, shape_percent=size, turbulence_percent=turbulence))


def _injector_flow(build: Build, size: float) -> Build:
    flow = build.injectors.flow_g_s * (1.0 + size / 100.0)
    return replace(build, injectors=replace(build.injectors, flow_g_s=flow))


def _injector_dead_time(build: Build, size: float) -> Build:
    dead = build.injectors.dead_time_ms + size
    return replace(build, injectors=replace(build.injectors, dead_time_ms=dead))


def _vacuum_leak(build: Build, size: float) -> Build:
    return replace(build, leaks=replace(build.leaks, manifold_mm=size))


def _pressure_leak(build: Build, size: float) -> Build:
    return replace(build, leaks=replace(build.leaks, pressure_side_mm=size))


def _solenoid(build: Build, size: float) -> Build:
    assert build.boost_control is not None
    gain = min(0.99, build.boost_control.solenoid_gain * (1.0 + size / 100.0))
    return replace(build, boost_control=replace(build.boost_control, solenoid_gain=gain))


def _actuator(build: Build, size: float) -> Build:
    assert build.boost_control is not None
    preload = build.boost_control.preload_kpa + size
    return replace(build, boost_control=replace(build.boost_control, preload_kpa=preload))


def _exhaust(build: Build, size: float) -> Build:
    # A freer exhaust takes back pressure away; the wastegate then has to pass more than it can at high flow, and most
    # housings sold with one route it worse: 0.45 % less flap area for each per cent (common practice, no source).
    freer = build.exhaust.back_pressure_kpa * (1.0 - size / 100.0)
    build = replace(build, exhaust=replace(build.exhaust, back_pressure_kpa=freer))
    assert build.turbocharger is not None
    area = build.turbocharger.wastegate_area_cm2 * (1.0 - 0.0045 * size)
    return replace(build, turbocharger=replace(build.turbocharger, wastegate_area_cm2=area))


def _turbo(build: Build, size: float) -> Build:
    assert build.turbocharger is not None
    return replace(build, turbocharger=replace(build.turbocharger, size=1.0 + size / 100.0))


def _supply(build: Build, size: float) -> Build:
    flow = build.fuel_supply.flow_g_s * (1.0 - size / 100.0)
    return replace(build, fuel_supply=replace(build.fuel_supply, flow_g_s=flow))


def _weak(build: Build, size: float) -> Build:
    return replace(build, injectors=replace(build.injectors, weak_bank=build.engine.banks, weak_percent=size))


def _sensor(build: Build, size: float) -> Build:
    return replace(build, lambda_sensor=replace(build.lambda_sensor, shift_percent=size))


KINDS: Mapping[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind("air_meter_bore", "bore of the air meter's tube", "mm", 30.0, 150.0, 70.0, _bore, "air meter"),
        Kind("air_meter_shape", "air meter disturbed by the intake's shape, at high flow", "%",
             -40.0, 40.0, -15.0, _shape, "air meter"),
        Kind("injector_flow", "injectors flow more (+) or less (-)", "%", -60.0, 150.0, 20.0, _injector_flow),
        Kind("injector_dead_time", "injectors open later (+) or earlier (-)", "ms",
             -0.8, 1.5, 0.2, _injector_dead_time),
        Kind("vacuum_leak", "hole in the manifold, diameter", "mm", 0.1, 12.0, 2.5, _vacuum_leak),
        Kind("pressure_leak", "hole or hose off between compressor and throttle, diameter", "mm", 0.1, 80.0, 8.0,
             _pressure_leak, "turbocharger"),
        Kind("boost_solenoid", "boost solenoid bleeds more (+) or less (-)", "%", -60.0, 60.0, 20.0, _solenoid,
             "turbocharger"),
        Kind("wastegate_actuator", "actuator spring stiffer (+) or softer (-)", "kPa", -35.0, 120.0, 20.0, _actuator,
             "turbocharger"),
        Kind("free_exhaust", "less back pressure, boost creep", "%", 1.0, 95.0, 70.0, _exhaust, "turbocharger"),
        Kind("turbo_size", "turbocharger larger (+) or smaller (-)", "%", -30.0, 40.0, 15.0, _turbo, "turbocharger"),
        Kind("fuel_supply", "pump delivers less", "%", 1.0, 90.0, 40.0, _supply),
        Kind("weak_injector", "one injector of the last bank flows less", "%", 1.0, 95.0, 40.0, _weak),
        Kind("lambda_drift", "lambda sensor reads lean (+) or rich (-), growing over two minutes", "%",
             -15.0, 15.0, 5.0, _sensor),
    )
}  # fmt: skip
"""Every kind of mismatch by name."""

DRIFT_SECONDS = 120.0
"""How long a lambda sensor takes to drift by its size."""


def _kind_of(name: str) -> Kind:
    if name not in KINDS:
        raise UsageError(
            f"unknown mismatch {name!r}{nearest(name, KINDS)}; `livewatch simulate --list` shows all of them"
        )
    return KINDS[name]


def parse_mismatch(text: str) -> Mismatch:
    """A mismatch as written on the command line: NAME=SIZE or NAME=SIZE@ONSET, onset in s, unit optional.

    Raises:
        UsageError: not of that form, or no such kind.
    """
    name, equals, rest = text.partition("=")
    name = name.strip()
    unit = _kind_of(name).unit
    size, _, onset = rest.partition("@")
    try:
        return Mismatch(name, float(size.strip().removesuffix(unit)), float(onset.strip().removesuffix("s") or 0.0))
    except ValueError:
        found = f"found {text!r}" if equals else f"found {text!r} without a size"
        raise UsageError(
            f"a mismatch is written NAME=SIZE or NAME=SIZE@ONSET with the size in {unit} and the onset in s; {found}"
        ) from None


def check_mismatch(mismatch: Mismatch, build: Build, duration: float) -> None:
    """Raise UsageError when the part is impossible, the engine has no such part, or the onset is outside the drive."""
    kind = _kind_of(mismatch.name)
    if not kind.low <= mismatch.size <= kind.high:
        raise UsageError(
            f"{kind.name}={mismatch.size:g}: no such part; the size ({kind.meaning}) must be "
            f"{kind.low:g} to {kind.high:g} {kind.unit}"
        )
    has = {
        "": True,
        "air meter": build.air_meter is not None,
        "turbocharger": build.turbocharger is not None,
    }
    if not has[kind.needs]:
        article = "an" if kind.needs[0] in "aeiou" else "a"
        raise UsageError(f"{kind.name} needs an engine with {article} {kind.needs}; this car's has none")
    if not 0.0 <= mismatch.onset < duration:
        raise UsageError(
            f"{kind.name} begins at {mismatch.onset:g} s, outside the drive of {duration:g} s; "
            "the onset must lie within it"
        )
    if kind.name == "injector_dead_time" and build.injectors.dead_time_ms + mismatch.size <= 0.05:
        raise UsageError(
            f"injector_dead_time={mismatch.size:g}: these injectors' dead time is {build.injectors.dead_time_ms:g} ms; "
            "what is left must be above 0.05 ms"
        )


def fitted_parts(build: Build, mismatches: tuple[Mismatch, ...], time: float) -> Build:
    """The parts on the engine at `time` s: `build` with every mismatch that has begun."""
    for mismatch in mismatches:
        if mismatch.onset <= time:
            size = mismatch.size
            if mismatch.name == "lambda_drift":
                size *= min(1.0, (time - mismatch.onset) / DRIFT_SECONDS)
            build = KINDS[mismatch.name].fit(build, size)
    return build
