"""Before a handler runs: the key and its scope, and no query parameter that the handler does not know."""

from datetime import datetime
from typing import Any, Final

from litestar import Request
from litestar.connection import ASGIConnection
from litestar.exceptions import NotFoundException
from litestar.handlers.base import BaseRouteHandler

from service.access import FoundKeys, Key
from service.api.problems import QueryParameterUnknown, written_name
from service.domain.event.envelope import Unreadable, instant
from service.domain.refusal import Fault, Refusal

PUBLIC: Final = {"public": True}
"""Put into a handler's `opt` where no key is needed."""

JSON_BODY: Final = "json_body"
"""Name in a handler's `opt` of the struct that its body spells, where it reads the body itself."""


MERGE_PATCH: Final = "application/merge-patch+json"
"""What a change may be called (RFC 7396) besides plain JSON, which is read in the same way."""


class KeyMissing(Refusal):
    code = "key_missing"


class ScopeMissing(Refusal):
    code = "scope_missing"


async def require_key(connection: ASGIConnection[Any, Any, Any, Any], handler: BaseRouteHandler) -> None:
    """Guards every handler: `opt["scope"]` names what the key must be for."""
    if handler.opt.get("public"):
        return
    scheme, _, token = connection.headers.get("authorization", "").partition(" ")
    found: FoundKeys = connection.app.state.found_keys
    key = await found.find(token.strip()) if scheme.lower() == "bearer" and token.strip().isascii() else None
    if key is None:
        raise KeyMissing("send a key that holds: Authorization: Bearer <key>")
    scope = handler.opt["scope"]
    if not key.may(scope):
        raise ScopeMissing(f"this needs a key for {scope}")
    connection.state.key = key


async def key_of(request: Request[Any, Any, Any]) -> Key:
    """The key that opened the door for this request."""
    key: Key = request.state.key
    return key


class ContentTypeUnknown(Refusal):
    code = "content_type_unknown"


class TimeMalformed(Refusal):
    """Not an RFC 3339 time with its offset, or none that can be."""

    code = "time_invalid"


async def refuse_unfit(request: Request[Any, Any, Any]) -> None:
    """Before a handler runs: no query parameter that it does not know, and no body of another content type.

    An address with a NUL names nothing: PostgreSQL keeps none in a text.
    """
    if "\0" in request.scope["path"]:
        raise NotFoundException("there is no such address")
    refuse_unknown_parameters(request)
    handler = request.route_handler
    if "data" in handler.parsed_fn_signature.parameters or JSON_BODY in handler.opt:
        refuse_all_but_json(request)


def time_of(text: str, pointer: str | None = None, *, parameter: str | None = None) -> datetime:
    """A time of a body or a query in UTC. Raises TimeMalformed."""
    try:
        return instant(text)
    except Unreadable as refusal:
        raise TimeMalformed(refusal.detail, pointer=pointer, parameter=parameter) from refusal


def refuse_all_but_json(request: Request[Any, Any, Any]) -> None:
    """Raises ContentTypeUnknown unless the body says that it is JSON; JSON is UTF-8 (RFC 8259, 8.1)."""
    media, _, parameters = request.headers.get("content-type", "").partition(";")
    taken = ("application/json", MERGE_PATCH) if request.method == "PATCH" else ("application/json",)
    if media.strip().lower() not in taken or not is_utf8(parameters):
        raise ContentTypeUnknown(f"send {' or '.join(taken)}, in UTF-8")


def is_utf8(parameters: str) -> bool:
    """Whether the parameters of a content type leave the charset at UTF-8."""
    name, _, value = parameters.strip().lower().partition("=")
    return name != "charset" or value.strip('"') in ("utf-8", "utf8")


def refuse_unknown_parameters(request: Request[Any, Any, Any]) -> None:
    """A query parameter that the handler does not know is refused by name."""
    handler = request.route_handler
    taken = handler.parsed_fn_signature.parameters
    known = {written_name(name, taken[name]) for name in taken} - {"data", "request", *handler.resolve_dependencies()}
    faults = [
        Fault(parameter=name, code="query_parameter_unknown", detail=f"{name!r} is not a parameter here")
        for name in request.query_params
        if name not in known
    ]
    if faults:
        raise QueryParameterUnknown(faults[0].detail, faults=faults)
