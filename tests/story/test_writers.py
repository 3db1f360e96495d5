"""Many writers at once, and the same told again: nothing lost, nothing twice, every stream and every log dense."""

import asyncio
from collections.abc import Sequence
from contextlib import AsyncExitStack
from datetime import timedelta
from typing import Any

import httpx
import msgspec

from tests.running import Json, Running, assert_dense, rows_of_every_table, running, select
from tests.story.day_one import ENDED, SPINDLE, counter_read, event, measured, rebuild, story

WRITERS = 8
EACH = 15


async def prepare(ledger: Running, spindles: Sequence[str]) -> None:
    """Sheet, gauge and spindles that have been read once, so that the next reading in bulk is plain."""
    told = story()
    await ledger.record_all([told[number] for number in ("01", "02", "03")])
    for key in spindles:
        told = story(key=key)
        await ledger.record_all([told["04"], counter_read(ENDED - timedelta(hours=1), 118_200, key=key)])


def work(key: str, writer: int) -> list[Json]:
    """What one writer has to say of a spindle: each at a time of its own, counters that rise a cycle a second."""
    made = []
    for number in range(EACH):
        second = number * WRITERS + writer
        at = ENDED + timedelta(seconds=second)
        if number % 3 == 0:
            made.append(counter_read(at, 118_200 + second, key=key))
        elif number % 3 == 1:
            made.append(event("visual.checked", at, {"findings": f"writer {writer}"}, key=key))
        else:
            made.append(event("clamp.exercised", at, {"cycles": 1}, key=key))
    return made


async def write(ledger: Running, events: Sequence[Json]) -> list[Json]:
    return [await ledger.record(each) for each in events]


async def assert_all_there(ledger: Running, receipts: Sequence[Json]) -> None:
    """Every acknowledged entry stands in the ledger at its place, with its hash, and nothing else moved."""
    stored = await select(
        ledger.url,
        """SELECT kind || '/' || subject.key AS subject, entry.sequence, entry.log, position,
                  encode(hash, 'hex') AS hash
           FROM ledger.entry JOIN ledger.subject USING (subject)""",
    )
    places = {tuple(row.values()) for row in stored}
    told = [
        tuple(receipt["entry"][name] for name in ("subject", "sequence", "log", "position", "hash"))
        for receipt in receipts
    ]
    assert len(told) == len(set(told))
    assert set(told) <= places
    await assert_dense(ledger.url)
    assert (await ledger.verified()).faults == []


async def test_eight_writers_on_one_spindle(database_url: str) -> None:
    async with running(database_url) as one, running(database_url) as other:
        await prepare(one, [SPINDLE])
        writing = [write((one, other)[n % 2], work(SPINDLE, n)) for n in range(WRITERS)]
        receipts = [receipt for told in await asyncio.gather(*writing) for receipt in told]
        assert {receipt["status"] for receipt in receipts} == {"accepted"}
        await assert_all_there(one, receipts)
        history = await one.history()
        assert [entry["sequence"] for entry in history] == list(range(1, 3 + WRITERS * EACH))
        last_read = max(each["data"]["count"] for each in work(SPINDLE, WRITERS - 1) if "count" in each["data"])
        assert (await one.spindle())["count"] == last_read
        assert (await one.spindle())["reasons"][0]["code"] == "never_proven"


async def test_eight_writers_on_eight_spindles_with_counters_in_bulk(database_url: str) -> None:
    spindles = [f"W{n}" for n in range(WRITERS)]
    async with running(database_url) as ledger:
        await prepare(ledger, spindles)

        async def bulk(source: str, begins: int) -> None:
            for number in range(begins, begins + 10):
                at = ENDED + timedelta(hours=1, seconds=number)
                answer = await ledger.read_counters(at, dict.fromkeys(spindles, 119000 + number), source=source)
                assert answer["refused"] == 0, answer

        writing = [write(ledger, work(key, n)) for n, key in enumerate(spindles)]
        told, *_ = await asyncio.gather(asyncio.gather(*writing), bulk("/mes/a", 0), bulk("/mes/b", 10))
        await assert_all_there(ledger, [receipt for receipts in told for receipt in receipts])
        for key in spindles:
            assert len(await ledger.history(key)) == 2 + EACH + 20
            assert (await ledger.spindle(key))["count"] == 119_019


async def test_bulk_calls_over_the_same_spindles_in_other_orders_wait_for_each_other_in_no_circle(
    database_url: str,
) -> None:
    spindles = [f"W{n}" for n in range(40)]
    async with running(database_url) as ledger:
        await prepare(ledger, spindles)

        async def bulk(writer: int) -> list[Json]:
            keys = spindles if writer % 2 else spindles[::-1]
            return [
                await ledger.read_counters(
                    ENDED + timedelta(seconds=10 * number + writer),
                    dict.fromkeys(keys, 118200 + 10 * number + writer),
                    source=f"/mes/{writer}",
                )
                for number in range(5)
            ]

        answers = [each for told in await asyncio.gather(*(bulk(n) for n in range(WRITERS))) for each in told]
        assert sum(each["accepted"] + each["late"] for each in answers) == WRITERS * 5 * len(spindles)
        assert {(await ledger.spindle(key))["count"] for key in spindles} == {118_247}
        await assert_dense(database_url)
        assert (await ledger.verified()).faults == []


async def test_of_eight_that_say_the_same_at_once_one_is_first_and_seven_are_duplicates(database_url: str) -> None:
    async with AsyncExitStack() as stack:
        ledgers = [await stack.enter_async_context(running(database_url)) for _ in range(2)]
        await prepare(ledgers[0], [SPINDLE])
        said = event("visual.checked", ENDED, {"findings": "clean"})
        receipts = await asyncio.gather(*(ledgers[n % 2].record(said) for n in range(WRITERS)))
        assert sorted(receipt["status"] for receipt in receipts) == ["accepted"] + ["duplicate"] * 7
        assert len({receipt["entry"]["hash"] for receipt in receipts}) == 1


async def test_of_eight_with_one_identity_and_other_contents_one_is_taken(database_url: str) -> None:
    """Also where they are about other spindles, or about a sheet: the identity is one for the whole ledger."""
    spindles = [f"W{n}" for n in range(WRITERS)]
    async with running(database_url) as ledger:
        await prepare(ledger, spindles)
        said = [event("visual.checked", ENDED, {}, key=key, id="once") for key in spindles]
        answers = await asyncio.gather(*(ledger.send(each) for each in said))
        assert sorted(answer.status_code for answer in answers) == [201] + [409] * 7
        assert {answer.json()["code"] for answer in answers if answer.status_code == 409} == {"identity_conflict"}
        await assert_dense(database_url)


async def test_of_eight_that_expect_the_same_sequence_one_is_taken(database_url: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, [SPINDLE])
        said = [event("visual.checked", ENDED + timedelta(seconds=n), {}, expectedsequence=2) for n in range(WRITERS)]
        answers = await asyncio.gather(*(ledger.send(each) for each in said))
        assert sorted(answer.status_code for answer in answers) == [201] + [409] * 7
        refused = next(answer.json() for answer in answers if answer.status_code == 409)
        assert (refused["code"], refused["errors"][0]["pointer"]) == ("sequence_moved_on", "/expectedsequence")
        assert (await ledger.spindle())["sequence"] == 3


async def test_what_is_told_again_changes_no_row(database_url: str) -> None:
    async with running(database_url) as ledger:
        told = list(story().values())
        first = await ledger.record_all(told)
        counters = [(ENDED + timedelta(hours=n), {SPINDLE: 118_300 + 200 * n}) for n in range(4)]
        for at, readings in counters:
            assert (await ledger.read_counters(at, readings))["accepted"] == 1
        shown, rows = await ledger.spindle(), await rows_of_every_table(database_url)

        again = [*await ledger.record_all(told[::-1]), *await ledger.batch(told)]
        assert {receipt["status"] for receipt in again} == {"duplicate"}
        assert [receipt["entry"] for receipt in again] == [receipt["entry"] for receipt in [*first[::-1], *first]]
        for at, readings in counters:
            answer = await ledger.read_counters(at, readings)
            assert (answer["duplicate"], answer["items"]) == (1, [])
        assert await rows_of_every_table(database_url) == rows
        assert await ledger.spindle() == shown
        duplicate = again[-1]
        for name in ("verdict", "instruction", "state"):
            assert duplicate[name] == first[-1][name], name


async def test_the_same_spelt_otherwise_is_a_duplicate_and_anything_else_a_conflict(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        last = story()["13"]
        same: list[Json] = [
            last | {"time": last["time"].replace("06:08:00Z", "07:08:00.000000+01:00")},
            dict(reversed(last.items())) | {"traceparent": "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01"},
        ]
        for each in same:
            assert (await ledger.record(each))["status"] == "duplicate"
        spaced = msgspec.json.format(msgspec.json.encode(last), indent=4)
        answer = await post(ledger, spaced)
        assert (answer.status_code, answer.json()["status"]) == (200, "duplicate")
        other: list[Json] = [
            last | {"time": last["time"].replace("06:08:00", "06:08:01")},
            last | {"actor": "r.t. engineer"},
            {name: value for name, value in last.items() if name != "actor"},
            last | {"data": last["data"] | {"count": 118_211}},
            last | {"type": "visual.checked", "data": {}},
            last | {"subject": "spindles/H2-M04-S2"},
        ]
        for each in other:
            refused = await ledger.send(each)
            assert (refused.status_code, refused.json()["code"]) == (409, "identity_conflict"), each
            assert refused.json()["errors"][0]["pointer"] == "/id"


async def post(ledger: Running, body: bytes) -> httpx.Response:
    return await ledger.client.post("/v1/events", content=body, headers={"Content-Type": "application/json"})


async def test_a_refused_item_keeps_nothing_and_its_id_may_come_again_corrected(database_url: str) -> None:
    told = story()
    wrong: dict[str, Any] = msgspec.json.decode(msgspec.json.encode(told["09"]))
    wrong["data"]["readings"][1]["depth"]["unit"] = "µm"
    unknown = event("visual.checked", ENDED, {}, key="NOBODY", source="/never/seen", actor="n.n. nobody")
    batch = [*list(told.values())[:8], wrong, unknown, told["10"]]
    async with running(database_url) as ledger:
        answers = await ledger.batch(batch)
        assert [answer["status"] for answer in answers] == ["accepted"] * 8 + ["refused"] * 2 + ["accepted"]
        problem = answers[8]["problem"]
        assert (problem["code"], problem["errors"][0]["code"]) == ("event_invalid", "unit_unknown")
        assert problem["errors"][0]["pointer"] == "/data/readings/1/depth/unit"
        assert answers[9]["problem"]["code"] == "spindle_unknown"
        rows = await rows_of_every_table(database_url)
        assert rows["ledger.entry"] == 9
        assert (await ledger.record(told["09"]))["status"] == "accepted"
        refused = await ledger.send(wrong)
        assert refused.status_code == 422


async def test_a_retry_after_other_work_is_answered_with_the_state_of_its_own_time(database_url: str) -> None:
    async with running(database_url) as ledger:
        first = await ledger.record_all(story().values())
        await ledger.record_all(rebuild(ENDED + timedelta(hours=1), 118_300))
        await ledger.record(measured(ENDED + timedelta(hours=2), "11.50", "11.50"))
        again = await ledger.record(story()["13"])
        assert again["state"] == first[-1]["state"]
        assert again["state_now"]["health"] == "out_of_specification"
        assert [each["recheck"] for each in again["opened"]] == ["bed-in"]
