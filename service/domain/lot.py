"""Lots of kits: what was received, and whether it was withdrawn."""

from datetime import datetime

from msgspec import Struct

from service.domain.event import Fact
from service.domain.event.gauges import LotReceived, LotWithdrawn
from service.domain.refusal import Refusal
from service.domain.withdrawal import Withdrawal, earlier_withdrawal


class LotNotReceived(Refusal):
    """The first thing on record about a lot is its receipt."""

    code = "lot_not_received"


class LotSheetChanged(Refusal):
    """All kits of a lot are for one sheet."""

    code = "lot_sheet_changed"


class LotReceipt(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    sequence: int
    occurred: datetime
    quantity: int


class Lot(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A lot as its facts say; `sequence` is the newest of them. A lot may arrive in several deliveries."""

    code: str
    sequence: int
    sheet: str | None = None
    received: tuple[LotReceipt, ...] = ()
    withdrawn: Withdrawal | None = None

    @property
    def quantity(self) -> int:
        """Kits received in all."""
        return sum(receipt.quantity for receipt in self.received)

    def withdrawn_at(self, when: datetime) -> bool:
        """Whether it had been withdrawn by then."""
        return self.withdrawn is not None and self.withdrawn.occurred <= when


def apply_lot(lot: Lot | None, code: str, fact: Fact) -> Lot:
    """The lot after one of its facts; the result does not depend on the order of the facts.

    Raises LotNotReceived where a lot's very first entry is not its receipt, LotSheetChanged where another
    delivery is for another sheet. Of two withdrawals the earlier holds.
    """
    if lot is None:
        if fact.sequence == 1 and not isinstance(fact.data, LotReceived):
            raise LotNotReceived(f"lot {code} has not been received", pointer="/subject")
        lot = Lot(code=code, sequence=fact.sequence)
    sheet, received, withdrawn = lot.sheet, lot.received, lot.withdrawn
    match fact.data:
        case LotReceived() as data:
            if sheet is not None and sheet != data.sheet:
                raise LotSheetChanged(f"lot {code} is for sheet {sheet}, not {data.sheet}", pointer="/data/sheet")
            sheet = data.sheet
            receipt = LotReceipt(sequence=fact.sequence, occurred=fact.occurred, quantity=data.quantity)
            received = tuple(sorted([*received, receipt], key=lambda each: (each.occurred, each.sequence)))
        case LotWithdrawn(reason=reason):
            withdrawn = earlier_withdrawal(withdrawn, fact, reason)
        case _:
            raise AssertionError(fact.type)
    return Lot(
        code=code,
        sequence=max(lot.sequence, fact.sequence),
        sheet=sheet,
        received=received,
        withdrawn=withdrawn,
    )
