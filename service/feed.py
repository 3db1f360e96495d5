"""The feed: everything recorded, read on from a cursor that never finds an entry behind itself.

Rules of this file
- A log row is locked from the moment it gives a position until that position is committed, so what one statement sees
  of a log is a prefix of it without a gap. Facts and plain readings are read in one statement: in two, an entry could
  fall between them.
- A cursor holds the last position taken, and when that was recorded, for each log; whoever filters moves it too.
- Within a log entries come by position; logs are merged by `recorded`, then by their number, as far as they are seen.
"""

from base64 import urlsafe_b64decode, urlsafe_b64encode
from binascii import Error as NotBase64
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from heapq import heapify, heappop, heappush
from struct import Struct as Layout
from struct import error as NotThatLayout
from typing import Any, Final

import msgspec
from msgspec import UNSET, Struct, UnsetType

from service import ledger
from service.domain.chain import microseconds
from service.domain.correction import fates_of
from service.domain.event.envelope import people_in, with_people
from service.domain.refusal import Refusal
from service.postgres import Transaction

SCANNED_MAX: Final = 20_000
"""How many entries one page looks through, filtered out or not, before it answers what it has found."""

_MARK: Final = b"spindle-ledger feed 1"
_PLACE: Final = Layout(">Hqq")
_DIGEST_BYTES: Final = 8
_EPOCH: Final = datetime(2000, 1, 1, tzinfo=UTC)


class FeedCursorMalformed(Refusal):
    """A cursor that the feed of this ledger has not given out."""

    code = "cursor_malformed"


class PositionsMissing(Exception):
    """A log is not dense: entries that were committed are not there. Nothing is read past such a gap."""


class Superseded(Struct, frozen=True, kw_only=True):
    """What stands in an entry's place: the correction `by`, or nothing where voided; why, by whom, since when."""

    by: int
    voided: bool
    reason: str
    actor: str | None
    recorded: datetime


class HistoryItem(Struct, frozen=True, kw_only=True):
    """An entry of a stream: the event's envelope with its place in the ledger.

    A history says of each entry what has `superseded` it, null where it stands; the feed tells entries as they came.
    """

    specversion: str
    id: str
    source: str
    type: str
    subject: str
    time: datetime
    actor: str | None
    data: msgspec.Raw
    sequence: int
    log: int
    position: int
    recorded: datetime
    hash: str
    superseded: Superseded | UnsetType | None = UNSET


class Wanted(Struct, frozen=True, kw_only=True):
    """Which entries are answered; None leaves a member open. `reaches` are the plants that the reader's key sees:
    sheets, gauges and lots are seen by every key, and belong to no `plant`."""

    types: tuple[str, ...] | None = None
    subject: tuple[str, str] | None = None
    plant: str | None = None
    reaches: tuple[str, ...] | None = None

    def takes(self, item: HistoryItem, plant: str | None) -> bool:
        """The same said of an entry that was read for everybody; `plant` is where its spindle is now."""
        kind, _, key = item.subject.partition("/")
        return (
            (self.types is None or item.type in self.types)
            and (self.subject is None or self.subject == (kind, key))
            and (self.plant is None or self.plant == plant)
            and (self.reaches is None or kind != "spindles" or plant in self.reaches)
        )


Cursor = dict[int, tuple[int, datetime]]
"""The last position taken of each log, with when it was recorded; a log that is not in it is read from its start."""


def cursor_text(cursor: Cursor) -> str:
    """The cursor as clients carry it: opaque, and the same text for the same place."""
    body = b"".join(
        _PLACE.pack(log, position, microseconds(recorded)) for log, (position, recorded) in sorted(cursor.items())
    )
    return urlsafe_b64encode(_digest(body) + body).rstrip(b"=").decode()


def read_cursor(text: str) -> Cursor:
    """The cursor from its text. Raises FeedCursorMalformed where it was not given out, letter by letter."""
    try:
        raw = urlsafe_b64decode(text.encode("ascii") + b"=" * (-len(text) % 4))
        digest, body = raw[:_DIGEST_BYTES], raw[_DIGEST_BYTES:]
        cursor = {
            log: (position, _EPOCH + timedelta(microseconds=recorded))
            for log, position, recorded in _PLACE.iter_unpack(body)
        }
        if digest == _digest(body) and cursor_text(cursor) == text:
            return cursor
    except (UnicodeEncodeError, NotBase64, NotThatLayout, OverflowError):
        pass
    raise FeedCursorMalformed("this cursor is not one that the feed has given out", parameter="after")


def _digest(body: bytes) -> bytes:
    return sha256(_MARK + body).digest()[:_DIGEST_BYTES]


class Found(Struct, frozen=True, kw_only=True):
    """Some entries, and the cursor that reads on after them. `at_end` where nothing more was there to be read.

    `plants` are where the items' spindles are now, None for other subjects.
    """

    items: list[HistoryItem]
    plants: list[str | None]
    cursor: Cursor
    at_end: bool


async def end(tx: Transaction) -> Cursor:
    """The cursor behind everything that is committed."""
    rows = await tx.rows(ledger.SQL["ends"])
    return {row["log"]: (row["position"], row["recorded"]) for row in rows if row["position"]}


async def read_on(tx: Transaction, after: Cursor, wanted: Wanted, *, limit: int) -> Found:
    """The next entries that are wanted, at most `limit`, of all that one snapshot shows.

    An answer may be empty before the end where SCANNED_MAX entries were filtered out. Raises FeedCursorMalformed for a
    cursor from beyond the ledger's end, PositionsMissing where a log has a gap.
    """
    cursor, rows, scanned = dict(after), list[Mapping[str, Any]](), 0
    merged = await _portion(tx, after, wanted, limit)
    heapify(merged)
    refill: dict[int, int] = {}
    at_end = True
    while merged:
        _, log, position, row = heappop(merged)
        cursor[log] = (position, row["recorded"])
        scanned += 1
        if row["wanted"]:
            rows.append(row)
        at_end = not merged and not row["more"]
        if len(rows) == limit or scanned == SCANNED_MAX:
            break
        if row["more"]:
            # What follows in this log may come before anything that is left of the others; it is asked for twice as
            # much each time, for a log that has come first often will go on so.
            refill[log] = min(2 * refill.get(log, limit // 8), limit)
            for each in await _portion(tx, cursor, wanted, refill[log], only=log):
                heappush(merged, each)
    plants = [row["plant"] for row in rows]
    return Found(items=await items_of(tx, rows), plants=plants, cursor=cursor, at_end=at_end)


async def _portion(
    tx: Transaction, after: Cursor, wanted: Wanted, portion: int, *, only: int | None = None
) -> list[tuple[datetime, int, int, Mapping[str, Any]]]:
    """The next rows of every log, or of one alone, each with its place in the merge before it."""
    found = await tx.rows(
        ledger.SQL["feed"],
        logs=list(after),
        positions=[position for position, _ in after.values()],
        recorded=[recorded for _, recorded in after.values()],
        only=only,
        portion=portion,
        types=None if wanted.types is None else list(wanted.types),
        kind=None if wanted.subject is None else wanted.subject[0],
        key=None if wanted.subject is None else wanted.subject[1],
        plant=wanted.plant,
        reaches=None if wanted.reaches is None else list(wanted.reaches),
    )
    _check_dense(found)
    return [(row["recorded"], row["log"], row["position"], row) for row in found if row["position"] is not None]


def _check_dense(portion: Sequence[Any]) -> None:
    expected: dict[int, int] = {}
    last: dict[int, int] = {}
    for row in portion:
        log = row["log"]
        if row["after"] > row["log_position"]:
            text = f"this cursor is beyond the end of log {log}: it is another ledger's"
            raise FeedCursorMalformed(text, parameter="after")
        last[log] = row["upto"]
        expected.setdefault(log, row["after"] + 1)
        if row["position"] is None:
            continue
        if row["position"] != expected[log]:
            raise PositionsMissing(f"log {log}: position {expected[log]} was expected, {row['position']} was found")
        expected[log] += 1
    for log, upto in last.items():
        if expected[log] != upto + 1:
            raise PositionsMissing(f"log {log}: position {expected[log]} is missing")


async def items_of(tx: Transaction, rows: Sequence[Mapping[str, Any]]) -> list[HistoryItem]:
    """Entries as they are shown: with people's labels as far as they have not been erased, readings as events."""
    return await _items(tx, rows, None)


async def entries_of(tx: Transaction, subject: int, rows: Sequence[Mapping[str, Any]]) -> list[HistoryItem]:
    """Entries of one subject as they were recorded, with what stands in the place of those that no longer do."""
    return await _items(tx, rows, await _superseded(tx, subject))


async def _superseded(tx: Transaction, subject: int) -> dict[int, Superseded]:
    speaking = {row["sequence"]: row for row in await tx.rows(ledger.SQL["speaking"], subject=subject)}
    if not speaking:
        return {}
    labels = await ledger.labels_of(tx, (row["actor"] for row in speaking.values() if row["actor"] is not None))
    told: dict[int, Superseded] = {}
    for sequence, fate in fates_of(await ledger.recorded(tx, subject)).items():
        row = speaking[fate.by]
        actor = None if row["actor"] is None else labels.get(row["actor"], f"#{row['actor']}")
        told[sequence] = Superseded(
            by=fate.by, voided=fate.voided, reason=row["reason"], actor=actor, recorded=row["recorded"]
        )
    return told


async def _items(
    tx: Transaction, rows: Sequence[Mapping[str, Any]], told: Mapping[int, Superseded] | None
) -> list[HistoryItem]:
    people = [frozenset() if row["type"] is None else people_in(row["data"].encode()) for row in rows]
    numbers = {int(person[1:]) for each in people for person in each if person[1:].isdigit()}
    labels = await ledger.labels_of(tx, numbers | {row["actor"] for row in rows if row["actor"] is not None})
    names = {f"#{number}": label for number, label in labels.items()}
    return [
        _item(row, labels, names if named else {}, UNSET if told is None else told.get(row["sequence"]))
        for row, named in zip(rows, people, strict=True)
    ]


def _item(
    row: Mapping[str, Any],
    labels: Mapping[int, str],
    names: dict[str, str],
    superseded: Superseded | UnsetType | None,
) -> HistoryItem:
    plain = row["type"] is None
    data = msgspec.json.encode({"count": row["reading"]}) if plain else row["data"].encode()
    return HistoryItem(
        specversion="1.0",
        id=ledger.reading_identity(row["key"], row["occurred"]) if plain else row["id"],
        source=row["source"],
        type="counter.read" if plain else row["type"],
        subject=f"{row['kind']}/{row['key']}",
        time=row["occurred"],
        actor=None if row["actor"] is None else labels.get(row["actor"], f"#{row['actor']}"),
        data=msgspec.Raw(with_people(data, names) if names else data),
        sequence=row["sequence"],
        log=row["log"],
        position=row["position"],
        recorded=row["recorded"],
        hash=row["hash"].hex(),
        superseded=superseded,
    )
