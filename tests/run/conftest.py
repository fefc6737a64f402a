"""A small invented engine bus, and drives of random numbers on it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from livewatch.data.frames import EXTENDED, FrameBatch
from livewatch.profile import load_profile_text
from livewatch.profile.model import Profile

PROFILE = """
profile: 1
name: test bench engine
decode:
  - frame: 0x100
    bus: engine
    name: ENGINE
    signals:
      N_ENG: {start: 0, length: 16, scale: 0.25, unit: rpm}
      P_MAN: {start: 16, length: 16, scale: 0.01, unit: kPa}
  - frame: 0x1ABCDE0
    bus: engine
    extended: true
    name: MIXTURE
    signals:
      LAM: {start: 7, length: 16, order: big_endian, scale: 0.0001, unit: "1", invalid: [0xFFFF]}
      LAM_CMD: {start: 23, length: 16, order: big_endian, scale: 0.0001, unit: "1"}
channels:
  engine_speed: {signal: N_ENG, stale_after: 0.2 s}
  manifold_pressure: {signal: P_MAN, valid: 5 .. 400 kPa}
  lambda_1: {signal: LAM, stale_after: 0.3 s}
  commanded_lambda: {signal: LAM_CMD}
  lambda_ratio: {formula: lambda_1 / commanded_lambda, unit: "1"}
  richness: {formula: commanded_lambda / lambda_1, unit: "1", valid: 0.95 .. 1.05}
  pressure_rate: {formula: "rate(manifold_pressure, 0.2 s)", unit: kPa/s}
  calm_speed: {formula: "mean(engine_speed, 0.5 s)", unit: rpm}
signature_alarms: off
alarms:
  lean:
    while: manifold_pressure > 120 kPa
    condition: lambda_ratio > 1.06
    deadband: 0.02
    on_delay: 0.05 s
    off_delay: 0.1 s
    priority: critical
    latching: true
    action: Lift off now.
  fast:
    condition: calm_speed > 6000 rpm
    deadband: 100 rpm
    priority: medium
    action: Ease off.
  surge:
    condition: abs(pressure_rate) > 300 kPa/s
    priority: low
    action: Watch the boost.
    suppress_when: engine_speed < 1000 rpm
"""


@pytest.fixture(scope="session")
def engine() -> Profile:
    """The profile of the small bus."""
    return load_profile_text(PROFILE, "test.yaml", None)


@pytest.fixture(scope="session")
def drive() -> Callable[[int, float], FrameBatch]:
    """Make a drive: seed and length in seconds to frames, 100 a second of each of two messages, some missing for a
    while so that channels are lost and come back."""

    def make(seed: int, seconds: float, start: int = 1_760_000_000_000_000_000) -> FrameBatch:
        rng = np.random.default_rng(seed)
        n = int(seconds * 100)
        steps = np.arange(n)
        speed = 3500 + 3000 * np.sin(steps / 130 + rng.uniform(0, 6)) + rng.normal(0, 20, n)
        pressure = 120 + 70 * np.sin(steps / 90 + rng.uniform(0, 6)) + 4 * rng.normal(0, 1, n)
        commanded = np.where(pressure > 130, 0.82, 1.0)
        measured = commanded * (1 + 0.05 * np.sin(steps / 57) + rng.normal(0, 0.01, n))
        first = np.zeros((n, 8), np.uint8)
        first[:, 0:2] = (np.clip(speed, 0, 16000) * 4).astype("<u2").view(np.uint8).reshape(n, 2)
        first[:, 2:4] = (np.clip(pressure, 0, 600) * 100).astype("<u2").view(np.uint8).reshape(n, 2)
        second = np.zeros((n, 8), np.uint8)
        raw = (measured * 10000).astype(">u2")
        raw[rng.random(n) < 0.01] = 0xFFFF
        second[:, 0:2] = raw.view(np.uint8).reshape(n, 2)
        second[:, 2:4] = (commanded * 10000).astype(">u2").view(np.uint8).reshape(n, 2)
        time = np.repeat(start + steps * 10_000_000, 2) + np.sort(rng.integers(0, 4_000, 2 * n)) * 1000 % 4_000_000
        data = np.stack([first, second], axis=1).reshape(2 * n, 8)
        identifier = np.tile(np.array([0x100, 0x1ABCDE0], np.uint32), n)
        flags = np.tile(np.array([0, EXTENDED], np.uint8), n)
        batch = FrameBatch(
            np.sort(time).astype(np.int64),
            np.zeros(2 * n, np.uint8),
            identifier,
            flags,
            np.full(2 * n, 8, np.uint8),
            data,
            ("engine",),
        )
        keep = np.ones(2 * n, np.bool_)
        for _ in range(2):
            at, long = rng.integers(0, 2 * n), rng.integers(20, 150)
            keep[at : at + long] &= identifier[at : at + long] == rng.choice([0x100, 0x1ABCDE0])
        return batch[keep]

    return make
