"""Acceptance: what ends a proof, what it takes to be accepted again, and what proves nothing."""

from collections.abc import Callable

import pytest

from service.domain.counter import SILENT_AFTER_LEAST
from service.domain.fold import next_look
from service.domain.recheck import REPEAT_CHECK
from tests.domain.one_spindle import BED_IN, COUNTER, FORCE_QUARTERLY, PLACE, Spindle, accepted, day
from tests.domain.skerrow import mm, q


def proven() -> Spindle:
    """Accepted, with a force and a run-out that conform beside the setting."""
    spindle = accepted(BED_IN, FORCE_QUARTERLY)
    spindle.pull()
    spindle.run_out()
    return spindle


def outcome(spindle: Spindle, **changes: object) -> tuple[str, tuple[str, ...]]:
    """Of a conforming depth, measured now."""
    verdict = spindle.measure(**changes).verdict  # type: ignore[arg-type]
    assert verdict is not None
    return verdict.outcome, verdict.reasons


# What ends a proof


def test_a_rebuild_ends_every_earlier_proof() -> None:
    spindle = proven()
    spindle.rebuild()
    state = spindle.state
    assert (state.setting, state.force, state.run_outs) == (None, None, ())
    assert spindle.reasons() == ["not_accepted"]
    assert state.last_setting is not None
    assert state.proven["setting"] == state.last_setting.at


END_THE_SETTING: dict[str, Callable[[Spindle], object]] = {
    "an adjustment": lambda spindle: spindle.adjust(),
    "a torque": lambda spindle: spindle.torque(),
    "a replaced component": lambda spindle: spindle.tell("component.replaced", {"component": "disc_spring_stack"}),
    "a reinstallation": lambda spindle: spindle.tell("spindle.installed", PLACE | {"machine": "H2-M05"}),
}


@pytest.mark.parametrize("work", END_THE_SETTING.values(), ids=END_THE_SETTING)
def test_work_ends_the_proof_of_the_setting_only(work: Callable[[Spindle], object]) -> None:
    spindle = proven()
    force, run_outs = spindle.state.force, spindle.state.run_outs
    work(spindle)
    assert spindle.state.setting is None
    assert (spindle.state.force, spindle.state.run_outs) == (force, run_outs)
    (reason,) = spindle.see().assessment.reasons
    assert (reason.code, reason.entry) == ("not_accepted", len(spindle.facts))
    assert spindle.see().assessment.clearance == "withheld"
    spindle.prepare()
    spindle.measure()
    assert spindle.reasons() == []


def test_an_adjustment_ends_a_nonconforming_setting_too() -> None:
    spindle = accepted()
    spindle.measure("11.50")
    spindle.adjust()
    assert spindle.reasons() == ["not_accepted"]


def test_running_in_and_looking_end_nothing() -> None:
    spindle = proven()
    setting = spindle.state.setting
    spindle.exercise()
    spindle.tell("visual.checked", {})
    spindle.tell("clamping_set.greased", {})
    assert spindle.state.setting == setting
    assert spindle.reasons() == []


def test_another_sheet_ends_every_proof() -> None:
    spindle = proven()
    spindle.tell("spindle.sheet_assigned", {"sheet": "SKERROW-A"})
    assert spindle.reasons() == ["never_proven"]


# What accepts


def test_it_is_accepted_by_a_conforming_setting_and_not_before() -> None:
    spindle = Spindle(BED_IN)
    spindle.rebuild()
    spindle.prepare()
    spindle.measure("11.50")
    assert spindle.reasons() == ["setting_nonconforming", "not_accepted"]
    assert spindle.running() == set()
    spindle.adjust()
    spindle.prepare()
    made = spindle.measure()
    assert spindle.reasons() == []
    assert [each.code for each in made.opened] == ["bed-in"]
    assert spindle.state.accepted == spindle.state.newest


@pytest.mark.parametrize("last", ["setting", "draw_force", "run_out"])
def test_it_is_accepted_when_the_last_of_what_the_sheet_asks_conforms(last: str) -> None:
    spindle = Spindle(BED_IN, accept_with=["setting", "draw_force", "run_out"])
    spindle.rebuild()
    spindle.prepare()
    checks = {"setting": spindle.measure, "draw_force": spindle.pull, "run_out": spindle.run_out}
    for check, make in checks.items():
        if check != last:
            make()
            assert spindle.reasons() == ["not_accepted"]
    assert [each.code for each in checks[last]().opened] == ["bed-in"]
    assert spindle.state.accepted == spindle.state.newest


def test_a_force_that_does_not_conform_keeps_the_job_open() -> None:
    spindle = Spindle(accept_with=["setting", "draw_force"])
    spindle.rebuild()
    spindle.prepare()
    spindle.measure()
    spindle.pull("16")
    assert spindle.reasons() == ["force_below_minimum", "not_accepted"]
    spindle.pull("20")
    assert spindle.reasons() == []


def test_a_run_out_is_asked_for_at_every_place_and_distance_of_the_sheet() -> None:
    near, far = mm("0"), mm("300")
    limits = [{"place": "taper_bore", "distance": each, "limit": q("6", "um")} for each in (near, far)]
    spindle = Spindle(run_out=limits, accept_with=["setting", "run_out"])
    spindle.rebuild()
    spindle.prepare()
    spindle.measure()
    spindle.run_out(distance=near)
    assert spindle.reasons() == ["not_accepted"]
    spindle.run_out(distance=far)
    assert spindle.reasons() == []


def test_an_adjustment_after_acceptance_needs_only_the_setting_again() -> None:
    spindle = Spindle(accept_with=["setting", "draw_force"])
    spindle.rebuild()
    spindle.prepare()
    spindle.measure()
    spindle.pull()
    spindle.adjust()
    spindle.prepare()
    spindle.measure()
    assert spindle.reasons() == []


def test_an_adjustment_within_a_rebuild_leaves_the_rebuild_to_be_accepted() -> None:
    spindle = Spindle(accept_with=["setting", "draw_force"])
    spindle.rebuild()
    spindle.adjust()
    spindle.prepare()
    spindle.measure()
    (reason,) = spindle.see().assessment.reasons
    assert (reason.code, reason.entry) == ("not_accepted", 2)


# What proves nothing


def test_a_measurement_that_is_not_admissible_never_clears_closes_or_accepts() -> None:
    spindle = Spindle(BED_IN)
    spindle.rebuild()
    spindle.torque()
    made = spindle.measure()
    assert made.verdict is not None
    assert made.verdict.outcome == "not_admissible"
    assert (made.opened, made.closed, spindle.state.setting, spindle.state.proven) == ((), (), None, {})
    assert spindle.reasons() == ["not_accepted"]


def test_it_does_not_take_the_place_of_what_stands() -> None:
    spindle = accepted()
    spindle.measure("11.50")
    spindle.measure("11.40", gauge_zeroed=False)
    assert spindle.reasons() == ["setting_nonconforming"]


def test_within_the_limits_it_warns_of_nothing() -> None:
    spindle = accepted(BED_IN)
    assert spindle.measure(gauge_zeroed=False).opened == ()
    assert spindle.reasons() == []


def test_outside_the_limits_it_warns_and_a_repeat_check_opens_once() -> None:
    spindle = accepted(BED_IN)
    made = spindle.measure("11.50", gauge_zeroed=False)
    assert [(each.code, each.check, each.state) for each in made.opened] == [(REPEAT_CHECK, "setting", "open")]
    assert made.instruction is not None
    assert made.instruction.turn is None
    seen = spindle.see().assessment
    assert [reason.code for reason in seen.reasons] == ["unproven_out"]
    assert (seen.health, seen.clearance) == ("function_check", "restricted")
    assert spindle.measure("11.30", gauge="DG-99").opened == ()


def test_each_kind_of_measurement_has_a_repeat_check_of_its_own() -> None:
    spindle = accepted()
    spindle.measure("11.50", gauge_zeroed=False)
    assert [each.check for each in spindle.pull("10", gauge_zeroed=False).opened] == ["draw_force"]
    spindle.measure()
    assert spindle.reasons() == ["unproven_out"]
    assert [each.check for each in spindle.pull("20").closed] == ["draw_force"]
    assert spindle.reasons() == []


# Torque and running in


@pytest.mark.parametrize(
    ("exercised", "readings", "admissible"),
    [
        (2, (), False),
        (3, (), True),
        (0, (118_003,), False),
        (0, (118_003, 118_005), False),
        (0, (118_003, 118_006), True),
        (1, (118_003, 118_005), False),
        (2, (118_003, 118_006), True),
    ],
)
def test_run_in_is_the_larger_of_the_cycles_exercised_and_the_rise_between_two_readings(
    exercised: int, readings: tuple[int, ...], admissible: bool
) -> None:
    spindle = Spindle()
    spindle.rebuild()
    spindle.torque()
    if exercised:
        spindle.exercise(exercised)
    for reading in readings:
        spindle.count(reading)
    assert outcome(spindle) == (("conforming", ()) if admissible else ("not_admissible", ("not_run_in",)))


def test_the_counter_read_at_the_torque_and_at_the_measurement_are_two_readings() -> None:
    spindle = Spindle()
    spindle.rebuild()
    spindle.torque(count=118_000)
    assert outcome(spindle, count=118_003) == ("conforming", ())


def test_a_reading_that_was_not_believed_runs_nothing_in() -> None:
    spindle = Spindle()
    spindle.rebuild()
    spindle.torque(count=900_000)
    assert outcome(spindle, count=118_003) == ("not_admissible", ("not_run_in",))


def test_each_torque_is_run_in_anew() -> None:
    spindle = Spindle()
    spindle.rebuild()
    spindle.prepare()
    spindle.torque()
    assert outcome(spindle) == ("not_admissible", ("not_run_in",))


def test_an_adjustment_asks_for_a_torque_and_a_nose_or_draw_bar_too() -> None:
    spindle = accepted()
    spindle.adjust()
    assert outcome(spindle) == ("not_admissible", ("not_torqued",))
    spindle.torque("34.9")
    assert outcome(spindle) == ("not_admissible", ("torque_out_of_limits",))
    spindle.prepare()
    assert outcome(spindle) == ("conforming", ())
    spindle.tell("component.replaced", {"component": "o_ring"})
    assert outcome(spindle) == ("conforming", ())
    spindle.tell("component.replaced", {"component": "draw_bar"})
    assert outcome(spindle) == ("not_admissible", ("not_torqued",))


# Findings


def test_measured_again_with_nothing_done_is_a_finding() -> None:
    spindle = accepted()
    assert [finding.code for finding in spindle.measure().findings] == ["remeasured_unchanged"]
    spindle.measure(gauge_zeroed=False)
    assert [finding.code for finding in spindle.measure().findings] == ["remeasured_unchanged"]
    spindle.exercise()
    assert spindle.measure().findings == ()
    spindle.count(118_400)
    assert spindle.measure().findings == ()


def test_the_first_admissible_measurement_after_one_that_was_not_is_no_finding() -> None:
    spindle = Spindle()
    spindle.measure(gauge_zeroed=False)
    assert spindle.measure().findings == ()


def test_a_recheck_says_whether_the_depth_moved_also_when_it_was_run_in_before() -> None:
    spindle = accepted(BED_IN)
    spindle.count(118_704)
    spindle.exercise()
    shift = spindle.measure("11.43").shift
    assert shift is not None
    assert (shift.difference.value, shift.moved) == ("0.03", True)
    spindle.adjust()
    spindle.prepare()
    assert spindle.measure().shift is None


def test_used_while_withheld_is_found_once() -> None:
    spindle = accepted()
    spindle.rebuild()
    assert spindle.count(118_204).findings == ()
    assert [finding.code for finding in spindle.count(118_205).findings] == ["used_while_withheld"]
    assert spindle.count(118_300).findings == ()
    assert spindle.state.withheld is not None
    assert spindle.state.withheld.used is not None
    assert spindle.state.withheld.used.count == 118_205


@pytest.mark.parametrize("torques", [1, 2])
def test_running_in_is_no_use_and_what_goes_beyond_it_is(torques: int) -> None:
    spindle = accepted()
    spindle.rebuild()
    for _ in range(torques):
        spindle.torque(count=118_204)
    assert spindle.count(118_204 + 3 * torques).findings == ()
    assert [finding.code for finding in spindle.count(118_205 + 3 * torques).findings] == ["used_while_withheld"]


def test_cycles_exercised_by_hand_are_no_use() -> None:
    spindle = accepted()
    spindle.rebuild()
    spindle.torque()
    spindle.exercise(10)
    assert spindle.count(118_214).findings == ()
    assert spindle.count(118_215).findings != ()


# Concession


def test_a_concession_restricts_what_it_speaks_of_until_its_count_or_its_time() -> None:
    spindle = accepted()
    spindle.measure("11.50")
    granted = {"until": day(9).isoformat(), "until_count": 119_000, "reason": "no set", "approved_by": "r.t."}
    spindle.tell("concession.granted", granted)
    clearance = [spindle.see(on).assessment.clearance for on in (2, 8.99, 9)]
    assert clearance == ["restricted", "restricted", "withheld"]
    spindle.count(118_999)
    assert spindle.see().assessment.clearance == "restricted"
    spindle.count(119_000)
    assert spindle.see().assessment.clearance == "withheld"


def test_nobody_waits_for_a_concession_that_its_count_has_ended() -> None:
    spindle = accepted()
    spindle.measure("11.50")
    granted = {"until": day(5).isoformat(), "until_count": 118_300, "reason": "no set", "approved_by": "r.t."}
    spindle.tell("concession.granted", granted)
    assert next_look(spindle.state, spindle.see(on=4)) == day(5)
    spindle.count(118_300, on=2)
    assert next_look(spindle.state, spindle.see()) == day(2) + SILENT_AFTER_LEAST, "when it may be silent"
    assert next_look(spindle.state, spindle.see(on=3)) == day(9), "when it is silent"


def test_a_concession_ends_with_the_clamping_set() -> None:
    spindle = accepted()
    spindle.measure("11.50")
    spindle.tell("concession.granted", {"until_count": 200_000, "reason": "no set", "approved_by": "r.t."})
    spindle.accept()
    spindle.measure("11.50")
    assert spindle.see().assessment.clearance == "withheld"


def test_a_concession_does_not_stand_in_for_acceptance() -> None:
    spindle = Spindle()
    spindle.rebuild()
    spindle.prepare()
    spindle.measure("11.50")
    spindle.tell("concession.granted", {"until_count": 200_000, "reason": "no set", "approved_by": "r.t."})
    seen = spindle.see().assessment
    assert ([reason.code for reason in seen.reasons], seen.clearance) == (
        ["setting_nonconforming", "not_accepted"],
        "withheld",
    )


def test_in_another_machine_it_is_accepted_anew_and_its_count_goes_on() -> None:
    spindle = accepted(BED_IN)
    spindle.tell("spindle.removed", {"to": "store", "count": 118_300})
    spindle.tell("spindle.installed", PLACE | {"machine": "H1-M01", "counter": COUNTER | {"start": 500_000}})
    assert spindle.state.counter.count == 118_300
    spindle.prepare()
    spindle.measure(count=500_007)
    assert spindle.episode("bed-in").due_at_count == 118_807
