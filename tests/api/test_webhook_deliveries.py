"""Deliveries, attempts and the health of endpoints as operators read them, and replays as they ask for them."""

from datetime import UTC, datetime, timedelta
from typing import Any, Final

import httpx
import pytest

from service import endpoints, outbox
from service.domain.notice import Notice, notice_id
from service.endpoints import Wanted
from service.outbox import Attempt
from service.sealing import Seal
from tests.api.documented import assert_told
from tests.api.test_metrics import metrics
from tests.running import Json, Running, running, select

PATH: Final = "/v1/webhook-endpoints"
URL: Final = "https://192.0.43.10/hook"
NOON: Final = datetime(2026, 3, 2, 12, tzinfo=UTC)


def notice(number: int, kind: str = "recheck.due", spindle: str = "H2-M04-S1", plant: str = "skerrow") -> Notice:
    return Notice(
        id=notice_id(kind, f"{spindle} {plant}", number),
        type=kind,
        subject=f"spindles/{spindle}",
        spindle=spindle,
        plant=plant,
        time=NOON,
        data={},
    )


async def subscribe(ledger: Running, **wanted: Any) -> str:
    seal: Seal = ledger.app.state.seal
    async with ledger.database.transaction() as tx:
        added, _ = await endpoints.add(tx, seal, url=URL, wanted=Wanted(**wanted))
    return added.id


async def put(ledger: Running, *notices: Notice) -> None:
    async with ledger.database.transaction() as tx:
        await outbox.put(tx, notices)


async def attempt(ledger: Running, number: int = 100, **made: Any) -> None:
    """One attempt at everything that is due."""
    seal: Seal = ledger.app.state.seal
    values: dict[str, Any] = {
        "duration_ms": 5,
        "status": 204,
        "answer": "",
        "error": None,
        "state": "delivered",
        "next_attempt": None,
    }
    async with ledger.database.transaction() as tx:
        claims = await outbox.claim(tx, seal, limit=number, lease_until=tx.now + timedelta(minutes=1))
        attempts = [Attempt(**{"claim": each, "started": tx.now, **values, **made}) for each in claims]
        await outbox.note_attempts(tx, sorted(attempts, key=lambda each: (each.claim.endpoint, each.claim.notice)))
    assert claims


async def get(ledger: Running, path: str, **asked: Any) -> Json:
    answer = await ledger.client.get(path, params=asked)
    assert_told(answer)
    assert answer.status_code == 200, answer.text
    found: Json = answer.json()
    return found


async def ids(ledger: Running, path: str, **asked: Any) -> list[str]:
    return [each["notice"] for each in (await get(ledger, path, **asked))["items"]]


async def post(ledger: Running, path: str, **wanted: Any) -> Json:
    answer = await ledger.client.post(path, json=wanted)
    assert_told(answer)
    assert answer.status_code == 200, answer.text
    found: Json = answer.json()
    return found


async def test_deliveries_are_found_by_what_they_are(database_url: str) -> None:
    first, second = notice(1), notice(2, "gauge.suspect", "W1", "fell")
    async with running(database_url, invented=True) as ledger:
        one, other = await subscribe(ledger), await subscribe(ledger, types=("gauge.suspect",))
        await put(ledger, first)
        await attempt(ledger, status=500, state="failed")
        ledger.database.clock_shift += timedelta(hours=2)
        await put(ledger, second)
        between = (datetime.now(UTC) + timedelta(hours=1)).isoformat()
        for asked, found in (
            ({}, [second.id, first.id]),
            ({"state": "failed"}, [first.id]),
            ({"state": ["failed", "waiting"]}, [second.id, first.id]),
            ({"state": "delivered"}, []),
            ({"type": "gauge.suspect"}, [second.id]),
            ({"type": ["gauge.suspect", "recheck.due"]}, [second.id, first.id]),
            ({"spindle": "W1"}, [second.id]),
            ({"plant": "skerrow"}, [first.id]),
            ({"notice": first.id}, [first.id]),
            ({"since": between}, [second.id]),
            ({"until": between}, [first.id]),
            ({"state": "waiting", "type": "gauge.suspect", "plant": "fell", "since": between}, [second.id]),
        ):
            assert await ids(ledger, f"{PATH}/{one}/deliveries", **asked) == found, asked
            assert await ids(ledger, "/v1/webhook-deliveries", endpoint=one, **asked) == found, asked
        both = (await get(ledger, "/v1/webhook-deliveries", notice=second.id))["items"]
        assert {each["endpoint"] for each in both} == {one, other}
        assert len(await ids(ledger, "/v1/webhook-deliveries")) == 3
        assert_told(await ledger.client.delete(f"{PATH}/{other}"))
        (dropped,) = (await get(ledger, "/v1/webhook-deliveries", state="dropped"))["items"]
        assert (dropped["endpoint"], dropped["notice"]) == (other, second.id)


async def test_a_walk_through_every_delivery_meets_each_once(database_url: str) -> None:
    async with running(database_url, invented=True) as ledger:
        for _ in range(3):
            await subscribe(ledger)
        await put(ledger, *(notice(number) for number in range(7)))
        met: list[tuple[str, str]] = []
        asked: Json = {"limit": 4, "state": "waiting"}
        while True:
            page = await get(ledger, "/v1/webhook-deliveries", **asked)
            met += [(each["notice"], each["endpoint"]) for each in page["items"]]
            await put(ledger, notice(100 + len(met)))
            if page["next"] is None:
                break
            asked["cursor"] = page["next"]
        assert len(met) == len(set(met)) == 21


async def test_one_delivery_tells_what_became_of_a_ping(database_url: str) -> None:
    async with running(database_url, invented=True) as ledger:
        one = await subscribe(ledger)
        pinged = (await ledger.client.post(f"{PATH}/{one}/ping")).json()["notice"]
        place = f"{PATH}/{one}/deliveries/{pinged}"
        assert (await get(ledger, place))["attempts"] == []
        await attempt(ledger, status=404, answer="no such hook", state="failed", headers={"server": "x"})
        found = await get(ledger, place)
        assert (found["state"], found["type"], found["endpoint"]) == ("failed", "endpoint.ping", one)
        assert (found["attempts"][0]["status"], found["attempts"][0]["headers"]) == (404, {"server": "x"})
        for path in (f"{PATH}/{one}/deliveries/{notice(1).id}", f"{PATH}/{one}/deliveries/ping"):
            for answer in (await ledger.client.get(path), await ledger.client.post(f"{path}/replay")):
                assert_told(answer)
                assert (answer.status_code, answer.json()["code"]) == (404, "delivery_unknown")


async def test_attempts_are_listed_in_the_order_of_time_and_found_by_how_they_went(database_url: str) -> None:
    async with running(database_url, invented=True) as ledger:
        one = await subscribe(ledger)
        place = f"{PATH}/{one}/attempts"
        every: list[Json] = [
            {"status": 204},
            {"status": 500, "state": "failed"},
            {"status": 200, "error": "it broke off", "state": "failed"},
            {"status": None, "error": "timeout", "state": "failed"},
            {"status": 429, "state": "failed"},
        ]
        for number, made in enumerate(every):
            await put(ledger, notice(number))
            await attempt(ledger, **made)
            ledger.database.clock_shift += timedelta(minutes=1)
        whole = (await get(ledger, place))["items"]
        assert [each["outcome"] for each in whole] == ["refused", "unanswered", "unanswered", "refused", "succeeded"]
        third = whole[2]["started"]
        for asked, places in (
            ({"outcome": "refused"}, [0, 3]),
            ({"outcome": ["succeeded", "unanswered"]}, [1, 2, 4]),
            ({"status": 500}, [3]),
            ({"status": [500, 429]}, [0, 3]),
            ({"notice": notice(0).id}, [4]),
            ({"since": third}, [0, 1, 2]),
            ({"until": third}, [3, 4]),
            ({"since": third, "outcome": "unanswered"}, [1, 2]),
        ):
            assert (await get(ledger, place, **asked))["items"] == [whole[each] for each in places], asked
        met: list[Json] = []
        cursor: Json = {}
        while True:
            page = await get(ledger, place, limit=2, **cursor)
            met += page["items"]
            if page["next"] is None:
                break
            cursor = {"cursor": page["next"]}
        assert met == whole


async def test_how_an_endpoint_is_doing_is_said_in_a_word_and_leaves_its_etag_alone(database_url: str) -> None:
    async with running(database_url, invented=True) as ledger:
        one, other = await subscribe(ledger), await subscribe(ledger, types=("endpoint.failing",))
        place = f"{PATH}/{one}"
        etag = (await ledger.client.get(place)).headers["etag"]

        async def status() -> str:
            found = await get(ledger, f"{place}/health")
            listed = (await get(ledger, "/v1/webhook-health"))["items"]
            assert listed[0] == found
            assert [each["id"] for each in listed] == [one, other]
            counted = await metrics(ledger)
            told = [counted["webhook_endpoints", word] for word in ("well", "failing", "resting", "disabled")]
            assert sum(told) == 2
            assert counted["webhook_endpoints", found["status"]] >= 1
            return str(found["status"])

        assert await status() == "well"
        await put(ledger, notice(1))
        await attempt(ledger, status=500, state="failed")
        assert await status() == "failing"
        await put(ledger, notice(2))
        await attempt(ledger, status=503, state="failed", asked=timedelta(minutes=10))
        assert await status() == "resting"
        assert (await ledger.client.get(place)).headers["etag"] == etag
        assert (await get(ledger, f"{place}/health"))["failures"] == 2
        ledger.database.clock_shift += timedelta(minutes=11)
        await put(ledger, notice(3))
        ledger.database.clock_shift += timedelta(minutes=5)
        health = await get(ledger, f"{place}/health")
        assert (health["status"], health["waiting"], health["rests_until"]) == ("failing", 1, None)
        assert 300 <= (await metrics(ledger))["oldest_waiting_delivery_seconds",] < 360
        await attempt(ledger)
        assert await status() == "well"
        await put(ledger, notice(4))
        await ledger.client.patch(place, json={"enabled": False}, headers={"If-Match": etag})
        assert await status() == "disabled"
        ledger.database.clock_shift += timedelta(minutes=5)
        assert (await metrics(ledger))["oldest_waiting_delivery_seconds",] == 0


async def test_a_key_bound_to_plants_sees_and_replays_what_is_of_its_plants(database_url: str) -> None:
    here, there = notice(1), notice(2, plant="fell")
    async with running(database_url, invented=True) as ledger:
        everywhere = await subscribe(ledger)
        narrowed = await subscribe(ledger)
        await put(ledger, here, there)
        await attempt(ledger, status=500, state="failed")
        await ledger.client.patch(f"{PATH}/{narrowed}", json={"plants": ["skerrow"]}, headers={"If-Match": "*"})
        _, token = await ledger.key("webhooks:admin", plants=["skerrow"])
        ledger.client.headers["Authorization"] = f"Bearer {token}"
        pinged = (await ledger.client.post(f"{PATH}/{narrowed}/ping")).json()["notice"]
        assert await ids(ledger, "/v1/webhook-deliveries") == [pinged, here.id]
        assert await ids(ledger, f"{PATH}/{narrowed}/deliveries") == [pinged, here.id]
        assert await ids(ledger, f"{PATH}/{narrowed}/attempts") == [here.id]
        assert [each["id"] for each in (await get(ledger, "/v1/webhook-health"))["items"]] == [narrowed]
        assert (await post(ledger, f"{PATH}/{narrowed}/replay"))["again"] == 1
        for path in ("health", "deliveries", f"deliveries/{here.id}", "attempts"):
            answer = await ledger.client.get(f"{PATH}/{everywhere}/{path}")
            assert (answer.status_code, answer.json()["code"]) == (404, "endpoint_unknown")
        for path in (f"{PATH}/{everywhere}/replay", f"{PATH}/{everywhere}/deliveries/{here.id}/replay"):
            assert (await ledger.client.post(path, json={})).status_code == 404
        assert (await ledger.client.get(f"{PATH}/{narrowed}/deliveries/{there.id}")).status_code == 404


_MANY: Final = 100_007
_NOTICES: Final = """
    INSERT INTO kept.notice (id, type, subject, occurred, created, body)
    SELECT 'ntc_' || n, 'recheck.due', 'spindles/S', now(), now(), '{}' FROM generate_series(1, $1) AS n
"""
_FAILED: Final = """
    INSERT INTO kept.delivery (endpoint, notice, state, put) SELECT $1, notice, 'failed', created FROM kept.notice
"""


async def test_a_replay_is_bounded_counted_first_and_gone_on_with(database_url: str) -> None:
    async with running(database_url, invented=True) as ledger:
        one = await subscribe(ledger)
        await select(database_url, _NOTICES, _MANY)
        await select(database_url, _FAILED, one)
        place = f"{PATH}/{one}/replay"
        whole = {"dry": False, "missed": 0, "next": None, "enabled": True}
        assert await post(ledger, place, dry=True) == whole | {"dry": True, "again": _MANY, "left": 7}
        first = await post(ledger, place)
        assert first == whole | {"again": 100_000, "left": 7, "next": first["next"]}
        await select(database_url, "UPDATE kept.delivery SET state = 'failed' WHERE state = 'waiting'")
        assert await post(ledger, place, cursor=first["next"]) == whole | {"again": 7, "left": 0}
        waiting = await select(database_url, "SELECT count(*) AS n FROM kept.delivery WHERE state = 'waiting'")
        assert waiting[0]["n"] == 7
        other = await ledger.client.post(place, json={"cursor": first["next"], "missed": True})
        _assert_refused(other, 400, "cursor_malformed", "/cursor")


def _assert_refused(answer: httpx.Response, status: int, code: str, pointer: str) -> None:
    assert_told(answer)
    assert (answer.status_code, answer.json()["code"]) == (status, code)
    assert [error["pointer"] for error in answer.json()["errors"]] == [pointer]


@pytest.mark.parametrize(
    ("wanted", "status", "code", "pointer"),
    [
        ({"states": ["dropped"]}, 400, "request_invalid", "/states/0"),
        ({"types": ["recheck.dew"]}, 422, "notice_type_unknown", "/types/0"),
        ({"since": "yesterday"}, 422, "time_invalid", "/since"),
        ({"until": "2026-01-01T00:00:00"}, 422, "time_invalid", "/until"),
        ({"spindle_prefix": "a b"}, 400, "request_invalid", "/spindle_prefix"),
        ({"cursor": "x"}, 400, "cursor_malformed", "/cursor"),
        ({"plants": ["skerrow"]}, 400, "request_invalid", "/plants"),
        ({"dry": "perhaps"}, 400, "request_invalid", "/dry"),
    ],
)
async def test_what_cannot_be_replayed_is_refused_with_its_place(
    database_url: str, wanted: Json, status: int, code: str, pointer: str
) -> None:
    async with running(database_url, invented=True) as ledger:
        one = await subscribe(ledger)
        _assert_refused(await ledger.client.post(f"{PATH}/{one}/replay", json=wanted), status, code, pointer)


@pytest.mark.parametrize("wrong", ["99", "1000", "99999999999", "ok"])
async def test_a_status_that_no_answer_has_is_refused_by_its_name(database_url: str, wrong: str) -> None:
    async with running(database_url, invented=True) as ledger:
        one = await subscribe(ledger)
        answer = await ledger.client.get(f"{PATH}/{one}/attempts", params={"status": ["500", wrong]})
        assert_told(answer)
        assert (answer.status_code, answer.json()["code"]) == (400, "request_invalid")
        assert [error["parameter"] for error in answer.json()["errors"]] == ["status"]


@pytest.mark.parametrize(
    ("asked", "status", "code"),
    [
        ({"state": "lost"}, 400, "request_invalid"),
        ({"type": "recheck.dew"}, 422, "notice_type_unknown"),
        ({"notice": "7"}, 400, "request_invalid"),
        ({"endpoint": "7"}, 400, "request_invalid"),
        ({"since": "tomorrow"}, 422, "time_invalid"),
        ({"until": "tomorrow"}, 422, "time_invalid"),
        ({"cursor": "x"}, 400, "cursor_malformed"),
        ({"standing": "failed"}, 400, "query_parameter_unknown"),
    ],
)
async def test_what_cannot_be_asked_of_deliveries_is_refused_by_its_name(
    database_url: str, asked: Json, status: int, code: str
) -> None:
    async with running(database_url, invented=True) as ledger:
        answer = await ledger.client.get("/v1/webhook-deliveries", params=asked)
        assert_told(answer)
        assert (answer.status_code, answer.json()["code"]) == (status, code)
        assert [error["parameter"] for error in answer.json()["errors"]] == list(asked)
