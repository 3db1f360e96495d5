"""The chain: every column is covered, the layout of each form is fixed, and the clock is exact."""

import struct
from datetime import UTC, datetime, timedelta, timezone
from hashlib import sha256
from typing import Any

import pytest

from service.domain.chain import fact_hash, genesis, microseconds, reading_hash

OCCURRED = datetime(2026, 3, 2, 5, 57, 0, 123456, tzinfo=UTC)
RECORDED = datetime(2026, 3, 2, 5, 57, 1, tzinfo=UTC)
PLACE: dict[str, Any] = {"log": 3, "position": 41, "sequence": 6, "occurred": OCCURRED, "recorded": RECORDED}
FACT: dict[str, Any] = PLACE | {
    "reading": 118204,
    "actor": 7,
    "key": 2,
    "schema": 1,
    "source": "/skerrow/hall-2/tablet-7",
    "type": "setting.measured",
    "id": "day-one-09",
    "salt": bytes(range(16)),
    "data": b'{"count":118204}',
}
READING: dict[str, Any] = PLACE | {"reading": 118204, "key": 2, "source": "/skerrow/mes"}
START = genesis(3, "spindles", "H2-M04-S1")


def test_genesis_covers_form_log_kind_and_key() -> None:
    assert sha256(b"spindle-ledger\x00\x00\x00\x03spindles/H2-M04-S1").digest() == START
    others = {genesis(4, "spindles", "H2-M04-S1"), genesis(3, "gauges", "H2-M04-S1"), genesis(3, "spindles", "x")}
    assert len({START, *others}) == 4


def test_microseconds_are_exact_on_both_sides_of_the_epoch_and_in_any_offset() -> None:
    epoch = datetime(2000, 1, 1, tzinfo=UTC)
    assert microseconds(epoch) == 0
    assert microseconds(epoch - timedelta(microseconds=1)) == -1
    assert microseconds(OCCURRED) == int((OCCURRED - epoch).total_seconds()) * 10**6 + 123456
    assert microseconds(OCCURRED.astimezone(timezone(timedelta(hours=1)))) == microseconds(OCCURRED)


def test_fact_hash_is_laid_out_as_form_1() -> None:
    head = struct.pack(">2h6qih", 1, 3, 41, 6, microseconds(OCCURRED), microseconds(RECORDED), 118204, 7, 2, 1)
    texts = b"".join(sha256(FACT[name].encode()).digest() for name in ("source", "type", "id"))
    want = sha256(START + head + texts + sha256(FACT["salt"] + FACT["data"]).digest()).digest()
    assert fact_hash(START, **FACT) == want
    nobody = FACT | {"reading": None, "actor": None}
    assert fact_hash(START, **nobody) == fact_hash(START, **(FACT | {"reading": -1, "actor": -1}))


def test_reading_hash_is_laid_out_as_form_2() -> None:
    head = struct.pack(">2h5qi", 2, 3, 41, 6, microseconds(OCCURRED), microseconds(RECORDED), 118204, 2)
    assert reading_hash(START, **READING) == sha256(START + head + sha256(b"/skerrow/mes").digest()).digest()


def changed(value: Any) -> Any:
    match value:
        case int():
            return value + 1
        case datetime():
            return value + timedelta(microseconds=1)
        case bytes():
            return bytes([value[0] ^ 1]) + value[1:]
        case _:
            return f"{value}x"


@pytest.mark.parametrize("column", FACT)
def test_altering_any_column_of_a_fact_alters_its_hash(column: str) -> None:
    assert fact_hash(START, **(FACT | {column: changed(FACT[column])})) != fact_hash(START, **FACT)


@pytest.mark.parametrize("column", READING)
def test_altering_any_column_of_a_reading_alters_its_hash(column: str) -> None:
    assert reading_hash(START, **(READING | {column: changed(READING[column])})) != reading_hash(START, **READING)


def test_altering_the_entry_before_alters_the_hash() -> None:
    assert fact_hash(changed(START), **FACT) != fact_hash(START, **FACT)
    assert reading_hash(changed(START), **READING) != reading_hash(START, **READING)
