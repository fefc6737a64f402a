"""The car's own fault codes beside what was measured: said where they were set, for, against or beside it; never
instead of it. What the codes mean is SAE J2012; the bench engine of conftest is what was measured."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livewatch.data.events import FaultCodesRead, Figure, FreezeFrameRead
from livewatch.data.ticks import TickBatch
from livewatch.diagnosis.page import page
from livewatch.profile.diagnostic_port.fault_codes import CODE_TEXTS
from livewatch.signature import Finding, Signature
from livewatch.signature.causes.codes import LOADS, MIXTURE
from livewatch.signature.causes.registry import HYPOTHESES
from livewatch.signature.code_evidence import CodeEvidence

IDLE = {"engine_speed": 780.0, "engine_load": 22.0, "manifold_pressure": 34.0, "short_term_fuel_trim_1": 18.0}
LOADED = {"engine_speed": 4800.0, "engine_load": 96.0, "manifold_pressure": 190.0, "mass_air_flow": 170.0}
TAKEN_IN = 1.0
"""g/s of air at idle, of 5.3 g/s that the bench engine takes: a leak that leans idle by a fifth."""


def codes(*listed: str, what: Any = "stored") -> FaultCodesRead:
    return FaultCodesRead(0, 0, "7E8", what, listed)


def frame(code: str, **values: float) -> FreezeFrameRead:
    return FreezeFrameRead(0, 0, "7E8", code, tuple(Figure(name, value, "1") for name, value in values.items()))


def after(signature: Signature, *events: Any) -> Finding:
    """What the same drive shows, with the car's word."""
    told = signature.copied()
    channels, no_ticks = told.profile.index, np.empty((len(told.profile.index), 0))
    told.observe(
        TickBatch(0, 100_000_000, channels, no_ticks, no_ticks.astype(np.uint8), no_ticks.astype(np.float32), no_ticks,
                  np.empty(0, np.int64)),
        events,
    )  # fmt: skip
    return told.finding()


def one(finding: Finding) -> CodeEvidence:
    (found,) = finding.verdict.codes
    return found


def cause(finding: Finding, name: str) -> Any:
    return next(each for each in finding.causes if each.name == name)


@pytest.fixture(scope="module")
def leaking(lab: Any) -> Signature:
    """Air that the meter does not see, the same at each part load and none under boost."""
    leak = lab.Fault(
        metered=lambda point: 1.0 - TAKEN_IN / point.air if point.pressure < 100.0 else 1.0, idle_correction=-20.0
    )
    signature: Signature = lab.judged(lab.Bench().tour(leak).arrays())
    assert cause(signature.finding(), "vacuum_leak").established
    return signature


@pytest.fixture(scope="module")
def matching(lab: Any) -> Signature:
    signature: Signature = lab.judged(lab.Bench().tour(lab.Fault()).arrays())
    assert lab.fuel_word(signature.finding()) == "fits"
    return signature


@pytest.fixture(scope="module")
def short(lab: Any) -> Signature:
    """Twenty seconds of idle: too little."""
    signature: Signature = lab.judged(lab.Bench().tour(lab.Fault(), 1, (lab.IDLE,)).arrays())
    assert signature.finding().verdict.word == "unproven"
    return signature


def test_a_lean_code_set_at_idle_agrees_with_a_leak_that_was_measured(leaking: Signature) -> None:
    said = after(leaking, codes("P0171"), codes("P0171", what="pending"), frame("P0171", **IDLE))
    code = one(said)
    assert (code.load, code.kinds, code.standing) == ("idle", ("stored", "pending"), "agrees")
    assert code.where.startswith("at idle (780 rpm, load 22 %, 34 kPa") and "+18 %" in code.where
    assert code.need > 10.0, "measured at idle, too"
    reasons = cause(said, "vacuum_leak").reasons_for
    assert any("P0171 (system too lean, bank 1), stored and pending, set at idle (780 rpm" in text for text in reasons)
    assert "agree: P0171 (set at idle)" in said.sentence and "agree" in str(code)
    words = " ".join(page(said).split())
    assert "+ fault code P0171" in words and "Fault codes of the car" in words
    (line,) = said.to_json()["fault_codes"]
    assert line["load"] == "idle" and "vacuum_leak" in line["speaks_for"] and line["need_there_unit"] == "%"


def test_the_same_code_set_at_high_load_contradicts_it(leaking: Signature) -> None:
    said = after(leaking, codes("P0171"), frame("P0171", **LOADED))
    code = one(said)
    assert (code.load, code.standing) == ("high load", "contradicts")
    assert "vacuum_leak" in code.speaks_against and "fuel_supply" in code.speaks_for
    assert any("there this does not show" in text for text in cause(said, "vacuum_leak").reasons_against)
    assert "contradict what was measured: P0171 (set at high load)" in said.sentence


def test_a_code_of_the_other_side_contradicts_it(leaking: Signature) -> None:
    said = after(leaking, codes("P0172"), frame("P0172", **IDLE))
    assert one(said).standing == "contradicts"
    assert any("makes the mixture lean" in text for text in cause(said, "vacuum_leak").reasons_against)


def test_a_code_that_the_drive_does_not_bear_out_takes_nothing_from_fits(matching: Signature) -> None:
    said = after(matching, codes("P0171"), frame("P0171", **IDLE))
    assert one(said).standing == "not borne out" and abs(one(said).need) < 3.0
    assert [system.word for system in said.verdict.systems] == [
        system.word for system in matching.finding().verdict.systems
    ]
    assert "does not bear out: P0171 (set at idle)" in said.sentence


def test_a_code_of_where_nobody_drove_stays_open(short: Signature) -> None:
    said = after(short, codes("P0171"), frame("P0171", **LOADED))
    assert one(said).standing == "open" and said.verdict.word == "unproven"


def test_a_makers_own_code_speaks_for_nothing_here(leaking: Signature) -> None:
    code = one(after(leaking, codes("P1234")))
    assert code.speaks_for == code.speaks_against == () and "maker's own" in str(code)


def test_the_last_word_counts(leaking: Signature) -> None:
    assert after(leaking, codes("P0171"), codes()).verdict.codes == ()


def test_where_a_freeze_frame_was_taken_is_told_by_air_then_by_load(matching: Signature) -> None:
    """Two litres: idle is below 6 g/s, light load below 25, middle below 80 (`evidence/coverage.py`). Absolute load is
    air per stroke over 1.184 g/L (SAE J1979): 2000 rpm and 50 % are 0.5 * 1.184 * 2 * 2000 / 120 = 19.7 g/s."""
    places = {
        "idle": {"engine_speed": 780.0, "mass_air_flow": 4.0},
        "light load": {"engine_speed": 2000.0, "absolute_load": 50.0},
        "middle load": {"engine_speed": 3000.0, "manifold_pressure": 95.0},
        "high load": {"engine_speed": 5000.0, "mass_air_flow": 120.0, "engine_load": 10.0},
    }
    for load, values in places.items():
        assert one(after(matching, codes("P0171"), frame("P0171", **values))).load == load
    assert one(after(matching, codes("P0171"), frame("P0171", coolant_temperature=90.0))).load == ""
    assert one(after(matching, codes("P0171"), frame("P0171", mass_air_flow=90.0))).load == "", "no speed: unknown"


READ = st.lists(
    st.one_of(
        st.builds(
            lambda listed, what: codes(*listed, what=what),
            st.lists(st.sampled_from(sorted(CODE_TEXTS)), max_size=4, unique=True),
            st.sampled_from(["stored", "pending", "permanent"]),
        ),
        st.builds(
            lambda code, values: frame(code, **values),
            st.sampled_from(sorted(MIXTURE)),
            st.dictionaries(
                st.sampled_from(sorted({*IDLE, *LOADED, "absolute_load", "intake_air_temperature"})),
                st.floats(-1e4, 1e4),
            ),
        ),
    ),
    max_size=8,
)


@pytest.mark.parametrize("drive", ["leaking", "matching", "short"])
@given(read=READ)
@settings(deadline=None, max_examples=8)
def test_no_code_changes_what_was_measured(
    drive: str, read: list[Any], leaking: Signature, matching: Signature, short: Signature
) -> None:
    """A code alone establishes no cause, lifts no `unproven`, hides no misfit and no `fits`: whatever a car says, every
    word, probability, size and weight is what it is without it; the reasons only grow."""
    signature = {"leaking": leaking, "matching": matching, "short": short}[drive]
    plain, said = signature.finding(), after(signature, *read)
    assert len(said.causes) == len(plain.causes)
    for before, now in zip(plain.causes, said.causes, strict=True):
        assert replace(now, reasons_for=(), reasons_against=()) == replace(before, reasons_for=(), reasons_against=())
        assert now.reasons_for[: len(before.reasons_for)] == before.reasons_for
        assert now.reasons_against[: len(before.reasons_against)] == before.reasons_against
    assert said.verdict.systems == plain.verdict.systems and said.verdict.word == plain.verdict.word
    assert said.sentence.startswith(plain.sentence)
    said_json = said.to_json()
    for key in ("verdict", "systems", "families", "need", "coverage"):
        assert json.dumps(said_json[key]) == json.dumps(plain.to_json()[key])


def test_each_code_that_a_cause_names_has_a_text_and_no_code_is_for_and_against() -> None:
    for hypothesis in HYPOTHESES.values():
        named = hypothesis.codes | hypothesis.codes_against
        assert named <= set(CODE_TEXTS), hypothesis.name
        assert not hypothesis.codes & hypothesis.codes_against and not named & set(MIXTURE)
        assert set(hypothesis.loads) <= set(LOADS)
    assert set(MIXTURE) <= set(CODE_TEXTS)
