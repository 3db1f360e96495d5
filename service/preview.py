"""A sheet's next revision tried out: whose verdict, rechecks and health would change, without recording anything."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final

from msgspec import Struct, structs

from service import catalogue, ledger, projections
from service.domain.event import Fact
from service.domain.event.sheets import SheetIssued
from service.domain.fold import View, view
from service.domain.recheck import ACTIVE
from service.domain.sheet import Sheet, SheetRevisionExists, apply_sheet
from service.domain.shown import RecheckShown, recheck_shown
from service.domain.spindle import SpindleState
from service.domain.step import References
from service.postgres import Transaction
from service.refold import fold_with

_NEWEST: Final = 2**62
"""The sequence that a revision which is not recorded is given: it is newer than every one that is."""


class Standing(Struct, frozen=True, kw_only=True):
    """How a spindle stands by one version of its sheet."""

    health: str | None
    clearance: str
    reasons: tuple[str, ...]
    setting: str | None
    draw_force: str | None
    run_out: tuple[str, ...]


class Previewed(Struct, frozen=True, kw_only=True):
    """A spindle that would change; `rechecks` are those that would be there, and `gone` the codes that would not."""

    spindle: str
    plant: str
    now: Standing
    then: Standing
    rechecks: tuple[RecheckShown, ...]
    gone: tuple[str, ...]


class Looked(Struct, frozen=True, kw_only=True):
    """One spindle by both versions; `change` is None where nothing would change for it."""

    subject: int
    change: Previewed | None


async def preview(
    tx: Transaction, code: str, issued: SheetIssued, *, plants: Sequence[str] | None, after: int, limit: int
) -> list[Looked]:
    """The next spindles of a sheet by subject number, judged by its revisions with this one among them.

    Raises SheetRevisionExists as recording it would.
    """
    rows = await tx.rows(catalogue.SQL["spindles_of_sheet"], key=code)
    numbers = sorted(row["subject"] for row in rows if row["subject"] > after)
    found: list[Looked] = []
    for number in numbers:
        if len(found) == limit:
            break
        stored = await projections.load(tx, number)
        if stored is None or (plants is not None and stored.state.place.plant not in plants):
            continue
        found.append(await _look(tx, number, stored, code, issued))
    return found


async def _look(tx: Transaction, number: int, stored: projections.Stored, code: str, issued: SheetIssued) -> Looked:
    key, now = stored.state.key, max(tx.now, stored.settled_at)
    history = await ledger.history(tx, number)
    known = await catalogue.references(tx, catalogue.names_in(history.facts), share=False)
    folded = await fold_with(tx, number, key, history, with_revision(known, code, issued, tx.now))
    before, after = stored.view(now), view(folded.final.state, now, folded.newest, stored.usual)
    change = _change(stored.state, before, folded.final.state, after)
    return Looked(subject=number, change=change)


def with_revision(known: References, code: str, issued: SheetIssued, now: datetime) -> References:
    """The references with one more revision of a sheet. Raises SheetRevisionExists."""
    sheet: Sheet | None = known.sheets.get(code)
    fact = Fact(sequence=_NEWEST, occurred=now, type="sheet.issued", data=issued)
    try:
        whole = apply_sheet(sheet, code, fact)
    except SheetRevisionExists as refusal:
        raise SheetRevisionExists(refusal.detail, pointer="/revision") from refusal
    return structs.replace(known, sheets={**known.sheets, code: whole})


def _change(state: SpindleState, seen: View, state_then: SpindleState, then: View) -> Previewed | None:
    now, later = _standing(state, seen), _standing(state_then, then)
    active = {each.code: recheck_shown(each) for each in seen.rechecks if each.state in ACTIVE}
    wanted = {each.code: recheck_shown(each) for each in then.rechecks if each.state in ACTIVE}
    fresh = tuple(shown for code, shown in wanted.items() if active.get(code) != shown)
    gone = tuple(code for code in active if code not in wanted)
    if now == later and not fresh and not gone:
        return None
    return Previewed(spindle=state.key, plant=state.place.plant, now=now, then=later, rechecks=fresh, gone=gone)


def _standing(state: SpindleState, seen: View) -> Standing:
    def outcome(measured: Any) -> str | None:
        return None if measured is None else str(measured.verdict.outcome)

    return Standing(
        health=seen.assessment.health,
        clearance=seen.assessment.clearance,
        reasons=tuple(reason.code for reason in seen.assessment.reasons),
        setting=outcome(state.setting),
        draw_force=outcome(state.force),
        run_out=tuple(each.verdict.outcome for each in state.run_outs),
    )
