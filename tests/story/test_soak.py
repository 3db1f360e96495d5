"""The soak's short form: three pushers that repeat, reorder, are killed and retry, against a service of its own."""

import asyncio
import os
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.bench.ground import KEY, process
from tests.bench.soak import check, commission, soak
from tests.story.serving import outside


async def test_three_pushers_that_repeat_reorder_and_are_killed_lose_nothing(database_url: str, tmp_path: Path) -> None:
    spindles, minutes = 40, 96
    begins = (datetime.now(UTC) - timedelta(minutes=minutes)).replace(microsecond=0)
    environment = outside() | {"DATABASE_URL": database_url, "SPINDLE_LEDGER_BOOTSTRAP_KEY": KEY}
    serve = [sys.executable, "-m", "service", "serve", "--port", "0", "--without", "deliver"]

    def run() -> None:
        with process(serve, environment) as address:
            asyncio.run(commission(address, spindles, begins))
            soaked = soak(
                address, tmp_path, spindles=spindles, minutes=minutes, begins=begins, pushers=3, kill_every=60
            )
        assert soaked.kills > 0
        assert soaked.counted["duplicate"] > 0
        assert soaked.counted["late"] > 0
        assert soaked.counted.get("refused", 0) == 0

    await asyncio.to_thread(run)
    await check(database_url, spindles=spindles, minutes=minutes, begins=begins)
    assert os.listdir(tmp_path)
