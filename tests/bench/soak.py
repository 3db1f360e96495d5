"""A simulated plant that pushes every minute for two days, as fast as it goes: `python -m tests.bench.soak`.

Three pushers repeat, reorder, are killed and retry. At the end every counter must be what it is in truth, every reading
must stand in the ledger once, and a reading must cost at the end what it cost at the start.
"""

import argparse
import asyncio
import json
import random
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import asyncpg
import msgspec
from msgspec import Struct

from service.demo import scenario
from tests.bench.ground import KEY, client, event, ground, send
from tests.bench.pusher import Share, key_of, truth
from tests.running import assert_dense

QUARTERS = 4


class Soaked(Struct, frozen=True, kw_only=True):
    """What came of it. `cost` is a quarter's middle of microseconds for a reading, `counted` what all were answered."""

    readings: int
    seconds: float
    kills: int
    calls: int
    cost: list[float]
    counted: dict[str, int]


async def commission(address: str, spindles: int, begins: datetime) -> None:
    """The plant, a day before it begins to push."""
    hours = (datetime.now(UTC) - begins).total_seconds() / 3600 + 24
    async with client(address) as session:
        sheet = scenario.sheet(datetime.now(UTC))
        await send(session, "/v1/events", event("soak", "sheet.issued", "sheets/SOAK", sheet, hours=hours + 1))
        for begin in range(0, spindles, 1000):
            batch = [
                event(
                    f"commission-{key_of(n)}",
                    "spindle.commissioned",
                    f"spindles/{key_of(n)}",
                    {**scenario.commissioning(key_of(n), "SOAK"), "serial": key_of(n), "counter": {"start": 0}},
                    hours=hours,
                )
                for n in range(begin, min(begin + 1000, spindles))
            ]
            answers = await send(session, "/v1/events", batch, "application/cloudevents-batch+json")
            assert {each["status"] for each in answers} == {"accepted"}, answers[0]


def soak(
    address: str, folder: Path, *, spindles: int, minutes: int, begins: datetime, pushers: int, kill_every: int
) -> Soaked:
    """Lets the pushers push to the end, killing one of them every so many calls; what they said is in their logs."""
    shares = [
        Share(
            address=address,
            key=KEY,
            spindles=spindles,
            minutes=minutes,
            begins=begins,
            pushers=pushers,
            number=number,
            progress=str(folder / f"progress-{number}"),
            log=str(folder / f"log-{number}"),
        )
        for number in range(pushers)
    ]
    began, kills, logs = time.perf_counter(), 0, [Path(share.log) for share in shares]
    running = {share.number: _start(share) for share in shares}
    try:
        while running:
            time.sleep(0.1)
            calls = sum(log.read_bytes().count(b"\n") for log in logs if log.exists())
            for number, process in list(running.items()):
                status = process.poll()
                if status == 0:
                    del running[number]
                elif status is not None and status > 0:
                    raise RuntimeError(f"pusher {number} ended with {status}")
            if running and calls >= (kills + 1) * kill_every:
                number = random.choice(list(running))
                running[number].kill()
                running[number].wait()
                running[number] = _start(shares[number])
                kills += 1
    finally:
        for process in running.values():
            process.kill()
            process.wait()
    told = [call for share in shares for call in _logged(Path(share.log))]
    return _summed(told, spindles * minutes, minutes, time.perf_counter() - began, kills)


def _start(share: Share) -> "subprocess.Popen[bytes]":
    return subprocess.Popen([sys.executable, "-m", "tests.bench.pusher", msgspec.json.encode(share).decode()])


def _logged(log: Path) -> list[Any]:
    """Its calls; a line that a kill has cut short is none."""
    found = []
    for line in log.read_text("utf-8").splitlines():
        try:
            found.append(json.loads(line))
        except json.JSONDecodeError:
            continue
    return found


def _summed(told: list[Any], readings: int, minutes: int, seconds: float, kills: int) -> Soaked:
    quarters: list[list[float]] = [[] for _ in range(QUARTERS)]
    counted: dict[str, int] = {}
    for minute, sent, took, answer in told:
        quarters[minute * QUARTERS // minutes].append(took / sent * 1e6)
        for name, number in answer.items():
            counted[name] = counted.get(name, 0) + number
    cost = [sorted(quarter)[len(quarter) // 2] for quarter in quarters]
    return Soaked(readings=readings, seconds=seconds, kills=kills, calls=len(told), cost=cost, counted=counted)


_COUNTERS = "SELECT key, count, reading FROM derived.counter JOIN ledger.subject USING (subject)"
_EVERY = """
    SELECT subject.key, reading.occurred, reading.reading FROM ledger.reading JOIN ledger.subject USING (subject)
    UNION ALL
    SELECT subject.key, entry.occurred, (entry.data ->> 'count')::bigint
    FROM ledger.entry JOIN ledger.subject USING (subject) WHERE entry.type = 'counter.read'
"""


async def check(dsn: str, *, spindles: int, minutes: int, begins: datetime) -> None:
    """Final counts are the truth, every reading is there, none twice, no stream and no log has a gap."""
    connection = await asyncpg.connect(dsn)
    try:
        rows = await connection.fetch(
            "SELECT key, count, reading FROM derived.counter JOIN ledger.subject USING (subject)"
        )
        last = {key_of(n): truth(n, minutes - 1) for n in range(spindles)}
        assert {row["key"]: row["reading"] for row in rows} == last
        assert {row["key"]: row["count"] for row in rows} == last
        whole = await connection.fetchrow(
            f"SELECT count(*) AS rows, count(DISTINCT (key, occurred)) AS readings FROM ({_EVERY}) AS every"
        )
        assert (whole["rows"], whole["readings"]) == (spindles * minutes,) * 2, whole
        for minute in range(0, minutes, max(1, minutes // 50)):
            at = begins + timedelta(minutes=minute)
            found = await connection.fetch(f"SELECT key, reading FROM ({_EVERY}) AS every WHERE occurred = $1", at)
            assert {row["key"]: row["reading"] for row in found} == {
                key_of(n): truth(n, minute) for n in range(spindles)
            }
    finally:
        await connection.close()
    await assert_dense(dsn)


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--spindles", type=int, default=2000)
    words.add_argument("--minutes", type=int, default=2880)
    words.add_argument("--pushers", type=int, default=3)
    words.add_argument("--kill-every", type=int, default=200, help="calls between kills of a pusher")
    asked = words.parse_args()
    begins = (datetime.now(UTC) - timedelta(minutes=asked.minutes)).replace(microsecond=0)
    size = {"spindles": asked.spindles, "minutes": asked.minutes, "begins": begins}
    with ground() as at, tempfile.TemporaryDirectory() as folder:
        asyncio.run(commission(at.service, asked.spindles, begins))
        soaked = soak(at.service, Path(folder), **size, pushers=asked.pushers, kill_every=asked.kill_every)
        print(
            f"{soaked.readings:,} readings in {soaked.seconds:,.0f} s ({soaked.readings / soaked.seconds:,.0f}/s), "
            f"{soaked.calls:,} calls, {soaked.kills} pushers killed; answered: {soaked.counted}"
        )
        print("microseconds a reading, middle of each quarter's calls:", ", ".join(f"{c:.1f}" for c in soaked.cost))
        asyncio.run(check(at.dsn, **size))
        print("final counts are the truth, every reading stands there once, no stream and no log has a gap")


if __name__ == "__main__":
    main()
