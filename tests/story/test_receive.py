"""The receiver that the README shows: the very file, run as it stands, told by the service."""

import asyncio
import os
import socket
import sqlite3
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, closing
from pathlib import Path

import httpx

from service.deliver import Dispatcher
from service.domain.signature import secret_text
from tests.running import Json, Running, running
from tests.story.delivering import LOOPBACK
from tests.story.receiver import Receiver, receiver

FILE = Path(__file__).parent / "receive.py"
README = Path(__file__).parents[2] / "README.md"


def test_the_readme_shows_the_file_and_it_has_30_lines_at_most() -> None:
    text = FILE.read_text("utf-8")
    assert f"```python\n{text}```\n" in README.read_text("utf-8")
    assert len(text.splitlines()) <= 30


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port: int = one.getsockname()[1]
        return port


@asynccontextmanager
async def receiving(secret: str, place: Path) -> AsyncIterator[str]:
    """The receiver as a process; answers its URL."""
    port = _free_port()
    environment = os.environ | {"WEBHOOK_SECRET": secret, "WEBHOOK_NOTICES": str(place), "PORT": str(port)}
    process = await asyncio.create_subprocess_exec(sys.executable, FILE, env=environment, stderr=subprocess.DEVNULL)
    try:
        for _ in range(400):
            try:
                _, writer = await asyncio.open_connection("127.0.0.1", port)
                writer.close()
                await writer.wait_closed()
                break
            except ConnectionRefusedError:
                assert process.returncode is None
                await asyncio.sleep(0.05)
        yield f"http://127.0.0.1:{port}/"
    finally:
        process.kill()
        await process.wait()


def kept(place: Path) -> list[tuple[str, bytes]]:
    with closing(sqlite3.connect(place)) as database:
        return list(database.execute("SELECT id, body FROM notice"))


async def _ping(ledger: Running, url: str, secret: str) -> Json:
    """A ping to this URL, delivered; answers the delivery."""
    wanted = {"url": url, "secret": secret, "types": ["endpoint.ping"]}
    endpoint = (await ledger.client.post("/v1/webhook-endpoints", json=wanted)).json()["id"]
    await ledger.client.post(f"/v1/webhook-endpoints/{endpoint}/ping")
    assert await Dispatcher(ledger.database, ledger.app.state.seal, allowed=LOOPBACK).deliver_due() == 1
    listed = (await ledger.client.get(f"/v1/webhook-endpoints/{endpoint}/deliveries")).json()["items"]
    found: Json = listed[0]
    return found


async def test_it_takes_a_notice_of_the_service_once_and_nothing_that_was_altered(
    database_url: str, tmp_path: Path
) -> None:
    secret, place = secret_text(bytes(range(32))), tmp_path / "notices.db"
    async with running(database_url) as ledger, receiving(secret, place) as url, receiver() as between:
        delivered = await _ping(ledger, url, secret)
        assert (delivered["state"], delivered["attempts"][0]["status"]) == ("delivered", 204)
        assert [name for name, _ in kept(place)] == [delivered["notice"]]
        await _ping(ledger, between.url, secret)
        await _repeat_and_alter(url, between, place)


async def _repeat_and_alter(url: str, between: Receiver, place: Path) -> None:
    """Sends what one receiver got to the other: twice as it is, and with each byte of the body flipped."""
    (got,) = between.received
    headers = {name: got.headers[name] for name in got.headers if name.startswith("webhook-")}
    async with httpx.AsyncClient(trust_env=False) as client:
        for place_of_byte in range(0, len(got.body), 7):
            altered = bytearray(got.body)
            altered[place_of_byte] ^= 1 << (place_of_byte % 8)
            assert (await client.post(url, content=bytes(altered), headers=headers)).status_code == 400
        for name, value in headers.items():
            altered_headers = headers | {name: value[:-2] + ("A" if value[-2] != "A" else "B") + value[-1]}
            assert (await client.post(url, content=got.body, headers=altered_headers)).status_code == 400, name
        lacking = {name: headers[name] for name in headers if name != "webhook-signature"}
        assert (await client.post(url, content=got.body, headers=lacking)).status_code == 400
        assert len(kept(place)) == 1
        for _ in range(2):
            assert (await client.post(url, content=got.body, headers=headers)).status_code == 204
    assert [body for _, body in kept(place)][1:] == [got.body]
