"""Conditional requests (RFC 9110, 13.1): a strong ETag over the very bytes of an answer, 304 where it is known, and 412
where what is to be changed is no longer what was read.
"""

from hashlib import sha256
from typing import Any, Final, TypeVar, cast

import msgspec
from litestar import Request, Response
from msgspec import Struct

from service.domain.refusal import Refusal

_T = TypeVar("_T")
_encode: Final = msgspec.json.Encoder().encode


class Told(Struct, frozen=True, kw_only=True):
    """An answer as it goes out, whoever asks: its bytes, and its headers with the ETag over them."""

    etag: str
    body: bytes
    media: str
    headers: dict[str, str]


def told(value: Any, media: str = "application/json", headers: dict[str, str] | None = None) -> Told:
    """The value as JSON (or as what is JSON in its form) with its ETag."""
    body = _encode(value)
    etag = _etag_over(body)
    known = {"ETag": etag, "Cache-Control": "private, no-cache", **(headers or {})}
    return Told(etag=etag, body=body, media=media, headers=known)


def respond(request: Request[Any, Any, Any], found: Told) -> Response[Any]:
    """The answer, or 304 without a body where the caller names its ETag."""
    if is_known(request, found.etag):
        return Response(None, status_code=304, headers=found.headers)
    return Response(found.body, media_type=found.media, headers=found.headers)


def answer(
    request: Request[Any, Any, Any],
    value: _T,
    media: str = "application/json",
    headers: dict[str, str] | None = None,
) -> Response[_T]:
    """The value with its ETag, or 304 without a body where the caller names that ETag."""
    return cast(Response[_T], respond(request, told(value, media, headers)))


class ChangedMeanwhile(Refusal):
    """What If-Match names is not what is there now."""

    code = "changed_meanwhile"


class IfMatchMissing(Refusal):
    """A change that says nothing of what it was decided on could undo another's unseen (RFC 6585, 3)."""

    code = "if_match_missing"


def check_unchanged(request: Request[Any, Any, Any], *values: Any, needed: bool = False, done: bool = False) -> None:
    """Raises ChangedMeanwhile unless If-Match, where it is sent, names the ETag that reading one of the values answers:
    the forms of what is there.

    Only strong tags count there (RFC 9110, 13.1.1). Without the header nothing is checked, but where it is `needed`
    IfMatchMissing is raised. Where all is `done` already, what was asked for has come about, whoever did it.
    """
    sent = request.headers.getall("if-match", [])
    if needed and not sent:
        raise IfMatchMissing('send If-Match with the ETag of what was read, or "*" to change whatever is there')
    named = [each.strip() for line in sent for each in line.split(",")]
    if sent and not done and "*" not in named and not {etag_of(value) for value in values}.intersection(named):
        raise ChangedMeanwhile("it is not what If-Match names: read it again, and decide again")


def etag_of(value: Any) -> str:
    """The strong ETag of a value, as reading it answers."""
    return _etag_over(_encode(value))


def _etag_over(body: bytes) -> str:
    return f'"{sha256(body).hexdigest()[:32]}"'


def is_known(request: Request[Any, Any, Any], etag: str) -> bool:
    """Whether If-None-Match names this ETag."""
    return names(request.headers.get("if-none-match", ""), etag)


def names(if_none_match: str, etag: str) -> bool:
    """Whether that header names this ETag; weak and strong compare as equal there (RFC 9110, 8.8.3.2)."""
    named = [each.strip() for each in if_none_match.split(",")]
    return "*" in named or any(each.removeprefix("W/") == etag for each in named)
