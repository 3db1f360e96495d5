"""The outbox: a notice is written once and fans out once, a claim is a lease, an attempt is always noted."""

import asyncio
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from service import deliveries, endpoints, outbox
from service.deliveries import Delivery
from service.domain.notice import Notice, notice_id, webhook_body
from service.endpoints import Endpoint, NoticeTypeUnknown, Wanted
from service.outbox import Attempt, Claim
from service.postgres import Database, Statement
from tests.sealed import SEAL

URL = "https://receiver.example/hook"
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
_HOLD = Statement("hold", "SELECT endpoint FROM kept.endpoint WHERE endpoint = :endpoint FOR NO KEY UPDATE")


def due(number: int = 1, notice_type: str = "recheck.due", plant: str | None = "skerrow") -> Notice:
    return Notice(
        id=notice_id(notice_type, "epi_x", number),
        type=notice_type,
        subject="spindles/H2-M04-S1",
        spindle="H2-M04-S1",
        plant=plant,
        time=NOON,
        data={"number": number},
    )


async def add(database: Database, **wanted: Any) -> Endpoint:
    async with database.transaction() as tx:
        added, _ = await endpoints.add(tx, SEAL, url=URL, wanted=Wanted(**wanted))
        return added


async def put(database: Database, *notices: Notice) -> int:
    async with database.transaction() as tx:
        return await outbox.put(tx, notices)


async def claim(database: Database, *, lease_s: float = 60, limit: int = 100) -> list[Claim]:
    async with database.transaction() as tx:
        return await outbox.claim(tx, SEAL, limit=limit, lease_until=tx.now + timedelta(seconds=lease_s))


def attempt(of: Claim, state: outbox.State, **changes: Any) -> Attempt:
    values: dict[str, Any] = {
        "claim": of,
        "started": NOON,
        "duration_ms": 12,
        "status": 200 if state == "delivered" else 500,
        "answer": "",
        "error": None,
        "state": state,
        "next_attempt": None,
    }
    return Attempt(**{**values, **changes})


async def note(database: Database, *attempts: Attempt) -> None:
    async with database.transaction() as tx:
        await outbox.note_attempts(tx, attempts)


async def listed(database: Database, endpoint: Endpoint, **page: Any) -> list[Delivery]:
    async with database.transaction() as tx:
        return (await deliveries.deliveries(tx, endpoint=endpoint.id, **page))[0]


def ids(found: Sequence[Claim]) -> list[str]:
    return [each.id for each in found]


async def test_a_notice_put_twice_is_there_once_and_waits_once(database: Database) -> None:
    endpoint = await add(database)
    assert await put(database, due(1), due(2), due(1)) == 2
    assert await put(database, due(2), due(3)) == 1
    assert ids(await claim(database)) == [due(1).id, due(2).id, due(3).id]
    assert [each.notice for each in await listed(database, endpoint)] == [due(3).id, due(2).id, due(1).id]


async def test_two_writers_at_once_put_one_notice(database: Database) -> None:
    await add(database)
    async with database.transaction() as first:
        assert await outbox.put(first, [due()]) == 1
        second = asyncio.create_task(put(database, due()))
        done, _ = await asyncio.wait({second}, timeout=0.3)
        assert not done, "the second writer did not wait for the first"
    assert await second == 0
    assert len(await claim(database)) == 1


async def test_nothing_is_told_of_a_transaction_that_fails(database: Database) -> None:
    await add(database)

    async def fail_after_putting() -> None:
        async with database.transaction() as tx:
            await outbox.put(tx, [due()])
            raise LookupError

    with pytest.raises(LookupError):
        await fail_after_putting()
    assert await claim(database) == []
    assert await put(database, due()) == 1


async def test_an_endpoint_is_told_of_its_types_and_plants_and_of_nothing_before_it(database: Database) -> None:
    await put(database, due(1))
    every = await add(database)
    overdue = await add(database, types=("recheck.overdue", "gauge.suspect"))
    bound = await add(database, plants=("elsewhere", "skerrow"))
    await put(
        database,
        due(2),
        due(3, "recheck.overdue"),
        due(4, "gauge.suspect", plant=None),
        due(5, plant="third"),
    )
    told = {
        endpoint.id: sorted(each.notice for each in await listed(database, endpoint))
        for endpoint in (every, overdue, bound)
    }
    two, three, four, five = (
        due(2).id,
        due(3, "recheck.overdue").id,
        due(4, "gauge.suspect").id,
        due(5).id,
    )
    assert told == {
        every.id: sorted([two, three, four, five]),
        overdue.id: sorted([three, four]),
        bound.id: sorted([two, three]),
    }


async def test_the_body_claimed_is_the_body_kept_to_the_byte(database: Database) -> None:
    await add(database)
    odd = Notice(id="ntc_a", type="recheck.due", subject="s", time=NOON, data={"b": 'µ\0 "', "a": [1.0, 1], "n": None})
    await put(database, odd)
    (claimed,) = await claim(database)
    assert claimed.body == webhook_body(odd)
    ((scheme, secret),) = claimed.route.signing
    assert (scheme, len(secret)) == ("v1", endpoints.SECRET_BYTES)


async def test_types_nobody_knows_are_named(database: Database) -> None:
    with pytest.raises(NoticeTypeUnknown) as refused:
        await add(database, types=("recheck.due", "recheck.dew"))
    assert [fault.pointer for fault in refused.value.faults] == ["/types/1"]
    with pytest.raises(NoticeTypeUnknown):
        await add(database, types=())


async def test_two_dispatchers_share_and_neither_waits_nor_takes_twice(database: Database) -> None:
    one_endpoint, other_endpoint = await add(database), await add(database)
    await put(database, *(due(number) for number in range(3)))
    async with database.transaction() as first, database.transaction() as second:
        until = first.now + timedelta(minutes=1)
        await first.rows(_HOLD, endpoint=one_endpoint.id)
        async with asyncio.timeout(2):
            two = await outbox.claim(second, SEAL, limit=10, lease_until=until)
        one = await outbox.claim(first, SEAL, limit=10, lease_until=until)
    assert {each.endpoint for each in one} == {one_endpoint.id}
    assert {each.endpoint for each in two} == {other_endpoint.id}
    assert (len(one), len(two)) == (3, 3)
    assert await claim(database) == []


async def test_a_lease_that_ran_out_comes_free_by_itself(database: Database) -> None:
    await add(database)
    await put(database, due())
    (first,) = await claim(database, lease_s=60)
    assert await claim(database) == []
    database.clock_shift = timedelta(seconds=61)
    (second,) = await claim(database)
    assert second.id == first.id


async def test_one_endpoint_gets_no_more_than_its_share_and_the_longest_due_comes_first(database: Database) -> None:
    slow = await add(database, concurrency=5)
    await put(database, *(due(number) for number in range(20)))
    other = await add(database)
    in_hand = await claim(database, limit=2)
    await put(database, due(30), due(31))
    found = await claim(database, limit=10)
    assert [each.endpoint for each in in_hand] == [slow.id] * 2
    assert ids([each for each in found if each.endpoint == slow.id]) == [due(number).id for number in range(2, 5)]
    assert [each.endpoint for each in found].count(other.id) == 2


async def test_attempts_are_listed_with_what_followed(database: Database) -> None:
    endpoint = await add(database)
    await put(database, due())
    (first,) = await claim(database)
    later = NOON + timedelta(days=3650)
    await note(database, attempt(first, "waiting", next_attempt=later, answer="no", error=None))
    (waiting,) = await listed(database, endpoint)
    assert (waiting.state, waiting.next_attempt, waiting.ended) == ("waiting", later, None)
    assert await claim(database) == []
    database.clock_shift = timedelta(days=3651)
    (second,) = await claim(database)
    assert second.attempts == 1
    await note(database, attempt(second, "delivered", answer="yes"))
    (done,) = await listed(database, endpoint)
    assert (done.state, done.next_attempt) == ("delivered", None)
    assert [(made.number, made.status, made.answer, made.duration_ms) for made in done.attempts] == [
        (1, 500, "no", 12),
        (2, 200, "yes", 12),
    ]
    database.clock_shift = timedelta(days=9000)
    assert await claim(database) == []


async def test_a_late_failure_plans_nothing_and_a_late_success_ends_it(database: Database) -> None:
    endpoint = await add(database)
    await put(database, due(1), due(2))
    early = await claim(database, lease_s=1)
    database.clock_shift = timedelta(seconds=2)
    taken_over = await claim(database)
    await note(database, attempt(early[0], "failed"), attempt(early[1], "delivered"))
    second, first = await listed(database, endpoint)
    assert (first.state, len(first.attempts)) == ("waiting", 1)
    assert (second.state, len(second.attempts)) == ("delivered", 1)
    await note(database, attempt(taken_over[0], "delivered"), attempt(taken_over[1], "failed"))
    second, first = await listed(database, endpoint)
    assert [(each.state, len(each.attempts)) for each in (first, second)] == [("delivered", 2), ("delivered", 2)]


async def test_what_waits_for_a_disabled_endpoint_is_kept_and_the_others_are_told_once(database: Database) -> None:
    gone, other = await add(database), await add(database, types=("endpoint.disabled",))
    await put(database, due(1), due(2))
    first, second = await claim(database)
    await note(
        database,
        attempt(first, "failed", status=410, disable="it answered 410 Gone"),
        attempt(second, "failed", status=410, disable="it answered 410 Gone"),
    )
    await put(database, due(3))
    (announced,) = await claim(database)
    assert announced.endpoint == other.id
    async with database.transaction() as tx:
        kept = await endpoints.read(tx, gone.id)
    assert kept is not None
    assert kept.disabled is not None
    assert kept.disabled_reason == "it answered 410 Gone"
    assert [each.state for each in await listed(database, gone)] == ["waiting", "failed", "failed"]


async def test_a_deleted_endpoint_loses_its_secret_and_what_waited(database: Database) -> None:
    endpoint = await add(database)
    await put(database, due(1), due(2))
    (in_flight,) = await claim(database, limit=1)
    async with database.transaction() as tx:
        assert await endpoints.delete(tx, endpoint.id)
        await outbox.drop(tx, endpoint.id)
        assert not await endpoints.delete(tx, endpoint.id)
        assert await endpoints.read(tx, endpoint.id) is None
        assert await endpoints.listed(tx, limit=10) == []
        assert await tx.value(Statement("secret", "SELECT count(*) FROM kept.signing")) == 0
    await note(database, attempt(in_flight, "waiting", next_attempt=NOON))
    await put(database, due(3))
    assert await claim(database) == []
    assert [each.state for each in await listed(database, endpoint)] == ["dropped", "dropped"]


async def test_a_ping_goes_to_one_endpoint_whatever_it_subscribes_to(database: Database) -> None:
    wanted, _other = await add(database, types=("recheck.due",)), await add(database)
    async with database.transaction() as tx:
        notice = await outbox.ping(tx, wanted.id)
    (claimed,) = await claim(database)
    assert (claimed.endpoint, claimed.id) == (wanted.id, notice)


async def test_lists_go_on_where_they_stopped(database: Database) -> None:
    added = [await add(database) for _ in range(5)]
    bound = await add(database, plants=("skerrow",))
    await put(database, *(due(number) for number in range(5)))
    async with database.transaction() as tx:
        first = await endpoints.listed(tx, limit=3)
        rest = await endpoints.listed(tx, limit=10, after=first[-1].id)
        within = await endpoints.listed(tx, limit=10, plants=["skerrow", "elsewhere"])
    assert [each.id for each in (*first, *rest)] == [each.id for each in (*added, bound)]
    assert [each.id for each in within] == [bound.id]
    async with database.transaction() as tx:
        newest, cursor = await deliveries.deliveries(tx, endpoint=added[0].id, limit=2)
        older, end = await deliveries.deliveries(tx, endpoint=added[0].id, limit=3, cursor=cursor)
    assert [each.notice for each in (*newest, *older)] == [due(number).id for number in (4, 3, 2, 1, 0)]
    assert (len(newest), end) == (2, None)
