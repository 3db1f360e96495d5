"""Evaluations asked with odd numbers: whole degrees of freedom stay whole, far from zero nothing is lost, 500 never."""

import json
from decimal import Decimal
from typing import Any

import msgspec
import pytest

from service.domain.budget import BudgetAsked, BudgetEvaluated, evaluate_budget
from service.domain.conformity import (
    ConformityAsked,
    ConformityEvaluated,
    GlobalRiskAsked,
    GlobalRiskEvaluated,
    evaluate_conformity,
    evaluate_global_risk,
)
from service.domain.distribution import coverage_factor
from service.domain.line import LineAsked, LineEvaluated, evaluate_line
from service.domain.question import QuestionRefused
from service.domain.study import StudyAsked, StudyEvaluated, evaluate_study

ONE: dict[str, Any] = {"source": "a", "u": 1}


def budget(**question: Any) -> BudgetEvaluated:
    return evaluate_budget(msgspec.json.decode(json.dumps(question), type=BudgetAsked))


def risk(**question: Any) -> GlobalRiskEvaluated:
    return evaluate_global_risk(msgspec.json.decode(json.dumps(question), type=GlobalRiskAsked))


def line(**question: Any) -> LineEvaluated:
    return evaluate_line(msgspec.json.decode(json.dumps(question), type=LineAsked))


def study(values: dict[tuple[str, str], list[str]], **question: Any) -> StudyEvaluated:
    measurements = [
        {"part": part, "person": person, "trial": trial, "value": value}
        for (part, person), found in values.items()
        for trial, value in enumerate(found)
    ]
    asked = json.dumps({"measurements": measurements} | question)
    return evaluate_study(msgspec.json.decode(asked, type=StudyAsked))


def conformity(**question: Any) -> ConformityEvaluated:
    return evaluate_conformity(msgspec.json.decode(json.dumps(question), type=ConformityAsked))


@pytest.mark.parametrize("u", ["1", "0.3", "0.0007", "12.34567"])
def test_the_degrees_of_freedom_of_one_contribution_are_its_own(u: str) -> None:
    for dof in range(1, 61):
        found = budget(components=[{"source": "a", "u": u, "dof": dof}], confidence="0.95")
        assert float(found.k) == pytest.approx(coverage_factor(0.95, dof), abs=1e-9), dof


@pytest.mark.parametrize("mean", ["0", "1000000000", "1000000000000", "100000000000000"])
def test_a_risk_does_not_depend_on_where_the_zero_is(mean: str) -> None:
    """Computed by an independent quadrature to nine digits."""
    ends = {name: str(Decimal(mean) + Decimal(step)) for name, step in (("lower", "-0.002"), ("upper", "0.002"))}
    found = risk(process={"mean": mean, "sd": "0.001"}, u="0.0005", **ends)
    assert float(found.consumer_risk) == pytest.approx(0.012388749, abs=2e-9)
    assert float(found.producer_risk) == pytest.approx(0.040526756, abs=2e-9)


def test_an_interaction_beside_no_error_at_all_is_not_pooled() -> None:
    cells = {("1", "x"): ["1", "1"], ("2", "x"): ["0", "0"], ("3", "x"): ["-1", "-1"]}
    cells |= {("1", "y"): ["0", "0"], ("2", "y"): ["2", "2"], ("3", "y"): ["0", "0"]}
    found = study(cells).anova
    assert not found.pooled
    assert found.variances["repeatability"] == "0"
    assert float(found.variances["interaction"]) == pytest.approx(7 / 6)


def test_a_poor_measurement_accepts_nothing_by_a_ratio() -> None:
    rule = {"name": "ratio", "ratio": 4}
    found = conformity(y=1, u=1, lower=0, upper=2, rule=rule)
    assert (found.outcome, found.acceptance) == ("undecided", None)
    with pytest.raises(QuestionRefused) as refused:
        risk(process={"mean": 1, "sd": "0.3"}, u=1, lower=0, upper=2, rule=rule)
    assert refused.value.faults[0].pointer == "/rule/ratio"


def pairs(**r: float) -> list[dict[str, Any]]:
    return [{"between": list(names), "r": value} for names, value in r.items()]


ABC = [{"source": name, "u": 1} for name in "abc"]
REFUSED: list[tuple[dict[str, Any], str]] = [
    ({"components": ABC, "correlations": pairs(ab=0.9, ac=0.9, bc=-0.9)}, "/correlations"),
    ({"components": ABC, "correlations": pairs(ab=1, ac=1, bc=0)}, "/correlations"),
    ({"components": [*ABC, {"source": "d", "u": 5}], "correlations": pairs(ab=-1, ac=-1, bc=-1)}, "/correlations"),
    ({"components": [ONE], "confidence": "0.9999999999999999"}, "/confidence"),
    ({"components": [ONE], "confidence": 95}, "/confidence"),
    ({"components": [ONE | {"dof": 0}]}, "/components/0/dof"),
    ({"components": [ONE | {"u": "-1"}]}, "/components/0/u"),
    ({"components": [ONE | {"u": "1e99"}]}, "/components/0/u"),
    ({"components": [ONE | {"u": {"value": "1", "unit": "mm"}}]}, "/components/0/u"),
    ({"components": [{"source": "a"}]}, "/components/0/u"),
    ({"components": [ONE | {"expanded": {"U": 1, "k": 2}}]}, "/components/0/u"),
    ({"components": [{"source": "a", "expanded": {"U": 1, "k": 0}}]}, "/components/0/expanded/k"),
    ({"components": [{"source": "a", "bounds": {"below": -1, "above": 1}}]}, "/components/0/bounds/below"),
    (
        {"components": [{"source": "a", "interval": {"half_width": 1, "confidence": 1}}]},
        "/components/0/interval/confidence",
    ),
    ({"components": [ONE | {"reliability": 2}]}, "/components/0/reliability"),
    ({"components": [ONE | {"reliability": "0.5", "dof": 3}]}, "/components/0/reliability"),
    ({"components": [ONE], "correlations": pairs(aa=1)}, "/correlations/0/between/1"),
    ({"components": [ONE], "correlations": pairs(ax=1)}, "/correlations/0/between/1"),
    ({"components": [ONE, ONE], "correlations": pairs(ab=1)}, "/correlations/0/between/0"),
    ({"components": ABC, "correlations": pairs(ab=1.5)}, "/correlations/0/r"),
    ({"components": ABC, "correlations": [*pairs(ab=0.1), *pairs(ba=0.2)]}, "/correlations/1/between"),
]


@pytest.mark.parametrize(("question", "pointer"), REFUSED)
def test_a_budget_that_cannot_be_is_refused_by_its_place(question: dict[str, Any], pointer: str) -> None:
    with pytest.raises(QuestionRefused) as refused:
        budget(**question)
    assert refused.value.faults[0].pointer == pointer


def test_rounded_coefficients_of_what_is_fully_correlated_are_taken() -> None:
    found = budget(components=ABC, correlations=pairs(ab=0.99, ac=0.99, bc=0.99))
    assert float(found.u) == pytest.approx(3, abs=0.02)


@pytest.mark.parametrize(
    ("question", "pointer"),
    [
        ({"x": [1, 2], "y": [1, 2]}, "/x"),
        ({"x": [1, 2, 3], "y": [1, 2]}, "/y"),
        ({"x": [1, 1, 1], "y": [1, 2, 3]}, "/x"),
        ({"x": [1, 2, "NaN"], "y": [1, 2, 3]}, "/x/2"),
        ({"x": [1, 2, None], "y": [1, 2, 3]}, "/x/2"),
        ({"x": [1, 2, 3], "y": [1, 2, 3], "control": {"points": [[1, 1]], "together": 1, "alpha": "1e-20"}},
         "/control/alpha"),
    ],
)  # fmt: skip
def test_a_line_that_cannot_be_is_refused_by_its_place(question: dict[str, Any], pointer: str) -> None:
    with pytest.raises(QuestionRefused) as refused:
        line(**question)
    assert refused.value.faults[0].pointer == pointer


def test_a_study_with_a_cell_that_is_missing_or_stands_twice_is_refused_by_its_name() -> None:
    cells = {(part, person): ["1", "2"] for part in "ab" for person in "xy"}
    with pytest.raises(QuestionRefused, match="part b, person y, trial 1 is missing"):
        study(cells | {("b", "y"): ["1"]})
    twice = [{"part": "a", "person": "x", "trial": 1, "value": "1"}] * 2
    with pytest.raises(QuestionRefused) as refused:
        evaluate_study(msgspec.json.decode(json.dumps({"measurements": twice}), type=StudyAsked))
    assert refused.value.faults[0].pointer == "/measurements/1"
    for too_few in ({("a", "x"): ["1", "2"]}, {("a", "x"): ["1"], ("b", "x"): ["1"]}):
        with pytest.raises(QuestionRefused, match="needs two"):
            study(too_few)


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [
        ({"process": {"mean": 1, "sd": -1}}, "/process/sd"),
        ({"process": {"mean": 1, "sd": None}}, "/process/sd"),
        ({"values": [1, 2]}, "/process"),
        ({"acceptance": {"lower": "0.8", "upper": "0.2"}}, "/acceptance/lower"),
        ({"acceptance": {}}, "/acceptance"),
        ({"lower": 3}, "/lower"),
        ({"u": -1}, "/u"),
        ({"rule": {"name": "iso_14253_1", "edition": "120170"}}, "/rule/edition"),
        ({"rule": {"name": "simple", "guard_factor": 2}}, "/rule/guard_factor"),
    ],
)
def test_a_risk_that_cannot_be_is_refused_by_its_place(changes: dict[str, Any], pointer: str) -> None:
    question: dict[str, Any] = {"process": {"mean": 1, "sd": "0.3"}, "u": "0.1", "lower": 0, "upper": 2}
    with pytest.raises(QuestionRefused) as refused:
        risk(**(question | changes))
    assert refused.value.faults[0].pointer == pointer


def test_the_process_can_be_estimated_from_what_it_made() -> None:
    found = risk(values=["11.39", "11.41", "11.40", "11.42", "11.38"], u="0.005", lower="11.35", upper="11.45")
    assert Decimal(found.process.mean) == Decimal("11.4")
    assert float(found.process.sd) == pytest.approx(0.0158114, abs=1e-7)
    assert "estimated" in found.method


def test_a_guard_band_trades_the_consumers_risk_for_the_producers() -> None:
    question: dict[str, Any] = {"process": {"mean": 1, "sd": "0.5"}, "u": "0.2", "lower": 0, "upper": 2}
    simple = risk(**question)
    guarded = risk(**question, rule={"name": "guarded", "guard_factor": "1.65"})
    assert float(guarded.consumer_risk) < float(simple.consumer_risk)
    assert float(guarded.producer_risk) > float(simple.producer_risk)
    everything = risk(**question, acceptance={"lower": -100, "upper": 100})
    assert float(everything.producer_risk) == 0
    assert float(everything.consumer_risk) == pytest.approx(1 - float(everything.conforming), abs=2e-9)
