"""`/openapi.json`, `/asyncapi.json` and `/docs`: what can be called and is told, as documents (OpenAPI 3.1, AsyncAPI
3.0) and as a page made from them.
"""

from typing import Any, Final

from litestar import Litestar, Request, Response, Router, get
from msgspec import Struct

from service.api import document_notices, document_page
from service.api.conditional import answer
from service.api.counter_lines import OneReading
from service.api.counters import Readings
from service.api.document_members import Schema
from service.api.document_operations import OPERATIONS, TAGS
from service.api.document_paths import Operation, operations, path_item, shared_problems
from service.api.document_shapes import components
from service.api.door import JSON_BODY, PUBLIC
from service.api.event_lines import LineRefused
from service.api.events import Refused
from service.api.feed import FeedPage
from service.api.problems import Problem
from service.domain.notice_data import NOTICE_DATA, ThinData
from service.receipt import Receipt

TITLE: Final = "Spindle ledger"
VERSION: Final = "1"
DESCRIPTION: Final = """\
Keeps the tool-clamping set of every spindle proven: facts come in at one door, are judged, fall due, and signed \
webhooks tell the systems that must act.

**Caution.** This service records and computes; clearance is advice, and nothing here says that a machine is safe. The \
site's procedure and the maker's documentation come first.

**Key.** `Authorization: Bearer <key>`, but for the addresses under `running`. A key has scopes, each operation \
names the one it needs, and `admin` holds them all. A key may be bound to plants; what is in others is not there for it.

**Errors.** Every error is a problem document (RFC 9457) with a stable `code` from the closed list `ProblemCode`; its \
`errors` name each place, a member of the body by its JSON pointer and a query parameter by its name, with a code from \
`FaultCode`. A method that an address does not have is answered 405 `method_not_allowed` with an `Allow` header, an \
address that there is not 404 `not_found`. A query parameter that an address does not know is refused. What is no \
HTTP at all, or has an address or headers beyond 64 KiB, is answered 400 in plain text before the service sees it.

**Changing.** Facts are never changed; of what can be, a webhook endpoint is changed only with `If-Match`, so that \
nobody undoes unseen what another has done (428 without it, 412 where the ETag is no longer the one that reading it \
answers). Deleting an endpoint and ending a key take `If-Match` and do not need it. For an event, `expectedsequence` \
is what `If-Match` is elsewhere.

**Sizes.** A body has at most 16 MiB, a batch 10 000 events; lines have no such limit, one line has at most 1 MiB.

**Sending again.** An event is known by its `source` and `id`. Sent again it is a duplicate and changes nothing, so \
retry whenever in doubt; with other content it is a conflict.

**Reading.** HEAD is answered wherever GET is, without the body. Lists answer `items` and `next`, which is the \
`cursor` of the next page or null, and a `Link` to it (RFC 8288). Where an `ETag` is answered, `If-None-Match` with it \
is answered 304 while nothing has changed. Times are answered in UTC (RFC 3339). A later release may add members to an \
answer, and codes to a list.

The examples show one spindle of the Skerrow Pump Works, which is invented, as is every number in them."""

_NOT_MODIFIED: Final = "Nothing has changed since the ETag that If-None-Match names."
_HEADERS: Final[dict[str, Schema]] = {
    "ETag": {
        "description": "What the answer is known by; it changes with every change of the answer (RFC 9110, 8.8.3).",
        "schema": {"type": "string", "pattern": '^"[^"]+"$'},
    },
    "CacheControl": {"description": "An answer is asked for again before it is used.", "schema": {"type": "string"}},
    "Link": {
        "description": 'The next page, `rel="next"`, where there is one (RFC 8288).',
        "schema": {"type": "string"},
    },
    "Location": {"description": "The address of what was made.", "schema": {"type": "string"}},
    "RetryAfter": {"description": "After how many seconds to try again.", "schema": {"type": "string"}},
    "WWWAuthenticate": {"description": "`Bearer`: send a key.", "schema": {"type": "string"}},
}
_IF_MATCH: Final[Schema] = {
    "name": "If-Match",
    "in": "header",
    "description": "Only if it is still what was read under this ETag, or `*`: whatever is there (RFC 9110, 13.1.1).",
    "schema": {"type": "string"},
}
_PARAMETERS: Final[dict[str, Schema]] = {
    "IfNoneMatch": {
        "name": "If-None-Match",
        "in": "header",
        "required": False,
        "description": "The ETag of an earlier answer (RFC 9110, 13.1.2).",
        "schema": {"type": "string"},
    },
    "LastEventId": {
        "name": "Last-Event-ID",
        "in": "header",
        "required": False,
        "description": "The id of the last event that was heard, for a stream to go on behind it.",
        "schema": {"type": "string"},
    },
    "IfMatch": {**_IF_MATCH, "required": False},
    "IfMatchNeeded": {**_IF_MATCH, "required": True},
}


def document_of(app: Litestar) -> Schema:
    """The document of the application. Raises LookupError for an operation that OPERATIONS does not tell of."""
    untold = {each.name for each in operations(app)} - set(OPERATIONS)
    if untold:
        raise LookupError(f"service/api/document_operations.py does not tell of {', '.join(sorted(untold))}")
    found = sorted(operations(app), key=lambda each: (list(OPERATIONS).index(each.name), each.path))
    paths: dict[str, Schema] = {}
    for operation in found:
        paths.setdefault(operation.path, {})[operation.method] = path_item(operation)
    used = {tag for item in paths.values() for told in item.values() for tag in told["tags"]}
    return {
        "openapi": "3.1.0",
        "info": {"title": TITLE, "version": VERSION, "description": DESCRIPTION},
        "tags": [{"name": name, "description": text} for name, text in TAGS.items() if name in used],
        "paths": paths,
        "webhooks": document_notices.webhooks(),
        "components": _components(found),
    }


def _components(found: list[Operation]) -> Schema:
    asked = [body for each in found for body in (each.body, each.handler.opt.get(JSON_BODY)) if body is not None]
    asked += [Readings, OneReading]
    answered = [kind for each in found for kind in each.answered]
    told = [*dict.fromkeys(NOTICE_DATA.values()), ThinData]
    schemas = components(asked, [Receipt, Refused, LineRefused, FeedPage, Problem, *told, *answered])
    schemas |= document_notices.shapes()
    unmodified = {"ETag": {"$ref": "#/components/headers/ETag"}}
    key = {
        "type": "http",
        "scheme": "bearer",
        "description": "A key, minted by `POST /v1/keys` or `spindle-ledger key`; the first one is set or printed when "
        "the service starts.",
    }
    return {
        "schemas": dict(sorted(schemas.items())),
        "responses": {"NotModified": {"description": _NOT_MODIFIED, "headers": unmodified}, **shared_problems()},
        "headers": _HEADERS,
        "parameters": _PARAMETERS | document_notices.parameters(),
        "securitySchemes": {"key": key},
    }


class _Kept(Struct, frozen=True, kw_only=True):
    """The document of one application, made when it is first asked for: it cannot change while that runs."""

    document: Schema
    notices: Schema
    page: str


def _kept(app: Litestar) -> _Kept:
    kept: _Kept | None = app.state.get("document")
    if kept is None:
        document = document_of(app)
        kept = app.state.document = _Kept(
            document=document,
            notices=document_notices.async_document(document),
            page=document_page.page_of(document),
        )
    return kept


@get("/openapi.json")
async def read_document(request: Request[Any, Any, Any]) -> Response[Schema]:
    """Everything that can be called, OpenAPI 3.1."""
    return answer(request, _kept(request.app).document)


@get("/asyncapi.json")
async def read_async_document(request: Request[Any, Any, Any]) -> Response[Schema]:
    """Everything that webhook endpoints are told, AsyncAPI 3.0."""
    return answer(request, _kept(request.app).notices)


@get("/docs")
async def read_page(request: Request[Any, Any, Any]) -> Response[str]:
    """The same as a page to read, made here: it needs no script, no key and nothing from elsewhere."""
    return Response(_kept(request.app).page, media_type="text/html", headers=document_page.HEADERS)


routes: Final = Router(
    path="/", route_handlers=[read_document, read_async_document, read_page], opt=PUBLIC, tags=["running"]
)
