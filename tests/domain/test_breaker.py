"""An endpoint's standing: failures in a row slow it, rest it, announce it, and in the end give it up."""

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from service.domain.breaker import (
    DISABLE_AFTER,
    FAILURES_TO_REST,
    FAILURES_TO_SLOW,
    REST_MAX,
    REST_MIN,
    WELL,
    Change,
    Standing,
    Tried,
    after,
    at_once,
)

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def failed(seconds: float = 0, **more: timedelta | bool) -> Tried:
    return Tried(noted=NOON + timedelta(seconds=seconds), delivered=False, **more)  # type: ignore[arg-type]


def delivered(seconds: float = 0) -> Tried:
    return Tried(noted=NOON + timedelta(seconds=seconds), delivered=True)


def test_a_success_ends_whatever_was_before_it() -> None:
    many = [failed(each) for each in range(FAILURES_TO_REST)]
    assert after(WELL, [*many, delivered(99)]) == Change(standing=WELL)


def test_few_failures_slow_and_do_not_rest() -> None:
    standing = after(WELL, [failed(each) for each in range(FAILURES_TO_SLOW)]).standing
    assert (standing.failures, standing.failing, standing.rests) == (FAILURES_TO_SLOW, NOON, None)
    assert [at_once(failures, 8) for failures in (0, FAILURES_TO_SLOW - 1, FAILURES_TO_SLOW)] == [8, 8, 1]


def test_many_failures_rest_half_as_long_as_they_last_within_limits_and_are_announced_once() -> None:
    change = after(WELL, [failed() for _ in range(FAILURES_TO_REST)])
    assert change.announce
    assert change.standing.rests == NOON + REST_MIN
    later = after(change.standing, [failed(120)])
    assert not later.announce
    assert later.standing.rests == NOON + timedelta(seconds=180)
    assert after(later.standing, [failed(86_400)]).standing.rests == NOON + timedelta(days=1) + REST_MAX


def test_an_endpoint_that_few_notices_go_to_is_announced_after_an_hour() -> None:
    first = after(WELL, [failed(), failed(3599)])
    assert not first.announce
    assert after(first.standing, [failed(3600)]).announce


def test_what_an_endpoint_asks_for_is_kept_and_not_shortened() -> None:
    asked = after(WELL, [failed(asked=timedelta(hours=3)), failed(1)])
    assert asked.standing.rests == NOON + timedelta(hours=3)


def test_only_a_used_up_schedule_after_days_gives_up() -> None:
    standing = Standing(failures=40, failing=NOON, told=NOON)
    late = DISABLE_AFTER.total_seconds()
    assert not after(standing, [failed(late)]).give_up
    assert not after(standing, [failed(late - 1, exhausted=True)]).give_up
    assert after(standing, [failed(late, exhausted=True)]).give_up
    assert not after(standing, [failed(late, exhausted=True), delivered(late)]).give_up


@given(st.lists(st.tuples(st.booleans(), st.integers(0, 10**6)), max_size=30), st.integers(0, 30))
def test_attempts_noted_in_two_portions_leave_what_all_at_once_leave(made: list[tuple[bool, int]], cut: int) -> None:
    tried = [delivered(at) if success else failed(at) for success, at in sorted(made, key=lambda each: each[1])]
    first = after(WELL, tried[:cut])
    second = after(first.standing, tried[cut:])
    assert second.standing == after(WELL, tried).standing
