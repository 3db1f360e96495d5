"""What takes a gauge or a lot out of use."""

from datetime import datetime

from msgspec import Struct

from service.domain.event import Fact


class Withdrawal(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    sequence: int
    occurred: datetime
    reason: str


def earlier_withdrawal(known: Withdrawal | None, fact: Fact, reason: str) -> Withdrawal:
    """The one that holds: of two withdrawals the earlier, whichever was entered first."""
    taken = Withdrawal(sequence=fact.sequence, occurred=fact.occurred, reason=reason)
    if known is None:
        return taken
    return min(known, taken, key=lambda each: (each.occurred, each.sequence))
