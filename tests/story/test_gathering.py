"""Small calls gathered: one commit for many callers, and what one of them meets is its own."""

import asyncio
from datetime import datetime, timedelta

import httpx
import pytest

from service.gather import SMALL, Gathering
from service.postgres import Statement
from service.reading_names import snapshot
from tests.postgres.holding import Hold, holding
from tests.running import Running, assert_dense, running, select
from tests.story.day_one import ENDED
from tests.story.test_bulk_counters import commission, counts, entries

COMMITS = "SELECT count(DISTINCT xmin::text) AS n FROM ledger.reading"


async def send(ledger: Running, key: str, at: datetime, count: int, **headers: str) -> httpx.Response:
    body = {"source": "/mes", "time": at.isoformat(), "readings": {key: count}}
    return await ledger.client.post("/v1/counter-readings", json=body, headers=headers)


async def commits(ledger: Running) -> int:
    """How many transactions wrote the plain readings there are."""
    found: int = (await select(ledger.url, COMMITS))[0]["n"]
    return found


async def test_callers_who_come_together_are_recorded_together(database_url: str) -> None:
    keys = [f"K{n}" for n in range(40)]
    async with running(database_url) as ledger:
        await commission(ledger, keys)
        answers = await asyncio.gather(*(send(ledger, key, ENDED, 118_300 + n) for n, key in enumerate(keys)))
        assert [counts(each.json()) for each in answers] == [{"accepted": 1}] * 40
        assert (await entries(ledger))[1] == 40
        assert await commits(ledger) <= 5
        assert [(await ledger.spindle(key))["count"] for key in keys] == [118_300 + n for n in range(40)]
        await assert_dense(database_url)
        assert (await ledger.verified()).faults == []


async def test_who_comes_alone_does_not_wait(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger, ["A"])
        for n in range(5):
            assert counts((await send(ledger, "A", ENDED + timedelta(minutes=n), 118_300 + n)).json()) == {
                "accepted": 1
            }
        assert await commits(ledger) == 5


async def test_what_one_meets_is_told_to_it_alone(database_url: str) -> None:
    """Refused, late, duplicate, conflicting, in need of thought, of another plant: all in one go, by two keys."""
    async with running(database_url) as ledger:
        await commission(ledger, ["A", "B", "C", "D", "E", "F", "G"])
        _, token = await ledger.key("counters:write", plants=["elsewhere"])
        _, other = await ledger.key("counters:write")
        await ledger.read_counters(ENDED, {"B": 118_300, "C": 118_300, "D": 118_300}, source="/mes")
        minute = ENDED + timedelta(minutes=1)
        answers = await asyncio.gather(
            send(ledger, "A", ENDED, 118_300),
            send(ledger, "NOBODY", ENDED, 1),
            send(ledger, "B", ENDED, 118_300),
            send(ledger, "C", ENDED, 118_301),
            send(ledger, "D", ENDED - timedelta(minutes=1), 118_299),
            send(ledger, "E", ENDED, 100),
            send(ledger, "F", ENDED + timedelta(days=30), 118_400),
            send(ledger, "G", ENDED, 118_300, Authorization=f"Bearer {token}"),
            send(ledger, "G", minute, 118_301, Authorization=f"Bearer {other}"),
            send(ledger, "A", minute, 118_301),
            send(ledger, "A", minute, 118_301),
            send(ledger, "A", minute, 118_302),
        )
        told = [next(iter(counts(each.json()))) if each.status_code == 200 else each.json()["code"] for each in answers]
        assert told == [
            *("accepted", "refused", "duplicate", "refused", "late", "accepted", "time_in_future", "refused"),
            *("accepted", "accepted", "duplicate", "refused"),
        ]
        codes = {
            each["key"]: each["problem"]["code"]
            for answer in answers
            for each in answer.json().get("items", ())
            if "problem" in each
        }
        assert codes == {
            "NOBODY": "spindle_unknown",
            "C": "identity_conflict",
            "G": "spindle_unknown",
            "A": "identity_conflict",
        }
        assert [each["code"] for each in (await ledger.spindle("E"))["reasons"]][-1] == "counter_backward"
        keys = await select(
            database_url,
            "SELECT subject.key AS spindle, count(DISTINCT reading.key) AS n, min(name) AS name FROM ledger.reading "
            "JOIN ledger.subject USING (subject) JOIN kept.key ON key.key = reading.key "
            "WHERE subject.key IN ('A', 'G') GROUP BY subject.key ORDER BY 1",
        )
        assert [(row["spindle"], row["n"], row["name"]) for row in keys] == [("A", 1, "bootstrap"), ("G", 1, "a test")]
        await assert_dense(database_url)


async def test_nobody_waits_for_what_another_writer_holds(database_url: str) -> None:
    keys = [f"K{n}" for n in range(10)]
    hold = Hold("SELECT FROM ledger.subject WHERE kind = 'spindles' AND key = 'K3' FOR UPDATE")
    async with running(database_url) as ledger:
        await commission(ledger, keys)
        async with holding(database_url, hold) as holder:
            calls = {key: asyncio.create_task(send(ledger, key, ENDED, 118_300)) for key in keys}
            held = calls.pop("K3")
            async with asyncio.timeout(10):
                answers = await asyncio.gather(*calls.values())
            assert [counts(each.json()) for each in answers] == [{"accepted": 1}] * 9
            assert not held.done()
            await holder.release(hold)
            assert counts((await held).json()) == {"accepted": 1}
        await assert_dense(database_url)


async def test_who_goes_away_takes_nobody_along(database_url: str) -> None:
    keys = [f"K{n}" for n in range(8)]
    logs = Hold("SELECT FROM ledger.log ORDER BY log FOR UPDATE")
    async with running(database_url) as ledger:
        await commission(ledger, keys)
        gathering: Gathering = ledger.app.state.gathering
        writer, _ = await ledger.key("counters:write")
        one = {key: snapshot("/mes", ENDED, [(key, 118_300)], writer) for key in keys}
        async with holding(database_url, logs) as holder:
            calls = [asyncio.create_task(gathering.count(one[key])) for key in keys]
            await holder.blocked(*calls[:1])
            calls[2].cancel()
            await asyncio.sleep(0.05)
            calls[0].cancel()
            await holder.release(logs)
            answers = await asyncio.gather(*calls, return_exceptions=True)
        kept = [n for n, answer in enumerate(answers) if answer == ["accepted"]]
        assert kept == [1, 3, 4, 5, 6, 7]
        await assert_dense(database_url)


async def test_a_failure_of_one_is_not_its_neighbours(database_url: str) -> None:
    """A trigger of the test's own fails whatever touches one spindle: the transaction that held it fails whole."""
    keys = [f"K{n}" for n in range(12)]
    async with running(database_url) as ledger:
        await commission(ledger, keys)
        subject = (await select(database_url, "SELECT subject FROM derived.spindle WHERE key = 'K5'"))[0]["subject"]
        for sql in (
            "CREATE FUNCTION fail() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE 'no'; END $$",
            f"CREATE TRIGGER failing BEFORE UPDATE ON derived.counter FOR EACH ROW WHEN (old.subject = {subject}) "
            "EXECUTE FUNCTION fail()",
        ):
            await select(database_url, sql)
        answers = await asyncio.gather(*(send(ledger, key, ENDED, 118_300) for key in keys))
        assert [each.status_code for each in answers] == [200] * 5 + [500] + [200] * 6
        assert (await entries(ledger))[1] == 11
        await assert_dense(database_url)


async def test_a_large_call_goes_by_itself(database_url: str) -> None:
    keys = [f"K{n}" for n in range(SMALL + 1)]
    async with running(database_url) as ledger:
        await commission(ledger, keys)
        sent = dict.fromkeys(keys, 118_300)
        answers = await asyncio.gather(ledger.read_counters(ENDED, sent), send(ledger, "NOBODY", ENDED, 1))
        assert counts(answers[0]) == {"accepted": SMALL + 1}


@pytest.mark.parametrize("times", [1, 2])
async def test_many_callers_with_many_readings_lose_none_and_count_none_twice(database_url: str, times: int) -> None:
    keys = [f"K{n}" for n in range(6)]
    async with running(database_url) as first, running(database_url) as second:
        await commission(first, keys)
        sent = [(key, ENDED + timedelta(minutes=n), 118_201 + n) for n in range(20) for key in keys]
        ledgers = (first, second)
        answers = await asyncio.gather(*(send(ledgers[place % 2], *each) for place, each in enumerate(sent * times)))
        told = [next(iter(counts(each.json()))) for each in answers]
        assert set(told) <= {"accepted", "late", "duplicate"}
        assert told.count("duplicate") == len(sent) * (times - 1)
        assert [(await first.spindle(key))["count"] for key in keys] == [118_220] * 6
        assert (await entries(first))[1] + (await entries(first))[0] == len(sent) + 3 + 2 * len(keys)
        await assert_dense(database_url)
        assert (await first.verified()).faults == []
        async with first.database.transaction() as tx:
            assert await tx.value(Statement("strays", "SELECT count(*) FROM ledger.reading_default")) == 0
