"""How long clamping sets lasted: from what marks the beginning and the end of each, as the ledger has it.

Rules of this file
- A set begins with the rebuild that fitted it. One that was in the spindle when the ledger began is watched from its
  age then, where a baseline says at which count it was fitted; else its age is unknown and it is left out, counted.
- A set ends as failed where the next rebuild's reason is one of the failures, else it is cut short (censored). A
  running set is cut short at its present age, one whose spindle went under another sheet at its age then.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, Final, Literal

import numpy as np
from msgspec import Struct

from service.domain.question import Floats
from service.domain.refusal import Refusal
from service.domain.weibull import FEWEST_FAILURES

REASONS: Final = ("worn", "low_force", "depth_lost", "broken", "crash", "preventive", "recall", "other")
FAILURES: Final = ("worn", "low_force", "depth_lost", "broken")
"""The reasons for a rebuild that say that the set had failed, unless a question says otherwise."""

Unit = Literal["cycles", "days"]
MarkKind = Literal["commissioned", "rebuilt", "sheet_assigned"]


class ReasonUnknown(Refusal):
    """What counts as a failure is told by reasons for a rebuild."""

    code = "reason_unknown"


class SetMark(Struct, frozen=True, kw_only=True):
    """What begins or ends the watch over a set, with what the one before says of the age: `count` is the state's.

    `fitted_count` and `fitted_at` are a baseline's: when the set is said to have been fitted. `days` are those in a
    machine until the next mark, or until now.
    """

    subject: int
    spindle: str
    plant: str
    sheet: str
    kind: MarkKind
    reason: str | None
    occurred: datetime
    count: int
    fitted_count: int | None
    fitted_at: datetime | None
    days: float
    lifecycle: str
    count_now: int


class SetLife(Struct, frozen=True, kw_only=True):
    """One set: its age at the end of the watch and at its beginning, and why the watch ended (a reason for a rebuild,
    `sheet_changed`, `running`, or where its spindle is: `store`, `repair`, `retired`)."""

    subject: int
    spindle: str
    plant: str
    sheet: str
    life: float
    entered: float
    ended: str
    began: datetime


class LeftOut(Struct, frozen=True, kw_only=True):
    """A set of which no life is told, with why: `start_unknown`, `baseline_unfit`, `sheet_changed`, `no_use`.

    `watched` is what it is at least; `running` where it still runs in a machine.
    """

    subject: int
    plant: str
    sheet: str
    why: str
    watched: float
    running: bool


class Parted(Struct, frozen=True, kw_only=True):
    """Lives as a fit takes them: of what failed, of what was cut short, and ages at entry; why each was cut short."""

    failures: Floats
    censored: Floats
    entered: Floats
    why_censored: dict[str, int]
    why_failed: dict[str, int]

    @property
    def missing(self) -> str | None:
        """Why no distribution can be fitted."""
        if not len(self.failures) and not len(self.censored):
            return "no_sets"
        if not len(self.failures):
            return "no_failures"
        return "too_few_failures" if len(self.failures) < FEWEST_FAILURES else None


def failures_of(written: str | None) -> tuple[str, ...]:
    """The reasons that count as failures, from a list with commas. Raises ReasonUnknown."""
    if written is None:
        return FAILURES
    found = tuple(dict.fromkeys(part.strip() for part in written.split(",")))
    for reason in found:
        if reason not in REASONS:
            known = ", ".join(REASONS)
            raise ReasonUnknown(f"{reason!r} is no reason for a rebuild: they are {known}", parameter="failures")
    return found


def lives_in(marks: Iterable[SetMark], unit: Unit) -> tuple[list[SetLife], list[LeftOut]]:
    """The sets of all spindles; marks come spindle by spindle in the order of time."""
    lives: list[SetLife] = []
    left: list[LeftOut] = []
    mine: list[SetMark] = []
    for mark in marks:
        if mine and mine[-1].subject != mark.subject:
            _follow(mine, unit, lives, left)
            mine = []
        mine.append(mark)
    _follow(mine, unit, lives, left)
    return lives, left


def _follow(marks: Sequence[SetMark], unit: Unit, lives: list[SetLife], left: list[LeftOut]) -> None:
    for place, mark in enumerate(marks):
        following = marks[place + 1] if place + 1 < len(marks) else None
        found = _life(mark, following, unit)
        if isinstance(found, SetLife):
            lives.append(found)
        else:
            left.append(
                LeftOut(
                    subject=mark.subject,
                    plant=mark.plant,
                    sheet=mark.sheet,
                    why=found,
                    watched=max(_watched(mark, following, unit), 0.0),
                    running=following is None and mark.lifecycle == "installed",
                )
            )


def _life(mark: SetMark, following: SetMark | None, unit: Unit) -> SetLife | str:
    """The set that a mark begins the watch over, or why nothing is told of it."""
    if mark.kind == "sheet_assigned":
        return "sheet_changed"
    entered = 0.0 if mark.kind == "rebuilt" else _age_at_entry(mark, unit)
    if entered is None:
        return "start_unknown"
    if entered < 0:
        return "baseline_unfit"
    watched = _watched(mark, following, unit)
    if watched <= 0:
        return "no_use"
    if following is None:
        ended = "running" if mark.lifecycle == "installed" else mark.lifecycle
    else:
        ended = "sheet_changed" if following.kind == "sheet_assigned" else following.reason or "other"
    return SetLife(
        subject=mark.subject,
        spindle=mark.spindle,
        plant=mark.plant,
        sheet=mark.sheet,
        life=entered + watched,
        entered=entered,
        ended=ended,
        began=mark.occurred,
    )


def _watched(mark: SetMark, following: SetMark | None, unit: Unit) -> float:
    until = mark.count_now if following is None else following.count
    return mark.days if unit == "days" else float(until - mark.count)


def _age_at_entry(mark: SetMark, unit: Unit) -> float | None:
    """How old the set was when the ledger began, by the baseline; None where it does not say."""
    if unit == "days":
        return None if mark.fitted_at is None else (mark.occurred - mark.fitted_at).total_seconds() / 86_400
    return None if mark.fitted_count is None else float(mark.count - mark.fitted_count)


def parted(lives: Iterable[SetLife], failures: Collection[str]) -> Parted:
    """Lives by whether what ended them counts as a failure."""
    failed: list[float] = []
    cut: list[float] = []
    entered: list[float] = []
    why: dict[bool, Counter[str]] = {True: Counter(), False: Counter()}
    for each in lives:
        is_failure = each.ended in failures
        (failed if is_failure else cut).append(each.life)
        why[is_failure][each.ended] += 1
        if each.entered > 0:
            entered.append(each.entered)
    return Parted(
        failures=np.array(failed, dtype=np.float64),
        censored=np.array(cut, dtype=np.float64),
        entered=np.array(entered, dtype=np.float64),
        why_censored=dict(sorted(why[False].items())),
        why_failed=dict(sorted(why[True].items())),
    )


def repeated(lives: Sequence[SetLife], failures: Collection[str]) -> tuple[list[float], float]:
    """Failures of one spindle as cumulative running from the first rebuild on, and how long it was watched.

    Only sets that were watched from their fitting count, one after the other.
    """
    at, times = 0.0, []
    for each in sorted((each for each in lives if each.entered == 0), key=lambda life: life.began):
        at += each.life
        if each.ended in failures:
            times.append(at)
    return times, at


def mark_of(row: Mapping[str, Any]) -> SetMark:
    """A mark from its columns."""
    return SetMark(**{name: row[name] for name in SetMark.__struct_fields__})
