"""The decision rules at their edges, and the law that doubt never makes a value conform."""

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.decision import Decision, RuleName, decide
from service.domain.uncertainty import Expanded, measurement_budget


def judged(value: str, rule: RuleName = "guarded", u: str | None = "0.01", divisor: int = 1) -> Decision:
    return decide(
        total=Decimal(value),
        divisor=divisor,
        u=None if u is None else Decimal(u),
        lower=Decimal("10.40"),
        upper=Decimal("10.60"),
        rule=rule,
        guard_factor=Decimal("2"),
    )


@pytest.mark.parametrize(
    ("value", "simple", "guarded"),
    [
        ("10.3799", "nonconforming", "nonconforming"),
        ("10.38", "nonconforming", "undecided"),
        ("10.3999", "nonconforming", "undecided"),
        ("10.40", "conforming", "undecided"),
        ("10.4199", "conforming", "undecided"),
        ("10.42", "conforming", "conforming"),
        ("10.50", "conforming", "conforming"),
        ("10.58", "conforming", "conforming"),
        ("10.5801", "conforming", "undecided"),
        ("10.60", "conforming", "undecided"),
        ("10.6001", "nonconforming", "undecided"),
        ("10.62", "nonconforming", "undecided"),
        ("10.6201", "nonconforming", "nonconforming"),
    ],
)
def test_both_rules_at_both_limits(value: str, simple: str, guarded: str) -> None:
    assert judged(value, "simple").outcome == simple
    assert judged(value).outcome == guarded
    assert judged(value).outside is (simple == "nonconforming")


def test_a_mean_that_does_not_end_is_judged_as_a_sum() -> None:
    assert judged("31.80", "simple", divisor=3).outcome == "conforming"
    assert judged("31.8000000000001", "simple", divisor=3).outcome == "nonconforming"


def test_acceptance_is_what_a_guarded_rule_leaves() -> None:
    found = judged("10.50").acceptance
    assert found is not None
    assert (found.lower, found.upper) == (Decimal("10.42"), Decimal("10.58"))
    assert judged("10.50", "simple").acceptance is None


def test_without_an_uncertainty_simple_stands_and_guarded_decides_nothing() -> None:
    assert (judged("10.50", "simple", None).outcome, judged("10.70", "simple", None).outcome) == (
        "conforming",
        "nonconforming",
    )
    assert {judged(value, u=None).outcome for value in ("10.50", "10.70")} == {"undecided"}
    assert judged("10.50", u=None).probability_of_conformity is None


def test_guard_bands_that_meet_leave_nothing_to_conform() -> None:
    assert {judged(value, u="0.2").outcome for value in ("10.40", "10.50", "10.60")} == {"undecided"}


@pytest.mark.parametrize(
    ("value", "u", "probability"),
    [
        ("10.50", "0", "1.000000"),
        ("10.60", "0", "1.000000"),
        ("10.61", "0", "0.000000"),
        ("10.60", "0.01", "0.500000"),
        ("10.40", "0.01", "0.500000"),
        ("10.50", "0.05", "0.954500"),
        ("10.30", "0.05", "0.022750"),
        ("10.70", "0.05", "0.022750"),
    ],
)
def test_probability_of_conformity(value: str, u: str, probability: str) -> None:
    """The normal distribution's 0.5, 0.9545 (within two) and 0.02275 (beyond two), JCGM 106:2012, A.3."""
    assert judged(value, u=u).probability_of_conformity == probability


LAW = settings(max_examples=100, deadline=None)
decimals = st.integers(-2000, 2000).map(lambda value: Decimal(value) / 1000)
doubts = st.integers(0, 2000).map(lambda value: Decimal(value) / 10000)


@LAW
@given(
    total=decimals,
    divisor=st.integers(1, 7),
    width=doubts,
    u=doubts,
    more=doubts,
    guard_factor=st.integers(0, 30).map(lambda value: Decimal(value) / 10),
)
def test_a_wider_uncertainty_never_turns_undecided_into_conforming(
    total: Decimal, divisor: int, width: Decimal, u: Decimal, more: Decimal, guard_factor: Decimal
) -> None:
    def outcome(doubt: Decimal | None) -> str:
        return decide(
            total=total, divisor=divisor, u=doubt, lower=-width, upper=width, rule="guarded", guard_factor=guard_factor
        ).outcome

    narrow, wide = outcome(u), outcome(u + more)
    assert wide in (narrow, "undecided")
    assert outcome(None) == "undecided"


@LAW
@given(u=doubts, more=doubts, n=st.integers(1, 9))
def test_every_term_that_is_stated_widens_a_budget(u: Decimal, more: Decimal, n: int) -> None:
    def budget_u(repeatability: Decimal, resolution: Decimal | None, master: Decimal | None) -> Decimal:
        return measurement_budget(
            repeatability=repeatability,
            resolution=resolution,
            weight_squares=1 / Decimal(n),
            calibration=None,
            correction_stated=True,
            master=None if master is None else Expanded(U=master, k=Decimal(2)),
        ).u

    least = budget_u(u, None, None)
    assert least <= budget_u(u + more, None, None)
    assert least <= budget_u(u, more, None) <= budget_u(u, more, more)
