"""Spindles of the invented Skerrow works for tests that write: events that ended yesterday, and what holds after."""

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import asyncpg
import msgspec
from msgspec import Struct

from service import access, ledger, projections
from service.access import Key
from service.count import count
from service.domain.event.envelope import Event, read_event
from service.domain.refusal import Refusal
from service.postgres import Database, Statement
from service.reading_names import snapshot
from service.receipt import Receipt
from service.record import record
from service.refold import fold_whole
from service.sweep import sweep_once
from service.verify import Verified, verify
from tests.domain import skerrow
from tests.running import assert_notices_as_told

SOURCE: Final = "/skerrow/hall-2/tablet-7"
START_COUNT: Final = 118_000
ENDED: Final = (datetime.now(UTC) - timedelta(days=1)).replace(microsecond=0)
"""When the last event of the stories below happened."""
RECHECKS: Final[list[dict[str, Any]]] = [
    {
        "code": "bed-in",
        "check": "setting",
        "after_cycles": 500,
        "since": "acceptance",
        "early_cycles": 50,
        "grace_cycles": 250,
    }
]
_SPINDLES: Final = Statement("spindles", "SELECT subject, key FROM derived.spindle ORDER BY subject")


def ago(*, days: float = 0, minutes: float = 0) -> datetime:
    """A time before the stories' end."""
    return ENDED - timedelta(days=days, minutes=minutes)


def event(
    event_type: str, subject: str, time: datetime, data: dict[str, Any], *, name: str | None = None, **changes: Any
) -> dict[str, Any]:
    """An event as it is sent; without a `name` its id follows from type, subject and time."""
    return {
        "specversion": "1.0",
        "id": name or f"{event_type} {subject} {time.isoformat()}",
        "source": SOURCE,
        "type": event_type,
        "subject": subject,
        "time": time.isoformat(),
        "actor": "k.m. fitter",
        "data": data,
    } | changes


def read(sent: dict[str, Any]) -> Event:
    return read_event(json.dumps(sent).encode())


def references() -> list[dict[str, Any]]:
    """The sheet with a recheck after 500 cycles, and the depth gauge, in calibration."""
    sheet = skerrow.SHEET | {"valid_from": ago(days=300).isoformat(), "rechecks": RECHECKS}
    calibration = skerrow.CALIBRATION | {"due": (ENDED + timedelta(days=200)).date().isoformat()}
    return [
        event("sheet.issued", "sheets/SKERROW-A", ago(days=200), sheet),
        event("gauge.registered", "gauges/DG-03", ago(days=199), skerrow.GAUGE),
        event("gauge.calibrated", "gauges/DG-03", ago(days=198), calibration),
    ]


def commissioned(key: str) -> dict[str, Any]:
    counter = {"start": START_COUNT, "modulus": 1_000_000, "cycles_per_count": 1, "counts": "tool_changes"}
    data = {
        "serial": f"SP-{key}",
        "plant": "skerrow",
        "hall": "2",
        "machine": f"M-{key}",
        "position": "1",
        "sheet": "SKERROW-A",
        "counter": counter,
    }
    return event("spindle.commissioned", f"spindles/{key}", ago(days=100), data)


def counter_read(key: str, time: datetime, count: int, **changes: Any) -> dict[str, Any]:
    return event("counter.read", f"spindles/{key}", time, {"count": count}, **changes)


def measured(key: str, time: datetime, first: str, second: str, **changes: Any) -> dict[str, Any]:
    """Two opposed readings in millimetres."""
    readings = [
        {"angle": skerrow.q(angle, "deg"), "depth": skerrow.mm(depth)}
        for angle, depth in (("0", first), ("180", second))
    ]
    data = {"readings": readings, "gauge": "DG-03", "gauge_zeroed": True, "draw_bar": "released"}
    return event("setting.measured", f"spindles/{key}", time, data, **changes)


def rebuild(key: str) -> list[dict[str, Any]]:
    """Counter, rebuild, a setting out of tolerance, the adjustment, and acceptance at count 118 210: day one's work."""
    subject = f"spindles/{key}"
    torque = {"torque": skerrow.q("37", "N.m"), "how": "set", "tool": "TW-11"}
    seated = {"lot": "L-2291", "segments_seated": 6, "o_ring_fitted": True, "reason": "worn"}
    turned = {"turn": skerrow.q("24", "deg"), "direction": "out"}
    accepted = measured(key, ago(), "11.41", "11.39")
    accepted["data"]["count"] = 118_210
    return [
        counter_read(key, ago(minutes=38), 118_204),
        event("clamping_set.replaced", subject, ago(minutes=28), seated),
        event("nose.torqued", subject, ago(minutes=16), torque),
        event("clamp.exercised", subject, ago(minutes=14), {"cycles": 3}),
        measured(key, ago(minutes=11), "11.52", "11.48"),
        event("nose.adjusted", subject, ago(minutes=7), turned),
        event("nose.torqued", subject, ago(minutes=5), torque),
        event("clamp.exercised", subject, ago(minutes=3), {"cycles": 3}),
        accepted,
    ]


async def mint(database: Database) -> Key:
    async with database.transaction() as tx:
        key, _token = await access.mint(tx, name="tests", scopes=["admin"])
    return key


async def load(database: Database, key: Key, events: Iterable[dict[str, Any]]) -> list[Receipt]:
    return [await record(database, read(sent), key) for sent in events]


async def load_running(database: Database, spindles: Sequence[str]) -> Key:
    """Spindles in use whose counters are read: the next reading that moves below a limit is plain."""
    key = await mint(database)
    await load(database, key, references())
    for spindle in spindles:
        await load(database, key, [commissioned(spindle), counter_read(spindle, ago(days=1), START_COUNT + 10)])
    return key


async def verified(database: Database) -> Verified:
    return [tally async for tally in verify(database)][-1]


def differences(one: dict[str, Any], other: dict[str, Any]) -> dict[str, Any]:
    """The members that differ, each with both values."""
    return {name: (one.get(name), other.get(name)) for name in one | other if one.get(name) != other.get(name)}


async def assert_whole(database: Database, url: str) -> Verified:
    """What must hold once all is settled: unaltered, dense, nothing twice, and every state a fold of its facts."""
    await sweep_once(database)
    tally = await verified(database)
    assert tally.faults == []
    await assert_notices_as_told(url)
    connection: Any = await asyncpg.connect(url)
    try:
        assert await connection.fetch(_TWICE) == []
        assert await connection.fetch(_NEWEST_READING) == []
    finally:
        await connection.close()
    async with database.transaction() as tx:
        for row in await tx.rows(_SPINDLES):
            stored = await projections.load(tx, row["subject"])
            assert stored is not None
            history = await ledger.history(tx, row["subject"])
            folded = await fold_whole(tx, row["subject"], row["key"], history)
            state = folded.final.state
            found = differences(msgspec.to_builtins(stored.state), msgspec.to_builtins(state))
            assert not found, f"{row['key']}: {found}"
            assert stored.sequence == history.newest
    return tally


_TWICE: Final = """
    SELECT subject, source, occurred, count(*)
    FROM (
        SELECT subject, source, occurred FROM ledger.reading
        UNION ALL
        SELECT subject, source, occurred FROM ledger.entry WHERE id LIKE 'reading:%'
    ) AS told
    GROUP BY subject, source, occurred
    HAVING count(*) > 1
"""
_NEWEST_READING: Final = """
    SELECT subject, counter.reading, plain.reading AS plain
    FROM derived.counter
    JOIN LATERAL (
        SELECT reading, occurred FROM ledger.reading
        WHERE reading.subject = counter.subject
        ORDER BY occurred DESC LIMIT 1
    ) AS plain ON plain.occurred >= counter.read_at
    WHERE plain.occurred > counter.read_at OR plain.reading <> counter.reading
"""


class Counted(Struct, frozen=True, kw_only=True):
    """What became of one reading, under the name it was sent with."""

    named: str
    status: str
    refusal: Refusal | None = None


async def count_snapshot(
    database: Database, *, source: str, time: datetime, readings: Mapping[str, int], key: Key
) -> list[Counted]:
    """Counters read at one time, in the order in which they are named."""
    answers = await count(database, snapshot(source, time, readings.items(), key))
    return [
        Counted(named=named, status="refused", refusal=answer)
        if isinstance(answer, Refusal)
        else Counted(named=named, status=answer)
        for named, answer in zip(readings, answers, strict=True)
    ]
