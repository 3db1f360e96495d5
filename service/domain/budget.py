"""The question `budget`: contributions combined, with their correlations, degrees of freedom and a coverage factor."""

from collections.abc import Mapping, Sequence
from decimal import Decimal, localcontext
from typing import Annotated, Final

from msgspec import Meta, Raw, Struct, field

from service.domain.question import QuestionRefused, absent, plain, plain_or_none, significant
from service.domain.uncertainty import NEAR, correlated, coverage, effective_dof

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


class ComponentAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One contribution: its standard uncertainty, degrees of freedom (without: no bound), sensitivity (without: 1)."""

    source: Annotated[str, Meta(min_length=1, max_length=200)]
    u: Raw
    dof: Raw = field(default_factory=absent)
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
    u, dof = plain(asked.u, f"{pointer}/u"), plain_or_none(asked.dof, f"{pointer}/dof")
    sensitivity = plain_or_none(asked.sensitivity, f"{pointer}/sensitivity")
    if u < 0:
        raise QuestionRefused("a standard uncertainty is zero or more", pointer=f"{pointer}/u")
    if dof is not None and dof < _DOF_MIN:
        raise QuestionRefused(
            f"degrees of freedom are at least {_DOF_MIN}; leave them out where there is no bound",
            pointer=f"{pointer}/dof",
        )
    signed = NEAR.multiply(u, _ONE if sensitivity is None else sensitivity)
    return _Component(source=asked.source, signed=signed, dof=dof)


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
