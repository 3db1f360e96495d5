"""The recheck after 500 cycles falls due at exactly 500, told once: whoever writes, again and again, restarted."""

import asyncio
import os
import signal
import subprocess
import sys
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from itertools import pairwise

import httpx
import pytest

from tests.running import BOOTSTRAP, Json, Running, running, select
from tests.story.day_one import ACCEPTED_AT, ENDED, SPINDLE, counter_read, event, measured, rebuild, story

DUE_AT = ACCEPTED_AT + 500
DUE = "recheck.due"
Writer = Callable[[Running, int, int], Awaitable[object]]


async def bed_in(ledger: Running, key: str = SPINDLE) -> list[str]:
    """The states of the recheck's episodes, in the order of their anchors."""
    sql = """
        SELECT recheck.state FROM derived.recheck JOIN derived.spindle USING (subject)
        WHERE code = 'bed-in' AND key = $1 ORDER BY anchor
    """
    return [row["state"] for row in await select(ledger.url, sql, key)]


async def assert_due_once(ledger: Running, episodes: int = 1) -> None:
    """One notice for each episode, each about another."""
    rows = await select(
        ledger.url,
        "SELECT id, body -> 'data' -> 'recheck' ->> 'episode' AS episode FROM kept.notice WHERE type = $1",
        DUE,
    )
    assert len(rows) == len({row["episode"] for row in rows}) == episodes


async def to_499(ledger: Running) -> None:
    await ledger.record_all(story().values())
    await ledger.record(counter_read(ENDED + timedelta(hours=1), DUE_AT - 1))
    assert await bed_in(ledger) == ["open"]
    assert await ledger.notices(DUE) == []


async def by_event(ledger: Running, number: int, reading: int) -> object:
    return await ledger.record(counter_read(ENDED + timedelta(hours=2, minutes=number), reading, source=f"/w/{number}"))


async def in_bulk(ledger: Running, number: int, reading: int) -> object:
    at = ENDED + timedelta(hours=2, minutes=number)
    return await ledger.read_counters(at, {SPINDLE: reading}, source=f"/w/{number}")


async def in_bulk_at_once(ledger: Running, number: int, reading: int) -> object:
    return await ledger.read_counters(ENDED + timedelta(hours=2), {SPINDLE: reading}, source=f"/w/{number}")


@pytest.mark.parametrize(
    ("writer", "rise"), [(by_event, 0), (by_event, 1), (in_bulk, 0), (in_bulk, 1), (in_bulk_at_once, 0)]
)
async def test_eight_writers_at_once_make_it_due_once(database_url: str, writer: Writer, rise: int) -> None:
    """Each sends its own reading of its own time, `rise` above the one before, or all the same."""
    async with running(database_url) as one, running(database_url) as other:
        await to_499(one)
        writing = [writer((one, other)[n % 2], n, DUE_AT + rise * n) for n in range(8)]
        await asyncio.gather(*writing)
        again = [writer((one, other)[(n + 1) % 2], n, DUE_AT + rise * n) for n in range(8)]
        await asyncio.gather(*again)
        await one.sweep()
        assert await bed_in(one) == ["due"]
        await assert_due_once(one)
        assert (await one.spindle())["count"] == DUE_AT + 7 * rise
        assert (await one.verified()).faults == []


async def test_a_retry_of_every_kind_and_restarts_tell_nothing_twice(database_url: str) -> None:
    reading = counter_read(ENDED + timedelta(hours=2), DUE_AT)
    for telling in range(3):
        async with running(database_url) as ledger:
            if telling == 0:
                await to_499(ledger)
            receipts = [await ledger.record(reading), (await ledger.batch([reading]))[0]]
            assert [each["status"] for each in receipts] == ["duplicate" if telling else "accepted", "duplicate"]
            assert receipts[0]["entry"] == receipts[1]["entry"]
            await ledger.read_counters(ENDED + timedelta(hours=3), {SPINDLE: DUE_AT + 5})
            await ledger.sweep()
            await assert_due_once(ledger)


async def test_counter_replacement_and_roll_over_in_between_change_nothing(database_url: str) -> None:
    """From 118 210: to 118 400 on the old counter; 900 to 999 and round to 210 on one that rolls over at 1000."""
    replaced = {"old_end": 118_400, "new_start": 900, "modulus": 1000}
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        await ledger.record(event("counter.replaced", ENDED + timedelta(hours=1), replaced))
        counts = {2: (950, 118_450), 3: (999, 118_499), 4: (100, 118_600), 5: (209, DUE_AT - 1)}
        for hours, (reading, count) in counts.items():
            answer = await ledger.read_counters(ENDED + timedelta(hours=hours), {SPINDLE: reading})
            assert (answer["accepted"], (await ledger.spindle())["count"]) == (1, count)
        assert (await bed_in(ledger), await ledger.notices(DUE)) == (["open"], [])
        await ledger.read_counters(ENDED + timedelta(hours=6), {SPINDLE: 210})
        assert (await bed_in(ledger), (await ledger.spindle())["count"]) == (["due"], DUE_AT)
        await assert_due_once(ledger)
        assert "counter.backward" not in await ledger.notices()


async def test_crossing_with_the_very_reading_that_rolls_over(database_url: str) -> None:
    """A jump from 995 to 205 on a counter that rolls over at 1000 is 210 cycles."""
    replaced = {"old_end": 118_500, "new_start": 995, "modulus": 1000}
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        await ledger.record(event("counter.replaced", ENDED + timedelta(hours=1), replaced))
        await ledger.read_counters(ENDED + timedelta(hours=2), {SPINDLE: 205})
        assert (await bed_in(ledger), (await ledger.spindle())["count"]) == (["due"], DUE_AT)
        await assert_due_once(ledger)


async def test_after_the_check_it_is_satisfied_and_after_a_new_rebuild_due_again(database_url: str) -> None:
    async with running(database_url) as ledger:
        await to_499(ledger)
        await ledger.read_counters(ENDED + timedelta(hours=2), {SPINDLE: DUE_AT})
        checked = await ledger.record(
            measured(ENDED + timedelta(hours=2, minutes=10), "11.40", "11.39", count=DUE_AT + 2)
        )
        assert [(each["recheck"], each["state"], each["late"]) for each in checked["closed"]] == [
            ("bed-in", "satisfied", False)
        ]
        await ledger.record_all(rebuild(ENDED + timedelta(hours=3), 119_000))
        await ledger.read_counters(ENDED + timedelta(hours=5), {SPINDLE: 119_499})
        assert (await bed_in(ledger), await ledger.notices(DUE)) == (["satisfied", "open"], [DUE])
        await ledger.read_counters(ENDED + timedelta(hours=6), {SPINDLE: 119_500})
        assert await bed_in(ledger) == ["satisfied", "due"]
        await assert_due_once(ledger, episodes=2)
        assert await ledger.notices("recheck.satisfied") == ["recheck.satisfied"]


async def test_a_rebuild_before_the_check_supersedes_it(database_url: str) -> None:
    async with running(database_url) as ledger:
        await to_499(ledger)
        await ledger.read_counters(ENDED + timedelta(hours=2), {SPINDLE: DUE_AT})
        await ledger.record_all(rebuild(ENDED + timedelta(hours=3), DUE_AT + 20))
        assert await bed_in(ledger) == ["superseded", "waiting"]
        assert await ledger.notices("recheck.superseded", DUE) == [DUE, "recheck.superseded"]
        shown: Json = await ledger.spindle()
        (waiting,) = [each for each in shown["rechecks"] if each["recheck"] == "bed-in"]
        assert waiting["due_at_count"] == DUE_AT + 20 + 500


async def test_one_jump_over_due_and_grace_tells_overdue_only(database_url: str) -> None:
    async with running(database_url) as ledger:
        await to_499(ledger)
        await ledger.read_counters(ENDED + timedelta(hours=2), {SPINDLE: DUE_AT + 251})
        assert await bed_in(ledger) == ["overdue"]
        assert await ledger.notices(DUE, "recheck.overdue") == ["recheck.overdue"]


@contextmanager
def process(database_url: str) -> Iterator[str]:
    """The service as a process of its own; answers its address, and is killed at the end."""
    variables = os.environ | {"DATABASE_URL": database_url, "SPINDLE_LEDGER_BOOTSTRAP_KEY": BOOTSTRAP}
    command = [sys.executable, "-m", "service", "serve", "--port", "0", "--without", "deliver"]
    with subprocess.Popen(command, env=variables, stdout=subprocess.PIPE, text=True) as served:
        assert served.stdout is not None
        try:
            yield next(line for line in served.stdout if "serves at" in line).split()[-1]
        finally:
            served.send_signal(signal.SIGKILL)
            served.wait(timeout=10)


async def test_three_processes_and_a_kill_make_it_due_once(database_url: str) -> None:
    async with running(database_url) as ledger:
        await to_499(ledger)
        headers = {"Authorization": f"Bearer {BOOTSTRAP}"}
        with process(database_url) as first:
            with process(database_url) as second:
                async with httpx.AsyncClient(headers=headers, timeout=30) as client:
                    sent = [counter_read(ENDED + timedelta(hours=2, minutes=n), DUE_AT + n) for n in range(8)]
                    answers = await asyncio.gather(
                        *(client.post(f"{(first, second)[n % 2]}/v1/events", json=each) for n, each in enumerate(sent))
                    )
            async with httpx.AsyncClient(headers=headers, timeout=30) as client:
                again = await asyncio.gather(*(client.post(f"{first}/v1/events", json=each) for each in sent))
        assert [answer.status_code for answer in answers] == [201] * 8
        assert [answer.json()["status"] for answer in again] == ["duplicate"] * 8
        assert [answer.json()["entry"] for answer in again] == [answer.json()["entry"] for answer in answers]
        await assert_due_once(ledger)
        sequences = [entry["sequence"] for entry in await ledger.history()]
        assert all(after == before + 1 for before, after in pairwise(sequences))
