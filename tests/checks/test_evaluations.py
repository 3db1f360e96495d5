"""Published values through the domain's functions and, where an evaluation answers them, through HTTP.

Each check stands in `evaluations.json` with its source and provenance; what is from memory, computed or constructed
says so there.
"""

from decimal import Decimal

import pytest

from service.domain.decision import GUARD_OF_EDITION, capability, conformity_probability, decide
from service.domain.distribution import coverage_factor, normal_cdf, normal_quantile
from service.domain.global_risk import Span, global_risk
from service.domain.line import Line, control_limit, fit_line, mean_and_sd
from service.domain.study import Trial, crossed, judge_study, pooled
from service.domain.thread import pitches
from service.domain.turn import thread_turn
from service.domain.uncertainty import (
    Expanded,
    dof_of_judgement,
    effective_dof,
    from_bounds,
    from_half_width,
    from_interval,
    from_triangle,
)
from service.domain.verdict import MeasuredDepth
from tests.checks.asking import Asking, dec, given, near
from tests.checks.published import CHECKS
from tests.running import Json


def test_cf_05_a_speed_that_is_certainly_too_fast() -> None:
    """JCGM 106:2012, 8.3.3; found: at 107 km/h the limit of 100 is exceeded with more than 99.9 %."""
    limit, relative, p = dec(given("CF-05")["v0"]), dec(given("CF-05")["u_rel"]), given("CF-05")["p"]

    def exceeded(speed: Decimal) -> float:
        return 1 - conformity_probability(y=speed, u=relative * speed, upper=limit)

    assert exceeded(dec(106)) < p < exceeded(dec(CHECKS["CF-05"]["expected"]["v_max"]))


def test_cf_07_what_a_process_makes_within_its_limits() -> None:
    """JCGM 106:2012, 9.5.3, equation 21; found."""
    of = given("CF-07")
    tolerance = Span(lower=of["T_L"], upper=of["T_U"])
    found = global_risk(mean=of["y0"], sd=of["u0"], u=0.01, tolerance=tolerance, acceptance=tolerance)
    assert found.conforming == near("CF-07", "p_c")


async def test_cf_11_what_simple_acceptance_costs_a_centred_process(ask: Asking) -> None:
    """JCGM 106:2012, 9.5.6.2; found. C_m = T/(4 u)."""
    of = given("CF-11")
    process = {"mean": 0.5, "sd": of["u0_over_T"]}
    found = await ask("global-risk", process=process, u=1 / (4 * of["C_m"]), lower=0, upper=1)
    assert float(found["consumer_risk"]) == near("CF-11", "R_C")
    assert float(found["producer_risk"]) == near("CF-11", "R_P")


@pytest.mark.parametrize(("end", "name"), [("lower", "y_low"), ("upper", "y_high")])
def test_cf_13_only_the_middle_is_certain_with_a_poor_gauge(end: str, name: str) -> None:
    """JCGM 106:2012, 7.7.5, equations 13 and 14; found."""
    edge, u = CHECKS["CF-13"]["expected"][name], 1 / (4 * dec(given("CF-13")["C_m"]))
    inward = 1 if end == "lower" else -1
    probabilities = [
        conformity_probability(y=dec(edge + inward * step), u=u, lower=Decimal(0), upper=Decimal(1))
        for step in (-0.005, 0.005)
    ]
    assert probabilities[0] < given("CF-13")["p"] < probabilities[1]


def test_cf_15_what_k_covers() -> None:
    """JCGM 106:2012, A.3; found."""
    for k, covered in zip(given("CF-15")["k"], CHECKS["CF-15"]["expected"]["P"], strict=True):
        assert normal_cdf(k) - normal_cdf(-k) == pytest.approx(covered, abs=CHECKS["CF-15"]["tolerance"])


def test_cf_16_the_guard_factor_of_the_2017_edition() -> None:
    """ISO 14253-1:2017 and ILAC-G8:09/2019, table 1; from memory."""
    assert float(GUARD_OF_EDITION["2017"]) == near("CF-16", "factor_on_u")
    assert normal_quantile(given("CF-16")["p"]) == near("CF-16", "factor_on_u")
    assert float(GUARD_OF_EDITION["2017"] / 2) == near("CF-16", "factor_on_U")


def test_cf_17_and_18_a_ratio_is_a_capability_of_the_measurement() -> None:
    """JCGM 106:2012, 8.2.3 and 7.6.2; found. U = 2 u."""
    error, expanded = dec(given("CF-17")["E_max"]), dec(given("CF-17")["U"])
    assert float(capability(expanded / 2, -error, error)) == near("CF-17", "C_m")
    width, n = dec(given("CF-18")["T"]), dec(given("CF-18")["N"])
    most = dec(CHECKS["CF-18"]["expected"]["u_max"])

    def outcome(u: Decimal) -> str:
        return decide(total=width / 2, u=u, lower=Decimal(0), upper=width, rule="ratio", ratio=n).outcome

    assert (outcome(most), outcome(most + Decimal("1e-12"))) == ("conforming", "undecided")
    assert float(2 * most) == near("CF-18", "U_max")


async def test_cf_20_where_95_percent_begins(ask: Asking) -> None:
    """Computed from JCGM 106:2012, equation 14."""
    for index, y in zip(given("CF-20")["C_m"], CHECKS["CF-20"]["expected"]["y"], strict=True):
        asked = {"y": y, "u": 1 / (4 * index), "lower": 0, "upper": 1, "rule": {"name": "simple"}}
        found = await ask("conformity", **asked)
        assert float(found["probability_of_conformity"]) == pytest.approx(0.95, abs=5e-6)


async def test_gu_01_the_end_gauge(ask: Asking) -> None:
    """JCGM 100:2008, H.1; found. The text multiplies the rounded 32 nm and prints U = 93 nm."""
    of = given("GU-01")
    u_ls = Expanded(U=dec(of["U_cert_um"]) * 1000, k=dec(of["k_cert"])).u
    assert float(u_ls) == near("GU-01", "u_lS")
    parts = {
        "u_dbar": dec(of["s_pooled_nm"]) / dec(of["n"]).sqrt(),
        "u_d1": dec(of["comparator_random_um"]) * 1000 / dec(of["t95_5"]),
        "u_d2": dec(of["comparator_syst_um"]) * 1000 / dec(of["syst_k"]),
    }
    for name, value in parts.items():
        assert float(value) == near("GU-01", name)
    dofs = {"u_dbar": of["nu_pooled"], "u_d1": of["nu"]["d1"], "u_d2": of["nu"]["d2"]}
    nu_d = effective_dof([(parts[name], dec(dofs[name])) for name in parts])
    assert nu_d is not None
    assert float(nu_d) == near("GU-01", "nu_d")
    length = dec(of["l_S_mm"]) * 10**6
    alpha = from_half_width(dec(of["dalpha_halfwidth"])) * dec(of["theta_C"]) * length
    theta = from_half_width(dec(of["dtheta_halfwidth_C"])) * dec(of["alpha_per_C"]) * length
    u_d = sum((value * value for value in parts.values()), Decimal(0)).sqrt()
    found = await ask(
        "budget",
        components=[
            {"source": "standard", "u": str(round(u_ls, 12)), "dof": of["nu"]["l_S"]},
            {"source": "difference", "u": str(round(u_d, 12)), "dof": str(round(nu_d, 12))},
            {"source": "expansion", "u": str(abs(round(alpha, 12))), "dof": of["nu"]["dalpha"]},
            {"source": "temperature", "u": str(round(theta, 12)), "dof": of["nu"]["dtheta"]},
        ],
        confidence="0.99",
    )
    assert float(found["u"]) == near("GU-01", "uc")
    assert float(found["dof"]) == near("GU-01", "nu_eff")
    assert float(found["k"]) == near("GU-01", "t99")
    assert float(found["U"]) == near("GU-01", "U99")


async def test_gu_02_the_thermometer(ask: Asking) -> None:
    """JCGM 100:2008, H.3; found. Temperatures are taken from 20 Celsius."""
    of = given("GU-02")
    x = [str(dec(t) - of["t0"]) for t in of["t"]]
    found = await ask("line", x=x, y=of["b"], predict_at=of["predict_at"] - of["t0"])
    for name, member in (("y1", "intercept"), ("s_y1", "u_intercept"), ("y2", "slope"), ("s_y2", "u_slope")):
        assert float(found[member]) == near("GU-02", name)
    assert float(found["r"]) == near("GU-02", "r")
    assert float(found["s"]) == near("GU-02", "s")
    assert float(found["prediction"]["y"]) == near("GU-02", "b30")
    assert float(found["prediction"]["u"]) == near("GU-02", "u_b30")
    mean = sum(map(dec, of["t"]), Decimal(0)) / len(of["t"])
    assert float(mean) == near("GU-02", "t_bar")
    centred = fit_line([dec(t) - mean for t in of["t"]], [dec(b) for b in of["b"]])
    assert float(centred.intercept) == near("GU-02", "y1_centred")
    assert float(centred.intercept_variance) ** 0.5 == near("GU-02", "s_y1_centred")


def test_gu_05_uncertainties_from_certificates_and_bounds() -> None:
    """JCGM 100:2008, 4.3.3 to 4.3.9; found."""
    found = {
        "a": Expanded(U=Decimal(240), k=Decimal(3)).u,
        "b": Expanded(U=Decimal(129), k=Decimal("2.58")).u,
        "c": from_interval(Decimal("0.04"), Decimal("0.5")),
        "d": from_half_width(Decimal("0.40e-6")),
        "e": from_half_width(Decimal("14") * Decimal("0.928571") + 2),
        "f": from_bounds(Decimal("0.12e-6"), Decimal("0.40e-6")),
        "g": from_half_width(Decimal(4)),
        "h": from_triangle(Decimal(4)),
    }
    for name, value in found.items():
        assert float(value) == near("GU-05", name)


async def test_gu_05_and_09_can_be_asked(ask: Asking) -> None:
    """JCGM 100:2008, 4.3 and G.4.2; found. One contribution at a time."""
    ways: dict[str, Json] = {
        "a": {"expanded": {"U": 240, "k": 3}},
        "b": {"expanded": {"U": 129, "k": "2.58"}},
        "c": {"interval": {"half_width": "0.04", "confidence": "0.5"}},
        "d": {"bounds": {"below": "0.40e-6", "above": "0.40e-6"}},
        "f": {"bounds": {"below": "0.12e-6", "above": "0.40e-6"}},
        "g": {"bounds": {"below": 4, "above": 4}},
        "h": {"bounds": {"below": 4, "above": 4, "spread": "triangular"}},
    }
    for name, way in ways.items():
        found = await ask("budget", components=[{"source": name, "reliability": "0.25", **way}])
        assert float(found["u"]) == near("GU-05", name)
        assert found["dof"] == "8", CHECKS["GU-09"]["expected"]["nu"]


async def test_gu_07_what_is_fully_correlated_adds_up(ask: Asking) -> None:
    """JCGM 100:2008, 5.2.2 note 1; found: ten resistors against one standard."""
    n, each = CHECKS["GU-07"]["inputs"]["n"], CHECKS["GU-07"]["inputs"]["u_each"]
    components = [{"source": f"resistor {number}", "u": each} for number in range(n)]
    pairs = [(one, other) for one in range(n) for other in range(one)]
    all_of_them = [{"between": [f"resistor {one}", f"resistor {other}"], "r": 1} for one, other in pairs]
    together = await ask("budget", components=components, correlations=all_of_them)
    apart = await ask("budget", components=components)
    assert float(together["u"]) == near("GU-07", "correct")
    assert float(apart["u"]) == near("GU-07", "wrong_if_independent")


def test_gu_09_degrees_of_freedom_of_a_judgement() -> None:
    """JCGM 100:2008, G.4.2 and H.1.6; found."""
    for reliability, nu in zip(given("GU-09")["reliability"], CHECKS["GU-09"]["expected"]["nu"], strict=True):
        assert float(dof_of_judgement(dec(reliability))) == pytest.approx(nu, abs=CHECKS["GU-09"]["tolerance"])


def test_gu_13_factors_of_t() -> None:
    """JCGM 100:2008, table G.2; found, 2.26 from memory."""
    of = given("GU-13")
    for p, nu, t in zip(of["p"], of["nu"], CHECKS["GU-13"]["expected"]["t"], strict=True):
        assert coverage_factor(p, nu) == pytest.approx(t, abs=CHECKS["GU-13"]["tolerance"])


def trials() -> list[Trial]:
    return [
        Trial(part=str(part), person=str(person), trial=str(trial), value=dec(value))
        for person, by_trial in enumerate(given("HB-10")["data_appraiser_trial_part"])
        for trial, by_part in enumerate(by_trial)
        for part, value in enumerate(by_part)
    ]


async def test_hb_10_average_and_range(ask: Asking) -> None:
    """AIAG MSA, 4th edition, in public copies; found at second hand."""
    rows = [
        {"part": each.part, "person": each.person, "trial": each.trial, "value": str(each.value)} for each in trials()
    ]
    found = (await ask("study", measurements=rows))["average_and_range"]
    want, tolerance = CHECKS["HB-10"]["expected"], CHECKS["HB-10"]["tolerance"]
    ranges = [float(value) for value in found["mean_range_of_persons"].values()]
    assert ranges == pytest.approx(want["Rbar_by_appraiser"], abs=tolerance["Rbar_by_appraiser"])
    assert float(found["mean_range"]) == near("HB-10", "Rbarbar")
    assert float(found["range_of_person_means"]) == near("HB-10", "X_diff")
    assert float(found["range_of_part_means"]) == near("HB-10", "R_p")
    names = {"EV": "repeatability", "AV": "reproducibility", "GRR": "combined", "PV": "part", "TV": "total"}
    for name, member in names.items():
        assert float(found["spreads"][member]["sd"]) == near("HB-10", name)
    percentages = [float(found["percentages"][names[name]]) for name in ("EV", "AV", "GRR", "PV")]
    assert percentages == pytest.approx(want["pct"], abs=tolerance["pct"])
    assert found["ndc"] == want["ndc"]


def test_hb_11_analysis_of_variance() -> None:
    """AIAG MSA, 4th edition, in a public copy; found at second hand."""
    found = judge_study(crossed(trials()), None).anova
    want, tolerance = CHECKS["HB-11"]["expected"], CHECKS["HB-11"]["tolerance"]
    squares = [float(each.sum_of_squares) for each in found.effects]
    assert squares == pytest.approx([*want["SS"], want["SS_total"]], abs=tolerance["SS"])
    means = [float(each.mean_square) for each in found.effects[:4]]
    assert means == pytest.approx(want["MS"], abs=tolerance["MS"])
    assert found.pooled
    assert float(found.pooled_mean_square or 0) == near("HB-11", "pooled_MS")
    variances = [float(found.variances[name]) for name in ("repeatability", "reproducibility", "combined", "part")]
    assert variances == pytest.approx(want["var"], abs=tolerance["var"])
    assert found.ndc == want["ndc"]
    assert float(found.effects[2].p or 0) == pytest.approx(0.974, abs=0.0005)


async def test_hb_12_and_13_a_calibration_line_kept_in_control(ask: Asking) -> None:
    """NIST/SEMATECH e-Handbook, 2.3.6 and 2.3.7: data found, results from memory or computed."""
    points = given("HB-13")["x_y"]
    together = given("HB-13")["m"]
    found = await ask(
        "line",
        x=given("HB-12")["x"],
        y=given("HB-12")["y"],
        control={"points": points, "together": together, "alpha": given("HB-13")["alpha"]},
    )
    for name in ("intercept", "slope", "s"):
        assert float(found[name]) == near("HB-12", name)
    assert float(found["control"]["limit"]) == near("HB-13", "limit")
    out = [float(found["control"]["differences"][place]) for place in found["control"]["out"]]
    assert out == pytest.approx(CHECKS["HB-13"]["expected"]["W_out"], abs=CHECKS["HB-13"]["tolerance"]["W_out"])
    assert found["control"]["out"] == [9, 10, 11], "day 4 at all three positions"


def test_hb_15_check_standards_within_and_from_day_to_day() -> None:
    """NIST/SEMATECH e-Handbook, 2.6.2: data found, results from memory, level 1 settled by computing."""
    of = given("HB-15")
    mean, between = mean_and_sd([dec(value) for value in of["check_values"]])
    within, dof = pooled([(dec(s), of["df_each"]) for s in of["short_term_sd"]])
    assert float(mean) == near("HB-15", "mean")
    assert float(within) == near("HB-15", "level1")
    assert dof == CHECKS["HB-15"]["expected"]["level1_df"]
    assert float(between) == near("HB-15", "level2")
    assert len(of["check_values"]) - 1 == CHECKS["HB-15"]["expected"]["level2_df"]


async def test_sr_01_norris(ask: Asking) -> None:
    """NIST StRD Norris, certified values; found."""
    found = await ask("line", x=given("SR-01")["x"], y=given("SR-01")["y"])
    members = {
        "b0": "intercept",
        "b1": "slope",
        "sd_b0": "u_intercept",
        "sd_b1": "u_slope",
        "s": "s",
        "r2": "r_squared",
    }
    for name, member in members.items():
        assert float(found[member]) == near("SR-01", name)


async def test_sr_02_through_the_origin(ask: Asking) -> None:
    """NIST StRD NoInt1, certified values; found."""
    found = await ask("line", x=given("SR-02")["x"], y=given("SR-02")["y"], through_origin=True)
    for name, member in {"b1": "slope", "sd_b1": "u_slope", "s": "s", "r2": "r_squared"}.items():
        assert float(found[member]) == near("SR-02", name)
    assert found["intercept"] is None


def test_sr_10_close_values_do_not_cancel() -> None:
    """NIST StRD NumAcc4, certified values; found. The one-pass formula gives 0.179 in double precision."""
    values = [Decimal("10000000.2"), *[Decimal("10000000.1"), Decimal("10000000.3")] * 500]
    mean, s = mean_and_sd(values)
    assert float(mean) == near("SR-10", "mean")
    assert float(s) == near("SR-10", "s")
    floats = [float(value) for value in values]
    one_pass = ((sum(x * x for x in floats) - sum(floats) ** 2 / 1001) / 1000) ** 0.5
    assert one_pass != near("SR-10", "s")


def test_un_03_and_04_pitches_of_metric_threads() -> None:
    """ISO 261 in public tables; found at second hand, some of it from memory."""
    for size, pitch in CHECKS["UN-03"]["expected"]["coarse"].items():
        assert pitches(size)[0] == dec(pitch)
    for size, fine in CHECKS["UN-04"]["expected"]["fine"].items():
        assert pitches(size)[1:] == tuple(dec(pitch) for pitch in fine)


def test_un_06_steps_of_a_quarter_turn_and_of_flats() -> None:
    """Constructed from geometry: a turn of so many degrees moves the nose by that part of the pitch."""
    for pitch, moved in zip(given("UN-06")["pitch"], CHECKS["UN-06"]["expected"]["mm"], strict=True):
        for degrees, way in zip(given("UN-06")["steps_deg"], moved, strict=True):
            depth = MeasuredDepth(total_mm=Decimal(0), divisor=1, gauge=None, u_own_mm=None)
            turn = thread_turn(dec(way), depth, dec(pitch))
            assert float(turn) == pytest.approx(degrees, abs=CHECKS["UN-06"]["tolerance"] * 360 / pitch)


def test_a_level_line_puts_nothing_right() -> None:
    level: Line = fit_line([Decimal(0), Decimal(1), Decimal(2)], [Decimal(1)] * 3)
    with pytest.raises(Exception, match="without a slope"):
        control_limit(level, alpha=0.05, together=1)
