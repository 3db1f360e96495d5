"""The README's maintenance system and a service that runs: two at once, answers lost, the service killed."""

import asyncio
import json
import os
import shutil
import signal
import sys
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Final

import pytest

from tests.running import Json, select
from tests.server import make_data_folder
from tests.story.loading import ago, commissioned, event, references
from tests.story.serving import KEY, PROJECT, Served, commanded, outside, post, serving

SCRIPT: Final = PROJECT / "service" / "demo" / "maintenance_system.py"
ORDERS: Final = 12
RUNS_MAX: Final = 4 * ORDERS


@pytest.fixture
def data() -> Iterator[Path]:
    folder = make_data_folder()
    yield folder
    shutil.rmtree(folder)


class System:
    """The script with its name, its store and its key."""

    def __init__(self, served: Served, name: str, folder: Path, token: str = KEY) -> None:
        self.store, self.name, self.token = folder / f"{name}.json", name, token
        self.address = served.address

    async def run(self) -> int:
        environment = outside() | {
            "LEDGER": self.address,
            "STORE": str(self.store),
            "NAME": self.name,
            "KEY": self.token,
        }
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-B", str(SCRIPT), env=environment, stderr=asyncio.subprocess.DEVNULL
        )
        async with asyncio.timeout(60):
            return await process.wait()

    def kept(self) -> Json:
        found: Json = json.loads(self.store.read_text("utf-8"))
        return found

    def numbers(self) -> dict[str, str]:
        return {name: order["planning"]["number"] for name, order in self.kept()["orders"].items()}


def unusable(spindle: str, code: str) -> Json:
    noted = {"component": "nose", "code": code, "unusable": True}
    return event("condition.noted", f"spindles/{spindle}", ago(minutes=60), noted, name=f"{spindle} {code}")


async def load(served: Served) -> None:
    async with served.client() as client:
        for sent in references():
            await post(client, sent)
        for number in range(ORDERS):
            await post(client, commissioned(f"S{number}"))
            await post(client, unusable(f"S{number}", "cracked"))


async def key(served: Served) -> str:
    async with served.client() as client:
        wanted = {"name": "maintenance", "scopes": ["read", "work_orders:write"]}
        token: str = (await client.post("/v1/keys", json=wanted)).json()["token"]
        return token


async def listed(served: Served) -> dict[str, Json]:
    async with served.client() as client:
        found = (await client.get("/v1/work-orders", params={"limit": "1000"})).json()["items"]
        return {each["id"]: each for each in found}


@asynccontextmanager
async def losing_answers(address: str, losses: int) -> AsyncIterator[str]:
    """An address in front of the service that takes changes through and loses the answers of the first of them."""
    host, port = address.removeprefix("http://").split(":")
    left = losses

    async def pass_on(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal left
        there, out = await asyncio.open_connection(host, int(port))
        head = await reader.readuntil(b"\r\n\r\n")
        length = next(
            (int(line.split(b":")[1]) for line in head.split(b"\r\n") if line.lower().startswith(b"content-length")), 0
        )
        out.write(head.replace(b"Connection: keep-alive", b"Connection: close"))
        out.write(await reader.readexactly(length))
        await out.drain()
        answer = await there.read()
        out.close()
        if head.startswith(b"PATCH") and left > 0:
            left -= 1
            writer.transport.abort()
            return
        writer.write(answer)
        await writer.drain()
        writer.close()

    server = await asyncio.start_server(pass_on, "127.0.0.1", 0)
    async with server:
        yield f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}"
    assert left == 0


async def assert_told_once(served: Served) -> None:
    """Each order was opened and taken, and told so: no change twice."""
    sql = "SELECT count(*) AS told, count(DISTINCT id) AS ids FROM kept.notice WHERE type = 'work_order.changed'"
    (row,) = await select(served.database_url, sql)
    assert row["told"] == row["ids"] == 2 * ORDERS


async def test_it_takes_every_order_once_though_answers_are_lost(data: Path) -> None:
    async with serving(data) as served:
        await load(served)
        one = System(served, "A", data, await key(served))
        async with losing_answers(served.address, losses=5) as address:
            one.address = address
            failed = 0
            while await one.run() != 0:
                failed += 1
                assert failed <= RUNS_MAX
            assert failed == 5
        one.address = served.address
        orders = await listed(served)
        assert {name: each["planning"]["number"] for name, each in orders.items()} == {
            name: f"A-{name[-6:]}" for name in orders
        }
        assert len(orders) == ORDERS
        assert one.numbers() == {name: each["planning"]["number"] for name, each in orders.items()}
        await assert_told_once(served)
        before = one.kept()
        assert await one.run() == 0
        assert one.kept() == before, "nothing has changed"
        async with served.client() as client:
            resolved = {"component": "nose", "code": "cracked", "done": "new nose"}
            await post(client, event("condition.resolved", "spindles/S0", ago(minutes=5), resolved))
        assert await one.run() == 0
        (done,) = [each for each in one.kept()["orders"].values() if each["spindle"] == "S0"]
        assert (done["state"], done["proof"]) == ("completed", "given")
        assert await served.told(signal.SIGTERM) == 0


async def test_two_at_once_share_the_orders_and_agree(data: Path) -> None:
    async with serving(data) as served:
        await load(served)
        systems = [System(served, name, data, await key(served)) for name in ("A", "B")]
        assert await asyncio.gather(*(each.run() for each in systems)) == [0, 0]
        assert await asyncio.gather(*(each.run() for each in systems)) == [0, 0]
        orders = await listed(served)
        numbers = {name: each["planning"]["number"] for name, each in orders.items()}
        assert all(number in (f"A-{name[-6:]}", f"B-{name[-6:]}") for name, number in numbers.items())
        assert systems[0].numbers() == systems[1].numbers() == numbers
        await assert_told_once(served)
        assert await served.told(signal.SIGTERM) == 0


async def test_a_killed_service_has_every_plan_it_answered_and_no_order_twice(data: Path) -> None:
    answered: dict[str, tuple[int, str]] = {}

    async def plan(served: Served, name: str) -> None:
        async with served.client() as client:
            for turn in range(1000):
                etag = (await client.get(f"/v1/work-orders/{name}")).headers["etag"]
                body = {"planning": {"number": f"{turn}"}}
                answer = await client.patch(f"/v1/work-orders/{name}", json=body, headers={"If-Match": etag})
                if answer.status_code == 200:
                    answered[name] = turn, answer.json()["planning"]["number"]

    async def note(served: Served, spindle: str) -> None:
        async with served.client() as client:
            for turn in range(1000):
                await post(client, unusable(spindle, f"mark-{turn}"))

    async with serving(data) as served:
        await load(served)
        names = sorted(await listed(served))
        writing = [asyncio.create_task(plan(served, name)) for name in names[:4]]
        writing += [asyncio.create_task(note(served, f"S{number}")) for number in range(4)]
        async with asyncio.timeout(60):
            while len(answered) < 4 or len(await listed(served)) < ORDERS + 20:  # noqa: ASYNC110
                await asyncio.sleep(0.05)
        os.kill(served.process.pid, signal.SIGKILL)
        await asyncio.gather(*writing, return_exceptions=True)
        await served.process.wait()
    async with serving(data) as again:
        orders = await listed(again)
        for name, (turn, _) in answered.items():
            assert int(orders[name]["planning"]["number"]) in (turn, turn + 1), (
                "the last may have been answered to nobody"
            )
        sql = "SELECT count(*) AS rows, max(change) AS last FROM kept.work_order"
        (told,) = await select(again.database_url, sql)
        (number,) = await select(again.database_url, "SELECT change FROM kept.work_order_change")
        assert number["change"] == told["last"]
        (conditions,) = await select(
            again.database_url, "SELECT count(*) AS noted FROM ledger.entry WHERE type = 'condition.noted'"
        )
        assert told["rows"] == conditions["noted"] == len(orders)
        status, said = await commanded(again.database_url, "rebuild")
        assert status == 0, said
        assert await again.told(signal.SIGTERM) == 0


def test_the_readme_shows_the_script_to_the_letter() -> None:
    assert f"```python\n{SCRIPT.read_text('utf-8')}```\n" in (PROJECT / "README.md").read_text("utf-8")
