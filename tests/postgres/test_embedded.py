"""The embedded server starts, survives kills of either side, keeps what was committed, and is never left behind."""

import asyncio
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import asyncpg
import pytest

from service.embedded_account import command_as, server_account
from service.embedded_binaries import installed_binaries
from service.embedded_folder import outlive_postmaster
from tests.postgres.held_server import Held, add_row, gone, wait_until_gone
from tests.postgres.hold_server import SERVER_DIED
from tests.server import make_data_folder

RESTARTS = 50


@pytest.fixture
def data() -> Iterator[Path]:
    folder = make_data_folder()
    yield folder
    shutil.rmtree(folder)


async def test_it_serves_and_stops_with_its_holder(data: Path) -> None:
    with Held(data) as held:
        held.ready()
        connection = await asyncpg.connect(held.dsn)
        shown = {
            name: await connection.fetchval(f"SHOW {name}")
            for name in ("fsync", "data_checksums", "listen_addresses", "server_encoding", "timezone")
        }
        database = await connection.fetchrow(
            "SELECT datname, datlocprovider::text, datlocale FROM pg_database WHERE datname = current_database()"
        )
        await connection.close()
        assert shown == {
            "fsync": "on",
            "data_checksums": "on",
            "listen_addresses": "",
            "server_encoding": "UTF8",
            "timezone": "UTC",
        }
        assert tuple(database) == ("spindle_ledger", "b", "C.UTF-8")
        assert held.end() == 0
        assert gone(held.pid)


async def test_a_killed_holder_starts_again_at_once_and_nothing_is_lost(data: Path) -> None:
    servers: list[int] = []
    for rows in range(1, RESTARTS + 1):
        with Held(data) as held:
            servers.append(held.ready().pid)
            assert all(gone(pid) for pid in servers[:-1])
            assert await add_row(held.dsn) == rows
            held.process.kill()
            held.pid = 0  # the next round, not this one, waits for it to be gone
    wait_until_gone(servers[-1])
    assert len(servers) == RESTARTS


async def test_a_killed_server_ends_its_holder_and_what_was_committed_is_there_again(data: Path) -> None:
    with Held(data) as held:
        held.ready()
        assert await add_row(held.dsn) == 1
        os.kill(held.pid, signal.SIGKILL)
        assert held.ended() == (SERVER_DIED, "The server died.")
    with Held(data) as held:
        held.ready()
        assert await add_row(held.dsn) == 2
        assert held.end() == 0


def test_a_second_start_on_the_same_data_names_the_first(data: Path) -> None:
    with Held(data) as first:
        first.ready()
        with Held(data) as second:
            status, said = second.ended()
        assert status == 2
        assert f"in use by process {first.process.pid}" in said
        assert not gone(first.pid)
        assert first.end() == 0


async def test_a_start_waits_for_a_dying_server(data: Path) -> None:
    with Held(data) as held:
        held.ready()
        os.kill(held.pid, signal.SIGSTOP)
        try:
            held.kill()
            with Held(data) as next_held:
                starting = asyncio.create_task(asyncio.to_thread(next_held.ready))
                await asyncio.sleep(1.5)
                assert not starting.done()
                assert (data / "cluster" / "postmaster.pid").exists()
                os.kill(held.pid, signal.SIGCONT)
                await starting
                assert gone(held.pid)
                assert next_held.end() == 0
        finally:
            if not gone(held.pid):
                os.kill(held.pid, signal.SIGCONT)


def test_a_server_that_nobody_holds_is_asked_to_end(data: Path) -> None:
    with Held(data) as held:
        held.ready()
        assert held.end() == 0
    cluster = data / "cluster"
    settings = ["-c", "listen_addresses=", "-c", f"unix_socket_directories={data}"]
    words = command_as(server_account(), [installed_binaries().program("postgres"), "-D", cluster, *settings])
    with subprocess.Popen(words, cwd="/", stderr=subprocess.DEVNULL) as unheld:
        try:
            while not (data / ".s.PGSQL.5432").exists():
                assert unheld.poll() is None
                time.sleep(0.02)
            began = time.monotonic()
            outlive_postmaster(cluster, patience_s=1.0)
            assert time.monotonic() - began >= 1.0
            assert unheld.wait(10) == 0
            assert not (cluster / "postmaster.pid").exists()
        finally:
            unheld.kill()


def test_a_holder_started_with_interrupts_ignored_leaves_no_server(data: Path) -> None:
    with Held(data, before=["/bin/sh", "-c", "trap '' INT; exec \"$@\"", "sh"]) as held:
        held.ready()
        held.kill()
        wait_until_gone(held.pid)


def test_another_major_version_is_refused_with_what_to_do(data: Path) -> None:
    with Held(data) as held:
        held.ready()
        assert held.end() == 0
    mark = data / "cluster" / "PG_VERSION"
    mark.write_text("17\n")
    with Held(data) as held:
        status, said = held.ended()
    assert status == 1
    assert "was written by PostgreSQL 17 and this is PostgreSQL 18" in said
    assert "pg_dump" in said
    assert mark.read_text() == "17\n"


def test_a_folder_that_holds_something_else_is_left_alone(data: Path) -> None:
    (data / "letters.txt").write_text("not ours")
    owner = data.stat().st_uid
    with Held(data) as held:
        status, said = held.ended()
    assert status == 1
    assert str(data) in said
    assert [path.name for path in data.iterdir()] == ["letters.txt"]
    assert data.stat().st_uid == owner


@pytest.mark.parametrize("name", ["a" * 90, "plant data, hall 2"])
def test_a_path_too_long_or_odd_for_a_socket_still_serves(data: Path, name: str) -> None:
    data.chmod(0o755)
    with Held(data / name) as held:
        held.ready()
        assert asyncio.run(add_row(held.dsn)) == 1
        socket = Path(held.dsn.partition("host=")[2].partition("&")[0])
        assert socket.is_dir()
        assert held.end() == 0
        assert not socket.exists()
