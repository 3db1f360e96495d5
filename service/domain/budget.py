"""The question `budget`: contributions combined, with their correlations, degrees of freedom and a coverage factor."""

from collections.abc import Mapping, Sequence
from decimal import Decimal, localcontext
from typing import Annotated, Final, Literal

from msgspec import Meta, Raw, Struct, field

from service.domain.question import QuestionRefused, absent, plain, plain_or_none, significant
from service.domain.uncertainty import (
    NEAR,
    Expanded,
    correlated,
    coverage,
    dof_of_judgement,
    effective_dof,
    from_bounds,
    from_interval,
    from_triangle,
)

METHOD: Final = (
    "JCGM 100:2008: combined by 5.1.2, equation 10, and with correlations 5.2.2, equation 16; effective degrees of "
    "freedom by Welch and Satterthwaite, G.4.1, equation G.2b, where correlated contributions count as one with the "
    "fewest degrees of freedom among them; k is 2 without a confidence, else Student's two-sided factor for the "
    "degrees of freedom cut to the whole number below (G.3.2, H.1.6); U = k u (6.2.1)"
)
_ONE: Final = Decimal(1)
_ROUNDING: Final = 0.02
"""Coefficients are often given with two digits."""
_CORRELATED_MAX: Final = 200
_DOF_MIN: Final = Decimal("0.5")
_CONFIDENCE_MAX: Final = Decimal("0.999999999")


class ExpandedAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An expanded uncertainty and its coverage factor, as a certificate states them."""

    U: Raw
    k: Raw


class BoundsAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How far below and above its estimate a value can lie at most, and how it is spread in between."""

    below: Raw
    above: Raw
    spread: Literal["rectangular", "triangular"] = "rectangular"


class IntervalAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The half-width of the interval that holds this fraction of a normal quantity."""

    half_width: Raw
    confidence: Raw


class ComponentAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One contribution: `u`, or what it follows from: `expanded`, `bounds` or `interval`.

    `dof` are its degrees of freedom (without: no bound), or follow from `reliability`, the fraction to which u itself
    is known. `sensitivity` is 1 where it is left out.
    """

    source: Annotated[str, Meta(min_length=1, max_length=200)]
    u: Raw = field(default_factory=absent)
    expanded: ExpandedAsked | None = None
    bounds: BoundsAsked | None = None
    interval: IntervalAsked | None = None
    dof: Raw = field(default_factory=absent)
    reliability: Raw = field(default_factory=absent)
    sensitivity: Raw = field(default_factory=absent)


class CorrelationAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The correlation coefficient of two sources; those that are not named are independent."""

    between: tuple[str, str]
    r: Raw


class BudgetAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """`confidence` lies between 0 and 1, such as 0.95; without it k is 2."""

    components: Annotated[list[ComponentAsked], Meta(min_length=1, max_length=1000)]
    correlations: Annotated[list[CorrelationAsked], Meta(max_length=10_000)] = []
    confidence: Raw = field(default_factory=absent)


class ComponentEvaluated(Struct, frozen=True, kw_only=True):
    """`contribution` is |sensitivity| times u, in the unit of the result."""

    source: str
    contribution: str
    dof: str | None


class BudgetEvaluated(Struct, frozen=True, kw_only=True):
    """`dof` are the effective degrees of freedom, null where they are without bound."""

    u: str
    dof: str | None
    k: str
    U: str
    components: tuple[ComponentEvaluated, ...]
    method: str = METHOD


class _Component(Struct, frozen=True, kw_only=True):
    source: str
    signed: Decimal
    dof: Decimal | None


def evaluate_budget(asked: BudgetAsked) -> BudgetEvaluated:
    """Raises QuestionRefused, naming the component or correlation that cannot be taken."""
    components = [_component(each, f"/components/{place}") for place, each in enumerate(asked.components)]
    correlations = _correlations(asked.correlations, [each.source for each in components])
    if not _possible(len(components), correlations):
        raise QuestionRefused("no quantities can be correlated so", pointer="/correlations")
    u = correlated([each.signed for each in components], correlations)
    confidence = plain_or_none(asked.confidence, "/confidence")
    if confidence is not None and not 0 < confidence <= _CONFIDENCE_MAX:
        raise QuestionRefused(f"confidence lies between 0 and {_CONFIDENCE_MAX}, such as 0.95", pointer="/confidence")
    dof = effective_dof(_groups(components, correlations))
    k = coverage(confidence, dof)
    return BudgetEvaluated(
        u=significant(u),
        dof=None if dof is None else significant(dof),
        k=significant(k),
        U=significant(NEAR.multiply(k, u)),
        components=tuple(
            ComponentEvaluated(
                source=each.source,
                contribution=significant(abs(each.signed)),
                dof=None if each.dof is None else significant(each.dof),
            )
            for each in components
        ),
    )


def _component(asked: ComponentAsked, pointer: str) -> _Component:
    u, dof = _u(asked, pointer), plain_or_none(asked.dof, f"{pointer}/dof")
    reliability = plain_or_none(asked.reliability, f"{pointer}/reliability")
    sensitivity = plain_or_none(asked.sensitivity, f"{pointer}/sensitivity")
    if reliability is not None:
        if dof is not None:
            raise QuestionRefused("state dof or reliability", pointer=f"{pointer}/reliability")
        if not 0 < reliability <= 1:
            raise QuestionRefused("reliability lies between 0 and 1, such as 0.25", pointer=f"{pointer}/reliability")
        dof = dof_of_judgement(reliability)
    if dof is not None and dof < _DOF_MIN:
        text = f"degrees of freedom are at least {_DOF_MIN}; leave them out where there is no bound"
        raise QuestionRefused(text, pointer=f"{pointer}/dof")
    signed = NEAR.multiply(u, _ONE if sensitivity is None else sensitivity)
    return _Component(source=asked.source, signed=signed, dof=dof)


def _u(asked: ComponentAsked, pointer: str) -> Decimal:
    """The standard uncertainty of a contribution, stated or from what it follows from (JCGM 100:2008, 4.3)."""
    stated = plain_or_none(asked.u, f"{pointer}/u")
    ways = [each for each in (stated, asked.expanded, asked.bounds, asked.interval) if each is not None]
    if len(ways) != 1:
        raise QuestionRefused("state one of u, expanded, bounds and interval", pointer=f"{pointer}/u")
    if asked.expanded is not None:
        found = _not_negative(asked.expanded.U, f"{pointer}/expanded/U")
        k = plain(asked.expanded.k, f"{pointer}/expanded/k")
        if k <= 0:
            raise QuestionRefused("k is above zero", pointer=f"{pointer}/expanded/k")
        return Expanded(U=found, k=k).u
    if asked.bounds is not None:
        below = _not_negative(asked.bounds.below, f"{pointer}/bounds/below")
        above = _not_negative(asked.bounds.above, f"{pointer}/bounds/above")
        if asked.bounds.spread == "triangular":
            return from_triangle(NEAR.divide(below + above, Decimal(2)))
        return from_bounds(below, above)
    if asked.interval is not None:
        confidence = plain(asked.interval.confidence, f"{pointer}/interval/confidence")
        if not 0 < confidence <= _CONFIDENCE_MAX:
            raise QuestionRefused("confidence lies between 0 and 1", pointer=f"{pointer}/interval/confidence")
        return from_interval(_not_negative(asked.interval.half_width, f"{pointer}/interval/half_width"), confidence)
    return _not_negative(asked.u, f"{pointer}/u")


def _not_negative(raw: Raw, pointer: str) -> Decimal:
    value = plain(raw, pointer)
    if value < 0:
        raise QuestionRefused(f"{pointer.rpartition('/')[2]} is zero or more", pointer=pointer)
    return value


def _correlations(asked: Sequence[CorrelationAsked], sources: Sequence[str]) -> dict[tuple[int, int], Decimal]:
    found: dict[tuple[int, int], Decimal] = {}
    for place, each in enumerate(asked):
        pointer = f"/correlations/{place}"
        for side, source in enumerate(each.between):
            if sources.count(source) != 1:
                told = "names no component" if source not in sources else "names more than one component"
                raise QuestionRefused(f"{source!r} {told}", pointer=f"{pointer}/between/{side}")
        one, other = sorted(sources.index(source) for source in each.between)
        if one == other:
            raise QuestionRefused("a source is not correlated with itself", pointer=f"{pointer}/between/1")
        if (one, other) in found:
            raise QuestionRefused("the same two sources are named before", pointer=f"{pointer}/between")
        r = plain(each.r, f"{pointer}/r")
        if not -1 <= r <= 1:
            raise QuestionRefused("a correlation coefficient lies between -1 and 1", pointer=f"{pointer}/r")
        found[one, other] = r
    if len({place for pair in found for place in pair}) > _CORRELATED_MAX:
        raise QuestionRefused(f"at most {_CORRELATED_MAX} sources are correlated", pointer="/correlations")
    return found


def _possible(size: int, correlations: Mapping[tuple[int, int], Decimal]) -> bool:
    """Whether there are quantities correlated so: the matrix has no negative pivot, but for rounded coefficients.

    By elimination among the sources that are correlated at all (Cholesky); a pivot below -0.02 is no rounding.
    """
    named = sorted({place for pair in correlations for place in pair})
    at = {place: row for row, place in enumerate(named)}
    rows = [[1.0 if one == other else 0.0 for other in named] for one in named]
    for (one, other), r in correlations.items():
        rows[at[one]][at[other]] = rows[at[other]][at[one]] = float(r)
    for step, row in enumerate(rows):
        if row[step] < -_ROUNDING:
            return False
        if row[step] <= _ROUNDING:
            if any(abs(value) > _ROUNDING for value in row[step + 1 :]):
                return False
            continue
        for below in rows[step + 1 :]:
            factor = below[step] / row[step]
            for place in range(step, len(named)):
                below[place] -= factor * row[place]
    return size >= len(named)


def _groups(
    components: Sequence[_Component], correlations: Mapping[tuple[int, int], Decimal]
) -> list[tuple[Decimal, Decimal | None]]:
    """What is correlated taken together: (u, dof) of each group that is independent of the others."""
    group = list(range(len(components)))
    for (one, other), r in correlations.items():
        if r != 0:
            joined, left = group[one], group[other]
            group = [joined if each == left else each for each in group]
    found = []
    for number in sorted(set(group)):
        members = [place for place, each in enumerate(group) if each == number]
        inside = {
            (members.index(one), members.index(other)): r
            for (one, other), r in correlations.items()
            if one in members and other in members
        }
        dofs = [components[place].dof for place in members]
        fewest = min((dof for dof in dofs if dof is not None), default=None)
        with localcontext(NEAR):
            found.append((correlated([components[place].signed for place in members], inside), fewest))
    return found
