"""Delivery: claim from the outbox, sign, POST, note the attempt, plan the next. The only caller of other servers.

Rules of this file
- No transaction is open while a POST is on its way; a claim is a lease that runs out by itself.
- Every socket is made by `_Gate.make_socket`, which sees the address that is really connected to. Names are checked
  once more when they resolve: one forbidden address among several refuses the name.
- Only a whole answer with a status of 2xx is success. Redirects are answers like any other: failures.
- Finished attempts are noted, and new ones claimed, in one transaction a turn, so that a busy dispatcher costs few.
"""

import asyncio
import errno
import logging
import socket
from collections import Counter
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from typing import Any, Final, TypeAlias

import aiohttp
from aiohttp.abc import AbstractResolver, ResolveResult

from service import outbox
from service.domain.address import EVERY_NETWORK, AddressRefused, Network, UrlMalformed, address_rule, target_of
from service.domain.refusal import Refusal
from service.domain.retry import SCHEDULE, next_delay, retry_after
from service.domain.signature import sign_v1
from service.outbox import Attempt, Claim, State
from service.postgres import CannotConnect, Database

LOG: Final = logging.getLogger(__name__)
ANSWER_BYTES_MAX: Final = 4096
ERROR_CHARACTERS_MAX: Final = 500
LEASE_BEYOND_TIMEOUT: Final = timedelta(seconds=45)
POLL_S: Final = 0.25
PAUSE_S: Final = 1.0
LOOKUP_S: Final = 3.0


_Sessions: TypeAlias = dict[bool, aiohttp.ClientSession]
"""By whether they speak http without TLS."""


class AddressClosed(OSError):
    """The address a name led to may not be called."""

    def __init__(self, address: str, rule: str) -> None:
        super().__init__(errno.EACCES, f"{AddressRefused.code}: {address} (rule {rule})")
        self.address, self.rule = address, rule


class _Gate(AbstractResolver):
    """Where sockets are made and names resolved for one scheme: closed to what `address_rule` refuses."""

    def __init__(self, allowed: Sequence[Network], *, plain: bool, resolver: AbstractResolver) -> None:
        self._allowed = allowed
        self._plain = plain
        self._resolver = resolver

    def check(self, address: str) -> None:
        rule = address_rule(address, self._allowed, plain=self._plain)
        if rule is not None:
            raise AddressClosed(address, rule)

    def make_socket(self, info: tuple[Any, Any, int, str, tuple[Any, ...]]) -> socket.socket:
        family, kind, protocol, _, address = info
        self.check(str(address[0]))
        return socket.socket(family, kind, protocol)

    async def resolve(
        self, host: str, port: int = 0, family: socket.AddressFamily = socket.AF_UNSPEC
    ) -> list[ResolveResult]:
        found = await self._resolver.resolve(host, port, family)
        for one in found:
            self.check(one["host"])
        return found

    async def close(self) -> None:
        """The resolver belongs to whoever made it."""


async def check_target(
    url: str, allowed: Sequence[Network], *, resolver: AbstractResolver | None = None, pointer: str = "/url"
) -> None:
    """Refuses a URL that could never be posted to, as far as can be known now: each connect is checked again.

    A name that does not resolve now is taken over https (it is retried like any failure) and refused over http,
    which is for allowed addresses only. Raises UrlMalformed, UrlHasCredentials or AddressRefused.
    """
    target = target_of(url, pointer)
    gate = _Gate(allowed, plain=target.plain, resolver=resolver or aiohttp.ThreadedResolver())
    try:
        if ":" in target.host:
            gate.check(target.host)
            return
        async with asyncio.timeout(LOOKUP_S):
            await gate.resolve(target.host, target.port)
    except AddressClosed as closed:
        raise AddressRefused(_refused(closed, plain=target.plain), pointer=pointer) from closed
    except UnicodeError as error:
        raise UrlMalformed(f"{target.host} is no host name", pointer=pointer) from error
    except OSError as error:
        if target.plain:
            text = f"{target.host} does not resolve, and {_PLAIN} (rule plain_http)"
            raise AddressRefused(text, pointer=pointer) from error


_PLAIN: Final = "http without TLS goes to networks that SPINDLE_LEDGER_WEBHOOK_CIDRS names, and to no other"


def _refused(closed: AddressClosed, *, plain: bool) -> str:
    """Why an address may not be called, and what opens it where anything does."""
    text = f"{closed.address} (rule {closed.rule}) may not be called"
    if closed.rule == "plain_http":
        return f"{text}: {_PLAIN}; https goes there"
    if address_rule(closed.address, EVERY_NETWORK, plain=plain) is None:
        return f"{text}: it is not public; SPINDLE_LEDGER_WEBHOOK_CIDRS names networks that may be called all the same"
    return f"{text}: nothing opens such an address"


class Dispatcher:
    """Tells the endpoints what waits for them. Several may run at once, in one process or in many.

    `concurrency` bounds the POSTs on their way, `per_endpoint` those to one endpoint, so that a slow receiver holds
    only its own; `timeout_s` bounds one POST from the look-up of the name to the answer's last byte, in seconds.
    """

    def __init__(
        self,
        database: Database,
        *,
        allowed: Sequence[Network] = (),
        schedule: Sequence[timedelta] = SCHEDULE,
        timeout_s: float = 15.0,
        concurrency: int = 256,
        per_endpoint: int = 8,
        drain_s: float = 5.0,
        resolver: AbstractResolver | None = None,
    ) -> None:
        if not schedule or schedule[0]:
            raise ValueError("a schedule begins with 0: the first attempt follows the notice at once")
        self._database = database
        self._allowed = tuple(allowed)
        self._schedule = tuple(schedule)
        self._timeout_s = timeout_s
        self._concurrency = concurrency
        self._per_endpoint = per_endpoint
        self._drain_s = drain_s
        self._resolver = resolver
        self._woken = asyncio.Event()
        self._busy: Counter[str] = Counter()
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
            async with self._sessions() as sessions:
                while not stop.is_set():
                    self._woken.clear()
                    if not await self._try_turn(sessions):
                        await asyncio.wait({halt}, timeout=PAUSE_S)
                        continue
                    try:
                        await asyncio.wait_for(self._woken.wait(), POLL_S)
                    except TimeoutError:
                        continue
                await self._drain()
        finally:
            halt.cancel()

    async def deliver_due(self) -> int:
        """One round: posts what is due now (at most `concurrency`) and notes it; answers how many it posted."""
        async with self._sessions() as sessions:
            started = await self._turn(sessions)
            while self._tasks:
                await asyncio.wait(self._tasks)
            await self._turn(None)
        return started

    async def _try_turn(self, sessions: _Sessions | None) -> bool:
        try:
            await self._turn(sessions)
        except CannotConnect as error:
            LOG.warning("delivery waits for the database: %s", error)
            return False
        except Exception:
            LOG.exception("a round of delivery failed and is tried again")
            return False
        return True

    async def _turn(self, sessions: _Sessions | None) -> int:
        """Notes what has finished and, with sessions, claims and starts what is due; answers how many it started."""
        free = 0 if sessions is None else self._concurrency - len(self._tasks)
        finished = sorted(self._finished, key=lambda each: (each.claim.endpoint, each.claim.notice))
        if not finished and free <= 0:
            return 0
        claims: list[Claim] = []
        async with self._database.transaction() as tx:
            self._clock = (tx.now, asyncio.get_running_loop().time())
            await outbox.note_attempts(tx, finished)
            if free > 0:
                lease = timedelta(seconds=self._timeout_s) + LEASE_BEYOND_TIMEOUT
                claims = await outbox.claim(
                    tx, limit=free, lease_until=tx.now + lease, per_endpoint=self._per_endpoint, busy=self._busy
                )
        del self._finished[: len(finished)]
        if sessions is None:
            return 0
        for claim in claims:
            self._busy[claim.endpoint] += 1
            task = asyncio.create_task(self._deliver(sessions, claim))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)
        return len(claims)

    async def _drain(self) -> None:
        """Waits a while for what is on its way, gives the rest up (its leases run out), and notes what ended."""
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=self._drain_s)
        await self._give_up()
        if self._finished:
            await self._try_turn(None)

    async def _give_up(self) -> None:
        tasks = tuple(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    @asynccontextmanager
    async def _sessions(self) -> AsyncIterator[_Sessions]:
        """One session for https and one for http, each with its own gate; nothing comes from the environment."""
        resolver = self._resolver or aiohttp.ThreadedResolver()
        encrypted, plain = (
            self._session(_Gate(self._allowed, plain=each, resolver=resolver)) for each in (False, True)
        )
        async with encrypted, plain:
            try:
                yield {False: encrypted, True: plain}
            finally:
                await self._give_up()

    def _session(self, gate: _Gate) -> aiohttp.ClientSession:
        return aiohttp.ClientSession(
            connector=aiohttp.TCPConnector(socket_factory=gate.make_socket, resolver=gate, limit=0),
            cookie_jar=aiohttp.DummyCookieJar(),
            timeout=aiohttp.ClientTimeout(total=self._timeout_s),
            auto_decompress=False,
            read_bufsize=ANSWER_BYTES_MAX,
            trust_env=False,
        )

    async def _deliver(self, sessions: _Sessions, claim: Claim) -> None:
        try:
            self._finished.append(await self._attempt(sessions, claim))
        finally:
            self._busy[claim.endpoint] -= 1
            if not self._busy[claim.endpoint]:
                del self._busy[claim.endpoint]
            self.wake()

    def _now(self) -> datetime:
        """The database's clock: as the last turn read it, and what has passed since."""
        read, at = self._clock
        return read + timedelta(seconds=asyncio.get_running_loop().time() - at)

    async def _attempt(self, sessions: _Sessions, claim: Claim) -> Attempt:
        started = self._now()
        status: int | None = None
        answer: str | None = None
        error: str | None = None
        wait = timedelta(0)
        try:
            async with sessions[target_of(claim.url).plain].post(
                claim.url, data=claim.body, headers=_headers(claim, started), allow_redirects=False
            ) as response:
                status = response.status
                if status in (429, 503):
                    wait = retry_after(response.headers.get("Retry-After"), self._now())
                answer = await _excerpt(response)
        except TimeoutError:
            error = f"timeout: no whole answer within {self._timeout_s:g} s"
        except (aiohttp.ClientError, OSError, ValueError, Refusal) as failure:
            error = f"{type(failure).__name__}: {failure}".replace("\0", "\ufffd")[:ERROR_CHARACTERS_MAX]
        return self._judge(claim, started, status=status, answer=answer, error=error, wait=wait)

    def _judge(
        self,
        claim: Claim,
        started: datetime,
        *,
        status: int | None,
        answer: str | None,
        error: str | None,
        wait: timedelta,
    ) -> Attempt:
        """What an attempt was and what follows from it; `wait` is what the receiver asked for."""
        now = self._now()
        delay = next_delay(self._schedule, claim.attempts + 1, claim.id)
        state: State = "waiting"
        if error is None and status is not None and 200 <= status < 300:
            state = "delivered"
        elif status == 410 or delay is None:
            state = "failed"
        return Attempt(
            claim=claim,
            started=started,
            duration_ms=round((now - started) / timedelta(milliseconds=1)),
            status=status,
            answer=answer,
            error=error,
            state=state,
            next_attempt=now + max(delay, wait) if state == "waiting" and delay is not None else None,
            disable="it answered 410 Gone" if status == 410 else None,
        )


def _headers(claim: Claim, attempted: datetime) -> dict[str, str]:
    """Standard Webhooks 1.0 ("Webhook headers"), and the content type of a CloudEvent in structured mode."""
    return {
        "Content-Type": "application/cloudevents+json; charset=utf-8",
        "User-Agent": "spindle-ledger",
        "Accept-Encoding": "identity",
        "webhook-id": claim.id,
        "webhook-timestamp": str(int(attempted.timestamp())),
        "webhook-signature": sign_v1(claim.secret, claim.id, attempted, claim.body),
    }


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
