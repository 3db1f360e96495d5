"""Rechecks: when they open, fall due and are overdue, what satisfies them, and what puts them off."""

from typing import Any

import pytest

from service.domain.announce import Seen, changes, standing
from service.domain.recheck import REPEAT_CHECK
from service.domain.step import RecheckUnknown, UntilPassed
from tests.domain.one_spindle import BED_IN, COUNTER, FORCE_QUARTERLY, Spindle, accepted, day, recheck

# When a recheck is satisfied


def test_a_check_in_the_early_window_satisfies_and_is_not_late() -> None:
    spindle = accepted(BED_IN)
    spindle.count(118_654)
    assert spindle.is_("bed-in") == "open"
    made = spindle.measure()
    (closed,) = made.closed
    assert (closed.code, closed.state, closed.late, closed.due) == ("bed-in", "satisfied", False, None)
    assert closed.closed == spindle.state.newest
    spindle.count(119_500)
    assert spindle.is_("bed-in") == "satisfied"


def test_a_check_when_due_satisfies_and_is_not_late() -> None:
    spindle = accepted(BED_IN)
    spindle.count(118_750)
    assert spindle.is_("bed-in") == "due"
    (closed,) = spindle.measure().closed
    assert (closed.state, closed.late) == ("satisfied", False)


def test_a_check_when_overdue_satisfies_late() -> None:
    spindle = accepted(BED_IN)
    spindle.count(119_000)
    assert spindle.is_("bed-in") == "overdue"
    (closed,) = spindle.measure().closed
    assert (closed.state, closed.late) == ("satisfied", True)
    assert spindle.see().assessment.health == "normal"


def test_a_recheck_that_nobody_makes_stays_overdue() -> None:
    spindle = accepted(BED_IN)
    spindle.count(119_000)
    spindle.count(150_000, on=60)
    assert spindle.is_("bed-in", on=3_000) == "overdue"
    assert spindle.running() == {"bed-in"}


def test_a_measurement_before_the_window_opens_closes_nothing() -> None:
    spindle = accepted(BED_IN)
    spindle.count(118_653)
    made = spindle.measure()
    assert made.verdict is not None
    assert made.verdict.outcome == "conforming"
    assert made.closed == ()
    assert spindle.is_("bed-in") == "waiting"
    spindle.count(118_704)
    assert spindle.is_("bed-in") == "due"


def test_a_nonconforming_check_satisfies_too_and_health_says_the_rest() -> None:
    spindle = accepted(BED_IN)
    spindle.count(118_704)
    (closed,) = spindle.measure("11.50").closed
    assert closed.state == "satisfied"
    assert spindle.reasons() == ["setting_nonconforming"]


def test_a_measurement_that_is_not_admissible_satisfies_nothing() -> None:
    spindle = accepted(BED_IN)
    spindle.count(118_704)
    assert spindle.measure(gauge_zeroed=False).closed == ()
    assert spindle.is_("bed-in") == "due"


def test_a_check_of_another_kind_satisfies_nothing() -> None:
    spindle = accepted(BED_IN, recheck("look", "visual", "acceptance", after_cycles=400))
    spindle.count(118_704)
    assert [each.code for each in spindle.tell("visual.checked", {}).closed] == ["look"]
    assert spindle.pull().closed == ()
    assert spindle.is_("bed-in") == "due"


def test_greasing_satisfies_grease_and_looking_satisfies_visual() -> None:
    spindle = Spindle(
        recheck("grease", "grease", "commissioning", after_days=30),
        recheck("look", "visual", "commissioning", after_days=30),
        recheck("wobble", "run_out", "commissioning", after_days=30),
    )
    assert [each.code for each in spindle.tell("clamping_set.greased", {}, 31).closed] == ["grease"]
    assert [each.code for each in spindle.tell("visual.checked", {}, 32).closed] == ["look"]
    assert [each.code for each in spindle.run_out(on=33).closed] == ["wobble"]


# When it falls due


def test_exactly_at_500_after_acceptance_not_at_499_and_again_after_a_new_rebuild() -> None:
    spindle = accepted(BED_IN)
    first = spindle.episode("bed-in")
    assert (first.state, first.anchor.count, first.due_at_count) == ("waiting", 118_204, 118_704)
    spindle.count(118_703)
    assert spindle.is_("bed-in") == "open"
    made = spindle.count(118_704)
    due = spindle.episode("bed-in")
    assert due.state == "due"
    assert due.due is not None
    assert (due.due.count, due.due.sequence, due.due.time) == (118_704, len(spindle.facts), spindle.now)
    assert [each.episode for each in made.opened] == [first.episode]
    spindle.measure()

    spindle.count(130_000, on=5)
    spindle.accept()
    second = spindle.episode("bed-in")
    assert second.episode != first.episode
    assert (second.state, second.due_at_count) == ("waiting", 130_500)
    spindle.count(130_499)
    assert spindle.is_("bed-in") == "open"
    spindle.count(130_500)
    assert spindle.is_("bed-in") == "due"


def test_500_cycles_are_500_cycles_across_a_roll_over_and_a_new_counter() -> None:
    spindle = Spindle(BED_IN, counter=COUNTER | {"start": 999_700})
    spindle.accept()
    assert spindle.episode("bed-in").due_at_count == 1_000_200
    spindle.count(999_990)
    spindle.count(50)  # 350 cycles after acceptance
    spindle.tell("counter.replaced", {"old_end": 60, "new_start": 7_000})  # 360
    spindle.count(7_139)
    assert spindle.state.counter.count == 1_000_199
    assert spindle.is_("bed-in") == "open"
    spindle.count(7_140)
    assert spindle.is_("bed-in") == "due"


def test_still_due_at_the_last_cycle_of_grace_and_overdue_beyond_it() -> None:
    spindle = Spindle(BED_IN)
    spindle.count(118_210, on=1)
    spindle.accept()
    for reading, state in (
        *((118_659, "waiting"), (118_660, "open"), (118_709, "open"), (118_710, "due")),
        *((118_960, "due"), (118_961, "overdue")),
    ):
        spindle.count(reading)
        assert (reading, spindle.is_("bed-in")) == (reading, state)
    overdue = spindle.episode("bed-in").overdue
    assert overdue is not None
    assert (overdue.count, overdue.sequence) == (118_961, len(spindle.facts))


def test_due_and_overdue_at_once_is_told_as_overdue_only() -> None:
    spindle = accepted(BED_IN)
    before = Seen(state=spindle.state, view=spindle.see())
    spindle.count(119_700)
    told = changes(before, Seen(state=spindle.state, view=spindle.see()))
    assert [notice.type for notice in told] == ["recheck.overdue"]


@pytest.mark.parametrize(
    ("reading", "on", "due_by"), [(168_000, 60, "count"), (140_000, 90, "days"), (168_000, 91, "days")]
)
def test_due_by_cycles_or_by_days_whichever_comes_first(reading: int, on: float, due_by: str) -> None:
    spindle = Spindle(FORCE_QUARTERLY)
    spindle.count(167_999 if due_by == "count" else 139_999, on=min(on - 1, 89))
    assert spindle.is_("force-quarterly") == "open"
    spindle.count(reading, on=on)
    due = spindle.episode("force-quarterly").due
    assert due is not None
    assert (due.time, due.sequence) == ((day(on), 3) if due_by == "count" else (day(90), None))


def test_days_need_no_fact_to_fall_due() -> None:
    spindle = Spindle(FORCE_QUARTERLY)
    states = [spindle.is_("force-quarterly", on=on) for on in (75.99, 76, 89.99, 90, 103.99, 104)]
    assert states == ["waiting", "open", "open", "due", "due", "overdue"]


@pytest.mark.parametrize(("reading", "on"), [(163_000, 20), (119_000, 76)])
def test_the_window_opens_early_by_cycles_or_by_days(reading: int, on: float) -> None:
    spindle = Spindle(FORCE_QUARTERLY)
    spindle.count(reading - 1, on=on - 0.5)
    assert spindle.is_("force-quarterly") == "waiting"
    spindle.count(reading, on=on)
    assert spindle.is_("force-quarterly") == "open"


def grace_of_ten(**stated: int) -> Spindle:
    """Due at 118 100 on day 10."""
    spindle = Spindle(recheck("look", "visual", "commissioning", after_cycles=100, **stated))
    spindle.count(118_100, on=10)
    return spindle


def test_overdue_by_either_grace() -> None:
    assert grace_of_ten(grace_cycles=10, grace_days=10).is_("look", on=19.99) == "due"
    assert grace_of_ten(grace_cycles=10, grace_days=10).is_("look", on=20) == "overdue"
    spindle = grace_of_ten(grace_cycles=10, grace_days=10)
    spindle.count(118_111)
    assert spindle.is_("look") == "overdue"


def test_where_one_grace_is_stated_only_that_one_runs() -> None:
    assert grace_of_ten(grace_cycles=10).is_("look", on=10_000) == "due"
    spindle = grace_of_ten(grace_days=10)
    spindle.count(900_000, on=19.9)
    assert spindle.is_("look") == "due"


def test_where_no_grace_is_stated_it_is_overdue_at_the_limit_itself() -> None:
    assert grace_of_ten().is_("look") == "overdue"
    spindle = Spindle(recheck("look", "visual", "commissioning", after_days=10))
    assert [spindle.is_("look", on=on) for on in (9.99, 10)] == ["waiting", "overdue"]


def test_grace_in_days_counts_from_the_reading_that_crossed() -> None:
    spindle = grace_of_ten(grace_days=10)
    assert spindle.episode("look").overdue_at == day(20)


def test_grace_in_cycles_counts_from_the_first_count_known_where_days_made_it_due() -> None:
    spindle = Spindle(recheck("look", "visual", "commissioning", after_days=10, grace_cycles=50))
    spindle.count(118_400, on=11)
    assert (spindle.is_("look"), spindle.episode("look").overdue_at_count) == ("due", 118_450)
    spindle.count(118_450)
    assert spindle.is_("look") == "due"
    spindle.count(118_451)
    assert spindle.is_("look") == "overdue"


# Deferral


def deferral(code: str = "bed-in", **until: Any) -> dict[str, Any]:
    return {"recheck": code, "reason": "no gauge", "approved_by": "r.t."} | until


def test_a_deferred_recheck_is_restricted_and_lapses_into_overdue() -> None:
    spindle = accepted(BED_IN)
    spindle.count(118_704)
    spindle.tell("recheck.deferred", deferral(until_count=119_500))
    assert spindle.is_("bed-in") == "deferred"
    assert spindle.see().assessment.clearance == "restricted"
    spindle.count(119_499)
    assert spindle.is_("bed-in") == "deferred"
    spindle.count(119_500)
    assert spindle.is_("bed-in") == "overdue"
    assert spindle.measure().closed[0].late


def test_a_deferral_until_a_time_lapses_by_itself() -> None:
    spindle = accepted(BED_IN)
    spindle.count(118_704, on=2)
    spindle.tell("recheck.deferred", deferral(until=day(9).isoformat()))
    assert [spindle.is_("bed-in", on=on) for on in (8.99, 9)] == ["deferred", "overdue"]


def test_what_is_put_off_before_it_is_due_is_deferred_once_due() -> None:
    spindle = accepted(BED_IN)
    spindle.tell("recheck.deferred", deferral(until_count=119_500))
    assert (spindle.is_("bed-in"), spindle.see().assessment.clearance) == ("waiting", "cleared")
    spindle.count(118_704)
    assert spindle.is_("bed-in") == "deferred"


def test_what_is_put_off_to_before_it_is_due_is_not_put_off() -> None:
    spindle = accepted(BED_IN)
    spindle.tell("recheck.deferred", deferral(until_count=118_400))
    spindle.count(118_704)
    assert spindle.is_("bed-in") == "due"


def test_a_deferred_recheck_is_satisfied_by_its_check() -> None:
    spindle = accepted(BED_IN)
    spindle.count(118_704)
    spindle.tell("recheck.deferred", deferral(until_count=119_500))
    assert [(each.state, each.late) for each in spindle.measure().closed] == [("satisfied", False)]


def test_what_was_overdue_before_it_was_put_off_is_satisfied_late() -> None:
    spindle = accepted(BED_IN)
    spindle.count(119_000)
    spindle.tell("recheck.deferred", deferral(until_count=119_500))
    assert spindle.is_("bed-in") == "deferred"
    assert spindle.measure().closed[0].late


def test_only_a_running_recheck_can_be_put_off() -> None:
    with pytest.raises(RecheckUnknown):
        accepted(BED_IN).tell("recheck.deferred", deferral("nothing-such", until_count=200_000))


@pytest.mark.parametrize("until", [{"until_count": 118_204}, {"until": day(1).isoformat()}])
def test_leave_is_given_for_what_is_to_come(until: dict[str, Any]) -> None:
    with pytest.raises(UntilPassed):
        accepted(BED_IN).tell("recheck.deferred", deferral(**until))
    with pytest.raises(UntilPassed):
        accepted().tell("concession.granted", {"reason": "no set", "approved_by": "r.t."} | until)


# Episodes


def test_an_episode_has_one_id_for_life_and_no_other_has_it() -> None:
    spindle = accepted(BED_IN, FORCE_QUARTERLY)
    ids = {each.code: each.episode for each in spindle.state.rechecks}
    spindle.count(118_704)
    spindle.count(119_000)
    assert {each.code: each.episode for each in spindle.state.rechecks} == ids
    spindle.accept(on=3)
    assert spindle.episode("force-quarterly").episode == ids["force-quarterly"]
    assert spindle.episode("bed-in").episode != ids["bed-in"]


def test_a_window_open_from_the_start_is_opened_by_the_anchor_itself() -> None:
    spindle = accepted(recheck("early", "setting", "acceptance", after_cycles=50, early_cycles=50))
    opened = spindle.episode("early").opened
    assert opened == spindle.state.newest
    later = spindle.see(on=30).rechecks[0].opened
    assert later == opened


def test_a_repeat_check_has_no_limit_and_only_a_check_closes_it() -> None:
    spindle = accepted(BED_IN)
    spindle.measure("11.50", gauge_zeroed=False)
    assert spindle.is_(REPEAT_CHECK, on=3_000) == "open"
    assert [notice.type for notice in standing(Seen(state=spindle.state, view=spindle.see()))] == ["recheck.opened"]
    assert [each.code for each in spindle.measure().closed] == [REPEAT_CHECK]
