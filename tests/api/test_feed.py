"""The feed over HTTP: everything once, in order, whoever writes, whoever filters, wherever it is read on from."""

import asyncio
import json
from collections.abc import Sequence
from datetime import timedelta
from typing import Any, Final

import asyncpg
import pytest

from tests.running import Json, Running, running, select
from tests.story.day_one import ENDED, SPINDLE, counter_read, event, story

LINES: Final = {"Accept": "application/x-ndjson"}
WRITERS: Final = 8
EACH: Final = 12
_HELD: Final = """
    WITH place AS (
        UPDATE ledger.log SET position = position + 1, recorded = clock_timestamp()
        FROM ledger.subject WHERE subject.key = $1 AND subject.log = log.log
        RETURNING log.log, position, recorded, subject
    )
    INSERT INTO ledger.reading
    SELECT position, 99, now(), recorded, 118200, subject, 1, 1, log, 2, sha256('') FROM place
"""
"""An entry that has its place and its time and is not committed: what follows it in its log waits."""
_ALL: Final = "SELECT log, position FROM ledger.entry UNION ALL SELECT log, position FROM ledger.reading"


async def page(ledger: Running, after: str | None = None, **asked: Any) -> Json:
    parameters = asked if after is None else {"after": after, **asked}
    answer = await ledger.client.get("/v1/events", params=parameters)
    assert answer.status_code == 200, answer.text
    found: Json = answer.json()
    return found


async def pages(ledger: Running, after: str | None = None, **asked: Any) -> tuple[list[Json], str]:
    """Every item to the end, and the cursor there."""
    items: list[Json] = []
    while True:
        found = await page(ledger, after, **asked)
        items += found["items"]
        if found["next"] == after:
            return items, found["next"]
        after = found["next"]


async def prepare(ledger: Running, spindles: Sequence[str]) -> None:
    """Sheet, gauge, and spindles that were read once, so that the next reading in bulk is plain."""
    await ledger.record_all([story()[number] for number in ("01", "02", "03")])
    for key in spindles:
        read = counter_read(ENDED - timedelta(hours=1), 118_200, key=key)
        await ledger.record_all([story(key=key)["04"], read])


async def write(ledger: Running, key: str) -> None:
    for number in range(EACH):
        at = ENDED + timedelta(seconds=number)
        if number % 2:
            await ledger.read_counters(at, {key: 118_200 + number}, source=f"/mes/{key}")
        else:
            await ledger.record(event("visual.checked", at, {"findings": "none"}, key=key))


def places(items: Sequence[Json]) -> list[tuple[int, int]]:
    return [(item["log"], item["position"]) for item in items]


async def everything(ledger: Running) -> list[tuple[int, int]]:
    return sorted((row["log"], row["position"]) for row in await select(ledger.url, _ALL))


async def test_a_reader_beside_eight_writers_and_one_that_is_held_misses_nothing_and_sees_nothing_twice(
    database_url: str,
) -> None:
    spindles = [f"W{number}" for number in range(WRITERS)]
    async with running(database_url) as ledger, running(database_url) as other:
        await prepare(ledger, spindles)
        held = await asyncpg.connect(database_url)
        await held.execute("BEGIN")
        await held.execute(_HELD, "W0")
        writing = asyncio.gather(*(write((ledger, other)[n % 2], key) for n, key in enumerate(spindles)))
        read: list[Json] = []
        after, released = None, False
        while not writing.done():
            found = await page(ledger, after, limit=7)
            read, after = read + found["items"], found["next"]
            if not released and len(read) > 40:
                assert not writing.done()
                await held.execute("COMMIT")
                released = True
        await writing
        await held.close()
        assert released
        rest, _ = await pages(other, after, limit=100)
        seen = places(read + rest)
        assert len(seen) == len(set(seen)) == 3 + 2 * WRITERS + WRITERS * EACH + 1
        assert sorted(seen) == await everything(ledger)
        for log in {log for log, _ in seen}:
            of_log = [position for each, position in seen if each == log]
            assert of_log == list(range(1, len(of_log) + 1))


def without_fate(item: Json) -> Json:
    return {name: value for name, value in item.items() if name != "superseded"}


async def test_a_page_is_merged_by_when_it_was_recorded_and_shows_what_the_history_shows(database_url: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, [SPINDLE, "W1"])
        await write(ledger, SPINDLE)
        items, _ = await pages(ledger, limit=1000)
        assert items == sorted(items, key=lambda item: (item["recorded"], item["log"], item["position"]))
        history = [without_fate(item) for item in await ledger.history()]
        assert [item for item in items if item["subject"] == f"spindles/{SPINDLE}"] == history
        assert {item["type"] for item in items} >= {"sheet.issued", "gauge.calibrated", "counter.read"}
        for limit in (1, 3, 16):
            assert sorted(places((await pages(ledger, limit=limit))[0])) == sorted(places(items))


async def test_a_cursor_outlives_the_process_and_stands_still_at_the_end(database_url: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, [SPINDLE])
        first = await page(ledger, limit=2)
        assert len(first["items"]) == 2
    async with running(database_url) as ledger:
        rest, end = await pages(ledger, first["next"], limit=2)
        assert sorted(places(first["items"] + rest)) == await everything(ledger)
        assert (await page(ledger, end)) == {"items": [], "next": end}
        await ledger.record(counter_read(ENDED, 118_300))
        assert [item["data"] for item in (await page(ledger, end))["items"]] == [{"count": 118_300}]


async def test_an_empty_ledger_has_a_cursor_too(database_url: str) -> None:
    async with running(database_url) as ledger:
        begun = await page(ledger)
        assert begun["items"] == []
        await ledger.record(story()["01"])
        assert [item["type"] for item in (await page(ledger, begun["next"]))["items"]] == ["sheet.issued"]


async def test_what_a_filter_leaves_out_moves_the_cursor_too(database_url: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, [SPINDLE, "W1"])
        await write(ledger, "W1")
        _, end = await pages(ledger)
        items, filtered_end = await pages(ledger, types="gauge.calibrated")
        assert [item["type"] for item in items] == ["gauge.calibrated"]
        assert filtered_end == end
        assert (await page(ledger, filtered_end))["items"] == []


@pytest.mark.parametrize(
    ("asked", "subjects"),
    [
        ({"spindle": "W1"}, {"spindles/W1"}),
        ({"subject": "gauges/DG-03"}, {"gauges/DG-03"}),
        ({"subject": "spindles/W9"}, set()),
        ({"types": ["sheet.issued", "gauge.registered"]}, {"sheets/SKERROW-A", "gauges/DG-03"}),
        ({"plant": "skerrow"}, {f"spindles/{SPINDLE}"}),
        ({"plant": "elsewhere", "types": "counter.read"}, {"spindles/W1"}),
    ],
)
async def test_filters(database_url: str, asked: Json, subjects: set[str]) -> None:
    async with running(database_url) as ledger:
        await load_two_plants(ledger)
        items, _ = await pages(ledger, limit=2, **asked)
        assert {item["subject"] for item in items} == subjects


async def load_two_plants(ledger: Running) -> None:
    """A spindle at each of two plants, each with a plain reading."""
    await ledger.record_all([story()[number] for number in ("01", "02", "03", "04")])
    commissioned = story(key="W1")["04"]
    commissioned["data"]["plant"] = "elsewhere"
    await ledger.record(commissioned)
    for key in (SPINDLE, "W1"):
        await ledger.record(counter_read(ENDED - timedelta(hours=1), 118_200, key=key))
        assert (await ledger.read_counters(ENDED, {key: 118_210}))["accepted"] == 1


async def test_a_key_bound_to_a_plant_sees_its_spindles_and_every_sheet_and_gauge(database_url: str) -> None:
    async with running(database_url) as ledger:
        await load_two_plants(ledger)
        whole, end = await pages(ledger)
        _, token = await ledger.key("read", plants=["elsewhere"])
        ledger.client.headers["Authorization"] = f"Bearer {token}"
        mine, my_end = await pages(ledger)
        assert my_end == end
        assert mine == [item for item in whole if item["subject"] != f"spindles/{SPINDLE}"]
        assert (await pages(ledger, plant="skerrow"))[0] == []
        assert (await ledger.client.get("/v1/spindles/" + SPINDLE)).status_code == 404


async def test_lines_are_the_same_items_and_the_last_carries_the_cursor(database_url: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, [SPINDLE, "W1"])
        items, end = await pages(ledger)
        for asked, wanted in (({}, items), ({"limit": 3}, items[:3]), ({"types": "sheet.issued"}, items[:1])):
            answer = await ledger.client.get("/v1/events", params=asked, headers=LINES)
            assert answer.headers["content-type"] == LINES["Accept"]
            *lines, last = [decoded(line) for line in answer.text.splitlines()]
            assert lines == wanted
            assert list(last) == ["next"]
            rest, _ = await pages(ledger, last["next"])
            assert sorted(places(lines + rest)) == sorted(places(items)) or asked.keys() == {"types"}
        assert last["next"] == end


def decoded(line: str) -> Json:
    found: Json = json.loads(line)
    return found


async def test_more_lines_than_one_portion_has_are_all_there(database_url: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, [SPINDLE])
        connection = await asyncpg.connect(database_url)
        # Plain readings as the bulk append writes them, but for their hashes, which the feed only shows.
        await connection.execute(
            """WITH place AS (
                   UPDATE ledger.log SET position = position + 1300, recorded = clock_timestamp()
                   FROM ledger.subject WHERE subject.key = $1 AND subject.log = log.log
                   RETURNING log.log, position - 1300 AS before, recorded, subject
               )
               INSERT INTO ledger.reading
               SELECT before + n, 2 + n, now(), recorded, 118200 + n, subject, 1, 1, log, 2, sha256('')
               FROM place, generate_series(1, 1300) AS n""",
            SPINDLE,
        )
        await connection.close()
        answer = await ledger.client.get("/v1/events", headers=LINES)
        lines = [decoded(line) for line in answer.text.splitlines()]
        assert sorted(places(lines[:-1])) == await everything(ledger)
        assert len(lines) == 1300 + 5 + 1


@pytest.mark.parametrize(
    "spoil", [lambda text: text[:-1], lambda text: "A" + text, lambda text: text[4:], str.swapcase]
)
async def test_a_tampered_cursor_is_refused(database_url: str, spoil: Any) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, [SPINDLE])
        end = (await page(ledger))["next"]
        for cursor in (spoil(end), "", "=", "é", "1", "x" * 4_000):
            answer = await ledger.client.get("/v1/events", params={"after": cursor})
            assert (answer.status_code, answer.json()["code"]) == (400, "cursor_malformed"), cursor


async def test_a_cursor_of_another_ledger_is_refused(database_url: str, another_database_url: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, [SPINDLE])
        end = (await page(ledger))["next"]
    async with running(another_database_url) as ledger:
        answer = await ledger.client.get("/v1/events", params={"after": end})
        assert (answer.status_code, answer.json()["code"]) == (400, "cursor_malformed")


@pytest.mark.parametrize(
    ("asked", "code"),
    [
        ({"types": "tea.made"}, "type_unknown"),
        ({"subject": "kettles/1"}, "request_invalid"),
        ({"subject": "spindles/\0"}, "request_invalid"),
        ({"spindle": "a/b"}, "request_invalid"),
        ({"plant": "\0"}, "request_invalid"),
        ({"limit": "0"}, "request_invalid"),
        ({"limit": "1001"}, "request_invalid"),
        ({"since": "1"}, "query_parameter_unknown"),
    ],
)
async def test_what_cannot_be_asked_is_refused(database_url: str, asked: Json, code: str) -> None:
    async with running(database_url) as ledger:
        answer = await ledger.client.get("/v1/events", params=asked)
        assert (answer.status_code, answer.json()["code"]) == (400, code)


async def test_the_page_links_to_what_follows_with_its_filters(database_url: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, [SPINDLE])
        answer = await ledger.client.get("/v1/events", params={"limit": 1, "types": ["sheet.issued", "counter.read"]})
        link = answer.headers["link"]
        assert link.endswith('>; rel="next"')
        following = (await ledger.client.get(link[1:].partition(">")[0])).json()
        assert [item["type"] for item in following["items"]] == ["counter.read"]
        assert answer.json()["next"] in link


async def test_a_gap_in_a_log_is_never_read_past(database_url: str) -> None:
    async with running(database_url) as ledger:
        await prepare(ledger, [SPINDLE])
        connection = await asyncpg.connect(database_url)
        await connection.execute(
            """ALTER TABLE ledger.entry DISABLE TRIGGER ALL;
               DELETE FROM ledger.entry WHERE type = 'gauge.registered'"""
        )
        await connection.close()
        answer = await ledger.client.get("/v1/events")
        assert (answer.status_code, answer.json()["code"]) == (500, "internal")
