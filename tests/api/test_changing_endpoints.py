"""A webhook endpoint is changed by who has read it: its types, its description, and a pause that loses nothing."""

import asyncio
from typing import Any

import httpx
import pytest

from tests.api.documented import assert_told
from tests.api.hostile import BYTES, assert_problem
from tests.running import Json, Running, running, select

PATH = "/v1/webhook-endpoints"
WANTED: Json = {"url": "https://192.0.43.10/hook", "types": ["recheck.due"], "description": "planner"}


async def added(ledger: Running) -> httpx.Response:
    answer = await ledger.client.post(PATH, json=WANTED)
    assert_told(answer)
    return answer


async def change(ledger: Running, place: str, etag: str | None, **wanted: Any) -> httpx.Response:
    answer = await ledger.client.patch(place, json=wanted, headers={} if etag is None else {"If-Match": etag})
    assert_told(answer)
    return answer


async def test_an_added_endpoint_says_where_it_is_and_what_it_is_known_by(database_url: str) -> None:
    async with running(database_url) as ledger:
        for path, body in ((PATH, WANTED), ("/v1/keys", {"name": "tablet", "scopes": ["read"]})):
            made = await ledger.client.post(path, json=body)
            assert_told(made)
            read = await ledger.client.get(made.headers["location"])
            assert (read.status_code, read.headers["etag"]) == (200, made.headers["etag"])


async def test_what_is_left_out_stays_and_the_answer_is_what_reading_it_answers(database_url: str) -> None:
    async with running(database_url) as ledger:
        made = await added(ledger)
        place, etag = made.headers["location"], made.headers["etag"]
        for wanted in (
            {"types": ["recheck.overdue", "recheck.due", "recheck.due"]},
            {"description": "planner of hall 2"},
            {"types": None},
            {"description": None},
            {"url": "https://192.0.43.11/moved"},
            {"spindle_prefix": "H2-", "minimum_health": "out_of_specification", "plants": ["skerrow"]},
            {"concurrency": 2, "per_second": 5, "order_wait_seconds": 600},
            {"spindle_prefix": None, "minimum_health": None, "per_second": None, "order_wait_seconds": None},
            {},
        ):
            before = (await ledger.client.get(place)).json()
            changed = await change(ledger, place, etag, **wanted)
            assert changed.status_code == 200, changed.text
            told = {"types": ["recheck.due", "recheck.overdue"]} if wanted.get("types") else wanted
            assert changed.json() == before | told
            read = await ledger.client.get(place)
            assert (read.json(), read.headers["etag"]) == (changed.json(), changed.headers["etag"])
            assert (changed.headers["etag"] == etag) is (wanted == {})
            etag = changed.headers["etag"]


async def test_a_change_without_if_match_or_with_a_stale_one_changes_nothing(database_url: str) -> None:
    async with running(database_url) as ledger:
        made = await added(ledger)
        place, etag = made.headers["location"], made.headers["etag"]
        missing = await change(ledger, place, None, enabled=False)
        assert (missing.status_code, missing.json()["code"]) == (428, "if_match_missing")
        stale = await change(ledger, place, '"another"', enabled=False)
        assert (stale.status_code, stale.json()["code"]) == (412, "changed_meanwhile")
        assert (await ledger.client.get(place)).headers["etag"] == etag
        assert (await change(ledger, place, "*", description="any")).status_code == 200
        assert (await change(ledger, place, etag, description="other")).status_code == 412
        assert (await ledger.client.delete(place, headers={"If-Match": etag})).status_code == 412
        assert (await ledger.client.get(place)).json()["description"] == "any"


async def test_of_several_who_change_at_once_from_one_reading_one_succeeds(database_url: str) -> None:
    async with running(database_url) as ledger:
        made = await added(ledger)
        place, etag = made.headers["location"], made.headers["etag"]
        answers = await asyncio.gather(
            *(change(ledger, place, etag, description=f"of {number}") for number in range(4)),
            ledger.client.delete(place, headers={"If-Match": etag}),
        )
        assert [answer.is_success for answer in answers].count(True) == 1
        assert {answer.status_code for answer in answers if answer.is_error} <= {404, 412}


async def test_a_merge_patch_may_say_that_it_is_one(database_url: str) -> None:
    async with running(database_url) as ledger:
        place = (await added(ledger)).headers["location"]
        for media, status in (("application/merge-patch+json", 200), ("application/json-patch+json", 415)):
            headers = {"If-Match": "*", "Content-Type": media}
            answer = await ledger.client.patch(place, content=b'{"description":null}', headers=headers)
            assert_told(answer)
            assert answer.status_code == status
        merge = {"Content-Type": "application/merge-patch+json"}
        assert (await ledger.client.post(PATH, content=b"{}", headers=merge)).status_code == 415


async def test_a_pause_is_told_to_the_others_and_what_waits_is_sent_when_it_ends(database_url: str) -> None:
    async with running(database_url) as ledger:
        place = (await added(ledger)).headers["location"]
        other = (await ledger.client.post(PATH, json=WANTED | {"types": ["endpoint.disabled"]})).json()
        paused = (await change(ledger, place, "*", enabled=False)).json()
        assert (paused["enabled"], paused["disabled_reason"]) == (False, "paused with key 1")
        await ledger.client.post(f"{place}/ping")
        again = (await change(ledger, place, "*", enabled=False)).json()
        assert again == paused
        assert await ledger.notices() == ["endpoint.disabled", "endpoint.ping"]
        waiting = await select(ledger.url, "SELECT endpoint, state FROM kept.delivery ORDER BY notice")
        assert [tuple(row) for row in waiting] == [(other["id"], "waiting"), (paused["id"], "waiting")]
        still = (await change(ledger, place, "*", description="x")).json()
        assert still["enabled"] is False
        resumed = (await change(ledger, place, "*", enabled=True)).json()
        assert (resumed["enabled"], resumed["disabled"], resumed["disabled_reason"]) == (True, None, None)


@pytest.mark.parametrize(
    ("wanted", "status", "code", "pointer"),
    [
        ({"types": ["recheck.dew"]}, 422, "notice_type_unknown", "/types/0"),
        ({"types": []}, 422, "notice_type_unknown", "/types"),
        ({"description": "a\0"}, 422, "description_malformed", "/description"),
        ({"enabled": None}, 400, "request_invalid", "/enabled"),
        ({"url": "https://10.1.2.3/"}, 422, "address_not_allowed", "/url"),
        ({"url": "https://a:b@192.0.43.11/"}, 422, "url_has_credentials", "/url"),
        ({"minimum_health": "poor"}, 400, "request_invalid", "/minimum_health"),
        ({"concurrency": 0}, 400, "request_invalid", "/concurrency"),
        ({"per_second": 0}, 400, "request_invalid", "/per_second"),
        ({"order_wait_seconds": 86_401}, 400, "request_invalid", "/order_wait_seconds"),
        ({"authority": "no certificate"}, 422, "certificate_unusable", "/authority"),
        ({"certificate": "no certificate"}, 422, "certificate_unusable", "/certificate_key"),
        ({"signature": "v1a"}, 400, "request_invalid", "/signature"),
    ],
)
async def test_what_it_cannot_be_changed_to_is_refused_with_its_place(
    database_url: str, wanted: Json, status: int, code: str, pointer: str
) -> None:
    async with running(database_url) as ledger:
        made = await added(ledger)
        answer = await change(ledger, made.headers["location"], "*", **wanted)
        assert (answer.status_code, answer.json()["code"]) == (status, code)
        assert [error["pointer"] for error in answer.json()["errors"]] == [pointer]
        assert (await ledger.client.get(made.headers["location"])).headers["etag"] == made.headers["etag"]


async def test_what_is_no_change_is_answered_with_a_problem_that_names_the_place(database_url: str) -> None:
    async with running(database_url) as ledger:
        made = await added(ledger)
        headers = {"If-Match": "*", "Content-Type": "application/json"}
        for name, body in BYTES.items():
            if name == "an empty object":
                continue
            answer = await ledger.client.patch(made.headers["location"], content=body, headers=headers)
            assert_told(answer)
            assert answer.status_code in (400, 422), (name, answer.text[:300])
            assert_problem(answer)
        assert (await ledger.client.get(made.headers["location"])).headers["etag"] == made.headers["etag"]


async def test_a_key_of_another_plant_changes_nothing(database_url: str) -> None:
    async with running(database_url) as ledger:
        place = (await added(ledger)).headers["location"]
        _, token = await ledger.key("webhooks:admin", plants=["fell"])
        headers = {"Authorization": f"Bearer {token}", "If-Match": "*"}
        answer = await ledger.client.patch(place, json={"enabled": False}, headers=headers)
        assert (answer.status_code, answer.json()["code"]) == (404, "endpoint_unknown")
