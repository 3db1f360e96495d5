"""Changes of health as rows: numbered without gaps, whoever writes, and made for what was stored before them."""

import asyncio
from datetime import timedelta
from typing import Any, Final

import asyncpg
import pytest

from service import changes
from service.changes import ChangeCursorMalformed, cursor_text, read_cursor
from service.migrate import migrate
from tests.api.test_board import listed, prepare
from tests.running import running, select
from tests.story.day_one import ENDED, event, rebuild, story

BEFORE: Final = """
    DROP TABLE derived.set_mark;
    DROP AGGREGATE ledger.chained(bytea, bytea);
    DROP FUNCTION ledger.next_hash;
    DROP FUNCTION ledger.reading_tail;
    ALTER TABLE derived.counter DROP COLUMN usual_pause, DROP COLUMN silent;
    DROP TABLE derived.change;
    ALTER TABLE derived.spindle DROP COLUMN log, DROP COLUMN reasons, DROP COLUMN changed, DROP COLUMN moved;
    UPDATE derived.spindle SET fold = fold - 1;
    UPDATE public.alembic_version SET version_num = $before$
"""


async def _without_this_revision(url: str) -> None:
    """The database as the revision before left it: what came since is taken away, to be done again."""
    connection = await asyncpg.connect(url)
    await connection.execute(BEFORE.replace("$before$", "'0007'"))
    await connection.close()


async def test_what_was_stored_before_is_listed_and_told_rightly_after_the_next_sweep(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        await prepare(ledger, "A", "B")
        broken = {"component": "draw_bar", "code": "cracked", "unusable": True}
        await ledger.record(event("condition.noted", ENDED, broken, key="A"))
        await ledger.record(event("spindle.removed", ENDED, {"to": "store"}, key="B"))
        await ledger.sweep()
        right = await listed(ledger, view="health")
        counted = (await ledger.client.get("/v1/overview")).json()
    await _without_this_revision(database_url)
    await asyncio.to_thread(migrate, database_url)
    async with running(database_url) as ledger:
        assert await ledger.sweep() == 3
        assert await listed(ledger, view="health") == right
        assert await listed(ledger, view="health", health="failure") == [item for item in right if item["key"] == "A"]
        assert (await ledger.client.get("/v1/overview")).json() == counted
        async with ledger.database.transaction(snapshot=True) as tx:
            found = await changes.read_on(tx, {}, limit=100)
        assert sorted((each.shown for each in found.items), key=lambda each: each.key) == [
            changes.SpindleHealth(**item) for item in right
        ]
        assert await ledger.sweep() == 0


async def test_a_reader_page_by_page_beside_writers_misses_no_change(database_url: str) -> None:
    keys = [f"K-{number:02}" for number in range(20)]
    async with running(database_url) as ledger, running(database_url) as other:
        await prepare(ledger, *keys)

        async def write(number: int, key: str) -> None:
            through = (ledger, other)[number % 2]
            for step in rebuild(ENDED + timedelta(minutes=number), 118_100, key=key):
                await through.record(step)

        writing: Any = asyncio.gather(*(write(number, key) for number, key in enumerate(keys)))
        cursor: changes.Cursor = {}
        known: dict[str, str | None] = {}
        last = False
        while True:
            async with ledger.database.transaction(snapshot=True) as tx:
                found = await changes.read_on(tx, cursor, limit=3)
            assert len(found.items) <= 3
            assert all(each.number > cursor.get(each.log, 0) for each in found.items)
            known |= {each.key: each.health for each in found.items}
            cursor = found.cursor
            if last and found.at_end:
                break
            last = writing.done()
            await asyncio.sleep(0)
        await writing
        assert known == {item["key"]: item["health"] for item in await listed(ledger, view="health")}
        numbers = await select(database_url, "SELECT log, changed FROM derived.spindle")
        assert len({(row["log"], row["changed"]) for row in numbers}) == len(keys)


def test_a_cursor_is_read_as_it_was_written_and_no_other_is() -> None:
    cursor = {0: 1, 7: 1_764_000_000_000_000, 15: 2**62}
    text = cursor_text(cursor)
    assert read_cursor(text) == cursor
    assert read_cursor(cursor_text({})) == {}
    for wrong in ("", text[:-1], text + "A", text.swapcase(), "é", "=" * 8, text[4:]):
        with pytest.raises(ChangeCursorMalformed):
            read_cursor(wrong)
