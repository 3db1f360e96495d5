"""MTConnect documents in: counted once in any order, with agents that restart and counters that reset."""

import asyncio
import json
from datetime import timedelta
from random import Random
from typing import Any

import pytest

from service.rebuild import rebuild
from tests.running import Json, Running, running, select
from tests.story.agent_documents import DEVICE, SENT, Said, document, series
from tests.story.day_one import ENDED, SPINDLE, event, story


async def commission(ledger: Running, *, start: int = 100, **counter: int) -> None:
    told = story()
    await ledger.record_all([told["01"], told["02"], told["03"]])
    begun = story()["04"]
    begun["data"]["counter"] = {"start": start, **counter}
    await ledger.record(begun)


async def tie(ledger: Running, item: str, use: str, **more: Any) -> Json:
    wanted = {"device": DEVICE, "item": item, "use": use, "spindle": SPINDLE, **more}
    if "place" in more:
        del wanted["spindle"]
    answer = await ledger.client.post("/v1/mtconnect-mappings", json=wanted)
    assert answer.status_code == 201, answer.text
    made: Json = answer.json()
    return made


async def take(ledger: Running, body: bytes) -> Json:
    answer = await ledger.client.post("/v1/ingest/mtconnect", content=body, headers=SENT)
    assert answer.status_code == 200, answer.text
    taken: Json = answer.json()
    return taken


def counts(answer: Json) -> dict[str, int]:
    names = ("accepted", "duplicate", "ignored", "unmapped", "refused")
    return {name: answer[name] for name in names if answer[name]}


async def test_an_absolute_count_is_the_spindles_count(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger)
        await tie(ledger, "act", "absolute")
        said = series("ActivationCount", "act", ["UNAVAILABLE", 103, 104, 108], begin=ENDED)
        said.append(Said(sequence=2, time=ENDED, item="load", element="Load", value="5"))
        answer = await take(ledger, document(said, next=40))
        assert counts(answer) == {"accepted": 3, "ignored": 1, "unmapped": 1}
        assert (answer["instance"], answer["next"]) == ("1790000000", 40)
        assert answer["unmapped_items"] == [{"device": DEVICE, "item": "load", "element": "Load"}]
        assert [each["counts"] for each in answer["counted"]] == [8]
        assert (await ledger.spindle())["count"] == 108
        again = await take(ledger, document(said, next=40))
        assert counts(again) == {"duplicate": 3, "ignored": 1, "unmapped": 1}
        assert (await ledger.spindle())["count"] == 108
        later = series("ActivationCount", "act", range(109, 160), begin=ENDED + timedelta(minutes=5), first=50)
        assert counts(await take(ledger, document(later))) == {"accepted": 51}
        assert (await ledger.spindle())["count"] == 159


async def test_documents_in_any_order_end_in_the_same_count(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger)
        await tie(ledger, "chuck", "transition", states=["CLOSED"])
        said = series("ChuckState", "chuck", ["OPEN", "CLOSED"] * 40, begin=ENDED, apart=0.4)
        parts = [document(said[begin : begin + 20]) for begin in (40, 0, 60, 30, 20, 0)]
        for part in parts:
            await take(ledger, part)
        assert (await ledger.spindle())["count"] == 140


async def test_an_agent_that_restarts_and_a_counter_that_resets_never_lower_the_count(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger)
        await tie(ledger, "act", "absolute")
        before = series("ActivationCount", "act", range(101, 141), begin=ENDED)
        after = series("ActivationCount", "act", ["UNAVAILABLE", *range(31)], begin=ENDED + timedelta(hours=1))
        again = series("ActivationCount", "act", range(31, 41), begin=ENDED + timedelta(hours=2))
        first, second, third = 1_790_000_000, 1_790_003_600, 1_790_007_200
        for part, instance, counted in (
            (before[:20], first, 120),
            (after[:10], second, 128),
            (before[10:], first, 148),
            (again, third, 180),
            (after, second, 180),
            (before, first, 180),
        ):
            await take(ledger, document(part, instance=instance))
            assert (await ledger.spindle())["count"] == counted
        assert [each["code"] for each in (await ledger.spindle())["reasons"]] == ["never_proven"]
        types = [each["type"] for each in await ledger.history()]
        assert types.count("counter.replaced") == 1
        assert types.count("counter.missed") == 1
        assert (await ledger.verified()).faults == []


async def test_transitions_and_deltas_faster_than_the_counter_are_counted(database_url: str) -> None:
    """They were told one by one: `max_per_second` keeps what was misread out of absolute counts only."""
    async with running(database_url) as ledger:
        await commission(ledger)
        made = await tie(ledger, "parts", "delta")
        said = series("PartCount", "parts", [3, 5, 0, 4], begin=ENDED, apart=0.1)
        assert counts(await take(ledger, document(said))) == {"accepted": 4}
        more = series("PartCount", "parts", [9], begin=ENDED + timedelta(seconds=1), first=50)
        assert [each["counts"] for each in (await take(ledger, document(more)))["counted"]] == [9]
        shown = await ledger.spindle()
        assert (shown["count"], [each["code"] for each in shown["reasons"]]) == (121, ["never_proven"])
        assert made["since"] < shown["counted_at"]


async def test_an_absolute_count_that_jumps_is_flagged_and_goes_on(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger)
        await tie(ledger, "act", "absolute")
        values = [101, 900_000_000, 900_000_001]
        await take(ledger, document(series("ActivationCount", "act", values, begin=ENDED, apart=120)))
        shown = await ledger.spindle()
        assert (shown["count"], shown["clearance"]) == (102, "restricted")
        assert "counter_implausible" in [each["code"] for each in shown["reasons"]]


async def test_whatever_is_wrong_with_one_observation_is_answered_for_that_one(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger)
        await tie(ledger, "act", "absolute")
        good = series("ActivationCount", "act", [101, 102, 103], begin=ENDED, first=100)
        bad = [
            Said(sequence=1, time=ENDED, item="act", element="ActivationCount", value="-5"),
            Said(sequence=2, time=ENDED, item="act", element="ActivationCount", value=str(2**63)),
            Said(sequence=3, time=ENDED, item="act", element="ActivationCount", value="many"),
            Said(sequence=4, time=ENDED + timedelta(days=30), item="act", element="ActivationCount", value="104"),
            Said(sequence=5, time=ENDED, item="act", element="LoadCount", value="1", more={"subType": "TARGET"}),
            Said(sequence=100, time=ENDED, item="act", element="ActivationCount", value="99"),
            Said(sequence=6, time=ENDED - timedelta(days=365), item="act", element="ActivationCount", value="99"),
        ]
        answer = await take(ledger, document([*good, *bad]))
        assert counts(answer) == {"accepted": 3, "ignored": 1, "refused": 6}
        assert answer["why_ignored"]["before_start"] == 1
        assert [(each["sequence"], each["problem"]["code"]) for each in answer["refusals"]] == [
            ("1", "count_negative"),
            ("2", "count_out_of_range"),
            ("3", "count_not_a_number"),
            ("4", "time_in_future"),
            ("5", "observation_not_a_count"),
            ("100", "sequence_conflict"),
        ]
        assert (await ledger.spindle())["count"] == 103
        right = bad[3:4]
        right[0] = Said(sequence=4, time=ENDED, item="act", element="ActivationCount", value="101")
        assert counts(await take(ledger, document(right))) == {"accepted": 1}, "what was refused may come corrected"


async def test_a_place_is_whoever_was_installed_there_then(database_url: str) -> None:
    place = {"plant": "skerrow", "hall": "2", "machine": f"M-{SPINDLE}", "position": "1"}
    async with running(database_url) as ledger:
        await commission(ledger)
        other = story(key="OTHER")["04"]
        other["data"]["counter"] = {"start": 5_000}
        await ledger.record(other)
        await ledger.record(event("spindle.removed", ENDED, {"to": "store"}, key="OTHER"))
        tied = {name: place[name] for name in ("plant", "machine", "position")}
        await tie(ledger, "chuck", "transition", states=["CLOSED"], place=tied)
        await ledger.record(event("spindle.removed", ENDED + timedelta(minutes=10), {"to": "store"}))
        counter = {"counter": {"start": 5_000}}
        await ledger.record(event("spindle.installed", ENDED + timedelta(minutes=20), place | counter, key="OTHER"))
        said = series("ChuckState", "chuck", ["OPEN", "CLOSED"] * 20, begin=ENDED + timedelta(minutes=20), apart=20)
        early = series("ChuckState", "chuck", ["CLOSED", "OPEN"] * 2, begin=ENDED + timedelta(minutes=12), apart=20)
        empty = await take(ledger, document(early, instance=1))
        assert [each["problem"]["code"] for each in empty["refusals"]] == ["spindle_unknown"]
        answer = await take(ledger, document(said, instance=2))
        assert [(each["spindle"], each["counts"]) for each in answer["counted"]] == [("OTHER", 20)]
        assert [(await ledger.spindle(key))["count"] for key in (SPINDLE, "OTHER")] == [100, 5_020]


async def test_a_spindle_with_a_mapping_of_its_own_is_not_counted_by_its_place_as_well(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger)
        other = story(key="OTHER")["04"]
        await ledger.record(other)
        place = {"plant": "skerrow", "machine": "M-OTHER", "position": "1"}
        await tie(ledger, "place", "delta", place=place)
        await ledger.record(event("spindle.removed", ENDED, {"to": "store"}, key="OTHER"))
        await ledger.record(event("spindle.removed", ENDED, {"to": "store"}))
        await tie(ledger, "own", "delta")
        await ledger.record(event("spindle.installed", ENDED + timedelta(minutes=1), place | {"hall": "2"}))
        for item, counted in (("own", [3]), ("place", [])):
            said = series("LoadCount", item, [3], begin=ENDED + timedelta(minutes=5))
            answer = await take(ledger, document(said))
            assert [each["counts"] for each in answer["counted"]] == counted
        assert answer["refusals"][0]["problem"]["code"] == "spindle_unknown"
        assert (await ledger.spindle())["count"] == 103


async def test_what_is_not_installed_is_refused_and_never_counted_later(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger)
        await tie(ledger, "act", "absolute")
        await ledger.record(event("spindle.removed", ENDED, {"to": "repair"}))
        said = series("ActivationCount", "act", [101, 105], begin=ENDED + timedelta(minutes=1))
        answer = await take(ledger, document(said))
        assert (counts(answer), answer["counted"]) == ({"accepted": 2, "refused": 1}, [])
        assert answer["refusals"][0]["problem"]["code"] == "spindle_not_installed"
        assert counts(await take(ledger, document(said))) == {"duplicate": 2}
        assert (await ledger.spindle())["count"] == 100


async def test_documents_at_the_same_time_count_once(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger)
        await tie(ledger, "chuck", "transition", states=["CLOSED"])
        said = series("ChuckState", "chuck", ["OPEN", "CLOSED"] * 60, begin=ENDED, apart=3)
        parts = [document(said[begin : begin + 40]) for begin in (0, 20, 40, 60, 80, 0, 40, 80)]
        answers = await asyncio.gather(*(take(ledger, part) for part in parts))
        assert sum(each["accepted"] for each in answers) == len(said)
        assert (await ledger.spindle())["count"] == 160
        assert (await ledger.verified()).faults == []
        assert await select(database_url, "SELECT * FROM kept.mtconnect_rise") == []


async def test_what_a_killed_process_left_on_its_way_is_recorded_once(database_url: str) -> None:
    """Planned and not carried out, carried out and not ended: the next document of the mapping brings it to its end."""
    async with running(database_url) as ledger:
        await commission(ledger)
        await tie(ledger, "act", "absolute")
        await take(ledger, document(series("ActivationCount", "act", [110], begin=ENDED)))
        kept = [dict(row) for row in await select(database_url, "SELECT number FROM kept.mtconnect_mapping")]
        columns = "mapping, spindle, occurred, counts, late, fresh_start, fresh_at, plan"
        mapping_id = (await ledger.client.get("/v1/mtconnect-mappings")).json()["items"][0]["id"]
        at = ENDED + timedelta(minutes=5)
        planned = {
            "rise": 900,
            "mapping": mapping_id,
            "spindle": SPINDLE,
            "occurred": at.isoformat(),
            "counts": 7,
            "steps": [{"old_end": 110, "new_start": 0, "at": (at - timedelta(minutes=1)).isoformat()}, {"reading": 7}],
        }
        for rise, plan in ((900, json.dumps(planned)), (901, None)):
            values = (rise, kept[0]["number"], SPINDLE, at + timedelta(minutes=rise - 900), 7, plan)
            await select(
                database_url,
                f"INSERT INTO kept.mtconnect_rise (rise, {columns}) OVERRIDING SYSTEM VALUE "
                "VALUES ($1, $2, $3, $4, $5, false, NULL, NULL, $6)",
                *values,
            )
        again = document(series("ActivationCount", "act", [110], begin=ENDED))
        await take(ledger, again)
        assert (await ledger.spindle())["count"] == 110 + 7 + 7
        await select(
            database_url,
            f"INSERT INTO kept.mtconnect_rise (rise, {columns}) OVERRIDING SYSTEM VALUE "
            "VALUES (900, $1, $2, $3, 7, false, NULL, NULL, $4)",
            *(kept[0]["number"], SPINDLE, at, json.dumps(planned)),
        )
        assert (await take(ledger, again))["refused"] == 0
        assert (await ledger.spindle())["count"] == 124, "carried out before: the same identities"


async def test_the_oldest_observations_are_forgotten_and_said(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger, max_per_second=1000)
        await tie(ledger, "act", "absolute")
        said = series("ActivationCount", "act", range(101, 5_400), begin=ENDED, apart=1)
        for begin in range(0, len(said), 1000):
            await take(ledger, document(said[begin : begin + 1000]))
        rows = await select(database_url, "SELECT count(*) AS points FROM kept.mtconnect_point")
        assert 4096 <= rows[0]["points"] <= 5120
        assert (await ledger.spindle())["count"] == 5_399
        old = await take(ledger, document(said[:50]))
        assert (counts(old), old["why_ignored"]["forgotten"]) == ({"ignored": 50}, 50)
        assert counts(await take(ledger, document(said[-50:]))) == {"duplicate": 50}
        assert (await ledger.spindle())["count"] == 5_399


def told_by_chance(chance: Random, use: str) -> tuple[list[bytes], int]:
    """Three runs of an agent in documents that are cut, overlap and repeat; and how much they count in all."""
    total, value, at = 0, 100, ENDED
    documents: list[bytes] = []
    for run in range(3):
        said = []
        for number in range(40):
            at += timedelta(seconds=4 + chance.randrange(20))
            rise = chance.randrange(0, 4)
            value = (0 if number == 0 and run else value) + rise
            total += 0 if use == "transition" else rise
            shown = {"absolute": value, "delta": rise, "transition": "CLOSED" if number % 2 else "OPEN"}[use]
            element = "ChuckState" if use == "transition" else "LoadCount"
            said.append(Said(sequence=3 * number + 1, time=at, item="it", element=element, value=str(shown)))
        total += 20 if use == "transition" else 0
        cuts = [sorted(chance.choices(range(len(said) + 1), k=2)) for _ in range(4)] + [[0, 25], [20, 40]]
        documents += [document(said[begin:end], instance=1000 * (run + 1)) for begin, end in cuts]
    chance.shuffle(documents)
    return documents, total


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("use", ["absolute", "delta", "transition"])
async def test_documents_of_chance_count_as_in_order_and_a_rebuild_changes_nothing(
    database_url: str, use: str, seed: int
) -> None:
    documents, total = told_by_chance(Random(seed), use)
    async with running(database_url) as ledger:
        await commission(ledger)
        await tie(ledger, "it", use, **({"states": ["CLOSED"]} if use == "transition" else {}))
        for each in documents:
            await take(ledger, each)
        assert (await ledger.spindle())["count"] == 100 + total
        rebuilt = [looked.differences async for looked in rebuild(ledger.database, write=False)]
        assert rebuilt == [()]
        assert (await ledger.verified()).faults == []
