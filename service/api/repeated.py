"""Members of a JSON object that stand there twice: which of them was meant cannot be known (RFC 8259, 4)."""

import json
from collections.abc import Sequence
from typing import Any, Final

import msgspec

from service.domain.event.envelope import Malformed, in_pointer
from service.domain.refusal import Refusal

Pairs = list[tuple[str, bytes]]


class MemberRepeated(Refusal):
    """A member stands twice in one object."""

    code = "member_repeated"


class _Number(str):
    """A number as it was written."""

    __slots__ = ()


class _Object(list[tuple[str, Any]]):
    """The members of an object as they were written, repeated ones too."""


def _read(raw: bytes) -> Any:
    """Raises Malformed. The text has been read by the strict decoder before, which takes less than this one."""
    try:
        return json.loads(
            raw, object_pairs_hook=_Object, parse_int=_Number, parse_float=_Number, parse_constant=_Number
        )
    except (ValueError, RecursionError) as error:
        raise Malformed(f"not JSON that can be read: {error}", pointer="") from error


def pairs(raw: bytes) -> Pairs:
    """The members of an object with their values as JSON, in the order in which they stand, repeated ones too."""
    found = _read(raw)
    return [(name, _written(value)) for name, value in found] if isinstance(found, _Object) else []


def _written(value: Any) -> bytes:
    return value.encode() if isinstance(value, _Number) else msgspec.json.encode(value)


def refuse_repeated(raw: bytes, members: Sequence[bytes]) -> None:
    """Raises MemberRepeated where one of these members stands twice in the object; looks closely only if it may."""
    if b"\\" not in raw and all(raw.count(name) < 2 for name in members):
        return
    found = _read(raw)
    seen: set[str] = set()
    for name, _ in found if isinstance(found, _Object) else ():
        if name in seen:
            raise MemberRepeated(f"{name!r} stands there twice", pointer=f"/{in_pointer(name)}")
        seen.add(name)


OF_SNAPSHOT: Final = (b'"source"', b'"time"', b'"readings"')
OF_READING: Final = (b'"source"', b'"time"', b'"spindle"', b'"count"')
