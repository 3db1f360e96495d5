"""A recall over hundreds of spindles: what is sent is thin, and its address has the rest."""

import json
from typing import Any

from service.deliver import Dispatcher
from service.domain.signature import secret_bytes
from tests.api.documented import assert_told, notice_faults
from tests.domain import skerrow
from tests.running import Json, Running, running, select
from tests.story.delivering import LOOPBACK
from tests.story.loading import ago, commissioned, event, measured, references
from tests.story.receiver import receiver
from tests.story.test_recall import found

SPINDLES = [f"S{number:03d}" for number in range(1, 241)]


async def recall_all(ledger: Running) -> None:
    """Every spindle was measured with a gauge that is then found out."""
    events = [*references(), *(commissioned(key) for key in SPINDLES)]
    events += [measured(key, ago(days=50), "11.44", "11.44") for key in SPINDLES]
    assert {each["status"] for each in await ledger.batch(events)} == {"accepted"}
    await ledger.record(event("gauge.calibrated", "gauges/DG-03", ago(minutes=1), found("-0.02")))
    await ledger.sweep()


async def test_a_recall_over_hundreds_of_spindles_arrives_thin_and_its_address_has_the_whole(database_url: str) -> None:
    async with receiver() as one, running(database_url) as ledger:
        wanted = {"url": one.url, "types": ["gauge.suspect"]}
        secret = (await ledger.client.post("/v1/webhook-endpoints", json=wanted)).json()["secret"]
        await recall_all(ledger)
        seal = ledger.app.state.seal
        assert await Dispatcher(ledger.database, seal, allowed=LOOPBACK).deliver_due() == 1
        (received,) = one.received
        stored = await select(ledger.url, "SELECT body, whole FROM kept.notice WHERE type = 'gauge.suspect'")
        assert received.body == stored[0]["body"].encode()
        sent: Any = received.event(secret_bytes(secret)).get_data()
        href = f"/v1/notices/{received.headers['webhook-id']}"
        assert sent == {
            "href": href,
            "gauge": "DG-03",
            "calibration": 3,
            "entry": sent["entry"],
            "judged_again": 240,
            "in_doubt": 240,
        }
        answer = await ledger.client.get(href)
        assert_told(answer)
        assert answer.content == stored[0]["whole"].encode()
        whole = answer.json()
        assert len(answer.content) <= 64_000
        assert notice_faults(whole) == notice_faults(json.loads(received.body)) == []
        listed = [each["spindle"] for each in whole["data"]["spindles"]]
        assert 100 < len(listed) == 240 - whole["data"]["left_out"]
        assert [each["spindle"] for each in await _all(ledger, whole["data"]["href"])] == SPINDLES
        again = await ledger.client.get(href, headers={"If-None-Match": answer.headers["ETag"]})
        assert again.status_code == 304


async def _all(ledger: Running, path: str) -> list[Json]:
    items: list[Json] = []
    cursor: Json = {}
    while True:
        page = (await ledger.client.get(path, params={"limit": 100, **cursor})).json()
        items += page["items"]
        if page["next"] is None:
            return items
        cursor = {"cursor": page["next"]}


async def test_a_notice_is_read_by_keys_that_reach_its_plant(database_url: str) -> None:
    async with running(database_url) as ledger:
        await ledger.record_all([*references(), commissioned("S1"), measured("S1", ago(minutes=5), "11.60", "11.60")])
        rows = await select(ledger.url, "SELECT id, body FROM kept.notice WHERE type = 'setting.rejected'")
        await ledger.client.post("/v1/webhook-endpoints", json={"url": "http://127.0.0.1:9/"})
        everywhere = await ledger.client.get(f"/v1/notices/{rows[0]['id']}")
        assert everywhere.content == rows[0]["body"].encode()
        assert skerrow.mm("11.60") == everywhere.json()["data"]["verdict"]["mean"]
        for plants, status in ((["skerrow"], 200), (["elsewhere"], 404), (None, 200)):
            _, token = await ledger.key("read", plants=plants)
            told = await ledger.client.get(f"/v1/notices/{rows[0]['id']}", headers={"Authorization": f"Bearer {token}"})
            assert_told(told)
            assert told.status_code == status
        _, token = await ledger.key("events:write")
        refused = await ledger.client.get(f"/v1/notices/{rows[0]['id']}", headers={"Authorization": f"Bearer {token}"})
        assert refused.status_code == 403
        for unknown in ("ntc_" + "a" * 32, "ntc_", "ntc_" + "a" * 32 + "%0A"):
            told = await ledger.client.get(f"/v1/notices/{unknown}")
            assert (told.status_code, told.json()["code"]) == (404, "notice_not_found"), unknown


async def test_what_is_about_no_single_plant_is_not_there_for_a_key_bound_to_plants(database_url: str) -> None:
    async with running(database_url) as ledger:
        added = (await ledger.client.post("/v1/webhook-endpoints", json={"url": "http://127.0.0.1:9/"})).json()
        pinged = (await ledger.client.post(f"/v1/webhook-endpoints/{added['id']}/ping")).json()["notice"]
        _, token = await ledger.key("read", plants=["skerrow"])
        bound = await ledger.client.get(f"/v1/notices/{pinged}", headers={"Authorization": f"Bearer {token}"})
        assert bound.status_code == 404
        assert (await ledger.client.get(f"/v1/notices/{pinged}")).json()["data"] == {"endpoint": added["id"]}
