"""Conditional reading (RFC 9110, 13.1.2): a strong ETag over the very bytes of an answer, and 304 where it is known."""

from hashlib import sha256
from typing import Any, Final, TypeVar, cast

import msgspec
from litestar import Request, Response

_T = TypeVar("_T")
_encode: Final = msgspec.json.Encoder().encode


def answer(request: Request[Any, Any, Any], value: _T, headers: dict[str, str] | None = None) -> Response[_T]:
    """The value as JSON with its ETag, or 304 without a body where the caller names that ETag."""
    body = _encode(value)
    etag = f'"{sha256(body).hexdigest()[:32]}"'
    told = {"ETag": etag, "Cache-Control": "private, no-cache", **(headers or {})}
    if is_known(request, etag):
        return cast(Response[_T], Response(None, status_code=304, headers=told))
    return cast(Response[_T], Response(body, media_type="application/json", headers=told))


def is_known(request: Request[Any, Any, Any], etag: str) -> bool:
    """Whether If-None-Match names this ETag; weak and strong compare as equal there (RFC 9110, 8.8.3.2)."""
    named = [each.strip() for each in request.headers.get("if-none-match", "").split(",")]
    return "*" in named or any(each.removeprefix("W/") == etag for each in named)
