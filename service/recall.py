"""Recalls: a gauge that was found out or a lot that was withdrawn, told once, with the spindles it leaves in doubt.

Rules of this file
- The entry itself only notes that there is a recall, in its own transaction; the spindles are settled one by one.
- Each spindle that is settled notes what changed in the transaction that changes it, so that a kill repeats nothing.
- When no spindle waits for it any more, one notice lists them; its id comes from the entry.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any, Final, TypeAlias

import msgspec
from msgspec import Struct
from msgspec.structs import asdict

from service import outbox
from service.domain.announce import Seen
from service.domain.gauge import Calibration, Gauge
from service.domain.lot import Lot
from service.domain.notice import Notice, notice_id
from service.domain.notice_data import (
    CheckOpened,
    GaugeFoundOut,
    GaugeSuspect,
    LotFoundOut,
    LotSuspect,
    SpindleInDoubt,
    VerdictChanged,
    fitted,
)
from service.domain.recheck import BY_ITSELF
from service.domain.sheet import Sheet
from service.domain.shown import moment_shown
from service.domain.turn import CAUTIONS
from service.domain.withdrawal import Withdrawal
from service.postgres import Statements, Transaction

SQL: Final = Statements.beside(__file__)
Reference: TypeAlias = Sheet | Gauge | Lot | None
_encode: Final = msgspec.json.Encoder().encode
_IN_DOUBT: Final = msgspec.json.Decoder(SpindleInDoubt)
_GAUGE: Final = msgspec.json.Decoder(GaugeFoundOut)
_LOT: Final = msgspec.json.Decoder(LotFoundOut)


class Recalled(Struct, frozen=True, kw_only=True):
    """What a new entry recalls: when that was found, and what the entry says."""

    found: datetime
    body: GaugeFoundOut | LotFoundOut


def recall_in(before: Reference, after: Reference) -> Recalled | None:
    """The recall that the newest entry of a gauge or lot brings, None where it brings none."""
    if isinstance(after, Gauge):
        known = {_what(each) for each in _found_out(before)}
        fresh = [each for each in _found_out(after) if _what(each) not in known]
        return _of_gauge(after, fresh) if fresh else None
    withdrawn = after.withdrawn if isinstance(after, Lot) else None
    earlier = before.withdrawn if isinstance(before, Lot) else None
    same = withdrawn is not None and earlier is not None and earlier.occurred == withdrawn.occurred
    return None if withdrawn is None or same else _of_lot(withdrawn)


def _found_out(gauge: Reference) -> list[Calibration]:
    return [each for each in gauge.calibrations if gauge.found_out(each)] if isinstance(gauge, Gauge) else []


def _what(calibration: Calibration) -> tuple[int, datetime, Decimal | None]:
    """What makes a recall another one: a corrected error, or time, does."""
    error = calibration.data.as_found
    return calibration.sequence, calibration.occurred, None if error is None else error.base


def _of_gauge(gauge: Gauge, fresh: Sequence[Calibration]) -> Recalled:
    calibration = fresh[-1]
    earlier = [each.occurred for each in gauge.calibrations if each.occurred < calibration.occurred]
    permitted = None if gauge.registered is None else gauge.registered.data.permitted_error
    body = GaugeFoundOut(
        gauge=gauge.key,
        calibration=calibration.sequence,
        calibrations=tuple(each.sequence for each in fresh),
        as_found=calibration.data.as_found,
        permitted_error=permitted,
        last_good_calibration=earlier[-1] if earlier else None,
    )
    return Recalled(found=calibration.occurred, body=body)


def _of_lot(withdrawn: Withdrawal) -> Recalled:
    return Recalled(found=withdrawn.occurred, body=LotFoundOut(withdrawal=withdrawn.sequence, reason=withdrawn.reason))


async def withdraw(tx: Transaction, kind: str, key: str) -> bool:
    """Takes back what has not been told yet of a gauge or lot that is corrected. Answers whether there was any."""
    return await tx.run(SQL["withdraw_recalls"], kind=kind, key=key) > 0


async def begin(tx: Transaction, kind: str, key: str, cause: str, recalled: Recalled, reached: int) -> None:
    """Notes a recall in the transaction of its entry."""
    body = _encode(recalled.body).decode()
    await tx.run(SQL["begin_recall"], cause=cause, kind=kind, key=key, found=recalled.found, body=body, reached=reached)


class Before(Struct, frozen=True, kw_only=True):
    """A spindle before it is judged again, for these recalls."""

    causes: tuple[str, ...]
    outcomes: dict[int, str]


async def before(tx: Transaction, subject: int, causes: Sequence[str]) -> Before | None:
    """What may change by the recalls among the causes; None where none of them is a recall."""
    recalls = tuple(row["cause"] for row in await tx.rows(SQL["recalls_of"], causes=sorted(set(causes))))
    if not recalls:
        return None
    rows = await tx.rows(SQL["outcomes"], subject=subject)
    return Before(causes=recalls, outcomes={row["sequence"]: row["outcome"] for row in rows})


async def note(tx: Transaction, subject: int, earlier: Before, seen: Seen) -> None:
    """Notes the spindle for the recalls where they changed a verdict of it, or opened a check on it."""
    rows = await tx.rows(SQL["outcomes"], subject=subject)
    changed = [
        VerdictChanged(
            entry=row["sequence"],
            check=row["kind"],
            time=row["occurred"],
            was=earlier.outcomes[row["sequence"]],
            now=row["outcome"],
        )
        for row in rows
        if earlier.outcomes.get(row["sequence"], row["outcome"]) != row["outcome"]
    ]
    checks = [each for each in seen.view.rechecks if each.code in BY_ITSELF and each.state == "open"]
    if not changed and not checks:
        return
    state = seen.state
    body = SpindleInDoubt(
        spindle=state.key,
        plant=state.place.plant,
        machine=None if state.away else state.place.machine,
        health=seen.view.assessment.health,
        clearance=seen.view.assessment.clearance,
        checks=tuple(CheckOpened(recheck=each.code, check=each.check, episode=each.episode) for each in checks),
        last_proof={
            check: moment_shown(state.proven.get(check))
            for check in sorted({*(each.check for each in changed), *(each.check for each in checks)})
        },
        changed=tuple(changed[-1:]),
        verdicts_changed=len(changed),
    )
    for cause in earlier.causes:
        await tx.run(
            SQL["note_recalled"],
            cause=cause,
            subject=subject,
            plant=state.place.plant,
            body=_encode(body).decode(),
        )


async def announce(tx: Transaction) -> int:
    """Puts the notice of every recall whose spindles have all been settled. Answers how many there were."""
    rows = await tx.rows(SQL["settled_recalls"])
    for row in rows:
        found = await tx.rows(SQL["recalled"], cause=row["cause"])
        await outbox.put(tx, [_notice(row, found)])
        await tx.run(SQL["announced"], cause=row["cause"], now=tx.now)
    return len(rows)


def _notice(row: Mapping[str, Any], found: Sequence[Mapping[str, Any]]) -> Notice:
    """One notice for all: of one plant where they are all in it, else heard by endpoints of every plant alone."""
    plants = {each["plant"] for each in found}
    spindles = tuple(_IN_DOUBT.decode(each["body"]) for each in found)
    subject = f"{row['kind']}/{row['key']}"
    notice_type = "gauge.suspect" if row["kind"] == "gauges" else "lot.suspect"

    def with_first(count: int) -> Notice:
        reached = {
            "entry": row["cause"],
            "judged_again": row["reached"],
            "in_doubt": len(spindles),
            "spindles": spindles[:count],
            "left_out": len(spindles) - count,
            "href": f"/v1/{row['kind']}/{row['key']}/reach",
            "cautions": CAUTIONS,
        }
        return Notice(
            id=notice_id(notice_type, subject, row["cause"]),
            type=notice_type,
            subject=subject,
            time=row["found"],
            plant=next(iter(plants)) if len(plants) == 1 else None,
            data=_suspect(row, reached),
        )

    return fitted(with_first, len(spindles))


def _suspect(row: Mapping[str, Any], reached: Mapping[str, Any]) -> GaugeSuspect | LotSuspect:
    if row["kind"] == "gauges":
        return GaugeSuspect(**asdict(_GAUGE.decode(row["body"])), **reached)
    return LotSuspect(lot=row["key"], **asdict(_LOT.decode(row["body"])), **reached)
