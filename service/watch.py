"""What an operator watches, looked up cheaply: spindles by health, what waits, and whether partitions are in order."""

from typing import Final

from msgspec import Struct

from service import endpoints, ledger
from service.postgres import Statements, Transaction

SQL: Final = Statements.beside(__file__)


class Watched(Struct, frozen=True, kw_only=True):
    """How things stand. `settle_lag_s` is how late the most overdue look is, 0 where none is due.

    `oldest_waiting_s` is how long the oldest delivery has waited, those to disabled endpoints apart.
    """

    spindles: dict[str, int]
    settle_lag_s: float
    reached: int
    deliveries_due: int
    deliveries_waiting: int
    oldest_waiting_s: float
    endpoints: dict[str, int]
    positions: dict[str, int]
    strays: bool


async def watch(tx: Transaction) -> Watched:
    """Some rows and indexes of what is open; the ledger's tables are not walked."""
    settling = await tx.row(SQL["settling"], now=tx.now)
    deliveries = await tx.row(SQL["deliveries_waiting"], now=tx.now)
    return Watched(
        spindles={row["health"]: row["spindles"] for row in await tx.rows(SQL["spindles_by_health"])},
        settle_lag_s=settling["lag"],
        reached=settling["reached"],
        deliveries_due=deliveries["due"],
        deliveries_waiting=deliveries["waiting"],
        oldest_waiting_s=deliveries["oldest"],
        endpoints=await endpoints.statuses(tx),
        positions={str(row["log"]): row["position"] for row in await tx.rows(SQL["positions"])},
        strays=await tx.value(ledger.SQL["readings_outside_weeks"]),
    )
