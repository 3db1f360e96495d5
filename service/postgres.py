"""The pool, a transaction with its clock, and named statements read from the stores' `.sql` files.

Rules of this file
- Nothing else (lists apart) imports asyncpg.
- `tx.now` is the one clock of the service: the server's, read when the transaction begins.
- A connection takes the role `spindle_ledger_app` once and keeps it: the ledger's rows cannot be altered
  through it, also where the login is a superuser's.
"""

import asyncio
import re
from collections import Counter, OrderedDict
from collections.abc import AsyncIterator, Hashable, Iterator, Sequence
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import asyncpg

from service.metrics import Metrics, Name

ROLE: Final = "spindle_ledger_app"
COMMAND_TIMEOUT_S: Final = 60
REMEMBERED_MAX: Final = 10_000
_SETTINGS: Final = {
    "application_name": "spindle-ledger",
    "statement_timeout": "60000",
    "idle_in_transaction_session_timeout": "60000",
    "timezone": "UTC",
}

UniqueViolation = asyncpg.exceptions.UniqueViolationError
CannotConnect: Final = (
    OSError,
    asyncpg.exceptions.PostgresConnectionError,
    asyncpg.exceptions.InterfaceError,
    asyncpg.exceptions.CannotConnectNowError,
    asyncpg.exceptions.AdminShutdownError,
    asyncpg.exceptions.CrashShutdownError,
    TimeoutError,
)
"""What a caller sees while the server is away: nothing was promised, the call may be made again."""


class Statement:
    """One named statement: its SQL with `$n` in place of `:name`, and the names in that order."""

    __slots__ = ("binds", "name", "sql")

    def __init__(self, name: str, text: str) -> None:
        self.name = name
        binds: list[str] = []

        def number(match: re.Match[str]) -> str:
            bind = match.group(1)
            if bind not in binds:
                binds.append(bind)
            return f"${binds.index(bind) + 1}"

        self.sql = re.sub(r"(?<![:\w]):([a-z_][a-z0-9_]*)", number, text)
        self.binds = tuple(binds)

    def arguments(self, values: dict[str, Any]) -> list[Any]:
        if len(values) != len(self.binds):
            raise TypeError(f"{self.name} takes {self.binds}, was given {tuple(values)}")
        return [values[bind] for bind in self.binds]


class Statements:
    """The named statements of one `.sql` file: `-- name: lock_subject` begins each, comments may follow."""

    def __init__(self, path: Path) -> None:
        parts = re.split(r"^-- name: ([a-z_0-9]+)\n", path.read_text("utf-8"), flags=re.MULTILINE)
        self._statements = {
            name: Statement(name, re.sub(r"^\s*--.*\n", "", text, flags=re.MULTILINE).strip().rstrip(";"))
            for name, text in zip(parts[1::2], parts[2::2], strict=True)
        }

    def __getitem__(self, name: str) -> Statement:
        return self._statements[name]

    def __iter__(self) -> Iterator[Statement]:
        return iter(self._statements.values())

    @classmethod
    def beside(cls, module_file: str) -> "Statements":
        """The statements in the `.sql` file of the same name as a store's module."""
        return cls(Path(module_file).with_suffix(".sql"))


class Transaction:
    """One open transaction. `now` is the server's clock at its beginning, in UTC.

    `counted` goes into the metrics once it is committed.
    """

    __slots__ = ("_connection", "_remembered", "counted", "now")

    def __init__(self, connection: Any, now: datetime, remembered: "OrderedDict[Any, Any]") -> None:
        self._connection = connection
        self.now = now
        self._remembered = remembered
        self.counted: Counter[tuple[Name, str]] = Counter()

    async def rows(self, statement: Statement, **values: Any) -> list[Any]:
        found: list[Any] = await self._connection.fetch(statement.sql, *statement.arguments(values))
        return found

    async def row(self, statement: Statement, **values: Any) -> Any:
        return await self._connection.fetchrow(statement.sql, *statement.arguments(values))

    async def value(self, statement: Statement, **values: Any) -> Any:
        return await self._connection.fetchval(statement.sql, *statement.arguments(values))

    async def run(self, statement: Statement, **values: Any) -> int:
        """Runs a statement for its effect; answers how many rows it touched."""
        status: str = await self._connection.execute(statement.sql, *statement.arguments(values))
        count = status.rpartition(" ")[2]
        return int(count) if count.isdigit() else 0

    async def each(self, statement: Statement, values: Sequence[dict[str, Any]]) -> None:
        """Runs a statement once for each set of values, in one round trip."""
        if values:
            await self._connection.executemany(statement.sql, [statement.arguments(value) for value in values])

    def recall(self, what: Hashable) -> Any:
        """What is remembered of this database from an earlier transaction, or None."""
        if what not in self._remembered:
            return None
        self._remembered.move_to_end(what)
        return self._remembered[what]

    def remember(self, what: Hashable, value: Any) -> None:
        """Keeps something that can never change, for later transactions of this process."""
        self._remembered[what] = value
        if len(self._remembered) > REMEMBERED_MAX:
            self._remembered.popitem(last=False)

    async def stream(self, statement: Statement, **values: Any) -> AsyncIterator[Any]:
        """The rows of a long answer, fetched in portions."""
        async for row in self._connection.cursor(statement.sql, *statement.arguments(values), prefetch=1000):
            yield row


async def _take_role(connection: Any) -> None:
    major = connection.get_server_version().major
    member = await connection.fetchval(
        "SELECT count(*) FROM pg_roles WHERE rolname = $1 AND pg_has_role(current_user, rolname, $2)",
        ROLE,
        "SET" if major >= 16 else "MEMBER",
    )
    if member:
        await connection.execute(f"SET ROLE {ROLE}")
    for name in ("json", "jsonb"):
        await connection.set_type_codec(name, encoder=str, decoder=str, schema="pg_catalog")


async def _keep_session(_connection: Any) -> None:
    """The role and the settings outlive a release; the default reset would be a statement each time."""


class Database:
    """A pool on one PostgreSQL. `clock_shift` moves `tx.now` in tests where hours matter.

    `remembered` holds what stores keep of this database between transactions: never shared with another database's.
    """

    def __init__(self, pool: Any, clock_shift: timedelta, metrics: Metrics) -> None:
        self._pool = pool
        self.clock_shift = clock_shift
        self.metrics = metrics
        self.remembered: OrderedDict[Any, Any] = OrderedDict()

    @classmethod
    async def open(
        cls, dsn: str, *, size: int = 10, clock_shift: timedelta = timedelta(0), metrics: Metrics | None = None
    ) -> "Database":
        pool = await asyncpg.create_pool(
            asyncpg_dsn(dsn),
            min_size=1,
            max_size=size,
            command_timeout=COMMAND_TIMEOUT_S,
            timeout=10,
            init=_take_role,
            reset=_keep_session,
            server_settings=_SETTINGS,
            max_inactive_connection_lifetime=0,
        )
        return cls(pool, clock_shift, metrics or Metrics())

    async def close(self) -> None:
        try:
            async with asyncio.timeout(5):
                await self._pool.close()
        except (TimeoutError, *CannotConnect):
            self._pool.terminate()

    @asynccontextmanager
    async def transaction(self, *, snapshot: bool = False) -> AsyncIterator[Transaction]:
        """READ COMMITTED; with `snapshot` a read-only view of one moment. Rolls back on any exception."""
        async with self._pool.acquire(timeout=30) as connection:
            options: dict[str, Any] = {"isolation": "repeatable_read", "readonly": True} if snapshot else {}
            async with connection.transaction(**options):
                now: datetime = await connection.fetchval("SELECT now()")
                tx = Transaction(connection, now.astimezone(UTC) + self.clock_shift, self.remembered)
                yield tx
            for (name, label), number in tx.counted.items():
                self.metrics.add(name, label, number)

    async def look(self, statement: Statement, **values: Any) -> Any:
        """One row by one statement, which is a snapshot of its own: a single round trip, for what is read often."""
        async with self._pool.acquire(timeout=30) as connection:
            return await connection.fetchrow(statement.sql, *statement.arguments(values))

    def connections(self) -> tuple[int, int, int]:
        """How many are in use, idle, and allowed."""
        idle = self._pool.get_idle_size()
        return self._pool.get_size() - idle, idle, self._pool.get_max_size()


def asyncpg_dsn(dsn: str) -> str:
    """A URL for asyncpg, whichever dialect it was written for."""
    return re.sub(r"^postgres(ql)?(\+\w+)?://", "postgresql://", dsn)
