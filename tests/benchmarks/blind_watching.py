"""How the blind evaluation watches a drive: at which rate, as samples or frames, through which channels, and with which
fault of the watching itself.

A kept drive and a `Watching` go in; the profile its owner would write and batches for the pipeline come out. Samples
lie on the drive's 10 ms raster: broadcast channels all together, polled ones one after another and in the steps of SAE
J1979. Frames are those of the profile that comes with the car.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from blind_scenarios import FAULTS
from numpy.typing import NDArray

from livewatch.data.channels import CATALOGUE
from livewatch.data.samples import SampleBatch, SampleColumn
from livewatch.profile import Profile, load_profile, load_profile_text
from livewatch.profile.shipped import find_profile
from livewatch.simulator.recording_writer import frames_of

__all__ = ["SETS", "Watching", "batches_of", "names_of", "peak_efficiency", "profile_of", "watching_of"]

_POLLED = frozenset({
    "engine_speed", "manifold_pressure", "mass_air_flow", "lambda_1", "lambda_2", "commanded_lambda",
    "short_term_fuel_trim_1", "long_term_fuel_trim_1", "short_term_fuel_trim_2", "long_term_fuel_trim_2",
    "throttle_position", "accelerator_pedal_position", "engine_load", "absolute_load", "fuel_system_status",
    "vehicle_speed", "coolant_temperature", "intake_air_temperature", "charge_air_temperature", "barometric_pressure",
    "battery_voltage", "fuel_rail_pressure", "boost_pressure", "commanded_boost_pressure", "wastegate_duty",
    "purge_duty", "ethanol_content", "ignition_advance", "knock_retard", "idle_air_correction",
    "commanded_fuel_rail_pressure",
})  # fmt: skip
_STANDARD = frozenset({
    "engine_speed", "vehicle_speed", "engine_load", "absolute_load", "throttle_position",
    "accelerator_pedal_position", "manifold_pressure", "mass_air_flow", "short_term_fuel_trim_1",
    "long_term_fuel_trim_1", "short_term_fuel_trim_2", "long_term_fuel_trim_2", "fuel_system_status",
    "coolant_temperature", "intake_air_temperature", "barometric_pressure", "battery_voltage", "ignition_advance",
    "lambda_1", "lambda_2", "commanded_lambda", "oxygen_sensor_voltage_1", "oxygen_sensor_voltage_2", "purge_duty",
    "ambient_air_temperature", "run_time", "fuel_rail_gauge_pressure",
})  # fmt: skip
"""What the standard alone has (SAE J1979, service 01)."""
_SLOW = frozenset({
    "coolant_temperature", "intake_air_temperature", "charge_air_temperature", "barometric_pressure",
    "battery_voltage", "ethanol_content", "vehicle_speed", "purge_duty", "long_term_fuel_trim_1",
    "long_term_fuel_trim_2", "fuel_system_status", "ambient_air_temperature", "oil_temperature", "run_time",
    "idle_air_correction",
})  # fmt: skip
_STEPS = {"manifold_pressure": 1.0, "boost_pressure": 0.5, "mass_air_flow": 0.01, "fuel_rail_pressure": 1.0}
SETS: Mapping[str, tuple[str, ...]] = {
    "lambda": ("lambda_1", "lambda_2", "oxygen_sensor_voltage_1", "oxygen_sensor_voltage_2"),
    "commanded lambda": ("commanded_lambda",),
    "boost command": ("commanded_boost_pressure",),
    "knock": ("knock_retard",),
    "rail pressure": ("fuel_rail_pressure", "fuel_rail_gauge_pressure", "commanded_fuel_rail_pressure"),
}
"""Channels a car may not tell, by a name for them."""
_STUCK: Mapping[str, float] = {
    "coolant_temperature": 21.0, "mass_air_flow": 6.3, "manifold_pressure": 101.0, "throttle_position": 17.2,
    "lambda_1": 1.0, "engine_load": 0.0,
}  # fmt: skip
_IMPOSSIBLE: Mapping[str, tuple[float, float]] = {
    "lambda_1": (14.7, 0.0), "manifold_pressure": (1.0, -101.3), "mass_air_flow": (3.6, 0.0),
    "coolant_temperature": (1.8, 32.0),
}  # fmt: skip
"""Factor and offset of channels that come in another unit than they say."""


@dataclass(frozen=True, slots=True)
class Watching:
    """How a drive is watched.

    Attributes:
        rate: samples a second of the fast channels. polled: by polling.
        efficiency: the volumetric efficiency the tool is told, as a range.
        frames: as frames of the car's own profile instead of samples.
        without: names of `SETS` that are missing. standard: nothing beyond SAE J1979.
        fault: what is wrong with the watching: "", "command 0", "stuck", "impossible" or "wrong profile".
        channel: the channel it befalls.
    """

    rate: float
    polled: bool
    efficiency: tuple[float, float]
    frames: bool = False
    without: frozenset[str] = frozenset()
    standard: bool = False
    fault: str = ""
    channel: str = ""

    def label(self) -> str:
        """For a line of the report."""
        said = [f"{self.rate:g} Hz", "frames" if self.frames else "polled" if self.polled else "table"]
        said += [f"without {name}" for name in sorted(self.without)]
        return ", ".join(said + ([f"{self.fault} {self.channel}".strip()] if self.fault else []))


def peak_efficiency(drive: Any) -> float:
    """Volumetric efficiency of this very engine at its best speed with equal pressures on both sides."""
    return float(drive.scenario.fitted.engine.breathing_peak * drive.facts["tolerances"]["breathing"])


def watching_of(kind: str, drive: Any) -> Watching:
    """How the drive of a kind (see `blind_scenarios`) is watched, drawn by its seed: half with every channel, half
    without some."""
    seed = drive.scenario.seed
    rng = np.random.default_rng([seed, 5])
    rate, polled = ((100.0, False), (50.0, False), (20.0, False), (10.0, True), (5.0, True), (2.0, True))[
        int(rng.choice(6, p=[0.3, 0.2, 0.15, 0.15, 0.1, 0.1]))
    ]
    # Known only as a range of ±6 %: where in it the truth lies is as likely as parts tolerances make it.
    centre = peak_efficiency(drive) * (1.0 + float(np.clip(rng.normal(0.0, 0.03), -0.06, 0.06)))
    efficiency = round(centre * 0.94, 4), round(centre * 1.06, 4)
    rng = np.random.default_rng([seed, 7])
    every, some = bool(rng.random() < 0.5), rng.random(len(SETS)) < 0.35
    if kind == "ordinary":
        return Watching(1.0, True, efficiency, standard=True, without=frozenset({"lambda"} if every else ()))
    if kind in FAULTS:
        return _faulty(FAULTS[kind].get("watched", {}), drive, rate, polled, efficiency, rng)
    without = frozenset() if every else frozenset(name for name, drop in zip(SETS, some, strict=True) if drop)
    own = (
        drive.facts["car"] == "linden_16"
        if polled
        else drive.facts["car"] in ("brackwell_20t", "tarn_30t", "harrow_14t")
    )
    frames = bool(every and own and rate in (100.0, 10.0) and rng.random() < 0.4 and drive.facts["route"] != "dyno")
    return Watching(rate, polled, efficiency, frames=frames, without=without)


def _faulty(
    fault: Mapping[str, Any],
    drive: Any,
    rate: float,
    polled: bool,
    efficiency: tuple[float, float],
    rng: np.random.Generator,
) -> Watching:
    if "rates" in fault:
        rate, polled = fault["rates"][int(rng.integers(len(fault["rates"])))]
    what, channel = fault.get("fault", ""), ""
    befalls = {"command 0": ["commanded_lambda"], "stuck": [*_STUCK], "impossible": [*_IMPOSSIBLE]}.get(what, [])
    possible = [name for name in befalls if name in drive.channels]
    if possible:
        channel = str(rng.choice(possible))
    without = frozenset(fault.get("without", ()))
    return Watching(rate, polled, efficiency, what == "wrong profile", without, fault=what, channel=channel)


def names_of(drive: Any, watching: Watching) -> list[str]:
    """The channels that this way of watching brings."""
    gone = {name for missing in watching.without for name in SETS[missing]}
    if watching.standard:
        # The standard has the one or the other; a port that tells pedal and throttle in volts tells them so.
        asked: Iterable[str] = _STANDARD
    else:
        asked = _POLLED if watching.polled else drive.channels
    return [name for name in drive.channels if name in CATALOGUE and name in asked and name not in gone]


def profile_of(drive: Any, watching: Watching, engine: bool = True) -> Profile:
    """A profile as its owner would write it: the engine, the channels there are, nothing tuned; for frames the one that
    comes with the car."""
    if watching.frames:
        name = "tarn_30t" if watching.fault == "wrong profile" else drive.facts["car"]
        return load_profile(find_profile(name))
    build, targets = drive.scenario.fitted, drive.scenario.car.targets
    turbo = "turbocharged" if build.turbocharger is not None else "naturally_aspirated"
    low, high = watching.efficiency
    lines = ["profile: 1", "name: blind evaluation"]
    if engine:
        lines += [
            "engine:",
            f"  displacement: {build.engine.displacement_l} L",
            f"  cylinders: {build.engine.cylinders}",
            f"  banks: {build.engine.banks}",
            f"  induction: {turbo}",
            f"  air_metering: {'speed_density' if build.air_meter is None else 'mass_air_flow'}",
            "  fuel: gasoline E10",
            f"  volumetric_efficiency: {low} .. {high}",
        ]
    lines += [
        "authority:",
        f"  short_term_fuel_trim: {-targets.short_trim_limit} % .. {targets.short_trim_limit} %",
        f"  long_term_fuel_trim: {-targets.long_trim_limit} % .. {targets.long_trim_limit} %",
        f"  knock_retard: 0 deg .. {targets.largest_retard} deg",
        "  wastegate_duty: 0 % .. 95 %",
        "channels:",
    ]
    period = 1.0 / watching.rate
    for name in names_of(drive, watching):
        stale = max(1.0, 6.0 * period) * (4.0 if name in _SLOW else 1.0)
        lines.append(f"  {name}: {{unit: '{CATALOGUE[name].unit}', stale_after: {stale} s}}")
    return load_profile_text("\n".join(lines) + "\n", "blind.yaml", None)


def batches_of(drive: Any, watching: Watching, profile: Profile, seconds: float = 20.0) -> Iterator[Any]:
    """The drive in batches of about `seconds`."""
    if watching.frames:
        yield from _frames_of(drive, profile if watching.fault != "wrong profile" else None)
        return
    index = profile.index
    n = len(drive.time)
    time = 1_700_000_000_000_000_000 + np.arange(n, dtype=np.int64) * 10_000_000
    columns = {name: _column(drive, watching, names_of(drive, watching), name) for name in names_of(drive, watching)}
    step = int(seconds * 100)
    for start in range(0, n, step):
        stop = min(n, start + step)
        made = []
        for name, (rows, value) in columns.items():
            low, high = np.searchsorted(rows, (start, stop))
            part = value[low:high]
            quality = np.where(np.isnan(part), 3, 0).astype(np.uint8)
            made.append(SampleColumn(index[name], rows[low:high] - start, part, quality))
        yield SampleBatch(time[start:stop], made)


def _column(
    drive: Any, watching: Watching, names: list[str], name: str
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Rows and values at which one channel comes."""
    every = max(1, round(100.0 / watching.rate))
    spacing = every * (5 if name in _SLOW else 1)
    offset = names.index(name) * every // len(names) if watching.polled else 0
    rows = np.arange(offset, len(drive.time), spacing)
    value = np.asarray(drive.channels[name][rows], np.float64)
    if name == watching.channel:
        if watching.fault == "impossible":
            factor, more = _IMPOSSIBLE[name]
            value = value * factor + more
        else:
            value = np.full(len(value), 0.0 if watching.fault == "command 0" else _STUCK[name])
    return rows, _stepped(name, value) if watching.polled else value


def _frames_of(drive: Any, profile: Profile | None) -> Iterator[Any]:
    """Frames as the car sends them, in the layout of `profile` or else its own."""
    profile = profile or load_profile(find_profile(drive.facts["car"]))
    yield from frames_of(drive, profile)


def _stepped(name: str, value: NDArray[np.float64]) -> NDArray[np.float64]:
    """As the diagnostic port answers: the steps of SAE J1979."""
    if "trim" in name:
        return np.round(value * 1.28) / 1.28
    if "lambda" in name:
        return np.round(value * 32768.0) / 32768.0
    if "temperature" in name:
        return np.round(value)
    if "position" in name or "load" in name or "duty" in name:
        return np.round(value * 2.55) / 2.55
    step = _STEPS.get(name)
    return value if step is None else np.round(value / step) * step
