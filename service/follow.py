"""Follows an MTConnect agent: asks it for what is new, keeps that on disk, and sends it to the service's own address.

Rules of this file
- A document is on disk before the place moves on, and leaves the disk when the service has taken it: at least once. The
  service takes each observation once.
- The agent is asked on while the service is away, and the service is sent to while the agent is away.
- What cannot be had any more is said: how many observations, or that the agent restarted.

Requests and errors as in MTConnect Part 1: `current`, `sample` with `from` and `count`, the error OUT_OF_RANGE.
"""

import asyncio
import ssl
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

import aiohttp
from msgspec import Struct

from service.domain.mtconnect import BYTES_MAX, AgentSaidError, DocumentRefusal, Header, read_streams
from service.spool import CannotFollow, Place, Spool, held

Say = Callable[[str], None]
COUNT_MAX: Final = 10_000
BEGUN_MAX: Final = 3
"""How often in a row the oldest is tried to be had."""
TIMEOUT: Final = aiohttp.ClientTimeout(total=60, sock_connect=10)
_NEVER_TAKEN: Final = frozenset({400, 413, 422})
"""Answers to a document that will be the same whenever it is sent."""


class AddressMalformed(CannotFollow):
    """The agent or the service has no address that can be asked."""


class Following(Struct, frozen=True, kw_only=True):
    """What to follow and how. `interval` in seconds, `count` observations a request, `spool_bytes` on disk at most."""

    agent: str
    service: str
    key: str
    spool: Path
    interval: float = 10.0
    count: int = 1000
    spool_bytes: int = 256 * 1024 * 1024
    authorities: Path | None = None


class AgentAway(Exception):
    """The agent does not answer, or nothing that can be read."""


async def follow(following: Following, stop: asyncio.Event, say: Say, *, once: bool = False) -> bool:
    """Follows until it is told to stop, or `once`; answers whether the agent was read and everything sent.

    Raises AddressMalformed, and SpoolInUse or SpoolOfAnother.
    """
    for name, address in (("agent", following.agent), ("service", following.service)):
        parts = urlsplit(address)
        if parts.scheme not in ("http", "https") or not parts.hostname or parts.query or parts.fragment:
            raise AddressMalformed(f"the address of the {name} is http://… or https://…, not {address!r}")
    with held(following.spool, following.spool_bytes) as spool:
        async with _session(following) as session:
            follower = _Follower(following, spool, session, say)
            while not stop.is_set():
                more = await follower.ask()
                sent = await follower.send_all(stop)
                if once and not more:
                    return sent and follower.heard
                if not more:
                    await _wait(stop, following.interval)
            return not spool.waiting()


@asynccontextmanager
async def _session(following: Following) -> AsyncIterator[aiohttp.ClientSession]:
    """Straight to the address that was said: no proxy of the environment, no redirect, every certificate checked."""
    authorities = None if following.authorities is None else str(following.authorities)
    connector = aiohttp.TCPConnector(ssl=ssl.create_default_context(cafile=authorities))
    async with aiohttp.ClientSession(connector=connector, timeout=TIMEOUT, trust_env=False) as session:
        yield session


async def _wait(stop: asyncio.Event, seconds: float) -> None:
    try:
        async with asyncio.timeout(seconds):
            await stop.wait()
    except TimeoutError:
        return


class _Follower:
    """One agent being followed. `_count` falls where the agent's documents are too large."""

    def __init__(self, following: Following, spool: Spool, session: aiohttp.ClientSession, say: Say) -> None:
        self._following, self._spool, self._session, self._say = following, spool, session, say
        self._place = spool.place(following.agent)
        self._count = min(following.count, COUNT_MAX)
        self._said: dict[str, str] = {}
        self._began = 0
        self.heard = False

    def _say_once(self, about: str, text: str) -> None:
        """Says what holds on for long once, until it is over or otherwise."""
        if self._said.get(about) != text:
            self._said[about] = text
            self._say(text)

    async def ask(self) -> bool:
        """One request to the agent; answers whether there is more to be had at once."""
        if not self._spool.takes(BYTES_MAX):
            text = f"the spool is full ({self._spool.size()} bytes): nothing more is asked until the service takes it"
            self._say_once("spool", text)
            return False
        self._said.pop("spool", None)
        try:
            more = await self._ask()
        except AgentAway as away:
            self._say_once("agent", f"the agent cannot be read: {away}")
            self.heard = False
            return False
        self._said.pop("agent", None)
        self.heard = True
        return more

    async def _ask(self) -> bool:
        if self._place is None:
            return await self._begin(None)
        place = self._place
        try:
            document, header, observed = await self._get(f"sample?from={place.next}&count={self._count}")
        except AgentSaidError as error:
            if "OUT_OF_RANGE" not in error.said:
                raise AgentAway(error.detail) from error
            return await self._begin(place)
        except _TooLarge as large:
            if self._count == 1:
                raise AgentAway("one observation makes a document that is too large") from large
            self._count = max(1, self._count // 2)
            return True
        if header.instance != place.instance:
            return await self._begin(place)
        if header.next is None or header.next < place.next:
            raise AgentAway("its document says no nextSequence to go on from")
        self._began = 0
        if observed:
            self._spool.add(document)
        if header.next > place.next:
            self._stand(header.instance, header.next)
        return header.last is not None and header.next <= header.last and header.next > place.next

    async def _begin(self, place: Place | None) -> bool:
        """From the oldest that the agent has: at the start, after its restart, or where it has gone on too far.

        What held just then is kept as well, so that what does not change afterwards is known. Where the oldest has
        gone again before it could be asked for, from the present on.
        """
        try:
            document, header, observed = await self._get("current")
        except (AgentSaidError, _TooLarge) as error:
            raise AgentAway(str(error)) from error
        if header.next is None:
            raise AgentAway("its document says no nextSequence to go on from")
        self._began += 1
        at_present = self._began > BEGUN_MAX or header.first is None
        begin = header.next if at_present else min(header.first or header.next, header.next)
        if not at_present:
            document, observed = await self._held_at(begin, header.instance)
        self._tell_lost(place, header, begin)
        if observed:
            self._spool.add(document)
        self._stand(header.instance, begin)
        return True

    async def _held_at(self, sequence: int, instance: str) -> tuple[bytes, int]:
        """What held at a sequence; nothing where the agent does not say, or has it no more."""
        try:
            document, header, observed = await self._get(f"current?at={sequence}")
        except (AgentSaidError, AgentAway, _TooLarge):
            return b"", 0
        return document, observed if header.instance == instance else 0

    def _tell_lost(self, place: Place | None, header: Header, begin: int) -> None:
        if place is None:
            return
        if header.instance != place.instance:
            self._say(f"the agent restarted: what its run {place.instance} had from {place.next} on may be lost")
        elif begin > place.next:
            self._say(f"{begin - place.next} observations are lost: the agent has {place.next} to {begin - 1} no more")
        elif header.next is not None and header.next < place.next:
            self._say(f"the agent's sequences began anew ({place.next} was next): what it had meanwhile may be lost")

    def _stand(self, instance: str, following: int) -> None:
        self._place = Place(agent=self._following.agent, instance=instance, next=following)
        self._spool.stand(self._place)

    async def _get(self, what: str) -> tuple[bytes, Header, int]:
        """A document with its header and how many observations it has. Raises AgentAway and AgentSaidError."""
        address = f"{self._following.agent.rstrip('/')}/{what}"
        headers = {"Accept": "text/xml, application/xml"}
        try:
            async with self._session.get(address, headers=headers, allow_redirects=False) as answer:
                document = await answer.content.read(BYTES_MAX + 1)
                while len(document) <= BYTES_MAX and (more := await answer.content.read(BYTES_MAX + 1 - len(document))):
                    document += more
        except (aiohttp.ClientError, TimeoutError, OSError) as error:
            raise AgentAway(f"{type(error).__name__}: {error}") from error
        if len(document) > BYTES_MAX:
            raise _TooLarge
        try:
            streams = await asyncio.to_thread(read_streams, document)
        except AgentSaidError:
            raise
        except DocumentRefusal as refused:
            raise AgentAway(f"it answers {answer.status}: {refused.detail}") from refused
        return document, streams.header, len(streams.observed)

    async def send_all(self, stop: asyncio.Event) -> bool:
        """Sends what waits, the oldest first, as far as the service takes it; answers whether nothing is left."""
        for document in self._spool.waiting():
            if stop.is_set() or not await self._send(document):
                return False
        return True

    async def _send(self, document: Path) -> bool:
        """Whether this document is done with: taken, or refused for good."""
        address = f"{self._following.service.rstrip('/')}/v1/ingest/mtconnect"
        headers = {"Authorization": f"Bearer {self._following.key}", "Content-Type": "application/xml"}
        body = await asyncio.to_thread(document.read_bytes)
        try:
            async with self._session.post(address, data=body, headers=headers, allow_redirects=False) as answer:
                status, said = answer.status, (await answer.content.read(400)).decode("utf-8", "replace")
        except (aiohttp.ClientError, TimeoutError, OSError) as error:
            self._say_once("service", f"the service is away, documents wait on disk: {type(error).__name__}: {error}")
            return False
        if status == 200:
            self._said.pop("service", None)
            self._spool.remove(document)
            return True
        if status in _NEVER_TAKEN:
            self._say(f"refused and put aside as {self._spool.refuse(document)}: {status} {said}")
            return True
        self._say_once("service", f"the service answers {status}, documents wait on disk: {said}")
        return False


class _TooLarge(Exception):
    """A document beyond what one may be."""
