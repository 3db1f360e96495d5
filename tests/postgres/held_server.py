"""Starts, kills and watches processes that hold an embedded server, from outside, as an operator's machine would."""

import json
import os
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Self

import asyncpg

PROJECT = Path(__file__).parents[2]
_GONE_S = 20.0


class Held:
    """One holding process: `ready()` waits for its server, `end()` closes it in order, `kill()` does not."""

    def __init__(
        self, data: Path, *, before: Sequence[str] = (), python: str = sys.executable, paths: Sequence[Path] = ()
    ) -> None:
        self.data = data
        self.pid = 0
        self.dsn = ""
        environment = {"PATH": os.defpath, "PYTHONPATH": os.pathsep.join(str(path) for path in (*paths, PROJECT))}
        self.process = subprocess.Popen(
            [*before, python, "-B", str(Path(__file__).with_name("hold_server.py")), str(data)],
            env=environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        """Leave nothing behind, also where a test failed half-way."""
        self.kill()
        if self.pid:
            wait_until_gone(self.pid)
        for pipe in (self.process.stdin, self.process.stdout, self.process.stderr):
            if pipe is not None and not pipe.closed:
                pipe.close()

    def ready(self) -> Self:
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, f"no server: {self.ended()}"
        told: Mapping[str, str | int] = json.loads(line)
        self.pid, self.dsn = int(told["pid"]), str(told["dsn"])
        return self

    def end(self) -> int:
        """Close in order and return the exit status."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        return self.process.wait(60)

    def ended(self) -> tuple[int, str]:
        """Return the exit status and the sentence of a process that ends by itself."""
        assert self.process.stderr is not None
        said = self.process.stderr.read().strip()
        return self.process.wait(60), said

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()


def gone(pid: int) -> bool:
    """Say whether a process has ended: it is unknown, or has given up its memory and can do no more.

    The last includes one that only waits to be counted out by its parent, and one on its way there.
    """
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    except PermissionError:
        pass
    words = Path(f"/proc/{pid}/cmdline")
    try:
        return Path("/proc/self").exists() and not words.read_bytes()
    except (FileNotFoundError, ProcessLookupError):
        return True


def wait_until_gone(pid: int) -> None:
    end = time.monotonic() + _GONE_S
    while not gone(pid):
        assert time.monotonic() < end, f"the server, process {pid}, was left behind"
        time.sleep(0.02)


async def add_row(dsn: str) -> int:
    """Commit one row and return how many there are."""
    connection = await asyncpg.connect(dsn)
    try:
        await connection.execute("CREATE TABLE IF NOT EXISTS kept (n bigint GENERATED ALWAYS AS IDENTITY)")
        await connection.execute("INSERT INTO kept DEFAULT VALUES")
        return int(await connection.fetchval("SELECT count(*) FROM kept"))
    finally:
        await connection.close()
