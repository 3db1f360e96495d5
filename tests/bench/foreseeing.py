"""Foresight: every forecast of ten thousand spindles refreshed, beside reading the same rows and writing as many."""

import asyncio
import time
from datetime import timedelta

import asyncpg
import msgspec
import numpy as np

from service.clocks import Clocks
from service.domain.use_rate import fit
from service.domain.use_series import Exchanged, Readings
from service.domain.week_pattern import hours_of
from service.foresee import Foreseer
from service.postgres import Database
from tests.bench.ground import NOW, Ground, Row, ground

SPINDLES = 10_000
WEEKS = 26
SPINDLES_MADE = """
INSERT INTO derived.spindle (subject, key, plant, hall, machine, position, sheet, lifecycle, health, clearance,
                             sequence, newest_fact, folded, fold, settled_at, log, reasons, changed, moved)
SELECT 1000000 + n, 'foresee-' || n, 'bench', (n % 20)::text, (n / 4)::text, (n % 4)::text, 'S' || n % 5, 'installed',
       'normal', 'cleared', 1, now(), '{}', 2, now(), 1 + n % 16, '{}', 0, 0
FROM generate_series(1, $1::integer) AS n
"""
COUNTERS_MADE = """
INSERT INTO derived.counter (subject, reading, read_at, count, cycles_per_count, max_per_second, takes_readings,
                             plain_after, pushed, watched, heard_at)
SELECT subject, 1000, now(), 1000, 1, 1, true, now(), true, false, now() FROM derived.spindle WHERE plant = 'bench'
"""
FILL = """
INSERT INTO derived.use_fit (subject, through, zones, body)
SELECT subject, now(), 'found out', ($1::json[])[1 + subject % cardinality($1::json[])]
FROM derived.spindle WHERE key LIKE 'foresee-%'
ON CONFLICT (subject) DO UPDATE SET through = excluded.through, zones = excluded.zones, body = excluded.body;
"""
EPISODES = """
INSERT INTO derived.recheck (episode, subject, code, state, due_at, due_count, anchor, body)
SELECT 'bench-' || subject || '-' || n, subject, 'bench-' || n, 'waiting', now() + interval '90 days',
       count + 700 * n * n * n, 1, '{}'
FROM derived.spindle JOIN derived.counter USING (subject), generate_series(1, 3) AS n WHERE key LIKE 'foresee-%'
"""
STALE = """
INSERT INTO derived.use_stale SELECT subject, false, false FROM derived.spindle WHERE key LIKE 'foresee-%'
ON CONFLICT DO NOTHING
"""
BARE_READ = """
SELECT fit.body, counter.count, counter.read_at, recheck.due_count
FROM derived.spindle JOIN derived.counter USING (subject) JOIN derived.use_fit AS fit USING (subject)
JOIN derived.recheck USING (subject) WHERE key LIKE 'foresee-%'
"""
BARE_WRITE = """
CREATE TEMPORARY TABLE bare AS SELECT episode, subject, now() AS a, now() AS b, now() AS c, now() AS d, now() AS e
FROM derived.recheck WHERE episode LIKE 'bench-%'
"""


def _fits() -> tuple[list[str], float]:
    """Fits of twenty different spindles with half a year of hourly readings, and how long one took."""
    random = np.random.default_rng(1)
    begin = int(hours_of(NOW)) - WEEKS * 168
    bodies, seconds = [], 0.0
    for _ in range(20):
        works = (np.arange(WEEKS * 168) // 24 % 7 < 5) * (np.arange(WEEKS * 168) % 24 < 16)
        made = np.cumsum(random.poisson(random.uniform(5, 80) * works)).astype(float)
        found = Readings(hours=begin + np.arange(1, WEEKS * 168 + 1.0), readings=made)
        counter = Exchanged(hour=begin, old_end=None, new_start=0, cycles_per_count=1, modulus=None, max_per_second=1)
        began = time.process_time()
        fitted = fit(found, [counter], [(begin, 1e12)], Clocks().of("bench"))
        seconds += time.process_time() - began
        bodies.append(msgspec.json.encode(fitted).decode())
    return bodies, seconds / 20


async def refreshed(at: Ground) -> Row:
    bodies, one_fit = _fits()
    connection = await asyncpg.connect(at.dsn)
    database = await Database.open(at.dsn, size=2)
    try:
        await connection.execute(SPINDLES_MADE, SPINDLES)
        await connection.execute(COUNTERS_MADE)
        await connection.execute(FILL, bodies)
        await connection.execute(EPISODES)
        foreseer = Foreseer(database, Clocks())
        await connection.execute(STALE)
        began, worked = time.perf_counter(), time.process_time()
        done = await foreseer.once()
        ours, work = time.perf_counter() - began, time.process_time() - worked
        kept = await connection.fetchval("SELECT count(*) FROM derived.expected WHERE episode LIKE 'bench-%'")
        assert (done, kept) == (SPINDLES, 3 * SPINDLES), (done, kept)
        began = time.perf_counter()
        for row in await connection.fetch(BARE_READ):
            msgspec.json.decode(row["body"])
        await connection.execute(BARE_WRITE)
        bare = time.perf_counter() - began
    finally:
        await connection.execute("DELETE FROM derived.spindle WHERE plant = 'bench'")
        await database.close()
        await connection.close()
    print(f"  a fit of {timedelta(weeks=WEEKS).days} days of hourly readings: {one_fit * 1e3:.1f} ms", flush=True)
    print(f"  this process worked {work:.1f} s of the {ours:.1f} s that the refresh took", flush=True)
    return Row(
        name=f"forecasts of {SPINDLES:,} spindles, three rechecks each, refreshed",
        ours=f"{ours:.1f} s",
        bare=f"rows read and written {bare:.1f} s",
        ratio=ours / bare,
        aim="10 s",
    )


MEASURES = (refreshed,)

if __name__ == "__main__":
    with ground() as here:
        print(asyncio.run(refreshed(here)))
