"""Answers that are kept: whatever was written, by whichever process, and whatever time has changed, nobody is told that
what he has still holds when it does not.
"""

import asyncio
import json
import random
from collections.abc import Awaitable, Callable
from datetime import timedelta
from typing import Any, Final

import httpx
import pytest

from service.api.answered import Answers
from service.pulse import Pulse
from tests.api.test_board import commissioned, prepare
from tests.postgres.holding import Hold, holding
from tests.running import Running, running, select
from tests.story.day_one import ENDED, event, rebuild

QUESTIONS: Final = (
    "/v1/spindles?view=health",
    "/v1/spindles?view=health&sort=-health&limit=2",
    "/v1/spindles?view=health&sort=due",
    "/v1/spindles?view=health&health=failure&health=maintenance_required",
    "/v1/spindles?view=health&due_before=2200-01-01T00:00:00Z",
    "/v1/spindles",
    "/v1/spindles?sort=-due&clearance=cleared",
    "/v1/overview",
)


class Told:
    """What a client holds of each question: the ETag and the body that came with it."""

    def __init__(self) -> None:
        self.held: dict[str, tuple[str, bytes]] = {}

    async def ask(self, ledger: Running, question: str) -> httpx.Response:
        """Asks as a client does that has an answer already, and takes what is new."""
        known = self.held.get(question)
        answer = await ledger.client.get(question, headers={} if known is None else {"If-None-Match": known[0]})
        if answer.status_code == 304:
            assert (answer.content, answer.headers["etag"]) == (b"", known[0] if known else None)
        else:
            assert answer.status_code == 200, answer.text
            self.held[question] = (answer.headers["etag"], answer.content)
        return answer


async def anew(url: str, shift: timedelta, question: str) -> Any:
    """The answer of a process that has never been asked before."""
    async with running(url, clock_shift=shift) as fresh:
        answer = await fresh.client.get(question)
        assert answer.status_code == 200, answer.text
        return as_it_stands(answer.content)


def as_it_stands(body: bytes) -> Any:
    """Without the time at which a state was settled while it was read, which is another each time."""
    found = json.loads(body)
    for item in found.get("items", ()):
        item.pop("settled_at", None)
    return found


Step = Callable[[Running, int], Awaitable[Any]]
KEYS: Final = ("A", "B", "C")


async def break_(ledger: Running, number: int) -> None:
    broken = {"component": "draw_bar", "code": f"c-{number}", "unusable": True}
    await ledger.record(event("condition.noted", ENDED + timedelta(seconds=number), broken, key=KEYS[number % 3]))


async def check(ledger: Running, number: int) -> None:
    at = ENDED + timedelta(seconds=number)
    await ledger.record(event("visual.checked", at, {"findings": "none"}, key=KEYS[number % 3]))


async def count(ledger: Running, number: int) -> None:
    await ledger.read_counters(ENDED + timedelta(minutes=number), {KEYS[number % 3]: 118_600 + number})


async def come(ledger: Running, number: int) -> None:
    await ledger.record(commissioned(f"N-{number}"))


async def put_away(ledger: Running, number: int) -> None:
    at = ENDED + timedelta(seconds=number)
    await ledger.send(event("spindle.removed", at, {"to": "store"}, key=KEYS[number % 3]))


async def pass_time(ledger: Running, number: int) -> None:
    ledger.database.clock_shift += timedelta(days=number % 9)


async def settle(ledger: Running, _number: int) -> None:
    await ledger.sweep()


async def nothing(_ledger: Running, _number: int) -> None:
    return


STEPS: Final[tuple[Step, ...]] = (break_, check, count, come, put_away, pass_time, settle, nothing)


@pytest.mark.parametrize("seed", range(4))
async def test_whatever_is_written_and_however_time_passes_no_304_is_wrong(database_url: str, seed: int) -> None:
    chance = random.Random(seed)
    spared = 0
    async with running(database_url) as ledger, running(database_url) as other:
        clients = ((ledger, Told()), (other, Told()))
        await prepare(ledger, *KEYS)
        await ledger.record_all(rebuild(ENDED - timedelta(hours=1), 118_100, key="A"))
        for number in range(1, 26):
            step = chance.choice(STEPS)
            await step(chance.choice((ledger, other)), number)
            shift = max(ledger.database.clock_shift, other.database.clock_shift)
            ledger.database.clock_shift = other.database.clock_shift = shift
            question = chance.choice(QUESTIONS)
            for client, asked in (*clients, *clients):
                answer = await asked.ask(client, question)
                spared += answer.status_code == 304
            fresh = await anew(database_url, shift, question)
            for _, asked in clients:
                assert as_it_stands(asked.held[question][1]) == fresh, (seed, number, step.__name__, question)
    assert spared > 20


async def test_a_writer_that_is_held_is_not_seen_until_it_commits_and_then_at_once(database_url: str) -> None:
    """It has its number and nobody sees it; others of other logs come before it with higher ones."""
    told, question = Told(), "/v1/spindles?view=health"
    async with running(database_url) as ledger, running(database_url) as other:
        names = [f"K-{number}" for number in range(8)]
        await prepare(ledger, *names)
        await ledger.record(event("visual.checked", ENDED - timedelta(hours=1), {"findings": "none"}, key="K-7"))
        logs = {row["key"]: row["log"] for row in await select(database_url, "SELECT key, log FROM derived.spindle")}
        first, second = next((a, b) for a in names for b in names if logs[a] != logs[b])
        broken = {"component": "draw_bar", "code": "cracked", "unusable": True}
        await told.ask(ledger, question)
        # The first writes its state and waits to append to its log; the second goes past it.
        held = Hold(f"SELECT FROM ledger.log WHERE log = {logs[first]} FOR UPDATE")
        async with holding(database_url, held) as holder:
            writing = asyncio.create_task(other.record(event("condition.noted", ENDED, broken, key=first)))
            await holder.blocked(writing)
            assert (await told.ask(ledger, question)).status_code == 304
            # Not one that asks for work: the changes of work orders follow one another.
            await other.record(event("spindle.removed", ENDED, {"to": "store"}, key=second))
            assert changed_in(await told.ask(ledger, question)) == {second}
            assert (await told.ask(ledger, question)).status_code == 304
            await holder.release(held)
            await writing
            assert changed_in(await told.ask(ledger, question)) == {first, second}
            assert (await told.ask(ledger, question)).status_code == 304


def changed_in(answer: httpx.Response) -> set[str]:
    """Those that are broken or away."""
    assert answer.status_code == 200
    return {item["key"] for item in answer.json()["items"] if item["health"] in ("failure", None)}


async def test_what_another_process_has_answered_for_is_seen_by_whoever_asks_next(database_url: str) -> None:
    question = "/v1/spindles?view=health"
    async with running(database_url) as ledger, running(database_url) as other:
        await prepare(ledger, *KEYS)
        for number in range(20):
            asking = [asyncio.create_task(ledger.client.get(question)) for _ in range(4)]
            await break_(other, number)
            (reasons,) = [
                item["reasons"]
                for item in (await ledger.client.get(question)).json()["items"]
                if item["key"] == KEYS[number % 3]
            ]
            assert reasons.count("unusable") == 1
            etags = {(await ledger.client.get(question)).headers["etag"] for _ in range(3)}
            etags.add((await other.client.get(question)).headers["etag"])
            assert len(etags) == 1, "every process says the same of the same"
            await asyncio.gather(*asking)


async def test_who_takes_what_held_a_moment_ago_is_told_it_for_so_long_and_no_longer(database_url: str) -> None:
    question = "/v1/spindles?view=health"
    async with running(database_url) as ledger, running(database_url) as other:
        await prepare(ledger, *KEYS)
        first = await ledger.client.get(question)
        known = {"If-None-Match": first.headers["etag"]}
        stale = known | {"Cache-Control": "max-stale=1"}
        assert (await ledger.client.get(question, headers=known)).status_code == 304
        await break_(other, 1)
        assert (await ledger.client.get(question, headers=stale)).status_code in (200, 304)
        assert (await ledger.client.get(question, headers=known)).status_code == 200
        await break_(other, 2)
        await asyncio.sleep(1.05)
        assert changed_in(await ledger.client.get(question, headers=stale)) == {"B", "C"}


async def test_keys_of_other_plants_are_answered_otherwise_and_ended_ones_not_at_all(database_url: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, "S-1")
        await prepare(ledger, "F-1", plant="fell")
        fell, token = await ledger.key("read", plants=["fell"])
        _, writes_only = await ledger.key("events:write")
        bound = {"Authorization": f"Bearer {token}"}
        for question in ("/v1/spindles?view=health", "/v1/overview"):
            for _ in range(3):
                whole = (await ledger.client.get(question)).json()
                mine = (await ledger.client.get(question, headers=bound)).json()
                refused = await ledger.client.get(question, headers={"Authorization": f"Bearer {writes_only}"})
                assert refused.status_code == 403
                if question == "/v1/overview":
                    assert (whole["spindles"], mine["spindles"]) == (2, 1)
                    assert [plant["plant"] for plant in mine["plants"]] == ["fell"]
                else:
                    assert [item["key"] for item in whole["items"]] == ["F-1", "S-1"]
                    assert [item["key"] for item in mine["items"]] == ["F-1"]
        assert (await ledger.client.delete(f"/v1/keys/{fell.key}")).status_code == 204
        await asyncio.sleep(1.05)
        for question in ("/v1/spindles?view=health", "/v1/overview"):
            assert (await ledger.client.get(question, headers=bound)).status_code == 401


@pytest.mark.parametrize("question", QUESTIONS)
async def test_a_head_says_what_a_get_does_kept_or_not(database_url: str, question: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, *KEYS)
        first = await ledger.client.head(question)
        whole = await ledger.client.get(question)
        kept = await ledger.client.head(question)
        for head in (first, kept):
            assert (head.status_code, head.content) == (200, b"")
            for name in ("etag", "cache-control", "content-type", "content-length"):
                assert head.headers[name] == whole.headers[name], name
        assert whole.headers["cache-control"] == "private, no-cache"
        etag = whole.headers["etag"]
        for known in (etag, f"W/{etag}", "*", f'"x", {etag}'):
            spared = await ledger.client.head(question, headers={"If-None-Match": known})
            assert (spared.status_code, spared.headers["etag"], spared.content) == (304, etag, b"")
        assert (await ledger.client.get(question, headers={"If-None-Match": '"x"'})).content == whole.content
        if question.endswith("limit=2"):
            assert (await ledger.client.get(question)).headers["link"] == whole.headers["link"]


async def test_requests_answered_from_memory_are_counted_like_others(database_url: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, "A")
        etag = (await ledger.client.get("/v1/overview")).headers["etag"]
        for _ in range(3):
            await ledger.client.get("/v1/overview", headers={"If-None-Match": etag})
        text = (await ledger.client.get("/metrics")).text
        counted = [line for line in text.splitlines() if "http_requests_total{" in line and "/v1/overview" in line]
        assert sorted(line.split()[-1] for line in counted) == ["1.0", "3.0"]


async def test_what_is_kept_is_bounded(database_url: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, *KEYS)
        kept = ledger.app.state.answers = Answers(ledger.database, Pulse(ledger.database), bytes_max=1_000)
        for limit in range(1, 40):
            assert (await ledger.client.get(f"/v1/spindles?view=health&limit={limit}")).status_code == 200
            assert kept.bytes <= 1_000
        assert kept.bytes > 0
