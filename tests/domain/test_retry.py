"""When a notice is sent again: the schedule, its spread, and what a receiver asks for."""

from datetime import UTC, datetime, timedelta
from statistics import mean

import pytest

from service.domain.retry import SCHEDULE, next_delay, retry_after

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def test_ten_attempts_and_then_no_more() -> None:
    assert len(SCHEDULE) == 10
    assert next_delay(SCHEDULE, 0, "ntc_a") == timedelta(0)
    assert next_delay(SCHEDULE, 9, "ntc_a") is not None
    assert next_delay(SCHEDULE, 10, "ntc_a") is None


@pytest.mark.parametrize("attempts", range(1, 10))
def test_each_delay_is_spread_by_a_fifth_to_either_side(attempts: int) -> None:
    shares = [(next_delay(SCHEDULE, attempts, f"ntc_{n}") or timedelta(0)) / SCHEDULE[attempts] for n in range(400)]
    assert min(shares) >= 0.8
    assert max(shares) <= 1.2
    assert min(shares) < 0.82
    assert max(shares) > 1.18
    assert mean(shares) == pytest.approx(1, abs=0.02)


def test_the_spread_follows_from_notice_and_attempt() -> None:
    assert next_delay(SCHEDULE, 3, "ntc_a") == next_delay(SCHEDULE, 3, "ntc_a")
    flat = [timedelta(0), timedelta(seconds=100), timedelta(seconds=100)]
    assert len({next_delay(flat, attempts, name) for attempts in (1, 2) for name in ("ntc_a", "ntc_b")}) == 4


@pytest.mark.parametrize(
    ("header", "seconds"),
    [
        (None, 0),
        ("", 0),
        ("soon", 0),
        ("-5", 0),
        ("1.5", 0),
        ("٣", 0),
        ("0", 0),
        (" 120 ", 120),
        ("86400", 86_400),
        ("86401", 86_400),
        ("9" * 5000, 86_400),
        ("Mon, 02 Mar 2026 12:10:00 GMT", 600),
        ("Mon, 02 Mar 2026 12:10:00 -0000", 600),
        ("Mon, 02 Mar 2026 11:00:00 GMT", 0),
        ("Fri, 01 Jan 2027 00:00:00 GMT", 86_400),
        ("Mon, 99 Mar 2026 12:10:00 GMT", 0),
    ],
)
def test_retry_after(header: str | None, seconds: int) -> None:
    assert retry_after(header, NOON) == timedelta(seconds=seconds)
