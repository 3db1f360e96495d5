"""Secrets: sealed where they are stored, two that verify while one runs out, keys that sealed and are rotated."""

from base64 import urlsafe_b64decode
from datetime import timedelta
from typing import Any

import pytest
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from standardwebhooks import WebhookVerificationError

from service import endpoints, outbox, sealing
from service.deliver import Dispatcher
from service.domain.signature import secret_bytes
from service.endpoints import TooManySecrets
from service.postgres import Database, Statement
from service.sealing import Seal, SealedOtherwise, open_seal, reseal
from tests.running import running
from tests.sealed import KEYS, SEAL
from tests.story.delivering import LOOPBACK, SECRET, due, put, subscribe
from tests.story.receiver import Received, receiver

PATH = "/v1/webhook-endpoints"
DAY = timedelta(days=1)
_STORED = Statement("stored", "SELECT secret, sealed_by FROM kept.signing ORDER BY endpoint, number")


async def rotate(database: Database, endpoint: str, overlap: timedelta = DAY) -> bytes:
    async with database.transaction() as tx:
        found = await endpoints.read(tx, endpoint, to_change=True)
        assert found is not None
        return await endpoints.rotate(tx, SEAL, found, overlap=overlap, secret=None)


def verified_by(received: Received, *secrets: bytes) -> list[bool]:
    """Which of these secrets the reference library verifies a delivery with."""
    found = []
    for secret in secrets:
        try:
            received.event(secret)
        except WebhookVerificationError:
            found.append(False)
        else:
            found.append(True)
    return found


async def test_while_one_secret_runs_out_both_verify_and_afterwards_only_the_new(database: Database) -> None:
    async with receiver() as one:
        endpoint = await subscribe(database, one.url)
        new = await rotate(database, endpoint.id)
        await put(database, due(1))
        assert await Dispatcher(database, SEAL, allowed=LOOPBACK).deliver_due() == 1
        assert verified_by(one.received[0], SECRET, new) == [True, True]
        database.clock_shift = DAY - timedelta(seconds=30)
        await put(database, due(2))
        assert await Dispatcher(database, SEAL, allowed=LOOPBACK).deliver_due() == 1
        names = one.received[1].headers["webhook-signature"].split(" ")
        assert [each.split(",")[0] for each in names] == ["v1", "v1"]
        database.clock_shift = DAY
        await put(database, due(3))
        assert await Dispatcher(database, SEAL, allowed=LOOPBACK).deliver_due() == 1
    assert len(one.received[2].headers["webhook-signature"].split(" ")) == 1


async def test_without_an_overlap_only_the_new_secret_verifies(database: Database) -> None:
    async with receiver() as one:
        endpoint = await subscribe(database, one.url)
        new = await rotate(database, endpoint.id, timedelta(0))
        await put(database, due())
        assert await Dispatcher(database, SEAL, allowed=LOOPBACK).deliver_due() == 1
    assert verified_by(one.received[0], SECRET, new) == [False, True]
    flipped = Received(one.received[0].headers, one.received[0].body.replace(b"recheck", b"rechecj", 1))
    assert verified_by(flipped, new) == [False]


async def test_more_secrets_than_receivers_look_at_are_refused(database: Database) -> None:
    endpoint = await subscribe(database, "https://receiver.example/")
    for _ in range(endpoints.SIGNING_MAX - 1):
        await rotate(database, endpoint.id)
    with pytest.raises(TooManySecrets) as refused:
        await rotate(database, endpoint.id)
    assert refused.value.faults[0].pointer == "/overlap_seconds"
    await rotate(database, endpoint.id, timedelta(0))
    async with database.transaction() as tx:
        found = await endpoints.read(tx, endpoint.id)
    assert found is not None
    assert len(found.signing) == 1


async def test_a_second_rotation_does_not_lengthen_the_life_of_the_first_secret(database: Database) -> None:
    endpoint = await subscribe(database, "https://receiver.example/")
    await rotate(database, endpoint.id, timedelta(hours=1))
    await rotate(database, endpoint.id, timedelta(hours=9))
    async with database.transaction() as tx:
        found = await endpoints.read(tx, endpoint.id)
        assert found is not None
        newest, second, first = found.signing
        assert newest.expires is None
        assert (second.expires, first.expires) < (tx.now + timedelta(hours=9, seconds=1), tx.now + timedelta(hours=1))


async def test_an_endpoint_signed_v1a_is_verified_with_the_published_key_also_while_keys_change(
    database_url: str,
) -> None:
    async with receiver() as one, running(database_url) as ledger:
        answer = await ledger.client.post(PATH, json={"url": one.url, "signature": "v1a"})
        added = answer.json()
        assert (answer.status_code, added["secret"], added["signature"]) == (201, None, "v1a")
        rotated = (await ledger.client.post(f"{PATH}/{added['id']}/rotate", json={"overlap_seconds": 60})).json()
        assert rotated["secret"] is None
        assert [each["number"] for each in rotated["signing"]] == [2, 1]
        await ledger.client.post(f"{PATH}/{added['id']}/ping")
        assert await Dispatcher(ledger.database, ledger.app.state.seal, allowed=LOOPBACK).deliver_due() == 1
        keys = (await ledger.client.get("/.well-known/jwks.json", headers={"Authorization": ""})).json()["keys"]
    assert {each["kid"] for each in keys} == {f"{added['id']}.{number}" for number in (1, 2)}
    (delivery,) = one.received
    named = [each.split(",") for each in delivery.headers["webhook-signature"].split(" ")]
    assert [scheme for scheme, _ in named] == ["v1a", "v1a"]
    content = ".".join((delivery.headers["webhook-id"], delivery.headers["webhook-timestamp"], delivery.body.decode()))
    for key, (_, signature) in zip(keys, named, strict=True):
        public = Ed25519PublicKey.from_public_bytes(urlsafe_b64decode(key["x"] + "="))
        made = urlsafe_b64decode(signature.replace("+", "-").replace("/", "_"))
        public.verify(made, content.encode())
        with pytest.raises(InvalidSignature):
            public.verify(made, content.replace("ping", "pinh").encode())


async def test_what_is_stored_is_not_the_secret(database: Database) -> None:
    await subscribe(database, "https://receiver.example/")
    async with database.transaction() as tx:
        (row,) = await tx.rows(_STORED)
    assert SECRET not in row["secret"]
    assert row["sealed_by"] == sealing.name_of(KEYS[0])
    assert SEAL.open(row["secret"], row["sealed_by"]) == SECRET


async def test_keys_that_seal_are_rotated_and_what_they_sealed_is_sealed_anew(database: Database) -> None:
    async with receiver() as one:
        await subscribe(database, one.url)
        both = Seal([KEYS[1], KEYS[0]], in_database=False)
        async with database.transaction() as tx:
            assert await reseal(tx, both) == 1
            assert await reseal(tx, both) == 0
        await put(database, due())
        only_new = Seal([KEYS[1]], in_database=False)
        assert await Dispatcher(database, only_new, allowed=LOOPBACK).deliver_due() == 1
    assert verified_by(one.received[0], SECRET) == [True]


async def test_a_process_without_the_key_leaves_an_endpoint_to_those_that_have_it(database: Database) -> None:
    foreign = Seal([KEYS[1]], in_database=False)
    async with receiver() as one:
        await subscribe(database, one.url)
        await put(database, due())
        assert await Dispatcher(database, foreign, allowed=LOOPBACK).deliver_due() == 0
        async with database.transaction() as tx:
            (remark,) = await sealing.remarks(tx, foreign)
            with pytest.raises(SealedOtherwise):
                await reseal(tx, foreign)
        assert "1 webhook secrets are sealed with keys" in remark
        assert await Dispatcher(database, SEAL, allowed=LOOPBACK).deliver_due() == 1


async def test_without_keys_one_is_kept_in_the_database_and_remarked_on(database: Database) -> None:
    async with database.transaction() as tx:
        first, second = await open_seal(tx, ()), await open_seal(tx, ())
        assert (first.name, first.in_database) == (second.name, True)
        assert await sealing.remarks(tx, first) == []
        await endpoints.add(tx, first, url="https://receiver.example/")
        (remark,) = await sealing.remarks(tx, first)
        assert "SPINDLE_LEDGER_SECRET_KEYS" in remark
        named = await open_seal(tx, KEYS)
        assert await reseal(tx, named) == 1
        assert await sealing.remarks(tx, named) == []


async def test_what_was_stored_before_secrets_were_sealed_still_signs_and_is_sealed(database: Database) -> None:
    async with receiver() as one:
        await subscribe(database, one.url)
        async with database.transaction() as tx:
            await tx.run(Statement("bare", "UPDATE kept.signing SET secret = :secret, sealed_by = NULL"), secret=SECRET)
        await put(database, due(1))
        assert await Dispatcher(database, SEAL, allowed=LOOPBACK).deliver_due() == 1
        async with database.transaction() as tx:
            assert await reseal(tx, SEAL) == 1
        await put(database, due(2))
        assert await Dispatcher(database, SEAL, allowed=LOOPBACK).deliver_due() == 1
    assert [verified_by(each, SECRET) for each in one.received] == [[True], [True]]


@pytest.mark.parametrize(
    ("wanted", "status", "code", "pointer"),
    [
        ({"overlap_seconds": 7 * 86_400 + 1}, 400, "request_invalid", "/overlap_seconds"),
        ({"overlap_seconds": -1}, 400, "request_invalid", "/overlap_seconds"),
        ({"secret": "whsec_c2hvcnQ="}, 422, "secret_malformed", "/secret"),
        ({"secrets": "x"}, 400, "request_invalid", "/secrets"),
    ],
)
async def test_a_rotation_that_cannot_be_names_the_place(
    database_url: str, wanted: dict[str, Any], status: int, code: str, pointer: str
) -> None:
    async with running(database_url) as ledger:
        added = (await ledger.client.post(PATH, json={"url": "https://192.0.43.10/"})).json()
        answer = await ledger.client.post(f"{PATH}/{added['id']}/rotate", json=wanted)
        assert (answer.status_code, answer.json()["code"]) == (status, code)
        assert [each["pointer"] for each in answer.json()["errors"]] == [pointer]
        after = (await ledger.client.get(f"{PATH}/{added['id']}")).json()
    assert len(after["signing"]) == 1


async def test_a_rotation_answers_the_secret_this_once(database_url: str) -> None:
    own = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
    async with running(database_url) as ledger:
        added = (await ledger.client.post(PATH, json={"url": "https://192.0.43.10/"})).json()
        place = f"{PATH}/{added['id']}"
        rotated = await ledger.client.post(f"{place}/rotate", json={})
        assert (rotated.status_code, rotated.headers["cache-control"]) == (200, "no-store")
        assert len(secret_bytes(rotated.json()["secret"])) == endpoints.SECRET_BYTES
        assert (await ledger.client.post(f"{place}/rotate", json={"secret": own})).json()["secret"] == own
        read = (await ledger.client.get(place)).text
        assert "whsec" not in read
        other = {"url": "https://192.0.43.10/", "signature": "v1a", "secret": own}
        refused = await ledger.client.post(PATH, json=other)
        assert (refused.status_code, refused.json()["code"]) == (422, "secret_malformed")


async def test_a_deleted_endpoint_takes_its_public_key_with_it(database: Database) -> None:
    async with database.transaction() as tx:
        endpoint, _ = await endpoints.add(tx, SEAL, url="https://receiver.example/", scheme="v1a")
        assert len(await endpoints.public_keys(tx)) == 1
        assert await endpoints.delete(tx, endpoint.id)
        await outbox.drop(tx, endpoint.id)
        assert await endpoints.public_keys(tx) == []
