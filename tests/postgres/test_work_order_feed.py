"""The feed of work orders: whatever writers are open, no change comes in behind a cursor that was given out."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Final

from tests.postgres.holding import Hold, holding
from tests.running import Json, select
from tests.story.every_kind import Story
from tests.story.ordering import System, acting, system

ORDERS: Final = 6
PLANNED: Final = """
    UPDATE kept.work_order_change SET change = change + 1;
    UPDATE kept.work_order SET note = 'held', change = (SELECT change FROM kept.work_order_change)
     WHERE spindle = 'S1';
"""
"""A plan that has its number and is not committed."""


@asynccontextmanager
async def ordered(url: str) -> AsyncIterator[tuple[Story, System]]:
    """Spindles that cannot be used, each with its order."""
    async with acting(url, kept=False) as story:
        for number in range(1, ORDERS + 1):
            await story.commission(f"S{number}", machine=f"M{number}")
            await unusable(story, f"S{number}")
        yield story, await system(story.ledger)


async def unusable(story: Story, spindle: str, code: str = "cracked") -> Json:
    noted = {"component": "nose", "code": code, "unusable": True}
    return await story.tell("condition.noted", noted, of=f"spindles/{spindle}")


def spindles(orders: list[Json]) -> list[str]:
    return [each["spindle"] for each in orders]


async def test_a_writer_that_is_held_open_holds_up_those_behind_it_and_no_reader(database_url: str) -> None:
    hold = Hold(PLANNED, commits=True)
    async with ordered(database_url) as (story, one):
        assert len(await one.changes()) == ORDERS
        async with holding(database_url, hold) as holder:
            writing = asyncio.create_task(unusable(story, "S2", "bent"))
            await holder.blocked(writing)
            assert await one.changes() == [], "what is not committed is not there, and nothing beyond it"
            patched = [each for each in await one.listed() if each["spindle"] == "S3"]
            planning = asyncio.create_task(one.plan(patched[0]["id"], number="A-1"))
            await holder.blocked(writing, planning)
            assert await one.changes() == []
            await holder.release(hold)
            await asyncio.gather(writing, planning)
        found = await one.changes()
        assert spindles(found)[0] == "S1"
        assert sorted(spindles(found)) == ["S1", "S2", "S3"]
        assert found[0]["planning"]["note"] == "held"


async def test_a_number_that_was_taken_in_vain_is_taken_again(database_url: str) -> None:
    hold = Hold(PLANNED)
    async with ordered(database_url) as (story, one):
        await one.changes()
        async with holding(database_url, hold) as holder:
            writing = asyncio.create_task(unusable(story, "S2", "bent"))
            await holder.blocked(writing)
            await holder.release(hold)
            await writing
        assert spindles(await one.changes()) == ["S2"]
        (last,) = await select(database_url, "SELECT change FROM kept.work_order_change")
        (told,) = await select(database_url, "SELECT max(change) AS change FROM kept.work_order")
        assert last["change"] == told["change"] == ORDERS + 1


async def test_a_fact_waits_for_a_plan_of_its_order_and_both_are_there(database_url: str) -> None:
    hold = Hold(
        "UPDATE kept.work_order SET number = 'A-1', planned_state = 'running' WHERE spindle = 'S1'", commits=True
    )
    async with ordered(database_url) as (story, one):
        await one.changes()
        async with holding(database_url, hold) as holder:
            resolved = {"component": "nose", "code": "cracked", "done": "new nose"}
            writing = asyncio.create_task(story.tell("condition.resolved", resolved, of="spindles/S1"))
            await holder.blocked(writing)
            await holder.release(hold)
            await writing
        (done,) = await one.changes()
        assert (done["state"], done["planning"]["state"], done["planning"]["number"]) == ("completed", "running", "A-1")


async def test_a_reader_that_tails_many_writers_ends_with_what_is_there(database_url: str) -> None:
    async with ordered(database_url) as (story, one):
        names = [each["id"] for each in await one.changes()]
        known: dict[str, Json] = {}
        writers = [await system(story.ledger) for _ in range(4)]

        async def write(writer: System, number: int) -> None:
            for turn in range(10):
                order = names[(turn + number) % len(names)]
                while True:
                    await writer.read(order)
                    answer = await writer.patch(order, {"number": f"{number}-{turn}"})
                    if answer.status_code == 200:
                        break
                    assert answer.status_code == 412, answer.text

        async def tail() -> None:
            while not writing.done():
                known.update({each["id"]: each for each in await one.changes(limit=3)})

        writing = asyncio.gather(*(write(writer, number) for number, writer in enumerate(writers)))
        reading = asyncio.create_task(tail())
        await asyncio.gather(writing, reading)
        while found := await one.changes(limit=3):
            known.update({each["id"]: each for each in found})
        assert known == {each["id"]: each for each in await one.listed()}
        notices = await story.ledger.notices("work_order.changed")
        assert len(notices) == ORDERS + 4 * 10


async def test_filters_move_the_cursor_and_lose_nothing_of_what_they_want(database_url: str) -> None:
    async with ordered(database_url) as (story, one):
        wanted = [each async for each in _pages(one, machine="M4", limit=1)]
        assert spindles(wanted) == ["S4"]
        await unusable(story, "S1", "bent")
        assert await one.changes(machine="M4") == []
        await unusable(story, "S4", "bent")
        assert spindles(await one.changes(machine="M4")) == ["S4"]


async def _pages(one: System, **wanted: object) -> AsyncIterator[Json]:
    while found := await one.changes(**wanted):
        for each in found:
            yield each
