"""Uncertainty budgets: standard uncertainties from what is stated, combined as JCGM 100:2008 says.

All values are in the unit of the measured quantity (mm or N). They are irrational in general, so they are
carried to 28 digits; a verdict is exact as far as these digits allow.
"""

from collections.abc import Iterable, Mapping, Sequence
from decimal import Context, Decimal, localcontext
from fractions import Fraction
from math import inf
from typing import Final

from msgspec import Struct

from service.domain.distribution import coverage_factor

NEAR: Final = Context(prec=28)
"""For what was never exact: uncertainties and what follows from them."""

COVERAGE_FACTOR: Final = 2
OWN: Final = ("repeatability", "resolution", "zeroing")
_ROUNDED: Final = Fraction(1, 10**20)
"""Degrees of freedom so near a whole number are that number: the contributions were rounded to 28 digits."""
_AVERAGED: Final = ("repeatability", "resolution")


class Component(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One line of a budget: its source, and its standard uncertainty as it acts on the result.

    `dof` are its degrees of freedom, None where it is taken as known exactly (JCGM 100:2008, G.4.3). `averaged` says
    that each reading has it afresh, so that averaging reduced it; what is common to all readings is not (5.2.2).
    """

    source: str
    u: Decimal
    dof: Decimal | None = None
    averaged: bool = False


class Expanded(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An expanded uncertainty U as a certificate states it, with its coverage factor k."""

    U: Decimal
    k: Decimal

    @property
    def u(self) -> Decimal:
        """U/k (JCGM 100:2008, 4.3.3)."""
        return NEAR.divide(self.U, self.k)


class Budget(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A budget: what is stated with its u, and the names of what is not.

    `own` combines what belongs to this one measurement (repeatability, resolution, zeroing), `common` the rest:
    it acts alike on all measurements with this gauge between two calibrations and cancels in their difference.
    `confidence` is the coverage asked for; without one k is 2.
    """

    components: tuple[Component, ...]
    unstated: tuple[str, ...]
    own: Decimal
    common: Decimal
    confidence: Decimal | None = None

    @property
    def u(self) -> Decimal:
        """The combined standard uncertainty."""
        return combined(component.u for component in self.components)

    @property
    def dof(self) -> Decimal | None:
        """The effective degrees of freedom, None where they are without bound."""
        return effective_dof([(component.u, component.dof) for component in self.components])

    @property
    def k(self) -> Decimal:
        return coverage(self.confidence, self.dof)

    @property
    def expanded(self) -> Decimal:
        """U = k u (JCGM 100:2008, 6.2.1)."""
        return NEAR.multiply(self.u, self.k)


def effective_dof(parts: Iterable[tuple[Decimal, Decimal | None]]) -> Decimal | None:
    """Degrees of freedom of a combination of independent contributions (u, dof), by Welch and Satterthwaite.

    JCGM 100:2008, G.4.1, equation G.2b. None where every contribution is without bound.
    """
    known = [(Fraction(u), None if dof is None else Fraction(dof)) for u, dof in parts]
    weights = sum((u**4 / dof for u, dof in known if dof is not None), Fraction(0))
    if weights == 0:
        return None
    found = sum((u * u for u, _ in known), Fraction(0)) ** 2 / weights
    whole = round(found)
    if abs(found - whole) < _ROUNDED * whole:
        return Decimal(whole)
    return NEAR.divide(Decimal(found.numerator), Decimal(found.denominator))


def coverage(confidence: Decimal | None, dof: Decimal | None) -> Decimal:
    """k: 2 where no confidence is asked for, else Student's two-sided factor (JCGM 100:2008, G.3.2).

    Degrees of freedom are cut to the whole number below, as annex H.1.6 does; below one they are kept.
    """
    if confidence is None:
        return Decimal(COVERAGE_FACTOR)
    used = inf if dof is None else float(dof) if dof < 1 else float(int(dof))
    return Decimal(f"{coverage_factor(float(confidence), used):.12g}")


def correlated(parts: Sequence[Decimal], correlations: Mapping[tuple[int, int], Decimal]) -> Decimal:
    """The combined standard uncertainty of signed contributions c u, some of them correlated.

    JCGM 100:2008, 5.2.2, equation 16. Fully correlated contributions add up, they do not square. Coefficients that are
    rounded may leave a variance just below zero: then it is zero.
    """
    with localcontext(NEAR):
        variance = sum((part * part for part in parts), Decimal(0))
        for (one, other), r in correlations.items():
            variance += 2 * parts[one] * parts[other] * r
        return max(variance, Decimal(0)).sqrt()


def combined(parts: Iterable[Decimal]) -> Decimal:
    """The root of the sum of squares of independent contributions (JCGM 100:2008, 5.1.2)."""
    with localcontext(NEAR):
        return sum((part * part for part in parts), Decimal(0)).sqrt()


def from_resolution(resolution: Decimal) -> Decimal:
    """u = resolution/sqrt(12): anywhere within one step is equally likely (JCGM 100:2008, F.2.2.1)."""
    with localcontext(NEAR):
        return resolution / Decimal(12).sqrt()


def from_half_width(half_width: Decimal) -> Decimal:
    """u = a/sqrt(3) of a rectangular distribution of half-width a (JCGM 100:2008, 4.3.7)."""
    with localcontext(NEAR):
        return half_width / Decimal(3).sqrt()


def from_triangle(half_width: Decimal) -> Decimal:
    """u = a/sqrt(6) of a triangular distribution of half-width a (JCGM 100:2008, 4.3.9)."""
    with localcontext(NEAR):
        return half_width / Decimal(6).sqrt()


def from_bounds(below: Decimal, above: Decimal) -> Decimal:
    """u of a rectangular distribution from an estimate less `below` to it and `above` (JCGM 100:2008, 4.3.8)."""
    return from_half_width(NEAR.divide(below + above, Decimal(2)))


def from_interval(half_width: Decimal, confidence: Decimal) -> Decimal:
    """u of a normal distribution whose fraction `confidence` lies within the half-width (JCGM 100:2008, 4.3.4)."""
    return NEAR.divide(half_width, coverage(confidence, None))


def dof_of_judgement(reliability: Decimal) -> Decimal:
    """Degrees of freedom of an uncertainty that is itself known to this fraction (JCGM 100:2008, equation G.3)."""
    with localcontext(NEAR):
        return 1 / (2 * reliability * reliability)


def thermal(length: Decimal, expansion_per_kelvin: Decimal, half_width_kelvin: Decimal) -> Decimal:
    """u of a length whose temperature differs from the gauge's by at most the half-width, in the length's unit."""
    with localcontext(NEAR):
        return length * expansion_per_kelvin * from_half_width(half_width_kelvin)


def measurement_budget(
    *,
    repeatability: Decimal,
    resolution: Decimal | None,
    weight_squares: Decimal,
    calibration: Expanded | None,
    correction_stated: bool,
    zeroing_included: bool = False,
    master: Expanded | None = None,
    temperature: Decimal | None = None,
    drift: Decimal | None = None,
    repeatability_dof: Decimal | None = None,
    confidence: Decimal | None = None,
) -> Budget:
    """The budget of a weighted mean of readings of one gauge.

    `weight_squares` is the sum of the squared weights (1/n for a mean of n): it reduces repeatability s and
    resolution, which each reading has afresh. Calibration, its drift since, master, zeroing and temperature are common
    to all readings and are not reduced (JCGM 100:2008, 5.2.2 note 1). Zeroing is one reading of the gauge on its
    master, sqrt(s^2 + resolution^2/12), unless the repeatability is declared to include it; where neither a
    master nor that declaration is stated, it is unstated.
    """
    step = None if resolution is None else from_resolution(resolution)
    zeroed = master is not None and not zeroing_included
    once = [(repeatability, repeatability_dof), *([] if step is None else [(step, None)])]
    terms = {
        "repeatability": _averaged(repeatability, weight_squares),
        "resolution": None if step is None else _averaged(step, weight_squares),
        "zeroing": combined(u for u, _ in once) if zeroed else None,
        "calibration": None if calibration is None else calibration.u,
        "master": None if master is None else master.u,
        "temperature": temperature,
        "drift": drift,
    }
    not_needed = {"master", "drift", *(("zeroing",) if zeroing_included else ())}
    unstated = [name for name, u in terms.items() if u is None and name not in not_needed]
    if calibration is not None and not correction_stated:
        unstated.append("correction")
    stated = {name: u for name, u in terms.items() if u is not None}
    return Budget(
        components=_lines(stated, {"repeatability": repeatability_dof, "zeroing": effective_dof(once)}),
        unstated=tuple(unstated),
        own=combined(u for name, u in stated.items() if name in OWN),
        common=combined(u for name, u in stated.items() if name not in OWN),
        confidence=confidence,
    )


def _averaged(u: Decimal, weight_squares: Decimal) -> Decimal:
    with localcontext(NEAR):
        return u * weight_squares.sqrt()


def _lines(stated: Mapping[str, Decimal], dofs: Mapping[str, Decimal | None]) -> tuple[Component, ...]:
    return tuple(
        Component(source=name, u=u, dof=dofs.get(name), averaged=name in _AVERAGED) for name, u in stated.items()
    )
