"""The ledger is written once: for the service's role, for a superuser by trigger, and where the role cannot be made."""

import asyncio
import secrets
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any, Final
from urllib.parse import urlsplit, urlunsplit

import asyncpg
import pytest
from asyncpg.exceptions import InsufficientPrivilegeError, RestrictViolationError

from service import ledger
from service.migrate import migrate
from service.postgres import ROLE, Database, Statement
from tests.running import running, select
from tests.story.loading import START_COUNT, ago, assert_whole, count_snapshot, load, load_running, rebuild

MAY_CHANGE: Final = {("log", "position"), ("log", "recorded"), ("subject", "sequence"), ("subject", "head")}
TABLES: Final = """
    SELECT relname FROM pg_class JOIN pg_namespace ON pg_namespace.oid = relnamespace
    WHERE nspname = 'ledger' AND relkind IN ('r', 'p') ORDER BY relname
"""
COLUMNS: Final = """
    SELECT table_name, column_name FROM information_schema.columns WHERE table_schema = 'ledger' ORDER BY 1, 2
"""
WEEKS: Final = """
    SELECT relname, pg_get_expr(relpartbound, pg_class.oid) AS bounds
    FROM pg_inherits JOIN pg_class ON pg_class.oid = inhrelid
    WHERE inhparent = 'ledger.reading'::regclass AND relname <> 'reading_default' ORDER BY relname
"""
STRAY: Final = """
    INSERT INTO ledger.reading
    SELECT 1000, 1000, occurred, recorded + interval '{}', reading, subject, source, key, log, form, hash
    FROM ledger.reading LIMIT 1
"""
Refusals = list[tuple[str, str]]


@pytest.fixture
async def database(database_url: str) -> AsyncIterator[Database]:
    opened = await Database.open(database_url, size=4)
    yield opened
    await opened.close()


@pytest.fixture
async def superuser(database_url: str) -> AsyncIterator[Any]:
    connection = await asyncpg.connect(database_url)
    assert await connection.fetchval("SHOW is_superuser") == "on"
    yield connection
    await connection.close()


async def load_readings(database: Database, *, at: datetime | None = None) -> None:
    key = await load_running(database, ["S1", "S2"])
    await load(database, key, rebuild("S1"))
    readings = {"S1": 118_300, "S2": 118_400}
    answers = await count_snapshot(
        database, source="/skerrow/mes", time=at or ago(minutes=-5), readings=readings, key=key
    )
    assert [each.status for each in answers] == ["accepted", "accepted"]


async def run_through(database: Database, sql: str) -> None:
    async with database.transaction() as tx:
        await tx.run(Statement("attempt", sql))


async def test_the_pool_takes_a_role_that_a_superusers_login_is_bound_by(database: Database, superuser: Any) -> None:
    async with database.transaction() as tx:
        taken = await tx.row(Statement("role", "SELECT current_user::text AS role, session_user::text AS login"))
    assert taken["role"] == ROLE
    assert taken["login"] == await superuser.fetchval("SELECT session_user::text")


async def test_the_role_may_change_four_columns_of_the_ledger_and_nothing_else(
    database: Database, superuser: Any
) -> None:
    await load_readings(database)
    for table in [row["relname"] for row in await superuser.fetch(TABLES)]:
        for attempt in (
            f"DELETE FROM ledger.{table}",
            f"TRUNCATE ledger.{table} CASCADE",
            f"DROP TABLE ledger.{table}",
        ):
            with pytest.raises(InsufficientPrivilegeError):
                await run_through(database, attempt)
    changed = set()
    for table, column in await superuser.fetch(COLUMNS):
        try:
            await run_through(database, f"UPDATE ledger.{table} SET {column} = {column}")
            changed.add((table, column))
        except (InsufficientPrivilegeError, asyncpg.exceptions.GeneratedAlwaysError):
            continue
    assert changed == MAY_CHANGE


async def test_the_role_cannot_switch_the_triggers_off(database: Database) -> None:
    for attempt in (
        "SET session_replication_role = replica",
        "ALTER TABLE ledger.entry DISABLE TRIGGER ALL",
        "CREATE TABLE ledger.mine (n integer)",
        "CREATE OR REPLACE FUNCTION ledger.refuse_change() RETURNS trigger LANGUAGE sql AS 'SELECT 1'",
    ):
        with pytest.raises(asyncpg.exceptions.PostgresError):
            await run_through(database, attempt)


async def test_triggers_refuse_a_superuser_too(database: Database, superuser: Any) -> None:
    await load_readings(database)
    for table in [row["relname"] for row in await superuser.fetch(TABLES)]:
        with pytest.raises(RestrictViolationError):
            await superuser.execute(f"TRUNCATE ledger.{table} CASCADE")
        if await superuser.fetchval(f"SELECT EXISTS (SELECT FROM ledger.{table})"):
            with pytest.raises(RestrictViolationError):
                await superuser.execute(f"DELETE FROM ledger.{table}")
    changed = set()
    for table, column in await superuser.fetch(COLUMNS):
        if not await superuser.fetchval(f"SELECT EXISTS (SELECT FROM ledger.{table})"):
            continue
        try:
            await superuser.execute(f"UPDATE ledger.{table} SET {column} = {column}")
            changed.add((table, column))
        except (RestrictViolationError, asyncpg.exceptions.GeneratedAlwaysError):
            continue
    assert changed == MAY_CHANGE


async def test_weeks_are_made_nine_ahead_without_a_gap_and_again_makes_none(
    database: Database, database_url: str
) -> None:
    weeks = await select(database_url, WEEKS)
    now = datetime.now(UTC)
    monday = (now - timedelta(days=now.weekday())).replace(hour=0, minute=0, second=0, microsecond=0)
    edges = [f"'{(monday + timedelta(weeks=week)):%Y-%m-%d %H:%M:%S}+00'" for week in range(11)]
    assert [week["bounds"] for week in weeks] == [f"FOR VALUES FROM ({a}) TO ({b})" for a, b in pairwise(edges)]
    assert [week["relname"] for week in weeks] == [
        f"reading_{(monday + timedelta(weeks=week)):%Gw%V}" for week in range(10)
    ]
    async with database.transaction() as tx:
        assert await tx.value(ledger.SQL["make_weeks"], ahead=9) == 0


async def test_many_make_weeks_at_once_while_readings_come_in(database: Database, database_url: str) -> None:
    key = await load_running(database, ["S1", "S2"])

    async def make() -> int:
        async with database.transaction() as tx:
            made: int = await tx.value(ledger.SQL["make_weeks"], ahead=30)
        return made

    async def tell() -> int:
        told = 0
        for minute in range(1, 20):
            readings = {"S1": START_COUNT + 20 + minute, "S2": START_COUNT + 20 + minute}
            answers = await count_snapshot(
                database, source="/mes", time=ago(minutes=-minute), readings=readings, key=key
            )
            told += sum(each.status == "accepted" for each in answers)
        return told

    async with asyncio.timeout(30):
        made, told = await asyncio.gather(asyncio.gather(*(make() for _ in range(3))), tell())
    assert sorted(made) == [0, 0, 21]
    assert told == 38
    assert (await assert_whole(database, database_url)).readings == 38


async def test_readings_land_in_the_week_in_which_they_were_recorded(database: Database, database_url: str) -> None:
    await load_readings(database)
    found = await select(
        database_url,
        "SELECT tableoid::regclass::text AS week, to_char(recorded AT TIME ZONE 'UTC', 'IYYY\"w\"IW') AS recorded "
        "FROM ledger.reading",
    )
    assert [row["week"] for row in found] == [f"ledger.reading_{row['recorded']}" for row in found]
    assert len(found) == 2
    assert await select(database_url, "SELECT FROM ledger.reading_default") == []


async def test_readiness_says_that_readings_lie_outside_the_weeks_and_nothing_stops_for_it(
    database: Database, database_url: str, superuser: Any
) -> None:
    await load_readings(database)
    async with running(database_url) as service:
        assert (await service.client.get("/readyz")).json() == {"ready": True, "findings": []}
        await superuser.execute(STRAY.format("11 weeks"))
        answer = await service.client.get("/readyz")
        assert answer.status_code == 200
        assert [finding.partition(":")[0] for finding in answer.json()["findings"]] == [
            "readings lie outside the weekly partitions"
        ]
    async with database.transaction() as tx:
        assert await tx.value(ledger.SQL["make_weeks"], ahead=12) == 2, "the week of the stray reading is passed over"
    await asyncio.to_thread(migrate, database_url)


@pytest.fixture
async def plain_login(server_url: str, server_connection: Any) -> AsyncIterator[str]:
    """The address of an empty database that belongs to a login which may make no roles."""
    name, password = f"plain_{secrets.token_hex(4)}", secrets.token_hex(8)
    await server_connection.execute(f"CREATE ROLE {name} LOGIN PASSWORD '{password}'")
    await server_connection.execute(f"CREATE DATABASE {name} OWNER {name}")
    yield as_login(server_url, name, password)
    await server_connection.execute(f"DROP DATABASE {name} WITH (FORCE)")
    await server_connection.execute(f"DROP ROLE {name}")


def as_login(url: str, name: str, password: str) -> str:
    """The address of the database `name`, for the login `name`."""
    parts = urlsplit(url)
    host = parts.netloc.rpartition("@")[2]
    return urlunsplit(parts._replace(netloc=f"{name}:{password}@{host}", path=f"/{name}"))


async def test_a_login_that_may_make_no_roles_migrates_works_and_is_told_what_to_ask_for(
    plain_login: str, server_connection: Any, template_database: str
) -> None:
    assert template_database, "made before, so that the server has the role already and the login is not in it"
    login = urlsplit(plain_login).username
    await asyncio.to_thread(migrate, plain_login)
    async with running(plain_login) as service:
        await load_readings(service.database)
        ready = (await service.client.get("/readyz")).json()
        assert ready["ready"]
        assert f"GRANT {ROLE} TO {login}" in ready["findings"][0]
        with pytest.raises(RestrictViolationError):
            await run_through(service.database, "DELETE FROM ledger.entry")
    await server_connection.execute(f"GRANT {ROLE} TO {login}")
    await asyncio.to_thread(migrate, plain_login)
    async with running(plain_login) as service:
        assert (await service.client.get("/readyz")).json() == {"ready": True, "findings": []}
        with pytest.raises(InsufficientPrivilegeError):
            await run_through(service.database, "DELETE FROM ledger.entry")
        await assert_whole(service.database, plain_login)


async def test_a_login_that_may_make_roles_takes_the_one_it_is_given(
    plain_login: str, server_connection: Any, template_database: str
) -> None:
    login = urlsplit(plain_login).username
    await server_connection.execute(f"ALTER ROLE {login} CREATEROLE; GRANT {ROLE} TO {login} WITH ADMIN OPTION")
    await asyncio.to_thread(migrate, plain_login)
    opened = await Database.open(plain_login, size=2)
    try:
        async with opened.transaction() as tx:
            assert await tx.value(Statement("role", "SELECT current_user::text")) == ROLE
    finally:
        await opened.close()
