"""How long clamping sets last: lives from what the ledger has, fits per sheet and plant, rebuilds and kits to come."""

import asyncio
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np
from msgspec import Struct, structs

from service import catalogue
from service.domain.growth import GrowthEvaluated
from service.domain.renewal import DAYS_A_MONTH, MonthExpected, Running, expected
from service.domain.renewal import METHOD as RENEWAL
from service.domain.replacement import ReplacementEvaluated
from service.domain.set_fit import METHOD, Costs, SetsFitted, fit_sets, growth_of, replacement_of
from service.domain.set_life import (
    REASONS,
    LeftOut,
    Parted,
    SetLife,
    SetMark,
    Unit,
    lives_in,
    mark_of,
    parted,
    repeated,
)
from service.domain.weibull import WeibullFit
from service.postgres import Statements, Transaction
from service.use import fit_of

SQL: Final = Statements.beside(__file__)
_SEVERAL: Final = "several sheets: sets of different kinds have no life in common; each stands in `groups`"
_STARTS: Final = (
    "; sets whose age is unknown are taken as fitted when the ledger began, so theirs may come sooner; use by each "
    "spindle's own average"
)


class Asked(Struct, frozen=True, kw_only=True):
    """Which sets, in which unit, what counts as a failure; costs for the age of replacement, months to look ahead."""

    sheet: str | None
    plant: str | None
    spindle: str | None
    plants: tuple[str, ...] | None
    unit: Unit
    failures: tuple[str, ...]
    confidence: float
    costs: Costs | None
    months: int
    service_level: float


class GroupLife(SetsFitted, frozen=True, kw_only=True):
    """The sets of one sheet, in one plant where one is named."""

    sheet: str
    plant: str | None


class KitsExpected(Struct, frozen=True, kw_only=True):
    """Rebuilds of a sheet to come. `running` sets, of which `waiting` have failed already and `of_unknown_age` were
    there before the ledger; `other_rate` are rebuilds for other reasons per 1000 cycles, or per day. `short` is what
    `in_stock` lacks by the end of the last month.
    """

    running: int
    waiting: int
    of_unknown_age: int
    other_rate: float
    service_level: float
    months: list[MonthExpected]
    until: datetime
    in_stock: int
    short: int
    method: str


class Life(SetsFitted, frozen=True, kw_only=True):
    """The life of all sets asked about. `groups` has each sheet's, and each sheet's in each plant.

    `replacement` answers the costs that were asked with, `growth` the repeated rebuilds of one spindle, `expected` the
    months to come of one sheet; where one cannot be told its `_missing` says why.
    """

    made: datetime
    sheet: str | None
    plant: str | None
    spindle: str | None
    unit: Unit
    failures_are: tuple[str, ...]
    groups: list[GroupLife]
    replacement: ReplacementEvaluated | None
    growth: GrowthEvaluated | None
    growth_missing: str | None
    expected: KitsExpected | None
    expected_missing: str | None
    method: str = METHOD


class _Sets(Struct, frozen=True, kw_only=True):
    """The sets asked about, and what is left out of them."""

    lives: list[SetLife]
    left: list[LeftOut]

    def of(self, wanted: Callable[[SetLife | LeftOut], bool]) -> "_Sets":
        return _Sets(lives=[each for each in self.lives if wanted(each)], left=[e for e in self.left if wanted(e)])

    def parted(self, failures: Sequence[str]) -> tuple[Parted, dict[str, int]]:
        return parted(self.lives, failures), dict(sorted(Counter(each.why for each in self.left).items()))


async def plant_of(tx: Transaction, spindle: str) -> str | None:
    """Where a spindle is now, None where there is none."""
    found: str | None = await tx.value(SQL["plant_of"], key=spindle)
    return found


async def life(tx: Transaction, asked: Asked) -> Life:
    """The lives of the sets that are asked about, and what follows from them."""
    rows = await tx.rows(
        SQL["marks"],
        sheet=asked.sheet,
        plant=asked.plant,
        spindle=asked.spindle,
        plants=None if asked.plants is None else list(asked.plants),
        now=tx.now,
        in_days=asked.unit == "days",
    )
    marks = await asyncio.to_thread(lambda: [mark_of(row) for row in rows])
    lives, left = await asyncio.to_thread(lives_in, marks, asked.unit)
    sets = _Sets(lives=lives, left=left)
    if asked.sheet is not None:
        sets = sets.of(lambda each: each.sheet == asked.sheet)
    fitted, fit, groups = await asyncio.to_thread(_fits, sets, asked)
    kits, why = await _expected(tx, sets, fit, marks, asked)
    growth, growth_missing = _growth(sets, asked)
    return Life(
        **structs.asdict(fitted),
        made=tx.now,
        sheet=asked.sheet,
        plant=asked.plant,
        spindle=asked.spindle,
        unit=asked.unit,
        failures_are=asked.failures,
        groups=groups,
        replacement=None if fit is None or asked.costs is None else replacement_of(fit, asked.costs),
        growth=growth,
        growth_missing=growth_missing,
        expected=kits,
        expected_missing=why,
    )


def _fits(sets: _Sets, asked: Asked) -> tuple[SetsFitted, WeibullFit | None, list[GroupLife]]:
    """The fit of all, and of each sheet and plant; where there are several sheets none of all."""
    of_all, fit = fit_sets(*sets.parted(asked.failures), asked.confidence)
    both: list[SetLife | LeftOut] = [*sets.lives, *sets.left]
    sheets = sorted({each.sheet for each in both})
    groups = []
    for sheet in sheets:
        mine = sets.of(lambda each, sheet=sheet: each.sheet == sheet)  # type: ignore[misc]
        plants = sorted({each.plant for each in both if each.sheet == sheet})
        for plant in (None, *plants):
            here = mine if plant is None else mine.of(lambda each, plant=plant: each.plant == plant)  # type: ignore[misc]
            fitted, _ = fit_sets(*here.parted(asked.failures), asked.confidence)
            groups.append(GroupLife(**structs.asdict(fitted), sheet=sheet, plant=plant))
    if len(sheets) > 1:
        gone = dict.fromkeys(("shape", "scale", "b10", "median", "mean", "bounds", "log_likelihood", "caution"))
        of_all = structs.replace(of_all, **gone, kaplan_meier=(), missing="several_sheets", detail=_SEVERAL)
        fit = None
    return of_all, fit, groups


def _growth(sets: _Sets, asked: Asked) -> tuple[GrowthEvaluated | None, str | None]:
    if asked.spindle is None:
        return None, "name a `spindle`: repeated rebuilds are those of one"
    times, end = repeated(sets.lives, asked.failures)
    return growth_of(times, end, asked.confidence)


async def _expected(
    tx: Transaction, sets: _Sets, fit: WeibullFit | None, marks: Sequence[SetMark], asked: Asked
) -> tuple[KitsExpected | None, str | None]:
    """Rebuilds and kits of the months to come, or why none can be told."""
    if asked.sheet is None:
        return None, "name a `sheet`: kits are those of one"
    if fit is None:
        return None, "there is no distribution to expect them by"
    unknown = [each for each in sets.left if each.running and each.why in ("start_unknown", "baseline_unfit")]
    ages = {each.subject: each.life for each in sets.lives if each.ended == "running"}
    ages |= {each.subject: each.watched for each in unknown}
    ages |= {each.subject: 0.0 for each in sets.left if each.running and each.why == "no_use"}
    rows = {row["subject"]: row for row in await tx.rows(SQL["running"], subjects=list(ages))}
    use = dict.fromkeys(ages, 1.0) if asked.unit == "days" else _use(rows, marks, tx.now)
    running = Running(
        ages=np.array(list(ages.values()), dtype=np.float64),
        use=np.array([use.get(subject, 0.0) for subject in ages], dtype=np.float64),
        waiting=np.array([rows[subject]["waiting"] is True for subject in ages], dtype=np.bool_),
    )
    watched = sum(each.life - each.entered for each in sets.lives)
    ended = Counter(each.ended for each in sets.lives)
    others = sum(ended[reason] for reason in REASONS if reason not in asked.failures)
    rate = others / watched
    months = await asyncio.to_thread(expected, fit.weibull, rate, running, asked.months, asked.service_level)
    received, fitted = await catalogue.stock_of(tx, asked.sheet)
    stock = received - fitted
    return KitsExpected(
        running=len(ages),
        waiting=int(running.waiting.sum()),
        of_unknown_age=len(unknown),
        other_rate=rate * (1 if asked.unit == "days" else 1000),
        service_level=asked.service_level,
        months=months,
        until=tx.now + timedelta(days=DAYS_A_MONTH * asked.months),
        in_stock=stock,
        short=max(months[-1].kits_until - stock, 0),
        method=RENEWAL + _STARTS,
    ), None


def _use(rows: dict[int, Any], marks: Sequence[SetMark], now: datetime) -> dict[int, float]:
    """Cycles a day of each spindle: by the fit of its use, else on average since it is known."""
    first: dict[int, SetMark] = {}
    for mark in marks:
        first.setdefault(mark.subject, mark)
    found = {}
    for subject, row in rows.items():
        body = row["body"]
        began = first[subject]
        days = max((now - began.occurred) / timedelta(days=1), 1.0)
        found[subject] = fit_of(body).per_day if body is not None else (began.count_now - began.count) / days
    return found
