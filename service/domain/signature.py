"""Signatures of webhooks: Standard Webhooks 1.0, `v1` (HMAC with SHA-256) and `v1a` (ed25519, RFC 8032)."""

import binascii
import hmac
from base64 import b64decode, b64encode
from datetime import datetime
from typing import Final, Literal

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from service.domain.refusal import Refusal

Scheme = Literal["v1", "v1a"]

SECRET_PREFIX: Final = "whsec_"
PUBLIC_PREFIX: Final = "whpk_"
SEED_BYTES: Final = 32
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


def public_text(public: bytes) -> str:
    """The `whpk_…` text of an ed25519 public key of 32 bytes."""
    return PUBLIC_PREFIX + b64encode(public).decode("ascii")


def public_of(seed: bytes) -> bytes:
    """The ed25519 public key (32 bytes) of a private one, given as its seed of 32 bytes (RFC 8032, 5.1.5)."""
    return Ed25519PrivateKey.from_private_bytes(seed).public_key().public_bytes_raw()


def sign(scheme: Scheme, secret: bytes, notice_id: str, attempted: datetime, body: bytes) -> str:
    """The scheme's name, a comma, and the base64 of the signature of this very body, sent at this time.

    Signed are the notice's id, whole seconds of the attempt's time, and the body, joined by points. `secret` is the
    shared key for v1, and the seed of 32 bytes for v1a.
    """
    signed = b".".join((notice_id.encode("ascii"), str(int(attempted.timestamp())).encode("ascii"), body))
    if scheme == "v1":
        made = hmac.digest(secret, signed, "sha256")
    else:
        made = Ed25519PrivateKey.from_private_bytes(secret).sign(signed)
    return f"{scheme},{b64encode(made).decode('ascii')}"
