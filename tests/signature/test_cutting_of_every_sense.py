"""Whatever a drive is judged by, it says the same to the last digit in batches of one look, of seven, and in one.

Drives that go through what the bench's plain drive in `test_cutting` does not: a computer's fuel rate, weather and two
banks; a narrow-band loop; a leak that begins late in a drive long enough for its stretches to be merged; channels that
come late or never, against a baseline.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from livewatch.data.samples import Quality
from livewatch.diagnosis.page import page
from livewatch.signature import Baseline, Signature

Columns = dict[str, NDArray[np.float64]]
Drive = tuple[Any, Any, Baseline | None]
"""Profile, ticks, baseline."""


def uneven(arrays: Columns) -> Columns:
    """Scatter on what moves most, so that no sum is the same in another order by chance."""
    rng = np.random.default_rng(11)
    for name in ("mass_air_flow", "manifold_pressure", "engine_speed", "lambda_1"):
        if name in arrays:
            arrays[name] = arrays[name] * (1.0 + 0.004 * rng.standard_normal(len(arrays[name])))
    return arrays


def blend_in_hot_weather(lab: Any) -> Drive:
    profile = lab.profile(
        extra={
            "fuel_rate": "L/h", "ambient_air_temperature": "degC", "lambda_2": "1", "short_term_fuel_trim_2": "%",
            "long_term_fuel_trim_2": "%",
        }
    )  # fmt: skip
    arrays = lab.Bench().tour(lab.Fault(delivered=lambda point, pulse: 0.9), rounds=2).arrays()
    looks = np.arange(len(arrays["engine_speed"]))
    arrays["ethanol_content"] = 20.0 + 0.1 * np.sin(looks / 50.0)
    arrays["ambient_air_temperature"] = 35.0 + np.cos(looks / 300.0)
    arrays = uneven(arrays)
    for bank in ("lambda", "short_term_fuel_trim", "long_term_fuel_trim"):
        arrays[f"{bank}_2"] = arrays[f"{bank}_1"] * (1.0 + 0.01 * np.sin(looks / 7.0))
    arrays["fuel_rate"] = arrays["mass_air_flow"] / (13.43 * arrays["commanded_lambda"]) * 3600.0 / 745.0
    return profile, lab.ticks(profile, arrays), None


def narrow_band(lab: Any) -> Drive:
    profile = lab.profile(without=("lambda_1", "injector_pulse_width"), extra={"oxygen_sensor_voltage_1": "V"})
    arrays = lab.Bench().tour(lab.Fault(metered=lambda point: 0.88), rounds=2).arrays()
    looks = np.arange(len(arrays["engine_speed"]))
    # Now and then it stands still for four seconds, while the trim has not got there yet.
    high = (looks % 5 < 3) | (looks % 170 < 40)
    arrays["oxygen_sensor_voltage_1"] = np.where(high, 0.8, 0.1) + 0.02 * np.sin(looks / 3.0)
    return profile, lab.ticks(profile, uneven(arrays)), None


def pipe_off_while_the_sensor_drifts(lab: Any) -> Drive:
    """More than six minutes, the first stretches of a minute merged to two; then pulls, lower ones after the pipe is
    off."""
    profile = lab.profile(extra={"commanded_boost_pressure": "kPa"})
    drift = {"sensor": lambda seconds: 1.0 + 0.06 * min(1.0, seconds / 240.0)}
    sound = lab.Fault(**drift)
    off = lab.Fault(metered=lambda point: 1.0 if point.pressure < 101.3 else 1.15, **drift)
    bench = lab.Bench().tour(sound, rounds=4)
    for _ in range(4):
        bench.hold(lab.IDLE, sound)
    bench.tour(off, rounds=2)
    for top in (185.0, 150.0):
        for step in range(30):
            bench.hold(lab.Point(2000.0 + 120.0 * step, top, 100.0, 0.85, 0.3), off, closed=False)
        bench.hold(lab.IDLE, off)
    arrays = bench.arrays()
    full = arrays["accelerator_pedal_position"] > 91.0
    arrays["commanded_boost_pressure"] = np.where(full, 187.0, arrays["boost_pressure"])
    return profile, lab.ticks(profile, uneven(arrays)), None


def channels_that_come_late_or_never(lab: Any) -> Drive:
    """Against a baseline that was driven on another fuel."""
    profile = lab.profile(extra={"wastegate_duty": "%", "fuel_rate": "L/h"})
    ticks = lab.ticks(profile, uneven(lab.Bench().tour(lab.Fault(), rounds=2).arrays()))
    for name, until in (("wastegate_duty", None), ("fuel_rate", None), ("purge_duty", 83), ("lambda_1", 207)):
        ticks.quality[profile.index[name], :until] = Quality.NEVER_SEEN
        ticks.value[profile.index[name], :until] = np.nan
    matching = lab.Bench(seed=8).tour(lab.Fault(), rounds=1).arrays()
    matching["ethanol_content"][:] = 0.0
    return profile, ticks, lab.judged(matching).as_baseline()


@pytest.mark.parametrize(
    "drive", [blend_in_hot_weather, narrow_band, pipe_off_while_the_sensor_drifts, channels_that_come_late_or_never]
)
def test_a_drive_says_the_same_in_pieces_of_one_look_of_seven_and_in_one(
    lab: Any, drive: Callable[[Any], Drive]
) -> None:
    profile, ticks, baseline = drive(lab)

    def told(size: int) -> tuple[str, Any]:
        signature = Signature(profile, baseline=baseline)
        events = [
            event for start in range(0, len(ticks), size) for event in signature.observe(ticks[start : start + size])
        ]
        events += signature.finish()
        said = signature.finding()
        assert said.settled > 30.0
        assert any(cause.largest_need is not None for cause in said.causes)
        # As JSON and in all digits, which JSON does not show.
        exact = [(cause.name, cause.probability, cause.weight, cause.estimates) for cause in said.causes]
        return json.dumps(said.to_json(), allow_nan=False) + page(said) + repr(exact), events

    whole = told(len(ticks))
    assert told(7) == whole
    assert told(1) == whole
