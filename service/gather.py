"""Small calls of one process, gathered and recorded together: one commit for many callers, each answered for itself.

Rules of this file
- Nobody waits while nothing is being recorded: a call that comes alone is taken at once. While a transaction runs,
  calls gather for the next one; after one that held several the next waits up to WAIT_S for those who were answered.
- Nobody is waited for: what another writer holds, what needs thought and what stands behind it goes on by itself, as a
  call of its own, and the others are answered.
- Where a transaction of several fails, each of them is tried alone, so that the failure is its own.
"""

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from typing import Final

from service.count import Answered, count, take_plain, think
from service.postgres import CannotConnect, Database
from service.reading_names import Reading

SMALL: Final = 16
"""Calls with at most so many readings are gathered; larger ones are worth a transaction of their own."""
TOGETHER_MAX: Final = 512
WAIT_S: Final = 0.004
_ALONE_MAX: Final = 4


class _Call:
    """One caller's readings and the answers it waits for."""

    __slots__ = ("answered", "sent")

    def __init__(self, sent: Sequence[Reading]) -> None:
        self.sent = sent
        self.answered: asyncio.Future[list[Answered]] = asyncio.get_running_loop().create_future()

    def answer(self, answers: list[Answered]) -> None:
        if not self.answered.done():
            self.answered.set_result(answers)

    def fail(self, error: BaseException) -> None:
        if not self.answered.done():
            self.answered.set_exception(error)


@asynccontextmanager
async def gathered(database: Database) -> AsyncIterator["Gathering"]:
    """What gathers the small calls of this process, until it ends."""
    gathering = Gathering(database)
    try:
        yield gathering
    finally:
        await gathering.end()


class Gathering:
    """What gathers the small calls of one process on one database."""

    def __init__(self, database: Database) -> None:
        self.database = database
        self._waiting: list[_Call] = []
        self._enough = 0
        self._come = asyncio.Event()
        self._taking: asyncio.Task[None] | None = None
        self._apart: set[asyncio.Task[None]] = set()
        self._room = asyncio.Semaphore(_ALONE_MAX)

    async def count(self, sent: Sequence[Reading]) -> list[Answered]:
        """As `count.count`. A caller that goes away leaves the others what they are."""
        if len(sent) > SMALL:
            return await count(self.database, sent)
        call = _Call(sent)
        self._waiting.append(call)
        if len(self._waiting) >= self._enough > 0:
            self._come.set()
        if self._taking is None:
            self._taking = asyncio.create_task(self._take_all(), name="gathered readings")
        return await call.answered

    async def end(self) -> None:
        """Ends what is left; callers that still wait are not answered, and nothing was promised to them."""
        left = [task for task in (self._taking, *self._apart) if task is not None]
        for task in left:
            task.cancel()
        await asyncio.gather(*left, return_exceptions=True)

    async def _take_all(self) -> None:
        try:
            while self._waiting:
                calls = self._next()
                await self._together(calls)
                await self._gather(len(calls))
        finally:
            self._taking = None

    def _next(self) -> list[_Call]:
        """The calls that have waited longest, as many as go together."""
        readings, many = 0, 0
        for call in self._waiting:
            readings += len(call.sent)
            if readings > TOGETHER_MAX:
                break
            many += 1
        calls, self._waiting = self._waiting[:many], self._waiting[many:]
        return [call for call in calls if not call.answered.done()]

    async def _gather(self, last: int) -> None:
        """Waits a little for as many as have lately come, where those last answered were more than one."""
        if last < 2:
            return
        self._enough = last + len(self._waiting)
        self._come.clear()
        try:
            async with asyncio.timeout(WAIT_S):
                await self._come.wait()
        except TimeoutError:
            pass
        finally:
            self._enough = 0

    async def _together(self, calls: Sequence[_Call]) -> None:
        if len(calls) == 1:
            await self._alone(calls[0])
            return
        sent = [reading for call in calls for reading in call.sent]
        answers: list[Answered] = ["accepted"] * len(sent)
        try:
            taken = await take_plain(self.database, sent, range(len(sent)), answers, wait=False)
        except CannotConnect as error:
            for call in calls:
                call.fail(error)
            return
        except Exception:
            for call in calls:
                self._by_itself(call)
            return
        later = {place for place, _ in taken.thought}.union(taken.again, taken.busy)
        begin = 0
        for call in calls:
            end = begin + len(call.sent)
            left = [place - begin for place in range(begin, end) if place in later] if later else []
            thought = {place - begin: key for place, key in taken.thought if begin <= place < end}
            if left:
                self._by_itself(call, answers[begin:end], left, thought)
            else:
                call.answer(answers[begin:end])
            begin = end

    def _by_itself(
        self,
        call: _Call,
        answers: list[Answered] | None = None,
        left: Sequence[int] = (),
        thought: dict[int, str] | None = None,
    ) -> None:
        """Goes on with one call beside the others: with what is `left` of it, or with the whole."""
        whole = self._alone(call) if answers is None else self._rest(call, answers, left, thought or {})
        task = asyncio.create_task(whole, name="readings of one call")
        self._apart.add(task)
        task.add_done_callback(self._apart.discard)

    async def _alone(self, call: _Call) -> None:
        try:
            async with self._room:
                call.answer(await count(self.database, call.sent))
        except Exception as error:
            call.fail(error)

    async def _rest(self, call: _Call, answers: list[Answered], left: Sequence[int], thought: dict[int, str]) -> None:
        """What needs thought first, then what waited for it or for another writer."""
        try:
            async with self._room:
                for place, spindle in thought.items():
                    answers[place] = await think(self.database, call.sent[place], spindle)
                rest = [place for place in left if place not in thought]
                told = await count(self.database, [call.sent[place] for place in rest]) if rest else []
                for place, answer in zip(rest, told, strict=True):
                    answers[place] = answer
                call.answer(answers)
        except Exception as error:
            call.fail(error)
