"""Whether a counter that has been quiet for hours is silent: its usual pause, looked up once, when it is asked for."""

from datetime import datetime, timedelta
from typing import Final

from service import ledger
from service.postgres import Transaction
from service.projections import Stored

HEARD_LATELY: Final = timedelta(minutes=1)
"""While readings still arrive, however old, nobody asks whether their counter has fallen silent."""


async def usual_pause(
    tx: Transaction, subject: int, stored: Stored, now: datetime
) -> tuple[timedelta | None, datetime | None]:
    """The usual pause before the newest reading, None where it is not asked yet; and when to ask again."""
    quiet = stored.view(now).quiet
    if quiet is None or quiet > now:
        return stored.usual, None
    if stored.heard_at > now - HEARD_LATELY:
        return stored.usual, stored.heard_at + HEARD_LATELY
    return await ledger.usual_pause(tx, subject, stored.newest[1]), None
