"""A decision asked with plain numbers, at the edge of what has an answer."""

import json
from typing import Any

import msgspec
import pytest

from service.domain.conformity import ConformityAsked, ConformityEvaluated, evaluate_conformity
from service.domain.question import QuestionRefused


def asked(**changes: Any) -> ConformityEvaluated:
    question = {"y": 1, "u": 0, "lower": 1, "upper": 1, "rule": {"name": "guarded", "guard_factor": 0}} | changes
    return evaluate_conformity(msgspec.json.decode(json.dumps(question), type=ConformityAsked))


def test_one_value_may_be_all_that_the_limits_leave_and_the_rule_may_guard_by_nothing() -> None:
    answer = asked()
    assert answer.acceptance is not None
    assert (answer.outcome, answer.acceptance.lower, answer.acceptance.upper) == ("conforming", "1", "1")
    assert asked(y=1.001).outcome == "nonconforming"


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [
        ({"lower": 1.001}, "/lower"),
        ({"u": -0.001}, "/u"),
        ({"rule": {"name": "guarded", "guard_factor": -0.001}}, "/rule/guard_factor"),
        ({"rule": {"name": "guarded"}}, "/rule/guard_factor"),
        ({"lower": None, "upper": None}, "/lower"),
    ],
)
def test_the_first_value_that_has_no_answer(changes: dict[str, Any], pointer: str) -> None:
    with pytest.raises(QuestionRefused) as refused:
        asked(**changes)
    assert refused.value.faults[0].pointer == pointer
