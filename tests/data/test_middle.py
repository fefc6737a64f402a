"""Median and quantile against numpy's."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from livewatch.data.middle import median, quantile

VALUES = st.lists(st.floats(-1e300, 1e300) | st.just(float("nan")), min_size=1, max_size=20)


@given(VALUES)
def test_it_has_the_digits_of_numpys(values: list[float]) -> None:
    np.testing.assert_array_equal(median(values), np.median(values))
    np.testing.assert_array_equal(median(np.array(values)), np.median(values))


@given(VALUES, st.sampled_from([0.25, 0.5]))
def test_a_quantile_has_the_digits_of_numpys(values: list[float], share: float) -> None:
    with np.errstate(over="ignore", invalid="ignore"):
        np.testing.assert_array_equal(quantile(values, share), np.quantile(values, share))
