"""Which turns of the nose teach nothing, and what makes what they taught forgotten."""

from decimal import Decimal
from typing import Any

import msgspec
import pytest

from service.domain.quantity import ShownQuantity
from tests.domain.skerrow import gauge, mm, q
from tests.domain.turning import U_DIFFERENCE, begun, codes, learned, told, turn


def test_turns_made_before_the_next_measurement_count_together() -> None:
    spindle = begun()
    spindle.measure("11.60")
    spindle.tell("nose.adjusted", {"turn": q("60", "deg"), "direction": "out"})
    spindle.prepare()
    spindle.measure("11.30", gauge_zeroed=False)
    assert codes(turn(spindle, "36", "in", "11.50")) == []
    (observed,) = spindle.state.observed_turns
    assert (observed.adjusted, observed.per_turn_mm) == (10, Decimal("1.5"))


def test_turns_that_cancel_teach_nothing() -> None:
    spindle = begun()
    spindle.measure("11.60")
    spindle.tell("nose.adjusted", {"turn": q("24", "deg"), "direction": "out"})
    assert codes(turn(spindle, "24", "in", "11.50")) == []
    assert learned(spindle) == 0


@pytest.mark.parametrize(
    ("event_type", "data"),
    [
        ("component.replaced", {"component": "o_ring"}),
        ("component.replaced", {"component": "disc_spring_stack"}),
        ("spindle.installed", {"plant": "skerrow", "hall": "2", "machine": "H2-M05", "position": "1"}),
    ],
)
def test_other_work_beside_the_turn_teaches_nothing_of_it_and_forgets_nothing(
    event_type: str, data: dict[str, Any]
) -> None:
    spindle = begun()
    spindle.measure("11.60")
    turn(spindle, "24", "out", "11.51")
    spindle.tell("nose.adjusted", {"turn": q("24", "deg"), "direction": "out"})
    spindle.tell(event_type, data)
    spindle.prepare()
    assert codes(spindle.measure("11.48")) == []
    assert learned(spindle) == 1


@pytest.mark.parametrize("component", ["nose", "draw_bar"])
def test_a_new_nose_or_draw_bar_turns_as_the_thread_says(component: str) -> None:
    spindle = begun()
    spindle.measure("11.60")
    turn(spindle, "24", "out", "11.51")
    spindle.tell("component.replaced", {"component": component})
    spindle.prepare()
    advice = told(spindle.measure("11.50"))
    assert advice.response is not None
    assert (advice.response.factor, advice.response.learned_from) == ("1", ())


def test_a_rebuild_forgets_what_the_old_nose_did() -> None:
    spindle = begun()
    spindle.measure("11.60")
    turn(spindle, "24", "out", "11.51")
    assert learned(spindle) == 1
    spindle.rebuild()
    assert learned(spindle) == 0


def test_another_sheet_is_another_thread() -> None:
    spindle = begun()
    spindle.measure("11.60")
    turn(spindle, "24", "out", "11.51")
    spindle.tell("spindle.sheet_assigned", {"sheet": "SKERROW-A"})
    assert learned(spindle) == 0


def test_cycles_and_days_between_the_settings_may_have_moved_the_depth_themselves() -> None:
    for counted, on, learns in ((118_050, None, 1), (118_051, None, 0), (118_050, 7.5, 0)):
        spindle = begun()
        spindle.measure("11.60")
        spindle.tell("nose.adjusted", {"turn": q("24", "deg"), "direction": "out"}, on)
        spindle.count(counted)
        spindle.prepare()
        spindle.measure("11.51")
        assert learned(spindle) == learns


def test_a_turn_without_a_setting_before_it_teaches_nothing() -> None:
    spindle = begun()
    spindle.measure("11.60", gauge_zeroed=False)
    turn(spindle, "24", "out", "11.51")
    assert learned(spindle) == 0


def test_shims_and_a_gauge_whose_repeatability_is_not_stated_teach_nothing() -> None:
    shimmed = begun()
    shimmed.measure("11.60")
    shimmed.tell("nose.adjusted", {"shim": {"out": mm("1.50"), "in": mm("1.60")}})
    shimmed.prepare()
    shimmed.measure("11.50")
    assert learned(shimmed) == 0
    unstated = begun()
    unstated.known.gauges["DG-03"] = gauge("repeatability")
    assert told(unstated.measure("11.60")).expected_interval is None
    advice = told(turn(unstated, "24", "out", "11.51"))
    assert learned(unstated) == 0
    assert (advice.turn, advice.probability_one_turn_suffices) == (ShownQuantity(value="26.4", unit="deg"), None)


def test_between_two_gauges_their_calibrations_count_as_well() -> None:
    one = begun()
    one.measure("11.60")
    turn(one, "24", "out", "11.51")
    two = begun()
    two.known.gauges["DG-04"] = msgspec.structs.replace(two.known.gauges["DG-03"], key="DG-04")
    two.measure("11.60")
    turn(two, "24", "out", "11.51", gauge="DG-04")
    with_one, with_two = (float(spindle.state.observed_turns[0].u_mm) for spindle in (one, two))
    assert with_one == pytest.approx(U_DIFFERENCE * 15, rel=1e-9)
    assert with_two == pytest.approx((U_DIFFERENCE**2 + 2 * 0.003**2) ** 0.5 * 15, rel=1e-9)
