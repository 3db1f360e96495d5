"""Clearance for many spindles in one call: each answered in its place, with its reasons and how old its count is."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, Final

import httpx
import pytest

from tests.api.test_board import commissioned, prepare
from tests.running import Json, Running, running
from tests.story.day_one import ENDED, counter_read, event, rebuild

PATH: Final = "/v1/clearances"


async def ask(ledger: Running, *names: str) -> Json:
    answer = await ledger.client.post(PATH, json={"spindles": names})
    assert answer.status_code == 200, answer.text
    found: Json = answer.json()
    assert [item["spindle"] for item in found["items"]] == list(names)
    return found


async def items(ledger: Running, *names: str) -> list[Json]:
    found: list[Json] = (await ask(ledger, *names))["items"]
    return found


async def several(ledger: Running) -> None:
    await prepare(ledger, "A", "B", "C")
    await prepare(ledger, "F", plant="fell")
    await ledger.record_all(rebuild(ENDED - timedelta(hours=1), 118_100, key="A"))
    broken = {"component": "draw_bar", "code": "cracked", "unusable": True}
    await ledger.record(event("condition.noted", ENDED, broken, key="B"))
    await ledger.record(event("spindle.removed", ENDED, {"to": "store"}, key="C"))


async def test_each_is_answered_in_its_place_as_it_is_alone(database_url: str) -> None:
    async with running(database_url) as ledger:
        await several(ledger)
        found = await ask(ledger, "A", "gone", "B", "M-A/A", "C", "A", "M-A/gone", "a/b/c")
        a, gone, b, at_place, c, again, empty, odd = found["items"]
        assert (a["clearance"], a["reasons"], a["problem"]) == ("cleared", [], None)
        assert at_place == a | {"spindle": "M-A/A"}
        assert again == a
        assert [reason["code"] for reason in b["reasons"]] == ["unusable", "never_proven"]
        assert (c["clearance"], [reason["code"] for reason in c["reasons"]]) == ("withheld", ["in_store"])
        for item in (gone, empty, odd):
            assert (item["key"], item["clearance"], item["problem"]["code"]) == (None, None, "spindle_unknown")
        for item in (a, b, c):
            alone = (await ledger.client.get(f"/v1/spindles/{item['key']}/clearance")).json()
            assert {name: item[name] for name in ("key", "clearance", "reasons", "count", "counted_at")} == {
                name: alone[name] for name in ("key", "clearance", "reasons", "count", "counted_at")
            }
        assert "never a statement that a machine or a spindle is safe" in found["advice"]


async def test_the_age_is_that_of_the_count_and_a_silent_counter_restricts(database_url: str) -> None:
    async with running(database_url) as ledger:
        await several(ledger)
        await ledger.record(counter_read(ENDED, 118_120, key="A"))
        found = await ask(ledger, "A")
        (item,) = found["items"]
        age = datetime.fromisoformat(found["as_of"]) - datetime.fromisoformat(item["counted_at"])
        assert item["age_s"] == int(age.total_seconds())
        assert item["clearance"] == "cleared"
    async with running(database_url, clock_shift=timedelta(days=9)) as later:
        (item,) = await items(later, "A")
        assert item["clearance"] == "restricted"
        assert [reason["code"] for reason in item["reasons"]] == ["counter_silent"]
        assert item["age_s"] > 9 * 86_400


async def test_a_place_says_what_is_installed_there_now(database_url: str) -> None:
    async with running(database_url) as ledger:
        await several(ledger)
        assert (await items(ledger, "M-C/C"))[0]["problem"]["code"] == "spindle_unknown"
        place = {"plant": "skerrow", "hall": "2", "machine": "M-C", "position": "C"}
        await ledger.record(event("spindle.removed", ENDED, {"to": "store"}, key="A"))
        await ledger.record(event("spindle.installed", ENDED + timedelta(minutes=1), place, key="A"))
        (item,) = await items(ledger, "M-C/C")
        assert item["key"] == "A"
        await ledger.record(commissioned("F-2", plant="fell", machine="M-C", position="C"))
        assert (await items(ledger, "M-C/C"))[0]["problem"]["code"] == "place_ambiguous"


async def test_a_key_bound_to_plants_knows_its_own(database_url: str) -> None:
    async with running(database_url) as ledger:
        await several(ledger)
        await ledger.record(commissioned("F-2", plant="fell", machine="M-A", position="A"))
        _, token = await ledger.key("read", plants=["fell"])
        ledger.client.headers["Authorization"] = f"Bearer {token}"
        found = await items(ledger, "A", "F", "M-A/A", "M-B/B")
        assert [item["key"] for item in found] == [None, "F", "F-2", None]
        assert found[0]["problem"] == (await items(ledger, "A"))[0]["problem"]
        assert "skerrow" not in str(found)


async def test_five_hundred_at_once_and_no_more(database_url: str) -> None:
    async with running(database_url) as ledger:
        await several(ledger)
        found = await items(ledger, *(["A", "B"] * 250))
        assert [item["clearance"] for item in found] == ["cleared", "withheld"] * 250
        answer = await post(ledger, ["A"] * 501)
        assert (answer.status_code, answer.json()["code"]) == (413, "too_many_spindles")
        assert answer.json()["errors"][0]["pointer"] == "/spindles"


async def post(ledger: Running, names: Sequence[Any]) -> httpx.Response:
    return await ledger.client.post(PATH, json={"spindles": names})


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({}, "/spindles"),
        ({"spindles": []}, "/spindles"),
        ({"spindles": "A"}, "/spindles"),
        ({"spindles": ["A", 7]}, "/spindles/1"),
        ({"spindles": ["A", ""]}, "/spindles/1"),
        ({"spindles": ["A"], "at": "now"}, "/at"),
        ([], ""),
    ],
)
async def test_what_cannot_be_read_is_refused_by_its_place(database_url: str, body: Any, pointer: str) -> None:
    async with running(database_url) as ledger:
        answer = await ledger.client.post(PATH, json=body)
        assert (answer.status_code, answer.json()["code"]) == (422, "event_invalid"), answer.text
        assert answer.json()["errors"][0]["pointer"] == pointer


async def test_asking_needs_a_key_for_reading_and_changes_nothing(database_url: str) -> None:
    async with running(database_url) as ledger:
        await several(ledger)
        before = (await ledger.client.get("/v1/spindles")).headers["etag"]
        await ask(ledger, "A", "B", "nobody")
        assert (await ledger.client.get("/v1/spindles")).headers["etag"] == before
        _, token = await ledger.key("events:write")
        ledger.client.headers["Authorization"] = f"Bearer {token}"
        assert (await post(ledger, ["A"])).status_code == 403
