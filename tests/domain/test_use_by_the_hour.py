"""Readings as use by the hour: roll-over, exchange and silence are seen through; unknown hours are not idle ones."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from service.domain.event import Fact, decode_data
from service.domain.exchange import exchanges
from service.domain.use_series import Exchanged, Readings, rises, series_of
from service.domain.week_pattern import WEEK, cells, hours_of, later, sums_of, time_of

MONDAY = datetime(2026, 3, 2, tzinfo=UTC)
BERLIN = ZoneInfo("Europe/Berlin")


def counter(hour: float = 0, start: int = 0, *, old_end: int | None = None, modulus: int | None = None) -> Exchanged:
    return Exchanged(hour=hour, old_end=old_end, new_start=start, cycles_per_count=1, modulus=modulus, max_per_second=1)


def shown(*points: tuple[float, int]) -> Readings:
    return Readings(
        hours=np.array([hour for hour, _ in points], dtype=float),
        readings=np.array([reading for _, reading in points], dtype=float),
    )


def test_a_roll_over_is_a_rise() -> None:
    _, made = rises(shown((1, 990), (2, 5)), [counter(0, 980, modulus=1000)])
    assert made.tolist() == [0, 10, 25]


def test_a_fall_without_a_modulus_is_no_rise() -> None:
    _, made = rises(shown((1, 990), (2, 5), (3, 25)), [counter(0, 980)])
    assert made.tolist() == [0, 10, 10, 30]


def test_a_rise_that_the_time_does_not_hold_counts_as_none() -> None:
    _, made = rises(shown((1, 10), (2, 100_000), (3, 100_010)), [counter()])
    assert made.tolist() == [0, 10, 10, 20]


def test_an_exchanged_counter_counts_on_to_its_old_end_and_from_its_new_start() -> None:
    replaced = [counter(0, 500), counter(2.5, 7, old_end=540)]
    times, made = rises(shown((1, 510), (2, 530), (3, 12)), replaced)
    assert times.tolist() == [0, 1, 2, 2.5, 2.5, 3]
    assert made.tolist() == [0, 10, 30, 40, 40, 45]


def test_cycles_are_counted_in_what_a_count_stands_for() -> None:
    twice = Exchanged(hour=0, old_end=None, new_start=0, cycles_per_count=2, modulus=None, max_per_second=1)
    assert rises(shown((1, 10)), [twice])[1].tolist() == [0, 20]


def test_facts_tell_which_counter_counted_when() -> None:
    commissioned = decode_data(
        "spindle.commissioned",
        b'{"serial":"1","plant":"p","hall":"h","machine":"m","position":"1","sheet":"s",'
        b'"counter":{"start":5,"modulus":1000,"cycles_per_count":2}}',
    )
    replaced = decode_data("counter.replaced", b'{"old_end":990,"new_start":3}')
    facts = [
        Fact(sequence=1, occurred=MONDAY, type="spindle.commissioned", data=commissioned),
        Fact(sequence=2, occurred=MONDAY + timedelta(hours=4), type="counter.replaced", data=replaced),
    ]
    first, second = exchanges(facts)
    assert (first.new_start, first.modulus, first.cycles_per_count, first.old_end) == (5, 1000, 2, None)
    assert (second.new_start, second.modulus, second.cycles_per_count, second.old_end) == (3, 1000, 2, 990)
    assert second.hour - first.hour == 4


def test_what_a_gap_rose_by_is_spread_by_what_is_expected_in_it() -> None:
    times, made = np.array([0.0, 1, 9]), np.array([0.0, 5, 45])
    expected = np.array([5.0, 0, 0, 0, 0, 10, 10, 10, 10])
    even = series_of(times, made, stays=[(0, 100)])
    by_pattern = series_of(times, made, stays=[(0, 100)], expected=expected)
    assert even.cycles.tolist() == pytest.approx([5, *[5.0] * 8])
    assert by_pattern.cycles.tolist() == pytest.approx([5, 0, 0, 0, 0, 10, 10, 10, 10])
    assert by_pattern.open.tolist() == [1.0] * 9


def test_a_long_silence_is_not_observed_and_not_idle() -> None:
    series = series_of(np.array([0.0, 1, 101]), np.array([0.0, 5, 505]), stays=[(0, 1000)])
    assert series.observed[0] == 1
    assert not series.observed[2:].any()
    assert series.cycles.sum() == pytest.approx(505)


def test_hours_out_of_the_machine_are_no_hours_of_use() -> None:
    series = series_of(np.array([0.0, 4, 8]), np.array([0.0, 4, 4]), stays=[(0, 4), (6, 100)])
    assert series.open.tolist() == [1, 1, 1, 1, 0, 0, 1, 1]


def test_monday_midnight_is_the_first_hour_of_the_week_in_the_plants_own_time() -> None:
    assert cells(int(hours_of(MONDAY)), 2, None).tolist() == [0, 1]
    assert cells(int(hours_of(MONDAY)), 2, BERLIN).tolist() == [1, 2]


def test_summer_time_moves_no_shift() -> None:
    """Six o'clock on a Monday is hour 6 of the week before and after the last Sunday of March."""
    for day in (datetime(2026, 3, 23, 6, tzinfo=BERLIN), datetime(2026, 3, 30, 6, tzinfo=BERLIN)):
        assert cells(int(hours_of(day.astimezone(UTC))), 1, BERLIN).tolist() == [6]
    across = cells(int(hours_of(datetime(2026, 3, 28, 0, tzinfo=BERLIN).astimezone(UTC))), 72, BERLIN)
    assert across.tolist() == [hour for hour in range(120, 168) if hour != 146] + list(range(25))


def test_an_amount_is_reached_in_working_hours_by_the_wall_clock() -> None:
    pattern = np.zeros(WEEK)
    for day in range(5):
        pattern[day * 24 + 6 : day * 24 + 14] = 10
    sums = sums_of(pattern)
    friday = datetime(2026, 3, 27, 13, tzinfo=BERLIN)

    def reached(cycles: float) -> datetime:
        return time_of(later(sums, hours_of(friday), cycles, BERLIN)).astimezone(BERLIN)

    assert reached(5) == datetime(2026, 3, 27, 13, 30, tzinfo=BERLIN)
    assert reached(10) == datetime(2026, 3, 27, 14, tzinfo=BERLIN)
    assert reached(15) == datetime(2026, 3, 30, 6, 30, tzinfo=BERLIN), "summer time began on the Sunday between"
    assert reached(410) == datetime(2026, 4, 3, 14, tzinfo=BERLIN)


def test_a_week_that_ends_at_work_is_reached_at_its_end() -> None:
    pattern = np.zeros(WEEK)
    pattern[160:] = 1
    assert later(sums_of(pattern), hours_of(MONDAY), 8, None) == hours_of(MONDAY) + 168
