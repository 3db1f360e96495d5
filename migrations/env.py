"""Runs the revisions on the database that `service.migrate` names."""

import asyncio

import asyncpg
from alembic import context
from sqlalchemy import Connection
from sqlalchemy.ext.asyncio import create_async_engine
from sqlalchemy.pool import NullPool

from service.postgres import asyncpg_dsn


def _run(connection: Connection) -> None:
    context.configure(connection=connection, version_table_schema="public")
    with context.begin_transaction():
        context.run_migrations()


async def _connect(dsn: str) -> None:
    engine = create_async_engine(
        "postgresql+asyncpg://", async_creator=lambda: asyncpg.connect(asyncpg_dsn(dsn)), poolclass=NullPool
    )
    try:
        async with engine.connect() as connection:
            await connection.run_sync(_run)
            await connection.commit()
    finally:
        await engine.dispose()


asyncio.run(_connect(context.config.attributes["dsn"]))
