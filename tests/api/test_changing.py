"""What can be changed over HTTP is changed only if it is still what was read, where the caller says so."""

import pytest

from tests.running import running

ENDPOINT = {"url": "https://127.0.0.1:8443/hooks", "types": ["recheck.due"]}
DUEE = "Invalid enum value 'duee': one of waiting open due overdue satisfied deferred superseded"
KEY = {"name": "tablet", "scopes": ["read"]}


@pytest.mark.parametrize(
    ("path", "body", "name"), [("/v1/webhook-endpoints", ENDPOINT, "id"), ("/v1/keys", KEY, "key")]
)
async def test_it_is_deleted_only_as_it_was_read(
    database_url: str, path: str, body: dict[str, object], name: str
) -> None:
    async with running(database_url) as ledger:
        made = (await ledger.client.post(path, json=body)).json()
        place = f"{path}/{made[name]}"
        etag = (await ledger.client.get(place)).headers["etag"]
        for stale in ('"another"', f"W/{etag}"):
            refused = await ledger.client.delete(place, headers={"If-Match": stale})
            assert (refused.status_code, refused.json()["code"]) == (412, "changed_meanwhile")
        assert (await ledger.client.get(place)).headers["etag"] == etag
        assert (await ledger.client.delete(place, headers={"If-Match": f'"other", {etag}'})).status_code == 204


async def test_a_key_that_another_has_ended_meanwhile_is_not_what_was_read(database_url: str) -> None:
    async with running(database_url) as ledger:
        place = f"/v1/keys/{(await ledger.client.post('/v1/keys', json=KEY)).json()['key']}"
        etag = (await ledger.client.get(place)).headers["etag"]
        assert (await ledger.client.delete(place, headers={"If-Match": "*"})).status_code == 204
        assert (await ledger.client.delete(place, headers={"If-Match": etag})).status_code == 412


async def test_a_fault_names_the_parameter_and_the_counter_that_is_at_fault(database_url: str) -> None:
    async with running(database_url) as ledger:
        asked = await ledger.client.get("/v1/rechecks", params={"state": "duee"})
        assert (asked.status_code, asked.json()["errors"]) == (
            400,
            [{"parameter": "state", "code": "member_invalid", "detail": DUEE}],
        )
        readings = {"source": "/mes", "time": "2026-01-06T08:00:00Z", "readings": {"S1": 4, "M-1/2": -1}}
        counted = await ledger.client.post("/v1/counter-readings", json=readings)
        problems = {each["key"]: each["problem"] for each in counted.json()["items"]}
        assert problems["M-1/2"]["errors"][0]["pointer"] == "/readings/M-1~12"
        assert (counted.status_code, problems["S1"]["code"]) == (200, "spindle_unknown")
        feed = await ledger.client.get("/v1/events", params={"types": "recheck.due"})
        assert "is a type of notice" in feed.json()["detail"]


async def test_a_refused_address_says_how_a_plant_may_open_it_where_it_may(database_url: str) -> None:
    async with running(database_url) as ledger:
        path = "/v1/webhook-endpoints"
        closed = (await ledger.client.post(path, json={"url": "https://10.0.0.1/"})).json()["detail"]
        plain = (await ledger.client.post(path, json={"url": "http://192.0.43.10/"})).json()["detail"]
        never = (await ledger.client.post(path, json={"url": "https://169.254.169.254/"})).json()["detail"]
        assert ["SPINDLE_LEDGER_WEBHOOK_CIDRS" in text for text in (closed, plain, never)] == [True, True, False]
        assert ["(rule private)" in closed, "(rule plain_http)" in plain, "(rule link_local)" in never] == [True] * 3
