"""Concessions: what leave is taken for, what it speaks of afterwards, how it is shown, and how it lapses."""

from datetime import timedelta
from typing import Any

import pytest

from service.domain.fold import next_limit, next_look
from service.domain.shown import ConcessionShown, state_shown
from service.domain.step import NotConceded, Step
from tests.domain.one_spindle import Spindle, accepted, day
from tests.domain.skerrow import guarded, mm

LEAVE: dict[str, Any] = {"reason": "no set in stock", "approved_by": "r.t.", "until_count": 120_000}
UNDECIDED, OUT = "11.449", "11.46"


def concede(spindle: Spindle, **changes: Any) -> Step:
    return spindle.tell("concession.granted", LEAVE | changes)


def strictly() -> Spindle:
    return accepted(decision_rule=guarded())


def clearance(spindle: Spindle) -> str:
    return spindle.see().assessment.clearance


def shown(spindle: Spindle, on: float | None = None) -> ConcessionShown | None:
    return state_shown(spindle.state, spindle.see(on)).concession


def told(spindle: Spindle, on: float | None = None) -> str:
    return spindle.see(on).assessment.reasons[0].text


def codes(step: Step) -> list[str]:
    return [finding.code for finding in step.findings]


def test_leave_for_a_setting_that_is_out_is_shown_with_what_it_is_for_and_until_when() -> None:
    spindle = accepted()
    out = spindle.measure(OUT)
    until = day(5)
    granted = concede(spindle, until=until.isoformat())
    assert granted.findings == ()
    seen = shown(spindle)
    assert seen is not None
    assert (seen.given_for, seen.entry, seen.until, seen.until_count, seen.holds) == (
        out.state.newest.sequence,
        granted.state.newest.sequence,
        until,
        120_000,
        True,
    )
    assert seen.reason == "no set in stock"
    assert spindle.reasons() == ["setting_nonconforming"]
    assert "A concession (entry 8) lets it run until count 120000 or 2026-01-11 at 06:00 UTC." in told(spindle)


def test_leave_for_an_undecided_setting_keeps_the_reason_and_lapses_by_itself() -> None:
    spindle = strictly()
    spindle.measure(UNDECIDED)
    concede(spindle, until=day(4).isoformat())
    assert (spindle.reasons(), clearance(spindle)) == (["undecided"], "restricted")
    assert "lets it run until count 120000" in told(spindle)
    assert next_look(spindle.state, spindle.see(on=2)) == day(4)
    assert next_limit(spindle.state)[0] == 120_000
    assert shown(spindle, 3.99) == shown(spindle)
    lapsed = shown(spindle, 4)
    assert lapsed is not None
    assert not lapsed.holds
    assert "The concession (entry 8) held until" in told(spindle, 4)


def test_an_undecided_setting_after_a_rebuild_stays_withheld_as_long_as_nothing_is_accepted() -> None:
    spindle = Spindle(decision_rule=guarded())
    spindle.rebuild()
    spindle.prepare()
    spindle.measure(UNDECIDED)
    concede(spindle)
    assert sorted(spindle.reasons()) == ["not_accepted", "undecided"]
    assert clearance(spindle) == "withheld"


@pytest.mark.parametrize(
    ("first", "later", "covered"),
    [
        ("11.47", "11.46", True),
        ("11.46", "11.46", True),
        ("11.46", "11.465", True),
        ("11.46", "11.48", False),
        ("11.34", "11.345", True),
        ("11.34", "11.32", False),
        ("11.46", "11.34", False),
        ("11.34", "11.46", False),
    ],
    ids=["nearer", "as far", "moved within the doubt", "further out", "nearer", "further out", "other side", "other"],
)
def test_leave_speaks_of_a_later_setting_that_is_no_further_out(first: str, later: str, covered: bool) -> None:
    spindle = accepted()
    spindle.measure(first)
    concede(spindle)
    spindle.count(118_400)
    spindle.measure(later)
    assert clearance(spindle) == ("restricted" if covered else "withheld")
    assert (shown(spindle) is not None) == covered


def test_leave_for_an_undecided_setting_is_none_for_one_that_has_moved_out() -> None:
    spindle = strictly()
    spindle.measure(UNDECIDED)
    concede(spindle)
    spindle.count(118_400)
    spindle.measure("11.47")
    assert (spindle.reasons(), clearance(spindle)) == (["setting_nonconforming"], "withheld")


def test_without_a_stated_uncertainty_no_further_out_is_meant_to_the_letter() -> None:
    spindle = accepted()
    spindle.measure(OUT)
    concede(spindle)
    spindle.count(118_400)
    spindle.measure("11.461", gauge="DG-04")
    assert spindle.state.setting is not None
    spindle.known.gauges["DG-04"] = spindle.known.gauges["DG-03"]
    spindle.measure("11.461", gauge="DG-04")
    assert clearance(spindle) == "withheld", "another gauge: nobody can say that it has not moved"
    spindle.measure("11.46", gauge="DG-04")
    assert clearance(spindle) == "restricted"


def test_a_setting_that_conforms_ends_the_leave() -> None:
    spindle = accepted()
    spindle.measure(OUT)
    concede(spindle)
    spindle.measure("11.44")
    assert (clearance(spindle), shown(spindle)) == ("cleared", None)
    spindle.count(118_400)
    spindle.measure(OUT)
    assert clearance(spindle) == "withheld"


def test_an_inadmissible_measurement_leaves_the_leave_as_it_is() -> None:
    spindle = accepted()
    spindle.measure(OUT)
    concede(spindle)
    spindle.measure("11.44", gauge_zeroed=False)
    assert clearance(spindle) == "restricted"


def test_leave_for_nothing_is_said_and_covers_nothing_that_comes_later() -> None:
    spindle = accepted()
    assert codes(concede(spindle)) == ["nothing_to_concede"]
    assert shown(spindle) is None
    spindle.count(118_400)
    spindle.measure(OUT)
    assert clearance(spindle) == "withheld"


def test_a_measurement_that_arrives_after_the_leave_for_it_is_covered_all_the_same() -> None:
    spindle = accepted()
    spindle.count(118_400, on=3)
    assert codes(concede(spindle)) == ["nothing_to_concede"]
    readings = [{"angle": {"value": angle, "unit": "deg"}, "depth": mm(OUT)} for angle in ("0", "180")]
    data = {"readings": readings, "gauge": "DG-03", "gauge_zeroed": True, "draw_bar": "released"}
    steps = spindle.tell_late("setting.measured", data, 2)
    assert codes(steps[-1]) == []
    assert (spindle.reasons(), clearance(spindle)) == (["setting_nonconforming"], "restricted")


@pytest.mark.parametrize("check", ["draw_force", "run_out", "visual", "grease"])
def test_only_a_setting_is_conceded(check: str) -> None:
    spindle = accepted()
    spindle.run_out("7")
    with pytest.raises(NotConceded) as refused:
        concede(spindle, check=check)
    assert refused.value.code == "concession_not_for_check"
    assert [fault.pointer for fault in refused.value.faults] == ["/data/check"]


def test_in_store_no_leave_is_shown() -> None:
    spindle = accepted()
    spindle.measure(OUT)
    concede(spindle)
    spindle.tell("spindle.removed", {"to": "store"})
    assert shown(spindle) is None


def test_leave_given_in_another_place_s_time_is_told_in_utc() -> None:
    spindle = accepted()
    spindle.measure(OUT)
    local = (day(5) + timedelta(hours=2)).isoformat().replace("+00:00", "+02:00")
    concede(spindle, until=local)
    assert "2026-01-11 at 06:00 UTC" in told(spindle)
