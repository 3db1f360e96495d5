"""Folding a history again: what is refused, what only counts, and since when a spindle is in doubt."""

from typing import Any

import pytest
from msgspec import structs

from service.domain.fold import replay
from service.domain.refusal import Refusal
from service.domain.shown import in_doubt_since
from service.domain.step import SpindleKnown, SpindleRetired, SpindleUnknown
from tests.domain.one_spindle import BED_IN, Spindle, accepted, gauges
from tests.domain.skerrow import SHEET, sheet, without

KEY = "H2-M04-S1"


def test_a_spindle_begins_with_its_commissioning_once() -> None:
    spindle = accepted()
    with pytest.raises(SpindleUnknown):
        list(replay(KEY, spindle.facts[1:], spindle.known))
    with pytest.raises(SpindleKnown):
        list(replay(KEY, [*spindle.facts[:1], *spindle.facts], spindle.known, strict=1))


def test_a_retired_spindle_takes_no_more_facts() -> None:
    spindle = accepted()
    spindle.tell("spindle.retired", {})
    with pytest.raises(SpindleRetired):
        spindle.count(118_300)


@pytest.mark.parametrize(
    ("event_type", "data", "code"),
    [
        ("spindle.sheet_assigned", {"sheet": "SKERROW-Z"}, "sheet_unknown"),
        ("condition.resolved", {"component": "taper", "code": "cracked", "done": "ground"}, "condition_unknown"),
        ("run_out.measured", {"place": "face", "run_out": {"value": "3", "unit": "um"}}, "sheet_incomplete"),
    ],
)
def test_a_fact_that_makes_no_sense_is_refused_and_changes_nothing(
    event_type: str, data: dict[str, Any], code: str
) -> None:
    spindle = accepted()
    before = spindle.state
    with pytest.raises(Refusal) as refused:
        spindle.tell(event_type, data)
    assert (refused.value.code, spindle.state) == (code, before)


def test_out_of_its_machine_it_cannot_be_removed_again() -> None:
    spindle = accepted()
    spindle.tell("spindle.removed", {"to": "store"})
    with pytest.raises(Refusal) as refused:
        spindle.tell("spindle.removed", {"to": "repair"})
    assert refused.value.code == "spindle_not_installed"


def test_what_can_no_longer_be_judged_counts_for_its_time_and_counter_only() -> None:
    spindle = accepted(BED_IN)
    spindle.pull(on=3, count=118_704)
    less = without(SHEET | {"rechecks": [BED_IN]}, "draw_force")
    known = structs.replace(spindle.known, sheets={"SKERROW-A": sheet(less)})
    made = list(replay(KEY, spindle.facts, known))[-1]
    assert (made.state.force, made.state.counter.count, made.state.newest) == (None, 118_704, spindle.state.newest)
    assert [(each.code, each.state) for each in made.opened] == [("bed-in", "due")]
    with pytest.raises(Refusal):
        list(replay(KEY, spindle.facts, known, strict=len(spindle.facts)))


def test_another_word_on_a_gauge_changes_what_was_judged_by_it() -> None:
    spindle = accepted(BED_IN)
    known = structs.replace(spindle.known, gauges={"FG-01": gauges()["FG-01"]})
    made = list(replay(KEY, spindle.facts, known))[-1]
    assert made.verdict is not None
    assert made.verdict.reasons == ("gauge_unknown",)
    assert (made.state.accepted, made.opened) == (None, ())


def in_doubt(spindle: Spindle) -> int | None:
    since = in_doubt_since(spindle.state)
    return None if since is None else since.entry


def test_a_rejection_a_low_force_or_a_warning_says_since_when_the_spindle_is_in_doubt() -> None:
    spindle = accepted()
    assert in_doubt(spindle) is None
    spindle.pull("21")
    spindle.run_out("4")
    spindle.run_out("9")
    assert in_doubt(spindle) == 8
    spindle.pull("18")
    assert in_doubt(spindle) == 7
    spindle.pull("16")
    assert in_doubt(spindle) == 7
    spindle.measure("11.50", gauge_zeroed=False)
    assert in_doubt(spindle) == 6
    spindle.measure("11.50")
    assert in_doubt(spindle) == 6
    spindle.tell("spindle.removed", {"to": "repair"})
    assert in_doubt(spindle) is None


def test_what_was_never_proven_is_in_doubt_since_nobody_knows_when() -> None:
    spindle = Spindle()
    spindle.measure("11.50")
    assert in_doubt(spindle) is None
