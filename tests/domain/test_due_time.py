"""When a recheck falls due: medians and intervals from a counter's own past, from its group, or what is missing."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.due_time import Due, Pace, due_of, pace_of, reached
from service.domain.use_rate import QUANTILES, SCALES, UseFit, fit, prior_of
from service.domain.use_series import Exchanged, Readings
from service.domain.week_pattern import WEEK, Floats, hours_of

MONDAY = datetime(2026, 1, 5, tzinfo=UTC)
BEGIN = hours_of(MONDAY)
COUNTER = Exchanged(hour=BEGIN, old_end=None, new_start=0, cycles_per_count=1, modulus=None, max_per_second=10)


def one_shift(weeks: int, pace: float = 20, *, days: int = 5) -> Floats:
    """Cycles in each hour: from 6 to 14 o'clock, Monday to Friday."""
    week = np.zeros(WEEK)
    for day in range(days):
        week[day * 24 + 6 : day * 24 + 14] = pace
    return np.tile(week, weeks)


def fitted(cycles: Floats, *, every: int = 1, lost: slice | None = None, group: bool = False) -> UseFit:
    hours: Floats = np.arange(every, len(cycles) + 1, every).astype(float)
    made = np.cumsum(cycles)[every - 1 :: every]
    kept = np.ones(len(hours), dtype=bool)
    if lost is not None:
        kept[lost] = False
    prior = prior_of([fitted(one_shift(8))] * 4) if group else None
    found = fit(Readings(hours=BEGIN + hours[kept], readings=made[kept]), [COUNTER], [(BEGIN, 1e9)], [None], prior)
    assert found is not None
    return found


def pace(found: UseFit) -> Pace:
    answer = pace_of(found, None, [None])
    assert isinstance(answer, Pace)
    return answer


def test_a_regular_plant_is_foretold_to_the_hour() -> None:
    since = MONDAY + timedelta(weeks=8)
    median = reached(pace(fitted(one_shift(8))), since, 700)[2]
    assert abs(median - (since + timedelta(days=4, hours=9))) < timedelta(hours=1)


def test_an_idle_weekend_is_passed_over() -> None:
    friday = MONDAY + timedelta(weeks=8, days=4, hours=13)
    times = reached(pace(fitted(one_shift(9)[: 8 * WEEK + 4 * 24 + 13])), friday, 60)
    assert times[2].date() == (MONDAY + timedelta(weeks=9)).date()


@pytest.mark.parametrize("every", [1, 4, 24])
def test_counters_read_seldom_give_the_same_rate(every: int) -> None:
    found = fitted(one_shift(10), every=every)
    assert found.per_day == pytest.approx(20 * 40 / 7, rel=0.02)


def test_a_silent_counter_is_not_an_idle_one() -> None:
    """Ten days without readings: the rate is what it was, and the weekends in between stay idle."""
    found = fitted(one_shift(12), lost=slice(5 * WEEK, 5 * WEEK + 240))
    whole = fitted(one_shift(12))
    assert found.per_day == pytest.approx(whole.per_day, rel=1e-6)
    assert found.levels[3] == pytest.approx(whole.levels[3], rel=0.02)
    assert sum(found.pattern[120:]) < 0.02 * sum(found.pattern)


def test_a_closed_fortnight_does_not_lower_the_level() -> None:
    cycles = one_shift(16)
    cycles[12 * WEEK : 14 * WEEK] = 0
    found = fitted(cycles)
    assert found.levels[3] * sum(found.pattern) == pytest.approx(800, rel=0.05)


def test_a_level_that_rose_is_followed() -> None:
    cycles = np.concatenate([one_shift(12, 20), one_shift(4, 40)])
    found = fitted(cycles)
    assert found.levels[1] * sum(found.pattern) == pytest.approx(1600, rel=0.12)


def test_more_scatter_gives_wider_intervals() -> None:
    random = np.random.default_rng(5)
    since = MONDAY + timedelta(weeks=20)
    widths = []
    for shape in (50, 1):
        cycles = one_shift(20) * np.repeat(random.gamma(shape, 1 / shape, 140), 24)
        times = reached(pace(fitted(cycles)), since, 400)
        widths.append(times[3] - times[1])
    assert widths[1] > 2 * widths[0]


def test_a_new_spindle_goes_by_its_group_and_says_less() -> None:
    group = prior_of([fitted(one_shift(12, pace_)) for pace_ in (18, 20, 22, 25)])
    assert group is not None
    new = pace_of(None, group, [None])
    known = pace_of(fitted(one_shift(12, 20)), group, [None])
    assert isinstance(new, Pace)
    assert isinstance(known, Pace)
    since = MONDAY + timedelta(weeks=12)
    from_group, from_itself = reached(new, since, 700), reached(known, since, 700)
    assert abs(from_group[2] - from_itself[2]) < timedelta(days=1.5)
    assert from_group[3] - from_group[1] > from_itself[3] - from_itself[1]


def test_without_use_or_readings_no_time_is_given() -> None:
    assert pace_of(fitted(np.zeros(3 * WEEK)), None, [None]) == "no_use_seen"
    assert pace_of(None, None, [None]) == "too_few_readings"
    assert pace_of(fitted(one_shift(1)[:20]), None, [None]) == "too_few_readings"


def test_a_limit_of_days_is_exact_and_cuts_off_what_cycles_say() -> None:
    at = MONDAY + timedelta(days=30)
    times = [at + timedelta(days=shift) for shift in (-9, -4, -1, 3, 8)]
    assert due_of(at, None) == Due(median=at, p80=(at, at), p95=(at, at))
    found = due_of(at, times)
    assert found == Due(median=times[2], p80=(times[1], at), p95=(times[0], at))


@given(
    cycles=st.lists(st.integers(0, 300), min_size=48, max_size=600),
    amount=st.integers(1, 10**7),
)
def test_quantiles_stand_in_order_and_after_the_moment(cycles: list[int], amount: int) -> None:
    found = fit(
        Readings(hours=BEGIN + np.arange(1, len(cycles) + 1.0), readings=np.cumsum(cycles).astype(float)),
        [COUNTER],
        [(BEGIN, 1e9)],
        [None],
    )
    answer = pace_of(found, None, [None])
    if isinstance(answer, str):
        assert sum(cycles) == 0
        return
    since = MONDAY + timedelta(hours=len(cycles))
    times = reached(answer, since, amount)
    assert list(times) == sorted(times)
    assert times[0] >= since
    assert len(times) == len(QUANTILES)


def test_every_scale_has_its_errors() -> None:
    found = fitted(one_shift(30))
    assert len(found.errors) == len(found.runs) == len(found.chosen) == len(SCALES)
    assert all(list(row) == sorted(row) for row in found.errors)
