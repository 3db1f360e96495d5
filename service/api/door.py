"""Before a handler runs: the key and its scope, and no query parameter that the handler does not know."""

from typing import Any, Final

from litestar import Request
from litestar.connection import ASGIConnection
from litestar.handlers.base import BaseRouteHandler

from service.access import FoundKeys, Key
from service.api.problems import QueryParameterUnknown
from service.domain.refusal import Fault, Refusal

PUBLIC: Final = {"public": True}
"""Put into a handler's `opt` where no key is needed."""


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


async def refuse_unknown_parameters(request: Request[Any, Any, Any]) -> None:
    """A query parameter that the handler does not know is refused by name."""
    handler = request.route_handler
    known = set(handler.parsed_fn_signature.parameters) - {"data", "request", *handler.resolve_dependencies()}
    faults = [
        Fault(pointer="", code="query_parameter_unknown", detail=f"{name!r} is not a parameter here")
        for name in request.query_params
        if name not in known
    ]
    if faults:
        raise QueryParameterUnknown(faults[0].detail, faults=faults)
