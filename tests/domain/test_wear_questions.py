"""Questions on wear, life and springs that have no answer: each is refused by its place, and none answers a number."""

import json
from collections.abc import Callable
from typing import Any

import msgspec
import pytest

from service.domain.chart import ChartAsked, evaluate_chart
from service.domain.event.envelope import Unreadable, decode
from service.domain.growth import GrowthAsked, evaluate_growth
from service.domain.life import LifeAsked, evaluate_life
from service.domain.question import QuestionRefused
from service.domain.replacement import ReplacementAsked, evaluate_replacement
from service.domain.spring import SpringAsked, evaluate_spring
from service.domain.trend import TrendAsked, evaluate_trend

DOORS: dict[str, tuple[type, Callable[[Any], Any]]] = {
    "chart": (ChartAsked, evaluate_chart),
    "trend": (TrendAsked, evaluate_trend),
    "life": (LifeAsked, evaluate_life),
    "growth": (GrowthAsked, evaluate_growth),
    "replacement": (ReplacementAsked, evaluate_replacement),
    "spring": (SpringAsked, evaluate_spring),
}
CUSUM = {"target": 2, "k": "0.5", "h": 4}
DISC = {"De": 50, "Di": "25.4", "t": 3, "h0": "1.1", "s": "0.8", "E": 206_000, "nu": "0.3"}
COSTS = {"shape": 2, "scale": 100, "cost_planned": 1, "cost_failure": 5}


def ask(what: str, **question: Any) -> dict[str, Any]:
    """The answer of an evaluation, as it is written."""
    kind, evaluate = DOORS[what]
    answered: dict[str, Any] = json.loads(msgspec.json.encode(evaluate(_read(kind, question))))
    return answered


def _read(kind: type, question: dict[str, Any]) -> Any:
    return decode(msgspec.json.Decoder(kind), json.dumps(question).encode())


REFUSED: list[tuple[str, dict[str, Any], str]] = [
    ("chart", {"kind": "individuals", "x": [1]}, "/x"),
    ("chart", {"kind": "individuals", "x": []}, "/x"),
    ("chart", {"kind": "individuals", "x": [7, 7, 7]}, "/x"),
    ("chart", {"kind": "individuals", "x": [1, "NaN", 3]}, "/x/1"),
    ("chart", {"kind": "individuals", "x": [1, None, 3]}, "/x/1"),
    ("chart", {"kind": "individuals", "x": [1, "1e99", 3]}, "/x/1"),
    ("chart", {"kind": "individuals", "x": [1, 2], "parameters": {"sigma": 0}}, "/parameters/sigma"),
    ("chart", {"kind": "individuals", "x": [1, 2], "parameters": {"sigma": -1}}, "/parameters/sigma"),
    ("chart", {"kind": "individuals", "x": [1, 2], "parameters": {"lambda": "0.2"}}, "/parameters/lambda"),
    ("chart", {"kind": "individuals", "x": [1, 2], "parameters": {"restart": False}}, "/parameters/restart"),
    ("chart", {"kind": "individuals", "x": [1, 2], "parameters": {"shifts": [1, 21]}}, "/parameters/shifts/1"),
    ("chart", {"kind": "ewma", "x": [1, 2]}, "/parameters/lambda"),
    ("chart", {"kind": "ewma", "x": [1, 2], "parameters": {"lambda": "1.01"}}, "/parameters/lambda"),
    ("chart", {"kind": "ewma", "x": [1, 2], "parameters": {"lambda": 0}}, "/parameters/lambda"),
    ("chart", {"kind": "ewma", "x": [3, 3], "parameters": {"lambda": "0.2"}}, "/parameters/sigma"),
    ("chart", {"kind": "ewma", "x": [3], "parameters": {"lambda": "0.2"}}, "/parameters/sigma"),
    ("chart", {"kind": "cusum", "x": [1, 2], "parameters": CUSUM | {"target": None}}, "/parameters/target"),
    ("chart", {"kind": "cusum", "x": [1, 2], "parameters": CUSUM | {"k": None}}, "/parameters/k"),
    ("chart", {"kind": "cusum", "x": [1, 2], "parameters": CUSUM | {"k": -1}}, "/parameters/k"),
    ("chart", {"kind": "cusum", "x": [1, 2], "parameters": CUSUM | {"h": 0}}, "/parameters/h"),
    ("chart", {"kind": "cusum", "x": [2, 2], "parameters": CUSUM | {"k_and_h_in": "sigma"}}, "/parameters/sigma"),
    ("chart", {"kind": "cusum", "x": [1, 2], "parameters": CUSUM | {"D4": 3}}, "/parameters/D4"),
    ("chart", {"kind": "pareto", "x": [1, 2]}, "/kind"),
    ("chart", {"kind": "individuals", "x": [1] * 10_001}, "/x"),
    ("trend", {"y": [1, 2, 3]}, "/y"),
    ("trend", {"y": [5, 5, 5, 5]}, "/y"),
    ("trend", {"y": [1, 2, 3, 4], "x": [1, 1, 1, 1]}, "/x"),
    ("trend", {"y": [1, 2, 3, 4], "x": [1, 2, 3]}, "/x"),
    ("trend", {"y": [1, 2, 3, 4], "x": [1, 2, 3, "Infinity"]}, "/x/3"),
    ("trend", {"y": [1, 2, 3, 4], "confidence": 95}, "/confidence"),
    ("trend", {"y": [1, 2, 3, 4], "confidence": 1}, "/confidence"),
    ("trend", {"y": [1, 2, 3, 4], "limit": "soon"}, "/limit"),
    ("trend", {"y": list(range(2001))}, "/y"),
    ("life", {"failures": []}, "/failures"),
    ("life", {"failures": [], "censored": [10, 20, 30]}, "/failures"),
    ("life", {"failures": [10, 20], "censored": [30] * 50}, "/failures"),
    ("life", {"failures": [10, 10, 10]}, "/failures"),
    ("life", {"failures": [10, 10, 10], "censored": [3, 10]}, "/failures"),
    ("life", {"failures": [10, 10, 10], "censored": [30], "method": "rank_regression"}, "/failures"),
    ("life", {"failures": [10, 10.00001, 10.00002]}, "/failures"),
    ("life", {"failures": [10, -20, 30]}, "/failures/1"),
    ("life", {"failures": [10, 0, 30]}, "/failures/1"),
    ("life", {"failures": [10, 20, 30], "censored": [5, "NaN"]}, "/censored/1"),
    ("life", {"failures": [10, 20, 30], "censored": [0]}, "/censored/0"),
    ("life", {"failures": [10, 20, 30], "confidence": "0.4"}, "/confidence"),
    ("life", {"failures": [10, 20, 30], "at": [0]}, "/at/0"),
    ("life", {"failures": [10, 20, 30], "method": "guess"}, "/method"),
    ("life", {"failures": [1] * 10_001}, "/failures"),
    ("growth", {"times": [1, 2], "end": 5}, "/times"),
    ("growth", {"times": [1, 2, 3]}, "/end"),
    ("growth", {"times": [1, 3, 2], "end": 5}, "/times/2"),
    ("growth", {"times": [1, 3, 6], "end": 5}, "/times/2"),
    ("growth", {"times": [5, 5, 5], "end": 5}, "/times"),
    ("growth", {"times": [999_998, 999_998, 999_999], "end": 1_000_000}, "/times"),
    ("growth", {"times": [-1, 3, 4], "end": 5}, "/times/0"),
    ("growth", {"times": [1, 3, 4], "end": -5}, "/end"),
    ("growth", {"times": [1, 3, 4], "end": 5, "truncation": "failure"}, "/end"),
    ("growth", {"times": [1, 3, 4], "end": 5, "truncation": "tired"}, "/truncation"),
    ("replacement", COSTS | {"shape": 0}, "/shape"),
    ("replacement", COSTS | {"shape": 1001}, "/shape"),
    ("replacement", COSTS | {"scale": -1}, "/scale"),
    ("replacement", COSTS | {"cost_planned": 0}, "/cost_planned"),
    ("replacement", COSTS | {"cost_failure": "NaN"}, "/cost_failure"),
    ("replacement", {"shape": 2, "scale": 100, "cost_planned": 1}, "/cost_failure"),
    ("spring", DISC | {"Di": 50}, "/Di"),
    ("spring", DISC | {"Di": 0}, "/Di"),
    ("spring", DISC | {"s": "1.2"}, "/s"),
    ("spring", DISC | {"s": "-0.1"}, "/s"),
    ("spring", DISC | {"l0": "4.1"}, "/h0"),
    ("spring", DISC | {"h0": None}, "/h0"),
    ("spring", DISC | {"h0": None, "l0": 3}, "/l0"),
    ("spring", DISC | {"nu": "0.6"}, "/nu"),
    ("spring", DISC | {"E": None}, "/E"),
    ("spring", DISC | {"t_reduced": "2"}, "/t_reduced"),
    ("spring", DISC | {"stack": {"parallel": 0}}, "/stack/parallel"),
    ("spring", DISC | {"stack": {"parallel": 5, "w_M": "0.25"}}, "/stack"),
    ("spring", DISC | {"stack": {"w_R": 1}}, "/stack/w_R"),
]


@pytest.mark.parametrize(("what", "question", "pointer"), REFUSED)
def test_what_has_no_answer_is_refused_by_its_place(what: str, question: dict[str, Any], pointer: str) -> None:
    with pytest.raises((QuestionRefused, Unreadable)) as refused:
        ask(what, **question)
    assert [fault.pointer for fault in refused.value.faults] == [pointer]


def test_every_answer_names_its_method() -> None:
    answers = {
        "chart": ask("chart", kind="cusum", x=[1, 2, 3], parameters=CUSUM),
        "trend": ask("trend", y=[1, 2, 4, 3]),
        "life": ask("life", failures=[10, 20, 30]),
        "growth": ask("growth", times=[1, 3, 4], end=5),
        "replacement": ask("replacement", **COSTS),
        "spring": ask("spring", **DISC),
    }
    words = ("e-Handbook", "Mann-Kendall", "maximum likelihood", "MIL-HDBK-189", "Barlow and Proschan", "EN 16984")
    for (what, answer), word in zip(answers.items(), words, strict=True):
        assert word in answer["method"], what


def test_a_series_far_from_zero_loses_none_of_its_differences() -> None:
    near, far = (
        ask("trend", y=[f"{start}.{digits}" for digits in ("1", "3", "2", "4", "6")], limit=f"{start + 1}")
        for start in (1, 10**15)
    )
    for name in ("S", "z", "p", "slope", "slope_interval"):
        assert near[name] == far[name], name
    assert near["least_squares"]["s"] == far["least_squares"]["s"]
    assert near["limit"]["at"] == far["limit"]["at"]
    charts = [
        ask("chart", kind="individuals", x=[f"{start}.{digits}" for digits in ("1", "3", "2", "9")])
        for start in (1, 10**9)
    ]
    assert charts[0]["sigma"] == charts[1]["sigma"]
    assert charts[1]["centre"] == "1000000000.38"[: len(charts[1]["centre"])]


def test_numbers_may_be_written_as_texts_or_as_numbers() -> None:
    assert ask("trend", y=[1, 2.5, 2, 4]) == ask("trend", y=["1", "2.5", "2.0", "4"])
    assert ask("life", failures=[10, 20, 30.5], censored=[40]) == ask(
        "life", failures=["10", "2e1", "30.50"], censored=["40"]
    )


def test_what_was_seen_of_a_course_that_may_be_level_is_no_date() -> None:
    level = ask("trend", y=["18.1", "17.9", "18.2", "17.8", "18.0", "18.1", "17.9"], limit="14.4")["limit"]
    assert (level["way"], level["at"], level["robust_at"]) == ("not_told_from_level", None, None)
    assert float(level["not_before"]) > 7
    away = ask("trend", y=["16.0", "16.4", "16.9", "17.1", "17.6"], limit="14.4")["limit"]
    assert (away["way"], away["at"], away["not_before"]) == ("moves_away", None, None)
    seen = ask("trend", y=[1, 2, 3.1, 3.9, 5.2, 6], limit="3.5")["limit"]
    assert (seen["way"], seen["far_beyond"]) == ("within", False)
    assert seen["not_before"] is None


def test_few_failures_are_answered_with_a_caution() -> None:
    few, enough = ask("life", failures=[10, 20, 30]), ask("life", failures=[10 + each for each in range(10)])
    assert "cover less than they say" in few["caution"]
    assert enough["caution"] is None
    assert ask("life", failures=[10, 20, 30], method="rank_regression")["bounds"] is None
