"""Proof that nothing was altered: the ledger read again, every hash computed again, every order checked for gaps."""

from collections import defaultdict
from collections.abc import AsyncIterator, Mapping
from datetime import UTC, datetime
from hashlib import sha256
from typing import Any, Final

from msgspec import Struct

from service.domain import chain
from service.postgres import Database, Statements, Transaction

SQL: Final = Statements.beside(__file__)
PORTION: Final = 500
_NEVER: Final = datetime(2000, 1, 1, tzinfo=UTC)
"""When a log without entries says it was last written."""


class Fault(Struct, frozen=True, kw_only=True):
    """One place where the ledger is not what was written."""

    place: str
    what: str


class Verified(Struct, kw_only=True):
    """How much was read, and what was found."""

    subjects: int = 0
    facts: int = 0
    readings: int = 0
    faults: list[Fault]


class _Met(Struct, kw_only=True):
    """What the walks met of one log."""

    found: int = 0
    oldest: int = 1
    newest: int = 0
    recorded: datetime = _NEVER

    def add(self, position: int, recorded: datetime) -> None:
        self.oldest = position if self.found == 0 else min(self.oldest, position)
        self.newest, self.recorded = max(self.newest, position), max(self.recorded, recorded)
        self.found += 1

    def fault(self, log: int, position: int | None, recorded: datetime | None) -> Fault | None:
        """A log is dense from 1 to the last position it gave, and was last written when it says so."""
        if (1, self.found, self.newest, self.recorded) == (self.oldest, position, position, recorded):
            return None
        text = f"{self.found} entries from position {self.oldest} to {self.newest}, recorded {self.recorded}; "
        return Fault(place=f"log {log}", what=text + f"the log says {position}, {recorded}")


async def verify(database: Database, *, faults_max: int = 100) -> AsyncIterator[Verified]:
    """Walks every subject's chain from its genesis to its head, and counts every log's positions on the way.

    Yields the tally after each portion of subjects and at the end, so that progress can be shown.
    """
    tally = Verified(faults=[])
    logs: defaultdict[int, _Met] = defaultdict(_Met)
    async with database.transaction(snapshot=True) as tx:
        names = await _sources(tx, tally)
        subjects = await tx.rows(SQL["subjects"])
        for begin in range(0, len(subjects), PORTION):
            walks = {row["subject"]: _Walk(row, names, tally, logs) for row in subjects[begin : begin + PORTION]}
            async for row in tx.stream(SQL["streams"], subjects=list(walks)):
                walks[row["subject"]].meet(row)
            for walk in walks.values():
                walk.end()
            yield tally
            if len(tally.faults) >= faults_max:
                break
        else:
            await _count(tx, tally, logs)
    yield tally


async def _count(tx: Transaction, tally: Verified, logs: Mapping[int, _Met]) -> None:
    """Whether the walks met all that the logs say they hold; where not, what they did not meet is named."""
    said = {row["log"]: (row["position"], row["recorded"]) for row in await tx.rows(SQL["logs"])}
    faults = [logs.get(log, _Met()).fault(log, *said.get(log, (None, None))) for log in sorted({*said, *logs})]
    if not any(faults):
        return
    tally.faults += filter(None, faults)
    for row in await tx.rows(SQL["strangers"]):
        text = "belongs to no subject, or stands in another log than its subject's"
        tally.faults.append(Fault(place=f"log {row['log']} position {row['position']}", what=text))


async def _sources(tx: Transaction, tally: Verified) -> dict[int, str]:
    names = {}
    for row in await tx.rows(SQL["sources"]):
        names[row["source"]] = row["name"]
        if sha256(row["name"].encode()).digest() != row["digest"]:
            tally.faults.append(Fault(place=f"source {row['source']}", what="its name does not have its digest"))
    return names


class _Walk:
    """One subject's stream, entry by entry, from the genesis of its chain to its head."""

    def __init__(self, subject: Any, names: dict[int, str], tally: Verified, logs: defaultdict[int, _Met]) -> None:
        self._subject, self._names, self._tally, self._logs = subject, names, tally, logs
        self._name = f"{subject['kind']}/{subject['key']}"
        self._previous = chain.genesis(subject["log"], subject["kind"], subject["key"])
        self._sequence = 0
        self._recorded = _NEVER

    def meet(self, row: Any) -> None:
        """The next entry of the stream: its place, its time, its hash over the one before it."""
        self._sequence += 1
        if row["sequence"] != self._sequence:
            self._fault(row, f"sequence {self._sequence} was expected")
            self._sequence = row["sequence"]
        if row["recorded"] < self._recorded:
            self._fault(row, "was recorded before its predecessor")
        if _hash(row, self._previous, self._names) != row["hash"]:
            self._fault(row, "does not have its hash: it or what precedes it was altered")
        if row["log"] != self._subject["log"]:
            self._fault(row, f"stands in another log than its subject's, {self._subject['log']}")
        self._logs[row["log"]].add(row["position"], row["recorded"])
        self._recorded, self._previous = row["recorded"], row["hash"]
        if row["type"] is None:
            self._tally.readings += 1
        else:
            self._tally.facts += 1

    def end(self) -> None:
        """Whether the head is the newest entry met."""
        self._tally.subjects += 1
        if self._sequence != self._subject["sequence"] or self._previous != self._subject["head"]:
            text = f"its newest entry is {self._sequence} and not the head, sequence {self._subject['sequence']}"
            self._tally.faults.append(Fault(place=self._name, what=text))

    def _fault(self, row: Any, what: str) -> None:
        place = f"{self._name} sequence {row['sequence']} (log {row['log']}, position {row['position']})"
        self._tally.faults.append(Fault(place=place, what=what))


def _hash(row: Any, previous: bytes, names: dict[int, str]) -> bytes | None:
    """The hash that the row should have, or None where no row that was written can be so.

    That is: its source or its form is not known, or it says -1 where the hash says so for nothing.
    """
    source = names.get(row["source"])
    if source is None or row["form"] != (chain.READING_FORM if row["type"] is None else chain.FACT_FORM):
        return None
    if min(row["reading"] or 0, row["actor"] or 0) < 0:
        return None
    if row["type"] is None:
        return chain.reading_hash(
            previous,
            log=row["log"],
            position=row["position"],
            sequence=row["sequence"],
            occurred=row["occurred"],
            recorded=row["recorded"],
            reading=row["reading"],
            key=row["key"],
            source=source,
        )
    return chain.fact_hash(
        previous,
        log=row["log"],
        position=row["position"],
        sequence=row["sequence"],
        occurred=row["occurred"],
        recorded=row["recorded"],
        reading=row["reading"],
        actor=row["actor"],
        key=row["key"],
        schema=row["schema"],
        source=source,
        type=row["type"],
        id=row["id"],
        salt=row["salt"],
        data=row["data"].encode(),
    )
