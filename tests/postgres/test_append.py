"""Writers held open in front of each statement of the append: nothing lost, nothing twice, nobody waits in a circle.

Nothing of the service is replaced: a second connection holds the row, the name or the table that the next statement
needs, the first writer waits for it, the others are started behind it, and all are let go at once.
"""

import asyncio
from collections.abc import AsyncIterator
from datetime import datetime
from typing import Any, Final

import pytest

from service.access import Key
from service.domain.refusal import Refusal
from service.postgres import Database
from service.receipt import Receipt
from service.record import record
from tests.postgres.holding import PATIENCE_S, Hold, holding, outcome
from tests.story.loading import (
    ENDED,
    Counted,
    ago,
    assert_whole,
    commissioned,
    count_snapshot,
    counter_read,
    event,
    load,
    load_running,
    measured,
    read,
    rebuild,
    references,
)

AFTER, LATER, LAST = ago(minutes=-5), ago(minutes=-10), ago(minutes=-15)
NEW: Final = {"source": "/skerrow/hall-2/tablet-new", "actor": "n.n. fitter"}
SUBJECT: Final = "SELECT FROM ledger.subject WHERE kind = '{}' AND key = '{}' FOR UPDATE"
NEW_SOURCE: Final = "INSERT INTO ledger.source (name, digest) VALUES ('{0}', sha256('{0}'))".format(NEW["source"])
NEW_ACTOR: Final = f"INSERT INTO kept.actor (label) VALUES ('{NEW['actor']}')"
SAME_NOTICE: Final = """
    INSERT INTO kept.notice (id, type, subject, occurred, created, body)
    SELECT id, 'endpoint.ping', '', now(), now(), '{}' FROM unnest(ARRAY[%s]) AS id
"""
COUNTER: Final = "SELECT FROM derived.counter WHERE subject = (SELECT subject FROM derived.spindle WHERE key = '{}')"
LOGS: Final = "SELECT FROM ledger.log ORDER BY log FOR UPDATE"

IN_FRONT_OF: Final = {
    "the subject's lock": Hold(SUBJECT.format("spindles", "S1")),
    "the new source, which stays": Hold(NEW_SOURCE, commits=True),
    "the new source, which goes": Hold(NEW_SOURCE),
    "the new actor, who stays": Hold(NEW_ACTOR, commits=True),
    "the new actor, who goes": Hold(NEW_ACTOR),
    "the look for the identity": Hold("LOCK TABLE ledger.entry IN ACCESS EXCLUSIVE MODE"),
    "the stored state": Hold("LOCK TABLE derived.spindle IN ACCESS EXCLUSIVE MODE"),
    "the sheet's lock": Hold(SUBJECT.format("sheets", "SKERROW-A")),
    "the gauge's lock": Hold(SUBJECT.format("gauges", "DG-03")),
    "the notices": Hold("LOCK TABLE kept.notice IN SHARE MODE"),
    "the state's row": Hold("SELECT FROM derived.spindle WHERE key = 'S1' FOR UPDATE"),
    "the counter's row": Hold(f"{COUNTER.format('S1')} FOR UPDATE"),
    "the rechecks": Hold("LOCK TABLE derived.recheck IN SHARE MODE"),
    "the measurement": Hold("LOCK TABLE derived.measurement IN SHARE MODE"),
    "the log": Hold(LOGS),
}


@pytest.fixture
async def database(database_url: str) -> AsyncIterator[Database]:
    opened = await Database.open(database_url, size=12)
    yield opened
    await opened.close()


def mine(name: str, spindle: str = "S1", first: str = "11.52") -> dict[str, Any]:
    """A measurement out of tolerance, from a source and by a person that the ledger has not seen."""
    return measured(spindle, AFTER, first, "11.48", name=name, **NEW)


@pytest.mark.parametrize("point", IN_FRONT_OF)
async def test_writers_behind_one_that_is_held_are_all_answered_rightly(
    point: str, database: Database, database_url: str
) -> None:
    key = await load_running(database, ["S1", "S2"])
    for spindle in ("S1", "S2"):
        await load(database, key, rebuild(spindle))
    before = await assert_whole(database, database_url)
    hold = IN_FRONT_OF[point]
    same = [mine("same"), mine("same"), mine("same", first="11.53"), mine("same", spindle="S2")]
    others = [
        event("clamp.exercised", "spindles/S1", AFTER, {"cycles": 2}, **NEW),
        event("gauge.calibrated", "gauges/DG-03", AFTER, calibration(), **NEW),
    ]
    async with holding(database_url, hold) as holder:
        first = asyncio.create_task(outcome(record(database, read(same[0]), key)))
        await holder.blocked(first)
        behind = [asyncio.create_task(outcome(record(database, read(sent), key))) for sent in (*same[1:], *others)]
        bulk = asyncio.create_task(outcome(in_bulk(database, key, {"S2": 118_300, "S1": 118_300})))
        await holder.blocked(first, *behind, bulk)
        assert not first.done()
        await holder.release(hold)
        answers = await asyncio.gather(first, *behind)
        counted = await bulk
    assert not isinstance(counted, Refusal)
    assert {each.status for each in counted} == {"accepted"}
    one_is_accepted(answers[:4])
    assert [each.status for each in answers[4:] if isinstance(each, Receipt)] == ["accepted", "accepted"]
    after = await assert_whole(database, database_url)
    assert after.facts + after.readings == before.facts + before.readings + 5


def calibration() -> dict[str, Any]:
    due = ENDED.replace(year=ENDED.year + 1, day=1).date().isoformat()
    micrometres = {"value": "6", "unit": "um"}
    return {"expanded_uncertainty": micrometres, "k": "2", "correction": {"value": "0", "unit": "mm"}, "due": due}


async def in_bulk(
    database: Database, key: Key, readings: dict[str, int], *, source: str = "/skerrow/mes", time: datetime = LATER
) -> list[Counted]:
    return await count_snapshot(database, source=source, time=time, readings=readings, key=key)


def one_is_accepted(answers: list[Any]) -> None:
    """Of writers with one identity one is accepted; the others are told so, or that theirs says otherwise."""
    accepted = [each for each in answers if isinstance(each, Receipt) and each.status == "accepted"]
    duplicates = [each for each in answers if isinstance(each, Receipt) and each.status == "duplicate"]
    conflicts = [each for each in answers if isinstance(each, Refusal) and each.code == "identity_conflict"]
    assert (len(accepted), len(duplicates) + len(conflicts)) == (1, len(answers) - 1)
    assert {each.entry for each in duplicates} <= {accepted[0].entry}


IN_FRONT_OF_BULK: Final = {
    "a subject's lock": Hold(SUBJECT.format("spindles", "S2")),
    "a counter's lock": Hold(f"{COUNTER.format('S3')} FOR UPDATE"),
    "the new source, which stays": Hold(NEW_SOURCE, commits=True),
    "the new source, which goes": Hold(NEW_SOURCE),
    "the counters": Hold("LOCK TABLE derived.counter IN SHARE MODE"),
    "the logs": Hold(LOGS),
    "the readings": Hold("LOCK TABLE ledger.reading IN ACCESS EXCLUSIVE MODE"),
}


@pytest.mark.parametrize("point", IN_FRONT_OF_BULK)
async def test_bulk_calls_behind_one_that_is_held_are_all_answered_rightly(
    point: str, database: Database, database_url: str
) -> None:
    spindles = ["S1", "S2", "S3", "S4"]
    key = await load_running(database, spindles)
    hold, source = IN_FRONT_OF_BULK[point], NEW["source"]
    told = dict.fromkeys(spindles, 118_100)
    async with holding(database_url, hold) as holder:
        first = asyncio.create_task(in_bulk(database, key, told, source=source))
        await holder.blocked(first)
        same = asyncio.create_task(in_bulk(database, key, told, source=source))
        otherwise = asyncio.create_task(in_bulk(database, key, dict.fromkeys(spindles, 118_101), source=source))
        backwards = dict.fromkeys(reversed(spindles), 118_120)
        opposite = asyncio.create_task(in_bulk(database, key, backwards, source=source, time=LAST))
        single = [counter_read("S2", AFTER, 118_050), mine("one", "S3")]
        events = [asyncio.create_task(record(database, read(sent), key)) for sent in single]
        await holder.blocked(first, same, otherwise, opposite)
        assert not first.done()
        await holder.release(hold)
        async with asyncio.timeout(PATIENCE_S):
            answers = await asyncio.gather(first, same, otherwise)
            assert {each.status for each in await opposite} == {"accepted"}
            assert {each.status for each in await asyncio.gather(*events)} == {"accepted"}
    for spindle in spindles:
        of_spindle = [each for answered in answers for each in answered if each.named == spindle]
        taken = [each for each in of_spindle if each.status in ("accepted", "late")]
        conflicts = [each for each in of_spindle if each.refusal and each.refusal.code == "identity_conflict"]
        duplicates = [each for each in of_spindle if each.status == "duplicate"]
        assert (len(taken), len(duplicates) + len(conflicts)) == (1, 2), of_spindle
    after = await assert_whole(database, database_url)
    assert after.facts + after.readings == 3 + 4 * 2 + 4 * 2 + 2


async def test_a_reading_taken_between_two_looks_at_its_counter_is_not_taken_twice(
    database: Database, database_url: str
) -> None:
    """The first call finds that its reading needs thought; before it thinks, the second has stored a plain one."""
    key = await load_running(database, ["S1"])
    await load(database, key, rebuild("S1"))
    await in_bulk(database, key, {"S1": 118_230}, time=AFTER)
    hold = Hold(SUBJECT.format("spindles", "S1"))
    async with holding(database_url, hold) as holder:
        crossing = asyncio.create_task(in_bulk(database, key, {"S1": 118_700}))
        await holder.blocked(crossing)
        plain = asyncio.create_task(in_bulk(database, key, {"S1": 118_300}))
        await holder.blocked(crossing, plain)
        await holder.release(hold)
        async with asyncio.timeout(PATIENCE_S):
            answers = [*await crossing, *await plain]
    await assert_whole(database, database_url)
    assert sorted(each.status for each in answers) == ["accepted", "refused"]


NEW_SUBJECT: Final = "INSERT INTO ledger.subject (kind, key, log, head) VALUES ('spindles', 'S9', 0, '')"
IN_FRONT_OF_THE_FIRST: Final = {
    "the new subject, which goes": Hold(NEW_SUBJECT),
    "the sheet's lock": IN_FRONT_OF["the sheet's lock"],
    "the new state": Hold("LOCK TABLE derived.spindle IN SHARE MODE"),
    "the place": Hold("LOCK TABLE derived.place IN SHARE MODE"),
    "the log": IN_FRONT_OF["the log"],
}


@pytest.mark.parametrize("point", IN_FRONT_OF_THE_FIRST)
async def test_of_two_writers_who_begin_one_spindle_or_take_one_place_one_is_accepted(
    point: str, database: Database, database_url: str
) -> None:
    key = await load_running(database, ["S1"])
    begun = commissioned("S9")
    rivals = [begun | {"id": "begun by another"}, commissioned("S10")]
    rivals[1]["data"] = begun["data"]
    hold = IN_FRONT_OF_THE_FIRST[point]
    async with holding(database_url, hold) as holder:
        first = asyncio.create_task(outcome(record(database, read(begun), key)))
        await holder.blocked(first)
        behind = [asyncio.create_task(outcome(record(database, read(sent), key))) for sent in (begun, *rivals)]
        await holder.blocked(first, *behind[:2])
        await holder.release(hold)
        answers = await asyncio.gather(first, *behind)
    told = [each.status if isinstance(each, Receipt) else each.code for each in answers]
    assert told.count("accepted") == 1
    assert set(told) <= {"accepted", "duplicate", "spindle_already_commissioned", "place_taken"}
    assert (await assert_whole(database, database_url)).facts == 3 + 2 + 1


@pytest.mark.parametrize("point", ["the notices", "the log"])
async def test_a_gauge_that_becomes_known_while_a_measurement_by_it_is_held_reaches_that_measurement(
    point: str, database: Database, database_url: str
) -> None:
    key = await load_running(database, ["S1"])
    await load(database, key, rebuild("S1"))
    hold, by_unknown = IN_FRONT_OF[point], mine("by an unknown gauge")
    by_unknown["data"]["gauge"] = "DG-09"
    named = [sent | {"subject": "gauges/DG-09", "id": f"{sent['id']} DG-09"} for sent in references()[1:]]
    async with holding(database_url, hold) as holder:
        judged = asyncio.create_task(record(database, read(by_unknown), key))
        await holder.blocked(judged)
        known = asyncio.create_task(load(database, key, named))
        await holder.blocked(judged)
        await asyncio.sleep(0.2)
        await holder.release(hold)
        async with asyncio.timeout(PATIENCE_S):
            receipt = await judged
            await known
    assert receipt.verdict is not None
    assert receipt.verdict["reasons"] == ("gauge_unknown",)
    await assert_whole(database, database_url)


async def test_two_spindles_that_change_places_at_once_are_answered_and_not_ended(
    database: Database, database_url: str
) -> None:
    """Each would take the place that the other leaves. Alone each is told that it is taken, and so are all at once."""
    key = await load_running(database, ["S1", "S2"])
    moves = [
        event(
            "spindle.installed",
            f"spindles/{spindle}",
            AFTER,
            {"plant": "skerrow", "hall": "2", "machine": f"M-{other}", "position": "1"},
            name=f"{spindle} {attempt}",
        )
        for attempt in range(30)
        for spindle, other in (("S1", "S2"), ("S2", "S1"))
    ]
    told = await asyncio.gather(*(outcome(record(database, read(sent), key)) for sent in moves))
    assert [each.code for each in told if isinstance(each, Refusal)] == ["place_taken"] * len(moves)
    await assert_whole(database, database_url)
