"""`/v1/lots`: deliveries of kits, and which of them were withdrawn."""

from datetime import datetime
from typing import Any, Final

from litestar import Request, Response, Router, get
from litestar.di import NamedDependency
from litestar.params import FromPath
from msgspec import Struct

from service import catalogue, lists
from service.api.conditional import answer
from service.api.pages import Cursor, Limit, Page, Prefix, paged
from service.api.withdrawals import WithdrawalShown, withdrawal_shown
from service.domain.lot import Lot
from service.domain.refusal import Refusal
from service.listed_spindles import SUBJECTS
from service.postgres import Database


class LotNotFound(Refusal):
    code = "lot_not_found"


class ReceiptShown(Struct, frozen=True, kw_only=True):
    entry: int
    time: datetime
    quantity: int


class LotShown(Struct, frozen=True, kw_only=True):
    """A lot as it is now; `quantity` is the kits received in all its deliveries, `fitted` those in spindles."""

    code: str
    sheet: str | None
    quantity: int
    fitted: int
    received: tuple[ReceiptShown, ...]
    withdrawn: WithdrawalShown | None
    sequence: int


@get("/")
async def list_lots(
    request: Request[Any, Any, Any],
    database: NamedDependency[Database],
    prefix: Prefix = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Response[Page[LotShown]]:
    """Lots by code."""
    async with database.transaction(snapshot=True) as tx:
        asked = lists.Asked(
            listing=SUBJECTS,
            filters={"kind": "lots", "prefix": prefix},
            sort="key",
            limit=limit,
            cursor=cursor,
        )
        codes, following = await lists.page(tx, asked, lambda row: str(row["key"]))
        known = await catalogue.references(tx, {("lots", code) for code in codes}, share=False)
        fitted = await catalogue.kits_fitted(tx, codes)
    items = [_shown(known.lots[code], fitted.get(code, 0)) for code in codes if code in known.lots]
    return paged(request, items, following)


@get("/{lot:str}")
async def read_lot(
    request: Request[Any, Any, Any], lot: FromPath[str], database: NamedDependency[Database]
) -> Response[LotShown]:
    """A lot: its deliveries and its withdrawal."""
    async with database.transaction(snapshot=True) as tx:
        known = await catalogue.references(tx, {("lots", lot)}, share=False)
        fitted = await catalogue.kits_fitted(tx, [lot])
    if lot not in known.lots:
        raise LotNotFound(f"there is no lot {lot!r}")
    return answer(request, _shown(known.lots[lot], fitted.get(lot, 0)))


def _shown(lot: Lot, fitted: int) -> LotShown:
    return LotShown(
        code=lot.code,
        sheet=lot.sheet,
        quantity=lot.quantity,
        fitted=fitted,
        received=tuple(
            ReceiptShown(entry=each.sequence, time=each.occurred, quantity=each.quantity) for each in lot.received
        ),
        withdrawn=withdrawal_shown(lot.withdrawn),
        sequence=lot.sequence,
    )


routes: Final = Router(path="/v1/lots", route_handlers=[list_lots, read_lot], opt={"scope": "read"}, tags=["lots"])
