"""For a peer's sight: the same appends through a general event-sourcing library on the same server, in process.

The library (PyPI `eventsourcing`, extra `bench`) keeps an event and notifies followers; it folds no state, judges
nothing and hashes nothing, and it is called here without HTTP. Without the extra the row is left out.
"""

import asyncio
from importlib.util import find_spec
from typing import Any
from urllib.parse import parse_qs, urlsplit

from tests.bench.ground import KEY, Ground, Row, client, commission, event, middle, send, timed

APPENDS = 500


def _environment(dsn: str) -> dict[str, str]:
    parts = urlsplit(dsn)
    asked = parse_qs(parts.query)
    return {
        "PERSISTENCE_MODULE": "eventsourcing.postgres",
        "POSTGRES_DBNAME": parts.path.lstrip("/"),
        "POSTGRES_HOST": asked["host"][0],
        "POSTGRES_PORT": asked["port"][0],
        "POSTGRES_USER": parts.username or "",
        "POSTGRES_PASSWORD": KEY,
    }


def _appends(dsn: str) -> list[float]:
    """Seconds of each append of one event to one of 500 aggregates."""
    from eventsourcing.application import Application
    from eventsourcing.domain import Aggregate
    from eventsourcing.domain import event as told

    class Spindle(Aggregate):
        @told("Exercised")
        def exercise(self, cycles: int, actor: str) -> None:
            self.cycles = getattr(self, "cycles", 0) + cycles
            self.actor = actor

    application: Application[Any] = Application(env=_environment(dsn))
    spindles = [Spindle() for _ in range(APPENDS)]
    for spindle in spindles:
        application.save(spindle)

    async def once(number: int) -> None:
        spindles[number].exercise(3, "b.b. bench")
        application.save(spindles[number])

    seconds = asyncio.run(timed(APPENDS, once))
    application.close()
    return seconds


async def single_events(at: Ground) -> Row | None:
    """None where the library is not installed."""
    if find_spec("eventsourcing") is None:
        return None
    async with client(at.service) as session:
        keys = await commission(session, "peer", APPENDS)

        async def ours(number: int) -> Any:
            said = event(f"peer-{number}", "clamp.exercised", f"spindles/{keys[number]}", {"cycles": 3})
            return await send(session, "/v1/events", said)

        seconds = await timed(APPENDS, ours)
    theirs = await asyncio.to_thread(_appends, at.dsn)
    return Row(
        name="single event over HTTP beside a general library's append in process, p50",
        ours=f"{middle(seconds) * 1e3:.2f} ms",
        bare=f"{middle(theirs) * 1e3:.2f} ms",
        ratio=middle(seconds) / middle(theirs),
        aim="none: for sight",
    )


MEASURES = (single_events,)
