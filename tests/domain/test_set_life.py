"""Lives of sets from their marks, fits of lives that came under watch late, and rebuilds to come."""

from math import exp, log

import numpy as np
import pytest

from service.domain.question import QuestionRefused
from service.domain.renewal import DAYS_A_MONTH, Running, expected
from service.domain.set_life import FAILURES, ReasonUnknown, failures_of, lives_in, parted
from service.domain.survival import kaplan_meier
from service.domain.weibull import Weibull, fit_weibull, likelihood_bounds, log_likelihood
from tests.bench.set_lives import coverage, marks_of


def conditional(shape: float, scale: float, failed: list[float], cut: list[float], entered: list[float]) -> float:
    """The log-likelihood written out: densities, what survives, and by what survived the entry."""
    total = sum(log(shape / scale) + (shape - 1) * log(t / scale) - (t / scale) ** shape for t in failed)
    ran = sum((t / scale) ** shape for t in cut) - sum((t / scale) ** shape for t in entered)
    return float(total - ran)


def test_lives_that_came_under_watch_late_are_fitted_given_their_age_then() -> None:
    failed, cut, entered = [120.0, 180.0, 240.0, 260.0, 310.0], [150.0, 330.0], [60.0, 100.0, 200.0]
    fit = fit_weibull(np.array(failed), np.array(cut), np.array(entered))
    best = conditional(fit.weibull.shape, fit.weibull.scale, failed, cut, entered)
    assert fit.log_likelihood == pytest.approx(best, abs=1e-9)
    assert log_likelihood(fit.lives, fit.weibull) == pytest.approx(best, abs=1e-9)
    for shape, scale in ((1.001, 1.0), (0.999, 1.0), (1.0, 1.001), (1.0, 0.999)):
        near = conditional(fit.weibull.shape * shape, fit.weibull.scale * scale, failed, cut, entered)
        assert near < best
    bounds, _, _ = likelihood_bounds(fit, 0.95, (0.1,))
    assert bounds.lower is not None
    assert bounds.upper is not None
    # At a bound of the shape twice the fall of the likelihood, the scale at its best, is chi-square's 3.841.
    for shape in (bounds.lower, bounds.upper):
        weighed = sum(t**shape for t in failed + cut) - sum(t**shape for t in entered)
        scale = (weighed / len(failed)) ** (1 / shape)
        assert 2 * (best - conditional(shape, scale, failed, cut, entered)) == pytest.approx(3.8414588, abs=1e-5)


def test_sets_that_came_late_are_not_at_risk_before() -> None:
    """By hand: at 2 one of the three watched by then fails, at 5 one of three, at 7 the one that is left."""
    steps = kaplan_meier(np.array([2.0, 5.0, 7.0]), np.array([6.0]), 0.95, np.array([3.0]))
    assert [(step.life, step.at_risk) for step in steps] == [(2.0, 3), (5.0, 3), (7.0, 1)]
    assert [step.survival for step in steps] == pytest.approx([2 / 3, 4 / 9, 0])


def test_what_is_seen_after_entry_may_tell_no_shape() -> None:
    late = np.array([9.0, 9.9, 9.99])
    with pytest.raises(QuestionRefused):
        fit_weibull(np.array([10.0, 10.0, 10.0]), np.array([]), late)


def test_bounds_hold_the_truth_about_as_often_as_they_say() -> None:
    """The short form of `python -m tests.bench.set_lives`: 60 plants of 60 spindles."""
    held = coverage(7, 60, plants=60)
    assert held.refused == 0
    assert held.late > 20
    for place in range(3):
        assert 0.62 <= held.share[0.8][place] <= 0.96
        assert held.share[0.95][place] >= 0.86


def test_leaving_the_age_at_entry_out_of_the_fit_would_show() -> None:
    """Sets from before the ledger that failed early are not there: as if always watched, lives come out long."""
    seen = parted(lives_in(marks_of(np.random.default_rng(3), 3000), "cycles")[0], FAILURES)
    right = fit_weibull(seen.failures, seen.censored, seen.entered).weibull
    wrong = fit_weibull(seen.failures, seen.censored).weibull
    assert right.life_of(0.1) == pytest.approx(Weibull(shape=2.5, scale=300_000).life_of(0.1), rel=0.04)
    assert wrong.life_of(0.1) > 1.05 * right.life_of(0.1)


def test_reasons_are_those_of_a_rebuild() -> None:
    assert failures_of(None) == FAILURES
    assert failures_of("worn, crash,worn") == ("worn", "crash")
    with pytest.raises(ReasonUnknown, match="'tired' is no reason"):
        failures_of("worn,tired")


def running(ages: list[float], use: float, waiting: int = 0) -> Running:
    flags = np.array([place < waiting for place in range(len(ages))], dtype=np.bool_)
    return Running(ages=np.array(ages), use=np.full(len(ages), use), waiting=flags)


def test_sets_that_do_not_age_are_rebuilt_as_a_poisson_process() -> None:
    """Shape 1 and other reasons, each once in 4000 cycles: 40 spindles at 20 a day; closed form, ours."""
    months = expected(Weibull(shape=1.0, scale=4_000), 1 / 4_000, running([500.0] * 40, 20.0), 6, 0.9)
    rate, a_step = 40 * 20 * DAYS_A_MONTH / 2_000, 20 * DAYS_A_MONTH / 4 / 2_000
    for month in months:
        # A set that fails in a step is replaced at its end: what the new one fails of in the rest of it is lost.
        assert (1 - a_step) * rate < month.rebuilds < rate
    total = 0.0
    mean = months[0].rebuilds_until
    for number in range(1000):
        total += exp(-mean + number * log(mean) - sum(log(each) for each in range(1, number + 1)))
        if total >= 0.9:
            break
    assert abs(months[0].kits_until - number) <= 1


def test_what_is_expected_is_what_chance_brings() -> None:
    """Against renewals drawn by chance, of worn sets and new ones; the draw has an error of 0.1 itself."""
    weibull, random = Weibull(shape=3.0, scale=50_000), np.random.default_rng(5)
    ages = random.uniform(0, 45_000, 30)
    months = expected(weibull, 1 / 400_000, running(list(ages), 400.0), 6, 0.95)
    horizon, drawn = 400 * 6 * DAYS_A_MONTH, []
    for _ in range(400):
        count = 0
        for age in ages:
            at, hazards = 0.0, weibull.hazards(max(age, 1e-9))
            life = weibull.scale * (hazards + random.exponential()) ** (1 / 3) - age
            while (at := at + min(life, random.exponential(400_000))) <= horizon:
                count += 1
                life = weibull.scale * random.exponential() ** (1 / 3)
        drawn.append(count)
    assert months[-1].rebuilds_until == pytest.approx(float(np.mean(drawn)), rel=0.04)
    assert abs(months[-1].kits_until - float(np.quantile(drawn, 0.95))) <= 2


def test_what_waits_is_rebuilt_at_once_and_the_normal_joins_the_exact() -> None:
    weibull = Weibull(shape=3.0, scale=50_000)
    alone = expected(weibull, 0.0, running([1_000.0] * 10, 1.0, waiting=4), 1, 0.9)
    assert alone[0].rebuilds == pytest.approx(4, abs=0.01)
    assert alone[0].kits_until == 4
    many = running([30_000.0] * 3_000, 300.0)
    large = expected(weibull, 0.0, many, 2, 0.9)
    few = expected(weibull, 0.0, running([30_000.0] * 300, 300.0), 2, 0.9)
    assert large[-1].rebuilds_until == pytest.approx(10 * few[-1].rebuilds_until)
    assert large[-1].kits_until / large[-1].rebuilds_until < few[-1].kits_until / few[-1].rebuilds_until
    assert expected(weibull, 0.0, running([], 1.0), 1, 0.9)[0].kits_until == 0
