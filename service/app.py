"""Wiring only: the application from its environment, every route listed."""

import asyncio
import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import timedelta
from typing import Any, Final

from litestar import Litestar
from litestar.datastructures import State
from litestar.di import Provide
from litestar.types import Message, Receive, Scope, Send

from service import access
from service.access import FoundKeys
from service.api import (
    board,
    clearances,
    counters,
    document,
    evaluations,
    events,
    gauges,
    ingest,
    keys,
    lives,
    lots,
    mappings,
    metrics,
    notices,
    overview,
    plans,
    probes,
    problems,
    reach,
    rechecks,
    rehearsals,
    sheets,
    spindles,
    webhook_deliveries,
    webhook_health,
    webhook_keys,
    webhook_replays,
    webhooks,
    work_orders,
)
from service.api.answered import Answers, FromMemory
from service.api.door import key_of, refuse_unfit, require_key
from service.api.event_stream import HEAD_ONLY
from service.api.streams import Streams
from service.clocks import Clocks
from service.deliver import Dispatcher
from service.domain.address import Network
from service.environment import Environment
from service.gather import gathered
from service.listening import Pace
from service.metrics import Metrics
from service.postgres import Database
from service.pulse import Pulse
from service.sealing import Seal, SealedOtherwise, open_seal, reseal
from service.sweep import sweep

LOG: Final = logging.getLogger(__name__)
PARTS: Final = frozenset({"sweep", "deliver"})
BODY_BYTES_MAX: Final = 16 * 1024 * 1024
ROUTES: Final = (
    probes.routes,
    events.routes,
    counters.routes,
    ingest.routes,
    mappings.routes,
    board.routes,
    spindles.routes,
    overview.routes,
    clearances.routes,
    rechecks.routes,
    plans.routes,
    lives.routes,
    work_orders.routes,
    sheets.routes,
    rehearsals.routes,
    gauges.routes,
    lots.routes,
    reach.routes,
    evaluations.routes,
    webhooks.routes,
    webhook_keys.routes,
    webhook_health.routes,
    webhook_deliveries.routes,
    webhook_replays.routes,
    notices.routes,
    keys.routes,
    metrics.routes,
    document.routes,
)


def create_app(
    environment: Environment,
    *,
    parts: frozenset[str] = PARTS,
    clock_shift: timedelta = timedelta(0),
    pace: Pace | None = None,
) -> Litestar:
    """The application. `parts` says which of sweep and deliver run beside the API in this process, `pace` how its
    streams keep time."""

    counted = Metrics()

    @asynccontextmanager
    async def lifespan(app: Litestar) -> AsyncIterator[None]:
        assert environment.database_url is not None
        database = await Database.open(
            environment.database_url, size=environment.pool_size, clock_shift=clock_shift, metrics=counted
        )
        try:
            app.state.database = database
            _put_at_hand(app.state, database, pace or Pace())
            async with database.transaction() as tx:
                app.state.first_key = await access.ensure_bootstrap(tx, environment.bootstrap_key)
            app.state.seal = await ready_seal(database, environment)
            async with gathered(database) as app.state.gathering, _beside(database, app.state.seal, environment, parts):
                yield
            await app.state.streams.end()
        finally:
            await database.close()

    app = Litestar(
        route_handlers=ROUTES,
        lifespan=[lifespan],
        guards=[require_key],
        before_request=refuse_unfit,
        dependencies=_dependencies(environment),
        exception_handlers=problems.handlers,
        openapi_config=None,
        request_max_body_size=BODY_BYTES_MAX,
        logging_config=None,
    )
    app.asgi_handler = metrics.Passing(FromMemory(app.asgi_handler, app.state), counted)
    return app


def clocks_of(environment: Environment) -> Clocks:
    """Whose wall clocks the plants go by."""
    return Clocks(named=dict(environment.time_zones))


def _database(state: State) -> Database:
    database: Database = state.database
    return database


def _seal(state: State) -> Seal:
    seal: Seal = state.seal
    return seal


async def ready_seal(database: Database, environment: Environment) -> Seal:
    """The seal of this environment; what other keys had sealed is sealed anew, as far as it can be opened."""
    async with database.transaction() as tx:
        seal = await open_seal(tx, environment.secret_keys)
    try:
        async with database.transaction() as tx:
            anew = await reseal(tx, seal)
    except SealedOtherwise as error:
        LOG.warning("secrets are left as they were sealed: one is %s", error)
    else:
        LOG.info("sealed anew: %s secrets", anew)
    return seal


def _dependencies(environment: Environment) -> dict[str, Provide]:
    """What a handler can ask for by name."""

    def webhook_networks() -> tuple[Network, ...]:
        return environment.webhook_networks

    def clocks() -> Clocks:
        return clocks_of(environment)

    return {
        "database": Provide(_database, sync_to_thread=False),
        "answers": Provide(_answers, sync_to_thread=False),
        "streams": Provide(_streams, sync_to_thread=False),
        "key": Provide(key_of),
        "seal": Provide(_seal, sync_to_thread=False),
        "webhook_networks": Provide(webhook_networks, sync_to_thread=False),
        "clocks": Provide(clocks, sync_to_thread=False),
    }


def _put_at_hand(state: State, database: Database, pace: Pace) -> None:
    """What requests of one process share."""
    pulse = Pulse(database)
    state.found_keys = FoundKeys(database)
    state.documents = asyncio.Semaphore(ingest.AT_ONCE)
    state.answers = Answers(database, pulse)
    state.streams = Streams(database, pulse, pace)


def _answers(state: State) -> Answers:
    answers: Answers = state.answers
    return answers


def _streams(state: State) -> Streams:
    streams: Streams = state.streams
    return streams


@asynccontextmanager
async def _beside(
    database: Database, seal: Seal, environment: Environment, parts: frozenset[str]
) -> AsyncIterator[None]:
    """Runs the sweep and the delivery in this process, and ends them with it."""
    stop = asyncio.Event()
    running: list[asyncio.Task[None]] = []
    if "sweep" in parts:
        running.append(asyncio.create_task(sweep(database, stop, clocks_of(environment)), name="sweep"))
    if "deliver" in parts:
        running.append(asyncio.create_task(dispatcher(database, seal, environment).run(stop), name="deliver"))
    try:
        yield
    finally:
        stop.set()
        await asyncio.wait(running, timeout=10) if running else None
        for task in running:
            task.cancel()


def dispatcher(database: Database, seal: Seal, environment: Environment) -> Dispatcher:
    return Dispatcher(
        database,
        seal,
        allowed=environment.webhook_networks,
        schedule=[timedelta(seconds=pause) for pause in environment.retry_schedule],
        disable_after=timedelta(days=environment.disable_after),
    )


class HeadAsGet:
    """HEAD wherever there is GET, the same answer without its body (RFC 9110, 9.3.2), and OPTIONS that says so.

    Outside the router, which knows neither.
    """

    def __init__(self, app: Litestar) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        wire: Any = scope
        method = wire["method"] if wire["type"] == "http" else None
        allowed = problems.allowed_methods(self._app, wire["path"]) if method == "OPTIONS" else None
        if method == "HEAD":
            reading: Any = {**wire, "method": "GET", "extensions": {**wire.get("extensions", {}), HEAD_ONLY: {}}}
            await self._app(reading, receive, _without_body(send))
        elif allowed:
            headers = [(b"allow", ", ".join(sorted(allowed)).encode())]
            await send({"type": "http.response.start", "status": 204, "headers": headers})
            await send({"type": "http.response.body", "body": b"", "more_body": False})
        else:
            await self._app(scope, receive, send)


def _without_body(send: Send) -> Send:
    async def send_headers(message: Message) -> None:
        if message["type"] == "http.response.body":
            message["body"] = b""
        await send(message)

    return send_headers
