"""Measured again: when it is a second look for a better reading, and what counts as something done in between."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from service.domain.gauge import apply_gauge
from service.domain.step import Step
from tests.domain.one_spindle import LONG_CALIBRATED, Spindle, accepted, day
from tests.domain.skerrow import fact, guarded, mm, q

AGAIN = ["remeasured_unchanged"]


def codes(step: Step) -> list[str]:
    return [finding.code for finding in step.findings]


@pytest.mark.parametrize(("first", "outcome"), [("11.46", "nonconforming"), ("11.449", "undecided")])
def test_after_a_setting_that_does_not_conform_both_values_are_told(first: str, outcome: str) -> None:
    spindle = accepted(decision_rule=guarded("1"))
    spindle.measure(first)
    again = spindle.measure("11.44")
    assert again.findings[0].text == (
        f"Nothing was done since the measurement of entry 7: {first} mm, {outcome}. This one: 11.44 mm, conforming."
    )
    assert again.verdict is not None
    assert again.verdict.findings == again.findings
    assert spindle.state.last_setting is not None
    assert spindle.state.last_setting.verdict.findings == again.findings


def test_a_handful_of_cycles_puts_nothing_right_and_makes_a_check_of_what_conformed() -> None:
    for first, counted, found in (("11.46", 50, AGAIN), ("11.46", 51, []), ("11.44", 0, AGAIN), ("11.44", 1, [])):
        spindle = accepted()
        spindle.measure(first)
        assert codes(spindle.measure("11.43", count=118_204 + counted)) == found


def test_what_was_not_admissible_is_to_be_made_again_and_hides_no_second_look() -> None:
    fresh = Spindle()
    fresh.measure("11.46", gauge_zeroed=False)
    assert codes(fresh.measure("11.44")) == []
    spindle = accepted()
    spindle.measure("11.46")
    inadmissible = spindle.measure("11.45", gauge_zeroed=False)
    assert codes(inadmissible) == []
    assert "entry 7: 11.46 mm" in spindle.measure("11.44").findings[0].text


DONE: list[tuple[str, dict[str, Any]]] = [
    ("clamp.exercised", {"cycles": 1}),
    ("clamping_set.greased", {}),
    ("component.replaced", {"component": "o_ring"}),
    ("nose.torqued", {"torque": q("37", "N.m"), "how": "set"}),
    ("condition.resolved", {"component": "taper", "code": "swarf", "done": "cleaned"}),
]
NOTHING: list[tuple[str, dict[str, Any]]] = [
    ("visual.checked", {}),
    ("counter.read", {"count": 118_204}),
    ("condition.noted", {"component": "cone", "code": "dull"}),
]
LOOKS: list[Callable[[Spindle, str], Step]] = [
    lambda spindle, when: spindle.pull({"before": "16", "after": "17"}[when]),
    lambda spindle, when: spindle.run_out({"before": "7", "after": "6"}[when]),
]


@pytest.mark.parametrize(("event_type", "data"), DONE, ids=[event_type for event_type, _ in DONE])
@pytest.mark.parametrize("look", LOOKS, ids=["draw force", "run-out"])
def test_something_done_in_between_makes_it_no_second_look(
    look: Callable[[Spindle, str], Step], event_type: str, data: dict[str, Any]
) -> None:
    spindle = accepted()
    spindle.tell("condition.noted", {"component": "taper", "code": "swarf"})
    look(spindle, "before")
    assert codes(look(spindle, "after")) == AGAIN
    spindle.tell(event_type, data)
    assert codes(look(spindle, "after")) == []


@pytest.mark.parametrize(("event_type", "data"), NOTHING, ids=[event_type for event_type, _ in NOTHING])
@pytest.mark.parametrize("look", LOOKS, ids=["draw force", "run-out"])
def test_looking_counting_and_noting_change_nothing(
    look: Callable[[Spindle, str], Step], event_type: str, data: dict[str, Any]
) -> None:
    spindle = accepted()
    look(spindle, "before")
    spindle.tell(event_type, data)
    assert codes(look(spindle, "after")) == AGAIN


def test_a_run_out_elsewhere_is_no_second_look() -> None:
    limits = [{"place": "taper_bore", "distance": mm(at), "limit": q("6", "um")} for at in ("0", "300")]
    spindle = accepted(run_out=limits)
    spindle.run_out("7")
    assert codes(spindle.run_out("5", distance=mm("300"))) == []
    assert codes(spindle.run_out("5", distance=mm("0.000"))) == AGAIN


def test_a_force_is_told_in_newtons_with_both_values() -> None:
    spindle = accepted()
    spindle.pull("16")
    text = spindle.pull("17").findings[0].text
    assert text.endswith("entry 7: 16000 N, nonconforming. This one: 17000 N, conforming.")


def test_after_a_gauge_was_found_out_measuring_again_is_what_is_asked_for() -> None:
    spindle = accepted()
    spindle.measure("11.44")
    certificate = LONG_CALIBRATED | {"as_found": mm("-0.02")}
    found_out = fact("gauge.calibrated", certificate, 3, spindle.now + timedelta(minutes=1))
    spindle.known.gauges["DG-03"] = apply_gauge(spindle.known.gauges["DG-03"], "DG-03", found_out)
    spindle.now += timedelta(minutes=2)
    steps = spindle.tell_late("counter.read", {"count": 118_210}, (spindle.now - day(0)) / timedelta(days=1))
    assert steps[-1].state.setting is not None
    assert steps[-1].state.setting.verdict.outcome == "undecided"
    assert codes(spindle.measure("11.43")) == []
    assert codes(spindle.measure("11.43")) == AGAIN
