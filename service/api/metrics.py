"""`/metrics` for Prometheus, and one look at each request as it passes: counted, and logged where that is wanted."""

import asyncio
import logging
from time import perf_counter
from typing import Any, Final

from litestar import Response, Router, get
from litestar.di import NamedDependency
from litestar.types import ASGIApp, Message, Receive, Scope, Send
from prometheus_client import CONTENT_TYPE_LATEST

from service.api.door import PUBLIC
from service.metrics import Gauge, Metrics
from service.postgres import CannotConnect, Database
from service.watch import Watched, watch

LOG: Final = logging.getLogger("service.requests")
PATIENCE_S: Final = 5
_METHODS: Final = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})


@get("/metrics", media_type=CONTENT_TYPE_LATEST)
async def read_metrics(database: NamedDependency[Database]) -> Response[bytes]:
    """What this process has counted, and how things stand in the database, where it answers."""
    in_use, idle, most = database.connections()
    gauges = [
        Gauge("pool_connections", "Connections to PostgreSQL", {"in_use": in_use, "idle": idle}, "state"),
        Gauge("pool_connections_max", "How many there may be", most),
    ]
    try:
        async with asyncio.timeout(PATIENCE_S), database.transaction() as tx:
            gauges += [*_gauges(await watch(tx)), Gauge("database_up", "Whether the database answers", 1)]
    except CannotConnect:
        gauges.append(Gauge("database_up", "Whether the database answers", 0))
    return Response(database.metrics.exposition(gauges), media_type=CONTENT_TYPE_LATEST)


def _gauges(watched: Watched) -> list[Gauge]:
    return [
        Gauge("spindles", "Spindles by health; those not in use by where they are", watched.spindles, "health"),
        Gauge("settle_lag_seconds", "How late the most overdue look at a spindle is", watched.settle_lag_s),
        Gauge("spindles_to_settle", "Spindles that an entry of a sheet, gauge or lot reached", watched.reached),
        Gauge("deliveries_due", "Deliveries whose time has come", watched.deliveries_due),
        Gauge("deliveries_waiting", "Deliveries that are to be made or tried again", watched.deliveries_waiting),
        Gauge("oldest_waiting_delivery_seconds", "How long the oldest has waited", watched.oldest_waiting_s),
        Gauge("webhook_endpoints", "Webhook endpoints by how they are doing", watched.endpoints, "status"),
        Gauge("log_position", "Entries in each order domain of the ledger", watched.positions, "log"),
        Gauge("readings_outside_weeks", "1 where readings lie outside the weekly partitions", watched.strays),
    ]


class Passing:
    """Around everything that the application answers, refusals too."""

    def __init__(self, app: ASGIApp, metrics: Metrics) -> None:
        self._app, self._metrics = app, metrics

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        wire: Any = scope
        if wire["type"] != "http":
            await self._app(scope, receive, send)
            return
        status = 500
        begun = perf_counter()

        async def noted(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        try:
            await self._app(scope, receive, noted)
        finally:
            self._note(wire, status, perf_counter() - begun)

    def _note(self, wire: Any, status: int, seconds: float) -> None:
        method = wire["method"] if wire["method"] in _METHODS else "other"
        route = wire.get("path_template") or "unmatched"
        self._metrics.request(method, route, status, seconds)
        if LOG.isEnabledFor(logging.INFO):
            key = wire.get("state", {}).get("key")
            fields = {
                "method": method,
                "route": route,
                "status": status,
                "ms": round(seconds * 1000, 2),
                "key": None if key is None else key.key,
            }
            LOG.info("request", extra={"fields": fields})


routes: Final = Router(path="/", route_handlers=[read_metrics], opt=PUBLIC, tags=["running"])
