"""The mathematics of comparing explanations, against certified values and independent libraries."""

from __future__ import annotations

from math import log, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livewatch.signature.causes.hypothesis import Variant
from livewatch.signature.combination import Search
from livewatch.signature.effect import Effect, linear
from livewatch.signature.inference import Fit, Whitened, combined

NORRIS = """0.1 0.2; 338.8 337.4; 118.1 118.2; 888.0 884.6; 9.2 10.1; 228.1 226.5; 668.5 666.3; 998.5 996.3;
449.1 448.6; 778.9 777.0; 559.2 558.2; 0.3 0.4; 0.1 0.6; 778.1 775.5; 668.8 666.9; 339.3 338.0;
448.9 447.5; 10.8 11.6; 557.7 556.0; 228.3 228.1; 998.0 995.8; 888.8 887.6; 119.6 120.2; 0.3 0.3;
0.6 0.3; 557.6 556.8; 339.3 339.1; 888.0 887.2; 998.5 999.0; 778.9 779.0; 10.2 11.1; 117.6 118.3;
228.9 229.2; 668.4 669.1; 449.2 448.9; 0.2 0.5"""
"""NIST StRD, Norris: pairs y x; the certified values are B0 -0.262323073774029, B1 1.00211681802045 and a residual
standard deviation of 0.884796396144373."""
PAIRS = np.array([[float(number) for number in pair.split()] for pair in NORRIS.split(";")])


def line(column: np.ndarray, spread: float = 1e6) -> Effect:
    return Effect(lambda size: size * column, lambda size: column, spread, linear=True)


def test_the_slope_of_norris_comes_out_as_nist_certifies_it() -> None:
    from scipy import stats

    y, x = PAIRS.T
    deviation = 0.884796396144373
    # An unknown offset enters through the covariance, as everything everyday does.
    covariance = deviation**2 * np.eye(len(y)) + 1e7 * np.ones((len(y), len(y)))
    fit = Whitened(y, covariance).fit(line(x))
    assert fit.size == pytest.approx(1.00211681802045, rel=1e-8)
    # Certified standard deviation of B1: 0.429796848199937E-03 (NIST StRD, from memory; recomputed with scipy below).
    assert fit.deviation == pytest.approx(0.429796848199937e-3, rel=1e-5)
    assert fit.deviation == pytest.approx(stats.linregress(x, y).stderr, rel=1e-5)


def correlated(n: int, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(n, n)) * 0.3 + np.eye(n)
    covariance = root @ root.T + 0.1 * np.eye(n)
    column = rng.normal(size=n) + 1.0
    y = 0.7 * column + np.linalg.cholesky(covariance) @ rng.normal(size=n)
    return y, covariance, column


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_fit_to_correlated_observations_is_generalised_least_squares_of_statsmodels(seed: int) -> None:
    import statsmodels.api as sm

    y, covariance, column = correlated(25, seed)
    fit = Whitened(y, covariance).fit(line(column))
    oracle = sm.GLS(y, column[:, None], sigma=covariance).fit(cov_type="fixed scale")
    assert fit.size == pytest.approx(oracle.params[0], rel=1e-7)
    assert fit.deviation == pytest.approx(oracle.bse[0], rel=1e-6)


@pytest.mark.parametrize("seed", [4, 5, 6])
def test_the_weight_of_evidence_is_the_integral_over_the_unknown_size(seed: int) -> None:
    from scipy import integrate, stats

    y, covariance, column = correlated(12, seed)
    spread = 0.5
    whole = stats.multivariate_normal(np.zeros(len(y)), covariance)
    base = whole.logpdf(y)

    def density(size: float) -> float:
        return float(np.exp(whole.logpdf(y - size * column) - base) * stats.norm.pdf(size, 0.0, spread))

    both, _ = integrate.quad(density, -4.0, 4.0, points=[0.5], epsabs=0.0, epsrel=1e-9)
    upper, _ = integrate.quad(density, 0.0, 4.0, points=[0.5], epsabs=0.0, epsrel=1e-9)
    whitened = Whitened(y, covariance)
    assert whitened.log_likelihood() == pytest.approx(base, rel=1e-10)
    assert whitened.fit(line(column, spread)).weight == pytest.approx(log(both), abs=1e-6)
    # A size that can only be positive has a prior twice as dense on its side.
    one_sided = Effect(lambda size: size * column, lambda size: column, spread, 0.0, linear=True)
    assert whitened.fit(one_sided).weight == pytest.approx(log(2.0 * upper), abs=1e-6)


def test_a_positive_size_that_the_data_push_below_zero_is_put_at_zero_with_the_right_weight() -> None:
    from scipy import integrate, stats

    y, covariance, column = correlated(12, 9)
    y = -y
    spread = 0.5
    whole = stats.multivariate_normal(np.zeros(len(y)), covariance)
    base = whole.logpdf(y)
    value, _ = integrate.quad(
        lambda size: float(np.exp(whole.logpdf(y - size * column) - base) * 2.0 * stats.norm.pdf(size, 0.0, spread)),
        0.0, 4.0, epsabs=0.0, epsrel=1e-9,
    )  # fmt: skip
    one_sided = Effect(lambda size: size * column, lambda size: column, spread, 0.0, linear=True)
    fit = Whitened(y, covariance).fit(one_sided)
    assert fit.size == 0.0
    assert fit.weight == pytest.approx(log(value), abs=1e-5)
    assert fit.weight < 0.0


def test_a_bent_effect_is_close_to_its_integral() -> None:
    from scipy import integrate, stats

    rng = np.random.default_rng(3)
    feature = np.linspace(0.05, 0.9, 30)
    y = np.log1p(0.4 * feature) + 0.1 * rng.normal(size=30)
    covariance = 0.1**2 * np.eye(30)
    spread = 0.3
    effect = Effect(
        lambda size: np.log(np.maximum(1.0 + size * feature, 0.15)),
        lambda size: feature / np.maximum(1.0 + size * feature, 0.15),
        spread,
    )
    fit = Whitened(y, covariance).fit(effect)
    base = -0.5 * float(y @ y) / 0.1**2

    def density(size: float) -> float:
        rest = y - np.log(np.maximum(1.0 + size * feature, 0.15))
        return float(np.exp(-0.5 * float(rest @ rest) / 0.1**2 - base) * stats.norm.pdf(size, 0.0, spread))

    sizes = np.linspace(fit.size - 8 * fit.deviation, fit.size + 8 * fit.deviation, 4001)
    values = np.array([density(size) for size in sizes])
    total = integrate.simpson(values, x=sizes)
    mean = integrate.simpson(values * sizes, x=sizes) / total
    deviation = sqrt(integrate.simpson(values * (sizes - mean) ** 2, x=sizes) / total)
    assert fit.size == pytest.approx(mean, abs=0.1 * deviation)
    assert fit.deviation == pytest.approx(deviation, rel=0.05)
    assert fit.weight == pytest.approx(log(total), abs=0.02)


def test_intervals_hold_the_truth_as_often_as_they_say_under_correlation() -> None:
    rng = np.random.default_rng(11)
    n = 40
    apart = np.subtract.outer(np.arange(n), np.arange(n))
    covariance = 0.02**2 * np.exp(-np.abs(apart) / 8.0) + 1e-6 * np.eye(n)
    root = np.linalg.cholesky(covariance)
    column = np.linspace(0.0, 1.0, n)
    held = 0
    for _ in range(400):
        size = 0.15 * rng.normal()
        fit = Whitened(size * column + root @ rng.normal(size=n), covariance).fit(line(column, 0.15))
        held += abs(fit.size - size) <= 1.96 * fit.deviation
    # 95 % of 400 is 380; four standard deviations of the count are 17.4.
    assert 362 <= held <= 398


def test_a_cause_that_explains_nothing_costs_more_than_it_gives() -> None:
    rng = np.random.default_rng(2)
    y = 0.02 * rng.normal(size=30)
    fit = Whitened(y, 0.02**2 * np.eye(30)).fit(line(np.ones(30), 0.2))
    assert fit.weight < 0.0


@given(st.lists(st.floats(-5.0, 5.0), min_size=1, max_size=6), st.floats(-3.0, 3.0))
def test_combining_equal_alternatives_changes_nothing_and_shares_add_up(weights: list[float], size: float) -> None:
    fits = [Fit(size, 0.1, weight) for weight in weights]
    fit, share = combined(fits)
    assert sum(share) == pytest.approx(1.0)
    assert fit.size == pytest.approx(size, abs=1e-12)
    assert fit.deviation == pytest.approx(0.1)
    assert min(weights) - 1e-9 <= fit.weight <= max(weights) + 1e-9
    assert fit.weight == pytest.approx(float(np.log(np.mean(np.exp(weights)))))


def test_a_cause_takes_another_shape_where_that_is_better_beside_others() -> None:
    # The shape that fits best by itself has something of the second cause, and something that is nowhere.
    first, second, nowhere, flow = np.eye(80).reshape(4, 20, 80).sum(axis=1)
    seen = Whitened(3.0 * first + 2.0 * second, 0.25 * np.eye(80))
    shapes = {"right": first, "alone": first + 0.6 * second + 0.3 * nowhere}
    tried = [Variant("large", linear(shape, 3.0), float(k), -log(2.0)) for k, shape in enumerate(shapes.values())]
    tried.append(Variant("small", linear(second, 3.0)))
    prior = {"large": -1.5, "small": -1.5}
    by_itself = Search(seen, tried, flow, prior).run(most=1)[0]
    best = Search(seen, tried, flow, prior).run()[0]
    assert by_itself.variants == (tried[1],)
    assert best.variants == (tried[0], tried[2])
    assert best.sizes == pytest.approx((3.0, 2.0), abs=0.1)


def test_what_led_to_a_set_is_left_out_where_it_is_not_needed_in_it() -> None:
    # By itself the first shape fits best, as it has something of both causes that are there, and of nothing else.
    first, second, nowhere, flow = np.eye(80).reshape(4, 20, 80).sum(axis=1)
    seen = Whitened(3.0 * first + 2.0 * second, 0.25 * np.eye(80))
    shapes = {"leads": first + second + 0.3 * nowhere, "first": first, "second": second}
    tried = [Variant(cause, linear(shape, 3.0)) for cause, shape in shapes.items()]
    found = Search(seen, tried, flow, dict.fromkeys(shapes, -1.5)).run()
    assert Search(seen, tried, flow, dict.fromkeys(shapes, -1.5)).run(most=1)[0].causes == {"leads"}
    assert found[0].causes == {"first", "second"}
    assert found[0].sizes == pytest.approx((3.0, 2.0), abs=0.1)
