"""Keys over HTTP: minted with the token shown once, listed, ended everywhere; none reaches further than its maker."""

import asyncio
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import pytest

from tests.running import Running, running

PATH = "/v1/keys"


async def mint(ledger: Running, token: str | None = None, **wanted: Any) -> httpx.Response:
    headers = {} if token is None else {"Authorization": f"Bearer {token}"}
    return await ledger.client.post(PATH, json={"name": "tablet", "scopes": ["read"]} | wanted, headers=headers)


async def get(ledger: Running, path: str, token: str) -> httpx.Response:
    return await ledger.client.get(path, headers={"Authorization": f"Bearer {token}"})


async def test_a_key_is_minted_and_its_token_shown_this_once(database_url: str) -> None:
    async with running(database_url) as ledger:
        answer = await mint(ledger, scopes=["events:write", "read"], plants=["skerrow"])
        minted = answer.json()
        token = minted.pop("token")
        assert (answer.status_code, answer.headers["location"]) == (201, f"{PATH}/{minted['key']}")
        assert answer.headers["cache-control"] == "no-store"
        assert (minted["name"], minted["scopes"], minted["plants"]) == ("tablet", ["events:write", "read"], ["skerrow"])
        assert (await get(ledger, "/v1/spindles", token)).status_code == 200
        read = await ledger.client.get(f"{PATH}/{minted['key']}")
        assert read.json() == minted
        again = await ledger.client.get(f"{PATH}/{minted['key']}", headers={"If-None-Match": read.headers["etag"]})
        assert (again.status_code, again.content) == (304, b"")
        listed = await ledger.client.get(PATH)
        assert listed.json()["items"][-1] == minted
        assert token not in listed.text + read.text


async def test_an_ended_key_is_shut_out_of_every_process_within_a_second(database_url: str) -> None:
    async with running(database_url) as ledger, running(database_url) as other:
        minted = (await mint(ledger)).json()
        place, token = f"{PATH}/{minted['key']}", minted["token"]
        for process in (ledger, other):
            assert (await get(process, "/v1/spindles", token)).status_code == 200
        assert (await ledger.client.delete(place)).status_code == 204
        assert (await ledger.client.delete(place)).status_code == 204
        await asyncio.sleep(1.05)
        for process in (ledger, other):
            assert (await get(process, "/v1/spindles", token)).status_code == 401
        assert (await ledger.client.get(place)).json()["revoked"] is not None


async def test_a_key_ends_by_itself(database_url: str) -> None:
    expires = (datetime.now(UTC) + timedelta(hours=1)).isoformat()
    async with running(database_url) as ledger:
        token = (await mint(ledger, expires=expires)).json()["token"]
        assert (await get(ledger, "/v1/spindles", token)).status_code == 200
    async with running(database_url, clock_shift=timedelta(hours=2)) as later:
        assert (await get(later, "/v1/spindles", token)).status_code == 401


async def test_an_administrator_bound_to_plants_mints_sees_and_ends_within_them_only(database_url: str) -> None:
    async with running(database_url) as ledger:
        _, token = await ledger.key("admin", plants=["skerrow", "fell"])
        bound = {"Authorization": f"Bearer {token}"}
        for plants in (None, ["skerrow", "elsewhere"], ["elsewhere"]):
            answer = await mint(ledger, token, plants=plants)
            assert (answer.status_code, answer.json()["code"]) == (403, "key_reaches_too_far")
            assert [error["pointer"] for error in answer.json()["errors"]] == ["/plants"]
        mine = (await mint(ledger, token, plants=["fell"])).json()
        foreign = (await mint(ledger, plants=["elsewhere"])).json()
        listed = (await ledger.client.get(PATH, headers=bound)).json()["items"]
        assert [each["plants"] for each in listed] == [["fell", "skerrow"], ["fell"]]
        for number in (1, foreign["key"]):
            for method in ("GET", "DELETE"):
                answer = await ledger.client.request(method, f"{PATH}/{number}", headers=bound)
                assert (answer.status_code, answer.json()["code"]) == (404, "key_not_found")
        assert (await get(ledger, "/v1/spindles", foreign["token"])).status_code == 200
        assert (await ledger.client.delete(f"{PATH}/{mine['key']}", headers=bound)).status_code == 204


async def test_a_key_that_ends_mints_none_that_outlives_it(database_url: str) -> None:
    ends = datetime.now(UTC) + timedelta(hours=1)
    async with running(database_url) as ledger:
        token = (await mint(ledger, scopes=["admin"], expires=ends.isoformat())).json()["token"]
        for expires in (None, (ends + timedelta(seconds=1)).isoformat()):
            answer = await mint(ledger, token, expires=expires)
            assert (answer.status_code, answer.json()["code"]) == (403, "key_reaches_too_far")
        assert (await mint(ledger, token, expires=ends.isoformat())).status_code == 201


@pytest.mark.parametrize(
    ("wanted", "status", "code", "pointer"),
    [
        ({"scopes": ["write"]}, 422, "scope_unknown", "/scopes/0"),
        ({"scopes": []}, 422, "scope_unknown", "/scopes"),
        ({"name": " "}, 422, "key_malformed", "/name"),
        ({"name": "a\0"}, 422, "key_malformed", "/name"),
        ({"plants": []}, 422, "key_malformed", "/plants"),
        ({"plants": ["a\0"]}, 422, "key_malformed", "/plants"),
        ({"expires": "2001-01-01T00:00:00Z"}, 422, "key_malformed", "/expires"),
        ({"expires": "2001-01-01T00:00:00"}, 422, "time_invalid", "/expires"),
        ({"expires": "9999-12-31T23:59:59-14:00"}, 422, "time_invalid", "/expires"),
        ({"colour": "red"}, 400, "request_invalid", "/colour"),
        ({"scopes": "read"}, 400, "request_invalid", "/scopes"),
        ({"scopes": ["read", 1]}, 400, "request_invalid", "/scopes/1"),
    ],
)
async def test_what_cannot_be_minted_is_refused(
    database_url: str, wanted: dict[str, Any], status: int, code: str, pointer: str
) -> None:
    async with running(database_url) as ledger:
        answer = await mint(ledger, **wanted)
        assert (answer.status_code, answer.json()["code"]) == (status, code)
        assert [error["pointer"] for error in answer.json()["errors"]] == [pointer]
        assert len((await ledger.client.get(PATH)).json()["items"]) == 1


async def test_a_number_that_no_key_has_is_not_found(database_url: str) -> None:
    async with running(database_url) as ledger:
        for number in ("0", "-1", "2", "2147483648", "9" * 40):
            answer = await ledger.client.get(f"{PATH}/{number}")
            assert answer.status_code == 404, number


async def test_keys_are_read_page_by_page(database_url: str) -> None:
    async with running(database_url) as ledger:
        for _ in range(4):
            await mint(ledger)
        first = await ledger.client.get(PATH, params={"limit": 2})
        assert [each["key"] for each in first.json()["items"]] == [1, 2]
        link = first.headers["link"]
        second = await ledger.client.get(link[1 : link.index(">")])
        third = await ledger.client.get(PATH, params={"limit": 2, "cursor": second.json()["next"]})
        assert [each["key"] for each in second.json()["items"] + third.json()["items"]] == [3, 4, 5]
        assert third.json()["next"] is None
        assert "link" not in third.headers
