"""Proof that nothing was altered: the ledger read again, every hash computed again, every order checked for gaps."""

from collections.abc import AsyncIterator
from hashlib import sha256
from typing import Any, Final

from msgspec import Struct

from service.domain import chain
from service.postgres import Database, Statements, Transaction

SQL: Final = Statements.beside(__file__)


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


async def verify(database: Database, *, faults_max: int = 100) -> AsyncIterator[Verified]:
    """Walks every subject's chain from its genesis to its head, and every log's positions.

    Yields the tally after each hundred subjects and at the end, so that progress can be shown.
    """
    tally = Verified(faults=[])
    async with database.transaction(snapshot=True) as tx:
        names = await _sources(tx, tally)
        for subject in await tx.rows(SQL["subjects"]):
            await _walk(tx, subject, names, tally)
            tally.subjects += 1
            if tally.subjects % 100 == 0:
                yield tally
            if len(tally.faults) >= faults_max:
                break
        for row in await tx.rows(SQL["gaps"]):
            text = f"{row['found']} entries up to position {row['newest']}, recorded {row['newest_recorded']}; "
            text += f"the log says {row['position']}, {row['recorded']}"
            tally.faults.append(Fault(place=f"log {row['log']}", what=text))
        for row in await tx.rows(SQL["strangers"]):
            text = "belongs to no subject, or stands in another log than its subject's"
            tally.faults.append(Fault(place=f"log {row['log']} position {row['position']}", what=text))
    yield tally


async def _sources(tx: Transaction, tally: Verified) -> dict[int, str]:
    names = {}
    for row in await tx.rows(SQL["sources"]):
        names[row["source"]] = row["name"]
        if sha256(row["name"].encode()).digest() != row["digest"]:
            tally.faults.append(Fault(place=f"source {row['source']}", what="its name does not have its digest"))
    return names


async def _walk(tx: Transaction, subject: Any, names: dict[int, str], tally: Verified) -> None:
    name = f"{subject['kind']}/{subject['key']}"
    previous = chain.genesis(subject["log"], subject["kind"], subject["key"])
    expected = 0
    recorded = None
    async for row in tx.stream(SQL["stream"], subject=subject["subject"]):
        expected += 1
        place = f"{name} sequence {row['sequence']} (log {row['log']}, position {row['position']})"
        if row["sequence"] != expected:
            tally.faults.append(Fault(place=place, what=f"sequence {expected} was expected"))
            expected = row["sequence"]
        if recorded is not None and row["recorded"] < recorded:
            tally.faults.append(Fault(place=place, what="was recorded before its predecessor"))
        recorded = row["recorded"]
        if _hash(row, previous, names) != row["hash"]:
            tally.faults.append(Fault(place=place, what="does not have its hash: it or what precedes it was altered"))
        previous = row["hash"]
        tally.facts += row["type"] is not None
        tally.readings += row["type"] is None
    if expected != subject["sequence"] or previous != subject["head"]:
        text = f"its newest entry is {expected} and not the head, sequence {subject['sequence']}"
        tally.faults.append(Fault(place=name, what=text))


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
