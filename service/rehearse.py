"""A rule tried on the past: what would have been due, caught and spent, against what was done; nothing is recorded.

Rules of this file
- Two things are told apart. `as_done` is the history folded again under the rule, with the checks as they were made:
  it is exact. `followed` is the rule as if each check had been made when due: what such a check would have shown is
  known only between two measurements, and told as inside, outside or not known.
- The rule is taken as if it had always held; what falls into the period is counted.
- Spindles are taken one by one, with a breath for others in between, and one rehearsal at a time in a process.
"""

import asyncio
from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any, Final
from weakref import WeakKeyDictionary

from msgspec import Struct, structs

from service import catalogue, ledger
from service.domain.course import Point
from service.domain.event.sheets import SheetIssued
from service.domain.followed import RehearsalTooLarge, Run, follow
from service.domain.hindsight import Calls, Caught, Expected, calls, caught, expected_of
from service.domain.recheck import Episode
from service.domain.retold import Retold, retell
from service.domain.sheet import Revision, Sheet
from service.domain.step import References
from service.postgres import Database, Statements, Transaction
from service.refold import fold_with

SQL: Final = Statements.beside(__file__)
SPINDLES_MOST: Final = 1000
CAUGHT_MOST: Final = 1000
PORTION: Final = 50
CHECKS: Final = ("setting", "draw_force", "run_out", "visual", "grease")
METHOD: Final = (
    "history folded again under the rule, as if it had always held (as_done: exact, by the checks that were made); "
    "followed: each check made when due, by counts read at facts and at the last reading of each day, even in between; "
    "checks made while a job was open are made either way and counted on neither side; what a check would have shown "
    "is interpolated by count between two measurements with no work in between, and not known elsewhere; what was done "
    "after a finding is taken as done when it was"
)


class Rule(Struct, frozen=True, kw_only=True):
    """What is tried, over which time, on the spindles of which plants."""

    code: str
    issued: SheetIssued
    since: datetime
    until: datetime
    plant: str | None
    plants: tuple[str, ...] | None
    costs: dict[str, Decimal] | None


class Fell(Struct, frozen=True, kw_only=True):
    """Rechecks that fell due in the period: closed by a check, of these late; overdue."""

    due: int
    satisfied: int
    late: int
    overdue: int


class RecheckRehearsed(Struct, frozen=True, kw_only=True):
    """One recheck of the rule. `followed` is how often it falls due if each check is made when due, by month (UTC).

    `as_done` is what falls due with the checks as they were made; `in_fact` what did under the sheet as it was.
    """

    recheck: str
    check: str | None
    followed: int
    by_month: dict[str, int]
    as_done: Fell
    in_fact: Fell


class ChecksRehearsed(Struct, frozen=True, kw_only=True):
    """Checks of one kind in the period: by the rule with what they would have shown, and as they were made in fact.

    `by_rule` and `in_fact` count measurements that were made and call for something.
    """

    followed: Expected
    made_in_fact: int
    by_rule: Calls
    in_fact: Calls


class SpindleRehearsed(Struct, frozen=True, kw_only=True):
    """One spindle: checks by the rule, overdue ones with the checks as they were made, checks made in fact."""

    spindle: str
    plant: str
    followed: int
    overdue: int
    made_in_fact: int


class CostRehearsed(Struct, frozen=True, kw_only=True):
    """What checks, findings and cycles run outside cost, in the unit that was asked with. `outside_cycles` are those
    from when a value went out to when it was found, where both are known on either side.
    """

    checks: str
    findings: str
    outside: str
    total: str
    outside_cycles: int


class Rehearsed(Struct, frozen=True, kw_only=True):
    """What a rule would have done. `caught_summary` counts the verdicts of all that was or would have been found;
    `caught` has at most so many of them, `more` says that there are further ones.
    """

    sheet: str
    since: datetime
    until: datetime
    spindles: int
    rechecks: list[RecheckRehearsed]
    checks: dict[str, ChecksRehearsed]
    caught_summary: dict[str, int]
    caught: list[Caught]
    more: bool
    by_spindle: list[SpindleRehearsed]
    cost_by_rule: CostRehearsed | None
    cost_in_fact: CostRehearsed | None
    method: str = METHOD


_TURNS: WeakKeyDictionary[Database, asyncio.Semaphore] = WeakKeyDictionary()


async def rehearse(database: Database, rule: Rule) -> Rehearsed:
    """Raises RehearsalTooLarge."""
    async with _TURNS.setdefault(database, asyncio.Semaphore(1)), database.transaction(snapshot=True) as tx:
        reach = {"plant": rule.plant, "plants": None if rule.plants is None else list(rule.plants)}
        rows = await tx.rows(SQL["spindles"], sheet=rule.code, limit=SPINDLES_MOST + 1, **reach)
        if len(rows) > SPINDLES_MOST:
            text = f"more than {SPINDLES_MOST} spindles have this sheet: name a plant"
            raise RehearsalTooLarge(text, pointer="/plant")
        tally = _Tally(rule)
        for at in range(0, len(rows), PORTION):
            await _portion(tx, rule, rows[at : at + PORTION], tally)
        return tally.told()


async def _portion(tx: Transaction, rule: Rule, rows: Sequence[Any], tally: "_Tally") -> None:
    subjects = [row["subject"] for row in rows]
    read: dict[int, list[tuple[datetime, int]]] = {}
    for each in await tx.rows(SQL["read"], subjects=subjects):
        read.setdefault(each["subject"], []).append((each["at"], each["reading"]))
    outcomes: dict[int, dict[int, tuple[str, bool]]] = {}
    for each in await tx.rows(SQL["outcomes"], subjects=subjects):
        outcomes.setdefault(each["subject"], {})[each["sequence"]] = (each["outcome"], each["low"])
    for each in await tx.rows(SQL["in_fact"], subjects=subjects, since=rule.since, until=rule.until):
        tally.fell_in_fact(each)
    for row in rows:
        number = row["subject"]
        history = await ledger.history(tx, number)
        known = await catalogue.references(tx, catalogue.names_in(history.facts), share=False)
        folded = await fold_with(tx, number, row["key"], history, _under(known, rule))
        newest = Point(time=row["read_at"], count=row["count"])
        facts = {fact.sequence: fact for fact in history.facts}
        retold = retell(folded.steps, facts, rule.code, read.get(number, []), newest, outcomes.get(number, {}))
        runs = follow(rule.issued.rechecks, retold.course, retold.done, retold.starts, rule.until)
        tally.take(row["key"], row["plant"], retold, runs, folded.episodes())
        await asyncio.sleep(0)


def _under(known: References, rule: Rule) -> References:
    """The references with the rule as the sheet's only revision."""
    held = known.sheets.get(rule.code)
    sequence = 1 if held is None else held.at(rule.until).sequence
    only = Sheet(code=rule.code, revisions=(Revision(sequence=sequence, issued=rule.issued),))
    return structs.replace(known, sheets={**known.sheets, rule.code: only})


class _Tally:
    """What has been rehearsed so far, spindle by spindle."""

    def __init__(self, rule: Rule) -> None:
        self.rule = rule
        self.followed: dict[str, Counter[str]] = {each.code: Counter() for each in rule.issued.rechecks}
        self.as_done: dict[str, Counter[str]] = {}
        self.in_fact: dict[str, Counter[str]] = {}
        self.expected: dict[str, list[Expected]] = {}
        self.calls: dict[tuple[str, bool], list[Calls]] = {}
        self.made: Counter[str] = Counter()
        self.found: list[Caught] = []
        self.spindles: list[SpindleRehearsed] = []

    def fell_in_fact(self, row: Any) -> None:
        self.in_fact.setdefault(row["code"], Counter()).update({name: row[name] for name in Fell.__struct_fields__})

    def take(self, key: str, plant: str, retold: Retold, runs: Sequence[Run], episodes: Sequence[Episode]) -> None:
        since, until = self.rule.since, self.rule.until
        made = [run for run in runs if run.made and run.due is not None and since <= run.due.time <= until]
        for run in made:
            assert run.due is not None
            self.followed[run.code][run.due.time.strftime("%Y-%m")] += 1
        checks = [each for each in retold.checks if since <= each.at.time <= until]
        self.made.update(each.check for each in checks)
        for check in CHECKS:
            seen = retold.seen.get(check, ())
            points = [run.due for run in made if run.check == check and run.due is not None]
            self.expected.setdefault(check, []).append(expected_of(seen, points))
            for by_rule in (True, False):
                found = calls(seen, since, until, by_rule=by_rule)
                self.calls.setdefault((check, by_rule), []).append(found)
            mine = [run for run in runs if run.check == check]
            self.found += caught(key, seen, mine, since, until)
        overdue = self._fell_as_done(episodes)
        self.spindles.append(
            SpindleRehearsed(spindle=key, plant=plant, followed=len(made), overdue=overdue, made_in_fact=len(checks))
        )

    def _fell_as_done(self, episodes: Sequence[Episode]) -> int:
        """Counts what fell due with the checks as they were made; answers how many were overdue."""
        total = 0
        for each in episodes:
            if each.due is None or not self.rule.since <= each.due.time <= self.rule.until:
                continue
            overdue = each.overdue is not None and each.overdue.time <= self.rule.until
            closed = each.state == "satisfied"
            self.as_done.setdefault(each.code, Counter()).update(
                {"due": 1, "satisfied": int(closed), "late": int(closed and each.late), "overdue": int(overdue)}
            )
            total += overdue
        return total

    def told(self) -> Rehearsed:
        by_rule, in_fact = self._costs()
        return Rehearsed(
            sheet=self.rule.code,
            since=self.rule.since,
            until=self.rule.until,
            spindles=len(self.spindles),
            rechecks=self._rechecks(),
            checks={check: self._checks(check) for check in CHECKS if check in self.expected},
            caught_summary=dict(sorted(Counter(each.verdict for each in self.found).items())),
            caught=self.found[:CAUGHT_MOST],
            more=len(self.found) > CAUGHT_MOST,
            by_spindle=self.spindles,
            cost_by_rule=by_rule,
            cost_in_fact=in_fact,
        )

    def _rechecks(self) -> list[RecheckRehearsed]:
        kinds = {each.code: each.check for each in self.rule.issued.rechecks}
        codes = [*kinds, *sorted((self.as_done.keys() | self.in_fact.keys()) - kinds.keys())]
        found = []
        for code in codes:
            months = self.followed.get(code, Counter())
            found.append(
                RecheckRehearsed(
                    recheck=code,
                    check=kinds.get(code),
                    followed=months.total(),
                    by_month=dict(sorted(months.items())),
                    as_done=_fell(self.as_done.get(code)),
                    in_fact=_fell(self.in_fact.get(code)),
                )
            )
        return found

    def _checks(self, check: str) -> ChecksRehearsed:
        parts = self.expected[check]
        return ChecksRehearsed(
            followed=Expected(**{name: sum(getattr(e, name) for e in parts) for name in Expected.__struct_fields__}),
            made_in_fact=self.made[check],
            by_rule=_together(self.calls[check, True]),
            in_fact=_together(self.calls[check, False]),
        )

    def _costs(self) -> tuple[CostRehearsed | None, CostRehearsed | None]:
        if self.rule.costs is None:
            return None, None
        known = [each for each in self.found if each.outside_since is not None and each.by_rule and each.in_fact]
        rule_cycles = sum(each.by_rule.count - (each.outside_since or 0) for each in known if each.by_rule)
        fact_cycles = sum(each.in_fact.count - (each.outside_since or 0) for each in known if each.in_fact)
        followed = Counter({check: sum(each.made for each in parts) for check, parts in self.expected.items()})
        by_rule = sum(1 for each in self.found if each.by_rule is not None)
        in_fact = sum(1 for each in self.found if each.in_fact is not None)
        return self._cost(followed, by_rule, rule_cycles), self._cost(self.made, in_fact, fact_cycles)

    def _cost(self, made: Counter[str], findings: int, cycles: int) -> CostRehearsed:
        costs = self.rule.costs or {}
        zero = Decimal(0)
        checks = sum((costs.get(check, zero) * number for check, number in made.items()), zero)
        found = costs.get("finding", zero) * findings
        outside = costs.get("outside_per_1000_cycles", zero) * cycles / 1000
        told = [format(each, "f") for each in (checks, found, outside, checks + found + outside)]
        return CostRehearsed(checks=told[0], findings=told[1], outside=told[2], total=told[3], outside_cycles=cycles)


def _fell(counted: Counter[str] | None) -> Fell:
    return Fell(**{name: 0 if counted is None else counted[name] for name in Fell.__struct_fields__})


def _together(parts: Sequence[Calls]) -> Calls:
    chances = [each.false_expected for each in parts if each.false_expected is not None]
    return Calls(
        made=sum(each.made for each in parts),
        not_confirmed=sum(each.not_confirmed for each in parts),
        false_expected=sum(chances) if chances else None,
    )
