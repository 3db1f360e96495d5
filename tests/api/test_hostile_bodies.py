"""Bodies that nobody should send are answered with a problem that names the place; nothing of them is stored."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import httpx
import msgspec
import pytest

from tests.api.hostile import (
    BATCH,
    BYTES,
    DOORS,
    JSON,
    MEASURED,
    READ,
    READINGS,
    assert_problem,
    objects,
    places,
    raw,
    with_member,
)
from tests.running import Running, rows_of_every_table, running
from tests.story.day_one import SPINDLE, story


@asynccontextmanager
async def unmoved(url: str) -> AsyncIterator[Running]:
    """A ledger with a spindle in it; at the end no table has a row more than at the beginning."""
    async with running(url) as ledger:
        told = story()
        await ledger.record_all([told[number] for number in ("01", "02", "03", "04")])
        before = await rows_of_every_table(url)
        yield ledger
        assert await rows_of_every_table(url) == before


async def post(ledger: Running, path: str, body: bytes, media: str | None = JSON) -> httpx.Response:
    headers = {} if media is None else {"Content-Type": media}
    return await ledger.client.post(path, content=body, headers=headers)


@pytest.mark.parametrize("path", DOORS)
async def test_what_is_no_body_for_this_door(database_url: str, path: str) -> None:
    async with unmoved(database_url) as ledger:
        for name, body in BYTES.items():
            answer = await post(ledger, path, body)
            assert answer.status_code in (400, 422), (name, answer.text[:300])
            assert_problem(answer)


async def test_a_batch_that_is_none_is_refused_whole_and_items_that_are_none_one_by_one(database_url: str) -> None:
    async with unmoved(database_url) as ledger:
        for name, body in BYTES.items():
            answer = await post(ledger, "/v1/events", body, BATCH)
            if answer.status_code == 200:
                assert all(item["status"] == "refused" for item in answer.json()), name
            else:
                assert_problem(answer)
        items = [b"null", b"7", b'"a"', b"[]", b"{}", b'{"data": {"a\\u0000": 1}}']
        answer = await post(ledger, "/v1/events", b"[" + b",".join(items) + b"]", BATCH)
        assert answer.status_code == 200, answer.text
        assert [item["status"] for item in answer.json()] == ["refused"] * len(items)
        assert all(item["problem"]["errors"] for item in answer.json())
        empty = await post(ledger, "/v1/events", b"[]", BATCH)
        assert (empty.status_code, empty.json()) == (200, [])
        long = await post(ledger, "/v1/events", b"[" + b"1," * 10_000 + b"1]", BATCH)
        assert (assert_problem(long, names_the_place=False)["code"], long.status_code) == ("batch_too_long", 413)


@pytest.mark.parametrize("media", [None, "", "text/plain", "application/xml", "application/json; charset=latin-1"])
@pytest.mark.parametrize("path", DOORS)
async def test_another_content_type_is_not_guessed_at(database_url: str, path: str, media: str | None) -> None:
    async with unmoved(database_url) as ledger:
        answer = await post(ledger, path, msgspec.json.encode(DOORS[path]), media)
        assert (answer.status_code, answer.json()["code"]) == (415, "content_type_unknown")
        assert_problem(answer, names_the_place=False)


@pytest.mark.parametrize("path", DOORS)
async def test_a_member_that_is_not_known_is_named_wherever_it_stands(database_url: str, path: str) -> None:
    async with unmoved(database_url) as ledger:
        for above in objects(DOORS[path]):
            if above[-1:] == ("readings",) and path == "/v1/counter-readings":
                continue
            answer = await post(ledger, path, msgspec.json.encode(with_member(DOORS[path], (*above, "colour"), "red")))
            problem = assert_problem(answer)
            assert "colour" in problem["detail"], (above, problem)


WRONG: tuple[Any, ...] = (None, True, 7, -1, 1.5, "", " ", "\n", "x" * 100_000, [], {}, [None], {"value": None})


@pytest.mark.parametrize("path", DOORS)
async def test_every_member_with_every_wrong_type_is_never_a_failure_of_ours(database_url: str, path: str) -> None:
    """What a door takes of these all the same (an actor named 7 is none) is not looked at here, but never a 500."""
    async with running(database_url) as ledger:
        await ledger.record_all(story().values())
        for place in places(DOORS[path]):
            for value in WRONG:
                body = with_member(DOORS[path], place, value)
                answer = await post(ledger, path, msgspec.json.encode(body))
                if answer.status_code >= 300:
                    assert_problem(answer, names_the_place=False)


NUMBERS = ("NaN", "Infinity", "-Infinity", "1e999999", "1_0", "0x1F", "01", "+1", "1.", ".5", "9" * 5_000, "1e-999999")
TEXTS = ("NaN", "Infinity", "1_0", " 1", "1 ", "1\\n", "", "1e5", "1,5", "١", "9" * 5_000, "1e999999", "-", "0x1F")


async def test_numbers_that_are_none_are_refused_at_their_place(database_url: str) -> None:
    place = ("data", "readings", 1, "depth", "value")
    async with unmoved(database_url) as ledger:
        for written in (*NUMBERS, *(f'"{text}"' for text in TEXTS)):
            answer = await post(ledger, "/v1/events", raw(MEASURED, place, written))
            problem = assert_problem(answer)
            if problem["code"] == "event_invalid":
                assert [each["pointer"] for each in problem["errors"]] == ["/data/readings/1/depth/value"], written
        for written in (*NUMBERS, "1.5", "-1", '"1"', "null", str(10**16)):
            assert_problem(await post(ledger, "/v1/events", raw(READ, ("data", "count"), written)))
            counted = await post(ledger, "/v1/counter-readings", raw(READINGS, ("readings", SPINDLE), written))
            if counted.status_code == 200:
                (item,) = counted.json()["items"]
                assert [each["pointer"] for each in item["problem"]["errors"]] == [f"/readings/{SPINDLE}"], written
                assert counted.json()["refused"] == 1
            else:
                assert_problem(counted)


@pytest.mark.parametrize("unit", ["µm", "μm", "Nm", "inch", "MM", "", " mm", "mm ", "mm\n", "furlong", "m m", "N"])
async def test_units_outside_the_list_and_of_another_kind_are_refused_at_their_place(
    database_url: str, unit: str
) -> None:
    body = with_member(MEASURED, ("data", "readings", 0, "depth", "unit"), unit)
    async with unmoved(database_url) as ledger:
        problem = assert_problem(await post(ledger, "/v1/events", msgspec.json.encode(body)))
        (error,) = problem["errors"]
        if unit == "N":
            assert (error["code"], error["pointer"]) == ("unit_of_other_kind", "/data/readings/0/depth/unit")
        else:
            assert (error["code"], error["pointer"]) == ("unit_unknown", "/data/readings/0/depth/unit")
        if unit in ("µm", "μm"):
            assert "'um'" in error["detail"], "the right code is named"


TIMES = (
    "2026-03-02T06:57:00",
    "2026-03-02",
    "2026-03-02 06:57:00Z",
    "2026-02-30T00:00:00Z",
    "2026-03-02T24:00:00Z",
    "2026-03-02T06:57:00+25:00",
    "0001-01-01T00:00:00+14:00",
    "9999-12-31T23:59:59-14:00",
    "9999-12-31T23:59:59Z",
    "1969-12-31T23:59:59Z",
    "2026-03-02T06:57:00Z\n",
    "２０２６-03-02T06:57:00Z",
    "now",
    "1772434620",
)


async def test_times_that_are_none_are_refused_at_their_place(database_url: str) -> None:
    async with unmoved(database_url) as ledger:
        for time in TIMES:
            for path in ("/v1/events", "/v1/counter-readings"):
                body = with_member(DOORS[path], ("time",), time)
                problem = assert_problem(await post(ledger, path, msgspec.json.encode(body)))
                assert [each["pointer"] for each in problem["errors"]] == ["/time"], (time, problem)


@pytest.mark.parametrize(
    ("change", "code", "pointer"),
    [
        ({"subject": "spindles/NOBODY"}, "spindle_unknown", "/subject"),
        ({"subject": "spindles/a b"}, "event_invalid", "/subject"),
        ({"subject": "spindles/"}, "event_invalid", "/subject"),
        ({"subject": f"spindles/{'x' * 65}"}, "event_invalid", "/subject"),
        ({"subject": "machines/H2-M04"}, "event_invalid", "/subject"),
        ({"subject": "sheets/SKERROW-A"}, "event_invalid", "/subject"),
        ({"type": "setting.guessed"}, "event_invalid", "/type"),
        ({"specversion": "0.3"}, "event_invalid", "/specversion"),
        ({"datacontenttype": "text/xml"}, "event_invalid", "/datacontenttype"),
        ({"data_base64": "AA=="}, "event_invalid", "/data_base64"),
        ({"id": ""}, "event_invalid", "/id"),
        ({"expectedsequence": -1}, "event_invalid", "/expectedsequence"),
    ],
)
async def test_what_is_wrong_about_an_envelope_is_named(
    database_url: str, change: dict[str, Any], code: str, pointer: str
) -> None:
    async with unmoved(database_url) as ledger:
        problem = assert_problem(await ledger.send(MEASURED | change))
        assert (problem["code"], [each["pointer"] for each in problem["errors"]]) == (code, [pointer])


async def test_unknown_sheets_are_refused_and_an_unknown_gauge_is_recorded_as_not_admissible(database_url: str) -> None:
    told = story(key="S2")["04"]
    async with unmoved(database_url) as ledger:
        refused = await ledger.send(with_member(told, ("data", "sheet"), "NOBODY"))
        assert assert_problem(refused)["code"] == "sheet_unknown"
    async with running(database_url) as ledger:
        receipt = await ledger.record(with_member(MEASURED, ("data", "gauge"), "NOBODY"))
        assert (receipt["verdict"]["admissible"], "gauge_unknown" in receipt["verdict"]["reasons"]) == (False, True)


async def test_a_member_that_stands_twice_is_refused_or_read_as_its_last(database_url: str) -> None:
    """What is judged is what is kept: both come from one reading of the bytes."""
    body = raw(READ, ("data", "count"), '118201, "count": 118202')
    async with running(database_url) as ledger:
        told = story()
        await ledger.record_all([told[number] for number in ("01", "02", "03", "04")])
        answer = await post(ledger, "/v1/events", body)
        if answer.status_code < 300:
            assert (await ledger.spindle())["count"] == 118_202
            assert (await ledger.history())[-1]["data"] == {"count": 118_202}
        else:
            assert_problem(answer)
        assert (await ledger.verified()).faults == []


async def test_a_body_too_large_is_refused(database_url: str) -> None:
    async with unmoved(database_url) as ledger:
        for path in DOORS:
            answer = await post(ledger, path, b'{"a": "' + b"x" * (16 * 1024 * 1024) + b'"}')
            assert (answer.status_code, answer.json()["code"]) == (413, "body_too_large"), path


async def test_twenty_thousand_counters_are_taken_in_one_call_and_one_more_is_refused(database_url: str) -> None:
    many = {f"K{n}": n for n in range(20_000)}
    async with unmoved(database_url) as ledger:
        answer = await ledger.client.post("/v1/counter-readings", json=READINGS | {"readings": many})
        assert (answer.status_code, answer.json()["refused"]) == (200, 20_000)
        over = await ledger.client.post("/v1/counter-readings", json=READINGS | {"readings": many | {"K": 1}})
        assert [each["pointer"] for each in assert_problem(over)["errors"]] == ["/readings"]


@pytest.mark.parametrize("name", ["", "/", "a/", "/1", "a/b/c", "a b", "K" * 130, "é", "%00", "'; --"])
async def test_counters_under_odd_names_are_refused_one_by_one(database_url: str, name: str) -> None:
    async with unmoved(database_url) as ledger:
        answer = await ledger.client.post("/v1/counter-readings", json=READINGS | {"readings": {name: 1}})
        if answer.status_code == 200:
            code = "spindle_unknown" if name else "event_invalid"
            assert [item["problem"]["code"] for item in answer.json()["items"]] == [code]
        else:
            assert_problem(answer)
