"""Work orders: written as they follow from the ledger, told as they change, planned by the maintenance systems.

Rules of this file
- What follows from the facts is `derived`; what was told, and what is planned, is `kept`. Only what was open when it
  was told is there: history that arrives late brings no orders for what was done long ago.
- A change takes its number from one row, which stays locked until it is committed: whoever has read up to a number has
  every change up to it, whatever writers were open. It is taken after the orders are locked and before the append.
- The ledger ends an order and the maintenance system plans it; neither writes the other's columns.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any, Final

import msgspec
from msgspec import Struct, structs

from service import outbox
from service.domain.announce import Seen
from service.domain.fold import View
from service.domain.notice import Notice, notice_id
from service.domain.notice_data import OrderTold, WorkOrderChanged
from service.domain.spindle import SpindleState
from service.domain.step import Step
from service.domain.turn import CAUTIONS
from service.domain.work_order import (
    OPEN,
    EndedShown,
    OrderState,
    Planned,
    Proof,
    RequestState,
    WorkOrder,
    ended_orders,
    open_orders,
    proof_of,
    shown_state,
)
from service.postgres import Statements, Transaction
from service.projections import Stored

SQL: Final = Statements.beside(__file__)
_encode: Final = msgspec.json.Encoder().encode
_BODY: Final = msgspec.json.Decoder(WorkOrder)


class Told(Struct, frozen=True, kw_only=True):
    """An order as it was last told, with its planning: `planned` when, and `planned_by` with which key."""

    order: WorkOrder
    state: RequestState
    proof: Proof
    planning: Planned
    change: int
    told: datetime
    changed: datetime
    planned: datetime | None
    planned_by: int | None
    closed: datetime | None


def rows_of(orders: Iterable[WorkOrder]) -> list[dict[str, Any]]:
    """The derived rows of orders, without their subject."""
    return [{"work_order": each.id, "state": each.state, "body": _encode(each).decode()} for each in orders]


async def settle(
    tx: Transaction,
    subject: int,
    stored: Stored | None,
    seen: Seen,
    steps: Sequence[Step] = (),
    *,
    whole: bool = False,
    tell: bool = True,
    cause: str,
) -> None:
    """Brings the orders of a spindle up to what is now seen of it, where anything of them has changed: mostly not.

    `stored` is how it was before, `steps` what was folded since, or the `whole` history. With `tell` false an order
    that was not told before is not told yet. `cause` is the entry that made the change, or what reached the spindle.
    """
    before = () if stored is None else orders_of(stored.state, stored.view(stored.settled_at))
    orders = all_orders(steps, seen.state, seen.view)
    catches_up = stored is not None and stored.untold and tell
    if not (whole or catches_up or orders != list(before)):
        return
    rows, kept = rows_of(orders), [each.id for each in orders]
    if whole:
        await tx.run(SQL["keep_only_orders"], subject=subject, kept=kept)
    gone = [each.id for each in before if each.id not in kept]
    if gone and not whole:
        await tx.run(SQL["drop_orders"], subject=subject, gone=gone)
    if rows:
        names = (("orders", "work_order"), ("states", "state"), ("bodies", "body"))
        columns = {name: [row[column] for row in rows] for name, column in names}
        await tx.run(SQL["write_orders"], subject=subject, **columns)
    await _tell(tx, subject, new_ones=tell, cause=cause)


def orders_of(state: SpindleState, seen: View) -> tuple[WorkOrder, ...]:
    """The orders that are open when a state is seen."""
    return open_orders(state, seen.rechecks, seen.now)


def all_orders(steps: Iterable[Step], state: SpindleState, seen: View) -> list[WorkOrder]:
    """Those that facts ended, and those that are open now."""
    found = {each.id: each for each in (*ended_orders(steps), *orders_of(state, seen))}
    return list(found.values())


async def _tell(tx: Transaction, subject: int, *, new_ones: bool, cause: str) -> None:
    await tx.rows(SQL["lock_told"], subject=subject)
    changed = await tx.rows(SQL["to_tell"], subject=subject, new_ones=new_ones)
    if not changed:
        return
    first = await _numbers(tx, len(changed))
    told = [_to_tell(row, tx.now, cause) for row in changed]
    written = [
        {"subject": subject, "change": first + place, "now": tx.now, **_columns(order, withdrawn, tx.now)}
        for place, (order, withdrawn) in enumerate(told)
    ]
    await tx.each(SQL["tell"], written)
    await outbox.put(tx, [await _notice(tx, order.id) for order, _ in told])


async def _numbers(tx: Transaction, changes: int) -> int:
    """The first of so many new numbers."""
    last: int = await tx.value(SQL["take_changes"], changes=changes)
    return last - changes + 1


def _to_tell(row: Any, now: datetime, cause: str) -> tuple[WorkOrder, bool]:
    """The order as it now is; one that does not follow any more is withdrawn."""
    if row["body"] is not None:
        return _BODY.decode(row["body"]), False
    by_entry = cause.isdigit()
    ended = EndedShown(
        time=now,
        count=None,
        entry=int(cause) if by_entry else None,
        because="withdrawn",
        by=None if by_entry else cause,
    )
    return structs.replace(_BODY.decode(row["told_body"]), state="cancelled", ended=ended), True


def _columns(order: WorkOrder, withdrawn: bool, now: datetime) -> dict[str, Any]:
    return {
        "work_order": order.id,
        "state": order.state,
        "withdrawn": withdrawn,
        "ended": None if order.state in OPEN else now,
        "cause": order.cause,
        "priority": order.priority,
        "due_by": order.due_by,
        "spindle": order.spindle,
        "plant": order.plant,
        "hall": order.hall,
        "machine": order.machine,
        "body": _encode(order).decode(),
    }


async def _notice(tx: Transaction, work_order: str) -> Notice:
    """`work_order.changed`, by its number: a change that is made once is told once. Planning is told by the order."""
    told = await read(tx, work_order)
    assert told is not None
    order = told.order
    place = {name: getattr(order, name) for name in ("spindle", "plant", "hall", "machine", "position")}
    names = OrderTold.__struct_fields__
    shown = {name: getattr(order, name) for name in names if hasattr(order, name) and name != "state"}
    return Notice(
        id=notice_id("work_order.changed", order.id, told.change),
        type="work_order.changed",
        subject=f"spindles/{order.spindle}",
        time=tx.now,
        spindle=order.spindle,
        plant=order.plant,
        health=order.health,
        data=WorkOrderChanged(
            work_order=OrderTold(
                **shown,
                state=told.state,
                proof=told.proof,
                number=told.planning.number,
                href=f"/v1/work-orders/{order.id}",
            ),
            **place,
            cautions=CAUTIONS,
        ),
    )


def told_of(row: Any) -> Told:
    """An order from its row, an assignee whose label was erased by number."""
    label = row["label"]
    state: OrderState = row["state"]
    planning = Planned(
        state=row["planned_state"],
        start=row["planned_start"],
        end=row["planned_end"],
        assignee=f"#{row['assignee']}" if label is None and row["assignee"] is not None else label,
        number=row["number"],
        note=row["note"],
    )
    return Told(
        order=_BODY.decode(row["body"]),
        state=shown_state(state, planning.state),
        proof=proof_of(state, closed=row["closed"], ended=row["ended"]),
        planning=planning,
        change=row["change"],
        told=row["told"],
        changed=row["changed"],
        planned=row["planned"],
        planned_by=row["planned_by"],
        closed=row["closed"],
    )


async def read(tx: Transaction, work_order: str, *, to_plan: bool = False) -> Told | None:
    """One order, or None where none was told under that id; `to_plan` lets nobody change it meanwhile."""
    if to_plan:
        await tx.row(SQL["lock_order"], work_order=work_order)
    row = await tx.row(SQL["order"], work_order=work_order)
    return None if row is None else told_of(row)


async def plan(tx: Transaction, told: Told, planning: Planned, *, assignee: int | None, key: int) -> Told:
    """Writes what a maintenance system plans. The order is locked by the caller; `assignee` is the person's number."""
    closed = None if planning.state != "closed" else told.closed or tx.now
    await tx.run(
        SQL["plan"],
        work_order=told.order.id,
        change=await _numbers(tx, 1),
        now=tx.now,
        planned_state=planning.state,
        planned_start=planning.start,
        planned_end=planning.end,
        assignee=assignee,
        number=planning.number,
        note=planning.note,
        planned_by=key,
        closed=closed,
    )
    await outbox.put(tx, [await _notice(tx, told.order.id)])
    planned = await read(tx, told.order.id)
    assert planned is not None
    return planned


class Changes(Struct, frozen=True, kw_only=True):
    """Orders that were changed, in the order of their newest changes, and the number up to which they were read."""

    orders: list[Told]
    upto: int
    newest: int


async def changes(tx: Transaction, after: int, *, limit: int, **wanted: Any) -> Changes:
    """What was changed after a number, as far as it is wanted; what is left out moves the number too."""
    rows = await tx.rows(SQL["changes"], after=after, limit=limit, **wanted)
    newest: int = rows[0]["newest"]
    orders = [told_of(row) for row in rows if row["work_order"] is not None]
    return Changes(orders=orders, upto=orders[-1].change if len(orders) == limit else newest, newest=newest)
