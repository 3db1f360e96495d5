"""Webhook endpoints over HTTP: what is added, shown, pinged and deleted, and what is refused with its place."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from ipaddress import ip_network
from typing import Any, cast

import httpx
import pytest

from service import access
from service.app import create_app
from service.deliver import Dispatcher
from service.domain.address import Network
from service.domain.signature import secret_bytes
from service.environment import Environment
from service.postgres import Database
from tests.sealed import KEYS, SEAL
from tests.story.certificates import Authority
from tests.story.receiver import receiver
from tests.story.spellings import SPELLINGS, TRICKS

LOOPBACK: tuple[Network, ...] = (ip_network("127.0.0.0/8"),)
PATH = "/v1/webhook-endpoints"
SAFE = "https://192.0.43.10/hook"


@asynccontextmanager
async def caller(database_url: str, *scopes: str, plants: list[str] | None = None) -> AsyncIterator[httpx.AsyncClient]:
    """A client with a key of its own."""
    database = await Database.open(database_url)
    async with database.transaction() as tx:
        _, token = await access.mint(tx, name="a test", scopes=scopes or ("webhooks:admin",), plants=plants)
    await database.close()
    environment = Environment(database_url=database_url, webhook_networks=LOOPBACK, secret_keys=KEYS[:1])
    app = create_app(environment, parts=frozenset())
    headers = {"Authorization": f"Bearer {token}"}
    transport = httpx.ASGITransport(app=cast(Any, app))
    async with (
        app.lifespan(),
        httpx.AsyncClient(transport=transport, base_url="http://ledger.test", headers=headers) as client,
    ):
        yield client


async def test_an_endpoint_is_added_with_its_secret_this_once(database_url: str) -> None:
    async with caller(database_url) as client:
        answer = await client.post(PATH, json={"url": SAFE, "types": ["recheck.due"], "description": "planner"})
        assert answer.status_code == 201
        added = answer.json()
        assert len(secret_bytes(added.pop("secret"))) == 32
        assert (added["url"], added["types"], added["description"]) == (SAFE, ["recheck.due"], "planner")
        assert (await client.get(f"{PATH}/{added['id']}")).json() == added
        assert (await client.get(PATH)).json() == {"items": [added], "next": None}


async def test_an_own_secret_is_taken(database_url: str) -> None:
    own = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
    async with caller(database_url) as client:
        assert (await client.post(PATH, json={"url": SAFE, "secret": own})).json()["secret"] == own


async def test_a_ping_arrives_signed_and_is_listed(database_url: str) -> None:
    async with receiver() as one, caller(database_url) as client:
        added = (await client.post(PATH, json={"url": one.url, "types": ["gauge.suspect"]})).json()
        pinged = await client.post(f"{PATH}/{added['id']}/ping")
        assert pinged.status_code == 202
        database = await Database.open(database_url)
        assert await Dispatcher(database, SEAL, allowed=LOOPBACK).deliver_due() == 1
        await database.close()
        listed = (await client.get(f"{PATH}/{added['id']}/deliveries")).json()
    event = one.received[0].event(secret_bytes(added["secret"]))
    assert (event.get_type(), event.get_id()) == ("endpoint.ping", pinged.json()["notice"])
    assert event.get_data() == {"endpoint": added["id"]}
    (item,) = listed["items"]
    assert (item["notice"], item["state"], item["attempts"][0]["status"]) == (event.get_id(), "delivered", 204)


async def test_what_waits_for_a_paused_endpoint_is_sent_when_it_is_enabled_again(database_url: str) -> None:
    async with receiver() as one, caller(database_url) as client:
        place = f"{PATH}/{(await client.post(PATH, json={'url': one.url})).json()['id']}"
        database = await Database.open(database_url)
        for enabled, sent in ((False, 0), (True, 1)):
            changed = await client.patch(place, json={"enabled": enabled}, headers={"If-Match": "*"})
            assert changed.json()["enabled"] is enabled
            if not enabled:
                await client.post(f"{place}/ping")
            assert await Dispatcher(database, SEAL, allowed=LOOPBACK).deliver_due() == sent
            assert len(one.received) == sent
        await database.close()


async def test_a_deleted_endpoint_is_gone(database_url: str) -> None:
    async with caller(database_url) as client:
        place = f"{PATH}/{(await client.post(PATH, json={'url': SAFE})).json()['id']}"
        assert (await client.delete(place)).status_code == 204
        for answer in (
            await client.get(place),
            await client.delete(place),
            await client.post(f"{place}/ping"),
            await client.get(f"{place}/deliveries"),
        ):
            assert (answer.status_code, answer.json()["code"]) == (404, "endpoint_unknown")


async def test_lists_are_read_page_by_page(database_url: str) -> None:
    async with caller(database_url) as client:
        added = [(await client.post(PATH, json={"url": SAFE})).json()["id"] for _ in range(3)]
        for _ in range(3):
            await client.post(f"{PATH}/{added[0]}/ping")
        for path, name in ((PATH, "id"), (f"{PATH}/{added[0]}/deliveries", "notice")):
            first = (await client.get(path, params={"limit": 2})).json()
            second = (await client.get(path, params={"limit": 2, "cursor": first["next"]})).json()
            assert (len(first["items"]), len(second["items"]), second["next"]) == (2, 1, None)
            assert len({item[name] for item in first["items"] + second["items"]}) == 3
            refused = await client.get(path, params={"cursor": "x\0"})
            assert (refused.status_code, refused.json()["code"]) == (400, "cursor_malformed")
            assert (await client.get(path, params={"limit": 0})).status_code == 400
            assert (await client.get(path, params={"colour": "red"})).json()["code"] == "query_parameter_unknown"


@pytest.mark.parametrize(
    ("wanted", "code", "pointer"),
    [
        ({"url": "receiver.example"}, "url_malformed", "/url"),
        ({"url": "https://a:b@receiver.example"}, "url_has_credentials", "/url"),
        ({"url": "https://10.1.2.3/"}, "address_not_allowed", "/url"),
        ({"url": "https://169.254.169.254/latest"}, "address_not_allowed", "/url"),
        ({"url": "https://[::ffff:10.0.0.1]/"}, "address_not_allowed", "/url"),
        ({"url": "https://2130706433/"}, "address_not_allowed", "/url"),
        ({"url": "http://192.0.43.10/"}, "address_not_allowed", "/url"),
        ({"url": SAFE, "types": ["recheck.dew"]}, "notice_type_unknown", "/types/0"),
        ({"url": SAFE, "types": []}, "notice_type_unknown", "/types"),
        ({"url": SAFE, "secret": "whsec_c2hvcnQ="}, "secret_malformed", "/secret"),
        ({"url": SAFE, "description": "a\0"}, "description_malformed", "/description"),
        ({"url": SAFE, "description": "a" * 501}, "description_malformed", "/description"),
    ],
)
async def test_what_is_refused_names_its_place(
    database_url: str, wanted: dict[str, Any], code: str, pointer: str
) -> None:
    async with caller(database_url) as client:
        answer = await client.post(PATH, json=wanted)
        assert (answer.status_code, answer.json()["code"]) == (422, code)
        assert [error["pointer"] for error in answer.json()["errors"]] == [pointer]
        assert (await client.get(PATH)).json()["items"] == []


@pytest.mark.parametrize("scheme", ["https", "HTTPS", "http"])
async def test_however_a_forbidden_address_is_written_it_is_refused_by_its_rule(database_url: str, scheme: str) -> None:
    async with caller(database_url) as client:
        for host, rule in SPELLINGS:
            answer = await client.post(PATH, json={"url": f"{scheme}://{host}:8443/hook?a=1"})
            assert (answer.status_code, answer.json()["code"]) == (422, "address_not_allowed"), host
            (error,) = answer.json()["errors"]
            assert error["pointer"] == "/url"
            assert f"(rule {rule})" in error["detail"], host
        for url, code in TRICKS:
            answer = await client.post(PATH, json={"url": url})
            assert (answer.status_code, answer.json()["code"]) == (422, code), url
        assert (await client.get(PATH)).json()["items"] == []


async def test_a_change_of_the_address_is_checked_alike(database_url: str) -> None:
    async with caller(database_url) as client:
        place = f"{PATH}/{(await client.post(PATH, json={'url': SAFE})).json()['id']}"
        for host, rule in SPELLINGS:
            answer = await client.patch(place, json={"url": f"https://{host}/"}, headers={"If-Match": "*"})
            assert f"(rule {rule})" in answer.json()["errors"][0]["detail"], host
        assert (await client.get(place)).json()["url"] == SAFE


async def test_certificates_are_for_https_only(database_url: str) -> None:
    authority = Authority("plant")
    certificate, private = authority.sign("ledger")
    shown = {"certificate": certificate, "certificate_key": private}
    async with caller(database_url) as client:
        for options, pointer in (({"authority": authority.certificate}, "/authority"), (shown, "/certificate")):
            answer = await client.post(PATH, json={"url": "http://127.0.0.1:9/"} | options)
            assert (answer.status_code, answer.json()["code"]) == (422, "certificate_unusable")
            assert [each["pointer"] for each in answer.json()["errors"]] == [pointer]
        added = (await client.post(PATH, json={"url": "https://127.0.0.1:9/"} | shown)).json()
        moved = await client.patch(
            f"{PATH}/{added['id']}", json={"url": "http://127.0.0.1:9/"}, headers={"If-Match": "*"}
        )
        assert (moved.status_code, moved.json()["errors"][0]["pointer"]) == (422, "/certificate")
        assert private not in (await client.get(f"{PATH}/{added['id']}")).text
        other, _ = authority.sign("another")
        mixed = await client.post(PATH, json={"url": SAFE, "certificate": other, "certificate_key": private})
        assert (mixed.status_code, mixed.json()["code"]) == (422, "certificate_unusable")


@pytest.mark.parametrize("wanted", [{}, {"url": 1}, {"url": SAFE, "colour": "red"}, {"url": SAFE, "types": "all"}, []])
async def test_a_body_of_another_shape_is_refused(database_url: str, wanted: Any) -> None:
    async with caller(database_url) as client:
        answer = await client.post(PATH, json=wanted)
        assert 400 <= answer.status_code < 500
        assert (await client.get(PATH)).json()["items"] == []


async def test_another_scope_does_not_open(database_url: str) -> None:
    async with caller(database_url, "read", "events:write") as client:
        assert (await client.get(PATH)).status_code == 403
    async with caller(database_url, "admin") as client:
        assert (await client.get(PATH)).status_code == 200


async def test_a_key_bound_to_plants_sees_and_is_told_of_those_only(database_url: str) -> None:
    async with caller(database_url) as free, caller(database_url, "webhooks:admin", plants=["skerrow"]) as bound:
        everywhere = (await free.post(PATH, json={"url": SAFE})).json()["id"]
        here = (await bound.post(PATH, json={"url": SAFE})).json()
        assert here["plants"] == ["skerrow"]
        assert [each["id"] for each in (await bound.get(PATH)).json()["items"]] == [here["id"]]
        assert len((await free.get(PATH)).json()["items"]) == 2
        assert (await bound.get(f"{PATH}/{everywhere}")).status_code == 404
        assert (await bound.delete(f"{PATH}/{everywhere}")).status_code == 404
