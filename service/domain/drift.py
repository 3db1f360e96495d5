"""How a gauge drifts from one calibration to the next, and how long it may go without another.

Rules of this file
- What an adjustment took away is put back: the line runs through the drift, not through what was left of it.
- The line is that of JCGM 100:2008, H.3; days are counted from the first calibration.
"""

from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction
from typing import Final

from msgspec import Struct

from service.domain.gauge import Calibration, Gauge
from service.domain.line import Line, fit_line
from service.domain.question import root, significant
from service.domain.uncertainty import Expanded

DAYS_MAX: Final = 3650
"""No interval beyond ten years is advised. The number is ours."""
_DAY_S: Final = 86_400


class Predicted(Struct, frozen=True, kw_only=True):
    """The error expected at the end of the day on which the next calibration is due, with its standard uncertainty."""

    day: date
    error: str
    u: str


class Drift(Struct, frozen=True, kw_only=True):
    """The drift by day, in mm, N or N.m, with its standard uncertainty, from so many calibrations."""

    points: int
    per_day: str
    u_per_day: str
    s: str
    unit: str
    when_due: Predicted | None


class IntervalAdvice(Struct, frozen=True, kw_only=True):
    """How long after its last calibration the gauge should stay within its permitted error; `reason` if unknown.

    So long as |error| + 2 u of the drift + U of the certificate stays within it. Advice: the site's rules decide.
    """

    days: int | None
    reason: str | None


def drift_of(gauge: Gauge) -> Drift | None:
    """The line through what three calibrations or more found; None with fewer that state an error."""
    line, points = _line(gauge), _points(gauge)
    if line is None or gauge.registered is None:
        return None
    unit = {"depth": "mm", "run_out": "mm", "force": "N", "torque": "N.m"}[gauge.registered.data.kind]
    return Drift(
        points=len(points),
        per_day=significant(line.slope),
        u_per_day=significant(root(line.slope_variance)),
        s=significant(root(line.s_squared)),
        unit=unit,
        when_due=_when_due(gauge.calibrations[-1], line),
    )


def _when_due(last: Calibration, line: Line) -> Predicted | None:
    """From what was left at the last calibration on; the doubt of the drift and of the certificate together."""
    left = _left(last)
    if left is None:
        return None
    days = (last.data.due - last.occurred.date()).days + 1
    certificate = Expanded(U=last.data.expanded_uncertainty.base, k=last.data.k).u
    variance = line.slope_variance * days * days + Fraction(certificate) ** 2
    return Predicted(day=last.data.due, error=significant(left + line.slope * days), u=significant(root(variance)))


def interval_advice(gauge: Gauge) -> IntervalAdvice:
    """The longest interval, in whole days, for which the gauge is expected to stay good."""
    line = _line(gauge)
    permitted = None if gauge.registered is None else gauge.registered.data.permitted_error
    if permitted is None:
        return IntervalAdvice(days=None, reason="the gauge has no permitted_error")
    if line is None:
        return IntervalAdvice(days=None, reason="fewer than three calibrations state an error")
    last = gauge.calibrations[-1]
    error, room = _left(last), Fraction(permitted.base) - Fraction(last.data.expanded_uncertainty.base)
    doubt = 2 * Fraction(root(line.slope_variance))
    if error is None:
        return IntervalAdvice(days=None, reason="the last calibration states no error")
    days = [(room - side * error) / rate for side in (1, -1) if (rate := side * line.slope + doubt) > 0]
    longest = min(days, default=Fraction(DAYS_MAX))
    if longest <= 0:
        reason = "its error and the certificate's uncertainty already use the permitted error"
        return IntervalAdvice(days=0, reason=reason)
    return IntervalAdvice(days=min(int(longest), DAYS_MAX), reason=None)


def _left(calibration: Calibration) -> Fraction | None:
    stated = calibration.data.as_left or calibration.data.as_found
    return None if stated is None else Fraction(stated.base)


def _points(gauge: Gauge) -> list[tuple[datetime, Fraction]]:
    """When, and how far it had drifted since the first calibration that states an error."""
    points: list[tuple[datetime, Fraction]] = []
    drifted, left = Fraction(0), None
    for calibration in gauge.calibrations:
        found = calibration.data.as_found
        if left is not None and found is not None:
            drifted += Fraction(found.base) - left
            points.append((calibration.occurred, drifted))
        elif left is None and _left(calibration) is not None:
            points.append((calibration.occurred, drifted))
        left = _left(calibration) if _left(calibration) is not None else left
    return points


def _line(gauge: Gauge) -> Line | None:
    points = _points(gauge)
    if len(points) < 3 or points[0][0] == points[-1][0]:
        return None
    begin = points[0][0]
    days = [Decimal(str((at - begin).total_seconds())) / _DAY_S for at, _ in points]
    return fit_line(days, [Decimal(each.numerator) / Decimal(each.denominator) for _, each in points])
