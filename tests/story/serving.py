"""The service as an operator runs it: a process on a data folder, told by signals, spoken to over HTTP."""

import asyncio
import contextlib
import os
import signal
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Final

import httpx

from tests.postgres.held_server import wait_until_gone

PROJECT: Final = Path(__file__).parents[2]
KEY: Final = "a-first-administrator-key-for-tests"
_ADDRESS: Final = "spindle-ledger serves at "
_READY_S: Final = 60
_ENDED_S: Final = 30


class Served:
    """One `spindle-ledger serve`. `said` is what it printed, `server` the process number of its PostgreSQL."""

    def __init__(self, process: asyncio.subprocess.Process, data: Path) -> None:
        self.process, self.data = process, data
        self.said: list[str] = []
        self.address = ""
        self.server = 0

    async def ready(self) -> None:
        """Reads on until it says where it serves."""
        assert self.process.stdout is not None
        async with asyncio.timeout(_READY_S):
            while not self.address:
                line = (await self.process.stdout.readline()).decode()
                assert line, f"it ended with {await self.process.wait()}: {self.said}"
                self.said.append(line.strip())
                if line.startswith(_ADDRESS):
                    self.address = line.removeprefix(_ADDRESS).strip()
        self.server = int(self._mark()[0])

    async def server_started(self) -> None:
        """Waits until its PostgreSQL runs, before anything is migrated."""
        async with asyncio.timeout(_READY_S):
            while not self.server:
                with contextlib.suppress(FileNotFoundError, IndexError, ValueError):
                    self.server = int(self._mark()[0])
                await asyncio.sleep(0.01)

    def _mark(self) -> list[str]:
        return (self.data / "cluster" / "postmaster.pid").read_text("utf-8").splitlines()

    @property
    def database_url(self) -> str:
        """A superuser's address of its database, while it runs."""
        return f"postgresql://spindle_ledger@/spindle_ledger?host={self._mark()[4]}&port=5432"

    def client(self) -> httpx.AsyncClient:
        return httpx.AsyncClient(base_url=self.address, headers={"Authorization": f"Bearer {KEY}"}, timeout=30)

    async def ended(self, *, within_s: float = _ENDED_S) -> int:
        """Its exit status, once it has ended and its server is gone."""
        assert self.process.stdout is not None
        async with asyncio.timeout(within_s):
            rest = await self.process.stdout.read()
            status = await self.process.wait()
        self.said += rest.decode().splitlines()
        if self.server:
            wait_until_gone(self.server)
        return status

    async def kill(self) -> None:
        """Ends it as a power cut would, and does not wait for its server."""
        self.process.kill()
        await self.process.wait()

    async def told(self, number: signal.Signals) -> int:
        self.process.send_signal(number)
        return await self.ended()


def outside() -> dict[str, str]:
    """The environment of the tests without what the service reads of it."""
    return {
        name: value
        for name, value in os.environ.items()
        if name != "DATABASE_URL" and not name.startswith("SPINDLE_LEDGER_")
    }


@asynccontextmanager
async def starting(data: Path, *words: str) -> AsyncIterator[Served]:
    """A service on its way; it is killed at the end where the block has not ended it, and no server is left."""
    environment = outside() | {
        "SPINDLE_LEDGER_BOOTSTRAP_KEY": KEY,
        "SPINDLE_LEDGER_WEBHOOK_CIDRS": "127.0.0.0/8",
    }
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-B", "-m", "service", "serve", "--port", "0", "--data", str(data), *words),
        cwd=PROJECT,
        env=environment,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )
    served = Served(process, data)
    try:
        yield served
    finally:
        if process.returncode is None:
            await served.kill()
        if served.server:
            wait_until_gone(served.server)


@asynccontextmanager
async def serving(data: Path, *words: str) -> AsyncIterator[Served]:
    """A service that answers."""
    async with starting(data, *words) as served:
        await served.ready()
        yield served


async def commanded(url: str, command: str) -> tuple[int, str]:
    """The exit status and the words of a command on a ledger, such as `spindle-ledger verify`."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-B", "-m", "service", command),
        cwd=PROJECT,
        env=outside() | {"DATABASE_URL": url},
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
    )
    try:
        async with asyncio.timeout(_ENDED_S):
            said, _ = await process.communicate()
    finally:
        if process.returncode is None:
            process.kill()
    assert process.returncode is not None
    return process.returncode, said.decode().strip()


async def post(client: httpx.AsyncClient, sent: dict[str, Any]) -> dict[str, Any]:
    """The receipt of an event; anything but a receipt fails the test."""
    answer = await client.post("/v1/events", json=sent)
    assert answer.status_code in (200, 201), answer.text
    receipt: dict[str, Any] = answer.json()
    return receipt
