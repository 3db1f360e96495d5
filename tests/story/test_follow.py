"""The follower: between an agent that restarts and forgets and a service that goes away, nothing is counted twice."""

import asyncio
import re
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import timedelta
from pathlib import Path
from random import Random
from typing import Any

import pytest
from msgspec.structs import replace

from service.follow import AddressMalformed, Following, follow
from service.spool import Place, SpoolInUse, SpoolOfAnother, held
from tests.running import BOOTSTRAP, Running, running
from tests.story.agent import Agent, Door, listening
from tests.story.day_one import ENDED
from tests.story.serving import PROJECT, outside
from tests.story.test_mtconnect import commission, tie

BEGIN = ENDED + timedelta(hours=1)


class Plant:
    """An agent, a service with one spindle that the agent's chuck counts for, and a spool between them."""

    def __init__(self, agent: Agent, door: Door, ledger: Running, spool: Path) -> None:
        self.agent, self.door, self.ledger, self.spool = agent, door, ledger, spool
        self.said: list[str] = []
        self.cycles = 0

    def clamp(self, times: int, *, after: float = 2.0) -> None:
        for _ in range(times):
            self.agent.say("ChuckState", "chuck", "OPEN", after=after)
            self.agent.say("Load", "load", 7, after=0)
            self.agent.say("ChuckState", "chuck", "CLOSED", after=after)
        self.cycles += times

    def following(self, **changes: Any) -> Following:
        whole = Following(agent=self.agent.url, service=self.door.url, key=BOOTSTRAP, spool=self.spool, count=20)
        return replace(whole, **changes)

    async def once(self, **changes: Any) -> bool:
        self.said = []
        return await follow(self.following(**changes), asyncio.Event(), self.said.append, once=True)

    async def counted(self) -> int:
        count: int = (await self.ledger.spindle())["count"]
        return count - 100

    def waiting(self) -> int:
        return len(list(self.spool.glob("0*.xml")))


@asynccontextmanager
async def plant(url: str, spool: Path, **agent: Any) -> AsyncIterator[Plant]:
    async with running(url) as ledger:
        await commission(ledger)
        await tie(ledger, "chuck", "transition", states=["CLOSED"])
        one, door = Agent(BEGIN, **agent), Door(ledger)
        async with listening(one, door):
            yield Plant(one, door, ledger, spool)


async def test_everything_of_an_agent_is_counted_once(database_url: str, tmp_path: Path) -> None:
    async with plant(database_url, tmp_path / "spool") as it:
        it.clamp(50)
        assert await it.once()
        assert (await it.counted(), it.said, it.waiting()) == (50, [], 0)
        assert await it.once()
        it.clamp(7)
        assert await it.once()
        assert await it.counted() == 57
        types = [each["type"] for each in await it.ledger.history()]
        assert "counter.missed" not in types, "in order, so read as a counter is"


@pytest.mark.parametrize("old", [False, True])
async def test_an_agent_that_restarts_is_followed_on(database_url: str, tmp_path: Path, old: bool) -> None:
    async with plant(database_url, tmp_path / "spool", old=old) as it:
        it.clamp(20)
        await it.once()
        it.agent.restart()
        it.clamp(5)
        assert await it.once()
        assert await it.counted() == 25
        assert [line.partition(":")[0] for line in it.said] == ["the agent restarted"]
        it.agent.restart()
        it.clamp(90)
        assert await it.once(), "its sequences are past where the run before had stood"
        assert await it.counted() == 115


@pytest.mark.parametrize("old", [False, True])
async def test_what_the_agent_no_longer_has_is_said(database_url: str, tmp_path: Path, old: bool) -> None:
    async with plant(database_url, tmp_path / "spool", size=60, old=old) as it:
        it.clamp(10)
        await it.once()
        it.clamp(30)
        assert await it.once()
        assert it.said == ["30 observations are lost: the agent has 31 to 60 no more"]
        assert await it.counted() == 10 + 20, "10 of the 30 that followed are lost with them"


async def test_documents_wait_on_disk_while_the_service_is_away(database_url: str, tmp_path: Path) -> None:
    async with plant(database_url, tmp_path / "spool") as it:
        it.door.shut = True
        it.clamp(30)
        assert not await it.once()
        assert (it.waiting(), await it.counted()) == (6, 0)
        assert [line.partition(",")[0] for line in it.said] == ["the service answers 503"]
        it.agent.restart()
        it.clamp(10)
        assert not await it.once(service="http://127.0.0.1:9")
        assert it.waiting() > 6
        it.door.shut = False
        assert await it.once()
        assert (it.waiting(), await it.counted()) == (0, 40)


async def test_a_full_spool_asks_for_no_more_and_says_so(database_url: str, tmp_path: Path) -> None:
    async with plant(database_url, tmp_path / "spool") as it:
        it.door.shut = True
        it.clamp(100)
        assert not await it.once(spool_bytes=5 * 1024 * 1024 + 20_000)
        assert any(line.startswith("the spool is full") for line in it.said)
        waiting, asked = it.waiting(), len(it.agent.asked)
        assert 0 < waiting < 16
        assert not await it.once(spool_bytes=5 * 1024 * 1024 + 20_000)
        assert (it.waiting(), len(it.agent.asked)) == (waiting, asked)
        it.door.shut = False
        assert await it.once()
        assert await it.once()
        assert await it.counted() == 100


async def test_an_agent_that_cannot_be_read_holds_nothing_up(database_url: str, tmp_path: Path) -> None:
    async with plant(database_url, tmp_path / "spool") as it:
        it.door.shut = True
        it.clamp(5)
        await it.once()
        it.door.shut = False
        for broken in (b"<html>", b"<MTConnectDevices/>", b"", b"<MTConnectStreams"):
            it.agent.broken = broken
            await it.once()
            assert [line.partition(":")[0] for line in it.said] == ["the agent cannot be read"]
            assert await it.counted() == 5
        it.agent.broken = None
        it.clamp(1)
        await it.once()
        assert await it.counted() == 6


async def test_a_document_that_is_refused_is_put_aside(database_url: str, tmp_path: Path) -> None:
    async with plant(database_url, tmp_path / "spool") as it:
        it.clamp(3)
        with held(it.spool, 10**9) as spool:
            spool.add(b"<MTConnectDevices/>")
        assert await it.once()
        assert await it.counted() == 3
        assert [path.read_bytes() for path in (it.spool / "refused").iterdir()] == [b"<MTConnectDevices/>"]
        assert it.said[0].startswith("refused and put aside")


async def test_a_folder_is_one_agents_and_one_processs(tmp_path: Path) -> None:
    stop = asyncio.Event()
    following = Following(agent="http://127.0.0.1:9", service="http://127.0.0.1:9", key="k", spool=tmp_path)
    with held(tmp_path, 10**9) as spool:
        spool.stand(Place(agent="http://another.test", instance="1", next=5))
        with pytest.raises(SpoolInUse):
            await follow(following, stop, print, once=True)
    with pytest.raises(SpoolOfAnother):
        await follow(following, stop, print, once=True)


@pytest.mark.parametrize("address", ["", "agent:5000", "ftp://agent.test", "http://agent.test/?from=1"])
async def test_an_address_that_cannot_be_followed_is_refused(tmp_path: Path, address: str) -> None:
    following = Following(agent=address, service="http://127.0.0.1:9", key="k", spool=tmp_path)
    with pytest.raises(AddressMalformed):
        await follow(following, asyncio.Event(), print, once=True)


def test_what_was_written_in_part_is_gone_and_the_order_stays(tmp_path: Path) -> None:
    with held(tmp_path, 10**9) as spool:
        for number in range(12):
            spool.add(b"%d" % number)
        (tmp_path / f"{99:020d}.xml.part").write_bytes(b"cut o")
    with held(tmp_path, 10**9) as spool:
        assert [path.read_bytes() for path in spool.waiting()] == [b"%d" % number for number in range(12)]
        assert not list(tmp_path.glob("*.part"))


async def test_a_follower_that_is_killed_again_and_again_loses_and_doubles_nothing(
    database_url: str, tmp_path: Path
) -> None:
    chance = Random(6)
    async with plant(database_url, tmp_path / "spool", size=100_000) as it:
        it.clamp(100, after=1.0)
        for round_ in range(4):
            process = await _started(it)
            for _ in range(5):
                it.clamp(3, after=1.0)
                it.door.shut = round_ in (1, 2)
                await asyncio.sleep(chance.random() * 0.4)
            process.kill()
            await process.wait()
            if round_ == 2:
                await it.once()
                it.agent.restart()
        it.door.shut = False
        assert await it.once()
        assert (await it.counted(), it.waiting()) == (160, 0)
        await it.once()
        assert await it.counted() == 160
        assert (await it.ledger.verified()).faults == []


async def _started(it: Plant) -> asyncio.subprocess.Process:
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-B", "-m", "service", "follow-mtconnect", it.agent.url, "--service", it.door.url),
        *("--spool", str(it.spool), "--interval", "0.1", "--count", "40"),
        cwd=PROJECT,
        env=outside() | {"SPINDLE_LEDGER_KEY": BOOTSTRAP},
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.DEVNULL,
    )
    it.agent.heard.clear()
    async with asyncio.timeout(30):
        await it.agent.heard.wait()
    return process


async def test_the_command_follows_until_it_is_told_to_stop(database_url: str, tmp_path: Path) -> None:
    async with plant(database_url, tmp_path / "spool") as it:
        it.clamp(4)
        process = await _started(it)
        async with asyncio.timeout(30):
            while await it.counted() < 4:
                await it.door.taken.wait()
                it.door.taken.clear()
        process.terminate()
        assert await process.wait() == 0
        assert await it.counted() == 4


async def test_the_pipeline_of_the_readme_is_a_whole_integration(database_url: str, tmp_path: Path) -> None:
    blocks = re.findall(r"```sh\n(.*?)```", (PROJECT / "README.md").read_text("utf-8"), re.DOTALL)
    (pipeline,) = [block for block in blocks if "agent.next" in block]
    async with plant(database_url, tmp_path / "spool", size=300) as it:
        script = pipeline.replace("http://agent:5000", it.agent.url).replace("http://127.0.0.1:8460", it.door.url)

        async def minute() -> None:
            process = await asyncio.create_subprocess_exec(
                *("sh", "-c", script),
                cwd=tmp_path,
                env=outside() | {"SPINDLE_LEDGER_KEY": BOOTSTRAP},
                stderr=asyncio.subprocess.DEVNULL,
            )
            async with asyncio.timeout(60):
                await process.wait()

        for _ in range(2):
            it.clamp(30)
            await minute()
        assert ((tmp_path / "agent.next").read_text().strip(), await it.counted()) == ("181", 60)
        it.door.shut = True
        it.clamp(10)
        await minute()
        assert not (tmp_path / "agent.next").exists()
        it.door.shut = False
        await minute()
        assert await it.counted() == 70
        it.agent.restart()
        it.clamp(5)
        await minute()
        await minute()
        assert await it.counted() == 75
