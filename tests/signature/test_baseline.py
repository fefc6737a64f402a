"""A drive on matching parts sharpens the comparison."""

from __future__ import annotations

import json
from math import log2
from pathlib import Path
from typing import Any

import pytest

from livewatch.errors import SourceError
from livewatch.signature import Baseline


def test_a_baseline_makes_the_interval_narrower_and_still_holds_the_truth(lab: Any) -> None:
    fault = lab.Fault(metered=lambda point: 1.0 / 1.10)
    arrays = lab.Bench().tour(fault).arrays()
    baseline = lab.judged(lab.Bench(seed=8).tour(lab.Fault()).arrays()).as_baseline()
    without, compared = (lab.judged(arrays, baseline=known).finding().causes[0] for known in (None, baseline))
    assert without.name == compared.name == "meter_scale"
    wide, narrow = (
        next(one for one in cause.estimates if one.quantity == "true over metered air") for cause in (without, compared)
    )
    assert narrow.high - narrow.low < wide.high - wide.low
    assert narrow.low <= 1.10 <= narrow.high
    assert compared.weight > without.weight


def test_a_calibration_that_always_was_five_per_cent_off_is_no_news_against_its_baseline(lab: Any) -> None:
    known = lab.Fault(delivered=lambda point, pulse: 0.93)
    baseline = lab.judged(lab.Bench(seed=8).tour(known).arrays()).as_baseline()
    said = lab.judged(lab.Bench().tour(known).arrays(), baseline=baseline).finding()
    assert said.causes[0].family == "none"
    assert said.compared_with == "bench engine"


def test_loads_that_a_baseline_never_visited_tell_little_of_a_ratio(lab: Any) -> None:
    # Injectors a tenth larger. The meter always read too little, 1 % more so with each doubling of the flow from cruise
    # on: up to 4 % where the baseline, of light loads alone, never was.
    def metered(point: Any) -> float:
        return 1.0 - 0.01 * max(0.0, log2(point.air / 10.0))

    quiet = tuple(point for point in lab.TOUR if point.pressure < 50.0)
    baseline = lab.judged(lab.Bench(seed=8).tour(lab.Fault(metered=metered), points=quiet).arrays()).as_baseline()
    larger = lab.Fault(metered=metered, delivered=lambda point, pulse: 1.1)
    cause = lab.judged(lab.Bench().tour(larger).arrays(), baseline=baseline).finding().causes[0]
    assert cause.name == "injector_flow"
    assert cause.estimates[0].value == pytest.approx(1.1, abs=0.01)


def test_one_visit_of_a_baseline_is_known_less_than_many(lab: Any) -> None:
    few, many = (
        lab.judged(lab.Bench(seed=8).tour(lab.Fault(), rounds=rounds).arrays()).as_baseline() for rounds in (1, 8)
    )
    arrays = lab.Bench().tour(lab.Fault(delivered=lambda point, pulse: 1.1)).arrays()
    once, often = (lab.judged(arrays, baseline=one).finding().causes[0].estimates[0] for one in (few, many))
    assert often.high - often.low < once.high - once.low


def test_a_baseline_reads_back_as_it_was_saved(lab: Any, tmp_path: Path) -> None:
    signature = lab.judged(lab.Bench().tour(lab.Fault()).arrays())
    baseline = signature.as_baseline()
    path = tmp_path / "matching.json"
    baseline.save(path)
    again = Baseline.load(path)
    arrays = lab.Bench().tour(lab.Fault(metered=lambda point: 0.9)).arrays()
    told = [lab.judged(arrays, baseline=one).finding().causes[0].estimates[0] for one in (baseline, again)]
    assert told[0].value == pytest.approx(told[1].value, abs=1e-3)
    assert again.visits == baseline.visits > 0


@pytest.mark.parametrize(("key", "value"), [("count", 0), ("count", None), ("counted", 1e300), ("counted", -1e300)])
def test_a_baseline_that_cannot_be_so_is_judged_all_the_same(lab: Any, tmp_path: Path, key: str, value: Any) -> None:
    path = tmp_path / "edited.json"
    arrays = lab.Bench().tour(lab.Fault(delivered=lambda point, pulse: 1.1)).arrays()
    lab.judged(lab.Bench(seed=8).tour(lab.Fault()).arrays()).as_baseline().save(path)
    data = json.loads(path.read_text())
    tables = {name: [[value] * len(row) for row in table] for name, table in data["count"].items()}
    data[key] = tables if key == "count" else value
    path.write_text(json.dumps(data))
    cause = lab.judged(arrays, baseline=Baseline.load(path)).finding().causes[0]
    assert cause.estimates[0].value == pytest.approx(1.1, abs=0.01)


@pytest.mark.parametrize("text", ["", "{}", "[1]", '{"baseline": 9}', '{"baseline": 1, "profile": "x"}'])
def test_a_file_that_is_no_baseline_is_said_to_be_none(tmp_path: Path, text: str) -> None:
    path = tmp_path / "broken.json"
    path.write_text(text)
    with pytest.raises(SourceError):
        Baseline.load(path)


def test_a_missing_file_is_said_to_be_missing(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="No such file"):
        Baseline.load(tmp_path / "none.json")
