"""Server-sent events: everything once, in order, whoever is cut off when; nobody holds a connection or anybody up."""

import asyncio
from datetime import timedelta
from typing import Any, Final

import asyncpg
import pytest

from service.listening import Pace
from tests.api.test_feed import EACH, WRITERS, everything, load_two_plants, pages, places, prepare, write
from tests.hearing import Hearing, hearing
from tests.running import Json, Running, running
from tests.story.day_one import ENDED, SPINDLE, counter_read, event, story

PATH: Final = "/v1/events"
QUICK: Final = Pace(look_s=0.02, heartbeat_s=0.1)
HELD: Final = """
    WITH place AS (
        UPDATE ledger.log SET position = position + 1, recorded = clock_timestamp()
        FROM ledger.subject WHERE subject.key = $1 AND subject.log = log.log
        RETURNING log.log, position, recorded, subject
    )
    INSERT INTO ledger.reading
    SELECT position, 99, now(), recorded, 118200, subject, 1, 1, log, 2, sha256('') FROM place
"""


async def test_a_stream_begins_with_everything_and_goes_on_with_what_is_recorded(database_url: str) -> None:
    async with running(database_url, pace=QUICK) as ledger:
        await prepare(ledger, [SPINDLE])
        items, _ = await pages(ledger)
        async with hearing(ledger, PATH) as one:
            assert await one.heard(len(items)) == items
            assert (one.status, one.headers["content-type"]) == (200, "text/event-stream; charset=utf-8")
            assert one.headers["cache-control"] == "private, no-cache"
            assert one.blocks[0].startswith("retry: ")
            await ledger.record(counter_read(ENDED, 118_300))
            assert (await one.heard(len(items) + 1))[-1]["data"] == {"count": 118_300}
            heard = one.events
        items, _ = await pages(ledger)
        for number, each in enumerate(heard):
            assert (await pages(ledger, each.id))[0] == items[number + 1 :], "an id is a cursor of the feed"
            async with hearing(ledger, PATH, last=each.id, after="end") as again:
                assert await again.heard(len(items) - number - 1) == items[number + 1 :]


async def test_from_the_end_only_what_comes_is_told(database_url: str) -> None:
    async with running(database_url, pace=QUICK) as ledger:
        await prepare(ledger, [SPINDLE])
        async with hearing(ledger, PATH, after="end") as one:
            await one.until(lambda: one.last_id is not None)
            await ledger.record(counter_read(ENDED, 118_300))
            assert [item["data"] for item in await one.heard(1)] == [{"count": 118_300}]
        assert (await ledger.client.get(PATH, params={"after": "end"})).json()["items"] == []


async def _listen_again_and_again(
    ledger: Running, heard: list[Json], *, each: int, until: asyncio.Event, whole: list[int]
) -> None:
    """Is cut off after every few events, and comes back with the last id; in the end it hears the `whole` number."""
    last: str | None = None
    while not until.is_set():
        async with hearing(ledger, PATH, last=last) as one:
            wait = [asyncio.create_task(one.heard(each)), asyncio.create_task(until.wait())]
            await asyncio.wait(wait, return_when=asyncio.FIRST_COMPLETED)
            for task in wait:
                task.cancel()
        heard += one.data
        last = one.last_id or last
    async with hearing(ledger, PATH, last=last) as one:
        await one.heard(whole[0] - len(heard))
    heard += one.data


async def test_cut_off_beside_writers_one_of_them_held_nothing_is_lost_or_told_twice(database_url: str) -> None:
    spindles = [f"W{number}" for number in range(WRITERS)]
    async with running(database_url, pace=QUICK) as ledger, running(database_url, pace=QUICK) as other:
        await prepare(ledger, spindles)
        held = await asyncpg.connect(database_url)
        await held.execute("BEGIN")
        await held.execute(HELD, "W0")
        over = asyncio.Event()
        whole: list[int] = []
        heard: list[list[Json]] = [[] for _ in range(6)]
        listening = [
            asyncio.create_task(
                _listen_again_and_again((ledger, other)[n % 2], mine, each=3 + 7 * n, until=over, whole=whole)
            )
            for n, mine in enumerate(heard)
        ]
        async with hearing(ledger, PATH) as throughout:
            writing = asyncio.gather(*(write((ledger, other)[n % 2], key) for n, key in enumerate(spindles)))
            await throughout.heard(60)
            await held.execute("COMMIT")
            await writing
            await held.close()
            all_of_it = await everything(ledger)
            assert sorted(places(await throughout.heard(len(all_of_it)))) == all_of_it
        whole.append(len(all_of_it))
        over.set()
        await asyncio.gather(*listening)
        assert len(all_of_it) == 3 + 2 * WRITERS + WRITERS * EACH + 1
        for mine in heard:
            assert sorted(places(mine)) == all_of_it
            for log in {log for log, _ in places(mine)}:
                of_log = [position for each, position in places(mine) if each == log]
                assert of_log == sorted(of_log)


@pytest.mark.parametrize(
    "asked",
    [
        {"types": ["gauge.calibrated", "counter.read"]},
        {"spindle": "W1"},
        {"subject": "gauges/DG-03"},
        {"plant": "elsewhere"},
        {"plant": "elsewhere", "types": "counter.read"},
    ],
)
async def test_a_stream_is_narrowed_as_the_pages_are_whether_it_reads_or_hears(database_url: str, asked: Json) -> None:
    async with running(database_url, pace=QUICK) as ledger:
        await ledger.record(story()["01"])
        async with hearing(ledger, PATH, after="end", **asked) as one, hearing(ledger, PATH, after="end") as whole:
            await one.until(lambda: one.last_id is not None)
            await whole.until(lambda: whole.last_id is not None)
            await load_two_plants(ledger)
            everything_heard = len((await pages(ledger))[0]) - 1
            await whole.heard(everything_heard)
            items, _ = await pages(ledger, **asked)
            assert await one.heard(len(items)) == items
            assert items
            async with hearing(ledger, PATH, **asked) as later:
                assert await later.heard(len(items)) == items
                assert later.last_id == (await pages(ledger, **asked))[1]


async def test_a_key_bound_to_a_plant_hears_what_it_may_read(database_url: str) -> None:
    async with running(database_url, pace=QUICK) as ledger:
        _, token = await ledger.key("read", plants=["elsewhere"])
        async with hearing(ledger, PATH, token=token) as one:
            await one.until(lambda: one.last_id is not None)
            await load_two_plants(ledger)
            items = [item for item in (await pages(ledger))[0] if item["subject"] != f"spindles/{SPINDLE}"]
            assert await one.heard(len(items)) == items
            async with hearing(ledger, PATH, token=token) as later:
                assert await later.heard(len(items)) == items
        _, writes_only = await ledger.key("events:write")
        async with hearing(ledger, PATH, token=writes_only) as refused:
            await refused.over()
            assert refused.status == 403


async def test_while_nothing_comes_there_are_signs_of_life_whose_id_reads_on(database_url: str) -> None:
    async with running(database_url, pace=Pace(look_s=0.02, heartbeat_s=0.05)) as ledger:
        await prepare(ledger, [SPINDLE])
        _, end = await pages(ledger)
        async with hearing(ledger, PATH, types="run_out.measured") as one:
            await one.until(lambda: sum(block.startswith(": here") for block in one.blocks) >= 4)
            assert (one.events, one.last_id) == ([], end)


async def test_who_does_not_keep_up_is_cut_off_and_holds_up_nobody(database_url: str) -> None:
    async with running(database_url, pace=Pace(look_s=0.02, waiting_max=10, write_s=0.3)) as ledger:
        await prepare(ledger, [SPINDLE])
        async with hearing(ledger, PATH) as slow, hearing(ledger, PATH) as quick:
            begun = len(await slow.heard(5))
            await quick.heard(5)
            slow.reads.clear()
            for number in range(40):
                await ledger.record(event("visual.checked", ENDED + timedelta(seconds=number), {"findings": "none"}))
            assert len(await quick.heard(45)) == 45
            await slow.over()
            assert not slow.closed_in_order, "what it would not take in time is not written"
            assert not quick.ended.is_set()
            heard, last = slow.data, slow.last_id
            assert begun <= len(heard) < 45
        async with hearing(ledger, PATH, last=last) as again:
            rest = await again.heard(45 - len(heard))
            assert sorted(places(heard + rest)) == await everything(ledger)


async def test_who_reads_slower_than_is_written_is_cut_off_in_order(database_url: str) -> None:
    async with running(database_url, pace=Pace(look_s=0.02, waiting_max=10, write_s=30)) as ledger:
        await prepare(ledger, [SPINDLE])
        async with hearing(ledger, PATH) as slow, hearing(ledger, PATH) as quick:
            await slow.heard(5)
            slow.reads.clear()
            for number in range(40):
                await ledger.record(event("visual.checked", ENDED + timedelta(seconds=number), {"findings": "none"}))
            await quick.heard(45)
            slow.reads.set()
            await slow.over()
            assert slow.closed_in_order
            assert len(slow.data) < 45


async def test_listeners_hold_no_connection(database_url: str) -> None:
    async with running(database_url, pace=QUICK) as ledger:
        await prepare(ledger, [SPINDLE])
        many: list[Any] = [hearing(ledger, PATH) for _ in range(60)]
        heard: list[Hearing] = [await each.__aenter__() for each in many]
        await asyncio.gather(*(one.heard(5) for one in heard))
        await ledger.record(counter_read(ENDED, 118_300))
        await asyncio.gather(*(one.heard(6) for one in heard))
        in_use, _, most = ledger.database.connections()
        assert in_use <= 1 < most
        await asyncio.gather(*(each.__aexit__(None, None, None) for each in many))


async def test_a_key_that_is_ended_hears_nothing_more(database_url: str) -> None:
    async with running(database_url, pace=QUICK) as ledger:
        await prepare(ledger, [SPINDLE])
        key, token = await ledger.key("read")
        async with hearing(ledger, PATH, token=token) as one:
            await one.heard(5)
            assert (await ledger.client.delete(f"/v1/keys/{key.key}")).status_code == 204
            await one.over()
            assert one.closed_in_order


async def test_every_stream_ends_with_the_service(database_url: str) -> None:
    async with running(database_url, pace=QUICK) as ledger:
        await prepare(ledger, [SPINDLE])
        async with hearing(ledger, PATH) as one, hearing(ledger, "/v1/spindles", view="health") as other:
            await one.heard(5)
            await other.heard(1)
            await ledger.app.state.streams.end()
            await one.over()
            await other.over()
            assert one.closed_in_order
            assert other.closed_in_order
            async with hearing(ledger, PATH) as late:
                await late.over()
                assert late.closed_in_order


async def test_a_head_has_no_stream_behind_it(database_url: str) -> None:
    async with running(database_url, pace=QUICK) as ledger:
        await prepare(ledger, [SPINDLE])
        for path, asked in ((PATH, {}), ("/v1/spindles", {"view": "health"})):
            async with hearing(ledger, path, method="HEAD", **asked) as one:
                await one.over()
                assert (one.status, one.blocks) == (200, [])
                assert one.headers["content-type"] == "text/event-stream; charset=utf-8"


@pytest.mark.parametrize("path", [PATH, "/v1/spindles"])
async def test_an_id_that_was_not_given_out_is_refused(database_url: str, path: str) -> None:
    async with running(database_url) as ledger:
        headers = {"Accept": "text/event-stream", "Last-Event-ID": "made up"}
        answer = await ledger.client.get(path, params={} if path == PATH else {"view": "health"}, headers=headers)
        assert (answer.status_code, answer.json()["code"]) == (400, "cursor_malformed")
