"""Charts of a spindle's series: individuals with moving ranges, and for forces the sums by which steps are found.

Depths and forces are charted segment by segment, so that work and greasing do not widen the limits. Forces are charted
as well by their normal values: how each came out beside what the ones before it let expect (`force_filter`).
"""

from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise
from typing import Final

import numpy as np
from msgspec import Struct

from service.domain.control_chart import cusum, ewma, individuals, moving_ranges
from service.domain.force_filter import follow
from service.domain.force_step import ForcePoint, H, K
from service.domain.quantity import ShownQuantity
from service.domain.wear import quantity_shown
from service.domain.wear_series import Series, WearHistory, WearPoint

FEWEST: Final = 2
EWMA_WEIGHT: Final = 0.3
EWMA_WIDTH: Final = 3.0
METHOD: Final = "Individuals and moving ranges, three standard deviations by the mean moving range, segment by segment"
FORCE_METHOD: Final = (
    "Normal values of forces beside what those before them let expect (wear, dryness since greasing, scatter); "
    "one-sided cumulative sums that begin again with each level, and weighted means from zero"
)


class ChartPoint(Struct, frozen=True, kw_only=True):
    """`moving_range` to the value before it in its segment, null for the first."""

    entry: int
    time: datetime
    count: int
    value: ShownQuantity
    moving_range: ShownQuantity | None


class SegmentChart(Struct, frozen=True, kw_only=True):
    """One segment: its points with centre and limits. `beyond` and `jumps` are entries outside the limits of each.

    `least_scatter` says that the values differ by less than the gauge's resolution scatters, which stands in for it.
    `reason` says why there are no limits.
    """

    segment: int
    begun_by: str
    points: tuple[ChartPoint, ...]
    centre: ShownQuantity | None
    sigma: ShownQuantity | None
    lower: ShownQuantity | None
    upper: ShownQuantity | None
    mean_range: ShownQuantity | None
    range_upper: ShownQuantity | None
    beyond: tuple[int, ...]
    jumps: tuple[int, ...]
    least_scatter: bool
    reason: str | None


class SeriesChart(Struct, frozen=True, kw_only=True):
    method: str
    segments: tuple[SegmentChart, ...]


class ForceSum(Struct, frozen=True, kw_only=True):
    """One force: what was expected, its normal value `z`, the sums downward and upward, the weighted mean of z."""

    entry: int
    expected: ShownQuantity
    spread: ShownQuantity
    z: float
    cusum_down: float
    cusum_up: float
    ewma: float
    level: int


class ForceChart(Struct, frozen=True, kw_only=True):
    """The sums signal beyond `h`; `k` is taken from each value; the weighted means lie within `ewma_limit` usually.

    `steps` are the entries with which steps were found: what shows a step begins a level, and its sums anew.
    """

    method: str
    k: float
    h: float
    ewma_weight: float
    ewma_limit: float
    points: tuple[ForceSum, ...]
    steps: tuple[int, ...]


class Charts(Struct, frozen=True, kw_only=True):
    """The charts of one spindle; `force_sums` is empty where no force was measured."""

    key: str
    as_of: datetime
    setting_depth: SeriesChart
    draw_force: SeriesChart
    force_sums: ForceChart


def charts_of(history: WearHistory, key: str, as_of: datetime) -> Charts:
    """Every series as charts."""
    return Charts(
        key=key,
        as_of=as_of,
        setting_depth=_series(history.depth),
        draw_force=_series(history.force),
        force_sums=_sums(history.pulls, tuple(each.entry for each in history.steps)),
    )


def _series(series: Series) -> SeriesChart:
    segments: dict[int, list[WearPoint]] = {}
    for point in series.points:
        segments.setdefault(point.segment, []).append(point)
    return SeriesChart(method=METHOD, segments=tuple(_segment(points) for points in segments.values()))


def _segment(points: Sequence[WearPoint]) -> SegmentChart:
    values = np.array([each.value for each in points])
    unit = points[0].exact.unit
    ranges = [None, *(abs(after.value - before.value) for before, after in pairwise(points))]
    shown = tuple(
        ChartPoint(
            entry=each.entry,
            time=each.time,
            count=each.count,
            value=each.exact,
            moving_range=None if between is None else quantity_shown(between, unit),
        )
        for each, between in zip(points, ranges, strict=True)
    )
    coarse = max(each.coarse for each in points)
    equal = len(points) >= FEWEST and float(moving_ranges(values).mean()) == 0
    if len(points) < FEWEST or (equal and coarse == 0):
        return SegmentChart(
            segment=points[0].segment,
            begun_by=points[0].begun_by,
            points=shown,
            centre=None,
            sigma=None,
            lower=None,
            upper=None,
            mean_range=None,
            range_upper=None,
            beyond=(),
            jumps=(),
            least_scatter=False,
            reason="all_values_equal" if equal else "too_few_points",
        )
    chart = individuals(values, sigma=coarse if equal else None)
    return SegmentChart(
        segment=points[0].segment,
        begun_by=points[0].begun_by,
        points=shown,
        centre=quantity_shown(chart.centre, unit),
        sigma=quantity_shown(chart.sigma, unit),
        lower=quantity_shown(chart.lower, unit),
        upper=quantity_shown(chart.upper, unit),
        mean_range=quantity_shown(chart.mean_range, unit),
        range_upper=quantity_shown(chart.range_upper, unit),
        beyond=tuple(points[place].entry for place in chart.beyond),
        jumps=tuple(points[place].entry for place in chart.jumps),
        least_scatter=equal,
        reason=None,
    )


def _sums(pulls: Sequence[ForcePoint], steps: tuple[int, ...]) -> ForceChart:
    made: list[ForceSum] = []
    if pulls:
        followed = follow(pulls)
        levels = sorted({each.level for each in pulls})
        for level in levels:
            places = [place for place, each in enumerate(pulls) if each.level == level]
            z = np.array([followed.z[place] for place in places])
            sums = cusum(z, target=0.0, k=K, h=H)
            means = ewma(z, weight=EWMA_WEIGHT, target=0.0, sigma=1.0, width=EWMA_WIDTH)
            made += [
                ForceSum(
                    entry=pulls[place].entry,
                    expected=quantity_shown(followed.expected[place], "N"),
                    spread=quantity_shown(followed.spread[place], "N"),
                    z=round(float(z[at]), 4),
                    cusum_down=round(float(sums.lower[at]), 4),
                    cusum_up=round(float(sums.upper[at]), 4),
                    ewma=round(float(means.values[at]), 4),
                    level=level,
                )
                for at, place in enumerate(places)
            ]
    limit = EWMA_WIDTH * (EWMA_WEIGHT / (2 - EWMA_WEIGHT)) ** 0.5
    return ForceChart(
        method=FORCE_METHOD,
        k=K,
        h=H,
        ewma_weight=EWMA_WEIGHT,
        ewma_limit=round(limit, 4),
        points=tuple(made),
        steps=steps,
    )
