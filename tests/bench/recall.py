"""A gauge recall over 400 spindles and 20,000 measurements, timed: `python -m tests.bench.recall [spindles] [each]`.

Half as many spindles again are judged by another gauge; they must come out untouched. fsync is on.
"""

import asyncio
import json
import os
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import asyncpg

from service.access import Key
from service.domain.event.envelope import read_event
from service.embedded import EmbeddedServer
from service.postgres import Database
from service.record import QUIET_FOR, record
from service.sweep import sweep_once
from tests.bench.ground import event
from tests.domain import skerrow
from tests.story.loading import mint

NOW = datetime.now(UTC)
WRITERS = 4
UNTOUCHED = "SELECT subject, sequence, settlements, settled_at, health FROM derived.spindle WHERE key LIKE 'other-%'"
JUDGED = "SELECT outcome, count(*) AS number FROM derived.measurement WHERE gauge = 'DG-03' GROUP BY outcome ORDER BY 1"
TOLD = "SELECT count(*) FROM kept.notice WHERE type = 'gauge.suspect'"


def sent(number: str, kind: str, subject: str, data: Any, hours: float) -> Any:
    return read_event(json.dumps(event(number, kind, subject, data, hours=hours)).encode())


def story(name: str, gauge: str, each: int) -> list[Any]:
    """One spindle: commissioned, rebuilt, and measured again and again."""
    subject = f"spindles/{name}"
    place = {"plant": "skerrow", "hall": "1", "machine": name, "position": "1"}
    begun = {"serial": name, "sheet": "SKERROW-A", "counter": {"start": 1000}, **place}
    told = [sent(f"c-{name}", "spindle.commissioned", subject, begun, 24 * 90)]
    for number in range(each):
        depth = skerrow.mm(f"11.4{number % 5}")
        readings = [{"angle": skerrow.q(angle, "deg"), "depth": depth} for angle in ("0", "180")]
        data = {"readings": readings, "gauge": gauge, "gauge_zeroed": True, "draw_bar": "released"}
        told.append(sent(f"m-{name}-{number}", "setting.measured", subject, data, 24 * 80 - number))
    return told


async def load(database: Database, key: Key, stories: list[list[Any]]) -> None:
    queue = iter(stories)

    async def one() -> None:
        for told in queue:
            for each in told:
                await record(database, each, key)

    await asyncio.gather(*(one() for _ in range(WRITERS)))


async def measure(dsn: str, spindles: int, each: int) -> None:
    database = await Database.open(dsn, size=WRITERS + 2)
    watching: Any = await asyncpg.connect(dsn)
    key = await mint(database)
    sheet = skerrow.SHEET | {"valid_from": (NOW - timedelta(days=400)).isoformat()}
    due = (NOW + timedelta(days=200)).date().isoformat()
    first = [sent("sheet", "sheet.issued", "sheets/SKERROW-A", sheet, 24 * 100)]
    for gauge in ("DG-03", "DG-04"):
        first.append(sent(f"r-{gauge}", "gauge.registered", f"gauges/{gauge}", skerrow.GAUGE, 24 * 99))
        calibrated = skerrow.CALIBRATION | {"due": due}
        first.append(sent(f"c-{gauge}", "gauge.calibrated", f"gauges/{gauge}", calibrated, 24 * 98))
    for told in first:
        await record(database, told, key)
    names = [(f"s-{number}", "DG-03") for number in range(spindles)]
    names += [(f"other-{number}", "DG-04") for number in range(spindles // 2)]
    began = time.perf_counter()
    await load(database, key, [story(name, gauge, each) for name, gauge in names])
    # What is loaded as history is told once it has been quiet: that is to be over before anything is measured.
    await asyncio.sleep(QUIET_FOR.total_seconds() + 1)
    await sweep_once(database)
    print(f"loaded {spindles} spindles with {spindles * each:,} measurements in {time.perf_counter() - began:.1f} s")
    before = await watching.fetch(UNTOUCHED)
    found = skerrow.CALIBRATION | {"as_found": skerrow.mm("-0.02"), "due": due}
    began = time.perf_counter()
    await record(database, sent("recall", "gauge.calibrated", "gauges/DG-03", found, 0.1), key)
    entered = time.perf_counter() - began
    settled = await sweep_once(database)
    taken = time.perf_counter() - began
    again = await sweep_once(database)
    print(f"entered in {entered * 1000:.0f} ms; {settled} spindles judged again and told after {taken:.2f} s")
    print("verdicts:", {row["outcome"]: row["number"] for row in await watching.fetch(JUDGED)})
    print("notices:", await watching.fetchval(TOLD), "settled by another sweep:", again)
    print("others untouched:", before == await watching.fetch(UNTOUCHED))
    await watching.close()
    await database.close()


def main(spindles: int = 400, each: int = 50) -> None:
    with tempfile.TemporaryDirectory(dir="/var/tmp" if Path("/var/tmp").is_dir() else None) as folder:
        Path(folder).chmod(0o755)
        with EmbeddedServer(Path(folder) / "data") as server:
            environment = {**os.environ, "DATABASE_URL": server.dsn}
            subprocess.run([sys.executable, "-m", "service", "migrate"], env=environment, check=True)
            asyncio.run(measure(server.dsn, spindles, each))


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3]))
