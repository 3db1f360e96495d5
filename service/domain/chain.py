"""The hash chain of a subject's stream: what each entry's hash covers, byte for byte.

Rules of this file: stored bytes are hashed, never a re-serialisation; integers are big-endian; times are
microseconds since 2000-01-01T00:00Z. A layout has a number (its form). A new layout gets a new number and
entries written earlier keep theirs, so nothing here may change what an existing form yields.
"""

import struct
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from hashlib import sha256
from typing import Final

GENESIS_FORM: Final = 0
FACT_FORM: Final = 1
READING_FORM: Final = 2

_EPOCH: Final = datetime(2000, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)
_ABSENT: Final = -1


def microseconds(when: datetime) -> int:
    """Whole microseconds from 2000-01-01T00:00Z to `when` (which carries an offset); negative before it."""
    return (when - _EPOCH) // _MICROSECOND


def genesis(log: int, kind: str, key: str) -> bytes:
    """The hash before a subject's first entry: its name and its log."""
    head = b"spindle-ledger" + struct.pack(">hh", GENESIS_FORM, log)
    return sha256(head + kind.encode() + b"/" + key.encode()).digest()


def content_digest(salt: bytes, data: bytes) -> bytes:
    """What stands in a fact's hash for its data: salted, so that an erased text cannot be guessed from it."""
    return sha256(salt + data).digest()


@lru_cache(maxsize=4096)
def name_digest(name: str) -> bytes:
    """The digest of a source or a type, as it stands in a hash; there are few of them and many entries."""
    return sha256(name.encode()).digest()


def fact_hash(
    previous: bytes,
    *,
    log: int,
    position: int,
    sequence: int,
    occurred: datetime,
    recorded: datetime,
    reading: int | None,
    actor: int | None,
    key: int,
    schema: int,
    source: str,
    type: str,
    id: str,
    salt: bytes,
    data: bytes,
) -> bytes:
    """The hash of a fact (form 1): every column of its row after the hash of the entry before it."""
    return sha256(
        previous
        + struct.pack(
            ">hhqqqqqqih",
            FACT_FORM,
            log,
            position,
            sequence,
            microseconds(occurred),
            microseconds(recorded),
            _ABSENT if reading is None else reading,
            _ABSENT if actor is None else actor,
            key,
            schema,
        )
        + name_digest(source)
        + name_digest(type)
        + sha256(id.encode()).digest()
        + content_digest(salt, data)
    ).digest()


def reading_hash(
    previous: bytes,
    *,
    log: int,
    position: int,
    sequence: int,
    occurred: datetime,
    recorded: datetime,
    reading: int,
    key: int,
    source: str,
) -> bytes:
    """The hash of a plain counter reading (form 2): every column of its row after the hash before it."""
    return sha256(
        previous
        + struct.pack(
            ">hhqqqqqi",
            READING_FORM,
            log,
            position,
            sequence,
            microseconds(occurred),
            microseconds(recorded),
            reading,
            key,
        )
        + name_digest(source)
    ).digest()
