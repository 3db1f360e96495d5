"""Mappings: added, read, changed and ended; who may see them; what counts a spindle twice is refused."""

from typing import Any

import httpx
import pytest

from tests.running import Json, Running, running
from tests.story.agent_documents import DEVICE, SENT, document, series
from tests.story.day_one import ENDED, SPINDLE, story
from tests.story.test_mtconnect import commission, counts, take, tie

PATH = "/v1/mtconnect-mappings"
WANTED: Json = {"device": DEVICE, "item": "act", "use": "absolute", "spindle": SPINDLE}
PLACE: Json = {"plant": "skerrow", "machine": f"M-{SPINDLE}", "position": "1"}


async def problem(answer: httpx.Response) -> tuple[int, str, list[str | None]]:
    said = answer.json()
    return answer.status_code, said["code"], [each.get("pointer") for each in said.get("errors", [])]


async def with_key(ledger: Running, *scopes: str, plants: list[str] | None = None) -> dict[str, str]:
    _, token = await ledger.key(*scopes, plants=plants)
    return {"Authorization": f"Bearer {token}"}


async def test_a_mapping_is_added_read_changed_and_ended(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger)
        made = await ledger.client.post(PATH, json=WANTED | {"description": "the hall's oldest"})
        mapping = made.json()
        assert made.headers["location"] == f"{PATH}/{mapping['id']}"
        read = await ledger.client.get(made.headers["location"])
        assert (read.json(), read.headers["etag"]) == (mapping, made.headers["etag"])
        assert (mapping["plant"], mapping["enabled"], mapping["states"]) == ("skerrow", True, [])
        unguarded = await ledger.client.patch(f"{PATH}/{mapping['id']}", json={"enabled": False})
        assert await problem(unguarded) == (428, "if_match_missing", [])
        guard = {"If-Match": read.headers["etag"]}
        paused = await ledger.client.patch(f"{PATH}/{mapping['id']}", json={"enabled": False}, headers=guard)
        assert (paused.status_code, paused.json()["enabled"]) == (200, False)
        stale = await ledger.client.patch(f"{PATH}/{mapping['id']}", json={"enabled": True}, headers=guard)
        assert await problem(stale) == (412, "changed_meanwhile", [])
        answer = await take(ledger, document(series("ActivationCount", "act", [105], begin=ENDED)))
        assert (counts(answer), answer["why_ignored"]["paused"]) == ({"ignored": 1}, 1)
        ended = await ledger.client.delete(f"{PATH}/{mapping['id']}")
        assert ended.status_code == 204
        assert await problem(await ledger.client.get(f"{PATH}/{mapping['id']}")) == (404, "mapping_not_found", [])


async def test_another_use_begins_the_counting_anew(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger)
        mapping = await tie(ledger, "act", "absolute")
        said = series("ActivationCount", "act", [105, 110], begin=ENDED)
        await take(ledger, document(said))
        changed = await ledger.client.patch(f"{PATH}/{mapping['id']}", json={"use": "delta"}, headers={"If-Match": "*"})
        assert changed.json()["since"] > mapping["since"]
        assert counts(await take(ledger, document(said))) == {"ignored": 2}, "they were counted the other way"
        more = series("ActivationCount", "act", [4], begin=said[-1].time.replace(minute=30), first=50)
        await take(ledger, document(more))
        assert (await ledger.spindle())["count"] == 114


@pytest.mark.parametrize(
    ("changes", "found"),
    [
        ({"spindle": "NOBODY"}, (422, "spindle_unknown", ["/spindle"])),
        ({"spindle": None}, (422, "mapping_invalid", ["/spindle"])),
        ({"place": PLACE}, (422, "mapping_invalid", ["/spindle"])),
        ({"states": ["CLOSED"]}, (422, "mapping_invalid", ["/states"])),
        ({"device": "a\0b"}, (422, "mapping_invalid", ["/device"])),
        ({"use": "transition", "states": ["CLOSED", " "]}, (422, "mapping_invalid", ["/states/1"])),
        ({"use": "sum"}, (400, "request_invalid", ["/use"])),
        ({"more": 1}, (400, "request_invalid", ["/more"])),
    ],
)
async def test_what_cannot_be_tied_is_refused_with_its_place(database_url: str, changes: Json, found: Any) -> None:
    async with running(database_url) as ledger:
        await commission(ledger)
        assert await problem(await ledger.client.post(PATH, json=WANTED | changes)) == found


async def test_nothing_is_counted_twice(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger)
        await ledger.record(story(key="OTHER")["04"])
        await tie(ledger, "act", "absolute")
        tied = (409, "already_tied")
        item = await ledger.client.post(PATH, json=WANTED | {"spindle": "OTHER"})
        assert await problem(item) == (*tied, ["/item"])
        spindle = await ledger.client.post(PATH, json=WANTED | {"item": "load"})
        assert await problem(spindle) == (*tied, ["/spindle"])
        there = {name: value for name, value in WANTED.items() if name != "spindle"}
        place = await ledger.client.post(PATH, json=there | {"item": "load", "place": PLACE})
        assert await problem(place) == (*tied, ["/place"])
        nobody = PLACE | {"machine": "M-EMPTY"}
        await tie(ledger, "load", "absolute", place=nobody)
        again = await ledger.client.post(PATH, json=there | {"item": "unload", "place": nobody})
        assert await problem(again) == (*tied, ["/place"])


async def test_a_list_in_pages_by_device_and_spindle(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger)
        ids = [(await tie(ledger, "act", "absolute"))["id"]]
        for number in range(4):
            place = PLACE | {"machine": f"M-{number}"}
            ids.append((await tie(ledger, f"i{number}", "delta", place=place, device=f"other-{number}"))["id"])
        seen: list[str] = []
        query: dict[str, str] = {"limit": "2"}
        while True:
            page = (await ledger.client.get(PATH, params=query)).json()
            seen += [each["id"] for each in page["items"]]
            if page["next"] is None:
                break
            query["cursor"] = page["next"]
        assert seen == ids
        for query in ({"spindle": SPINDLE}, {"device": DEVICE}):
            assert [each["id"] for each in (await ledger.client.get(PATH, params=query)).json()["items"]] == ids[:1]


async def test_a_key_of_another_plant_neither_sees_nor_counts(database_url: str) -> None:
    async with running(database_url) as ledger:
        await commission(ledger)
        mapping = await tie(ledger, "act", "absolute")
        east = await with_key(ledger, "admin", "counters:write", plants=["east"])
        west = await with_key(ledger, "admin", "counters:write", plants=["skerrow"])
        assert (await ledger.client.get(PATH, headers=east)).json()["items"] == []
        assert (await ledger.client.get(f"{PATH}/{mapping['id']}", headers=east)).status_code == 404
        refused = await ledger.client.post(PATH, json=WANTED | {"item": "b"}, headers=east)
        assert await problem(refused) == (422, "spindle_unknown", ["/spindle"])
        body = document(series("ActivationCount", "act", [105], begin=ENDED))
        unseen = await ledger.client.post("/v1/ingest/mtconnect", content=body, headers=SENT | east)
        assert counts(unseen.json()) == {"unmapped": 1}
        taken = await ledger.client.post("/v1/ingest/mtconnect", content=body, headers=SENT | west)
        assert counts(taken.json()) == {"accepted": 1}
        assert (await ledger.spindle())["count"] == 105


async def test_a_document_needs_its_scope_its_type_and_its_size(database_url: str) -> None:
    body = document(series("ActivationCount", "act", [105], begin=ENDED))
    at = "/v1/ingest/mtconnect"
    async with running(database_url) as ledger:
        reader = await with_key(ledger, "read")
        assert await problem(await ledger.client.post(at, content=body, headers=SENT | reader)) == (
            403,
            "scope_missing",
            [],
        )
        for media in ("application/json", "application/x-www-form-urlencoded", "text/plain"):
            answer = await ledger.client.post(at, content=body, headers={"Content-Type": media})
            assert await problem(answer) == (415, "content_type_unknown", [])
        for media in ("text/xml", "application/xml; charset=utf-8"):
            assert (await ledger.client.post(at, content=body, headers={"Content-Type": media})).status_code == 200
        large = body + b" " * (5 * 1024 * 1024)
        assert await problem(await ledger.client.post(at, content=large, headers=SENT)) == (413, "body_too_large", [])


@pytest.mark.parametrize(
    ("body", "status", "code"),
    [
        (b"<MTConnectStreams><Header", 400, "xml_malformed"),
        (b"<!DOCTYPE a [<!ENTITY b 'c'>]><a>&b;</a>", 422, "xml_not_allowed"),
        (b"<MTConnectDevices/>", 422, "document_wrong"),
        (b"<MTConnectError><Errors><Error errorCode='NO_DEVICE'/></Errors></MTConnectError>", 422, "agent_said_error"),
        (b"<MTConnectStreams/>", 422, "document_incomplete"),
    ],
)
async def test_a_document_that_is_refused_says_where(database_url: str, body: bytes, status: int, code: str) -> None:
    async with running(database_url) as ledger:
        answer = await ledger.client.post("/v1/ingest/mtconnect", content=body, headers=SENT)
        said = answer.json()
        assert (answer.status_code, said["code"], answer.headers["content-type"]) == (
            status,
            code,
            "application/problem+json",
        )
        placed = code not in ("agent_said_error", "document_incomplete")
        assert ("line" in said["errors"][0], "column" in said["errors"][0]) == (placed, placed)
