"""What is wearing: the line of each series, the limit that it approaches, when that is met, or why nobody knows.

Rules of this file
- A count at which a limit is met is told where the slope can be told from a level line at 95 %; else only the count
  before which the limit is not met. Its interval is Fieller's, widened by what all measurements of a gauge share.
- A date is that count by the forecast of use; both doubts are added in quadrature, each on its own side.
- Forces are first put to the mean dryness of the checks of their level, as far as greasing has shown it.
"""

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from math import hypot
from typing import Final, Literal

import numpy as np
from msgspec import Struct

from service.domain.force_filter import follow
from service.domain.quantity import ShownQuantity, shown_rounded
from service.domain.question import Floats
from service.domain.regression import SPANS_MAX, Meeting, meeting
from service.domain.wear_line import BED_IN_CYCLES, Fitted, fitted, told_from_level
from service.domain.wear_series import Limit, Series, WearHistory, WearPoint

DEPTH_METHOD: Final = (
    "Theil-Sen and Mann-Kendall; limit: least squares (Fieller's interval), one slope, own levels after work; "
    f"greasing begins a segment and no level; without depths of the first {BED_IN_CYCLES} cycles after work"
)
FORCE_METHOD: Final = (
    "Theil-Sen and Mann-Kendall; limit: least squares (Fieller's interval), one slope, own levels after work and "
    "steps; forces put to the mean dryness of their checks (cycles since greasing), whose spread is in the interval"
)
DATE_METHOD: Final = "count by the forecast of use; doubts of line and use added in quadrature"
_TEXTS: Final = {
    "no_measurements": "There is no admissible measurement since the rebuild.",
    "too_few_points": "There are too few admissible measurements since the rebuild, bedding in apart, for a trend.",
    "all_values_equal": "All measured values are equal: wear is smaller than what the gauge resolves.",
    "no_limit_stated": "The sheet states no limit that could be met.",
    "level": "The slope cannot be told from a level line: the limit is not met before `not_before`.",
    "moves_away": "The value moves away from this limit.",
    "limit_passed": "The line has met this limit already.",
}

Reason = Literal[
    "no_measurements", "too_few_points", "all_values_equal", "no_limit_stated", "level", "moves_away", "limit_passed"
]
When = Callable[[float], Sequence[datetime]]
"""Quantiles (2.5, 10, 50, 90, 97.5 %) of the time at which so many more cycles have been made."""
Pair = tuple[ShownQuantity, ShownQuantity]


class WearPointShown(Struct, frozen=True, kw_only=True):
    """One measurement; `left_out` says why the line does not count it."""

    count: int
    time: datetime
    value: ShownQuantity
    entry: int
    u: ShownQuantity | None
    segment: int
    begun_by: str
    left_out: str | None


class TrendShown(Struct, frozen=True, kw_only=True):
    """Mann-Kendall's test: S, its two-sided p (exact up to sixty points without ties), Kendall's tau b."""

    direction: Literal["falling", "rising", "none"]
    s: int
    p: float
    tau: float


class LeastSquaresShown(Struct, frozen=True, kw_only=True):
    """The line, and what a new measurement at the present count would show in 95 of 100 cases."""

    slope_per_1000_cycles: ShownQuantity
    interval: Pair
    s: ShownQuantity
    levels: int
    now: ShownQuantity
    now_interval: Pair


class LimitAt(Struct, frozen=True, kw_only=True):
    """Where the line meets a limit: counts, and dates where use is known (`date` the median, p80 and p95 intervals)."""

    count: int
    count_p80: tuple[int, int]
    count_p95: tuple[int, int]
    date: datetime | None
    p80: tuple[datetime, datetime] | None
    p95: tuple[datetime, datetime] | None
    date_method: str
    beyond_twice_the_observed_span: bool
    text: str | None


class LimitSeen(Struct, frozen=True, kw_only=True):
    """One limit: when it is met, or the count before which it is not, or why neither can be said."""

    name: str
    limit: ShownQuantity
    limit_at: LimitAt | None
    not_before: int | None
    not_before_date: datetime | None
    reason: Reason | None


class WearShown(Struct, frozen=True, kw_only=True):
    """One series since the rebuild. `slope_per_1000_cycles` is Theil and Sen's, `interval` holds it in 95 of 100 cases.

    `limit`, `limit_at`, `not_before` and `reason` are those of the limit that is met first; `limits` has them all.
    """

    points: tuple[WearPointShown, ...]
    n: int
    method: str
    slope_per_1000_cycles: ShownQuantity | None
    interval: Pair | None
    trend: TrendShown | None
    least_squares: LeastSquaresShown | None
    limit: ShownQuantity | None
    limit_name: str | None
    limit_at: LimitAt | None
    not_before: int | None
    reason: Reason | None
    text: str | None
    limits: tuple[LimitSeen, ...]


class Wear(Struct, frozen=True, kw_only=True):
    """Setting depth and draw force of the set that is fitted."""

    setting_depth: WearShown
    draw_force: WearShown


def wear_of(history: WearHistory, count: int, when: When | None) -> Wear:
    """What is wearing at a count. `when` is None where nothing is known of use: counts are told, and no dates."""
    depth = [each for each in history.depth.points if each.set == history.set]
    force = [each for each in history.force.points if each.set == history.set]
    in_use = [each for each in depth if each.ran >= BED_IN_CYCLES]
    bedding = {each.entry: "bed_in" for each in depth if each.ran < BED_IN_CYCLES}
    values = np.array([each.value for each in in_use])
    dried, dryness = _dryness(history, force)
    return Wear(
        setting_depth=_seen(history.depth, depth, in_use, values, 0.0, bedding, (DEPTH_METHOD, "mm"), count, when),
        draw_force=_seen(history.force, force, force, dried, dryness, {}, (FORCE_METHOD, "N"), count, when),
    )


def _dryness(history: WearHistory, force: Sequence[WearPoint]) -> tuple[Floats, float]:
    """The forces at the mean dryness of the newest level's checks, and the spread of their dryness."""
    values = np.array([each.value for each in force])
    if not force:
        return values, 0.0
    known = follow(history.pulls).dryness
    lost = np.array(known[len(known) - len(force) :])
    newest = np.array([each.level for each in force]) == force[-1].level
    return values + lost - lost[newest].mean(), float(lost[newest].std())


def _seen(
    series: Series,
    shown: Sequence[WearPoint],
    used: Sequence[WearPoint],
    values: Floats,
    spread: float,
    bedding: dict[int, str],
    said: tuple[str, Literal["mm", "N"]],
    count: int,
    when: When | None,
) -> WearShown:
    method, unit = said
    x = np.array([float(each.count) for each in used])
    levels = np.array([float(each.level) for each in used])
    floor = float(np.mean([each.coarse for each in used])) if used else 0.0
    found = None if len(used) < 2 or (values == values[0]).all() else fitted(x, values, levels, floor)
    if found is None:
        reason: Reason = "no_measurements" if not shown else "too_few_points"
        if len(used) >= _EQUAL and (values == values[0]).all():
            reason = "all_values_equal"
        return _nothing(shown, bedding, method, len(used), reason)
    beside = hypot(max(each.common for each in used), spread)
    limits = [_limit(found, limit, beside, count, when) for limit in series.limits]
    first = min(limits, key=_order, default=None)
    left_out = bedding | {used[place].entry: why for place, why in found.left_out.items()}
    reason_ = "no_limit_stated" if first is None else first.reason
    pairs = found.theil_sen
    return WearShown(
        points=_points(shown, left_out),
        n=len(found.used),
        method=method,
        slope_per_1000_cycles=quantity_shown(pairs.slope * 1000, unit),
        interval=None
        if pairs.lower is None or pairs.upper is None
        else (quantity_shown(pairs.lower * 1000, unit), quantity_shown(pairs.upper * 1000, unit)),
        trend=_trend(found),
        least_squares=_line(found, count, unit),
        limit=None if first is None else first.limit,
        limit_name=None if first is None else first.name,
        limit_at=None if first is None else first.limit_at,
        not_before=None if first is None else first.not_before,
        reason=reason_,
        text=None if reason_ is None else _TEXTS[reason_],
        limits=tuple(limits),
    )


_EQUAL: Final = 4


def _order(seen: LimitSeen) -> tuple[int, float]:
    """What is met first; then what was met already; then what may be met soonest; last what is never met."""
    if seen.limit_at is not None:
        return 0, seen.limit_at.count
    if seen.reason == "limit_passed":
        return 1, 0
    return 2, float("inf") if seen.not_before is None else seen.not_before


def _nothing(shown: Sequence[WearPoint], bedding: dict[int, str], method: str, n: int, reason: Reason) -> WearShown:
    return WearShown(
        points=_points(shown, bedding),
        n=n,
        method=method,
        slope_per_1000_cycles=None,
        interval=None,
        trend=None,
        least_squares=None,
        limit=None,
        limit_name=None,
        limit_at=None,
        not_before=None,
        reason=reason,
        text=_TEXTS[reason],
        limits=(),
    )


def _points(shown: Sequence[WearPoint], left_out: dict[int, str]) -> tuple[WearPointShown, ...]:
    return tuple(
        WearPointShown(
            count=each.count,
            time=each.time,
            value=each.exact,
            entry=each.entry,
            u=None if each.u is None else quantity_shown(each.u, each.exact.unit),
            segment=each.segment,
            begun_by=each.begun_by,
            left_out=left_out.get(each.entry),
        )
        for each in shown
    )


def quantity_shown(value: float, unit: str) -> ShownQuantity:
    """What was never exact, to six digits."""
    return shown_rounded(Decimal(repr(value)), unit)


def _trend(found: Fitted) -> TrendShown:
    trend = found.trend
    p = trend.p if trend.p_exact is None else trend.p_exact
    direction: Literal["falling", "rising", "none"] = "none"
    if p < _TREND:
        direction = "falling" if trend.s < 0 else "rising"
    return TrendShown(direction=direction, s=trend.s, p=float(f"{p:.6g}"), tau=float(f"{trend.tau_b:.6g}"))


_TREND: Final = 0.05


def _line(found: Fitted, count: int, unit: str) -> LeastSquaresShown:
    line = found.line
    half = line.slope_half_width(0.95)
    now, around = line.at(count), line.half_width(count, 0.95, single=True)
    return LeastSquaresShown(
        slope_per_1000_cycles=quantity_shown(line.slope * 1000, unit),
        interval=(quantity_shown((line.slope - half) * 1000, unit), quantity_shown((line.slope + half) * 1000, unit)),
        s=quantity_shown(line.s, unit),
        levels=line.levels,
        now=quantity_shown(now, unit),
        now_interval=(quantity_shown(now - around, unit), quantity_shown(now + around, unit)),
    )


def _limit(found: Fitted, limit: Limit, beside: float, count: int, when: When | None) -> LimitSeen:
    line = found.line
    wide, narrow = (meeting(line, limit.value, confidence, beside=beside) for confidence in (0.95, 0.8))
    reason: Reason | None = None
    at: LimitAt | None = None
    falls = line.slope < 0
    if not told_from_level(line, 0.95):
        reason = "level"
    elif falls != limit.falling:
        reason = "moves_away"
    elif (line.at(line.last) <= limit.value) if falls else (line.at(line.last) >= limit.value):
        reason = "limit_passed"
    else:
        at = _limit_at(found, wide, narrow, count, when)
    early = wide.not_before if reason not in ("moves_away", "limit_passed") else None
    not_before = None if early is None else max(int(early), count)
    return LimitSeen(
        name=limit.name,
        limit=limit.exact,
        limit_at=at,
        not_before=not_before,
        not_before_date=None if not_before is None or when is None else when(not_before - count)[0],
        reason=reason,
    )


def _limit_at(found: Fitted, wide: Meeting, narrow: Meeting, count: int, when: When | None) -> LimitAt | None:
    line = found.line
    assert wide.at is not None
    ends95, ends80 = (_ends(met, wide.at) for met in (wide, narrow))
    at = round(wide.at)
    spans = line.spans(wide.at)
    date, p80, p95 = None, None, None
    if when is not None:
        by_use = when(at - count)
        date = by_use[2]
        p80 = _dates(date, (by_use[1], by_use[3]), [when(each - count)[2] for each in ends80], when(0)[0])
        p95 = _dates(date, (by_use[0], by_use[4]), [when(each - count)[2] for each in ends95], when(0)[0])
    text = f"This is {spans:.1f} times the observed span: nothing was seen that far out." if spans > SPANS_MAX else None
    return LimitAt(
        count=at,
        count_p80=ends80,
        count_p95=ends95,
        date=date,
        p80=p80,
        p95=p95,
        date_method=DATE_METHOD,
        beyond_twice_the_observed_span=spans > SPANS_MAX,
        text=text,
    )


def _ends(met: Meeting, at: float) -> tuple[int, int]:
    low, high = met.lower, met.upper
    assert low is not None
    assert high is not None
    return int(min(low, at)), int(max(high, at)) + 1


def _dates(
    date: datetime, by_use: tuple[datetime, datetime], by_line: Sequence[datetime], earliest: datetime
) -> tuple[datetime, datetime]:
    """Both doubts in quadrature, each on its own side; not before the count was last read."""
    early = date - _together(date - by_use[0], date - by_line[0])
    late = date + _together(by_use[1] - date, by_line[1] - date)
    return max(early, earliest), late


def _together(one: timedelta, other: timedelta) -> timedelta:
    return timedelta(seconds=hypot(one.total_seconds(), other.total_seconds()))
