"""`/v1/sheets`: setting sheets, with every revision as it was issued."""

from datetime import datetime
from typing import Any, Final

import msgspec
from litestar import Request, Response, Router, get, post
from litestar.di import NamedDependency
from litestar.params import FromPath
from msgspec import Struct

from service import catalogue, ledger, lists
from service.access import Key
from service.api.conditional import answer
from service.api.door import JSON_BODY
from service.api.pages import Cursor, Limit, Page, Prefix, cursor_after, paged, place_of
from service.domain.event.envelope import decode, refuse_nul
from service.domain.event.sheets import SheetIssued
from service.domain.refusal import Refusal
from service.domain.sheet import Sheet
from service.feed import HistoryItem, items_of
from service.listed_spindles import SUBJECTS
from service.postgres import Database
from service.preview import Previewed, preview

REVISIONS_MAX: Final = 10_000
_ISSUED: Final = msgspec.json.Decoder(SheetIssued)


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


class Stock(Struct, frozen=True, kw_only=True):
    """Kits in lots that have not been withdrawn: received, fitted into spindles, and left."""

    received: int
    fitted: int
    left: int


class SheetWhole(SheetListed, frozen=True, kw_only=True):
    """`issued` has each revision's entry: its data to the letter, and its place in the ledger."""

    issued: list[HistoryItem]
    stock: Stock


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
            listing=SUBJECTS,
            filters={"kind": "sheets", "prefix": prefix},
            sort="key",
            limit=limit,
            cursor=cursor,
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
        received, fitted = await catalogue.stock_of(tx, code)
    stock = Stock(received=received, fitted=fitted, left=received - fitted)
    return answer(request, SheetWhole(**msgspec.structs.asdict(listed), issued=issued, stock=stock))


class Previews(Struct, frozen=True, kw_only=True):
    """How many spindles of the sheet were judged, those for which something would change, and where to go on."""

    judged: int
    changed: list[Previewed]
    next: str | None


@post("/{code:str}/preview", status_code=200, opt={JSON_BODY: SheetIssued})
async def post_preview(
    request: Request[Any, Any, Any],
    code: FromPath[str],
    database: NamedDependency[Database],
    key: NamedDependency[Key],
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Previews:
    """Judges every spindle of a sheet as if this revision had been issued, and records nothing."""
    body = await request.body()
    refuse_nul(body)
    issued: SheetIssued = decode(_ISSUED, body)
    after = place_of(request.url.path, cursor, int) or 0
    async with database.transaction(snapshot=True) as tx:
        if await ledger.find(tx, "sheets", code) is None:
            raise SheetNotFound(f"there is no sheet {code!r}")
        found = await preview(tx, code, issued, plants=key.plants, after=after, limit=limit)
    more = len(found) == limit
    return Previews(
        judged=len(found),
        changed=[each.change for each in found if each.change is not None],
        next=cursor_after(request.url.path, found[-1].subject) if more else None,
    )


routes: Final = Router(
    path="/v1/sheets", route_handlers=[list_sheets, read_sheet, post_preview], opt={"scope": "read"}, tags=["sheets"]
)
