"""Keys: minted once, found by their token, bound to scopes and plants, ended by revocation or time."""

import asyncio
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from service import access
from service.access import BootstrapKeyTooShort, FoundKeys, Key, KeyMalformed, ScopeUnknown
from service.domain.refusal import Refusal
from service.postgres import Database, Statement

FIRST = "a-first-administrator-key-of-ours"
MADE = datetime(2026, 3, 2, 12, tzinfo=UTC)


@pytest.fixture
async def database(database_url: str) -> AsyncIterator[Database]:
    opened = await Database.open(database_url)
    yield opened
    await opened.close()


async def mint(database: Database, **wanted: Any) -> tuple[Key, str]:
    async with database.transaction() as tx:
        return await access.mint(tx, **{"name": "tablet", "scopes": ["read"], **wanted})


async def find(database: Database, token: str) -> Key | None:
    async with database.transaction() as tx:
        return await access.find(tx, token)


async def test_a_token_opens_its_key_and_is_kept_nowhere(database: Database) -> None:
    key, token = await mint(database, scopes=["read", "events:write", "read"], plants=["skerrow"])
    assert token.startswith("slk_")
    assert len(token) == 47
    assert await find(database, token) == key
    assert (key.scopes, key.plants) == (("events:write", "read"), ("skerrow",))
    assert await find(database, token[:-1]) is None
    assert await find(database, "") is None
    assert await find(database, "\0" * 5000) is None
    async with database.transaction() as tx:
        row = await tx.row(Statement("row", "SELECT key::text AS kept, digest FROM kept.key"))
    assert token not in row["kept"]
    assert len(row["digest"]) == 32


@pytest.mark.parametrize("scope", access.SCOPES)
def test_a_scope_opens_itself_and_admin_opens_all(scope: str) -> None:
    one = Key(key=1, name="a", scopes=(scope,), plants=None, created=MADE)
    assert [other for other in access.SCOPES if one.may(other)] == (
        list(access.SCOPES) if scope == "admin" else [scope]
    )


def test_a_bound_key_reaches_its_plants_only() -> None:
    bound = Key(key=1, name="a", scopes=("read",), plants=("skerrow",), created=MADE)
    free = Key(key=2, name="b", scopes=("read",), plants=None, created=MADE)
    assert [bound.reaches(plant) for plant in ("skerrow", "elsewhere", None)] == [True, False, False]
    assert [free.reaches(plant) for plant in ("skerrow", None)] == [True, True]


async def test_a_revoked_key_opens_nothing(database: Database) -> None:
    key, token = await mint(database)
    async with database.transaction() as tx:
        assert await access.revoke(tx, key.key)
        assert not await access.revoke(tx, key.key)
    assert await find(database, token) is None
    async with database.transaction() as tx:
        (listed,) = await access.keys(tx, limit=10)
        assert listed.revoked is not None
        assert await access.keys(tx, limit=10, after=key.key) == []


async def test_a_key_ends_when_its_time_has_come(database: Database) -> None:
    async with database.transaction() as tx:
        end = tx.now + timedelta(hours=1)
    _, token = await mint(database, expires=end)
    assert await find(database, token) is not None
    database.clock_shift = timedelta(hours=1)
    assert await find(database, token) is None


@pytest.mark.parametrize(
    ("wanted", "refusal", "pointer"),
    [
        ({"scopes": []}, ScopeUnknown, "/scopes"),
        ({"scopes": ["read", "write"]}, ScopeUnknown, "/scopes/1"),
        ({"name": " "}, KeyMalformed, "/name"),
        ({"name": "a\0"}, KeyMalformed, "/name"),
        ({"name": "a" * 201}, KeyMalformed, "/name"),
        ({"plants": []}, KeyMalformed, "/plants"),
        ({"plants": ["a\0"]}, KeyMalformed, "/plants"),
    ],
)
async def test_what_cannot_be_a_key_is_refused_with_its_place(
    database: Database, wanted: dict[str, Any], refusal: type[Refusal], pointer: str
) -> None:
    with pytest.raises(refusal) as refused:
        await mint(database, **wanted)
    assert refused.value.faults[0].pointer == pointer


async def test_an_expiry_in_the_past_is_refused(database: Database) -> None:
    async with database.transaction() as tx:
        with pytest.raises(KeyMalformed):
            await access.mint(tx, name="a", scopes=["read"], expires=tx.now)


async def test_found_keys_are_remembered_for_a_second_at_most(database: Database) -> None:
    key, token = await mint(database)
    found = FoundKeys(database)
    assert await found.find("slk_unknown") is None
    assert await found.find(token) == key
    async with database.transaction() as tx:
        await access.revoke(tx, key.key)
    assert await found.find(token) == key
    await asyncio.sleep(access.CACHED_S + 0.05)
    assert await found.find(token) is None


async def test_the_first_administrators_key_is_known_again(database: Database) -> None:
    for _ in range(2):
        async with database.transaction() as tx:
            assert await access.ensure_bootstrap(tx, FIRST) is None
    key = await find(database, FIRST)
    assert key is not None
    assert key.may("events:write")
    async with database.transaction() as tx:
        assert len(await access.keys(tx, limit=10)) == 1
        assert await access.ensure_bootstrap(tx, None) is None
        await access.revoke(tx, key.key)
        await access.ensure_bootstrap(tx, FIRST)
    assert await find(database, FIRST) is None


async def test_of_two_processes_that_start_at_once_one_makes_the_first_key(database: Database) -> None:
    async def start() -> str | None:
        async with database.transaction() as tx:
            return await access.ensure_bootstrap(tx, None)

    async with database.transaction() as first:
        made = await access.ensure_bootstrap(first, None)
        second = asyncio.create_task(start())
        done, _ = await asyncio.wait({second}, timeout=0.3)
        assert not done, "the second process did not wait for the first"
    assert await second is None
    assert made is not None
    key = await find(database, made)
    assert key is not None
    assert key.scopes == ("admin",)


async def test_a_first_key_that_could_be_guessed_is_refused(database: Database) -> None:
    async with database.transaction() as tx:
        with pytest.raises(BootstrapKeyTooShort):
            await access.ensure_bootstrap(tx, "x" * 31)
