"""Counter readings as use hour by hour: roll-overs and exchanged counters seen through, what is unknown left unknown.

Rules of this file
- An hour without a reading is no hour without use: what the counter rose by over a gap is spread over it by the week's
  pattern. That is the E step of the EM algorithm for counts of which only sums are known (Dempster, Laird and Rubin,
  J. R. Statist. Soc. B 39, 1977); fitting the pattern to them is the M step.
- Hours while a spindle was not in its machine are no hours of use and none without.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np
from msgspec import Struct

from service.domain.week_pattern import Floats

RESOLVED_WITHIN: Final = 26.0
"""Hours between two readings up to which the hours between them count as observed: a counter read once a day. Ours."""


class Exchanged(Struct, frozen=True, kw_only=True):
    """From then on another counter, or the same one reset: what the old ended at, if known, the new begins at."""

    hour: float
    old_end: int | None
    new_start: int
    cycles_per_count: int
    modulus: int | None
    max_per_second: int


class Readings(Struct, frozen=True, kw_only=True):
    """What a counter showed, in the order of time: hours since the epoch, and the readings."""

    hours: Floats
    readings: Floats


class UseSeries(Struct, frozen=True, kw_only=True):
    """Cycles of use in each hour from `first` on. `open`: part of the hour in which use could be counted at all;
    `observed`: whether the readings about it lie close enough together.
    """

    first: int
    cycles: Floats
    open: Floats
    observed: Floats


def rises(found: Readings, exchanged: Sequence[Exchanged]) -> tuple[Floats, Floats]:
    """Times and cycles made since the first of them, never falling.

    `exchanged` begins with the counter as it was commissioned. A lower reading is a roll-over where the way forward
    over the modulus fits the time, as it is for the count; else nothing is known of the rise, and it counts as none.
    """
    times: list[Floats] = []
    made: list[Floats] = []
    total = 0.0
    for place, counter in enumerate(exchanged):
        begin = np.searchsorted(found.hours, counter.hour, side="right")
        last = place == len(exchanged) - 1
        end = len(found.hours) if last else np.searchsorted(found.hours, exchanged[place + 1].hour, side="left")
        hours = np.concatenate([[counter.hour], found.hours[begin:end]])
        shown = np.concatenate([[float(counter.new_start)], found.readings[begin:end]])
        following = None if last else exchanged[place + 1]
        if following is not None and following.old_end is not None:
            hours = np.append(hours, following.hour)
            shown = np.append(shown, float(following.old_end))
        step = np.diff(shown)
        most = counter.max_per_second * (np.diff(hours) * 3600 + 1)
        over = step + (counter.modulus or 0)
        step = np.where(step < 0, np.where((over >= 0) & (counter.modulus is not None), over, 0.0), step)
        step = np.where(step > most, 0.0, step) * counter.cycles_per_count
        times.append(hours)
        made.append(total + np.concatenate([[0.0], np.cumsum(step)]))
        total = float(made[-1][-1])
    return np.concatenate(times), np.concatenate(made)


def series_of(
    times: Floats,
    made: Floats,
    *,
    stays: Sequence[tuple[float, float]],
    expected: Floats | None = None,
) -> UseSeries:
    """Use by the hour from the first reading to the last, in the `stays` in a machine (from, until).

    Between two readings use follows `expected`, which says for each hour from the first on how much is expected in it,
    where that is given and not all zero; else it is even.
    """
    first, end = int(np.floor(times[0])), int(np.ceil(times[-1]))
    edges = np.arange(first, max(end, first + 1) + 1, dtype=float)
    if expected is None:
        done = np.interp(edges, times, made)
    else:
        done = _by_expectation(edges, times, made, np.concatenate([[0.0], np.cumsum(expected)]))
    after = np.clip(np.searchsorted(times, edges[:-1] + 0.5), 1, max(len(times) - 1, 1))
    apart = np.diff(times)[after - 1] if len(times) > 1 else np.full(len(edges) - 1, np.inf)
    open_part = np.zeros(len(edges) - 1)
    for begin, until in [(max(a, times[0]), min(b, times[-1])) for a, b in stays]:
        open_part += np.clip(np.minimum(edges[1:], until) - np.maximum(edges[:-1], begin), 0, 1)
    return UseSeries(
        first=first,
        cycles=np.diff(done),
        open=np.minimum(open_part, 1.0),
        observed=(apart <= RESOLVED_WITHIN).astype(float),
    )


def _by_expectation(edges: Floats, times: Floats, made: Floats, sums: Floats) -> Floats:
    """Cycles made by each edge: between two readings in the ratio of what is expected, evenly where nothing is."""
    at_times = np.interp(times, edges, sums)
    place = np.clip(np.searchsorted(times, edges, side="right") - 1, 0, len(times) - 2) if len(times) > 1 else None
    if place is None:
        return np.interp(edges, times, made)
    wide = at_times[place + 1] - at_times[place]
    even = (edges - times[place]) / np.maximum(times[place + 1] - times[place], 1e-9)
    part = np.where(wide > 1e-9, (sums - at_times[place]) / np.maximum(wide, 1e-9), even)
    done: Floats = made[place] + np.clip(part, 0, 1) * (made[place + 1] - made[place])
    return done
