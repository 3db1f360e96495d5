"""The hours of a week in a plant's own time: which of the 168 an hour is, and how long an amount of use takes.

Times are real numbers of hours since 1970-01-01T00:00Z. A zone is any tzinfo; by the wall clock of its place a shift
begins at the same hour before and after summer time begins.
"""

from datetime import UTC, datetime, timedelta, tzinfo
from functools import lru_cache
from typing import Final, TypeAlias

import numpy as np

WEEK: Final = 168
Floats: TypeAlias = np.ndarray[tuple[int, ...], np.dtype[np.float64]]
Whole: TypeAlias = np.ndarray[tuple[int, ...], np.dtype[np.int64]]

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_EPOCH_CELL: Final = 72
"""1970-01-01 was a Thursday: hour 72 of a week that begins on Monday."""
_HOUR: Final = timedelta(hours=1)


def hours_of(time: datetime) -> float:
    """A time as hours since the epoch."""
    return (time - _EPOCH) / _HOUR


def time_of(hours: float) -> datetime:
    """Hours since the epoch as a time in UTC, to the second."""
    return _EPOCH + timedelta(seconds=round(hours * 3600))


@lru_cache(maxsize=20_000)
def _offset_on(day: int, zone: tzinfo) -> tuple[float, float]:
    """Hours ahead of UTC at the beginning and the end of a day of UTC."""
    begin = _EPOCH + timedelta(days=day)
    first, last = (zone.utcoffset(each.astimezone(zone)) for each in (begin, begin + timedelta(days=1)))
    assert first is not None
    assert last is not None
    return first / _HOUR, last / _HOUR


def ahead_of_utc(hours: float, zone: tzinfo | None) -> float:
    """How many hours the wall clock is ahead of UTC at a time."""
    if zone is None:
        return 0.0
    first, last = _offset_on(int(hours // 24), zone)
    if first == last:
        return first
    offset = zone.utcoffset((_EPOCH + hours * _HOUR).astimezone(zone))
    assert offset is not None
    return offset / _HOUR


def cells(first: int, count: int, zone: tzinfo | None) -> Whole:
    """Which hour of the local week each of `count` hours is, from the hour `first` on."""
    hours = np.arange(first, first + count)
    if zone is None:
        return (hours + _EPOCH_CELL) % WEEK
    ahead = np.empty(count)
    for day in range(first // 24, (first + count) // 24 + 1):
        begin, end = max(day * 24 - first, 0), min((day + 1) * 24 - first, count)
        if end <= begin:
            continue
        at_begin, at_end = _offset_on(day, zone)
        if at_begin == at_end:
            ahead[begin:end] = at_begin
        else:
            ahead[begin:end] = [ahead_of_utc(float(each) + first, zone) for each in range(begin, end)]
    return (np.floor(hours + ahead).astype(np.int64) + _EPOCH_CELL) % WEEK


def sums_of(pattern: Floats) -> Floats:
    """Use before each hour of the week and at its end: 169 values."""
    return np.concatenate([[0.0], np.cumsum(pattern)])


def later(sums: Floats, start: float, use: float, zone: tzinfo | None) -> float:
    """When an amount of use after `start` has been made, by the pattern whose `sums_of` are given, above zero in all.

    Counted by the wall clock, so that the change to summer time moves no shift.
    """
    local = start + ahead_of_utc(start, zone) + _EPOCH_CELL
    week, within = local // WEEK, local % WEEK
    target = float(np.interp(within, _EDGES, sums)) + use
    weeks, rest = divmod(target, float(sums[-1]))
    place = int(np.searchsorted(sums, rest, side="left"))
    if place == 0:
        inside = 0.0
        if weeks:  # at the very end of a week's use: when it was reached, not when the next week's begins
            weeks, rest = weeks - 1, float(sums[-1])
            place = int(np.searchsorted(sums, rest, side="left"))
    if place:
        low, high = float(sums[place - 1]), float(sums[place])
        inside = place - 1 + (rest - low) / (high - low)
    found = (week + weeks) * WEEK + inside - _EPOCH_CELL
    guess = found - ahead_of_utc(found - ahead_of_utc(start, zone), zone)
    return max(guess, start)


_EDGES: Final = np.arange(WEEK + 1, dtype=float)
