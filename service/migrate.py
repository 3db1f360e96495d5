"""Brings a database to this release's shape: Alembic upward only, one process at a time, weeks made ahead."""

import asyncio
from pathlib import Path
from typing import Any, Final

import asyncpg
from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory

from service.postgres import Statement, Transaction, asyncpg_dsn

LOCK: Final = 7_470_116_853
"""The session advisory lock that lets one process migrate while others wait."""

OLDEST_SERVER: Final = 15


class MigrationRefused(Exception):
    """The database cannot be brought to this release; the message says why and what to do."""


def migrations_folder() -> Path:
    """Beside the package in a checkout, inside it in an installed wheel."""
    inside = Path(__file__).parent / "migrations"
    return inside if inside.is_dir() else Path(__file__).parent.parent / "migrations"


def _config(dsn: str | None = None) -> Config:
    config = Config()
    config.set_main_option("script_location", str(migrations_folder()).replace("%", "%%"))
    if dsn is not None:
        config.attributes["dsn"] = dsn
    return config


def head() -> str:
    """The revision that this release needs."""
    newest = ScriptDirectory.from_config(_config()).get_current_head()
    assert newest is not None
    return newest


def migrate(dsn: str) -> None:
    """Upgrades to `head()`. Safe to call from several processes at once, and again.

    Raises MigrationRefused for a server older than PostgreSQL 15 or a database of a newer release.
    """
    asyncio.run(_under_lock(dsn))


async def _under_lock(dsn: str) -> None:
    connection: Any = await asyncpg.connect(asyncpg_dsn(dsn), timeout=30)
    try:
        refuse_too_old(connection.get_server_version().major)
        await connection.execute("SET lock_timeout = 0")
        await connection.execute(f"SELECT pg_advisory_lock({LOCK})")
        await _refuse_newer(connection)
        await asyncio.to_thread(command.upgrade, _config(dsn), "head")
        await connection.execute((migrations_folder() / "roles.sql").read_text("utf-8"))
        await connection.execute("SELECT ledger.make_weeks(9)")
    finally:
        await connection.close(timeout=5)


def refuse_too_old(major: int) -> None:
    """Raises MigrationRefused for a PostgreSQL before the oldest that is promised."""
    if major < OLDEST_SERVER:
        raise MigrationRefused(f"PostgreSQL {major} is too old: version {OLDEST_SERVER} or newer is needed")


async def _refuse_newer(connection: Any) -> None:
    if await connection.fetchval("SELECT to_regclass('public.alembic_version')") is None:
        return
    known = {script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions()}
    current = await connection.fetchval("SELECT version_num FROM public.alembic_version")
    if current is not None and current not in known:
        raise MigrationRefused(
            f"this database is at revision {current}, which a newer release made: install that release or newer"
        )


_CURRENT: Final = Statement("current", "SELECT version_num FROM public.alembic_version")


async def current(tx: Transaction) -> str | None:
    """The revision the database is at; raises where it was never migrated."""
    revision: str | None = await tx.value(_CURRENT)
    return revision
