"""The MES pusher that the README shows: it pushes, is told what was not accepted, and outlives a service away."""

import asyncio
import json
import socket
import sys

import pytest

from tests.bench.ground import KEY, process
from tests.running import Json, running, select
from tests.story.serving import PROJECT, outside
from tests.story.test_bulk_counters import commission

SCRIPT = PROJECT / "service" / "demo" / "push_counts.py"


def test_the_readme_shows_it_to_the_letter() -> None:
    text = SCRIPT.read_text("utf-8")
    assert f"```python\n{text}```" in (PROJECT / "README.md").read_text("utf-8")
    code = [line for line in text.splitlines() if line and not line.startswith(('"""', "import", "from"))]
    assert len(code) <= 20


async def push(address: str, counters: Json, key: str = KEY) -> tuple[int | None, str, str]:
    pusher = await asyncio.create_subprocess_exec(
        *(sys.executable, str(SCRIPT), address, key),
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    try:
        async with asyncio.timeout(60):
            said, wrong = await pusher.communicate(json.dumps(counters).encode())
    finally:
        if pusher.returncode is None:
            pusher.kill()
    return pusher.returncode, said.decode(), wrong.decode()


@pytest.mark.parametrize("away_first", [False, True])
async def test_it_pushes_also_where_the_service_comes_later(database_url: str, away_first: bool) -> None:
    async with running(database_url) as ledger:
        await commission(ledger, ["A", "B"])
    environment = outside() | {"DATABASE_URL": database_url, "SPINDLE_LEDGER_BOOTSTRAP_KEY": KEY}
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = str(probe.getsockname()[1])
    address, sent = f"http://127.0.0.1:{port}", {"A": 118_300, "M-B/1": 118_301, "NOBODY": 4}
    pushing = asyncio.create_task(push(address, sent)) if away_first else None
    await asyncio.sleep(1.0 if away_first else 0)
    serve = [sys.executable, "-m", "service", "serve", "--port", port, "--without", "sweep,deliver"]
    serving = process(serve, environment)
    await asyncio.to_thread(serving.__enter__)
    try:
        status, said, wrong = await (pushing or push(address, sent))
        assert status == 0, wrong
        told = json.loads(said)
        assert (told["accepted"], [each["key"] for each in told["items"]]) == (2, ["NOBODY"])
        assert (await push(address, sent, "no key of ours"))[0] == 1, "a refusal is not tried again for ever"
    finally:
        await asyncio.to_thread(serving.__exit__, None, None, None)
    rows = await select(database_url, "SELECT reading FROM derived.counter ORDER BY reading")
    assert [row["reading"] for row in rows] == [118_300, 118_301]


def test_the_script_needs_nothing_but_python() -> None:
    imported = {
        line.split()[1].partition(".")[0]
        for line in SCRIPT.read_text("utf-8").splitlines()
        if line.startswith(("import ", "from "))
    }
    assert imported <= set(sys.stdlib_module_names)
