"""The service in this process, spoken to over HTTP: one application on one database, and short words for its doors."""

import json
from collections.abc import AsyncIterator, Iterable, Mapping, Sequence
from contextlib import asynccontextmanager
from datetime import datetime, timedelta
from ipaddress import ip_network
from typing import Any, Final, cast

import asyncpg
import httpx
import msgspec

from service import access
from service.access import Key
from service.app import HeadAsGet, create_app
from service.environment import Environment
from service.listening import Pace
from service.postgres import Database
from service.sweep import sweep_once
from service.verify import Verified, verify
from tests.api.documented import notice_faults

BOOTSTRAP: Final = "a-first-administrator-key-for-tests"
Json = dict[str, Any]


class Running:
    """One application with an administrator's client. `database` is the application's own."""

    def __init__(self, app: Any, client: httpx.AsyncClient, url: str) -> None:
        self.app, self.client, self.url = app, client, url
        self.database: Database = app.state.database

    async def send(self, event: Mapping[str, Any]) -> httpx.Response:
        return await self.client.post("/v1/events", json=event)

    async def record(self, event: Mapping[str, Any]) -> Json:
        """The receipt of an event that is accepted or known already."""
        answer = await self.send(event)
        assert answer.status_code in (200, 201), (event, answer.text)
        return cast(Json, answer.json())

    async def record_all(self, events: Iterable[Mapping[str, Any]]) -> list[Json]:
        return [await self.record(event) for event in events]

    async def batch(self, events: Sequence[Mapping[str, Any]]) -> list[Json]:
        headers = {"Content-Type": "application/cloudevents-batch+json"}
        answer = await self.client.post("/v1/events", content=msgspec.json.encode(events), headers=headers)
        assert answer.status_code == 200, answer.text
        return cast(list[Json], answer.json())

    async def read_counters(self, time: datetime, readings: Mapping[str, int], *, source: str = "/skerrow/mes") -> Json:
        body = {"source": source, "time": time.isoformat(), "readings": readings}
        answer = await self.client.post("/v1/counter-readings", json=body)
        assert answer.status_code == 200, answer.text
        return cast(Json, answer.json())

    async def spindle(self, key: str = "H2-M04-S1") -> Json:
        answer = await self.client.get(f"/v1/spindles/{key}")
        assert answer.status_code == 200, answer.text
        return cast(Json, answer.json())

    async def history(self, key: str = "H2-M04-S1") -> list[Json]:
        answer = await self.client.get(f"/v1/spindles/{key}/events", params={"limit": 1000})
        assert answer.status_code == 200, answer.text
        return cast(list[Json], answer.json()["items"])

    async def sweep(self) -> int:
        return await sweep_once(self.database)

    async def notices(self, *types: str) -> list[str]:
        """The types of the notices put so far, in order; of these types only where some are named."""
        rows = await select(self.url, "SELECT type FROM kept.notice ORDER BY notice")
        return [row["type"] for row in rows if not types or row["type"] in types]

    async def key(self, *scopes: str, plants: Sequence[str] | None = None) -> tuple[Key, str]:
        async with self.database.transaction() as tx:
            return await access.mint(tx, name="a test", scopes=scopes, plants=plants)

    async def verified(self) -> Verified:
        return [tally async for tally in verify(self.database)][-1]


@asynccontextmanager
async def running(
    url: str, *, clock_shift: timedelta = timedelta(0), pace: Pace | None = None, invented: bool = False
) -> AsyncIterator[Running]:
    """An application on a migrated database, without sweep and delivery.

    `clock_shift` moves its clock, `pace` is that of its streams. In the end every notice that was put is as the
    document says of its type, unless the test has `invented` notices.
    """
    environment = Environment(database_url=url, bootstrap_key=BOOTSTRAP, webhook_networks=(ip_network("127.0.0.0/8"),))
    app = create_app(environment, parts=frozenset(), clock_shift=clock_shift, pace=pace)
    transport = httpx.ASGITransport(app=cast(Any, HeadAsGet(app)))
    headers = {"Authorization": f"Bearer {BOOTSTRAP}"}
    async with (
        app.lifespan(),
        httpx.AsyncClient(transport=transport, base_url="http://ledger.test", headers=headers, timeout=60) as client,
    ):
        yield Running(app, client, url)
        if not invented:
            await assert_notices_as_told(url)


async def assert_notices_as_told(url: str) -> None:
    """Every notice that was put is as the document says of its type, as it is sent and whole."""
    for row in await select(url, "SELECT body, whole FROM kept.notice ORDER BY notice"):
        for text in (row["body"], row["whole"]):
            assert text is None or notice_faults(json.loads(text)) == [], text


def differences(one: Any, other: Any, place: str = "") -> Json:
    """Where two answers differ, by JSON pointer, with what each of them says there."""
    if isinstance(one, dict) and isinstance(other, dict):
        members = [(name, one.get(name), other.get(name)) for name in one | other]
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        members = [(str(place), *pair) for place, pair in enumerate(zip(one, other, strict=True))]
    else:
        return {} if one == other else {place: (one, other)}
    found: Json = {}
    for name, mine, theirs in members:
        found |= differences(mine, theirs, f"{place}/{name}")
    return found


async def select(url: str, sql: str, *arguments: Any) -> list[Any]:
    """Rows read past the service, by a connection of its own."""
    connection: Any = await asyncpg.connect(url)
    try:
        found: list[Any] = await connection.fetch(sql, *arguments)
        return found
    finally:
        await connection.close()


_TABLES: Final = """
    SELECT schemaname || '.' || tablename AS name FROM pg_tables
    WHERE schemaname IN ('ledger', 'derived', 'kept') AND tablename NOT IN ('key')
"""


async def rows_of_every_table(url: str) -> dict[str, int]:
    """How many rows every table holds, keys apart."""
    counts = {}
    for row in await select(url, _TABLES):
        counts[row["name"]] = (await select(url, f"SELECT count(*) AS rows FROM {row['name']}"))[0]["rows"]
    return counts


async def assert_dense(url: str) -> None:
    """Sequences run from 1 without a gap in every stream, positions in every log, and the heads say so."""
    both = """
        (SELECT log, position, subject, sequence FROM ledger.entry
         UNION ALL SELECT log, position, subject, sequence FROM ledger.reading)
    """
    streams = await select(
        url,
        f"SELECT subject, count(*) AS rows, min(sequence) AS first, max(sequence) AS last, "
        f"count(DISTINCT sequence) AS places FROM {both} AS told GROUP BY subject",
    )
    assert all(each["first"] == 1 and each["rows"] == each["last"] == each["places"] for each in streams)
    logs = await select(
        url,
        f"SELECT log, count(*) AS rows, min(position) AS first, max(position) AS last, "
        f"count(DISTINCT position) AS places FROM {both} AS told GROUP BY log",
    )
    assert all(each["first"] == 1 and each["rows"] == each["last"] == each["places"] for each in logs)
    heads = await select(url, "SELECT log, position FROM ledger.log WHERE position > 0 ORDER BY log")
    assert [(each["log"], each["position"]) for each in heads] == sorted((each["log"], each["last"]) for each in logs)
