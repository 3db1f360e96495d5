"""A least-squares line in floats: what it predicts, with intervals, and where it meets a limit.

`domain/line.py` fits the same line exactly, for calibrations; this one is for wear, where intervals matter and digits
do not. x comes in any order.
"""

from math import hypot, sqrt
from typing import Final, Literal

from msgspec import Struct

from service.domain.distribution import coverage_factor
from service.domain.question import Floats, QuestionRefused

SPANS_MAX: Final = 2.0
"""Spans of the observed x, from its first, beyond which an answer says that it reaches far beyond what was seen."""

Way = Literal["ahead", "within", "moves_away", "not_told_from_level"]


class Regression(Struct, frozen=True, kw_only=True):
    """y = mean_y + slope (x - mean_x); `s` is the standard deviation about it, `spread` the sum of squares of x."""

    n: int
    mean_x: float
    mean_y: float
    slope: float
    s: float
    spread: float
    first: float
    last: float
    r_squared: float | None

    @property
    def dof(self) -> int:
        return self.n - 2

    @property
    def intercept(self) -> float:
        return self.mean_y - self.slope * self.mean_x

    def at(self, x: float) -> float:
        return self.mean_y + self.slope * (x - self.mean_x)

    def slope_half_width(self, confidence: float) -> float:
        return coverage_factor(confidence, self.dof) * self.s / sqrt(self.spread)

    def half_width(self, x: float, confidence: float, *, single: bool) -> float:
        """Half the interval about the line at x, or (`single`) about one new value measured there."""
        variance = 1 / self.n + (x - self.mean_x) ** 2 / self.spread + (1 if single else 0)
        return coverage_factor(confidence, self.dof) * self.s * sqrt(variance)

    def spans(self, x: float) -> float:
        """How far x lies from the first observed x, in spans of the observed."""
        return (x - self.first) / (self.last - self.first)


class Meeting(Struct, frozen=True, kw_only=True):
    """Where a line meets a limit. `at` is None where the line, as far as it can be told, never does from here on.

    `lower` and `upper` are the ends of its interval (None: open), `not_before` the first x from the last observed on
    at which the interval about the line touches the limit (None: nowhere).
    """

    way: Way
    at: float | None
    lower: float | None
    upper: float | None
    not_before: float | None


def fit_regression(x: Floats, y: Floats) -> Regression:
    """Raises QuestionRefused for fewer than three points, or all at one x."""
    n = len(y)
    if n < 3:
        raise QuestionRefused("a line with an interval needs 3 points or more", pointer="/y")
    mean_x, mean_y = float(x.mean()), float(y.mean())
    off_x, off_y = x - mean_x, y - mean_y
    spread, whole = float(off_x @ off_x), float(off_y @ off_y)
    if spread == 0:
        raise QuestionRefused("all points are at one x", pointer="/x")
    slope = float(off_x @ off_y) / spread
    left = off_y - slope * off_x
    squares = float(left @ left)
    return Regression(
        n=n,
        mean_x=mean_x,
        mean_y=mean_y,
        slope=slope,
        s=sqrt(squares / (n - 2)),
        spread=spread,
        first=float(x.min()),
        last=float(x.max()),
        r_squared=None if whole == 0 else 1 - squares / whole,
    )


def meeting(line: Regression, limit: float, confidence: float, *, single: bool = False, beside: float = 0.0) -> Meeting:
    """The x at which the line meets the limit, with its interval (Fieller, 1954).

    The interval holds every x at which the limit lies in the interval about the line (or, `single`, about one new
    value); `beside` is a standard uncertainty that all values share, which the line cannot show. Where the slope
    cannot be told from a level line at this confidence, it has no end: there is no `at` then.
    """
    t = coverage_factor(confidence, line.dof)
    noise = (t * line.s) ** 2
    off = limit - line.mean_y
    steep = line.slope**2 - noise / line.spread
    rest = off**2 - noise * (1 / line.n + (1 if single else 0)) - (t * beside) ** 2
    under = (line.slope * off) ** 2 - steep * rest
    roots: tuple[float, ...] = ()
    if under >= 0 and steep != 0:
        # The larger root by the stable form: no digits cancel where one root lies near the middle of x.
        larger = line.slope * off + (sqrt(under) if line.slope * off >= 0 else -sqrt(under))
        both = (larger / steep, rest / larger if larger else 0.0)
        roots = tuple(sorted(line.mean_x + each for each in both))
    if steep <= 0:
        return Meeting(
            way="not_told_from_level",
            at=None,
            lower=None,
            upper=None,
            not_before=_first_touch(line, roots, limit, confidence, single=single, shared=t * beside),
        )
    at, (lower, upper) = line.mean_x + off / line.slope, roots
    if at < line.first:
        return Meeting(way="moves_away", at=None, lower=lower, upper=upper, not_before=None)
    not_before = max(lower, line.last) if upper >= line.last else None
    way: Way = "ahead" if at >= line.last else "within"
    return Meeting(way=way, at=at, lower=lower, upper=upper, not_before=not_before)


def _first_touch(
    line: Regression, roots: tuple[float, ...], limit: float, confidence: float, *, single: bool, shared: float
) -> float | None:
    """Where the interval about a line that may be level first touches the limit, from the last observed x on."""
    half = hypot(line.half_width(line.last, confidence, single=single), shared)
    if abs(line.at(line.last) - limit) <= half:
        return line.last
    return next((root for root in roots if root > line.last), None)
