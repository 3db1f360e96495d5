"""What is derived can be thrown away: after any story a rebuild changes nothing, and from nothing it makes the same."""

import asyncio
import json
import os
import subprocess
import sys
from collections.abc import Awaitable, Callable
from datetime import timedelta
from typing import Final

import asyncpg
import pytest

from service.rebuild import Looked, SubjectNotThere, rebuild
from tests.running import Json, Running, running, select
from tests.story.day_one import ENDED, SPINDLE, counter_read, event, measured, story
from tests.story.day_one import rebuild as rebuilt

DERIVED: Final = ("spindle", "counter", "place", "recheck", "measurement", "fitted_lot", "torque", "work_order")
NOT_DERIVABLE: Final = {
    "told_health",
    "untold",
    "settlements",
    "heard_at",
    "settled_at",
    "next_look",
    "changed",
    "moved",
    "usual_pause",
}


async def looked(ledger: Running, *, write: bool = False, after: str | None = None) -> list[Looked]:
    return [each async for each in rebuild(ledger.database, write=write, after=after)]


async def derived(url: str) -> dict[str, list[Json]]:
    """Every derived row, without what was told and heard, and when it was last looked at."""
    tables = {}
    for table in DERIVED:
        rows = await select(url, f"SELECT row_to_json(told)::text AS row FROM derived.{table} AS told")
        dropped = [{k: v for k, v in json.loads(row["row"]).items() if k not in NOT_DERIVABLE} for row in rows]
        tables[table] = sorted(dropped, key=lambda row: json.dumps(row, sort_keys=True))
    return tables


async def day_one(ledger: Running) -> None:
    await ledger.record_all(story().values())


async def late_facts(ledger: Running) -> None:
    """Day one arrives in another order, with plain readings of the counter before its middle is known."""
    told = story()
    await ledger.record_all([told[number] for number in ("01", "02", "03", "04", "13", "12")])
    await in_bulk(ledger)
    await ledger.record_all([told[number] for number in ("05", "11", "07", "06", "10", "08", "09")])


async def in_bulk(ledger: Running) -> None:
    """Readings that are facts, plain, late, unmoved, backward, and one that makes the recheck due."""
    at = ENDED + timedelta(hours=1)
    readings = (
        (0, 118_300),
        (60, 118_310),
        (30, 118_305),
        (61, 118_310),
        (90, 118_100),
        (120, 118_400),
        (600, 118_720),
    )
    for seconds, count in readings:
        await ledger.read_counters(at + timedelta(seconds=seconds), {SPINDLE: count})


async def bulk_counters(ledger: Running) -> None:
    await day_one(ledger)
    await in_bulk(ledger)


async def swept(ledger: Running) -> None:
    await bulk_counters(ledger)
    async with running(ledger.url, clock_shift=timedelta(days=20)) as later:
        await later.sweep()


async def gauge_found_out(ledger: Running) -> None:
    """A withdrawn gauge takes back what it proved, and another calibration changes verdicts."""
    await bulk_counters(ledger)
    withdrawn = {"id": "gone", "type": "gauge.withdrawn", "data": {"reason": "dropped"}}
    await ledger.record(story()["02"] | withdrawn | {"time": (ENDED - timedelta(minutes=1)).isoformat()})
    await ledger.sweep()


async def moved_about(ledger: Running) -> None:
    """Two spindles that change places by way of the store; one is rebuilt twice, by lots, and one is retired."""
    await day_one(ledger)
    await ledger.record(story(key="W1")["04"])
    at = ENDED + timedelta(hours=1)
    for key in (SPINDLE, "W1"):
        await ledger.record(event("spindle.removed", at, {"to": "store"}, key=key))
    places = {key: story(key=key)["04"]["data"] for key in (SPINDLE, "W1")}
    for key, other in ((SPINDLE, "W1"), ("W1", SPINDLE)):
        where = {name: places[other][name] for name in ("plant", "hall", "machine", "position")}
        await ledger.record(event("spindle.installed", at + timedelta(hours=1), where, key=key))
    await ledger.record_all(rebuilt(at + timedelta(hours=2), 118_400))
    await ledger.record(event("spindle.retired", at + timedelta(hours=3), {}, key="W1"))


STORIES: Final = (day_one, late_facts, bulk_counters, swept, gauge_found_out, moved_about)
Story = Callable[[Running], Awaitable[None]]


@pytest.mark.parametrize("story_of", STORIES)
async def test_after_any_story_a_rebuild_finds_nothing_and_changes_nothing(database_url: str, story_of: Story) -> None:
    async with running(database_url) as ledger:
        await story_of(ledger)
        for _ in range(2):
            before, notices = await everything(database_url), await ledger.notices()
            found = await looked(ledger, write=True)
            assert [(each.differences, each.failed, each.put_right) for each in found] == [((), None, False)] * len(
                found
            )
            assert sum(each.facts for each in found) == len(
                await select(
                    database_url, "SELECT FROM ledger.entry JOIN ledger.subject USING (subject) WHERE kind = 'spindles'"
                )
            )
            assert await everything(database_url) == before
            assert await ledger.notices() == notices
            await ledger.sweep()


async def everything(url: str) -> list[str]:
    rows = []
    for table in DERIVED:
        rows += [row["row"] for row in await select(url, f"SELECT t::text AS row FROM derived.{table} AS t ORDER BY 1")]
    return rows


@pytest.mark.parametrize("story_of", STORIES)
async def test_emptied_and_made_again_it_equals_what_was(database_url: str, story_of: Story) -> None:
    async with running(database_url) as now:
        await story_of(now)
    async with running(database_url, clock_shift=timedelta(days=21)) as ledger:
        await ledger.sweep()
        before, notices = await derived(database_url), await ledger.notices()
        await select(database_url, f"TRUNCATE {', '.join(f'derived.{table}' for table in DERIVED)}, derived.to_settle")
        found = await looked(ledger)
        assert {difference.right for each in found for difference in each.differences} == {"one"}
        assert (await derived(database_url))["spindle"] == []
        found = await looked(ledger, write=True)
        assert {(each.put_right, each.failed) for each in found} == {(True, None)}
        assert await derived(database_url) == before
        assert [each.differences for each in await looked(ledger)] == [()] * len(found)
        await ledger.sweep()
        assert await ledger.notices() == notices


ALTERED: Final = {
    "a count": "UPDATE derived.counter SET count = count + 1",
    "a reading": "UPDATE derived.counter SET reading = reading + 500, read_at = read_at + interval '1 hour'",
    "from where on a reading needs thought": "UPDATE derived.counter SET plain_below = NULL",
    "that it takes readings": "UPDATE derived.counter SET takes_readings = false",
    "no counter": "DELETE FROM derived.counter",
    "a key": "UPDATE derived.spindle SET key = 'another'",
    "a plant": "UPDATE derived.spindle SET plant = 'elsewhere'",
    "a health": "UPDATE derived.spindle SET health = 'normal', clearance = 'cleared'",
    "a state": "UPDATE derived.spindle SET folded = jsonb_set(folded::jsonb, '{serial}', '\"other\"')::json",
    "a state that cannot be read": "UPDATE derived.spindle SET folded = '{\"colour\": \"red\"}'",
    "another release's state": "UPDATE derived.spindle SET fold = 0",
    "a look too late": "UPDATE derived.spindle SET next_look = '2999-01-01T00:00:00Z'",
    "no spindle": "DELETE FROM derived.spindle",
    "a place left": "UPDATE derived.place SET removed = now()",
    "no place": "DELETE FROM derived.place",
    "a place too many": """INSERT INTO derived.place
        SELECT subject, 99, plant, hall, 'M-99', position, now(), NULL FROM derived.place""",
    "a recheck satisfied": "UPDATE derived.recheck SET state = 'satisfied'",
    "a recheck of another": "UPDATE derived.recheck SET subject = 4711",
    "a recheck's words": "UPDATE derived.recheck SET body = '{}', code = 'other', anchor = 1",
    "no recheck": "DELETE FROM derived.recheck",
    "a recheck too many": """INSERT INTO derived.recheck
        SELECT 'x', subject, code, state, due_at, due_count, anchor, body FROM derived.recheck LIMIT 1""",
    "an outcome": "UPDATE derived.measurement SET outcome = 'conforming'",
    "a verdict": "UPDATE derived.measurement SET verdict = '{}', gauge = 'DG-99', kind = 'draw_force'",
    "a measurement too many": """INSERT INTO derived.measurement
        SELECT subject, 99, occurred, kind, gauge, outcome, verdict FROM derived.measurement LIMIT 1""",
    "another lot": "UPDATE derived.fitted_lot SET lot = 'L-1'",
    "rows of nobody": "INSERT INTO derived.fitted_lot VALUES (4711, 1, 'L-1')",
}  # fmt: skip


@pytest.mark.parametrize("altered", ALTERED)
async def test_what_was_altered_is_found_and_put_right(database_url: str, altered: str) -> None:
    async with running(database_url) as ledger:
        await bulk_counters(ledger)
        before = await derived(database_url)
        looks = await select(database_url, "SELECT next_look FROM derived.spindle")
        await select(database_url, ALTERED[altered])
        changed = await derived(database_url)
        found = await looked(ledger)
        assert sum(bool(each.differences) for each in found) >= 1
        assert {each.put_right for each in found} == {False}
        assert await derived(database_url) == changed
        found = await looked(ledger, write=True)
        assert {(each.put_right, each.failed) for each in found if each.differences} == {(True, None)}
        assert await derived(database_url) == before
        assert [each.differences for each in await looked(ledger)] == [()]
        again = await select(database_url, "SELECT next_look FROM derived.spindle")
        assert again == looks or looks[0]["next_look"] is not None


async def test_a_difference_is_told_by_subject_table_row_and_column(database_url: str) -> None:
    async with running(database_url) as ledger:
        await bulk_counters(ledger)
        await select(database_url, "UPDATE derived.counter SET count = 7")
        altered = (
            "UPDATE derived.measurement SET outcome = 'conforming' WHERE outcome = 'nonconforming' RETURNING sequence"
        )
        ((sequence,),) = await select(database_url, altered)
        (found,) = await looked(ledger)
        assert (found.subject, found.failed) == (f"spindles/{SPINDLE}", None)
        count, outcome = found.differences
        assert str(count) == "counter count: 7, and by the facts 118720"
        assert str(outcome) == f"measurement {sequence} outcome: conforming, and by the facts nonconforming"


async def test_what_waits_for_the_sweep_is_no_fault_and_is_settled_where_it_is_put_right(database_url: str) -> None:
    async with running(database_url) as ledger:
        await day_one(ledger)
        withdrawn = {"id": "gone", "type": "gauge.withdrawn", "data": {"reason": "dropped"}}
        await ledger.record(story()["02"] | withdrawn | {"time": (ENDED - timedelta(minutes=1)).isoformat()})
        (found,) = await looked(ledger)
        assert found.waits
        (found,) = await looked(ledger, write=True)
        assert found.put_right
        assert await select(database_url, "SELECT FROM derived.to_settle") == []
        assert await ledger.sweep() == 0
        assert [each.differences for each in await looked(ledger)] == [()]


async def test_a_run_that_was_stopped_goes_on_after_the_subject_it_named(database_url: str) -> None:
    async with running(database_url) as ledger:
        await day_one(ledger)
        for key in ("W1", "W2", "W3"):
            await ledger.record(story(key=key)["04"])
        subjects = [each.subject for each in await looked(ledger)]
        assert subjects == [f"spindles/{key}" for key in (SPINDLE, "W1", "W2", "W3")]
        assert [each.subject for each in await looked(ledger, after="spindles/W1")] == subjects[2:]
        for name in ("spindles/W9", "gauges/DG-03", "W1", ""):
            with pytest.raises(SubjectNotThere):
                await looked(ledger, after=name)


async def test_writers_beside_a_rebuild_are_not_lost(database_url: str) -> None:
    async with running(database_url) as ledger:
        await day_one(ledger)

        async def write() -> None:
            for number in range(20):
                at = ENDED + timedelta(minutes=10 + number)
                await ledger.record(counter_read(at, 118_300 + number))
                await ledger.read_counters(at + timedelta(seconds=30), {SPINDLE: 118_300 + number})

        writing = asyncio.create_task(write())
        while not writing.done():
            assert [each.differences for each in await looked(ledger, write=True)] == [()]
        await writing
        assert (await ledger.verified()).faults == []
        assert (await ledger.spindle())["count"] == 118_319


async def test_a_state_of_an_older_fold_keeps_the_newest_plain_reading_when_it_is_folded_again(
    database_url: str,
) -> None:
    async with running(database_url) as ledger:
        await bulk_counters(ledger)
        at = ENDED + timedelta(days=0, hours=3)
        assert (await ledger.read_counters(at, {SPINDLE: 118_800}))["accepted"] == 1
        assert len(await select(database_url, "SELECT FROM ledger.reading WHERE reading = 118800")) == 1
        await select(database_url, "UPDATE derived.spindle SET fold = 0")
        await ledger.record(event("visual.checked", at + timedelta(minutes=1), {"findings": "none"}))
        assert (await ledger.spindle())["count"] == 118_800


async def test_the_command_tells_and_puts_right(database_url: str) -> None:
    async with running(database_url) as ledger:
        await day_one(ledger)
        await ledger.record(measured(ENDED + timedelta(minutes=5), "11.41", "11.39"))

    async def command(*options: str) -> tuple[int, str, str]:
        environment = {"DATABASE_URL": database_url, "PATH": os.environ["PATH"]}
        program = [sys.executable, "-m", "service", "rebuild", *options]
        done = await asyncio.to_thread(subprocess.run, program, capture_output=True, text=True, env=environment)
        return done.returncode, done.stdout, done.stderr

    assert await command() == (0, "11 facts of 1 spindles: nothing differs\n", "")
    connection = await asyncpg.connect(database_url)
    await connection.execute("UPDATE derived.counter SET count = 7")
    await connection.close()
    told = f"spindles/{SPINDLE} counter count: 7, and by the facts 118210\n"
    assert await command() == (1, f"{told}11 facts of 1 spindles: 1 differ\n", "")
    assert await command("--write") == (0, f"{told}11 facts of 1 spindles: 1 differed and were put right\n", "")
    assert (await command())[0] == 0
    assert (await command("--after", "spindles/W9"))[0] == 2
