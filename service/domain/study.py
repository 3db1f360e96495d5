"""A repeatability study: parts that several people have measured several times, by two methods side by side.

The methods differ on the same data: average and range estimates each spread from a range, the analysis of variance from
sums of squares, and only the latter sees an interaction of person and part. Sums of squares are exact fractions.
"""

from collections.abc import Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from functools import cache
from itertools import product
from math import exp, pi, sqrt
from typing import Annotated, Final

from msgspec import Meta, Raw, Struct, field

from service.domain.distribution import f_exceeded, normal_cdf
from service.domain.question import QuestionRefused, absent, plain, plain_or_none, root, significant

POOLED_ABOVE: Final = 0.25
"""An interaction whose F is exceeded by chance more often than this is pooled with the repeatability."""

AVERAGE_AND_RANGE_METHOD: Final = (
    "average and range: spreads from mean ranges times 1/d2* of the range of normal values, to four decimals (from "
    "more than 15 subgroups 1/d2); ndc is 1.41 part / combined, cut to a whole number"
)
ANOVA_METHOD: Final = (
    "analysis of variance, parts and persons crossed and random; an interaction exceeded by chance more often than "
    "0.25 is pooled with the repeatability; negative estimates are zero; ndc as beside"
)
_SPREADS: Final = Decimal(6)
_LARGE: Final = 15
_TRIALS_MAX: Final = 50

Cells = Mapping[tuple[str, str], Sequence[Fraction]]
"""The trials of each (part, person), every combination there and equally often."""


class Trial(Struct, frozen=True, kw_only=True):
    """One measurement of a study."""

    part: str
    person: str
    trial: str
    value: Decimal

    @property
    def named(self) -> str:
        return f"part {self.part}, person {self.person}, trial {self.trial}"


class StudyMeasurement(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    part: str | int
    person: str | int
    trial: str | int
    value: Raw


class StudyAsked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Every person measures every part in every trial; `tolerance` is the width between the limits."""

    measurements: Annotated[list[StudyMeasurement], Meta(min_length=1, max_length=10_000)]
    tolerance: Raw = field(default_factory=absent)


class Spread(Struct, frozen=True, kw_only=True):
    """One source of spread: its variance and standard deviation, and six of these as a percentage."""

    variance: str
    sd: str
    percent_of_total: str | None
    percent_of_tolerance: str | None


class Spreads(Struct, frozen=True, kw_only=True):
    """`combined` is repeatability and reproducibility together; `interaction` is null where it is pooled or unseen."""

    repeatability: Spread
    reproducibility: Spread
    interaction: Spread | None
    combined: Spread
    part: Spread
    total: Spread


class Effect(Struct, frozen=True, kw_only=True):
    """A line of the analysis of variance; `p` is how often chance exceeds F."""

    source: str
    sum_of_squares: str
    dof: int
    mean_square: str
    F: str | None
    p: str | None


class AverageAndRange(Struct, frozen=True, kw_only=True):
    mean_range: str
    mean_range_of_persons: dict[str, str]
    range_of_person_means: str
    range_of_part_means: str
    variances: dict[str, str]
    percentages: dict[str, str | None]
    spreads: Spreads
    ndc: int | None
    method: str = AVERAGE_AND_RANGE_METHOD


class Anova(Struct, frozen=True, kw_only=True):
    effects: tuple[Effect, ...]
    pooled: bool
    pooled_mean_square: str | None
    repeatability_dof: int
    variances: dict[str, str]
    percentages: dict[str, str | None]
    spreads: Spreads
    ndc: int | None
    method: str = ANOVA_METHOD


class StudyEvaluated(Struct, frozen=True, kw_only=True):
    """Percentages are of the total's standard deviation; `spreads` has them of the tolerance, too."""

    parts: int
    persons: int
    trials: int
    average_and_range: AverageAndRange
    anova: Anova


def evaluate_study(asked: StudyAsked) -> StudyEvaluated:
    """Raises QuestionRefused, naming the measurement that is missing, stands twice, or cannot be read."""
    tolerance = plain_or_none(asked.tolerance, "/tolerance")
    if tolerance is not None and tolerance <= 0:
        raise QuestionRefused("a tolerance is above zero", pointer="/tolerance")
    rows = [
        Trial(
            part=str(each.part),
            person=str(each.person),
            trial=str(each.trial),
            value=plain(each.value, f"/measurements/{place}/value"),
        )
        for place, each in enumerate(asked.measurements)
    ]
    return judge_study(crossed(rows), tolerance)


def crossed(rows: Sequence[Trial]) -> Cells:
    """The trials by part and person. Raises QuestionRefused for a cell that is missing or stands twice."""
    by_cell: dict[tuple[str, str, str], Fraction] = {}
    for place, row in enumerate(rows):
        if (row.part, row.person, row.trial) in by_cell:
            raise QuestionRefused(f"{row.named} stands twice", pointer=f"/measurements/{place}")
        by_cell[row.part, row.person, row.trial] = Fraction(row.value)
    parts = list(dict.fromkeys(row.part for row in rows))
    persons = list(dict.fromkeys(row.person for row in rows))
    trials = list(dict.fromkeys(row.trial for row in rows))
    for what, found in (("parts", parts), ("people", persons), ("trials", trials)):
        if len(found) < 2:
            raise QuestionRefused(f"a study needs two {what} or more", pointer="/measurements")
    if len(trials) > _TRIALS_MAX:
        raise QuestionRefused(f"a study has at most {_TRIALS_MAX} trials", pointer="/measurements")
    for part, person, trial in product(parts, persons, trials):
        if (part, person, trial) not in by_cell:
            missing = Trial(part=part, person=person, trial=trial, value=Decimal(0)).named
            raise QuestionRefused(f"{missing} is missing", pointer="/measurements")
    return {(part, person): [by_cell[part, person, trial] for trial in trials] for part in parts for person in persons}


def judge_study(cells: Cells, tolerance: Decimal | None) -> StudyEvaluated:
    """Both methods on the same data."""
    parts, persons = (list(dict.fromkeys(cell[place] for cell in cells)) for place in range(2))
    return StudyEvaluated(
        parts=len(parts),
        persons=len(persons),
        trials=len(next(iter(cells.values()))),
        average_and_range=_average_and_range(cells, parts, persons, tolerance),
        anova=_anova(cells, parts, persons, tolerance),
    )


def repeatability(cells: Cells) -> tuple[Fraction, int]:
    """The variance within cells and its degrees of freedom: what the same person finds again on the same part."""
    within = sum((_squares(trials) for trials in cells.values()), Fraction(0))
    dof = sum(len(trials) - 1 for trials in cells.values())
    return within / dof, dof


def pooled(spreads: Sequence[tuple[Decimal, int]]) -> tuple[Decimal, int]:
    """One standard deviation from several (s, degrees of freedom), and its own (JCGM 100:2008, H.3.6)."""
    dof = sum(each for _, each in spreads)
    squares = sum((Fraction(s) ** 2 * each for s, each in spreads), Fraction(0))
    return root(squares / dof), dof


def _mean(values: Sequence[Fraction]) -> Fraction:
    return sum(values, Fraction(0)) / len(values)


def _squares(values: Sequence[Fraction]) -> Fraction:
    """The sum of squares about the mean."""
    mean = _mean(values)
    return sum(((value - mean) ** 2 for value in values), Fraction(0))


def _average_and_range(
    cells: Cells, parts: Sequence[str], persons: Sequence[str], tolerance: Decimal | None
) -> AverageAndRange:
    trials = len(next(iter(cells.values())))
    by_person = {
        person: _mean([max(cells[part, person]) - min(cells[part, person]) for part in parts]) for person in persons
    }
    mean_range = _mean(list(by_person.values()))
    person_means, part_means = _means(cells, persons, 1), _means(cells, parts, 0)
    between_persons, between_parts = max(person_means) - min(person_means), max(part_means) - min(part_means)
    within = (float(mean_range) * _of_range(trials, len(parts) * len(persons))) ** 2
    across = (float(between_persons) * _of_range(len(persons), 1)) ** 2 - within / (len(parts) * trials)
    part = (float(between_parts) * _of_range(len(parts), 1)) ** 2
    spreads = _spreads(within, max(across, 0.0), None, part, tolerance)
    return AverageAndRange(
        mean_range=significant(mean_range),
        mean_range_of_persons={person: significant(found) for person, found in by_person.items()},
        range_of_person_means=significant(between_persons),
        range_of_part_means=significant(between_parts),
        variances=_variances(spreads),
        percentages=_percentages(spreads),
        spreads=spreads,
        ndc=_ndc(part, within + max(across, 0.0)),
    )


def _anova(cells: Cells, parts: Sequence[str], persons: Sequence[str], tolerance: Decimal | None) -> Anova:
    a, b, r = len(parts), len(persons), len(next(iter(cells.values())))
    error, error_dof = repeatability(cells)
    total = _squares([value for found in cells.values() for value in found])
    ss_part = b * r * _squares(_means(cells, parts, 0))
    ss_person = a * r * _squares(_means(cells, persons, 1))
    ss_both, dof_both = total - ss_part - ss_person - error * error_dof, (a - 1) * (b - 1)
    ms_both = ss_both / dof_both
    chance = _chance(ms_both, dof_both, error, error_dof)
    is_pooled = ss_both == 0 or (chance is not None and chance > POOLED_ABOVE)
    within, within_dof = error, error_dof
    if is_pooled:
        within_dof += dof_both
        within = (ss_both + error * error_dof) / within_dof
    against, against_dof = (within, within_dof) if is_pooled else (ms_both, dof_both)
    interaction = None if is_pooled else _estimate(ms_both - error, r)
    person = _estimate(ss_person / (b - 1) - against, a * r)
    part = _estimate(ss_part / (a - 1) - against, b * r)
    spreads = _spreads(float(within), person, interaction, part, tolerance)
    return Anova(
        effects=(
            _effect("part", ss_part, a - 1, against, against_dof),
            _effect("person", ss_person, b - 1, against, against_dof),
            _effect("part and person", ss_both, dof_both, error, error_dof),
            _effect("repeatability", error * error_dof, error_dof, None, 0),
            _effect("total", total, a * b * r - 1, None, 0),
        ),
        pooled=is_pooled,
        pooled_mean_square=significant(within) if is_pooled else None,
        repeatability_dof=within_dof,
        variances=_variances(spreads),
        percentages=_percentages(spreads),
        spreads=spreads,
        ndc=_ndc(part, float(within) + person + (interaction or 0.0)),
    )


def _means(cells: Cells, names: Sequence[str], place: int) -> list[Fraction]:
    """The mean over all that one part, or one person, has in the cells."""
    totals = dict.fromkeys(names, Fraction(0))
    for cell, found in cells.items():
        totals[cell[place]] += sum(found, Fraction(0))
    each = len(next(iter(cells.values()))) * len(cells) // len(names)
    return [totals[name] / each for name in names]


def _estimate(difference: Fraction, count: int) -> float:
    """A component of variance; what comes out below zero is zero."""
    return float(max(difference / count, Fraction(0)))


def _effect(source: str, squares: Fraction, dof: int, against: Fraction | None, against_dof: int) -> Effect:
    mean_square = squares / dof
    chance = None if against is None else _chance(mean_square, dof, against, against_dof)
    return Effect(
        source=source,
        sum_of_squares=significant(squares),
        dof=dof,
        mean_square=significant(mean_square),
        F=None if not against else significant(mean_square / against),
        p=None if chance is None else f"{chance:.6f}",
    )


def _chance(mean_square: Fraction, dof: int, against: Fraction, against_dof: int) -> float | None:
    """How often chance exceeds their ratio; None where there is nothing to compare with."""
    return None if against == 0 else f_exceeded(float(mean_square / against), dof, against_dof)


def _spreads(
    within: float, across: float, interaction: float | None, part: float, tolerance: Decimal | None
) -> Spreads:
    combined = within + across + (interaction or 0.0)
    total = combined + part

    def spread(variance: float) -> Spread:
        sd = Decimal(sqrt(variance))
        return Spread(
            variance=significant(variance),
            sd=significant(sd),
            percent_of_total=None if total == 0 else f"{100 * sqrt(variance / total):.4f}",
            percent_of_tolerance=None if tolerance is None else f"{100 * _SPREADS * sd / tolerance:.4f}",
        )

    return Spreads(
        repeatability=spread(within),
        reproducibility=spread(across + (interaction or 0.0)),
        interaction=None if interaction is None else spread(interaction),
        combined=spread(combined),
        part=spread(part),
        total=spread(total),
    )


def _variances(spreads: Spreads) -> dict[str, str]:
    return {name: found.variance for name, found in _named(spreads)}


def _percentages(spreads: Spreads) -> dict[str, str | None]:
    return {name: found.percent_of_total for name, found in _named(spreads)}


def _named(spreads: Spreads) -> list[tuple[str, Spread]]:
    names = ("repeatability", "reproducibility", "interaction", "combined", "part", "total")
    found = [(name, getattr(spreads, name)) for name in names]
    return [(name, each) for name, each in found if each is not None]


def _ndc(part: float, combined: float) -> int | None:
    """The number of distinct categories that the gauge can tell apart; None where it shows no spread of its own."""
    return None if combined == 0 else int(1.41 * sqrt(part / combined))


def _of_range(size: int, groups: int) -> float:
    """1/d2*: what a mean range of `size` normal values is multiplied with, for few groups corrected by their spread.

    To four decimals, as the tables of the method print it.
    """
    mean, variance = _range_of_normal(size)
    return round(1 / (mean if groups > _LARGE else sqrt(mean**2 + variance / groups)), 4)


@cache
def _range_of_normal(size: int) -> tuple[float, float]:
    """Mean (d2) and variance (d3 squared) of the range of `size` standard normal values.

    P(R <= r) = n times the integral of phi(x) (Phi(x + r) - Phi(x))^(n - 1), by the trapezoidal rule, whose error on
    such functions is beyond the last digit; the mean is the integral of P(R > r), the second moment that of
    2 r P(R > r), both by Simpson's rule.
    """
    step, points = 0.1, 161
    below = [normal_cdf(-8 + step * place) for place in range(2 * points - 1)]
    density = [exp(-((-8 + step * place) ** 2) / 2) / sqrt(2 * pi) for place in range(points)]
    mean = second = 0.0
    for place in range(points):
        terms = (density[at] * (below[at + place] - below[at]) ** (size - 1) for at in range(points))
        beyond = 1 - size * step * sum(terms)
        weight = step / 3 * (1 if place in (0, points - 1) else 4 if place % 2 else 2)
        mean += weight * beyond
        second += weight * 2 * step * place * beyond
    return mean, second - mean**2
