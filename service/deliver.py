"""Delivery: claim from the outbox, sign, POST, note the attempt, plan the next. The only caller of other servers.

Rules of this file
- No transaction is open while a POST is on its way; a claim is a lease that runs out by itself.
- What may be called, and how, is `outgoing.py`'s to know.
- Only a whole answer with a status of 2xx is success. Redirects are answers like any other: failures.
- Finished attempts are noted, and new ones claimed, in one transaction a turn, so that a busy dispatcher costs few.
- Some more are claimed than may be on their way, so that posting does not wait for turns. When an attempt fails, what
  its endpoint has waiting here is given back: how it goes on is decided by what was noted.
"""

import asyncio
import logging
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from typing import Final

import aiohttp
from aiohttp.abc import AbstractResolver

from service import outbox
from service.domain.address import Network
from service.domain.breaker import DISABLE_AFTER
from service.domain.refusal import Refusal
from service.domain.retry import SCHEDULE, next_delay, retry_after
from service.domain.signature import sign
from service.outbox import Attempt, Claim, State
from service.outgoing import Caller
from service.postgres import CannotConnect, Database
from service.sealing import Seal

LOG: Final = logging.getLogger(__name__)
ANSWER_BYTES_MAX: Final = 4096
HEADERS_KEPT: Final = ("content-type", "location", "retry-after", "server", "date", "via", "x-request-id")
HEADER_CHARACTERS_MAX: Final = 500
ERROR_CHARACTERS_MAX: Final = 500
LEASE_BEYOND_TIMEOUT: Final = timedelta(seconds=45)
AHEAD: Final = 8
"""So many times what may be on its way is claimed."""
POLL_S: Final = 0.25
PAUSE_S: Final = 1.0


class Dispatcher:
    """Tells the endpoints what waits for them. Several may run at once, in one process or in many.

    `concurrency` bounds the POSTs on their way, so does each endpoint's own for those to it, so that a slow receiver
    holds only its own; `timeout_s` bounds one POST from the look-up of the name to the answer's last byte, in seconds.
    """

    def __init__(
        self,
        database: Database,
        seal: Seal,
        *,
        allowed: Sequence[Network] = (),
        schedule: Sequence[timedelta] = SCHEDULE,
        timeout_s: float = 15.0,
        concurrency: int = 256,
        disable_after: timedelta = DISABLE_AFTER,
        drain_s: float = 5.0,
        resolver: AbstractResolver | None = None,
    ) -> None:
        if not schedule or schedule[0]:
            raise ValueError("a schedule begins with 0: the first attempt follows the notice at once")
        self._database = database
        self._seal = seal
        self._schedule = tuple(schedule)
        self._timeout_s = timeout_s
        self._concurrency = concurrency
        self._disable_after = disable_after
        self._drain_s = drain_s
        self._caller = Caller(allowed, timeout_s=timeout_s, read_bytes=ANSWER_BYTES_MAX, resolver=resolver)
        self._woken = asyncio.Event()
        self._on_the_way = asyncio.Semaphore(concurrency)
        self._lanes: dict[str, _Lane] = {}
        self._stopping = False
        self._given_back: list[Claim] = []
        self._tasks: set[asyncio.Task[None]] = set()
        self._finished: list[Attempt] = []
        self._clock = (datetime.fromtimestamp(0, UTC), 0.0)

    def wake(self) -> None:
        """Something was put: do not wait for the next poll."""
        self._woken.set()

    async def run(self, stop: asyncio.Event) -> None:
        """Delivers until `stop` is set; then lets what is on its way end, for a while, and notes it.

        A database that is away is waited for; what was being sent meanwhile is noted when it is back.
        """
        halt = asyncio.create_task(stop.wait())
        halt.add_done_callback(lambda _: self.wake())
        try:
            async with self._calling():
                while not stop.is_set():
                    self._woken.clear()
                    if not await self._try_turn(claiming=True):
                        await asyncio.wait({halt}, timeout=PAUSE_S)
                        continue
                    try:
                        await asyncio.wait_for(self._woken.wait(), POLL_S)
                    except TimeoutError:
                        continue
                await self._drain()
        finally:
            self._stopping = False
            halt.cancel()

    async def deliver_due(self) -> int:
        """One round: posts what is due now (at most `concurrency`) and notes it; answers how many it posted."""
        async with self._calling():
            await self._turn(claiming=True)
            while self._tasks:
                await asyncio.wait(self._tasks)
            posted = len(self._finished)
            await self._turn(claiming=False)
        return posted

    async def _try_turn(self, *, claiming: bool) -> bool:
        try:
            await self._turn(claiming=claiming)
        except CannotConnect as error:
            LOG.warning("delivery waits for the database: %s", error)
            return False
        except Exception:
            LOG.exception("a round of delivery failed and is tried again")
            return False
        return True

    async def _turn(self, *, claiming: bool) -> None:
        """Notes what has finished and what is given back; when claiming, claims and starts what is due."""
        free = self._concurrency * AHEAD - len(self._tasks) if claiming else 0
        finished = sorted(self._finished, key=lambda each: (each.claim.endpoint, each.claim.notice))
        given_back = list(self._given_back)
        if not finished and not given_back and free <= 0:
            return
        claims: list[Claim] = []
        async with self._database.transaction() as tx:
            self._clock = (tx.now, asyncio.get_running_loop().time())
            await outbox.note_attempts(tx, finished, disable_after=self._disable_after)
            await outbox.give_back(tx, given_back)
            if free > 0:
                lease = timedelta(seconds=self._timeout_s) + LEASE_BEYOND_TIMEOUT
                claims = await outbox.claim(tx, self._seal, limit=free, lease_until=tx.now + lease, ahead=AHEAD)
        del self._finished[: len(finished)]
        del self._given_back[: len(given_back)]
        for claim in claims:
            self._start(claim)

    def _start(self, claim: Claim) -> None:
        lane = self._lanes.get(claim.endpoint)
        if lane is None or lane.at_once != claim.route.at_once:
            lane = self._lanes[claim.endpoint] = _Lane(claim.route.at_once)
        task = asyncio.create_task(self._deliver(claim, lane, lane.failures))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _drain(self) -> None:
        """Waits a while for what is on its way, gives the rest up (its leases run out), and notes what ended."""
        self._stopping = True
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=self._drain_s)
        await self._give_up()
        if self._finished or self._given_back:
            await self._try_turn(claiming=False)

    async def _give_up(self) -> None:
        tasks = tuple(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    @asynccontextmanager
    async def _calling(self) -> AsyncIterator[None]:
        async with self._caller.opened():
            try:
                yield
            finally:
                await self._give_up()

    async def _deliver(self, claim: Claim, lane: "_Lane", failures: int) -> None:
        """Posts once there is room; gives the claim back where its endpoint has failed since, or time is short."""
        try:
            async with lane.slots, self._on_the_way:
                late = self._now() + timedelta(seconds=self._timeout_s) > claim.lease_until
                if self._stopping or late or lane.failures != failures:
                    self._given_back.append(claim)
                    return
                attempt = await self._attempt(claim)
                if attempt.state != "delivered":
                    lane.failures += 1
                self._finished.append(attempt)
        finally:
            self.wake()

    def _now(self) -> datetime:
        """The database's clock: as the last turn read it, and what has passed since."""
        read, at = self._clock
        return read + timedelta(seconds=asyncio.get_running_loop().time() - at)

    async def _attempt(self, claim: Claim) -> Attempt:
        started = self._now()
        answered = _Answered()
        route = claim.route
        try:
            async with self._caller.post(
                route.url,
                claim.body,
                _headers(claim, started),
                certificate=route.certificate,
                certificate_key=route.certificate_key,
                authority=route.authority,
            ) as response:
                answered.status = response.status
                answered.headers = _kept(response.headers)
                if response.status in (429, 503):
                    answered.asked = retry_after(response.headers.get("Retry-After"), self._now())
                answered.body = await _excerpt(response)
        except TimeoutError:
            answered.error = f"timeout: no whole answer within {self._timeout_s:g} s"
        except (aiohttp.ClientError, OSError, ValueError, Refusal) as failure:
            answered.error = _printable(f"{type(failure).__name__}: {failure}")[:ERROR_CHARACTERS_MAX]
        return self._judge(claim, started, answered)

    def _judge(self, claim: Claim, started: datetime, answered: "_Answered") -> Attempt:
        """What an attempt was and what follows from it."""
        now = self._now()
        delay = next_delay(self._schedule, claim.tried + 1, claim.id)
        state: State = "waiting"
        if answered.error is None and answered.status is not None and 200 <= answered.status < 300:
            state = "delivered"
        elif answered.status == 410 or delay is None:
            state = "failed"
        waits = state == "waiting" and delay is not None
        return Attempt(
            claim=claim,
            started=started,
            duration_ms=round((now - started) / timedelta(milliseconds=1)),
            status=answered.status,
            answer=answered.body,
            headers=answered.headers,
            error=answered.error,
            state=state,
            next_attempt=now + max(delay, answered.asked) if waits and delay is not None else None,
            asked=answered.asked,
            disable="it answered 410 Gone" if answered.status == 410 else None,
        )


class _Lane:
    """One endpoint's posts in this process: as many at once as it takes; `failures` tells old claims from new."""

    def __init__(self, at_once: int) -> None:
        self.at_once = at_once
        self.slots = asyncio.Semaphore(at_once)
        self.failures = 0


class _Answered:
    """What came back of one POST, as far as it came; `asked` is how long the receiver asked to be left in peace."""

    def __init__(self) -> None:
        self.status: int | None = None
        self.headers: dict[str, str] | None = None
        self.body: str | None = None
        self.error: str | None = None
        self.asked = timedelta(0)


def _headers(claim: Claim, attempted: datetime) -> dict[str, str]:
    """Standard Webhooks 1.0 ("Webhook headers"), and the content type of a CloudEvent in structured mode."""
    return {
        "Content-Type": "application/cloudevents+json; charset=utf-8",
        "User-Agent": "spindle-ledger",
        "Accept-Encoding": "identity",
        "webhook-id": claim.id,
        "webhook-timestamp": str(int(attempted.timestamp())),
        "webhook-signature": " ".join(
            sign(scheme, secret, claim.id, attempted, claim.body) for scheme, secret in claim.route.signing
        ),
    }


def _kept(headers: Mapping[str, str]) -> dict[str, str]:
    """Those of an answer's headers that tell who answered and what it asks."""
    found = {name: headers.get(name) for name in HEADERS_KEPT}
    return {name: _printable(value)[:HEADER_CHARACTERS_MAX] for name, value in found.items() if value is not None}


def _printable(text: str) -> str:
    """A text that PostgreSQL takes."""
    return text.encode("utf-8", "replace").decode("utf-8").replace("\0", "\ufffd")


async def _excerpt(response: aiohttp.ClientResponse) -> str:
    """The first 4 kB of an answer as text that PostgreSQL takes; more is not read, the connection is closed instead."""
    got = b""
    while len(got) < ANSWER_BYTES_MAX:
        part = await response.content.read(ANSWER_BYTES_MAX - len(got))
        if not part:
            break
        got += part
    if not response.content.at_eof():
        response.close()
    return got.decode("utf-8", "replace").replace("\0", "\ufffd")
