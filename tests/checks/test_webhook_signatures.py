"""Signatures against the vectors of the Standard Webhooks reference libraries, and against that library itself."""

import json
from base64 import b64decode
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from standardwebhooks import Webhook, WebhookVerificationError

from service.domain.signature import (
    SEED_BYTES,
    SecretMalformed,
    public_of,
    public_text,
    secret_bytes,
    secret_text,
    sign,
)

VECTORS: list[dict[str, Any]] = json.loads(Path(__file__).with_name("webhook_signatures.json").read_text())


@pytest.mark.parametrize("vector", VECTORS, ids=[vector["source"] for vector in VECTORS])
def test_vector(vector: dict[str, Any]) -> None:
    when = datetime.fromtimestamp(vector["ts"], UTC)
    if vector["alg"] == "v1":
        secret = secret_bytes(vector["secret"])
    else:
        private = b64decode(vector["secret"].removeprefix("whsk_"))
        secret = private[:SEED_BYTES]
        assert public_of(secret) == private[SEED_BYTES:]
        assert public_text(public_of(secret)) == vector["public"]
    assert sign(vector["alg"], secret, vector["id"], when, vector["body"].encode()) == vector["sig"]


def test_a_fraction_of_a_second_is_not_signed() -> None:
    when = datetime(2026, 3, 2, 12, tzinfo=UTC)
    later = when + timedelta(microseconds=999_999)
    assert sign("v1", bytes(24), "ntc_a", when, b"{}") == sign("v1", bytes(24), "ntc_a", later, b"{}")


@pytest.mark.parametrize("length", [24, 32, 64])
def test_the_reference_library_verifies_and_one_flipped_byte_fails(length: int) -> None:
    key = bytes(range(length))
    now = datetime.now(UTC)
    body = b'{"type":"endpoint.ping"}'
    headers = {
        "webhook-id": "ntc_a",
        "webhook-timestamp": str(int(now.timestamp())),
        "webhook-signature": sign("v1", key, "ntc_a", now, body),
    }
    assert Webhook(secret_text(key)).verify(body, headers) == {"type": "endpoint.ping"}
    for place in range(len(body)):
        flipped = bytes(byte ^ 1 if index == place else byte for index, byte in enumerate(body))
        with pytest.raises(WebhookVerificationError):
            Webhook(secret_text(key)).verify(flipped, headers, json_parse=False)


@pytest.mark.parametrize("length", [0, 23, 65])
def test_a_secret_of_the_wrong_length_is_refused(length: int) -> None:
    with pytest.raises(SecretMalformed) as refused:
        secret_bytes(secret_text(bytes(length)))
    assert refused.value.faults[0].pointer == "/secret"


@pytest.mark.parametrize(
    "text",
    [
        "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",
        "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaS",
        "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLa w",
        "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw\n",
        "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSµ",
        "",
    ],
)
def test_what_is_no_secret_is_refused(text: str) -> None:
    with pytest.raises(SecretMalformed):
        secret_bytes(text)
