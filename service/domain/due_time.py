"""When a recheck falls due: the time at which the count reaches it, with intervals, and the days limit, if sooner.

Rules of this file
- A time is given only where use has been seen: the spindle's own, or its group's. Else the answer says what is missing.
- Intervals are predictive: what is uncertain about the level, what weeks, days and hours differ by, and standing still
  are in them as they were in the past (see `use_rate`). A limit of days is exact and cuts them off.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta, tzinfo
from typing import Final

import numpy as np
from msgspec import Struct

from service.domain.use_rate import HALF_LIVES, QUANTILES, SCALES, STEADY, Prior, UseFit, spreads
from service.domain.week_pattern import Floats, hours_of, later, sums_of, time_of

METHOD: Final = "hour-of-week pattern, exponentially weighted level, empirical errors of past forecasts"
OWN_DAYS: Final = 2.0
"""Days seen from which on a spindle's own use is worth a forecast without a group. Ours."""
FURTHEST: Final = timedelta(days=3653)
_LOG_SCALES: Final = np.log(SCALES)
_FEW_DAYS: Final = 0.15
"""Variance of a day's use about its mean, for how soon own days outweigh the group. Ours."""


class Due(Struct, frozen=True, kw_only=True):
    """When it falls due: as likely before as after `median`; within `p80` and `p95` with that probability."""

    median: datetime
    p80: tuple[datetime, datetime]
    p95: tuple[datetime, datetime]


class Pace(Struct, frozen=True, kw_only=True):
    """Use as it is extrapolated. `sums`: use before each hour of the week; `levels` by half-life; `table`: errors by
    scale; `widened`: standard deviation of the log of the level beyond past errors, where the group stands in.
    """

    own: UseFit | None
    prior: Prior | None
    sums: Floats
    levels: Floats
    widened: float
    table: Floats
    zone: tzinfo | None

    @property
    def per_day(self) -> float:
        return float(self.sums[-1]) / 7 * float(self.levels[STEADY])


_CLOSURES: Final = 1.5
_CLOSED: Final = 12.0
_NORMAL: Final = np.array([-1.96, -1.2816, 0.0, 1.2816, 1.96])
"""The quantiles of a standard normal, between which those of a ratio are interpolated."""
_FINE: Final = np.linspace(-2.6, 2.6, 53)
_FINE_WEIGHT: Final = np.exp(-(_FINE**2) / 2) / np.exp(-(_FINE**2) / 2).sum()


def pace_of(own: UseFit | None, prior: Prior | None, zones: Sequence[tzinfo | None]) -> Pace | str:
    """The pace, or what is missing for one: `no_use_seen`, `too_few_readings`. `zones` as for the fit."""
    zone = zones[0 if own is None else own.zone]
    if own is not None and own.cycles <= 0 and own.seen >= OWN_DAYS:
        return "no_use_seen"
    enough = own is not None and own.cycles > 0 and (own.seen >= OWN_DAYS or prior is not None)
    if not enough and prior is None:
        return "too_few_readings"
    if own is None or not enough:
        assert prior is not None
        sums = sums_of(np.array(prior.shape) * prior.per_day * 7)
        return Pace(
            own=None,
            prior=prior,
            sums=sums,
            levels=np.ones(len(HALF_LIVES)),
            widened=prior.spread,
            table=spreads(None, prior),
            zone=zone,
        )
    sums, levels = sums_of(np.array(own.pattern)), np.array(own.levels)
    widened = 0.0
    if prior is not None:
        days = _FEW_DAYS / prior.spread**2 * 2
        part = own.seen / (own.seen + days)
        group = prior.per_day / (float(sums[-1]) / 7)
        levels = np.exp(part * np.log(levels) + (1 - part) * np.log(max(group, 1e-6)))
        widened = prior.spread * float(np.sqrt(1 - part)) if own.seen < 14 else 0.0
    return Pace(own=own, prior=prior, sums=sums, levels=levels, widened=widened, table=spreads(own, prior), zone=zone)


def own_weight(pace: Pace) -> float:
    """The part of the spindle's own level in the pace's."""
    if pace.own is None:
        return 0.0
    if pace.prior is None:
        return 1.0
    return pace.own.seen / (pace.own.seen + _FEW_DAYS / pace.prior.spread**2 * 2)


def reached(pace: Pace, since: datetime, cycles: float) -> tuple[datetime, ...]:
    """Quantiles of the time at which so many cycles after `since` have been made, in the order of QUANTILES."""
    start = hours_of(since)
    if cycles <= 0:
        return (since,) * len(QUANTILES)
    days = float(np.clip(np.log(cycles / pace.per_day), _LOG_SCALES[0], _LOG_SCALES[-1]))
    above = int(np.clip(np.searchsorted(_LOG_SCALES, days), 1, len(SCALES) - 1))
    part = (days - _LOG_SCALES[above - 1]) / (_LOG_SCALES[above] - _LOG_SCALES[above - 1])
    logs = np.zeros(len(QUANTILES))
    level = 0.0
    for place, weight in ((above - 1, 1 - part), (above, part)):
        logs = logs + weight * pace.table[place]
        chosen = STEADY if pace.own is None else pace.own.chosen[place]
        level += weight * float(np.log(pace.levels[chosen]))
    if pace.widened:
        away = _NORMAL * pace.widened
        middle = logs[2]
        logs = middle + np.sign(away) * np.sqrt((logs - middle) ** 2 + away**2)
    logs = np.maximum.accumulate(_with_closures(logs, float(np.exp(days)), 0.0 if pace.own is None else pace.own.days))
    furthest = hours_of(since + FURTHEST)
    uses = cycles * np.exp(logs - level)
    return tuple(time_of(min(later(pace.sums, start, float(use), pace.zone), furthest)) for use in uses)


def _with_closures(logs: Floats, days: float, known: float) -> Floats:
    """The quantiles mixed with those of a time in which the plant closes, as far as less than a year is `known` (days).

    What comes once a year is in no history of some months. That a plant closes one and a half times a year, for twelve
    days, when nobody has said, is an assumption of ours.
    """
    chance = max(0.0, 1 - known / 365) * (1 - float(np.exp(-_CLOSURES * (days + _CLOSED) / 365)))
    if chance < 0.002:
        return logs
    beyond = (_FINE[-1] - _NORMAL[-1]) / (_NORMAL[-1] - _NORMAL[-2])
    ends = (logs[0] - beyond * (logs[1] - logs[0]), logs[-1] + beyond * (logs[-1] - logs[-2]))
    plain = np.interp(_FINE, [_FINE[0], *_NORMAL, _FINE[-1]], [ends[0], *logs, ends[1]])
    closed = np.log(np.exp(plain) + _CLOSED / days)
    both = np.concatenate([plain, closed])
    weight = np.concatenate([_FINE_WEIGHT * (1 - chance), _FINE_WEIGHT * chance])
    order = np.argsort(both)
    found: Floats = np.interp(QUANTILES, np.cumsum(weight[order]) - weight[order] / 2, both[order])
    return found


def due_of(limit: datetime | None, times: Sequence[datetime] | None) -> Due | None:
    """The due time by its day `limit`, by the `times` at which its count is reached, or by whichever is sooner."""
    if times is None:
        return None if limit is None else exactly(limit)
    low, low80, middle, high80, high = (each if limit is None else min(each, limit) for each in times)
    return Due(median=middle, p80=(low80, high80), p95=(low, high))


def exactly(at: datetime) -> Due:
    """A due time that nothing is uncertain about."""
    return Due(median=at, p80=(at, at), p95=(at, at))
