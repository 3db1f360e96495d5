"""The table of health and clearance, row by row, each through facts that make it so."""

from collections.abc import Callable
from typing import Any

import pytest

from service.domain.health import WORST_FIRST, Assessment
from tests.domain.one_spindle import BED_IN, PLACE, Spindle, accepted, day
from tests.domain.skerrow import guarded

CLOSE_TO_THE_LIMIT = "11.449"
"""Within the limit, but nearer to it than the gauge's uncertainty allows a guarded rule."""


def unmeasured() -> Spindle:
    return Spindle()


def force(kilonewtons: str) -> Callable[[], Spindle]:
    def made() -> Spindle:
        spindle = accepted()
        spindle.pull(kilonewtons)
        return spindle

    return made


def unusable() -> Spindle:
    spindle = accepted()
    spindle.tell("condition.noted", {"component": "taper", "code": "cracked", "unusable": True})
    return spindle


def setting_out() -> Spindle:
    spindle = accepted()
    spindle.measure("11.50")
    return spindle


def conceded() -> Spindle:
    spindle = setting_out()
    spindle.tell(
        "concession.granted", {"until": day(5).isoformat(), "reason": "no set in stock", "approved_by": "r.t."}
    )
    return spindle


def run_out_out() -> Spindle:
    spindle = accepted()
    spindle.run_out("7")
    return spindle


def rebuilt() -> Spindle:
    spindle = accepted()
    spindle.rebuild()
    return spindle


def rebuilt_with_five_segments() -> Spindle:
    spindle = accepted()
    spindle.rebuild(segments_seated=5)
    return spindle


def undecided_after_rebuild() -> Spindle:
    spindle = Spindle(decision_rule=guarded())
    spindle.rebuild()
    spindle.prepare()
    spindle.measure(CLOSE_TO_THE_LIMIT)
    return spindle


def undecided_at_a_recheck() -> Spindle:
    spindle = accepted(BED_IN, decision_rule=guarded())
    spindle.count(118_704)
    spindle.measure(CLOSE_TO_THE_LIMIT)
    return spindle


def unproven_out() -> Spindle:
    spindle = accepted()
    spindle.measure("11.50", gauge_zeroed=False)
    return spindle


def unproven_force() -> Spindle:
    spindle = accepted()
    spindle.pull("10", draw_bar="released")
    return spindle


def unproven_run_out() -> Spindle:
    spindle = accepted()
    spindle.run_out("9", gauge="RG-99")
    return spindle


def bed_in_at(reading: int, **changes: Any) -> Callable[[], Spindle]:
    def made() -> Spindle:
        spindle = accepted(BED_IN | changes)
        spindle.count(reading)
        return spindle

    return made


def put_off() -> Spindle:
    spindle = bed_in_at(118_704)()
    deferral = {"recheck": "bed-in", "until_count": 119_500, "reason": "no gauge", "approved_by": "r.t."}
    spindle.tell("recheck.deferred", deferral)
    return spindle


def counted(reading: int) -> Callable[[], Spindle]:
    def made() -> Spindle:
        spindle = accepted()
        spindle.count(reading)
        return spindle

    return made


def unread_for_a_week() -> Spindle:
    spindle = accepted()
    spindle.tell("visual.checked", {}, 8)
    return spindle


ROWS: list[tuple[str, Callable[[], Spindle], str, str, str, int]] = [
    # sentence, what happened, reason, health, clearance, the entry that is the evidence
    ("a force below the minimum is a failure", force("16.49"), "force_below_minimum", "failure", "withheld", 7),
    ("an unusable condition is a failure", unusable, "unusable", "failure", "withheld", 7),
    ("a setting out of its limits", setting_out, "setting_nonconforming", "out_of_specification", "withheld", 7),
    ("the same under a concession", conceded, "setting_nonconforming", "out_of_specification", "restricted", 7),
    ("a run-out above its limit", run_out_out, "run_out_nonconforming", "out_of_specification", "restricted", 7),
    ("rebuilt and not yet accepted", rebuilt, "not_accepted", "function_check", "withheld", 7),
    ("a rebuild that lacks a part", rebuilt_with_five_segments, "rebuild_incomplete", "function_check", "withheld", 7),
    ("undecided after a rebuild", undecided_after_rebuild, "undecided", "function_check", "withheld", 5),
    ("never measured", unmeasured, "never_proven", "function_check", "restricted", 1),
    ("undecided at a recheck", undecided_at_a_recheck, "undecided", "function_check", "restricted", 8),
    ("a setting that proves nothing lay outside", unproven_out, "unproven_out", "function_check", "restricted", 7),
    ("a force that proves nothing lay outside", unproven_force, "unproven_out", "function_check", "restricted", 7),
    ("a run-out that proves nothing lay outside", unproven_run_out, "unproven_out", "function_check", "restricted", 7),
    ("a force below its warning", force("18.49"), "force_low", "maintenance_required", "cleared", 7),
    ("a recheck is due", bed_in_at(118_704), "recheck_due", "maintenance_required", "cleared", 7),
    ("a recheck is overdue", bed_in_at(118_955), "recheck_overdue", "maintenance_required", "restricted", 7),
    (
        "a recheck is overdue, which withholds",
        bed_in_at(118_955, overdue="withhold"),
        "recheck_overdue",
        "maintenance_required",
        "withheld",
        7,
    ),
    ("a recheck is put off", put_off, "recheck_deferred", "maintenance_required", "restricted", 8),
    ("the counter is lower than before", counted(118_000), "counter_backward", "maintenance_required", "restricted", 7),
    ("the counter leaps", counted(900_000), "counter_implausible", "maintenance_required", "restricted", 7),
]


@pytest.mark.parametrize(
    ("happened", "reason", "health", "clearance", "entry"), [row[1:] for row in ROWS], ids=[row[0] for row in ROWS]
)
def test_the_table(happened: Callable[[], Spindle], reason: str, health: str, clearance: str, entry: int) -> None:
    seen = happened().see().assessment
    (found,) = [each for each in seen.reasons if each.code == reason]
    assert (seen.health, seen.clearance, found.entry) == (health, clearance, entry)
    assert found.text.endswith(".")


def test_a_silent_counter_restricts() -> None:
    seen = unread_for_a_week().see().assessment
    assert [reason.code for reason in seen.reasons] == ["counter_silent"]
    assert (seen.health, seen.clearance) == ("maintenance_required", "restricted")


def test_nothing_against_it_is_normal_and_cleared() -> None:
    assert accepted(BED_IN).see().assessment == Assessment(health="normal", reasons=(), clearance="cleared")


@pytest.mark.parametrize("to", ["store", "repair"])
def test_out_of_its_machine_it_has_no_health_and_is_withheld(to: str) -> None:
    spindle = setting_out()
    spindle.tell("spindle.removed", {"to": to})
    spindle.rebuild()  # in the workshop: the removal stays the evidence
    seen = spindle.see().assessment
    assert (seen.health, seen.clearance) == (None, "withheld")
    assert [(reason.code, reason.entry) for reason in seen.reasons] == [(f"in_{to}", 8)]


@pytest.mark.parametrize(
    ("event_type", "data"), [("spindle.removed", {"to": "scrap"}), ("spindle.retired", {"reason": "worn out"})]
)
def test_retired_or_scrapped_it_has_no_health_and_is_withheld(event_type: str, data: dict[str, Any]) -> None:
    spindle = accepted()
    spindle.tell(event_type, data)
    seen = spindle.see().assessment
    assert (spindle.state.lifecycle, seen.health, seen.clearance) == ("retired", None, "withheld")
    assert [reason.entry for reason in seen.reasons] == [7]


def test_the_order_of_health_is_worst_first() -> None:
    order = ("failure", "out_of_specification", "function_check", "maintenance_required", "normal")
    assert order == WORST_FIRST


def test_the_worst_of_several_reasons_wins_and_all_are_named_worst_first() -> None:
    spindle = accepted(BED_IN)
    spindle.count(119_000)
    spindle.pull("18")
    spindle.run_out("7")
    seen = spindle.see().assessment
    assert (seen.health, seen.clearance) == ("out_of_specification", "restricted")
    assert [reason.code for reason in seen.reasons] == ["run_out_nonconforming", "recheck_overdue", "force_low"]
    spindle.pull("16")
    assert spindle.see().assessment.health == "failure"


def test_the_strictest_clearance_wins_though_its_health_is_not_the_worst() -> None:
    spindle = accepted(BED_IN | {"overdue": "withhold"})
    spindle.count(119_000)
    spindle.run_out("7")
    seen = spindle.see().assessment
    assert (seen.health, seen.clearance) == ("out_of_specification", "withheld")


def test_what_is_resolved_measured_again_or_explained_stands_no_longer() -> None:
    spindle = unusable()
    spindle.tell("condition.resolved", {"component": "taper", "code": "cracked", "done": "ground and measured"})
    spindle.pull("15")
    spindle.pull("20")
    spindle.run_out("9")
    spindle.run_out("5")
    spindle.measure("11.50", gauge_zeroed=False)
    spindle.measure()
    spindle.count(118_000)
    spindle.tell("counter.replaced", {"old_end": 118_204, "new_start": 118_000})
    assert spindle.reasons() == []


def test_a_condition_that_does_not_make_it_unusable_changes_no_health() -> None:
    spindle = accepted()
    spindle.tell("condition.noted", {"component": "taper", "code": "fretting"})
    assert spindle.see().assessment.health == "normal"


def test_a_recheck_that_days_made_due_has_its_anchor_as_evidence() -> None:
    spindle = accepted({"code": "look", "check": "visual", "since": "acceptance", "after_days": 3, "grace_days": 9})
    seen = spindle.see(on=5).assessment
    assert [(each.code, each.entry) for each in seen.reasons] == [("recheck_due", 6)]


def test_a_counter_that_nobody_pushes_is_never_silent() -> None:
    spindle = Spindle()
    spindle.accept()
    assert spindle.reasons(on=300) == []


def test_a_counter_is_silent_seven_days_after_it_was_read_and_not_in_store() -> None:
    spindle = accepted()
    assert spindle.reasons(on=7.99) == []
    assert spindle.reasons(on=8) == ["counter_silent"]
    assert spindle.see(on=9, newest=(118_300, day(3))).assessment.health == "normal"
    spindle.tell("spindle.removed", {"to": "store"}, 5)
    spindle.tell("spindle.installed", PLACE, 50)
    spindle.prepare()
    spindle.measure()
    assert spindle.reasons(on=56.99) == []
    assert spindle.reasons(on=57) == ["counter_silent"]


def test_a_spindle_type_without_a_setting_depth_is_not_asked_for_one() -> None:
    assert Spindle(setting_depth="not_applicable").reasons() == []


def test_a_rebuild_accepted_without_a_setting_leaves_the_setting_unproven() -> None:
    spindle = accepted(accept_with=["draw_force"])
    spindle.rebuild()
    spindle.pull()
    (reason,) = spindle.see().assessment.reasons
    assert (reason.code, reason.entry) == ("never_proven", 7)
