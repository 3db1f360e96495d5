"""Runs the service: on the server that is named, or on an embedded one that ends with it."""

import asyncio
import contextlib
import logging
import signal
import socket
from collections.abc import Awaitable, Callable, Iterator
from typing import Any, Final, TypeAlias

import uvicorn
from msgspec.structs import replace

from service.app import PARTS, HeadAsGet, create_app
from service.embedded import EmbeddedServer, default_data_folder
from service.environment import Environment
from service.migrate import migrate

DRAIN_S: Final = 10
UNREAD_MS: Final = 60_000
"""After how long a connection is given up whose other end takes nothing of what waits for it."""

Beside: TypeAlias = Callable[[str, Environment], Awaitable[int | None]]
"""Something that runs once requests are answered, with the address: an exit status ends the service with it."""


class NotServed(Exception):
    """What was asked for cannot be served; the message says why and what to do."""


def refuse_missing_ledger(environment: Environment) -> None:
    """Raises NotServed where a command that only looks would make an embedded cluster of its own."""
    folder = environment.data or default_data_folder()
    if environment.database_url is None and not (folder / "cluster").exists():
        raise NotServed(f"there is no ledger in {folder}: serve makes one, or name the right folder with --data")


@contextlib.contextmanager
def with_database(environment: Environment) -> Iterator[tuple[Environment, EmbeddedServer | None]]:
    """The environment with a database in it: the one named, else an embedded one on the data folder."""
    if environment.database_url is not None:
        yield environment, None
        return
    with told_to_end_is_interrupted(), EmbeddedServer(environment.data or default_data_folder()) as server:
        yield replace(environment, database_url=server.dsn), server


@contextlib.contextmanager
def told_to_end_is_interrupted() -> Iterator[None]:
    """SIGTERM interrupts like Ctrl-C, so that the embedded server is stopped in order at whatever moment it comes."""
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


class _Announcing(uvicorn.Server):
    """Prints one line when requests are answered."""

    def __init__(self, config: uvicorn.Config, app: Any, address: str) -> None:
        super().__init__(config)
        self.ready = asyncio.Event()
        self._ledger_app, self._address = app, address

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        if self.should_exit:
            return
        first = getattr(self._ledger_app.state, "first_key", None)
        if first is not None:
            print(f"The first administrator key, shown this once: {first}", flush=True)  # noqa: T201
        print(f"spindle-ledger serves at {self._address}", flush=True)  # noqa: T201
        self.ready.set()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Ends the streams first: they would not end by themselves, and every other request is waited for."""
        await self._ledger_app.state.streams.end()
        await super().shutdown(sockets)

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Told to end is an end like any other: unlike the parent's, this does not raise the signal again."""
        before = {number: signal.signal(number, self.handle_exit) for number in (signal.SIGINT, signal.SIGTERM)}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)


def bind(host: str, port: int) -> socket.socket:
    """A listening socket; port 0 takes a free one. Raises NotServed where the address is taken."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    if hasattr(socket, "TCP_USER_TIMEOUT"):
        listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNREAD_MS)
    try:
        listening.bind((host, port))
    except OSError as error:
        listening.close()
        raise NotServed(f"{host}:{port} cannot be bound ({error.strerror}): name another with --port") from error
    listening.listen(1024)
    return listening


def address_of(listening: socket.socket) -> str:
    host, port = listening.getsockname()[:2]
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"


def serve(environment: Environment, *, parts: frozenset[str] = PARTS, beside: Beside | None = None) -> int:
    """Migrates, serves until it is told to stop, and answers the exit status."""
    with (
        contextlib.closing(bind(environment.host, environment.port)) as listening,
        with_database(environment) as (ready, server),
    ):
        assert ready.database_url is not None
        migrate(ready.database_url)
        with asyncio.Runner(loop_factory=fastest_loop()) as runner:
            return runner.run(_until_stopped(ready, listening, server, parts, beside))


def fastest_loop() -> Callable[[], asyncio.AbstractEventLoop] | None:
    """uvloop's where it is installed (it is not made for Windows), else Python's own."""
    try:
        import uvloop
    except ImportError:
        return None
    return uvloop.new_event_loop


async def _until_stopped(
    environment: Environment,
    listening: socket.socket,
    server: EmbeddedServer | None,
    parts: frozenset[str],
    beside: Beside | None,
) -> int:
    """Serves; ends early where the embedded server has died or what runs beside says so."""
    app = create_app(environment, parts=parts)
    config = uvicorn.Config(
        HeadAsGet(app), log_config=None, access_log=False, timeout_graceful_shutdown=DRAIN_S, lifespan="on"
    )
    running = _Announcing(config, app, address_of(listening))
    serving = asyncio.create_task(running.serve(sockets=[listening]))
    story = (
        None
        if beside is None
        else asyncio.create_task(_once_ready(running, address_of(listening), environment, beside))
    )
    status: int | None = None
    while not serving.done():
        await asyncio.wait([serving], timeout=0.2)
        if server is not None and not server.alive() and not serving.done():
            print("The embedded PostgreSQL has died; the service ends with it.", flush=True)  # noqa: T201
            logging.disable(logging.CRITICAL)  # whatever is logged from here on only says the same
            running.should_exit = running.force_exit = True
            status = 1
            await asyncio.wait([serving], timeout=DRAIN_S)
            break
        if story is not None and story.done() and status is None:
            status = story.result()
            running.should_exit = running.should_exit or status is not None
            story = None
    if story is not None:
        story.cancel()
        await asyncio.wait([story])
    return (0 if running.started else 1) if status is None else status


async def _once_ready(running: _Announcing, address: str, environment: Environment, beside: Beside) -> int | None:
    await running.ready.wait()
    return await beside(address, environment)
