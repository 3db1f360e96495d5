"""Published values of charts, trends, lives, repeated failures, replacement and springs, by the domain and over HTTP.

Each check stands in `wear_and_life.json` with its source and provenance; what is from memory, computed or constructed
says so there.
"""

from math import log
from typing import Any

import numpy as np
import pytest

from service.domain.age_replacement import best_age, best_block, cost_rate, run_to_failure_rate
from service.domain.control_chart import cusum, ewma, individuals
from service.domain.disc_spring import Disc, Stack
from service.domain.monotone import at_least_by_chance, mann_kendall, theil_sen
from service.domain.power_law import cramer_von_mises, fit_power_law, mtbf_bounds, trend_tests, watched
from service.domain.question import Floats
from service.domain.regression import fit_regression, meeting
from service.domain.run_length import cusum_run_length, ewma_run_length, shewhart_run_length
from service.domain.weibull import Weibull, fit_weibull, rank_regression
from tests.checks.asking import Asking, given, near
from tests.checks.published import CHECKS


def series(check: str, name: str) -> Floats:
    return np.array(given(check)[name], dtype=np.float64)


def floats(values: Any) -> list[float]:
    return [float(value) for value in values]


async def test_hb_01_individuals_and_moving_ranges(ask: Asking) -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.2; found in secondary texts."""
    of = given("HB-01")
    chart = individuals(series("HB-01", "x"), d2=of["d2"], d4=of["D4"])
    found = await ask("chart", kind="individuals", x=of["x"])
    for centre, mean_range, lower, upper, ranges in (
        (chart.centre, chart.mean_range, chart.lower, chart.upper, chart.ranges),
        (found["centre"], found["moving_range"]["mean"], *found["limits"].values(), found["moving_range"]["values"]),
    ):
        assert float(centre) == near("HB-01", "mean")
        assert float(mean_range) == near("HB-01", "mrbar")
        assert float(lower) == near("HB-01", "lcl")
        assert float(upper) == near("HB-01", "ucl")
        assert floats(ranges) == near("HB-01", "mr")
    assert len(found["signals"]) == len(chart.beyond) == CHECKS["HB-01"]["expected"]["out_of_control"]
    assert float(found["moving_range"]["upper"]) == pytest.approx(6.1347, abs=5e-5), "the check's note"
    other = await ask("chart", kind="individuals", x=of["x"], parameters={"d2": "1.1283792"})
    assert float(other["limits"]["upper"]) == pytest.approx(55.8024, abs=5e-5), "the check's note"


async def test_hb_02_weighted_means(ask: Asking) -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.4; found in secondary texts."""
    of = given("HB-02")
    chart = ewma(series("HB-02", "x"), weight=of["lam"], target=of["target"], sigma=of["sigma"], width=of["L"])
    parameters = {"lambda": of["lam"], "target": of["target"], "sigma": of["sigma"], "L": of["L"]}
    found = await ask("chart", kind="ewma", x=of["x"], parameters=parameters)
    for values, limits in ((chart.values, chart.settled), (found["values"], tuple(found["limits"].values()))):
        assert floats(values) == near("HB-02", "ewma")
        assert floats(limits) == [near("HB-02", "lcl"), near("HB-02", "ucl")]
    assert len(found["signals"]) == len(chart.beyond) == CHECKS["HB-02"]["expected"]["signals"]


async def test_hb_03_cumulative_sums(ask: Asking) -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.3; found in secondary texts. The page counts points from 1."""
    of = given("HB-03")
    chart = cusum(series("HB-03", "x"), target=of["target"], k=of["k"], h=of["h"])
    found = await ask("chart", kind="cusum", x=of["x"], parameters={name: of[name] for name in ("target", "k", "h")})
    for upper, lower, plain in (
        (chart.upper, chart.lower, chart.cumulative),
        tuple(found["sums"][name] for name in ("upper", "lower", "cumulative")),
    ):
        assert floats(upper) == near("HB-03", "s_hi")
        assert floats(lower) == near("HB-03", "s_lo")
        assert floats(plain) == near("HB-03", "cum")
    assert found["first_signal"] == chart.crossings[0].point + 1 == CHECKS["HB-03"]["expected"]["first_signal"]
    assert (found["signals"][0]["began"], found["signals"][0]["side"]) == (13, "above")


async def test_hb_04_average_run_lengths(ask: Asking) -> None:
    """Lucas, 1976, for cumulative sums (found in a secondary text); single values and weighted means from memory."""
    of, want = given("HB-04"), CHECKS["HB-04"]["expected"]
    shewhart = [shewhart_run_length(of["shewhart_L"], shift) for shift in (0, 1, 2)]
    assert shewhart == near("HB-04", "shewhart")
    told = await ask("chart", kind="individuals", x=[1, 2, 1])
    assert floats(each["points"] for each in told["run_lengths"]) == near("HB-04", "shewhart")
    for (k, h), name in zip(of["cusum"], ("cusum4", "cusum5"), strict=True):
        assert [cusum_run_length(k, h, shift) for shift in (0, 1)] == near("HB-04", name)
        parameters = {"target": 7, "sigma": "0.2", "k": k, "h": h, "k_and_h_in": "sigma", "shifts": [0, 1]}
        told = await ask("chart", kind="cusum", x=[7, 7], parameters=parameters)
        assert floats(each["points"] for each in told["run_lengths"]) == near("HB-04", name)
    for (weight, width), name in zip(of["ewma"], ("ewma02", "ewma01"), strict=True):
        assert [ewma_run_length(weight, width, shift) for shift in (0, 1)] == near("HB-04", name)
        parameters = {"target": 7, "sigma": "0.2", "lambda": weight, "L": width, "shifts": [0, 1]}
        told = await ask("chart", kind="ewma", x=[7, 7], parameters=parameters)
        assert floats(each["points"] for each in told["run_lengths"]) == near("HB-04", name)
    assert len(want) == 5


async def test_hb_05_lives_cut_short_at_500_hours(ask: Asking) -> None:
    """NIST/SEMATECH e-Handbook 8.4.1.3; found in secondary texts."""
    fit = fit_weibull(series("HB-05", "failures"), series("HB-05", "censored"))
    found = await ask("life", failures=given("HB-05")["failures"], censored=given("HB-05")["censored"], method="mle")
    for shape, scale, logs in (
        (fit.weibull.shape, fit.weibull.scale, fit.log_likelihood),
        (found["shape"], found["scale"], found["log_likelihood"]),
    ):
        assert float(shape) == near("HB-05", "beta")
        assert float(scale) == near("HB-05", "eta")
        assert float(logs) == near("HB-05", "loglik")
    assert fit.weibull.shape == pytest.approx(1.720797261, abs=5e-10), "more digits in the check's note"
    assert (found["n"], found["failures"], found["censored"]) == (20, 10, 10)


def test_hb_07_the_functions_of_the_distribution() -> None:
    """NIST/SEMATECH e-Handbook 8.1.6.2; from memory."""
    weibull, t = Weibull(shape=given("HB-07")["beta"], scale=given("HB-07")["eta"]), given("HB-07")["t"]
    assert weibull.failed(t) == near("HB-07", "cdf")
    assert weibull.density(t) == near("HB-07", "pdf")
    assert weibull.hazard(t) == near("HB-07", "hazard")
    assert weibull.mean == pytest.approx(4513.7265, abs=5e-5), "the check's note"
    assert weibull.life_of(0.5) == pytest.approx(3916.0988, abs=5e-5), "the check's note"


async def test_hb_08_the_power_law_with_its_bias_taken_out(ask: Asking) -> None:
    """A script in the form of the e-Handbook's, with its printed output; found in a secondary text."""
    of = given("HB-08")
    seen = watched(series("HB-08", "times"), of["T"], to_failure=False)
    law, bounds = fit_power_law(seen, unbiased=True), mtbf_bounds(seen, of["confidence"])
    found = await ask("growth", times=of["times"], end=of["T"], truncation="time", confidence=of["confidence"])
    modified, told = found["modified"], found["bounds"]["mtbf"]
    for shape, scale, mtbf, (lower, upper) in (
        (law.shape, law.scale, law.mtbf, bounds),
        (modified["beta"], modified["lambda"], modified["mtbf"], (told["lower"], told["upper"])),
    ):
        assert float(shape) == near("HB-08", "b")
        assert 1 - float(shape) == near("HB-08", "beta_slope")
        assert float(scale) == near("HB-08", "a")
        assert float(mtbf) == near("HB-08", "mtbf")
        assert float(lower) == near("HB-08", "lower")
        assert upper is not None
        assert float(upper) == near("HB-08", "upper")
    assert float(found["beta"]) == pytest.approx(0.537228866, abs=5e-10), "the check's note"
    assert float(found["mtbf"]) == pytest.approx(279.2106, abs=5e-5), "the check's note"


async def test_hb_09_three_tests_for_a_trend(ask: Asking) -> None:
    """NIST/SEMATECH e-Handbook 8.2.3.4; the statistics from memory, recomputed."""
    of = given("HB-09")
    tests = trend_tests(watched(series("HB-09", "times"), of["T"], to_failure=False))
    found = await ask("growth", times=of["times"], end=of["T"], truncation="time")
    told = found["trend_tests"]
    military = told["military_handbook"]
    for gaps, reversals, z, chi_square, dof, below, laplace, p in (
        (tests.gaps, tests.reversals, tests.reversals_z, tests.chi_square, tests.chi_square_dof,
         tests.chi_square_below, tests.laplace, tests.laplace_p),
        (found["gaps"], told["reverse_arrangement"]["R"], told["reverse_arrangement"]["z"], military["chi_square"],
         military["dof"], military["cdf"], told["laplace"]["z"], told["laplace"]["p"]),
    ):  # fmt: skip
        assert floats(gaps) == near("HB-09", "interarrival")
        assert (reversals, dof) == (near("HB-09", "R"), near("HB-09", "mil_df"))
        assert float(chi_square) == near("HB-09", "mil_chi2")
        assert float(below) == near("HB-09", "mil_cdf")
        assert float(laplace) == near("HB-09", "laplace")
        assert float(z) == pytest.approx(1.9677, abs=5e-5), "the check's note"
        assert float(p) == pytest.approx(0.18453, abs=5e-6), "the check's note"
    to_failure = trend_tests(watched(series("HB-09", "times"), of["times"][-1], to_failure=True))
    assert to_failure.chi_square_dof == 2 * (len(of["times"]) - 1), "the check's note"


async def test_tr_01_and_02_mann_kendall_by_hand_and_by_libraries(ask: Asking) -> None:
    """TR-01: counted by hand (College of the Holy Cross, found); TR-02: outputs of two libraries."""
    y = series("TR-01", "x")
    x = np.arange(len(y), dtype=np.float64)
    test, line = mann_kendall(x, y), theil_sen(x, y)
    found = await ask("trend", y=given("TR-02")["x"])
    pairs = found["pairs"]
    assert sum(pairs.values()) == near("TR-01", "pairs")
    assert (test.rising, test.falling, test.level) == (pairs["rising"], pairs["falling"], pairs["level"])
    assert tuple(pairs.values()) == (near("TR-01", "plus"), near("TR-01", "minus"), near("TR-01", "zero"))
    for s, variance, z, p, one, tau, slope, intercept in (
        (test.s, test.variance, test.z, test.p, test.p_one_sided, test.tau_a, line.slope, line.intercept),
        tuple(found[name] for name in ("S", "variance", "z", "p", "p_one_sided", "tau", "slope", "intercept")),
    ):
        assert s == near("TR-01", "S") == near("TR-02", "S")
        assert float(variance) == near("TR-01", "var")
        assert float(variance) == near("TR-02", "var")
        assert float(z) == near("TR-01", "Z")
        assert float(one) == near("TR-01", "p_one_sided")
        assert float(z) == near("TR-02", "z")
        assert float(p) == near("TR-02", "p")
        assert float(tau) == near("TR-02", "tau")
        assert float(slope) == near("TR-02", "slope")
        assert float(intercept) == near("TR-02", "intercept")
    assert float(found["tau_b"]) == pytest.approx(0.5966942, abs=5e-8), "the check's note"
    assert (found["trend"], found["exact"]) == ("increasing", None)


async def test_tr_04_without_ties(ask: Asking) -> None:
    """The formula from a manual that was read, the numbers computed; exact p is 1/n! at its smallest."""
    for n, variance in zip(given("TR-04")["n"], CHECKS["TR-04"]["expected"]["var"], strict=True):
        found = await ask("trend", y=list(range(n)))
        assert float(found["variance"]) == pytest.approx(variance, abs=CHECKS["TR-04"]["tolerance"]["var"])
    for n, p in zip((4, 5, 6), CHECKS["TR-04"]["expected"]["p_min_one_sided"], strict=True):
        assert at_least_by_chance(n, n * (n - 1) // 2) == pytest.approx(p, abs=1e-12)
        found = await ask("trend", y=[-each for each in range(n)])
        assert float(found["exact"]["p_one_sided"]) == pytest.approx(p, abs=1e-12)


async def test_tr_05_when_the_force_reaches_its_limit(ask: Asking) -> None:
    """Constructed; far beyond what was seen, which the answer says."""
    of = given("TR-05")
    x, y = series("TR-05", "months"), series("TR-05", "force")
    limit = of["nominal"] * of["limit_fraction"]
    assert limit == near("TR-05", "limit")
    line, robust, test = fit_regression(x, y), theil_sen(x, y), mann_kendall(x, y)
    met = meeting(line, limit, 0.95)
    assert met.at is not None
    found = await ask("trend", x=of["months"], y=of["force"], limit=str(limit))
    squares = found["least_squares"]
    for slope, intercept, s, at, steep, start, pairs, p in (
        (line.slope, line.intercept, line.s, met.at, robust.slope, robust.intercept, test.s, test.p),
        (squares["slope"], squares["intercept"], squares["s"], found["limit"]["at"],
         found["slope"], found["intercept"], found["S"], found["p"]),
    ):  # fmt: skip
        assert float(slope) == near("TR-05", "slope")
        assert float(intercept) == near("TR-05", "intercept")
        assert float(s) == near("TR-05", "s")
        assert float(at) == near("TR-05", "months_to_limit")
        assert float(steep) == near("TR-05", "theil_sen")
        assert float(start) == near("TR-05", "theil_sen_intercept")
        assert pairs == near("TR-05", "mk_S")
        assert float(p) == near("TR-05", "mk_p")
    assert (found["limit"]["way"], found["limit"]["far_beyond"]) == ("ahead", True)
    assert "far beyond" in found["limit"]["reason"]
    interval = found["limit"]["interval"]
    assert float(interval["lower"]) < met.at < float(interval["upper"])


async def test_ld_02_ball_bearings(ask: Asking) -> None:
    """Lieblein and Zelen, 1956 (data found); the estimates of Lawless from memory."""
    found = await ask("life", failures=given("LD-02")["x"])
    assert float(found["shape"]) == near("LD-02", "beta")
    assert float(found["scale"]) == near("LD-02", "eta")
    assert float(found["log_likelihood"]) == pytest.approx(-113.6913, abs=5e-5), "the check's note"
    assert float(found["b10"]) == pytest.approx(28.0694, abs=5e-5), "the check's note"


async def test_ld_05_median_ranks_with_suspensions(ask: Asking) -> None:
    """Abernethy, The New Weibull Handbook, figure 2-5; found in a secondary text."""
    of = given("LD-05")
    weibull, _, ranks = rank_regression(series("LD-05", "failures"), series("LD-05", "suspensions"))
    question = {"failures": of["failures"], "censored": of["suspensions"]}
    found = await ask("life", **question, method="rank_regression")
    for shape, scale, ordered in (
        (weibull.shape, weibull.scale, ranks),
        (found["shape"], found["scale"], found["ranks"]),
    ):
        assert float(shape) == near("LD-05", "beta")
        assert float(scale) == near("LD-05", "eta")
        assert floats(ordered) == near("LD-05", "ranks")
    likely = await ask("life", **question, method="mle")
    assert float(likely["shape"]) == pytest.approx(3.0170, abs=5e-5), "the check's note"
    assert float(likely["scale"]) == pytest.approx(87.956, abs=5e-4), "the check's note"
    assert (found["method"][:15], likely["method"][:4]) == ("rank_regression", "mle:")


async def test_ld_06_the_lung_data_against_another_program(ask: Asking) -> None:
    """R survival 3.5.8, intercept only (output found); the data come with lifelines (extra `reference`)."""
    table = pytest.importorskip("lifelines.datasets").load_lung()
    failed = table["status"].to_numpy() == 1
    lives = table["time"].to_numpy().astype(float)
    assert (len(lives), int(failed.sum())) == (228, 165)
    fit = fit_weibull(lives[failed], lives[~failed])
    found = await ask("life", failures=lives[failed].tolist(), censored=lives[~failed].tolist())
    for shape, scale, logs in (
        (fit.weibull.shape, fit.weibull.scale, fit.log_likelihood),
        tuple(floats(found[name] for name in ("shape", "scale", "log_likelihood"))),
    ):
        assert log(scale) == near("LD-06", "mu")
        assert 1 / shape == near("LD-06", "sigma")
        assert logs == near("LD-06", "loglik")


async def test_ld_08_and_10_when_to_replace(ask: Asking) -> None:
    """LD-08: documentation that was read (a grid search), the exact root computed. LD-10: formula from memory."""
    of = given("LD-08")
    weibull = Weibull(shape=of["beta"], scale=of["eta"])
    planned, failure = of["cost_preventive"], of["cost_failure"]
    age = best_age(weibull, planned, failure)
    assert age is not None
    question = {"scale": of["eta"], "cost_planned": planned, "cost_failure": failure}
    found = await ask("replacement", shape=of["beta"], **question)
    for interval, rate, otherwise in (
        (age, cost_rate(weibull, age, planned, failure), run_to_failure_rate(weibull, failure)),
        tuple(floats(found[name] for name in ("interval", "cost_rate", "run_to_failure_cost_rate"))),
    ):
        assert interval == near("LD-08", "T_opt")
        assert rate == near("LD-08", "cost")
        assert interval == pytest.approx(493.046958, abs=5e-7), "the check's note"
        assert (rate, otherwise) == pytest.approx((0.003462043, 0.005635302), abs=5e-10), "the check's note"
    block = best_block(weibull, given("LD-10")["c_replace"], given("LD-10")["c_repair"])
    assert block is not None
    assert block[0] == near("LD-10", "T_min_repair")
    assert float(found["minimal_repair"]["interval"]) == near("LD-10", "T_min_repair")
    for shape in ("1", "0.8"):
        never = await ask("replacement", shape=shape, **question)
        assert (never["pays"], never["interval"], never["minimal_repair"]) == (False, None, None)
        assert "run to failure" in never["reason"]


async def test_ld_11_a_growth_programme(ask: Asking) -> None:
    """MIL-HDBK-189 (1981), appendix C; found in a secondary text, further digits that text's own."""
    of = given("LD-11")
    seen = watched(series("LD-11", "times"), of["T"], to_failure=False)
    law = fit_power_law(seen)
    found = await ask("growth", times=of["times"], end=of["T"], truncation="time")
    for shape, scale, intensity, mtbf, distance in (
        (law.shape, law.scale, 1 / law.mtbf, law.mtbf, cramer_von_mises(seen)),
        tuple(floats(found[name] for name in ("beta", "lambda", "intensity", "mtbf", "cramer_von_mises"))),
    ):
        assert shape == near("LD-11", "beta")
        assert scale == near("LD-11", "lam")
        assert intensity == near("LD-11", "intensity")
        assert mtbf == near("LD-11", "mtbf")
        assert distance == near("LD-11", "cvm")
    assert float(found["modified"]["beta"]) == pytest.approx(0.6898081786, abs=5e-11), "the check's note"


TABLE = {
    "A 31.5": 3870,
    "A 40": 6500,
    "A 45": 7720,
    "A 50": 12000,
    "A 56": 11400,
    "A 63": 15000,
    "A 71": 20500,
    "A 80": 33600,
    "A 90": 31400,
    "A 100": 48000,
    "B 31.5": 1910,
    "B 40": 2620,
    "B 45": 3650,
    "B 50": 4760,
    "B 56": 4440,
    "B 63": 7190,
    "B 71": 6720,
    "B 80": 10500,
    "B 90": 14200,
    "B 100": 13100,
}
"""Forces in N of DIN 2093, group 2, as the note of DS-01 carries them."""


async def test_ds_01_the_forces_of_the_table(ask: Asking) -> None:
    """EN 16984 against the table of DIN 2093 at s = 0.75 h0; found in secondary texts, three figures."""
    of = given("DS-01")
    rows = of["rows_name_De_Di_t_l0"]
    assert [row[0] for row in rows] == list(TABLE)
    for name, outer, inner, t, l0 in rows:
        disc = Disc(outer=outer, inner=inner, thickness=t, height=l0 - t, modulus=of["E"], poisson=of["nu"])
        assert disc.force(0.75 * (l0 - t)) / TABLE[name] == pytest.approx(1, abs=CHECKS["DS-01"]["tolerance"]), name
    for name, force in (("A 50", 11976.5), ("B 50", 4762.1)):
        _, outer, inner, t, l0 = next(row for row in rows if row[0] == name)
        s = round(0.75 * (l0 - t), 6)
        found = await ask("spring", De=outer, Di=inner, t=t, l0=l0, s=s, E=of["E"], nu=of["nu"])
        assert float(found["force"]) == pytest.approx(force, abs=0.05), "the check's note"


async def test_ds_02_k1(ask: Asking) -> None:
    """A public test file; found in a secondary text."""
    found = await ask("spring", De=given("DS-02")["delta"], Di=1, t="0.1", h0="0.1", s="0.05", E=206000, nu="0.3")
    assert float(found["factors"]["K1"]) == near("DS-02", "K1")


async def test_ds_04_a_stack_with_friction(ask: Asking) -> None:
    """DIN 2092 relations as carried in a public file; the numbers computed."""
    of = given("DS-04")
    disc = Disc(outer=50, inner=25.4, thickness=3, height=1.1, modulus=206000, poisson=0.3)
    assert disc.force(of["s1"]) == pytest.approx(of["F1"], abs=0.05)
    stack = Stack(
        disc=disc, parallel=of["parallel"], series=of["series"], face_friction=of["w_M"], edge_friction=of["w_R"]
    )
    told = {name: of[name] for name in ("parallel", "series", "w_M", "w_R")}
    found = await ask("spring", De=50, Di=25.4, t=3, h0=1.1, s=of["s1"], E=206000, nu=0.3, stack=told)
    names = ("force", "travel", "force_loading", "force_unloading")
    for force, travel, loading, unloading in (
        (stack.force(of["s1"]), stack.travel(of["s1"]), stack.loading(of["s1"]), stack.unloading(of["s1"])),
        tuple(floats(found["stack"][name] for name in names)),
    ):
        assert force == near("DS-04", "F")
        assert travel == near("DS-04", "travel")
        assert loading == near("DS-04", "F_loading")
        assert unloading == near("DS-04", "F_unloading")
