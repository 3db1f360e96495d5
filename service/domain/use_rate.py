"""A spindle's rate of use: the week's pattern, the level now, and how far such forecasts were wrong in its own past.

Rules of this file
- Pattern: mean cycles in each hour of the local week, newer weeks weighing more, drawn towards a prior by as much as
  few weeks say little (the posterior mean of a Poisson rate under a gamma prior).
- Level: exponentially weighted ratio of what was made to what the pattern expects (Brown, Statistical Forecasting for
  Inventory Control, 1959), over several half-lives. Days without use do not move it: a machine that stands and a plant
  that is closed are not a lower pace. What they cost is in the errors.
- Errors: no distribution is assumed. From many moments of the past the level known then is extrapolated, and the
  use that was expected until an amount had really been made is set against that amount. Quantiles of the logarithm
  of that ratio are what intervals are made of (an empirical prediction interval: Williams and Goodman, J. Amer.
  Statist. Assoc. 66, 1971), for amounts from an hour's use to eight weeks'.
"""

from collections.abc import Sequence
from datetime import tzinfo
from typing import Final

import numpy as np
from msgspec import Struct

from service.domain.use_series import RESOLVED_WITHIN, Exchanged, Readings, UseSeries, rises, series_of
from service.domain.week_pattern import WEEK, Floats, Whole, cells

SCALES: Final = (1 / 24, 1 / 8, 1 / 4, 1 / 2, 1.0, 2.0, 4.0, 7.0, 14.0, 28.0, 56.0)
"""Amounts, in days of use on average, for which errors are kept."""
QUANTILES: Final = (0.025, 0.1, 0.5, 0.9, 0.975)
HALF_LIVES: Final = (0.5, 1.0, 2.0, 4.0, 10.0, 26.0)
"""Weeks. Which serves best is found out for each amount."""
STEADY: Final = 3
"""The half-life that is taken unless another is clearly better."""
_PATTERN_HALF_LIFE: Final = 13.0
_PASSES: Final = 3
_ORIGINS: Final = 700
_FOLDS: Final = 4
LOOKED_AT: Final = 56
"""Weeks of the past that are looked at: a year, and what a forecast of a month at its beginning needs."""
_CLEARLY: Final = 0.99
_BURN_IN: Final = 1.0
_REACH: Final = 1.6
"""A moment counts where so many times the amount was still expected within what is known: fast and slow runs alike."""
_OWN_HALF: Final = 20.0
"""With so many independent runs of its own a spindle's errors weigh as much as its group's. Ours."""
_GROUP_HALF: Final = 40.0
_ALIKE: Final = 4
"""So many members of a group count as independent: a quiet month is quiet for all of them. Ours."""
_EVENS_OUT: Final = 0.2
"""How fast errors shrink as amounts grow where no run tells: by the root they would were days independent, not at all
were the level's error everything. Between the two; ours."""
_STILL: Final = 0.1
"""A day with less than this part of what was expected is a day without use."""


class UseFit(Struct, frozen=True, kw_only=True):
    """What is known of one spindle's use. `pattern` is cycles in each hour of the week at the level of one.

    `levels` by half-life; `errors` by scale the quantiles of the logarithm of the ratio, `runs` how many independent
    runs they are from; `chosen` by scale the half-life. `days` are days in the machine, `cycles` what was made in
    them, `seen` the days that readings close together tell of, and one for each longer gap; `through` is the last
    reading, in hours since the epoch; `zone` which of the zones asked about.
    """

    through: float
    days: float
    seen: float
    cycles: float
    pattern: tuple[float, ...]
    levels: tuple[float, ...]
    errors: tuple[tuple[float, ...], ...]
    runs: tuple[float, ...]
    chosen: tuple[int, ...]
    zone: int = 0

    @property
    def per_day(self) -> float:
        """Cycles a day on average, days without use included."""
        return self.cycles / self.days if self.days else 0.0

    @property
    def pace(self) -> float:
        """Cycles a day at the present level, were it used as on other such days."""
        return sum(self.pattern) / 7 * self.levels[STEADY]


class Prior(Struct, frozen=True, kw_only=True):
    """What a group knows: the shape of its week (168 parts of one), cycles a day as its members are used, how far they
    differ in that (standard deviation of the logarithm), and their errors.
    """

    members: int
    shape: tuple[float, ...]
    per_day: float
    spread: float
    errors: tuple[tuple[float, ...], ...]
    runs: tuple[float, ...]


def fit(
    found: Readings,
    exchanged: Sequence[Exchanged],
    stays: Sequence[tuple[float, float]],
    zones: Sequence[tzinfo | None],
    prior: Prior | None = None,
) -> UseFit | None:
    """The fit of one spindle, None where its counter was not read at two moments.

    Of several `zones` that by whose wall clock its weeks are most alike; the first, unless another is clearly better.
    """
    times, made = _lately(*rises(found, exchanged))
    if len(times) < 2 or times[-1] - times[0] < 1 / 60:
        return None
    series = series_of(times, made, stays=stays)
    zone, cell = _clock(series, zones)
    up: Floats = np.ones(len(cell))
    pattern: Floats = np.zeros(WEEK)
    for _ in range(_PASSES):
        pattern = _pattern(series, cell, up, prior)
        if not pattern.any():
            break
        expected = pattern[cell] * series.open
        up = _days_of_use(series, expected)
        series = series_of(times, made, stays=stays, expected=expected)
    days = float(series.open.sum()) / 24
    cycles = float((series.cycles * (series.open > 0)).sum())
    seen = float((series.open * series.observed).sum()) / 24 + int((np.diff(times) > RESOLVED_WITHIN).sum())
    if cycles <= 0 or not pattern.any():
        return _nothing_made(float(times[-1]), days, seen, zone)
    levels = _levels(pattern[cell] * series.open * up, series.cycles * up, float(pattern.sum()))
    unseen = _unseen(series, cell, up, prior) * series.open
    then = _levels(unseen * up, series.cycles * up, float(pattern.sum()))
    errors, runs, chosen = _errors(series, unseen, then, cycles / max(days, 1e-9), days)
    return UseFit(
        through=float(times[-1]),
        days=days,
        seen=seen,
        cycles=cycles,
        pattern=tuple(float(each) for each in pattern),
        levels=tuple(float(each) for each in levels[:, -1]),
        errors=errors,
        runs=runs,
        chosen=chosen,
        zone=zone,
    )


def _lately(times: Floats, made: Floats) -> tuple[Floats, Floats]:
    """What is not older than a year and some weeks."""
    if not len(times):
        return times, made
    place = int(np.searchsorted(times, times[-1] - LOOKED_AT * WEEK))
    return times[place:], made[place:]


def _clock(series: UseSeries, zones: Sequence[tzinfo | None]) -> tuple[int, Whole]:
    """The zone by whose wall clock an hour of the week is most like the same hour of other weeks, and the hours by it.

    Zones differ here by their summer time alone: until a change of the clock is past by two weeks there is no telling.
    """
    best, found = 0, cells(series.first, len(series.cycles), zones[0])
    least = _misfit(series, found) if len(zones) > 1 else 0.0
    for place, zone in enumerate(zones[1:], 1):
        other = cells(series.first, len(series.cycles), zone)
        shifted = np.count_nonzero((other - found) % WEEK != (other[0] - found[0]) % WEEK)
        if min(shifted, len(other) - shifted) < 2 * WEEK:
            continue
        misfit = _misfit(series, other)
        if misfit < _CLEARLY * least:
            best, found, least = place, other, misfit
    return best, found


def _misfit(series: UseSeries, cell: Whole) -> float:
    """Sum of squares about the mean of each hour of the week, over what was observed."""
    weight = series.observed * series.open
    seen = np.maximum(np.bincount(cell, weight, WEEK), 1e-9)
    mean = np.bincount(cell, weight * series.cycles, WEEK) / seen
    return float((weight * (series.cycles - mean[cell]) ** 2).sum())


def _nothing_made(through: float, days: float, seen: float, zone: int) -> UseFit:
    none = (0.0,) * len(QUANTILES)
    return UseFit(
        through=through,
        days=days,
        seen=seen,
        cycles=0.0,
        pattern=(0.0,) * WEEK,
        levels=(1.0,) * len(HALF_LIVES),
        errors=(none,) * len(SCALES),
        runs=(0.0,) * len(SCALES),
        chosen=(STEADY,) * len(SCALES),
        zone=zone,
    )


def _pattern(series: UseSeries, cell: Whole, up: Floats, prior: Prior | None) -> Floats:
    age = (len(cell) - np.arange(len(cell))) / WEEK
    weight = up * series.observed * np.exp2(-age / _PATTERN_HALF_LIFE)
    if not (weight * series.open).any():
        weight = up * np.exp2(-age / _PATTERN_HALF_LIFE)
    made: Floats = np.bincount(cell, weight * series.cycles, WEEK).astype(float)
    hours: Floats = np.bincount(cell, weight * series.open, WEEK).astype(float)
    if hours.sum() <= 0:
        return np.zeros(WEEK)
    if prior is not None:
        shape = np.array(prior.shape)
        expected = float((shape * hours).sum())
        towards = shape * (made.sum() / expected) if expected > 0 else _like_other_days(made, hours)
        known = 1.0
    else:
        towards, known = _like_other_days(made, hours), 0.25
    found: Floats = (made + known * towards) / (hours + known)
    return found


def _like_other_days(made: Floats, hours: Floats) -> Floats:
    """What an hour of the week would be if working days were alike, and the days of the weekend."""
    by_day, seen = made.reshape(7, 24), hours.reshape(7, 24)
    alike = np.empty((7, 24))
    everything = made.sum() / hours.sum()
    for days in (slice(0, 5), slice(5, 7)):
        known = seen[days].sum(axis=0)
        alike[days] = np.where(known > 0, by_day[days].sum(axis=0) / np.maximum(known, 1e-9), everything)
    return alike.reshape(WEEK)


def _days_of_use(series: UseSeries, expected: Floats) -> Floats:
    """0 in the hours of days in which nearly nothing was made where something was expected, else 1."""
    day = (series.first + np.arange(len(expected))) // 24
    day = day - day[0]
    wanted = np.bincount(day, expected)
    made = np.bincount(day, series.cycles)
    typical = float(wanted.max())
    still = (made < _STILL * wanted) & (wanted > 0.2 * typical)
    found: Floats = np.where(still, 0.0, 1.0)[day]
    return found


def _unseen(series: UseSeries, cell: Whole, up: Floats, prior: Prior | None) -> Floats:
    """What is expected in each hour by a pattern that has not seen its week: else past errors would look too small."""
    fold = (np.arange(len(cell)) // WEEK) % _FOLDS
    expected = np.empty(len(cell))
    for each in range(_FOLDS):
        mine = fold == each
        if mine.any():
            others = _pattern(series, cell, np.where(mine, 0.0, up), prior)
            expected[mine] = others[cell[mine]]
    return expected


def _levels(expected: Floats, made: Floats, week: float) -> Floats:
    """The level at the end of each hour, for each half-life: (half-lives, hours)."""
    weeks = np.cumsum(expected) / week
    found = np.empty((len(HALF_LIVES), len(expected)))
    for place, half_life in enumerate(HALF_LIVES):
        growth = np.exp2(weeks / half_life)
        top = np.cumsum(made * growth) + 0.1 * week
        bottom = np.cumsum(expected * growth) + 0.1 * week
        found[place] = np.maximum(top / bottom, 1e-3)
    return found


def _errors(
    series: UseSeries, expected: Floats, levels: Floats, per_day: float, days: float
) -> tuple[tuple[tuple[float, ...], ...], tuple[float, ...], tuple[int, ...]]:
    """For each scale: quantiles of log ratio, how many independent runs, and which half-life served best."""
    made = np.concatenate([[0.0], np.cumsum(series.cycles * (series.open > 0))])
    wanted = np.concatenate([[0.0], np.cumsum(expected)])
    burn_in = int(_BURN_IN * WEEK)
    origins = np.arange(burn_in, len(expected), max(1, len(expected) // _ORIGINS))
    origins = origins[series.open[origins] > 0.99] if len(origins) else origins
    ahead = (wanted[-1] - wanted[origins]) * levels[STEADY, origins - 1] if len(origins) else np.zeros(0)
    ahead = ahead * made[-1] / max(float((expected * levels[STEADY]).sum()), 1e-9)
    tables: list[tuple[float, ...]] = []
    runs: list[float] = []
    chosen: list[int] = []
    for scale in SCALES:
        amount = scale * per_day
        best, table, independent = STEADY, (0.0,) * len(QUANTILES), 0.0
        begin = origins[ahead >= _REACH * amount]
        if amount > 0 and len(begin) >= 8:
            ratios = _ratios(made, wanted, begin, amount) * levels[:, begin - 1]
            logs = np.log(np.maximum(ratios, 1e-6))
            misses = np.abs(logs).mean(axis=1)
            best = int(np.argmin(misses)) if misses.min() < 0.98 * misses[STEADY] else STEADY
            quantiles = np.quantile(logs[best], QUANTILES)
            table = tuple(float(each) for each in quantiles)
            independent = days * len(begin) / max(len(origins), 1) / max(scale, 0.5)
        tables.append(table)
        runs.append(independent)
        chosen.append(best)
    return tuple(tables), tuple(runs), tuple(chosen)


def _ratios(made: Floats, wanted: Floats, begin: Whole, amount: float) -> Floats:
    """Use expected, at the level of one, until `amount` had been made from each moment on, over that amount.

    Where that never was within what is known, as much as is known.
    """
    target = made[begin] + amount
    place = np.searchsorted(made, target, side="left")
    inside = np.minimum(place, len(made) - 1)
    low, high = made[inside - 1], made[inside]
    part = np.clip((target - low) / np.maximum(high - low, 1e-9), 0, 1)
    then = wanted[inside - 1] + part * (wanted[inside] - wanted[inside - 1])
    found: Floats = (then - wanted[begin]) / amount
    return found


def prior_of(fits: Sequence[UseFit]) -> Prior | None:
    """What spindles of a group know together; None where none of them was used."""
    used = [each for each in fits if each.cycles > 0 and each.seen >= 1]
    if not used:
        return None
    weights = np.array([min(each.days, 90.0) for each in used])
    shapes = np.array([np.array(each.pattern) / sum(each.pattern) for each in used])
    rates = np.log([each.pace for each in used])
    mean = float(np.average(rates, weights=weights))
    spread = float(np.sqrt(np.average((rates - mean) ** 2, weights=weights))) if len(used) > 2 else 0.7
    runs = np.array([each.runs for each in used])
    errors = np.array([each.errors for each in used])
    pooled = (errors * runs[:, :, None]).sum(axis=0) / np.maximum(runs.sum(axis=0), 1e-9)[:, None]
    total = runs.mean(axis=0) * min(len(used), _ALIKE)
    return Prior(
        members=len(used),
        shape=tuple(float(each) for each in np.average(shapes, axis=0, weights=weights)),
        per_day=float(np.exp(mean)),
        spread=max(spread, 0.2),
        errors=tuple(tuple(float(value) for value in row) for row in pooled),
        runs=tuple(float(each) for each in total),
    )


def spreads(own: UseFit | None, prior: Prior | None) -> Floats:
    """Quantiles of the log ratio for each scale: own, the group's, and what shorter amounts say, by how many runs each
    rests on: (scales, quantiles).

    Quantiles are averaged (Vincent, 1912), so that the result keeps the shape of what it is made of.
    """
    table = np.empty((len(SCALES), len(QUANTILES)))
    known = _UNKNOWN
    for place, scale in enumerate(SCALES):
        if place:
            shorter = known[2] + (known - known[2]) * (SCALES[place - 1] / scale) ** _EVENS_OUT
            known = shorter
        if prior is not None:
            part = prior.runs[place] / (prior.runs[place] + _GROUP_HALF)
            known = part * np.array(prior.errors[place]) + (1 - part) * known
        if own is not None:
            part = own.runs[place] / (own.runs[place] + _OWN_HALF)
            known = part * np.array(own.errors[place]) + (1 - part) * known
        table[place] = known
    return table


_UNKNOWN: Final = np.array([-1.6, -1.0, 0.0, 1.1, 2.0])
"""An hour's use where nothing is known: from a fifth of it to seven times, late rather than early. Ours."""
