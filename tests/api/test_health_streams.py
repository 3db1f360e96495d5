"""Changes of health as they come: each spindle as it is now, beginning with all of them, resumed without loss."""

import asyncio
from datetime import timedelta
from typing import Any, Final

import asyncpg
import pytest

from service.listening import Pace
from service.rebuild import rebuild as make_again
from tests.api.test_board import commissioned, listed, prepare
from tests.hearing import Event, Hearing, hearing
from tests.running import Json, Running, running, select
from tests.story.day_one import ENDED, counter_read, event, rebuild, story

PATH: Final = "/v1/spindles"
QUICK: Final = Pace(look_s=0.02, heartbeat_s=0.1)
DERIVED: Final = "derived.spindle, derived.change"


async def break_(ledger: Running, key: str, hours: int = 0) -> None:
    broken = {"component": "draw_bar", "code": f"cracked-{hours}", "unusable": True}
    await ledger.record(event("condition.noted", ENDED + timedelta(hours=hours), broken, key=key))


async def mend(ledger: Running, key: str, hours: int = 0) -> None:
    done = {"component": "draw_bar", "code": f"cracked-{hours}", "done": "replaced"}
    await ledger.record(event("condition.resolved", ENDED + timedelta(hours=hours, minutes=1), done, key=key))


def board_of(events: list[Event]) -> dict[str, Json]:
    """What a dashboard knows that has heard these events in order."""
    board: dict[str, Json] = {}
    for each in events:
        if each.name == "left":
            board.pop(each.data["key"], None)
        else:
            board[each.data["key"]] = each.data
    return board


async def comes_to(ledger: Running, one: Hearing, before: list[Event] | None = None, **asked: str) -> None:
    """Waits until a dashboard that heard `before`, and then this, knows what the list answers."""
    there = {item["key"]: item for item in await listed(ledger, view="health", limit=10_000, **asked)}
    await one.until(lambda: board_of([*(before or []), *one.events]) == there)


async def test_a_stream_begins_with_every_spindle_and_tells_what_changes_and_only_that(database_url: str) -> None:
    async with running(database_url, pace=QUICK) as ledger:
        await prepare(ledger, "A", "B", "C")
        await ledger.record(counter_read(ENDED, 118_001, key="B"))
        async with hearing(ledger, PATH, view="health") as one:
            begun = await one.heard(3)
            assert sorted(begun, key=lambda each: str(each["key"])) == await listed(ledger, view="health")
            await ledger.read_counters(ENDED + timedelta(minutes=1), {"B": 118_010})
            await ledger.record(event("visual.checked", ENDED, {"findings": "none"}, key="A"))
            await break_(ledger, "C")
            assert (await one.heard(4))[-1] == {
                "key": "C",
                "health": "failure",
                "clearance": "withheld",
                "reasons": ["unusable", "never_proven"],
            }
            assert len(one.events) == 4, "neither a reading nor a check that changes nothing is told"
            last = one.last_id
        async with hearing(ledger, PATH, view="health", last=last) as again:
            await break_(ledger, "A")
            assert [each["key"] for each in await again.heard(1)] == ["A"]


async def test_cut_off_beside_writers_one_of_them_held_a_dashboard_knows_what_the_list_answers(
    database_url: str,
) -> None:
    keys = [f"W{number}" for number in range(12)]
    async with running(database_url, pace=QUICK) as ledger, running(database_url, pace=QUICK) as other:
        await prepare(ledger, *keys)
        held = await asyncpg.connect(database_url)
        await held.execute("BEGIN")
        # A change that has its number and is not committed: what follows it in its log waits for it.
        await held.execute(
            """WITH stamped AS (
                   UPDATE derived.change SET written = change.written + 1, changed = change.changed + 1
                   FROM derived.spindle WHERE spindle.key = 'W0' AND spindle.log = change.log RETURNING change.changed)
               UPDATE derived.spindle SET reasons = '{held}', changed = stamped.changed, next_look = NULL
               FROM stamped WHERE key = 'W0'"""
        )

        async def write(key: str, through: Running) -> None:
            for hours in range(1, 5):
                await break_(through, key, hours)
                await mend(through, key, hours)

        heard: list[Event] = []
        last: str | None = None
        writing: asyncio.Future[Any] = asyncio.gather(
            *(write(key, (ledger, other)[n % 2]) for n, key in enumerate(keys) if key != "W0")
        )
        released = False
        while not writing.done():
            async with hearing(other, PATH, view="health", last=last) as one:
                some: asyncio.Future[Any] = asyncio.ensure_future(one.heard(4))
                await asyncio.wait([some, writing], return_when=asyncio.FIRST_COMPLETED)
                some.cancel()
            heard += one.events
            last = one.last_id or last
            if not released and len(heard) > 20:
                await held.execute("COMMIT")
                released = True
        await writing
        assert released
        await held.close()
        async with hearing(ledger, PATH, view="health", last=last) as one:
            await comes_to(ledger, one, heard)
            known = board_of([*heard, *one.events])
        assert known["W0"]["reasons"] == ["held"]


async def test_what_is_no_longer_asked_for_is_said_to_have_left(database_url: str) -> None:
    async with running(database_url, pace=QUICK) as ledger:
        await prepare(ledger, "A", "B")
        async with hearing(ledger, PATH, view="health", health="failure") as one:
            await one.until(lambda: len(one.events) == 2)
            assert {each.name for each in one.events} == {"left"}
            await break_(ledger, "B", 1)
            await comes_to(ledger, one, health="failure")
            last, heard = one.last_id, one.events
        await mend(ledger, "B", 1)
        async with hearing(ledger, PATH, view="health", health="failure", last=last) as one:
            assert await one.heard(1) == [{"key": "B"}]
            await comes_to(ledger, one, heard, health="failure")


async def test_a_key_bound_to_a_plant_hears_of_its_own_and_once_of_what_leaves_it(database_url: str) -> None:
    async with running(database_url, pace=QUICK) as ledger:
        await prepare(ledger, "S-1", "S-2")
        await prepare(ledger, "F-1", plant="fell")
        _, token = await ledger.key("read", plants=["fell"])
        async with hearing(ledger, PATH, view="health", token=token) as one:
            assert [each["key"] for each in await one.heard(1)] == ["F-1"]
            await break_(ledger, "S-1", 1)
            await ledger.record(event("spindle.removed", ENDED, {"to": "store"}, key="F-1"))
            assert (await one.heard(2))[-1]["health"] is None
            last = one.last_id
            place = {"plant": "skerrow", "hall": "2", "machine": "M-F", "position": "1"}
            await ledger.record(event("spindle.installed", ENDED + timedelta(minutes=5), place, key="F-1"))
            await one.heard(3)
            assert (one.events[-1].name, one.data[-1]) == ("left", {"key": "F-1"})
            await break_(ledger, "F-1", 2)
            await ledger.record(commissioned("F-2", plant="fell"))
            assert (await one.heard(4))[-1]["key"] == "F-2", "of what is elsewhere now it hears nothing"
        async with hearing(ledger, PATH, view="health", token=token, last=last) as one:
            heard = await one.heard(2)
            assert sorted(each["key"] for each in heard) == ["F-1", "F-2"]
            assert [each.name for each in one.events if each.data["key"] == "F-1"] == ["left"]
        async with hearing(ledger, PATH, view="health", token=token) as one:
            await one.until(lambda: one.last_id is not None)
            assert board_of(one.events).keys() == {"F-2"}


async def test_what_time_alone_changes_is_told_when_it_is_settled(database_url: str) -> None:
    async with running(database_url, pace=QUICK) as ledger:
        await ledger.record_all(story().values())
        await ledger.sweep()
    async with (
        running(database_url, pace=QUICK, clock_shift=timedelta(days=60)) as later,
        hearing(later, PATH, view="health") as one,
    ):
        assert [each["health"] for each in await one.heard(1)] == ["normal"]
        await later.sweep()
        told = (await one.heard(2))[-1]
        assert told["health"] == "maintenance_required"
        assert {"recheck_due", "recheck_overdue"} & set(told["reasons"])


async def test_where_what_is_derived_was_emptied_and_made_again_everybody_begins_anew(database_url: str) -> None:
    async with running(database_url, pace=QUICK) as ledger:
        await prepare(ledger, "A", "B")
        async with hearing(ledger, PATH, view="health") as one:
            await one.heard(2)
            last = one.last_id
        await select(database_url, f"TRUNCATE {DERIVED}")
        async with hearing(ledger, PATH, view="health", last=last) as one:
            await one.until(lambda: one.last_id is not None)
            assert one.events == []
            assert all([each.put_right async for each in make_again(ledger.database, write=True)])
            assert sorted(each["key"] for each in await one.heard(2)) == ["A", "B"]
        async with hearing(ledger, PATH, view="health", last=last) as one:
            assert sorted(each["key"] for each in await one.heard(2)) == ["A", "B"]


@pytest.mark.parametrize(
    ("asked", "parameter"),
    [
        ({}, "view"),
        ({"view": "whole"}, "view"),
        ({"view": "health", "sort": "due"}, "sort"),
        ({"view": "health", "limit": 5}, "limit"),
        ({"view": "health", "due_before": "2030-01-01T00:00:00Z"}, "due_before"),
        ({"view": "health", "as_of": "2026-01-01T00:00:00Z"}, "as_of"),
    ],
)
async def test_a_stream_takes_no_order_and_no_past(database_url: str, asked: Json, parameter: str) -> None:
    async with running(database_url) as ledger:
        answer = await ledger.client.get(PATH, params=asked, headers={"Accept": "text/event-stream"})
        assert (answer.status_code, answer.json()["code"]) == (400, "not_for_a_stream")
        assert answer.json()["errors"][0]["parameter"] == parameter


async def test_a_rebuild_that_is_accepted_is_told_step_by_step(database_url: str) -> None:
    async with running(database_url, pace=QUICK) as ledger:
        await prepare(ledger, "A")
        async with hearing(ledger, PATH, view="health") as one:
            await one.heard(1)
            for number, step in enumerate(rebuild(ENDED, 118_100, key="A")):
                await ledger.record(step)
                if number in (0, 3):
                    await comes_to(ledger, one)
            assert [each["health"] for each in one.data] == ["function_check", "function_check", "normal"]
