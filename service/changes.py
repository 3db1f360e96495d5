"""Changes of health, read on from a cursor: each spindle once, as it is now, however often it changed since.

Rules of this file
- A spindle whose health, clearance, reasons or place change takes a number of its log (derived.change), under a lock
  that is kept until the change is committed: what one statement sees of a log has nothing missing before it.
- A cursor holds the last number taken of each log. Without one a reader begins with every spindle there is.
- A number that this database has not given out is another's, or was lost with a backup: its reader begins anew, too.
"""

from base64 import urlsafe_b64decode, urlsafe_b64encode
from binascii import Error as NotBase64
from collections.abc import Iterable
from hashlib import sha256
from struct import Struct as Layout
from struct import error as NotThatLayout
from typing import Any, Final

from msgspec import Struct

from service.domain.refusal import Refusal
from service.postgres import Statements, Transaction

SQL: Final = Statements.beside(__file__)

_MARK: Final = b"spindle-ledger changes 1"
_PLACE: Final = Layout(">Hq")
_DIGEST_BYTES: Final = 8

Cursor = dict[int, int]
"""The last number taken of each log; a log that is not in it is read from its start."""


class ChangeCursorMalformed(Refusal):
    """An id that the stream of changes has not given out."""

    code = "cursor_malformed"


class SpindleHealth(Struct, frozen=True, kw_only=True):
    """What a dashboard polls. `health` is null while it is in no machine; `reasons` are codes, worst first."""

    key: str
    health: str | None
    clearance: str
    reasons: list[str]


class Change(SpindleHealth, frozen=True, kw_only=True):
    """A spindle that changed, as it is now. `was_in` are plants it has been in, where its plant changed since."""

    log: int
    number: int
    plant: str
    hall: str | None
    machine: str | None
    position: str | None
    sheet: str
    lifecycle: str
    was_in: tuple[str, ...]

    @property
    def shown(self) -> SpindleHealth:
        return SpindleHealth(key=self.key, health=self.health, clearance=self.clearance, reasons=self.reasons)


class Found(Struct, frozen=True, kw_only=True):
    """Some changes, and the cursor that reads on after them. `at_end` where there were no more."""

    items: list[Change]
    cursor: Cursor
    at_end: bool


def health_of(row: Any) -> SpindleHealth:
    """A spindle's health from its columns; a code that several reasons have stands once."""
    reasons = row["reasons"]
    if len(reasons) > 1:
        reasons = each_once(reasons)
    return SpindleHealth(key=row["key"], health=row["health"], clearance=row["clearance"], reasons=reasons)


def each_once(reasons: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(reasons))


def cursor_text(cursor: Cursor) -> str:
    """The cursor as clients carry it: opaque, and the same text for the same place."""
    body = b"".join(_PLACE.pack(log, number) for log, number in sorted(cursor.items()))
    return urlsafe_b64encode(_digest(body) + body).rstrip(b"=").decode()


def read_cursor(text: str) -> Cursor:
    """The cursor from its text. Raises ChangeCursorMalformed where it was not given out, letter by letter."""
    try:
        raw = urlsafe_b64decode(text.encode("ascii") + b"=" * (-len(text) % 4))
        digest, body = raw[:_DIGEST_BYTES], raw[_DIGEST_BYTES:]
        cursor = dict(_PLACE.iter_unpack(body))
        if digest == _digest(body) and cursor_text(cursor) == text:
            return cursor
    except (UnicodeEncodeError, NotBase64, NotThatLayout):
        pass
    raise ChangeCursorMalformed("this id is not one that the stream of changes has given out", parameter="after")


def _digest(body: bytes) -> bytes:
    return sha256(_MARK + body).digest()[:_DIGEST_BYTES]


async def end(tx: Transaction) -> Cursor:
    """The cursor behind everything that is committed."""
    return {row["log"]: row["changed"] for row in await tx.rows(SQL["ends"])}


async def read_on(tx: Transaction, after: Cursor, *, limit: int) -> Found:
    """The next changes in the order of their numbers, at most `limit`, of all that one snapshot shows."""
    ends = await end(tx)
    held = {log: number for log, number in after.items() if number <= ends.get(log, -1)}
    if held.keys() != after.keys():
        held = {}
    rows = await tx.rows(SQL["changes"], logs=list(held), numbers=list(held.values()), limit=limit + 1)
    cursor = dict(held)
    items = [_change(row) for row in rows[:limit]]
    for each in items:
        cursor[each.log] = each.number
    at_end = len(rows) <= limit
    return Found(items=items, cursor=ends if at_end else cursor, at_end=at_end)


def _change(row: Any) -> Change:
    return Change(
        log=row["log"],
        number=row["changed"],
        key=row["key"],
        health=row["health"],
        clearance=row["clearance"],
        reasons=each_once(row["reasons"]),
        plant=row["plant"],
        hall=row["hall"],
        machine=row["machine"],
        position=row["position"],
        sheet=row["sheet"],
        lifecycle=row["lifecycle"],
        was_in=tuple(row["was_in"] or ()),
    )
