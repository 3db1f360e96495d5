"""When a notice that was not taken is sent again: the schedule, its spread, and what a receiver asks for."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from hashlib import sha256
from typing import Final

SCHEDULE: Final = tuple(
    timedelta(seconds=seconds) for seconds in (0, 5, 300, 1_800, 7_200, 18_000, 36_000, 50_400, 72_000, 86_400)
)
"""How long before each attempt, counted from the one before: at once, 5 s, 5 min, 30 min, 2, 5, 10, 14, 20, 24 h."""

JITTER: Final = 0.2
RETRY_AFTER_MAX: Final = timedelta(hours=24)


def next_delay(schedule: Sequence[timedelta], attempts: int, notice: str) -> timedelta | None:
    """How long to wait after `attempts` attempts at a notice, or None where the schedule is used up.

    Spread by ±20 % so that what failed together does not come back together; the spread follows from the notice's
    id and the attempt's number.
    """
    if attempts >= len(schedule):
        return None
    digest = sha256(f"{notice}.{attempts + 1}".encode()).digest()
    share = int.from_bytes(digest[:8], "big") / 2**64
    return schedule[attempts] * (1 - JITTER + 2 * JITTER * share)


def retry_after(header: str | None, now: datetime) -> timedelta:
    """How long a `Retry-After` (RFC 9110, 10.2.3) asks to wait: seconds or a date; at most 24 hours, else nothing."""
    text = (header or "").strip()
    if text.isascii() and text.isdigit():
        return RETRY_AFTER_MAX if len(text) > 6 else min(timedelta(seconds=int(text)), RETRY_AFTER_MAX)
    try:
        until = parsedate_to_datetime(text)
    except ValueError:
        return timedelta(0)
    if until.tzinfo is None:
        until = until.replace(tzinfo=UTC)
    return min(max(until - now, timedelta(0)), RETRY_AFTER_MAX)
