"""A made-up plant told through the doors, then asked what it would have been told: forecasts against what then came."""

import asyncio
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import pytest

from service.clocks import Clocks
from service.demo.plant import Plant, make_plant
from service.foresee import Foreseer
from service.rebuild import rebuild
from tests.running import Json, Running, running, select
from tests.story.day_one import SPINDLE, story

WEEKS: Final = 9
MIDNIGHT: Final = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0)


def plant_of(seed: int, spindles: int = 6) -> Plant:
    return make_plant(
        seed,
        spindles=spindles,
        weeks=WEEKS,
        begin=MIDNIGHT - timedelta(days=WEEKS * 7),
        every=timedelta(hours=6),
        halls=1,
    )


async def tell(ledger: Running, plant: Plant, *, until: datetime | None = None) -> None:
    """The plant's story: events in batches between the readings of its counters."""
    waiting: list[Json] = []
    for kind, body in plant.story():
        if until is not None and datetime.fromisoformat(str(body["time"])) > until:
            break
        if kind == "event":
            waiting.append(body)
            continue
        if waiting:
            answers = await ledger.batch(waiting)
            assert all(each["status"] == "accepted" for each in answers), answers
            waiting = []
        answer = await ledger.client.post("/v1/counter-readings", json=body)
        assert answer.status_code == 200, answer.text
        assert answer.json()["refused"] == 0, answer.text
    if waiting:
        await ledger.batch(waiting)


async def foresee(ledger: Running) -> int:
    return await Foreseer(ledger.database, Clocks()).once()


async def ask(ledger: Running, key: str, **asked: str) -> Json:
    answer = await ledger.client.get(f"/v1/spindles/{key}/forecast", params=asked)
    assert answer.status_code == 200, answer.text
    found: Json = answer.json()
    return found


def at(text: Any) -> datetime:
    return datetime.fromisoformat(str(text))


async def test_what_was_foreseen_is_compared_with_what_came(database_url: str) -> None:
    """Asked at moments of the past about every recheck that counts cycles: when its count was truly reached."""
    plant = plant_of(11)
    async with running(database_url) as ledger:
        await tell(ledger, plant)
        await foresee(ledger)
        inside, misses = [], []
        for spindle in plant.spindles:
            for weeks in (3, 4, 5, 6):
                asked = plant.begin + timedelta(weeks=weeks, hours=29)
                answer = await ask(ledger, spindle.key, as_of=asked.isoformat())
                for found in answer["rechecks"]:
                    if found["due_at_count"] is None or found["state"] == "due":
                        continue
                    due, came = found["due"], spindle.use.when(found["due_at_count"] - spindle.shown.start)
                    (low, high), (low80, high80) = map(at, due["p95"]), map(at, due["p80"])
                    assert low <= low80 <= at(due["median"]) <= high80 <= high
                    came = min((each for each in (came, found["due_at"] and at(found["due_at"])) if each), default=None)
                    inside.append(high >= plant.end if came is None else low <= came <= high)
                    if came is not None:
                        misses.append(abs(at(due["median"]) - came))
    assert len(inside) >= 24
    assert sum(inside) >= 0.8 * len(inside)
    assert len(misses) >= 8
    assert sorted(misses)[len(misses) // 2] < timedelta(days=3)


async def test_a_forecast_of_the_past_is_what_would_have_been_said_then(
    database_url: str, another_database_url: str
) -> None:
    """Told to the middle in one ledger, and to the end in another that is asked about the middle."""
    plant = plant_of(12, spindles=2)
    middle = plant.begin + timedelta(weeks=5, hours=10)
    async with running(database_url) as early, running(another_database_url) as whole:
        await tell(early, plant, until=middle)
        await foresee(early)
        await tell(whole, plant)
        await foresee(whole)
        for spindle in plant.spindles:
            then = await ask(early, spindle.key, as_of=middle.isoformat())
            assert await ask(whole, spindle.key, as_of=middle.isoformat()) == then
            assert then["use"]["observed_days"] > 30


async def test_what_the_round_has_not_read_yet_is_in_the_answer_all_the_same(database_url: str) -> None:
    plant = plant_of(13, spindles=3)
    async with running(database_url) as ledger:
        await tell(ledger, plant)
        keys = [each.key for each in plant.spindles]
        moment = (MIDNIGHT - timedelta(hours=1)).isoformat()
        before = [(await ask(ledger, key, as_of=moment))["use"]["observed_days"] for key in keys]
        assert await foresee(ledger) == 3
        after = [(await ask(ledger, key, as_of=moment))["use"]["observed_days"] for key in keys]
        assert before == after
        assert min(after) > 55


async def test_every_round_in_any_portions_ends_in_the_same_hours(database_url: str) -> None:
    """Read on while the story is told, and read from the beginning once more: the same rows."""
    plant = plant_of(14, spindles=3)
    hours = "SELECT subject, hour, at, reading FROM derived.use_hour ORDER BY subject, hour"
    async with running(database_url) as ledger:
        stop = asyncio.Event()

        async def read_on() -> None:
            while not stop.is_set():
                await foresee(ledger)
                await asyncio.sleep(0.05)

        beside = asyncio.create_task(read_on())
        await tell(ledger, plant)
        stop.set()
        await beside
        await foresee(ledger)
        before = [tuple(row) for row in await select(database_url, hours)]
        assert len(before) > 3 * WEEKS * 7 * 2
        await select(database_url, "TRUNCATE derived.use_tail, derived.use_hour")
        assert await foresee(ledger) == 3
        assert [tuple(row) for row in await select(database_url, hours)] == before
        assert await foresee(ledger) == 0


async def test_a_late_reading_and_a_correction_find_their_hours(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        start = datetime.now(UTC) - timedelta(hours=30)
        hour = timedelta(hours=1)
        for number in (1, 2, 4, 5):
            await ledger.read_counters(start + number * hour, {SPINDLE: 118_210 + 10 * number})
        await foresee(ledger)
        await ledger.read_counters(start + 3 * hour, {SPINDLE: 118_240})
        await foresee(ledger)
        readings = "SELECT reading FROM derived.use_hour WHERE at >= $1 ORDER BY hour"
        since = start + hour / 2
        assert [row["reading"] for row in await select(database_url, readings, since)] == [
            118_220,
            118_230,
            118_240,
            118_250,
            118_260,
        ]
        wrong = (await ledger.history())[-2]
        void = {"target": {"source": wrong["source"], "id": wrong["id"]}, "reason": "misread"}
        head = {"specversion": "1.0", "source": "/skerrow/office", "actor": "r.t. engineer", "id": "void-1"}
        time = datetime.now(UTC).isoformat()
        await ledger.record(
            head | {"type": "entry.voided", "subject": f"spindles/{SPINDLE}", "time": time, "data": void}
        )
        await foresee(ledger)
        left = [row["reading"] for row in await select(database_url, readings, since)]
        assert len(left) == 4
        looked = [each async for each in rebuild(ledger.database)]
        assert [each.differences for each in looked] == [()]


async def test_a_rebuild_finds_hours_that_are_wrong_and_puts_them_right(database_url: str) -> None:
    plant = plant_of(15, spindles=2)
    async with running(database_url) as ledger:
        await tell(ledger, plant)
        await ledger.sweep()
        await foresee(ledger)
        await select(database_url, "UPDATE derived.use_hour SET reading = reading + 5 WHERE hour % 50 = 0")
        await select(database_url, "INSERT INTO derived.use_fit VALUES (4711, now(), 'UTC', '{}')")
        found = [each async for each in rebuild(ledger.database)]
        tables = {each.table for looked in found for each in looked.differences}
        assert {each for each in tables if each.startswith("use_")} == {"use_hour", "use_fit"}
        assert [each.put_right async for each in rebuild(ledger.database, write=True)] == [True] * 3
        await foresee(ledger)
        assert [each.differences async for each in rebuild(ledger.database)] == [()] * 2


async def test_nothing_known_is_said_and_no_time_invented(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        found = await ask(ledger, SPINDLE)
        assert found["use"] is None
        assert found["missing"] == "too_few_readings"
        by_code = {each["recheck"]: each for each in found["rechecks"]}
        assert (by_code["bed-in"]["due"], by_code["bed-in"]["reason"]) == (None, "too_few_readings")
        force = by_code["force-quarterly"]
        assert (force["by"], at(force["due"]["median"])) == ("days", at(force["due_at"]))
        assert force["reason"] == "too_few_readings", "by cycles it may be sooner, and that is not known"


@pytest.mark.parametrize(
    ("asked", "status", "code", "parameter"),
    [
        ({"as_of": "2199-01-01T00:00:00Z"}, 400, "time_to_come", "as_of"),
        ({"as_of": "yesterday"}, 422, "time_invalid", "as_of"),
        ({"as_of": "2001-01-01T00:00:00Z"}, 404, "spindle_not_found", None),
        ({"known_at": "2025-01-01T00:00:00Z"}, 400, "query_parameter_unknown", "known_at"),
    ],
)
async def test_what_cannot_be_asked_is_refused_by_its_place(
    database_url: str, asked: dict[str, str], status: int, code: str, parameter: str | None
) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        answer = await ledger.client.get(f"/v1/spindles/{SPINDLE}/forecast", params=asked)
        assert (answer.status_code, answer.json()["code"]) == (status, code)
        if parameter is not None:
            assert answer.json()["errors"][0]["parameter"] == parameter
        unknown = await ledger.client.get("/v1/spindles/NOBODY/forecast")
        assert (unknown.status_code, unknown.json()["code"]) == (404, "spindle_not_found")
