"""The ground a benchmark stands on: a server of its own with fsync on, the service beside it, one client, a clock."""

import asyncio
import contextlib
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import aiohttp
from msgspec import Struct

from service.demo import scenario
from service.embedded import EmbeddedServer

KEY = "a-key-for-benchmarks-and-nothing-else"
NOW = datetime.now(UTC).replace(microsecond=0)


class Row(Struct, frozen=True, kw_only=True):
    """One line of the table: ours, the bare limit of the same run, their ratio, and what was aimed at."""

    name: str
    ours: str
    bare: str
    ratio: float
    aim: str


class Ground(Struct, frozen=True, kw_only=True):
    """Where things are: the database, the service, the bare route."""

    dsn: str
    service: str
    bare: str


@contextlib.contextmanager
def ground() -> Iterator[Ground]:
    """A fresh embedded PostgreSQL, the service and the bare application on it, each in a process of its own."""
    with tempfile.TemporaryDirectory(dir="/var/tmp" if Path("/var/tmp").is_dir() else None) as folder:
        Path(folder).chmod(0o755)
        with EmbeddedServer(Path(folder) / "data", settings={"max_connections": "100"}) as server:
            environment = {**os.environ, "DATABASE_URL": server.dsn, "SPINDLE_LEDGER_BOOTSTRAP_KEY": KEY}
            serve = [sys.executable, "-m", "service", "serve", "--port", "0", "--without", "sweep,deliver"]
            bare_command = [sys.executable, "-m", "tests.bench.bare"]
            with process(serve, environment) as service, process(bare_command, environment) as bare:
                yield Ground(dsn=server.dsn, service=service, bare=bare)


@contextlib.contextmanager
def process(command: list[str], environment: dict[str, str]) -> Iterator[str]:
    """A process that says where it serves; answers that address, ends the process."""
    with subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            for line in process.stdout:
                if "serves at" in line:
                    yield line.split()[-1]
                    break
            else:
                raise RuntimeError(f"{command} ended before it served")
        finally:
            process.terminate()
            process.wait(timeout=30)


@contextlib.asynccontextmanager
async def client(address: str) -> AsyncIterator[aiohttp.ClientSession]:
    async with aiohttp.ClientSession(address, headers={"Authorization": f"Bearer {KEY}"}) as session:
        yield session


async def send(session: aiohttp.ClientSession, path: str, body: Any, content: str = "application/json") -> Any:
    """Posts and answers the JSON; anything but success ends the benchmark."""
    async with session.post(path, json=body, headers={"Content-Type": content}) as answer:
        found = await answer.json(content_type=None)
        if answer.status >= 300:
            raise RuntimeError(f"{path} was answered {answer.status}: {found}")
        return found


async def timed(count: int, once: Callable[[int], Awaitable[Any]]) -> list[float]:
    """Seconds of each of `count` calls, one after the other."""
    seconds = []
    for number in range(count):
        began = time.perf_counter()
        await once(number)
        seconds.append(time.perf_counter() - began)
    return seconds


def middle(seconds: list[float]) -> float:
    return statistics.median(seconds)


def high(seconds: list[float]) -> float:
    """The 99th percentile."""
    return sorted(seconds)[min(len(seconds) - 1, int(len(seconds) * 0.99))]


def event(number: object, event_type: str, subject: str, data: Any, *, hours: float = 3.0) -> dict[str, Any]:
    return {
        "specversion": "1.0",
        "id": f"bench-{number}",
        "source": "/bench",
        "type": event_type,
        "subject": subject,
        "time": (NOW - timedelta(hours=hours)).isoformat(),
        "actor": "b.b. bench",
        "data": data,
    }


async def commission(session: aiohttp.ClientSession, prefix: str, count: int) -> list[str]:
    """So many spindles of the invented type, by batches; answers their keys."""
    code = f"BENCH-{prefix}"
    await send(session, "/v1/events", event(code, "sheet.issued", f"sheets/{code}", scenario.sheet(NOW), hours=40))
    keys = [f"{prefix}-{number}" for number in range(count)]
    for begin in range(0, count, 1000):
        batch = [
            event(
                f"commission-{key}",
                "spindle.commissioned",
                f"spindles/{key}",
                {**scenario.commissioning(key, code), "serial": key},
                hours=30,
            )
            for key in keys[begin : begin + 1000]
        ]
        await send(session, "/v1/events", batch, "application/cloudevents-batch+json")
    return keys


async def in_parallel(*calls: Awaitable[Any]) -> float:
    """Seconds that all of them took together."""
    began = time.perf_counter()
    await asyncio.gather(*calls)
    return time.perf_counter() - began
