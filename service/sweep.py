"""Time passes: settles the spindles whose next look is past or that an entry reached, and keeps foresight beside it."""

import asyncio
import logging
from typing import Final

from service import ledger, projections, recall
from service.clocks import Clocks
from service.domain.spindle import FOLD_VERSION
from service.foresee import Foreseer
from service.postgres import CannotConnect, Database
from service.record import load_folded, settle_again, settle_time

LOG: Final = logging.getLogger(__name__)
PORTION: Final = 200
EVERY_S: Final = 1.0
WEEKS_AHEAD: Final = 9
WEEKS_EVERY: Final = 3600
FORESEE_EVERY_S: Final = 5.0
PORTIONS_A_ROUND: Final = 20


async def sweep_once(database: Database) -> int:
    """One round: every spindle that waits is settled, a transaction each. Answers how many were.

    A spindle that cannot be settled is logged and left for the next round; it holds up no other.
    """
    settled: set[int] = set()
    while True:
        async with database.transaction() as tx:
            done = sorted(settled)
            reached = await tx.rows(projections.SQL["waiting_to_settle"], done=done, limit=PORTION)
            late = await tx.rows(projections.SQL["to_look_at"], now=tx.now, done=done, limit=PORTION)
        waiting = sorted({row["subject"] for row in (*reached, *late)})
        for subject in waiting:
            await _settle_or_log(database, subject)
        settled.update(waiting)
        if not waiting:
            async with database.transaction() as tx:
                await recall.announce(tx)
            return len(settled)


async def fold_again(database: Database) -> int:
    """Folds anew every state that an older release folded, a transaction each. Answers how many there were."""
    folded, after = 0, 0
    while True:
        async with database.transaction() as tx:
            rows = await tx.rows(projections.SQL["folded_before"], fold=FOLD_VERSION, after=after, limit=PORTION)
        for row in rows:
            after = row["subject"]
            await _settle_or_log(database, after)
        folded += len(rows)
        if not rows:
            return folded


async def _settle_or_log(database: Database, subject: int) -> None:
    try:
        await settle(database, subject)
    except CannotConnect:
        raise
    except Exception:
        LOG.exception("spindle with subject %s could not be settled; the next round tries again", subject)


async def settle(database: Database, subject: int) -> None:
    """One spindle, after its lock: by its history where something reached it, by the clock where only time passed."""
    async with database.transaction() as tx:
        await ledger.lock_number(tx, subject)
        key = await tx.value(projections.SQL["key_of"], subject=subject)
        causes = [row["cause"] for row in await tx.rows(projections.SQL["take_tickets"], subject=subject)]
        if key is None:
            return
        stored = await load_folded(tx, subject, key)
        if stored is None:
            return
        time_passed = stored.next_look is not None and stored.next_look <= tx.now
        if causes:
            # While history arrives, a gauge's entry in the midst of it must not announce what lies half told.
            tell = time_passed or not stored.untold
            earlier = await recall.before(tx, subject, causes)
            seen = await settle_again(tx, subject, key, cause="+".join(sorted(set(causes))), tell=tell)
            if earlier is not None:
                await recall.note(tx, subject, earlier, seen)
        elif time_passed:
            await settle_time(tx, subject, stored)


async def sweep(database: Database, stop: asyncio.Event, clocks: Clocks) -> None:
    """Settles and foresees until `stop` is set."""
    await asyncio.gather(_settle_on(database, stop), _foresee_on(database, stop, clocks))


async def _foresee_on(database: Database, stop: asyncio.Event, clocks: Clocks) -> None:
    """Forecasts, kept behind the writers; beside settling, which must not wait for them."""
    foreseer = Foreseer(database, clocks)
    while not stop.is_set():
        try:
            await foreseer.once(portions=PORTIONS_A_ROUND)
        except CannotConnect as error:
            LOG.warning("the database is away: %s", error)
        except Exception:
            LOG.exception("foresight failed; the next round tries again")
        await _pause(stop, FORESEE_EVERY_S)


async def _pause(stop: asyncio.Event, seconds: float) -> None:
    try:
        async with asyncio.timeout(seconds):
            await stop.wait()
    except TimeoutError:
        return


async def _settle_on(database: Database, stop: asyncio.Event) -> None:
    """Sweeps until `stop` is set; at its start and every hour makes weeks ahead and folds what an older release did."""
    rounds = 0
    while not stop.is_set():
        try:
            if rounds % WEEKS_EVERY == 0:
                async with database.transaction() as tx:
                    await tx.value(ledger.SQL["make_weeks"], ahead=WEEKS_AHEAD)
                await fold_again(database)
            await sweep_once(database)
        except CannotConnect as error:
            LOG.warning("the database is away: %s", error)
        except Exception:
            LOG.exception("a sweep failed; the next one tries again")
        rounds += 1
        await _pause(stop, EVERY_S)
