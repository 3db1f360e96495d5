"""A straight line by least squares (JCGM 100:2008, H.3), computed exactly from the values as they were written.

Rules of this file: sums and differences are exact fractions, so that no digits cancel however close the values lie;
only roots, and what is shown, are rounded.
"""

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Annotated, Final

from msgspec import Meta, Raw, Struct, field

from service.domain.distribution import coverage_factor
from service.domain.question import QuestionRefused, absent, plain, plain_list, plain_or_none, root, significant

_ALPHA_MIN: Final = Decimal("0.000001")

METHOD: Final = (
    "ordinary least squares, all points alike, x known exactly (JCGM 100:2008, H.3); s with n - 2 degrees of freedom "
    "(through the origin n - 1); r is the correlation of intercept and slope (H.3, equation H.13c); r_squared through "
    "the origin is taken against the sum of squares about zero"
)


class Line(Struct, frozen=True, kw_only=True):
    """y = intercept + slope x. Variances are those of the estimates; `covariance` is that of intercept and slope."""

    intercept: Fraction
    slope: Fraction
    s_squared: Fraction
    dof: int
    intercept_variance: Fraction
    slope_variance: Fraction
    covariance: Fraction
    r_squared: Fraction | None

    @property
    def correlation(self) -> Decimal | None:
        """Of the two estimates; None where the line is exact, or runs through the origin."""
        product = self.intercept_variance * self.slope_variance
        return None if product == 0 else Decimal(1 if self.covariance > 0 else -1) * root(self.covariance**2 / product)

    def at(self, x: Fraction) -> tuple[Fraction, Fraction]:
        """The line at x and its variance, covariance included (JCGM 100:2008, H.3.3, equation H.15)."""
        variance = self.intercept_variance + x * x * self.slope_variance + 2 * x * self.covariance
        return self.intercept + self.slope * x, variance


def mean_and_sd(values: Sequence[Decimal]) -> tuple[Fraction, Decimal]:
    """The mean, exactly, and the experimental standard deviation of two values or more (JCGM 100:2008, 4.2)."""
    exact = [Fraction(value) for value in values]
    mean = sum(exact, Fraction(0)) / len(exact)
    return mean, root(sum(((value - mean) ** 2 for value in exact), Fraction(0)) / (len(exact) - 1))


def fit_line(x: Sequence[Decimal], y: Sequence[Decimal], *, through_origin: bool = False) -> Line:
    """The line of three points or more (through the origin two), not all at one x. Raises QuestionRefused otherwise."""
    count, terms = len(x), 1 if through_origin else 2
    if len(y) != count:
        raise QuestionRefused(f"x has {count} values and y has {len(y)}", pointer="/y")
    if count <= terms:
        raise QuestionRefused(f"a line needs {terms + 1} points or more", pointer="/x")
    xs, ys = [Fraction(value) for value in x], [Fraction(value) for value in y]
    mean_x = Fraction(0) if through_origin else sum(xs, Fraction(0)) / count
    mean_y = Fraction(0) if through_origin else sum(ys, Fraction(0)) / count
    spread = sum(((one - mean_x) ** 2 for one in xs), Fraction(0))
    if spread == 0:
        raise QuestionRefused("all points are at one x", pointer="/x")
    slope = sum(((one - mean_x) * (other - mean_y) for one, other in zip(xs, ys, strict=True)), Fraction(0)) / spread
    intercept = mean_y - slope * mean_x
    left = sum(((other - intercept - slope * one) ** 2 for one, other in zip(xs, ys, strict=True)), Fraction(0))
    whole = sum(((other - mean_y) ** 2 for other in ys), Fraction(0))
    s_squared = left / (count - terms)
    return Line(
        intercept=intercept,
        slope=slope,
        s_squared=s_squared,
        dof=count - terms,
        intercept_variance=Fraction(0) if through_origin else s_squared * (Fraction(1, count) + mean_x**2 / spread),
        slope_variance=s_squared / spread,
        covariance=Fraction(0) if through_origin else -s_squared * mean_x / spread,
        r_squared=None if whole == 0 else 1 - left / whole,
    )


class ControlAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Check standards of known x, read again: is the calibration by this line still in control?

    `alpha` is the chance of an alarm for nothing in one round of `together` standards.
    """

    points: Annotated[list[tuple[Raw, Raw]], Meta(min_length=1, max_length=10_000)]
    together: Annotated[int, Meta(ge=1, le=1000)]
    alpha: Raw


class LineAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Points by their x and y; `predict_at` asks for the line at another x."""

    x: Annotated[list[Raw], Meta(min_length=1, max_length=10_000)]
    y: Annotated[list[Raw], Meta(min_length=1, max_length=10_000)]
    through_origin: bool = False
    predict_at: Raw = field(default_factory=absent)
    control: ControlAsked | None = None


class Control(Struct, frozen=True, kw_only=True):
    """What each reading, put right by the line, differs from its standard; `out` are the places beyond the limit."""

    limit: str
    differences: tuple[str, ...]
    out: tuple[int, ...]


class Prediction(Struct, frozen=True, kw_only=True):
    """The line at x with its standard uncertainty, and that of a single new y there (s included)."""

    x: str
    y: str
    u: str
    u_of_a_new_y: str


class LineEvaluated(Struct, frozen=True, kw_only=True):
    """Through the origin, intercept, its u and r are null."""

    intercept: str | None
    slope: str
    u_intercept: str | None
    u_slope: str
    r: str | None
    s: str
    dof: int
    r_squared: str | None
    prediction: Prediction | None
    control: Control | None
    method: str = METHOD


def evaluate_line(asked: LineAsked) -> LineEvaluated:
    """Raises QuestionRefused, naming the member that cannot be taken."""
    line = fit_line(plain_list(asked.x, "/x"), plain_list(asked.y, "/y"), through_origin=asked.through_origin)
    at = plain_or_none(asked.predict_at, "/predict_at")
    prediction = None
    if at is not None:
        y, variance = line.at(Fraction(at))
        prediction = Prediction(
            x=format(at, "f"),
            y=significant(y),
            u=significant(root(variance)),
            u_of_a_new_y=significant(root(variance + line.s_squared)),
        )
    r = None if asked.through_origin else line.correlation
    return LineEvaluated(
        intercept=None if asked.through_origin else significant(line.intercept),
        slope=significant(line.slope),
        u_intercept=None if asked.through_origin else significant(root(line.intercept_variance)),
        u_slope=significant(root(line.slope_variance)),
        r=None if r is None else significant(r),
        s=significant(root(line.s_squared)),
        dof=line.dof,
        r_squared=None if line.r_squared is None else significant(line.r_squared),
        prediction=prediction,
        control=None if asked.control is None else _control(line, asked.control),
    )


def control_limit(line: Line, *, alpha: float, together: int) -> Decimal:
    """How far a standard put right by the line may lie from its value: s/|slope| times Student's factor.

    The chance `alpha` is shared out among the standards that are read together. Raises QuestionRefused for a level
    line.
    """
    if line.slope == 0:
        raise QuestionRefused("a line without a slope puts nothing right", pointer="/y")
    factor = coverage_factor((1 - alpha) ** (1 / together), float(line.dof))
    return root(line.s_squared / line.slope**2) * Decimal(factor)


def _control(line: Line, asked: ControlAsked) -> Control:
    alpha = plain(asked.alpha, "/control/alpha")
    if not _ALPHA_MIN <= alpha < 1:
        raise QuestionRefused(f"alpha lies between {_ALPHA_MIN} and 1, such as 0.05", pointer="/control/alpha")
    limit = control_limit(line, alpha=float(alpha), together=asked.together)
    differences = []
    for place, (x, y) in enumerate(asked.points):
        pointer = f"/control/points/{place}"
        right = (Fraction(plain(y, f"{pointer}/1")) - line.intercept) / line.slope
        differences.append(right - Fraction(plain(x, f"{pointer}/0")))
    return Control(
        limit=significant(limit),
        differences=tuple(significant(each) for each in differences),
        out=tuple(place for place, each in enumerate(differences) if abs(each) > Fraction(limit)),
    )
