"""Secrets as they are stored: sealed with Fernet (AES-128-CBC and HMAC-SHA256), under keys that can be rotated.

Rules of this file
- The first key seals, every key opens. A new key is first added behind the old ones in every process, then moved to
  the front; `reseal` writes anew what other keys sealed, after which they may go.
- Where the environment names no key, one is made and kept in the database. It hides secrets from a glance, not from
  who reads the whole database; `/readyz` says so.
"""

from collections.abc import Sequence
from hashlib import sha256
from typing import Final

from cryptography.fernet import Fernet, InvalidToken, MultiFernet

from service.postgres import Statements, Transaction

_SQL: Final = Statements.beside(__file__)
OPENED_MAX: Final = 20_000


class SealedOtherwise(Exception):
    """A secret was sealed with a key that this process does not have."""


class Seal:
    """Seals and opens secrets. `name` is the first key's, `in_database` whether it is only kept beside the secrets."""

    def __init__(self, keys: Sequence[str], *, in_database: bool) -> None:
        self._fernet = MultiFernet([Fernet(key) for key in keys])
        self._opened: dict[bytes, bytes] = {}
        self.names = tuple(name_of(key) for key in keys)
        self.name = self.names[0]
        self.in_database = in_database

    def close(self, secret: bytes) -> bytes:
        """The secret, sealed with the first key."""
        return self._fernet.encrypt(secret)

    def open(self, sealed: bytes, sealed_by: str | None) -> bytes:
        """The secret; what was stored before secrets were sealed is the secret itself. Raises SealedOtherwise."""
        if sealed_by is None:
            return sealed
        known = self._opened.get(sealed)
        if known is not None:
            return known
        try:
            secret = self._fernet.decrypt(sealed)
        except InvalidToken as error:
            raise SealedOtherwise(
                f"sealed with key {sealed_by}, which SPINDLE_LEDGER_SECRET_KEYS does not hold"
            ) from error
        if len(self._opened) >= OPENED_MAX:
            self._opened.clear()
        self._opened[sealed] = secret
        return secret


def name_of(key: str) -> str:
    """What a key is called where it must not be shown: eight digits of its SHA-256."""
    return sha256(key.encode("ascii")).hexdigest()[:8]


async def open_seal(tx: Transaction, keys: Sequence[str]) -> Seal:
    """The seal of these keys; without any, that of the key kept in the database, made where there is none.

    A key that was once kept in the database opens what it sealed also after the environment names others.
    """
    kept = await tx.value(_SQL["kept_key"])
    if kept is None and not keys:
        await tx.run(_SQL["keep_key"], key=Fernet.generate_key().decode("ascii"), now=tx.now)
        kept = await tx.value(_SQL["kept_key"])
    every = (*keys, kept) if kept is not None else tuple(keys)
    return Seal(every, in_database=not keys)


async def remarks(tx: Transaction, seal: Seal) -> list[str]:
    """What whoever runs the service should know of how its secrets are stored."""
    row = await tx.row(_SQL["how_sealed"], names=list(seal.names))
    found = []
    if row["secrets"] and seal.in_database:
        found.append(
            "webhook secrets are sealed with a key kept beside them in the database: name one of your own in "
            "SPINDLE_LEDGER_SECRET_KEYS"
        )
    if row["foreign"]:
        found.append(
            f"{row['foreign']} webhook secrets are sealed with keys that SPINDLE_LEDGER_SECRET_KEYS does not hold: "
            "their endpoints are not told"
        )
    return found


async def reseal(tx: Transaction, seal: Seal) -> int:
    """Seals anew whatever the seal's first key has not sealed; answers how much that was. Raises SealedOtherwise."""
    signings = await tx.rows(_SQL["signings_sealed_otherwise"], name=seal.name)
    certificates = await tx.rows(_SQL["certificates_sealed_otherwise"], name=seal.name)
    for row in signings:
        sealed = seal.close(seal.open(row["secret"], row["sealed_by"]))
        await tx.run(
            _SQL["reseal_signing"], endpoint=row["endpoint"], number=row["number"], secret=sealed, name=seal.name
        )
    for row in certificates:
        sealed = seal.close(seal.open(row["certificate_key"], row["sealed_by"]))
        await tx.run(_SQL["reseal_certificate"], endpoint=row["endpoint"], certificate_key=sealed, name=seal.name)
    return len(signings) + len(certificates)
