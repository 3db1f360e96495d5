"""The question `chart`: a series put on a control chart, with the points that signal and how seldom chance does it."""

from collections.abc import Callable
from decimal import Decimal
from typing import Annotated, Final, Literal

from msgspec import Meta, Raw, Struct, field

from service.domain.control_chart import D2, D4, cusum, ewma, individuals, sigma_of_ranges
from service.domain.question import (
    Floats,
    QuestionRefused,
    above_zero,
    absent,
    centred,
    plain,
    plain_list,
    plain_or_none,
    rounded,
    rounded_or_none,
)
from service.domain.run_length import LONGEST, cusum_run_length, ewma_run_length, shewhart_run_length

_SOURCE: Final = "NIST/SEMATECH e-Handbook of Statistical Methods"
_RUNS: Final = (
    f"; run_lengths by the integral equation of the chart for independent normal points and this sigma, up to "
    f"{LONGEST:.0e} points"
)
_METHOD: Final = {
    "individuals": f"individuals and moving ranges of two ({_SOURCE}, 6.3.2.2): limits L sigma from the centre, sigma "
    "the mean moving range divided by d2 unless stated (1.128 and D4 3.267 as tables print them)" + _RUNS,
    "ewma": f"exponentially weighted moving average from the target ({_SOURCE}, 6.3.2.4): `limits` are those that the "
    "chart settles at, `point_limits` those that signals are judged by (exact for each point unless settled is true)"
    + _RUNS
    + ", started at the target, with settled limits",
    "cusum": f"tabular cumulative sums, two-sided ({_SOURCE}, 6.3.2.3): a sum above h signals; the shift began with "
    "the first point after the sum was last zero, the mean since then is target +/- (k + sum / points)" + _RUNS,
}
_OF_RANGES: Final = "mean moving range divided by d2"
_MEMBERS: Final = {
    "individuals": {"target", "sigma", "L", "d2", "D4", "shifts"},
    "ewma": {"target", "sigma", "L", "lambda", "settled", "shifts"},
    "cusum": {"target", "sigma", "k", "h", "k_and_h_in", "restart", "shifts"},
}
_SHIFTS: Final = (0.0, 1.0, 2.0)


class ChartParameters(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a kind of chart takes: target, sigma and L (width in sigma) of each, and of its own

    individuals: d2, D4; ewma: lambda (0 to 1, needed), settled; cusum: target, k and h (all needed; in the unit of x,
    or in sigma), restart (a sum begins at zero after it signalled). `shifts`, in sigma, are told their run lengths.
    """

    target: Raw = field(default_factory=absent)
    sigma: Raw = field(default_factory=absent)
    L: Raw = field(default_factory=absent)
    d2: Raw = field(default_factory=absent)
    D4: Raw = field(default_factory=absent)
    weight: Raw = field(default_factory=absent, name="lambda")
    settled: bool | None = None
    k: Raw = field(default_factory=absent)
    h: Raw = field(default_factory=absent)
    k_and_h_in: Literal["x", "sigma"] | None = None
    restart: bool | None = None
    shifts: Annotated[list[Raw], Meta(max_length=20)] | None = None


class ChartAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Values in the order in which they were measured."""

    kind: Literal["individuals", "ewma", "cusum"]
    x: Annotated[list[Raw], Meta(min_length=1, max_length=10_000)]
    parameters: ChartParameters | None = None


class ChartLimits(Struct, frozen=True, kw_only=True):
    lower: str
    upper: str


class MovingRanges(Struct, frozen=True, kw_only=True):
    """Each value's distance from the one before it, their mean, and the limit that a range seldom exceeds."""

    values: tuple[str, ...]
    mean: str
    upper: str


class Sums(Struct, frozen=True, kw_only=True):
    """After each point: both one-sided sums, and the plain sum of what lies off the target."""

    upper: tuple[str, ...]
    lower: tuple[str, ...]
    cumulative: tuple[str, ...]


class Signal(Struct, frozen=True, kw_only=True):
    """A point (counted from 1) that signals, by what is charted of it (value, weighted mean, sum or range).

    `began` is the first point of the shift and `mean` what the mean has been since, by a cumulative sum.
    """

    point: int
    pointer: str
    of: Literal["value", "range", "weighted_mean", "sum"]
    side: Literal["above", "below"]
    value: str
    began: int | None = None
    mean: str | None = None


class RunLength(Struct, frozen=True, kw_only=True):
    """How many points it takes on average until a signal; null where that, or the chart's memory, is too long."""

    shift: str
    points: str | None


class ChartEvaluated(Struct, frozen=True, kw_only=True):
    """What the kind has not is null. `sigma_from` says where sigma and centre come from; points are counted from 1."""

    kind: str
    n: int
    centre: str
    sigma: str | None
    sigma_from: str
    limits: ChartLimits | None
    moving_range: MovingRanges | None
    values: tuple[str, ...] | None
    point_limits: tuple[ChartLimits, ...] | None
    sums: Sums | None
    k: str | None
    h: str | None
    signals: tuple[Signal, ...]
    first_signal: int | None
    run_lengths: tuple[RunLength, ...]
    method: str


class _Series(Struct, frozen=True, kw_only=True):
    """The values from an origin, and what was stated beside them, from that origin too."""

    origin: Decimal
    x: Floats
    target: float | None
    sigma: float | None
    width: float
    asked: ChartParameters
    shifts: tuple[float, ...]

    def place(self, value: float) -> str:
        return rounded(value, self.origin)

    def spread(self) -> float:
        """sigma as stated, or from the moving ranges. Raises QuestionRefused where neither gives one."""
        if self.sigma is not None:
            return self.sigma
        found = sigma_of_ranges(self.x) if len(self.x) > 1 else 0.0
        if found == 0:
            raise QuestionRefused(
                "the values have no spread to judge them by: state sigma", pointer="/parameters/sigma"
            )
        return found

    @property
    def sigma_from(self) -> str:
        sigma = _OF_RANGES if self.sigma is None else "stated"
        return f"sigma: {sigma}; centre: {'mean of x' if self.target is None else 'stated'}"


def evaluate_chart(asked: ChartAsked) -> ChartEvaluated:
    """Raises QuestionRefused, naming the value or parameter that cannot be taken."""
    parameters = asked.parameters or ChartParameters()
    for name in sorted({name for kind in _MEMBERS.values() for name in kind} - _MEMBERS[asked.kind]):
        given = getattr(parameters, "weight" if name == "lambda" else name)
        if given is not None and given != absent():
            raise QuestionRefused(f"a chart {asked.kind!r} has no {name}", pointer=f"/parameters/{name}")
    values = plain_list(asked.x, "/x")
    target = plain_or_none(parameters.target, "/parameters/target")
    origin, x = centred(values)
    series = _Series(
        origin=origin,
        x=x,
        target=None if target is None else float(centred([target], origin)[1][0]),
        sigma=_stated(parameters.sigma, "sigma"),
        width=_stated(parameters.L, "L") or 3.0,
        asked=parameters,
        shifts=_SHIFTS if parameters.shifts is None else tuple(_shifts(parameters.shifts)),
    )
    return {"individuals": _individuals, "ewma": _ewma, "cusum": _cusum}[asked.kind](series)


def _shifts(raws: list[Raw]) -> list[float]:
    found = []
    for place, raw in enumerate(raws):
        shift = plain(raw, f"/parameters/shifts/{place}")
        if abs(shift) > 20:
            raise QuestionRefused("a shift lies within 20 sigma", pointer=f"/parameters/shifts/{place}")
        found.append(float(shift))
    return found


def _stated(raw: Raw, name: str) -> float | None:
    return None if raw == absent() else above_zero(raw, f"/parameters/{name}")


def _needed(raw: Raw, name: str, kind: str) -> float:
    if raw == absent():
        raise QuestionRefused(f"a chart {kind!r} needs {name}", pointer=f"/parameters/{name}")
    return above_zero(raw, f"/parameters/{name}")


def _run_lengths(shifts: tuple[float, ...], length: Callable[[float], float]) -> tuple[RunLength, ...]:
    told = ((shift, length(shift)) for shift in shifts)
    return tuple(
        RunLength(shift=rounded(shift), points=None if points == float("inf") else rounded(points))
        for shift, points in told
    )


def _signal(point: int, of: Literal["value", "range", "weighted_mean"], above: bool, value: str) -> Signal:
    return Signal(point=point + 1, pointer=f"/x/{point}", of=of, side="above" if above else "below", value=value)


def _individuals(series: _Series) -> ChartEvaluated:
    asked = series.asked
    chart = individuals(
        series.x,
        d2=_stated(asked.d2, "d2") or D2,
        d4=_stated(asked.D4, "D4") or D4,
        width=series.width,
        target=series.target,
        sigma=series.sigma,
    )
    x, ranges = series.x, chart.ranges
    signals = [
        *(_signal(point, "value", bool(x[point] > chart.upper), series.place(x[point])) for point in chart.beyond),
        *(_signal(point, "range", True, rounded(ranges[point - 1])) for point in chart.jumps),
    ]
    signals.sort(key=lambda signal: signal.point)
    return ChartEvaluated(
        kind="individuals",
        n=len(x),
        centre=series.place(chart.centre),
        sigma=rounded(chart.sigma),
        sigma_from=series.sigma_from,
        limits=ChartLimits(lower=series.place(chart.lower), upper=series.place(chart.upper)),
        moving_range=MovingRanges(
            values=tuple(rounded(each) for each in ranges),
            mean=rounded(chart.mean_range),
            upper=rounded(chart.range_upper),
        ),
        values=None,
        point_limits=None,
        sums=None,
        k=None,
        h=None,
        signals=tuple(signals),
        first_signal=signals[0].point if signals else None,
        run_lengths=_run_lengths(series.shifts, lambda shift: shewhart_run_length(series.width, shift)),
        method=_METHOD["individuals"],
    )


def _ewma(series: _Series) -> ChartEvaluated:
    weight = _needed(series.asked.weight, "lambda", "ewma")
    if weight > 1:
        raise QuestionRefused("lambda lies between 0 and 1, such as 0.2", pointer="/parameters/lambda")
    target = float(series.x.mean()) if series.target is None else series.target
    sigma = series.spread()
    chart = ewma(
        series.x, weight=weight, target=target, sigma=sigma, width=series.width, settled=bool(series.asked.settled)
    )
    signals = tuple(
        _signal(point, "weighted_mean", bool(chart.values[point] > target), series.place(chart.values[point]))
        for point in chart.beyond
    )
    return ChartEvaluated(
        kind="ewma",
        n=len(series.x),
        centre=series.place(target),
        sigma=rounded(sigma),
        sigma_from=series.sigma_from,
        limits=ChartLimits(lower=series.place(chart.settled[0]), upper=series.place(chart.settled[1])),
        moving_range=None,
        values=tuple(series.place(each) for each in chart.values),
        point_limits=tuple(
            ChartLimits(lower=series.place(low), upper=series.place(high))
            for low, high in zip(chart.lower, chart.upper, strict=True)
        ),
        sums=None,
        k=None,
        h=None,
        signals=signals,
        first_signal=signals[0].point if signals else None,
        run_lengths=_run_lengths(series.shifts, lambda shift: ewma_run_length(weight, series.width, shift)),
        method=_METHOD["ewma"],
    )


def _cusum(series: _Series) -> ChartEvaluated:
    asked = series.asked
    if series.target is None:
        raise QuestionRefused("a chart 'cusum' needs target", pointer="/parameters/target")
    k = float(plain_or_none(asked.k, "/parameters/k") or 0) if asked.k != absent() else None
    if k is None or k < 0:
        raise QuestionRefused("a chart 'cusum' needs k, zero or more", pointer="/parameters/k")
    h = _needed(asked.h, "h", "cusum")
    if asked.k_and_h_in == "sigma":
        k, h = k * series.spread(), h * series.spread()
    sigma = series.sigma if series.sigma is not None or len(series.x) < 2 else sigma_of_ranges(series.x) or None
    chart = cusum(series.x, target=series.target, k=k, h=h, restart=bool(asked.restart))
    signals = tuple(
        Signal(
            point=each.point + 1,
            pointer=f"/x/{each.point}",
            of="sum",
            side="above" if each.upward else "below",
            value=rounded(each.value),
            began=each.began + 1,
            mean=series.place(each.mean),
        )
        for each in chart.crossings
    )
    sums = (tuple(rounded(each) for each in sums) for sums in (chart.upper, chart.lower, chart.cumulative))
    upper, lower, cumulative = sums
    return ChartEvaluated(
        kind="cusum",
        n=len(series.x),
        centre=series.place(series.target),
        sigma=rounded_or_none(sigma),
        sigma_from=series.sigma_from,
        limits=None,
        moving_range=None,
        values=None,
        point_limits=None,
        sums=Sums(upper=upper, lower=lower, cumulative=cumulative),
        k=rounded(k),
        h=rounded(h),
        signals=signals,
        first_signal=signals[0].point if signals else None,
        run_lengths=()
        if sigma is None
        else _run_lengths(series.shifts, lambda shift: cusum_run_length(k / sigma, h / sigma, shift)),
        method=_METHOD["cusum"],
    )
