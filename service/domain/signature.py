"""Signatures of webhooks: Standard Webhooks 1.0, symmetric scheme `v1` (HMAC with SHA-256)."""

import binascii
import hmac
from base64 import b64decode, b64encode
from datetime import datetime
from typing import Final

from service.domain.refusal import Refusal

SECRET_PREFIX: Final = "whsec_"
SECRET_BYTES_MIN: Final = 24
SECRET_BYTES_MAX: Final = 64


class SecretMalformed(Refusal):
    """A webhook secret that is not `whsec_` and the base64 of 24 to 64 bytes."""

    code = "secret_malformed"


def secret_bytes(text: str, pointer: str = "/secret") -> bytes:
    """The key that a `whsec_…` text carries (Standard Webhooks 1.0, "Signature scheme"). Raises SecretMalformed."""
    expected = f"a secret is {SECRET_PREFIX} followed by the base64 of {SECRET_BYTES_MIN} to {SECRET_BYTES_MAX} bytes"
    if not text.startswith(SECRET_PREFIX):
        raise SecretMalformed(expected, pointer=pointer)
    try:
        key = b64decode(text[len(SECRET_PREFIX) :].encode("ascii"), validate=True)
    except (binascii.Error, UnicodeEncodeError) as error:
        raise SecretMalformed(expected, pointer=pointer) from error
    if not SECRET_BYTES_MIN <= len(key) <= SECRET_BYTES_MAX:
        raise SecretMalformed(f"{expected}; this one carries {len(key)}", pointer=pointer)
    return key


def secret_text(key: bytes) -> str:
    """The `whsec_…` text of a key."""
    return SECRET_PREFIX + b64encode(key).decode("ascii")


def sign_v1(secret: bytes, notice_id: str, timestamp: datetime, body: bytes) -> str:
    """`v1,` and the base64 of HMAC-SHA256 over id, whole seconds of the attempt's time, and body, joined by points."""
    signed = b".".join((notice_id.encode("ascii"), str(int(timestamp.timestamp())).encode("ascii"), body))
    return "v1," + b64encode(hmac.digest(secret, signed, "sha256")).decode("ascii")
