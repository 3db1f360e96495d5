"""The bare limit over HTTP: a route that commits one row, and one that answers a fixed state, and nothing else."""

import asyncio
import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import asyncpg
import uvicorn
from litestar import Litestar, Request, get, post

from service.serve import address_of, bind, fastest_loop

STATE = b'{"health":"normal","reasons":[],"clearance":"cleared","count":118210,' + b'"padding":"' + b"x" * 1200 + b'"}'


@post("/row", status_code=201)
async def add_row(request: Request[Any, Any, Any]) -> dict[str, str]:
    """One row, committed."""
    body = await request.body()
    async with request.app.state.pool.acquire() as connection, connection.transaction():
        await connection.execute("INSERT INTO bare.row (body) VALUES ($1)", body.decode())
    return {"status": "accepted"}


@get("/state", media_type="application/json", sync_to_thread=False)
def read_state() -> bytes:
    return STATE


@asynccontextmanager
async def _lifespan(app: Litestar) -> AsyncIterator[None]:
    async with asyncpg.create_pool(os.environ["DATABASE_URL"], min_size=1, max_size=10) as pool:
        await pool.execute("CREATE SCHEMA IF NOT EXISTS bare")
        await pool.execute("CREATE TABLE IF NOT EXISTS bare.row (row bigserial PRIMARY KEY, body json NOT NULL)")
        app.state.pool = pool
        yield


class _Announcing(uvicorn.Server):
    address = ""

    async def startup(self, sockets: Any = None) -> None:
        await super().startup(sockets)
        print(f"bare serves at {self.address}", flush=True)


def main() -> None:
    listening = bind("127.0.0.1", 0)
    app = Litestar([add_row, read_state], lifespan=[_lifespan], openapi_config=None, logging_config=None)
    server = _Announcing(uvicorn.Config(app, log_config=None, access_log=False))
    server.address = address_of(listening)
    with asyncio.Runner(loop_factory=fastest_loop()) as runner:
        runner.run(server.serve(sockets=[listening]))


if __name__ == "__main__":
    main()
