"""Counters in bulk: every answer a reading can have, names that are places, and two thousand spindles in one call."""

from collections.abc import Sequence
from datetime import timedelta

import pytest

from tests.running import Json, Running, assert_dense, running, select
from tests.story.day_one import ENDED, SPINDLE, counter_read, event, story

COUNTS = ("accepted", "unchanged", "duplicate", "late", "refused")


def counts(answer: Json) -> dict[str, int]:
    """What the answer counted, zeros left out."""
    return {name: answer[name] for name in COUNTS if answer[name]}


async def commission(ledger: Running, keys: Sequence[str], *, read: bool = True, **counter: int) -> None:
    """Spindles at 118 000, read at 118 200 an hour before the story's end unless `read` is false."""
    told = story()
    await ledger.record_all([told["01"], told["02"], told["03"]])
    for key in keys:
        begun = story(key=key)["04"]
        begun["data"]["counter"] |= counter
        await ledger.record(begun)
        if read:
            await ledger.record(counter_read(ENDED - timedelta(hours=1), 118_200, key=key))


async def entries(ledger: Running) -> tuple[int, int]:
    """How many facts and how many plain readings the ledger holds."""
    rows = await select(
        ledger.url,
        "SELECT (SELECT count(*) FROM ledger.entry) AS facts, (SELECT count(*) FROM ledger.reading) AS readings",
    )
    return rows[0]["facts"], rows[0]["readings"]


async def test_plain_readings_are_readings_and_what_needs_thought_is_a_fact(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger, ["NEW"], read=False)
        await commission(ledger, ["A", "B"])
        facts, readings = await entries(ledger)
        first = await ledger.read_counters(ENDED, {"NEW": 118_100, "A": 118_300, "B": 118_301})
        assert counts(first) == {"accepted": 3}
        assert await entries(ledger) == (facts + 1, readings + 2), "the first reading of a counter is a fact"
        second = await ledger.read_counters(ENDED + timedelta(minutes=5), {"NEW": 118_110, "A": 118_310})
        assert counts(second) == {"accepted": 2}
        assert await entries(ledger) == (facts + 1, readings + 4)
        assert [(each["type"], each["data"]) for each in (await ledger.history("A"))[-2:]] == [
            ("counter.read", {"count": 118_300}),
            ("counter.read", {"count": 118_310}),
        ]
        for key, count in (("NEW", 118_110), ("A", 118_310), ("B", 118_301)):
            assert (await ledger.spindle(key))["count"] == count


async def test_every_status_in_one_call(database_url: str) -> None:
    at = ENDED + timedelta(hours=1)
    async with running(database_url) as ledger:
        await commission(ledger, ["MOVED", "STILL", "AGAIN", "OTHER", "LATE", "STORED"])
        await ledger.read_counters(at, {"AGAIN": 118_300, "OTHER": 118_300})
        await ledger.read_counters(at + timedelta(minutes=1), {"LATE": 118_400})
        await ledger.record(event("spindle.removed", ENDED, {"to": "store"}, key="STORED"))
        still = await ledger.read_counters(at - timedelta(minutes=59), {"STILL": 118_200})
        assert counts(still) == {"accepted": 1}, "an unmoved count is an entry once the newest is an hour old"
        sent = {
            "MOVED": 118_300,
            "STILL": 118_200,
            "AGAIN": 118_300,
            "OTHER": 118_299,
            "LATE": 118_350,
            "STORED": 118_300,
            "NOBODY": 1,
            "M-NOBODY/1": 1,
        }
        answer = await ledger.read_counters(at, sent)
        assert counts(answer) == {"accepted": 1, "unchanged": 1, "duplicate": 1, "late": 1, "refused": 4}
        items = {each["key"]: each for each in answer["items"]}
        assert {key: (each["status"], each.get("problem", {}).get("code")) for key, each in items.items()} == {
            "LATE": ("late", None),
            "OTHER": ("refused", "identity_conflict"),
            "STORED": ("refused", "spindle_not_installed"),
            "NOBODY": ("refused", "spindle_unknown"),
            "M-NOBODY/1": ("refused", "spindle_unknown"),
        }
        assert items["OTHER"]["problem"]["status"] == 409
        for key, count in (("MOVED", 118_300), ("STILL", 118_200), ("OTHER", 118_300), ("LATE", 118_400)):
            assert (await ledger.spindle(key))["count"] == count
        again = await ledger.read_counters(at, sent)
        assert counts(again) == {"unchanged": 1, "duplicate": 3, "refused": 4}
        await assert_dense(database_url)


async def test_an_unmoved_count_is_an_entry_once_an_hour(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger, ["A"])
        said = []
        for minutes in range(10, 200, 10):
            answer = await ledger.read_counters(ENDED + timedelta(minutes=minutes), {"A": 118_200})
            said.append(next(iter(counts(answer))))
        assert said == (["accepted"] + ["unchanged"] * 5) * 3 + ["accepted"]
        assert len(await ledger.history("A")) == 2 + 4


async def test_a_place_stands_for_what_was_installed_there_then(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger, ["A", "B"])
        place = {"plant": "skerrow", "hall": "2", "machine": "M-A", "position": "1"}
        await ledger.record(event("spindle.removed", ENDED, {"to": "repair"}, key="A"))
        await ledger.record(event("spindle.removed", ENDED, {"to": "store"}, key="B"))
        counter = {"start": 118_250, "modulus": 1_000_000}
        moved = event("spindle.installed", ENDED + timedelta(minutes=10), place | {"counter": counter}, key="B")
        await ledger.record(moved)
        empty = await ledger.read_counters(ENDED + timedelta(minutes=5), {"M-A/1": 118_240})
        assert empty["items"][0]["problem"]["code"] == "spindle_unknown"
        assert counts(await ledger.read_counters(ENDED + timedelta(minutes=20), {"M-A/1": 118_260})) == {"accepted": 1}
        assert (await ledger.spindle("B"))["count"] == 118_200 + 10
        before = await ledger.read_counters(ENDED - timedelta(minutes=30), {"M-A/1": 118_210})
        assert before["refused"] + before["late"] + before["accepted"] == 1
        assert (await ledger.spindle("B"))["count"] == 118_200 + 10
        history = [each["data"].get("count") for each in await ledger.history("B")]
        assert 118_210 not in history, "half an hour before, another spindle was there"


async def test_a_spindle_named_twice_counts_once(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger, ["A"])
        same = await ledger.read_counters(ENDED, {"A": 118_300, "M-A/1": 118_300})
        assert counts(same) == {"accepted": 1, "duplicate": 1}
        other = await ledger.read_counters(ENDED + timedelta(hours=1), {"A": 118_400, "M-A/1": 118_401})
        assert counts(other) == {"accepted": 1, "refused": 1}
        assert other["items"][0]["problem"]["code"] == "identity_conflict"


@pytest.mark.parametrize(
    ("reading", "code", "told"),
    [(118_100, "counter_backward", ["counter.backward"]), (900_000, "counter_implausible", ["counter.backward"])],
)
async def test_what_cannot_be_is_flagged_and_not_counted(
    database_url: str, reading: int, code: str, told: list[str]
) -> None:
    async with running(database_url) as ledger:
        await commission(ledger, ["A"])
        assert counts(await ledger.read_counters(ENDED, {"A": reading})) == {"accepted": 1}
        shown = await ledger.spindle("A")
        assert (shown["count"], shown["clearance"]) == (118_200, "restricted")
        assert code in [each["code"] for each in shown["reasons"]]
        assert await ledger.notices("counter.backward") == told
        assert counts(await ledger.read_counters(ENDED + timedelta(hours=1), {"A": 118_250})) == {"accepted": 1}
        assert (await ledger.spindle("A"))["count"] == 118_250


async def test_a_roll_over_is_counted_and_readings_after_it_are_plain(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger, ["A"], modulus=118_400)
        await ledger.read_counters(ENDED, {"A": 118_390})
        facts, readings = await entries(ledger)
        assert counts(await ledger.read_counters(ENDED + timedelta(hours=1), {"A": 40})) == {"accepted": 1}
        assert (await ledger.spindle("A"))["count"] == 118_390 + 50
        assert counts(await ledger.read_counters(ENDED + timedelta(hours=2), {"A": 60})) == {"accepted": 1}
        assert (await ledger.spindle("A"))["count"] == 118_390 + 70
        assert await entries(ledger) == (facts + 1, readings + 1)
        assert await ledger.notices("counter.backward") == []


async def test_counts_stand_for_several_cycles_where_the_counter_says_so(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger, ["A"], read=False, cycles_per_count=2)
        await ledger.read_counters(ENDED, {"A": 118_010})
        await ledger.read_counters(ENDED + timedelta(hours=1), {"A": 118_020})
        assert (await ledger.spindle("A"))["count"] == 118_040


async def test_two_thousand_spindles_in_one_call(database_url: str) -> None:
    keys = [f"K{n:04}" for n in range(2000)]
    begun = [story(key=key)["04"] for key in keys]
    pushed = [counter_read(ENDED - timedelta(hours=1), 118_200, key=key) for key in keys]
    told = story()
    async with running(database_url) as ledger:
        await ledger.record_all([told["01"], told["02"], told["03"]])
        answers = [*await ledger.batch(begun), *await ledger.batch(pushed)]
        assert {each["status"] for each in answers} == {"accepted"}
        facts, _ = await entries(ledger)
        sent = {key: 118_201 + place for place, key in enumerate(keys)}
        assert counts(await ledger.read_counters(ENDED, sent)) == {"accepted": 2000}
        assert await entries(ledger) == (facts, 2000)
        assert counts(await ledger.read_counters(ENDED, sent)) == {"duplicate": 2000}
        moved = await select(database_url, "SELECT sum(count) AS sum FROM derived.counter")
        assert moved[0]["sum"] == sum(sent.values())
        await assert_dense(database_url)
        assert (await ledger.verified()).faults == []


async def test_a_first_reading_while_clearance_is_withheld_is_a_finding(database_url: str) -> None:
    async with running(database_url) as ledger:
        told = story()
        await ledger.record_all([told[number] for number in ("01", "02", "03", "04", "05", "06")])
        await ledger.read_counters(ENDED, {SPINDLE: 118_300})
        assert [each["code"] for each in (await ledger.spindle())["findings"]] == ["used_while_withheld"]
