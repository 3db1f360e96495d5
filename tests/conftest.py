"""One real PostgreSQL for the whole run, and a fresh copy of one migrated template for each test that asks.

The server is started once, by the process that the others report to, and its address handed to them. A copy is dropped
after its test (10 ms), so that the server can stand in memory and a named server keeps no litter.
"""

import asyncio
import secrets
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from itertools import count
from typing import Any, Final
from urllib.parse import urlsplit, urlunsplit

import asyncpg
import pytest

from service.embedded import EmbeddedUnavailable
from service.postgres import Database
from tests.server import SuiteServer

_SERVER: Final = pytest.StashKey[SuiteServer]()
_RUN: Final = pytest.StashKey[str]()
_TEMPLATE_LOCK: Final = 6_031_447_201
_COPIES: Final = count(1)


def pytest_configure(config: pytest.Config) -> None:
    if not hasattr(config, "workerinput"):
        config.stash[_SERVER] = SuiteServer()
        config.stash[_RUN] = secrets.token_hex(4)


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:
    """Start the server, if it is not yet, and tell a worker where it is, or why there is none."""
    node.workerinput["run"] = node.config.stash[_RUN]
    try:
        node.workerinput["server_url"] = node.config.stash[_SERVER].url()
    except EmbeddedUnavailable as error:
        node.workerinput["no_server"] = str(error)


def pytest_unconfigure(config: pytest.Config) -> None:
    if _SERVER in config.stash:
        config.stash[_SERVER].close()


@pytest.fixture(scope="session")
def server_url(pytestconfig: pytest.Config) -> str:
    """The address of a database to make others from; without a server the test fails, it is never skipped."""
    told: dict[str, str] | None = getattr(pytestconfig, "workerinput", None)
    if told is None:
        return pytestconfig.stash[_SERVER].url()
    if "no_server" in told:
        pytest.fail(told["no_server"], pytrace=False)
    return told["server_url"]


@pytest.fixture(scope="session")
async def template_database(server_url: str, pytestconfig: pytest.Config) -> str:
    """The name of a migrated database that nobody is connected to, made by the first worker that needs it."""
    from service.migrate import migrate  # here, because the tests that need no database should not wait for it

    told: dict[str, str] | None = getattr(pytestconfig, "workerinput", None)
    name = f"template_{told['run'] if told is not None else pytestconfig.stash[_RUN]}"
    connection = await asyncpg.connect(server_url)
    try:
        await connection.execute(f"SELECT pg_advisory_lock({_TEMPLATE_LOCK})")
        if not await connection.fetchval("SELECT 1 FROM pg_database WHERE datname = $1", name):
            await connection.execute(f"DROP DATABASE IF EXISTS {name}_unfinished")
            await connection.execute(f"CREATE DATABASE {name}_unfinished")
            await asyncio.to_thread(migrate, at_database(server_url, f"{name}_unfinished"))
            await connection.execute(f"ALTER DATABASE {name}_unfinished RENAME TO {name}")
    finally:
        await connection.close()
    return name


@pytest.fixture(scope="session")
async def server_connection(server_url: str) -> AsyncIterator[Any]:
    """A connection that makes databases; tests open their own."""
    connection = await asyncpg.connect(server_url)
    yield connection
    await connection.close()


@pytest.fixture
async def empty_database_url(server_url: str, server_connection: Any) -> AsyncIterator[str]:
    """The address of a fresh database that nothing has migrated."""
    async with _copy_of("template0", server_url, server_connection) as url:
        yield url


@pytest.fixture
async def database_url(server_url: str, server_connection: Any, template_database: str) -> AsyncIterator[str]:
    """The address of a fresh, migrated database of this test's own."""
    async with _copy_of(template_database, server_url, server_connection) as url:
        yield url


@pytest.fixture
async def database(database_url: str) -> AsyncIterator[Database]:
    """A fresh database, opened."""
    opened = await Database.open(database_url)
    yield opened
    await opened.close()


@pytest.fixture
async def another_database_url(server_url: str, server_connection: Any, template_database: str) -> AsyncIterator[str]:
    """The address of a second one, to compare with."""
    async with _copy_of(template_database, server_url, server_connection) as url:
        yield url


@asynccontextmanager
async def _copy_of(template: str, server_url: str, connection: Any) -> AsyncIterator[str]:
    name = f"test_{secrets.token_hex(4)}_{next(_COPIES)}"
    await connection.execute(f"CREATE DATABASE {name} TEMPLATE {template}")
    yield at_database(server_url, name)
    await connection.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")


def at_database(url: str, name: str) -> str:
    """Return `url` with another database."""
    parts = urlsplit(url)
    address = urlunsplit(parts._replace(path=f"/{name}"))
    return address if parts.netloc else address.replace(":/", ":///", 1)
