"""How the withdrawal of a gauge or a lot is shown."""

from datetime import datetime

from msgspec import Struct

from service.domain.withdrawal import Withdrawal


class WithdrawalShown(Struct, frozen=True, kw_only=True):
    entry: int
    time: datetime
    reason: str


def withdrawal_shown(withdrawn: Withdrawal | None) -> WithdrawalShown | None:
    if withdrawn is None:
        return None
    return WithdrawalShown(entry=withdrawn.sequence, time=withdrawn.occurred, reason=withdrawn.reason)
