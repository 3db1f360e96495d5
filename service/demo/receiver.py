"""A webhook receiver of the demo's own, on loopback: takes a notice only where its signature holds."""

import asyncio
import hmac
import json
from datetime import UTC, datetime
from typing import Any

from aiohttp import web

from service.domain.signature import secret_bytes, sign


class Receiver:
    """Listens on a free port of 127.0.0.1. `taken` holds the bodies whose signature held, by notice id."""

    def __init__(self) -> None:
        self.taken: dict[str, dict[str, Any]] = {}
        self.secret: str | None = None
        self._arrived = asyncio.Condition()
        self._runner: web.AppRunner | None = None

    async def start(self) -> str:
        """Starts listening; answers the URL to register."""
        app = web.Application()
        app.router.add_post("/notices", self._take)
        self._runner = web.AppRunner(app)
        await self._runner.setup()
        site = web.TCPSite(self._runner, "127.0.0.1", 0)
        await site.start()
        port = self._runner.addresses[0][1]
        return f"http://127.0.0.1:{port}/notices"

    async def stop(self) -> None:
        if self._runner is not None:
            await self._runner.cleanup()

    async def _take(self, request: web.Request) -> web.Response:
        body = await request.read()
        notice, sent_at = request.headers.get("webhook-id", ""), request.headers.get("webhook-timestamp", "")
        if self.secret is None or not sent_at.isdigit():
            return web.Response(status=401)
        expected = sign("v1", secret_bytes(self.secret), notice, datetime.fromtimestamp(int(sent_at), UTC), body)
        offered = request.headers.get("webhook-signature", "").split()
        if not any(hmac.compare_digest(expected, each) for each in offered):
            return web.Response(status=401)
        async with self._arrived:
            self.taken[notice] = json.loads(body)
            self._arrived.notify_all()
        return web.Response(status=204)

    async def of_type(self, notice_type: str, *, within_s: float = 20.0) -> dict[str, Any]:
        """The newest verified notice of a type, waiting for it. Raises TimeoutError."""

        def newest() -> dict[str, Any] | None:
            return next((each for each in reversed(self.taken.values()) if each["type"] == notice_type), None)

        async with asyncio.timeout(within_s), self._arrived:
            await self._arrived.wait_for(lambda: newest() is not None)
        found = newest()
        assert found is not None
        return found
