"""How long rehearsing a rule takes: `python -m tests.bench.rehearsing [spindles]`, a year of an invented plant on a
PostgreSQL of its own, beside only folding the same histories; it prints time and memory."""

import asyncio
import resource
import sys
import time
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import msgspec

from service import catalogue, ledger
from service.clocks import Clocks
from service.demo.plant import COUNTERS, SHEETS, make_plant
from service.foresee import Foreseer
from service.postgres import Database, Statement
from service.refold import fold_with
from service.rehearse import Rule, rehearse
from tests.bench.ground import ground
from tests.running import Running, running

WEEKS: Final = 52
_SPINDLES: Final = Statement("spindles", "SELECT subject, key FROM derived.spindle WHERE sheet = 'SKERROW-P'")


async def tell(at: Running, spindles: int) -> datetime:
    """A year in the order of time, all on one sheet, counters read once a day. Answers when it began."""
    begin = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0) - timedelta(weeks=WEEKS)
    plant = make_plant(1, spindles=spindles, weeks=WEEKS, begin=begin, every=timedelta(hours=24))
    waiting: list[Any] = []
    for kind, body in plant.story():
        if kind == "event":
            data = body["data"]
            waiting.append(body | {"data": data | ({"sheet": SHEETS[0]} if data.get("sheet") in SHEETS else {})})
            continue
        if waiting:
            for place in range(0, len(waiting), 500):
                await at.batch(waiting[place : place + 500])
            waiting = []
        answer = await at.client.post("/v1/counter-readings", json=body | {"source": COUNTERS})
        assert answer.status_code == 200, answer.text
    return begin


async def measure(url: str, spindles: int) -> None:
    async with running(url) as at:
        begin = await tell(at, spindles)
        await Foreseer(at.database, Clocks()).once()
        known, facts, bare = await _bare(at.database)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        rules = tuple(
            msgspec.structs.replace(each, after_days=each.after_days and each.after_days // 2)
            for each in known.rechecks
        )
        start, cpu = time.perf_counter(), time.process_time()
        found = await rehearse(
            at.database,
            Rule(
                code=SHEETS[0],
                issued=msgspec.structs.replace(known, rechecks=rules),
                since=begin,
                until=datetime.now(UTC),
                plant=None,
                plants=None,
                costs=None,
            ),
        )
        seconds, cpu = time.perf_counter() - start, time.process_time() - cpu
        more = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
        checks = sum(each.followed.made for each in found.checks.values())
        print(f"{found.spindles} spindles, {facts:,} facts, {checks:,} checks by the rule, {found.caught_summary}")
        print(f"rehearsed in {seconds:.1f} s ({cpu:.1f} s of CPU), {more:.0f} MB more at the most")
        print(f"only folding the same histories {bare:.1f} s; ratio {seconds / bare:.2f}; aim: 500 spindles under 30 s")


async def _bare(database: Database) -> tuple[Any, int, float]:
    """The sheet, how many facts there are, and how long reading and folding them once takes."""
    start, facts = time.perf_counter(), 0
    async with database.transaction(snapshot=True) as tx:
        for row in await tx.rows(_SPINDLES):
            history = await ledger.history(tx, row["subject"])
            known = await catalogue.references(tx, catalogue.names_in(history.facts), share=False)
            await fold_with(tx, row["subject"], row["key"], history, known)
            facts += len(history.facts)
        issued = known.sheets[SHEETS[0]].at(tx.now).issued
    return issued, facts, time.perf_counter() - start


def main() -> None:
    spindles = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    with ground() as at:
        asyncio.run(measure(at.dsn, spindles))


if __name__ == "__main__":
    main()
