"""The bare limit over HTTP, and nothing else: a route that commits one row, one that answers a fixed state, one that
says that nothing has changed, and one that waits to be told and tells everybody.
"""

import asyncio
import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import asyncpg
import uvicorn
from litestar import Litestar, Request, Response, get, post
from litestar.response import Stream

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


@get("/unchanged", status_code=304, media_type="application/json", sync_to_thread=False)
def read_unchanged() -> Response[None]:
    return Response(None, status_code=304, headers={"ETag": '"a"', "Cache-Control": "private, no-cache"})


@get("/wait")
async def wait(request: Request[Any, Any, Any]) -> Stream:
    """Goes on until the other end leaves, and tells what is told."""
    told = request.app.state.told

    async def lines() -> AsyncIterator[bytes]:
        yield b"id: 0\ndata: begun\n\n"
        while True:
            async with told:
                await told.wait()
            yield b"data: " + STATE + b"\n\n"

    return Stream(lines(), media_type="text/event-stream", status_code=200)


@post("/tell", status_code=201)
async def tell(request: Request[Any, Any, Any]) -> None:
    async with request.app.state.told:
        request.app.state.told.notify_all()


@get("/memory", sync_to_thread=False)
def read_memory() -> int:
    """Bytes of memory of this process that are in use."""
    return int(Path("/proc/self/statm").read_text("ascii").split()[1]) * os.sysconf("SC_PAGE_SIZE")


@asynccontextmanager
async def _lifespan(app: Litestar) -> AsyncIterator[None]:
    async with asyncpg.create_pool(os.environ["DATABASE_URL"], min_size=1, max_size=10) as pool:
        await pool.execute("CREATE SCHEMA IF NOT EXISTS bare")
        await pool.execute("CREATE TABLE IF NOT EXISTS bare.row (row bigserial PRIMARY KEY, body json NOT NULL)")
        app.state.pool = pool
        app.state.told = asyncio.Condition()
        yield


class _Announcing(uvicorn.Server):
    address = ""

    async def startup(self, sockets: Any = None) -> None:
        await super().startup(sockets)
        print(f"bare serves at {self.address}", flush=True)


def main() -> None:
    listening = bind("127.0.0.1", 0)
    app = Litestar(
        [add_row, read_state, read_unchanged, wait, tell, read_memory],
        lifespan=[_lifespan],
        openapi_config=None,
        logging_config=None,
    )
    server = _Announcing(uvicorn.Config(app, log_config=None, access_log=False))
    server.address = address_of(listening)
    with asyncio.Runner(loop_factory=fastest_loop()) as runner:
        runner.run(server.serve(sockets=[listening]))


if __name__ == "__main__":
    main()
