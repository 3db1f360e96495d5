"""Uncertainty budgets: standard uncertainties from what is stated, combined as JCGM 100:2008 says.

All values are in the unit of the measured quantity (mm or N). They are irrational in general, so they are
carried to 28 digits; a verdict is exact as far as these digits allow.
"""

from collections.abc import Iterable
from decimal import Context, Decimal, localcontext
from typing import Final

from msgspec import Struct

NEAR: Final = Context(prec=28)
"""For what was never exact: uncertainties and what follows from them."""

COVERAGE_FACTOR: Final = 2
_OWN: Final = ("repeatability", "resolution", "zeroing")


class Component(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One line of a budget: its source, and its standard uncertainty as it acts on the result."""

    source: str
    u: Decimal


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
    """

    components: tuple[Component, ...]
    unstated: tuple[str, ...]
    own: Decimal
    common: Decimal

    @property
    def u(self) -> Decimal:
        """The combined standard uncertainty."""
        return combined(component.u for component in self.components)

    @property
    def expanded(self) -> Decimal:
        """U = 2 u (JCGM 100:2008, 6.2.1)."""
        return NEAR.multiply(self.u, Decimal(COVERAGE_FACTOR))


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
) -> Budget:
    """The budget of a weighted mean of readings of one gauge.

    `weight_squares` is the sum of the squared weights (1/n for a mean of n): it reduces repeatability s and
    resolution, which each reading has afresh. Calibration, master, zeroing and temperature are common to all
    readings and are not reduced (JCGM 100:2008, 5.2.2 note 1). Zeroing is one reading of the gauge on its
    master, sqrt(s^2 + resolution^2/12), unless the repeatability is declared to include it; where neither a
    master nor that declaration is stated, it is unstated.
    """
    with localcontext(NEAR):
        reduction = weight_squares.sqrt()
        step = None if resolution is None else from_resolution(resolution)
        zeroing = None
        if master is not None and not zeroing_included:
            zeroing = combined([repeatability] if step is None else [repeatability, step])
        terms = {
            "repeatability": repeatability * reduction,
            "resolution": None if step is None else step * reduction,
            "zeroing": zeroing,
            "calibration": None if calibration is None else calibration.u,
            "master": None if master is None else master.u,
            "temperature": temperature,
        }
    not_needed = {"master"}
    if zeroing_included:
        not_needed.add("zeroing")
    unstated = [name for name, u in terms.items() if u is None and name not in not_needed]
    if calibration is not None and not correction_stated:
        unstated.append("correction")
    own = [u for name, u in terms.items() if u is not None and name in _OWN]
    common = [u for name, u in terms.items() if u is not None and name not in _OWN]
    return Budget(
        components=tuple(Component(source=name, u=u) for name, u in terms.items() if u is not None),
        unstated=tuple(unstated),
        own=combined(own),
        common=combined(common),
    )
