"""Our statistics against well-known libraries on random data; without the extra `reference` these tests skip."""

import numpy as np
import pytest

from service.domain.distribution import chi_square_cdf, chi_square_quantile, incomplete_gamma
from service.domain.monotone import mann_kendall, theil_sen
from service.domain.power_law import mtbf_bounds, watched
from service.domain.question import Floats
from service.domain.regression import fit_regression
from service.domain.survival import kaplan_meier
from service.domain.weibull import fit_weibull, likelihood_bounds

stats = pytest.importorskip("scipy.stats")
special = pytest.importorskip("scipy.special")
lifelines = pytest.importorskip("lifelines")
pymannkendall = pytest.importorskip("pymannkendall")

SEEDS = range(20)


def _cut_short(seed: int, n: int = 200) -> tuple[Floats, Floats]:
    chance = np.random.default_rng(seed)
    lives = 1000 * chance.weibull(chance.uniform(0.6, 4), n)
    cut = chance.uniform(0, 1500, n)
    return lives[lives <= cut], cut[lives > cut]


def test_incomplete_gamma_and_chi_square() -> None:
    for a in (0.05, 0.5, 1, 2.5, 10, 100, 5000):
        for x in (1e-9, 0.1, 0.5 * a, a, 1.2 * a, 2 * a + 3):
            assert incomplete_gamma(a, x) == pytest.approx(float(special.gammainc(a, x)), rel=1e-9, abs=1e-14)
    for dof in (1, 2, 5, 20, 500, 20_000):
        for p in (0.0005, 0.025, 0.5, 0.9, 0.9995):
            assert chi_square_quantile(p, dof) == pytest.approx(float(stats.chi2.ppf(p, dof)), rel=1e-11)
            assert chi_square_cdf(float(stats.chi2.ppf(p, dof)), dof) == pytest.approx(p, rel=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_mann_kendall_with_ties_and_without(seed: int) -> None:
    chance = np.random.default_rng(seed)
    n = int(chance.integers(4, 60))
    x = np.arange(n, dtype=np.float64)
    for y in (chance.normal(size=n), chance.integers(0, 6, n).astype(np.float64)):
        if len(np.unique(y)) == 1:
            continue
        ours, theirs = mann_kendall(x, y), pymannkendall.original_test(y)
        assert (ours.s, ours.variance, ours.z, ours.p, ours.tau_a) == pytest.approx(
            (theirs.s, theirs.var_s, theirs.z, theirs.p, theirs.Tau), abs=1e-12
        )
        line = theil_sen(x, y)
        assert (line.slope, line.intercept) == pytest.approx((theirs.slope, theirs.intercept), abs=1e-12)
    y = chance.normal(size=n)
    assert mann_kendall(x, y).p_exact == pytest.approx(stats.kendalltau(x, y, method="exact").pvalue, rel=1e-9)
    tied_x = chance.integers(0, 5, n).astype(np.float64)
    tied_y = chance.integers(0, 5, n).astype(np.float64)
    if len(np.unique(tied_x)) > 1 < len(np.unique(tied_y)):
        ours, theirs = mann_kendall(tied_x, tied_y), stats.kendalltau(tied_x, tied_y, method="asymptotic")
        assert ours.tau_b == pytest.approx(theirs.statistic, abs=1e-12)
        without_continuity = ours.s / ours.variance**0.5
        assert 2 * stats.norm.sf(abs(without_continuity)) == pytest.approx(theirs.pvalue, abs=1e-12)


@pytest.mark.parametrize("seed", SEEDS)
def test_theil_sen_with_its_interval(seed: int) -> None:
    chance = np.random.default_rng(100 + seed)
    n = int(chance.integers(61, 150))
    x, y = np.sort(chance.uniform(0, 50, n)), chance.normal(size=n)
    ours, theirs = theil_sen(x, y, 0.9), stats.theilslopes(y, x, 0.9)
    assert (ours.slope, ours.intercept) == pytest.approx((theirs.slope, theirs.intercept), abs=1e-12)
    assert (ours.lower, ours.upper) == pytest.approx((theirs.low_slope, theirs.high_slope), abs=1e-12)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_line_with_the_interval_of_its_slope(seed: int) -> None:
    chance = np.random.default_rng(200 + seed)
    x, y = chance.uniform(0, 50, 12), chance.normal(size=12)
    ours, theirs = fit_regression(x, y), stats.linregress(x, y)
    half = float(stats.t.ppf(0.975, 10)) * theirs.stderr
    assert (ours.slope, ours.intercept) == pytest.approx((theirs.slope, theirs.intercept), abs=1e-11)
    assert ours.slope_half_width(0.95) == pytest.approx(half, rel=1e-9)
    assert ours.r_squared == pytest.approx(theirs.rvalue**2, abs=1e-11)


@pytest.mark.parametrize("seed", SEEDS)
def test_weibull_with_lives_cut_short(seed: int) -> None:
    failures, censored = _cut_short(seed)
    ours = fit_weibull(failures, censored)
    data = stats.CensoredData(uncensored=failures, right=censored)
    shape, _, scale = stats.weibull_min.fit(data, floc=0)
    best = float(stats.weibull_min.logpdf(failures, shape, 0, scale).sum())
    best += float(stats.weibull_min.logsf(censored, shape, 0, scale).sum())
    assert ours.log_likelihood >= best - 1e-9, "theirs is found by a simplex: never likelier than ours"
    assert (ours.weibull.shape, ours.weibull.scale) == pytest.approx((shape, scale), rel=1e-3)
    lives = np.concatenate((failures, censored))
    theirs = lifelines.WeibullFitter().fit(lives, np.arange(len(lives)) < len(failures))
    assert ours.log_likelihood == pytest.approx(theirs.log_likelihood_, abs=1e-5)
    assert (ours.weibull.shape, ours.weibull.scale) == pytest.approx((theirs.rho_, theirs.lambda_), rel=1e-3)
    variances = theirs.variance_matrix_.to_numpy()
    of_scale, between, of_shape = ours.covariance
    scale_, shape_ = ours.weibull.scale, ours.weibull.shape
    assert of_scale * scale_**2 == pytest.approx(variances[0, 0], rel=0.01)
    assert of_shape * shape_**2 == pytest.approx(variances[1, 1], rel=0.01)
    assert between * scale_ * shape_ == pytest.approx(variances[0, 1], rel=0.05, abs=abs(variances[0, 1]) * 0.05 + 0.01)


@pytest.mark.parametrize("seed", SEEDS)
def test_kaplan_meier_with_its_bounds(seed: int) -> None:
    failures, censored = (np.ceil(lives / 50) for lives in _cut_short(seed, 60))
    theirs = lifelines.KaplanMeierFitter().fit(
        np.concatenate((failures, censored)), np.arange(len(failures) + len(censored)) < len(failures), alpha=0.1
    )
    for step in kaplan_meier(failures, censored, 0.9):
        assert step.survival == pytest.approx(theirs.survival_function_at_times(step.life).iloc[0], abs=1e-12)
        if step.lower is not None and step.upper is not None:
            bounds = theirs.confidence_interval_.loc[step.life].to_numpy()
            assert (step.lower, step.upper) == pytest.approx(tuple(bounds), abs=1e-9)


def test_likelihood_bounds_by_another_search() -> None:
    """Of the shape and of B10, from scipy's own likelihood, minimised and solved by scipy."""
    optimize = pytest.importorskip("scipy.optimize")
    failures, censored = _cut_short(3, 40)
    fit = fit_weibull(failures, censored)

    def fall(shape: float, scale: float) -> float:
        logs = stats.weibull_min.logpdf(failures, shape, 0, scale).sum()
        logs += stats.weibull_min.logsf(censored, shape, 0, scale).sum()
        return 2 * (fit.log_likelihood - float(logs))

    def of_b10(b10: float) -> float:
        best = optimize.minimize_scalar(
            lambda shape: fall(shape, b10 / (-np.log(0.9)) ** (1 / shape)), bounds=(0.05, 30), method="bounded",
            options={"xatol": 1e-10},
        )  # fmt: skip
        return float(best.fun) - float(stats.chi2.ppf(0.95, 1))

    _, _, (b10,) = likelihood_bounds(fit, 0.95, (0.1,))
    middle = fit.weibull.life_of(0.1)
    assert b10.lower == pytest.approx(optimize.brentq(of_b10, middle / 50, middle), rel=1e-6)
    assert b10.upper == pytest.approx(optimize.brentq(of_b10, middle, middle * 20), rel=1e-6)


@pytest.mark.parametrize("n", [3, 10, 40])
def test_bounds_of_the_time_between_failures_after_the_last_one(n: int) -> None:
    """The product of two gamma values, integrated by scipy."""
    integrate = pytest.importorskip("scipy.integrate")
    times = np.arange(1, n + 1, dtype=np.float64)
    seen = watched(times, float(n), to_failure=True)
    estimate = seen.end * seen.logs / n**2
    for bound, p in zip(mtbf_bounds(seen, 0.9), (0.95, 0.05), strict=True):
        assert bound is not None
        product = estimate * n**2 / bound
        below, _ = integrate.quad(
            lambda g, z=product: stats.gamma.pdf(g, n - 1) * stats.gamma.cdf(z / g, n), 0, np.inf, limit=400
        )
        assert below == pytest.approx(p, abs=1e-7)
