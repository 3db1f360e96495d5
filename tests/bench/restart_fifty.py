"""Kills the holder of an embedded server, starts the next at once, many times; prints how long each start took.

    python -m tests.bench.restart_fifty [times, default 50] [holder or server, default holder]

Every round commits a row before the kill, and the next round must find it.
"""

import asyncio
import os
import shutil
import signal
import statistics
import sys
import time

from tests.postgres.held_server import Held, add_row, wait_until_gone
from tests.server import make_data_folder


def measure(times: int, kill: str) -> None:
    data = make_data_folder()
    taken_s: list[float] = []
    pids: list[int] = []
    try:
        held = Held(data).ready()
        for rows in range(1, times + 1):
            found = asyncio.run(add_row(held.dsn))
            if found != rows:
                sys.exit(f"{rows - found} committed rows are missing after {rows - 1} kills")
            pids.append(held.pid)
            if kill == "server":
                os.kill(held.pid, signal.SIGKILL)
                held.ended()
            held.kill()
            began = time.monotonic()
            held = Held(data).ready()
            taken_s.append(time.monotonic() - began)
        pids.append(held.pid)
        assert held.end() == 0
        for pid in pids:
            wait_until_gone(pid)
    finally:
        shutil.rmtree(data, ignore_errors=True)
    print(
        f"{times} kills of the {kill}, {times} starts at once: every server gone, every row there; "
        f"seconds to ready: median {statistics.median(taken_s):.2f}, longest {max(taken_s):.2f}"
    )


if __name__ == "__main__":
    measure(int(sys.argv[1]) if len(sys.argv) > 1 else 50, sys.argv[2] if len(sys.argv) > 2 else "holder")
