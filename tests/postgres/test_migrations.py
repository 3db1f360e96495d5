"""Migrations: several processes at once, again, refusals with what to do, and the oldest PostgreSQL promised."""

import asyncio
import contextlib
import os
import pwd
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import asyncpg
import pytest

from service.migrate import MigrationRefused, head, migrate, refuse_too_old
from service.postgres import ROLE, Database, Statement
from tests.running import running, select
from tests.story.loading import ago, assert_whole, count_snapshot, load, load_running, measured, mint, rebuild

OLDEST_PROGRAMS: Final = Path("/usr/lib/postgresql/15/bin")
OBJECTS: Final = """
    SELECT relkind::text, relnamespace::regnamespace::text AS schema, relname::text, relacl::text FROM pg_class
    WHERE relnamespace IN ('ledger'::regnamespace, 'derived'::regnamespace, 'kept'::regnamespace) ORDER BY 1, 2, 3
"""


async def run_migrate(url: str) -> tuple[int | None, str]:
    environment = os.environ | {"DATABASE_URL": url}
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "service", "migrate"), stdout=-1, stderr=subprocess.STDOUT, env=environment
    )
    try:
        async with asyncio.timeout(60):
            said, _ = await process.communicate()
    finally:
        if process.returncode is None:
            process.kill()
    return process.returncode, said.decode().strip()


async def test_three_processes_migrate_one_empty_database_at_once(empty_database_url: str) -> None:
    done = await asyncio.gather(*(run_migrate(empty_database_url) for _ in range(3)))
    assert done == [(0, "the database is at this release")] * 3
    revisions = await select(empty_database_url, "SELECT version_num FROM public.alembic_version")
    assert [row["version_num"] for row in revisions] == [head()]
    assert await select(empty_database_url, "SELECT count(*) AS logs FROM ledger.log") == [(16,)]


async def test_migrating_again_changes_nothing(database_url: str) -> None:
    before = await select(database_url, OBJECTS)
    await asyncio.to_thread(migrate, database_url)
    assert await select(database_url, OBJECTS) == before
    assert len(before) > 50


async def test_migrating_waits_for_whoever_migrates(empty_database_url: str) -> None:
    holder = await asyncpg.connect(empty_database_url)
    try:
        await holder.execute("SELECT pg_advisory_lock(7470116853)")
        waiting = asyncio.create_task(asyncio.to_thread(migrate, empty_database_url))
        for _ in range(1000):
            if await holder.fetchval(
                "SELECT EXISTS (SELECT FROM pg_locks WHERE locktype = 'advisory' AND NOT granted)"
            ):
                break
            await asyncio.sleep(0.02)
        assert await holder.fetchval("SELECT to_regclass('ledger.entry')") is None
        await holder.execute("SELECT pg_advisory_unlock(7470116853)")
        async with asyncio.timeout(60):
            await waiting
        assert await holder.fetchval("SELECT to_regclass('ledger.entry')") is not None
    finally:
        await holder.close()


async def test_a_newer_releases_database_is_refused_and_left_alone(database_url: str) -> None:
    connection = await asyncpg.connect(database_url)
    await connection.execute("UPDATE public.alembic_version SET version_num = '9001'")
    await connection.close()
    with pytest.raises(MigrationRefused, match="at revision 9001, which a newer release made: install that release"):
        await asyncio.to_thread(migrate, database_url)
    status, said = await run_migrate(database_url)
    assert status == 2
    assert said.startswith("spindle-ledger: this database is at revision 9001")
    async with running(database_url) as service:
        answer = await service.client.get("/readyz")
        assert answer.status_code == 503
        assert f"revision 9001, this release needs {head()}" in answer.json()["findings"][0]


@pytest.mark.parametrize("major", [9, 14])
def test_a_server_too_old_is_refused(major: int) -> None:
    with pytest.raises(MigrationRefused, match=f"PostgreSQL {major} is too old: version 15 or newer is needed"):
        refuse_too_old(major)


@pytest.mark.parametrize("major", [15, 18, 30])
def test_a_server_new_enough_is_not(major: int) -> None:
    refuse_too_old(major)


@pytest.fixture(scope="module")
def oldest() -> Iterator[str]:
    """The address of a PostgreSQL 15 of this test's own, in which a login without rights owns the database."""
    if not (OLDEST_PROGRAMS / "postgres").is_file():
        pytest.skip("PostgreSQL 15's programs are not in /usr/lib/postgresql/15/bin")
    account = _account()
    if account is None and os.geteuid() == 0:
        pytest.skip("PostgreSQL does not run as root, and there is no account postgres")
    folder = Path(tempfile.mkdtemp(prefix="spindle-ledger-15-", dir="/var/tmp"))
    if account is not None:
        os.chown(folder, *account)
    try:
        with _server(folder, account) as socket:
            yield f"postgresql://plain@/plain?host={socket}&port=5432"
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _account() -> tuple[int, int] | None:
    """Whom the server runs as, where the tests run as root."""
    if os.geteuid() != 0:
        return None
    with contextlib.suppress(KeyError):
        found = pwd.getpwnam("postgres")
        return found.pw_uid, found.pw_gid
    return None


@contextlib.contextmanager
def _server(folder: Path, account: tuple[int, int] | None) -> Iterator[Path]:
    user: dict[str, Any] = {} if account is None else {"user": account[0], "group": account[1], "extra_groups": []}
    quiet: dict[str, Any] = {"cwd": folder, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, **user}
    made = [
        f"{OLDEST_PROGRAMS}/initdb",
        "-D",
        f"{folder}/data",
        "-U",
        "owner",
        "-A",
        "trust",
        "-E",
        "UTF8",
        "--no-sync",
    ]
    subprocess.run(made, check=True, **quiet)
    settings = ["-c", "listen_addresses=", "-c", f"unix_socket_directories={folder}", "-c", "fsync=off"]
    with subprocess.Popen([f"{OLDEST_PROGRAMS}/postgres", "-D", f"{folder}/data", *settings], **quiet) as server:
        try:
            asyncio.run(_make_login(folder))
            yield folder
        finally:
            server.terminate()
            server.wait(30)


async def _make_login(socket: Path) -> None:
    end = time.monotonic() + 20
    while True:
        try:
            connection = await asyncpg.connect(host=str(socket), user="owner", database="postgres")
            break
        except (OSError, asyncpg.PostgresError):
            assert time.monotonic() < end
            await asyncio.sleep(0.05)
    await connection.execute("CREATE ROLE plain LOGIN")
    await connection.execute("CREATE DATABASE plain OWNER plain")
    await connection.close()


async def test_everything_works_on_the_oldest_server_and_where_no_role_can_be_made(oldest: str) -> None:
    await asyncio.to_thread(migrate, oldest)
    assert await select(oldest, "SELECT FROM pg_roles WHERE rolname = $1", ROLE) == []
    async with running(oldest) as service:
        ready = (await service.client.get("/readyz")).json()
        assert ready["ready"]
        assert [f"CREATE ROLE {ROLE} NOLOGIN; GRANT {ROLE} TO plain" in finding for finding in ready["findings"]] == [
            True
        ]
        await story(service.database, oldest)
    dba = await asyncpg.connect(oldest.replace("plain@/plain", "owner@/plain"))
    await dba.execute(f"CREATE ROLE {ROLE} NOLOGIN; GRANT {ROLE} TO plain")
    await dba.close()
    await asyncio.to_thread(migrate, oldest)
    async with running(oldest) as service:
        assert (await service.client.get("/readyz")).json() == {"ready": True, "findings": []}
        async with service.database.transaction() as tx:
            assert await tx.value(Statement("role", "SELECT current_user::text")) == ROLE
        await load(service.database, await mint(service.database), [measured("S2", ago(minutes=-9), "11.40", "11.41")])
        assert (await assert_whole(service.database, oldest)).facts == 17


async def story(database: Database, url: str) -> None:
    """Facts, a bulk call, and proof."""
    key = await load_running(database, ["S1", "S2"])
    await load(database, key, rebuild("S1"))
    readings = {"S1": 118_300, "S2": 118_400, "M-S2/1": 118_400}
    answers = await count_snapshot(database, source="/skerrow/mes", time=ago(minutes=-5), readings=readings, key=key)
    assert sorted(each.status for each in answers) == ["accepted", "accepted", "duplicate"]
    tally = await assert_whole(database, url)
    assert (tally.facts, tally.readings) == (16, 2)
