"""How often a polled car answered, beside what was wanted."""

from __future__ import annotations

import numpy as np
import pytest

from livewatch.data.samples import SampleBatch, SampleColumn
from livewatch.profile import load_profile_text
from livewatch.run.achieved_rates import AchievedRates, rates_of
from livewatch.run.run import Run
from livewatch.wording.car import rate_caveats, rate_words


@pytest.fixture
def run() -> Run:
    polls = "poll:\n  - {service: 0x01, pid: 0x0C, every: 100 ms}\n  - {service: 0x01, pid: 0x24, every: 100 ms}\n"
    polls += "  - {service: 0x01, pid: 0x05, every: 500 ms}\n"
    return Run(load_profile_text(f"profile: 1\nname: polled\nsignature_alarms: off\n{polls}", "p.yaml", None))


def test_the_achieved_rate_is_that_of_the_samples_beside_what_was_wanted(run: Run) -> None:
    """Ten a second of speed, two of lambda and one of coolant for ten seconds, made by hand."""
    index, rates = run.profile.index, AchievedRates()
    for second in range(10):
        time = 1_600_000_000_000_000_000 + second * 1_000_000_000 + np.arange(10, dtype=np.int64) * 100_000_000
        columns = []
        for name, every in (("engine_speed", 1), ("lambda_1", 5), ("coolant_temperature", 10)):
            rows = np.arange(0, 10, every, dtype=np.int64)
            columns.append(SampleColumn(index[name], rows, np.ones(len(rows)), np.zeros(len(rows), np.uint8)))
        run.push(SampleBatch(time, columns))
        rates.observe(run.pipeline)
    assert rates.rates["engine_speed"].achieved == pytest.approx(10.0, rel=0.05)
    assert rates.rates["lambda_1"].achieved == pytest.approx(2.0, rel=0.05)
    assert [rates.rates[name].wanted for name in ("engine_speed", "lambda_1", "coolant_temperature")] == [10, 10, 2]
    assert [name for name, rate in rates.rates.items() if rate.short and rate.achieved] == [
        "lambda_1", "coolant_temperature"
    ]  # fmt: skip
    run.close()
    whole = rates_of(run.pipeline)
    assert rate_words(whole["lambda_1"]) == "2.0 of 10 a second"
    pulls, rarer = rate_caveats(whole)
    assert "lambda 1 2.0 of 10 a second" in pulls and "engine speed" not in pulls
    assert "coolant temperature 1.0 of 2 a second" in rarer


def test_where_nothing_is_asked_nothing_is_said() -> None:
    assert list(rate_caveats({})) == []
