"""How the invented plant's spindles are used, hour by hour, and what their clamp counters show of it.

Every number here is invented. Shifts run in the plant's local time, which has summer time by the European rule.
"""

from datetime import UTC, datetime, timedelta
from typing import Final, TypeAlias

import numpy as np
from msgspec import Struct

HOUR: Final = timedelta(hours=1)
WEEK: Final = 168
Floats: TypeAlias = np.ndarray[tuple[int, ...], np.dtype[np.float64]]

_EARLY, _LATE, _NIGHT, _DAY = range(6, 14), range(14, 22), (*range(22, 24), *range(6)), range(8, 17)
_SHIFTS: Final = {
    "day": [(day, hour) for day in range(5) for hour in _DAY],
    "one": [(day, hour) for day in range(5) for hour in _EARLY],
    "two": [(day, hour) for day in range(5) for hour in (*_EARLY, *_LATE)],
    "two and Saturday": [
        *((day, hour) for day in range(5) for hour in (*_EARLY, *_LATE)),
        *((5, hour) for hour in _EARLY),
    ],
    "three": [(day, hour) for day in range(5) for hour in (*_EARLY, *_LATE, *_NIGHT)],
    "round the clock": [(day, hour) for day in range(7) for hour in range(24)],
}


class Calendar(Struct, frozen=True, kw_only=True):
    """The hours of the story: where in the local week each lies, and whether the plant is closed then."""

    begin: datetime
    hours: int
    local: Floats
    closed: Floats


class Use(Struct, frozen=True, kw_only=True):
    """The hidden truth of one spindle's use: `before[n]` cycles lie before hour n of the story, as real numbers."""

    begin: datetime
    before: Floats

    def at(self, time: datetime) -> int:
        """Cycles made since the story began."""
        hour = (time - self.begin) / HOUR
        return int(np.interp(hour, np.arange(len(self.before)), self.before))

    def when(self, cycles: float, after: datetime | None = None) -> datetime | None:
        """When so many have been made for the first time, None within the story never; not before `after`."""
        if cycles > self.before[-1]:
            return None
        hour = int(np.searchsorted(self.before, cycles))
        if hour == 0:
            found = self.begin
        else:
            low, high = self.before[hour - 1], self.before[hour]
            found = self.begin + (hour - 1 + float((cycles - low) / (high - low))) * HOUR
        return found if after is None else max(found, after)


def summer(time: datetime) -> bool:
    """Whether summer time holds: from the last Sunday of March to that of October, 01:00 UTC (Directive 2000/84/EC)."""
    ends = []
    for month in (3, 10):
        last = datetime(time.year, month, 31, 1, tzinfo=UTC)
        ends.append(last - timedelta(days=(last.weekday() + 1) % 7))
    return ends[0] <= time < ends[1]


def calendar(random: np.random.Generator, begin: datetime, weeks: int, *, utc_offset: int = 0) -> Calendar:
    """Days off here and there, two weeks in summer, and the days about the turn of the year."""
    hours = weeks * WEEK
    times = [begin + hour * HOUR for hour in range(hours)]
    local = [time + (utc_offset + summer(time)) * HOUR for time in times]
    days_off = {
        (begin + timedelta(days=int(day))).date() for day in random.choice(weeks * 7, size=weeks // 7, replace=False)
    }
    shut = begin.replace(month=7, day=1).date() + timedelta(days=int(random.integers(7, 35)))
    closed = [
        (each.month, each.day) >= (12, 24)
        or (each.month, each.day) <= (1, 1)
        or each.date() in days_off
        or timedelta(0) <= each.date() - shut < timedelta(days=14)
        for each in local
    ]
    return Calendar(
        begin=begin,
        hours=hours,
        local=np.array([each.weekday() * 24 + each.hour for each in local], dtype=float),
        closed=np.array(closed, dtype=float),
    )


def shift_of(random: np.random.Generator) -> Floats:
    """How much of its pace a hall works at in each hour of the week: shifts, with a break in each."""
    name = random.choice(list(_SHIFTS), p=[0.15, 0.15, 0.3, 0.15, 0.15, 0.1])
    pattern = np.zeros(WEEK)
    for day, hour in _SHIFTS[str(name)]:
        pattern[day * 24 + hour] = 0.55 if hour % 8 == 2 else 1.0
    return pattern


def wander(random: np.random.Generator, weeks: int, spread: float, memory: float) -> Floats:
    """Levels of use, week by week: a mean of one, what was above stays above for a while."""
    level, levels = random.normal(0, spread), []
    for _ in range(weeks):
        levels.append(level)
        level = memory * level + random.normal(0, spread * np.sqrt(1 - memory**2))
    return np.exp(np.array(levels) - spread**2 / 2)


def machine_down(random: np.random.Generator, hours: int) -> Floats:
    """1 in the hours in which a machine stands: every few weeks, for hours or some days."""
    down, hour = np.zeros(hours), 0
    mean_between = random.uniform(300, 1200)
    while (hour := hour + int(random.exponential(mean_between))) < hours:
        lasts = 1 + int(random.lognormal(np.log(6), 1.1))
        down[hour : hour + lasts] = 1
        hour += lasts
    return down


def use_of(random: np.random.Generator, when: Calendar, shift: Floats, hall_level: Floats, down: Floats) -> Use:
    """One spindle: its pace, weeks and days that differ, jobs that come in batches, hours that scatter."""
    weeks = when.hours // WEEK
    pace = random.lognormal(np.log(30), 0.6)
    level = hall_level * wander(random, weeks, random.uniform(0.05, 0.25), random.uniform(0, 0.9))
    daily = random.lognormal(0, random.uniform(0.05, 0.3), weeks * 7)
    steps = np.cumsum(random.random(when.hours) < 1 / random.uniform(8, 80))
    batches = random.lognormal(0, random.uniform(0.0, 0.4), int(steps[-1]) + 1)[steps]
    number = np.arange(when.hours)
    mean = pace * level[number // WEEK] * daily[number // 24] * batches
    mean = mean * shift[when.local.astype(int)] * (1 - when.closed) * (1 - down)
    scatter = random.gamma(shape := random.uniform(2, 20), 1 / shape, when.hours)
    return Use(begin=when.begin, before=np.concatenate([[0.0], np.cumsum(random.poisson(mean * scatter))]))


class Exchange(Struct, frozen=True, kw_only=True):
    """The counter reset or replaced at `time`, after so many cycles; what it showed last, and first."""

    time: datetime
    cycles: int
    old_end: int
    new_start: int


class ShownCount(Struct, frozen=True, kw_only=True):
    """What the counter shows: where it began, where it rolls over, when it was exchanged, when it says nothing."""

    start: int
    modulus: int | None
    use: Use
    exchanges: tuple[Exchange, ...] = ()
    silent: tuple[tuple[datetime, datetime], ...] = ()

    def at(self, time: datetime) -> int:
        cycles, began, before = self.use.at(time), self.start, 0
        for each in self.exchanges:
            if each.time <= time:
                began, before = each.new_start, each.cycles
        shown = began + cycles - before
        return shown if self.modulus is None else shown % self.modulus

    def count_at(self, time: datetime) -> int:
        """The count that the ledger keeps: it never falls."""
        return self.start + self.use.at(time)

    def says(self, time: datetime) -> bool:
        return not any(begin <= time < end for begin, end in self.silent)


def shown_by(random: np.random.Generator, use: Use, weeks: int) -> ShownCount:
    """A counter somewhere in its life; a few roll over, are replaced or reset, or fall silent for some days."""
    modulus = int(random.choice([0, 1_000_000, 100_000], p=[0.3, 0.5, 0.2])) or None
    shown = ShownCount(start=int(random.integers(0, 90_000)), modulus=modulus, use=use)
    exchanges: tuple[Exchange, ...] = ()
    if random.random() < 0.1 and weeks > 12:
        time = use.begin + timedelta(hours=int(random.integers(8, weeks - 4)) * WEEK + int(random.integers(0, WEEK)))
        new_start = 0 if random.random() < 0.6 else int(random.integers(0, 50_000))
        exchanges = (Exchange(time=time, cycles=use.at(time), old_end=shown.at(time), new_start=new_start),)
    silent: tuple[tuple[datetime, datetime], ...] = ()
    if random.random() < 0.25 and weeks > 8:
        begin = use.begin + timedelta(hours=int(random.integers(4 * WEEK, (weeks - 4) * WEEK)))
        silent = ((begin, begin + timedelta(hours=int(random.integers(12, 240)))),)
    return ShownCount(start=shown.start, modulus=modulus, use=use, exchanges=exchanges, silent=silent)
