"""A figure is shown to the digits that its interval knows: to two of half the interval's length, four decimals at most.

The rule is that of GUM (JCGM 100:2008, 7.2.6): the uncertainty to at most two digits, the value to its last one.
"""

from __future__ import annotations

import json
from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from livewatch.signature.cause import Cause
from livewatch.signature.causes.registry import HYPOTHESES
from livewatch.signature.estimates import Estimate
from livewatch.signature.sentence import sentence_of, shorter_sentences
from livewatch.signature.verdict import Verdict


@pytest.mark.parametrize(
    ("value", "low", "high", "text"),
    [
        # Half the interval: 50, 5, 0.5, 0.05, 0.005, 0.0005; to two digits of it, "0.50" or "0.0050".
        (1234.5678, 1184.5678, 1284.5678, "1235 g/s (1185 to 1285 g/s)"),
        (123.45678, 118.45678, 128.45678, "123.5 g/s (118.5 to 128.5 g/s)"),
        (12.345678, 11.845678, 12.845678, "12.35 g/s (11.85 to 12.85 g/s)"),
        (1.2345678, 1.1845678, 1.2845678, "1.235 g/s (1.185 to 1.285 g/s)"),
        (1.2345678, 1.2295678, 1.2395678, "1.2346 g/s (1.2296 to 1.2396 g/s)"),
        (1.2345678, 1.2340678, 1.2350678, "1.2346 g/s (1.2341 to 1.2351 g/s)"),
        # A half just above and just below 10: 11 are two digits without decimals, 9.9 with one.
        (50.04, 39.04, 61.04, "50 g/s (39 to 61 g/s)"),
        (50.04, 40.14, 59.94, "50.0 g/s (40.1 to 59.9 g/s)"),
        # A half of exactly 1 is known to tenths: "1.0".
        (7.5, 6.5, 8.5, "7.5 g/s (6.5 to 8.5 g/s)"),
        # Much more than two digits before the point are not cut.
        (2.0e6, 1.0e6, 3.0e6, "2000000 g/s (1000000 to 3000000 g/s)"),
        (-0.0004, -0.5, 0.5, "0.00 g/s (-0.50 to 0.50 g/s)"),
        (0.0, 0.0, 3.0, "0.0 g/s (0.0 to 3.0 g/s)"),
        # An interval without length, or without end, says nothing of digits: three.
        (0.0, 0.0, 0.0, "0 g/s (0 to 0 g/s)"),
        (0.51234, 0.51234, 0.51234, "0.512 g/s (0.512 to 0.512 g/s)"),
        (12.3456, 0.0, inf, "12.3 g/s (0 to inf g/s)"),
    ],
)
def test_a_figure_and_its_interval_are_shown_as_far_as_they_are_known(
    value: float, low: float, high: float, text: str
) -> None:
    assert str(Estimate("air let in", value, "g/s", low, high)) == f"air let in {text}"


def test_a_speed_that_was_the_same_in_every_pull_is_shown_in_plain_digits() -> None:
    assert str(Estimate("creep begins at", 5213.0, "rpm", 5213.0, 5213.0)) == (
        "creep begins at 5213 rpm (5213 to 5213 rpm)"
    )


def test_what_is_not_known_is_said_to_be_unknown() -> None:
    unknown = Estimate("air let in", nan, "g/s", nan, nan)
    assert str(unknown) == "air let in: unknown"
    assert unknown.to_json()["value"] is None
    assert unknown.to_json()["interval_95"] is None


def test_a_plain_ratio_has_no_unit_on_the_page() -> None:
    assert str(Estimate("true over metered air", 1.125, "1", 1.075, 1.175)) == (
        "true over metered air 1.125 (1.075 to 1.175)"
    )


def test_an_interval_without_an_end_is_null_in_json() -> None:
    told = Estimate("air let in", 12.3456789, "g/s", 0.0, inf).to_json()
    assert told["value"] == 12.346
    assert told["interval_95"] is None
    json.dumps(told, allow_nan=False)


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e5))
def test_no_figure_loses_a_tenth_of_what_its_interval_knows(value: float, half: float) -> None:
    shown, *interval = (
        float(part) for part in str(Estimate("x", value, "1", value - half, value + half))[2:]
        .replace("(", "").replace(")", "").replace("to ", "").split()
    )  # fmt: skip
    for there, meant in zip((shown, *interval), (value, value - half, value + half), strict=True):
        assert there == pytest.approx(meant, abs=0.05 * half + 1e-4)


def test_a_shorter_estimate_keeps_its_number_its_unit_its_interval_and_its_place() -> None:
    whole = Estimate("the meter reads away from the truth by", -10.6, "%", -14.7, -6.36)
    assert whole.short == "-10.6 % (-14.7 to -6.4 %)"
    assert str(whole) == f"{whole.quantity} {whole.short}"
    at = Estimate("the meter reads away from the truth by", -0.93, "%", -5.14, 3.27, "at 152 g/s")
    assert str(at) == "at 152 g/s the meter reads away from the truth by -0.9 % (-5.1 to 3.3 %)"
    assert at.short == "at 152 g/s -0.9 % (-5.1 to 3.3 %)"
    assert at.to_json()["quantity"] == "at 152 g/s the meter reads away from the truth by"


def test_a_shorter_verdict_names_every_cause_that_cannot_be_told_apart() -> None:
    one, other = HYPOTHESES["injector_flow"], HYPOTHESES["meter_scale"]
    flow = Cause(
        one.name, one.family, one.title, one.title, one.short, (Estimate("flow fitted", 1.16, "1", 1.1, 1.22),), 30.0,
        0.5, None, (), (), "", (other.name,), (other.title,), True, True, one.systems, one.danger, one.explains, 0.0,
    )  # fmt: skip
    verdict = Verdict("misfit", (), (flow,))
    said = [sentence_of(verdict), *shorter_sentences(verdict)]
    whole = f"The calibration does not fit the parts: {flow.title}"
    assert said[0].startswith(f"{whole} (flow fitted 1.160 (1.100 to 1.220)); the data cannot tell this from: ")
    assert said[1].startswith(f"{whole}; the data cannot tell this from: {other.title}")
    assert said[2] == "Does not fit: injector flow differs; or air meter off by one factor."
