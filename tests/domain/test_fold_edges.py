"""What happens at the very limit: deferrals that end as a recheck falls due, looks that time alone asks for, words."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from service.domain.fold import next_limit, next_look
from service.domain.gauge import CalibrationDueTooEarly, apply_gauge
from service.domain.health import Reason
from service.domain.recheck import Moment, advance
from service.domain.retry import retry_after
from service.domain.step import BaselineAhead, UntilPassed
from tests.domain.one_spindle import BED_IN, Spindle, accepted, day, recheck
from tests.domain.skerrow import CALIBRATION, fact, gauge, guarded

MONTHLY = recheck("look", "visual", "last_check", after_days=30, early_days=5, grace_days=5)
WITHHELD = recheck("look", "visual", "last_check", after_cycles=1_000, overdue="withhold")


def put_off(spindle: Spindle, code: str, **until: Any) -> None:
    spindle.tell("recheck.deferred", {"recheck": code, "reason": "no fitter", "approved_by": "r.t."} | until)


def test_put_off_until_the_very_time_at_which_it_falls_due_it_is_due_then() -> None:
    spindle = Spindle(MONTHLY)
    put_off(spindle, "look", until=day(30).isoformat())
    assert [spindle.is_("look", on=on) for on in (29.9, 30, 34.9, 35)] == ["open", "due", "due", "overdue"]


def test_put_off_until_the_very_count_at_which_it_falls_due_it_is_due_then() -> None:
    spindle = accepted(BED_IN)
    put_off(spindle, "bed-in", until_count=118_704)
    spindle.count(118_704)
    assert spindle.is_("bed-in") == "due"


def test_put_off_until_a_cycle_after_it_falls_due_it_is_put_off_when_it_does() -> None:
    spindle = accepted(BED_IN)
    put_off(spindle, "bed-in", until_count=118_705)
    spindle.count(118_704)
    assert spindle.is_("bed-in") == "deferred"
    spindle.count(118_705)
    assert spindle.is_("bed-in") == "overdue"


@pytest.mark.parametrize(("seen_on", "look_on"), [(1, 25), (25, 30), (30, 35), (35, None)])
def test_the_next_look_is_when_the_window_opens_then_when_due_then_when_overdue(
    seen_on: float, look_on: float | None
) -> None:
    spindle = Spindle(MONTHLY)
    look = next_look(spindle.state, spindle.see(on=seen_on))
    assert look == (None if look_on is None else day(look_on))


@pytest.mark.parametrize(("seen_on", "look_on"), [(31, 40), (40, None)])
def test_the_next_look_at_what_is_put_off_is_when_that_ends(seen_on: float, look_on: float | None) -> None:
    spindle = Spindle(MONTHLY)
    spindle.now = day(31)
    put_off(spindle, "look", until=day(40).isoformat())
    look = next_look(spindle.state, spindle.see(on=seen_on + 0.1))
    assert look == (None if look_on is None else day(look_on))


def test_used_while_an_overdue_recheck_withholds_it() -> None:
    spindle = Spindle(WITHHELD)
    spindle.measure()
    spindle.count(119_000)
    assert spindle.see().assessment.clearance == "withheld"
    assert [each.code for each in spindle.count(119_001).findings] == ["used_while_withheld"]
    spindle.tell("visual.checked", {})
    assert spindle.see().assessment.clearance == "cleared"
    assert spindle.count(119_002).findings == ()


def test_only_at_a_recheck_it_first_says_to_find_out_why_the_depth_moved() -> None:
    spindle = accepted(BED_IN)
    at_recheck = spindle.measure("11.50").instruction
    assert at_recheck is not None
    assert "find out why the depth moved" in (at_recheck.first or "")
    spindle.adjust()
    spindle.prepare()
    while_adjusting = spindle.measure("11.46").instruction
    assert while_adjusting is not None
    assert while_adjusting.first is None


def test_before_a_setting_was_ever_proven_there_is_no_recheck_to_wonder_about() -> None:
    first = Spindle().measure("11.50").instruction
    assert first is not None
    assert first.first is None


@pytest.mark.parametrize(
    ("reading", "words"),
    [
        (3, "read 3, lower than before, on 20"),
        (999_000, "read 999000, further than the time allows at 1 a second"),
        (10**6, "read 1000000, although it rolls over at 1000000"),
    ],
)
def test_the_counter_that_is_not_believed_is_told_with_what_it_read(reading: int, words: str) -> None:
    spindle = Spindle(counter={"start": 118_000, "modulus": 10**6})
    spindle.count(reading)
    told = [each.text for each in spindle.see().assessment.reasons if each.code.startswith("counter_")]
    assert len(told) == 1
    assert words in told[0]


def test_a_calibration_is_due_on_its_own_day_at_the_earliest() -> None:
    made = datetime(2026, 1, 5, 23, 59, tzinfo=UTC)
    same_day = CALIBRATION | {"due": "2026-01-05"}
    known = apply_gauge(gauge(calibration=None), "DG-03", fact("gauge.calibrated", same_day, 2, made))
    assert known.in_calibration(made)
    with pytest.raises(CalibrationDueTooEarly):
        apply_gauge(known, "DG-03", fact("gauge.calibrated", CALIBRATION | {"due": "2026-01-04"}, 3, made))


@pytest.mark.parametrize(
    ("header", "wait"),
    [("000010", timedelta(seconds=10)), ("0000010", timedelta(hours=24)), ("999999", timedelta(hours=24))],
)
def test_a_receiver_asks_for_a_pause_in_at_most_six_digits(header: str, wait: timedelta) -> None:
    assert retry_after(header, day(0)) == wait


def test_the_job_is_the_adjustment_whatever_was_torqued_before_and_after_it() -> None:
    spindle = Spindle()
    spindle.measure()
    spindle.torque()
    assert [(each.text.split(" and ")[0], each.entry) for each in not_accepted(spindle)] == [
        ("The nose was torqued", 3)
    ]
    spindle.adjust()
    spindle.torque()
    assert [(each.text.split(" and ")[0], each.entry) for each in not_accepted(spindle)] == [
        ("The nose was adjusted", 4)
    ]


def test_an_adjustment_within_a_rebuild_leaves_the_job_a_rebuild() -> None:
    spindle = Spindle()
    spindle.rebuild()
    spindle.adjust()
    assert [each.entry for each in not_accepted(spindle)] == [2]


def not_accepted(spindle: Spindle) -> list[Reason]:
    return [each for each in spindle.see().assessment.reasons if each.code == "not_accepted"]


ELSEWHERE = {"plant": "skerrow", "hall": "1", "machine": "H1-M02", "position": "2"}


def test_installed_elsewhere_without_a_removal_it_has_left_where_it_was() -> None:
    spindle = Spindle()
    spindle.tell("spindle.installed", ELSEWHERE, 2)
    assert [(each.machine, each.removed) for each in spindle.state.stays] == [("H2-M04", day(2)), ("H1-M02", None)]


def test_retired_from_the_store_it_left_its_place_when_it_was_removed() -> None:
    spindle = Spindle()
    spindle.tell("spindle.removed", {"to": "store"}, 2)
    spindle.tell("spindle.retired", {}, 5)
    assert [each.removed for each in spindle.state.stays] == [day(2)]
    assert (spindle.state.away_since, spindle.state.away_entry) == (day(2), 3)


def test_leave_that_ends_when_it_is_given_is_none() -> None:
    spindle = accepted(BED_IN)
    leave = {"reason": "roughing", "approved_by": "r.t.", "until": day(3).isoformat()}
    with pytest.raises(UntilPassed):
        spindle.tell("concession.granted", leave, 3)
    spindle.tell("concession.granted", leave, 2.999)


def test_a_baseline_may_be_of_the_very_time_of_the_commissioning() -> None:
    same = Spindle(MONTHLY, baseline={"rebuilt": {"time": day(0).isoformat()}})
    assert same.is_("look") == "waiting"
    with pytest.raises(BaselineAhead):
        Spindle(MONTHLY, baseline={"rebuilt": {"time": (day(0) + timedelta(microseconds=1)).isoformat()}})


def test_grace_in_cycles_begins_with_the_first_fact_after_time_alone_made_it_due() -> None:
    waiting = Spindle(MONTHLY | {"after_cycles": 90_000, "grace_cycles": 100}).episode("look")
    due = advance(waiting, Moment(time=day(31), count=118_400, sequence=None))
    assert (due.state, due.overdue_at_count) == ("due", None), "no count is known from its own time"
    begun = advance(due, Moment(time=day(32), count=118_450, sequence=7))
    assert begun.overdue_at_count == 118_550
    later = advance(begun, Moment(time=day(33), count=118_500, sequence=8))
    assert later.overdue_at_count == 118_550


def test_a_reading_is_not_plain_from_the_window_the_due_count_and_beyond_the_grace() -> None:
    spindle = accepted(BED_IN)
    limits = [next_limit(spindle.state)[0]]
    for reading in (118_654, 118_704, 118_955):
        spindle.count(reading)
        limits.append(next_limit(spindle.state)[0])
    assert limits == [118_654, 118_704, 118_955, None]


def test_a_reading_is_not_plain_from_the_count_at_which_a_deferral_ends() -> None:
    spindle = accepted(BED_IN)
    spindle.count(118_704)
    put_off(spindle, "bed-in", until_count=119_500)
    assert next_limit(spindle.state)[0] == 119_500


@pytest.mark.parametrize(("rebuilt", "clearance"), [(False, "restricted"), (True, "withheld")])
def test_a_draw_force_too_close_to_the_minimum_is_undecided(rebuilt: bool, clearance: str) -> None:
    spindle = Spindle(decision_rule=guarded())
    if rebuilt:
        spindle.rebuild()
    else:
        spindle.measure()
    spindle.pull("16.55")
    seen = spindle.see().assessment
    assert [each.text.split(" is ")[0] for each in seen.reasons if each.code == "undecided"] == ["Draw force"]
    assert (seen.health, seen.clearance) == ("function_check", clearance)
