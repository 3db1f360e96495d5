"""Distributions that factors and tests need: Student's t, Fisher's F, chi-square; by incomplete beta and gamma.

Values are floats: they are never what a verdict is decided by alone, but factors and probabilities that are shown.
"""

from math import erfc, exp, inf, lgamma, log, log1p, sqrt
from statistics import NormalDist
from typing import Final

_STANDARD: Final = NormalDist()
_TINY: Final = 1e-300
_NEAR_NORMAL: Final = 100_000.0
"""Degrees of freedom beyond which the expansion of t around the normal is exact to the last digit."""


def normal_cdf(z: float) -> float:
    """The standard normal distribution function."""
    return 0.5 * erfc(-z / sqrt(2))


def normal_quantile(p: float) -> float:
    """The z below which a standard normal value lies with probability p, 0 < p < 1."""
    return _STANDARD.inv_cdf(p)


def incomplete_beta(a: float, b: float, x: float) -> float:
    """The regularised incomplete beta function I_x(a, b), a and b above zero, by its continued fraction."""
    if x <= 0:
        return 0.0
    if x >= 1:
        return 1.0
    front = exp(lgamma(a + b) - lgamma(a) - lgamma(b) + a * log(x) + b * log1p(-x))
    if x < (a + 1) / (a + b + 2):
        return front * _fraction(a, b, x) / a
    return 1.0 - front * _fraction(b, a, 1 - x) / b


def _fraction(a: float, b: float, x: float) -> float:
    """The continued fraction of the incomplete beta, evaluated from the front (modified Lentz)."""
    c, d = 1.0, 1.0 - (a + b) * x / (a + 1)
    d = 1.0 / (d if abs(d) > _TINY else _TINY)
    value = d
    for m in range(1, 10_000):
        for term in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 + term * d
            d = 1.0 / (d if abs(d) > _TINY else _TINY)
            c = 1.0 + term / c
            c = c if abs(c) > _TINY else _TINY
            value *= d * c
        if abs(d * c - 1.0) < 1e-16:
            break
    return value


def student_cdf(t: float, dof: float) -> float:
    """Student's distribution function with `dof` degrees of freedom, above zero and perhaps infinite."""
    if dof == inf:
        return normal_cdf(t)
    tail = 0.5 * incomplete_beta(dof / 2, 0.5, dof / (dof + t * t))
    return 1.0 - tail if t > 0 else tail


def coverage_factor(confidence: float, dof: float) -> float:
    """The two-sided t factor: between -t and t lies the fraction `confidence` (JCGM 100:2008, table G.2)."""
    upper = 0.5 + confidence / 2
    z = normal_quantile(upper)
    if dof > _NEAR_NORMAL:
        # Abramowitz and Stegun, 26.7.5.
        return z + (z**3 + z) / (4 * dof) + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * dof**2)
    low, high = 0.0, max(2 * z, 1.0)
    while student_cdf(high, dof) < upper:
        low, high = high, 2 * high
    for _ in range(200):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        if student_cdf(middle, dof) < upper:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def f_exceeded(f: float, between: float, within: float) -> float:
    """The probability that Fisher's F with these degrees of freedom is larger than `f`."""
    return 1.0 if f <= 0 else incomplete_beta(within / 2, between / 2, within / (within + between * f))


def incomplete_gamma(a: float, x: float) -> float:
    """The regularised lower incomplete gamma function P(a, x), a above zero: by its series, or a continued fraction."""
    if x <= 0:
        return 0.0
    front = exp(a * log(x) - x - lgamma(a))
    if x < a + 1:
        term = total = 1.0 / a
        step = a
        while term > total * 1e-17:
            step += 1
            term *= x / step
            total += term
        return front * total
    # Modified Lentz (Abramowitz and Stegun, 6.5.31).
    b = x + 1 - a
    c, d = 1.0 / _TINY, 1.0 / b
    value = d
    for m in range(1, 100_000):
        numerator = -m * (m - a)
        b += 2
        d = numerator * d + b
        d = 1.0 / (d if abs(d) > _TINY else _TINY)
        c = b + numerator / c
        c = c if abs(c) > _TINY else _TINY
        value *= d * c
        if abs(d * c - 1.0) < 1e-16:
            break
    return 1.0 - front * value


def chi_square_cdf(value: float, dof: float) -> float:
    """The probability that chi-square with these degrees of freedom is at most `value`."""
    return incomplete_gamma(dof / 2, value / 2)


def chi_square_quantile(p: float, dof: float) -> float:
    """The value that chi-square stays below with probability p, 0 < p < 1."""
    low, high = 0.0, dof + 1.0
    while chi_square_cdf(high, dof) < p:
        low, high = high, 2 * high
    while high - low > 1e-14 * high:
        middle = (low + high) / 2
        if middle in (low, high):
            break
        if chi_square_cdf(middle, dof) < p:
            low = middle
        else:
            high = middle
    return (low + high) / 2
