"""The depth from its readings about the axis: the mean of opposed readings, or least squares, exact where it can be.

Readings r at angles theta follow r = y + a cos theta + b sin theta: y is the setting depth, a and b the tilt
of the rest face. Whatever the angles carry is fitted; y is kept as a total and a divisor so that a mean which
does not end is still judged exactly.
"""

from decimal import Context, Decimal, localcontext
from itertools import pairwise
from typing import Final

from msgspec import Struct

from service.domain.event.spindles import Reading, SettingMeasured
from service.domain.quantity import EXACT

OPPOSED_WITHIN_DEG: Final = 5
_HALF_TURN: Final = Decimal(180)
_FULL_TURN: Final = Decimal(360)
_PI: Final = Decimal("3.14159265358979323846264338327950288419716939937510582097494459230781640628620899")
_FITTING: Final = Context(prec=60)
_FIT_KEPT: Final = Decimal("1e-30")
"""A fitted depth is kept to 30 decimals of a millimetre, so that a fit that is a plain mean comes out as one."""


class DepthEstimate(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Depth total/divisor in mm. `weight_squares` is the sum of the squared weights of the readings.

    `half_difference` over the same divisor is half the difference of the two ends of the one diameter that
    was measured, None where the readings do not lie on one. `exact` is false for a least-squares fit.
    `spread` is the largest reading less the smallest.
    """

    total: Decimal
    divisor: int
    exact: bool
    weight_squares: Decimal
    half_difference: Decimal | None
    opposed: bool
    spread: Decimal


def estimate_depth(data: SettingMeasured, correction_mm: Decimal = Decimal(0)) -> DepthEstimate:
    """The depth in mm, with the calibration's correction added to each reading.

    Two readings 180 (+-5) degrees apart, or any number at the two ends of one diameter: the mean of the ends.
    Equally spaced: the mean. Else least squares with y, a and b. Readings that can carry neither are averaged
    and are not `opposed`.
    """
    with localcontext(EXACT):
        depths = [reading.depth.base + correction_mm for reading in data.readings]
        angles = [_normalised(reading) for reading in data.readings]
        spread = max(depths) - min(depths)
        opposed = _surround_axis(angles)
        if opposed and _on_one_diameter(angles):
            return _mean_of_ends(angles, depths, spread)
        if opposed and not _equally_spaced(angles):
            return _fitted(angles, depths, spread)
        count = len(depths)
        return DepthEstimate(
            total=sum(depths, Decimal(0)),
            divisor=count,
            exact=True,
            weight_squares=_FITTING.divide(Decimal(1), Decimal(count)),
            half_difference=None,
            opposed=opposed,
            spread=spread,
        )


def _normalised(reading: Reading) -> Decimal:
    """The angle in degrees, from 0 to below 360."""
    angle = reading.angle.base % _FULL_TURN
    return angle + _FULL_TURN if angle < 0 else angle


def _gaps(angles: list[Decimal]) -> list[Decimal]:
    """The angles between neighbours around the turn, in degrees."""
    ordered = sorted(angles)
    return [after - before for before, after in zip(ordered, [*ordered[1:], ordered[0] + _FULL_TURN], strict=True)]


def _surround_axis(angles: list[Decimal]) -> bool:
    """Whether no half turn (and 5 degrees) about the axis is without a reading: then tilt cancels or is fitted."""
    return len(angles) > 1 and max(_gaps(angles)) <= _HALF_TURN + OPPOSED_WITHIN_DEG


def _equally_spaced(angles: list[Decimal]) -> bool:
    return all(gap * len(angles) == _FULL_TURN for gap in _gaps(angles))


def _on_one_diameter(angles: list[Decimal]) -> bool:
    """Whether the directions, taken modulo half a turn, lie within 5 degrees of each other."""
    directions = sorted(angle % _HALF_TURN for angle in angles)
    gaps = [after - before for before, after in pairwise(directions)]
    gaps.append(directions[0] + _HALF_TURN - directions[-1])
    return _HALF_TURN - max(gaps) <= OPPOSED_WITHIN_DEG


def _mean_of_ends(angles: list[Decimal], depths: list[Decimal], spread: Decimal) -> DepthEstimate:
    """y and a on one diameter: half the sum and half the difference of the means at its two ends."""
    start = min(angles)
    near = [
        depth
        for angle, depth in zip(angles, depths, strict=True)
        if min(angle - start, start + _FULL_TURN - angle) < _HALF_TURN / 2
    ]
    far_total, far_count = sum(depths, Decimal(0)) - sum(near, Decimal(0)), len(depths) - len(near)
    near_total, near_count = sum(near, Decimal(0)), len(near)
    if near_count == far_count:
        total, difference, divisor = near_total + far_total, near_total - far_total, 2 * near_count
    else:
        total = near_total * far_count + far_total * near_count
        difference = near_total * far_count - far_total * near_count
        divisor = 2 * near_count * far_count
    weights = _FITTING.divide(Decimal(near_count + far_count), Decimal(4 * near_count * far_count))
    return DepthEstimate(
        total=total,
        divisor=divisor,
        exact=True,
        weight_squares=weights,
        half_difference=difference,
        opposed=True,
        spread=spread,
    )


def _fitted(angles: list[Decimal], depths: list[Decimal], spread: Decimal) -> DepthEstimate:
    """Least squares with y, a and b: the first row of the inverse normal matrix gives the weights of y."""
    with localcontext(_FITTING):
        rows = [(_cosine(angle), _cosine(angle - 90)) for angle in angles]
        n = Decimal(len(rows))
        c, s = sum((x for x, _ in rows), Decimal(0)), sum((y for _, y in rows), Decimal(0))
        cc = sum((x * x for x, _ in rows), Decimal(0))
        ss = sum((y * y for _, y in rows), Decimal(0))
        cs = sum((x * y for x, y in rows), Decimal(0))
        first = (cc * ss - cs * cs, cs * s - c * ss, c * cs - cc * s)
        determinant = n * first[0] + c * first[1] + s * first[2]
        weights = [(first[0] + first[1] * x + first[2] * y) / determinant for x, y in rows]
        y_mm = sum((weight * depth for weight, depth in zip(weights, depths, strict=True)), Decimal(0))
        return DepthEstimate(
            total=y_mm.quantize(_FIT_KEPT),
            divisor=1,
            exact=False,
            weight_squares=first[0] / determinant,
            half_difference=None,
            opposed=True,
            spread=spread,
        )


def _cosine(degrees: Decimal) -> Decimal:
    """The cosine by its power series, to the digits of the current context."""
    x = (degrees % _FULL_TURN) * _PI / _HALF_TURN
    term = total = Decimal(1)
    order = 0
    while total + term != total or order < 2:
        order += 2
        term = -term * x * x / (order * (order - 1))
        total += term
    return total
