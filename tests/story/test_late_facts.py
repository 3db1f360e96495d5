"""Facts that come late, or in any order, end in the state they would have had in order."""

import json
import random
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, Final

import pytest

from tests.running import Json, Running, assert_dense, differences, running, select
from tests.story.day_one import ENDED, SPINDLE, counter_read, event, measured, q, rebuild, story

PLACES: Final = frozenset({"sequence", "entry", "episode", "settled_at", "torque"})
"""Members that say where in the ledger something stands: they differ with the order of arrival."""


def without_places(value: Any) -> Any:
    """What a spindle is, without where its entries stand."""
    if isinstance(value, dict):
        return {name: without_places(member) for name, member in value.items() if name not in PLACES}
    if isinstance(value, list):
        return [without_places(member) for member in value]
    return value


async def seen(ledger: Running, key: str = SPINDLE) -> Json:
    """The spindle, its clearance and its measurements as every caller sees them, without places."""
    shown = await ledger.spindle(key)
    shown["work_orders"] = len(shown["work_orders"])
    shown["rechecks"].sort(key=lambda each: (each["recheck"], each["since"]["time"]))
    clearance = (await ledger.client.get(f"/v1/spindles/{key}/clearance")).json()
    clearance.pop("as_of")
    measurements = (await ledger.client.get(f"/v1/spindles/{key}/measurements")).json()["items"]
    measurements.sort(key=lambda each: each["time"])
    return {
        "spindle": without_places(shown),
        "clearance": without_places(clearance),
        "measurements": [without_places(each) for each in measurements],
    }


def readings(begins: datetime, count: int, number: int) -> list[tuple[datetime, int]]:
    """Counters read every twenty seconds, a cycle up each time."""
    return [(begins + timedelta(seconds=20 * n), count + n) for n in range(number)]


async def read_all(ledger: Running, told: Sequence[tuple[datetime, int]]) -> None:
    for at, count in told:
        answer = await ledger.read_counters(at, {SPINDLE: count})
        assert answer["refused"] == 0, answer


LATE_AT: Final = ENDED + timedelta(minutes=30, seconds=7)
TORQUE: Final = {"torque": q("37", "N.m"), "how": "set", "tool": "TW-11"}
LATE: Final[dict[str, list[Json]]] = {
    "a rebuild": [
        event("clamping_set.replaced", LATE_AT, {"segments_seated": 6, "o_ring_fitted": True, "reason": "broken"})
    ],
    "a rebuild that is accepted": rebuild(LATE_AT, 118_346),
    "a setting out of its limits": [measured(LATE_AT, "11.52", "11.48")],
    "a condition": [
        event("condition.noted", LATE_AT, {"component": "draw bar", "code": "scored", "unusable": True}),
    ],
    "an adjustment": [event("nose.adjusted", LATE_AT, {"turn": q("3", "deg"), "direction": "in"})],
    "a torque, run in by the machine": [
        event("nose.torqued", LATE_AT, TORQUE),
        measured(LATE_AT + timedelta(minutes=2), "11.40", "11.39"),
    ],
    "a count": [event("visual.checked", LATE_AT, {"count": 118_286})],
    "a grace of the recheck that is due": [event("clamping_set.greased", LATE_AT + timedelta(hours=3), {})],
}


async def tell_both(behind: Running, ordered: Running, told: list[tuple[datetime, int]], late: list[Json]) -> None:
    """The late facts after all readings on one side, everything in order of time on the other."""
    await behind.record_all(story().values())
    await read_all(behind, told)
    await behind.record_all(late)
    await ordered.record_all(story().values())
    in_order: list[tuple[datetime, int] | Json] = [*told, *late]
    for each in sorted(in_order, key=moment):
        if isinstance(each, tuple):
            await read_all(ordered, [each])
        else:
            await ordered.record(each)


@pytest.mark.parametrize("late", LATE)
async def test_a_late_fact_behind_readings_ends_as_in_order(
    database_url: str, another_database_url: str, late: str
) -> None:
    """A reading every 20 s for two and a half hours; after the fact, windows open and rechecks fall due among them."""
    told = [(at, 118_211 + (count - 118_211) * 2) for at, count in readings(ENDED + timedelta(minutes=5), 118_211, 440)]
    async with running(database_url) as behind, running(another_database_url) as ordered:
        await tell_both(behind, ordered, told, LATE[late])
        assert differences(await seen(behind), await seen(ordered)) == {}
        assert await episodes(behind) == await episodes(ordered)
        for url in (database_url, another_database_url):
            await assert_dense(url)


async def episodes(ledger: Running) -> list[Any]:
    """Every episode of a recheck as it stands, without places."""
    rows = await select(ledger.url, "SELECT body FROM derived.recheck")
    found = [without_places(json.loads(row["body"])) for row in rows]
    return sorted(found, key=lambda each: (each["recheck"], each["since"]["time"]))


async def test_a_late_rebuild_behind_three_thousand_readings(database_url: str, another_database_url: str) -> None:
    """A reading every 15 s for more than twelve hours; the rebuild's recheck fell due in the midst of them."""
    told = [(ENDED + timedelta(minutes=5, seconds=15 * n), 118_211 + n // 4) for n in range(3000)]
    late = rebuild(ENDED + timedelta(minutes=40, seconds=7), 118_266)
    async with running(database_url) as behind, running(another_database_url) as ordered:
        await tell_both(behind, ordered, told, late)
        assert differences(await seen(behind), await seen(ordered)) == {}
        assert await episodes(behind) == await episodes(ordered)
        told_of = "SELECT body -> 'data' -> 'recheck' ->> 'due_at_count' AS count FROM kept.notice WHERE type = $1"
        due = [row["count"] for row in await select(behind.url, told_of, "recheck.due")]
        assert due == ["118710", "118766"], "what was due before the rebuild was known, and what is due since"
        (bed_in,) = [each for each in (await behind.spindle())["rechecks"] if each["recheck"] == "bed-in"]
        assert (bed_in["state"], bed_in["due"]["count"]) == ("due", 118_766)
        assert bed_in["due"]["time"] == shown(ENDED + timedelta(minutes=5, seconds=15 * 4 * (118_766 - 118_211)))


def shown(at: datetime) -> str:
    return at.isoformat().replace("+00:00", "Z")


async def test_a_late_rebuild_of_one_of_sixty_spindles_that_are_read_together(
    database_url: str, another_database_url: str
) -> None:
    """Sixty spindles, fifty readings each in bulk; one of them turns out to have been rebuilt before most of them."""
    spindles = [SPINDLE, *(f"N{n}" for n in range(59))]
    told = readings(ENDED + timedelta(minutes=30), 118_220, 50)
    late = rebuild(ENDED + timedelta(minutes=31, seconds=7), 118_224)
    late[-1]["data"].pop("count")
    async with running(database_url) as behind, running(another_database_url) as ordered:
        for ledger in (behind, ordered):
            await ledger.record_all(story().values())
            for key in spindles[1:]:
                await ledger.record_all([story(key=key)["04"], counter_read(ENDED, 118_200, key=key)])
        for at, count in told:
            await behind.read_counters(at, dict.fromkeys(spindles, count))
        await behind.record_all(late)
        waiting: list[tuple[datetime, int] | Json] = [*told, *late]
        waiting.sort(key=moment)
        for each in waiting:
            if isinstance(each, tuple):
                await ordered.read_counters(each[0], dict.fromkeys(spindles, each[1]))
            else:
                await ordered.record(each)
        for key in spindles[:3]:
            assert differences(await seen(behind, key), await seen(ordered, key)) == {}, key


def moment(told: tuple[datetime, int] | Json) -> datetime:
    return told[0] if isinstance(told, tuple) else datetime.fromisoformat(told["time"])


def whole_story() -> list[Json]:
    """Day one after its commissioning, and a day after it: counters past due, the check, a rebuild, a draw force."""
    later = [
        counter_read(ENDED + timedelta(hours=1), 118_659),
        counter_read(ENDED + timedelta(hours=2), 118_700),
        counter_read(ENDED + timedelta(hours=3), 118_710),
        counter_read(ENDED + timedelta(hours=4), 118_961),
        event("condition.noted", ENDED + timedelta(hours=4, minutes=30), {"component": "sleeve", "code": "worn"}),
        measured(ENDED + timedelta(hours=5), "11.42", "11.40", count=118_970),
        event("clamping_set.greased", ENDED + timedelta(hours=6), {"grease": "G-1"}),
        *rebuild(ENDED + timedelta(hours=7), 119_100),
        event("counter.replaced", ENDED + timedelta(hours=8), {"old_end": 119_200, "new_start": 7, "modulus": 5000}),
        counter_read(ENDED + timedelta(hours=9), 420),
        counter_read(ENDED + timedelta(hours=10), 500),
    ]
    return [*[each for number, each in story().items() if number > "04"], *later]


def shuffle(told: list[Json], seed: int) -> list[Json]:
    """In any order, but the exchange of the counter before the readings of the new one, which nobody could place."""
    random.Random(seed).shuffle(told)
    exchange = next(each for each in told if each["type"] == "counter.replaced")
    told.remove(exchange)
    new = [place for place, each in enumerate(told) if each["data"].get("count", 10**9) < 1000]
    told.insert(random.Random(seed).randint(0, min(new)), exchange)
    return told


async def test_an_exchange_of_the_counter_told_late_explains_what_was_not_believed(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        await ledger.read_counters(ENDED + timedelta(hours=1), {SPINDLE: 118_300})
        for hours, reading in ((3, 40), (4, 90), (5, 330)):
            await ledger.read_counters(ENDED + timedelta(hours=hours), {SPINDLE: reading})
        flagged = await ledger.spindle()
        assert ([each["code"] for each in flagged["reasons"]], flagged["count"]) == (["counter_backward"], 118_300)
        await ledger.record(
            event("counter.replaced", ENDED + timedelta(hours=2), {"old_end": 118_390, "new_start": 10})
        )
        explained = await ledger.spindle()
        assert [each["code"] for each in explained["reasons"]] == ["recheck_due"]
        assert explained["count"] == 118_390 + 320
        assert await ledger.notices("recheck.due") == ["recheck.due"]


async def test_what_the_old_counter_was_read_at_after_its_exchange_crosses_nothing(database_url: str) -> None:
    """The exchange is told an hour late; until then the old counter's readings were taken for plain ones."""
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        for minutes in range(5, 65, 5):
            await ledger.read_counters(ENDED + timedelta(minutes=minutes), {SPINDLE: 118_210 + minutes})
        exchange = {"old_end": 118_230, "new_start": 10}
        await ledger.record(event("counter.replaced", ENDED + timedelta(minutes=22), exchange))
        await ledger.read_counters(ENDED + timedelta(hours=2), {SPINDLE: 60})
        shown = await ledger.spindle()
        assert (shown["reasons"], shown["count"]) == ([], 118_230 + 50)
        assert await ledger.notices("counter.backward", "recheck.opened") == []


@pytest.mark.parametrize("seed", range(8))
async def test_arrival_in_any_order_ends_in_the_same_state(
    database_url: str, another_database_url: str, seed: int
) -> None:
    told = story()
    begun = [told[number] for number in ("01", "02", "03", "04")]
    shuffled = shuffle(whole_story(), seed)
    async with running(database_url) as mixed, running(another_database_url) as ordered:
        await ordered.record_all([*begun, *whole_story()])
        await mixed.record_all([*begun, *shuffled])
        expected = await seen(ordered)
        assert differences(await seen(mixed), expected) == {}
        assert (await mixed.verified()).faults == []
    assert expected["spindle"]["count"] == 119_200 + 493
    assert [reason["code"] for reason in expected["spindle"]["reasons"]] == ["recheck_due"]


@pytest.mark.parametrize("seed", range(4))
async def test_events_and_bulk_readings_in_any_order_end_in_the_same_state(
    database_url: str, another_database_url: str, seed: int
) -> None:
    """Counters come through the bulk door, in any order among the facts; what comes late is late, and counts."""
    facts = [each for each in whole_story() if each["type"] not in ("counter.read", "counter.replaced")]
    for fact in facts:
        fact["data"].pop("count", None)
    counted = [(ENDED + timedelta(minutes=20 * n, seconds=7), 118_215 + 40 * n) for n in range(-3, 40)]
    mixed_told: list[tuple[datetime, int] | Json] = [*facts, *counted]
    in_order = sorted(mixed_told, key=moment)
    random.Random(seed).shuffle(mixed_told)
    told = story()
    async with running(database_url) as mixed, running(another_database_url) as ordered:
        for ledger, said in ((mixed, mixed_told), (ordered, in_order)):
            await ledger.record_all([told[number] for number in ("01", "02", "03", "04")])
            for each in said:
                if isinstance(each, tuple):
                    await read_all(ledger, [each])
                else:
                    await ledger.record(each)
        assert differences(await seen(mixed), await seen(ordered)) == {}
