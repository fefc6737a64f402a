"""Fault codes beside the verdict, and how often a polled car answered."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from livewatch.data.events import FaultCodesRead, Figure, FreezeFrameRead
from livewatch.data.samples import SampleBatch, SampleColumn
from livewatch.diagnosis.car_says import CodeEvidence, code_evidence, rate_caveats
from livewatch.profile import load_profile_text
from livewatch.run.achieved_rates import AchievedRates, rates_of
from livewatch.run.run import Run


def cause(name: str, established: bool) -> Any:
    return SimpleNamespace(name=name, title=f"the {name}", established=established)


def codes(*listed: str, what: Any = "stored") -> FaultCodesRead:
    return FaultCodesRead(0, 0, "7E8", what, listed)


def frame(code: str, **values: float) -> FreezeFrameRead:
    return FreezeFrameRead(0, 0, "7E8", code, tuple(Figure(name, value, "1") for name, value in values.items()))


IDLE = {"engine_speed": 780.0, "engine_load": 22.0, "manifold_pressure": 34.0, "short_term_fuel_trim_1": 18.0}
LOADED = {"engine_speed": 4800.0, "engine_load": 96.0, "manifold_pressure": 190.0}


def one(*events: Any, causes: Any = ()) -> CodeEvidence:
    (found,) = code_evidence(events, causes)
    return found


def test_the_freeze_frame_of_a_lean_code_says_where() -> None:
    idle = one(codes("P0171"), frame("P0171", **IDLE))
    assert idle.where.startswith("at idle (780 rpm, load 22 %, 34 kPa") and "+18 %" in idle.where
    assert "vacuum_leak" in idle.causes and "fuel_supply" not in idle.causes
    loaded = one(codes("P0171"), frame("P0171", **LOADED))
    assert loaded.where.startswith("at high load") and "vacuum_leak" not in loaded.causes
    assert "fuel_supply" in loaded.causes
    assert {"vacuum_leak", "fuel_supply"} <= set(one(codes("P0171")).causes), "nothing known of where: both"


def test_a_code_agrees_with_what_was_measured_or_stands_beside_it() -> None:
    established = [cause("vacuum_leak", True), cause("meter_scale", False)]
    agreeing = one(codes("P0171"), codes("P0171", what="pending"), frame("P0171", **IDLE), causes=established)
    assert agreeing.agrees == ("the vacuum_leak",) and agreeing.kinds == ("stored", "pending")
    assert "agrees with what was measured" in str(agreeing)
    beside = one(codes("P0234"), causes=established)
    assert beside.agrees == () and "would speak for boost control" in str(beside)
    assert one(codes("P1234")).causes == (), "a maker's own code speaks for nothing here"


def test_the_last_word_counts() -> None:
    assert code_evidence([codes("P0171"), codes()], ()) == ()


@pytest.fixture
def run() -> Run:
    polls = "poll:\n  - {service: 0x01, pid: 0x0C, every: 100 ms}\n  - {service: 0x01, pid: 0x24, every: 100 ms}\n"
    return Run(load_profile_text(f"profile: 1\nname: polled\nsignature_alarms: off\n{polls}", "p.yaml", None))


def test_the_achieved_rate_is_that_of_the_samples(run: Run) -> None:
    """Ten a second of speed and two of lambda for ten seconds, made by hand."""
    index, rates = run.profile.index, AchievedRates()
    for second in range(10):
        time = 1_600_000_000_000_000_000 + second * 1_000_000_000 + np.arange(10, dtype=np.int64) * 100_000_000
        columns = []
        for name, every in (("engine_speed", 1), ("lambda_1", 5)):
            rows = np.arange(0, 10, every, dtype=np.int64)
            columns.append(SampleColumn(index[name], rows, np.ones(len(rows)), np.zeros(len(rows), np.uint8)))
        run.push(SampleBatch(time, columns))
        rates.observe(run.pipeline)
    assert rates.rates["engine_speed"] == pytest.approx(10.0, rel=0.05)
    assert rates.rates["lambda_1"] == pytest.approx(2.0, rel=0.05)
    run.close()
    assert rates_of(run.pipeline)["lambda_1"] == pytest.approx(2.0, rel=0.05)
    (caveat,) = rate_caveats(rates_of(run.pipeline))
    assert "lambda 1 2.0" in caveat and "engine speed" not in caveat


def test_where_nothing_is_asked_nothing_is_said() -> None:
    assert list(rate_caveats({})) == []
