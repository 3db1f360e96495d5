"""Work orders: one for each cause on a spindle, the same however it was derived, ended by what proves it."""

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec import structs

from service.domain.fold import replay
from service.domain.refusal import Refusal
from service.domain.spindle import SpindleState
from service.domain.step import Step
from service.domain.work_order import OPEN, WorkOrder, ended_orders, open_orders, proof_of, shown_state
from tests.domain.one_spindle import BED_IN, FORCE_QUARTERLY, START, Spindle, accepted, day, recheck
from tests.domain.skerrow import q

KIT = ["gripper segment", "spring sleeve", "o-ring", "nose"]


def orders(spindle: Spindle, on: float | None = None) -> list[WorkOrder]:
    seen = spindle.see(on)
    return list(open_orders(spindle.state, seen.rechecks, seen.now))


def only(spindle: Spindle, on: float | None = None) -> WorkOrder:
    (found,) = orders(spindle, on)
    return found


def ended(made: Step) -> WorkOrder:
    (found,) = ended_orders([made])
    return found


def history(spindle: Spindle) -> dict[str, WorkOrder]:
    """Every order of the whole history, folded anew."""
    steps = list(replay("H2-M04-S1", spindle.facts, spindle.known))
    seen = spindle.see()
    found = (*ended_orders(steps), *open_orders(steps[-1].state, seen.rechecks, seen.now))
    assert len({each.id for each in found}) == len(found)
    return {each.id: each for each in found}


def nonconforming() -> Spindle:
    spindle = accepted()
    spindle.measure("11.50")
    return spindle


def test_a_setting_out_of_limits_asks_for_what_the_instruction_says() -> None:
    order = only(nonconforming())
    assert (order.cause, order.reason, order.check) == ("setting", "setting_nonconforming", "setting")
    assert (order.health, order.priority, order.state) == ("out_of_specification", 2, "released")
    assert order.job.steps[0].startswith("Before adjusting, find out why the depth moved")
    assert "Then turn the nose 24 deg out, counterclockwise seen from the front." in order.job.steps
    assert [each.kind for each in order.job.tools] == ["depth", "torque"]
    assert order.job.tools[1].torque is not None
    assert (order.job.tools[1].torque.value, order.job.tools[1].torque.unit) == ("37", "N.m")
    assert order.job.parts == ()


def test_measuring_again_and_turning_make_no_second_order() -> None:
    spindle = nonconforming()
    first = only(spindle)
    spindle.adjust()
    assert only(spindle) == first, "what was done is no proof"
    spindle.prepare()
    assert only(spindle) == first
    spindle.measure("11.47")
    again = only(spindle)
    assert (again.id, again.opened) == (first.id, first.opened)
    assert again.entry == spindle.state.newest.sequence
    assert again.job.steps != first.job.steps, "what is to be done now"


def test_a_conforming_measurement_completes_it_and_the_next_fact_lets_it_go() -> None:
    spindle = nonconforming()
    first = only(spindle)
    spindle.adjust()
    spindle.prepare()
    done = ended(spindle.measure("11.40"))
    assert (done.id, done.state) == (first.id, "completed")
    assert done.ended is not None
    assert (done.ended.entry, done.ended.because) == (spindle.state.newest.sequence, "proven")
    assert orders(spindle) == []
    assert list(ended_orders([spindle.count(118_300)])) == []


@pytest.mark.parametrize("changes", [{"gauge": "NOBODY"}, {"draw_bar": "clamped"}, {"gauge_zeroed": False}])
def test_what_proves_nothing_completes_nothing(changes: dict[str, Any]) -> None:
    spindle = nonconforming()
    first = only(spindle)
    assert list(ended_orders([spindle.measure("11.40", **changes)])) == []
    assert only(spindle) == first


def test_a_rebuild_ends_no_cause_that_was_measured_until_it_is_proven() -> None:
    spindle = nonconforming()
    first = only(spindle)
    spindle.rebuild()
    assert only(spindle).id == first.id
    spindle.prepare()
    assert ended(spindle.measure()).id == first.id


def test_a_rebuild_supersedes_the_order_of_a_recheck_that_counts_since_the_acceptance() -> None:
    spindle = accepted(BED_IN)
    spindle.count(118_710)
    due = only(spindle)
    gone = ended(spindle.rebuild())
    assert (gone.id, gone.state) == (due.id, "cancelled")
    assert gone.ended is not None
    assert (gone.ended.because, gone.ended.entry) == ("superseded", spindle.state.newest.sequence)
    spindle.prepare()
    spindle.measure()
    spindle.count(119_300)
    assert only(spindle).id != due.id, "what follows is another episode's"


def test_a_recheck_opens_its_order_when_due_and_not_with_its_window() -> None:
    spindle = accepted(BED_IN | {"minutes": 20})
    spindle.count(118_660)
    assert (spindle.is_("bed-in"), orders(spindle)) == ("open", [])
    spindle.count(118_704)
    due = only(spindle)
    assert (due.cause, due.about, due.reason, due.priority) == ("recheck", "bed-in", "recheck_due", 4)
    assert (due.due_by, due.due_by_count, due.job.minutes) == (None, 118_954, 20)
    assert due.job.steps
    spindle.count(118_955)
    overdue = only(spindle)
    assert overdue == structs.replace(due, reason="recheck_overdue", text=overdue.text, priority=3)


def test_overdue_that_withholds_is_more_urgent() -> None:
    spindle = accepted(BED_IN | {"overdue": "withhold"})
    spindle.count(118_960)
    assert (only(spindle).reason, only(spindle).priority) == ("recheck_overdue", 2)


def test_days_make_it_due_and_overdue_without_a_fact() -> None:
    spindle = Spindle(FORCE_QUARTERLY)
    assert orders(spindle, 89.9) == []
    due = only(spindle, 90.1)
    assert (due.opened.time, due.due_by, due.entry) == (day(90), day(104), None)
    assert (only(spindle, 105).id, only(spindle, 105).priority) == (due.id, 3)


def test_without_grace_it_is_overdue_at_the_limit_itself() -> None:
    spindle = Spindle(recheck("look", "visual", "commissioning", after_days=30))
    found = only(spindle, 31)
    assert (found.reason, found.due_by) == ("recheck_overdue", day(30))


def test_a_recheck_that_was_put_off_is_held_until_then() -> None:
    spindle = accepted(BED_IN)
    spindle.count(118_710)
    due = only(spindle)
    off = {"recheck": "bed-in", "until_count": 119_500, "reason": "shift", "approved_by": "r.t."}
    spindle.tell("recheck.deferred", off)
    held = only(spindle)
    assert (held.id, held.state, held.due_by_count) == (due.id, "held", 119_500)


def test_checking_in_the_window_opens_and_completes_no_order() -> None:
    spindle = accepted(BED_IN)
    spindle.count(118_670)
    assert list(ended_orders([spindle.measure()])) == []
    assert orders(spindle) == []


def test_a_nonconforming_check_completes_the_recheck_and_opens_its_own() -> None:
    spindle = accepted(BED_IN)
    spindle.count(118_710)
    assert ended(spindle.measure("11.50")).cause == "recheck"
    assert only(spindle).cause == "setting"


def test_a_low_force_that_falls_further_is_the_same_order_with_another_priority() -> None:
    spindle = accepted()
    spindle.pull("18")
    low = only(spindle)
    assert (low.cause, low.reason, low.priority) == ("draw_force", "force_low", 4)
    assert [each.part for each in low.job.parts] == KIT
    spindle.pull("16")
    below = only(spindle)
    assert (below.id, below.reason, below.priority) == (low.id, "force_below_minimum", 1)
    spindle.pull("18")
    assert only(spindle).reason == "force_low", "low again is not put right"
    assert ended(spindle.pull("21")).id == low.id


def test_a_run_out_is_put_right_where_it_was_measured() -> None:
    spindle = accepted()
    spindle.run_out("9")
    order = only(spindle)
    assert (order.cause, order.about, order.priority) == ("run_out", "taper_bore at 0 mm", 2)
    assert ended(spindle.run_out("4", distance=q("0.000", "mm"))).id == order.id


def test_a_condition_that_makes_it_unusable_is_resolved() -> None:
    spindle = accepted()
    spindle.tell("condition.noted", {"component": "nose", "code": "cracked", "unusable": True})
    spindle.tell("condition.noted", {"component": "draw_bar", "code": "bent", "unusable": True})
    spindle.tell("condition.noted", {"component": "nose", "code": "scratch"})
    nose, bar = orders(spindle)
    assert (nose.about, bar.about, nose.priority, nose.check) == ("nose: cracked", "draw_bar: bent", 1, None)
    assert ([each.part for each in nose.job.parts], bar.job.parts) == (KIT, ())
    done = ended(spindle.tell("condition.resolved", {"component": "nose", "code": "cracked", "done": "new nose"}))
    assert (done.id, done.state) == (nose.id, "completed")
    gone = ended(spindle.tell("condition.noted", {"component": "draw_bar", "code": "bent", "unusable": False}))
    assert gone.ended is not None
    assert (gone.id, gone.state, gone.ended.because) == (bar.id, "cancelled", "no_longer_unusable")


def test_a_reading_outside_that_proves_nothing_asks_for_one_that_does() -> None:
    spindle = accepted()
    spindle.measure("11.60", gauge="NOBODY")
    warned = only(spindle)
    assert (warned.cause, warned.reason, warned.check) == ("repeat_check", "unproven_out", "setting")
    spindle.measure("11.61", gauge="NOBODY")
    assert only(spindle) == warned
    assert ended(spindle.measure("11.40")).id == warned.id


def test_the_end_of_a_spindle_and_another_sheet_take_orders_away() -> None:
    spindle = nonconforming()
    spindle.tell("condition.noted", {"component": "nose", "code": "cracked", "unusable": True})
    spindle.known.sheets["OTHER"] = structs.replace(spindle.known.sheets["SKERROW-A"], code="OTHER")
    gone = ended(spindle.tell("spindle.sheet_assigned", {"sheet": "OTHER"}))
    assert gone.ended is not None
    assert (gone.cause, gone.ended.because) == ("setting", "sheet_assigned")
    assert only(spindle).cause == "condition"
    gone = ended(spindle.tell("spindle.retired", {}))
    assert gone.ended is not None
    assert (gone.state, gone.ended.because, orders(spindle)) == ("cancelled", "retired", [])


def test_a_spindle_in_store_keeps_its_orders_without_a_place() -> None:
    spindle = nonconforming()
    spindle.tell("spindle.removed", {"to": "store"})
    order = only(spindle)
    assert (order.plant, order.machine, order.position) == ("skerrow", None, None)


def test_leave_to_run_outside_says_until_when() -> None:
    spindle = nonconforming()
    until = {"until": day(9).isoformat(), "until_count": 119_000, "reason": "no set", "approved_by": "r.t."}
    spindle.tell("concession.granted", until)
    assert (only(spindle).due_by, only(spindle).due_by_count) == (day(9), 119_000)
    assert only(spindle, 10).due_by is None, "it has lapsed"


def test_times_and_kits_are_told_where_the_sheet_states_them() -> None:
    spindle = accepted(work_minutes={"adjustment": 45, "rebuild": 120}, adjust={"by": "none"})
    spindle.measure("11.50")
    replaced = only(spindle)
    assert (replaced.job.minutes, [each.part for each in replaced.job.parts]) == (120, KIT)
    spindle = accepted(work_minutes={"adjustment": 45})
    spindle.measure("11.50")
    assert only(spindle).job.minutes == 45
    assert only(nonconforming()).job.minutes is None, "nothing is guessed"


def test_an_earlier_measurement_that_comes_late_makes_no_other_order() -> None:
    spindle = accepted()
    spindle.measure("11.50", on=5)
    order = only(spindle)
    late = {
        "readings": [{"angle": q(angle, "deg"), "depth": q("11.49", "mm")} for angle in ("0", "180")],
        "gauge": "DG-03",
        "gauge_zeroed": True,
        "draw_bar": "released",
    }
    spindle.tell_late("setting.measured", late, on=4)
    assert only(spindle).id == order.id
    assert only(spindle).opened.time == day(4)
    spindle.facts.sort(key=lambda each: (each.occurred, each.sequence))
    assert list(history(spindle)) == [order.id]


def test_a_cause_that_comes_back_is_another_order() -> None:
    spindle = nonconforming()
    first = only(spindle)
    spindle.adjust()
    spindle.prepare()
    spindle.measure()
    spindle.measure("11.50")
    assert only(spindle).id != first.id
    assert sorted(each.state for each in history(spindle).values()) == ["completed", "released"]


def test_the_ledger_ends_an_order_and_the_maintenance_system_says_how_far_it_is() -> None:
    assert shown_state("released", None) == "released"
    assert shown_state("held", "running") == "running"
    assert shown_state("released", "closed") == "closed"
    assert shown_state("completed", "running") == "completed"
    assert proof_of("released", closed=None, ended=None) == "awaited"
    assert proof_of("released", closed=START, ended=None) == "missing"
    assert proof_of("completed", closed=START, ended=day(1)) == "given_after_closing"
    assert proof_of("completed", closed=day(2), ended=day(1)) == "given"
    assert proof_of("cancelled", closed=START, ended=day(1)) == "not_needed"


HAPPENINGS: Any = st.lists(
    st.sampled_from(
        [
            *(("measure", depth) for depth in ("11.40", "11.50", "11.52")),
            *(("pull", force) for force in ("21", "18", "16")),
            *(("run_out", out) for out in ("4", "9")),
            *(("prepare", None), ("adjust", None), ("rebuild", None), ("count", 120), ("count", 600)),
            *(("note", "cracked"), ("note", "bent"), ("resolve", "cracked"), ("store", None), ("back", None)),
        ]
    ),
    max_size=14,
)


def happen(spindle: Spindle, what: str, how: Any) -> Step | None:
    if what == "count":
        return spindle.count(spindle.state.counter.reading + how)
    if what == "note":
        return spindle.tell("condition.noted", {"component": "nose", "code": how, "unusable": True})
    if what == "resolve":
        return spindle.tell("condition.resolved", {"component": "nose", "code": how, "done": "done"})
    if what == "store":
        return spindle.tell("spindle.removed", {"to": "store"})
    if what == "back":
        place = {"plant": "skerrow", "hall": "2", "machine": "H2-M04", "position": "1"}
        return spindle.tell("spindle.installed", place)
    made = getattr(spindle, what)
    done: Step | None = made() if how is None else made(how)
    return done


@settings(max_examples=60, deadline=None)
@given(HAPPENINGS)
def test_whatever_happens_there_is_one_order_for_each_cause_and_folding_at_once_gives_the_same(
    happenings: list[tuple[str, Any]],
) -> None:
    spindle = accepted(BED_IN)
    one_by_one: dict[str, WorkOrder] = {}
    seen: list[set[str]] = []
    for what, how in happenings:
        try:
            before = len(spindle.facts)
            happen(spindle, what, how)
        except Refusal:
            assert len(spindle.facts) == before
            continue
        steps = list(replay("H2-M04-S1", spindle.facts[before:], spindle.known, after=_state(spindle, before)))
        one_by_one |= {each.id: each for each in ended_orders(steps)}
        now = orders(spindle)
        assert len({(each.cause, each.about) for each in now}) == len(now)
        assert all(each.state in OPEN and each.job.steps for each in now)
        seen.append({each.id for each in now})
    one_by_one |= {each.id: each for each in orders(spindle)}
    assert history(spindle) == one_by_one
    ids = [name for gone, came in pairwise([set[str](), *seen]) for name in came - gone]
    assert len(ids) == len(set(ids)), "what has ended does not open again"


def _state(spindle: Spindle, facts: int) -> SpindleState:
    return list(replay("H2-M04-S1", spindle.facts[:facts], spindle.known))[-1].state
