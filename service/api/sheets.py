"""`/v1/sheets`: setting sheets, with every revision as it was issued."""

from datetime import datetime
from typing import Any, Final

import msgspec
from litestar import Request, Response, Router, get
from litestar.di import NamedDependency
from litestar.params import FromPath
from msgspec import Struct

from service import catalogue, ledger, lists
from service.api.conditional import answer
from service.api.pages import Cursor, Limit, Page, Prefix, paged
from service.domain.refusal import Refusal
from service.domain.sheet import Sheet
from service.feed import HistoryItem, items_of
from service.postgres import Database

REVISIONS_MAX: Final = 10_000


class SheetNotFound(Refusal):
    code = "sheet_not_found"


class SheetListed(Struct, frozen=True, kw_only=True):
    """A sheet by the revision that holds now."""

    code: str
    revision: int
    valid_from: datetime
    interface: str | None
    revisions: tuple[int, ...]
    sequence: int


class SheetWhole(SheetListed, frozen=True, kw_only=True):
    """`issued` has each revision's entry: its data to the letter, and its place in the ledger."""

    issued: list[HistoryItem]


@get("/")
async def list_sheets(
    request: Request[Any, Any, Any],
    database: NamedDependency[Database],
    prefix: Prefix = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Response[Page[SheetListed]]:
    """Setting sheets by code. Sheets, gauges and lots belong to no plant: every key that may read sees them."""
    async with database.transaction(snapshot=True) as tx:
        asked = lists.Asked(
            listing=lists.SUBJECTS, filters={"kind": "sheets", "prefix": prefix}, sort="key", limit=limit, cursor=cursor
        )
        rows, following = await lists.page(tx, asked, lambda row: row)
        known = await catalogue.references(tx, {("sheets", row["key"]) for row in rows}, share=False)
        now = tx.now
    items = [_listed(known.sheets[row["key"]], row["sequence"], now) for row in rows]
    return paged(request, items, following)


def _listed(sheet: Sheet, sequence: int, now: datetime) -> SheetListed:
    holds = sheet.at(now).issued
    return SheetListed(
        code=sheet.code,
        revision=holds.revision,
        valid_from=holds.valid_from,
        interface=holds.interface,
        revisions=tuple(each.issued.revision for each in sheet.revisions),
        sequence=sequence,
    )


@get("/{code:str}")
async def read_sheet(
    request: Request[Any, Any, Any], code: FromPath[str], database: NamedDependency[Database]
) -> Response[SheetWhole]:
    """A sheet with all its revisions."""
    async with database.transaction(snapshot=True) as tx:
        known = await catalogue.references(tx, {("sheets", code)}, share=False)
        subject = await ledger.find(tx, "sheets", code)
        if subject is None or code not in known.sheets:
            raise SheetNotFound(f"there is no sheet {code!r}")
        rows = await tx.rows(
            ledger.SQL["history"], subject=subject.subject, log=subject.log, after=0, limit=REVISIONS_MAX
        )
        issued = await items_of(tx, rows)
        listed = _listed(known.sheets[code], subject.sequence, tx.now)
    return answer(request, SheetWhole(**msgspec.structs.asdict(listed), issued=issued))


routes: Final = Router(
    path="/v1/sheets", route_handlers=[list_sheets, read_sheet], opt={"scope": "read"}, tags=["sheets"]
)
