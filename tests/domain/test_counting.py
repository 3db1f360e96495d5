"""Counting cycles: the count never falls, and a reading that does not fit is flagged until it is explained."""

from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain import counter
from service.domain.counter import CounterTrack, begin, fits, judge_reading, reading_at
from service.domain.event.spindles import Counter, CounterReplaced
from service.domain.refusal import Refusal
from tests.domain.one_spindle import COUNTER, PLACE, START, Spindle, day


def track(start: int = 118_000, **stated: Any) -> CounterTrack:
    return begin(Counter(start=start, **stated), START)


def flag(spindle: Spindle) -> str | None:
    return None if spindle.state.counter.flag is None else spindle.state.counter.flag.code


def test_count_begins_where_the_counter_stood_and_rises_with_it() -> None:
    spindle = Spindle()
    assert spindle.state.counter.count == 118_000
    spindle.count(118_204)
    assert (spindle.see().now.count, spindle.see().reading, spindle.see().counted_at) == (118_204, 118_204, spindle.now)


def test_any_fact_may_carry_the_counter() -> None:
    spindle = Spindle()
    spindle.rebuild(on=1, count=118_204)
    assert spindle.state.counter.count == 118_204
    assert spindle.state.rebuild is not None
    assert spindle.state.rebuild.at.count == 118_204


def test_a_fact_without_the_counter_has_the_newest_plain_reading() -> None:
    spindle = Spindle()
    spindle.tell("visual.checked", {}, 2, held=118_900)
    assert spindle.state.newest.count == 118_900


def test_cycles_per_count_turn_counts_into_cycles() -> None:
    spindle = Spindle(counter=COUNTER | {"cycles_per_count": 2})
    spindle.count(118_100)
    assert spindle.state.counter.count == 118_200
    spindle.tell("visual.checked", {}, 2, held=118_150)
    assert spindle.state.counter.count == 118_300
    assert [reading_at(spindle.state.counter, count) for count in (118_300, 118_301, 118_302)] == [
        118_150,
        118_151,
        118_151,
    ]


def test_a_counter_may_move_once_a_second_unless_its_own_limit_is_stated() -> None:
    hour = START + timedelta(hours=1)
    assert judge_reading(track(), 121_601, hour) == 3_601  # a second is given for clocks that differ
    assert judge_reading(track(), 121_602, hour) == "counter_implausible"
    assert judge_reading(track(max_per_second=2), 125_202, hour) == 7_202
    assert judge_reading(track(max_per_second=2), 125_203, hour) == "counter_implausible"


def test_parts_of_a_second_count() -> None:
    assert fits(1, START, START + timedelta(microseconds=1), 1)
    assert not fits(2, START, START + timedelta(microseconds=999_999), 1)
    assert not fits(1, START, START - timedelta(seconds=1), 1)


def test_a_lower_reading_is_a_roll_over_only_where_the_way_forward_fits_the_time() -> None:
    near_the_end = track(start=999_990, modulus=1_000_000)
    assert judge_reading(near_the_end, 10, START + timedelta(seconds=19)) == 20
    assert judge_reading(near_the_end, 10, START + timedelta(seconds=18)) == "counter_backward"
    assert judge_reading(track(start=999_990), 10, START + timedelta(days=999)) == "counter_backward"
    assert judge_reading(track(start=500, modulus=1_000), 499, START + timedelta(seconds=997)) == "counter_backward"
    assert judge_reading(track(start=500, modulus=1_000), 499, START + timedelta(seconds=998)) == 999


def test_a_counter_never_reads_its_modulus() -> None:
    spindle = Spindle(counter=COUNTER | {"start": 999_990})
    spindle.count(1_000_000, on=1)
    assert (flag(spindle), spindle.state.counter.count) == ("counter_implausible", 999_990)


def test_count_goes_on_over_a_roll_over() -> None:
    spindle = Spindle(counter=COUNTER | {"start": 999_990})
    spindle.count(5, on=1)
    spindle.count(25, on=2)
    assert (flag(spindle), spindle.see().now.count, spindle.see().reading) == (None, 1_000_025, 25)


@pytest.mark.parametrize(("reading", "code"), [(117_999, "counter_backward"), (999_999, "counter_implausible")])
def test_what_does_not_fit_is_flagged_and_not_counted_until_explained(reading: int, code: str) -> None:
    spindle = Spindle()
    spindle.count(118_500, on=1)
    spindle.count(reading)
    assert (flag(spindle), spindle.state.counter.count, spindle.state.counter.reading) == (code, 118_500, 118_500)
    assert spindle.state.counter.flag is not None
    assert (spindle.state.counter.flag.reading, spindle.state.counter.flag.sequence) == (reading, 3)
    assert code in spindle.reasons()


def test_what_fits_again_is_counted_and_the_flag_stays_until_explained() -> None:
    spindle = Spindle()
    spindle.count(0, on=1)
    spindle.count(118_050, on=2)
    assert (flag(spindle), spindle.state.counter.count) == ("counter_backward", 118_050)
    spindle.tell("counter.replaced", {"old_end": 118_060, "new_start": 118_060})
    assert (flag(spindle), spindle.state.counter.count) == (None, 118_060)


def test_a_reset_counter_is_counted_from_its_explanation() -> None:
    spindle = Spindle()
    spindle.count(118_500, on=1)
    spindle.count(3, on=2)
    spindle.count(90, on=3)
    assert spindle.state.counter.count == 118_500
    spindle.tell("counter.replaced", {"old_end": 118_520, "new_start": 100}, 4)
    assert (flag(spindle), spindle.state.counter.count) == (None, 118_520)
    spindle.count(150, on=5)
    assert spindle.state.counter.count == 118_570


def test_an_explanation_that_comes_late_counts_the_readings_that_followed_it() -> None:
    """The counter was exchanged on day 2; what happened on days 3 to 5 was recorded before that was told."""
    spindle = Spindle()
    spindle.count(118_500, on=1)
    spindle.count(3, on=3, held=118_500)
    spindle.tell("visual.checked", {}, 4, held=118_500)
    spindle.count(90, on=5, held=118_500)
    assert (flag(spindle), spindle.state.counter.count) == ("counter_backward", 118_500)

    steps = spindle.tell_late("counter.replaced", {"old_end": 118_520, "new_start": 0}, 2)
    assert [made.state.counter.count for made in steps[2:]] == [118_520, 118_523, 118_523, 118_610]
    assert flag(spindle) is None


def test_the_old_counters_readings_after_the_stated_exchange_add_nothing() -> None:
    """The exchange is said to have been at noon, but the old counter was still read at half past."""
    spindle = Spindle()
    half_past = 1.5 + 0.5 / 24
    spindle.tell("counter.replaced", {"old_end": 118_500, "new_start": 0}, 1.5)
    assert spindle.see(2, newest=(118_510, day(half_past))).now.count == 118_500
    spindle.tell("visual.checked", {}, half_past + 0.001, held=118_510)
    assert spindle.state.counter.count == 118_500
    spindle.count(90, on=half_past + 0.002, held=118_510)
    assert (flag(spindle), spindle.state.counter.count) == (None, 118_590)
    assert spindle.see(2, newest=(95, day(1.9))).now.count == 118_595


def test_a_late_reading_fills_in_history_and_changes_no_count() -> None:
    spindle = Spindle()
    spindle.count(118_500, on=3)
    steps = spindle.tell_late("counter.read", {"count": 118_200}, 2)
    assert [made.state.counter.count for made in steps] == [118_000, 118_200, 118_500]
    assert flag(spindle) is None


def test_a_new_counter_brings_its_own_modulus() -> None:
    spindle = Spindle()
    spindle.tell("counter.replaced", {"old_end": 118_000, "new_start": 9_990, "modulus": 10_000}, 1)
    spindle.count(5, on=2)
    assert (flag(spindle), spindle.state.counter.count) == (None, 118_015)


def test_the_last_reading_of_a_counter_that_rolled_over_is_counted() -> None:
    spindle = Spindle(counter=COUNTER | {"start": 999_990})
    spindle.tell("counter.replaced", {"old_end": 15, "new_start": 400}, 1)
    assert (spindle.state.counter.count, spindle.state.counter.reading) == (1_000_015, 400)


def test_an_end_that_cannot_be_adds_nothing() -> None:
    spindle = Spindle()
    spindle.tell("counter.replaced", {"old_end": 900_000, "new_start": 0}, 1)
    assert spindle.state.counter.count == 118_000


def test_another_machines_counter_adds_no_cycles() -> None:
    spindle = Spindle()
    spindle.tell("spindle.removed", {"to": "store", "count": 118_100}, 1)
    spindle.tell("spindle.installed", PLACE | {"counter": {"start": 500_000, "cycles_per_count": 2}}, 9)
    assert (spindle.state.counter.count, spindle.state.counter.reading) == (118_100, 500_000)
    spindle.count(500_010)
    assert (flag(spindle), spindle.state.counter.count) == (None, 118_120)


def test_another_machines_counter_asks_for_the_removal_first() -> None:
    with pytest.raises(Refusal) as refused:
        Spindle().tell("spindle.installed", PLACE | {"counter": {"start": 0}})
    assert refused.value.code == "spindle_still_installed"


def test_what_was_disbelieved_beside_plain_readings_stays_so_and_the_count_keeps_them() -> None:
    """Plain readings had risen to 118 900 when 118 500 came in: seen from the facts alone it would fit."""
    spindle = Spindle()
    spindle.count(118_500, on=2, held=118_900)
    assert (flag(spindle), spindle.state.newest.count) == ("counter_backward", 118_900)


def test_a_view_counts_the_newest_plain_reading() -> None:
    spindle = Spindle()
    spindle.count(118_500, on=1)
    seen = spindle.see(3, newest=(118_700, day(2)))
    assert (seen.now.count, seen.reading, seen.counted_at) == (118_700, 118_700, day(2))
    older = spindle.see(3, newest=(118_100, day(0.5)))
    assert (older.now.count, older.reading, older.counted_at) == (118_500, 118_500, day(1))


READINGS = st.lists(
    st.tuples(st.integers(min_value=0, max_value=200_000), st.integers(min_value=0, max_value=1_200)), max_size=12
)


@settings(max_examples=40, deadline=None)
@given(READINGS, st.integers(min_value=0, max_value=999), st.integers(min_value=1, max_value=3))
def test_whatever_is_read_the_count_never_falls_nor_rises_faster_than_the_time_allows(
    readings: list[tuple[int, int]], start: int, cycles_per_count: int
) -> None:
    now, at = track(start, modulus=1_000, cycles_per_count=cycles_per_count), START
    for sequence, (seconds, reading) in enumerate(readings, 2):
        before, at = now, at + timedelta(seconds=seconds)
        if reading % 11 == 0:
            exchanged = CounterReplaced(old_end=reading, new_start=reading // 2)
            now = counter.exchange(now, exchanged, at, sequence)
        else:
            now = counter.read(now, reading, at, sequence, None)
        elapsed = (at - before.read_at).total_seconds() + 1
        assert 0 <= now.count - before.count <= elapsed * cycles_per_count


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 1000), st.integers(0, 10**6))
def test_reading_at_is_the_first_reading_whose_count_is_reached(start: int, per_count: int, rise: int) -> None:
    now = track(start, cycles_per_count=per_count)
    reading = reading_at(now, now.count + rise)
    assert (reading - start) * per_count >= rise
    assert (reading - 1 - start) * per_count < rise
