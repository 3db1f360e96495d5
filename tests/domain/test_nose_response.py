"""What turns of the nose teach: advice after turns that fell short, how sure it is, and what is told."""

from statistics import NormalDist
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.nose_response import LEAST_FACTOR, MOST_FACTOR, PRIOR_U, ObservedTurn, expected_response
from service.domain.quantity import ShownQuantity
from tests.domain.skerrow import THREAD, guarded, mm
from tests.domain.turning import LEAD, U_DIFFERENCE, as_float, begun, codes, finely, learned, told, turn

SHRUNK = (1 / 0.1**2 + 0.8 * (0.1 / U_DIFFERENCE) ** 2) / (1 / 0.1**2 + (0.1 / U_DIFFERENCE) ** 2)
"""f after one turn by 0.1 mm that achieved 0.8 of it: the mean of 1 with u 0.1 and 0.8 with the gauge's u, by 1/u2."""


def test_the_first_turn_is_the_thread_s_and_says_how_sure_it_is() -> None:
    first = told(begun().measure("11.50"))
    assert (first.turn, first.direction) == (ShownQuantity(value="24", unit="deg"), "out")
    assert first.response is not None
    assert (first.response.factor, first.response.u, first.response.learned_from) == ("1", "0.1", ())
    u = (U_DIFFERENCE**2 + (0.10 * 0.1) ** 2) ** 0.5
    interval = first.expected_interval
    assert interval is not None
    assert as_float(interval.lower) == pytest.approx(11.40 - 2 * u, abs=2e-9)
    assert as_float(interval.upper) == pytest.approx(11.40 + 2 * u, abs=2e-9)
    assert as_float(interval.u) == pytest.approx(u, rel=1e-5)
    expected = NormalDist(11.40, u)
    assert float(first.probability_one_turn_suffices or 2) == pytest.approx(
        expected.cdf(11.45) - expected.cdf(11.35), abs=1e-6
    )


def test_the_second_turn_uses_what_the_first_achieved() -> None:
    """24 deg should have moved 0.100 mm and moved 0.080: f is between the thread and that, weighted by 1/u2."""
    spindle = begun()
    spindle.measure("11.54")
    second = turn(spindle, "24", "out", "11.46")
    advice = told(second)
    assert advice.response is not None
    assert float(advice.response.factor) == pytest.approx(SHRUNK, rel=1e-5)
    assert float(advice.response.u) == pytest.approx((1 / 0.1**2 + (0.1 / U_DIFFERENCE) ** 2) ** -0.5, rel=1e-5)
    assert advice.response.learned_from == (6,)
    assert as_float(advice.turn) == pytest.approx(0.06 / 1.5 * 360 / SHRUNK, abs=0.05)
    assert advice.expected_depth == ShownQuantity(value="11.40", unit="mm")
    assert "by what the turn before did: 84 %" in advice.then[1]


def test_turns_that_achieve_what_the_thread_gives_leave_it_and_make_it_surer() -> None:
    spindle = begun()
    first = told(spindle.measure("11.60"))
    second = told(turn(spindle, "24", "out", "11.50"))
    assert (second.turn, second.response and second.response.factor) == (ShownQuantity(value="24", unit="deg"), "1")
    assert first.response is not None
    assert second.response is not None
    assert float(second.response.u) < float(first.response.u)


@pytest.mark.parametrize(
    ("thread", "direction", "achieved"),
    [
        (THREAD | {"turning_in": "reduces_depth"}, "in", "11.46"),
        (THREAD | {"hand": "left"}, "out", "11.46"),
        (THREAD | {"pitch": mm("0.75"), "starts": 2}, "out", "11.46"),
    ],
    ids=["turning in reduces the depth", "left hand", "two starts"],
)
def test_whatever_the_thread_the_turn_is_learned_from_by_its_lead(
    thread: dict[str, Any], direction: str, achieved: str
) -> None:
    spindle = begun(adjust=thread)
    assert told(spindle.measure("11.54")).direction == direction
    advice = told(turn(spindle, "24", direction, achieved))
    assert advice.response is not None
    assert float(advice.response.factor) == pytest.approx(SHRUNK, rel=1e-5)
    assert advice.direction == direction


def test_a_turn_known_poorly_stays_close_to_the_thread() -> None:
    """3 deg are 12.5 micrometres, hardly more than the gauge's doubt."""
    spindle = begun()
    spindle.measure("11.54")
    advice = told(turn(spindle, "3", "out", "11.535"))
    assert advice.response is not None
    assert float(advice.response.factor) == pytest.approx(
        1 - 0.6 * 0.01 / (0.01 + (U_DIFFERENCE / 0.0125) ** 2), abs=1e-5
    )


# What is told


def test_a_turn_that_achieved_too_little_is_told_with_figures_and_shown_with_the_measurement() -> None:
    spindle = begun()
    spindle.measure("11.60")
    step = turn(spindle, "36", "out", "11.51")
    assert codes(step) == ["nose_response"]
    text = step.findings[0].text
    assert "36 deg out (entry 6) should have changed the depth by -0.150 mm" in text
    assert "it changed by -0.090 mm: too little" in text
    assert spindle.state.setting is not None
    assert spindle.state.setting.verdict.findings == step.findings
    assert len(spindle.state.observed_turns) == 1


def test_a_turn_that_achieved_too_much_is_told() -> None:
    spindle = begun()
    spindle.measure("11.30")
    step = turn(spindle, "24", "in", "11.44")
    assert codes(step) == ["nose_response"]
    assert "by 0.100 mm" in step.findings[0].text
    assert "by 0.140 mm: too much" in step.findings[0].text


@pytest.mark.parametrize(
    ("after", "said"),
    [("11.70", "the other way"), ("11.60", "too little"), ("11.61", "the other way"), ("11.25", "too much")],
)
def test_a_turn_that_no_thread_makes_is_told_and_not_learned_from(after: str, said: str) -> None:
    spindle = begun()
    spindle.measure("11.60")
    step = turn(spindle, "24", "out", after)
    assert codes(step) == ["nose_response"]
    assert f": {said}." in step.findings[0].text
    assert "Nothing is learned" in step.findings[0].text
    assert spindle.state.observed_turns == ()
    assert told(step).response is not None
    assert told(step).response.factor == "1"  # type: ignore[union-attr]


def test_within_its_doubt_and_within_a_tenth_nothing_is_told() -> None:
    for before, degrees, after in (("11.60", "24", "11.519"), ("11.54", "2", "11.54"), ("12.40", "240", "11.49")):
        spindle = begun()
        spindle.measure(before)
        assert codes(turn(spindle, degrees, "out", after)) == []
        assert len(spindle.state.observed_turns) == 1


@pytest.mark.parametrize(
    ("after", "found"), [("11.520", []), ("11.525", ["nose_response"]), ("11.475", ["nose_response"])]
)
def test_it_is_told_from_twice_the_doubt_of_turn_and_gauge_together(after: str, found: list[str]) -> None:
    spindle = begun()
    spindle.measure("11.60")
    assert codes(turn(spindle, "24", "out", after)) == found


@pytest.mark.parametrize(("after", "found"), [("11.480", []), ("11.520", ["nose_response"])])
def test_a_nose_that_is_well_known_is_told_of_from_a_tenth_of_what_was_expected(after: str, found: list[str]) -> None:
    spindle = finely(begun())
    spindle.measure("13.400")
    assert codes(turn(spindle, "240", "out", "12.400")) == []
    assert codes(turn(spindle, "240", "out", after)) == found


@pytest.mark.parametrize(
    ("after", "learns"),
    [("13.451", 0), ("13.449", 1), ("10.401", 1), ("10.399", 0)],
    ids=["< half", "half", "twice", "> twice"],
)
def test_from_half_to_twice_what_the_thread_gives_a_turn_is_learned_from(after: str, learns: int) -> None:
    spindle = finely(begun())
    first, degrees = ("13.900", "216") if after.startswith("13") else ("12.400", "240")
    spindle.measure(first)
    assert codes(turn(spindle, degrees, "out", after)) == ["nose_response"]
    assert learned(spindle) == learns


def test_a_nose_that_always_falls_short_alike_is_told_of_once() -> None:
    spindle = begun()
    spindle.measure("11.80")
    assert codes(turn(spindle, "48", "out", "11.66")) == ["nose_response"]
    step = turn(spindle, "48", "out", "11.52")
    assert codes(step) == []
    interval, response = told(step).expected_interval, told(step).response
    assert interval is not None
    assert response is not None
    by_response = 0.12 * float(response.u) / float(response.factor)
    assert as_float(interval.u) == pytest.approx((U_DIFFERENCE**2 + by_response**2) ** 0.5, rel=1e-5)


# How far, and how sure


def test_what_one_turn_can_reach_is_measured_against_what_the_rule_accepts() -> None:
    simple = told(begun().measure("12.40")).probability_one_turn_suffices
    strict = told(begun(decision_rule=guarded("3")).measure("12.40")).probability_one_turn_suffices
    u = (U_DIFFERENCE**2 + 0.1**2) ** 0.5
    assert simple is not None
    assert strict is not None
    assert float(simple) == pytest.approx(2 * NormalDist(0, u).cdf(0.05) - 1, abs=1e-6)
    assert 0 < float(strict) < float(simple) < 1


def test_where_the_rule_can_accept_nothing_a_turn_helps_nobody() -> None:
    for rule in (guarded("20"), {"name": "ratio", "edition": "8:1", "ratio": "8"}):
        instruction = told(begun(decision_rule=rule).measure("11.44"))
        assert instruction.turn is None
        assert "better" in instruction.then[0] or "uncertainty is smaller" in instruction.then[0]


def test_where_guard_bands_leave_nothing_to_accept_no_turn_from_outside_suffices() -> None:
    outside = told(begun(decision_rule=guarded("20")).measure("11.60"))
    assert (outside.turn, outside.probability_one_turn_suffices) == (ShownQuantity(value="48", unit="deg"), "0.000000")


def test_no_advice_goes_beyond_five_turns_of_what_the_nose_does() -> None:
    spindle = begun()
    assert told(spindle.measure("18.50")).turn is not None
    finely(spindle).measure("11.80")
    assert codes(turn(spindle, "36", "out", "11.68")) == []
    assert told(spindle.measure("18.50")).turn is None


turns = st.builds(
    ObservedTurn,
    adjusted=st.integers(1, 50),
    per_turn_mm=st.decimals("-3", "5", places=3),
    u_mm=st.decimals("0.005", "3", places=3),
)


@settings(max_examples=80, deadline=None)
@given(observed=st.lists(turns, max_size=6).map(tuple), more=turns)
def test_each_turn_makes_it_surer_and_no_order_matters_and_no_advice_runs_away(
    observed: tuple[ObservedTurn, ...], more: ObservedTurn
) -> None:
    before, after = expected_response(observed, LEAD), expected_response((*observed, more), LEAD)
    assert after.u < before.u <= PRIOR_U
    assert LEAST_FACTOR <= after.factor <= MOST_FACTOR
    other = expected_response((more, *reversed(observed)), LEAD)
    assert float(other.factor) == pytest.approx(float(after.factor), rel=1e-15)


@settings(max_examples=40, deadline=None)
@given(real=st.floats(0.7, 1.4), start=st.floats(0.1, 0.5))
def test_whatever_the_nose_does_within_reason_it_is_soon_known_better_than_by_the_thread(
    real: float, start: float
) -> None:
    """A nose that always does `real` times what its thread gives is adjusted as told, from `start` above the target.

    Over 0.1 mm the gauge tells f with u = 0.05, so at most a fifth of the thread's error stays, and the readings' last
    digit.
    """
    spindle = begun()
    depth = 11.40 + start
    step = spindle.measure(f"{depth:.3f}")
    for _ in range(2):
        if step.instruction is None:
            break
        degrees = as_float(step.instruction.turn)
        moved = degrees / 360 * 1.5 * real * (1 if step.instruction.direction == "in" else -1)
        depth += moved
        step = turn(spindle, f"{degrees:.1f}", step.instruction.direction or "", f"{depth:.3f}")
    learned_factor = float(expected_response(spindle.state.observed_turns, LEAD).factor)
    assert abs(learned_factor - real) <= abs(1 - real) / 4 + 0.01
