"""Laws of charts, trends, lives and repeated failures: other units, another order, a mirror, one point more."""

from collections.abc import Callable
from math import comb, log
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from service.domain.age_replacement import ages, best_age, best_block, cost_rate, mean_life_to, run_to_failure_rate
from service.domain.control_chart import cusum, ewma, individuals
from service.domain.distribution import chi_square_cdf, chi_square_quantile
from service.domain.monotone import at_least_by_chance, mann_kendall, theil_sen
from service.domain.power_law import Watched, fit_power_law, mtbf_bounds, shape_bounds, trend_tests, watched
from service.domain.question import Floats
from service.domain.regression import fit_regression, meeting
from service.domain.run_length import cusum_run_length, ewma_run_length, shewhart_run_length
from service.domain.survival import kaplan_meier
from service.domain.weibull import (
    Weibull,
    fisher_bounds,
    fit_weibull,
    likelihood_bounds,
    log_likelihood,
    rank_regression,
)


def array(values: Any) -> Floats:
    return np.array(values, dtype=np.float64)


VALUES = st.lists(st.integers(-1000, 1000), min_size=4, max_size=40).filter(lambda values: len(set(values)) > 1)
LIVES = st.lists(st.integers(1, 10_000), min_size=3, max_size=30).filter(lambda values: len(set(values)) > 1)
CUT = st.lists(st.integers(1, 12_000), max_size=30)
SCALE = st.sampled_from([1e-6, 0.001, 2.54, 1e6])


@settings(deadline=None)
@given(VALUES, SCALE, st.integers(-(10**6), 10**6))
def test_a_trend_in_another_unit_is_the_same_trend(values: list[int], unit: float, shift: int) -> None:
    x, y = array(range(len(values))), array(values)
    before, after = mann_kendall(x, y), mann_kendall(x, y * unit + shift * unit)
    assume(len(np.unique(y * unit + shift * unit)) == len(np.unique(y)))
    assert (before.s, before.p, before.p_exact) == (after.s, after.p, after.p_exact)
    assert theil_sen(x, y * unit).slope == pytest.approx(theil_sen(x, y).slope * unit, rel=1e-9, abs=1e-12 * unit)


@settings(deadline=None)
@given(VALUES)
def test_a_mirror_turns_a_trend_and_its_interval(values: list[int]) -> None:
    x, y = array(range(len(values))), array(values)
    before, after = mann_kendall(x, y), mann_kendall(x, -y)
    assert (before.s, before.z, before.tau_b) == (-after.s, -after.z, -after.tau_b)
    up, down = theil_sen(x, y), theil_sen(x, -y)
    assert up.slope == pytest.approx(-down.slope)
    if up.lower is not None and up.upper is not None:
        assert (down.lower, down.upper) == pytest.approx((-up.upper, -up.lower))
        assert up.lower <= up.slope <= up.upper


@settings(deadline=None)
@given(VALUES, st.randoms(use_true_random=False))
def test_points_may_come_in_any_order_with_their_x(values: list[int], chance: Any) -> None:
    order = list(range(len(values)))
    chance.shuffle(order)
    x, y = array(range(len(values))), array(values)
    assert mann_kendall(x, y) == mann_kendall(x[order], y[order])
    one, other = theil_sen(x, y), theil_sen(x[order], y[order])
    assert (one.slope, one.lower, one.upper) == pytest.approx((other.slope, other.lower, other.upper))
    assert fit_regression(x, y).slope == pytest.approx(fit_regression(x[order], y[order]).slope, abs=1e-9)


def test_what_chance_does_to_the_order_of_few_points_is_counted_out() -> None:
    from itertools import permutations

    for n in (4, 5, 6):
        sums = [
            sum(1 if b > a else -1 for place, a in enumerate(order) for b in order[place + 1 :])
            for order in permutations(range(n))
        ]
        for s in range(-comb(n, 2), comb(n, 2) + 1, 2):
            assert at_least_by_chance(n, s) == pytest.approx(sum(each >= s for each in sums) / len(sums))
    assert at_least_by_chance(61, 3) is None


@pytest.mark.parametrize("n", [5, 8, 15])
def test_the_interval_of_a_slope_covers_as_often_as_it_says(n: int) -> None:
    chance = np.random.default_rng(n)
    x, held = array(range(n)), 0
    for _ in range(800):
        found = theil_sen(x, chance.normal(size=n) + 0.5 * x, 0.9)
        assert found.lower is not None
        assert found.upper is not None
        held += found.lower <= 0.5 <= found.upper
    assert held / 800 >= 0.87, "never less than it says, but for chance"


@pytest.mark.parametrize(("limit", "single"), [(2.0, False), (9.0, False), (2.0, True)])
def test_the_interval_of_a_crossing_covers_as_often_as_it_says(limit: float, single: bool) -> None:
    """The line 10 - x / 2 with noise; `single`: where one new value, noise and all, meets the limit."""
    chance = np.random.default_rng(11)
    x, held, told = array(range(10)), 0, 0
    for _ in range(1500):
        line = fit_regression(x, 10 - x / 2 + chance.normal(scale=0.4, size=10))
        met = meeting(line, limit, 0.8, single=single)
        if met.at is None:
            continue
        told += 1
        assert met.lower is not None
        assert met.upper is not None
        noise = chance.normal(scale=0.4) if single else 0.0
        held += met.lower <= (10 + noise - limit) * 2 <= met.upper
    assert told > 1450
    assert held / told == pytest.approx(0.8, abs=0.035)


@settings(deadline=None)
@given(VALUES, st.floats(-2000, 2000))
def test_at_the_ends_of_an_interval_the_limit_is_on_the_edge_of_the_band(values: list[int], limit: float) -> None:
    x, y = array(range(len(values))), array(values)
    line = fit_regression(x, y)
    assume(line.s > 1e-6)
    met = meeting(line, limit, 0.95)
    for end in (met.lower, met.upper):
        if end is not None and abs(end) < 1e6:
            half = line.half_width(end, 0.95, single=False)
            assert abs(line.at(end) - limit) == pytest.approx(half, rel=1e-6, abs=1e-6)
    if met.not_before is not None:
        assert met.not_before >= line.last


@settings(deadline=None)
@given(LIVES, CUT, SCALE)
def test_lives_in_another_unit_have_the_same_shape(failures: list[int], cut: list[int], unit: float) -> None:
    assume(max(failures) < max(cut, default=0) or len(set(failures)) > 1)
    one, other = (fit_weibull(array(failures) * by, array(cut) * by) for by in (1.0, unit))
    assert other.weibull.shape == pytest.approx(one.weibull.shape, rel=1e-7)
    assert log(other.weibull.scale) == pytest.approx(log(one.weibull.scale * unit), abs=1e-7)
    assert other.log_likelihood == pytest.approx(one.log_likelihood - len(failures) * log(unit), rel=1e-6, abs=1e-6)


@settings(deadline=None)
@given(LIVES, CUT)
def test_no_other_distribution_is_likelier(failures: list[int], cut: list[int]) -> None:
    fit = fit_weibull(array(failures), array(cut))
    assume(fit.weibull.scale < 1e12)
    assert log_likelihood(fit.lives, fit.weibull) == pytest.approx(fit.log_likelihood, rel=1e-9, abs=1e-8)
    for shape in (0.99, 1.01):
        for scale in (0.99, 1.01):
            beside = Weibull(shape=fit.weibull.shape * shape, scale=fit.weibull.scale * scale)
            assert log_likelihood(fit.lives, beside) < fit.log_likelihood


@settings(deadline=None, max_examples=40)
@given(LIVES, CUT)
def test_bounds_hold_the_estimate_and_lie_where_the_likelihood_has_fallen(failures: list[int], cut: list[int]) -> None:
    fit = fit_weibull(array(failures), array(cut))
    assume(fit.weibull.scale < 1e9)
    depth = chi_square_quantile(0.9, 1) / 2
    shape, scale, (b10,) = likelihood_bounds(fit, 0.9, (0.1,))
    for found, value in ((shape, fit.weibull.shape), (scale, fit.weibull.scale), (b10, fit.weibull.life_of(0.1))):
        assert found.lower is not None
        assert found.lower < value
        assert found.upper is None or found.upper > value
    assert shape.upper is not None
    for end in (shape.lower, shape.upper):
        assert end is not None
        best = max(
            log_likelihood(fit.lives, Weibull(shape=end, scale=_best_scale(failures, cut, end) * (1 + off)))
            for off in (-1e-4, 0, 1e-4)
        )
        assert fit.log_likelihood - best == pytest.approx(depth, abs=1e-5)
    for other in (*fisher_bounds(fit, 0.9, (0.1,))[:2], fisher_bounds(fit, 0.9, (0.1,))[2][0]):
        assert other.lower is not None
        assert other.upper is None or other.upper > other.lower


def _best_scale(failures: list[int], cut: list[int], shape: float) -> float:
    total = sum((life / 12_000) ** shape for life in [*failures, *cut])
    return float(12_000 * (total / len(failures)) ** (1 / shape))


@settings(deadline=None)
@given(LIVES, CUT, st.randoms(use_true_random=False))
def test_lives_may_come_in_any_order(failures: list[int], cut: list[int], chance: Any) -> None:
    mixed, cut_mixed = list(failures), list(cut)
    chance.shuffle(mixed)
    chance.shuffle(cut_mixed)
    assert kaplan_meier(array(failures), array(cut), 0.95) == kaplan_meier(array(mixed), array(cut_mixed), 0.95)
    one, other = (rank_regression(array(a), array(b)) for a, b in ((failures, cut), (mixed, cut_mixed)))
    assert one[0].shape == pytest.approx(other[0].shape)
    assert fit_weibull(array(failures), array(cut)).weibull.shape == pytest.approx(
        fit_weibull(array(mixed), array(cut_mixed)).weibull.shape, rel=1e-9
    )


@settings(deadline=None)
@given(LIVES)
def test_without_anything_cut_short_what_survives_is_the_share_still_living(failures: list[int]) -> None:
    for step in kaplan_meier(array(failures), array([]), 0.95):
        assert step.survival == pytest.approx(sum(life > step.life for life in failures) / len(failures), abs=1e-12)
        assert step.lower is None or step.upper is None or 0 <= step.lower <= step.survival <= step.upper <= 1


TIMES = st.lists(st.integers(1, 500), min_size=3, max_size=25).map(lambda gaps: np.cumsum(array(gaps)))


def seen_long_enough(seen: Watched) -> bool:
    """Failures all close to the end have a scale that no float holds in every unit: such a question is refused."""
    return seen.n / seen.logs < 20


@settings(deadline=None)
@given(TIMES, st.integers(1, 500), SCALE, st.booleans())
def test_repeated_failures_in_another_unit(times: Floats, left: int, unit: float, to_failure: bool) -> None:
    end = float(times[-1]) + (0 if to_failure else left)
    one, other = (watched(times * by, end * by, to_failure=to_failure) for by in (1.0, unit))
    assume(seen_long_enough(one))
    assert fit_power_law(other).shape == pytest.approx(fit_power_law(one).shape, rel=1e-9)
    assert fit_power_law(other).mtbf == pytest.approx(fit_power_law(one).mtbf * unit, rel=1e-9)
    low, high = shape_bounds(one, 0.9)
    assert low < fit_power_law(one).shape < high * 1.5
    lower, upper = mtbf_bounds(one, 0.9)
    assert upper is None or lower < upper
    before, after = trend_tests(one), trend_tests(other)
    assert (before.chi_square, before.laplace) == pytest.approx((after.chi_square, after.laplace), rel=1e-7, abs=1e-9)
    assert before.chi_square_below == pytest.approx(chi_square_cdf(before.chi_square, before.chi_square_dof))


def test_bounds_of_a_watch_that_ended_with_a_failure_are_exact() -> None:
    """Simulated power laws of shape 0.6 with eight failures: 90 % bounds hold the true values nine times in ten."""
    chance = np.random.default_rng(5)
    held = [0, 0]
    for _ in range(300):
        times = np.cumsum(chance.exponential(size=8)) ** (1 / 0.6)
        seen = watched(times, float(times[-1]), to_failure=True)
        low, high = shape_bounds(seen, 0.9)
        held[0] += low <= 0.6 <= high
        lower, upper = mtbf_bounds(seen, 0.9)
        assert upper is not None
        held[1] += lower <= float(times[-1]) ** 0.4 / 0.6 <= upper
    assert [each / 300 for each in held] == pytest.approx([0.9, 0.9], abs=0.05)


@settings(deadline=None)
@given(st.floats(1.05, 8), st.floats(1.5, 500), SCALE)
def test_no_age_is_cheaper_than_the_best(shape: float, failure: float, unit: float) -> None:
    weibull = Weibull(shape=shape, scale=100 * unit)
    best = best_age(weibull, 1, failure)
    if best is None:
        assert all(cost_rate(weibull, age, 1, failure) >= run_to_failure_rate(weibull, failure) * (1 - 1e-6)
                   for age in ages(weibull, None))  # fmt: skip
        return
    least = cost_rate(weibull, best, 1, failure)
    assert least <= run_to_failure_rate(weibull, failure) * (1 + 1e-9)
    assert all(cost_rate(weibull, age, 1, failure) >= least * (1 - 1e-9) for age in ages(weibull, best))
    plain = best_age(Weibull(shape=shape, scale=100), 1, failure)
    assert plain is not None
    assert best == pytest.approx(plain * unit, rel=1e-6)


@settings(deadline=None)
@given(st.floats(0.3, 20), st.floats(0.01, 3))
def test_the_mean_life_to_an_age_is_what_survives_summed_up(shape: float, age: float) -> None:
    weibull = Weibull(shape=shape, scale=1)
    nodes, weights = np.polynomial.legendre.leggauss(200)
    # In the hazard's own measure where it is steep near zero, so that the quadrature is exact to nine digits.
    u = (nodes + 1) / 2
    s = age * u**4
    summed = float((weights / 2 * 4 * age * u**3 * np.exp(-(s**shape))).sum())
    assert mean_life_to(weibull, age) == pytest.approx(summed, rel=1e-6)


def test_a_block_interval_is_where_its_cost_is_least() -> None:
    weibull = Weibull(shape=2.5, scale=1000)
    found = best_block(weibull, 1, 5)
    assert found is not None
    interval, rate = found
    for off in (0.9, 0.99, 1.01, 1.1):
        age = interval * off
        assert (1 + 5 * weibull.hazards(age)) / age > rate


@settings(deadline=None)
@given(VALUES, SCALE)
def test_charts_in_another_unit_signal_alike(values: list[int], unit: float) -> None:
    x = array(values)
    assert individuals(x).beyond == individuals(x * 4).beyond
    one, other = (cusum(x * by, target=10 * by, k=5 * by, h=300 * by) for by in (1.0, 4.0))
    assert [each.point for each in one.crossings] == [each.point for each in other.crossings]
    weighted = [ewma(x * by, weight=0.25, target=0, sigma=50 * by, width=3) for by in (1.0, 4.0)]
    assert weighted[0].beyond == weighted[1].beyond
    assert individuals(x * unit).centre == pytest.approx(individuals(x).centre * unit, rel=1e-9, abs=1e-9 * unit)


def test_a_step_is_found_with_its_place_and_its_size_and_once() -> None:
    x = array([20.0, 20.1, 19.9, 20.0, 20.1, 19.9, 19.0, 19.1, 18.9, 19.0, 19.1])
    found = cusum(x, target=20.0, k=0.2, h=1.0)
    assert (found.crossings[0].point, found.crossings[0].began, found.crossings[0].upward) == (7, 6, False)
    assert found.crossings[-1].mean == pytest.approx(19.0, abs=0.05)
    assert [each.point for each in found.crossings] == [7, 8, 9, 10]
    anew = cusum(x, target=20.0, k=0.2, h=1.0, restart=True)
    assert [each.point for each in anew.crossings] == [7, 9]


def test_weighted_means_with_a_weight_of_one_are_a_chart_of_individuals() -> None:
    x = array([1.0, 2.0, 9.0, 1.5, -7.0])
    chart = ewma(x, weight=1.0, target=1.0, sigma=2.0, width=3.0)
    assert chart.beyond == individuals(x, target=1.0, sigma=2.0).beyond == (2, 4)
    assert chart.lower.tolist() == [-5.0] * 5
    assert ewma_run_length(1.0, 3.0, 1.0) == pytest.approx(shewhart_run_length(3.0, 1.0), rel=1e-9)


@pytest.mark.parametrize(
    ("length", "signals"),
    [
        (
            lambda shift: cusum_run_length(0.5, 4.0, shift),
            lambda x: [each.point for each in cusum(x, target=0.0, k=0.5, h=4.0).crossings],
        ),
        (
            lambda shift: ewma_run_length(0.2, 2.5, shift),
            lambda x: list(ewma(x, weight=0.2, target=0.0, sigma=1.0, width=2.5, settled=True).beyond),
        ),
    ],
    ids=["cusum", "ewma"],
)
def test_run_lengths_are_what_the_charts_do(
    length: Callable[[float], float], signals: Callable[[Floats], list[int]]
) -> None:
    """Two thousand series of a shifted normal: the mean point of the first signal, within four standard errors."""
    chance = np.random.default_rng(7)
    first = [signals(chance.normal(loc=1.0, size=200))[0] + 1 for _ in range(2000)]
    assert length(1.0) == pytest.approx(float(np.mean(first)), abs=4 * float(np.std(first)) / 2000**0.5)
    assert length(0.0) > length(0.5) > length(1.0)


def test_run_lengths_that_nobody_can_wait_for_are_not_told() -> None:
    assert cusum_run_length(0.5, 500.0, 0.0) == float("inf")
    assert ewma_run_length(0.0001, 3.0, 0.0) == float("inf")
    assert shewhart_run_length(12.0, 0.0) == float("inf")
