"""What a maintenance system may say of a work order, and what is the ledger's alone."""

from datetime import datetime
from typing import Annotated, Any, Final, Literal

import msgspec
from msgspec import UNSET, Meta, Struct, UnsetType

from service.api.door import time_of
from service.domain.event.envelope import Unreadable, decode, in_pointer, refuse_nul
from service.domain.refusal import Fault, Refusal
from service.domain.work_order import OPEN, Planned, WorkOrder
from service.work_orders import Told

Short = Annotated[str, Meta(min_length=1, max_length=200)]
Person = Annotated[str, Meta(min_length=1, max_length=256)]
Note = Annotated[str, Meta(max_length=4000)]
Time = Annotated[str, Meta(max_length=64)]


class PlanningInvalid(Refusal):
    """The change cannot be read as one; each fault names its place."""

    code = "planning_invalid"


class LedgerOwnsIt(Refusal):
    """A member that the ledger decides on, or a state that only it gives."""

    code = "member_of_the_ledger"


class WorkOrderEnded(Refusal):
    """The ledger has ended the order: it can be closed outside, and not be worked on."""

    code = "work_order_ended"


class PlannedTimesReversed(Refusal):
    """The planned end lies before the planned start."""

    code = "planned_times_reversed"


class PlanningChange(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A member left out stays, null takes it back. `state`: waiting, ready (taken and planned), running, held,
    suspended, or closed; null gives the order back. `assignee` is a pseudonym, `number` the system's own."""

    state: (
        Literal["waiting", "ready", "running", "held", "suspended", "closed", "completed", "cancelled"]
        | UnsetType
        | None
    ) = UNSET
    start: Time | UnsetType | None = UNSET
    end: Time | UnsetType | None = UNSET
    assignee: Person | UnsetType | None = UNSET
    number: Short | UnsetType | None = UNSET
    note: Note | UnsetType | None = UNSET


class WorkOrderChange(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is to be otherwise in an order's planning."""

    planning: PlanningChange


_CHANGE: Final = msgspec.json.Decoder(WorkOrderChange)
_OF_THE_LEDGER: Final = frozenset(
    {*WorkOrder.__struct_fields__, "proof", "cautions", "planned", "planned_by", "closed", "told", "changed"}
)


def read_change(body: bytes) -> WorkOrderChange:
    """The change from its JSON. Raises LedgerOwnsIt before anything else, then PlanningInvalid or Malformed."""
    refuse_nul(body)
    members: Any = decode(msgspec.json.Decoder(dict[str, msgspec.Raw] | Any), body)
    if isinstance(members, dict):
        owned = [name for name in members if name in _OF_THE_LEDGER]
        faults = [_owned(f"/{in_pointer(name)}", f"{name} is the ledger's; change planning") for name in owned]
        if faults:
            raise LedgerOwnsIt(faults[0].detail, faults=faults)
    try:
        change: WorkOrderChange = decode(_CHANGE, body)
    except Unreadable as refusal:
        raise PlanningInvalid(refusal.detail, faults=refusal.faults) from refusal
    if change.planning.state in ("completed", "cancelled"):
        text = f"only the ledger says {change.planning.state}: an admissible measurement completes an order"
        raise LedgerOwnsIt(f"{text}; say closed where it was closed outside", pointer="/planning/state")
    return change


def _owned(pointer: str, detail: str) -> Fault:
    return Fault(pointer=pointer, code=LedgerOwnsIt.code, detail=detail)


def planned_as(change: PlanningChange, told: Told) -> Planned:
    """The planning as it would be. Raises WorkOrderEnded, PlannedTimesReversed or TimeMalformed."""
    values = {name: getattr(change, name) for name in change.__struct_fields__}
    said = {name: value for name, value in values.items() if value is not UNSET}
    for name in ("start", "end"):
        if isinstance(said.get(name), str):
            said[name] = time_of(said[name], f"/planning/{name}")
    planning = msgspec.structs.replace(told.planning, **said)
    _check_times(planning.start, planning.end)
    ended = told.order.state not in OPEN
    if ended and planning.state != told.planning.state and planning.state not in (None, "closed"):
        raise WorkOrderEnded(f"the order is {told.order.state}: it can only be closed", pointer="/planning/state")
    return planning


def _check_times(start: datetime | None, end: datetime | None) -> None:
    if start is not None and end is not None and end < start:
        raise PlannedTimesReversed("the planned end lies before the planned start", pointer="/planning/end")
