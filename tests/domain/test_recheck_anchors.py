"""Rechecks: from where they count, what supersedes them, and that days do not run in store."""

import pytest

from service.domain.refusal import Refusal
from tests.domain.one_spindle import BED_IN, FORCE_QUARTERLY, Spindle, accepted, day, recheck


def test_what_counts_since_acceptance_rebuild_adjustment_or_a_condition_does_not_open_before_it_happens() -> None:
    rules = [recheck(since, "setting", since, after_days=1) for since in ("acceptance", "rebuild", "adjustment")]
    spindle = Spindle(*rules, recheck("crash", "run_out", "condition", after_days=1, codes=["collision"]))
    assert spindle.see(on=500).rechecks == ()
    spindle.rebuild(on=1)
    assert spindle.running() == {"rebuild"}
    spindle.adjust()
    assert spindle.running() == {"rebuild", "adjustment"}
    spindle.prepare()
    spindle.measure()
    assert spindle.running() == {"rebuild", "adjustment", "acceptance"}
    spindle.tell("condition.noted", {"component": "spindle", "code": "noise"})
    assert "crash" not in spindle.running()
    spindle.tell("condition.noted", {"component": "spindle", "code": "collision"})
    assert "crash" in spindle.running()


def test_since_the_last_check_counts_from_commissioning_where_there_is_none() -> None:
    episode = Spindle(FORCE_QUARTERLY).episode("force-quarterly")
    assert (episode.due_at_count, episode.due_at) == (168_000, day(90))


def test_since_the_last_check_counts_from_the_baseline_where_one_is_stated() -> None:
    stated = {"last_draw_force": {"time": day(-30).isoformat(), "count": 110_000, "stated_by": "k.m."}}
    episode = Spindle(FORCE_QUARTERLY, baseline=stated).episode("force-quarterly")
    assert (episode.due_at_count, episode.due_at) == (160_000, day(60))


def test_a_baseline_may_make_a_recheck_due_at_commissioning() -> None:
    stated = {"last_draw_force": {"time": day(-95).isoformat()}}
    spindle = Spindle(FORCE_QUARTERLY, baseline=stated)
    assert spindle.is_("force-quarterly") == "due"
    assert spindle.episode("force-quarterly").due_at_count == 168_000


def test_since_the_rebuild_counts_from_a_rebuild_that_is_said_to_have_been_made() -> None:
    rule = recheck("after-rebuild", "visual", "rebuild", after_cycles=1_000, after_days=30)
    stated = {"rebuilt": {"time": day(-10).isoformat(), "count": 117_500, "stated_by": "r.t."}}
    episode = Spindle(rule, baseline=stated).episode("after-rebuild")
    assert (episode.due_at_count, episode.due_at, episode.state) == (118_500, day(20), "waiting")
    assert Spindle(rule, baseline=stated).reasons() == ["never_proven"]


def test_a_baseline_is_no_proof_and_lies_before_the_commissioning() -> None:
    stated = {"last_setting": {"time": day(-1).isoformat(), "count": 117_000}}
    assert Spindle(baseline=stated).reasons() == ["never_proven"]
    with pytest.raises(Refusal) as refused:
        Spindle(baseline={"last_setting": {"time": day(1).isoformat()}})
    assert refused.value.code == "baseline_ahead"


def test_a_check_before_the_window_counts_anew_what_counts_since_the_last_check() -> None:
    spindle = Spindle(FORCE_QUARTERLY)
    spindle.count(120_000, on=10)
    (closed,) = spindle.pull(on=20).closed
    assert closed.state == "superseded"
    episode = spindle.episode("force-quarterly")
    assert (episode.state, episode.due_at_count, episode.due_at) == ("waiting", 170_000, day(110))


def test_a_repeat_counts_from_the_satisfying_check_not_from_the_limit() -> None:
    spindle = Spindle(FORCE_QUARTERLY)
    spindle.count(150_000, on=95)
    made = spindle.pull(on=96)
    assert [(each.state, each.late) for each in made.closed] == [("satisfied", False)]
    episode = spindle.episode("force-quarterly")
    assert (episode.state, episode.due_at_count, episode.due_at) == ("waiting", 200_000, day(186))
    assert [each.episode for each in made.opened] == [episode.episode]


def test_a_rebuild_supersedes_what_counts_since_acceptance_rebuild_or_adjustment_and_leaves_the_force_running() -> None:
    since = ("acceptance", "rebuild", "adjustment")
    rules = [recheck(each, "setting", each, after_cycles=500) for each in since]
    spindle = Spindle(FORCE_QUARTERLY, *rules)
    spindle.rebuild(on=1)
    spindle.adjust()
    spindle.prepare()
    spindle.measure()
    running = spindle.episode("force-quarterly")
    made = spindle.rebuild(on=20)
    assert {each.code: each.state for each in made.closed} == dict.fromkeys(since, "superseded")
    assert spindle.running() == {"force-quarterly", "rebuild"}
    assert spindle.episode("force-quarterly") == running
    assert spindle.episode("rebuild").due_at_count == 118_500


def test_an_adjustment_supersedes_what_counts_since_acceptance_and_begins_what_counts_since_itself() -> None:
    spindle = accepted(BED_IN, FORCE_QUARTERLY, recheck("settle", "setting", "adjustment", after_cycles=100))
    made = spindle.adjust()
    assert [(each.code, each.state) for each in made.closed] == [("bed-in", "superseded")]
    assert spindle.running() == {"force-quarterly", "settle"}


def test_a_torque_leaves_the_bed_in_running_and_the_next_acceptance_begins_it_anew_once() -> None:
    spindle = accepted(BED_IN | {"repeat": True})
    spindle.count(118_704)
    spindle.torque(count=118_704)
    assert spindle.is_("bed-in") == "due"
    spindle.exercise()
    made = spindle.measure()
    assert [(each.code, each.state) for each in made.closed] == [("bed-in", "satisfied")]
    assert [(each.code, each.due_at_count) for each in made.opened] == [("bed-in", 119_204)]


def test_the_next_acceptance_supersedes_a_bed_in_that_waits() -> None:
    spindle = accepted(BED_IN)
    spindle.torque()
    spindle.exercise()
    made = spindle.measure()
    assert [(each.code, each.state) for each in made.closed] == [("bed-in", "superseded")]
    assert [each.code for each in spindle.state.rechecks] == ["bed-in"]


def test_a_condition_that_is_noted_twice_begins_one_recheck() -> None:
    spindle = Spindle(recheck("crash", "run_out", "condition", after_days=1, codes=["collision"]))
    noted = {"component": "spindle", "code": "collision"}
    assert len(spindle.tell("condition.noted", noted).opened) == 1
    assert spindle.tell("condition.noted", noted).opened == ()


# Store and repair


def test_days_do_not_run_in_store() -> None:
    spindle = Spindle(FORCE_QUARTERLY)
    spindle.tell("spindle.removed", {"to": "store"}, 30)
    assert spindle.is_("force-quarterly", on=400) == "waiting"
    spindle.tell("spindle.installed", dict.fromkeys(("plant", "hall", "machine", "position"), "x"), 130)
    assert spindle.episode("force-quarterly").due_at == day(190)
    assert [spindle.is_("force-quarterly", on=on) for on in (175, 176, 190, 204)] == [
        "waiting",
        "open",
        "due",
        "overdue",
    ]


def test_grace_in_days_does_not_run_in_store() -> None:
    spindle = Spindle(FORCE_QUARTERLY)
    spindle.tell("spindle.removed", {"to": "store"}, 95)
    assert spindle.is_("force-quarterly", on=400) == "due"
    spindle.tell("spindle.installed", dict.fromkeys(("plant", "hall", "machine", "position"), "x"), 395)
    assert [spindle.is_("force-quarterly", on=on) for on in (403.99, 404)] == ["due", "overdue"]


def test_what_begins_in_repair_waits_for_the_days_in_repair_that_are_left() -> None:
    spindle = Spindle(FORCE_QUARTERLY)
    spindle.tell("spindle.removed", {"to": "repair"}, 10)
    spindle.pull(on=40)
    spindle.tell("spindle.installed", dict.fromkeys(("plant", "hall", "machine", "position"), "x"), 45)
    assert spindle.episode("force-quarterly").due_at == day(40 + 90 + 5)


def test_a_retired_spindle_has_nothing_to_recheck() -> None:
    spindle = accepted(BED_IN, FORCE_QUARTERLY)
    made = spindle.tell("spindle.retired", {})
    assert {each.state for each in made.closed} == {"superseded"}
    assert spindle.running() == set()
