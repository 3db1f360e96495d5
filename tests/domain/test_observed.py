"""Observations counted: what each use adds, and that no order, overlap or repetition changes the sum."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from random import Random
from typing import Any, Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.mtconnect import Observed
from service.domain.observed import Point, Rise, Tie, UseKind, instant_of, point_of, tally, together
from service.domain.refusal import Refusal

BEGIN: Final = datetime(2026, 3, 2, 5, 0, tzinfo=UTC)


def point(second: float, value: object, *, run: int = 1, sequence: int | None = None, reset: bool = False) -> Point:
    return Point(
        reached=BEGIN + timedelta(hours=run),
        instance=str(1_790_000_000 + run),
        sequence=int(second * 10) + 1 if sequence is None else sequence,
        occurred=BEGIN + timedelta(hours=run, seconds=second),
        value=str(value),
        reset=reset,
    )


def tie(use: UseKind, *values: str, anchor: int | None = 0, modulus: int | None = None) -> Tie:
    return Tie(use=use, values=values, anchor=anchor, since=BEGIN, modulus=modulus)


def added(of: Tie, points: Sequence[Point]) -> int:
    return sum(rise.cycles for rise in tally(of, [], points).rises)


def test_an_absolute_count_adds_what_it_rose() -> None:
    assert added(tie("absolute", anchor=100), [point(10, 103), point(20, 103), point(30, 110)]) == 10


def test_a_reset_counts_from_zero_and_never_down() -> None:
    points = [point(10, 10), point(20, 3), point(30, 5)]
    rises = tally(tie("absolute"), [], points).rises
    assert [(rise.cycles, rise.fresh_start) for rise in rises] == [(10, None), (3, 0), (2, None)]
    assert rises[1].fresh_at == point(17, 0).occurred, "three cycles take three seconds at one a second"


def test_a_preset_counter_is_counted_from_where_it_was_set() -> None:
    rises = tally(tie("absolute"), [], [point(1000, 1000), point(1010, 500), point(1012, 502)]).rises
    assert [(rise.cycles, rise.fresh_start) for rise in rises] == [(1000, None), (0, 500), (2, None)]


def test_a_reset_that_the_agent_tells_counts_from_zero_also_where_the_value_rose() -> None:
    assert added(tie("absolute"), [point(10, 3), point(20, 5, reset=True)]) == 8


def test_a_counter_rolls_over_its_modulus() -> None:
    rises = tally(tie("absolute", anchor=9_990, modulus=10_000), [], [point(10, 9_995), point(20, 3)]).rises
    assert [(rise.cycles, rise.fresh_start) for rise in rises] == [(5, None), (8, None)]


def test_another_counter_than_the_spindles_is_counted_from_where_it_is_met() -> None:
    rises = tally(tie("absolute", anchor=118_000), [], [point(10, 40), point(20, 45)]).rises
    assert [(rise.cycles, rise.fresh_start) for rise in rises] == [(0, 40), (5, None)]
    unknown = tally(tie("absolute", anchor=None), [], [point(10, 40), point(20, 45)]).rises
    assert [(rise.cycles, rise.fresh_start) for rise in unknown] == [(0, 40), (5, None)]


def test_a_change_into_a_state_counts_one() -> None:
    states = ["CLOSED", "OPEN", "CLOSED", "CLOSED", "UNLATCHED", "OPEN", "CLOSED"]
    points = [point(number, state) for number, state in enumerate(states)]
    assert added(tie("transition", "CLOSED"), points) == 2
    assert added(tie("transition"), points) == 5, "without states every change counts"
    tools = [point(number, tool) for number, tool in enumerate(["5", "", "5", "", "7", "8"])]
    assert added(tie("transition"), tools) == 3, "a tool that is put back is a clamp cycle, an empty spindle is none"


def test_a_discrete_event_counts_each_time() -> None:
    of_one_tool = [Observed(**_observed(element="ToolNumberDiscrete", value="12", sequence=str(n))) for n in (1, 2, 3)]
    made = [point_of(each, "transition", instance="1", reached=BEGIN) for each in of_one_tool]
    assert added(tie("transition"), [each for each in made if each is not None]) == 3


def test_deltas_are_summed() -> None:
    assert added(tie("delta"), [point(10, 3), point(20, 0), point(30, 4)]) == 7


def test_sequences_order_a_run_whatever_its_clock_says() -> None:
    clock_set_back = [
        point(100, 50, sequence=1),
        point(40, 51, sequence=2),
        point(41, 52, sequence=3),
    ]
    assert added(tie("absolute"), clock_set_back) == 52


def test_an_absolute_count_found_later_is_not_believed_where_it_cannot_be() -> None:
    known = [point(10, 10), point(20, 12)]
    tallied = tally(tie("absolute"), known, [point(15, 900_000)])
    assert (tallied.rises, len(tallied.refused)) == ((), 1)


def test_rises_of_a_minute_are_one() -> None:
    tallied = tally(tie("absolute"), [], [point(second, second) for second in range(1, 121)])
    joined = together(tallied.rises)
    assert [rise.cycles for rise in joined] == [59, 60, 1]
    assert joined[0].occurred == point(59, 0).occurred


def test_a_reset_within_a_minute_begins_another() -> None:
    joined = together(tally(tie("absolute"), [], [point(10, 10), point(20, 3), point(30, 5)]).rises)
    assert [(rise.cycles, rise.fresh_start) for rise in joined] == [(10, None), (5, 0)]


_TRUTH: Final = st.lists(
    st.lists(st.tuples(st.integers(1, 60), st.sampled_from(["rise", "same", "reset"])), min_size=1, max_size=15),
    min_size=1,
    max_size=3,
)


def _told(truth: list[list[tuple[int, str]]], *, resets_told: bool = True) -> tuple[list[Point], int]:
    """Runs of an agent whose counter rises at most one a second, and how far it rose in all."""
    points: list[Point] = []
    value = total = 0
    for run, steps in enumerate(truth, start=1):
        second = 0
        for wait, what in steps:
            second += wait + 1
            if what == "reset":
                value = 0
            rise = 0 if what == "same" else wait // 2
            value, total = value + rise, total + rise
            points.append(point(second, value, run=run, reset=what == "reset" and resets_told))
    return points, total


@given(_TRUTH, st.booleans(), st.randoms(use_true_random=False))
def test_law_no_order_overlap_or_repetition_changes_the_sum(
    truth: list[list[tuple[int, str]]], resets_told: bool, chance: Random
) -> None:
    points, total = _told(truth, resets_told=resets_told)
    in_order = added(tie("absolute"), points)
    assert in_order == total if resets_told else in_order <= total
    cuts = [sorted(chance.choices(range(len(points) + 1), k=2)) for _ in range(6)] + [[0, len(points)]]
    chance.shuffle(cuts)
    known: dict[tuple[str, int], Point] = {}
    summed = 0
    for begin, end in cuts:
        part = points[begin:end]
        chance.shuffle(part)
        fresh = {(each.instance, each.sequence): each for each in part if (each.instance, each.sequence) not in known}
        tallied = tally(tie("absolute"), list(known.values()), list(fresh.values()))
        assert tallied.refused == ()
        assert all(rise.cycles >= 0 for rise in tallied.rises)
        summed += sum(rise.cycles for rise in together(tallied.rises))
        known |= fresh
    assert summed == in_order


def test_a_reset_that_is_found_late_counts_what_followed_it() -> None:
    """The fall alone shows it, and what was counted after it took as long as until the next that was known."""
    points, _ = _told([[(1, "rise"), (8, "rise"), (1, "reset"), (8, "rise")]], resets_told=False)
    known = [points[0], points[1], points[3]]
    tallied = tally(tie("absolute"), known, [points[2]])
    assert tallied.refused == ()
    assert sum(rise.cycles for rise in tallied.rises) == added(tie("absolute"), points) - added(tie("absolute"), known)


@given(
    st.lists(st.sampled_from(["OPEN", "CLOSED", "UNLATCHED"]), min_size=1, max_size=30),
    st.sampled_from([(), ("CLOSED",)]),
    st.randoms(use_true_random=False),
)
def test_law_transitions_found_one_by_one_sum_up_as_in_order(
    states: list[str], values: tuple[str, ...], chance: Random
) -> None:
    points = [point(number, state) for number, state in enumerate(states)]
    of = tie("transition", *values)
    changes = [now for then, now in pairwise(states) if then != now]
    shuffled = list(points)
    chance.shuffle(shuffled)
    summed = 0
    for number, each in enumerate(shuffled):
        summed += sum(rise.cycles for rise in tally(of, shuffled[:number], [each]).rises)
    assert summed == len([state for state in changes if (state in values if values else True)])


def _observed(**changes: Any) -> dict[str, Any]:
    whole: dict[str, Any] = {
        "device": "m",
        "element": "ActivationCount",
        "category": "Events",
        "item": "a",
        "sequence": "7",
        "timestamp": "2026-03-02T06:00:00.1234567Z",
        "value": "12",
        "sub_type": None,
        "reset": None,
        "statistic": None,
        "composite": False,
    }
    return whole | changes


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"value": "-1"}, "count_negative"),
        ({"value": "12.5"}, "count_not_whole"),
        ({"value": str(2**63)}, "count_out_of_range"),
        ({"value": "1E99"}, "count_out_of_range"),
        ({"value": "9" * 41}, "count_not_a_number"),
        ({"value": "NaN"}, "count_not_a_number"),
        ({"value": "1_0"}, "count_not_a_number"),
        ({"value": ""}, "count_not_a_number"),
        ({"value": "1 2 3"}, "count_not_a_number"),
        ({"composite": True}, "count_not_a_number"),
        ({"statistic": "AVERAGE"}, "observation_not_a_count"),
        ({"sub_type": "TARGET"}, "observation_not_a_count"),
        ({"sub_type": "REMAINING"}, "observation_not_a_count"),
        ({"timestamp": "TIME"}, "timestamp_invalid"),
        ({"timestamp": "2026-13-02T06:00:00Z"}, "timestamp_invalid"),
        ({"timestamp": None}, "timestamp_invalid"),
        ({"sequence": None}, "sequence_invalid"),
        ({"sequence": "0"}, "sequence_invalid"),
        ({"sequence": str(2**63)}, "sequence_invalid"),
    ],
)
def test_what_cannot_be_counted_is_refused_by_its_code(changes: dict[str, Any], code: str) -> None:
    observed = Observed(**(_observed(**changes)))
    with pytest.raises(Refusal) as refused:
        point_of(observed, "absolute", instance="1", reached=BEGIN)
    assert refused.value.code == code


@pytest.mark.parametrize(("value", "counted"), [("12", "12"), (" 12 ".strip(), "12"), ("12.0", "12"), ("1.2E1", "12")])
def test_whole_numbers_are_taken_however_they_are_written(value: str, counted: str) -> None:
    made = point_of(Observed(**_observed(value=value)), "absolute", instance="1", reached=BEGIN)
    assert made is not None
    assert made.value == counted


def test_what_is_unavailable_is_nothing() -> None:
    observed = Observed(**_observed(value="UNAVAILABLE", sequence=None))
    assert point_of(observed, "absolute", instance="1", reached=BEGIN) is None


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("2026-03-02T06:00:00Z", datetime(2026, 3, 2, 6, tzinfo=UTC)),
        ("2026-03-02T06:00:00", datetime(2026, 3, 2, 6, tzinfo=UTC)),
        ("2026-03-02T08:00:00.5+02:00", datetime(2026, 3, 2, 6, 0, 0, 500_000, tzinfo=UTC)),
        ("2026-03-02T06:00:00.1234569Z", datetime(2026, 3, 2, 6, 0, 0, 123_456, tzinfo=UTC)),
        ("2026-03-02", None),
        ("0001-01-01T00:00:00+14:00", None),
        (None, None),
    ],
)
def test_times_of_an_agent_are_in_utc_unless_they_say_otherwise(text: str | None, found: datetime | None) -> None:
    assert instant_of(text) == found


def test_a_late_rise_is_told_at_the_time_of_the_last_that_was_found() -> None:
    known = [point(10, "CLOSED"), point(20, "CLOSED")]
    found = tally(tie("transition", "CLOSED"), known, [point(12, "OPEN"), point(14, "CLOSED"), point(16, "OPEN")]).rises
    assert found == (Rise(cycles=2, occurred=point(16, 0).occurred, late=True),)
