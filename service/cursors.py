"""A place in a list as clients carry it: opaque, bound to the question it was given out for, and checked."""

import re
from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Sequence
from hashlib import sha256
from typing import Any, Final

import msgspec

from service.domain.refusal import Refusal

Value = str | int
LAST: Final = 2**63 - 1
"""The greatest number that a place can be at."""

_CHECKSUM_BYTES: Final = 9
_WRITTEN: Final = re.compile(r"[A-Za-z0-9_-]{13,2000}\Z", re.ASCII)


class CursorMalformed(Refusal):
    """A cursor that this list, asked this way, did not give out."""

    code = "cursor_malformed"


def write_cursor(question: Sequence[Any], values: Sequence[Value]) -> str:
    """A place in a list as an opaque text: the values after which to go on, and a checksum over them and the question.

    The checksum is no secret: it tells a cursor that was altered, cut or taken to another list. The values are checked
    again when they come back, so a made-up cursor only names another place in what its caller may see anyway.
    """
    written = msgspec.json.encode(values)
    return urlsafe_b64encode(_checksum(question, written) + written).rstrip(b"=").decode()


def read_cursor(
    question: Sequence[Any], kinds: Sequence[type], cursor: str, *, parameter: str = "cursor"
) -> list[Value]:
    """The values of a cursor, which came in that parameter. Raises CursorMalformed."""
    text = "this cursor is not one of this list's, asked with these parameters"
    refused = CursorMalformed(text, parameter=parameter)
    if not _WRITTEN.match(cursor) or len(cursor) % 4 == 1:
        raise refused
    raw = urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4))
    checksum, written = raw[:_CHECKSUM_BYTES], raw[_CHECKSUM_BYTES:]
    if checksum != _checksum(question, written) or urlsafe_b64encode(raw).rstrip(b"=").decode() != cursor:
        raise refused
    try:
        values = msgspec.json.decode(written, type=list[Value])
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise refused from error
    if [type(value) for value in values] != list(kinds) or not all(_can_be_bound(value) for value in values):
        raise refused
    return values


def _checksum(question: Sequence[Any], written: bytes) -> bytes:
    return sha256(msgspec.json.encode(question) + b"\n" + written).digest()[:_CHECKSUM_BYTES]


def _can_be_bound(value: Value) -> bool:
    return "\0" not in value if isinstance(value, str) else -LAST <= value <= LAST
